"""``robotcore replay``: verdicts, exit codes, one clear line for every kind of bad input, whatever the others are."""

import json
import sqlite3
import sys

import pytest

from robotcore.cli import judging, plugins
from robotcore.cli import replay as verb
from robotcore.cli.main import main
from robotcore.cli.replay import worst
from robotcore.errors import UserError
from robotcore.kernel import tick
from robotcore.mission import Mission
from tests import replay_kit as kit
from tests.replay_kit import CROSSING, Settings, record, rows, team_package, think
from tests.scripted import RIG


@pytest.fixture(autouse=True)
def missions(monkeypatch):
    """The missions that this test knows, by name."""
    known = {"crossing": CROSSING}
    real = plugins.mission
    monkeypatch.setattr(plugins, "mission", lambda name, **how: known.get(name) or real(name, **how))
    return known


@pytest.fixture
def folder(tmp_path):
    """Recordings that are the same today, one a colour."""
    for colour in ("red", "green"):
        settings = f'colour = "{colour}"\n'
        record(tmp_path / f"{colour}.rec", think(rows(), Settings(colour=colour)), settings=settings)
    return tmp_path


def said(capsys, *words):
    code = main(["replay", *map(str, words)])
    out, err = capsys.readouterr()
    return code, out, err


def test_a_folder_that_is_the_same(folder, capsys):
    code, out, err = said(capsys, folder)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].split() == ["recording", "verdict", "trusted", "decisions", "first", "difference"]
    assert lines[1].split() == [str(folder / "green.rec"), "same", "2.90", "of", "2.90", "s", "3"]
    assert lines[-1] == "2 same"


def test_a_changed_one_is_told_with_both_sides_the_readings_the_behaviour_and_the_line(folder, capsys):
    code, out, _ = said(capsys, folder / "red.rec", "--set", 'colour="blue"')
    assert code == 1
    assert "changed: strip at 2.70 s: colour is blue instead of red" in out
    assert "recorded  strip colour=red at 2.70 s by crossing in tests/replay_kit.py:" in out
    assert "replayed  strip colour=blue at 2.70 s by crossing in tests/replay_kit.py:" in out
    table = out.split("readings around tick 270")[1].splitlines()[1:]
    assert table[0].split()[:4] == ["time_s", "L", "contr", "L"]
    times = [float(line[1:].split()[0]) for line in table[1:]]
    assert (times[0], times[-1]) == (2.2, 2.9)
    assert [line.split()[1] for line in table if line.startswith("*")] == ["2.700"]


def test_exit_codes(folder, capsys):
    red = folder / "red.rec"
    assert said(capsys, red, "--set", "speed_m_s=0.1000000001")[0] == 0
    assert said(capsys, red, "--set", 'colour="blue"')[0] == 1
    assert said(capsys, red, "--set", "speed_m_s=0.12")[0] == 3
    assert said(capsys, red, "--set", "speed=0.12")[0] == 2
    assert said(capsys, red, "--set", "speed_m_s=0.101", "--trust-mm", 100, "--trust-deg", 90, "--growth", 0)[0] == 0
    assert said(capsys, red, "--set", "late_s=0.2", "--time-s", 0.3)[0] == 0


@pytest.mark.parametrize(
    ("codes", "code"), [([0, 0], 0), ([0, 3], 3), ([3, 1], 1), ([1, 2, 3], 2), ([0, 2], 2), ([1, 0], 1)]
)
def test_the_worst_of_several(codes, code):
    assert worst(iter(codes)) == code


def test_bad_input_leaves_the_others_their_verdict(folder, capsys):
    (folder / "foreign.rec").write_bytes(b"hello")
    code, out, _ = said(capsys, folder)
    assert code == 2
    assert "2 same, 1 bad input" in out
    assert f"{folder / 'foreign.rec'}: not a recording" in out


def bad(capsys, path, *words):
    """Judge one; return its one line."""
    code, out, _ = said(capsys, path, *words)
    assert code == 2
    lines = [line for line in out.splitlines() if line.startswith(str(path)) and "bad input" not in line]
    assert "same" not in out
    assert len(lines) == 1, out
    return lines[0]


def test_a_file_that_is_not_there(tmp_path, capsys):
    assert "cannot be read" in bad(capsys, tmp_path / "none.rec")


