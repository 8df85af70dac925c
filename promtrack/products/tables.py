"""Tables: records to ECSV and back. The lock has a row a frame; the motion has one a knot, point, front,
model, ridge, oscillation or prominence.

Columns are made from the fields of the records, under the same names but for `_COLUMNS`, so that a field
added to a record has its column at once. What has no value for each row stands in the table's header
(`meta`). Units stand in the column names and in ECSV's unit fields.
"""

from __future__ import annotations

import dataclasses
import math
import typing
import warnings
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import MaskedColumn, Table
from astropy.table.meta import YamlParseError
from astropy.units import UnitsWarning

from promtrack.files import atomic_write
from promtrack.limb.records import LimbLock
from promtrack.motion.records import (
    Front,
    FrontFit,
    KnotFit,
    KnotTrack,
    Motion,
    Oscillation,
    Prominence,
    Ridge,
)
from promtrack.products.folder import ProductFolder, unreadable
from promtrack.rounding import iso
from promtrack.sequence.records import Sequence
from promtrack.show.curves import knot_path
from promtrack.strip import time_distances
from promtrack.strip.records import Strip, StripGeometry

# Field of a record -> its column, where the two differ.
_COLUMNS: dict[type, dict[str, str]] = {
    LimbLock: {"names": "file", "frame_radius_px": "radius_px", "frame_radius_err_px": "radius_err_px"},
    KnotTrack: {"angle_deg": "pa_deg", "curve_mm": "model_height_mm", "curve_angle_deg": "model_pa_deg"},
    KnotFit: {"time_s": "mid_s"},
    Front: {"angle_deg": "pa_deg"},
    Prominence: {"angle_deg": "pa_deg"},
}
_UNITS = {
    "_km_s": "km / s",
    "_m_s2": "m / s2",
    "_mm": "Mm",
    "_mm2": "Mm2",
    "_px": "pix",
    "_deg": "deg",
    "_s": "s",
}
_LIMB_POINTS = "limb_points_px", "rejected_points_px"  # of the reference frame alone
DAMAGED = (KeyError, TypeError, ValueError, IndexError, AttributeError)
_AROUND = {"angle_deg", "curve_angle_deg"}  # of each point; 0 to 360 in the tables
_WHEN = ("start", "mean", "end")  # times at which a front's speed is given


@cache
def fields_of(record: type) -> dict[str, Any]:
    """The fields of a record with their types, not to be changed."""
    hints = typing.get_type_hints(record)
    return {field.name: hints[field.name] for field in dataclasses.fields(record)}


def scalars(record: type) -> dict[str, type]:
    """The fields of a record that are one number or text, with their types."""
    return {name: kind for name, kind in fields_of(record).items() if kind in (float, int, bool, str)}


def arrays_of(record: type) -> list[str]:
    """The fields of a record that are arrays."""
    return [name for name, kind in fields_of(record).items() if kind is np.ndarray]


def column_name(record: type, name: str) -> str:
    """The column of a field of a record."""
    return _COLUMNS.get(record, {}).get(name, name)


def rows_of(records: Iterable[Any], record: type) -> dict[str, np.ndarray]:
    """A column (rows,) for each plain field, typed even where there is no row."""
    records = list(records)
    return {
        column_name(record, name): np.array([getattr(one, name) for one in records], kind)
        for name, kind in scalars(record).items()
    }


def row_values(row: Any, record: type) -> dict[str, Any]:
    """The plain fields of a record from a row of a table."""
    return {name: kind(row[column_name(record, name)]) for name, kind in scalars(record).items()}


