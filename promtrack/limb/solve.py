"""The solution for a sequence: what the frames show in, every centre and the one radius with errors out."""

from __future__ import annotations

import numpy as np
from scipy.sparse.linalg import splu

from promtrack.limb.equations import BLOCK, System
from promtrack.limb.measure import FrameMeasure
from promtrack.limb.records import Known, Solution, Terms

# OpenCV samples a picture at positions rounded to 1/32 px: 0.009 px rms where all the limb shares the
# rounding, half on an arc
SAMPLING_PX = 0.0045


def solve(measures: list[FrameMeasure], time_s: np.ndarray, known: Known, terms: Terms = Terms()) -> Solution:
    """Centre and turn of every frame, with one radius.

    Parameters
    ----------
    measures : (n) all laid on the same provisional radius
    time_s : (n,) never falling
    """
    system = System(measures, time_s, known, terms)
    system.iterate()
    x, at = system.x, system.radius_at
    count = BLOCK * np.arange(system.n)
    centre = system.place + np.column_stack([x[count], x[count + 1]])
    across, along, common = _errors(system)
    unit = np.zeros(system.size)
    unit[at] = 1.0
    radius_err = float(np.sqrt(max(float(system.factor.solve(unit)[at]), 0.0)))
    turn_err = np.zeros(system.n)
    if system.free_turn:
        unit = np.zeros((system.size, 4))
        unit[at + 4 + np.arange(4), np.arange(4)] = 1.0
        since = system.phase - system.phase[0]
        covariance = system.factor.solve(unit)[at + 4 : at + 8]
        turn_err = np.sqrt(np.einsum("ij,jk,ik->i", since, covariance, since))
    normal, right = system.edge_alone()
    # the features on the limb are seen through the same air and cannot make this smaller, though the rows of
    # the system take them as new
    outward = np.einsum("ij,ijk,ik->i", system.axes[:, 0], normal[:, :2, :2], system.axes[:, 0])
    air_err = np.divide(1.0, np.sqrt(outward), out=np.zeros(system.n), where=outward > 0)
    free = np.linalg.pinv(normal, rcond=1e-12, hermitian=True)
    held = np.linalg.pinv(normal + np.diag([0.0, 0.0, 1 / system.offset_err**2]), rcond=1e-12, hermitian=True)
    return Solution(
        centre_px=centre,
        across_err_px=np.hypot(np.maximum(across, air_err), SAMPLING_PX),
        along_err_px=np.hypot(along, SAMPLING_PX),
        common_err_px=common,
        turn_px=system.turn(),
        turn_err_px=turn_err,
        radius_px=system.known.radius_px or system.radius + float(x[at]),
        radius_err_px=radius_err if system.known.radius_px is None else 0.0,
        frame_radius_px=system.radius + float(x[at]) + np.einsum("ij,ij->i", free[:, 2], right),
        frame_radius_err_px=np.sqrt(np.maximum(free[:, 2, 2], 1e-12)),
        edge_centre_px=system.place + np.einsum("ijk,ik->ij", held, right)[:, :2],
        edge_err_px=np.sqrt(np.einsum("iaj,ijk,iak->ia", system.axes, held[:, :2, :2], system.axes)),
        axes=system.axes,
    )


def _errors(system: System) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n,) 1 sigma of each centre against the mean of all, across and along, and (2,) that of the
    mean."""
    end = BLOCK * system.n
    own = system.chain()[:, :2, :2]
    beta = np.zeros(system.size)
    beta[-1] = 1.0
    beta_variance = system.factor.solve(beta)[-1]
    chain = splu(
        system.normal[:end, :end].tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}
    )
    by_beta = chain.solve(-system.normal[:end, [-1]].toarray().ravel()).reshape(system.n, BLOCK)[:, :2]
    errors, common = [], []
    for axis in range(2):
        u = system.axes[:, axis]
        mean = np.zeros(system.size)
        mean[0:end:BLOCK], mean[1:end:BLOCK] = u[:, 0] / system.n, u[:, 1] / system.n
        with_mean = chain.solve(mean[:end]).reshape(system.n, BLOCK)[:, :2]
        variance = np.einsum("ij,ijk,ik->i", u, own, u) - 2 * (u * with_mean).sum(1)
        variance += mean[:end].reshape(system.n, BLOCK)[:, :2].ravel() @ with_mean.ravel()
        follows = (u * by_beta).sum(1)
        variance += beta_variance * (follows - follows.mean()) ** 2
        errors.append(np.sqrt(np.maximum(variance, 0.0)))
        common.append(np.sqrt(max(float(mean @ system.factor.solve(mean)), 0.0)))
    return errors[0], errors[1], np.array(common)
