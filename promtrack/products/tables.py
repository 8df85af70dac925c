"""Tables: records to ECSV and back; the lock as frames.ecsv.

Columns are made from the fields of the records, under the same names but for `_COLUMNS`, so that a field
added to a record has its column at once. What has no value for each row stands in the table's header
(`meta`). Units stand in the column names and in ECSV's unit fields.
"""

from __future__ import annotations

import dataclasses
import math
import typing
import warnings
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import MaskedColumn, Table
from astropy.table.meta import YamlParseError
from astropy.units import UnitsWarning

from promtrack.files import atomic_write
from promtrack.limb.records import LimbLock
from promtrack.motion.records import Front, KnotFit, KnotTrack, Prominence
from promtrack.products.folder import ProductFolder, unreadable
from promtrack.rounding import iso
from promtrack.sequence.records import Sequence

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


def write_records(path: Path, records: Iterable[Any], record: type, meta: dict[str, Any]) -> Path:
    """A table with a row for each record, of class `record`, and a column for each of its plain fields;
    `meta` stands in its header."""
    return write_table(path, rows_of(records, record), meta)


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
    """An ECSV file with these columns, their units taken from the endings of their names."""
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
