"""The Sun on a date: constants, apparent size and orientation, and what a pixel is worth.

In come times, settings and a header; out go `SolarView`, `Scale` and `Orientation`. Pixels become
kilometres and image angles become position angles here and nowhere else. Read constants, ephemeris,
orientation, scale, then rotation and drift.
"""

from promtrack.sun.constants import (
    ARCSEC_PER_RAD,
    AU_KM,
    EARTH_RADIUS_KM,
    SOLAR_GM_KM3_S2,
    SOLAR_RADIUS_KM,
    escape_speed_km_s,
    gravity_m_s2,
    wrapped_deg,
)
from promtrack.sun.drift import check_against_limb, fit_drift
from promtrack.sun.ephemeris import (
    SkyPlace,
    flattening,
    flattening_err,
    refraction_arcmin,
    sky_place,
    solar_view,
)
from promtrack.sun.orientation import field_turn_deg, orient, zenith_image_deg
from promtrack.sun.records import Circumstances, DriftCalibration, LimbHeight, Orientation, Scale, SolarView
from promtrack.sun.rotation import limb_drift, seen_height_mm, synodic_deg_day
from promtrack.sun.scale import limb_height, measure_scale

__all__ = [
    "ARCSEC_PER_RAD",
    "AU_KM",
    "EARTH_RADIUS_KM",
    "SOLAR_GM_KM3_S2",
    "SOLAR_RADIUS_KM",
    "Circumstances",
    "DriftCalibration",
    "LimbHeight",
    "Orientation",
    "Scale",
    "SkyPlace",
    "SolarView",
    "check_against_limb",
    "escape_speed_km_s",
    "field_turn_deg",
    "fit_drift",
    "flattening",
    "flattening_err",
    "gravity_m_s2",
    "limb_drift",
    "limb_height",
    "measure_scale",
    "orient",
    "refraction_arcmin",
    "seen_height_mm",
    "sky_place",
    "solar_view",
    "synodic_deg_day",
    "wrapped_deg",
    "zenith_image_deg",
]
