"""A second limb in the same frame: two exposures in one, a reflection in the optics, or two discs side by
side.

The lock follows one limb through the whole sequence; the disc of another may lie where prominences are looked
for.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from promtrack.limb.circle import Circle, fit_limb
from promtrack.limb.find import (
    TOLERANCE_PX,
    SmallFrame,
    best_circle,
    edge_points,
    is_limb,
    on_circle,
    root_of,
)
from promtrack.limb.geometry import Place

CLEAR_PX = (
    4.0  # reduced pixels about the first limb that belong to it: its edge, the fringe and low prominences
)
ACROSS_PX = 3.0  # reduced pixels inside and outside of a limb between which its fall is taken
# Of the fall across the first limb: the steps of coarse digits about the Sun and reflections are less.
LEAST_FALL = 0.1
LEAST_COVERED = (
    0.75  # of the second limb inside the frame: real ones 0.86 and more, an arcade that bends like one 0.45
)


def second_limb(frame: np.ndarray, full_scale: float, first: Place, *, seed: int = 0) -> Circle | None:
    """The limb of another disc of the same size outside the one already found; None if there is none.

    Parameters
    ----------
    frame : (rows, columns) array
    full_scale : value at which the camera saturates
    first : the limb already found
    """
    small = SmallFrame(frame, full_scale)
    here = small.to_small(Circle(first.x_px, first.y_px, first.radius_px))
    points, outward, strength = edge_points(root_of(small.image))
    distance = np.hypot(points[:, 0] - here.x_px, points[:, 1] - here.y_px)
    other = np.abs(distance - here.radius_px) > CLEAR_PX
    points, outward, strength = points[other], outward[other], strength[other]
    if len(points) < 20:
        return None
    found = best_circle(
        points, outward, strength, small.image.shape, here.radius_px, np.random.default_rng(seed)
    )
    if found is None:
        return None
    on, cosine = on_circle(points, outward, found, 2 * TOLERANCE_PX)
    on &= cosine > 0.8
    fit = fit_limb(points[on], 0.5, guess=found, radius_px=here.radius_px)
    circle = Circle(fit.x_px, fit.y_px, fit.radius_px)
    apart = float(np.hypot(circle.x_px - here.x_px, circle.y_px - here.y_px))
    if apart <= CLEAR_PX or not is_limb(small.image, circle, points[on]):
        return None
    if _covered(small.image.shape, circle, here, points[on]) <= LEAST_COVERED:
        return None
    least = LEAST_FALL * _fall(small.image, here, circle)
    return small.to_full(circle) if _fall(small.image, circle, here) > max(least, 0.0) else None


def _covered(shape: tuple[int, int], second: Circle, first: Circle, edge: np.ndarray) -> float:
    """Part of the second limb inside the frame that has an edge, 0 where less of it is seen than half the
    first."""
    limb, whole = _inside(shape, second), _inside(shape, first)
    limb = limb[~_near(limb, first)]
    if len(limb) < 0.5 * len(whole):
        return 0.0
    return float(np.mean(cKDTree(edge).query(limb, distance_upper_bound=2.5)[0] < 2.5))


def _fall(image: np.ndarray, second: Circle, first: Circle) -> float:
    """Median fall of the light across the second limb, counts."""
    limb = _inside(image.shape, second)
    limb = limb[~_near(limb, first)]
    centre = np.array([second.x_px, second.y_px])
    outward = (limb - centre) / second.radius_px
    y, x = np.moveaxis(np.stack([limb - ACROSS_PX * outward, limb + ACROSS_PX * outward]), 2, 0)[::-1]
    inner, outer = map_coordinates(image, [y, x], order=1, mode="nearest")
    return float(np.median(inner - outer))


def _inside(shape: tuple[int, int], circle: Circle) -> np.ndarray:
    """(n, 2) x, y: points a pixel apart on the part of a circle inside the frame."""
    theta = np.linspace(0.0, 2.0 * np.pi, int(2.0 * np.pi * circle.radius_px), endpoint=False)
    x, y = circle.x_px + circle.radius_px * np.cos(theta), circle.y_px + circle.radius_px * np.sin(theta)
    seen = (x > 4) & (x < shape[1] - 5) & (y > 4) & (y < shape[0] - 5)
    return np.column_stack([x[seen], y[seen]])


def _near(points: np.ndarray, circle: Circle) -> np.ndarray:
    """Which points belong to a limb."""
    return (
        np.abs(np.hypot(points[:, 0] - circle.x_px, points[:, 1] - circle.y_px) - circle.radius_px) < CLEAR_PX
    )
