"""Where the action is: the piece of limb and the heights a clip should look at.

Strips and tracks in, weighted points out. Plasma that changes counts more than plasma that stands still.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from promtrack.errors import SettingsError
from promtrack.limb.records import LimbLock
from promtrack.motion.interpretation import label_motion, ranked_fronts, ranked_knots
from promtrack.motion.records import Front, KnotTrack, Motion
from promtrack.sequence.records import spread_over
from promtrack.strip.records import Strip, StripGeometry
from promtrack.sun import Orientation

SAMPLES = 12  # frames or strips looked at, spread over the sequence
FRINGE_MM = 7.0  # below it the spicule fringe is everywhere and says nothing
BRIGHT = 6.0  # times the noise of a strip averaged over a cell
WINDOW_DEG = 28.0  # widest piece of limb taken for one scene, about 340 Mm
LEAST_SHARE = 0.40  # of the picture's height that the action takes; a wider scene is cropped
LEAST_MM = 30.0  # of height, or to each side, that a picture shows
BENEATH = 0.3  # of the height: so much of the disc stays in view
INSIDE = 0.94  # part of the picture that both feet take at most
FILL = 0.78  # part of the picture that the action takes at most, so that words find room
LARGEST_ZOOM = 14.0  # picture px per frame px: beyond it plasma is soft on a phone too


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """Where a body is (arrays have one value a point, times rise)."""

    time_s: np.ndarray  # since the first strip
    theta_deg: np.ndarray  # image angle in the reference frame
    height_mm: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Action:
    """Weighted points of the action (1-D arrays of equal length, at least four points)."""

    theta_deg: np.ndarray  # image angle in the reference frame
    height_mm: np.ndarray
    weight: np.ndarray
    time_s: np.ndarray | None = None  # seconds since the first strip, rising ...
    top_mm: np.ndarray | None = None  # ... and the height that must be in view by then, rising
    front_theta_deg: float = np.nan  # of the front whose rise widens the picture as it heightens it
    followed: Way | None = None  # of the body that the picture follows
    home_theta_deg: np.ndarray = field(
        default_factory=lambda: np.zeros(0)
    )  # both feet of what must be in view

    def top_at(self, time_s: np.ndarray) -> np.ndarray:
        """(n,) height [Mm] that must be in view at these (n,) times, seconds since the first strip."""
        if self.time_s is None or self.top_mm is None:
            return np.full(len(time_s), float(self.height_mm.max()))
        return np.interp(time_s, self.time_s, self.top_mm)


def find_action(
    strip: Strip,
    motion: Motion,
    orientation: Orientation,
    lock: LimbLock,
    *,
    size: tuple[int, int] = (1920, 1080),
    at: str = "",
) -> Action:
    """The points to keep in view: bright and changing plasma, knots, fronts, and the limb beneath them.
    `size`: width and height of the picture; what would make the action lower than `LEAST_SHARE` of it is
    cropped; `at`: letter of a body to follow, or an angle in degrees to crop on; '' for where most happens.
    Raises SettingsError: it is neither."""
    tracks: tuple[KnotTrack | Front, ...] = (*ranked_fronts(motion), *ranked_knots(motion))
    plasma, centre, followed = _plasma(strip), asked_angle(at, motion, strip), asked_track(at, motion)
    angle = np.concatenate([plasma.angle_deg, *(t.angle_deg for t in tracks)])
    height = np.concatenate([plasma.height_mm, *(t.height_mm for t in tracks)])
    # a point of a moving track counts more than any plasma, which has 1 to 5
    weight = np.concatenate([plasma.weight, *(np.full(len(t.time_s), 8.0) for t in tracks)])
    if not len(angle):
        middle, half = (lock.from_deg + lock.to_deg) / 2.0, (lock.to_deg - lock.from_deg) / 4.0
        theta = np.asarray(middle if centre is None else orientation.to_image(centre))
        theta = theta + half * np.array([-1.0, 1.0, 0.0, 0.0])
        return Action(theta, np.array([0.0, 0.0, 60.0, -20.0]), np.ones(4))
    top, least = _percentile(height, weight, 0.99), float(np.rad2deg(size[0] / LARGEST_ZOOM / lock.radius_px))
    home = np.zeros(0)
    for _ in range(2):  # what is cropped may be what stood highest
        wide_mm = FILL * size[0] / size[1] * max(top, LEAST_MM) / LEAST_SHARE
        wanted = float(np.rad2deg(wide_mm / strip.geometry.limb_mm))
        window = min(max(wanted, FILL * least), WINDOW_DEG)
        if centre is not None:
            keep = np.abs(angle - centre) <= window / 2.0
        else:
            needed = [track.angle_deg for track in tracks[:1]]
            standing = motion.prominences
            if ranked_fronts(motion):  # an eruption is what matters, a knot is a detail
                mean_deg = float(np.mean(needed[0]))
                standing = tuple(
                    p for p in standing if (mean_deg - p.from_deg) % 360.0 <= p.to_deg - p.from_deg
                )
            needed += [np.linspace(p.from_deg, p.to_deg, 50) for p in standing[:1]]
            needed = [one + 360.0 * np.round((np.mean(angle) - np.mean(one)) / 360.0) for one in needed]
            # the headline's body in its prominence; one beside that would make both small
            at_home = [one for one in needed if one.min() <= np.mean(needed[0]) <= one.max()]
            span = float(np.ptp(np.concatenate(at_home))) if needed else 0.0
            window = max(window, span if span < WINDOW_DEG else 0.0)
            if standing and at_home[-1] is needed[-1] and span < WINDOW_DEG:
                home = at_home[-1][[0, -1]]
            keep = best_window(angle, weight, (least, window), needed, strip.geometry, plasma.bodies)
        if keep.any():
            top = _percentile(height[keep], weight[keep], 0.99)
    if centre is not None:
        foot = centre + window * np.array([-0.5, 0.0, 0.5])
    else:
        low, high = (_percentile(angle[keep], weight[keep], share) for share in (0.01, 0.99))
        foot = np.array([low, (low + high) / 2.0, high])
    rises = [float(np.median(track.angle_deg)) for track in tracks[:1] if isinstance(track, Front)]
    front = next((float(orientation.to_image(a)) for a in rises if foot[0] <= a <= foot[2]), np.nan)
    time_s, tops = _tops(plasma, tracks, foot)
    top = max(top, float(tops.max()))
    inside = keep & (angle >= foot[0]) & (angle <= foot[2]) & (height <= top)
    beneath = -np.clip(BENEATH * top, 8.0, 60.0)
    theta = np.asarray(orientation.to_image(np.concatenate([angle[inside], foot, foot[1:2]])))
    height = np.concatenate([height[inside], np.full(3, beneath), [top]])
    weight = np.concatenate([weight[inside], np.full(4, 1e-6)])
    way = None if followed is None else way_of(followed, orientation)
    return Action(theta, height, weight, time_s, tops, front, way, np.asarray(orientation.to_image(home)))


def asked_track(at: str, motion: Motion) -> KnotTrack | Front | None:
    """The body that has this letter; None where none has."""
    return _lettered(motion).get(at.strip().upper())


def way_of(track: KnotTrack | Front, orientation: Orientation) -> Way:
    """The fitted way of a knot; a front goes straight up."""
    if isinstance(track, KnotTrack):
        return Way(track.time_s, np.asarray(orientation.to_image(track.curve_angle_deg)), track.curve_mm)
    theta = np.asarray(orientation.to_image(track.angle_deg))
    return Way(track.time_s, np.full(len(theta), float(np.median(theta))), track.height_mm)


def _lettered(motion: Motion) -> dict[str, KnotTrack | Front]:
    labels = label_motion(motion)
    tracks = {labels.front(f): f for f in motion.fronts} | {labels.knot(k): k for k in motion.knots}
    return {letter: track for letter, track in tracks.items() if letter}


def check_at(at: str) -> None:
    """Raises SettingsError where `clip.at` can be no letter and no angle, whatever moves."""
    at = at.strip()
    try:
        if at and not (len(at) == 1 and at.isalpha()):
            float(at)
    except ValueError:
        remedy = "give an angle in degrees or one of the letters of the report"
        raise SettingsError(f"'{at}' is no letter and no angle", where="clip.at", remedy=remedy) from None


def asked_angle(at: str, motion: Motion, strip: Strip) -> float | None:
    """Product angle of a letter or a number, in the strips' own turn; None where nothing is asked. Raises
    SettingsError: no such letter, no number, or an angle that the strips do not show."""
    if not at.strip():
        return None
    track = asked_track(at, motion)
    geometry = strip.geometry
    middle = float(geometry.angle_deg((geometry.columns - 1) / 2.0))
    try:
        angle = float(np.mean(track.angle_deg)) if track is not None else float(at)
        angle += 360.0 * round((middle - angle) / 360.0)  # ValueError where it is not finite
    except (ValueError, OverflowError):
        known = ", ".join(sorted(_lettered(motion))) or "none: nothing moves"
        remedy = f"give an angle in degrees or one of the letters of the report ({known})"
        raise SettingsError(f"'{at}' is no letter and no angle", where="clip.at", remedy=remedy) from None
    first, last = geometry.from_deg, float(geometry.angle_deg(geometry.columns - 1))
    if not first <= angle <= last:
        remedy = f"the strips show {first % 360:.0f} to {last % 360:.0f} deg"
        raise SettingsError(f"{at} deg is out of view", where="clip.at", remedy=remedy)
    return angle


def best_window(
    angle_deg: np.ndarray,
    weight: np.ndarray,
    range_deg: tuple[float, float],
    needed_deg: list[np.ndarray],
    geometry: StripGeometry,
    bodies: list[tuple[float, float]],
) -> np.ndarray:
    """The stretch, of limited width, whose picture shows the most and cuts no body, as booleans. `angle_deg`,
    `weight`: (n,) of all points; `range_deg`: least width of the picture, and greatest width of the stretch;
    `needed_deg`: angles of what should be in for the most part where the width allows, the first rather than
    the second: the track whose number is the headline, the largest prominence; `geometry`: of the strips,
    beyond whose ends no picture reaches; `bodies`: first and last angle of each connected piece of plasma."""
    least_deg, window_deg = range_deg
    order = np.argsort(angle_deg)
    angles, heaped = angle_deg[order], np.concatenate([[0.0], np.cumsum(weight[order])])

    def held(low: np.ndarray | float, high: np.ndarray | float) -> np.ndarray:
        return heaped[np.searchsorted(angles, high, side="right")] - heaped[np.searchsorted(angles, low)]

    low, high = geometry.from_deg, float(geometry.angle_deg(geometry.columns - 1))
    starts = np.arange(angles[0] - window_deg, angles[-1], 0.1)
    found: list[tuple[float, float, float]] = []  # worth, first and last angle
    for wide in window_deg * np.array([1.0, 0.85, 0.7, 0.55]):
        first = np.minimum(np.searchsorted(angles, starts), len(angles) - 1)
        last = np.maximum(np.searchsorted(angles, starts + wide) - 1, first)
        half = np.maximum(0.5 * (angles[last] - angles[first]) / FILL + 0.05, 0.5 * least_deg)
        half = np.minimum(half, 0.5 * (high - low))
        middle = np.clip(0.5 * (angles[first] + angles[last]), low + half, high - half)
        worth = held(middle - half, middle + half)  # all that the picture shows
        for begin, end in bodies:
            cut = np.zeros(len(starts), bool)
            clear = 0.05 * half  # of sky kept between a body and the picture's edge
            for edge in (middle - half, middle + half):
                cut |= (edge > begin - clear) & (edge < end + clear)
            # what fits nowhere is cut anyway
            worth = worth - cut * (0.5 * heaped[-1] if end - begin <= window_deg else 0.5 * held(begin, end))
        for place, one in enumerate(needed_deg):
            inside = (one >= starts[:, None]) & (one <= starts[:, None] + wide)
            worth = worth + heaped[-1] * (2 - place) * (inside.mean(axis=1) >= 0.7)
        # Of all stretches that are worth the most, the middle one keeps what it holds centred.
        best = np.flatnonzero(worth >= worth.max() - 1e-9 * heaped[-1])
        chosen = best[len(best) // 2]
        found.append((float(worth[chosen]), float(starts[chosen]), float(starts[chosen] + wide)))
    _, begin, end = max(found)
    return (angle_deg >= begin) & (angle_deg <= end)


def _tops(
    plasma: _Plasma, tracks: tuple[KnotTrack | Front, ...], foot_deg: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Times and the height that must be in view by then: of bright plasma, moving fronts and knots."""
    times: list[float] = []
    tops: list[float] = []
    for seen_s, angle, height in plasma.strips:
        inside = height[(angle >= foot_deg[0]) & (angle <= foot_deg[2])]
        times.append(seen_s)
        tops.append(float(np.percentile(inside, 99.0)) if len(inside) > 4 else LEAST_MM)
    for track in tracks:
        if foot_deg[0] <= float(np.mean(track.angle_deg)) <= foot_deg[2]:
            times += track.time_s.tolist()
            tops += track.height_mm.tolist()
    time_s, height = np.array(times), np.array(tops)
    order = np.argsort(time_s)
    return time_s[order], np.maximum.accumulate(np.maximum(height[order], LEAST_MM))


