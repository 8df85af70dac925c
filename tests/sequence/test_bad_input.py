"""Messy folders and damaged files: one clear sentence with the name, or the file listed and left out."""

import gzip
import os
import struct
import zlib
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from promtrack.errors import InputError
from promtrack.sequence import open_sequence
from promtrack.settings import CameraSettings, TimesSettings
from tests.sequence.make import picture, stamp_name, write_capture, write_stills

START = TimesSettings(start="2026-05-17T09:31:20Z", cadence_s=10.0)


def refused(path, **settings) -> str:
    """The message; it must name the path and end with what to do."""
    with pytest.raises(InputError) as caught:
        open_sequence(path, **settings)
    assert caught.value.where
    assert caught.value.remedy
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_missing_path(tmp_path):
    assert "is not there" in refused(tmp_path / "nowhere")


def test_impossible_path():
    with pytest.raises(InputError):
        open_sequence("a\0b")


def test_empty_folder_and_folder_of_folders(tmp_path):
    assert "holds no pictures" in refused(tmp_path)
    (tmp_path / "frames").mkdir()
    (tmp_path / "notes.txt").write_text("hello")
    assert "give its folder 'frames' instead" in refused(tmp_path)


def test_a_text_file_as_input(tmp_path):
    (tmp_path / "notes.txt").write_text("hello")
    assert "neither" in refused(tmp_path / "notes.txt")


@pytest.mark.skipif(
    os.geteuid() == 0 if hasattr(os, "geteuid") else True, reason="rights do not bind this user"
)
def test_unreadable_folder(tmp_path):
    write_stills(tmp_path / "in", 2)
    (tmp_path / "in").chmod(0)
    assert "cannot be read" in refused(tmp_path / "in")
    (tmp_path / "in").chmod(0o700)


def test_folder_that_the_system_refuses(tmp_path, monkeypatch):
    write_stills(tmp_path / "in", 2)

    def forbidden(path):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", forbidden)
    assert "cannot be read (Permission denied)" in refused(tmp_path / "in")


def test_one_frame(tmp_path):
    write_stills(tmp_path / "in", 1)
    sequence = open_sequence(tmp_path / "in")
    assert (len(sequence), list(sequence.time_s)) == (1, [0.0])


def test_read_only_folder(tmp_path):
    write_stills(tmp_path / "in", 3)
    before = {p.name: p.read_bytes() for p in (tmp_path / "in").iterdir()}
    (tmp_path / "in").chmod(0o555)
    for _, frame in open_sequence(tmp_path / "in").frames():
        assert frame.size
    (tmp_path / "in").chmod(0o755)
    assert {p.name: p.read_bytes() for p in (tmp_path / "in").iterdir()} == before


def damaged_among_good(folder, name, data):
    """A folder of five good frames and one spoiled file: the good ones are read, the other is listed."""
    write_stills(folder, 5)
    (folder / name).write_bytes(data)
    sequence = open_sequence(folder)
    assert len(sequence) == 5
    assert [r.file for r in sequence.unreadable] == [name]
    return sequence.unreadable[0].reason


def test_zero_bytes(tmp_path):
    assert "is empty" in damaged_among_good(tmp_path / "in", "2026-05-17T10-00-00Z.tif", b"")


def test_text_named_as_picture(tmp_path):
    assert "neither" in damaged_among_good(tmp_path / "in", "2026-05-17T10-00-00Z.tif", b"this is no picture")


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg", ".fits", ".lzw.tif", ".fits.fz", ".fits.gz"])
@pytest.mark.parametrize("keep", [0.02, 0.3, 0.7, 0.98])
def test_files_cut_short(tmp_path, suffix, keep):
    whole = sample(tmp_path, suffix)
    cut = whole[: int(keep * len(whole.rstrip(b"\0")))]  # the padding of FITS may be missed
    if (
        suffix == ".fits.gz" and keep > 0.02
    ):  # its length is not known before it is unpacked: it is told on reading
        (tmp_path / "in").mkdir()
        for i in range(3):
            (tmp_path / "in" / stamp_name(i, suffix)).write_bytes(cut if i == 1 else whole)
        sequence = open_sequence(tmp_path / "in")
        sequence.frame(0)
        with pytest.raises(InputError, match=stamp_name(1, suffix)):
            sequence.frame(1)
        sequence.frame(2)
        return
    reason = damaged_among_good(tmp_path / "in", f"2026-05-17T10-00-00Z{suffix}", cut)
    assert reason
    assert len(reason) < 200


