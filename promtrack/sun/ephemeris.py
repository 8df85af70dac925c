"""Where the Sun stands and how it is turned: times in, apparent size, P, B0, L0 and place in the sky out.

Positions: the Earth's from the series that the IAU's SOFA library gives (`epv00`: Simon et al. 1994 tables,
1900 to 2100 within 5 km, degrading slowly outside), through erfa, the library under astropy's time and
coordinate code. No tables are downloaded; UT1 is taken as UTC (at most 0.9 s, 0.004 deg of hour angle). The
Sun's axis: pole 286.13, +63.87 deg (ICRS), prime meridian 84.176 + 14.1844 d (Seidelmann et al. 2007, Celest.
Mech. Dyn. Astr. 98, 155, table 1; the Carrington system).

Refraction for 1010 hPa and 10 C: Saemundsson (1986) as given by Meeus 1998, Astronomical Algorithms, ch. 16.
It holds to about 0.1 arcmin above 5 deg; nearer the horizon the real air can differ more.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import erfa
import numpy as np

from promtrack.settings import SiteSettings
from promtrack.sun.constants import ARCSEC_PER_RAD, AU_KM, SOLAR_RADIUS_KM

POLE_RA_DEG, POLE_DEC_DEG = 286.13, 63.87
MERIDIAN_DEG, ROTATION_DEG_PER_DAY = 84.176, 14.1844


@dataclass(frozen=True, slots=True)
class SolarHeader:
    """Geometry that a FITS header claims, in displayed pixels (row 0 on top); nan where it says nothing."""

    centre_x_px: float
    centre_y_px: float
    arcsec_per_px: float
    rsun_arcsec: float  # apparent radius of the photosphere for that observer
    dsun_m: float  # distance observer - Sun
    north_deg: float  # solar north in the displayed image, counter-clockwise from up
    mirrored: bool  # east (solar) lies clockwise of north


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


@dataclass(frozen=True, slots=True, eq=False)
class SkyPlace:
    """The Sun's apparent place, one value a time."""

    declination_deg: np.ndarray  # true equator of date
    ra_rate_arcsec_s: np.ndarray  # motion in right ascension; the sky turns faster than the Sun by this
    altitude_deg: np.ndarray  # true, topocentric; nan without a site
    # position angle of the zenith at the Sun, north through east; nan without a site
    parallactic_deg: np.ndarray


def solar_view(
    time_utc: np.datetime64, *, site: SiteSettings | None = None, header: SolarHeader | None = None
) -> SolarView:
    """The Sun's apparent size, orientation and altitude at one time. Geocentric, except the altitude, which
    needs the site. An observer named by a FITS header (`dsun_m`, or `rsun_arcsec` alone) sets distance and
    apparent radius; when that observer is not near the Earth, P, B0 and L0 are nan, since the header does not
    give them. Raises ValueError: `time_utc` is NaT."""
    times = np.array([time_utc], "datetime64[us]")
    if np.isnat(times[0]):
        raise ValueError("time_utc must be a valid time, got NaT")
    earth_au, p, b0, l0 = (float(v[0]) for v in _geometry(times))
    p_rate = float(_geometry(times + np.timedelta64(1, "h"))[1][0]) - p
    altitude = float(sky_place(times, site=site or SiteSettings()).altitude_deg[0])
    observer, distance_au, claimed_au = "Earth", earth_au, np.nan
    if header is not None and header.dsun_m > 0:
        claimed_au = header.dsun_m / 1000.0 / AU_KM
    elif header is not None and header.rsun_arcsec > 0:
        claimed_au = SOLAR_RADIUS_KM / np.sin(header.rsun_arcsec / ARCSEC_PER_RAD) / AU_KM
    if np.isfinite(claimed_au):
        observer, distance_au = "from the header", claimed_au
        # observers at the first Lagrange point (0.010 au) still see Earth's P, B0, L0
        if abs(claimed_au - earth_au) > 0.015:
            p = b0 = l0 = p_rate = np.nan
    radius = np.arcsin(SOLAR_RADIUS_KM / (distance_au * AU_KM)) * ARCSEC_PER_RAD
    return SolarView(times[0], float(radius), p, b0, l0, distance_au, altitude, observer, p_rate)


