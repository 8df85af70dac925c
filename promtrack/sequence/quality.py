"""How sharp one frame is. Cheap enough for every frame; it does not need the limb."""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["sharpness"]


def sharpness(frame: np.ndarray) -> float:
    """Steepest slope of a 2-D frame, as part of its contrast per pixel: the sharper the limb, the higher.

    Free of gain and offset; 0 for a frame without contrast.
    """
    # Smoothed, so that noise does not count as sharpness.
    smooth = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)
    dark, bright = np.percentile(smooth[::4, ::4], (5.0, 95.0))
    if not bright > dark:
        return 0.0
    # Sobel's kernel of size 3 sums to 8 times the slope.
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    # The slope that 99.5 % lie below is the limb's on any picture with a limb.
    return float(np.percentile(cv2.magnitude(across, down)[::2, ::2], 99.5) / (bright - dark))
