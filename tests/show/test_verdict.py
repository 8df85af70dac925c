"""The verdict follows the evidence."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion.meaning import front_meaning, knot_meaning
from promtrack.rounding import with_error
from promtrack.show.tracks import speed_words
from promtrack.show.verdict import (
    fastest_knot,
    height_text,
    leading_front,
    lock_verdict,
    moving_knots,
    rejections,
    speed_text,
    three_sentences,
)


def with_lock(measured, **changes):
    return replace(measured, lock=replace(measured.lock, **changes))


def test_a_sound_lock_is_called_good(measured_fake):
    verdict = lock_verdict(measured_fake)
    assert verdict.level == "good"
    assert verdict.reasons[0] == "40 of 44 frames are used."


@pytest.mark.parametrize(
    ("changes", "level"),
    [
        (lambda lock: {"centre_err_px": np.full(44, 0.3)}, "fair"),  # 0.26 Mm at 870 km/px
        (lambda lock: {"centre_err_px": np.full(44, 0.9)}, "poor"),  # 0.78 Mm
        (lambda lock: {"used": np.arange(44) % 3 > 0}, "fair"),  # 29 of 44
        (lambda lock: {"used": np.arange(44) % 4 == 0}, "poor"),  # 11 of 44
        (lambda lock: {"frame_radius_err_px": np.full(44, 0.1)}, "poor"),
    ],
)
def test_each_kind_of_evidence_counts(measured_fake, changes, level):
    assert lock_verdict(with_lock(measured_fake, **changes(measured_fake.lock))).level == level


def test_an_error_too_small_to_write_is_not_zero(measured_fake):
    # TRUTH  0.004 px at 870 km/px are 0.0035 Mm
    sharp = with_lock(measured_fake, centre_err_px=np.full(44, 0.004))
    assert "known to better than 0.01 Mm across the limb" in lock_verdict(sharp).reasons[1]
    assert three_sentences(sharp)[0].endswith(
        "the Sun's centre is known to better than 0.01 Mm in a typical one."
    )
    # TRUTH  0.02 px are 0.017 Mm
    assert (
        "known to 0.02 px (0.02 Mm)"
        in lock_verdict(with_lock(measured_fake, centre_err_px=np.full(44, 0.02))).reasons[1]
    )


def test_sources_of_scale_that_disagree_are_never_good(measured_fake):
    scale = replace(
        measured_fake.scale, agrees=False, check="Limb and optics disagree by 7 standard deviations."
    )
    verdict = lock_verdict(replace(measured_fake, scale=scale))
    assert verdict.level == "fair"
    assert "disagree by 7" in verdict.reasons[-1]


def test_a_weak_check_of_the_scale_is_owned(measured_fake):
    scale = replace(measured_fake.scale, source="header", check_tells=1.2)
    third = three_sentences(replace(measured_fake, scale=scale))[2]
    assert third.startswith(
        "The scale comes from one source, the header, and the check on it could not tell a factor below 2.2; scale and"
    )
    firm = replace(scale, check_tells=0.03)
    assert "could not tell" not in three_sentences(replace(measured_fake, scale=firm))[2]


def test_without_a_used_frame_the_lock_is_poor(measured_fake):
    assert lock_verdict(with_lock(measured_fake, used=np.zeros(44, dtype=bool))).level == "poor"


def test_what_moves_is_found(measured_fake, measured_still):
    assert fastest_knot(measured_fake).knot == 1
    assert leading_front(measured_fake).front == 1
    assert fastest_knot(measured_still) is None
    assert leading_front(measured_still) is None


def test_three_sentences_carry_the_numbers(measured_fake, measured_still):
    knot = fastest_knot(measured_fake)
    first, second, third = three_sentences(measured_fake)
    assert "40 of 44" in first
    # TRUTH  systematic part 0.6 %: 42.75 km/s becomes 42.7 ± 0.4
    assert (
        with_error(
            knot.fit.speed_km_s, float(np.hypot(knot.fit.speed_err_km_s, knot.fit.systematic_km_s)), "km/s"
        )
        in second
    )
    assert "0.6 %" in third
    assert "lower bounds" in third
    assert "Nothing moves significantly: 1 track was followed" in three_sentences(measured_still)[1]


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        (
            {"centre_err_px": np.full(44, 0.3)},
            "since the Sun's centre is known to 0.26 Mm in a typical frame, where 0.1 Mm would be",
        ),
        (
            {"used": np.arange(44) < 30},
            "since only 68 % of the frames could be used; 30 of 44 frames were used.",
        ),
        (
            {"frame_radius_err_px": np.full(44, np.nan)},
            "since the radii of single frames could not be compared; ",
        ),
    ],
)
def test_a_doubtful_lock_says_why(measured_fake, changes, why):
    # TRUTH  0.3 px at 870 km/px are 0.26 Mm; 30 of 44 are 68 %
    verdict = lock_verdict(with_lock(measured_fake, **changes))
    assert verdict.level == "fair"
    assert why in three_sentences(with_lock(measured_fake, **changes))[0]
    assert lock_verdict(measured_fake).why == ""


def test_one_number_reads_alike_everywhere(measured_fake):
    # TWIN  sentence, clip and what the verdict, the cards and the figures quote are the same text for the
    # same number
    run, limb_mm = measured_fake, measured_fake.strip.geometry.limb_mm
    for knot in moving_knots(run):
        assert speed_words(knot) == speed_text(run, knot)
        assert speed_text(run, knot) in knot_meaning(knot, limb_mm).sentence
    front = leading_front(run)
    about = front_meaning(front, limb_mm, scale_err=run.motion.scale_err, clock_err=run.motion.clock_err)
    assert speed_text(run, front) in about.sentence
    assert f"climbs to {height_text(run, front)} at up to {speed_text(run, front)}" in three_sentences(run)[1]


def test_reasons_are_counted(measured_fake):
    assert rejections(measured_fake.lock)[0] == ("limb too faint: thin cloud", 2)
    assert sum(count for _, count in rejections(measured_fake.lock)) == 4


def test_reasons_that_differ_in_figures_count_as_one(measured_fake):
    lock = measured_fake.lock
    bad = np.flatnonzero(~lock.used)
    reason = [*lock.reason]
    for number, index in enumerate(bad):
        reason[index] = f"blurred: limb 1.{number} times as wide as usual"
    assert rejections(replace(lock, reason=tuple(reason))) == (("blurred", 4),)


def test_a_knot_too_fast_for_the_cadence_is_told_in_the_verdict(measured_fake):
    # TRUTH  the limit lies just above, then just below the fastest knot
    speed = fastest_knot(measured_fake).fit.speed_km_s
    for limit, told in ((1.01 * speed, False), (0.99 * speed, True)):
        motion = replace(measured_fake.motion, control=replace(measured_fake.motion.control, sure_km_s=limit))
        assert (
            "faster than this cadence can be sure of"
            in three_sentences(replace(measured_fake, motion=motion))[1]
        ) == told
