"""Figures of odd runs: drawn without a warning, and saying what is missing. Warnings are errors in all
tests."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.text import Text

from promtrack.show.figures.style import LIGHT, themed
from tests.show.fake_run import SHAPE
from tests.show.test_figures import drawing


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
    return moved(
        measured, slits=(replace(slit, value=np.full_like(slit.value, np.nan)),), ridges=(), oscillations=()
    )


def two_strips(measured):
    strip = measured.strip
    cut = {name: getattr(strip, name)[:2] for name in ("times_utc", "frame", "centre_err_mm", "along_err_mm")}
    return moved(
        replace(measured, strip=replace(strip, **cut)),
        knots=(),
        fronts=(),
        slits=(),
        ridges=(),
        oscillations=(),
    )


CASES = {
    "short front": (short_front, ("height_time", "speed_time"), "A  leading edge"),
    "front without a model": (
        front_without_a_model,
        ("height_time", "speed_time", "strip_montage"),
        "no simple model describes it",
    ),
    "unknown errors": (unknown_errors, ("height_time", "knot_map"), "km/s ± unknown"),
    "400 knots": (
        lambda m: moved(m, knots=tuple(replace(m.motion.knots[i % 5], knot=i + 1) for i in range(400))),
        ("height_time", "knot_map"),
        "Beside the leading edge 400 knots move: ",
    ),
    "unknown radii": (
        lambda m: locked(m, frame_radius_px=np.full(44, np.nan), frame_radius_err_px=np.full(44, np.nan)),
        ("registration_check",),
        "! Use the lock with care",
    ),
    "no limb points": (
        lambda m: locked(m, limb_points_px=np.zeros((0, 2)), rejected_points_px=np.zeros((0, 2))),
        ("registration_check",),
        "x (px)",
    ),
    "black frame": (lambda m: framed(m, 0.0), ("knot_map", "strip_montage", "registration_check"), "x (px)"),
    "blind frame": (
        lambda m: framed(m, np.nan),
        ("knot_map", "strip_montage", "registration_check"),
        "x (px)",
    ),
    "blind slit": (blind_slit, ("time_distance",), "No streaks (ridges)"),
    "two strips": (
        two_strips,
        ("summary", "strip_montage", "registration_check"),
        "No motion could be shown",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_odd_runs_are_drawn(case, measured_fake):
    change, names, words = CASES[case]
    measured, said = change(measured_fake), []
    for name in names:
        with themed(LIGHT):
            figure = drawing(name)(measured, LIGHT)
            figure.canvas.draw()
        said += [text.get_text() for text in figure.findobj(Text)]
    assert any(words in text for text in said)


def test_a_swing_without_damping(measured_fake):
    swing = replace(measured_fake.motion.oscillations[0], damping_s=np.inf, damping_err_s=np.nan)
    with themed(LIGHT):
        figure = drawing("oscillation")(moved(measured_fake, oscillations=(swing,)), LIGHT)
    assert "no damping seen" in figure.texts[1].get_text()


def test_the_limbs_own_radius_is_drawn_where_something_stated_was_joined_in(measured_fake):
    # TRUTH  the limb alone 6 px below the common radius: a dashed line there; none where nothing was joined
    joined = locked(measured_fake, own_radius_px=measured_fake.lock.radius_px - 6.0, own_radius_err_px=2.0)
    for run, at in ((joined, [pytest.approx(-6.0)]), (measured_fake, [])):
        with themed(LIGHT):
            axes = drawing("registration_check")(run, LIGHT).axes[-1]
        dashed = [line for line in axes.lines if line.get_linestyle() == "--"]
        assert [line.get_ydata()[0] for line in dashed] == at
        assert ("limb alone" in axes.get_title(loc="left")) is bool(at)


def test_many_reasons_stay_on_the_sheet(measured_fake):
    # TRUTH  twelve frames left out for a dozen reasons of two lines each
    kinds = "abcdefghijkl"
    words = "something of the kind {} stood in the way of the limb and of the sky"
    reason = tuple(words.format(kinds[i]) if i < 12 else "" for i in range(44))
    run = locked(measured_fake, used=np.arange(44) >= 12, reason=reason)
    with themed(LIGHT):
        figure = drawing("registration_check")(run, LIGHT)
    said = [text.get_text() for text in figure.texts]
    assert "The other reasons stand in the report." in said
    assert min(text.get_position()[1] for text in figure.texts[2:-1]) > 0.05
