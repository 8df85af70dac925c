"""The clip as files: what is written, verified, and what happens when it cannot be."""

import sys
from dataclasses import replace

import cv2
import numpy as np
import pytest

from promtrack.errors import InputError
from promtrack.show import encode
from promtrack.show.clip import locked_name, render_clip
from promtrack.show.encode import (
    Encoder,
    _under_limit,
    check_video,
    count_pictures,
    gif_delay_cs,
    write_gif,
    x264_options,
)
from promtrack.show.timing import plan_shots
from tests.show.clip_case import lock_of, picture_of, quick_run, sequence_of


def test_everything_is_written_and_nothing_else(tmp_path):
    run = quick_run(
        view="native", also="gif,webp,plain,overlay,frames", hold_s=0.2, title="Eruption", rate=20.0
    )
    seen = []
    files = render_clip(run, tmp_path, progress=lambda done, total: seen.append((done, total)))
    assert [f.name for f in files] == [
        "clip.mp4",
        "poster.png",
        "clip-plain.mp4",
        "clip-overlay.mov",
        "clip.gif",
        "clip.webp",
    ]
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([*(f.name for f in files), "locked-frames"])
    used = np.flatnonzero(run.lock.used)
    pictures = len(used) + 4 + 40 + 60  # hold, title of 2 s and end card of 3 s
    assert [count_pictures(f, decode=True) for f in files if f.suffix in (".mp4", ".mov")] == [pictures] * 3
    steps = len(used) + 3 + 1
    assert seen[-1] == (steps, steps)  # the last step is the check of the files
    # the animations begin with the clip's title and end with its card
    clip = cv2.VideoCapture(str(files[0]))
    shown = [clip.read()[1].astype(float) for _ in range(pictures)]
    for path in files[-2:]:
        film = cv2.imreadanimation(str(path))[1].frames
        for place in (0, -1):
            assert np.abs(film[place][..., :3] - shown[place]).mean() < 8.0
    poster = cv2.imread(str(files[1]))
    assert poster.shape == (474, 630, 3)
    frames = sorted((tmp_path / "locked-frames").iterdir())
    assert [f.name for f in frames] == [locked_name(int(i), run.sequence.times_utc[i]) for i in used]


def test_plain_has_no_annotation_and_clip_has(tmp_path):
    # TRUTH  the two differ where the annotation is, in the first picture by far more than the encoder's
    # error, and agree elsewhere.
    render_clip(
        quick_run(view="native", also="plain", hold_s=0.0, overlays="clock,scale,heights,compass"), tmp_path
    )
    first = [
        cv2.VideoCapture(str(tmp_path / name)).read()[1].astype(int)
        for name in ("clip.mp4", "clip-plain.mp4")
    ]
    apart = np.abs(first[0] - first[1]).max(axis=2)
    assert 0.005 < (apart > 60).mean() < 0.35
    assert np.median(apart) <= 2


def test_locked_frames_are_locked_and_linear(tmp_path):
    # TRUTH  frames drifting by fractions of a pixel come out with the plume in one place (0.05 px), counts
    # scaled to 65535.
    shift = [(0.0, 0.0), (3.4, -2.3), (7.7, 1.9)]
    frames = [picture_of(seed=i, centre=(150.0 + s[0], 830.0 + s[1]), noise=1.0) for i, s in enumerate(shift)]
    run = quick_run(view="native", also="frames", hold_s=0.0)
    lock = lock_of(3, shift_px=shift)
    times = run.strip.times_utc[0] + np.arange(3) * np.timedelta64(20, "s")
    sequence = replace(sequence_of(frames), times_utc=times)
    motion = replace(run.motion, knots=(), fronts=())
    strip = replace(run.strip, frame=np.array([0, 1, 2]), times_utc=times)
    render_clip(replace(run, sequence=sequence, lock=lock, motion=motion, strip=strip), tmp_path)
    places = []
    for path in sorted((tmp_path / "locked-frames").iterdir()):
        picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        assert picture.dtype == np.uint16
        assert picture.shape == frames[0].shape
        assert np.median(picture[200:]) == pytest.approx(
            np.median(frames[0][200:]) * 65535.0 / 16383.0, rel=0.02
        )
        row = picture[115, 130:210].astype(float) - np.median(picture[115])
        row = np.clip(row, 0, None)
        places.append((row * np.arange(len(row))).sum() / row.sum())
    assert np.ptp(places) < 0.05 * 3


def test_size_limit_is_kept(tmp_path):
    # TRUTH  files of less than 0.4 MB, still animated; the GIF's delay is a whole number of 1/100 s not below
    # 2.
    render_clip(quick_run(view="native", also="gif,webp", limit_mb=0.4, hold_s=0.0), tmp_path)
    for name in ("clip.gif", "clip.webp"):
        assert (tmp_path / name).stat().st_size <= 400_000
    done, animation = cv2.imreadanimation(str(tmp_path / "clip.webp"))
    assert done
    assert len(animation.frames) > 8


def test_impossible_limit_is_said(tmp_path):
    path = tmp_path / "x.mp4"
    rng = np.random.default_rng(0)
    with Encoder(path, (320, 240), 20.0, x264_options(20.0, 20)) as encoder:
        for _ in range(6):
            encoder.put(
                (
                    rng.integers(16, 235, 320 * 240, np.uint8).tobytes(),
                    bytes([128]) * (160 * 120),
                    bytes([128]) * (160 * 120),
                )
            )
    with pytest.raises(InputError, match=r"the limit is 0\.01 MB.*raise clip\.limit_mb"):
        write_gif(path, tmp_path / "x.gif", 320, 20.0, 0.01)
    assert [p.name for p in tmp_path.iterdir()] == ["x.mp4"]


