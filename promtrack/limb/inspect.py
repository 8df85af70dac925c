"""A quick look at a sequence before anything is run: what is there, and can it be measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.compare import like_a_sun
from promtrack.limb.edge import GOOD_SCALE, STRAIGHT_DEG, LimbNotFound, SmallFrame
from promtrack.limb.edge_checks import relief_check
from promtrack.limb.expected_geometry import Expected, guessed_places, stated_places
from promtrack.limb.frame_limb import (
    BURNT_BIAS,
    CEILING,
    ROUGH_PX,
    LimbSample,
    Start,
    make_finder,
    sample_limb,
)
from promtrack.rounding import counted, with_error
from promtrack.sequence.records import Sequence, spread_over
from promtrack.settings import LimbSettings, least_of
from promtrack.workers import map_ahead


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """What some frames of a sequence show."""

    verdict: tuple[str, ...]  # plain sentences, the most important first
    measurable: bool = False
    doubt: str = ""  # why a run by this limb is not to be trusted; '' if nothing is seen
    radius_px: tuple[float, ...] = ()  # of each frame in which the limb was found
    own_radius_px: float = np.nan  # of the limb in all of them together
    own_radius_err_px: float = np.nan  # 1 sigma, without what refraction does
    middle: tuple[int, LimbSample] | None = None  # a frame in the middle of those with a limb, and its limb


def inspect_sequence(
    sequence: Sequence, *, limb: LimbSettings = LimbSettings(), frames: int = 12
) -> Inspection:
    """Look at up to `frames` frames spread over the sequence; reads nothing else and changes nothing."""
    picks = spread_over(len(sequence), frames).tolist()
    stated = guessed_places(stated_places(sequence, limb))

    def look(index: int) -> tuple[bool, LimbSample | str, float]:
        """Whether a frame holds whole numbers, its limb or why there is none, and the light of its disc."""
        counts = False
        try:
            frame = sequence.frame(index)
            counts = frame.dtype.kind in "ui"
            found = sample_limb(frame, sequence.full_scale, radius_px=limb.radius_px, guess=stated[index])
            if (radius_px := found.place.radius_px) < least_of(LimbSettings, "radius_px"):
                return counts, f"no limb of the Sun: the circle seen is {radius_px:.0f} px in radius", np.nan
        except InputError as problem:
            return counts, problem.what, np.nan
        return counts, found, _disc_level(frame, found, sequence.full_scale)

    looks = list(map_ahead(look, picks))
    failed = [(i, found) for i, (_, found, _) in zip(picks, looks, strict=True) if isinstance(found, str)]
    samples = [found for _, found, _ in looks if not isinstance(found, str)]
    if not samples:
        words = f"No limb was found in any of the {len(picks)} frames looked at"
        return Inspection((f"{words}; {sequence.names[picks[0]]}: {failed[0][1]}.",))
    arc, radius, error, rms, x, y = np.array(
        [
            (s.arc_deg, s.place.radius_px, s.radius_err_px, s.rms_px, s.place.x_px, s.place.y_px)
            for s in samples
        ]
    ).T
    usual_arc, usual_rms, own_radius = float(np.median(arc)), float(np.median(rms)), float(np.median(radius))
    if usual_arc < STRAIGHT_DEG:
        return Inspection(("No limb of the Sun is seen, only an edge that is all but straight.",))
    levels = np.array([level for _, _, level in looks if np.isfinite(level)])
    disc = float(np.median(levels)) if len(levels) else np.nan
    # the limb's own relief is the same in all frames, so that they are no surer together than one of them; a
    # run tells the two apart
    usual_error, spread = float(np.median(error)), float(np.std(radius))
    random = max(usual_error, spread) * (2.0 if usual_rms > ROUGH_PX else 1.0)
    own_err = float(np.hypot(random, BURNT_BIAS * own_radius if disc > CEILING else 0.0))
    measurable = len(samples) >= 0.2 * len(picks) and usual_arc >= limb.least_arc_deg
    between = with_error(own_radius, usual_error, "px")
    if len(samples) > 1:
        between = f"{with_error(own_radius, spread, 'px')} from frame to frame"
    found_in = f"The limb was found in {len(samples)} of {counted(len(picks), 'frame', 'frames')}"
    lines = [
        f"{found_in}: {usual_arc:.0f} deg of it, radius {between}, "
        f"points within {usual_rms:.2f} px rms of the circle."
    ]
    if usual_arc < limb.least_arc_deg:
        least = f"{limb.least_arc_deg:g} deg (limb.least_arc_deg)"
        lines.append(f"That is less than {least}: too little to lock on.")
    elif own_err > GOOD_SCALE * own_radius:
        lines.append(
            "So short an arc gives radius and scale poorly, and a run, which fits all frames, others: "
            "state the optics (camera.focal_mm and camera.pixel_um, or camera.arcsec_per_px)."
        )
    lines += [f"{sequence.names[i]}: {what}." for i, what in failed]
    if disc > CEILING:
        lines.append(
            "The disc is burnt out: prominences can be measured, but the edge lies a few px outside the "
            "true limb."
        )
    # whole numbers, as a camera gives them; of others, as in calibrated frames, the full scale is a guess
    elif disc < 0.05 and any(counts for counts, _, _ in looks):
        lines.append(
            f"The disc reaches only {100 * disc:.1f} % of full scale: faint prominences will be lost in "
            "noise; expose longer."
        )
    wander = float(np.hypot(np.ptp(x), np.ptp(y)))
    # on a short arc centre and radius trade against each other: what drifts is the limb itself
    if measurable and wander > max(5.0, 6.0 * spread):
        lines.append(f"The Sun wanders over {wander:.0f} px between the frames; this is followed.")
    jagged = " ".join(check.sentence for check in relief_check(usual_rms, own_radius))
    seen = [(i, found) for i, (_, found, _) in zip(picks, looks, strict=True) if not isinstance(found, str)]
    middle = seen[len(seen) // 2]
    return Inspection(tuple(lines), measurable, jagged, tuple(radius), own_radius, own_err, middle)


def unlike_the_sun(sequence: Sequence, index: int, sample: LimbSample, sky: Expected) -> str:
    """Why the light about the limb of one frame is not the Sun's; '' if nothing is seen."""
    place, visible_px = sample.place, float(np.radians(sample.arc_deg)) * sample.place.radius_px
    start = Start(place.radius_px, visible_px, ((index, place),))
    finder = make_finder(start, sequence.full_scale, sky, (None,) * len(sequence))
    try:
        signs = finder.look(index, sequence.frame(index)).signs
    except LimbNotFound as error:  # which a run may find in the other frames
        return f"{sequence.names[index]}, looked at more closely: {error.what}."
    checks = like_a_sun([signs], place.radius_px, darkens=sequence.in_h_alpha)
    return next((check.sentence for check in checks if check.level == "poor"), "")


def _disc_level(frame: np.ndarray, sample: LimbSample, full_scale: float) -> float:
    """How bright the disc is just inside the limb, in parts of full scale; nan where it is not seen."""
    small, place = SmallFrame(frame, full_scale), sample.place
    full = small.distance_px(place.x_px, place.y_px) * small.factor
    inside = (full < place.radius_px - 5) & (full > 0.9 * place.radius_px - 8)
    return float(np.median(small.image[inside])) / full_scale if inside.any() else float("nan")
