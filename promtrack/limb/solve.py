"""The centre and turn of every frame, with one radius and honest errors.

Observed are, in each frame, the edge's offset from a provisional circle in bins of limb, and the shift of
blocks of the limb zone along the limb against the template. Offsets are linear in what is wanted:
    edge   = n . dc + dR + relief(angle) + breathing(frame)    n points outward
    along  = t . dc + R dturn                                  t points along the limb, towards larger angle
    across = n . dc                                            of the blocks, which leave the edge itself out
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.blocks import Blocks, usable_blocks
from promtrack.limb.breathing import fit_breathing
from promtrack.limb.radius import Edges, RadiusFit, edge_weights, limb_relief
from promtrack.limb.steady import steadied
from promtrack.limb.track import BIN_PX, FrameMeasure
from promtrack.limb.turn import TurnModel

# OpenCV samples a picture at positions rounded to 1/32 px: 0.009 px rms where all the limb shares the
# rounding, half on an arc
SAMPLING_PX = 0.0045
# of the variance by the air, more for the mean of an arc than for its radius, from which its strength is
# taken: the longest waves are the strongest. Twice as much for the least error along it, which the edge does
# not share. With it the errors are true in ten kinds of scene, 17 Suns each
# (tests/benchmarks/lock_accuracy.py)
LONG_WAVES = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Centres:
    """Centres and turns against the provisional places, in the Sun's round frame."""

    shift_px: np.ndarray  # (n, 2)
    across_err_px: np.ndarray  # (n,)
    along_err_px: np.ndarray
    turn_px: np.ndarray  # (n,) change of turn, as a displacement at the limb
    turn_err_px: np.ndarray
    drift_px: np.ndarray  # (n,) turn of each frame by itself, before the model, and
    drift_err_px: np.ndarray  # its error


@dataclass(frozen=True, slots=True, eq=False)
class FrameEquations:
    """Normal equations of one frame for centre x, y and turn."""

    normal: np.ndarray  # (3, 3)
    right: np.ndarray  # (3,)
    edge_part: float  # of what is known across the limb, from the edge


def fit_centres(
    measures: list[FrameMeasure],
    edges: Edges,
    radius_px: float,
    radius: RadiusFit,
    block_px: float,
    model_turn: TurnModel,
    carried_px: np.ndarray,
) -> Centres:
    """Centre and turn of every frame from edge and blocks together, with the common radius.

    `carried_px` is how far solar rotation has carried the features along the limb since the first frame,
    (n,).

    The fringe of spicules brightens and fades, which moves the edge of a whole frame outward or inward; how
    much is told by how far edge and blocks disagree, and the edge weighs accordingly.
    """
    relief, residual = limb_relief(edges, radius.shift_px)
    offset = edges.offset_px - radius.shift_px - relief
    edge_weight = edge_weights(residual, edges.weight, radius.factor)
    middle = middle_vectors(measures, edges)
    wave = max(1.0, radius.factor * BIN_PX / block_px)
    blocks = [
        replace(b, along_px=b.along_px - c)
        for b, c in zip(usable_blocks(measures, wave), carried_px, strict=True)
    ]
    breathing = fit_breathing(measures, edges, offset, edge_weight, blocks, middle)
    offset = offset - breathing.shift_px[:, None]
    # blocks that have been seen to drift across the limb are believed no further than that
    drift = float(np.var(breathing.level_px)) if middle.any() else 0.0
    blocks = [replace(b, across_var=b.across_var + drift) for b in blocks]
    parts = [
        _frame_equations(
            edges.n[i],
            offset[i],
            edge_weight[i],
            blocks[i],
            breathing.rest_px,
            breathing.level_px[i] * middle[i],
        )
        for i in range(len(measures))
    ]
    covariance = np.array([np.linalg.pinv(p.normal, rcond=1e-12, hermitian=True) for p in parts])
    solution = np.einsum("iab,ib->ia", covariance, np.array([p.right for p in parts]))
    before = np.radians([m.place.turn_deg for m in measures]) * radius_px
    total, total_err = solution[:, 2] + before, np.sqrt(covariance[:, 2, 2])
    turn, turn_err = model_turn(total, total_err)
    held = turn - before
    small = np.linalg.inv(np.array([p.normal[:2, :2] for p in parts]) + 1e-9 * np.eye(2))
    shift = np.array(
        [s @ (p.right[:2] - p.normal[:2, 2] * h) for s, p, h in zip(small, parts, held, strict=True)]
    )
    across, along = np.array(
        [
            _split_errors(p, s, edges.n[i], edge_weight[i])
            for i, (p, s) in enumerate(zip(parts, small, strict=True))
        ]
    ).T
    # waves of the air longer than the limb seen move edge and blocks alike; the frames' own radii tell their
    # strength
    bent = 1.0 - 1.0 / radius.factor
    air, longer = np.sqrt(bent / np.maximum(edge_weight.sum(1), 1e-9)), LONG_WAVES * bent * bool(middle.any())
    across, along = (
        np.sqrt(1.0 + longer) * np.maximum(across, air),
        np.maximum(along, np.sqrt(1.0 + 2.0 * longer) * air),
    )
    # what is wrong with the course of the turn comes from slow changes on the limb, and they move the place
    # along it as well
    along = np.hypot(along, np.sqrt(turn_err**2 - turn_err.min() ** 2))
    shift = _steadied(measures, shift, middle[0], across, along)
    return Centres(shift, across, along, held, turn_err, total, total_err)


