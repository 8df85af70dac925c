"""The Sun on a date: constants, apparent size and orientation, and what a pixel is worth.

Pixels become kilometres and image angles become position angles here and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SOLAR_RADIUS_KM = 695_700.0     # nominal; IAU 2015 Resolution B3
SOLAR_GM_KM3_S2 = 1.3271244e11  # nominal (GM)_sun; IAU 2015 Resolution B3
AU_KM = 149_597_870.700         # IAU 2012 Resolution B2
EARTH_RADIUS_KM = 6378.1        # nominal equatorial; IAU 2015 Resolution B3


@dataclass(frozen=True, slots=True)
class SolarView:
    """The Sun as seen by the observer at one time."""

    time_utc: np.datetime64
    apparent_radius_arcsec: float   # of the photosphere, 695 700 km
    p_deg: float                    # position angle of the north rotation pole, east positive
    b0_deg: float                   # latitude of the disc's centre
    l0_deg: float                   # longitude of the disc's centre
    distance_au: float
    altitude_deg: float             # of the Sun's centre, nan without a site
    observer: str                   # 'Earth' or 'from the header'


@dataclass(frozen=True, slots=True)
class Scale:
    """What a pixel is worth, with one standard deviation and the check against a second source."""

    km_per_px: float
    sigma_km_per_px: float
    arcsec_per_px: float
    source: str                     # 'limb', 'optics', 'given' or 'header'
    check: str                      # one sentence on the agreement of the sources, '' if there is one source only
    agrees: bool                    # False: a warning


@dataclass(frozen=True, slots=True)
class Orientation:
    """How image angles (counter-clockwise from image up, reference frame) become product angles."""

    position_angles: bool           # False: product angles are image angles
    zero_deg: float                 # image angle of product angle 0 (solar north)
    sign: int                       # +1, or -1 when the image is mirrored
    error_deg: float
    source: str                     # one sentence

    def to_product(self, image_deg: np.ndarray | float) -> np.ndarray | float:
        """Image angle to product angle, not wrapped."""
        return self.sign * (image_deg - self.zero_deg)

    def to_image(self, product_deg: np.ndarray | float) -> np.ndarray | float:
        """Product angle to image angle, not wrapped."""
        return self.sign * product_deg + self.zero_deg

    @property
    def label(self) -> str:
        return "position angle" if self.position_angles else "image angle"
