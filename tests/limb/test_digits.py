"""Frames of few digits: what one step of them is worth, and what the lock makes of it."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.limb import lock_limb
from promtrack.limb.digits import smallest_step
from promtrack.scene import SceneSpec, make_scene


@pytest.mark.parametrize(
    ("frame", "step"),
    [
        (np.array([[3, 7, 4]], np.uint8).repeat(9, axis=1), 1.0),
        ((16 * (np.arange(4000) % 101)).astype(np.uint16).reshape(40, 100), 16.0),  # 12 bits spread over 16
        (np.full((9, 9), 7, np.uint8), 0.0),
        (
            np.array([[0.0, 9.0, 9.0, 0.75, 9.0, 9.0, np.nan, 9.0, 9.0, 2.0]], np.float32),
            0.75,
        ),  # every third is looked at
    ],
)
def test_one_step(frame, step):
    # TRUTH  made so
    assert smallest_step(frame) == pytest.approx(step)


def test_a_sky_that_changes_by_one_count_spoils_no_frame():
    # TRUTH  all frames are good; the sky has been one and the same count for twelve of them when part of it
    # goes one step up in the next
    scene = make_scene(SceneSpec(frames=18, limb_arc_deg=35.0, shape=(360, 480), seed=3))
    scale = 255.0 / scene.sequence().full_scale

    def read(index):
        frame = scene.frame(index) * scale
        sky = frame < 12.0
        coarse = np.where(sky, 2.0, np.round(frame)).astype(np.uint8)
        return coarse + (sky & (index == 13) & (np.arange(480) % 40 < 20)).astype(np.uint8)

    lock = lock_limb(replace(scene.sequence(), read=read, full_scale=255.0))
    assert lock.used.all(), lock.reason
