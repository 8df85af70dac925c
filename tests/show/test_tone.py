"""Tone: looks, the join at the limb, steadiness, noise."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage.color import rgb2lab

from promtrack.show.palette import LOOKS, bgr_to_ycc, palette_bgr, palette_ycc, ycc_to_bgr
from promtrack.show.radial_profile import frame_level, quiet_sun
from promtrack.show.tone import (
    HIGHEST,
    LOWEST,
    STEPS_PER_PX,
    _dithered,
    _grid,
    _unswayed,
    make_toner,
    tone_frame,
)
from promtrack.show.view import affine_to_frame
from tests.show.clip_case import CENTRE, RADIUS_PX, SHAPE, lock_of, picture_of, sequence_of, view_of


def toner_of(frames, lock, look="ember", zoom=1.0):
    view = view_of(zoom)
    return make_toner(quiet_sun(sequence_of(frames), lock, view), view, look, lock), view


def limb_distance():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.hypot(x - CENTRE[0], y - CENTRE[1]) - RADIUS_PX


@pytest.mark.parametrize("look", LOOKS)
def test_lightness_rises_evenly(look):
    # TWIN  scikit-image's L*, perceptually even lightness (CIE 15:2004), of the sRGB
    # colours. Band: 8-bit colours place L* to about 0.4 (half a step of G near black), so 0.75 off a straight
    # line and no fall.
    lightness = rgb2lab(palette_bgr(look)[None, :, ::-1] / 255.0)[0, :, 0]
    line = np.linspace(*LOOKS[look].lightness, 256)
    assert np.abs(lightness - line).max() < 0.75
    assert (np.diff(lightness) > -0.05).all()
    assert lightness[-1] - lightness[0] > 90.0


def test_bt709_code_values():
    # PUBLISHED  ITU-R BT.709-6, items 3.2 to 3.5: 8-bit codes of white, black and the pure primaries (100 %
    # bars).
    bgr = np.array([[255, 255, 255], [0, 0, 0], [0, 0, 255], [0, 255, 0], [255, 0, 0]])
    codes = np.rint(bgr_to_ycc(bgr))
    assert codes.tolist() == [[235, 128, 128], [16, 128, 128], [63, 102, 240], [173, 42, 26], [32, 240, 118]]


def test_colour_round_trip():
    # TRUTH  8-bit Y'CbCr steps are coarser than RGB steps by 255/219, and blue by 1.8556 * 255/224: at most 2
    # off.
    for look in LOOKS:
        back = ycc_to_bgr(palette_ycc(look).T[None].copy())[0]
        assert np.abs(back.astype(int) - palette_bgr(look)).max() <= 2


@pytest.mark.parametrize("burnt", [False, True])
@pytest.mark.parametrize("look", LOOKS)
def test_no_rim_and_no_ringing_at_the_limb(look, burnt):
    # TRUTH  the scene falls steadily from disc to sky, so the tone must too: no rim brighter than the disc
    # beside it and no dark ring, at most 2 of 255 steps against the fall (noise of a median over some 200
    # pixels is below 1).
    frames = [picture_of(seed=i, burnt=burnt, prominence=0.0) for i in range(8)]
    toner, view = toner_of(frames, lock_of(8), look)
    tone = tone_frame(frames[3], toner, view, lock_of(8), 3)
    out = limb_distance()
    profile = np.array([np.median(tone[np.abs(out - q) < 0.5]) for q in np.arange(-25.0, 30.0)])
    assert (np.diff(profile) <= 2.0).all()
    assert profile[0] - profile[-1] > 0.7 * 255 * LOOKS[look].disc_limb


@pytest.mark.parametrize(("shift", "least"), [(1, 0.59), (2, 0.45)])
def test_no_dark_seam_where_the_air_displaces_the_limb(shift, least):
    # TRUTH  a disc with a fringe of spicules outside it; one frame stands 1 or 2 px off, towards the Sun's
    # centre. No line darker than that share of the disc's tone stands between disc and fringe; with the
    # disc's contrast carried to its very edge it was at 0.4 and 0.06.
    out, row = limb_distance(), np.mgrid[: SHAPE[0], : SHAPE[1]][1]
    fringe = 600.0 * np.clip(1.0 - np.abs(out - 4.0) / 4.0, 0.0, 1.0)
    frames = [(picture_of(seed=i, prominence=0.0) + fringe).astype(np.uint16) for i in range(8)]
    toner, view = toner_of(frames, lock_of(8))
    tone = tone_frame(np.roll(frames[3], shift, axis=0), toner, view, lock_of(8), 3).astype(float)
    middle = np.abs(row - CENTRE[0]) < 60.0  # where down is towards the Sun's centre
    profile = [np.median(tone[(np.abs(out - q) < 0.5) & middle]) for q in np.arange(-8.0, 4.0 - shift)]
    assert min(profile) > least * profile[0]
    assert max(profile[-2:]) > min(profile)


def test_a_jagged_profile_leaves_no_lines_along_the_limb():
    # TRUTH  a disc whose quiet profile comes down in steps of 3 %, as a rough limb's does: its contrast stays
    # within a tenth.
    frames = [picture_of(seed=i, prominence=0.0) for i in range(8)]
    toner, _ = toner_of(frames, lock_of(8))
    at = np.arange(-40.0, 20.0, 0.5)
    stairs = 4000.0 * 0.97 ** np.floor((at + 40.0) / 7.0)
    factor = _unswayed(
        replace(toner.quiet, limb_px=at, sun=stairs, halo=0.0 * at), np.full(len(at), 2.7 / 4000.0)
    )
    assert factor.min() > 0.9
    assert (
        _unswayed(toner.quiet, np.full(len(toner.quiet.limb_px), 2.7 / 4000.0)).min() < 0.5
    )  # while a limb proper is calmed


def test_a_step_in_the_faint_sky_draws_no_line_through_plasma():
    # TRUTH  sky 12 counts brighter, four times the noise of a pixel, within 11 px of the limb: from px
    # to px the gain on plasma beyond 6 px changes by less than a quarter, so that no edge is seen.
    step = np.where(limb_distance() < 11.0, 12, 0)
    frames = [(picture_of(seed=i) + step).astype(np.uint16) for i in range(8)]
    toner, _ = toner_of(frames, lock_of(8))
    at = ((np.arange(6.0, 25.0) - toner.nearest_px) * STEPS_PER_PX).astype(int)
    assert np.abs(np.diff(np.log(toner.gain[0, at]))).max() < 0.25


def test_one_exposure_shows_disc_and_prominence():
    # TRUTH  a prominence of 4 % of the disc and disc texture of 15 % are both plain to see in one frame.
    frames = [picture_of(seed=i, texture=0.15) for i in range(8)]
    toner, view = toner_of(frames, lock_of(8))
    tone = tone_frame(frames[0], toner, view, lock_of(8), 0).astype(float)
    out = limb_distance()
    column = slice(166, 175)
    plume, sky = (
        tone[:, column][np.abs(out[:, column] - 15.0) < 4.0],
        tone[:, 20:80][np.abs(out[:, 20:80] - 15.0) < 4.0],
    )
    assert plume.mean() - sky.mean() > 100.0
    assert tone[out < -20.0].std() > 6.0


def test_burnt_disc_is_calm():
    # TRUTH  a saturated disc holds no data, so it gets a smooth tone of its own: no grain but the dither,
    # which takes a pixel at most one step from its neighbours' mean (1.25 with what the mean itself is off).
    frames = [picture_of(seed=i, texture=0.15, burnt=True) for i in range(8)]
    toner, view = toner_of(frames, lock_of(8))
    assert toner.quiet.burnt
    tone = tone_frame(frames[0], toner, view, lock_of(8), 0).astype(np.float32)
    inside = limb_distance() < -20.0
    assert np.abs(tone - cv2.GaussianBlur(tone, (0, 0), 2.0))[inside].max() <= 1.25


def test_steady_through_cloud_and_gain_change():
    # TRUTH  gain 0.6 to 1.3, a sky of up to 500 counts and twice the halo leave disc, plume and sky within 4
    # of 255 steps. The lock's own transparency and sky are given 3 % and 20 counts wrong, as a real lock's
    # may be.
    rng = np.random.default_rng(2)
    gain, sky, veil = rng.uniform(0.6, 1.3, 10), rng.uniform(0, 500, 10), rng.uniform(0.6, 2.0, 10)
    frames = [picture_of(g, s, v, seed=i) for i, (g, s, v) in enumerate(zip(gain, sky, veil, strict=True))]
    lock = lock_of(10, gain=gain * rng.normal(1, 0.03, 10), sky=sky + rng.normal(0, 20, 10))
    toner, view = toner_of(frames, lock)
    out = limb_distance()
    tones = [tone_frame(frame, toner, view, lock, i) for i, frame in enumerate(frames)]
    plume = np.zeros(SHAPE, bool)
    plume[:, 166:175] = np.abs(out[:, 166:175] - 15.0) < 4.0
    for region in (out < -20.0, plume, out > 100.0):
        level = [float(tone[region].mean()) for tone in tones]
        assert np.ptp(level) < 4.0


def test_frame_level_is_found():
    # TRUTH  a frame whose level the lock does not know at all. The halo over the disc cannot be seen, only
    # carried on from outside; 20 counts wrong there are 0.5 % of the disc. Sky and the halo's far end are
    # nearly the same thing: 25 counts.
    frames = [picture_of(seed=i) for i in range(8)] + [picture_of(0.7, 300.0, 1.5, seed=9)]
    lock = lock_of(9)
    toner, view = toner_of(frames[:8], lock_of(8))
    level = frame_level(frames[8], affine_to_frame(view, lock, 8), toner.quiet, lock, 8)
    assert level.gain == pytest.approx(0.7, rel=0.01)
    assert level.veil / level.gain == pytest.approx(1.5 / 0.7, rel=0.10)
    assert level.sky == pytest.approx(300.0, abs=25.0)


def test_empty_sky_does_not_boil():
    # TRUTH  noise of 1 % of the plume reaches at most 2 % of the tone scale.
    frames = [picture_of(seed=i) for i in range(8)]
    toner, view = toner_of(frames, lock_of(8))
    tone = tone_frame(frames[5], toner, view, lock_of(8), 5)
    assert tone[limb_distance() > 90.0].std() < 0.02 * 255.0


@pytest.mark.parametrize("count", [1, 2])
def test_the_sky_of_a_single_picture_does_not_boil(count):
    # TRUTH  the same noise in one frame or two, whose scatter in time tells nothing.
    frames = [picture_of(seed=i) for i in range(count)]
    toner, view = toner_of(frames, lock_of(count))
    tone = tone_frame(frames[0], toner, view, lock_of(count), 0)
    assert tone[limb_distance() > 90.0].std() < 0.02 * 255.0


def test_frame_border_goes_over_calmly():
    # TRUTH  a frame that has drifted by 60 px leaves a part of the picture bare: no edge above 12 of 255
    # steps a pixel there, and the bare part is the quiet Sun's tone.
    shift = [(0.0, 0.0)] * 7 + [(60.0, 0.0)]
    frames = [
        picture_of(seed=i, prominence=0.0, centre=(CENTRE[0] + s[0], CENTRE[1])) for i, s in enumerate(shift)
    ]
    lock = lock_of(8, shift_px=shift)
    toner, view = toner_of(frames, lock)
    tone = tone_frame(frames[7], toner, view, lock, 7).astype(int)
    far_right = np.s_[180:, 270:]
    calm = toner.calm[0][_grid(toner, view)[0]].astype(int)
    assert np.abs(tone[far_right] - calm[far_right]).max() <= 1
    edge = cv2.GaussianBlur(tone[200:].astype(np.float32), (0, 0), 1.5)
    assert np.abs(np.diff(edge, axis=1)).max() < 12.0


def test_what_no_frame_shows_is_the_quiet_sun_and_no_border_is_seen():
    # TRUTH  a view twice as wide as the frames: beside them disc and sky go on as the quiet Sun, so that no
    # step of more than 12 of 255 shows between them after a blur of five px.
    lock, frames = lock_of(4), [picture_of(seed=i) for i in range(4)]
    narrow = view_of(2.0)
    wide = replace(narrow, width=2 * narrow.width, sun_x_px=narrow.sun_x_px + narrow.width / 2)
    toner = make_toner(quiet_sun(sequence_of(frames), lock, wide), wide, "ember", lock)
    tone = tone_frame(frames[0], toner, wide, lock, 0).astype(float)
    distance = wide.height_map_px()
    beside = np.s_[:, : narrow.width // 2 - 4]
    assert np.median(tone[beside][distance[beside] < -30.0]) == pytest.approx(
        np.median(tone[distance < -30.0]), abs=4.0
    )
    assert np.median(tone[beside][distance[beside] > 60.0]) < 12.0
    for row in (wide.height - 60, 40):
        assert np.abs(np.diff(cv2.blur(tone[row : row + 1], (5, 1))[0])).max() < 12.0


def lightness(tone, look):
    """CIE L* of tones."""
    return rgb2lab(palette_bgr(look)[None, :, ::-1] / 255.0)[0, :, 0][tone]


@pytest.mark.parametrize("look", LOOKS)
def test_the_disc_is_at_most_half_as_bright_as_the_prominence(look):
    # TRUTH  a prominence of 4 % of the disc's counts: the disc's median L* is at most half of that of the
    # plasma (pixels with a tenth of the plume's peak or more), in every look.
    frames = [picture_of(seed=i, texture=0.15) for i in range(8)]
    toner, view = toner_of(frames, lock_of(8), look)
    tone = tone_frame(frames[0], toner, view, lock_of(8), 0)
    bare = [
        picture_of(seed=i, texture=0.15, prominence=p, noise=0.0).astype(float)
        for i, p in ((0, 1.0), (0, 0.0))
    ]
    out = limb_distance()
    plasma = (bare[0] - bare[1] > 24.0) & (out > 4.0)
    assert np.median(lightness(tone[out < -20.0], look)) <= 0.5 * np.median(lightness(tone[plasma], look))


def test_faint_loops_are_lifted_out_of_the_dark():
    # TRUTH  a loop of 1/12 of the brightest plasma, 15 sigma of the noise: its median L* is 30 or more, where
    # the empty sky's stays below 8.
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    loop = 90.0 * np.exp(-0.5 * ((np.hypot(x - 230.0, y - 128.0) - 55.0) / 4.0) ** 2) * (limb_distance() > 2)
    blob = 1080.0 * np.exp(-0.5 * (np.hypot(x - 100.0, y - 100.0) / 5.0) ** 2)
    frames = [
        (picture_of(seed=i, prominence=0.0, noise=6.0) + loop + blob).astype(np.uint16) for i in range(8)
    ]
    toner, view = toner_of(frames, lock_of(8))
    tone = tone_frame(frames[0], toner, view, lock_of(8), 0)
    assert np.median(lightness(tone[loop > 60.0], "ember")) > 30.0
    sky = (limb_distance() > 60.0) & (loop + blob < 1.0)
    assert np.median(lightness(tone[sky], "ember")) < 8.0


def test_slow_gradients_do_not_show_as_bands():
    # TRUTH  a noiseless halo that falls slowly over 100 px: without dithering its tone is a staircase of flat
    # steps; with it every stretch of 24 px on a step holds two tones, and the mean follows the slope within
    # 0.35 of a tone.
    frames = [picture_of(seed=i, prominence=0.0) for i in range(8)]
    toner, _ = toner_of(frames, lock_of(8))
    value = np.repeat(np.linspace(0.10, 0.16, 200, dtype=np.float32)[None], 256, axis=0)
    steps = np.rint((value - LOWEST) * (65535.0 / (HIGHEST - LOWEST))).astype(np.uint16)
    tone = _dithered(cv2.LUT(steps, toner.curve), toner.dither[:, :200]).astype(float)
    mean = tone.mean(axis=0)
    fit = np.polyval(np.polyfit(np.arange(200), mean, 3), np.arange(200))
    assert np.abs(mean - fit).max() < 0.35
    assert np.mean(tone.std(axis=0) > 0.05) > 0.8


def test_a_bright_arcade_keeps_its_shades():
    # TRUTH  plasma as bright as 0.35 of the disc over a third of the sky: less than 2 % of it at the top
    # tone, its brightest tenth still told from its brighter half.
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    out = np.hypot(x - CENTRE[0], y - CENTRE[1]) - RADIUS_PX
    arcade = (
        2100.0
        * np.exp(-0.5 * ((x - 150.0) / 60.0) ** 2)
        * (0.55 + 0.45 * np.sin(x / 3.0))
        * ((out > 2) & (out < 70))
    )
    frames = [np.clip(picture_of(seed=i) + arcade, 0, 16383).astype(np.uint16) for i in range(4)]
    toner, view = toner_of(frames, lock_of(4))
    tone = tone_frame(frames[0], toner, view, lock_of(4), 0)[(arcade > 200.0)]
    assert np.mean(tone >= 250) < 0.02
    bright, brightest = np.percentile(tone, (50, 95))
    assert brightest - bright > 40
