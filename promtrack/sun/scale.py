"""What a pixel is worth: from the limb, from the optics, from a header, and whether they agree.

The limb that is fitted is the H-alpha limb, a few Mm above the photosphere; seen from a distance d its angular radius
is asin((R_sun + height) / d), and one pixel is (R_sun + height) / radius_px. Every error here is systematic: it is the
same for all heights and speeds of a run.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.errors import InputError
from promtrack.settings import CameraSettings, LimbSettings
from promtrack.sun.constants import ARCSEC_PER_RAD, AU_KM, SOLAR_RADIUS_KM
from promtrack.sun.records import HeaderGeometry, Scale, SolarView

__all__ = ["limb_radius_arcsec", "measure_scale"]

HEADER_ERR = 0.002      # relative error of a header's plate scale: includes which solar radius it was tied to
DISAGREE_SIGMA = 3.0
LARGEST_BINNING = 16    # beyond that a stale header is not the likeliest cause


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One source's idea of the scale."""

    source: str
    arcsec_per_px: float
    error: float            # relative, 1 sigma


def measure_scale(radius_px: float, radius_err_px: float, view: SolarView, *, camera: CameraSettings,
                  limb: LimbSettings, header: HeaderGeometry | None = None) -> Scale:
    """The scale with its systematic error, and the check of its sources against each other.

    The limb gives it, unless the optics (`camera.arcsec_per_px`, or pixel size and focal length) or the header state it
    with a smaller error and agree with the limb: on a short arc they know it better. A source that disagrees with the
    limb by more than 3 sigma never takes over; `check` then names the likely causes.

    Parameters
    ----------
    radius_px, radius_err_px : of the fitted limb; the error may be inf or nan when the arc does not tell the radius
    view : distance of the observer

    Raises
    ------
    InputError : the radius is not a positive number
    """
    if not (np.isfinite(radius_px) and radius_px > 0):
        raise InputError(f"the limb's radius is {radius_px} px, so there is no scale",
                         remedy="check the lock, or give limb.radius_px")
    limb_candidate = _from_limb(radius_px, radius_err_px, view, limb)
    others = [c for c in (_from_user(camera), _from_optics(camera), _from_header(header)) if c]
    sentences, agrees, chosen = [], True, limb_candidate
    for other in others:
        sentence, fine = _compare(limb_candidate, other)
        if not fine and other.source == "optics":
            sentence += _agreeing_focal(camera, other, limb_candidate)
        sentences.append(sentence)
        agrees = agrees and fine
        if fine and other.error < chosen.error:
            chosen = other
    km = chosen.arcsec_per_px / ARCSEC_PER_RAD * view.distance_au * AU_KM
    if chosen is limb_candidate:
        km = (SOLAR_RADIUS_KM + 1000.0 * limb.height_mm) / radius_px    # exact, where the small-angle form is 1e-5 off
    return Scale(km, km * chosen.error, chosen.arcsec_per_px, chosen.source, " ".join(sentences), agrees)


def limb_radius_arcsec(view: SolarView, height_mm: float) -> float:
    """Angular radius of a limb `height_mm` above the photosphere."""
    return float(np.arcsin((SOLAR_RADIUS_KM + 1000.0 * height_mm) / (view.distance_au * AU_KM)) * ARCSEC_PER_RAD)


def _from_limb(radius_px: float, radius_err_px: float, view: SolarView, limb: LimbSettings) -> _Candidate:
    fit = radius_err_px / radius_px if np.isfinite(radius_err_px) else np.inf
    height = 1000.0 * limb.height_err_mm / (SOLAR_RADIUS_KM + 1000.0 * limb.height_mm)
    return _Candidate("limb", limb_radius_arcsec(view, limb.height_mm) / radius_px, float(np.hypot(fit, height)))


def _from_user(camera: CameraSettings) -> _Candidate | None:
    if camera.arcsec_per_px is None:
        return None
    return _Candidate("given", camera.arcsec_per_px, camera.scale_err)