@pytest.mark.parametrize(("version", "words"), [(0, "older"), (99, "newer")])
def test_another_schema(folder, capsys, version, words):
    db = sqlite3.connect(folder / "red.rec")
    db.execute(f"PRAGMA user_version = {version}")
    db.commit()
    db.close()
    assert words in bad(capsys, folder / "red.rec")


def test_a_truncated_file(folder, capsys):
    path = folder / "red.rec"
    path.write_bytes(path.read_bytes()[:-5000])
    assert "damaged" in bad(capsys, path)


def test_a_mission_that_is_gone(folder, capsys, missions):
    missions.clear()
    line = bad(capsys, folder / "red.rec")
    assert "'crossing' does not exist" in line
    assert "--mission" in line


def test_settings_that_are_gone(tmp_path, capsys):
    path = record(tmp_path / "a.rec", think(rows()), settings="speeed_m_s = 0.1\n")
    assert "speeed_m_s: is not known here; did you mean 'speed_m_s'" in bad(capsys, path)


def test_a_calibration_that_lacks_a_role(tmp_path, capsys):
    text = kit.CALIBRATION.split("[floor_right]")[0]
    path = record(tmp_path / "a.rec", think(rows()), calibration=text)
    assert "has no [floor_right]" in bad(capsys, path)


def test_a_rig_with_other_devices(folder, capsys):
    line = bad(capsys, folder / "red.rec", "--rig", "harbour")
    assert "recorded with another rig" in line
    assert "without --rig" in line


def test_a_rig_with_another_period(folder, capsys, tmp_path):
    other = tmp_path / "slow.toml"
    other.write_text(RIG.replace("period_ms = 10", "period_ms = 20"))
    assert "20 ms" in bad(capsys, folder / "red.rec", "--rig", other)


def test_a_rig_with_the_same_devices_is_taken(folder, capsys, tmp_path):
    other = tmp_path / "wide.toml"
    other.write_text(RIG.replace("track_width_mm = 140", "track_width_mm = 150"))
    assert said(capsys, folder / "red.rec", "--rig", other)[0] == 0


def test_drivers_that_lay_their_counts_out_otherwise(tmp_path, capsys):
    path = record(
        tmp_path / "a.rec",
        think(rows()),
        rig=RIG.replace('driver = "rgb10"\nport = "1"', 'driver = "rgbc16"\nport = "1"'),
    )
    assert "raw columns" in bad(capsys, path)


def test_a_recording_without_a_tick(tmp_path, capsys):
    empty = think(rows())
    empty.rows.clear()
    empty.log.decisions.clear()
    assert "holds no tick" in bad(capsys, record(tmp_path / "a.rec", empty))


COUNT = [0]


@pytest.mark.parametrize("at", [0, 57])
def test_behaviours_that_are_not_deterministic_are_named_with_the_first_tick(tmp_path, capsys, missions, at):
    async def moody(robot, s):
        COUNT[0] += 1
        while robot.sample.tick < at:
            await tick()
        robot.drive(0.001 * COUNT[0], 0.0)
        await tick()
        await tick()

    missions["crossing"] = Mission("crossing", moody, Settings, "")
    path = record(tmp_path / "a.rec", think(rows(ticks=100), mission=missions["crossing"]))
    line = bad(capsys, path)
    assert "not deterministic" in line
    assert f"tick {at} " in line


def test_behaviours_that_hang_are_ended_and_named(tmp_path, capsys, missions, monkeypatch):
    """The one test that lets time pass: a tenth of a second, until the timer rings."""
    monkeypatch.setattr(judging, "PATIENCE_S", 0.1)
    run = think(rows(), cut=2)

    async def hangs(robot, s):
        await tick()
        while True:
            pass

    missions["crossing"] = Mission("crossing", hangs, Settings, "")
    line = bad(capsys, record(tmp_path / "a.rec", run))
    assert "did not come back" in line
    assert "tick 1;" in line


def test_a_cut_off_recording_is_judged_up_to_its_end_and_that_is_said(tmp_path, capsys):
    run = think(rows(), cut=230)
    run.outcome = None
    code, out, _ = said(capsys, record(tmp_path / "a.rec", run), "--show")
    assert code == 0
    assert "it ends in mid-run (was cut off); judged up to there" in out


