"""A second limb in the picture, and what is none."""

import cv2
import numpy as np
import pytest

from promtrack.limb.second import second_limb
from promtrack.limb.start import sample_limb
from promtrack.scene import SceneSpec, make_scene


def eight_bits(seed):
    scene = make_scene(SceneSpec(frames=2, limb_arc_deg=50.0, shape=(600, 800), seed=seed))
    return np.round(scene.frame(0) * (255.0 / scene.sequence().full_scale)).astype(np.uint8)


def found(frame):
    return second_limb(frame, 255.0, sample_limb(frame, 255.0).place)


@pytest.mark.parametrize("quality", [95, 80, 50])
@pytest.mark.parametrize("seed", [0, 5])
def test_steps_of_the_skys_glow_are_no_second_limb(seed, quality):
    # TRUTH  one disc; in a JPEG of quality 80 the glow about it falls in circles of one count
    frame = cv2.imdecode(
        cv2.imencode(".jpg", eight_bits(seed), [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_UNCHANGED
    )
    assert found(frame) is None
    assert second_limb(257 * frame.astype(np.uint16), 65535.0, sample_limb(frame, 255.0).place) is None


@pytest.mark.parametrize("quality", [95, 80])
def test_a_reflection_in_eight_bits_is_a_second_limb(quality):
    # TRUTH  a fifth of the light moved by 40 px; the frame is reduced by 2.5, so its place is known to a
    # pixel or two
    frame = eight_bits(0)
    moved = cv2.warpAffine(
        frame,
        np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 40.0]]),
        frame.shape[::-1],
        borderMode=cv2.BORDER_REPLICATE,
    )
    both = cv2.addWeighted(frame, 0.8, moved, 0.2, 0.0)
    both = cv2.imdecode(
        cv2.imencode(".jpg", both, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_UNCHANGED
    )
    first, second = sample_limb(both, 255.0).place, found(both)
    assert np.hypot(second.x_px - first.x_px, second.y_px - first.y_px) == pytest.approx(40.0, abs=3.0)
