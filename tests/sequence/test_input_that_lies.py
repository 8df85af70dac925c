"""Input that looks sound and is not gives the right numbers or one clear sentence, never a wrong number."""

import os
import shutil
import subprocess
import sys
from dataclasses import replace

import cv2
import imageio_ffmpeg
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from promtrack.errors import InputError, SettingsError
from promtrack.sequence import open_sequence, sequence_from_arrays
from promtrack.sequence.bursts import with_exposure_classes
from promtrack.sequence.fits_header import line_of_light
from promtrack.sequence.stamps import running_numbers
from promtrack.settings import CameraSettings, Settings, TimesSettings
from promtrack.settings_text import change_settings
from tests.sequence.make import COLUMNS, ROWS, picture, stamp_name, write_capture, write_stills

START = TimesSettings(start="2026-05-17T09:31:20Z", cadence_s=10.0)
FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()


def named(folder, names, pictures=None):
    folder.mkdir(exist_ok=True)
    for i, name in enumerate(names):
        tifffile.imwrite(
            folder / name, picture(i) if pictures is None else pictures[i], photometric="minisblack"
        )
    return folder


@pytest.mark.parametrize(("y", "x", "pattern"), [(0, 0, "rggb"), (1, 0, "gbrg")])
def test_raw_pictures_of_a_colour_camera_are_asked_about(tmp_path, y, x, pattern):
    # TRUTH  red light alone, which one pixel of four lets through
    through = np.full((ROWS, COLUMNS), 0.06)
    through[y::2, x::2] = 1.0
    raw = [(picture(i) * through).astype(np.uint16) for i in range(3)]
    folder = named(tmp_path / "in", [stamp_name(i, ".tif") for i in range(3)], raw)
    with pytest.raises(
        InputError, match=f"raw pictures of a colour camera; give --set camera.bayer={pattern}"
    ):
        open_sequence(folder)
    assert len(open_sequence(folder, camera=CameraSettings(bayer="none"))) == 3


def test_a_pixel_without_a_value_hides_no_raw_colour(tmp_path):
    # TRUTH  red light alone, in pictures of floating numbers of which one has a hole
    through = np.full((ROWS, COLUMNS), 0.06)
    through[::2, ::2] = 1.0
    raw = [(picture(i) * through).astype(np.float32) for i in range(3)]
    raw[1][10:12, 10:12] = np.nan
    for i, one in enumerate(raw):
        (tmp_path / "in").mkdir(exist_ok=True)
        fits.writeto(tmp_path / "in" / stamp_name(i, ".fits"), one)
    with pytest.raises(InputError, match=r"raw pictures of a colour camera; give --set camera\.bayer="):
        open_sequence(tmp_path / "in")


def test_one_black_frame_with_hot_pixels_is_no_raw_colour(tmp_path):
    # TRUTH  the cap was on in the first frame: its three hot pixels lie on two of the four places of 2 x 2
    black = np.zeros((ROWS, COLUMNS), np.uint16)
    black[10, 20], black[4, 8], black[7, 13] = 20_000, 18_000, 9_000
    pictures = [black, *map(picture, range(1, 6))]
    assert (
        len(open_sequence(named(tmp_path / "in", [stamp_name(i, ".tif") for i in range(6)], pictures))) == 6
    )


@pytest.mark.parametrize(("hour", "zone"), [("0001-01-01T00", "+02:00"), ("9999-12-31T23", "-02:00")])
def test_a_zone_that_leads_out_of_the_calendar_is_no_fault(tmp_path, hour, zone):
    # TRUTH  a clock that was never set, at the first or last hour that a header can hold
    for i in range(3):
        header = fits.Header({"DATE-OBS": f"{hour}:00:0{i}"})
        fits.PrimaryHDU(picture(i), header).writeto(tmp_path / f"{i}.fits")
    found = open_sequence(tmp_path, times=TimesSettings(zone=zone))
    assert np.ptp(found.time_s) == 2.0
    assert any("clock was" in problem for problem in found.time_report.problems)


