"""Lists, descriptions, tables for other tools, and files small enough to commit."""

import csv
import json
import math
import os
import sqlite3
import sys

import pytest

from robotcore.decode import Decoder
from robotcore.errors import UserError
from robotcore.recording import schema
from robotcore.recording.compact import compact
from robotcore.recording.export import export_csv, export_decisions_csv, export_parquet
from robotcore.recording.reader import open_recording
from robotcore.recording.summary import describe, list_recordings
from robotcore.recording.writer import Recorder
from tests import scripted
from tests.recording_kit import HEADER, LAYOUT, check_rows, command, content, pose, raw, sql, write

TICKS = [*range(40), *range(50, 60)]


@pytest.fixture
def recording(tmp_path):
    return open_recording(write(tmp_path / "a.rec", TICKS))


def scripted_recording(path):
    """A recording of the scripted rig, so that there is something to decode."""
    recorder = Recorder(path, HEADER, scripted.rig().layout, blocking=True)
    for tick in range(30):
        recorder.row(tick, scripted.row(left=(100 + tick, 200, 300), counts=(tick, -tick)), command(tick), None)
    recorder.close("finished")
    return open_recording(path)


def decoder():
    return Decoder(scripted.rig(), scripted.calibration())


# -- lists and descriptions


def test_a_folder_is_listed_by_path_bad_files_included(tmp_path):
    write(tmp_path / "b.rec")
    (tmp_path / "sub").mkdir()
    write(tmp_path / "sub" / "a.rec", outcome=None)
    (tmp_path / "c.rec").write_bytes(b"junk")
    (tmp_path / "d.txt").write_text("not listed")
    found = list_recordings(tmp_path)
    assert [summary.path.name for summary in found] == ["b.rec", "c.rec", "a.rec"]
    whole, bad, cut = found
    assert (whole.name, whole.mission, whole.rig, whole.outcome) == ("quay-3", "line", "harbour", "finished")
    assert (whole.ticks, whole.decisions, whole.faults, whole.problem) == (60, 2, 1, "")
    assert whole.duration_s == pytest.approx(0.59)
    assert "not a recording" in bad.problem
    assert (cut.outcome, cut.problem) == ("cut off", "")
    assert cut.duration_s == pytest.approx(0.59)


def test_no_such_folder_is_refused(tmp_path):
    with pytest.raises(UserError, match="no such folder; give one"):
        list_recordings(tmp_path / "no")


def test_a_description_tells_what_happened(recording):
    text = "\n".join(describe(recording))
    for words in (
        "quay-3, mission line, started 2000-01-01T12:00:00+0000",
        "harbour, 12 raw columns, 10 ms a tick",
        "fake:quay?seed=3, code 0.1.0 µ",
        "finished at 0.59 s",
        "50 recorded from 0 to 59, 10 skipped",
        "0.05 s  marker n=3 share=0.43 side='left' sure=True (junction, line.py:12)",
        "0.07 s  stale: side_range gave nothing for 0.2 s (obstacle)",
        "1, worst 2300 us at tick 9 (line)",
    ):
        assert words in text


def test_a_description_of_an_empty_or_lossy_run(tmp_path):
    empty = open_recording(write(tmp_path / "e.rec", [], outcome=None))
    assert "cut off at 0.00 s" in "\n".join(describe(empty))
    recorder = Recorder(tmp_path / "l.rec", HEADER, LAYOUT, blocking=False, commit_s=1e6, capacity=5)
    for tick in range(9):
        recorder.row(tick, raw(tick), command(tick), None)
    recorder.close("finished")
    assert "5 recorded from 0 to 4, 0 skipped, 4 lost by the recorder" in "\n".join(
        describe(open_recording(recorder.path))
    )


def test_the_schema_text_makes_the_very_tables_of_a_recording(recording, tmp_path):
    statements = [part for part in schema.schema_text().split(";\n") if not part.startswith("-- name")]
    for statement in statements:
        sql(tmp_path / "new.db", statement)
    asked = "SELECT name, sql FROM sqlite_schema ORDER BY name"
    with sqlite3.connect(tmp_path / "new.db") as new, sqlite3.connect(recording.path) as old:
        assert new.execute(asked).fetchall() == old.execute(asked).fetchall()
        for pragma in ("application_id", "user_version"):
            assert new.execute(f"PRAGMA {pragma}").fetchone() == old.execute(f"PRAGMA {pragma}").fetchone()
    new.close()
    old.close()


