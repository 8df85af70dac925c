"""A quick look at a sequence before anything is run: what is there, and can it be measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.expected_geometry import guessed_places, stated_places
from promtrack.limb.find import SmallFrame
from promtrack.limb.frame_limb import BURNT_BIAS, CEILING, ROUGH_PX
from promtrack.limb.initial_radius import LimbSample, sample_limb
from promtrack.rounding import with_error
from promtrack.sequence.records import Sequence
from promtrack.settings import LimbSettings

GOOD_ARC_DEG = 25.0  # below it the limb gives the scale worse than to about 1 %
SMALL_RADIUS_PX = 150.0


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """What some frames of a sequence show (arrays have one value a frame looked at; nan where no limb was
    found)."""

    indices: np.ndarray
    problems: tuple[str, ...]  # one a frame, '' where the limb was found
    centre_x_px: np.ndarray
    centre_y_px: np.ndarray
    radius_px: np.ndarray
    radius_err_px: np.ndarray
    own_radius_px: float  # of the limb in all of them together; nan where none was found
    own_radius_err_px: float  # 1 sigma, without what refraction does
    limb_arc_deg: np.ndarray
    limb_rms_px: np.ndarray
    saturated_fraction: np.ndarray
    measurable: bool
    verdict: tuple[str, ...]  # plain sentences, the most important first


def inspect_sequence(
    sequence: Sequence, *, limb: LimbSettings = LimbSettings(), frames: int = 12
) -> Inspection:
    """Look at up to `frames` frames spread over the sequence; reads nothing else and changes nothing."""
    picks = np.unique(np.linspace(0, len(sequence) - 1, min(frames, len(sequence))).astype(int))
    stated = guessed_places(stated_places(sequence, limb))
    samples: list[LimbSample | None] = []
    problems, burnt, level = [], np.full(len(picks), np.nan), np.full(len(picks), np.nan)
    # Whole numbers, as a camera gives them; of others, as in calibrated frames, the full scale is a guess.
    counts = False
    for row, index in enumerate(picks):
        try:
            frame = sequence.frame(int(index))
            counts |= frame.dtype.kind in "ui"
            burnt[row] = float((frame[::3, ::3] >= 0.99 * sequence.full_scale).mean())
            sample = sample_limb(
                frame, sequence.full_scale, radius_px=limb.radius_px, guess=stated[int(index)]
            )
            level[row] = _disc_level(frame, sample, sequence.full_scale)
            samples.append(sample)
            problems.append("")
        except InputError as error:
            samples.append(None)
            problems.append(error.what)

    def column(value) -> np.ndarray:
        return np.array([np.nan if s is None else value(s) for s in samples], float)

    arc, rms = column(lambda s: s.arc_deg), column(lambda s: s.rms_px)
    x, y = column(lambda s: s.place.x_px), column(lambda s: s.place.y_px)
    radius, radius_err = column(lambda s: s.place.radius_px), column(lambda s: s.radius_err_px)
    found = np.isfinite(arc)
    measurable = (
        bool(found.mean() >= 0.2 and np.median(arc[found]) >= limb.least_arc_deg) if found.any() else False
    )
    verdict = _verdict(sequence, picks, problems, limb, samples, Light(level, counts))
    own = _own_radius(
        [s for s in samples if s is not None], float(np.nanmedian(level)) if found.any() else np.nan
    )
    return Inspection(
        picks, tuple(problems), x, y, radius, radius_err, *own, arc, rms, burnt, measurable, verdict
    )


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """How bright the disc is at the limb, frame by frame."""

    level: np.ndarray  # (n,) in parts of full scale; nan where no limb was found
    counts: bool  # whether that full scale is a camera's, and not guessed


def _own_radius(good: list[LimbSample], level: float) -> tuple[float, float]:
    """Radius of the limb in all frames looked at and its error, both in px.

    The limb's own relief is the same in all frames, so that they are no surer together than one of them; a
    run tells the two apart.
    """
    if not good:
        return np.nan, np.nan
    radii = np.array([s.place.radius_px for s in good])
    radius = float(np.median(radii))
    random = max(float(np.median([s.radius_err_px for s in good])), float(np.std(radii)))
    rough = np.median([s.rms_px for s in good]) > ROUGH_PX
    bias = BURNT_BIAS * radius if level > CEILING else 0.0
    return radius, float(np.hypot(random * (2.0 if rough else 1.0), bias))


def _disc_level(frame: np.ndarray, sample: LimbSample, full_scale: float) -> float:
    small = SmallFrame(frame, full_scale)
    y, x = np.ogrid[0 : small.image.shape[0], 0 : small.image.shape[1]]
    full = np.hypot(
        (x + 0.5) * small.factor - 0.5 - sample.place.x_px, (y + 0.5) * small.factor - 0.5 - sample.place.y_px
    )
    inside = (full < sample.place.radius_px - 5) & (full > 0.9 * sample.place.radius_px - 8)
    return float(np.median(small.image[inside])) / full_scale if inside.any() else float("nan")


def _verdict(
    sequence: Sequence,
    picks: np.ndarray,
    problems: list[str],
    limb: LimbSettings,
    samples: list[LimbSample | None],
    light: Light,
) -> tuple[str, ...]:
    good = [s for s in samples if s is not None]
    lines = []
    if not good:
        return (
            f"No limb was found in any of the {len(picks)} frames looked at; {sequence.names[picks[0]]}: "
            f"{problems[0]}.",
        )
    arc, radius = (
        float(np.median([s.arc_deg for s in good])),
        float(np.median([s.place.radius_px for s in good])),
    )
    spread = float(np.std([s.place.radius_px for s in good])) if len(good) > 1 else good[0].radius_err_px
    lines.append(
        f"The limb was found in {len(good)} of {len(picks)} frames: {arc:.0f} deg of it, "
        f"radius {with_error(radius, spread, 'px')} from frame to frame, "
        f"points within {np.median([s.rms_px for s in good]):.2f} px rms of the circle."
    )
    if arc < limb.least_arc_deg:
        lines.append(
            f"That is less than {limb.least_arc_deg:g} deg (limb.least_arc_deg): too little to lock on."
        )
    elif arc < GOOD_ARC_DEG:
        lines.append(
            "So short an arc gives the scale poorly: state the optics (camera.focal_mm and "
            "camera.pixel_um, or camera.arcsec_per_px)."
        )
    if radius < SMALL_RADIUS_PX:
        lines.append(
            f"The Sun is small in the picture: a pixel is about {700 / radius:.1f} Mm, and knots are "
            "rarely larger."
        )
    for index, problem in zip(picks, problems, strict=True):
        if problem:
            lines.append(f"{sequence.names[index]}: {problem}.")
    lines += _exposure_and_drift(light, good)
    return tuple(lines)


def _exposure_and_drift(light: Light, good: list[LimbSample]) -> list[str]:
    lines = []
    disc = float(np.nanmedian(light.level))
    if disc > CEILING:
        lines.append(
            "The disc is burnt out: prominences can be measured, but the edge lies a few px outside the "
            "true limb."
        )
    elif disc < 0.05 and light.counts:
        lines.append(
            f"The disc reaches only {100 * disc:.1f} % of full scale: faint prominences will drown in "
            "noise; expose longer."
        )
    if len(good) > 1:
        middle = np.array([[s.place.x_px, s.place.y_px, s.place.radius_px] for s in good])
        # on a short arc centre and radius trade against each other: what drifts is the limb itself
        away = middle[:, :2] - middle[:, :2].mean(0)
        size = float(np.hypot(*np.ptp(away, axis=0)))
        spread = 3 * float(np.std(middle[:, 2]))
        if size > max(5.0, 2 * spread):
            lines.append(f"The Sun wanders over {size:.0f} px between the frames; this is followed.")
    return lines
