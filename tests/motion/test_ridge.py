"""Ridges of time-distance diagrams: speeds, errors, silence where nothing runs; and their agreement with
knots."""

import numpy as np
import pytest

from promtrack.motion.associate import match_ridges
from promtrack.motion.knot_fit import fit_path
from promtrack.motion.records import NONE, Front, KnotTrack, Ridge
from promtrack.motion.ridge import find_ridges
from promtrack.strip.records import StripGeometry, TimeDistance
from tests.motion.diagrams import STEP_MM, as_diagram, flicker, running

SPEEDS = [10.0, -25.0, 40.0, -80.0, 120.0]


def strongest(diagram):
    ridges = find_ridges(diagram)
    return ridges[0] if ridges else None


@pytest.mark.parametrize("speed", SPEEDS)
def test_speed_of_a_ridge(speed):
    # TRUTH  a knot of S/N 8 running along the path: found in each of 4 diagrams, speed within 4 errors and 5
    # %
    for seed in range(4):
        ridge = strongest(running(np.random.default_rng(seed), speed_km_s=speed))
        assert ridge is not None
        assert ridge.speed_km_s == pytest.approx(speed, abs=4 * ridge.speed_err_km_s)
        assert ridge.speed_km_s == pytest.approx(speed, rel=0.08)
        assert ridge.first_s < ridge.time_s < ridge.last_s
        assert (ridge.knot, ridge.agrees, np.isnan(ridge.knot_speed_km_s)) == (0, False, True)


def test_errors_are_honest():
    # TRUTH  25 ridges of all speeds: 1 sigma covers at least 60 %, 2 sigma at least 90 %. The errors carry a
    # floor of 2 % for paths that are not quite the knot's own, which these are: more coverage than Gaussian
    # is no fault here.
    pulls = []
    for seed in range(5):
        for speed in SPEEDS:
            ridge = strongest(running(np.random.default_rng(50 + seed), speed_km_s=speed))
            pulls.append((ridge.speed_km_s - speed) / ridge.speed_err_km_s)
    assert np.mean(np.abs(pulls) < 1) >= 0.60
    assert np.mean(np.abs(pulls) < 2) >= 0.90


def test_place_and_time():
    # TRUTH  the knot is at 70 px (51.1 Mm) at 1200 s
    ridge = strongest(running(np.random.default_rng(1), speed_km_s=40.0))
    assert ridge.distance_mm + ridge.speed_km_s / 1e3 * (1200.0 - ridge.time_s) == pytest.approx(
        51.1, abs=1.0
    )


@pytest.mark.parametrize("options", [{"jitter_s": 9.0}, {"gap": 60}, {"jitter_s": 5.0, "gap": 58}])
def test_uneven_times(options):
    # TRUTH  irregular cadence and a gap of six strips in the middle of the ridge
    for seed in range(4):
        ridge = strongest(running(np.random.default_rng(seed), speed_km_s=50.0, **options))
        assert ridge.speed_km_s == pytest.approx(50.0, rel=0.06)


def test_acceleration_shows_in_the_middle():
    # TRUTH  from rest far above to 60 km/s in the middle: the speed is that of the ridge's own middle
    diagram = running(np.random.default_rng(2), speed_km_s=60.0, accel_m_s2=60.0)
    ridge = strongest(diagram)
    true = 60.0 + 60e-3 * (ridge.time_s - diagram.time_s[60])
    assert ridge.speed_km_s == pytest.approx(true, rel=0.08)
    assert ridge.accel_m_s2 == pytest.approx(60.0, rel=0.2)  # it is drawn with it


def test_flickering_threads_give_no_ridge():
    # TRUTH  15 diagrams without motion: no ridge in any
    found = 0
    for seed in range(15):
        t = np.arange(120) * 20.0
        found += len(find_ridges(as_diagram(flicker(np.random.default_rng(300 + seed), t, 140), t)))
    assert found == 0


