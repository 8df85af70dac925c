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

import struct
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.frame_source import COPY_AGAIN, MOST_FRAMES, Found, Stamps, check_size

HEADER = 178
_COLOURS = {0: "mono", 8: "rggb", 9: "grbg", 10: "gbrg", 11: "bggr", 100: "rgb", 101: "bgr"}
_TICKS_TO_1970 = 621_355_968_000_000_000  # 719162 days


@dataclass(frozen=True, slots=True)
class _Header:
    colour: str
    columns: int
    rows: int
    bits: int
    frames: int
    start_ticks: int

    @property
    def samples(self) -> int:
        return 3 if self.colour in ("rgb", "bgr") else 1

    @property
    def frame_bytes(self) -> int:
        return self.rows * self.columns * self.samples * (2 if self.bits > 8 else 1)


def is_capture(head: bytes) -> bool:
    """Whether the first 178 bytes are such a header; the fields must all make sense."""
    return _parsed(head) is not None


def _parsed(head: bytes) -> _Header | None:
    if len(head) < HEADER or not all(32 <= byte < 127 for byte in head[:14]):
        return None
    _, colour, _, columns, rows, bits, frames = struct.unpack_from("<7i", head, 14)
    if colour not in _COLOURS or not 1 <= bits <= 16 or columns < 1 or rows < 1 or frames < 0:
        return None
    return _Header(_COLOURS[colour], columns, rows, bits, frames, struct.unpack_from("<q", head, 170)[0])


def capture_frames(path: Path, size: int) -> list[Found]:
    """All whole frames of the file. Raises InputError where there is none."""
    with path.open("rb") as file:
        header = _parsed(file.read(HEADER))
    if header is None:
        raise InputError("has a damaged header", remedy=COPY_AGAIN)
    check_size(header.rows, header.columns)
    count = min((size - HEADER) // header.frame_bytes, header.frames or MOST_FRAMES, MOST_FRAMES)
    if count < 1:
        raise InputError("is cut short: not one whole frame is there", remedy=COPY_AGAIN)
    stamps = _stamps(path, header, count, size)
    order = _byte_order(path, header)
    full = float(2**header.bits - 1)
    shape, kind = (header.rows, header.columns), "16-bit" if header.bits > 8 else "8-bit"
    return [
        Found(
            path,
            i,
            count,
            shape,
            kind,
            header.colour,
            partial(_frame, path, header, order, i),
            stamps[i],
            full_scale=full,
        )
        for i in range(count)
    ]


def _frame(path: Path, header: _Header, order: str, index: int) -> np.ndarray:
    dtype = np.dtype(f"{order}u2" if header.bits > 8 else "u1")
    count = header.rows * header.columns * header.samples
    values = np.fromfile(path, dtype, count, offset=HEADER + index * header.frame_bytes)
    if values.size < count:
        raise InputError("is cut short", remedy=COPY_AGAIN)
    shape = (header.rows, header.columns)
    return values.reshape(shape if header.samples == 1 else (*shape, 3))


def _byte_order(path: Path, header: _Header) -> str:
    """Byte order of 16-bit samples, from the first frame: writers disagree on the meaning of the header's
    flag.

    In the wrong order the low byte, which is mostly noise, becomes the high one, and neighbours differ
    wildly.
    """
    if header.bits <= 8:
        return "<"
    rough = {}
    for order in "<>":
        frame = _frame(path, header, order, 0).astype(np.float32)
        rough[order] = float(np.abs(frame[:, 2:] - frame[:, :-2]).mean()) if header.columns > 2 else 0.0
    return ">" if rough[">"] < rough["<"] else "<"


def _stamps(path: Path, header: _Header, count: int, size: int) -> list[Stamps]:
    behind = HEADER + header.frames * header.frame_bytes
    ticks = np.zeros(0, "<i8")
    if header.frames and size >= behind + 8 * header.frames:
        ticks = np.fromfile(path, "<i8", count, offset=behind)
    if not (ticks > 0).any():
        started = _utc(np.array([header.start_ticks]))[0]
        return [Stamps(created="" if np.isnat(started) else f"{started}Z")] * count
    return [Stamps(clock_utc=time) for time in _utc(ticks)]


def _utc(ticks: np.ndarray) -> np.ndarray:
    """Ticks since year 1 to datetime64[us]; NaT outside the years 1970 to 2200."""
    since_1970 = ticks.astype(np.int64) - _TICKS_TO_1970
    sane = (ticks > _TICKS_TO_1970) & (since_1970 < 230 * 366 * 86400 * 10**7)
    return np.where(
        sane,
        np.datetime64(0, "us") + np.where(sane, since_1970, 0) // 10 * np.timedelta64(1, "us"),
        np.datetime64("NaT", "us"),
    )
