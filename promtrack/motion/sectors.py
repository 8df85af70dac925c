"""Which parts of the limb are worth following a front in: strips in, sectors out.

The outermost trace above the noise is found in narrow steps of angle; a step is active when that trace moves
over the run by much more than it flickers. Neighbouring active steps make a sector.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import convolve1d, label, median_filter

from promtrack.abreast import abreast
from promtrack.motion.edge import (
    ABOVE_NOISE,
    LOWEST_MM,
    SMOOTH_PX,
    brightest_noise_sigma,
    detection_floor,
    smooth_along_px,
    smoothed,
)
from promtrack.strip.records import Strip

__all__ = ["STEP_MM", "propose_sectors"]

STEP_MM = 12.0  # width of a step of angle, at the limb
CORE = 0.7  # part of the largest displacement that still belongs to the front's top
LEAST_MM = 4.0  # smaller displacements are the edge's own unrest


def propose_sectors(strip: Strip, count: int = 3) -> tuple[tuple[float, float], ...]:
    """The most active sectors, the most active first, as (from_deg, to_deg) in product angles.

    A sector holds the steps of angle that move nearly as far as its most active one, so that a quiet
    neighbour which stands higher at first is left out. Without any activity nothing is proposed.
    """
    trace, width = _traces(strip)
    activity = _activity(trace)
    sectors: list[tuple[float, float]] = []
    while len(sectors) < count and activity.max(initial=0.0) > 0:
        top = int(activity.argmax())
        core, _ = label(activity >= CORE * activity[top])
        steps = np.flatnonzero(core == core[top])
        first, last = steps[0] * width, min((steps[-1] + 1) * width, strip.geometry.columns) - 1
        sectors.append((float(strip.geometry.angle_deg(first)), float(strip.geometry.angle_deg(last))))
        region, _ = label(activity > 0)
        activity = np.where(region == region[top], 0.0, activity)  # the flanks of a front are no second front
    return tuple(sectors)


def _traces(strip: Strip) -> tuple[np.ndarray, int]:
    """(n, steps) height of the outermost trace, nan without one; and the columns in a step."""
    geometry = strip.geometry
    along_px = smooth_along_px(geometry)
    width = int(np.clip(round(STEP_MM / geometry.mm_per_column(0.0)), 4, geometry.columns))
    steps = geometry.columns // width
    first_row = int(np.clip(np.ceil(geometry.row(LOWEST_MM)), 0, geometry.rows - 8))
    height = np.asarray(geometry.height_mm(np.arange(first_row, geometry.rows)), float)
    left = 1 / np.sqrt(
        4 * np.pi * along_px * SMOOTH_PX
    )  # of white noise; twice that: resampling correlates it
    floor = (
        2
        * left
        * (brightest_noise_sigma(width * len(height), along_px) + ABOVE_NOISE)
        * strip.noise[first_row:]
    )
    floor = floor.astype(np.float32)

    def trace(picture: np.ndarray) -> np.ndarray:
        smooth, _, step = smoothed(picture[first_row:, : steps * width], along_px)
        profile = np.maximum.reduceat(smooth, np.arange(steps) * width // step, axis=1).T
        above = profile >= detection_floor(profile, floor)
        last = len(height) - 1 - above[:, ::-1].argmax(axis=1)
        return np.where(above.any(axis=1), height[last], np.nan)

    return np.array(list(abreast(trace, strip.each()))), width


def _activity(trace: np.ndarray) -> np.ndarray:
    """(steps,) displacement over the run times the height reached; 0 where it is within the unrest.

    The height counts because the flanks of an arch sweep up from the limb as far as its top rises, but the
    front is the top. A front goes its way once. A trace that hops between the plasma and a blotch of sky goes
    it many times over, so the displacement counts by the part it makes of the whole way gone, squared.
    """
    n = len(trace)
    filled = np.where(np.isfinite(trace), trace, 0.0)  # an edge that appears out of nothing has moved too
    window = max(3, 2 * (n // 16) + 1)
    slow = median_filter(filled, (min(window, n), 1), mode="nearest")
    flicker = 1.4826 * np.median(np.abs(filled - slow), axis=0)
    low, high = np.percentile(slow, [5, 95], axis=0)
    travel = high - low
    way = np.abs(np.diff(slow, axis=0)).sum(axis=0)
    straight = np.minimum(travel / np.maximum(way, LEAST_MM), 1.0)
    score = np.where(
        travel > np.maximum(LEAST_MM, 5 * flicker), (travel - 5 * flicker) * straight**2 * high, 0.0
    )
    return np.where(
        score > 0, convolve1d(score, [0.25, 0.5, 0.25], mode="nearest"), 0.0
    )  # a front is wider than a step
