"""The figures say what the records say, fit on their sheet, and are the same every time."""

import re
import subprocess
import sys
from dataclasses import replace
from functools import lru_cache
from itertools import combinations, pairwise
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import num2date
from matplotlib.figure import Figure
from matplotlib.patches import Circle, FancyArrowPatch
from matplotlib.text import Text

import promtrack.show
from promtrack.motion.interpretation import label_motion
from promtrack.rounding import degrees
from promtrack.settings_text import change_settings
from promtrack.show.figures import SHEETS, draw_figures, drawn_sheets, map_view, missing_sheets
from promtrack.show.figures.files import Drawing, save_sheet
from promtrack.show.figures.items import write_beside
from promtrack.show.figures.map_view import fitting_aspect, growth_frames, map_of, moment_of
from promtrack.show.figures.strips import even_times
from promtrack.show.figures.style import DARK, LIGHT, themed
from promtrack.show.findings import heights_title, run_title
from promtrack.show.quoted import moving_knots, named_tracks, speed_of
from promtrack.show.verdict import PLANE_OF_SKY

NAMES = [sheet.name for sheet in SHEETS]
POINTS = ("frame", "time_s", "height_mm", "height_err_mm", "angle_deg", "along_mm", "along_err_mm", "snr")
POINTS += ("curve_mm", "curve_angle_deg", "speed_km_s", "speed_err_km_s")  # arrays of a knot
SHOWS_SPEEDS = {"summary", "height_time", "speed_time", "knot_map", "time_distance"}


def drawing(name):
    """The function that draws a sheet."""
    return next(sheet for sheet in SHEETS if sheet.name == name).load()


@lru_cache(maxsize=32)
def sheet_of(name, measured):
    """A light sheet, drawn once for all tests that only look at it (records compare by identity)."""
    with themed(LIGHT):
        figure = drawing(name)(measured, LIGHT)
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


def test_every_figure_in_both_themes_and_formats(drawn, measured_fake):
    names = [sheet.name for sheet in drawn_sheets(measured_fake)]
    assert names == NAMES  # the run has something to say in each
    expected = []
    for sheet in SHEETS:
        expected += [f"{sheet.name}{suffix}.{kind}" for suffix in ("", "_dark") for kind in ("png", "svg")]
    assert [path.name for path in drawn.paths] == expected
    # no half-written file, nothing stale, and what is not ours stays
    assert sorted(path.name for path in drawn.folder.iterdir()) == sorted([*expected, "notes.txt"])
    assert drawn.calls == [(i, len(names)) for i in range(1, len(names) + 1)]
    assert drawn.settings_kept


def test_a_figure_with_nothing_to_say_is_not_drawn(measured_still, measured_fake):
    still = [sheet.name for sheet in drawn_sheets(measured_still)]
    assert still == ["summary", "prominences", "strip_montage", "registration_check"]
    assert "height against time" in missing_sheets(measured_still)
    assert "no motion could be shown" in missing_sheets(measured_still)
    assert missing_sheets(measured_fake) == ""


def test_png_has_the_resolution_asked_for(drawn):
    # 13.333 x 7.5 inches, the common wide slide, at 60 dpi; for a phone 6.4 inches wide
    for path in drawn.paths:
        if path.suffix == ".png":
            rows, columns, _ = cv2.imread(str(path)).shape
            assert columns == 384 if "narrow" in path.stem else (rows, columns) == (450, 799)


@pytest.mark.parametrize("name", ["height_time", "registration_check"])
def test_the_dark_sheet_is_what_drawing_it_dark_gives(name, measured_fake):
    # TWIN  the light sheet with its colours exchanged against the sheet drawn anew in dark colours
    with themed(LIGHT):
        sheet = Drawing(drawing(name)(measured_fake, LIGHT), 40)
        sheet.recolour(LIGHT, DARK)
        ours = np.asarray(sheet.buffer_rgba())[..., :3].astype(int)
    with themed(DARK):
        figure = drawing(name)(measured_fake, DARK)
        figure.set_dpi(40)
        figure.canvas.draw()
        twin = np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)
    assert np.abs(ours - twin).max() <= 1


def test_svg_and_png_of_a_theme_have_the_same_colours(drawn):
    # TRUTH  paper of the dark theme in both, and nothing of the light one
    for path in drawn.paths:
        text = path.read_text(encoding="utf-8") if path.suffix == ".svg" else ""
        dark = path.stem.endswith("_dark")
        if text:
            assert (LIGHT.paper in text) is not dark
            assert (DARK.paper in text) is dark
        else:
            assert bool(cv2.imread(str(path))[5, 5].mean() < 30) is dark


