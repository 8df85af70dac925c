"""Axes of the strips and the way between strip and frame."""

import numpy as np
import pytest

from promtrack.errors import InputError, SettingsError
from promtrack.limb.records import to_frame
from promtrack.settings import StripSettings
from promtrack.strip import frame_to_strip, strip_geometry, strip_to_frame
from promtrack.strip.polar import _height_range, frame_matrix
from promtrack.sun import Orientation, Scale
from tests.strip.sky import NORTH_UP, make_lock, scale_of

SHAPE = (600, 900)


def short_arc(**more):
    return make_lock(
        [(440.0, 1250.0), (450.0, 1243.0)], SHAPE, radius_px=900.0, from_deg=-29.0, to_deg=29.0, **more
    )


def geometry_of(lock, orientation=NORTH_UP, **strip):
    return strip_geometry(lock, scale_of(lock), orientation, strip=StripSettings(**strip))


def test_native_scale_and_the_limb_on_a_row():
    # TRUTH  a limb of 900 px radius, 700.05 Mm from the Sun's centre
    lock = short_arc()
    geometry = geometry_of(lock)
    assert geometry.limb_mm == pytest.approx(700.05)
    assert geometry.mm_per_row == pytest.approx(700.05 / 900.0)
    assert np.deg2rad(geometry.deg_per_column) * 900.0 == pytest.approx(1.0)
    assert geometry.row(0.0) == pytest.approx(round(geometry.row(0.0)), abs=1e-6)
    assert -20.0 <= geometry.low_mm < -19.0
    assert geometry.mm_per_column(0.0) == pytest.approx(geometry.mm_per_row)


def test_extent_is_what_the_frames_show():
    # TRUTH  by hand, from the frame's size and the Sun's place
    lock = short_arc()
    geometry = geometry_of(lock)
    # The limb meets the frame's right border where 900 sin(a) = 454 or so, its left border where 900 sin(a) =
    # 445.
    first, last = geometry.from_deg - 360.0, geometry.angle_deg(geometry.columns - 1) - 360.0
    assert first == pytest.approx(-np.degrees(np.arcsin(454.0 / 900.0)), abs=1.0)
    assert last == pytest.approx(np.degrees(np.arcsin(445.0 / 900.0)), abs=1.0)
    # The top corners stand farthest from the centre, 425 px or 331 Mm above the limb, the middle of the upper
    # border 350 px or 272 Mm; the highest row is where a fifth of the columns is still in view.
    assert 272.0 < geometry.height_mm(geometry.rows - 1) < 320.0
    # A setting reaches into the corners.
    corners = geometry_of(lock, high_mm=1000.0)
    assert 315.0 < corners.height_mm(corners.rows - 1) < 331.0


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("zero", [0.0, 77.0, -160.0])
@pytest.mark.parametrize("flattening", [0.0, 0.01])
def test_round_trip(zero, mirrored, flattening):
    # TRUTH  through the frame and back: far below the 0.01 px asked for (1 px is 0.064 deg and 0.78 Mm here).
    lock = short_arc(turns=[0.0, 3.0], flattening=flattening, zenith_deg=20.0)
    orientation = Orientation(True, zero, -1 if mirrored else 1, 0.1, "")
    geometry = geometry_of(lock, orientation)
    rng = np.random.default_rng(1)
    angle = geometry.angle_deg(rng.uniform(0, geometry.columns - 1, 200))
    height = geometry.height_mm(rng.uniform(0, geometry.rows - 1, 200))
    for index in (0, 1):
        x, y = strip_to_frame(geometry, lock, orientation, index, angle, height)
        back_angle, back_height = frame_to_strip(geometry, lock, orientation, index, x, y)
        assert np.abs(back_angle - angle).max() < 1e-7
        assert np.abs(back_height - height).max() < 1e-7


def test_strip_covers_the_frame_whatever_the_orientation():
    # TRUTH  the middle of the strip at the limb lies inside the frame for any zero and sign.
    lock = short_arc()
    for sign in (1, -1):
        for zero in (-170.0, -30.0, 0.0, 95.0, 179.0):
            orientation = Orientation(True, zero, sign, 0.1, "")
            geometry = geometry_of(lock, orientation)
            assert 0.0 <= geometry.from_deg < 360.0
            x, y = strip_to_frame(
                geometry, lock, orientation, 0, geometry.angle_deg(geometry.columns / 2.0), 0.0
            )
            assert 0 < x < SHAPE[1]
            assert 0 < y < SHAPE[0]
            assert geometry.columns == pytest.approx(geometry_of(lock).columns, abs=3)


