"""Times that cannot be, and settings that are wrong: said at once, with what to do."""

import numpy as np
import pytest

from promtrack.limb.records import to_polar
from promtrack.pipeline import run
from promtrack.settings_text import change_settings
from tests.conftest import QUICK_SETTINGS
from tests.messy import command, frames_in, refused, refused_run, some_of

BERLIN = ("--set", "site.latitude_deg=52.5", "--set", "site.longitude_deg=13.4")


@pytest.fixture(scope="module")
def pictures(small_scene):
    return [small_scene.frame(i) for i in range(6)]


def test_no_times(tmp_path, capsys, pictures):
    folder = frames_in(tmp_path / "in", pictures, names=[f"sun_{i}.tif" for i in range(6)])
    assert "give them, for instance: --set times.start=" in refused_run(capsys, folder, tmp_path / "out")


def test_one_time_for_all(tmp_path, capsys, pictures):
    folder = frames_in(tmp_path / "in", pictures, names=[f"2026-05-17T09-30-00Z_{i}.tif" for i in range(6)])
    assert "carry the same time, 2026-05-17T09:30:00Z" in refused_run(capsys, folder, tmp_path / "out")


def checked(capsys, folder, *arguments):
    status, out, err = command(capsys, "check", folder, *arguments)
    assert status == 0, err
    return out


def test_duplicate_backward_missing_and_stray_times_are_said(tmp_path, capsys, pictures):
    names = [
        "a_2026-05-17T09-30-00Z.tif",
        "b_2026-05-17T09-30-20Z.tif",
        "c_2026-05-17T09-30-20Z.tif",
        "d_2026-05-17T09-30-10Z.tif",
        "e_without.tif",
        "f_2031-01-01T00-00-00Z.tif",
    ]
    out = checked(capsys, frames_in(tmp_path / "in", pictures, names=names))
    assert "1 frame with the same time as the one before left out (first: c_2026-05-17T09-30-20Z.tif" in out
    assert (
        "1 frame earlier than the one before in the order of names (first: d_2026-05-17T09-30-10Z.tif)" in out
    )
    assert "left out: e_without.tif: has no time" in out
    assert "left out: f_2031-01-01T00-00-00Z.tif: 2031-01-01T00:00:00Z is days from the others" in out


def test_a_clock_that_was_never_set_is_said(tmp_path, capsys, pictures):
    names = [f"1970-01-01T00-0{i}-00Z.tif" for i in range(6)]
    assert "the clock was hardly set" in checked(capsys, frames_in(tmp_path / "in", pictures, names=names))


def test_the_change_to_winter_time_is_said(tmp_path, capsys, pictures):
    # PUBLISHED  In Germany clocks went back from 03:00 to 02:00 on 2025 October 26 (Directive 2000/84/EC: the
    # last Sunday of October, 01:00 UTC), so 02:30 happened twice and 03:30 CET is 02:30 UTC.
    names = [
        f"2025-10-26T{time}.tif"
        for time in ("01-50-00", "02-10-00", "02-30-00", "02-50-00", "03-10-00", "03-30-00")
    ]
    out = checked(
        capsys, frames_in(tmp_path / "in", pictures, names=names), "--set", "times.zone=Europe/Berlin"
    )
    assert "2025-10-25 23:50:00 to 2025-10-26 02:30:00 UTC" in out
    assert "twice" in out


def test_local_time_taken_for_utc_is_said_by_check(small_frames, capsys):
    # The frames are stamped 09:30 UTC: high morning at 13 deg east, deep night at 160 deg west.
    assert "below the horizon" not in checked(capsys, small_frames, *BERLIN)
    out = checked(capsys, small_frames, "--set", "site.latitude_deg=20", "--set", "site.longitude_deg=-160")
    assert "deg below the horizon of the site: if the times are local, set times.zone" in out


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("clip.rat=3", "unknown setting 'clip.rat'; did you mean 'clip.rate'?"),
        ("clop.rate=3", "clip.rate"),
        ("clip.rate=fast", "'clip.rate' needs a number, got 'fast'; 1 to 60 1/s"),
        ("clip.rate=1000", "'clip.rate' is 1000, outside its range; give 1 to 60 1/s"),
        ("clip.rate=nan", "'clip.rate' is nan, outside its range"),
        ("clip.look=neon", "choose from ash, ember, nightfall"),
        ("camera.mirrored=perhaps", "'camera.mirrored' needs true or false"),
        ("motion.least_points=8.5", "needs a whole number"),
        ("clip.rate", "'clip.rate' has no '='"),
        ("times.zone=Mars/Olympus", "Mars/Olympus"),
        ("times.start=yesterday", "yesterday"),
        ("times.table=/nowhere/times.csv", "/nowhere/times.csv"),
        ("camera.dark=/nowhere/dark.tif", "/nowhere/dark.tif"),
    ],
)
def test_wrong_settings(tmp_path, capsys, small_frames, change, words):
    source = (
        ["--set", "times.source=cadence", "--set", "times.cadence_s=20"]
        if change.startswith("times.start")
        else []
    )
    status = 1 if change.startswith("camera.dark") else 2
    sentence = refused(
        capsys, "run", small_frames, "--out", tmp_path / "out", "--set", change, *source, status=status
    )
    assert words in sentence
    assert not (tmp_path / "out").exists()


