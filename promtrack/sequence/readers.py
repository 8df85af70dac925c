"""What kind of file it is: a folder or a file in; found frames, and files that cannot be read, out.

The content decides what a file is, never its name; the name only says whether a file that is no picture was
meant to be one.
"""

from __future__ import annotations

import os
import re
import zlib
from dataclasses import replace
from os.path import isdir
from pathlib import Path

from promtrack.errors import InputError, printable
from promtrack.sequence.frame_source import Found, damaged, opened
from promtrack.sequence.records import Rejected
from promtrack.sequence.stills import jpeg_frames, png_frames, tiff_frames
from promtrack.sequence.video import HEADER, capture_frames, capture_of, video_frames
from promtrack.settings import CameraSettings

STILL_NAMES = frozenset((".tif", ".tiff", ".png", ".jpg", ".jpeg", ".fit", ".fits", ".fts", ".fz", ".gz"))
_FILM_NAMES = frozenset(
    [".avi", ".mp4", ".mov", ".mkv", ".m4v", ".webm", ".mpg", ".mpeg", ".ts", ".mts", ".wmv", ".ser"]
)


def natural_key(name: str) -> tuple:
    """Order in which a person would list the names: frame2 before frame10."""
    parts = re.split(r"(\d+)", name)
    keys = [(0, int(part), part) if part.isdecimal() else (1, 0, part.casefold()) for part in parts]
    return keys, name


def find_frames(path: Path, *, bayer: str = "auto") -> tuple[list[Found], list[Rejected]]:
    """All frames in natural file order, and the files that were meant as pictures but are none. Raises
    InputError: the path is missing or unreadable, or holds no frame at all."""
    frames, left_out, alone = [], [], path.is_file()
    for file in _files(path):
        try:
            frames += _frames_of_file(file, alone=alone, bayer=bayer)
        except InputError as error:
            if alone:
                raise error.at(str(path)) from None
            left_out.append(Rejected(printable(file.name), error.what))
    if not frames:
        raise _nothing(path, left_out)
    return frames, left_out


def as_set(frame: Found, camera: CameraSettings) -> Found:
    """The frame with the order of rows and the colour pattern that the user has set."""
    if camera.rows != "auto":
        frame = replace(frame, bottom_up=camera.rows == "bottom-up")
    if camera.bayer == "auto" or frame.colour in ("rgb", "bgr"):
        return frame
    return replace(frame, colour="mono" if camera.bayer == "none" else camera.bayer)


def other_files(path: Path, found: list[Found], left_out: list[Rejected]) -> list[str]:
    """Names of the files in the folder that neither are pictures nor claim to be; settings do not count."""
    if not path.is_dir():
        return []
    known = {frame.file.name for frame in found} | {"promtrack.toml", "promtrack-marks.toml"}
    others = [name for name in os.listdir(path) if name not in known and not isdir(path / name)]
    names = [printable(name) for name in sorted(others, key=natural_key) if not name.startswith(".")]
    return [name for name in names if name not in {rejected.file for rejected in left_out}]


def _files(path: Path) -> list[Path]:
    try:
        if path.is_dir():
            # Path.is_dir would refuse the folder for one link into a forbidden place
            files = [file for file in path.iterdir() if not file.name.startswith(".") and not isdir(file)]
            return sorted(files, key=lambda file: natural_key(file.name))
        path.stat()
        return [path]
    except FileNotFoundError:
        raise InputError("is not there", where=str(path), remedy="check the path") from None
    except (OSError, ValueError) as error:
        what = f"cannot be read ({getattr(error, 'strerror', None) or error})"
        remedy = "check the path and the right to read it"
        raise InputError(what, where=str(path), remedy=remedy) from None


def _frames_of_file(file: Path, *, alone: bool, bayer: str = "auto") -> list[Found]:
    """Frames of one file, by its content; an empty list where it is no picture and does not claim to be one.
    Raises InputError: the file is damaged, or its name promises a picture that is not there."""
    suffix = file.suffix.lower()
    claims = alone or suffix in STILL_NAMES | _FILM_NAMES
    try:
        if not file.is_file():
            raise InputError("is not a file that can be read", remedy="remove the link, or mend it")
        size = file.stat().st_size
        with file.open("rb") as opened_file:
            kind = _kind(opened_file.read(HEADER))
        if not claims and kind in ("", "sound"):
            return []
        if size == 0:
            raise damaged("is empty (0 bytes)")
        if kind == "gzip":
            try:
                with opened(file) as unzipped:
                    kind = "fits" if unzipped.read(9) == b"SIMPLE  =" else ""
            except (EOFError, zlib.error):
                raise damaged("is a damaged gzip file") from None
        by_kind = {"tiff": tiff_frames, "png": png_frames, "jpeg": jpeg_frames, "capture": capture_frames}
        if kind in by_kind:
            return by_kind[kind](file, size)
        if kind == "fits":
            from promtrack.sequence.fitsfile import fits_frames  # its library is slow to import

            return fits_frames(file, size, alone=alone)
        if kind == "film" or (suffix in _FILM_NAMES and kind != "sound"):
            return video_frames(file, bayer=bayer)
    except OSError as error:
        if not claims:
            return []
        what = f"cannot be read ({error.strerror or error})"
        raise InputError(what, remedy="check the right to read it") from None
    if kind == "sound":
        raise InputError("is a sound file", remedy="leave it out")
    what = "is neither a TIFF, PNG, JPEG or FITS picture nor a film"
    raise InputError(what, remedy="save it in one of these formats")


def _kind(head: bytes) -> str:
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff"
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if head[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if head[:9] == b"SIMPLE  =":
        return "fits"
    riff = head[8:12] if head[:4] == b"RIFF" else b""
    matroska, boxes = head[:4] == b"\x1a\x45\xdf\xa3", (b"ftyp", b"moov", b"mdat", b"wide")
    if riff == b"AVI " or matroska or head[4:8] in boxes:
        return "film"
    if riff == b"WAVE" or head[:4] in (b"fLaC", b"OggS") or head[:3] == b"ID3":
        return "sound"
    if capture_of(head):
        return "capture"
    return "gzip" if head[:2] == b"\x1f\x8b" else ""


def _nothing(path: Path, left_out: list[Rejected]) -> InputError:
    if left_out:
        return InputError(
            f"holds no frame that can be read; {left_out[0].file} {left_out[0].reason}",
            where=str(path),
            remedy=f"look at the {len(left_out)} files in it" if len(left_out) > 1 else "look at that file",
        )
    if path.is_dir():
        inner = sorted(one.name for one in path.iterdir() if one.is_dir() and not one.name.startswith("."))
        hint = f"give its folder '{inner[0]}' instead" if inner else "give the folder that holds the frames"
        return InputError("holds no pictures (TIFF, PNG, JPEG, FITS or a film)", where=str(path), remedy=hint)
    return InputError("holds no pictures", where=str(path), remedy="give a folder of frames or a film")
