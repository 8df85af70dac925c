"""Films: a file in, found frames out. Compressed and container video goes through the ffmpeg program; raw
capture video, which any frame can be taken from at once, is read here.

One pass over the packets (nothing is decoded) gives the number of frames and their presentation times. Frames
then come through one running ffmpeg; going back or far ahead starts it again at the wanted time.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import threading
import weakref
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from io import FileIO
from pathlib import Path
from typing import cast

import imageio_ffmpeg
import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.frame_source import (
    MOST_FRAMES,
    Found,
    Stamps,
    aspect_of,
    check_size,
    damaged,
    numbered,
    values_in,
)


def ffmpeg_program() -> str:
    """Path of the ffmpeg program. Raises InputError: there is none."""
    try:
        program = imageio_ffmpeg.get_ffmpeg_exe()
    except RuntimeError:
        program = ""
    if shutil.which(program) is None:  # the variable IMAGEIO_FFMPEG_EXE is taken as it is
        at = f" at {program}" if program else ""
        what = f"no ffmpeg program was found{at}, and films and clips need one"
        remedy = "reinstall imageio-ffmpeg, or set IMAGEIO_FFMPEG_EXE to an ffmpeg program"
        raise InputError(what, remedy=remedy)
    return program


# Containers of moving pictures only; and nothing that would make ffmpeg open another file or the network.
_GUARD = [
    "-protocol_whitelist",
    "file,pipe",
    "-format_whitelist",
    "avi,mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,mpegts,mpeg,mpegvideo,asf,dv,ogg,flv,h264,hevc,m4v,mxf,nut,y4m,yuv4mpegpipe",
]
_STREAM = re.compile(
    r"Stream #0:(\d+).*?: Video: .*?, (\w+)(?:\([^)]*\))?, (\d+)x(\d+)(?:,? \[?SAR (\d+):(\d+))?"
)
_TURN = re.compile(r"display ?matrix: rotation of (-?[\d.]+) degrees", re.IGNORECASE)
_DEEP = re.compile(r"(9|10|12|14|16|32|48|64)(le|be)$|^x2")  # more than 8 bits a sample, in ffmpeg's names
_CREATED = re.compile(r"creation_time\s*: (\S+)")


@dataclass(frozen=True, slots=True)
class _Film:
    path: Path
    stream: int
    shape: tuple[int, ...]  # of a frame as ffmpeg hands it out: rows, columns, and 3 where it is in colour
    pixels: str  # what ffmpeg is asked for
    pts_s: np.ndarray  # (n,) presentation times, relative to the container's start


class _Player:
    """One running ffmpeg and its place in the film (an open resource)."""

    def __init__(self, film: _Film):
        self.film = film
        self._lock = threading.Lock()
        self._pipe: FileIO | None = None
        self._next = 0
        self._closing: Callable[[], object] | None = None

    def frame(self, index: int) -> np.ndarray:
        """Frame `index` as stored; thread-safe. Raises InputError where it cannot be decoded."""
        with self._lock:
            # Up to some 48 frames ahead reading on is cheaper than starting again.
            if self._pipe is None or not self._next <= index <= self._next + 48:
                self._start(index)
            while self._next < index:
                self._pull()
            return self._pull()

    def _start(self, index: int) -> None:
        self._stop()
        film = self.film
        # Half the shortest step early, so that rounding of the times cannot skip the wanted frame. With
        # -xerror ffmpeg stops at damage instead of leaving a frame out, which would give all later ones a
        # wrong number.
        steps = np.diff(film.pts_s)
        early = film.pts_s[index] - 0.5 * float(steps[steps > 0].min(initial=1.0))
        seek = ["-ss", f"{max(early, 0.0):.6f}"] if index else []
        command = [ffmpeg_program(), "-nostdin", "-v", "quiet", "-xerror", *_GUARD, *seek]
        command += ["-i", f"file:{film.path}", "-map", f"0:{film.stream}"]
        command += ["-fps_mode", "passthrough", "-f", "rawvideo", "-c:v", "rawvideo"]
        command += ["-pix_fmt", film.pixels, "-"]
        process = _started(command)
        # without a buffer (`_started` asks for none) the pipe is a plain file
        self._pipe = cast(FileIO, process.stdout)
        self._closing = weakref.finalize(self, _end, process, self._pipe)
        self._next = index

    def _stop(self) -> None:
        if self._closing is not None:
            self._closing()
        self._pipe = self._closing = None

    def _pull(self) -> np.ndarray:
        film = self.film
        frame = np.empty(film.shape, _dtype(film.pixels))
        view, pipe = frame.data.cast("B"), self._pipe
        assert pipe is not None, "`frame` has started ffmpeg"
        got = 0
        while got < len(view):
            step = pipe.readinto(view[got:])
            if not step:
                self._stop()
                what = f"frame {self._next} cannot be decoded: the film ends or is damaged there"
                remedy = "copy it again from the camera, or save it anew"
                raise InputError(what, where=str(film.path), remedy=remedy)
            got += step
        self._next += 1
        if self._next == len(film.pts_s):  # many films may be open at once, but few are read
            self._stop()
        return frame


def video_frames(path: Path, *, bayer: str = "auto") -> list[Found]:
    """All frames of the film. Raises InputError where ffmpeg sees no moving picture."""
    banner = _listened([ffmpeg_program(), "-hide_banner", "-nostdin", *_GUARD, "-i", f"file:{path}"])[1]
    found = _STREAM.search(banner)
    if not found:
        if ": Audio:" in banner:
            raise InputError("is a sound file: there is no moving picture in it", remedy="leave it out")
        what = "holds no moving picture that ffmpeg can read"
        raise InputError(what, remedy="save it as AVI, MP4, MOV or MKV")
    stream, stored, columns, rows = int(found[1]), found[2], int(found[3]), int(found[4])
    check_size(rows, columns)
    wide, high = int(found[5] or 1), int(found[6] or 1)
    turn, remarks = _TURN.search(banner, found.start()), []
    if turn and abs(float(turn[1])) > 1.0:
        remarks.append(f"turned as the film's display matrix says (rotation of {float(turn[1]):.0f} degrees)")
        if abs(abs(float(turn[1])) - 90.0) < 1.0:
            rows, columns, wide, high = columns, rows, high, wide
    aspect, stretched = aspect_of(high, wide)
    pixels, colour = _asked_for(stored)
    film = _Film(path, stream, (rows, columns), pixels, _presentation_s(path, stream))
    in_colour = replace(film, shape=(rows, columns, 3), pixels="rgb24" if pixels == "gray" else pixels)
    player = _Player(in_colour if colour == "rgb" else film)
    if pixels == "gray" and bayer in ("auto", "none"):
        # A film whose first frame is coloured is read as colour, so that the right channel can be taken.
        # 12 of 255: more than the rounding of 4:2:0 colour makes of grey.
        trial = _Player(in_colour)
        sample = trial.frame(0)[::4, ::4].astype(np.int16)
        if np.abs(sample[..., 0] - sample[..., 2]).mean() > 12 or np.ptp(sample, axis=2).mean() > 12:
            player, colour = trial, "rgb"
    kind = "8-bit" if _dtype(pixels).itemsize == 1 else "16-bit"
    created = _CREATED.search(banner)
    began = created[1] if created else ""
    stamps = [Stamps(since_start_s=since, created=began) for since in (film.pts_s - film.pts_s[0]).tolist()]
    read, told = partial(player.frame, 0), (*remarks, *stretched)
    first = Found(path, 0, len(stamps), (rows, columns), kind, colour, read, stamps[0])
    return numbered(replace(first, aspect=aspect, remarks=told), player.frame, stamps)


def _asked_for(stored: str) -> tuple[str, str]:
    """Pixel format to ask ffmpeg for, at the full depth of the stored one, and what it holds."""
    if stored.startswith("bayer_"):
        return stored, stored[6:10]
    deep = bool(_DEEP.search(stored))
    if stored.startswith(("rgb", "bgr", "gbr", "pal8", "0rgb", "0bgr", "argb", "abgr", "x2rgb", "x2bgr")):
        return ("rgb48le" if deep else "rgb24"), "rgb"
    return ("gray16le" if deep else "gray"), "mono"


def _dtype(pixels: str) -> np.dtype:
    if pixels.endswith("16be"):
        return np.dtype(">u2")
    return np.dtype("<u2") if pixels.endswith(("16le", "48le")) else np.dtype("u1")


def _presentation_s(path: Path, stream: int) -> np.ndarray:
    """(n,) presentation time of every packet, ascending, relative to the container's start."""
    command = [ffmpeg_program(), "-nostdin", "-v", "quiet", *_GUARD, "-i", f"file:{path}"]
    command += ["-map", f"0:{stream}", "-c", "copy", "-f", "framecrc", "-"]
    listing = _listened(command)[0]
    base = re.search(r"#tb 0: (\d+)/(\d+)", listing)
    packets = [line.split(",") for line in listing.splitlines() if line[:1] == "0" and line.count(",") >= 5]
    # AV_PKT_FLAG_DISCARD of ffmpeg's packet.h, bit 2: a packet that is needed for decoding only and gives no
    # frame, as in a film cut without encoding it anew
    flags = [re.search(r"F=0x([0-9A-Fa-f]+)", packet[-1]) for packet in packets]
    ticks = [p[2].strip() for p, f in zip(packets, flags, strict=True) if not (f and int(f[1], 16) & 4)]
    if not base or not ticks:
        raise damaged("is cut short or damaged: not one frame is there")
    if len(ticks) > MOST_FRAMES:
        what = f"holds {len(ticks)} frames, more than the limit of {MOST_FRAMES}"
        raise InputError(what, remedy="cut it into parts")
    return np.sort(np.array([int(t) for t in ticks]) * (int(base[1]) / int(base[2])))


