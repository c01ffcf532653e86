"""Controllers and filters against control theory's own libraries and closed forms.

Outside sources, named beside each check: the `control` package, `scipy.signal`, `simple-pid`, textbook responses of
first- and second-order systems. R: computed with the named package before this code was written; M: the source is
cited from memory. Anti-windup has no outside number: properties only.
"""

import math
from itertools import pairwise

import control as ct
import numpy as np
import pytest
import simple_pid
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import cont2discrete

from robotcore.control import Debounce, LowPass, Median, Pid, PidSettings, SlewLimit, Vote

BAD = [math.nan, math.inf, -math.inf]
BAD_DT = [*BAD, 0.0, -0.01]
errors = st.floats(-100.0, 100.0)
periods = st.floats(1e-4, 1.0)
gains = st.floats(0.0, 10.0)


class FirstOrder:
    """The plant K / (τ s + 1) behind a zero-order hold, stepped exactly."""

    def __init__(self, gain, tau, h):
        self.pole = math.exp(-h / tau)
        self.gain = gain * (1.0 - self.pole)
        self.y = 0.0

    def step(self, u):
        self.y = self.pole * self.y + self.gain * u
        return self.y


def at_rest(**settings):
    """Return a controller that has seen an error of 0 until now, as transfer functions assume."""
    pid = Pid(PidSettings(**settings))
    pid.reset(0.0, 0.0)
    return pid


def closed_step(pid, plant, h, count, goal=1.0):
    """Return the plant's outputs at 0, h, 2h, ..., before each control action."""
    outputs = []
    for _ in range(count):
        outputs.append(plant.y)
        plant.step(pid.update(goal - plant.y, h))
    return outputs


# --- PID: the formulas --------------------------------------------------------------------------------------------


def test_pi_and_first_order_loop_agree_with_control():
    # Source: control.step_response of the discrete loop (R). K = 2, τ = .15, h = .02; tolerance 1e-9.
    kp, ki, h = 0.8, 4.0, 0.02
    pole = math.exp(-h / 0.15)
    plant = ct.tf([2.0 * (1.0 - pole)], [1.0, -pole], h)
    controller = ct.tf([kp + ki * h, -kp], [1.0, -1.0], h)
    times = np.arange(200) * h
    _, expected = ct.step_response(ct.feedback(controller * plant), times)
    ours = closed_step(at_rest(kp=kp, ki=ki), FirstOrder(2.0, 0.15, h), h, 200)
    assert np.max(np.abs(ours - expected)) < 1e-9


def test_pid_with_filtered_derivative_agrees_with_control():
    # Source: as above; D(z) = kd (z - 1) / ((Tf + h) z - Tf) by backward Euler.
    kp, ki, kd, lag, h = 0.8, 4.0, 0.03, 0.01, 0.02
    pole = math.exp(-h / 0.15)
    plant = ct.tf([2.0 * (1.0 - pole)], [1.0, -pole], h)
    controller = ct.tf([kp + ki * h, -kp], [1.0, -1.0], h) + ct.tf([kd, -kd], [lag + h, -lag], h)
    times = np.arange(200) * h
    _, expected = ct.step_response(ct.feedback(controller * plant), times)
    pid = at_rest(kp=kp, ki=ki, kd=kd, filter_s=lag)
    ours = closed_step(pid, FirstOrder(2.0, 0.15, h), h, 200)
    assert np.max(np.abs(ours - expected)) < 1e-9


def test_derivative_filter_has_the_textbook_coefficients():
    # Source: Åström and Hägglund, a = Td/(Td + N h), b = Kp Td N/(Td + N h) (M), numbers by scipy (R):
    # Kp = 3, Td = .1, N = 8, h = .02 give .384615 and 9.230769.
    kp, td, n, h = 3.0, 0.1, 8.0, 0.02
    pid = at_rest(kp=0.0, kd=kp * td, filter_s=td / n)
    first, second = pid.update(1.0, h), pid.update(1.0, h)
    assert first == pytest.approx(9.230769, abs=1e-6)
    assert second / first == pytest.approx(0.384615, abs=1e-6)


