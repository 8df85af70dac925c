"""Linear plus exponential rise (Cheng et al. 2013, ApJL 769, L25): onset, degeneracy, and the onset's
error."""

import numpy as np
import pytest

from promtrack.motion.front_fit import fit_front
from promtrack.motion.front_models import onset_time
from promtrack.motion.kinematics import fit_polynomial
from tests.outside.height_time import linear_exponential


def test_onset_worked_value():
    # TRUTH  c0 = 0.5 Mm, tau = 1200 s, c1 = 2.1 km/s, t0 = 0: by differentiation the parts of the speed are
    # equal at t = tau ln(c1 tau / c0) = 1940.887 s; the exponential part is then c1 tau = 2.52 Mm and the
    # speed 4.2 km/s.
    onset = onset_time(0.5, 1200.0, 2.1e-3)
    assert onset == pytest.approx(1940.887, abs=1e-3)
    assert 0.5 * np.exp(onset / 1200.0) == pytest.approx(2.52, abs=1e-3)
    step = 1e-2
    slope = (
        linear_exponential(onset + step, 0.5, 1200.0, 2.1e-3, 0.0)
        - linear_exponential(onset - step, 0.5, 1200.0, 2.1e-3, 0.0)
    ) / (2 * step)
    assert slope * 1e3 == pytest.approx(4.2, abs=1e-3)


def test_shift_of_t0_is_absorbed():
    # TRUTH  only four parameters are free: with t0 = 5400 s the same curve has c0 exp(-t0/tau) and c2 - c1
    # t0.
    t = np.linspace(0.0, 10800.0, 7)
    with_t0 = 0.5 * np.exp((t - 5400) / 1200) + 2.1e-3 * (t - 5400) + 60
    np.testing.assert_allclose(
        linear_exponential(t, 0.5 * np.exp(-4.5), 1200.0, 2.1e-3, 60 - 2.1e-3 * 5400), with_t0, rtol=1e-12
    )


@pytest.fixture(scope="module")
def recovered():
    """40 runs: t0 = 5400 s, c0 = 0.5 Mm, tau = 1200 s, c1 = 2.1 km/s, c2 = 60 Mm; 120 s cadence, 3 h, 1 Mm
    noise."""
    t = np.arange(0.0, 10801.0, 120.0)
    true = linear_exponential(t, 0.5 * np.exp(-4.5), 1200.0, 2.1e-3, 60 - 2.1e-3 * 5400)
    fits = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        fits.append(fit_front(t, true + rng.normal(0, 1.0, len(t)), np.ones_like(t), rng=rng, draws=200))
    return fits


def test_onset_recovery(recovered):
    # TRUTH  true onset 7340.9 s. A least-squares study of the same case (200 trials, independent) gave 7353
    # +- 144 s, tau 1194 +- 50 s, c1 2.11 +- 0.09 km/s. Bands: 4 standard errors of 40 trials with those
    # scatters.
    best = [next(fit for fit in fits if fit.chosen) for fits in recovered]
    assert {fit.model for fit in best} == {"linear plus exponential"}
    assert np.mean([fit.onset_s for fit in best]) == pytest.approx(7347, abs=4 * 144 / 40**0.5)
    assert np.mean([fit.values[1] for fit in best]) == pytest.approx(1197, abs=4 * 50 / 40**0.5)
    assert np.mean([fit.values[2] for fit in best]) == pytest.approx(2.105, abs=4 * 0.09 / 40**0.5)


def test_onset_error_is_honest(recovered):
    # TRUTH  the stated onset error is the scatter over the trials (about 2 min for 1 Mm noise): within 4
    # standard errors of a standard deviation from 40 trials, 4 / sqrt(80) = 45 %; the intervals cover 50 to
    # 86 % (4 sigma of a binomial would be 38 to 98 %; asked is 2.4 sigma).
    best = [next(fit for fit in fits if fit.chosen) for fits in recovered]
    onset, err = np.array([[fit.onset_s, fit.onset_err_s] for fit in best]).T
    assert np.median(err) == pytest.approx(np.std(onset), rel=0.45)
    assert 60 < np.median(err) < 200
    assert 0.50 <= np.mean(np.abs(onset - 7340.9) < err) <= 0.86


def test_two_point_speeds_amplify_noise():
    # TRUTH  propagation of errors: two points have the error sqrt(2) s / dt = 17.1 km/s for 1" (725.271 km)
    # and 60 s; the fit over the whole span must do far better: sd(v) = s sqrt(12/N)/T.
    two = fit_polynomial(np.array([0.0, 60.0]), np.zeros(2), 725.271, 1)
    assert two.error(0.0, 1) == pytest.approx(17.1, abs=0.05)
    many = fit_polynomial(np.arange(60) * 60.0, np.zeros(60), 725.271, 1)
    assert many.error(0.0, 1) < 17.1 / 50
