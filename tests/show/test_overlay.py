"""Annotation: where it stands, for how long, that it can be switched off, that it is right and readable."""

from dataclasses import replace
from functools import lru_cache
from itertools import combinations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from promtrack.rounding import with_error
from promtrack.sequence.records import spread_over
from promtrack.settings import ClipSettings
from promtrack.settings_text import change_settings
from promtrack.show.bodies import bodies_of, draw_body, number_lines, schedule_numbers, stands_of
from promtrack.show.canvas import (
    ANNOTATION,
    CAP_HEIGHT,
    blank_canvas,
    block,
    canvas_from_tone,
    canvas_to_bgr,
    draw_text,
    make_page,
    paint,
    text_mask,
    text_width,
)
from promtrack.show.cards import (
    earth_diameters,
    end_card,
    end_scale,
    everyday,
    km_h,
    moon_trip,
    title_lines,
)
from promtrack.show.clip import _films, overlay_planes
from promtrack.show.findings import time_words
from promtrack.show.layout import (
    Rect,
    busy_share,
    make_ground,
    nearest_free,
    place_block,
    plasma_lengths,
    take,
)
from promtrack.show.overlay import Annotation, draw_annotation
from promtrack.show.palette import LOOKS, ON_DARK, bgr_of
from promtrack.show.quoted import Quoted, speed_of, top_height
from promtrack.show.scale_bar import (
    compass_size,
    draw_compass,
    draw_scale,
    gap_words,
    nice_step,
    scale_size,
    wrapped,
)
from promtrack.show.studio import INK, Studio, prepare
from promtrack.show.timing import NUMBER_S, ClipTime, Gap, share_time
from promtrack.show.tone import tone_frame
from tests.show.clip_case import quick_run

ALL = ClipSettings().overlays
VIEWS = ["wide", "square", "tall", "native"]


@lru_cache(maxsize=32)
def stage(**clip) -> Studio:
    """The hand-made run with these clip settings, ready to be drawn; nothing is changed in it."""
    return prepare(quick_run(**clip))


@lru_cache(maxsize=64)
def laid_out(studio: Studio) -> Annotation:
    """Its annotation, laid out once for all tests; nothing is changed in it."""
    return studio.annotation()


# Motion from 2 s to 9.5 s of the clip, at 20 pictures a second, and a hold of 2.5 s.
TIME = ClipTime(np.linspace(0.0, 1500.0, 151), np.linspace(2.0, 9.5, 151), 12.05, NUMBER_S + 0.1)


def motion_shots(studio):
    return [shot for shot in studio.plan.shots if shot.act in ("motion", "hold")]


def drawn(studio, shot):
    """Luma of the annotation of a shot on black."""
    view = studio.views[0]
    canvas = blank_canvas(view.width, view.height, 16)
    draw_annotation(laid_out(studio), canvas, shot)
    return canvas.y


@pytest.mark.parametrize("name", VIEWS)
def test_words_never_meet_and_keep_inside_the_margins(name):
    # TRUTH  in every picture of the motion all boxes of words are disjoint and inside the margins.
    studio = stage(view=name)
    annotation = laid_out(studio)
    inside = annotation.page.inside
    assert len(annotation.blocks) == 3
    for shot in motion_shots(studio):
        boxes = annotation.words(shot)
        assert not [pair for pair in combinations(boxes, 2) if Rect.overlaps(*pair)]
        for box in boxes:
            assert inside.left <= box.left
            assert inside.top <= box.top
            assert box.right <= inside.right + 1
            assert box.bottom <= inside.bottom + 1


@pytest.mark.parametrize("name", ["wide", "square", "tall"])
def test_the_headline_s_leader_stays_clear_of_the_prominence(name):
    # TRUTH  in the pictures whose plasma is known, of the line from the first letter's number to its mark no
    # more lies over plasma than where it ends: two type sizes.
    studio = stage(view=name)
    annotation = laid_out(studio)
    body, ground = annotation.bodies[0], annotation.ground
    assert body.label is not None
    places = spread_over(len(studio.views), len(ground.plasma))
    for place, plasma in zip(places, ground.plasma, strict=True):
        now_s = float(studio.plan.time_s[place])
        if body.due(annotation.time, now_s):
            line = body.leader(studio.views[place], now_s, body.label)
            assert plasma_lengths(plasma[None], line[None]) <= 2.0 * annotation.page.unit


@pytest.mark.parametrize("name", ["wide", "native"])
def test_no_letter_lies_on_the_mark_of_another_body(name):
    # TRUTH  every letter that is drawn shares no pixel with another letter, a number or a mark.
    studio = stage(view=name)
    annotation, letters = laid_out(studio), 0
    for shot in motion_shots(studio):
        canvas = blank_canvas(annotation.page.width, annotation.page.height, 16)
        spared = annotation.words(shot) + annotation.marks(shot)
        for body in annotation.bodies:
            view = studio.views[shot.place]
            letter = draw_body(canvas, body, annotation.page, view, shot.time_s, annotation.time, spared)
            if letter is not None:
                letters += 1
                assert not [box for box in spared if letter.overlaps(box)]
                spared.append(letter)
    assert letters


@pytest.mark.parametrize("name", VIEWS)
def test_the_length_of_a_gap_has_room_in_the_clock_s_block(name):
    # TRUTH  also that of a gap of hours, whose words are wider than the time.
    studio = stage(view=name)
    shots = tuple(
        replace(shot, gap=shot.gap and replace(shot.gap, length_s=5.0 * shot.gap.length_s))
        for shot in studio.plan.shots
    )
    assert any(shot.gap for shot in shots)
    annotation = replace(studio, plan=replace(studio.plan, shots=shots)).annotation()
    for shot in shots:
        if shot.gap:
            words = gap_words(shot.gap, annotation.first_utc)
            assert text_width(words, annotation.page.unit) <= annotation.blocks["clock"].width