def test_svg_text_is_text(drawn):
    for path in drawn.paths:
        if path.suffix == ".svg":
            text = path.read_text(encoding="utf-8")
            assert "DejaVu Sans', Verdana, sans-serif" in text
            assert len(re.findall(r"<text ", text)) > 2  # outlined words on pictures are drawings


def test_same_run_same_bytes_whatever_the_users_own_settings(measured_fake, tmp_path):
    for number, own in enumerate(
        ({}, {"font.size": 5, "axes.facecolor": "red", "svg.fonttype": "path", "lines.linewidth": 9})
    ):
        (tmp_path / str(number)).mkdir()
        with matplotlib.rc_context(own):
            save_sheet("speed_time", drawing("speed_time"), measured_fake, tmp_path / str(number))
    for path in (tmp_path / "0").iterdir():
        assert path.read_bytes() == (tmp_path / "1" / path.name).read_bytes()


def test_the_plotting_library_is_loaded_when_something_is_drawn():
    code = "import sys, promtrack.show.figures, promtrack.show.report; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
    root = Path(promtrack.show.__file__).parent.parent
    found = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*.py")
        if re.search(r"^\s*(import|from) matplotlib", path.read_text(encoding="utf-8"), flags=re.M)
    }
    assert found
    assert all(name.startswith("show/figures/") for name in found)


def drawn_apart(figure):
    """Every text is large, inside the sheet, and covers no other."""
    width, height = figure.canvas.get_width_height()
    texts = visible_texts(figure)
    assert len(texts) > 5
    for text, box in texts:
        assert text.get_fontsize() >= 16, text.get_text()
        assert box.x0 >= -1, text.get_text()
        assert box.x1 <= width + 1, text.get_text()
        assert box.y0 >= -1, text.get_text()
        assert box.y1 <= height + 1, text.get_text()
    for text in figure.texts:  # what stands on the sheet itself keeps its margin
        box = text.get_window_extent()
        assert 0.025 * width <= box.x0 < box.x1 <= 0.975 * width, text.get_text()
    for (one, box), (other, other_box) in combinations(texts, 2):
        across = min(box.x1, other_box.x1) - max(box.x0, other_box.x0)
        up = min(box.y1, other_box.y1) - max(box.y0, other_box.y0)
        # two pixels of empty room belong to the box of a text
        assert min(across, up) <= 2, f"{one.get_text()!r} over {other.get_text()!r} by {across}, {up}"


@pytest.fixture(scope="module")
def measured_burnt(measured_fake):
    """A burnt-out limb, which takes more words than any other, and a ridge of no knot on each path."""
    motion = measured_fake.motion
    (lone,) = (ridge for ridge in motion.ridges if not ridge.knot)
    ridges = (*motion.ridges, *(replace(lone, slit=number) for number in range(len(motion.slits))))
    lock = replace(measured_fake.lock, edge_bias_px=3.1)
    return replace(measured_fake, lock=lock, motion=replace(motion, ridges=ridges))


@pytest.mark.parametrize("run", ["measured_fake", "measured_still", "measured_burnt"])
@pytest.mark.parametrize("name", NAMES)
def test_texts_are_large_inside_the_sheet_and_apart(name, run, request):
    measured = request.getfixturevalue(run)
    for sheet in drawn_sheets(measured):
        if name == sheet.name:
            drawn_apart(sheet_of(name, measured))


@pytest.mark.parametrize("name", NAMES)
def test_note_on_speeds_stands_once_where_speeds_are_shown(name, measured_fake):
    texts = [text.get_text() for text, _ in visible_texts(sheet_of(name, measured_fake))]
    assert texts.count(PLANE_OF_SKY) == (1 if name in SHOWS_SPEEDS else 0)


def test_every_axis_has_a_unit(measured_fake):
    for name in set(NAMES) - {"strip_montage"}:
        for axes in sheet_of(name, measured_fake).axes:
            if axes.axison:
                for words in (axes.get_xlabel(), axes.get_title(loc="left") or axes.get_ylabel()):
                    good = "(" in words or words.startswith("UTC") or words in ("", "Lomb-Scargle power")
                    assert good, (name, words)


