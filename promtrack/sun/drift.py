"""Drift calibration: with the drive off the Sun drifts due west; direction and rate of that give the camera's
turn and the scale.

The Sun crosses a fixed telescope at the sky's rate less its own motion in right ascension, times the cosine
of its declination: about 15 arcsec a second. The direction is west, the rate gives the scale. Whether the
picture is mirrored shows a nudge: pushed towards celestial north, the telescope sees the Sun move south.
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
    """What a recording with the drive switched off gives. The drift alone gives west and the scale. North
    needs to know whether the image is mirrored: without a nudge `mirrored` is None and both answers stand in
    the sentence."""

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

    Raises InputError: too few positions, too little motion for a direction, or no nudge is seen; whether the
    motion has the sky's rate only the limb can show (`check_against_limb`).
    """
    position = np.column_stack([x_px, y_px])
    good = np.isfinite(time_s) & np.isfinite(position).all(axis=1)
    if good.sum() < LEAST_POINTS:
        raise InputError(
            f"the Sun was found in {good.sum()} frames of the drift, need {LEAST_POINTS}",
            remedy="record the drift for longer, or at a higher frame rate",
        )
    if (np.diff(time_s[good]) <= 0).any():
        remedy = "check the times with `promtrack check`"
        raise InputError("the times of the frames do not increase", remedy=remedy)
    time, position = time_s[good] - time_s[good].mean(), position[good]
    line = _fit_line(time, position, nudged=bool(nudge))
    speed = float(np.hypot(*line.velocity))
    # Below 20 sigma the direction would be worse than 3 deg.
    if speed * np.ptp(time) < 20.0 * max(line.scatter_px, 0.02):
        raise InputError(
            f"the Sun moved only {speed * np.ptp(time):.1f} px, too little to tell a direction",
            remedy="switch the drive off and record until the Sun has crossed a good part of the frame",
        )
    # part by which refraction shortens vertical motion, at 30 deg when the site is unknown
    altitude = view.altitude_deg if np.isfinite(view.altitude_deg) else 30.0
    squeezed = 1.0 - float(vertical_contraction(max(altitude, 0.0)))
    place = sky_place(np.array([view.time_utc]), site=SiteSettings())
    sky_rate = SIDEREAL_ARCSEC_S - float(place.ra_rate_arcsec_s[0])
    rate = sky_rate * float(np.cos(np.deg2rad(place.declination_deg[0])))  # arcsec/s
    rate_err = float(np.hypot(1e-4, squeezed / 2.0))  # relative, what refraction leaves
    west = float(np.rad2deg(np.arctan2(-line.velocity[0], -line.velocity[1])))  # y points down
    # a slanting path is turned by up to half of what refraction shortens
    west_err = float(np.rad2deg(np.hypot(line.velocity_err[1] / speed, squeezed / 2.0)))
    scale, scale_err = rate / speed, rate / speed * float(np.hypot(line.velocity_err[0] / speed, rate_err))
    mirrored = _mirrored(line, nudge) if nudge else None
    plain, turned = wrapped_deg(west + 90.0), wrapped_deg(west - 90.0)
    north = turned if mirrored else plain
    if mirrored is None:
        advice = (
            f"North lies at {plain:.2f} deg if the picture is not mirrored, at {turned:.2f} deg "
            "if it is: a straight drift cannot tell. Count the mirrors (an odd number, as with one diagonal, "
            "mirrors), or record again and push the telescope a little towards north on the way."
        )
    else:
        advice = (
            f"By the nudge the picture is {'mirrored' if mirrored else 'not mirrored'}: set "
            f"camera.north_deg = {north:.2f} and camera.mirrored = {str(mirrored).lower()}."
        )
    return DriftCalibration(
        west_deg=west,
        west_err_deg=west_err,
        arcsec_per_px=scale,
        arcsec_per_px_err=scale_err,
        north_deg=np.nan if mirrored is None else north,
        mirrored=mirrored,
        rms_px=line.scatter_px,
        points=line.points,
        sentence=f"West lies at {west:.2f} +- {west_err:.2f} deg (counter-clockwise from image up) and a "
        f"pixel is {scale:.4f} +- {scale_err:.4f} arcsec. {advice}",
    )


