"""Heights and position angles of points given in helioprojective coordinates: worked numbers and a
reference library."""

import numpy as np
import pytest
from astropy.utils import iers
from astropy.wcs import WCS

from promtrack.sequence.records import SolarHeader
from promtrack.settings import CameraSettings, LimbSettings, StripSettings
from promtrack.strip import frame_to_strip, strip_geometry, strip_to_frame
from promtrack.sun import ARCSEC_PER_RAD, AU_KM, SOLAR_RADIUS_KM, measure_scale, orient, solar_view
from tests.strip.sky import make_lock

TIME = np.datetime64("2024-05-11T09:00", "us")
ARCSEC_PER_PX = 1.0
SHAPE = (2400, 2400)
CENTRE = (1199.5, 1199.5)
# TRUTH  computed by hand with the conventions of Thompson 2006, A&A 449, 791 (X to the west, Y to the north,
# PA north through east) for 2024-05-11 09:00 UTC: X, Y, rho [arcsec], PA [deg], height in the plane through
# the Sun's centre [Mm]. Tolerances: 0.001 deg, 0.01 Mm.
EXAMPLE = [
    (-900, 500, 1029.563, 60.945, 58.540),
    (0, 1000, 1000.000, 0.000, 36.882),
    (980, 0, 980.000, 270.000, 22.230),
    (700, -700, 989.949, 225.000, 29.519),
    (-600, -800, 1000.000, 143.130, 36.882),
]


def whole_disc():
    """North-up picture of 1 arcsec per px whose limb is the photosphere (limb.height_mm = 0, as in the
    example)."""
    view = solar_view(TIME)
    # a pixel is the tangent of an arcsec, so the limb's radius is the tangent of the apparent radius
    radius = np.tan(view.apparent_radius_arcsec / ARCSEC_PER_RAD) * ARCSEC_PER_RAD / ARCSEC_PER_PX
    lock = make_lock([CENTRE], SHAPE, radius_px=radius, from_deg=-180.0, to_deg=180.0)
    header = SolarHeader(*CENTRE, ARCSEC_PER_PX, np.nan, np.nan, 0.0, False)
    limb = LimbSettings(height_mm=0.0)
    scale = measure_scale(radius, 0.1, view, camera=CameraSettings(), limb=limb)
    orientation = orient(view, camera=CameraSettings(), header=header)
    return (
        lock,
        scale,
        orientation,
        strip_geometry(lock, scale, orientation, strip=StripSettings()),
    )


@pytest.mark.parametrize(("x", "y", "rho", "pa", "height"), EXAMPLE)
def test_unwrapping_example(x, y, rho, pa, height):
    # TRUTH  the table above
    lock, _, orientation, geometry = whole_disc()
    tangent = np.tan(rho / ARCSEC_PER_RAD) * ARCSEC_PER_RAD / rho
    angle, found = frame_to_strip(
        geometry, lock, orientation, 0, CENTRE[0] + x * tangent, CENTRE[1] - y * tangent
    )
    assert np.hypot(x, y) == pytest.approx(rho, abs=0.0006)
    assert angle % 360.0 == pytest.approx(pa, abs=0.001) or angle % 360.0 == pytest.approx(
        360.0 + pa, abs=0.001
    )
    # The example measures in the plane through the centre (rho - limb, times distance); the limb itself seen
    # along a tangent stands R / cos(semidiameter) there: 0.008 Mm.
    assert found == pytest.approx(height, abs=0.01)


def test_heights_against_the_small_angle_form():
    # TRUTH  the same table's small-angle heights at 732.577 km per arcsec, 0.01 Mm.
    view = solar_view(TIME)
    km = view.distance_au * AU_KM / ARCSEC_PER_RAD
    assert km == pytest.approx(732.577, abs=0.001)
    for (_, _, rho, _, _), height in zip(EXAMPLE, (58.531, 36.874, 22.223, 29.511, 36.874), strict=True):
        assert (rho - view.apparent_radius_arcsec) * km / 1000.0 == pytest.approx(height, abs=0.01)


@pytest.mark.parametrize(("roll", "mirrored"), [(0.0, False), (37.0, False), (-125.0, True)])
def test_round_trip_through_sunpy(roll, mirrored):
    # TWIN  sunpy: a WCS that says north stands `roll` counter-clockwise of up; its pixel_to_world gives Tx,
    # Ty and so PA.
    pytest.importorskip("sunpy.coordinates")
    view = solar_view(TIME)
    claim = SolarHeader(np.nan, np.nan, 1.2, np.nan, np.nan, roll, mirrored)
    orientation = orient(view, camera=CameraSettings(), header=claim)
    lock = make_lock([(300.0, 900.0)], (600, 700), radius_px=790.0, from_deg=-25.0, to_deg=25.0)
    scale = measure_scale(790.0, 0.5, view, camera=CameraSettings(), limb=LimbSettings())
    geometry = strip_geometry(lock, scale, orientation, strip=StripSettings())
    q, sign = np.radians(roll), -1.0 if mirrored else 1.0
    header = {
        "ctype1": "HPLN-TAN",
        "ctype2": "HPLT-TAN",
        "cunit1": "arcsec",
        "cunit2": "arcsec",
        "crval1": 0.0,
        "crval2": 0.0,
        "crpix1": 301.0,
        "crpix2": 600.0 - 900.0,
        "cdelt1": scale.arcsec_per_px,
        "cdelt2": scale.arcsec_per_px,
        "pc1_1": sign * np.cos(q),
        "pc1_2": sign * np.sin(q),
        "pc2_1": -np.sin(q),
        "pc2_2": np.cos(q),
        "date-obs": str(TIME)[:19],
        "mjd-obs": 60441.375,
        "dsun_obs": view.distance_au * AU_KM * 1e3,
        "hgln_obs": 0.0,
        "hglt_obs": view.b0_deg,
        "rsun_ref": SOLAR_RADIUS_KM * 1e3,
    }
    with iers.conf.set_temp("auto_download", False):
        world = WCS({key.upper(): value for key, value in header.items()})
        for column, row in ((40, 60), (geometry.columns - 60, 200)):
            angle, height = geometry.angle_deg(column), geometry.height_mm(row)
            x, y = strip_to_frame(geometry, lock, orientation, 0, angle, height)
            place = world.pixel_to_world(float(x), 599.0 - float(y))
            pa = np.degrees(np.arctan2(-place.Tx.arcsec, place.Ty.arcsec))
            assert (pa - angle + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-3)
            rho = np.hypot(place.Tx.arcsec, place.Ty.arcsec) / ARCSEC_PER_RAD
            # a plane through the Sun's centre, 0.01 Mm: the tangent limb stands 0.008 Mm higher there
            assert np.tan(rho) * view.distance_au * AU_KM / 1e3 - geometry.limb_mm == pytest.approx(
                height, abs=0.02
            )
