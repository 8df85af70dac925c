"""The Sun's place from FITS keywords, against astropy.wcs as the reference library."""

import os
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from promtrack.sequence import open_sequence
from promtrack.sequence.fits_header import header_from_cards
from promtrack.sequence.fitsfile import fits_frames

ROWS = 480
REAL = Path(os.environ.get("PROMTRACK_REAL_FRAMES", "nowhere")) / "rain-304"
BASE = {
    "CTYPE1": "HPLN-TAN",
    "CTYPE2": "HPLT-TAN",
    "CUNIT1": "arcsec",
    "CUNIT2": "arcsec",
    "CRVAL1": 0.0,
    "CRVAL2": 0.0,
    "CRPIX1": 700.25,
    "CRPIX2": -90.5,
    "CDELT1": 0.6,
    "CDELT2": 0.6,
    "RSUN_OBS": 944.12,
    "DSUN_OBS": 1.52057e11,
}


def turned(roll_deg, mirror=1.0, scale=0.6):
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    return {
        "PC1_1": c * mirror,
        "PC1_2": -s,
        "PC2_1": s * mirror,
        "PC2_2": c,
        "CDELT1": scale,
        "CDELT2": scale,
    }


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"CROTA2": -0.1317},
        {"CROTA2": 33.0},
        {"CROTA2": 200.0},
        turned(41.0),
        turned(-120.0),
        turned(25.0, mirror=-1.0),
        {"CD1_1": 0.5, "CD1_2": -0.2, "CD2_1": 0.2, "CD2_2": 0.5},
        {"CRVAL1": -850.0, "CRVAL2": 300.0, "CROTA2": 12.0},
        {"CUNIT1": "deg", "CUNIT2": "deg", "CDELT1": 0.6 / 3600, "CDELT2": 0.6 / 3600},
        {"CDELT1": -0.6},
    ],
)
@pytest.mark.parametrize("bottom_up", [True, False])
def test_against_astropy(change, bottom_up):
    # TWIN  astropy.wcs places Sun centre, a point to the north and one to the east
    cards = BASE | change
    if "CD1_1" in cards:
        cards = {k: v for k, v in cards.items() if not k.startswith("CDELT")}
    header = header_from_cards(cards, rows=ROWS, bottom_up=bottom_up)
    wcs = WCS(fits.Header({k: v for k, v in cards.items() if not k.startswith(("RSUN", "DSUN"))}), fix=False)
    factor = 1 / 3600 if str(wcs.wcs.cunit[0]) == "deg" else 1.0

    def displayed(x_arcsec, y_arcsec):
        x, y = wcs.wcs_world2pix([[x_arcsec * factor, y_arcsec * factor]], 0)[0]
        return np.array([x, ROWS - 1 - y if bottom_up else y])

    centre = displayed(0, 0)
    # off-centre pointings are taken as flat: at 900 arcsec the gnomonic projection differs by 0.006 arcsec
    assert (header.centre_x_px, header.centre_y_px) == pytest.approx(tuple(centre), abs=0.02)
    north, east = displayed(0, 1) - centre, displayed(-1, 0) - centre
    north_deg, east_deg = (np.degrees(np.arctan2(-dx, -dy)) for dx, dy in (north, east))
    assert (header.north_deg - north_deg + 180) % 360 - 180 == pytest.approx(0, abs=1e-3)
    assert header.mirrored == ((east_deg - north_deg) % 360 > 180)
    assert header.arcsec_per_px == pytest.approx(1 / np.sqrt(np.hypot(*north) * np.hypot(*east)), rel=1e-4)


def test_radius_from_reference_and_distance():
    # TRUTH  radius = asin(RSUN_REF / DSUN_OBS); 695 700 km at 1 au is 959.231 arcsec
    cards = {k: v for k, v in BASE.items() if k != "RSUN_OBS"} | {
        "RSUN_REF": 6.957e8,
        "DSUN_OBS": 149_597_870_700,
    }
    assert header_from_cards(cards, rows=ROWS).rsun_arcsec == pytest.approx(959.231, abs=0.001)


@pytest.mark.parametrize(
    "change",
    [
        {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN"},
        {"CTYPE1": ""},
        {"CDELT1": 0.0},
        {"CRPIX1": "left"},
        {"CUNIT1": "ell"},
        {"CDELT1": float("inf")},
        {"CD1_1": 0.0, "CD2_2": 0.0},
    ],
)
def test_headers_that_do_not_place_the_sun(change):
    assert header_from_cards(BASE | change, rows=ROWS) is None


def test_reference_picture_of_a_library():
    # PUBLISHED  header of sunpy's sample aia_171_level1.fits (SDO): 971.8126 / 19.183648 = 50.66 px
    sample = Path(pytest.importorskip("sunpy.data.test").rootdir) / "aia_171_level1.fits"
    cards = fits_frames(sample, sample.stat().st_size, alone=True)[0].stamps.fits
    header = header_from_cards(cards, rows=cards["NAXIS2"])
    assert header.rsun_arcsec / header.arcsec_per_px == pytest.approx(50.66, abs=0.005)
    assert (header.centre_x_px, header.centre_y_px) == pytest.approx((63.5, 63.5), abs=2.0)


@pytest.mark.skipif(not REAL.is_dir(), reason="the real sequence is not at hand")
def test_real_sequence():
    # PUBLISHED  keywords of the files themselves: DATAMEAN, T_OBS (the middle of the exposure), CRPIX, CDELT,
    # RSUN_OBS
    sequence = open_sequence(REAL)
    assert len(sequence) == 26
    assert not sequence.unreadable
    assert sequence.shape == (500, 370)
    with fits.open(sorted(REAL.glob("*.fits"))[0]) as units:
        cards = units[1].header
        data = units[1].data
    assert abs(sequence.times_utc[0] - np.datetime64(cards["T_OBS"])) < np.timedelta64(1, "ms")
    assert sequence.frame(0).mean() == pytest.approx(cards["DATAMEAN"], rel=1e-6)
    np.testing.assert_array_equal(sequence.frame(0), data[::-1])
    header = sequence.header
    assert header.centre_x_px == pytest.approx(cards["CRPIX1"] - 1)
    assert header.centre_y_px == pytest.approx(500 - cards["CRPIX2"])
    assert header.arcsec_per_px == pytest.approx(cards["CDELT1"])
    assert header.rsun_arcsec == pytest.approx(cards["RSUN_OBS"])
    assert np.diff(sequence.time_s) == pytest.approx(36.0, abs=0.1)
    assert not sequence.time_report.problems
