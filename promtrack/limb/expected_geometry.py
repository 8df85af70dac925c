"""What site, clock and optics say beforehand: flattening by refraction, turn of the field, size of the limb,
and how solar rotation carries the features that hold the lock along it.

In the plane of the limb rotation looks like a turn about the Sun's centre, of at most 1.2 px an hour on a
radius of 1000 px; texture on the disc is carried westward besides. The Sun's centre moves with neither.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.records import Place
from promtrack.sequence.records import MANY, Sequence, SolarHeader, spread_over
from promtrack.settings import CameraSettings, LimbSettings, SiteSettings
from promtrack.sun import (
    SOLAR_RADIUS_KM,
    field_turn_deg,
    flattening,
    flattening_err,
    limb_height,
    sky_place,
    solar_view,
    zenith_image_deg,
)
from promtrack.sun.scale import EUV_RADII, HEADER_ERR, limb_radius_arcsec, optical_scale

# of the Sun over an unknown site, all alike: lower, hardly anybody records
POSSIBLE_ALTITUDES_DEG = np.arange(8.0, 61.0)
# a flattened limb is bent like a circle larger by 1 + f - 3 f sin^2 of the angle from the zenith: this times
# f, rms, all round
SHORT_ARC_BENT = float(np.sqrt(11 / 8))


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """Expected geometry of every frame; nan where it cannot be known."""

    flattening: np.ndarray  # (n,) 0 where unknown or too small
    zenith_deg: np.ndarray  # (n,) image angle of the zenith
    turn_deg: np.ndarray  # (n,) turn of the field since the first frame, nan where unknown
    radius_err: float  # 1 sigma of the radius, relative, from flattening that is not modelled
    unmodelled: np.ndarray  # (n,) that flattening: as computed, or without a site as at the lowest altitude
    notes: tuple[str, ...]


def expected_sky(
    times_utc: np.ndarray, *, site: SiteSettings, camera: CameraSettings, line: str = ""
) -> Expected:
    """Flattening, direction of the zenith and turn of the field in every frame; in a line (as `Sequence.line`
    has it) that the air lets nothing of through there is no refraction."""
    count = len(times_utc)
    unknown = np.full(count, np.nan)
    if line in EUV_RADII:
        return Expected(np.zeros(count), unknown, np.zeros(count), 0.0, np.zeros(count), ())
    seconds = (times_utc - times_utc[0]) / np.timedelta64(1, "s")
    if site.latitude_deg is None or site.longitude_deg is None:
        turn = np.zeros(count) if camera.mount == "equatorial" else unknown
        possible = SHORT_ARC_BENT * float(np.sqrt(np.mean(flattening(POSSIBLE_ALTITUDES_DEG) ** 2)))
        # how fast the rising Sun climbs in latitude 48 deg: 15 deg an hour times the latitude's cosine
        climbs = POSSIBLE_ALTITUDES_DEG[0] + 10.0 / 3600.0 * seconds
        lowest = np.asarray(flattening(np.minimum(climbs, POSSIBLE_ALTITUDES_DEG[-1])))
        return Expected(np.zeros(count), unknown, turn, possible, lowest, (_without_site(possible, lowest),))
    picks = spread_over(count, MANY)
    moments = times_utc[picks]

    def between(values: np.ndarray) -> np.ndarray:
        return np.interp(seconds, seconds[picks], values)

    altitude_deg = sky_place(moments, site=site).altitude_deg
    flat = between(np.nan_to_num(flattening(altitude_deg, elevation_m=site.elevation_m)))
    turn = between(field_turn_deg(moments, site=site, camera=camera))
    zenith = between(np.unwrap(zenith_image_deg(moments, site=site, camera=camera), period=360.0))
    notes: tuple[str, ...] = ()
    if flat.max() <= 2e-4:  # 0.1 px on a radius of 500 px: less would not be seen
        unmodelled = flat = np.zeros(count)
    elif np.isfinite(zenith).all():  # temperature and pressure of the air are not known
        unmodelled = np.asarray(flattening_err(flat))
    else:
        words = (
            f"Refraction flattens the Sun by up to {100 * flat.max():.2f} %, but the direction of the zenith "
            "in the image is unknown, so this is not modelled; give camera.north_deg. Radius and scale carry "
            "it as an error."
        )
        notes, unmodelled, flat = (words,), flat, np.zeros(count)
    left = SHORT_ARC_BENT * float(unmodelled.max())
    return Expected(flat, zenith, turn, left, unmodelled, notes)


def turn_settings(
    times_utc: np.ndarray, *, site: SiteSettings, camera: CameraSettings
) -> tuple[tuple[str, float], ...]:
    """Settings of the mount, in words, and the rotation that each would give at (n,) times, deg an hour."""
    hours = float((times_utc[-1] - times_utc[0]) / np.timedelta64(1, "s")) / 3600.0
    settings = [("camera.mount=equatorial", 0.0)] if camera.mount != "equatorial" else []
    if site.latitude_deg is not None and site.longitude_deg is not None and hours > 0:
        for mirrored in (False, True):
            if camera.mount == "altazimuth" and mirrored == camera.mirrored:
                continue
            other = replace(camera, mount="altazimuth", mirrored=mirrored)
            turn = np.unwrap(field_turn_deg(times_utc[[0, -1]], site=site, camera=other), period=360.0)
            words = [] if camera.mount == "altazimuth" else ["camera.mount=altazimuth"]
            words += [f"camera.mirrored={str(mirrored).lower()}"] if mirrored != camera.mirrored else []
            settings.append((" with ".join(words), float(turn[-1] - turn[0]) / hours))
    elif camera.mount == "equatorial":
        settings.append(("camera.mount=altazimuth", np.nan))
    return tuple(settings)


def _without_site(possible: float, lowest: np.ndarray) -> str:
    """What an unknown site leaves open; `lowest` is the flattening's course for the lowest Sun."""
    bent = SHORT_ARC_BENT * np.asarray(flattening(POSSIBLE_ALTITUDES_DEG))
    # lowest altitude at which the flattening changes the radius by no more than twice that error
    above_deg = POSSIBLE_ALTITUDES_DEG[np.argmax(bent <= 2.0 * possible)]
    return (
        "The site is not known, so the flattening of the Sun by refraction is not modelled. Radius and scale "
        f"carry an error of {100 * possible:.2f} % for it, enough for a Sun higher than "
        f"{above_deg:.0f} deg; if it was lower, give the site. The error of the centre's drift is "
        f"that for a Sun at {POSSIBLE_ALTITUDES_DEG[0]:.0f} deg, flattened by {100 * lowest.max():.1f} %."
    )


