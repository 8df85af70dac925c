"""FITS files of every kind, against astropy as the reference library."""

import gzip

import numpy as np
import pytest
from astropy.io import fits

from promtrack.sequence import open_sequence
from promtrack.settings import CameraSettings, TimesSettings
from tests.sequence.make import COLUMNS, ROWS, picture

START = TimesSettings(start="2026-05-17T09:31:20Z", cadence_s=10.0)


def write(folder, data, *, suffix=".fits", **cards):
    """One file a picture, 10 s apart, DATE-OBS and EXPTIME in the header."""
    folder.mkdir(exist_ok=True)
    for i, picture_data in enumerate(data):
        header = fits.Header({"DATE-OBS": f"2026-05-17T09:31:{20 + 10 * i}.5", "EXPTIME": 0.5} | cards)
        fits.PrimaryHDU(picture_data, header).writeto(folder / f"f{i}{suffix}")
    return folder


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("uint8", "uint8"),
        ("uint16", "uint16"),
        ("int16", "float32"),
        ("int32", "float32"),
        ("float32", "float32"),
        ("float64", "float32"),
    ],
)
def test_every_depth(tmp_path, kind, expected):
    # TWIN  astropy writes BITPIX 8, 16 (with and without BZERO), 32, -32, -64; rows are turned, row 0 on top
    scale = {"uint8": 250, "int16": 30000}.get(kind, 60000)
    data = [(picture(i, "float32") * scale).astype(kind) for i in range(3)]
    sequence = open_sequence(write(tmp_path / "in", data))
    assert sequence.shape == (ROWS, COLUMNS)
    frame = sequence.frame(1)
    assert frame.dtype == np.dtype(expected)
    assert frame.flags.c_contiguous
    np.testing.assert_array_equal(frame, data[1][::-1].astype(expected))


def test_bscale_and_bzero(tmp_path):
    data = [np.arange(ROWS * COLUMNS, dtype=np.int16).reshape(ROWS, COLUMNS) for _ in range(2)]
    folder = write(tmp_path / "in", data)
    end = b"END".ljust(80)
    for path in folder.iterdir():
        scaling = b"BSCALE  =                  0.5".ljust(80) + b"BZERO   =                 10.0".ljust(80)
        path.write_bytes(path.read_bytes().replace(end + b" " * 160, scaling + end, 1))
    frame = open_sequence(folder).frame(0)
    np.testing.assert_array_equal(frame, fits.getdata(folder / "f0.fits")[::-1])
    np.testing.assert_array_equal(frame, 0.5 * data[0][::-1] + 10.0)


