"""Annotation: where it stands, that it can be switched off, that it is right and readable."""

from dataclasses import replace
from itertools import combinations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from promtrack.settings import ClipSettings, change_settings
from promtrack.show.action import find_action
from promtrack.show.canvas import Canvas, blank_ink, canvas_from_tone, canvas_to_bgr, lay, make_stamp, paint
from promtrack.show.clip import _prepare
from promtrack.show.clock import gap_words, make_clock
from promtrack.show.front_marks import front_edge, front_label, front_words
from promtrack.show.furniture import height_arcs, height_labels, nice_step, scale_inks
from promtrack.show.layout import Rect, make_ground, nearest_free, overlaps, place_block, take
from promtrack.show.marks import KNOT_BGR, Page, draw_mark, text_ink
from promtrack.show.overlay import annotate, draw_annotation, label_boxes, make_page
from promtrack.show.pacing import plan_shots
from promtrack.show.palette import LOOKS
from promtrack.show.text import REGULAR, WHITE, block_of, text_mask
from promtrack.show.tracks import (
    FADE_FRAMES,
    Pace,
    draw_head,
    label_shows,
    speed_mask,
    speed_words,
    trail_paths,
)
from promtrack.show.view import choose_view
from tests.show.clip_case import quick_run

ALL = ClipSettings().overlays


def stage(**clip):
    """Run, view, page, times and shots for these clip settings."""
    run = quick_run(**clip)
    action = find_action(run.strip, run.motion, run.orientation, run.lock)
    view = choose_view(run.lock, run.scale, run.orientation, action, run.settings.clip)
    used = np.flatnonzero(run.lock.used)
    time_s = run.sequence.time_s[used] - run.sequence.time_s[used[0]]
    return run, view, make_page(view, 2), time_s, plan_shots(used, time_s, run.settings.clip)


def drawn(run, view, page, time_s, shot, *, tone=0):
    annotation = annotate(run, view, page, np.zeros((30, 40)), time_s)
    canvas = canvas_from_tone(np.full((view.height, view.width), tone, np.uint8), "ash", 2)
    draw_annotation(annotation, canvas, shot)
    return canvas, annotation


