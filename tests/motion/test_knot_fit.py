"""The kinematic fit of a knot: values, directions, honest errors, and what it says when no model fits."""

import numpy as np
import pytest

from promtrack.motion.knot_fit import allow_swerve, fit_knot, fit_path, usual_swerve


def track(n, speed, direction_deg, *, accel=0.0, noise=0.3, rng=None, cadence=20.0):
    t = np.arange(n) * cadence
    u = t - t.mean()
    path = speed * u / 1e3 + 0.5 * accel * u**2 / 1e6
    a = np.deg2rad(direction_deg)
    wobble = rng.normal(0, noise, (2, n)) if rng is not None else np.zeros((2, n))
    return t, 30 + path * np.cos(a) + wobble[0], path * np.sin(a) + wobble[1]


@pytest.mark.parametrize(
    ("direction", "radial", "along"), [(0, 1, 0), (90, 0, 1), (180, -1, 0), (270, 0, -1), (30, 0.866025, 0.5)]
)
def test_directions(direction, radial, along):
    # TRUTH  direction 0 is outward, 90 towards increasing angle
    fit = fit_knot(*track(12, 50.0, direction), 0.1, 0.1)
    assert fit.model == "constant speed"
    assert fit.direction_deg == pytest.approx(direction, abs=1e-6)
    assert fit.radial_km_s == pytest.approx(50 * radial, abs=1e-3)
    assert fit.along_km_s == pytest.approx(50 * along, abs=1e-3)
    assert fit.speed_km_s == pytest.approx(50.0, rel=1e-3)
    assert np.isnan(fit.accel_m_s2)


def test_acceleration_along_the_motion():
    # TRUTH  -120 m/s2 along a downward path: the knot brakes
    fit = fit_knot(*track(30, 60.0, 180.0, accel=-120.0), 0.05, 0.05)
    assert fit.model == "constant acceleration"
    assert fit.accel_m_s2 == pytest.approx(-120.0, rel=1e-6)
    assert fit.bic_accel < fit.bic_speed
    assert fit.speed_km_s == pytest.approx(60.0, rel=1e-3)


def test_coverage_and_accuracy():
    # TRUTH  600 tracks of 8 to 40 points, 5 to 150 km/s. 1 sigma must cover 63 to 73 %, 2 sigma 92 to 98 %
    # (68.3 and 95.4 for Gaussian errors; 4 sigma of the binomials are 7.6 and 3.4 %).
    rng = np.random.default_rng(7)
    pulls = []
    for _ in range(600):
        speed, n = rng.uniform(5, 150), int(rng.integers(8, 41))
        fit = fit_knot(*track(n, speed, rng.uniform(0, 360), rng=rng), 0.3, 0.3)
        pulls.append((fit.speed_km_s - speed) / fit.speed_err_km_s)
    assert 0.63 <= np.mean(np.abs(pulls) < 1) <= 0.73
    assert 0.92 <= np.mean(np.abs(pulls) < 2) <= 0.98
    assert np.mean(pulls) == pytest.approx(0.0, abs=4 / 600**0.5)


def test_errors_stated_too_small_are_scaled():
    # TRUTH  scatter 3 times the stated errors: chi2/dof near 9, errors scaled, coverage kept (4 sigma: 60 to
    # 76 %)
    rng = np.random.default_rng(8)
    fits = [fit_knot(*track(24, 40.0, 45.0, rng=rng), 0.1, 0.1) for _ in range(400)]
    assert all(fit.errors_scaled for fit in fits)
    assert np.mean([abs(fit.speed_km_s - 40) < fit.speed_err_km_s for fit in fits]) == pytest.approx(
        0.683, abs=0.095
    )
    assert np.median([fit.chi2_per_dof for fit in fits]) == pytest.approx(9.0, rel=0.1)
    assert not fit_knot(*track(24, 40.0, 45.0, rng=rng), 0.3, 0.3).errors_scaled