@pytest.mark.parametrize("span_s", [8.0, 100.0, 900.0, 3600.0, 40_000.0, 400_000.0])
def test_times_never_touch_and_are_utc(span_s, measured_fake):
    # TRUTH  the label of a tick is the time at that tick; labels in a row keep apart
    strip = measured_fake.strip
    step = np.timedelta64(round(span_s / (len(strip) - 1) * 1e6), "us")
    times = np.datetime64("2026-06-21T23:58:57", "us") + np.arange(len(strip)) * step
    run = replace(measured_fake, strip=replace(strip, times_utc=times))
    slits = tuple(replace(slit, time_s=run.strip.time_s[: len(slit.time_s)]) for slit in run.motion.slits)
    run = replace(run, motion=replace(run.motion, slits=slits))
    for name in ("time_distance", "height_time"):
        with themed(LIGHT):
            figure = drawing(name)(run, LIGHT)
            figure.canvas.draw()
        for axes in figure.axes:
            low, high = axes.get_xlim()
            ticks = [tick for tick in axes.xaxis.get_major_ticks() if low <= tick.get_loc() <= high]
            labels = [tick.label1 for tick in ticks if tick.label1.get_visible()]
            assert 1 <= len(ticks) <= 14
            for tick in ticks:
                form = {5: "%m-%d", 8: "%H:%M:%S"}.get(len(tick.label1.get_text()), "%H:%M")
                if "-" not in tick.label1.get_text() and form == "%m-%d":
                    form = "%H:%M"
                assert num2date(tick.get_loc()).strftime(form) == tick.label1.get_text()
            boxes = [label.get_window_extent() for label in labels]
            assert all(one.x1 + 4 < other.x0 for one, other in pairwise(boxes))


def test_two_frames_of_one_time_do_not_stop_a_figure(measured_fake):
    # TRUTH  whole seconds in names: the second strip has the time of the first
    strip = measured_fake.strip
    times = strip.times_utc.copy()
    times[1:] = times[:-1]
    motion = measured_fake.motion
    knots = tuple(replace(k, time_s=np.r_[k.time_s[0], k.time_s[:-1]]) for k in motion.knots)
    fronts = tuple(replace(f, time_s=np.r_[f.time_s[0], f.time_s[:-1]]) for f in motion.fronts)
    slits = tuple(replace(s, time_s=np.r_[s.time_s[0], s.time_s[:-1]]) for s in motion.slits)
    swings = tuple(replace(s, time_s=np.r_[s.time_s[0], s.time_s[:-1]]) for s in motion.oscillations)
    motion = replace(motion, knots=knots, fronts=fronts, slits=slits, oscillations=swings)
    run = replace(measured_fake, strip=replace(strip, times_utc=times), motion=motion)
    for name in NAMES:
        with themed(LIGHT):
            figure = drawing(name)(run, LIGHT)
            figure.set_dpi(40)
            figure.canvas.draw()


def test_heights_errors_and_residuals_are_those_of_the_records(measured_fake):
    top, below = sheet_of("height_time", measured_fake).axes
    tracks = [named.track for named in named_tracks(measured_fake)]
    assert len(top.containers) == len(below.containers) == len(tracks) == 1 + 3
    # TRUTH  every other track, moving or not, is in the grey line, which breaks between tracks
    every = (*measured_fake.motion.knots, *measured_fake.motion.fronts)
    grey = np.sort(np.concatenate([t.height_mm for t in every if t not in tracks]))
    assert sum(knot.moving for knot in measured_fake.motion.knots) > 3
    lines = [np.asarray(line.get_ydata()) for line in top.lines if line.get_color() == LIGHT.quiet]
    assert np.sort(lines[0][np.isfinite(lines[0])]) == pytest.approx(grey)
    assert np.isnan(lines[0]).sum() == len(every) - len(tracks)
    for container, residual, track in zip(top.containers, below.containers, tracks, strict=True):
        points, _, (bars,) = container.lines
        assert np.asarray(points.get_ydata()) == pytest.approx(track.height_mm)
        halves = np.array([0.5 * np.ptp(segment[:, 1]) for segment in bars.get_segments()])
        # TRUTH  total error: random part and 0.6 % from the scale
        assert halves == pytest.approx(np.hypot(track.height_err_mm, 0.006 * track.height_mm))
        pulls = np.asarray(residual.lines[0].get_ydata()) / track.height_err_mm
        # TRUTH  noise is Gaussian with the stated error; chi squared of 20 points or more within 4 standard
        # errors
        assert np.mean(pulls**2) == pytest.approx(1.0, abs=4 * np.sqrt(2 / len(pulls)))


def test_letters_and_colours_are_those_of_everything_else(measured_fake):
    labels = label_motion(measured_fake.motion)
    for name in ("height_time", "speed_time", "knot_map"):
        figure = sheet_of(name, measured_fake)
        words = [text.get_text() for text in figure.texts]
        colours = [line.get_color() for line in figure.findobj(matplotlib.lines.Line2D)]
        assert f"{labels.front(measured_fake.motion.fronts[0])}  leading edge" in words
        assert LIGHT.marks.front in colours
        lettered = [knot for knot in moving_knots(measured_fake) if labels.knot(knot)]
        assert len(lettered) == 3
        for knot in lettered:
            assert f"{labels.knot(knot)}  knot" in words
            assert LIGHT.marks.knot(labels.place(knot)) in colours


