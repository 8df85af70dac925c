"""Recordings that are wrong in some way: none of them may be called good by the lock's and the scale's
checks."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from promtrack.checks import light
from promtrack.errors import PromtrackError
from promtrack.limb import LimbLock, lock_limb
from promtrack.scene import Hedgerow, SceneSpec, make_scene
from promtrack.sequence.records import Sequence
from promtrack.settings import CameraSettings, LimbSettings, SiteSettings

SPEC = SceneSpec(
    frames=20,
    shape=(300, 400),
    limb_arc_deg=40.0,
    cadence_s=60.0,
    hedgerows=(Hedgerow(at_deg=-6.0), Hedgerow(at_deg=9.0)),
)
SITE = SiteSettings(latitude_deg=47.0, longitude_deg=9.0)


def locked(
    sequence: Sequence, change: Callable[[np.ndarray, int], np.ndarray] | None = None, **settings: object
) -> LimbLock:
    """The lock on a scene whose frames were changed."""
    if change is not None:
        before = sequence.read
        sequence = replace(sequence, read=lambda index: change(before(index), index))
    return lock_limb(sequence, **settings)


def levels(lock: LimbLock) -> set[str]:
    return {light(lock.checks, subject)[0] for subject in ("lock", "scale")}


def test_an_unspoilt_recording_is_good():
    # TRUTH  nothing is wrong with it: without this the others would prove nothing
    assert levels(locked(make_scene(SPEC).sequence())) == {"good"}


def moved(frame: np.ndarray, x: float, y: float) -> np.ndarray:
    matrix = np.float32([[1, 0, x], [0, 1, y]])
    return cv2.warpAffine(frame, matrix, frame.shape[::-1], borderMode=cv2.BORDER_REPLICATE)


def double(frame: np.ndarray, index: int) -> np.ndarray:
    return cv2.addWeighted(frame, 0.6, moved(frame, 0, 40), 0.4, 0.0)


def two_discs(frame: np.ndarray, index: int) -> np.ndarray:
    return np.maximum(frame, frame[::-1])


def larger_later(frame: np.ndarray, index: int) -> np.ndarray:
    if index < 10:
        return frame
    large = cv2.resize(frame, None, fx=1.25, fy=1.25, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(large[: frame.shape[0], 50 : 50 + frame.shape[1]])


def stopped(frame: np.ndarray, index: int) -> np.ndarray:
    y, x = np.ogrid[: frame.shape[0], : frame.shape[1]]
    inside = np.hypot(x - 200, y - 150) < 120
    return np.where(inside, 30000 + frame // 64, 0).astype(frame.dtype)


def eclipsed(frame: np.ndarray, index: int) -> np.ndarray:
    y, x = np.mgrid[: frame.shape[0], : frame.shape[1]].astype(np.float32)
    away = np.hypot(x - 200 - index, y - 150)
    light_ = np.where(away < 90, 500.0, 30000.0 * np.exp(-(away - 90) / 12.0) + 300.0)
    return cv2.GaussianBlur(light_, (0, 0), 1.2).astype(frame.dtype)


def clouded(frame: np.ndarray, index: int) -> np.ndarray:
    """A thick cloud's edge that stands across the limb in every frame but a few."""
    x = np.arange(frame.shape[1]) - 200.0 + 9.0 * index
    clear = 0.02 + 0.98 / (1 + np.exp(x / 4.0)) if index % 4 else np.ones(frame.shape[1])
    return (frame * clear + 2500 * (1 - clear)).astype(frame.dtype)


@pytest.mark.parametrize("change", [double, two_discs, larger_later, stopped, eclipsed, clouded])
def test_spoilt_frames_are_not_called_good(change):
    # TRUTH  the change is the fault
    try:
        lock = locked(make_scene(SPEC).sequence(), change)
    except PromtrackError:
        return  # refused
    assert levels(lock) != {"good"}


@pytest.mark.parametrize(
    ("rate", "camera"),
    [
        (10.0, CameraSettings()),
        pytest.param(-10.0, CameraSettings(), marks=pytest.mark.long),
        pytest.param(0.0, CameraSettings(mount="altazimuth"), marks=pytest.mark.long),
        (0.0, CameraSettings(mount="altazimuth", mirrored=True)),
    ],
)
def test_a_wrong_mount_is_named(rate, camera):
    # TRUTH  the scene's rotation is not what the mount and the site give; 10 h UT at 47 degrees north: 15
    # degrees an hour
    spec = replace(SPEC, rotation_deg_h=rate, cadence_s=120.0, first_utc="2026-05-17T10:00:00")
    lock = locked(make_scene(spec).sequence(), camera=camera, site=SITE)
    level, sentences = light(lock.checks, "lock")
    assert level == "poor"
    assert any("The frames turn by" in sentence for sentence in sentences)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_radius_held_wrong_is_not_called_good(factor):
    scene = make_scene(SPEC)
    try:
        lock = locked(scene.sequence(), limb=LimbSettings(radius_px=factor * scene.truth.radius_px))
    except PromtrackError:
        return
    assert levels(lock) != {"good"}


@pytest.mark.parametrize("equal", [(4,), (4, 5, 6), tuple(range(1, 20))])
def test_equal_stamps_divide_by_nothing(equal):
    # TRUTH  the frames themselves are as they were
    scene = make_scene(SPEC)
    times = scene.sequence().times_utc.copy()
    for index in equal:
        times[index] = times[index - 1]
    lock = locked(replace(scene.sequence(), times_utc=np.sort(times)))
    assert np.isfinite(lock.centre_x_px[lock.used]).all()
    assert lock.radius_px == pytest.approx(scene.truth.radius_px, rel=0.03)


def test_a_change_of_exposure_is_no_cloud():
    # TRUTH  half and twice the gain in turn, nothing else
    scene = make_scene(replace(SPEC, exposure=0.2))
    lock = locked(
        scene.sequence(), lambda frame, index: (frame * (1.0, 0.35, 2.0)[index % 3]).astype(frame.dtype)
    )
    assert lock.used.all()
