"""Noise of what is measured along the limb, blocks and bins of edge: what a solution leaves of it in, its
covariance out.

The air displaces neighbouring blocks alike and anew in every frame; plasma that changes displaces each block
by itself, for minutes, by far more than the scatter of its pixels says. From one frame to the next the air
changes and the plasma hardly does, which tells the two apart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

FRAMES = 24  # of a sequence that the noise is fitted to: three parameters need no more
LEAST_BLOCKS = 5
PRIOR = 3.0  # factor within which a parameter is expected about its usual value


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
        """1 sigma of single blocks with errors of their own."""
        return np.sqrt((self.own * own_px) ** 2 + self.shared_px**2 + self.single_px**2)


def fit_block_noise(table: np.ndarray) -> BlockNoise:
    """Noise with the greatest restricted likelihood, the shift of each frame being free: of the air from the
    differences of neighbouring frames, of the plasma then from the residuals themselves.

    Parameters
    ----------
    table : (frames, blocks, 5) residual, place along the limb and own error in px, and the block's unit
        vector; nan where a block is not seen

    References
    ----------
    Restricted likelihood: Patterson & Thompson 1971, Biometrika 58, 545.
    """
    usual = BlockNoise()
    step = table[1:].copy()
    step[:, :, 0] = (table[1:, :, 0] - table[:-1, :, 0]) / np.sqrt(2)

    def air(logs: np.ndarray) -> BlockNoise:
        shared, length, own = map(float, np.exp(logs))
        return BlockNoise(shared_px=shared, length_px=length, single_px=0.0, own=own)

    of_air = _likeliest(step, air, [usual.shared_px, usual.length_px, usual.own])

    def plasma(logs: np.ndarray) -> BlockNoise:
        own, single = map(float, np.exp(logs))
        return replace(of_air, own=own, single_px=single)

    return _likeliest(table, plasma, [usual.own, usual.single_px])


def fit_edge_noise(table: np.ndarray) -> BlockNoise:
    """Noise of bins of the edge with the greatest restricted likelihood, place and radius of each row being
    free, since an arc's circle swallows long waves of the air, which would pass for quiet air.

    Parameters
    ----------
    table : (frames, bins, 6) residual in units of its scatter, place along the limb in px, ones, the bin's
        unit vector outward, ones; nan where a bin is not seen
    """

    def air(logs: np.ndarray) -> BlockNoise:
        shared, length, own = map(float, np.exp(logs))
        return BlockNoise(shared_px=shared, length_px=length, single_px=0.0, own=own)

    return _likeliest(table, air, [1.0, 50.0, 0.3])


def _likeliest(
    table: np.ndarray, noise_of: Callable[[np.ndarray], BlockNoise], start: list[float]
) -> BlockNoise:
    """The noise with the greatest restricted likelihood and lognormal priors about `start`: without these a
    few blocks would send a parameter to zero or beyond all limits."""
    picked = (
        table[np.unique(np.linspace(0, len(table) - 1, min(len(table), FRAMES)).astype(int))]
        if len(table)
        else table
    )
    seen = np.isfinite(picked).all(axis=2)
    enough = seen.sum(axis=1) >= LEAST_BLOCKS
    seen, rows = seen[enough], np.where(seen[..., None], picked, 0.0)[enough]
    first = np.log(start)
    both, eye = seen[:, :, None] & seen[:, None, :], np.eye(seen.shape[1])

    def cost(logs: np.ndarray) -> float:
        noise = noise_of(logs)
        prior = 0.5 * float((((logs - first) / np.log(PRIOR)) ** 2).sum())
        # a block that is not seen has a variance of 1 and no part in the likelihood
        covariance = np.where(both, noise.covariance(rows[..., 1], rows[..., 2]) + 1e-6 * eye, eye)
        factor = np.linalg.cholesky(covariance)
        white = np.linalg.solve(factor, rows[..., [*range(3, rows.shape[-1]), 0]])
        # the last pivot of the joint system is the square root of what the free unknowns leave
        joint = np.linalg.cholesky(np.swapaxes(white, 1, 2) @ white + 1e-9 * np.eye(white.shape[-1]))
        pivot = np.diagonal(joint, axis1=1, axis2=2)
        size = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum() + np.log(pivot[:, :-1]).sum()
        return prior + float(size + 0.5 * (pivot[:, -1] ** 2).sum())

    best = minimize(cost, first, method="Nelder-Mead", options={"xatol": 0.05, "fatol": 0.1})
    return noise_of(best.x)