@pytest.mark.parametrize("name", VIEWS)
def test_every_number_stands_long_enough_and_never_more_than_two(name):
    # TRUTH  counted over the shots of the clip: every text of a number shows for 2.5 s in a row or more, at
    # most two at once, and the first letter's number is among them.
    studio = stage(view=name)
    annotation = laid_out(studio)
    assert any(body.stands for body in annotation.bodies)
    assert annotation.bodies[0].due(annotation.time, annotation.time.recorded_s[-1])
    stood: dict[tuple[str, str], list[float]] = {}
    for shot in motion_shots(studio):
        due = [(b.letter, words) for b in annotation.bodies if (words := b.due(annotation.time, shot.time_s))]
        assert len(due) <= 2
        for one in stood:
            if one not in due and stood[one][-1]:
                stood[one].append(0.0)
        for one in due:
            stood.setdefault(one, [0.0])[-1] += shot.repeats / studio.plan.rate
    for seconds in stood.values():
        assert min(s for s in seconds if s) >= NUMBER_S - 2.0 / studio.plan.rate


def test_a_front_s_number_changes_in_steps_that_can_be_read():
    # TRUTH  the front speeds up all the time: each of its texts holds every speed that it has while the text
    # stands, in the hold that of the last frame, with its total error.
    studio = stage(view="square")
    annotation = laid_out(studio)
    body, time = annotation.bodies[0], annotation.time
    assert len(body.stands) > 1
    for first, last, words in body.stands:
        stood = np.clip([time.back(t) for t in np.linspace(first, last, 50)], *body.time_s[[0, -1]])
        now, errors = (np.interp(stood, body.time_s, v) for v in (np.abs(body.speed_km_s), body.error_km_s))
        if " to " not in words:
            assert words == with_error(now[0], errors[0], "km/s")
            assert np.ptp(now) <= np.hypot(errors[0], errors[-1])
            continue
        ends = [float(word) for word in words.removesuffix(" km/s").split(" to ")]
        np.testing.assert_allclose(ends, [now.min(), now.max()], atol=errors.max())
    assert min(last - first for first, last, _ in body.stands) >= NUMBER_S
    assert time.back(body.stands[-1][0]) == time.recorded_s[-1]
    speeds = [float(words.split()[0]) for _, _, words in body.stands]
    assert speeds == sorted(speeds)


@pytest.mark.parametrize(("length_s", "texts"), [(3.0, ["30.0 ± 0.8 km/s"]), (5.5, ["33", "27"])])
def test_a_knot_s_number_is_that_of_the_page_unless_two_can_be_read(length_s, texts):
    # TRUTH  a knot that slows evenly from 36 to 24 km/s, seen for 3 s of the clip and for 5.5 s: the page's
    # number, and the speeds at the middles of its two halves.
    body, time = laid_out(stage(view="wide")).bodies[-1], TIME
    begin = time.back(time.clip_s[-1] - length_s - 0.2)
    run_s = np.linspace(begin, time.back(time.clip_s[-1] - 0.2), len(body.time_s))
    speeds = np.interp(run_s, run_s[[0, -1]], [36.0, 24.0])
    errors, said = np.full(len(speeds), 0.5), "30.0 ± 0.8 km/s"
    knot = replace(body, letter="A", time_s=run_s, speed_km_s=speeds, error_km_s=errors, said=said)
    (found,) = schedule_numbers([replace(knot, sector_deg=None)], time)
    seen = [words for first, _, words in found.stands if first < time.clip_s[-1] - 1e-6]
    assert len(seen) == len(texts)
    assert all(words.startswith(text) for words, text in zip(seen, texts, strict=True))
    assert [w for first, _, w in found.stands if first >= time.clip_s[-1] - 1e-6] == [said]  # it has gone


def test_numbers_take_turns():
    # TRUTH  four knots, all seen in the same 5.5 s: each number stands, never more than two at once; with
    # six the last two letters have none.
    body, time = laid_out(stage(view="wide")).bodies[-1], TIME
    run_s = np.linspace(time.back(3.0), time.back(8.5), len(body.time_s))
    knot = replace(body, time_s=run_s, said="30 ± 2 km/s", sector_deg=None, stands=())
    for count in (4, 6):
        found = schedule_numbers([replace(knot, letter=letter) for letter in "ABCDFG"[:count]], time)
        assert [bool(one.stands) for one in found] == [True] * 4 + [False] * (count - 4)
        for now_s in time.recorded_s:
            assert sum(bool(one.due(time, now_s)) for one in found) <= 2


