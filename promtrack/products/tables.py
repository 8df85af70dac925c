"""Tables: LimbLock and Motion to ECSV and back, one row a frame, track, point, front, model or ridge.

Units stand in the column names and in the ECSV unit fields, so that astropy opens them with units.
"""

from __future__ import annotations

import dataclasses
import math
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.table.meta import YamlParseError
from astropy.units import UnitsWarning

from promtrack.errors import InputError
from promtrack.limb.records import LimbLock
from promtrack.motion.records import (
    Control,
    Front,
    FrontFit,
    KnotFit,
    KnotTrack,
    Meaning,
    Motion,
    Oscillation,
    Ridge,
)
from promtrack.products.folder import ProductFolder
from promtrack.sequence.records import Sequence
from promtrack.strip import time_distance
from promtrack.strip.records import Strip
from promtrack.whole import whole_file

__all__ = ["read_lock", "read_motion", "write_lock", "write_motion"]

# column of frames.ecsv -> field of LimbLock
_LOCK_COLUMNS = {
    "used": "used",
    "reason": "reason",
    "centre_x_px": "centre_x_px",
    "centre_y_px": "centre_y_px",
    "radius_px": "frame_radius_px",
    "radius_err_px": "frame_radius_err_px",
    "angle_deg": "angle_deg",
    "limb_arc_deg": "limb_arc_deg",
    "limb_rms_px": "limb_rms_px",
    "centre_err_px": "centre_err_px",
    "along_err_px": "along_err_px",
    "creep_err_px": "creep_err_px",
    "creep_along_err_px": "creep_along_err_px",
    "angle_err_deg": "angle_err_deg",
    "sharpness": "sharpness",
    "transparency": "transparency",
    "sky": "sky",
    "saturated_fraction": "saturated_fraction",
    "flattening": "flattening",
    "zenith_deg": "zenith_deg",
}
_LOCK_META = (
    "radius_px",
    "radius_err_px",
    "own_radius_px",
    "own_radius_err_px",
    "from_deg",
    "to_deg",
    "reference",
    "edge_bias_px",
)
_UNITS = (
    ("_km_s", "km / s"),
    ("_m_s2", "m / s2"),
    ("_mm", "Mm"),
    ("_px", "pix"),
    ("_deg", "deg"),
    ("_s", "s"),
)
_KNOT_COLUMNS = {
    "speed_km_s": "speed_km_s",
    "speed_err_km_s": "speed_err_km_s",
    "radial_km_s": "radial_km_s",
    "radial_err_km_s": "radial_err_km_s",
    "along_km_s": "along_km_s",
    "along_err_km_s": "along_err_km_s",
    "accel_m_s2": "accel_m_s2",
    "accel_err_m_s2": "accel_err_m_s2",
    "model": "model",
    "mid_s": "time_s",
    "direction_deg": "direction_deg",
    "systematic_km_s": "systematic_km_s",
    "chi2_per_dof": "chi2_per_dof",
    "errors_scaled": "errors_scaled",
    "bic_speed": "bic_speed",
    "bic_accel": "bic_accel",
}
# column of knot_points.ecsv -> field of KnotTrack
_POINT_COLUMNS = {
    "height_mm": "height_mm",
    "height_err_mm": "height_err_mm",
    "pa_deg": "angle_deg",
    "along_mm": "along_mm",
    "along_err_mm": "along_err_mm",
    "model_height_mm": "curve_mm",
    "model_pa_deg": "curve_angle_deg",
    "snr": "snr",
}
_RIDGE_COLUMNS = tuple(f.name for f in dataclasses.fields(Ridge))
_OSCILLATION_SCALARS = (
    "slit",
    "period_s",
    "period_err_s",
    "amplitude_mm",
    "amplitude_err_mm",
    "damping_s",
    "damping_err_s",
    "false_alarm",
)
_OSCILLATION_ARRAYS = (
    "time_s",
    "displacement_mm",
    "displacement_err_mm",
    "curve_mm",
    "power",
    "power_period_s",
)


