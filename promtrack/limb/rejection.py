"""Which frames cannot be trusted, judged against the whole sequence; their sharpness and transparency."""

from __future__ import annotations

import numpy as np

from promtrack.limb.edge import MAD
from promtrack.limb.measure import FrameMeasure

LEAST_PART = 0.45  # of the usual sharpness, and of the rays along the limb


def reasons_against(measures: list[FrameMeasure], exposure: np.ndarray) -> list[str]:
    """One short reason a frame, '' for a good one.

    Every quantity is judged against the sequence itself: its median, and its own frame-to-frame scatter.
    `exposure`: (n,) exposure time against the usual one, from the headers; 1 where it is unknown.
    """
    width = np.array([m.signs.width_px for m in measures])
    light, sharp = _light(measures), sharpness_of(measures)
    darkest = 0.1  # of the usual light: below it noise rules
    bright = light / max(float(np.median(light)), 1e-12) / exposure
    # a disc that one longer exposure burns out is brighter than its counts
    clipped = np.array([m.signs.burnt_limb for m in measures]) & (not _burnt(measures))
    bright[clipped] = np.maximum(bright[clipped], 1.0)
    kept = float(np.median([m.signs.kept_part for m in measures]))
    place = np.array([[m.place.x_px, m.place.y_px] for m in measures])
    step = np.concatenate([[0.0], np.hypot(*np.diff(place, axis=0).T)])  # since the frame before, px
    jumped = step > 6.0  # which blurs
    wide = _high(np.log(width), 6.0, 0.35)
    dull = _high(-np.log(np.maximum(sharp, 1e-3)), 8.0, 0.45)
    torn = _high(np.log(np.maximum([m.signs.rms_px for m in measures], 1e-3)), 8.0, 0.7)
    # three blocks in four must be off: after a jump the camera's hot pixels fall on other limb
    off = [m.shifts.misfit[np.isfinite(m.shifts.misfit)] for m in measures]
    crossed = _high(np.array([np.percentile(one, 25) if len(one) else np.nan for one in off]), 10.0, 1.5)
    dark = _high(np.array([m.signs.dark_part for m in measures]), 8.0, 0.002)
    sky = np.array([m.signs.sky for m in measures]) / exposure
    usual, disc = float(np.median(sky)), float(np.median([m.signs.disc for m in measures]))
    # the sky may be 0, or below it where a dark was taken off
    veiled = sky - usual > max(0.1 * abs(usual), 0.003 * disc)
    if _burnt(measures):  # of a limb cut off at full scale more is seen through cloud, which is wider
        wide &= ~veiled | jumped
    reasons = []
    for i, m in enumerate(measures):
        blurred = wide[i] or dull[i] or sharp[i] < LEAST_PART
        if exposure[i] < darkest:
            reasons.append(f"exposed for {100 * exposure[i]:.0f} % of the usual time")
        elif bright[i] < darkest or (bright[i] < 0.5 and veiled[i]):
            # Half of the light is cloud, not haze, if there is also more light beside the Sun than usual;
            # without that it is a shorter exposure or a smaller gain, and does no harm.
            reasons.append(f"cloud: {100 * bright[i]:.0f} % of the usual light")
        elif blurred and jumped[i]:
            reasons.append(f"blurred by a jump of {step[i]:.0f} px")
        elif blurred:
            reasons.append(
                f"blurred: limb {width[i] / np.median(width):.1f} times as wide as usual, sharpness "
                f"{100 * sharp[i]:.0f} %"
            )
        elif dark[i]:
            reasons.append("something dark crossed the frame (aircraft or bird)")
        elif m.signs.kept_part < min(LEAST_PART, 0.6 * kept) or torn[i]:
            reasons.append(
                f"limb spoiled: {100 * m.signs.kept_part:.0f} % of its points agree, to "
                f"{m.signs.rms_px:.1f} px"
            )
        elif crossed[i]:
            reasons.append("limb zone unlike that of the other frames (cloud edge or something in the way)")
        else:
            reasons.append("")
    return reasons


def sharpness_of(measures: list[FrameMeasure]) -> np.ndarray:
    """(n,) steepness of the limb per unit of light, against the sequence's median."""
    value = np.array([m.signs.fall for m in measures]) / np.maximum(_light(measures), 1e-9)
    return value / max(float(np.median(value)), 1e-12)


def transparency_of(measures: list[FrameMeasure]) -> np.ndarray:
    """(n,) light of the disc against the sequence's median; nan where the disc is burnt out: thin cloud dims
    the Sun and scatters more light beside it, so that the light off the limb does not tell."""
    light = _light(measures)
    return np.full(len(light), np.nan) if _burnt(measures) else light / max(float(np.median(light)), 1e-12)


def _light(measures: list[FrameMeasure]) -> np.ndarray:
    """Of the disc, or of what stands off the limb when the disc is burnt out."""
    burnt = _burnt(measures)
    return np.array([m.gain if burnt else max(m.signs.disc, 1e-9) for m in measures])


def _burnt(measures: list[FrameMeasure]) -> bool:
    """Whether the recording's disc is burnt out, so that it says nothing about the air."""
    return bool(np.mean([m.signs.burnt_limb for m in measures]) > 0.2)


def _high(values: np.ndarray, sigmas: float, least: float) -> np.ndarray:
    """(n,) bool: values above the median by `sigmas` robust deviations and by `least`; nan is not high."""
    finite = values[np.isfinite(values)]
    middle = np.median(finite) if len(finite) else 0.0
    spread = MAD * np.median(np.abs(finite - middle)) if len(finite) else 0.0
    return values > middle + max(sigmas * spread, least)
