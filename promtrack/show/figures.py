"""All figures of a run: everything measured in, PNG and vector files in each theme out."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from matplotlib.figure import Figure

from promtrack.show.figure_files import save_png, save_recoloured, save_vector
from promtrack.show.figure_heights import height_time
from promtrack.show.figure_lock import registration_check
from promtrack.show.figure_map import knot_map
from promtrack.show.figure_montage import strip_montage
from promtrack.show.figure_slits import oscillation, time_distance
from promtrack.show.figure_speeds import speed_histogram, speed_time
from promtrack.show.figure_style import DARK, LIGHT, Theme, themed
from promtrack.show.figure_summary import summary
from promtrack.show.map_view import moment_of
from promtrack.show.records import Measured

__all__ = ["FIGURE_NAMES", "draw_figures"]

# In the order in which a talk would show them; oscillation is drawn only where one was found.
SHEETS: dict[str, Callable[[Measured, Theme], Figure]] = {
    "summary": summary,
    "height_time": height_time,
    "speed_time": speed_time,
    "knot_map": knot_map,
    "speed_histogram": speed_histogram,
    "time_distance": time_distance,
    "strip_montage": strip_montage,
    "registration_check": registration_check,
}
FIGURE_NAMES = (*SHEETS, "oscillation")


def draw_figures(
    measured: Measured, folder: Path, *, progress: Callable[[int, int], None] | None = None
) -> tuple[Path, ...]:
    """Draw every figure as PNG at `figures.dpi` and as SVG or PDF, in the themes asked for.

    The same run gives the same bytes. Figures of an earlier drawing that do not belong to this one are
    removed, so that no old picture stands beside new numbers; other files in the folder are left alone.

    Parameters
    ----------
    folder : where the files go; made if it does not exist
    progress : called with the number of sheets done and their total

    Returns
    -------
    The files written, in the order of `FIGURE_NAMES`, light before dark, PNG before vector.

    Raises
    ------
    InputError : a frame that is shown cannot be read
    """
    folder.mkdir(parents=True, exist_ok=True)
    measured = _with_frames_kept(measured)
    themes = {"light": (LIGHT,), "dark": (DARK,), "both": (LIGHT, DARK)}[measured.settings.figures.theme]
    jobs = [(name, draw, theme) for name, draw in _sheets(measured).items() for theme in themes]
    written: list[Path] = []
    # PNG compression leaves the interpreter's lock, so it runs beside the drawing of the next sheet.
    with _drawn_figures_freed() as free, ThreadPoolExecutor(max_workers=1, thread_name_prefix="png") as pool:
        waiting = []
        for done, (name, draw, theme) in enumerate(jobs, 1):
            png, vector = (
                folder / f"{name}{theme.suffix}.{kind}" for kind in ("png", measured.settings.figures.vector)
            )
            with themed(theme):
                figure = draw(measured, theme)
                if theme is not themes[0] and vector.suffix == ".svg":
                    save_recoloured(
                        folder / f"{name}{themes[0].suffix}.svg", vector, old=themes[0], new=theme
                    )
                else:
                    save_vector(figure, vector, measured)
                waiting.append(save_png(figure, png, measured, pool))
            del figure
            free()
            written += [png, vector]
            if progress is not None:
                progress(done, len(jobs))
        for pending in waiting:
            pending.result()
    _remove_stale(folder, written)
    return tuple(written)


@contextmanager
def _drawn_figures_freed() -> Iterator[Callable[[], int]]:
    """A call that frees the figures drawn in this block; they hold themselves in circles, 16 MB each.

    What was there before is left out of the search for circles, which costs a millisecond then.
    """
    gc.freeze()
    try:
        yield gc.collect
    finally:
        gc.unfreeze()


def _sheets(measured: Measured) -> dict[str, Callable[[Measured, Theme], Figure]]:
    sheets = dict(SHEETS)
    if measured.motion.oscillations:
        sheets["oscillation"] = _first_oscillation
    return sheets


def _first_oscillation(measured: Measured, theme: Theme) -> Figure:
    """The oscillation least likely to be chance."""
    return oscillation(
        measured, min(measured.motion.oscillations, key=lambda swing: swing.false_alarm), theme
    )


def _with_frames_kept(measured: Measured) -> Measured:
    """The same run whose reference frame and whose map's frame are decoded once, however many sheets show
    them."""
    sequence = measured.sequence
    kept = {index: sequence.frame(index) for index in {measured.lock.reference, moment_of(measured)}}
    return replace(
        measured,
        sequence=replace(sequence, read=lambda index: kept[index] if index in kept else sequence.read(index)),
    )


def _remove_stale(folder: Path, written: list[Path]) -> None:
    own = {
        f"{name}{theme.suffix}.{kind}"
        for name in FIGURE_NAMES
        for theme in (LIGHT, DARK)
        for kind in ("png", "svg", "pdf")
    }
    for name in own - {path.name for path in written}:
        (folder / name).unlink(missing_ok=True)