def write_lock(folder: ProductFolder, sequence: Sequence, lock: LimbLock) -> Path:
    """frames.ecsv: a row per input frame; what holds for the whole sequence stands in its header."""
    columns: dict[str, Any] = {
        "index": np.arange(len(lock.names)),
        "file": list(lock.names),
        "time": _iso(sequence.times_utc),
    }
    for column, name in _LOCK_COLUMNS.items():
        columns[column] = list(getattr(lock, name)) if name == "reason" else getattr(lock, name)
    meta: dict[str, Any] = {name: float(getattr(lock, name)) for name in _LOCK_META}
    meta |= {
        "reference": int(lock.reference),
        "shape": [int(n) for n in lock.shape],
        "notes": list(lock.notes),
        "limb_points_px": _pairs(lock.limb_points_px),
        "rejected_points_px": _pairs(lock.rejected_points_px),
    }
    return _write(folder["frames"], columns, meta)


def read_lock(folder: ProductFolder) -> LimbLock:
    """The lock that frames.ecsv holds.

    Raises
    ------
    InputError : the file is missing or damaged
    """
    table = _read(folder["frames"], "promtrack lock")
    try:
        fields: dict[str, Any] = {
            name: np.array(table[column]) for column, name in _LOCK_COLUMNS.items() if name != "reason"
        }
        fields["reason"] = tuple(str(text) for text in _filled(table["reason"]))
        fields |= {name: table.meta[name] for name in _LOCK_META}
        return LimbLock(
            **fields,
            names=tuple(str(name) for name in _filled(table["file"])),
            shape=tuple(table.meta["shape"]),
            notes=tuple(table.meta["notes"]),
            limb_points_px=np.array(table.meta["limb_points_px"]).reshape(-1, 2),
            rejected_points_px=np.array(table.meta["rejected_points_px"]).reshape(-1, 2),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            f"does not hold what is needed ({error})",
            where=str(folder["frames"]),
            remedy="make it again with `promtrack lock`",
        ) from None


def write_motion(
    folder: ProductFolder, strip: Strip, motion: Motion, place: Callable[..., Any]
) -> list[Path]:
    """knots, knot_points, front_points, front_fits, ridges and oscillations, each an ECSV table.

    Parameters
    ----------
    place : place(frame, angle_deg, height_mm) gives x and y in that frame, in pixels
    """
    control = dataclasses.asdict(motion.control) | {"notes": list(motion.control.notes)}
    meta = {
        "note": "speeds are in the plane of the sky: lower bounds of the true speeds",
        "angle": "position angle" if strip.geometry.position_angles else "image angle",
        "heights": f"above the H-alpha limb, {strip.geometry.limb_mm:.2f} Mm from the Sun's centre",
        "scale_err": float(motion.scale_err),
        "clock_err": float(motion.clock_err),
        "control": control,
        "slits": [slit.name for slit in motion.slits],
        "meanings": [dataclasses.asdict(meaning) for meaning in motion.meanings],
    }
    return [
        _write(folder["knots"], _knot_columns(strip, motion.knots), meta),
        _write(folder["knot_points"], _knot_point_columns(strip, motion.knots, place), {}),
        _write(folder["front_points"], _front_point_columns(strip, motion.fronts), {}),
        _write(
            folder["front_fits"],
            _front_fit_columns(strip, motion.fronts),
            {"notes": [{"front": f.front, "notes": list(f.notes)} for f in motion.fronts]},
        ),
        _write(
            folder["ridges"],
            {name: _column([getattr(r, name) for r in motion.ridges], name) for name in _RIDGE_COLUMNS},
            {},
        ),
        _write(
            folder["oscillations"],
            _oscillation_columns(motion.oscillations),
            {
                "arrays": [
                    {name: [float(v) for v in getattr(o, name)] for name in _OSCILLATION_ARRAYS}
                    for o in motion.oscillations
                ]
            },
        ),
    ]