def test_times_of_the_clip_are_refused_before_anything_is_measured(tmp_path, capsys, small_frames):
    for change, words in (
        ("clip.from=23:00", "clip.from, clip.to: no frame lies between these times; give times within"),
        ("clip.to=noon", "clip.to: 'noon' is no time"),
    ):
        assert words in refused_run(capsys, small_frames, tmp_path / "out", "--set", change, status=2)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[clip]\nrat = 3\n", "did you mean 'clip.rate'?"),
        ("[clip]\nrate = 'x'\n", "needs a number"),
        ("rate = 3\n", "outside a section"),
        ("[clip\n", "is not valid TOML"),
        ("\x00", "is not valid TOML"),
        ("[clip]\nrate = [1]\n", "needs a number"),
        ("clip = " + 100_000 * "[", "is not valid TOML"),
    ],
)
def test_wrong_settings_file(tmp_path, capsys, small_frames, text, words):
    (tmp_path / "my.toml").write_text(text, encoding="utf-8")
    sentence = refused(
        capsys, "run", small_frames, "--out", tmp_path / "out", "--settings", tmp_path / "my.toml", status=2
    )
    assert sentence.startswith(str(tmp_path / "my.toml"))
    assert words in sentence


def test_paths_of_slits_are_read_before_the_frames_are_unwrapped(tmp_path, capsys, small_frames):
    for path, words in (
        ("spiral:3", "none of the four kinds"),
        ("radial:north", "cannot be read"),
        ("radial:180", "outside"),
    ):
        sentence = refused_run_after_lock(capsys, small_frames, tmp_path / "out", f"motion.slits={path}")
        assert sentence.startswith("motion.slits: ")
        assert words in sentence
        assert not (tmp_path / "out" / "strip.fits").exists()


def refused_run_after_lock(capsys, frames, out, change):
    return refused(capsys, "run", frames, "--out", out, "--set", change, "--quiet", status=2)


@pytest.mark.long
@pytest.mark.parametrize("turned", ["upside down", "left for right"])
def test_flipped_frames_measure_the_same_speeds(tmp_path, small_scene, small_run, monkeypatch, turned):
    # TRUTH  the same scene, its rows or columns reversed: the same knots at the same speeds, within their
    # errors, and at the same distance from the Sun's centre. The sense in which image angles run is reversed.
    flip = (lambda p: p[::-1]) if turned == "upside down" else (lambda p: p[:, ::-1])
    folder = frames_in(tmp_path / "in", [flip(small_scene.frame(i)) for i in range(len(small_scene))])
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    job = run(folder, tmp_path / "out", QUICK_SETTINGS)
    upright, flipped = ([k for k in m.knots if k.moving] for m in (small_run.motion, job.motion))
    assert len(upright) == len(flipped) == 2
    for one in upright:
        other = min(flipped, key=lambda k: abs(k.height_mm[0] - one.height_mm[0]))
        error = np.hypot(one.fit.speed_err_km_s, other.fit.speed_err_km_s)
        assert abs(one.fit.speed_km_s - other.fit.speed_km_s) < 3.0 * error
        assert abs(one.fit.radial_km_s - other.fit.radial_km_s) < 3.0 * np.hypot(
            one.fit.radial_err_km_s, other.fit.radial_err_km_s
        )
        assert abs(one.fit.along_km_s + other.fit.along_km_s) < 3.0 * np.hypot(
            one.fit.along_err_km_s, other.fit.along_err_km_s
        )
    assert abs(job.lock.radius_px - small_run.lock.radius_px) < 3.0 * np.hypot(
        job.lock.radius_err_px, small_run.lock.radius_err_px
    )


def test_a_mirrored_camera_gives_the_same_position_angles(tmp_path, small_scene, small_run):
    # TRUTH  the frames mirrored left for right with camera.mirrored set: the same position angle of the same
    # spot.
    plain = change_settings(QUICK_SETTINGS, {"camera.north_deg": 20.0})
    mirrored = change_settings(QUICK_SETTINGS, {"camera.north_deg": -20.0, "camera.mirrored": True})
    from promtrack.sun import orient, solar_view

    view = solar_view(small_scene.spec.times_utc[0])
    columns = small_scene.spec.shape[1]
    x, y = small_run.lock.centre_x_px[0] + 30.0, small_run.lock.centre_y_px[0] - 610.0
    theta = to_polar(small_run.lock, 0, np.array([x]), np.array([y]))[0][0]
    assert 0.0 < x < columns
    angles = [
        float(orient(view, camera=s.camera).to_product(a)) % 360.0
        for s, a in ((plain, theta), (mirrored, -theta))
    ]
    assert angles[0] == pytest.approx(angles[1], abs=1e-6)


@pytest.mark.parametrize("count", [2, pytest.param(5, marks=pytest.mark.long)])
def test_a_few_frames_are_enough_to_say_that_nothing_can_be_followed(tmp_path, small_frames, count):
    job = run(some_of(small_frames, tmp_path / "in", count), tmp_path / "out", QUICK_SETTINGS)
    assert (job.motion.knots, job.motion.fronts) == ((), ())
    assert job.folder["report"].exists()