def plain(value: Any) -> Any:
    """What YAML can hold."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {name: plain(getattr(value, name)) for name in fields_of(type(value))}
    if isinstance(value, (tuple, list)):
        return [plain(one) for one in value]
    return value.tolist() if isinstance(value, (np.ndarray, np.generic)) else value


def typed(value: Any, kind: Any) -> Any:
    """The way back from `plain`."""
    if dataclasses.is_dataclass(kind):
        kinds = fields_of(typing.cast(type, kind))
        return typing.cast(Any, kind)(**{name: typed(one, kinds[name]) for name, one in value.items()})
    if typing.get_origin(kind) is tuple:
        return tuple(typed(one, typing.get_args(kind)[0]) for one in value)
    return np.array(value, float) if kind is np.ndarray else value


def write_table(path: Path, columns: dict[str, Any], meta: dict[str, Any]) -> Path:
    """An ECSV file with these columns, their units taken from the endings of their names, and `meta` in its
    header."""
    table = Table(columns, meta=meta)
    for name in table.colnames:
        table[name].unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), None)
    with atomic_write(path) as part:
        table.write(part, format="ascii.ecsv", overwrite=True)
    return path


def read_table(path: Path, command: str) -> Table:
    """The table in an ECSV file; raises InputError with the command that makes it anew if it is damaged."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UnitsWarning)
            table = Table.read(path, format="ascii.ecsv")
    except (OSError, YamlParseError, *DAMAGED) as error:
        raise unreadable(path, error, command) from None
    for name in table.colnames:  # empty texts come back from ECSV as masked values
        if isinstance(table[name], MaskedColumn):
            table[name] = table[name].filled("" if table[name].dtype.kind == "U" else math.nan)
    return table


def write_lock(folder: ProductFolder, sequence: Sequence, lock: LimbLock) -> Path:
    """frames.ecsv: a row per input frame; what holds for the whole sequence stands in its header."""
    columns: dict[str, Any] = {
        "index": np.arange(len(lock.names)),
        "file": list(lock.names),
        "time": list(map(iso, sequence.times_utc)),
    }
    columns |= {column_name(LimbLock, name): list(getattr(lock, name)) for name in _frame_fields()}
    rest = {name: getattr(lock, name) for name in fields_of(LimbLock) if name not in _frame_fields()}
    for name in _LIMB_POINTS:  # as one text: YAML takes 0.1 ms for each number
        rest[name] = " ".join(map(str, np.round(rest[name], 3).ravel().tolist()))
    return write_table(folder["frames"], columns, {name: plain(value) for name, value in rest.items()})


def read_lock(folder: ProductFolder) -> LimbLock:
    """The lock that frames.ecsv holds. Raises InputError: the file is missing or damaged."""
    table = read_table(folder["frames"], "promtrack lock")
    try:
        values: dict[str, Any] = {}
        for name, kind in fields_of(LimbLock).items():
            if name in _frame_fields():
                column = np.array(table[column_name(LimbLock, name)])
                values[name] = column if kind is np.ndarray else tuple(map(str, column))
            elif name in _LIMB_POINTS:
                values[name] = np.array(table.meta[name].split(), float).reshape(-1, 2)
            else:
                values[name] = typed(table.meta[name], kind)
        return LimbLock(**values)
    except DAMAGED as error:
        raise unreadable(folder["frames"], error, "promtrack lock") from None


def _frame_fields() -> list[str]:
    """Fields of LimbLock with a value for each frame."""
    own = {*arrays_of(LimbLock), "names", "reason"} - {*_LIMB_POINTS}
    return [name for name in fields_of(LimbLock) if name in own]


