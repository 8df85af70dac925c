"""Checks of the knots: what stands still, what stands on the sensor, what moves alike."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion.knot_fit import fit_path
from promtrack.motion.knots import KnotPoints
from promtrack.motion.motion_checks import check_knots, fixed_on_sensor
from tests.motion.made_strips import Recipe, made_strip
from tests.motion.test_measure import knot


def test_knots_that_share_one_velocity_are_a_wrong_lock():
    # TRUTH  ten knots at 30 km/s within 2 km/s one way; ten that go every way
    rng = np.random.default_rng(1)
    alike = tuple(knot(*(np.array([0.0, 30.0]) + rng.normal(0, 1, 2)), 1.0) for _ in range(10))
    turns = np.linspace(0, 2 * np.pi, 10, endpoint=False)
    every = tuple(knot(30 * np.cos(turn), 30 * np.sin(turn), 1.0) for turn in turns)
    assert [check.level for check in check_knots(alike, float("nan"), 0)] == ["poor"]
    assert not list(check_knots(every, float("nan"), 0))
    still = tuple(replace(knot(*rng.normal(0, 1, 2), 1.0), moving=False) for _ in range(6))
    assert not list(check_knots(alike + still, float("nan"), 0))  # a loop that rises beside threads at rest


@pytest.mark.parametrize(("pull", "level"), [(0.8, "good"), (2.0, "fair"), (4.0, "poor")])
def test_what_stands_still_judges_the_errors(pull, level):
    assert [check.level for check in check_knots((), pull, 5)] == [level]
    assert [check.level for check in check_knots((), pull, 3)] == [level]
    for few in (1, 2):  # threads may drift by themselves
        assert [check.level for check in check_knots((), pull, few)] == [level.replace("poor", "fair")]


def test_what_is_left_out_is_counted():
    knots = (replace(knot(1.0, 2.0, 1.0), left_out="fixed on the sensor", moving=False), knot(3.0, 1.0, 1.0))
    (check,) = check_knots(knots, float("nan"), 0)
    assert check.level == "fair"
    assert check.sentence.startswith("1 of 2 tracks")


@pytest.mark.parametrize(("times", "fixed"), [(0.0, False), (1.0, True), (2.0, True), (0.5, False)])
def test_what_keeps_its_place_on_the_sensor_is_found(tmp_path, times, fixed):
    # TRUTH  the Sun drifts by 2 px a frame along the limb. A track that moves in the strips by minus that
    # stands on the sensor, by twice that runs against the Sun; at rest or half as fast it is the Sun's.
    strip, _ = made_strip(Recipe(frames=30, jitter_s=0.0, gaps=0, knots=0, threads=0), tmp_path, 1)
    geometry, index, rng = strip.geometry, np.arange(30), np.random.default_rng(1)

    def place(frame, angle_deg, height_mm):
        return float(geometry.column(angle_deg) + 2.0 * frame), float(-geometry.row(height_mm))

    row = 80.0 + 0.2 * rng.normal(size=30)
    column = 200.0 - 2.0 * times * index + 0.2 * rng.normal(size=30)
    one = np.ones(30)
    points = KnotPoints(index, strip.time_s, row, column, 0.2 * one, 0.2 * one, 10 * one, np.zeros(30, int))
    wide = geometry.mm_per_column(geometry.height_mm(80.0))
    track = fit_path(strip.time_s, np.stack([row * geometry.mm_per_row, column * wide]), 0.12)
    assert fixed_on_sensor(strip, points, track, place) is fixed


def test_a_track_over_strips_without_any_light_is_not_called_fixed(tmp_path):
    # TRUTH  the place drifts half as fast as the Sun on the sensor, and every strip is dark
    strip, _ = made_strip(Recipe(frames=30, jitter_s=0.0, gaps=0, knots=0, threads=0), tmp_path, 1)
    np.zeros(strip.shape, "<f4").tofile(strip.path)
    geometry, index, one = strip.geometry, np.arange(30), np.ones(30)
    column = 200.0 - index
    points = KnotPoints(index, strip.time_s, 80 * one, column, one, one, 10 * one, 0 * index)
    wide = geometry.mm_per_column(geometry.height_mm(80.0))
    track = fit_path(strip.time_s, np.stack([80.0 * geometry.mm_per_row * one, column * wide]), 0.12)

    def place(frame, angle_deg, height_mm):
        return float(geometry.column(angle_deg) + 2.0 * frame), float(-geometry.row(height_mm))

    assert fixed_on_sensor(strip, points, track, place) is False
