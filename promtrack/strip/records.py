"""What leaves the strip room: height x angle strips of every used frame."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from promtrack.strip.store import Decoded, Planes
from promtrack.workers import map_ahead

Result = TypeVar("Result")
Places = TypeVar("Places", float, np.ndarray)  # one place or many: what goes in comes out


@dataclass(frozen=True, slots=True, eq=False)
class StripGeometry:
    """Axes of the strips, linear in both: index i along an axis is first + i * step."""

    rows: int  # heights
    columns: int  # angles
    low_mm: float  # height of row 0 above the H-alpha limb
    mm_per_row: float
    from_deg: float  # product angle (position angle or image angle) of column 0, may pass 360
    deg_per_column: float  # always positive
    limb_mm: float  # distance of the H-alpha limb from the Sun's centre
    position_angles: bool  # False: image angles, counter-clockwise from image up

    def height_mm(self, row: Places) -> Places:
        """Height [Mm] above the limb of a row, which may be fractional."""
        return self.low_mm + self.mm_per_row * row

    def angle_deg(self, column: Places) -> Places:
        """Product angle [deg] of a column, not wrapped."""
        return self.from_deg + self.deg_per_column * column

    def row(self, height_mm: Places) -> Places:
        """Fractional row of a height [Mm]."""
        return (height_mm - self.low_mm) / self.mm_per_row

    def column(self, angle_deg: Places) -> Places:
        """Fractional column of a product angle [deg] counted as `angle_deg` gives it."""
        return (angle_deg - self.from_deg) / self.deg_per_column

    def coarser(self, step: int) -> StripGeometry:
        """Axes of the means over `step` x `step` values; what does not fill such a square is left out."""
        return replace(
            self,
            rows=max(self.rows // step, 1),
            columns=max(self.columns // step, 1),
            low_mm=float(self.height_mm((step - 1) / 2.0)),
            mm_per_row=step * self.mm_per_row,
            from_deg=float(self.angle_deg((step - 1) / 2.0)),
            deg_per_column=step * self.deg_per_column,
        )

    def mm_per_column(self, height_mm: Places) -> Places:
        """Length of one column along the limb at that height."""
        return np.deg2rad(self.deg_per_column) * (self.limb_mm + height_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Strips of all used frames, in counts of the reference frame's transparency, backdrop removed; nan marks
    what a frame does not show. The cube [time, height, angle] lies in a file, so memory does not grow with
    the sequence."""

    geometry: StripGeometry
    times_utc: np.ndarray  # (n,) datetime64[us]
    frame: np.ndarray  # (n,) index of the frame in the sequence
    path: Path  # FITS file that holds the cube, compressed
    noise: np.ndarray  # (rows,) 1-sigma noise of one strip value against height, typical frame
    centre_err_mm: np.ndarray  # (n,) registration error across the limb, shared by all knots of a frame
    along_err_mm: np.ndarray  # (n,) the same along the limb
    decoded: Decoded | None = None  # the same strips, quick to read

    def __len__(self) -> int:
        return len(self.times_utc)

    @property
    def at_a_time(self) -> int:
        """Strips that are read together, 8 MB: each call of the FITS reader costs half a strip."""
        return max(int(8e6 / (4 * self.geometry.rows * self.geometry.columns)), 1)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Strips, rows, columns."""
        return len(self), self.geometry.rows, self.geometry.columns

    @property
    def time_s(self) -> np.ndarray:
        """(n,) seconds since the first strip."""
        return (self.times_utc - self.times_utc[0]) / np.timedelta64(1, "s")

    def moment(self, time_s: float) -> np.datetime64:
        """The moment in UTC of a time counted in seconds from the first strip."""
        return np.datetime64(self.times_utc[0] + np.timedelta64(round(float(time_s) * 1e6), "us"))

    def held(self) -> Strip:
        """The same strips, decoded once for all passes over them where there is room (see `Decoded`)."""
        if self.decoded is not None:
            return self
        with Planes(self.path) as planes:
            planes.stored(0, 1)
            decoded = Decoded.beside(self.path, self.shape, planes.step)
            if decoded is not None:
                firsts = range(0, len(self), self.at_a_time)
                list(map_ahead(lambda k: decoded.put(k, planes.stored(k, k + self.at_a_time)), firsts))
        return replace(self, decoded=decoded)

    def read(self, first: int = 0, last: int | None = None) -> np.ndarray:
        """Strips first <= i < last as a native float32 array of its own, [time, height, angle]."""
        n, rows, columns = self.shape
        last = n if last is None else min(last, n)
        if last <= first:
            return np.empty((0, rows, columns), np.float32)
        if self.decoded is not None:
            return self.decoded.read(first, last)
        with Planes(self.path) as planes:
            return planes.read(first, last)

    def mapped(
        self, function: Callable[..., Result], which: Iterable[int] | None = None, *also: Iterable[Any]
    ) -> Iterator[Result]:
        """`function` of every strip, or of those in `which` (rising indices), in order; strips are read and
        worked on by all cores. It takes a strip as a native float32 array of its own, [height, angle], and
        what `also` gives, one value for each strip, drawn in the caller's thread."""
        read: Callable[[int, int], np.ndarray] = self.read

        def done(run: list[tuple[Any, ...]]) -> list[Result]:
            planes = read(run[0][0], run[-1][0] + 1)
            return [function(plane, *rest) for plane, (_, *rest) in zip(planes, run, strict=True)]

        with ExitStack() as stack:
            if self.decoded is None:
                read = stack.enter_context(Planes(self.path)).read
            items = zip(range(len(self)) if which is None else which, *also, strict=False)
            yield from chain.from_iterable(map_ahead(done, _runs(items, self.at_a_time)))


def _runs(items: Iterable[tuple[Any, ...]], most: int) -> Iterator[list[tuple[Any, ...]]]:
    """Items whose first values, indices, follow each other, so many together at most."""
    run: list[tuple[Any, ...]] = []
    for item in items:
        if run and (len(run) == most or item[0] != run[-1][0] + 1):
            yield run
            run = []
        run.append(item)
    if run:
        yield run


@dataclass(frozen=True, slots=True, eq=False)
class TimeDistance:
    """A time-distance diagram along one path."""

    name: str  # as the user or the program names the path, for instance 'radial:124.5'
    kind: str  # radial, parallel, straight or curved
    angle_deg: np.ndarray  # (d,) product angle of the path's samples
    height_mm: np.ndarray  # (d,)
    distance_mm: np.ndarray  # (d,) along the path from its first point; even steps
    value: np.ndarray  # (n, d) float32, one row a strip
    time_s: np.ndarray  # (n,)