@pytest.mark.parametrize("cards", [{}, {"ROWORDER": "TOP-DOWN"}])
def test_the_pattern_asked_for_is_that_of_the_rows_as_stored(tmp_path, cards):
    # TRUTH  FITS rows are shown bottom-up by default, and the pattern is that of the file
    raw = np.full((ROWS, COLUMNS), 100, np.uint16)
    raw[::2, ::2] = 5000
    header = fits.Header({"DATE-OBS": "2026-05-17T09:31:20", **cards})
    fits.PrimaryHDU(raw, header).writeto(tmp_path / "a.fits")
    with pytest.raises(InputError, match=r"camera\.bayer=rggb"):
        open_sequence(tmp_path)


def test_copies_of_files_are_left_out(tmp_path):
    # TRUTH  most pictures lie there twice, one thrice, as copying by hand leaves them
    folder = named(tmp_path / "in", [stamp_name(i, ".tif") for i in range(6)])
    for i, end in [(0, " (1)"), (0, " (2)"), (1, " (1)"), (2, " copy"), (3, " copy"), (4, " copy")]:
        shutil.copy(folder / stamp_name(i, ".tif"), folder / stamp_name(i, f"{end}.tif"))
    sequence = open_sequence(folder)
    assert (len(sequence), sequence.time_report.problems) == (6, ())
    assert [r.reason.partition(" of ")[0] for r in sequence.unreadable] == ["is a copy"] * 6


