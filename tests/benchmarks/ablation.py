"""What each term of the lock's system is worth: the Markdown table of docs/accuracy.md, each term off in
turn.

    python -m tests.benchmarks.ablation [--seeds N] [--frames N] [--scenes FOLDER] [--part NAME]

Rms error of the Sun's centre across the limb and along it, px, on own scenes, and on those of a folder of
foreign ones (tests/benchmarks/foreign.py describes it). A term that makes no column worse when it is off
should go.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from dataclasses import fields, replace
from pathlib import Path

import numpy as np

from promtrack.limb import lock_limb
from promtrack.limb.records import Terms
from promtrack.scene import make_scene
from promtrack.sequence.calibrate import mend_hot_pixels
from tests.benchmarks.foreign import foreign_scenes
from tests.benchmarks.lock_accuracy import Case, cases

OWN = (
    "35 deg arc, seeing",
    "15 deg arc, low signal",
    "eruption across a third of the arc",
    "whole disc, 2 arcsec/px",
)


def own_errors(case: Case, terms: Terms) -> tuple[float, float]:
    """Rms error across and along in one scene, px."""
    scene = make_scene(case.spec)
    sequence, _ = mend_hot_pixels(scene.sequence())
    lock = lock_limb(sequence, limb=case.limb, camera=case.camera, site=case.site, terms=terms)
    facing = np.radians(case.spec.facing_deg)
    dx, dy = lock.centre_x_px - scene.truth.centre_x_px, lock.centre_y_px - scene.truth.centre_y_px
    both = lock.used & scene.truth.good
    across, along = -np.sin(facing) * dx - np.cos(facing) * dy, -np.cos(facing) * dx + np.sin(facing) * dy
    return float(np.std(across[both])), float(np.std(along[both]))


def together(pairs: list[tuple[float, float]]) -> str:
    across, along = np.sqrt(np.mean(np.square(pairs), axis=0))
    return f"{across:.3f}, {along:.3f}"


def asked_for(what: str | None, seeds: int) -> argparse.ArgumentParser:
    """The options that an ablation has, of the lock or of the motion."""
    parser = argparse.ArgumentParser(description=what, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=seeds, help=f"own scenes of a kind (default {seeds})")
    parser.add_argument("--scenes", type=Path, help="folder of foreign scenes")
    parser.add_argument("--part", default="", help="part of the foreign scenes' names; default: all")
    return parser


def print_table(heads: list[str], rows: Iterable[tuple[str, list[str]]]) -> None:
    """A Markdown table, each row as it comes: the name of what is off, and the cells."""
    print(f"| {' | '.join(heads)} |\n{'| --- ' * len(heads)}|")
    for name, cells in rows:
        print(f"| {name} | {' | '.join(cells)} |", flush=True)


def main() -> None:
    parser = asked_for(__doc__, seeds=2)
    parser.add_argument("--frames", type=int, default=40, help="frames of an own scene (default 40)")
    chosen = parser.parse_args()
    foreign = foreign_scenes(chosen.scenes, chosen.part) if chosen.scenes else []

    def rows() -> Iterator[tuple[str, list[str]]]:
        for off in ("none", *(field.name for field in fields(Terms))):
            terms = Terms() if off == "none" else replace(Terms(), **{off: False})
            picked = {
                name: [
                    c for s in range(1, chosen.seeds + 1) for c in cases(chosen.frames, s) if c.name == name
                ]
                for name in OWN
            }
            own = [together([own_errors(case, terms) for case in picked[name]]) for name in OWN]
            errors = [scene.errors(scene.lock(terms))[0] for scene in foreign]
            yield off, [*own, *(together([tuple(error.std(axis=0))]) for error in errors)]

    print_table(["term that is off", *OWN, *(scene.name for scene in foreign)], rows())


if __name__ == "__main__":
    main()
