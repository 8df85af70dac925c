"""How the edge of a whole frame breathes against the blocks of its limb zone: with blur, with the fringe of
spicules, with the light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.limb.blocks import Blocks
from promtrack.limb.circle import MAD, biweight
from promtrack.limb.radius import Edges, centre_only
from promtrack.limb.steady import slowly
from promtrack.limb.track import FrameMeasure

SLOW_FRAMES = 6.0  # slower than this the edge is believed, not the blocks
LEAST_TAUGHT = 16  # frames from which the blocks teach how the edge breathes
TEACHERS = 1.3  # times the edge's error: blocks that are worse than that teach it nothing
STEADY_EDGE_PX = 0.15  # with a poorer edge than this, blocks are believed for longer


@dataclass(frozen=True, slots=True, eq=False)
class Breathing:
    """Common shift of a frame's whole edge that the blocks do not share."""

    shift_px: np.ndarray  # (n,) what blur and fringe explain
    rest_px: float  # rms of what they do not
    level_px: (
        np.ndarray
    )  # (n,) place of the edge's circle against the template's, outward at the middle of the limb


def fit_breathing(
    measures: list[FrameMeasure],
    edges: Edges,
    offset: np.ndarray,
    weight: np.ndarray,
    blocks: list[Blocks],
    middle: np.ndarray,
) -> Breathing:
    """Learn from the blocks how the width of the limb, its fringe and the light move the edge of a frame.

    A brighter fringe, a wider blur, or more light on a disc that is burnt out draw the edge outward all
    along. The blocks, which look at prominences and texture away from the edge, stay where they are.
    """
    shift = centre_only(edges, weight, offset)
    apart = np.full(len(blocks), np.nan)
    variance = np.full(len(blocks), np.nan)
    for i, b in enumerate(blocks):
        if len(b.across_px) >= 3 and middle[i].any():
            w = 1 / b.across_var
            apart[i] = np.sum(w * (b.normal @ shift[i] - b.across_px)) / np.sum(w * (b.normal @ middle[i]))
            variance[i] = 1 / w.sum()
    known = np.isfinite(apart)
    if known.sum() < 8:
        usual = float(np.nanmedian(apart)) if known.any() else 0.0
        return Breathing(np.zeros(len(blocks)), 0.1, np.full(len(blocks), usual))
    signs = np.column_stack(
        [
            [m.signs.width_px for m in measures],
            [m.signs.fringe for m in measures],
            np.log([m.gain for m in measures]),
        ]
    )
    edge_err = np.median(1 / np.sqrt(np.maximum(weight.sum(1), 1e-9)))
    slow = SLOW_FRAMES * max(1.0, (edge_err / STEADY_EDGE_PX) ** 2)
    teach = known.sum() >= LEAST_TAUGHT and float(np.median(variance[known])) < (TEACHERS * edge_err) ** 2
    explained, level, rest = _explained(apart, variance, signs if teach else signs[:, :0], known, slow)
    return Breathing(explained, float(np.sqrt(max(rest**2 - np.median(variance[known]), 0.0))), level)


def _explained(
    apart: np.ndarray, variance: np.ndarray, signs: np.ndarray, known: np.ndarray, slow: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """What the signs explain, the slow course of the rest, and the scatter left.

    Only quick changes teach: slowly, the blocks drift with the prominences that change under them.
    """
    apart = np.where(known, apart, np.nanmedian(apart))
    apart = np.clip(
        apart,
        *(np.median(apart) + np.array([-4, 4]) * (MAD * np.median(np.abs(apart - np.median(apart))) + 1e-6)),
    )
    middle = np.median(signs[known], axis=0)
    spread = MAD * np.median(np.abs(signs[known] - middle), axis=0) + 1e-9
    unit = np.clip((signs - middle) / spread, -4, 4)
    quick, quick_signs = apart - slowly(apart, slow), unit - slowly(unit, slow)
    chosen = list(range(signs.shape[1]))
    solution = np.zeros(0)
    rest = MAD * float(np.median(np.abs(quick)))
    while chosen:
        solution, error, rest = _robust_line(quick_signs[known][:, chosen], quick[known], variance[known])
        strength = np.abs(solution) / error
        if strength.min() > 4:
            break
        del chosen[int(np.argmin(strength))]
        solution = np.zeros(0)
    explained = quick_signs[:, chosen] @ solution[: len(chosen)] if chosen else np.zeros(len(apart))
    return explained, slowly(apart - explained, slow), rest


def _robust_line(
    design: np.ndarray, value: np.ndarray, variance: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    floor = np.median(variance)
    weight = 1 / (variance + floor)
    rest = value
    for _ in range(8):
        spread = max(MAD * float(np.median(np.abs(rest))), 1e-4)
        w = weight * biweight(rest / spread)
        normal = (design * w[:, None]).T @ design + 1e-12 * np.eye(design.shape[1])
        solution = np.linalg.solve(normal, (design * w[:, None]).T @ value)
        rest = value - design @ solution
    inverse = np.linalg.inv(normal)
    scale = np.sqrt((w * rest**2).sum() / max(len(value) - design.shape[1], 1))
    return solution, np.sqrt(np.diag(inverse)) * scale, spread
