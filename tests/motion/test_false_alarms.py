"""False alarms: chance tracks, travel, tails, and knots bright enough and too faint to be found."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.stats import norm

from promtrack.motion.false_alarms import (
    Chance,
    chance_tracks,
    expected_by_chance,
    significance,
    track_score,
    travel,
)
from promtrack.motion.knots import find_knots
from promtrack.motion.link import link_points
from promtrack.motion.tracks import track_knots
from tests.benchmarks.motion_accuracy import true_knot
from tests.motion.made_strips import Recipe, made_strip
from tests.motion.test_link import LINKING, line, places_of

SCENE = Recipe(
    frames=100,
    rows=130,
    columns=320,
    knots=6,
    threads=8,
    gaps=0,
    knot_snr=(0.5, 0.5),
    knot_km_s=(40.0, 40.0),
    knot_fwhm_mm=(3.0, 3.0),
    knot_frames=(16, 48),
)


def test_a_real_knot_stands_out_from_scrambled_times():
    # TRUTH  one knot of 20 points among 6 chance points a strip.
    time = np.arange(80) * 12.0
    path = line(time, 0, 780, 40, -30)
    path[:30], path[50:] = np.nan, np.nan
    places, owner = places_of([path], time, clutter=6, seed=1)
    chance = chance_tracks(places, LINKING, trials=20, rng=np.random.default_rng(0))
    tree = cKDTree(places.place_mm)
    track = max(link_points(places, LINKING), key=len)
    assert np.mean(owner[track] == 0) > 0.9
    assert expected_by_chance(track_score(track, places, LINKING, tree), travel(track, places), chance) < 1e-3


def test_false_alarms_are_as_rare_as_stated():
    # TRUTH  60 runs of chance points alone, 0.2 false alarms tolerated in each: 12 expected at most; 20 or
    # more happen with a probability of 2 % (Poisson).
    time = np.arange(60) * 12.0
    alarms = 0
    for seed in range(60):
        places, _ = places_of([], time, clutter=10, seed=seed)
        tracks = link_points(places, LINKING)
        if not tracks:
            continue
        chance = chance_tracks(places, LINKING, trials=10, rng=np.random.default_rng(seed))
        tree = cKDTree(places.place_mm)
        alarms += sum(
            expected_by_chance(track_score(track, places, LINKING, tree), travel(track, places), chance)
            <= 0.2
            for track in tracks
        )
    assert alarms < 20


def test_points_that_come_again_at_one_place_score_low():
    # TRUTH  the same chain of points, once alone and once where other points stand close by at all times.
    time = np.arange(60) * 12.0
    path = line(time, 0, 780, 10, 0)
    path[20:] = np.nan
    alone, _ = places_of([path], time, seed=2)
    still = [np.tile([x, 780.0], (60, 1)) for x in (-3.0, 0.0, 3.0)]
    crowded, owner = places_of([path, *still], time, seed=2)
    score = track_score(np.arange(20), alone, LINKING, cKDTree(alone.place_mm))
    among = track_score(np.flatnonzero(owner == 0), crowded, LINKING, cKDTree(crowded.place_mm))
    assert among < score - 40


def test_expected_number_falls_with_the_score():
    # TRUTH  60 random tracks in 20 trials are 3 a trial
    chance = Chance(np.sort(np.random.default_rng(3).exponential(4.0, 60) + 10)[::-1], np.full(60, 10.0), 20)
    scores = np.linspace(5, 120, 40)
    expected = [expected_by_chance(score, 8.0, chance) for score in scores]
    assert all(a >= b for a, b in pairwise(expected))
    assert expected[0] == pytest.approx(3.0)  # all 60 of 20 trials lie above
    assert expected[-1] < 1e-6


def test_chance_tracks_that_go_nowhere_do_not_count_against_one_that_travels():
    # TRUTH  ten chance tracks of score 100 that travel 1 Mm, ten of score 20 that travel 30 Mm, in ten
    # trials.
    chance = Chance(np.repeat([100.0, 20.0], 10), np.repeat([1.0, 30.0], 10), 10)
    assert expected_by_chance(90.0, 1.0, chance) == pytest.approx(1.0)
    assert expected_by_chance(90.0, 20.0, chance) < 1e-6


def test_travel():
    # TRUTH  30 km/s for 40 steps of 10 s: 11.7 Mm from the first to the last point.
    time = np.arange(40) * 10.0
    places, _ = places_of([line(time, 0, 780, 18, 24)], time, err_mm=0.01, seed=4)
    assert travel(np.arange(40), places) == pytest.approx(11.7, abs=0.1)


def test_a_jump_between_two_places_is_no_travel():
    # TRUTH  8 points at rest, then 8 points at rest 10 Mm away, each off by 0.05 Mm.
    time = np.arange(16) * 10.0
    path = np.tile([0.0, 780.0], (16, 1))
    path[8:, 0] += 10.0
    places, _ = places_of([path], time, err_mm=0.05, seed=4)
    assert travel(np.arange(16), places) < 1.0


def test_few_chance_tracks_make_a_long_tail():
    # TRUTH  exponential scores, scale 5, in runs of 3 and of 300 trials, one each: a score that is expected
    # once in 100 runs is never said to be rarer than once in 1000 by the few, and right to a factor of 3 by
    # the many (4 standard errors of the scale of 75 scores are a factor of 8; the mean of the logarithm over
    # 40 runs is known to a fifth).
    rng = np.random.default_rng(8)
    score = 5.0 * np.log(100.0)
    few, many = (
        [
            np.log(expected_by_chance(score, 8.0, Chance(np.sort(scores)[::-1], np.full(n, 10.0), n)))
            for scores in rng.exponential(5.0, (40, n))
        ]
        for n in (3, 300)
    )
    assert np.exp(np.mean(few)) > 1e-3
    assert 1 / 300 < np.exp(np.mean(many)) < 3 / 100


@pytest.mark.parametrize("sigma", [1.0, 3.0, 5.0])
def test_significance_is_a_gaussian_tail(sigma):
    # TWIN  scipy.stats.norm; for small numbers a number is a probability.
    assert significance(-np.log1p(-norm.sf(sigma))) == pytest.approx(sigma, abs=1e-6)


def tracks_of(strip):
    return track_knots(strip, find_knots(strip), rng=np.random.default_rng(1)).knots


def test_knots_put_into_strips_are_found_again(tmp_path):
    # TRUTH  6 knots of S/N 20 and 40 km/s among threads, fringe, seeing and thin cloud. Speeds are right
    # within 3 km/s or 8 %, as asked of nine knots in ten.
    strip, knots = made_strip(replace(SCENE, knot_snr=(20.0, 20.0)), tmp_path, 5)
    found = {k: track for track in tracks_of(strip) if (k := true_knot(strip, track, knots)) >= 0}
    assert len(found) >= 5
    assert sum(track.moving for track in found.values()) >= 5
    off = [track.fit.speed_km_s - knots[k].speed_km_s for k, track in found.items()]
    assert np.median(np.abs(off)) < 3.2


def test_knots_below_the_noise_are_not_found(tmp_path):
    # TRUTH  the same knots at S/N 0.5: whatever is found would be something else.
    strip, knots = made_strip(SCENE, tmp_path, 5)
    assert all(true_knot(strip, track, knots) < 0 for track in tracks_of(strip))
