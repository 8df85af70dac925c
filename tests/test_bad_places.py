"""Places that cannot be written or read, a full disk, no ffmpeg, products that are damaged or of another time."""

import errno
import json
import os
import pathlib
import re
import shutil
import subprocess
import sys

import pytest

from promtrack.pipeline import run, run_stage
from promtrack.products import ProductFolder
from promtrack.products.folder import PRODUCTS
from tests.conftest import QUICK_OPTIONS, QUICK_SETTINGS
from tests.messy import command, contents, refused, refused_run, some_of

POSIX = os.name == "posix"
# The super-user may read and write everything, so for these tests that right is laid down.
BOUND = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-dac_override,-dac_read_search"]
CAN_BE_BOUND = POSIX and (os.geteuid() != 0 or shutil.which("setpriv") is not None)
MAY_MOUNT = POSIX and os.geteuid() == 0 and sys.platform == "linux"


@pytest.fixture
def finished(small_run, tmp_path):
    """A finished run that may be spoiled."""
    return shutil.copytree(small_run.folder.path, tmp_path / "out")


def bound(*arguments, **options):
    """Run the program in a process that permissions bind."""
    prefix = BOUND if os.geteuid() == 0 else []
    return subprocess.run([*prefix, sys.executable, "-m", "promtrack", *map(str, arguments)], capture_output=True, text=True,
                          encoding="utf-8", timeout=300, check=False, **options)


def assert_one_sentence(done, *words, status=1):
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    for word in words:
        assert word in done.stderr


@pytest.mark.skipif(not CAN_BE_BOUND, reason="permissions do not bind this user, and setpriv is missing")
def test_folders_without_the_right_to_read_or_write(tmp_path, small_frames):
    folder = some_of(small_frames, tmp_path / "in", 3)
    (tmp_path / "shut").mkdir(mode=0o555)
    assert_one_sentence(bound("run", folder, "--out", tmp_path / "shut" / "out"), "shut", "Permission denied", "--out")
    assert_one_sentence(bound("run", folder, "--out", tmp_path / "shut"), "shut", "Permission denied", "--out")
    assert list((tmp_path / "shut").iterdir()) == []
    for path in folder.iterdir():
        path.chmod(0)
    assert_one_sentence(bound("run", folder), "no frame that can be read", "Permission denied")
    folder.chmod(0)
    assert_one_sentence(bound("run", folder), "cannot be read", "Permission denied")
    folder.chmod(0o755)
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith("in-")] == []


@pytest.mark.skipif(not CAN_BE_BOUND, reason="permissions do not bind this user, and setpriv is missing")
def test_a_read_only_input_is_enough(tmp_path, small_frames):
    folder = some_of(small_frames, tmp_path / "in", 4)
    before = contents(folder)
    for path in folder.iterdir():
        path.chmod(0o444)
    folder.chmod(0o555)
    try:
        done = bound("check", folder)
        assert done.returncode == 0, done.stderr
        done = bound("run", folder, "--out", tmp_path / "out", "--quiet",
                     "--set", "strip.low_mm=9", "--set", "strip.high_mm=8")
        assert_one_sentence(done, "strip", status=done.returncode)       # it came as far as the strips
        assert (tmp_path / "out" / "frames.ecsv").exists()
    finally:
        folder.chmod(0o755)
    assert contents(folder) == before


def test_output_that_is_a_file_lies_in_the_input_or_is_foreign(tmp_path, capsys, small_frames):
    folder = some_of(small_frames, tmp_path / "in", 3)
    (tmp_path / "file").write_text("mine")
    assert "cannot be made" in refused(capsys, "run", folder, "--out", tmp_path / "file")
    assert "never changed" in refused_run(capsys, folder, folder / "out")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "report.html").write_text("mine")
    assert "'report.html', which no run of promtrack" in refused(capsys, "run", folder, "--out", tmp_path / "other")
    assert contents(tmp_path / "other") == {"report.html": b"mine"}
    assert (tmp_path / "file").read_text() == "mine"


