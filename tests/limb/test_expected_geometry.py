"""What site and clock say beforehand of the shape of the limb."""

import numpy as np
import pytest

from promtrack.limb.expected_geometry import expected_sky
from promtrack.settings import CameraSettings, SiteSettings
from promtrack.sun import flattening

NOON = np.array(["2026-05-17T11:00:00", "2026-05-17T11:10:00"], "datetime64[us]")
DAWN = np.array(["2026-05-17T04:40:00", "2026-05-17T04:46:00"], "datetime64[us]")
SITE = SiteSettings(latitude_deg=47.0, longitude_deg=9.0)


def test_unknown_site_leaves_flattening_as_an_error_of_the_radius():
    # TRUTH  by its definition: the rms over altitudes from 8 to 60 deg of what flattening does to the
    # curvature of a short arc, R (1 + f - 3 f sin^2): rms over all angles sqrt(1 - 6/2 + 9 * 3/8) = 1.17 f.
    expected = expected_sky(NOON, site=SiteSettings(), camera=CameraSettings())
    angle = np.linspace(0.0, np.pi, 1000, endpoint=False)
    bent = np.sqrt(np.mean((1 - 3 * np.sin(angle) ** 2) ** 2))
    altitude = np.arange(8.0, 61.0)
    assert expected.radius_err == pytest.approx(bent * np.sqrt(np.mean(flattening(altitude) ** 2)), rel=0.01)
    assert f"{100 * expected.radius_err:.2f} %" in expected.notes[0]
    assert (expected.flattening == 0).all()
    # and the drift is that of the lowest Sun thought of, 8 deg high and climbing
    assert expected.unmodelled == pytest.approx(flattening(np.array([8.0, 8.0 + 10.0 / 6.0])))


def test_low_sun_of_unknown_north_is_said_and_carried():
    # TRUTH  the Sun of these times stands about 8 deg high at the site: refraction flattens it by 1.1 %
    expected = expected_sky(DAWN, site=SITE, camera=CameraSettings())
    assert "camera.north_deg" in expected.notes[0]
    assert 0.01 < expected.radius_err < 0.02  # 8 deg high: flattened by 1.1 %
    assert expected.unmodelled[0] > expected.unmodelled[1] > 0.009


def test_nothing_is_left_open_where_the_sun_is_high():
    expected = expected_sky(NOON, site=SITE, camera=CameraSettings())
    assert expected.radius_err == 0.0
    assert (expected.unmodelled == 0.0).all()
    assert expected.notes == ()
    assert (expected.flattening == 0).all()


def test_of_a_modelled_flattening_the_airs_temperature_and_pressure_are_left():
    # TRUTH  8 % of the flattening, times sqrt(11 / 8) for a short arc.
    expected = expected_sky(DAWN, site=SITE, camera=CameraSettings(north_deg=60.0))
    assert expected.notes == ()
    assert expected.unmodelled == pytest.approx(0.08 * expected.flattening)
    assert expected.radius_err == pytest.approx(np.sqrt(11 / 8) * 0.08 * expected.flattening.max(), rel=1e-6)