def test_expectations_beside_a_recording(folder, capsys):
    (folder / "red.expect.txt").write_text("must stop on red\nexactly 2 stripes\nno crossing\n")
    assert said(capsys, folder)[0] == 0
    (folder / "red.expect.txt").write_text("must stop on red\nexactly 3 stripes\n")
    code, out, _ = said(capsys, folder)
    assert code == 1
    assert "not met: exactly 3 stripes" in out
    assert "met: must stop on red (line 1): red at 2.70 s, at rest after" in out
    (folder / "red.expect.txt").write_text("be nice\n")
    code, out, _ = said(capsys, folder)
    assert code == 2
    assert "red.expect.txt: line 1: 'be nice' is not understood" in out


def test_json(folder, capsys, tmp_path):
    code, out, _ = said(capsys, folder, "--set", 'colour="blue"', "--json", "-")
    data = json.loads(out)
    assert (code, data["exit"], data["counts"]["changed"]) == (1, 1, 2)
    assert data["tolerance"]["trust_m"] == 0.005
    one = data["recordings"][1]
    assert (one["file"], one["verdict"], one["trusted_s"]) == (str(folder / "red.rec"), "changed", 2.9)
    assert one["difference"]["recorded"]["fields"] == {"colour": "red"}
    assert one["difference"]["replayed"]["behaviour"] == "crossing"
    assert len(one["difference"]["readings"]["rows"]) == 15
    out_file = tmp_path / "all.json"
    assert said(capsys, folder, "--json", out_file)[0] == 0
    assert json.loads(out_file.read_text())["counts"]["same"] == 2
    code, _, err = said(capsys, folder, "--json", tmp_path / "no" / "all.json")
    assert (code, len(err.splitlines())) == (2, 1)


def test_words_that_make_no_sense(folder, capsys, tmp_path):
    (tmp_path / "empty").mkdir()
    for words in (
        ["--jobs", "-1", folder],
        [tmp_path / "empty"],
        [folder, "--trust-mm", "x"],
        [folder, "--time-s", "-1"],
    ):
        code, _, err = said(capsys, *words)
        assert (code, len(err.splitlines())) == (2, 1), words


def test_a_file_named_twice_is_judged_once(folder):
    assert verb.recordings_in([str(folder), str(folder / "red.rec")]) == [
        str(folder / "green.rec"), str(folder / "red.rec"),
    ]  # fmt: skip


def test_processes_of_their_own_say_the_same_in_order(tmp_path, monkeypatch):
    """A team's mission, found by its entry point in every process."""
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.undo()
    monkeypatch.syspath_prepend(str(team_package(home)))
    for number in range(3):
        record(tmp_path / f"{number}.rec", think(rows(), cut=200 + number))
    (tmp_path / "9.rec").write_bytes(b"?")
    files = verb.recordings_in([str(tmp_path)])
    monkeypatch.setattr(verb, "SMALL", 0)
    apart = list(verb.judge_all(files, verb.Request(), 2))
    assert [report.verdict for report in apart] == ["same", "same", "same", "bad input"]
    assert apart == list(verb.judge_all(files, verb.Request(), 1))
    sys.modules.pop("crossing_team", None)


def test_a_process_that_dies_is_said_and_not_waited_for(tmp_path, monkeypatch):
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.undo()
    source = "import os, multiprocessing\nif multiprocessing.parent_process():\n    os._exit(9)\nCROSSING = None\n"
    monkeypatch.syspath_prepend(str(team_package(home, source, "dying_team")))
    files = [str(record(tmp_path / f"{number}.rec", think(rows()))) for number in range(2)]
    monkeypatch.setattr(verb, "SMALL", 0)
    with pytest.raises(UserError, match="a process ended while judging"):
        list(verb.judge_all(files, verb.Request(), 2))


class Terminal:
    def __init__(self):
        self.text = ""

    def isatty(self):
        return True

    def write(self, text):
        self.text += text

    def flush(self):
        pass


def test_the_bar_shows_only_on_a_terminal_and_is_cleared(folder, monkeypatch, capsys):
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    main(["replay", str(folder)])
    assert "[========================] 2/2  2 same" in screen.text
    assert screen.text.endswith("\r" + " " * 78 + "\r")
    screen.text = ""
    main(["replay", str(folder), "--quiet"])
    assert screen.text == ""
