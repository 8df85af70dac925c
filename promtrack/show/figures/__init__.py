"""The figures of a run, one file a figure. Everything measured comes in, PNG and vector files go out.

`SHEETS` lists them in the order of a talk and says whether each has something to say in a run: heights,
knot_map, strips, registration (a season's is in season); `files` writes it in both themes. The rest draws:
`style` and `items` are shared, `map_view` cuts the pictures out. matplotlib is loaded only when something is
drawn.
"""

from __future__ import annotations

import gc
import importlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from promtrack.rounding import counted
from promtrack.show.findings import growth_title, heights_title, run_title, speeds_title
from promtrack.show.quoted import leading_front, moving_knots, told_ridges
from promtrack.show.records import Measured
from promtrack.show.verdict import lights

__all__ = ["SHEETS", "draw_figures"]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One figure."""

    place: str  # file in this folder, and function there that draws it
    title: str
    caption: str
    words: Callable[[Measured], str]  # what it shows, for those who cannot see it
    silent: Callable[[Measured], str] = lambda run: ""  # why it is not drawn, '' where it is

    @property
    def name(self) -> str:
        """Of its files."""
        return self.place.partition(".")[2]

    def load(self) -> Callable[..., Any]:
        """The function that draws it, from `Measured` and `Theme`."""
        module = importlib.import_module(f"promtrack.show.figures.{self.place.partition('.')[0]}")
        return getattr(module, self.name)

    @property
    def narrow(self) -> bool:
        """Whether it stands on narrow screens for the sheet before it."""
        return self.name.endswith("_narrow")


def _single(measured: Measured) -> str:
    return "" if len(measured.strip) > 1 else "there is one picture only"


def _still(measured: Measured) -> str:
    moves = moving_knots(measured) or leading_front(measured) is not None
    return "" if moves else _single(measured) or "no motion could be shown"


def _streakless(measured: Measured) -> str:
    shown = told_ridges(measured) or (measured.motion.slits and measured.settings.motion.slits)
    return "" if shown else "no knot leaves a streak on a path"


def _things(measured: Measured) -> str:
    fronts = sum(front.moving for front in measured.motion.fronts)
    knots = counted(len(moving_knots(measured)), "moving knot")
    return f"{knots} and {counted(fronts, 'moving leading edge')}"


SHEETS = (
    Sheet(
        "knot_map.summary",
        "The run on one page",
        "Map, heights, three numbers and the weakest of the three lights, made for a slide.",
        lambda run: f"Slide with a map of the prominence, heights and numbers. {run_title(run)}.",
    ),
    Sheet(
        "heights.height_time",
        "Height against time",
        "Points are measured heights with their errors, lines the models (dashed where none describes the "
        "track); where there is room, the residuals are below.",
        lambda run: f"Heights in megametres against UTC for {_things(run)}. {heights_title(run)}.",
        _still,
    ),
    Sheet(
        "heights.height_time_narrow",
        "Height against time, for a phone",
        "Points are measured heights with their errors, lines the models.",
        lambda run: f"Heights in megametres against UTC for {_things(run)}. {heights_title(run)}.",
        _still,
    ),
    Sheet(
        "heights.speed_time",
        "Speed against time",
        "Lines are models with bands of the total error; a knot's mark stands at its mid-time, a leading "
        "edge's marks are slopes over a few heights.",
        lambda run: f"Speeds in km/s against UTC for {_things(run)}. {speeds_title(run)}.",
        _still,
    ),
    Sheet(
        "knot_map.knot_map",
        "Where the plasma moves",
        "The frame that shows it best; arrows follow the tracks over the time named.",
        lambda run: f"A picture of the limb with arrows along the tracks of {_things(run)}.",
        _still,
    ),
    Sheet(
        "strips.time_distance",
        "Time-distance diagrams",
        "Brightness along a path against time; what moves leaves a slanted streak (ridge). Grey: no frames.",
        lambda run: f"{counted(len(run.motion.slits), 'diagram')} of brightness along a path against time.",
        _streakless,
    ),
    Sheet(
        "strips.prominences",
        "All prominences",
        "Everything that stands above the limb: extent and greatest height on the map, height against time "
        "below, numbered as in prominences.ecsv. Curves break in gaps, and where a piece joins or comes off.",
        lambda run: (
            f"Map of {counted(len(run.motion.prominences), 'prominence')} round the limb, "
            "and their heights in megametres against UTC."
        ),
        lambda run: "" if run.motion.prominences else "nothing stands above the limb",
    ),
    Sheet(
        "knot_map.strip_montage",
        "Six moments",
        "All of one part of the sky and in one tone, with the Earth to scale.",
        lambda run: f"Six pictures of the prominence, from first to last. {growth_title(run)}.",
        _single,
    ),
    Sheet(
        "strips.oscillation",
        "Oscillation",
        "Displacement along a path with a damped sine, and the power of each period.",
        lambda run: "Displacement against time with a damped sine, and power against period.",
        lambda run: "" if run.motion.oscillations else "no thread oscillates significantly",
    ),
    Sheet(
        "registration.registration_check",
        "Registration check",
        "Edge points on the reference frame, the Sun's centre and radius in every frame, and its turn where "
        "one was measured; crosses mark frames left out.",
        lambda run: f"Registration check. {' '.join(lights(run)[0].reasons)}",
    ),
)


def drawn_sheets(measured: Measured) -> tuple[Sheet, ...]:
    """The figures that have something to say."""
    return tuple(sheet for sheet in SHEETS if not sheet.silent(measured))


def missing_sheets(measured: Measured) -> str:
    """One line on the figures that are not drawn, with the reasons; '' where all are."""
    reasons: dict[str, list[str]] = {}
    for sheet in SHEETS:
        if (why := sheet.silent(measured)) and not sheet.narrow:
            reasons.setdefault(why, []).append(sheet.title.lower())
    return "; ".join(f"{', '.join(titles)}: {why}" for why, titles in reasons.items())


def draw_figures(
    measured: Measured, folder: Path, *, progress: Callable[[int, int], None] | None = None
) -> tuple[Path, ...]:
    """Draw every figure that has something to say, as PNG at `figures.dpi` and as SVG or PDF, in the themes
    asked for; the files written, in the order of `SHEETS`, light before dark, PNG before vector.

    The same run gives the same bytes. Figures of an earlier drawing that do not belong to this one are
    removed; other files in the folder, which is made if need be, are left alone. `progress`: called with the
    number of sheets done and their total. Raises InputError: a frame that is shown cannot be read."""
    from promtrack.show.figures.files import save_sheet

    folder.mkdir(parents=True, exist_ok=True)
    sheets, files = drawn_sheets(measured), list[Path]()
    gc.freeze()
    try:
        for done, sheet in enumerate(sheets):
            files += save_sheet(sheet.name, sheet.load(), measured, folder)
            # The parts of a sheet refer to each other, so that its memory is free again when the garbage
            # collector has come: at once, and past all that was there before.
            gc.collect()
            if progress is not None:
                progress(done + 1, len(sheets))
    finally:
        gc.unfreeze()
    for sheet in SHEETS:
        for path in folder.glob(f"{sheet.name}*.[ps][ndv][gf]"):
            if path not in files and path.stem.removesuffix("_dark") == sheet.name:
                path.unlink()
    return tuple(files)
