"""Still pictures: TIFF, PNG and JPEG files in, found frames out.

Pillow reads the headers: sizes, depths, pages, orientation, EXIF. Plain TIFF strips are read straight from
the disk, everything else is decoded by OpenCV from bytes (it keeps 16 bits in colour, which Pillow does not,
and it cannot open every path on every system).
"""

from __future__ import annotations

import math
import struct
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import cv2
import numpy as np
from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import ImageFileDirectory_v2

from promtrack.errors import InputError
from promtrack.sequence.found import COPY_AGAIN, SAVE_AGAIN, Exif, Found, Stamps, check_size

__all__ = ["jpeg_frames", "png_frames", "tiff_frames"]

# Tags of TIFF 6.0 and of Exif 2.32 (CIPA DC-008-2019), section 4.6.
_SUBFILE, _COLUMNS, _ROWS, _BITS, _COMPRESSION, _PHOTOMETRIC = 254, 256, 257, 258, 259, 262
_FILL_ORDER, _STRIPS, _ORIENTATION, _SAMPLES, _STRIP_BYTES, _PLANAR = 266, 273, 274, 277, 279, 284
_PREDICTOR, _TILES, _TILE_BYTES, _FORMAT, _EXIF = 317, 324, 325, 339, 0x8769
_EXPOSURE, _ORIGINAL = 0x829A, 0x9003
_OFFSET, _OFFSET_ORIGINAL, _SUBSEC, _SUBSEC_ORIGINAL = 0x9010, 0x9011, 0x9290, 0x9291
_DEFLATE = (8, 32946)
_DEFLATE_GAIN = 1100  # deflate packs at most 1032:1 (RFC 1951: 258 bytes in 2 bits)
_REDUCED_OR_MASK = 0b101  # NewSubfileType: thumbnail or transparency mask
_MOST_PAGES = 100_000
_KINDS = {("u", 1): "8-bit", ("u", 2): "16-bit", ("i", 2): "float", ("f", 4): "float", ("f", 8): "float"}
_BROKEN = (
    OSError,
    SyntaxError,
    ValueError,
    TypeError,
    KeyError,
    EOFError,
    OverflowError,
    struct.error,
    Warning,
)


@dataclass(frozen=True, slots=True)
class _Page:
    """One directory of a TIFF file."""

    index: int
    rows: int
    columns: int
    samples: int
    dtype: np.dtype
    compression: int
    photometric: int
    plain: bool  # the pixels stand in one piece, as they are
    offset: int  # where they begin
    end: int  # of the last strip or tile
    packed: int  # bytes of all strips or tiles
    orientation: int
    orientation_at: int  # where the value of that tag stands; 0: nowhere
    exif: Exif | None

    @property
    def form(self) -> tuple:
        return self.rows, self.columns, self.samples, self.dtype.str


def tiff_frames(path: Path, size: int) -> list[Found]:
    """One frame a page of the commonest size, of several the largest; thumbnails and masks are no pages.

    Raises
    ------
    InputError : nothing can be read
    """
    with path.open("rb") as file:
        pages = list(_pages(file))
    if not pages:
        raise InputError("holds no picture", remedy=SAVE_AGAIN)
    forms = Counter(page.form for page in pages)
    usual = max(forms, key=lambda form: (forms[form], form[0] * form[1]))
    same = [page for page in pages if page.form == usual]
    return [
        _tiff_frame(path, size, page, number=number, count=len(same), others=len(pages) - len(same))
        for number, page in enumerate(same)
    ]


def _pages(file: BinaryIO) -> Iterator[_Page]:
    head = file.read(8)
    if head[2:4] in (b"+\0", b"\0+"):
        head += file.read(8)
    prefix = head[:2]
    if prefix == b"MM" and len(head) == 16:  # Pillow knows 64-bit files by the byte that is third in 'II+'
        head = b"II+\0" + head[4:]
    seen: set[int] = set()
    exif: Exif | None = None
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # Pillow warns of damage and goes on
        try:
            new = partial(ImageFileDirectory_v2, head, prefix)
            directory = new()
            while directory.next and len(seen) < _MOST_PAGES:
                offset = directory.next
                if offset in seen:
                    raise InputError("has directories that form a loop", remedy=SAVE_AGAIN)
                seen.add(offset)
                file.seek(offset)
                directory.load(file)
                if not _one(directory, _SUBFILE, 0) & _REDUCED_OR_MASK:
                    exif = (
                        _tiff_exif(file, _one(directory, _EXIF, 0), new(group=_EXIF))
                        if len(seen) == 1
                        else exif
                    )
                    order = "<" if prefix == b"II" else ">"
                    at = (
                        _place_of_orientation(file, offset, order, len(head) == 16)
                        if _ORIENTATION in directory
                        else 0
                    )
                    yield _page(directory, len(seen) - 1, order, at, exif)
        except _BROKEN as error:
            raise InputError(f"is cut short or damaged ({error})"[:120], remedy=COPY_AGAIN) from None