def optical_radius(
    time_utc: np.datetime64,
    *,
    camera: CameraSettings,
    limb: LimbSettings,
    site: SiteSettings,
    stated: Place | None = None,
) -> tuple[float, float] | None:
    """Radius of the limb, px, and its 1 sigma: from the optical scale and the date, or as a header states it;
    None when neither is known."""
    height = 1000.0 * limb_height(limb).err_mm / SOLAR_RADIUS_KM
    scale = optical_scale(camera)
    if scale is None:
        if stated is None:
            return None
        return stated.radius_px, stated.radius_px * float(np.hypot(HEADER_ERR, height))
    radius = limb_radius_arcsec(solar_view(time_utc, site=site), limb_height(limb).height_mm) / scale
    return radius, radius * float(np.hypot(camera.scale_err, height))


def stated_places(sequence: Sequence, limb: LimbSettings) -> tuple[Place | None, ...]:
    """Where headers put the Sun and how large its limb is, frame by frame; None where one does not say."""
    headers = sequence.headers or (None,) * len(sequence)
    height = 1.0 + 1000.0 * limb_height(limb).height_mm / SOLAR_RADIUS_KM

    def place(header: SolarHeader | None) -> Place | None:
        if header is None or not (header.arcsec_per_px > 0 and header.rsun_arcsec > 0):
            return None
        radius = header.rsun_arcsec / header.arcsec_per_px * height
        sound = np.isfinite([header.centre_x_px, header.centre_y_px, radius]).all()
        return Place(header.centre_x_px, header.centre_y_px, limb.radius_px or radius) if sound else None

    return tuple(map(place, headers))


def guessed_places(stated: tuple[Place | None, ...]) -> tuple[Place | None, ...]:
    """Where to look for the Sun first: as the frame's own header has it, or else the nearest one's."""
    has = np.array([i for i, place in enumerate(stated) if place is not None])
    if not len(has):
        return stated
    return tuple(stated[int(has[np.argmin(np.abs(has - i))])] for i in range(len(stated)))
