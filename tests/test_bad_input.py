"""What a newcomer gets wrong: one clear line, a telling exit code, no traceback, and nothing lost or left behind."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from robotcore.cli import main as command
from robotcore.cli import plugins
from robotcore.cli.main import main
from robotcore.cli.output import check_writable, produce
from robotcore.errors import UserError
from robotcore.mission import read_settings, with_overrides
from robotcore.rig import load_rig
from robotcore.settings import number, settings, whole
from tests import scripted
from tests.replay_kit import CROSSING, Settings, record, rows, think

TOP = Path(__file__).parent.parent


@settings
class Pace:
    speed_m_s: float = number(0.2, 0.03, 1.0)
    votes: int = whole(3, 1, 20)


@pytest.fixture
def missions(monkeypatch):
    """The small mission under the name that its recordings hold."""
    monkeypatch.setattr(plugins, "mission", lambda name, *, by_module=False: CROSSING)


# ---- the reader, the disk and the person go away


class Output:
    """A standard output that cannot be written."""

    def __init__(self, error):
        self.error = error

    def write(self, text):
        raise self.error

    def flush(self):
        pass

    def fileno(self):
        raise OSError("no file")


def test_a_reader_that_went_away_is_no_verdict(monkeypatch):
    """``robotcore replay ... | head`` must not end like "changed" (1)."""
    monkeypatch.setattr(sys, "stdout", Output(BrokenPipeError()))
    assert main(["names"]) == 141 == main(["--help"])


def test_a_full_disk_behind_the_output_is_said(monkeypatch, capsys):
    monkeypatch.setattr(sys, "stdout", Output(OSError(errno.ENOSPC, "No space left on device")))
    assert main(["--help"]) == 2
    assert capsys.readouterr().err == "standard output: cannot be written (No space left on device); free some space\n"


def test_what_is_no_full_disk_stays_a_defect(monkeypatch):
    monkeypatch.setattr(sys, "stdout", Output(OSError(errno.EBADF, "Bad file descriptor")))
    with pytest.raises(OSError, match="Bad file descriptor"):
        main(["--help"])


def test_a_closed_pipe_is_quiet_in_a_process_of_its_own():
    """What Python itself would complain about while it ends shows only there."""
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-m", "robotcore", "--help"], cwd=TOP, stdout=write, stderr=subprocess.PIPE, check=False
    )
    os.close(write)
    assert (done.returncode, done.stderr) == (141, b"")


def test_ctrl_c_in_any_verb(monkeypatch, capsys):
    def interrupted(verb, words):
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "_verb", interrupted)
    assert main(["picture", "a.rec"]) == 130
    assert capsys.readouterr().err == "robotcore: stopped by Ctrl-C\n"


def test_letters_that_the_output_cannot_show_are_shown_by_number(tmp_path):
    (tmp_path / "quä.rec").write_bytes((TOP / "replays" / "strip-left.rec").read_bytes())
    env = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONPATH": str(TOP)}
    command = [sys.executable, "-m", "robotcore", "list", "."]
    done = subprocess.run(command, cwd=tmp_path, env=env, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert rb"qu\xe4.rec" in done.stdout


def test_a_replay_prints_nothing_that_steers_a_terminal(tmp_path, missions, capsys):
    path = tmp_path / "red\x1b[2Jx\n.rec"
    record(path, think(rows()))
    assert main(["replay", str(path)]) == 0
    out = capsys.readouterr().out
    assert "red?[2Jx?.rec" in out
    assert "\x1b" not in out


# ---- files that cannot be made


def test_a_folder_that_takes_no_file_is_said_by_the_name_that_was_asked_for(tmp_path, monkeypatch):
    """On a read-only disk removing fails as well as writing; nobody has heard of the temporary name."""

    def read_only(*_, **__):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(Path, "unlink", read_only)
    monkeypatch.setattr(Path, "write_text", read_only)
    with pytest.raises(UserError) as told:
        produce(tmp_path / "map.svg", False, lambda path: path.write_text("x"))
    assert (
        str(told.value) == f"{tmp_path}/map.svg: cannot be written (Read-only file system); check folder and free space"
    )


def test_a_writers_own_error_names_the_file_that_was_asked_for(tmp_path):
    def write(path):
        raise UserError(f"{path}: Parquet needs pyarrow")

    with pytest.raises(UserError, match=r"a\.parquet: Parquet needs pyarrow") as told:
        produce(tmp_path / "a.parquet", False, write)
    assert "new-" not in str(told.value)


@pytest.mark.parametrize(
    "words",
    [
        ["replay", "a.rec"],
        ["sweep", "fake:quay", "--seeds", "1"],
        ["compare", "--url", "fake:quay", "--seeds", "1", "a:", "b:"],
    ],
)
def test_where_a_report_goes_is_checked_before_the_work(tmp_path, monkeypatch, capsys, words):
    monkeypatch.chdir(tmp_path)
    assert main([*words, "--json", "nowhere/all.json"]) == 2
    assert capsys.readouterr().err == "nowhere/all.json: its folder does not exist; make nowhere first\n"
    assert list(tmp_path.iterdir()) == []


def test_reports_may_be_written_over_and_to_standard_output(tmp_path):
    (tmp_path / "old.json").write_text("{}")
    for place in (None, "-", str(tmp_path / "old.json"), str(tmp_path / "new.json")):
        check_writable(place)
    with pytest.raises(UserError, match="is a folder"):
        check_writable(str(tmp_path))


@pytest.mark.parametrize("verb", [["run", "fake:pad"], ["replay", "a.rec", "--continue", "--at", "1"]])
def test_no_folder_for_new_recordings(tmp_path, monkeypatch, capsys, verb, missions):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "runs").write_text("a file where the folder would be")
    record(tmp_path / "a.rec", think(rows()))
    if verb[0] == "replay":
        monkeypatch.setattr("robotcore.cli.plugins.onward", lambda scheme: lambda *_: Lent())
    assert main(verb) == 2
    assert capsys.readouterr().err == "runs: cannot be made (File exists); say --out, with a folder you may write to\n"


class Lent:
    """As much of a world to go on in as the seam asks for before it begins."""

    poses: tuple = ()

    class backend:  # noqa: N801 - it is an attribute
        facts: dict = {}  # noqa: RUF012


def test_a_run_that_never_began_leaves_no_empty_recording(tmp_path, capsys):
    """One wrong port would make every later ``robotcore replay runs/`` end as bad input."""
    assert main(["run", f"sysfs:{tmp_path}", "--out", f"{tmp_path}/a.rec", "--yes"]) == 2
    told = capsys.readouterr()
    assert "floor_left" in told.err
    assert told.out == ""
    assert list(tmp_path.glob("a.rec*")) == []


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="a folder that takes no files")
def test_a_folder_that_is_there_is_not_asked_for(capsys):
    assert main(["run", "fake:pad", "--out", "/proc/a.rec"]) == 2
    assert capsys.readouterr().err == "/proc/a.rec: cannot be made (No such file or directory); choose another folder\n"


def test_a_calibration_is_no_recording(tmp_path, capsys):
    assert main(["calibrate", "fake:pad", "--out", f"{tmp_path}/a.rec"]) == 2
    assert capsys.readouterr().err == f"{tmp_path}/a.rec: a calibration's name ends in .toml; add that\n"
    assert list(tmp_path.iterdir()) == []


def test_a_wrong_port_is_told_before_anybody_holds_a_sensor_over_anything(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("builtins.input", lambda said: pytest.fail("asked before the port was tried"))
    assert main(["calibrate", f"sysfs:{tmp_path}", "--out", f"{tmp_path}/a.toml"]) == 2
    assert "floor_left" in capsys.readouterr().err


def test_list_of_a_file(tmp_path, capsys):
    (tmp_path / "a.rec").touch()
    assert main(["list", f"{tmp_path}/a.rec"]) == 2
    assert "is a file; say `robotcore describe" in capsys.readouterr().err


# ---- texts


def test_a_byte_order_mark_and_carriage_returns_do_no_harm(tmp_path):
    """Some editors write them, and nobody sees them."""
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf" + scripted.RIG.replace("\n", "\r\n").encode())
    assert load_rig(path, plugins.device).layout.columns == scripted.rig().layout.columns


@pytest.mark.parametrize("value", ["nan", "inf", '"fast"', "true"])
def test_a_value_of_the_wrong_kind_is_told_once(value):
    """Not a second time as the stand-in that is out of its range."""
    with pytest.raises(UserError) as told:
        read_settings(Pace, f"speed_m_s = {value}\nvotes = 99", "mine.toml")
    lines = str(told.value).splitlines()
    assert [line.split(";")[-1] for line in lines] == [" give a finite number", " give a whole number from 1 to 20"]


def test_a_setting_below_a_setting():
    with pytest.raises(UserError, match=r"--set follow\.a\.b=2: a is a value and no table"):
        with_overrides("", ["follow.a=1", "follow.a.b=2"])


# ---- what is said at the end


def test_sentences_that_are_not_met_are_counted(tmp_path, missions, capsys):
    for name in ("a", "b"):
        record(tmp_path / f"{name}.rec", think(rows()))
    (tmp_path / "b.expect.txt").write_text("no red\n")
    assert main(["replay", str(tmp_path)]) == 1
    assert capsys.readouterr().out.splitlines()[-1] == "2 same; in 1 of them a sentence is not met"


def test_what_a_sweep_wants_for_at_least_is_said(tmp_path, monkeypatch, capsys):
    """Wilson's bound for n successes in n runs is n / (n + z²): 4 / (4 + 3.84) = 0.51, 3 / (3 + 3.84) = 0.44."""
    monkeypatch.chdir(tmp_path)
    words = ["sweep", "fake:pad", "--mission", "tests.sweep_kit:ENDS", "--jobs", "1", "--quiet"]
    assert main([*words, "--seeds", "1-3", "--at-least", "0.5"]) == 1
    line = capsys.readouterr().out.splitlines()[-1]
    assert line == (
        "--at-least 0.5 is not met by fake:pad: 3 of 3 vouch for 0.439; drive more seeds, 4 without a failure would do"
    )
    assert main([*words, "--seeds", "1-4", "--at-least", "0.5"]) == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["sweep", "fake:pad", "--seeds", "1", "--at-least", "abc"], "'abc' is not a share from 0 to 1"),
        (["sweep", "fake:pad", "--seeds", "1", "--at-least", "1.5"], "'1.5' is not a share from 0 to 1"),
        (["sweep", "fake:pad", "--seeds", "1", "--at-least", "nan"], "'nan' is not a share from 0 to 1"),
        (["sweep", "fake:pad", "--seeds", "1", "--jobs", "two"], "'two' is not a whole number"),
        (["sweep", "fake:pad", "--seeds", "1", "--failures", "1.5"], "'1.5' is not a whole number"),
        (["replay", "replays", "--trust-mm", "far"], "'far' is not a number of 0 or more"),
        (["replay", "replays", "--growth", "inf"], "'inf' is not a number of 0 or more"),
        (["replay", "replays", "--jobs", "all"], "'all' is not a whole number"),
        (["picture", "a.rec", "--from", "start"], "'start' is not a number of seconds from 0 on"),
        (["map", "--depth", "deep"], "'deep' is not a whole number"),
        (["compare", "--p", "5%"], "'5%' is not a number"),
        (["run", "fake:pad", "--time-limit", "0"], "'0' is not a number of seconds from above 0 to a million"),
    ],
)
def test_an_option_that_is_no_number_is_said_in_our_own_words(words, says, capsys):
    assert main(words) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert f"argument {words[-2]}: {says}; see `robotcore {words[0]} --help`" in line


