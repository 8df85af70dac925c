"""Films: raw capture video and everything that goes through ffmpeg, against ffmpeg and PyAV as independent
decoders."""

import subprocess
import sys

import av
import imageio_ffmpeg
import numpy as np
import pytest

from promtrack.errors import InputError
from promtrack.sequence import open_sequence, video
from promtrack.sequence.video import _asked_for
from promtrack.settings import TimesSettings
from tests.sequence.make import COLUMNS, ROWS, decoded, picture, write_capture

START = TimesSettings(start="2026-05-17T09:31:20Z", cadence_s=10.0)
FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
TIMES = np.datetime64("2026-05-17T09:31:20.123456", "us") + np.arange(5) * np.timedelta64(250_001, "us")


def encode(path, frames, pixels, *options, rate="25"):
    rows, columns = frames[0].shape[:2]
    command = [
        FFMPEG,
        "-v",
        "error",
        "-y",
        "-f",
        "rawvideo",
        "-pix_fmt",
        pixels,
        "-s",
        f"{columns}x{rows}",
        "-r",
        rate,
        "-i",
        "-",
        *options,
        str(path),
    ]
    subprocess.run(command, input=b"".join(f.tobytes() for f in frames), check=True)
    return path


def through_ffmpeg(path, pixels, shape, dtype):
    command = [FFMPEG, "-v", "error", "-i", str(path), "-f", "rawvideo", "-pix_fmt", pixels, "-"]
    done = subprocess.run(command, check=True, capture_output=True)
    return np.frombuffer(done.stdout, dtype).reshape(-1, *shape)


@pytest.mark.parametrize(("bits", "dtype", "pixels"), [(8, "uint8", "gray"), (16, "uint16", "gray16le")])
def test_capture_video_as_ffmpeg_reads_it(tmp_path, bits, dtype, pixels):
    # TWIN  ffmpeg's own demuxer; in the header's flag 0 and 1 have opposite meanings to different writers
    frames = [picture(i, dtype) for i in range(5)]
    path = write_capture(tmp_path / "sun.ser", frames, bits=bits, flag=0)
    sequence = open_sequence(path, times=START)
    theirs = through_ffmpeg(path, pixels, (ROWS, COLUMNS), dtype)
    for i in (4, 0, 2):
        np.testing.assert_array_equal(sequence.frame(i), frames[i])
        if bits == 8:
            np.testing.assert_array_equal(sequence.frame(i), theirs[i])
    assert any(np.array_equal(turned, frames[2]) for turned in (theirs[2], theirs[2].byteswap()))
    assert sequence.full_scale == 2**bits - 1


