"""When the camera says a picture was taken: EXIF block in, Exif out.

Source: Exif 2.32 (CIPA DC-008-2019), section 4.6.5: DateTimeOriginal, SubSecTimeOriginal, OffsetTimeOriginal,
ExposureTime.
"""

from __future__ import annotations

from typing import BinaryIO

import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.found import Exif
from promtrack.sequence.ifd import Layout, directories, read_layout

__all__ = ["EXIF_POINTER", "exif_at", "exif_from"]

EXIF_POINTER = 0x8769
_EXPOSURE, _ORIGINAL = 0x829A, 0x9003
_OFFSET, _OFFSET_ORIGINAL, _SUBSEC, _SUBSEC_ORIGINAL = 0x9010, 0x9011, 0x9290, 0x9291
_WANTED = frozenset((_EXPOSURE, _ORIGINAL, _OFFSET, _OFFSET_ORIGINAL, _SUBSEC, _SUBSEC_ORIGINAL))


def exif_at(file: BinaryIO, base: int, size: int) -> Exif | None:
    """EXIF of a block that begins at `base`; None where it is missing or damaged (the picture may still be
    good)."""
    try:
        layout = read_layout(file, size, base)
        first = next(directories(file, layout, frozenset((EXIF_POINTER,)), most=1), {})
    except InputError:
        return None
    return exif_from(file, layout, first)


def exif_from(file: BinaryIO, layout: Layout, first: dict[int, tuple]) -> Exif | None:
    """EXIF that the first directory points to, or None."""
    pointer = first.get(EXIF_POINTER, ())
    if not pointer or not isinstance(pointer[0], int):
        return None
    try:
        tags = next(directories(file, layout, _WANTED, start=pointer[0], most=1), {})
    except InputError:
        return None
    original = _text(tags, _ORIGINAL)
    if not original:
        return None
    return Exif(
        original,
        _text(tags, _SUBSEC_ORIGINAL) or _text(tags, _SUBSEC),
        _text(tags, _OFFSET_ORIGINAL) or _text(tags, _OFFSET),
        _exposure_s(tags),
    )


def _text(tags: dict[int, tuple], tag: int) -> str:
    value = tags.get(tag, ("",))
    return value[0].strip() if value and isinstance(value[0], str) else ""


def _exposure_s(tags: dict[int, tuple]) -> float:
    value = tags.get(_EXPOSURE, ())
    return value[0] / value[1] if len(value) == 2 and value[1] else np.nan
