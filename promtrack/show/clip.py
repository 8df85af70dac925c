"""The clip: measured sequence in, verified video files out.

One pass over the frames: each is read once (ahead, in a thread), turned and toned once, annotated, and handed
to the encoder, which writes in a thread of its own.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.show.action import find_action
from promtrack.show.canvas import canvas_from_tone, canvas_to_bgr, planes_of
from promtrack.show.encode import Encoder, check_video, written_whole
from promtrack.show.overlay import Annotation, annotate, draw_annotation, make_page
from promtrack.show.pacing import Shot, plan_shots, speed_up
from promtrack.show.records import Measured
from promtrack.show.sunlight import place_probes, quiet_sun, sample_levels, take_samples
from promtrack.show.tone import Toner, busy_map, make_toner, tone_frame
from promtrack.show.view import ClipView, choose_view

__all__ = ["render_clip"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Studio:
    """All that is settled before the first picture."""

    measured: Measured
    view: ClipView
    toner: Toner
    busy_tone: np.ndarray
    shots: list[Shot]
    time_s: np.ndarray        # of the used frames, since the first of them


def render_clip(measured: Measured, folder: Path, *, progress: Progress | None = None) -> tuple[Path, ...]:
    """Write `clip.mp4`, `poster.png` and what `clip.also` asks for into `folder`.

    Raises
    ------
    InputError : no frame is used, no ffmpeg, the encoder fails, or the disk is full; no half file is left
    """
    folder = Path(folder)
    studio = _prepare(measured)
    clip, view = measured.settings.clip, studio.view
    annotation = annotate(measured, view, make_page(view, 2), studio.busy_tone, studio.time_s)
    path = folder / "clip.mp4"
    pictures = sum(shot.repeats for shot in studio.shots)
    with written_whole(path) as temporary:
        with Encoder(temporary, view.width, view.height, clip.rate, clip.quality, _metadata(studio)) as encoder:
            for done, (shot, tone) in enumerate(_toned(studio)):
                canvas = canvas_from_tone(tone, clip.look, 2)
                draw_annotation(annotation, canvas, shot)
                encoder.put(planes_of(canvas), shot.repeats)
                if progress is not None:
                    progress(done + 1, len(studio.shots))
        check_video(temporary, pictures, view.width, view.height)
    return path, _poster(studio, folder / "poster.png")


def _prepare(measured: Measured) -> Studio:
    lock, clip = measured.lock, measured.settings.clip
    used = np.flatnonzero(lock.used)
    if not len(used):
        raise InputError("no frame could be used, so there is no clip to make", where=str(measured.sequence.path),
                         remedy="see the reasons in frames.ecsv")
    action = find_action(measured.strip, measured.motion, measured.orientation, lock)
    view = choose_view(lock, measured.scale, measured.orientation, action, clip)
    probes = place_probes(view)
    samples = take_samples(measured.sequence, lock, view, probes)
    quiet = quiet_sun(samples, probes, lock, view, measured.sequence.full_scale)
    toner = make_toner(quiet, view, clip.look, lock.shape)
    time_s = measured.sequence.time_s[used] - measured.sequence.time_s[used[0]]
    return Studio(measured, view, toner, busy_map(samples, sample_levels(samples, quiet, lock), toner), plan_shots(used, time_s, clip), time_s)


def _toned(studio: Studio) -> Iterator[tuple[Shot, np.ndarray]]:
    """Every shot with its toned picture; a frame that several shots in a row need is read once."""
    lock, view = studio.measured.lock, studio.view
    wanted: list[int] = []
    for shot in studio.shots:
        wanted += [i for i in (shot.frame, shot.other) if i >= 0 and i not in wanted[-2:]]
    frames = studio.measured.sequence.frames(wanted)
    ready: dict[int, np.ndarray] = {}
    with contextlib.closing(frames):
        for shot in studio.shots:
            for index in (shot.frame, shot.other):
                while index >= 0 and index not in ready:
                    number, frame = next(frames)
                    ready = dict(list(ready.items())[-1:]) | {number: tone_frame(frame, studio.toner, view, lock, number)}
            tone = ready[shot.frame]
            if shot.other >= 0:
                tone = cv2.addWeighted(tone, 1.0 - shot.share, ready[shot.other], shot.share, 0.0)
            yield shot, tone


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
        raise InputError("the poster could not be encoded", where=str(path), remedy="run `promtrack clip` again")
    with written_whole(path) as temporary:
        temporary.write_bytes(data.tobytes())
    return path


def _best_shot(studio: Studio, annotation: Annotation) -> Shot:
    """The sharpest picture among those that show most of what moves."""
    shots = [s for s in studio.shots if s.other < 0 and s.gap_s == 0.0] or studio.shots
    time_s = np.array([s.time_s for s in shots])
    shown = np.zeros(len(shots))
    for track in (*annotation.fronts, *(t for t in annotation.trails if t.label is not None)):
        part = (time_s - track.time_s[0]) / max(float(track.time_s[-1] - track.time_s[0]), 1e-6)
        shown += np.where(part <= 1.0, np.clip(part, 0.0, 1.0), 0.5)            # a long trail says more than a short one
    sharp = np.nan_to_num(studio.measured.lock.sharpness[[s.frame for s in shots]], nan=0.5)
    return shots[int(np.argmax(shown / max(shown.max(), 1.0) + np.clip(sharp, 0.4, 1.2)))]


def _metadata(studio: Studio) -> dict[str, str]:
    measured = studio.measured
    first, last = (str(measured.sequence.times_utc[i].astype("datetime64[s]")) + "Z" for i in np.flatnonzero(measured.lock.used)[[0, -1]])
    title = measured.settings.clip.title or f"Solar prominence, {first[:10]}"
    return {"title": title, "artist": measured.settings.clip.credit, "date": first[:10],
            "comment": f"{first} to {last}, {speed_up(studio.shots, measured.settings.clip.rate):.0f} times faster than the clock; "
                       f"plane-of-sky speeds; made with promtrack {measured.version}"}