@pytest.mark.parametrize(
    "form",
    [
        "2026-05-17_09-{m:02d}-{s:02d}-{n:04d}.tif",
        "Sun-20260517-09{m:02d}{s:02d}-{n:04d}.tif",
        "Sun_20260517_09{m:02d}{s:02d}{n:03d}.tif",
        "2026-05-17T09-{m:02d}-{s:02d}.{n:04d}.tif",
        "20260517_09{m:02d}{s:02d}+{n:04d}.tif",
    ],
)
def test_a_running_number_behind_a_stamp_is_no_part_of_it(tmp_path, form):
    # TRUTH  one frame every 20 s
    names = [form.format(m=30 + 20 * i // 60, s=20 * i % 60, n=i + 1) for i in range(12)]
    sequence = open_sequence(named(tmp_path / "in", names))
    assert sequence.time_s.tolist() == [20.0 * i for i in range(12)]
    assert sequence.times_utc[0] == np.datetime64("2026-05-17T09:30:00")


def test_one_offset_for_all_is_an_offset(tmp_path):
    names = [f"2026-05-17T11-31-{20 + i}+0200.tif" for i in range(3)]
    assert open_sequence(named(tmp_path / "in", names)).times_utc[0] == np.datetime64("2026-05-17T09:31:20")


def test_a_number_behind_hour_and_minute_is_asked_about(tmp_path):
    folder = named(tmp_path / "in", [f"2026-05-17_0931_{i}.tif" for i in range(1, 5)])
    with pytest.raises(
        InputError, match=r"end at the minute .*2026-05-17_0931_1.*times\.pattern=%Y-%m-%d_%H%M"
    ):
        open_sequence(folder)
    by_pattern = open_sequence(folder, times=TimesSettings(pattern="%Y-%m-%d_%H%M_%S"))
    assert by_pattern.time_s.tolist() == [0.0, 1.0, 2.0, 3.0]


def test_frames_less_than_a_second_apart_by_decimals_in_names_are_asked_about(tmp_path):
    # TRUTH  eight names a tenth of a second apart
    names = [f"2026-05-17T09-31-20.{100 * i:03d}Z.tif" for i in range(8)]
    with pytest.raises(InputError, match=r"has 10 frames a second by its names.*times\.source=names"):
        open_sequence(named(tmp_path / "in", names))
    sequence = open_sequence(tmp_path / "in", times=TimesSettings(source="names"))
    assert sequence.time_s[-1] == pytest.approx(0.7)


def test_frames_that_share_whole_seconds_are_spread(tmp_path):
    # TRUTH  two frames a second, stamps cut to whole seconds: half a second apart
    names = [f"20260517_0931{20 + i // 2}_{i:04d}.tif" for i in range(10)]
    sequence = open_sequence(named(tmp_path / "in", names))
    np.testing.assert_allclose(sequence.time_s, 0.5 * np.arange(10))
    assert any("spread evenly over their second" in p for p in sequence.time_report.problems)


def test_frames_that_mostly_share_their_stamp_are_refused(tmp_path):
    names = [f"20260517_093120_{i:04d}.tif" for i in range(8)] + [
        f"20260517_09320{i}_x.tif" for i in range(5)
    ]
    with pytest.raises(InputError, match=r"8 of 13 frames share their time with another"):
        open_sequence(named(tmp_path / "in", names))


def test_settings_of_times_that_are_not_used_are_said(tmp_path):
    folder = named(tmp_path / "in", [stamp_name(i, ".tif") for i in range(5)])
    problems = open_sequence(folder, times=TimesSettings(cadence_s=3.0)).time_report.problems
    assert any("times.cadence_s is not used" in p for p in problems)
    (tmp_path / "t.csv").write_text(
        f"file,time\n{stamp_name(0, '.tif')},2026-05-17T08:00:00\n", encoding="utf-8"
    )
    sequence = open_sequence(folder, times=TimesSettings(table=str(tmp_path / "t.csv")))
    assert sequence.times_utc[0] == np.datetime64("2026-05-17T09:31:20")
    assert any("names only 1 of the 5 frames and is not used" in p for p in sequence.time_report.problems)


def test_afternoon(tmp_path):
    names = [f"Sun 2026-05-17 at 2.30.{5 + i:02d} PM.tif" for i in range(3)]
    assert open_sequence(named(tmp_path / "in", names)).times_utc[0] == np.datetime64("2026-05-17T14:30:05")


@pytest.mark.parametrize(("year", "words"), [(2000, "hardly set"), (2097, "in the future")])
def test_clocks_that_were_not_set(tmp_path, year, words):
    folder = named(tmp_path / "in", [f"{year}-01-01T00-00-0{i}.tif" for i in range(3)])
    assert any(words in problem for problem in open_sequence(folder).time_report.problems)


def test_part_of_the_time(tmp_path):
    folder = named(tmp_path / "in", [stamp_name(i, ".tif") for i in range(12)])
    part = open_sequence(folder, times=TimesSettings(from_="09:31:40", to_="2026-05-17T09:32:20Z"))
    assert (len(part), part.times_utc[0]) == (5, np.datetime64("2026-05-17T09:31:40"))
    assert any("7 frames outside times.from = 09:31:40 and times.to" in note for note in part.notes)
    with pytest.raises(
        InputError, match=r"has no frames between times\.from and times\.to; the recording lasts"
    ):
        open_sequence(folder, times=TimesSettings(from_="11:00:00"))
    with pytest.raises(SettingsError, match=r"times\.to 'noon' is no time"):
        open_sequence(folder, times=TimesSettings(to_="noon"))


def test_part_of_the_time_past_midnight(tmp_path):
    names = [f"2026-05-17T23-59-{30 + 10 * i}.tif" for i in range(3)] + [
        f"2026-05-18T00-00-{10 * i:02d}.tif" for i in range(4)
    ]
    part = open_sequence(named(tmp_path / "in", names), times=TimesSettings(from_="00:00:10"))
    assert part.times_utc[0] == np.datetime64("2026-05-18T00:00:10")


@pytest.mark.parametrize(
    ("names_s", "headers_s", "said"),
    [(-20, 20, "run backward"), (20, 2, "lie 10 times"), (20, 20, ""), (20, 19, ""), (0, 20, "")],
)
def test_stamps_of_two_kinds_that_contradict_each_other_are_said(tmp_path, names_s, headers_s, said):
    # TRUTH  steps of the stamps in names and headers; the last: all names hold the start of the recording
    start = np.datetime64("2026-05-17T09:40:00")
    for i in range(6):
        name = str(start + names_s * i).replace(":", "-")
        cards = fits.Header({"DATE-OBS": str(start + headers_s * i)})
        fits.PrimaryHDU(picture(i), cards).writeto(tmp_path / f"{name}_{i}.fits")
    words = " ".join(open_sequence(tmp_path).time_report.problems)
    assert ("one of them is wrong" in words) == bool(said)
    assert said in words


def test_running_numbers_tell_what_stamps_do_not(tmp_path):
    # TRUTH  a clock set back by 75 s in the middle; and every third frame thrown away, one every 20 s before
    names = [
        f"2026-05-17T09-{30 + t // 60}-{t % 60:02d}Z_{i:03d}.tif"
        for i in range(12)
        for t in [20 * i - 75 * (i > 5)]
    ]
    with pytest.raises(
        InputError, match=r"go back at 2026-05-17T09-30-45Z_006\.tif.*a clock that was set back"
    ):
        open_sequence(named(tmp_path / "back", names))
    kept = named(tmp_path / "kept", [f"f{i:03d}.tif" for i in range(5, 20) if i % 3])
    sequence = open_sequence(kept, times=replace(START, cadence_s=20.0))
    assert sequence.time_s.tolist() == [20.0 * (i - 5) for i in range(5, 20) if i % 3]
    assert "5 numbers are missing in the names: the times follow the numbers" in sequence.time_report.problems


@pytest.mark.parametrize("form", ["prom_{0:02d}{1:02d}.tif", "260517_{0:02d}{1:02d}20.tif"])
def test_a_clock_in_the_names_does_not_count_frames(tmp_path, form):
    # TRUTH  one frame a minute from 08:50
    folder = named(tmp_path / "in", [form.format(8 + (50 + i) // 60, (50 + i) % 60) for i in range(20)])
    sequence = open_sequence(folder, times=replace(START, cadence_s=60.0))
    assert sequence.time_s.tolist() == [60.0 * i for i in range(20)]


def test_stamps_that_are_not_used_do_not_refuse_nor_accuse(tmp_path):
    # TRUTH  one stray header stamp among twelve, and a pattern without a date for names that are not used
    start = np.datetime64("2026-05-17T09:40:00")
    for i in range(12):
        time = str(start + 20 * i)
        cards = fits.Header({"DATE-OBS": "2000-01-01T00:00:00" if i == 5 else time})
        fits.PrimaryHDU(picture(i), cards).writeto(tmp_path / f"{time.replace(':', '-')}.fits")
    for times in (TimesSettings(), TimesSettings(pattern="%H-%M-%S")):
        sequence = open_sequence(tmp_path, times=times)
        assert not any("one of them is wrong" in problem for problem in sequence.time_report.problems)


@pytest.mark.parametrize(
    "form",
    [
        "2026-05-17T09-31-20.{0:03d}Z.tif",
        "20260517_093120{0:03d}.tif",
        "s_{1}_20260517.tif",
        "s_t{2}s.tif",
        "a.tif",
    ],
)
def test_decimals_and_other_numbers_do_not_count_frames(form):
    odd = [3, 14, 159, 265, 358, 979, 323, 846, 264, 338]
    assert running_numbers([form.format(odd[i], i % 5, 20 * i + odd[i] % 3) for i in range(10)]) is None


def test_one_zero_stamp_in_a_capture_video_is_one_bad_stamp(tmp_path):
    times = np.datetime64("2026-05-17T09:31:20", "us") + np.arange(6) * np.timedelta64(5, "s")
    path = write_capture(tmp_path / "a.ser", [picture(i) for i in range(6)], times_utc=times)
    data = bytearray(path.read_bytes())
    data[-16:-8] = bytes(8)  # of the last frame but one
    path.write_bytes(data)
    sequence = open_sequence(path)
    assert sequence.time_s.tolist() == [0.0, 5.0, 10.0, 15.0, 25.0]
    assert [(r.file, r.reason) for r in sequence.unreadable] == [("a.ser#4", "has no time")]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_names_that_are_no_utf8_or_hold_escapes(tmp_path):
    write_stills(tmp_path / "in", 2)
    for i, odd in ((2, b"\xff"), (3, b"\x1b[31m")):
        path = os.fsencode(tmp_path / "in" / stamp_name(i, "")) + odd + b".tif"
        tifffile.imwrite(tmp_path / "a.tif", picture(i), photometric="minisblack")
        os.replace(tmp_path / "a.tif", path)
    sequence = open_sequence(tmp_path / "in")
    assert sequence.names[2].endswith(r"\xff.tif")
    assert sequence.names[3].endswith(r"\x1b[31m.tif")
    assert all(name.encode("utf-8") and name.isprintable() for name in sequence.names)
    np.testing.assert_array_equal(sequence.frame(3), picture(3))


def turned_as_stored(upright, orientation):
    """The pixels of `upright` as a camera with this orientation tag stores them: TIFF 6.0, tag 274."""
    rows, columns = upright.shape
    y, x = np.mgrid[:rows, :columns]
    stored = np.zeros((rows, columns) if orientation < 5 else (columns, rows), upright.dtype)
    place = {
        2: (y, columns - 1 - x),
        3: (rows - 1 - y, columns - 1 - x),
        4: (rows - 1 - y, x),
        5: (x, y),
        6: (columns - 1 - x, y),
        7: (columns - 1 - x, rows - 1 - y),
        8: (x, rows - 1 - y),
    }.get(orientation, (y, x))
    stored[place] = upright
    return stored


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["plain", "deflate", "pages", "tiles", "16-bit tiles", "png", "jpg"])
def test_orientation_is_honoured_by_every_reader_alike(tmp_path, kind, orientation):
    # PUBLISHED  TIFF 6.0, page 36: 6 is "0th row right side, 0th column top", and so on
    upright = [picture(i, "uint16" if kind == "16-bit tiles" else "uint8") for i in range(2)]
    stored = [turned_as_stored(p, orientation) for p in upright]
    if kind not in ("png", "jpg"):
        form = {"compression": "zlib"} if kind != "plain" else {}
        tags = {
            "photometric": "minisblack",
            "metadata": None,
            "extratags": [(274, "H", 1, orientation, True)],
        }
        if "tiles" in kind:
            form["tile"] = (16, 32)
        if kind == "pages":
            with tifffile.TiffWriter(tmp_path / "all.tif") as file:
                for p in stored:
                    file.write(p, **form, **tags)
        else:
            for i, p in enumerate(stored):
                tifffile.imwrite(tmp_path / stamp_name(i, ".tif"), p, **form, **tags)
    else:
        for i, p in enumerate(stored):
            image = Image.fromarray(p)
            exif = image.getexif()
            exif[274] = orientation
            options = {"quality": 100} if kind == "jpg" else {}
            image.save(tmp_path / stamp_name(i, f".{kind}"), exif=exif, **options)
    if kind == "tiles" and orientation in (2, 3, 6, 7):
        with pytest.raises(InputError, match="tiles under an orientation tag"):
            open_sequence(tmp_path, times=START)
        return
    sequence = open_sequence(tmp_path, times=START)
    assert sequence.shape == (ROWS, COLUMNS)
    for i, frame in sequence.frames():
        # quality 100 rounds to whole counts twice
        np.testing.assert_allclose(frame.astype(float), upright[i], atol=2.0 if kind == "jpg" else 0.0)
    assert any("orientation tag" in note for note in sequence.notes) == (orientation != 1)


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
def test_colours_plane_by_plane_are_read_or_refused(tmp_path, dtype):
    # TRUTH  all light is in the first plane
    planes = np.zeros((3, ROWS, COLUMNS), dtype)
    planes[0] = picture(0, "uint8")
    tifffile.imwrite(tmp_path / stamp_name(0, ".tif"), planes, photometric="rgb", planarconfig="separate")
    if dtype == "uint8":
        np.testing.assert_array_equal(open_sequence(tmp_path).frame(0), planes[0])
    else:
        with pytest.raises(InputError, match="colours plane by plane in more than 8 bits"):
            open_sequence(tmp_path)


def test_a_folder_of_two_orientations(tmp_path):
    for i in range(4):
        stored = turned_as_stored(picture(i), 6 if i % 2 else 1)
        tags = [(274, "H", 1, 6 if i % 2 else 1, True)]
        tifffile.imwrite(tmp_path / stamp_name(i, ".tif"), stored, photometric="minisblack", extratags=tags)
    sequence = open_sequence(tmp_path)
    assert len(sequence) == 4
    for i, frame in sequence.frames():
        np.testing.assert_array_equal(frame, picture(i))
    assert "2 of 4 frames: turned upright by its orientation tag (6)" in sequence.notes


def film(path, frames, *options, before=()):
    rows, columns = frames[0].shape
    command = [
        FFMPEG,
        "-v",
        "error",
        "-y",
        *before,
        "-f",
        "rawvideo",
        "-pix_fmt",
        "gray",
        "-s",
        f"{columns}x{rows}",
    ]
    command += ["-r", "25", "-i", "-", *options, str(path)]
    subprocess.run(command, input=b"".join(f.tobytes() for f in frames), check=True)
    return path


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_the_display_matrix_of_a_film_is_honoured(tmp_path, turn):
    # TWIN  ffmpeg turns the picture itself, once, where it is told to; here the matrix is all that it is told
    frames = [picture(i, "uint8")[:, :64] for i in range(3)]
    plain = film(tmp_path / "plain.mp4", frames, "-c:v", "libx264", "-crf", "1", "-pix_fmt", "yuv444p")
    path = tmp_path / "turned.mp4"
    subprocess.run(
        [FFMPEG, "-v", "error", "-display_rotation", str(turn), "-i", plain, "-c", "copy", path], check=True
    )
    sequence = open_sequence(path, times=START)
    expected = np.rot90(open_sequence(plain, times=START).frame(1), turn // 90)
    assert sequence.shape == expected.shape
    np.testing.assert_array_equal(sequence.frame(1), expected)
    assert any("display matrix" in note for note in sequence.notes)


def test_pixels_of_a_film_that_are_not_square(tmp_path):
    # TRUTH  a disc, squeezed to half its width with a sample aspect of 2:1, is round again
    y, x = np.mgrid[:120, :200]
    disc = (np.hypot(x - 100, y - 60) < 40).astype(np.uint8) * 200
    squeezed = [cv2.resize(disc, (100, 120), interpolation=cv2.INTER_AREA)] * 3
    path = film(tmp_path / "a.mkv", squeezed, "-c:v", "ffv1", "-vf", "setsar=2")
    sequence = open_sequence(path, times=START)
    frame = sequence.frame(0)
    assert sequence.shape == frame.shape == (120, 200)
    across, down = (frame[60] > 100).sum(), (frame[:, 100] > 100).sum()
    assert abs(int(across) - int(down)) <= 2
    assert any("made square" in note for note in sequence.notes)


@pytest.mark.parametrize("kind", ["tif", "png", "jpg", "fits"])
def test_pixels_of_stills_that_are_not_square(tmp_path, kind):
    # TRUTH  a disc, squeezed to half its width by a camera that says so in its file, is round again
    y, x = np.mgrid[:120, :200]
    disc = (np.hypot(x - 100, y - 60) < 40).astype(np.uint8) * 200
    squeezed = cv2.resize(disc, (100, 120), interpolation=cv2.INTER_AREA)
    for i in range(3):
        path = tmp_path / f"2026-05-17T09-30-0{i}Z.{kind}"
        if kind == "fits":
            header = fits.Header({"XPIXSZ": 7.5, "YPIXSZ": 3.75, "DATE-OBS": f"2026-05-17T09:30:0{i}"})
            fits.PrimaryHDU(squeezed, header).writeto(path)
        else:
            Image.fromarray(squeezed).save(path, dpi=(150, 300))
    sequence = open_sequence(tmp_path)
    frame = sequence.frame(0)
    assert sequence.shape == frame.shape == (120, 200)
    across, down = (frame[60] > 100).sum(), (frame[:, 100] > 100).sum()
    assert abs(int(across) - int(down)) <= 2
    assert any(
        note == "3 of 3 frames: pixels 2 times as wide as high made square, as the file states them"
        for note in sequence.notes
    )


def test_sound_files_are_called_that(tmp_path):
    write_stills(tmp_path / "in", 2)
    for name in ("notes.m4a", "notes.mp4"):
        command = [
            FFMPEG,
            "-v",
            "error",
            "-f",
            "lavfi",
            "-i",
            "sine=duration=0.3",
            str(tmp_path / "in" / name),
        ]
        subprocess.run(command, check=True)
    reasons = [rejected.reason for rejected in open_sequence(tmp_path / "in").unreadable]
    assert reasons == ["is a sound file: there is no moving picture in it"] * 2


def test_pages_of_two_sizes(tmp_path):
    with tifffile.TiffWriter(tmp_path / "a.tif") as file:
        for i in range(14):
            page = picture(i) if i % 7 < 4 else picture(i)[::2, ::2]
            file.write(page, photometric="minisblack", metadata=None)
    sequence = open_sequence(tmp_path / "a.tif", times=START)
    assert (len(sequence), sequence.shape) == (8, (ROWS, COLUMNS))
    assert any("6 page(s) of another size passed over" in note for note in sequence.notes)
    np.testing.assert_array_equal(sequence.frame(4), picture(7))


def test_a_small_preview_as_first_page(tmp_path):
    for k in range(3):
        with tifffile.TiffWriter(tmp_path / stamp_name(k, ".tif")) as file:
            file.write(picture(k)[::4, ::4], photometric="minisblack", metadata=None)
            file.write(picture(k), photometric="minisblack", metadata=None)
    sequence = open_sequence(tmp_path)
    assert (len(sequence), sequence.shape) == (3, (ROWS, COLUMNS))
    assert "3 of 3 frames: 1 page(s) of another size passed over" in sequence.notes
    np.testing.assert_array_equal(sequence.frame(1), picture(1))


@pytest.mark.parametrize("rhythm", ["BF", "BBF", "BFFF"])
@pytest.mark.parametrize("headers", [True, False])
def test_two_exposures_that_alternate(tmp_path, rhythm, headers):
    # TRUTH  every frame's exposure; the bright ones are clipped
    bright = [rhythm[i % len(rhythm)] == "B" for i in range(24)]
    for i, is_bright in enumerate(bright):
        light = np.minimum(picture(i, "float32") * (40000 if is_bright else 7000), 30000).astype(np.uint16)
        cards = {"DATE-OBS": f"2026-05-17T09:{31 + i // 6}:{10 * (i % 6):02d}"}
        if headers:
            cards["EXPTIME"] = 0.06 if is_bright else 0.01
        fits.PrimaryHDU(light, fits.Header(cards)).writeto(tmp_path / f"f{i:02d}.fits")
    sequence = open_sequence(tmp_path)
    assert sequence.exposure_class.tolist() == [int(b) for b in bright]
    assert any(
        f"two exposures alternate by their {'headers' if headers else 'brightness'}" in n
        for n in sequence.notes
    )
    if headers:
        np.testing.assert_allclose(sequence.exposures_s, np.where(bright, 0.06, 0.01))


def test_two_exposures_are_seen_though_the_disc_is_burnt_out_in_both():
    # TRUTH  a factor of 6 in the scattered light around a disc that is burnt out throughout, over an offset
    y, x = np.mgrid[:240, :320]
    height = np.hypot(x - 160, y - 420) - 300
    times = np.datetime64("2026-05-17T09:00:00", "us") + np.arange(20) * np.timedelta64(10, "s")
    frames = []
    for i in range(20):
        light = np.where(height < 0, 60000.0, 400.0 * np.exp(-np.maximum(height, 0) / 30)) * (
            6 if i % 2 else 1
        )
        light = light + 500 + np.random.default_rng(i).normal(0, 5, light.shape)
        frames.append(np.clip(light, 0, 50000).astype(np.uint16))
    sequence = with_exposure_classes(sequence_from_arrays(frames, times, full_scale=50000.0))
    assert sequence.exposure_class.tolist() == [0, 1] * 10
    assert any("a factor of about 6 apart" in note for note in sequence.notes)


def test_one_exposure_with_clouds_black_frames_and_one_change_is_one_kind(tmp_path):
    rng = np.random.default_rng(3)
    gains = {
        "steady": np.ones(30),
        "cloud": 1.0 - 0.7 * np.exp(-(((np.arange(30) - 14) / 4.0) ** 2)),
        "restless": rng.uniform(0.2, 1.0, 30),
        "three levels": np.resize([0.1, 0.3, 1.0], 30),
        "black": np.where(np.isin(np.arange(30), (11, 14, 17)), 0.0, 1.0),
        "changed": np.where(np.arange(30) < 14, 1.0, 0.3),
    }
    times = np.datetime64("2026-05-17T09:00:00", "us") + np.arange(30) * np.timedelta64(10, "s")
    for name, gain in gains.items():
        frames = [(picture(i, "float32") * 30000 * g).astype(np.uint16) for i, g in enumerate(gain)]
        sequence = with_exposure_classes(sequence_from_arrays(frames, times, full_scale=65535.0))
        assert sequence.exposure_class is None, name
        said = any("the brightness leaps from frame to frame" in note for note in sequence.notes)
        assert said == (name in ("restless", "three levels")), name


def test_headers_and_line_of_light_of_each_frame(tmp_path):
    # TRUTH  the keywords written; FITS counts pixels from 1
    cards = {
        "CTYPE1": "HPLN-TAN",
        "CTYPE2": "HPLT-TAN",
        "CRPIX2": 4.0,
        "CDELT1": 0.6,
        "CDELT2": 0.6,
        "RSUN_OBS": 944.0,
    }
    for i in range(3):
        header = fits.Header(
            cards
            | {
                "CRPIX1": 3.0 + i,
                "DATE-OBS": f"2026-05-17T09:31:{20 + i}",
                "WAVELNTH": 656.28,
                "WAVEUNIT": "nm",
            }
        )
        fits.PrimaryHDU(picture(i), header).writeto(tmp_path / f"f{i}.fits")
    sequence = open_sequence(tmp_path)
    assert [header.centre_x_px for header in sequence.headers] == pytest.approx([2.0, 3.0, 4.0])
    assert sequence.header is sequence.headers[0]
    assert sequence.line == "H-alpha"


@pytest.mark.parametrize(
    ("cards", "line"),
    [
        ({}, ""),
        ({"WAVELNTH": 304, "WAVEUNIT": "angstrom"}, "304 angstrom"),
        ({"WAVELNTH": 6562.8}, "H-alpha"),
        ({"WAVELNTH": 656.28}, "H-alpha"),
        ({"WAVELNTH": 171}, "171 angstrom"),
        ({"WAVELNTH": 393.4, "WAVEUNIT": "nm"}, "Ca II K"),
        ({"WAVELNTH": "red"}, ""),
        ({"FILTER": "H-alpha 0.5 A"}, "H-alpha"),
        ({"FILTER": "Ha"}, "H-alpha"),
        ({"FILTER": "Luminance"}, ""),
        ({"WAVELNTH": 10830.0, "WAVEUNIT": "Angstrom"}, "He 1083 nm"),
    ],
)
def test_lines_of_light(cards, line):
    assert line_of_light(cards) == line


MOMENTS = np.datetime64("2026-05-17T09:31:20", "us") + np.arange(3) * np.timedelta64(10, "s")


@pytest.mark.parametrize(
    ("times", "full_scale", "words"),
    [
        (np.arange(3) * 10.0, 255.0, "must be dates .*float64"),
        (np.arange(3), 255.0, "must be dates .*int64"),
        (MOMENTS[[0, 1, 1]], 255.0, "must all differ, got 2 times for 3"),
        (MOMENTS, np.nan, "full_scale must be a positive number, got nan"),
        (MOMENTS, 0.0, "full_scale must be a positive number"),
    ],
)
def test_arrays_from_python_are_checked_like_files(times, full_scale, words):
    with pytest.raises(ValueError, match=words):
        sequence_from_arrays(np.zeros((3, 4, 5), np.uint8), times, full_scale=full_scale)


def test_settings_take_from_and_to():
    settings = change_settings(Settings(), {"times.from": "09:31:20", "times.to": "10:00:00"})
    assert settings.times == replace(TimesSettings(), from_="09:31:20", to_="10:00:00")
