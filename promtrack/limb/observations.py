"""What a sequence is solved from: edges and blocks of all frames as tables, their noise, and
the rows of a sparse system that they become.

The air displaces neighbouring stretches of limb alike and anew in every frame; plasma that changes displaces
each block by itself, for minutes, by far more than the scatter of its pixels says.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.linalg import solve_triangular
from scipy.sparse import coo_matrix, csc_matrix

from promtrack.limb.measure import FrameMeasure
from promtrack.limb.shifts import LEAST_GAIN, LINEAR_PX

NEIGHBOURS = 4  # bins of edge before each that foretell it


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """Observations of one kind in all frames, in order of frame and place along the limb."""

    frame: np.ndarray  # (m,)
    at_px: np.ndarray  # (m,) place along the limb
    value_px: np.ndarray  # (m,)
    err_px: np.ndarray  # (m,) each one's own
    unit: np.ndarray  # (m, 2) outward, or along
    bin: np.ndarray  # (m,) number of the bin of limb


@dataclass(frozen=True, slots=True)
class BlockNoise:
    """Errors of blocks of limb against the template; to begin with, the usual ones."""

    shared_px: float = 0.5  # 1 sigma of what the air does, alike in neighbours
    length_px: float = 100.0  # over which they are alike
    single_px: float = 0.3  # 1 sigma of what the plasma does to each by itself, and
    own: float = 2.0  # factor on each block's own error, which is that of white noise

    def likeness(self, at_px: np.ndarray) -> np.ndarray:
        """(..., b, b) correlation by the air, exp(-distance / length), of (..., b) places along the limb."""
        return np.exp(-np.abs(at_px[..., :, None] - at_px[..., None, :]) / self.length_px)

    def covariance(self, at_px: np.ndarray, err_px: np.ndarray) -> np.ndarray:
        """(..., b, b) covariance of blocks at places along the limb with errors of their own, px2."""
        single = (self.own * err_px) ** 2 + self.single_px**2
        return self.shared_px**2 * self.likeness(at_px) + single[..., None] * np.eye(at_px.shape[-1])

    def err_px(self, own_px: np.ndarray) -> np.ndarray:
        """(m,) 1 sigma of single blocks with errors of their own, (m,) px."""
        return np.sqrt((self.own * own_px) ** 2 + self.shared_px**2 + self.single_px**2)


@dataclass(frozen=True, slots=True, eq=False)
class EdgeNoise:
    """Noise of the edge in bins of limb, or of its relief."""

    err_px: np.ndarray  # 1 sigma: (n,) of a bin in each frame, or () of the relief
    alike: BlockNoise  # along the limb, in units of `err_px`
    weight: np.ndarray  # (m,) of each bin: 1, less for outliers


@dataclass(frozen=True, slots=True, eq=False)
class FeatureNoise:
    """Noise of the blocks' shifts, along the limb or across it."""

    alike: BlockNoise
    weight: np.ndarray  # (m,) of each block: 1, less for outliers
    walk_px2_s: float  # variance a second of the drift that all of them share


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """Noise of all that is observed."""

    edge: EdgeNoise
    relief: EdgeNoise
    along: FeatureNoise
    across: FeatureNoise
    offset_err_px: float  # 1 sigma of the offset that a frame's whole edge has
    slip_err_px: float  # 1 sigma of the slip of the edge along the limb, and
    slip_s: float  # for how long it lasts


def edges_of(measures: list[FrameMeasure]) -> Observed:
    """Edge offsets of all bins of limb; their errors are not known yet."""
    frame = np.concatenate([np.full(len(m.bin), i) for i, m in enumerate(measures)])
    bin_deg = measures[0].bin_deg
    turn = np.array([m.place.turn_deg for m in measures])[frame]
    number = np.concatenate([m.bin for m in measures])
    theta = (number + 0.5) * bin_deg
    phi = np.radians(theta + turn)
    unit = np.column_stack([-np.sin(phi), -np.cos(phi)])
    value = np.concatenate([m.edge_px for m in measures])
    at = along_limb(theta, measures[0].place.radius_px)
    return _ordered(Observed(frame, at, value, np.zeros(len(value)), unit, number))


def blocks_of(measures: list[FrameMeasure], laid_px: np.ndarray) -> tuple[Observed, Observed]:
    """Shifts along (with the (n,) turn on which the zones were laid) and across of all usable blocks.

    Usable is a block whose linear measure holds (LINEAR_PX) and that shows the template's light (LEAST_GAIN).
    """
    parts = []
    for i, m in enumerate(measures):
        s = m.shifts
        fit = (np.abs(s.along_px) < LINEAR_PX) & (s.along_err_px < LINEAR_PX) & np.isfinite(s.across_px)
        fit &= (s.gain > LEAST_GAIN) & (s.gain * LEAST_GAIN < 1)
        if fit.any():
            columns = [s.theta_deg, s.along_px + laid_px[i], s.along_err_px, s.across_px, s.across_err_px]
            turned = np.full(int(fit.sum()), m.place.turn_deg)
            parts.append(np.column_stack([np.full(int(fit.sum()), i), *(c[fit] for c in columns), turned]))
    table = np.concatenate(parts) if parts else np.zeros((0, 7))
    frame, theta, along, along_err, across, across_err, turn = table.T
    phi = np.radians(theta + turn)
    tangent, normal = (
        np.column_stack([-np.cos(phi), np.sin(phi)]),
        np.column_stack([-np.sin(phi), -np.cos(phi)]),
    )
    number = np.unique(np.round(theta, 6), return_inverse=True)[1]
    at = along_limb(theta, measures[0].place.radius_px) if measures else theta
    frame = frame.astype(int)
    return (
        _ordered(Observed(frame, at, along, along_err, tangent, number)),
        _ordered(Observed(frame, at, across, across_err, normal, number)),
    )


