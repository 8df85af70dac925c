"""Whole scenes, strips to records: rain along arches, a swaying thread, what neither of them may show."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion import measure_motion
from promtrack.motion.knots import find_knots
from promtrack.motion.oscillation import find_oscillations
from promtrack.motion.tracks import track_knots
from promtrack.scene import scenario
from promtrack.strip import propose_paths
from promtrack.strip.slit import time_distances
from tests.benchmarks.front_accuracy import still_scene
from tests.benchmarks.motionless import anything_moves
from tests.motion.motion_scenes import quiet_scene, rain_scene, swaying_scene
from tests.motion.scene_strips import scene_strip


@pytest.fixture(scope="module")
def rain(tmp_path_factory):
    strip, truth = scene_strip(scenario("rain"), tmp_path_factory.mktemp("rain"))
    return strip, truth, measure_motion(strip)


def oscillations(spec, folder):
    strip, truth = scene_strip(spec, folder)
    found = find_oscillations(strip, time_distances(strip, propose_paths(strip)))
    strip.path.unlink()
    return found, truth


@pytest.mark.long
def test_rain_does_not_sway(rain):
    # TRUTH  nothing sways in this scene, but knots pass the slits one after the other, and a trace hops
    # between them
    _, truth, motion = rain
    assert truth.sways == ()
    assert motion.oscillations == ()


def test_a_swaying_thread_is_told(tmp_path):
    # TRUTH  amplitude 3 Mm, period 600 s over 40 min: period within 3 %, amplitude within 10 %
    spec = swaying_scene(0)
    spec = replace(
        spec,
        shape=(360, 520),
        frames=80,
        lost_frames=(),
        gaps=(),
        sways=(replace(spec.sways[0], amplitude_mm=3.0, period_s=600.0, damping_s=np.inf, at_deg=4.5),),
    )
    found, _ = oscillations(spec, tmp_path)
    assert found
    assert all(one.period_s == pytest.approx(600.0, rel=0.03) for one in found)
    assert found[0].amplitude_mm == pytest.approx(3.0, rel=0.1)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(3))
def test_no_scene_without_a_sway_shows_one(seed, tmp_path):
    # TRUTH  knots falling along arches, knots over a hedgerow; at 1 % false alarms a run none is expected in
    # 6
    for spec in (rain_scene(seed), quiet_scene(seed)):
        assert oscillations(spec, tmp_path)[0] == ()


@pytest.mark.long
@pytest.mark.parametrize("seed", [0, 1, 3, 6])
def test_a_cloudy_hour_without_motion_has_no_moving_knot(seed, tmp_path):
    # TRUTH  an hour without motion, drawn as frames: threads brighten and fade (in 6 one beside another),
    # thin cloud drifts across and fills the sky with light whose edges move (0, 1 and 3)
    strip, _ = scene_strip(still_scene(seed), tmp_path)
    knots = track_knots(strip, find_knots(strip), rng=np.random.default_rng(seed)).knots
    assert not any(knot.moving for knot in knots)


@pytest.mark.long
@pytest.mark.parametrize(("seed", "cadence_s"), [(1, 20.0), (4, 60.0), (8, 5.0)])
def test_nothing_moves_where_nothing_moves(seed, cadence_s, tmp_path):
    # TRUTH  wide bright hedgerows without motion, under a clear sky, a veil, and banks of cloud
    assert anything_moves(seed, cadence_s, tmp_path) == (False, False)
