"""One small recording and one whole run on it, shared by the tests of the whole way; tests side by side."""

import dataclasses
import os
import re
import shutil
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from promtrack.pipeline import run
from promtrack.scene import Hedgerow, Knot, SceneSpec, make_scene, write_scene
from promtrack.settings import Settings
from promtrack.settings_text import change_settings
from promtrack.workers import worker_count

PROCESS_BYTES = 1_500_000_000  # of memory, for one process that runs tests and what it starts

SMALL = SceneSpec(
    name="small",
    shape=(300, 400),
    frames=20,
    cadence_s=20.0,
    limb_arc_deg=40.0,
    drift_px=(6.0, -4.0),
    seed=11,
    hedgerows=(Hedgerow(at_deg=-6.0, height_mm=30.0),),
    knots=(
        Knot(at_deg=5.0, height_mm=18.0, radial_km_s=45.0, along_km_s=10.0, snr=25.0, size_mm=3.5),
        Knot(at_deg=10.0, height_mm=50.0, radial_km_s=-40.0, along_km_s=-12.0, snr=25.0, size_mm=3.5),
    ),
)


# Where the look is not what is tested: one theme, coarse figures, a small clip.
QUICK = {"figures.theme": "light", "figures.dpi": 60, "clip.view": "native"}
QUICK_SETTINGS = change_settings(Settings(), QUICK)
QUICK_OPTIONS = (*(part for key, value in QUICK.items() for part in ("--set", f"{key}={value}")), "--quiet")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config):
    """Processes to run the tests in: this one where single files are asked for, else as many as the machine
    has room for, at most 4."""
    if all(".py" in given for given in config.args):
        return 0
    return min(4, worker_count(worker_bytes=PROCESS_BYTES))


def pytest_configure(config):
    """Each process works on its own, so that the threads of numerical libraries would only wait."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # or all that tests start is compiled anew each time
    if getattr(config.option, "numprocesses", None):  # the processes begin with these variables
        os.environ.setdefault("OMP_NUM_THREADS", "1")
    if hasattr(config, "workerinput"):
        cv2.setNumThreads(1)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Tests that share what takes long to make run in one process, so that it is made once; the others, which
    come last, keep all processes busy to the end."""
    from xdist.scheduler import LoadScopeScheduling

    class BySharedRuns(LoadScopeScheduling):
        def _split_scope(self, nodeid):
            return _shared(nodeid.partition("::")[0]) or nodeid

    return BySharedRuns(config, log)


@lru_cache
def _shared(file):
    """What tests of a file share: the whole run, the hand-made one, something of the file, or nothing."""
    path = Path(__file__).parent.parent / file
    text = path.read_text(encoding="utf-8")
    if re.search(r"\b(small_run|finished)\b", text):
        return "run"
    if path.parent.name == "show" or "tests.show." in text:
        return "show"
    return file if re.search(r'scope="module"|lru_cache', text) else ""


@pytest.fixture(scope="session")
def small_scene():
    """The small scene; a frame is drawn once, never to be changed."""
    scene = make_scene(SMALL)

    def draw(index: int) -> np.ndarray:
        frame = scene.frame(index)
        frame.setflags(write=False)
        return frame

    return dataclasses.replace(scene, draw=lru_cache(draw))


@pytest.fixture(scope="session")
def small_frames(small_scene, tmp_path_factory) -> Path:
    """A folder of 16-bit TIFF frames, never to be changed."""
    return write_scene(small_scene, tmp_path_factory.mktemp("input") / "east limb")


@pytest.fixture(scope="session")
def few_frames(small_frames, tmp_path_factory) -> Path:
    """The first eight of them, where whole runs are started and what they find does not matter."""
    folder = tmp_path_factory.mktemp("input") / "few"
    folder.mkdir()
    for file in sorted(small_frames.iterdir())[:8]:
        shutil.copy2(file, folder)
    return folder


@pytest.fixture(scope="session")
def small_run(small_frames, tmp_path_factory):
    """A whole run on it; its folder is to be read only."""
    return run(small_frames, tmp_path_factory.mktemp("products") / "run", QUICK_SETTINGS)


@pytest.fixture
def finished(small_run, tmp_path) -> Path:
    """A finished run that may be spoiled."""
    return shutil.copytree(small_run.folder.path, tmp_path / "out")