def read_motion(folder: ProductFolder, strip: Strip) -> Motion:
    """The motion that the tables hold; time-distance diagrams are cut again from the strip.

    Raises
    ------
    InputError : a table is missing or damaged
    """
    knots, points, front_points, front_fits, ridges, oscillations = (
        _read(folder[name], "promtrack motion")
        for name in ("knots", "knot_points", "front_points", "front_fits", "ridges", "oscillations")
    )
    meta = knots.meta
    try:
        control = Control(**(meta["control"] | {"notes": tuple(meta["control"]["notes"])}))
        return Motion(
            knots=tuple(_knot(row, points[points["knot"] == row["knot"]], strip) for row in knots),
            fronts=tuple(
                _front(number, front_points, front_fits, strip) for number in _numbers(front_points["front"])
            ),
            slits=tuple(time_distance(strip, name) for name in meta["slits"]),
            ridges=tuple(Ridge(**{name: _plain(row[name]) for name in _RIDGE_COLUMNS}) for row in ridges),
            oscillations=tuple(
                Oscillation(
                    **(
                        {name: _plain(row[name]) for name in _OSCILLATION_SCALARS}
                        | {name: np.array(arrays[name]) for name in _OSCILLATION_ARRAYS}
                    )
                )
                for row, arrays in zip(oscillations, oscillations.meta["arrays"], strict=True)
            ),
            control=control,
            meanings=tuple(Meaning(**m) for m in meta["meanings"]),
            scale_err=meta["scale_err"],
            clock_err=meta["clock_err"],
        )
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
        raise InputError(
            f"do not hold what is needed ({error})",
            where=str(folder.path),
            remedy="make them again with `promtrack motion`",
        ) from None


def _knot_columns(strip: Strip, knots: tuple[KnotTrack, ...]) -> dict[str, Any]:
    columns = {
        "knot": _column([k.knot for k in knots], "knot"),
        "first_time": _column([_at(strip, k.time_s[0]) for k in knots], "time"),
        "last_time": _column([_at(strip, k.time_s[-1]) for k in knots], "time"),
        "points": _column([len(k.frame) for k in knots], "knot"),
        "height_mm": _column([float(np.mean(k.height_mm)) for k in knots], "height_mm"),
        "pa_deg": _column([float(np.mean(k.angle_deg)) % 360.0 for k in knots], "pa_deg"),
    }
    columns |= {
        column: _column([getattr(k.fit, name) for k in knots], column)
        for column, name in _KNOT_COLUMNS.items()
    }
    columns |= {
        name: _column([getattr(k, name) for k in knots], name)
        for name in ("significance", "false_alarm", "moving")
    }
    return columns


def _knot_point_columns(
    strip: Strip, knots: tuple[KnotTrack, ...], place: Callable[..., Any]
) -> dict[str, Any]:
    where = [
        place(int(f), a, h) for k in knots for f, a, h in zip(k.frame, k.angle_deg, k.height_mm, strict=True)
    ]
    columns = {
        "knot": _joined([np.full(len(k.frame), k.knot) for k in knots], int),
        "frame": _joined([k.frame for k in knots], int),
        "time": _column([_at(strip, t) for k in knots for t in k.time_s], "time"),
        "time_s": _joined([k.time_s for k in knots], float),
    }
    columns |= {
        column: _joined([getattr(k, name) for k in knots], float) for column, name in _POINT_COLUMNS.items()
    }
    columns["x_px"] = _column([float(x) for x, _ in where], "x_px")
    columns["y_px"] = _column([float(y) for _, y in where], "y_px")
    return columns


