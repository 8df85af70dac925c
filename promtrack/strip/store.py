"""The file that holds the strips, and a copy of it that is quick to read again.

The file is one Rice-compressed FITS image of 16-bit integers with a tile for each strip, in steps of a
quarter of the noise, which dithers them: what rounding adds is white and 0.07 of the noise (Pence, White &
Seaman 2010, PASP 122, 1065). The tiles (FITS Standard 4.0, section 10) are made and read by astropy; they are
put into the file one by one as they come, since the whole cube need not fit into memory.
"""

from __future__ import annotations

import io
import math
import shutil
import tempfile
import threading
import warnings
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

import cv2
import numpy as np
from astropy.io import fits
from astropy.io.fits.header import BLOCK_SIZE
from astropy.utils.exceptions import AstropyUserWarning

from promtrack.errors import InputError, unwritable
from promtrack.workers import free_bytes

CUBE = "STRIPS"  # name of the extension that holds the cube
BLANK = np.iinfo(np.int16).min  # what a strip does not show
LARGEST = np.iinfo(np.int16).max
_DESCRIPTOR = np.dtype([("bytes", ">i8"), ("start", ">i8")])


def in_steps(strip: np.ndarray, step: float) -> np.ndarray:
    """A strip (rows, columns) as int16 multiples of `step`, `BLANK` where it is nan."""
    scaled = strip * np.float32(1.0 / step)
    np.clip(np.rint(scaled, out=scaled), -LARGEST, LARGEST, out=scaled)
    np.copyto(scaled, np.float32(BLANK), where=np.isnan(strip))
    return scaled.astype(np.int16)


def packed(strips: Sequence[np.ndarray]) -> list[bytes]:
    """Strips (rows, columns) of `in_steps` as tiles, Rice-compressed; several at a time, since each call
    takes 15 ms."""
    stream = _compressed(np.stack(strips))
    table = stream.index(b"END" + b" " * 77, BLOCK_SIZE) + 80
    table += -table % BLOCK_SIZE
    rows = np.frombuffer(stream, ">i4", 2 * len(strips), table).reshape(-1, 2)  # '1PB': length, start
    heap = table + rows.nbytes
    return [stream[heap + start : heap + start + length] for length, start in rows]


def _compressed(whole: np.ndarray) -> bytes:
    """A FITS file of one compressed image (n, rows, columns) with a tile for each n."""
    stream = io.BytesIO()
    tile = (1, *whole.shape[1:])
    fits.CompImageHDU(whole, compression_type="RICE_1", tile_shape=tile).writeto(stream)
    return stream.getvalue()


class StripWriter:
    """Writes a FITS file of the cube (`shape`: strips, rows, columns), strip by strip, over what stands
    there. `step`: counts for each unit of the stored integers; `header`: further cards. Raises InputError:
    the disk is full."""

    def __init__(self, path: Path, shape: tuple[int, int, int], step: float, header: fits.Header):
        self.path = Path(path)
        fits.PrimaryHDU().writeto(self.path, overwrite=True)
        self.rows = np.zeros(shape[0], _DESCRIPTOR)
        self.done = 0
        self.heap = 0
        self.header = self._header(shape, step, header)
        self.file = self.path.open("r+b")
        self.begin = self.file.seek(0, io.SEEK_END)
        self._put(self._front())

    def _header(self, shape: tuple[int, int, int], step: float, more: fits.Header) -> fits.Header:
        one = io.BytesIO(_compressed(np.zeros((1, *shape[1:]), np.int16)))
        with fits.open(one, disable_image_compression=True) as hdus:
            header = hdus[1].header.copy()
        header["NAXIS1"], header["NAXIS2"] = _DESCRIPTOR.itemsize, shape[0]
        header["ZNAXIS3"], header["TFORM1"] = shape[0], "1QB"
        header["EXTNAME"] = (CUBE, "height x angle strips, one for each time")
        header["BSCALE"], header["BZERO"] = (step, "a quarter of the noise"), 0.0
        header["BLANK"] = (BLANK, "not shown by the frame")
        header.extend(more.cards, update=True)
        return header

    def _front(self) -> bytes:
        """Header and table of tiles as they stand now: of the same length from the beginning."""
        self.header["PCOUNT"] = self.heap
        return self.header.tostring().encode("ascii") + self.rows.tobytes()

    def add(self, tile: bytes) -> None:
        """Write the next strip, made by `packed`."""
        self.rows[self.done] = len(tile), self.heap
        self._put(tile)
        self.done += 1
        self.heap += len(tile)

    def _put(self, data: bytes) -> None:
        try:
            self.file.write(data)
        except OSError as error:
            raise unwritable(self.path, error) from None

    def __enter__(self) -> StripWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self.file:
            if kind is None:
                self._put(b"\0" * (-self.file.tell() % BLOCK_SIZE))
                self.file.seek(self.begin)
                self._put(self._front())


