"""View and pacing: what the clip shows, and when."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from promtrack.limb.geometry import to_frame
from promtrack.settings import ClipSettings
from promtrack.show.action import find_action
from promtrack.show.pacing import plan_shots, speed_up
from promtrack.show.view import affine_to_frame, choose_view, frame_border
from promtrack.sun import Orientation
from tests.show.clip_case import quick_run


def view_for(run, orientation=None, **clip):
    orientation = orientation or run.orientation
    action = find_action(run.strip, run.motion, orientation, run.lock)
    return choose_view(run.lock, run.scale, orientation, action, ClipSettings(**clip)), action


@pytest.mark.parametrize(
    ("name", "size"), [("wide", (1920, 1080)), ("square", (1080, 1080)), ("tall", (1080, 1920))]
)
def test_sizes_and_action_inside(name, size):
    # TRUTH  all moving knots and the front stand inside the picture, and the limb with them.
    run = quick_run()
    view, action = view_for(run, view=name)
    assert (view.width, view.height) == size
    assert view.zoom <= 2.5
    x, y = view.to_picture(action.theta_deg, action.height_mm)
    assert (x > 0).all()
    assert (x < view.width).all()
    assert (y > 0).all()
    assert (y < view.height).all()
    limb_x, limb_y = view.to_picture(np.linspace(run.lock.from_deg, run.lock.to_deg, 200), 0.0)
    assert ((limb_x > 0) & (limb_x < view.width) & (limb_y > 0) & (limb_y < view.height)).sum() > 50


def test_native_is_even_and_inside_every_used_frame():
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
    view, _ = view_for(run, orientation)
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
    assert view.up == "limb"


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


def test_even_pacing_hold_and_gap():
    # TRUTH  a picture a frame, 1.5 s of hold at 20 a second, and the gap of 100 s marked after it, not
    # before.
    shots = plan_shots(USED, TIMES, ClipSettings(hold_s=1.5))
    assert [s.frame for s in shots] == USED.tolist()
    assert shots[-1].repeats == 1 + 30
    assert [s.gap_s for s in shots] == [0, 0, 0, 0, 100.0, 100.0]


def test_clock_pacing_is_true_to_the_clock():
    # TRUTH  each picture shows the frame that was the last one taken at its time, within half a cadence.
    shots = plan_shots(USED, TIMES, ClipSettings(pacing="clock", hold_s=0.0))
    shown = np.repeat([s.time_s for s in shots], [s.repeats for s in shots])
    assert len(shown) == 10
    wanted = 20.0 * np.arange(10)
    late = wanted - shown
    assert (late > -10.0).all()
    assert shown.tolist() == [0, 20, 40, 60, 60, 60, 60, 60, 160, 180]
    assert speed_up(shots, 20.0) == pytest.approx(180.0 * 20.0 / 9.0)


def test_there_and_back():
    shots = plan_shots(USED, TIMES, ClipSettings(there_and_back=True, hold_s=0.0))
    assert [s.frame for s in shots] == [0, 1, 2, 3, 7, 8, 7, 3, 2, 1, 0]
    assert speed_up(shots, 20.0) == pytest.approx(180.0 * 20.0 / 5.0)  # the way forward counts


def test_blended_pictures_stay_out_of_gaps():
    shots = plan_shots(USED, TIMES, ClipSettings(blend=2, hold_s=0.0))
    blended = [(s.frame, s.other, round(s.share, 3), round(s.time_s, 1)) for s in shots if s.other >= 0]
    assert blended[:2] == [(0, 1, 0.333, 6.7), (0, 1, 0.667, 13.3)]
    assert not [b for b in blended if b[0] == 3]
    assert len(shots) == 6 + 2 * 4


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.floats(0.5, 500.0), min_size=0, max_size=40),
    st.sampled_from(["even", "clock"]),
    st.booleans(),
    st.integers(0, 3),
)
def test_any_times_give_a_clip(steps, pacing, back, blend):
    time_s = np.concatenate([[0.0], np.cumsum(steps)])
    shots = plan_shots(
        np.arange(len(time_s)),
        time_s,
        ClipSettings(pacing=pacing, there_and_back=back, blend=blend, hold_s=0.0),
    )
    assert all(s.repeats >= 1 for s in shots)
    assert shots[0].frame == 0
    assert max(s.time_s for s in shots) <= time_s[-1] + 1e-9
