"""Knots, fronts, slits and oscillations on strips, each with its fit and its error."""

from promtrack.motion.measure import measure_motion, named_sectors
from promtrack.motion.records import (
    Control,
    Front,
    FrontFit,
    FrontSearch,
    KnotFit,
    KnotTrack,
    Meaning,
    Motion,
    Oscillation,
    Ridge,
)

__all__ = [
    "Control",
    "Front",
    "FrontFit",
    "FrontSearch",
    "KnotFit",
    "KnotTrack",
    "Meaning",
    "Motion",
    "Oscillation",
    "Ridge",
    "measure_motion",
    "named_sectors",
]
