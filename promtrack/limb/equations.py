"""The lock's equations: one robust least-squares system for a whole sequence, its weights renewed round by
round. They stand in docs/methods.md, "The lock on the limb".

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

from dataclasses import replace

import numpy as np
from scipy.sparse import csc_matrix, identity
from scipy.sparse.linalg import splu

from promtrack.limb.circle import MAD, biweight
from promtrack.limb.measure import FrameMeasure
from promtrack.limb.observations import (
    BlockNoise,
    Observed,
    Rows,
    along_limb,
    blocks_of,
    by_frame,
    edges_of,
    fit_block_noise,
    fit_edge_noise,
)
from promtrack.limb.records import Known, Terms

BLOCK = 6  # unknowns a frame: centre x, centre y, edge offset, level along, level across, slip of the edge
ROUNDS = 6  # rounds of reweighting; the centres move by less than 0.002 px in the last
LAGS = 12  # frames, from one to which the edge's residuals are compared
LEAST_EDGE_PX = 0.003  # scatter of a bin of edge below which nothing is measured
HELD_PX = 1e-3  # 1 sigma of what a term that is not in use may be
RELIEF_PX = 0.5  # to start from, as the next
OFFSET_PX = 0.3
# Cloud lets less of a burnt-out disc clip, which widens its edge and moves it inward: beta is -2.0 +- 0.4,
# -0.5 +- 0.6 and -1.0 +- 0.7 in three recordings under cloud.
MOVED_BY_WIDTH = 2.0  # 1 sigma of beta: px that the edge moves for each px that it widens
# 1 sigma of a field's rotation an hour, its change, and the change of that
TURN_RATES = np.radians([15.0, 4.0, 1.5])


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
        self.edge = edges_of(measures)
        self.along, self.across = blocks_of(
            measures if terms.features else [], self.laid_px - known.carried_px
        )
        self.bins, self.edge_bin = np.unique(self.edge.bin, return_inverse=True)
        along = along_limb(self.bins * measures[0].bin_deg, self.radius)
        self.order = np.argsort(along)  # of the bins along the limb
        self.bin_at = Observed(np.zeros(len(along)), along[self.order], 0 * along, along, along, self.bins)
        self.axes = self._axes()
        self.slipping = (self.edge.unit * self.axes[self.edge.frame, 1]).sum(1)
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
        self.slip_err, self.slip_s = HELD_PX, 1.0  # scatter of the edge's slip, and for how long it lasts
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
        """Solve and reweight `ROUNDS` times, and solve once more."""
        for round_ in range(ROUNDS):
            self._solve()
            self._reweight(round_)
        # parts of the limb that stand out take no part in the fit, but others like them may
        relief, _ = self._relief(self.residual("edge"))
        self.relief_err = max(self.relief_err, float(np.sqrt(np.mean(relief**2)))) * (1.0 + self.known.rough)
        self._solve()

    def _solve(self) -> None:
        matrix, right = self._rows()
        self.normal = (matrix.T @ matrix + 1e-10 * identity(self.size)).tocsc()
        self.factor = splu(self.normal, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
        self.x = self.factor.solve(matrix.T @ right)

    # --- rows -----------------------------------------------------------------------------------------

    def _rows(self) -> tuple[csc_matrix, np.ndarray]:
        rows = Rows(self.size)
        known, n = self.known, self.n
        frame = BLOCK * self.edge.frame
        ones = np.ones(len(frame))
        columns = [frame, frame + 1, frame + 2, frame + 5, self.first_bin + self.edge_bin]
        columns += [self.radius_at + 0 * frame, self.radius_at + 1 + 0 * frame, self.size - 1 + 0 * frame]
        values = [*self.edge.unit.T, ones, self.slipping, ones, ones, ones, self.wider_px[self.edge.frame]]
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
        rows.add([np.array([5])], [np.ones(1)], np.zeros(1), self.slip_err)
        if n > 1:
            stays = np.exp(-self.step_s / self.slip_s)
            step = self.slip_err * np.sqrt(1 - stays**2) + 1e-6
            rows.add([every[1:] + 5, every[:-1] + 5], [np.ones(n - 1), -stays], np.zeros(n - 1), step)
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
        rows.add([at + np.array([2, 3])], [np.ones(2)], np.zeros(2), known.header_err_px)
        if known.header_px is not None:
            has = np.flatnonzero(np.isfinite(known.header_px).all(axis=1))
            for axis in range(2):
                columns = [BLOCK * has + axis, np.full(len(has), at + 2 + axis)]
                value = known.header_px[has, axis] - self.place[has, axis]
                ones = np.ones(len(has))
                rows.add(columns, [ones, ones], value, known.header_frame_px)
        sigma = self.radius * np.array([np.pi, *(TURN_RATES * self.hours ** np.arange(1, 4))]) + 1e-3
        rows.add([at + 4 + np.arange(4)], [np.ones(4)], np.zeros(4), sigma)

    def _covariances(self, kind: str) -> list[np.ndarray]:
        """Of the blocks of every frame: their own errors, and what the air and the plasma do to neighbours
        alike."""
        observed = self.along if kind == "along" else self.across
        noise, lost = self.noise[kind], 1 / self.weight[kind] - 1
        covariances = []
        for part in by_frame(observed.frame, self.n):
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
            model += x[frame + 2] + x[self.first_bin + self.edge_bin] + x[at] + x[at + 1]
            model += self.slipping * x[frame + 5]
            return observed.value_px - model - x[-1] * self.wider_px[observed.frame]
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

    def _reweight(self, round_: int) -> None:
        edge = self.residual("edge")
        seen = np.bincount(self.edge.frame, minlength=self.n)
        usual = MAD * float(np.median(np.abs(edge)))
        parts = np.split(np.abs(edge), np.cumsum(seen)[:-1])
        own = np.array([MAD * np.median(part) if len(part) else usual for part in parts])
        # a frame's own scatter, drawn to the usual one as if that were known from sixteen bins more
        self.edge_err = np.sqrt((seen * own**2 + 16.0 * usual**2) / (seen + 16.0))
        self.edge_err = np.maximum(self.edge_err, max(0.5 * usual, LEAST_EDGE_PX))
        pull = edge / self.edge_err[self.edge.frame]
        self.weight["edge"] = self._weight(pull, round_)
        relief, noise = self._relief(edge)
        self.relief_err = float(np.sqrt(max((MAD * np.median(np.abs(relief))) ** 2 - noise**2, 0.01**2)))
        self.weight["relief"] = self._weight(relief / np.hypot(self.relief_err, noise), round_)
        if round_ in (1, 3) and self.terms.correlation:
            self.edge_noise = fit_edge_noise(self._edge_table(edge))
            self.relief_noise = fit_edge_noise(self._relief_table(relief))
            if self.terms.lasting and not self.known.wide:
                self.slip_err, self.slip_s = self._lasting(edge)
        for name, observed in (("along", self.along), ("across", self.across)):
            if not len(observed.frame):
                continue
            left = self.residual(name)
            if round_ in (1, 3) and self.terms.correlation:
                self.noise[name] = self._fit_block_noise(name)
            self.weight[name] = self._weight(left / self.noise[name].err_px(observed.err_px), round_)
            self.walk[name] = self._walk(name, left, observed)
        offset = self.x[2 : BLOCK * self.n : BLOCK]
        variance = np.mean(self.chain()[:, 2, 2])
        self.offset_err = float(np.sqrt(max((MAD * np.median(np.abs(offset))) ** 2 + variance, 1e-6)))

    def _weight(self, pull: np.ndarray, round_: int) -> np.ndarray:
        if not self.terms.robust:
            return np.ones(len(pull))
        # a long-tailed weight lets the majority win before anything is cut off
        weight = 1 / (1 + (pull / 2.385) ** 2) if round_ < 2 else biweight(pull)
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
        at = along_limb(theta, self.radius)
        columns = np.column_stack([relief / self.relief_err, at, ones, -np.sin(unit), -np.cos(unit), ones])
        return columns[None, self.weight["relief"] > 0.2]

    def _fit_block_noise(self, kind: str) -> BlockNoise:
        observed = self.along if kind == "along" else self.across
        table = np.full((self.n, int(observed.bin.max()) + 1, 5), np.nan)
        columns = np.column_stack([self.residual(kind), observed.at_px, observed.err_px, observed.unit])
        kept = self.weight[kind] > 0.2
        table[observed.frame[kept], observed.bin[kept]] = columns[kept]
        return fit_block_noise(table)

    def _lasting(self, residual: np.ndarray) -> tuple[float, float]:
        """Scatter along the limb of the part of the edge's noise that lasts, and its time in seconds.

        A white part and one that decays exponentially, fitted to the autocorrelation of the residuals in
        time: the spicules that roughen the edge stay for minutes, so that frames are not independent.
        """
        lags = np.arange(1, min(LAGS, self.n // 4) + 1)
        time = np.concatenate([[0.0], np.cumsum(self.step_s)])
        if len(lags) < 2 or time[-1] <= 0:
            return HELD_PX, 1.0
        table = np.zeros((self.n, len(self.bins)))
        pull = np.clip(residual / self.edge_err[self.edge.frame], -3.0, 3.0)
        table[self.edge.frame, self.edge_bin] = pull * (self.weight["edge"] > 0.2)
        alike = np.array([(table[k:] * table[:-k]).sum() for k in lags]) * self.n / (self.n - lags)
        alike /= max(float((table**2).sum()), 1e-9)
        away = np.array([np.median(time[k:] - time[:-k]) for k in lags])
        lasts = np.geomspace(0.5 * max(away[0], 1.0), max(time[-1] / 4, away[0]), 24)
        decay = np.exp(-away / lasts[:, None])
        share = np.clip((decay @ alike) / (decay**2).sum(axis=1), 0.0, 1.0)
        best = int(np.argmin(((alike - share[:, None] * decay) ** 2).sum(axis=1)))
        normal, _ = self.edge_alone()
        held = np.linalg.pinv(normal + np.diag([0.0, 0.0, self.offset_err**-2]), rcond=1e-12, hermitian=True)
        along = np.einsum("ij,ijk,ik->i", self.axes[:, 1], held[:, :2, :2], self.axes[:, 1])
        return float(np.sqrt(share[best] * np.median(along)) + HELD_PX), float(lasts[best])

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
        # blocks beside each other change alike where one thing covers both; the level, which is taken off,
        # makes all of them look unlike
        blocks = float(np.median(np.isfinite(long).sum(axis=1)))
        part = np.nan_to_num(np.clip(long / max(MAD * np.nanmedian(np.abs(long)), 1e-9), -3.0, 3.0))
        alike = np.sum(part[:, 1:] * part[:, :-1]) / max(np.sum(part**2), 1e-9) + 1 / max(blocks, 1.0)
        alike = float(np.clip(alike, 0.0, 0.9))
        count = blocks * (1 - alike) / (1 + alike)
        return float(max(grown, 1e-5) / away / max(count, 1.0))

    # --- errors ---------------------------------------------------------------------------------------

    def edge_alone(self) -> tuple[np.ndarray, np.ndarray]:
        """(n, 3, 3) normal equations and (n, 3) right sides of every frame's edge alone, for its centre and
        the growth of its radius."""
        x, at = self.x, self.radius_at
        offset = self.edge.value_px - x[self.first_bin + self.edge_bin] - x[at] - x[at + 1]
        offset = offset - x[-1] * self.wider_px[self.edge.frame]
        rows = np.column_stack([self.edge.unit, np.ones(len(offset))])
        lost = 1 / self.weight["edge"] - 1
        normal, right = np.zeros((self.n, 3, 3)), np.zeros((self.n, 3))
        for i, part in enumerate(by_frame(self.edge.frame, self.n)):
            places = self.edge.at_px[part]
            covariance = self.edge_noise.covariance(places, np.ones(len(places)))
            covariance = self.edge_err[i] ** 2 * (covariance + np.diag(np.diag(covariance) * lost[part]))
            weighted = np.linalg.solve(covariance, np.column_stack([rows[part], offset[part]]))
            normal[i], right[i] = rows[part].T @ weighted[:, :3], rows[part].T @ weighted[:, 3]
        return normal, right

    def chain(self) -> np.ndarray:
        """(n, 6, 6) covariance of each frame's unknowns, what all frames share being held: the inverse's
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
