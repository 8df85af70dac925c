"""Truth beside measurement: what counts as a thread of an eruption, and what as an invention."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.demo import _table
from promtrack.motion.records import Control, Front, KnotTrack, Motion
from promtrack.scene import Eruption, SceneSpec, make_scene
from promtrack.scene.truth import judge
from promtrack.sun import Scale
from tests.motion.scene_strips import IMAGE_ANGLES
from tests.motion.test_measure import knot
from tests.strip.sky import make_lock

SPEC = SceneSpec(
    name="front",
    shape=(200, 210),
    frames=8,
    cadence_s=60.0,
    seed=1,
    eruptions=(Eruption(at_deg=4.0, height_mm=60.0, speed_km_s=100.0),),
)
TRUTH = make_scene(SPEC).truth


def found(*tracks: KnotTrack, fronts=()):
    lock = make_lock(
        np.column_stack([TRUTH.centre_x_px, TRUTH.centre_y_px]),
        SPEC.shape,
        radius_px=TRUTH.radius_px,
        from_deg=SPEC.facing_deg - 5.0,
        to_deg=SPEC.facing_deg + 15.0,
        turns=TRUTH.angle_deg,
    )
    motion = Motion(tracks, fronts, (), (), (), Control("", 0, 0.05, ()), (), 0.0, 0.0)
    return judge(
        TRUTH,
        lock,
        motion,
        Scale(TRUTH.mm_per_px * 1e3, 1.0, TRUTH.arcsec_per_px, "limb", "", True),
        IMAGE_ANGLES,
    )


def track(radial_km_s, height_mm, off_deg):
    angle = np.full(8, TRUTH.fronts[0].angle_deg + off_deg)
    return replace(knot(radial_km_s, 0.0, 1.0), height_mm=height_mm * np.ones(8), angle_deg=angle)


def edge(above_mm, off_deg, moving):
    true = TRUTH.fronts[0]
    one = np.ones(8)
    return Front(
        1,
        0.0,
        4.0,
        np.arange(8),
        60.0 * np.arange(8),
        true.height_mm + above_mm,
        one,
        (true.angle_deg + off_deg) * one,
        (),
        "none",
        1e-9,
        moving,
    )


@pytest.mark.parametrize(
    ("above", "off", "moving", "false"),
    [(-2.5, 0.5, True, 0), (-2.5, 9.0, True, 1), (-30.0, 0.5, True, 1), (-30.0, 0.5, False, 0)],
)
def test_invented_fronts_are_counted(above, off, moving, false):
    # TRUTH  in its place; 120 Mm beside it; 30 Mm below it; the same, not called moving
    judgement = found(fronts=(edge(above, off, moving),))
    assert judgement.false_fronts == false
    assert any(line.split() == ["false", "moving", "fronts", "0", str(false)] for line in _table(judgement))


@pytest.mark.parametrize(
    ("radial", "height", "off", "thread"),
    [
        (15.0, 40.0, 1.0, False),
        (300.0, 40.0, 1.0, False),
        (80.0, 40.0, 1.0, True),
        (-80.0, 40.0, 1.0, False),
        (80.0, 200.0, 0.0, False),
        (80.0, 40.0, 9.0, False),
    ],
)
def test_threads_of_an_eruption_are_no_inventions(radial, height, off, thread):
    # TRUTH  an arch that stands 60 to 102 Mm high: what rises inside is a thread of it; what falls, stands
    # above it, stands 120 Mm beside it, or has another speed than the arch there (about 50 km/s) is not
    judgement = found(track(radial, height, off))
    assert (judgement.in_eruptions, judgement.strays) == ((1, 0) if thread else (0, 1))


def test_the_table_tells_inventions():
    lines = list(_table(found(track(-80.0, 40.0, 0.0))))
    assert lines[1].split() == ["truth", "measured", "error", "in", "sigma"]
    assert any(line.split() == ["false", "moving", "tracks", "0", "1"] for line in lines)
