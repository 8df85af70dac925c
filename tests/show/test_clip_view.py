"""View and pacing: what the clip shows, and when."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from promtrack.errors import SettingsError
from promtrack.limb.records import to_frame
from promtrack.settings import ClipSettings
from promtrack.show.region_of_interest import FILL, best_window, find_action
from promtrack.show.studio import prepare
from promtrack.show.timing import chosen_frames, plan_shots
from promtrack.show.view import SIZES, affine_to_frame, choose_views, frame_border
from promtrack.sun import Orientation
from tests.show.clip_case import quick_run


def view_for(run, orientation=None, **clip):
    orientation = orientation or run.orientation
    settings = ClipSettings(**clip)
    action = find_action(run.strip, run.motion, orientation, run.lock, at=settings.at)
    views = choose_views(run.lock, run.scale, orientation, action, settings, run.strip.time_s)
    return views[-1], action


@pytest.mark.parametrize(
    ("name", "size"), [("wide", (1920, 1080)), ("square", (1080, 1080)), ("tall", (1080, 1920))]
)
def test_sizes_and_the_first_letter_inside(name, size):
    # TRUTH  the front, whose number is the headline, stands inside the last picture at every time, and the
    # limb with it; it takes 40 % of the height or more.
    studio = prepare(quick_run(view=name))
    run, view = studio.measured, studio.views[-1]
    assert (view.width, view.height) == size
    front = run.motion.fronts[0]
    x, y = view.to_picture(run.orientation.to_image(front.angle_deg), front.height_mm)
    assert ((x > 0) & (x < view.width) & (y > 0) & (y < view.height)).all()
    limb_x, limb_y = view.to_picture(np.linspace(run.lock.from_deg, run.lock.to_deg, 200), 0.0)
    assert ((limb_x > 0) & (limb_x < view.width) & (limb_y > 0) & (limb_y < view.height)).sum() > 20
    tall = front.height_mm.max() * 1e3 / view.km_per_px
    assert tall >= 0.4 * view.height


@pytest.mark.parametrize("gap_deg", [3.0, 5.0, 8.0])
@pytest.mark.parametrize("window_deg", [8.0, 10.0, 13.0])
def test_no_prominence_is_cut_where_the_frames_are_wide_enough(gap_deg, window_deg):
    # TRUTH  two even prominences 6 deg wide with a gap between them, the headline in the first: the edges of
    # the picture, as `choose_views` lays them, lie in neither.
    geometry = quick_run().strip.geometry
    low, high = geometry.from_deg, float(geometry.angle_deg(geometry.columns - 1))
    middle = 0.5 * (low + high)
    one = np.linspace(middle - gap_deg / 2.0 - 6.0, middle - gap_deg / 2.0, 200)
    angle = np.concatenate([one, one + 6.0 + gap_deg])
    bodies = [(one[0], one[-1]), (angle[200], angle[-1])]
    keep = best_window(angle, np.ones(400), (0.0, window_deg), [one[60:121]], geometry, bodies)
    half = 0.5 * float(np.ptp(angle[keep])) / FILL
    centre = np.clip(0.5 * (angle[keep].min() + angle[keep].max()), low + half, high - half)
    assert keep[60:120].all()
    for edge in (centre - half, centre + half):
        assert np.abs(angle - edge).min() > 0.1


def test_no_part_of_a_prominence_is_shown_where_another_one_is_whole():
    # TRUTH  the headline lies in the first of two prominences, and the window holds that and half of the
    # other: the picture ends in the sky between them.
    geometry = quick_run().strip.geometry
    middle = 0.5 * (geometry.from_deg + float(geometry.angle_deg(geometry.columns - 1)))
    one = np.linspace(middle - 4.0, middle, 200)
    angle = np.concatenate([one, one + 5.5])
    bodies = [(one[0], one[-1]), (angle[200], angle[-1])]
    keep = best_window(angle, np.ones(400), (0.0, 7.0), [one[60:121]], geometry, bodies)
    half = 0.5 * float(np.ptp(angle[keep])) / FILL
    centre = 0.5 * (angle[keep].min() + angle[keep].max())
    assert keep[60:121].all()
    for begin, end in bodies:
        for edge in (centre - half, centre + half):
            assert not begin < edge < end


@pytest.mark.parametrize("name", ["wide", "square", "tall"])
def test_the_action_takes_two_fifths_of_the_height(name):
    # TRUTH  what must be in view by the end, above the limb, takes 40 % of the last picture's height or more.
    run = quick_run(view=name)
    action = find_action(run.strip, run.motion, run.orientation, run.lock, size=SIZES[name])
    times = run.strip.time_s
    view = choose_views(run.lock, run.scale, run.orientation, action, run.settings.clip, times)[-1]
    top_px = float(action.top_at(times)[-1]) * 1e3 / view.km_per_px
    assert top_px >= 0.40 * view.height


@pytest.mark.parametrize("name", ["wide", "square", "tall"])
def test_an_eruption_is_followed_by_a_slow_zoom_out(name):
    # TRUTH  the hand-made front rises from 30 to 150 Mm, near the frames' border: the picture never zooms in,
    # by no more than 2 % a step of 1 % of the clip, and the front is inside at every moment.
    run = quick_run(view=name)
    times = np.linspace(0.0, float(run.strip.time_s[-1]), 100)
    front = run.motion.fronts[0]
    tall = replace(front, height_mm=np.interp(front.time_s, front.time_s[[0, -1]], [30.0, 150.0]))
    motion = replace(run.motion, fronts=(tall,), knots=())
    action = find_action(run.strip, motion, run.orientation, run.lock, size=SIZES[name])
    views = choose_views(run.lock, run.scale, run.orientation, action, run.settings.clip, times)
    zoom = np.array([view.zoom for view in views])
    assert zoom[0] > 1.2 * zoom[-1]
    assert (np.diff(zoom) <= 1e-9).all()
    assert (np.diff(np.log(zoom)) > -0.02).all()
    theta = run.orientation.to_image(float(np.median(front.angle_deg)))
    for view, height in zip(views, np.interp(times, tall.time_s, tall.height_mm), strict=True):
        _, y = view.to_picture(theta, height)
        assert 0.0 < float(y) < view.height


def test_closer_on_a_letter_or_an_angle():
    # TRUTH  clip.at brings the named body to the middle of the picture, clip.zoom enlarges by its factor.
    run = quick_run(view="square")
    moving = sorted((k for k in run.motion.knots if k.moving), key=lambda k: -k.fit.speed_km_s)
    plain, _ = view_for(run, view="square")
    for at, angle in (("B", moving[0].angle_deg.mean()), ("83.5", 83.5)):
        view, _ = view_for(run, view="square", at=at, zoom=2.0)
        x, _ = view.to_picture(run.orientation.to_image(angle), 20.0)
        assert float(x) == pytest.approx(view.width / 2.0, abs=0.12 * view.width)
        assert view.zoom > plain.zoom
    once, _ = view_for(run, view="square", at="83.5")
    assert view.zoom == pytest.approx(2.0 * once.zoom, rel=0.01)
    with pytest.raises(SettingsError, match=r"'Q' is no letter and no angle.*A, B, C"):
        view_for(run, at="Q")
    with pytest.raises(SettingsError, match=r"200 deg is out of view"):
        view_for(run, at="200")


def test_native_is_even_and_inside_every_used_frame():
    # TRUTH  the size of the frames; 3 px of their border may be missing
    run = quick_run()
    view, _ = view_for(run, view="native")
    assert view.width % 2 == view.height % 2 == 0
    assert view.zoom == 1.0
    assert view.width > 0.9 * run.lock.shape[1]
    assert min(frame_border(view, run.lock, int(i)) for i in np.flatnonzero(run.lock.used)) > -3.0


@pytest.mark.parametrize("sign", [1, -1])
def test_north_up_and_east_left(sign):
    # TRUTH  seen on the sky, east lies to the left of north up; a mirrored camera is mirrored back.
    run = quick_run()
    orientation = Orientation(True, 40.0, sign, 0.1, "test")
    run = replace(run, lock=run.lock)
    view, _ = view_for(run, orientation, level_limb=False)
    centre = np.array([view.sun_x_px, view.sun_y_px])
    north, east = (np.array(view.to_picture(orientation.to_image(pa), 0.0)) - centre for pa in (0.0, 90.0))
    assert north / np.linalg.norm(north) == pytest.approx([0.0, -1.0], abs=1e-9)
    assert east / np.linalg.norm(east) == pytest.approx([-1.0, 0.0], abs=1e-9)


def test_limb_level_without_north():
    # TRUTH  the limb beneath the action is level: the action's mean angle points up.
    run = quick_run()
    view, action = view_for(run, Orientation(False, 0.0, 1, np.nan, "unknown"))
    x, _ = view.to_picture(np.average(action.theta_deg, weights=action.weight), 0.0)
    assert float(x) == pytest.approx(view.sun_x_px, abs=1e-6)


@pytest.mark.parametrize("side", [1, -1])
def test_affine_agrees_with_the_lock(side):
    # TWIN  the matrix against the lock's own geometry at scattered points, with flattening, turn and mirror.
    run = quick_run()
    count = len(run.lock.used)
    lock = replace(
        run.lock,
        flattening=np.full(count, 0.01),
        zenith_deg=np.full(count, 25.0),
        angle_deg=np.full(count, 3.0),
        centre_x_px=np.full(count, 300.0),
        centre_y_px=np.full(count, 900.0),
    )
    view = replace(view_for(run)[0], side=side)
    rng = np.random.default_rng(0)
    theta, height = view.turn_deg + rng.uniform(-15.0, 15.0, 50), rng.uniform(-60.0, 120.0, 50)
    x, y = view.to_picture(theta, height)
    fx, fy = to_frame(
        lock, 3, theta, view.radius_px / view.zoom + height * 1e3 / (view.km_per_px * view.zoom)
    )
    got = affine_to_frame(view, lock, 3) @ np.stack([x, y, np.ones(50)])
    assert np.abs(got - [fx, fy]).max() < 1e-6


TIMES = np.array([0.0, 20.0, 40.0, 60.0, 160.0, 180.0])
USED = np.array([0, 1, 2, 3, 7, 8])


def settings_of(**clip):
    return ClipSettings(overlays=(), **({"rate": 20.0, "hold_s": 0.0} | clip))


def test_hold_and_gap():
    # TRUTH  a picture a frame, 2.5 s of hold at 20 a second, and the gap of 100 s marked for 2.5 s after it,
    # not before, and not to the hold's end.
    shots = plan_shots(USED, TIMES, settings_of(hold_s=2.5)).shots
    assert [s.frame for s in shots if s.act == "motion"] == USED.tolist()
    assert sum(s.repeats for s in shots if s.act == "hold") == 50
    noted = [s.gap and s.gap.length_s for s in shots for _ in range(s.repeats)]
    assert noted == [None] * 4 + [100.0] * 50 + [None] * 2
    assert shots[4].gap.from_s == 60.0


@pytest.mark.parametrize("late", [30, 50, 110, 118])
def test_the_length_of_a_gap_stands_long_enough_to_be_read(late):
    # TRUTH  counted over the shots: 2.5 s, at 20 pictures a second, wherever the gap lies; of two gaps at
    # once the longer one.
    steps = np.full(120, 20.0)
    steps[late], steps[late - 3] = 300.0, 100.0
    shots = plan_shots(np.arange(121), np.concatenate([[0.0], np.cumsum(steps)]), settings_of()).shots
    stood = [shot.gap.length_s for shot in shots for _ in range(shot.repeats) if shot.gap]
    assert set(stood) == {300.0}
    assert len(stood) >= 50


@pytest.mark.parametrize("name", ["wide", "square", "tall"])
@pytest.mark.parametrize("north_deg", [0.0, 40.0, 90.0, 150.0])
@pytest.mark.parametrize("top_mm", [40.0, 250.0])
def test_no_picture_shows_a_border_of_the_frames(name, north_deg, top_mm):
    # TRUTH  however the limb lies in the frames and however high the action is: every corner of every picture
    # lies inside its frame.
    run = quick_run(view=name)
    orientation = replace(run.orientation, zero_deg=run.orientation.zero_deg + north_deg)
    front = run.motion.fronts[0]
    high = replace(front, height_mm=np.interp(front.time_s, front.time_s[[0, -1]], [20.0, top_mm]))
    action = find_action(
        run.strip, replace(run.motion, fronts=(high,)), orientation, run.lock, size=SIZES[name]
    )
    used = np.flatnonzero(run.lock.used)
    times = np.linspace(0.0, float(run.strip.time_s[-1]), len(used))
    views = choose_views(run.lock, run.scale, orientation, action, run.settings.clip, times)
    assert min(frame_border(view, run.lock, int(i)) for view, i in zip(views, used, strict=True)) > -0.5


@pytest.mark.parametrize("name", ["wide", "square", "tall"])
def test_both_feet_of_what_erupts_stand_in_the_last_picture(name):
    # TRUTH  a prominence of 14 degrees put about the front: its feet lie inside the last picture.
    run = quick_run(view=name)
    front, one = run.motion.fronts[0], run.motion.prominences[0]
    middle = float(np.mean(front.angle_deg))
    feet = np.array([middle - 7.0, middle + 7.0])
    motion = replace(run.motion, prominences=(replace(one, from_deg=feet[0], to_deg=feet[1]),))
    action = find_action(run.strip, motion, run.orientation, run.lock, size=SIZES[name])
    assert action.home_theta_deg == pytest.approx(run.orientation.to_image(feet))
    times = run.strip.time_s
    view = choose_views(run.lock, run.scale, run.orientation, action, run.settings.clip, times)[-1]
    x, y = view.to_picture(action.home_theta_deg, 0.0)
    assert x.min() > 0.0
    assert x.max() < view.width
    assert y.min() > 0.0
    assert y.max() < view.height


@pytest.mark.parametrize("count", [26, 90, 200, 450, 3000])
def test_a_clip_takes_ten_to_fifteen_seconds(count):
    # TRUTH  whatever the number of frames, title, motion, hold and end card together; at most 30 pictures a
    # second.
    times = np.datetime64("2026-05-01T09:00:00", "us") + np.arange(count) * np.timedelta64(20, "s")
    frames = chosen_frames(np.arange(count), times, ClipSettings())
    plan = plan_shots(frames, 20.0 * frames, ClipSettings())
    assert 10.0 <= plan.pictures / plan.rate <= 15.5
    assert plan.rate <= 30.0
    assert [plan.shots[i].act for i in (0, 1, -1)] == ["title", "motion", "end"]
    assert plan.shots[0].repeats / plan.rate == pytest.approx(2.0, abs=0.2)


def test_all_frames_are_shown_where_a_rate_is_given():
    times = np.datetime64("2026-05-01T09:00:00", "us") + np.arange(900) * np.timedelta64(20, "s")
    assert len(chosen_frames(np.arange(900), times, ClipSettings(rate=25.0))) == 900


def test_part_of_the_time():
    # TRUTH  frames every 20 s from 23:59:00: clip.from and clip.to by the clock, also past midnight, and by
    # ISO times.
    times = np.datetime64("2026-05-01T23:59:00", "us") + np.arange(12) * np.timedelta64(20, "s")
    used = np.arange(12)
    assert chosen_frames(used, times, ClipSettings(from_="23:59:30")).tolist() == list(range(2, 12))
    assert chosen_frames(used, times, ClipSettings(to="00:00:40")).tolist() == list(range(6))
    assert chosen_frames(used, times, ClipSettings(from_="2026-05-02T00:02:00Z")).tolist() == [9, 10, 11]
    with pytest.raises(SettingsError, match=r"clip\.from: 'noon' is no time"):
        chosen_frames(used, times, ClipSettings(from_="noon"))
    with pytest.raises(SettingsError, match="no frame lies between these times"):
        chosen_frames(used, times, ClipSettings(from_="03:00"))


@settings(max_examples=80, deadline=None)
@given(st.lists(st.floats(0.5, 500.0), min_size=0, max_size=40))
def test_any_times_give_a_clip(steps):
    time_s = np.concatenate([[0.0], np.cumsum(steps)])
    clip = ClipSettings()
    plan = plan_shots(np.arange(len(time_s)), time_s, clip)
    assert all(s.repeats >= 1 for s in plan.shots)
    assert plan.shots[0].frame == 0
    assert max(s.time_s for s in plan.shots) <= time_s[-1] + 1e-9
