"""The clip: measured sequence in, verified video files out.

One pass over the frames: each is read once (ahead, in a thread), turned and toned once, annotated, and handed
to the encoder, which writes in a thread of its own.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.show.action import Action, find_action
from promtrack.show.beside import beside_tone, draw_beside, make_beside
from promtrack.show.canvas import Canvas, canvas_from_tone, canvas_to_bgr, planes_of
from promtrack.show.encode import Encoder, check_video
from promtrack.show.locked import locked_name, write_locked
from promtrack.show.overlay import Annotation, annotate, draw_annotation, make_page
from promtrack.show.pacing import Shot, plan_shots, speed_up
from promtrack.show.probes import place_probes, take_samples
from promtrack.show.quiet import quiet_sun
from promtrack.show.records import Measured
from promtrack.show.sharing import write_gif, write_webp
from promtrack.show.steady import smoothed_tone
from promtrack.show.sunlight import sample_levels
from promtrack.show.tone import Toner, busy_map, make_toner, tone_frame
from promtrack.show.view import ClipView, choose_view, locked_view
from promtrack.whole import whole_file

__all__ = ["render_clip"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Studio:
    """All that is settled before the first picture."""

    measured: Measured
    action: Action
    view: ClipView
    toner: Toner
    busy_tone: np.ndarray
    shots: list[Shot]
    time_s: np.ndarray  # of the used frames, since the first of them

    @property
    def pictures(self) -> int:
        return sum(shot.repeats for shot in self.shots)


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One shot with its toned picture; `frame` is there when its frame is shown for the first time."""

    shot: Shot
    tone: np.ndarray
    frame: np.ndarray | None


def render_clip(measured: Measured, folder: Path, *, progress: Progress | None = None) -> tuple[Path, ...]:
    """Write `clip.mp4`, `poster.png` and what `clip.also` asks for into `folder`.

    Further files are clip-plain.mp4, clip-beside.mp4, clip.gif, clip.webp, and TIFF files in locked-frames/.

    Raises
    ------
    InputError : no frame is used, no ffmpeg, the encoder fails, or the disk is full; no half file is left
    """
    folder = Path(folder).absolute()  # ffmpeg would take "a:" at the start of a name for a protocol
    clip = measured.settings.clip
    studio = _prepare(measured)
    films = {
        name: draw for name, draw in _films(studio).items() if name == "clip.mp4" or name[5:-4] in clip.also
    }
    with contextlib.ExitStack() as stack:
        paths = {name: stack.enter_context(whole_file(folder / name)) for name in films}
        _film(studio, films, paths, folder / "locked-frames" if "frames" in clip.also else None, progress)
        with ThreadPoolExecutor(1, thread_name_prefix="poster") as pool:  # drawn while the films are decoded
            poster = pool.submit(_poster, studio, folder / "poster.png")
            for path in paths.values():
                check_video(path, studio.pictures, studio.view.width, studio.view.height)
    files = [folder / name for name in films]
    files.insert(1, poster.result())
    animations = [
        (folder / f"clip.{kind}", write)
        for kind, write in (("gif", write_gif), ("webp", write_webp))
        if kind in clip.also
    ]
    for path, _ in animations:
        path.unlink(
            missing_ok=True
        )  # should the limit not be met, none of an earlier clip stands beside the new one
    files += [
        write(files[0], path, studio.view.width, clip.rate, clip.limit_mb) for path, write in animations
    ]
    if progress is not None:
        progress(len(studio.shots) + 1, len(studio.shots) + 1)
    return tuple(files)


def _films(studio: Studio) -> dict[str, Callable[[], Callable[[Take], Canvas]]]:
    """What each film shows: a maker (the layout is worked out only if asked for) of a function from take to
    picture."""
    measured, page, look = studio.measured, make_page(studio.view, 2), studio.measured.settings.clip.look

    def annotated() -> Callable[[Take], Canvas]:
        annotation = annotate(measured, studio.view, page, studio.busy_tone, studio.time_s)

        def draw(take: Take) -> Canvas:
            canvas = canvas_from_tone(take.tone, look, 2)
            draw_annotation(annotation, canvas, take.shot)
            return canvas

        return draw

    def beside() -> Callable[[Take], Canvas]:
        double = make_beside(measured, page, studio.action, studio.time_s)

        def draw(take: Take) -> Canvas:
            canvas = canvas_from_tone(beside_tone(double, take.tone, take.shot.frame, studio.toner), look, 2)
            draw_beside(double, canvas, take.shot.time_s)
            return canvas

        return draw

    return {
        "clip.mp4": annotated,
        "clip-plain.mp4": lambda: lambda take: canvas_from_tone(take.tone, look, 2),
        "clip-beside.mp4": beside,
    }


def _film(
    studio: Studio,
    films: dict[str, Callable[[], Callable[[Take], Canvas]]],
    paths: dict[str, Path],
    locked: Path | None,
    progress: Progress | None,
) -> None:
    """The one pass over the frames: every film takes its picture of every shot."""
    measured, view, clip = studio.measured, studio.view, studio.measured.settings.clip
    upright = locked_view(measured.lock, measured.scale)
    if locked is not None:
        locked.mkdir(exist_ok=True)
    with contextlib.ExitStack() as stack:
        draws = {name: make() for name, make in films.items()}
        encoders = {
            name: stack.enter_context(
                Encoder(paths[name], view.width, view.height, clip.rate, clip.quality, _metadata(studio))
            )
            for name in films
        }
        for done, take in enumerate(_takes(studio)):
            for name, draw in draws.items():
                encoders[name].put(planes_of(draw(take)), take.shot.repeats)
            if locked is not None and take.frame is not None:
                index = take.shot.frame
                name = locked_name(index, measured.sequence.times_utc[index])
                write_locked(
                    take.frame, locked / name, upright, measured.lock, index, measured.sequence.full_scale
                )
            if progress is not None:
                progress(done + 1, len(studio.shots) + 1)  # the last step: files closed and decoded again


