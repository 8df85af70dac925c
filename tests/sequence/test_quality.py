"""Sharpness against truths of our own."""

from itertools import pairwise

import cv2
import numpy as np
import pytest

from promtrack.sequence.bursts import sharpness


def limb(blur_px=1.0, *, sky=300.0, noise=10.0, seed=0, shape=(240, 320)):
    """A disc that fills the lower part, scattered light that falls off above it, a prominence, noise."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    height = 700 - np.hypot(x - 160, y - 820)
    frame = 9000.0 * (height > 0) + 400.0 * np.exp(np.minimum(height, 0) / 15)
    frame += 1500.0 * (np.hypot(x - 90, y - 90) < 12)
    frame = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), blur_px) + sky
    return frame + np.random.default_rng(seed).normal(0, noise, shape).astype(np.float32)


@pytest.mark.parametrize(
    "frame", [np.zeros((30, 40), np.uint8), np.full((30, 40), 65535, np.uint16), np.ones((1, 1), np.float32)]
)
def test_flat_frames_do_no_harm(frame):
    assert sharpness(frame) == 0.0


def test_sharpness_falls_with_blur_and_is_free_of_gain():
    scores = [sharpness(limb(blur)) for blur in (1.0, 1.5, 2.0, 3.0, 4.5)]
    assert all(sharper > softer for sharper, softer in pairwise(scores))
    # TRUTH  the steepest slope of a step blurred by sigma is 1 / (sqrt(2 pi) sigma) of its height; here with
    # the blur of the measure itself (1 px): sigma^2 = 2^2 + 1
    assert scores[2] == pytest.approx(1 / np.sqrt(2 * np.pi * 5), rel=0.1)
    frame = limb(2.0)
    assert sharpness(3.0 * frame + 1000.0) == pytest.approx(sharpness(frame), rel=1e-3)