def check_against_limb(found: DriftCalibration, limb: Scale) -> tuple[str, bool]:
    """The drift's scale against the limb's: one sentence, and whether they agree. `limb`: the scale from the
    radius of the limb alone, in the same frames. Raises InputError: the Sun moves at another rate than the
    sky, so the drive was on or the times are wrong."""
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


def _fit_line(time: np.ndarray, position: np.ndarray, *, nudged: bool) -> _Line:
    """Least squares with wrong points left out, among them the frames during a nudge."""
    # median velocity over a tenth of the recording: neither bad frames nor a short nudge move it
    lag = max(len(time) // 10, 1)
    velocity = np.median((position[lag:] - position[:-lag]) / (time[lag:] - time[:-lag])[:, None], axis=0)
    residual = position - velocity * time[:, None]
    margin = max(len(time) // 10, 3)
    splits = range(margin, len(time) - margin, max(len(time) // 100, 1)) if nudged else (0,)
    levels = [_levels(residual, split) for split in splits]
    best = int(np.argmin([np.abs(residual - level).sum() for level in levels]))
    residual = residual - levels[best]
    after = np.arange(len(time)) >= splits[best]
    design = np.column_stack([np.ones(len(time)), time, after])[:, : 3 if nudged else 2]
    kept = np.ones(len(time), bool)
    for _ in range(8):
        size = np.hypot(*residual.T)
        # the median radius of a 2-D normal is 1.1774 sigma
        fresh = kept & (size <= 4.0 * max(float(np.median(size[kept])) / 1.1774, 1e-6))
        kept = fresh if fresh.sum() >= LEAST_POINTS else kept
        solution = np.linalg.lstsq(design[kept], position[kept], rcond=None)[0]
        residual = position - design @ solution
    if nudged and not 3 <= after[kept].sum() <= kept.sum() - 3:
        raise InputError(
            "on one side of the nudge hardly a frame follows the drift",
            remedy="push the telescope within a few seconds, in the middle of the recording",
        )
    covariance = np.linalg.inv(design[kept].T @ design[kept])
    along = solution[1] / max(np.hypot(*solution[1]), 1e-12)
    parts = residual[kept] @ np.column_stack([along, [-along[1], along[0]]])
    sigma = np.sqrt(np.sum(parts**2, axis=0) / max(kept.sum() - design.shape[1], 1))
    return _Line(
        velocity=solution[1],
        velocity_err=sigma * np.sqrt(covariance[1, 1]),
        jump=solution[2] if nudged else np.zeros(2),
        jump_err=float(sigma.max() * np.sqrt(covariance[2, 2])) if nudged else np.nan,
        scatter_px=float(np.std(parts[:, 1])),
        points=int(kept.sum()),
    )


def _levels(residual: np.ndarray, split: int) -> np.ndarray:
    """(n, 2) medians of (n, 2) residuals before and from `split` on."""
    parts = [part for part in (residual[:split], residual[split:]) if len(part)]
    return np.concatenate([np.broadcast_to(np.median(part, axis=0), part.shape) for part in parts])


def _mirrored(line: _Line, nudge: str) -> bool:
    direction = line.velocity / np.hypot(*line.velocity)
    # Unmirrored, north lies 90 deg counter-clockwise of west on the screen: (dx, dy) turned to (dy, -dx), y
    # pointing down.
    across = float(line.jump @ np.array([direction[1], -direction[0]]))
    # of 477 made-up nudges below 10 times the scatter 350 put west wrong by more than 4 sigma, mostly slow
    # ones; of 909 above it 17
    if abs(across) < max(6.0 * max(line.jump_err, 0.05), 10.0 * line.scatter_px):
        moved = f"moved by {abs(across):.1f} px, scatter {line.scatter_px:.1f} px"
        remedy = "push it farther and faster, by about a tenth of the frame, or leave the nudge out"
        raise InputError(f"no nudge across the drift is seen ({moved})", remedy=remedy)
    # The telescope went north, so the Sun went south in the sky: in an unmirrored picture against that arrow.
    return (across > 0) == (nudge == "north")
