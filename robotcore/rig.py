"""A rig says what is built: geometry, and which device with which driver on which port plays which role.

Rules: the file is TOML and is validated whole; it names drivers only by registered name. Millimetres and degrees in
the file, metres and radians in the code.
"""

import math
from pathlib import Path
from typing import Any, NamedTuple

from robotcore.checking import Checker, Table, nearest, parse_toml, read_text
from robotcore.devices import DriverFinder, check_built
from robotcore.errors import UserError
from robotcore.layout import Layout
from robotcore.readings import ROLES

NEEDED_ROLES = ("floor_left", "floor_right", "drive")


class Mount(NamedTuple):
    """Where a device sits on the body: metres ahead and left of the middle of the axle, metres up, radians."""

    ahead_m: float
    left_m: float
    up_m: float
    heading_rad: float


class Body(NamedTuple):
    """The robot's measures, in metres and metres a second. The origin is the middle of the axle."""

    track_width_m: float
    wheel_radius_m: float
    front_m: float  #: axle to the foremost point
    rear_m: float  #: axle to the rearmost point
    width_m: float
    max_speed_m_s: float
    collector_width_m: float


class Fitted(NamedTuple):
    """One device of the rig."""

    role: str
    driver_name: str
    port: str
    mount: Mount
    device: Any


class Rig(NamedTuple):
    """The robot as built. `text` is the TOML it came from, as it goes into a recording."""

    name: str
    period_s: float
    dead_man_s: float
    on_lost_link: str  #: "wait" or "end"
    body: Body
    fitted: tuple[Fitted, ...]
    layout: Layout
    text: str

    def role(self, name: str) -> Fitted | None:
        """Return the device in a role, or None."""
        return next((fitted for fitted in self.fitted if fitted.role == name), None)

    def mount(self, role: str) -> Mount:
        """Return where the device in a role sits; a `UserError` names a role that the rig does not fill."""
        fitted = self.role(role)
        if fitted is None:
            raise UserError(f"rig {self.name!r}: no device has the role {role!r}; add one to the rig file")
        return fitted.mount


def load_rig(path: str | Path, find_driver: DriverFinder) -> Rig:
    """Read and validate a rig file.

    Raises:
        UserError: it cannot be read or is not TOML; `Faults` lists everything else that is wrong.

    """
    return parse_rig(read_text(path), str(path), find_driver)


def parse_rig(text: str, source: str, find_driver: DriverFinder) -> Rig:
    """Validate a rig's text; `source` names it in faults."""
    checker = Checker(source)
    top = Table(parse_toml(text, source), checker)
    head = top.table("rig")
    name = head.text("name", Path(source).stem)
    period_s = head.number("period_ms", 10.0, low=1.0, high=1000.0) / 1000
    dead_man_s = head.number("dead_man_ms", 200.0, low=20.0, high=2000.0) / 1000
    on_lost_link = head.choice("on_lost_link", ("wait", "end"), "wait")
    head.close()
    body = _body(top.table("body"))
    fitted = _fitted(top, checker, find_driver)
    top.close()
    checker.finish()
    layout = Layout((entry.role, entry.device.channels) for entry in fitted)
    return Rig(name, period_s, dead_man_s, on_lost_link, body, fitted, layout, text)


def _body(table: Table) -> Body:
    body = Body(
        track_width_m=table.number("track_width_mm", low=30, high=1000) / 1000,
        wheel_radius_m=table.number("wheel_radius_mm", low=3, high=300) / 1000,
        front_m=table.number("front_mm", low=1, high=1000) / 1000,
        rear_m=table.number("rear_mm", low=1, high=1000) / 1000,
        width_m=table.number("width_mm", low=30, high=1000) / 1000,
        max_speed_m_s=table.number("max_speed_mm_s", low=10, high=5000) / 1000,
        collector_width_m=table.number("collector_width_mm", 100, low=10, high=1000) / 1000,
    )
    table.close()
    return body


def _fitted(top: Table, checker: Checker, find_driver: DriverFinder) -> tuple[Fitted, ...]:
    fitted: list[Fitted] = []
    tables = top.tables("device")
    taken: dict[str, str] = {}
    for table in tables:
        entry = _one(table, find_driver)
        if entry.port in taken:
            table.fault("port", f"{entry.port!r} is taken by {taken[entry.port]}; give each device a port of its own")
        elif entry.port:
            taken[entry.port] = table.place
        if entry.role and entry.role in [other.role for other in fitted]:
            table.fault("role", f"{entry.role!r} is filled twice; remove one of the two")
        fitted.append(entry)
    roles = [entry.role for entry in fitted]
    for role in NEEDED_ROLES:
        if role not in roles:
            checker.fault("device", f"no device has the role {role!r}; add a [[device]] with it")
    return tuple(fitted)


def _one(table: Table, find_driver: DriverFinder) -> Fitted:
    role = _word(table, "role")
    if role and role not in ROLES:
        table.fault("role", f"{role!r} is not a role; {nearest(role, ROLES)}")
    port = _word(table, "port")
    mount_table = table.table("mount", {})
    mount = Mount(
        ahead_m=mount_table.number("ahead_mm", 0, low=-1000, high=1000) / 1000,
        left_m=mount_table.number("left_mm", 0, low=-1000, high=1000) / 1000,
        up_m=mount_table.number("up_mm", 0, low=0, high=1000) / 1000,
        heading_rad=math.radians(mount_table.number("heading_deg", 0, low=-360, high=360)),
    )
    mount_table.close()
    driver_name = _word(table, "driver")
    device = _device(table, role, driver_name, find_driver)
    table.close()
    return Fitted(role, driver_name, port, mount, device)


def _word(table: Table, key: str) -> str:
    word = table.text(key)
    if key in table.data and word == "" and isinstance(table.data[key], str):
        table.fault(key, "is empty; give a name")
    return word


def _device(table: Table, role: str, driver_name: str, find_driver: DriverFinder) -> Any:
    options = table.table("options", {})
    if not driver_name:
        return None
    try:
        driver = find_driver(driver_name)
        device = driver(options)
        check_built(driver_name, device)
    except UserError as error:
        table.fault("driver", str(error))
        return None
    wanted = ROLES.get(role)
    if wanted is not None and device.capability != wanted:
        table.fault("driver", f"{driver_name!r} is a {device.capability} device; the role {role!r} needs {wanted}")
    options.close()
    return device
