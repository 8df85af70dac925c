"""The product folder: its file names, whose products lie in it, one run at a time, and which stages are done.

A product is written under a temporary name and renamed when it is whole (`promtrack.files`), so that
neither a crash nor Ctrl-C leaves half a file under a product's name.
"""

from __future__ import annotations

import errno
import hashlib
import json
import logging
import os
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from promtrack.errors import InputError, PromtrackError, SettingsError, unwritable
from promtrack.files import PART, absolute, atomic_write, relative_path

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

LOCK = ".running"  # name of the file by which a folder is held
ELSEWHERE = "choose another folder with --out"
_HELD = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)  # somebody else holds the lock; others are the disk's


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Hold a folder; a second run into it is refused. The system lets go when the process dies. Raises
    InputError: another run is using the folder, or it cannot be written."""
    handle = _held(folder)
    try:
        yield
    finally:
        _remove([folder / LOCK])  # while it is held: whoever opens it now sees that it has gone
        handle.close()
        if sys.platform == "win32":  # which removes no open file
            _remove([folder / LOCK])


def _held(folder: Path) -> IO[bytes]:
    while True:
        try:
            handle = (folder / LOCK).open("a+b")
        except OSError as error:
            raise unwritable(folder, error, what="cannot be made or written", remedy=ELSEWHERE) from None
        try:
            if sys.platform == "win32":
                handle.seek(0)
                msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
            else:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(handle.fileno()), (folder / LOCK).stat()):
                    return handle
            handle.close()  # the run that held it has ended and removed it meanwhile
        except OSError as error:
            handle.close()
            what, remedy = "another run is writing into this folder", f"wait until it ends, or {ELSEWHERE}"
            if error.errno not in _HELD:
                what = f"lies on a disk that cannot be locked against a second run ({error.strerror})"
                remedy = ELSEWHERE
            raise InputError(what, where=str(folder), remedy=remedy) from None


@contextmanager
def journal(path: Path) -> Iterator[logging.Logger]:
    """A logger of this run's own that appends to the log at `path`, also how the block ended, and passes on
    to the handlers of the logger 'promtrack'. Raises InputError: the log cannot be opened."""
    try:
        handler = logging.FileHandler(path, encoding="utf-8", errors="backslashreplace")
    except OSError as error:
        raise unwritable(path, error) from None
    # A full disk is reported by the product that does not fit, not by each line of the log.
    handler.handleError = lambda record: None  # type: ignore[method-assign]
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%S"))
    log = logging.Logger("promtrack.run", logging.INFO)  # not among those that getLogger gives out
    log.parent = logging.getLogger("promtrack")
    log.addHandler(handler)
    ended = False
    try:
        yield log
        ended = True
    finally:
        end = None if ended else sys.exc_info()[1]
        if isinstance(end, KeyboardInterrupt):
            log.info("stopped")
        elif end is not None:
            log.error("%s", end, exc_info=not isinstance(end, PromtrackError))
        with suppress(OSError):
            handler.close()


_TABLES = "frames knots knot_points front_points front_fits ridges oscillations prominences trial"
PRODUCTS = {name: f"{name}.ecsv" for name in _TABLES.split()} | {
    "summary": "summary.json",
    "settings": "settings.toml",
    "strip": "strip.fits",
    "clip": "clip.mp4",
    "poster": "poster.png",
    "figures": "figures",
    "report": "report.html",
    "trial_figure": "trial.png",
    "log": "promtrack.log",
}
_STATE = ".stages.json"  # of each stage stamp and files, and the ways to the input and to the marks
# Ours without products, what systems put into a folder by themselves, and settings written for the run.
_NO_MATTER = frozenset({LOCK, ".DS_Store", "Thumbs.db", "desktop.ini", "lost+found", "promtrack.toml"})
_NOTING = threading.RLock()  # two stages may be under way at once


def default_folder(source: Path) -> Path:
    """INPUT's name with -promtrack appended, beside it."""
    if source.name in ("", ".."):
        source = absolute(source)
    return source.with_name(source.name + "-promtrack")


