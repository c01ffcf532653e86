"""Which code ran: a recording must tell with what it was made, also on a brick without version control."""

import sys
import zlib
from pathlib import Path

from robotcore import __version__
from robotcore.mission import Mission


def code_version(mission: Mission) -> str:
    """Return the runtime's version, the checksum of the mission's package, and the commit where one is known."""
    module = sys.modules[mission.run.__module__]
    folder = Path(module.__file__ or ".").resolve().parent
    checksum = 0
    for path in sorted(folder.rglob("*.py")):
        checksum = zlib.crc32(path.read_bytes(), zlib.crc32(path.name.encode(), checksum))
    commit = _commit(folder.parent)
    return f"robotcore {__version__}, {folder.name} {checksum:08x}" + (f", commit {commit[:12]}" if commit else "")


def _commit(top: Path) -> str:
    """Read the commit from the files of version control; no program is started."""
    head = top / ".git" / "HEAD"
    if not head.is_file():
        return ""
    text = head.read_text(encoding="utf-8").strip()
    if not text.startswith("ref: "):
        return text
    reference = top / ".git" / text[5:]
    return reference.read_text(encoding="utf-8").strip() if reference.is_file() else ""
