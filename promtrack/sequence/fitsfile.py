"""FITS files: pictures, cubes and tile-compressed pictures in, found frames out.

astropy reads headers and unpacks tiles. Only the keywords that are used are kept (thousands of headers would
fill the memory), and planes of plain data come straight from the disk.
Source: FITS Standard 4.0, sections 4.4, 7.1 (image extensions) and 10.1 (tile compression). Not in the
Standard, but written by many cameras: BAYERPAT, XBAYROFF, YBAYROFF, ROWORDER, SATURATE, FILTER, T_OBS,
XPIXSZ, YPIXSZ.
"""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import BinaryIO

import numpy as np
from astropy.io import fits
from astropy.io.fits.hdu.compressed._compression import CfitsioException  # no public name
from astropy.io.fits.header import BLOCK_SIZE
from astropy.utils.exceptions import AstropyWarning

from promtrack.sequence.fits_header import exposure_of, number, text
from promtrack.sequence.frame_source import (
    BROKEN,
    MOST_FRAMES,
    Found,
    Stamps,
    aspect_of,
    check_size,
    damaged,
    is_zipped,
    numbered,
    opened,
    unsound,
)

_KEPT = re.compile(
    r"XTENSION|Z?BITPIX|Z?NAXIS\d*|[PG]COUNT|ZIMAGE|BSCALE|BZERO|Z?BLANK|SATURATE|ROWORDER|[XY]?BAY(ERPAT|ROFF)"
    r"|DATE[-_](BEG|OBS|END|AVG)|TIME-OBS|UTSTART|UT|T_OBS|MJD-(BEG|OBS|AVG)|EXPTIME|X?EXPOSURE|XPOSURE|TEXPOSUR"
    r"|TIMESYS|C(TYPE|UNIT|RVAL|RPIX|DELT)[123]|CD3_3|(PC|CD)[12]_[12]|CROTA2?|RSUN_(OBS|REF)|SOLAR_R|DSUN_OBS"
    r"|WAVELNTH|WAVEUNIT|FILTER|[XY]PIXSZ"
)
_DTYPES = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
_MOST_BLOCKS, _MOST_UNITS = 4000, 200  # 11 MB of header, units looked at
_SPOILT = (*BROKEN, CfitsioException, fits.VerifyError)


@dataclass(frozen=True, slots=True)
class _Unit:
    cards: dict[str, object]  # values of the keywords that are used
    number: int  # within the file
    data: int  # offset of the data
    length: int  # bytes of data, without padding

    @property
    def packed(self) -> bool:
        """Whether the picture is compressed in tiles."""
        return self.cards.get("ZIMAGE") is True

    @property
    def axes(self) -> list[int]:
        """Lengths of the axes of the picture, itself or unpacked; empty where this is no picture."""
        if not self.packed and text(self.cards, "XTENSION") not in ("", "IMAGE"):
            return []
        prefix = "Z" if self.packed else ""
        count = self.cards.get(f"{prefix}NAXIS")
        axes = [
            self.cards.get(f"{prefix}NAXIS{i + 1}") for i in range(count if isinstance(count, int) else 0)
        ]
        return [axis if isinstance(axis, int) and axis >= 0 else 0 for axis in axes]


def fits_frames(path: Path, size: int, *, alone: bool) -> list[Found]:
    """One frame a plane of the first unit that holds a picture. `alone`: the file is the whole input, so that
    three planes are three frames and not three colours. Raises InputError: nothing can be read."""
    unit = _first_picture(path)
    cards, (columns, rows) = unit.cards, unit.axes[:2]
    planes = math.prod(unit.axes[2:])
    check_size(rows, columns)
    if planes > MOST_FRAMES:
        raise unsound(f"claims {planes} planes")
    if not is_zipped(path) and unit.data + unit.length > size:
        raise damaged(f"is cut short: {unit.data + unit.length} bytes are needed, {size} are there")
    bits = cards.get("ZBITPIX" if unit.packed else "BITPIX")
    if bits not in _DTYPES:
        raise unsound(f"has a FITS header with BITPIX = {str(bits)[:30]}")
    dtype = np.dtype(_DTYPES[bits])
    linear = number(cards, "BSCALE", default=1.0), number(cards, "BZERO", default=0.0)
    kind = "16-bit" if dtype == np.dtype(">i2") and linear == (1.0, 32768.0) else "float"
    take = partial(_plane, path, unit, dtype, (rows, columns))
    if unit.packed:
        take = partial(_packed_plane, path, unit)
    in_time = "TIME" in text(cards, "CTYPE3").upper()
    colour = planes == 3 and not alone and not in_time
    # sizes of a pixel, and a small pixel means many of them to a length
    aspect, stretched = aspect_of(number(cards, "YPIXSZ"), number(cards, "XPIXSZ"))
    stamps = Stamps(fits=cards, exposure_s=exposure_of(cards))

    def in_colour() -> np.ndarray:
        return np.stack([take(plane) for plane in range(3)], axis=-1)

    found = Found(
        path,
        0,
        1 if colour else planes,
        (rows, columns),
        "8-bit" if dtype.itemsize == 1 and linear == (1.0, 0.0) else kind,
        "rgb" if colour else _pattern(cards),
        in_colour if colour else partial(take, 0),
        stamps,
        bottom_up=text(cards, "ROWORDER").upper() != "TOP-DOWN",
        full_scale=number(cards, "SATURATE"),
        aspect=aspect,
        remarks=stretched,
    )
    if found.count == 1:
        return [found]
    since_s = np.full(planes, np.nan)
    if in_time:  # seconds along the third axis; nan where it has no step
        unit_s = {"min": 60.0, "h": 3600.0, "d": 86400.0}.get(text(cards, "CUNIT3"), 1.0)
        along = np.arange(1, planes + 1) - number(cards, "CRPIX3", default=1.0)
        since_s = unit_s * (number(cards, "CRVAL3", default=0.0) + along * number(cards, "CDELT3", "CD3_3"))
    return numbered(found, take, [replace(stamps, since_start_s=since) for since in since_s.tolist()])


