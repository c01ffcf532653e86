"""Writing recordings: nothing is lost, nothing overwritten, nothing dropped silently, and failures surface."""

import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from robotcore.errors import UserError
from robotcore.layout import Channel, Layout
from robotcore.recording.reader import open_recording
from robotcore.recording.writer import Recorder, insert_blocks
from tests.recording_kit import HEADER, LAYOUT, check_rows, command, fill, pose, raw, write

NEVER_S = 1e6  #: the writer thread does not wake by itself in a test
TOP = Path(__file__).parent.parent


def recorder(path, **options):
    return Recorder(path, HEADER, LAYOUT, **({"blocking": True} | options))


def child(script: str, *words: object) -> subprocess.Popen[str]:
    """Start a Python process that knows the kit and the code."""
    script = f"import sys\nsys.path.insert(0, {str(TOP)!r})\nfrom tests.recording_kit import *\n{script}"
    command = [sys.executable, "-c", script, *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


@pytest.mark.parametrize("options", [{"blocking": True}, {"blocking": False}, {"blocking": False, "commit_s": NEVER_S}])
def test_what_was_recorded_comes_back(tmp_path, options):
    rec = recorder(tmp_path / "a.rec", **options)
    fill(rec, range(1234))
    rec.decision(
        5, 0.05, "junction", "marker", {"side": "left", "share": 0.1 + 0.2, "sure": True, "n": 3}, "line.py:12"
    )
    rec.fault(7, 0.07, "stale", "side_range", "obstacle")
    rec.overrun(9, 2300, "line")
    rec.close("finished", 12.5)
    assert rec.failure is None
    again = open_recording(tmp_path / "a.rec")
    check_rows(again, range(1234))
    assert again.header == HEADER
    assert again.layout.columns == LAYOUT.columns
    fields = {"n": 3, "share": 0.1 + 0.2, "side": "left", "sure": True}
    assert again.decisions == [(5, 0.05, "junction", "marker", fields, "line.py:12")]
    assert again.faults == [(7, 0.07, "stale", "side_range", "obstacle")]
    assert again.overruns == [(9, 2300, "line")]
    assert (again.outcome, again.end_s) == ("finished", 12.5)
    assert (again.counts["rows"], again.counts["dropped"], rec.committed) == (1234, 0, 1234)


def test_a_closed_recording_is_one_file(tmp_path):
    write(tmp_path / "a.rec")
    assert os.listdir(tmp_path) == ["a.rec"]


def test_skipped_ticks_and_unknown_poses_stay_so(tmp_path):
    ticks = [*range(30), *range(32, 33), *range(40, 100)]
    check_rows(open_recording(write(tmp_path / "a.rec", ticks, poses=None)), ticks, poses=None)


def test_a_run_without_a_tick_is_a_recording(tmp_path):
    recorder(tmp_path / "a.rec").close("stopped: time limit")
    again = open_recording(tmp_path / "a.rec")
    assert (len(again), again.outcome, again.end_s) == (0, "stopped: time limit", 0.0)


def test_the_end_is_the_last_tick_where_it_is_not_given(tmp_path):
    assert open_recording(write(tmp_path / "a.rec", range(60))).end_s == pytest.approx(0.59)


def test_closing_twice_changes_nothing(tmp_path):
    rec = recorder(tmp_path / "a.rec")
    rec.close("finished")
    rec.close("stopped: again")
    rec.flush()
    assert open_recording(tmp_path / "a.rec").outcome == "finished"
    assert rec.failure is None


def test_a_recording_can_be_read_while_it_grows(tmp_path):
    rec = recorder(tmp_path / "a.rec", blocking=False, commit_s=NEVER_S)
    for first in range(0, 90, 30):
        fill(rec, range(first, first + 30))
        rec.flush()
        again = open_recording(tmp_path / "a.rec")
        check_rows(again, range(first + 30))
        assert again.outcome is None
    rec.close("finished")
    check_rows(open_recording(tmp_path / "a.rec"), range(90))
    assert os.listdir(tmp_path) == ["a.rec"]


def test_a_reader_in_the_way_at_the_end_costs_no_data_and_is_told(tmp_path):
    rec = recorder(tmp_path / "a.rec")
    fill(rec, range(30))
    rec.flush()
    reader = sqlite3.connect(tmp_path / "a.rec", isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT * FROM meta").fetchall()
    fill(rec, range(30, 60))
    rec.close("finished")
    assert "a.rec: not brought into one file (database is locked); keep the files beside it" in rec.failure
    check_rows(open_recording(tmp_path / "a.rec"), range(60))
    assert open_recording(tmp_path / "a.rec").outcome == "finished"
    reader.close()


def test_where_the_world_waits_a_full_queue_is_written_and_nothing_is_dropped(tmp_path):
    rec = recorder(tmp_path / "a.rec", capacity=10)
    fill(rec, range(95))
    assert rec.committed == 90
    for number in range(35):
        rec.fault(number, number / 100, "kind", "detail")
    rec.close("finished")
    again = open_recording(tmp_path / "a.rec")
    check_rows(again, range(95))
    assert [fault.tick for fault in again.faults] == list(range(35))


def test_where_the_world_goes_on_a_full_queue_drops_and_says_so(tmp_path):
    rec = recorder(tmp_path / "a.rec", blocking=False, commit_s=NEVER_S, capacity=10)
    fill(rec, range(14))
    for number in range(12):
        rec.overrun(number, 1)
    assert (rec.dropped, rec.dropped_entries) == (4, 2)
    rec.flush()
    fill(rec, range(14, 20))
    rec.close("finished")
    again = open_recording(tmp_path / "a.rec")
    check_rows(again, [*range(10), *range(14, 20)])
    assert [(fault.kind, fault.detail) for fault in again.faults] == [
        ("recorder", "4 ticks were not recorded, the disk was too slow")
    ]
    assert (again.counts["dropped"], again.counts["dropped_entries"]) == (4, 2)


def test_a_decision_that_is_no_finite_number_text_or_boolean_is_refused(tmp_path):
    rec = recorder(tmp_path / "a.rec")
    for value in (float("nan"), float("inf"), None, [1], {"a": 1}, 2**63, b"x"):
        with pytest.raises(ValueError, match="field 'share' is"):
            rec.decision(1, 0.01, "line", "marker", {"share": value}, "")
    with pytest.raises(ValueError, match="under 4096"):
        rec.decision(1, 0.01, "line", "marker", {"share": "x" * 5000}, "")
    rec.close("finished")
    assert open_recording(tmp_path / "a.rec").decisions == []


def test_texts_that_no_file_can_hold_are_mended_not_fatal(tmp_path):
    rec = recorder(tmp_path / "a.rec")
    rec.fault(1, 0.01, "odd", "lone \ud800, NUL \0, long " + "x" * 9000)
    rec.decision(1, 0.01, "line", "odd", {"text": "\ud800\0"}, "\udcff.py:1")
    rec.close("finished")
    again = open_recording(tmp_path / "a.rec")
    assert again.faults[0].detail.startswith("lone \\ud800, NUL \\0, long xxx")
    assert len(again.faults[0].detail) == 4096
    assert again.decisions[0].fields == {"text": "\ud800\0"}


def test_nothing_is_ever_overwritten(tmp_path):
    path = write(tmp_path / "a.rec")
    before = path.read_bytes()
    with pytest.raises(UserError, match=r"a\.rec: is there already; choose another name"):
        recorder(path)
    assert path.read_bytes() == before
    (tmp_path / "b.rec-wal").write_bytes(b"left over")
    with pytest.raises(UserError, match=r"b\.rec-wal: is left from another recording; move it away"):
        recorder(tmp_path / "b.rec")
    assert not (tmp_path / "b.rec").exists()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("no/such/a.rec", "its folder does not exist; make"),
        ("file/a.rec", "cannot be made"),
        ("a.db", "ends in .rec; add that"),
        ("x" * 300 + ".rec", "cannot be made"),
        ("x" * 250 + ".rec", "cannot be written"),
    ],
)
def test_a_path_that_cannot_be_written_is_refused_in_one_line(tmp_path, name, words):
    (tmp_path / "file").write_text("")
    with pytest.raises(UserError) as caught:
        recorder(tmp_path / name)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert os.listdir(tmp_path) == ["file"]


