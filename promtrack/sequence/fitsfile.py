"""FITS files: pictures, cubes and tile-compressed pictures in, found frames out.

The first unit that holds a picture counts. Plain data are read straight from the disk; tile-compressed data
are unpacked by astropy, which is handed the structural keywords only, so that no odd card can trouble it.
Source: FITS Standard 4.0, sections 4.4, 7.1 (image extensions) and 10.1 (tile compression).
"""

from __future__ import annotations

import gzip
import io
import re
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np
from astropy.io import fits

from promtrack.errors import InputError
from promtrack.sequence.cards import BLOCK, Unit, number, read_unit, text
from promtrack.sequence.found import COPY_AGAIN, MOST_FRAMES, SAVE_AGAIN, Found, Stamps, check_size

__all__ = ["first_picture", "fits_frames"]

_TIME_KEYWORDS = (
    "DATE-BEG",
    "DATE-OBS",
    "DATE_OBS",
    "TIME-OBS",
    "UTSTART",
    "UT",
    "DATE-END",
    "DATE-AVG",
    "DATE_AVG",
    "T_OBS",
    "MJD-BEG",
    "MJD-OBS",
    "MJD-AVG",
    "EXPTIME",
    "EXPOSURE",
    "XPOSURE",
    "TEXPOSUR",
    "TIMESYS",
)
_DTYPES = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
_STRUCTURE = re.compile(
    rb"(?:XTENSION|BITPIX|NAXIS\d*|[PG]COUNT|TFIELDS|T(?:TYPE|FORM|SCAL|ZERO|NULL)\d+"
    rb"|Z[A-Z]+\d*) *$"
)
_UNPACK_ERRORS = (
    OSError,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    AttributeError,
    ArithmeticError,
    RuntimeError,
    EOFError,
    MemoryError,
    struct.error,
    zlib.error,
    fits.VerifyError,
)
_MOST_UNITS = 200


@dataclass(frozen=True, slots=True)
class _Scaling:
    scale: float
    zero: float
    blank: object  # the integer that stands for no value, or None


def opened(path: Path) -> BinaryIO:
    """The file, unpacked on the fly where it is gzipped."""
    # a gzip file reads and seeks like any binary file, but the type stubs do not call it one
    return cast(BinaryIO, gzip.open(path, "rb")) if _zipped(path) else path.open("rb")


