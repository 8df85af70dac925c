"""The limb of one frame without any guess."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.limb.edge import LimbNotFound, SmallFrame
from promtrack.limb.find import find_limb
from promtrack.limb.frame_limb import LimbSample, sample_limb, start_from
from promtrack.limb.records import Place
from promtrack.scene import Eruption, SceneSpec, make_scene
from promtrack.settings import LimbSettings

BASE = SceneSpec(frames=1, limb_arc_deg=35.0, shape=(360, 480))


@pytest.mark.parametrize(
    "changes",
    [
        {"side": "bottom"},
        {"side": "top"},
        {"side": "left"},
        {"side": "right"},
        {"side": 38.0},
        {"exposure": "burnt", "bits": 8},
        {"exposure": "normal", "texture": 0.15},
        {"limb_arc_deg": 15.0, "full_well_e": 1500.0},
        {"eruptions": (Eruption(at_deg=5.0, width_mm=140.0, height_mm=80.0, brightness=0.4),)},
        {"side": "whole", "limb_arc_deg": None, "arcsec_per_px": 6.0},
        {"transparency": 0.0, "cloud_frames": ((0, 0.4),)},
    ],
    ids=lambda c: "-".join(f"{k}" for k in c),
)
def test_found_on_any_side_and_in_any_light(changes):
    # TRUTH  the scene's limb. Compared where it is seen, at the middle of the visible limb: 2 px unburnt, 8
    # px burnt (the bias of a burnt edge); the radius to a tenth: it is all a start needs.
    spec = replace(BASE, **changes)
    scene = make_scene(spec)
    fit = sample_limb(scene.frame(0), scene.sequence().full_scale).place
    t = scene.truth
    facing = np.radians(spec.facing_deg)
    n = np.array([-np.sin(facing), -np.cos(facing)])
    apart = (
        np.array([fit.x_px - t.centre_x_px[0], fit.y_px - t.centre_y_px[0]]) @ n + fit.radius_px - t.radius_px
    )
    assert abs(apart) < (8.0 if spec.exposure == "burnt" else 2.0)
    assert fit.radius_px == pytest.approx(t.radius_px, rel=0.1)


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (np.zeros((300, 400), np.uint16), "all black"),
        (np.full((300, 400), 777, np.uint16), "constant, 777"),
        (np.full((300, 400), 65535, np.uint16) - np.eye(300, 400, dtype=np.uint16), "burnt out"),
        (np.random.default_rng(1).normal(500, 20, (300, 400)).astype(np.uint16), "even light"),
        (
            np.random.default_rng(1).normal(30000, 3000, (300, 400)).astype(np.uint16),
            "without the Sun's edge",
        ),
    ],
)
def test_what_was_seen_instead(frame, words):
    with pytest.raises(LimbNotFound) as caught:
        find_limb(SmallFrame(frame, 65535.0))
    assert words in str(caught.value)


def test_the_radius_to_start_from_leans_to_neither_side(monkeypatch):
    # TRUTH  seven frames show a curvature of 1 / 1500 px with an error of 0.3 of that each; the error of a
    # radius grows with its square, so that by its own error the smallest radius would win
    sequence, rng = make_scene(replace(BASE, frames=7, shape=(90, 120))).sequence(), np.random.default_rng(2)

    def drawn(*_, **__):
        radius = 1500.0 / max(1.0 + 0.3 * rng.normal(), 0.2)
        return LimbSample(
            Place(60.0, radius + 45.0, radius), 0.3 * radius**2 / 1500.0, 1.0, np.degrees(210.0 / radius), 1.0
        )

    monkeypatch.setattr("promtrack.limb.frame_limb.sample_limb", drawn)
    curvature = [1500.0 / start_from(sequence, LimbSettings(), (None,) * 7).radius_px for _ in range(300)]
    assert np.mean(curvature) == pytest.approx(1.0, abs=0.03)
