"""How accurate the motion of knots is: made strips with known truth in, a Markdown table out.

    python -m tests.benchmarks.motion_accuracy [--seeds 24] [--still 20]

The strips are those of `tests.motion.made_strips`: threads and blobs that stand still, a boiling fringe,
seeing, local warps, registration errors, thin cloud, flicker, gaps. Nothing is tuned to a seed: other seeds
give like figures.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

from promtrack.motion.measure import measure_motion
from promtrack.motion.records import KnotTrack, Motion
from promtrack.strip.records import Strip
from tests.motion.made_strips import MadeKnot, Recipe, made_strip

CADENCES_S = (5.0, 8.0, 12.0, 20.0, 40.0, 60.0, 90.0, 120.0)
LEAST_SNR, LEAST_FRAMES = 8.0, 8


@dataclass(frozen=True, slots=True)
class Found:
    """One track matched to its true knot."""

    cadence_s: float
    moving: bool
    speed_km_s: float
    error_km_s: float
    true_km_s: float
    radial_pull: float
    along_pull: float
    accel_pull: float  # against the parabola through the true path at the track's times

    @property
    def off_km_s(self) -> float:
        return abs(self.speed_km_s - self.true_km_s)


def recipe_of(seed: int) -> Recipe:
    """The recipe of one seed: every cadence in turn, few and many knots, still and poor air."""
    return Recipe(
        frames=150,
        cadence_s=CADENCES_S[seed % len(CADENCES_S)],
        jitter_s=2.0,
        gaps=1 + seed % 3,
        rows=190,
        columns=520,
        knots=6 + seed % 7,
        wander_px=0.08 + 0.06 * (seed % 4),
        boil=4.0 + 2.0 * (seed % 5),
        threads=8 + 2 * (seed % 6),
        cloud=0.1 * (seed % 5),
        knot_frames=(10, 60),
    )


def still_recipe(seed: int) -> Recipe:
    """An hour without motion, boiling and cloudy."""
    return replace(
        recipe_of(seed),
        frames=300,
        cadence_s=12.0,
        knots=0,
        gaps=3,
        boil=6.0 + 3.0 * (seed % 4),
        threads=16,
        cloud=0.3 + 0.1 * (seed % 5),
        wander_px=0.1 + 0.06 * (seed % 4),
        flicker=0.03,
    )


def remembering_recipe(seed: int, cadence_s: float) -> Recipe:
    """Half an hour to two in which all that disturbs has a memory in seconds, whatever the cadence.

    Threads that flicker one by one, a fringe of spicules, and warps by the air that last for a minute or two.
    """
    rng = np.random.default_rng([seed, 5])
    frames = int(np.clip(2400.0 / cadence_s, 70, 240))
    shortest = max(10, int(np.ceil(150.0 / cadence_s)))
    return replace(
        recipe_of(seed),
        frames=frames,
        cadence_s=cadence_s,
        jitter_s=0.1 * cadence_s,
        gaps=1,
        knots=8,
        knot_frames=(shortest, min(max(4 * shortest, 40), frames)),
        knot_km_s=(5.0, 150.0 if cadence_s <= 30 else 60.0),
        wander_px=rng.uniform(0.1, 0.4),
        warp_memory_s=float(np.exp(rng.uniform(np.log(10.0), np.log(150.0)))),
        thread_flicker=rng.uniform(0.05, 0.2),
        thread_memory_s=float(np.exp(rng.uniform(np.log(100.0), np.log(600.0)))),
        boil_memory_s=float(np.exp(rng.uniform(np.log(100.0), np.log(400.0)))),
    )


def place_mm(strip: Strip, track: KnotTrack) -> tuple[np.ndarray, np.ndarray]:
    """x and y of a track's points in the coordinates of the truth."""
    geometry = strip.geometry
    turn = np.deg2rad(track.angle_deg - geometry.angle_deg((geometry.columns - 1) / 2))
    return (geometry.limb_mm + track.height_mm) * np.sin(turn), (geometry.limb_mm + track.height_mm) * np.cos(
        turn
    )


def true_knot(strip: Strip, track: KnotTrack, knots: tuple[MadeKnot, ...]) -> int:
    """Index of the knot on which most of a track's points lie, -1 if there is none."""
    x, y = place_mm(strip, track)
    at = np.searchsorted(strip.frame, track.frame)
    share = [
        np.mean(
            (np.hypot(x - knot.x_mm[at], y - knot.y_mm[at]) < max(2.0, 0.7 * knot.fwhm_mm)) & knot.seen[at]
        )
        for knot in knots
    ]
    return int(np.argmax(share)) if share and max(share) > 0.5 else -1


def countable(knot: MadeKnot) -> bool:
    return int((knot.snr >= LEAST_SNR).sum()) >= LEAST_FRAMES


def compare(
    strip: Strip, motion: Motion, knots: tuple[MadeKnot, ...], cadence_s: float
) -> tuple[list[Found], set[int], int]:
    """Tracks with a true knot, the knots found, and the number of tracks without a knot."""
    found, seen, false = [], set(), 0
    for track in motion.knots:
        k = true_knot(strip, track, knots)
        if k < 0:
            false += 1
            continue
        knot = knots[k]
        if len(track.frame) >= 0.5 * (knot.snr >= LEAST_SNR).sum():
            seen.add(k)
        if countable(knot):
            found.append(_found(strip, track, knot, cadence_s))
    return found, seen, false


