"""The picture of a run: what it shows is what was recorded, nothing lies on anything else, same bytes each time."""

import itertools
import math
import re
import subprocess
import sys
import warnings

import made_up_run
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotcore.cli.main import main
from robotcore.cli.picture import scene_of
from robotcore.cli.recorded import robot_of
from robotcore.decode import Decoder
from robotcore.log import Decision, Fault
from robotcore.odometry import Pose
from robotcore.picture import event_list, labels, style
from robotcore.picture.traces import ENCODERS, TRUE, read_traces, thin
from robotcore.recording.reader import open_recording
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder

PNG_HEAD = b"\x89PNG\r\n\x1a\n"  # ISO/IEC 15948, 5.2


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Seven seconds on the quay, with a decision each 0.4 s."""
    return made_up_run.drive(tmp_path_factory.mktemp("runs") / "quay.rec", seconds=7.0, say_every=40)


@pytest.fixture(scope="module")
def traces(run):
    recording = open_recording(run)
    return read_traces(recording, *robot_of(recording), scene_of(recording).start)


def copy_of(recording, path, *, rows=None, facts=None, truth=True, backend=None, outcome="finished", decisions=()):
    """Write a recording anew with something changed."""
    header = Header(**{**recording.header._asdict(), "facts": recording.header.facts if facts is None else facts})
    if backend is not None:
        header = header._replace(backend=backend)
    recorder = Recorder(path, header, recording.layout, blocking=True)
    poses = recording.truth()
    for i, (tick, raw, command) in enumerate(rows if rows is not None else recording.rows()):
        recorder.row(tick, raw, command, poses[i] if truth else None)
    for decision in decisions:
        recorder.decision(*decision)
    if outcome is None:
        recorder.flush()
        recorder._db.close()
    else:
        recorder.close(outcome)
    return path


# labels


@given(st.lists(st.tuples(st.floats(0, 400), st.floats(0, 300), st.integers(1, 6)), max_size=40))
def test_words_on_the_map_never_lie_on_each_other_and_never_leave_it(spots):
    frame = labels.Box(200.0, 150.0, 400.0, 300.0)
    sizes = [labels.size_of("8" * length, 8.5) for _, _, length in spots]
    placed = labels.place([(x, y) for x, y, _ in spots], sizes, frame, np.empty((0, 2)))
    boxes = [box for box in placed if box is not None]
    assert len(placed) == len(spots)
    assert all(box.within(frame) for box in boxes)
    assert not any(one.overlaps(two) for one, two in itertools.combinations(boxes, 2))


def test_a_word_keeps_off_the_path_where_it_can():
    frame = labels.Box(200.0, 150.0, 400.0, 300.0)
    path = np.column_stack([np.linspace(0, 400, 400), np.full(400, 150.0)])
    (box,) = labels.place([(200.0, 150.0)], [(30.0, 12.0)], frame, path)
    assert abs(box.y - 150.0) > 6.0
    assert math.hypot(box.x - 200.0, box.y - 150.0) < 40.0


def test_a_word_without_room_is_left_out():
    full = labels.Box(50.0, 50.0, 100.0, 100.0)
    assert labels.place([(50.0, 50.0)], [(10.0, 10.0)], full, np.empty((0, 2)), [full]) == [None]


@given(st.lists(st.floats(0, 500), max_size=60))
def test_words_on_the_axis_of_time_never_touch_and_none_is_lost(times):
    spots = [labels.Spot(x, 0.0, (str(n),)) for n, x in enumerate(sorted(times), 1)]
    found = labels.along(spots, 8.5, 0.0, 500.0)
    ends = [(x - labels.size_of(text, 8.5)[0] / 2, x + labels.size_of(text, 8.5)[0] / 2) for x, text in found]
    assert all(one[1] <= two[0] + 1e-9 for one, two in itertools.pairwise(ends))
    assert all(low >= -1e-9 and high <= 500 + 1e-9 for low, high in ends)
    assert sum(counted(text) for _, text in found) == len(times)


def counted(text):
    """How many words a joined text stands for."""
    count = 0
    for word in text.split():
        first, dash, last = word.partition("-")
        count += int(word) if word.startswith("+") else int(last) - int(first) + 1 if dash else 1
    return count


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["1"], "1"),
        (["1", "2"], "1 2"),
        (["3", "4", "5", "F2", "7"], "3-5 F2 7"),
        (["10", "12", "14", "16", "18", "20"], "10 12 14 16 +2"),
    ],
)
def test_words_are_joined_to_a_short_text(words, text):
    assert labels.joined(words) == text


def test_spots_at_one_place_are_gathered():
    spots = [labels.Spot(0, 0, ("1",)), labels.Spot(50, 0, ("2",)), labels.Spot(3, 4, ("3",))]
    assert labels.gather(spots, 9.0) == [labels.Spot(0, 0, ("1", "3")), labels.Spot(50, 0, ("2",))]


# the list


def decision(n):
    return Decision(n, n * 0.01, "b", "glance", {"share": 1 / 3, "side": "left"}, "x.py:1")


def test_the_list_is_in_order_of_time_and_counts_what_it_leaves_out():
    faults = [Fault(n, n * 0.01 + 0.005, "late", "", "") for n in range(100)]
    found = event_list.entries([decision(n) for n in range(500)], faults, 66)
    assert len(found) == 600
    assert [entry.mark.time_s for entry in found] == sorted(entry.mark.time_s for entry in found)
    listed = [entry.mark.word for entry in found if entry.text]
    assert len(listed) == 110 + 40 + 30 + 10
    assert {"1", "110", "461", "500", "F1", "F30", "F91", "F100"} <= set(listed)
    assert not {"111", "460", "F31", "F90"} & set(listed)


def test_a_line_of_the_list_is_short_and_printable():
    nasty = decision(1)._replace(name="a\x1b[31m\n" + "m" * 200)
    (entry,) = event_list.entries([nasty], [], 66)
    assert entry.text.isprintable()
    assert len(entry.text) == 66
    assert "share=0.333 side=left" in event_list.entries([decision(1)], [], 66)[0].text


# traces


def test_readings_are_those_that_the_behaviours_saw(run, traces):
    recording = open_recording(run)
    decode = Decoder(*robot_of(recording))
    samples = [decode(tick, raw) for tick, raw, _ in recording.rows()]
    assert np.array_equal(traces.readings["floor_left"]["contrast"], [s.floor_left.contrast for s in samples])
    assert np.array_equal(traces.readings["drive"]["left_m_s"], [s.drive.left_m_s for s in samples])
    assert np.array_equal(traces.commands, recording.commands)
    assert traces.time_s[-1] == pytest.approx(samples[-1].time_s)


def test_the_path_is_the_true_pose_where_it_was_recorded(run, traces):
    assert traces.pose_source == TRUE
    assert np.array_equal(traces.poses.astype(np.float32), np.array(open_recording(run).truth(), dtype=np.float32))


def test_else_the_path_is_by_the_encoders_from_the_courses_start(run, traces, tmp_path):
    recording = open_recording(copy_of(open_recording(run), tmp_path / "blind.rec", truth=False))
    start = scene_of(recording).start
    found = read_traces(recording, *robot_of(recording), start)
    assert found.pose_source == ENCODERS
    assert found.poses[0] == pytest.approx([start.x_m, start.y_m, start.heading_rad])
    # As long as the true path, but for slip (2 % is generous on the flat; common practice, no source).
    assert way(found.poses) == pytest.approx(way(traces.poses), rel=0.02)


def way(poses):
    return float(np.hypot(*np.diff(poses[:, :2], axis=0).T).sum())


def test_odometry_of_one_sided_rolling_is_a_circle(run, tmp_path):
    """Closed form: one side rests and the other rolls, so the axle's middle goes round the resting side."""
    recording = open_recording(run)
    rig, calibration = robot_of(recording)
    slot, still = rig.layout.slots["drive"], next(recording.rows())
    rows = []
    for tick in range(400):
        raw = list(still[1])
        raw[slot.start], raw[slot.start + 1] = 0, tick
        rows.append((tick, tuple(raw), still[2]))
    path = copy_of(recording, tmp_path / "circle.rec", rows=rows, truth=False)
    found = read_traces(open_recording(path), rig, calibration, Pose(1.0, 2.0, 0.0))
    half = rig.body.track_width_m / 2
    assert np.hypot(found.poses[:, 0] - 1.0, found.poses[:, 1] - 2.0 - half) == pytest.approx(half)
    turned = 399 * rig.role("drive").device.rad_per_count * rig.body.wheel_radius_m / rig.body.track_width_m
    assert found.poses[-1, 2] == pytest.approx(turned)


