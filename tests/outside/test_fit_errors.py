"""Errors of speed and acceleration from equally spaced heights, against the textbook formulae."""

import numpy as np
import pytest

from promtrack.motion.kinematics import fit_polynomial
from promtrack.motion.knot_fit import fit_path

ARCSEC_KM = 725.271  # at 1 au


def test_exact_errors_of_thirty_heights():
    # TRUTH  s = 1" = 725.27 km, T = 1 h, N = 30: sd(v at mid-time) = 0.1232 km/s, sd(a) = 0.2569 m/s2
    # (tolerance 1e-4)
    time_s = np.linspace(0, 3600, 30)
    fit = fit_polynomial(time_s, np.zeros(30), ARCSEC_KM, 2)
    assert fit.error(1800.0, 1) == pytest.approx(0.1232, abs=1e-4)
    assert fit.error(1800.0, 2) * 1e3 == pytest.approx(0.2569, abs=1e-4)


def test_large_number_formulae():
    # TRUTH  sd(v) = s sqrt(12/N)/T and sd(a) = s sqrt(720/N)/T^2 for large N; 1 % at N = 1000.
    n, span = 1000, 3600.0
    fit = fit_polynomial(np.linspace(0, span, n), np.zeros(n), ARCSEC_KM, 2)
    assert fit.error(span / 2, 1) == pytest.approx(ARCSEC_KM * (12 / n) ** 0.5 / span, rel=0.01)
    assert fit.error(span / 2, 2) == pytest.approx(ARCSEC_KM * (720 / n) ** 0.5 / span**2, rel=0.01)


def test_quadratic_term_does_not_change_the_error_at_mid_time():
    # TRUTH  linear and quadratic terms are orthogonal for even spacing
    time_s = np.linspace(0, 3600, 31)
    line, parabola = (fit_polynomial(time_s, np.zeros(31), 1.0, degree) for degree in (1, 2))
    assert parabola.error(1800.0, 1) == pytest.approx(float(line.error(1800.0, 1)), rel=1e-12)


def test_a_knot_states_the_same_error():
    # TRUTH  the same formula through the knot fit, in the mean of 100 tracks with errors of 1 Mm; that of a
    # single track follows its own scatter, and freer paths that cannot be excluded add up to a fifth.
    n, span = 30, 3600.0
    time_s, rng = np.linspace(0, span, n), np.random.default_rng(1)
    line = np.stack([0.01 * time_s, 0 * time_s])
    errors = [fit_path(time_s, line + rng.normal(size=(2, n)), 1.0).fit.radial_err_km_s for _ in range(100)]
    exact = 1e3 / (np.std(time_s) * n**0.5)
    assert exact < np.mean(errors) < 1.2 * exact
