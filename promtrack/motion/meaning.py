"""What a number means: one plain sentence for each headline, beside published ranges.

Speeds are in the plane of the sky, so "faster" is safe to say of a measured speed and "slower" is not: the part
along the line of sight is missing. Every comparison allows two standard deviations, systematic part included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from promtrack.motion.records import Front, FrontFit, KnotTrack, Meaning
from promtrack.sun import SOLAR_RADIUS_KM, escape_speed_km_s, gravity_m_s2

__all__ = ["front_meaning", "knot_meaning"]

PHOTOSPHERE_MM = SOLAR_RADIUS_KM / 1e3
LEAST_BOUND = 2.0     # standard deviations in which a number may still lie on the other side of a limit


@dataclass(frozen=True, slots=True)
class Usual:
    """A published range of speeds."""

    what: str
    low_km_s: float
    high_km_s: float
    source: str


QUIET = Usual("threads of quiet prominences", 5.0, 15.0, "Schmieder et al. 2010, A&A 514, A68")
DESCENDING = Usual("knots descending in prominences", 10.0, 35.0, "Chae 2010, ApJ 714, 618 (from memory)")
RAIN = Usual("coronal rain", 30.0, 200.0, "Antolin & Rouppe van der Voort 2012, ApJ 745, 152, its range: reviews by him (from memory)")
PLUMES = Usual("plumes rising in quiet prominences", 10.0, 20.0, "Berger et al. 2008, ApJ 676, L89; 2010, ApJ 716, 1288 (from memory)")
# Mean of the log-normal distribution of the largest speeds of 106 eruptions at the limb, and of their slow rise.
ERUPTION_KM_S, SLOW_RISE_KM_S, ERUPTION_M_S2 = 106.0, 2.1, 111.0
ERUPTIONS = "McCauley et al. 2015, Solar Phys. 290, 1703"
ESCAPE = "nominal solar mass of IAU 2015 Resolution B3"


def knot_meaning(knot: KnotTrack, limb_mm: float) -> Meaning:
    """One sentence on a moving knot: against quiet prominences, against what moves its way, against escape."""
    fit = knot.fit
    error = math.hypot(fit.speed_err_km_s, fit.systematic_km_s)
    radial_error = math.hypot(fit.radial_err_km_s, fit.systematic_km_s)
    ranges: tuple[Usual, ...]
    if fit.radial_km_s < -LEAST_BOUND * radial_error:
        ranges, motion = (QUIET, DESCENDING, RAIN), "falls"
    elif fit.radial_km_s > LEAST_BOUND * radial_error:
        ranges, motion = (QUIET, PLUMES), "rises"
    else:
        ranges, motion = (QUIET,), "moves"
    middle_mm = float(knot.height_mm.mean())
    escape = float(escape_speed_km_s(limb_mm + middle_mm - PHOTOSPHERE_MM))
    comparisons = [_compared(fit.speed_km_s, error, usual) for usual in ranges]
    speed = f"{_figure(fit.speed_km_s, error)} km/s in the plane of the sky"
    if motion != "moves" and abs(fit.radial_km_s) < 0.5 * fit.speed_km_s:
        motion = f"{motion}, mostly along the limb,"
    sentence = (f"Knot {knot.knot} {motion} at {speed}: {_listed(comparisons)}; at least "
                f"{100 * fit.speed_km_s / escape:.1f} % of the escape speed at its height ({escape:.0f} km/s).")
    return Meaning(f"knot {knot.knot}", sentence, "; ".join([usual.source for usual in ranges] + [ESCAPE]))


def front_meaning(front: Front, limb_mm: float, *, scale_err: float, clock_err: float) -> Meaning | None:
    """One sentence on a moving front: against eruptions on record, escape speed and free fall; None without a fit."""
    best = front.best
    if best is None or not front.moving:
        return None
    relative = math.hypot(scale_err, clock_err)
    peak, error = abs(best.peak_speed_km_s), math.hypot(best.peak_speed_err_km_s, best.peak_speed_km_s * relative)
    top_mm = float(front.height_mm.max())
    escape = float(escape_speed_km_s(limb_mm + top_mm - PHOTOSPHERE_MM))
    parts = [_against_eruptions(peak, error), f"at least {100 * peak / escape:.1f} % of the escape speed at {top_mm:.0f} Mm"]
    parts += _acceleration(best, limb_mm + float(front.height_mm.mean()))
    speed = f"{_figure(peak, error)} km/s in the plane of the sky"
    sentence = f"Front {front.front} reaches {speed}: {_listed(parts)}."
    return Meaning(f"front {front.front}", sentence, f"{ERUPTIONS}; {ESCAPE}")


def _compared(value: float, error: float, usual: Usual) -> str:
    span = f"the {usual.low_km_s:.0f} to {usual.high_km_s:.0f} km/s of {usual.what}"
    if value - LEAST_BOUND * error > usual.high_km_s:
        return f"faster than {span}"
    if value + LEAST_BOUND * error < usual.low_km_s:
        return f"below {span}, as far as the plane of the sky shows"
    if value - LEAST_BOUND * error >= usual.low_km_s and value + LEAST_BOUND * error <= usual.high_km_s:
        return f"within {span}"
    return f"compatible with {span}"


def _against_eruptions(peak: float, error: float) -> str:
    usual = f"the mean largest speed of prominence eruptions at the limb ({ERUPTION_KM_S:.0f} km/s)"
    if peak - LEAST_BOUND * error > ERUPTION_KM_S:
        return f"faster than {usual}"
    if peak + LEAST_BOUND * error < SLOW_RISE_KM_S * 2:
        return f"like the slow rise before eruptions (mean {SLOW_RISE_KM_S:.1f} km/s)"
    if peak + LEAST_BOUND * error < ERUPTION_KM_S:
        return f"below {usual}, as far as the plane of the sky shows"
    return f"compatible with {usual}"


def _acceleration(best: FrontFit, distance_mm: float) -> list[str]:
    if not math.isfinite(best.accel_m_s2) or not math.isfinite(best.accel_err_m_s2):
        return []
    value, error = best.accel_m_s2, best.accel_err_m_s2
    gravity = float(gravity_m_s2(distance_mm - PHOTOSPHERE_MM))
    if abs(value) < LEAST_BOUND * error:
        return [f"no acceleration beyond its error of {error:.0f} m/s² is seen"]
    words = f"its mean acceleration of {_figure(value, error)} m/s² compares with {-gravity:.0f} m/s² in free fall there"
    if value > 0:
        words += f" and with a mean of {ERUPTION_M_S2:.0f} m/s² in eruptions"
    return [words]


def _figure(value: float, error: float) -> str:
    """A value with its error, to the digits that the error leaves."""
    if not math.isfinite(error) or error <= 0:
        return f"{value:.0f}"
    digits = max(0, -math.floor(math.log10(error) - math.log10(2.0)))   # one digit of the error, two from 1 to 2
    return f"{value:.{digits}f} ± {error:.{digits}f}"


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
