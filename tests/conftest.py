"""One small recording and one whole run on it, shared by the tests of the whole way; tests side by side."""

import os
import shutil
from pathlib import Path

import cv2
import pytest

from promtrack.pipeline import run
from promtrack.scene import Hedgerow, Knot, SceneSpec, make_scene, write_scene
from promtrack.settings import Settings, change_settings

SMALL = SceneSpec(
    name="small",
    shape=(300, 400),
    frames=30,
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


def pytest_configure(config):
    """Tests run as several processes (pytest-xdist), so that a library's own threads would only wait."""
    if getattr(config.option, "numprocesses", None):  # the controller: its workers inherit this
        os.environ.setdefault("OMP_NUM_THREADS", "1")
    if hasattr(config, "workerinput"):
        cv2.setNumThreads(1)


@pytest.fixture(scope="session")
def small_scene():
    return make_scene(SMALL)


@pytest.fixture(scope="session")
def small_frames(small_scene, tmp_path_factory) -> Path:
    """A folder of 16-bit TIFF frames, never to be changed."""
    return write_scene(small_scene, tmp_path_factory.mktemp("input") / "east limb")


@pytest.fixture(scope="session")
def small_run(small_frames, tmp_path_factory):
    """A whole run on it; its folder is to be read only."""
    return run(small_frames, tmp_path_factory.mktemp("products") / "run", QUICK_SETTINGS)


@pytest.fixture
def finished(small_run, tmp_path) -> Path:
    """A finished run that may be spoiled."""
    return shutil.copytree(small_run.folder.path, tmp_path / "out")
