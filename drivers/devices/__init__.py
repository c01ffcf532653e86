"""The project's own device drivers, by the names that rig files use.

Rule: a name is all that a rig gives; the module behind it is imported only when a rig asks for it, since every
import costs start-up time on the brick. A team's own drivers come by entry point and are not listed here.
"""

from importlib import import_module
from typing import Any

from robotcore.checking import nearest
from robotcore.errors import UserError

#: registered name -> module and class
BUILT_IN = {
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


def find_built_in(name: str) -> Any:
    """Return the driver class that is registered under `name`.

    Raises:
        UserError: there is none; names the nearest.

    """
    if name not in BUILT_IN:
        raise UserError(f"no driver is called {name!r}; {nearest(name, BUILT_IN)}")
    module, _, attribute = BUILT_IN[name].partition(":")
    return getattr(import_module(module), attribute)
