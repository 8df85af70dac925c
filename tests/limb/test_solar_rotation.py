"""Solar rotation against a motion of the Sun."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.limb import lock_limb
from promtrack.limb.records import Terms
from promtrack.scene import Arch, Hedgerow, SceneSpec
from promtrack.settings import CameraSettings, LimbSettings
from promtrack.sun import solar_view, synodic_deg_day
from tests.test_perturbed_runs import recording

# September: the axis leans towards us by 7.2 deg, the most of the year; no texture on the disc, which the
# scene would not carry rightly
SPEC = SceneSpec(
    shape=(240, 640),
    frames=14,
    cadence_s=425.0,
    limb_arc_deg=35.0,
    first_utc="2026-09-08T09:00:00",
    texture=0.0,
    hedgerows=(Hedgerow(at_deg=-6.0), Hedgerow(at_deg=9.0)),
    arches=(Arch(at_deg=2.0, brightness=0.07),),
)
FACING_WEST = CameraSettings(
    north_deg=90.0
)  # celestial north to the left: what faces up is the west limb, but for P


def drift_along(
    spec: SceneSpec, camera: CameraSettings, wanted: bool = True, terms: Terms = Terms()
) -> tuple[float, tuple[str, ...]]:
    """Error of the centre along the limb, last frame against first, towards larger angle, px."""
    sequence, truth = recording(spec)
    limb = LimbSettings(solar_rotation=wanted)
    lock = lock_limb(sequence, limb=limb, camera=camera, terms=terms)
    facing = np.radians(spec.facing_deg)
    x, y = lock.centre_x_px - truth.centre_x_px, lock.centre_y_px - truth.centre_y_px
    along = -np.cos(facing) * x + np.sin(facing) * y
    return float(np.polyfit(np.linspace(0, 1, len(along)), along, 1)[0]), lock.notes


def turning() -> tuple[SceneSpec, float]:
    """A Sun seen to turn as the real one does at its west limb, and how far that carries the limb in px."""
    view = solar_view(SPEC.times_utc[0])
    latitude = -view.p_deg  # of the limb's middle, which faces celestial west: the axis is turned by P
    rate_deg_h = float(synodic_deg_day(latitude)) / 24.0 * np.sin(np.radians(view.b0_deg))
    spec = replace(SPEC, rotation_deg_h=rate_deg_h)
    return spec, float(np.radians(rate_deg_h * (SPEC.time_s[-1] - SPEC.time_s[0]) / 3600.0) * spec.radius_px)


def test_a_turn_by_the_sun_is_not_taken_for_a_shift():
    # TRUTH  the picture is turned by what solar rotation makes of the west limb in 92 minutes: 2.0 px at the
    # limb. Where the features may not drift against the edge, the Sun's centre is off by all of it without
    # the law of rotation; where they may, the edge resists a part. Changing plasma leaves 0.2 px rms in a
    # scene: three scenes, and 2.5 sigma of their mean.
    spec, carried = turning()
    scenes = [replace(spec, seed=seed) for seed in (1, 2, 3)]
    with_it = [drift_along(scene, FACING_WEST) for scene in scenes]
    without = [drift_along(scene, FACING_WEST, wanted=False) for scene in scenes]
    rigid = [drift_along(scene, FACING_WEST, wanted=False, terms=Terms(level=False)) for scene in scenes]
    assert carried > 1.5
    assert abs(np.mean([drift for drift, _ in rigid])) == pytest.approx(carried, abs=0.3)
    assert 0.5 * carried < abs(np.mean([drift for drift, _ in without])) < carried + 0.3
    assert abs(np.mean([drift for drift, _ in with_it])) < 0.3
    assert any("this is taken out of the Sun's place" in note for note in with_it[0][1])
    assert not any("Solar rotation" in note for note in without[0][1])


def test_unknown_orientation_is_said():
    spec, _ = turning()
    _, notes = drift_along(replace(spec, frames=6), CameraSettings())
    assert any("without camera.north_deg it is not known which way" in note for note in notes)
