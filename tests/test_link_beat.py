"""A tick is a row of the brick: numbered by its clock, late, lost and restarted ones included; encoders that go on."""

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st
from link_bench import DRIVE_ON, STEP_S, Bench, bench_rig

from drivers.brick_pacer import Beat, BrickPacer
from drivers.link.session import AgentClock, HostSession, Row
from drivers.odometers import Odometers
from robotcore.layout import NEVER

PERIOD_S = 0.01
PERIOD_US = 10_000


def row(clock_us, at_s):
    return Row(b"", at_s, at_s, clock_us & 0xFFFFFFFF, 0, 1)


class Feed:
    """A backend for the pacer: rows come at their times (s, brick's us); waiting moves the clock."""

    def __init__(self, rows):
        self.now_s = 0.0
        self.rows = list(rows)
        self.held = None

    def wait_for_row(self, until_s):
        if self.held is None and self.rows and self.rows[0][0] <= max(until_s, self.now_s):
            newest = None
            self.now_s = max(self.now_s, self.rows[0][0])
            while self.rows and self.rows[0][0] <= self.now_s:
                newest = self.rows.pop(0)
            self.held = row(newest[1], newest[2] if len(newest) > 2 else newest[0])
        if self.held is None:
            self.now_s = max(self.now_s, until_s)
        return self.held

    def drop_row(self):
        self.held = None


def ticks(feed, count, work_s=0.001):
    """Return (tick, whether it has a row, late us) of the first `count` ticks."""
    pacer = BrickPacer(feed, lambda: feed.now_s, PERIOD_S)
    pacer.start()
    tick, seen = 0, []
    feed.held = None
    for step in range(count):
        feed.now_s += work_s(step) if callable(work_s) else work_s
        tick, late_us = pacer.next(tick)
        seen.append((tick, feed.held is not None, late_us))
        feed.held = None
    return seen, pacer


def test_each_row_in_time_is_the_next_tick():
    seen, pacer = ticks(Feed([(n * PERIOD_S, n * PERIOD_US) for n in range(50)]), 40)
    assert seen == [(n, True, 0) for n in range(1, 41)]
    assert (pacer.overruns, pacer.skipped, pacer.worst_late_us) == (0, 0, 0)


def test_clocks_that_drift_apart_lose_no_tick():
    """300 millionths over ten minutes are 18 periods: a second timer would have slid past as often."""
    rows = [(n * PERIOD_S * 1.0003, n * PERIOD_US) for n in range(60_000)]
    seen, pacer = ticks(Feed(rows), 59_000)
    assert [tick for tick, _, _ in seen] == list(range(1, 59_001))
    assert all(has for _, has, _ in seen)
    assert pacer.skipped == 0


def test_lost_row_is_a_tick_without_a_sample_and_the_next_is_in_step():
    rows = [(n * PERIOD_S, n * PERIOD_US) for n in range(20) if n != 5]
    seen, pacer = ticks(Feed(rows), 8)
    assert [(tick, has) for tick, has, _ in seen] == [(n, n != 5) for n in range(1, 9)]
    assert pacer.overruns == 0


def test_row_that_is_late_by_most_of_a_period_still_has_its_own_number():
    rows = [(n * PERIOD_S + (0.008 if n == 5 else 0.0), n * PERIOD_US + (8_000 if n == 5 else 0)) for n in range(20)]
    seen, _ = ticks(Feed(rows), 10, work_s=0.0005)
    assert [(tick, has) for tick, has, _ in seen] == [(n, True) for n in range(1, 11)]


def test_work_that_takes_too_long_skips_ticks_and_counts_them():
    rows = [(n * PERIOD_S, n * PERIOD_US) for n in range(30)]
    seen, pacer = ticks(Feed(rows), 6, work_s=lambda step: 0.035 if step == 2 else 0.001)
    assert [tick for tick, _, _ in seen] == [1, 2, 5, 6, 7, 8]
    assert seen[2][2] == pytest.approx(25_000, abs=2)  # due at 30 ms, asked for at 55
    assert (pacer.overruns, pacer.skipped) == (1, 2)


def test_silence_goes_on_by_the_hosts_clock():
    seen, _ = ticks(Feed([(0.0, 0)]), 100)
    assert [tick for tick, _, _ in seen] == list(range(1, 101))
    assert not any(has for _, has, _ in seen)


@given(st.integers(0, 2**32 - 1), st.lists(st.tuples(st.integers(1, 50), st.integers(0, 8_700)), max_size=40))
def test_beat_counts_whole_periods_across_the_wrap_of_the_clock(begin, steps):
    """Rows are made up to most of a period late; none is numbered wrong. Numbers against exact whole-number sums."""
    beat, periods = Beat(PERIOD_S), 0
    beat.anchor(0, begin)
    for ahead, late in steps:
        periods += ahead
        assert beat.tick((begin + periods * PERIOD_US + late) & 0xFFFFFFFF) == periods


