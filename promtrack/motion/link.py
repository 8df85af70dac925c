"""Points of single strips joined to tracks: optimal assignment, prediction, gap closing.

All in the plane of the sky (`knots.sky_plane`), Mm and s. A track carries a Kalman filter with constant
velocity and random acceleration. Tracks begin with three points that one velocity explains; from strip to
strip the assignment of points to tracks is the one of greatest total likelihood against chance (Reid 1979,
IEEE Trans. Automat. Contr. 24, 843); last, ends and beginnings of tracks are joined across gaps, again by
optimal assignment (Jaqaman et al. 2008, Nature Methods 5, 695).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean

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
    free, bright = np.ones(len(places.index), bool), np.log(places.snr).tolist()
    # the tracks that may go on: their points, where they are now, and strips in a row without a point
    alive: list[list[int]] = []
    state, cov, misses = np.empty((0, 2, 2)), np.empty((0, 2, 2, 2)), np.empty(0, int)
    done: list[list[int]] = []
    for i in range(n):
        if alive:
            state, cov = _carried(state, cov, places.time_s[i : i + 1] - places.time_s[i - 1])
            misses += 1
            usual = np.array([fmean([bright[one] for one in points[-5:]]) for points in alive])
            track, point = _next_points(
                state, cov, usual, np.arange(order[i], order[i + 1]), places, chance[i]
            )
            state[track], cov[track] = _updated(state[track], cov[track], point, places)
            misses[track], free[point] = 0, False
            for k, one in zip(track.tolist(), point.tolist(), strict=True):
                alive[k].append(one)
            going = misses <= MISSES
            done += [points for points, on in zip(alive, going, strict=True) if not on]
            alive = [points for points, on in zip(alive, going, strict=True) if on]
            state, cov, misses = state[going], cov[going], misses[going]
        if begun := _begin(i, order, places, linking, free):
            line = _lines(begun, places, last=True)
            alive += [three.tolist() for three in begun]
            state, cov = np.concatenate([state, line.state]), np.concatenate([cov, line.cov])
            misses = np.append(misses, np.zeros(len(begun), int))
    tracks = _close_gaps([np.array(points) for points in done + alive], places, linking)
    return [track for track in tracks if len(track) >= linking.least_points]


def crowding(places: Places) -> np.ndarray:
    """(n,) how many more points each strip shows than strips do in the mean, 1 or more."""
    n = len(places.time_s)
    return np.maximum(np.bincount(places.index, minlength=n) * n / max(len(places.index), 1), 1.0)


def _next_points(
    state: np.ndarray, cov: np.ndarray, usual: np.ndarray, here: np.ndarray, places: Places, chance: float
) -> tuple[np.ndarray, np.ndarray]:
    """Which tracks go on to which of the points `here` of one strip; `usual`: mean logarithm of the
    signal-to-noise ratio of each track's last five points."""
    # log likelihood ratio of each (track, point) pair against chance
    spread2 = cov[:, None, :, 0, 0] + places.error_mm[here] ** 2 + SMALLEST_MM**2
    off2 = (places.place_mm[here] - state[:, None, 0]) ** 2 / spread2
    distance2 = off2[..., 0] + off2[..., 1]
    brighter = np.log(places.snr[here]) - usual[:, None]
    gain = -0.5 * distance2 - 0.5 * np.log(spread2[..., 0] * spread2[..., 1]) - np.log(2 * np.pi * chance)
    gain -= 0.5 * np.minimum((brighter / FADE_SNR) ** 2, 9.0)
    # A point that is no gain for any track is left alone: no pair of the greatest total gain is a loss.
    table = np.where(distance2 < GATE2, np.maximum(gain, 0.0), 0.0)
    track, column = linear_sum_assignment(table, maximize=True)
    better = table[track, column] > 0
    return track[better], here[column[better]]