def test_the_schema_text_names_every_key_of_meta(recording):
    with sqlite3.connect(recording.path) as db:
        keys = [row[0] for row in db.execute("SELECT key FROM meta")]
    db.close()
    words = schema.META_KEYS.replace(",", " ").split()
    assert sorted(keys) == sorted(schema.START_KEYS + schema.END_KEYS)
    assert all(key in words for key in keys)


# -- tables


def test_columns_are_what_was_recorded(recording):
    table = recording.columns()
    assert list(table)[:3] == ["tick", "time_s", "floor_left.age"]
    assert table["tick"].tolist() == TICKS
    assert table["time_s"].tolist() == [tick * 0.01 for tick in TICKS]
    for index, name in enumerate(LAYOUT.names):
        assert table[name].tolist() == [raw(tick)[index] for tick in TICKS]
    assert table["command.right_m_s"].tolist() == [command(tick)[1] for tick in TICKS]
    assert table["truth.y_m"].tolist() == [pose(tick)[1] for tick in TICKS]


def test_one_line_gives_a_pandas_table(recording):
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame(recording.columns())
    assert frame.shape == (50, 2 + 12 + 4 + 3)
    assert frame["drive.left"].iloc[1] == 2**31 - 1


def test_unknown_poses_are_nan_among_known_ones_and_no_column_where_none_is_known(tmp_path):
    mixed = open_recording(write(tmp_path / "m.rec", range(40), poses=lambda tick: pose(tick) if tick < 30 else None))
    xs = mixed.columns()["truth.x_m"].tolist()
    assert xs[:30] == [pose(tick)[0] for tick in range(30)]
    assert all(math.isnan(x) for x in xs[30:])
    assert mixed.truth()[29:31] == [pose(29), None]
    assert "truth.x_m" not in open_recording(write(tmp_path / "n.rec", poses=None)).columns()
    assert open_recording(write(tmp_path / "o.rec", [])).columns()["tick"].tolist() == []


