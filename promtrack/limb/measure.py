"""One frame measured, its limb by itself and its limb zone against the template, as the solution needs them;
and which of the frames cannot be trusted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.circle import FAR_SIGMA, MAD
from promtrack.limb.edge import Grid, Zone
from promtrack.limb.frame_limb import Finder, LimbSigns, Look
from promtrack.limb.records import Place, shifted_place
from promtrack.limb.shifts import (
    NOTHING,
    BlockShifts,
    Template,
    block_shifts,
    coarse_shifts,
    usual_shift,
    zone_of,
)


@dataclass(frozen=True, slots=True, eq=False)
class FrameMeasure:
    """What one frame contributes."""

    place: Place  # on which its offsets and shifts are counted; the radius is the provisional one
    bin: np.ndarray  # (b,) numbers of bins of limb in the reference frame's angles, as `edge_px`
    edge_px: np.ndarray  # (b,) mean edge offset outward from `place`
    bin_deg: float
    shifts: BlockShifts  # of the blocks of the limb zone against the template
    gain: float  # light of the zone against the template's
    signs: LimbSigns
    joint_px: tuple[float, float] | None = None  # `joint_px` of a frame measured against two templates


def unmatched(look: Look, turn_deg: float, finder: Finder) -> FrameMeasure:
    """As `measure` for a frame that has no template."""
    return _binned(look, replace(look.place, turn_deg=turn_deg), NOTHING, 1.0, finder)


def _binned(look: Look, place: Place, shifts: BlockShifts, gain: float, finder: Finder) -> FrameMeasure:
    """The measure of a frame laid on `place`, its edge averaged in bins of limb."""
    phi = np.radians(look.theta_deg)
    moved = (place.x_px - look.place.x_px) * np.sin(phi) + (place.y_px - look.place.y_px) * np.cos(phi)
    offset = look.edge_px + moved
    which = np.mod(look.theta_deg - place.turn_deg, 360.0) // finder.bin_deg
    number, at, count = np.unique(which, return_inverse=True, return_counts=True)
    full = count >= finder.least_rays
    mean = np.bincount(at, weights=offset, minlength=len(number)) / np.maximum(count, 1)
    bins = number[full].astype(int)
    return FrameMeasure(place, bins, mean[full], finder.bin_deg, shifts, gain, look.signs)


def measure(
    frame: np.ndarray,
    look: Look,
    turn_deg: float,
    time_s: float,
    template: Template,
    finder: Finder,
    *,
    reach_px: float,
    turning: bool,
) -> FrameMeasure:
    """Lay a frame on the template around the place that its own limb gives, and average its edge in bins.

    Parameters
    ----------
    turn_deg : expected turn of the frame
    reach_px : how far the frame may be moved along the limb; on a short arc the circle leaves that open, on a
        wide one it does not (0)
    turning : it is turned about the Sun's centre, else shifted
    """
    place = replace(look.place, turn_deg=turn_deg)
    # a frame laid on itself would stay where it was; measured against frames whose spicules it shares, errors
    # of places would be handed on from frame to frame
    grid, others = template.grid, template.without(time_s)
    linear_px = 0.25 * grid.step_px  # over which the linear measure of a block holds to 2 %
    apart = template.without(time_s, template.memory_s)
    zone = zone_of(frame, place, grid)
    if not reach_px:
        return _binned(look, place, block_shifts(apart, zone), _brightness(others, zone), finder)
    if template.along_px and not turning:  # the turn at that time has it already
        place = _laid(place, grid, zone, template.along_px, 0.0, turning=False)
        zone = zone_of(frame, place, grid)
    tries: list[_Try] = []
    for start_px in [0.0, *coarse_shifts(others, zone, reach_px)]:
        along, across, moved, laid, far_px = start_px, 0.0, place, zone, 0.0
        for again in (False, True):
            if max(abs(along), abs(across)) > linear_px:
                moved, far_px = _laid(moved, grid, laid, along, across, turning=turning), far_px + along
                laid = zone_of(frame, moved, grid)
            elif again:
                break
            shifts = block_shifts(others, laid)
            along, across = usual_shift(shifts)
        # how much better the blocks fit here than where the circle puts the frame, and how far that is
        better = 0.0
        if tries:
            first = tries[0].shifts
            _, here, there = np.intersect1d(shifts.theta_deg, first.theta_deg, return_indices=True)
            ratio = np.maximum(first.misfit[there], 1e-9) / np.maximum(shifts.misfit[here], 1e-9)
            # a block holds five independent pieces of texture, which is alike over some 10 px
            better = 5 * float(np.log(ratio).sum())
        tries.append(_Try(better - 0.5 * (FAR_SIGMA * far_px / reach_px) ** 2, moved, laid, shifts))
    best = max(tries, key=lambda one: one.likelihood)
    moved, laid = best.place, best.zone
    shifts = block_shifts(apart, laid)
    for _ in range(2):
        along, across = usual_shift(shifts)
        if max(abs(along), abs(across)) < linear_px:
            break
        moved = _laid(moved, grid, laid, along, across, turning=turning)
        laid = zone_of(frame, moved, grid)
        shifts = block_shifts(apart, laid)
    return _binned(look, moved, shifts, _brightness(others, laid), finder)


@dataclass(frozen=True, slots=True, eq=False)
class _Try:
    likelihood: float  # logarithm
    place: Place
    zone: Zone
    shifts: BlockShifts


def _laid(place: Place, grid: Grid, zone: Zone, along_px: float, across_px: float, *, turning: bool) -> Place:
    """The place moved outward and along the limb at the middle of what is seen of it."""
    phi = np.radians(grid.theta_deg[zone.ray[len(zone.ray) // 2]] + place.turn_deg)
    move = across_px * np.array([-np.sin(phi), -np.cos(phi)])
    if turning:
        place = replace(place, turn_deg=place.turn_deg + float(np.degrees(along_px / place.radius_px)))
    else:
        move = move + along_px * np.array([-np.cos(phi), np.sin(phi)])
    return shifted_place(place, *move)


def _brightness(template: Template, zone: Zone) -> float:
    """Light of a zone against the template's: the usual ratio of their sums along the rays."""
    ray = template.seen[zone.ray]
    value, mean = zone.value[ray][::2], template.mean[zone.ray[ray]][::2]
    fit = zone.valid[ray][::2] & (value < template.ceiling) & (mean < template.ceiling)
    below = (mean * fit).sum(axis=1)
    known = below > 0
    if not known.any():
        return 1.0
    return max(float(np.median((value * fit).sum(axis=1)[known] / below[known])), 0.02)


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
