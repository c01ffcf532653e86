"""What a recording holds of the robot that made it, built with today's drivers."""

from robotcore.calibration import Calibration, parse_calibration
from robotcore.cli import plugins
from robotcore.errors import UserError
from robotcore.recording.content import Recording
from robotcore.rig import Rig, parse_rig


def robot_of(recording: Recording) -> tuple[Rig, Calibration]:
    """Return the rig and calibration that a recording holds; its mission need not exist any more.

    Raises:
        UserError: one of them is not good, or today's drivers lay the raw counts out in another way, so that decoding
            would show other readings than there were.

    """
    header = recording.header
    rig = parse_rig(header.rig, f"{recording.path}: rig", plugins.device)
    calibration = parse_calibration(header.calibration, f"{recording.path}: calibration")
    if recording.layout.columns != rig.layout.columns:
        made = f"it was made with {header.code_version}"
        raise UserError(f"{recording.path}: its raw columns are not those of today's drivers; {made}, use that")
    return rig, calibration
