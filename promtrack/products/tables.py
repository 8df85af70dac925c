"""Tables: LimbLock and Motion to ECSV and back, one row a frame, track, point, front, model or ridge.

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
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import MaskedColumn, Table
from astropy.table.meta import YamlParseError
from astropy.units import UnitsWarning

from promtrack.files import atomic_write
from promtrack.limb.records import LimbLock
from promtrack.motion.prominences import Prominence
from promtrack.motion.records import Front, FrontFit, KnotFit, KnotTrack, Motion, Oscillation, Ridge
from promtrack.products.folder import ProductFolder, unreadable
from promtrack.sequence.records import Sequence
from promtrack.strip import time_distance
from promtrack.strip.records import Strip

# Field of a record -> its column, where the two differ.
_COLUMNS: dict[type, dict[str, str]] = {
    LimbLock: {"names": "file", "frame_radius_px": "radius_px", "frame_radius_err_px": "radius_err_px"},
    KnotTrack: {"angle_deg": "pa_deg", "curve_mm": "model_height_mm", "curve_angle_deg": "model_pa_deg"},
    KnotFit: {"time_s": "mid_s"},
    Front: {"angle_deg": "pa_deg"},
    Prominence: {"angle_deg": "pa_deg"},
}
_UNITS = {"_km_s": "km / s", "_m_s2": "m / s2", "_mm": "Mm", "_px": "pix", "_deg": "deg", "_s": "s"}
_WHEN = ("start", "mean", "end")  # times at which a front's speed is given
_LIMB_POINTS = "limb_points_px", "rejected_points_px"  # of the reference frame alone
_DAMAGED = (KeyError, TypeError, ValueError, IndexError, AttributeError)


def write_lock(folder: ProductFolder, sequence: Sequence, lock: LimbLock) -> Path:
    """frames.ecsv: a row per input frame; what holds for the whole sequence stands in its header."""
    columns: dict[str, Any] = {
        "index": np.arange(len(lock.names)),
        "file": list(lock.names),
        "time": _iso(sequence.times_utc),
    }
    columns |= {_column(LimbLock, name): list(getattr(lock, name)) for name in _frame_fields()}
    rest = {name: getattr(lock, name) for name in _kinds(LimbLock) if name not in _frame_fields()}
    for name in _LIMB_POINTS:  # as one text: YAML takes 0.1 ms for each number
        rest[name] = " ".join(map(str, np.round(rest[name], 3).ravel().tolist()))
    return _write(folder["frames"], columns, {name: _plain(value) for name, value in rest.items()})


def read_lock(folder: ProductFolder) -> LimbLock:
    """The lock that frames.ecsv holds.

    Raises
    ------
    InputError : the file is missing or damaged
    """
    table = _read(folder["frames"], "promtrack lock")
    try:
        values: dict[str, Any] = {}
        for name, kind in _kinds(LimbLock).items():
            if name in _frame_fields():
                column = np.array(table[_column(LimbLock, name)])
                values[name] = column if kind is np.ndarray else tuple(map(str, column))
            elif name in _LIMB_POINTS:
                values[name] = np.array(table.meta[name].split(), float).reshape(-1, 2)
            else:
                values[name] = _typed(table.meta[name], kind)
        return LimbLock(**values)
    except _DAMAGED as error:
        raise unreadable(folder["frames"], error, "promtrack lock") from None


def write_motion(
    folder: ProductFolder, strip: Strip, motion: Motion, place: Callable[..., Any]
) -> list[Path]:
    """knots, knot_points, front_points, front_fits, ridges, oscillations and prominences, each in ECSV.

    Parameters
    ----------
    place : place(frame, angle_deg, height_mm) gives x and y in that frame, in pixels
    """
    knots, fronts = motion.knots, motion.fronts
    tables = {"knots", "fronts", "slits", "ridges", "oscillations", "prominences"}
    meta = {
        "note": "speeds are in the plane of the sky: lower bounds, if the same plasma was followed",
        "angle": "position angle" if strip.geometry.position_angles else "image angle",
        "heights": f"above the fitted limb, {strip.geometry.limb_mm:.2f} Mm from the Sun's centre",
        "slits": [slit.name for slit in motion.slits],
        **{name: _plain(getattr(motion, name)) for name in _kinds(Motion) if name not in tables},
        "more": _more(knots, KnotTrack),
    }
    mean = {
        "knot": np.array([k.knot for k in knots], int),
        "first_time": _times(strip, [k.time_s[0] for k in knots]),
        "last_time": _times(strip, [k.time_s[-1] for k in knots]),
        "points": np.array([len(k.frame) for k in knots], int),
        "height_mm": np.array([np.mean(k.height_mm) for k in knots], float),
        "pa_deg": np.array([np.mean(k.angle_deg) % 360.0 for k in knots], float),
    }
    points = _points(strip, knots, KnotTrack, "knot")
    where = [
        place(int(f), a, h)
        for f, a, h in zip(points["frame"], points["pa_deg"], points["height_mm"], strict=True)
    ]
    points |= {name: np.array([xy[i] for xy in where], float) for i, name in enumerate(("x_px", "y_px"))}
    return [
        _write(
            folder["knots"], mean | _rows([k.fit for k in knots], KnotFit) | _rows(knots, KnotTrack), meta
        ),
        _write(folder["knot_points"], points, {}),
        _write(
            folder["front_points"],
            _points(strip, fronts, Front, "front") | _curves(fronts),
            {
                "fronts": [{n: _plain(getattr(f, n)) for n in _scalars(Front)} for f in fronts],
                "more": _more(fronts, Front),
            },
        ),
        _write(folder["front_fits"], _front_fits(strip, fronts), {}),
        _write(folder["ridges"], _rows(motion.ridges, Ridge), {}),
        _write(
            folder["oscillations"],
            _rows(motion.oscillations, Oscillation),
            {"more": _more(motion.oscillations, Oscillation, arrays=True)},
        ),
        _write(
            folder["prominences"],
            _points(strip, motion.prominences, Prominence, "prominence")
            | _rows([p for p in motion.prominences for _ in p.frame], Prominence),
            {},
        ),
    ]


def read_motion(folder: ProductFolder, strip: Strip) -> Motion:
    """The motion that the tables hold; time-distance diagrams are cut again from the strip.

    Raises
    ------
    InputError : a table is missing or damaged
    """
    names = ("knots", "knot_points", "front_points", "front_fits", "ridges", "oscillations", "prominences")
    knots, points, front_points, fits, ridges, oscillations, prominences = (
        _read(folder[name], "promtrack motion") for name in names
    )
    kinds = _kinds(Motion)
    try:
        values: dict[str, Any] = {
            "knots": tuple(
                KnotTrack(
                    **_row_values(row, KnotTrack),
                    **_point_values(points[points["knot"] == row["knot"]], KnotTrack),
                    **_typed_fields(more, KnotTrack),
                    fit=KnotFit(**_row_values(row, KnotFit)),
                )
                for row, more in zip(knots, knots.meta["more"], strict=True)
            ),
            "fronts": tuple(
                _front(
                    one | more,
                    front_points[front_points["front"] == one["front"]],
                    fits[fits["front"] == one["front"]],
                )
                for one, more in zip(front_points.meta["fronts"], front_points.meta["more"], strict=True)
            ),
            "slits": tuple(time_distance(strip, name) for name in knots.meta["slits"]),
            "ridges": tuple(Ridge(**_row_values(row, Ridge)) for row in ridges),
            "oscillations": tuple(
                Oscillation(**_row_values(row, Oscillation), **_typed_fields(more, Oscillation))
                for row, more in zip(oscillations, oscillations.meta["more"], strict=True)
            ),
        }
        numbers = dict.fromkeys(int(number) for number in prominences["prominence"])
        groups = [prominences[prominences["prominence"] == number] for number in numbers]
        values["prominences"] = tuple(
            Prominence(**_row_values(group[0], Prominence), **_point_values(group, Prominence))
            for group in groups
        )
        values |= {name: _typed(knots.meta[name], kind) for name, kind in kinds.items() if name not in values}
        return Motion(**values)
    except _DAMAGED as error:
        raise unreadable(folder["knots"], error, "promtrack motion") from None


def _front(scalars: dict[str, Any], points: Table, fits: Table) -> Front:
    return Front(
        **_typed_fields(scalars, Front),
        **_point_values(points, Front),
        fits=tuple(_front_fit(row, points) for row in fits),
    )


def _front_fit(row: Any, points: Table) -> FrontFit:
    parts = [part.partition("=") for part in str(row["parameters"]).split(", ")]
    numbers = np.array([[float(v) for v in part[2].split("+-")] for part in parts])
    return FrontFit(
        **_row_values(row, FrontFit),
        parameters=tuple(part[0] for part in parts),
        values=numbers[:, 0],
        errors=numbers[:, 1],
        curve_mm=np.array(points[_curve_column(str(row["model"]))]),
        speed_km_s=np.array([row[f"speed_{when}_km_s"] for when in _WHEN]),
        speed_err_km_s=np.array([row[f"speed_{when}_err_km_s"] for when in _WHEN]),
    )


def _front_fits(strip: Strip, fronts: tuple[Front, ...]) -> dict[str, Any]:
    rows = [(front, fit) for front in fronts for fit in front.fits]
    fits = [fit for _, fit in rows]
    written = [
        ", ".join(
            f"{n}={float(v)!r}+-{float(e)!r}"
            for n, v, e in zip(f.parameters, f.values, f.errors, strict=True)
        )
        for f in fits
    ]
    columns: dict[str, Any] = {
        "front": np.array([front.front for front, _ in rows], int),
        "model": np.array([fit.model for fit in fits], str),
        "parameters": np.array(written, str),
    }
    for place, when in enumerate(_WHEN):
        columns[f"speed_{when}_km_s"] = np.array([fit.speed_km_s[place] for fit in fits], float)
        columns[f"speed_{when}_err_km_s"] = np.array([fit.speed_err_km_s[place] for fit in fits], float)
    columns |= _rows(fits, FrontFit) | {"onset_time": _times(strip, [fit.onset_s for fit in fits])}
    return columns | _rows([front for front, _ in rows], Front)


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


def _kinds(record: type) -> dict[str, Any]:
    """The fields of a record with their types."""
    hints = typing.get_type_hints(record)
    return {field.name: hints[field.name] for field in dataclasses.fields(record)}


def _scalars(record: type) -> dict[str, type]:
    return {name: kind for name, kind in _kinds(record).items() if kind in (float, int, bool, str)}


def _column(record: type, name: str) -> str:
    return _COLUMNS.get(record, {}).get(name, name)


def _frame_fields() -> list[str]:
    """Fields of LimbLock with a value for each frame."""
    return [
        n
        for n, kind in _kinds(LimbLock).items()
        if n in ("names", "reason") or (kind is np.ndarray and n not in _LIMB_POINTS)
    ]


def _rows(records: Iterable[Any], record: type) -> dict[str, np.ndarray]:
    """A column for each plain field, typed even where there is no row."""
    records = list(records)
    return {
        _column(record, name): np.array([getattr(one, name) for one in records], kind)
        for name, kind in _scalars(record).items()
    }


def _row_values(row: Any, record: type) -> dict[str, Any]:
    return {name: kind(row[_column(record, name)]) for name, kind in _scalars(record).items()}


def _points(strip: Strip, tracks: Iterable[Any], record: type, number: str) -> dict[str, np.ndarray]:
    """The arrays of all tracks, one below the other, behind the track's number and the time."""
    tracks = list(tracks)
    columns = {
        number: np.repeat(np.array([getattr(t, number) for t in tracks], int), [len(t.frame) for t in tracks])
    }
    for name in (name for name, kind in _kinds(record).items() if kind is np.ndarray):
        kind = int if name == "frame" else float
        values = np.concatenate([np.array([], kind), *(getattr(track, name) for track in tracks)])
        if name == "time_s":
            columns["time"] = _times(strip, values)
        columns[_column(record, name)] = values.astype(kind)
    return columns


