"""One robust least-squares solution for a whole sequence: what the frames show in, every centre and the one
radius with their errors out. The equations stand in docs/methods.md, "The lock on the limb".

Observed in frame i, against a provisional circle: the edge's offset e in bins of limb, and the shifts along
(a) and across (x) of blocks of the limb zone against the template. With n pointing outward and t along the
limb towards larger angle
    e = n . c_i + dR + bias + relief(bin) + beta w_i + s_i
    a = t . c_i + turn_i + along level_i + carried_i
    x = n . c_i + across level_i
where w_i is by how much the edge of the frame is wider than usual, and rows for what is known beforehand:
relief, beta and s_i are small, the levels walk slowly at random, the bias of the edge is known to a part of
the limb's width, optics state the radius, headers the centres.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.linalg import solve_triangular
from scipy.sparse import coo_matrix, csc_matrix
from scipy.sparse.linalg import splu

from promtrack.checks import Check
from promtrack.limb.block_noise import BlockNoise, fit_block_noise, fit_edge_noise
from promtrack.limb.circle import MAD, biweight
from promtrack.limb.measure import FrameMeasure

BLOCK = 5  # unknowns a frame: centre x, centre y, edge offset, level along, level across
LOCAL = 6  # rounds of reweighting; the centres move by less than 0.002 px in the last
# OpenCV samples a picture at positions rounded to 1/32 px: 0.009 px rms where all the limb shares the
# rounding, half on an arc
SAMPLING_PX = 0.0045
LEAST_EDGE_PX = 0.003  # scatter of a bin of edge below which nothing is measured
NEIGHBOURS = 4  # bins of edge before each that foretell it
HELD_PX = 1e-3  # 1 sigma of what a term that is not in use may be
RELIEF_PX = 0.5  # to start from, as the next
OFFSET_PX = 0.3
# Cloud lets less of a burnt-out disc clip, which widens its edge and moves it inward: beta is -2.0 +- 0.4,
# -0.5 +- 0.6 and -1.0 +- 0.7 in three recordings under cloud.
MOVED_BY_WIDTH = 2.0  # 1 sigma of beta: px that the edge moves for each px that it widens
TURN_RATES = np.radians(
    [15.0, 4.0, 1.5]
)  # 1 sigma of a field's rotation an hour, its change, and the change of that


@dataclass(frozen=True, slots=True)
class Terms:
    """Which terms of the system are in use; all but for the ablation (tests/benchmarks/ablation.py)."""

    features: bool = True  # shifts of blocks against the template
    relief: bool = True  # of the limb, the same in all frames
    edge_offset: bool = True  # of a frame's whole edge: blur, the fringe's brightness
    width: bool = True  # part of that offset which goes with the edge's width
    level: bool = True  # slow drift of the features against the limb
    correlation: bool = True  # of neighbouring limb, one length
    robust: bool = True  # reweighting
    rotation: bool = True  # the Sun's, carrying the features
    header: bool = True  # centres stated in headers


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What is known beforehand of a sequence of n frames."""

    wide: bool  # so much limb that its circle alone places the Sun: features have no part in the centres
    turn_px: (
        np.ndarray | None
    )  # (n,) turn of the field as a displacement at the limb; None: it is to be found
    carried_px: np.ndarray  # (n,) by the Sun's rotation, of the features along the limb
    joint_px: np.ndarray  # (n - 1,) 1 sigma of a new template's place on the one before, 0 within a template
    edge_bias_px: float  # 1 sigma of where the edge lies against the limb, the same in all frames
    rough: bool = False  # loops stand all along the limb: its shape says half as much as its scatter promises
    optics_px: tuple[float, float] | None = None  # radius and its 1 sigma
    radius_px: float | None = None  # held
    header_px: np.ndarray | None = None  # (n, 2) centres; nan in frames without a header
    header_err_px: float = np.inf  # 1 sigma, common to all frames
    header_frame_px: float = np.inf  # 1 sigma from frame to frame
    header_check: Check | None = None  # headers against the limb, solved without them


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Places of n frames, and what was found on the way."""

    centre_px: np.ndarray  # (n, 2)
    across_err_px: np.ndarray  # (n,) 1 sigma against the mean of all frames, across the limb
    along_err_px: np.ndarray  # and along it
    common_err_px: np.ndarray  # (2,) 1 sigma of the mean of all centres, across and along
    turn_px: np.ndarray  # (n,) displacement at the limb
    turn_err_px: np.ndarray
    radius_px: float
    radius_err_px: float
    frame_radius_px: np.ndarray  # (n,) of each frame alone
    frame_radius_err_px: np.ndarray
    edge_centre_px: np.ndarray  # (n, 2) of each frame's edge alone, with the common radius and relief
    edge_err_px: np.ndarray  # (n, 2) its 1 sigma across and along
    feature_px: np.ndarray  # (n,) shift along that the features alone give; nan where there are none
    feature_err_px: np.ndarray
    axes: np.ndarray  # (n, 2, 2) unit vectors across and along the limb
    correlation_px: float  # length along the limb
    offset_px: float  # 1 sigma of the edge's common offset
    own_radius_px: tuple[float, float] = (np.nan, np.nan)  # of the limb alone, and its 1 sigma


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """Observations of one kind in all frames, in order of frame and place along the limb."""

    frame: np.ndarray  # (m,)
    at_px: np.ndarray  # (m,) place along the limb
    value_px: np.ndarray  # (m,)
    err_px: np.ndarray  # (m,) each one's own
    unit: np.ndarray  # (m, 2) outward, or along
    bin: np.ndarray  # (m,) number of the bin of limb


def solve(measures: list[FrameMeasure], time_s: np.ndarray, known: Known, terms: Terms = Terms()) -> Solution:
    """Centre and turn of every frame, with one radius.

    Parameters
    ----------
    measures : (n) all laid on the same provisional radius
    time_s : (n,) never falling
    """
    system = System(measures, time_s, known, terms)
    system.iterate()
    return system.solution()


class System:
    """The equations with their weights; an accumulator changed in place, round by round."""

    def __init__(self, measures: list[FrameMeasure], time_s: np.ndarray, known: Known, terms: Terms):
        self.measures, self.known, self.terms = measures, known, terms
        self.n, self.radius = len(measures), measures[0].place.radius_px
        self.place = np.array([(m.place.x_px, m.place.y_px) for m in measures])
        self.laid_px = np.radians([m.place.turn_deg for m in measures]) * self.radius
        self.step_s = np.diff(time_s)
        span = max(float(np.ptp(time_s)), 1e-9)
        self.hours = span / 3600.0
        self.phase = np.vander((time_s - time_s[0]) / span, 4, increasing=True)
        self.edge = _edges(measures)
        self.along, self.across = _blocks(measures if terms.features else [], self.laid_px - known.carried_px)
        self.bins, self.edge_bin = np.unique(self.edge.bin, return_inverse=True)
        along = _along_limb(self.bins * measures[0].bin_deg, self.radius)
        self.order = np.argsort(along)  # of the bins along the limb
        self.bin_at = Observed(np.zeros(len(along)), along[self.order], 0 * along, along, along, self.bins)
        self.axes = self._axes()
        width = np.array([m.signs.width_px for m in measures])
        self.wider_px = np.log(width / np.median(width)) * np.median(width) * terms.width
        self.free_turn = known.turn_px is None and bool(len(self.along.frame))
        border = len(self.bins) + 4 + 4 + 1
        self.size = BLOCK * self.n + border
        self.first_bin = BLOCK * self.n
        self.radius_at = self.first_bin + len(
            self.bins
        )  # then bias, header x and y, four turn coefficients, beta
        # scatter of each observation and weights, refined round by round
        self.edge_err = np.full(self.n, 0.3)
        self.relief_err = RELIEF_PX
        self.offset_err = OFFSET_PX
        # along the limb, in units of the scatter: of the edge in a frame, and of the relief
        length = 20.0 if terms.correlation else 1e-3
        self.edge_noise = self.relief_noise = BlockNoise(1.0, length, 0.0, 0.3)
        self.noise = {"along": BlockNoise(), "across": BlockNoise()}
        self.walk = {"along": 0.01**2, "across": 0.01**2}  # px2 a second
        self.weight = {
            "edge": np.ones(len(self.edge.frame)),
            "along": np.ones(len(self.along.frame)),
            "across": np.ones(len(self.across.frame)),
            "relief": np.ones(len(self.bins)),
        }
        self.x = np.zeros(self.size)

    def _axes(self) -> np.ndarray:
        mean = np.zeros((self.n, 2))
        np.add.at(mean, self.edge.frame, self.edge.unit)
        mean /= np.maximum(np.bincount(self.edge.frame, minlength=self.n), 1)[:, None]
        angle = np.arctan2(-mean[:, 0], -mean[:, 1]) - self.laid_px / self.radius
        middle = np.angle(np.mean(np.exp(1j * angle))) if not self.known.wide else 0.0
        facing = middle + self.laid_px / self.radius
        out = np.column_stack([-np.sin(facing), -np.cos(facing)])
        return np.stack([out, np.column_stack([-np.cos(facing), np.sin(facing)])], axis=1)

    def iterate(self) -> None:
        """Solve and reweight until nothing moves."""
        for turn in range(LOCAL):
            self._solve()
            self._reweight(turn)
        # parts of the limb that stand out take no part in the fit, but others like them may
        relief, _ = self._relief(self.residual("edge"))
        self.relief_err = max(self.relief_err, float(np.sqrt(np.mean(relief**2)))) * (1.0 + self.known.rough)
        self._solve()

    def _solve(self) -> None:
        matrix, right = self._rows()
        self.normal = (matrix.T @ matrix + 1e-10 * _identity(self.size)).tocsc()
        self.factor = splu(self.normal, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
        self.x = self.factor.solve(matrix.T @ right)

    # --- rows -----------------------------------------------------------------------------------------

    def _rows(self) -> tuple[csc_matrix, np.ndarray]:
        rows = Rows(self.size)
        known, n = self.known, self.n
        frame = BLOCK * self.edge.frame
        ones = np.ones(len(frame))
        columns = [frame, frame + 1, frame + 2, self.first_bin + self.edge_bin]
        columns += [self.radius_at + 0 * frame, self.radius_at + 1 + 0 * frame, self.size - 1 + 0 * frame]
        values = [*self.edge.unit.T, ones, ones, ones, ones, self.wider_px[self.edge.frame]]
        edge = replace(self.edge, err_px=self.edge_err[self.edge.frame])
        rows.correlated(columns, values, edge, self.weight["edge"], self.edge_noise)
        for name, observed, level in (("along", self.along, 3), ("across", self.across, 4)):
            if not len(observed.frame) or (known.wide and name == "across"):
                continue
            frame = BLOCK * observed.frame
            ones = np.ones(len(frame))
            # the template's Sun stands beside the frames' by a vector, which drifts: its parts along the axes
            apart = np.einsum("maj,mj->am", self.axes[observed.frame], observed.unit)
            columns, values = [frame, frame + 1, frame + 3, frame + 4], [*observed.unit.T, *apart[::-1]]
            value = observed.value_px
            if known.wide:
                columns, values = [frame + level], [ones]
            if name == "along":
                if self.free_turn:
                    columns += [self.radius_at + 4 + k + 0 * frame for k in range(4)]
                    values += list(self.phase[observed.frame].T)
                elif known.turn_px is not None:
                    value = value - known.turn_px[observed.frame]
            rows.mixed(columns, values, value, self._covariances(name), observed)
        bins = self.first_bin + self.order
        relief = self.relief_err if self.terms.relief else HELD_PX
        at = replace(self.bin_at, err_px=np.full(len(bins), relief))
        rows.correlated(
            [bins], [np.ones(len(bins))], at, self.weight["relief"][self.order], self.relief_noise
        )
        every = BLOCK * np.arange(n)
        # an edge unlike the usual one may also lie elsewhere by itself, as far as it is wider or narrower
        offset = np.hypot(self.offset_err, self.wider_px) if self.terms.edge_offset else HELD_PX
        rows.add([every + 2], [np.ones(n)], np.zeros(n), offset)
        rows.add([np.array([self.size - 1])], [np.ones(1)], np.zeros(1), MOVED_BY_WIDTH)
        for name, level in (("along", 3), ("across", 4)):
            rows.add([np.array([level])], [np.ones(1)], np.zeros(1), 1e3)
            if n > 1:
                step = np.sqrt(self.walk[name] * np.maximum(self.step_s, 1.0)) + 1e-6
                step = step if self.terms.level else np.full(n - 1, HELD_PX)
                step = np.hypot(step, np.minimum(self.known.joint_px, 1e3)) if name == "along" else step
                both = [every[1:] + level, every[:-1] + level]
                rows.add(both, [np.ones(n - 1), -np.ones(n - 1)], np.zeros(n - 1), step)
        self._stated_rows(rows)
        return rows.built()

    def _stated_rows(self, rows: Rows) -> None:
        """Rows for what is known beforehand."""
        known, one, at = self.known, np.ones(1), self.radius_at
        rows.add([np.array([at + 1])], [one], np.zeros(1), max(known.edge_bias_px, 1e-4))
        if known.radius_px is not None:
            rows.add([np.array([at])], [one], np.array([known.radius_px - self.radius]), 1e-5)
        elif known.optics_px is not None:
            rows.add(
                [np.array([at])], [one], np.array([known.optics_px[0] - self.radius]), known.optics_px[1]
            )
        rows.add([np.array([at + 2]), np.array([at + 3])], [one, 0 * one], np.zeros(1), known_error(known))
        rows.add([np.array([at + 3])], [one], np.zeros(1), known_error(known))
        if known.header_px is not None:
            has = np.flatnonzero(np.isfinite(known.header_px).all(axis=1))
            for axis in range(2):
                columns = [BLOCK * has + axis, np.full(len(has), at + 2 + axis)]
                value = known.header_px[has, axis] - self.place[has, axis]
                ones = np.ones(len(has))
                rows.add(columns, [ones, ones], value, known.header_frame_px)
        sigma = self.radius * np.array([np.pi, *(TURN_RATES * self.hours ** np.arange(1, 4))]) + 1e-3
        for k in range(4):
            rows.add([np.array([at + 4 + k])], [one], np.zeros(1), sigma[k])

    def _covariances(self, kind: str) -> list[np.ndarray]:
        """Of the blocks of every frame: their own errors, and what the air and the plasma do to neighbours
        alike."""
        observed = self.along if kind == "along" else self.across
        noise, lost = self.noise[kind], 1 / self.weight[kind] - 1
        covariances = []
        for part in _by_frame(observed.frame, self.n):
            covariance = noise.covariance(observed.at_px[part], observed.err_px[part])
            covariances.append(covariance + np.diag(np.diag(covariance) * lost[part]))
        return covariances

    # --- residuals and weights ------------------------------------------------------------------------

    def residual(self, kind: str) -> np.ndarray:
        """What the solution leaves of the observations of one kind."""
        x, at = self.x, self.radius_at
        observed = {"edge": self.edge, "along": self.along, "across": self.across}[kind]
        frame = BLOCK * observed.frame
        model = observed.unit[:, 0] * x[frame] + observed.unit[:, 1] * x[frame + 1]
        if kind == "edge":
            return (
                observed.value_px
                - model
                - x[frame + 2]
                - x[self.first_bin + self.edge_bin]
                - x[at]
                - x[at + 1]
                - x[-1] * self.wider_px[observed.frame]
            )
        if self.known.wide:
            model = x[frame + (3 if kind == "along" else 4)]
        else:
            apart = np.einsum("maj,mj->am", self.axes[observed.frame], observed.unit)
            model = model + apart[1] * x[frame + 3] + apart[0] * x[frame + 4]
        return observed.value_px - model - (self.turn()[observed.frame] if kind == "along" else 0.0)

    def turn(self) -> np.ndarray:
        """(n,) turn as modelled, a displacement at the limb."""
        if self.free_turn:
            return self.phase @ self.x[self.radius_at + 4 : self.radius_at + 8]
        return np.zeros(self.n) if self.known.turn_px is None else self.known.turn_px

    def _reweight(self, turn: int) -> None:
        edge = self.residual("edge")
        seen = np.bincount(self.edge.frame, minlength=self.n)
        usual = MAD * float(np.median(np.abs(edge)))
        parts = np.split(np.abs(edge), np.cumsum(seen)[:-1])
        own = np.array([MAD * np.median(part) if len(part) else usual for part in parts])
        # a frame's own scatter, drawn to the usual one as if that were known from sixteen bins more
        self.edge_err = np.sqrt((seen * own**2 + 16.0 * usual**2) / (seen + 16.0))
        self.edge_err = np.maximum(self.edge_err, max(0.5 * usual, LEAST_EDGE_PX))
        pull = edge / self.edge_err[self.edge.frame]
        self.weight["edge"] = self._weight(pull, turn)
        relief, noise = self._relief(edge)
        self.relief_err = float(np.sqrt(max((MAD * np.median(np.abs(relief))) ** 2 - noise**2, 0.01**2)))
        self.weight["relief"] = self._weight(relief / np.hypot(self.relief_err, noise), turn)
        if turn in (1, 3) and self.terms.correlation:
            self.edge_noise = fit_edge_noise(self._edge_table(edge))
            self.relief_noise = fit_edge_noise(self._relief_table(relief))
        for name, observed in (("along", self.along), ("across", self.across)):
            if not len(observed.frame):
                continue
            left = self.residual(name)
            if turn in (1, 3) and self.terms.correlation:
                self.noise[name] = self._fit_block_noise(name)
            self.weight[name] = self._weight(left / self.noise[name].err_px(observed.err_px), turn)
            self.walk[name] = self._walk(name, left, observed)
        offset = self.x[2 : BLOCK * self.n : BLOCK]
        variance = np.mean(self._chain()[:, 2, 2])
        self.offset_err = float(np.sqrt(max((MAD * np.median(np.abs(offset))) ** 2 + variance, 1e-6)))

    def _weight(self, pull: np.ndarray, turn: int) -> np.ndarray:
        if not self.terms.robust:
            return np.ones(len(pull))
        # a long-tailed weight lets the majority win before anything is cut off
        weight = 1 / (1 + (pull / 2.385) ** 2) if turn < 2 else biweight(pull)
        return np.maximum(weight, 1e-4)

    def _relief(self, residual: np.ndarray) -> tuple[np.ndarray, float]:
        """(bins,) relief as the frames have it, before it is drawn to zero, and the noise of that."""
        weight = self.weight["edge"]
        total = np.bincount(self.edge_bin, weights=weight, minlength=len(self.bins))
        value = residual + self.x[self.first_bin + self.edge_bin]
        mean = np.bincount(self.edge_bin, weights=weight * value, minlength=len(self.bins)) / np.maximum(
            total, 1e-9
        )
        return mean, float(np.median(self.edge_err) / np.sqrt(max(float(np.median(total)), 1.0)))

    def _edge_table(self, residual: np.ndarray) -> np.ndarray:
        table = np.full((self.n, len(self.bins), 6), np.nan)
        ones = np.ones(len(residual))
        scaled = residual / self.edge_err[self.edge.frame]
        columns = np.column_stack([scaled, self.edge.at_px, ones, self.edge.unit, ones])
        kept = self.weight["edge"] > 0.2
        table[self.edge.frame[kept], self.edge_bin[kept]] = columns[kept]
        return table

    def _relief_table(self, relief: np.ndarray) -> np.ndarray:
        theta = (self.bins + 0.5) * self.measures[0].bin_deg
        unit, ones = np.radians(theta), np.ones(len(theta))
        at = _along_limb(theta, self.radius)
        columns = np.column_stack([relief / self.relief_err, at, ones, -np.sin(unit), -np.cos(unit), ones])
        return columns[None, self.weight["relief"] > 0.2]

    def _fit_block_noise(self, kind: str) -> BlockNoise:
        observed = self.along if kind == "along" else self.across
        table = np.full((self.n, int(observed.bin.max()) + 1, 5), np.nan)
        columns = np.column_stack([self.residual(kind), observed.at_px, observed.err_px, observed.unit])
        kept = self.weight[kind] > 0.2
        table[observed.frame[kept], observed.bin[kept]] = columns[kept]
        return fit_block_noise(table)

    def _walk(self, kind: str, residual: np.ndarray, observed: Observed) -> float:
        """Variance a second of the features' common drift, px2: that of single blocks against the others,
        less what is there from frame to frame, over the number of independent blocks."""
        if self.n < 8:
            return 0.01**2
        table = np.full((self.n, int(observed.bin.max()) + 1), np.nan)
        table[observed.frame, observed.bin] = residual
        lag = self.n // 3
        short = table[1:] - table[:-1]
        long = table[lag:] - table[:-lag]
        time = np.concatenate([[0.0], np.cumsum(self.step_s)])
        away = float(np.mean(time[lag:] - time[:-lag]) - np.mean(self.step_s))
        if not (np.isfinite(short).any() and np.isfinite(long).any()) or away <= 0:
            return 0.01**2
        grown = (MAD * np.nanmedian(np.abs(long))) ** 2 - (MAD * np.nanmedian(np.abs(short))) ** 2
        part = max(_by_frame(observed.frame, self.n), key=lambda part: part.stop - part.start)
        alike = self.noise[kind].likeness(observed.at_px[part])
        count = float(np.linalg.solve(alike + 1e-9 * np.eye(len(alike)), np.ones(len(alike))).sum())
        return float(max(grown, 1e-5) / away / max(count, 1.0))

    def _alike(self, apart_px: float) -> float:
        """Observations that count as one where each is correlated with its neighbours."""
        rho = np.exp(-abs(apart_px) / self.edge_noise.length_px)
        return (1 + rho) / (1 - rho)

    # --- errors ---------------------------------------------------------------------------------------

    def _chain(self) -> np.ndarray:
        """(n, 5, 5) covariance of each frame's unknowns, what all frames share being held: the inverse's
        blocks on the diagonal, since a frame is tied to its two neighbours only."""
        end = BLOCK * self.n
        blocks = self.normal[:end, :end].tobsr((BLOCK, BLOCK))
        diagonal, beside = np.zeros((self.n, BLOCK, BLOCK)), np.zeros((self.n, BLOCK, BLOCK))
        for i in range(self.n):
            for k in range(blocks.indptr[i], blocks.indptr[i + 1]):
                if blocks.indices[k] == i:
                    diagonal[i] = blocks.data[k]
                elif blocks.indices[k] == i + 1:
                    beside[i] = blocks.data[k]
        before, after = diagonal.copy(), diagonal.copy()
        for i in range(1, self.n):
            before[i] -= beside[i - 1].T @ np.linalg.solve(before[i - 1], beside[i - 1])
        for i in range(self.n - 2, -1, -1):
            after[i] -= beside[i] @ np.linalg.solve(after[i + 1], beside[i].T)
        return np.linalg.inv(before + after - diagonal)

    def solution(self) -> Solution:
        """The places found and their 1-sigma errors, read off the factorised normal equations."""
        x, at = self.x, self.radius_at
        count = BLOCK * np.arange(self.n)
        centre = self.place + np.column_stack([x[count], x[count + 1]])
        across, along, common = self._errors()
        unit = np.zeros(self.size)
        unit[at] = 1.0
        radius_err = float(np.sqrt(max(float(self.factor.solve(unit)[at]), 0.0)))
        turn_err = np.zeros(self.n)
        if self.free_turn:
            unit = np.zeros((self.size, 4))
            unit[at + 4 + np.arange(4), np.arange(4)] = 1.0
            since = self.phase - self.phase[0]
            covariance = self.factor.solve(unit)[at + 4 : at + 8]
            turn_err = np.sqrt(np.einsum("ij,jk,ik->i", since, covariance, since))
        alone = self._edge_alone()
        feature, feature_err = self._features_alone()
        return Solution(
            centre,
            np.hypot(np.maximum(across, self._air()), SAMPLING_PX),
            np.hypot(along, SAMPLING_PX),
            common,
            self.turn(),
            turn_err,
            self.known.radius_px or self.radius + float(x[at]),
            radius_err if self.known.radius_px is None else 0.0,
            alone.radius_px,
            alone.radius_err_px,
            alone.centre_px,
            alone.err_px,
            feature,
            feature_err,
            self.axes,
            self.edge_noise.length_px,
            self.offset_err,
        )

    def _errors(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(n,) 1 sigma of each centre against the mean of all, across and along, and (2,) that of the
        mean."""
        end = BLOCK * self.n
        own = self._chain()[:, :2, :2]
        beta = np.zeros(self.size)
        beta[-1] = 1.0
        beta_variance = self.factor.solve(beta)[-1]
        chain = splu(
            self.normal[:end, :end].tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}
        )
        by_beta = chain.solve(-self.normal[:end, [-1]].toarray().ravel()).reshape(self.n, BLOCK)[:, :2]
        errors, common = [], []
        for axis in range(2):
            u = self.axes[:, axis]
            mean = np.zeros(self.size)
            mean[0:end:BLOCK], mean[1:end:BLOCK] = u[:, 0] / self.n, u[:, 1] / self.n
            with_mean = chain.solve(mean[:end]).reshape(self.n, BLOCK)[:, :2]
            variance = np.einsum("ij,ijk,ik->i", u, own, u) - 2 * (u * with_mean).sum(1)
            variance += mean[:end].reshape(self.n, BLOCK)[:, :2].ravel() @ with_mean.ravel()
            follows = (u * by_beta).sum(1)
            variance += beta_variance * (follows - follows.mean()) ** 2
            errors.append(np.sqrt(np.maximum(variance, 0.0)))
            common.append(np.sqrt(max(float(mean @ self.factor.solve(mean)), 0.0)))
        return errors[0], errors[1], np.array(common)

    def _air(self) -> np.ndarray:
        """(n,) error across the limb of each edge alone, its offset and radius known. The features on the
        limb are seen through the same air and cannot make it smaller, though the rows take them as new."""
        error = np.zeros(self.n)
        lost = 1 / self.weight["edge"] - 1
        for i, part in enumerate(_by_frame(self.edge.frame, self.n)):
            at = self.edge.at_px[part]
            covariance = self.edge_noise.covariance(at, np.ones(len(at)))
            covariance += np.diag(np.diag(covariance) * lost[part])
            outward = self.edge.unit[part] @ self.axes[i, 0]
            if len(at):
                weight = float(outward @ np.linalg.solve(covariance, outward))
                error[i] = self.edge_err[i] * weight**-0.5
        return error

    def _edge_alone(self) -> EdgeAlone:
        """Centre of every frame from its edge alone, and its radius if that is free as well."""
        x, at = self.x, self.radius_at
        offset = self.edge.value_px - x[self.first_bin + self.edge_bin] - x[at] - x[at + 1]
        offset = offset - x[-1] * self.wider_px[self.edge.frame]
        weight = self.weight["edge"] / self.edge_err[self.edge.frame] ** 2
        apart = np.diff(self.edge.at_px)[np.diff(self.edge.frame) == 0]
        weight = weight / self._alike(float(np.median(apart)) if len(apart) else 1e9)
        rows = np.column_stack([self.edge.unit, np.ones(len(offset))])
        normal, right = np.zeros((self.n, 3, 3)), np.zeros((self.n, 3))
        np.add.at(normal, self.edge.frame, weight[:, None, None] * rows[:, :, None] * rows[:, None, :])
        np.add.at(right, self.edge.frame, (weight * offset)[:, None] * rows)
        free = np.linalg.pinv(normal, rcond=1e-12, hermitian=True)
        growth = np.einsum("ij,ij->i", free[:, 2], right)
        held = normal + np.diag([0.0, 0.0, 1 / self.offset_err**2])
        covariance = np.linalg.pinv(held, rcond=1e-12, hermitian=True)
        centre = np.einsum("ijk,ik->ij", covariance, right)[:, :2]
        err = np.sqrt(np.einsum("iaj,ijk,iak->ia", self.axes, covariance[:, :2, :2], self.axes))
        return EdgeAlone(
            self.place + centre,
            err,
            self.radius + float(x[at]) + growth,
            np.sqrt(np.maximum(free[:, 2, 2], 1e-12)),
        )

    def _features_alone(self) -> tuple[np.ndarray, np.ndarray]:
        """(n,) shift along the limb from the blocks alone, less the turn, and its error."""
        value = self.along.value_px - self.turn()[self.along.frame]
        value = value + (self.axes[self.along.frame, 1] * self.place[self.along.frame]).sum(1)
        mean, error = np.full(self.n, np.nan), np.full(self.n, np.nan)
        for i, (part, covariance) in enumerate(
            zip(_by_frame(self.along.frame, self.n), self._covariances("along"), strict=True)
        ):
            if len(covariance):
                weight = np.linalg.solve(covariance, np.ones(len(covariance)))
                mean[i] = float(weight @ value[part]) / float(weight.sum())
                error[i] = float(weight.sum()) ** -0.5
        return mean, error


