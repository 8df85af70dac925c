"""The kinematic fit of a knot: values, directions, honest errors, and what it says when no model fits."""

import numpy as np
import pytest

from promtrack.motion.correlated_noise import (
    FREE,
    SCALES,
    Noise,
    _curve_precision,
    estimate_noise,
    legendre,
    moments_of,
)
from promtrack.motion.knot_fit import fit_path


def track(n, speed, direction_deg, *, accel=0.0, noise=0.3, rng=None, cadence=20.0):
    t = np.arange(n) * cadence
    u = t - t.mean()
    path = speed * u / 1e3 + 0.5 * accel * u**2 / 1e6
    a = np.deg2rad(direction_deg)
    wobble = rng.normal(0, noise, (2, n)) if rng is not None else np.zeros((2, n))
    return t, np.stack([30 + path * np.cos(a) + wobble[0], path * np.sin(a) + wobble[1]])


@pytest.mark.parametrize(
    ("direction", "radial", "along"), [(0, 1, 0), (90, 0, 1), (180, -1, 0), (270, 0, -1), (30, 0.866025, 0.5)]
)
def test_directions(direction, radial, along):
    # TRUTH  direction 0 is outward, 90 towards increasing angle
    fit = fit_path(*track(12, 50.0, direction), 0.1).fit
    assert fit.model == "constant speed"
    assert fit.direction_deg == pytest.approx(direction, abs=1e-6)
    assert fit.radial_km_s == pytest.approx(50 * radial, abs=1e-3)
    assert fit.along_km_s == pytest.approx(50 * along, abs=1e-3)
    assert fit.speed_km_s == pytest.approx(50.0, rel=1e-3)
    assert abs(fit.accel_m_s2) < fit.accel_err_m_s2


def test_acceleration_along_the_motion():
    # TRUTH  -120 m/s2 along a downward path: the knot brakes
    fit = fit_path(*track(30, 60.0, 180.0, accel=-120.0), 0.05).fit
    assert fit.model == "constant acceleration"
    assert fit.accel_m_s2 == pytest.approx(-120.0, rel=1e-5)
    assert fit.speed_km_s == pytest.approx(60.0, rel=1e-3)


def test_coverage_and_accuracy():
    # TRUTH  600 tracks of 8 to 40 points, 5 to 150 km/s. 1 sigma must cover 63 to 73 %, 2 sigma 92 to 98 %
    # (68.3 and 95.4 for Gaussian errors; 4 sigma of the binomials are 7.6 and 3.4 %).
    rng = np.random.default_rng(7)
    pulls = []
    for _ in range(600):
        speed, n = rng.uniform(5, 150), int(rng.integers(8, 41))
        fit = fit_path(*track(n, speed, rng.uniform(0, 360), rng=rng), 0.3).fit
        pulls.append((fit.speed_km_s - speed) / fit.speed_err_km_s)
    assert 0.63 <= np.mean(np.abs(pulls) < 1) <= 0.73
    assert 0.92 <= np.mean(np.abs(pulls) < 2) <= 0.98
    assert np.mean(pulls) == pytest.approx(0.0, abs=4 / 600**0.5)


def test_errors_stated_too_small_are_scaled():
    # TRUTH  scatter 3 times the stated errors: chi2/dof near 9, errors scaled, coverage kept (4 sigma: 60 to
    # 76 %)
    rng = np.random.default_rng(8)
    fits = [fit_path(*track(24, 40.0, 45.0, rng=rng), 0.1).fit for _ in range(400)]
    assert all(fit.errors_scaled for fit in fits)
    assert np.mean([abs(fit.speed_km_s - 40) < fit.speed_err_km_s for fit in fits]) == pytest.approx(
        0.683, abs=0.095
    )
    assert np.median([fit.chi2_per_dof for fit in fits]) == pytest.approx(9.0, rel=0.1)
    assert not fit_path(*track(24, 40.0, 45.0, rng=rng), 0.3).fit.errors_scaled


@pytest.mark.parametrize("bad", range(12))
def test_a_single_wrong_point_does_little(bad):
    # TRUTH  one point of 12 wrong by 20 sigma moves the speed by less than 3 of its errors, which grow with
    # it: no point is left out of a fit, and linking lets none in that is farther than 4 sigma
    rng = np.random.default_rng(100 + bad)
    t, place = track(12, 30.0, 70.0, rng=rng)
    place[0, bad] += 6.0
    fit = fit_path(t, place, 0.3).fit
    assert fit.speed_km_s == pytest.approx(30.0, abs=3 * fit.speed_err_km_s)


