"""The fake robot as a backend: the seam, its options, stops, and devices that it does not know."""

import threading
from importlib import metadata

import pytest
from fake_kit import columns, fake, kit_rig, push, rig_text, world_of

from drivers.fake import models
from drivers.fake.instruments import Model
from robotcore.backend import Backend
from robotcore.command import CUT, HALT, HOLD, Command
from robotcore.devices import check_driver
from robotcore.errors import UserError
from robotcore.layout import Channel
from robotcore.rig import parse_rig

AHEAD = Command(0.2, 0.2, 1.0, 0.0)


def driven(robot, ticks=100, command=AHEAD, first=0):
    for tick in range(first, first + ticks):
        robot.sense(tick)
        robot.act(command)
    return first + ticks


def test_it_is_a_backend_that_gives_whole_numbers_laid_out_as_the_rig_says():
    rig = kit_rig()
    robot: Backend = fake("fake:quay?seed=3")
    robot.open()
    row = robot.sense(0)
    assert type(row) is tuple
    assert all(type(count) is int for count in row)
    assert len(rig.layout.row.pack(*row)) == rig.layout.row.size
    assert robot.paced is False
    assert fake("fake:quay?pace=real").paced is True
    robot.close()
    robot.close()


def test_every_row_fits_its_columns():
    rig = kit_rig()
    robot = fake("fake:storm?seed=8&noise=10&dropout=10&light=6")
    for tick in range(600):
        rig.layout.row.pack(*robot.sense(tick))
        robot.act(Command(0.3, 0.27, 2.0, 0.0))


def test_it_starts_where_the_course_says():
    robot = fake("fake:quay?perturb=0")
    robot.sense(0)
    assert robot.truth() == (0.3, 0.3, 0.0)
    moved = fake("fake:quay?perturb=0&start=1&seed=5").truth()
    assert 0.0 < abs(moved[0] - 0.3) + abs(moved[1] - 0.3) < 0.02
    assert 0.0 < abs(moved[2]) < 0.09


def test_set_points_go_through_the_drivers_own_loops():
    robot = fake("fake:pad?perturb=0")
    driven(robot, 200)
    truth = robot.world.truth
    assert truth.left_speed == pytest.approx(0.2, rel=0.03)
    assert robot.world.joints["gripper"].angle == pytest.approx(1.0, abs=0.04)
    driven(robot, 200, Command(0.1, -0.1, 0.0, 0.0), 200)
    assert truth.left_speed == pytest.approx(0.1, rel=0.05)
    assert truth.right_speed == pytest.approx(-0.1, rel=0.05)


def test_ticks_may_jump():
    one, other = fake("fake:quay?seed=3"), fake("fake:quay?seed=3")
    for tick in range(20):
        last = one.sense(tick)
    assert other.sense(19) == last


def test_the_motors_go_off_when_nobody_acts():
    robot = fake("fake:pad?perturb=0")
    driven(robot, 100)
    robot.sense(118)
    assert robot.world.truth.left_speed == pytest.approx(0.2, rel=0.05)
    robot.sense(121)  # 200 ms after the last act at tick 99
    assert robot.world.truth.left_speed < 0.19
    robot.sense(160)
    assert robot.world.truth.left_speed == robot.world.truth.right_speed == 0.0


@pytest.mark.parametrize("category", [CUT, HALT, HOLD])
def test_after_a_stop_nothing_moves_until_it_acts_again(category):
    robot = fake("fake:pad?perturb=0")
    tick = driven(robot, 100)
    robot.stop(category)
    robot.stop(category)
    robot.sense(tick + 60)
    still = robot.truth(), robot.world.joints["gripper"].angle
    robot.sense(tick + 500)
    assert (robot.truth(), robot.world.joints["gripper"].angle) == still
    driven(robot, 100, first=tick + 501)
    assert robot.truth() != still[0]


def test_a_braked_stop_is_shorter_than_a_coasting_one():
    ways = {}
    for category in (CUT, HALT, HOLD):
        robot = fake("fake:pad?perturb=0")
        tick = driven(robot, 100)
        before = robot.truth()[0]
        robot.stop(category)
        robot.sense(tick + 100)
        ways[category] = robot.truth()[0] - before
    # coasting: v^2 / 2a = 0.2^2 / 3; braking: v times the lag of 80 ms (a hair less with the dead band)
    assert ways[CUT] == pytest.approx(0.2**2 / 3.0 + 0.0, abs=0.002)
    assert ways[HALT] == pytest.approx(0.2 * 0.080, abs=0.001)
    assert ways[HOLD] == pytest.approx(0.2 * 0.080, abs=0.001)


