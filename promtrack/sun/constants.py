"""The Sun as a body: constants with their sources, gravity, and how it turns.

Rate of rotation: Snodgrass & Ulrich 1990, Astrophys. J. 351, 309 (features in the photosphere, from their
motion), which holds for the chromosphere to a per cent or two.
"""

from typing import TypeVar

import erfa
import numpy as np

SOLAR_RADIUS_KM = 695_700.0  # nominal; IAU 2015 Resolution B3
SOLAR_GM_KM3_S2 = 1.3271244e11  # nominal (GM)_sun; IAU 2015 Resolution B3
AU_KM = erfa.DAU / 1e3  # IAU 2012 Resolution B2
EARTH_RADIUS_KM = 6378.1  # nominal equatorial; IAU 2015 Resolution B3
ARCSEC_PER_RAD = erfa.DR2AS
SNODGRASS_ULRICH_DEG_DAY = (14.713, -2.396, -1.787)  # of sin^0, sin^2 and sin^4 of the latitude


def gravity_m_s2(height_mm: np.ndarray | float) -> np.ndarray | float:
    """Gravitational acceleration at a height above the photosphere [Mm, any shape], GM / r^2, m/s2."""
    return SOLAR_GM_KM3_S2 / (SOLAR_RADIUS_KM + 1000.0 * np.asarray(height_mm, float)) ** 2 * 1000.0


def escape_speed_km_s(height_mm: np.ndarray | float) -> np.ndarray | float:
    """Escape speed at a height above the photosphere [Mm, any shape], sqrt(2 GM / r), km/s."""
    return np.sqrt(2.0 * SOLAR_GM_KM3_S2 / (SOLAR_RADIUS_KM + 1000.0 * np.asarray(height_mm, float)))


Angles = TypeVar("Angles", float, np.ndarray)  # one angle or many: what goes in comes out


def wrapped_deg(angle_deg: Angles) -> Angles:
    """The same angle, -180 <= angle < 180; of a difference of two angles, the short way round."""
    return (angle_deg + 180.0) % 360.0 - 180.0


def synodic_deg_day(latitude_deg: np.ndarray | float) -> np.ndarray | float:
    """Rotation as seen from the Earth, deg a day, at heliographic latitudes of any shape."""
    square = np.sin(np.radians(latitude_deg)) ** 2
    a, b, c = SNODGRASS_ULRICH_DEG_DAY
    return a + b * square + c * square**2 - 0.9856  # the Earth's own: 360 deg in a sidereal year


def limb_drift(pa_deg: np.ndarray, distance: np.ndarray, b0_deg: float) -> np.ndarray:
    """Apparent motion along the limb, towards larger position angle, solar radii a second, at position angles
    and distances from the disc's centre in radii (broadcast); what stands off the limb is taken to lie in its
    plane and to turn with the latitude below it. With x to the west, y along the axis's direction in the sky
    and z towards the observer, the axis is (0, cos B0, sin B0) and a feature at r moves by axis x r times the
    rate: in the plane of the limb a turn by the rate times sin B0; on the disc what turns towards the
    observer is carried westward besides."""
    pa, b0 = np.radians(pa_deg), np.radians(b0_deg)
    x, y = -np.sin(pa) * distance, np.cos(pa) * distance
    depth = np.sqrt(np.maximum(1.0 - np.square(distance), 0.0))
    latitude = np.degrees(
        np.arcsin(np.clip((y * np.cos(b0) + depth * np.sin(b0)) / np.maximum(distance, 1.0), -1.0, 1.0))
    )
    rate = np.radians(synodic_deg_day(latitude)) / 86400.0
    west, north = rate * (np.cos(b0) * depth - np.sin(b0) * y), rate * np.sin(b0) * x
    return -west * np.cos(pa) - north * np.sin(pa)


def seen_height_mm(
    height_mm: np.ndarray | float, turned_deg: np.ndarray | float, latitude_deg: np.ndarray | float = 0.0
) -> np.ndarray | float:
    """Height above the limb at which something is seen that stood on it at `height_mm`, after the Sun has
    turned by `turned_deg`, or before; negative where it is seen in front of the disc or hidden behind it. At
    latitude l of its foot the place on the sky is (R + h) (cos l cos t, sin l), for a disc centre on the
    equator (B0 = 0). On the equator what had no height sinks by R (1 - cos t)."""
    turn, latitude = np.radians(turned_deg), np.radians(latitude_deg)
    radius_mm = SOLAR_RADIUS_KM * 1e-3
    return (radius_mm + height_mm) * np.hypot(np.cos(latitude) * np.cos(turn), np.sin(latitude)) - radius_mm
