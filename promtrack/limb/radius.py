"""One radius for the whole sequence, from the edge offsets of all frames.

Each frame has its own centre; what the limb's own relief (spicules, prominence roots, active regions) adds is
the same in every frame, and so more frames do not average it away.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.circle import MAD, TUKEY
from promtrack.limb.track import FrameMeasure

RESTLESS = 1.5  # times the scatter of the quieter quarter of the limb: in even air the bins stay within it
LEAST_FRAMES = 8  # needed to tell restless limb
JACK_BLOCKS = 12  # arc blocks of the jackknife of the radius


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edge offsets of all frames in a table: one row a frame, one column a bin of limb ever seen."""

    offset_px: np.ndarray  # (n, b), 0 where not seen
    weight: np.ndarray  # (n, b), 0 where not seen; 1, or less for limb that moves more than is usual
    n: np.ndarray  # (n, b, 2) outward unit vectors, x and y
    bin: np.ndarray  # (b,) numbers of the bins


@dataclass(frozen=True, slots=True, eq=False)
class RadiusFit:
    """The common radius against the provisional one."""

    shift_px: float
    err_px: float
    frame_shift_px: np.ndarray  # (n,) of each frame alone
    frame_err_px: np.ndarray
    factor: float  # variance of a long stretch of edge over that of as many independent bins


def collect_edges(measures: list[FrameMeasure], bin_deg: float) -> Edges:
    """Edge bins of all frames as a table."""
    seen = np.unique(np.concatenate([m.bin for m in measures]))
    shape = (len(measures), len(seen))
    offset, weight, normal = np.zeros(shape), np.zeros(shape), np.zeros((*shape, 2))
    theta = np.radians((seen + 0.5) * bin_deg)
    for row, m in enumerate(measures):
        column = np.searchsorted(seen, m.bin)
        offset[row, column], weight[row, column] = m.edge_px, 1.0
        phi = theta + np.radians(m.place.turn_deg)
        normal[row] = np.column_stack([-np.sin(phi), -np.cos(phi)])
    return _less_of_the_restless(Edges(offset, weight, normal, seen))


def _less_of_the_restless(edges: Edges) -> Edges:
    """Edges with less weight where the limb moves far more from frame to frame than it does in its quieter
    half.

    Under an arcade or an eruption the edge jumps from loop to loop; air moves all of the limb alike.
    """
    if len(edges.weight) < LEAST_FRAMES:
        return edges
    seen, steady = edges.weight > 0, edges
    for _ in range(3):
        weight = without_outliers(steady)
        shift = centre_only(steady, weight, edges.offset_px)
        residual = np.where(seen, edges.offset_px - (edges.n * shift[:, None]).sum(2), np.nan)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # bins seen in no frame that counts
            restless = MAD * np.nanmedian(np.abs(residual - np.nanmedian(residual, axis=0)), axis=0)
        usual = RESTLESS * float(np.nanpercentile(restless, 25))
        trust = np.clip((usual / np.maximum(np.nan_to_num(restless, nan=usual), 1e-3)) ** 2, None, 1.0)
        steady = replace(edges, weight=seen * trust)
    return steady


def fit_radius(edges: Edges) -> RadiusFit:
    """One radius from all frames, each with its own centre.

    The error is a jackknife over arc blocks, since relief that stands still on the limb shifts every frame
    alike, joined with the scatter of the frames' own radii.
    """
    weight = without_outliers(edges)
    rows = np.concatenate([edges.n, np.ones((*edges.n.shape[:2], 1))], axis=2)
    parts = arc_blocks(weight)
    normal = np.stack([np.einsum("ij,ija,ijb->iab", weight * p, rows, rows) for p in parts], axis=1)
    right = np.stack([np.einsum("ij,ija,ij->ia", weight * p, rows, edges.offset_px) for p in parts], axis=1)
    whole, each, information = _combined_radius(normal.sum(1), right.sum(1))
    left_out = np.array(
        [
            _combined_radius(normal.sum(1) - normal[:, g], right.sum(1) - right[:, g])[0]
            for g in range(len(parts))
        ]
    )
    count = len(parts)
    error = (
        float(np.sqrt((count - 1) / count * ((left_out - left_out.mean()) ** 2).sum()))
        if count > 2
        else float("nan")
    )
    # waves of the air longer than a block escape the jackknife, but not the scatter of the single frames
    if len(each) >= 4:
        error = float(np.hypot(error, MAD * np.median(np.abs(each - np.median(each))) / np.sqrt(len(each))))
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


def arc_blocks(weight: np.ndarray) -> list[np.ndarray]:
    """Masks over the bins that cut the limb into blocks of equal weight."""
    total = np.cumsum(weight.sum(0))
    count = int(min(JACK_BLOCKS, max(3, weight.shape[1] // 3)))
    number = np.minimum((total / total[-1] * count - 1e-9).astype(int), count - 1)
    return [(number == g).astype(float)[None, :] for g in range(count)]


def without_outliers(edges: Edges) -> np.ndarray:
    """Weights after a biweight on what each bin leaves in the usual frame, and in the usual bin."""
    weight = edges.weight.copy()
    for _ in range(3):
        shift = centre_only(edges, weight, edges.offset_px)
        residual = edges.offset_px - (edges.n * shift[:, None]).sum(2)
        seen = weight > 0
        residual -= np.average(residual[seen])
        scale = max(MAD * float(np.median(np.abs(residual[seen]))), 0.01)
        weight = edges.weight * np.clip(1 - (residual / (1.5 * TUKEY * scale)) ** 2, 0, None)
    return weight


def centre_only(edges: Edges, weight: np.ndarray, offset: np.ndarray) -> np.ndarray:
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
    weight = without_outliers(edges)
    relief = np.zeros(edges.offset_px.shape[1])
    for _ in range(rounds):
        offset = edges.offset_px - radius_shift_px - relief
        shift = centre_only(edges, weight, offset)
        residual = offset - (edges.n * shift[:, None]).sum(2)
        count = weight.sum(0)
        # a bin seen in a few frames only is believed less
        relief = relief + (weight * residual).sum(0) / (count + 2.0)
    return relief, np.where(weight > 0, residual, np.nan)


def correlation_factor(residual: np.ndarray) -> float:
    """By how much neighbouring columns repeat each other: the variance of their mean over that of independent
    ones.

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


def edge_weights(residual: np.ndarray, trust: np.ndarray, least_factor: float) -> np.ndarray:
    """(n, b) weights of the edge bins: each frame's scatter about its circle, neighbours not being
    independent.

    `trust` is the weight of the bins against each other.
    """
    trust = np.where(np.isfinite(residual), trust, 0.0)
    sigma = np.sqrt((trust * np.nan_to_num(residual) ** 2).sum(1) / np.maximum(trust.sum(1), 1e-9))
    sigma[trust.sum(1) <= 0] = np.nan
    usual = float(np.nanmedian(sigma))
    sigma = np.clip(np.where(np.isfinite(sigma), sigma, usual), 0.5 * usual, None)
    factor = max(least_factor, correlation_factor(residual / sigma[:, None]))
    return trust / (factor * np.maximum(sigma, 0.003) ** 2)[:, None]
