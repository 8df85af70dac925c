"""A frame that was found in a file, from what is stored to what is displayed; limits that every reader keeps.

Nothing is decoded to find a frame: its size and depth come from the file's header. Displayed means: colour
turned to luminance, upright, square pixels, the machine's own byte order.

Colour. Behind a narrow-band filter the light is in one channel of a colour sensor, and the others hold noise:
where one carries most of it, it is taken alone, and saturation stays visible; otherwise (grey stored as
colour, false colour) the plain mean of the three. The choice is made once, on the first frame.
"""

from __future__ import annotations

import gzip
import math
import struct
import zlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import BinaryIO, cast

import cv2
import numpy as np

from promtrack.errors import InputError, printable

MOST_PIXELS = 120_000_000  # of one frame; refused before anything of that size is allocated
MOST_FRAMES = 2_000_000  # of one sequence
_STEPS = (1.0, 255.0, 4095.0, 16383.0, 65535.0)  # of usual floats: a unit range, a camera's 8 to 16 bits
Plan = int | None  # the channel to take alone (0, 1, 2 = red, green, blue), or None: the mean
_ASTRAY = (ValueError, TypeError, LookupError, AttributeError, ArithmeticError, RuntimeError, AssertionError)
# what libraries raise on damaged data
BROKEN = (*_ASTRAY, OSError, EOFError, MemoryError, SyntaxError, Warning, struct.error, zlib.error)

_DEMOSAIC = {
    "rggb": cv2.COLOR_BayerRGGB2RGB,
    "bggr": cv2.COLOR_BayerBGGR2RGB,
    "grbg": cv2.COLOR_BayerGRBG2RGB,
    "gbrg": cv2.COLOR_BayerGBRG2RGB,
}


def damaged(what: str, where: str = "") -> InputError:
    """What to raise where a file is not as the camera wrote it."""
    return InputError(what, where=where, remedy="copy it again from the camera, or remove it")


def unsound(what: str) -> InputError:
    """What to raise where a file is whole, and not as its kind should be."""
    return InputError(what, remedy="save it again, or remove it")


@dataclass(frozen=True, slots=True, eq=False)
class Stamps:
    """What a file says about the time of one of its frames."""

    fits: dict[str, object] | None = None  # the header's keywords that are used
    exif: str = ""  # date and time of the exposure, decimals and zone as far as the camera gives them
    exposure_s: float = np.nan
    clock_utc: np.datetime64 = np.datetime64("NaT", "us")  # recorded with the frame by the camera's computer
    since_start_s: float = np.nan  # time since the first frame of the same file
    created: str = ""  # creation time of the container


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """One frame in a file. `read` gives it as stored: rows and bytes in the file's order, colour not yet
    resolved, neither turned nor stretched."""

    file: Path
    number: int  # within its file, from 0
    count: int  # frames in that file
    stored_shape: tuple[int, int]  # rows, columns as stored
    kind: str  # '8-bit', '16-bit' or 'float'
    colour: str  # 'mono', 'rgb', 'bgr', or the pattern of raw colour: 'rggb', ...
    read: Callable[[], np.ndarray]
    stamps: Stamps
    bottom_up: bool = False
    full_scale: float = np.nan  # where the file states it
    orientation: int = 1  # as TIFF 6.0 and EXIF number them, 1 to 8
    aspect: float = 1.0  # width of a stored pixel over its height
    remarks: tuple[str, ...] = ()  # what the reader did of itself

    @property
    def name(self) -> str:
        """The file's name, with #number for one of several frames in a file."""
        name = printable(self.file.name)
        return name if self.count == 1 else f"{name}#{self.number}"

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns as displayed: turned upright, with square pixels."""
        rows, columns = self.stored_shape
        rows, columns = max(rows, round(rows / self.aspect)), max(columns, round(columns * self.aspect))
        return (columns, rows) if self.orientation >= 5 else (rows, columns)


def numbered(first: Found, read: Callable[[int], np.ndarray], stamps: list[Stamps]) -> list[Found]:
    """The frames of a file that holds many, all like the first; `read` takes a frame's number."""
    return [replace(first, number=i, read=partial(read, i), stamps=one) for i, one in enumerate(stamps)]


