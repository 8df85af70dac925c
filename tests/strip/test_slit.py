"""Paths of time-distance diagrams and what is read along them."""

import numpy as np
import pytest

from promtrack.errors import SettingsError
from promtrack.strip import Strip, StripGeometry, parse_path, time_distance
from tests.plain_file import PlainFile

GEOMETRY = StripGeometry(
    rows=160,
    columns=500,
    low_mm=-10.0,
    mm_per_row=0.7,
    from_deg=345.0,
    deg_per_column=0.0573,
    limb_mm=700.05,
    position_angles=True,
)
TIMES = np.datetime64("2024-05-11T09:00", "us") + np.arange(30) * np.timedelta64(20, "s")


def strip_of(cube, path, geometry=GEOMETRY):
    cube.astype("<f4").tofile(path)
    n = len(cube)
    return Strip(
        geometry=geometry,
        times_utc=TIMES[:n],
        frame=np.arange(n),
        path=path,
        noise=np.ones(geometry.rows),
        centre_err_mm=np.zeros(n),
        along_err_mm=np.zeros(n),
        decoded=PlainFile(path, geometry),
    )


def sky(angle_deg, height_mm):
    """Plane-of-sky coordinates [Mm]."""
    rho, a = 700.05 + np.asarray(height_mm), np.radians(angle_deg)
    return np.stack([-rho * np.sin(a), rho * np.cos(a)])


def test_radial_path():
    # TRUTH  -3.5 deg is 356.5 deg; samples are 0.7 Mm apart
    path = parse_path("radial:-3.5", GEOMETRY)
    assert path.kind == "radial"
    assert path.angle_deg == pytest.approx(356.5)
    assert path.height_mm[0] == pytest.approx(0.0)
    assert path.height_mm - path.height_mm[0] == pytest.approx(path.distance_mm)
    assert np.diff(path.distance_mm) == pytest.approx(0.7)


def test_parallel_path_is_measured_at_its_height():
    # TRUTH  20 deg of a circle of 750.05 Mm
    path = parse_path("parallel:50:350:10", GEOMETRY)
    assert path.height_mm == pytest.approx(50.0)
    assert path.angle_deg[0] == pytest.approx(350.0)
    assert path.distance_mm[-1] == pytest.approx(np.radians(20.0) * 750.05, abs=0.7)


def test_straight_path_is_straight_in_the_sky():
    # TRUTH  a chord: every sample lies on the line between the ends, and the chord dips below a limb-parallel
    # path.
    path = parse_path("straight:350,40:8,40", GEOMETRY)
    points = sky(path.angle_deg, path.height_mm)
    start, end = sky(350.0, 40.0), sky(8.0, 40.0)
    along = (end - start) / np.hypot(*(end - start))
    across = (points - start[:, None]).T @ np.array([-along[1], along[0]])
    assert np.abs(across).max() < 0.01
    assert np.hypot(*np.diff(points, axis=1)) == pytest.approx(0.7, rel=1e-3)
    assert path.height_mm.min() == pytest.approx(740.05 * np.cos(np.radians(9.0)) - 700.05, abs=0.01)


def test_curved_path_passes_through_its_points():
    # TRUTH  the points named
    path = parse_path("curved:352,5:355,45:0,60:4,45:6,5", GEOMETRY)
    for angle, height in ((352, 5), (355, 45), (360, 60), (364, 45)):
        gap = np.hypot(*(sky(path.angle_deg, path.height_mm) - sky(angle, height)[:, None]))
        assert gap.min() < 0.4  # samples are 0.7 Mm apart
    assert np.hypot(*np.diff(sky(path.angle_deg, path.height_mm), axis=1)) == pytest.approx(0.7, rel=0.01)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "radial",
        "radial:a",
        "radial:1:2",
        "parallel:1:2",
        "straight:1,2",
        "straight:1,2:3,4:5,6",
        "spiral:3",
        "curved:1,2,3:4,5",
        "radial:nan",
        "radial:1e400",
    ],
)
def test_unreadable_paths_are_refused_with_the_forms(text):
    with pytest.raises(SettingsError) as caught:
        parse_path(text, GEOMETRY)
    assert "degrees and Mm" in str(caught.value) or "none of the four kinds" in str(caught.value)


@pytest.mark.parametrize("text", ["radial:90", "parallel:300:350:10", "straight:100,10:120,40"])
def test_paths_outside_the_strips_are_refused_with_what_is_there(text):
    with pytest.raises(SettingsError, match=r"345\.0 to 13\.6 deg and -10 to 101 Mm"):
        parse_path(text, GEOMETRY)


def test_short_and_doubled_paths_are_refused():
    with pytest.raises(SettingsError, match="Mm long"):
        parse_path("straight:0,10:0,12", GEOMETRY)
    with pytest.raises(SettingsError, match="same point twice"):
        parse_path("curved:0,10:0,10:3,40", GEOMETRY)


@pytest.mark.parametrize(
    ("text", "speed_km_s"),
    [
        ("radial:0", 30.0),
        ("straight:352,60:4,10", 45.0),
        ("curved:352,5:357,50:5,30", 25.0),
        ("parallel:30:350:8", 60.0),
    ],
)
def test_a_knot_moving_along_the_path_draws_its_speed(tmp_path, text, speed_km_s):
    # TRUTH  a knot runs along the path at a known speed: the slope of the diagram is that speed within 1 %.
    path = parse_path(text, GEOMETRY)
    rows, columns = np.mgrid[: GEOMETRY.rows, : GEOMETRY.columns]
    cube = np.zeros((30, GEOMETRY.rows, GEOMETRY.columns), np.float32)
    time_s = np.arange(30) * 20.0
    for i, where in enumerate(5.0 + speed_km_s * time_s / 1000.0):
        row = GEOMETRY.row(np.interp(where, path.distance_mm, path.height_mm))
        column = GEOMETRY.column(np.interp(where, path.distance_mm, path.angle_deg))
        cube[i] = 100.0 * np.exp(-((rows - row) ** 2 + (columns - column) ** 2) / (2.0 * 2.5**2))
    diagram = time_distance(strip_of(cube, tmp_path / "c"), text)
    assert diagram.value.shape == (30, len(path.distance_mm))
    assert diagram.time_s == pytest.approx(time_s)
    light = np.nan_to_num(diagram.value)
    ridge = (light * diagram.distance_mm).sum(axis=1) / light.sum(axis=1)
    seen = 5.0 + speed_km_s * time_s / 1000.0 < path.distance_mm[-1] - 7.0
    slope = np.polyfit(time_s[seen], ridge[seen], 1)[0] * 1000.0
    assert slope == pytest.approx(speed_km_s, rel=0.01)


def test_width_averages_across_and_borders_are_nan(tmp_path):
    rng = np.random.default_rng(1)
    cube = rng.normal(0.0, 10.0, (30, GEOMETRY.rows, GEOMETRY.columns))
    cube[:, 120:, :] = np.nan
    strip = strip_of(cube, tmp_path / "c")
    # TRUTH  the mean of 9 samples has a third of the noise of one, half that at 36.
    scatter = [np.nanstd(time_distance(strip, "radial:0", width_px=w).value) for w in (9, 36)]
    assert scatter[0] < 10.0 / 3.0 * 1.05
    assert scatter[1] / scatter[0] == pytest.approx(0.5, rel=0.1)
    diagram = time_distance(strip, "radial:0")
    assert np.isnan(diagram.value[:, diagram.height_mm > GEOMETRY.height_mm(121)]).all()
    assert np.isfinite(diagram.value[:, diagram.height_mm < GEOMETRY.height_mm(117)]).all()
