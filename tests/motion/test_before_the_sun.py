"""Specks between the telescope and the Sun are told from plasma, or said to look like it."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion.knots import KnotPoints
from promtrack.motion.measure import in_words, measure_motion
from promtrack.motion.motion_checks import (
    BEFORE,
    CROSSES,
    FIXED,
    TURN,
    Sensor,
    before_the_sun,
    check_knots,
    doubtful_knots,
)
from promtrack.pipeline import run
from promtrack.scene import make_scene
from tests.conftest import QUICK_SETTINGS, SMALL
from tests.messy import frames_in
from tests.motion.made_strips import Recipe, made_strip
from tests.motion.test_measure import knot
from tests.test_perturbed_runs import and_long

Y, X = np.mgrid[: SMALL.shape[0], : SMALL.shape[1]].astype(np.float32)


def speck(frame, x, y):
    """A bright speck as sharp as the picture, in counts."""
    light = 6000.0 * np.exp(-0.5 * ((X - x) ** 2 + (Y - y) ** 2) / 2.0**2)
    return np.clip(np.round(frame + light), 0, 65535).astype(np.uint16)


@pytest.fixture(scope="module")
def quiet():
    scene = make_scene(replace(SMALL, name="quiet", knots=()))
    return [scene.frame(i).astype(np.float32) for i in range(len(scene))]


@pytest.mark.parametrize(
    "way", and_long([(203, 0.5, 166, 1.8)], [(153, 0.5, 211, -1.8), (205, 0.5, 140, 3.95)])
)
def test_what_is_as_bright_before_the_disc_is_no_plasma(quiet, way, tmp_path, monkeypatch):
    # TRUTH  a speck at some 110 or 240 km/s across the limb, which lies at 194 px, and as bright on the disc
    x, by_x, y, by_y = way
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    frames = [speck(frame, x + by_x * i, y + by_y * i) for i, frame in enumerate(quiet)]
    motion = run(frames_in(tmp_path / "in", frames), tmp_path / "out", QUICK_SETTINGS).motion
    assert [knot.fit.speed_km_s for knot in motion.knots if knot.moving] == []
    assert BEFORE in [knot.left_out for knot in motion.knots]
    assert any("as bright before the disc" in check.sentence for check in motion.checks)


@pytest.mark.long
def test_a_lone_speck_in_the_sky_is_said_to_look_like_plasma(quiet, tmp_path, monkeypatch):
    # TRUTH  a speck in the sky from the first frame to the last
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    frames = [speck(frame, 150.0 + i, 40.0 + 1.5 * i) for i, frame in enumerate(quiet)]
    job = run(frames_in(tmp_path / "in", frames), tmp_path / "out", QUICK_SETTINGS)
    level, said = job.verdict["motion"]
    assert level == "fair"
    assert any(
        "a reflection, or a speck in the optics, that wanders would look the same" in one for one in said
    )


def straight(strip, first, last, count):
    """Points on a line from one place (row, column) to another in the first strips."""
    row, column = np.linspace(first, last, count).T
    one, index = np.ones(count), np.arange(count)
    return KnotPoints(index, strip.time_s[:count], row, column, 0.2 * one, 0.2 * one, 10 * one, 0 * index)


def rewritten(strip, cube):
    """The strip with other light."""
    cube.astype("<f4").tofile(strip.path)
    return strip


def sensor_of(geometry, beside=0, above=0):
    """Frames that end with the strips, or so many pixels beside and above them."""

    def place(frame, angle_deg, height_mm):
        x, up = geometry.column(angle_deg), geometry.row(height_mm)
        return float(x + beside), float(geometry.rows - 1 - up + above)

    return Sensor(place, (geometry.rows + 200 + above, geometry.columns + 2 * beside))


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
    points = straight(strip, first, last, 30)
    assert before_the_sun(strip, points, sensor_of(strip.geometry)) == said


def test_the_field_ends_with_the_frames_alone(tmp_path):
    # TRUTH  tracks over the sides and over the top of strips that are narrower than the frames, and between
    # two covered regions: they do not cross the field. Where the frames end with the strips, they do.
    strip, _ = made_strip(Recipe(frames=30, jitter_s=0.0, gaps=0, knots=0, threads=0), tmp_path, 1)
    aside, over = straight(strip, (60.0, 8.0), (70.0, 412.0), 30), straight(strip, (60, 8), (162, 300), 30)
    at_ends, wider = sensor_of(strip.geometry), sensor_of(strip.geometry, beside=100, above=100)
    assert [before_the_sun(strip, one, at_ends) for one in (aside, over)] == [CROSSES, CROSSES]
    assert [before_the_sun(strip, one, wider) for one in (aside, over)] == ["", ""]
    assert [before_the_sun(strip, over, sensor_of(strip.geometry, above=100))] == [""]
    light = strip.read()
    light[:, 40:90, :100] = light[:, 40:90, 320:] = np.nan
    between = straight(strip, (60.0, 108.0), (70.0, 312.0), 30)
    assert before_the_sun(rewritten(strip, light), between, at_ends) == ""


@pytest.mark.parametrize(
    ("beside", "said"),
    [("sky", BEFORE), ("alike", ""), ("one seen", ""), ("one hidden now and then", BEFORE)],
)
def test_what_brightens_beside_counts_against_a_speck_before_the_disc(tmp_path, beside, said):
    # TRUTH  a speck of 50 sigma falls from 40 Mm straight on the disc and adds its light there; beside it the
    # light stays, or brightens as much, or is not seen but at one place, or is hidden in one strip
    recipe = Recipe(frames=70, jitter_s=0.0, gaps=0, knots=0, threads=0, low_mm=-16.0)
    strip, _ = made_strip(recipe, tmp_path, 1)
    rows, columns = np.mgrid[: strip.geometry.rows, : strip.geometry.columns]
    deepest, middle = strip.geometry.row(-3.0), 210
    light = np.random.default_rng(2).normal(0.0, 0.2, strip.shape)
    for i, row in enumerate(np.linspace(90.0, 8.0, 70)):
        where = [0, -24, -16, 16, 24] if beside == "alike" and row < deepest else [0]
        light[i] += sum(
            10.0 * np.exp(-0.5 * ((rows - row) ** 2 + (columns - middle - away) ** 2) / 1.5**2)
            for away in where
        )
    if beside == "one seen":
        light[:, :, middle + 9 :] = light[:, :, : middle - 31] = np.nan
    if beside == "one hidden now and then":
        light[-1, :, middle + 9 :] = np.nan
    points = straight(strip, (90.0, middle), (30.0, middle), 51)
    assert before_the_sun(rewritten(strip, light), points) == said


def test_knots_beside_others_are_not_said_to_be_specks(tmp_path):
    # TRUTH  a knot seen from the first strip to the last, alone, and 10 Mm beside another
    strip, _ = made_strip(Recipe(frames=30, jitter_s=0.0, gaps=0, knots=0, threads=0), tmp_path, 1)
    geometry = strip.geometry
    row, column = np.linspace((60.0, 100.0), (70.0, 200.0), 30).T
    height, angle = geometry.height_mm(row), geometry.angle_deg(column)
    one = replace(
        knot(1.0, 30.0, 1.0),
        frame=strip.frame,
        time_s=strip.time_s,
        height_mm=height,
        angle_deg=angle,
        curve_mm=height,
        curve_angle_deg=angle,
    )
    other = replace(one, knot=2, height_mm=height + 10.0, moving=False)
    (check,) = doubtful_knots(strip, (one,))
    assert check.level == "fair"
    motion = replace(measure_motion(strip), knots=(one,), checks=(), letters={"knot 3": "D"})
    (check,) = (c for c in in_words(motion, strip).checks if c.name == "lone knots")
    assert check.sentence.startswith("Knot D flies alone")
    assert not list(doubtful_knots(strip, (one, other)))
    (left,) = check_knots((replace(one, moving=False, left_out=CROSSES),), float("nan"), 0)
    assert left.level == "fair"


@pytest.mark.parametrize("reason", [FIXED, BEFORE, CROSSES, TURN])
@pytest.mark.parametrize("count", [1, 2])
def test_one_track_left_out_is_one(reason, count):
    still = (replace(knot(1.0, 2.0, 1.0), left_out=reason, moving=False),) * count
    (check,) = check_knots((*still, knot(3.0, 1.0, 1.0)), float("nan"), 0)
    word = {FIXED: "sensor", BEFORE: "disc", CROSSES: "border", TURN: "turn"}[reason]
    assert check.sentence.startswith(f"{count} of {count + 1} tracks not called moving: ")
    assert word in check.sentence
    assert len(check.name) < 25
