"""Orientation: position angles, zenith, field rotation, against the world coordinates of a reference
library."""

import numpy as np
import pytest
from astropy.wcs import WCS

from promtrack.sequence.records import SolarHeader
from promtrack.settings import CameraSettings, SiteSettings
from promtrack.sun import field_turn_deg, orient, sky_place, solar_view, zenith_image_deg

TIME = np.datetime64("2024-05-11T09:00", "us")
ROWS = 600


def displayed_wcs(roll_deg, mirrored):
    """A helioprojective WCS of a picture whose solar north stands `roll_deg` counter-clockwise of up when
    displayed.

    FITS rows run bottom-up, so a displayed pixel (x, y) has FITS pixel (x + 1, ROWS - y).
    """
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.cunit = ["HPLN-TAN", "HPLT-TAN"], ["arcsec", "arcsec"]
    wcs.wcs.crpix, wcs.wcs.crval = [400.0, 300.0], [0.0, 0.0]
    q = np.radians(roll_deg)
    # Rotation of the FITS plane, where y points up: solar X to the right (west) unless mirrored.
    turn = np.array([[np.cos(q), np.sin(q)], [-np.sin(q), np.cos(q)]])
    wcs.wcs.cdelt = [-1.2 if mirrored else 1.2, 1.2]
    wcs.wcs.pc = turn
    wcs.wcs.set()
    return wcs


def image_angle_of_pa(wcs, pa_deg):
    """Image angle at which the reference library places a position angle."""
    x, y = (
        -1000.0 * np.sin(np.radians(pa_deg)) / 3600.0,
        1000.0 * np.cos(np.radians(pa_deg)) / 3600.0,
    )  # degrees
    there = wcs.wcs_world2pix([[x, y]], 1)[0]
    centre = wcs.wcs_world2pix([[0.0, 0.0]], 1)[0]
    dx, dy = there[0] - centre[0], -(there[1] - centre[1])
    return np.degrees(np.arctan2(-dx, -dy))


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("roll", [0.0, 33.0, -120.0, 170.0])
def test_header_north_against_astropy(roll, mirrored):
    # TWIN  astropy.wcs: where a helioprojective header puts the position angles 0, 60 and 200.
    wcs = displayed_wcs(roll, mirrored)
    north = image_angle_of_pa(wcs, 0.0)
    header = SolarHeader(0.0, 0.0, 1.2, np.nan, np.nan, north, mirrored)
    orientation = orient(solar_view(TIME), camera=CameraSettings(), header=header)
    assert orientation.position_angles
    for pa in (0.0, 60.0, 200.0):
        apart = orientation.to_image(pa) - image_angle_of_pa(wcs, pa)
        assert (apart + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-3)
        assert (orientation.to_product(orientation.to_image(pa)) - pa) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("mirrored", "zero"), [(False, 10.0 - 21.7935), (True, 10.0 + 21.7935)])
def test_celestial_north_and_p(mirrored, zero):
    # TRUTH  P = -21.79: the Sun's pole stands west of celestial north, that is clockwise of it unless the
    # picture is mirrored.
    orientation = orient(solar_view(TIME), camera=CameraSettings(north_deg=10.0, mirrored=mirrored))
    assert orientation.zero_deg == pytest.approx(zero, abs=0.001)
    assert orientation.sign == (-1 if mirrored else 1)
    assert orientation.error_deg == 0.5
    # Solar east is a quarter turn from solar north on the side where celestial east is.
    east = orientation.to_image(90.0)
    assert (east - orientation.zero_deg) == pytest.approx(-90.0 if mirrored else 90.0)


def test_turn_of_the_first_frame_is_taken_out():
    # TRUTH  A point at image angle theta of the reference frame is seen at theta + turn in the first frame
    # (limb/records.py).
    camera = CameraSettings(north_deg=10.0)
    plain, turned = (orient(solar_view(TIME), camera=camera, turn_deg=t) for t in (0.0, 4.0))
    assert plain.zero_deg - turned.zero_deg == pytest.approx(4.0)


def test_without_north_angles_are_image_angles():
    orientation = orient(solar_view(TIME), camera=CameraSettings(mirrored=True))
    assert not orientation.position_angles
    assert orientation.label == "image angle"
    assert (orientation.zero_deg, orientation.sign) == (0.0, 1)
    assert "north_deg is not set" in orientation.source


def test_far_from_earth_celestial_north_is_not_enough():
    header = SolarHeader(0.0, 0.0, np.nan, 2790.4, np.nan, np.nan, False)
    view = solar_view(TIME, header=header)
    orientation = orient(view, camera=CameraSettings(north_deg=3.0), header=header)
    assert not orientation.position_angles
    assert "not near the Earth" in orientation.source


def test_a_header_that_contradicts_the_user_is_named():
    view = solar_view(TIME)
    camera = CameraSettings(north_deg=0.0)
    agreeing = SolarHeader(0.0, 0.0, 1.2, np.nan, np.nan, view.p_deg, False)
    assert "agrees" in orient(view, camera=camera, header=agreeing).source
    upside_down = SolarHeader(0.0, 0.0, 1.2, np.nan, np.nan, view.p_deg + 180.0, False)
    assert "says otherwise" in orient(view, camera=camera, header=upside_down).source


SITE = SiteSettings(47.4, 8.5)


def test_zenith_turns_on_an_equatorial_mount_only():
    # TRUTH  north plus or minus the parallactic angle
    times = TIME + np.arange(4) * np.timedelta64(3600, "s")
    parallactic = sky_place(times, site=SITE).parallactic_deg
    equatorial = zenith_image_deg(times, site=SITE, camera=CameraSettings(north_deg=20.0))
    assert equatorial == pytest.approx(20.0 + parallactic)
    mirrored = zenith_image_deg(times, site=SITE, camera=CameraSettings(north_deg=20.0, mirrored=True))
    assert mirrored == pytest.approx(20.0 - parallactic)
    still = zenith_image_deg(times, site=SITE, camera=CameraSettings(north_deg=20.0, mount="altazimuth"))
    assert still == pytest.approx(np.full(4, 20.0 + parallactic[0]))
    assert np.isnan(zenith_image_deg(times, site=SITE, camera=CameraSettings())).all()
    assert np.isnan(zenith_image_deg(times, site=SiteSettings(), camera=CameraSettings(north_deg=1.0))).all()


def test_afternoon_zenith_stands_east_of_north():
    # TRUTH  Common practice, no source: in the northern hemisphere's afternoon the Sun sets to the right
    # and celestial north leans right of the zenith, so the zenith lies on north's left, the eastern side:
    # position angle above 0.
    times = np.array(["2024-05-11T07:00", "2024-05-11T15:00"], "datetime64[us]")
    morning, afternoon = sky_place(times, site=SITE).parallactic_deg
    assert morning < -20.0
    assert afternoon > 20.0


def test_field_rotation():
    # TRUTH  On an altazimuth mount the zenith stays put and the sky turns beneath it: north = zenith -
    # parallactic angle.
    times = TIME + np.arange(5) * np.timedelta64(1800, "s")
    parallactic = sky_place(times, site=SITE).parallactic_deg
    for mirrored, sign in ((False, 1.0), (True, -1.0)):
        camera = CameraSettings(mount="altazimuth", mirrored=mirrored)
        turn = field_turn_deg(times, site=SITE, camera=camera)
        assert turn == pytest.approx(-sign * (parallactic - parallactic[0]))
    assert not field_turn_deg(times, site=SITE, camera=CameraSettings()).any()
