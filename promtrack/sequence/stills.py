"""Still pictures: TIFF, PNG and JPEG files in, found frames out.

Pillow reads the headers: sizes, depths, pages, orientation, EXIF. Plain TIFF strips are read straight from
the disk, everything else is decoded by OpenCV from bytes (it keeps 16 bits in colour, which Pillow does not,
and it cannot open every path on every system).
"""

from __future__ import annotations

import math
import re
import struct
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import cv2
import numpy as np
from PIL import TiffImagePlugin as tags
from PIL.ExifTags import Base as Tag
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile

from promtrack.errors import InputError
from promtrack.sequence.frame_source import (
    BROKEN,
    Found,
    Stamps,
    aspect_of,
    check_size,
    damaged,
    unsound,
    values_in,
)

_DEFLATE_GAIN = 1100  # deflate packs at most 1032:1 (RFC 1951: 258 bytes in 2 bits)
_KINDS = {("u", 1): "8-bit", ("u", 2): "16-bit", ("i", 2): "float", ("f", 4): "float", ("f", 8): "float"}


def tiff_frames(path: Path, size: int) -> list[Found]:
    """One frame a page of the commonest size, of several the largest; thumbnails and masks are no pages.
    Raises InputError: nothing can be read."""
    with path.open("rb") as file:
        pages = list(_pages(path, file, size))
    if not pages:
        raise unsound("holds no picture")
    forms = [(page.stored_shape, page.kind, page.colour) for page in pages]
    count = Counter(forms)
    usual = max(count, key=lambda form: (count[form], math.prod(form[0])))
    same = [page for page, form in zip(pages, forms, strict=True) if form == usual]
    others = len(pages) - len(same)
    passed_over = (f"{others} page(s) of another size passed over",) if others else ()
    return [
        replace(page, number=number, count=len(same), remarks=(*page.remarks, *passed_over))
        for number, page in enumerate(same)
    ]


def _pages(path: Path, file: BinaryIO, size: int) -> Iterator[Found]:
    head = file.read(8)
    if head[2:4] in (b"+\0", b"\0+"):
        head += file.read(8)
    prefix = head[:2]
    if prefix == b"MM" and len(head) == 16:  # Pillow knows 64-bit files by the byte that is third in 'II+'
        head = b"II+\0" + head[4:]
    seen: set[int] = set()
    exif = Stamps()
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # Pillow warns of damage and goes on
        try:
            directory = tags.ImageFileDirectory_v2(head, prefix)
            while directory.next and len(seen) < 100_000:
                if directory.next in seen:
                    raise unsound("has directories that form a loop")
                seen.add(directory.next)
                file.seek(directory.next)
                directory.load(file)
                if _one(directory, Tag.NewSubfileType, 0) & 0b101:  # a thumbnail or transparency mask
                    continue
                if len(seen) == 1:
                    inner = tags.ImageFileDirectory_v2(head, prefix, group=Tag.ExifOffset)
                    with suppress(*BROKEN):
                        if offset := _one(directory, Tag.ExifOffset, 0):
                            file.seek(offset)
                            inner.load(file)
                        exif = _exif(inner)
                yield _page(path, size, directory, len(seen) - 1, "<" if prefix == b"II" else ">", exif)
        except BROKEN:
            what = "is cut short or damaged: its table of pages cannot be read"
            raise damaged(what) from None


