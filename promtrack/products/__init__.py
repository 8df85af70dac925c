"""The only room that knows file names and columns: records in, files out, and back again."""

# ruff: noqa: F401 - for type checkers; `__getattr__` hands them out
from typing import TYPE_CHECKING

from promtrack import loaded_late

if TYPE_CHECKING:
    from promtrack.products.folder import ProductFolder, default_folder
    from promtrack.products.motion_tables import read_motion, write_motion
    from promtrack.products.strips import finish_strip, read_strip, strip_header
    from promtrack.products.summary import read_summary, write_summary
    from promtrack.products.tables import read_lock, write_lock

_HOMES = {
    "folder": ("ProductFolder", "default_folder"),
    "motion_tables": ("read_motion", "write_motion"),
    "strips": ("finish_strip", "read_strip", "strip_header"),
    "summary": ("read_summary", "write_summary"),
    "tables": ("read_lock", "write_lock"),
}
__all__, __getattr__ = loaded_late("promtrack.products", _HOMES)
