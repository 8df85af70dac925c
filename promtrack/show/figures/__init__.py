"""The figures of a run, one file a figure. Everything measured comes in, PNG and vector files go out.

`SHEETS` lists them in the order of a talk: `sheets` says what each is and whether it has something to say,
`files` writes it in both themes. The rest draws: `style` and `items` are shared, `labels` finds places for
words on pictures, `map_view` cuts the pictures out. matplotlib is loaded only when something is drawn.
"""

from __future__ import annotations

import importlib
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from promtrack.errors import InputError
from promtrack.show.figures.sheets import SHEETS, drawn_sheets
from promtrack.show.records import Measured
from promtrack.workers import worker_count

__all__ = ["SHEETS", "draw_figures"]

SHEETS_A_WORKER = 3  # a process of its own takes a second to start, as long as drawing so many sheets
WORKER_BYTES = 400_000_000  # memory of a process that draws


def draw_figures(
    measured: Measured,
    folder: Path,
    *,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
) -> tuple[Path, ...]:
    """Draw every figure that has something to say, as PNG at `figures.dpi` and as SVG or PDF, in the themes
    asked for.

    The same run gives the same bytes, whatever the number of workers. Figures of an earlier drawing that do
    not belong to this one are removed; other files in the folder are left alone.

    Parameters
    ----------
    folder : where the files go; made if it does not exist
    progress : called with the number of sheets done and their total
    workers : processes that draw; by default one a core, none beside this one for fewer than three cores

    Returns
    -------
    The files written, in the order of `SHEETS`, light before dark, PNG before vector.

    Raises
    ------
    InputError : a frame that is shown cannot be read
    """
    folder.mkdir(parents=True, exist_ok=True)
    names = [sheet.name for sheet in drawn_sheets(measured)]
    cores = worker_count(worker_bytes=WORKER_BYTES)
    workers = workers or (min(cores, len(names) // SHEETS_A_WORKER) if cores > 2 else 1)
    measured = _with_frames(measured)
    written: dict[str, list[Path]] = {}
    drawing = (
        _in_processes(measured, names, folder, workers) if workers > 1 else draw(measured, names, folder)
    )
    for name, paths in drawing:
        written[name] = paths
        if progress is not None:
            progress(len(written), len(names))
    files = [path for name in names for path in written[name]]
    _remove_stale(folder, files)
    return tuple(files)


def draw(measured: Measured, names: list[str], folder: Path) -> Iterator[tuple[str, list[Path]]]:
    """Draw sheets one after the other; the name and the files of each."""
    from promtrack.show.figures.files import save_sheet, save_upright

    for sheet in SHEETS:
        if sheet.name in names:
            module = importlib.import_module(f"promtrack.show.figures.{sheet.module}")
            paths = save_sheet(sheet.name, getattr(module, sheet.name), measured, folder)
            if upright := getattr(module, f"{sheet.name}_upright", None):
                paths += save_upright(f"{sheet.name}_upright", upright, measured, folder)
            yield sheet.name, paths


def _in_processes(
    measured: Measured, names: list[str], folder: Path, workers: int
) -> Iterator[tuple[str, list[Path]]]:
    """The same in processes of their own: Python draws, so threads would not help.

    They run `promtrack.show.figures.__main__` and get the run through a pipe, so that the caller's program is
    neither forked nor imported again.
    """
    command = [sys.executable, "-m", "promtrack.show.figures"]
    shares = [names[first::workers] for first in range(workers)]
    pipe = subprocess.PIPE
    started = [subprocess.Popen(command, stdin=pipe, stdout=pipe) for _ in shares]
    try:
        for process, share in zip(started, shares, strict=True):
            assert process.stdin is not None, "it has a pipe"
            pickle.dump((measured, share, folder), process.stdin)
            process.stdin.close()
        for process in started:
            assert process.stdout is not None, "it has a pipe"
            with process.stdout:
                found = pickle.load(process.stdout)
            if isinstance(found, InputError):
                raise found
            yield from found
    finally:
        for process in started:
            process.kill()
            process.wait()


def _with_frames(measured: Measured) -> Measured:
    """The same run with the frames that are shown read once and kept, which also can go to other
    processes."""
    from promtrack.show.figures.map_view import growth_frames, moment_of
    from promtrack.show.figures.montage import FRAMES

    shown = {measured.lock.reference, moment_of(measured), *map(int, growth_frames(measured, FRAMES))}
    kept = {index: measured.sequence.frame(index) for index in sorted(shown)}
    return replace(measured, sequence=replace(measured.sequence, read=kept.__getitem__))


def _remove_stale(folder: Path, files: list[Path]) -> None:
    kinds = [
        f"{suffix}.{kind}"
        for suffix in ("", "_dark", "_upright", "_upright_dark")
        for kind in ("png", "svg", "pdf")
    ]
    own = {f"{name}{kind}" for name in (sheet.name for sheet in SHEETS) for kind in kinds}
    for name in own - {path.name for path in files}:
        (folder / name).unlink(missing_ok=True)
