"""strip.fits: the cube of strips with its axes, the times, the noise and one reference frame with its WCS.

The cube is streamed: the header is written first, the strips follow one by one as the sequence is read,
and the other parts are appended when the cube is whole. Layout: FITS Standard 4.0; helioprojective
coordinates of the reference frame: Thompson 2006, A&A 449, 791.
"""

from __future__ import annotations

import shutil
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from promtrack.errors import InputError
from promtrack.limb.records import LimbLock
from promtrack.products.folder import ProductFolder
from promtrack.sequence.records import Sequence
from promtrack.strip.records import Strip, StripGeometry
from promtrack.sun import SOLAR_RADIUS_KM, Orientation, Scale, SolarView

__all__ = ["Circumstances", "begin_strip", "check_space", "finish_strip", "read_strip"]

_BLOCK = 2880  # FITS record length in bytes
CUBE_DTYPE = ">f4"


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the strip's header tells besides the axes."""

    view: SolarView
    scale: Scale
    orientation: Orientation
    limb_height_mm: float
    version: str


def check_space(folder: ProductFolder, geometry: StripGeometry, count: int) -> None:
    """Raises InputError unless `count` strips fit on the disk, with a tenth to spare for the other
    products."""
    needed = 1.1 * count * geometry.rows * geometry.columns * np.dtype(CUBE_DTYPE).itemsize
    free = shutil.disk_usage(folder.path).free
    if needed > free:
        raise InputError(
            f"the strips need {needed / 1e6:.0f} MB, but only {free / 1e6:.0f} MB are free",
            where=str(folder.path),
            remedy="free some space, choose another disk with --out, or make the strips smaller with "
            "--set strip.high_mm= or with strip.from_deg and strip.to_deg",
        )


def begin_strip(path: Path, geometry: StripGeometry, times_utc: np.ndarray, about: Circumstances) -> int:
    """Write the header of a cube with a strip for each time to `path`; returns the bytes before its first
    value."""
    header = fits.Header()
    header["SIMPLE"] = (True, "FITS Standard 4.0")
    header["BITPIX"] = -32
    header["NAXIS"] = 3
    header["NAXIS1"] = (geometry.columns, "angle")
    header["NAXIS2"] = (geometry.rows, "height above the H-alpha limb")
    header["NAXIS3"] = (len(times_utc), "time, see the TIMES table")
    header["EXTEND"] = True
    header["CTYPE1"] = ("POSANGLE" if geometry.position_angles else "IMGANGLE", _angle_comment(geometry))
    header["CUNIT1"], header["CRPIX1"] = "deg", 1.0
    header["CRVAL1"], header["CDELT1"] = geometry.from_deg, geometry.deg_per_column
    header["CTYPE2"], header["CUNIT2"], header["CRPIX2"] = "HEIGHT", "Mm", 1.0
    header["CRVAL2"], header["CDELT2"] = geometry.low_mm, geometry.mm_per_row
    header["CTYPE3"] = ("STRIP", "times in the TIMES table")
    header["CRPIX3"], header["CRVAL3"], header["CDELT3"] = 1.0, 0.0, 1.0
    header["BUNIT"] = ("adu", "counts at usual transparency, no backdrop")
    header["LIMBDIST"] = (geometry.limb_mm, "[Mm] H-alpha limb from the centre")
    header["LIMBHGT"] = (about.limb_height_mm, "[Mm] H-alpha limb above photosphere")
    header["POSANG"] = (geometry.position_angles, "angles are solar position angles")
    header["KM_PX"] = (about.scale.km_per_px, "[km] one pixel")
    header["KM_PXERR"] = (about.scale.sigma_km_per_px, "[km] its standard deviation")
    header["RSUN_OBS"] = (about.view.apparent_radius_arcsec, "[arcsec] apparent radius of the photosphere")
    header["RSUN_REF"] = (SOLAR_RADIUS_KM * 1e3, "[m] IAU 2015 Resolution B3")
    header["DATE-BEG"] = (str(np.datetime_as_string(times_utc[0], unit="ms")), "middle of the first exposure")
    header["DATE-END"] = (str(np.datetime_as_string(times_utc[-1], unit="ms")), "middle of the last exposure")
    header["TIMESYS"] = "UTC"
    header["CREATOR"] = f"promtrack {about.version}"
    data = header.tostring().encode("ascii")
    path.write_bytes(data)
    return len(data)


def finish_strip(path: Path, strip: Strip, sequence: Sequence, lock: LimbLock, about: Circumstances) -> None:
    """Append the times, the noise and the reference frame to the whole cube."""
    with path.open("ab") as file:
        file.write(b"\0" * (-file.tell() % _BLOCK))
    fits.append(path, _times_table(strip).data, _times_table(strip).header)
    noise = fits.BinTableHDU.from_columns(
        [
            fits.Column(
                "height_mm", "D", unit="Mm", array=strip.geometry.height_mm(np.arange(strip.geometry.rows))
            ),
            fits.Column("noise", "D", unit="adu", array=np.asarray(strip.noise, dtype=float)),
        ],
        name="NOISE",
    )
    fits.append(path, noise.data, noise.header)
    reference = sequence.frame(lock.reference)[::-1]  # FITS rows run bottom-up
    fits.append(path, np.ascontiguousarray(reference), _reference_header(sequence, lock, about))