def test_a_stop_from_another_thread_wins_over_an_act_under_way():
    robot = fake("fake:pad?perturb=0")
    driven(robot, 50)
    loop = robot.world.power

    def meanwhile(left, right):
        loop(left, right)
        other = threading.Thread(target=robot.stop, args=(CUT,))
        other.start()
        other.join()
        loop(left, right)  # the act's own power arrives last

    robot.world.power = meanwhile
    robot._act = robot._make_act()
    robot.act(AHEAD)
    robot.sense(200)
    still = robot.truth()
    robot.sense(260)
    assert robot.truth() == still


def test_the_facts_tell_what_world_it_was():
    robot = fake("fake:quay?seed=3&noise=2")
    facts = robot.facts
    assert all(type(key) is type(value) is str for key, value in facts.items())
    assert (facts["course"], facts["seed"], facts["rig"]) == ("quay", "3", "kit")
    assert facts["course_toml"].startswith("# Harbour Relief")
    assert "noise=2" in facts["perturbation_sizes"]
    assert "lamp=(" in facts["perturbations"]
    assert "gaussians" not in facts["perturbations"]


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("fake:quay?sead=3", r"option 'sead' is not known; did you mean 'seed'\?.*slip.*temperature"),
        ("fake:quay?seed=x", "seed=x is not a whole number"),
        ("fake:quay?pace=fast", "pace=fast is not known; give pace=real"),
        ("fake:quay?light=-1", "light=-1 is no size"),
        ("fake:quay?floor=white", "floor is for fake:pad only"),
        ("fake:quay?difficulty=1", "difficulty is for fake:random only"),
        ("fake:random?difficulty=2", "difficulty=2 is out of range"),
        ("fake:pad?floor=pink", "floor=pink is not known; give one of white, black, dark"),
        ("fake:", "no course; write fake:quay"),
        ("fake:quai", "did you mean 'quay'"),
        ("fake:missing.toml", "missing.toml: cannot be read"),
    ],
)
def test_what_it_cannot_do_it_says_in_one_line(url, says):
    with pytest.raises(UserError, match=says) as caught:
        fake(url)
    assert "\n" not in str(caught.value)


class Sonar:
    """A third party's range sensor: counts of 2 mm."""

    capability = "range"
    channels = (Channel("steps", "H", "2 mm"),)

    def __init__(self, options):
        self.max_age_s, self.lowest_m, self.highest_m = 0.2, 0.0, 1.0

    def distance(self, counts):
        return counts[0] * 0.002


def rig_with_sonar():
    from drivers.devices import find_built_in

    check_driver("sonar", Sonar)
    return parse_rig(rig_text(side_range='driver = "sonar"'), "sonar.toml",
                     lambda name: Sonar if name == "sonar" else find_built_in(name))  # fmt: skip


def test_a_device_without_a_model_is_named_with_the_remedy():
    with pytest.raises(UserError, match=r"'sonar' \(role 'side_range'\).*no model.*robotcore.fake_models"):
        fake("fake:pad", rig_with_sonar())


def sonar_model(fitted, scene):
    return Model(lambda: (123,))


def test_a_package_may_bring_a_model(monkeypatch):
    entry = metadata.EntryPoint("sonar", "test_fake_backend:sonar_model", models.GROUP)
    wanted = {"group": models.GROUP, "name": "sonar"}
    monkeypatch.setattr(models.metadata, "entry_points", lambda **asked: [entry] if asked == wanted else [])
    rig = rig_with_sonar()
    assert columns(rig, fake("fake:pad", rig).sense(0), "side_range") == (123,)


def test_a_slower_tick_is_split_into_steps():
    from drivers.devices import find_built_in

    slow = parse_rig(rig_text().replace("period_ms = 10", "period_ms = 25"), "slow.toml", find_built_in)
    world = world_of(rig=slow)
    assert world.step_s == pytest.approx(0.025 / 3)
    world.power(500, 500)
    world.advance(4)
    fine = world_of()
    push(fine, 500, 500, 10)
    assert world.truth.x == pytest.approx(fine.truth.x, rel=1e-2)


def test_a_rig_with_the_least_drives():
    bare = dict.fromkeys(("front", "side_range", "gripper", "tilt", "start_button", "battery"), "")
    robot = fake("fake:quay?seed=1", kit_rig(**bare))
    driven(robot, 50)
    assert robot.truth()[0] > 0.33
