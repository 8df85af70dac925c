"""A template laid on the one before: how sure its place is, from what its blocks say of each other."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from promtrack.limb.edge import Zone
from promtrack.limb.shifts import LINEAR_PX, Template, block_shifts, usual_shift
from promtrack.limb.template import LaidZone, make_template, zone_grid

RADIUS_PX = 1000.0
GRID = zone_grid(RADIUS_PX)
RAYS = np.arange(600)  # of the limb seen


def texture(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 1000.0 + 4000.0 * gaussian_filter(rng.normal(size=(2000, len(GRID.offset_px))), 3.0)


def template(light: np.ndarray, start: int, seed: int, first: Template | None = None) -> Template:
    rng = np.random.default_rng(seed)
    valid = np.ones((len(RAYS), light.shape[1]), bool)
    laid = [
        LaidZone(
            start + k,
            0.0,
            Zone(RAYS, (light + rng.normal(0, 5, light.shape)).astype(np.float32), valid),
            10.0,
        )
        for k in range(6)
    ]
    return make_template(laid, GRID, 60000.0, RADIUS_PX, first=first, align=True)


def test_the_same_limb_joins_well():
    # TRUTH  the same texture in both: nothing but noise, a small part of a pixel.
    light = texture(1)[300:900]
    first = template(light, 0, 2)
    assert template(light, 6, 3, first).joint_px < 0.1
    assert first.joint_px == np.inf  # it lies on none


def test_blocks_that_contradict_each_other_make_the_join_unsure():
    # TRUTH  every second stretch of 100 px has moved by 5 px one way, the others by 5 px the other way: they
    # scatter by 5 px and more, six of them, and the middle of them lies between -5 and 5 px from either.
    whole = texture(1)
    light, moved = whole[300:900], whole[300:900].copy()
    for k in range(6):
        shift = 5 if k % 2 else -5
        moved[100 * k : 100 * k + 100] = whole[300 + 100 * k + shift : 400 + 100 * k + shift]
    joint = template(moved, 6, 3, template(light, 0, 2)).joint_px
    assert 1.0 < joint < 12.0


def test_too_few_blocks_leave_the_join_open():
    # TRUTH  two thirds of the limb are replaced; the bound is ours
    light = texture(1)[300:900]
    first = template(light, 0, 2)
    other = texture(9)[300:900]
    few = light.copy()
    few[200:] = other[200:]  # a third of the limb is what it was
    assert template(few, 6, 3, first).joint_px > 0.3
    assert first.joint_px == pytest.approx(np.inf)


def test_a_frame_laid_beyond_the_linear_range_comes_back():
    # TRUTH  it lies 6 px off; a third of the limb is as bright as in the template, the rest has changed and
    # says nothing. Left out, the blocks beyond LINEAR_PX would leave the frame where it is.
    whole, other, first = texture(1), texture(9), template(texture(1)[300:900], 0, 2)
    off = 6
    assert off > LINEAR_PX
    for _ in range(4):
        light = whole[300 + off : 900 + off].copy()
        light[200:] = 1000.0 + 0.3 * (other[200:600] - 1000.0)
        zone = Zone(RAYS, light.astype(np.float32), np.ones(light.shape, bool))
        off += round(float(usual_shift(block_shifts(first, zone))[0]))
    assert abs(off) <= 1
