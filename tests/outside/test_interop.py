"""Products in other hands: tables with units in astropy, strip.fits by the FITS standard, the reference frame
in sunpy.

The products are those of the small scene, measured with an orientation given, so that the reference frame has
celestial coordinates. What the scene shows does not matter here, only that everyone agrees where it lies.
"""

import warnings

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.table import QTable
from astropy.time import Time
from astropy.utils import iers

from promtrack import pipeline
from promtrack.settings import Settings
from promtrack.settings_text import change_settings

AGREE_ARCSEC = 0.5


@pytest.fixture(
    scope="module",
    params=[
        pytest.param((30.0, False), id="plain", marks=pytest.mark.long),
        pytest.param((-115.0, True), id="mirrored"),
    ],
)
def oriented(request, small_frames, tmp_path_factory):
    """Folder of measured products whose position angles are known; clip and figures are not needed here."""
    folder = tmp_path_factory.mktemp("oriented") / "run"
    north, mirrored = request.param
    settings = change_settings(Settings(), {"camera.north_deg": north, "camera.mirrored": mirrored})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "STAGES", ("lock", "strip", "motion"))
        pipeline.run(small_frames, folder, settings)
    return folder


@pytest.fixture
def reference(oriented):
    """The reference frame as a sunpy Map."""
    sunpy_map = pytest.importorskip("sunpy.map")  # imported late: it takes seconds
    with fits.open(oriented / "strip.fits") as hdus, iers.conf.set_temp("auto_download", False):
        return sunpy_map.Map(hdus["REFERENCE"].data, hdus["REFERENCE"].header)


@pytest.fixture
def points(oriented):
    """Knot points whose pixels are brought to the reference frame by the centres that frames.ecsv gives."""
    table, lock = QTable.read(oriented / "knot_points.ecsv"), QTable.read(oriented / "frames.ecsv")
    assert len(table) >= 20
    reference, frame = lock.meta["reference"], np.asarray(table["frame"])
    assert np.abs(lock["angle_deg"][frame]).max() < 1e-9 * u.deg  # equatorial: a shift is all that is needed
    x = table["x_px"] - lock["centre_x_px"][frame] + lock["centre_x_px"][reference]
    y = table["y_px"] - lock["centre_y_px"][frame] + lock["centre_y_px"][reference]
    table["map_x"], table["map_y"] = x.value, lock.meta["shape"][0] - 1 - y.value  # FITS rows run bottom-up
    return table


@pytest.mark.parametrize(
    "name", ["frames", "knots", "knot_points", "front_points", "front_fits", "ridges", "oscillations"]
)
def test_tables_open_with_units(oriented, name):
    # TWIN  astropy's own reader of ECSV (Astropy Proposal for Enhancement 6).
    table = QTable.read(oriented / f"{name}.ecsv")
    for ending, unit in (
        ("_km_s", u.km / u.s),
        ("_m_s2", u.m / u.s**2),
        ("_mm", u.Mm),
        ("_px", u.pix),
        ("_deg", u.deg),
    ):
        for column in (c for c in table.colnames if c.endswith(ending)):
            assert table[column].unit == unit, column


def test_speeds_turn_into_other_units(oriented):
    # TWIN  The speed is the length of its two parts less the bias of noise, error^2 / (2 speed): at 5 sigma a
    # tenth of the error.
    knots = QTable.read(oriented / "knots.ecsv")
    error = np.maximum(knots["radial_err_km_s"], knots["along_err_km_s"]).to(u.m / u.s)
    clear = knots[knots["speed_km_s"] > 5 * error]
    assert len(clear) >= 2
    length = np.hypot(clear["radial_km_s"], clear["along_km_s"]).to(u.m / u.s)
    assert np.all(np.abs(length - clear["speed_km_s"]) < 0.1 * error.max() + 0.001 * u.m / u.s)


