"""Decisions that somebody accepted instead of the recorded ones: ``NAME.accepted.toml`` beside ``NAME.rec``.

Rules:
- A reason stands in the file, and nothing that changes by itself (no date, no path): what version control shows is
  what was accepted.
- It reaches as far as the replay that was accepted could be trusted, and says so.
- An error is never accepted.
"""

import json
from pathlib import Path
from typing import Any

from robotcore.checking import Checker, Table, parse_toml, read_text
from robotcore.errors import UserError
from robotcore.log import Decision
from robotcore.replay.decisions import ERROR
from robotcore.replay.verdict import Expected, Judgement

SUFFIX = ".accepted.toml"
HEAD = """\
# What a replay of {name} must decide, instead of what was decided in the run. Written by --accept, to be reviewed.
"""


def path_beside(recording: Path) -> Path:
    """Return where the accepted decisions for a recording stand."""
    return recording.with_name(recording.stem + SUFFIX)


def accepted_text(judgement: Judgement, reason: str, name: str) -> str:
    """Return the file that accepts what a replay decided.

    Raises:
        UserError: the reason is empty, or the replay ended in an error.

    """
    if not reason.strip():
        raise UserError(f"--accept: the reason is empty; say why {name} may decide otherwise, for whoever reviews it")
    if judgement.replayed.raised is not None:
        raise UserError(f"{name}: the replay ended in {judgement.replayed.raised.text}; mend that, it is not accepted")
    whole = judgement.held and judgement.expected.until is None
    lines = [HEAD.format(name=name), f"reason = {_text(' '.join(reason.split()))}"]
    lines += [f"last_tick = {judgement.trusted_tick}", f"whole = {str(whole).lower()}"]
    for decision in judgement.decisions:
        fields = ", ".join(f"{_key(key)} = {_value(value)}" for key, value in sorted(decision.fields.items()))
        lines += ["", "[[decision]]", f"tick = {decision.tick}", f"time_s = {decision.time_s!r}"]
        lines += [f"name = {_text(decision.name)}", f"fields = {{ {fields} }}" if fields else "fields = {}"]
    return "\n".join(lines) + "\n"


def read_accepted(path: Path, recorded: Expected) -> Expected:
    """Read what was accepted for a recording.

    Raises:
        UserError: it cannot be read; `Faults` lists everything that is wrong in it.

    """
    checker = Checker(str(path))
    top = Table(parse_toml(read_text(path), str(path)), checker)
    if not top.text("reason").strip() and not checker.faults:
        top.fault("reason", "is empty; say why this may be decided")
    last_tick, whole = top.integer("last_tick", low=0), top.boolean("whole")
    decisions = [_decision(table) for table in top.tables("decision")]
    top.close()
    checker.finish()
    return Expected(decisions, None if whole else last_tick, "accepted", recorded.ending)


def _decision(table: Table) -> Decision:
    tick, time_s, name = table.integer("tick", low=0), table.number("time_s", low=0.0), table.text("name")
    fields = table.table("fields").data
    for key, value in fields.items():
        if not isinstance(value, str | int | float):
            table.fault("fields", f"{key} is {value!r:.40}; give a text, a number, or true or false")
    if name == ERROR:
        table.fault("name", "an error is never accepted; mend what raises it")
    table.close()
    return Decision(tick, time_s, "", name, dict(fields), "")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return _text(value) if isinstance(value, str) else repr(value)


def _key(key: str) -> str:
    return key if key.isascii() and key.replace("_", "a").isalnum() else _text(key)


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace(
        "\x7f", "\\u007f"
    )  # a JSON string is a TOML basic string, but for this one