def _prepare(measured: Measured) -> Studio:
    lock, clip = measured.lock, measured.settings.clip
    used = np.flatnonzero(lock.used)
    if not len(used):
        raise InputError(
            "no frame could be used, so there is no clip to make",
            where=str(measured.sequence.path),
            remedy="see the reasons in frames.ecsv",
        )
    action = find_action(measured.strip, measured.motion, measured.orientation, lock)
    view = choose_view(lock, measured.scale, measured.orientation, action, clip)
    probes = place_probes(view)
    samples = take_samples(measured.sequence, lock, view, probes)
    quiet = quiet_sun(samples, probes, lock, view, measured.sequence.full_scale)
    toner = make_toner(quiet, view, clip.look, lock)
    time_s = measured.sequence.time_s[used] - measured.sequence.time_s[used[0]]
    busy_tone = busy_map(samples, sample_levels(samples, quiet, lock), toner, view)
    return Studio(measured, action, view, toner, busy_tone, plan_shots(used, time_s, clip), time_s)


def _takes(studio: Studio) -> Iterator[Take]:
    """Every shot with its toned picture; a frame that several shots in a row need is read and toned once."""
    measured, clip = studio.measured, studio.measured.settings.clip
    wanted: list[int] = []
    for shot in studio.shots:
        wanted += [i for i in (shot.frame, shot.other) if i >= 0 and i not in wanted[-2:]]
    ready: dict[int, tuple[np.ndarray, np.ndarray]] = {}  # the last two frames, toned and as they came
    seen: set[int] = set()
    past = None
    with contextlib.closing(measured.sequence.frames(wanted)) as frames:
        for shot in studio.shots:
            for index in (shot.frame, shot.other):
                while index >= 0 and index not in ready:
                    number, frame = next(frames)
                    past = smoothed_tone(
                        tone_frame(frame, studio.toner, studio.view, measured.lock, number), past, clip.smooth
                    )
                    ready = dict(list(ready.items())[-1:]) | {number: (past, frame)}
            tone, frame = ready[shot.frame]
            if shot.other >= 0:
                tone = cv2.addWeighted(tone, 1.0 - shot.share, ready[shot.other][0], shot.share, 0.0)
            yield Take(shot, tone, None if shot.frame in seen else frame)
            seen.add(shot.frame)


def _poster(studio: Studio, path: Path) -> Path:
    """The best frame, annotated, in full colour resolution."""
    measured, view = studio.measured, studio.view
    annotation = annotate(measured, view, make_page(view, 1), studio.busy_tone, studio.time_s)
    shot = _best_shot(studio, annotation)
    tone = tone_frame(measured.sequence.frame(shot.frame), studio.toner, view, measured.lock, shot.frame)
    canvas = canvas_from_tone(tone, measured.settings.clip.look, 1)
    draw_annotation(annotation, canvas, shot)
    done, data = cv2.imencode(".png", canvas_to_bgr(canvas))
    if not done:
        raise InputError(
            "the poster could not be encoded", where=str(path), remedy="run `promtrack clip` again"
        )
    with whole_file(path) as temporary:
        temporary.write_bytes(data.tobytes())
    return path


def _best_shot(studio: Studio, annotation: Annotation) -> Shot:
    """The sharpest picture among those that show most of what moves."""
    shots = [replace(s, gap_s=0.0) for s in studio.shots if s.other < 0]
    time_s = np.array([s.time_s for s in shots])
    shown = np.zeros(len(shots))
    drawn = [front.time_s for front in annotation.fronts] + [
        trail.time_s for trail in annotation.trails if trail.label is not None
    ]
    for track_s in drawn:
        part = (time_s - track_s[0]) / max(float(track_s[-1] - track_s[0]), 1e-6)
        shown += np.where(
            part <= 1.0, np.clip(part, 0.0, 1.0), 0.0
        )  # a long trail says more than a short one
    sharp = np.nan_to_num(studio.measured.lock.sharpness[[s.frame for s in shots]], nan=0.5)
    return shots[int(np.argmax(shown / max(shown.max(), 1.0) + np.clip(sharp, 0.4, 1.2)))]


def _metadata(studio: Studio) -> dict[str, str]:
    measured = studio.measured
    first, last = (
        str(measured.sequence.times_utc[i].astype("datetime64[s]")) + "Z"
        for i in np.flatnonzero(measured.lock.used)[[0, -1]]
    )
    title = measured.settings.clip.title or f"Solar prominence, {first[:10]}"
    return {
        "title": title,
        "artist": measured.settings.clip.credit,
        "date": first[:10],
        "comment": f"{first} to {last}, {speed_up(studio.shots, measured.settings.clip.rate):.0f} times faster than the clock; "
        f"plane-of-sky speeds; made with promtrack {measured.version}",
    }
