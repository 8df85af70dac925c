"""Geometry of the strips: which heights and angles they hold, and where a strip's point lies in a frame, both
ways.

Rows are heights above the H-alpha limb, columns are angles about the Sun's centre; each is one pixel of the
frame, unless that would make a strip larger than 4 million values.

Borders of one dark value, as registered or padded frames have, are no data: a solid region of exactly the
frame's darkest value that holds a corner, at whatever slant its inner edge runs, beside which the picture
begins at once. In a sky that the camera has cut off at zero lie single brighter pixels, or the light fades.
"""

from __future__ import annotations

import cv2
import numpy as np

from promtrack.errors import InputError, SettingsError
from promtrack.limb.records import LimbLock, to_frame, to_polar
from promtrack.sequence.records import MANY, spread_over
from promtrack.settings import StripSettings
from promtrack.strip.records import StripGeometry
from promtrack.sun import SOLAR_RADIUS_KM, Orientation, Scale, wrapped_deg


def strip_geometry(
    lock: LimbLock, scale: Scale, orientation: Orientation, *, strip: StripSettings
) -> StripGeometry:
    """Axes of the strips: native scale, and all that at least half of the used frames show, within the
    settings.

    The limb's distance from the Sun's centre is R_sun + its height when the limb gave the scale; else the
    lock's radius at that scale, so that a pixel is worth the same along the limb as across it. Raises
    InputError: no frame is used, or nothing off the limb is in view; SettingsError: the settings ask for
    angles or heights that the frames do not show.
    """
    mm_per_px = scale.km_per_px / 1000.0
    limb_mm = lock.radius_px * mm_per_px
    if scale.source == "limb":
        limb_mm = SOLAR_RADIUS_KM / 1000.0 + scale.limb.height_mm
    angles, heights, share = _visible_share(lock, orientation, limb_mm)
    from_deg, to_deg = _angle_range(angles, heights, share, strip)
    inside = (angles >= from_deg - np.diff(angles[:2])) & (angles <= to_deg + np.diff(angles[:2]))
    low_mm, high_mm = _height_range(heights, share[:, inside], strip)
    step_mm, step_deg = mm_per_px, np.rad2deg(1.0 / lock.radius_px)
    # one strip has 4 million values (16 MB) at most
    coarser = np.sqrt((high_mm - low_mm) / step_mm * (to_deg - from_deg) / step_deg / 4e6)
    step_mm, step_deg = step_mm * max(coarser, 1.0), step_deg * max(coarser, 1.0)
    if strip.low_mm is None:
        low_mm = -step_mm * np.floor(-low_mm / step_mm + 1e-9)  # the limb itself falls on a row
    rows = int((high_mm - low_mm) / step_mm + 1e-9) + 1
    columns = int((to_deg - from_deg) / step_deg + 1e-9) + 1
    if to_deg - from_deg > 360.0 - step_deg:
        columns = int(360.0 / step_deg)
        step_deg = 360.0 / columns
    if rows < 8 or columns < 16:
        raise InputError(
            f"the strips would be {columns} x {rows} px, too small to measure",
            remedy="widen strip.low_mm, strip.high_mm, strip.from_deg or strip.to_deg",
        )
    return StripGeometry(
        rows,
        columns,
        float(low_mm),
        float(step_mm),
        float(from_deg % 360.0),
        float(step_deg),
        float(limb_mm),
        orientation.position_angles,
    )


