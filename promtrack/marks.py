"""Corrections made by hand: promtrack-marks.toml in, checked records out; frames left out, regions covered.

Points name their time, angle and height, and a knot to drop is named by one such point, so that marks
hold for a new run with other settings or after a change of the program. The page that `promtrack mark` writes
saves such a file.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from promtrack.errors import SettingsError
from promtrack.files import read_toml
from promtrack.rounding import counted
from promtrack.sequence.records import Rejected, Sequence
from promtrack.sequence.sort_by_time import Session
from promtrack.strip.records import StripGeometry

MARKS_NAME = "promtrack-marks.toml"


@dataclass(frozen=True, slots=True)
class Place:
    """A point on one strip, as clicked."""

    time_utc: np.datetime64
    angle_deg: float  # product angle
    height_mm: float
    err_mm: float  # 1 sigma; nan where not given


@dataclass(frozen=True, slots=True)
class Sector:
    """A range of product angles, from < to going round."""

    from_deg: float
    to_deg: float


@dataclass(frozen=True, slots=True)
class SensorBox:
    """A rectangle of pixels that stands on the sensor; the right and bottom pixels are outside it."""

    left_px: float
    top_px: float
    right_px: float
    bottom_px: float


@dataclass(frozen=True, slots=True)
class SunBox:
    """A region of the strips that goes with the Sun."""

    from_deg: float
    to_deg: float
    low_mm: float
    high_mm: float


Numbers = TypeVar("Numbers", Sector, SensorBox, SunBox)


@dataclass(frozen=True, slots=True)
class Marks:
    """All corrections of one recording."""

    leave_out: tuple[str, ...] = ()  # names of frames, as in frames.ecsv
    covered_sensor: tuple[SensorBox, ...] = ()
    covered_sun: tuple[SunBox, ...] = ()
    drop: tuple[Place, ...] = ()  # each on a knot that is none
    no_front: tuple[Sector, ...] = ()
    fronts: tuple[tuple[Place, ...], ...] = ()
    knots: tuple[tuple[Place, ...], ...] = ()

    def done_to_frames(self, names: tuple[str, ...]) -> str:
        """'2 frames left out; 1 region covered': what the marks do before anything moves; '' if nothing.
        `names`: of all frames."""
        absent = [name for name in self.leave_out if name not in names]
        covered, done = len(self.covered_sensor) + len(self.covered_sun), []
        if here := len(self.leave_out) - len(absent):
            done.append(f"{counted(here, 'frame')} left out")
        if absent:
            done.append(f"{len(absent)} to leave out not among the frames, the first {absent[0]}")
        if covered:
            done.append(f"{counted(covered, 'region')} covered")
        return "; ".join(done)

    def of_session(self, times_utc: np.ndarray, sessions: list[Session]) -> Marks:
        """Without the drops, fronts and knots that lie in `sessions` of the recording and in none that holds
        these times. What lies in no session stays: its time is wrong, which is to be said."""

        def here(course: tuple[Place, ...]) -> bool:
            ends = [place.time_utc for place in (*course[:1], *course[-1:])]
            ours = [one.meets(*times_utc[[0, -1]]) for one in sessions if ends and one.meets(*ends)]
            return not ours or any(ours)

        fronts, knots = (tuple(filter(here, courses)) for courses in (self.fronts, self.knots))
        drop = tuple(place for place in self.drop if here((place,)))
        return replace(self, drop=drop, fronts=fronts, knots=knots)

    def passed_over(self, own: Marks) -> str:
        """'1 front, 2 knots of other sessions passed over': what these marks have more than a session's
        `own`; '' if nothing."""
        kinds = ("drop", "fronts", "knots")
        more = {kind.rstrip("s"): len(getattr(self, kind)) - len(getattr(own, kind)) for kind in kinds}
        said = ", ".join(counted(count, kind) for kind, count in more.items() if count)
        return f"{said} of other sessions passed over" if said else ""

    def kept(self, sequence: Sequence) -> Sequence:
        """The sequence without the frames to leave out, and with what covers the sensor filled in. A covered
        rectangle is filled with the light to its left and right, so that the search for the limb meets no
        edge there; in the strips nothing is shown in it (`hidden_px`)."""
        index = np.array([i for i, name in enumerate(sequence.names) if name not in self.leave_out], int)
        gone = tuple(Rejected(name, "left out by hand") for name in sequence.names if name in self.leave_out)
        kept, boxes = sequence.only(index), self.covered_sensor
        read = (lambda number: filled(kept.read(number), boxes)) if boxes else kept.read
        return replace(kept, read=read, unreadable=(*sequence.unreadable, *gone))

    def hidden_px(self, shape: tuple[int, int]) -> np.ndarray | None:
        """(rows, columns) bool, True where a frame is covered; None where nothing is."""
        if not self.covered_sensor:
            return None
        hidden = np.zeros(shape, bool)
        for box in self.covered_sensor:
            hidden[_inside(box, shape)] = True
        return hidden

    def hidden(self, geometry: StripGeometry) -> np.ndarray | None:
        """(rows, columns) bool, True where all strips are covered; None where nothing is."""
        if not self.covered_sun:
            return None
        height = np.asarray(geometry.height_mm(np.arange(geometry.rows)))[:, None]
        angle = np.asarray(geometry.angle_deg(np.arange(geometry.columns)))[None]
        hidden = np.zeros((geometry.rows, geometry.columns), bool)
        for box in self.covered_sun:
            along = (angle - box.from_deg) % 360.0 <= (box.to_deg - box.from_deg) % 360.0
            hidden |= along & (height >= box.low_mm) & (height <= box.high_mm)
        return hidden


def filled(frame: np.ndarray, boxes: tuple[SensorBox, ...]) -> np.ndarray:
    """A copy of a frame (rows, columns), each box filled row by row from the pixels at its left and right."""
    frame = frame.copy()
    columns = frame.shape[1]
    for box in boxes:
        rows, within = _inside(box, frame.shape)
        before, behind = within.start - 1, within.stop
        if before >= 0 or behind < columns:  # else nothing is left of the rows
            before, behind = (behind if before < 0 else before), (before if behind >= columns else behind)
            part = np.linspace(0.0, 1.0, within.stop - within.start + 2)[1:-1]
            left, right = (frame[rows, column, None].astype(float) for column in (before, behind))
            frame[rows, within] = (left * (1.0 - part) + right * part).astype(frame.dtype)
    return frame


def _inside(box: SensorBox, shape: tuple[int, ...]) -> tuple[slice, slice]:
    rows, columns = shape
    top, bottom = np.clip([round(box.top_px), round(box.bottom_px)], 0, rows)
    left, right = np.clip([round(box.left_px), round(box.right_px)], 0, columns)
    return slice(top, max(bottom, top)), slice(left, max(right, left))


def find_marks(source: Path) -> Path | None:
    """The marks in the folder of frames, or beside the film; None where there are none."""
    place = (source if os.path.isdir(source) else source.parent) / MARKS_NAME
    return place if os.path.isfile(place) else None  # Path.is_file raises where the folder may not be entered


def read_marks(path: Path) -> Marks:
    """The marks in a file. Raises SettingsError: the file cannot be read, is not TOML, or holds a key or a
    value that a mark has not."""
    tree = read_toml(path, remedy="save it again from the page of `promtrack mark`")
    try:
        return _marks(tree)
    except SettingsError as error:
        raise error.at(str(path)) from None


def _odd(what: str) -> SettingsError:
    return SettingsError(what, remedy="see docs/marks.md, or save it from the page of `promtrack mark`")


def _marks(tree: dict[str, Any]) -> Marks:
    kinds = ("leave_out", "cover", "drop", "no_front", "front", "knot")
    for kind, entries in tree.items():
        if kind not in kinds:
            raise _odd(f"[[{kind}]] is no kind of mark")
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            raise _odd(f"'{kind}' is not written as [[{kind}]]")
    tree = dict.fromkeys(kinds, ()) | tree
    covers = [(entry.get("in"), {k: v for k, v in entry.items() if k != "in"}) for entry in tree["cover"]]
    if any(where not in ("sensor", "sun") for where, _ in covers):
        raise _odd('[[cover]] needs in = "sensor" or in = "sun"')
    sensor = tuple(_record("cover", box, SensorBox) for where, box in covers if where == "sensor")
    sun = tuple(_record("cover", box, SunBox) for where, box in covers if where == "sun")
    if any(box.left_px >= box.right_px or box.top_px >= box.bottom_px for box in sensor):
        raise _odd("left_px and top_px of a [[cover]] need to be below right_px and bottom_px")
    if any(box.low_mm >= box.high_mm for box in sun):
        raise _odd("low_mm of a [[cover]] needs to be below high_mm")
    return Marks(
        leave_out=tuple(name for entry in tree["leave_out"] for name in _names(entry)),
        covered_sensor=sensor,
        covered_sun=sun,
        drop=tuple(_place("drop", entry) for entry in tree["drop"]),
        no_front=tuple(_record("no_front", entry, Sector) for entry in tree["no_front"]),
        fronts=tuple(_course("front", entry) for entry in tree["front"]),
        knots=tuple(_course("knot", entry) for entry in tree["knot"]),
    )


def _only(kind: str, entry: dict[str, Any], keys: Iterable[str]) -> None:
    """Raises SettingsError unless the entry has these keys and no others."""
    if set(entry) != set(keys):
        got = ", ".join(entry) or "nothing"
        raise _odd(f"[[{kind}]] needs {', '.join(keys)} and nothing else, got {got}")


def _names(entry: dict[str, Any]) -> list[str]:
    _only("leave_out", entry, ("frames",))
    names = entry["frames"]
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise _odd('[[leave_out]] needs frames = ["name", ...]')
    return names


def _record(kind: str, entry: dict[str, Any], record: type[Numbers]) -> Numbers:
    keys = record.__annotations__
    _only(kind, entry, keys)
    return record(**{key: _number(kind, key, entry[key]) for key in keys})


def _number(kind: str, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e6:
        raise _odd(f"{key} of a [[{kind}]] needs a number, got {value!r}")
    return float(value)


def _place(kind: str, entry: Any) -> Place:
    keys = {"time", "angle_deg", "height_mm"}
    if not isinstance(entry, dict) or not keys <= set(entry) <= keys | {"err_mm"}:
        raise _odd(f"a point of a [[{kind}]] needs time, angle_deg, height_mm, and may have err_mm")
    time_utc = _time(kind, entry["time"])
    numbers = {key: _number(kind, key, value) for key, value in entry.items() if key != "time"}
    if numbers.setdefault("err_mm", float("nan")) <= 0.0:
        raise _odd(f"err_mm of a [[{kind}]] needs a number above 0, got {numbers['err_mm']:g}")
    return Place(time_utc, **numbers)


def _time(kind: str, value: Any) -> np.datetime64:
    """A moment in UTC, from text or from TOML's own date and time, which may name a zone."""
    try:
        moment = datetime.fromisoformat(value) if isinstance(value, str) else value
        if not isinstance(moment, datetime):
            raise ValueError
        if moment.tzinfo is not None:
            moment = moment.astimezone(UTC).replace(tzinfo=None)
    except (ValueError, OverflowError):
        what = f"time of a [[{kind}]] cannot be read: {value!r}; write it as 2026-05-17T09:30:00Z"
        raise _odd(what) from None
    return np.datetime64(moment, "us")


def _course(kind: str, entry: dict[str, Any]) -> tuple[Place, ...]:
    _only(kind, entry, ("points",))
    if not isinstance(entry["points"], list):
        raise _odd(f"[[{kind}]] needs points = [...]")
    return tuple(sorted((_place(kind, point) for point in entry["points"]), key=lambda one: one.time_utc))
