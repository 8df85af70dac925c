"""Where a FITS header says the Sun stands: helioprojective keywords in, SolarHeader in displayed pixels out.

Source: Thompson 2006, A&A 449, 791 (CTYPE, CDELT, PC, CROTA2); SOLARNET schema for RSUN_OBS, RSUN_REF,
DSUN_OBS. The header is read as it stands; whether it fits the picture is tested where the scale is measured.
"""

from __future__ import annotations

import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.cards import number, text
from promtrack.sequence.fitsfile import first_picture
from promtrack.sequence.found import Found
from promtrack.sequence.records import SolarHeader
from promtrack.sun import SOLAR_RADIUS_KM

__all__ = ["header_from_cards", "solar_header"]

_UNITS = {"": 1.0, "arcsec": 1.0, "arcsecs": 1.0, "deg": 3600.0, "degree": 3600.0}


def solar_header(frame: Found) -> SolarHeader | None:
    """The header of the frame's file, or None where it is no FITS file or says nothing about the Sun."""
    if frame.stamps.fits is None:
        return None
    try:
        _, cards = first_picture(frame.file)
    except InputError:
        return None
    return header_from_cards(cards, rows=frame.shape[0], bottom_up=frame.bottom_up)


def header_from_cards(cards: dict[str, object], *, rows: int, bottom_up: bool = True) -> SolarHeader | None:
    """SolarHeader from the keywords of a picture of `rows` rows, or None where they do not place the Sun."""
    matrix, reference = _matrix(cards), [number(cards, f"CRPIX{i}") for i in (1, 2)]
    if matrix is None or not np.isfinite(reference).all():
        return None
    units = [_UNITS.get(text(cards, f"CUNIT{i}").lower(), np.nan) for i in (1, 2)]
    arcsec = matrix * np.array(units)[:, None]
    values = [number(cards, f"CRVAL{i}", default=0.0) * unit for i, unit in zip((1, 2), units, strict=True)]
    determinant = float(np.linalg.det(arcsec)) if np.isfinite(arcsec).all() else 0.0
    if not np.isfinite(determinant) or determinant == 0 or not np.isfinite(values).all():
        return None
    inverse = np.linalg.inv(arcsec)  # arcsec (west, north) to pixels (right, up in FITS rows)
    centre = np.array(reference) - inverse @ values
    north, east = inverse @ (0.0, 1.0), inverse @ (-1.0, 0.0)
    up = 1.0 if bottom_up else -1.0
    north_deg, east_deg = (np.degrees(np.arctan2(-v[0], up * v[1])) for v in (north, east))
    y = rows - centre[1] if bottom_up else centre[1] - 1.0
    return SolarHeader(
        float(centre[0] - 1.0),
        float(y),
        float(abs(determinant) ** 0.5),
        _rsun_arcsec(cards),
        number(cards, "DSUN_OBS"),
        float(north_deg),
        bool((east_deg - north_deg) % 360.0 > 180.0),
    )


def _matrix(cards: dict[str, object]) -> np.ndarray | None:
    """(2, 2) pixels (right, up) to header units (west, north); None where this is no helioprojective
    picture."""
    kinds = [text(cards, f"CTYPE{i}").upper().replace("-", "_") for i in (1, 2)]
    if not (
        kinds[0].startswith(("HPLN", "SOLAR_X", "SOLARX"))
        and kinds[1].startswith(("HPLT", "SOLAR_Y", "SOLARY"))
    ):
        return None
    if any(f"CD{i}_{j}" in cards for i in (1, 2) for j in (1, 2)):
        return np.array([[number(cards, f"CD{i}_{j}", default=0.0) for j in (1, 2)] for i in (1, 2)])
    steps = np.array([number(cards, "CDELT1"), number(cards, "CDELT2")])
    if not np.isfinite(steps).all() or not steps.all():
        return None
    if any(f"PC{i}_{j}" in cards for i in (1, 2) for j in (1, 2)):
        turn = np.array(
            [[number(cards, f"PC{i}_{j}", default=float(i == j)) for j in (1, 2)] for i in (1, 2)]
        )
    else:
        roll = np.radians(number(cards, "CROTA2", "CROTA", default=0.0))
        ratio = steps[1] / steps[0]
        turn = np.array([[np.cos(roll), -np.sin(roll) * ratio], [np.sin(roll) / ratio, np.cos(roll)]])
    return turn * steps[:, None]


def _rsun_arcsec(cards: dict[str, object]) -> float:
    given = number(cards, "RSUN_OBS", "SOLAR_R")
    if given > 0:
        return given
    ratio = number(cards, "RSUN_REF", default=1e3 * SOLAR_RADIUS_KM) / (number(cards, "DSUN_OBS") or np.nan)
    return float(np.degrees(np.arcsin(ratio)) * 3600.0) if 0 < ratio < 1 else np.nan
