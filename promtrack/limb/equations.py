"""The lock's equations: the sparse linear system of a whole sequence for a given noise, and its solution.
They stand in docs/methods.md, "The lock on the limb"; `noise` estimates the noise, `solve` alternates both.

Observed in frame i, against a provisional circle: the edge's offset e in bins of limb, and the shifts along
(a) and across (x) of blocks of the limb zone against the template. With n pointing outward and t along the
limb towards larger angle
    e = n . (c_i + t u_i) + dR + bias + relief(bin) + beta w_i + s_i
    a = t . (c_i + d_i) + turn_i + carried_i
    x = n . (c_i + d_i)
where w_i is by how much the edge of the frame is wider than usual and d_i how far the template's Sun stands
beside the frame's, and rows for what is known beforehand: relief, beta and s_i are small, d_i walks slowly at
random, the slip u_i of the edge along the limb lasts as long as spicules do, the bias of the edge is known to
a part of the limb's width, optics state the radius, headers the centres.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.sparse import csc_matrix, identity
from scipy.sparse.linalg import SuperLU, splu

from promtrack.limb.measure import FrameMeasure
from promtrack.limb.observations import (
    EdgeNoise,
    FeatureNoise,
    Noise,
    NormalEquations,
    Observed,
    along_limb,
    blocks_of,
    edges_of,
)
from promtrack.limb.records import Known, Terms

HELD_PX = 1e-3  # 1 sigma of what a term that is not in use may be


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """Columns of the unknowns in the system: six a frame, then those that all frames share."""

    x: np.ndarray  # (n,) of the centres, as the next
    y: np.ndarray
    offset: np.ndarray  # of the whole edge, s
    level_along: np.ndarray  # of the features against the frame's Sun, d, along the limb
    level_across: np.ndarray  # and across it
    slip: np.ndarray  # of the edge along the limb, u
    relief: np.ndarray  # (bins,)
    radius: np.ndarray  # (1,) dR
    bias: np.ndarray  # (1,) of the edge
    header: np.ndarray  # (2,) x and y of the headers against the limb
    turn: np.ndarray  # (4,) coefficients of powers of the time since the first frame in parts of all
    beta: np.ndarray  # (1,) how far the edge moves for each px that it widens

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return int(self.beta[0]) + 1


OWN = [field.name for field in fields(Unknowns)].index("relief")  # unknowns that each frame has for itself


class Equations:
    """The system of a sequence without its noise; nothing in it changes."""

    def __init__(self, measures: list[FrameMeasure], time_s: np.ndarray, known: Known, terms: Terms):
        self.known, self.terms = known, terms
        self.n, self.radius_px = len(measures), measures[0].place.radius_px
        self.place_px = np.array([(m.place.x_px, m.place.y_px) for m in measures])
        self.laid_px = np.radians([m.place.turn_deg for m in measures]) * self.radius_px
        self.step_s = np.diff(time_s)
        span = max(float(np.ptp(time_s)), 1e-9)
        self.hours = span / 3600.0
        self.phase = np.vander((time_s - time_s[0]) / span, 4, increasing=True)
        # of each frame by itself the shift by blur is more noise than shift
        edge, blur_px = edges_of(measures), float(np.median([m.signs.blur_px for m in measures]))
        self.edge = replace(edge, value_px=edge.value_px - blur_px)
        self.along, self.across = blocks_of(
            measures if terms.features else [], self.laid_px - known.carried_px
        )
        bins, self.edge_bin = np.unique(self.edge.bin, return_inverse=True)
        at = along_limb(bins * measures[0].bin_deg, self.radius_px)
        self.bins = Observed(np.zeros(len(at), int), at, 0 * at, 0 * at, at, bins)  # of the relief
        self.axes = self._axes()
        self.slipping = (self.edge.unit * self.axes[self.edge.frame, 1]).sum(1)
        width = np.array([m.signs.width_px for m in measures])
        self.wider_px = np.log(width / np.median(width)) * np.median(width) * terms.width
        self.free_turn = known.turn_px is None and bool(len(self.along.frame))
        own, shared = np.split(np.arange(OWN * self.n + len(bins) + 9), [OWN * self.n])
        ends = np.cumsum([len(bins), 1, 1, 2, 4])
        self.unknown = Unknowns(*own.reshape(self.n, OWN).T, *np.split(shared, ends))

    def _axes(self) -> np.ndarray:
        """(n, 2, 2) unit vectors across and along the limb in each frame."""
        mean = np.zeros((self.n, 2))
        np.add.at(mean, self.edge.frame, self.edge.unit)
        mean /= np.maximum(np.bincount(self.edge.frame, minlength=self.n), 1)[:, None]
        angle = np.arctan2(-mean[:, 0], -mean[:, 1]) - self.laid_px / self.radius_px
        middle = np.angle(np.mean(np.exp(1j * angle))) if not self.known.wide else 0.0
        facing = middle + self.laid_px / self.radius_px
        out = np.column_stack([-np.sin(facing), -np.cos(facing)])
        return np.stack([out, np.column_stack([-np.cos(facing), np.sin(facing)])], axis=1)

    def solved(self, noise: Noise) -> Solved:
        """The system solved with this noise."""
        matrix, right = self._rows(noise)
        normal = (matrix + 1e-10 * identity(self.unknown.size)).tocsc()
        factor = splu(normal, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
        return Solved(self, noise, factor.solve(right), normal, factor)

    def _rows(self, noise: Noise) -> tuple[csc_matrix, np.ndarray]:
        u, rows = self.unknown, NormalEquations(self.unknown.size, OWN * self.n)
        self._edge_rows(rows, noise)
        self._feature_rows(rows, "along", noise.along)
        self._feature_rows(rows, "across", noise.across)
        relief = noise.relief if self.terms.relief else replace(noise.relief, err_px=HELD_PX)
        one, bins = np.ones(1), len(u.relief)
        rows.add_alike([], [], np.zeros(bins), relief.by_frame(self.bins), u.relief)
        # an edge unlike the usual one may also lie elsewhere by itself, as far as it is wider or narrower
        offset = np.hypot(noise.offset_err_px, self.wider_px) if self.terms.edge_offset else HELD_PX
        rows.add([u.offset], [np.ones(self.n)], np.zeros(self.n), offset)
        # Cloud lets less of a burnt-out disc clip, which widens its edge and moves it inward: beta is -2.0 +-
        # 0.4, -0.5 +- 0.6 and -1.0 +- 0.7 px for each px in three recordings under cloud.
        rows.add([u.beta], [one], np.zeros(1), 2.0)
        rows.add([u.slip[:1]], [one], np.zeros(1), noise.slip_err_px)
        stays = np.exp(-self.step_s / noise.slip_s)
        step = noise.slip_err_px * np.sqrt(1 - stays**2) + 1e-6
        none = np.zeros(self.n - 1)
        rows.from_frame_to_frame(u.slip, stays, none, step)
        joint_err_px = np.minimum(self.known.joint_err_px, 1e3)
        for level, kind, joint_px, err_px in (
            (u.level_along, noise.along, self.known.joint_px, joint_err_px),
            (u.level_across, noise.across, none, none),
        ):
            rows.add([level[:1]], [one], np.zeros(1), 1e3)
            step = np.sqrt(kind.walk_px2_s * np.maximum(self.step_s, 1.0)) + 1e-6
            step = step if self.terms.level else np.full(self.n - 1, HELD_PX)
            rows.from_frame_to_frame(level, none + 1.0, joint_px, np.hypot(step, err_px))
        self._stated_rows(rows)
        return rows.built()

    def _edge_rows(self, rows: NormalEquations, noise: Noise) -> None:
        u, frame = self.unknown, self.edge.frame
        ones, every = np.ones(len(frame)), 0 * frame
        columns = [u.x[frame], u.y[frame], u.offset[frame], u.slip[frame]]
        columns += [u.radius[every], u.bias[every], u.beta[every]]
        values = [*self.edge.unit.T, ones, self.slipping, ones, ones, self.wider_px[frame]]
        parts, relief = noise.edge.by_frame(self.edge, self.n), u.relief[self.edge_bin]
        rows.add_alike(columns, values, self.edge.value_px, parts, relief)

    def _feature_rows(self, rows: NormalEquations, kind: str, noise: FeatureNoise) -> None:
        u, observed = self.unknown, self.along if kind == "along" else self.across
        frame, value = observed.frame, observed.value_px
        if not len(frame) or (self.known.wide and kind == "across"):
            return
        if self.known.wide:
            columns, values = [u.level_along[frame]], [np.ones(len(frame))]
        else:
            columns = [u.x[frame], u.y[frame], u.level_along[frame], u.level_across[frame]]
            values = [*observed.unit.T, *self._apart(observed)]
        if kind == "along":
            if self.free_turn:
                columns += [column + 0 * frame for column in u.turn]
                values += list(self.phase[frame].T)
            elif self.known.turn_px is not None:
                value = value - self.known.turn_px[frame]
        rows.add_alike(columns, values, value, noise.alike.by_frame(observed, noise.weight, self.n))

    def _apart(self, observed: Observed) -> np.ndarray:
        """(2, m) parts in the directions of observations of how far the template's Sun stands beside the
        frame's: of its level along the limb, and across it."""
        return np.einsum("maj,mj->am", self.axes[observed.frame], observed.unit)[::-1]

    def _stated_rows(self, rows: NormalEquations) -> None:
        known, u, one = self.known, self.unknown, np.ones(1)
        rows.add([u.bias], [one], np.zeros(1), max(known.edge_bias_px, 1e-4))
        if known.radius_px is not None:
            rows.add([u.radius], [one], np.array([known.radius_px - self.radius_px]), 1e-5)
        elif known.optics_px is not None:
            radius_px, err_px = known.optics_px
            rows.add([u.radius], [one], np.array([radius_px - self.radius_px]), err_px)
        rows.add([u.header], [np.ones(2)], np.zeros(2), known.header_err_px)
        if known.header_px is not None:
            has = np.flatnonzero(np.isfinite(known.header_px).all(axis=1))
            for axis, centre in enumerate((u.x, u.y)):
                columns = [centre[has], np.full(len(has), u.header[axis])]
                value = known.header_px[has, axis] - self.place_px[has, axis]
                ones = np.ones(len(has))
                rows.add(columns, [ones, ones], value, known.header_frame_px)
        # 1 sigma of a field's rotation an hour, its change, and the change of that
        rates = np.radians([15.0, 4.0, 1.5]) * self.hours ** np.arange(1, 4)
        sigma = self.radius_px * np.array([np.pi, *rates]) + 1e-3
        rows.add([u.turn], [np.ones(4)], np.zeros(4), sigma)


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """The solution of the system for one noise."""

    equations: Equations
    noise: Noise
    x: np.ndarray  # (unknowns,)
    normal: csc_matrix
    factor: SuperLU  # of `normal`

    def residual(self, kind: str) -> np.ndarray:
        """(m,) px that the solution leaves of the observations of one kind: 'edge', 'along' or 'across'."""
        e, u, x = self.equations, self.equations.unknown, self.x
        observed = {"edge": e.edge, "along": e.along, "across": e.across}[kind]
        frame = observed.frame
        model = observed.unit[:, 0] * x[u.x[frame]] + observed.unit[:, 1] * x[u.y[frame]]
        if kind == "edge":
            model += x[u.offset[frame]] + x[u.relief[e.edge_bin]] + x[u.radius] + x[u.bias]
            model += e.slipping * x[u.slip[frame]]
            return observed.value_px - model - x[u.beta] * e.wider_px[frame]
        if e.known.wide:
            model = x[(u.level_along if kind == "along" else u.level_across)[frame]]
        else:
            along, across = e._apart(observed)
            model = model + along * x[u.level_along[frame]] + across * x[u.level_across[frame]]
        return observed.value_px - model - (self.turn_px()[frame] if kind == "along" else 0.0)

    def turn_px(self) -> np.ndarray:
        """(n,) turn as modelled, a displacement at the limb."""
        e = self.equations
        if e.free_turn:
            return e.phase @ self.x[e.unknown.turn]
        return np.zeros(e.n) if e.known.turn_px is None else e.known.turn_px

    def edge_alone(self, noise: EdgeNoise) -> tuple[np.ndarray, np.ndarray]:
        """(n, 3, 3) normal equations and (n, 3) right sides of every frame's edge alone, for its centre and
        the growth of its radius."""
        e, u, x = self.equations, self.equations.unknown, self.x
        offset = e.edge.value_px - x[u.relief[e.edge_bin]] - x[u.radius] - x[u.bias]
        offset = offset - x[u.beta] * e.wider_px[e.edge.frame]
        rows = np.column_stack([e.edge.unit, np.ones(len(offset)), offset])
        square = []
        for part in noise.by_frame(e.edge, e.n):
            seen = rows[part.row] * part.seen[:, :, None]
            square.append(seen.transpose(0, 2, 1) @ np.linalg.solve(part.covariance, seen))
        normal = np.concatenate(square)
        return normal[:, :3, :3], normal[:, :3, 3]

    def chain(self) -> np.ndarray:
        """(n, 6, 6) covariance of each frame's unknowns, what all frames share being held: the inverse's
        blocks on the diagonal, since a frame is tied to its two neighbours only."""
        n, end = self.equations.n, OWN * self.equations.n
        blocks = self.normal[:end, :end].tobsr((OWN, OWN))
        diagonal, beside = np.zeros((n, OWN, OWN)), np.zeros((n, OWN, OWN))
        for i in range(n):
            for k in range(blocks.indptr[i], blocks.indptr[i + 1]):
                if blocks.indices[k] == i:
                    diagonal[i] = blocks.data[k]
                elif blocks.indices[k] == i + 1:
                    beside[i] = blocks.data[k]
        before, after = diagonal.copy(), diagonal.copy()
        for i in range(1, n):
            before[i] -= beside[i - 1].T @ np.linalg.solve(before[i - 1], beside[i - 1])
        for i in range(n - 2, -1, -1):
            after[i] -= beside[i] @ np.linalg.solve(after[i + 1], beside[i].T)
        return np.linalg.inv(before + after - diagonal)
