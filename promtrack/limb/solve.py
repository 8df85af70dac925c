"""The whole sequence at once: one radius, the centre and turn of every frame, and honest errors.

Observed are, in each frame, the edge's offset from a provisional circle in bins of limb, and the shift of blocks of
the limb zone along the limb against the template. Offsets are linear in what is wanted:
    edge   = n . dc + dR + texture(angle)          n points outward
    along  = t . dc + R dturn                      t points along the limb, towards larger angle
The texture is the limb's own relief (spicules, prominence roots, active regions), the same in every frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.limb.circle import MAD, TUKEY
from promtrack.limb.edge import Grid
from promtrack.limb.track import BIN_PX, FrameMeasure

SLOW_FRAMES = 6.0  # slower than this the edge is believed, not the blocks
STEADY_EDGE_PX = 0.15   # with a poorer edge than this, blocks are believed for longer
JACK_BLOCKS = 12   # arc blocks of the jackknife of the radius


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edge offsets of all frames in a table: one row a frame, one column a bin of limb ever seen."""

    offset_px: np.ndarray   # (n, b), 0 where not seen
    weight: np.ndarray      # (n, b), 1 where seen
    n: np.ndarray           # (n, b, 2) outward unit vectors, x and y
    bin: np.ndarray         # (b,) numbers of the bins


@dataclass(frozen=True, slots=True, eq=False)
class RadiusFit:
    """The common radius against the provisional one."""

    shift_px: float
    err_px: float
    frame_shift_px: np.ndarray   # (n,) of each frame alone
    frame_err_px: np.ndarray
    factor: float                # variance of a long stretch of edge over that of as many independent bins


@dataclass(frozen=True, slots=True, eq=False)
class Centres:
    """Centres and turns against the provisional places, in the Sun's round frame."""

    shift_px: np.ndarray        # (n, 2)
    across_err_px: np.ndarray   # (n,)
    along_err_px: np.ndarray
    turn_px: np.ndarray         # (n,) change of turn, as a displacement at the limb
    turn_err_px: np.ndarray
    drift_px: np.ndarray        # (n,) turn of each frame by itself, before the model, and
    drift_err_px: np.ndarray    # its error
    along_misfit_px: np.ndarray # (n,) scatter of the blocks


def collect_edges(measures: list[FrameMeasure], grid: Grid, bin_rays: int) -> Edges:
    """Edge bins of all frames as a table."""
    seen = np.unique(np.concatenate([m.bin for m in measures]))
    shape = (len(measures), len(seen))
    offset, weight, normal = np.zeros(shape), np.zeros(shape), np.zeros((*shape, 2))
    theta = np.radians((seen + 0.5) * bin_rays * grid.step_deg - 0.5 * grid.step_deg)
    for row, m in enumerate(measures):
        column = np.searchsorted(seen, m.bin)
        offset[row, column], weight[row, column] = m.edge_px, 1.0
        phi = theta + np.radians(m.place.turn_deg)
        normal[row] = np.column_stack([-np.sin(phi), -np.cos(phi)])
    return Edges(offset, weight, normal, seen)


def fit_radius(edges: Edges) -> RadiusFit:
    """One radius from all frames, each with its own centre.

    The error is a jackknife over arc blocks: relief that stands still on the limb shifts every frame alike,
    and so more frames do not average it away.
    """
    weight = _without_outliers(edges)
    rows = np.concatenate([edges.n, np.ones((*edges.n.shape[:2], 1))], axis=2)
    parts = _arc_blocks(weight)
    normal = np.stack([np.einsum("ij,ija,ijb->iab", weight * p, rows, rows) for p in parts], axis=1)
    right = np.stack([np.einsum("ij,ija,ij->ia", weight * p, rows, edges.offset_px) for p in parts], axis=1)
    whole, each, information = _combined_radius(normal.sum(1), right.sum(1))
    left_out = np.array([_combined_radius(normal.sum(1) - normal[:, g], right.sum(1) - right[:, g])[0]
                         for g in range(len(parts))])
    count = len(parts)
    error = float(np.sqrt((count - 1) / count * ((left_out - left_out.mean()) ** 2).sum())) if count > 2 else float("nan")
    scatter = _frame_scatter(edges, weight)
    frame_error = scatter / np.sqrt(np.maximum(information, 1e-12))
    # the air bends the limb in waves longer than a bin: how much, the radii of the single frames tell
    factor = 1.0
    if len(each) >= 8:
        factor = max(1.0, (MAD * float(np.median(np.abs(each - np.median(each)) / frame_error))) ** 2)
    return RadiusFit(whole, error, each, frame_error * np.sqrt(factor), factor)


