"""The figures say what the records say, fit on their sheet, and are the same every time."""

import re
import subprocess
import sys
from dataclasses import replace
from functools import lru_cache
from itertools import combinations
from pathlib import Path
from types import SimpleNamespace

import cv2
import matplotlib
import numpy as np
import pytest
from matplotlib.dates import num2date
from matplotlib.quiver import Quiver
from matplotlib.text import Text

import promtrack.show
from promtrack.motion.records import OWN_PATH
from promtrack.show.figure_files import save_vector
from promtrack.show.figure_heights import height_time
from promtrack.show.figure_lock import registration_check
from promtrack.show.figure_map import knot_map
from promtrack.show.figure_montage import strip_montage
from promtrack.show.figure_slits import even_times, time_distance
from promtrack.show.figure_speeds import speed_histogram, speed_time
from promtrack.show.figure_style import DARK, LIGHT, themed
from promtrack.show.figures import FIGURE_NAMES, SHEETS, draw_figures
from promtrack.show.map_view import fitting_aspect, map_of, moment_of
from promtrack.show.numbers import degrees
from promtrack.show.verdict import PLANE_OF_SKY, speed_error, speed_text
from promtrack.strip.records import Strip

SHOWS_SPEEDS = {"summary", "height_time", "speed_time", "knot_map", "speed_histogram", "time_distance"}


@lru_cache(maxsize=32)
def sheet_of(name, measured):
    """A light sheet, drawn once for all tests that only look at it (records compare by identity)."""
    with themed(LIGHT):
        figure = SHEETS[name](measured, LIGHT)
        figure.canvas.draw()
    return figure


def visible_texts(figure):
    """Texts that are drawn: matplotlib keeps hidden ones, and tick labels beyond the limits."""
    renderer = figure.canvas.get_renderer()
    found = []
    for text in figure.findobj(Text):
        if not (text.get_visible() and text.get_text().strip()):
            continue
        axes = text.axes
        if axes is not None and not axes.axison and text not in axes.texts:
            continue
        found.append(
            (text, Text.get_window_extent(text, renderer))
        )  # of an annotation the words alone, without its arrow
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            hidden = {
                id(t)
                for tick in axis.get_major_ticks() + axis.get_minor_ticks()
                for t in (tick.label1, tick.label2)
            }
            if axis.get_visible() and axes.axison:
                low, high = sorted(axis.get_view_interval())
                hidden -= {
                    id(tick.label1) for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high
                }
            else:
                hidden.add(id(axis.label))
            found = [(text, box) for text, box in found if id(text) not in hidden]
    return found


def test_every_figure_in_both_themes_and_formats(drawn):
    expected = [
        f"{name}{suffix}.{kind}"
        for name in FIGURE_NAMES
        for suffix in ("", "_dark")
        for kind in ("png", "svg")
    ]
    assert [path.name for path in drawn.paths] == expected
    assert sorted(path.name for path in drawn.folder.iterdir()) == sorted(
        [*expected, "notes.txt"]
    )  # no .part, nothing stale
    assert drawn.calls == [(i, len(FIGURE_NAMES) * 2) for i in range(1, len(FIGURE_NAMES) * 2 + 1)]
    assert drawn.settings_kept


def test_png_has_the_resolution_asked_for(drawn):
    # 13.333 x 7.5 inches, the common wide slide, at 200 dpi
    for path in drawn.paths:
        if path.suffix == ".png":
            assert cv2.imread(str(path)).shape == (1500, 2666, 3)


def test_themes_differ_in_background(drawn):
    folder = drawn.folder
    light, dark = (
        cv2.imread(str(folder / f"height_time{suffix}.png"))[5, 5].mean() for suffix in ("", "_dark")
    )
    assert light > 240
    assert dark < 30