def test_csv_holds_every_value_exactly(recording, tmp_path):
    assert export_csv(recording, tmp_path / "a.csv") == 50
    with (tmp_path / "a.csv").open(newline="", encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    assert [int(line["tick"]) for line in lines] == TICKS
    assert [tuple(int(line[name]) for name in LAYOUT.names) for line in lines] == [raw(tick) for tick in TICKS]
    assert [float(line["command.left_m_s"]) for line in lines] == [command(tick)[0] for tick in TICKS]
    assert [float(line["truth.x_m"]) for line in lines] == [pose(tick)[0] for tick in TICKS]


def test_csv_leaves_an_unknown_pose_empty(tmp_path):
    mixed = open_recording(write(tmp_path / "m.rec", range(40), poses=lambda tick: pose(tick) if tick < 30 else None))
    export_csv(mixed, tmp_path / "m.csv")
    assert (tmp_path / "m.csv").read_text(encoding="utf-8").splitlines()[-1].endswith(",,,")


def test_decoded_readings_follow_where_a_decoder_is_given(tmp_path):
    recording = scripted_recording(tmp_path / "s.rec")
    export_csv(recording, tmp_path / "s.csv", decoder())
    with (tmp_path / "s.csv").open(newline="", encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    decode = decoder()
    samples = [decode(tick, counts) for tick, counts, _ in recording.rows()]
    assert [float(line["reading.floor_left.red"]) for line in lines] == [s.floor_left.red for s in samples]
    assert [float(line["reading.drive.travel_m"]) for line in lines] == [s.drive.travel_m for s in samples]
    assert "reading.tilt.pitch_rad" not in lines[0]  # the rig has no tilt sensor


def test_parquet_holds_the_same_table(recording, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    assert export_parquet(recording, tmp_path / "a.parquet") == 50
    table = parquet.read_table(tmp_path / "a.parquet").to_pydict()
    assert table == {name: values.tolist() for name, values in recording.columns().items()}


def test_parquet_holds_decoded_readings(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    recording = scripted_recording(tmp_path / "s.rec")
    export_parquet(recording, tmp_path / "s.parquet", decoder())
    table = parquet.read_table(tmp_path / "s.parquet").to_pydict()
    decode = decoder()
    assert table["reading.floor_left.red"] == [decode(t, c).floor_left.red for t, c, _ in recording.rows()]
    assert table["reading.start_button.pressed"] == [False] * 30


@pytest.mark.parametrize("module", ["pyarrow", "numpy"])
def test_a_missing_library_is_named_with_its_remedy(recording, tmp_path, monkeypatch, module):
    monkeypatch.setitem(sys.modules, module, None)
    monkeypatch.delitem(sys.modules, "robotcore.recording.arrays", raising=False)
    with pytest.raises(UserError, match=f"need(s)? {module}; pip install"):
        export_parquet(recording, tmp_path / "a.parquet") if module == "pyarrow" else recording.columns()
    assert os.listdir(tmp_path) == ["a.rec"]


def test_decisions_are_exported_with_their_fields_as_json(recording, tmp_path):
    assert export_decisions_csv(recording, tmp_path / "d.csv") == 2
    with (tmp_path / "d.csv").open(newline="", encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    assert json.loads(lines[0]["fields"]) == {"side": "left", "share": 0.43, "sure": True, "n": 3}
    assert [line["name"] for line in lines] == ["marker", "finish"]


def test_an_export_overwrites_nothing_and_leaves_no_half(recording, tmp_path):
    (tmp_path / "a.csv").write_text("mine")
    with pytest.raises(UserError, match="is there already"):
        export_csv(recording, tmp_path / "a.csv")
    assert (tmp_path / "a.csv").read_text() == "mine"
    with pytest.raises(UserError, match="cannot be written"):
        export_csv(recording, tmp_path / "no" / "a.csv")

    def fails(tick, counts):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        export_csv(recording, tmp_path / "b.csv", fails)
    assert sorted(os.listdir(tmp_path)) == ["a.csv", "a.rec"]


# -- compact


def same_but_for_blocks(one, two):
    head = (one.header, one.layout.columns, one.outcome, one.end_s, one.decisions, one.faults, one.overruns)
    assert head == (two.header, two.layout.columns, two.outcome, two.end_s, two.decisions, two.faults, two.overruns)
    assert repr(list(one.rows())) == repr(list(two.rows()))
    assert one.truth() == two.truth()


@pytest.mark.parametrize("outcome", ["finished", None])
@pytest.mark.parametrize("ticks", [TICKS, range(700), []])
def test_a_compacted_recording_says_the_same_in_less_room(tmp_path, ticks, outcome):
    old = write(tmp_path / "a.rec", ticks, outcome=outcome)
    size = compact(old, tmp_path / "b.rec")
    assert size == (tmp_path / "b.rec").stat().st_size <= old.stat().st_size
    same_but_for_blocks(open_recording(old), open_recording(tmp_path / "b.rec"))
    check_rows(open_recording(tmp_path / "b.rec"), ticks)
    assert sorted(os.listdir(tmp_path)) == ["a.rec", "b.rec"]


def test_compacting_twice_gives_the_same_file_content(tmp_path):
    compact(write(tmp_path / "a.rec", range(700)), tmp_path / "b.rec")
    compact(tmp_path / "b.rec", tmp_path / "c.rec")
    assert content(open_recording(tmp_path / "b.rec")) == content(open_recording(tmp_path / "c.rec"))


def test_compacting_overwrites_nothing_and_refuses_bad_files(tmp_path):
    path = write(tmp_path / "a.rec")
    before = path.read_bytes()
    with pytest.raises(UserError, match="is there already"):
        compact(path, path)
    assert path.read_bytes() == before
    (tmp_path / "bad.rec").write_bytes(b"junk")
    with pytest.raises(UserError, match="not a recording"):
        compact(tmp_path / "bad.rec", tmp_path / "c.rec")
    assert not (tmp_path / "c.rec").exists()


def test_compacting_that_fails_leaves_nothing(tmp_path, monkeypatch):
    path = write(tmp_path / "a.rec")

    def full(db, blocks):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("robotcore.recording.compact.insert_blocks", full)
    with pytest.raises(UserError, match=r"b\.rec: cannot be written \(database or disk is full\); free some space"):
        compact(path, tmp_path / "b.rec")
    assert os.listdir(tmp_path) == ["a.rec"]
