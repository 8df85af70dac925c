"""Frames that stand stiller than they are measured: their scatter is then the measurement's own, and is
smoothed away.

Drives, wind and seeing move a picture from frame to frame; frames from space, or in still air on a good
mount, hardly move. Which it is, the centres tell: where they scatter about their slow course by no more than
their errors, nothing but errors is seen.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.limb.circle import MAD, median

SLOW_FRAMES = 3.0  # motion slower than this is followed as it is
# of the variance of white noise when its own Gaussian mean is taken off it
LEFT_OF_NOISE = 1.0 - 2.0 / (np.sqrt(2.0 * np.pi) * SLOW_FRAMES) + 0.5 / (np.sqrt(np.pi) * SLOW_FRAMES)
LEAST_FRAMES = 12
REAL_SIGMA = 3.0  # a frame farther off its neighbours than this has moved


def steadied(position_px: np.ndarray, err_px: np.ndarray) -> np.ndarray:
    """(n,) positions along one axis, each drawn to the slow course of its neighbours as far as its error
    reaches.

    The scatter about the slow course is that of the picture joined with that of the measurement (`err_px`, 1
    sigma). A share motion^2 / (motion^2 + error^2) of each deviation is kept (Wiener's filter); a frame that
    has clearly moved keeps all of it.
    """
    if len(position_px) < LEAST_FRAMES:
        return position_px
    apart = position_px - slowly(position_px, SLOW_FRAMES)
    error = np.maximum(err_px, 1e-6)
    scatter2 = (MAD * median(np.abs(apart))) ** 2 / LEFT_OF_NOISE
    motion2 = max(scatter2 - float(np.median(error**2)), 0.0)
    moved = np.abs(apart) > REAL_SIGMA * np.sqrt(error**2 + motion2)
    kept = np.where(moved, 1.0, motion2 / (motion2 + error**2))
    return position_px - (1.0 - kept) * apart


def slowly(values: np.ndarray, frames: float) -> np.ndarray:
    """Slow course of (n,) or (n, k) values: at each frame a straight line through its neighbours, Gaussian
    weights.

    A line, not a mean: what drifts steadily (disc texture that solar rotation carries along, plasma) is then
    followed to the ends of the sequence.
    """

    def near(series: np.ndarray) -> np.ndarray:
        return gaussian_filter1d(
            series, min(frames, 2.0 * len(series)), axis=0, mode="constant", truncate=6.0
        )

    table = values.reshape(len(values), -1)
    time = np.arange(len(values), dtype=float)[:, None]
    ones, first, second = near(np.ones_like(time)), near(time), near(time * time)
    level, slope = near(table), near(time * table)
    spread = np.maximum(ones * second - first * first, 1e-9)
    line = (level * (second - first * time) + slope * (ones * time - first)) / spread
    return line.reshape(values.shape)
