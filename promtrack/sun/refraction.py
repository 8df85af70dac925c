"""Atmospheric refraction, and how it flattens the Sun's disc near the horizon.

Formula for 1010 hPa and 10 C: Saemundsson (1986) as given by Meeus 1998, Astronomical Algorithms, ch. 16. It
holds to about 0.1 arcmin above 5 deg; nearer the horizon the real air can differ more.
"""

from __future__ import annotations

import numpy as np

__all__ = [
    "air_pressure_ratio",
    "flattening",
    "flattening_err",
    "refraction_arcmin",
    "vertical_contraction",
]

LOWEST_DEG = -1.0  # true altitude below which the formulae mean nothing: the Sun has set


def refraction_arcmin(altitude_deg: np.ndarray | float, *, elevation_m: float = 0.0) -> np.ndarray | float:
    """Refraction at a true altitude (Saemundsson); nan below -1 deg.

    Parameters
    ----------
    altitude_deg : true altitude, as an ephemeris gives it
    elevation_m : of the site; thinner air refracts less
    """
    h = _risen(altitude_deg)
    return 1.02 / np.tan(np.deg2rad(h + 10.3 / (h + 5.11))) * air_pressure_ratio(elevation_m)


def vertical_contraction(
    altitude_deg: np.ndarray | float, *, radius_arcsec: float = 960.0, elevation_m: float = 0.0
) -> np.ndarray | float:
    """Apparent over true vertical diameter of the disc whose centre stands at a true altitude."""
    h, r = np.asarray(altitude_deg, float), radius_arcsec / 3600.0
    upper = refraction_arcmin(h + r, elevation_m=elevation_m)
    lower = refraction_arcmin(h - r, elevation_m=elevation_m)
    return 1.0 - (lower - upper) / (120.0 * r)


def flattening(
    altitude_deg: np.ndarray | float, *, radius_arcsec: float = 960.0, elevation_m: float = 0.0
) -> np.ndarray | float:
    """1 - vertical / horizontal diameter of the refracted disc; nan when the Sun has set.

    The horizontal diameter shrinks too, since lifting the disc brings its verticals closer: cos(h + R) /
    cos(h).
    """
    h = np.asarray(altitude_deg, float)
    lifted = np.deg2rad(h + refraction_arcmin(h, elevation_m=elevation_m) / 60.0)
    horizontal = np.cos(np.minimum(lifted, np.pi / 2)) / np.maximum(np.cos(np.deg2rad(h)), 1e-9)
    # At the zenith the expression is 0 / 0; its limit is 1 - 0.0003, the same as at every other altitude.
    horizontal = np.where(
        h > 89.0, 1.0 - np.deg2rad(1.02 / 60.0) * air_pressure_ratio(elevation_m), horizontal
    )
    flat = 1.0 - vertical_contraction(h, radius_arcsec=radius_arcsec, elevation_m=elevation_m) / horizontal
    return flat if flat.ndim else float(flat)


def flattening_err(flattened: np.ndarray | float) -> np.ndarray | float:
    """1-sigma error of a computed flattening: the air's temperature and pressure are not known.

    20 degrees and 3 % of pressure away from the formula's change refraction by 8 %: at an altitude of 8 deg
    0.1 % of the radius.
    """
    return 0.08 * np.asarray(flattened, float)


def air_pressure_ratio(elevation_m: float) -> float:
    """Air pressure relative to sea level, at an elevation in m: standard atmosphere of ISO 2533, up to 11 km.

    The coefficients follow from its constants: lapse rate 0.0065 K/m from 288.15 K at sea level, gravity
    9.80665 m/s2, gas constant of air 287.05287 J/(kg K); 0.0065 / 288.15 and 9.80665 / (287.05287 * 0.0065).
    """
    return (1.0 - 2.25577e-5 * elevation_m) ** 5.25588


def _risen(altitude_deg: np.ndarray | float) -> np.ndarray | float:
    h = np.asarray(altitude_deg, float)
    h = np.where(h >= LOWEST_DEG, h, np.nan)
    return h if h.ndim else float(h)