def test_other_things_in_the_output_folder_stay(tmp_path, small_frames, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock",))
    (tmp_path / "out" / "figures").mkdir(parents=True)
    (tmp_path / "out" / "letter.txt").write_text("mine")
    (tmp_path / "out" / "figures" / "holiday.png").write_bytes(b"mine")
    with pytest.raises(Exception, match="no run of promtrack"):
        run(some_of(small_frames, tmp_path / "in", 3), tmp_path / "out")
    shutil.rmtree(tmp_path / "out" / "figures")
    run(tmp_path / "in", tmp_path / "out")
    assert (tmp_path / "out" / "letter.txt").read_text() == "mine"


def run_quickly_to_strip(frames, out, monkeypatch):
    usage = shutil.disk_usage(out.parent)
    monkeypatch.setattr("shutil.disk_usage", lambda path: usage._replace(free=10**12))
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip"))
    return run(frames, out).folder["strip"]


@pytest.mark.skipif(not POSIX, reason="a colon cannot stand in a file's name there")
def test_relative_folder_with_a_colon_and_a_terminal_that_knows_no_accents(tmp_path, small_frames):
    some_of(small_frames, tmp_path / "é 東", 3)
    done = bound("run", "é 東", "--out", "a:b", *QUICK_OPTIONS[:-1], cwd=tmp_path, env=os.environ | {"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0, done.stderr
    assert "products in" in done.stdout
    assert (tmp_path / "a:b" / "clip.mp4").exists()
    done = bound("report", "a:b", cwd=tmp_path)
    assert done.returncode == 0, done.stderr


def test_a_fault_is_one_line_and_its_details_are_kept_elsewhere(tmp_path):
    code = ("import promtrack.cli, promtrack.products.summary as s\n"
            "def fail(*_): raise ZeroDivisionError('a bug')\n"
            "import promtrack.pipeline as p; p.read_summary = fail\n"
            "promtrack.cli.main(['clip', 'x'])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", cwd=tmp_path, check=False)
    assert_one_sentence(done, "a fault in promtrack itself (ZeroDivisionError: a bug)", "please report it")
    log = pathlib.Path(re.search(r"the details are in (.*); please", done.stderr)[1])
    assert "Traceback" in log.read_text(encoding="utf-8")
    log.unlink()
    assert list(tmp_path.iterdir()) == []      # the working folder may be the input's


def test_too_little_space_is_told_before_the_strips_are_made(tmp_path, capsys, small_frames, monkeypatch):
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr("shutil.disk_usage", lambda path: usage._replace(free=1_000_000))
    sentence = refused(capsys, "run", small_frames, "--out", tmp_path / "out", *QUICK_OPTIONS)
    strip = run_quickly_to_strip(small_frames, tmp_path / "whole", monkeypatch)
    needed = int(re.search(r"the strips need (\d+) MB, but only 1 MB are free; free some space", sentence)[1])
    assert needed == pytest.approx(1.1 * strip.stat().st_size / 1e6, abs=1.0)
    assert "another disk with --out" in sentence
    assert "strip.high_mm" in sentence
    assert not (tmp_path / "out" / "strip.fits").exists()


@pytest.mark.skipif(not MAY_MOUNT, reason="mounting a small disk needs the super-user")
@pytest.mark.parametrize("size", ["32k", "3000k", "5300k"])
def test_a_disk_that_fills_up(tmp_path, small_frames, size):
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", disk], capture_output=True, check=False).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        done = bound("run", small_frames, "--out", disk / "out", *QUICK_OPTIONS)
        assert_one_sentence(done, str(disk), "space")
        assert [p.name for p in disk.rglob(".part-*")] == []
        for product in disk.rglob("*.ecsv"):
            assert product.stat().st_size > 0
    finally:
        subprocess.run(["umount", disk], check=True)


BY_STAGE = [("lock", "frames"), ("lock", "summary"), ("strip", "strip"), ("motion", "knots"), ("motion", "front_fits"), ("clip", "clip"),
            ("clip", "poster"), ("figures", "figures"), ("report", "report")]


@pytest.mark.parametrize(("stage", "product"), BY_STAGE)
def test_no_space_at_any_product(finished, capsys, monkeypatch, stage, product):
    # The renaming of the whole file fails as it does on a full disk: the old product stays, whole, and no half file.
    before = {k: v for k, v in contents(finished).items() if not k.startswith(".")}
    name = "knot_map.png" if product == "figures" else PRODUCTS[product]
    real = os.replace

    def full(source, target):
        if os.path.basename(target) == name:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(source, target)
    monkeypatch.setattr("os.replace", full)
    sentence = refused(capsys, stage, finished, "--quiet")
    assert name in sentence
    assert "No space left on device" in sentence
    assert [p.name for p in finished.rglob(".part-*")] == []
    standing = f"figures/{name}" if product == "figures" else name
    assert contents(finished)[standing] == before[standing]
    assert "No space left" in (finished / "promtrack.log").read_text(encoding="utf-8")


def test_a_failure_of_the_system_is_one_sentence(finished, capsys, monkeypatch):
    for error, words in ((OSError(errno.EIO, "Input/output error", "strip.fits"), "strip.fits: Input/output error"),
                         (MemoryError(), "not enough memory")):
        def fail(*_, error=error):
            raise error
        monkeypatch.setattr("promtrack.pipeline.measure_motion", lambda *_, fail=fail, **__: fail())
        assert command(capsys, "motion", finished, "--quiet")[0] == 1
        status, _, err = command(capsys, "motion", finished, "--quiet")
        assert status == 1
        assert words in err
        assert "; " in err


@pytest.mark.parametrize("found", ["nothing", "wrong path"])
def test_no_ffmpeg_is_told_before_the_work_begins(tmp_path, capsys, small_frames, monkeypatch, found):
    if found == "wrong path":
        monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(tmp_path / "nowhere"))
    else:
        def missing():
            raise RuntimeError("No ffmpeg exe could be found.")
        monkeypatch.setattr("imageio_ffmpeg.get_ffmpeg_exe", missing)
    assert "no ffmpeg program was found" in refused(capsys, "run", small_frames, "--out", tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert command(capsys, "check", small_frames)[0] == 0


def test_a_stage_in_no_folder_of_products(tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    for folder in (tmp_path / "nowhere", tmp_path / "empty"):
        assert "promtrack run" in refused(capsys, "clip", folder)
    assert list((tmp_path / "empty").iterdir()) == []


def test_a_stage_in_a_folder_of_another_version(finished, capsys):
    page = json.loads((finished / "summary.json").read_text(encoding="utf-8"))
    (finished / "summary.json").write_text(json.dumps(page | {"version": "0.0.1"}), encoding="utf-8")
    sentence = refused(capsys, "clip", finished)
    assert "was made by promtrack 0.0.1" in sentence
    assert f"promtrack run {page['input']} --out {finished}" in sentence


def test_a_stage_before_its_turn(tmp_path, capsys, small_frames, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock",))
    run(small_frames, tmp_path / "out", QUICK_SETTINGS)
    for stage in ("motion", "clip", "figures", "report"):
        assert "the stage 'strip' has not been finished; do `promtrack strip " in refused(capsys, stage, tmp_path / "out")


def test_a_stage_with_other_settings_of_an_earlier_stage(finished, capsys):
    sentence = refused(capsys, "motion", finished, "--set", "strip.high_mm=60")
    assert "the stage 'strip' was made from other frames or with other settings" in sentence
    assert "high_mm = 60" not in (finished / "settings.toml").read_text(encoding="utf-8")


def test_input_that_vanished_or_changed_since(tmp_path, capsys, small_frames, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock",))
    folder = some_of(small_frames, tmp_path / "in", 6)
    run(folder, tmp_path / "out", QUICK_SETTINGS)
    files = sorted(folder.iterdir())
    files[2].write_bytes(files[2].read_bytes() + b"\0" * 4)
    assert "was made from other frames" in refused(capsys, "strip", tmp_path / "out", "--quiet")
    shutil.rmtree(folder)
    assert f"{folder}: is not there" in refused(capsys, "strip", tmp_path / "out", "--quiet")


def test_input_that_vanishes_between_the_stages(tmp_path, capsys, small_frames, monkeypatch):
    import promtrack.pipeline as pipeline
    folder = some_of(small_frames, tmp_path / "in", 6)
    real = pipeline._DOERS["strip"]

    def gone(job, progress):
        shutil.rmtree(folder)
        return real(job, progress)
    monkeypatch.setitem(pipeline._DOERS, "strip", gone)
    sentence = refused(capsys, "run", folder, "--out", tmp_path / "out", *QUICK_OPTIONS)
    assert "2026-05-17T09-30-00Z.tif: cannot be read" in sentence
    assert (tmp_path / "out" / "frames.ecsv").exists()
    assert [p.name for p in (tmp_path / "out").rglob(".part-*")] == []


NEXT = {"summary": "strip", "settings": "strip", "frames": "strip", "strip": "motion", "knots": "report", "knot_points": "report",
        "front_points": "report", "front_fits": "report", "ridges": "report", "oscillations": "report"}
SPOIL = {"missing": lambda data: None, "empty": lambda data: b"", "cut short": lambda data: data[:len(data) // 2],
         "noise": lambda data: bytes(range(256)) * 40, "another kind": lambda data: b"[]", "header only": lambda data: data[:300]}


@pytest.mark.parametrize("how", SPOIL)
@pytest.mark.parametrize("product", NEXT)
def test_damaged_products_are_named(finished, capsys, product, how):
    path = finished / PRODUCTS[product]
    data = SPOIL[how](path.read_bytes())
    path.unlink() if data is None else path.write_bytes(data)
    stage = NEXT[product]
    if product == "settings" and how in ("empty", "cut short", "header only"):
        status, _, err = command(capsys, stage, finished, "--quiet")      # less settings are still settings
        assert status in (0, 1, 2), err
        return
    status, _, err = command(capsys, stage, finished, "--quiet")
    assert status in (1, 2)
    assert len(err.strip().splitlines()) == 1
    assert str(finished) in err
    assert "`promtrack " in err or "--settings" in err or product == "settings"


@pytest.mark.parametrize("product", ["frames", "strip", "knots", "clip"])
def test_a_run_mends_what_was_damaged(finished, small_frames, product):
    path = finished / PRODUCTS[product]
    whole = path.read_bytes()
    path.write_bytes(whole[:len(whole) // 2])
    run(small_frames, finished, QUICK_SETTINGS)
    assert path.read_bytes() == whole


def test_a_run_mends_a_table_that_cannot_be_read(finished, small_frames):
    path = finished / "knots.ecsv"
    whole = path.read_bytes()
    path.write_bytes(b"#" * len(whole))
    run(small_frames, finished, QUICK_SETTINGS)
    assert path.read_bytes() == whole
    assert "done again, since" in (finished / "promtrack.log").read_text(encoding="utf-8")


def test_two_runs_at_once_are_refused(finished, small_frames):
    with ProductFolder(finished).alone():
        for arguments in (("run", small_frames, "--out", finished), ("report", finished)):
            assert_one_sentence(bound(*arguments, *(QUICK_OPTIONS if arguments[0] == "run" else ())), "another run is writing")
    run_stage("report", finished)