def sky_place(times_utc: np.ndarray, *, site: SiteSettings) -> SkyPlace:
    """The Sun's place at (n,) times; altitude and parallactic angle need the site's latitude and
    longitude."""
    times = np.asarray(times_utc, "datetime64[us]")
    ra, dec, distance_au = _apparent_place(times)
    later = _apparent_place(times + np.timedelta64(60, "s"))[0]
    rate = np.angle(np.exp(1j * (later - ra))) * ARCSEC_PER_RAD / 60.0
    if site.latitude_deg is None or site.longitude_deg is None:
        unknown = np.full(len(times), np.nan)
        return SkyPlace(np.rad2deg(dec), rate, unknown, unknown)
    latitude, longitude = np.deg2rad(site.latitude_deg), np.deg2rad(site.longitude_deg)
    sidereal = _quietly(erfa.gst06a, *_julian_utc(times), *_terrestrial_time(times))
    hour_angle = sidereal + longitude - ra
    altitude = erfa.hd2ae(hour_angle, dec, latitude)[1]
    # IAU 2012 solar parallax
    parallax = np.arcsin(8.794143 / ARCSEC_PER_RAD) / distance_au * np.cos(altitude)
    return SkyPlace(
        np.rad2deg(dec),
        rate,
        np.rad2deg(altitude - parallax),
        np.rad2deg(erfa.hd2pa(hour_angle, dec, latitude)),
    )


def _geometry(times: np.ndarray) -> tuple[np.ndarray, ...]:
    """Distance [au], P, B0 and L0 [deg] as seen from the Earth's centre."""
    tt = _terrestrial_time(times)
    earth = _quietly(erfa.epv00, *tt)[0]["p"]  # seen from the Sun, au, ICRS
    unit, distance_au = _aberrated(-earth, tt), np.linalg.norm(earth, axis=-1)
    from_sun = earth / distance_au[:, None]
    pole = erfa.s2c(np.deg2rad(POLE_RA_DEG), np.deg2rad(POLE_DEC_DEG))
    node = erfa.s2c(np.deg2rad(POLE_RA_DEG + 90.0), 0.0)
    b0 = np.rad2deg(np.arcsin(from_sun @ pole))
    # The disc that is seen now left the Sun 8.3 minutes ago.
    days = (tt[0] - erfa.DJ00) + tt[1] - distance_au / erfa.DC  # light, au a day
    turned = np.rad2deg(np.arctan2(from_sun @ np.cross(pole, node), from_sun @ node))
    l0 = (turned - MERIDIAN_DEG - ROTATION_DEG_PER_DAY * days) % 360.0
    north = _quietly(erfa.pnm06a, *tt)[:, 2, :]  # true pole of date: what a drift or a polar axis shows
    east = np.cross(north, unit)
    # The axis is drawn by two points of the Sun, each moved by aberration; turning the direction alone is
    # 0.002 deg off.
    axis = _aberrated(pole * SOLAR_RADIUS_KM / AU_KM - earth, tt) - unit
    p = np.arctan2((east * axis).sum(axis=-1), (np.cross(unit, east) * axis).sum(axis=-1))
    return distance_au, np.rad2deg(p), b0, l0


