"""The face of the Sun in H-alpha: limb darkening and the slowly changing pattern of mottles and fibrils."""

from __future__ import annotations

import cv2
import numpy as np

from promtrack.scene.threads import draw_threads, trace
from promtrack.scene.wander import smooth_noise

__all__ = ["darkening", "disc_texture"]


def darkening(distance: np.ndarray, coefficient: float) -> np.ndarray:
    """Brightness at `distance` (limb radii) from the disc's centre: I(mu) = 1 - u (1 - mu); the limb's value
    outside.

    mu stays above 0.1, as in a layer of some thickness: a plain mu would fall ever faster towards the limb,
    and pull the steepest fall inward by some hundredths of a pixel.
    """
    mu = np.sqrt(np.maximum(1.0 - distance * distance, 0.0, dtype=np.float32) + np.float32(0.01))
    return (1.0 - coefficient) + np.float32(coefficient) * mu


def disc_texture(
    rng: np.random.Generator, x: np.ndarray, y: np.ndarray, radius_px: float, mm_per_px: float
) -> np.ndarray:
    """Contrast of zero mean and about unit variance on pixels (x, y) from the Sun's centre: (rows, columns).

    The pattern is drawn in an equal-area plane of the sphere, then seen in perspective: towards the limb it
    is squeezed along the radius, as the real one is.
    """
    distance = np.minimum(np.hypot(x, y) / radius_px, 1.0)
    # Lambert's equal-area plane: 2 R sin(psi / 2), psi the angle from the disc's centre
    stretch = np.where(
        distance > 1e-6, 2.0 * np.sin(0.5 * np.arcsin(distance)) / np.maximum(distance, 1e-6), 1.0
    )
    step_mm = max(mm_per_px, 0.35)
    u, v = x * stretch * mm_per_px / step_mm, y * stretch * mm_per_px / step_mm
    left, top = float(u.min()) - 2, float(v.min()) - 2
    shape = int(v.max() - top) + 4, int(u.max() - left) + 4
    pattern = _chromosphere(rng, shape, step_mm)
    seen = cv2.remap(pattern, (u - left).astype(np.float32), (v - top).astype(np.float32), cv2.INTER_LINEAR)
    # in the last few Mm under the limb the line of sight crosses many structures, and their contrast fades
    depth = (1.0 - distance) * radius_px * mm_per_px
    return seen * (0.35 + 0.65 * np.clip(depth / 25.0, 0.0, 1.0)).astype(np.float32)


def _chromosphere(rng: np.random.Generator, shape: tuple[int, int], step_mm: float) -> np.ndarray:
    """Network, mottles and fibrils on a plane of `step_mm` a sample, unit variance."""
    network = smooth_noise(rng, shape, 14.0 / step_mm)
    swirl = smooth_noise(rng, shape, 11.0 / step_mm) * 2.2 + smooth_noise(rng, shape, 30.0 / step_mm) * 2.0
    area_mm2 = shape[0] * shape[1] * step_mm**2
    count = int(np.clip(area_mm2 / 9.0, 50, 150_000))
    seeds = np.column_stack((rng.uniform(0, shape[1], count), rng.uniform(0, shape[0], count)))
    length = rng.gamma(4.0, 1.8, count) / step_mm
    points, weights = trace(seeds, length, np.cos(swirl), np.sin(swirl), step=max(0.6, 0.6 / step_mm))
    sign = np.where(rng.random(count) < 0.6, -1.0, 1.0) * rng.gamma(2.0, 0.5, count)
    weights *= np.sign(sign)[:, None]
    weights = weights * np.abs(sign)[:, None]
    fibrils = _signed(points, weights, shape, 0.45 / step_mm)
    mottles = smooth_noise(rng, shape, 1.6 / step_mm)
    mix = 0.75 * _unit(fibrils) + 0.45 * mottles + 0.55 * np.clip(network, -1.5, 2.5)
    return _unit(mix)


def _signed(points: np.ndarray, weights: np.ndarray, shape: tuple[int, int], width: float) -> np.ndarray:
    size = (*points.shape[:2],)
    bright = draw_threads(points, np.maximum(weights, 0), np.zeros(size[0], int), 1, shape, max(width, 0.5))[
        0
    ]
    dark = draw_threads(points, np.maximum(-weights, 0), np.zeros(size[0], int), 1, shape, max(width, 0.5))[0]
    return bright - dark


def _unit(field: np.ndarray) -> np.ndarray:
    return (field - field.mean()) / max(float(field.std()), 1e-9)
