"""Where the action is: the piece of limb and the heights a clip should look at.

Strips and tracks in, weighted points out. Plasma that changes counts more than plasma that stands still.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.errors import SettingsError
from promtrack.limb.records import LimbLock
from promtrack.motion.labels import label_motion, ranked_fronts, ranked_knots
from promtrack.motion.records import Front, KnotTrack, Motion
from promtrack.strip.records import Strip, StripGeometry
from promtrack.sun import Orientation

__all__ = ["FILL", "Action", "asked_angle", "find_action"]

STRIPS = 16  # strips looked at, spread over the sequence
FRINGE_MM = 7.0  # below it the spicule fringe is everywhere and says nothing
BRIGHT = 6.0  # times the noise of a strip averaged over a cell
WINDOW_DEG = 28.0  # widest piece of limb taken for one scene, about 340 Mm
LEAST_SHARE = 0.45  # of the picture's height that the action takes; a wider scene is cropped
LEAST_TOP_MM = 30.0
FILL = 0.78  # part of the picture that the action takes at most, so that words find room
EDGE, CUT = 0.05, 4.0  # part of the picture about its edges where plasma is cut, and what that counts
MOST_CUT = 0.005  # of all plasma: with more at the edges a wider piece is taken
CELL_MM = 2.5
TRACK_WEIGHT = 8.0  # of a point of a moving track; bright plasma that changes has 1 to 5


@dataclass(frozen=True, slots=True, eq=False)
class Action:
    """Weighted points of the action (1-D arrays of equal length, at least four points)."""

    theta_deg: np.ndarray  # image angle in the reference frame
    height_mm: np.ndarray
    weight: np.ndarray
    time_s: np.ndarray | None = None  # seconds since the first strip, rising ...
    top_mm: np.ndarray | None = None  # ... and the height that must be in view by then, rising

    def top_at(self, time_s: np.ndarray) -> np.ndarray:
        """Height [Mm] that must be in view at these times, seconds since the first strip."""
        if self.time_s is None or self.top_mm is None:
            return np.full(len(time_s), float(self.height_mm.max()))
        return np.interp(time_s, self.time_s, self.top_mm)


def find_action(
    strip: Strip,
    motion: Motion,
    orientation: Orientation,
    lock: LimbLock,
    *,
    aspect: float = 16.0 / 9.0,
    least_mm: float = 0.0,
    at: str = "",
) -> Action:
    """The points to keep in view: bright and changing plasma, knots, fronts, and the limb beneath them.

    Parameters
    ----------
    aspect : width over height of the picture; what does not fit into it at a good height is cropped
    least_mm : width of the picture at its closest
    at : letter of a body, or an angle in degrees, to crop on; '' for where most happens

    Raises
    ------
    SettingsError : `at` is neither
    """
    tracks: list[KnotTrack | Front] = [k for k in motion.knots if k.moving]
    tracks += [f for f in motion.fronts if f.moving]
    plasma = _plasma(strip)
    angle = np.concatenate([plasma.angle_deg, *(t.angle_deg for t in tracks)])
    height = np.concatenate([plasma.height_mm, *(t.height_mm for t in tracks)])
    weight = np.concatenate([plasma.weight, *(np.full(len(t.time_s), TRACK_WEIGHT) for t in tracks)])
    centre = asked_angle(at, motion, strip)
    ranked: list[KnotTrack | Front] = [*ranked_fronts(motion), *ranked_knots(motion)]
    first = ranked[0] if ranked else None  # whose number is the headline
    must = None if first is None else (float(first.angle_deg.min()), float(first.angle_deg.max()))
    if not len(angle):
        middle, half = (lock.from_deg + lock.to_deg) / 2.0, (lock.to_deg - lock.from_deg) / 4.0
        theta = (middle if centre is None else float(orientation.to_image(centre))) + half * np.array(
            [-1.0, 1.0, 0.0, 0.0]
        )
        return Action(theta, np.array([0.0, 0.0, 60.0, -20.0]), np.ones(4))
    top, limb_mm = float(_percentiles(height, weight, (0.99,))[0]), strip.geometry.limb_mm
    for _ in range(2):  # what is cropped may be what stood highest
        wide_mm = 0.8 * aspect * max(top, LEAST_TOP_MM) / LEAST_SHARE
        window = float(np.clip(np.rad2deg(wide_mm / (limb_mm + top / 2.0)), 3.0, WINDOW_DEG))
        least_deg = np.rad2deg(least_mm / (limb_mm + top / 2.0))
        keep = _best_window(angle, weight, window, centre, must, strip.geometry, least_deg)
        if not keep.any():
            keep = np.abs(angle - (centre or 0.0)) <= WINDOW_DEG
        top = float(_percentiles(height[keep], weight[keep], (0.99,))[0]) if keep.any() else LEAST_TOP_MM
        for track in tracks:  # what moves is never cut off at its top
            if keep[np.isin(angle, track.angle_deg)].any():
                top = max(top, float(track.height_mm.max()))
    foot = np.array([centre - window / 2.0, centre, centre + window / 2.0]) if centre is not None else None
    kept = angle[keep], height[keep], weight[keep]
    if foot is None:
        low, high = _percentiles(kept[0], kept[2], (0.01, 0.99))
        foot = np.array([low, (low + high) / 2.0, high])
    inside = (kept[0] >= foot[0]) & (kept[0] <= foot[2]) & (kept[1] <= top)
    beneath = -np.clip(0.30 * top, 8.0, 60.0)  # so much of the disc stays in view
    time_s, tops = _tops(plasma, motion, (float(foot[0]), float(foot[2])))
    top = max(top, float(tops.max()))
    return Action(
        np.asarray(orientation.to_image(np.concatenate([kept[0][inside], foot, foot[1:2]]))),
        np.concatenate([kept[1][inside], np.full(3, beneath), [max(top, LEAST_TOP_MM)]]),
        np.concatenate([kept[2][inside], np.full(4, 1e-6)]),
        time_s,
        tops,
    )


def asked_angle(at: str, motion: Motion, strip: Strip) -> float | None:
    """Product angle of a letter or a number, in the strips' own turn; None where nothing is asked.

    Raises
    ------
    SettingsError : no such letter, no number, or an angle that the strips do not show
    """
    if not at.strip():
        return None
    labels = label_motion(motion)
    letters = {labels.front(f): f for f in motion.fronts} | {labels.knot(k): k for k in motion.knots}
    track = letters.get(at.strip().upper()) if at.strip() else None
    geometry = strip.geometry
    middle = float(geometry.angle_deg((geometry.columns - 1) / 2.0))
    try:
        angle = float(np.mean(track.angle_deg)) if track is not None else float(at)
        if not np.isfinite(angle):
            raise ValueError
    except ValueError:
        known = ", ".join(sorted(filter(None, letters))) or "none: nothing moves"
        remedy = f"give an angle in degrees or one of the letters of the report ({known})"
        raise SettingsError(f"'{at}' is no letter and no angle", where="clip.at", remedy=remedy) from None
    angle += 360.0 * round((middle - angle) / 360.0)
    first, last = geometry.from_deg, float(geometry.angle_deg(geometry.columns - 1))
    if not first <= angle <= last:
        remedy = f"the strips show {first % 360:.0f} to {last % 360:.0f} deg"
        raise SettingsError(f"{at} deg is out of view", where="clip.at", remedy=remedy)
    return angle


def _tops(plasma: _Plasma, motion: Motion, angles: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Times and the height that must be in view by then: of bright plasma, moving fronts and knots."""
    times: list[float] = []
    tops: list[float] = []
    for seen_s, angle, bright in plasma.strips:
        inside = bright[(angle >= angles[0]) & (angle <= angles[1])]
        times.append(seen_s)
        tops.append(float(np.percentile(inside, 99.0)) if len(inside) > 4 else LEAST_TOP_MM)
    tracks: tuple[KnotTrack | Front, ...] = (*motion.fronts, *motion.knots)
    for track in tracks:
        if track.moving and angles[0] <= float(np.mean(track.angle_deg)) <= angles[1]:
            times += track.time_s.tolist()
            tops += track.height_mm.tolist()
    time_s, height = np.array(times), np.array(tops)
    order = np.argsort(time_s)
    return time_s[order], np.maximum.accumulate(np.maximum(height[order], LEAST_TOP_MM))