def test_dark_svg_is_what_drawing_it_dark_gives(drawn, measured_fake, tmp_path):
    # TWIN  the recoloured file against the sheet drawn anew in dark colours.
    with themed(DARK):
        save_vector(height_time(measured_fake, DARK), tmp_path / "height_time_dark.svg", measured_fake)
    # Names of reused shapes are digests of shape and colour, so they differ; nothing else may.
    ours, twin = (
        re.sub(r"\b[mph][0-9a-f]{10}\b", "name", (folder / "height_time_dark.svg").read_text())
        for folder in (drawn.folder, tmp_path)
    )
    assert ours == twin


def test_same_run_same_bytes_whatever_the_users_own_settings(measured_fake, tmp_path):
    for number, own in enumerate(
        ({}, {"font.size": 5, "axes.facecolor": "red", "svg.fonttype": "none", "lines.linewidth": 9})
    ):
        (tmp_path / str(number)).mkdir()
        with matplotlib.rc_context(own), themed(LIGHT):
            save_vector(
                speed_time(measured_fake, LIGHT), tmp_path / str(number) / "speeds.svg", measured_fake
            )
    first, second = (path.read_bytes() for path in tmp_path.rglob("*.svg"))
    assert first == second


def test_drawing_needs_no_window_system():
    code = "import sys, promtrack.show.figures; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_only_the_figure_modules_know_the_plotting_library():
    root = Path(promtrack.show.__file__).parent.parent
    found = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*.py")
        if re.search(r"^\s*(import|from) matplotlib", path.read_text(encoding="utf-8"), flags=re.M)
    }
    assert found
    assert all(name.startswith("show/figure") for name in found)


@pytest.mark.parametrize("name", SHEETS)
@pytest.mark.parametrize("run", ["measured_fake", "measured_still"])
def test_texts_are_large_inside_the_sheet_and_apart(name, run, request):
    figure = sheet_of(name, request.getfixturevalue(run))
    width, height = figure.canvas.get_width_height()
    texts = visible_texts(figure)
    assert len(texts) > 5
    for text, box in texts:
        assert text.get_fontsize() >= 16, text.get_text()
        assert box.x0 >= -1, text.get_text()
        assert box.x1 <= width + 1, text.get_text()
        assert box.y0 >= -1, text.get_text()
        assert box.y1 <= height + 1, text.get_text()
    for (one, box), (other, other_box) in combinations(texts, 2):
        overlap = (
            min(box.x1, other_box.x1) - max(box.x0, other_box.x0),
            min(box.y1, other_box.y1) - max(box.y0, other_box.y0),
        )
        # two pixels of empty room belong to the box of a text
        assert min(overlap) <= 2, f"{one.get_text()!r} over {other.get_text()!r} by {overlap}"


@pytest.mark.parametrize("name", SHEETS)
def test_every_axis_has_a_unit(name, measured_fake):
    # Words that are themselves the unit or need none: counts, and the two rows of names below the histogram.
    bare = {"knots", "each knot\n± 1 sigma"}
    figure = sheet_of(name, measured_fake)
    shared = " ".join(text.get_text() for text in figure.texts)
    for axes in figure.axes:
        if not axes.axison:
            continue
        for axis in (axes.xaxis, axes.yaxis):
            label = axis.label.get_text()
            if label and label not in bare:
                assert "(" in label or label.startswith("UTC"), label
    if name == "strip_montage":
        assert "height (Mm)" in shared
        assert "position angle (degrees)" in shared


@pytest.mark.parametrize("name", SHEETS)
def test_note_on_speeds_stands_once_where_speeds_are_shown(name, measured_fake):
    texts = [text.get_text() for text, _ in visible_texts(sheet_of(name, measured_fake))]
    assert texts.count(PLANE_OF_SKY) == (1 if name in SHOWS_SPEEDS else 0)


def test_time_axis_is_utc(measured_fake):
    axes = sheet_of("height_time", measured_fake).axes[1]
    assert axes.get_xlabel() == "UTC, 2026-06-21"
    labels = {tick.get_loc(): tick.label1.get_text() for tick in axes.xaxis.get_major_ticks()}
    assert len(labels) >= 3
    for place, label in labels.items():
        assert num2date(place).strftime("%H:%M") == label


