"""Strips on disk: what goes in comes out within half a step, as a standard FITS file."""

import math
import time
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits

from promtrack.errors import InputError
from promtrack.strip.store import CUBE, Decoded, Planes, StripWriter, in_steps, packed

STEP = 2.5  # a quarter of the noise below


def planes(count=5, shape=(60, 210), seed=0):
    cube = np.random.default_rng(seed).normal(0.0, 10.0, (count, *shape)).astype(np.float32)
    cube[:, :4, :] += 3e4
    cube[:, :, :17] = np.nan
    cube[2] = np.nan
    return cube


def stored(path, cube):
    header = fits.Header([("CTYPE2", "HEIGHT"), ("CRVAL2", -12.5)])
    with StripWriter(path, cube.shape, STEP, header) as file:
        for plane in cube:
            file.add(packed([in_steps(plane, STEP)])[0])
    return path


def read_planes(path, first, last):
    with Planes(path) as cube:
        return cube.read(first, last)


def test_values_come_back_within_half_a_step(tmp_path):
    # TRUTH  rounding to steps of a quarter of the noise errs by at most half a step, by 0.29 steps rms.
    cube = planes()
    back = read_planes(stored(tmp_path / "c.fits", cube), 0, 5)
    assert back.dtype == np.float32
    assert np.array_equal(np.isnan(back), np.isnan(cube))
    assert np.nanmax(np.abs(back - cube)) <= 0.5 * STEP * 1.001
    assert np.nanstd(back[:, 4:] - cube[:, 4:]) == pytest.approx(STEP / np.sqrt(12.0), rel=0.02)
    assert np.array_equal(read_planes(tmp_path / "c.fits", 3, 5), back[3:], equal_nan=True)


def test_the_file_is_standard_fits_and_small(tmp_path):
    # TWIN  astropy reads the whole cube; noise in steps of a quarter of it holds 4 bits a value, so that a
    # value takes less than a byte.
    cube = planes(20, (120, 400))
    path = stored(tmp_path / "c.fits", cube)
    with fits.open(path) as hdus:
        hdus.verify("exception")
        assert hdus[CUBE].header["CRVAL2"] == -12.5
        assert np.nanmax(np.abs(hdus[CUBE].data - cube)) <= 0.5 * STEP * 1.001
    assert path.stat().st_size % 2880 == 0
    assert path.stat().st_size < 0.8 * cube.size


def test_beyond_the_range_is_clipped_not_wrapped(tmp_path):
    cube = np.full((1, 8, 16), 1e9, np.float32)
    cube[0, 0] = -1e9
    back = read_planes(stored(tmp_path / "c.fits", cube), 0, 1)[0]
    assert back[1, 0] == 32767 * STEP
    assert back[0, 0] == -32767 * STEP


class SlowList(list):
    """Others may add to it before whoever has just added looks at it again."""

    def append(self, value):
        super().append(value)
        time.sleep(0.05)


def test_each_thread_reads_its_own_file(tmp_path):
    # TRUTH  two threads that open the file at the same moment do not share its position
    with Planes(stored(tmp_path / "c.fits", planes())) as cube, ThreadPoolExecutor(4) as pool:
        cube.opened = SlowList()

        def opened(_):
            cube.stored(0, 1)
            time.sleep(0.2)
            return id(cube.own.cube.hdu)

        assert len(set(pool.map(opened, range(4)))) == 4


@pytest.mark.parametrize(
    ("free", "disk", "kept"),
    [(16e9, 100e9, True), (4e9, 100e9, False), (16e9, 4e9, False), (math.inf, 100e9, False)],
)
def test_strips_are_kept_decoded_where_memory_and_disk_hold_them(tmp_path, monkeypatch, free, disk, kept):
    # 3 GB of strips, and no system that keeps its free memory to itself has more than is usual
    monkeypatch.setattr("promtrack.strip.store.free_bytes", lambda: free)
    monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=disk))
    beside = Decoded.beside(tmp_path / "strip.fits", (1500, 1000, 1000), 1.0)
    assert (beside is not None) == kept


def test_a_damaged_file_is_named(tmp_path):
    path = stored(tmp_path / "c.fits", planes())
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(InputError, match=r"c\.fits"):
        read_planes(path, 0, 5)
    with pytest.raises(InputError, match="cannot be read"):
        read_planes(tmp_path / "none.fits", 0, 1)
