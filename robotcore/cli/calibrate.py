"""``robotcore calibrate``: white and black references of the colour sensors, under this venue's light.

The floor sensors are held over white floor, then over black line or tape, then covered (for the offset that the
sensor reads without light). Readings are averaged over a second; the spread goes into the file.
"""

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from robotcore.backend import parse_address
from robotcore.calibration import Reference, Triple, calibration_text, parse_calibration
from robotcore.cli import plugins
from robotcore.cli.output import check_free, produce
from robotcore.cli.setup import parser
from robotcore.errors import UserError
from robotcore.layout import NEVER
from robotcore.rig import Fitted, Rig, load_rig

FLOORS = (
    (
        "white",
        "Hold all colour sensors over clean white floor, at driving height (the forward one: white card, 30 mm).",
    ),
    ("black", "Hold all colour sensors over black line (the forward one: black card, 30 mm)."),
    ("dark", "Cover all colour sensors so that no light gets in."),
)
ROLES = ("floor_left", "floor_right", "front")
TICKS = 100


def calibrate_verb(words: list[str]) -> int:
    """Take references and write them to a file."""
    args = _parser().parse_args(words)
    rig = load_rig(plugins.rig_path(args.rig), plugins.device)
    out = Path(args.out)
    _check_backend(args.backend)
    if out.suffix != ".toml" and not out.is_dir():
        raise UserError(f"{out}: a calibration's name ends in .toml; add that")
    check_free(out, args.force)
    _try(args.backend, rig)
    sensors = [fitted for role in ROLES if (fitted := rig.role(role)) is not None]
    taken = {floor: _take(args.backend, floor, said, rig, sensors) for floor, said in FLOORS}
    references = {
        fitted.role: Reference(
            white=_mean(taken["white"][fitted.role]),
            black=_mean(taken["black"][fitted.role]),
            offset=_mean(taken["dark"][fitted.role]),
            spread=_spread(taken["white"][fitted.role]),
        )
        for fitted in sensors
    }
    text = calibration_text(time.strftime("%Y-%m-%d %H:%M"), args.light, references)
    parse_calibration(text, "these readings")
    produce(out, args.force, lambda path: path.write_text(text, encoding="utf-8"))
    print(f"calibration of {', '.join(references)} written to {out}")
    return 0


def _parser() -> argparse.ArgumentParser:
    words = parser("calibrate", __doc__ or "")
    words.add_argument("backend", help="serial:/dev/ttyACM0, or fake:pad (its floor is changed by itself)")
    words.add_argument("--rig", default="harbour", help="shipped name or TOML file of the robot as built")
    words.add_argument("--light", default="", help="in words: which light this is")
    words.add_argument("--out", default="calibration.toml", help="the file to write (calibration.toml)")
    words.add_argument("--force", action="store_true", help="write over a file that is there")
    return words


def _check_backend(url: str) -> None:
    """Refuse worlds in which nobody can hold a sensor over white, black and dark."""
    address = parse_address(url)
    if address.scheme == "replay" or (address.scheme == "fake" and address.place != "pad"):
        raise UserError(f"{url}: nothing can be calibrated there; give serial:/dev/ttyACM0, or fake:pad to try it")
    plugins.backend(address)


def _try(url: str, rig: Rig) -> None:
    """Open a real robot once, so that a wrong port is told before anybody holds sensors over anything."""
    if not url.startswith("fake:"):
        address = parse_address(url)
        world = plugins.backend(address)(address, rig)
        try:
            world.open()
        finally:
            world.close()


def _wait_for_enter(said: str) -> None:
    try:
        input(f"{said} Then press Enter. ")
    except (EOFError, KeyboardInterrupt):
        print(file=sys.stderr)
        raise UserError("calibrate: ended before all floors were read, nothing is written; start it again") from None


def _take(url: str, floor: str, said: str, rig: Rig, sensors: list[Fitted]) -> dict[str, list[Triple]]:
    """Return a second of light readings of every sensor over one floor."""
    if url.startswith("fake:"):
        url += ("&" if "?" in url else "?") + f"floor={floor}"
    else:
        _wait_for_enter(said)
    address = parse_address(url)
    world = plugins.backend(address)(address, rig)
    world.open()
    try:
        return _sample(world, rig, sensors, time.sleep if world.paced else lambda seconds: None)
    finally:
        world.close()


def _sample(world: Any, rig: Rig, sensors: list[Fitted], sleep: Callable[[float], None]) -> dict[str, list[Triple]]:
    readings: dict[str, list[Triple]] = {fitted.role: [] for fitted in sensors}
    for tick in range(TICKS):
        raw = world.sense(tick)
        sleep(rig.period_s)
        if raw is None:
            continue
        for fitted in sensors:
            slot = rig.layout.slots[fitted.role]
            counts = raw[slot.start : slot.stop]
            if raw[slot.age] == NEVER:
                continue
            if max(counts) >= fitted.device.full_scale:
                raise UserError(f"{fitted.role}: is saturated; lower its gain or integration time, or shade it")
            readings[fitted.role].append(fitted.device.light(counts))
    for role, taken in readings.items():
        if len(taken) < TICKS // 2:
            raise UserError(f"{role}: gave {len(taken)} of {TICKS} readings; check its plug and its port in the rig")
    return readings


def _mean(taken: list[Triple]) -> Triple:
    red, green, blue = (sum(channel) / len(taken) for channel in zip(*taken, strict=True))
    return red, green, blue


def _spread(taken: list[Triple]) -> Triple:
    means = _mean(taken)
    red, green, blue = (
        (sum((value - mean) ** 2 for value in channel) / len(taken)) ** 0.5
        for channel, mean in zip(zip(*taken, strict=True), means, strict=True)
    )
    return red, green, blue
