"""The paths that the program proposes go where things move."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.strip import Strip, StripGeometry, parse_path, propose_paths, time_distance
from tests.plain_file import PlainFile

GEOMETRY = StripGeometry(
    rows=130,
    columns=460,
    low_mm=-10.0,
    mm_per_row=0.7,
    from_deg=345.0,
    deg_per_column=0.0573,
    limb_mm=700.05,
    position_angles=True,
)
N = 40


def plain(geometry, path):
    """Strips of noise 5 that lie in a file already."""
    return Strip(
        geometry=geometry,
        times_utc=np.datetime64("2024-05-11T09:00", "us") + np.arange(N) * np.timedelta64(15, "s"),
        frame=np.arange(N),
        path=path,
        noise=np.full(geometry.rows, 5.0),
        centre_err_mm=np.zeros(N),
        along_err_mm=np.zeros(N),
        decoded=PlainFile(path, geometry),
    )


def strip_of(draw, path, seed=0):
    """Strips of noise 5 plus what `draw(i, rows, columns)` gives."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[: GEOMETRY.rows, : GEOMETRY.columns]
    cube = np.array([draw(i, rows, columns) + rng.normal(0.0, 5.0, rows.shape) for i in range(N)], np.float32)
    cube[:, :, :20] = np.nan
    cube.tofile(path)
    return plain(GEOMETRY, path)


def spot(rows, columns, height, angle, size=3.0, peak=60.0):
    squared = (rows - GEOMETRY.row(height)) ** 2 + (columns - GEOMETRY.column(angle)) ** 2
    return peak * np.exp(-squared / (2.0 * size**2))


def still(rows, columns):
    """A bright quiet prominence at 350 deg."""
    return (
        400.0 * np.exp(-(((columns - GEOMETRY.column(350.0)) / 15.0) ** 2) - (rows / 60.0) ** 4) * (rows > 14)
    )


def test_paths_follow_a_knot_that_falls_slantwise(tmp_path):
    # TRUTH  a knot falls from 363 deg, 60 Mm to 366 deg, 15 Mm beside a brighter still prominence that
    # trembles by 0.1 px.
    def draw(i, rows, columns):
        u = i / (N - 1)
        shake = np.random.default_rng(i).normal(0.0, 0.1)
        return still(rows, columns + shake) + spot(rows, columns, 60.0 - 45.0 * u, 363.0 + 3.0 * u)

    strip = strip_of(draw, tmp_path / "c")
    radial, parallel, straight = propose_paths(strip)
    assert [p.split(":")[0] for p in (radial, parallel, straight)] == ["radial", "parallel", "straight"]
    assert 362.5 < parse_path(radial, GEOMETRY).angle_deg[0] < 366.5
    path = parse_path(straight, GEOMETRY)
    # Direction of the proposal against that of the knot, in the plane of the sky.
    ends = np.array([(700.05 + h) * np.exp(1j * np.radians(a)) for a, h in ((363.0, 60.0), (366.0, 15.0))])
    found = np.array(
        [
            (700.05 + h) * np.exp(1j * np.radians(a))
            for a, h in zip(path.angle_deg[[0, -1]], path.height_mm[[0, -1]], strict=True)
        ]
    )
    turn = np.degrees(np.angle((found[1] - found[0]) / (ends[1] - ends[0])))
    assert min(abs(turn), abs(abs(turn) - 180.0)) < 8.0
    # and the knot is bright on it most of the time
    assert (np.nanmax(time_distance(strip, straight).value, axis=1) > 30.0).mean() > 0.8


def test_limb_parallel_motion_is_found(tmp_path):
    # TRUTH  a knot runs along the limb at 35 Mm.
    strip = strip_of(lambda i, r, c: spot(r, c, 35.0, 352.0 + 0.23 * i), tmp_path / "c")
    parallel = parse_path(propose_paths(strip)[1], GEOMETRY)
    assert parallel.height_mm[0] == pytest.approx(35.0, abs=2.0)
    assert parallel.angle_deg[0] < 353.5
    assert parallel.angle_deg[-1] > 359.5


def test_proposals_do_not_repeat_each_other_and_can_be_read(tmp_path):
    strip = strip_of(
        lambda i, r, c: spot(r, c, 20.0 + i, 358.0) + spot(r, c, 30.0, 352.0 + 0.3 * i), tmp_path / "c"
    )
    paths = propose_paths(strip, count=5)
    assert len(set(paths)) == len(paths) >= 3
    for text in paths:
        assert len(parse_path(text, GEOMETRY).distance_mm) > 10
    assert propose_paths(strip, count=0) == ()
    assert len(propose_paths(strip, count=1)) == 1


def test_a_still_scene_gives_paths_through_what_is_there(tmp_path):
    # TRUTH  the thread stands at 350 deg
    strip = strip_of(lambda i, r, c: still(r, c), tmp_path / "c")
    radial = parse_path(propose_paths(strip)[0], GEOMETRY)
    assert radial.angle_deg[0] == pytest.approx(350.0, abs=1.5)


def test_an_empty_sky_gets_no_path(tmp_path):
    strip = strip_of(lambda i, r, c: np.zeros(r.shape), tmp_path / "c")
    assert propose_paths(strip) == ()


@pytest.mark.parametrize("radius_px", [48, 130, 227])
def test_a_small_disc_gets_only_paths_that_can_be_read(tmp_path, radius_px):
    """A proposal shorter than eight rows is dropped, and ends no run."""
    mm = 700.05 / radius_px
    geometry = replace(
        GEOMETRY,
        rows=int(120.0 / mm),
        columns=round(2.0 * np.pi * radius_px),
        mm_per_row=mm,
        from_deg=0.0,
        deg_per_column=float(np.degrees(1.0 / radius_px)),
    )
    rng = np.random.default_rng(1)
    cube = rng.normal(0.0, 5.0, (N, geometry.rows, geometry.columns)).astype("<f4")
    row = int(geometry.row(15.0))
    for i in range(N):  # a small knot that hardly moves
        cube[i, row : row + 2, 20 + i // 20] += 200.0
    cube.tofile(tmp_path / "c")
    strip = plain(geometry, tmp_path / "c")
    for text in propose_paths(strip, count=5):
        assert len(time_distance(strip, text).distance_mm) >= 8
