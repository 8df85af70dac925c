"""Tables: records to ECSV and back; the lock as frames.ecsv.

Columns are made from the fields of the records, under the same names but for `_COLUMNS`, so that a field
added to a record has its column at once. What has no value for each row stands in the table's header
(`meta`). Units stand in the column names and in ECSV's unit fields.

ECSV: Astropy Proposal for Enhancement 6. Its header is YAML, and what is written here is JSON too, so that it
is read back in a tenth of the time: a run writes and reads eight tables.
"""

from __future__ import annotations

import csv
import dataclasses
import json
import re
import typing
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from promtrack.files import atomic_write
from promtrack.limb.records import LimbLock
from promtrack.motion.prominences import Prominence
from promtrack.motion.records import Front, KnotFit, KnotTrack
from promtrack.products.folder import ProductFolder, unreadable
from promtrack.sequence.records import Sequence

# Field of a record -> its column, where the two differ.
_COLUMNS: dict[type, dict[str, str]] = {
    LimbLock: {"names": "file", "frame_radius_px": "radius_px", "frame_radius_err_px": "radius_err_px"},
    KnotTrack: {"angle_deg": "pa_deg", "curve_mm": "model_height_mm", "curve_angle_deg": "model_pa_deg"},
    KnotFit: {"time_s": "mid_s"},
    Front: {"angle_deg": "pa_deg"},
    Prominence: {"angle_deg": "pa_deg"},
}
_UNITS = {"_km_s": "km / s", "_m_s2": "m / s2", "_mm": "Mm", "_px": "pix", "_deg": "deg", "_s": "s"}
_LIMB_POINTS = "limb_points_px", "rejected_points_px"  # of the reference frame alone
DAMAGED = (KeyError, TypeError, ValueError, IndexError, AttributeError)


def write_records(path: Path, records: Iterable[Any], record: type, meta: dict[str, Any]) -> Path:
    """A table with a row for each record and a column for each of its plain fields.

    Parameters
    ----------
    record : the records' class, so that a table without rows has its columns too
    meta : what stands in the table's header
    """
    return write_table(path, rows_of(records, record), meta)


@cache
def fields_of(record: type) -> dict[str, Any]:
    """The fields of a record with their types."""
    hints = typing.get_type_hints(record)
    return {field.name: hints[field.name] for field in dataclasses.fields(record)}


def scalars(record: type) -> dict[str, type]:
    """The fields of a record that are one number or text, with their types."""
    return {name: kind for name, kind in fields_of(record).items() if kind in (float, int, bool, str)}


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
        return typing.cast(Any, kind)(**typed_fields(value, typing.cast(type, kind)))
    if typing.get_origin(kind) is tuple:
        return tuple(typed(one, typing.get_args(kind)[0]) for one in value)
    return np.array(value, float) if kind is np.ndarray else value


def typed_fields(values: dict[str, Any], record: type) -> dict[str, Any]:
    """Values of a record's fields, back from `plain`."""
    kinds = fields_of(record)
    return {name: typed(value, kinds[name]) for name, value in values.items()}


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Table:
    """What an ECSV file holds."""

    rows: np.ndarray  # (rows,) with a field for each column
    meta: dict[str, Any]