def test_two_ridges_that_cross():
    # TRUTH  one up, one down; both are found with their own speeds
    rng = np.random.default_rng(5)
    up, down = running(rng, speed_km_s=40.0), running(rng, speed_km_s=-60.0, snr=7.0)
    speeds = sorted(r.speed_km_s for r in find_ridges(as_diagram(up.value + down.value, up.time_s, "radial")))
    assert min(abs(s + 60) for s in speeds) < 6
    assert min(abs(s - 40) for s in speeds) < 4


@pytest.mark.parametrize(
    "value", [np.zeros((60, 80)), np.full((60, 80), np.nan), np.zeros((3, 80)), np.zeros((60, 5))]
)
def test_nothing_there(value):
    assert find_ridges(as_diagram(value, np.arange(len(value)) * 30.0)) == ()


def test_strips_of_one_time_count_once():
    # TRUTH  more than half of the strips share a stamp with the strip before
    diagram = running(np.random.default_rng(1), speed_km_s=40.0)
    twice = as_diagram(np.repeat(diagram.value, 2, axis=0), np.repeat(diagram.time_s, 2), "radial")
    assert strongest(twice).speed_km_s == pytest.approx(40.0, rel=0.05)
    assert find_ridges(as_diagram(diagram.value, np.zeros(len(diagram.time_s)))) == ()


def test_one_knot_is_one_ridge():
    # TRUTH  a broad knot that flickers, with a fainter companion 4 px behind it: one ridge, of the knot
    for seed in range(4):
        rng = np.random.default_rng(seed)
        knot, companion = running(rng, speed_km_s=40.0), running(rng, speed_km_s=40.0, snr=3.0)
        value = knot.value + np.roll(companion.value, -4, axis=1)
        ridges = find_ridges(as_diagram(value, knot.time_s, "radial"))
        assert len(ridges) == 1
        assert ridges[0].speed_km_s == pytest.approx(40.0, rel=0.05)


def test_parts_not_shown():
    # TRUTH  strips that miss, and a path whose end leaves the frame
    diagram = running(np.random.default_rng(7), speed_km_s=40.0)
    value = diagram.value.copy()
    value[::7] = np.nan
    value[:, 125:] = np.nan
    assert strongest(as_diagram(value, diagram.time_s, "radial")).speed_km_s == pytest.approx(40.0, rel=0.05)


# Agreement with knots

GEOMETRY = StripGeometry(200, 400, 0.0, 0.7, 60.0, 0.06, 700.0, True)


def radial_slit():
    height = np.arange(0.0, 120.0, 0.7)
    return TimeDistance(
        "radial:70",
        "radial",
        np.full(len(height), 70.0),
        height,
        height,
        np.zeros((2, len(height)), np.float32),
        np.array([0.0, 1.0]),
    )


def knot(number, radial_km_s, along_km_s, *, angle_deg=70.0, height_mm=50.0):
    t = np.arange(30) * 20.0
    u = t - t.mean()
    height = height_mm + radial_km_s * u / 1e3
    angle = angle_deg + np.rad2deg(along_km_s * u / 1e3 / (700.0 + height))
    err = np.full(30, 0.2)
    along = np.deg2rad(angle - angle[0]) * (700.0 + height)
    rng = np.random.default_rng(number)
    path = fit_path(t, np.stack([height, along]), 0.2)
    return KnotTrack(
        number,
        np.arange(30),
        t,
        height + 0.2 * rng.normal(size=30),
        err,
        angle,
        along,
        err,
        np.full(30, 10.0),
        height,
        angle,
        path.speed_km_s,
        path.speed_err_km_s,
        path.fit,
        9.0,
        1e-6,
        True,
    )


def ridge(speed_km_s, err_km_s=1.0, distance_mm=50.0, lasts_s=380.0):
    return Ridge(
        0,
        290.0,
        distance_mm,
        290.0 - 0.5 * lasts_s,
        290.0 + 0.5 * lasts_s,
        speed_km_s,
        err_km_s,
        0,
        np.nan,
        False,
    )


def test_matching_by_place_and_projection():
    # TRUTH  a knot that moves 40 km/s outward and 30 km/s along shows 40 km/s on a radial path, while it
    # crosses it
    (matched,) = match_ridges(
        (ridge(41.0, lasts_s=160.0),), (radial_slit(),), (knot(1, 40.0, 30.0),), GEOMETRY
    )
    assert matched.knot == 1
    assert matched.knot_speed_km_s == pytest.approx(40.0, abs=1.0)
    assert matched.agrees


