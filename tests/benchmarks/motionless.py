"""How often something is called moving where nothing moves: motionless scenes in, a Markdown table out.

    python -m tests.benchmarks.motionless [--seeds 40] [--first 0]

Wide bright hedgerows whose threads brighten and fade, in turn under a clear sky, drifting thin cloud, and
banks of cloud with an edge; the cadence goes round 5, 20 and 60 s, and for the knots alone round 5, 10, 30
and 120 s. Drawn as frames and cut into strips with the true centres: what is tested is the motion, not the
lock.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np

from promtrack.motion import measure_motion
from promtrack.motion.knots import find_knots
from promtrack.motion.records import KnotTrack
from promtrack.motion.tracks import track_knots
from promtrack.scene import Arch, CloudBank, Hedgerow, SceneSpec
from tests.motion.scene_strips import scene_strip

SKIES = ("clear", "veil", "bank")
CADENCES_S, KNOT_CADENCES_S = (5.0, 20.0, 60.0), (5.0, 10.0, 30.0, 120.0)


def motionless_scene(seed: int, cadence_s: float) -> SceneSpec:
    """Hedgerows over most of the limb that is seen; the sky goes round with every third seed."""
    rng = np.random.default_rng([seed, 23])
    frames = int(np.clip(round(2400.0 / cadence_s), 40, 100))
    last_s, sky = frames * cadence_s, SKIES[seed // 3 % 3]
    banks = tuple(
        CloudBank(
            from_s=float(last_s * rng.uniform(0.2, 0.8)),
            px_s=float(rng.uniform(0.5, 3.0) * 800.0 / last_s),
            towards_deg=float(rng.uniform(0.0, 360.0)),
            depth=float(rng.uniform(0.15, 0.5)),
            edge_px=float(rng.uniform(8.0, 40.0)),
        )
        for _ in range(2 if sky == "bank" else 0)
    )
    return SceneSpec(
        name="motionless",
        shape=(240, 420),
        limb_at=0.3,
        frames=frames,
        cadence_s=cadence_s,
        exposure="burnt",
        hedgerows=(
            Hedgerow(at_deg=-4.0, width_mm=float(rng.uniform(100.0, 180.0))),
            Hedgerow(at_deg=8.0, height_mm=25.0, width_mm=float(rng.uniform(30.0, 80.0))),
        ),
        arches=(Arch(at_deg=float(rng.uniform(-8.0, 8.0))),) if rng.random() < 0.5 else (),
        thin_cloud=float(rng.uniform(0.2, 0.5)) if sky == "veil" else 0.0,
        cloud_banks=banks,
        distortion_s=float(rng.choice([0.0, 20.0])),
        seed=5000 + seed,
    )


def moving_knots(seed: int, cadence_s: float, folder: Path) -> tuple[KnotTrack, ...]:
    """Knots that are called moving in one such scene."""
    strip, _ = scene_strip(motionless_scene(seed, cadence_s), folder)
    tracked = track_knots(
        strip,
        find_knots(strip),
        rng=np.random.default_rng(seed),
    )
    strip.path.unlink()
    return tuple(knot for knot in tracked.knots if knot.moving)


def anything_moves(seed: int, cadence_s: float, folder: Path) -> tuple[bool, bool]:
    """Whether a knot, and whether a front, is called moving in one such scene."""
    strip, _ = scene_strip(motionless_scene(seed, cadence_s), folder)
    motion = measure_motion(strip, seed=seed)
    strip.path.unlink()
    return any(knot.moving for knot in motion.knots), any(front.moving for front in motion.fronts)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=40, help="scenes a row (default 40)")
    parser.add_argument("--first", type=int, default=0, help="first seed (default 0)")
    chosen = parser.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.seeds)
    print("| motionless scenes | with a moving knot | with a moving front |\n| --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name:
        both = np.array([anything_moves(seed, CADENCES_S[seed % 3], Path(name)) for seed in seeds])
        print(f"| every 5, 20, 60 s | {both[:, 0].sum()} of {len(both)} | {both[:, 1].sum()} |", flush=True)
        for cadence_s in KNOT_CADENCES_S:
            moving = sum(bool(moving_knots(seed, cadence_s, Path(name))) for seed in seeds)
            print(f"| every {cadence_s:.0f} s | {moving} of {len(seeds)} | - |", flush=True)


if __name__ == "__main__":
    main()
