"""The verb: everything measured on made strips with known truth, and what it says about it."""

import pickle
from dataclasses import replace

import numpy as np
import pytest

from promtrack.errors import SettingsError
from promtrack.motion import measure_motion
from promtrack.motion.interpretation import course, front_meaning, knot_meaning
from promtrack.motion.knots import find_knots
from promtrack.motion.motion_checks import cadence_notes, knot_spacing_mm
from promtrack.motion.records import KnotFit, KnotTrack
from promtrack.settings import MotionSettings
from promtrack.sun import SOLAR_RADIUS_KM
from tests.benchmarks.motion_accuracy import compare, countable
from tests.motion.injected import InjectedKnot, inject_knots
from tests.motion.made_strips import Recipe, made_strip

SCENE = Recipe(
    frames=90, rows=140, columns=340, knots=6, threads=8, knot_frames=(15, 40), knot_km_s=(15.0, 150.0)
)


@pytest.fixture(scope="module")
def told():
    """What the measurement says of its progress."""
    return []


@pytest.fixture(scope="module")
def measured(tmp_path_factory, told):
    strip, knots = made_strip(SCENE, tmp_path_factory.mktemp("measured"), 11)

    def progress(done, total):
        told.append((done, total))

    return strip, knots, measure_motion(strip, scale_err=0.003, clock_err=1e-4, seed=1, progress=progress)


def test_knots_are_found_with_their_speeds(measured):
    # TRUTH  6 knots of S/N 8 to 30 among threads, fringe, seeing and cloud. Asked for: 95 % found, nine
    # speeds in ten within 8 % or 3 km/s; of six, five.
    strip, knots, motion = measured
    found, seen, false = compare(strip, motion, knots, SCENE.cadence_s)
    assert len(seen) >= sum(map(countable, knots)) - 1
    assert false <= 1
    assert sum(one.off_km_s <= max(3.0, 0.08 * one.true_km_s) for one in found) >= len(found) - 1
    assert np.median([one.off_km_s / max(1.0, 0.03 * one.true_km_s) for one in found]) < 1


def test_curves_run_through_the_points(measured):
    # TRUTH  what the points leave about the fitted path is their own error: rms over all tracks between 0.6
    # and 1.4 of it (memory of neighbouring points and the factor of the run's scatter allow for that much),
    # in height and along the limb.
    strip, _, motion = measured
    height, along = [], []
    for knot in motion.knots:
        height.append((knot.height_mm - knot.curve_mm) / np.hypot(knot.height_err_mm, 0.024))
        turn = np.deg2rad(knot.angle_deg - knot.curve_angle_deg) * (strip.geometry.limb_mm + knot.height_mm)
        along.append(turn / np.hypot(knot.along_err_mm, 0.024))
    for rest in (np.concatenate(height), np.concatenate(along)):
        assert 0.6 < np.sqrt(np.mean(np.clip(rest, -4, 4) ** 2)) < 1.4


def test_knots_are_numbered_fastest_first(measured):
    _, _, motion = measured
    assert [knot.knot for knot in motion.knots] == list(range(1, len(motion.knots) + 1))
    speeds = [knot.fit.speed_km_s for knot in motion.knots if knot.moving]
    assert speeds == sorted(speeds, reverse=True)
    assert all(knot.false_alarm <= motion.control.tolerated for knot in motion.knots if knot.moving)
    assert not any(knot.moving for knot in motion.knots[len(speeds) :])


def test_a_record_is_whole(measured):
    # TRUTH  the systematic part is the speed times the relative errors given, 0.003 and 1e-4
    _, _, motion = measured
    for knot in motion.knots:
        n = len(knot.frame)
        assert n >= 8
        for values in (
            knot.time_s,
            knot.height_mm,
            knot.height_err_mm,
            knot.angle_deg,
            knot.along_mm,
            knot.along_err_mm,
            knot.snr,
            knot.curve_mm,
            knot.curve_angle_deg,
            knot.speed_km_s,
            knot.speed_err_km_s,
        ):
            assert values.shape == (n,)
            assert np.isfinite(values).all()
        assert (np.diff(knot.frame) > 0).all()
        assert knot.fit.systematic_km_s == pytest.approx(knot.fit.speed_km_s * np.hypot(0.003, 1e-4))
    assert motion.scale_err == 0.003
    assert motion.control.trials > 0
    assert len(motion.slits) <= 3


