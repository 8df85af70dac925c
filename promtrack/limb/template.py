"""Templates: zones of some frames in, their mean out, each laid on the others along the limb.

A template is the mean zone of frames from one stretch of time and stays as it is, so that what moves cannot
draw it along; a later stretch has a template of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np

from promtrack.limb.edge import Grid, Zone, make_grid
from promtrack.limb.measure import (
    BLOCK,
    EDGE_ROWS_PX,
    MOST_ALONG_PX,
    Pairs,
    Template,
    block_shifts,
    blurred,
    coarse_shifts,
    row_of,
    usual_shift,
)
from promtrack.workers import map_ahead


@dataclass(frozen=True, slots=True, eq=False)
class LaidZone:
    """A frame's zone and the turn on which it was sampled."""

    time_s: float
    turn_deg: float
    zone: Zone
    reach_px: float  # farthest shift along the limb that it may need


def zone_grid(radius_px: float) -> Grid:
    """Rays and heights of the zone that the template holds. A larger picture of the Sun is no sharper in
    arcseconds, so that the samples grow with it."""
    # up to this radius the zone is sampled at every pixel
    pitch = float(np.clip(radius_px / 1200.0, 1.0, 2.5))
    return make_grid(radius_px, min(40 * pitch, 0.6 * radius_px), 70 * pitch, ray_px=pitch, pitch_px=pitch)


def make_template(
    laid: list[LaidZone],
    grid: Grid,
    ceiling: float,
    radius_px: float,
    *,
    first: Template | None = None,
    align: bool,
) -> Template:
    """Mean of some zones, in order of time, each shifted along the limb onto the others.

    Parameters
    ----------
    first : template of the stretch before, on which this one is laid
    align : whether the zones may be shifted; not where their circles place them better
    """
    zones, shift = [part.zone for part in laid], np.zeros((len(laid), 2))  # along the limb and outward
    block = _blocks_of(zones, grid)
    time_s = np.array([part.time_s for part in laid])

    def mean(count: int = len(zones)) -> Template:
        turn = np.array([part.turn_deg for part in laid]) + np.degrees(shift[:, 0] / radius_px)
        laid_on = _mean_of(zones[:count], shift, grid, block, ceiling, time_s)
        return replace(laid_on, turn_deg=turn, along_px=float(np.median(shift[:, 0])))

    if align:
        so_far = first or mean(1)
        # beyond such shifts circles alone do not make a template
        rough = float(np.median([part.reach_px for part in laid])) > 20.0
        # circles that place the frames well blur what stands still on the sensor, and not the Sun; where they
        # do not, each zone is laid on the mean of those before
        for i, zone in enumerate(zones if rough or first else []):
            if i or first:
                shift[i, 0] = shift[max(i - 1, 0), 0] if rough else 0.0
                shift[i, 0] += coarse_shifts(so_far, _moved(zone, shift[i], grid), laid[i].reach_px)[0]
                if not rough:
                    shift[i] += usual_shift(block_shifts(so_far, _moved(zone, shift[i], grid)))
            so_far = mean(i + 1) if rough else so_far
        if first is None:
            shift -= np.median(shift, axis=0)  # the first frame's circle is no better than the others'
        elif not rough:
            shift[:] = np.median(shift, axis=0)
        # from coarse to fine: sharp zones on each other's ghosts would stay there
        for blur_px in (10.0, 10.0, 6.0, 6.0, 4.0, 4.0):
            soft = [blurred(zone, blur_px, grid) for zone in zones]
            template = _mean_of(soft, shift, grid, block, ceiling, time_s)
            shift += list(map_ahead(partial(_shift_of, template), range(len(soft))))

    done = mean()
    done = replace(done, pairs=_pairs(done, zones))
    return done if align else replace(done, part=())


