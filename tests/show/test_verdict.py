"""The verdict: three lights, each as bad as the worst of its checks, with the reason in plain words."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.checks import Check
from promtrack.show.verdict import lights, limb_words, rejections, verdict_line


def with_lock(measured, **changes):
    return replace(measured, lock=replace(measured.lock, **changes))


def with_motion(measured, **changes):
    return replace(measured, motion=replace(measured.motion, **changes))


@pytest.fixture
def checked(measured_fake):
    """The run with one good check of lock and motion that is not the fit itself."""
    good = [Check(subject, "test", "good", f"The {subject} passed.") for subject in ("lock", "motion")]
    return with_motion(with_lock(measured_fake, checks=(good[0],)), checks=(good[1],), ridges=())


def test_a_run_that_passes_everything_is_trustworthy(checked):
    found = lights(checked)
    assert [(one.subject, one.level) for one in found] == [
        ("lock", "good"),
        ("scale", "good"),
        ("motion", "good"),
    ]
    assert verdict_line(found).startswith("Trustworthy")


def test_what_only_the_fit_checks_is_not_called_good(measured_fake):
    # TRUTH  the hand-made run brings no check of lock and motion; two ridges of which one crosses a knot
    found = lights(with_motion(measured_fake, ridges=()))
    assert [one.level for one in found] == ["fair", "good", "fair"]
    assert found[0].reasons == ("Nothing but the fit itself checks the lock.",)
    assert not verdict_line(found).startswith("Trustworthy")


@pytest.mark.parametrize("subject", ["lock", "scale", "motion"])
@pytest.mark.parametrize("level", ["fair", "poor"])
def test_a_failed_check_is_never_outweighed(checked, subject, level):
    failed = Check(subject, "failed", level, "The frames turn the other way.")
    worse = with_lock(checked, checks=(failed, *checked.lock.checks))
    found = {one.subject: one for one in lights(worse)}
    assert found[subject].level == level
    assert found[subject].reasons == ("The frames turn the other way.",)
    line = verdict_line(lights(worse))
    assert line.startswith("Do not trust" if level == "poor" else "Use with care")
    assert subject in line
    assert "The frames turn the other way." in line


@pytest.mark.parametrize(
    ("changes", "level", "words"),
    [
        # TRUTH  870 km a pixel: 0.1 px are 0.087 Mm, 0.3 px 0.26 Mm, 0.7 px 0.61 Mm
        ({"centre_err_px": np.full(44, 0.1)}, "good", "passed"),
        (
            {"centre_err_px": np.full(44, 0.3)},
            "fair",
            "0.3 Mm across the limb, where below 0.1 Mm would be good",
        ),
        # TRUTH  0.1184 px are 0.103 Mm: not to be written as the 0.10 Mm that would be good
        ({"centre_err_px": np.full(44, 0.1184)}, "fair", "0.103 Mm across the limb, where below 0.1 Mm"),
        ({"centre_err_px": np.full(44, 0.7)}, "poor", "0.6 Mm across the limb"),
        ({"frame_radius_err_px": np.full(44, np.nan)}, "fair", "could not be compared"),
        ({"frame_radius_err_px": np.full(44, 0.1)}, "poor", "times their errors"),
    ],
)
def test_the_lock_is_judged_by_its_worst_figure(checked, changes, level, words):
    light = lights(with_lock(checked, **changes))[0]
    assert light.level == level
    assert words in " ".join(light.reasons)


@pytest.mark.parametrize(
    ("changes", "level", "words"),
    [
        ({}, "good", "Limb and optics agree"),
        ({"check": ""}, "fair", "one source only (limb), and nothing checks it"),
        ({"agrees": False, "check": "limb and optics differ by 7 %"}, "poor", "disagree: limb and optics"),
        # a header that agrees with a limb too short to tell it from another is no reassurance
        ({"source": "header", "check_tells": 1.2}, "fair", "too weak to be one"),
    ],
)
def test_the_scale_needs_a_second_source_that_can_tell(checked, changes, level, words):
    light = lights(replace(checked, scale=replace(checked.scale, **changes)))[1]
    assert light.level == level
    assert words in " ".join(light.reasons)


@pytest.mark.parametrize(
    ("agree", "count", "level"),
    # TRUTH  95 of 100 should agree; the chance of 17 or fewer of 21 is 2 %, of 20 or fewer of 21 is 66 %. If
    # half of all did, that of 2 or fewer of 5 would be 50 %, so that most need not differ, and of 0 of 5 3 %
    [(20, 21, "good"), (17, 21, "fair"), (5, 21, "poor"), (2, 2, "fair"), (2, 5, "fair"), (0, 5, "poor")],
)
def test_too_few_ridges_that_agree_are_a_warning(checked, agree, count, level):
    ridge = replace(checked.motion.ridges[0], slit=0, knot=1) if checked.motion.ridges else None
    ridge = ridge or _ridge()
    ridges = tuple(replace(ridge, agrees=number < agree) for number in range(count))
    light = lights(with_motion(checked, ridges=ridges))[2]
    assert light.level == level
    if level != "good":
        assert f"{agree} of {count} cases" in light.reasons[0]


def _ridge():
    from promtrack.motion.records import Ridge

    return Ridge(0, 600.0, 20.0, 500.0, 700.0, 30.0, 1.0, 1, 30.0, True)


def test_a_cadence_too_slow_for_the_knots_is_said(checked):
    # TRUTH  the limit lies just above, then just below the fastest knot
    speed = max(knot.fit.speed_km_s for knot in checked.motion.knots)
    for limit, level in ((1.01 * speed, "good"), (0.99 * speed, "fair")):
        control = replace(checked.motion.control, sure_km_s=limit)
        assert lights(with_motion(checked, control=control))[2].level == level


def test_heights_say_which_limb_they_count_from(measured_fake):
    # TRUTH  3.1 px of 870 km are 2.7 Mm
    height = measured_fake.scale.limb.height_mm
    for line, name in (("H-alpha", "the H-alpha limb"), ("", "the limb as recorded")):
        run = replace(measured_fake, sequence=replace(measured_fake.sequence, line=line))
        assert limb_words(run) == f"{name} ({height:.3g} Mm above the photosphere)"
    burnt = with_lock(measured_fake, edge_bias_px=3.1)
    assert limb_words(burnt) == "the burnt-out limb, up to 2.7 Mm outside the true one"


def test_reasons_that_differ_in_figures_count_as_one(measured_fake):
    lock = measured_fake.lock
    assert rejections(lock)[0] == ("limb too faint: thin cloud", 2)
    assert sum(count for _, count in rejections(lock)) == 4
    reason = [*lock.reason]
    for number, index in enumerate(np.flatnonzero(~lock.used)):
        reason[index] = f"blurred: limb 1.{number} times as wide as usual"
    assert rejections(replace(lock, reason=tuple(reason))) == (("blurred", 4),)
