"""What gravity alone would do: escape speed, free fall and ballistic height, at distances from the Sun's centre in Mm.

Inverse-square gravity of the nominal Sun (IAU 2015 Resolution B3); no magnetic force, no drag.
"""

from __future__ import annotations

import numpy as np

from promtrack.sun import SOLAR_GM_KM3_S2

__all__ = ["ballistic_top_mm", "escape_km_s", "fall_km_s", "gravity_m_s2"]

KM_PER_MM = 1e3


def gravity_m_s2(distance_mm: np.ndarray | float) -> np.ndarray | float:
    """Acceleration by gravity."""
    return SOLAR_GM_KM3_S2 / (distance_mm * KM_PER_MM) ** 2 * 1e3


def escape_km_s(distance_mm: np.ndarray | float) -> np.ndarray | float:
    """Escape speed."""
    return (2 * SOLAR_GM_KM3_S2 / (distance_mm * KM_PER_MM)) ** 0.5


def fall_km_s(from_mm: np.ndarray | float, to_mm: np.ndarray | float) -> np.ndarray | float:
    """Speed after a free fall from rest; both distances from the Sun's centre, `from_mm` the larger."""
    return np.sqrt(escape_km_s(to_mm) ** 2 - escape_km_s(from_mm) ** 2)


def ballistic_top_mm(distance_mm: np.ndarray | float, speed_km_s: np.ndarray | float) -> np.ndarray | float:
    """Largest distance reached with an outward launch at that distance and speed; inf at the escape speed and above."""
    escape2 = np.asarray(escape_km_s(distance_mm)) ** 2
    left = escape2 - np.asarray(speed_km_s, float) ** 2
    with np.errstate(divide="ignore"):
        return np.where(left > 0, distance_mm * escape2 / np.where(left > 0, left, 1.0), np.inf)[()]