@pytest.mark.parametrize("bad", range(12))
def test_a_single_wrong_point_does_little(bad):
    # TRUTH  one point of 12 wrong by 20 sigma moves the speed by less than 3 of its errors
    rng = np.random.default_rng(100 + bad)
    t, radial, along = track(12, 30.0, 70.0, rng=rng)
    radial[bad] += 6.0
    fit = fit_knot(t, radial, along, 0.3, 0.3)
    assert fit.speed_km_s == pytest.approx(30.0, abs=3 * fit.speed_err_km_s)
    assert fit.speed_err_km_s < 3.0


def test_speed_near_zero_is_not_biased_up():
    # TRUTH  a knot at rest. The length of a noisy vector is sqrt(pi/2) = 1.253 sigma on average, the
    # estimator's
    # 1.253 - (sqrt(pi/2) - sqrt(pi/6)) / 2 = 0.988 (Rayleigh law); zero lies within 1 sigma in 57.6 % (plain:
    # 39 %). Bands: 4 standard errors of 400 knots.
    rng = np.random.default_rng(9)
    fits = [fit_knot(*track(20, 0.0, 0.0, rng=rng), 0.3, 0.3) for _ in range(400)]
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
    fit = fit_knot(t, 20 * np.cos(phase) + noise[0], 20 * np.sin(phase) + noise[1], 0.1, 0.1)
    assert fit.model == "none"
    assert fit.speed_km_s == pytest.approx(60.0, rel=0.03)
    assert fit.errors_scaled == (fit.chi2_per_dof > 1.2)


def down_an_arch(rng):
    """Path of a knot down a circular arch, 14 to 59 points with errors of 0.25 Mm, and its true velocity at
    mid-time."""
    n, speed, radius = int(rng.integers(14, 60)), rng.uniform(20.0, 80.0), rng.uniform(25.0, 45.0)
    t = np.arange(n) * 15.0
    u = t - t.mean()
    middle = rng.uniform(0.2, 1.2)
    turn = middle + (speed * u + 0.5 * 0.03 * u**2) / 1e3 / radius
    noise = rng.normal(0, 0.25, (2, n))
    path = fit_path(t, radius * np.cos(turn) + noise[0], radius * np.sin(turn) + noise[1], 0.25, 0.25)
    return path, (-speed * np.sin(middle), speed * np.cos(middle))


def pulls(fit, velocity):
    return [
        (fit.radial_km_s - velocity[0]) / fit.radial_err_km_s,
        (fit.along_km_s - velocity[1]) / fit.along_err_km_s,
    ]


def test_errors_hold_on_arches():
    # TRUTH  150 knots running down circular arches, 14 to 59 points, errors as stated: no polynomial is such
    # a path, and the one chosen is often too straight. 1 sigma covers at least 57 %, 2 sigma 88 % of both
    # components (63 and 92 less 2.5 standard errors).
    rng = np.random.default_rng(3)
    found = [down_an_arch(rng) for _ in range(150)]
    size = np.abs([pulls(path.fit, velocity) for path, velocity in found])
    assert np.mean(size < 1) >= 0.57
    assert np.mean(size < 2) >= 0.88


def test_the_knots_of_a_run_tell_how_much_each_swerves():
    # TRUTH  25 runs of 8 knots down arches, those that are told as accelerated or straight: with the swerve
    # of their run allowed 1 sigma covers at least 63 %, 2 sigma 92 %, the lower ends asked of stated errors;
    # a fit by itself covers less.
    rng = np.random.default_rng(4)
    alone, together = [], []
    for _ in range(25):
        run = [down_an_arch(rng) for _ in range(8)]
        usual = usual_swerve([path for path, _ in run])
        for path, velocity in run:
            if path.fit.model != "none":
                alone += pulls(path.fit, velocity)
                together += pulls(allow_swerve(path, usual).fit, velocity)
    assert len(together) >= 100
    assert np.mean(np.abs(together) < 1) >= 0.63
    assert np.mean(np.abs(together) < 2) >= 0.92
    assert np.mean(np.abs(alone) < 1) < np.mean(np.abs(together) < 1)


