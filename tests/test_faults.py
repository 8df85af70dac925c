"""Files that a result depends on, folders of another recording, odd names, streams, little memory."""

import hashlib
import os
import pty
import re
import resource
import shutil
import subprocess
import sys

import numpy as np
import pytest
import tifffile

from promtrack.checks import Check
from promtrack.pipeline import Job, run, run_stage
from promtrack.process import show
from promtrack.products.summary import read_summary
from promtrack.settings_text import change_settings
from tests.conftest import QUICK_OPTIONS, QUICK_SETTINGS
from tests.messy import bound, command, contents, frames_in, refused, some_of

LINUX = sys.platform == "linux"


@pytest.fixture
def lock_only(monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock",))


def table_of(folder, path, *, cadence_s):
    names = sorted(file.name for file in folder.iterdir())
    lines = [
        f"{name},2026-05-17T10:{cadence_s * i // 60:02d}:{cadence_s * i % 60:02d}Z"
        for i, name in enumerate(names)
    ]
    path.write_text("\n".join(["file,time", *lines]) + "\n", encoding="utf-8")


def test_a_corrected_table_of_times_outside_the_folder_is_read_again(tmp_path, small_frames, lock_only):
    folder = some_of(small_frames, tmp_path / "in", 4)
    changes = {"times.source": "table", "times.table": str(tmp_path / "times.csv")}
    for cadence_s in (20, 30):
        table_of(folder, tmp_path / "times.csv", cadence_s=cadence_s)
        job = run(folder, tmp_path / "out", change_settings(QUICK_SETTINGS, changes))
        assert read_summary(job.folder)["cadence_s"] == cadence_s
        assert job.files["lock"]  # it was done again


@pytest.mark.parametrize("kind", ["dark", "flat"])
def test_a_corrected_dark_or_flat_is_used_again(tmp_path, small_frames, small_scene, lock_only, kind):
    folder = some_of(small_frames, tmp_path / "in", 4)
    settings = change_settings(QUICK_SETTINGS, {f"camera.{kind}": str(tmp_path / f"{kind}.tif")})
    sky = []
    for level in (500, 1500):
        frame = np.full(small_scene.spec.shape, level, np.uint16)
        if kind == "flat":
            frame[:, ::2] += 200 * (level > 1000)
        tifffile.imwrite(tmp_path / f"{kind}.tif", frame, photometric="minisblack")
        sky.append(
            hashlib.sha256(run(folder, tmp_path / "out", settings).folder["frames"].read_bytes()).digest()
        )
    assert sky[0] != sky[1]


def test_another_recording_does_not_take_the_place_of_the_first(tmp_path, small_frames, capsys, lock_only):
    first, second = (some_of(small_frames, tmp_path / name, count) for name, count in (("a", 4), ("b", 5)))
    run(first, tmp_path / "out", QUICK_SETTINGS)
    before = contents(tmp_path / "out")
    sentence = refused(capsys, "run", second, "--out", tmp_path / "out", "--quiet", status=2)
    assert "holds what was measured in another recording" in sentence
    assert "--replace" in sentence
    assert contents(tmp_path / "out") == before
    job = run(second, tmp_path / "out", QUICK_SETTINGS, replace=True)
    assert len(job.lock.names) == 5
    run(second, tmp_path / "out", QUICK_SETTINGS)  # now it is the owner


def test_frames_and_products_that_moved_together_still_belong_together(tmp_path, small_frames, lock_only):
    some_of(small_frames, tmp_path / "a" / "in", 4)
    run(tmp_path / "a" / "in", tmp_path / "a" / "out", QUICK_SETTINGS)
    (tmp_path / "a").rename(tmp_path / "b")
    assert run_stage("lock", tmp_path / "b" / "out").source == tmp_path / "b" / "in"


def test_settings_without_effect_are_named(tmp_path, small_frames, lock_only):
    settings = change_settings(QUICK_SETTINGS, {"camera.pixel_um": 3.0, "site.latitude_deg": 50.0})
    job = run(some_of(small_frames, tmp_path / "in", 4), tmp_path / "out", settings)
    notes = read_summary(job.folder)["notes"]
    assert "camera.pixel_um is not used without camera.focal_mm" in notes
    assert "site.latitude_deg is not used without site.longitude_deg" in notes


def test_a_poor_verdict_comes_first_and_has_a_status_of_its_own(finished, small_frames, capsys, monkeypatch):
    # TRUTH  a check that fails: its sentence stands before what moves, no speed is printed, status 3.
    said = "The edge and the features of the disc are 9 px apart."
    real = Job.verdict.fget
    monkeypatch.setattr(Job, "verdict", property(lambda job: dict(real(job)) | {"lock": ("poor", (said,))}))
    status, out, _ = command(capsys, "motion", finished, "--quiet")
    lines = out.splitlines()
    assert status == 3
    assert f"lock: not to be trusted: {said}" in lines
    assert lines.index(f"lock: not to be trusted: {said}") < next(
        i for i, line in enumerate(lines) if "moving of" in line
    )
    assert "in the plane of the sky" not in out


def test_a_scale_that_says_nothing_ends_the_run(tmp_path, small_frames, capsys, monkeypatch):
    from promtrack.sun import scale

    monkeypatch.setattr(scale, "POOR_SCALE", 1e-6)
    for words in (("run", small_frames, "--out", tmp_path / "out"), ("check", small_frames)):
        sentence = refused(capsys, *words, "--quiet")
        assert "km a pixel, too uncertain" in sentence
        assert "camera.arcsec_per_px" in sentence


@pytest.mark.skipif(not LINUX, reason="names of files are text there")
def test_names_that_are_no_text_and_names_that_steer_the_terminal(
    tmp_path, small_frames, capsys, monkeypatch
):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    folder = some_of(small_frames, tmp_path / "in", 10)
    files = sorted(folder.iterdir())
    os.rename(files[3], os.fsencode(files[3])[:-4] + b"\xff.tif")
    files[4].rename(files[4].with_name(files[4].stem + "\x1b[31m.tif"))
    (folder / "red\x1b[2J.txt").write_text("no picture")
    status, out, err = command(capsys, "run", folder, "--out", tmp_path / "out", *QUICK_OPTIONS)
    assert status == 0, err
    assert "\x1b" not in out + err
    frames = (tmp_path / "out" / "frames.ecsv").read_text(encoding="utf-8")
    assert r"\xff.tif" in frames
    assert r"\x1b[31m.tif" in frames
    before = {p.name: p.stat().st_mtime_ns for p in (tmp_path / "out").iterdir() if p.suffix == ".ecsv"}
    assert command(capsys, "run", folder, "--out", tmp_path / "out", *QUICK_OPTIONS)[0] == 0
    assert {
        p.name: p.stat().st_mtime_ns for p in (tmp_path / "out").iterdir() if p.suffix == ".ecsv"
    } == before


def test_a_run_that_goes_on_draws_the_very_same_registration_figure(small_frames, small_run, tmp_path):
    out = shutil.copytree(small_run.folder.path, tmp_path / "out")
    figure = out / "figures" / "registration_check.png"
    first = figure.read_bytes()
    figure.unlink()
    run(small_frames, out, QUICK_SETTINGS)
    assert figure.read_bytes() == first


@pytest.mark.skipif(os.name != "posix", reason="streams cannot be closed that way there")
def test_a_closed_error_stream_does_not_end_a_stage(finished):
    # that of the clip, whose encoder has streams of its own
    (finished / "clip.mp4").unlink()
    words = ["sh", "-c", '"$@" >&- 2>&-', "sh", sys.executable, "-m", "promtrack", "clip", str(finished)]
    done = subprocess.run(words, capture_output=True, timeout=300, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert (finished / "clip.mp4").exists()


def test_decoders_keep_quiet(tmp_path, small_scene):
    # A JPEG cut short and a PNG with a broken chunk: the decoders in C write to the error stream themselves.
    import cv2

    folder = frames_in(tmp_path / "in", [])
    for i in range(6):
        picture = (small_scene.frame(i) >> 8).astype(np.uint8)
        data = cv2.imencode(".jpg", picture)[1].tobytes()
        cut = len(data) * 2 // 3 if i == 3 else len(data)
        (folder / f"2026-05-17T09-30-{10 * i:02d}Z.jpg").write_bytes(data[:cut])
    done = bound("check", folder, "--quiet")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


@pytest.mark.skipif(not LINUX, reason="memory cannot be limited that way there")
@pytest.mark.parametrize("megabytes", [60, 400])
def test_little_memory_is_one_sentence(tmp_path, small_frames, megabytes):
    def limited():
        resource.setrlimit(resource.RLIMIT_AS, (megabytes << 20, megabytes << 20))

    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "promtrack",
            "run",
            str(small_frames),
            "--out",
            str(tmp_path / "out"),
            *QUICK_OPTIONS,
        ],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        preexec_fn=limited,
    )
    assert "Traceback" not in done.stderr
    assert "a fault in promtrack" not in done.stderr
    assert done.returncode in (0, 1), done.stderr
    if done.returncode:
        assert "memory" in done.stderr


