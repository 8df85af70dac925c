"""Curves for drawing agree with the records they are read from."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.show.curves import drawing_times, front_curve, knot_path, knot_speed
from tests.show.fake_run import front_height_mm, with_a_start


def test_front_models_return_their_own_curve(measured_fake):
    # TRUTH  the record's curve, exactly: the line runs through its points.
    front = measured_fake.motion.fronts[0]
    for fit in front.fits:
        assert front_curve(front, fit, front.time_s).height_mm == pytest.approx(fit.curve_mm, abs=1e-8)


def test_front_speed_and_acceleration_between_the_points(measured_fake):
    # TRUTH  h = 30 + 2.5e-3 t + 2.2 exp((t - 700) / 270): its derivatives in closed form. A line drawn from
    # the curve at the frames' times, 30 s and one gap of 270 s apart, hides less than a pen's width of it.
    front = measured_fake.motion.fronts[0]
    times = np.linspace(front.time_s[0], front.time_s[-1], 57)
    curve = front_curve(front, front.best, times)
    rise = 2.2 * np.exp((times - 700.0) / 270.0)
    assert curve.height_mm == pytest.approx(front_height_mm(times), abs=0.05)
    assert curve.speed_km_s == pytest.approx(2.5 + 1e3 * rise / 270.0, abs=0.5)


@pytest.mark.parametrize("sudden", [True, False])
def test_a_front_that_starts_from_rest_never_sinks_nor_overshoots(measured_fake, sudden):
    # TRUTH  at rest for 617 s, between two heights, then at 300 km/s or 300 m/s2: no speed before the start,
    # none above the record's greatest, and one line through the record's curve
    front = with_a_start(measured_fake, 617.0, sudden=sudden).motion.fronts[0]
    assert front.verdict == f"rest, then constant {'speed' if sudden else 'acceleration'}"
    times = np.linspace(front.time_s[0], front.time_s[-1], 3000)
    curve = front_curve(front, front.best, times)
    peak = front.best.peak_speed_km_s
    assert not curve.speed_km_s[times < front.best.values[1]].any()
    assert curve.speed_km_s.min() == 0.0
    assert curve.speed_km_s.max() == pytest.approx(peak)
    if sudden:
        assert len(set(curve.speed_km_s)) == 2
        assert curve.speed_err_km_s[-1] == front.best.peak_speed_err_km_s
    assert front_curve(front, front.best, front.time_s).height_mm == pytest.approx(front.best.curve_mm)
    assert np.isnan(front_curve(front, front.best, np.array([np.nan])).speed_km_s).all()


def test_knot_curve_is_the_fitted_path(measured_fake):
    # TRUTH  the record's own curve at the points, and its slope at mid-time is the radial speed quoted,
    # accelerated or not.
    for knot in measured_fake.motion.knots[:2]:
        assert knot_path(knot, knot.time_s)[0] == pytest.approx(knot.curve_mm, abs=1e-9)
        low, high = knot_path(knot, knot.fit.time_s + np.array([-1.0, 1.0]))[0]
        assert 1e3 * (high - low) / 2.0 == pytest.approx(knot.fit.radial_km_s, abs=1e-6)


def test_knot_curve_between_the_points_of_an_arch(measured_fake):
    # TRUTH  a knot on a circle of 40 Mm at 50 km/s, seen every 60 s: heights half-way between the points
    # within 0.01 Mm.
    def arch(time_s):
        return 20.0 + 40.0 * np.sin(0.2 + 50e-3 / 40.0 * time_s)

    time_s = np.arange(12) * 60.0
    knot = replace(
        measured_fake.motion.knots[0], time_s=time_s, curve_mm=arch(time_s), curve_angle_deg=np.zeros(12)
    )
    between = time_s[:-1] + 30.0
    assert knot_path(knot, between)[0] == pytest.approx(arch(between), abs=0.01)


def test_knot_speed_is_the_run_along_the_path(measured_fake):
    # TRUTH  a parabola thrown up at 30 km/s and drawn down at 25 m/s2 while it runs along the limb at 10
    # km/s, 1 Mm of angle at every height: the speed is the root of the sum of squares, least (10 km/s and
    # never negative) on top.
    limb_mm, time_s = 700.0, np.arange(0.0, 2400.0, 60.0)
    height = 20.0 + 30e-3 * time_s - 0.5 * 25e-6 * time_s**2
    angle = np.cumsum(np.r_[0.0, 0.6 / (limb_mm + 0.5 * (height[1:] + height[:-1]))])
    knot = replace(
        measured_fake.motion.knots[0],
        time_s=time_s,
        curve_mm=height,
        curve_angle_deg=np.rad2deg(angle),
        speed_err_km_s=np.linspace(1.0, 3.0, len(time_s)),
    )
    times = np.array([0.0, 600.0, 1200.0, 1800.0])
    speed, error = knot_speed(knot, limb_mm, times)
    assert speed == pytest.approx(np.hypot(30.0 - 25e-3 * times, 10.0), rel=2e-3)
    assert error == pytest.approx(np.interp(times, time_s, knot.speed_err_km_s))


def test_knot_speed_at_mid_time_is_the_speed_quoted(measured_fake):
    # TRUTH  of the record; the curvature of the limb along a track changes it by less than 1 %.
    for knot in measured_fake.motion.knots[:2]:
        speed, error = knot_speed(knot, measured_fake.strip.geometry.limb_mm, np.array([knot.fit.time_s]))
        assert speed[0] == pytest.approx(knot.fit.speed_km_s, rel=0.01)
        assert error[0] == pytest.approx(knot.fit.speed_err_km_s)


def test_no_line_is_drawn_through_a_gap():
    # TRUTH  no points between 270 and 600 s
    time_s = np.concatenate([np.arange(0.0, 300.0, 30.0), np.arange(600.0, 900.0, 30.0)])
    times = drawing_times(time_s)
    drawn = times[np.isfinite(times)]
    assert not ((drawn > 270.0) & (drawn < 600.0)).any()
    assert np.isnan(times).sum() > 20


def test_frames_of_one_time_stamp_are_drawn(measured_fake):
    # TRUTH  each time twice, as whole seconds give it: the curve at that time is the mean of the two
    knot, front = measured_fake.motion.knots[0], measured_fake.motion.fronts[0]
    times = np.repeat(knot.time_s[::2], 2)[: len(knot.time_s)]
    twice = replace(knot, time_s=times)
    height, _ = knot_path(twice, times[:1])
    assert height[0] == pytest.approx(knot.curve_mm[:2].mean())
    assert np.isfinite(knot_speed(twice, 700.0, drawing_times(times))[0]).any()
    at_once = replace(front, time_s=np.full(len(front.time_s), 30.0))
    assert np.isfinite(front_curve(at_once, front.best, np.array([30.0])).height_mm).all()
