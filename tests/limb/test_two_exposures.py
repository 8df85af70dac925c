"""A bright and a faint exposure that alternate: one lock, one motion, one picture."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from promtrack.errors import InputError
from promtrack.limb import joined, lock_exposures, lock_limb
from promtrack.limb.records import OTHER_EXPOSURE
from promtrack.limb.two_exposures import Exposure
from promtrack.pipeline import run
from promtrack.scene import make_scene, write_scene
from promtrack.sequence import sequence_from_arrays
from promtrack.sequence.bursts import with_exposure_classes
from tests.conftest import QUICK_SETTINGS, SMALL

TIMES, FULL = 8.0, 65535.0


@lru_cache
def recorded(rhythm, frames=24, exposure=0.6, **other):
    """A scene whose exposures go in this rhythm, the disc well exposed in the faint ones, and its frames."""
    spec = replace(SMALL, frames=frames, exposure_cycle=rhythm, exposure=exposure, **other)
    scene = make_scene(spec)
    times = np.datetime64(spec.first_utc, "us") + (spec.time_s * 1e6).astype("timedelta64[us]")
    frames = [scene.frame(i) for i in range(spec.count)]
    return scene, with_exposure_classes(sequence_from_arrays(frames, times, full_scale=FULL))


@pytest.fixture(scope="module")
def alternating():
    scene, sequence = recorded((1.0, TIMES))
    return scene, sequence, lock_exposures(sequence)


@pytest.fixture(scope="module")
def threes():
    scene, sequence = recorded((TIMES, 1.0, TIMES))
    return scene, sequence, lock_exposures(sequence)


@pytest.mark.parametrize("case", ["alternating", pytest.param("threes", marks=pytest.mark.long)])
def test_both_exposures_have_the_place_of_one_sun(case, request):
    # TRUTH  centres of the scene; a constant offset across the limb goes with the radius and shifts nothing
    scene, sequence, lock = request.getfixturevalue(case)
    bright = sequence.exposure_class == Exposure.BRIGHT
    np.testing.assert_array_equal(lock.used, bright)
    assert {lock.reason[i] for i in np.flatnonzero(~bright)} == {OTHER_EXPOSURE}
    assert not lock.rejected.any()
    away = np.hypot(
        *(
            own - true - np.median(own - true)
            for own, true in (
                (lock.centre_x_px, scene.truth.centre_x_px),
                (lock.centre_y_px, scene.truth.centre_y_px),
            )
        )
    )
    stated = np.hypot(lock.centre_err_px, lock.along_err_px)
    assert np.sqrt(np.mean((away / stated) ** 2)) < 2.0  # 1 would be right; two dozen frames scatter
    assert (away < 4.0 * stated).all()


def test_the_radius_is_that_of_the_faint_exposure(alternating):
    # TWIN  the faint frames alone
    _, sequence, lock = alternating
    alone = lock_limb(sequence.only(np.flatnonzero(sequence.exposure_class == Exposure.FAINT)))
    assert lock.radius_px == alone.radius_px
    assert lock.own_radius_err_px == alone.own_radius_err_px


def test_the_picture_joins_the_disc_of_one_with_the_prominence_of_the_other(alternating):
    # TRUTH  the exposures are eight times apart
    _, sequence, lock = alternating
    both = joined(sequence, lock)
    index = int(np.flatnonzero(lock.used)[6])
    picture, recorded_frame = both.frame(index), sequence.frame(index)
    assert (recorded_frame >= FULL).mean() > 0.2  # the disc is burnt out in the bright frame
    y, x = np.indices(picture.shape)
    height = np.hypot(x - lock.centre_x_px[index], y - lock.centre_y_px[index]) - lock.radius_px
    np.testing.assert_array_equal(picture[height > 8], recorded_frame[height > 8])
    disc = height < -4
    faint = sequence.frame(index - 1)
    ratio = np.median(picture[disc]) / np.median(faint[disc].astype(float))
    assert ratio == pytest.approx(TIMES, rel=0.08)
    assert both.full_scale > picture.max()
    rings = [np.median(picture[(height >= k) & (height < k + 1)]) for k in range(-6, 12)]
    assert (np.diff(rings) < 0).all()  # no dark seam and no rim where the two meet


def test_a_prominence_that_the_bright_exposure_burns_out_is_measured_in_the_faint_one():
    # TRUTH  every second frame is its neighbour made sixty times as bright, and clipped
    _, sequence = recorded((1.0, TIMES))
    frames = [
        np.clip(sequence.frame(i - i % 2).astype(float) * (1, 60)[i % 2], 0, FULL).astype(np.uint16)
        for i in range(len(sequence))
    ]
    again = with_exposure_classes(sequence_from_arrays(frames, sequence.times_utc, full_scale=FULL))
    lock = lock_exposures(again)
    np.testing.assert_array_equal(lock.used, again.exposure_class == Exposure.FAINT)
    assert joined(again, lock) is again
    assert "measured in the faint exposure" in lock.notes[0]


def test_an_exposure_without_a_limb_is_named():
    # TRUTH  every second frame is white
    _, sequence = recorded((1.0, TIMES))
    frames = [sequence.frame(i) if i % 2 == 0 else np.full(sequence.shape, int(FULL)) for i in range(24)]
    again = replace(sequence, read=lambda index: frames[index].astype(np.uint16))
    with pytest.raises(InputError, match="two exposures alternate, and the bright one cannot be located"):
        lock_exposures(again)


def test_one_exposure_is_one_exposure(small_scene):
    _, sequence = recorded((1.0,), frames=8)
    assert sequence.exposure_class is None
    lock = lock_exposures(sequence)
    assert any("The pixels are taken as square" in note for note in lock.notes)
    np.testing.assert_array_equal(lock.centre_x_px, lock_limb(sequence).centre_x_px)
    assert joined(sequence, lock) is sequence


@pytest.mark.long
def test_speeds_are_those_of_a_recording_with_one_exposure(tmp_path, monkeypatch):
    # TRUTH  both knots of the scene
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    spec = replace(SMALL, frames=36, exposure_cycle=(1.0, TIMES), exposure=0.6)
    job = run(write_scene(make_scene(spec), tmp_path / "two exposures"), tmp_path / "out", QUICK_SETTINGS)
    moving = [knot for knot in job.motion.knots if knot.moving]
    speeds = sorted((knot.fit.speed_km_s, knot.fit.speed_err_km_s) for knot in moving)
    for (speed, error), knot in zip(
        speeds, sorted(spec.knots, key=lambda k: abs(k.radial_km_s)), strict=True
    ):
        assert abs(speed - np.hypot(knot.radial_km_s, knot.along_km_s)) < 3 * error
    page = (tmp_path / "out" / "summary.json").read_text(encoding="utf-8")
    assert '"frames_of_the_other_exposure": 18' in page
    assert '"frames_left_out": []' in page


def test_exposures_that_change_in_the_headers_are_no_clouds():
    # TRUTH  a clear sky; exposures by an automatic camera, a factor of 2 to either side and one of 10
    times = np.exp(np.random.default_rng(3).normal(0.0, 0.7, 26))
    scene, sequence = recorded(tuple(times), frames=26, exposure=0.4)
    sequence = replace(sequence, exposures_s=scene.spec.exposures_s, exposure_class=None)
    lock = lock_exposures(sequence)
    assert lock.used.all()
    # TRUTH  the same with one real cloud
    cloudy, seen = recorded(tuple(times), frames=26, exposure=0.4, cloud_frames=((12, 0.05),))
    lock = lock_exposures(replace(seen, exposures_s=cloudy.spec.exposures_s, exposure_class=None))
    assert np.flatnonzero(~lock.used).tolist() == [12]
    assert "cloud" in lock.reason[12]


def test_a_far_shorter_exposure_is_called_so():
    # TRUTH  five exposures of 2 % of the usual time
    rhythm = (1.0,) * 4 + (0.02,) + (0.3,)
    scene, sequence = recorded(rhythm, exposure=0.8)
    lock = lock_exposures(replace(sequence, exposures_s=scene.spec.exposures_s, exposure_class=None))
    short = scene.spec.exposures_s < 0.1 * np.median(scene.spec.exposures_s)
    np.testing.assert_array_equal(lock.used, ~short)
    assert {lock.reason[i] for i in np.flatnonzero(short)} == {"exposed for 2 % of the usual time"}