def test_another_clock_is_told_from_the_same():
    clock = AgentClock(0.0)
    assert clock.fits(123, 5.0), "there is none to compare with yet"
    clock.due(4_294_960_000, 10.0)
    assert clock.fits((4_294_960_000 + 7_000_000) & 0xFFFFFFFF, 17.05)
    assert not clock.fits(20_000, 17.05)
    assert not clock.fits((4_294_960_000 + 7_000_000) & 0xFFFFFFFF, 27.05)


def test_encoders_count_on_over_a_restart_and_wrap_as_registers_do():
    rig = bench_rig()
    odometers, slot, grip = Odometers(rig), rig.layout.slots["drive"], rig.layout.slots["gripper"]

    def counts(left, right, gripper, age=0):
        raw = [0] * len(rig.layout.columns)
        raw[slot.age] = age
        raw[slot.start : slot.stop] = left, right
        raw[grip.start] = gripper
        return tuple(raw)

    def shown(raw):
        return (*raw[slot.start : slot.stop], raw[grip.start])

    before = counts(1000, -2000, 2**31 - 5)
    assert odometers.go_on(before) is before, "no change before a restart"
    odometers.restart(before)
    missing = odometers.go_on(counts(0, 0, 0, age=NEVER))
    assert shown(missing)[:2] == (0, 0), "no reading stays none"
    assert shown(odometers.go_on(counts(3, 4, 0))) == (1000, -2000, 2**31 - 5)
    assert shown(odometers.go_on(counts(13, 1, 10))) == (1010, -2003, -(2**31) + 5)
    odometers.restart(odometers.go_on(counts(13, 1, 0)))
    assert shown(odometers.go_on(counts(7, 7, 7))) == (1010, -2003, 2**31 - 5)


@pytest.mark.parametrize("restarted", [True, False])
def test_link_back_tells_a_restarted_brick_from_a_silent_one(restarted):
    bench = Bench()
    backend = bench.backend()
    backend.open()
    bench.drive(backend, 1.0)
    slot = bench.rig.layout.slots["drive"]
    stood = backend._row[slot.start]
    assert stood > 100
    bench.agent_alive = False
    bench.drive(backend, 1.0)
    bench.agent_alive = True
    if restarted:
        bench.restart_agent()
    bench.drive(backend, 0.5)
    told = [detail for kind, detail in backend.faults() if kind == "link-back"]
    assert len(told) == 1
    assert ("started anew" in told[0]) == restarted
    assert backend._row[slot.start] >= stood
    backend.close()


def test_numbers_are_given_once_whatever_threads_ask():
    session = HostSession([], 0, PERIOD_S, 0.2)
    numbers, threads = [], []

    def take():
        numbers.extend(next(session._numbers) for _ in range(2000))

    for _ in range(4):
        threads.append(threading.Thread(target=take))
        threads[-1].start()
    for thread in threads:
        thread.join()
    assert sorted(numbers) == list(range(1, 8001))


def test_the_loop_and_the_brick_stay_in_step_in_memory():
    """Act goes out in the step in which its row came: the brick has answered every row when it makes the next."""
    bench = Bench()
    backend = bench.backend()
    backend.open()
    backend.pacer.start()
    tick = 0
    for _ in range(200):
        raw = backend.sense(tick)
        assert raw is not None
        backend.act(DRIVE_ON)
        sent_s = bench.now_s
        tick, late_us = backend.pacer.next(tick)
        assert late_us == 0
        assert bench.now_s - sent_s == pytest.approx(PERIOD_S, abs=STEP_S)
    assert tick == 200
    assert bench.agent.accepted >= 200
    backend.close()


def test_ticks_of_a_silent_link_keep_to_the_hosts_clock():
    """Each waits for its row in vain, one period and no longer: none is skipped, and the count keeps up with time."""
    bench = Bench()
    backend = bench.backend()
    backend.open()
    backend.pacer.start()
    tick, began_s = 0, bench.now_s
    bench.agent_alive = False
    while tick < 200:
        backend.sense(tick)
        bench.run(STEP_S)  # the work of a tick
        tick, _ = backend.pacer.next(tick)
    assert (backend.pacer.skipped, backend.pacer.overruns) == (0, 0)
    assert bench.now_s - began_s == pytest.approx(201 * PERIOD_S, abs=2 * PERIOD_S)
    backend.close()
