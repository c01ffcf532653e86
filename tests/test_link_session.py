"""Counting by sequence numbers, the clock offset, the handshake's table, and matching devices with the rig."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from link_bench import bench_rig

from drivers.link import messages as m
from drivers.link import session as s
from robotcore.layout import LONGEST_AGE, NEVER, Channel, Layout

RIG = bench_rig()
WANTED = s.wanted_devices(RIG)


def model(numbers):
    """Count by sets, on numbers that were never wrapped."""
    seen, accepted, late, repeated = {numbers[0]}, 1, 0, 0
    for number in numbers[1:]:
        if number > max(seen):
            accepted += 1
        elif number in seen:
            repeated += 1
        else:
            late += 1
        seen.add(number)
    return accepted, max(seen) - min(numbers[0], min(seen)) + 1 - len(seen), late, repeated


@given(st.integers(0, 200_000), st.lists(st.integers(-20, 25), max_size=60))
def test_counters_against_a_model(first, steps):
    numbers = [first]
    for step in steps:
        numbers.append(max(first, max(numbers) + step))  # jitter round the newest, as a reordering line gives it
    tally = s.Tally()
    for number in numbers:
        tally.note(number & 0xFFFF)
    accepted, lost, late, repeated = model(numbers)
    assert (tally.accepted, tally.lost, tally.late, tally.repeated) == (accepted, lost, late, repeated)


def test_numbers_wrap():
    tally = s.Tally()
    assert [tally.note(n) for n in (65534, 65535, 0, 2, 1, 2)] == ["new", "new", "new", "new", "late", "repeated"]
    assert (tally.lost, tally.late, tally.repeated) == (0, 1, 1)


def test_old_beyond_the_window_is_late():
    tally = s.Tally()
    tally.note(1000)
    assert tally.note(100) == "late"
    assert tally.note(1000 - s.WINDOW) == "late"
    assert tally.lost == 0


@given(st.integers(0, 2**32 - 1), st.floats(-1e-4, 1e-4), st.lists(st.floats(0, 0.008), min_size=300, max_size=300))
def test_clock_offset_follows_a_drifting_clock_over_its_wrap(start, drift, delays):
    """Sent times are right to the least delay lately, whatever the start, the drift (100 ppm) and the jitter."""
    clock = s.AgentClock(0.0)
    for number, delay in enumerate(delays):
        true_s = 100.0 + number * 0.01
        agent_us = (start + int(number * 10_000 * (1 + drift))) & 0xFFFFFFFF
        shown_s = clock.due(agent_us, true_s + delay)
        least_s = min(delays[max(0, number - 100) : number + 1])
        assert -1e-5 - 3e-4 <= shown_s - true_s <= least_s + 3.2e-4


def welcome(session, number=1, **other):
    usual = m.Welcome(version=m.VERSION, nonce=session._nonce, clock_us=0, devices=len(WANTED), name="brick")
    return m.encode(usual._replace(**other), number)


def entries(session, skip=(), **other):
    out = b""
    for number, device in enumerate(WANTED):
        if number not in skip:
            fields = {"name": device.port, "driver": device.driver, "channels": device.channels} | other
            out += m.encode(m.Entry(session._nonce, number, 100, **fields), number + 2)
    return out


def session():
    new = s.HostSession(WANTED, RIG.layout.row.size, 0.01, 0.2)
    new.greet(1.0)
    return new


def sense(number=20, clock=1000, row=None):
    return m.encode(m.Sense(clock, 0, 0, bytes(RIG.layout.row.size) if row is None else row), number)


@pytest.mark.parametrize("size", [1, 7, 10_000])
def test_handshake_whole_and_in_pieces(size):
    one = session()
    assert [r.message for r in m.Receiver().feed(one.take())] == [m.Hello(m.VERSION, 10_000, 200, one._nonce)]
    stream = welcome(one) + entries(one) + sense()
    states = []
    for at in range(0, len(stream), size):
        one.feed(stream[at : at + size], 1.01)
        states.append(one.state)
    assert one.state == s.RUNNING
    (start,) = (r.message for r in m.Receiver().feed(one.take()))
    assert start.order == bytes(range(len(WANTED)))
    assert start.digest == m.digest((w.port, w.channels) for w in WANTED)
    assert one.row is not None


def test_only_the_tables_transitions_happen():
    """Every message in every state: the state that follows is one that the table allows."""
    good = {
        "Welcome": welcome, "Entry": lambda x: m.encode(m.Entry(x._nonce, 0, 1, "a", "", "b"), 90),
        "Sense": lambda x: sense(91), "Status": lambda x: m.encode(m.Status(*[0] * 7), 92),
        "Fault": lambda x: m.encode(m.Fault(4, "greet first"), 93),
    }  # fmt: skip
    for state, allowed in s.TRANSITIONS.items():
        for name, make in good.items():
            one = session()
            one.state = state
            one.feed(make(one), 1.0)
            assert one.state in allowed.get(name, (state,)), (state, name)


def test_a_lost_entry_is_asked_for_again_and_the_others_are_kept():
    one = session()
    one.take()
    one.feed(welcome(one) + entries(one, skip=(1, 3)), 1.0)
    assert one.state == s.LISTING
    one.tick(1.1)
    assert one.take() == b""
    nonce = one._nonce
    one.tick(1.3)
    (hello,) = (r.message for r in m.Receiver().feed(one.take()))
    assert hello.nonce == nonce
    one.feed(entries(one, skip=(0, 2, 4)), 1.31)
    assert one.state == s.STARTING


def test_an_answer_to_an_older_greeting_is_ignored():
    one = session()
    old = welcome(one)
    one.greet(2.0)
    one.feed(old, 2.0)
    assert one.state == s.GREETING


def test_other_version_is_refused_with_the_remedy():
    one = session()
    one.feed(welcome(one, version=m.VERSION + 1), 1.0)
    assert one.state == s.REFUSED
    assert f"version {m.VERSION + 1}" in one.problems[0]
    assert "brick_agent.py" in one.problems[0]


def test_missing_and_unnamed_devices():
    has = [m.Entry(0, n, 100, w.port, w.driver, w.channels) for n, w in enumerate(WANTED)]
    extra = m.Entry(0, 9, 100, "spare-1", "x", "y:H:z")
    order, problems, spare = s.match_devices(WANTED, [has[0], *has[2:], extra])
    assert spare == ["spare-1"]
    assert order == [0, 2, 3, 4]
    assert problems == [
        "floor_right: the brick has no device at port 'colour-2' (it has: colour-1, tracks, gripper, cell, spare-1); "
        "plug it in, or mend the rig or the brick's device list"
    ]


def test_device_by_role_and_any_order():
    has = [m.Entry(0, n, 100, w.role, "", w.channels) for n, w in enumerate(reversed(WANTED))]
    assert s.match_devices(WANTED, has) == ([4, 3, 2, 1, 0], [], [])


@pytest.mark.parametrize(("change", "words"), [({"driver": "rgbc16"}, "rgbc16"), ({"channels": "red:B:x"}, "red:B:x")])
def test_another_driver_or_channels_is_a_problem(change, words):
    has = [m.Entry(0, n, 100, w.port, w.driver, w.channels) for n, w in enumerate(WANTED)]
    has[0] = has[0]._replace(**change)
    _, problems, _ = s.match_devices(WANTED, has)
    assert len(problems) == 1
    assert words in problems[0]


def test_old_and_repeated_rows_do_not_replace_new_ones():
    one = session()
    one.feed(welcome(one) + entries(one) + sense(20, 1000), 1.0)
    one.feed(sense(22, 3000), 1.02)
    one.feed(sense(21, 2000) + sense(22, 3000), 1.03)
    assert one.row.clock_us == 3000
    assert (one.tally.late, one.tally.repeated, one.rows_passed_over) == (1, 1, 1)


def test_row_of_wrong_length_is_refused():
    one = session()
    one.feed(welcome(one) + entries(one) + sense(row=b"\0\0"), 1.0)
    assert one.state == s.STARTING
    assert one.counts()["refused"] == 1


def test_silence_loses_the_link_and_greets_anew():
    one = session()
    one.feed(welcome(one) + entries(one) + sense(), 1.0)
    one.take()
    nonce = one._nonce
    one.tick(1.2)
    assert one.state == s.RUNNING
    one.tick(1.2001)
    assert one.state == s.GREETING
    assert one._nonce != nonce
    assert [kind for kind, _ in one.events()] == ["link-lost"]


def test_events_are_bounded_and_say_so():
    one = session()
    for number in range(500):
        one.note("brick-fault", str(number))
    events = one.events()
    assert len(events) == s.EVENTS_KEPT
    assert events[-1][0] == "link-events"
    assert "499" in events[-1][1]


AGED = Layout([("a", (Channel("x", "B", ""), Channel("y", "i", ""))), ("b", ()), ("c", (Channel("z", "H", ""),))])


def grown(row, add):
    return AGED.row.unpack(s.Ages(AGED).grown(AGED.row.pack(*row), add))


def test_ages_grow_and_what_is_not_there_stays_so():
    assert grown((5, 1, -2, NEVER, LONGEST_AGE - 3, NEVER), 10) == (15, 1, -2, NEVER, LONGEST_AGE, NEVER)


AGE = st.one_of(st.integers(0, NEVER), st.sampled_from([0x7FFF, 0x8000, LONGEST_AGE, NEVER]))


@given(
    AGE, AGE, AGE, st.integers(0, 255), st.integers(-(2**31), 2**31 - 1), st.integers(0, 0xFFFF), st.integers(1, 70_000)
)
def test_ages_grow_by_the_rule_said_one_by_one(a, b, c, x, y, z, add):
    """All columns at once, or one by one where an age is great: nothing runs over into a neighbour."""
    older = [age if age == NEVER else min(age + add, LONGEST_AGE) for age in (a, b, c)]
    assert grown((a, x, y, b, c, z), add) == (older[0], x, y, older[1], older[2], z)