def test_heights_errors_and_residuals_are_those_of_the_records(measured_fake):
    top, below = sheet_of("height_time", measured_fake).axes
    moving = [measured_fake.motion.fronts[0], *(knot for knot in measured_fake.motion.knots if knot.moving)]
    assert len(top.containers) == len(below.containers) == len(moving)
    for container, residual, track in zip(top.containers, below.containers, moving, strict=True):
        points, _, (bars,) = container.lines
        assert np.asarray(points.get_ydata()) == pytest.approx(track.height_mm)
        halves = [0.5 * np.ptp(segment[:, 1]) for segment in bars.get_segments()]
        assert halves == pytest.approx(list(track.height_err_mm))
        pulls = np.asarray(residual.lines[0].get_ydata()) / track.height_err_mm
        # TRUTH  noise is Gaussian with the stated error; chi squared of 20 points or more within 4 standard
        # errors
        assert np.mean(pulls**2) == pytest.approx(1.0, abs=4 * np.sqrt(2 / len(pulls)))


def test_histogram_counts_every_moving_knot(measured_fake):
    top = sheet_of("speed_histogram", measured_fake).axes[0]
    assert sum(bar.get_height() for container in top.containers for bar in container) == 5


def test_arrows_are_the_way_covered(measured_fake):
    # TRUTH  an arrow's length in Mm over its time is the speed: at 0.06 Mm a minute for each km/s. The
    # curvature of the limb along an arrow changes this by less than 1 %.
    figure = sheet_of("knot_map", measured_fake)
    (arrows,) = (found for found in figure.findobj(Quiver))
    minutes = float(
        next(t.get_text() for t in figure.texts if "way covered" in t.get_text()).split(" in ")[-1].split()[0]
    )
    speeds = [knot.fit.speed_km_s for knot in measured_fake.motion.knots if knot.moving]
    assert np.hypot(arrows.U, arrows.V) / (0.06 * minutes) == pytest.approx(speeds, rel=0.01)
    assert np.asarray(arrows.get_array()) == pytest.approx(speeds)
    # TRUTH  the prominence stands at position angle 78 on the east limb, so that outward is to the left,
    # north being up
    assert arrows.U[2] < 0.0  # knot 3 rises
    assert arrows.U[0] > 0.0  # knot 1 falls


def test_map_shows_what_moves_and_keeps_its_proportions(measured_fake):
    for aspect in (1.0, 2.0, 3.3):
        area = map_of(measured_fake, aspect)
        assert area.width_mm / area.height_mm == pytest.approx(aspect)
        assert area.view.width / area.view.height == pytest.approx(aspect, rel=0.01)  # whole pixels


def test_montage_reads_twelve_single_strips(measured_fake, monkeypatch):
    read, asked = Strip.read, []
    monkeypatch.setattr(
        Strip,
        "read",
        lambda strip, first=0, last=None: (asked.append((first, last)), read(strip, first, last))[1],
    )
    with themed(LIGHT):
        strip_montage(measured_fake, LIGHT)
    assert len(asked) == 12
    assert all(last - first == 1 for first, last in asked)
    assert asked[0][0] == 0
    assert asked[-1][1] == len(measured_fake.strip)


def test_angles_are_called_what_they_are(measured_fake):
    unknown = replace(
        measured_fake, orientation=replace(measured_fake.orientation, position_angles=False, sign=1)
    )
    for draw in (strip_montage, time_distance, knot_map):
        with themed(LIGHT):
            words = " ".join(
                text.get_text().replace("\n", " ") for text in draw(unknown, LIGHT).findobj(Text)
            )
        assert "position angle" not in words
        assert draw is knot_map or "image angle" in words
        assert draw is not knot_map or "image up" in words


