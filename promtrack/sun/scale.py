"""What a pixel is worth: from the limb, from the optics, from a header, and whether they agree.

The limb that is fitted lies a few Mm above the photosphere (see `limb_height`); seen from a distance d its
angular radius is asin((R_sun + height) / d), and one pixel is (R_sun + height) / radius_px. Every error here
is systematic: it is the same for all heights and speeds of a run.

Height of the H-alpha limb, line centre: 4.35 Mm near the equator with a local scatter of 0.5 Mm, just below 6
Mm at the poles (Johannesson & Zirin 1996, ApJ 471, 510). How it rises in between is not published there: the
square of the sine of the latitude is our choice, and half of the rise is carried as an error. Along an arc
the rise also bends the limb a little more or less than a circle, which a fit of a short arc takes for another
radius; that is carried as an error as well. Lines of the extreme ultraviolet: steepest fall in public
pictures of the Atmospheric Imaging Assembly, 1.009, 1.012 and 1.024 solar radii in 304, 193 and 171 angstrom,
measured by us (tests/outside/data/README.md).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from promtrack.errors import InputError
from promtrack.settings import CameraSettings, LimbSettings
from promtrack.sun.constants import ARCSEC_PER_RAD, AU_KM, SOLAR_RADIUS_KM
from promtrack.sun.ephemeris import SolarHeader, SolarView
from promtrack.sun.orientation import Orientation

HEADER_ERR = 0.002  # relative error of a header's plate scale: includes which solar radius it was tied to
DISAGREE_SIGMA = 3.0
POOR_SCALE = 0.2  # relative, 1 sigma: beyond, no height and no speed means anything
WEAK_CHECK = 0.1  # relative difference that a check should show: wrong optics differ by 5 to 50 %


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
        """What a weak check could not have shown; '' where there is none or it is good enough."""
        return untold_words(self.check_tells) if self.agrees and self.check_tells > WEAK_CHECK else ""


def refuse_uncertain(scale: Scale, where: str) -> None:
    """Raises InputError, naming `where`, for a scale too uncertain to measure anything by."""
    if scale.sigma_km_per_px > POOR_SCALE * scale.km_per_px:
        raise InputError(
            f"the scale is {scale.km_per_px:.0f} +- {scale.sigma_km_per_px:.0f} km a pixel, too uncertain "
            "for any height or speed",
            where=where,
            remedy="keep more of the limb in the frame, or state the optics: camera.arcsec_per_px, or "
            "camera.focal_mm and camera.pixel_um",
        )


class Circumstances(NamedTuple):
    """The Sun on the date, the scale and the orientation of one recording."""

    view: SolarView
    scale: Scale
    orientation: Orientation


@dataclass(frozen=True, slots=True)
class _Candidate:
    source: str
    arcsec_per_px: float
    error: float  # relative, 1 sigma
    name: str


def measure_scale(
    radius_px: float,
    radius_err_px: float,
    view: SolarView,
    *,
    camera: CameraSettings,
    limb: LimbSettings,
    header: SolarHeader | None = None,
    line: str = "",
    arc_deg: tuple[float, float] | None = None,
) -> Scale:
    """The scale with its systematic error, and the check of its sources against each other.

    The limb gives it, unless the optics (`camera.arcsec_per_px`, or pixel size and focal length) or the
    header state it with a smaller error and agree with the limb: on a short arc they know it better. A source
    that disagrees with the limb by more than 3 sigma never takes over; `check` then names the likely causes.
    A given `limb.radius_px` counts in the limb's place, and is itself compared with the limb.

    Parameters
    ----------
    radius_px, radius_err_px : of the limb alone (`LimbLock.own_radius_px`), before anything stated was joined
        in; the error may be inf or nan when the arc does not give the radius
    view : distance of the observer
    line, arc_deg : of what light and at which position angles the limb is, see `limb_height`

    Raises InputError: the radius is not a positive number.
    """
    if not (np.isfinite(radius_px) and radius_px > 0):
        raise InputError(
            f"the limb's radius is {radius_px} px, so there is no scale",
            remedy="check the lock, or give limb.radius_px",
        )
    height = limb_height(limb, line=line, arc_deg=arc_deg)
    measured = base = _from_limb(radius_px, radius_err_px, view, height, "the limb")
    checks = []
    if limb.radius_px is not None:
        base = _from_limb(limb.radius_px, 0.0, view, height, "limb.radius_px")
        checks.append(_compare(measured, base))
    chosen = base
    for other in _stated(camera, header):
        words, agrees, tells = _compare(base, other)
        if not agrees and other.source == "optics" and camera.focal_mm is not None:
            focal_mm = camera.focal_mm * other.arcsec_per_px / base.arcsec_per_px
            words += f" With {camera.pixel_um:g} um pixels a focal length of {focal_mm:.0f} mm would agree."
        checks.append((words, agrees, tells))
        if agrees and other.error < chosen.error:
            chosen = other
    km = chosen.arcsec_per_px / ARCSEC_PER_RAD * view.distance_au * AU_KM
    if chosen is base:  # exact, where the small-angle form is 1e-5 off
        km = (SOLAR_RADIUS_KM + 1000.0 * height.height_mm) / (limb.radius_px or radius_px)
    words, agree = " ".join(words for words, _, _ in checks), all(agrees for _, agrees, _ in checks)
    tells = min((tells for _, _, tells in checks), default=np.nan)
    return Scale(km, km * chosen.error, chosen.arcsec_per_px, chosen.source, words, agree, tells, height)


def limb_radius_arcsec(view: SolarView, height_mm: float) -> float:
    """Angular radius of a limb `height_mm` above the photosphere."""
    radius_km = SOLAR_RADIUS_KM + 1000.0 * height_mm
    return float(np.arcsin(radius_km / (view.distance_au * AU_KM)) * ARCSEC_PER_RAD)


def _from_limb(
    radius_px: float, radius_err_px: float, view: SolarView, limb: LimbHeight, name: str
) -> _Candidate:
    fit = radius_err_px / radius_px if np.isfinite(radius_err_px) else np.inf
    height = 1000.0 * limb.err_mm / (SOLAR_RADIUS_KM + 1000.0 * limb.height_mm)
    arcsec_per_px = limb_radius_arcsec(view, limb.height_mm) / radius_px
    return _Candidate("limb", arcsec_per_px, float(np.hypot(fit, height)), name)


def optical_scale(camera: CameraSettings) -> float | None:
    """Arcseconds in a pixel as the user states them or the optics; None where neither is known."""
    if camera.arcsec_per_px is not None:
        return camera.arcsec_per_px
    if camera.pixel_um is None or camera.focal_mm is None:
        return None
    return float(np.arctan(camera.pixel_um / 1000.0 / camera.focal_mm)) * ARCSEC_PER_RAD


def _stated(camera: CameraSettings, header: SolarHeader | None) -> list[_Candidate]:
    """What the user states or the optics, and a header."""
    found, scale = [], optical_scale(camera)
    if scale is not None:
        given = camera.arcsec_per_px is not None
        name = "camera.arcsec_per_px" if given else "pixel size and focal length"
        found.append(_Candidate("given" if given else "optics", scale, camera.scale_err, name))
    if header is not None and np.isfinite(header.arcsec_per_px) and header.arcsec_per_px > 0:
        found.append(_Candidate("header", header.arcsec_per_px, HEADER_ERR, "the FITS header"))
    return found


def _compare(limb: _Candidate, other: _Candidate) -> tuple[str, bool, float]:
    """A sentence on a source against the limb, whether they agree, and the relative difference that this
    could just have shown."""
    ratio = other.arcsec_per_px / limb.arcsec_per_px
    sigma = max(float(np.hypot(limb.error, other.error)), 1e-9)
    if not np.isfinite(sigma):
        return f"The limb's arc is too short to check {other.name}.", True, np.inf
    tells, apart = float(np.expm1(DISAGREE_SIGMA * sigma)), float(abs(np.log(ratio))) / sigma
    figures = f"{other.arcsec_per_px:.4g} against {limb.arcsec_per_px:.4g} arcsec/px from {limb.name}"
    # Symmetric in the two sources: a factor 1/2 is as far off as a factor 2.
    if apart > DISAGREE_SIGMA:
        factor = f"a factor {ratio:.3g} ({apart:.0f} sigma). {_likely_cause(ratio, other.source)}"
        return f"{_sentence(other.name)} and {limb.name} disagree: {figures}, {factor}", False, tells
    doubt = f" ({apart:.1f} sigma)" if apart > 2.0 else ""
    figures += f", {100 * (ratio - 1):+.1f} % +- {100 * sigma:.1f} %{doubt}"
    sentence = f"{_sentence(other.name)} and {limb.name} agree: {figures}."
    if tells > WEAK_CHECK:
        whose = "Too short or rough a limb" if limb.error > other.error else "Too uncertain a scale"
        sentence = f"{whose} to check {other.name}: {figures}; {untold_words(tells)} would not show."
    return sentence, True, tells


def untold_words(relative: float) -> str:
    """'a difference below 12 %', 'a factor below 2.4'."""
    if relative < 0.3:
        return f"a difference below {100 * relative:.0f} %"
    return f"a factor below {1 + relative:.2g}" if np.isfinite(relative) else "any difference"


def _likely_cause(ratio: float, source: str) -> str:
    """What usually lies behind a scale that is `ratio` times the limb's (common practice, no source)."""
    factor = max(ratio, 1.0 / ratio)
    whole = round(factor)
    binned = 2 <= whole <= 16 and abs(factor / whole - 1.0) < 0.03  # above, any factor is near a whole one
    used = "the limb"
    if source == "limb":
        cause = "limb.radius_px belongs to other optics or binning, or something else was taken for the limb"
        used = "limb.radius_px"
    elif factor < 1.015:
        cause = "the height of the limb (limb.height_mm), or a filter tuned off the line or wider than it"
    elif source == "given" or whole > 16:
        cause = f"other optics or binning, off by {factor:.3g}, or something else was taken for the limb"
    elif source == "header":
        cause = "the header's scale is nominal, or belongs to other optics"
        if binned:
            cause = f"the frames were rebinned or resized by {whole} and the header was left as it was"
    elif factor < 1.15:
        cause = "focal length, pixel size or focus are a little off: focusing changes it by a few per cent"
    else:
        than = "the one stated (an extender" if ratio > 1.0 else "shorter than stated (a reducer"
        cause = f"the focal length is {factor:.3g} times {than} not counted)"
        if binned:
            enlarged = "the frames were enlarged, or the pixel is smaller than stated"
            cause += f", or {enlarged if ratio > 1.0 else 'the camera or the software binned the pixels'}"
    return f"Likely cause: {cause}. The scale of {used} is used."