def _point_values(points: Table, record: type) -> dict[str, Any]:
    arrays = [name for name, kind in _kinds(record).items() if kind is np.ndarray]
    return {name: np.array(points[_column(record, name)]) for name in arrays}


def _more(records: Iterable[Any], record: type, *, arrays: bool = False) -> list[dict[str, Any]]:
    """Of each record the fields that fit no column: texts and, where there is no table of points, arrays."""
    kinds = _kinds(record)
    names = [
        n
        for n, kind in kinds.items()
        if (arrays and kind is np.ndarray) or (typing.get_origin(kind) is tuple and n != "fits")
    ]
    return [{name: _plain(getattr(one, name)) for name in names} for one in records]


def _plain(value: Any) -> Any:
    """What YAML can hold."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {name: _plain(getattr(value, name)) for name in _kinds(type(value))}
    if isinstance(value, (tuple, list)):
        return [_plain(one) for one in value]
    return value.tolist() if isinstance(value, (np.ndarray, np.generic)) else value


def _typed(value: Any, kind: Any) -> Any:
    """The way back from `_plain`."""
    if dataclasses.is_dataclass(kind):
        return typing.cast(Any, kind)(**_typed_fields(value, typing.cast(type, kind)))
    if typing.get_origin(kind) is tuple:
        return tuple(_typed(one, typing.get_args(kind)[0]) for one in value)
    return np.array(value, float) if kind is np.ndarray else value


def _typed_fields(values: dict[str, Any], record: type) -> dict[str, Any]:
    kinds = _kinds(record)
    return {name: _typed(value, kinds[name]) for name, value in values.items()}


def _write(path: Path, columns: dict[str, Any], meta: dict[str, Any]) -> Path:
    table = Table(columns, meta=meta)
    for name in table.colnames:
        table[name].unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), None)
    with atomic_write(path) as part:
        table.write(part, format="ascii.ecsv", overwrite=True)
    return path


def _read(path: Path, command: str) -> Table:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UnitsWarning)
            table = Table.read(path, format="ascii.ecsv")
    except (OSError, YamlParseError, *_DAMAGED) as error:
        raise unreadable(path, error, command) from None
    for name in table.colnames:  # empty texts come back from ECSV as masked values
        if isinstance(table[name], MaskedColumn):
            table[name] = table[name].filled("" if table[name].dtype.kind == "U" else math.nan)
    return table


def write_records(path: Path, records: Iterable[Any], record: type, meta: dict[str, Any]) -> Path:
    """A table with a row for each record and a column for each of its plain fields.

    Parameters
    ----------
    record : the records' class, so that a table without rows has its columns too
    meta : what stands in the table's header
    """
    return _write(path, _rows(records, record), meta)


def _iso(times: np.ndarray) -> list[str]:
    return [f"{text}Z" for text in np.datetime_as_string(times, unit="ms")]


def _times(strip: Strip, time_s: Iterable[float]) -> np.ndarray:
    """Seconds since the first strip as UTC; empty where unknown."""
    steps = [round(t * 1e6) if math.isfinite(t) else "NaT" for t in map(float, time_s)]
    moments = strip.times_utc[0] + np.array(steps, "timedelta64[us]")
    return np.array(["" if t == "NaTZ" else t for t in _iso(moments)], str)
