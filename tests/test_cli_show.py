"""The verbs list, describe, export and compact: what they print is what lies in the file, and bad input is one line."""

import csv
import io
import json
import sqlite3

import made_up_run
import pytest

from robotcore.cli.main import main
from robotcore.cli.output import produce
from robotcore.cli.recorded import robot_of
from robotcore.decode import Decoder
from robotcore.errors import UserError
from robotcore.recording.reader import open_recording

SECONDS = 3.0


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Three seconds: two decisions and a fault."""
    return made_up_run.drive(tmp_path_factory.mktemp("runs") / "quay.rec", seconds=SECONDS, say_every=130)


@pytest.fixture
def folder(run, tmp_path, monkeypatch):
    """An empty folder to be in, with a copy of the run."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "quay.rec").write_bytes(run.read_bytes())
    return tmp_path


# list


def test_list_shows_a_line_for_each_recording_and_why_others_cannot_be_read(folder, capsys):
    (folder / "foreign.rec").write_text("hello")
    (folder / "deep").mkdir()
    (folder / "deep" / "cut.rec").write_bytes((folder / "quay.rec").read_bytes()[:9000])
    (folder / "notes.txt").write_text("no recording")
    assert main(["list", "."]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split() == ["recording", "mission", "rig", "backend", "length", "decisions", "faults", "outcome"]
    assert lines[1].split() == [
        "quay.rec",
        "wander",
        "harbour",
        "fake:quay?seed=3&perturb=0",
        "3.0",
        "s",
        "2",
        "1",
        "stopped:",
        "time",
        "limit",
    ]
    assert len(lines) == 4
    assert any(line.startswith("foreign.rec: not a recording") for line in lines)
    assert any(line.startswith("deep/cut.rec: ") for line in lines)


def test_list_looks_in_runs_by_default(folder, capsys):
    assert main(["list"]) == 2
    assert capsys.readouterr().err == "runs: no such folder; give one that holds recordings (*.rec)\n"
    (folder / "runs").mkdir()
    assert main(["list"]) == 0
    assert capsys.readouterr().out == "runs: no recordings\n"


# describe


def test_describe_tells_header_outcome_decisions_and_faults(run, capsys):
    assert main(["describe", str(run)]) == 0
    text = capsys.readouterr().out
    recording = open_recording(run)
    for words in ("mission wander", "harbour", "fake:quay?seed=3&perturb=0", "code made up", "stopped: time limit"):
        assert words in text
    decisions = [line for line in text.splitlines() if line.startswith("decision")]
    assert (
        [line.split()[1] for line in decisions] == [f"{d.time_s:.2f}" for d in recording.decisions] == ["1.30", "2.60"]
    )
    assert all("wander" in line and "made_up_run.py:" in line for line in decisions)
    assert sum(line.startswith("fault") for line in text.splitlines()) == len(recording.faults) == 1


def test_describe_for_machines_holds_the_same(run, capsys):
    assert main(["describe", "--json", str(run)]) == 0
    tree = json.loads(capsys.readouterr().out)
    recording = open_recording(run)
    assert tree["ticks"] == len(recording) == tree["counts"]["rows"]
    assert tree["outcome"] == recording.outcome
    assert tree["duration_s"] == pytest.approx(SECONDS, abs=0.02)
    assert [d["fields"] for d in tree["decisions"]] == [d.fields for d in recording.decisions]
    assert tree["faults"][0]["detail"] == recording.faults[0].detail
    assert tree["rig"] == recording.header.rig
    assert [column["name"] for column in tree["columns"]] == recording.layout.names


def test_what_would_steer_a_terminal_is_not_printed(folder, capsys):
    path = made_up_run.drive(folder / "steer.rec", seconds=0.2, say_every=5, name="bell\a\x1b[2J")
    assert main(["describe", str(path)]) == 0
    text = capsys.readouterr().out
    assert "bell??[2J" in text
    assert "\x1b" not in text


# export


def test_export_writes_raw_counts_commands_and_readings_as_the_behaviours_saw_them(folder, capsys):
    assert main(["export", "quay.rec"]) == 0
    recording = open_recording("quay.rec")
    assert capsys.readouterr().out == f"quay.csv: {len(recording)} ticks\n"
    table = list(csv.DictReader(io.StringIO((folder / "quay.csv").read_text())))
    decode = Decoder(*robot_of(recording))
    assert len(table) == len(recording) > 290
    for line, (tick, raw, command), truth in zip(table, recording.rows(), recording.truth(), strict=True):
        sample = decode(tick, raw)
        assert int(line["tick"]) == tick
        assert [int(line[name]) for name in recording.layout.names] == list(raw)
        assert float(line["command.left_m_s"]) == command[0]
        assert float(line["truth.x_m"]) == truth[0]
        assert float(line["reading.floor_left.contrast"]) == sample.floor_left.contrast
        assert float(line["reading.drive.travel_m"]) == sample.drive.travel_m
        assert line["reading.side_range.valid"] == str(sample.side_range.valid)


def test_export_of_decisions_is_one_row_each(folder, capsys):
    assert main(["export", "quay.rec", "--decisions"]) == 0
    assert capsys.readouterr().out == "quay.decisions.csv: 2 decisions\n"
    table = list(csv.DictReader(io.StringIO((folder / "quay.decisions.csv").read_text())))
    recording = open_recording("quay.rec")
    assert [json.loads(line["fields"]) for line in table] == [d.fields for d in recording.decisions]
    assert [float(line["time_s"]) for line in table] == [d.time_s for d in recording.decisions]


def test_parquet_holds_the_same_table(folder):
    parquet = pytest.importorskip("pyarrow.parquet")
    assert main(["export", "quay.rec", "--out", "quay.parquet"]) == 0
    assert main(["export", "quay.rec"]) == 0
    table = parquet.read_table("quay.parquet")
    lines = list(csv.DictReader(io.StringIO((folder / "quay.csv").read_text())))
    assert table.column_names == list(lines[0])
    assert table["reading.tilt.pitch_rad"].to_pylist() == [float(line["reading.tilt.pitch_rad"]) for line in lines]
    assert table["drive.left"].to_pylist() == [int(line["drive.left"]) for line in lines]


# compact


def test_compact_is_smaller_and_says_the_same(folder, capsys):
    assert main(["compact", "quay.rec", "--out", "small.rec"]) == 0
    size = (folder / "small.rec").stat().st_size
    was = (folder / "quay.rec").stat().st_size
    assert capsys.readouterr().out == f"small.rec: {size} bytes, from {was}\n"
    assert size < 0.7 * was
    one, two = open_recording("quay.rec"), open_recording("small.rec")
    assert (one.raws, one.commands, one.decisions, one.faults) == (two.raws, two.commands, two.decisions, two.faults)
    assert one.header == two.header


def test_compact_may_replace_the_recording_itself(folder):
    before = open_recording("quay.rec")
    assert main(["compact", "quay.rec", "--out", "quay.rec", "--force"]) == 0
    after = open_recording("quay.rec")
    assert (before.header, before.raws) == (after.header, after.raws)
    assert [path.name for path in folder.iterdir()] == ["quay.rec"]


def test_compact_does_not_put_a_file_beside_anothers_journal(folder, capsys):
    (folder / "small.rec-wal").write_bytes(b"left")
    assert main(["compact", "quay.rec", "--out", "small.rec"]) == 2
    assert "small.rec-wal" in capsys.readouterr().err
    assert not (folder / "small.rec").exists()


# bad input


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["describe"], "required: recording"),
        (["describe", "nix.rec"], "nix.rec: cannot be read"),
        (["export", "nix.rec"], "nix.rec: cannot be read"),
        (["export", "quay.rec", "--out", "x.xls"], "end its name in .csv or .parquet"),
        (["export", "quay.rec", "--decisions", "--out", "x.parquet"], "end its name in .csv"),
        (["export", "quay.rec", "--out", "deep/x.csv"], "its folder does not exist"),
        (["compact", "quay.rec"], "required: --out"),
        (["compact", "quay.rec", "--out", "x.db"], "ends in .rec"),
        (["compact", "quay.rec", "--out", "quay.rec"], "--force"),
        (["list", "a", "b"], "unrecognized arguments: b"),
    ],
)
def test_bad_words_are_one_line_exit_with_2_and_leave_nothing(folder, capsys, words, says):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert main(words) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize("verb", ["export", "export --decisions"])
def test_nothing_is_overwritten_unless_told(folder, capsys, verb):
    out = folder / "t.csv"
    out.write_text("mine")
    words = [*verb.split(), "quay.rec", "--out", "t.csv"]
    assert main(words) == 2
    assert "--force" in capsys.readouterr().err
    assert out.read_text() == "mine"
    assert main([*words, "--force"]) == 0
    assert out.read_text().startswith("tick,")


def test_a_file_that_cannot_be_finished_leaves_the_old_one(tmp_path):
    out = tmp_path / "t.csv"
    out.write_text("mine")

    def fail(path):
        path.write_text("half")
        raise OSError(28, "No space left on device")

    with pytest.raises(UserError, match=r"t.csv: cannot be written \(No space left on device\)"):
        produce(out, True, fail)
    assert [path.name for path in tmp_path.iterdir()] == ["t.csv"]
    assert out.read_text() == "mine"


def test_readings_are_refused_where_drivers_lay_counts_out_otherwise(folder, capsys):
    other = made_up_run.drive(folder / "optical.rec", seconds=0.1, rig="harbour-optical")
    rig = open_recording(other).header.rig
    swap_rig(folder / "quay.rec", rig)
    assert main(["export", "quay.rec"]) == 2
    assert "its raw columns are not those of today's drivers" in capsys.readouterr().err


def swap_rig(path, rig):
    from robotcore.recording.schema import row_crc

    db = sqlite3.connect(path)
    db.execute("UPDATE meta SET value = ?, crc = ? WHERE key = 'rig'", (rig, row_crc("meta", ("rig", rig))))
    db.commit()
    db.close()
