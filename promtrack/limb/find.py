"""Finding the limb of one frame without any guess: on any side, of any arc, whole or cut by the borders.

The frame is reduced to a few hundred pixels, its steepest edges are thinned to lines, and circles through
three edge points are tried at random; the circle wins that has the most edge along it with the bright side
inside.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from promtrack.limb.edge import FAR_SIGMA, MAD, LimbNotFound, SmallFrame, fit_circle
from promtrack.limb.records import Place

TOLERANCE_PX = 1.5  # reduced pixels off the circle
ACROSS_PX = 3.0  # reduced pixels inside and outside of a circle between which its fall is taken


def find_limb(small: SmallFrame, *, radius_px: float | None = None) -> Place:
    """The circle of the limb in full px, to about a reduced pixel, from nothing but one frame. `radius_px`:
    radius of the limb, if known. Raises LimbNotFound: with what was seen instead."""
    wanted = None if radius_px is None else radius_px / small.factor
    # the root suits a disc in white light; where an arcade outshines the disc only the logarithm shows the
    # limb
    for even in (root_of, _logarithm):
        found = limb_among(small.image, *edge_points(even(small.image)), wanted)
        if found is None:
            continue
        circle, _ = found
        rim = visible_rim(small.image.shape, circle)
        # slopes of light fall up to 1.7 times as much across a circle as beside it, limbs 2.3 times and more
        if wanted is not None or _steeper_than_beside(small.image, circle, rim, 2.0):
            return small.to_full(circle)
    raise LimbNotFound(_what_instead(small))


def limb_among(
    image: np.ndarray, points: np.ndarray, outward: np.ndarray, strength: np.ndarray, radius_px: float | None
) -> tuple[Place, np.ndarray] | None:
    """The circle of a limb among edge points, of that radius if given, and (n, 2) points on it; or None."""
    best = _best_circle(points, outward, strength, image.shape, radius_px) if len(points) >= 20 else None
    if best is None:
        return None
    offset = points - [best.x_px, best.y_px]
    distance = np.hypot(offset[:, 0], offset[:, 1])
    on = (offset * outward).sum(axis=1) > 0.8 * np.maximum(distance, 1e-9)
    on &= np.abs(distance - best.radius_px) < 2 * TOLERANCE_PX
    circle = fit_circle(points[on], best, radius_px=radius_px)
    return (circle, points[on]) if is_limb(image, circle, points[on]) else None


def root_of(image: np.ndarray) -> np.ndarray:
    """Square root of an image [y, x] above its darkest, float32: noise is then about even."""
    return np.sqrt(np.maximum(image - np.percentile(image, 0.5), 0)).astype(np.float32)


def _logarithm(image: np.ndarray) -> np.ndarray:
    dark, quarter = np.percentile(image, [0.5, 25])
    floor = 0.5 * (quarter - dark) + 1e-6 * image.max() + 1e-9
    return np.log(np.maximum(image - dark, 0) + floor).astype(np.float32)


def _what_instead(small: SmallFrame) -> str:
    dark, middle, bright = np.percentile(small.image, (5, 50, 95)) / small.full_scale
    low, high = float(small.image.min()), float(small.image.max())
    if high <= 0:
        what = "no limb: the frame is all black"
    elif low == high:
        what = f"no limb: the frame is constant, {high:g} everywhere"
    elif middle > 0.9:
        what = "no limb: the frame is nearly burnt out everywhere"
    elif bright - dark < 0.02:
        light = f"no limb: only even light at {100 * middle:.1f} % of full scale"
        what = f"{light} (cloud, closed cover, or the Sun outside)"
    elif middle > 0.15:
        light = f"no limb: bright all over ({100 * middle:.0f} % of full scale) without the Sun's edge"
        what = f"{light}; the disc seems to fill the frame"
    else:
        to = f"{100 * (bright - dark):.0f} % of full scale"
        what = f"no limb: no circular edge (brightness from dark to {to})"
    return what


def edge_points(even: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n, 2) points x, y on thinned edges of an image [y, x], (n, 2) unit vectors from bright to dark there,
    and (n,) a capped strength."""
    even = cv2.GaussianBlur(even, (0, 0), 1.2)
    gx = cv2.Sobel(even, cv2.CV_32F, 1, 0, ksize=3) / 8
    gy = cv2.Sobel(even, cv2.CV_32F, 0, 1, ksize=3) / 8
    size = np.hypot(gx, gy)
    noise = 1.25 * float(np.median(size))
    y, x = np.mgrid[0 : even.shape[0], 0 : even.shape[1]].astype(np.float32)
    unit_x, unit_y = gx / (size + 1e-12), gy / (size + 1e-12)
    before = cv2.remap(size, x + unit_x, y + unit_y, cv2.INTER_LINEAR)
    after = cv2.remap(size, x - unit_x, y - unit_y, cv2.INTER_LINEAR)
    ridge = (size >= before) & (size > after) & (size > 1.5 * noise)
    ridge[:3], ridge[-3:], ridge[:, :3], ridge[:, -3:] = False, False, False, False
    rows, columns = np.nonzero(ridge)
    order = np.argsort(size[rows, columns])[::-1][:2500]
    rows, columns = rows[order], columns[order]
    # vertex of the parabola through the three values across the ridge
    left, middle, right = after[rows, columns], size[rows, columns], before[rows, columns]
    shift = np.clip(0.5 * (right - left) / np.maximum(2 * middle - left - right, 1e-9), -0.5, 0.5)
    direction = np.column_stack([unit_x[rows, columns], unit_y[rows, columns]])
    points = np.column_stack([columns, rows]) + shift[:, None] * direction
    strength = middle / max(float(np.percentile(middle, 60)), 1e-12) if len(rows) else middle
    return points.astype(float), -direction.astype(float), np.minimum(strength, 1.5)


