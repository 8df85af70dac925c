"""Colours of marks: told apart by every eye, legible on their ground; and the letters of what moves."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from skimage.color import rgb2lab

from promtrack.motion.interpretation import LETTERS, label_motion
from promtrack.show.palette import LOOKS, ON_DARK, ON_LIGHT, bgr_of, palette_bgr
from tests.outside.test_report_standards import DEFICIENCIES, contrast, linear
from tests.show.clip_case import quick_run


def seen(colour, matrix):
    """CIE L*a*b* of a colour as an eye with this deficiency sees it."""
    light = np.clip(linear(colour) @ matrix.T, 0.0, 1.0)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return rgb2lab(coded[None])[0]


@pytest.mark.parametrize("eye", DEFICIENCIES)
@pytest.mark.parametrize("marks", [ON_DARK, ON_LIGHT])
def test_front_knots_and_the_rest_are_told_apart(marks, eye):
    # TRUTH  our own colours, through the published matrices of Machado, Oliveira & Fernandes 2009; the goal,
    # a CIE76 distance of 20, is ours: eight to nine just noticeable differences (2.3, Mahy et al. 1994).
    colours = [seen(colour, DEFICIENCIES[eye]) for colour in (marks.front, *marks.knots, marks.rest)]
    assert min(np.linalg.norm(a - b) for a, b in combinations(colours, 2)) >= 20.0


@pytest.mark.parametrize(("marks", "paper"), [(ON_DARK, "#14120f"), (ON_LIGHT, "#fbfaf8")])
def test_marks_stand_out_from_their_ground(marks, paper):
    # PUBLISHED  WCAG 2.2: 3:1 for graphics (1.4.11), 4.5:1 for text (1.4.3).
    assert all(contrast(colour, paper) >= 3.0 for colour in (marks.front, *marks.knots, marks.rest))
    assert contrast(marks.annotation, paper) >= 4.5
    if marks is ON_DARK:  # the clip writes in these colours
        assert all(contrast(colour, paper) >= 4.5 for colour in (marks.front, *marks.knots))


def test_annotation_is_cold_and_the_sun_is_warm():
    # TRUTH  by CIELAB: annotation leans to blue (b* < 0), coloured looks of the Sun to red (a* > 0) wherever
    # they have a colour.
    for marks in (ON_DARK, ON_LIGHT):
        assert rgb2lab(np.array(bgr_of(marks.annotation))[None, ::-1] / 255.0)[0, 2] < 0.0
    for look in set(LOOKS) - {"ash"}:
        lab = rgb2lab(palette_bgr(look)[None, 40:230, ::-1] / 255.0)[0]
        assert (lab[:, 1] > 0.0).all()


def test_letters_go_to_fronts_then_to_the_fastest_knots():
    # TRUTH  the hand-made run: one front is A, the knots follow by speed; what does not move has no letter,
    # and a knot that no model describes comes after those that have a speed.
    motion = quick_run().motion
    labels = label_motion(motion)
    moving = sorted((k for k in motion.knots if k.moving), key=lambda k: -k.fit.speed_km_s)
    assert labels.front(motion.fronts[0]) == "A"
    assert [labels.knot(k) for k in moving] == ["B", "C", "D", *[""] * (len(moving) - 3)]
    assert [labels.place(k) for k in moving] == [0, 1, 2, *[-1] * (len(moving) - 3)]
    assert "E" not in LETTERS  # is east
    assert "N" not in LETTERS  # is north
    still = next(k for k in motion.knots if not k.moving)
    assert (labels.knot(still), labels.place(still)) == ("", -1)
    odd = replace(moving[0], fit=replace(moving[0].fit, model="none"))
    again = label_motion(replace(motion, knots=(odd, *moving[1:])))
    assert again.knot(odd) == ""
    assert again.knot(moving[1]) == "B"
    assert ON_DARK.knot(labels.place(still)) == ON_DARK.rest


def test_a_knot_that_may_be_its_neighbour_has_no_letter_before_one_that_is_sure():
    # TRUTH  the hand-made run, its fastest knot faster than what can be told from its neighbours
    motion = quick_run().motion
    first, second, *_ = (k for k in sorted(motion.knots, key=lambda k: -k.fit.speed_km_s) if k.moving)
    limit = 0.5 * (first.fit.speed_km_s + second.fit.speed_km_s)
    labels = label_motion(replace(motion, control=replace(motion.control, sure_km_s=limit)))
    assert labels.knot(second) == "B"
    assert labels.knot(first) != "B"
