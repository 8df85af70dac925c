"""The product folder: its file names, whole files or none, one run at a time, and which stages are done.

A product is written under a temporary name and renamed when it is whole, so that neither a crash nor
Ctrl-C leaves half a file under a product's name.
"""

from __future__ import annotations

import hashlib
import json
import sys
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


def default_folder(source: Path) -> Path:
    """INPUT's name with -promtrack appended, beside it."""
    source = Path(source).resolve()
    return source.with_name(source.name + "-promtrack")


@dataclass(frozen=True, slots=True)
class ProductFolder:
    """Where the products of one run lie."""

    path: Path

    def __getitem__(self, product: str) -> Path:
        return self.path / PRODUCTS[product]

    def create(self, source: Path) -> None:
        """Make the folder; never inside the input.

        Raises
        ------
        InputError : the folder lies inside the input or cannot be made
        """
        source = Path(source).resolve()
        if source.is_dir() and (self.path.resolve() == source or source in self.path.resolve().parents):
            raise InputError("lies inside the input folder, where nothing is ever written", where=str(self.path),
                             remedy="choose another folder with --out")
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            self["figures"].mkdir(exist_ok=True)
        except OSError as error:
            raise InputError(f"cannot be made ({error.strerror})", where=str(self.path),
                             remedy="choose another folder with --out") from None
        self._sweep()

    def _sweep(self) -> None:
        """Remove what an interrupted run left under temporary names."""
        for folder in (self.path, self["figures"]):
            for part in folder.glob(PART + "*"):
                with suppress(OSError):
                    part.unlink()

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Hold the folder; a second run into it is refused. The system lets go when the process dies.

        Raises
        ------
        InputError : another run is using the folder
        """
        try:
            handle = (self.path / _LOCK).open("a+b")
        except OSError as error:
            raise InputError(f"cannot be written ({error.strerror})", where=str(self.path),
                             remedy="choose another folder with --out") from None
        with handle:
            try:
                _hold(handle)
            except OSError:
                raise InputError("another run is writing into this folder", where=str(self.path),
                                 remedy="wait until it ends or choose another folder with --out") from None
            yield
        with suppress(OSError):
            (self.path / _LOCK).unlink()

    def is_done(self, stage: str, stamp: str) -> bool:
        """Whether `stage` ended well with the same input, settings and version, and its files still stand."""
        entry = self._state().get(stage) or {"stamp": None, "files": []}
        return entry["stamp"] == stamp and all((self.path / name).exists() for name in entry["files"])

    def mark_done(self, stage: str, stamp: str, files: list[Path]) -> None:
        """Note that `stage` ended well and which files it made."""
        state = self._state()
        state[stage] = {"stamp": stamp, "files": [file.relative_to(self.path).as_posix() for file in files]}
        with whole_file(self.path / _STATE) as part:
            part.write_text(json.dumps(state, indent=1), encoding="utf-8")

    def mark_undone(self, stage: str) -> None:
        """Forget that `stage` was done, before its files are written anew."""
        state = self._state()
        if state.pop(stage, None) is not None:
            with whole_file(self.path / _STATE) as part:
                part.write_text(json.dumps(state, indent=1), encoding="utf-8")

    def _state(self) -> dict:
        try:
            state = json.loads((self.path / _STATE).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return state if isinstance(state, dict) else {}


def stamp_of(*parts: object) -> str:
    """A short fingerprint of what a stage depends on."""
    return hashlib.sha256("\n".join(str(part) for part in parts).encode()).hexdigest()[:16]


def _hold(handle: IO[bytes]) -> None:
    """Take the operating system's lock on an open file; OSError if somebody else has it."""
    if sys.platform == "win32":
        handle.seek(0)
        msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
