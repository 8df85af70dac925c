"""How the camera was turned: from image angles to position angles, and where the zenith stands in the
picture.

All image angles run counter-clockwise from image up. On the unmirrored sky east lies counter-clockwise of
north, so a position angle (north through east) grows counter-clockwise too; in a mirrored picture it grows
clockwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.settings import CameraSettings, SiteSettings
from promtrack.sun.constants import Angles, wrapped_deg
from promtrack.sun.ephemeris import SolarHeader, SolarView, sky_place

HEADER_ERR_DEG = 0.1  # roll angles in headers are trusted this far; common practice, no source


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


def orient(
    view: SolarView,
    *,
    camera: CameraSettings,
    header: SolarHeader | None = None,
    turn_deg: float = 0.0,
    hours: float = 0.0,
) -> Orientation:
    """Which image angle is solar north, and which way position angles run: by the user's `camera.north_deg`
    (celestial north) plus P, else by a FITS header; with neither, product angles stay image angles and are
    called so.

    Parameters
    ----------
    view : for P
    camera : `north_deg` and `mirrored` hold for the first frame
    header : solar north as the header of the first frame has it
    turn_deg : turn of the first frame relative to the reference frame, counter-clockwise
        (`LimbLock.angle_deg[0]`)
    hours : between the reference frame and the one farthest from it: solar north turns against the sky by
        dP/dt, up to 0.02 deg an hour, which the error holds
    """
    if camera.north_deg is not None and np.isfinite(view.p_deg):
        sign = -1 if camera.mirrored else 1
        zero = camera.north_deg + sign * view.p_deg - turn_deg
        source = (
            f"celestial north as given ({camera.north_deg:g} deg{', mirrored' if camera.mirrored else ''}) "
            f"and P = {view.p_deg:+.2f} deg{_header_doubt(zero + turn_deg, sign, camera, header)}"
        )
        error = float(np.hypot(camera.north_err_deg, view.p_rate_deg_h * hours))
        return Orientation(True, wrapped_deg(zero), sign, error, source)
    if header is not None and np.isfinite(header.north_deg):
        zero, source = wrapped_deg(header.north_deg - turn_deg), "solar north from the FITS header"
        return Orientation(True, zero, -1 if header.mirrored else 1, HEADER_ERR_DEG, source)
    reason = "camera.north_deg is not set"
    if camera.north_deg is not None:
        reason = "P is not known for this observer, who is not near the Earth"
    source = f"{reason}, so angles are image angles, counter-clockwise from image up"
    return Orientation(False, 0.0, 1, 0.0, source)


def zenith_image_deg(times_utc: np.ndarray, *, site: SiteSettings, camera: CameraSettings) -> np.ndarray:
    """Image angle of the zenith at the Sun's centre at (n,) times, from that of the first frame on. On an
    equatorial mount it turns with the parallactic angle, on an altazimuth mount it stays. nan without a site
    or without `camera.north_deg`."""
    times = np.asarray(times_utc, "datetime64[us]")
    if camera.north_deg is None or not len(times):
        return np.full(len(times), np.nan)
    parallactic = sky_place(times if camera.mount == "equatorial" else times[:1], site=site).parallactic_deg
    zenith = camera.north_deg + (-1 if camera.mirrored else 1) * parallactic
    return np.broadcast_to(wrapped_deg(zenith), times.shape).copy()


def field_turn_deg(times_utc: np.ndarray, *, site: SiteSettings, camera: CameraSettings) -> np.ndarray:
    """Expected turn of the picture about the Sun's centre since the first frame, counter-clockwise: zero on
    an equatorial mount; on an altazimuth mount against the parallactic angle, nan without a site."""
    times = np.asarray(times_utc, "datetime64[us]")
    if camera.mount == "equatorial" or not len(times):
        return np.zeros(len(times))
    parallactic = sky_place(times, site=site).parallactic_deg
    turned = np.rad2deg(np.unwrap(np.deg2rad(parallactic - parallactic[0])))
    return turned if camera.mirrored else -turned


def _header_doubt(zero_deg: float, sign: int, camera: CameraSettings, header: SolarHeader | None) -> str:
    if header is None or not np.isfinite(header.north_deg):
        return ""
    apart = abs(wrapped_deg(zero_deg - header.north_deg))
    if apart > 3.0 * np.hypot(camera.north_err_deg, HEADER_ERR_DEG) or (sign < 0) != header.mirrored:
        other = ", mirrored" if header.mirrored else ""
        return (
            f"; the FITS header says otherwise (solar north at {header.north_deg:.2f} deg{other}): "
            "check which is right"
        )
    return "; the FITS header agrees"
