"""Dark and flat: what was put in by hand is taken out again."""

import numpy as np
import pytest
import tifffile

from promtrack.sequence import open_sequence
from promtrack.sequence.calibrate import calibrated, make_calibration
from promtrack.settings import CameraSettings
from tests.sequence.make import COLUMNS, ROWS, picture, stamp_name, write_stills

HOT = [(0, 0), (10, 20), (47, 64)]


@pytest.fixture
def patterns():
    """A dark with a slope and hot pixels, and a flat with a vignette and a mote."""
    y, x = np.mgrid[:ROWS, :COLUMNS]
    dark = (400 + x).astype(np.float32)
    for place in HOT:
        dark[place] += 20000
    flat = (1.0 - 1e-4 * ((x - 32) ** 2 + (y - 24) ** 2)).astype(np.float32)
    flat[20:24, 30:34] *= 0.8
    return dark, flat


def test_pattern_is_removed(tmp_path, patterns):
    # TRUTH  light x flat + dark, rounded to counts (0.5 of 2000 in the sky); hot pixels are out of reach and
    # take the median of their neighbours
    dark, flat = patterns
    light = 20000.0 * picture(0, "float32")
    for folder, frame in (("in", light * flat + dark), ("dark", dark), ("flat", 30000 * flat + dark)):
        (tmp_path / folder).mkdir()
        for i in range(3):
            counts = np.round(frame).astype(np.uint16)
            tifffile.imwrite(tmp_path / folder / stamp_name(i, ".tif"), counts, photometric="minisblack")
    camera = CameraSettings(dark=str(tmp_path / "dark"), flat=str(tmp_path / "flat"))
    sequence = open_sequence(tmp_path / "in", camera=camera)
    frame = sequence.frame(1)
    assert frame.dtype == np.float32
    good = np.ones((ROWS, COLUMNS), bool)
    for place in HOT:
        good[place] = False
    ratio = frame[good] / light[good]
    np.testing.assert_allclose(ratio / np.median(ratio), 1.0, atol=5e-4)  # the flat's median scales all alike
    for y, x in HOT:
        around = light[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2]
        assert around.min() * 0.95 < frame[y, x] < around.max() * 1.05
    assert any("3 hot" in note for note in sequence.notes)


def test_without_calibration_frames_keep_their_type(tmp_path):
    write_stills(tmp_path / "in", 2)
    assert open_sequence(tmp_path / "in").frame(0).dtype == np.uint16


def test_saturated_pixels_and_only_they_reach_full_scale(patterns):
    # TRUTH  a flat of 0.8 lifts 60000 to 75000, which is no saturation; 65535 is
    _, flat = patterns
    frame = np.full((ROWS, COLUMNS), 60000, np.uint16)
    frame[5, 5] = 65535
    out = calibrated(frame, make_calibration(None, flat), 65535.0)
    assert np.argwhere(out >= 65535.0).tolist() == [[5, 5]]


def test_blind_pixels_are_replaced():
    flat = np.ones((ROWS, COLUMNS), np.float32)
    flat[7, 8] = 0.0
    frame = picture(0)
    out = calibrated(frame, make_calibration(None, flat), 65535.0)
    ring = np.delete(frame[6:9, 7:10].ravel(), 4)
    assert out[7, 8] == np.median(ring)
    assert np.isfinite(out).all()
