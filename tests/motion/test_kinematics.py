"""Polynomial fits: shapes, errors, choice of model."""

import numpy as np
import pytest

from promtrack.motion.kinematics import bic, fit_polynomial


def test_epoch_seconds_lose_no_digits():
    # TRUTH  an exact parabola in seconds since 1970; raw powers of such times would lose all digits of the
    # curvature
    time_s = 1.78e9 + np.arange(20) * 30.0
    u = time_s - time_s[0]
    fit = fit_polynomial(time_s, 5.0 + 0.03 * u + 2e-5 * u**2, 0.1, 2)
    assert fit.value(time_s[0], 1) == pytest.approx(0.03, rel=1e-9)
    assert fit.value(time_s[0], 2) == pytest.approx(4e-5, rel=1e-9)


def test_errors_equal_the_scatter():
    # TRUTH  1000 noisy parabolas with uneven errors. Band: 4 standard errors of a scatter, 4 / sqrt(2000) = 9
    # %.
    rng = np.random.default_rng(1)
    time_s, err = np.sort(rng.uniform(0, 1000, 15)), rng.uniform(0.2, 1.5, 15)
    fits = [fit_polynomial(time_s, 0.02 * time_s + err * rng.normal(size=15), err, 2) for _ in range(1000)]
    for order, at in ((0, 300.0), (1, 900.0), (2, 0.0)):
        values = [float(fit.value(at, order)) for fit in fits]
        assert np.std(values) == pytest.approx(float(fits[0].error(at, order)), rel=0.09)


def test_bic_prefers_the_simple_model():
    # TRUTH  BIC takes the parabola of a noisy line when chi2(1) > ln(60) = 4.1: 4.3 %; 4 sigma of 300 trials
    rng = np.random.default_rng(5)
    x = np.linspace(-1, 1, 60)
    wrong = 0
    for _ in range(300):
        y = x + rng.normal(size=60)
        line, parabola = (fit_polynomial(x, y, None, d).chi2 for d in (1, 2))
        wrong += bic(parabola, 60, 4) < bic(line, 60, 3)
    assert wrong / 300 < 0.09