def _from_optics(camera: CameraSettings) -> _Candidate | None:
    if camera.pixel_um is None or camera.focal_mm is None or camera.arcsec_per_px is not None:
        return None
    return _Candidate("optics", float(np.arctan(camera.pixel_um / 1000.0 / camera.focal_mm)) * ARCSEC_PER_RAD,
                      camera.scale_err)


def _from_header(header: HeaderGeometry | None) -> _Candidate | None:
    if header is None or not (np.isfinite(header.arcsec_per_px) and header.arcsec_per_px > 0):
        return None
    return _Candidate("header", header.arcsec_per_px, HEADER_ERR)


_NAMES = {"limb": "the limb", "given": "camera.arcsec_per_px", "optics": "pixel size and focal length",
          "header": "the FITS header"}


def _compare(limb: _Candidate, other: _Candidate) -> tuple[str, bool]:
    """One sentence on the agreement of a source with the limb, and whether they agree."""
    ratio = other.arcsec_per_px / limb.arcsec_per_px
    sigma = float(np.hypot(limb.error, other.error))
    name = _sentence(_NAMES[other.source])
    figures = f"{other.arcsec_per_px:.4g} against {limb.arcsec_per_px:.4g} arcsec/px from the limb"
    if not np.isfinite(sigma):
        return f"The limb's arc is too short to check the scale of {_NAMES[other.source]}.", True
    # Symmetric in the two sources: a factor 1/2 is as far off as a factor 2.
    if abs(np.log(ratio)) <= DISAGREE_SIGMA * sigma:
        return f"{name} and the limb agree: {figures}, {100 * (ratio - 1):+.1f} % +- {100 * sigma:.1f} %.", True
    return (f"{name} and the limb disagree: {figures}, a factor {ratio:.3g} "
            f"({abs(np.log(ratio)) / sigma:.0f} sigma). {_likely_cause(ratio, other.source)}"), False


def _likely_cause(ratio: float, source: str) -> str:
    """What usually lies behind a scale that is `ratio` times the limb's (common practice, no source)."""
    factor = max(ratio, 1.0 / ratio)
    whole = round(factor)
    if factor < 1.015:
        return ("Likely cause: the height of the H-alpha limb (limb.height_mm), or a filter tuned off the line, which "
                "shows the limb lower.")
    if source == "header" and 2 <= whole <= LARGEST_BINNING and abs(factor / whole - 1.0) < 0.03:
        return (f"Likely cause: the frames were rebinned or resized by {whole} and the header was left as it was; "
                "the limb's scale is used.")
    if factor < 1.15:
        return _SMALL_CAUSE[source]
    if source == "optics" and ratio > 1.0:
        cause = f"the true focal length is {factor:.3g} times the one stated (an extender that was not counted)"
        enlarged = "the frames were enlarged, or the pixel is smaller than stated"
        return f"Likely cause: {cause}{_binning(whole, factor, enlarged)}."
    if source == "optics":
        cause = f"the true focal length is {factor:.3g} times shorter than stated (a reducer that was not counted)"
        return f"Likely cause: {cause}{_binning(whole, factor, 'the camera or the software binned the pixels')}."
    return (f"Likely cause: the scale belongs to other optics or another binning, off by {factor:.3g}, or something "
            "else was taken for the limb.")


_SMALL_CAUSE = {
    "optics": "Likely cause: the stated focal length or pixel size is a little off; focusing and added elements change "
              "the focal length by a few per cent.",
    "given": "Likely cause: the scale was measured with another focus or camera position.",
    "header": "Likely cause: the header's scale is nominal, or belongs to another instrument setting.",
}


def _binning(whole: int, factor: float, cause: str) -> str:
    return f", or {cause}" if whole >= 2 and abs(factor / whole - 1.0) < 0.06 else ""


def _agreeing_focal(camera: CameraSettings, optics: _Candidate, limb: _Candidate) -> str:
    assert camera.focal_mm is not None     # the optics gave a scale
    focal_mm = camera.focal_mm * optics.arcsec_per_px / limb.arcsec_per_px
    return f" With {camera.pixel_um:g} um pixels a focal length of {focal_mm:.0f} mm would agree."


def _sentence(text: str) -> str:
    return text if text.startswith("camera.") else text[0].upper() + text[1:]
