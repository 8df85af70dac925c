"""What leaves the sequence room: frames that are read when asked for, and their times."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from promtrack.sun import SolarHeader
from promtrack.workers import map_ahead

# Frames that stand for a recording where not all are looked at: for what one of them nearly tells alone, and
# for what needs a median in time or a distribution.
FEW, MANY = 7, 24


@dataclass(frozen=True, slots=True)
class Rejected:
    """A file or frame left out, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class TimeReport:
    """Where the times came from and what was odd about them."""

    source: str  # one of the values of times.source, never 'auto'
    detail: str  # for instance 'DATE-OBS + EXPTIME / 2'
    problems: tuple[str, ...]  # one sentence each: duplicates, backward steps, gaps, missing times


def spread_over(count: int, most: int) -> np.ndarray:
    """Indices of at most `most` of `count` frames, evenly spread, the first and the last among them."""
    return np.unique(np.linspace(0, count - 1, min(most, count)).astype(int)) if count else np.arange(0)


@dataclass(frozen=True, slots=True, eq=False)
class Sequence:
    """Time-ordered frames, read lazily. `frame(i)` gives a 2-D array [y, x] in the camera's own type (uint8,
    uint16 or float32), row 0 on top, colour turned to luminance, dark and flat applied. Reading is
    thread-safe."""

    path: Path
    names: tuple[str, ...]  # file name, or 'file#number' inside a multi-frame file
    times_utc: np.ndarray  # (n,) datetime64[us], middle of the exposure; NaT never occurs here
    shape: tuple[int, int]  # rows, columns
    full_scale: float  # value at which the camera saturates
    read: Callable[[int], np.ndarray]
    time_report: TimeReport
    unreadable: tuple[Rejected, ...] = ()
    notes: tuple[str, ...] = ()  # one sentence each: how colour, bad pixels and calibration were treated
    headers: tuple[SolarHeader | None, ...] = ()  # one a frame; empty: no frame has one
    exposures_s: np.ndarray | None = None  # (n,) of each frame, nan where unknown; None: all unknown
    exposure_class: np.ndarray | None = None  # (n,) int8: 0 faint, 1 bright; None: one kind of exposure
    turned: np.ndarray | None = None  # (n,) bool, frames turned back by 180 degrees; None: none
    line: str = ""  # 'H-alpha', '304 angstrom', ...; '' where the headers do not say

    def __len__(self) -> int:
        return len(self.names)

    @property
    def time_s(self) -> np.ndarray:
        """(n,) seconds since the first frame."""
        return (self.times_utc - self.times_utc[0]) / np.timedelta64(1, "s")

    @property
    def header(self) -> SolarHeader | None:
        """Of the first frame."""
        return self.headers[0] if self.headers else None

    @property
    def exposure_s(self) -> float:
        """Median of the frames' exposures; nan if unknown."""
        known = np.array([]) if self.exposures_s is None else self.exposures_s[np.isfinite(self.exposures_s)]
        return float(np.median(known)) if len(known) else np.nan

    @property
    def in_h_alpha(self) -> bool:
        """Whether the light is H-alpha, as it is taken to be where the headers do not say."""
        return self.line in ("", "H-alpha")

    def only(self, indices: np.ndarray) -> Sequence:
        """The sequence of these frames alone; `indices` rise."""
        arrays = {name: getattr(self, name) for name in ("exposures_s", "exposure_class", "turned")}
        kept: dict[str, Any] = {name: v[indices] for name, v in arrays.items() if v is not None}
        return replace(
            self,
            names=tuple(self.names[i] for i in indices),
            times_utc=self.times_utc[indices],
            read=lambda number: self.read(int(indices[number])),
            headers=tuple(self.headers[i] for i in indices) if self.headers else (),
            **kept,
        )

    def frame(self, index: int) -> np.ndarray:
        """Frame `index`, (rows, columns); raises InputError, naming the file, if it cannot be decoded."""
        return self.read(index)

    def frames(self, indices: Iterable[int] | None = None) -> Generator[tuple[int, np.ndarray], None, None]:
        """Frames in the order asked for, decoded ahead in the background. Raises InputError at a frame that
        cannot be decoded."""
        # One at a time: films are read in order.
        wanted = range(len(self)) if indices is None else indices
        yield from map_ahead(lambda index: (index, self.read(index)), wanted, workers=1)