def test_derivative_filter_agrees_with_scipy():
    # Source: scipy.signal.cont2discrete of kd s / (Tf s + 1), method "backward_diff" (R).
    kd, lag, h = 0.3, 0.0125, 0.02
    (numerator,), denominator, _ = cont2discrete(([kd, 0.0], [lag, 1.0]), h, method="backward_diff")
    pid = at_rest(kp=0.0, kd=kd, filter_s=lag)
    first, second = pid.update(1.0, h), pid.update(1.0, h)
    assert first == pytest.approx(numerator[0], rel=1e-12, abs=0)
    assert second / first == pytest.approx(-denominator[1], rel=1e-12, abs=0)


@pytest.mark.parametrize("lag", [0.0, 1e-4, 0.01, 1.0])
def test_derivative_filter_never_rings(lag):
    # The Tustin form rings where the filter is quick against the period (scipy, R: pole -.78 at Td = .01, N = 8,
    # h = .02); backward Euler must not.
    pid = at_rest(kp=0.0, kd=1.0, filter_s=lag)
    out = [pid.update(1.0, 0.02) for _ in range(20)]
    assert all(a >= b >= 0.0 for a, b in pairwise(out))


def test_agrees_with_simple_pid_at_its_limits():
    # Source: simple-pid 2, explicit dt, limits (R); tolerance 1e-12. It clamps the integral to the limits instead of
    # tracking, so the errors here saturate the output while the integral stays inside.
    theirs = simple_pid.PID(
        2.0, 0.5, 0.05, setpoint=0.0, sample_time=None, output_limits=(-1.0, 1.0), differential_on_measurement=False
    )
    ours = Pid(PidSettings(kp=2.0, ki=0.5, kd=0.05, low=-1.0, high=1.0, tracking_s=math.inf))
    outputs = []
    for i in range(100):
        error = 0.7 * math.sin(0.21 * i) + 0.3 * math.cos(0.05 * i)
        outputs.append(ours.update(error, 0.02))
        assert outputs[-1] == pytest.approx(theirs(-error, dt=0.02), abs=1e-12)
    assert max(outputs) == 1.0
    assert min(outputs) == -1.0
    assert any(abs(out) < 0.9 for out in outputs)


@given(gains, gains, gains, st.lists(st.tuples(errors, periods), min_size=1, max_size=20))
def test_without_limits_it_is_the_three_terms(kp, ki, kd, calls):
    # Source: the definition, with sum and difference in place of integral and derivative.
    pid = Pid(PidSettings(kp=kp, ki=ki, kd=kd))
    before, area = calls[0][0], 0.0
    for error, dt in calls:
        area += error * dt
        expected = kp * error + ki * area + kd * (error - before) / dt
        assert pid.update(error, dt) == pytest.approx(expected, rel=1e-9, abs=1e-6)
        before = error


# --- PID: the loop in continuous time -----------------------------------------------------------------------------


def test_error_against_the_continuous_loop_is_first_order_in_the_period():
    # Source: control.step_response of the continuous loop (R): the error halves with the period.
    kp, ki, worst = 0.8, 4.0, []
    loop = ct.feedback(ct.tf([kp, ki], [1.0, 0.0]) * ct.tf([2.0], [0.15, 1.0]))
    for h in (0.02, 0.01, 0.005):
        count = round(1.0 / h)
        _, expected = ct.step_response(loop, np.arange(count) * h)
        ours = closed_step(at_rest(kp=kp, ki=ki), FirstOrder(2.0, 0.15, h), h, count)
        worst.append(np.max(np.abs(ours - expected)))
    assert worst[0] / worst[1] == pytest.approx(2.0, abs=0.3)
    assert worst[1] / worst[2] == pytest.approx(2.0, abs=0.2)
    assert worst[2] < 0.03


class LaggedIntegrator:
    """The plant 1 / (s (s + 1)) behind a zero-order hold, stepped with scipy's exact matrices."""

    def __init__(self, h):
        a, b, _, _, _ = cont2discrete(
            (np.array([[0.0, 1.0], [0.0, -1.0]]), np.array([[0.0], [1.0]]), np.eye(2), np.zeros((2, 1))), h
        )
        (_, self.xv), (_, self.vv) = a.tolist()
        (self.xu,), (self.vu,) = b.tolist()
        self.y = self.v = 0.0

    def step(self, u):
        self.y += self.xv * self.v + self.xu * u
        self.v = self.vv * self.v + self.vu * u


