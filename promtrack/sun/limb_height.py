"""Height of the limb above the photosphere: line of light and position angles in, height and error out.

H-alpha, line centre: 4.35 Mm near the equator with a local scatter of 0.5 Mm, just below 6 Mm at the poles
(Johannesson & Zirin 1996, ApJ 471, 510). How it rises in between is not published there: the square of the
sine of the latitude is our choice, and half of the rise is carried as an error. Along an arc the rise also
bends the limb a little more or less than a circle, which a fit of a short arc takes for another radius; that
is carried as an error as well.

Lines of the extreme ultraviolet: steepest fall in public pictures of the Atmospheric Imaging Assembly, 1.009,
1.012 and 1.024 solar radii in 304, 193 and 171 angstrom, measured by us (tests/outside/data/README.md).
"""

from __future__ import annotations

import numpy as np

from promtrack.settings import LimbSettings
from promtrack.sun.constants import SOLAR_RADIUS_KM
from promtrack.sun.records import LimbHeight

__all__ = ["H_ALPHA", "limb_height"]

H_ALPHA = "H-alpha"
EQUATOR_MM, POLE_MM, SCATTER_MM = 4.35, 5.95, 0.5
EUV_RADII = {"304 angstrom": 1.009, "193 angstrom": 1.012, "171 angstrom": 1.024}
EUV_ERR_RADII = 0.002  # the figures' last digit and the spread between quiet limb and coronal hole
PASSBAND = (
    "a filter much wider than the line shows the limb of the photosphere, 4 Mm lower, and then heights and "
    "scale are off by that and by 0.6 %"
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
        found = LimbHeight((EUV_RADII[line] - 1.0) * mm, EUV_ERR_RADII * mm, f"limb in {line}")
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
        return LimbHeight(
            EQUATOR_MM,
            err,
            f"{assumed}; {PASSBAND}; north is not known, and at the poles it lies 1.6 Mm higher",
        )
    angles = np.deg2rad(np.linspace(*arc_deg, 181))
    heights = rise * np.cos(angles) ** 2  # at the limb the latitude is 90 deg less the distance from the pole
    middle = angles.mean()
    circle = np.column_stack([np.ones(len(angles)), np.cos(angles - middle), np.sin(angles - middle)])
    radius = float(np.linalg.lstsq(circle, heights, rcond=None)[0][0])
    mean = float(heights.mean())
    err = float(np.sqrt(SCATTER_MM**2 + (0.5 * mean) ** 2 + (0.5 * (radius - mean)) ** 2))
    return LimbHeight(EQUATOR_MM + mean, err, f"{assumed} at these latitudes; {PASSBAND}")
