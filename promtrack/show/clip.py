"""The clip: measured sequence in, verified video files and locked frames out.

One pass over the frames: each is read once, ahead of its turn; workers turn, tone and annotate the pictures,
one a core, which go in order into the encoder.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from promtrack.files import atomic_write
from promtrack.limb.records import LimbLock
from promtrack.show import encode
from promtrack.show.canvas import blank_canvas, canvas_from_tone, canvas_to_bgr, planes_of
from promtrack.show.encode import Encoder
from promtrack.show.overlay import Annotation, draw_annotation
from promtrack.show.records import Measured
from promtrack.show.studio import Studio, best_shot, prepare
from promtrack.show.timing import Shot
from promtrack.show.view import ClipView, affine_to_frame, locked_view, warp
from promtrack.workers import map_ahead, worker_count

Progress = Callable[[int, int], None]
Planes = tuple[memoryview, ...]
SMALL = "clip-small.mp4"  # for GIF and WebP; removed when they are made
FOR_LARGE = {"heights", "gaps"}  # what GIF and WebP, which are seen small, go without


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One shot with its frames; `first` when its frame is shown for the first time."""

    shot: Shot
    frame: np.ndarray
    first: bool


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """One file of moving pictures and how its picture of a shot is drawn."""

    name: str
    draw: Callable[[Take, np.ndarray], Planes]
    open: Callable[[Path], Encoder]


def render_clip(measured: Measured, folder: Path, *, progress: Progress | None = None) -> tuple[Path, ...]:
    """Write `clip.mp4`, `poster.png` and what `clip.also` asks for into `folder`: clip-plain.mp4,
    clip-overlay.mov, clip.gif, clip.webp, and TIFF files in locked-frames/. Raises InputError: no frame is
    used, no ffmpeg, the encoder fails, or the disk is full, and no half file is left; SettingsError: clip.at,
    clip.from or clip.to name nothing that is there."""
    folder = Path(folder).absolute()  # ffmpeg would take "a:" at the start of a name for a protocol
    clip, studio = measured.settings.clip, prepare(measured)
    small = {"gif": encode.write_gif, "webp": encode.write_webp}
    for kind in small:  # should the limit not be met, none of an earlier clip stands beside the new one
        if kind in clip.also:
            (folder / f"clip.{kind}").unlink(missing_ok=True)
    annotation, view = studio.annotation(), studio.views[0]
    films = _films(studio, annotation)
    with contextlib.ExitStack() as stack:
        paths = {film.name: stack.enter_context(atomic_write(folder / film.name)) for film in films}
        _film(studio, films, paths, folder / "locked-frames" if "frames" in clip.also else None, progress)
        with ThreadPoolExecutor(1, "poster") as pool:  # drawn while the films are looked at
            poster = pool.submit(_poster, studio, annotation, folder / "poster.png")
            for film in films:
                encode.check_video(paths[film.name], studio.plan.pictures, view.width, view.height)
    files = [folder / film.name for film in films if film.name != SMALL]
    files.insert(1, poster.result())
    try:
        for kind in [kind for kind in small if kind in clip.also]:
            path = folder / f"clip.{kind}"
            files.append(small[kind](folder / SMALL, path, view.width, studio.plan.rate, clip.limit_mb))
    finally:
        (folder / SMALL).unlink(missing_ok=True)
    if progress is not None:
        progress(len(studio.plan.shots) + 1, len(studio.plan.shots) + 1)
    return tuple(files)


def _films(studio: Studio, annotation: Annotation) -> list[Film]:
    """All films asked for; the first is the clip."""
    measured, plan, view = studio.measured, studio.plan, studio.views[0]
    clip = measured.settings.clip
    size = view.width, view.height

    def picture(over: Annotation | None, take: Take, tone: np.ndarray) -> Planes:
        canvas = canvas_from_tone(tone, clip.look, 2)
        if over is not None:
            draw_annotation(over, canvas, take.shot)
        return planes_of(canvas)

    def opened(path: Path) -> Encoder:
        options = encode.x264_options(plan.rate, clip.quality)
        return Encoder(path, size, plan.rate, options, metadata=_metadata(studio))

    def ink(take: Take, tone: np.ndarray) -> Planes:
        return overlay_planes(annotation, take.shot)

    def transparent(path: Path) -> Encoder:
        return Encoder(path, size, plan.rate, encode.transparent_options(), pixels="yuva444p")

    films = [Film("clip.mp4", partial(picture, annotation), opened)]
    if "plain" in clip.also:
        films.append(Film("clip-plain.mp4", partial(picture, None), opened))
    if "overlay" in clip.also:
        films.append(Film("clip-overlay.mov", ink, transparent))
    if {"gif", "webp"} & set(clip.also):
        small = replace(annotation, wanted=annotation.wanted - FOR_LARGE)
        films.append(Film(SMALL, partial(picture, small), opened))
    return films


