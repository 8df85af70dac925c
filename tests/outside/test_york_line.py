"""Weighted lines through Pearson's data with York's weights (York 1966; York et al. 2004, Am. J. Phys. 72,
367)."""

import numpy as np
import pytest

from promtrack.motion.kinematics import beyond_chance, fit_polynomial

X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
WEIGHT_X = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
WEIGHT_Y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0])


def test_errors_in_one_coordinate():
    # TRUTH  weighted least squares in closed form, computed independently: 6.100109 - 0.610813 x, standard
    # deviations
    # 0.204663 and 0.030087, chi squared 34.3452 on 8. Tolerance: half the last digit.
    fit = fit_polynomial(X, Y, WEIGHT_Y**-0.5, 1)
    values, errors = ([at(0.0, i) for i in (0, 1)] for at in (fit.value, fit.error))  # intercept and slope
    np.testing.assert_allclose(values, [6.100109, -0.610813], atol=6e-7)
    np.testing.assert_allclose(errors, [0.204663, 0.030087], atol=6e-7)
    assert (fit.chi2, fit.dof) == (pytest.approx(34.3452, abs=5e-5), 8)


def test_errors_scaled_beyond_chance():
    # TRUTH  the same, deviations times sqrt(chi2 / 8): 0.424059 and 0.062341; chi2 = 34.3 on 8 is beyond
    # chance.
    fit = fit_polynomial(X, Y, WEIGHT_Y**-0.5, 1)
    assert beyond_chance(fit.chi2, fit.dof)
    errors = [fit.error(0.0, i) * (fit.chi2 / fit.dof) ** 0.5 for i in (0, 1)]
    np.testing.assert_allclose(errors, [0.424059, 0.062341], atol=6e-7)