def test_letters_stay_in_a_clip_of_a_part_of_the_time():
    # TRUTH  the clip shows the last fifth of the recording: every moving body that is measured then and
    # stands in the picture has its mark, though most of its way lies before.
    whole = stage(view="wide")
    times = whole.measured.sequence.times_utc[whole.plan.frames]
    part = stage(view="wide", **{"from": str(times[-(len(times) // 5)])})
    last_s = float((times[-1] - times[-(len(times) // 5)]) / np.timedelta64(1, "s"))
    there = [b.letter for b in laid_out(whole).bodies if b.time_s[-1] > whole.plan.time_s[-1] - 0.5 * last_s]
    assert there
    assert {b.letter for b in laid_out(part).bodies} >= set(there)


@pytest.mark.parametrize("length_s", [0.3, 1.0, 2.0, 2.45])
def test_a_short_track_s_number_stands_long_enough_too(length_s):
    # TRUTH  tracks that the clip shows for less than 2.5 s: the number still stands for that long, within the
    # motion, whatever the times' last digits.
    studio = stage(view="wide")
    annotation = laid_out(studio)
    time, body = annotation.time, annotation.bodies[0]
    for start in np.linspace(time.clip_s[0], time.end_s - length_s, 7):
        first, last = time.back(start), time.back(start + length_s)
        short = replace(body, time_s=np.linspace(first, last, len(body.time_s)), stands=())
        (found,) = schedule_numbers([short], time)
        assert found.stands
        for begin, end, _ in found.stands:
            assert end - begin >= 2.5 - 1e-6
            assert time.clip_s[0] - 1e-9 <= begin
            assert end <= time.end_s + 1e-9


def test_a_number_never_stands_without_its_way():
    # TRUTH  a track with a hole in its middle: while its number stands in the hole, the way is drawn, and no
    # mark on empty sky; without the number nothing is drawn there.
    studio = stage(view="wide", overlays="knots")
    annotation = laid_out(studio)
    body = next(b for b in annotation.bodies if b.stands)
    seen = np.abs(np.linspace(-1.0, 1.0, len(body.time_s))) > 0.5
    times = np.linspace(body.time_s[0], body.time_s[-1], len(seen))[seen]
    holed = replace(
        body,
        time_s=times,
        stands=((0.0, annotation.time.end_s, body.said),),
        **{
            name: getattr(body, name)[seen] for name in ("theta_deg", "height_mm", "speed_km_s", "error_km_s")
        },
    )
    now = 0.5 * (body.time_s[0] + body.time_s[-1])
    assert not holed.seen(now)
    x, y = holed.place(annotation.views[0], now)
    reach = annotation.page.unit
    ink = []
    for one in (holed, replace(holed, stands=(), label=None)):
        canvas = blank_canvas(annotation.page.width, annotation.page.height, 16)
        with pytest.MonkeyPatch.context() as patch:
            patch.delattr("promtrack.show.bodies.draw_marker")
            draw_body(canvas, one, annotation.page, annotation.views[0], now, annotation.time)
        near = canvas.y[int(y) - reach : int(y) + reach, int(x) - reach : int(x) + reach]
        ink.append(int((near > 40).sum()))
    assert ink[0] > 30
    assert ink[1] == 0


def test_a_black_picture_leaves_an_annotation_that_can_be_drawn():
    studio = stage()
    light = np.where(np.arange(len(studio.light)) == 0, 0.0, studio.light)
    assert np.isfinite(replace(studio, light=light).annotation().page.ink)


def test_a_letter_is_written_on_no_words():
    # TRUTH  words where the letter of a knot without number usually stands: none of its ink lies there, and
    # it is written elsewhere, with as much ink.
    annotation = laid_out(stage(view="wide", overlays="knots"))
    body = replace(next(b for b in annotation.bodies if b.letter), stands=(), label=None)
    view, page, now = annotation.views[0], annotation.page, float(body.time_s[len(body.time_s) // 2])
    x, y = body.place(view, now)
    words = Rect(round(x + 0.5 * page.unit), round(y - 1.4 * page.unit), 2 * page.unit, page.unit)
    ink, covered = [], []
    for letter, spared in (("", ()), (body.letter, ()), (body.letter, (words,))):
        canvas = blank_canvas(page.width, page.height, 16)
        with pytest.MonkeyPatch.context() as patch:
            for name in ("draw_line", "draw_marker"):
                patch.setattr(f"promtrack.show.bodies.{name}", lambda *_, **__: None)
            draw_body(canvas, replace(body, letter=letter or " "), page, view, now, annotation.time, spared)
        ink.append(int((canvas.y > 60).sum()))
        part = canvas.y[words.top : words.bottom, words.left : words.right]
        covered.append(int((part > 60).sum()))
    assert covered[1] > covered[0] == covered[2]
    assert ink[2] - ink[0] == pytest.approx(ink[1] - ink[0], rel=0.2)


def test_leaders_end_at_the_moving_mark():
    # TRUTH  with one knot and nothing else: the ink nearest to the knot's own place now is its ring, within
    # the ring's radius, in three pictures in which the knot stands apart.
    run = quick_run(view="square", overlays="knots")
    knot = max((k for k in run.motion.knots if k.moving), key=lambda k: len(k.time_s))
    studio = prepare(replace(run, motion=replace(run.motion, knots=(knot,), fronts=())))
    annotation = laid_out(studio)
    body = annotation.bodies[0]
    shots = [s for s in motion_shots(studio) if body.seen(s.time_s)]
    for shot in (shots[2], shots[len(shots) // 2], shots[-2]):
        ink = drawn(studio, shot) > 60
        place = body.place(studio.views[shot.place], shot.time_s)
        y, x = np.nonzero(ink)
        away = np.hypot(x - place[0], y - place[1])
        assert away.min() < 0.45 * annotation.page.unit
        # the leader: ink between the ring and the label, along the straight line from one to the other
        if body.due(annotation.time, shot.time_s):
            corner = np.array(
                [
                    np.clip(place[0], body.label.left, body.label.right),
                    np.clip(place[1], body.label.top, body.label.bottom),
                ]
            )
            middle = 0.5 * (place + corner)
            if np.hypot(*(place - corner)) > 1.5 * annotation.page.unit:
                assert np.hypot(x - middle[0], y - middle[1]).min() < 3.0


def test_marks_stand_where_the_tracks_are():
    # TRUTH  the ring's middle is the fitted place of the knot at that time, within 2 px.
    studio = stage(view="wide", overlays="knots")
    annotation, run = laid_out(studio), studio.measured
    body = annotation.bodies[0]
    knot = max((k for k in run.motion.knots if k.moving), key=lambda k: k.fit.speed_km_s)
    shot = next(s for s in motion_shots(studio) if body.seen(s.time_s) and s.time_s > body.time_s[3])
    late_s = body.time_s[0] - knot.time_s[0]
    view = studio.views[shot.place]
    true = np.array(
        view.to_picture(
            run.orientation.to_image(np.interp(shot.time_s - late_s, knot.time_s, knot.curve_angle_deg)),
            np.interp(shot.time_s - late_s, knot.time_s, knot.curve_mm),
        )
    )
    assert np.hypot(*(body.place(view, shot.time_s) - true)) < 2.0


@pytest.mark.parametrize("overlay", ALL)
def test_each_part_can_be_switched_off(overlay):
    # TRUTH  alone it draws something, and without any the picture is left untouched.
    marks = {}
    for wanted in (overlay, "scale", ""):
        studio = stage(view="native", overlays=wanted)
        act = overlay if wanted in ("title", "end") else "motion"
        shots = [s for s in studio.plan.shots if s.act == act]
        shot = next((s for s in shots if s.gap), shots[len(shots) // 2])
        marks[wanted] = int((drawn(studio, shot) > 40).sum())
    assert marks[overlay] > 20
    assert marks[""] == 0


@pytest.mark.parametrize(
    ("name", "look"),
    [
        ("wide", "ash"),
        pytest.param("square", "ember", marks=pytest.mark.long),
        pytest.param("tall", "nightfall", marks=pytest.mark.long),
    ],
)
def test_the_picture_wins(name, look):
    # TRUTH  light measured on the drawn pictures of the motion, as linear luminance (IEC 61966-2-1): all that
    # the annotation adds is at most 30 % of the picture's own light, in the mean over the motion.
    studio = stage(view=name, look=look)
    annotation, run = laid_out(studio), studio.measured
    added, own = [], []
    for shot in motion_shots(studio)[::3]:
        frame = run.sequence.frame(shot.frame)
        tone = tone_frame(frame, studio.toner, studio.views[shot.place], run.lock, shot.frame)
        light = []
        for with_ in (False, True):
            canvas = canvas_from_tone(tone, look, 1)
            if with_:
                draw_annotation(annotation, canvas, shot)
            coded = canvas_to_bgr(canvas).astype(np.float32) / 255.0
            linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
            light.append(linear @ np.array([0.0722, 0.7152, 0.2126], np.float32))
        added.append(np.clip(light[1] - light[0], 0.0, None).sum())
        own.append(light[0].sum())
    assert np.sum(added) <= 0.30 * np.sum(own)


@pytest.mark.parametrize("name", ["wide", "square", "tall"])
def test_capitals_are_ten_px_high_on_a_phone(name):
    # TRUTH  measured on the drawn letter: where the picture is shown 390 px wide (an upright phone), every
    # capital is 10 px high or more. No type is smaller than the page's unit.
    studio = stage(view=name)
    page = laid_out(studio).page
    rows = np.flatnonzero(text_mask("H", page.unit).max(axis=1) > 128)
    height = rows[-1] - rows[0] + 1
    assert height * 390.0 / page.width >= 10.0
    assert height == pytest.approx(CAP_HEIGHT * page.unit, abs=1.0)


def test_tall_pictures_keep_clear_of_a_feed_s_controls():
    # TRUTH  the margins that were chosen: 14 % below, 8 % above
    page = make_page(1080, 1920)
    assert page.inside.bottom <= 0.86 * 1920
    assert page.inside.top >= 0.08 * 1920


def test_scale_bar_and_earth_are_to_scale():
    # TRUTH  measured on the drawn picture: the bar's inner length against km per px, and the Earth's area
    # against its radius (6378.1 km, IAU 2015 Resolution B3).
    studio = stage(view="wide")
    view, page = studio.views[0], make_page(1920, 1080)
    step = nice_step(0.10 * page.height * view.km_per_px * 1e-3)
    size = scale_size((view,), page, bar=True, earth=True)
    rect = Rect(400, 400, *size)
    canvas = blank_canvas(1920, 1080, 16)
    draw_scale(canvas, rect, page, view, bar=True, earth=False)
    row = (canvas.y[rect.bottom - 12 : rect.bottom].astype(float) - 16.0).max(axis=0)
    assert row.sum() / row.max() - page.stroke == pytest.approx(step * 1e3 / view.km_per_px, abs=2.5)
    canvas = blank_canvas(1920, 1080, 16)
    draw_scale(canvas, rect, page, view, bar=False, earth=True)
    blue = canvas.cb > 140
    diameter = 2.0 * np.sqrt(blue.sum() / np.pi)
    assert diameter == pytest.approx(2.0 * 6378.1 / view.km_per_px, abs=1.5)


def test_height_ticks_stand_at_their_heights_at_the_edge():
    # TRUTH  every tick's points lie at its height above the limb, within 1 px, in the outer sixth of the
    # picture, and are short: the prominence is never crossed. The same heights stand from the first picture
    # to the last, though it zooms out.
    studio = stage(view="tall")
    annotation = laid_out(studio)
    assert studio.views[0].zoom > 1.2 * studio.views[-1].zoom
    assert annotation.heights[1]
    assert "heights" in annotation.wanted  # else they are not drawn
    for view in (studio.views[0], studio.views[len(studio.views) // 2], studio.views[-1]):
        ticks = annotation.ticks(view)
        assert tuple(tick.height_mm for tick in ticks) == annotation.heights[1]
        for tick in ticks:
            away = np.hypot(tick.points_px[:, 0] - view.sun_x_px, tick.points_px[:, 1] - view.sun_y_px)
            assert np.abs(away - view.radius_px - tick.height_mm * 1e3 / view.km_per_px).max() < 1.0
            assert np.ptp(tick.points_px[:, 0]) <= annotation.page.unit
            x = tick.points_px[:, 0]
            assert (x < view.width / 6.0).all() or (x > 5.0 * view.width / 6.0).all()


def test_a_tick_never_says_the_scale_bar_s_value_alone():
    # TRUTH  a clip whose scale bar is made as long as the only height that is marked: no tick.
    studio = stage(view="tall")
    (height,) = laid_out(studio).heights[1]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("promtrack.show.scale_bar.bar_of", lambda view: (height, 100.0))
        assert studio.annotation().heights[1] == ()


def test_height_ticks_leave_an_edge_where_plasma_stands():
    # TRUTH  plasma painted over the edge at which the ticks stood: they stand elsewhere, on none of it.
    studio = stage(view="tall", overlays="heights")
    busy = studio.tones.copy()
    left = laid_out(studio).heights[0] == "left"
    busy[:, :, : busy.shape[2] // 4] = 1.0 if left else 0.0
    busy[:, :, -(busy.shape[2] // 4) :] = 0.0 if left else 1.0
    annotation = replace(studio, tones=busy).annotation()
    assert annotation.heights[0] == ("right" if left else "left")
    assert annotation.heights[1]
    for tick in annotation.ticks(studio.views[-1]):
        assert busy_share(annotation.ground, tick.label) <= 0.02


def test_a_number_whose_model_was_rejected_is_never_shown():
    # TRUTH  the same knots with their models rejected: letters, but no number; a front without model
    # likewise.
    run = quick_run(view="square")
    knots = tuple(replace(k, fit=replace(k.fit, model="none")) for k in run.motion.knots)
    fronts = tuple(replace(f, verdict="none of the models describes this motion") for f in run.motion.fronts)
    studio = prepare(replace(run, motion=replace(run.motion, knots=knots, fronts=fronts)))
    bodies = laid_out(studio).bodies
    assert [b.letter for b in bodies][:2] == ["A", "B"]
    assert all(not b.stands and b.label is None for b in bodies)
    assert "km/h" not in everyday(studio.measured)


def test_numbers_are_the_speed_at_that_moment_with_the_total_error():
    # TRUTH  a knot that rises at 30 km/s and loses 20 m/s²: 36 km/s 300 s before its mid-time and 24 km/s
    # after; its random error at that time, and that of the scale.
    run = quick_run(view="square")
    knot = next(k for k in run.motion.knots if k.moving)
    run_s = np.linspace(-300.0, 300.0, len(knot.time_s))
    fit = replace(
        knot.fit,
        model="constant acceleration",
        speed_km_s=30.0,
        speed_err_km_s=0.8,
        accel_m_s2=-20.0,
        accel_err_m_s2=5.0,
        time_s=300.0,
    )
    path = 60.0 + 30e-3 * run_s - 0.5 * 20e-6 * run_s**2
    angle = np.full(len(run_s), float(knot.angle_deg[0]))
    track = replace(
        knot,
        fit=fit,
        time_s=300.0 + run_s,
        curve_mm=path,
        curve_angle_deg=angle,
        speed_err_km_s=np.full(len(run_s), 1.7),
    )
    one = replace(run.motion, knots=(track,), fronts=(), scale_err=0.02, clock_err=0.0)
    body = bodies_of(replace(run, motion=one), run.strip.times_utc[0], fronts=True, knots=True)[0]
    assert body.speed_km_s[[0, -1]] == pytest.approx([36.0, 24.0], abs=0.01)
    assert body.error_km_s[0] == pytest.approx(np.hypot(1.7, 0.02 * 36.0), rel=1e-3)
    page = make_page(1080, 1080)
    assert body.said == f"{speed_of(run, track).text} at {time_words(run, 300.0)}"  # it slows: of that moment
    assert " ".join(number_lines(body, body.said, page)) == f"A ≥ {body.said}"


def test_a_number_for_which_no_picture_is_shown_is_left_out():
    # TRUTH  a clip of the first and the last frame alone: no body of the time between stands in either
    run = quick_run(view="native", hold_s=3.0)
    used = np.zeros_like(run.lock.used)
    used[np.flatnonzero(run.lock.used)[[0, -1]]] = True
    found = prepare(replace(run, lock=replace(run.lock, used=used))).annotation().bodies
    assert any(body.letter and not body.stands for body in found)


def test_everyday_terms_follow_the_numbers():
    # TRUTH  290 km/s is 1.044 million km/h and 384,400 km in 22.1 minutes; 292 Mm are 22.9 times 12,756 km.
    # Digits as the error leaves them.
    fast, slow = Quoted(290.0, 3.0, "km/s"), Quoted(26.1, 0.2, "km/s")
    assert (km_h(fast), km_h(slow)) == ("1.04 million km/h", "94 thousand km/h")
    assert (moon_trip(fast), moon_trip(slow)) == ("22.1 minutes", "4.09 hours")
    assert earth_diameters(Quoted(292.0, 5.0, "Mm")) == "22.9 Earth diameters"
    assert earth_diameters(Quoted(292.0, 20.0, "Mm")) == "23 Earth diameters"


def test_everyday_line_is_about_what_was_measured():
    run = quick_run()
    words = everyday(run)
    front = next(f for f in run.motion.fronts if f.moving)
    assert earth_diameters(top_height(run, front)) in words
    assert everyday(replace(run, motion=replace(run.motion, knots=(), fronts=()))) == ""


def test_title_says_what_where_when_and_how_fast():
    # TRUTH  the plan's factor, rounded to one or two digits
    studio = stage(view="wide")
    what, where, when, fast, *_ = title_lines(laid_out(studio))
    assert what == "Erupting prominence"
    assert "position angle" in where
    assert "UTC" in when
    assert fast.endswith("times faster than life")
    said = float(fast.split()[0])
    assert said == pytest.approx(studio.plan.speed_up, rel=0.06)
    assert title_lines(laid_out(stage(view="wide", title="Mine")))[0] == "Mine"


def test_a_long_title_takes_three_lines_at_most():
    # TRUTH  a title of a hundred letters: three lines or fewer of it, smaller where need be, in every view.
    title = (
        "Rain over the limb, a long evening of falling plasma seen from a garden with friends and neighbours"
    )
    lines: list[tuple[tuple[str, int], ...]] = []
    for name in VIEWS:
        studio = stage(view=name, title=title)
        lines.clear()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("promtrack.show.cards.draw_text", lambda *_, **__: None)
            patch.setattr("promtrack.show.cards.block", lambda one: lines.append(one) or block(one))
            drawn(studio, studio.plan.shots[0])
        cards = [{line for line, _ in card if line in title} for card in lines if len(card) > 3]
        assert cards
        assert max(map(len, cards)) <= 3


def test_title_picture_is_clean_of_all_else():
    # TWIN  the title's picture with all overlays against that with the cards alone: the same in every pixel.
    studio, cards = stage(view="wide"), stage(view="wide", overlays="title,end")
    ink = drawn(studio, studio.plan.shots[0])
    assert (ink > 40).any()
    assert np.array_equal(ink, drawn(cards, cards.plan.shots[0]))


def test_overlay_alone_gives_back_the_annotated_picture():
    # TWIN  the transparent planes laid over a picture against drawing on that picture: within 3 of 255 steps.
    studio = stage(view="native")
    shot = motion_shots(studio)[len(motion_shots(studio)) // 2]
    annotation, view = laid_out(studio), studio.views[0]
    shape = (view.height, view.width)
    y, _, _, alpha = (
        np.frombuffer(p, np.uint8).reshape(shape).astype(float) for p in overlay_planes(annotation, shot)
    )
    canvas = blank_canvas(view.width, view.height, 90)
    draw_annotation(annotation, canvas, shot)
    joined = 90.0 + (y - 90.0) * alpha / 255.0
    assert np.abs(joined - canvas.y).max() <= 3.0
    assert 0.0 < (alpha > 0).mean() < 0.4


def contrast(one, other):
    """Contrast ratio of two sRGB colours (..., 3) B, G, R."""

    def luminance(bgr):
        part = np.asarray(bgr, dtype=float) / 255.0
        linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
        return linear @ np.array([0.0722, 0.7152, 0.2126])

    a, b = luminance(one), luminance(other)
    return (np.maximum(a, b) + 0.05) / (np.minimum(a, b) + 0.05)


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("colour", [ANNOTATION, *map(bgr_of, (ON_DARK.front, *ON_DARK.knots, ON_DARK.rest))])
@pytest.mark.parametrize("ground", ["disc_centre", "peak"])
def test_text_is_readable_over_disc_and_plasma(look, colour, ground):
    # PUBLISHED  WCAG 2.1, success criterion 1.4.3: 4.5:1 for text of any size. Over the disc's brightest
    # quiet tone and over the brightest plasma; what counts is the ground that touches the letters.
    tone = np.full((120, 500), round(255 * getattr(LOOKS[look], ground)), np.uint8)
    canvas = canvas_from_tone(tone, look, 1)
    words = block((("33 ± 4 km/s", 38),))
    draw_text(
        canvas,
        words,
        60,
        40,
        colour,
        strength=min(INK) if colour == ANNOTATION else None,  # the faintest ever drawn
    )
    letters = np.zeros((120, 500), np.uint8)
    letters[40 : 40 + words.height, 60 : 60 + words.width] = words.mask
    touching = cv2.dilate(letters, np.ones((5, 5), np.uint8)) > 0
    touching &= cv2.dilate(letters, np.ones((3, 3), np.uint8)) == 0
    inside = letters > 250
    ground, ink = (canvas_to_bgr(canvas)[part] for part in (touching, inside))
    assert np.percentile(contrast(ground, np.median(ink, axis=0)), 5) >= 4.5


def test_paint_equals_plain_blending():
    # TWIN  a mask painted on planes against blending done in colour, at full colour resolution: 3 steps of
    # rounding.
    rng = np.random.default_rng(1)
    mask, tone = (
        rng.integers(0, 256, (12, 20)).astype(np.uint8),
        rng.integers(0, 256, (30, 40)).astype(np.uint8),
    )
    canvas = canvas_from_tone(tone, "ember", 1)
    expected = canvas_to_bgr(canvas).astype(float)
    paint(canvas, mask, (40.0, 200.0, 90.0), x=3, y=5, strength=0.7)
    share = mask[..., None] * 0.7 / 255.0
    part = np.s_[5:17, 3:23]
    expected[part] += share * (np.array([40.0, 200.0, 90.0]) - expected[part])
    assert np.abs(canvas_to_bgr(canvas) - expected).max() <= 3.0


def test_paint_over_the_border_leaves_the_rest_out():
    canvas = blank_canvas(40, 30, 16)
    paint(canvas, np.full((20, 20), 255, np.uint8), (255.0, 255.0, 255.0), x=-10, y=-10)
    paint(canvas, np.full((20, 20), 255, np.uint8), (255.0, 255.0, 255.0), x=50, y=0)
    assert (canvas.y[:10, :10] == 235).all()
    assert int((canvas.y > 16).sum()) == 100


def test_digits_do_not_jitter_and_zeros_are_open():
    # TRUTH  every digit has the same advance; the middle of a zero holds no ink, as a slash or a dot would
    # leave.
    assert len({text_width(d * 8, 50) for d in "0123456789"}) == 1
    zero = text_mask("0", 60)
    y, x = np.nonzero(zero > 128)
    middle = zero[
        (y.min() + y.max()) // 2 - 3 : (y.min() + y.max()) // 2 + 4, (x.min() + x.max()) // 2 - 3 :
    ][:, :7]
    assert not (middle > 64).any()


def test_words():
    first = np.datetime64("2026-05-17T08:42:50", "us")
    assert gap_words(Gap(1500.0, 250.0), first) == "gap 4 min 10 s at 09:07"
    assert gap_words(Gap(0.0, 7260.0), first) == "gap 2 h 1 min at 08:42"
    assert [gap_words(Gap(10.0, s), first)[4:-9] for s in (0.4, 3.0, 9.96)] == ["0.4 s", "3 s", "10 s"]
    assert [nice_step(v) for v in (0.9, 1.0, 1.2, 3.0, 7.0, 23.0)] == [1.0, 1.0, 2.0, 5.0, 10.0, 50.0]
    lines = [line for line, _ in wrapped("The front rose to 292 ± 5 Mm: at least 290 ± 3 km/s", 40, 420)]
    assert " ".join(lines) == "The front rose to 292 ± 5 Mm: at least 290 ± 3 km/s"
    assert not any(line.endswith("±") or line.startswith(("±", "km/s")) for line in lines)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(20, 400), st.integers(16, 120)), min_size=1, max_size=12),
    st.integers(0, 2**32 - 1),
)
def test_layout_never_overlaps(sizes, seed):
    # TRUTH  the rectangle that was given
    rng = np.random.default_rng(seed)
    inside = Rect(20, 20, 920, 500)
    ground = make_ground(960, 540, inside, (rng.random((1, 20, 30)) > 0.9).astype(np.float32))
    rects = []
    for i, (width, height) in enumerate(sizes):
        rect = (
            place_block(ground, width, height, ("top left", "bottom right"))
            if i % 2
            else nearest_free(ground, width, height, tuple(rng.uniform(0, 960, 2)))
        )
        if rect is not None:
            ground = take(ground, rect)
            rects.append(rect)
    assert not [pair for pair in combinations(rects, 2) if Rect.overlaps(*pair)]
    assert all(r.left >= 20 and r.top >= 20 and r.right <= 940 and r.bottom <= 520 for r in rects)


def test_no_room_gives_no_label():
    ground = take(make_ground(200, 100, Rect(8, 8, 184, 84), np.zeros((1, 5, 5))), Rect(0, 0, 200, 100))
    assert nearest_free(ground, 40, 20, (100.0, 50.0)) is None
    assert place_block(ground, 40, 20, ("top left",)) is None


def test_marks_stand_on_no_plasma_where_sky_is_free():
    # TRUTH  plasma in every named corner and a free band between them: the block lies in the band, though it
    # is none of its corners; with no room in the sky the least covered corner is taken.
    busy = np.zeros((54, 96), np.float32)
    busy[:20, :40] = busy[:20, 60:] = busy[34:, :40] = busy[34:, 60:] = 1.0
    spots = ("top left", "top right", "bottom left", "bottom right")
    inside = Rect(20, 20, 920, 500)
    for size in ((120, 60), (300, 100)):
        rect = place_block(make_ground(960, 540, inside, busy[None]), *size, spots)
        tone = cv2.resize(busy, (960, 540), interpolation=cv2.INTER_NEAREST)
        assert tone[rect.top : rect.bottom, rect.left : rect.right].mean() < 0.02
    assert place_block(make_ground(960, 540, inside, busy[None]), 700, 300, spots) is not None


def test_unknown_north_is_never_called_north():
    # TRUTH  without orientation the compass names the camera's image, not the sky's points.
    run = quick_run(view="native", overlays="compass")
    unknown = replace(run, orientation=replace(run.orientation, position_angles=False, zero_deg=0.0, sign=1))
    known, other = (prepare(one) for one in (run, unknown))
    pictures = [drawn(one, motion_shots(one)[0]) for one in (known, other)]
    assert not np.array_equal(*pictures)


@pytest.mark.parametrize("turn_deg", [-90.0, -55.0, 35.0, 60.0, 90.0, 120.0])
def test_words_of_the_image_arrow_never_lie_on_it(turn_deg):
    # TRUTH  what words and arrow light up together is what each lights up alone: they share no pixel.
    run = quick_run(view="native")
    unknown = replace(run.orientation, position_angles=False, zero_deg=0.0, sign=1)
    view, page = replace(prepare(run).views[0], turn_deg=turn_deg), make_page(1280, 720)
    rect = Rect(500, 300, *compass_size(view, unknown, page))

    def lit(left_out):
        canvas = blank_canvas(1280, 720, 16)
        with pytest.MonkeyPatch.context() as patch:
            for name in left_out:
                patch.setattr(f"promtrack.show.scale_bar.{name}", lambda *_, **__: None)
            draw_compass(canvas, rect, page, view, unknown)
        return canvas.y > 40

    words, arrow = lit(["draw_line"]), lit(["draw_words"])
    assert words.any()
    assert arrow.any()
    assert not (words & arrow).any()


@pytest.mark.long
@pytest.mark.parametrize("name", ["wide", "square", "tall"])
def test_words_never_meet_in_the_eruption(name, eruption):
    # TRUTH  the demonstration's eruption, measured: in every picture all boxes of words are disjoint.
    studio = prepare(replace(eruption, settings=change_settings(eruption.settings, {"clip.view": name})))
    annotation = laid_out(studio)
    assert any(b.label is not None for b in annotation.bodies)
    for shot in motion_shots(studio):
        assert not [pair for pair in combinations(annotation.words(shot), 2) if Rect.overlaps(*pair)]


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("zoom", [1.0, 4.0])
def test_the_end_card_leaves_the_scale_free(name, zoom):
    # TRUTH  however large the Earth of a close picture is: words and scale share no pixel and are inside.
    annotation = laid_out(stage(view=name))
    closer = tuple(replace(view, km_per_px=view.km_per_px / zoom) for view in annotation.views)
    size = scale_size(closer, annotation.page, bar=True, earth=True)
    measured = quick_run(view=name, credit="A. Observer, a club with a long name, a town")
    annotation = replace(annotation, measured=measured, blocks={"scale": Rect(0, 0, *size)})
    card, scale, inside = end_card(annotation), end_scale(annotation), annotation.page.inside
    words = Rect(inside.left, inside.top, card.width, card.height)
    assert not words.overlaps(scale)
    assert words.right <= inside.right
    assert words.bottom <= inside.bottom
    assert scale.top >= inside.top


@pytest.mark.parametrize("name", ["wide", "square", "tall"])
def test_a_letter_is_followed_in_angle_and_height(name):
    # TRUTH  closer on the last knot that has a letter: its mark is in the middle half of
    # the picture whenever it was measured, its number shows, and the picture moves smoothly.
    asked = max(laid_out(stage()).bodies, key=lambda body: body.order)
    studio = stage(view=name, at=asked.letter.lower(), zoom=3.0)
    annotation, view = laid_out(studio), studio.views[0]
    body = annotation.bodies[0]
    assert body.letter == asked.letter
    assert body.label is not None
    middle = 0.5 * np.array([view.width, view.height])
    for shot in motion_shots(studio):
        if body.seen(shot.time_s):
            away = np.abs(body.place(studio.views[shot.place], shot.time_s) - middle) / middle
            assert away.max() < 0.5
    way = np.array([[v.sun_x_px, v.sun_y_px] for v in studio.views])
    assert np.ptp(way, axis=0).max() > 20.0
    assert np.abs(np.diff(way, 2, axis=0)).max() < 0.1 * np.ptp(way, axis=0).max()


def test_no_number_stands_on_the_edge_of_a_front():
    # TRUTH  a front that rises through the picture: in no picture does its edge cross the number of a knot
    studio = stage(view="square")
    annotation = laid_out(studio)
    front = next(body for body in annotation.bodies if body.sector_deg is not None)
    looked = 0
    for shot in motion_shots(studio):
        edge = front.ends(studio.views[shot.place], shot.time_s)
        for body in annotation.bodies:
            if body is not front and body.label and body.due(annotation.time, shot.time_s):
                looked += 1
                x, y = edge.T
                on = (x > body.label.left) & (x < body.label.right)
                on &= (y > body.label.top) & (y < body.label.bottom)
                assert not (on.any() and front.seen(shot.time_s))
    assert looked


@pytest.mark.parametrize(("error", "words"), [(0.5, "0.0 to 60.0 km/s"), (0.0, "0 to 60 km/s")])
def test_a_front_that_turns_round_goes_through_rest(error, words):
    # TRUTH  60 km/s up, at rest in the middle, 60 km/s down, evenly: while one number stands for all of it
    # the speed is anything from 0 to 60
    body, run_s = laid_out(stage(view="square")).bodies[0], np.linspace(0.0, TIME.back(6.0), 101)
    speeds, errors = np.linspace(60.0, -60.0, len(run_s)), np.full(len(run_s), error)
    front = replace(body, time_s=run_s, speed_km_s=speeds, error_km_s=errors)
    ((_, _, said),) = stands_of(front, [(2.0, 6.0)], TIME)
    assert said == words


@pytest.mark.parametrize("hold_s", [0.0, 1.0, 2.0])
def test_no_number_stands_shorter_than_it_can_be_read_in_a_short_hold(hold_s):
    # TRUTH  400 clips drawn at random whose motion takes 4.5 to 7.5 s: every stand is 2.5 s or longer
    rng = np.random.default_rng(3)
    for _ in range(400):
        motion_s = rng.uniform(4.5, 7.5)
        recorded = np.linspace(0.0, 2400.0, 90)
        time = ClipTime(recorded, 2.0 + recorded / 2400.0 * motion_s, 2.0 + motion_s + hold_s, 2.6)
        ends = np.sort(rng.uniform(0.0, 2400.0, (rng.integers(1, 6), 2)), axis=1)
        shown = [(time.at(first), time.at(last)) for first, last in ends.tolist()]
        assert all(b - a >= NUMBER_S - 1e-6 for runs in share_time(shown, time) for a, b in runs)


def test_small_films_go_without_what_is_too_small_to_read():
    # TRUTH  GIF and WebP are the clip without heights and gaps, and with all else
    studio = stage(view="square", also="gif")
    full, small = (film.draw.args[0].wanted for film in _films(studio, studio.annotation()))
    assert {"heights", "gaps"} & full
    assert small == full - {"heights", "gaps"}


def test_the_headline_s_number_stands_all_the_time_that_it_is_seen():
    # TRUTH  a headline seen from 3 s to the end, and five others that begin and end while it is seen: its
    # number stands for all of it, and one of theirs at a time beside it
    recorded = np.linspace(0.0, 2400.0, 90)
    time = ClipTime(recorded, 2.0 + recorded / 2400.0 * 8.0, 12.6, 2.6)
    shown = [(3.0, 12.6), *((2.0 + k, 5.0 + k) for k in range(5))]
    headline, *others = share_time(shown, time)
    assert min(a for a, _ in headline) == pytest.approx(3.0)
    assert max(b for _, b in headline) == pytest.approx(12.6)
    assert sum(b - a for a, b in headline) == pytest.approx(9.6)
    assert sum(map(bool, others)) >= 2
    for at in np.arange(2.05, 12.6, 0.1):
        assert sum(a <= at <= b for runs in (headline, *others) for a, b in runs) <= 2
