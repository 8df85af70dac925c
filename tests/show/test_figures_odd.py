"""Figures of odd runs: drawn without a warning, and saying what is missing. Warnings are errors in all
tests."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.text import Text

from promtrack.show.figure_lock import registration_check
from promtrack.show.figure_slits import oscillation
from promtrack.show.figure_style import LIGHT, themed
from promtrack.show.figures import SHEETS
from tests.show.fake_run import SHAPE


def moved(measured, **changes):
    return replace(measured, motion=replace(measured.motion, **changes))


def locked(measured, **changes):
    return replace(measured, lock=replace(measured.lock, **changes))


def framed(measured, value):
    return replace(
        measured, sequence=replace(measured.sequence, read=lambda index: np.full(SHAPE, value, np.float32))
    )


def short_front(measured):
    front = measured.motion.fronts[0]
    cut = {
        name: getattr(front, name)[:4]
        for name in ("frame", "time_s", "height_mm", "height_err_mm", "angle_deg")
    }
    return moved(
        measured,
        fronts=(replace(front, **cut, fits=(replace(front.best, curve_mm=front.best.curve_mm[:4]),)),),
    )


def front_without_a_model(measured):
    front = measured.motion.fronts[0]
    fits = tuple(replace(fit, chosen=False) for fit in front.fits)
    return moved(
        measured, fronts=(replace(front, fits=fits, verdict="none of the models describes this motion"),)
    )


def unknown_errors(measured):
    knot = measured.motion.knots[0]
    return moved(
        measured, knots=(replace(knot, fit=replace(knot.fit, speed_err_km_s=np.nan, radial_err_km_s=np.nan)),)
    )


def blind_slit(measured):
    slit = measured.motion.slits[0]
    return moved(measured, slits=(replace(slit, value=np.full_like(slit.value, np.nan)),), ridges=())


def two_strips(measured):
    strip = measured.strip
    cut = {name: getattr(strip, name)[:2] for name in ("times_utc", "frame", "centre_err_mm", "along_err_mm")}
    return moved(replace(measured, strip=replace(strip, **cut)), knots=(), fronts=(), slits=(), ridges=())


CASES = {
    "short front": (short_front, ("height_time", "speed_time"), "Front 1"),
    "front without a model": (front_without_a_model, ("height_time", "speed_time"), "no model fits"),
    "unknown errors": (
        unknown_errors,
        ("height_time", "knot_map", "speed_histogram"),
        "km/s (error unknown)",
    ),
    "400 knots": (
        lambda m: moved(m, knots=tuple(replace(m.motion.knots[i % 5], knot=i + 1) for i in range(400))),
        ("height_time", "knot_map", "speed_histogram"),
        "400 moving knots",
    ),
    "unknown radii": (
        lambda m: locked(m, frame_radius_px=np.full(44, np.nan), frame_radius_err_px=np.full(44, np.nan)),
        ("registration_check",),
        "! The lock is usable, with care",
    ),
    "no limb points": (
        lambda m: locked(m, limb_points_px=np.zeros((0, 2)), rejected_points_px=np.zeros((0, 2))),
        ("registration_check",),
        "x (px)",
    ),
    "black frame": (lambda m: framed(m, 0.0), ("knot_map", "registration_check"), "x (px)"),
    "blind frame": (lambda m: framed(m, np.nan), ("knot_map", "registration_check"), "x (px)"),
    "blind slit": (blind_slit, ("time_distance",), "No ridge stands out along these paths"),
    "two strips": (two_strips, tuple(SHEETS), "No knot and no front was found."),
}


@pytest.mark.parametrize("case", CASES)
def test_odd_runs_are_drawn(case, measured_fake):
    change, names, words = CASES[case]
    measured, said = change(measured_fake), []
    for name in names:
        with themed(LIGHT):
            figure = SHEETS[name](measured, LIGHT)
            figure.canvas.draw()
        said += [text.get_text() for text in figure.findobj(Text)]
    assert any(words in text for text in said)


def test_angles_past_north_are_shown_as_angles_below_360(measured_fake):
    geometry = replace(measured_fake.strip.geometry, from_deg=350.0)
    with themed(LIGHT):
        figure = SHEETS["strip_montage"](
            replace(measured_fake, strip=replace(measured_fake.strip, geometry=geometry)), LIGHT
        )
        figure.canvas.draw()
    axes = next(axes for axes in figure.axes if axes.xaxis.get_visible())
    ticks = {tick.get_loc(): tick.label1.get_text() for tick in axes.xaxis.get_major_ticks()}
    assert any(place > 360 for place in ticks)
    assert all(float(label) == place % 360 for place, label in ticks.items())


def test_a_swing_without_damping(measured_fake):
    swing = replace(measured_fake.motion.oscillations[0], damping_s=np.inf, damping_err_s=np.nan)
    with themed(LIGHT):
        figure = oscillation(measured_fake, swing, LIGHT)
    assert "no damping seen" in figure.texts[1].get_text()


def test_the_limbs_own_radius_is_drawn_where_something_stated_was_joined_in(measured_fake):
    # TRUTH  the limb alone 6 px below the common radius: a line there and its key; none where nothing was
    # joined
    joined = locked(measured_fake, own_radius_px=measured_fake.lock.radius_px - 6.0, own_radius_err_px=2.0)
    keys = []
    for run in (joined, measured_fake):
        axes = registration_check(run, LIGHT).axes[-1]
        keys.append(
            [
                (line.get_label(), line.get_ydata()[0])
                for line in axes.lines
                if str(line.get_label()).startswith("limb alone")
            ]
        )
    assert keys == [[(f"limb alone: {joined.lock.own_radius_px:.1f} ± 2.0 px", pytest.approx(-6.0))], []]


def test_what_is_not_known_stands_below_any_number_of_reasons(measured_fake):
    # TRUTH  twelve frames left out for a dozen reasons of two lines each, and north not known
    used = np.arange(44) >= 12
    kinds = "abcdefghijkl"
    reason = tuple(
        f"something of the kind {kinds[i]} stood in the way of the limb and of the sky" if i < 12 else ""
        for i in range(44)
    )
    run = replace(
        locked(measured_fake, used=used, reason=reason, creep_err_px=np.full(44, 0.2)),
        orientation=replace(measured_fake.orientation, position_angles=False),
    )
    said = [text.get_text() for text in registration_check(run, LIGHT).findobj(Text)]
    assert any(words.startswith("Not known: refraction, north") for words in said)
    assert any("other reasons (see the report)" in words for words in said)
