"""The backend that plays a recording."""

import pytest

from drivers.replay import Replay, build
from robotcore import kernel
from robotcore.backend import EndOfRun, parse_address
from robotcore.cli import plugins
from robotcore.command import AT_REST, HALT
from robotcore.errors import UserError
from robotcore.log import Log
from robotcore.recording.reader import open_recording
from robotcore.recording.writer import Recorder
from robotcore.rig import parse_rig
from tests import scripted
from tests.recording_kit import HEADER, check_rows, command, pose, raw, write

TICKS = [*range(3, 40), *range(50, 60)]


def player(tmp_path, ticks=TICKS, **options):
    replay = Replay(open_recording(write(tmp_path / "a.rec", ticks)), **options)
    replay.open()
    return replay


def scripted_file(path, ticks=range(50), period_s=0.01):
    recorder = Recorder(path, HEADER._replace(period_s=period_s), scripted.rig().layout, blocking=True)
    for tick in ticks:
        recorder.row(tick, scripted.row(counts=(tick, tick)), command(tick), None)
    recorder.close("finished")
    return path


def rig(change=("", "")):
    return parse_rig(scripted.RIG.replace(*change), "scripted.toml", plugins.device)


def test_every_tick_gives_what_was_sensed_and_skipped_ticks_nothing(tmp_path):
    replay = player(tmp_path)
    sensed = {tick: replay.sense(tick) for tick in range(60)}
    assert sensed == {tick: raw(tick) if tick in TICKS else None for tick in range(60)}
    with pytest.raises(EndOfRun, match="ends before tick 60"):
        replay.sense(60)
    with pytest.raises(EndOfRun):
        replay.sense(61)


def test_a_loop_that_skips_ticks_gets_the_ticks_it_asks_for(tmp_path):
    replay = player(tmp_path)
    asked = [0, 3, 9, 39, 45, 49, 58]
    assert [replay.sense(tick) for tick in asked] == [raw(tick) if tick in TICKS else None for tick in asked]
    with pytest.raises(EndOfRun):
        replay.sense(70)


def test_the_true_pose_is_that_of_the_tick_last_sensed(tmp_path):
    replay = player(tmp_path)
    assert replay.truth() is None
    for tick in range(60):
        replay.sense(tick)
        assert replay.truth() == (pose(tick) if tick in TICKS else None)
    without = Replay(open_recording(write(tmp_path / "b.rec", poses=None)))
    without.open()
    without.sense(0)
    assert without.truth() is None


def test_opening_again_starts_again_and_commands_change_nothing(tmp_path):
    replay = player(tmp_path)
    replay.sense(20)
    replay.act(AT_REST)
    replay.stop(HALT)
    replay.close()
    replay.close()
    with pytest.raises(EndOfRun):
        replay.sense(21)
    replay.open()
    assert replay.sense(3) == raw(3)
    assert replay.faults() == []
    check_rows(replay.recording, TICKS)


def test_an_empty_recording_ends_at_once(tmp_path):
    with pytest.raises(EndOfRun):
        player(tmp_path, []).sense(0)


def test_the_address_chooses_the_pace(tmp_path):
    path = scripted_file(tmp_path / "a.rec")
    free, real = (build(parse_address(f"replay:{path}{end}"), rig()) for end in ("", "?pace=real"))
    assert (free.paced, real.paced) == (False, True)
    assert free.facts == HEADER.facts


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("?pace=fast", "pace is 'fast'; known are free, real"),
        ("?pase=real", "option 'pase' is not known here; did you mean"),
    ],
)
def test_an_unknown_option_is_refused(tmp_path, options, words):
    with pytest.raises(UserError, match=words):
        build(parse_address(f"replay:{scripted_file(tmp_path / 'a.rec')}{options}"), rig())


def test_a_bad_recording_is_refused(tmp_path):
    with pytest.raises(UserError, match=r"no\.rec: cannot be read"):
        build(parse_address(f"replay:{tmp_path / 'no.rec'}"), rig())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("rgb10", "rgbc16"), "raw column 2 is floor_left.red"),
        (('role = "gripper"', 'role = "sorter"'), "raw column 12 is gripper.age"),
        ((scripted.RIG[scripted.RIG.rindex("[[device]]") :], ""), "has 15 raw columns, the rig 'scripted' has 13"),
        (("period_ms = 10", "period_ms = 20"), "was recorded at 10 ms a tick, the rig 'scripted' has 20 ms"),
    ],
)
def test_another_rig_is_refused_by_the_first_difference(tmp_path, change, words):
    path = scripted_file(tmp_path / "a.rec")
    with pytest.raises(UserError) as caught:
        build(parse_address(f"replay:{path}"), rig(change))
    assert words in str(caught.value)
    assert str(caught.value).endswith("; replay it with the rig 'harbour' that it holds")


async def wiggle(robot):
    """Commands that depend on every reading so far, with digits to the last bit."""
    total = 0.0
    while True:
        sample = await kernel.tick()
        total += sample.floor_left.red / 3 + sample.drive.travel_m
        robot.drive(0.1 + total / 1e3, 0.1 - total / 7e3)


def commands_of(backend, ticks):
    brain, got = scripted.brain(wiggle, Log()), []
    backend.open()
    for now in ticks:
        counts = backend.sense(now)
        if counts is not None:
            got.append((now, counts, brain.step(now, counts)))
    return got


def test_the_same_behaviours_on_a_recording_command_the_same_bits(tmp_path):
    rows = [
        scripted.row(left=(100 + 7 * t % 600, 300, 500), counts=(3 * t, 5 * t)) if t % 9 else None for t in range(200)
    ]
    live = commands_of(scripted.ScriptedBackend(rows), range(200))
    recorder = Recorder(tmp_path / "a.rec", HEADER, scripted.rig().layout, blocking=True)
    for at, counts, commanded in live:
        recorder.row(at, counts, commanded, None)
    recorder.close("finished")
    replayed = commands_of(build(parse_address(f"replay:{tmp_path / 'a.rec'}"), rig()), range(200))
    assert repr(replayed) == repr(live)
    assert repr(list(open_recording(tmp_path / "a.rec").rows())) == repr([(t, c, tuple(m)) for t, c, m in live])
    assert len(live) == 177
