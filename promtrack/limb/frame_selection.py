"""Which frames cannot be trusted, and why."""

from __future__ import annotations

import numpy as np

from promtrack.limb.circle import MAD
from promtrack.limb.measure import FrameMeasure

# Less light than this is cloud, not haze, if there is also more light beside the Sun than usual; without that
# it is a shorter exposure or a smaller gain, and does no harm
LEAST_TRANSPARENCY = 0.5
VEILED = 1.1  # times the usual light far off the limb
DARKEST = 0.1  # of the usual light, below which noise rules
LEAST_SHARPNESS = 0.45  # of the usual
LEAST_DARK = 0.002  # of the frame
LEAST_KEPT = 0.45  # of the rays along the limb


def reasons_against(measures: list[FrameMeasure], exposure: np.ndarray) -> list[str]:
    """One short reason a frame, '' for a good one.

    Every quantity is judged against the sequence itself: its median, and its own frame-to-frame scatter.

    Parameters
    ----------
    exposure : (n,) exposure time against the usual one, from the headers; 1 where it is unknown
    """
    width = np.array([m.signs.width_px for m in measures])
    light, sharp = _light(measures), sharpness_of(measures)
    bright = light / max(float(np.median(light)), 1e-12) / exposure
    # a disc that one longer exposure burns out is brighter than its counts
    clipped = np.array([m.signs.burnt_limb for m in measures]) & (not _burnt(measures))
    bright[clipped] = np.maximum(bright[clipped], 1.0)
    step, kept = _steps(measures), float(np.median([m.signs.kept_part for m in measures]))
    wide = _high(np.log(width), 6.0, 0.35)
    dull = _high(-np.log(np.maximum(sharp, 1e-3)), 8.0, 0.45)
    torn = _high(np.log([max(m.signs.rms_px, 1e-3) for m in measures]), 8.0, 0.7)
    crossed = _high(np.array([_misfit(m) for m in measures]), 10.0, 1.5)
    dark = _high(np.array([m.signs.dark_part for m in measures]), 8.0, LEAST_DARK)
    sky = np.array([m.signs.sky for m in measures]) / exposure
    veiled = sky > VEILED * float(np.median(sky))
    reasons = []
    for i, m in enumerate(measures):
        blurred = wide[i] or dull[i] or sharp[i] < LEAST_SHARPNESS
        if exposure[i] < DARKEST:
            reasons.append(f"exposed for {100 * exposure[i]:.0f} % of the usual time")
        elif bright[i] < DARKEST or (bright[i] < LEAST_TRANSPARENCY and veiled[i]):
            reasons.append(f"cloud: {100 * bright[i]:.0f} % of the usual light")
        elif blurred and step[i] > 6:
            reasons.append(f"blurred by a jump of {step[i]:.0f} px")
        elif blurred:
            reasons.append(
                f"blurred: limb {width[i] / np.median(width):.1f} times as wide as usual, sharpness "
                f"{100 * sharp[i]:.0f} %"
            )
        elif dark[i]:
            reasons.append("something dark crossed the frame (aircraft or bird)")
        elif m.signs.kept_part < min(LEAST_KEPT, 0.6 * kept) or torn[i]:
            reasons.append(
                f"limb spoiled: {100 * m.signs.kept_part:.0f} % of its points agree, to "
                f"{m.signs.rms_px:.1f} px"
            )
        elif crossed[i]:
            reasons.append("limb zone unlike that of the other frames (cloud edge or something in the way)")
        else:
            reasons.append("")
    return reasons


def _steps(measures: list[FrameMeasure]) -> np.ndarray:
    """How far the Sun moved since the frame before, px."""
    place = np.array([[m.place.x_px, m.place.y_px] for m in measures])
    return np.concatenate([[0.0], np.hypot(*np.diff(place, axis=0).T)])


def sharpness_of(measures: list[FrameMeasure]) -> np.ndarray:
    """Steepness of the limb per unit of light, against the sequence's median."""
    value = np.array([m.signs.fall for m in measures]) / np.maximum(_light(measures), 1e-9)
    return value / max(float(np.median(value)), 1e-12)


def transparency_of(measures: list[FrameMeasure]) -> np.ndarray:
    """Light of the disc against the sequence's median; nan where the disc is burnt out: thin cloud dims the
    Sun and scatters more light beside it, so that the light off the limb does not tell."""
    light = _light(measures)
    return np.full(len(light), np.nan) if _burnt(measures) else light / max(float(np.median(light)), 1e-12)


def _light(measures: list[FrameMeasure]) -> np.ndarray:
    """Of the disc, or of what stands off the limb when the disc is burnt out: enough to see that most of it
    is gone."""
    burnt = _burnt(measures)
    return np.array([m.match.gain if burnt else max(m.signs.disc, 1e-9) for m in measures])


def _burnt(measures: list[FrameMeasure]) -> bool:
    """Whether the recording's disc is burnt out, so that it says nothing about the air."""
    return bool(np.mean([m.signs.burnt_limb for m in measures]) > 0.2)


def _misfit(m: FrameMeasure) -> float:
    if not np.isfinite(m.shifts.misfit).any():
        return float("nan")
    # three blocks in four must be off: after a jump the camera's hot pixels fall on other limb and spoil a
    # few
    return float(np.nanpercentile(m.shifts.misfit, 25))


def _high(values: np.ndarray, sigmas: float, least: float) -> np.ndarray:
    """(n,) bool: values above the median by `sigmas` robust deviations and by `least`; nan is not high."""
    values = np.asarray(values, float)
    finite = values[np.isfinite(values)]
    if not len(finite):
        return np.zeros(len(values), bool)
    middle = float(np.median(finite))
    spread = MAD * float(np.median(np.abs(finite - middle)))
    return np.nan_to_num(values, nan=middle) > middle + max(sigmas * spread, least)
