"""How the Sun turns."""

import numpy as np
import pytest

from promtrack.sun import limb_drift, seen_height_mm, synodic_deg_day


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


@pytest.mark.parametrize(
    ("hours", "sunk_mm"), [(1, 0.035), (2, 0.139), (4, 0.555), (6, 1.248), (12, 4.986), (24, 19.87)]
)
def test_what_stood_on_the_limb_sinks(hours, sunk_mm):
    # TRUTH  R (1 - cos wt) by hand, R = 695.7 Mm, w = 13.727 deg a day (the PUBLISHED rate of the equator
    # less the Earth's). Tolerance: one of the last digit.
    turned = float(synodic_deg_day(0.0)) * hours / 24.0
    assert -float(seen_height_mm(0.0, turned)) == pytest.approx(sunk_mm, abs=0.01 if hours == 24 else 0.001)


@pytest.mark.parametrize(("turned", "seen"), [(5, 47.16), (10, 38.67), (15, 24.59), (20, 5.03)])
def test_a_prominence_beyond_the_limb_is_seen_lower(turned, seen):
    # TRUTH  (R + h) cos t - R by hand for h = 50 Mm. Tolerance: the last digit.
    assert float(seen_height_mm(50.0, turned)) == pytest.approx(seen, abs=0.01)


def test_seen_height_against_turning_the_point_itself():
    # TWIN  a point in three dimensions turned about the axis; its distance from the line of sight.
    for latitude, turn in ((30.0, 25.0), (-50.0, 40.0), (0.0, -10.0)):
        tilt, t = np.radians(latitude), np.radians(turn)
        x, y, z = 725.7 * np.cos(tilt), 725.7 * np.sin(tilt), 0.0
        x, z = x * np.cos(t) - z * np.sin(t), x * np.sin(t) + z * np.cos(t)
        assert float(seen_height_mm(30.0, turn, latitude)) == pytest.approx(np.hypot(x, y) - 695.7, abs=1e-9)