@dataclass(frozen=True, slots=True, eq=False)
class EdgeAlone:
    """What each frame's edge gives by itself."""

    centre_px: np.ndarray  # (n, 2)
    err_px: np.ndarray  # (n, 2) across and along
    radius_px: np.ndarray  # (n,)
    radius_err_px: np.ndarray


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
        for part, covariance in zip(_by_frame(observed.frame, len(covariances)), covariances, strict=True):
            if len(covariance):
                table[part] = solve_triangular(np.linalg.cholesky(covariance), table[part], lower=True)
        self.add(columns, list(table[:, :-1].T), table[:, -1], 1.0)

    def built(self) -> tuple[csc_matrix, np.ndarray]:
        """The matrix and its right side."""
        place = np.concatenate(self.row), np.concatenate(self.column)
        shape = (self.count, self.size)
        return coo_matrix((np.concatenate(self.value), place), shape).tocsc(), np.concatenate(self.right)


def _by_frame(frame: np.ndarray, count: int) -> list[slice]:
    """Rows of each of `count` frames, in order."""
    edges = np.searchsorted(frame, np.arange(count + 1))
    return [slice(int(a), int(b)) for a, b in pairwise(edges)]


def known_error(known: Known) -> float:
    """1 sigma of what all headers have in common; unimportant where there are none."""
    return float(known.header_err_px) if np.isfinite(known.header_err_px) else 1.0