def _listened(command: list[str]) -> tuple[str, str]:
    with _started(command, stderr=subprocess.PIPE) as process:
        try:
            out, err = process.communicate(timeout=300.0)  # s, for one pass over the packets
        except subprocess.TimeoutExpired:
            raise InputError("ffmpeg did not finish within 300 s", remedy="save the film anew") from None
        finally:  # also at Ctrl-C, which communicate only passes on
            process.kill()
            process.wait()
    return out.decode("utf-8", "replace"), err.decode("utf-8", "replace")


def _started(command: list[str], *, stderr: int = subprocess.DEVNULL) -> subprocess.Popen[bytes]:
    pipe, null = subprocess.PIPE, subprocess.DEVNULL
    try:
        return subprocess.Popen(command, stdout=pipe, stderr=stderr, stdin=null, bufsize=0, pipesize=1 << 20)
    except OSError as error:
        what = f"ffmpeg cannot be started ({error.strerror})"
        raise InputError(what, where=command[0], remedy="install ffmpeg anew") from None


def _end(process: subprocess.Popen[bytes], pipe: FileIO) -> None:
    process.kill()
    pipe.close()
    process.wait()


# Raw uncompressed capture video, little-endian, as FFmpeg's demuxer reads it (libavformat/serdec.c): 14 bytes
# of identification, then int32 camera, colour, byte-order flag, columns, rows, bits per sample, frames; three
# texts of 40 bytes; int64 start in local time and in UTC; the frames. Behind them may stand one int64 stamp
# (UTC) a frame, in units of 100 ns since 0001-01-01 (FFmpeg does not hand these on).
_FIELDS = ("camera", "colour", "order", "columns", "rows", "bits", "frames")
_HEADER = np.dtype(
    [("id", "S14"), *((name, "<i4") for name in _FIELDS), ("texts", "S120"), ("local", "<i8"), ("utc", "<i8")]
)
HEADER = _HEADER.itemsize  # 178 bytes
_COLOURS = {0: "mono", 8: "rggb", 9: "grbg", 10: "gbrg", 11: "bggr", 100: "rgb", 101: "bgr"}
_EPOCH = np.datetime64("0001-01-01", "us")