def _place_of_orientation(file: BinaryIO, offset: int, order: str, wide: bool) -> int:
    head, size, value = (8, 20, 12) if wide else (2, 12, 8)
    file.seek(offset)
    (count,) = struct.unpack(f"{order}{'Q' if wide else 'H'}", file.read(head))
    for at in range(offset + head, offset + head + count * size, size):
        file.seek(at)
        if struct.unpack(f"{order}H", file.read(2)) == (_ORIENTATION,):
            return at + value
    return 0


def _page(
    directory: ImageFileDirectory_v2, index: int, order: str, orientation_at: int, exif: Exif | None
) -> _Page:
    rows, columns = _one(directory, _ROWS, 0), _one(directory, _COLUMNS, 0)
    check_size(rows, columns)
    samples, bits = _one(directory, _SAMPLES, 1), _one(directory, _BITS, 1)
    dtype = _dtype(bits, _one(directory, _FORMAT, 1), order)
    needed = rows * columns * samples * dtype.itemsize
    offsets = np.array(_all(directory, _STRIPS) or _all(directory, _TILES))
    lengths = np.array(_all(directory, _STRIP_BYTES) or _all(directory, _TILE_BYTES) or (needed,))
    if not len(offsets) or len(offsets) != len(lengths) or min(offsets.min(), lengths.min()) < 0:
        raise InputError("has no table of its strips", remedy=SAVE_AGAIN)
    plain = (
        _STRIPS in directory
        and bool((offsets[:-1] + lengths[:-1] == offsets[1:]).all())
        and lengths.sum() >= needed
        and bits == 8 * dtype.itemsize
        and _one(directory, _PHOTOMETRIC, 1) in (1, 2)
        and all(_one(directory, tag, 1) == 1 for tag in (_COMPRESSION, _FILL_ORDER, _PREDICTOR))
        and (samples == 1 or _one(directory, _PLANAR, 1) == 1)
    )
    return _Page(
        index,
        rows,
        columns,
        samples,
        dtype,
        _one(directory, _COMPRESSION, 1),
        _one(directory, _PHOTOMETRIC, 1),
        plain,
        int(offsets[0]),
        max(int(a) + int(b) for a, b in zip(offsets, lengths, strict=True)),
        sum(map(int, lengths)),
        _upright(_one(directory, _ORIENTATION, 1)),
        orientation_at,
        exif,
    )


def _all(directory: ImageFileDirectory_v2, tag: int) -> tuple[int, ...]:
    value = directory.get(tag, ())
    values = value if isinstance(value, tuple) else (value,)
    return values if all(isinstance(v, int) and v < 2**62 for v in values) else ()


def _one(directory: ImageFileDirectory_v2, tag: int, default: int) -> int:
    return next(iter(_all(directory, tag)), default)


def _upright(orientation: object) -> int:
    return orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1


def _turned(orientation: int) -> tuple[str, ...]:
    return () if orientation == 1 else (f"turned upright by its orientation tag ({orientation})",)


def _dtype(bits: int, form: int, order: str) -> np.dtype:
    code = {(1, 1): "u1", (8, 1): "u1", (16, 1): "u2", (16, 2): "i2", (32, 3): "f4", (64, 3): "f8"}.get(
        (bits, form)
    )
    if form == 1 and bits in (10, 12, 14):
        code = "u2"
    if code is None:
        raise InputError(
            f"holds samples of {bits} bits in sample format {form}, which cannot be read",
            remedy="save it as 8-bit, 16-bit or 32-bit float",
        )
    return np.dtype(f"{order}{code}")


def _tiff_frame(path: Path, size: int, page: _Page, *, number: int, count: int, others: int) -> Found:
    needed = page.rows * page.columns * page.samples * page.dtype.itemsize
    if page.end > size:
        raise InputError(f"is cut short: {page.end} bytes are needed, {size} are there", remedy=COPY_AGAIN)
    if page.compression in _DEFLATE and page.packed * _DEFLATE_GAIN < needed:
        raise InputError(
            f"claims {page.columns} x {page.rows} pixels in {page.packed} bytes", remedy=SAVE_AGAIN
        )
    return Found(
        path,
        number,
        count,
        (page.rows, page.columns),
        _KINDS[page.dtype.kind, page.dtype.itemsize],
        "mono" if page.samples < 3 and page.photometric != 3 else "rgb" if page.plain else "bgr",
        _plain_reader(path, page) if page.plain else _decoder(path, page, (page.rows, page.columns)),
        Stamps(exif=page.exif),
        orientation=page.orientation,
        remarks=(
            *_turned(page.orientation),
            *((f"{others} page(s) of another size passed over",) if others else ()),
        ),
    )


def _plain_reader(path: Path, page: _Page) -> Callable[[], np.ndarray]:
    shape = (page.rows, page.columns) if page.samples == 1 else (page.rows, page.columns, page.samples)
    dtype, offset, count = page.dtype, page.offset, math.prod(shape)

    def read() -> np.ndarray:
        values = np.fromfile(path, dtype, count, offset=offset)
        if values.size < count:
            raise InputError(f"is cut short: {values.size} of {count} values are there", remedy=COPY_AGAIN)
        return values.reshape(shape)

    return read


