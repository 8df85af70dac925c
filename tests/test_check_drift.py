"""`promtrack check` on frames; the drift calibration from files to settings."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from promtrack.check import check, check_drift
from promtrack.errors import InputError
from promtrack.scene import SceneSpec, make_scene, write_scene
from promtrack.settings import CameraSettings, Settings

# the Sun drifts by 7 px a second at 2 arcsec a pixel; north up, so it leaves to the right
DRIFT = SceneSpec(
    frames=16, shape=(300, 480), limb_arc_deg=60.0, cadence_s=1.0, image_motion_arcsec=0.2, drive_on=False
)


def lines(spec: SceneSpec, folder: Path) -> list[str]:
    return list(check_drift(write_scene(make_scene(spec), folder / "frames"), Settings()))


def test_a_drift_with_the_drive_off_is_confirmed_by_the_limb(tmp_path):
    # TRUTH  the scene's Sun drifts at the sky's rate; a pixel is 1.988 arcsec, and west lies to the right, at
    # 270 deg
    said = lines(DRIFT, tmp_path)
    assert any(line.startswith("The drift and the limb agree: ") for line in said), said
    west, scale = map(
        float,
        re.search(
            r"West lies at ([\d.-]+) .* a pixel is ([\d.]+) ", " ".join(said).replace("−", "-")
        ).groups(),
    )
    assert west == pytest.approx(
        -90.0, abs=0.5
    )  # image motion of 0.1 px on a drift of 107 px, and what refraction leaves
    assert scale == pytest.approx(1.9885, rel=0.01)


def test_a_recording_with_the_drive_on_is_refused(tmp_path):
    # TRUTH  the scene drifts 30 px across the frame by bad tracking in seven minutes
    spec = SceneSpec(frames=15, shape=(300, 480), limb_arc_deg=60.0, drift_px=(30.0, -8.0))
    with pytest.raises(InputError, match="times the rate of the sky") as caught:
        lines(spec, tmp_path)
    assert "switch the drive off" in str(caught.value)


def test_check_of_several_sessions_still_says_what_disagrees(tmp_path):
    # TRUTH  a pause of six hours, and a scale stated half as large again
    spec = SceneSpec(frames=4, shape=(300, 400), arcsec_per_px=2.0, gaps=((2, 6 * 3600.0),))
    settings = Settings(camera=CameraSettings(arcsec_per_px=3.0))
    *_, last = check(write_scene(make_scene(spec), tmp_path / "in"), settings)
    assert last == "it can be measured, but look first at what disagrees"


def test_check_expects_no_refraction_in_light_that_the_air_stops(tmp_path, monkeypatch):
    # TRUTH  304 angstrom is seen from space alone
    scene = make_scene(SceneSpec(frames=3, shape=(300, 400), arcsec_per_px=2.0))
    seen = replace(scene.sequence(), line="304 angstrom")
    monkeypatch.setattr("promtrack.check.open_sequence", lambda *_, **__: seen)
    assert not any("refraction" in line for line in check(tmp_path, Settings()))
