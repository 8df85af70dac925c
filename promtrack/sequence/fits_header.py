"""What a FITS header says: where the Sun stands, in which light, and when.

astropy.wcs does the geometry: Thompson 2006, A&A 449, 791 (helioprojective coordinates). Times: FITS Standard
4.0, section 9 (Rots et al. 2015, A&A 574, A36). SOLARNET schema for DATE-BEG, XPOSURE, TEXPOSUR, RSUN_OBS,
RSUN_REF, DSUN_OBS, WAVELNTH and WAVEUNIT. DATE_OBS, TIME-OBS, UTSTART, UT, T_OBS, EXPOSURE, FILTER, SOLAR_R
and the axes SOLAR_X, SOLAR_Y are common, but in no standard. The header is read as it stands; whether it fits
the picture is tested where the scale is measured.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from promtrack.sequence.frame_source import Found
from promtrack.sequence.records import SolarHeader
from promtrack.sequence.stamps import Stamp, parse_stamp
from promtrack.sun import SOLAR_RADIUS_KM

_EXPOSURE = ("EXPTIME", "XPOSURE", "TEXPOSUR", "EXPOSURE")

_UNITS = {"": "arcsec", "arcsec": "arcsec", "arcsecs": "arcsec", "deg": "deg", "degree": "deg"}
_WCS = re.compile(r"(CTYPE|CUNIT|CRVAL|CRPIX|CDELT)[12]|(PC|CD)[12]_[12]|CROTA2?")
_LINES_NM = (
    ("H-alpha", 656.28),
    ("Ca II K", 393.37),
    ("Ca II H", 396.85),
    ("He D3", 587.56),
    ("He 1083 nm", 1083.0),
)
_H_ALPHA = re.compile(r"\bh[-_ ]?(?:alpha|a)\b|hα|656[.,]?2?8?\b", re.IGNORECASE)


def solar_headers(frames: list[Found]) -> tuple[SolarHeader | None, ...]:
    """Header of each frame, in displayed pixels; None where it is no FITS file or does not place the Sun."""
    known: dict[tuple, SolarHeader | None] = {}
    headers: list[SolarHeader | None] = []
    for frame in frames:
        cards = frame.stamps.fits
        if cards is None or "CTYPE1" not in cards:
            headers.append(None)
            continue
        placed = tuple(cards.get(k) for k in sorted(cards) if _WCS.match(k))
        key = placed, _rsun_arcsec(cards), frame.bottom_up
        if key not in known:
            known[key] = header_from_cards(cards, rows=frame.stored_shape[0], bottom_up=frame.bottom_up)
        headers.append(known[key])
    return tuple(headers)


def header_from_cards(cards: dict[str, object], *, rows: int, bottom_up: bool = True) -> SolarHeader | None:
    """SolarHeader from the keywords of a picture of `rows` rows, or None where they do not place the Sun."""
    from astropy.io import fits  # slow to import, and few recordings have such a header
    from astropy.wcs import WCS

    kinds = [text(cards, f"CTYPE{i}").upper().replace("_", "-") for i in (1, 2)]
    known = ("HPLN", "SOLAR-X", "SOLARX"), ("HPLT", "SOLAR-Y", "SOLARY")
    if not all(kind.startswith(names) for kind, names in zip(kinds, known, strict=True)):
        return None
    units = [_UNITS.get(text(cards, f"CUNIT{i}").lower()) for i in (1, 2)]
    if None in units or not np.isfinite([number(cards, "CRPIX1"), number(cards, "CRPIX2")]).all():
        return None
    given = {"CROTA2": cards["CROTA"]} if "CROTA" in cards else {}
    given |= {k: v for k, v in cards.items() if _WCS.match(k) and k != "CROTA"}
    given |= {"CUNIT1": units[0], "CUNIT2": units[1]}
    if not any(k.startswith("CD") for k in given):
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            wcs = WCS(fits.Header(given), fix=False)
            # Sun centre, and an arcsecond to the north and to the east of it
            steps = np.array([[0.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
            factor = [3600.0 if str(unit) == "deg" else 1.0 for unit in wcs.wcs.cunit]
            pixels = wcs.wcs_world2pix(steps / factor, 0)
    except (ValueError, TypeError, ArithmeticError, MemoryError):  # astropy's own are ValueErrors
        return None
    if bottom_up:
        pixels[:, 1] = rows - 1 - pixels[:, 1]
    north, east = pixels[1:] - pixels[0]
    area = abs(north[0] * east[1] - north[1] * east[0])
    if not np.isfinite(pixels).all() or not area > 0:
        return None
    north_deg, east_deg = (float(np.degrees(np.arctan2(-dx, -dy))) for dx, dy in (north, east))
    x, y = map(float, pixels[0])
    mirrored = (east_deg - north_deg) % 360.0 > 180.0
    rsun, dsun = _rsun_arcsec(cards), number(cards, "DSUN_OBS")
    return SolarHeader(x, y, float(area**-0.5), rsun, dsun, north_deg, mirrored)


def _rsun_arcsec(cards: dict[str, object]) -> float:
    given = number(cards, "RSUN_OBS", "SOLAR_R")
    if given > 0:
        return given
    ratio = number(cards, "RSUN_REF", default=1e3 * SOLAR_RADIUS_KM) / (number(cards, "DSUN_OBS") or np.nan)
    return float(np.degrees(np.arcsin(ratio)) * 3600.0) if 0 < ratio < 1 else np.nan


def line_of_light(cards: dict[str, object] | None) -> str:
    """The spectral line or passband that a header names: 'H-alpha', '304 angstrom'; '' where it names none.
    Without a unit, a number within 0.3 nm of a known line is in nm, any other in angstrom."""
    if cards is None:
        return ""
    unit = str(cards.get("WAVEUNIT", "")).strip().lower()
    to_nm = dict.fromkeys(("nm", "nanometer", "-9"), 1.0) | {"um": 1e3}
    to_nm |= dict.fromkeys(("angstrom", "angstroms", "aa", "-10"), 0.1)
    length = number(cards, "WAVELNTH")
    if not 1.0 <= length <= 1e6:
        name = text(cards, "FILTER")
        return "H-alpha" if _H_ALPHA.search(name) else ""
    scales = [to_nm[unit]] if unit in to_nm else [0.1] if length > 2000 else [1.0, 0.1]
    for scale in scales:
        for name, line_nm in _LINES_NM:
            if abs(length * scale - line_nm) <= 0.3:  # half a wide H-alpha filter
                return name
    return f"{10 * length * scales[-1]:.5g} angstrom"


def exposure_of(cards: dict[str, object]) -> float:
    """Exposure [s] that a header states; nan where it states none."""
    exposure = number(cards, *_EXPOSURE)
    return exposure if 0 <= exposure < 1e6 else np.nan


def middle_of_exposure(cards: dict[str, object]) -> tuple[Stamp | None, float, str]:
    """Stamp, seconds from it to the middle of the exposure, and the keywords used."""
    begin, name = _fits_stamp(cards, "DATE-BEG"), "DATE-BEG"
    if begin is None:
        begin, name = _date_obs(cards), "DATE-OBS"
    exposure = exposure_of(cards)
    if begin and exposure == exposure:
        used = next(key for key in _EXPOSURE if number(cards, key) == exposure)
        return begin, exposure / 2, f"{name} + {used} / 2"
    for middle in ("DATE-AVG", "DATE_AVG", "T_OBS", "MJD-AVG"):
        stamp = _fits_stamp(cards, middle)
        if stamp:
            return stamp, 0.0, middle
    end = _fits_stamp(cards, "DATE-END")
    if begin and end and begin.scale == end.scale and begin.zone == end.zone:
        return begin, (end.written - begin.written).total_seconds() / 2, f"middle of {name} and DATE-END"
    if begin is None:
        begin, name = _fits_stamp(cards, "MJD-BEG") or _fits_stamp(cards, "MJD-OBS"), "MJD-OBS"
        if exposure == exposure:
            return begin, exposure / 2, f"{name} + exposure / 2"
    return begin, 0.0, f"{name} (start of the exposure, whose length is not given)"


def _date_obs(cards: dict[str, object]) -> Stamp | None:
    date = text(cards, "DATE-OBS", "DATE_OBS")
    clock = text(cards, "TIME-OBS", "UTSTART", "UT")
    if len(date) == 10 and clock:
        return _scaled(parse_stamp(f"{date}T{clock}"), cards)
    return _scaled(parse_stamp(date), cards)


def _fits_stamp(cards: dict[str, object], key: str) -> Stamp | None:
    if key.startswith("MJD"):
        days = number(cards, key)
        if not 0 < days < 100_000:
            return None
        micros = np.datetime64("1858-11-17", "us") + np.timedelta64(round(days * 86400e6), "us")
        return _scaled(Stamp(micros.astype(datetime)), cards)
    return _scaled(parse_stamp(text(cards, key)), cards)


def _scaled(stamp: Stamp | None, cards: dict[str, object]) -> Stamp | None:
    """The stamp with the header's time system, which is UTC unless the header or the stamp says otherwise."""
    system = text(cards, "TIMESYS").lower()
    if stamp is None or stamp.scale != "utc" or stamp.zone is not None:
        return stamp
    if system in ("tai", "tt", "tdb", "tdt", "et"):
        return replace(stamp, scale="tai" if system == "tai" else "tt")
    return replace(stamp, zone=UTC) if system == "utc" else stamp


def number(cards: dict[str, object], *names: str, default: float = np.nan) -> float:
    """The first of the keywords that holds a number."""
    values = [v for v in map(cards.get, names) if isinstance(v, (int, float)) and not isinstance(v, bool)]
    return float(values[0]) if values else default


def text(cards: dict[str, object], *names: str) -> str:
    """The first of the keywords that holds a text, stripped."""
    values = (cards.get(name) for name in names)
    return next((v.strip() for v in values if isinstance(v, str) and v.strip()), "")
