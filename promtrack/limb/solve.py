"""The solution for a sequence: what the frames show in, every centre and the one radius with errors out.

The noise of the equations is taken from the residuals of the solution before. From one frame to the next the
air changes and the plasma hardly does, which tells the two apart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize
from scipy.sparse.linalg import splu

from promtrack.limb.edge import MAD, biweight
from promtrack.limb.equations import HELD_PX, OWN, Equations, Solved
from promtrack.limb.measure import LEAST_BLOCKS, FrameMeasure
from promtrack.limb.observations import BlockNoise, EdgeNoise, FeatureNoise, Noise, Observed
from promtrack.limb.records import Known, Solution, Terms
from promtrack.sequence.records import MANY, spread_over

# OpenCV samples a picture at positions rounded to 1/32 px: 0.009 px rms where all the limb shares the
# rounding, half on an arc
SAMPLING_PX = 0.0045


def first_noise(equations: Equations) -> Noise:
    """The usual noise, to start from."""
    edge_px = 0.3  # scatter of the edge
    # along the limb, in units of the scatter
    alike = BlockNoise(1.0, 20.0 if equations.terms.correlation else 1e-3, 0.0, own=0.3, long_waves=True)
    along, across = (
        FeatureNoise(BlockNoise(), np.ones(len(observed.frame)), 0.01**2)
        for observed in (equations.along, equations.across)
    )
    return Noise(
        EdgeNoise(edge_px, alike, np.ones(len(equations.edge.frame))),
        EdgeNoise(edge_px, alike, np.ones(len(equations.bins.bin))),
        along,
        across,
        offset_err_px=edge_px,
        slip_err_px=HELD_PX,
        slip_s=1.0,
    )


def renewed(solved: Solved, round_: int) -> Noise:
    """The noise that the residuals of a solution show."""
    e, noise = solved.equations, solved.noise
    residual = solved.residual("edge")
    err_px = max(MAD * float(np.median(np.abs(residual))), SAMPLING_PX)
    edge = EdgeNoise(err_px, noise.edge.alike, _weight(e, residual / err_px, round_))
    found, found_err_px = relief_of(solved, edge, residual)
    relief_px = float(np.sqrt(max((MAD * np.median(np.abs(found))) ** 2 - found_err_px**2, 0.01**2)))
    weight = _weight(e, found / np.hypot(relief_px, found_err_px), round_)
    relief = EdgeNoise(relief_px, noise.relief.alike, weight)
    fitting = round_ in (1, 3) and e.terms.correlation
    if fitting:
        edge = replace(edge, alike=fit_edge_noise(_edge_table(e, edge, residual)))
        if e.terms.lasting and not e.known.wide:
            noise = _with_slip(solved, edge, residual)
    variance = np.mean(solved.chain()[:, 2, 2])
    # from frame to frame: what is slower are the features, which drift
    step = np.diff(solved.x[e.unknown.offset])
    shown = MAD * float(np.median(np.abs(step))) / np.sqrt(2) if len(step) else 0.0
    return replace(
        noise,
        edge=edge,
        relief=relief,
        along=_feature_noise(solved, "along", noise.along, e.along, round_, fitting=fitting),
        across=_feature_noise(solved, "across", noise.across, e.across, round_, fitting=fitting),
        offset_err_px=float(np.sqrt(max(shown**2 + variance, 1e-6))),
    )


def _feature_noise(
    solved: Solved, kind: str, before: FeatureNoise, observed: Observed, round_: int, *, fitting: bool
) -> FeatureNoise:
    if not len(observed.frame):
        return before
    e, residual, alike = solved.equations, solved.residual(kind), before.alike
    if fitting:
        table = np.full((e.n, int(observed.bin.max()) + 1, 5), np.nan)
        columns = np.column_stack([residual, observed.at_px, observed.err_px, observed.unit])
        kept = before.weight > 0.2
        table[observed.frame[kept], observed.bin[kept]] = columns[kept]
        alike = fit_block_noise(table, swaying=kind == "along")
    weight = _weight(e, residual / alike.err_px(observed.err_px), round_)
    return FeatureNoise(alike, weight, _walk(e, residual, observed))


def _weight(e: Equations, pull: np.ndarray, round_: int) -> np.ndarray:
    if not e.terms.robust:
        return np.ones(len(pull))
    # a long-tailed weight lets the majority win before anything is cut off
    weight = 1 / (1 + (pull / 2.385) ** 2) if round_ < 2 else biweight(pull)
    return np.maximum(weight, 1e-4)


def relief_of(solved: Solved, edge: EdgeNoise, residual: np.ndarray) -> tuple[np.ndarray, float]:
    """(bins,) relief as the frames have it, before it is drawn to zero, and the noise of that."""
    e, bins = solved.equations, len(solved.equations.unknown.relief)
    total = np.bincount(e.edge_bin, weights=edge.weight, minlength=bins)
    value = residual + solved.x[e.unknown.relief[e.edge_bin]]
    mean = np.bincount(e.edge_bin, weights=edge.weight * value, minlength=bins) / np.maximum(total, 1e-9)
    return mean, edge.err_px / float(np.sqrt(max(float(np.median(total)), 1.0)))


def _part_left(e: Equations, alike: BlockNoise) -> float:
    """Part of the variance of a relief that place and radius, fitted to it, leave: on a short arc they
    swallow its long waves."""
    phi = e.bins.at_px / e.radius_px
    design = np.linalg.qr(np.column_stack([np.sin(phi), np.cos(phi), np.ones(len(phi))]))[0]
    variance = alike.covariance(e.bins.at_px, np.ones(len(phi)))
    return float(1.0 - np.trace(design.T @ variance @ design) / np.trace(variance))


def _edge_table(e: Equations, edge: EdgeNoise, residual: np.ndarray) -> np.ndarray:
    table = np.full((e.n, len(e.unknown.relief), 6), np.nan)
    ones = np.ones(len(residual))
    columns = np.column_stack([residual / edge.err_px, e.edge.at_px, ones, e.edge.unit, ones])
    kept = edge.weight > 0.2
    table[e.edge.frame[kept], e.edge_bin[kept]] = columns[kept]
    return table


def _with_slip(solved: Solved, edge: EdgeNoise, residual: np.ndarray) -> Noise:
    """The noise with the scatter along the limb of the part of the edge's noise that lasts, and its time.

    A white part and one that decays exponentially, fitted to the autocorrelation of the residuals in
    time: the spicules that roughen the edge stay for minutes, so that frames are not independent.
    """
    e, noise = solved.equations, solved.noise
    lags = np.arange(1, e.n // 4 + 1)
    time = np.concatenate([[0.0], np.cumsum(e.step_s)])
    if len(lags) < 2 or time[-1] <= 0:
        return replace(noise, slip_err_px=HELD_PX, slip_s=1.0)
    table = np.zeros((e.n, len(e.unknown.relief)))
    pull = np.clip(residual / edge.err_px, -3.0, 3.0)
    table[e.edge.frame, e.edge_bin] = pull * (edge.weight > 0.2)
    alike = np.array([(table[k:] * table[:-k]).sum() for k in lags]) * e.n / (e.n - lags)
    alike /= max(float((table**2).sum()), 1e-9)
    away = np.array([np.median(time[k:] - time[:-k]) for k in lags])
    lasts = np.geomspace(0.5 * max(away[0], 1.0), max(time[-1] / 4, away[0]), 24)
    decay = np.exp(-away / lasts[:, None])
    share = np.clip((decay @ alike) / (decay**2).sum(axis=1), 0.0, 1.0)
    best = int(np.argmin(((alike - share[:, None] * decay) ** 2).sum(axis=1)))
    normal, _ = solved.edge_alone(edge)
    held = np.linalg.pinv(normal + np.diag([0.0, 0.0, noise.offset_err_px**-2]), rcond=1e-12, hermitian=True)
    along = np.einsum("ij,ijk,ik->i", e.axes[:, 1], held[:, :2, :2], e.axes[:, 1])
    slip_err_px = float(np.sqrt(share[best] * np.median(along)) + HELD_PX)
    return replace(noise, slip_err_px=slip_err_px, slip_s=float(lasts[best]))


def _walk(e: Equations, residual: np.ndarray, observed: Observed) -> float:
    """Variance a second of the features' common drift, px2: that of single blocks against the others,
    less what is there from frame to frame, over half of their number, since neighbours change alike."""
    if e.n < 8:
        return 0.01**2
    table = np.full((e.n, int(observed.bin.max()) + 1), np.nan)
    table[observed.frame, observed.bin] = residual
    lag = e.n // 3
    short = table[1:] - table[:-1]
    long = table[lag:] - table[:-lag]
    time = np.concatenate([[0.0], np.cumsum(e.step_s)])
    away = float(np.mean(time[lag:] - time[:-lag]) - np.mean(e.step_s))
    if not (np.isfinite(short).any() and np.isfinite(long).any()) or away <= 0:
        return 0.01**2
    grown = (MAD * np.nanmedian(np.abs(long))) ** 2 - (MAD * np.nanmedian(np.abs(short))) ** 2
    blocks = float(np.median(np.isfinite(long).sum(axis=1)))
    return float(max(grown, 1e-5) / away / max(blocks / 2, 1.0))


def fit_block_noise(table: np.ndarray, *, swaying: bool) -> BlockNoise:
    """Noise with the greatest restricted likelihood, the shift of each frame being free: of the air from the
    differences of neighbouring frames, of the plasma then from the residuals themselves.

    Parameters
    ----------
    table : (frames, blocks, 5) residual, place along the limb and own error in px, and the block's unit
        vector; nan where a block is not seen
    swaying : plasma takes several blocks along together; else each has its own. Across the limb the edge
        holds the frame, and blocks taken as alike there only leave it more of the edge's jitter.

    References
    ----------
    Restricted likelihood: Patterson & Thompson 1971, Biometrika 58, 545.
    """
    usual = BlockNoise()
    step = table[1:].copy()
    step[:, :, 0] = (table[1:, :, 0] - table[:-1, :, 0]) / np.sqrt(2)

    def air(logs: np.ndarray) -> BlockNoise:
        shared, length, own = map(float, np.exp(logs))
        return BlockNoise(shared_px=shared, length_px=length, plasma_px=0.0, own=own)

    of_air = _likeliest(step, air, [usual.shared_px, usual.length_px, usual.own])

    def plasma(logs: np.ndarray) -> BlockNoise:
        own, size, *length = map(float, np.exp(logs))
        return replace(of_air, own=own, plasma_px=size, plasma_length_px=length[0] if swaying else HELD_PX)

    start = [usual.own, usual.plasma_px, usual.plasma_length_px]
    return _likeliest(table, plasma, start if swaying else start[:2])


def fit_edge_noise(table: np.ndarray) -> BlockNoise:
    """Noise of bins of the edge with the greatest restricted likelihood, place and radius of each row
    being free, since an arc's circle swallows long waves of the air, which would pass for quiet air.
    `table`: (frames, bins, 6) residual in units of its scatter, place along the limb in px, ones, the
    bin's unit vector outward, ones; nan where a bin is not seen."""

    def of_edge(logs: np.ndarray) -> BlockNoise:
        length, own = map(float, np.exp(logs))
        return BlockNoise(shared_px=1.0, length_px=length, plasma_px=0.0, own=own, long_waves=True)

    return _likeliest(table, of_edge, [50.0, 0.3])


