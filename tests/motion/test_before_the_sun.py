"""Specks between the telescope and the Sun are told from plasma, or said to look like it."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion.before_the_sun import before_the_sun, doubtful_knots
from promtrack.motion.knots import KnotPoints
from promtrack.motion.motion_checks import BEFORE, CROSSES, check_knots
from promtrack.pipeline import run
from promtrack.scene import make_scene
from tests.conftest import QUICK_SETTINGS, SMALL
from tests.messy import frames_in
from tests.motion.made_strips import Recipe, made_strip
from tests.motion.test_measure import knot

Y, X = np.mgrid[: SMALL.shape[0], : SMALL.shape[1]].astype(np.float32)


def speck(frame, x, y):
    """A bright speck as sharp as the picture, in counts."""
    light = 6000.0 * np.exp(-0.5 * ((X - x) ** 2 + (Y - y) ** 2) / 2.0**2)
    return np.clip(np.round(frame + light), 0, 65535).astype(np.uint16)


@pytest.fixture(scope="module")
def quiet():
    scene = make_scene(replace(SMALL, name="quiet", knots=()))
    return [scene.frame(i).astype(np.float32) for i in range(len(scene))]


@pytest.mark.parametrize("way", [(200.0, 0.5, 155.0, 1.8), (150.0, 0.5, 222.0, -1.8)], ids=["down", "up"])
def test_what_is_as_bright_before_the_disc_is_no_plasma(quiet, way, tmp_path, monkeypatch):
    # TRUTH  a speck at some 110 km/s across the limb, which lies at 194 px, and as bright on the disc
    x, by_x, y, by_y = way
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    frames = [speck(frame, x + by_x * i, y + by_y * i) for i, frame in enumerate(quiet)]
    motion = run(frames_in(tmp_path / "in", frames), tmp_path / "out", QUICK_SETTINGS).motion
    assert [knot.fit.speed_km_s for knot in motion.knots if knot.moving] == []
    assert BEFORE in [knot.left_out for knot in motion.knots]
    assert any("as bright before the disc" in check.sentence for check in motion.checks)


def test_a_lone_speck_in_the_sky_is_said_to_look_like_plasma(quiet, tmp_path, monkeypatch):
    # TRUTH  a speck in the sky from the first frame to the last
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    frames = [speck(frame, 150.0 + i, 40.0 + 1.5 * i) for i, frame in enumerate(quiet)]
    job = run(frames_in(tmp_path / "in", frames), tmp_path / "out", QUICK_SETTINGS)
    level, said = job.verdict["motion"]
    assert level == "fair"
    assert any("a satellite, a bird or an insect before the Sun would look the same" in one for one in said)


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        ((60.0, 8.0), (70.0, 412.0), CROSSES),
        ((60.0, 60.0), (70.0, 412.0), ""),  # begins in the field
        ((110.0, 8.0), (20.0, 200.0), ""),  # comes in and falls on the limb
    ],
)
def test_what_crosses_the_field_is_not_called_moving(tmp_path, first, last, said):
    # TRUTH  straight tracks from one place (row, column) of strips of 420 columns to another
    strip, _ = made_strip(Recipe(frames=30, jitter_s=0.0, gaps=0, knots=0, threads=0), tmp_path, 1)
    assert strip.geometry.columns == 420
    row, column = np.linspace(first, last, 30).T
    one = np.ones(30)
    points = KnotPoints(
        np.arange(30), strip.time_s, row, column, 0.2 * one, 0.2 * one, 10 * one, np.zeros(30, int)
    )
    assert before_the_sun(strip, points) == said


def test_knots_beside_others_are_not_said_to_be_specks(tmp_path):
    # TRUTH  a knot seen from the first strip to the last, alone, and 10 Mm beside another
    strip, _ = made_strip(Recipe(frames=30, jitter_s=0.0, gaps=0, knots=0, threads=0), tmp_path, 1)
    geometry = strip.geometry
    row, column = np.linspace((60.0, 100.0), (70.0, 200.0), 30).T
    height, angle = geometry.height_mm(row), geometry.angle_deg(column)
    one = replace(
        knot(1.0, 30.0, 1.0), frame=strip.frame, time_s=strip.time_s, height_mm=height, angle_deg=angle
    )
    other = replace(one, knot=2, height_mm=height + 10.0, moving=False)
    (check,) = doubtful_knots(strip, (one,))
    assert check.level == "fair"
    assert not list(doubtful_knots(strip, (one, other)))
    (left,) = check_knots((replace(one, moving=False, left_out=CROSSES),), float("nan"), 0)
    assert left.level == "fair"


@pytest.mark.parametrize(("km_s", "level"), [(3.6, "fair"), (60.0, None)])
def test_what_goes_less_than_its_size_may_have_grown(tmp_path, km_s, level):
    # TRUTH  3 Mm in 14 minutes, as the top of a thread grows; 50 Mm in the same time
    strip, _ = made_strip(Recipe(frames=30, jitter_s=0.0, gaps=0, knots=0, threads=0), tmp_path, 1)
    grown = replace(knot(km_s, 0.0, 0.6), time_s=np.linspace(0.0, 840.0, 20), by_hand=True)
    assert [check.level for check in doubtful_knots(strip, (grown,))] == ([level] if level else [])
