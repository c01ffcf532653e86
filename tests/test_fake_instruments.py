"""Ages, delays and losses of the fake's readings, and what its perturbations draw."""

import itertools
import os
import subprocess
import sys
from pathlib import Path

import pytest
from fake_kit import age, columns, fake, kit_rig, push, site_of, world_of

from drivers.fake.instruments import Board, Model, make_losses, split_delay
from drivers.fake.perturbations import NAMES, Drawn, draw, read_sizes
from robotcore.errors import UserError
from robotcore.layout import LONGEST_AGE, NEVER, Slot

SLOT = Slot("x", 0, 1, 2)
FOREVER = itertools.repeat(1 << 60)


def run(model, steps, losses=FOREVER):
    row = [0, 0]
    seen = []
    clock = [0]
    board = Board(row, 0.01)
    board.fit(SLOT, model(lambda: (clock[0],)), iter(losses))
    refresh = board.refresher()
    for step in range(steps):
        clock[0] = step
        refresh(step)
        seen.append(tuple(row))
    return seen


def test_a_prompt_reading_is_new_at_every_step():
    assert run(lambda capture: Model(capture), 3) == [(0, 0), (0, 1), (0, 2)]


def test_a_slow_device_keeps_its_reading_which_ages():
    seen = run(lambda capture: Model(capture, period_s=0.04), 6)
    assert seen == [(0, 0), (100, 0), (200, 0), (300, 0), (0, 4), (100, 4)]


def test_a_period_between_steps_is_kept_on_average():
    seen = run(lambda capture: Model(capture, period_s=0.025), 100)
    assert len({reading for _, reading in seen}) == 40


def test_a_delayed_reading_comes_late_and_says_so():
    seen = run(lambda capture: Model(capture, period_s=0.03, delay_s=0.02), 7)
    assert seen == [(NEVER, 0), (NEVER, 0), (200, 0), (300, 0), (400, 0), (200, 3), (300, 3)]


def test_the_part_of_a_delay_below_a_step_is_the_capture_s_own():
    assert split_delay(0.0134, 0.01) == (1, 34)
    assert run(lambda capture: Model(capture, delay_s=0.0034, fine=True), 1) == [(34, 0)]
    assert run(lambda capture: Model(capture, delay_s=0.0034), 1) == [(0, 0)]
    assert run(lambda capture: Model(capture, delay_s=0.0134, fine=True), 3)[2] == (134, 1)


def test_a_lost_reading_leaves_the_older_one():
    seen = run(lambda capture: Model(capture), 4, [1, 1 << 60])
    assert seen == [(0, 0), (100, 0), (0, 2), (0, 3)]


def test_losses_may_follow_each_other():
    seen = run(lambda capture: Model(capture), 5, [1, 0, 0, 1 << 60])
    assert seen == [(0, 0), (100, 0), (200, 0), (300, 0), (0, 4)]


def test_a_device_may_begin_with_a_loss():
    assert run(lambda capture: Model(capture), 2, [0, 1 << 60]) == [(NEVER, 0), (0, 1)]


def test_a_slow_device_ages_through_a_loss():
    seen = run(lambda capture: Model(capture, period_s=0.02), 7, [1, 1 << 60])
    assert seen == [(0, 0), (100, 0), (200, 0), (300, 0), (0, 4), (100, 4), (0, 6)]


def test_a_source_is_read_when_it_moved():
    class Arm:
        moved = False

    arm, row, at = Arm(), [0, 0], [5]
    board = Board(row, 0.01)
    board.fit(SLOT, Model(lambda: (at[0],), source=arm), iter(FOREVER))
    refresh = board.refresher()
    refresh(0)
    assert row == [0, 5]
    at[0], arm.moved = 6, True
    refresh(1)
    assert (row, arm.moved) == ([0, 6], False)


def test_every_tenth_loss_is_silence():
    seen = run(lambda capture: Model(capture), 24, itertools.repeat(1))
    assert [stamp for stamp, _ in seen[1:20:2]] == [100] * 9 + [NEVER]
    assert seen[19] == (NEVER, 0)
    assert seen[20][0] == 0


def test_an_age_stops_at_its_longest():
    seen = run(lambda capture: Model(capture, period_s=100.0), 900)
    stamps = [stamp for stamp, _ in seen]
    assert stamps[570] == 57000
    assert max(stamps) == stamps[-1] == LONGEST_AGE
    assert stamps == sorted(stamps)


def test_losses_come_as_often_as_asked():
    draws = draw(3, {}).drop_draws
    gaps = list(itertools.islice(make_losses(0.02, draws, 0), len(draws)))
    assert 1.0 / (1.0 + sum(gaps) / len(gaps)) == pytest.approx(0.02, rel=0.2)
    assert next(make_losses(0.0, draws, 0)) > 10**12


def test_dropped_readings_show_in_a_run():
    rig = kit_rig()
    robot = fake("fake:pad?perturb=0&dropout=10&seed=4")
    ages = [age(rig, robot.sense(tick), "floor_left") for tick in range(2000)]
    late = sum(stamp > 20 for stamp in ages) / len(ages)
    assert late == pytest.approx(0.03, rel=0.4)  # ten times the nominal 0.3 %


def test_encoders_and_buttons_lose_nothing():
    rig = kit_rig()
    robot = fake("fake:pad?dropout=10&seed=4")
    for tick in range(500):
        row = robot.sense(tick)
        assert age(rig, row, "drive") == 0
        assert age(rig, row, "start_button") in (0, 100, 200, 300, 400)


