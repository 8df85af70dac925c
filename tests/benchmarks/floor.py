"""The least that the job can cost: read every frame once with OpenCV and pipe as many pictures into the same encoder."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np

__all__ = ["encoder_options", "floor_seconds"]


def encoder_options(clip: Path) -> dict[str, int | float]:
    """Size, rate and number of frames of a finished clip, so that the floor encodes the same."""
    capture = cv2.VideoCapture(str(clip))
    try:
        return {"width": int(capture.get(cv2.CAP_PROP_FRAME_WIDTH)), "height": int(capture.get(cv2.CAP_PROP_FRAME_HEIGHT)),
                "rate": capture.get(cv2.CAP_PROP_FPS), "pictures": int(capture.get(cv2.CAP_PROP_FRAME_COUNT))}
    finally:
        capture.release()


def floor_seconds(frames: list[Path], clip: Path, x264: list[str], scratch: Path) -> float:
    """Wall time of reading `frames` once while their pictures, cut to the clip's size, go into x264."""
    size = encoder_options(clip)
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "gray",
               "-s", f"{size['width']}x{size['height']}", "-r", str(size["rate"]), "-i", "-", *x264, str(scratch / "floor.mp4")]
    # Stretched as a picture is, so that the encoder has as much to do.
    gain = 255.0 / max(float(np.percentile(cv2.imread(str(frames[0]), cv2.IMREAD_UNCHANGED), 99.9)), 1.0)
    begun = time.perf_counter()
    with subprocess.Popen(command, stdin=subprocess.PIPE) as encoder:
        for picture in range(size["pictures"]):
            if picture < len(frames):
                frame = cv2.imread(str(frames[picture]), cv2.IMREAD_UNCHANGED)
                grey = cv2.resize(cv2.convertScaleAbs(frame, alpha=gain), (size["width"], size["height"]))
            encoder.stdin.write(np.ascontiguousarray(grey).tobytes())
    return time.perf_counter() - begun
