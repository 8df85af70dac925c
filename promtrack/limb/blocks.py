"""What the blocks of the limb zone say of the frames' shifts, and how far they can be believed together.

A block errs by its own noise, by what moves in it, and by the air, which bends it. The last two show as
scatter among the blocks of a frame. That scatter is taken from all frames at once: a dozen blocks do not tell
their own, and where plasma moves across a third of the limb the middle of all deviations is still that of the
quiet rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.limb.along import MEMORY, BlockShifts
from promtrack.limb.circle import MAD, biweight, median
from promtrack.limb.track import EARLY_FRAMES, FrameMeasure

LEAST_BLOCKS = 5  # of a frame that tell how neighbours resemble each other
RESTLESS = 1.5  # times the usual variance, above which a frame's own scatter counts
OUTLYING = 0.7  # of a frame's own scatter its blocks are measured by, where that is larger than the usual
CUT_SIGMA = 4.0  # blocks farther off say nothing of their neighbours


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """The usable blocks of one frame."""

    along_px: np.ndarray
    along_var: np.ndarray
    across_px: np.ndarray
    across_var: np.ndarray
    tangent: np.ndarray  # (b, 2)
    normal: np.ndarray  # (b, 2)


@dataclass(frozen=True, slots=True, eq=False)
class Votes:
    """Shifts of one frame's blocks in one direction."""

    value_px: np.ndarray
    err_px: np.ndarray  # each block's own
    block: np.ndarray  # numbers of the blocks, ascending


def usable_blocks(measures: list[FrameMeasure], wave: float) -> list[Blocks]:
    """Blocks of every frame with a shift that can be believed, and variances such that their weighted mean is
    as unsure as it says.

    Parameters
    ----------
    wave : variance of a long stretch of edge over that of as many independent blocks; the blocks' own
        likeness counts where it is larger
    """
    usable = [_usable(m.shifts) for m in measures]
    along = [
        Votes(m.shifts.along_px[u], m.shifts.along_err_px[u], m.shifts.block[u])
        for m, u in zip(measures, usable, strict=True)
    ]
    across = [
        Votes(m.shifts.across_px[u], m.shifts.across_err_px[u], m.shifts.block[u])
        for m, u in zip(measures, usable, strict=True)
    ]
    blocks = []
    parted = usual_scatter(parted_since(along))
    for m, u, a, a_var, x, x_var in zip(
        measures, usable, along, variances(along, wave, parted), across, variances(across, wave), strict=True
    ):
        phi = np.radians(m.shifts.theta_deg[u] + m.place.turn_deg)
        blocks.append(
            Blocks(
                a.value_px,
                a_var,
                x.value_px,
                x_var,
                np.column_stack([-np.cos(phi), np.sin(phi)]),
                np.column_stack([-np.sin(phi), -np.cos(phi)]),
            )
        )
    return blocks


def _usable(s: BlockShifts) -> np.ndarray:
    usable = (
        np.isfinite(s.along_px)
        & np.isfinite(s.across_px)
        & (np.abs(s.along_px) < 4)
        & (np.abs(s.across_px) < 50)
    )
    return usable & (s.along_err_px < 3) & np.isfinite(s.across_err_px) & (s.gain > 0.2) & (s.gain < 5)


def parted_since(votes: list[Votes]) -> list[Votes]:
    """The votes as they would be against the template of the first frames.

    The template takes in what each block changes, but not what all have in common, since it is moved by their
    vote. Blocks whose features drift apart therefore seem to agree, while their mean drifts on.
    """
    learnt: dict[int, float] = {}
    since = []
    for count, v in enumerate(votes, start=1):
        before = np.array([learnt.get(int(b), 0.0) for b in v.block])
        since.append(Votes(v.value_px + before, v.err_px, v.block))
        if count > EARLY_FRAMES and len(v.value_px):  # these were all laid on the template that they had made
            apart = before + (v.value_px - _robust_mean(v.value_px)) / min(count, MEMORY)
            learnt.update(zip(v.block.tolist(), apart.tolist(), strict=True))
    return since


