"""Which figures there are, what each shows, and whether it has something to say in this run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from promtrack.show.findings import heights_title, leading_front, moving_knots, speeds_title
from promtrack.show.numbers import counted
from promtrack.show.records import Measured
from promtrack.show.verdict import lights

__all__ = ["SHEETS", "Sheet", "drawn_sheets", "missing_sheets"]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One figure."""

    name: str  # of its files and of the function that draws it
    module: str  # in this folder
    title: str
    caption: str
    photograph: bool  # whether most of it is a picture
    words: Callable[[Measured], str]  # what it shows, for those who cannot see it
    silent: Callable[[Measured], str]  # why it is not drawn, '' where it is


def _still(measured: Measured) -> str:
    moves = moving_knots(measured) or leading_front(measured) is not None
    return "" if moves else "nothing moves significantly"


def _no_ridge(measured: Measured) -> str:
    if measured.motion.ridges or (measured.motion.slits and measured.settings.motion.slits):
        return ""
    return "no path shows a moving streak"


def _things(measured: Measured) -> str:
    fronts = sum(front.moving for front in measured.motion.fronts)
    knots = counted(len(moving_knots(measured)), "moving knot", "moving knots")
    return f"{knots} and {counted(fronts, 'moving leading edge', 'moving leading edges')}"


SHEETS = (
    Sheet(
        "summary",
        "summary",
        "The run on one page",
        "Map, heights, three numbers and the weakest of the three lights, made for a slide.",
        True,
        lambda run: f"Slide with a map of the prominence, heights and numbers. {heights_title(run)}.",
        lambda run: "",
    ),
    Sheet(
        "height_time",
        "heights",
        "Height against time",
        "Points are measured heights with their errors, lines the models (dashed where none describes the "
        "track); below, what the models leave over.",
        False,
        lambda run: f"Heights in megametres against UTC for {_things(run)}. {heights_title(run)}.",
        _still,
    ),
    Sheet(
        "speed_time",
        "speeds",
        "Speed against time",
        "Lines are models with bands of the total error; a knot's mark stands at its mid-time, a leading "
        "edge's marks are slopes over a few heights.",
        False,
        lambda run: f"Speeds in km/s against UTC for {_things(run)}. {speeds_title(run)}.",
        _still,
    ),
    Sheet(
        "knot_map",
        "knot_map",
        "Where the plasma moves",
        "The frame that shows it best; arrows follow the tracks over the time named.",
        True,
        lambda run: f"A picture of the limb with arrows along the tracks of {_things(run)}.",
        _still,
    ),
    Sheet(
        "time_distance",
        "slits",
        "Time-distance diagrams",
        "Brightness along a path against time; what moves leaves a slanted streak (ridge). Grey: no frames.",
        True,
        lambda run: (
            f"{counted(len(run.motion.slits), 'diagram', 'diagrams')} of brightness along a path "
            "against time."
        ),
        _no_ridge,
    ),
    Sheet(
        "prominences",
        "prominences",
        "All prominences",
        "Everything that stands above the limb: extent and greatest height on the map, height against time "
        "below, numbered as in prominences.ecsv.",
        True,
        lambda run: (
            f"Map of {counted(len(run.motion.prominences), 'prominence', 'prominences')} round the limb, "
            "and their heights in megametres against UTC."
        ),
        lambda run: "" if run.motion.prominences else "nothing stands above the limb",
    ),
    Sheet(
        "strip_montage",
        "montage",
        "Six moments",
        "All of one part of the sky and in one tone, with the Earth to scale.",
        True,
        lambda run: f"Six pictures of the prominence, from first to last. {heights_title(run)}.",
        lambda run: "",
    ),
    Sheet(
        "oscillation",
        "slits",
        "Oscillation",
        "Displacement along a path with a damped sine, and the power of each period.",
        False,
        lambda run: "Displacement against time with a damped sine, and power against period.",
        lambda run: "" if run.motion.oscillations else "no thread sways significantly",
    ),
    Sheet(
        "registration_check",
        "registration",
        "Registration check",
        "Edge points on the reference frame, and the Sun's centre, turn and radius in every frame; crosses "
        "mark frames left out.",
        True,
        lambda run: f"Registration check. {' '.join(lights(run)[0].reasons)}",
        lambda run: "",
    ),
)


def drawn_sheets(measured: Measured) -> tuple[Sheet, ...]:
    """The figures that have something to say."""
    return tuple(sheet for sheet in SHEETS if not sheet.silent(measured))


def missing_sheets(measured: Measured) -> str:
    """One line on the figures that are not drawn, with the reasons; '' where all are."""
    reasons: dict[str, list[str]] = {}
    for sheet in SHEETS:
        if why := sheet.silent(measured):
            reasons.setdefault(why, []).append(sheet.title.lower())
    return "; ".join(f"{', '.join(titles)}: {why}" for why, titles in reasons.items())