def test_gaps_stay_gaps_in_time_distance_diagrams(measured_fake):
    slit = measured_fake.motion.slits[0]
    picture, first, last = even_times(slit)
    step = (last - first) / picture.shape[1]
    assert step == pytest.approx(30.0, rel=0.02)  # the cadence of the run
    middle = first + step * (np.arange(picture.shape[1]) + 0.5)
    distance = np.abs(middle[:, None] - slit.time_s).min(axis=1)
    assert np.isnan(picture).all(axis=0) == pytest.approx(distance > 0.75 * step)
    seen = int(np.flatnonzero(distance < 1.0)[10])
    assert picture[:, seen] == pytest.approx(slit.value[np.abs(slit.time_s - middle[seen]).argmin()])


def test_the_title_of_the_ridges_counts_what_the_table_lists(measured_fake):
    # TRUTH  two ridges of the run are drawn, one of them with a knot; three more lie along knots' own paths,
    # two with the knot's speed.
    motion = measured_fake.motion
    own = [replace(motion.ridges[0], slit=OWN_PATH, knot=knot, agrees=knot < 4) for knot in (2, 3, 4)]
    falling = replace(motion.ridges[1], speed_km_s=-50.0)
    for ridges, title in (
        ((motion.ridges[0], falling, *own), "Ridge and knot give the same speed in 3 of 4 cases (1 drawn)"),
        (tuple(own[:1]), "No ridge stands out along these paths"),
        (motion.ridges, "Ridge and knot give the same speed"),
    ):
        sheet = sheet_of("time_distance", replace(measured_fake, motion=replace(motion, ridges=ridges)))
        assert sheet.texts[0].get_text() == title
        assert all(box.x1 <= sheet.canvas.get_width_height()[0] for _, box in visible_texts(sheet))
        labels = [text.get_text() for axes in sheet.axes for text in axes.texts]
        assert any(label.startswith("−50.0 ± 2.6 km/s") for label in labels) is (falling in ridges)


def test_registration_check_gives_the_verdict_in_words(measured_fake):
    poor = replace(measured_fake, lock=replace(measured_fake.lock, centre_err_px=np.full(44, 2.0)))
    for measured, words in (
        (measured_fake, "The lock can be trusted"),
        (poor, "The lock should not be trusted"),
    ):
        with themed(LIGHT):
            texts = [text.get_text() for text in registration_check(measured, LIGHT).texts]
        assert words in texts[0]
        assert "2 × limb too faint: thin cloud" in texts


def doubtful(measured):
    """The same run with a burnt-out disc, no turn, no front, and a cadence too slow for any of its knots."""
    lock = replace(measured.lock, angle_deg=np.full(44, 1e-18), edge_bias_px=3.1)
    control = replace(measured.motion.control, sure_km_s=1.0)
    return replace(measured, lock=lock, motion=replace(measured.motion, control=control, fronts=()))


def test_where_nothing_turns_words_stand_in_place_of_a_plot(measured_fake):
    # TRUTH  the fake run turns by 0.05 degrees, ten times its error; the other by rounding only.
    counts = {}
    for name, measured in (("turns", measured_fake), ("still", doubtful(measured_fake))):
        figure = sheet_of("registration_check", measured)
        counts[name] = len(figure.axes)
        words = " ".join(text.get_text() for text in figure.texts)
        assert ("an equatorial mount\ndoes not turn the field (± 0.006°)" in words) is (name == "still")
        assert all(box.x1 <= figure.canvas.get_width_height()[0] for _, box in visible_texts(figure))
    assert counts["turns"] == counts["still"] + 1


def test_doubts_are_on_every_sheet_that_quotes_the_number(measured_fake):
    # TRUTH  3.1 px of 870 km are 2.7 Mm; what is said in the verdict is said on slide and sheets too.
    run = doubtful(measured_fake)
    for name in ("summary", "height_time", "strip_montage", "time_distance"):
        words = " ".join(text.get_text() for text in sheet_of(name, run).texts)
        assert "Heights above the burnt-out limb, up to 2.7 Mm outside the H-alpha limb" in words
    slide = [text.get_text() for text in sheet_of("summary", run).texts]
    assert "unsure: cadence too slow" in slide
    assert slide[0].startswith("The fastest knot seems to move at ")
    assert "unsure: cadence too slow" not in [
        text.get_text() for text in sheet_of("summary", measured_fake).texts
    ]