def write_motion(
    folder: ProductFolder, strip: Strip, motion: Motion, place: Callable[..., Any]
) -> list[Path]:
    """knots, knot_points, front_points, front_fits, ridges, oscillations and prominences, each in ECSV.
    `place`: place(frame, angle_deg, height_mm) gives x and y in that frame, in pixels."""
    knots, fronts = motion.knots, motion.fronts
    below = {"knots", "fronts", "slits", "ridges", "oscillations", "prominences"}
    meta = {
        "note": "speeds are in the plane of the sky: lower bounds, if the same plasma was followed",
        "angle": "position angle" if strip.geometry.position_angles else "image angle",
        "heights": f"above the fitted limb, {strip.geometry.limb_mm:.2f} Mm from the Sun's centre",
        "slits": [slit.name for slit in motion.slits],
        **{name: plain(getattr(motion, name)) for name in fields_of(Motion) if name not in below},
    }
    mean = {
        "knot": np.array([k.knot for k in knots], int),
        "first_time": _times(strip, [k.time_s[0] for k in knots]),
        "last_time": _times(strip, [k.time_s[-1] for k in knots]),
        "points": np.array([len(k.frame) for k in knots], int),
        "height_mm": np.array([knot_path(k, np.array(k.fit.time_s))[0] for k in knots], float),
        "height_err_mm": np.array([np.median(k.height_err_mm) for k in knots], float),
        "pa_deg": np.array([np.mean(k.angle_deg) % 360.0 for k in knots], float),
    }
    points = _points(strip, knots, KnotTrack, "knot")
    at = zip(points["frame"].tolist(), points["pa_deg"], points["height_mm"], strict=True)
    points["x_px"], points["y_px"] = np.array([place(*one) for one in at], float).reshape(-1, 2).T
    prominences = motion.prominences
    # what fits no column
    fields = [{n: plain(getattr(front, n)) for n in (*scalars(Front), "notes")} for front in fronts]
    more = [{n: plain(getattr(one, n)) for n in arrays_of(Oscillation)} for one in motion.oscillations]
    tables: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
        "knots": (mean | rows_of([k.fit for k in knots], KnotFit) | rows_of(knots, KnotTrack), meta),
        "knot_points": (points, {}),
        "front_points": (_points(strip, fronts, Front, "front") | _curves(fronts), {"fronts": fields}),
        "front_fits": (_front_fits(strip, fronts), {}),
        "ridges": (rows_of(motion.ridges, Ridge), {}),
        "oscillations": (rows_of(motion.oscillations, Oscillation), {"more": more}),
        "prominences": (
            _points(strip, prominences, Prominence, "prominence")
            | rows_of([p for p in prominences for _ in p.frame], Prominence),
            {},
        ),
    }
    return [write_table(folder[name], columns, header) for name, (columns, header) in tables.items()]


def read_motion(folder: ProductFolder, strip: Strip) -> Motion:
    """The motion that the tables hold; time-distance diagrams are cut again from the strip. Raises
    InputError: a table is missing or damaged."""
    names = ("knots", "knot_points", "front_points", "front_fits", "ridges", "oscillations", "prominences")
    knots, points, front_points, fits, ridges, oscillations, prominences = (
        read_table(folder[name], "promtrack motion") for name in names
    )
    kinds, geometry, arrays = fields_of(Motion), strip.geometry, arrays_of(Oscillation)
    try:
        values: dict[str, Any] = {
            "knots": tuple(
                KnotTrack(
                    **row_values(row, KnotTrack),
                    **_point_values(points[points["knot"] == row["knot"]], KnotTrack, geometry),
                    fit=KnotFit(**row_values(row, KnotFit)),
                )
                for row in knots
            ),
            "fronts": tuple(_front(one, front_points, fits, geometry) for one in front_points.meta["fronts"]),
            "slits": time_distances(strip, knots.meta["slits"]),
            "ridges": tuple(Ridge(**row_values(row, Ridge)) for row in ridges),
            "oscillations": tuple(
                Oscillation(**(row_values(row, Oscillation) | {n: np.array(more[n], float) for n in arrays}))
                for row, more in zip(oscillations, oscillations.meta["more"], strict=True)
            ),
        }
        numbers = dict.fromkeys(prominences["prominence"].tolist())
        groups = [prominences[prominences["prominence"] == number] for number in numbers]
        values["prominences"] = tuple(
            Prominence(**row_values(group[0], Prominence), **_point_values(group, Prominence, geometry))
            for group in groups
        )
        values |= {name: typed(knots.meta[name], kind) for name, kind in kinds.items() if name not in values}
        return Motion(**values)
    except DAMAGED as error:
        raise unreadable(folder["knots"], error, "promtrack motion") from None


def _front(known: dict[str, Any], points: Table, fits: Table, geometry: StripGeometry) -> Front:
    points, fits = (table[table["front"] == known["front"]] for table in (points, fits))
    own = tuple(_front_fit(row, points) for row in fits)
    values = row_values(known, Front) | _point_values(points, Front, geometry)
    return Front(**values, fits=own, notes=tuple(known["notes"]))