def aspect_of(across: object, down: object) -> tuple[float, tuple[str, ...]]:
    """Width of a pixel over its height where a file states pixels per length across and down, and a remark if
    they are not square; what cannot be two such numbers counts as square."""
    aspect = 1.0
    with suppress(TypeError, ValueError, ZeroDivisionError):
        aspect = float(down) / float(across)  # type: ignore[arg-type]
    if not 0.1 < aspect < 10.0 or abs(aspect - 1.0) < 1e-3:
        return 1.0, ()
    return aspect, (f"pixels {aspect:.4g} times as wide as high made square, as the file states them",)


def check_size(rows: int, columns: int) -> None:
    """Raises InputError unless a frame of that size may be held in memory."""
    if rows < 1 or columns < 1:
        raise unsound(f"claims a size of {columns} x {rows} pixels")
    if rows * columns > MOST_PIXELS:
        raise InputError(
            f"claims {columns} x {rows} pixels, more than the limit of {MOST_PIXELS // 1_000_000} million",
            remedy="crop the frames, or remove the file if its header is damaged",
        )


def opened(path: Path) -> BinaryIO:
    """The file, unpacked on the fly where it is gzipped."""
    # a gzip file reads and seeks like any binary file, but the type stubs do not call it one
    return cast(BinaryIO, gzip.open(path, "rb")) if is_zipped(path) else path.open("rb")


def is_zipped(path: Path) -> bool:
    """Whether the file is packed by gzip."""
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"


def values_in(path: Path, dtype: np.dtype, shape: tuple[int, ...], offset: int) -> np.ndarray:
    """An array that stands in a file from `offset` on; raises InputError where the file ends in it."""
    values = np.fromfile(path, dtype, math.prod(shape), offset=offset)
    if values.size < math.prod(shape):
        raise damaged(f"is cut short: {values.size} of {math.prod(shape)} values are there")
    return values.reshape(shape)


def as_stored(frame: Found) -> np.ndarray:
    """The frame as stored; raises InputError, naming the frame, whatever keeps it from being read."""
    try:
        return frame.read()
    except InputError as error:
        raise error.at(frame.name) from None
    except (OSError, MemoryError) as error:
        raise damaged(f"cannot be read ({error})", where=frame.name) from None


def channel_plan(stored: np.ndarray, colour: str) -> Plan:
    """The channel of a frame as stored, (rows, columns) or (rows, columns, 3), that carries the light; None
    where no channel stands out."""
    rgb = _as_rgb(stored, colour)
    if rgb.ndim == 2:
        return None
    sample = rgb[::4, ::4].reshape(-1, 3).astype(np.float32)
    sample = sample[np.isfinite(sample).all(axis=1)]
    if not len(sample):
        return None
    light = np.maximum(sample.mean(axis=0) - np.percentile(sample, 1, axis=0), 0.0)
    best = int(np.argmax(light))
    # a third of the light would be grey
    return best if light[best] > 0.6 * light.sum() > 0 else None


def displayed(frame: Found, plan: Plan, stored: np.ndarray | None = None) -> np.ndarray:
    """The frame, read unless it is given, and developed: turned upright, with square pixels. Raises
    InputError, naming the frame, where it cannot be read."""
    shown = develop(as_stored(frame) if stored is None else stored, frame.colour, plan, frame.bottom_up)
    if shown.shape != frame.stored_shape:
        told, held = (f"{columns} x {rows}" for rows, columns in (frame.stored_shape, shown.shape))
        raise damaged(f"holds {held} pixels, its header says {told}", where=frame.name)
    if frame.aspect != 1.0:
        rows, columns = frame.shape[::-1] if frame.orientation >= 5 else frame.shape
        shown = cv2.resize(shown, (columns, rows), interpolation=cv2.INTER_CUBIC)  # size as (columns, rows)
    if frame.orientation == 1:
        return shown
    if frame.orientation >= 5:  # 5 to 8 are 1, 4, 3, 2 turned over the main diagonal: TIFF 6.0, tag 274
        shown = shown.T
    if frame.orientation in (3, 4, 7, 8):
        shown = shown[::-1]
    if frame.orientation in (2, 3, 6, 7):
        shown = shown[:, ::-1]
    return np.ascontiguousarray(shown)