def sample(folder, suffix):
    path = folder / f"sample{suffix}"
    if suffix == ".tif":
        tifffile.imwrite(path, picture(0), photometric="minisblack")
    elif suffix == ".lzw.tif":
        path.write_bytes(cv2.imencode(".tif", picture(0), [cv2.IMWRITE_TIFF_COMPRESSION, 5])[1].tobytes())
    elif suffix == ".fits":
        fits.PrimaryHDU(picture(0)).writeto(path)
    elif suffix == ".fits.fz":
        fits.CompImageHDU(picture(0)).writeto(path)
    elif suffix == ".fits.gz":
        fits.PrimaryHDU(picture(0)).writeto(folder / "plain.fits")
        return gzip.compress((folder / "plain.fits").read_bytes())
    else:
        path.write_bytes(cv2.imencode(suffix, picture(0, "uint8"))[1].tobytes())
    return path.read_bytes()


def test_sizes_and_depths_that_do_not_match(tmp_path):
    write_stills(tmp_path / "in", 5)
    tifffile.imwrite(tmp_path / "in" / "2026-05-17T10-00-00Z.tif", picture(0)[:20], photometric="minisblack")
    tifffile.imwrite(
        tmp_path / "in" / "2026-05-17T10-00-10Z.tif", picture(0, "uint8"), photometric="minisblack"
    )
    sequence = open_sequence(tmp_path / "in")
    assert len(sequence) == 5
    assert [r.reason for r in sequence.unreadable] == [
        "is 65 x 20 16-bit, the others are 65 x 48 16-bit",
        "is 65 x 48 8-bit, the others are 65 x 48 16-bit",
    ]


def test_no_size_in_the_majority(tmp_path):
    write_stills(tmp_path / "in", 2)
    for i in range(2):
        tifffile.imwrite(
            tmp_path / "in" / f"2026-05-17T10-00-0{i}Z.tif", picture(i)[:20], photometric="minisblack"
        )
    assert "no kind is in the majority" in refused(tmp_path / "in")


def test_all_files_damaged(tmp_path):
    for path in write_stills(tmp_path / "in", 3):
        path.write_bytes(path.read_bytes()[:1000])
    message = refused(tmp_path / "in")
    assert "no frame that can be read" in message
    assert "cut short" in message


def test_a_tiff_cut_before_its_table_is_named_in_our_words(tmp_path):
    # TRUTH  Pillow writes the table behind the pixels
    path = write_stills(tmp_path / "in", 4)[1]
    Image.fromarray(picture(1)).save(path, compression="tiff_lzw")
    path.write_bytes(path.read_bytes()[:-10])
    (left_out,) = open_sequence(tmp_path / "in").unreadable
    assert left_out.file == path.name
    assert left_out.reason == "is cut short or damaged: its table of pages cannot be read"


def huge_tiff(columns, rows, compression):
    entries = [
        (256, 4, columns),
        (257, 4, rows),
        (258, 3, 16),
        (259, 3, compression),
        (262, 3, 1),
        (273, 4, 400),
        (277, 3, 1),
        (278, 4, rows),
        (279, 4, 100),
    ]
    body = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + body + b"\0" * 4 + b"\0" * 500


def huge_png(columns, rows):
    def chunk(name, data):
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", columns, rows, 16, 0, 0, 0, 0)
    body = chunk(b"IDAT", zlib.compress(b"\0" * 100))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + body + chunk(b"IEND", b"")


