"""The solution for a sequence: what the frames show in, every centre and the one radius with errors out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.sparse.linalg import splu

from promtrack.limb.equations import OWN, Equations, Solved
from promtrack.limb.measure import FrameMeasure
from promtrack.limb.noise import SAMPLING_PX, first_noise, relief_of, renewed
from promtrack.limb.records import Known, Solution, Terms

ROUNDS = 6  # rounds of reweighting; the centres move by less than 0.002 px in the last


def solve(measures: list[FrameMeasure], time_s: np.ndarray, known: Known, terms: Terms = Terms()) -> Solution:
    """Centre and turn of every frame, with one radius.

    Parameters
    ----------
    measures : (n) all laid on the same provisional radius
    time_s : (n,) never falling
    """
    equations = Equations(measures, time_s, known, terms)
    noise = first_noise(equations)
    for round_ in range(ROUNDS):
        solved = equations.solved(noise)
        noise = renewed(solved, round_)
    # parts of the limb that stand out take no part in the fit, but others like them may
    relief, _ = relief_of(solved, noise.edge, solved.residual("edge"))
    shown = max(float(noise.relief.err_px), float(np.sqrt(np.mean(relief**2)))) * (1.0 + known.rough)
    noise = replace(noise, relief=replace(noise.relief, err_px=np.array(shown)))
    return _solution(equations.solved(noise))


def _solution(solved: Solved) -> Solution:
    """Places and errors."""
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
        turn_px=solved.turn_px(),
        turn_err_px=turn_err,
        radius_px=e.known.radius_px or radius,
        radius_err_px=radius_err if e.known.radius_px is None else 0.0,
        frame_radius_px=radius + np.einsum("ij,ij->i", free[:, 2], right),
        frame_radius_err_px=np.sqrt(np.maximum(free[:, 2, 2], 1e-12)),
        edge_centre_px=e.place_px + np.einsum("ijk,ik->ij", held, right)[:, :2],
        edge_err_px=np.sqrt(np.einsum("iaj,ijk,iak->ia", e.axes, held[:, :2, :2], e.axes)),
        axes=e.axes,
    )


def _errors(solved: Solved) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n,) 1 sigma of each centre against the mean of all, across and along, and (2,) that of the
    mean."""
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