@pytest.mark.parametrize(("words", "says"), [(["--jobs", "0"], "--jobs 0"), (["--failures", "-1"], "--failures -1")])
def test_counts_of_a_sweep_are_checked_first(tmp_path, monkeypatch, capsys, words, says):
    monkeypatch.chdir(tmp_path)
    assert main(["sweep", "fake:quay", "--seeds", "1", *words]) == 2
    assert capsys.readouterr().err.startswith(says)
    assert list(tmp_path.iterdir()) == []


def test_a_recording_that_one_version_cannot_judge_is_bad_input(tmp_path, monkeypatch, capsys):
    """A setting that is misspelt must not end as "no significant difference", exit 0."""
    from robotcore.cli import compare

    said = {"good": ("same", None), "bad": ("bad input", "a.rec: settings: nosuch: is not known here")}

    def child(version, tree, words, out=None):
        verdict, reason = said[version.name]
        return {"recordings": [{"file": "a.rec", "verdict": verdict, "reason": reason}]}

    monkeypatch.setattr(compare, "_child", child)
    assert main(["compare", "--recordings", "a.rec", "good:", "bad:", "set=nosuch=1"]) == 2
    told = capsys.readouterr()
    assert told.err == "bad: a.rec: settings: nosuch: is not known here\n"
    assert "left out, one side cannot tell: 1" in told.out


def test_settings_of_the_small_mission_are_still_read():
    assert read_settings(Settings, "speed_m_s = 0.2\ncolour = 'green'", "x") == Settings(speed_m_s=0.2, colour="green")