def _sentence(text: str) -> str:
    return text if "." in text else text[0].upper() + text[1:]


H_ALPHA = "H-alpha"
EQUATOR_MM, POLE_MM, SCATTER_MM = 4.35, 5.95, 0.5
EUV_RADII = {"304 angstrom": 1.009, "193 angstrom": 1.012, "171 angstrom": 1.024}
PASSBAND = (
    "a filter much wider than the line shows the limb of the photosphere, 4 to 6 Mm lower, and then heights "
    "and scale are off by that and by 0.6 to 0.9 %"
)


def limb_height(
    limb: LimbSettings, *, line: str = "", arc_deg: tuple[float, float] | None = None
) -> LimbHeight:
    """The height of the limb that is fitted.

    Parameters
    ----------
    limb : `height_mm`, where it is set, beats what is known of the line; `height_err_mm` likewise
    line : 'H-alpha', '304 angstrom', ...; empty where the frames do not say
    arc_deg : position angles between which the limb is fitted; None while the orientation is unknown
    """
    if limb.height_mm is not None:
        err = SCATTER_MM if limb.height_err_mm is None else limb.height_err_mm
        return LimbHeight(limb.height_mm, err, "height of the limb as given (limb.height_mm)")
    if line in EUV_RADII:
        mm = SOLAR_RADIUS_KM / 1e3
        # the figures' last digit and the spread between quiet limb and coronal hole
        found = LimbHeight((EUV_RADII[line] - 1.0) * mm, 0.002 * mm, f"limb in {line}")
    elif line in ("", H_ALPHA):
        found = _h_alpha(line, arc_deg)
    else:
        where = f"the limb's height in {line} is not known, and that of H-alpha is taken: set limb.height_mm"
        found = LimbHeight(EQUATOR_MM, EQUATOR_MM, where)
    if limb.height_err_mm is None:
        return found
    return LimbHeight(found.height_mm, limb.height_err_mm, found.sentence)