def test_one_bad_point_does_not_flatten_the_rest(measured_fake):
    # TRUTH  a front's height with an error of 90 Mm: its value stays on the axes, its bar runs off, and the
    # axes grow by less than a half.
    def ranges(run):
        figure = sheet_of("height_time", run)
        return [np.ptp(axes.get_ylim()) for axes in figure.axes[:2]], figure.axes[0].get_ylim()

    front = measured_fake.motion.fronts[0]
    errors = front.height_err_mm.copy()
    errors[3] = 90.0
    bad = replace(
        measured_fake, motion=replace(measured_fake.motion, fronts=(replace(front, height_err_mm=errors),))
    )
    (usual, _), (spoiled, (low, high)) = ranges(measured_fake), ranges(bad)
    assert all(wide < 1.5 * narrow for wide, narrow in zip(spoiled, usual, strict=True))
    assert low < front.height_mm.min() < front.height_mm.max() < high


def test_nothing_moving_is_said(measured_still):
    for draw, words in (
        (height_time, "Nothing moves significantly"),
        (speed_time, "grey: tracks that do not beat rest"),
        (speed_histogram, "No moving knots"),
        (knot_map, "No knot moves significantly"),
        (time_distance, "No time-distance diagram"),
    ):
        with themed(LIGHT):
            assert words in [text.get_text() for text in draw(measured_still, LIGHT).findobj(Text)]


def test_a_run_without_any_track_can_be_drawn(measured_still, tmp_path):
    bare = replace(
        measured_still,
        motion=replace(measured_still.motion, knots=()),
        settings=replace(
            measured_still.settings,
            figures=replace(measured_still.settings.figures, theme="dark", vector="pdf", dpi=60),
        ),
    )
    paths = draw_figures(bare, tmp_path)
    assert len(paths) == 2 * len(SHEETS)
    assert all(path.stem.endswith("_dark") for path in paths)
    assert all(path.read_bytes().startswith(b"%PDF") for path in paths if path.suffix == ".pdf")


def crowded(measured):
    """The run with 40 more moving knots side by side, ridges on top of one another, and angles past 360."""
    knot = next(knot for knot in measured.motion.knots if knot.moving)
    ridge = measured.motion.ridges[0]
    more = tuple(
        replace(
            knot,
            knot=100 + number,
            angle_deg=knot.angle_deg + 0.02 * number,
            fit=replace(knot.fit, speed_km_s=60.0 + number, speed_err_km_s=np.nan if number % 2 else 2.0),
        )
        for number in range(40)
    )
    ridges = tuple(
        replace(ridge, speed_km_s=ridge.speed_km_s + number, speed_err_km_s=0.5) for number in range(4)
    )
    lock = measured.lock
    reason = tuple(
        f"{lock.names[0]}: no limb, only even light at 0.2 % of full scale (cloud, a closed cover or the Sun outside)"
        for _ in lock.names
    )
    motion = replace(measured.motion, knots=(*measured.motion.knots, *more), ridges=ridges)
    return replace(measured, motion=motion, lock=replace(lock, reason=reason))


@pytest.fixture(scope="module")
def measured_crowded(measured_fake):
    return crowded(measured_fake)


@pytest.mark.parametrize("name", SHEETS)
def test_crowded_sheets_keep_their_texts_apart(name, measured_crowded):
    test_texts_are_large_inside_the_sheet_and_apart(
        name, "run", SimpleNamespace(getfixturevalue=lambda _: measured_crowded)
    )


