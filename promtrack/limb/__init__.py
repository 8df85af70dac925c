"""The limb: frames in, the Sun's place in every frame and how far that can be trusted out.

Read in this order. What a frame passes: records (with the geometry of a frame), lock, layout (all frames),
frame_limb (one frame), find (its limb without a guess), edge (rays across the limb), circle, measure (its
limb zone against the template), shifts. Then all frames at once: equations (the linear system),
observations (its tables and rows), noise, solve. What goes before: initial_radius, expected_geometry,
template. Checks that are not the fit: compare, edge_checks, rotation_check. Beside these: flipped (frames
turned by 180 degrees), two_exposures (bright and faint in turn), inspect (a quick look).
"""

# ruff: noqa: F401 - what the room hands out
import importlib
from typing import TYPE_CHECKING, Any

from promtrack.limb.circle import LimbArcTooShort
from promtrack.limb.find import LimbNotFound
from promtrack.limb.flipped import turned_back
from promtrack.limb.inspect import Inspection, inspect_sequence
from promtrack.limb.records import LimbLock

if TYPE_CHECKING:
    from promtrack.limb.lock import lock_limb
    from promtrack.limb.two_exposures import joined, lock_exposures

# What scipy's solvers take long to load for, is loaded when first used: `promtrack check` does without.
_LATE = {"lock_limb": "lock", "joined": "two_exposures", "lock_exposures": "two_exposures"}


def __getattr__(name: str) -> Any:
    if name in _LATE:
        return getattr(importlib.import_module(f"promtrack.limb.{_LATE[name]}"), name)
    raise AttributeError(f"module 'promtrack.limb' has no attribute '{name}'")
