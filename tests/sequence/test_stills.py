"""TIFF, PNG and JPEG folders: what was written is what is read, lazily and in order."""

import struct

import cv2
import numpy as np
import pytest
import tifffile

from promtrack.sequence import open_sequence
from promtrack.settings import CameraSettings, TimesSettings
from tests.sequence.make import COLUMNS, ROWS, decoded, picture, stamp_name, write_stills

TIFF = cv2.IMWRITE_TIFF_COMPRESSION
START = TimesSettings(start="2026-05-17T09:31:20Z", cadence_s=10.0)


@pytest.mark.parametrize(
    ("suffix", "dtype", "options"),
    [
        (".tif", "uint8", (TIFF, 1)),
        (".tif", "uint16", (TIFF, 1)),
        (".tif", "float32", (TIFF, 1)),
        (".tif", "uint16", (TIFF, 5)),
        (".tif", "uint8", (TIFF, 32773)),
        (".tif", "uint16", (TIFF, 8)),
        (".png", "uint8", ()),
        (".png", "uint16", ()),
    ],
)
def test_lossless_stills_come_back_exactly(tmp_path, suffix, dtype, options):
    # TRUTH  the arrays that were written
    write_stills(tmp_path / "in", 4, suffix=suffix, dtype=dtype, options=options)
    sequence = open_sequence(tmp_path / "in")
    assert len(sequence) == 4
    assert sequence.shape == (ROWS, COLUMNS)
    for i, frame in sequence.frames():
        assert frame.dtype == np.dtype(dtype)
        assert frame.flags.c_contiguous
        np.testing.assert_array_equal(frame, picture(i, dtype))
    assert sequence.times_utc[1] == np.datetime64("2026-05-17T09:31:30")
    assert sequence.time_report.source == "names"


def test_jpeg_within_its_loss(tmp_path):
    write_stills(tmp_path / "in", 3, suffix=".jpg", dtype="uint8", options=(cv2.IMWRITE_JPEG_QUALITY, 98))
    sequence = open_sequence(tmp_path / "in")
    # TRUTH  quality 98 keeps quantisation steps of at most 4 counts (T.81 table K.1 scaled): 2 counts rms is
    # generous
    assert np.std(sequence.frame(1).astype(float) - picture(1, "uint8")) < 2.0
    assert sequence.full_scale == 255.0


@pytest.mark.parametrize(
    "form",
    [
        {"byteorder": ">"},
        {"bigtiff": True},
        {"byteorder": ">", "bigtiff": True},
        {"compression": "zlib"},
        {"compression": "zlib", "predictor": True},
        {"rowsperstrip": 7},
        {"tile": (32, 64)},
        {"photometric": "minisblack"},
    ],
)
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_tiff_variants_against_tifffile(tmp_path, form, dtype):
    # TWIN  tifffile writes, we read: byte orders, 64-bit offsets, strips, tiles, one file of several pages
    pages = np.stack([picture(i, dtype) for i in range(3)])
    path = tmp_path / "a film.tif"
    tifffile.imwrite(path, pages, metadata=None, **({"photometric": "minisblack"} | form))
    sequence = open_sequence(path, times=START)
    assert sequence.names == ("a film.tif#0", "a film.tif#1", "a film.tif#2")
    for i in (2, 0, 1):
        np.testing.assert_array_equal(sequence.frame(i), pages[i])


def test_float_pages_and_multi_page_in_a_folder(tmp_path):
    for k in range(2):
        pages = np.stack([picture(4 * k + i, "float32") for i in range(4)])
        tifffile.imwrite(tmp_path / f"part{k}.tif", pages, metadata=None, photometric="minisblack")
    sequence = open_sequence(tmp_path, times=START)
    assert len(sequence) == 8
    np.testing.assert_array_equal(sequence.frame(6), picture(6, "float32"))
    assert sequence.time_s[-1] == 70.0


def test_rgb_tiff_takes_the_channel_that_carries_the_light(tmp_path):
    # TRUTH  red only, as behind a narrow H-alpha filter; the other channels hold noise
    for i in range(3):
        colour = np.random.default_rng(i).integers(0, 300, (ROWS, COLUMNS, 3)).astype(np.uint16)
        colour[..., 0] = picture(i)
        tifffile.imwrite(tmp_path / stamp_name(i, ".tif"), colour, photometric="rgb")
        done, data = cv2.imencode(".png", colour[..., ::-1])
        assert done
        (tmp_path / "png").mkdir(exist_ok=True)
        (tmp_path / "png" / stamp_name(i, ".png")).write_bytes(data.tobytes())
    for folder in (tmp_path, tmp_path / "png"):
        sequence = open_sequence(folder)
        np.testing.assert_array_equal(sequence.frame(1), picture(1))
        assert "red channel" in sequence.notes[0]


def test_grey_stored_as_colour_is_the_grey(tmp_path):
    for i in range(3):
        grey = picture(i, "uint8")
        done, data = cv2.imencode(".png", np.dstack([grey, grey, grey, np.full_like(grey, 255)]))
        assert done
        (tmp_path / stamp_name(i, ".png")).write_bytes(data.tobytes())
    sequence = open_sequence(tmp_path)
    np.testing.assert_array_equal(sequence.frame(2), picture(2, "uint8"))


