"""How high the strips must reach: frames spread over the sequence in, the greatest height that shows plasma
out.

Most of a frame is empty sky. Frames no more than a minute and a half apart are laid out as coarse strips
(pixels of 4 x 4), freed of what changes slowly along the limb, and searched for anything above the noise of
its height. What is mistaken for plasma (a cloud's edge, an aircraft) only makes the strips higher than they
need to be.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from scipy.ndimage import median_filter

from promtrack.limb.records import LimbLock
from promtrack.sequence.records import MANY, Sequence
from promtrack.strip.records import StripGeometry
from promtrack.strip.unwrap import StripCutter
from promtrack.sun import Orientation
from promtrack.workers import map_ahead


def shown_height_range(
    sequence: Sequence, lock: LimbLock, orientation: Orientation, geometry: StripGeometry
) -> StripGeometry:
    """The geometry with its upper edge lowered to 1.3 times the plasma's greatest height plus 20 Mm, 60 Mm
    at least: at 500 km/s plasma rises by 45 Mm between two of the frames searched. Raises InputError: a
    frame cannot be read."""
    high_mm = max(1.3 * plasma_top_mm(sequence, lock, orientation, geometry) + 20.0, 60.0)
    return replace(geometry, rows=min(geometry.rows, int(np.ceil(geometry.row(high_mm))) + 1))


def plasma_top_mm(
    sequence: Sequence, lock: LimbLock, orientation: Orientation, geometry: StripGeometry
) -> float:
    """Greatest height at which any frame searched shows plasma; 0 where none does."""
    coarse = geometry.coarser(4)  # each way: white noise falls to a quarter
    cutter = StripCutter.plan(coarse, lock, orientation)
    # Halo and cloud do not change much over half of 75 Mm along the limb; plasma does.
    reach = 2 * int(75.0 / 2.0 / coarse.mm_per_column(0.0)) + 1

    def top_row(numbered: tuple[int, np.ndarray]) -> int:
        index, frame = numbered
        left, seen = _without_slow(cutter.sample(frame, index), reach)
        # The contours of a smooth sky in whole counts must not pass for plasma.
        return _top_row(left, seen, 0.0 if frame.dtype.kind == "f" else 0.25)

    # used frames 90 s apart at most, 24 at least, the first and the last among them
    used = np.flatnonzero(lock.used)
    span = float(sequence.time_s[used[-1]] - sequence.time_s[used[0]])
    count = min(max(int(np.ceil(span / 90.0)) + 1, MANY), used.size)
    searched = used[np.unique(np.linspace(0, used.size - 1, count).round().astype(int))]
    top = max(map_ahead(top_row, sequence.frames(searched)), default=0)
    return max(float(coarse.height_mm(top)), 0.0)


def _without_slow(strip: np.ndarray, reach: int) -> tuple[np.ndarray, np.ndarray]:
    """The strip, blurred, less a straight line in angle and its mean over `reach` columns; and 1 (uint8)
    where nothing is mixed in that is not shown."""
    shown = np.isfinite(strip)
    part = shown.astype(np.float32)
    value = np.where(shown, strip, np.float32(0))
    value -= part * _lines(value, part)
    # (x, y)
    wide, share = (cv2.blur(plane, (reach, 1), borderType=cv2.BORDER_CONSTANT) for plane in (value, part))
    seen = cv2.erode(shown.astype(np.uint8), np.ones((7, 7), np.uint8), borderType=cv2.BORDER_REPLICATE)
    return cv2.GaussianBlur(value, (0, 0), 1.0) - wide / np.maximum(share, np.float32(1e-6)), seen


def _lines(value: np.ndarray, part: np.ndarray) -> np.ndarray:
    """(rows, columns) straight line through what each row shows: a bank of cloud slants the sky."""
    u = np.linspace(-1.0, 1.0, value.shape[1], dtype=np.float32)
    number = np.maximum(part.sum(axis=1), 1.0)
    middle, mean = part @ u / number, value.sum(axis=1) / number
    spread = np.maximum(part @ u**2 / number - middle**2, 1e-6)
    slope = (value @ u / number - mean * middle) / spread
    return mean[:, None] + slope[:, None] * (u - middle[:, None])


def _top_row(left: np.ndarray, seen: np.ndarray, least_noise: float) -> int:
    """Highest row with a value 6 sigma above the noise of its height, the scatter below the row's middle,
    where no plasma is; 0 if there is none. Among some million independent values less than one in a hundred
    runs has one."""
    number = seen.sum(axis=1, dtype=int)
    enough = number >= 0.3 * seen.shape[1]
    if not enough.any():
        return 0
    left, number = np.where(seen[enough] > 0, left[enough], np.nan), number[enough]
    ordered, row = np.sort(left, axis=1), np.arange(len(left))  # nan goes last
    middle, low, high = (ordered[row, at] for at in (number // 2, (0.1587 * number).astype(int), number - 1))
    noise = np.maximum(median_filter(middle - low, min(15, len(row)), mode="nearest"), least_noise)
    return int(np.flatnonzero(enough)[high - middle > 6.0 * noise].max(initial=0))
