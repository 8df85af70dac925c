"""Smooth random functions of time and of place that can be asked for at any moment in any order."""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["smooth_noise", "wander", "wandering_field"]


def wander(
    rng: np.random.Generator, time_s: np.ndarray | float, scale_s: float, count: int = 1
) -> np.ndarray:
    """`count` independent random functions of unit variance at `time_s`: (count, n).

    A sum of cosines of random frequency and phase; the correlation after a time t is exp(-t^2 / (2
    scale_s^2)).
    """
    terms = 24
    time_s = np.atleast_1d(np.asarray(time_s, dtype=float))
    rate = rng.normal(0.0, 1.0 / scale_s, (count, terms))
    phase = rng.uniform(0.0, 2 * np.pi, (count, terms))
    return np.sqrt(2.0 / terms) * np.cos(rate[..., None] * time_s + phase[..., None]).sum(axis=1)


def smooth_noise(
    rng: np.random.Generator, shape: tuple[int, int], scale: float | tuple[float, float]
) -> np.ndarray:
    """Random field of zero mean and unit variance; correlation exp(-d^2 / (2 scale^2)), scale (down,
    across)."""
    down, across = scale if isinstance(scale, tuple) else (scale, scale)
    # drawn on a coarse grid of about three samples a correlation length, then interpolated: the cost does not
    # grow with the scale
    step = max(down / 3.0, 1.0), max(across / 3.0, 1.0)
    rows, columns = int(shape[0] / step[0]) + 16, int(shape[1] / step[1]) + 16
    drawn = rng.standard_normal((rows, columns), dtype=np.float32)
    sigma = (across / step[1] / np.sqrt(2), down / step[0] / np.sqrt(2))
    coarse = cv2.GaussianBlur(
        drawn, (0, 0), sigmaX=max(sigma[0], 0.3), sigmaY=max(sigma[1], 0.3), borderType=cv2.BORDER_REFLECT
    )
    coarse = (coarse - coarse.mean()) / max(float(coarse.std()), 1e-9)
    x = (np.arange(shape[1], dtype=np.float32) / np.float32(step[1]) + 8)[None, :].repeat(shape[0], axis=0)
    y = (np.arange(shape[0], dtype=np.float32) / np.float32(step[0]) + 8)[:, None].repeat(shape[1], axis=1)
    return cv2.remap(coarse, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def wandering_field(
    rng: np.random.Generator, shape: tuple[int, int], time_s: float, scale: float, scale_s: float
) -> np.ndarray:
    """Two independent random fields (rows, columns, 2) of unit variance that change within `scale_s`."""
    # six samples a correlation length: straight lines between them miss a Gaussian-correlated field by 0.4 %
    # of its rms
    step = max(scale / 6.0, 1.0)
    y = np.arange(int(shape[0] / step) + 3) * step
    x = np.arange(int(shape[1] / step) + 3) * step
    terms = 96
    wave = rng.normal(0.0, 1.0 / scale, (2, 2, terms))
    rate = rng.normal(0.0, 1.0 / scale_s, (2, terms))
    phase = rng.uniform(0.0, 2 * np.pi, (2, terms)) + rate * time_s
    # cos(a + b) by the product of complex waves in x and in y: two thin matrices instead of a cube
    down = np.exp(1j * wave[:, 0, None, :] * y[None, :, None])
    across = np.exp(1j * (wave[:, 1, :, None] * x[None, None, :] + phase[..., None]))
    coarse = np.moveaxis(np.sqrt(2.0 / terms) * (down @ across).real, 0, -1).astype(np.float32)
    grow = np.array([[1 / step, 0, 0], [0, 1 / step, 0]], dtype=np.float32)
    return cv2.warpAffine(
        np.ascontiguousarray(coarse),
        grow,
        (shape[1], shape[0]),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