def test_a_run_of_straight_knots_does_not_swerve():
    # TRUTH  100 runs of 8 knots of constant acceleration: noise alone is called a swerve of a hundredth of
    # the speed in one run of ten at most, and what is left is the model's own error: pulls are standard (4 /
    # sqrt(3200) = 7 %)
    rng = np.random.default_rng(5)
    usual, found = [], []
    for _ in range(100):
        run = []
        for _ in range(8):
            t, radial, along = track(40, 60.0, 30.0, accel=40.0, rng=rng)
            run.append(fit_path(t, radial, along, 0.3, 0.3))
        usual.append(usual_swerve(run))
        fits = [
            allow_swerve(path, usual[-1]).fit for path in run if path.fit.model == "constant acceleration"
        ]
        found += [
            pull for fit in fits for pull in pulls(fit, (60.0 * np.cos(np.pi / 6), 60.0 * np.sin(np.pi / 6)))
        ]
    assert np.mean(np.array(usual) > 0.01) <= 0.1
    assert np.std(found) == pytest.approx(1.0, abs=0.07)


def test_uneven_times_and_errors():
    # TRUTH  gaps, jitter, a stretch of poor seeing: pulls of 300 tracks are standard (4 / sqrt(600) = 16 %)
    rng = np.random.default_rng(11)
    pulls = []
    for _ in range(300):
        t = np.cumsum(rng.choice([5.0, 20.0, 120.0], 18) + rng.uniform(0, 3, 18))
        err = rng.uniform(0.1, 0.8, 18)
        fit = fit_knot(
            t, 0.02 * t + err * rng.normal(size=18), -0.01 * t + err * rng.normal(size=18), err, err
        )
        pulls.append((fit.radial_km_s - 20.0) / fit.radial_err_km_s)
    assert np.std(pulls) == pytest.approx(1.0, abs=0.16)


def test_the_path_is_that_of_the_fit():
    # TRUTH  an accelerated track without noise lies on its own path, whatever the frame's direction
    t, radial, along = track(24, 40.0, 130.0, accel=60.0)
    path = fit_path(t, radial, along, 0.1, 0.1)
    assert path.fit.model == "constant acceleration"
    assert path.radial_mm == pytest.approx(radial, abs=1e-9)
    assert path.along_mm == pytest.approx(along, abs=1e-9)


def test_systematic_part_is_kept_apart():
    # TRUTH  5 % scale and 1 % clock in quadrature are 5.1 % of the speed; they change nothing else
    plain = fit_knot(*track(12, 50.0, 20.0), 0.1, 0.1)
    fit = fit_knot(*track(12, 50.0, 20.0), 0.1, 0.1, scale_err=0.05, clock_err=0.01)
    assert fit.systematic_km_s == pytest.approx(fit.speed_km_s * np.hypot(0.05, 0.01))
    assert fit.speed_err_km_s == plain.speed_err_km_s
    assert plain.systematic_km_s == 0.0


def test_shared_error_adds_in_quadrature():
    # TWIN  0.3 and 0.4 are 0.5
    t, radial, along = track(12, 50.0, 20.0)
    shared = fit_knot(t, radial, along, 0.3, 0.3, shared_radial_mm=np.full(12, 0.4), shared_along_mm=0.4)
    assert shared.speed_err_km_s == pytest.approx(
        fit_knot(t, radial, along, 0.5, 0.5).speed_err_km_s, rel=1e-12
    )


@pytest.mark.parametrize("n", [4, 5, 6, 7])
def test_few_points(n):
    # TRUTH  exact tracks of the fewest points allowed
    fit = fit_knot(*track(n, 30.0, 0.0), 0.2, 0.2)
    assert fit.speed_km_s == pytest.approx(30.0, rel=0.02)
    assert fit.model == "constant speed"


def test_too_few_points_are_refused():
    with pytest.raises(ValueError, match=r"n >= 4, got \(3,\)"):
        fit_knot(np.arange(3.0), np.arange(3.0), np.arange(3.0), 0.1, 0.1)