def write_table(path: Path, columns: dict[str, Any], meta: dict[str, Any]) -> Path:
    """An ECSV file with these columns, their units taken from the endings of their names."""
    values = {name: np.asarray(column) for name, column in columns.items()}
    head = ["%ECSV 1.0", "---", "datatype:"]
    for name, column in values.items():
        unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), "")
        kind = "string" if column.dtype.kind == "U" else column.dtype.name
        head.append(f"- {_json({'name': name} | ({'unit': unit} if unit else {}) | {'datatype': kind})}")
    whole = ",\n#  ".join(f"{_json(name)}: {_json(value)}" for name, value in meta.items())
    head += [f"meta: {{{whole}}}", "schema: astropy-2.0"]
    with atomic_write(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        file.writelines(f"# {line}\n" for line in head)
        file.write(" ".join(values) + "\n")
        writer = csv.writer(file, delimiter=" ", lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)
        writer.writerows(zip(*(column.tolist() for column in values.values()), strict=True))
    return path


def read_table(path: Path, command: str) -> Table:
    """The table in an ECSV file; raises InputError with the command that makes it anew if it is damaged."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            lines = file.readlines()
        head = [line[2:] for line in lines if line.startswith("# ")]
        kinds = [json.loads(line[2:]) for line in head if line.startswith("- ")]
        begun = next(n for n, line in enumerate(head) if line.startswith("meta: "))
        meta = json.loads(_SIGNS.sub(_plain_json, "".join(head[begun:-1]).removeprefix("meta: ")))
        names, *rows = csv.reader(lines[len(head) :], delimiter=" ")
        if names != [one["name"] for one in kinds]:
            raise ValueError("its columns are not those of its header")
        columns = [_READ[one["datatype"]]([row[n] for row in rows]) for n, one in enumerate(kinds)]
        table = np.empty(len(rows), [(name, one.dtype) for name, one in zip(names, columns, strict=True)])
        for name, column in zip(names, columns, strict=True):
            table[name] = column
    except (OSError, StopIteration, csv.Error, *DAMAGED) as error:
        raise unreadable(path, error, command) from None
    return Table(table, meta)


# Texts, in which nothing is changed, and numbers that YAML writes in another way than Python's JSON.
_SIGNS = re.compile(r'"(?:[^"\\]|\\.)*"|\.nan|\.inf')
_READ = {
    "int64": lambda texts: np.array(texts, np.int64),
    "float64": lambda texts: np.array(texts, float),
    "bool": lambda texts: np.array([{"True": True, "False": False}[text] for text in texts], bool),
    "string": lambda texts: np.array(texts, str),
}


def _plain_json(found: re.Match[str]) -> str:
    return {".nan": "NaN", ".inf": "Infinity"}.get(found[0], found[0])


def _json(value: Any) -> str:
    """A value as JSON that is YAML 1.1 too."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_json(key)}: {_json(one)}" for key, one in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_json, value)) + "]"
    if isinstance(value, float):  # YAML takes 1e-05 for a text
        text = repr(value).replace("nan", ".nan").replace("inf", ".inf")
        return text if "." in text else text.replace("e", ".0e")
    # YAML does not join the two halves in which JSON escapes a sign beyond the first 65536.
    halves = isinstance(value, str) and max(value, default="") > "\uffff"
    return json.dumps(value, ensure_ascii=not halves)


def iso(times: np.ndarray) -> list[str]:
    """(n,) times in UTC as ISO 8601, to the millisecond."""
    return [f"{text}Z" for text in np.datetime_as_string(times, unit="ms")]


def write_lock(folder: ProductFolder, sequence: Sequence, lock: LimbLock) -> Path:
    """frames.ecsv: a row per input frame; what holds for the whole sequence stands in its header."""
    columns: dict[str, Any] = {
        "index": np.arange(len(lock.names)),
        "file": list(lock.names),
        "time": iso(sequence.times_utc),
    }
    columns |= {column_name(LimbLock, name): list(getattr(lock, name)) for name in _frame_fields()}
    rest = {name: getattr(lock, name) for name in fields_of(LimbLock) if name not in _frame_fields()}
    for name in _LIMB_POINTS:  # as one text: short
        rest[name] = " ".join(map(str, np.round(rest[name], 3).ravel().tolist()))
    return write_table(folder["frames"], columns, {name: plain(value) for name, value in rest.items()})


def read_lock(folder: ProductFolder) -> LimbLock:
    """The lock that frames.ecsv holds. Raises InputError: the file is missing or damaged."""
    table = read_table(folder["frames"], "promtrack lock")
    try:
        values: dict[str, Any] = {}
        for name, kind in fields_of(LimbLock).items():
            if name in _frame_fields():
                column = table.rows[column_name(LimbLock, name)].copy()
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
    arrays = {name for name, kind in fields_of(LimbLock).items() if kind is np.ndarray} - {*_LIMB_POINTS}
    return [name for name in fields_of(LimbLock) if name in arrays or name in ("names", "reason")]
