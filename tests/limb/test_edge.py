"""The unwrapped limb zone and the edge in it."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.special import erf

from promtrack.limb.edge import edge_of, fit_rays, make_grid, shift_by_blur, unwrap
from promtrack.limb.records import Place, frame_points


def disc(place: Place, shape: tuple[int, int], width_px: float, darkening: float = 0.0) -> np.ndarray:
    """A limb with an error function's fall, its steepest point on the circle."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    height = np.hypot(x - place.x_px, y - place.y_px) - place.radius_px
    inside = 0.5 - 0.5 * erf(height / (np.sqrt(2) * width_px))
    return (1000.0 + 20000.0 * inside * (1 - darkening * np.exp(np.minimum(height, 0) / 30))).astype(
        np.float32
    )


def test_zone_holds_the_frame_along_its_rays():
    # TWIN  scipy's spline sampling at the points that the geometry gives. OpenCV rounds positions to 1/32 px:
    # with this smooth picture that is less than 2 counts.
    y, x = np.mgrid[0:240, 0:330]
    frame = (5000 + 900 * np.sin(x / 17) * np.cos(y / 13)).astype(np.float32)
    place = Place(160.3, 420.8, 300.0, turn_deg=1.7, flattening=0.01, zenith_deg=20.0)
    grid = make_grid(300.0, 20.0, 24.0)
    zone = unwrap(frame, place, grid)
    theta = grid.theta_deg[zone.ray]
    px, py = frame_points(place, theta[:, None], place.radius_px + grid.offset_px)
    twin = map_coordinates(frame, [py, px], order=3)
    assert zone.valid.any()
    assert np.abs(zone.value - twin)[zone.valid].max() < 4.0
    inside = (px >= 1) & (px <= 328) & (py >= 1) & (py <= 238)
    assert (zone.valid == inside).mean() > 0.999  # float32 at the very border


def test_rays_run_from_one_end_of_the_limb_to_the_other_also_across_zero():
    # By definition: neighbours in the zone are neighbours on the limb, so a limb at the top goes ... 358,
    # 359, 0, 1 ...
    grid = make_grid(300.0, 20.0, 24.0)
    zone = unwrap(np.zeros((240, 330), np.float32), Place(160.0, 420.0, 300.0), grid)
    steps = np.mod(np.diff(zone.ray), len(grid.theta_deg))
    assert (steps == 1).all()
    assert zone.ray[0] > zone.ray[-1]


@pytest.mark.parametrize("turn", [0.0, 40.0, 175.0])
def test_edge_lies_on_the_steepest_point(turn):
    # TRUTH  an error function's edge, at every phase of the pixels: mean offset below 0.01 px, and its width.
    place = Place(331.7, 402.2, 900.0 / 3, turn)
    zone_frame = disc(place, (480, 640), 1.4)
    grid = make_grid(300.0, 20.0, 24.0)
    zone = unwrap(zone_frame, place, grid)
    edge = edge_of(zone, grid, search_px=9.0, blur_px=0.8, along_px=2.0)
    assert edge.good.all()
    assert edge.offset_px.mean() == pytest.approx(0.0, abs=0.01)
    assert np.median(edge.width_px) == pytest.approx(1.4, rel=0.05)


def test_the_shift_by_blur_is_seen_where_the_sides_are_unlike_and_nought_where_they_are_not():
    # TRUTH  a disc that darkens within 30 px of its edge moves the blurred edge inward; two blurs tell so.
    place = Place(331.7, 402.2, 300.0)
    grid = make_grid(300.0, 20.0, 24.0)
    biases, raw = [], []
    for darkening in (0.0, 0.6):
        zone = unwrap(disc(place, (480, 640), 1.4, darkening), place, grid)
        narrow, wide = (edge_of(zone, grid, search_px=9.0, blur_px=b) for b in (0.8, 1.6))
        fit = fit_rays(np.radians(grid.theta_deg[zone.ray]), narrow)
        biases.append(shift_by_blur(narrow, wide, fit.kept))
        raw.append(float(narrow.offset_px.mean()))
    assert biases[0] == pytest.approx(0.0, abs=0.01)
    assert abs(raw[1]) > 0.03
    assert np.sign(biases[1]) == np.sign(raw[1])
