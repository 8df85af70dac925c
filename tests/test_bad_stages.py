"""Stages out of turn, products damaged or of another version, input that changed or vanished, two runs at
once."""

import json
import shutil

import pytest

from promtrack.pipeline import run, run_stage
from promtrack.products.folder import PRODUCTS, alone
from tests.conftest import QUICK_OPTIONS, QUICK_SETTINGS
from tests.messy import assert_one_sentence, bound, command, refused, some_of


def test_a_stage_in_no_folder_of_products(tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    assert "nowhere: is not there" in refused(capsys, "clip", tmp_path / "nowhere")
    assert "is not a folder of products" in refused(capsys, "clip", tmp_path / "empty")
    assert list((tmp_path / "empty").iterdir()) == []


def test_a_stage_in_a_folder_of_another_version(finished, small_frames, capsys):
    page = json.loads((finished / "summary.json").read_text(encoding="utf-8"))
    (finished / "summary.json").write_text(json.dumps(page | {"version": "0.0.1"}), encoding="utf-8")
    sentence = refused(capsys, "clip", finished)
    assert "was made by promtrack 0.0.1" in sentence
    assert f"promtrack run '{small_frames}' --out {finished}" in sentence


def test_a_stage_before_its_turn(tmp_path, capsys, few_frames, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock",))
    run(few_frames, tmp_path / "out", QUICK_SETTINGS)
    for stage in ("motion", "clip", "figures", "report"):
        assert "the stage 'strip' has not been finished; do `promtrack strip " in refused(
            capsys, stage, tmp_path / "out"
        )


def test_a_stage_with_other_settings_of_an_earlier_stage(finished, capsys):
    sentence = refused(capsys, "motion", finished, "--set", "strip.high_mm=60")
    assert "the stage 'strip' was made with other settings" in sentence
    assert "high_mm = 60" not in (finished / "settings.toml").read_text(encoding="utf-8")


def test_a_stage_with_other_marks_of_an_earlier_stage(finished, tmp_path, capsys):
    covered = "in = 'sun'\nfrom_deg = 1.0\nto_deg = 2.0\nlow_mm = 10.0\nhigh_mm = 20.0\n"
    (tmp_path / "marks.toml").write_text(f"[[cover]]\n{covered}", encoding="utf-8")
    sentence = refused(capsys, "motion", finished, "--marks", tmp_path / "marks.toml")
    assert "the stage 'strip' was made with other marks; do `promtrack strip " in sentence


def test_a_refused_sector_or_slit_changes_nothing(finished, capsys):
    before = {
        path: path.read_bytes()
        for path in finished.rglob("*")
        if path.is_file() and path.name != "promtrack.log"
    }
    for change, words in (
        ("sectors=200-210", "sector '200-210' lies outside the strips"),
        ("sectors=here", "sector 'here' cannot be read"),
        ("sectors=75-62", "sector '75-62' goes round 347 deg of the limb"),
        ("slits=radial:200", "motion.slits: "),
        ("slits=somewhere", "motion.slits: "),
    ):
        words_given = ("motion", finished, "--set", f"motion.{change}", "--quiet")
        assert words in refused(capsys, *words_given, status=2)
        assert {path: path.read_bytes() for path in before} == before
    assert command(capsys, "report", finished, "--quiet")[0] == 0


def test_motion_again_tells_what_moves_and_what_is_left_to_do(finished, capsys):
    status, out, _ = command(capsys, "motion", finished, "--set", "motion.least_points=9")
    lines = out.splitlines()
    assert status == 0
    assert any("moving of" in line for line in lines)
    assert "in the plane of the sky" in out
    assert lines[0] == f"motion: 8 files in {finished}"
    assert (
        lines[-1] == f"still to be done again: clip, figures, report; begin with `promtrack clip {finished}`"
    )


def test_input_that_vanished_or_changed_since(tmp_path, capsys, small_frames, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock",))
    folder = some_of(small_frames, tmp_path / "in", 6)
    run(folder, tmp_path / "out", QUICK_SETTINGS)
    files = sorted(folder.iterdir())
    files[2].write_bytes(files[2].read_bytes() + b"\0" * 4)
    assert "was made with other frames" in refused(capsys, "strip", tmp_path / "out", "--quiet")
    shutil.rmtree(folder)
    sentence = refused(capsys, "strip", tmp_path / "out", "--quiet")
    assert f"{tmp_path / 'out'}: the frames that it was made from are not at {folder}; put them" in sentence


def test_frames_that_were_moved_are_found_again(tmp_path, capsys, small_frames, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip"))
    folder, out = some_of(small_frames, tmp_path / "in", 6), tmp_path / "out"
    run(folder, out, QUICK_SETTINGS)
    written = (out / "frames.ecsv").stat().st_mtime_ns
    folder.rename(tmp_path / "there")
    assert f"`promtrack run NEW-PLACE --out {out}`" in refused(capsys, "strip", out, "--quiet")
    run(tmp_path / "there", out, QUICK_SETTINGS)
    assert (out / "frames.ecsv").stat().st_mtime_ns == written  # kept from before
    run_stage("strip", out)
    other = some_of(small_frames, tmp_path / "other", 5)
    words = "holds what was measured in another recording"
    assert words in refused(capsys, "run", other, "--out", out, *QUICK_OPTIONS, status=2)


def test_input_that_vanishes_between_the_stages(tmp_path, capsys, small_frames, monkeypatch):
    import promtrack.stages as stages

    folder = some_of(small_frames, tmp_path / "in", 6)
    real = stages.DOERS["strip"]

    def gone(job, progress):
        shutil.rmtree(folder)
        return real(job, progress)

    monkeypatch.setitem(stages.DOERS, "strip", gone)
    sentence = refused(capsys, "run", folder, "--out", tmp_path / "out", *QUICK_OPTIONS)
    assert "2026-05-17T09-30-00Z.tif: cannot be read" in sentence
    assert (tmp_path / "out" / "frames.ecsv").exists()
    assert [p.name for p in (tmp_path / "out").rglob(".part-*")] == []


NEXT = {
    "summary": "strip",
    "settings": "strip",
    "frames": "strip",
    "strip": "motion",
    "knots": "report",
    "knot_points": "report",
    "front_points": "report",
    "front_fits": "report",
    "ridges": "report",
    "oscillations": "report",
}
SPOIL = {
    "missing": lambda data: None,
    "empty": lambda data: b"",
    "cut short": lambda data: data[: len(data) // 2],
    "noise": lambda data: bytes(range(256)) * 40,
    "another kind": lambda data: b"[]",
    "header only": lambda data: data[:300],
}


@pytest.mark.parametrize(
    ("product", "how"),
    [
        (product, how)
        for product in NEXT
        for how in SPOIL
        if product in ("summary", "settings", "frames", "strip", "knots") or how == "cut short"
    ],
)
def test_damaged_products_are_named(finished, capsys, product, how):
    path = finished / PRODUCTS[product]
    data = SPOIL[how](path.read_bytes())
    path.unlink() if data is None else path.write_bytes(data)
    stage = NEXT[product]
    if product == "settings" and how in ("empty", "cut short", "header only"):
        status, _, err = command(capsys, stage, finished, "--quiet")  # less settings are still settings
        assert status in (0, 1, 2), err
        return
    status, _, err = command(capsys, stage, finished, "--quiet")
    assert status in (1, 2)
    assert len(err.strip().splitlines()) == 1
    assert str(finished) in err
    assert "`promtrack " in err or "--settings" in err or product == "settings"


@pytest.mark.parametrize(
    "product",
    ["frames", "clip", *(pytest.param(other, marks=pytest.mark.long) for other in ("strip", "knots"))],
)
def test_a_run_mends_what_was_damaged(finished, small_frames, product):
    path = finished / PRODUCTS[product]
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    run(small_frames, finished, QUICK_SETTINGS)
    assert path.read_bytes() == whole


def test_a_run_mends_a_table_that_cannot_be_read(finished, small_frames):
    path = finished / "knots.ecsv"
    whole = path.read_bytes()
    path.write_bytes(b"#" * len(whole))
    run(small_frames, finished, QUICK_SETTINGS)
    assert path.read_bytes() == whole
    assert "done again, since" in (finished / "promtrack.log").read_text(encoding="utf-8")


def test_two_runs_at_once_are_refused(finished, small_frames, capsys):
    with alone(finished):
        assert_one_sentence(bound("report", finished), "another run is writing")
        again = refused(capsys, "run", small_frames, "--out", finished, *QUICK_OPTIONS)
        assert "another run is writing" in again
    run_stage("report", finished)