def _apparent_place(times: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Right ascension and declination [rad] for the true equator of date, and distance [au]."""
    tt = _terrestrial_time(times)
    earth = _quietly(erfa.epv00, *tt)[0]["p"]
    of_date = np.einsum("nij,nj->ni", _quietly(erfa.pnm06a, *tt), _aberrated(-earth, tt))
    return np.arctan2(of_date[:, 1], of_date[:, 0]), np.arcsin(of_date[:, 2]), np.linalg.norm(earth, axis=-1)


def _aberrated(from_earth_au: np.ndarray, tt: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Apparent direction, a unit vector, of a point near the Sun given relative to the Earth."""
    velocity = _quietly(erfa.epv00, *tt)[1]["v"] / erfa.DC
    slowness = np.sqrt(1.0 - np.sum(velocity**2, axis=-1))
    distance_au = np.linalg.norm(from_earth_au, axis=-1)
    return erfa.ab(from_earth_au / distance_au[:, None], velocity, distance_au, slowness)


def _terrestrial_time(times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    day, part = _julian_utc(times)
    return erfa.taitt(*_quietly(erfa.utctai, day, part))


def _julian_utc(times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    days = (times - np.datetime64("2000-01-01", "us")) / np.timedelta64(1, "D")
    return 2451544.5 + np.floor(days), days - np.floor(days)


def _quietly(function, *arguments):
    """Call an erfa function without its warnings on dates whose leap seconds are not known."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        return function(*arguments)


LOWEST_DEG = -1.0  # true altitude below which the formulae mean nothing: the Sun has set


def refraction_arcmin(altitude_deg: np.ndarray | float, *, elevation_m: float = 0.0) -> np.ndarray | float:
    """Refraction (Saemundsson), arcmin, at true altitudes of any shape, as an ephemeris gives them, and an
    elevation of the site: thinner air refracts less. nan below -1 deg."""
    h = np.asarray(altitude_deg, float)
    h = np.where(h >= LOWEST_DEG, h, np.nan)[()]
    return 1.02 / np.tan(np.deg2rad(h + 10.3 / (h + 5.11))) * air_pressure_ratio(elevation_m)


def vertical_contraction(altitude_deg: np.ndarray | float, *, elevation_m: float = 0.0) -> np.ndarray | float:
    """Apparent over true vertical diameter of the disc whose centre stands at true altitudes of any shape."""
    h, r = np.asarray(altitude_deg, float), 960.0 / 3600.0
    upper = refraction_arcmin(h + r, elevation_m=elevation_m)
    lower = refraction_arcmin(h - r, elevation_m=elevation_m)
    return 1.0 - (lower - upper) / (120.0 * r)


def flattening(altitude_deg: np.ndarray | float, *, elevation_m: float = 0.0) -> np.ndarray | float:
    """1 - vertical / horizontal diameter of the refracted disc; nan when the Sun has set. The horizontal
    diameter shrinks too, since lifting the disc brings its verticals closer: cos(h + R) / cos(h)."""
    h = np.asarray(altitude_deg, float)
    lifted = np.deg2rad(h + refraction_arcmin(h, elevation_m=elevation_m) / 60.0)
    horizontal = np.cos(np.minimum(lifted, np.pi / 2)) / np.maximum(np.cos(np.deg2rad(h)), 1e-9)
    # At the zenith the expression is 0 / 0; its limit is 1 - 0.0003, the same as at every other altitude.
    limit = 1.0 - np.deg2rad(1.02 / 60.0) * air_pressure_ratio(elevation_m)
    horizontal = np.where(h > 89.0, limit, horizontal)
    flat = 1.0 - vertical_contraction(h, elevation_m=elevation_m) / horizontal
    return flat if flat.ndim else float(flat)


def flattening_err(flattened: np.ndarray | float) -> np.ndarray | float:
    """1-sigma error of a computed flattening, of any shape: 20 degrees and 3 % of pressure away from the
    formula's change refraction by 8 %, at an altitude of 8 deg 0.1 % of the radius."""
    return 0.08 * np.asarray(flattened, float)


def air_pressure_ratio(elevation_m: float) -> float:
    """Air pressure relative to sea level, at an elevation in m: standard atmosphere of ISO 2533, up to 11 km.
    The coefficients follow from its constants: lapse rate 0.0065 K/m from 288.15 K at sea level, gravity
    9.80665 m/s2, gas constant of air 287.05287 J/(kg K); 0.0065 / 288.15 and 9.80665 / (287.05287 *
    0.0065)."""
    return (1.0 - 2.25577e-5 * elevation_m) ** 5.25588
