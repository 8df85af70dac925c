"""Small recordings of known content, in every format that is read."""

from __future__ import annotations

import struct
from pathlib import Path

import cv2
import numpy as np
from scipy.special import expit

from promtrack.errors import InputError
from promtrack.sequence import Sequence

ROWS, COLUMNS = 48, 65  # not square, one side odd


def decoded(sequence: Sequence) -> tuple[dict[int, np.ndarray], dict[int, str]]:
    """The frames that can be decoded, and what is said of the others, by number."""
    frames, errors = {}, {}
    for index in range(len(sequence)):
        try:
            frames[index] = sequence.frame(index)
        except InputError as error:
            errors[index] = str(error)
    return frames, errors


def picture(index: int = 0, dtype: str = "uint16") -> np.ndarray:
    """A bright disc low in the frame, a slope across it, a mark in the upper left, and noise of its own."""
    y, x = np.mgrid[:ROWS, :COLUMNS].astype(float)
    shade = 0.1 + 0.6 * expit((40 - np.hypot(x - 30 - index, y - 70)) / 1.5) + 0.002 * x
    shade[3:6, 4:12] += 0.15
    shade += np.random.default_rng(index).normal(0, 0.004, shade.shape)
    if dtype == "float32":
        return shade.astype(np.float32)
    return np.round(np.clip(shade, 0, 1) * np.iinfo(dtype).max).astype(dtype)


def stamp_name(index: int, suffix: str, *, step_s: int = 10) -> str:
    seconds = 9 * 3600 + 31 * 60 + 20 + index * step_s
    return f"prom_2026-05-17T{seconds // 3600:02d}-{seconds // 60 % 60:02d}-{seconds % 60:02d}Z{suffix}"


def write_stills(
    folder: Path,
    count: int = 4,
    *,
    suffix: str = ".tif",
    dtype: str = "uint16",
    options: tuple[int, ...] = (),
) -> list[Path]:
    """Frames 10 s apart from 2026-05-17 09:31:20 UTC, the time in the name; uncompressed TIFF unless said
    otherwise."""
    folder.mkdir(parents=True, exist_ok=True)
    if suffix == ".tif" and not options:
        options = (cv2.IMWRITE_TIFF_COMPRESSION, 1)
    paths = [folder / stamp_name(i, suffix) for i in range(count)]
    for i, path in enumerate(paths):
        done, data = cv2.imencode(suffix, picture(i, dtype), list(options))
        assert done
        path.write_bytes(data.tobytes())
    return paths


TICKS_TO_1970 = 621_355_968_000_000_000  # of 100 ns, from 0001-01-01


def write_capture(
    path: Path,
    frames: list[np.ndarray],
    *,
    colour: int = 0,
    bits: int = 16,
    flag: int = 0,
    times_utc: np.ndarray | None = None,
    order: str = "<",
) -> Path:
    """A raw uncompressed capture video."""
    rows, columns = frames[0].shape[:2]
    head = (
        b"PLAIN-CAPTURE1" + struct.pack("<7i", 0, colour, flag, columns, rows, bits, len(frames)) + b" " * 120
    )
    body = b"".join(f.astype(f"{order}u2" if bits > 8 else "u1").tobytes() for f in frames)
    ticks = b""
    start = 0
    if times_utc is not None:
        micros = times_utc.astype("datetime64[us]").astype(np.int64)
        ticks = (micros * 10 + TICKS_TO_1970).astype("<i8").tobytes()
        start = int(micros[0] * 10 + TICKS_TO_1970)
    path.write_bytes(head + struct.pack("<qq", start, start) + body + ticks)
    return path
