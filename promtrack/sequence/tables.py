"""A user's table of times: a CSV or ECSV file in, stamps by file name out."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from promtrack.errors import SettingsError
from promtrack.sequence.stamps import Stamp, parse_stamp

__all__ = ["table_stamps"]


def table_stamps(name: str, folder: Path) -> tuple[dict[str, Stamp], Path]:
    """Stamps by the text of the column `file` (a name, or name#number for a frame within a file), and the
    table's path.

    ECSV is CSV below a commented header; its delimiter is a space or a comma.

    Raises
    ------
    SettingsError : the table is missing, unreadable, lacks a column, or holds a time that is none
    """
    path = _where(name, folder)
    try:
        if path.stat().st_size > 200_000_000:  # bytes
            raise SettingsError(
                "is too large for a table of times", where=str(path), remedy="check times.table"
            )
        content = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SettingsError(
            f"cannot be read ({error.strerror})", where=str(path), remedy="check times.table"
        ) from None
    except UnicodeDecodeError:
        raise SettingsError(
            "is no UTF-8 text", where=str(path), remedy="save the table as CSV in UTF-8"
        ) from None
    lines = [line for line in content.splitlines() if line.strip() and not line.startswith("#")]
    if not lines:
        raise SettingsError(
            "is empty", where=str(path), remedy="write a line 'file,time' and one line a frame"
        )
    delimiter = next((mark for mark in ",;\t" if mark in lines[0]), " ")
    return _rows(lines, delimiter, path), path


def _where(name: str, folder: Path) -> Path:
    """As given, or beside or inside the input."""
    given = Path(name)
    candidates = [given] if given.is_absolute() else [given, folder / given, folder.parent / given]
    return next((path for path in candidates if path.is_file()), given)


def _rows(lines: list[str], delimiter: str, path: Path) -> dict[str, Stamp]:
    stamps = {}
    try:
        reader = csv.DictReader(io.StringIO("\n".join(lines)), delimiter=delimiter, skipinitialspace=True)
        names = {(field or "").strip().lower(): field for field in reader.fieldnames or ()}
        if not {"file", "time"} <= set(names):
            raise SettingsError(
                f"has the columns {', '.join(names)}"[:200],
                where=str(path),
                remedy="name two columns file and time",
            )
        for number, row in enumerate(reader, start=2):
            stamp = parse_stamp(row[names["time"]] or "")
            if stamp is None:
                raise SettingsError(
                    f"row {number}: '{(row[names['time']] or '')[:40]}' is no time",
                    where=str(path),
                    remedy="write times as 2026-05-17T09:31:20Z",
                )
            stamps[(row[names["file"]] or "").strip()] = stamp
    except csv.Error as error:
        raise SettingsError(
            f"is no table: {error}", where=str(path), remedy="save it as CSV in UTF-8"
        ) from None
    return stamps
