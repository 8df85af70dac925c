"""Scatter that is only the measurement's own."""

import numpy as np
import pytest

from promtrack.limb.steady import steadied

ERR = np.full(80, 0.1)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def test_sun_that_stands_still_is_measured_better():
    # TRUTH  50 runs of a Sun that drifts slowly and does not shake, measured to 0.1 px. A Gaussian mean of 3
    # frames' width would leave 0.31 of the noise; asked for is less than half of it.
    rng = np.random.default_rng(1)
    slow = 2.0 * np.sin(np.arange(80) / 30.0)
    left = [rms(steadied(slow + rng.normal(0, 0.1, 80), ERR) - slow) for _ in range(50)]
    assert np.mean(left) < 0.05


def test_sun_that_shakes_is_followed():
    # TRUTH  image motion of 0.5 px measured to 0.1 px: Wiener's share is 0.96, so no frame is worse for it.
    rng = np.random.default_rng(2)
    before, after = [], []
    for _ in range(50):
        true = rng.normal(0, 0.5, 80)
        seen = true + rng.normal(0, 0.1, 80)
        before.append(rms(seen - true))
        after.append(rms(steadied(seen, ERR) - true))
    assert np.mean(after) <= 1.02 * np.mean(before)


@pytest.mark.parametrize("frame", [0, 30, 79])
def test_a_single_jump_is_kept(frame):
    # TRUTH  a still Sun that jumps by 5 px in one frame: 50 of its errors, so real.
    seen = np.random.default_rng(3).normal(0, 0.1, 80)
    seen[frame] += 5.0
    assert steadied(seen, ERR)[frame] == seen[frame]


def test_a_handful_of_frames_is_left_alone():
    seen = np.random.default_rng(4).normal(0, 0.1, 8)
    assert (steadied(seen, ERR[:8]) == seen).all()
