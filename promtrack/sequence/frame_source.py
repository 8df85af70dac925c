"""A frame that was found in a file, before it has a place in the sequence; limits that every reader keeps.

Nothing is decoded to find a frame: its size and depth come from the file's header.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np

from promtrack.errors import InputError, printable

MOST_PIXELS = 120_000_000  # of one frame; refused before anything of that size is allocated
MOST_FRAMES = 2_000_000  # of one sequence
COPY_AGAIN = "copy it again from the camera, or remove it"
SAVE_AGAIN = "save it again, or remove it"


@dataclass(frozen=True, slots=True)
class Exif:
    """What a camera's EXIF block says about the exposure; empty strings where it is silent."""

    original: str  # DateTimeOriginal, 'YYYY:MM:DD HH:MM:SS'
    subsec: str  # decimals of the second
    offset: str  # zone, '+02:00'
    exposure_s: float  # nan if unknown


@dataclass(frozen=True, slots=True, eq=False)
class Stamps:
    """What a file says about the time of one of its frames."""

    fits: dict[str, object] | None = None  # the header's keywords that are used
    exif: Exif | None = None
    clock_utc: np.datetime64 | None = None  # recorded with the frame by the camera's computer
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
    remarks: tuple[
        str, ...
    ] = ()  # what the reader did of itself, said once for all frames of the same remark

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


def as_stored(frame: Found) -> np.ndarray:
    """The frame as stored; raises InputError, naming the frame, whatever keeps it from being read."""
    try:
        return frame.read()
    except InputError as error:
        raise error.at(frame.name) from None
    except (OSError, MemoryError) as error:
        raise InputError(f"cannot be read ({error})", where=frame.name, remedy=COPY_AGAIN) from None


def aspect_of(across: object, down: object) -> tuple[float, tuple[str, ...]]:
    """Width of a pixel over its height where a file states pixels per length across and down, and a remark if
    they are not square; what cannot be two such numbers counts as square."""
    try:
        aspect = float(down) / float(across)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return 1.0, ()
    if not 0.1 < aspect < 10.0 or abs(aspect - 1.0) < 1e-3:
        return 1.0, ()
    return aspect, (f"pixels {aspect:.4g} times as wide as high made square, as the file states them",)


def check_size(rows: int, columns: int) -> None:
    """Raises InputError unless a frame of that size may be held in memory."""
    if rows < 1 or columns < 1:
        raise InputError(f"claims a size of {columns} x {rows} pixels", remedy=SAVE_AGAIN)
    if rows * columns > MOST_PIXELS:
        raise InputError(
            f"claims {columns} x {rows} pixels, more than the limit of {MOST_PIXELS // 1_000_000} million",
            remedy="crop the frames, or remove the file if its header is damaged",
        )


def number(cards: dict[str, object], *names: str, default: float = np.nan) -> float:
    """The first of the keywords that holds a number."""
    values = (cards.get(name) for name in names)
    return next(
        (float(v) for v in values if isinstance(v, (int, float)) and not isinstance(v, bool)), default
    )


def text(cards: dict[str, object], *names: str) -> str:
    """The first of the keywords that holds a text, stripped."""
    values = (cards.get(name) for name in names)
    return next((v.strip() for v in values if isinstance(v, str) and v.strip()), "")


def opened(path: Path) -> BinaryIO:
    """The file, unpacked on the fly where it is gzipped."""
    # a gzip file reads and seeks like any binary file, but the type stubs do not call it one
    return cast(BinaryIO, gzip.open(path, "rb")) if is_zipped(path) else path.open("rb")


def is_zipped(path: Path) -> bool:
    """Whether the file is packed by gzip."""
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"