def _decoder(path: Path, page: _Page | None, shape: tuple[int, int]) -> Callable[[], np.ndarray]:
    """A picture, or one page of a TIFF file, as it is stored.

    OpenCV obeys the orientation tag of some pages and not of others; it gets to see 1, upright, throughout.
    """

    def read() -> np.ndarray:
        try:
            if page is None:
                image = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED)
            else:  # mapped, so that of a long file only the page's own bytes are touched
                data = np.memmap(path, np.uint8, "c")
                if page.orientation_at:
                    upright = (1, 0) if page.dtype.str[0] != ">" else (0, 1)
                    data[page.orientation_at : page.orientation_at + 2] = upright
                done, images = cv2.imdecodemulti(
                    data, cv2.IMREAD_UNCHANGED, range=(page.index, page.index + 1)
                )
                image = images[0] if done and len(images) else None
        except cv2.error as error:
            why = (error.err or "damaged data").strip().splitlines()[0]
            raise InputError(f"cannot be decoded ({why})", remedy=COPY_AGAIN) from None
        if image is None or image.shape[:2] != shape:
            got = "nothing" if image is None else f"{image.shape[1]} x {image.shape[0]} pixels"
            raise InputError(
                f"cannot be decoded: the header says {shape[1]} x {shape[0]} pixels, the data give {got}",
                remedy=COPY_AGAIN,
            )
        return image

    return read


def png_frames(path: Path, size: int) -> list[Found]:
    """The one frame of a PNG file. Raises InputError where it is damaged or cut short."""
    with path.open("rb") as file:
        bits, samples = struct.unpack("BB", (file.read(26) + b"\0\0")[24:26])
        frame = _still(path, file, PngImageFile, 16 if bits == 16 else 8)
        file.seek(max(size - 12, 0))
        if file.read()[4:8] != b"IEND":  # something stands after the picture, or its end is missing
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                try:
                    file.seek(0)
                    PngImageFile(file).verify()
                except _BROKEN:
                    raise InputError(
                        "is cut short: the end of the picture is missing", remedy=COPY_AGAIN
                    ) from None
    rows, columns = frame.stored_shape
    samples = {2: 3, 4: 2, 6: 4}.get(samples, 1)
    if size * _DEFLATE_GAIN < rows * columns * samples * bits // 8:
        raise InputError(f"claims {columns} x {rows} pixels in {size} bytes", remedy=SAVE_AGAIN)
    return [frame]


def jpeg_frames(path: Path, size: int) -> list[Found]:
    """The one frame of a JPEG file. Raises InputError where it is damaged or cut short."""
    with path.open("rb") as file:
        frame = _still(path, file, JpegImageFile, 8)
        file.seek(max(size - 4096, 0))
        if b"\xff\xd9" not in file.read() and path.read_bytes().rfind(b"\xff\xd9") < 4096:
            raise InputError("is cut short: the end of the picture is missing", remedy=COPY_AGAIN)
    return [frame]


def _still(path: Path, file: BinaryIO, kind: type[PngImageFile] | type[JpegImageFile], bits: int) -> Found:
    file.seek(0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            # the format's own class: Image.open would refuse by size, at another limit than ours
            image = kind(file)
            columns, rows = image.size
            mono = image.mode in ("1", "L", "I", "I;16")
        except _BROKEN as error:
            raise InputError(f"has a damaged header ({error})"[:120], remedy=COPY_AGAIN) from None
        check_size(rows, columns)
        try:
            tags: Image.Exif | dict = image.getexif()
            exif = _exif(image.getexif().get_ifd(_EXIF))
        except _BROKEN:  # the picture may still be good
            tags, exif = {}, None
    colour = "mono" if mono else "bgr"
    stamps, turn = Stamps(exif=exif), _upright(tags.get(_ORIENTATION))
    read = _decoder(path, None, (rows, columns))
    return Found(
        path,
        0,
        1,
        (rows, columns),
        f"{bits}-bit",
        colour,
        read,
        stamps,
        orientation=turn,
        remarks=_turned(turn),
    )


def _tiff_exif(file: BinaryIO, offset: int, directory: ImageFileDirectory_v2) -> Exif | None:
    """EXIF of the directory at `offset`, read into an empty one."""
    if not offset:
        return None
    try:
        file.seek(offset)
        directory.load(file)
        return _exif(directory)
    except _BROKEN:
        return None


def _exif(tags: Any) -> Exif | None:
    def text(*names: int) -> str:
        values = [tags.get(name) for name in names]
        return next((v.strip("\0 ") for v in values if isinstance(v, str) and v.strip("\0 ")), "")

    original = text(_ORIGINAL)
    if not original:
        return None
    try:
        exposure_s = float(tags.get(_EXPOSURE, np.nan))
    except (TypeError, ValueError, ZeroDivisionError):
        exposure_s = np.nan
    return Exif(original, text(_SUBSEC_ORIGINAL, _SUBSEC), text(_OFFSET_ORIGINAL, _OFFSET), exposure_s)