def huge_fits(columns, rows):
    cards = ["SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", f"NAXIS1  = {columns}", f"NAXIS2  = {rows}", "END"]
    return "".join(card.ljust(80) for card in cards).encode().ljust(2880) + b"\0" * 2880


def huge_jpeg(columns, rows):
    data = cv2.imencode(".jpg", picture(0, "uint8"))[1].tobytes()
    at = data.index(b"\xff\xc0") + 5
    return data[:at] + struct.pack(">HH", min(rows, 65535), min(columns, 65535)) + data[at + 4 :]


@pytest.mark.parametrize(
    ("suffix", "make"),
    [
        (".tif", partial(huge_tiff, compression=1)),
        (".tif", partial(huge_tiff, compression=5)),
        (".tif", partial(huge_tiff, compression=8)),
        (".png", huge_png),
        (".fits", huge_fits),
        (".jpg", huge_jpeg),
    ],
)
def test_an_enormous_picture_is_refused_before_it_is_allocated(tmp_path, suffix, make, monkeypatch):
    def never(*_, **__):
        raise AssertionError("the file was decoded")

    monkeypatch.setattr(cv2, "imdecode", never)
    reason = damaged_among_good(tmp_path / "in", f"2026-05-17T10-00-00Z{suffix}", make(100_000, 100_000))
    assert "more than the limit of 120 million" in reason


@pytest.mark.parametrize(
    ("suffix", "make"),
    [
        (".png", huge_png),
        (".tif", partial(huge_tiff, compression=8)),
        (".fits", huge_fits),
        (".tif", partial(huge_tiff, compression=1)),
    ],
)
def test_a_claim_that_the_bytes_cannot_keep(tmp_path, suffix, make):
    reason = damaged_among_good(tmp_path / "in", f"2026-05-17T10-00-00Z{suffix}", make(9000, 9000))
    assert "9000 x 9000" in reason or "cut short" in reason


@pytest.mark.parametrize(
    "card",
    [
        "NAXIS1  = -5",
        "NAXIS1  = 1.5",
        "NAXIS1  = 'wide'",
        "NAXIS1  = 99999999999999999999",
        "NAXIS   = 1000",
        "NAXIS   = -1",
        "BITPIX  = 17",
        "BITPIX  = 99999",
        "BITPIX  = T",
        "GCOUNT  = -3",
        "NAXIS2  = 0",
        "NAXIS   = 9",
        "PCOUNT  = 99999999999999999999999",
    ],
)
def test_hostile_fits_headers(tmp_path, card):
    fits.PrimaryHDU(picture(0)).writeto(tmp_path / "a.fits")
    raw = (tmp_path / "a.fits").read_bytes()
    key = card[:8].encode()
    cards = [raw[i : i + 80] for i in range(0, 2880, 80)]
    if not any(c.startswith(key) for c in cards):
        cards[6] = card.encode().ljust(80)
    cards = [card.encode().ljust(80) if c.startswith(key) else c for c in cards]
    reason = damaged_among_good(tmp_path / "in", "2026-05-17T10-00-00Z.fits", b"".join(cards) + raw[2880:])
    assert reason


@pytest.mark.parametrize(
    "card",
    [
        "BSCALE  = 1E308",
        "BZERO   = -1E400",
        "BSCALE  = 'x'",
        "BLANK   = 1.5",
        "BSCALE  = 0.0",
        "RSUN_OBS= -1",
        "DATE-OBS= '9999-99-99T99:99:99'",
        "EXPTIME = 1E300",
        "DATE-OBS= 17",
        "CDELT1  = 'NaN'",
        "CTYPE1  = 'HPLN-TAN'",
        "SATURATE= -5",
        "BAYERPAT= 'ZZZZ'",
    ],
)
def test_odd_fits_values_do_no_harm(tmp_path, card):
    (tmp_path / "in").mkdir()
    for i in range(3):
        path = tmp_path / "in" / stamp_name(i, ".fits")
        fits.PrimaryHDU(picture(i)).writeto(path)
        raw = path.read_bytes()
        end = raw.index(b"END" + b" " * 77)
        path.write_bytes(raw[:end] + card.encode().ljust(80) + raw[end:2800] + raw[2880:])
    sequence = open_sequence(tmp_path / "in")
    for _, frame in sequence.frames():
        assert np.isfinite(frame).all()


