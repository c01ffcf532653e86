"""Reading recordings from strangers: right, or refused in one line; never silently wrong."""

import os
import shutil
import sqlite3
import struct

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from robotcore.errors import UserError
from robotcore.recording import schema
from robotcore.recording.compact import compact
from robotcore.recording.reader import open_recording
from robotcore.recording.writer import Recorder
from tests.recording_kit import HEADER, LAYOUT, check_rows, content, fill, forge, raw, sql, write


def refused(path, *words):
    """The file is refused in one line that names it and holds these words."""
    with pytest.raises(UserError) as caught:
        open_recording(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    assert len(text) < 700
    assert "; " in text  # what is wrong; what to do
    for word in words:
        assert word in text


@pytest.fixture(scope="session")
def good(tmp_path_factory):
    return write(tmp_path_factory.mktemp("good") / "good.rec")


@pytest.fixture
def rec(good, tmp_path):
    return shutil.copy(good, tmp_path / "a.rec")


def test_a_path_of_text_will_do(good):
    check_rows(open_recording(str(good)), range(60))


def test_names_that_mean_something_in_a_url_are_names(good, tmp_path):
    path = shutil.copy(good, tmp_path / "a b?mode=rw#%41.rec")
    check_rows(open_recording(path), range(60))


def test_rows_come_one_by_one_or_in_bulk(good):
    recording = open_recording(good)
    assert list(recording.rows()) == list(zip(recording.ticks, recording.raws, recording.commands, strict=True))
    assert len(recording) == 60


# -- foreign files


@pytest.mark.parametrize("data", [b"", b"tick,red\n1,2\n", b"SQLite format 3", os.urandom(5000)])
def test_a_file_that_is_no_database_is_refused(tmp_path, data):
    (tmp_path / "a.rec").write_bytes(data)
    refused(tmp_path / "a.rec", "not a recording", "give a file that")


def test_no_file_and_a_folder_are_refused(tmp_path):
    refused(tmp_path / "no.rec", "cannot be read (No such file or directory); check the path")
    refused(tmp_path, "cannot be read")


def test_another_database_is_refused(tmp_path):
    refused(sql(tmp_path / "a.rec", "CREATE TABLE t (a)"), "application_id", "not a recording")


def test_a_database_that_only_has_the_magic_is_refused(tmp_path):
    (tmp_path / "a.rec").write_bytes(b"SQLite format 3\0" + bytes(5000))
    refused(tmp_path / "a.rec")


@pytest.mark.parametrize(
    ("version", "words"), [(2, "newer than this code's; update"), (0, "older than this code's; use")]
)
def test_another_schema_version_is_refused(rec, version, words):
    refused(sql(rec, f"PRAGMA user_version = {version}"), "user_version", words)


def test_a_foreign_application_id_is_refused(rec):
    refused(sql(rec, "PRAGMA application_id = 7"), "application_id", "not a recording")


# -- altered tables


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TABLE extra (a)",
        "CREATE VIEW extra AS SELECT 1",
        "CREATE INDEX extra ON fault (tick)",
        "CREATE TRIGGER extra AFTER INSERT ON fault BEGIN SELECT 1; END",
        "CREATE VIRTUAL TABLE extra USING fts5(a)",
    ],
)
def test_anything_that_does_not_belong_is_refused(rec, statement):
    refused(sql(rec, statement), "extra' does not belong in a recording")


@pytest.mark.parametrize("table", ["meta", "decision", "fault", "overrun", "block"])
def test_a_missing_or_different_table_is_refused(rec, table):
    refused(sql(rec, f"ALTER TABLE {table} ADD COLUMN more TEXT"), f"table {table}")
    refused(sql(rec, f"DROP TABLE {table}"), f"table {table}")


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE decision SET name = 'marked' WHERE id = 1", "decision 1: its checksum is wrong"),
        ("UPDATE decision SET tick = 6 WHERE id = 1", "decision 1: its checksum is wrong"),
        ("UPDATE fault SET detail = ''", "fault 1: its checksum is wrong"),
        ("UPDATE overrun SET late_us = 1", "overrun 1: its checksum is wrong"),
        ("UPDATE meta SET value = 'x' WHERE key = 'rig'", "its checksum is wrong"),
        (
            "UPDATE block SET raw = zeroblob(length(raw)) WHERE first_tick = 25",
            "block at tick 25: its checksum is wrong",
        ),
        ("UPDATE block SET raw = commands, commands = raw", "block at tick 0: its checksum is wrong"),
        ("UPDATE block SET truth = NULL", "block at tick 0: its checksum is wrong"),
        ("UPDATE block SET first_tick = first_tick + 1000", "its checksum is wrong"),
        ("DELETE FROM decision WHERE id = 1", "decision 1: is missing"),
        ("DELETE FROM decision WHERE id = 2", "decisions: 1 are there, 2 were written"),
        ("DELETE FROM fault", "faults: 0 are there, 1 were written"),
        ("DELETE FROM overrun", "overruns: 0 are there, 1 were written"),
        ("DELETE FROM block WHERE first_tick = 25", "block at tick 50: 25 rows before it are missing"),
        ("DELETE FROM block WHERE first_tick = 50", "rows: 50 are there, 60 were written"),
        ("DELETE FROM meta WHERE key = 'calibration'", "meta: 'calibration' is missing"),
        ("DELETE FROM meta WHERE key = 'counts'", "meta: 'counts' is missing"),
        ("DELETE FROM meta WHERE key = 'end_s'", "meta: 'end_s' is missing"),
    ],
)
def test_an_altered_or_lost_row_is_refused_by_its_place(rec, statement, words):
    refused(sql(rec, statement), words)


