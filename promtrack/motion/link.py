"""Points of single strips joined to tracks: optimal assignment, prediction, gap closing.

All in the plane of the sky (`knots.sky_plane`), Mm and s. A track carries a Kalman filter with constant
velocity and random acceleration. Tracks begin with three points that one velocity explains; from strip to
strip the assignment of points to tracks is the one of greatest total likelihood against chance (Reid 1979,
IEEE Trans. Automat. Contr. 24, 843); last, ends and beginnings of tracks are joined across gaps, again by
optimal assignment (Jaqaman et al. 2008, Nature Methods 5, 695).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

ACCEL_MM_S2 = 1.5e-4  # 150 m/s^2, 1 sigma: half of solar gravity; a turn of 60 km/s on a radius of 24 Mm
GATE2 = 16.0  # squared normalised distance at which a point cannot belong to a track (4 sigma, two axes)
SMALLEST_MM = 0.15  # wander of a point by its own changes of shape and by the air, 1 sigma
MISSES = 4  # strips in a row without a point that end a track
FADE_SNR = 0.35  # scatter of the logarithm of the signal-to-noise ratio from strip to strip


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Points in the plane of the sky, in order of time."""

    index: np.ndarray  # (m,) strip
    time_s: np.ndarray  # (n,) times of all strips, also of those without points
    place_mm: np.ndarray  # (m, 2)
    error_mm: np.ndarray  # (m, 2) 1 sigma
    snr: np.ndarray  # (m,)

    def pick(self, which: np.ndarray) -> Places:
        """Some of the points, by index or mask."""
        place_mm, error_mm = self.place_mm[which], self.error_mm[which]
        return Places(self.index[which], self.time_s, place_mm, error_mm, self.snr[which])

    def without(self, points: np.ndarray) -> Places:
        """All but some of the points."""
        return self.pick(np.setdiff1d(np.arange(len(self.index)), points))


@dataclass(frozen=True, slots=True)
class Linking:
    """Limits of the linking."""

    fastest_mm_s: float
    least_points: int
    area_mm2: float  # area looked at, for the density of chance points