def test_symbolic_link_loops(tmp_path):
    write_stills(tmp_path / "in", 3)
    (tmp_path / "in" / "again").symlink_to(tmp_path / "in", target_is_directory=True)
    (tmp_path / "in" / "loop.tif").symlink_to(tmp_path / "in" / "loop.tif")
    sequence = open_sequence(tmp_path / "in")
    assert len(sequence) == 3
    assert [r.file for r in sequence.unreadable] == ["loop.tif"]
    (tmp_path / "self").symlink_to(tmp_path / "self")
    assert "cannot be read" in refused(tmp_path / "self")


def test_hidden_files_and_notes_are_passed_over(tmp_path):
    write_stills(tmp_path / "in", 3)
    (tmp_path / "in" / "._prom.tif").write_bytes(b"\0\5\x16\7")
    (tmp_path / "in" / "promtrack.toml").write_text("[clip]\n")
    (tmp_path / "in" / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0")
    sequence = open_sequence(tmp_path / "in")
    assert (len(sequence), sequence.unreadable) == (3, ())


def test_pages_that_form_a_loop(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", picture(0), photometric="minisblack", byteorder="<")
    data = bytearray((tmp_path / "a.tif").read_bytes())
    first = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, first)[0]
    struct.pack_into("<I", data, first + 2 + 12 * count, first)
    assert "loop" in damaged_among_good(tmp_path / "in", "2026-05-17T10-00-00Z.tif", bytes(data))


def test_film_that_is_none(tmp_path):
    (tmp_path / "sun.mp4").write_bytes(b"\0\0\0\x18ftypisom" + b"\0" * 500)
    assert "no moving picture" in refused(tmp_path / "sun.mp4", times=START)


def test_a_film_may_not_lead_to_other_files(tmp_path):
    # a list of other files in film's clothes must not be followed
    (tmp_path / "sun.mkv").write_text(f"ffconcat version 1.0\nfile '{tmp_path / 'other.mkv'}'\n")
    assert "no moving picture" in refused(tmp_path / "sun.mkv", times=START)


def test_capture_video_with_a_lying_header(tmp_path):
    path = write_capture(tmp_path / "sun.ser", [picture(i) for i in range(3)])
    data = bytearray(path.read_bytes())
    for columns, rows, words in ((100_000, 100_000, "limit"), (60_000, 2_000, "cut short")):
        struct.pack_into("<ii", data, 26, columns, rows)
        path.write_bytes(data)
        assert words in refused(path, times=START)


def test_no_ffmpeg(tmp_path, monkeypatch):
    (tmp_path / "sun.mkv").write_bytes(b"\x1a\x45\xdf\xa3" + b"\0" * 500)

    def missing():
        raise RuntimeError("No ffmpeg exe could be found.")

    monkeypatch.setattr("imageio_ffmpeg.get_ffmpeg_exe", missing)
    assert "no ffmpeg program" in refused(tmp_path / "sun.mkv", times=START)


@pytest.mark.parametrize("key", ["dark", "flat"])
def test_calibration_that_does_not_fit(tmp_path, key):
    write_stills(tmp_path / "in", 3)
    tifffile.imwrite(tmp_path / "c.tif", picture(0)[:20], photometric="minisblack")
    with pytest.raises(InputError, match=rf"camera\.{key}.*65 x 20 pixels, the frames are 65 x 48"):
        open_sequence(tmp_path / "in", camera=CameraSettings(**{key: str(tmp_path / "c.tif")}))
    with pytest.raises(InputError, match=rf"camera\.{key}.*is not there"):
        open_sequence(tmp_path / "in", camera=CameraSettings(**{key: str(tmp_path / "none.tif")}))
