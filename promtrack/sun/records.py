"""What leaves the sun room: the Sun on a date, what a pixel is worth, and how the camera was turned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from promtrack.sun.constants import Angles


class HeaderGeometry(Protocol):
    """What the Sun's room needs of a FITS header (`sequence.SolarHeader` is one); nan where it says
    nothing."""

    @property
    def arcsec_per_px(self) -> float:
        """Plate scale."""

    @property
    def rsun_arcsec(self) -> float:
        """Apparent radius of the photosphere."""

    @property
    def dsun_m(self) -> float:
        """Distance of the observer from the Sun."""

    @property
    def north_deg(self) -> float:
        """Solar north in the picture, counter-clockwise from up."""

    @property
    def mirrored(self) -> bool:
        """East lies clockwise of north."""


@dataclass(frozen=True, slots=True)
class SolarView:
    """The Sun as seen by the observer at one time."""

    time_utc: np.datetime64
    apparent_radius_arcsec: float  # of the photosphere, 695 700 km
    p_deg: float  # position angle of the north rotation pole, east positive; nan far from Earth
    b0_deg: float  # latitude of the disc's centre; nan far from Earth
    l0_deg: float  # longitude of the disc's centre; nan far from Earth
    distance_au: float
    altitude_deg: float  # of the Sun's centre, without refraction; nan without a site
    observer: str  # 'Earth' or 'from the header'
    p_rate_deg_h: float = 0.0  # of P: solar north turns against the sky; nan far from Earth


WEAK_CHECK = (
    0.1  # relative difference that a check of the scale should show: wrong optics differ by 5 to 50 %
)


def untold_words(relative: float) -> str:
    """'a difference below 12 %', 'a factor below 2.4'."""
    if not np.isfinite(relative):
        return "any difference"
    return (
        f"a difference below {100 * relative:.0f} %"
        if relative < 0.3
        else f"a factor below {1 + relative:.2g}"
    )


@dataclass(frozen=True, slots=True)
class LimbHeight:
    """How high the fitted limb lies above the photosphere."""

    height_mm: float
    err_mm: float  # 1 sigma
    sentence: str  # which limb it is, and why so


@dataclass(frozen=True, slots=True)
class Scale:
    """What a pixel is worth, with one standard deviation and the check against a second source."""

    km_per_px: float
    sigma_km_per_px: float  # systematic: the same for every height and speed of the run
    arcsec_per_px: float
    source: str  # 'limb', 'optics', 'given' or 'header'
    check: str  # one sentence on the agreement of the sources, '' if there is one source only
    agrees: bool  # False: a warning
    check_tells: float = np.nan  # relative difference that the check could just show; nan with one source
    limb: LimbHeight = LimbHeight(4.35, 0.5, "")  # of the limb that was fitted, above the photosphere

    @property
    def untold(self) -> str:
        """What a weak check could not have shown, in a few words; '' where there is none or it is good
        enough."""
        return untold_words(self.check_tells) if self.agrees and self.check_tells > WEAK_CHECK else ""


@dataclass(frozen=True, slots=True)
class Orientation:
    """How image angles (counter-clockwise from image up, reference frame) become product angles."""

    position_angles: bool  # False: product angles are image angles
    zero_deg: float  # image angle of product angle 0 (solar north)
    sign: int  # +1, or -1 when the image is mirrored
    error_deg: float
    source: str  # one sentence

    def to_product(self, image_deg: Angles) -> Angles:
        """Image angle to product angle, not wrapped."""
        return self.sign * (image_deg - self.zero_deg)

    def to_image(self, product_deg: Angles) -> Angles:
        """Product angle to image angle, not wrapped."""
        return self.sign * product_deg + self.zero_deg

    @property
    def label(self) -> str:
        """What product angles are called."""
        return "position angle" if self.position_angles else "image angle"


@dataclass(frozen=True, slots=True)
class DriftCalibration:
    """What a recording with the drive switched off gives.

    The drift alone gives west and the scale. North needs to know whether the image is mirrored: without a
    nudge `mirrored` is None and both answers stand here.
    """

    west_deg: float  # image angle towards which the Sun drifts
    west_err_deg: float
    arcsec_per_px: float
    arcsec_per_px_err: float
    north_deg: float  # image angle of celestial north; nan while mirroring is unknown
    north_if_not_mirrored_deg: float
    north_if_mirrored_deg: float
    mirrored: bool | None  # None: not known
    rms_px: float  # scatter of the positions across the drift
    points: int  # positions on which the drift rests
    sentence: str  # the result in words, and what to do with it


class Circumstances(NamedTuple):
    """The Sun on the date, the scale and the orientation of one recording."""

    view: SolarView
    scale: Scale
    orientation: Orientation