@pytest.mark.parametrize("run", ["measured_fake", "measured_crowded"])
def test_labels_stay_on_their_own_picture(run, request):
    # no label of a ridge or of an arc leaves its axes, and none of the registration check reaches its picture
    for name in ("time_distance", "knot_map", "summary"):
        figure = sheet_of(name, request.getfixturevalue(run))
        renderer = figure.canvas.get_renderer()
        for axes in figure.axes:
            for text in axes.texts:
                box, room = text.get_window_extent(renderer), axes.bbox
                assert room.x0 - 1 <= box.x0 < box.x1 <= room.x1 + 1, text.get_text()
                assert room.y0 - 1 <= box.y0 < box.y1 <= room.y1 + 1, text.get_text()
    figure = sheet_of("registration_check", request.getfixturevalue(run))
    picture, *plots = figure.axes
    for axes in plots:
        assert axes.yaxis.label.get_window_extent().x0 > picture.bbox.x1


def test_what_the_lock_leaves_open_stands_on_the_registration_check(measured_fake):
    crept = replace(measured_fake.lock, creep_err_px=np.full(44, 0.4), edge_bias_px=3.8)
    measured = replace(
        measured_fake, lock=crept, orientation=replace(measured_fake.orientation, position_angles=False)
    )
    texts = " ".join(text.get_text() for text in registration_check(measured, LIGHT).texts)
    assert "Not known: refraction, north, the true limb to 3.8 px" in texts.replace("\n", " ")


def test_a_rough_edge_of_another_size_is_no_lock_to_trust(measured_fake):
    rough = replace(measured_fake.lock, limb_rms_px=np.full(44, 4.0))
    measured = replace(measured_fake, lock=rough, scale=replace(measured_fake.scale, agrees=False))
    texts = " ".join(text.get_text() for text in registration_check(measured, LIGHT).texts)
    assert "should not be trusted" in texts
    assert "whether this is the limb" in texts


def test_reasons_are_told_in_full(measured_crowded):
    texts = [text.get_text().strip() for text in sheet_of("registration_check", measured_crowded).texts]
    assert measured_crowded.lock.reason[0] in " ".join(texts)


def test_grey_tracks_are_named_above_the_data(measured_crowded):
    for name, place in (("height_time", 0), ("summary", 1)):
        axes = sheet_of(name, measured_crowded).axes[place]
        title = axes._right_title
        assert "more tracks" in title.get_text()
        assert title.get_window_extent().y0 >= axes.bbox.y1


def test_a_range_that_goes_on_ends_in_an_arrow(measured_fake):
    # PUBLISHED  coronal rain reaches 200 km/s (see USUAL_RANGES); the axis of this run ends before, that of
    # fast knots does not.
    fast = crowded(measured_fake)
    knots = tuple(replace(knot, fit=replace(knot.fit, speed_km_s=220.0)) for knot in fast.motion.knots)
    for measured, arrows in (
        (measured_fake, 1),
        (replace(fast, motion=replace(fast.motion, knots=knots)), 0),
    ):
        with themed(LIGHT):
            top = speed_histogram(measured, LIGHT).axes[0]
        assert (top.get_xlim()[1] < 200.0) == bool(arrows)
        assert sum(line.get_marker() == ">" for line in top.lines) == arrows


def test_angles_are_shown_within_the_circle(measured_fake):
    # TRUTH  366.9 degrees is 6.9; -0.02 is 0.0, not 360.0.
    assert [degrees(angle) for angle in (366.9, -0.02, 359.96, 720.0, -8.0)] == [
        "6.9°",
        "0.0°",
        "0.0°",
        "0.0°",
        "352.0°",
    ]
    slits = tuple(replace(slit, angle_deg=slit.angle_deg + 360.0) for slit in measured_fake.motion.slits)
    strip = measured_fake.strip
    strip = replace(strip, geometry=replace(strip.geometry, from_deg=352.0))
    turned = replace(measured_fake, motion=replace(measured_fake.motion, slits=slits), strip=strip)
    with themed(LIGHT):
        titles = [axes.get_title(loc="left") for axes in time_distance(turned, LIGHT).axes]
        figure = strip_montage(turned, LIGHT)
        figure.canvas.draw()
    for angle in re.findall(r"(-?[\d.]+)°", " ".join(titles)):
        assert 0.0 <= float(angle) < 360.0
    labels = [
        float(label.get_text())
        for axes in figure.axes
        for label in axes.get_xticklabels()
        if label.get_text()
    ]
    assert 0.0 in labels
    assert max(labels) < 360.0
    assert min(labels) >= 0.0


