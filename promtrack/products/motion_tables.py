"""The motion as tables: a row a knot, point, front, model, ridge, oscillation or prominence."""

from __future__ import annotations

import math
import typing
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from promtrack.motion.prominences import Prominence
from promtrack.motion.records import Front, FrontFit, KnotFit, KnotTrack, Motion, Oscillation, Ridge
from promtrack.products.folder import ProductFolder, unreadable
from promtrack.products.tables import (
    DAMAGED,
    column_name,
    fields_of,
    plain,
    read_table,
    row_values,
    rows_of,
    scalars,
    typed,
    typed_fields,
    write_table,
)
from promtrack.rounding import iso
from promtrack.strip import time_distances
from promtrack.strip.records import Strip, StripGeometry

_AROUND = {"angle_deg", "curve_angle_deg"}  # of each point; 0 to 360 in the tables
_WHEN = ("start", "mean", "end")  # times at which a front's speed is given


def write_motion(
    folder: ProductFolder, strip: Strip, motion: Motion, place: Callable[..., Any]
) -> list[Path]:
    """knots, knot_points, front_points, front_fits, ridges, oscillations and prominences, each in ECSV.
    `place`: place(frame, angle_deg, height_mm) gives x and y in that frame, in pixels."""
    knots, fronts = motion.knots, motion.fronts
    tables = {"knots", "fronts", "slits", "ridges", "oscillations", "prominences"}
    meta = {
        "note": "speeds are in the plane of the sky: lower bounds, if the same plasma was followed",
        "angle": "position angle" if strip.geometry.position_angles else "image angle",
        "heights": f"above the fitted limb, {strip.geometry.limb_mm:.2f} Mm from the Sun's centre",
        "slits": [slit.name for slit in motion.slits],
        **{name: plain(getattr(motion, name)) for name in fields_of(Motion) if name not in tables},
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
        write_table(
            folder["knots"], mean | rows_of([k.fit for k in knots], KnotFit) | rows_of(knots, KnotTrack), meta
        ),
        write_table(folder["knot_points"], points, {}),
        write_table(
            folder["front_points"],
            _points(strip, fronts, Front, "front") | _curves(fronts),
            {
                "fronts": [{n: plain(getattr(f, n)) for n in scalars(Front)} for f in fronts],
                "more": _more(fronts, Front),
            },
        ),
        write_table(folder["front_fits"], _front_fits(strip, fronts), {}),
        write_table(folder["ridges"], rows_of(motion.ridges, Ridge), {}),
        write_table(
            folder["oscillations"],
            rows_of(motion.oscillations, Oscillation),
            {"more": _more(motion.oscillations, Oscillation, arrays=True)},
        ),
        write_table(
            folder["prominences"],
            _points(strip, motion.prominences, Prominence, "prominence")
            | rows_of([p for p in motion.prominences for _ in p.frame], Prominence),
            {},
        ),
    ]


def read_motion(folder: ProductFolder, strip: Strip) -> Motion:
    """The motion that the tables hold; time-distance diagrams are cut again from the strip. Raises
    InputError: a table is missing or damaged."""
    names = ("knots", "knot_points", "front_points", "front_fits", "ridges", "oscillations", "prominences")
    knots, points, front_points, fits, ridges, oscillations, prominences = (
        read_table(folder[name], "promtrack motion") for name in names
    )
    kinds, geometry = fields_of(Motion), strip.geometry
    try:
        values: dict[str, Any] = {
            "knots": tuple(
                KnotTrack(
                    **row_values(row, KnotTrack),
                    **_point_values(points[points["knot"] == row["knot"]], KnotTrack, geometry),
                    **typed_fields(more, KnotTrack),
                    fit=KnotFit(**row_values(row, KnotFit)),
                )
                for row, more in zip(knots, knots.meta["more"], strict=True)
            ),
            "fronts": tuple(
                _front(
                    one | more,
                    front_points[front_points["front"] == one["front"]],
                    fits[fits["front"] == one["front"]],
                    geometry,
                )
                for one, more in zip(front_points.meta["fronts"], front_points.meta["more"], strict=True)
            ),
            "slits": time_distances(strip, knots.meta["slits"]),
            "ridges": tuple(Ridge(**row_values(row, Ridge)) for row in ridges),
            "oscillations": tuple(
                Oscillation(**row_values(row, Oscillation), **typed_fields(more, Oscillation))
                for row, more in zip(oscillations, oscillations.meta["more"], strict=True)
            ),
        }
        numbers = dict.fromkeys(int(number) for number in prominences["prominence"])
        groups = [prominences[prominences["prominence"] == number] for number in numbers]
        values["prominences"] = tuple(
            Prominence(**row_values(group[0], Prominence), **_point_values(group, Prominence, geometry))
            for group in groups
        )
        values |= {name: typed(knots.meta[name], kind) for name, kind in kinds.items() if name not in values}
        return Motion(**values)
    except DAMAGED as error:
        raise unreadable(folder["knots"], error, "promtrack motion") from None


def _front(scalars: dict[str, Any], points: Table, fits: Table, geometry: StripGeometry) -> Front:
    return Front(
        **typed_fields(scalars, Front),
        **_point_values(points, Front, geometry),
        fits=tuple(_front_fit(row, points) for row in fits),
    )


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
    columns |= rows_of(fits, FrontFit) | {"onset_time": _times(strip, [fit.onset_s for fit in fits])}
    columns |= rows_of([front for front, _ in rows], Front)
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
    columns = {
        number: np.repeat(np.array([getattr(t, number) for t in tracks], int), [len(t.frame) for t in tracks])
    }
    for name in (name for name, kind in fields_of(record).items() if kind is np.ndarray):
        kind = int if name == "frame" else float
        values = np.concatenate([np.array([], kind), *(getattr(track, name) for track in tracks)])
        if name == "time_s":
            columns["time"] = _times(strip, values)
        if name in _AROUND:
            values = values % 360.0
        columns[column_name(record, name)] = values.astype(kind)
    return columns


def _point_values(points: Table, record: type, geometry: StripGeometry) -> dict[str, Any]:
    """The arrays of one track; its angles go on past 360 or below 0 as the strips' own do.

    Each by itself: of neighbours one may be unknown, and in a wide sector an edge may jump by half a circle.
    """
    arrays = [name for name, kind in fields_of(record).items() if kind is np.ndarray]
    values = {name: np.array(points[column_name(record, name)]) for name in arrays}
    middle = geometry.angle_deg((geometry.columns - 1) / 2.0)
    for name in _AROUND & values.keys():
        values[name] = values[name] + 360.0 * np.round((middle - values[name]) / 360.0)
    return values


def _more(records: Iterable[Any], record: type, *, arrays: bool = False) -> list[dict[str, Any]]:
    """Of each record the fields that fit no column: texts and, where there is no table of points, arrays."""
    kinds = fields_of(record)
    names = [
        n
        for n, kind in kinds.items()
        if (arrays and kind is np.ndarray) or (typing.get_origin(kind) is tuple and n != "fits")
    ]
    return [{name: plain(getattr(one, name)) for name in names} for one in records]


def _times(strip: Strip, time_s: Iterable[float]) -> np.ndarray:
    """Seconds since the first strip as UTC; empty where unknown."""
    return np.array([iso(strip.moment(t)) if math.isfinite(t) else "" for t in map(float, time_s)], str)