def test_two_rows_with_their_contents_swapped_are_refused(rec):
    db = sqlite3.connect(rec)
    blocks = db.execute("SELECT raw, commands, truth, crc FROM block WHERE first_tick < 50").fetchall()
    for first_tick, values in zip((25, 0), blocks, strict=True):
        db.execute(
            f"UPDATE block SET raw = ?, commands = ?, truth = ?, crc = ? WHERE first_tick = {first_tick}", values
        )
    db.commit()
    db.close()
    refused(rec, "block at tick 0: its checksum is wrong")


# -- forged rows: the checksums are right, the contents are not

NAN_COMMANDS = struct.pack("<100d", *[0.0] * 99, float("nan"))


@pytest.mark.parametrize(
    ("table", "where", "changes", "words"),
    [
        ("block", "first_tick = 25", {"commands": NAN_COMMANDS}, "block at tick 25: a command or pose is not a finite"),
        ("block", "first_tick = 0", {"truth": b"\xff" * 300}, "block at tick 0: a command or pose is not a finite"),
        ("block", "first_tick = 0", {"truth": b"1234"}, "cannot be unpacked (wrong length)"),
        ("block", "first_tick = 0", {"count": 24}, "cannot be unpacked (wrong length)"),
        ("block", "first_tick = 0", {"count": 26}, "26 ticks in one block"),
        ("block", "first_tick = 0", {"count": 0}, "0 ticks in one block"),
        ("block", "first_tick = 0", {"count": -(2**63)}, "ticks in one block"),
        ("block", "first_tick = 0", {"codec": 1}, "cannot be unpacked"),
        ("block", "first_tick = 0", {"codec": 2}, "unknown codec"),
        ("block", "first_tick = 25", {"first_tick": 24}, "its ticks lie inside the block before"),
        ("block", "first_tick = 50", {"first_tick": 2**62}, "out of bounds"),
        ("block", "first_tick = 0", {"first_tick": -1}, "out of bounds"),
        ("block", "first_tick = 25", {"rows_before": 26}, "rows before it are missing"),
        ("decision", "id = 1", {"fields": "[1]"}, "decision 1: its fields are no flat JSON object"),
        ("decision", "id = 1", {"fields": '{"a":NaN}'}, "decision 1: its fields"),
        ("decision", "id = 1", {"fields": '{"a":1e999}'}, "decision 1: its fields"),
        ("decision", "id = 1", {"fields": '{"a":{}}'}, "decision 1: its fields"),
        ("decision", "id = 1", {"fields": '{"b":1,"a":1}'}, "decision 1: its fields"),
        ("decision", "id = 1", {"fields": '{"a":1,"a":2}'}, "decision 1: its fields"),
        ("decision", "id = 1", {"fields": "[" * 4000}, "decision 1: its fields"),
        ("decision", "id = 1", {"fields": '{"a":' + "9" * 4000 + "}"}, "decision 1: its fields"),
        ("decision", "id = 1", {"name": "x" * 5000}, "decision 1: a value of the wrong type or length"),
        ("decision", "id = 1", {"tick": -1}, "decision 1: its tick or time is out of bounds"),
        ("decision", "id = 1", {"time_s": float("inf")}, "decision 1: its tick or time is out of bounds"),
        ("decision", "id = 2", {"id": 3}, "decision 2: is missing"),
        ("meta", "key = 'rig'", {"value": "x" * 1_000_001}, "a value of the wrong type or length"),
        ("meta", "key = 'rig'", {"key": "rigg"}, "meta: 'rigg' is not a known key"),
        ("meta", "key = 'period_s'", {"value": "soon"}, "meta period_s: 'soon' is not a finite number"),
        ("meta", "key = 'period_s'", {"value": "nan"}, "meta period_s"),
        ("meta", "key = 'period_s'", {"value": "-1"}, "period_s is -1.0"),
        ("meta", "key = 'facts'", {"value": "[]"}, "meta facts: not a JSON object"),
        ("meta", "key = 'facts'", {"value": '{"a":1}'}, "facts.a is no text"),
        ("meta", "key = 'facts'", {"value": "{"}, "meta facts: not JSON"),
        ("meta", "key = 'facts'", {"value": "[" * 100_000}, "meta facts: not JSON"),
        ("meta", "key = 'layout'", {"value": "[]"}, "meta layout: not a list of columns"),
        ("meta", "key = 'layout'", {"value": '[["a.age","q","x"]]'}, "column 'a.age' has the code 'q'"),
        ("meta", "key = 'layout'", {"value": '[["' + "x" * 90_000 + '",1]]'}, "meta layout"),
        ("meta", "key = 'layout'", {"value": '[["a.age","H","x"]]'}, "meta layout: columns out of order"),
        ("meta", "key = 'layout'", {"value": '[["a.age","H","0.1 ms"]]'}, "cannot be unpacked (wrong length)"),
        ("meta", "key = 'counts'", {"value": "{}"}, "meta counts"),
        ("meta", "key = 'counts'", {"value": "nonsense"}, "meta counts: not JSON"),
        ("meta", "key = 'end_s'", {"value": "inf"}, "meta end_s"),
    ],
)
def test_a_forged_row_is_refused_by_its_place(rec, table, where, changes, words):
    refused(forge(rec, table, where, **changes), words)


