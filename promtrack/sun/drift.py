"""Drift calibration: with the drive off the Sun drifts due west; direction and rate of that give the camera's
turn and the scale.

The Sun crosses a fixed telescope at the sky's rate less its own motion in right ascension, times the cosine
of its declination: about 15 arcsec a second. The direction is west, the rate gives the scale. A straight
line does not show whether the picture is mirrored. A nudge does: the telescope pushed a little towards
celestial north (or south) while the Sun drifts. The picture then shows the Sun moving south (or north).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.errors import InputError
from promtrack.settings import SiteSettings
from promtrack.sun.constants import wrapped_deg
from promtrack.sun.ephemeris import SolarView, sky_place, vertical_contraction
from promtrack.sun.scale import Scale

# 2 pi * 1.00273781191135448 a day; Capitaine et al. 2003, IERS Conventions 2010
SIDEREAL_ARCSEC_S = 15.04106717866910
LEAST_POINTS = 8


@dataclass(frozen=True, slots=True)
class DriftCalibration:
    """What a recording with the drive switched off gives.

    The drift alone gives west and the scale. North needs to know whether the image is mirrored: without a
    nudge `mirrored` is None and both answers stand in the sentence.
    """

    west_deg: float  # image angle towards which the Sun drifts
    west_err_deg: float
    arcsec_per_px: float
    arcsec_per_px_err: float
    north_deg: float  # image angle of celestial north; nan while mirroring is unknown
    mirrored: bool | None  # None: not known
    rms_px: float  # scatter of the positions across the drift
    points: int  # positions on which the drift rests
    sentence: str  # the result in words, and what to do with it


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """Straight drift with one jump allowed: positions = start (+ jump after the nudge) + velocity * time."""

    velocity: np.ndarray  # (2,) px/s
    velocity_err: np.ndarray  # along and across the drift
    jump: np.ndarray  # (2,) px; zero without a nudge
    jump_err: float
    scatter_px: float  # across the drift
    points: int  # that were not rejected


def fit_drift(
    time_s: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, view: SolarView, *, nudge: str = ""
) -> DriftCalibration:
    """Direction of north and image scale from a recording with the drive off.

    Parameters
    ----------
    time_s : (n,) seconds, increasing
    x_px, y_px : (n,) the Sun's centre, or any one point of the Sun, in each frame; nan where it was not found
    view : date (for declination and rate) and altitude, if known
    nudge : 'north' or 'south', if the telescope was pushed that way during the recording; the Sun in the
        picture moves the opposite way. Empty: no nudge is looked for.

    Raises InputError: too few positions, too little motion for a direction, or no nudge is seen; whether
    the motion has the sky's rate only the limb can show (`check_against_limb`); ValueError: wrong shapes,
    or an unknown nudge.
    """
    time, position = _checked(time_s, x_px, y_px, nudge)
    line = _fit_line(time, position, look_for_nudge=bool(nudge))
    speed = float(np.hypot(*line.velocity))
    # Below 20 sigma the direction would be worse than 3 deg.
    if speed * np.ptp(time) < 20.0 * max(line.scatter_px, 0.02):
        raise InputError(
            f"the Sun moved only {speed * np.ptp(time):.1f} px, too little to tell a direction",
            remedy="switch the drive off and record until the Sun has crossed a good part of the frame",
        )
    place = sky_place(np.array([view.time_utc]), site=SiteSettings())
    sky_rate = SIDEREAL_ARCSEC_S - float(place.ra_rate_arcsec_s[0])
    rate = sky_rate * float(np.cos(np.deg2rad(place.declination_deg[0])))  # arcsec/s
    rate_err = float(np.hypot(1e-4, _squeeze(view) / 2.0))  # relative, what refraction leaves
    west = float(np.rad2deg(np.arctan2(-line.velocity[0], -line.velocity[1])))  # y points down
    direction = line.velocity / speed
    mirrored = _mirrored(line, direction, nudge) if nudge else None
    north = {False: wrapped_deg(west + 90.0), True: wrapped_deg(west - 90.0)}
    # Refraction slows vertical motion, so a slanting path is turned by up to half that.
    west_err = float(np.rad2deg(np.hypot(line.velocity_err[1] / speed, _squeeze(view) / 2.0)))
    scale, scale_err = rate / speed, rate / speed * float(np.hypot(line.velocity_err[0] / speed, rate_err))
    sentence = (
        f"West lies at {west:.2f} +- {west_err:.2f} deg (counter-clockwise from image up) and a pixel is "
        f"{scale:.4f} +- {scale_err:.4f} arcsec. {_advice(mirrored, north)}"
    )
    return DriftCalibration(
        west_deg=west,
        west_err_deg=west_err,
        arcsec_per_px=scale,
        arcsec_per_px_err=scale_err,
        north_deg=np.nan if mirrored is None else north[mirrored],
        mirrored=mirrored,
        rms_px=line.scatter_px,
        points=line.points,
        sentence=sentence,
    )


def check_against_limb(found: DriftCalibration, limb: Scale) -> tuple[str, bool]:
    """The drift's scale against the limb's: one sentence, and whether they agree. `limb`: the scale from
    the radius of the limb alone, in the same frames. Raises InputError: the Sun moves at another rate than
    the sky, so the drive was on or the times are wrong."""
    ratio = found.arcsec_per_px / limb.arcsec_per_px
    err = max(
        float(np.hypot(limb.sigma_km_per_px / limb.km_per_px, found.arcsec_per_px_err / found.arcsec_per_px)),
        1e-9,
    )
    if not np.isfinite(err):
        return "So short an arc of limb does not check the drift's scale.", True
    figures = (
        f"{found.arcsec_per_px:.4g} against {limb.arcsec_per_px:.4g} arcsec a pixel, "
        f"{100 * (ratio - 1):+.1f} % +- {100 * err:.1f} %"
    )
    if abs(np.log(ratio)) <= 3.0 * err:
        return f"The drift and the limb agree: {figures}.", True
    if not 1 / 1.3 < ratio < 1.3:  # no drive that is off is wrong by so much
        raise InputError(
            f"the Sun moves at {1 / ratio:.3g} times the rate of the sky (by the limb a pixel is "
            f"{limb.arcsec_per_px:.4g} arcsec, and would have to be {found.arcsec_per_px:.4g}): this is no "
            "drift with the drive off, or the times are wrong",
            remedy="switch the drive off, record again, and check the times with `promtrack check`",
        )
    return (
        f"The drift and the limb disagree: {figures}. Either the drive was not wholly off, or the times are "
        "wrong, or the limb stands low and is flattened; do not use this scale, and the direction with care."
    ), False


def _checked(time_s, x_px, y_px, nudge: str) -> tuple[np.ndarray, np.ndarray]:
    time = np.asarray(time_s, float)
    position = np.column_stack([np.asarray(x_px, float), np.asarray(y_px, float)])
    if time.ndim != 1 or len(position) != len(time):
        raise ValueError(
            f"time_s, x_px and y_px must have one shape (n,), got {time.shape} and {position.shape}"
        )
    if nudge not in ("", "north", "south"):
        raise ValueError(f"nudge must be 'north', 'south' or empty, got {nudge!r}")
    good = np.isfinite(time) & np.isfinite(position).all(axis=1)
    if good.sum() < LEAST_POINTS:
        raise InputError(
            f"the Sun was found in {good.sum()} frames of the drift, need {LEAST_POINTS}",
            remedy="record the drift for longer, or at a higher frame rate",
        )
    return time[good] - time[good].mean(), position[good]


def _fit_line(time: np.ndarray, position: np.ndarray, *, look_for_nudge: bool) -> _Line:
    """Least squares with wrong points left out; the frames during a nudge count as wrong points."""
    velocity = _usual_velocity(time, position)
    residual = position - velocity * time[:, None]
    columns, kept = [np.ones(len(time)), time], np.ones(len(time), bool)
    if look_for_nudge:
        start, end = _nudge_span(residual)
        columns.append((np.arange(len(time)) >= end).astype(float))
        kept[start:end] = False
    design = np.column_stack(columns)
    for _ in range(8):
        solution = np.linalg.lstsq(design[kept], position[kept], rcond=None)[0]
        residual = position - design @ solution
        size = np.hypot(*residual.T)
        # the median radius of a 2-D normal is 1.1774 sigma
        limit = 4.0 * max(float(np.median(size[kept])) / 1.1774, 1e-6)
        fresh = kept & (size <= limit)
        if fresh.sum() == kept.sum() or fresh.sum() < LEAST_POINTS:
            break
        kept = fresh
    covariance = np.linalg.inv(design[kept].T @ design[kept])
    along = solution[1] / max(np.hypot(*solution[1]), 1e-12)
    parts = residual[kept] @ np.column_stack([along, [-along[1], along[0]]])
    sigma = np.sqrt(np.sum(parts**2, axis=0) / max(kept.sum() - design.shape[1], 1))
    scatter_px, points = float(np.std(parts[:, 1])), int(kept.sum())
    jump_err = float(sigma.max() * np.sqrt(covariance[2, 2])) if look_for_nudge else np.nan
    jump = solution[2] if look_for_nudge else np.zeros(2)
    velocity_err = sigma * np.sqrt(covariance[1, 1])
    return _Line(solution[1], velocity_err, jump, jump_err, scatter_px, points)


def _usual_velocity(time: np.ndarray, position: np.ndarray) -> np.ndarray:
    """Median velocity over a tenth of the recording: neither bad frames nor a short nudge move it."""
    lag = max(len(time) // 10, 1)
    elapsed = time[lag:] - time[:-lag]
    moving = elapsed > 0
    if not moving.any():
        raise InputError(
            "the times of the frames do not increase", remedy="check the times with `promtrack check`"
        )
    return np.median((position[lag:] - position[:-lag])[moving] / elapsed[moving, None], axis=0)


def _nudge_span(residual: np.ndarray) -> tuple[int, int]:
    """Frames first <= i < last between which the Sun leaves the drift line for a parallel one."""
    n = len(residual)
    best, span = np.inf, (0, 0)
    # Two levels with a gap between them: the split and gap with the smallest scatter of what stays.
    margin = max(n // 10, 3)
    for gap in (0, n // 20, n // 10, n // 5, n // 3):
        for start in range(margin, n - gap - margin, max(n // 100, 1)):
            end = start + gap
            parts = residual[:start], residual[end:]
            spread = sum(np.abs(part - np.median(part, axis=0)).sum() for part in parts) / (start + n - end)
            if spread < best:
                best, span = spread, (start, end)
    return span


def _mirrored(line: _Line, direction: np.ndarray, nudge: str) -> bool:
    # Unmirrored, north lies 90 deg counter-clockwise of west on the screen: (dx, dy) turned to (dy, -dx), y
    # pointing down.
    across = float(line.jump @ np.array([direction[1], -direction[0]]))
    if abs(across) < 6.0 * max(line.jump_err, 0.05):
        raise InputError(
            f"no nudge across the drift is seen (moved by {abs(across):.1f} px)",
            remedy="push the telescope farther, about a tenth of the frame, or leave the nudge out",
        )
    # The telescope went north, so the Sun went south in the sky: in an unmirrored picture against that arrow.
    return (across > 0) == (nudge == "north")


def _squeeze(view: SolarView) -> float:
    """Part by which refraction shortens vertical motion, at 30 deg when the site is unknown."""
    altitude = view.altitude_deg if np.isfinite(view.altitude_deg) else 30.0
    return 1.0 - float(vertical_contraction(max(altitude, 0.0)))


def _advice(mirrored: bool | None, north: dict[bool, float]) -> str:
    if mirrored is None:
        return (
            f"North lies at {north[False]:.2f} deg if the picture is not mirrored, at {north[True]:.2f} deg "
            "if it is: a straight drift cannot tell. Count the mirrors (an odd number, as with one diagonal, "
            "mirrors), or record again and push the telescope a little towards north on the way."
        )
    return (
        f"By the nudge the picture is {'mirrored' if mirrored else 'not mirrored'}: set camera.north_deg = "
        f"{north[mirrored]:.2f} and camera.mirrored = {str(mirrored).lower()}."
    )
