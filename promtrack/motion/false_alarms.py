"""Chance tracks and standing structure: how many tracks would look like motion without being one.

Points of chance may line up: the same strips with their times scrambled give only such tracks, since what
moves is torn apart. And a structure that stands still may change its brightness from one side to the other,
which shifts a knot by a part of its own size.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import ndtri

from promtrack.motion import limits
from promtrack.motion.correlated_noise import FREEDOM
from promtrack.motion.link import SMALLEST_MM, Linking, Places, crowding, link_points

LEAST_TOLD = 1e-6  # false alarms: how the tail of chance goes on beyond is not known from some tens of trials
SCALE, SCALE_WEIGHT = 3.0, 3.0  # decay of chance tracks' scores before any is seen, and its weight in scores


@dataclass(frozen=True, slots=True, eq=False)
class Chance:
    """The tracks that scrambled times gave, in falling order of their scores."""

    scores: np.ndarray  # of all trials
    travels_mm: np.ndarray
    trials: int


def chance_tracks(places: Places, linking: Linking, *, trials: int, rng: np.random.Generator) -> Chance:
    """Link the same points `trials` times with the times of the strips scrambled in blocks."""
    n = len(places.time_s)
    # A minute stays together, since what flickers has a memory; fewer than eight blocks tear apart nothing.
    cadence = float(np.median(np.diff(places.time_s))) if n > 1 else 60.0
    block = min(max(round(60.0 / max(cadence, 1e-3)), limits.LEAST_FRAMES), max(n // 8, 1))
    blocks = [np.arange(first, min(first + block, n)) for first in range(0, n, block)]
    found: list[tuple[float, float]] = []
    for _ in range(trials):
        new = np.argsort(np.concatenate([blocks[k] for k in rng.permutation(len(blocks))]))
        order = np.argsort(new[places.index], kind="stable")
        scrambled = replace(places.pick(order), index=new[places.index][order])
        tree = cKDTree(scrambled.place_mm) if len(places.index) else None
        found += [
            (track_score(track, scrambled, linking, tree), travel(track, scrambled))
            for track in link_points(scrambled, linking)
        ]
    table = np.array(sorted(found, reverse=True)).reshape(-1, 2)
    return Chance(table[:, 0], table[:, 1], trials)


def travel(track: np.ndarray, places: Places) -> float:
    """Distance in Mm that the typical velocity of a track carries it in all its time."""
    time_s = places.time_s[places.index[track]]
    return float(np.hypot(*typical_velocity(time_s, places.place_mm[track])) * (time_s[-1] - time_s[0]))


def track_score(track: np.ndarray, places: Places, linking: Linking, tree: cKDTree) -> float:
    """Log likelihood ratio of a track as one moving knot against chance points as dense as they are around
    it.

    Each inner point is predicted from its two neighbours; the track's own points are no chance points. Chance
    points are denser in a strip that shows more points than usual: a cloud fills a few strips in a row, and
    scrambled times, which tear these apart, would make its chance tracks seem rare.
    """
    place, time = places.place_mm[track], places.time_s[places.index[track]]
    variance = places.error_mm[track] ** 2 + SMALLEST_MM**2
    share = ((time[1:-1] - time[:-2]) / (time[2:] - time[:-2]))[:, None]
    off = place[1:-1] - (1 - share) * place[:-2] - share * place[2:]
    spread2 = variance[1:-1] + (1 - share) ** 2 * variance[:-2] + share**2 * variance[2:]
    around = tree.query_ball_point(place[1:-1], limits.KNOT_MM, return_length=True)
    own = cKDTree(place).query_ball_point(place[1:-1], limits.KNOT_MM, return_length=True)
    n, points = len(places.time_s), max(len(places.index), 1)
    density = (around - own) / (n * np.pi * limits.KNOT_MM**2) + points / (n * linking.area_mm2)
    density = density * crowding(places)[places.index[track[1:-1]]]
    gain = -0.5 * (off**2 / spread2).sum(-1) - 0.5 * np.log(spread2).sum(-1) - np.log(2 * np.pi * density)
    missed = places.index[track[-1]] - places.index[track[0]] + 1 - len(track)
    return float(gain.sum() - missed)  # 1 for a strip without a point: a knot is seen in two of three


def expected_by_chance(score: float, travel_mm: float, chance: Chance) -> float:
    """Number of chance tracks expected in a run with at least this score that travel at least half as far:
    what stands still makes chance tracks of high score that go nowhere.

    Counted in the trials as far as they reach; beyond, the tail of their scores goes on as an exponential of
    unknown scale: its predictive law, a Lomax distribution (Aitchison & Dunsmore 1975, Statistical Prediction
    Analysis, table 2.3), with `SCALE` counting as `SCALE_WEIGHT` scores.
    """
    scores = chance.scores[chance.travels_mm >= 0.5 * travel_mm]
    above = int(np.searchsorted(-scores, -score, side="right"))
    top = scores[: max(5, len(scores) // 4)]
    if above >= max(len(top), 1):
        return above / chance.trials
    least = float(top[-1]) if len(top) else 0.0
    total = float(np.sum(top - least)) + SCALE_WEIGHT * SCALE
    tail = (1.0 + max(score - least, 0.0) / total) ** -(max(len(top) - 1, 0) + SCALE_WEIGHT)
    return max(len(top), 1) / chance.trials * tail


def typical_velocity(time_s: np.ndarray, place_mm: np.ndarray) -> np.ndarray:
    """(2,) Mm/s, the median velocity of a track's parts, each over a sixth of the points, from times (n,)
    that do not fall and places (n, 2). The mean would take one jump from a standing structure to the next for
    motion."""
    step = max(len(time_s) // 6, 1)
    gone, took = place_mm[step:] - place_mm[:-step], time_s[step:] - time_s[:-step]
    return np.median(gone[took > 0] / took[took > 0, None], axis=0)  # two frames may have one time


def expected_unmoved(velocity: np.ndarray, error: np.ndarray, tracks: int) -> float:
    """Number of tracks at rest, of `tracks` in all, expected to show so large a velocity (2,) by its errors
    (2,), whose tails are those of Student's law (the noise of a track is known from few others)."""
    normalised2 = float(np.sum((velocity / error) ** 2))
    return float(tracks * (1 + normalised2 / FREEDOM) ** (-0.5 * FREEDOM))


@dataclass(frozen=True, slots=True)
class Tail:
    """Upper tail of scores that chance gives, continued as an exponential beyond the highest tenth."""

    level: float  # the score that one in ten exceeds
    decay: float  # mean excess above it

    @classmethod
    def of(cls, scores: np.ndarray) -> Tail:
        """From scores (n,) of chance alone; a decay is one unit of log likelihood at least."""
        level = float(np.quantile(scores, 0.9))
        return cls(level, max(float(np.mean(scores[scores >= level])) - level, 1.0))

    def probability(self, score: float) -> float:
        """That one score of chance is as high; 0.1 stands for all that is no less."""
        return float(0.1 * np.exp(min((self.level - score) / self.decay, 0.0)))

    def score(self, probability: float) -> float:
        """The score that chance reaches with a probability, the inverse of `probability`."""
        return self.level - self.decay * float(np.log(probability / 0.1))


def significance(false_alarm: float) -> float:
    """A false-alarm number as the sigma of a Gaussian with that upper tail; at most 37."""
    probability = -np.expm1(-false_alarm)
    return float(max(-ndtri(max(probability, 1e-300)), 0.0))
