"""Knots, fronts, slits and oscillations on strips, each with its fit and its error.

In comes a `Strip`, out goes `Motion`. Read records, limits and measure, which calls the rest. Knots:
background (what stands still), knots (points), tracks with link and false_alarms, then knot_fit with
kinematics and correlated_noise. Fronts: front, front_search, leading_edge, front_models, front_fit. Along
slits: ridge, oscillation. What stands: prominences with prominence_regions. Then associate (which
of these are one), motion_checks (checks that are not the fit), interpretation (what a number means), by_hand
(points clicked).
"""

# ruff: noqa: F401 - for type checkers; `__getattr__` hands them out
from typing import TYPE_CHECKING

from promtrack import loaded_late

if TYPE_CHECKING:
    from promtrack.motion.measure import measure_motion, named_sectors
    from promtrack.motion.records import Motion

_HOMES = {"measure": ("measure_motion", "named_sectors"), "records": ("Motion",)}
__all__, __getattr__ = loaded_late("promtrack.motion", _HOMES)