def _carried(state: np.ndarray, cov: np.ndarray, dt: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """States and covariances after the times dt (k,), in each of which an unknown acceleration changes place
    and velocity together: a knot that rests before and after a gap has gone nowhere in it."""
    step = np.tile(np.eye(2), (len(dt), 1, 1, 1))
    step[:, 0, 0, 1] = dt
    push = ACCEL_MM_S2 * np.stack([dt**2 / 2, dt], -1)[:, None, :, None]
    return step[:, 0] @ state, step @ cov @ step.swapaxes(-1, -2) + push * push.swapaxes(-1, -2)


def _updated(
    state: np.ndarray, cov: np.ndarray, point: np.ndarray, places: Places
) -> tuple[np.ndarray, np.ndarray]:
    """States and covariances of tracks that have each met a point."""
    noise2 = places.error_mm[point] ** 2 + SMALLEST_MM**2
    weight = cov[..., 0] / (cov[..., 0, 0] + noise2)[..., None]  # (k, axis, place and velocity)
    off = places.place_mm[point] - state[:, 0]
    return state + weight.swapaxes(1, 2) * off[:, None], cov - weight[..., None] * cov[..., None, 0, :]


def _begin(i: int, order: np.ndarray, places: Places, linking: Linking, free: np.ndarray) -> list[np.ndarray]:
    """New tracks of three free points, the last in strip i, with at most one strip left out."""
    last, *before = (
        order[k] + np.flatnonzero(free[order[k] : order[k + 1]]) for k in range(i, max(i - 4, -1), -1)
    )
    triples, costs = [], []
    for near, far in ((1, 2), (1, 3), (2, 3)):
        if len(before) >= far and all(map(len, (last, before[near - 1], before[far - 1]))):
            found, cost = _triples(before[far - 1], before[near - 1], last, places, linking)
            triples.append(found)
            costs.append(cost + 3.0 * (far - 2))  # a strip left out needs a better fit
    chosen: list[np.ndarray] = []
    for three in np.concatenate(triples)[np.concatenate(costs).argsort(kind="stable")] if triples else ():
        if free[three].all():
            free[three] = False
            chosen.append(three)
    return chosen


def _triples(
    first: np.ndarray, middle: np.ndarray, last: np.ndarray, places: Places, linking: Linking
) -> tuple[np.ndarray, np.ndarray]:
    """(k, 3) triples that one velocity explains, and their costs."""
    t0, t1, t2 = (places.time_s[places.index[points[0]]] for points in (first, middle, last))
    place, error2 = places.place_mm, places.error_mm**2
    reach = linking.fastest_mm_s * (t2 - t0)
    away = place[first, None] - place[last]
    apart = np.hypot(away[..., 0], away[..., 1])
    a, c = np.nonzero(apart < reach)
    if not len(a):
        return np.empty((0, 3), int), np.empty(0)
    share = (t1 - t0) / (t2 - t0)
    start, end = first[a], last[c]
    expected = (1 - share) * place[start] + share * place[end]
    bend = 0.5 * ACCEL_MM_S2 * (t1 - t0) * (t2 - t1)
    base2 = (1 - share) ** 2 * error2[start] + share**2 * error2[end] + 1.5 * SMALLEST_MM**2 + bend**2
    most2 = 0.6 * GATE2
    far = np.sqrt(most2 * (base2.max() + error2[middle].max()))
    by_x = middle[np.argsort(place[middle, 0])]
    pair, b = _between(*(np.searchsorted(place[by_x, 0], expected[:, 0] + side) for side in (-far, far)))
    three = np.stack([start[pair], by_x[b], end[pair]])
    x2, y2 = ((place[three[1]] - expected[pair]) ** 2 / (error2[three[1]] + base2[pair])).T
    cost = x2 + y2 + np.ptp(np.log(places.snr[three]), axis=0) / FADE_SNR + 6.0 * apart[a, c][pair] / reach
    good = x2 + y2 < most2
    return three.T[good], cost[good]


def _between(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every number k as often as there are i with low[k] <= i < high[k], and these i."""
    count = np.maximum(high - low, 0)
    k = np.repeat(np.arange(len(count)), count)
    return k, np.arange(len(k)) - (np.cumsum(count) - count - low)[k]


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
    a, place = _between(low, high)
    b = order[place]
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