def test_the_key_names_every_lettered_track_in_the_order_of_letters(measured_fake):
    names = [
        f"{one.letter}  {'leading edge' if one.place < 0 else 'knot'}" for one in named_tracks(measured_fake)
    ]
    assert len(names) == 1 + 3
    for name in ("height_time", "speed_time", "knot_map"):
        figure = sheet_of(name, measured_fake)
        keyed = [
            text for text in figure.texts if re.fullmatch(r"[A-Z]  (leading edge|knot)", text.get_text())
        ]
        keyed.sort(key=lambda text: -text.get_position()[1])
        assert [text.get_text() for text in keyed] == names
    # TRUTH  in each of the six moments the letters are of the tracks measured in its frame, at most
    letters = {one.letter: set(one.track.frame.tolist()) for one in named_tracks(measured_fake)}
    frames, seen = growth_frames(measured_fake, 6), set()
    for frame, axes in zip(frames, sheet_of("strip_montage", measured_fake).axes, strict=True):
        shown = {text.get_text() for text in axes.texts} & set("ABCDEF") - {"E", "N"}
        assert all(int(frame) in letters[letter] for letter in shown)
        seen |= shown
    assert "A" in seen
    assert len(seen) >= 3


def test_arrows_follow_the_tracks(measured_fake):
    # TRUTH  an arrow's length in Mm over its time is the speed: 0.06 Mm a minute for each km/s. The curvature
    # of the limb along an arrow changes this by less than 1 %.
    figure = sheet_of("knot_map", measured_fake)
    words = next(text.get_text() for text in figure.texts if "arrows: distance in" in text.get_text())
    minutes = float(words.split(" in ")[-1].split()[0])
    now_s = measured_fake.strip.time_s[measured_fake.strip.frame == moment_of(measured_fake)][0]
    arrows = [arrow for arrow in figure.axes[0].patches if isinstance(arrow, FancyArrowPatch)]
    knots = [named.track for named in named_tracks(measured_fake) if named.place >= 0]
    elsewhere = re.findall(r"\b[A-Z]\b", words.partition("; arrows")[2])
    labels = label_motion(measured_fake.motion)
    knots = [knot for knot in knots if labels.knot(knot) not in elsewhere]
    assert len(arrows) == len(knots) == 3
    for arrow, knot in zip(arrows, knots, strict=True):
        path = arrow._path_original.vertices
        length = np.hypot(*np.diff(path, axis=0).T).sum()
        # an accelerated knot's speed over the arrow's time is that of its path at the arrow's middle
        half_s = 30.0 * minutes
        middle = np.clip(now_s, knot.time_s[0] + half_s, knot.time_s[-1] - half_s)
        rise = np.gradient(knot.curve_mm, knot.time_s)
        turn = np.gradient(np.deg2rad(knot.curve_angle_deg), knot.time_s)
        along = turn * (knot.curve_mm + measured_fake.strip.geometry.limb_mm)
        speed = 1e3 * np.interp(middle, knot.time_s, np.hypot(rise, along))
        assert length / (0.06 * minutes) == pytest.approx(speed, rel=0.01)
        # TRUTH  the limb lies level: outward is up
        assert np.sign(path[-1, 1] - path[0, 1]) == np.sign(knot.fit.radial_km_s)


def test_maps_keep_their_proportions_and_their_sense(measured_fake):
    for aspect in (1.0, 2.0, 3.3):
        area = map_of(measured_fake, aspect, np.array([moment_of(measured_fake)]))
        assert area.width_mm / area.height_mm == pytest.approx(aspect)
        assert area.view.width / area.view.height == pytest.approx(aspect, rel=0.01)  # whole pixels
    for name in ("knot_map", "strip_montage", "summary"):
        for number, axes in enumerate(sheet_of(name, measured_fake).axes):
            if not axes.images:
                continue
            # TRUTH  a megametre is as long across as upward, and east stands to the left of north
            across, up = axes.transData.transform([(1.0, 0.0), (0.0, 1.0)]) - axes.transData.transform((0, 0))
            assert across[0] == pytest.approx(up[1], rel=1e-6)
            arms = {text.get_text(): text for text in axes.texts if text.get_text() in ("N", "E")}
            if number and name == "strip_montage":  # six alike would say no more
                assert not arms
                continue
            assert set(arms) == {"N", "E"}
            boxes = {word: text.get_window_extent() for word, text in arms.items()}
            assert boxes["E"].x0 < boxes["N"].x0


