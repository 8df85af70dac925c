"""A quick look at a sequence before anything is run: what is there, and can it be measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.circle import STRAIGHT_DEG, Circle
from promtrack.limb.compare import GOOD_SCALE
from promtrack.limb.edge_checks import relief_check
from promtrack.limb.expected_geometry import guessed_places, stated_places
from promtrack.limb.find import SmallFrame
from promtrack.limb.frame_limb import BURNT_BIAS, CEILING, ROUGH_PX
from promtrack.limb.initial_radius import LimbSample, sample_limb
from promtrack.rounding import counted, with_error
from promtrack.sequence.records import Sequence, spread_over
from promtrack.settings import LimbSettings
from promtrack.workers import map_ahead


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
    doubt: str  # why a run by this limb is not to be trusted; '' if nothing is seen
    verdict: tuple[str, ...]  # plain sentences, the most important first


def inspect_sequence(
    sequence: Sequence, *, limb: LimbSettings = LimbSettings(), frames: int = 12
) -> Inspection:
    """Look at up to `frames` frames spread over the sequence; reads nothing else and changes nothing."""
    picks = spread_over(len(sequence), frames)
    stated = guessed_places(stated_places(sequence, limb))
    problems = [""] * len(picks)
    x, y, radius, error, arc, rms, burnt, level = np.full((8, len(picks)), np.nan)

    def look(row: int) -> bool:
        """Fill one row; whether its frame holds whole numbers."""
        index, counts = int(picks[row]), False
        try:
            frame = sequence.frame(index)
            counts = frame.dtype.kind in "ui"
            burnt[row] = float((frame[::3, ::3] >= 0.99 * sequence.full_scale).mean())
            found = sample_limb(frame, sequence.full_scale, radius_px=limb.radius_px, guess=stated[index])
        except InputError as problem:
            problems[row] = problem.what
            return counts
        x[row], y[row], radius[row] = found.place.x_px, found.place.y_px, found.place.radius_px
        error[row], arc[row], rms[row] = found.radius_err_px, found.arc_deg, found.rms_px
        level[row] = _disc_level(frame, found, sequence.full_scale)
        return counts

    # Whole numbers, as a camera gives them; of others, as in calibrated frames, the full scale is a guess.
    counts = any(list(map_ahead(look, range(len(picks)))))
    seen = np.isfinite(arc)
    if not seen.any():
        words = f"No limb was found in any of the {len(picks)} frames looked at"
        verdict = (f"{words}; {sequence.names[picks[0]]}: {problems[0]}.",)
        own = np.nan, np.nan
        return Inspection(
            picks, tuple(problems), x, y, radius, error, *own, arc, rms, burnt, False, "", verdict
        )
    usual_arc, own_radius, usual_error, usual_rms = (
        float(np.nanmedian(values)) for values in (arc, radius, error, rms)
    )
    if usual_arc < STRAIGHT_DEG:
        verdict = ("No limb of the Sun is seen, only an edge that is all but straight.",)
        own = np.nan, np.nan
        return Inspection(
            picks, tuple(problems), x, y, radius, error, *own, arc, rms, burnt, False, "", verdict
        )
    disc = float(np.nanmedian(level)) if np.isfinite(level).any() else np.nan
    # the limb's own relief is the same in all frames, so that they are no surer together than one of them; a
    # run tells the two apart
    spread = float(np.nanstd(radius))
    random = max(usual_error, spread) * (2.0 if usual_rms > ROUGH_PX else 1.0)
    own_err = float(np.hypot(random, BURNT_BIAS * own_radius if disc > CEILING else 0.0))
    measurable = bool(seen.mean() >= 0.2 and usual_arc >= limb.least_arc_deg)
    between = with_error(own_radius, usual_error, "px")
    if seen.sum() > 1:
        between = f"{with_error(own_radius, spread, 'px')} from frame to frame"
    lines = [
        f"The limb was found in {seen.sum()} of {counted(len(picks), 'frame', 'frames')}: "
        f"{usual_arc:.0f} deg of it, radius {between}, "
        f"points within {usual_rms:.2f} px rms of the circle."
    ]
    jagged = " ".join(check.sentence for check in relief_check(usual_rms, own_radius))
    if usual_arc < limb.least_arc_deg:
        lines.append(
            f"That is less than {limb.least_arc_deg:g} deg (limb.least_arc_deg): too little to lock on."
        )
    elif own_err > GOOD_SCALE * own_radius:
        lines.append(
            "So short an arc gives the scale poorly: state the optics (camera.focal_mm and "
            "camera.pixel_um, or camera.arcsec_per_px)."
        )
    lines += [f"{sequence.names[i]}: {what}." for i, what in zip(picks, problems, strict=True) if what]
    if disc > CEILING:
        lines.append(
            "The disc is burnt out: prominences can be measured, but the edge lies a few px outside the "
            "true limb."
        )
    elif disc < 0.05 and counts:
        lines.append(
            f"The disc reaches only {100 * disc:.1f} % of full scale: faint prominences will be lost in "
            "noise; expose longer."
        )
    wander = float(np.hypot(np.ptp(x[seen]), np.ptp(y[seen])))
    # on a short arc centre and radius trade against each other: what drifts is the limb itself
    if measurable and wander > max(5.0, 6.0 * spread):
        lines.append(f"The Sun wanders over {wander:.0f} px between the frames; this is followed.")
    return Inspection(
        picks,
        tuple(problems),
        x,
        y,
        radius,
        error,
        own_radius,
        own_err,
        arc,
        rms,
        burnt,
        measurable,
        jagged,
        tuple(lines),
    )


def _disc_level(frame: np.ndarray, sample: LimbSample, full_scale: float) -> float:
    """How bright the disc is just inside the limb, in parts of full scale; nan where it is not seen."""
    small, place = SmallFrame(frame, full_scale), sample.place
    here = small.to_small(Circle(place.x_px, place.y_px, place.radius_px))
    y, x = np.ogrid[0 : small.image.shape[0], 0 : small.image.shape[1]]
    full = small.factor * np.hypot(x - here.x_px, y - here.y_px)
    inside = (full < place.radius_px - 5) & (full > 0.9 * place.radius_px - 8)
    return float(np.median(small.image[inside])) / full_scale if inside.any() else float("nan")
