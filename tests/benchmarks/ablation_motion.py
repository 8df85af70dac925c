"""What each step of the knots' motion is worth: a Markdown table, each step off in turn.

    python -m tests.benchmarks.ablation_motion [--seeds N] [--still N] [--scenes FOLDER] [--part NAME]

Columns: true knots found, and called moving; speeds inside 1 and 2 stated errors, and the largest error;
runs with a moving track that is no knot. Own strips with knots, motionless scenes
(tests/benchmarks/motionless.py), and a folder of foreign scenes (tests/benchmarks/foreign.py describes it;
truth.json also holds knots: a list of {x_px, y_px, v_total_kms, visible}, one value a frame). A step that
makes no column worse when it is off should go.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import numpy as np

from promtrack.limb.records import to_frame
from promtrack.motion import correlated_noise, false_alarms, knot_fit, link, tracks
from promtrack.motion.knots import KnotPoints, find_knots
from promtrack.motion.records import KnotTrack
from promtrack.settings import StripSettings
from promtrack.strip import strip_geometry, unwrap
from promtrack.strip.records import Strip
from promtrack.sun import Scale
from tests.benchmarks.ablation import asked_for, print_table
from tests.benchmarks.foreign import ForeignScene, foreign_scenes
from tests.benchmarks.motion_accuracy import countable, recipe_of, true_knot
from tests.benchmarks.motionless import CADENCES_S, motionless_scene
from tests.motion.made_strips import made_strip
from tests.motion.scene_strips import IMAGE_ANGLES, scene_strip

NEAR_MM = 3.0  # median distance of a track from the knot that it follows
LEAST_VISIBLE = 8  # frames in which a foreign knot must be visible to count


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One run's strips and points; `knots` countable knots; the number of a track's knot (-1: none) and its
    true speed."""

    strip: Strip
    points: KnotPoints
    knots: int
    truth: Callable[[KnotTrack], tuple[int, float]]


def own_case(seed: int, folder: Path) -> Case:
    strip, knots = made_strip(recipe_of(seed), folder, seed)

    def truth(track: KnotTrack) -> tuple[int, float]:
        k = true_knot(strip, track, knots)
        if k < 0:
            return k, np.nan
        steps = [np.gradient(axis, strip.time_s) for axis in (knots[k].x_mm, knots[k].y_mm)]
        velocity = [np.interp(track.fit.time_s, strip.time_s, step) for step in steps]
        return (k if countable(knots[k]) else k + 1000), float(1e3 * np.hypot(*velocity))

    return Case(strip, find_knots(strip), sum(map(countable, knots)), truth)


def still_case(seed: int, folder: Path) -> Case:
    strip, _ = scene_strip(motionless_scene(seed, CADENCES_S[seed % 3]), folder)
    return Case(strip, find_knots(strip), 0, lambda track: (-1, np.nan))


def foreign_case(scene: ForeignScene, folder: Path) -> Case:
    lock = scene.lock()
    km_per_px = scene.truth["km_per_px"]
    scale = Scale(km_per_px, 1.0, 1.0, "limb", "", True)
    geometry = strip_geometry(lock, scale, IMAGE_ANGLES, strip=StripSettings())
    strip = unwrap(scene.sequence, lock, IMAGE_ANGLES, geometry, path=folder / f"{scene.name}.bin")
    number = {frame["file"]: i for i, frame in enumerate(scene.truth["frames"])}
    row = np.array([number.get(Path(name).name, i) for i, name in enumerate(lock.names)])
    knots = [
        {key: np.asarray(knot[key], float) for key in ("x_px", "y_px", "v_total_kms", "visible")}
        for knot in scene.truth["knots"]
    ]

    def truth(track: KnotTrack) -> tuple[int, float]:
        radius = lock.radius_px + track.height_mm * 1e3 / km_per_px
        places = np.array(
            [
                to_frame(lock, int(f), np.asarray(a), np.asarray(r))
                for f, a, r in zip(track.frame, track.angle_deg, radius, strict=True)
            ]
        )
        at = row[track.frame]
        apart = [
            np.median(np.hypot(places[:, 0] - knot["x_px"][at], places[:, 1] - knot["y_px"][at]))
            for knot in knots
        ]
        k = int(np.argmin(apart)) if apart else -1
        if k < 0 or apart[k] * km_per_px / 1e3 > NEAR_MM:
            return -1, np.nan
        speed = np.interp(track.fit.time_s, track.time_s, knots[k]["v_total_kms"][at])
        moves = knots[k]["v_total_kms"].max() > 0
        return (k if moves else k + 1000), float(speed)

    moving = [k for k in knots if k["visible"].sum() >= LEAST_VISIBLE and k["v_total_kms"].max() > 0]
    return Case(strip, find_knots(strip), len(moving), truth)