def _front_point_columns(strip: Strip, fronts: tuple[Front, ...]) -> dict[str, Any]:
    columns: dict[str, Any] = {
        "front": _joined([np.full(len(f.frame), f.front) for f in fronts], int),
        "frame": _joined([f.frame for f in fronts], int),
        "time": _column([_at(strip, t) for f in fronts for t in f.time_s], "time"),
        "time_s": _joined([f.time_s for f in fronts], float),
        "height_mm": _joined([f.height_mm for f in fronts], float),
        "height_err_mm": _joined([f.height_err_mm for f in fronts], float),
        "pa_deg": _joined([f.angle_deg for f in fronts], float),
    }
    for model in _models(fronts):
        curves = [
            next((fit.curve_mm for fit in f.fits if fit.model == model), np.full(len(f.frame), np.nan))
            for f in fronts
        ]
        columns[_curve_column(model)] = _joined(curves, float)
    return columns


def _front_fit_columns(strip: Strip, fronts: tuple[Front, ...]) -> dict[str, Any]:
    rows = [(f, fit) for f in fronts for fit in f.fits]
    columns: dict[str, Any] = {
        "front": _column([f.front for f, _ in rows], "front"),
        "model": _column([fit.model for _, fit in rows], "model"),
        "parameters": _column(
            [
                ", ".join(
                    f"{n}={v!r}+-{e!r}"
                    for n, v, e in zip(
                        fit.parameters, map(float, fit.values), map(float, fit.errors), strict=True
                    )
                )
                for _, fit in rows
            ],
            "model",
        ),
    }
    for place, when in enumerate(("start", "mean", "end")):
        columns[f"speed_{when}_km_s"] = _column([float(fit.speed_km_s[place]) for _, fit in rows], "x_km_s")
        columns[f"speed_{when}_err_km_s"] = _column(
            [float(fit.speed_err_km_s[place]) for _, fit in rows], "x_km_s"
        )
    for name in (
        "peak_speed_km_s",
        "peak_speed_err_km_s",
        "accel_m_s2",
        "accel_err_m_s2",
        "onset_s",
        "onset_err_s",
        "bic",
        "chi2_per_dof",
        "chosen",
    ):
        columns[name] = _column([getattr(fit, name) for _, fit in rows], name)
    columns["onset_time"] = _column(
        [_at(strip, fit.onset_s) if math.isfinite(fit.onset_s) else "" for _, fit in rows], "time"
    )
    for name in ("from_deg", "to_deg", "verdict", "false_alarm", "moving"):
        columns[name] = _column([getattr(f, name) for f, _ in rows], name)
    return columns


def _oscillation_columns(oscillations: tuple[Oscillation, ...]) -> dict[str, Any]:
    return {name: _column([getattr(o, name) for o in oscillations], name) for name in _OSCILLATION_SCALARS}


def _knot(row: Any, points: Table, strip: Strip) -> KnotTrack:
    fit = KnotFit(**{name: _plain(row[column]) for column, name in _KNOT_COLUMNS.items()})
    arrays = {name: np.array(points[column]) for column, name in _POINT_COLUMNS.items()}
    return KnotTrack(
        knot=int(row["knot"]),
        frame=np.array(points["frame"]),
        time_s=np.array(points["time_s"]),
        **arrays,
        fit=fit,
        significance=float(row["significance"]),
        false_alarm=float(row["false_alarm"]),
        moving=bool(row["moving"]),
    )


def _front(number: int, points: Table, fits: Table, strip: Strip) -> Front:
    points, fits = points[points["front"] == number], fits[fits["front"] == number]
    first = fits[0]
    return Front(
        front=number,
        from_deg=float(first["from_deg"]),
        to_deg=float(first["to_deg"]),
        frame=np.array(points["frame"]),
        time_s=np.array(points["time_s"]),
        height_mm=np.array(points["height_mm"]),
        height_err_mm=np.array(points["height_err_mm"]),
        angle_deg=np.array(points["pa_deg"]),
        fits=tuple(_front_fit(row, points) for row in fits),
        verdict=str(first["verdict"]),
        false_alarm=float(first["false_alarm"]),
        moving=bool(first["moving"]),
        notes=next(tuple(one["notes"]) for one in fits.meta["notes"] if one["front"] == number),
    )