def test_speed_near_zero_is_not_biased_up():
    # TRUTH  a knot at rest. The length of a noisy vector is sqrt(pi/2) = 1.253 sigma on average, the
    # estimator's
    # 1.253 - (sqrt(pi/2) - sqrt(pi/6)) / 2 = 0.988 (Rayleigh law); zero lies within 1 sigma in 57.6 % (plain:
    # 39 %). Bands: 4 standard errors of 400 knots.
    rng = np.random.default_rng(9)
    fits = [fit_path(*track(20, 0.0, 0.0, rng=rng), 0.3).fit for _ in range(400)]
    size = np.array([fit.speed_km_s / fit.speed_err_km_s for fit in fits])
    plain = np.array([np.hypot(fit.radial_km_s, fit.along_km_s) / fit.radial_err_km_s for fit in fits])
    assert np.mean(plain) == pytest.approx(1.253, abs=0.13)
    assert np.mean(size) == pytest.approx(0.988, abs=0.14)
    assert np.mean(size < 1) == pytest.approx(0.576, abs=0.10)
    assert np.all(size >= 0)


def test_changing_acceleration_is_no_model():
    # TRUTH  a knot at 60 km/s on a circle of 20 Mm: no constant acceleration describes it, and the slope at
    # mid-time is that of the cubic, which falls short of the true one by (phase^4)/120 x 1.4 at most: 3 %
    rng = np.random.default_rng(10)
    t = np.arange(30) * 20.0
    phase = (t - t.mean()) * 60.0 / 1e3 / 20.0
    noise = rng.normal(0, 0.1, (2, 30))
    fit = fit_path(t, 20 * np.stack([np.cos(phase), np.sin(phase)]) + noise, 0.1).fit
    assert fit.model == "none"
    assert fit.speed_km_s == pytest.approx(60.0, rel=0.03)
    assert fit.errors_scaled == (fit.chi2_per_dof > 1.2)


def pulls(fit, velocity):
    return [
        (fit.radial_km_s - velocity[0]) / fit.radial_err_km_s,
        (fit.along_km_s - velocity[1]) / fit.along_err_km_s,
    ]


def test_errors_hold_on_arches():
    # TRUTH  200 knots running down circular arches, 14 to 59 points, errors as stated: no polynomial is such
    # a path, and a bend that is hardly told is often too straight. 1 sigma covers at least 57 %, 2 sigma 88 %
    # of both parts (62 and 91 less 2 standard errors).
    rng = np.random.default_rng(3)
    found = []
    for _ in range(200):
        n, speed, radius = int(rng.integers(14, 60)), rng.uniform(20.0, 80.0), rng.uniform(25.0, 45.0)
        t = np.arange(n) * 15.0
        u = t - t.mean()
        middle = rng.uniform(0.2, 1.2)
        turn = middle + (speed * u + 0.5 * 0.03 * u**2) / 1e3 / radius
        place = radius * np.stack([np.cos(turn), np.sin(turn)]) + rng.normal(0, 0.25, (2, n))
        found += pulls(fit_path(t, place, 0.25).fit, (-speed * np.sin(middle), speed * np.cos(middle)))
    assert 0.57 <= np.mean(np.abs(found) < 1) <= 0.78
    assert 0.88 <= np.mean(np.abs(found) < 2) <= 0.99


def remembering(time_s, white_mm, slow_mm, memory_s, rng):
    """Noise of places: white, and an Ornstein-Uhlenbeck process."""
    values = np.empty((2, len(time_s)))
    values[:, 0] = rng.normal(size=2)
    for i, keep in enumerate(np.exp(-np.diff(time_s) / memory_s), start=1):
        values[:, i] = keep * values[:, i - 1] + np.sqrt(1 - keep**2) * rng.normal(size=2)
    return slow_mm * values + white_mm * rng.normal(size=values.shape)