def test_a_boiling_scene_without_motion_moves_nothing(tmp_path):
    # TRUTH  half an hour of threads, fringe and thin cloud. (Twenty hours are in
    # tests/benchmarks/motion_accuracy.py.)
    strip, _ = made_strip(replace(SCENE, frames=150, knots=0, boil=10.0, cloud=0.6, threads=16), tmp_path, 21)
    motion = measure_motion(strip)
    assert not any(knot.moving for knot in motion.knots)
    assert not any(front.moving for front in motion.fronts)
    assert motion.meanings == ()


@pytest.mark.parametrize(("cadence_s", "said"), [(60.0, True), (12.0, False)])
def test_a_slow_cadence_is_said(tmp_path, cadence_s, said):
    # TRUTH  knots in file, 8 Mm apart, at 80 km/s: 4.8 Mm a step at 60 s, more than half their spacing, so
    # that they seem to come back; 1 Mm a step at 12 s.
    empty, _ = made_strip(
        replace(SCENE, frames=30, cadence_s=cadence_s, jitter_s=0.0, gaps=0, knots=0, threads=0, boil=0.0),
        tmp_path,
        5,
    )
    one = np.ones(30)
    along = 0.08 * empty.time_s
    first = -110.0 - 8.0 * int(along[-1] / 8.0)
    file = tuple(
        InjectedKnot(0, first + 8.0 * k + along, 740.0 * one, 20.0 * one, 2.5, 80.0)
        for k in range(int((220.0 - 110.0 - first) / 8.0))
    )
    strip = inject_knots(empty, file, tmp_path / "file.bin")
    notes = cadence_notes(strip, knot_spacing_mm(strip, find_knots(strip)), ())
    assert any("is too slow for such motion" in note for note in notes) == said


def test_a_fit_cadence_is_not_scolded(measured):
    assert not any("too slow" in note for note in measured[2].control.notes)


@pytest.mark.parametrize(
    ("changes", "words"), [({"sectors": ("62..75",)}, "62-75"), ({"slits": ("radial:300",)}, "outside")]
)
def test_wrong_sectors_and_slits_are_refused(measured, changes, words):
    with pytest.raises(SettingsError) as caught:
        measure_motion(measured[0], motion=replace(MotionSettings(), **changes))
    assert words in str(caught.value)


def first_of(strip, count):
    """The first strips alone."""
    fields = ("times_utc", "frame", "centre_err_mm", "along_err_mm")
    return replace(strip, **{name: getattr(strip, name)[:count] for name in fields})


@pytest.mark.parametrize("count", [1, 2, 5])
def test_a_run_of_a_few_strips_is_no_trouble(measured, count):
    motion = measure_motion(first_of(measured[0], count))
    assert motion.knots == ()
    assert motion.fronts == ()


def test_progress_ends_with_the_work(measured, told):
    # TRUTH  rising counts of one total; the search is not the end, and the last call is the total
    strip = measured[0]
    done, totals = [one for one, _ in told], {total for _, total in told}
    assert len(totals) == 1
    assert done == sorted(done)
    assert done[len(strip) - 1] < done[-1] == totals.pop()
    assert len(told) > len(strip) + 1


def test_the_same_seed_gives_the_same_result_whatever_the_number_of_workers(measured, monkeypatch):
    # TWIN  the same strips by one worker and by five: every number the same, prominences included
    strip, found = first_of(measured[0], 50), []
    for workers in (1, 5):
        monkeypatch.setattr("promtrack.workers.worker_count", lambda *, count=workers: count)
        found.append(pickle.dumps(measure_motion(strip, seed=1, disc_counts=1000.0)))
    assert found[0] == found[1]
    assert pickle.loads(found[0]).knots


