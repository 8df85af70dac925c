"""How the Sun turns."""

import numpy as np
import pytest

from promtrack.sun import limb_drift, synodic_deg_day


def test_rotation_law_published():
    # PUBLISHED  Snodgrass & Ulrich 1990, Astrophys. J. 351, 309: A = 14.713, B = -2.396, C = -1.787 deg a
    # day, evaluated by hand at 0, 30 and 60 deg and less the Earth's 0.9856. Tolerance: half the last digit.
    assert synodic_deg_day(np.array([0.0, 30.0, 60.0])) == pytest.approx([13.727, 13.017, 10.925], abs=0.0005)


@pytest.mark.parametrize("b0", [-7.2, 0.0, 4.8])
@pytest.mark.parametrize("distance", [0.7, 0.97, 1.0, 1.06])
def test_drift_against_turning_the_points_themselves(b0, distance):
    # TWIN  points on a sphere turned about its axis by half an hour's angle either way; their position
    # angles' change, at second order.
    for pa in np.arange(0.0, 360.0, 30.0):
        angle, tilt = np.radians(pa), np.radians(b0)
        depth = np.sqrt(max(1 - distance**2, 0.0))
        point = np.array([-np.sin(angle) * distance, np.cos(angle) * distance, depth])
        axis = np.array([0.0, np.cos(tilt), np.sin(tilt)])
        latitude = np.degrees(np.arcsin(np.clip(point @ axis / np.linalg.norm(point), -1, 1)))
        places = []
        for hours in (-0.5, 0.5):
            turn = np.radians(synodic_deg_day(latitude) * hours / 24.0)
            turned = (
                point * np.cos(turn)
                + np.cross(axis, point) * np.sin(turn)
                + axis * (axis @ point) * (1 - np.cos(turn))
            )
            places.append(np.arctan2(-turned[0], turned[1]))
        moved = distance * ((places[1] - places[0] + np.pi) % (2 * np.pi) - np.pi) / 3600.0
        assert float(limb_drift(np.array(pa), np.array(distance), b0)) == pytest.approx(
            moved, rel=2e-3, abs=1e-10
        )


def test_at_the_limb_it_is_a_turn_by_the_tilt():
    # TRUTH  the rate at the latitude below times sin B0, counter-clockwise as north through east, where the
    # pole is tilted towards us.
    west = float(limb_drift(np.array(270.0), np.array(1.0), 7.0))
    assert west == pytest.approx(np.radians(13.727) / 86400.0 * np.sin(np.radians(7.0)), rel=1e-4)
    assert float(limb_drift(np.array(270.0), np.array(1.0), -7.0)) == pytest.approx(-west)
