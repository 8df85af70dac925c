"""What leaves the motion room: knots, fronts, ridges and oscillations, each with its fit.

Speeds are in the plane of the sky. Times in seconds count from the first strip (`Strip.times_utc[0]`).
An error is one standard deviation; `scale_err` and `clock_err` are relative systematic parts kept apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from promtrack.checks import Check
from promtrack.strip.records import TimeDistance

NONE = "none of the models describes this motion"


@dataclass(frozen=True, slots=True, eq=False)
class KnotFit:
    """Kinematic fit of one knot, values at mid-time."""

    model: str  # 'constant speed', 'constant acceleration' or 'none'
    time_s: float  # mid-time
    radial_km_s: float  # outward positive
    radial_err_km_s: float
    along_km_s: float  # along the limb, towards increasing angle
    along_err_km_s: float
    speed_km_s: float
    speed_err_km_s: float
    direction_deg: float  # of the motion: 0 outward, 90 towards increasing angle
    accel_m_s2: float  # along the direction of motion, by a parabola whatever the model
    accel_err_m_s2: float
    systematic_km_s: float  # from scale and clock, 1 sigma, not part of the errors above
    chi2_per_dof: float  # against the noise of all tracks of the run
    errors_scaled: bool  # chi2 per degree of freedom is beyond chance; the errors hold that

    @property
    def errors_km_s(self) -> np.ndarray:
        """(2,) of the outward velocity and of that along the limb."""
        return np.array([self.radial_err_km_s, self.along_err_km_s])


@dataclass(frozen=True, slots=True, eq=False)
class KnotTrack:
    """One knot, seen in several frames (arrays have one value a point, in time order)."""

    knot: int  # number, from 1, fastest significant first
    frame: np.ndarray  # index of the frame in the sequence
    time_s: np.ndarray
    height_mm: np.ndarray
    height_err_mm: np.ndarray
    angle_deg: np.ndarray  # product angle
    along_mm: np.ndarray  # along the limb from the track's first point, at the height of the point
    along_err_mm: np.ndarray
    snr: np.ndarray
    curve_mm: np.ndarray  # height of the fitted path at these times
    curve_angle_deg: np.ndarray  # product angle of the fitted path
    speed_km_s: np.ndarray  # along the fitted path at these times
    speed_err_km_s: np.ndarray
    fit: KnotFit
    significance: float  # false-alarm probability turned into sigma
    false_alarm: float  # expected number of false alarms at least this significant in the run; 1e-6 at least
    moving: bool
    left_out: str = ""  # why it is, or may be, no plasma that moves: 'fixed on the sensor'; never moving then
    by_hand: bool = False  # through points that the user clicked


@dataclass(frozen=True, slots=True, eq=False)
class FrontFit:
    """One model fitted to one front."""

    model: str  # one of front_models.MODELS
    parameters: tuple[str, ...]  # names with units, for instance 'height_mm', 'speed_km_s', 'tau_s'
    values: np.ndarray
    errors: np.ndarray
    curve_mm: np.ndarray  # model height at the front's times
    speed_km_s: np.ndarray  # (3,) at the first, middle and last time
    speed_err_km_s: np.ndarray  # (3,)
    peak_speed_km_s: float
    peak_speed_err_km_s: float
    accel_m_s2: float  # mean over the fitted span
    accel_err_m_s2: float
    accel_peak_m_s2: float  # largest of the model in the fitted span
    accel_peak_err_m_s2: float
    onset_s: float  # nan where the model has none
    onset_err_s: float
    bic: float
    chi2_per_dof: float
    chosen: bool


@dataclass(frozen=True, slots=True, eq=False)
class Front:
    """Leading edge in one sector against time."""

    front: int  # number, from 1
    from_deg: float  # sector
    to_deg: float
    frame: np.ndarray
    time_s: np.ndarray
    height_mm: np.ndarray
    height_err_mm: np.ndarray
    angle_deg: np.ndarray  # where in the sector the edge stands highest
    fits: tuple[FrontFit, ...]
    verdict: str  # chosen model, or 'none of the models describes this motion'
    false_alarm: float
    moving: bool
    notes: tuple[str, ...] = ()  # sentences: the edge's width, where it left the strip, heights left out
    by_hand: bool = False  # through points that the user clicked
    local_peak_km_s: float = math.nan  # largest slope over six heights, free of any model
    local_peak_err_km_s: float = math.nan
    extent_deg: float = math.nan  # along the limb, of all that rises together; nan where nothing does

    @property
    def best(self) -> FrontFit | None:
        """The chosen model's fit; None where no model describes the motion."""
        return None if self.verdict == NONE else next((fit for fit in self.fits if fit.chosen), None)

    @property
    def quoted_km_s(self) -> tuple[float, float]:
        """Its largest speed by its model, or its mean one from first to last height without one; with the
        random error."""
        if self.best is not None:
            return abs(self.best.peak_speed_km_s), self.best.peak_speed_err_km_s
        run_s = max(self.time_s[-1] - self.time_s[0], 1e-9)
        rise, error = self.height_mm[-1] - self.height_mm[0], np.hypot(*self.height_err_mm[[0, -1]])
        return float(1e3 * abs(rise) / run_s), float(1e3 * error / run_s)