def _front_fit(row: Any, points: Table) -> FrontFit:
    parts = [part.partition("=") for part in str(row["parameters"]).split(", ")]
    numbers = np.array([[float(v) for v in part[2].split("+-")] for part in parts])
    return FrontFit(
        **row_values(row, FrontFit),
        parameters=tuple(part[0] for part in parts),
        values=numbers[:, 0],
        errors=numbers[:, 1],
        curve_mm=np.array(points[_curve_column(str(row["model"]))]),
        speed_km_s=np.array([row[f"speed_{when}_km_s"] for when in _WHEN]),
        speed_err_km_s=np.array([row[f"speed_{when}_err_km_s"] for when in _WHEN]),
    )


def _front_fits(strip: Strip, fronts: tuple[Front, ...]) -> dict[str, Any]:
    fits = [fit for front in fronts for fit in front.fits]
    of_fits = [front for front in fronts for _ in front.fits]
    parameters = [zip(fit.parameters, fit.values, fit.errors, strict=True) for fit in fits]
    written = [", ".join(f"{n}={float(v)!r}+-{float(e)!r}" for n, v, e in one) for one in parameters]
    columns: dict[str, Any] = {
        "front": np.array([front.front for front in of_fits], int),
        "model": np.array([fit.model for fit in fits], str),
        "parameters": np.array(written, str),
    }
    for place, when in enumerate(_WHEN):
        columns[f"speed_{when}_km_s"] = np.array([fit.speed_km_s[place] for fit in fits], float)
        columns[f"speed_{when}_err_km_s"] = np.array([fit.speed_err_km_s[place] for fit in fits], float)
    columns |= rows_of(fits, FrontFit) | {"onset_time": _times(strip, [fit.onset_s for fit in fits])}
    columns |= rows_of(of_fits, Front)
    columns["to_deg"] = columns["to_deg"] - columns["from_deg"] + columns["from_deg"] % 360.0
    columns["from_deg"] = columns["from_deg"] % 360.0
    return columns


def _curves(fronts: tuple[Front, ...]) -> dict[str, np.ndarray]:
    """A column for each model, nan where a front was not fitted with it."""
    columns = {}
    for model in dict.fromkeys(fit.model for front in fronts for fit in front.fits):
        curves = [
            next((fit.curve_mm for fit in f.fits if fit.model == model), np.full(len(f.frame), np.nan))
            for f in fronts
        ]
        columns[_curve_column(model)] = np.concatenate(curves)
    return columns


def _curve_column(model: str) -> str:
    return f"model_{model.replace(' ', '_')}_mm"


def _points(strip: Strip, tracks: Iterable[Any], record: type, number: str) -> dict[str, np.ndarray]:
    """The arrays of all tracks, one below the other, behind the track's number and the time."""
    tracks = list(tracks)
    numbers = [getattr(track, number) for track in tracks for _ in track.frame]
    columns = {number: np.array(numbers, int)}
    for name in arrays_of(record):
        kind = int if name == "frame" else float
        values = np.concatenate([np.array([], kind), *(getattr(track, name) for track in tracks)])
        if name == "time_s":
            columns["time"] = _times(strip, values)
        if name in _AROUND:
            values = values % 360.0
        columns[column_name(record, name)] = values.astype(kind)
    return columns


def _point_values(points: Table, record: type, geometry: StripGeometry) -> dict[str, Any]:
    """The arrays of one track; its angles go on past 360 or below 0 as the strips' own do. Each by itself: of
    neighbours one may be unknown, and in a wide sector an edge may jump by half a circle."""
    values = {name: np.array(points[column_name(record, name)]) for name in arrays_of(record)}
    middle = geometry.angle_deg((geometry.columns - 1) / 2.0)
    for name in _AROUND & values.keys():
        values[name] = values[name] + 360.0 * np.round((middle - values[name]) / 360.0)
    return values


def _times(strip: Strip, time_s: Iterable[float]) -> np.ndarray:
    """Seconds since the first strip as UTC; empty where unknown."""
    return np.array([iso(strip.moment(t)) if math.isfinite(t) else "" for t in map(float, time_s)], str)
