"""The limb: frames in, the Sun's place in every frame and how far that can be trusted out.

Read in this order: records (and the geometry of a frame), circle, edge (rays across the limb), find (the limb
of one frame without a guess), flipped (frames turned by 180 degrees), initial_radius, frame_limb (one frame),
template and measure (its limb zone, and frames left out), layout (all frames), expected_geometry (what is
known beforehand), observations, equations and solve (all centres at once), compare and edge_checks (checks
that are not the fit), lock, two_exposures (where a bright and a faint exposure alternate).
"""

# ruff: noqa: F401 - what the room hands out
import importlib
from typing import TYPE_CHECKING, Any

from promtrack.limb.circle import LimbArcTooShort
from promtrack.limb.find import LimbNotFound, find_limb
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
