"""Templates of two stretches of time, joined by the frames that are measured against both."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from promtrack.limb.edge import Zone
from promtrack.limb.expected_geometry import expected_sky
from promtrack.limb.frame_limb import make_finder, start_from
from promtrack.limb.layout import LaidZone, Layout, make_template, zone_grid
from promtrack.limb.measure import LINEAR_PX, Against, Template, block_shifts, joint_px, measure, usual_shift
from promtrack.limb.records import shifted_place
from promtrack.scene import SceneSpec, make_scene
from promtrack.settings import CameraSettings, LimbSettings, SiteSettings

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


def joint_of(light: np.ndarray, old: np.ndarray) -> tuple[float, float] | None:
    """Of a frame that shows `light`, and whose template does, with a template of `old` before it."""
    valid = np.ones((len(RAYS), light.shape[1]), bool)
    grain = np.random.default_rng(4).normal(0, 5, light.shape)
    frame = Zone(RAYS, (light + grain).astype(np.float32), valid)
    return joint_px(*(block_shifts(template(one, at, at + 2), frame) for one, at in ((light, 6), (old, 0))))


def test_a_template_that_stands_beside_the_one_before_is_seen_to():
    # TRUTH  the same texture 2 px farther along: the joint is 2 px to a small part of a pixel. The frame
    # shows no shift against its own template and 2 px against the other.
    whole = texture(1)
    joint = joint_of(whole[298:898], whole[300:900])
    assert joint is not None
    assert joint[0] == pytest.approx(-2.0, abs=0.1)
    assert joint[1] < 0.1


def test_blocks_that_contradict_each_other_make_the_joint_unsure():
    # TRUTH  every second stretch of 100 px has moved by 3 px one way, the others by 3 px the other way: they
    # scatter by 3 px, a dozen blocks of them, and the middle of them lies between -3 and 3 px.
    whole = texture(1)
    light, moved = whole[300:900], whole[300:900].copy()
    for k in range(6):
        shift = 3 if k % 2 else -3
        moved[100 * k : 100 * k + 100] = whole[300 + 100 * k + shift : 400 + 100 * k + shift]
    joint = joint_of(moved, light)
    assert joint is not None
    assert abs(joint[0]) <= 3.1
    assert 0.5 < joint[1] < 3.0


def test_too_few_blocks_leave_the_joint_open():
    # TRUTH  nine tenths of the limb are darker than a fifth of what they were: not the same light
    light = texture(1)[300:900]
    old = light.copy()
    old[60:] *= 8.0
    assert joint_of(light, old) is None


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


@pytest.mark.parametrize("apart_px", [0.0, 8.0, -8.0])
def test_a_frame_is_looked_for_where_its_template_lies(apart_px):
    # TRUTH  the circles of the template's frames lay `apart_px` beside it along the limb, and the circle of
    # this one 6 px farther on, within the 8 px in which it is looked for; blocks tell the rest where they are
    # linear
    sequence = make_scene(SceneSpec(frames=8, shape=(300, 400), arcsec_per_px=2.0)).sequence()
    nowhere = (None,) * len(sequence)
    start = start_from(sequence, LimbSettings(), nowhere)
    sky = expected_sky(sequence.times_utc, site=SiteSettings(), camera=CameraSettings())
    finder = make_finder(start, sequence.full_scale, sky, nowhere)
    (_, template, _), *_ = Layout(sequence, finder, wide=False, turn_deg=np.zeros(8)).templates()
    frame, look = sequence.frame(4), finder.look(4, sequence.frame(4))
    phi = np.radians(np.median(look.theta_deg))
    along = np.array([-np.cos(phi), np.sin(phi)])

    def placed(off_px: float, template: Template) -> float:
        """Where a frame whose circle is so far off comes to lie along the limb."""
        beside = replace(look, place=shifted_place(look.place, *(-off_px * along)))
        near = template.near(sequence.time_s[4])
        itself = tuple(i for i in near if template.time_s[i] == sequence.time_s[4])
        against = Against(template.without(itself), template.without(near), None)
        laid = measure(frame, beside, 0.0, against, finder, 8.0, turning=False)
        return float(np.array([laid.place.x_px, laid.place.y_px]) @ along)

    right = placed(0.0, template)
    far = apart_px + np.sign(apart_px or 1.0) * 6.0
    assert placed(far, replace(template, along_px=apart_px)) == pytest.approx(right, abs=0.5 * LINEAR_PX)