@dataclass(slots=True, eq=False)
class _Track:
    points: list[int]
    time_s: float
    state: np.ndarray  # (2, 2): place and velocity, rows; axes, columns
    cov: np.ndarray  # (2, 2, 2): for each axis, of place and velocity
    bright: float  # mean logarithm of the signal-to-noise ratio of its last five points
    misses: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Straight lines: places and velocities at one time each."""

    time_s: np.ndarray  # (k,)
    state: np.ndarray  # (k, 2, 2): place and velocity, rows; axes, columns
    cov: np.ndarray  # (k, 2, 2, 2): for each axis, of place and velocity


def link_points(places: Places, linking: Linking) -> list[np.ndarray]:
    """Tracks as arrays of point indices, in order of time; each point is in one track at most."""
    n = len(places.time_s)
    order = np.searchsorted(places.index, np.arange(n + 1))
    chance = max(len(places.index), 1) / n / linking.area_mm2 * crowding(places)
    free = np.ones(len(places.index), bool)
    alive: list[_Track] = []
    done: list[_Track] = []
    for i in range(n):
        here = np.arange(order[i], order[i + 1])
        _extend(alive, here, places, float(places.time_s[i]), float(chance[i]), free)
        done += [track for track in alive if track.misses > MISSES]
        alive = [track for track in alive if track.misses <= MISSES]
        alive += _begin(i, order, places, linking, free)
    tracks = _close_gaps([np.array(track.points) for track in done + alive], places, linking)
    return [track for track in tracks if len(track) >= linking.least_points]


def crowding(places: Places) -> np.ndarray:
    """(n,) how many more points each strip shows than strips do in the mean, 1 or more."""
    n = len(places.time_s)
    return np.maximum(np.bincount(places.index, minlength=n) * n / max(len(places.index), 1), 1.0)


def _extend(
    alive: list[_Track], here: np.ndarray, places: Places, time_s: float, chance: float, free: np.ndarray
) -> None:
    """Give points of one strip to the tracks, in place."""
    if not alive:
        return
    dt = np.array([time_s - track.time_s for track in alive])
    state, cov = _carried(np.array([one.state for one in alive]), np.array([one.cov for one in alive]), dt)
    for track, new_state, new_cov in zip(alive, state, cov, strict=True):
        track.state, track.cov, track.time_s = new_state, new_cov, time_s
        track.misses += 1
    if not len(here):
        return
    # log likelihood ratio of each (track, point) pair against chance
    off = places.place_mm[here] - state[:, None, 0]
    spread2 = cov[:, None, :, 0, 0] + places.error_mm[here] ** 2 + SMALLEST_MM**2
    distance2 = (off**2 / spread2).sum(-1)
    bright = np.log(places.snr[here]) - np.array([track.bright for track in alive])[:, None]
    gain = -0.5 * distance2 - 0.5 * np.log(spread2).sum(-1) - np.log(2 * np.pi * chance)
    gain -= 0.5 * np.minimum((bright / FADE_SNR) ** 2, 9.0)
    # A point that is no gain for any track is left alone: an extra column a track, of no gain.
    table = np.hstack([np.where(distance2 < GATE2, gain, -1e6), np.zeros((len(alive), len(alive)))])
    for k, column in zip(*linear_sum_assignment(table, maximize=True), strict=True):
        if column < len(here) and table[k, column] > 0:
            _update(alive[k], int(here[column]), places)
            free[here[column]] = False


def _carried(state: np.ndarray, cov: np.ndarray, dt: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """States and covariances after the times dt (k,), in each of which an unknown acceleration changes place
    and velocity together: a knot that rests before and after a gap has gone nowhere in it."""
    step = np.tile(np.eye(2), (len(dt), 1, 1, 1))
    step[:, 0, 0, 1] = dt
    push = ACCEL_MM_S2 * np.stack([dt**2 / 2, dt], -1)[:, None, :, None]
    return step[:, 0] @ state, step @ cov @ step.swapaxes(-1, -2) + push * push.swapaxes(-1, -2)


def _update(track: _Track, point: int, places: Places) -> None:
    noise2 = places.error_mm[point] ** 2 + SMALLEST_MM**2
    weight = track.cov[:, :, 0] / (track.cov[:, 0, 0] + noise2)[:, None]  # (axis, place and velocity)
    off = places.place_mm[point] - track.state[0]
    track.state = track.state + weight.T * off
    track.cov = track.cov - weight[:, :, None] * track.cov[:, None, 0, :]
    track.points.append(point)
    track.bright = _brightness(track.points, places)
    track.misses = 0


def _brightness(points: list[int], places: Places) -> float:
    return float(np.mean(np.log(places.snr[points[-5:]])))


def _begin(i: int, order: np.ndarray, places: Places, linking: Linking, free: np.ndarray) -> list[_Track]:
    """New tracks of three free points, the last in strip i, with at most one strip left out."""

    def free_in(k: int) -> np.ndarray:
        return order[k] + np.flatnonzero(free[order[k] : order[k + 1]])

    triples, costs = [], []
    for near, far in ((1, 2), (1, 3), (2, 3)):
        if i >= far and all(len(points) for points in (free_in(i), free_in(i - near), free_in(i - far))):
            found, cost = _triples(free_in(i - far), free_in(i - near), free_in(i), places, linking)
            triples.append(found)
            costs.append(cost + 3.0 * (far - 2))  # a strip left out needs a better fit
    if not triples:
        return []
    table, cost = np.concatenate(triples), np.concatenate(costs)
    chosen = []
    for three in table[np.argsort(cost, kind="stable")]:
        if free[three].all():
            free[three] = False
            chosen.append(three)
    if not chosen:
        return []
    line = _lines(chosen, places, last=True)
    return [
        _Track(three.tolist(), float(time_s), state, cov, _brightness(three.tolist(), places))
        for three, time_s, state, cov in zip(chosen, line.time_s, line.state, line.cov, strict=True)
    ]


def _triples(
    first: np.ndarray, middle: np.ndarray, last: np.ndarray, places: Places, linking: Linking
) -> tuple[np.ndarray, np.ndarray]:
    """(k, 3) triples that one velocity explains, and their costs."""
    time = places.time_s[places.index]
    t0, t1, t2 = time[first[0]], time[middle[0]], time[last[0]]
    reach = linking.fastest_mm_s * (t2 - t0)
    a, c = np.nonzero(
        ((places.place_mm[first][:, None] - places.place_mm[last][None]) ** 2).sum(-1) < reach**2
    )
    if not len(a):
        return np.empty((0, 3), int), np.empty(0)
    share = (t1 - t0) / (t2 - t0)
    start, end = first[a], last[c]
    expected = (1 - share) * places.place_mm[start] + share * places.place_mm[end]
    bend = 0.5 * ACCEL_MM_S2 * (t1 - t0) * (t2 - t1)
    base2 = ((1 - share) * places.error_mm[start]) ** 2 + (share * places.error_mm[end]) ** 2
    spread2 = base2[:, None] + places.error_mm[middle][None] ** 2 + 1.5 * SMALLEST_MM**2 + bend**2
    distance2 = ((places.place_mm[middle][None] - expected[:, None]) ** 2 / spread2).sum(-1)
    pair, b = np.nonzero(distance2 < 0.6 * GATE2)
    brightness = np.log(places.snr[np.stack([start[pair], middle[b], end[pair]])])
    speed = np.sqrt(((places.place_mm[start] - places.place_mm[end]) ** 2).sum(-1))[pair] / reach
    cost = distance2[pair, b] + np.ptp(brightness, axis=0) / FADE_SNR + 6.0 * speed
    return np.column_stack([start[pair], middle[b], end[pair]]), cost


def _close_gaps(tracks: list[np.ndarray], places: Places, linking: Linking) -> list[np.ndarray]:
    """Join ends to beginnings where both tracks, carried into the gap, meet; repeated until nothing joins."""
    tracks = [track for track in tracks if len(track) >= 4]
    while len(tracks) > 1 and (after := _assigned(*_gap_gains(tracks, places, linking))):
        chains = []
        for k in sorted(set(range(len(tracks))) - set(after.values())):
            chain = [k]
            while chain[-1] in after:
                chain.append(after[chain[-1]])
            chains.append(np.concatenate([tracks[one] for one in chain]))
        tracks = chains
    return tracks


def _assigned(end: np.ndarray, start: np.ndarray, gain: np.ndarray) -> dict[int, int]:
    """Start by end of the pairs of greatest total gain, each end and each start in one pair at most."""
    good = gain > 3.0  # log likelihood ratio
    ends, row = np.unique(end[good], return_inverse=True)
    starts, column = np.unique(start[good], return_inverse=True)
    table = np.zeros((len(ends), len(starts)))
    table[row, column] = gain[good]
    pairs = zip(*linear_sum_assignment(table, maximize=True), strict=True)
    return {int(ends[a]): int(starts[b]) for a, b in pairs if table[a, b] > 0}


def _gap_gains(
    tracks: list[np.ndarray], places: Places, linking: Linking
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(k,) ends, (k,) starts of tracks that may be one knot, and log likelihood ratios against chance."""
    ends, starts = (
        _lines([track[part] for track in tracks], places, last=last)
        for part, last in ((np.s_[-6:], True), (np.s_[:6], False))
    )
    bright = np.array([np.mean(np.log(places.snr[track])) for track in tracks])
    a, b = _may_join(tracks, places)
    carried, cov = _carried(ends.state[a], ends.cov[a], starts.time_s[b] - ends.time_s[a])
    off = np.swapaxes(carried - starts.state[b], 1, 2)  # (k, axis, place and velocity)
    spread2 = cov + starts.cov[b]
    spread2[..., 0, 0] += SMALLEST_MM**2
    total = (off * np.linalg.solve(spread2, off[..., None])[..., 0]).sum(axis=(1, 2))
    fading = np.minimum(((bright[a] - bright[b]) / FADE_SNR) ** 2, 9.0)
    # by chance tracks begin anywhere in the area, with any velocity
    room = linking.area_mm2 * (2 * linking.fastest_mm_s) ** 2 / len(tracks)
    width = np.log(4 * np.pi**2 * np.linalg.det(spread2)).sum(axis=1)
    gain = np.log(room) - 0.5 * (total + fading + width)
    near = total < GATE2
    return a[near], b[near], gain[near]