def test_a_damaged_product_is_named(finished, capsys):
    for damage in ("\0", '{"version": "0.1.0", "input": "\\u0000"}', "[" * 100_000):
        (finished / "summary.json").write_text(damage, encoding="utf-8")
        status, _, err = command(capsys, "report", finished, "--quiet")
        assert status in (0, 1)
        assert "fault" not in err


@pytest.mark.parametrize("content", [b"", b"\x89PNG"])
def test_a_poster_that_is_none_is_said(finished, capsys, content):
    (finished / "poster.png").write_bytes(content)
    sentence = refused(capsys, "report", finished, "--quiet")
    assert "poster.png" in sentence
    assert "promtrack clip" in sentence


def test_the_state_of_the_folder_may_hold_anything(finished, small_frames, capsys):
    for damage in ('{"input": "\\u0000"}', '{"input": 3}', "{}"):
        (finished / ".stages.json").write_text(damage, encoding="utf-8")
        assert "promtrack run" in refused(capsys, "clip", finished, "--quiet")


def test_huge_numbers_in_the_frames_are_no_fault(tmp_path, small_scene, capsys, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion", "clip"))
    pictures = [small_scene.frame(i).astype(np.float32) for i in range(6)]
    for picture in pictures:
        picture[5, 5:8] = 1e30, -1e30, np.inf
    folder = frames_in(tmp_path / "in", pictures)
    status, _, err = command(capsys, "run", folder, "--out", tmp_path / "out", *QUICK_OPTIONS)
    assert "fault" not in err
    assert status in (0, 1)


def test_text_is_wrapped_to_the_terminal(monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("LINES", "20")
    ours, theirs = pty.openpty()
    words = (
        "one sentence that is a good deal longer than the terminal is wide, with a/very/long/path/of/a/file"
    )
    row = f"{'a row':30}{'of a table':>40}"
    with open(theirs, "w", encoding="utf-8") as stream:
        show(words, stream)
        show(row, stream)
        shown = ""
        while shown.count("\n") < 3 or row not in shown:  # a terminal hands over what it has so far
            shown += os.read(ours, 10_000).decode().replace("\r\n", "\n")
    os.close(ours)
    *lines, last, _ = shown.split("\n")
    assert last == row
    assert all(len(line) <= 40 for line in lines)
    assert re.sub(r"\n +", " ", "\n".join(lines)) == words


def test_no_product_holds_a_path_of_this_machine(small_run, small_frames):
    for file in small_run.folder.path.rglob("*"):
        if file.is_file():
            data = file.read_bytes()
            for place in (small_frames.parent, small_run.folder.path.parent):
                assert os.fsencode(place) not in data, file.name


def test_checks_keep_their_level(small_run):
    assert all(isinstance(check, Check) for check in (*small_run.lock.checks, *small_run.motion.checks))
