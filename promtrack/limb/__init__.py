"""The limb: frames in, the Sun's place in every frame and how far that can be trusted out.

Read in this order. What a frame passes: records (with the geometry of a frame), lock, layout (all frames, and
their templates), frame_limb (where to start from, one frame), edge (rays across the limb, circles), find (a
limb without a guess), measure (its limb zone against the template), rejection. Then all frames at once:
equations (the linear system), observations (its tables and rows), solve. What is known beforehand:
expected_geometry, rotation. Checks that are not the fit: compare, edge_checks. Beside these: flipped (frames
turned by 180 degrees), two_exposures (bright and faint in turn), inspect (a quick look).
"""

# ruff: noqa: F401 - what the room hands out
from typing import TYPE_CHECKING

from promtrack import loaded_late
from promtrack.limb.edge import LimbArcTooShort, LimbNotFound
from promtrack.limb.flipped import turned_back
from promtrack.limb.inspect import Inspection, inspect_sequence
from promtrack.limb.records import LimbLock

if TYPE_CHECKING:
    from promtrack.limb.lock import lock_limb
    from promtrack.limb.two_exposures import joined, lock_exposures

_HOMES = {"lock": ("lock_limb",), "two_exposures": ("joined", "lock_exposures")}
_, __getattr__ = loaded_late("promtrack.limb", _HOMES)
