"""How good one frame is: a frame in, saturation, sky level and sharpness out.

Cheap enough for every frame; none of it needs the limb. Values are in counts and pixels.
"""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["saturated_fraction", "sharpness", "sky_level"]

_SAMPLE = 40_000      # pixels that the sky level is taken from
_NOISE_SCALE_PX = 1.0  # smoothing before the slope is taken, so that noise does not count as sharpness
_STEEPEST = 99.5      # per cent of slopes that lie below the one quoted: on any picture with a limb, the limb's


def saturated_fraction(frame: np.ndarray, full_scale: float) -> float:
    """Part of the pixels of a 2-D frame that have reached `full_scale`, 0 to 1."""
    return np.count_nonzero(frame >= full_scale) / frame.size


def sky_level(frame: np.ndarray) -> float:
    """Level of the sky in a 2-D frame: the middle of its darkest population, in counts.

    Clipped from the dark side: the spread is taken from the values below the level only, because above it lie
    prominences, scattered light and the disc. Good where the sky fills a tenth of the frame or more.
    """
    step = max(1, int(np.sqrt(frame.size / _SAMPLE)))
    values = np.sort(frame[::step, ::step].ravel().astype(np.float32))
    level = float(values[len(values) // 20])
    for _ in range(20):
        below = values[: max(1, np.searchsorted(values, level, "right"))]
        spread = float(np.sqrt(np.mean((below - level) ** 2)))
        first, last = np.searchsorted(values, (level - 3.0 * spread, level + 3.0 * spread), ("left"))
        kept = values[first:max(last, first + 1)]
        moved = float(np.median(kept))
        if abs(moved - level) <= 1e-3 * max(spread, 1e-6):
            break
        level = moved
    return level


def sharpness(frame: np.ndarray) -> float:
    """Steepest slope of a 2-D frame, as part of its contrast per pixel: the sharper the limb, the higher.

    Free of gain and offset; 0 for a frame without contrast.
    """
    smooth = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), _NOISE_SCALE_PX, borderType=cv2.BORDER_REPLICATE)
    dark, bright = np.percentile(smooth[::4, ::4], (5.0, 95.0))
    if not bright > dark:
        return 0.0
    # Sobel's kernel of size 3 sums to 8 times the slope.
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    return float(np.percentile(cv2.magnitude(across, down)[::2, ::2], _STEEPEST) / (bright - dark))