def test_map_stays_inside_a_narrow_frame(measured_fake):
    # TRUTH  north up, a frame of 640 x 240 px stands on its short side: the map is made narrower instead of
    # showing what is beyond.
    lock = replace(measured_fake.lock, shape=(measured_fake.lock.shape[0] // 2, measured_fake.lock.shape[1]))
    aspect = fitting_aspect(replace(measured_fake, lock=lock), 2.0)
    area = map_of(replace(measured_fake, lock=lock), aspect)
    assert aspect < 2.0
    assert area.width_mm <= 1.1 * 240 * 0.87  # 870 km a pixel; the frame stands 12 degrees askew


def test_map_shows_the_moment_of_the_motion(measured_fake, measured_still):
    # TRUTH  of all frames the one shown lies in the spans of as many moving knots as any does; where nothing
    # moves it is the reference.
    knots = [knot for knot in measured_fake.motion.knots if knot.moving]
    time = dict(zip(measured_fake.strip.frame.tolist(), measured_fake.strip.time_s.tolist(), strict=True))

    def seen(frame):
        return sum(knot.time_s[0] <= time[frame] <= knot.time_s[-1] for knot in knots)

    assert seen(moment_of(measured_fake)) == max(map(seen, time))
    assert moment_of(measured_still) == measured_still.lock.reference
    front = measured_fake.motion.fronts[0]
    alone = replace(measured_fake, motion=replace(measured_fake.motion, knots=()))
    assert moment_of(alone) == front.frame[np.argmax(front.height_mm)]


def test_height_labels_of_the_map_stand_apart(measured_fake):
    # at least the width of a letter (0.6 of 16 points at 100 dots an inch: 13 px) between two in a line
    figure = sheet_of("knot_map", measured_fake)
    boxes = [
        text.get_window_extent()
        for text in figure.axes[0].texts
        if text.get_text().endswith(" Mm") or text.get_text() == "limb"
    ]
    assert len(boxes) > 2
    for one, other in combinations(boxes, 2):
        side = max(one.x0, other.x0) - min(one.x1, other.x1)
        above = max(one.y0, other.y0) - min(one.y1, other.y1)
        assert side >= 13 or above >= 0


def test_numbers_read_alone_carry_the_whole_error(measured_fake):
    # TWIN  chance and systematic parts in quadrature, for the front from scale and clock
    front, motion = measured_fake.motion.fronts[0], measured_fake.motion
    systematic = front.best.peak_speed_km_s * np.hypot(motion.scale_err, motion.clock_err)
    assert speed_error(measured_fake, front) == pytest.approx(
        np.hypot(front.best.peak_speed_err_km_s, systematic)
    )
    knot = motion.knots[0]
    assert speed_error(measured_fake, knot) == pytest.approx(
        np.hypot(knot.fit.speed_err_km_s, knot.fit.systematic_km_s)
    )
    words = " ".join(text.get_text() for text in sheet_of("height_time", measured_fake).texts)
    assert speed_text(measured_fake, front) in words


def test_speed_sheet_says_its_conventions(measured_fake):
    words = " ".join(text.get_text() for text, _ in visible_texts(sheet_of("speed_time", measured_fake)))
    for part in (
        "bands of 1 sigma",
        "mark at mid-time",
        "slopes over 5 heights",
        "free fall: −",
        "the front's mean",
    ):
        assert part in words
