"""Killed or stopped at any moment, a run leaves whole products or none, and the next run ends as if nothing
had happened."""

import hashlib
import os
import pathlib
import random
import signal
import subprocess
import sys
import time

import pytest

from promtrack.products.folder import PRODUCTS, ProductFolder
from promtrack.products.strips import read_strip
from promtrack.products.summary import read_summary
from promtrack.products.tables import read_lock
from tests.conftest import QUICK_OPTIONS

# 20 rounds of 10 stops, 200 in all, take a quarter of an hour: PROMTRACK_ROUNDS says how many of them this
# run has time for. In every run of the tests `test_whole_way` stops one between two stages.
ROUNDS = int(os.environ.get("PROMTRACK_ROUNDS", "20"))
TABLES = [
    name
    for name in PRODUCTS.values()
    if name.endswith((".ecsv", ".fits")) and not name.startswith("trial")  # by a command of its own
]


def start(frames, out):
    return subprocess.Popen(
        [sys.executable, "-m", "promtrack", "run", str(frames), "--out", str(out), *QUICK_OPTIONS],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        preexec_fn=None if sys.platform == "win32" else heed_ctrl_c,
    )


def heed_ctrl_c():
    """A shell that starts the tests in the background has them, and what they start, ignore Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def digests(out):
    return {name: hashlib.sha256((out / name).read_bytes()).hexdigest() for name in TABLES}


def inputs(frames):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in frames.iterdir()}


def assert_whole(out):
    """Every product that stands under its own name can be read to its end."""
    folder = ProductFolder(out)
    readers = {"frames": read_lock, "strip": read_strip, "summary": read_summary}
    for product, reader in readers.items():
        if folder[product].exists():
            reader(folder)
    if folder["strip"].exists():
        strip = read_strip(folder)
        assert strip.read(len(strip) - 1).shape[0] == 1
    if folder["clip"].exists():
        import cv2

        capture = cv2.VideoCapture(str(folder["clip"]))
        assert capture.get(cv2.CAP_PROP_FRAME_COUNT) > 0
        capture.release()
    if folder["report"].exists():
        assert folder["report"].read_text(encoding="utf-8").rstrip().endswith("</html>")


def assert_no_orphans(out):
    """No program started for the run lives on; it may take a moment to see that its pipe is closed."""
    if not pathlib.Path("/proc/self/cmdline").exists():
        return
    deadline = time.monotonic() + 20.0
    while left := [pid for pid in pathlib.Path("/proc").glob("[0-9]*") if mentions(pid, out)]:
        assert time.monotonic() < deadline, left
        time.sleep(0.1)


def mentions(process, out):
    try:
        return str(out).encode() in (process / "cmdline").read_bytes()
    except OSError:  # it has just ended
        return False


@pytest.fixture(scope="module")
def undisturbed(few_frames, tmp_path_factory):
    out = tmp_path_factory.mktemp("undisturbed") / "out"
    begun = time.monotonic()
    process = start(few_frames, out)
    errors = process.communicate(timeout=600)[1]
    assert process.returncode == 0, errors
    return digests(out), time.monotonic() - begun


def disturb(few_frames, undisturbed, out, stops, seed):
    """Stop runs into one folder in these ways at random moments, looking at the products each time; then let
    one end."""
    expected, duration = undisturbed
    before = inputs(few_frames)
    rng = random.Random(seed)
    for stop in stops:
        process = start(few_frames, out)
        try:
            process.wait(
                timeout=rng.uniform(0.1 * duration, 1.1 * duration)
            )  # earlier, Python itself is still starting
        except subprocess.TimeoutExpired:
            stop(process)
        errors = process.communicate(timeout=180)[1]
        assert "Traceback" not in errors, errors
        assert_no_orphans(out)
        assert_whole(out)
    process = start(few_frames, out)
    errors = process.communicate(timeout=600)[1]
    assert process.returncode == 0, errors
    assert digests(out) == expected
    assert [p.name for p in out.rglob(".part-*")] == []
    assert inputs(few_frames) == before


def kill(process):
    process.kill()


def interrupt(process):
    process.send_signal(signal.SIGINT)


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to another process there")
@pytest.mark.parametrize("seed", range(ROUNDS))
def test_stopped_again_and_again(few_frames, undisturbed, tmp_path, seed):
    disturb(few_frames, undisturbed, tmp_path / "out", (kill, interrupt) * 5, seed)


def test_ctrl_c_is_answered_in_words(few_frames, tmp_path):
    if sys.platform == "win32":
        pytest.skip("Ctrl-C cannot be sent to another process there")
    process = start(few_frames, tmp_path / "out")
    while not (tmp_path / "out" / "settings.toml").exists():
        time.sleep(0.02)
        assert process.poll() is None
    interrupt(process)
    errors = process.communicate(timeout=60)[1]
    assert process.returncode == 130
    assert "stopped" in errors
