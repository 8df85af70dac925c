"""The lock as a table: frames.ecsv, a row a frame."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.products.folder import ProductFolder, unreadable
from promtrack.products.tables import (
    DAMAGED,
    column_name,
    fields_of,
    iso,
    plain,
    read_table,
    typed,
    write_table,
)
from promtrack.sequence.records import Sequence

_LIMB_POINTS = "limb_points_px", "rejected_points_px"  # of the reference frame alone


def write_lock(folder: ProductFolder, sequence: Sequence, lock: LimbLock) -> Path:
    """frames.ecsv: a row per input frame; what holds for the whole sequence stands in its header."""
    columns: dict[str, Any] = {
        "index": np.arange(len(lock.names)),
        "file": list(lock.names),
        "time": iso(sequence.times_utc),
    }
    columns |= {column_name(LimbLock, name): list(getattr(lock, name)) for name in _frame_fields()}
    rest = {name: getattr(lock, name) for name in fields_of(LimbLock) if name not in _frame_fields()}
    for name in _LIMB_POINTS:  # as one text: YAML takes 0.1 ms for each number
        rest[name] = " ".join(map(str, np.round(rest[name], 3).ravel().tolist()))
    return write_table(folder["frames"], columns, {name: plain(value) for name, value in rest.items()})


def read_lock(folder: ProductFolder) -> LimbLock:
    """The lock that frames.ecsv holds.

    Raises
    ------
    InputError : the file is missing or damaged
    """
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
    return [
        n
        for n, kind in fields_of(LimbLock).items()
        if n in ("names", "reason") or (kind is np.ndarray and n not in _LIMB_POINTS)
    ]