@dataclass(frozen=True, slots=True)
class FrontSearch:
    """What a search for fronts says: found, none that it would have missed, or not measurable."""

    level: str  # 'found', 'none' or 'not measurable'
    sentence: str
    slowest_km_s: float = math.nan  # a front between these speeds ...
    fastest_km_s: float = math.nan
    faintest_noise: float = math.nan  # ... and brighter than this, in noise of a strip value, would be found
    alone: tuple[int, ...] = ()  # numbers of knots whose own rise is all that an edge follows


@dataclass(frozen=True, slots=True, eq=False)
class Ridge:
    """Slope of a ridge in a time-distance diagram: a second speed, but of a front's own edge."""

    slit: int  # index into Motion.slits
    time_s: float  # middle of the ridge
    distance_mm: float
    first_s: float  # extent, for drawing
    last_s: float
    speed_km_s: float  # along the path, signed
    speed_err_km_s: float
    knot: int  # number of the knot that it crosses, 0 if none
    knot_speed_km_s: float  # that knot's speed projected on the path, nan if none
    agrees: bool  # within the stated errors (2 sigma); False when there is no knot
    front: int = 0  # number of the front of whose edge it is the light, no second measurement; 0 if none
    accel_m_s2: float = 0.0  # along the path, where the speed is the slope of a parabola in its middle


@dataclass(frozen=True, slots=True, eq=False)
class Oscillation:
    """Transverse oscillation along a slit: damped sine."""

    slit: int
    time_s: np.ndarray
    displacement_mm: np.ndarray
    displacement_err_mm: np.ndarray
    period_s: float
    period_err_s: float
    amplitude_mm: float
    amplitude_err_mm: float
    damping_s: float  # inf if none is seen
    damping_err_s: float
    curve_mm: np.ndarray
    false_alarm: float  # of the highest Lomb-Scargle peak
    power: np.ndarray  # Lomb-Scargle power
    power_period_s: np.ndarray


@dataclass(frozen=True, slots=True)
class Control:
    """How false alarms were held down."""

    method: str  # one plain sentence
    trials: int
    tolerated: float  # motion.false_alarms
    notes: tuple[str, ...]  # for instance: the cadence is too slow for ...
    sure_km_s: float = math.inf  # a faster knot moves more than half the knots' spacing between frames


@dataclass(frozen=True, slots=True)
class Meaning:
    """A headline number in one plain sentence, with the source of the range it is compared with."""

    about: str  # for instance 'knot 3' or 'front 1'
    sentence: str
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Prominence:
    """One prominence against time (arrays have one value a strip; nan where it is not seen)."""

    prominence: int  # number, from 1, the largest first
    from_deg: float  # product angles that it ever covers, from < to
    to_deg: float
    angle_deg: float  # of its light's centre
    time_s: np.ndarray  # (n,) since the first strip
    frame: np.ndarray  # (n,)
    height_mm: np.ndarray  # (n,) where the outermost light above the limb falls to half, detached knots aside
    height_err_mm: np.ndarray  # (n,) 1 sigma: level (35 to 65 %), noise, sampling, lock, scatter
    area_mm2: np.ndarray  # (n,) brighter than a tenth of its bright parts, above the spicules
    area_err_mm2: np.ndarray
    brightness: np.ndarray  # (n,) of its bright parts, in parts of the disc near the limb; nan: burnt out
    brightness_err: np.ndarray  # (n,) noise, and the choice of the border (5 to 20 % of the bright parts)
    leaves_strip: bool  # its top has left the strips, so that the greatest height is a lower bound


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Everything measured on one strip."""

    knots: tuple[KnotTrack, ...]
    fronts: tuple[Front, ...]
    slits: tuple[TimeDistance, ...]
    ridges: tuple[Ridge, ...]
    oscillations: tuple[Oscillation, ...]
    control: Control
    meanings: tuple[Meaning, ...]
    scale_err: float  # relative, 1 sigma
    clock_err: float  # relative, 1 sigma
    front_search: FrontSearch = FrontSearch("not measurable", "Eruptions were not searched for.")
    sensitivity: FrontSearch = front_search  # what the search says of all that it has not found
    checks: tuple[Check, ...] = ()  # of the motion, by what is not the fit itself
    prominences: tuple[Prominence, ...] = ()  # all that stands above the limb, the largest first
    letters: dict[str, str] = field(default_factory=dict)  # of 'front 1', 'knot 7'; empty: by their rank