def _first_picture(path: Path) -> _Unit:
    try:
        with opened(path) as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of cards that do not keep to the Standard
            offset = 0
            for count in range(_MOST_UNITS):
                raw = _raw_header(file, offset)
                if not raw:
                    break
                unit = _unit(raw, offset, count)
                if len(unit.axes) >= 2 and all(unit.axes):
                    return unit
                offset = unit.data + -(-unit.length // BLOCK_SIZE) * BLOCK_SIZE
    except BROKEN as error:
        raise damaged(f"cannot be read ({error})") from None
    raise unsound("holds no picture in any of its FITS units")


def _raw_header(file: BinaryIO, offset: int) -> str:
    """The header at `offset` with its END card, in whole blocks; empty at the end of the file."""
    file.seek(offset)
    raw = b""
    for _ in range(_MOST_BLOCKS):
        block = file.read(BLOCK_SIZE)
        raw += block
        if any(block[i : i + 8].rstrip() == b"END" for i in range(0, len(block), fits.Card.length)):
            return raw.decode("latin-1").ljust(-(-len(raw) // BLOCK_SIZE) * BLOCK_SIZE)
        if len(block) < BLOCK_SIZE:
            if len(raw) < fits.Card.length:
                return ""
            break
    raise damaged("is cut short: its FITS header has no end")


def _unit(raw: str, offset: int, count: int) -> _Unit:
    header = fits.Header.fromstring(raw)
    cards: dict[str, object] = {}
    for key in filter(_KEPT.fullmatch, header):
        try:
            value = header[key]
        except (fits.VerifyError, ValueError):
            continue
        if isinstance(value, (str, bool, int, float)):
            cards[key] = value
    return _Unit(cards, count, offset + len(raw), _data_length(header, cards))


def _data_length(header: fits.Header, cards: dict[str, object]) -> int:
    """Bytes of data; the sizes of a hostile header are looked at before anything is done with them."""
    for key, default, low, high in (("BITPIX", 8, -64, 64), ("NAXIS", 0, 0, 999), ("GCOUNT", 1, 0, 2**20)):
        value = cards.get(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise unsound(f"has a FITS header with {key} = {str(value)[:30]}")
    try:
        length = header.data_size
    except _SPOILT:
        length = -1
    if not isinstance(length, int) or not 0 <= length < 2**50:
        raise unsound("has a FITS header with impossible axes")
    return length


def _pattern(cards: dict[str, object]) -> str:
    pattern = text(cards, "BAYERPAT").lower()
    if pattern not in ("rggb", "bggr", "grbg", "gbrg"):
        return "mono"
    square = np.array(list(pattern)).reshape(2, 2)
    shift = [int(number(cards, name, default=0.0)) % 2 for name in ("YBAYROFF", "XBAYROFF")]
    return "".join(np.roll(square, shift, axis=(0, 1)).ravel())


def _plane(path: Path, unit: _Unit, dtype: np.dtype, shape: tuple[int, int], plane: int) -> np.ndarray:
    size = math.prod(shape) * dtype.itemsize
    try:
        with opened(path) as file:
            file.seek(unit.data + plane * size)
            data = file.read(size)
    except BROKEN as error:
        raise damaged(f"cannot be read ({error})") from None
    if len(data) < size:
        raise damaged(f"is cut short: plane {plane} has {len(data)} of {size} bytes")
    return _physical(np.frombuffer(data, dtype).reshape(shape), unit.cards)


def _physical(stored: np.ndarray, cards: dict[str, object]) -> np.ndarray:
    """Stored values to counts: uint8 and uint16 where they are that, float32 otherwise; blank becomes nan."""
    scale, zero = number(cards, "BSCALE", default=1.0), number(cards, "BZERO", default=0.0)
    if (scale, zero) == (1.0, 0.0) and stored.dtype.itemsize == 1:
        return stored
    if (scale, zero) == (1.0, 32768.0) and stored.dtype.newbyteorder("=") == np.int16:
        return stored.view(stored.dtype.str.replace("i", "u")) ^ np.uint16(0x8000)
    with np.errstate(over="ignore", invalid="ignore"):
        counts = (stored if (scale, zero) == (1.0, 0.0) else stored * scale + zero).astype(np.float32)
    blank = cards.get("BLANK", cards.get("ZBLANK"))
    if isinstance(blank, int) and stored.dtype.kind == "i":
        counts[stored == blank] = np.nan
    return counts


def _packed_plane(path: Path, unit: _Unit, plane: int) -> np.ndarray:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", AstropyWarning)  # what cannot be read is said below
            with fits.open(path, do_not_scale_image_data=True) as units:
                picture = units[unit.number]
                stored = np.asarray(picture.section[np.unravel_index(plane, picture.shape[:-2])])
    except _SPOILT as error:
        why = (str(error).strip() or type(error).__name__).splitlines()[0][:120]
        raise damaged(f"cannot be unpacked ({why})") from None
    return _physical(stored, unit.cards)