@pytest.mark.parametrize("flag", [0, 1])
@pytest.mark.parametrize("order", ["<", ">"])
def test_byte_order_is_told_by_the_picture(tmp_path, flag, order):
    frames = [picture(i) // 16 for i in range(3)]
    path = write_capture(tmp_path / "sun.ser", frames, bits=12, flag=flag, order=order)
    sequence = open_sequence(path, times=START)
    np.testing.assert_array_equal(sequence.frame(1), frames[1])
    assert sequence.full_scale == 4095.0


def test_stamps_recorded_with_the_frames(tmp_path):
    # TRUTH  microseconds kept through units of 100 ns since year 1
    path = write_capture(tmp_path / "sun.ser", [picture(i) for i in range(5)], times_utc=TIMES)
    sequence = open_sequence(path)
    np.testing.assert_array_equal(sequence.times_utc, TIMES)
    assert sequence.time_report.source == "video"


def test_raw_colour_and_colour_capture(tmp_path):
    # TRUTH  red photosites carry a slope, and the red plane of a colour film is the picture
    y, x = np.mgrid[:ROWS, :COLUMNS]
    slope = 1000 + 20 * x + 10 * y
    raw = [np.where((y % 2 == 0) & (x % 2 == 1), slope, 0).astype(np.uint16) for _ in range(2)]
    frame = open_sequence(write_capture(tmp_path / "raw.ser", raw, colour=9), times=START).frame(0)
    np.testing.assert_allclose(frame[2:-2, 2:-2], slope[2:-2, 2:-2], atol=1)
    colour = [
        np.dstack([picture(i, "uint8") // 40, picture(i, "uint8") // 50, picture(i, "uint8")])
        for i in range(2)
    ]
    sequence = open_sequence(write_capture(tmp_path / "bgr.ser", colour, colour=101, bits=8), times=START)
    np.testing.assert_array_equal(sequence.frame(1), picture(1, "uint8"))


def test_capture_video_cut_short_gives_its_whole_frames(tmp_path):
    path = write_capture(tmp_path / "sun.ser", [picture(i) for i in range(5)])
    path.write_bytes(path.read_bytes()[: 178 + 3 * ROWS * COLUMNS * 2 + 100])
    assert len(open_sequence(path, times=START)) == 3


@pytest.mark.parametrize(
    ("suffix", "dtype", "pixels", "options"),
    [
        (".mkv", "uint8", "gray", ("-c:v", "ffv1")),
        (".mkv", "uint16", "gray16le", ("-c:v", "ffv1")),
        (".avi", "uint8", "gray", ("-c:v", "rawvideo", "-pix_fmt", "gray")),
        (".avi", "uint16", "gray16le", ("-c:v", "ffv1")),
        (".mov", "uint8", "gray", ("-c:v", "png")),
    ],
)
def test_lossless_films_come_back_exactly(tmp_path, suffix, dtype, pixels, options):
    # TRUTH  the frames that were encoded, in sequence and at random
    frames = [picture(i % 7, dtype) for i in range(60)]
    path = encode(tmp_path / f"sun film é{suffix}", frames, pixels, *options)
    sequence = open_sequence(path, times=START)
    assert len(sequence) == 60
    for i, frame in sequence.frames():
        np.testing.assert_array_equal(frame, frames[i])
    for i in (59, 3, 4, 57, 0, 31):
        np.testing.assert_array_equal(sequence.frame(i), frames[i])


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
def test_compressed_film_as_pyav_decodes_it(tmp_path, suffix):
    # TWIN  PyAV: the luma plane of H.264 with B-frames, brought from studio range (16 to 235) to 0 to 255
    frames = [np.roll(picture(0, "uint8")[:, :64], i, axis=1) for i in range(80)]
    path = encode(
        tmp_path / f"sun{suffix}",
        frames,
        "gray",
        "-c:v",
        "libx264",
        "-pix_fmt",
        "yuv420p",
        "-g",
        "25",
        "-bf",
        "3",
    )
    with av.open(str(path)) as film:
        lumas = [f.to_ndarray(format="yuv420p")[:ROWS, :64].astype(float) for f in film.decode(video=0)]
    sequence = open_sequence(path, times=START)
    assert len(sequence) == len(lumas) == 80
    for i in (0, 1, 26, 79, 40, 78):
        expected = np.clip((lumas[i] - 16) * 255 / 219, 0, 255)
        np.testing.assert_allclose(sequence.frame(i), expected, atol=1.0)  # rounding


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_film_cut_without_encoding_it_anew(tmp_path, suffix):
    # TWIN  PyAV; such a film begins with pictures that are decoded but not shown
    frames = [np.roll(picture(0, "uint8")[:, :64], i % 64, axis=1) for i in range(100)]
    whole = encode(
        tmp_path / f"whole{suffix}", frames, "gray", "-c:v", "libx264", "-pix_fmt", "yuv420p", "-g", "25"
    )
    cut = tmp_path / f"cut{suffix}"
    subprocess.run(
        [FFMPEG, "-v", "error", "-ss", "1.3", "-i", str(whole), "-c", "copy", str(cut)], check=True
    )
    with av.open(str(cut)) as film:
        lumas = [f.to_ndarray(format="yuv420p")[:ROWS, :64].astype(float) for f in film.decode(video=0)]
    sequence = open_sequence(cut, times=START)
    assert len(sequence) == len(lumas)
    for i in (0, 1, 40, 7, len(lumas) - 1):
        np.testing.assert_allclose(sequence.frame(i), np.clip((lumas[i] - 16) * 255 / 219, 0, 255), atol=1.0)


def test_damage_inside_a_film_moves_no_frame(tmp_path):
    # TRUTH  frames that still decode carry their own picture, and those that do not are told; the demuxer may
    # take the damaged packet and its neighbour for one
    frames = [np.roll(picture(0, "uint8")[:, :64], i, axis=1) for i in range(60)]
    path = encode(tmp_path / "sun.avi", frames, "gray", "-c:v", "png")
    data = bytearray(path.read_bytes())
    start = data.index(b"\x89PNG", len(data) // 2)
    data[start : start + 60] = b"\0" * 60
    path.write_bytes(data)
    sequence = open_sequence(path, times=START)
    assert len(sequence) in (59, 60)
    good, errors = decoded(sequence)
    (spoilt,) = errors
    for i, frame in good.items():
        np.testing.assert_array_equal(frame, frames[i + (60 - len(sequence)) * (i > spoilt)])


def test_red_film_takes_the_red(tmp_path):
    # TRUTH  the red channel that was encoded
    grey = [picture(i, "uint8")[:, :64] for i in range(4)]
    red = [np.dstack([g, g // 30, g // 30]) for g in grey]
    path = encode(tmp_path / "sun.mp4", red, "rgb24", "-c:v", "libx264", "-pix_fmt", "yuv444p", "-crf", "1")
    sequence = open_sequence(path, times=START)
    assert "red channel" in sequence.notes[0]
    # crf 1 and the conversion there and back lose a few counts
    assert np.std(sequence.frame(2).astype(float) - grey[2]) < 3.0


def test_clock_of_the_container(tmp_path):
    # TRUTH  ten pictures, five a second, from the time written into the film
    frames = [picture(i, "uint8")[:, :64] for i in range(10)]
    path = encode(
        tmp_path / "sun.mp4",
        frames,
        "gray",
        "-pix_fmt",
        "yuv420p",
        "-metadata",
        "creation_time=2026-05-17T09:31:20Z",
        rate="5",
    )
    with pytest.raises(InputError, match="plays 5 pictures a second, and playback is seldom the time"):
        open_sequence(path)
    sequence = open_sequence(path, times=TimesSettings(source="video"))
    assert sequence.times_utc[0] == np.datetime64("2026-05-17T09:31:20")
    assert sequence.time_s[-1] == pytest.approx(1.8)
    assert "creation time" in sequence.time_report.problems[0]
    started = open_sequence(path, times=TimesSettings(start="2026-05-17T10:00:00Z", source="cadence"))
    assert started.times_utc[0] == np.datetime64("2026-05-17T10:00:00")
    assert started.time_report.source == "cadence"


def test_start_of_a_film_in_its_name(tmp_path):
    # TRUTH  ten pictures, five a second
    frames = [picture(i, "uint8")[:, :64] for i in range(10)]
    path = encode(tmp_path / "sun_20260517_093120.mp4", frames, "gray", "-pix_fmt", "yuv420p", rate="5")
    with pytest.raises(InputError, match=r"how far apart in time.*times\.cadence_s=10.*times\.source=names"):
        open_sequence(path)
    assert open_sequence(path, times=TimesSettings(source="names")).time_s[-1] == pytest.approx(1.8)
    slow = open_sequence(path, times=TimesSettings(cadence_s=30.0))
    assert slow.times_utc[2] == np.datetime64("2026-05-17T09:32:20")


def test_several_films_make_one_recording(tmp_path):
    # TRUTH  common practice, no source: a short film every minute, each named by its start
    for k in range(3):
        frames = [picture(4 * k + i, "uint8") for i in range(4)]
        encode(tmp_path / f"20260517_093{k}20.mkv", frames, "gray", "-c:v", "ffv1", rate="5")
    sequence = open_sequence(tmp_path)
    assert len(sequence) == 12
    assert sequence.time_s.tolist() == pytest.approx([60 * k + 0.2 * i for k in range(3) for i in range(4)])
    for i in (0, 5, 11, 4):
        np.testing.assert_array_equal(sequence.frame(i), picture(i, "uint8"))


def test_a_film_without_any_clock_asks_for_one(tmp_path):
    path = encode(
        tmp_path / "sun.mp4", [picture(i, "uint8")[:, :64] for i in range(4)], "gray", "-pix_fmt", "yuv420p"
    )
    with pytest.raises(InputError, match=r"times\.start=.*times\.cadence_s") as caught:
        open_sequence(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("keep", [0.1, 0.5, 0.9])
def test_film_cut_short(tmp_path, keep):
    # an MP4 keeps its index at the end unless told otherwise: cut, it cannot be read; an MKV gives what is
    # there
    frames = [np.roll(picture(0, "uint8")[:, :64], i, axis=1) for i in range(50)]
    for suffix in (".mp4", ".mkv"):
        path = encode(tmp_path / f"sun{suffix}", frames, "gray", "-pix_fmt", "yuv420p")
        path.write_bytes(path.read_bytes()[: int(keep * path.stat().st_size)])
        message = ""
        try:
            sequence = open_sequence(path, times=START)
            assert 1 <= len(sequence) <= 50  # a single frame is a recording too
            decoded(sequence)
        except InputError as error:
            message = str(error)
        assert str(path) in message or (not message and suffix == ".mkv")


@pytest.mark.parametrize(
    ("stored", "asked"),
    [
        ("gray", "gray"),
        ("gray10le", "gray16le"),
        ("gray16be", "gray16le"),
        ("yuv420p", "gray"),
        ("yuvj420p", "gray"),
        ("yuv420p10le", "gray16le"),
        ("yuv444p16be", "gray16le"),
        ("rgb24", "rgb24"),
        ("bgr0", "rgb24"),
        ("rgb48le", "rgb48le"),
        ("gbrp12le", "rgb48le"),
        ("pal8", "rgb24"),
        ("p010le", "gray16le"),
        ("bayer_rggb16le", "bayer_rggb16le"),
    ],
)
def test_full_depth_is_asked_for(stored, asked):
    # TWIN  names and depths as `ffmpeg -pix_fmts` lists them
    assert _asked_for(stored)[0] == asked


def test_ctrl_c_stops_the_ffmpeg_that_is_listened_to(monkeypatch):
    started, start = [], video._started
    monkeypatch.setattr(video, "_started", lambda *a, **k: started.append(start(*a, **k)) or started[0])

    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(subprocess.Popen, "communicate", stop)
    with pytest.raises(KeyboardInterrupt):
        video._listened([sys.executable, "-c", "import time; time.sleep(60)"])
    assert started[0].poll() is not None