def test_frame_matrix_is_the_geometry():
    # TWIN  limb.geometry.to_frame, point by point.
    lock = short_arc(turns=[0.0, 3.0], flattening=0.02, zenith_deg=-40.0)
    theta, rho = np.meshgrid(np.linspace(-30, 30, 7), np.linspace(850, 1300, 5))
    x, y = to_frame(lock, 1, theta, rho)
    offsets = np.stack([rho * np.sin(np.deg2rad(theta)), rho * np.cos(np.deg2rad(theta)), np.ones_like(rho)])
    ours = np.einsum("ij,jkl->ikl", frame_matrix(lock, 1), offsets)
    assert np.abs(ours - [x, y]).max() < 1e-9


def test_settings_cut_the_strip():
    # TRUTH  the settings
    lock = short_arc()
    geometry = geometry_of(lock, from_deg=-12.0, to_deg=10.5, low_mm=5.0, high_mm=80.0)
    assert geometry.from_deg == pytest.approx(348.0)
    assert geometry.angle_deg(geometry.columns - 1) == pytest.approx(370.5, abs=geometry.deg_per_column)
    assert geometry.low_mm == 5.0
    assert geometry.height_mm(geometry.rows - 1) == pytest.approx(80.0, abs=geometry.mm_per_row)
    again = geometry_of(lock, from_deg=348.0, to_deg=10.5, low_mm=5.0, high_mm=80.0)
    assert (again.from_deg, again.columns) == (geometry.from_deg, geometry.columns)
    half_open = geometry_of(lock, from_deg=0.0)
    assert half_open.from_deg == pytest.approx(0.0, abs=1e-9)


def test_settings_outside_the_view_are_refused_with_what_is_there():
    lock = short_arc()
    with pytest.raises(SettingsError, match=r"330\.\d to 389\.\d deg"):
        geometry_of(lock, from_deg=100.0, to_deg=140.0)
    with pytest.raises(SettingsError, match="leaves no height in view"):
        geometry_of(lock, low_mm=900.0, high_mm=1000.0)
    with pytest.raises(InputError, match="too small"):
        geometry_of(lock, from_deg=0.0, to_deg=0.5)


def test_heights_that_few_columns_show_are_there_where_they_are_asked_for():
    # TRUTH  every height is in view in 10 of 150 columns, less than a fifth; 262 Mm in the last three, 2 %
    heights = np.arange(-50.0, 400.0, 2.0)
    share = np.array([(heights >= 2 * c - 50) & (heights < 2 * c - 30) for c in range(150)], float).T
    assert _height_range(heights, share, StripSettings(high_mm=100.0)) == (-20.0, 100.0)
    with pytest.raises(SettingsError, match="to 262 Mm is"):
        _height_range(heights, share, StripSettings())


def test_disc_that_fills_the_frame_is_refused():
    lock = make_lock([(440.0, 300.0)], SHAPE, radius_px=700.0, from_deg=-20.0, to_deg=20.0)
    with pytest.raises(InputError, match="nothing off the limb"):
        geometry_of(lock)


def test_no_used_frame():
    with pytest.raises(InputError, match="no frame"):
        geometry_of(short_arc(used=[False, False]))


def test_whole_disc_goes_once_around():
    # TRUTH  one pixel of a limb of 480 px radius
    lock = make_lock([(600.0, 600.0)], (1200, 1200), radius_px=480.0, from_deg=0.0, to_deg=360.0)
    geometry = geometry_of(lock)
    assert geometry.columns * geometry.deg_per_column == pytest.approx(360.0)
    assert geometry.deg_per_column == pytest.approx(np.rad2deg(1.0 / 480.0), rel=1e-3)
    assert geometry.rows * geometry.columns < 4_000_000


def test_fine_scale_is_coarsened_to_a_bounded_strip():
    # TRUTH  a limb of 7000 px radius
    lock = make_lock([(3000.0, 9000.0)], (4000, 6000), radius_px=7000.0, from_deg=-25.0, to_deg=25.0)
    geometry = geometry_of(lock)
    assert geometry.rows * geometry.columns <= 4_010_000
    assert geometry.mm_per_row > 1.5 * 700.05 / 7000.0


def test_a_scale_from_optics_keeps_pixels_square():
    # TRUTH  700 km a pixel
    lock = short_arc()
    scale = Scale(700.0, 7.0, 0.97, "optics", "", True)
    geometry = strip_geometry(lock, scale, NORTH_UP, strip=StripSettings())
    assert geometry.mm_per_row == pytest.approx(0.7)
    assert geometry.mm_per_column(0.0) == pytest.approx(0.7)