def test_a_small_limit_halves_the_rate_before_the_picture_is_illegible(tmp_path):
    # TRUTH  an encoder whose bytes are proportional to width² times rate: at full rate 400 px would fit, at
    # half the rate 566 px do.
    made = []

    def encode(target, wide, rate):
        made.append((wide, rate))
        target.write_bytes(b"0" * int(wide * wide * rate / 4.0))

    limit_mb = 400.0 * 400.0 * 20.0 / 4.0 / 1e6
    _under_limit(tmp_path / "x.gif", encode, 1920, 20.0, limit_mb, lambda path: 1)
    assert made[0] == (1080, 20.0)
    assert made[-1][1] == 10.0
    assert 480 < made[-1][0] < 566


def test_what_cannot_be_met_is_said_of_the_last_picture_tried(tmp_path):
    # TRUTH  an encoder that always makes 101,000 bytes, a limit of 0.1 MB: said with the width that was tried
    # last, and above the limit.
    made = []

    def encode(target, wide, rate):
        made.append(wide)
        target.write_bytes(b"0" * 101_000)

    with pytest.raises(InputError) as caught:
        _under_limit(tmp_path / "x.gif", encode, 1920, 20.0, 0.1, lambda path: 1)
    assert f"0.11 MB even at {made[-1]} px width and " in str(caught.value)
    assert "the limit is 0.1 MB" in str(caught.value)


def test_no_animation_of_an_earlier_clip_stands_beside_a_new_one(tmp_path, monkeypatch):
    def fail(*_):
        raise InputError("too large")

    monkeypatch.setattr("promtrack.show.encode.write_gif", fail)
    for name in ("clip.gif", "clip.webp"):
        (tmp_path / name).write_text("of an earlier clip")
    with pytest.raises(InputError, match="too large"):
        render_clip(quick_run(view="native", also="gif,webp", hold_s=0.0), tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mp4", "poster.png"]


def test_gif_rates():
    # PUBLISHED  GIF89a: delays count 1/100 s; below 2 the common players fall back to ten pictures a second.
    assert [gif_delay_cs(rate) for rate in (60.0, 50.0, 30.0, 25.0, 20.0, 10.0)] == [2, 2, 4, 4, 5, 10]


def test_no_ffmpeg_is_one_sentence(tmp_path, monkeypatch):
    def missing():
        raise RuntimeError("No ffmpeg exe could be found.")

    monkeypatch.setattr("imageio_ffmpeg.get_ffmpeg_exe", missing)
    with pytest.raises(InputError, match=r"no ffmpeg program was found.*imageio-ffmpeg"):
        render_clip(quick_run(view="native"), tmp_path)
    assert not list(tmp_path.iterdir())


def test_failing_encoder_is_one_sentence_and_leaves_nothing(tmp_path, monkeypatch):
    fake = tmp_path / "ffmpeg.py"
    fake.write_text(
        "import sys\nsys.exit('av_interleaved_write_frame(): No space left on device')\n", encoding="utf-8"
    )
    encode.ffmpeg_program()  # found and tried out before the fake takes its place
    real = encode.subprocess.Popen
    monkeypatch.setattr(
        encode.subprocess, "Popen", lambda command, **kw: real([sys.executable, str(fake)], **kw)
    )
    out = tmp_path / "out"
    out.mkdir()
    with pytest.raises(InputError, match=r"no space left on the disk.*free some space"):
        render_clip(quick_run(view="native"), out)
    assert not list(out.iterdir())


def test_missing_folder_is_said(tmp_path):
    with pytest.raises(InputError):
        render_clip(quick_run(view="native"), tmp_path / "nowhere")


def test_interruption_leaves_the_old_clip(tmp_path):
    (tmp_path / "clip.mp4").write_bytes(b"older")

    def stop(done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_clip(quick_run(view="native"), tmp_path, progress=stop)
    assert (tmp_path / "clip.mp4").read_bytes() == b"older"
    assert [p.name for p in tmp_path.iterdir()] == ["clip.mp4"]


def test_no_used_frame_is_said(tmp_path):
    run = quick_run(view="native")
    none = replace(run, lock=replace(run.lock, used=np.zeros_like(run.lock.used)))
    with pytest.raises(InputError, match="no frame could be used"):
        render_clip(none, tmp_path)


def test_check_catches_a_short_file(tmp_path):
    path = tmp_path / "x.mp4"
    with Encoder(path, (64, 48), 20.0, x264_options(20.0, 20)) as encoder:
        for i in range(5):
            encoder.put((bytes([i * 20]) * (64 * 48), bytes([128]) * (32 * 24), bytes([128]) * (32 * 24)))
    check_video(path, 5, 64, 48)
    with pytest.raises(InputError, match="5 pictures of 64x48, not 6"):
        check_video(path, 6, 64, 48)


def test_same_input_same_pictures(tmp_path):
    # REGRESSION by definition: two runs of one input give the same pictures, byte for byte.
    decoded = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        render_clip(quick_run(view="native", hold_s=0.0), tmp_path / name)
        decoded.append((tmp_path / name / "poster.png").read_bytes())
    assert decoded[0] == decoded[1]


def test_shots_of_one_frame():
    plan = plan_shots(np.array([4]), np.array([0.0]), quick_run(rate=20.0, hold_s=1.5).settings.clip)
    assert [(s.act, s.frame, s.repeats) for s in plan.shots] == [
        ("title", 4, 40),
        ("motion", 4, 1),
        ("hold", 4, 30),
        ("end", 4, 60),
    ]
