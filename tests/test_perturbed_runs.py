"""Recordings that are wrong in some way, forty of them: the lock's and the scale's checks may call none good
unless the Sun's place and size are right within their stated errors."""

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
import pytest

from promtrack.checks import light
from promtrack.errors import PromtrackError
from promtrack.limb import LimbLock, lock_limb
from promtrack.scene import Hedgerow, SceneSpec, SceneTruth, make_scene
from promtrack.sequence.records import Sequence
from promtrack.settings import CameraSettings, LimbSettings, SiteSettings

SPEC = SceneSpec(
    frames=12,
    shape=(300, 400),
    limb_arc_deg=40.0,
    cadence_s=100.0,
    hedgerows=(Hedgerow(at_deg=-6.0), Hedgerow(at_deg=9.0)),
)
SITE = SiteSettings(latitude_deg=47.0, longitude_deg=9.0)
FULL = 65535.0
Change = Callable[[np.ndarray, int], np.ndarray]


@lru_cache
def recording(spec: SceneSpec = SPEC) -> tuple[Sequence, SceneTruth]:
    """A scene rendered once for all tests."""
    scene = make_scene(spec)
    sequence = scene.sequence()
    frames = [sequence.frame(index) for index in range(len(sequence))]
    return replace(sequence, read=frames.__getitem__), scene.truth


def locked(change: Change | None = None, spec: SceneSpec = SPEC, **settings: object) -> LimbLock:
    """The lock on a scene whose frames were changed."""
    sequence, _ = recording(spec)
    if change is not None:
        before = sequence.read
        sequence = replace(sequence, read=lambda index: change(before(index), index))
    return lock_limb(sequence, **settings)


def levels(lock: LimbLock) -> set[str]:
    return {light(lock.checks, subject)[0] for subject in ("lock", "scale")}


def faults(lock: LimbLock, truth: SceneTruth, moves_px: np.ndarray | float = 0.0) -> list[str]:
    """Where place and size are off by more than their stated errors: a twentieth of the frames may be
    beyond four, none beyond six, about the frames' mean; the radius within four.

    Parameters
    ----------
    moves_px : (n, 2) or 0, how far the frames themselves were moved
    """
    facing = np.radians(SPEC.facing_deg)
    axes = np.array([[-np.sin(facing), -np.cos(facing)], [-np.cos(facing), np.sin(facing)]])
    apart = np.column_stack([lock.centre_x_px - truth.centre_x_px, lock.centre_y_px - truth.centre_y_px])
    error = ((apart - moves_px) @ axes.T)[lock.used]
    stated = np.column_stack([lock.centre_err_px, lock.along_err_px])[lock.used]
    pull = np.abs(error - np.median(error, axis=0)) / np.hypot(stated, 0.05)
    found = [f"place beyond six errors in {int((pull > 6).sum())} frames"] if (pull > 6).any() else []
    found += ["place beyond four errors too often"] if np.mean(pull > 4) > 0.05 else []
    off = abs(lock.radius_px - truth.radius_px) / lock.radius_err_px
    return found + ([f"radius off by {off:.1f} errors"] if off > 4 else [])


def test_an_unspoilt_recording_is_good():
    # TRUTH  nothing is wrong with it: without this the others would prove nothing
    lock = locked()
    assert levels(lock) == {"good"}
    assert not faults(lock, recording()[1])


def moved(frame: np.ndarray, x: float, y: float) -> np.ndarray:
    matrix = np.float32([[1, 0, x], [0, 1, y]])
    return cv2.warpAffine(frame, matrix, frame.shape[::-1], borderMode=cv2.BORDER_REPLICATE)


def double(frame: np.ndarray, index: int) -> np.ndarray:
    return cv2.addWeighted(frame, 0.6, moved(frame, 0, 40), 0.4, 0.0)


def two_discs(frame: np.ndarray, index: int) -> np.ndarray:
    return np.maximum(frame, frame[::-1])


def scaled(frame: np.ndarray, factor: float) -> np.ndarray:
    """The middle of the frame larger or smaller, in a frame of the same size."""
    height, width = frame.shape
    matrix = np.float32([[factor, 0, (1 - factor) * width / 2], [0, factor, (1 - factor) * height / 2]])
    return cv2.warpAffine(frame, matrix, (width, height), borderMode=cv2.BORDER_REPLICATE)


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


def negative(frame: np.ndarray, index: int) -> np.ndarray:
    return (FULL - frame).astype(frame.dtype)


def dark_disc(frame: np.ndarray, index: int) -> np.ndarray:
    """The disc darker than what surrounds it, as behind an occulter."""
    return np.where(frame > 12000, 800, frame).astype(frame.dtype)


def sky_only(frame: np.ndarray, index: int) -> np.ndarray:
    return np.ascontiguousarray(np.broadcast_to(frame[:1], frame.shape))


