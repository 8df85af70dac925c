"""Everything above the limb: heights, areas and brightness of drawn prominences against their truth."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.motion.prominences import find_prominences
from promtrack.strip.records import Strip
from tests.motion.strip_scenes import StripScene
from tests.plain_file import PlainFile


def strip_of(tmp_path, light, scene, noise=4.0, seed=1):
    """Strips that show `light` (n, rows, columns) with white noise, on the geometry of a scene."""
    rng = np.random.default_rng(seed)
    (light + rng.normal(0, noise, light.shape)).astype("<f4").tofile(tmp_path / "cube")
    n = len(light)
    start = np.datetime64("2026-05-17T09:30:00", "us")
    return Strip(
        geometry=scene.geometry,
        times_utc=start + (np.arange(n) * 30_000_000).astype("timedelta64[us]"),
        frame=np.arange(n),
        path=tmp_path / "cube",
        noise=np.full(scene.rows, noise),
        centre_err_mm=np.full(n, 0.05),
        along_err_mm=np.full(n, 0.05),
        decoded=PlainFile(tmp_path / "cube", scene.geometry),
    )


def boxes(scene, *parts, n=4):
    """(n, rows, columns) light: each part is (low row, high row, left, right, brightness)."""
    light = np.zeros((n, scene.rows, scene.columns))
    for low, high, left, right, bright in parts:
        light[:, low : high + 1, left : right + 1] = bright
    return light


def test_two_prominences_with_height_area_and_brightness(tmp_path):
    # TRUTH  boxes of known edges, to 1 Mm. A tenth of a smoothed edge lies 1.9 Mm outside it: 15 % of area.
    scene = StripScene()
    geometry = scene.geometry
    strip = strip_of(tmp_path, boxes(scene, (0, 60, 40, 80, 200.0), (0, 100, 150, 170, 100.0)), scene)
    found = find_prominences(strip, disc_counts=1000.0)
    assert len(found) == 2
    wide, tall = sorted(found, key=lambda p: p.angle_deg)
    for prominence, top, left, right, bright in ((wide, 60, 40, 80, 0.2), (tall, 100, 150, 170, 0.1)):
        assert prominence.height_mm == pytest.approx(geometry.height_mm(top), abs=1.0)
        assert (np.abs(prominence.height_mm - geometry.height_mm(top)) < 3 * prominence.height_err_mm).all()
        assert prominence.angle_deg == pytest.approx(geometry.angle_deg((left + right) / 2), abs=0.05)
        rows = np.arange(np.ceil(geometry.row(10.0)), top + 1)
        area = (
            geometry.mm_per_row * geometry.mm_per_column(geometry.height_mm(rows)) * (right - left + 1)
        ).sum()
        assert (np.abs(prominence.area_mm2 - area) < 3 * prominence.area_err_mm2 + 0.15 * area).all()
        assert prominence.brightness == pytest.approx(bright, rel=0.2)
        assert not prominence.leaves_strip
    assert [p.prominence for p in found] == [1, 2]


def test_one_strip_is_enough(tmp_path):
    # TRUTH  as above, a single picture.
    scene = StripScene()
    strip = strip_of(tmp_path, boxes(scene, (0, 80, 100, 130, 150.0), n=1), scene)
    (prominence,) = find_prominences(strip)
    (blocked,) = find_prominences(strip, block_mm=2.0)
    assert blocked.height_err_mm == pytest.approx(
        np.hypot(prominence.height_err_mm, 2.0 / np.sqrt(12.0)), rel=0.05
    )
    assert prominence.height_mm[0] == pytest.approx(scene.geometry.height_mm(80), abs=1.0)
    assert np.isnan(prominence.brightness).all()  # the disc is not known


def test_what_rises_keeps_its_number_and_its_heights(tmp_path):
    # TRUTH  a box that climbs ten rows a strip out of the strips' top.
    scene = StripScene()
    light = np.zeros((14, scene.rows, scene.columns))
    tops = 40 + 13 * np.arange(14)
    for i, top in enumerate(tops):
        light[i, : top + 1, 100:140] = 150.0
    (prominence,) = find_prominences(strip_of(tmp_path, light, scene))
    inside = tops < scene.rows - 3
    truth = scene.geometry.height_mm(tops[inside].astype(float))
    assert prominence.height_mm[inside] == pytest.approx(truth, abs=1.0)
    assert prominence.leaves_strip


def test_an_eruption_that_begins_small_is_found(tmp_path):
    # TRUTH  a stub of 6 Mm for 16 strips, which then grows for eight to 64 Mm and 3100 Mm2
    scene = StripScene()
    light = boxes(scene, (0, 32, 100, 107, 200.0), n=24)
    for i, plane in enumerate(light[16:], start=1):
        plane[: 32 + 7 * i, 104 - 4 * i : 104 + 4 * i] = 200.0
    (found,) = find_prominences(strip_of(tmp_path, light, scene))
    assert found.height_mm[-1] == pytest.approx(scene.geometry.height_mm(87), abs=1.0)


def test_a_dark_place_elsewhere_hides_no_prominence(tmp_path):
    # TRUTH  dust as dark as the prominence is bright, 70 Mm beside it
    scene = StripScene()
    light = boxes(scene, (0, 60, 40, 80, 60.0), (30, 40, 176, 186, -60.0))
    (found,) = find_prominences(strip_of(tmp_path, light, scene))
    assert found.height_mm == pytest.approx(scene.geometry.height_mm(60), abs=1.0)


@pytest.mark.parametrize("covered", [0, 40])
@pytest.mark.parametrize("n", [1, 6])
def test_a_prominence_at_the_side_or_beside_what_is_covered_is_found(tmp_path, covered, n):
    # TRUTH  a prominence 15 Mm wide, flush with what ends the picture
    scene = StripScene()
    light = boxes(scene, (0, 60, covered, covered + 20, 200.0), n=n)
    light[:, :, :covered] = np.nan
    (found,) = find_prominences(strip_of(tmp_path, light, scene))
    assert found.height_mm == pytest.approx(scene.geometry.height_mm(60), abs=1.0)


def test_where_the_first_row_lies_changes_the_brightness_by_less_than_its_error(tmp_path):
    # TWIN  plasma that fades upwards, by half in 5 Mm, with its foot at two places of the strips' grid. Noise
    # of the two is drawn anew, and the smoothed noise alone is far smaller than the difference.
    scene = StripScene()
    shifted = replace(scene.geometry, low_mm=scene.geometry.low_mm + 0.45 * scene.geometry.mm_per_row)
    found = []
    for geometry in (scene.geometry, shifted):
        light = np.zeros((8, scene.rows, scene.columns))
        height_mm = geometry.height_mm(np.arange(scene.rows))[:, None]
        light[:, :, 100:140] = np.where(height_mm < 40.0, 2000.0 * 0.5 ** (height_mm / 5.0), 0.0)
        strip = replace(strip_of(tmp_path, light, scene, noise=1.0), geometry=geometry)
        found += find_prominences(strip, disc_counts=1000.0)
    one, other = found
    apart = np.abs(one.brightness - other.brightness)
    assert (apart < one.brightness_err).all()
    assert np.median(one.brightness_err) < 0.25 * np.median(one.brightness)


def test_noise_and_spicules_are_none(tmp_path):
    # TRUTH  noise, and light that stays below 10 Mm.
    scene = StripScene()
    low = int(scene.geometry.row(9.0))
    assert find_prominences(strip_of(tmp_path, boxes(scene, (0, low - 3, 0, 239, 300.0)), scene)) == ()
    assert find_prominences(strip_of(tmp_path, boxes(scene), scene)) == ()


def test_wide_light_that_the_sky_leaves_in_a_frame_is_no_height(tmp_path):
    # TRUTH  one frame in four shows light 120 Mm wide over all heights, ten times the smoothed noise.
    scene = StripScene()
    light = boxes(scene, (0, 60, 100, 140, 200.0), n=8)
    along_mm = (np.arange(scene.columns) - 120) * scene.geometry.mm_per_column(0.0)
    light[::4] += 10.0 * np.exp(-0.5 * (along_mm / 50.0) ** 2)
    (prominence,) = find_prominences(strip_of(tmp_path, light, scene))
    assert prominence.height_mm == pytest.approx(scene.geometry.height_mm(60), abs=1.0)
    assert not prominence.leaves_strip


@pytest.mark.parametrize("up", [0, 18])
@pytest.mark.parametrize("n", [1, 6])
def test_what_a_wrong_flat_leaves_is_no_prominence(tmp_path, n, up):
    # TRUTH  a prominence, and specks that the flat has moved along the limb, or upwards too: each leaves a
    # bright and a dark place, 20 times the smoothed noise, in every strip.
    scene = StripScene()
    specks = [
        (low - up * way // 20, low - up * way // 20 + 10, at + way, at + way + 14, 25.0 * np.sign(15 - way))
        for low, at in ((50, 20), (80, 120), (120, 180))
        for way in (0, 20)
    ]
    light = boxes(scene, (0, 60, 60, 100, 200.0), *specks, n=n)
    (found,) = find_prominences(strip_of(tmp_path, light, scene))
    assert found.height_mm == pytest.approx(scene.geometry.height_mm(60), abs=1.0)


def test_what_stands_on_the_sensor_is_no_prominence(tmp_path):
    # TRUTH  a prominence, and a reflection over which the Sun drifts by a column and half a row a strip
    scene = StripScene()
    light = np.zeros((12, scene.rows, scene.columns))
    for i, plane in enumerate(light):
        plane[:60, 100:140] = 200.0
        plane[100 - i // 2 : 120 - i // 2, 200 - i : 215 - i] = 200.0

    def place(frame, angle_deg, height_mm):
        x, y = scene.geometry.column(angle_deg), scene.geometry.row(height_mm)
        return float(x + frame), float(y + frame // 2)

    strip = strip_of(tmp_path, light, scene)
    assert len(find_prominences(strip)) == 2
    (found,) = find_prominences(strip, place=place)
    assert found.height_mm == pytest.approx(scene.geometry.height_mm(60), abs=1.0)


@pytest.mark.parametrize("jitter_mm", [0.2, 0.8])
def test_a_sun_at_rest_puts_nothing_on_the_sensor(tmp_path, jitter_mm):
    # TRUTH  a steady prominence in frames on which the Sun rests, but for what the lock errs
    scene = StripScene()
    err = np.random.default_rng(2).normal(0, jitter_mm / scene.geometry.mm_per_row, (24, 2))
    light = np.zeros((24, scene.rows, scene.columns))
    for plane, (up, along) in zip(light, np.rint(err).astype(int), strict=True):
        plane[: 60 - up, 100 - along : 140 - along] = 200.0
    strip = replace(strip_of(tmp_path, light, scene), centre_err_mm=np.full(24, jitter_mm))

    def place(frame, angle_deg, height_mm):
        up, along = np.rint(err[frame])
        return float(scene.geometry.column(angle_deg) + along), float(scene.geometry.row(height_mm) + up)

    assert len(find_prominences(strip, place=place)) == 1


def test_the_path_of_a_knot_is_no_prominence(tmp_path):
    # TRUTH  a spot of 5 x 5 Mm that rises by 30 rows in twelve strips
    scene = StripScene()
    light = np.zeros((12, scene.rows, scene.columns))
    high, wide = (round(5.0 / mm) for mm in (scene.geometry.mm_per_row, scene.geometry.mm_per_column(0.0)))
    for i, plane in enumerate(light):
        plane[50 + 3 * i : 50 + 3 * i + high, 100 : 100 + wide] = 200.0
    assert not find_prominences(strip_of(tmp_path, light, scene))


@pytest.mark.parametrize("n", [1, 3])
def test_hot_pixels_and_glow_at_the_sides_are_no_prominences(tmp_path, n):
    # TRUTH  a prominence; groups of hot pixels, 500 times the noise; light that comes in over both sides of
    # the picture, by half every 5 Mm
    scene = StripScene()
    hot = [(low, low + 1, at, at + 2, 2000.0) for low, at in ((50, 20), (90, 120), (70, 200))]
    light = boxes(scene, (0, 60, 100, 140, 200.0), *hot, n=n)
    away_mm = scene.geometry.mm_per_column(0.0) * np.arange(scene.columns)
    light += 150.0 * (0.5 ** (away_mm / 5.0) + 0.5 ** (away_mm[::-1] / 5.0))
    (found,) = find_prominences(strip_of(tmp_path, light, scene))
    assert found.height_mm == pytest.approx(scene.geometry.height_mm(60), abs=1.0)


def test_what_heights_do_from_strip_to_strip_is_in_their_error(tmp_path):
    # TRUTH  a top cut off at one of three blocks of 8 rows, as strong compression does: the stated error is
    # 0.5 to 2 of the heights' standard deviation
    scene = StripScene()
    light = np.zeros((24, scene.rows, scene.columns))
    for plane, step in zip(light, np.random.default_rng(3).integers(0, 3, 24), strict=True):
        plane[: 53 + 8 * step, 100:140] = 200.0
    (found,) = find_prominences(strip_of(tmp_path, light, scene))
    assert 0.5 < np.median(found.height_err_mm) / np.std(found.height_mm) < 2.0


def test_the_error_of_what_rises_steadily_does_not_depend_on_the_cadence(tmp_path):
    # TRUTH  a top that rises at 160 km/s and scatters by 0.6 Mm, 20 and 60 s apart in turn; as above
    scene = StripScene()
    time_s = np.cumsum([0] + [20, 60] * 7 + [20])
    true = scene.geometry.row(20.0 + 0.16 * time_s)
    light = np.zeros((16, scene.rows, scene.columns))
    for plane, top in zip(light, true + np.random.default_rng(4).normal(0, 0.82, 16), strict=True):
        plane[: round(top), 100:140] = 200.0
    strip = strip_of(tmp_path, light, scene)
    strip = replace(strip, times_utc=strip.times_utc[0] + time_s * np.timedelta64(1, "s"))
    (found,) = find_prominences(strip)
    off = found.height_mm - scene.geometry.height_mm(true)
    assert 0.5 < np.median(found.height_err_mm) / np.nanstd(off) < 2.0


def test_light_high_above_for_one_frame_is_no_height(tmp_path):
    # TRUTH  a prominence of 30 rows; in one of eight frames, 2 s apart, a spot shines 100 rows above it,
    # which nothing on the Sun could reach and leave so fast.
    scene = StripScene()
    light = boxes(scene, (0, 30, 60, 90, 200.0), n=8)
    light[4, 120:140, 65:85] = 200.0
    strip = strip_of(tmp_path, light, scene)
    times = strip.times_utc[0] + (np.arange(8) * 2_000_000).astype("timedelta64[us]")
    (found,) = find_prominences(replace(strip, times_utc=times))
    assert np.isnan(found.height_mm[4])
    rest = np.delete(found.height_mm, 4)
    assert rest == pytest.approx(scene.geometry.height_mm(30), abs=1.5)


def test_a_knot_that_is_joined_for_one_frame_is_no_height(tmp_path):
    # TRUTH  a prominence of 40 rows; in one of twelve strips, 30 s apart, a column reaches 9 Mm higher: as if
    # it rose and fell at 300 km/s, turned by ten times the hardest acceleration of eruptions. In strips
    # 10 minutes apart it may have been there and stays.
    scene = StripScene()
    light = boxes(scene, (0, 40, 60, 110, 200.0), n=12)
    rows = round(9.0 / scene.geometry.mm_per_row)
    light[5, 40 : 40 + rows, 60:75] = 200.0
    strip = strip_of(tmp_path, light, scene)
    for seconds, stays in ((30, False), (600, True)):
        times = strip.times_utc[0] + np.arange(12) * np.timedelta64(seconds, "s")
        (found,) = find_prominences(replace(strip, times_utc=times))
        assert np.isfinite(found.height_mm[5]) == stays
        rest = np.delete(found.height_mm, 5)
        assert rest == pytest.approx(scene.geometry.height_mm(40), abs=1.5)


def test_a_knot_that_flies_above_is_no_part_of_the_height(tmp_path):
    # TRUTH  a prominence of 40 rows and a knot of 10 rows, 25 rows above it, in every frame; and the same
    # prominence cut loose from the limb, which still is the largest and keeps its height.
    scene = StripScene()
    for low in (0, 25):
        parts = ((low, 40, 60, 110, 200.0), (65, 75, 80, 90, 200.0))
        (found,) = find_prominences(strip_of(tmp_path, boxes(scene, *parts, n=6), scene))
        assert found.height_mm == pytest.approx(scene.geometry.height_mm(40), abs=1.5)


@pytest.mark.parametrize("gap_mm", [6.0, 7.0, 9.0, 12.0])
def test_a_knot_that_passes_close_above_does_not_lift_the_height(tmp_path, gap_mm):
    # TRUTH  a prominence of 40 rows and a round knot (1 sigma 1.5 Mm, as bright) that runs over it; where it
    # is nearest its light and the prominence's run into each other.
    scene = StripScene()
    geometry = scene.geometry
    light = boxes(scene, (0, 40, 60, 110, 200.0), n=12)
    row, column = np.arange(scene.rows)[:, None], np.arange(scene.columns)
    up_mm = (row - 40) * geometry.mm_per_row - gap_mm
    for plane, at in zip(light, np.linspace(50, 120, 12), strict=True):
        along_mm = (column - at) * geometry.mm_per_column(0.0)
        plane += 400.0 * np.exp(-0.5 * (up_mm**2 + along_mm**2) / 1.5**2)
    found = find_prominences(strip_of(tmp_path, light, scene))
    assert found[0].height_mm == pytest.approx(geometry.height_mm(40), abs=1.5)