@pytest.mark.long  # half a minute each
@pytest.mark.parametrize("cadence_s", [5.0, 30.0, 120.0])
def test_errors_hold_whatever_the_memory(cadence_s):
    # TRUTH  30 runs of 6 straight or accelerated knots, each seen for ten minutes or ten frames, with errors
    # of
    # 0.1 Mm as stated and slow ones of 0.3 Mm besides, which last for a minute or three and of which nothing
    # is stated. Velocities and accelerations inside 1 sigma in 60 to 84 %, inside 2 in 90 to 99 % (360 values
    # that share the noise of their run; six tracks of ten points leave the memory open, and that is added).
    rng = np.random.default_rng(int(cadence_s))
    found, bends = [], []
    for _ in range(30):
        memory_s = rng.choice([60.0, 180.0])
        times, places = [], []
        true = rng.uniform(-60, 60, (6, 2)), rng.choice([0.0, 40.0], 6)
        for velocity, accel in zip(*true, strict=True):
            t = np.arange(max(int(600 / cadence_s), 10)) * cadence_s
            u, unit = t - t.mean(), velocity / np.hypot(*velocity)
            path = velocity[:, None] * u / 1e3 + 0.5e-6 * accel * unit[:, None] * u**2
            times.append(t)
            places.append(path + remembering(t, 0.1, 0.3, memory_s, rng))
        error = [np.full(len(t), 0.1) for t in times]
        noise = tuple(estimate_noise(times, [p[k] - p[k].mean() for p in places], error) for k in (0, 1))
        for t, place, velocity, accel in zip(times, places, *true, strict=True):
            fit = fit_path(t, place, 0.1, noise).fit
            found += pulls(fit, velocity)
            bends.append((fit.accel_m_s2 - accel) / fit.accel_err_m_s2)
    for values in (found, bends):
        assert 0.60 <= np.mean(np.abs(values) < 1) <= 0.84
        assert 0.90 <= np.mean(np.abs(values) < 2) <= 0.995


def test_noise_without_memory_is_found_to_have_none():
    # TRUTH  ten tracks of white noise as stated: it is found within 15 %, and slow noise of less than a third
    # of it
    rng = np.random.default_rng(2)
    t = np.arange(40) * 10.0
    noise = estimate_noise([t] * 10, list(rng.normal(0, 0.2, (10, 40))), [np.full(40, 0.2)] * 10)
    each = noise.usual @ SCALES
    assert np.sqrt(each @ (0.04 + noise.white_mm**2)) == pytest.approx(0.2, rel=0.15)
    assert np.sqrt(each @ noise.slow_mm**2) < 0.07


def test_knots_that_sway_are_no_noise():
    """TRUTH: two knots that go out at 10 km/s and sway along the limb, two periods long, among two that rest:
    the speed at mid-time is that of the sway, and no slow noise as wide as the sway is invented."""
    rng = np.random.default_rng(4)
    t = np.arange(60) * 50.0
    phase = 2 * np.pi * (t - t.mean()) / 1500.0
    swaying = [
        np.stack([20 + 0.01 * t, amplitude * np.sin(phase + 0.4 * k)])
        for k, amplitude in enumerate((8.0, 12.0))
    ]
    tracks = [place + rng.normal(0, 0.4, place.shape) for place in [*swaying, *np.zeros((2, 2, 60))]]
    noise = tuple(
        estimate_noise([t] * 4, [one[axis] - one[axis].mean() for one in tracks], [np.full(60, 0.4)] * 4)
        for axis in (0, 1)
    )
    for k, amplitude in enumerate((8.0, 12.0)):
        fit = fit_path(t, tracks[k], 0.4, noise).fit
        along = 1e3 * amplitude * 2 * np.pi / 1500.0 * np.cos(0.4 * k)
        assert fit.model == "none"
        assert abs(fit.along_km_s - along) < 2.5 * fit.along_err_km_s
        assert fit.along_err_km_s < 0.2 * along


def test_the_whitened_track_has_the_covariance_stated():
    # TWIN  the filter against the inverse and the determinant of the whole matrix, uneven times
    rng = np.random.default_rng(5)
    t, y, error = np.cumsum(rng.uniform(3, 40, 12)), rng.normal(size=12), rng.uniform(0.1, 0.5, 12)
    chance = np.full((1, len(SCALES)), 1.0 / len(SCALES))
    noise = Noise(np.array([0.25]), np.array([0.31]), np.array([50.0]), chance, chance)
    matrix = np.diag(error**2 + 0.25**2) + 0.31**2 * np.exp(-np.abs(t[:, None] - t) / 50.0)
    design = legendre(t, t, 10)
    curve = 6  # a freer path
    prior = _curve_precision(10)[curve]
    precision = design.T @ np.linalg.solve(matrix, design) + np.diag(prior)
    right = design.T @ np.linalg.solve(matrix, y)
    moments = moments_of(t, y, error, noise)
    normal = moments.normal[0, curve]
    values = np.linalg.solve(normal[:-1, :-1], normal[:-1, -1])
    assert values == pytest.approx(np.linalg.solve(precision, right), rel=1e-6)
    assert moments.squares[0, curve] == pytest.approx(
        y @ np.linalg.solve(matrix, y) - right @ np.linalg.solve(precision, right), rel=1e-6
    )
    assert moments.log_det[0, curve] == pytest.approx(
        np.linalg.slogdet(matrix)[1] + np.linalg.slogdet(precision)[1] - np.log(prior).sum(), rel=1e-6
    )