def test_stretches_that_are_not_valid_are_found_with_their_length(traces):
    status = np.zeros(len(traces.time_s))
    status[0:3], status[10:11], status[20:22], status[-1] = 1, 2, 4, 3
    fields = {**traces.readings["side_range"], "status": status, "distance_m": np.ones(len(status))}
    found = traces._replace(readings={**traces.readings, "side_range": fields})
    bad, beyond = found.spans("side_range", beyond=False), found.spans("side_range", beyond=True)
    assert [span[0] for span in bad] == pytest.approx([0.0, 0.1, traces.time_s[-1]])
    assert [span[1] for span in bad] == pytest.approx([0.03, 0.01, 0.01])
    assert beyond[0] == pytest.approx((0.2, 0.02))
    shown = found.shown("side_range", "distance_m")
    assert np.flatnonzero(np.isnan(shown)).tolist() == [0, 1, 2, 20, 21]  # stale and saturated were measured


def test_shares_add_up_to_one_and_are_not_told_in_the_dark(traces):
    total = sum(traces.share("floor_left", channel) for channel in ("red", "green", "blue"))
    assert total[np.isfinite(total)] == pytest.approx(1.0)
    dark = {**traces.readings["floor_left"], **{c: np.full(len(total), 0.02) for c in ("red", "green", "blue")}}
    found = traces._replace(readings={**traces.readings, "floor_left": dark})
    assert np.all(np.isnan(found.share("floor_left", "green")))


