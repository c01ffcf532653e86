"""The plan of the house, held against the code: who may import whom, how large things may grow, what stays out."""

import ast
import subprocess
import sys
import tokenize
from functools import cache
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent
PACKAGES = ("robotcore", "drivers", "behaviours")
FILES = sorted(path for package in PACKAGES for path in (TOP / package).rglob("*.py"))
LONGEST_FUNCTION = 50
LONGEST_FILE = 600

#: package -> packages of ours that it may import; only the command line finds the rest, by name
ALLOWED = {"robotcore": {"robotcore"}, "drivers": {"robotcore", "drivers"}, "behaviours": {"robotcore", "behaviours"}}


def module_name(path: Path) -> str:
    parts = path.relative_to(TOP).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


MODULES = {module_name(path): path for path in FILES}


def imports(path: Path) -> set[str]:
    """Every module of ours that a file imports, also late and for typing only."""
    found = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                found.add(inner if inner in MODULES else node.module)
    return {name for name in found if name in MODULES}


def test_imports_run_one_way():
    for path in FILES:
        package = path.relative_to(TOP).parts[0]
        for name in imports(path):
            assert name.split(".")[0] in ALLOWED[package], f"{path} imports {name}"


def test_there_is_no_import_cycle():
    arrows = {name: imports(path) - {name} for name, path in MODULES.items()}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, f"a cycle: {' -> '.join([*trail[trail.index(name) :], name])}"
        if name not in done:
            for other in sorted(arrows[name]):
                visit(other, (*trail, name))
            done.add(name)

    for name in sorted(arrows):
        visit(name, ())


@cache
def code_lines(path: Path) -> set[int]:
    """Line numbers that hold code: no comment, no blank; docstrings are taken out by `function_length`."""
    kinds = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}
    lines: set[int] = set()
    with tokenize.open(path) as file:
        for token in tokenize.generate_tokens(file.readline):
            if token.type not in kinds:
                lines |= set(range(token.start[0], token.end[0] + 1))
    return lines


def functions(path: Path) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    return [node for node in ast.walk(tree(path)) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]


def function_length(node: ast.FunctionDef | ast.AsyncFunctionDef, lines: set[int]) -> int:
    inside = {line for line in lines if node.lineno <= line <= (node.end_lineno or node.lineno)}
    if ast.get_docstring(node) is not None:
        text = node.body[0]
        inside -= set(range(text.lineno, (text.end_lineno or text.lineno) + 1))
    return len(inside)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(TOP)))
def test_files_and_functions_stay_small(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_FILE
    lines = code_lines(path)
    for node in functions(path):
        assert function_length(node, lines) <= LONGEST_FUNCTION, f"{path}:{node.lineno} {node.name}"


def test_the_median_function_is_short():
    lengths = sorted(function_length(node, code_lines(path)) for path in FILES for node in functions(path))
    assert lengths[len(lengths) // 2] <= 8


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(TOP)))
def test_a_file_opens_with_why_it_exists(path):
    assert ast.get_docstring(tree(path))


def test_behaviours_read_no_clock_no_chance_and_no_file():
    banned = {"time", "datetime", "random", "secrets", "os", "pathlib", "io", "threading", "socket", "uuid"}
    for path in sorted((TOP / "behaviours").rglob("*.py")):
        for node in ast.walk(tree(path)):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not banned & {name.split(".")[0] for name in names}, f"{path}:{node.lineno}"
            calls = isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
            assert not (calls and node.func.id in {"open", "id", "hash", "input", "eval", "exec"}), (
                f"{path}:{node.lineno}"
            )


def test_nothing_evaluates_or_unpickles():
    for path in FILES:
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id not in {"eval", "exec"}, f"{path}:{node.lineno}"
            if isinstance(node, ast.Import):
                assert not {"pickle", "marshal", "shelve"} & {alias.name for alias in node.names}, (
                    f"{path}:{node.lineno}"
                )


def test_tests_and_code_never_sleep():
    for path in [*FILES, *sorted((TOP / "tests").rglob("*.py"))]:
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                called = ast.unparse(node.func)
                assert called != "time.sleep", f"{path}:{node.lineno}"


def test_the_on_robot_path_imports_no_laptop_library():
    script = (
        "import sys, robotcore.cli.run, robotcore.cli.replay, robotcore.recording.writer, behaviours.missions\n"
        "heavy = {'numpy', 'matplotlib', 'scipy', 'pandas', 'asyncio', 'structlog', 'shapely'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=TOP)
    assert done.stdout.strip() == "[]"
