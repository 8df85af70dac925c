"""strip.fits: the cube of strips with its axes, the times, the noise and one reference frame with its WCS.

The cube is streamed (see `strip.store`), and the other parts are appended when it is whole. Layout: FITS
Standard 4.0; helioprojective coordinates of the reference frame: Thompson 2006, A&A 449, 791.
"""

from __future__ import annotations

import shutil
import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from promtrack.errors import InputError
from promtrack.limb.records import LimbLock
from promtrack.products.folder import ProductFolder, unreadable
from promtrack.products.tables import DAMAGED
from promtrack.sequence.records import Sequence
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.store import CUBE
from promtrack.sun import AU_KM, SOLAR_RADIUS_KM, Circumstances


def check_space(folder: ProductFolder, geometry: StripGeometry, count: int) -> None:
    """Raises InputError unless `count` strips fit on the disk, with a tenth to spare for the other products.
    A value takes a byte at most: Rice leaves 0.6 of noise in steps of a quarter of it."""
    needed = 1.1 * count * geometry.rows * geometry.columns
    free = shutil.disk_usage(folder.path).free
    if needed > free:
        what = f"the strips need {needed / 1e6:.0f} MB, but only {free / 1e6:.0f} MB are free"
        smaller = "make the strips smaller with --set strip.high_mm= or with strip.from_deg and strip.to_deg"
        remedy = f"free some space, choose another disk with --out, or {smaller}"
        raise InputError(what, where=str(folder.path), remedy=remedy)


def strip_header(
    geometry: StripGeometry, times_utc: np.ndarray, about: Circumstances, version: str
) -> fits.Header:
    """Axes and circumstances of a cube of (n,) times."""
    image, position = ("IMGANGLE", "counter-clockwise from image up"), ("POSANGLE", "north through east")
    first, last = (f"{np.datetime_as_string(t, unit='ms')}" for t in times_utc[[0, -1]])
    return fits.Header(
        [
            ("CTYPE1", *(position if geometry.position_angles else image)),
            ("CUNIT1", "deg"),
            ("CRPIX1", 1.0),
            ("CRVAL1", geometry.from_deg),
            ("CDELT1", geometry.deg_per_column),
            ("CTYPE2", "HEIGHT", "above the fitted limb"),
            ("CUNIT2", "Mm"),
            ("CRPIX2", 1.0),
            ("CRVAL2", geometry.low_mm),
            ("CDELT2", geometry.mm_per_row),
            ("CTYPE3", "STRIP", "times in the TIMES table"),
            ("CRPIX3", 1.0),
            ("CRVAL3", 0.0),
            ("CDELT3", 1.0),
            ("BUNIT", "adu", "counts at usual transparency, no backdrop"),
            ("LIMBDIST", geometry.limb_mm, "[Mm] fitted limb from the centre"),
            ("LIMBHGT", about.scale.limb.height_mm, "[Mm] fitted limb above the photosphere"),
            ("POSANG", geometry.position_angles, "angles are solar position angles"),
            ("KM_PX", about.scale.km_per_px, "[km] one pixel"),
            ("KM_PXERR", about.scale.sigma_km_per_px, "[km] its standard deviation"),
            ("RSUN_OBS", about.view.apparent_radius_arcsec, "[arcsec] radius of the photosphere"),
            ("RSUN_REF", SOLAR_RADIUS_KM * 1e3, "[m] IAU 2015 Resolution B3"),
            ("DATE-BEG", first, "middle of the first exposure"),
            ("DATE-END", last, "middle of the last exposure"),
            ("TIMESYS", "UTC"),
            ("CREATOR", f"promtrack {version}"),
        ]
    )