@given(st.integers(0, 2**32 - 1), st.integers(2, 60))
def test_a_thinned_line_keeps_its_extremes_its_ends_and_its_gaps(seed, most):
    draw = np.random.default_rng(seed)
    values = draw.normal(size=500)
    values[draw.integers(0, 500, 3)] = np.nan
    times = np.arange(500) / 100
    kept_times, kept = thin(times, values, most)
    assert np.nanmax(kept) == np.nanmax(values)
    assert np.nanmin(kept) == np.nanmin(values)
    assert (kept_times[0], kept_times[-1]) == (times[0], times[-1])
    assert np.isnan(kept).sum() >= 1
    assert len(kept) <= most + 14
    assert set(zip(kept_times, np.nan_to_num(kept), strict=True)) <= set(zip(times, np.nan_to_num(values), strict=True))


# the sheet


def sheet_of(path, from_s=None, to_s=None):
    from robotcore.picture.sheet import Window, gather

    recording = open_recording(path)
    return gather(recording, *robot_of(recording), scene_of(recording), Window(from_s, to_s))


def test_no_two_texts_of_the_sheet_overlap_and_none_leaves_it(run, monkeypatch):
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    from robotcore.picture.sheet import lay_out

    drawn, draw = [], Text.draw
    monkeypatch.setattr(Text, "draw", lambda self, *a, **k: (drawn.append(self), draw(self, *a, **k))[1])
    with mpl.rc_context():
        figure = lay_out(sheet_of(run))
        FigureCanvasAgg(figure).draw()
    width, height = figure.get_size_inches() * figure.dpi
    texts = [text for text in drawn if text.get_visible() and text.get_text().strip()]
    boxes = [(text.get_text(), text.get_window_extent()) for text in texts]
    assert width == 1600
    assert len(boxes) > 80
    for text, box in boxes:
        assert min(box.x0, width - box.x1, box.y0, height - box.y1) >= 0, text
    for (one, a), (two, b) in itertools.combinations(boxes, 2):
        shared = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        assert min(shared) < 0.5, (one, two)


def test_the_verb_writes_a_png_once_and_again_only_when_told(run, tmp_path, capsys):
    out = tmp_path / "sheet.png"
    assert main(["picture", str(run), "--out", str(out)]) == 0
    assert capsys.readouterr().out == f"{out}\n"
    data = out.read_bytes()
    assert data[:8] == PNG_HEAD
    assert int.from_bytes(data[16:20]) == 1600  # width in IHDR, ISO/IEC 15948, 11.2.2
    assert main(["picture", str(run), "--out", str(out)]) == 2
    assert "--force" in capsys.readouterr().err
    assert main(["picture", str(run), "--out", str(out), "--force"]) == 0
    assert out.read_bytes() == data
    assert [path.name for path in tmp_path.iterdir()] == ["sheet.png"]


