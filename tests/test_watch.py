"""Frames that come in: half-written ones wait, drift and clipping are said, nothing is touched."""

import os
import shutil
from dataclasses import replace

import cv2
import numpy as np
import pytest

from promtrack.scene import SceneSpec, make_scene
from promtrack.watch import Watch, look_at, watch_folder
from tests.messy import command, refused

STEP_S = 10.0


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Twelve frames that drift by 6 px a minute, named by their stamps."""
    folder = tmp_path_factory.mktemp("night")
    spec = SceneSpec(
        name="watch", frames=12, cadence_s=STEP_S, limb_arc_deg=35.0, drift_px=(11.0, 0.0), seed=3
    )
    scene = make_scene(spec)
    sequence = scene.sequence()
    for i, time in enumerate(sequence.times_utc):
        stamp = np.datetime_as_string(time, unit="ms").replace(":", "-")
        cv2.imwrite(str(folder / f"{stamp}Z.tif"), sequence.frame(i))
    return folder, scene


def feed(watch, folder):
    for path in sorted(folder.iterdir()):
        watch.take(path)
    return watch


def test_limb_is_found_where_it_is(recording):
    # TRUTH  the scene's own centre and radius; a quick look, 2 px across and 1 % of the radius.
    folder, scene = recording
    watch = feed(Watch(folder), folder)
    truth = scene.truth
    assert watch.count == 12
    radius = np.array([s.look.place.radius_px for s in watch.seen])
    assert radius == pytest.approx(truth.radius_px, rel=0.02)
    x = np.array([s.look.place.x_px for s in watch.seen])
    drift = np.polyfit(np.arange(12) * STEP_S / 60.0, x, 1)[0]
    true = np.polyfit(np.arange(12) * STEP_S / 60.0, truth.centre_x_px, 1)[0]
    assert drift == pytest.approx(true, abs=1.5)


def test_the_line_says_what_is_seen(recording):
    folder, _ = recording
    watch = feed(Watch(folder), folder)
    (line,), warned = watch.lines(now_s=os.path.getmtime(max(folder.iterdir(), key=os.path.getmtime)))
    for words in ("12 frames", "one every 10 s", "limb over", "% of the best"):
        assert words in line
    off = watch.seen[-1].stamp_off_s  # the scene plays on another day
    assert abs(off) > 48 * 3600
    words = f"{abs(off) / 86400:.0f} days {'after' if off > 0 else 'before'} this computer's clock"
    assert any(words in w for w in warned)
    for more_s, renewed in ((60.0, False), (-86400.0 * np.sign(off), True)):  # CLOCK_S lies between the two
        watch.seen[-1] = replace(watch.seen[-1], stamp_off_s=off + more_s)
        assert (watch.lines(now_s=0.0)[1] != warned) == renewed
    watch.seen[-1] = replace(watch.seen[-1], stamp_off_s=off)
    _, later = watch.lines(now_s=watch.seen[-1].time_s - watch.seen[-1].stamp_off_s + 100.0)
    assert any("No frame has come for 100 s, 10 times" in w for w in later)


def test_a_prominence_that_is_clipped_is_warned_of(recording):
    folder, _ = recording
    frame = cv2.imread(str(sorted(folder.iterdir())[0]), cv2.IMREAD_UNCHANGED)
    assert look_at(frame, 65535.0).beyond_clipped < 1e-3
    bright = np.clip(frame.astype(float) * 60, 0, 65535).astype(np.uint16)
    assert look_at(bright, 65535.0).beyond_clipped > 1e-3


def test_half_written_files_wait_and_nothing_is_touched(recording, tmp_path):
    folder, _ = recording
    source = sorted(folder.iterdir())[0]
    night = tmp_path / "night"
    night.mkdir()
    (night / source.name).write_bytes(source.read_bytes()[:1000])
    watch = Watch(night)
    assert watch.new_files() == []  # seen for the first time
    (night / source.name).write_bytes(source.read_bytes())
    assert watch.new_files() == []  # it has grown
    assert [p.name for p in watch.new_files()] == [source.name]
    assert watch.new_files() == []  # once only
    before = {p.name: p.read_bytes() for p in night.iterdir()}
    clock = iter(range(10**6)).__next__
    lines = watch_folder(Watch(night), tmp_path / "live", sleep=lambda s: None, clock=clock)
    assert "1 frame," in next(lines)
    assert {p.name: p.read_bytes() for p in night.iterdir()} == before
    assert {p.name for p in (tmp_path / "live").iterdir()} == {"live.png", "live.html"}
    assert cv2.imread(str(tmp_path / "live" / "live.png")) is not None


def test_an_empty_folder_is_said_once_and_the_first_frames_at_once(recording, tmp_path):
    night = tmp_path / "night"
    night.mkdir()
    times = {"clock": iter(range(10**6)).__next__, "every_s": 1000.0, "until_s": 500.0}
    lines = watch_folder(Watch(night), tmp_path / "live", sleep=lambda s: None, **times)
    assert "No frame yet" in next(lines)
    assert "No frame yet" in (tmp_path / "live" / "live.html").read_text(encoding="utf-8")
    for path in sorted(recording[0].iterdir())[:6]:
        shutil.copy(path, night)
    assert "6 frames, the last" in next(lines)
    assert "6 frames, the last" in (tmp_path / "live" / "live.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("came", [0, 3])
def test_ctrl_c_ends_it_well(recording, capsys, monkeypatch, came):
    def interrupted(watch, *_, **__):
        watch.count = came
        yield "a line"
        raise KeyboardInterrupt

    monkeypatch.setattr("promtrack.watch.watch_folder", interrupted)
    status, out, err = command(capsys, "watch", recording[0])
    assert status == 0
    end = f"next: promtrack run {recording[0]}" if came else f"no frame has come into {recording[0]}"
    assert out.endswith(f"a line\nstopped; {end}\n")
    assert err == ""


def test_a_doubted_clock_is_said_once_and_stays_on_the_page(recording, tmp_path):
    night = tmp_path / "night"
    shutil.copytree(recording[0], night)  # the scene plays on another day
    times = {"clock": iter(range(10**6)).__next__, "every_s": 20.0, "until_s": 100.0}
    lines = list(watch_folder(Watch(night), tmp_path / "live", sleep=lambda s: None, **times))
    assert sum("% of the best" in line for line in lines) > 3
    assert sum("wrong clock or zone" in line for line in lines) == 1
    assert "wrong clock or zone" in (tmp_path / "live" / "live.html").read_text(encoding="utf-8")


def test_what_is_no_picture_is_passed_over(recording, tmp_path):
    shutil.copytree(recording[0], tmp_path / "night")
    (tmp_path / "night" / "notes.txt").write_text("seeing fair")
    (tmp_path / "night" / "0broken.tif").write_bytes(b"II*\0 not really")
    assert feed(Watch(tmp_path / "night"), tmp_path / "night").count == 12


def test_no_folder(tmp_path, capsys):
    # one sentence, and no word of what is being watched
    assert "none: is no folder" in refused(capsys, "watch", tmp_path / "none")
    (tmp_path / "file.tif").write_bytes(b"II*")
    assert "file.tif: is no folder" in refused(capsys, "watch", tmp_path / "file.tif")


def test_an_output_folder_that_cannot_be_made_is_said_before_its_page_is_named(tmp_path, capsys):
    (tmp_path / "in").mkdir()
    (tmp_path / "file").write_bytes(b"")
    sentence = refused(capsys, "watch", tmp_path / "in", "--out", tmp_path / "file" / "live", "--minutes", 0)
    assert "make sure that there is free space" in sentence


def test_nothing_is_written_into_the_folder_that_is_watched(tmp_path, capsys):
    for out in (tmp_path, tmp_path / "live"):
        sentence = refused(capsys, "watch", tmp_path, "--out", out, "--minutes", 0)
        assert f"{out}: lies inside the folder that is watched" in sentence
    assert list(tmp_path.iterdir()) == []