def _best_circle(
    points: np.ndarray,
    outward: np.ndarray,
    strength: np.ndarray,
    shape: tuple[int, ...],
    wanted_radius: float | None,
) -> Place | None:
    """The circle through three edge points, tried at random, that has the most edge along it; or None."""
    chance = strength**2 / (strength**2).sum()
    picks = np.random.default_rng(0).choice(len(points), size=(6000, 3), p=chance)
    x, y, radius = _circles_through(points[picks])
    size = max(shape)
    good = np.isfinite(radius) & (radius > 2 * ACROSS_PX) & (radius < 40 * size)
    if wanted_radius is not None:
        good &= np.abs(radius / wanted_radius - 1) < 0.20
    centre = np.stack([x, y], axis=1)[:, None, :]
    with np.errstate(invalid="ignore"):
        radial = (points[picks] - centre) / radius[:, None, None]
        cosine = (radial * outward[picks]).sum(-1)
        good &= (cosine > 0.85).all(axis=1)
    circles = np.column_stack([x, y, radius])[np.flatnonzero(good)[:500]]
    if not len(circles):
        return None
    # some of the points sort out most of the circles
    some = slice(None, None, 4)
    promising = circles[np.argsort(_score(circles, points[some], outward[some], strength[some]))[-60:]]
    score = _score(promising, points, outward, strength)
    best = int(np.argmax(score))
    return Place(*map(float, promising[best])) if score[best] > 0 else None


def _score(circles: np.ndarray, points: np.ndarray, outward: np.ndarray, strength: np.ndarray) -> np.ndarray:
    """(c,) how much edge lies along each of (c, 3) circles. A full circle has more of it than a short arc of
    the same quality only because it is longer: no penalty for that."""
    dx, dy = points[:, 0] - circles[:, :1], points[:, 1] - circles[:, 1:2]
    distance = np.sqrt(dx * dx + dy * dy)
    near = np.clip(1 - ((distance - circles[:, 2:]) / TOLERANCE_PX) ** 2, 0, None)
    facing = dx * outward[:, 0] + dy * outward[:, 1] > 0.85 * distance
    return (near * facing) @ strength