def test_an_svg_is_the_same_in_another_process_and_tells_mission_rig_backend_and_outcome(run, tmp_path):
    one, two = tmp_path / "one.svg", tmp_path / "two.svg"
    assert main(["picture", str(run), "--out", str(one), "--from", "1", "--to", "3"]) == 0
    words = ["picture", str(run), "--out", str(two), "--from", "1", "--to", "3"]
    subprocess.run([sys.executable, "-m", "robotcore", *words], check=True, env={"PYTHONHASHSEED": "77"})
    assert one.read_bytes() == two.read_bytes()
    texts = re.findall("<!-- (.*?) -->", one.read_text())
    assert "wander · harbour · fake:quay?seed=3&amp;perturb=0" in texts or (
        "wander · harbour · fake:quay?seed=3&perturb=0" in texts
    )
    assert any("time limit after 7.0" in text and "shown: 1.00 to 3.00 s" in text for text in texts)
    assert any("path driven (true pose)" in text for text in texts)
    assert not any("F1" in text for text in texts)  # the only fault is at 0.5 s


def test_a_run_without_course_truth_or_end_is_drawn_and_says_so(run, tmp_path, capsys):
    bare = copy_of(
        open_recording(run), tmp_path / "bare.rec", truth=False, backend="serial:/dev/ttyACM0", outcome=None,
        decisions=[decision(5)],
    )  # fmt: skip
    out = tmp_path / "bare.svg"
    assert main(["picture", str(bare), "--out", str(out)]) == 0
    texts = re.findall("<!-- (.*?) -->", out.read_text())
    assert any("by the track encoders" in text for text in texts)
    assert any(text.startswith("Course unknown") for text in texts)
    assert any(text.startswith("cut off") for text in texts)


def test_a_course_that_today_cannot_read_costs_the_course_only(run, tmp_path, capsys):
    recording = open_recording(run)
    path = copy_of(recording, tmp_path / "odd.rec", facts={**recording.header.facts, "course_toml": "[course"})
    assert scene_of(open_recording(path)) is None
    assert "drawn without its course" in capsys.readouterr().err


def test_a_replay_shows_the_course_of_the_run_that_it_replays(run, tmp_path):
    path = copy_of(open_recording(run), tmp_path / "again.rec", backend=f"replay:{run}")
    assert len(scene_of(open_recording(path)).figures) == len(scene_of(open_recording(run)).figures) > 5


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--out", "x.gif"], "end its name in .png or .svg"),
        (["--from", "soon"], "not a number of seconds"),
        (["--from", "-1"], "not a number of seconds"),
        (["--from", "100"], "reaches from 0.00 to"),
        (["--out", "nowhere/x.png"], "its folder does not exist"),
    ],
)
def test_bad_words_are_one_line_and_exit_with_2(run, tmp_path, monkeypatch, capsys, words, says):
    monkeypatch.chdir(tmp_path)
    assert main(["picture", str(run), *words]) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_a_recording_without_a_tick_is_refused(run, tmp_path, capsys):
    path = copy_of(open_recording(run), tmp_path / "empty.rec", rows=[])
    assert main(["picture", str(path)]) == 2
    assert "holds no tick" in capsys.readouterr().err


def test_without_the_plotting_library_the_remedy_is_named(run, tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    monkeypatch.delitem(sys.modules, "robotcore.picture.sheet", raising=False)
    assert main(["picture", str(run), "--out", str(tmp_path / "x.png")]) == 2
    assert capsys.readouterr().err == "picture: needs matplotlib; pip install 'robotcore[laptop]'\n"


def test_lines_of_one_strip_differ_for_the_colour_blind_too():
    """Machado, Oliveira and Fernandes 2009, full severity, by colour-science; CIEDE2000 above 10 is plainly another.

    The matrices are the package's; that 10 is plainly another colour is common practice, no source.
    """
    colour = pytest.importorskip("colour")
    black = style.BLACK
    together = [(style.LEFT, style.RIGHT), (black, style.LEFT), (black, style.RIGHT), (black, style.GREEN)]
    for kind in ("Protanomaly", "Deuteranomaly", "Tritanomaly"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # for tritanomaly the package says that its matrices are approximate
            matrix = colour.matrix_cvd_Machado2009(kind, 1.0)
        for one, two in together:
            labs = [seen(colour, matrix, value) for value in (one, two)]
            assert colour.delta_E(*labs, method="CIE 2000") > 10, (kind, one, two)


def seen(colour, matrix, text):
    linear = colour.cctf_decoding(np.array([int(text[i : i + 2], 16) / 255 for i in (1, 3, 5)]), "sRGB")
    return colour.XYZ_to_Lab(colour.RGB_to_XYZ(np.clip(matrix @ linear, 0, 1), "sRGB"))
