"""Finding devices, backends, missions, rigs and calibrations by name, at run time.

Rules: what ships with the project stands in one table here, so that a start on a small processor searches nothing.
A team's own package joins by entry points, which are looked up only for names that the table does not hold. What is
found is checked against its protocol before anyone uses it.
"""

import importlib
import importlib.util
import sys
from pathlib import Path
from typing import Any

from robotcore.backend import Address, BackendFactory
from robotcore.checking import nearest
from robotcore.devices import check_driver
from robotcore.errors import UserError
from robotcore.mission import Mission

DEVICES = {
    "rgb10": "drivers.devices.colour:Rgb10",
    "rgbc16": "drivers.devices.colour:Rgbc16",
    "echo_us": "drivers.devices.distance:EchoTime",
    "optical_mm": "drivers.devices.distance:OpticalDistance",
    "tracks": "drivers.devices.tracks:Tracks",
    "positioner": "drivers.devices.positioner:Positioner",
    "tilt_mg": "drivers.devices.tilt:TiltAccelerometer",
    "button": "drivers.devices.button:Button",
    "battery_mv": "drivers.devices.battery:BatteryVoltage",
}

BACKENDS = {
    "fake": "drivers.fake.backend:build",
    "replay": "drivers.replay:build",
    "serial": "drivers.serial_brick:build",
    "sysfs": "drivers.sysfs:build",
}

MISSIONS = {
    "line": "behaviours.line_mission:LINE",
    "zone": "behaviours.full_mission:ZONE",
    "full": "behaviours.full_mission:FULL",
    "bench": "behaviours.bench:BENCH",
}

#: backend scheme -> what draws its world under a run; see robotcore/picture/scene.py
SCENERY = {
    "fake": "drivers.fake.course.scenery:of_facts",
}

#: scheme of a simulator -> what lets a recorded run go on in its world; see robotcore/cli/onward.py
ONWARD = {
    "fake": "drivers.fake.reconstruct.onward:onward",
}

#: scheme of a simulator -> what tells the truth of a recorded run; see robotcore/score.py
TRUTH = {
    "fake": "drivers.fake.points:truth_of",
}

#: schemes whose worlds can hurt nobody
HARMLESS = ("fake", "replay")

GROUPS = {
    "device": "robotcore.devices",
    "backend": "robotcore.backends",
    "mission": "robotcore.missions",
    "scenery": "robotcore.scenery",
    "onward": "robotcore.onward",
    "truth": "robotcore.truth",
}


def device(name: str) -> Any:
    """Return the driver class called `name`, checked against its capability's protocol."""
    driver = _find("device", name, DEVICES)
    check_driver(name, driver)
    return driver


def backend(address: Address) -> BackendFactory:
    """Return the factory for an address's scheme."""
    factory = _find("backend", address.scheme, BACKENDS)
    if not callable(factory):
        raise UserError(f"backend {address.scheme!r}: its entry point is not a function; see robotcore/backend.py")
    return factory  # type: ignore[no-any-return]


def scenery(scheme: str) -> Any:
    """Return the `robotcore.picture.scene.SceneryFactory` of a backend's scheme; None where it has none."""
    return _find("scenery", scheme, SCENERY) if scheme in known("scenery", SCENERY) else None


def onward(scheme: str) -> Any:
    """Return what lets a recorded run go on in a simulator's world."""
    return _find("onward", scheme, ONWARD)


def truth(scheme: str) -> Any:
    """Return the `robotcore.score.TruthFactory` of a backend's scheme; None where it has none."""
    return _find("truth", scheme, TRUTH) if scheme in known("truth", TRUTH) else None


def mission(name: str, *, by_module: bool = False) -> Mission:
    """Return the mission called `name`.

    Args:
        name: a registered name, or ``module:NAME`` where allowed.
        by_module: whether a module may be named. Only what a person typed may do so: a recording from a stranger
            must not choose what is imported.

    """
    if ":" in name and not by_module:
        raise UserError(f"mission {name!r} is no registered name; if you trust it, give it by --mission {name}")
    found = _by_module(name) if ":" in name else _find("mission", name, MISSIONS)
    if isinstance(found, dict):
        found = found.get(name)
    if not isinstance(found, Mission):
        raise UserError(f"mission {name!r}: its entry point is not a Mission; see robotcore/mission.py")
    return found