def test_disagreement_is_told():
    # TRUTH  52 against 40 km/s with errors of 1 km/s: no agreement within 2 sigma
    (matched,) = match_ridges((ridge(52.0),), (radial_slit(),), (knot(1, 40.0, 0.0),), GEOMETRY)
    assert (matched.knot, matched.agrees) == (1, False)


def test_no_knot_there():
    # TRUTH  knots elsewhere in angle, in height or in time are not the ridge's
    far = (knot(1, 40.0, 0.0, angle_deg=75.0), knot(2, 40.0, 0.0, height_mm=90.0))
    (matched,) = match_ridges((ridge(40.0),), (radial_slit(),), far, GEOMETRY)
    assert (matched.knot, matched.agrees) == (0, False)
    assert match_ridges((ridge(40.0),), (radial_slit(),), (), GEOMETRY)[0].knot == 0


def test_a_knot_seen_only_in_a_part_of_the_ridge_is_not_compared():
    # TRUTH  the knot is seen for 580 s of a ridge of 1200 s
    (matched,) = match_ridges(
        (ridge(40.0, lasts_s=1200.0),), (radial_slit(),), (knot(1, 40.0, 0.0),), GEOMETRY
    )
    assert (matched.knot, matched.agrees) == (0, False)


@pytest.mark.parametrize(
    ("height_mm", "angle_deg", "moving", "front"),
    [(52.0, 70.0, True, 4), (52.0, 74.0, True, 0), (62.0, 70.0, True, 0), (52.0, 70.0, False, 0)],
)
def test_a_ridge_along_the_edge_of_a_front_is_its_light(height_mm, angle_deg, moving, front):
    # TRUTH  a ridge at 40 km/s through 50 Mm at mid-time; the edge of a front 2 Mm above it, beside it, 12 Mm
    # above it, and of one that does not move; the knot in the edge is still named
    time_s = np.arange(30) * 20.0
    edge = Front(
        front=4,
        from_deg=angle_deg - 1.0,
        to_deg=angle_deg + 1.0,
        frame=np.arange(30),
        time_s=time_s,
        height_mm=height_mm + 0.04 * (time_s - 290.0),
        height_err_mm=np.full(30, 0.3),
        angle_deg=np.full(30, angle_deg),
        fits=(),
        verdict=NONE,
        false_alarm=1e-9,
        moving=moving,
    )
    (matched,) = match_ridges((ridge(40.0),), (radial_slit(),), (knot(1, 40.0, 0.0),), GEOMETRY, (edge,))
    assert (matched.front, matched.knot, matched.agrees) == (front, 1, True)


def test_the_nearest_of_two_knots():
    near, far = knot(1, 40.0, 0.0), knot(2, -40.0, 0.0, height_mm=52.0)
    (matched,) = match_ridges((ridge(40.0),), (radial_slit(),), (far, near), GEOMETRY)
    assert matched.knot == 1


@pytest.mark.parametrize("sigma_mm", [1.5, 3.0, 4.0, 5.0])
def test_wide_streaks_are_not_too_fast(sigma_mm):
    # TRUTH  Gaussian streaks at 45 km/s that cover a place for up to a third of the time; with the standing
    # part and the noise taken while they cover it, 3 and 4 Mm gave 48.0 and 51 with errors of 1.0 and 1.2.
    for seed in range(4):
        rng = np.random.default_rng(seed)
        t, x = np.arange(40) * 20.0, np.arange(140) * STEP_MM
        light = np.exp(-0.5 * ((x - (15 + 0.045 * t)[:, None]) / sigma_mm) ** 2)
        ridges = find_ridges(as_diagram(light + 0.05 * rng.normal(size=light.shape), t))
        assert ridges
        assert abs(ridges[0].speed_km_s - 45.0) < 2 * ridges[0].speed_err_km_s
        assert ridges[0].speed_err_km_s < 0.08 * 45.0