@dataclass(frozen=True, slots=True, eq=False)
class _Plasma:
    """Bright cells of the strips' mean, and of each strip looked at."""

    angle_deg: np.ndarray
    height_mm: np.ndarray
    weight: np.ndarray
    strips: list[tuple[float, np.ndarray, np.ndarray]]  # time, angle and height of the bright cells of some

    @property
    def bodies(self) -> list[tuple[float, float]]:
        """First and last angle of each piece that no gap parts."""
        angles = np.unique(self.angle_deg)
        pieces = np.split(angles, np.flatnonzero(np.diff(angles) > 0.5) + 1)
        return [(float(piece[0]), float(piece[-1])) for piece in pieces if len(piece)]


def _plasma(strip: Strip) -> _Plasma:
    """Cells in which strips are bright, those that change with more weight."""
    geometry = strip.geometry
    sizes_mm = geometry.mm_per_row, float(geometry.mm_per_column(0.0))
    rows, columns = (max(1, round(2.5 / size_mm)) for size_mm in sizes_mm)  # of a cell of 2.5 Mm
    noise = np.maximum(_cells(np.repeat(strip.noise[:, None], columns, axis=1), rows, columns), 1e-9)
    height = geometry.height_mm((np.arange(len(noise)) + 0.5) * rows - 0.5)
    clear = (height > FRINGE_MM)[:, None]
    looked = spread_over(len(strip), SAMPLES)
    angle_of = geometry.angle_deg((np.arange(geometry.columns // columns) + 0.5) * columns - 0.5)
    seen = list(strip.mapped(lambda plane: np.nan_to_num(_cells(plane, rows, columns)), looked.tolist()))
    strips = []
    for index, cells in zip(looked, seen, strict=True):
        row, column = np.nonzero((cells > BRIGHT * noise) & clear)
        strips.append((float(strip.time_s[index]), angle_of[column], height[row]))
    mean, change = np.mean(seen, axis=0), np.std(seen, axis=0)
    row, column = np.nonzero((mean > BRIGHT * noise) & clear)
    weight = np.sqrt(mean[row, column] / max(float(mean.max()), 1e-9))
    weight = weight + 4.0 * change[row, column] / max(float(change.max()), 1e-9)
    return _Plasma(angle_of[column], height[row], weight, strips)


def _cells(image: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """Means over cells of rows x columns; what does not fill a cell is left out."""
    tall, wide = image.shape[0] // rows, image.shape[1] // columns
    return image[: tall * rows, : wide * columns].reshape(tall, rows, wide, columns).mean(axis=(1, 3))


def _percentile(value: np.ndarray, weight: np.ndarray, at: float) -> float:
    order = np.argsort(value)
    share = np.cumsum(weight[order]) / weight.sum()
    return float(value[order][min(int(np.searchsorted(share, at)), len(value) - 1)])
