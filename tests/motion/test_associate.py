"""A knot alone is no front; a front with knots along it is one."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion.associate import knot_followed, moves_with
from promtrack.motion.interpretation import front_meaning, knot_meaning, threads_meaning
from promtrack.motion.measure import _told_by_knots
from promtrack.motion.records import Front, FrontFit
from promtrack.strip.records import StripGeometry
from tests.motion.test_measure import knot

GEOMETRY = StripGeometry(200, 240, -3.0, 0.73, 60.0, 0.06, 700.0, True)
RISE = 20.0 + 1.5 * np.arange(8)


def front(width_deg: float, above_mm: float = 2.0) -> Front:
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
    kept, _ = _told_by_knots((one,), (RISING,), GEOMETRY, asked=False)
    assert len(kept) == (0 if followed else 1)


@pytest.mark.parametrize("width", [0.9, 8.0])
def test_a_front_asked_for_is_kept_and_told(width):
    kept, followed = _told_by_knots((front(width),), (RISING,), GEOMETRY, asked=True)
    assert kept[0].notes == ("its edge follows knot 3",)
    words = front_meaning(kept[0], 700.0, scale_err=0.0, clock_err=0.0, follows=followed[1])
    assert "follows knot 3" in words.sentence
    assert "eruption" not in words.sentence + words.source


def test_an_eruption_asked_for_is_no_knot_of_its():
    # TRUTH  a knot in the crest of a front 98 Mm wide, and two threads that rise at half its height with half
    # its speed
    one = replace(
        knot(25.0, 0.0, 1.0),
        height_mm=0.5 * (RISE + 2.0),
        angle_deg=np.full(8, 70.0),
        time_s=np.arange(8.0) * 30,
    )
    thread = replace(one, fit=replace(one.fit, time_s=105.0))
    assert (
        knot_followed(
            front(8.0), (RISING, replace(thread, knot=5), replace(thread, knot=6)), GEOMETRY, asked=True
        )
        == 0
    )


def test_an_acceleration_read_alone_counts_scale_and_clock():
    # TRUTH  a = d/t²: 3 % of scale and twice 2 % of clock are 5 % together, 5 m/s² of 100; with 12 m/s² of
    # chance 13
    fit = replace(front(8.0).fits[0], accel_peak_m_s2=100.0, accel_peak_err_m_s2=12.0)
    assert (
        "± 13 m/s²"
        in front_meaning(replace(front(8.0), fits=(fit,)), 700.0, scale_err=0.03, clock_err=0.02).sentence
    )


@pytest.mark.parametrize(
    ("radial", "part", "turn", "moving", "thread"),
    [
        (25.0, 0.5, 0.0, True, True),
        (-25.0, 0.5, 0.0, True, False),
        (6.0, 0.5, 0.0, True, False),
        (25.0, 0.5, 9.0, True, False),
        (25.0, 0.5, 0.0, False, False),
        (60.0, 1.3, 0.0, True, False),
    ],
)
def test_threads_of_a_front(radial, part, turn, moving, thread):
    # TRUTH  a front 8 deg wide at 50 km/s; at half its height its threads rise at 25 km/s. Falling, much
    # slower, beside it, at rest or above it a knot is none.
    one = replace(
        knot(radial, 0.0, 1.0),
        height_mm=part * (RISE + 2.0),
        angle_deg=np.full(8, 70.0 + turn),
        time_s=np.arange(8.0) * 30,
        moving=moving,
    )
    one = replace(one, fit=replace(one.fit, time_s=105.0))
    assert moves_with(one, front(8.0)) == thread


def test_threads_get_one_sentence_without_comparison():
    slow, fast = knot(25.0, 0.0, 1.0), replace(knot(45.0, 0.0, 1.0), knot=7)
    words = threads_meaning((slow, fast), front(8.0), sure_km_s=40.0)
    assert words.sentence == (
        "2 knots move with front 1 as threads of it, the fastest, knot 7, at 45.0 ± 1.0 km/s in the plane of "
        "the sky, perhaps confused with a neighbour (too slow a cadence)."
    )
    assert words.about == "knot 7"
    assert "perhaps" not in threads_meaning((slow,), front(8.0), sure_km_s=40.0).sentence
    assert "perhaps confused" in knot_meaning(fast, 700.0, sure_km_s=40.0).sentence
    assert "perhaps" not in knot_meaning(slow, 700.0, sure_km_s=40.0).sentence