def knot(radial_km_s: float, along_km_s: float, error_km_s: float, height_mm: float = 50.0) -> KnotTrack:
    speed = float(np.hypot(radial_km_s, along_km_s))
    fit = KnotFit(
        "constant speed",
        0.0,
        radial_km_s,
        error_km_s,
        along_km_s,
        error_km_s,
        speed,
        error_km_s,
        0.0,
        np.nan,
        np.nan,
        0.0,
        1.0,
        False,
    )
    one = np.ones(8)
    return KnotTrack(
        3,
        np.arange(8),
        np.arange(8.0),
        height_mm * one,
        one,
        one,
        one,
        one,
        one,
        one,
        one,
        one,
        one,
        fit,
        9.0,
        1e-9,
        True,
    )


@pytest.mark.parametrize(
    ("radial", "along", "error", "said"),
    [
        (
            -70.0,
            5.0,
            2.0,
            "Knot 3 falls at 70 ± 2 km/s in the plane of the sky: compatible with the 70 km/s of coronal "
            "rain in the mean, 12 % of escape speed.",
        ),
        (-34.0, 0.0, 4.0, "compatible with the 20 to 35 km/s of downflows in quiet prominences"),
        (-28.0, 0.0, 1.0, "within the 20 to 35 km/s of downflows in quiet prominences"),
        (
            15.0,
            3.0,
            1.0,
            "compatible with the 5 to 15 km/s of quiet threads (Doppler shifts), 2.6 % of escape speed.",
        ),
        (90.0, 3.0, 1.0, "above the 5 to 15 km/s of quiet threads"),
        (
            0.5,
            3.0,
            0.4,
            "moves along the limb at 3.0 ± 0.4 km/s in the plane of the sky: seemingly below the 5 to 15",
        ),
        (5.0, 60.0, 1.0, "above the 5 to 15 km/s of quiet threads (Doppler shifts)."),
    ],
)
def test_words_never_say_more_than_the_numbers(radial, along, error, said):
    sentence = knot_meaning(knot(radial, along, error), SOLAR_RADIUS_KM / 1e3).sentence
    assert said in sentence, sentence
    assert len(sentence.split()) <= 31  # signs and numbers counted


@pytest.mark.parametrize(
    ("radial", "along", "error", "way"),
    [
        (2.0, 26.0, 0.1, "moves along the limb"),
        (13.0, -15.0, 0.2, "rises"),
        (-13.0, 15.0, 0.2, "falls"),
        (3.0, 3.0, 2.0, "moves"),
    ],
)
def test_which_way_a_knot_goes(radial, along, error, way):
    assert course(knot(radial, along, error).fit) == way


def test_escape_speed_in_words():
    # TRUTH  nominal GM and radius of the Sun (IAU 2015 Resolution B3): 596.6 km/s at 50 Mm; 59.7 km/s is
    # a tenth. The radial part alone is compared.
    meaning = knot_meaning(knot(-59.66, 15.0, 0.5), SOLAR_RADIUS_KM / 1e3)
    assert ", 10 % of escape speed" in meaning.sentence
    assert "Resolution B3" in meaning.source


def test_free_fall_in_words():
    # TRUTH  the same constants: from rest at 60 Mm to 40 Mm above the photosphere free fall gives 97.7
    # km/s (sqrt(2 GM (1/r - 1/r0))); the knot has half of that.
    fallen = replace(knot(-48.86, 0.0, 0.5), time_s=np.arange(9.0), curve_mm=np.linspace(60.0, 20.0, 9))
    fallen = replace(fallen, fit=replace(fallen.fit, time_s=4.0))
    meaning = knot_meaning(fallen, SOLAR_RADIUS_KM / 1e3)
    assert meaning.sentence.endswith(
        "50 % of free-fall speed if it started from rest where it was first seen."
    )
    assert len(meaning.sentence.split()) <= 42


def test_a_front_that_does_not_move_has_no_meaning(measured):
    strip = first_of(measured[0], 60)
    motion = measure_motion(strip, motion=MotionSettings(sectors=("65-70",)))
    for front in motion.fronts:
        words = front_meaning(front, strip.geometry.limb_mm, scale_err=0.0, clock_err=0.0)
        assert (words is None) == (not front.moving)
