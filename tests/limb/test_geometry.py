"""Polar geometry of a frame, both ways."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from promtrack.limb import lock_limb
from promtrack.limb.records import Place, frame_points, polar_points, turn_at, visible_angles
from promtrack.scene import SceneSpec, make_scene


@given(st.floats(0, 359.9), st.floats(10, 3000), st.floats(-40, 40), st.floats(0, 0.1), st.floats(-180, 180))
def test_there_and_back(theta, rho, turn, flat, zenith):
    # TRUTH  the way back ends where the way there began
    place = Place(-200.5, 900.25, 1000.0, turn, flat, zenith)
    x, y = frame_points(place, theta, rho)
    back, distance = polar_points(place, x, y)
    assert float(distance) == pytest.approx(rho, rel=1e-9)
    assert (float(back) - theta + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-6)


def test_angles_run_counter_clockwise_from_up():
    # TRUTH  By definition of the image angle: direction (dx, dy) = (-sin, -cos), y running down.
    place = Place(100.0, 200.0, 50.0)
    for theta, expected in ((0, (100, 150)), (90, (50, 200)), (180, (100, 250)), (270, (150, 200))):
        assert frame_points(place, theta, 50.0) == pytest.approx(expected, abs=1e-9)


def test_flattening_shortens_the_diameter_towards_the_zenith():
    # TRUTH  a flattening of 1 % towards the zenith, which stands at 30 deg
    place = Place(0.0, 0.0, 1000.0, 0.0, 0.01, 30.0)
    along, across = frame_points(place, 30.0, 1000.0), frame_points(place, 120.0, 1000.0)
    assert np.hypot(*along) == pytest.approx(990.0)
    assert np.hypot(*across) == pytest.approx(1000.0)


def test_visible_angles_of_a_centre_below_the_frame():
    theta = np.arange(0.0, 360.0, 1.0)
    seen = theta[visible_angles(Place(320.0, 1400.0, 1064.0), (480, 640), theta)]
    assert set(np.round((seen + 180) % 360 - 180)) == set(range(-17, 18))


def test_turn_of_a_frame_that_was_left_out():
    # TRUTH  a field that turns by 0.02 deg a frame; the first frame is lost.
    scene = make_scene(SceneSpec(shape=(240, 320), frames=12, limb_arc_deg=60.0, lost_frames=(0,), seed=3))
    lock = lock_limb(scene.sequence())
    assert not lock.used[0]
    turning = replace(lock, angle_deg=np.where(lock.used, 0.02 * np.arange(12), np.nan))
    assert turn_at(turning, 0) == pytest.approx(0.0, abs=1e-9)
    assert turn_at(turning, 5) == pytest.approx(0.10)
