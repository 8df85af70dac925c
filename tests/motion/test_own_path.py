"""Ridges along the knots' own paths: found, with their own speed, and silent where nothing stands out."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion.knots import find_knots
from promtrack.motion.own_path import own_path_ridges, path_of
from promtrack.motion.records import OWN_PATH
from promtrack.motion.tracks import track_knots
from promtrack.settings import MotionSettings
from promtrack.strip.slit import parse_path
from tests.motion.made_strips import Recipe, made_strip

SCENE = Recipe(
    frames=90,
    rows=140,
    columns=340,
    knots=6,
    threads=8,
    knot_frames=(15, 40),
    knot_km_s=(15.0, 120.0),
    knot_snr=(14.0, 30.0),
)


@pytest.fixture(scope="module")
def tracked(tmp_path_factory):
    strip, _ = made_strip(SCENE, tmp_path_factory.mktemp("own"), 12)
    knots, _ = track_knots(
        strip,
        find_knots(strip),
        motion=MotionSettings(),
        scale_err=0.0,
        clock_err=0.0,
        rng=np.random.default_rng(0),
    )
    return strip, knots


def ridges_of(strip, knots):
    return own_path_ridges(strip, knots, fastest_km_s=250.0, rng=np.random.default_rng(0))


def test_most_moving_knots_have_a_ridge_that_agrees(tracked):
    # TRUTH  bright knots on paths of their own: four in five have a ridge, in median as fast as the knot
    # within 5 % (their errors), and all but one agree (nine in ten asked)
    strip, knots = tracked
    moving = {knot.knot: knot for knot in knots if knot.moving}
    ridges = ridges_of(strip, knots)
    assert len(moving) >= 4
    assert {ridge.slit for ridge in ridges} == {OWN_PATH}
    assert len({ridge.knot for ridge in ridges} & set(moving)) == len(ridges) >= 0.8 * len(moving)
    assert sum(ridge.agrees for ridge in ridges) >= len(ridges) - 1
    assert np.median([abs(ridge.speed_km_s / ridge.knot_speed_km_s - 1) for ridge in ridges]) < 0.05
    assert all(ridge.speed_km_s > 0 for ridge in ridges)  # the path leads the way that the knot goes


def test_the_speed_is_read_from_the_strips_not_from_the_knot(tracked):
    # TRUTH  the same strips with knots that claim to be 20 % faster along the same paths: the ridges stay as
    # they were
    strip, knots = tracked
    claimed = [replace(knot, fit=replace(knot.fit, speed_km_s=1.2 * knot.fit.speed_km_s)) for knot in knots]
    for plain, other in zip(ridges_of(strip, knots), ridges_of(strip, claimed), strict=True):
        assert other.speed_km_s == pytest.approx(plain.speed_km_s, rel=0.01)


def test_no_ridge_where_the_strips_show_nothing(tracked, tmp_path):
    # TRUTH  the same knots over strips of noise alone
    strip, knots = tracked
    path = tmp_path / "noise.bin"
    np.random.default_rng(1).normal(size=strip.shape).astype("<f4").tofile(path)
    assert len(ridges_of(replace(strip, path=path), knots)) == 0


def test_the_path_goes_through_the_knots_fitted_places(tracked):
    # TRUTH  within a row, and 6 Mm beyond at both ends
    strip, knots = tracked
    for knot in knots:
        path = parse_path(path_of(knot, strip.geometry), strip.geometry)
        turn = np.deg2rad(path.angle_deg - path.angle_deg.mean())
        line = (strip.geometry.limb_mm + path.height_mm) * np.exp(1j * turn)
        at = (strip.geometry.limb_mm + knot.curve_mm) * np.exp(
            1j * np.deg2rad(knot.curve_angle_deg - path.angle_deg.mean())
        )
        assert np.abs(at[:, None] - line).min(axis=1).max() < strip.geometry.mm_per_row
        assert np.abs(at[0] - line[0]) == pytest.approx(6.0, abs=0.3)