def test_the_operator_presses_start():
    rig = kit_rig()
    robot = fake("fake:pad")
    pressed = [tick for tick in range(100) if columns(rig, robot.sense(tick), "start_button") == (1,)]
    assert pressed == list(range(30, 50))


def test_the_battery_gauge_shows_terminal_millivolts():
    rig = kit_rig()
    world = world_of(site_of())
    push(world, 800, 800, 31)
    assert columns(rig, world.row, "battery")[0] == pytest.approx(1000 * world.truth.volts, abs=5)
    assert 7000 < columns(rig, world.row, "battery")[0] < 7750


# --- perturbations ---


def values(drawn: Drawn) -> dict[str, object]:
    return {
        "light and tint": (drawn.lamp, drawn.ambient), "gradient": (drawn.floor_gradient, drawn.ambient_gradient),
        "noise": drawn.noise, "slip": drawn.slip, "mount": tuple(drawn.mounts.items()), "battery": drawn.battery_v,
        "start": drawn.start, "delay": tuple(drawn.delays_s.items()), "dropout": drawn.dropout,
        "motors": drawn.motors, "temperature": (drawn.air_c, drawn.thermometer_c), "phase": drawn.phase,
        "tables": (drawn.gaussians, drawn.drop_draws),
    }  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_changing_one_size_changes_no_other_draw(name):
    base = draw(11, dict.fromkeys(NAMES, 1.0))
    other = draw(11, {**dict.fromkeys(NAMES, 1.0), name: 2.0})
    changed = {key for key in values(base) if values(base)[key] != values(other)[key]}
    assert changed == {"light and tint" if name in ("light", "tint") else name}


@pytest.mark.parametrize("name", NAMES)
def test_a_size_scales_what_is_drawn(name):
    one, two = draw(5, {name: 1.0}), draw(5, {name: 2.0})
    pairs = {
        "gradient": lambda d: d.floor_gradient[0], "noise": lambda d: d.noise, "slip": lambda d: d.slip.scrub,
        "mount": lambda d: d.mounts["front"].left_m, "battery": lambda d: d.battery_v, "start": lambda d: d.start[2],
        "delay": lambda d: d.delays_s["front"], "dropout": lambda d: d.dropout, "motors": lambda d: d.motors[0] - 1.0,
        "temperature": lambda d: d.air_c - 20.0, "light": lambda d: d.lamp[0] - 1.0, "tint": lambda d: d.lamp[1] - 1.0,
    }  # fmt: skip
    assert pairs[name](two) == pytest.approx(2.0 * pairs[name](one))
    assert pairs[name](one) != 0.0


def test_size_zero_is_the_workshop():
    calm = draw(9, dict.fromkeys(NAMES, 0.0))
    assert (calm.lamp, calm.ambient, calm.motors, calm.air_c) == ((1, 1, 1), (1, 1, 1), (1, 1), 20)
    assert (calm.noise, calm.dropout, calm.start) == (0, 0, (0, 0, 0))


def test_draws_stay_within_their_stated_spread():
    for seed in range(40):
        drawn = draw(seed, dict.fromkeys(NAMES, 1.0))
        assert all(0.85 * 0.95 <= value <= 1.15 * 1.05 for value in drawn.lamp)
        assert all(0.5 * 0.8 <= value <= 2.0 * 1.2 for value in drawn.ambient)
        assert abs(drawn.start[0]) <= 0.010
        assert all(0.0 <= late <= 0.020 for late in drawn.delays_s.values())
        assert drawn.motors[0] / drawn.motors[1] < 1.0513


def test_the_url_sizes_all_and_then_one():
    sizes = read_sizes({"perturb": "0", "noise": "2"}, "fake:quay?perturb=0&noise=2")
    assert sizes["noise"] == 2.0
    assert all(size == 0.0 for name, size in sizes.items() if name != "noise")
    assert set(read_sizes({}, "").values()) == {1.0}


@pytest.mark.parametrize("text", ["-1", "11", "much", "nan"])
def test_a_size_that_is_none_is_refused(text):
    with pytest.raises(UserError, match=r"fake:quay: slip=.* is no size; give a number from 0"):
        read_sizes({"slip": text}, "fake:quay")


def test_an_unknown_perturbation_is_refused():
    with pytest.raises(UserError, match="did you mean 'light'"):
        draw(1, {"lihgt": 1.0})


# --- the same run again ---

RUN = """
import hashlib, sys
sys.path[:0] = ["tests"]
from fake_kit import fake, kit_rig
from robotcore.command import Command
robot, rig, digest = fake("fake:shoals?seed=12"), kit_rig(), hashlib.sha256()
slots = rig.layout.slots
for tick in range(3000):
    row = robot.sense(tick)
    turn = 0.0004 * (row[slots["floor_right"].start] - row[slots["floor_left"].start])
    robot.act(Command(0.15 - turn, 0.15 + turn, 0.5, 0.0))
    digest.update(repr((row, robot.truth())).encode())
print(digest.hexdigest())
"""


def test_the_same_seed_gives_the_same_run_in_any_process():
    top = Path(__file__).parent.parent
    digests = set()
    for hash_seed in ("0", "4711"):
        environment = {**os.environ, "PYTHONHASHSEED": hash_seed}
        done = subprocess.run([sys.executable, "-c", RUN], capture_output=True, text=True, check=True, cwd=top,
                              env=environment)  # fmt: skip
        digests.add(done.stdout)
    assert len(digests) == 1
