"""The least that the job can cost: read every frame once with OpenCV and pipe as many pictures into the same encoder.

Two floors, because what a picture shows decides what encoding it costs. The plain one pipes the frames themselves, stretched
and cut to the clip's size. The clip's floor pipes the clip's own pictures: a prominence made visible, with its noise.
"""

from __future__ import annotations

import itertools
import subprocess
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np

__all__ = ["clip_floor_seconds", "clip_shape", "plain_floor_seconds"]

HELD_PICTURES = 100     # of the clip, in memory; a longer clip is piped as these, forward and backward


def clip_shape(clip: Path) -> dict[str, int | float]:
    """Size, rate and number of pictures of a finished clip, so that the floors encode the same."""
    capture = cv2.VideoCapture(str(clip))
    try:
        return {"width": int(capture.get(cv2.CAP_PROP_FRAME_WIDTH)), "height": int(capture.get(cv2.CAP_PROP_FRAME_HEIGHT)),
                "rate": capture.get(cv2.CAP_PROP_FPS), "pictures": int(capture.get(cv2.CAP_PROP_FRAME_COUNT))}
    finally:
        capture.release()


def plain_floor_seconds(frames: list[Path], clip: Path, x264: list[str], scratch: Path) -> float:
    """Wall time of reading `frames` once while they, stretched and cut to the clip's size, go into x264."""
    shape = clip_shape(clip)
    # Stretched as a picture is, so that the encoder has as much to do.
    gain = 255.0 / max(float(np.percentile(cv2.imread(str(frames[0]), cv2.IMREAD_UNCHANGED), 99.9)), 1.0)

    def pictures() -> Iterator[bytes]:
        grey = b""
        for frame in frames:
            counts = cv2.imread(str(frame), cv2.IMREAD_UNCHANGED)
            grey = cv2.resize(cv2.convertScaleAbs(counts, alpha=gain), (shape["width"], shape["height"])).tobytes()
            yield grey
        yield from itertools.repeat(grey, max(shape["pictures"] - len(frames), 0))

    return _encoding_seconds(pictures(), shape, "gray", x264, scratch)


def clip_floor_seconds(frames: list[Path], clip: Path, x264: list[str], scratch: Path) -> float:
    """Wall time of reading `frames` once while the clip's own pictures go into x264."""
    shape = clip_shape(clip)
    held = _decoded(clip, shape)
    there_and_back = itertools.cycle([*held, *held[-2:0:-1]])
    reads = itertools.chain(frames, itertools.repeat(None, max(shape["pictures"] - len(frames), 0)))

    def pictures() -> Iterator[bytes]:
        for frame, picture in zip(reads, there_and_back, strict=False):
            if frame is not None:
                cv2.imread(str(frame), cv2.IMREAD_UNCHANGED)
            yield picture

    return _encoding_seconds(pictures(), shape, "yuv420p", x264, scratch)


def _decoded(clip: Path, shape: dict[str, int | float]) -> list[bytes]:
    """Pictures of the clip as raw yuv420p, from its middle, where all annotation stands."""
    count = min(int(shape["pictures"]), HELD_PICTURES)
    begin_s = (shape["pictures"] - count) / 2.0 / shape["rate"]
    raw = subprocess.run([imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-ss", f"{begin_s:.3f}", "-i", str(clip), "-frames:v", str(count),
                          "-f", "rawvideo", "-pix_fmt", "yuv420p", "-"], capture_output=True, check=True).stdout
    size = int(shape["width"]) * int(shape["height"]) * 3 // 2
    return [raw[start:start + size] for start in range(0, len(raw), size)]


def _encoding_seconds(pictures: Iterable[bytes], shape: dict[str, int | float], pixels: str, x264: list[str], scratch: Path) -> float:
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", pixels,
               "-s", f"{shape['width']}x{shape['height']}", "-r", str(shape["rate"]), "-i", "-", *x264, str(scratch / "floor.mp4")]
    begun = time.perf_counter()
    with subprocess.Popen(command, stdin=subprocess.PIPE) as encoder:
        for picture in pictures:
            encoder.stdin.write(picture)
    return time.perf_counter() - begun