def test_counts_that_are_no_whole_numbers_are_refused(rec):
    text = open_recording(rec).counts
    forged = str({**text, "dropped": -1}).replace("'", '"')
    refused(forge(rec, "meta", "key = 'counts'", value=forged), "meta counts: a count that is no whole number")


def test_values_of_a_type_that_the_schema_forbids_are_refused(rec):
    db = sqlite3.connect(rec, isolation_level=None)
    db.execute("PRAGMA writable_schema = ON")
    strict = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'fault'").fetchone()[0]
    db.execute("UPDATE sqlite_schema SET sql = replace(sql, ' STRICT', '') WHERE name = 'fault'")
    db.close()
    sql(rec, "UPDATE fault SET tick = 'seven'")
    db = sqlite3.connect(rec, isolation_level=None)
    db.execute("PRAGMA writable_schema = ON")
    db.execute("UPDATE sqlite_schema SET sql = ? WHERE name = 'fault'", (strict.replace("fault(", "fault ("),))
    db.close()
    refused(rec, "fault 1: a value of the wrong type or length")


def test_a_file_that_claims_more_than_a_recording_can_hold_is_refused(good, monkeypatch):
    monkeypatch.setattr(schema, "UNPACKED_LIMIT", 50 * (LAYOUT.row.size + 44))
    refused(good, "block at tick 50: holds more than a recording can")


def test_a_value_larger_than_any_of_ours_is_refused(rec):
    refused(sql(rec, f"UPDATE fault SET detail = hex(zeroblob({schema.BLOB_LIMIT}))"), "not readable as a recording")


# -- damage


@pytest.fixture(scope="session")
def specimens(tmp_path_factory):
    """Good files whose bytes are then damaged: as written, compacted, and cut off but whole in one file."""
    folder = tmp_path_factory.mktemp("specimens")
    plain = write(folder / "plain.rec", range(120))
    compact(plain, folder / "compact.rec")
    compact(write(folder / "x.rec", range(120), outcome=None), folder / "cut.rec")
    paths = [plain, folder / "compact.rec", folder / "cut.rec"]
    return [(path.read_bytes(), content(open_recording(path))) for path in paths]