def test_the_montage_shows_equal_growth_with_the_earth_to_scale(measured_fake, measured_still):
    # TRUTH  the front's heights at the frames shown rise in equal steps, to half a step of the cadence's own
    front = measured_fake.motion.fronts[0]
    frames = growth_frames(measured_fake, 6)
    heights = np.array([front.height_mm[front.frame == frame][0] for frame in frames])
    steps = np.diff(heights)
    assert len(frames) == 6
    assert steps == pytest.approx(np.ptp(heights) / 5, abs=np.diff(front.height_mm).max())
    figure = sheet_of("strip_montage", measured_fake)
    circles = [patch for axes in figure.axes for patch in axes.patches if isinstance(patch, Circle)]
    assert len(circles) == 6
    # PUBLISHED  nominal equatorial radius of the Earth, 6378.1 km (IAU 2015 Resolution B3), as in the clip
    assert all(circle.radius == pytest.approx(6.3781) for circle in circles)
    still = growth_frames(measured_still, 6)
    assert (
        np.diff(measured_still.strip.time_s[np.isin(measured_still.strip.frame, still)]).max() < 500.0
    )  # gap of 270 s


def test_angles_are_called_what_they_are(measured_fake):
    unknown = replace(
        measured_fake, orientation=replace(measured_fake.orientation, position_angles=False, sign=1)
    )
    for name in ("strip_montage", "time_distance", "knot_map"):
        with themed(LIGHT):
            found = drawing(name)(unknown, LIGHT).findobj(Text)
        words = " ".join(text.get_text().replace("\n", " ") for text in found)
        assert "position angle" not in words
        assert ("image angle" if name == "time_distance" else "image up") in words


def test_gaps_stay_gaps_in_time_distance_diagrams(measured_fake):
    # TRUTH  the run's cadence and its times
    slit = measured_fake.motion.slits[0]
    picture, first, last = even_times(slit)
    step = (last - first) / picture.shape[1]
    assert step == pytest.approx(30.0, rel=0.02)  # the cadence of the run
    middle = first + step * (np.arange(picture.shape[1]) + 0.5)
    distance = np.abs(middle[:, None] - slit.time_s).min(axis=1)
    assert np.isnan(picture).all(axis=0) == pytest.approx(distance > 0.75 * step)
    seen = int(np.flatnonzero(distance < 1.0)[10])
    assert picture[:, seen] == pytest.approx(slit.value[np.abs(slit.time_s - middle[seen]).argmin()])


def test_registration_check_gives_the_verdict_in_words(measured_fake):
    poor = replace(measured_fake, lock=replace(measured_fake.lock, centre_err_px=np.full(44, 2.0)))
    for measured, words in (
        (measured_fake, "! Use the lock with care"),
        (poor, "✗ Do not trust the lock"),
    ):
        texts = [text.get_text() for text in sheet_of("registration_check", measured).texts]
        assert words in texts[0]
        assert "× 2 left out: limb too faint: thin cloud" in texts


def test_where_nothing_turns_no_turn_is_drawn(measured_fake):
    # TRUTH  the fake run turns by 0.05 degrees, ten times its error; the other by rounding only
    still = replace(measured_fake, lock=replace(measured_fake.lock, angle_deg=np.full(44, 1e-18)))
    axes = [len(sheet_of("registration_check", run).axes) for run in (measured_fake, still)]
    assert axes == [4, 3]


def test_prominences_are_drawn_where_and_as_high_as_their_records_say(measured_fake):
    # TRUTH  the records
    figure, named = sheet_of("prominences", measured_fake), measured_fake.motion.prominences
    above, below = figure.axes
    assert min(len(above.lines), len(below.lines)) >= len(named)
    for one, bracket, curve in zip(named, above.lines, below.lines, strict=False):
        assert bracket.get_xdata()[0] % 360.0 == pytest.approx(one.from_deg % 360.0)
        assert bracket.get_ydata()[1] == np.nanmax(one.height_mm)
        heights = curve.get_ydata()
        assert np.array_equal(heights[np.isfinite(heights)], one.height_mm[np.isfinite(one.height_mm)])
    assert len(named) > 0
    assert str(len(named)) in figure.texts[0].get_text()


