"""Bodies put into a run's own frames: where they stand, and what the table says of them."""

import shutil
from dataclasses import replace

import numpy as np
import pytest
from astropy.table import Table

from promtrack.errors import InputError
from promtrack.limb.records import to_frame
from promtrack.pipeline import load_run, run
from promtrack.scene import Knot
from promtrack.settings_text import change_settings
from promtrack.show.records import TrialRow
from promtrack.trial import Injected, _lines, injected_sequence, run_trial
from tests.conftest import QUICK_SETTINGS


@pytest.fixture(scope="module")
def job(small_run):
    return load_run(small_run.folder.path)


def knot(job):
    geometry = job.strip.geometry
    angle = geometry.angle_deg(geometry.columns * 0.4)
    return Injected("knot", 10.0, 5000.0, Knot(angle, 20.0, 40.0, 30.0, from_s=100.0, life_s=300.0))


def test_a_body_keeps_both_its_speeds(job):
    # TRUTH  the speeds put in, from the path by numerical differentiation.
    body, limb_mm = knot(job), job.strip.geometry.limb_mm
    time = np.linspace(100.0, 400.0, 3001)
    angle, height = body.at(time, limb_mm)
    assert np.gradient(height, time) * 1e3 == pytest.approx(40.0, abs=1e-6)
    along = np.gradient(np.radians(angle), time) * (limb_mm + height) * 1e3
    assert along[1:-1] == pytest.approx(30.0, abs=1e-3)
    assert body.speed_km_s == pytest.approx(50.0)


def test_its_light_stands_where_it_should(job):
    # TRUTH  the brightest of what was added, within a pixel of the place that the lock gives.
    body = knot(job)
    _, scale, orientation = job.about
    index = int(np.argmin(np.abs(job.sequence.time_s - 300.0)))
    added = injected_sequence(job, [body]).frame(index).astype(float) - job.sequence.frame(index)
    row, column = np.unravel_index(np.argmax(added), added.shape)
    first = float((job.strip.times_utc[0] - job.sequence.times_utc[0]) / np.timedelta64(1, "s"))
    angle, height = body.at(job.sequence.time_s[index] - first, job.strip.geometry.limb_mm)
    rho = job.lock.radius_px + height[0] / scale.km_per_px * 1e3
    x, y = to_frame(job.lock, index, np.asarray(orientation.to_image(angle[0])), np.asarray(rho))
    assert (column, row) == pytest.approx((float(x), float(y)), abs=1.0)
    before = int(np.argmin(np.abs(job.sequence.time_s - 20.0)))
    assert np.array_equal(injected_sequence(job, [body]).frame(before), job.sequence.frame(before))


def test_too_few_frames_for_any_knot_are_refused(few_frames, tmp_path, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    job = run(few_frames, tmp_path / "out", change_settings(QUICK_SETTINGS, {"motion.least_points": 9}))
    assert len(job.strip) == 8
    with pytest.raises(InputError, match="has 8 frames, and a knot must be seen in 9; record for longer"):
        run_trial(tmp_path / "out")


@pytest.mark.long
def test_the_table_says_what_became_of_each(small_run, tmp_path):
    # TRUTH  bright knots in a quiet scene; of those found three in four lie inside three stated errors.
    out = shutil.copytree(small_run.folder.path, tmp_path / "out")
    lines = run_trial(out, rounds=2, seed=3)
    assert lines
    table = Table.read(out / "trial.ecsv", format="ascii.ecsv")
    knots = table[table["kind"] == "knot"]
    bright = knots[(knots["brightness_sigma"] >= 6.0) & (knots["speed_km_s"] < 100.0)]
    assert len(bright)
    assert bright["found"].sum() >= 0.5 * len(bright)
    found = knots[knots["found"]]
    pulls = np.abs(found["measured_km_s"] - found["speed_km_s"]) / found["error_km_s"]
    assert (pulls < 3.0).mean() >= 0.75
    assert (out / "trial.png").stat().st_size > 10_000


def test_what_was_put_in_is_told_as_it_is():
    # TRUTH  two knots of 31.8 and 32.2 km/s are knots of 32 km/s, and where no front was put in that is said
    row = TrialRow("knot", 31.8, 3.0, 10.0, 20.0, 90.0, found=True, measured_km_s=31.0, error_km_s=1.0)
    lines = _lines([row, replace(row, speed_km_s=32.2)])
    assert lines[0].startswith("knots of 32 km/s, 3 times the noise: 2 of 2 found")
    assert lines[-1] == "no front was put in: every second round has one"
    assert "no front was put in" not in " ".join(_lines([row, replace(row, kind="front")]))
