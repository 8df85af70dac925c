"""The Sun on a date: constants, apparent size and orientation, and what a pixel is worth.

In come times, settings and a header; out go `SolarView`, `Scale` and `Orientation`. Pixels become kilometres
and image angles become position angles here and nowhere else. Read constants, ephemeris, orientation, scale,
then drift.
"""

# ruff: noqa: F401 - what the room hands out
from promtrack.sun.constants import (
    ARCSEC_PER_RAD,
    AU_KM,
    EARTH_RADIUS_KM,
    SOLAR_RADIUS_KM,
    escape_speed_km_s,
    gravity_m_s2,
    limb_drift,
    seen_height_mm,
    synodic_deg_day,
    wrapped_deg,
)
from promtrack.sun.drift import check_against_limb, fit_drift
from promtrack.sun.ephemeris import (
    SolarHeader,
    SolarView,
    flattening,
    flattening_err,
    refraction_arcmin,
    sky_place,
    solar_view,
)
from promtrack.sun.orientation import Orientation, field_turn_deg, orient, zenith_image_deg
from promtrack.sun.scale import Circumstances, Scale, limb_height, measure_scale, refuse_uncertain