def test_a_height_that_jumps_breaks_its_curve_and_a_fast_rise_does_not(measured_fake):
    # TRUTH  20 Mm more in one strip; 10 Mm more in every strip
    one = measured_fake.motion.prominences[0]
    still = replace(one, height_mm=np.full(len(one.time_s), 40.0), height_err_mm=np.ones(len(one.time_s)))
    jumps, rises = (np.where(np.arange(len(one.time_s)) == 9, 20.0, 0.0), 10.0 * np.arange(len(one.time_s)))
    gaps = []
    for added in (0.0, jumps, rises):
        found = (replace(still, height_mm=still.height_mm + added),)
        run = replace(measured_fake, motion=replace(measured_fake.motion, prominences=found))
        gaps.append(np.isnan(sheet_of("prominences", run).axes[1].lines[0].get_ydata()).sum())
    assert gaps[1] == gaps[0] + 2
    assert gaps[2] == gaps[0]


def test_no_prominence_no_figure_of_them(measured_fake):
    bare = replace(measured_fake, motion=replace(measured_fake.motion, prominences=()))
    assert "prominences" not in [sheet.name for sheet in drawn_sheets(bare)]
    assert "all prominences: nothing stands above the limb" in missing_sheets(bare)


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


def test_a_run_without_any_track_can_be_drawn(measured_still, tmp_path):
    figures = replace(measured_still.settings.figures, theme="dark", vector="pdf", dpi=60)
    bare = replace(
        measured_still,
        motion=replace(measured_still.motion, knots=()),
        settings=replace(measured_still.settings, figures=figures),
    )
    paths, sheets = draw_figures(bare, tmp_path), drawn_sheets(bare)
    assert len(sheets) == 4
    assert len(paths) == 2 * len(sheets)
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
        f"{lock.names[0]}: no limb, only even light at 0.2 % of full scale (cloud, a closed cover or the "
        "Sun outside)"
        for _ in lock.names
    )
    motion = replace(measured.motion, knots=(*measured.motion.knots, *more), ridges=ridges)
    return replace(measured, motion=motion, lock=replace(lock, reason=reason))


@pytest.fixture(scope="module")
def measured_crowded(measured_fake):
    return crowded(measured_fake)


@pytest.mark.parametrize("name", NAMES)
def test_crowded_sheets_keep_their_texts_apart(name, measured_crowded):
    drawn_apart(sheet_of(name, measured_crowded))


@pytest.mark.parametrize("run", ["measured_fake", "measured_crowded"])
def test_labels_stay_on_their_own_picture(run, request):
    for name in ("time_distance", "knot_map", "summary"):
        figure = sheet_of(name, request.getfixturevalue(run))
        renderer = figure.canvas.get_renderer()
        for axes in figure.axes:
            for text in axes.texts:
                box, room = Text.get_window_extent(text, renderer), axes.bbox
                assert room.x0 - 1 <= box.x0 < box.x1 <= room.x1 + 1, text.get_text()
                assert room.y0 - 1 <= box.y0 < box.y1 <= room.y1 + 1, text.get_text()


def test_angles_are_shown_within_the_circle(measured_fake):
    # TRUTH  366.9 degrees is 6.9; -0.02 is 0.0, not 360.0.
    shown = [degrees(angle) for angle in (366.9, -0.02, 359.96, 720.0, -8.0)]
    assert shown == ["6.9°", "0.0°", "0.0°", "0.0°", "352.0°"]
    slits = tuple(replace(slit, angle_deg=slit.angle_deg + 360.0) for slit in measured_fake.motion.slits)
    turned = replace(measured_fake, motion=replace(measured_fake.motion, slits=slits))
    titles = [axes.get_title(loc="left") for axes in sheet_of("time_distance", turned).axes]
    for angle in re.findall(r"(-?[\d.]+)°", " ".join(titles)):
        assert 0.0 <= float(angle) < 360.0