def _blocks_of(zones: list[Zone], grid: Grid) -> np.ndarray:
    """Numbers of the blocks on which these zones lie, as in `Template.block`."""
    seen = np.unique(np.concatenate([zone.ray for zone in zones]) // BLOCK)
    count = -(-len(grid.theta_deg) // BLOCK)
    gaps = np.diff(seen, append=seen[0] + count)
    widest = int(np.argmax(gaps))
    if gaps[widest] == 1:
        return np.arange(count)
    return (seen[(widest + 1) % len(seen)] - 1 + np.arange(count + 2 - gaps[widest])) % count


def _pairs(template: Template, zones: list[Zone]) -> Pairs:
    """Zones laid on those 1, 2, 4, ... before, as far apart as a third of them."""
    steps = [2**k for k in range(8) if 2**k <= max(1, len(zones) // 3)]

    def moved(i: int) -> list[tuple[int, int, float]]:
        one = [zones[i]], np.zeros((1, 2)), template.grid, template.block, template.ceiling, np.zeros(1)
        alone, later = _mean_of(*one), [(step, i + step) for step in steps if i + step < len(zones)]
        return [(step, k, coarse_shifts(alone, zones[k], MOST_ALONG_PX)[0]) for step, k in later]

    found = sorted(pair for pairs in map_ahead(moved, range(len(zones) - 1)) for pair in pairs)
    step, after, shift_px = np.array(found).reshape(-1, 3).T
    last, time_s = after.astype(int), template.time_s
    return Pairs(step.astype(int), time_s[last] - time_s[last - step.astype(int)], shift_px)


def _shift_of(template: Template, i: int) -> np.ndarray:
    """What shifts a part of a template along the limb and outward onto the others."""
    others = template.without(template.near(template.time_s[i]))
    return usual_shift(block_shifts(others, template.part[i]))


def _moved(zone: Zone, shift_px: np.ndarray, grid: Grid) -> Zone:
    """A zone shifted back by `shift_px` along the limb and outward."""
    if not shift_px.any():
        return zone
    rows, columns = float(shift_px[0]) / grid.step_px, float(shift_px[1]) / grid.pitch_px
    matrix = np.array([[1, 0, -columns], [0, 1, -rows]], np.float32)
    size = zone.value.shape[::-1]  # (x, y)
    value = cv2.warpAffine(zone.value, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    row = np.arange(len(zone.ray)) + rows
    inside = (row >= 0) & (row <= len(zone.ray) - 1)
    return replace(zone, value=value, valid=zone.valid & inside[:, None])


def _mean_of(
    zones: list[Zone], shift: np.ndarray, grid: Grid, block: np.ndarray, ceiling: float, time_s: np.ndarray
) -> Template:
    total, square, count = np.zeros((3, len(block) * BLOCK, len(grid.offset_px)), np.float32)
    light, parts = None, []
    for zone, by in zip(zones, shift, strict=False):
        moved, row = _moved(zone, by, grid), row_of(zone.ray, grid, block)
        inner = float(np.median(moved.value[::4, grid.offset_px < -EDGE_ROWS_PX]))
        light = light or max(inner, 1e-9)
        value = np.where(moved.valid, moved.value * np.float32(light / max(inner, 1e-9)), 0)
        parts.append(replace(moved, value=value))
        total[row] += value
        square[row] += value**2
        count[row] += moved.valid
    known = np.maximum(count, 1)
    mean = total / known
    scatter = np.maximum(square / known - mean**2, 0) * (known / np.maximum(known - 1, 1))
    scatter = cv2.blur(scatter, (1, 5))
    many = count > 1
    weight = (count > 0).astype(np.float32)
    if many[::4].any():
        usual = scatter[::4][many[::4]]
        floor = max(float(np.percentile(usual, 10)), 0.02 * float(usual.mean()), 1e-6)
        weight = np.where(many, 1 / (scatter + np.float32(floor)), 0).astype(np.float32)
    nothing = Pairs(*np.zeros((3, 0)))
    return Template(grid, block, mean, weight, count, ceiling, time_s, 0.0 * time_s, tuple(parts), nothing)