def _page(
    path: Path, size: int, directory: tags.ImageFileDirectory_v2, index: int, order: str, exif: Stamps
) -> Found:
    one = partial(_one, directory)
    rows, columns = one(tags.IMAGELENGTH, 0), one(tags.IMAGEWIDTH, 0)
    check_size(rows, columns)
    samples, bits = one(tags.SAMPLESPERPIXEL, 1), one(tags.BITSPERSAMPLE, 1)
    dtype = _dtype(bits, one(tags.SAMPLEFORMAT, 1), order)
    if samples > 1 and dtype.itemsize > 1 and one(tags.PLANAR_CONFIGURATION, 1) == 2:  # OpenCV mixes them up
        what = "holds its colours plane by plane in more than 8 bits, which cannot be read"
        raise InputError(what, remedy="save it with the colours pixel by pixel")
    tiled = tags.TILEOFFSETS in directory
    if tiled and dtype.itemsize == 1 and one(Tag.Orientation, 1) in (2, 3, 6, 7):  # OpenCV mirrors each tile
        what = "holds 8-bit tiles under an orientation tag that turns or mirrors them, which cannot be read"
        raise InputError(what, remedy="save it without the tag or without tiles")
    needed = rows * columns * samples * dtype.itemsize
    every = partial(_all, directory)
    offsets = np.array(every(tags.STRIPOFFSETS) or every(tags.TILEOFFSETS))
    lengths = np.array(every(tags.STRIPBYTECOUNTS) or every(tags.TILEBYTECOUNTS) or (needed,))
    if not len(offsets) or len(offsets) != len(lengths) or min(offsets.min(), lengths.min()) < 0:
        raise unsound("has no table of its strips")
    end = int((offsets + lengths).max())  # each is below 2^62
    packed = sum(lengths.tolist())
    if end > size:
        raise damaged(f"is cut short: {end} bytes are needed, {size} are there")
    if one(tags.COMPRESSION, 1) in (8, 32946) and packed * _DEFLATE_GAIN < needed:
        raise unsound(f"claims {columns} x {rows} pixels in {packed} bytes")
    photometric = one(tags.PHOTOMETRIC_INTERPRETATION, 1)
    plain = (  # the pixels stand in one piece, as they are
        tags.STRIPOFFSETS in directory
        and bool((offsets[:-1] + lengths[:-1] == offsets[1:]).all())
        and packed >= needed
        and bits == 8 * dtype.itemsize
        and photometric in (1, 2)
        and all(one(tag, 1) == 1 for tag in (tags.COMPRESSION, tags.FILLORDER, tags.PREDICTOR))
        and (samples == 1 or one(tags.PLANAR_CONFIGURATION, 1) == 1)
    )
    shape = (rows, columns) if samples == 1 else (rows, columns, samples)
    read: Callable[[], np.ndarray] = partial(_decoded, path, index)
    if plain:
        read = partial(values_in, path, dtype, shape, int(offsets[0]))
    kind, colour = _KINDS[dtype.kind, dtype.itemsize], "rgb" if plain else "bgr"
    if samples < 3 and photometric != 3:
        colour = "mono"
    found = _as_tagged(
        Found(path, index, 1, (rows, columns), kind, colour, read, exif),
        one(Tag.Orientation, 1),
        (directory.get(tags.X_RESOLUTION), directory.get(tags.Y_RESOLUTION)),
    )
    if plain or found.orientation == 1:
        return found
    if found.orientation >= 5:  # OpenCV obeys the tag of a page that it decodes
        found = replace(found, stored_shape=(columns, rows), aspect=1.0 / found.aspect)
    return replace(found, orientation=1)


def _all(directory: tags.ImageFileDirectory_v2, tag: int) -> tuple[int, ...]:
    value = directory.get(tag, ())
    values = value if isinstance(value, tuple) else (value,)
    return values if set(map(type, values)) == {int} and max(values) < 2**62 else ()


def _one(directory: tags.ImageFileDirectory_v2, tag: int, default: int) -> int:
    return next(iter(_all(directory, tag)), default)


def _as_tagged(found: Found, orientation: object, density: tuple[object, object]) -> Found:
    """The frame with its orientation tag and its pixels per length across and down."""
    turn = orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1
    aspect, remarks = aspect_of(*density)
    if turn != 1:
        remarks = (f"turned upright by its orientation tag ({turn})", *remarks)
    return replace(found, orientation=turn, aspect=aspect, remarks=remarks)


def _dtype(bits: int, form: int, order: str) -> np.dtype:
    codes = {(1, 1): "u1", (8, 1): "u1", (16, 2): "i2", (32, 3): "f4", (64, 3): "f8"}
    code = codes.get((bits, form), "u2" if form == 1 and bits in (10, 12, 14, 16) else "")
    if not code:
        raise InputError(
            f"holds samples of {bits} bits in sample format {form}, which cannot be read",
            remedy="save it as 8-bit, 16-bit or 32-bit float",
        )
    return np.dtype(f"{order}{code}")