def variances(votes: list[Votes], wave: float, scatter: float | None = None) -> list[np.ndarray]:
    """(b,) variances for every frame; outliers get no weight. `scatter` of the blocks, px, where it is larger
    than the frames show."""
    scatter = max(usual_scatter(votes), scatter or 0.0)
    factor = max(wave, likeness(votes))
    return [
        factor * _with_scatter(v, scatter) if len(v.value_px) > 1 else np.ones(len(v.value_px)) for v in votes
    ]


def usual_scatter(votes: list[Votes]) -> float:
    """Scatter of the blocks about their frame's mean beyond their own errors: the middle of all frames."""
    apart, own = [np.zeros(0)], [np.zeros(0)]
    for v in votes:
        count = len(v.value_px)
        if count > 2:
            apart.append((v.value_px - _robust_mean(v.value_px)) * np.sqrt(count / (count - 1)))
            own.append(v.err_px**2)
    deviation = np.abs(np.concatenate(apart))
    if not len(deviation):
        return 0.0
    return float(np.sqrt(max((MAD * median(deviation)) ** 2 - median(np.concatenate(own)), 0.0)))


def _robust_mean(value: np.ndarray) -> float:
    middle = median(value)
    for _ in range(3):
        weight = biweight((value - middle) / max(MAD * median(np.abs(value - middle)), 1e-6)) + 1e-9
        middle = float((weight * value).sum() / weight.sum())
    return middle


def _with_scatter(votes: Votes, scatter: float) -> np.ndarray:
    """Own variance and the usual scatter's, more in a frame that is clearly more restless, and without end
    for outliers."""
    value, variance = votes.value_px, votes.err_px**2 + scatter**2 + 1e-12
    middle = median(value)
    for _ in range(5):
        spread = np.sqrt(variance) * max(
            1.0, OUTLYING * MAD * median(np.abs(value - middle) / np.sqrt(variance))
        )
        robust = biweight((value - middle) / spread) + 1e-9
        middle = float((robust / variance * value).sum() / (robust / variance).sum())
    # one degree of freedom goes into the mean
    excess = float((robust * (value - middle) ** 2 / variance).sum() / max(robust.sum() - 1, 0.5))
    return variance * max(1.0, excess / RESTLESS) / robust


def likeness(votes: list[Votes]) -> float:
    """Variance of a frame's mean over that of as many independent blocks, from how neighbours deviate alike;
    at least 1.

    Deviations are taken from the frame's own mean, which hides what all its blocks share. If only neighbours
    share anything, with variance c0 and covariance c1 of the deviations the mean's is V = (c0 + m c1) / n /
    (1 - (1 + m) / n), m = 2 (1 - 1 / n).
    """
    square, product, counts = [np.zeros(0)], [np.zeros(0)], []
    for v in votes:
        if len(v.value_px) < LEAST_BLOCKS:
            continue
        middle = median(v.value_px)
        near = np.abs(v.value_px - middle) < CUT_SIGMA * max(MAD * median(np.abs(v.value_px - middle)), 1e-6)
        apart = v.value_px - v.value_px[near].mean()
        pair = (np.diff(v.block) == 1) & near[1:] & near[:-1]
        square.append(apart[near] ** 2)
        product.append((apart[1:] * apart[:-1])[pair])
        counts.append(int(near.sum()))
    products, squares = np.concatenate(product), np.concatenate(square)
    if not len(products):
        return 1.0
    n, c0 = float(np.mean(counts)), max(float(squares.mean()), 1e-12)
    m = 2.0 * (1.0 - 1.0 / n)
    shared = max(float(products.mean()), -c0 / n)
    return max(1.0, (1.0 + m * shared / c0) / (1.0 - (1.0 + m) / n) * (n - 1.0) / n)
