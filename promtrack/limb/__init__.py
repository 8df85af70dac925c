"""The limb room: where the Sun stands in every frame of a sequence, and how far that can be trusted."""

from promtrack.limb.circle import LimbArcTooShort, fit_limb
from promtrack.limb.find import LimbNotFound, find_limb
from promtrack.limb.inspect import Inspection, inspect_sequence
from promtrack.limb.lock import lock_limb
from promtrack.limb.records import CircleFit, LimbLock

__all__ = [
    "CircleFit",
    "Inspection",
    "LimbArcTooShort",
    "LimbLock",
    "LimbNotFound",
    "find_limb",
    "fit_limb",
    "inspect_sequence",
    "lock_limb",
]