def holds_run(path: Path) -> bool:
    """Whether a run, finished or not, has been made in this folder."""
    return os.path.exists(path / _STATE)  # Path.exists raises where the folder may not be entered


def refuse_products(source: Path) -> None:
    """Raises InputError where products are given as the input: their clip is a film."""
    if holds_run(source):
        remedy = "give the frames that they were made from"
        raise InputError("is a folder of products", where=str(source), remedy=remedy)


@dataclass(frozen=True, slots=True)
class ProductFolder:
    """Where the products of one run lie."""

    path: Path

    def __post_init__(self) -> None:
        # The working folder may change, and ffmpeg takes "a:" in front of a name for a protocol.
        object.__setattr__(self, "path", absolute(self.path))

    def __getitem__(self, product: str) -> Path:
        return self.path / PRODUCTS[product]

    def create(self, source: Path, *, replace: bool = False, keep: bool = False) -> None:
        """Make the folder, never inside the input and never among files that no run has made. `replace`: the
        products of another recording may go; `keep`: what lies here was made from the same files, whatever
        their path was. Raises InputError: the folder lies inside the input, holds other things than a run of
        ours, or cannot be made; SettingsError: it holds the products of another recording, and they are not
        to be replaced."""
        given, own = (Path(os.path.realpath(path)) for path in (source, self.path))
        products = [own / name for name in PRODUCTS.values()]
        if (given.is_dir() and given in (own, *own.parents)) or given in products:
            inside = "lies inside the input or would overwrite it, and the input is never changed"
            raise InputError(inside, where=str(self.path), remedy=ELSEWHERE)
        try:
            foreign = self._foreign()
            if not foreign:
                self.path.mkdir(parents=True, exist_ok=True)
                (self.path / _STATE).touch()
        except OSError as error:
            raise unwritable(self.path, error, what="cannot be made or written", remedy=ELSEWHERE) from None
        if foreign:
            what = f"holds '{foreign}', which no run of promtrack is known to have made"
            remedy = "give a new or an empty folder with --out"
            raise InputError(what, where=str(self.path), remedy=remedy)
        theirs = self.source
        if theirs and os.path.realpath(theirs) != str(given) and self._stages() and not keep:
            if not replace:
                other = f"holds what was measured in another recording, {relative_path(theirs, os.curdir)}"
                remedy = f"{ELSEWHERE}, or let it go with --replace"
                raise SettingsError(other, where=str(self.path), remedy=remedy)
            _remove([file for stage in self._stages() for file in self.files_of(stage)])
            with suppress(OSError):
                (self.path / _STATE).write_text("{}", encoding="utf-8")
        self._set("input", relative_path(source, self.path))

    def keep_marks(self, path: Path | None) -> None:
        """Note the file of marks, so that a stage done again reads the same."""
        self._set("marks", relative_path(path, self.path) if path else "")

    @property
    def source(self) -> Path | None:
        """The input whose products lie here; None where it is not known."""
        return self.kept_way("input")

    def kept_way(self, key: str) -> Path | None:
        """The 'input' or the 'marks' of the run, which are kept as their ways from here; None without any."""
        way = self._state().get(key)
        if not isinstance(way, str) or not way or "\0" in way:
            return None
        return Path(os.path.normpath(self.path / way))

    def _foreign(self) -> str:
        """Name of something in the folder where no run of ours has been; empty if it may be written into."""
        if not self.path.is_dir() or (self.path / _STATE).exists():
            return ""
        names = [n for n in os.listdir(self.path) if n not in _NO_MATTER and not n.startswith(PART)]
        return min(names, key=lambda name: (name.startswith("."), name), default="")  # one that the user sees

    @contextmanager
    def alone_or_gone(self) -> Iterator[None]:
        """As `alone`; a run that is refused before its first product leaves nothing behind."""
        try:
            with alone(self.path):
                try:
                    yield
                except PromtrackError:
                    if not self._stages():
                        mine = (self["settings"], self["log"], self["summary"], self.path / _STATE)
                        _remove([*mine, *self.path.glob(PART + "*")])
                    raise
        except PromtrackError:
            with suppress(OSError):  # it holds something
                self.path.rmdir()
            raise

    def sweep(self) -> None:
        """Remove what an interrupted run left under temporary names; only for whoever holds the folder."""
        for folder in (self.path, self["figures"], self.path / "locked-frames"):
            _remove(folder.glob(PART + "*"))

    def stamp(self, stage: str) -> str:
        """The stamp with which `stage` last ended well; empty if it never did or was begun anew."""
        return self._entry(stage)[0]

    def files_of(self, stage: str) -> list[Path]:
        """The files that `stage` made when it last ended well."""
        return [self.path / name for name in self._entry(stage)[1]]

    def is_done(self, stage: str, stamp: str) -> bool:
        """Whether `stage` ended well with the same stamp and its files stand in full length."""
        done, files = self._entry(stage)
        whole = all(_size(self.path / name) == size for name, size in files.items())
        return done == stamp and bool(files) and whole

    def mark_done(self, stage: str, stamp: str, files: list[Path]) -> None:
        """Note that `stage` ended well with these files; those of before that it no longer makes go."""
        _remove(set(self.files_of(stage)) - set(files))
        sizes = {file.relative_to(self.path).as_posix(): _size(file) for file in files}
        self._set(stage, {"stamp": stamp, "files": sizes})

    def mark_undone(self, stage: str) -> None:
        """Note that `stage` is not done, before its files are written anew."""
        stamp, files = self._entry(stage)
        if stamp:
            self._set(stage, {"stamp": "", "files": files})

    def _set(self, key: str, value: object) -> None:
        with _NOTING:
            before = self._state()
            if before.get(key) != value:
                with atomic_write(self.path / _STATE) as part:
                    part.write_text(json.dumps(before | {key: value}, indent=1), encoding="utf-8")

    def _stages(self) -> list[str]:
        return [key for key in self._state() if self._entry(key)[1]]

    def _entry(self, stage: str) -> tuple[str, dict[str, int]]:
        """Stamp and files with their sizes; what is not as this program writes it counts as nothing."""
        entry = self._state().get(stage)
        stamp, files = (entry.get("stamp"), entry.get("files")) if isinstance(entry, dict) else (None, None)
        if not isinstance(stamp, str) or not isinstance(files, dict):
            return "", {}
        inside = [n for n in files if not (".." in Path(n).parts or Path(n).is_absolute() or "\0" in n)]
        return stamp, {name: files[name] for name in inside}

    def _state(self) -> dict:
        try:
            with _NOTING:
                state = json.loads((self.path / _STATE).read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return {}
        return state if isinstance(state, dict) else {}


def unreadable(path: Path, error: Exception, command: str) -> InputError:
    """What to raise where a product is missing or damaged, and `command` makes it."""
    if isinstance(error, FileNotFoundError):
        return InputError("is missing", where=str(path), remedy=f"make it with `{command}`")
    said = next(iter(str(error).splitlines()), "") or type(error).__name__
    return InputError(f"cannot be read ({said})", where=str(path), remedy=f"make it again with `{command}`")


def _remove(files: Iterable[Path]) -> None:
    for file in files:
        with suppress(OSError):
            file.unlink()


def _size(file: Path) -> int:
    """Bytes of a file, -1 where there is none."""
    try:
        return file.stat().st_size
    except OSError:
        return -1


def stamp_of(*parts: object) -> str:
    """A short fingerprint of what a stage depends on."""
    text = "\n".join(str(part) for part in parts)
    return hashlib.sha256(text.encode(errors="surrogateescape")).hexdigest()[:16]


def fingerprint_of(paths: Iterable[Path]) -> str:
    """Names, sizes and times of change of these files, and of those in these folders but for our own."""
    files: list[object] = []
    for path in paths:
        with suppress(OSError):  # opening it says what is wrong with it
            entries = [e for e in path.iterdir() if e.is_file()] if path.is_dir() else [path]
            stats = [(e.name, e.stat()) for e in entries if not e.match("promtrack*.toml")]
            files.append(sorted((name, stat.st_size, stat.st_mtime_ns) for name, stat in stats))
    return stamp_of(*files)