def _circles_through(triples: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centres and radii of the circles through (n, 3, 2) points; nan or inf for points on a line."""
    a, b, c = triples[:, 0], triples[:, 1], triples[:, 2]
    ab, ac = b - a, c - a
    cross = 2 * (ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        ab2, ac2 = (ab**2).sum(1), (ac**2).sum(1)
        ux = (ac[:, 1] * ab2 - ab[:, 1] * ac2) / cross
        uy = (ab[:, 0] * ac2 - ac[:, 0] * ab2) / cross
        return a[:, 0] + ux, a[:, 1] + uy, np.hypot(ux, uy)


def is_limb(image: np.ndarray, circle: Place, on: np.ndarray) -> bool:
    """Whether edge points cover much of the circle inside the frame, and it is brighter inside all along."""
    unit = visible_rim(image.shape, circle)
    if len(unit) < 12 or covered(image.shape, circle, unit, on) < 0.45:
        return False
    return _brighter_inside(image, circle, unit, ACROSS_PX)


def visible_rim(shape: tuple[int, ...], circle: Place) -> np.ndarray:
    """(k, 2) directions x, y from the centre of points a pixel apart on the circle, inside a frame."""
    theta = np.linspace(0, 2 * np.pi, int(np.clip(2 * np.pi * circle.radius_px, 64, 20000)), endpoint=False)
    unit = np.column_stack([np.cos(theta), np.sin(theta)])
    limb = _at(circle, unit, 0.0)
    return unit[((limb > 4) & (limb < np.array(shape[::-1]) - 5)).all(axis=1)]


def covered(shape: tuple[int, ...], circle: Place, unit: np.ndarray, edge: np.ndarray) -> float:
    """Part of the points of a circle in these directions with one of the (n, 2) edge points within 2 px."""
    marked = np.zeros(shape, np.uint8)
    marked[np.round(edge[:, 1]).astype(int), np.round(edge[:, 0]).astype(int)] = 1
    column, row = np.round(_at(circle, unit, 0.0)).astype(int).T
    return float(cv2.dilate(marked, np.ones((5, 5), np.uint8))[row, column].mean())


def falls(image: np.ndarray, circle: Place, unit: np.ndarray, *edges_px: float) -> list[np.ndarray]:
    """Fall of the light of an image [y, x] in (k, 2) directions between each of the distances outside the
    circle and the next, (k,) counts each."""
    light = []
    for away in edges_px:
        x, y = (np.ascontiguousarray(part, np.float32)[None] for part in _at(circle, unit, away).T)
        light.append(cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0])
    return [inner - outer for inner, outer in pairwise(light)]


def _at(circle: Place, unit: np.ndarray, away_px: float) -> np.ndarray:
    return np.array([circle.x_px, circle.y_px]) + (circle.radius_px + away_px) * unit


def _steeper_than_beside(image: np.ndarray, circle: Place, unit: np.ndarray, least: float) -> bool:
    """Whether the light falls more across the circle than just inside and just outside it: an edge, not the
    slope of a cloud or of the middle of the disc. Where the radius is known no slope passes, but a limb
    blurred by a jump may."""
    inside, across, outside = map(
        np.median, falls(image, circle, unit, -3 * ACROSS_PX, -ACROSS_PX, ACROSS_PX, 3 * ACROSS_PX)
    )
    return across > least * max(inside + outside, 0.0) / 2.0


def fall_at(small: SmallFrame, circle: Place) -> float:
    """Median fall of the light across the visible part of a circle stated beforehand, in full pixels; 0 where
    it does not get darker there, and more than beside it."""
    here = small.to_small(circle)
    unit = visible_rim(small.image.shape, here)
    # a rough limb at a place stated beforehand falls 18 times as much and more, some px beside it up to 2.8
    if len(unit) < 12 or not (
        _brighter_inside(small.image, here, unit, 2 * ACROSS_PX)
        and _steeper_than_beside(small.image, here, unit, 3.0)
    ):
        return 0.0
    return np.median(falls(small.image, here, unit, -ACROSS_PX, ACROSS_PX)[0])


def _brighter_inside(image: np.ndarray, circle: Place, unit: np.ndarray, reach: float) -> bool:
    (step,) = falls(image, circle, unit, -reach, reach)
    middle = np.median(step)
    noise = MAD * np.median(np.abs(step - middle)) + 1e-9
    return middle > 0 and middle / noise * np.sqrt(len(step)) > FAR_SIGMA