def _likeliest(
    table: np.ndarray, noise_of: Callable[[np.ndarray], BlockNoise], start: list[float]
) -> BlockNoise:
    """The noise with the greatest restricted likelihood and lognormal priors about `start`: without these a
    few blocks would send a parameter to zero or beyond all limits."""
    picked = table[spread_over(len(table), MANY)]
    seen = np.isfinite(picked).all(axis=2)
    enough = seen.sum(axis=1) >= LEAST_BLOCKS
    seen, rows = seen[enough], np.where(seen[..., None], picked, 0.0)[enough]
    first = np.log(start)
    both, blocks = seen[:, :, None] & seen[:, None, :], seen.shape[1]
    eye = np.eye(blocks)
    # below the covariance stand design and residual, so that one factorization whitens them as well; their
    # own corner only has to be large enough
    below = np.swapaxes(rows[..., [*range(3, rows.shape[-1]), 0]], 1, 2)
    system = np.zeros((len(rows), blocks + below.shape[1], blocks + below.shape[1]))
    system[:, blocks:, :blocks] = below
    system[:, blocks:, blocks:] = 1e8 * (1.0 + (below**2).sum()) * np.eye(below.shape[1])

    def cost(logs: np.ndarray) -> float:
        noise = noise_of(logs)
        # parameters are expected within a factor of 3 about their usual values
        prior = 0.5 * float((((logs - first) / np.log(3.0)) ** 2).sum())
        # a block that is not seen has a variance of 1 and no part in the likelihood
        covariance = noise.covariance(rows[..., 1], rows[..., 2]) + 1e-6 * eye
        system[:, :blocks, :blocks] = np.where(both, covariance, eye)
        factor = np.linalg.cholesky(system)
        white = factor[:, blocks:, :blocks]  # design and residual over the root of the covariance
        # the last pivot of the joint system is the square root of what the free unknowns leave
        joint = np.linalg.cholesky(white @ np.swapaxes(white, 1, 2) + 1e-9 * np.eye(white.shape[1]))
        pivot = np.diagonal(joint, axis1=1, axis2=2)
        size = np.log(np.diagonal(factor, axis1=1, axis2=2)[:, :blocks]).sum() + np.log(pivot[:, :-1]).sum()
        return prior + float(size + 0.5 * (pivot[:, -1] ** 2).sum())

    best = minimize(cost, first, method="Nelder-Mead", options={"xatol": 0.05, "fatol": 0.1})
    return noise_of(best.x)


