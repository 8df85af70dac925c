"""The drift of the centre that a flattening leaves in which is not modelled."""

import numpy as np
import pytest

from promtrack.limb.creep import centre_creep
from promtrack.limb.radius import Edges

COURSE = np.linspace(0.010, 0.006, 5)
RADIUS_PX = 1000.0


def edges_over(from_deg: float, to_deg: float) -> Edges:
    phi = np.radians(np.arange(from_deg, to_deg, 2.0))
    n = np.broadcast_to(np.column_stack([-np.sin(phi), -np.cos(phi)]), (5, len(phi), 2))
    return Edges(np.zeros(n.shape[:2]), np.ones(n.shape[:2]), n, np.arange(len(phi)))


@pytest.mark.parametrize("facing", [0.0, 70.0, 200.0])
def test_on_a_very_short_arc_it_is_what_the_formula_says(facing):
    # TRUTH  the limb lies R f cos^2 nearer and its features R f sin cos aside: rms over all directions
    # sqrt(3/8) and sqrt(1/8).
    creep = centre_creep(edges_over(facing - 4.0, facing + 4.0), COURSE, RADIUS_PX)
    course = np.abs(COURSE - COURSE.mean()) * RADIUS_PX
    assert creep.across_px == pytest.approx(np.sqrt(3 / 8) * course, rel=0.01)
    assert creep.along_px == pytest.approx(np.sqrt(1 / 8) * course, rel=0.01)


def test_a_whole_disc_keeps_its_centre():
    # TRUTH  by symmetry: an ellipse has the centre of its circle.
    creep = centre_creep(edges_over(0.0, 360.0), COURSE, RADIUS_PX)
    assert np.abs(creep.across_px).max() < 1e-9
    assert np.abs(creep.along_px).max() < 1e-9


def test_a_steady_flattening_makes_no_drift():
    assert (centre_creep(edges_over(-15.0, 15.0), np.full(5, 0.01), RADIUS_PX).across_px == 0).all()


def test_it_covers_what_a_flattened_limb_does_to_a_circle():
    # TRUTH  a limb flattened towards 36 directions, its circle laid on by least squares and held along it by
    # its features: the centre's shift against the stated sigma has unit rms by definition; 2 % for the
    # coarser directions of the sum.
    from promtrack.limb.geometry import Place, frame_points

    theta = np.arange(-17.0, 17.0, 0.5)
    stated = centre_creep(edges_over(-17.0, 17.0), np.array([0.0, 0.01]), RADIUS_PX)
    shifts = []
    for zenith in np.arange(0.0, 180.0, 5.0):
        x, y = frame_points(Place(0.0, 0.0, RADIUS_PX, 0.0, 0.01, zenith), theta, RADIUS_PX)
        x0, y0 = frame_points(Place(0.0, 0.0, RADIUS_PX), theta, RADIUS_PX)
        sine, cosine = np.sin(np.radians(theta)), np.cos(np.radians(theta))
        along = np.mean(-(x - x0) * cosine + (y - y0) * sine)  # of the features; the limb faces up
        radial = np.hypot(x, y) - RADIUS_PX
        across = np.sum(cosine * (radial - along * sine)) / np.sum(cosine**2)
        shifts.append((across, along))
    rms = np.sqrt(np.mean(np.square(shifts), axis=0))
    assert 2 * stated.across_px[0] == pytest.approx(
        rms[0], rel=0.02
    )  # the course goes half above, half below its mean
    assert 2 * stated.along_px[0] == pytest.approx(rms[1], rel=0.02)