def read_strip(folder: ProductFolder) -> Strip:
    """The strip that strip.fits holds; the cube stays on disk.

    Raises
    ------
    InputError : the file is missing, damaged, or not a strip of this program
    """
    path = folder["strip"]
    remedy = "make it again with `promtrack strip`"
    try:
        # opened here, since astropy leaves a file open whose header it cannot read
        with (
            warnings.catch_warnings(action="error", category=AstropyUserWarning),
            path.open("rb") as file,
            fits.open(file, memmap=True) as hdus,
        ):
            header, times, noise = hdus[0].header, hdus["TIMES"].data, hdus["NOISE"].data
            geometry = StripGeometry(
                rows=header["NAXIS2"],
                columns=header["NAXIS1"],
                low_mm=header["CRVAL2"],
                mm_per_row=header["CDELT2"],
                from_deg=header["CRVAL1"],
                deg_per_column=header["CDELT1"],
                limb_mm=header["LIMBDIST"],
                position_angles=header["POSANG"],
            )
            return Strip(
                geometry=geometry,
                times_utc=np.array([t.rstrip("Z") for t in times["time"]], dtype="datetime64[us]"),
                frame=np.array(times["frame"], dtype=int),
                path=path,
                offset=hdus[0].fileinfo()["datLoc"],
                dtype=CUBE_DTYPE,
                noise=np.array(noise["noise"], dtype=float),
                centre_err_mm=np.array(times["centre_err_mm"], dtype=float),
                along_err_mm=np.array(times["along_err_mm"], dtype=float),
            )
    except FileNotFoundError:
        raise InputError("is missing", where=str(path), remedy="make it with `promtrack strip`") from None
    except (
        OSError,
        KeyError,
        ValueError,
        TypeError,
        IndexError,
        AttributeError,
        AstropyUserWarning,
    ) as error:
        said = next(iter(str(error).splitlines()), "") or type(error).__name__
        raise InputError(f"cannot be read ({said})", where=str(path), remedy=remedy) from None


def _angle_comment(geometry: StripGeometry) -> str:
    return "north through east" if geometry.position_angles else "counter-clockwise from image up"


def _times_table(strip: Strip) -> fits.BinTableHDU:
    stamps = [f"{t}Z" for t in np.datetime_as_string(strip.times_utc, unit="us")]
    return fits.BinTableHDU.from_columns(
        [
            fits.Column("time", "27A", array=np.array(stamps)),
            fits.Column("time_s", "D", unit="s", array=strip.time_s),
            fits.Column("frame", "J", array=strip.frame),
            fits.Column("centre_err_mm", "D", unit="Mm", array=strip.centre_err_mm),
            fits.Column("along_err_mm", "D", unit="Mm", array=strip.along_err_mm),
        ],
        name="TIMES",
    )


def _reference_header(sequence: Sequence, lock: LimbLock, about: Circumstances) -> fits.Header:
    """Header of the reference frame; helioprojective only where the orientation is known."""
    header = fits.Header()
    header["EXTNAME"] = "REFERENCE"
    header["DATE-AVG"] = str(np.datetime_as_string(sequence.times_utc[lock.reference], unit="ms"))
    header["DATE-OBS"] = header["DATE-AVG"]
    header["TIMESYS"] = "UTC"
    header["FRAME"] = (lock.reference, "index in the sequence")
    if not about.orientation.position_angles:
        header["COMMENT"] = "orientation unknown: no celestial coordinates"
        return header
    step, sign = about.scale.arcsec_per_px, about.orientation.sign
    north = np.deg2rad(about.orientation.zero_deg)
    # Displayed pixel offsets (dx right, up) along solar north: (-sin, cos); along solar west, 90 deg
    # clockwise from north on the sky: sign * (cos, sin). Solar X grows to the west, Y to the north.
    header["WCSAXES"] = 2
    header["CTYPE1"], header["CTYPE2"] = "HPLN-TAN", "HPLT-TAN"
    header["CUNIT1"], header["CUNIT2"] = "arcsec", "arcsec"
    header["CRPIX1"] = lock.centre_x_px[lock.reference] + 1.0
    header["CRPIX2"] = lock.shape[0] - lock.centre_y_px[lock.reference]
    header["CRVAL1"], header["CRVAL2"] = 0.0, 0.0
    header["CDELT1"], header["CDELT2"] = step, step
    header["PC1_1"], header["PC1_2"] = sign * np.cos(north), sign * np.sin(north)
    header["PC2_1"], header["PC2_2"] = -np.sin(north), np.cos(north)
    header["RSUN_REF"] = SOLAR_RADIUS_KM * 1e3
    header["RSUN_OBS"] = about.view.apparent_radius_arcsec
    header["DSUN_OBS"] = about.view.distance_au * 149_597_870_700.0
    header["HGLN_OBS"] = 0.0
    header["HGLT_OBS"] = about.view.b0_deg
    header["SOLAR_P0"] = about.view.p_deg
    header["SOLAR_B0"] = about.view.b0_deg
    return header
