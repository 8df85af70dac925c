"""Linking of points to tracks on paths with known truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from promtrack.motion.link import Linking, Places, link_points

LINKING = Linking(fastest_mm_s=0.25, least_points=8, area_mm2=60_000.0)


def places_of(
    paths: list[np.ndarray],
    time_s: np.ndarray,
    *,
    err_mm: float = 0.15,
    clutter: int = 0,
    seen: float = 1.0,
    seed: int = 0,
) -> tuple[Places, np.ndarray]:
    """Points on paths (each (n, 2), nan where it is not there), chance points, and the number of the path of
    each point."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(len(time_s)):
        for k, path in enumerate(paths):
            if np.isfinite(path[i, 0]) and rng.random() < seen:
                rows.append((i, *(path[i] + rng.normal(0, err_mm, 2)), 12.0 * np.exp(rng.normal() * 0.2), k))
        for _ in range(clutter):
            rows.append((i, rng.uniform(-150, 150), rng.uniform(700, 900), 6.0, -1))
    table = np.array(rows)
    places = Places(
        table[:, 0].astype(int), time_s, table[:, 1:3], np.full((len(table), 2), err_mm), table[:, 3]
    )
    return places, table[:, 4].astype(int)


def line(
    time_s: np.ndarray,
    x: float,
    y: float,
    vx_km_s: float,
    vy_km_s: float,
    ax_m_s2: float = 0.0,
    ay_m_s2: float = 0.0,
) -> np.ndarray:
    tau = time_s - time_s.mean()
    return np.column_stack(
        [
            x + vx_km_s * tau / 1e3 + 0.5 * ax_m_s2 * tau**2 / 1e6,
            y + vy_km_s * tau / 1e3 + 0.5 * ay_m_s2 * tau**2 / 1e6,
        ]
    )


def pure(tracks: list[np.ndarray], owner: np.ndarray) -> list[tuple[int, int]]:
    """(path, points) of every track; the track must hold points of one path only."""
    result = []
    for track in tracks:
        assert len(set(owner[track].tolist())) == 1, owner[track]
        result.append((int(owner[track][0]), len(track)))
    return result


@pytest.mark.parametrize("cadence_s", [5.0, 12.0, 40.0, 90.0])
def test_two_knots_that_cross_keep_their_names(cadence_s):
    # TRUTH  60 and 45 km/s at a right angle, meeting at the middle of the run.
    time = np.arange(41) * cadence_s
    paths = [line(time, 0, 780, 60, 0), line(time, 0, 780, 0, -45)]
    places, owner = places_of(paths, time, seed=1)
    tracks = link_points(places, LINKING)
    assert len(tracks) == 2
    # In the one strip where they coincide nobody can tell their points apart.
    for track in tracks:
        assert len(track) >= 38
        assert np.ptp(np.delete(owner[track], 20)) == 0


def test_knots_in_file_along_one_path():
    # TRUTH  four knots 12 Mm apart on one line at 80 km/s, 20 s: 1.6 Mm a step.
    time = np.arange(30) * 20.0
    paths = [line(time, 12.0 * k - 18, 760, 80 * 0.6, -80 * 0.8) for k in range(4)]
    places, owner = places_of(paths, time, seed=2)
    assert sorted(pure(link_points(places, LINKING), owner)) == [(k, 30) for k in range(4)]


def test_a_gap_is_closed():
    # TRUTH  a knot is hidden for 9 strips, more than the tracker coasts; gravity bends its path.
    time = np.arange(40) * 12.0
    path = line(time, 0, 790, 30, -40, 0, -100)
    path[16:25] = np.nan
    places, owner = places_of([path], time, seed=3)
    assert pure(link_points(places, LINKING), owner) == [(0, 31)]


def test_a_gap_between_strangers_stays_open():
    # TRUTH  the second knot begins where the first one would be, but flies the other way.
    time = np.arange(40) * 12.0
    first, second = line(time, 0, 780, 60, 0), line(time, 0, 780, -60, 0)
    first[18:], second[:22] = np.nan, np.nan
    places, owner = places_of([first, second], time, seed=4)
    assert sorted(pure(link_points(places, LINKING), owner)) == [(0, 18), (1, 18)]


def test_what_rests_on_both_sides_of_a_gap_has_not_moved_in_it():
    # TRUTH  a thread fades; after 12 strips of 20 s another one brightens 16 Mm aside. To go there and rest
    # again within the gap a knot would have to turn its acceleration round at half way.
    time = np.arange(30) * 20.0
    first, second = line(time, 0, 780, 0, 0), line(time, 16, 779, 0, 0)
    first[9:], second[:21] = np.nan, np.nan
    for seed in range(20):
        places, owner = places_of([first, second], time, err_mm=0.4, seed=seed)
        assert sorted(pure(link_points(places, LINKING), owner)) == [(0, 9), (1, 9)]


def test_uneven_times_and_missed_strips():
    # TRUTH  7 knots, a fifth of the points missing, 6 chance points a strip, cadence of 10 to 30 s.
    rng = np.random.default_rng(5)
    time = np.cumsum(rng.uniform(10, 30, 60))
    paths = [line(time, rng.uniform(-80, 80), rng.uniform(740, 840), *rng.normal(0, 40, 2)) for _ in range(7)]
    places, owner = places_of(paths, time, clutter=6, seen=0.8, seed=5)
    tracks = link_points(places, LINKING)
    for k in range(7):
        best = max((np.mean(owner[track] == k) * len(track) for track in tracks), default=0)
        assert best > 0.8 * np.sum(owner == k)
    # Chance points picked up on the way: fewer than one in twenty.
    assert np.mean(np.concatenate([owner[track] for track in tracks if len(track) > 20]) == -1) < 0.05


def test_a_knot_as_fast_as_allowed():
    # TRUTH  200 km/s at 60 s: 12 Mm a step, other points 40 Mm away.
    time = np.arange(14) * 60.0
    places, owner = places_of([line(time, 0, 800, 200, 0), line(time, 0, 860, 5, 0)], time, seed=6)
    assert sorted(pure(link_points(places, LINKING), owner)) == [(0, 14), (1, 14)]


def test_chance_points_give_few_tracks():
    # TRUTH  8 chance points a strip, 150 strips, 60 000 Mm^2: tracks of 8 points are rare.
    time = np.arange(150) * 12.0
    found = sum(len(link_points(places_of([], time, clutter=8, seed=seed)[0], LINKING)) for seed in range(5))
    assert found <= 5


def test_no_points_no_tracks():
    empty = Places(np.empty(0, int), np.arange(5.0), np.empty((0, 2)), np.empty((0, 2)), np.empty(0))
    assert link_points(empty, LINKING) == []


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    clutter=st.integers(0, 15),
    knots=st.integers(0, 6),
    cadence=st.floats(3.0, 120.0),
)
def test_tracks_share_no_points_and_run_forward(seed, clutter, knots, cadence):
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.uniform(0.7, 1.3, 25)) * cadence
    paths = [
        line(time, *rng.uniform(-100, 100, 1), rng.uniform(720, 880), *rng.normal(0, 60, 2))
        for _ in range(knots)
    ]
    if not paths and not clutter:
        return
    places, _ = places_of(paths, time, clutter=clutter, seed=seed)
    tracks = link_points(places, LINKING)
    used = np.concatenate(tracks) if tracks else np.empty(0, int)
    assert len(used) == len(set(used.tolist()))
    for track in tracks:
        assert len(track) >= LINKING.least_points
        assert (np.diff(places.index[track]) > 0).all()
