"""Light smoothing in time that leaves moving plasma alone.

Each tone is mixed with the smoothed tone before it only where the two differ by no more than noise does;
a passing knot differs by far more, so it keeps its place and its edges.
"""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["smoothed_tone"]

NOISE_STEPS = 5.0  # tone steps of 255 by which noise lets neighbouring pictures differ, after the blur below
MOST = 0.8  # share of the past at full smoothing


def smoothed_tone(tone: np.ndarray, past: np.ndarray | None, smooth: float) -> np.ndarray:
    """The tone mixed with the smoothed past, both uint8; `smooth` runs from 0 (none) to 1."""
    if past is None or smooth <= 0.0:
        return tone
    change = cv2.GaussianBlur(
        cv2.absdiff(tone, past), (0, 0), 1.2
    )  # single noisy pixels do not count as motion
    steps = np.arange(256, dtype=np.float32)
    weight = cv2.LUT(
        change, np.rint(255.0 * MOST * smooth * np.exp(-((steps / NOISE_STEPS) ** 2))).astype(np.uint8)[None]
    )
    mixed = cv2.multiply(tone, cv2.bitwise_not(weight), scale=1.0 / 255.0, dtype=cv2.CV_32F)
    cv2.add(mixed, cv2.multiply(past, weight, scale=1.0 / 255.0, dtype=cv2.CV_32F), dst=mixed)
    return cv2.convertScaleAbs(mixed)
