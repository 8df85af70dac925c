"""Knots, fronts, slits and oscillations on strips, each with its fit and its error."""

# ruff: noqa: F401 - for type checkers; `__getattr__` hands them out
from typing import TYPE_CHECKING

from promtrack import loaded_late

if TYPE_CHECKING:
    from promtrack.motion.measure import measure_motion, named_sectors
    from promtrack.motion.records import Motion

_HOMES = {"measure": ("measure_motion", "named_sectors"), "records": ("Motion",)}
__all__, __getattr__ = loaded_late("promtrack.motion", _HOMES)
