"""Frames turned by 180 degrees within a recording."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from promtrack.errors import InputError
from promtrack.limb import lock_limb, turned_back
from promtrack.limb.flipped import _with_turned
from promtrack.scene import make_scene
from promtrack.sequence.records import SolarHeader
from tests.conftest import SMALL

ARC = replace(SMALL, frames=10)
DISC = replace(
    ARC, limb_arc_deg=None, arcsec_per_px=8.0, side="whole", centre_px=(190.0, 155.0), knots=()
)  # 118 px in radius, off the middle
QUIET_DISC = replace(DISC, hedgerows=())  # nothing but the disc's texture says which way up it stands
DRIFTING = replace(ARC, drift_px=(0.0, 40.0))


@lru_cache
def recorded(spec):
    """A sequence whose frames are drawn once for all tests."""
    return make_scene(spec).sequence()


def flipped(spec, turned):
    """The sequence of a scene, and the same with these frames turned by 180 degrees."""
    sequence = recorded(spec)
    read = sequence.read
    return sequence, replace(
        sequence, read=lambda i: np.ascontiguousarray(read(i)[::-1, ::-1]) if turned[i] else read(i)
    )


@pytest.mark.parametrize("spec", [ARC, DISC, QUIET_DISC, DRIFTING], ids=["arc", "disc", "quiet", "drift"])
@pytest.mark.parametrize("which", ["none", "second half", "last", "every second"])
def test_turned_frames_are_turned_back(spec, which):
    # TRUTH  the frames that were turned
    number = np.arange(spec.frames)
    turned = {
        "none": number < 0,
        "second half": number >= 4,
        "last": number == spec.frames - 1,
        "every second": number % 2 == 1,
    }[which]
    before, sequence = flipped(spec, turned)
    upright = turned_back(sequence)
    for i in (0, 3, 4, 9):
        np.testing.assert_array_equal(upright.frame(i), before.frame(i))
    said = [note for note in upright.notes if "turned by 180 degrees" in note]
    assert len(said) == int(turned.any())
    if said:
        assert said[0].startswith(f"{turned.sum()} of 10 frames")


def test_the_lock_is_that_of_a_recording_without_a_flip():
    # TWIN  the same recording upright
    before, sequence = flipped(ARC, np.arange(10) >= 6)
    lock, same = lock_limb(turned_back(sequence)), lock_limb(before)
    np.testing.assert_array_equal(lock.centre_x_px, same.centre_x_px)
    assert lock.used.all()


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize(
    "spec",
    [ARC, DISC, replace(ARC, exposure="burnt"), replace(DISC, exposure="burnt")],
    ids=["arc", "disc", "burnt arc", "burnt disc"],
)
@pytest.mark.parametrize("which", ["second half", "every second"])
def test_mirror_images_are_refused(spec, which, axis):
    # TRUTH  some frames are mirrored, left and right or top and bottom
    sequence = recorded(spec)
    read, number = sequence.read, np.arange(spec.frames)
    mirrored = number >= 4 if which == "second half" else number % 2 == 1
    sequence = replace(sequence, read=lambda i: np.flip(read(i), axis) if mirrored[i] else read(i))
    with pytest.raises(InputError, match="is a mirror image of"):
        turned_back(sequence)


def test_another_limb_is_not_taken_for_a_turned_one():
    # TRUTH  the Sun crosses the frame: its upper limb at first, its lower limb later, nothing turned
    spec = replace(ARC, limb_arc_deg=None, arcsec_per_px=12.0, side="whole", centre_px=(200.0, 330.0))
    spec = replace(spec, drift_px=(0.0, -360.0))
    assert turned_back(make_scene(spec).sequence()).turned is None


def test_headers_turn_with_their_frames():
    # TRUTH  in a picture of 400 x 300 px the centre at (10, 20) goes to (389, 279), and north down points up
    header = SolarHeader(10.0, 20.0, 1.0, 950.0, 1.5e11, 170.0, False)
    sequence = replace(recorded(replace(ARC, frames=2)), headers=(header, header))
    turned = _with_turned(sequence, np.array([False, True]))
    assert turned.headers[0] == header
    assert turned.headers[1] == replace(header, centre_x_px=389.0, centre_y_px=279.0, north_deg=350.0)
