"""Knots, fronts, slits and oscillations on strips, each with its fit and its error."""

from promtrack.motion.measure import measure_motion, named_sectors
from promtrack.motion.records import Motion

__all__ = ["Motion", "measure_motion", "named_sectors"]
