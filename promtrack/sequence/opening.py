"""Open a recording: a folder, a film or a cube in, a Sequence out.

Headers only are read here, and a few frames to learn how bright the camera can get.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from promtrack.errors import InputError
from promtrack.rounding import counted
from promtrack.sequence.bursts import with_exposure_classes
from promtrack.sequence.calibrate import Calibration, calibrated, load_calibration
from promtrack.sequence.fits_header import line_of_light, solar_headers
from promtrack.sequence.frame_source import (
    Found,
    Plan,
    as_stored,
    channel_plan,
    develop,
    displayed,
    full_scale,
)
from promtrack.sequence.readers import as_set, find_frames, other_files
from promtrack.sequence.records import Rejected, Sequence, TimeReport, spread_over
from promtrack.sequence.sort_by_time import Session, by_time, sessions_of
from promtrack.sequence.times import frame_times
from promtrack.settings import CameraSettings, Settings, TimesSettings


def open_sequence(
    path: str | Path, *, times: TimesSettings = TimesSettings(), camera: CameraSettings = CameraSettings()
) -> Sequence:
    """The recording at `path`, ordered by time; frames are read when asked for. `path`: a folder of TIFF,
    PNG, JPEG or FITS files or of films, one film, one multi-page TIFF or one FITS cube. Raises InputError: no
    frame can be used, with the reason; SettingsError: a setting of `times` or `camera` cannot be used."""
    path = Path(path)
    found, left_out = find_frames(path, bayer=camera.bayer)
    others = [name for name in other_files(path, found, left_out) if name != Path(times.table).name]
    try:
        found, odd = _alike([as_set(frame, camera) for frame in found])
        timed = frame_times(found, times, path if path.is_dir() else path.parent)
        ordered = by_time(timed, times)
    except InputError as error:
        raise error.at(str(path)) from None
    left_out = [*left_out, *odd, *ordered.left_out]
    frames = ordered.frames
    notes = list(ordered.notes)
    if others:
        count = counted(len(others), "other file")
        notes.insert(0, f"{count} ignored (not images): {others[0]}{', ...' * (len(others) > 1)}")
    ask = frames[0].colour == "mono" and camera.bayer == "auto"
    samples, plan = _samples(frames, str(path), refuse_raw_colour=ask)
    calibration = load_calibration(camera, frames[0].shape, plan)
    full = full_scale(samples, frames[0])
    headers = solar_headers(frames)

    def read(index: int) -> np.ndarray:
        shown = displayed(frames[index], plan)
        return shown if calibration is None else calibrated(shown, calibration, full)

    sequence = Sequence(
        path=path,
        names=tuple(frame.name for frame in frames),
        times_utc=ordered.times_utc,
        shape=frames[0].shape,
        full_scale=full,
        read=read,
        time_report=ordered.report,
        unreadable=tuple(left_out),
        notes=(*notes, *_notes(frames, plan, calibration, samples)),
        headers=headers if any(headers) else (),
        exposures_s=np.array([frame.stamps.exposure_s for frame in frames]),
        line=line_of_light(frames[0].stamps.fits),
    )
    return with_exposure_classes(sequence)


def sessions(source: Path, settings: Settings | None = None) -> list[Session]:
    """The sessions of the recording at `source`. Raises what `open_sequence` does."""
    settings = settings or Settings()
    return sessions_of(open_sequence(Path(source), times=settings.times, camera=settings.camera))


def _alike(frames: list[Found]) -> tuple[list[Found], list[Rejected]]:
    """The frames of the size and depth that most have, and the others."""

    def form(frame: Found) -> str:
        return f"{frame.shape[1]} x {frame.shape[0]} {frame.kind}"

    forms = Counter(map(form, frames)).most_common()
    usual, count = forms[0]
    if len(forms) > 1 and 2 * count <= len(frames):
        kinds = ", ".join(f"{n} of {kind}" for kind, n in forms[:4])
        raise InputError(
            f"holds frames of different sizes or depths, and no kind is in the majority ({kinds})",
            remedy="put each recording into a folder of its own",
        )
    odd = [Rejected(f.name, f"is {form(f)}, the others are {usual}") for f in frames if form(f) != usual]
    return [f for f in frames if form(f) == usual], odd


def _samples(frames: list[Found], where: str, *, refuse_raw_colour: bool) -> tuple[list[np.ndarray], Plan]:
    """Five developed frames spread over the sequence, and the channel that carries the light; frames that
    cannot be decoded are passed over. Raises InputError: none can be, or all are raw colour."""
    samples: list[np.ndarray] = []
    plan: Plan = None
    failed, light = [], []
    for frame in (frames[index] for index in spread_over(len(frames), 5)):
        try:
            stored = as_stored(frame)
            if not samples:
                plan = channel_plan(stored, frame.colour)
            samples.append(displayed(frame, plan, stored))
        except InputError as error:
            failed.append(error)
        else:
            if refuse_raw_colour:
                numbers = np.where(np.isfinite(stored), stored, 0)  # as everywhere, what is none counts as 0
                light.append([numbers[y::2, x::2].mean() for y, x in _PATTERNS.values()])
    if not samples:
        what = f"not one of the frames tried can be decoded ({failed[0]})"
        raise InputError(what, where=where, remedy=failed[0].remedy)
    if light:
        # one line's light, by a colour camera: no optics make one pixel of four so bright
        sums = np.sum(light, axis=0)
        *_, next_, most = sorted(sums)
        if most > 1.5 * next_ > 0.0:
            what = f"one pixel of each 2 x 2 is {most / next_:.2g} times as bright as the others"
            red = [*_PATTERNS][int(np.argmax(sums))]  # the brightest, as in H-alpha
            remedy = f"give --set camera.bayer={red}; if they are none, =none"
            raise InputError(f"{what}: raw pictures of a colour camera", where=where, remedy=remedy)
    return samples, plan


# where the red pixel of each 2 x 2 lies, y before x
_PATTERNS = {"rggb": (0, 0), "grbg": (0, 1), "gbrg": (1, 0), "bggr": (1, 1)}


def _notes(
    frames: list[Found], plan: Plan, calibration: Calibration | None, samples: list[np.ndarray]
) -> tuple[str, ...]:
    notes, frame = [], frames[0]
    if len(samples) > 1 and all(np.array_equal(sample, samples[0]) for sample in samples[1:]):
        same = "frames looked at are one and the same picture: nothing can move in them"
        notes.append(f"the {len(samples)} {same}")
    for remark, count in Counter(remark for frame in frames for remark in frame.remarks).items():
        notes.append(f"{count} of {len(frames)} frames: {remark}")
    if frame.colour != "mono":
        how = "the mean of the channels"
        if plan is not None:
            how = f"the {('red', 'green', 'blue')[plan]} channel alone, which carries the light"
        notes.append(f"colour ({frame.colour}) was turned to luminance: {how}")
    if frame.kind == "float":
        notes.append("pixels that are not finite numbers count as 0")
    return (*notes, *(calibration.notes if calibration else ()))


def sequence_from_arrays(
    frames: Iterable[np.ndarray], times_utc: np.ndarray, *, full_scale: float, name: str = "frames"
) -> Sequence:
    """A Sequence of frames that are in memory already, in order of time.

    Parameters
    ----------
    frames : 2-D arrays of one shape, row 0 on top; uint8, uint16 or anything that float32 can hold
    times_utc : (n,) datetime64, middle of each exposure
    full_scale : value at which the camera saturates

    Raises ValueError: wrong shapes, fewer than two frames, times that are no dates, missing or equal, or a
    full scale that is not a positive number.
    """
    held = frames if isinstance(frames, np.ndarray) else list(frames)
    given, count = np.asarray(times_utc), len(held)
    if given.dtype.kind in "biufc":
        raise ValueError(f"times_utc must be dates (datetime64), got numbers of type {given.dtype}")
    moments = given.astype("datetime64[us]")
    if count < 2 or moments.shape != (count,) or np.isnat(moments).any():
        what = f"times_utc must have shape ({count},) without NaT, for at least 2 frames"
        raise ValueError(f"{what}, got {moments.shape}")
    if len(np.unique(moments)) < count:
        raise ValueError(f"times_utc must all differ, got {len(np.unique(moments))} times for {count} frames")
    if not (np.isfinite(full_scale) and full_scale > 0):
        raise ValueError(f"full_scale must be a positive number, got {full_scale}")
    shapes = {np.shape(frame) for frame in held}
    if len(shapes) != 1 or len(next(iter(shapes))) != 2:
        raise ValueError(f"frames must be 2-D and of one shape, got {sorted(shapes)}")
    order = np.argsort(moments, kind="stable")
    return Sequence(
        path=Path(name),
        names=tuple(f"{name}#{i}" for i in order),
        times_utc=moments[order],
        shape=shapes.pop(),
        full_scale=float(full_scale),
        read=lambda index: develop(np.asarray(held[order[index]]), "mono", None, False),
        time_report=TimeReport("table", "times given with the frames", ()),
    )