@dataclass(frozen=True, slots=True, eq=False)
class _Plasma:
    """Bright cells of the strips' mean, and of each strip looked at."""

    angle_deg: np.ndarray
    height_mm: np.ndarray
    weight: np.ndarray
    strips: list[tuple[float, np.ndarray, np.ndarray]]  # time, angle and height of the bright cells of some


def _plasma(strip: Strip) -> _Plasma:
    """Cells in which strips are bright, those that change with more weight."""
    geometry = strip.geometry
    rows = max(1, round(CELL_MM / geometry.mm_per_row))
    columns = max(1, round(CELL_MM / float(geometry.mm_per_column(0.0))))
    noise = np.maximum(_cells(np.repeat(strip.noise[:, None], columns, axis=1), rows, columns), 1e-9)
    height = geometry.height_mm((np.arange(len(noise)) + 0.5) * rows - 0.5)
    clear = (height > FRINGE_MM)[:, None]
    looked = np.unique(np.linspace(0, len(strip) - 1, min(STRIPS, len(strip))).astype(int))
    angle_of = geometry.angle_deg((np.arange(strip.geometry.columns // columns) + 0.5) * columns - 0.5)
    count, total, square, strips = 0, np.zeros(()), np.zeros(()), []
    for index in looked:
        cells = np.nan_to_num(_cells(strip.read(int(index), int(index) + 1)[0], rows, columns))
        count, total, square = count + 1, total + cells, square + cells**2
        row, column = np.nonzero((cells > BRIGHT * noise) & clear)
        strips.append((float(strip.time_s[index]), angle_of[column], height[row]))
    mean = total / count
    change = np.sqrt(np.maximum(square / count - mean**2, 0.0))
    row, column = np.nonzero((mean > BRIGHT * noise) & clear)
    weight = np.sqrt(mean[row, column] / max(float(mean.max()), 1e-9))
    weight = weight + 4.0 * change[row, column] / max(float(change.max()), 1e-9)
    return _Plasma(angle_of[column], height[row], weight, strips)


def _cells(image: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """Means over cells of rows x columns; what does not fill a cell is left out."""
    tall, wide = image.shape[0] // rows, image.shape[1] // columns
    return image[: tall * rows, : wide * columns].reshape(tall, rows, wide, columns).mean(axis=(1, 3))


def _best_window(
    angle: np.ndarray,
    weight: np.ndarray,
    window_deg: float,
    centre: float | None,
    must: tuple[float, float] | None,
    geometry: StripGeometry,
    least_deg: float,
) -> np.ndarray:
    """The stretch whose picture shows the most weight and cuts the least, or that about a centre, as
    booleans; wider than asked for where plasma would be cut.

    Parameters
    ----------
    must : angles that have to lie in it, if the width allows
    geometry : of the strips, beyond whose ends no picture reaches
    least_deg : width of the picture at its closest
    """
    if centre is not None:
        return np.abs(angle - centre) <= window_deg / 2.0
    order = np.argsort(angle)
    angles, heaped = angle[order], np.concatenate([[0.0], np.cumsum(weight[order])])

    def held(low: np.ndarray, high: np.ndarray) -> np.ndarray:
        return heaped[np.searchsorted(angles, high)] - heaped[np.searchsorted(angles, low)]

    low, high = geometry.from_deg, float(geometry.angle_deg(geometry.columns - 1))
    found: list[tuple[float, float, float]] = []  # plasma cut, first and last angle
    while not found or (found[-1][0] > MOST_CUT and window_deg < WINDOW_DEG):
        starts = np.arange(angle.min() - window_deg / 2.0, angle.max(), 0.25)
        first = np.minimum(np.searchsorted(angles, starts), len(angles) - 1)
        last = np.maximum(np.searchsorted(angles, starts + window_deg) - 1, first)
        half = 0.5 * np.maximum((angles[last] - angles[first]) / FILL, least_deg)
        half = np.minimum(half, 0.5 * (high - low))
        middle = np.clip(0.5 * (angles[first] + angles[last]), low + half, high - half)
        ends, reach = np.stack([middle - half, middle + half]), EDGE * half
        cut = held(ends - reach, ends + reach).sum(axis=0)
        worth = held(starts, starts + window_deg) - CUT * cut
        if must is not None:
            both = (starts <= must[0]) & (starts + window_deg >= must[1])
            worth = np.where(both, worth, -np.inf) if both.any() else worth
        # Of all stretches that are worth the most, the middle one keeps what it holds centred.
        best = np.flatnonzero(worth >= worth.max() - 1e-9 * heaped[-1])
        chosen = best[len(best) // 2]
        found.append(
            (float(cut[chosen] / heaped[-1]), float(starts[chosen]), float(starts[chosen] + window_deg))
        )
        window_deg = min(1.2 * window_deg, WINDOW_DEG)
    _, begin, end = min(found)
    return (angle >= begin) & (angle <= end)


def _percentiles(value: np.ndarray, weight: np.ndarray, at: tuple[float, ...]) -> np.ndarray:
    order = np.argsort(value)
    share = np.cumsum(weight[order]) / weight.sum()
    return value[order][np.minimum(np.searchsorted(share, at), len(value) - 1)]