def test_map_stays_inside_a_narrow_frame(measured_fake):
    # TRUTH  north up, a frame of 640 x 240 px stands on its short side: the map is made narrower instead of
    # showing what is beyond.
    lock = replace(measured_fake.lock, shape=(measured_fake.lock.shape[0] // 2, measured_fake.lock.shape[1]))
    north_up = change_settings(measured_fake.settings, {"clip.level_limb": False})
    run, frames = replace(measured_fake, lock=lock, settings=north_up), np.array([moment_of(measured_fake)])
    aspect = fitting_aspect(run, 2.0, frames)
    assert aspect < 2.0
    # 870 km a pixel; the frame stands 12 degrees askew
    assert map_of(run, aspect, frames).width_mm <= 1.1 * 240 * 0.87


def test_map_shows_the_moment_of_the_motion(measured_fake, measured_still):
    # TRUTH  of all frames the one shown shows as many named tracks as any does, and of those an eruption at
    # its greatest height; where nothing moves it is the reference.
    bare = replace(measured_fake, motion=replace(measured_fake.motion, fronts=()))
    for run in (measured_fake, bare):
        tracks = [named.track for named in named_tracks(run)]
        seen = {frame: sum(frame in t.frame for t in tracks) for frame in run.strip.frame.tolist()}
        shown = moment_of(run)
        assert seen[shown] == max(seen.values())
        if run.motion.fronts:
            (front,) = run.motion.fronts
            heights = dict(zip(front.frame.tolist(), front.height_mm.tolist(), strict=True))
            assert heights[shown] == max(heights.get(one, 0.0) for one in seen if seen[one] == seen[shown])
    assert moment_of(measured_still) == measured_still.lock.reference


def test_arrows_stand_where_the_frame_shows_their_knots(measured_fake):
    # TRUTH  a knot's measured place in the frame shown lies on its arrow, within 1 Mm; beside the letter of a
    # knot that ends before that frame stands when it was last seen
    figure, shown = sheet_of("knot_map", measured_fake), moment_of(measured_fake)
    arrows = [arrow for arrow in figure.axes[0].patches if isinstance(arrow, FancyArrowPatch)]
    area = map_of(measured_fake, _aspect(figure.axes[0]), np.array([shown]))
    knots = [named.track for named in named_tracks(measured_fake) if named.place >= 0]
    for arrow, knot in zip(arrows, knots, strict=True):
        at = knot.frame == shown
        assert at.sum() == 1
        image = np.asarray(measured_fake.orientation.to_image(knot.angle_deg[at]))
        away = np.hypot(*(arrow._path_original.vertices - area.place(image, knot.height_mm[at])).T)
        assert away.min() < 1.0
    gone = replace(knots[0], **{name: getattr(knots[0], name)[:3] for name in POINTS})
    motion = replace(
        measured_fake.motion,
        knots=tuple(gone if knot is knots[0] else knot for knot in measured_fake.motion.knots),
    )
    words = [t.get_text() for t in sheet_of("knot_map", replace(measured_fake, motion=motion)).axes[0].texts]
    assert any(re.fullmatch(r"[A-Z] \d\d:\d\d", word) for word in words)


def _aspect(axes):
    return float(np.ptp(axes.get_xlim()) / np.ptp(axes.get_ylim()))


@pytest.mark.parametrize("leans", [True, False])
def test_a_map_leans_rather_than_cut_what_stands(leans, measured_still, monkeypatch):
    # TRUTH  a prominence 190 Mm high on the limb's left end, in frames that reach a little above it: all of
    # it is on the map, which it would not be on one with a level limb
    if not leans:
        monkeypatch.setattr(map_view, "leaning", lambda turn, orientation: np.array([turn]))
    (one, *_) = measured_still.motion.prominences
    low, high = map(float, measured_still.orientation.to_product(np.array([14.0, 18.0])))
    tall = replace(
        one, from_deg=min(low, high), to_deg=max(low, high), height_mm=np.full(len(one.frame), 190.0)
    )
    run = replace(measured_still, motion=replace(measured_still.motion, prominences=(tall,)))
    frames = np.array([moment_of(run)])
    area = map_of(run, fitting_aspect(run, 1.5, frames), frames)
    place = area.place(np.array([14.0, 18.0, 14.0, 18.0]), np.array([190.0, 190.0, 0.0, 0.0]))
    inside = (place > 0.0) & (place < [area.width_mm, area.height_mm])
    assert inside.all() == leans


def test_numbers_and_titles_are_those_of_the_page(measured_fake):
    front = measured_fake.motion.fronts[0]
    for name, title in (("height_time", heights_title), ("summary", run_title)):
        words = [text.get_text() for text in sheet_of(name, measured_fake).texts]
        assert words[0] == title(measured_fake)
        assert any(speed_of(measured_fake, front).text in text for text in words)


def test_a_ridge_that_nothing_else_followed_has_no_number_but_on_a_path_asked_for(measured_fake):
    # TRUTH  the hand-made run's ridge of no knot, at 50 km/s, alone
    (lone,) = (ridge for ridge in measured_fake.motion.ridges if not ridge.knot)
    run = replace(measured_fake, motion=replace(measured_fake.motion, ridges=(lone,)))
    asked = change_settings(run.settings, {"motion.slits": ["radial:90"]})
    for settings, told in ((run.settings, False), (asked, True)):
        shown = replace(run, settings=settings)
        assert ("time_distance" in [sheet.name for sheet in drawn_sheets(shown)]) == told
        sheet = sheet_of("time_distance", shown)
        assert (
            sheet.texts[0].get_text()
            == ("1 streak (ridge)" if told else "No streaks (ridges)") + " along these paths"
        )
        assert ("50 ± 3 km/s" in " ".join(text.get_text() for text in sheet.findobj(Text))) == told


def test_the_title_of_time_distance_counts_what_is_drawn(measured_fake):
    # TRUTH  a ridge of a knot on each of three paths, of which the sheet shows two; the third disagrees
    knot = next(ridge for ridge in measured_fake.motion.ridges if ridge.knot and not ridge.front)
    ridges = tuple(replace(knot, slit=slit, agrees=slit < 2) for slit in range(3))
    slits = (measured_fake.motion.slits * 3)[:3]
    run = replace(measured_fake, motion=replace(measured_fake.motion, ridges=ridges, slits=slits))
    title = sheet_of("time_distance", run).texts[0].get_text()
    assert title == "Streaks (ridges) confirm a knot's speed in 2 of 2 cases here, 2 of 3 in all"


def test_the_edge_of_a_front_is_no_second_speed_of_it(measured_fake):
    # TRUTH  two pieces of the edge of front A along one path, of its flank: no number of these stands beside
    # that of its top, but on a path that was asked for
    ridge = measured_fake.motion.ridges[0]
    pieces = tuple(replace(ridge, knot=0, front=1, slit=0, speed_km_s=speed) for speed in (-67.0, -25.0))
    run = replace(measured_fake, motion=replace(measured_fake.motion, ridges=pieces))
    assert "time_distance" not in [sheet.name for sheet in drawn_sheets(run)]
    asked = replace(run, settings=change_settings(run.settings, {"motion.slits": ["radial:90"]}))
    words = [text.get_text() for text in sheet_of("time_distance", asked).axes[0].texts]
    assert words
    assert all(re.fullmatch(r"\S+ ± \S+ km/s along this path\nthe edge of front A", word) for word in words)


def test_a_curved_ridge_is_drawn_curved(measured_fake):
    # TRUTH  a parabola of 20 m/s² leaves its chord by an eighth of that times its time squared
    knot = next(ridge for ridge in measured_fake.motion.ridges if ridge.knot and not ridge.front)
    bent = replace(knot, accel_m_s2=20.0)
    run = replace(measured_fake, motion=replace(measured_fake.motion, ridges=(bent,)))
    distance = next(line.get_ydata() for line in sheet_of("time_distance", run).axes[0].lines)
    away = np.linspace(distance[0], distance[-1], len(distance)) - distance
    assert away.max() == pytest.approx(20e-6 / 8.0 * (bent.last_s - bent.first_s) ** 2, rel=0.02)


def test_what_the_title_counts_is_drawn_before_what_nothing_else_followed(measured_fake):
    # TRUTH  a ridge of a knot, of a speed less sure than that of five others on its path
    knot = next(ridge for ridge in measured_fake.motion.ridges if ridge.knot and not ridge.front)
    sure = replace(knot, knot=0, speed_err_km_s=0.1 * knot.speed_err_km_s)
    run = replace(measured_fake, motion=replace(measured_fake.motion, ridges=(*[sure] * 5, knot)))
    texts = [text.get_text() for text in sheet_of("time_distance", run).findobj(Text)]
    assert any(" of 1 case" in text for text in texts)
    assert sum(text.endswith((" agrees then", " differs then")) for text in texts) == 1


@pytest.mark.parametrize("far", [True, False])
def test_a_word_that_stands_far_from_its_line_is_led_to_it(far):
    # TRUTH  dark sky above row 80 of 120, of 4 px each, and a line 40 px below it or inside it: the word
    # stands in the sky, and in the first case alone a thin line of its colour leads down to the line
    axes = FigureCanvasAgg(Figure((8.0, 6.0), dpi=100)).figure.add_axes((0.1, 0.1, 0.8, 0.8))
    light, row = np.zeros((120, 120, 3), np.uint8), 90.0 if far else 40.0
    light[80:] = 250
    axes.imshow(light, aspect="auto")
    write_beside(axes, ["word"], [np.array([[50.0, row], [70.0, row]])], ["#ff0000"])
    assert axes.texts[0].get_position()[1] > 1.0 / 3.0
    assert [line.get_color() for line in axes.lines] == ["#ff0000"] * far
    for line in axes.lines:
        end = axes.transData.inverted().transform(line.get_transform().transform(line.get_xydata()[1]))
        assert end[1] == pytest.approx(row)
        assert 50.0 <= end[0] <= 70.0
