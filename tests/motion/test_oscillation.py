"""Oscillating threads: periods, amplitudes, damping, and silence where nothing swings."""

import tracemalloc

import numpy as np
import pytest

from tests.motion.diagrams import as_diagram, fit_oscillation, restless, swinging


@pytest.mark.parametrize(
    ("amplitude", "period", "damping"),
    [
        (2.0, 1700.0, np.inf),
        (3.0, 1200.0, 2500.0),
        (2.0, 300.0, np.inf),
        (5.0, 1500.0, np.inf),
    ],
)
def test_period_within_three_per_cent(amplitude, period, damping):
    # TRUTH  amplitude 2 px or more over two periods or more (60 min): period within 3 %, in every one of 4
    # diagrams
    for seed in range(4):
        found = fit_oscillation(
            swinging(np.random.default_rng(seed), amplitude_px=amplitude, period_s=period, damping_s=damping),
            2,
        )
        assert found is not None
        assert found.slit == 2
        assert found.period_s == pytest.approx(period, rel=0.03)
        assert found.false_alarm < 1e-4
        assert found.amplitude_mm == pytest.approx(
            amplitude * 0.73, abs=4 * found.amplitude_err_mm + 0.03 * amplitude
        )
        assert found.curve_mm.shape == found.displacement_mm.shape == found.time_s.shape
        assert found.power_period_s[np.argmax(found.power)] == pytest.approx(period, rel=0.15)


@pytest.mark.long
def test_errors_are_honest():
    # TRUTH  24 diagrams: the stated period error covers 45 to 92 % (68.3 % +- 2.4 sigma of a binomial), every
    # period is within 3 %, and no damping is stated where there is none
    fits = [
        fit_oscillation(swinging(np.random.default_rng(100 + s), amplitude_px=2.0, period_s=900.0))
        for s in range(24)
    ]
    covered = [abs(fit.period_s - 900) < fit.period_err_s for fit in fits]
    assert 0.45 <= np.mean(covered) <= 0.92
    assert [fit.period_s for fit in fits] == pytest.approx([900.0] * 24, rel=0.03)
    assert np.mean([np.isinf(fit.damping_s) for fit in fits]) >= 0.8


def test_damping_time():
    # TRUTH  damping time 2400 s, amplitude 4 px: median of 10 within 15 %
    fits = [
        fit_oscillation(
            swinging(np.random.default_rng(s), amplitude_px=4.0, period_s=800.0, damping_s=2400.0)
        )
        for s in range(10)
    ]
    assert np.median([fit.damping_s for fit in fits]) == pytest.approx(2400.0, rel=0.15)


def test_still_threads_do_not_oscillate():
    # TRUTH  15 threads shaken by the air only (white noise): none swings
    found = [
        fit_oscillation(swinging(np.random.default_rng(200 + s), amplitude_px=0.0, period_s=900.0))
        for s in range(15)
    ]
    assert sum(one is not None for one in found) == 0


def test_red_noise_is_no_oscillation():
    # TRUTH  30 threads that wander without a period, with a memory of 5, 10 and 30 strips: none swings
    found = [
        fit_oscillation(restless(np.random.default_rng(s), memory=(0.8, 0.9, 0.97)[s % 3])) for s in range(30)
    ]
    assert sum(one is not None for one in found) == 0


def test_two_threads_the_swinging_one_is_told():
    # TRUTH  the standing threads at 20 and 62 px must not hide the one at 40 px
    found = fit_oscillation(swinging(np.random.default_rng(1), amplitude_px=3.0, period_s=1000.0))
    assert found.period_s == pytest.approx(1000.0, rel=0.03)


@pytest.mark.parametrize(
    "value", [np.zeros((60, 80)), np.full((60, 80), np.nan), np.zeros((5, 80)), np.zeros((60, 6))]
)
def test_nothing_there(value):
    assert fit_oscillation(as_diagram(value, np.arange(len(value)) * 30.0)) is None


def test_strips_of_one_time_count_once():
    # TRUTH  every strip twice with the same stamp
    diagram = swinging(np.random.default_rng(1), amplitude_px=3.0, period_s=1000.0)
    twice = as_diagram(np.repeat(diagram.value, 2, axis=0), np.repeat(diagram.time_s, 2))
    assert fit_oscillation(twice).period_s == pytest.approx(1000.0, rel=0.03)
    assert fit_oscillation(as_diagram(diagram.value, np.zeros(len(diagram.time_s)))) is None


def test_gaps_and_missing_strips():
    # TRUTH  every fifth strip missing and a third of the path not shown in some
    diagram = swinging(np.random.default_rng(3), amplitude_px=3.0, period_s=1000.0)
    value = diagram.value.copy()
    value[::5] = np.nan
    found = fit_oscillation(as_diagram(value, diagram.time_s))
    assert found.period_s == pytest.approx(1000.0, rel=0.03)
    assert len(found.time_s) <= 96


def test_a_long_recording_is_averaged_in_time():
    """TRUTH: 1500 strips, averaged in fours: period and amplitude as of few strips, every strip in the trace,
    and memory that does not grow with their number squared."""
    tracemalloc.start()
    found = fit_oscillation(
        swinging(np.random.default_rng(1), amplitude_px=3.0, period_s=1500.0, n=1500, cadence_s=5.0)
    )
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found is not None
    assert found.period_s == pytest.approx(1500.0, rel=0.03)
    assert found.amplitude_mm == pytest.approx(3.0 * 0.73, abs=4 * found.amplitude_err_mm + 0.09)
    assert len(found.time_s) == 1500
    assert peak < 8 * 1500**2 * 6
