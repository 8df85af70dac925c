"""Eruptions of three speeds and the demo's, from frames through lock, strips, knots and fronts to the one
front that is reported."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.limb import lock_limb
from promtrack.motion import measure_motion
from promtrack.scene import make_scene, scenario
from promtrack.scene.content import Eruption
from promtrack.settings import StripSettings
from promtrack.strip import strip_geometry, unwrap
from promtrack.sun import Scale
from tests.motion.scene_strips import IMAGE_ANGLES

DEMO = replace(
    scenario("eruption"), name="erupting", shape=(300, 400), arcsec_per_px=2.3, cadence_s=100.0, frames=44
)


def erupting(speed_km_s, cadence_s, frames=24):
    """The demo's Sun with one arch that rests for three tenths of the time and then speeds up to
    `speed_km_s`."""
    rest_s, rise_s = (part * cadence_s * (frames - 1) for part in (0.3, 0.7))
    arch = Eruption(
        at_deg=1.0,
        width_mm=80.0,
        height_mm=46.0,
        speed_km_s=0.0,
        accel_m_s2=1e3 * speed_km_s / rise_s,
        start_s=rest_s,
        brightness=0.12,
    )
    plain = {"knots": (), "jumps": (), "cloud_frames": ()}
    return replace(DEMO, eruptions=(arch,), frames=frames, cadence_s=cadence_s, **plain)


@pytest.mark.parametrize(
    "spec",
    [
        pytest.param(erupting(50.0, 60.0), id="50", marks=pytest.mark.long),
        pytest.param(erupting(300.0, 40.0), id="300", marks=pytest.mark.long),
        pytest.param(erupting(600.0, 20.0), id="600", marks=pytest.mark.long),
        pytest.param(DEMO, id="demo", marks=pytest.mark.long),
    ],
)
def test_an_eruption_is_found_at_every_speed(spec, tmp_path):
    # TRUTH  the arch that was put in: one front, in nine tenths of the frames, half a pixel rms about a
    # constant offset (choice of the edge's level, burnt-out limb), largest speed within 5 %
    scene = make_scene(spec)
    sequence, truth = scene.sequence(), scene.truth
    lock = lock_limb(sequence)
    scale = Scale(truth.mm_per_px * 1e3, 1.0, truth.arcsec_per_px, "limb", "", True)
    geometry = strip_geometry(lock, scale, IMAGE_ANGLES, strip=StripSettings())
    strip = unwrap(sequence, lock, IMAGE_ANGLES, geometry, path=tmp_path / "strip.bin")
    motion = measure_motion(strip)
    assert motion.front_search.level == "found"
    (front,) = motion.fronts
    true = truth.fronts[0]
    in_view = strip.frame[true.height_mm[strip.frame] < geometry.height_mm(geometry.rows - 1)]
    assert len(front.frame) >= 0.9 * len(in_view)
    away = front.height_mm - true.height_mm[front.frame]
    assert np.std(away) < 0.5 * truth.mm_per_px
    assert front.quoted_km_s[0] == pytest.approx(true.speed_km_s[front.frame].max(), rel=0.05)
    assert motion.meanings[0].sentence.startswith("Front 1 reaches")