def finish_strip(path: Path, strip: Strip, sequence: Sequence, lock: LimbLock, about: Circumstances) -> None:
    """Append the times, the noise and the reference frame to the whole cube."""
    stamps = [f"{t}Z" for t in np.datetime_as_string(strip.times_utc, unit="us")]
    heights = strip.geometry.height_mm(np.arange(strip.geometry.rows))
    times = [
        fits.Column("time", "27A", array=np.array(stamps)),
        fits.Column("time_s", "D", unit="s", array=strip.time_s),
        fits.Column("frame", "J", array=strip.frame),
        fits.Column("centre_err_mm", "D", unit="Mm", array=strip.centre_err_mm),
        fits.Column("along_err_mm", "D", unit="Mm", array=strip.along_err_mm),
    ]
    noise = [
        fits.Column("height_mm", "D", unit="Mm", array=heights),
        fits.Column("noise", "D", unit="adu", array=np.asarray(strip.noise, dtype=float)),
    ]
    for name, columns in (("TIMES", times), ("NOISE", noise)):
        table = fits.BinTableHDU.from_columns(columns, name=name)
        fits.append(path, table.data, table.header)
    reference = sequence.frame(lock.reference)[::-1]  # FITS rows run bottom-up
    fits.append(path, np.ascontiguousarray(reference), _reference_header(sequence, lock, about))


def read_strip(folder: ProductFolder) -> Strip:
    """The strip that strip.fits holds; the cube stays on disk. Raises InputError: the file is missing,
    damaged, or not a strip of this program."""
    path = folder["strip"]
    try:
        # opened here, since astropy leaves a file open whose header it cannot read
        with (
            warnings.catch_warnings(action="error", category=AstropyUserWarning),
            path.open("rb") as file,
            fits.open(file, memmap=False) as hdus,
        ):
            header, times, noise = hdus[CUBE].header, hdus["TIMES"].data, hdus["NOISE"].data
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
                noise=np.array(noise["noise"], dtype=float),
                centre_err_mm=np.array(times["centre_err_mm"], dtype=float),
                along_err_mm=np.array(times["along_err_mm"], dtype=float),
            )
    except (OSError, AstropyUserWarning, *DAMAGED) as error:
        raise unreadable(path, error, "promtrack strip") from None


def _reference_header(sequence: Sequence, lock: LimbLock, about: Circumstances) -> fits.Header:
    """Header of the reference frame; helioprojective only where the orientation is known."""
    moment = str(np.datetime_as_string(sequence.times_utc[lock.reference], unit="ms"))
    header = fits.Header({"EXTNAME": "REFERENCE", "DATE-AVG": moment, "DATE-OBS": moment, "TIMESYS": "UTC"})
    header["FRAME"] = (lock.reference, "index in the sequence")
    if not about.orientation.position_angles:
        header["COMMENT"] = "orientation unknown: no celestial coordinates"
        return header
    from astropy.wcs import WCS  # slow to import, and the orientation is often unknown

    step, sign = about.scale.arcsec_per_px, about.orientation.sign
    north = np.deg2rad(about.orientation.zero_deg)
    plane = WCS(naxis=2)
    plane.wcs.ctype, plane.wcs.cunit = ["HPLN-TAN", "HPLT-TAN"], ["arcsec", "arcsec"]
    x_px, y_px = lock.centre_x_px[lock.reference], lock.centre_y_px[lock.reference]
    plane.wcs.crpix = [x_px + 1.0, lock.shape[0] - y_px]
    plane.wcs.crval, plane.wcs.cdelt = [0.0, 0.0], [step, step]
    # Displayed pixel offsets (dx right, up) along solar north: (-sin, cos); along solar west, 90 deg
    # clockwise from north on the sky: sign * (cos, sin). Solar X grows to the west, Y to the north.
    plane.wcs.pc = [[sign * np.cos(north), sign * np.sin(north)], [-np.sin(north), np.cos(north)]]
    header.update(plane.to_header())
    view = about.view
    header.update({"RSUN_REF": SOLAR_RADIUS_KM * 1e3, "RSUN_OBS": view.apparent_radius_arcsec})
    header.update({"DSUN_OBS": view.distance_au * AU_KM * 1e3, "HGLN_OBS": 0.0, "HGLT_OBS": view.b0_deg})
    header.update({"SOLAR_P0": view.p_deg, "SOLAR_B0": view.b0_deg})
    return header
