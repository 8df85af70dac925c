"""Checks that are not the fit: two sizes of the Sun, told from air that moves the limb slowly; a turn of the
field, told from plasma that moves."""

import re

import numpy as np
import pytest
from scipy.signal import lfilter

from promtrack.limb.compare import one_radius
from promtrack.limb.measure import MOST_ALONG_PX, Pairs
from promtrack.limb.rotation import rotation_check

RADIUS_PX, SIGMA_PX, FRAMES = 1500.0, 15.0, 60
ERRORS = np.full(FRAMES, SIGMA_PX)


def radii(rng: np.random.Generator) -> np.ndarray:
    """Half of the variance from frame to frame, half with a memory of ten frames."""
    white = SIGMA_PX * np.sqrt(0.5)
    slow = lfilter([np.sqrt(1 - 0.9**2)], [1, -0.9], rng.normal(0, white, FRAMES + 100))[100:]
    return RADIUS_PX + slow + rng.normal(0, white, FRAMES)


def test_slow_air_is_no_second_recording():
    # TRUTH  one Sun; by the scatter from frame to frame alone, 25 of these 300 were called two recordings
    rng = np.random.default_rng(1)
    levels = [check.level for _ in range(300) for check in one_radius(radii(rng), ERRORS)]
    assert levels.count("poor") <= 2 * 3  # two checks a recording


@pytest.mark.parametrize("at", [10, 30, 48])
def test_a_change_of_optics_is_found(at):
    # TRUTH  a Sun of 8 % more pixels from one frame on
    rng = np.random.default_rng(2)
    for _ in range(20):
        radius = radii(rng)
        radius[at:] *= 1.08
        found = one_radius(radius, ERRORS)
        assert {check.subject for check in found if check.level == "poor"} == {"lock", "scale"}
        frame = int(found[0].sentence.split("from frame ")[1].split()[0])
        assert abs(frame - at) <= 2


def test_frames_of_another_size_between_the_others_are_found():
    # TRUTH  every second frame shows a Sun of a fifth less
    radius = radii(np.random.default_rng(3))
    radius[1::2] *= 0.8
    found = one_radius(radius, ERRORS)
    assert {check.subject for check in found if check.level == "poor"} == {"lock", "scale"}
    count, part = re.match(r"(\d+) frames show a Sun ([0-9.]+) %", found[0].sentence).groups()
    assert int(count) == 30
    assert abs(float(part) - 20.0) < 1.0  # the medians of 30 radii each wander by 0.3 %


@pytest.mark.parametrize("frames", range(1, 8))
def test_few_frames_of_one_size_are_one_size(frames):
    # TRUTH  one Sun
    radius = RADIUS_PX + np.random.default_rng(frames).normal(0, SIGMA_PX, frames)
    assert [check.level for check in one_radius(radius, ERRORS[:frames])] == ["good"]


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_zoom_is_found(sign):
    # TRUTH  a Sun that grows or shrinks by 8 % in all, over the same air
    rng = np.random.default_rng(4)
    for _ in range(20):
        found = one_radius(radii(rng) * (1 + sign * np.linspace(0, 0.08, FRAMES)), ERRORS)
        assert {check.subject for check in found if check.level == "poor"} == {"lock", "scale"}


def pairs(rng: np.random.Generator, deg_h: float, plasma_px: float) -> Pairs:
    """Two dozen frames a minute apart, in a field that turns: neighbours are laid on each other with 1 px of
    scatter and on plasma that moves by `plasma_px` from one to the next; frames farther apart, which that
    plasma has left, with 2 px of scatter."""
    parts = []
    for steps, err_px, moved_px in ((1, 1.0, plasma_px), (2, 2.0, 0.0), (4, 2.0, 0.0)):
        apart_s = np.full(24 - steps, 60.0 * steps)
        along = np.radians(deg_h) / 3600.0 * RADIUS_PX * apart_s + moved_px
        parts.append([np.full(24 - steps, steps), apart_s, along + rng.normal(0, err_px, 24 - steps)])
    return Pairs(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def test_plasma_that_moves_from_each_frame_to_the_next_is_no_turn():
    # TRUTH  2 px a minute in a field that stands: summed from neighbour to neighbour that was 4.6 +- 0.1
    # degrees an hour
    rng = np.random.default_rng(2)
    for _ in range(50):
        (check,) = rotation_check([pairs(rng, 0.0, 2.0)], RADIUS_PX, assumed_deg_h=0.0)
        assert check.level == "good", check.sentence


@pytest.mark.parametrize(("deg_h", "plasma_px"), [(15.0, 2.0), (-15.0, 1.0)])
def test_a_turn_is_seen_beside_plasma_that_moves(deg_h, plasma_px):
    # TRUTH  both at once
    rng = np.random.default_rng(4)
    for _ in range(50):
        (check,) = rotation_check([pairs(rng, deg_h, plasma_px)], RADIUS_PX, assumed_deg_h=0.0)
        assert check.level == "poor", check.sentence
        seen, err = map(float, re.search(r"turn by ([+-][\d.]+) \+- ([\d.]+)", check.sentence).groups())
        assert abs(seen - deg_h) < 5 * err + 0.01


def test_a_turn_too_fast_for_frames_far_apart_is_seen_by_those_near():
    # TRUTH  30 degrees an hour on 3800 px: 133 px in the four minutes between the farthest, which the search
    # for shifts does not reach, so that those are chance
    rng = np.random.default_rng(5)
    one = pairs(rng, 30.0 * 3800.0 / RADIUS_PX, 0.0)
    far = np.abs(one.along_px) > MOST_ALONG_PX
    assert far.any()
    lost = Pairs(one.steps, one.apart_s, np.where(far, rng.uniform(-80, 80, len(far)), one.along_px))
    (check,) = rotation_check([lost, lost], 3800.0, assumed_deg_h=0.0)
    assert check.level == "poor"
    assert "turn by +30" in check.sentence or "turn by +29" in check.sentence


def test_a_turn_is_measured_and_the_setting_that_fits_is_named():
    # TRUTH  15 degrees an hour beyond the -7 assumed; pulls of 50
    rng = np.random.default_rng(3)
    pulls = []
    settings = (("camera.mirrored=true", 8.0), ("camera.mount=equatorial", 0.0))
    for _ in range(50):
        (check,) = rotation_check([pairs(rng, 15.0, 0.0)], RADIUS_PX, assumed_deg_h=-7.0, settings=settings)
        assert check.level == "poor"
        seen, err = map(float, re.search(r"turn by ([+-][\d.]+) \+- ([\d.]+)", check.sentence).groups())
        pulls.append((seen - 8.0) / err)
        assert "camera.mirrored=true would fit" in check.sentence
    assert 0.6 < np.std(pulls) < 1.3
