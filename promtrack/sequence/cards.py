"""The header of a FITS unit: bytes in, keywords and values out.

Own code because a whole folder of headers must be read in a moment, and because a hostile or merely sloppy
card must neither warn nor stop anything: it is passed over. Source: FITS Standard 4.0, sections 3.3 and 4.1
to 4.2; the tests compare with astropy.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import BinaryIO

from promtrack.errors import InputError
from promtrack.sequence.found import COPY_AGAIN, SAVE_AGAIN

__all__ = ["BLOCK", "Unit", "number", "read_unit", "text"]

BLOCK = 2880
_CARD = 80
_MOST_BLOCKS = 4000  # 11 MB of header
_VALUE = re.compile(
    r" *(?:'((?:[^']|'')*)'|([TF])(?= *(?:/|$))"
    r"|([+-]?(?:\d+\.?\d*|\.\d+)(?:[EDed][+-]?\d+)?)(?= *(?:/|$)))"
)


@dataclass(frozen=True, slots=True)
class Unit:
    """One header, and where its data lie."""

    cards: dict[str, object]  # str, bool, int or float; the first of repeated keywords counts
    raw: bytes  # the cards as they stand, without END
    start: int  # offset of the header
    data: int  # offset of the data
    length: int  # bytes of data, without padding

    @property
    def following(self) -> int:
        """Offset of the next unit."""
        return self.data + -(-self.length // BLOCK) * BLOCK


def read_unit(file: BinaryIO, offset: int) -> Unit | None:
    """The header at `offset`; None at the end of the file.

    Raises
    ------
    InputError : the header has no end, or its sizes make no sense
    """
    file.seek(offset)
    raw = bytearray()
    for _ in range(_MOST_BLOCKS):
        block = file.read(BLOCK)
        if len(block) < _CARD:
            if raw:
                break
            return None
        end = next(
            (i for i in range(0, len(block) - 7, _CARD) if block[i : i + 8] in (b"END     ", b"END")), -1
        )
        raw += block[:end] if end >= 0 else block
        if end >= 0:
            cards = _parse(bytes(raw))
            return Unit(
                cards, bytes(raw), offset, offset + (len(raw) // BLOCK + 1) * BLOCK, _data_length(cards)
            )
    raise InputError("is cut short: its FITS header has no end", remedy=COPY_AGAIN)


def number(cards: dict[str, object], *names: str, default: float = float("nan")) -> float:
    """The first of the keywords that holds a number."""
    for name in names:
        value = cards.get(name)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return float(value)
    return default


def text(cards: dict[str, object], *names: str) -> str:
    """The first of the keywords that holds a text, stripped."""
    for name in names:
        value = cards.get(name)
        if isinstance(value, str) and value.strip():
            return value.strip()
    return ""


def _parse(raw: bytes) -> dict[str, object]:
    whole = raw.decode("latin-1")
    cards: dict[str, object] = {}
    for i in range(0, len(whole), _CARD):
        card = whole[i : i + _CARD]
        if card[8:10] != "= ":
            continue
        found = _VALUE.match(card, 9)
        if found:
            cards.setdefault(card[:8].rstrip(), _value(found))
    return cards


def _value(found: re.Match[str]) -> object:
    string, logical, numeral = found.groups()
    if string is not None:
        return string.replace("''", "'").rstrip()
    if logical:
        return logical == "T"
    if numeral.lstrip("+-").isdigit():
        return int(numeral)
    return float(numeral.upper().replace("D", "E"))


def _data_length(cards: dict[str, object]) -> int:
    axes = [_axis(cards.get(f"NAXIS{i + 1}")) for i in range(_whole(cards, "NAXIS", 0, 0, 999))]
    if not axes:
        return 0
    size = abs(_whole(cards, "BITPIX", 8, -64, 64)) // 8 * _whole(cards, "GCOUNT", 1, 0, 2**20)
    total = _whole(cards, "PCOUNT", 0, 0, 2**50)
    product = 1
    for axis in axes:
        product *= axis
        if product > 2**50:
            raise InputError("has a FITS header with impossible axes", remedy=SAVE_AGAIN)
    return size * (total + product)


def _axis(length: object) -> int:
    if not isinstance(length, int) or isinstance(length, bool) or not 0 <= length < 2**40:
        raise InputError("has a FITS header with impossible axes", remedy=SAVE_AGAIN)
    return length


def _whole(cards: dict[str, object], name: str, default: int, low: int, high: int) -> int:
    value = cards.get(name, default)
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise InputError(f"has a FITS header with {name} = {str(value)[:30]}", remedy=SAVE_AGAIN)
    return value