def solve(measures: list[FrameMeasure], time_s: np.ndarray, known: Known, terms: Terms = Terms()) -> Solution:
    """Centre and turn of every frame, with one radius.

    Parameters
    ----------
    measures : (n) all laid on the same provisional radius
    time_s : (n,) never falling
    """
    equations = Equations(measures, time_s, known, terms)
    noise = first_noise(equations)
    for round_ in range(4):  # one more moves the centres by 0.01 to 0.02 px
        solved = equations.solved(noise)
        noise = renewed(solved, round_)
    # parts of the limb that stand out take no part in the fit, but others like them may
    relief, _ = relief_of(solved, noise.edge, solved.residual("edge"))
    shown = max(noise.relief.err_px, float(np.sqrt(np.mean(relief**2)))) * (1.0 + known.rough)
    shown /= np.sqrt(_part_left(equations, noise.relief.alike))
    noise = replace(noise, relief=replace(noise.relief, err_px=shown))
    return _solution(equations.solved(noise))


def _solution(solved: Solved) -> Solution:
    e, u, x = solved.equations, solved.equations.unknown, solved.x
    across, along, common = _errors(solved)
    unit = np.zeros(u.size)
    unit[u.radius] = 1.0
    radius_err = float(np.sqrt(max(float(solved.factor.solve(unit)[u.radius[0]]), 0.0)))
    turn_err = np.zeros(e.n)
    if e.free_turn:
        unit = np.zeros((u.size, 4))
        unit[u.turn, np.arange(4)] = 1.0
        since = e.phase - e.phase[0]
        covariance = solved.factor.solve(unit)[u.turn]
        turn_err = np.sqrt(np.einsum("ij,jk,ik->i", since, covariance, since))
    normal, right = solved.edge_alone(solved.noise.edge)
    # the features on the limb are seen through the same air and cannot make this smaller, though the rows of
    # the system take them as new
    outward = np.einsum("ij,ijk,ik->i", e.axes[:, 0], normal[:, :2, :2], e.axes[:, 0])
    air_err = np.divide(1.0, np.sqrt(outward), out=np.zeros(e.n), where=outward > 0)
    free = np.linalg.pinv(normal, rcond=1e-12, hermitian=True)
    offset = np.diag([0.0, 0.0, 1 / solved.noise.offset_err_px**2])
    held = np.linalg.pinv(normal + offset, rcond=1e-12, hermitian=True)
    radius = e.radius_px + float(x[u.radius[0]])
    return Solution(
        centre_px=e.place_px + np.column_stack([x[u.x], x[u.y]]),
        across_err_px=np.hypot(np.maximum(across, air_err), SAMPLING_PX),
        along_err_px=np.hypot(along, SAMPLING_PX),
        common_err_px=common,
        # frames are turned on the provisional radius, and an angle stays the same on another
        turn_deg=np.degrees(solved.turn_px() / e.radius_px),
        turn_err_deg=np.degrees(turn_err / e.radius_px),
        radius_px=e.known.radius_px or radius,
        radius_err_px=radius_err if e.known.radius_px is None else 0.0,
        frame_radius_px=radius + np.einsum("ij,ij->i", free[:, 2], right),
        frame_radius_err_px=np.sqrt(np.maximum(free[:, 2, 2], 1e-12)),
        edge_centre_px=e.place_px + np.einsum("ijk,ik->ij", held, right)[:, :2],
        edge_err_px=np.sqrt(np.einsum("iaj,ijk,iak->ia", e.axes, held[:, :2, :2], e.axes)),
        axes=e.axes,
    )


