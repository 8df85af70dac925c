"""The product folder: its file names, whole files or none, one run at a time, and which stages are done.

A product is written under a temporary name and renamed when it is whole, so that neither a crash nor
Ctrl-C leaves half a file under a product's name.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from promtrack.errors import InputError
from promtrack.whole import PART, whole_file

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

__all__ = ["PRODUCTS", "ProductFolder", "default_folder"]

PRODUCTS = {
    "summary": "summary.json",
    "settings": "settings.toml",
    "frames": "frames.ecsv",
    "strip": "strip.fits",
    "knots": "knots.ecsv",
    "knot_points": "knot_points.ecsv",
    "front_points": "front_points.ecsv",
    "front_fits": "front_fits.ecsv",
    "ridges": "ridges.ecsv",
    "oscillations": "oscillations.ecsv",
    "clip": "clip.mp4",
    "poster": "poster.png",
    "figures": "figures",
    "report": "report.html",
    "log": "promtrack.log",
}
_STATE = ".stages.json"
_LOCK = ".running"
# Ours without products, what systems put into a folder by themselves, and settings that were written for the
# run.
_NO_MATTER = frozenset({_LOCK, ".DS_Store", "Thumbs.db", "desktop.ini", "lost+found", "promtrack.toml"})
_NOTING = threading.RLock()  # two stages may be under way at once
_HELD = (
    errno.EAGAIN,
    errno.EACCES,
    errno.EDEADLK,
)  # somebody else holds the lock; other errors are the disk's
_ELSEWHERE = "choose another folder with --out"


def default_folder(source: Path) -> Path:
    """INPUT's name with -promtrack appended, beside it."""
    source = Path(os.path.abspath(source))  # unlike resolve, it bears links that lead to themselves
    return source.with_name(source.name + "-promtrack")


