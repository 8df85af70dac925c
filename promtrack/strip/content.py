"""Where a frame holds a picture: borders of one dark value, as registered or padded frames have, are no data.

A border is a solid region of exactly the frame's darkest value that holds a corner of the frame, at whatever
slant its inner edge runs, and beside which the picture begins at once. A sky that the camera has cut off at
zero is no border: single brighter pixels lie in it, or the light fades towards it.
"""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["border_of"]

CORNER_PX = 6  # of this size at least is a border at a corner
MARGIN_PX = 4  # beyond the border left out as well: what interpolation has mixed with it


def border_of(frame: np.ndarray) -> np.ndarray | None:
    """(rows, columns) bool, True on borders and within `MARGIN_PX` of them; None where there are none.

    Parameters
    ----------
    frame : (rows, columns), any type
    """
    rows, columns = frame.shape
    if min(rows, columns) < 4 * CORNER_PX:
        return None
    near = slice(0, CORNER_PX), slice(-CORNER_PX, None)
    at = (0, rows - 1), (0, columns - 1)
    corners = [
        (x, y)
        for y, down in zip(at[0], near, strict=True)
        for x, across in zip(at[1], near, strict=True)
        if np.ptp(frame[down, across]) == 0
    ]
    if not corners:
        return None
    darkest = frame.min()
    alike = (frame == darkest).astype(np.uint8)
    border = np.zeros((rows + 2, columns + 2), np.uint8)
    for x, y in corners:
        if alike[y, x] and not border[y + 1, x + 1]:
            cv2.floodFill(alike, border, (x, y), 1, flags=4 | cv2.FLOODFILL_MASK_ONLY | (1 << 8))
    border = border[1:-1, 1:-1]
    if not border.any() or border.all():
        return None
    closed = cv2.erode(
        _grown(border, MARGIN_PX).astype(np.uint8), np.ones((2 * MARGIN_PX + 5,) * 2, np.uint8)
    )
    if np.count_nonzero(closed & ~border & 1) > 1e-3 * np.count_nonzero(closed):
        return None
    # The picture begins at once: 2 px beside the border it is at least half as bright as 7 px beside it.
    near_px, far_px = (_ring(border, px) for px in (2, 7))
    if not near_px.any() or not far_px.any():
        return None
    step, level = (float(np.median(frame[ring])) - float(darkest) for ring in (near_px, far_px))
    return _grown(border, MARGIN_PX) if step > 0.5 * level > 0.0 else None


def _ring(border: np.ndarray, px: int) -> np.ndarray:
    return _grown(border, px) & ~_grown(border, px - 1)


def _grown(mask: np.ndarray, reach: int) -> np.ndarray:
    return cv2.dilate(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
