"""What the blocks of the limb zone say of a frame's shift, and how the edge breathes against them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.limb.circle import MAD, biweight, median
from promtrack.limb.radius import Edges, centre_only
from promtrack.limb.track import FrameMeasure

SLOW_FRAMES = 6.0       # slower than this the edge is believed, not the blocks
LEAST_TAUGHT = 16       # frames from which the blocks teach how the edge breathes
TEACHERS = 1.3          # times the edge's error: blocks that are worse than that teach it nothing
STEADY_EDGE_PX = 0.15   # with a poorer edge than this, blocks are believed for longer


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """The usable blocks of one frame."""

    along_px: np.ndarray
    along_var: np.ndarray
    across_px: np.ndarray
    across_var: np.ndarray
    tangent: np.ndarray     # (b, 2)
    normal: np.ndarray      # (b, 2)
    scatter_px: float       # of the along shifts beyond their own errors
    across_scatter_px: float


def usable_blocks(m: FrameMeasure) -> Blocks:
    """Blocks with a shift that can be believed; variances hold their own error and the scatter among the blocks."""
    s = m.shifts
    usable = np.isfinite(s.along_px) & np.isfinite(s.across_px) & (np.abs(s.along_px) < 4) & (np.abs(s.across_px) < 50)
    usable &= (s.along_err_px < 3) & np.isfinite(s.across_err_px) & (s.gain > 0.2) & (s.gain < 5)
    phi = np.radians(s.theta_deg[usable] + m.place.turn_deg)
    along, along_var, scatter = _with_scatter(s.along_px[usable], s.along_err_px[usable])
    across, across_var, across_scatter = _with_scatter(s.across_px[usable], s.across_err_px[usable])
    return Blocks(along, along_var, across, across_var, np.column_stack([-np.cos(phi), np.sin(phi)]),
                  np.column_stack([-np.sin(phi), -np.cos(phi)]), scatter, across_scatter)


def _with_scatter(value: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Shifts and their variances, raised by what the blocks scatter beyond their errors; outliers get no weight."""
    if len(value) < 2:
        return value, np.full(len(value), 1.0), float("nan")
    error = np.where(np.isfinite(error), error, 99.0)
    extra, middle = 0.0, median(value)
    for _ in range(4):
        variance = error**2 + extra**2
        spread = np.sqrt(variance) * max(1.0, MAD * median(np.abs(value - middle) / np.sqrt(variance)))
        robust = biweight((value - middle) / spread) + 1e-9
        weight = robust / variance
        mean = (weight * value).sum() / weight.sum()
        # one degree of freedom goes into the mean
        excess = (robust * ((value - mean) ** 2 / variance)).sum() / max(robust.sum() - 1, 0.5)
        extra = float(np.sqrt(max(extra**2 + median(variance) * (excess - 1), 0.0)))
    return value, (error**2 + extra**2) / robust, extra


def pooled_blocks(blocks: list[Blocks], wave: float) -> list[Blocks]:
    """Blocks whose scatter is at least what is usual: a handful of blocks may agree by chance.

    `wave` is the variance of a long stretch over that of as many independent blocks.
    """
    def usual(values: list[float]) -> float:
        finite = np.array([v for v in values if np.isfinite(v)])
        return float(np.sqrt(np.mean(np.minimum(finite, 2 * np.median(finite)) ** 2))) if len(finite) else 0.0
    along, across = usual([b.scatter_px for b in blocks]), usual([b.across_scatter_px for b in blocks])
    return [replace(b, along_var=wave * (b.along_var + max(along**2 - np.nan_to_num(b.scatter_px) ** 2, 0.0)),
                    across_var=wave * (b.across_var + max(across**2 - np.nan_to_num(b.across_scatter_px) ** 2, 0.0)))
            if len(b.along_px) else b for b in blocks]


@dataclass(frozen=True, slots=True, eq=False)
class Breathing:
    """Common shift of a frame's whole edge that the blocks do not share."""

    shift_px: np.ndarray   # (n,) what blur and fringe explain
    rest_px: float         # rms of what they do not
    level_px: np.ndarray   # (n,) place of the edge's circle against the template's, outward at the middle of the limb


def fit_breathing(measures: list[FrameMeasure], edges: Edges, offset: np.ndarray, weight: np.ndarray,
                  blocks: list[Blocks], middle: np.ndarray) -> Breathing:
    """Learn from the blocks how the width of the limb, its fringe and the light move the edge of a frame.

    A brighter fringe, a wider blur, or more light on a disc that is burnt out draw the edge outward all along. The
    blocks, which look at prominences and texture away from the edge, stay where they are.
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
    signs = np.column_stack([[m.signs.width_px for m in measures], [m.signs.fringe for m in measures], np.log([m.gain for m in measures])])
    edge_err = np.median(1 / np.sqrt(np.maximum(weight.sum(1), 1e-9)))
    slow = SLOW_FRAMES * max(1.0, (edge_err / STEADY_EDGE_PX) ** 2)
    teach = known.sum() >= LEAST_TAUGHT and float(np.median(variance[known])) < (TEACHERS * edge_err) ** 2
    explained, level, rest = _explained(apart, variance, signs if teach else signs[:, :0], known, slow)
    return Breathing(explained, float(np.sqrt(max(rest**2 - np.median(variance[known]), 0.0))), level)


def _explained(apart: np.ndarray, variance: np.ndarray, signs: np.ndarray, known: np.ndarray,
               slow: float) -> tuple[np.ndarray, np.ndarray, float]:
    """What the signs explain, the slow course of the rest, and the scatter left.

    Only quick changes teach: slowly, the blocks drift with the prominences that change under them.
    """
    apart = np.where(known, apart, np.nanmedian(apart))
    apart = np.clip(apart, *(np.median(apart) + np.array([-4, 4]) * (MAD * np.median(np.abs(apart - np.median(apart))) + 1e-6)))
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
    explained = quick_signs[:, chosen] @ solution[:len(chosen)] if chosen else np.zeros(len(apart))
    return explained, slowly(apart - explained, slow), rest


def slowly(values: np.ndarray, frames: float) -> np.ndarray:
    """Slow course of (n,) or (n, k) values: at each frame a straight line through its neighbours, Gaussian weights.

    A line, not a mean: what drifts steadily (disc texture that solar rotation carries along, plasma) is then followed
    to the ends of the sequence.
    """
    def near(series: np.ndarray) -> np.ndarray:
        return gaussian_filter1d(series, min(frames, 2.0 * len(series)), axis=0, mode="constant", truncate=6.0)
    table = values.reshape(len(values), -1)
    time = np.arange(len(values), dtype=float)[:, None]
    ones, first, second = near(np.ones_like(time)), near(time), near(time * time)
    level, slope = near(table), near(time * table)
    spread = np.maximum(ones * second - first * first, 1e-9)
    line = (level * (second - first * time) + slope * (ones * time - first)) / spread
    return line.reshape(values.shape)


def _robust_line(design: np.ndarray, value: np.ndarray, variance: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
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
