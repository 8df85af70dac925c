"""A knot alone is no front; a front with knots along it is one."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion import measure_motion
from promtrack.motion.associate import knot_followed
from promtrack.motion.interpretation import front_meaning, knot_meaning
from promtrack.motion.measure import _beside_knots
from promtrack.motion.motion_checks import TURN
from promtrack.motion.records import NONE, Front, FrontFit, FrontSearch
from promtrack.strip.records import StripGeometry
from tests.motion.made_strips import Recipe, made_strip
from tests.motion.test_measure import knot

GEOMETRY = StripGeometry(200, 240, -3.0, 0.73, 60.0, 0.06, 700.0, True)
NOTHING = FrontSearch("none", "No front was seen to rise.")
RISE = 20.0 + 1.5 * np.arange(8)


def front(width_deg: float, above_mm: float = 2.0, extent_deg: float | None = None) -> Front:
    three = np.full(3, 50.0)
    fit = FrontFit(
        "constant speed",
        (),
        three,
        three,
        RISE,
        three,
        three / 50,
        50.0,
        1.0,
        0.0,
        np.nan,
        np.nan,
        np.nan,
        np.nan,
        np.nan,
        0.0,
        1.0,
        True,
    )
    one = np.ones(8)
    return Front(
        1,
        70.0 - 0.5 * width_deg,
        70.0 + 0.5 * width_deg,
        np.arange(8),
        np.arange(8.0) * 30,
        RISE + above_mm,
        0.2 * one,
        70.0 * one,
        (fit,),
        "constant speed",
        1e-9,
        True,
        extent_deg=width_deg if extent_deg is None else extent_deg,
    )


RISING = replace(knot(50.0, 0.0, 1.0), height_mm=RISE, angle_deg=np.full(8, 70.0))


@pytest.mark.parametrize(("width", "above", "followed"), [(0.9, 2.0, 3), (8.0, 2.0, 0), (0.9, 15.0, 0)])
def test_an_edge_in_the_place_of_a_knot_is_that_knot(width, above, followed):
    # TRUTH  a knot's own edge, 11 Mm wide; a front 98 Mm wide with a knot in its crest; an edge 15 Mm above
    # the knot
    one = front(width, above)
    assert knot_followed(one, (RISING,), GEOMETRY) == followed
    assert (
        knot_followed(one, (replace(RISING, moving=False),), GEOMETRY) == followed
    )  # too few frames to be sure of it
    fronts, search = _beside_knots((one,), NOTHING, (RISING,), GEOMETRY, asked=False)
    assert len(fronts) == (0 if followed else 1)
    assert search.sentence.startswith("What rises is knot 3 alone." if followed else "One front rises.")


def test_no_front_is_called_moving_where_the_frames_turn_otherwise(tmp_path, monkeypatch):
    # TRUTH  a front that the search finds; nothing is called moving in such frames
    strip, _ = made_strip(Recipe(frames=12, rows=60, columns=80, knots=0, threads=0), tmp_path, 1)
    monkeypatch.setattr("promtrack.motion.measure.find_fronts", lambda *a, **k: ((front(8.0),), NOTHING))
    (kept,) = measure_motion(strip).fronts
    assert kept.moving
    motion = measure_motion(strip, doubt=TURN)
    (one,) = motion.fronts
    assert not one.moving
    assert one.notes == (f"not called moving, since {TURN}",)
    assert motion.front_search.level == "not measurable"
    (check,) = (check for check in motion.checks if check.name == "search for fronts")
    assert check.sentence == f"A front rises, but is not called moving, since {TURN}."


@pytest.mark.parametrize("width", [0.9, 8.0])
def test_a_front_asked_for_is_kept_and_told(width):
    # TRUTH  the width of the sector that was asked for says nothing: what rises in it is 11 Mm wide
    (one,), _ = _beside_knots((front(width, extent_deg=0.9),), NOTHING, (RISING,), GEOMETRY, asked=True)
    assert one.notes == ("its edge follows knot 3",)
    follows = knot_followed(one, (RISING,), GEOMETRY)
    words = front_meaning(one, 700.0, scale_err=0.0, clock_err=0.0, follows=follows)
    assert "follows knot 3" in words.sentence
    assert "eruption" not in words.sentence + words.source


def test_an_eruption_is_no_knot_that_rises_slowly_with_it():
    # TRUTH  an edge that rises by 6 Mm in six frames and by 144 Mm in five more; a knot lies in it while it
    # is slow, most of the time. A knot that goes with it to the end is all of it.
    height = np.r_[20.0 + np.arange(6), np.linspace(50.0, 170.0, 5)]
    one = replace(
        front(0.9),
        frame=np.arange(11),
        time_s=np.arange(11) * 30.0,
        height_mm=height,
        height_err_mm=np.full(11, 0.2),
        angle_deg=np.full(11, 70.0),
        verdict=NONE,
    )
    slow = replace(
        RISING,
        height_mm=height[:6],
        angle_deg=np.full(6, 70.0),
        frame=np.arange(6),
        along_mm=np.zeros(6),
        height_err_mm=np.full(6, 0.2),
    )
    whole = replace(
        RISING,
        height_mm=height,
        angle_deg=np.full(11, 70.0),
        frame=np.arange(11),
        along_mm=np.zeros(11),
        height_err_mm=np.full(11, 0.2),
    )
    assert (knot_followed(one, (slow,), GEOMETRY), knot_followed(one, (whole,), GEOMETRY)) == (0, 3)


def test_an_acceleration_read_alone_counts_scale_and_clock():
    # TRUTH  a = d/t²: 3 % of scale and twice 2 % of clock are 5 % together, 5 m/s² of 100; with 12 m/s² of
    # chance 13
    fit = replace(front(8.0).fits[0], accel_peak_m_s2=100.0, accel_peak_err_m_s2=12.0)
    assert (
        "± 13 m/s²"
        in front_meaning(replace(front(8.0), fits=(fit,)), 700.0, scale_err=0.03, clock_err=0.02).sentence
    )


def test_what_may_be_two_knots_is_compared_with_nothing():
    slow, fast = knot(25.0, 0.0, 1.0), replace(knot(45.0, 0.0, 1.0), knot=7)
    doubtful = knot_meaning(fast, 700.0, sure_km_s=40.0).sentence
    assert "perhaps confused" in doubtful
    assert "quiet threads" not in doubtful  # what may be two knots is compared with nothing
    assert "quiet threads" not in knot_meaning(slow, 700.0, quiet=False).sentence  # beside an eruption
    assert "perhaps" not in knot_meaning(slow, 700.0, sure_km_s=40.0).sentence
