"""Constants of the Sun and the Earth, each with its source, and the small laws that need nothing else."""

from typing import TypeVar

import numpy as np

SOLAR_RADIUS_KM = 695_700.0  # nominal; IAU 2015 Resolution B3
SOLAR_GM_KM3_S2 = 1.3271244e11  # nominal (GM)_sun; IAU 2015 Resolution B3
AU_KM = 149_597_870.700  # IAU 2012 Resolution B2
EARTH_RADIUS_KM = 6378.1  # nominal equatorial; IAU 2015 Resolution B3
ARCSEC_PER_RAD = 180.0 * 3600.0 / np.pi


def gravity_m_s2(height_mm: np.ndarray | float) -> np.ndarray | float:
    """Gravitational acceleration at a height above the photosphere [Mm], GM / r^2."""
    return SOLAR_GM_KM3_S2 / (SOLAR_RADIUS_KM + 1000.0 * np.asarray(height_mm, float)) ** 2 * 1000.0


def escape_speed_km_s(height_mm: np.ndarray | float) -> np.ndarray | float:
    """Escape speed at a height above the photosphere [Mm], sqrt(2 GM / r)."""
    return np.sqrt(2.0 * SOLAR_GM_KM3_S2 / (SOLAR_RADIUS_KM + 1000.0 * np.asarray(height_mm, float)))


Angles = TypeVar("Angles", float, np.ndarray)  # one angle or many: what goes in comes out


def wrapped_deg(angle_deg: Angles) -> Angles:
    """The same angle, -180 <= angle < 180; of a difference of two angles, the short way round."""
    return (angle_deg + 180.0) % 360.0 - 180.0