@pytest.mark.parametrize(
    "change",
    [
        {"name": "a\ud800"},
        {"facts": {"k": 1}},
        {"rig": 5},
        {"period_s": 0.0},
        {"period_s": float("nan")},
        {"period_s": 99},
    ],
)
def test_a_header_that_cannot_be_held_is_refused_and_leaves_nothing(tmp_path, change):
    with pytest.raises(UserError, match=r"a\.rec: "):
        Recorder(tmp_path / "a.rec", HEADER._replace(**change), LAYOUT, blocking=True)
    assert os.listdir(tmp_path) == []


def test_a_layout_that_could_not_be_read_again_is_refused(tmp_path):
    layout = Layout([("a", (Channel("age", "H", "years"),))])
    with pytest.raises(UserError, match="rename the channel"):
        Recorder(tmp_path / "a.rec", HEADER, layout, blocking=True)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("blocking", [True, False])
def test_a_full_disk_surfaces_once_and_keeps_what_came_before(tmp_path, blocking):
    # the page limit stands for the disk's end: SQLite raises the same error
    rec = recorder(tmp_path / "a.rec", blocking=blocking, commit_s=NEVER_S, capacity=500, max_pages=40)
    for first in range(0, 3000, 100):
        fill(rec, range(first, first + 100))
        rec.flush()
    assert rec.failure is not None
    assert "a.rec: no longer recorded (database or disk is full); what came before is kept" in rec.failure
    kept, said = rec.committed, rec.failure
    rec.close("stopped: recording failed")
    assert rec.failure == said
    assert rec.committed == kept
    assert kept + rec.dropped == 3000
    again = open_recording(tmp_path / "a.rec")
    check_rows(again, range(kept))
    assert kept >= 100


