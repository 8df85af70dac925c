"""Gravity, escape speed, ballistic heights and free fall against tabulated values."""

import numpy as np
import pytest

from promtrack.motion.gravity import ballistic_height_mm, free_fall_km_s
from promtrack.sun import escape_speed_km_s, gravity_m_s2


@pytest.mark.parametrize(
    ("height_mm", "gravity", "escape"),
    [(0.0, 274.200, 617.675), (50.0, 238.662, 596.608), (100.0, 209.610, 577.559)],
)
def test_gravity_and_escape(height_mm, gravity, escape):
    # PUBLISHED  (GM)sun = 1.3271244e20 m3/s2 and R = 695 700 km (IAU 2015 Resolution B3) give these.
    # Tolerance 0.01.
    assert gravity_m_s2(height_mm) == pytest.approx(gravity, abs=0.01)
    assert escape_speed_km_s(height_mm) == pytest.approx(escape, abs=0.01)


def test_jpl_rounds_to_the_same():
    # PUBLISHED  JPL Horizons, Sun, physical data: escape speed 617.7 km/s, surface gravity 274.0 m/s2 (274.2
    # with the nominal values; the page is based on a slightly larger radius).
    assert round(float(escape_speed_km_s(0.0)), 1) == 617.7
    assert gravity_m_s2(0.0) == pytest.approx(274.0, abs=0.25)


@pytest.mark.parametrize(
    ("speed", "height"), [(50, 4.59), (100, 18.73), (200, 81.48), (300, 214.78), (400, 502.49)]
)
def test_ballistic_height(speed, height):
    # TRUTH  h = R v^2 / (v_esc^2 - v^2), inverse-square gravity. Tolerance 0.1 Mm.
    assert ballistic_height_mm(speed) == pytest.approx(height, abs=0.1)


def test_ballistic_height_at_escape():
    assert np.isinf(ballistic_height_mm(617.7))
    np.testing.assert_array_equal(np.isinf(ballistic_height_mm(np.array([600.0, 618.0]))), [False, True])


@pytest.mark.parametrize(("height", "speed"), [(20, 103.3), (50, 159.9), (100, 219.0)])
def test_free_fall(height, speed):
    # TRUTH  from rest to the surface. Tolerance 0.1 km/s.
    assert free_fall_km_s(height) == pytest.approx(speed, abs=0.1)


def test_fall_undoes_launch():
    # TWIN  a body thrown up at v comes back at v, from any height.
    for speed in (30.0, 150.0, 500.0):
        top = ballistic_height_mm(speed, 40.0)
        assert free_fall_km_s(top, 40.0) == pytest.approx(speed, rel=1e-9)
        assert free_fall_km_s(ballistic_height_mm(speed)) == pytest.approx(speed, rel=1e-9)