def strip_to_frame(
    geometry: StripGeometry,
    lock: LimbLock,
    orientation: Orientation,
    index: int,
    angle_deg: np.ndarray,
    height_mm: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """x, y [px] in frame `index` of points at product angle and height above the limb (broadcast)."""
    rho_px = lock.radius_px * (1.0 + np.asarray(height_mm, float) / geometry.limb_mm)
    return to_frame(lock, index, np.asarray(orientation.to_image(np.asarray(angle_deg, float))), rho_px)


def frame_to_strip(
    geometry: StripGeometry,
    lock: LimbLock,
    orientation: Orientation,
    index: int,
    x_px: np.ndarray,
    y_px: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Product angle, within a half turn of the strip's middle, and height [Mm] of pixels of frame `index`."""
    theta, rho_px = to_polar(lock, index, x_px, y_px)
    middle = geometry.angle_deg((geometry.columns - 1) / 2.0)
    angle = middle + wrapped_deg(orientation.to_product(theta) - middle)
    return angle, geometry.limb_mm * (rho_px / lock.radius_px - 1.0)


def frame_matrix(lock: LimbLock, index: int) -> np.ndarray:
    """(2, 3) matrix from (rho sin theta, rho cos theta, 1) to x, y in frame `index`: the map is linear in
    those, turn and refraction included, so that a whole strip's map is one product."""
    x, y = to_frame(lock, index, np.array([0.0, 90.0, 0.0]), np.array([1.0, 1.0, 0.0]))
    return np.array([[x[1] - x[2], x[0] - x[2], x[2]], [y[1] - y[2], y[0] - y[2], y[2]]])


def _visible_share(
    lock: LimbLock, orientation: Orientation, limb_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Share of the used frames that show a point, over (heights, product angles) around the visible limb."""
    used = np.flatnonzero(lock.used)
    if not used.size:
        raise InputError("no frame could be locked on the limb", remedy="look at the reasons in frames.ecsv")
    sampled = used[spread_over(used.size, MANY)]
    middle, span = (lock.from_deg + lock.to_deg) / 2.0, lock.to_deg - lock.from_deg
    half = min(0.65 * span + np.rad2deg(20.0 / lock.radius_px), 180.0)
    ends = sorted(float(orientation.to_product(end)) for end in (middle - half, middle + half))
    angles = np.linspace(ends[0], ends[1], 721)
    px_mm = limb_mm / lock.radius_px
    heights = np.arange(max(-0.9 * limb_mm, -500.0), 3000.0, max(2.0 * px_mm, 2.0))
    reach_px = np.hypot(*lock.shape) * 1.5 + abs(lock.radius_px)
    heights = heights[heights < reach_px * px_mm]
    theta = np.asarray(orientation.to_image(angles))[None, :]
    rho_px = lock.radius_px * (1.0 + heights / limb_mm)[:, None]
    count = np.zeros((len(heights), len(angles)), np.int32)
    for index in sampled:
        x, y = to_frame(lock, int(index), theta, rho_px)
        count += (x >= 1) & (x <= lock.shape[1] - 2) & (y >= 1) & (y <= lock.shape[0] - 2)
    return angles, heights, count / len(sampled)


def _angle_range(
    angles: np.ndarray, heights: np.ndarray, share: np.ndarray, strip: StripSettings
) -> tuple[float, float]:
    """First and last product angle: where half of the lowest 40 Mm is in view, or as the settings say."""
    low = (heights >= 0.0) & (heights <= 40.0)
    seen = (share[low] >= 0.5).mean(axis=0) >= 0.5
    if not seen.any():
        raise InputError(
            "nothing off the limb is in view in half of the frames",
            remedy="point the camera farther off the disc, or leave out the frames that drifted away",
        )
    starts, ends = np.flatnonzero(np.diff(seen, prepend=False, append=False)).reshape(-1, 2).T
    longest = int(np.argmax(ends - starts))
    shown = float(angles[starts[longest]]), float(angles[ends[longest] - 1])
    wanted = _wanted_range(shown, strip)
    from_deg, to_deg = max(wanted[0], shown[0]), min(wanted[1], shown[1])
    if to_deg <= from_deg:
        raise SettingsError(
            f"strip.from_deg to strip.to_deg ({strip.from_deg} to {strip.to_deg}) lies outside the limb in "
            f"view ({shown[0] % 360.0:.1f} to {shown[0] % 360.0 + shown[1] - shown[0]:.1f} deg)",
            remedy="choose angles inside it",
        )
    return from_deg, to_deg


def _wanted_range(shown: tuple[float, float], strip: StripSettings) -> tuple[float, float]:
    """The range that the settings ask for, moved by whole turns to where most of it is in view."""
    if strip.from_deg is None:
        return shown if strip.to_deg is None else (shown[0], shown[0] + (strip.to_deg - shown[0]) % 360.0)
    if strip.to_deg is None:
        return shown[1] - (shown[1] - strip.from_deg) % 360.0, shown[1]
    width = (strip.to_deg - strip.from_deg) % 360.0 or 360.0
    firsts = strip.from_deg + 360.0 * np.arange(-3, 4)
    overlap = np.minimum(firsts + width, shown[1]) - np.maximum(firsts, shown[0])
    first = firsts[int(np.argmax(overlap))]
    return first, first + width


def _height_range(heights: np.ndarray, share: np.ndarray, strip: StripSettings) -> tuple[float, float]:
    """Lowest and highest height: where half of the frames show at least a fifth of the columns, disc enough
    for the transparency, and what few prominences pass; a setting reaches on into the frame's corners."""
    part = (share >= 0.5).mean(axis=1)
    shown, usual = heights[part >= 0.02], heights[part >= 0.2]
    low = max(-20.0 if strip.low_mm is None else strip.low_mm, float(shown.min()))
    high = min(400.0, float(usual.max(initial=low)))
    if strip.high_mm is not None:
        high = min(strip.high_mm, float(shown.max()))
    if low >= high:
        raise SettingsError(
            f"strip.low_mm to strip.high_mm leaves no height in view ({shown.min():.0f} to "
            f"{shown.max():.0f} Mm is)",
            remedy="choose heights inside it",
        )
    return low, high


def border_of(frame: np.ndarray) -> np.ndarray | None:
    """(rows, columns) bool, True on borders and within 4 px of them, where interpolation mixes them in; None
    where there are none. `frame`: (rows, columns), any type."""
    (rows, columns), margin = frame.shape, 4  # of this size at least is a border at a corner
    if min(rows, columns) < 4 * margin:
        return None
    near = slice(0, margin), slice(-margin, None)
    corners = [
        (x, y)
        for y, down in zip((0, rows - 1), near, strict=True)
        for x, across in zip((0, columns - 1), near, strict=True)
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
    closed = cv2.erode(_grown(border, margin).astype(np.uint8), np.ones((2 * margin + 5,) * 2, np.uint8))
    if np.count_nonzero(closed & ~border & 1) > 1e-3 * np.count_nonzero(closed):
        return None
    # The picture begins at once: 2 px beside the border it is at least half as bright as 7 px beside it.
    near_px, far_px = (_grown(border, px) & ~_grown(border, px - 1) for px in (2, 7))
    if not near_px.any() or not far_px.any():
        return None
    step, level = (float(np.median(frame[ring])) - float(darkest) for ring in (near_px, far_px))
    return _grown(border, margin) if step > 0.5 * level > 0.0 else None


def _grown(mask: np.ndarray, reach: int) -> np.ndarray:
    return cv2.dilate(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
