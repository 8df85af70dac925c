"""Raw uncompressed capture video: frames as the camera gave them behind a 178-byte header, time stamps at the
end.

Layout, little-endian, as FFmpeg's demuxer reads it (libavformat/serdec.c): 14 bytes of identification,
then int32 camera, colour, byte-order flag, columns, rows, bits per sample, frames; three texts of 40 bytes;
int64 start in local time and in UTC. Behind the frames may stand one int64 UTC stamp a frame, in units of 100
ns since 0001-01-01 (FFmpeg does not hand these on; the tests write such files). The kind is recognised by the
header's fields, which must all make sense. It is read without ffmpeg because any frame can be
reached at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.frame_source import COPY_AGAIN, MOST_FRAMES, Found, Stamps, check_size, numbered

_FIELDS = ("camera", "colour", "order", "columns", "rows", "bits", "frames")
_HEADER = np.dtype(
    [("id", "S14"), *((name, "<i4") for name in _FIELDS), ("texts", "S120"), ("local", "<i8"), ("utc", "<i8")]
)
HEADER = _HEADER.itemsize  # 178 bytes
_COLOURS = {0: "mono", 8: "rggb", 9: "grbg", 10: "gbrg", 11: "bggr", 100: "rgb", 101: "bgr"}
_EPOCH = np.datetime64("0001-01-01", "us")


@dataclass(frozen=True, slots=True)
class _Film:
    """What the header says."""

    colour: str
    shape: tuple[int, ...]  # of a frame: rows, columns, and 3 where it is in colour
    bits: int
    frames: int
    start_utc: np.datetime64

    @property
    def dtype(self) -> np.dtype:
        """Of a sample, little-endian."""
        return np.dtype("<u2" if self.bits > 8 else "u1")

    @property
    def frame_bytes(self) -> int:
        return math.prod(self.shape) * self.dtype.itemsize


def is_capture(head: bytes) -> bool:
    """Whether the first 178 bytes are such a header; the fields must all make sense."""
    return _parsed(head) is not None


def _parsed(head: bytes) -> _Film | None:
    if len(head) < HEADER or not all(32 <= byte < 127 for byte in head[:14]):
        return None
    given = np.frombuffer(head, _HEADER, 1)[0]
    _, colour, _, columns, rows, bits, frames = (int(given[name]) for name in _FIELDS)
    if colour not in _COLOURS or not 1 <= bits <= 16 or columns < 1 or rows < 1 or frames < 0:
        return None
    shape = (rows, columns) if colour < 100 else (rows, columns, 3)
    return _Film(_COLOURS[colour], shape, bits, frames, _utc(given["utc"][None])[0])


def capture_frames(path: Path, size: int) -> list[Found]:
    """All whole frames of the file. Raises InputError where there is none."""
    with path.open("rb") as file:
        film = _parsed(file.read(HEADER))
    if film is None:
        raise InputError("has a damaged header", remedy=COPY_AGAIN)
    rows, columns = film.shape[:2]
    check_size(rows, columns)
    count = min((size - HEADER) // film.frame_bytes, film.frames or MOST_FRAMES, MOST_FRAMES)
    if count < 1:
        raise InputError("is cut short: not one whole frame is there", remedy=COPY_AGAIN)
    stamps, dtype = _stamps(path, film, count, size), _dtype(path, film)
    kind = "16-bit" if film.bits > 8 else "8-bit"
    first = Found(
        path, 0, count, (rows, columns), kind, film.colour, partial(_frame, path, film, dtype, 0), stamps[0]
    )
    first = replace(first, full_scale=float(2**film.bits - 1))
    return numbered(first, partial(_frame, path, film, dtype), stamps)


def _frame(path: Path, film: _Film, dtype: np.dtype, index: int) -> np.ndarray:
    count = math.prod(film.shape)
    values = np.fromfile(path, dtype, count, offset=HEADER + index * film.frame_bytes)
    if values.size < count:
        raise InputError("is cut short", remedy=COPY_AGAIN)
    return values.reshape(film.shape)


def _dtype(path: Path, film: _Film) -> np.dtype:
    """Type of a sample, with the byte order from the first frame: writers disagree on the header's flag.

    In the wrong order the low byte, which is mostly noise, becomes the high one, and neighbours differ
    wildly.
    """
    dtype = film.dtype
    if film.bits <= 8 or film.shape[1] <= 2:
        return dtype
    frame = _frame(path, film, dtype, 0)
    rough = [
        float(np.abs(np.diff(f[:, ::2].astype(np.float32), axis=1)).mean()) for f in (frame, frame.byteswap())
    ]
    return dtype.newbyteorder(">") if rough[1] < rough[0] else dtype


def _stamps(path: Path, film: _Film, count: int, size: int) -> list[Stamps]:
    behind = HEADER + film.frames * film.frame_bytes
    times = np.full(count, np.datetime64("NaT", "us"))
    if film.frames and size >= behind + 8 * film.frames:
        times = _utc(np.fromfile(path, "<i8", count, offset=behind))
    if np.isnat(times).all():
        return [Stamps(created="" if np.isnat(film.start_utc) else f"{film.start_utc}Z")] * count
    return [Stamps(clock_utc=time) for time in times]


def _utc(ticks: np.ndarray) -> np.ndarray:
    """Ticks of 100 ns since year 1 to datetime64[us]; NaT outside the years 1970 to 2200."""
    times = _EPOCH + (np.maximum(ticks.astype(np.int64), 0) // 10).astype("timedelta64[us]")
    sane = (times > np.datetime64("1970")) & (times < np.datetime64("2200"))
    return np.where(sane, times, np.datetime64("NaT", "us"))
