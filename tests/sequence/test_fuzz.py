"""Damaged and hostile files: whatever the bytes, an error that a user can act on, or frames that are sound.

Valid files of every kind are spoiled by overwriting, cutting, doubling and flipping bytes. The default run
takes a few hundred cases, the long one more than 20 000; warnings count as failures.
"""

import gzip
import subprocess
import time
import tracemalloc
from io import BytesIO

import cv2
import imageio_ffmpeg
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from promtrack.errors import PromtrackError
from promtrack.sequence import open_sequence
from promtrack.sequence.fitsfile import fits_frames
from promtrack.sequence.stamps import find_stamp, parse_stamp, read_zone, stamps_to_utc, table_stamps
from promtrack.settings import TimesSettings
from tests.sequence.make import decoded, picture, write_capture

START = TimesSettings(start="2026-05-17T09:31:20Z", cadence_s=10.0)
SLOWEST_S = 20.0  # one case, on a busy machine
MOST_BYTES = 1_000_000_000  # of one case; the largest frame accepted is 120 million pixels of 8 bytes
QUICK = settings(max_examples=100, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


def _fits(unit):
    buffer = BytesIO()
    unit.writeto(buffer)
    return buffer.getvalue()


def _tiff(pages, **form):
    buffer = BytesIO()
    tifffile.imwrite(buffer, pages, photometric="minisblack", metadata=None, **form)
    return buffer.getvalue()


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A valid file of every kind, by name."""
    folder = tmp_path_factory.mktemp("valid")
    pages = np.stack([picture(i) for i in range(3)])
    solar = fits.Header(
        {
            "DATE-OBS": "2026-05-17T09:31:20",
            "EXPTIME": 1.0,
            "CTYPE1": "HPLN-TAN",
            "CTYPE2": "HPLT-TAN",
            "CRPIX1": 3.0,
            "CRPIX2": 4.0,
            "CDELT1": 0.6,
            "CDELT2": 0.6,
            "RSUN_OBS": 944.0,
            "BAYERPAT": "RGGB",
        }
    )
    held = {
        "pages.tif": _tiff(pages),
        "big.tif": _tiff(pages, bigtiff=True, byteorder=">"),
        "tiles.tif": _tiff(pages, tile=(32, 64)),
        "deflate.tif": _tiff(pages, compression="zlib", predictor=True),
        "float.tif": _tiff(pages.astype("f4")),
        "lzw.tif": cv2.imencode(".tif", pages[0], [cv2.IMWRITE_TIFF_COMPRESSION, 5])[1].tobytes(),
        "p16.png": cv2.imencode(".png", pages[0])[1].tobytes(),
        "rgb.png": cv2.imencode(".png", np.dstack([pages[0] // 256] * 3).astype("u1"))[1].tobytes(),
        "shot.jpg": cv2.imencode(".jpg", (pages[0] // 256).astype("u1"))[1].tobytes(),
        "plain.fits": _fits(fits.PrimaryHDU(pages, solar)),
        "float.fits": _fits(fits.PrimaryHDU(pages.astype("f4"), solar)),
        "zip.fits.gz": gzip.compress(_fits(fits.PrimaryHDU(pages, solar))),
    }
    for method in ("RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"):
        held[f"{method}.fits"] = _fits(fits.CompImageHDU(pages[0], solar, compression_type=method))
    held["quantised.fits"] = _fits(fits.CompImageHDU(pages[0].astype("f4"), solar, compression_type="RICE_1"))
    held["sun.ser"] = write_capture(folder / "a.ser", list(pages)).read_bytes()
    for suffix in ("avi", "mp4", "mkv", "mov"):
        command = [
            imageio_ffmpeg.get_ffmpeg_exe(),
            "-v",
            "error",
            "-f",
            "lavfi",
            "-i",
            "testsrc=size=64x48:rate=5:duration=1",
            "-pix_fmt",
            "yuv420p",
            str(folder / f"a.{suffix}"),
        ]
        subprocess.run(command, check=True)
        held[f"sun.{suffix}"] = (folder / f"a.{suffix}").read_bytes()
    return held


def spoil(data: bytes, rng: np.random.Generator) -> bytes:
    """The bytes with one to a dozen kinds of damage, mostly near the beginning, where headers lie."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 13))):
        reach = len(out) if rng.random() < 0.4 else min(len(out), int(rng.choice((16, 200, 3000))))
        at = int(rng.integers(0, max(reach, 1)))
        kind = rng.integers(0, 8)
        if kind == 0:
            del out[at if at > 8 else len(out) :]
        elif kind == 1:
            out[at : at + 4] = rng.choice(
                (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f")
            )
        elif kind == 2:
            out[at:at] = out[at : at + int(rng.integers(1, 64))]
        elif kind == 3:
            del out[at : at + int(rng.integers(1, 9))]
        elif kind == 4 and len(out) > at:
            out[at] ^= 1 << int(rng.integers(0, 8))
        else:
            out[at : at + 1] = bytes((int(rng.integers(0, 256)),))
    return bytes(out)


def read_all(path) -> bool:
    """Whether the file still gives frames; only PromtrackError may leave, and frames must be sound."""
    try:
        sequence = open_sequence(path, times=START)
        for frame in decoded(sequence)[0].values():
            assert frame.shape == sequence.shape
            assert frame.dtype in (np.uint8, np.uint16, np.float32)
            assert frame.dtype != np.float32 or np.isfinite(frame).all()
    except PromtrackError as error:
        assert "\n" not in str(error)
        assert len(str(error)) < 1000
        return False
    return True


def spoiled_files(files, folder, cases, seed, *, films):
    rng = np.random.default_rng(seed)
    names = [name for name in files if name.endswith((".avi", ".mp4", ".mkv", ".mov")) == films]
    sound = 0
    for case in range(cases):
        name = names[case % len(names)]
        path = folder / f"f{case % 50}-{name}"
        path.write_bytes(spoil(files[name], rng))
        started = time.perf_counter()
        sound += read_all(path)
        assert time.perf_counter() - started < SLOWEST_S, (name, case)
        path.unlink()
    return sound


def test_files_are_sound_before_they_are_spoiled(files, tmp_path):
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    singles = (
        "lzw.tif",
        ".png",
        ".jpg",
        "_1.fits",
        "_2.fits",
        "quantised.fits",
    )  # one frame alone is no sequence
    assert all(read_all(tmp_path / name) for name in files if not name.endswith(singles))


def test_spoiled_pictures(files, tmp_path):
    assert 0 < spoiled_files(files, tmp_path, 170, 1, films=False) < 170


def test_spoiled_films(files, tmp_path):
    assert spoiled_files(files, tmp_path, 12, 2, films=True) < 12


def test_spoiled_pictures_among_good_ones(files, tmp_path):
    # single pictures too: a folder of many spoiled files and three good ones
    rng = np.random.default_rng(3)
    names = [name for name in files if not name.endswith((".avi", ".mp4", ".mkv", ".mov"))]
    for case in range(60):
        name = names[case % len(names)]
        (tmp_path / f"s{case}-{name}").write_bytes(spoil(files[name], rng))
    for i in range(200):
        (tmp_path / f"good{i}.png").write_bytes(files["p16.png"])
    sequence = open_sequence(tmp_path, times=START)
    good = {sequence.names[i] for i in decoded(sequence)[0]}
    assert {f"good{i}.png" for i in range(200)} <= good


def test_memory_of_one_hostile_file_is_bounded(files, tmp_path):
    rng = np.random.default_rng(4)
    tracemalloc.start()
    try:
        for case in range(40):
            name = ("plain.fits", "pages.tif", "sun.ser", "RICE_1.fits")[case % 4]
            path = tmp_path / name
            path.write_bytes(spoil(files[name], rng))
            tracemalloc.reset_peak()
            read_all(path)
            assert tracemalloc.get_traced_memory()[1] < MOST_BYTES
    finally:
        tracemalloc.stop()


NEARLY_A_STAMP = r"(19|20)\d\d[-_.]?\d\d[-_.]?\d\d[T_ -]?\d\d[-:_]?\d\d[-:_.]?\d{0,5}(Z|ms)?"


@QUICK
@given(st.text(max_size=60) | st.from_regex(NEARLY_A_STAMP, fullmatch=True))
def test_any_text_as_stamp(text):
    for stamp in (find_stamp(text), parse_stamp(text)):
        if stamp:
            times, _ = stamps_to_utc([stamp], read_zone("Europe/Madrid"))
            assert not np.isnat(times[0])


@QUICK
@given(st.text(max_size=40))
def test_any_text_as_zone(text):
    try:
        read_zone(text)
    except PromtrackError as error:
        assert "times.zone" in str(error)


@QUICK
@given(st.binary(max_size=400))
def test_any_bytes_as_table(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(data)
    try:
        stamps, _ = table_stamps(str(path), path.parent)
        assert isinstance(stamps, dict)
    except PromtrackError as error:
        assert "any.csv" in str(error)


@QUICK
@given(st.lists(st.binary(max_size=80), max_size=36))
def test_any_bytes_as_fits_header(tmp_path_factory, cards):
    path = tmp_path_factory.getbasetemp() / "any.fits"
    path.write_bytes(
        b"".join(card.ljust(80) for card in [b"SIMPLE  =                    T", *cards]).ljust(2880)
        + b"END".ljust(2880)
    )
    try:
        assert fits_frames(path, path.stat().st_size, alone=True)
    except PromtrackError as error:
        assert error.remedy


@pytest.mark.long
@pytest.mark.parametrize("part", range(10))
def test_twenty_thousand_spoiled_files(files, tmp_path, part):
    resource = pytest.importorskip("resource", reason="memory is measured on POSIX systems only")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    spoiled_files(files, tmp_path, 2000, 100 + part, films=False)
    spoiled_files(files, tmp_path, 40, 200 + part, films=True)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < MOST_BYTES / 1024
