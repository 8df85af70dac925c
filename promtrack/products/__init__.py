"""The only room that knows file names and columns: records in, files out, and back again."""

from promtrack.products.folder import ProductFolder, default_folder
from promtrack.products.motion_tables import read_motion, write_motion
from promtrack.products.strips import finish_strip, read_strip, strip_header
from promtrack.products.summary import read_summary, write_summary
from promtrack.products.tables import read_lock, write_lock

__all__ = [
    "ProductFolder",
    "default_folder",
    "finish_strip",
    "read_lock",
    "read_motion",
    "read_strip",
    "read_summary",
    "strip_header",
    "write_lock",
    "write_motion",
    "write_summary",
]