def test_strip_is_good_fits(oriented):
    # TWIN  astropy's own check against the FITS Standard, which raises on any departure.
    with fits.open(oriented / "strip.fits") as hdus:
        hdus.verify("exception")
        assert (oriented / "strip.fits").stat().st_size % 2880 == 0
        assert [hdu.name for hdu in hdus[1:]] == ["STRIPS", "TIMES", "NOISE", "REFERENCE"]
        for hdu in hdus:
            for card in hdu.header.cards:
                card.verify("exception")
        header, times = hdus["STRIPS"].header, hdus["TIMES"]
        assert header["CTYPE1"] == "POSANGLE"
        assert header["POSANG"] is True
        assert len(times.data) == header["NAXIS3"]
        moments = Time([t.rstrip("Z") for t in times.data["time"]], format="isot", scale="utc")
        assert np.allclose(
            (moments - moments[0]).to_value("s"), times.data["time_s"], atol=2e-6
        )  # microseconds, rounded
        assert times.columns["time_s"].unit == "s"
        assert times.columns["centre_err_mm"].unit == "Mm"


def test_reference_frame_opens_in_sunpy(reference, oriented):
    sun = pytest.importorskip("sunpy.coordinates.sun")
    # TWIN  sunpy's ephemeris and its reading of the header; 0.01 deg as in the Astronomical Almanac's P, B0.
    with warnings.catch_warnings(), iers.conf.set_temp("auto_download", False):
        warnings.simplefilter("ignore")  # sunpy on dates for which no Earth rotation table is at hand
        assert reference.coordinate_system.axis1 == "HPLN-TAN"
        assert reference.observer_coordinate.lat.deg == pytest.approx(sun.B0(reference.date).deg, abs=0.01)
        assert reference.rsun_obs.to_value("arcsec") == pytest.approx(
            sun.angular_radius(reference.date).arcsec, abs=0.01
        )
        assert reference.meta["solar_p0"] == pytest.approx(sun.P(reference.date).deg, abs=0.01)
    lock = QTable.read(oriented / "frames.ecsv")
    centre = reference.world_to_pixel(SkyCoord(0 * u.arcsec, 0 * u.arcsec, frame=reference.coordinate_frame))
    assert centre.x.value == pytest.approx(lock["centre_x_px"][lock.meta["reference"]].value, abs=1e-6)


def test_pixels_through_sunpy_give_our_angles_and_heights(reference, points, oriented):
    # TWIN  pixel -> Tx, Ty by sunpy -> position angle and distance; Thompson 2006, A&A 449, 791.
    place = reference.pixel_to_world(points["map_x"] * u.pix, points["map_y"] * u.pix)
    limb_mm = fits.getheader(oriented / "strip.fits", "STRIPS")["LIMBDIST"]
    rho = ((limb_mm + points["height_mm"].value) * u.Mm / reference.dsun).to_value(
        "", equivalencies=u.dimensionless_angles()
    )
    ours_x, ours_y = -np.arctan(rho) * np.sin(points["pa_deg"]), np.arctan(rho) * np.cos(points["pa_deg"])
    apart = np.hypot(
        place.Tx.to_value("arcsec") - (ours_x * u.rad).to_value("arcsec"),
        place.Ty.to_value("arcsec") - (ours_y * u.rad).to_value("arcsec"),
    )
    assert apart.max() < AGREE_ARCSEC


def test_heights_and_angles_through_sunpy_give_our_pixels(reference, points, oriented):
    frames = pytest.importorskip("sunpy.coordinates.frames")
    # TWIN  the other way: a point in the plane of the sky in Mm, carried to the picture by sunpy's frames
    # alone.
    limb_mm = fits.getheader(oriented / "strip.fits", "STRIPS")["LIMBDIST"]
    r = (limb_mm + points["height_mm"].value) * u.Mm
    observer = reference.observer_coordinate
    plane = SkyCoord(
        -r * np.sin(points["pa_deg"]),
        r * np.cos(points["pa_deg"]),
        0 * r,
        frame=frames.Heliocentric(observer=observer, obstime=reference.date),
    )
    there = reference.world_to_pixel(plane.transform_to(reference.coordinate_frame))
    apart = np.hypot(
        there.x.value - points["map_x"], there.y.value - points["map_y"]
    ) * reference.scale.axis1.to_value("arcsec / pix")
    assert apart.max() < AGREE_ARCSEC
