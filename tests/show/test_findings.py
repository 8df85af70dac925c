"""Titles and numbers say what the records and the plots say, with the total error."""

import re
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure

from promtrack.motion.interpretation import front_meaning, knot_meaning, label_motion, lettered
from promtrack.rounding import duration, with_error
from promtrack.show import write_report
from promtrack.show.bodies import AT_REST, bodies_of, number_lines, stands_of
from promtrack.show.canvas import make_page
from promtrack.show.curves import front_curve, knot_speed
from promtrack.show.figures.items import items_of, key
from promtrack.show.findings import (
    card_sentence,
    headline,
    heights_title,
    knot_speed_words,
    speeds_title,
    three_numbers,
)
from promtrack.show.palette import ON_DARK
from promtrack.show.quoted import (
    fastest_knot,
    front_model,
    front_speed,
    highest_prominence,
    is_steady,
    leading_front,
    moving_knots,
    relative_error,
    speed_of,
    top_height,
    track_name,
)
from promtrack.show.timing import ClipTime
from tests.show.fake_run import with_a_start


def with_motion(measured, **changes):
    return replace(measured, motion=replace(measured.motion, **changes))


def rejected(measured):
    """The run whose front no model describes: the best of them is still marked."""
    front = measured.motion.fronts[0]
    return with_motion(measured, fronts=(replace(front, verdict="none of the models describes this motion"),))


def test_every_error_is_the_total_one(measured_fake):
    # TWIN  random and systematic parts in quadrature, worked out here
    knot, front, motion = fastest_knot(measured_fake), leading_front(measured_fake), measured_fake.motion
    both = np.hypot(knot.fit.speed_err_km_s, knot.fit.systematic_km_s)
    assert speed_of(measured_fake, knot).error == pytest.approx(both)
    scale = front.best.peak_speed_km_s * np.hypot(motion.scale_err, motion.clock_err)
    assert front_speed(measured_fake, front).error == pytest.approx(
        np.hypot(front.best.peak_speed_err_km_s, scale)
    )
    # TRUTH  a burnt-out limb that may lie 3.1 px of 0.87 Mm outside is inside the error of a height
    burnt = replace(measured_fake, lock=replace(measured_fake.lock, edge_bias_px=3.1))
    height = top_height(burnt, front)
    assert height.error == pytest.approx(np.sqrt(0.45**2 + (0.006 * height.value) ** 2 + (3.1 * 0.87) ** 2))


def test_one_number_reads_alike_everywhere(measured_fake):
    # TWIN  the sentences beside published values are made elsewhere
    run, limb_mm = measured_fake, measured_fake.strip.geometry.limb_mm
    for knot in moving_knots(run):
        assert speed_of(run, knot).text in knot_meaning(knot, limb_mm).sentence
    front = leading_front(run)
    about = front_meaning(front, limb_mm, scale_err=run.motion.scale_err, clock_err=run.motion.clock_err)
    speed = front_speed(run, front).text
    assert speed in about.sentence
    assert speed in headline(run)
    assert speed in heights_title(run)
    assert speed in [number.text for number in three_numbers(run)]


def test_the_number_of_a_rejected_model_is_nowhere(measured_fake):
    run = rejected(measured_fake)
    front = leading_front(run)
    assert front_model(front) is None
    # TRUTH  the mean speed between first and last height needs no model
    mean = 1e3 * np.ptp(front.height_mm[[0, -1]]) / np.ptp(front.time_s)
    assert front_speed(run, front).value == pytest.approx(mean)
    chosen = next(fit for fit in front.fits if fit.chosen)
    peak = with_error(chosen.peak_speed_km_s, speed_of(measured_fake, front).error)
    said = [headline(run), heights_title(run), speeds_title(run)]
    said += [number.text for number in three_numbers(run)]
    said.append(front_meaning(front, 700.0, scale_err=0.006, clock_err=0.0).sentence)
    assert front_speed(run, front).text in said[-1]  # TWIN  made elsewhere
    assert not any(peak in words for words in said)
    assert "no simple model describes it" in heights_title(run)
    assert "on average" in speeds_title(run)


