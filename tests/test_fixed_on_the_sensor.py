"""What stands still on the sensor while the Sun drifts moves in no result: whole runs to the motion."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.pipeline import run
from promtrack.scene import make_scene, write_scene
from tests.conftest import QUICK_SETTINGS, SMALL

STILL = replace(SMALL, name="still", frames=24, knots=(), drift_px=(45.0, -12.0), jumps=())
Y, X = np.mgrid[: STILL.shape[0], : STILL.shape[1]].astype(np.float32)


def ghost(frame):
    """A faint round reflection beyond the limb."""
    return frame + 9000.0 * np.exp(-0.5 * ((X - 150) ** 2 + (Y - 120) ** 2) / 4.0**2)


def ring(frame):
    """The edge of a reflection of the disc."""
    return frame + 6000.0 * np.exp(-0.5 * ((np.hypot(X - 220, Y - 60) - 45.0) / 2.0) ** 2)


def stripes(frame):
    """Columns of uneven gain, by 10 %."""
    return frame * (1.0 + 0.1 * np.sin(2 * np.pi * X / 23.0))


def hot_clusters(frame):
    """Groups of hot pixels, too large to be mended as single ones."""
    spoilt = frame.copy()
    for y, x in ((70, 90), (110, 210), (140, 300), (95, 340)):
        spoilt[y : y + 3, x : x + 3] = 60000.0
    return spoilt


@pytest.fixture(scope="module")
def frames():
    scene = make_scene(STILL)
    return scene, [scene.frame(i).astype(np.float32) for i in range(len(scene))]


@pytest.mark.parametrize(
    "spoil",
    [ghost, *(pytest.param(other, marks=pytest.mark.long) for other in (hot_clusters, ring, stripes))],
)
def test_what_is_fixed_on_the_sensor_does_not_move(spoil, frames, tmp_path, monkeypatch):
    # TRUTH  nothing moves in this scene but the Sun as a whole, by 47 px in eight minutes
    scene, clean = frames
    spoilt = [np.clip(spoil(frame), 0, 65535).round().astype(np.uint16) for frame in clean]
    folder = write_scene(replace(scene, draw=spoilt.__getitem__), tmp_path / "in")
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    job = run(folder, tmp_path / "out", QUICK_SETTINGS)
    found = job.motion
    assert [(k.fit.speed_km_s, k.fit.speed_err_km_s) for k in found.knots if k.moving] == []
    assert not [front for front in found.fronts if front.moving]


def test_knots_on_a_drifting_sun_are_no_faults_of_the_sensor(tmp_path, monkeypatch):
    # TRUTH  both knots of the scene move, over the same drift
    folder = write_scene(make_scene(replace(STILL, knots=SMALL.knots)), tmp_path / "in")
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    knots = run(folder, tmp_path / "out", QUICK_SETTINGS).motion.knots
    assert sum(knot.moving for knot in knots) == 2
    assert not [knot for knot in knots if knot.left_out]