def _h_alpha(line: str, arc_deg: tuple[float, float] | None) -> LimbHeight:
    assumed = "limb in H-alpha" if line else "limb taken for that of H-alpha"
    rise = POLE_MM - EQUATOR_MM
    if arc_deg is None:
        # rms of the rise about the equator's height over all position angles: rise * sqrt(3 / 8)
        err = float(np.hypot(SCATTER_MM, rise * np.sqrt(3.0 / 8.0)))
        unknown = "north is not known, and at the poles it lies 1.6 Mm higher"
        return LimbHeight(EQUATOR_MM, err, f"{assumed}; {PASSBAND}; {unknown}")
    angles = np.deg2rad(np.linspace(*arc_deg, 181))
    heights = rise * np.cos(angles) ** 2  # at the limb the latitude is 90 deg less the distance from the pole
    middle = angles.mean()
    circle = np.column_stack([np.ones(len(angles)), np.cos(angles - middle), np.sin(angles - middle)])
    radius = float(np.linalg.lstsq(circle, heights, rcond=None)[0][0])
    mean = float(heights.mean())
    err = float(np.sqrt(SCATTER_MM**2 + (0.5 * mean) ** 2 + (0.5 * (radius - mean)) ** 2))
    return LimbHeight(EQUATOR_MM + mean, err, f"{assumed} at these latitudes; {PASSBAND}")