@dataclass(frozen=True, slots=True)
class _Capture:
    colour: str
    shape: tuple[int, ...]  # of a frame: rows, columns, and 3 where it is in colour
    bits: int
    frames: int
    start_utc: np.datetime64

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame in the file."""
        return math.prod(self.shape) * (2 if self.bits > 8 else 1)


def capture_of(head: bytes) -> _Capture | None:
    """What the first 178 bytes say, where they are such a header, whose fields all make sense; else None."""
    if len(head) < HEADER or not all(32 <= byte < 127 for byte in head[:14]):
        return None
    given = np.frombuffer(head, _HEADER, 1)[0]
    _, colour, _, columns, rows, bits, frames = (int(given[name]) for name in _FIELDS)
    if colour not in _COLOURS or not 1 <= bits <= 16 or columns < 1 or rows < 1 or frames < 0:
        return None
    shape = (rows, columns) if colour < 100 else (rows, columns, 3)
    return _Capture(_COLOURS[colour], shape, bits, frames, _utc(given["utc"][None])[0])


def capture_frames(path: Path, size: int) -> list[Found]:
    """All whole frames of the file. Raises InputError where there is none."""
    with path.open("rb") as file:
        film = capture_of(file.read(HEADER))
    if film is None:
        raise damaged("has a damaged header")
    rows, columns = film.shape[:2]
    check_size(rows, columns)
    count = min((size - HEADER) // film.frame_bytes, film.frames or MOST_FRAMES, MOST_FRAMES)
    if count < 1:
        raise damaged("is cut short: not one whole frame is there")
    dtype = np.dtype("<u2" if film.bits > 8 else "u1")
    if film.bits > 8 and columns > 2:
        # Writers disagree on the header's flag of the byte order. In the wrong order the noise of the low
        # byte becomes the high one, and neighbours differ wildly.
        own = values_in(path, dtype, film.shape, HEADER)
        here, swapped = (
            float(np.abs(np.diff(f[:, ::2].astype(np.float32), axis=1)).mean()) for f in (own, own.byteswap())
        )
        dtype = dtype.newbyteorder(">") if swapped < here else dtype

    def frame(index: int) -> np.ndarray:
        return values_in(path, dtype, film.shape, HEADER + index * film.frame_bytes)

    stamps = _stamps(path, film, count, size)
    kind, full_scale = "16-bit" if film.bits > 8 else "8-bit", float(2**film.bits - 1)
    first = Found(path, 0, count, (rows, columns), kind, film.colour, partial(frame, 0), stamps[0])
    return numbered(replace(first, full_scale=full_scale), frame, stamps)


def _stamps(path: Path, film: _Capture, count: int, size: int) -> list[Stamps]:
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
