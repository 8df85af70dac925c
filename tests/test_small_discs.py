"""Whole discs of a few dozen to a few hundred pixels: whole runs to the motion."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.pipeline import run
from promtrack.scene import SceneSpec, make_scene, write_scene
from tests.conftest import QUICK_SETTINGS

DISC = SceneSpec(name="disc", side="whole", frames=10, cadence_s=60.0, drift_px=(4.0, -3.0), seed=5)


@pytest.mark.parametrize("radius_px", [48, pytest.param(110, marks=pytest.mark.long), 227])
def test_a_small_disc_is_measured_to_the_end(radius_px, tmp_path, monkeypatch):
    # TRUTH  the scene's radius within 1 % and its stated error, the centre to a tenth of a pixel rms; a quiet
    # prominence, in which nothing moves
    side = 2 * radius_px + 120
    spec = replace(DISC, shape=(side, side + 40), arcsec_per_px=DISC.limb_arcsec / radius_px)
    scene = make_scene(spec)
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    job = run(write_scene(scene, tmp_path / "in"), tmp_path / "out", QUICK_SETTINGS)
    lock, truth = job.lock, scene.truth
    assert lock.used.all()
    assert lock.radius_px == pytest.approx(truth.radius_px, rel=0.01)
    assert abs(lock.radius_px - truth.radius_px) < 3.0 * lock.radius_err_px
    assert np.std(lock.centre_x_px - truth.centre_x_px) < 0.1
    assert np.std(lock.centre_y_px - truth.centre_y_px) < 0.1
    assert not [knot for knot in job.motion.knots if knot.moving]