def test_second_order_loop_overshoots_as_the_textbook_says():
    # Source: exp(-π ζ/√(1 - ζ²)) = 16.303 % at ζ = .5 (textbook; control agrees, R). The loop 1/(s (s + 1)) with kp = 1
    # has ζ = .5; two periods, extrapolated to none.
    peaks = [max(closed_step(at_rest(kp=1.0), LaggedIntegrator(h), h, round(5 / h))) for h in (0.01, 0.005)]
    assert 2.0 * peaks[1] - peaks[0] - 1.0 == pytest.approx(0.16303, abs=1e-4)


# --- PID: limits, anti-windup, bumpless start ---------------------------------------------------------------------


def overshoot(tracking_s):
    """Return the overshoot of a saturated loop: an invented scenario."""
    pid = at_rest(kp=2.0, ki=4.0, low=-1.0, high=1.0, tracking_s=tracking_s)
    return max(closed_step(pid, FirstOrder(1.2, 0.8, 0.01), 0.01, 1500)) - 1.0


def test_quicker_tracking_overshoots_less():
    # Property only, no outside number: no anti-windup > Tt = Ti > Tt a fifth of Ti.
    never, slow, quick = overshoot(math.inf), overshoot(None), overshoot(0.1)
    assert never > 2.0 * slow
    assert slow > quick
    assert quick < 0.02


@given(errors, periods)
def test_tracking_at_once_leaves_the_integral_at_the_limit(error, dt):
    # Property: with Tt = 0 the unlimited output is never beyond the limit after a step.
    pid = Pid(PidSettings(kp=1.0, ki=2.0, low=-1.0, high=1.0, tracking_s=0.0))
    pid.update(error, dt)
    assert -1.0 - 1e-9 <= error + pid.integral <= 1.0 + 1e-9


@given(st.lists(st.tuples(errors, periods), max_size=30), st.floats(0.0, 5.0))
def test_output_stays_within_its_limits(calls, tracking_s):
    settings = PidSettings(kp=3.0, ki=5.0, kd=0.2, filter_s=0.01, low=-0.4, high=0.9, tracking_s=tracking_s)
    pid = Pid(settings)
    assert all(-0.4 <= pid.update(error, dt) <= 0.9 for error, dt in calls)


def test_saturation_without_integral_action_leaves_no_offset():
    pid = Pid(PidSettings(kp=1.0, kd=0.1, low=-1.0, high=1.0, tracking_s=0.1))
    for _ in range(50):
        pid.update(20.0, 0.01)
    pid.update(0.0, 0.01)
    assert pid.update(0.0, 0.01) == 0.0


def test_an_integral_wound_to_the_limit_leaves_it_when_the_error_turns():
    pid = Pid(PidSettings(kp=1.0, ki=1.0, low=-1.0, high=1.0, tracking_s=0.0))
    for _ in range(1000):
        pid.update(5.0, 0.01)
    assert pid.update(-0.1, 0.01) < 1.0


@given(errors, st.floats(-1.0, 1.0), periods)
def test_start_is_without_a_bump(error, output, dt):
    pid = Pid(PidSettings(kp=2.0, ki=0.0, kd=0.7, filter_s=0.01))
    pid.reset(output, error)
    assert pid.update(error, dt) == pytest.approx(output, abs=1e-9)


def test_reset_forgets():
    used, fresh = (Pid(PidSettings(kp=1.0, ki=2.0, kd=0.3, filter_s=0.02, high=2.0)) for _ in range(2))
    for error in (1.0, -0.3, 4.0):
        used.update(error, 0.01)
    used.reset()
    assert [used.update(e, 0.01) for e in (0.2, 0.5)] == [fresh.update(e, 0.01) for e in (0.2, 0.5)]


# --- bad input leaves no trace ------------------------------------------------------------------------------------


def makers():
    return {
        "pid": lambda: Pid(PidSettings(kp=1.0, ki=2.0, kd=0.3, filter_s=0.02, low=-3.0, high=3.0)),
        "p alone": lambda: Pid(PidSettings(kp=1.0)),
        "no gain": lambda: Pid(PidSettings(kp=0.0)),
        "low-pass": lambda: LowPass(0.1),
        "slew": lambda: SlewLimit(1.0, 2.0),
    }


@pytest.mark.parametrize("name", sorted(makers()))
@pytest.mark.parametrize(("value", "dt"), [(bad, 0.01) for bad in BAD] + [(0.5, bad) for bad in BAD_DT])
def test_bad_input_is_named_and_leaves_no_trace(name, value, dt):
    spoilt, twin = makers()[name](), makers()[name]()
    for good in (0.3, 0.4):
        assert spoilt.update(good, 0.01) == twin.update(good, 0.01)
    culprit = "dt is" if dt != 0.01 else "(error|value|target) is"
    with pytest.raises(ValueError, match=culprit):
        spoilt.update(value, dt)
    assert [spoilt.update(v, 0.01) for v in (0.5, -0.2)] == [twin.update(v, 0.01) for v in (0.5, -0.2)]


