"""The least that the job can cost: read every frame once with OpenCV and pipe as many pictures into the same
encoder.

Two floors, because what a picture shows decides what encoding it costs. The plain one pipes the frames
themselves, stretched and cut to the clip's size. The clip's floor pipes the clip's own pictures as the
encoder got them: a prominence made visible, with its noise. (Pictures decoded from the clip have lost much of
that noise, and encode in two thirds of the time.)
"""

from __future__ import annotations

import itertools
import subprocess
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np

from promtrack.show.clip import _films, _takes
from promtrack.show.records import Measured
from promtrack.show.studio import prepare
from promtrack.show.tone import tone_frame
from tests.benchmarks.process import children_cpu_s

__all__ = ["Floor", "clip_floor", "clip_pictures", "clip_shape", "plain_floor"]

HELD_PICTURES = 100  # of the clip, in memory; a longer clip is piped as these, forward and backward


@dataclass(frozen=True, slots=True)
class Floor:
    """Wall time, and processor time of reading and encoding together."""

    wall_s: float
    cpu_s: float


def clip_shape(clip: Path) -> dict[str, int | float]:
    """Size, rate and number of pictures of a finished clip, so that the floors encode the same."""
    capture = cv2.VideoCapture(str(clip))
    try:
        return {
            "width": int(capture.get(cv2.CAP_PROP_FRAME_WIDTH)),
            "height": int(capture.get(cv2.CAP_PROP_FRAME_HEIGHT)),
            "rate": capture.get(cv2.CAP_PROP_FPS),
            "pictures": int(capture.get(cv2.CAP_PROP_FRAME_COUNT)),
        }
    finally:
        capture.release()


def clip_pictures(measured: Measured) -> tuple[list[bytes], list[int]]:
    """Pictures of the clip as raw yuv420p before they are encoded, from its middle, where all annotation
    stands; and how often each picture of the whole clip is shown."""
    studio = prepare(measured)
    shots = studio.plan.shots
    first = max(len(shots) - HELD_PICTURES, 0) // 2
    film, views, lock = _films(studio, studio.annotation())[0], studio.views, measured.lock
    pictures = []
    for take in _takes(
        replace(studio, plan=replace(studio.plan, shots=shots[first : first + HELD_PICTURES]))
    ):
        tone = tone_frame(take.frame, studio.toner, views[take.shot.place], lock, take.shot.frame)
        pictures.append(b"".join(film.draw(take, tone) or ()))
    return pictures, [shot.repeats for shot in shots]


def plain_floor(frames: list[Path], clip: Path, x264: list[str], scratch: Path) -> Floor:
    """Reading `frames` once while they, stretched and cut to the clip's size, go into x264."""
    shape = clip_shape(clip)
    # Stretched as a picture is, so that the encoder has as much to do.
    gain = 255.0 / max(float(np.percentile(cv2.imread(str(frames[0]), cv2.IMREAD_UNCHANGED), 99.9)), 1.0)

    def pictures() -> Iterator[bytes]:
        grey = b""
        for frame in frames:
            counts = cv2.imread(str(frame), cv2.IMREAD_UNCHANGED)
            grey = cv2.resize(
                cv2.convertScaleAbs(counts, alpha=gain), (shape["width"], shape["height"])
            ).tobytes()
            yield grey
        yield from itertools.repeat(grey, max(shape["pictures"] - len(frames), 0))

    return _encoded(pictures(), shape, "gray", x264, scratch)


def clip_floor(
    frames: list[Path], held: list[bytes], repeats: list[int], clip: Path, x264: list[str], scratch: Path
) -> Floor:
    """Reading `frames` once while pictures of the clip, from `clip_pictures`, go into x264, as many different
    ones as the clip has, and each as often."""
    shape = clip_shape(clip)
    there_and_back = itertools.cycle([*held, *held[-2:0:-1]])

    def pictures() -> Iterator[bytes]:
        parts = np.array_split(list(map(str, frames)), len(repeats))
        for part, picture, count in zip(parts, there_and_back, repeats, strict=False):
            for frame in part:
                cv2.imread(frame, cv2.IMREAD_UNCHANGED)
            yield from itertools.repeat(picture, count)

    return _encoded(pictures(), shape, "yuv420p", x264, scratch)


def _encoded(
    pictures: Iterable[bytes], shape: dict[str, int | float], pixels: str, x264: list[str], scratch: Path
) -> Floor:
    command = [
        imageio_ffmpeg.get_ffmpeg_exe(),
        "-v",
        "error",
        "-y",
        "-f",
        "rawvideo",
        "-pix_fmt",
        pixels,
        "-s",
        f"{shape['width']}x{shape['height']}",
        "-r",
        str(shape["rate"]),
        "-i",
        "-",
        *x264,
        str(scratch / "floor.mp4"),
    ]
    begun, own, children = time.perf_counter(), time.process_time(), children_cpu_s()
    with subprocess.Popen(command, stdin=subprocess.PIPE) as encoder:
        for picture in pictures:
            encoder.stdin.write(picture)
    return Floor(time.perf_counter() - begun, time.process_time() - own + children_cpu_s() - children)