@dataclass(frozen=True, slots=True)
class ProductFolder:
    """Where the products of one run lie."""

    path: Path

    def __post_init__(self) -> None:
        # absolute: the working folder may change, and ffmpeg would take "a:" at the start of a name for a
        # protocol
        object.__setattr__(self, "path", Path(self.path).absolute())

    def __getitem__(self, product: str) -> Path:
        return self.path / PRODUCTS[product]

    def create(self, source: Path) -> None:
        """Make the folder, never inside the input and never among files that no run has made.

        Raises
        ------
        InputError : the folder lies inside the input, holds other things and no run of ours, or cannot be
            made
        """
        source, own = (Path(os.path.realpath(path)) for path in (source, self.path))
        if (source.is_dir() and source in (own, *own.parents)) or source in [
            own / name for name in PRODUCTS.values()
        ]:
            raise InputError(
                "lies inside the input or would overwrite it, and the input is never changed",
                where=str(self.path),
                remedy=_ELSEWHERE,
            )
        try:
            foreign = self._foreign()
            if not foreign:
                self.path.mkdir(parents=True, exist_ok=True)
                (self.path / _STATE).touch()
        except OSError as error:
            raise InputError(
                f"cannot be made or written ({error.strerror})", where=str(self.path), remedy=_ELSEWHERE
            ) from None
        if foreign:
            raise InputError(
                f"holds '{foreign}', which no run of promtrack is known to have made",
                where=str(self.path),
                remedy="give a new or an empty folder with --out",
            )

    def _foreign(self) -> str:
        """Name of something in the folder where no run of ours has been; empty if it may be written into."""
        if not self.path.is_dir() or (self.path / _STATE).exists():
            return ""
        names = (
            name for name in os.listdir(self.path) if name not in _NO_MATTER and not name.startswith(PART)
        )
        return min(
            names, key=lambda name: (name.startswith("."), name), default=""
        )  # rather one that the user sees

    def sweep(self) -> None:
        """Remove what an interrupted run left under temporary names; only for whoever holds the folder."""
        for folder in (self.path, self["figures"], self.path / "locked-frames"):
            for part in folder.glob(PART + "*"):
                with suppress(OSError):
                    part.unlink()

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Hold the folder; a second run into it is refused. The system lets go when the process dies.

        The file that is held stays: were it removed, a third run could hold a new one of the same name.

        Raises
        ------
        InputError : another run is using the folder
        """
        try:
            handle = (self.path / _LOCK).open("a+b")
        except OSError as error:
            raise InputError(
                f"cannot be written ({error.strerror})", where=str(self.path), remedy=_ELSEWHERE
            ) from None
        with handle:
            try:
                _hold(handle)
            except OSError as error:
                if error.errno not in _HELD:
                    raise InputError(
                        f"lies on a disk that cannot be locked against a second run ({error.strerror})",
                        where=str(self.path),
                        remedy=_ELSEWHERE,
                    ) from None
                raise InputError(
                    "another run is writing into this folder",
                    where=str(self.path),
                    remedy="wait until it ends, or " + _ELSEWHERE,
                ) from None
            yield

    def stamp(self, stage: str) -> str:
        """The stamp with which `stage` last ended well; empty if it never did or was begun anew."""
        return self._entry(stage)[0]

    def files_of(self, stage: str) -> list[Path]:
        """The files that `stage` made when it last ended well."""
        return [self.path / name for name in self._entry(stage)[1]]

    def is_done(self, stage: str, stamp: str) -> bool:
        """Whether `stage` ended well with the same input, settings and version, and its files stand in full
        length."""
        done, files = self._entry(stage)
        return (
            done == stamp
            and bool(files)
            and all(_size(self.path / name) == size for name, size in files.items())
        )

    def mark_done(self, stage: str, stamp: str, files: list[Path]) -> None:
        """Note that `stage` ended well and which files it made; those that it made before and no longer makes
        go."""
        for stale in set(self.files_of(stage)) - set(files):
            with suppress(OSError):
                stale.unlink()
        self._note(stage, stamp, {file.relative_to(self.path).as_posix(): _size(file) for file in files})

    def mark_undone(self, stage: str) -> None:
        """Note that `stage` is not done, before its files are written anew."""
        done, files = self._entry(stage)
        if done:
            self._note(stage, "", files)

    def _note(self, stage: str, stamp: str, files: dict[str, int]) -> None:
        with _NOTING:
            state = self._state() | {stage: {"stamp": stamp, "files": files}}
            with whole_file(self.path / _STATE) as part:
                part.write_text(json.dumps(state, indent=1), encoding="utf-8")

    def _entry(self, stage: str) -> tuple[str, dict[str, int]]:
        """Stamp and files with their sizes; what is not as this program writes it counts as nothing."""
        entry = self._state().get(stage)
        stamp, files = (entry.get("stamp"), entry.get("files")) if isinstance(entry, dict) else (None, None)
        if not isinstance(stamp, str) or not isinstance(files, dict):
            return "", {}
        return stamp, {
            name: size
            for name, size in files.items()
            if ".." not in Path(name).parts and not Path(name).is_absolute()
        }

    def _state(self) -> dict:
        try:
            with _NOTING:
                state = json.loads((self.path / _STATE).read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return {}
        return state if isinstance(state, dict) else {}


def _size(file: Path) -> int:
    """Bytes of a file, -1 where there is none."""
    try:
        return file.stat().st_size
    except OSError:
        return -1


def stamp_of(*parts: object) -> str:
    """A short fingerprint of what a stage depends on."""
    return hashlib.sha256("\n".join(str(part) for part in parts).encode()).hexdigest()[:16]


def fingerprint_of(source: Path) -> str:
    """Path, names, sizes and times of the input files: enough to see that the input has changed."""
    files: list[tuple[str, int, int]] = []
    with suppress(OSError):  # opening the input tells what is wrong with it
        entries = [entry for entry in os.scandir(source) if entry.is_file()] if source.is_dir() else [source]
        files = sorted((entry.name, entry.stat().st_size, entry.stat().st_mtime_ns) for entry in entries)
    return stamp_of(os.path.abspath(source), *files)


def _hold(handle: IO[bytes]) -> None:
    """Take the operating system's lock on an open file; OSError if somebody else has it."""
    if sys.platform == "win32":
        handle.seek(0)
        msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