def without_jumps(time_s: np.ndarray, place_mm: np.ndarray) -> np.ndarray:
    """The mean velocity in place of the median one."""
    third = max(len(time_s) // 3, 1)
    gone = place_mm[-third:].mean(axis=0) - place_mm[:third].mean(axis=0)
    return gone / max(time_s[-third:].mean() - time_s[:third].mean(), 1e-9)


def straight() -> np.ndarray:
    weights = np.full_like(correlated_noise.CURVE_WEIGHTS, 1e-300)
    weights[0] = 1.0
    return weights


def as_many(places: link.Places) -> np.ndarray:
    return np.ones(len(places.time_s))


NO_MEMORY = correlated_noise._grid  # the grid itself; below without its slow part
STEPS = {
    "none": (),
    "memory of the noise": (
        (correlated_noise, "_grid", lambda white, slow, memory: NO_MEMORY(white, np.zeros(1), memory)),
    ),
    "wander of the light": ((knot_fit, "WANDER", 0.0),),
    "bent paths": ((correlated_noise, "CURVE_WEIGHTS", straight()),),
    "noise of its own": ((correlated_noise, "OWN", 1e-6),),
    "light within a knot": ((knot_fit, "WITHIN", 1e-6),),
    "median velocity": (
        (tracks, "typical_velocity", without_jumps),
        (false_alarms, "typical_velocity", without_jumps),
    ),
    "second control": ((link.Places, "without", lambda places, points: places),),
    "long tail of chance": ((false_alarms, "SCALE_WEIGHT", 1e6),),
    "fringe of spicules": ((tracks, "FRINGE_MM", -np.inf),),
    "speed over its error": ((tracks, "expected_unmoved", lambda velocity, errors, count: 0.0),),
    "crowded strips": ((link, "crowding", as_many), (false_alarms, "crowding", as_many)),
    "brightness in linking": ((link, "FADE_SNR", 1e6),),
}


def row_of(cases: list[Case]) -> str:
    """found, moving | inside 1, 2 sigma, largest | runs with a false mover."""
    found = moving = wanted = runs = 0
    pulls: list[float] = []
    for seed, case in enumerate(cases):
        knots = tracks.track_knots(
            case.strip,
            case.points,
            rng=np.random.default_rng(seed),
        ).knots
        pairs = [(knot, *case.truth(knot)) for knot in knots]
        own = [pair for pair in pairs if 0 <= pair[1] < 1000]
        wanted += case.knots
        found += len({k for _, k, _ in own})
        moving += len({k for knot, k, _ in own if knot.moving})
        pulls += [abs(knot.fit.speed_km_s - speed) / knot.fit.speed_err_km_s for knot, _, speed in own]
        runs += any(knot.moving and k < 0 for knot, k, _ in pairs)
    if not wanted:
        return f"{runs} of {len(cases)}"
    size = np.array(pulls)
    inside = f"{100 * np.mean(size <= 1):.0f}, {100 * np.mean(size <= 2):.0f} %, {size.max():.1f}"
    return f"{found}, {moving} of {wanted} | {inside} | {runs} of {len(cases)}"


def main() -> None:
    parser = asked_for(__doc__, seeds=8)
    parser.add_argument("--still", type=int, default=9, help="motionless scenes (default 9)")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sets = [
            [own_case(seed, folder) for seed in range(chosen.seeds)],
            [still_case(seed, folder) for seed in range(chosen.still)],
        ]
        if chosen.scenes:
            sets.append([foreign_case(one, folder) for one in foreign_scenes(chosen.scenes, chosen.part)])

        def rows() -> Iterator[tuple[str, list[str]]]:
            for step, changes in STEPS.items():
                with ExitStack() as stack:
                    for module, attribute, value in changes:
                        stack.enter_context(patch.object(module, attribute, value))
                    yield step, [row_of(cases) for cases in sets if cases]

        cells = ["found, moving", "speeds inside 1, 2 sigma, largest", "runs with a false mover"]
        own = [f"own strips: {cells[0]}", *cells[1:]] if chosen.seeds else []
        still = ["motionless: runs with a moving knot"] if chosen.still else []
        foreign = [f"foreign: {cells[0]}", *cells[1:]] if chosen.scenes else []
        print_table(["step that is off", *own, *still, *foreign], rows())


if __name__ == "__main__":
    main()