def disc_only(frame: np.ndarray, index: int) -> np.ndarray:
    return np.ascontiguousarray(np.broadcast_to(frame[-1:], frame.shape))


def half_black(frame: np.ndarray, index: int) -> np.ndarray:
    return frame * np.uint16(index % 2)


def white(frame: np.ndarray, index: int) -> np.ndarray:
    return np.full_like(frame, int(FULL))


def noise(frame: np.ndarray, index: int) -> np.ndarray:
    return np.random.default_rng(index).integers(0, int(FULL), frame.shape).astype(frame.dtype)


def squeezed(frame: np.ndarray, index: int) -> np.ndarray:
    """Lines shorter than columns, as after a wrong binning."""
    small = cv2.resize(frame, (200, 300), interpolation=cv2.INTER_AREA)
    return np.hstack([small, small[:, ::-1]])


def mask_with_light(frame: np.ndarray, index: int) -> np.ndarray:
    """A sharp round mask, larger than the Sun's limb is far, with nothing behind it."""
    y, x = np.ogrid[: frame.shape[0], : frame.shape[1]]
    return np.where(np.hypot(x - 200, y - 420) < 260, 40000, 0).astype(frame.dtype)


def other_sun_between(frame: np.ndarray, index: int) -> np.ndarray:
    """Every second frame from another session: smaller."""
    return scaled(frame, 0.8) if index % 2 else frame


WRONG = [double, stopped, eclipsed, clouded, negative, sky_only, white, squeezed, other_sun_between]
MORE_WRONG = [two_discs, dark_disc, disc_only, half_black, noise, mask_with_light]


def and_long(some: list[object], more: list[object]) -> list[object]:
    """Cases of which the second ones are long tests."""
    return [*some, *(pytest.param(one, marks=pytest.mark.long) for one in more)]


@pytest.mark.parametrize("change", and_long(WRONG, MORE_WRONG))
def test_spoilt_frames_are_not_called_good(change):
    # TRUTH  the change is the fault
    try:
        lock = locked(change)
    except PromtrackError:
        return  # refused
    assert levels(lock) != {"good"}


def bordered(frame: np.ndarray, index: int) -> np.ndarray:
    out = np.zeros_like(frame)
    out[20:-30, 35:-25] = frame[20:-30, 35:-25]
    return out


def cornered(frame: np.ndarray, index: int) -> np.ndarray:
    """A slanting black border, as after a turn of the picture."""
    y, x = np.ogrid[: frame.shape[0], : frame.shape[1]]
    return np.where(x + 0.3 * y > 90, frame, 0).astype(frame.dtype)


def dusty(frame: np.ndarray, index: int) -> np.ndarray:
    """Shadows of dust that stand still on the sensor."""
    y, x = np.ogrid[: frame.shape[0], : frame.shape[1]]
    shade = np.ones(frame.shape)
    for at_x, at_y in ((60, 190), (150, 150), (240, 200), (330, 160)):
        shade -= 0.25 * np.exp(-((np.hypot(x - at_x, y - at_y) / 9.0) ** 2))
    return (frame * shade).astype(frame.dtype)


def ghosted(frame: np.ndarray, index: int) -> np.ndarray:
    """A bright reflection that stands still on the sensor, above the limb."""
    y, x = np.ogrid[: frame.shape[0], : frame.shape[1]]
    ghost = 9000.0 * np.exp(-((np.hypot(x - 280, y - 130) / 12.0) ** 2))
    return np.minimum(frame + ghost, FULL).astype(frame.dtype)