def _combined_radius(normal: np.ndarray, right: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Radius of all frames, of each, and each frame's information, the centres eliminated."""
    centre = normal[:, :2, :2] + 1e-9 * np.eye(2)
    cross = normal[:, :2, 2]
    solved = np.linalg.solve(centre, np.stack([cross, right[:, :2]], axis=2))
    information = normal[:, 2, 2] - (cross * solved[..., 0]).sum(1)
    score = right[:, 2] - (cross * solved[..., 1]).sum(1)
    each = score / np.maximum(information, 1e-9)
    middle = np.median(each)
    spread = MAD * np.median(np.abs(each - middle)) + 1e-9
    robust = information * np.clip(1 - ((each - middle) / (TUKEY * spread)) ** 2, 0, None)
    return float((robust * each).sum() / max(robust.sum(), 1e-12)), each, information


def _arc_blocks(weight: np.ndarray) -> list[np.ndarray]:
    """Masks over the bins that cut the limb into blocks of equal weight."""
    total = np.cumsum(weight.sum(0))
    count = int(min(JACK_BLOCKS, max(3, weight.shape[1] // 3)))
    number = np.minimum((total / total[-1] * count - 1e-9).astype(int), count - 1)
    return [(number == g).astype(float)[None, :] for g in range(count)]


def _without_outliers(edges: Edges) -> np.ndarray:
    """Weights after a biweight on what each bin leaves in the usual frame, and in the usual bin."""
    weight = edges.weight.copy()
    for _ in range(3):
        shift = _centre_only(edges, weight, edges.offset_px)
        residual = (edges.offset_px - (edges.n * shift[:, None]).sum(2))
        seen = weight > 0
        residual -= np.average(residual[seen])
        scale = max(MAD * float(np.median(np.abs(residual[seen]))), 0.01)
        weight = edges.weight * np.clip(1 - (residual / (1.5 * TUKEY * scale)) ** 2, 0, None)
    return weight


def _centre_only(edges: Edges, weight: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """(n, 2) centre shift of every frame from its edge alone, radius held."""
    normal = np.einsum("ij,ija,ijb->iab", weight, edges.n, edges.n) + 1e-9 * np.eye(2)
    right = np.einsum("ij,ija,ij->ia", weight, edges.n, offset)
    return np.linalg.solve(normal, right[..., None])[..., 0]


def _frame_scatter(edges: Edges, weight: np.ndarray) -> np.ndarray:
    """Scatter of one bin about each frame's own circle."""
    rows = np.concatenate([edges.n, np.ones((*edges.n.shape[:2], 1))], axis=2)
    normal = np.einsum("ij,ija,ijb->iab", weight, rows, rows) + 1e-9 * np.eye(3)
    right = np.einsum("ij,ija,ij->ia", weight, rows, edges.offset_px)
    solution = np.linalg.solve(normal, right[..., None])[..., 0]
    residual = edges.offset_px - np.einsum("ija,ia->ij", rows, solution)
    return np.sqrt((weight * residual**2).sum(1) / np.maximum(weight.sum(1) - 3, 1))


def limb_relief(edges: Edges, radius_shift_px: float, rounds: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """(b,) relief of the limb in every bin, and (n, b) what remains in each frame after it and its centre."""
    weight = _without_outliers(edges)
    relief = np.zeros(edges.offset_px.shape[1])
    for _ in range(rounds):
        offset = edges.offset_px - radius_shift_px - relief
        shift = _centre_only(edges, weight, offset)
        residual = offset - (edges.n * shift[:, None]).sum(2)
        count = weight.sum(0)
        # a bin seen in a few frames only is believed less
        relief = relief + (weight * residual).sum(0) / (count + 2.0)
    return relief, np.where(weight > 0, residual, np.nan)


def correlation_factor(residual: np.ndarray) -> float:
    """By how much neighbouring columns repeat each other: the variance of their mean over that of independent ones.

    Sum of the autocorrelation along the rows of an (n, b) table (nan where nothing was seen) out to its first
    fall below 0.05.
    """
    here = np.where(np.isfinite(residual), residual, 0.0)
    seen = np.isfinite(residual).astype(float)
    power = (here**2).sum() / max(seen.sum(), 1)
    factor = 1.0
    for lag in range(1, residual.shape[1] // 2):
        pairs = (seen[:, lag:] * seen[:, :-lag]).sum()
        if pairs < 10:
            break
        rho = (here[:, lag:] * here[:, :-lag]).sum() / pairs / max(power, 1e-12)
        if rho < 0.05:
            break
        factor += 2 * rho
    return factor


def fit_centres(measures: list[FrameMeasure], edges: Edges, radius_px: float, radius: RadiusFit, block_px: float,
                model_turn: TurnModel) -> Centres:
    """Centre and turn of every frame from edge and blocks together, with the common radius.

    The fringe of spicules brightens and fades, which moves the edge of a whole frame outward or inward; how much is
    told by how far edge and blocks disagree, and the edge weighs accordingly.
    """
    relief, residual = limb_relief(edges, radius.shift_px)
    offset = edges.offset_px - radius.shift_px - relief
    edge_weight = _edge_weight(residual, radius.factor)
    middle = middle_vectors(measures, edges)
    wave = max(1.0, radius.factor * BIN_PX / block_px)
    blocks = _pooled([_usable_blocks(m) for m in measures], wave)
    breathing = fit_breathing(measures, edges, offset, edge_weight, blocks, middle)
    offset = offset - breathing.shift_px[:, None]
    # blocks that have been seen to drift across the limb are believed no further than that
    drift = float(np.var(breathing.level_px)) if middle.any() else 0.0
    blocks = [replace(b, across_var=b.across_var + drift) for b in blocks]
    parts = [_frame_equations(edges.n[i], offset[i], edge_weight[i], blocks[i], breathing.rest_px, breathing.level_px[i] * middle[i]) for i in range(len(measures))]
    covariance = np.array([np.linalg.pinv(p.normal, rcond=1e-12, hermitian=True) for p in parts])
    solution = np.einsum("iab,ib->ia", covariance, np.array([p.right for p in parts]))
    before = np.radians([m.place.turn_deg for m in measures]) * radius_px
    total, total_err = solution[:, 2] + before, np.sqrt(covariance[:, 2, 2])
    turn, turn_err = model_turn(total, total_err)
    held = turn - before
    shift, across, along = np.zeros((len(measures), 2)), np.zeros(len(measures)), np.zeros(len(measures))
    for i, p in enumerate(parts):
        small = np.linalg.inv(p.normal[:2, :2] + 1e-9 * np.eye(2))
        shift[i] = small @ (p.right[:2] - p.normal[:2, 2] * held[i])
        across[i], along[i] = _split_errors(small * _shared(p), edges.n[i], edge_weight[i])
    return Centres(shift, across, along, held, turn_err, total, total_err, np.array([b.scatter_px for b in blocks]))


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


@dataclass(frozen=True, slots=True, eq=False)
class FrameEquations:
    """Normal equations of one frame for centre x, y and turn."""

    normal: np.ndarray   # (3, 3)
    right: np.ndarray    # (3,)
    edge_part: float     # of what is known across the limb, from the edge

class TurnModel:
    """How the turn may run in time: a polynomial of at most `degree` on top of a known course.

    Called with each frame's own turn (as displacement at the limb) and its error; gives the modelled ones. A higher
    power is taken only when its coefficient stands out by 4 sigma: field rotation is nearly steady over an hour.
    """

    def __init__(self, time_s: np.ndarray, degree: int, course_px: np.ndarray | None = None):
        self.time = (time_s - time_s.mean()) / max(np.ptp(time_s), 1e-9)
        self.degree = degree
        self.course_px = np.zeros(len(time_s)) if course_px is None else course_px

    def __call__(self, turn_px: np.ndarray, err_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        value = turn_px - self.course_px
        for degree in range(self.degree, -1, -1):
            design = np.vander(self.time, degree + 1)
            solution, covariance = _robust_polynomial(design, value, np.maximum(err_px, 0.02 * np.median(err_px) + 1e-6))
            if degree <= 1 or abs(solution[0]) > 4 * np.sqrt(covariance[0, 0]):
                break
        return design @ solution + self.course_px, np.sqrt(np.einsum("ij,jk,ik->i", design, covariance, design))


def _robust_polynomial(design: np.ndarray, value: np.ndarray, err: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    weight = 1 / err**2
    for _ in range(8):
        normal = design.T @ (design * weight[:, None]) + 1e-15 * np.eye(design.shape[1])
        solution = np.linalg.solve(normal, design.T @ (weight * value))
        pull = (value - design @ solution) / err
        scale = max(MAD * float(np.median(np.abs(pull))), 1e-6)
        weight = _biweight(pull / scale) / err**2
    return solution, np.linalg.inv(normal) * max(scale, 1.0) ** 2


def _usable_blocks(m: FrameMeasure) -> Blocks:
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
    extra = 0.0
    for _ in range(4):
        variance = error**2 + extra**2
        spread = np.sqrt(variance) * max(1.0, MAD * float(np.median(np.abs(value - np.median(value)) / np.sqrt(variance))))
        robust = _biweight((value - np.median(value)) / spread) + 1e-9
        weight = robust / variance
        middle = (weight * value).sum() / weight.sum()
        # one degree of freedom goes into the mean
        excess = (robust * ((value - middle) ** 2 / variance)).sum() / max(robust.sum() - 1, 0.5)
        extra = float(np.sqrt(max(extra**2 + np.median(variance) * (excess - 1), 0.0)))
    return value, (error**2 + extra**2) / robust, extra


def _biweight(pull: np.ndarray) -> np.ndarray:
    return np.clip(1 - (pull / TUKEY) ** 2, 0, None) ** 2


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
    shift = _centre_only(edges, weight, offset)
    apart = np.full(len(blocks), np.nan)
    variance = np.full(len(blocks), np.nan)
    for i, b in enumerate(blocks):
        if len(b.across_px) >= 3 and middle[i].any():
            w = 1 / b.across_var
            apart[i] = np.sum(w * (b.normal @ shift[i] - b.across_px)) / np.sum(w * (b.normal @ middle[i]))
            variance[i] = 1 / w.sum()
    known = np.isfinite(apart)
    if known.sum() < 8:
        level = float(np.nanmedian(apart)) if known.any() else 0.0
        return Breathing(np.zeros(len(blocks)), 0.1, np.full(len(blocks), level))
    signs = np.column_stack([[m.width_px for m in measures], [m.fringe for m in measures], np.log([m.gain for m in measures])])
    edge_err = np.median(1 / np.sqrt(np.maximum(weight.sum(1), 1e-9)))
    slow = SLOW_FRAMES * max(1.0, (edge_err / STEADY_EDGE_PX) ** 2)
    explained, level, rest = _explained(apart, variance, signs, known, slow)
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
    quick, quick_signs = apart - _slowly(apart, slow), unit - _slowly(unit, slow)
    chosen = list(range(signs.shape[1])) if known.sum() >= 16 else []
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
    return explained, _slowly(apart - explained, slow), rest


def _slowly(values: np.ndarray, frames: float) -> np.ndarray:
    return gaussian_filter1d(values, min(frames, 2.0 * len(values)), axis=0, mode="nearest")


def _robust_line(design: np.ndarray, value: np.ndarray, variance: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    floor = np.median(variance)
    weight = 1 / (variance + floor)
    rest = value
    for _ in range(8):
        spread = max(MAD * float(np.median(np.abs(rest))), 1e-4)
        w = weight * _biweight(rest / spread)
        normal = (design * w[:, None]).T @ design + 1e-12 * np.eye(design.shape[1])
        solution = np.linalg.solve(normal, (design * w[:, None]).T @ value)
        rest = value - design @ solution
    inverse = np.linalg.inv(normal)
    scale = np.sqrt((w * rest**2).sum() / max(len(value) - design.shape[1], 1))
    return solution, np.sqrt(np.diag(inverse)) * scale, spread


def middle_vectors(measures: list[FrameMeasure], edges: Edges) -> np.ndarray:
    """(n, 2) direction from the Sun's centre to the middle of the limb ever seen, in each frame; zero for a limb all round."""
    mean = (edges.n * edges.weight[..., None]).sum(1) / np.maximum(edges.weight.sum(1), 1)[:, None]
    size = np.hypot(mean[:, 0], mean[:, 1])
    turn = np.radians([m.place.turn_deg for m in measures])
    if np.median(size) < 0.5:
        return np.zeros((len(measures), 2))
    first = np.arctan2(-mean[:, 0], -mean[:, 1]) - turn
    fixed = np.median(np.unwrap(first)) + turn
    return np.column_stack([-np.sin(fixed), -np.cos(fixed)])


def _edge_weight(residual: np.ndarray, least_factor: float) -> np.ndarray:
    """(n, b) weights of the edge bins: each frame's scatter about its circle, neighbours not being independent."""
    sigma = np.sqrt(np.nanmean(residual**2, axis=1))
    usual = float(np.nanmedian(sigma))
    sigma = np.clip(np.where(np.isfinite(sigma), sigma, usual), 0.5 * usual, None)
    factor = max(least_factor, correlation_factor(residual / sigma[:, None]))
    return np.where(np.isfinite(residual), 1 / (factor * np.maximum(sigma, 0.003) ** 2)[:, None], 0.0)


def _pooled(blocks: list[Blocks], wave: float) -> list[Blocks]:
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


def _frame_equations(n: np.ndarray, offset: np.ndarray, weight: np.ndarray, blocks: Blocks, breathing: float,
                     apart: np.ndarray) -> FrameEquations:
    """Edge, block shifts along and block shifts across, with the frame's own edge shift eliminated."""
    rows = np.column_stack([n, np.zeros(len(n)), np.ones(len(n))])
    normal = (rows * weight[:, None]).T @ rows
    right = (rows * weight[:, None]).T @ offset
    normal[3, 3] += 1 / max(breathing, 1e-3) ** 2
    gone = normal[:2, 3] / normal[3, 3]
    from_edge = float(np.trace(normal[:2, :2] - np.outer(gone, normal[3, :2])))
    count = len(blocks.along_px)
    if count:
        design = np.zeros((2 * count, 4))
        design[:count, :2], design[:count, 2] = blocks.tangent, 1.0
        design[count:, :2] = blocks.normal
        # the template was laid out on the provisional circle: its Sun stands `apart` from the final one
        value = np.concatenate([blocks.along_px + blocks.tangent @ apart, blocks.across_px + blocks.normal @ apart])
        w = 1 / np.concatenate([blocks.along_var, blocks.across_var])
        normal += (design * w[:, None]).T @ design
        right += (design * w[:, None]).T @ value
    else:
        normal[2, 2] += 1e-6   # nothing fixes the turn: a weak prior keeps the system solvable
    gone = normal[:3, 3] / normal[3, 3]
    across = float((blocks.normal**2 / blocks.across_var[:, None]).sum()) if count else 0.0
    return FrameEquations(normal[:3, :3] - np.outer(gone, normal[3, :3]), right[:3] - gone * right[3],
                          from_edge / max(from_edge + across, 1e-12))


def _shared(equations: FrameEquations) -> float:
    """Factor on the variance because edge and blocks look through the same air: two equal shares add nothing."""
    return 2.0 - abs(2.0 * equations.edge_part - 1.0)


def _split_errors(covariance: np.ndarray, n: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Errors across the limb and along it, at the middle of the visible limb."""
    middle = (n * weight[:, None]).sum(0)
    size = np.hypot(*middle)
    if size < 0.3 * weight.sum():   # limb nearly all round: no preferred direction
        value = float(np.sqrt(0.5 * np.trace(covariance)))
        return value, value
    across = middle / size
    along = np.array([-across[1], across[0]])
    return float(np.sqrt(across @ covariance @ across)), float(np.sqrt(along @ covariance @ along))