def along_limb(theta_deg: np.ndarray, radius_px: float) -> np.ndarray:
    """(m,) places along the limb, px, of (m,) angles, without a step where it is seen."""
    if not len(theta_deg):
        return np.zeros(0)
    angle = np.radians(theta_deg)
    middle = np.angle(np.exp(1j * angle).mean())
    return radius_px * np.angle(np.exp(1j * (angle - middle)))


def by_frame(frame: np.ndarray, count: int) -> list[slice]:
    """Rows of each of `count` frames, in order."""
    edges = np.searchsorted(frame, np.arange(count + 1))
    return [slice(int(a), int(b)) for a, b in pairwise(edges)]


def _ordered(observed: Observed) -> Observed:
    """In order of frame and place along the limb."""
    order = np.lexsort([observed.at_px, observed.frame])
    return Observed(*(getattr(observed, name)[order] for name in Observed.__dataclass_fields__))


class Rows:
    """Rows of a sparse system, each divided by its error."""

    def __init__(self, size: int):
        self.size, self.count = size, 0
        self.row: list[np.ndarray] = []
        self.column: list[np.ndarray] = []
        self.value: list[np.ndarray] = []
        self.right: list[np.ndarray] = []

    def add(
        self, columns: list[np.ndarray], values: list[np.ndarray], right: np.ndarray, err: float | np.ndarray
    ) -> None:
        """Independent rows sum(value x[column]) = right +- err."""
        err = np.broadcast_to(np.asarray(err, float), right.shape)
        number = self.count + np.arange(len(right))
        for column, value in zip(columns, values, strict=True):
            self.row.append(number)
            self.column.append(column)
            self.value.append(value / err)
        self.right.append(right / err)
        self.count += len(right)

    def correlated(
        self,
        columns: list[np.ndarray],
        values: list[np.ndarray],
        observed: Observed,
        weight: np.ndarray,
        noise: BlockNoise,
    ) -> None:
        """Rows whose errors are correlated along the limb: each less what its four neighbours before it
        foretell of it, which leaves independent rows (Vecchia 1988, J. R. Stat. Soc. B 50, 297)."""
        number = np.arange(len(weight))
        before = number[:, None] - np.arange(1, NEIGHBOURS + 1)
        seen = (before >= 0) & (observed.frame[np.maximum(before, 0)] == observed.frame[:, None])
        near = np.where(seen, before, number[:, None])
        at, err = observed.at_px, observed.err_px
        single = err**2 * (noise.own**2 + (1 / weight - 1) * (noise.shared_px**2 + noise.own**2))
        shared = (noise.shared_px * err)[:, None] * err[near]
        ahead = seen * noise.shared_px * shared * np.exp(-np.abs(at[near] - at[:, None]) / noise.length_px)
        apart = np.abs(at[near][:, :, None] - at[near][:, None, :])
        among = (err[near][:, :, None] * err[near][:, None, :]) * np.exp(-apart / noise.length_px)
        among = noise.shared_px**2 * among + single[near][:, :, None] * np.eye(NEIGHBOURS)
        among = np.where(seen[:, :, None] & seen[:, None, :], among, np.eye(NEIGHBOURS))
        part = np.linalg.solve(among, ahead[..., None])[..., 0]
        new = np.sqrt((noise.shared_px * err) ** 2 + single - (part * ahead).sum(1))
        right = observed.value_px
        for column, value in zip(columns, values, strict=True):
            self.row += [self.count + number] * (1 + NEIGHBOURS)
            self.column += [column, *column[near].T]
            self.value += [value / new, *(-part * value[near] / new[:, None]).T]
        self.right.append((right - (part * right[near]).sum(1)) / new)
        self.count += len(right)

    def mixed(
        self,
        columns: list[np.ndarray],
        values: list[np.ndarray],
        right: np.ndarray,
        covariances: list[np.ndarray],
        observed: Observed,
    ) -> None:
        """Rows with a covariance for each frame; the columns are one frame's own or shared by all, the same
        in all rows of a frame."""
        table = np.column_stack([*values, right])
        for part, covariance in zip(by_frame(observed.frame, len(covariances)), covariances, strict=True):
            if len(covariance):
                table[part] = solve_triangular(np.linalg.cholesky(covariance), table[part], lower=True)
        self.add(columns, list(table[:, :-1].T), table[:, -1], 1.0)

    def from_frame_to_frame(self, columns: np.ndarray, stays: np.ndarray, err: np.ndarray) -> None:
        """An unknown of each of n frames: that of the frame before times `stays`, +- err, (n - 1,)."""
        if len(err):
            rows = [columns[1:], columns[:-1]], [np.ones(len(err)), -stays]
            self.add(*rows, np.zeros(len(err)), err)

    def built(self) -> tuple[csc_matrix, np.ndarray]:
        """The matrix (rows, unknowns) and its right side (rows,)."""
        place = np.concatenate(self.row), np.concatenate(self.column)
        shape = (self.count, self.size)
        return coo_matrix((np.concatenate(self.value), place), shape).tocsc(), np.concatenate(self.right)