@pytest.mark.parametrize("kind", ["uint16", "int16", "float32"])
@pytest.mark.parametrize("method", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
def test_tile_compression(tmp_path, kind, method):
    # TWIN  astropy's own unpacking
    (tmp_path / "in").mkdir()
    for i in range(3):
        data = (picture(i, "float32") * 30000).astype(kind)
        unit = fits.CompImageHDU(
            data,
            fits.Header({"DATE-OBS": f"2026-05-17T09:31:{20 + 10 * i}", "EXPTIME": 2.0}),
            compression_type=method,
        )
        unit.writeto(tmp_path / "in" / f"f{i}.fits.fz")
    sequence = open_sequence(tmp_path / "in")
    assert sequence.times_utc[0] == np.datetime64("2026-05-17T09:31:21")
    np.testing.assert_array_equal(sequence.frame(2), fits.getdata(tmp_path / "in" / "f2.fits.fz", 1)[::-1])


def test_cube_as_the_whole_input(tmp_path):
    cube = np.stack([picture(i) for i in range(5)])
    fits.PrimaryHDU(cube).writeto(tmp_path / "cube.fits")
    sequence = open_sequence(tmp_path / "cube.fits", times=START)
    assert sequence.names[4] == "cube.fits#4"
    assert sequence.time_s[-1] == 40.0
    for i in (3, 0, 4):
        np.testing.assert_array_equal(sequence.frame(i), cube[i][::-1])


def test_compressed_cube(tmp_path):
    cube = np.stack([picture(i) for i in range(4)])
    fits.CompImageHDU(cube).writeto(tmp_path / "cube.fits")
    sequence = open_sequence(tmp_path / "cube.fits", times=START)
    np.testing.assert_array_equal(sequence.frame(2), cube[2][::-1])


def test_time_axis_of_a_cube(tmp_path):
    cube = np.stack([picture(i) for i in range(4)])
    header = fits.Header(
        {
            "DATE-OBS": "2026-05-17T09:31:20",
            "CTYPE3": "TIME",
            "CUNIT3": "min",
            "CDELT3": 0.5,
            "CRPIX3": 1.0,
            "CRVAL3": 0.0,
            "EXPTIME": 2.0,
        }
    )
    fits.PrimaryHDU(cube, header).writeto(tmp_path / "cube.fits")
    sequence = open_sequence(tmp_path / "cube.fits")
    assert sequence.time_s.tolist() == [0.0, 30.0, 60.0, 90.0]
    assert sequence.times_utc[0] == np.datetime64("2026-05-17T09:31:21")


def test_picture_in_an_extension_behind_an_empty_primary(tmp_path):
    (tmp_path / "in").mkdir()
    for i in range(2):
        unit = fits.ImageHDU(picture(i), fits.Header({"DATE-AVG": f"2026-05-17T09:31:2{i}"}))
        fits.HDUList([fits.PrimaryHDU(), unit]).writeto(tmp_path / "in" / f"f{i}.fit")
    sequence = open_sequence(tmp_path / "in")
    assert sequence.time_report.detail == "DATE-AVG"
    np.testing.assert_array_equal(sequence.frame(1), picture(1)[::-1])


def test_gzipped_files(tmp_path):
    folder = write(tmp_path / "in", [picture(i) for i in range(3)])
    for path in list(folder.iterdir()):
        (folder / f"{path.name}.gz").write_bytes(gzip.compress(path.read_bytes()))
        path.unlink()
    sequence = open_sequence(folder)
    np.testing.assert_array_equal(sequence.frame(2), picture(2)[::-1])


def test_three_planes_in_a_folder_are_colours(tmp_path):
    data = [np.stack([picture(i), picture(i) // 50, picture(i) // 60]) for i in range(3)]
    sequence = open_sequence(write(tmp_path / "in", data))
    assert len(sequence) == 3
    np.testing.assert_array_equal(sequence.frame(1), picture(1)[::-1])


def test_order_of_rows(tmp_path):
    # common practice, no source: ROWORDER says which way the rows run; the user's setting beats it
    folder = write(tmp_path / "in", [picture(i) for i in range(2)], ROWORDER="TOP-DOWN")
    np.testing.assert_array_equal(open_sequence(folder).frame(0), picture(0))
    turned = open_sequence(folder, camera=CameraSettings(rows="bottom-up"))
    np.testing.assert_array_equal(turned.frame(0), picture(0)[::-1])


@pytest.mark.parametrize("kind", ["uint16", "float32"])
def test_raw_colour_by_header(tmp_path, kind):
    # TRUTH  the red photosites carry a slope; with XBAYROFF 1 they stand in the odd columns
    y, x = np.mgrid[:ROWS, :COLUMNS]
    for offset in (0, 1):
        slope = 1000 + 20 * x + 10 * y
        raw = [np.where((y % 2 == 0) & (x % 2 == offset), slope, 0).astype(kind) for _ in range(2)]
        sequence = open_sequence(write(tmp_path / f"in{offset}", raw, BAYERPAT="RGGB", XBAYROFF=offset))
        inner = (slice(2, -2), slice(2, -2))
        np.testing.assert_allclose(sequence.frame(0)[::-1][inner], slope[inner], atol=1)


def test_pixels_that_are_no_numbers_count_as_zero(tmp_path):
    data = [picture(i, "float32") for i in range(2)]
    data[0][5, 5], data[0][6, 6], data[0][7, 7] = np.nan, np.inf, -np.inf
    frame = open_sequence(write(tmp_path / "in", data)).frame(0)
    turned = data[0][::-1]
    assert np.isfinite(frame).all()
    np.testing.assert_array_equal(frame[~np.isfinite(turned)], 0)
    np.testing.assert_array_equal(frame[np.isfinite(turned)], turned[np.isfinite(turned)])


def test_blank_integers_count_as_zero(tmp_path):
    data = [np.full((ROWS, COLUMNS), 7, np.int16) for _ in range(2)]
    data[0][4, 4] = -32768
    assert open_sequence(write(tmp_path / "in", data, BLANK=-32768)).frame(0)[::-1][4, 4] == 0


def test_saturation_level_of_the_header(tmp_path):
    folder = write(tmp_path / "in", [picture(i, "float32") for i in range(2)], SATURATE=0.65)
    assert open_sequence(folder).full_scale == 0.65
