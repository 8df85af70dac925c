"""Hot and dead pixels: found where they were put, and nothing else is touched."""

import numpy as np
import pytest

from promtrack.scene import SceneSpec, make_scene
from promtrack.sequence.calibrate import find_hot_pixels, mend_hot_pixels
from promtrack.sequence.opening import sequence_from_arrays

SPEC = SceneSpec(shape=(240, 320), frames=9, limb_arc_deg=40.0, drift_px=(14.0, 6.0), seed=4)


@pytest.fixture(scope="module")
def frames():
    scene = make_scene(SPEC)
    return [scene.frame(i) for i in range(SPEC.frames)]


def test_a_clean_sensor_has_none(frames):
    assert len(find_hot_pixels(frames, full_scale=65535.0)) == 0


def test_faults_are_found_and_mended(frames):
    # TRUTH  twelve hot pixels off the limb and one dead one on the disc, put in by hand.
    places = [(20 + 9 * k, 17 + 23 * k) for k in range(12)]
    spoiled = [frame.copy() for frame in frames]
    for frame in spoiled:
        for y, x in places:
            frame[y, x] = min(65535, int(frame[y, x]) + 9000)
        frame[230, 160] = 0
    found = {tuple(p) for p in find_hot_pixels(spoiled, full_scale=65535.0)}
    assert found == {*places, (230, 160)}
    sequence = sequence_from_arrays(spoiled, SPEC.times_utc, full_scale=65535.0)
    mended, count = mend_hot_pixels(sequence)
    assert count == 13
    changed = mended.frame(4) != spoiled[4]
    assert {tuple(p) for p in np.argwhere(changed)} <= found
    noise = np.std(np.diff(frames[4][:60].astype(float), axis=1)) / np.sqrt(2)
    for y, x in places:  # the median of eight neighbours scatters less than one pixel does
        assert abs(float(mended.frame(4)[y, x]) - float(frames[4][y, x])) < 6 * max(
            noise, 0.1 * float(frames[4][y, x])
        )


def test_the_input_frames_are_left_alone(frames):
    spoiled = [frame.copy() for frame in frames]
    for frame in spoiled:
        frame[20, 17] += 9000
    before = spoiled[0].copy()
    mended, _ = mend_hot_pixels(sequence_from_arrays(spoiled, SPEC.times_utc, full_scale=65535.0))
    mended.frame(0)
    np.testing.assert_array_equal(spoiled[0], before)


@pytest.mark.parametrize("count", [1, 9])
def test_a_fixed_point_of_the_sun_is_no_hot_pixel(count):
    # TRUTH  a point imaged with two pixels full width at half maximum on a sensor that does not drift.
    y, x = np.mgrid[0:60, 0:80]
    point = 20000 * np.exp(-((y - 30.0) ** 2 + (x - 41.0) ** 2) / (2 * (2 / 2.355) ** 2))
    rng = np.random.default_rng(3)
    frames = [(500 + point + rng.normal(0, 30, point.shape)).astype(np.uint16) for _ in range(count)]
    assert len(find_hot_pixels(frames, full_scale=65535.0)) == 0


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_few_frames_are_enough(frames, count):
    # TRUTH  a clean sensor has no hot pixel in few frames either; those put in are found in any number
    few = [frame.copy() for frame in frames[:count]]
    assert find_hot_pixels(few, full_scale=65535.0).shape == (0, 2)
    for frame in few:
        frame[20, 17] += 9000
    assert find_hot_pixels(few, full_scale=65535.0).tolist() == [[20, 17]]


@pytest.mark.parametrize("count", [2, 3, 9])
def test_whole_counts_make_no_hot_pixels(count):
    # TRUTH  8 bit, noise of a third to a half of a count, so that most pixels of the sky are alike: none is
    # hot but the one put in
    rng = np.random.default_rng(7)
    sky = [np.round(rng.normal(5.0, sigma, (200, 300))) for sigma in rng.uniform(0.3, 0.5, count)]
    frames = [frame.astype(np.uint8) for frame in sky]
    assert find_hot_pixels(frames, full_scale=255.0).shape == (0, 2)
    for frame in frames:
        frame[40, 50] = 60
    assert find_hot_pixels(frames, full_scale=255.0).tolist() == [[40, 50]]


@pytest.mark.parametrize("other", [np.zeros, np.ones])
@pytest.mark.parametrize("at", [0, 4, 8])
def test_a_frame_of_something_else_hides_no_hot_pixel(frames, other, at):
    # TRUTH  one hot pixel in every frame but one, which is black, or even, throughout
    spoiled = [frame.copy() for frame in frames]
    for frame in spoiled:
        frame[20, 17] += 9000
    spoiled[at] = 900 * other(SPEC.shape, np.uint16)
    assert find_hot_pixels(spoiled, full_scale=65535.0).tolist() == [[20, 17]]