@pytest.mark.parametrize("high", [1.0, math.inf])
def test_finite_errors_that_overflow_leave_no_trace(high):
    pid = Pid(PidSettings(kp=10.0, ki=10.0, kd=10.0, low=-high, high=high))
    with pytest.raises(ValueError, match="a term overflows"):
        pid.update(1e308, 0.01)
    assert math.isfinite(pid.update(0.1, 0.01))
    assert math.isfinite(pid.integral)


def test_anti_windup_that_overflows_leaves_no_trace():
    pid = Pid(PidSettings(kp=1.0, ki=1.0, low=-1.7e308, high=-1e308, tracking_s=0.0))
    with pytest.raises(ValueError, match="a term overflows"):
        pid.update(1.5e308, 1e-3)
    assert pid.integral == 0.0


@pytest.mark.parametrize("bad", BAD)
def test_resets_and_starts_refuse_bad_numbers(bad):
    pid = Pid(PidSettings(kp=1.0))
    with pytest.raises(ValueError, match="output is"):
        pid.reset(bad)
    with pytest.raises(ValueError, match="error is"):
        pid.reset(0.0, bad)
    with pytest.raises(ValueError, match="value is"):
        LowPass(0.1, bad)
    with pytest.raises(ValueError, match="value is"):
        SlewLimit(1.0, start=bad)
    median = Median(3)
    with pytest.raises(ValueError, match="value is"):
        median.update(bad)
    assert median.update(2.0) == 2.0


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"kp": math.nan}, "kp is nan"),
        ({"kp": 1.0, "ki": math.inf}, "ki is inf"),
        ({"kp": 1.0, "filter_s": -0.1}, r"filter_s is -0\.1"),
        ({"kp": 1.0, "filter_s": math.inf}, "filter_s is inf"),
        ({"kp": 1.0, "tracking_s": math.nan}, "tracking_s is nan"),
        ({"kp": 1.0, "low": 1.0, "high": 1.0}, r"low is 1\.0 and high is 1\.0"),
        ({"kp": 1.0, "low": math.nan}, "low is nan"),
    ],
)
def test_impossible_settings_are_refused(settings, message):
    with pytest.raises(ValueError, match=message):
        PidSettings(**settings)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: LowPass(-1.0), "time_constant_s is"),
        (lambda: LowPass(math.nan), "time_constant_s is"),
        (lambda: SlewLimit(0.0), "rise_per_s is"),
        (lambda: SlewLimit(1.0, math.nan), "fall_per_s is"),
        (lambda: Median(4), "size is 4"),
        (lambda: Median(-1), "size is -1"),
        (lambda: Vote(0, 3), "needed is 0 of 3"),
        (lambda: Vote(4, 3), "needed is 4 of 3"),
        (lambda: Debounce(-0.1), "on_s is"),
        (lambda: Debounce(0.1, math.inf), "off_s is"),
        (lambda: Debounce(0.1).update(True, 0.0), "dt is"),
    ],
)
def test_impossible_filters_are_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()


# --- filters ------------------------------------------------------------------------------------------------------


def test_low_pass_has_the_pole_of_backward_euler():
    # Source: scipy.signal.cont2discrete (R). K = 2, τ = .15, h = .02: backward .882353; ZOH would be .875173.
    (_,), denominator, _ = cont2discrete(([2.0], [0.15, 1.0]), 0.02, method="backward_diff")
    low_pass = LowPass(0.15, start=1.0)
    assert low_pass.update(0.0, 0.02) == pytest.approx(-denominator[1], rel=1e-12, abs=0)
    assert low_pass.value == pytest.approx(0.882353, abs=1e-6)


@pytest.mark.parametrize(("time_s", "expected"), [(0.15, 0.63212), (0.05, 0.28347)])
def test_low_pass_rises_as_a_first_order_lag(time_s, expected):
    # Source: 1 - exp(-t/τ) (textbook; control agrees, R). Two periods, extrapolated to none.
    ends = []
    for h in (1e-3, 5e-4):
        low_pass = LowPass(0.15, start=0.0)
        ends.append([low_pass.update(1.0, h) for _ in range(round(time_s / h))][-1])
    assert 2.0 * ends[1] - ends[0] == pytest.approx(expected, abs=1e-5)


