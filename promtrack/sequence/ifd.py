"""Directories of tagged fields, as TIFF files and EXIF blocks hold them: bytes in, tags out.

Source: TIFF revision 6.0, section 2; the 64-bit variant (version 43) has wider offsets. Only the fields asked
for are read, and no count or offset is believed before it has been compared with the size of the file.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from promtrack.errors import InputError
from promtrack.sequence.found import COPY_AGAIN, SAVE_AGAIN, read_exactly

__all__ = ["Layout", "directories", "read_layout"]

_FORMATS = {
    1: "B",
    2: "s",
    3: "H",
    4: "I",
    5: "II",
    6: "b",
    7: "s",
    8: "h",
    9: "i",
    10: "ii",
    11: "f",
    12: "d",
    13: "I",
    16: "Q",
    17: "q",
    18: "Q",
}
_MOST_VALUES = 4_000_000
_MOST_ENTRIES = 4096


@dataclass(frozen=True, slots=True)
class Layout:
    """Byte order and widths of one file."""

    order: str  # '<' or '>'
    wide: bool  # 64-bit offsets
    first: int  # offset of the first directory
    size: int  # bytes from `base` to the end
    base: int = 0  # where the block begins in the file


def read_layout(file: BinaryIO, size: int, base: int = 0) -> Layout:
    """Layout from the 8 (or 16) bytes at `base`; raises InputError where they are not a TIFF header."""
    head = read_exactly(file, base, 8)
    order = {b"II": "<", b"MM": ">"}.get(head[:2], "")
    version = struct.unpack(f"{order}H", head[2:4])[0] if order else 0
    if version == 42:
        return Layout(order, False, struct.unpack(f"{order}I", head[4:])[0], size, base)
    if version == 43:
        return Layout(order, True, struct.unpack(f"{order}Q", read_exactly(file, base + 8, 8))[0], size, base)
    raise InputError("is not a TIFF file", remedy=SAVE_AGAIN)


def directories(
    file: BinaryIO, layout: Layout, wanted: frozenset[int], start: int | None = None, most: int = 100_000
) -> Iterator[dict[int, tuple]]:
    """The wanted fields of each directory of the chain that begins at `start` (default: the first)."""
    offset = layout.first if start is None else start
    seen: set[int] = set()
    while offset and len(seen) < most:
        if offset in seen:
            raise InputError("has directories that form a loop", remedy=SAVE_AGAIN)
        seen.add(offset)
        fields, offset = _directory(file, layout, offset, wanted)
        yield fields


def _directory(
    file: BinaryIO, layout: Layout, offset: int, wanted: frozenset[int]
) -> tuple[dict[int, tuple], int]:
    order, wide = layout.order, layout.wide
    head, entry, tail = (8, 20, 8) if wide else (2, 12, 4)
    count = struct.unpack(f"{order}{'Q' if wide else 'H'}", _bytes(file, layout, offset, head))[0]
    if count > _MOST_ENTRIES:
        raise InputError(f"has a directory of {count} entries", remedy=SAVE_AGAIN)
    block = _bytes(file, layout, offset + head, count * entry + tail)
    fields = {}
    for i in range(count):
        tag, kind, number = struct.unpack_from(f"{order}HH{'Q' if wide else 'I'}", block, i * entry)
        if tag in wanted and kind in _FORMATS:
            inline = block[i * entry + entry - tail : (i + 1) * entry]
            fields[tag] = _values(file, layout, kind, number, inline)
    return fields, struct.unpack_from(f"{order}{'Q' if wide else 'I'}", block, count * entry)[0]


def _values(file: BinaryIO, layout: Layout, kind: int, number: int, inline: bytes) -> tuple:
    code = _FORMATS[kind]
    length = number * struct.calcsize(f"{layout.order}{code}")
    if number > _MOST_VALUES:
        raise InputError(f"has a field of {number} values", remedy=SAVE_AGAIN)
    if length > len(inline):
        offset = struct.unpack(f"{layout.order}{'Q' if layout.wide else 'I'}", inline)[0]
        inline = _bytes(file, layout, offset, length)
    if code == "s":
        return (inline[:length].split(b"\0")[0].decode("ascii", "replace"),)
    return struct.unpack(f"{layout.order}{number * len(code)}{code[0]}", inline[:length])


def _bytes(file: BinaryIO, layout: Layout, offset: int, length: int) -> bytes:
    if offset + length > layout.size:
        raise InputError(
            f"is cut short: {offset + length} bytes are needed, {layout.size} are there", remedy=COPY_AGAIN
        )
    return read_exactly(file, layout.base + offset, length)
