"""Which frames cannot be trusted, and why."""

from __future__ import annotations

import numpy as np

from promtrack.limb.circle import MAD
from promtrack.limb.track import FrameMeasure

LEAST_TRANSPARENCY = 0.5   # thinner light than this is cloud, not haze
LEAST_KEPT = 0.45          # of the rays along the limb


def judge(measures: list[FrameMeasure]) -> list[str]:
    """One short reason a frame, '' for a good one.

    Every quantity is judged against the sequence itself: its median, and its own frame-to-frame scatter.
    """
    fall_width = np.array([m.width_px for m in measures])
    bright = transparency_of(measures)
    rms = np.array([m.rms_px for m in measures])
    kept = np.array([m.kept_part for m in measures])
    misfit = np.array([_misfit(m) for m in measures])
    sharp = sharpness_of(measures)
    reasons = [""] * len(measures)
    for i in range(len(measures)):
        if bright[i] < LEAST_TRANSPARENCY:
            reasons[i] = f"cloud: {100 * bright[i]:.0f} % of the usual light"
        elif kept[i] < LEAST_KEPT:
            reasons[i] = f"limb spoiled: {100 * kept[i]:.0f} % of its points agree"
        elif _high(np.log(fall_width), i, 6.0, 0.35):
            reasons[i] = f"blurred: limb {fall_width[i] / np.median(fall_width):.1f} times as wide as usual"
        elif sharp[i] < 0.45:
            reasons[i] = f"blurred: {100 * sharp[i]:.0f} % of the usual sharpness"
        elif _high(np.log(np.maximum(rms, 1e-3)), i, 8.0, 0.7):
            reasons[i] = f"limb torn: points scatter {rms[i]:.1f} px"
        elif np.isfinite(misfit[i]) and _high(misfit, i, 10.0, 1.5):
            reasons[i] = "something crossed the limb (aircraft, bird or cloud edge)"
    return reasons


def sharpness_of(measures: list[FrameMeasure]) -> np.ndarray:
    """Steepness of the limb per unit of light, against the sequence's median."""
    value = np.array([m.fall for m in measures]) / np.maximum(_light(measures), 1e-9)
    return value / max(float(np.median(value)), 1e-12)


def transparency_of(measures: list[FrameMeasure]) -> np.ndarray:
    """Light against the sequence's median: of the disc, or of what stands off the limb when the disc is burnt out."""
    light = _light(measures)
    return light / max(float(np.median(light)), 1e-12)


def _light(measures: list[FrameMeasure]) -> np.ndarray:
    burnt = np.mean([m.burnt_limb for m in measures]) > 0.2
    return np.array([m.gain if burnt else max(m.disc, 1e-9) for m in measures])


def _misfit(m: FrameMeasure) -> float:
    if not np.isfinite(m.shifts.misfit).any():
        return float("nan")
    return float(np.nanpercentile(m.shifts.misfit, 90))


def _high(values: np.ndarray, i: int, sigmas: float, least: float) -> bool:
    """Whether value i lies above the median by `sigmas` robust deviations and by `least`."""
    finite = values[np.isfinite(values)]
    middle = float(np.median(finite))
    spread = MAD * float(np.median(np.abs(finite - middle)))
    return bool(values[i] > middle + max(sigmas * spread, least))