FULL_DISK = """
import resource
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))  # the kernel lets no file grow further
rec = Recorder(sys.argv[1], HEADER, LAYOUT, blocking=True, capacity=50)
fill(rec, range(5000))
rec.close("stopped: recording failed")
print(rec.committed, rec.failure)
"""


def test_a_file_that_the_kernel_lets_grow_no_further_keeps_what_came_before(tmp_path):
    process = child(FULL_DISK, tmp_path / "a.rec")
    out, _ = process.communicate()
    kept, words = out.split(" ", 1)
    assert process.returncode == 0
    assert "no longer recorded (" in words
    assert "\n" not in words.strip()
    check_rows(open_recording(tmp_path / "a.rec"), range(int(kept)))
    assert int(kept) >= 50


def test_no_room_for_the_first_page_is_refused_and_leaves_nothing(tmp_path):
    script = (
        "import resource\nresource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))\n"
        "try: Recorder(sys.argv[1], HEADER, LAYOUT, blocking=True)\n"
        "except Exception as error: print(type(error).__name__, error)"
    )
    out, _ = child(script, tmp_path / "a.rec").communicate()
    assert out.startswith("UserError")
    assert "a.rec: cannot be written (" in out
    assert out.count("\n") == 1
    assert os.listdir(tmp_path) == []


def test_a_row_that_does_not_fit_surfaces_and_does_not_end_the_writer_unseen(tmp_path):
    rec = recorder(tmp_path / "a.rec", blocking=False, commit_s=NEVER_S)
    fill(rec, range(30))
    rec.flush()
    rec.row(30, (70000, *raw(30)[1:]), command(30), pose(30))
    rec.flush()
    assert rec.failure is not None
    assert "ticks 30 to 30 does not fit its column" in rec.failure
    rec.close("stopped: recording failed")
    check_rows(open_recording(tmp_path / "a.rec"), range(30))


def test_an_interrupt_in_the_middle_of_a_commit_loses_nothing(tmp_path, monkeypatch):
    rec = recorder(tmp_path / "a.rec", capacity=100)

    def interrupted(db, blocks):
        insert_blocks(db, blocks)
        raise KeyboardInterrupt

    fill(rec, range(30))
    rec.fault(1, 0.01, "kind", "detail")
    monkeypatch.setattr("robotcore.recording.writer.insert_blocks", interrupted)
    with pytest.raises(KeyboardInterrupt):
        rec.flush()
    monkeypatch.undo()
    fill(rec, range(30, 40))
    rec.close("stopped: interrupted")
    assert rec.failure is None
    again = open_recording(tmp_path / "a.rec")
    check_rows(again, range(40))
    assert len(again.faults) == 1


VICTIM = """
rec = Recorder(sys.argv[1], HEADER, LAYOUT, blocking=sys.argv[2] == "1", commit_s=0.002, capacity=300)
tick = 0
while True:
    rec.row(tick, raw(tick), command(tick), pose(tick))
    if tick % 100 == 0:
        rec.decision(tick, tick / 100, "line", "mark", {"n": tick}, "")
        print(rec.committed, rec.dropped, flush=True)
    tick += 1
"""


@pytest.mark.parametrize("blocking", [1, 0])
@pytest.mark.parametrize("lines", [12, 33, 57, 90])
def test_a_killed_run_opens_and_holds_every_commit(tmp_path, blocking, lines):
    process = child(VICTIM, tmp_path / "a.rec", blocking)
    committed = 0
    for _ in range(lines):
        committed = int(process.stdout.readline().split()[0])
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    before = {name: (tmp_path / name).read_bytes() for name in ("a.rec", "a.rec-wal")}
    again = open_recording(tmp_path / "a.rec")
    assert again.outcome is None
    assert len(again) >= committed
    check_rows(again, again.ticks)
    if blocking:
        assert again.ticks == list(range(len(again)))
    assert {name: (tmp_path / name).read_bytes() for name in before} == before  # reading changed nothing


def test_the_main_file_alone_is_a_recording_from_the_start(tmp_path):
    rec = recorder(tmp_path / "a.rec")
    (tmp_path / "copy.rec").write_bytes((tmp_path / "a.rec").read_bytes())
    again = open_recording(tmp_path / "copy.rec")
    assert (again.header, len(again), again.outcome) == (HEADER, 0, None)
    assert "copy.rec-wal" not in os.listdir(tmp_path)
    rec.close("finished")
