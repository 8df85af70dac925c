"""How high the strips reach: all plasma inside, no more sky than that needs."""

import numpy as np
import pytest

from promtrack.scene import make_scene, scenario
from promtrack.sequence.calibrate import mend_hot_pixels
from promtrack.settings import StripSettings
from promtrack.strip import shown_height_range, strip_geometry, strip_to_frame
from promtrack.strip.height_range import plasma_top_mm
from promtrack.sun import Orientation, Scale
from tests.strip.sky import NORTH_UP, make_lock, make_sequence, polar_of, scale_of

SHAPE = (420, 560)
IMAGE_ANGLES = Orientation(False, 0.0, 1, 0.1, "image angles")
SKY, NOISE = 600.0, 12.0


def lock_of(count):
    centres = [(280.3 + 0.7 * k, 1000.7 - 0.4 * k) for k in range(count)]
    return make_lock(
        centres, SHAPE, radius_px=800.0, from_deg=-20.0, to_deg=20.0, turns=0.05 * np.arange(count)
    )


def geometry_of(lock):
    return strip_geometry(lock, scale_of(lock), NORTH_UP, strip=StripSettings())


def frames_of(lock, *, spots=(), dtype=np.uint16, sky=SKY, noise=NOISE, bank=0.0):
    """Disc, slanting halo and noise; spots (frame, angle, height, peak) are blurred by 1.8 px; `bank` is a
    cloud's slope."""
    rng = np.random.default_rng(3)
    geometry = geometry_of(lock)
    frames = []
    for k in range(len(lock.names)):
        angle, rho = polar_of(lock, k)
        light = np.where(
            rho < lock.radius_px,
            40.0 * sky,
            sky * (1.0 + 0.8 * np.exp(-(rho - lock.radius_px) / 60.0) + 0.002 * angle),
        )
        light = light * (1.0 + bank * angle)
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
        for frame, at, height, peak in spots:
            if frame == k:
                px, py = strip_to_frame(geometry, lock, NORTH_UP, k, at, height)
                light = light + peak * np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * 1.8**2))
        frames.append(
            np.clip(np.rint(light + noise * rng.standard_normal(SHAPE)), 0, np.iinfo(dtype).max).astype(dtype)
        )
    return frames


@pytest.mark.parametrize("height_mm", [35.0, 80.0, 150.0])
def test_the_highest_knot_of_any_frame_sets_the_ceiling(height_mm):
    # TRUTH  one knot in one frame of nine, 5 sigma a pixel: matched S/N = 5 sqrt(4 pi) 1.8 / 2 = 16. Its
    # height is told to one coarse pixel and the blurred knot's own reach, 3 coarse pixels in all.
    lock = lock_of(9)
    spots = [(5, 4.0, height_mm, 5 * NOISE), (2, -6.0, 22.0, 20 * NOISE)]
    found = plasma_top_mm(make_sequence(frames_of(lock, spots=spots)), lock, NORTH_UP, geometry_of(lock))
    assert abs(found - height_mm) < 3.0 * 4 * geometry_of(lock).mm_per_row


@pytest.mark.parametrize("bank", [0.0, 0.01])
def test_an_empty_sky_gives_the_least_ceiling(bank):
    # TRUTH  no plasma, also under a bank of cloud that dims the frame by a third from one side to the other:
    # 60 Mm.
    lock = lock_of(9)
    geometry = geometry_of(lock)
    lowered = shown_height_range(make_sequence(frames_of(lock, bank=bank)), lock, NORTH_UP, geometry)
    assert geometry.height_mm(geometry.rows - 1) > 100.0
    assert lowered.height_mm(lowered.rows - 1) == pytest.approx(60.0, abs=geometry.mm_per_row)
    assert (lowered.low_mm, lowered.columns, lowered.mm_per_row) == (
        geometry.low_mm,
        geometry.columns,
        geometry.mm_per_row,
    )


def test_whole_counts_of_a_dark_eight_bit_sky_are_no_plasma():
    # TRUTH  a sky of 6 counts with noise far below one count: its contours are steps of a whole count.
    lock = lock_of(5)
    frames = frames_of(lock, dtype=np.uint8, sky=6.0, noise=0.05)
    assert plasma_top_mm(make_sequence(frames, full_scale=255.0), lock, NORTH_UP, geometry_of(lock)) < 30.0


@pytest.mark.parametrize(
    "name",
    ["eruption", pytest.param("rain", marks=pytest.mark.long), pytest.param("quiet", marks=pytest.mark.long)],
)
def test_the_scenarios_keep_all_their_plasma(name):
    # TRUTH  the top of every front and of every knot while it is visible, from the scene's own record, lies
    # in the strips; and a third of the rows is saved where nothing erupts.
    spec = scenario(name)
    scene = make_scene(spec)
    truth = scene.truth
    half = float(np.degrees(0.5 * spec.shape[1] / spec.radius_px))
    lock = make_lock(
        np.column_stack([truth.centre_x_px, truth.centre_y_px]),
        spec.shape,
        radius_px=truth.radius_px,
        from_deg=spec.facing_deg - half,
        to_deg=spec.facing_deg + half,
        turns=truth.angle_deg,
        transparency=truth.transparency,
        used=truth.good,
    )
    scale = Scale(truth.mm_per_px * 1e3, 1.0, truth.arcsec_per_px, "limb", "", True)
    geometry = strip_geometry(lock, scale, IMAGE_ANGLES, strip=StripSettings())
    lowered = shown_height_range(mend_hot_pixels(scene.sequence())[0], lock, IMAGE_ANGLES, geometry)
    tops = [np.nanmax(f.height_mm) for f in truth.fronts] + [
        np.nanmax(k.height_mm[k.visible]) for k in truth.knots if k.visible.any()
    ]
    assert lowered.height_mm(lowered.rows - 1) > max(tops) + 15.0
    assert name == "eruption" or lowered.rows < 0.67 * geometry.rows