def eight_bits(frame: np.ndarray, index: int) -> np.ndarray:
    return ((frame // 256) * 256).astype(frame.dtype)


def banded(frame: np.ndarray, index: int) -> np.ndarray:
    """Rows read at uneven levels."""
    band = np.random.default_rng(index).normal(0, 150, (frame.shape[0], 1))
    return np.clip(frame + band, 0, FULL).astype(frame.dtype)


def bright_columns(frame: np.ndarray, index: int) -> np.ndarray:
    out = frame.copy()
    out[:, [97, 98, 260]] = int(FULL)
    return out


def blurred_often(frame: np.ndarray, index: int) -> np.ndarray:
    return cv2.GaussianBlur(frame, (0, 0), 4.0) if index % 2 else frame


def gradient(frame: np.ndarray, index: int) -> np.ndarray:
    """Scattered light that grows across the frame."""
    return np.minimum(frame + np.linspace(0, 8000, frame.shape[1]), FULL).astype(frame.dtype)


def bird(frame: np.ndarray, index: int) -> np.ndarray:
    out = frame.copy()
    if index in (5, 6):
        cv2.line(out, (120 + 30 * index - 150, 170), (190 + 30 * index - 150, 215), 300, 22)
    return out


def exposures(frame: np.ndarray, index: int) -> np.ndarray:
    return (frame * (1.0, 0.35, 0.7)[index % 3]).astype(frame.dtype)


HARD = [cornered, dusty, ghosted, blurred_often, bird]
MORE_HARD = [bordered, eight_bits, banded, bright_columns, gradient, exposures]


@pytest.mark.parametrize("change", and_long(HARD, MORE_HARD))
def test_what_is_called_good_is_right(change):
    # TRUTH  the Sun stands where it stood: the change may cost frames, or the light, but not the place
    try:
        lock = locked(change)
    except PromtrackError:
        return
    assert levels(lock) != {"good"} or not faults(lock, recording()[1])


@pytest.mark.parametrize(("jump_px", "every"), [((25.0, -18.0), False), ((9.0, 14.0), True)])
def test_a_jump_of_the_guiding_is_followed(jump_px, every):
    # TRUTH  frames moved by a jump in the middle, or to and fro in every second frame
    index = np.arange(SPEC.frames)
    on = (index % 2 if every else index >= 6).astype(float)
    lock = locked(lambda frame, i: moved(frame, on[i] * jump_px[0], on[i] * jump_px[1]))
    assert levels(lock) != {"good"} or not faults(lock, recording()[1], on[:, None] * np.array(jump_px))


@pytest.mark.parametrize("columns", [30, 40, 70])
def test_a_limb_cut_short_is_refused(columns):
    # TRUTH  a strip of a limb of 40 degrees: 3 to 7 degrees, whose circle says nothing
    sequence, _ = recording()
    before, left = sequence.read, 200 - columns // 2
    part = slice(left, left + columns)
    short = replace(sequence, shape=(300, columns), read=lambda i: np.ascontiguousarray(before(i)[:, part]))
    with pytest.raises(PromtrackError, match="the limb is cut short"):
        lock_limb(short)


@pytest.mark.parametrize(
    ("rate", "camera"),
    [
        pytest.param(10.0, CameraSettings(), marks=pytest.mark.long),
        pytest.param(-10.0, CameraSettings(), marks=pytest.mark.long),
        pytest.param(0.0, CameraSettings(mount="altazimuth"), marks=pytest.mark.long),
        (0.0, CameraSettings(mount="altazimuth", mirrored=True)),
    ],
)
def test_a_wrong_mount_is_named(rate, camera):
    # TRUTH  the scene's rotation is not what the mount and the site give; 10 h UT at 47 degrees north: 15
    # degrees an hour
    spec = replace(SPEC, rotation_deg_h=rate, cadence_s=200.0, first_utc="2026-05-17T10:00:00")
    lock = locked(spec=spec, camera=camera, site=SITE)
    level, sentences = light(lock.checks, "lock")
    assert level == "poor"
    assert any("The frames turn by" in sentence for sentence in sentences)


@pytest.mark.parametrize("factor", and_long([0.8], [0.5, 1.25, 2.0]))
def test_a_radius_held_wrong_is_not_called_good(factor):
    truth = recording()[1]
    try:
        lock = locked(limb=LimbSettings(radius_px=factor * truth.radius_px))
    except PromtrackError:
        return
    assert levels(lock) != {"good"}


@pytest.mark.parametrize("factor", and_long([0.8], [0.5, 1.25, 2.0]))
def test_a_wrong_scale_is_not_called_good(factor):
    # TRUTH  the optics state a scale that is off by a factor
    camera = CameraSettings(arcsec_per_px=factor * 960.0 / recording()[1].radius_px)
    try:
        lock = locked(camera=camera)
    except PromtrackError:
        return
    assert levels(lock) != {"good"}


@pytest.mark.parametrize("factor", and_long([0.85, 1.1], [0.9, 1.25]))
def test_a_sun_of_another_size_half_way_is_not_trusted(factor):
    # TRUTH  the second half smaller or larger: the edge, sought near the circle of all frames, hides the
    # radius of those
    lock = locked(lambda frame, index: frame if index < 6 else scaled(frame, factor))
    assert light(lock.checks, "lock")[0] == light(lock.checks, "scale")[0] == "poor"


@pytest.mark.parametrize("equal", and_long([tuple(range(1, 12))], [(4,)]))
def test_equal_stamps_divide_by_nothing(equal):
    # TRUTH  the frames themselves are as they were
    sequence, truth = recording()
    times = sequence.times_utc.copy()
    for index in equal:
        times[index] = times[index - 1]
    lock = lock_limb(replace(sequence, times_utc=np.sort(times)))
    assert np.isfinite(lock.centre_x_px[lock.used]).all()
    assert lock.radius_px == pytest.approx(truth.radius_px, rel=0.03)


def test_a_change_of_exposure_is_no_cloud():
    # TRUTH  half and twice the gain in turn, nothing else
    spec = replace(SPEC, exposure=0.2)
    lock = locked(lambda frame, index: (frame * (1.0, 0.35, 2.0)[index % 3]).astype(frame.dtype), spec)
    assert lock.used.all()