def _identity(size: int) -> csc_matrix:
    number = np.arange(size)
    return coo_matrix((np.ones(size), (number, number)), (size, size)).tocsc()


def _edges(measures: list[FrameMeasure]) -> Observed:
    frame = np.concatenate([np.full(len(m.bin), i) for i, m in enumerate(measures)])
    bin_deg = measures[0].bin_deg
    turn = np.array([m.place.turn_deg for m in measures])[frame]
    number = np.concatenate([m.bin for m in measures])
    theta = (number + 0.5) * bin_deg
    phi = np.radians(theta + turn)
    unit = np.column_stack([-np.sin(phi), -np.cos(phi)])
    value = np.concatenate([m.edge_px for m in measures])
    at = _along_limb(theta, measures[0].place.radius_px)
    return _ordered(Observed(frame, at, value, np.zeros(len(value)), unit, number))


def _blocks(measures: list[FrameMeasure], laid_px: np.ndarray) -> tuple[Observed, Observed]:
    """Shifts along (the turn on which the zones were laid included) and across of all usable blocks."""
    parts = []
    for i, m in enumerate(measures):
        s = m.shifts
        fit = np.isfinite(s.along_px) & np.isfinite(s.across_px) & (np.abs(s.along_px) < 4)
        fit &= (s.along_err_px < 3) & np.isfinite(s.across_err_px) & (s.gain > 0.2) & (s.gain < 5)
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
    at = _along_limb(theta, measures[0].place.radius_px) if measures else theta
    frame = frame.astype(int)
    return (
        _ordered(Observed(frame, at, along, along_err, tangent, number)),
        _ordered(Observed(frame, at, across, across_err, normal, number)),
    )


def _along_limb(theta_deg: np.ndarray, radius_px: float) -> np.ndarray:
    """Places along the limb, px, without a step where it is seen."""
    if not len(theta_deg):
        return np.zeros(0)
    angle = np.radians(theta_deg)
    middle = np.angle(np.exp(1j * angle).mean())
    return radius_px * np.angle(np.exp(1j * (angle - middle)))


def _ordered(observed: Observed) -> Observed:
    """In order of frame and place along the limb."""
    order = np.lexsort([observed.at_px, observed.frame])
    return replace(
        observed,
        **{
            name: getattr(observed, name)[order]
            for name in ("frame", "at_px", "value_px", "err_px", "unit", "bin")
        },
    )
