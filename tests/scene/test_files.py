"""Scenes as files, and scenarios from files."""

import tomllib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from promtrack.errors import InputError, SettingsError
from promtrack.scene import SceneSpec, make_scene, read_scenario, scenario, scenario_names, write_scene
from tests.scene import onset

ROOT = Path(__file__).parents[2]
SMALL = SceneSpec(name="small", shape=(120, 161), arcsec_per_px=4.0, frames=3, cadence_s=20.5)


def test_stills(tmp_path):
    scene = make_scene(SMALL)
    told = []
    folder = write_scene(scene, tmp_path / "frames", progress=lambda done, total: told.append((done, total)))
    names = sorted(path.name for path in folder.iterdir())
    assert names == [f"2026-05-17T09-30-{stamp}Z.tif" for stamp in ("00", "20.500", "41")]
    assert told == [(1, 3), (2, 3), (3, 3)]
    read = cv2.imread(str(folder / names[1]), cv2.IMREAD_UNCHANGED)
    assert read.dtype == np.uint16
    assert np.array_equal(read, scene.frame(1))


def test_eight_bit_frames_fill_sixteen_bits(tmp_path):
    scene = make_scene(replace(SMALL, bits=8, exposure="burnt"))
    folder = write_scene(scene, tmp_path)
    read = cv2.imread(str(min(folder.iterdir())), cv2.IMREAD_UNCHANGED)
    assert read.max() == 65535
    assert np.array_equal(read, scene.frame(0).astype(np.uint16) * 257)


def test_a_file_in_the_way_is_said(tmp_path):
    (tmp_path / "frames").write_text("no folder")
    with pytest.raises(InputError, match="cannot be written"):
        write_scene(make_scene(SMALL), tmp_path / "frames")


@pytest.mark.parametrize("name", ["quiet", "eruption", "rain"])
def test_scenarios_of_the_demo(name):
    assert name in scenario_names()
    spec = scenario(name)
    scene = make_scene(spec)
    truth = scene.truth
    assert scene.frame(0).shape == spec.shape
    assert 80 <= spec.count <= 120
    knots = [
        knot for knot in truth.knots if knot.visible.sum() >= 8 and np.median(knot.snr[knot.visible]) >= 8
    ]
    assert len(knots) == len(truth.knots) > 0  # every knot can be asked to be found
    if name == "eruption":
        front = truth.fronts[0]
        assert spec.time_s[10] < onset(spec.eruptions[0]) < spec.time_s[-10]
        assert front.speed_km_s.max() < 500.0
        x, y = truth.to_frame(-1, front.angle_deg, front.height_mm[-1])
        assert 0 < x < spec.shape[1]
        assert 0 < y < spec.shape[0]
    if name == "rain":
        # TRUTH  the scenario: every knot falls, along one leg or the other; bounds of ours about the
        # published mean of coronal rain, 70 km/s (Antolin & Rouppe van der Voort 2012, ApJ 745, 152,
        # abstract)
        for knot in truth.knots:
            seen = knot.visible
            assert (knot.radial_km_s[seen][1:] < 0).all()
            assert 25.0 < np.median(knot.speed_km_s[seen]) < 120.0
        legs = {np.sign(np.median(knot.along_km_s[knot.visible])) for knot in truth.knots}
        assert legs == {-1.0, 1.0}


def test_unknown_scenario_suggests_one():
    with pytest.raises(SettingsError, match="did you mean 'quiet'"):
        scenario("quite")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("frames = ", "not valid TOML"),
        ("framse = 3", "did you mean 'frames'"),
        ("[[knots]]\nspeed = 3", "unknown field 'speed'"),
        ("side = 'under'", "side 'under'"),
    ],
)
def test_bad_scenario_files(tmp_path, text, words):
    (tmp_path / "bad.toml").write_text(text)
    with pytest.raises(SettingsError, match=words):
        read_scenario(tmp_path / "bad.toml")


def test_every_package_is_shipped():
    # the list in pyproject.toml is written by hand: it must name each folder that holds code, and the
    # scenarios
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    there = {
        ".".join(path.parent.relative_to(ROOT).parts) for path in (ROOT / "promtrack").rglob("__init__.py")
    }
    assert set(listed["packages"]) == there | {"promtrack.scene.scenarios"}
    assert listed["package-dir"] == {"promtrack.scene.scenarios": "demo"}