def _front_fit(row: Any, points: Table) -> FrontFit:
    parts = [part.partition("=") for part in str(row["parameters"]).split(", ")]
    numbers = [[float(v) for v in part[2].split("+-")] for part in parts]
    names = (
        "peak_speed_km_s",
        "peak_speed_err_km_s",
        "accel_m_s2",
        "accel_err_m_s2",
        "onset_s",
        "onset_err_s",
        "bic",
        "chi2_per_dof",
        "chosen",
    )
    return FrontFit(
        model=str(row["model"]),
        parameters=tuple(part[0] for part in parts),
        values=np.array([n[0] for n in numbers]),
        errors=np.array([n[1] for n in numbers]),
        curve_mm=np.array(points[_curve_column(str(row["model"]))]),
        speed_km_s=np.array([row[f"speed_{when}_km_s"] for when in ("start", "mean", "end")]),
        speed_err_km_s=np.array([row[f"speed_{when}_err_km_s"] for when in ("start", "mean", "end")]),
        **{name: _plain(row[name]) for name in names},
    )


def _models(fronts: tuple[Front, ...]) -> list[str]:
    return list(dict.fromkeys(fit.model for f in fronts for fit in f.fits))


def _curve_column(model: str) -> str:
    return f"model_{model.replace(' ', '_')}_mm"


def _write(path: Path, columns: dict[str, Any], meta: dict[str, Any]) -> Path:
    table = Table(columns, meta=meta)
    for name in table.colnames:
        unit = next((unit for ending, unit in _UNITS if name.endswith(ending)), None)
        if unit:
            table[name].unit = unit
    with whole_file(path) as part:
        table.write(
            part, format="ascii.ecsv", overwrite=True, serialize_method="data_mask" if table.masked else None
        )
    return path


def _read(path: Path, command: str) -> Table:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UnitsWarning)
            return Table.read(path, format="ascii.ecsv")
    except FileNotFoundError:
        raise InputError("is missing", where=str(path), remedy=f"make it with `{command}`") from None
    except (OSError, ValueError, TypeError, KeyError, AttributeError, YamlParseError) as error:
        said = next(iter(str(error).splitlines()), "") or type(error).__name__
        raise InputError(
            f"cannot be read ({said})", where=str(path), remedy=f"make it again with `{command}`"
        ) from None


def _column(values: list[Any], name: str) -> np.ndarray:
    """A column with its type even when there is no row."""
    if values:
        return np.array(values)
    text = name in ("time", "model", "verdict")
    whole = name in ("knot", "front", "slit", "points")
    truth = name in ("moving", "chosen", "agrees", "errors_scaled")
    return np.array([], dtype=str if text else int if whole else bool if truth else float)


def _joined(parts: list[np.ndarray], kind: type) -> np.ndarray:
    return np.concatenate(parts).astype(kind) if parts else np.array([], dtype=kind)


def _numbers(column: Any) -> list[int]:
    return list(dict.fromkeys(int(n) for n in column))


def _plain(value: Any) -> Any:
    """A numpy scalar as the Python value that records hold."""
    if isinstance(value, np.ma.core.MaskedConstant):
        return math.nan
    value = value.item() if hasattr(value, "item") else value
    return str(value) if isinstance(value, str) else value


def _filled(column: Any) -> Any:
    """Empty texts come back from ECSV as masked values."""
    return column.filled("") if hasattr(column, "filled") else column


def _pairs(points: np.ndarray) -> list[list[float]]:
    return [[round(float(x), 3), round(float(y), 3)] for x, y in points]


def _iso(times: np.ndarray) -> list[str]:
    return [f"{text}Z" for text in np.datetime_as_string(times, unit="ms")]


def _at(strip: Strip, time_s: float) -> str:
    return _iso(np.array([strip.times_utc[0] + np.timedelta64(round(float(time_s) * 1e6), "us")]))[0]