def test_titles_agree_with_the_curve(measured_fake):
    # TRUTH  the front's curve: below a tenth of its greatest speed for the time named, above it after
    front = leading_front(measured_fake)
    title = heights_title(measured_fake)
    slow_min = float(title.split(" for ")[1].split(" min")[0])
    speed = front_curve(front, front.best, front.time_s[0] + 60.0 * np.array([slow_min - 1, slow_min + 1]))
    assert speed.speed_km_s[0] < 0.1 * front.best.peak_speed_km_s < speed.speed_km_s[1]
    ends = front_curve(front, front.best, front.time_s[[0, -1]])
    error = np.hypot(ends.speed_err_km_s, ends.speed_km_s * relative_error(measured_fake))
    first, last = map(with_error, ends.speed_km_s, error)
    assert f"from {first} to {last} km/s" in speeds_title(measured_fake)


@pytest.mark.parametrize("sudden", [True, False])
@pytest.mark.parametrize("rest_s", [617.0, 1100.0])
def test_what_starts_from_rest_is_said_to_rest(measured_fake, sudden, rest_s):
    # TRUTH  so long at rest, to a minute: no speed of it is named, nor that it rose slowly
    run = with_a_start(measured_fake, rest_s, sudden=sudden)
    front = leading_front(run)
    reached, rested = speed_of(run, front).text, duration(front.best.values[1] - front.time_s[0])
    assert float(rested.split()[0]) == pytest.approx(rest_s / 60.0, abs=1.0)
    assert speeds_title(run) == f"The leading edge rested for {rested}, then reached {reached}"
    says = f"The edge rested for {rested}, then reached {reached} within" if rest_s == 1100.0 else "rose from"
    assert says in heights_title(run)
    at_once = front.best.values * [1.0, 0.0, 1.0] + [0.0, front.time_s[0], 0.0]
    fits = tuple(replace(fit, values=at_once) if fit.chosen else fit for fit in front.fits)
    assert speeds_title(with_motion(run, fronts=(replace(front, fits=fits),))) == (
        f"The leading edge reached {reached}"
    )


def test_page_and_clip_give_one_speed_after_a_sudden_start(measured_fake):
    # TRUTH  one speed after the start: its number beside the body is the page's, with the same error, also
    # while the stretch that it stands for holds the start, and there is no number before it
    run = with_a_start(measured_fake, 617.0, sudden=True)
    (body,) = bodies_of(run, run.strip.times_utc[0], fronts=True, knots=False)
    rises, run_s = speed_of(run, leading_front(run)).text, body.time_s - body.time_s[0]
    time = ClipTime(body.time_s, run_s / 100.0, run_s[-1] / 100.0, 2.5)
    for first, last, words in ((0.0, 5.0, AT_REST), (6.0, 7.0, rises), (8.0, 9.0, rises)):
        assert {said for _, _, said in stands_of(body, [(first, last)], time)} == {words}
    assert number_lines(body, AT_REST, make_page(1080, 1080)) == ("A at rest",)


def bent(knot, slope_km_s, first_km_s):
    """A knot straight up from 10 Mm whose speed goes linearly from one value by another in its time."""
    run = knot.time_s - knot.time_s[0]
    curve = 10.0 + 1e-3 * (first_km_s * run + 0.5 * slope_km_s * run**2 / run[-1])
    return replace(
        knot,
        curve_mm=curve,
        curve_angle_deg=np.full(len(run), 90.0),
        speed_err_km_s=np.full(len(run), 0.3),
        fit=replace(
            knot.fit,
            model="constant acceleration",
            time_s=float(knot.time_s[0] + 0.5 * run[-1]),
            speed_km_s=first_km_s + 0.5 * slope_km_s,
            speed_err_km_s=0.3,
            systematic_km_s=0.0,
        ),
    )


@pytest.mark.parametrize(
    ("first", "change", "words"),
    [
        (47.0, -31.0, ", slowing from 47.0 ± 0.3 to 16.0 ± 0.3 km/s"),
        (16.0, 31.0, ", speeding up from 16.0 ± 0.3 to 47.0 ± 0.3 km/s"),
    ],
)
def test_a_speed_that_changes_is_not_one_number(measured_fake, first, change, words):
    # TRUTH  speeds at the ends and at mid-time as built
    knot = bent(measured_fake.motion.knots[0], change, first)
    exact = with_motion(measured_fake, scale_err=0.0, clock_err=0.0)
    limb_mm = measured_fake.strip.geometry.limb_mm
    assert knot_speed(knot, limb_mm, knot.time_s[[0, -1]])[0] == pytest.approx([first, first + change])
    assert knot_speed_words(exact, knot) == f" at 31.5 ± 0.3 km/s{words}"