def _found(strip: Strip, track: KnotTrack, knot: MadeKnot, cadence_s: float) -> Found:
    fit = track.fit
    velocity = 1e3 * np.array(
        [CubicSpline(strip.time_s, axis)(fit.time_s, 1) for axis in (knot.x_mm, knot.y_mm)]
    )
    geometry = strip.geometry
    turn = np.deg2rad(track.angle_deg.mean() - geometry.angle_deg((geometry.columns - 1) / 2))
    at, since_s = np.searchsorted(strip.frame, track.frame), track.time_s - track.time_s.mean()
    bends = [np.polyfit(since_s, axis[at], 2)[0] for axis in (knot.x_mm, knot.y_mm)]
    accel = 2e6 * float(bends @ velocity / max(np.hypot(*velocity), 1e-9))
    radial = velocity @ [np.sin(turn), np.cos(turn)]
    along = velocity @ [np.cos(turn), -np.sin(turn)]
    return Found(
        cadence_s,
        track.moving,
        fit.speed_km_s,
        fit.speed_err_km_s,
        float(np.hypot(*velocity)),
        (fit.radial_km_s - radial) / fit.radial_err_km_s,
        (fit.along_km_s - along) / fit.along_err_km_s,
        (fit.accel_m_s2 - accel) / fit.accel_err_m_s2,
    )


def measure_knots(seeds: range, folder: Path) -> list[tuple[str, str, str]]:
    """Rows of the table for scenes with knots: what, target, measured."""
    found: list[Found] = []
    wanted = hit = false = tracks = called = 0
    for seed in seeds:
        recipe = recipe_of(seed)
        strip, knots = made_strip(recipe, folder, seed)
        motion = measure_motion(strip, seed=seed)
        strip.path.unlink()
        matched, seen, wrong = compare(strip, motion, knots, recipe.cadence_s)
        good = {k for k, knot in enumerate(knots) if countable(knot)}
        wanted, hit = wanted + len(good), hit + len(good & seen)
        false, tracks, found = false + wrong, tracks + len(motion.knots), found + matched
        called += sum(knot.moving for knot in motion.knots)
    return [
        (
            "knots of S/N >= 8 seen in >= 8 frames, found",
            "95 %",
            f"{hit}/{wanted} = {100 * hit / wanted:.1f} %",
        ),
        ("tracks without a true knot", "<= 5 %", f"{false}/{tracks} = {100 * false / tracks:.1f} %"),
        ("of the tracks, called moving", "-", f"{called}/{tracks} = {100 * called / tracks:.0f} %"),
        *speed_rows(found, "all"),
        *speed_rows([f for f in found if f.moving], "called moving"),
    ]


def speed_rows(found: list[Found], which: str) -> list[tuple[str, str, str]]:
    """Speed errors and the cover of the stated errors."""
    off = np.array([f.off_km_s for f in found])
    true = np.array([f.true_km_s for f in found])
    pulls = np.array([[f.radial_pull, f.along_pull] for f in found])
    speed_pull = off / np.array([f.error_km_s for f in found])
    bent = np.abs([f.accel_pull for f in found])
    median_limit, most_limit = np.maximum(0.03 * true, 1.0), np.maximum(0.08 * true, 3.0)
    return [
        (
            f"median speed error over max(3 %, 1 km/s), {which}",
            "<= 1",
            f"{np.median(off / median_limit):.2f} (n = {len(found)})",
        ),
        (f"speed error below max(8 %, 3 km/s), {which}", "90 %", f"{100 * np.mean(off <= most_limit):.1f} %"),
        (
            f"speed inside 1 sigma, 2 sigma, {which}",
            "63-73 %, 92-98 %",
            f"{100 * np.mean(speed_pull <= 1):.1f} %, {100 * np.mean(speed_pull <= 2):.1f} %",
        ),
        (
            f"radial and along-limb speed inside 1 sigma, 2 sigma, {which}",
            "63-73 %, 92-98 %",
            f"{100 * np.mean(np.abs(pulls) <= 1):.1f} %, {100 * np.mean(np.abs(pulls) <= 2):.1f} %",
        ),
        (
            f"acceleration inside 1 sigma, 2 sigma, largest, {which}",
            "63-73 %, 92-98 %",
            f"{100 * np.mean(bent <= 1):.1f} %, {100 * np.mean(bent <= 2):.1f} %, {bent.max():.1f}",
        ),
    ]


def measure_stillness(seeds: range, folder: Path) -> list[tuple[str, str, str]]:
    """Rows of the table for hours without motion."""
    knots = fronts = 0
    for seed in seeds:
        strip, _ = made_strip(still_recipe(seed), folder, 1000 + seed)
        motion = measure_motion(strip, seed=seed)
        strip.path.unlink()
        knots += any(knot.moving for knot in motion.knots)
        fronts += any(front.moving for front in motion.fronts)
    return [
        ("hours without motion in which a knot is called moving", "1 in 20", f"{knots} in {len(seeds)}"),
        ("hours without motion in which a front is called moving", "1 in 20", f"{fronts} in {len(seeds)}"),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description="Accuracy of knots on made strips, as a Markdown table.")
    parser.add_argument("--seeds", type=int, default=24, help="scenes with knots (default 24)")
    parser.add_argument("--still", type=int, default=20, help="hours without motion (default 20)")
    parser.add_argument("--first", type=int, default=0, help="first seed (default 0)")
    chosen = parser.parse_args()
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        rows = measure_knots(range(chosen.first, chosen.first + chosen.seeds), Path(name))
        rows += (
            measure_stillness(range(chosen.first, chosen.first + chosen.still), Path(name))
            if chosen.still
            else []
        )
    print("| what | target | measured |\n| --- | --- | --- |")
    for row in rows:
        print("| " + " | ".join(row) + " |")
    print(f"\n{chosen.seeds} scenes with knots, {chosen.still} without; {time.monotonic() - started:.0f} s")


if __name__ == "__main__":
    main()