def _decoded(path: Path, page: int | None) -> np.ndarray:
    """A picture, or one page of a TIFF file."""
    try:
        if page is None:
            image = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED)
        else:  # mapped, so that of a long file only the page's own bytes are touched
            data = np.memmap(path, np.uint8, "r")
            done, images = cv2.imdecodemulti(data, cv2.IMREAD_UNCHANGED, range=(page, page + 1))
            image = images[0] if done and len(images) else None
    except cv2.error as error:
        why = (error.err or "damaged data").strip().splitlines()[0]
        raise damaged(f"cannot be decoded ({why})") from None
    if image is None:
        raise damaged("cannot be decoded: the data give nothing")
    return image


def png_frames(path: Path, size: int) -> list[Found]:
    """The one frame of a PNG file. Raises InputError where it is damaged or cut short."""
    with path.open("rb") as file:
        bits, samples = struct.unpack("BB", file.read(26).ljust(26, b"\0")[24:26])
        frame = _still(path, file, PngImageFile, 16 if bits == 16 else 8)
        file.seek(max(size - 12, 0))
        if file.read()[4:8] != b"IEND":  # something stands after the picture, or its end is missing
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                try:
                    file.seek(0)
                    PngImageFile(file).verify()
                except BROKEN:
                    raise damaged("is cut short: the end of the picture is missing") from None
    rows, columns = frame.stored_shape
    samples = {2: 3, 4: 2, 6: 4}.get(samples, 1)
    if size * _DEFLATE_GAIN < rows * columns * samples * bits // 8:
        raise unsound(f"claims {columns} x {rows} pixels in {size} bytes")
    return [frame]


def jpeg_frames(path: Path, size: int) -> list[Found]:
    """The one frame of a JPEG file. Raises InputError where it is damaged or cut short."""
    with path.open("rb") as file:
        frame = _still(path, file, JpegImageFile, 8)
        file.seek(max(size - 4096, 0))
        if b"\xff\xd9" not in file.read() and path.read_bytes().rfind(b"\xff\xd9") < 4096:
            raise damaged("is cut short: the end of the picture is missing")
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
        except BROKEN as error:
            raise damaged(f"has a damaged header ({error})"[:120]) from None
        check_size(rows, columns)
        turn, stamps = None, Stamps()
        with suppress(*BROKEN):  # the picture may still be good
            turn = image.getexif().get(Tag.Orientation)
            stamps = _exif(image.getexif().get_ifd(Tag.ExifOffset))
    density = next((image.info[k] for k in ("dpi", "aspect", "jfif_density") if k in image.info), (1, 1))
    read = partial(_decoded, path, None)
    colour = "mono" if mono else "bgr"
    return _as_tagged(Found(path, 0, 1, (rows, columns), f"{bits}-bit", colour, read, stamps), turn, density)


def _exif(found: Any) -> Stamps:
    """When a camera's EXIF block says that the picture was taken, and for how long."""

    def text(*names: int) -> str:
        values = [found.get(name) for name in names]
        return next((v.strip("\0 ") for v in values if isinstance(v, str) and v.strip("\0 ")), "")

    original, subsec = text(Tag.DateTimeOriginal), text(Tag.SubsecTimeOriginal, Tag.SubsecTime)
    offset = text(Tag.OffsetTimeOriginal, Tag.OffsetTime)
    if not original:
        return Stamps()
    try:
        exposure_s = float(found.get(Tag.ExposureTime, np.nan))
    except (TypeError, ValueError, ZeroDivisionError):
        exposure_s = np.nan
    decimals = f".{subsec}" if subsec.isdigit() else ""
    zone = offset if re.fullmatch(r"Z|[+-]\d\d:?\d\d", offset) else ""
    return Stamps(exif=f"{original}{decimals}{zone}", exposure_s=exposure_s)
