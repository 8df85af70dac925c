"""Choices and sentences of the whole-sequence solution: whose radius holds, how the field turns, what cannot
be known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.circle import MAD
from promtrack.limb.creep import Creep
from promtrack.limb.radius import RadiusFit
from promtrack.limb.sky import OpticalRadius
from promtrack.limb.solve import Centres
from promtrack.limb.track import FrameMeasure
from promtrack.limb.turn import TurnModel
from promtrack.settings import LimbSettings

# A burnt-out disc is cut where the light under the fringe reaches full scale: 1.2 px outside the limb at 3
# times full scale, 4.0 at 6.5 times, 6.0 at 12 times, on a radius of 1064 px (docs/studies/limb_edge_bias.py)
BURNT_BIAS = 4.0 / 1064
EDGE_ERR = 0.25  # systematic error of the edge in limb widths; the same study
ROUGH_PX = 2.5  # scatter of the edge above which structure, not noise, spoils it
CREEP_PX = 0.1  # of the centre over a recording, rms, below which nothing is said of it
OTHER_SIZE = 1.3  # times the radius expected, beyond which a rough edge is perhaps not the limb
SHORT_ARC_DEG = 60.0  # on less limb a turn and a shift along it look alike


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """The radius that holds for all frames, and what the limb alone says."""

    radius: RadiusFit  # as given, as fitted, or joined with that of better-known optics; systematic error included
    own_px: float  # radius of the limb alone
    own_err_px: float  # its 1 sigma, systematic error included
    notes: list[str]


def settle_radius(
    fit: RadiusFit,
    kept: list[FrameMeasure],
    provisional_px: float,
    *,
    limb: LimbSettings,
    optics: OpticalRadius | None,
    refraction_err: float = 0.0,
) -> Settled:
    """The common radius with its systematic error: as given, as fitted, or joined with that of better-known
    optics.

    `refraction_err` is the relative error of the radius from flattening that is not modelled.
    """
    systematic = EDGE_ERR * float(np.median([m.signs.width_px for m in kept]))
    bias = burnt_bias(kept, provisional_px)
    rough = float(np.median([m.signs.rms_px for m in kept]))
    random = fit.err_px * (2.0 if rough > ROUGH_PX else 1.0)
    own = replace(
        fit,
        err_px=float(np.sqrt(random**2 + systematic**2 + bias**2 + (refraction_err * provisional_px) ** 2)),
    )
    own_px = provisional_px + own.shift_px
    if limb.radius_px is not None:
        given = replace(fit, shift_px=limb.radius_px - provisional_px, err_px=0.0)
        return Settled(given, own_px, own.err_px, [])
    notes = []
    if bias:
        notes.append(
            f"The disc is burnt out, so its edge lies outside the true limb: by about {bias:.1f} px if it is exposed six times "
            "over, less if less; radius and scale carry this as an error."
        )
    if rough > ROUGH_PX:
        notes.append(
            f"The limb is rough (points scatter by {rough:.1f} px): loops and prominences stand all along it, so the error of "
            "the radius is doubled."
        )
    radius, said = _with_optics(own, provisional_px, optics, rough_px=rough) if optics else (own, [])
    return Settled(radius, own_px, own.err_px, [*notes, *said])


def _with_optics(
    own: RadiusFit, provisional_px: float, optics: OpticalRadius, *, rough_px: float
) -> tuple[RadiusFit, list[str]]:
    """The limb's radius joined with that of the optics, where these know it better and do not contradict
    it."""
    notes = []
    fitted = provisional_px + own.shift_px
    apart = abs(fitted - optics.radius_px) / np.hypot(own.err_px, optics.err_px)
    if apart > 3 and rough_px > ROUGH_PX and not 1 / OTHER_SIZE < fitted / optics.radius_px < OTHER_SIZE:
        notes.append(
            f"What was followed is perhaps not the Sun's limb: a rough edge bent with a radius of {fitted:.0f} px, where the "
            f"stated scale makes one expect {optics.radius_px:.0f} px. A loop or an arcade may outshine the limb. Look at the "
            "registration check; correct the header or the optics, or give limb.radius_px."
        )
    if optics.err_px >= own.err_px or apart > 3:
        return own, notes
    weight = np.array([own.err_px**-2, optics.err_px**-2])
    joined = float(np.average([fitted, optics.radius_px], weights=weight))
    notes.append(
        f"The limb alone gives a radius of {fitted:.1f} +- {own.err_px:.1f} px; the stated scale knows it better "
        f"({optics.radius_px:.1f} +- {optics.err_px:.1f} px) and takes over."
    )
    return replace(own, shift_px=joined - provisional_px, err_px=float(weight.sum() ** -0.5)), notes


def burnt_bias(kept: list[FrameMeasure], radius_px: float) -> float:
    """Stated shift of the edge of a burnt-out disc, px outward; 0 for a disc that is not."""
    return BURNT_BIAS * radius_px if np.mean([m.signs.burnt_limb for m in kept]) > 0.5 else 0.0


def turn_model(time_s: np.ndarray, expected_deg: np.ndarray, mount: str, radius_px: float) -> TurnModel:
    """Constant on an equatorial mount, the computed field rotation where the site is known, else a smooth
    curve."""
    if mount == "equatorial":
        return TurnModel(time_s, 0)
    if np.isfinite(expected_deg).all():
        return TurnModel(time_s, 0, np.radians(expected_deg) * radius_px)
    return TurnModel(time_s, min(3, max(len(time_s) // 8, int(len(time_s) > 3))))


def turn_notes(
    time_s: np.ndarray, centres: Centres, arc_deg: float, mount: str, radius_px: float, computed: bool
) -> list[str]:
    """What the frames say about the turn, and what they cannot say."""
    notes = []
    if arc_deg < SHORT_ARC_DEG:
        where = {"equatorial": "it is taken as a shift, as an equatorial mount does not turn the field"}.get(
            mount,
            "the turn is computed from the site"
            if computed
            else "the turn is only as good as the limb's curvature",
        )
        notes.append(
            f"On {arc_deg:.0f} deg of limb a turn about the Sun's centre and a shift along the limb look alike: {where}. "
            "Plasma that flows along the whole limb would be taken for the same."
        )
    rate, err = _rate(time_s, centres.drift_px / radius_px, centres.drift_err_px / radius_px)
    if mount == "equatorial" and abs(rate) > 5 * err and abs(rate) * np.ptp(time_s) > np.radians(0.15):
        notes.append(
            f"The frames seem to turn by {np.degrees(rate) * 3600:+.2f} deg an hour although the mount is called equatorial: "
            "if it is an altazimuth mount, set camera.mount."
        )
    return notes


def creep_note(creep: Creep) -> list[str]:
    """One sentence about the slow drift of the centre that flattening leaves in, where it counts."""
    size = float(np.hypot(*(np.sqrt(np.mean(part**2)) for part in (creep.across_px, creep.along_px))))
    if size < CREEP_PX:
        return []
    return [
        f"As the Sun climbs or sinks its flattening changes, and the circle, which stays on the limb seen, may creep off the Sun's "
        f"centre by some {size:.1f} px rms over the recording. Heights above the limb have no part in it; frames.ecsv states it apart "
        "from the errors of the single frames."
    ]


def _rate(time_s: np.ndarray, turn_rad: np.ndarray, err_rad: np.ndarray) -> tuple[float, float]:
    """Slope of the frames' own turns in rad/s and its error, from their scatter."""
    if len(time_s) < 8:
        return 0.0, np.inf
    t = time_s - time_s.mean()
    middle = np.median(turn_rad)
    spread = MAD * np.median(np.abs(turn_rad - middle)) + 1e-12
    weight = 1 / (err_rad**2 + (0.1 * spread) ** 2)
    t = t - np.average(t, weights=weight)
    slope = float((weight * t * turn_rad).sum() / (weight * t * t).sum())
    rest = turn_rad - np.average(turn_rad, weights=weight) - slope * t
    # neighbouring frames share the slow changes of the limb: ten to an independent one
    return slope, float(
        np.sqrt(10 * np.average(rest**2, weights=weight) * weight.sum() / (weight * t * t).sum() / len(t))
    )
