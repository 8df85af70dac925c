"""Places that cannot be written or read, a full disk, no ffmpeg, faults of the system and of the program."""

import errno
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from promtrack.pipeline import run, run_stage
from promtrack.products.folder import PRODUCTS
from tests.conftest import QUICK_OPTIONS, QUICK_SETTINGS
from tests.messy import (
    CAN_BE_BOUND,
    assert_one_sentence,
    bound,
    command,
    contents,
    in_new_python,
    refused,
    refused_run,
    some_of,
)

POSIX = os.name == "posix"
MAY_MOUNT = POSIX and os.geteuid() == 0 and sys.platform == "linux"


@pytest.mark.skipif(not CAN_BE_BOUND, reason="permissions do not bind this user, and setpriv is missing")
def test_folders_without_the_right_to_read_or_write(tmp_path, small_frames):
    folder = some_of(small_frames, tmp_path / "in", 3)
    (tmp_path / "shut").mkdir(mode=0o555)
    assert_one_sentence(
        bound("run", folder, "--out", tmp_path / "shut" / "out"), "shut", "Permission denied", "--out"
    )
    assert_one_sentence(
        bound("run", folder, "--out", tmp_path / "shut"), "shut", "Permission denied", "--out"
    )
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
        done = bound(
            "run",
            folder,
            "--out",
            tmp_path / "out",
            "--quiet",
            "--set",
            "strip.low_mm=9",
            "--set",
            "strip.high_mm=8",
        )
        assert_one_sentence(done, "strip", status=done.returncode)  # it came as far as the strips
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
    (tmp_path / "other" / "letter.txt").write_text("mine")
    assert "'letter.txt', which no run of promtrack" in refused(
        capsys, "run", folder, "--out", tmp_path / "other"
    )
    assert contents(tmp_path / "other") == {"letter.txt": b"mine"}
    assert (tmp_path / "file").read_text() == "mine"


def test_other_things_in_the_output_folder_stay(tmp_path, small_frames, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock",))
    (tmp_path / "out" / "figures").mkdir(parents=True)
    (tmp_path / "out" / "figures" / "holiday.png").write_bytes(b"mine")
    with pytest.raises(Exception, match="no run of promtrack"):
        run(some_of(small_frames, tmp_path / "in", 3), tmp_path / "out")
    shutil.rmtree(tmp_path / "out" / "figures")
    run(tmp_path / "in", tmp_path / "out")
    (tmp_path / "out" / "letter.txt").write_text("mine")
    run(tmp_path / "in", tmp_path / "out")
    assert (tmp_path / "out" / "letter.txt").read_text() == "mine"


@pytest.mark.skipif(not POSIX, reason="a colon cannot stand in a file's name there")
def test_a_relative_folder_whose_name_looks_like_a_protocol(tmp_path, small_frames, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion", "clip"))
    monkeypatch.chdir(tmp_path)
    some_of(small_frames, tmp_path / "in", 3)
    run(Path("in"), Path("a:b"), QUICK_SETTINGS)
    run_stage("clip", Path("a:b"))
    assert (tmp_path / "a:b" / "clip.mp4").exists()


def test_a_terminal_that_knows_no_accents(tmp_path, small_frames):
    some_of(small_frames, tmp_path / "é 東", 3)
    done = bound("check", "é 東", cwd=tmp_path, env=os.environ | {"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0, done.stderr
    assert r"3 frames of 400x300 px in \xe9 \u6771" in done.stdout


def test_a_terminal_without_the_signs_of_print_gets_plain_ones():
    code = (
        "import promtrack.cli as cli, promtrack.pipeline as p\ncli.build_parser = lambda: (print('v −0.3 "
        "± 0.1 m/s², 5°, é'), (_ for _ in ()).throw(SystemExit(0)))\ncli.main([])"
    )
    done = in_new_python(code, encoding="ascii", env=os.environ | {"PYTHONIOENCODING": "ascii"})
    assert done.stdout == "v -0.3 +- 0.1 m/s2, 5 deg, \\xe9\n"


def test_a_fault_is_one_line_and_its_details_are_kept_elsewhere(tmp_path):
    code = (
        "import promtrack.cli, promtrack.products.summary as s\n"
        "def fail(*_): raise ZeroDivisionError('a bug')\n"
        "import promtrack.pipeline as p; p.read_summary = fail\n"
        "promtrack.cli.main(['clip', 'x'])"
    )
    done = in_new_python(code, encoding="utf-8", cwd=tmp_path)
    assert_one_sentence(done, "a fault in promtrack itself (ZeroDivisionError: a bug)", "please report it")
    log = Path(re.search(r"the details are in (.*); please", done.stderr)[1])
    assert "Traceback" in log.read_text(encoding="utf-8")
    log.unlink()
    assert list(tmp_path.iterdir()) == []  # the working folder may be the input's


def test_too_little_space_is_told_before_the_strips_are_made(
    tmp_path, capsys, small_frames, small_run, monkeypatch
):
    # TRUTH  the size of the file that the same run wrote, and a tenth more
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr("shutil.disk_usage", lambda path: usage._replace(free=100_000))
    sentence = refused(capsys, "run", small_frames, "--out", tmp_path / "out", *QUICK_OPTIONS)
    strip = small_run.folder["strip"]
    needed = int(re.search(r"the strips need (\d+) MB, but only 0 MB are free; free some space", sentence)[1])
    assert needed == pytest.approx(1.1 * strip.stat().st_size / 1e6, abs=0.6)  # a whole number is said
    assert "another disk with --out" in sentence
    assert "strip.high_mm" in sentence
    assert not (tmp_path / "out" / "strip.fits").exists()


@pytest.mark.skipif(not MAY_MOUNT, reason="mounting a small disk needs the super-user")
@pytest.mark.parametrize(
    "size", ["32k", *(pytest.param(size, marks=pytest.mark.long) for size in ("1500k", "2800k"))]
)
def test_a_disk_that_fills_up(tmp_path, small_frames, size):
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", disk], capture_output=True, check=False
    ).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        done = bound("run", small_frames, "--out", disk / "out", *QUICK_OPTIONS)
        assert_one_sentence(done, str(disk), "space")
        assert [p.name for p in disk.rglob(".part-*")] == []
        for product in disk.rglob("*.ecsv"):
            assert product.stat().st_size > 0
    finally:
        subprocess.run(["umount", disk], check=True)


BY_STAGE = [
    ("lock", "frames"),
    pytest.param("lock", "summary", marks=pytest.mark.long),
    ("strip", "strip"),
    ("motion", "knots"),
    pytest.param("motion", "front_fits", marks=pytest.mark.long),
    ("clip", "clip"),
    pytest.param("clip", "poster", marks=pytest.mark.long),
    ("figures", "figures"),
    ("report", "report"),
]


@pytest.mark.parametrize(("stage", "product"), BY_STAGE)
def test_no_space_at_any_product(finished, capsys, monkeypatch, stage, product):
    # The renaming of the whole file fails as it does on a full disk: the old product stays, whole, and no
    # half file.
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
    for error, words in (
        (OSError(errno.EIO, "Input/output error", "strip.fits"), "strip.fits: Input/output error"),
        (MemoryError(), "not enough memory"),
    ):

        def fail(*_, error=error):
            raise error

        monkeypatch.setattr("promtrack.stages.measure_motion", lambda *_, fail=fail, **__: fail())
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