def _steadied(
    measures: list[FrameMeasure], shift: np.ndarray, middle: np.ndarray, across: np.ndarray, along: np.ndarray
) -> np.ndarray:
    """(n, 2) shifts less the scatter that is only the measurement's own, across the limb and along it."""
    out = middle if middle.any() else np.array([0.0, -1.0])
    axes = np.array([out, [-out[1], out[0]]])
    position = np.array([(m.place.x_px, m.place.y_px) for m in measures]) + shift
    seen = (position - position[0]) @ axes.T
    calm = np.column_stack([steadied(seen[:, 0], across), steadied(seen[:, 1], along)])
    return shift + (calm - seen) @ axes


def middle_vectors(measures: list[FrameMeasure], edges: Edges) -> np.ndarray:
    """(n, 2) direction from the Sun's centre to the middle of the limb ever seen, in each frame; zero for a
    limb all round."""
    seen = edges.weight > 0
    mean = (edges.n * seen[..., None]).sum(1) / np.maximum(seen.sum(1), 1)[:, None]
    size = np.hypot(mean[:, 0], mean[:, 1])
    turn = np.radians([m.place.turn_deg for m in measures])
    if np.median(size) < 0.5:
        return np.zeros((len(measures), 2))
    first = np.arctan2(-mean[:, 0], -mean[:, 1]) - turn
    fixed = np.median(np.unwrap(first)) + turn
    return np.column_stack([-np.sin(fixed), -np.cos(fixed)])


def _frame_equations(
    n: np.ndarray, offset: np.ndarray, weight: np.ndarray, blocks: Blocks, breathing: float, apart: np.ndarray
) -> FrameEquations:
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
        value = np.concatenate(
            [blocks.along_px + blocks.tangent @ apart, blocks.across_px + blocks.normal @ apart]
        )
        w = 1 / np.concatenate([blocks.along_var, blocks.across_var])
        normal += (design * w[:, None]).T @ design
        right += (design * w[:, None]).T @ value
    else:
        normal[2, 2] += 1e-6  # nothing fixes the turn: a weak prior keeps the system solvable
    gone = normal[:3, 3] / normal[3, 3]
    across = float((blocks.normal**2 / blocks.across_var[:, None]).sum()) if count else 0.0
    return FrameEquations(
        normal[:3, :3] - np.outer(gone, normal[3, :3]),
        right[:3] - gone * right[3],
        from_edge / max(from_edge + across, 1e-12),
    )


def _shared(equations: FrameEquations) -> float:
    """Factor on the variance because edge and blocks look through the same air: two equal shares add
    nothing."""
    return 2.0 - abs(2.0 * equations.edge_part - 1.0)


def _split_errors(
    equations: FrameEquations, small: np.ndarray, n: np.ndarray, weight: np.ndarray
) -> tuple[float, float]:
    """Errors across the limb and along it, at the middle of the visible limb; `small` is the centre's
    covariance, the turn held.

    Along the limb the edge says hardly anything, so only across it two look through the same air.
    """
    middle = (n * weight[:, None]).sum(0)
    size = np.hypot(*middle)
    if size < 0.3 * weight.sum():  # limb nearly all round: no preferred direction
        value = float(np.sqrt(0.5 * np.trace(small) * _shared(equations) + SAMPLING_PX**2))
        return value, value
    across = middle / size
    along = np.array([-across[1], across[0]])
    return (
        float(np.sqrt(across @ small @ across * _shared(equations) + SAMPLING_PX**2)),
        float(np.sqrt(along @ small @ along + SAMPLING_PX**2)),
    )
