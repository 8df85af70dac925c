"""The clip: measured sequence in, verified video files out.

One pass over the frames: each is read once, ahead of its turn; workers turn, tone and annotate the pictures,
one a core, and hand them in order to the encoder, which writes in a thread of its own.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from promtrack.atomic_write import atomic_write
from promtrack.errors import InputError
from promtrack.show.aligned_frames import locked_name, write_locked
from promtrack.show.canvas import blank_canvas, canvas_from_tone, canvas_to_bgr, planes_of
from promtrack.show.disc_view import Inset, disc_tone, disc_view, insets_of
from promtrack.show.encode import Encoder, check_video, transparent_options, x264_options
from promtrack.show.gif_webp import write_gif, write_webp
from promtrack.show.overlay import Annotation, annotate, draw_annotation
from promtrack.show.palette import palette_ycc
from promtrack.show.primitives import make_page
from promtrack.show.radial_profile import quiet_sun
from promtrack.show.records import Measured
from promtrack.show.region_of_interest import find_action
from promtrack.show.timing import Plan, Shot, chosen_frames, plan_shots
from promtrack.show.tone import Toner, busy_map, make_toner, tone_frame
from promtrack.show.view import LARGEST_ZOOM, SIZES, ClipView, choose_views, locked_view
from promtrack.workers import map_ahead, worker_count

__all__ = ["Studio", "prepare", "render_clip"]

Progress = Callable[[int, int], None]
Planes = tuple[memoryview, ...]
BUSY_FRAMES = 6  # looked at for where not to write
OVERLAY_LIGHT = 0.3  # of the picture's own light, at the moment with most numbers
INK = (0.5, 0.95)  # opacity of clock, scale, compass and heights, least and most
PICTURE_BYTES = 60  # memory per picture pixel that a worker needs: frame, warped floats, tables, planes
# GIF and WebP run in a loop and small: no title, and no more than what is read there.
SMALL = "clip-small.mp4"  # removed when GIF and WebP are made
SMALL_OVERLAYS = frozenset({"clock", "scale", "knots", "front", "end"})


@dataclass(frozen=True, slots=True, eq=False)
class Studio:
    """All that is settled before the first picture."""

    measured: Measured
    plan: Plan
    views: tuple[ClipView, ...]  # one a frame shown
    toner: Toner
    busy_tone: tuple[np.ndarray, np.ndarray]  # of the whole clip, and of its first frame
    insets: tuple[Inset, ...]  # of clip.view=disc
    not_shown: int  # prominences that found no inset
    light: float  # mean linear luminance of the pictures, 1 is white

    def tone(self, frame: np.ndarray, shot: Shot) -> np.ndarray:
        """uint8 tone of a shot's picture."""
        lock = self.measured.lock
        tone = tone_frame(frame, self.toner, self.views[shot.place], lock, shot.frame)
        return disc_tone(tone, frame, self.insets, self.toner, lock, shot.frame)

    def annotation(self, *, small: bool = False) -> Annotation:
        """The layout of the clip's annotation, or of that of GIF and WebP.

        It is as bright as the picture allows: together at most `OVERLAY_LIGHT` of the picture's own light.
        """
        wanted = frozenset(self.measured.settings.clip.overlays)
        wanted = wanted & SMALL_OVERLAYS if small else wanted
        page = make_page(self.views[0].width, self.views[0].height)
        made = annotate(
            self.measured, self.plan, self.views, page, self.busy_tone, wanted, self.insets, self.not_shown
        )
        shot = _best_shot(self, made)
        bodies, standing = (
            _light(replace(made, wanted=frozenset(), blocks={}), shot),
            _light(replace(made, bodies=()), shot),
        )
        share = max(OVERLAY_LIGHT * self.light - bodies, 0.0) / max(standing, 1e-9)
        ink = float(np.clip(page.ink * share ** (1.0 / 2.2), *INK))  # code values: ITU-R BT.1886, nearly
        return replace(made, page=replace(page, ink=ink))


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One shot with its frames; `first` when its frame is shown for the first time."""

    shot: Shot
    frame: np.ndarray
    first: bool


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """One file of moving pictures and how its picture of a shot is drawn; None: the shot is left out."""

    name: str
    draw: Callable[[Take, np.ndarray], Planes | None]
    open: Callable[[Path], Encoder]
    pictures: int


def render_clip(measured: Measured, folder: Path, *, progress: Progress | None = None) -> tuple[Path, ...]:
    """Write `clip.mp4`, `poster.png` and what `clip.also` asks for into `folder`.

    Further files are clip-plain.mp4, clip-overlay.mov, clip.gif, clip.webp, and TIFF files
    in locked-frames/.

    Raises
    ------
    InputError : no frame is used, no ffmpeg, the encoder fails, or the disk is full; no half file is left
    SettingsError : clip.at, clip.from or clip.to name nothing that is there
    """
    folder = Path(folder).absolute()  # ffmpeg would take "a:" at the start of a name for a protocol
    clip, studio = measured.settings.clip, prepare(measured)
    small = {"gif": write_gif, "webp": write_webp}
    for kind in small:  # should the limit not be met, none of an earlier clip stands beside the new one
        if kind in clip.also:
            (folder / f"clip.{kind}").unlink(missing_ok=True)
    films, view = _films(studio), studio.views[0]
    with contextlib.ExitStack() as stack:
        paths = {film.name: stack.enter_context(atomic_write(folder / film.name)) for film in films}
        _film(studio, films, paths, folder / "locked-frames" if "frames" in clip.also else None, progress)
        with ThreadPoolExecutor(
            1, thread_name_prefix="poster"
        ) as pool:  # drawn while the films are looked at
            poster = pool.submit(_poster, studio, folder / "poster.png")
            for film in films:
                check_video(paths[film.name], film.pictures, view.width, view.height)
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


def prepare(measured: Measured) -> Studio:
    """Settle views, tone and timing from a few of the frames.

    Raises
    ------
    InputError : no frame is used
    SettingsError : clip.at, clip.from or clip.to name nothing that is there
    """
    lock, clip, sequence = measured.lock, measured.settings.clip, measured.sequence
    used = np.flatnonzero(lock.used)
    if not len(used):
        raise InputError(
            "no frame could be used, so there is no clip to make",
            where=str(sequence.path),
            remedy="see the reasons in frames.ecsv",
        )
    frames = chosen_frames(used, sequence.times_utc, clip)
    time_s = sequence.time_s[frames] - sequence.time_s[frames[0]]
    plan = plan_shots(frames, time_s, clip)
    insets: tuple[Inset, ...] = ()
    not_shown = 0
    if clip.view == "disc":
        views = (disc_view(measured),) * len(frames)
        insets, not_shown = insets_of(measured, views[0])
    else:
        views = _cropped(measured, frames)
    toner = make_toner(quiet_sun(sequence, lock, views[-1]), views[-1], clip.look, lock)
    some = np.unique(np.linspace(0, len(frames) - 1, min(BUSY_FRAMES, len(frames))).round().astype(int))
    looked = list(sequence.frames([int(frames[k]) for k in some]))
    chosen = [views[k] for k in some]
    busy = busy_map(looked, chosen, toner, lock), busy_map(looked[:1], chosen[:1], toner, lock)
    for inset in insets:
        part = np.s_[
            inset.rect.top // 8 : inset.rect.bottom // 8, inset.rect.left // 8 : inset.rect.right // 8
        ]
        shape = busy[0][part].shape
        for whole, seen in ((busy[0], looked), (busy[1], looked[:1])):
            own = busy_map(seen, [inset.own_view] * len(seen), toner, lock)
            whole[part] = own[: shape[0], : shape[1]]
    luma = palette_ycc(clip.look)[0]
    small = [tone_frame(f, toner, v.scaled(0.125), lock, i) for (i, f), v in zip(looked, chosen, strict=True)]
    light = float(np.mean([_linear(luma[tone]).mean() for tone in small]))
    return Studio(measured, plan, views, toner, busy, insets, not_shown, light)


def _cropped(measured: Measured, frames: np.ndarray) -> tuple[ClipView, ...]:
    """Views cropped on the action, one a frame shown."""
    lock, clip, sequence = measured.lock, measured.settings.clip, measured.sequence
    width, height = SIZES.get(clip.view, (lock.shape[1], lock.shape[0]))
    closest = max(LARGEST_ZOOM, width / lock.shape[1], height / lock.shape[0])
    action = find_action(
        measured.strip,
        measured.motion,
        measured.orientation,
        lock,
        aspect=width / height,
        least_mm=1e-3 * measured.scale.km_per_px * width / closest,
        at=clip.at,
    )
    strip_s = (sequence.times_utc[frames] - measured.strip.times_utc[0]) / np.timedelta64(1, "s")
    return choose_views(lock, measured.scale, measured.orientation, action, clip, strip_s)


def _linear(luma: np.ndarray) -> np.ndarray:
    """Luminance of limited-range code values, 1 is white; at the exponent 2.2."""
    return (np.clip(luma.astype(np.float32) - 16.0, 0.0, 219.0) / 219.0) ** 2.2


def _light(annotation: Annotation, shot: Shot) -> float:
    """Mean luminance of an annotation drawn on black."""
    canvas = blank_canvas(annotation.page.width, annotation.page.height, 16)
    draw_annotation(annotation, canvas, shot)
    return float(_linear(canvas.y).mean())


def _films(studio: Studio) -> list[Film]:
    """All films asked for; the first is the clip."""
    measured, plan, view = studio.measured, studio.plan, studio.views[0]
    clip = measured.settings.clip
    annotation = studio.annotation()

    size = view.width, view.height

    def annotated(with_: Annotation, take: Take, tone: np.ndarray) -> Planes:
        canvas = canvas_from_tone(tone, clip.look, 2)
        draw_annotation(with_, canvas, take.shot)
        return planes_of(canvas)

    def opened(path: Path) -> Encoder:
        return Encoder(
            path, size, plan.rate, x264_options(plan.rate, clip.quality), metadata=_metadata(studio)
        )

    films = [Film("clip.mp4", lambda take, tone: annotated(annotation, take, tone), opened, plan.pictures)]
    if "plain" in clip.also:

        def plain(take: Take, tone: np.ndarray) -> Planes:
            return planes_of(canvas_from_tone(tone, clip.look, 2))

        films.append(Film("clip-plain.mp4", plain, opened, plan.pictures))
    if "overlay" in clip.also:

        def transparent(path: Path) -> Encoder:
            return Encoder(path, size, plan.rate, transparent_options(), pixels="yuva444p")

        def ink(take: Take, tone: np.ndarray) -> Planes:
            return overlay_planes(annotation, take.shot)

        films.append(Film("clip-overlay.mov", ink, transparent, plan.pictures))
    if {"gif", "webp"} & set(clip.also):
        small = studio.annotation(small=True)
        pictures = sum(shot.repeats for shot in plan.shots if shot.act != "title")

        def smaller(take: Take, tone: np.ndarray) -> Planes | None:
            return None if take.shot.act == "title" else annotated(small, take, tone)

        films.append(Film(SMALL, smaller, opened, pictures))
    return films


def overlay_planes(annotation: Annotation, shot: Shot) -> Planes:
    """The annotation alone as planes Y', Cb, Cr, alpha in full resolution, colours not multiplied by alpha.

    Painting is linear in the ground, so that drawing on black and on white gives opacity and colour.
    """
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

    def work(take: Take) -> tuple[Shot, list[Planes | None]]:
        shot = take.shot
        tone = studio.tone(take.frame, shot)
        if locked is not None and take.first:
            path = locked / locked_name(shot.frame, sequence.times_utc[shot.frame])
            write_locked(take.frame, path, upright, lock, shot.frame, sequence.full_scale)
        return shot, [film.draw(take, tone) for film in films]

    size = studio.views[0].width * studio.views[0].height + lock.shape[0] * lock.shape[1]
    workers = worker_count(worker_bytes=PICTURE_BYTES * size)
    with contextlib.ExitStack() as stack:
        encoders = [stack.enter_context(film.open(paths[film.name])) for film in films]
        takes = stack.enter_context(contextlib.closing(_takes(studio)))
        done_ahead = map_ahead(work, takes, workers)
        for done, (shot, pictures) in enumerate(done_ahead):
            for encoder, picture in zip(encoders, pictures, strict=True):
                if picture is not None:
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


def _poster(studio: Studio, path: Path) -> Path:
    """The best frame, annotated, in full colour resolution."""
    measured, annotation = studio.measured, studio.annotation()
    shot = _best_shot(studio, annotation)
    frame = measured.sequence.frame(shot.frame)
    tone = studio.tone(frame, shot)
    canvas = canvas_from_tone(tone, measured.settings.clip.look, 1)
    draw_annotation(annotation, canvas, shot)
    done, data = cv2.imencode(".png", canvas_to_bgr(canvas))
    if not done:
        remedy = "run `promtrack clip` again"
        raise InputError("the poster could not be encoded", where=str(path), remedy=remedy)
    with atomic_write(path) as temporary:
        temporary.write_bytes(data.tobytes())
    return path


def _best_shot(studio: Studio, annotation: Annotation) -> Shot:
    """The sharpest picture among those that show most numbers, the first letter's foremost."""
    shots = [replace(s, gap_s=0.0) for s in studio.plan.shots if s.act == "motion"]
    shown = np.zeros(len(shots))
    for place, body in enumerate(annotation.bodies):
        if body.number_s is not None:
            clip_s = np.array([annotation.time.at(s.time_s) for s in shots])
            due = (clip_s >= body.number_s[0]) & (clip_s <= body.number_s[1])
            late = (clip_s - body.number_s[0]) / max(body.number_s[1] - body.number_s[0], 1e-6)
            there = np.array([body.seen(s.time_s) for s in shots])
            shown += np.where(due & there, (1.0 + late) / (1.0 + place), 0.0)
    sharp = np.nan_to_num(studio.measured.lock.sharpness[[s.frame for s in shots]], nan=0.5)
    return shots[int(np.argmax(shown / max(shown.max(), 1.0) + 0.5 * np.clip(sharp, 0.4, 1.2)))]


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
