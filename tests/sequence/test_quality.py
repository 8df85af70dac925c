"""Sharpness against truths of our own; bursts."""

from itertools import pairwise

import cv2
import numpy as np
import pytest

from promtrack.errors import InputError
from promtrack.sequence import sequence_from_arrays
from promtrack.sequence.bursts import best_of_bursts, find_bursts, reduce_bursts
from promtrack.sequence.quality import sharpness
from promtrack.settings import TimesSettings


def limb(blur_px=1.0, *, sky=300.0, noise=10.0, seed=0, shape=(240, 320)):
    """A disc that fills the lower part, scattered light that falls off above it, a prominence, noise."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    height = 700 - np.hypot(x - 160, y - 820)
    frame = 9000.0 * (height > 0) + 400.0 * np.exp(np.minimum(height, 0) / 15)
    frame += 1500.0 * (np.hypot(x - 90, y - 90) < 12)
    frame = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), blur_px) + sky
    return frame + np.random.default_rng(seed).normal(0, noise, shape).astype(np.float32)


@pytest.mark.parametrize(
    "frame", [np.zeros((30, 40), np.uint8), np.full((30, 40), 65535, np.uint16), np.ones((1, 1), np.float32)]
)
def test_flat_frames_do_no_harm(frame):
    assert sharpness(frame) == 0.0


def test_sharpness_falls_with_blur_and_is_free_of_gain():
    scores = [sharpness(limb(blur)) for blur in (1.0, 1.5, 2.0, 3.0, 4.5)]
    assert all(sharper > softer for sharper, softer in pairwise(scores))
    # TRUTH  the steepest slope of a step blurred by sigma is 1 / (sqrt(2 pi) sigma) of its height; here with
    # the blur of the measure itself (1 px): sigma^2 = 2^2 + 1
    assert scores[2] == pytest.approx(1 / np.sqrt(2 * np.pi * 5), rel=0.1)
    frame = limb(2.0)
    assert sharpness(3.0 * frame + 1000.0) == pytest.approx(sharpness(frame), rel=1e-3)


def test_bursts_are_found():
    start = np.datetime64("2026-05-17T09:31:20", "us")
    offsets = np.concatenate([60.0 * k + 0.05 * np.arange(30) for k in range(6)])
    times = start + np.round(offsets * 1e6).astype("timedelta64[us]")
    assert find_bursts(times) == tuple((30 * k, 30 * k + 30) for k in range(6))
    assert find_bursts(times[10:-10])[0] == (0, 20)


@pytest.mark.parametrize(
    "offsets",
    [
        np.arange(50) * 10.0,
        np.r_[np.arange(20) * 10.0, 600 + np.arange(3) * 10.0, 2000.0, 3000.0],
        np.arange(3) * 1.0,
        np.ravel(np.arange(3)[:, None] * 600.0 + np.arange(10) * 10.0),  # each run lasts too long
        np.ravel(np.arange(4)[:, None] * 86400.0 + np.arange(5)),  # a day between them
    ],
)
def test_steady_recordings_are_no_bursts(offsets):
    times = np.datetime64("2026-05-17T09:31:20", "us") + np.round(offsets * 1e6).astype("timedelta64[us]")
    assert find_bursts(times) == ()
    frames = np.zeros((len(offsets), 8, 8), np.uint8)
    with pytest.raises(InputError, match="not recorded in bursts"):
        reduce_bursts(sequence_from_arrays(frames, times, full_scale=255.0))


def test_a_reduced_burst_is_sharp_and_quiet():
    # TRUTH  of ten frames a burst three are sharp, each moved by up to 2 px; the mean of these keeps their
    # sharpness and has sqrt(3) less noise than one (the shift to a common place averages noise a little
    # further)
    rng = np.random.default_rng(5)
    frames, offsets = [], []
    for k in range(4):
        for i in range(10):
            frame = limb(1.2 if i < 3 else 4.0, noise=0.0)
            dx, dy = rng.uniform(-2, 2, 2)
            moved = cv2.warpAffine(
                frame, np.array([[1, 0, dx], [0, 1, dy]]), frame.shape[::-1], borderMode=cv2.BORDER_REPLICATE
            )
            frames.append(moved + rng.normal(0, 40, frame.shape).astype(np.float32))
            offsets.append(60.0 * k + 0.05 * i)
    times = np.datetime64("2026-05-17T09:31:20", "us") + np.round(np.array(offsets) * 1e6).astype(
        "timedelta64[us]"
    )
    sequence = sequence_from_arrays(frames, times, full_scale=65535.0)
    reduced = reduce_bursts(sequence)
    assert len(reduced) == 4
    assert (reduced.times_utc[1] - times[0]) / np.timedelta64(1, "s") == pytest.approx(60.225)
    one, mean = frames[10], reduced.frame(1)
    sky = (slice(5, 40), slice(200, 300))
    assert 1.5 < np.std(one[sky]) / np.std(mean[sky]) < 3.0
    assert sharpness(mean) > 0.9 * sharpness(limb(1.2, noise=20.0))


def test_bursts_are_reduced_unless_all_frames_are_asked_for():
    times = np.datetime64("2026-05-17T09:00:00", "us") + (np.arange(30) + 60 * (np.arange(30) // 6)).astype(
        "timedelta64[s]"
    )
    frames = np.random.default_rng(1).integers(0, 255, (30, 40, 60)).astype(np.uint8)
    sequence = sequence_from_arrays(frames, times, full_scale=255.0)
    kept = best_of_bursts(sequence, TimesSettings(bursts="keep"))
    assert len(kept) == 30
    assert any("5 bursts" in note for note in kept.notes)
    assert len(best_of_bursts(sequence, TimesSettings())) == 5
