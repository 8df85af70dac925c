"""Input that looks like a limb and is none, and edges that are two: each has its one clear sentence."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from PIL import Image

from promtrack.checks import light
from promtrack.errors import PromtrackError
from promtrack.limb import inspect_sequence, lock_exposures, turned_back
from promtrack.limb.expected_geometry import expected_sky
from promtrack.limb.inspect import unlike_the_sun
from promtrack.scene import make_scene
from promtrack.sequence import sequence_from_arrays
from promtrack.settings import CameraSettings, SiteSettings
from tests.test_perturbed_runs import SPEC, and_long

DISC = replace(SPEC, frames=8, limb_arc_deg=None, side="whole", arcsec_per_px=8.0, centre_px=(200.0, 150.0))
Y, X = np.mgrid[:300, :400].astype(np.float32)


def recording(frames):
    times = np.datetime64("2026-05-17T09:30", "us") + np.arange(len(frames)) * np.timedelta64(30, "s")
    return turned_back(sequence_from_arrays(list(frames), times, full_scale=65535.0))


def drawn(picture, frames=6):
    """Frames of one picture with the blur and the noise of a camera."""
    rng, soft = np.random.default_rng(0), cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.2)
    return recording(
        [np.clip(soft + rng.normal(0, 60, soft.shape), 0, 65535).astype(np.uint16) for _ in range(frames)]
    )


def sentences(sequence, *subjects):
    """Level and sentences of each of these lights of a lock."""
    lock = lock_exposures(sequence)
    return [light(lock.checks, subject) for subject in subjects]


def test_a_jagged_skyline_is_not_trusted_by_check_nor_by_a_run():
    # TRUTH  roofs 10 px wide on a hill with a radius of 300 px, their heights 8 px rms: 19 Mm, if it were the
    # Sun
    rng, x = np.random.default_rng(8), np.arange(400)
    hill = 360.0 - np.sqrt(300.0**2 - (x - 190.0) ** 2) + 8.0 * np.repeat(rng.normal(0, 1, 40), 10)
    sequence = drawn(np.where(hill < Y, 30000.0, 2000.0))
    ((level, reasons),) = sentences(sequence, "lock")
    assert level == "poor"
    assert any("jagged by" in reason for reason in reasons)
    assert "jagged by" in inspect_sequence(sequence).doubt
    assert inspect_sequence(make_scene(replace(DISC, frames=3)).sequence()).doubt == ""


def test_check_doubts_a_disc_that_is_lit_evenly():
    # TRUTH  a round lamp, and a disc that darkens to its limb by 0.6 (1 - sqrt(1 - r^2)), as the Sun does
    r2 = np.minimum(((X - 200.0) ** 2 + (Y - 150.0) ** 2) / 110.0**2, 1.0)
    for darkening, said in ((0.0, "lit evenly"), (0.6, "")):
        lit = np.where(r2 < 1, 30000.0 * (1 - darkening * (1 - np.sqrt(1 - r2))), 2000.0)
        sequence = drawn(lit, frames=2)
        middle = inspect_sequence(sequence).middle
        assert middle is not None
        sky = expected_sky(sequence.times_utc, site=SiteSettings(), camera=CameraSettings())
        doubt = unlike_the_sun(sequence, *middle, sky)
        assert said in doubt
        assert bool(said) == bool(doubt)


def test_a_limb_that_a_closer_look_does_not_find_is_a_doubt():
    # TRUTH  the frame that was sampled has a limb; this one, of the same place, is black
    sequence = make_scene(replace(DISC, frames=3)).sequence()
    index, sample = inspect_sequence(sequence).middle
    black = replace(sequence, read=lambda i: np.zeros(sequence.shape, np.uint16))
    sky = expected_sky(sequence.times_utc, site=SiteSettings(), camera=CameraSettings())
    assert f"{sequence.names[index]}, looked at more closely: no limb" in unlike_the_sun(
        black, index, sample, sky
    )


@pytest.mark.parametrize("width", [240, pytest.param(360, marks=pytest.mark.long)])
def test_a_disc_of_oblong_pixels_is_not_round(width):
    # TRUTH  a round disc of 400 columns squeezed to fewer
    scene = make_scene(DISC)
    squeezed = [
        cv2.resize(scene.frame(i), (width, 300), interpolation=cv2.INTER_AREA) for i in range(DISC.frames)
    ]
    for level, said in sentences(recording(squeezed), "lock", "scale"):
        assert level == "poor"
        assert any("The limb is not round" in sentence for sentence in said)


def test_a_round_disc_is_round():
    # TRUTH  the same disc, not squeezed
    assert not [c for c in lock_exposures(make_scene(DISC).sequence()).checks if c.name == "round limb"]


def octagon():
    angle = np.arctan2(Y - 150, X - 200) % (np.pi / 4) - np.pi / 8
    return np.where(np.hypot(X - 200, Y - 150) * np.cos(angle) < 100, 30000.0, 400.0)


def ring():
    return np.where(np.abs(np.hypot(X - 200, Y - 420) - 250) < 15, 30000.0, 400.0)


def hills():
    blobs = cv2.GaussianBlur(np.random.default_rng(0).uniform(0, 1, X.shape), (0, 0), 12)
    return 50000.0 * (blobs - blobs.min()) / np.ptp(blobs)


def straight_edge():
    return np.where(Y > 180, 30000.0, 400.0)


@pytest.mark.parametrize(
    "picture", [octagon, ring, hills, pytest.param(straight_edge, marks=pytest.mark.long)]
)
def test_what_is_no_sun_is_refused_or_poor(picture):
    # TRUTH  no Sun in it
    try:
        ((level, _),) = sentences(drawn(picture()), "scale")
    except PromtrackError:
        return
    assert level == "poor"


@pytest.mark.parametrize("edge", and_long([(0.0, 0.0), (3.0, 60.0)], [(0.0, 60.0), (3.0, 0.0)]))
def test_a_field_stop_is_not_taken_for_the_limb(edge):
    # TRUTH  the middle of the disc, with its texture and noise, seen through a round hole, in focus or not;
    # no light outside, and no count but the camera's noise
    soft_px, noise = edge
    rng, hole = np.random.default_rng(1), np.where(np.hypot(X - 200, Y - 150) < 120, 1.0, 0.0)
    hole = cv2.GaussianBlur(hole, (0, 0), soft_px) if soft_px else hole
    disc = 30000.0 + 3000.0 * cv2.GaussianBlur(rng.normal(0, 8, X.shape), (0, 0), 4)
    frames = [
        hole * (disc + rng.normal(0, 60, X.shape)) + rng.normal(0, noise + 1e-9, X.shape) for _ in range(6)
    ]
    sequence = recording([np.clip(f, 0, 65535).astype(np.uint16) for f in frames])
    for level, said in sentences(sequence, "lock", "scale"):
        assert level == "poor"
        assert any("a field stop" in sentence for sentence in said)


@pytest.mark.parametrize("black", and_long([2500.0], [0.0]))
def test_a_disc_before_a_black_sky_is_no_field_stop(black):
    # TRUTH  a whole disc of 8 arcsec a pixel whose darkest counts were cut off, in 8 bits
    scene = make_scene(DISC)
    frames = [scene.frame(i).astype(np.float32) for i in range(6)]
    sequence = recording(
        [np.clip((f - black) / 256, 0, 255).astype(np.uint8) * np.uint16(256) for f in frames]
    )
    assert [level for level, _ in sentences(sequence, "lock", "scale")] == ["good", "good"]


PHOTOGRAPHS = Path(skimage.data.__file__).parent  # those that the package brings along


OTHER_THINGS = ["camera.png", "moon.png", "cell.png"]
MORE_OTHERS = [
    "coins.png",
    "astronaut.png",
    "chessboard_RGB.png",
    "brick.png",
    "coffee.png",
    "chelsea.png",
    "grass.png",
    "gravel.png",
    "horse.png",
    "ihc.png",
]
MORE_OTHERS += ["color.png", "logo.png", "page.png", "text.png", "retina.jpg", "hubble_deep_field.jpg"]


@pytest.mark.parametrize(
    "name", [*OTHER_THINGS, *(pytest.param(name, marks=pytest.mark.long) for name in MORE_OTHERS)]
)
def test_photographs_of_something_else_give_no_good_number(name):
    # TRUTH  no Sun in them: 8 bits with a camera's noise
    rng, picture = np.random.default_rng(0), Image.open(PHOTOGRAPHS / name).convert("L")
    light_ = 200.0 * np.asarray(picture, float)
    try:
        sequence = recording(
            [np.clip(light_ + rng.normal(0, 60, light_.shape), 0, 65535).astype(np.uint16) for _ in range(6)]
        )
        lock = lock_exposures(sequence)
    except PromtrackError:
        return
    assert "good" not in [light(lock.checks, subject)[0] for subject in ("lock", "scale")]


def test_two_recordings_in_one_folder_are_named():
    # TRUTH  the limb below, then the limb to the left, from frame 8 on
    one, other = make_scene(replace(SPEC, frames=8)), make_scene(replace(SPEC, frames=8, side="left", seed=5))
    frames = [one.frame(i) for i in range(8)] + [other.frame(i) for i in range(8)]
    ((level, said),) = sentences(recording(frames), "lock")
    assert level == "poor"
    assert any(s.startswith("frames#8 shows another limb than frames#7: two recordings") for s in said)


def wide_filter(chromosphere):
    """A disc of the photosphere, 0.5 Mm a pixel, with a chromosphere of this brightness up to 4.5 Mm."""
    height = 0.5 * np.hypot(X - 200, Y - 1560) - 695.7
    return np.select([height < 0, height < 4.5], [30000.0, 30000.0 * chromosphere], 400.0)


@pytest.mark.parametrize("chromosphere", and_long([0.3], [0.6]))
def test_a_second_edge_is_named(chromosphere):
    # TRUTH  two edges 4.5 Mm apart
    said = [
        c.sentence for c in lock_exposures(drawn(wide_filter(chromosphere))).checks if c.name == "second edge"
    ]
    assert len(said) == 1
    apart = float(said[0].split("lies ")[1].split(" Mm")[0])
    assert apart == pytest.approx(4.5, abs=0.35)  # a pixel is 0.5 Mm, and the blur 1.2 px
    assert "photosphere" in said[0]


def test_one_edge_is_one_edge():
    # TRUTH  no chromosphere, and a scene with its fringe of spicules
    for sequence in (drawn(wide_filter(0.0)), make_scene(replace(SPEC, frames=6)).sequence()):
        assert not [c for c in lock_exposures(sequence).checks if c.name == "second edge"]
