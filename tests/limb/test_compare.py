"""Two sizes of the Sun in one recording, told from air that moves the limb slowly."""

import re

import numpy as np
import pytest
from scipy.signal import lfilter

from promtrack.limb.compare import one_radius

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
