"""Bursts: found by their pauses, and reduced to one frame that is as sharp as the best and far quieter."""

import cv2
import numpy as np
import pytest

from promtrack.sequence import sequence_from_arrays
from promtrack.sequence.bursts import best_of_bursts, find_bursts, local_shift_px, sharpness
from promtrack.settings import TimesSettings

SHAPE = (360, 480)


def smooth_noise(rng, sigma_px):
    field = cv2.GaussianBlur(rng.normal(0, 1, SHAPE).astype(np.float32), (0, 0), sigma_px)
    return field / field.std()


def sun():
    """A textured disc in the lower part, scattered light above it, a prominence of threads."""
    rng = np.random.default_rng(99)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    height = 1400 - np.hypot(x - 240, y - 1590)
    light = np.where(
        height > 0, 9000 + 500 * smooth_noise(rng, 2.0), 400 * np.exp(np.minimum(height, 0) / 15)
    )
    threads = 1500 * np.clip(smooth_noise(rng, 1.5) + 0.3, 0, None) * (np.hypot(x - 180, y - 130) < 45)
    return cv2.GaussianBlur((light + threads).astype(np.float32), (0, 0), 0.8) + 300


def seen(truth, rng, *, blur_px, warp_px, noise):
    """The Sun through the air: shifted as a whole and locally (smooth over 30 px), blurred, with noise."""
    dx, dy = (warp_px * smooth_noise(rng, 30.0) + rng.normal(0, 1.5) for _ in "xy")
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    x, y = (x + dx).astype(np.float32), (y + dy).astype(np.float32)
    moved = cv2.remap(truth, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return cv2.GaussianBlur(moved, (0, 0), blur_px) + rng.normal(0, noise, SHAPE).astype(np.float32)


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_a_reduced_burst_is_as_sharp_as_its_best_frame_and_has_half_its_noise(seed):
    # TRUTH  ten frames a minute of seeing; goal: sharpness of the best frame within 3 %, noise below half
    rng = np.random.default_rng(seed)
    truth = sun()
    frames = [seen(truth, rng, blur_px=b, warp_px=0.5, noise=60.0) for b in rng.uniform(1.0, 1.6, 20)]
    times = np.datetime64("2026-05-17T09:31:20", "us") + np.r_[:10, 60:70] * np.timedelta64(1, "s")
    reduced = best_of_bursts(sequence_from_arrays(frames, times, full_scale=65535.0), TimesSettings())
    assert len(reduced) == 2
    assert (reduced.times_utc[1] - times[0]) / np.timedelta64(1, "s") == pytest.approx(64.5)
    assert "single one's noise" in reduced.notes[-1]
    best, mean = max(frames[10:], key=sharpness), reduced.frame(1)
    sky = (slice(5, 60), slice(300, 450))
    assert sharpness(mean) > 0.97 * sharpness(best)
    assert np.std(mean[sky]) < 0.5 * np.std(best[sky])
    np.testing.assert_array_equal(reduced.frame(1), mean)


def test_the_disc_at_one_border_does_not_ring_in_the_sky_at_the_other():
    # TRUTH  sky of 300 counts at the upper border, a disc of 9300 at the lower one, noise of 60 in one frame.
    # The rows at the top stay within 4 standard errors of one frame's row.
    rng = np.random.default_rng(8)
    frames = [seen(sun(), rng, blur_px=b, warp_px=0.5, noise=60.0) for b in rng.uniform(1.0, 2.5, 20)]
    times = np.datetime64("2026-05-17T09:31:20", "us") + np.r_[:10, 60:70] * np.timedelta64(1, "s")
    reduced = best_of_bursts(sequence_from_arrays(frames, times, full_scale=65535.0), TimesSettings())
    for frame in (reduced.frame(0), reduced.frame(1)):
        rows = frame[:6, 20:-20].mean(axis=1)
        assert rows == pytest.approx(np.full(6, 300.0), abs=4.0 * 60.0 / np.sqrt(SHAPE[1] - 40))


def test_local_shifts_are_found():
    # TRUTH  a smooth warp of 0.8 px rms and a shift as a whole; within 0.15 px rms on the textured disc
    rng = np.random.default_rng(5)
    truth = sun()
    dx, dy = 0.8 * smooth_noise(rng, 30.0) + 2.0, 0.8 * smooth_noise(rng, 30.0) - 1.0
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    moved = cv2.remap(truth, (x + dx).astype(np.float32), (y + dy).astype(np.float32), cv2.INTER_CUBIC)
    shift = local_shift_px(moved, truth)
    disc = (slice(240, 320), slice(70, 410))  # away from the borders, beyond which nothing is known
    assert np.std((shift[0] - dx)[disc]) < 0.15
    assert np.std((shift[1] - dy)[disc]) < 0.15


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
    sequence = sequence_from_arrays(frames, times, full_scale=255.0)
    assert best_of_bursts(sequence, TimesSettings()) is sequence


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
