"""What the show room is given: everything measured in one run, what a season or a trial found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.motion.records import Motion
from promtrack.sequence.records import Sequence
from promtrack.settings import Settings
from promtrack.strip.records import Strip
from promtrack.sun import Orientation, Scale, SolarView


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One run, whole."""

    settings: Settings
    sequence: Sequence
    lock: LimbLock
    view: SolarView
    scale: Scale
    orientation: Orientation
    strip: Strip
    motion: Motion
    version: str


@dataclass(frozen=True, slots=True)
class SeasonRow:
    """One run. Errors are total (1 sigma); nan and '' where there is nothing of the kind."""

    folder: str  # of the products, from the season's own folder on
    recording: str  # name of the input
    date: str  # UTC day of the first frame
    first_time: str  # UTC
    last_time: str
    span_s: float
    frames_used: int
    frames_read: int
    lock: str  # the verdict's three lights: 'good', 'fair' or 'poor'
    scale: str
    motion: str
    poor: bool  # one of them is poor: none of the numbers in this row should be quoted
    km_per_px: float
    km_per_px_err: float
    angles: str  # what the angles of this row are: 'position angle' or 'image angle'
    prominences: int
    height_mm: float  # highest prominence, above the limb
    height_err_mm: float
    height_pa_deg: float
    height_is_lower_bound: bool  # its top has left what was measured
    knots: int  # moving ones
    knot_speed_km_s: float  # the fastest, in the plane of the sky
    knot_speed_err_km_s: float
    knot_pa_deg: float
    fronts: int  # moving ones
    front_speed_km_s: float  # of the fastest: its largest, in the plane of the sky
    front_speed_err_km_s: float
    front_speed_is_mean: bool  # no model describes it: from its first to its last height
    front_height_mm: float  # greatest height of that front
    front_height_err_mm: float
    front_pa_deg: float
    report: str  # the run's report.html, from the season's own folder on; '' where there is none

    @property
    def first_utc(self) -> np.datetime64:
        """`first_time` as a moment, in milliseconds."""
        return np.datetime64(self.first_time.rstrip("Z"), "ms")

    @property
    def last_utc(self) -> np.datetime64:
        """`last_time` as a moment, in milliseconds."""
        return np.datetime64(self.last_time.rstrip("Z"), "ms")


@dataclass(frozen=True, slots=True)
class Eruption:
    """One moving leading edge of one run."""

    row: SeasonRow
    speed_is_mean: bool  # no model describes it
    pa_deg: float
    speed_km_s: float  # largest, or mean
    speed_err_km_s: float
    height_mm: float  # greatest
    height_err_mm: float


@dataclass(frozen=True, slots=True)
class Season:
    """Runs in order of time, and the folders that hold none that is whole."""

    rows: tuple[SeasonRow, ...]
    eruptions: tuple[Eruption, ...]
    left_out: tuple[str, ...]  # one sentence a folder: unfinished or damaged


@dataclass(frozen=True, slots=True)
class TrialRow:
    """What became of one body that a trial put into frames: a row of trial.ecsv."""

    kind: str
    speed_km_s: float  # true
    brightness_sigma: float
    brightness: float  # counts of the strips
    height_mm: float  # at the start
    pa_deg: float
    found: bool  # and called moving
    measured_km_s: float  # nan where it was not found
    error_km_s: float