def test_a_freer_path_is_a_gaussian_process():
    """TWIN: the covariance of the path at 7 places is that of processes drawn from the kernel itself, less
    their line; a process 2.4 times quicker is off by more than twice as much."""
    u, length = np.linspace(-0.9, 0.9, 7), FREE[1]
    variance = 1.0 / _curve_precision(12)[1 + 2 * 5 + 4 + 1][2:]
    basis = np.polynomial.legendre.legvander(u, 12)[:, 2:]
    grid, weight = np.polynomial.legendre.leggauss(48)
    draws = np.random.default_rng(1).multivariate_normal(
        np.zeros(48), np.exp(-0.5 * ((grid[:, None] - grid) / length) ** 2), 40000
    )
    line = np.column_stack([np.ones(48), grid])
    draws -= (
        np.linalg.solve(line.T @ (line * weight[:, None]), (line * weight[:, None]).T) @ draws.T
    ).T @ line.T
    rms = np.sqrt(np.mean(draws**2 @ weight / 2))
    own = np.array([np.interp(u, grid, one) for one in draws[:4000]]) / rms
    off = (basis * variance) @ basis.T - np.cov(own.T)
    assert np.abs(off).max() < 0.45  # the coefficients are taken for independent, which they are nearly


def test_uneven_times_and_errors():
    # TRUTH  gaps, jitter, a stretch of poor seeing: pulls of 300 tracks are standard (4 / sqrt(600) = 16 %)
    rng = np.random.default_rng(11)
    pulls = []
    for _ in range(300):
        t = np.cumsum(rng.choice([5.0, 20.0, 120.0], 18) + rng.uniform(0, 3, 18))
        err = rng.uniform(0.1, 0.8, 18)
        place = np.stack([0.02 * t, -0.01 * t]) + err * rng.normal(size=(2, 18))
        fit = fit_path(t, place, np.stack([err, err])).fit
        pulls.append((fit.radial_km_s - 20.0) / fit.radial_err_km_s)
    assert np.std(pulls) == pytest.approx(1.0, abs=0.16)


def test_systematic_part_is_kept_apart():
    # TRUTH  5 % scale and 1 % clock in quadrature are 5.1 % of the speed; they change nothing else
    plain = fit_path(*track(12, 50.0, 20.0), 0.1).fit
    fit = fit_path(*track(12, 50.0, 20.0), 0.1, scale_err=0.05, clock_err=0.01).fit
    assert fit.systematic_km_s == pytest.approx(fit.speed_km_s * np.hypot(0.05, 0.01))
    assert fit.speed_err_km_s == plain.speed_err_km_s
    assert plain.systematic_km_s == 0.0


@pytest.mark.parametrize("n", [4, 5, 6, 7])
def test_few_points(n):
    # TRUTH  exact tracks of the fewest points allowed
    fit = fit_path(*track(n, 30.0, 0.0), 0.2).fit
    assert fit.speed_km_s == pytest.approx(30.0, rel=0.02)
    assert fit.model == "constant speed"


@pytest.mark.parametrize(
    "bad", [(np.arange(3.0), np.zeros((2, 3))), (np.arange(9.0), np.full((2, 9), np.nan))]
)
def test_what_cannot_be_fitted_is_refused(bad):
    with pytest.raises(ValueError, match=r"needs 4 times|must be finite"):
        fit_path(*bad, 0.1)


def test_a_lock_that_may_drift_is_in_the_errors():
    # TRUTH  the ends of a track of 900 s lie 0.3 Mm off, each for itself: sqrt(2) 0.3 Mm in 900 s, 0.47 km/s.
    time_s = np.arange(0.0, 901.0, 30.0)
    place = np.stack([0.03 * time_s, 0.0 * time_s])
    sure, drifting = (fit_path(time_s, place, 0.05, lasting_err_mm=err).fit for err in (0.0, (0.3, 0.0)))
    grown = np.sqrt(drifting.radial_err_km_s**2 - sure.radial_err_km_s**2)
    assert grown == pytest.approx(1e3 * np.sqrt(2) * 0.3 / 900.0, rel=1e-6)
    assert drifting.along_err_km_s == sure.along_err_km_s
