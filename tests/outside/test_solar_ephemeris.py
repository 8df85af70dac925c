"""P, B0, L0, apparent size and distance of the Sun against published tables and a reference library."""

import csv
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers

from promtrack.settings import SiteSettings
from promtrack.sun import AU_KM, SOLAR_RADIUS_KM, sky_place, solar_view

TABLE = Path(__file__).parent / "data" / "solar_ephemeris.csv"


@pytest.fixture(autouse=True)
def offline():
    """The reference libraries must not ask the network for Earth rotation tables."""
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        yield


def rows():
    with TABLE.open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def utc(row):
    return np.datetime64(Time(row["time"], scale=row["scale"]).utc.isot, "us")


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["time"])
def test_table_of_computed_values(row):
    # TWIN  sunpy 7.0.5 + astropy 8.0.2, as listed in data/solar_ephemeris.csv. The table prints 4
    # decimals; 0.001 deg and 0.005 arcsec are ten times finer than any use here. L0: 0.01 deg, the size of
    # the aberration convention.
    view = solar_view(utc(row))
    assert view.p_deg == pytest.approx(float(row["P_deg"]), abs=0.001)
    assert view.b0_deg == pytest.approx(float(row["B0_deg"]), abs=0.001)
    assert view.l0_deg == pytest.approx(float(row["L0_deg"]), abs=0.01)
    assert view.apparent_radius_arcsec == pytest.approx(float(row["semidiameter_arcsec"]), abs=0.005)
    assert view.distance_au == pytest.approx(float(row["distance_au"]), abs=2e-7)


@pytest.mark.parametrize("row", [r for r in rows() if r["published_P_deg"]], ids=lambda row: row["time"])
def test_table_of_published_values(row):
    # PUBLISHED  Meeus 1998, Astronomical Algorithms, example 29.a; Astronomical Almanac 2013 (P, L0); JPL
    # Horizons (B0). Half the last printed digit (0.005), for P a thousandth more, and for L0 the 0.006 deg of
    # the Almanac's aberration besides.
    view = solar_view(utc(row))
    assert view.p_deg == pytest.approx(float(row["published_P_deg"]), abs=0.006)
    assert view.b0_deg == pytest.approx(float(row["published_B0_deg"]), abs=0.005)
    assert view.l0_deg == pytest.approx(float(row["published_L0_deg"]), abs=0.012)


def test_sunpy_at_many_dates():
    # TWIN  sunpy.coordinates.sun at 60 random dates, 1975 to 2025 (within its Earth rotation tables).
    sun = pytest.importorskip("sunpy.coordinates.sun")
    rng = np.random.default_rng(5)
    days = np.sort(rng.uniform(0.0, 50 * 365.25, 60))
    times = np.datetime64("1975-01-01", "us") + (days * 86400e6).astype("timedelta64[us]")
    reference = Time(times, scale="utc")
    ours = [solar_view(t) for t in times]
    assert [v.p_deg for v in ours] == pytest.approx(sun.P(reference).to_value("deg"), abs=0.0005)
    assert [v.b0_deg for v in ours] == pytest.approx(sun.B0(reference).to_value("deg"), abs=0.0003)
    apart = np.array([v.l0_deg for v in ours]) - sun.L0(reference).to_value("deg")
    assert np.abs((apart + 180.0) % 360.0 - 180.0).max() < 0.001
    assert [v.apparent_radius_arcsec for v in ours] == pytest.approx(
        sun.angular_radius(reference).to_value("arcsec"), abs=0.005
    )


@pytest.mark.parametrize(
    ("time", "radius"),
    [
        ("2025-01-04T12:00", 975.495),
        ("2025-07-03T18:00", 943.527),
        ("2026-01-03T17:00", 975.520),
        ("2026-07-06T17:00", 943.527),
    ],
)
def test_perihelion_and_aphelion(time, radius):
    # TWIN  sunpy 7.0.5 semidiameters at the extremes of distance; 0.01 arcsec is a hundredth of what shows.
    assert solar_view(np.datetime64(time)).apparent_radius_arcsec == pytest.approx(radius, abs=0.01)


def test_constants_of_the_sun():
    # PUBLISHED  IAU 2015 Resolution B3 and IAU 2012 Resolution B2.
    assert SOLAR_RADIUS_KM == 695_700.0
    assert AU_KM == 149_597_870.7


def test_altitude_and_parallactic_angle_against_astropy():
    # TWIN  astropy's AltAz at 40 times over a year, two sites, no air. 0.01 deg: UT1 taken as UTC is worth
    # 0.004 deg.
    for latitude, longitude in ((47.4, 8.5), (-33.0, 151.0)):
        site = SiteSettings(latitude, longitude, 400.0)
        times = np.datetime64("2024-01-03T05:00", "us") + np.arange(40) * np.timedelta64(9 * 3600 + 997, "s")
        place = sky_place(times, site=site)
        here = EarthLocation(lat=latitude, lon=longitude, height=400.0)
        reference = Time(times, scale="utc")
        frame = AltAz(obstime=reference, location=here)
        sun = get_sun(reference)
        assert place.altitude_deg == pytest.approx(sun.transform_to(frame).alt.deg, abs=0.01)
        up = place.altitude_deg > 2.0
        # The zenith's position angle, from the true pole of date, by spherical astronomy with the library's
        # own angles.
        step = sun.transform_to(frame)
        phi, alt, az = np.radians(latitude), step.alt.rad, step.az.rad
        towards_pole = np.sin(phi) * np.cos(alt) - np.cos(phi) * np.sin(alt) * np.cos(az)
        q = np.degrees(np.arctan2(-np.sin(az) * np.cos(phi), towards_pole))
        apart = (place.parallactic_deg - q + 180.0) % 360.0 - 180.0
        assert np.abs(apart[up]).max() < 0.03


def test_dates_far_from_now_neither_raise_nor_warn():
    # TRUTH  the radius lies between those of aphelion and perihelion, 944 and 976 arcsec, whatever the year
    for year in ("0001", "1650", "1955", "2090", "2400", "9000"):
        view = solar_view(np.datetime64(f"{year}-06-01", "us"), site=SiteSettings(10.0, 20.0))
        assert 940.0 < view.apparent_radius_arcsec < 980.0
        assert np.isfinite([view.p_deg, view.b0_deg, view.l0_deg, view.altitude_deg]).all()


def test_solar_north_turns_against_the_sky():
    # TWIN  P an hour later; it never turns faster than 0.02 deg an hour (0.46 deg a day).
    for month in range(1, 13):
        time = np.datetime64(f"2026-{month:02d}-11T09:00", "us")
        now, later = solar_view(time), solar_view(time + np.timedelta64(60, "m"))
        assert now.p_rate_deg_h == pytest.approx(later.p_deg - now.p_deg, abs=1e-6)
        assert abs(now.p_rate_deg_h) < 0.0205