def _zipped(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"


def first_picture(path: Path) -> tuple[Unit, dict[str, object]]:
    """The first unit that holds a picture, and the shape keywords of the picture itself (unpacked names).

    Raises
    ------
    InputError : there is none, or the headers are damaged
    """
    try:
        with opened(path) as file:
            offset = 0
            for _ in range(_MOST_UNITS):
                unit = read_unit(file, offset)
                if unit is None:
                    break
                axes = _axes(unit.cards)
                if len(axes) >= 2 and all(axes):
                    return unit, unit.cards
                offset = unit.following
    except (OSError, EOFError, zlib.error) as error:
        raise InputError(f"cannot be read ({error})", remedy=COPY_AGAIN) from None
    raise InputError("holds no picture in any of its FITS units", remedy=SAVE_AGAIN)


def _axes(cards: dict[str, object]) -> list[int]:
    packed = cards.get("ZIMAGE") is True
    if not packed and text(cards, "XTENSION") not in ("", "IMAGE"):
        return []
    prefix = "Z" if packed else ""
    count = cards.get(f"{prefix}NAXIS")
    axes = [cards.get(f"{prefix}NAXIS{i + 1}") for i in range(min(count, 9) if isinstance(count, int) else 0)]
    return [axis if isinstance(axis, int) and axis >= 0 else 0 for axis in axes]


def fits_frames(path: Path, size: int, *, alone: bool) -> list[Found]:
    """One frame a plane. Raises InputError where nothing can be read.

    alone : the file is the whole input, so that three planes are three frames and not three colours
    """
    unit, cards = first_picture(path)
    axes = _axes(cards)
    columns, rows = axes[:2]
    planes = int(np.prod(axes[2:], dtype=float)) if len(axes) > 2 else 1
    check_size(rows, columns)
    if planes > MOST_FRAMES:
        raise InputError(f"claims {planes} planes", remedy=SAVE_AGAIN)
    colour = planes == 3 and not alone and "TIME" not in text(cards, "CTYPE3").upper()
    packed = cards.get("ZIMAGE") is True
    zipped = _zipped(path)
    if not zipped and unit.data + unit.length > size:
        raise InputError(
            f"is cut short: {unit.data + unit.length} bytes are needed, {size} are there", remedy=COPY_AGAIN
        )
    dtype = _stored(cards, packed)
    scaling = _Scaling(
        number(cards, "BSCALE", default=1.0),
        number(cards, "BZERO", default=0.0),
        cards.get("BLANK", cards.get("ZBLANK")),
    )
    take = (
        _packed_reader(path, unit.start, scaling)
        if packed
        else _plane_reader(path, unit.data, scaling, (dtype, rows, columns))
    )
    found = Found(
        path,
        0,
        1 if colour else planes,
        (rows, columns),
        _kind(dtype, cards),
        _colour(cards, colour),
        _planes_reader(take, (0, 1, 2)) if colour else _planes_reader(take, (0,)),
        packed or zipped,
        Stamps(fits={k: cards[k] for k in _TIME_KEYWORDS if k in cards}),
        bottom_up=text(cards, "ROWORDER").upper() != "TOP-DOWN",
        full_scale=number(cards, "SATURATE"),
    )
    return [found] if found.count == 1 else [_plane(found, i, take, cards) for i in range(planes)]


def _stored(cards: dict[str, object], packed: bool) -> np.dtype:
    bits = cards.get("ZBITPIX" if packed else "BITPIX")
    if bits not in _DTYPES:
        raise InputError(f"has a FITS header with BITPIX = {str(bits)[:30]}", remedy=SAVE_AGAIN)
    return np.dtype(_DTYPES[bits])


def _kind(dtype: np.dtype, cards: dict[str, object]) -> str:
    scaled = number(cards, "BSCALE", default=1.0), number(cards, "BZERO", default=0.0)
    if dtype.itemsize == 1 and scaled == (1.0, 0.0):
        return "8-bit"
    return "16-bit" if dtype == np.dtype(">i2") and scaled == (1.0, 32768.0) else "float"


def _colour(cards: dict[str, object], planes: bool) -> str:
    if planes:
        return "rgb"
    pattern = text(cards, "BAYERPAT").lower()
    if pattern not in ("rggb", "bggr", "grbg", "gbrg"):
        return "mono"
    square = np.array(list(pattern)).reshape(2, 2)
    shift = [int(number(cards, name, default=0.0)) % 2 for name in ("YBAYROFF", "XBAYROFF")]
    return "".join(np.roll(square, shift, axis=(0, 1)).ravel())


def _plane(found: Found, index: int, take: Callable[[int], np.ndarray], cards: dict[str, object]) -> Found:
    stamps = found.stamps
    step = number(cards, "CDELT3", "CD3_3")
    if "TIME" in text(cards, "CTYPE3").upper() and np.isfinite(step):
        unit = {"min": 60.0, "h": 3600.0, "d": 86400.0}.get(text(cards, "CUNIT3"), 1.0)
        along = (
            number(cards, "CRVAL3", default=0.0) + (index + 1 - number(cards, "CRPIX3", default=1.0)) * step
        )
        stamps = replace(stamps, since_start_s=along * unit)
    return replace(found, number=index, read=_planes_reader(take, (index,)), stamps=stamps)


def _planes_reader(take: Callable[[int], np.ndarray], planes: tuple[int, ...]) -> Callable[[], np.ndarray]:
    if len(planes) == 1:
        return lambda: take(planes[0])
    return lambda: np.stack([take(plane) for plane in planes], axis=-1)


def _plane_reader(
    path: Path, start: int, scaling: _Scaling, layout: tuple[np.dtype, int, int]
) -> Callable[[int], np.ndarray]:
    dtype, rows, columns = layout
    size = rows * columns * dtype.itemsize

    def take(plane: int) -> np.ndarray:
        try:
            with opened(path) as file:
                file.seek(start + plane * size)
                data = file.read(size)
        except (OSError, EOFError, zlib.error) as error:
            raise InputError(f"cannot be read ({error})", remedy=COPY_AGAIN) from None
        if len(data) < size:
            raise InputError(
                f"is cut short: plane {plane} has {len(data)} of {size} bytes", remedy=COPY_AGAIN
            )
        return _physical(np.frombuffer(data, dtype).reshape(rows, columns), scaling)

    return take


def _physical(stored: np.ndarray, scaling: _Scaling) -> np.ndarray:
    """Stored values to counts: uint8 and uint16 where they are that, float32 otherwise; blank becomes nan."""
    linear = scaling.scale, scaling.zero
    if linear == (1.0, 0.0) and stored.dtype.itemsize == 1:
        return stored
    if linear == (1.0, 32768.0) and stored.dtype.newbyteorder("=") == np.int16:
        return stored.view(stored.dtype.str.replace("i", "u")) ^ np.uint16(0x8000)
    with np.errstate(over="ignore", invalid="ignore"):
        counts = (stored if linear == (1.0, 0.0) else stored * scaling.scale + scaling.zero).astype(
            np.float32
        )
    if isinstance(scaling.blank, int) and stored.dtype.kind == "i":
        counts[stored == scaling.blank] = np.nan
    return counts


def _packed_reader(path: Path, start: int, scaling: _Scaling) -> Callable[[int], np.ndarray]:
    def take(plane: int) -> np.ndarray:
        try:
            with opened(path) as file:
                unit = read_unit(file, start)  # again: kept for every frame, headers would fill the memory
                if unit is None:
                    raise EOFError("the file has become shorter")
                file.seek(unit.data)
                table = file.read(unit.length)
            with fits.open(io.BytesIO(_bare(unit, table)), do_not_scale_image_data=True) as units:
                stored = (
                    units[1].section[(plane,) * (len(units[1].shape) - 2)]
                    if len(units[1].shape) < 4
                    else (units[1].data.reshape(-1, *units[1].shape[-2:])[plane])
                )
        except _UNPACK_ERRORS as error:
            why = (str(error) or type(error).__name__).splitlines()[0][:120]
            raise InputError(f"cannot be unpacked ({why})", remedy=COPY_AGAIN) from None
        return _physical(np.asarray(stored), scaling)

    return take


def _bare(unit: Unit, table: bytes) -> bytes:
    """A FITS file of the unit alone, with its structural keywords only and without scaling of the values."""
    cards = [unit.raw[i : i + 80] for i in range(0, len(unit.raw), 80)]
    kept = [card for card in cards if _STRUCTURE.match(card[:8])]
    primary = _padded(
        [
            b"SIMPLE  =                    T",
            b"BITPIX  =                    8",
            b"NAXIS   =                    0",
            b"EXTEND  =                    T",
            b"END",
        ]
    )
    return primary + _padded([*kept, b"END"]) + table + b"\0" * (-len(table) % BLOCK)


def _padded(cards: list[bytes]) -> bytes:
    block = b"".join(card.ljust(80) for card in cards)
    return block.ljust(-(-len(block) // BLOCK) * BLOCK)