def _errors(solved: Solved) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n,) 1 sigma of each centre against their mean, across and along, and (2,) that of the mean."""
    e, u = solved.equations, solved.equations.unknown
    end = OWN * e.n
    own = solved.chain()[:, :2, :2]
    beta = np.zeros(u.size)
    beta[u.beta] = 1.0
    beta_variance = solved.factor.solve(beta)[u.beta[0]]
    chain = splu(
        solved.normal[:end, :end].tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}
    )
    by_beta = chain.solve(-solved.normal[:end, u.beta].toarray().ravel()).reshape(e.n, OWN)[:, :2]
    errors, common = [], []
    for axis in range(2):
        unit = e.axes[:, axis]
        mean = np.zeros(u.size)
        mean[u.x], mean[u.y] = unit[:, 0] / e.n, unit[:, 1] / e.n
        with_mean = chain.solve(mean[:end]).reshape(e.n, OWN)[:, :2]
        variance = np.einsum("ij,ijk,ik->i", unit, own, unit) - 2 * (unit * with_mean).sum(1)
        variance += mean[:end].reshape(e.n, OWN)[:, :2].ravel() @ with_mean.ravel()
        follows = (unit * by_beta).sum(1)
        variance += beta_variance * (follows - follows.mean()) ** 2
        errors.append(np.sqrt(np.maximum(variance, 0.0)))
        common.append(np.sqrt(max(float(mean @ solved.factor.solve(mean)), 0.0)))
    return errors[0], errors[1], np.array(common)