def _values(stored: np.ndarray, step: float) -> np.ndarray:
    """Stored integers (n, rows, columns) as float32 counts: looked up, a fifth of the time of computing."""
    counts = np.arange(1 << 16, dtype=np.uint16).view(np.int16) * np.float32(step)
    counts[np.uint16(BLANK & 0xFFFF)] = np.nan
    places = stored.astype(np.int16, copy=False).view(np.uint16)
    return cv2.LUT(places.reshape(-1, stored.shape[-1]), counts[None]).reshape(stored.shape)


class Decoded:
    """Strips as they are stored, in a file without a name that goes with this object: each pass over them is
    spared the decoding, which takes longer than all else in most. In a file that is read, not mapped: memory
    must not grow with the sequence, and pages of a mapped file stay in the process's memory."""

    def __init__(self, path: Path, shape: tuple[int, int, int], step: float):
        self.path, self.shape, self.step, self.turn = path, shape, step, threading.Lock()
        self.file = tempfile.TemporaryFile(dir=path.parent)  # noqa: SIM115 - closed by __del__

    @classmethod
    def beside(cls, path: Path, shape: tuple[int, int, int], step: float) -> Decoded | None:
        """For the strips at `path`, empty; None where it would take much of the disk, or of the memory in
        which the system keeps files that were just written: from the disk it is no quicker than decoding."""
        memory = free_bytes()
        memory = memory if math.isfinite(memory) else 2e9  # where the system does not say
        room = 0.5 * min(memory, shutil.disk_usage(path.parent).free)
        return cls(path, shape, step) if 2 * math.prod(shape) < room else None

    def put(self, first: int, stored: np.ndarray) -> None:
        """The strip `first`, or several from there, int16."""
        try:
            with self.turn:
                self.file.seek(first * math.prod(self.shape[1:]) * stored.itemsize)
                self.file.write(stored.data.cast("B"))
        except OSError as error:
            raise unwritable(self.path, error) from None

    def read(self, first: int, last: int) -> np.ndarray:
        """Strips first <= i < last as float32."""
        stored = np.empty((last - first, *self.shape[1:]), np.int16)
        with self.turn:
            self.file.seek(first * math.prod(self.shape[1:]) * stored.itemsize)
            self.file.readinto(stored.data.cast("B"))
        return _values(stored, self.step)

    def __del__(self) -> None:
        if hasattr(self, "file"):
            self.file.close()


class Planes:
    """A cube opened for reading by threads, each of which keeps the file open: to open it takes as long as
    to decode a strip. Raises InputError: the file is missing, damaged, or holds no cube."""

    def __init__(self, path: Path):
        self.path = path
        self.own, self.turn = threading.local(), threading.Lock()
        self.opened: list[fits.HDUList] = []
        self.step = np.nan  # counts for each unit of what is stored, known when something was read

    def read(self, first: int, last: int) -> np.ndarray:
        """Strips first <= i < last as float32 (n, rows, columns); only their tiles are read."""
        stored = self.stored(first, last)
        return _values(stored, self.step)

    def stored(self, first: int, last: int) -> np.ndarray:
        """The same as they are stored, int16; raises InputError where the file cannot be read."""
        try:
            if not hasattr(self.own, "cube"):
                self._open()
            return self.own.cube[first:last]
        except (OSError, KeyError, ValueError, AstropyUserWarning) as error:
            raise InputError(
                f"cannot be read ({error})",
                where=str(self.path),
                remedy="make it again with `promtrack strip`",
            ) from None

    def _open(self) -> None:
        """The file for the thread that asks; one thread at a time, since filters of warnings are shared."""
        with self.turn, warnings.catch_warnings(action="error", category=AstropyUserWarning):
            # Read, not mapped: pages of a mapped file stay in the process's memory.
            hdus = fits.open(self.path, memmap=False, do_not_scale_image_data=True)
            self.opened.append(hdus)
            self.own.cube = hdus[CUBE].section
            self.step = float(hdus[CUBE].header["BSCALE"])

    def __enter__(self) -> Planes:
        return self

    def __exit__(self, *error: object) -> None:
        for hdus in self.opened:
            hdus.close()
