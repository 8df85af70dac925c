"""Still pictures: TIFF, PNG and JPEG files in, found frames out.

Sizes, depths and lengths come from the headers. Plain TIFF strips are read straight from the disk, everything
else is decoded by OpenCV from bytes (OpenCV cannot open every path on every system).
Sources: TIFF 6.0; PNG, ISO/IEC 15948; JPEG, ITU-T T.81.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.exif import EXIF_POINTER, exif_at, exif_from
from promtrack.sequence.found import COPY_AGAIN, SAVE_AGAIN, Exif, Found, Stamps, check_size, read_exactly
from promtrack.sequence.ifd import directories, read_layout

__all__ = ["jpeg_frames", "png_frames", "tiff_frames"]

cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # damaged files are reported by us, by name

_COLUMNS, _ROWS, _BITS, _COMPRESSION, _PHOTOMETRIC, _FILL_ORDER = 256, 257, 258, 259, 262, 266
_STRIPS, _SAMPLES, _STRIP_BYTES, _PLANAR, _PREDICTOR, _SUBFILE = 273, 277, 279, 284, 317, 254
_TILES, _TILE_BYTES, _FORMAT = 324, 325, 339
_TIFF_TAGS = frozenset(
    (
        _COLUMNS,
        _ROWS,
        _BITS,
        _COMPRESSION,
        _PHOTOMETRIC,
        _FILL_ORDER,
        _STRIPS,
        _SAMPLES,
        _PLANAR,
        _STRIP_BYTES,
        _PREDICTOR,
        _SUBFILE,
        _TILES,
        _TILE_BYTES,
        _FORMAT,
        EXIF_POINTER,
    )
)
_DEFLATE = (8, 32946)
_DEFLATE_GAIN = (
    1100  # deflate packs at most 1032:1 (RFC 1951: 258 bytes in 2 bits); a claim beyond it is a lie
)
_REDUCED_OR_MASK = 0b101  # NewSubfileType: thumbnail or transparency mask
_KINDS = {("u", 1): "8-bit", ("u", 2): "16-bit", ("i", 2): "float", ("f", 4): "float", ("f", 8): "float"}


def tiff_frames(path: Path, size: int) -> list[Found]:
    """One frame a page; thumbnails and masks are no pages. Raises InputError where nothing can be read."""
    with path.open("rb") as file:
        layout = read_layout(file, size)
        pages = [
            (i, page)
            for i, page in enumerate(directories(file, layout, _TIFF_TAGS))
            if not _one(page, _SUBFILE, 0) & _REDUCED_OR_MASK
        ]
        if not pages:
            raise InputError("holds no picture", remedy=SAVE_AGAIN)
        exif = exif_from(file, layout, pages[0][1])
    first = pages[0][1]
    same = [(i, page) for i, page in pages if _page_form(page) == _page_form(first)]
    return [
        _tiff_frame(path, size, layout.order, page, position=(i, number, len(same)), exif=exif)
        for number, (i, page) in enumerate(same)
    ]


def _page_form(page: dict[int, tuple]) -> tuple:
    return _one(page, _ROWS, 0), _one(page, _COLUMNS, 0), _one(page, _BITS, 1), _one(page, _SAMPLES, 1)


def _one(page: dict[int, tuple], tag: int, default: int) -> int:
    value = page.get(tag, ())
    return value[0] if value and isinstance(value[0], int) else default


def _tiff_frame(
    path: Path,
    size: int,
    order: str,
    page: dict[int, tuple],
    *,
    position: tuple[int, int, int],
    exif: Exif | None,
) -> Found:
    directory, number, count = position
    rows, columns, samples = _one(page, _ROWS, 0), _one(page, _COLUMNS, 0), _one(page, _SAMPLES, 1)
    check_size(rows, columns)
    dtype = _tiff_dtype(page, order)
    needed = rows * columns * samples * dtype.itemsize
    offsets, lengths = _extents(page, needed)
    end = int(np.max(offsets + lengths))
    if end > size:
        raise InputError(f"is cut short: {end} bytes are needed, {size} are there", remedy=COPY_AGAIN)
    packed = int(lengths.sum()) * _DEFLATE_GAIN if _one(page, _COMPRESSION, 1) in _DEFLATE else needed
    if packed < needed:
        raise InputError(f"claims {columns} x {rows} pixels in {lengths.sum()} bytes", remedy=SAVE_AGAIN)
    plain = _plain(page, dtype, offsets, lengths, needed)
    shape = (rows, columns) if samples == 1 else (rows, columns, samples)
    read = (
        _plain_reader(path, dtype, int(offsets[0]), shape)
        if plain
        else _cv_page_reader(path, directory, (rows, columns))
    )
    colour = "mono" if samples < 3 and _one(page, _PHOTOMETRIC, 1) != 3 else "rgb" if plain else "bgr"
    return Found(
        path,
        number,
        count,
        (rows, columns),
        _KINDS[dtype.kind, dtype.itemsize],
        colour,
        read,
        not plain,
        Stamps(exif=exif),
    )


def _tiff_dtype(page: dict[int, tuple], order: str) -> np.dtype:
    bits, form = _one(page, _BITS, 1), _one(page, _FORMAT, 1)
    code = {(1, 1): "u1", (8, 1): "u1", (16, 1): "u2", (16, 2): "i2", (32, 3): "f4", (64, 3): "f8"}.get(
        (bits, form)
    )
    if code is None and form == 1 and bits in (10, 12, 14):
        code = "u2"
    if code is None:
        raise InputError(
            f"holds samples of {bits} bits in sample format {form}, which cannot be read",
            remedy="save it as 8-bit, 16-bit or 32-bit float",
        )
    return np.dtype(f"{order}{code}")


def _extents(page: dict[int, tuple], needed: int) -> tuple[np.ndarray, np.ndarray]:
    """Offsets and lengths of the strips or tiles."""
    offsets = page.get(_STRIPS) or page.get(_TILES) or ()
    lengths = page.get(_STRIP_BYTES) or page.get(_TILE_BYTES) or ((needed,) if len(offsets) == 1 else ())
    # The values of one field are of one type, and no file is longer than 2^62 bytes.
    whole = [
        isinstance(values[0], int) and 0 <= max(values) < 2**62 for values in (offsets, lengths) if values
    ]
    if not offsets or len(offsets) != len(lengths) or not all(whole):
        raise InputError("has no table of its strips", remedy=SAVE_AGAIN)
    return np.array(offsets), np.array(lengths)


def _plain(
    page: dict[int, tuple], dtype: np.dtype, offsets: np.ndarray, lengths: np.ndarray, needed: int
) -> bool:
    contiguous = bool((offsets[:-1] + lengths[:-1] == offsets[1:]).all())
    return (
        contiguous
        and lengths.sum() >= needed
        and _STRIPS in page
        and _one(page, _COMPRESSION, 1) == 1
        and _one(page, _BITS, 1) == 8 * dtype.itemsize
        and _one(page, _PHOTOMETRIC, 1) in (1, 2)
        and _one(page, _FILL_ORDER, 1) == 1
        and _one(page, _PREDICTOR, 1) == 1
        and (_one(page, _PLANAR, 1) == 1 or _one(page, _SAMPLES, 1) == 1)
    )


def _plain_reader(
    path: Path, dtype: np.dtype, offset: int, shape: tuple[int, ...]
) -> Callable[[], np.ndarray]:
    count = int(np.prod(shape))

    def read() -> np.ndarray:
        values = np.fromfile(path, dtype, count, offset=offset)
        if values.size < count:
            raise InputError(f"is cut short: {values.size} of {count} values are there", remedy=COPY_AGAIN)
        return values.reshape(shape)

    return read


def _cv_page_reader(path: Path, directory: int, shape: tuple[int, int]) -> Callable[[], np.ndarray]:
    def read() -> np.ndarray:
        if directory == 0:
            return _decoded(path, shape)
        # Mapped, so that of a long multi-page file only the page's own bytes are touched.
        data = np.memmap(path, np.uint8, "r")
        try:
            done, pages = cv2.imdecodemulti(data, cv2.IMREAD_UNCHANGED, range=(directory, directory + 1))
        except cv2.error as error:
            raise _undecodable(error) from None
        return _of_shape(pages[0] if done and len(pages) else None, shape)

    return read


def _decoded(path: Path, shape: tuple[int, int]) -> np.ndarray:
    try:
        image = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error as error:
        raise _undecodable(error) from None
    return _of_shape(image, shape)


def _of_shape(image: np.ndarray | None, shape: tuple[int, int]) -> np.ndarray:
    if image is None or image.shape[:2] != shape:
        got = "nothing" if image is None else f"{image.shape[1]} x {image.shape[0]} pixels"
        raise InputError(
            f"cannot be decoded: the header says {shape[1]} x {shape[0]} pixels, the data give {got}",
            remedy=COPY_AGAIN,
        )
    return image


def _undecodable(error: cv2.error) -> InputError:
    return InputError(
        f"cannot be decoded ({(error.err or 'damaged data').strip().splitlines()[0]})", remedy=COPY_AGAIN
    )


def png_frames(path: Path, size: int) -> list[Found]:
    """The one frame of a PNG file. Raises InputError where it is damaged or cut short."""
    with path.open("rb") as file:
        head = read_exactly(file, 0, 33)
        columns, rows, bits, colour_type = struct.unpack(">IIBB", head[16:26])
        check_size(rows, columns)
        samples = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(colour_type)
        if head[12:16] != b"IHDR" or samples is None or bits not in (1, 2, 4, 8, 16):
            raise InputError("has a damaged PNG header", remedy=COPY_AGAIN)
        if read_exactly(file, size - 12, 12)[4:8] != b"IEND":
            _walk_to_end(file, size)
        exif = _png_exif(file, size)
    if size * _DEFLATE_GAIN < rows * columns * samples * bits // 8:
        raise InputError(f"claims {columns} x {rows} pixels in {size} bytes", remedy=SAVE_AGAIN)
    kind, colour = "16-bit" if bits == 16 else "8-bit", "mono" if colour_type == 0 else "bgr"
    return [
        Found(
            path,
            0,
            1,
            (rows, columns),
            kind,
            colour,
            lambda: _decoded(path, (rows, columns)),
            True,
            Stamps(exif=exif),
        )
    ]


def _walk_to_end(file: BinaryIO, size: int) -> None:
    """Something stands after the picture, or its end is missing: walk the chunks."""
    offset = 8
    while offset + 12 <= size:
        length, name = struct.unpack(">I4s", read_exactly(file, offset, 8))
        if name == b"IEND":
            return
        offset += 12 + length
    raise InputError("is cut short: the end of the picture is missing", remedy=COPY_AGAIN)


def _png_exif(file: BinaryIO, size: int) -> Exif | None:
    offset = 8
    while offset + 12 <= size:
        length, name = struct.unpack(">I4s", read_exactly(file, offset, 8))
        if name == b"eXIf":
            return exif_at(file, offset + 8, min(length, size - offset - 8))
        if name in (b"IDAT", b"IEND"):
            return None
        offset += 12 + length
    return None


def jpeg_frames(path: Path, size: int) -> list[Found]:
    """The one frame of a JPEG file. Raises InputError where it is damaged or cut short."""
    with path.open("rb") as file:
        rows, columns, components, exif = _jpeg_header(file, size)
        check_size(rows, columns)
        tail = read_exactly(file, max(size - 4096, 0), min(size, 4096))
        if b"\xff\xd9" not in tail and path.read_bytes().rfind(b"\xff\xd9") < 4096:
            raise InputError("is cut short: the end of the picture is missing", remedy=COPY_AGAIN)
    return [
        Found(
            path,
            0,
            1,
            (rows, columns),
            "8-bit",
            "mono" if components == 1 else "bgr",
            lambda: _decoded(path, (rows, columns)),
            True,
            Stamps(exif=exif),
        )
    ]


def _jpeg_header(file: BinaryIO, size: int) -> tuple[int, int, int, Exif | None]:
    offset, exif = 2, None
    while offset + 4 <= size:
        mark, kind, length = struct.unpack(">BBH", read_exactly(file, offset, 4))
        if mark != 0xFF or length < 2:
            break
        if kind == 0xFF:  # fill byte
            offset += 1
            continue
        if kind == 0xE1 and length > 16 and read_exactly(file, offset + 4, 6) == b"Exif\0\0":
            exif = exif or exif_at(file, offset + 10, min(length - 8, size - offset - 10))
        if 0xC0 <= kind <= 0xCF and kind not in (0xC4, 0xC8, 0xCC):
            bits, rows, columns, components = struct.unpack(">BHHB", read_exactly(file, offset + 4, 6))
            if bits != 8:
                raise InputError(
                    f"is a JPEG of {bits} bits, which cannot be read", remedy="save it as PNG or TIFF"
                )
            return rows, columns, components, exif
        offset += 2 + length
    raise InputError("has a damaged JPEG header", remedy=COPY_AGAIN)
