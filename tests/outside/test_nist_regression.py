"""The fitters against the certified values of the NIST Statistical Reference Datasets (StRD, public
domain)."""

import json
import math

import numpy as np
import pytest

from promtrack.motion.kinematics import fit_polynomial
from tests.outside.height_time import DATA


def load(name):
    data = json.loads((DATA / f"nist_{name}.json").read_text(encoding="utf-8"))
    certified = data["certified"]
    return (
        data,
        np.array(data["x"]),
        np.array(data["y"]),
        np.array(certified["estimates"]),
        np.array(certified["standard_deviations"]),
        certified["residual_standard_deviation"],
    )


@pytest.mark.parametrize(("name", "degree"), [("norris", 1), ("pontius", 2)])
def test_linear_regression_certified(name, degree):
    # PUBLISHED  NIST StRD linear regression, itl.nist.gov/div898/strd: Norris, Pontius. Pontius is the trap
    # for uncentred normal equations (errors by factors of 2000). Tolerance 1e-9, ten of the 15 certified
    # digits.
    _, x, y, estimates, deviations, residual_sd = load(name)
    fit = fit_polynomial(x, y, None, degree)
    # coefficient i of rising powers of x is the derivative of order i at 0 over i!
    values, errors = (
        np.array([at(0.0, i) / math.factorial(i) for i in range(degree + 1)]) for at in (fit.value, fit.error)
    )
    np.testing.assert_allclose(values, estimates, rtol=1e-9)
    np.testing.assert_allclose(errors, deviations, rtol=1e-9)
    assert np.sqrt(fit.chi2 / fit.dof) == pytest.approx(residual_sd, rel=1e-9)
