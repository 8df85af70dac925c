"""Refraction and the flattening of the disc against the published examples."""

import numpy as np
import pytest

from promtrack.sun import flattening, refraction_arcmin, refraction_from_apparent_arcmin
from promtrack.sun.refraction import vertical_contraction


def test_worked_example():
    # PUBLISHED  Meeus 1998, Astronomical Algorithms, example 16.a (p. 107): lower limb at apparent altitude
    # 0.5 deg, true diameter 32 arcmin. Tolerance: the last printed digit.
    lower = refraction_from_apparent_arcmin(0.5)
    assert lower == pytest.approx(28.754, abs=0.001)
    assert 30.0 - lower == pytest.approx(1.246, abs=0.001)
    true_upper = 30.0 - lower + 32.0
    assert true_upper == pytest.approx(33.246, abs=0.001)
    upper = refraction_arcmin(true_upper / 60.0)
    assert upper == pytest.approx(24.618, abs=0.001)
    assert true_upper + upper - 30.0 == pytest.approx(27.864, abs=0.002)


def test_bennett_at_the_zenith():
    # PUBLISHED  Meeus 1998, p. 106: the uncorrected formula gives -0.08 arcsec at 90 deg.
    assert refraction_from_apparent_arcmin(90.0) * 60.0 == pytest.approx(-0.08, abs=0.01)


def test_table_of_the_flattened_disc():
    # PUBLISHED  table computed from Saemundsson's formula for a disc of 32 arcmin (Meeus 1998, ch. 16);
    # tolerance
    # 0.0005.
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
    # PUBLISHED  same source: a radius of 960 arcsec is shorter vertically than horizontally by these amounts.
    altitude = np.array([5.0, 10.0, 20.0, 30.0, 45.0])
    assert 960.0 * flattening(altitude) == pytest.approx([23.1, 7.7, 2.0, 0.8, 0.3], abs=0.06)


def test_thin_air_refracts_less_and_a_set_sun_is_nan():
    # The standard atmosphere has 79.5 % of the sea-level pressure at 1900 m (ISO 2533, from memory): 1 %.
    assert refraction_arcmin(10.0, elevation_m=1900.0) / refraction_arcmin(10.0) == pytest.approx(
        0.795, abs=0.008
    )
    assert np.isnan(refraction_arcmin(-3.0))
    assert np.isnan(flattening(np.array([-3.0, 40.0]))).tolist() == [True, False]
    assert flattening(90.0) == pytest.approx(0.0, abs=1e-4)
