"""Going on after a lack of progress or a power cycle: what an earlier recording says of checkpoint and load.

Rule: a recording is data from a stranger; it gives values for the mission's `resume` settings, which are validated like
any others, and chooses nothing else.
"""

from robotcore.errors import UserError
from robotcore.log import Decision
from robotcore.mission import Mission
from robotcore.recording.reader import open_recording
from robotcore.settings import fields_of

CHECKPOINT = "checkpoint"
PLACE = "place"


def resume_words(path: str, mission: Mission) -> list[str]:
    """Return KEY=VALUE words for a mission's `resume` settings, from the last checkpoint in a recording.

    The place is that of the last decision called "checkpoint"; counters and load are those of the last decision that
    says them, since objects may have been taken on board after the checkpoint. A recording that was cut off will do.

    Raises:
        UserError: the mission cannot go on from a checkpoint, the recording cannot be read, or it holds none.

    """
    known = _resume_fields(mission)
    recording = open_recording(path)
    found: dict[str, object] = {}
    for decision in recording.decisions:
        found |= _told(decision, known)
    if CHECKPOINT not in found:
        raise UserError(f"{path}: holds no decision {CHECKPOINT!r} to go on from; run without --resume")
    return [f"resume.{name}={_toml(value)}" for name, value in sorted(found.items())]


def _resume_fields(mission: Mission) -> tuple[str, ...]:
    kinds = mission.settings()
    if "resume" not in (fields_of(type(kinds)) or ()):
        raise UserError(f"mission {mission.name!r} cannot go on from a checkpoint; choose one that can, such as full")
    return fields_of(type(kinds.resume)) or ()


def _told(decision: Decision, known: tuple[str, ...]) -> dict[str, object]:
    told: dict[str, object] = {name: value for name, value in decision.fields.items() if name in known}
    told.pop(CHECKPOINT, None)
    if decision.name == CHECKPOINT:
        told[CHECKPOINT] = decision.fields.get(PLACE, "")
    return told


def _toml(value: object) -> str:
    if isinstance(value, str):
        return '"' + "".join(c for c in value if c.isalnum() or c in ",_- ") + '"'
    return repr(value)