@given(st.floats(0.0, 10.0), st.lists(st.tuples(errors, periods), min_size=1, max_size=20))
def test_low_pass_stays_between_its_last_output_and_its_input(time_constant_s, calls):
    low_pass = LowPass(time_constant_s)
    last = calls[0][0]
    for value, dt in calls:
        result = low_pass.update(value, dt)
        assert min(last, value) - 1e-9 <= result <= max(last, value) + 1e-9
        last = result


def test_low_pass_passes_its_first_value_and_anything_at_no_time_constant():
    assert LowPass(5.0).value is None
    assert LowPass(5.0).update(0.7, 0.01) == 0.7
    quick = LowPass(0.0)
    assert [quick.update(v, 0.01) for v in (1.0, -2.0, 3.0)] == [1.0, -2.0, 3.0]


@given(st.floats(0.1, 10.0), st.floats(0.1, 10.0), st.lists(st.tuples(errors, periods), max_size=20))
def test_slew_goes_as_near_as_the_rates_allow(rise, fall, calls):
    slew, last = SlewLimit(rise, fall), 0.0
    for target, dt in calls:
        result = slew.update(target, dt)
        assert result == min(max(target, last - fall * dt), last + rise * dt)
        assert slew.value == result
        last = result


def test_slew_takes_the_time_it_should():
    slew = SlewLimit(2.0)
    assert [slew.update(1.0, 0.125) for _ in range(5)] == [0.25, 0.5, 0.75, 1.0, 1.0]
    slew.reset(-1.0)
    assert slew.update(-5.0, 0.5) == -2.0


@given(st.sampled_from([1, 3, 5, 7]), st.lists(errors, min_size=1, max_size=30))
def test_median_agrees_with_the_standard_library(size, values):
    # Source: statistics.median_low of the window.
    from statistics import median_low

    median = Median(size)
    for i, value in enumerate(values):
        assert median.update(value) == median_low(values[max(0, i + 1 - size) : i + 1])


def test_median_drops_a_spike_and_keeps_an_edge():
    median = Median(3)
    assert [median.update(v) for v in (1, 1, 9, 1, 1, 5, 5, 5)] == [1, 1, 1, 1, 1, 1, 5, 5]
    median.reset()
    assert median.update(7.0) == 7.0


@given(st.integers(1, 9), st.integers(0, 8), st.lists(st.booleans(), max_size=40))
def test_vote_counts_the_window(needed, extra, samples):
    vote = Vote(needed, needed + extra)
    for i, sample in enumerate(samples):
        recent = samples[max(0, i + 1 - needed - extra) : i + 1]
        assert vote.update(sample) is (sum(recent) >= needed)
        assert vote.count == sum(recent)
    vote.reset()
    assert vote.count == 0


def test_debounce_waits_from_the_first_changed_sample():
    debounce = Debounce(0.05, 0.02)
    on = [debounce.update(True, 0.01) for _ in range(8)]
    off = [debounce.update(False, 0.01) for _ in range(4)]
    assert on == [False] * 5 + [True] * 3
    assert off == [True] * 2 + [False] * 2


@pytest.mark.parametrize(("hold_s", "ticks"), [(0.1, 10), (0.3, 30), (1.0, 100)])
def test_debounce_does_not_wait_a_tick_more_for_rounding(hold_s, ticks):
    debounce = Debounce(hold_s)
    assert [debounce.update(True, 0.01) for _ in range(ticks + 1)] == [False] * ticks + [True]


@given(st.integers(0, 5), st.lists(st.booleans(), max_size=60))
def test_debounce_agrees_with_looking_back(hold_ticks, samples):
    # Model: the state turns when the last hold + 1 samples all differ from it.
    debounce, state = Debounce(hold_ticks * 0.01), False
    for i, _ in enumerate(samples):
        recent = samples[max(0, i - hold_ticks) : i + 1]
        if len(recent) == hold_ticks + 1 and all(s is not state for s in recent):
            state = not state
        assert debounce.update(samples[i], 0.01) is state
        assert debounce.state is state


def test_debounce_with_no_hold_follows():
    debounce = Debounce(0.0, start=True)
    assert [debounce.update(s, 0.01) for s in (True, False, True)] == [True, False, True]