def test_a_change_within_the_errors_of_both_times_is_none(measured_fake):
    # TRUTH  47 to 16 km/s about 31.5, each end known to 6 km/s only: less than three errors
    knot = bent(measured_fake.motion.knots[0], -31.0, 47.0)
    rough = replace(knot, speed_err_km_s=np.full(len(knot.time_s), 6.0))
    assert not is_steady(measured_fake, knot)
    assert is_steady(measured_fake, rough)


def test_without_a_model_the_speed_holds_at_one_time(measured_fake):
    knot = measured_fake.motion.knots[0]
    none = replace(knot, fit=replace(knot.fit, model="none"))
    # TRUTH  mid-time of the track on the run's clock: 08:12:30 and 60 s to the first strip of the track
    words = knot_speed_words(measured_fake, none)
    assert words == f" at {speed_of(measured_fake, knot).text} at {words[-5:]}"
    assert words[-5:].startswith("08:2")


def test_nothing_moving_is_said(measured_still):
    assert card_sentence(measured_still).startswith(
        "No motion could be shown: the highest prominence stands "
    )
    assert headline(measured_still).startswith(
        "No motion could be shown against scrambled data: 1 track was followed"
    )
    assert heights_title(measured_still) == speeds_title(measured_still) == "No motion could be shown"
    numbers = three_numbers(measured_still)  # what was measured comes before what was counted
    assert [number.title for number in numbers] == ["highest prominence", "frames used", "span"]
    assert numbers[0].text == highest_prominence(measured_still)[1]


def test_heights_are_told_of_the_knot_that_rises_or_falls_most(measured_fake):
    # TRUTH  a knot falls by 30 Mm, another rises by 12 Mm and is the faster one
    run = with_motion(measured_fake, fronts=())
    falls, rises = (knot for knot in moving_knots(run)[:2])
    ramp = np.linspace(0.0, 1.0, 200)

    def moved(knot, first_mm, change_mm):
        return replace(
            knot, height_mm=first_mm + change_mm * ramp[: len(knot.time_s)] / ramp[len(knot.time_s) - 1]
        )

    run = with_motion(run, knots=(moved(falls, 50.0, -30.0), moved(rises, 20.0, 12.0)))
    words = re.fullmatch(
        r"Knot ([A-Z]) fell from (\S+) ± \S+ to (\S+) ± \S+ Mm in .* min", heights_title(run)
    )
    assert words, heights_title(run)
    assert words[1] == label_motion(run.motion).knot(run.motion.knots[0])
    assert [float(words[2]), float(words[3])] == pytest.approx([50.0, 20.0], abs=0.1)
    assert heights_title(run) != speeds_title(run)
    flat = with_motion(
        run, knots=tuple(moved(knot, height, 0.0) for knot, height in ((falls, 31.0), (rises, 36.0)))
    )
    assert heights_title(flat) == "What moves stayed between 31 and 36 Mm"


def test_numbers_come_the_surest_first_and_doubts_last(measured_fake):
    numbers = three_numbers(measured_fake)
    parts = [number.text.split()[:3:2] for number in numbers]
    relative = [float(error) / float(value) for value, error in parts]
    assert relative == sorted(relative)
    control = replace(measured_fake.motion.control, sure_km_s=1.0)
    doubtful = three_numbers(with_motion(measured_fake, control=control))
    assert "may be confused with its neighbour" in doubtful[-1].note


def test_what_was_clicked_is_called_by_hand_everywhere(measured_fake, tmp_path):
    motion = measured_fake.motion
    run = with_motion(
        measured_fake,
        knots=(),
        fronts=(replace(motion.fronts[0], by_hand=True),),
        meanings=(),
    )
    front = run.motion.fronts[0]
    assert track_name(run, front) == "front A by hand"
    assert track_name(measured_fake, motion.fronts[0]) == "front A"
    assert lettered("Front 1 rises.", run.motion) == "Front A by hand rises."
    (item,) = items_of(run, ON_DARK)
    figure = Figure()
    key(figure, run, [item])
    assert "A  edge by hand" in [text.get_text() for text in figure.texts]
    (body,) = bodies_of(run, run.strip.times_utc[0], fronts=True, knots=True)
    assert number_lines(body, body.said, make_page(1080, 1080))[-1] == "by hand"
    page = write_report(run, tmp_path / "report.html", clip=None, poster=None, figures=[])
    assert "1 (A, by hand)" in page.read_text(encoding="utf-8")
