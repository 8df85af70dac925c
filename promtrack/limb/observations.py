"""What a sequence is solved from: edges and blocks of all frames as tables, their noise, and the
sparse system that they become.

The air displaces neighbouring stretches of limb alike and anew in every frame; plasma that changes displaces
each block by itself, for minutes, by far more than the scatter of its pixels says.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_matrix, csc_matrix

from promtrack.limb.measure import FrameMeasure, linear

Arrays = list[np.ndarray]


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """Observations of one kind in all frames, in order of frame and place along the limb."""

    frame: np.ndarray  # (m,)
    at_px: np.ndarray  # (m,) place along the limb
    value_px: np.ndarray  # (m,)
    err_px: np.ndarray  # (m,) each one's own
    unit: np.ndarray  # (m, 2) outward, or along
    bin: np.ndarray  # (m,) number of the bin of limb


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Observations of one kind in some frames, f, each with as many rows as the fullest."""

    row: np.ndarray  # (f, b) among all observations
    seen: np.ndarray  # (f, b) bool: others only fill the frame's rows
    covariance: np.ndarray  # (f, b, b) px2; of what is not seen 1, and none with others


@dataclass(frozen=True, slots=True)
class BlockNoise:
    """Errors of blocks of limb against the template; to begin with, the usual ones."""

    shared_px: float = 0.5  # 1 sigma of what the air does, alike in neighbours
    length_px: float = 100.0  # over which they are alike
    plasma_px: float = 0.3  # 1 sigma of what plasma does that moves by itself, and
    plasma_length_px: float = 50.0  # over which it is alike
    own: float = 2.0  # factor on each block's own error, which is that of white noise

    long_waves: bool = False  # the edge's, which move more of the limb alike than is seen

    def likeness(self, at_px: np.ndarray) -> np.ndarray:
        """(..., b, b) correlation by the air of (..., b) places along the limb, with x = distance / length:
        (1 + x^2)^-1/2 of the edge, exp(-x) of blocks."""
        apart = _apart(at_px) / self.length_px
        return 1.0 / np.sqrt(1.0 + apart**2) if self.long_waves else np.exp(-apart)

    def covariance(self, at_px: np.ndarray, err_px: np.ndarray) -> np.ndarray:
        """(..., b, b) covariance of blocks at places along the limb with errors of their own, px2."""
        white = (self.own * err_px)[..., None] ** 2 * np.eye(at_px.shape[-1])
        plasma = self.plasma_px**2 * np.exp(-_apart(at_px) / self.plasma_length_px)
        return self.shared_px**2 * self.likeness(at_px) + plasma + white

    def by_frame(self, observed: Observed, weight: np.ndarray, frames: int) -> Iterator[Part]:
        """Covariance of the observations in each frame, px2; a small weight is a larger variance."""
        for row, seen in _by_frame(observed.frame, frames):
            covariance = self.covariance(observed.at_px[row], observed.err_px[row])
            each = np.arange(row.shape[1])
            covariance[:, each, each] /= weight[row]
            both = seen[:, :, None] & seen[:, None, :]
            yield Part(row, seen, np.where(both, covariance, np.eye(len(each))))

    def err_px(self, own_px: np.ndarray) -> np.ndarray:
        """(m,) 1 sigma of single blocks with errors of their own, (m,) px."""
        return np.sqrt((self.own * own_px) ** 2 + self.shared_px**2 + self.plasma_px**2)


@dataclass(frozen=True, slots=True, eq=False)
class EdgeNoise:
    """Noise of the edge in bins of limb, or of its relief."""

    err_px: float  # 1 sigma of a bin
    alike: BlockNoise  # along the limb, in units of `err_px`
    weight: np.ndarray  # (m,) of each bin: 1, less for outliers

    def by_frame(self, observed: Observed, frames: int = 1) -> Iterator[Part]:
        """Covariance of the bins in each frame, or of the relief, px2."""
        units = replace(observed, err_px=np.ones(len(observed.frame)))
        for part in self.alike.by_frame(units, self.weight, frames):
            yield replace(part, covariance=part.covariance * self.err_px**2)


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
    unit = _directions(theta + turn)[0]
    value = np.concatenate([m.edge_px for m in measures])
    at = along_limb(theta, measures[0].place.radius_px)
    return _ordered(Observed(frame, at, value, np.zeros(len(value)), unit, number))


def blocks_of(measures: list[FrameMeasure], laid_px: np.ndarray) -> tuple[Observed, Observed]:
    """Shifts along (with the (n,) turn on which the zones were laid) and across of all usable blocks.

    Usable is a block whose linear measure holds and that shows the template's light (`linear`).
    """
    parts = []
    for i, m in enumerate(measures):
        s = m.shifts
        along, turned = s.along_px + laid_px[i], np.full(len(s.along_px), m.place.turn_deg)
        columns = [s.theta_deg, along, s.along_err_px, s.across_px, s.across_err_px, turned]
        fit = linear(s) & np.isfinite(s.across_px)
        parts.append(np.column_stack([np.full(len(along), i), *columns])[fit])
    table = np.concatenate(parts) if parts else np.zeros((0, 7))
    frame, theta, along, along_err, across, across_err, turn = table.T
    normal, tangent = _directions(theta + turn)
    number = np.unique(np.round(theta, 6), return_inverse=True)[1]
    at = along_limb(theta, measures[0].place.radius_px) if measures else theta
    frame = frame.astype(int)
    return (
        _ordered(Observed(frame, at, along, along_err, tangent, number)),
        _ordered(Observed(frame, at, across, across_err, normal, number)),
    )


