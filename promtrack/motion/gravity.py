"""What gravity alone would do to plasma: free fall and ballistic heights, heights in Mm above the
photosphere.

Inverse-square gravity of the nominal Sun (`promtrack.sun`); no magnetic force, no drag.
"""

from __future__ import annotations

import numpy as np

from promtrack.sun import SOLAR_RADIUS_KM, escape_speed_km_s

__all__ = ["ballistic_height_mm", "free_fall_km_s"]


def free_fall_km_s(from_mm: np.ndarray | float, to_mm: np.ndarray | float = 0.0) -> np.ndarray | float:
    """Speed after a free fall from rest at `from_mm` to the lower height `to_mm`."""
    return np.sqrt(escape_speed_km_s(to_mm) ** 2 - escape_speed_km_s(from_mm) ** 2)


def ballistic_height_mm(
    speed_km_s: np.ndarray | float, from_mm: np.ndarray | float = 0.0
) -> np.ndarray | float:
    """Largest height reached by an outward launch from `from_mm`; inf at the escape speed and above."""
    distance_mm = SOLAR_RADIUS_KM / 1e3 + np.asarray(from_mm, float)
    escape2 = np.asarray(escape_speed_km_s(from_mm)) ** 2
    left = escape2 - np.asarray(speed_km_s, float) ** 2
    top = distance_mm * escape2 / np.where(left > 0, left, 1.0)
    return np.where(left > 0, top - SOLAR_RADIUS_KM / 1e3, np.inf)[()]