def test_raw_colour_by_setting(tmp_path):
    # TRUTH  red photosites carry a slope, the others nothing: the developed frame is that slope, at the same
    # size
    y, x = np.mgrid[:ROWS, :COLUMNS]
    for i in range(3):
        raw = np.where((y % 2 == 0) & (x % 2 == 0), 1000 + 20 * x + 10 * y, 0).astype(np.uint16)
        tifffile.imwrite(tmp_path / stamp_name(i, ".tif"), raw, photometric="minisblack")
    frame = open_sequence(tmp_path, camera=CameraSettings(bayer="rggb")).frame(0)
    inner = (slice(2, -2), slice(2, -2))
    np.testing.assert_allclose(
        frame[inner], (1000 + 20 * x + 10 * y)[inner], atol=1
    )  # rounding of the interpolation
    assert frame.dtype == np.uint16


def test_rows_bottom_up_by_setting(tmp_path):
    write_stills(tmp_path / "in", 2)
    frame = open_sequence(tmp_path / "in", camera=CameraSettings(rows="bottom-up")).frame(0)
    np.testing.assert_array_equal(frame, picture(0)[::-1])


def test_natural_order_then_time(tmp_path):
    for i in (1, 2, 10):
        tifffile.imwrite(tmp_path / f"frame{i}.tif", picture(i), photometric="minisblack")
    sequence = open_sequence(tmp_path, times=START)
    assert sequence.names == ("frame1.tif", "frame2.tif", "frame10.tif")


def test_wrong_extension_is_read_by_content(tmp_path):
    for i, path in enumerate(write_stills(tmp_path / "in", 4, suffix=".png")):
        if i % 2:
            path.rename(path.with_suffix(".tif"))
    sequence = open_sequence(tmp_path / "in")
    assert len(sequence) == 4
    np.testing.assert_array_equal(sequence.frame(1), picture(1))


@pytest.mark.parametrize("name", ["with spaces", "Straße-été", "☀️ 2026", "日面"])
def test_paths_with_any_letters(tmp_path, name):
    write_stills(tmp_path / name, 4)
    for path in write_stills(tmp_path / name, 2, suffix=".png"):
        path.with_suffix(".tif").unlink()
    (tmp_path / name / "notes.txt").write_text("clear sky", encoding="utf-8")
    sequence = open_sequence(tmp_path / name)
    assert len(sequence) == 4
    assert not sequence.unreadable
    np.testing.assert_array_equal(sequence.frame(1), picture(1))


def test_frames_go_on_past_a_spoiled_one(tmp_path):
    paths = write_stills(tmp_path / "in", 5, suffix=".png")
    sequence = open_sequence(tmp_path / "in")
    data = bytearray(paths[3].read_bytes())
    data[100:400] = b"\0" * 300
    paths[3].write_bytes(data)
    frames, errors = decoded(sequence)
    assert list(frames) == [0, 1, 2, 4]
    assert paths[3].name in errors[3]


def test_full_scale_of_twelve_bits_in_sixteen(tmp_path):
    # TRUTH  a burnt-out disc heaped on 4095
    for i in range(3):
        frame = np.minimum(picture(i) // 8, 4095).astype(np.uint16)
        tifffile.imwrite(tmp_path / stamp_name(i, ".tif"), frame, photometric="minisblack")
    assert open_sequence(tmp_path).full_scale == 4095.0


def test_full_scale_without_saturation_is_the_type(tmp_path):
    write_stills(tmp_path / "in", 3)
    assert open_sequence(tmp_path / "in").full_scale == 65535.0


def test_thumbnail_pages_are_no_frames(tmp_path):
    for i in range(2):
        with tifffile.TiffWriter(tmp_path / stamp_name(i, ".tif")) as file:
            file.write(picture(i), photometric="minisblack")
            file.write(picture(i)[::4, ::4], subfiletype=1, photometric="minisblack")
    assert len(open_sequence(tmp_path)) == 2


def test_exif_times_with_decimals_and_zone(tmp_path):
    # PUBLISHED  Exif 2.32 section 4.6.5: tags 0x9003, 0x9011, 0x9291, 0x829A
    for i in range(3):
        path = tmp_path / f"shot{i}.jpg"
        done, data = cv2.imencode(".jpg", picture(i, "uint8"))
        assert done
        block = _exif(f"2026:05:17 11:31:2{i}", "250", "+02:00", (1, 125))
        jpeg = data.tobytes()
        path.write_bytes(jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + jpeg[2:])
    sequence = open_sequence(tmp_path)
    assert sequence.time_report.source == "exif"
    assert sequence.times_utc[2] == np.datetime64("2026-05-17T09:31:22.250")
    assert sequence.exposure_s == pytest.approx(1 / 125)


def _exif(original: str, subsec: str, offset: str, exposure: tuple[int, int]) -> bytes:
    """An EXIF block with one sub-directory; values longer than four bytes stand behind it."""
    texts = {0x9003: original, 0x9011: offset}
    entries, behind = [], b""
    first = 8 + 2 + 12 + 4
    values_at = first + 2 + 12 * 4 + 4
    entries.append(struct.pack("<HHII", 0x829A, 5, 1, values_at))
    behind += struct.pack("<II", *exposure)
    for tag in sorted(texts):
        data = texts[tag].encode() + b"\0"
        entries.append(struct.pack("<HHII", tag, 2, len(data), values_at + len(behind)))
        behind += data
    entries.append(struct.pack("<HHI4s", 0x9291, 2, len(subsec) + 1, subsec.encode() + b"\0"))
    pointer = struct.pack("<HHHIII", 1, 0x8769, 4, 1, first, 0)
    inner = struct.pack("<H", 4) + b"".join(entries) + b"\0\0\0\0"
    return b"Exif\0\0II*\0" + struct.pack("<I", 8) + pointer + inner + behind
