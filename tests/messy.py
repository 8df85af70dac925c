"""Messy folders and the command line, for the tests of bad input."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from promtrack.cli import main
from tests.conftest import QUICK_OPTIONS

# The super-user may read and write everything, so for these tests that right is laid down.
BOUND = [
    "setpriv",
    "--bounding-set=-dac_override,-dac_read_search",
    "--inh-caps=-dac_override,-dac_read_search",
]
CAN_BE_BOUND = os.name == "posix" and (os.geteuid() != 0 or shutil.which("setpriv") is not None)


def frames_in(folder: Path, pictures: Iterable[np.ndarray], *, names: Iterable[str] = ()) -> Path:
    """A folder of TIFF files 20 s apart, the time in the name unless names are given."""
    folder.mkdir(parents=True)
    given = list(names)
    for i, picture in enumerate(pictures):
        seconds = 9 * 3600 + 30 * 60 + 20 * i
        name = (
            given[i]
            if given
            else f"2026-05-17T{seconds // 3600:02d}-{seconds // 60 % 60:02d}-{seconds % 60:02d}Z.tif"
        )
        tifffile.imwrite(folder / name, picture, photometric="minisblack")
    return folder


def some_of(small_frames: Path, folder: Path, count: int) -> Path:
    """A folder with the first `count` frames of the small recording, free to be changed."""
    folder.mkdir(parents=True)
    for path in sorted(small_frames.iterdir())[:count]:
        shutil.copy2(path, folder)
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def command(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Run a command in this process: exit status, standard output, standard error."""
    capsys.readouterr()
    status = main([str(argument) for argument in arguments])
    told = capsys.readouterr()
    assert "Traceback" not in told.out + told.err
    return status, told.out, told.err


def refused(capsys: pytest.CaptureFixture[str], *arguments: object, status: int = 1) -> str:
    """The one sentence with which a command is refused: where, what, and after the semicolon what to do."""
    got, _, err = command(capsys, *arguments)
    assert got == status, err
    sentence = err.removeprefix("promtrack: ").strip()
    assert len(sentence.splitlines()) == 1, err
    assert ": " in sentence or sentence.startswith(("times.", "no ffmpeg")), "it does not say where"
    assert "; " in sentence, "it does not say what to do"
    return sentence


def refused_run(
    capsys: pytest.CaptureFixture[str], source: Path, out: Path, *arguments: object, status: int = 1
) -> str:
    """As `refused`, for a run; the input is as before, and of the products' folder nothing is left."""
    before = contents(source) if source.is_dir() else None
    stood = {path.name for path in out.iterdir()} if out.is_dir() else None
    sentence = refused(capsys, "run", source, "--out", out, *QUICK_OPTIONS, *arguments, status=status)
    assert before is None or contents(source) == before
    assert ({path.name for path in out.iterdir()} if out.is_dir() else None) == stood
    return sentence


def bound(*arguments: object, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run the program in a process that permissions bind."""
    prefix = BOUND if os.geteuid() == 0 else []
    return subprocess.run(
        [*prefix, sys.executable, "-m", "promtrack", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
        **options,
    )


def in_new_python(code: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run this code in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, **options
    )


def assert_one_sentence(done: subprocess.CompletedProcess[str], *words: str, status: int = 1) -> None:
    """A process ended with one clear sentence that holds the words."""
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    for word in words:
        assert word in done.stderr
