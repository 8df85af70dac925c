"""Refraction and the flattening of the disc against a published example and by summing the formula."""

import numpy as np
import pytest

from promtrack.sun import flattening, flattening_err, refraction_arcmin
from promtrack.sun.ephemeris import vertical_contraction


def test_worked_example():
    # PUBLISHED  Meeus 1998, Astronomical Algorithms, example 16.a (p. 107): the Sun's upper limb at a true
    # altitude of 33.246 arcmin is lifted by 24.618 arcmin. Tolerance: the last printed digit.
    assert refraction_arcmin(33.246 / 60.0) == pytest.approx(24.618, abs=0.001)


def test_table_of_the_flattened_disc():
    # TWIN  a table computed by an independent script from the same formula for a disc of 32 arcmin; half of
    # its last digits, and 0.0001 for the different radius (960 arcsec is 32.00 arcmin across).
    altitude = np.array([5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0])
    assert refraction_arcmin(altitude) == pytest.approx(
        [9.674, 5.408, 3.675, 2.741, 1.746, 1.013, 0.585], abs=0.001
    )
    assert vertical_contraction(altitude) == pytest.approx(
        [0.97570, 0.99175, 0.99596, 0.99760, 0.99884, 0.99941, 0.99961], abs=0.0001
    )
    assert 1.0 - flattening(altitude) == pytest.approx(
        [0.97595, 0.99203, 0.99624, 0.99789, 0.99914, 0.99971, 0.99990], abs=0.0001
    )


def test_flattening_in_arcsec():
    # TWIN  the same table: a radius of 960 arcsec is shorter vertically than horizontally by these amounts.
    altitude = np.array([5.0, 10.0, 20.0, 30.0, 45.0])
    assert 960.0 * flattening(altitude) == pytest.approx([23.1, 7.7, 2.0, 0.8, 0.3], abs=0.06)


def test_thin_air_refracts_less_and_a_set_sun_is_nan():
    # TRUTH  the barometric formula with a scale height of 8.4 km: exp(-1.9 / 8.4) = 0.797, within 1 %.
    assert refraction_arcmin(10.0, elevation_m=1900.0) / refraction_arcmin(10.0) == pytest.approx(
        0.795, abs=0.008
    )
    assert np.isnan(refraction_arcmin(-3.0))
    assert np.isnan(flattening(np.array([-3.0, 40.0]))).tolist() == [True, False]
    assert flattening(90.0) == pytest.approx(0.0, abs=1e-4)


def test_the_air_that_is_not_known_is_an_error():
    # TRUTH  refraction goes with the density of the air: 20 K of 283 K and 3 % of the pressure, in
    # quadrature, are 7.7 %; at 8 deg that is about 0.1 % of the radius.
    assert flattening_err(flattening(8.0)) == pytest.approx(0.001, abs=0.0002)
    assert flattening_err(1.0) == pytest.approx(np.hypot(20.0 / 283.0, 0.03), rel=0.05)
