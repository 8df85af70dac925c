"""The whole way on a small scene: every product, against the scene's truth; stages again; interruption;
repeatability."""

import hashlib
import json
import shutil

import numpy as np
import pytest
from astropy.table import Table

from promtrack.pipeline import STAGES, run, run_stage
from promtrack.products.folder import PRODUCTS, ProductFolder
from promtrack.products.summary import read_summary
from promtrack.scene.truth import judge
from promtrack.settings_text import change_settings
from tests.conftest import QUICK_SETTINGS

TABLES = [
    name
    for name in PRODUCTS.values()
    if name.endswith((".ecsv", ".fits")) and not name.startswith("trial")  # by a command of its own
]


def copied(small_run, tmp_path):
    """The finished run in a folder that a test may change."""
    return shutil.copytree(small_run.folder.path, tmp_path / "out")


def digests(folder, names):
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in names}


def test_every_product_of_the_contract_is_there(small_run):
    folder = small_run.folder.path
    made = [name for name in PRODUCTS.values() if not name.startswith("trial")]  # by a command of its own
    assert [name for name in made if not (folder / name).exists()] == []
    assert not [p.name for p in folder.rglob(".part-*")]
    for name in ("height_time", "knot_map", "strip_montage", "registration_check"):
        assert (folder / "figures" / f"{name}.png").stat().st_size > 5_000
        assert (folder / "figures" / f"{name}.svg").stat().st_size > 5_000


def test_the_input_is_not_touched(small_scene, small_frames, small_run):
    assert len(list(small_frames.iterdir())) == small_scene.spec.count


def test_measurement_meets_truth(small_scene, small_run):
    # TRUTH  the scene's own; the bands are those of the design's table, three times wider for the scale's own
    # error bar.
    _, scale, orientation = small_run.about
    found = judge(small_scene.truth, small_run.lock, small_run.motion, scale, orientation)
    assert found.centre_rms_px < 0.3
    assert abs(found.scale_ratio - 1.0) < 3.0 * found.scale_sigma
    assert [knot.knot > 0 for knot in found.knots] == [True, True]
    assert found.median_speed_error < 0.10
    assert found.strays == 0


def test_summary_and_tables_agree(small_run):
    # TRUTH  20 frames, 20 s apart
    page = read_summary(small_run.folder)
    frames = Table.read(small_run.folder["frames"], format="ascii.ecsv")
    knots = Table.read(small_run.folder["knots"], format="ascii.ecsv")
    assert page["frames_read"] == len(frames) == 20
    assert page["frames_used"] == int(np.sum(frames["used"]))
    assert page["counts"]["moving_knots"] == int(np.sum(knots["moving"]))
    assert page["cadence_s"] == pytest.approx(20.0)


def test_no_product_names_a_place_on_this_machine(small_frames, small_run):
    # TRUTH  the folder of the frames and that of the products are known here.
    texts = [small_run.folder[name] for name in ("summary", "settings", "frames", "knots", "report", "log")]
    for file in [*texts, small_run.folder.path / ".stages.json"]:
        text = file.read_text(encoding="utf-8")
        assert str(small_frames.parent) not in text, file.name
        assert str(small_run.folder.path.parent) not in text, file.name
    assert not (small_run.folder.path / ".running").exists()


def test_a_finished_run_is_kept(small_frames, small_run):
    before = {name: (small_run.folder.path / name).stat().st_mtime_ns for name in TABLES}
    run(small_frames, small_run.folder.path, QUICK_SETTINGS)
    assert {name: (small_run.folder.path / name).stat().st_mtime_ns for name in TABLES} == before


def test_each_stage_can_be_done_again_alone(small_run, tmp_path):
    out = copied(small_run, tmp_path)
    before = digests(out, TABLES)
    for stage in STAGES:
        job = run_stage(stage, out)
        assert all(file.exists() for file in job.files[stage])
        assert digests(out, TABLES) == before, stage


def test_what_stands_above_the_limb_is_measured_in_every_strip(small_scene, small_run):
    # TRUTH  the hedgerow of the scene: where it stands; its threads end between its stated height and 1.4
    # times that.
    hedgerow = small_scene.spec.hedgerows[0]
    table = Table.read(small_run.folder["prominences"], format="ascii.ecsv")
    (first,) = [p for p in small_run.motion.prominences if p.prominence == 1]
    assert np.sum(table["prominence"] == 1) == len(small_run.strip)
    assert first.from_deg < hedgerow.at_deg % 360.0 < first.to_deg
    assert hedgerow.height_mm < np.nanmedian(first.height_mm) < 1.4 * hedgerow.height_mm
    assert np.nanmedian(first.brightness) == pytest.approx(hedgerow.brightness, rel=0.5)


def test_the_page_to_mark_on_is_written_from_a_finished_run(small_run, tmp_path, capsys):
    from promtrack.cli import main

    out = copied(small_run, tmp_path)
    assert main(["mark", str(out)]) == 0
    assert (out / "marks.html").stat().st_size > 50_000
    assert "marks.html" in capsys.readouterr().out


def test_changed_settings_reach_the_stage(small_run, tmp_path):
    out = ProductFolder(copied(small_run, tmp_path))
    run_stage("clip", out.path, lambda s: change_settings(s, {"clip.view": "square", "clip.look": "ash"}))
    import cv2

    capture = cv2.VideoCapture(str(out["clip"]))
    assert (capture.get(cv2.CAP_PROP_FRAME_WIDTH), capture.get(cv2.CAP_PROP_FRAME_HEIGHT)) == (1080, 1080)
    capture.release()
    assert 'look = "ash"' in out["settings"].read_text(encoding="utf-8")


def test_an_interrupted_run_goes_on_and_gives_the_same_bytes_as_another(
    small_frames, small_run, tmp_path, monkeypatch
):
    import promtrack.stages as stages

    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))

    def stop(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setitem(stages.DOERS, "motion", stop)
        with pytest.raises(KeyboardInterrupt):
            run(small_frames, tmp_path / "out", QUICK_SETTINGS)
    strip = tmp_path / "out" / "strip.fits"
    stamp = strip.stat().st_mtime_ns
    job = run(small_frames, tmp_path / "out", QUICK_SETTINGS)
    assert strip.stat().st_mtime_ns == stamp
    assert digests(job.folder.path, TABLES) == digests(small_run.folder.path, TABLES)


def test_changed_input_is_done_anew(few_frames, tmp_path, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock",))
    copy = tmp_path / "frames"
    shutil.copytree(few_frames, copy)
    run(copy, tmp_path / "out")
    sorted(copy.iterdir())[-1].unlink()
    job = run(copy, tmp_path / "out")
    assert json.loads(job.folder["summary"].read_text(encoding="utf-8"))["frames_read"] == 7
    assert len(job.lock.used) == 7