def _may_join(tracks: list[np.ndarray], places: Places) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of the tracks with a gap of a few strips, or less than half of what either lasted."""
    first, last = (places.index[[track[k] for track in tracks]] for k in (0, -1))
    begun, ended = places.time_s[first], places.time_s[last]
    order = np.argsort(begun, kind="stable")
    low = np.searchsorted(begun[order], ended, side="right")
    high = np.maximum(
        np.searchsorted(first[order], last + 3 * MISSES + 1, side="right"),
        np.searchsorted(begun[order], ended + 0.5 * (ended - begun)),
    )
    count = np.maximum(high - low, 0)
    a = np.repeat(np.arange(len(tracks)), count)
    b = order[np.repeat(low - np.cumsum(count) + count, count) + np.arange(count.sum())]
    lasted = np.minimum(ended[a] - begun[a], ended[b] - begun[b])
    short = (first[b] - last[a] - 1 <= 3 * MISSES) | (begun[b] - ended[a] < 0.5 * lasted)
    return a[short], b[short]


def _lines(pieces: list[np.ndarray], places: Places, *, last: bool) -> _Lines:
    """Weighted straight lines through a few points each (at least two strips), at their ends or starts."""
    length = np.array([len(piece) for piece in pieces])
    most = int(length.max())
    first = np.cumsum(length) - length
    points = np.concatenate(pieces)[first[:, None] + np.minimum(np.arange(most), length[:, None] - 1)]
    time = places.time_s[places.index[points]]
    at = time[:, -1] if last else time[:, 0]
    t = (time - at[:, None])[..., None]  # (k, most, 1)
    weight = (np.arange(most) < length[:, None])[..., None] / (places.error_mm[points] ** 2 + SMALLEST_MM**2)
    s0, s1, s2 = (np.sum(weight * t**power, axis=1) for power in (0, 1, 2))  # (k, axis)
    cov = (
        np.stack([np.stack([s2, -s1], -1), np.stack([-s1, s0], -1)], -2) / (s0 * s2 - s1**2)[..., None, None]
    )
    right = np.stack([np.sum(weight * t**power * places.place_mm[points], axis=1) for power in (0, 1)], -1)
    return _Lines(at, np.swapaxes((cov @ right[..., None])[..., 0], 1, 2), cov)
