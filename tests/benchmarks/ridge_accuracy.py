"""Knots and ridges of whole scenes, against each other and against the truth: frames in, Markdown tables out.

    python -m tests.benchmarks.ridge_accuracy [--seeds 20]

Scenes: the quiet hedgerow and the rain of the demo with other knots, another Sun and another sky for every
seed, drawn as frames and cut into strips with the true centres. Ridges are those along the paths that the
program proposes.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from promtrack.motion.measure import measure_motion
from promtrack.motion.records import Motion, Ridge
from promtrack.scene import SceneSpec, SceneTruth
from promtrack.strip.records import Strip, TimeDistance
from promtrack.sun import wrapped_deg
from tests.motion.motion_scenes import partner_of, quiet_scene, rain_scene
from tests.motion.scene_strips import scene_strip

SCENES = {"quiet hedgerow": quiet_scene, "rain": rain_scene}
NEAR_MM = 4.0  # median distance of a true knot from a ridge


@dataclass(slots=True)
class Ridges:
    """What the ridges along paths of one kind gave."""

    agree: list[bool] = field(default_factory=list)
    without_knot: int = 0
    again: int = 0  # further ridges of a knot on the same slit
    pulls: list[float] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)  # relative
    crossed: int = 0  # moving knots with a ridge


@dataclass(slots=True)
class Tally:
    """What the scenes of one kind gave."""

    proposed: Ridges = field(default_factory=Ridges)
    knot_pulls: list[float] = field(default_factory=list)
    knot_errors: list[float] = field(default_factory=list)  # over the larger of 3 % and 1 km/s
    strays: int = 0
    moving: int = 0


def measure(scene: Callable[[int], SceneSpec], seeds: range, folder: Path) -> Tally:
    tally = Tally()
    for seed in seeds:
        with tempfile.TemporaryDirectory(dir=folder) as place:
            strip, truth = scene_strip(scene(seed), Path(place))
            motion = measure_motion(strip, seed=seed)
        count(tally, motion, strip, truth)
    return tally


def count(tally: Tally, motion: Motion, strip: Strip, truth: SceneTruth) -> None:
    """Add one scene."""
    tally.moving += sum(knot.moving for knot in motion.knots)
    _count_ridges(tally.proposed, list(motion.ridges), motion, strip, truth)
    _count_knots(tally, motion, strip, truth)


def _count_ridges(
    tally: Ridges, ridges: list[Ridge], motion: Motion, strip: Strip, truth: SceneTruth
) -> None:
    matched = [ridge for ridge in ridges if ridge.knot]
    tally.agree += [ridge.agrees for ridge in matched]
    tally.without_knot += len(ridges) - len(matched)
    tally.again += len(matched) - len({(ridge.slit, ridge.knot) for ridge in matched})
    tally.crossed += len(
        {knot.knot for knot in motion.knots if knot.moving} & {ridge.knot for ridge in matched}
    )
    for ridge in ridges:
        true = true_speed(ridge, motion.slits[ridge.slit], strip, truth)
        if np.isfinite(true):
            tally.pulls.append((ridge.speed_km_s - true) / ridge.speed_err_km_s)
            tally.errors.append(abs(ridge.speed_km_s / true - 1))


def _count_knots(tally: Tally, motion: Motion, strip: Strip, truth: SceneTruth) -> None:
    for track in motion.knots:
        if not track.moving:
            continue
        partner = partner_of(track, strip, truth)
        if partner is None:
            tally.strays += 1
            continue
        fit = track.fit
        tally.knot_pulls += [
            (fit.radial_km_s - partner.radial_km_s) / fit.radial_err_km_s,
            (fit.along_km_s - partner.along_km_s) / fit.along_err_km_s,
        ]
        tally.knot_errors.append(
            abs(fit.speed_km_s - partner.speed_km_s) / max(0.03 * partner.speed_km_s, 1.0)
        )


def true_speed(ridge: Ridge, slit: TimeDistance, strip: Strip, truth: SceneTruth) -> float:
    """Speed along the path, in km/s, of the true knot that runs along the ridge; nan if none does."""
    time = np.linspace(ridge.first_s, ridge.last_s, 9)
    distance = ridge.distance_mm + ridge.speed_km_s / 1e3 * (time - ridge.time_s)
    height, angle = (np.interp(distance, slit.distance_mm, axis) for axis in (slit.height_mm, slit.angle_deg))
    best, near = np.nan, NEAR_MM
    for knot in truth.knots:
        clock = knot.time_s - knot.time_s[strip.frame[0]]
        seen = np.interp(time, clock, knot.visible.astype(float)) > 0.5
        turn = np.deg2rad(wrapped_deg(np.interp(time, clock, knot.angle_deg) - angle))
        apart = np.hypot(np.interp(time, clock, knot.height_mm) - height, turn * (truth.limb_mm + height))
        if seen.sum() >= 5 and np.median(apart[seen]) < near:
            near = float(np.median(apart[seen]))
            best = float(
                _tangent(slit, ridge.distance_mm, truth.limb_mm)
                @ [np.interp(ridge.time_s, clock, part) for part in (knot.radial_km_s, knot.along_km_s)]
            )
    return best


def _tangent(slit: TimeDistance, distance_mm: float, limb_mm: float) -> np.ndarray:
    """(2,) direction of the path, outward and towards increasing angle, from two points 1 Mm to either
    side."""
    height, angle = (
        np.interp([distance_mm - 1, distance_mm + 1], slit.distance_mm, axis)
        for axis in (slit.height_mm, slit.angle_deg)
    )
    vector = np.array([np.diff(height)[0], np.deg2rad(np.diff(angle)[0]) * (limb_mm + height.mean())])
    return vector / np.hypot(*vector)


def ridge_row(kind: str, ridges: Ridges, moving: int) -> str:
    agree = (
        f"{sum(ridges.agree)} of {len(ridges.agree)} = {100 * np.mean(ridges.agree):.0f} %"
        if ridges.agree
        else "-"
    )
    error = f"{100 * np.median(ridges.errors):.1f} %" if ridges.errors else "-"
    return (
        f"| {kind} | {agree} | {ridges.without_knot} | {ridges.again} | {error} | {_inside(ridges.pulls)} | "
        f"{ridges.crossed} of {moving} |"
    )


def knot_row(kind: str, tally: Tally) -> str:
    return (
        f"| {kind} | {np.median(tally.knot_errors):.2f} | {_inside(tally.knot_pulls)} | {tally.strays} of "
        f"{tally.moving} |"
    )


def _inside(pulls: list[float]) -> str:
    size = np.abs(pulls)
    return (
        f"{100 * np.mean(size < 1):.0f} %, {100 * np.mean(size < 2):.0f} % of {len(size)}"
        if len(size)
        else "-"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=20, help="scenes of each kind")
    parser.add_argument("--first", type=int, default=0, help="first seed (default 0)")
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.seeds)
    with tempfile.TemporaryDirectory() as folder:
        tallies = {kind: measure(scene, seeds, Path(folder)) for kind, scene in SCENES.items()}
    print(
        "| scenes, ridges along | ridge and knot agree (2 sigma) | ridges without a knot | second ridges "
        "of a knot on a slit | ridge against truth, median | ridge inside 1, 2 sigma | moving knots with "
        "a ridge |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for kind, tally in tallies.items():
        print(ridge_row(f"{kind}, proposed paths", tally.proposed, tally.moving))
    print(
        "\n| scenes | knot speed error over max(3 %, 1 km/s), median | knot velocities inside 1, 2 sigma | "
        "moving tracks without a true knot |\n| --- | --- | --- | --- |"
    )
    for kind, tally in tallies.items():
        print(knot_row(kind, tally))


if __name__ == "__main__":
    main()