def develop(stored: np.ndarray, colour: str, plan: Plan, turn_rows: bool) -> np.ndarray:
    """2-D, contiguous, uint8, uint16 or float32, rows top-down; values that are not finite become 0."""
    grey = _as_rgb(stored, colour)
    if grey.ndim == 3 and plan is not None:
        grey = grey[..., plan]
    elif grey.ndim == 3:
        native = np.ascontiguousarray(grey, grey.dtype.newbyteorder("="))
        mean = np.full((1, 3), 1.0 / 3.0)
        grey = native.mean(axis=2) if native.dtype.itemsize > 4 else cv2.transform(native, mean)
    if turn_rows:
        grey = grey[::-1]
    if grey.dtype.kind == "u" and grey.dtype.itemsize <= 2:
        return np.ascontiguousarray(grey, grey.dtype.newbyteorder("="))
    with np.errstate(over="ignore", invalid="ignore"):
        counts = np.ascontiguousarray(grey, np.float32)
    return np.nan_to_num(counts, nan=0.0, posinf=0.0, neginf=0.0)


def _as_rgb(stored: np.ndarray, colour: str) -> np.ndarray:
    if stored.ndim == 2:
        if colour not in _DEMOSAIC:
            return stored
        if stored.dtype.kind != "u" or stored.dtype.itemsize > 2:
            return _demosaic_float(stored.astype(np.float32), colour)
        return cv2.cvtColor(np.ascontiguousarray(stored, stored.dtype.newbyteorder("=")), _DEMOSAIC[colour])
    if stored.shape[2] < 3:
        return stored[..., 0]
    return stored[..., 2::-1] if colour == "bgr" else stored[..., :3]


def _demosaic_float(raw: np.ndarray, pattern: str) -> np.ndarray:
    """Bilinear demosaicing, which OpenCV offers for integers only: photosites spread to their neighbours."""
    y, x = np.mgrid[: raw.shape[0], : raw.shape[1]]
    here = np.array(list(pattern)).reshape(2, 2)[y % 2, x % 2]
    cross, square = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]), np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]])
    planes = [
        cv2.filter2D(np.where(here == channel, raw, np.float32(0)), cv2.CV_32F, kernel / 4.0)
        for channel, kernel in (("r", square), ("g", cross), ("b", square))
    ]
    return np.dstack(planes)


def full_scale(samples: list[np.ndarray], frame: Found) -> float:
    """Value at which the frames saturate: as the file states it, else the highest value where many pixels
    are heaped on it (12 and 14 bits kept in 16, or a float copy), else the largest value of the type; for
    float frames the next usual full scale above the brightest pixel seen."""
    if np.isfinite(frame.full_scale) and frame.full_scale > 0:
        return float(frame.full_scale)
    highest = max(float(sample.max()) for sample in samples)
    for sample in samples if highest > 0 else []:
        at_top = int(np.count_nonzero(sample == highest))
        just_below = int(np.count_nonzero(sample >= 0.98 * highest)) - at_top
        # the heap must stand out against the slope below it, and not be a constant picture
        if max(20, 2e-4 * sample.size, just_below) < at_top < 0.98 * sample.size:
            return highest
    if samples[0].dtype.kind == "u":
        return float(np.iinfo(samples[0].dtype).max)
    return next((step for step in _STEPS if highest <= step), 1.5 * highest)
