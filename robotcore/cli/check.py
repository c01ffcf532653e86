"""``robotcore check`` and ``robotcore names``: whether files are good, and what there is to choose from."""

from pathlib import Path

from robotcore.backend import parse_address
from robotcore.calibration import load_calibration
from robotcore.checking import parse_toml, read_text
from robotcore.cli import plugins
from robotcore.cli.setup import parser
from robotcore.errors import Faults, UserError
from robotcore.rig import load_rig

KINDS = ("rig", "calibration", "course")


def check_verb(words: list[str]) -> int:
    """Check files and print every fault; 2 where there is one."""
    args_parser = parser(
        "check", "Check rig, calibration and course files; the kind is told by the file's first table."
    )
    args_parser.add_argument("file", nargs="+", help="TOML files")
    bad = 0
    for file in args_parser.parse_args(words).file:
        try:
            print(f"{file}: {_check(file)}")
        except UserError as error:
            print(error)
            bad = 2
    return bad


def _check(file: str) -> str:
    tables = parse_toml(read_text(file), file)
    kind = next((kind for kind in KINDS if kind in tables), None)
    if kind == "rig":
        rig = load_rig(file, plugins.device)
        return f"a good rig, {len(rig.fitted)} devices, {rig.layout.row.size} bytes a tick"
    if kind == "calibration":
        return f"a good calibration of {', '.join(load_calibration(file).references) or 'nothing'}"
    if kind == "course":
        rig = load_rig(plugins.rig_path("harbour"), plugins.device)
        address = parse_address(f"fake:{file}")
        plugins.backend(address)(address, rig)
        return "a good course"
    raise Faults(
        file, ["the file: is no rig, calibration or course; begin with a table [rig], [calibration] or [course]"]
    )


def names_verb(words: list[str]) -> int:
    """Print every name that can be given to other verbs."""
    parser("names", "Name what is there to choose from.").parse_args(words)
    courses = sorted(path.stem for path in Path(plugins.drivers_folder("fake/courses")).glob("*.toml"))
    for what, names in (
        ("missions", plugins.known("mission", plugins.MISSIONS)),
        ("backends", plugins.known("backend", plugins.BACKENDS)),
        ("courses", courses),
        ("rigs", plugins.shipped_names("rigs")),
        ("devices", plugins.known("device", plugins.DEVICES)),
    ):
        print(f"{what:<9} {', '.join(names)}")
    return 0