def same_or_refused(path, data, wanted):
    path.write_bytes(data)
    try:
        found = content(open_recording(path))
    except UserError as error:
        assert "\n" not in str(error)  # noqa: PT017
        return
    assert found == wanted


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_flipped_bytes_change_nothing_or_are_refused(specimens, tmp_path, data):
    original, wanted = data.draw(st.sampled_from(specimens))
    damaged = bytearray(original)
    places = (
        st.integers(0, len(original) - 1)
        | st.integers(0, 200)
        | st.integers(0, len(original) // 4096 - 1)
        .map(lambda page: page * 4096)
        .flatmap(lambda start: st.integers(start, start + 40))
    )
    for place, bits in data.draw(st.lists(st.tuples(places, st.integers(1, 255)), min_size=1, max_size=4)):
        damaged[place] ^= bits
    same_or_refused(tmp_path / "a.rec", damaged, wanted)


def test_every_byte_of_the_file_header_and_page_headers_flipped(specimens, tmp_path):
    original, wanted = specimens[2]
    for start in range(0, len(original), 4096):
        for place in range(start, start + (100 if start == 0 else 12)):
            damaged = bytearray(original)
            damaged[place] ^= 0xFF if place % 2 else 0x01
            same_or_refused(tmp_path / "a.rec", damaged, wanted)


def test_a_truncated_file_is_refused(specimens, tmp_path):
    original, _ = specimens[0]
    for length in [*range(0, len(original), 1024), len(original) - 1]:
        (tmp_path / "a.rec").write_bytes(original[:length])
        refused(tmp_path / "a.rec")


def test_pages_swapped_or_blanked_are_refused_or_change_nothing(specimens, tmp_path):
    original, wanted = specimens[0]
    pages = [original[start : start + 4096] for start in range(0, len(original), 4096)]
    for one in range(len(pages)):
        same_or_refused(tmp_path / "a.rec", b"".join([*pages[:one], bytes(4096), *pages[one + 1 :]]), wanted)
        for two in range(one):
            swapped = list(pages)
            swapped[one], swapped[two] = pages[two], pages[one]
            same_or_refused(tmp_path / "a.rec", b"".join(swapped), wanted)


# -- cut off


def cut_off(folder, ticks=range(60)):
    """A run cut off with everything in SQLite's side file, as a kill leaves it."""
    recorder = Recorder(folder / "live.rec", HEADER, LAYOUT, blocking=True)
    fill(recorder, ticks)
    recorder.flush()
    for ending in ("", "-wal"):
        shutil.copy(folder / f"live.rec{ending}", folder / f"a.rec{ending}")
    recorder.close("finished")
    return folder / "a.rec"


def test_a_cut_off_run_is_read_with_what_lies_beside_it(tmp_path):
    path = cut_off(tmp_path)
    recording = open_recording(path)
    check_rows(recording, range(60))
    assert (recording.outcome, recording.end_s, recording.counts) == (None, None, None)


def test_a_cut_off_run_whose_side_file_was_torn_keeps_its_earlier_commits(tmp_path):
    path = cut_off(tmp_path)
    beside = tmp_path / "a.rec-wal"
    beside.write_bytes(beside.read_bytes()[:-5000])
    recording = open_recording(path)
    assert len(recording) in (0, 60)
    check_rows(recording, range(len(recording)))


def test_where_sqlite_may_not_write_a_copy_is_read(tmp_path, monkeypatch):
    path = cut_off(tmp_path)
    connect = sqlite3.connect

    def read_only_folder(name, **options):
        if "mode=ro" in name:
            raise sqlite3.OperationalError("unable to open database file")
        return connect(name, **options)

    monkeypatch.setattr(sqlite3, "connect", read_only_folder)
    check_rows(open_recording(path), range(60))


def test_a_rollback_journal_left_by_a_crash_is_honoured_and_kept(rec, tmp_path):
    db = sqlite3.connect(rec, isolation_level=None)
    db.execute("PRAGMA cache_size = 1")
    db.execute("BEGIN")
    db.execute("UPDATE block SET raw = zeroblob(length(raw)), commands = zeroblob(length(commands))")
    db.execute("UPDATE meta SET value = zeroblob(0) || 'x'")
    crash = tmp_path / "crash"
    crash.mkdir()
    for name in ("a.rec", "a.rec-journal"):
        shutil.copy(tmp_path / name, crash / name)
    db.rollback()
    db.close()
    before = {name: (crash / name).read_bytes() for name in os.listdir(crash)}
    assert before["a.rec"] != rec.read_bytes()
    check_rows(open_recording(crash / "a.rec"), range(60))
    assert {name: (crash / name).read_bytes() for name in os.listdir(crash)} == before


def test_reading_a_closed_file_leaves_nothing_beside_it(rec, tmp_path):
    open_recording(rec)
    assert os.listdir(tmp_path) == ["a.rec"]


def test_nothing_in_a_file_is_written_by_reading(rec):
    before = rec.read_bytes()
    os.chmod(rec, 0o444)
    recording = open_recording(rec)
    assert recording.raws[0] == raw(0)
    assert rec.read_bytes() == before
