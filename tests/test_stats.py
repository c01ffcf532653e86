"""Report statistics against scipy, numpy and published worked examples.

R: computed with the named package before this code was written; M: the source is cited from memory, its numbers were
recomputed.
"""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robotcore.stats import flawless_runs, mcnemar_exact, median, percentile, rms, wilson

counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
numbers = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


@pytest.mark.parametrize(
    ("successes", "runs", "low", "high"),
    [
        # Newcombe, Statistics in Medicine 17 (1998): M.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        # scipy binomtest (R).
        (10, 10, 0.7225, 1.0),
        (9, 10, 0.5958, 0.9821),
        (18, 20, 0.6990, 0.9721),
    ],
)
def test_wilson_gives_the_published_intervals(successes, runs, low, high):
    assert wilson(successes, runs) == pytest.approx((low, high), abs=1e-4)


@settings(max_examples=60)
@given(counts, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_wilson_agrees_with_scipy(count, confidence):
    # Source: scipy.stats.binomtest(...).proportion_ci(method="wilson") (R).
    from scipy.stats import binomtest

    k, n = count
    assert wilson(k, n, confidence) == pytest.approx(
        tuple(binomtest(k, n).proportion_ci(confidence, "wilson")), abs=1e-12
    )


@given(counts)
def test_wilson_holds_the_rate_and_mirrors_failures(count):
    k, n = count
    low, high = wilson(k, n)
    assert 0.0 <= low <= k / n <= high <= 1.0
    assert wilson(n - k, n) == pytest.approx((1.0 - high, 1.0 - low), abs=1e-12)


def test_no_success_and_no_failure_reach_the_ends_exactly():
    assert all(wilson(0, n)[0] == 0.0 and wilson(n, n)[1] == 1.0 for n in range(1, 200))


@pytest.mark.parametrize("runs", [1, 10, 100])
def test_all_successes_prove_only_n_over_n_plus_z_squared(runs):
    # Source: Wilson's formula at k = n; z from the table of the normal distribution, 1.959964.
    assert wilson(runs, runs)[0] == pytest.approx(runs / (runs + 1.959964**2), abs=1e-6)


@pytest.mark.parametrize("least", [0.5, 0.9, 0.98])
def test_so_many_runs_without_a_failure_are_enough_and_one_fewer_is_not(least):
    runs = flawless_runs(least)
    assert wilson(runs - 1, runs - 1)[0] < least <= wilson(runs, runs)[0]


def test_no_number_of_runs_proves_certainty():
    with pytest.raises(ValueError, match="below 1"):
        flawless_runs(1.0)


@pytest.mark.parametrize(
    ("first", "second", "p", "tolerance"),
    [
        (0, 5, 0.0625, 0.0),  # 2 / 2⁵, closed form
        (0, 6, 0.03125, 0.0),  # 2 / 2⁶, closed form
        (1, 8, 0.0391, 5e-5),  # scipy binomtest (R)
        (2, 10, 0.0386, 5e-5),  # scipy binomtest (R)
        (150, 86, 3.716e-5, 5e-9),  # Agresti, approval ratings 794/150/86/570 (M)
    ],
)
def test_mcnemar_gives_the_known_values(first, second, p, tolerance):
    assert mcnemar_exact(first, second) == pytest.approx(p, abs=tolerance, rel=0)


@settings(max_examples=60)
@given(st.integers(0, 150), st.integers(0, 150))
def test_mcnemar_agrees_with_scipy(first, second):
    # Source: scipy.stats.binomtest at p = 1/2, two-sided (R).
    from scipy.stats import binomtest

    expected = binomtest(first, first + second).pvalue if first + second else 1.0
    assert mcnemar_exact(first, second) == pytest.approx(expected, rel=1e-9, abs=0)


@given(st.integers(0, 3000), st.integers(0, 3000))
def test_mcnemar_is_a_probability_and_symmetric(first, second):
    p = mcnemar_exact(first, second)
    assert 0.0 <= p <= 1.0
    assert p == mcnemar_exact(second, first)


@given(numbers, st.floats(0.0, 100.0))
def test_percentile_agrees_with_numpy(values, percent):
    # Source: numpy.percentile, default method (R).
    import numpy as np

    assert percentile(values, percent) == pytest.approx(float(np.percentile(values, percent)), rel=1e-9, abs=1e-6)


@given(numbers)
def test_median_agrees_with_the_standard_library(values):
    import statistics

    assert median(iter(values)) == pytest.approx(statistics.median(values), rel=1e-12, abs=1e-9)


@given(numbers)
def test_rms_agrees_with_exact_fractions(values):
    from fractions import Fraction

    square = sum(Fraction(v) ** 2 for v in values) / len(values)
    assert rms(values) == pytest.approx(math.sqrt(square), rel=1e-12, abs=1e-150)


def test_rms_of_a_sampled_sine_is_its_amplitude_over_root_two():
    # Source: textbook; exact over whole periods.
    assert rms([3.0 * math.sin(math.tau * i / 40) for i in range(80)]) == pytest.approx(3.0 / math.sqrt(2.0))


def test_rms_does_not_overflow():
    assert rms([1e200, -1e200]) == pytest.approx(1e200)


def test_percentile_ends_are_the_extremes():
    assert (percentile([3, 1, 2], 0), percentile([3, 1, 2], 100)) == (1, 3)


@pytest.mark.parametrize("function", [median, rms])
def test_no_data_and_bad_data_are_refused(function):
    with pytest.raises(ValueError, match="no values"):
        function([])
    with pytest.raises(ValueError, match="a value is nan"):
        function([1.0, math.nan])


@pytest.mark.parametrize(("successes", "runs"), [(0, 0), (-1, 5), (6, 5)])
def test_impossible_counts_are_refused(successes, runs):
    with pytest.raises(ValueError, match=f"successes are {successes} of {runs}"):
        wilson(successes, runs)


def test_other_arguments_out_of_range_are_refused():
    with pytest.raises(ValueError, match="confidence is 95"):
        wilson(5, 10, 95)
    with pytest.raises(ValueError, match="counts are -1 and 2"):
        mcnemar_exact(-1, 2)
    with pytest.raises(ValueError, match=r"percent is 100\.5"):
        percentile([1.0], 100.5)