def overlay_planes(annotation: Annotation, shot: Shot) -> Planes:
    """The annotation alone as planes Y', Cb, Cr, alpha in full resolution, colours not multiplied by alpha.
    Painting is linear in the ground, so that drawing on black and on white gives opacity and colour."""
    page = annotation.page
    black, white = (blank_canvas(page.width, page.height, luma) for luma in (16, 235))
    for canvas in (black, white):
        draw_annotation(annotation, canvas, shot)
    clear = np.clip((white.y.astype(np.float32) - black.y) / 219.0, 0.0, 1.0)
    share = np.maximum(1.0 - clear, 1.0 / 255.0)
    luma = np.clip((black.y - 16.0 * clear) / share, 16.0, 235.0)
    colour = [np.clip(128.0 + (plane - 128.0) / share, 16.0, 240.0) for plane in (black.cb, black.cr)]
    planes = [luma, *colour, 255.0 * (1.0 - clear)]
    return tuple(np.rint(plane).astype(np.uint8).data.cast("B") for plane in planes)


def _film(
    studio: Studio, films: list[Film], paths: dict[str, Path], locked: Path | None, progress: Progress | None
) -> None:
    """The one pass over the frames: every film takes its picture of every shot."""
    measured, plan = studio.measured, studio.plan
    lock, sequence = measured.lock, measured.sequence
    upright = locked_view(lock, measured.scale)
    if locked is not None:
        locked.mkdir(exist_ok=True)

    def work(take: Take) -> tuple[Shot, list[Planes]]:
        shot = take.shot
        tone = studio.tone(take.frame, shot)
        if locked is not None and take.first:
            path = locked / locked_name(shot.frame, sequence.times_utc[shot.frame])
            write_locked(take.frame, path, upright, lock, shot.frame, sequence.full_scale)
        return shot, [film.draw(take, tone) for film in films]

    size = studio.views[0].width * studio.views[0].height + lock.shape[0] * lock.shape[1]
    workers = worker_count(worker_bytes=60 * size)  # a pixel: frame, warped floats, tables, planes
    with contextlib.ExitStack() as stack:
        encoders = [stack.enter_context(film.open(paths[film.name])) for film in films]
        takes = stack.enter_context(contextlib.closing(_takes(studio)))
        done_ahead = map_ahead(work, takes, workers)
        for done, (shot, pictures) in enumerate(done_ahead):
            for encoder, picture in zip(encoders, pictures, strict=True):
                encoder.put(picture, shot.repeats)
            if progress is not None:
                progress(done + 1, len(plan.shots) + 1)  # the last step: files closed and looked at


def _takes(studio: Studio) -> Generator[Take]:
    """Every shot with its frame; a frame that several shots in a row show is read once."""
    shown = [int(frame) for frame in studio.plan.frames]
    with contextlib.closing(studio.measured.sequence.frames(shown)) as frames:
        number, frame = -1, np.zeros(0)
        for shot in studio.plan.shots:
            first = number != shot.frame
            while number != shot.frame:
                number, frame = next(frames)
            yield Take(shot, frame, first)


def _poster(studio: Studio, annotation: Annotation, path: Path) -> Path:
    """The best frame, annotated, in full colour resolution."""
    measured = studio.measured
    shot = best_shot(studio, annotation)
    frame = measured.sequence.frame(shot.frame)
    tone = studio.tone(frame, shot)
    canvas = canvas_from_tone(tone, measured.settings.clip.look, 1)
    draw_annotation(annotation, canvas, shot)
    _, data = cv2.imencode(".png", canvas_to_bgr(canvas))
    with atomic_write(path) as temporary:
        temporary.write_bytes(data.tobytes())
    return path


def _metadata(studio: Studio) -> dict[str, str]:
    measured, plan = studio.measured, studio.plan
    times = measured.sequence.times_utc[plan.frames[[0, -1]]]
    first, last = (f"{time.astype('datetime64[s]')}Z" for time in times)
    return {
        "title": measured.settings.clip.title or f"Solar prominence, {first[:10]}",
        "artist": measured.settings.clip.credit,
        "date": first[:10],
        "comment": f"{first} to {last}, {plan.speed_up:.0f} times faster than life; plane-of-sky speeds; "
        f"made with promtrack {measured.version}",
    }


def locked_name(index: int, time_utc: np.datetime64) -> str:
    """'00041-20240511T083210.tif': number and time (UTC) of the frame."""
    stamp = str(time_utc.astype("datetime64[s]")).replace("-", "").replace(":", "")
    return f"{index:05d}-{stamp}.tif"


def write_locked(
    frame: np.ndarray, path: Path, view: ClipView, lock: LimbLock, index: int, full_scale: float
) -> None:
    """One frame (counts) turned and shifted onto the reference frame, as `locked_view` has it; its border is
    repeated, brightness is linear, and `full_scale`, at which the camera saturates, is 65535. Raises
    InputError: the file just written does not read back."""
    picture = warp(frame.astype(np.float32, copy=False), affine_to_frame(view, lock, index), view)
    counts = np.rint(np.clip(picture * np.float32(65535.0 / full_scale), 0.0, 65535.0)).astype(np.uint16)
    done, data = cv2.imencode(".tif", counts)
    with atomic_write(path) as temporary:
        temporary.write_bytes(data.tobytes())
        again = cv2.imdecode(np.fromfile(temporary, np.uint8), cv2.IMREAD_UNCHANGED) if done else None
        if again is None or again.dtype != np.uint16 or not np.array_equal(again, counts):
            raise encode.damaged(path, "does not read back")
