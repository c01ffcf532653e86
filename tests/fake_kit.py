"""What the tests of the fake robot share: a rig, small courses, and a world without perturbations.

Rule: nothing here knows how the fake computes anything.
"""

from functools import cache

from drivers.devices import find_built_in
from drivers.fake.backend import FakeBackend, build
from drivers.fake.course.format import parse_course
from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import Pose
from drivers.fake.perturbations import Drawn
from drivers.fake.world import Site, World
from robotcore.backend import parse_address
from robotcore.rig import Rig, parse_rig

ORIGIN = Pose(0.0, 0.0, 0.0)

BODY = """
[rig]
name = "kit"
period_ms = 10
dead_man_ms = 200
[body]
track_width_mm = 140
wheel_radius_mm = 20
front_mm = 100
rear_mm = 100
width_mm = 170
max_speed_mm_s = 300
"""

DEVICES = {
    "floor_left": 'driver = "rgb10"\nmount = { ahead_mm = 70, left_mm = 12, up_mm = 8 }',
    "floor_right": 'driver = "rgb10"\nmount = { ahead_mm = 70, left_mm = -12, up_mm = 8 }',
    "front": 'driver = "rgb10"\nmount = { ahead_mm = 100, up_mm = 60 }',
    "side_range": 'driver = "echo_us"\nmount = { ahead_mm = 30, left_mm = -80, up_mm = 60, heading_deg = -90 }',
    "drive": 'driver = "tracks"\noptions = { counts_per_turn = 360, full_speed_rad_s = 18 }',
    "gripper": 'driver = "positioner"\noptions = { lowest_deg = 0, highest_deg = 150 }',
    "tilt": 'driver = "tilt_mg"',
    "start_button": 'driver = "button"',
    "battery": 'driver = "battery_mv"',
}


def rig_text(**swapped: str) -> str:
    devices = {**DEVICES, **swapped}
    return BODY + "".join(
        f'[[device]]\nrole = "{role}"\nport = "{i}"\n{text}\n' for i, (role, text) in enumerate(devices.items()) if text
    )


@cache
def kit_rig(**swapped: str) -> Rig:
    """Return the rig of the tests; a role given here gets another device, or none for an empty text."""
    return parse_rig(rig_text(**swapped), "kit.toml", find_built_in)


def course_of(moves: str, size: str = "[3000, 900]", start: str = "[250, 450]"):
    return parse_course(
        f'[course]\nname = "kit"\nsize_mm = {size}\n[start]\nat_mm = {start}\n'
        f"[[line]]\nfrom_mm = [200, 450]\nmoves = [{moves}]",
        "kit-course.toml",
    )


def site_of(*, look=lambda x, y: (0.85, 0.85, 0.85), relief=None, solids=(), start=ORIGIN) -> Site:
    return Site(start, look, relief or Relief((), (), 1.0, 1.0), tuple(solids), (0.0, 0.0, 1.0, 1.0))


def world_of(site: Site | None = None, drawn: Drawn | None = None, rig: Rig | None = None, **kwargs) -> World:
    return World(site or site_of(), rig or kit_rig(), drawn or Drawn(), **kwargs)


def push(world: World, left: int, right: int, ticks: int) -> None:
    """Give constant power for so many ticks from where the world stands."""
    first = round(world.truth.time_s / 0.01)
    for tick in range(first, first + ticks):
        world.power(left, right)
        world.advance(tick + 1)


def fake(url: str, rig: Rig | None = None) -> FakeBackend:
    return build(parse_address(url), rig or kit_rig())


def columns(rig: Rig, row, role: str) -> tuple[int, ...]:
    slot = rig.layout.slots[role]
    return tuple(row[slot.start : slot.stop])


def age(rig: Rig, row, role: str) -> int:
    return row[rig.layout.slots[role].age]