def _directions(image_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(m, 2) unit vectors x, y outward and along the limb at (m,) image angles."""
    sine, cosine = np.sin(np.radians(image_deg)), np.cos(np.radians(image_deg))
    return np.column_stack([-sine, -cosine]), np.column_stack([-cosine, sine])


def _apart(at_px: np.ndarray) -> np.ndarray:
    """(..., b, b) px between (..., b) places along the limb."""
    return np.abs(at_px[..., :, None] - at_px[..., None, :])


def along_limb(theta_deg: np.ndarray, radius_px: float) -> np.ndarray:
    """(m,) places along the limb, px, of (m,) angles, without a step where it is seen."""
    if not len(theta_deg):
        return np.zeros(0)
    angle = np.radians(theta_deg)
    middle = np.angle(np.exp(1j * angle).mean())
    return radius_px * np.angle(np.exp(1j * (angle - middle)))


def _by_frame(frame: np.ndarray, count: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Rows (f, b) of each of `count` frames, in order, and which of them are not mere filling; some frames at
    a time, since memory must not grow with their number."""
    edges = np.searchsorted(frame, np.arange(count + 1))
    for first in range(0, count, 64):
        begin, end = edges[:-1][first : first + 64, None], edges[1:][first : first + 64, None]
        row = begin + np.arange(max(int((end - begin).max()), 1))
        yield np.minimum(row, len(frame) - 1), row < end


def _ordered(observed: Observed) -> Observed:
    order = np.lexsort([observed.at_px, observed.frame])
    return Observed(*(getattr(observed, name)[order] for name in Observed.__dataclass_fields__))


class NormalEquations:
    """Least squares of a sparse system whose rows are freed of the scale and the correlation of their errors;
    neither the rows nor what is alike in all frames is there for all frames at once."""

    def __init__(self, size: int, own: int):
        self.size, self.own = size, own  # the first `own` unknowns belong to single frames
        self.shared = np.zeros((size - own, size - own))
        self.right = np.zeros(size)
        self.entries: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []  # row, column, value

    def add(self, columns: Arrays, values: Arrays, right: np.ndarray, err: float | np.ndarray = 1.0) -> None:
        """Rows sum(value x[column]) = right +- err, independent."""
        for column, value in zip(columns, values, strict=True):
            weighted = value / np.square(err)
            np.add.at(self.right, column, weighted * right)
            self.entries += [(column, c, weighted * v) for c, v in zip(columns, values, strict=True)]

    def add_alike(
        self,
        columns: Arrays,
        values: Arrays,
        right: np.ndarray,
        parts: Iterable[Part],
        each: np.ndarray | None = None,
    ) -> None:
        """Such rows with a covariance for each frame; unknowns of `columns` are the same in all rows of a
        frame, and `each` is one of the row's own, times 1."""
        numbers, table = np.array(columns, int).reshape(-1, len(right)), np.column_stack([*values, right])
        for part in parts:
            inverse = np.linalg.inv(part.covariance) * part.seen[:, :, None]
            rows = table[part.row] * part.seen[:, :, None]
            weighted = inverse @ rows
            square = rows.transpose(0, 2, 1) @ weighted
            shared = numbers[:, part.row[:, 0]].T
            self._put(shared[:, :, None], shared[:, None, :], square[:, :-1, :-1])
            np.add.at(self.right, shared, square[:, :-1, -1])
            if each is not None:
                own = each[part.row]
                self._put(own[:, :, None], shared[:, None, :], weighted[:, :, :-1])
                self._put(shared[:, None, :], own[:, :, None], weighted[:, :, :-1])
                self._put(own[:, :, None], own[:, None, :], inverse * part.seen[:, None, :])
                np.add.at(self.right, own, weighted[:, :, -1])

    def _put(self, row: np.ndarray, column: np.ndarray, value: np.ndarray) -> None:
        """Values at places of the matrix, added to what is there; all three of shapes that fit together."""
        row, column, value = (part.ravel() for part in np.broadcast_arrays(row, column, value))
        shared, size = (row >= self.own) & (column >= self.own), len(self.shared)
        place = (row[shared] - self.own) * size + column[shared] - self.own
        self.shared += np.bincount(place, value[shared], size * size).reshape(size, size)
        self.entries.append((row[~shared], column[~shared], value[~shared]))

    def from_frame_to_frame(
        self, columns: np.ndarray, stays: np.ndarray, more: np.ndarray, err: np.ndarray
    ) -> None:
        """An unknown of each of n frames: that of the frame before times `stays`, and `more`, +- err;
        (n - 1,) each."""
        if len(err):
            self.add([columns[1:], columns[:-1]], [np.ones(len(err)), -stays], more, err)

    def built(self) -> tuple[csc_matrix, np.ndarray]:
        """The matrix (unknowns, unknowns) and its right side (unknowns,)."""
        row, column = (index.ravel() + self.own for index in np.indices(self.shared.shape))
        rows, columns, values = zip(*self.entries, (row, column, self.shared.ravel()), strict=True)
        places = np.concatenate(rows), np.concatenate(columns)
        return coo_matrix((np.concatenate(values), places), (self.size, self.size)).tocsc(), self.right