def rig_path(name: str) -> Path:
    """Return the file of a shipped rig, or `name` itself where it is a path."""
    return _shipped("rig", name, "rigs")


def calibration_path(name: str) -> Path:
    """Return the file of a shipped calibration, or `name` itself where it is a path."""
    return _shipped("calibration", name, "calibrations")


def score_path(name: str) -> Path:
    """Return the file of a shipped points table, or `name` itself where it is a path."""
    return _shipped("points table", name, "scores")


def shipped_names(folder: str) -> list[str]:
    """Return the names of the shipped TOML files of a folder below ``drivers``."""
    return sorted(path.stem for path in drivers_folder(folder).glob("*.toml"))


def known(what: str, table: dict[str, str]) -> list[str]:
    """Return every name of a kind, a team's own ones included."""
    from importlib.metadata import entry_points  # late: slow to import, and seldom needed

    return sorted({*table, *(point.name for point in entry_points(group=GROUPS[what]))})


def _by_module(name: str) -> Any:
    """Import ``module:NAME``, from the current folder too."""
    module, _, attribute = name.partition(":")
    if module.endswith(".py") or not all(part.isidentifier() for part in (*module.split("."), attribute)):
        raise UserError(f"mission {name!r}: write module:NAME, such as square:MISSION for MISSION in square.py")
    if "" not in sys.path:
        sys.path.insert(0, "")
    try:
        loaded = importlib.import_module(module)
    except Exception as error:  # a team's own code
        raise UserError(f"mission {name!r}: {_not_loaded(error, module)}") from error
    if not hasattr(loaded, attribute):
        raise UserError(f"mission {name!r}: {module} has no {attribute!r}; check the name after the colon")
    return getattr(loaded, attribute)


def _not_loaded(error: Exception, module: str) -> str:
    """Return why a module cannot be imported: the place in its code, what is wrong and the remedy."""
    import traceback  # late: seldom needed

    if isinstance(error, ModuleNotFoundError) and f"{module}.".startswith(f"{error.name}."):
        return f"there is no module {error.name!r}; run this beside the file"
    if isinstance(error, SyntaxError):
        return f"{error.filename}:{error.lineno}: {error.msg}; mend that line"
    remedy = "install it, or mend the import" if isinstance(error, ModuleNotFoundError) else "mend that"
    place = [frame for frame in traceback.extract_tb(error.__traceback__) if "importlib" not in frame.filename][-1]
    return f"{place.filename}:{place.lineno}: {type(error).__name__}: {error}; {remedy}"


def _find(what: str, name: str, table: dict[str, str]) -> Any:
    if name in table:
        module, _, attribute = table[name].partition(":")
        return getattr(importlib.import_module(module), attribute)
    from importlib.metadata import entry_points

    points = [point for point in entry_points(group=GROUPS[what]) if point.name == name]
    if not points:
        other = ", or write module:NAME" if what == "mission" else ""
        raise UserError(f"{what} {name!r} does not exist; {nearest(name, known(what, table))}{other}")
    try:
        return points[0].load()
    except Exception as error:  # a stranger's code
        value = points[0].value
        raise UserError(f"{what} {name!r}: {value} cannot be loaded: {_not_loaded(error, value)}") from error


def drivers_folder(folder: str) -> Path:
    """Return a folder below ``drivers``, wherever that is installed."""
    spec = importlib.util.find_spec("drivers")
    places = spec.submodule_search_locations if spec is not None else None
    if not places:
        raise UserError("the package 'drivers' is not there; install robotcore again")
    return Path(next(iter(places))) / folder


def _shipped(what: str, name: str, folder: str) -> Path:
    if name.endswith(".toml") or "/" in name:
        return Path(name)
    path = drivers_folder(folder) / f"{name}.toml"
    if not path.exists():
        raise UserError(
            f"{what} {name!r} does not exist; {nearest(name, shipped_names(folder))}, or give a path to a file"
        )
    return path