@pytest.mark.parametrize("name", ["wide", "square", "tall", "native"])
@pytest.mark.parametrize("title", ["", "Eruption on the east limb"])
def test_nothing_overlaps_and_all_keeps_clear_of_the_border(name, title):
    run, view, page, time_s, _ = stage(view=name, title=title, credit="Hillside observatory" if title else "")
    busy = np.zeros((view.height // 8, view.width // 8), np.float32)
    rows, columns = busy.shape
    busy[int(0.3 * rows) : int(0.7 * rows), int(0.4 * columns) : int(0.6 * columns)] = 1.0  # the action
    annotation = annotate(run, view, page, busy, time_s)
    placed = annotation.ground.placed
    assert len(placed) >= (9 if name != "native" else 6)
    assert not [pair for pair in combinations(placed, 2) if overlaps(*pair)]
    assert all(r.left >= 0.9 * page.margin and r.top >= 0.9 * page.margin for r in placed)
    assert all(
        r.right <= page.width - 0.9 * page.margin and r.bottom <= page.height - 0.9 * page.margin
        for r in placed
    )
    for rect in placed:
        part = annotation.ground.busy[rect.top // 8 : rect.bottom // 8, rect.left // 8 : rect.right // 8]
        assert part.mean() < 0.05


@pytest.mark.parametrize("overlay", ALL)
def test_each_part_can_be_switched_off(overlay):
    # TRUTH  alone it draws something, and without any the picture is left untouched.
    run, view, page, time_s, shots = stage(view="native", title="A title")
    shot = next(s for s in shots if s.gap_s > 0.0) if overlay == "gaps" else shots[len(shots) // 2]
    marks = {}
    for wanted in ((overlay,), ()):
        some = replace(run, settings=replace(run.settings, clip=replace(run.settings.clip, overlays=wanted)))
        canvas, _ = drawn(some, view, page, time_s, shot)
        marks[wanted] = int((canvas.y > 30).sum())
    assert marks[(overlay,)] > 20
    assert marks[()] == 0


def test_scale_bar_and_earth_are_to_scale():
    # TRUTH  measured on the drawn picture: the bar's inner length against km per px, and the Earth's area
    # against its radius (6378.1 km, IAU 2015 Resolution B3).
    _, view, page, _, _ = stage(view="wide")
    ground = make_ground(page.width, page.height, page.margin, np.zeros((10, 10)))
    step = nice_step(0.10 * page.height * view.km_per_px * 1e-3)
    inks, _ = scale_inks(view, page, ground, bar=True, earth=False)
    bar = inks[0]
    rows = bar.bgr.max(axis=2)
    row = rows[np.argmax(rows.sum(axis=1))]  # along the bar; partly covered pixels count in part
    assert row.sum() / row.max() - 1.5 * page.stroke == pytest.approx(step * 1e3 / view.km_per_px, abs=1.0)
    inks, _ = scale_inks(view, page, ground, bar=False, earth=True)
    earth = inks[0]
    blue = np.clip(earth.bgr[..., 0], 0, None) > 40.0
    diameter = 2.0 * np.sqrt(blue.sum() / np.pi)
    assert diameter == pytest.approx(2.0 * 6378.1 / view.km_per_px, abs=1.0)


def test_front_and_knot_marks_stand_where_the_tracks_are():
    # TRUTH  the ring's centroid is the knot's place, and the front's line its height, both within 1 px (half
    # the trail's jitter).
    run, view, page, time_s, shots = stage(view="wide", overlays=("knots",))
    knot = next(k for k in run.motion.knots if k.moving)
    shot = next(s for s in shots if s.time_s > knot.time_s[len(knot.time_s) // 2])
    one = replace(run, motion=replace(run.motion, knots=(knot,), fronts=()))
    canvas, annotation = drawn(one, view, page, time_s, shot)
    trail = annotation.trails[0]
    x, y = (float(np.interp(shot.time_s, trail.time_s, c)) for c in trail.points_px.T)
    true_x, true_y = view.to_picture(
        run.orientation.to_image(np.interp(shot.time_s, knot.time_s, knot.angle_deg)),
        np.interp(shot.time_s, knot.time_s, knot.height_mm),
    )
    assert np.hypot(x - true_x, y - true_y) < 2.0
    radius = 0.42 * page.unit
    yy, xx = np.mgrid[: view.height, : view.width]
    ring = np.abs(np.hypot(xx - x, yy - y) - radius) < 1.0
    assert np.median(canvas.y[ring]) > 100.0


@pytest.mark.parametrize("name", ["wide", "square", "tall", "native"])
def test_words_never_meet_at_any_time(name):
    # TRUTH  in every picture of the clip, all boxes of words are disjoint and inside the margins; the front's
    # label wanders.
    run, view, page, time_s, shots = stage(view=name, title="Eruption on the east limb")
    second = replace(
        run.motion.fronts[0], front=2, height_mm=run.motion.fronts[0].height_mm + 4.0
    )  # on the heels of the first
    run = replace(run, motion=replace(run.motion, fronts=(*run.motion.fronts, second)))
    annotation = annotate(run, view, page, np.zeros((30, 40)), time_s)
    fronts_labelled = 0
    for shot in shots:
        boxes = label_boxes(annotation, shot.time_s)
        fronts_labelled += (
            len(boxes)
            - len(annotation.blocks)
            - sum(label_shows(trail, shot.time_s) for trail in annotation.trails)
        )
        assert not [pair for pair in combinations(boxes, 2) if overlaps(*pair)]
        for box in boxes:
            assert min(box.left, box.top) >= 0.9 * page.margin
            assert box.right <= page.width - 0.9 * page.margin
            assert box.bottom <= page.height - 0.9 * page.margin
    assert fronts_labelled > len(shots) / 4


def test_a_trail_goes_with_its_knot_and_its_leader_points_at_it():
    # TRUTH  on black: a trail is gone a few frames after its knot's end, label and all; a leader shows only
    # while its trail does, and not before the knot has come to where it points.
    run, view, page, time_s, _ = stage(view="wide", overlays=("knots",))
    annotation = annotate(run, view, page, np.zeros((30, 40)), time_s)
    step = float(np.median(np.diff(time_s)))

    def ink_of(mark, now_s):
        canvas = canvas_from_tone(np.zeros((view.height, view.width), np.uint8), "ash", 2)
        draw_mark(mark, canvas, now_s)
        return int((canvas.y > 40).sum())

    labelled = [trail for trail in annotation.trails if trail.label is not None]
    assert labelled
    for trail in labelled:
        end_s = float(trail.time_s[-1])
        middle_s = 0.5 * (trail.label_s + end_s)
        assert ink_of(trail.marks[0], middle_s) > 20
        assert ink_of(trail.marks[1], middle_s) > 20
        assert label_shows(trail, middle_s)
        gone_s = end_s + (FADE_FRAMES + 0.1) * step
        assert not label_shows(trail, gone_s)
        assert all(ink_of(mark, gone_s) == 0 for mark in trail.marks)
        for leader in trail.marks[2:]:
            place = np.array([leader.stamp.place[0] % view.width, leader.stamp.place[0] // view.width]).T
            away = np.hypot(*(place[:, None] - trail.points_px).transpose(2, 0, 1)).min(axis=0)
            assert leader.from_s >= trail.time_s[np.argmin(away)] - 1e-6 or np.argmin(away) < 2


def test_a_ring_shows_only_beside_its_speed():
    # TRUTH  on black: before the speed comes and after the knot has gone there is no ring, in between there
    # is one at the knot's place.
    run, view, page, time_s, _ = stage(view="wide", overlays=("knots",))
    rings = 0
    for trail in annotate(run, view, page, np.zeros((30, 40)), time_s).trails:
        middle_s = 0.5 * (trail.label_s + trail.time_s[-1])
        for now_s, seen in (
            (trail.label_s - 1.0, False),
            (middle_s, trail.label is not None),
            (trail.time_s[-1] + 1.0, False),
        ):
            canvas = canvas_from_tone(np.zeros((view.height, view.width), np.uint8), "ash", 2)
            draw_head(trail, canvas, now_s)
            y, x = np.nonzero(canvas.y > 40)
            assert bool(len(x)) is seen
            if seen:
                place = [float(np.interp(now_s, trail.time_s, column)) for column in trail.points_px.T]
                assert np.hypot(x.mean() - place[0], y.mean() - place[1]) < 2.0
                rings += 1
    assert rings


def test_a_front_is_not_drawn_where_it_was_not_seen():
    # TRUTH  a front with a hole of ten steps in its track is drawn on both sides of the hole and not in it.
    run, view, page, time_s, _ = stage(view="wide", overlays=("front",))
    front = run.motion.fronts[0]
    middle = len(front.time_s) // 2
    keep = np.ones(len(front.time_s), bool)
    keep[middle : middle + 9] = False
    track = {
        key: getattr(front, key)[keep]
        for key in ("frame", "time_s", "height_mm", "height_err_mm", "angle_deg")
    }
    holed = replace(front, **track, fits=())
    marker = annotate(
        replace(run, motion=replace(run.motion, fronts=(holed,))), view, page, np.zeros((30, 40)), time_s
    ).fronts[0]
    late_s = marker.time_s[0] - holed.time_s[0]
    hole_s = 0.5 * (front.time_s[middle] + front.time_s[middle + 8]) + late_s
    assert front_edge(marker, hole_s) is None
    assert front_edge(marker, marker.time_s[1]) is not None
    assert front_edge(marker, marker.time_s[-2]) is not None


def test_trail_grows_with_time():
    run, view, page, time_s, _ = stage(view="wide")
    annotation = annotate(run, view, page, np.zeros((30, 40)), time_s)
    trail = max(annotation.trails, key=lambda t: len(t.time_s))
    counts = []
    for share in (0.1, 0.5, 1.0):
        canvas = canvas_from_tone(np.zeros((view.height, view.width), np.uint8), "ash", 2)
        lay(trail.marks[0].stamp, canvas, now_s=trail.time_s[0] + share * np.ptp(trail.time_s))
        counts.append(int((canvas.y > 60).sum()))
    assert 0 < counts[0] < counts[1] < counts[2]


def contrast(one, other):
    """Contrast ratio of two sRGB colours (..., 3) B, G, R."""

    def luminance(bgr):
        part = np.asarray(bgr, dtype=float) / 255.0
        linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
        return linear @ np.array([0.0722, 0.7152, 0.2126])

    a, b = luminance(one), luminance(other)
    return (np.maximum(a, b) + 0.05) / (np.minimum(a, b) + 0.05)


def test_contrast_formula():
    # PUBLISHED  WCAG 2.1, definition of contrast ratio: black on white 21:1; #777777 on white 4.48:1 (just
    # below the 4.5 of AA).
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast((0x77, 0x77, 0x77), (255, 255, 255)) == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("colour", [WHITE, KNOT_BGR])
def test_text_is_readable_over_the_disc(look, colour):
    # PUBLISHED  WCAG 2.1, success criterion 1.4.3: 4.5:1 for text. Over the disc's brightest quiet tone; what
    # counts is the ground that touches the letters, so the pixels within 1 to 2 px of them.
    tone = np.full((120, 400), round(255 * LOOKS[look].disc_centre), np.uint8)
    canvas = canvas_from_tone(tone, look, 1)
    mask = text_mask("33.1 ± 0.8 km/s", 28, REGULAR)
    lay(make_stamp(text_ink(mask, 60, 40, 28, colour), 400, 120, 1), canvas)
    letters = np.zeros((120, 400), np.uint8)
    letters[40 : 40 + mask.shape[0], 60 : 60 + mask.shape[1]] = mask
    near = cv2.dilate(letters, np.ones((5, 5), np.uint8)) > 0
    touching = near & (cv2.dilate(letters, np.ones((3, 3), np.uint8)) == 0)
    ground = canvas_to_bgr(canvas)[touching]
    assert np.percentile(contrast(ground, colour), 5) >= 4.5


def test_stamp_equals_plain_blending():
    # TWIN  a stamp laid on planes against blending done in colour, at full colour resolution: 2 steps of
    # rounding.
    rng = np.random.default_rng(1)
    ink = blank_ink(3, 5, 20, 12)
    paint(ink, rng.integers(0, 256, (12, 20)).astype(np.uint8), (40.0, 200.0, 90.0), strength=0.7)
    tone = rng.integers(0, 256, (30, 40)).astype(np.uint8)
    canvas = canvas_from_tone(tone, "ember", 1)
    before = canvas_to_bgr(canvas).astype(float)
    lay(make_stamp(ink, 40, 30, 1), canvas)
    expected = before.copy()
    part = np.s_[5:17, 3:23]
    expected[part] = expected[part] * (1.0 - ink.opacity[..., None]) + ink.bgr
    assert np.abs(canvas_to_bgr(canvas) - expected).max() <= 3.0


def test_shifted_stamp_equals_one_drawn_there():
    ink = blank_ink(2, 4, 6, 6)
    paint(ink, np.full((6, 6), 200, np.uint8), WHITE)
    moved = blank_ink(12, 10, 6, 6)
    paint(moved, np.full((6, 6), 200, np.uint8), WHITE)
    planes = []
    for stamp, at in ((make_stamp(ink, 40, 30, 2), (10, 6)), (make_stamp(moved, 40, 30, 2), (0, 0))):
        canvas = Canvas(
            np.zeros((30, 40), np.uint8), np.zeros((15, 20), np.uint8), np.zeros((15, 20), np.uint8), 2
        )
        lay(stamp, canvas, at=at)
        planes.append(canvas)
    assert np.array_equal(planes[0].y, planes[1].y)
    assert np.array_equal(planes[0].cb, planes[1].cb)


def test_blended_pictures_say_so_whatever_else_is_drawn():
    # TRUTH  on black without any overlay: a blended shot shows a word, its neighbour nothing.
    run, view, page, time_s, shots = stage(view="native", overlays=(), blend=1)
    blended, plain = (next(s for s in shots if (s.other >= 0) is wanted) for wanted in (True, False))
    assert (drawn(run, view, page, time_s, blended)[0].y > 60).sum() > 50
    assert not (drawn(run, view, page, time_s, plain)[0].y > 30).any()


def test_speeds_that_the_cadence_cannot_be_sure_of_carry_a_question_mark():
    # TRUTH  with a limit between the speeds of the fake run's knots the faster ones are marked, and the
    # footnote has a line more.
    run, view, page, time_s, _ = stage(view="wide", overlays=("knots", "note"))
    speeds = sorted(k.fit.speed_km_s for k in run.motion.knots if k.moving)
    doubtful = replace(
        run, motion=replace(run.motion, control=replace(run.motion.control, sure_km_s=speeds[-1] - 0.1))
    )
    plain, doubted = (
        trail_paths(some.motion, view, run.orientation, page, Pace(0.0, 60.0, float(time_s[-1])))
        for some in (run, doubtful)
    )
    assert [path.words.endswith(" ?") for path in doubted] == [True] + [False] * (len(doubted) - 1)
    assert not any("?" in path.words for path in plain)
    before, after = (
        annotate(some, view, page, np.zeros((30, 40)), time_s).blocks[0] for some in (run, doubtful)
    )
    assert after.height > before.height


def test_digits_do_not_jitter():
    # TRUTH  every digit has the same advance, so two times of the clock differ in the cells of the digits
    # that changed only.
    widths = {text_mask(d * 8, 50, REGULAR).shape[1] for d in "0123456789"}
    assert len(widths) == 1
    assert block_of([("08:08:08", 50, REGULAR)]).max() > 200


def test_words():
    run, *_ = stage(view="native")
    knot = run.motion.knots[0]
    fit = replace(knot.fit, speed_km_s=33.14, speed_err_km_s=0.84, systematic_km_s=0.1)
    assert speed_words(replace(knot, fit=fit)) == "33.1 ± 0.8 km/s"
    assert (
        speed_words(replace(knot, fit=replace(fit, systematic_km_s=0.84))) == "33.1 ± 1.2 km/s"
    )  # TRUTH  0.84 x sqrt(2) = 1.19
    assert speed_words(replace(knot, fit=replace(fit, speed_err_km_s=4.2))) == "33 ± 4 km/s"
    assert gap_words(250.0) == "gap 4 min 10 s"
    assert gap_words(7260.0) == "gap 2 h 1 min"
    assert [nice_step(v) for v in (0.9, 1.0, 1.2, 3.0, 7.0, 23.0)] == [1.0, 1.0, 2.0, 5.0, 10.0, 50.0]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(20, 400), st.integers(16, 120)), min_size=1, max_size=12),
    st.integers(0, 2**32 - 1),
)
def test_layout_never_overlaps(sizes, seed):
    rng = np.random.default_rng(seed)
    ground = make_ground(960, 540, 20, (rng.random((20, 30)) > 0.9).astype(np.float32))
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
    assert rects or min(w for w, _ in sizes) > 100
    assert not [pair for pair in combinations(rects, 2) if overlaps(*pair)]
    assert all(r.left >= 20 and r.top >= 20 and r.right <= 940 and r.bottom <= 520 for r in rects)


def test_no_room_gives_no_label():
    ground = take(make_ground(200, 100, 8, np.zeros((5, 5))), Rect(0, 0, 200, 100))
    assert nearest_free(ground, 40, 20, (100.0, 50.0)) is None
    assert place_block(ground, 40, 20, ("top left",)) is None


def test_unknown_north_is_never_called_north():
    # TRUTH  without orientation the compass names the camera's image, not the sky's points.
    run, view, page, time_s, shots = stage(view="native", overlays=("compass",))
    unknown = replace(run, orientation=replace(run.orientation, position_angles=False, zero_deg=0.0, sign=1))
    known, _ = drawn(run, view, page, time_s, shots[0])
    canvas, _ = drawn(unknown, view, page, time_s, shots[0])
    assert not np.array_equal(known.y, canvas.y)


@pytest.mark.parametrize("unit", range(11, 48))
def test_clock_fits_at_every_type_size(unit):
    # TRUTH  whatever the size, the block lies inside the margins and holds the widest text.
    page = Page(64 * unit, 36 * unit, unit, 2)
    ground = make_ground(page.width, page.height, page.margin, np.zeros((10, 10)))
    clock, _ = make_clock(
        np.datetime64("2088-08-08T08:08:08", "us"),
        np.arange(5.0),
        page,
        ground,
        clock=True,
        gaps=True,
        notices=True,
    )
    assert clock.hours.x >= page.margin
    assert clock.date.y < page.height - page.margin


@pytest.mark.parametrize("name", ["wide", "square", "tall"])
def test_essential_type_is_read_on_a_phone(name):
    # TRUTH  on a screen 390 px wide (an upright phone): speeds and scale at 9 px and more, the clock at 15 px
    # and more, the footnote at 7 px and more, which such screens draw with 20 dots.
    run, view, page, time_s, _ = stage(view=name)
    shown = 390.0 / view.width
    knot = next(k for k in run.motion.knots if k.moving)
    assert (
        speed_mask(speed_words(knot), page).shape[0] / 1.24 * shown >= 8.9
    )  # 1.24: line height over type size
    assert round(1.1 * page.unit) * shown >= 8.9
    assert round(1.9 * page.unit) * shown >= 15.0
    bare = replace(run, settings=change_settings(run.settings, {"clip.overlays": ["note", "heights"]}))
    note = annotate(bare, view, page, np.zeros((30, 40)), time_s).blocks[0]
    lines = 1 if page.narrow else 2
    assert note.height / (lines * 1.32) * shown >= 7.0


def test_arcs_stay_clear_of_speeds_and_leave_no_crumbs():
    # TRUTH  no pixel of an arc under a label, and no piece shorter than four letters but those next to the
    # arcs' own labels.
    _, view, page, *_ = stage(view="wide")
    ground = make_ground(page.width, page.height, page.margin, np.zeros((10, 10)))
    _, ground, labels = height_labels(view, page, ground, 60.0)
    assert len(labels) > 1
    words = [
        Rect(int(x), int(y), 200, 40)
        for x, y in zip(*view.to_picture(view.turn_deg, [h for h, _ in labels]), strict=True)
    ]
    ink = height_arcs(view, page, labels, words)
    for rect in [*words, *(place for _, place in labels)]:
        assert not ink.opacity[rect.top : rect.bottom, rect.left : rect.right].any()
    _, numbers, stats, _ = cv2.connectedComponentsWithStats(
        (ink.opacity > 0).astype(np.uint8), connectivity=8
    )
    for number in range(1, len(stats)):
        long = stats[number, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max() >= 4 * page.unit
        near = any(
            (
                numbers[
                    max(r.top - page.unit, 0) : r.bottom + page.unit,
                    max(r.left - page.unit, 0) : r.right + page.unit,
                ]
                == number
            ).any()
            for _, r in labels
        )
        assert long or near


def test_the_fastest_knots_are_labelled_and_a_crowd_is_thinned():
    # TRUTH  with 30 moving knots no more than 12 trails are drawn and 3 carry speeds: the fastest that find
    # room.
    run, view, page, time_s, _ = stage(view="wide", overlays=("knots",))
    knot = next(k for k in run.motion.knots if k.moving)
    many = tuple(
        replace(knot, knot=n, fit=replace(knot.fit, speed_km_s=10.0 + n), angle_deg=knot.angle_deg + 0.02 * n)
        for n in range(30)
    )
    crowd = replace(run, motion=replace(run.motion, knots=many, fronts=()))
    trails = annotate(crowd, view, page, np.zeros((30, 40)), time_s).trails
    assert len(trails) == 12
    assert 1 <= sum(trail.label is not None for trail in trails) <= 3
    assert all(trail.label is None for trail in trails[3:])


def test_front_says_height_and_speed():
    assert front_words(211.6, 180.4, 2.31) == ("front 212 Mm", "180.4 ± 2.3 km/s")
    assert front_words(211.6, -4.4, 0.6) == ("front 212 Mm", "−4.4 ± 0.6 km/s")
    assert front_words(211.6, np.nan, np.nan) == ("front 212 Mm",)


def test_arcs_give_way_to_the_front_s_label():
    # TRUTH  on black, with arcs and front alone: where the label stands with a gap round it, the picture is
    # that without arcs.
    run, view, page, time_s, shots = stage(view="wide", overlays=("front", "heights"))
    run = replace(run, motion=replace(run.motion, knots=()))
    bare = replace(run, settings=change_settings(run.settings, {"clip.overlays": ["front"]}))
    marker = annotate(run, view, page, np.zeros((30, 40)), time_s).fronts[0]
    met = 0
    for shot in shots[::2]:
        label = front_label(marker, shot.time_s)
        if label is None:
            continue
        with_arcs, annotation = drawn(run, view, page, time_s, shot)
        if label[1] not in label_boxes(annotation, shot.time_s):
            continue
        alone, _ = drawn(bare, view, page, time_s, shot)
        box = label[1].grown(round(0.3 * page.unit))
        part = np.s_[box.top : box.bottom, box.left : box.right]
        assert np.array_equal(with_arcs.y[part], alone.y[part])
        arcs = canvas_from_tone(np.zeros((view.height, view.width), np.uint8), "ash", 2)
        lay(annotation.arcs, arcs)
        met += int((arcs.y[part] > 30).any())
    assert met > 0  # the label did cross an arc


def test_page_type_size():
    assert Page(1920, 1080, 28, 2).margin == 42


def _away(rect, points_px):
    """Distances of points from a rectangle."""
    beyond = np.maximum(
        np.maximum([rect.left, rect.top] - points_px, points_px - [rect.right, rect.bottom]), 0.0
    )
    return np.hypot(*beyond.T)


@pytest.mark.long
@pytest.mark.parametrize("name", ["wide", "square", "tall", "native"])
def test_words_never_meet_in_the_eruption(name, eruption):
    # TRUTH  the demonstration's eruption, measured: in every picture all boxes of words are disjoint and
    # inside the margins, the front's label shows in every picture that shows the front, and no leader is
    # longer than six letters are high.
    run = replace(
        eruption,
        settings=change_settings(eruption.settings, {"clip.view": name, "clip.title": "An eruption"}),
    )
    studio = _prepare(run)
    page = make_page(studio.view, 2)
    annotation = annotate(run, studio.view, page, studio.busy_tone, studio.time_s)
    assert any(trail.label is not None for trail in annotation.trails)
    for trail in annotation.trails:
        assert trail.label is None or _away(trail.label, trail.points_px).min() <= 6.0 * page.unit
    for shot in studio.shots:
        boxes = label_boxes(annotation, shot.time_s)
        assert all(
            front_label(marker, shot.time_s) is None or front_label(marker, shot.time_s)[1] in boxes
            for marker in annotation.fronts
        )
        assert not [pair for pair in combinations(boxes, 2) if overlaps(*pair)]
        for box in boxes:
            assert min(box.left, box.top) >= 0.9 * page.margin
            assert box.right <= page.width - 0.9 * page.margin
            assert box.bottom <= page.height - 0.9 * page.margin
