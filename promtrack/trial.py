"""`promtrack trial`: knots and fronts of known speed put into a run's frames, and measured again.

What share of them is found, and how far the stated errors hold, is what that recording could have shown.
Nothing of the run is changed but for trial.ecsv and trial.png in its folder.
"""

from __future__ import annotations

import itertools
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.records import to_frame
from promtrack.motion.records import Front, KnotTrack
from promtrack.pipeline import Job, load_run, measure
from promtrack.products.folder import ProductFolder
from promtrack.products.tables import write_records
from promtrack.rounding import counted
from promtrack.scene.content import FWHM_SIGMA
from promtrack.scene.judge import NEAR_FRONT_MM, NEAR_MM
from promtrack.sequence.records import Sequence
from promtrack.show.figures.season import draw_trial
from promtrack.show.records import TrialRow
from promtrack.sun import wrapped_deg

SPEEDS_KM_S = (10.0, 20.0, 40.0, 80.0, 160.0)  # rain, descending knots and slow eruptions: check of both ends
BRIGHTNESS = (3.0, 6.0, 12.0)  # peak, in the noise of one strip pixel
KNOT_MM, FRONT_MM = 3.0, 8.0  # full widths at half maximum: a knot, and the thickness of a front
FRONT_WIDE_MM = 60.0
KNOTS_A_ROUND = 5


@dataclass(frozen=True, slots=True)
class Injected:
    """One body on a straight path: constant speed outward and along the limb."""

    kind: str  # 'knot' or 'front'
    brightness_sigma: float  # peak, in units of the noise
    counts: float  # the same in counts of the strips
    start_s: float
    end_s: float
    angle_deg: float  # product angle at the start
    height_mm: float
    radial_km_s: float
    along_km_s: float  # towards larger angle

    @property
    def speed_km_s(self) -> float:
        """Speed in the plane of the sky, km/s."""
        return float(np.hypot(self.radial_km_s, self.along_km_s))

    def at(self, time_s: np.ndarray | float, limb_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Product angle (deg) and height (Mm), each (n,), at the (n,) times."""
        gone_s = np.asarray(time_s) - self.start_s
        rho_mm = limb_mm + self.height_mm
        climbed = 1e-3 * self.radial_km_s * gone_s
        # both speeds stay as they are: the angle is the integral of along / rho
        turn = 1e-3 * self.along_km_s * gone_s / rho_mm
        if abs(self.radial_km_s) > 1e-3:
            turn = self.along_km_s / self.radial_km_s * np.log1p(climbed / rho_mm)
        return self.angle_deg + np.degrees(turn), self.height_mm + climbed

    def spots(self, time_s: float, limb_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Product angles (deg) and heights (Mm), each (n,), of the spots of light that the body consists of.

        A knot is one; a front is an arch of beads, near enough to each other to make one body.
        """
        angle, height = self.at(time_s, limb_mm)
        if self.kind == "knot":
            return np.array([angle]), np.array([height])
        part = np.linspace(-1.0, 1.0, round(5.0 * FRONT_WIDE_MM / FRONT_MM))
        return angle + np.degrees(0.5 * FRONT_WIDE_MM / limb_mm) * part, height * np.sqrt(1.0 - 0.8 * part**2)


def run_trial(
    out: Path, *, rounds: int = 6, seed: int = 0, progress: Callable[[int, int], None] | None = None
) -> list[str]:
    """Put bodies into the frames of a finished run, measure, and write what was found.

    Parameters
    ----------
    out : folder of the run
    rounds : runs with other bodies in them; each takes about as long as the run's lock, strips and motion
    seed : of the places of the bodies; the same seed gives the same result

    Returns lines to print. Raises InputError: the run is not finished, or too short for any body to be
    followed.
    """
    job = load_run(out)
    least = job.settings.motion.least_points
    if len(job.strip) < least:
        raise InputError(
            f"has {counted(len(job.strip), 'frame', 'frames')}, and a knot must be seen in {least}",
            where=str(out),
            remedy="record for longer",
        )
    rng = np.random.default_rng(seed)
    rows: list[TrialRow] = []
    for number in range(rounds):
        bodies = _bodies(job, rng, number)
        rows += _measured_again(job, bodies)
        if progress:
            progress(number + 1, rounds)
    if not rows:
        raise InputError("is too short to follow any knot", where=str(out), remedy="record for longer")
    meta = {
        "note": "test features put into the frames of this run, and measured by the same stages",
        "brightness": "peak; brightness_sigma in the noise of one strip pixel at that height",
        "seed": seed,
    }
    write_records(job.folder["trial"], rows, TrialRow, meta)
    draw_trial(rows, job.folder["trial_figure"])
    return _lines(rows)


def _bodies(job: Job, rng: np.random.Generator, number: int) -> list[Injected]:
    """Bodies of one round: knots apart from each other, and in every second round one front."""
    geometry, strip = job.strip.geometry, job.strip
    last_s, top_mm = float(strip.time_s[-1]), geometry.height_mm(geometry.rows - 1.0)
    wide_deg = geometry.deg_per_column * (geometry.columns - 1)
    least_s = (job.settings.motion.least_points + 2) * float(np.median(np.diff(strip.time_s)))
    out: list[Injected] = []
    for place in rng.permutation(KNOTS_A_ROUND):
        speed = SPEEDS_KM_S[(number + int(place)) % len(SPEEDS_KM_S)] * float(rng.uniform(0.8, 1.25))
        direction = float(rng.uniform(0.0, 2 * np.pi))
        radial, along = speed * np.cos(direction), speed * np.sin(direction)
        low, high = 12.0, max(0.6 * top_mm, 20.0)
        height = float(rng.uniform(low, high)) if abs(radial) < 5.0 else (low if radial > 0 else high)
        room_mm = (top_mm - height - 5.0) if radial > 0 else height - 8.0
        stay_s = min(1e3 * room_mm / max(abs(radial), 1e-3), 3600.0, last_s)
        if stay_s < least_s:
            continue
        angle = geometry.from_deg + wide_deg * (float(place) + rng.uniform(0.2, 0.8)) / KNOTS_A_ROUND
        sigma = BRIGHTNESS[(number + int(place)) % len(BRIGHTNESS)]
        start = float(rng.uniform(0.0, last_s - stay_s))
        counts = sigma * _noise(job, height)
        out.append(Injected("knot", sigma, counts, start, start + stay_s, angle, height, radial, along))
    if number % 2:
        speed = SPEEDS_KM_S[1 + (number // 2) % (len(SPEEDS_KM_S) - 1)]
        sigma, start = BRIGHTNESS[(number // 2) % len(BRIGHTNESS)], float(rng.uniform(0.0, 0.4)) * last_s
        end = min(last_s, start + 1e3 * (top_mm - 25.0) / speed)
        if end - start >= least_s:
            angle = geometry.from_deg + wide_deg * float(rng.uniform(0.25, 0.75))
            counts = sigma * _noise(job, 30.0)
            out.append(Injected("front", sigma, counts, start, end, angle, 20.0, speed, 0.0))
    return out


def _noise(job: Job, height_mm: float) -> float:
    row = int(np.clip(job.strip.geometry.row(height_mm), 0, job.strip.geometry.rows - 1))
    return float(job.strip.noise[row])


def injected_sequence(job: Job, bodies: list[Injected]) -> Sequence:
    """The run's frames with the light of bodies added, dimmed as each frame is.

    What goes beyond the camera's full scale is cut, and whole numbers stay whole numbers.
    """
    sequence, lock = job.sequence, job.lock
    _, scale, orientation = job.about
    mm_per_px, limb_mm = scale.km_per_px * 1e-3, job.strip.geometry.limb_mm
    first_s = float((job.strip.times_utc[0] - sequence.times_utc[0]) / np.timedelta64(1, "s"))

    def read(index: int) -> np.ndarray:
        frame = sequence.read(index)
        time_s = float(sequence.time_s[index]) - first_s
        here = [body for body in bodies if body.start_s <= time_s <= body.end_s]
        if not here or not lock.used[index]:
            return frame
        light = np.zeros(frame.shape, np.float32)
        for body in here:
            angle, height = body.spots(time_s, limb_mm)
            x, y = to_frame(lock, index, orientation.to_image(angle), lock.radius_px + height / mm_per_px)
            size_px = (KNOT_MM if body.kind == "knot" else FRONT_MM) / FWHM_SIGMA / mm_per_px
            sigma_px = max(size_px, 0.8)
            # beads lie over each other: together they have the peak that is asked for, at the apex
            middle = len(x) // 2
            apart_px = np.hypot(x - x[middle], y - y[middle])
            peak = body.counts / np.exp(-0.5 * (apart_px / sigma_px) ** 2).sum()
            for place in zip(x, y, strict=True):
                _add_spot(light, *place, sigma_px, peak)
        bright = frame + light * float(np.nan_to_num(lock.transparency[index], nan=1.0))
        if frame.dtype.kind == "u":
            bright = np.clip(np.rint(bright), 0, min(sequence.full_scale, np.iinfo(frame.dtype).max))
        return bright.astype(frame.dtype if frame.dtype.kind == "u" else np.float32)

    return replace(sequence, read=read)


def _add_spot(light: np.ndarray, x: float, y: float, sigma_px: float, peak: float) -> None:
    reach = int(4 * sigma_px) + 1
    top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
    part = light[top : max(int(y) + reach + 1, 0), left : max(int(x) + reach + 1, 0)]
    down, across = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
    part += peak * np.exp(-0.5 * ((down - y) ** 2 + (across - x) ** 2) / sigma_px**2).astype(np.float32)


def _measured_again(job: Job, bodies: list[Injected]) -> list[TrialRow]:
    """The very same stages on the frames with the bodies in them; what became of each body."""
    with tempfile.TemporaryDirectory(prefix="promtrack-trial-") as folder:
        again = Job(job.source, ProductFolder(Path(folder)), job.settings)
        again.sequence = injected_sequence(job, bodies)
        measure(again)
        return [_judged(body, again) for body in bodies]


def _judged(body: Injected, again: Job) -> TrialRow:
    tracks: tuple[KnotTrack | Front, ...]
    tracks = again.motion.knots if body.kind == "knot" else again.motion.fronts
    limb_mm = again.strip.geometry.limb_mm
    track = next((one for one in tracks if one.moving and _follows(one, body, limb_mm)), None)
    speed, error = np.nan, np.nan
    if isinstance(track, KnotTrack):
        speed, error = track.fit.speed_km_s, track.fit.speed_err_km_s
    elif track is not None and track.best is not None:
        speed, error = track.best.speed_km_s[1], track.best.speed_err_km_s[1]
    return TrialRow(
        kind=body.kind,
        speed_km_s=body.speed_km_s,
        brightness_sigma=body.brightness_sigma,
        brightness=body.counts,
        height_mm=body.height_mm,
        pa_deg=body.angle_deg % 360.0,
        found=track is not None,
        measured_km_s=float(speed),
        error_km_s=float(error),
    )


def _follows(track: KnotTrack | Front, body: Injected, limb_mm: float) -> bool:
    inside = (track.time_s >= body.start_s) & (track.time_s <= body.end_s)
    if inside.sum() < 4:
        return False
    angle, height = body.at(track.time_s[inside], limb_mm)
    along = np.radians(wrapped_deg(track.angle_deg[inside] - angle)) * (limb_mm + height)
    above = track.height_mm[inside] - height
    if body.kind == "knot":
        return bool(np.median(np.hypot(along, above)) < NEAR_MM)
    return bool(np.mean((np.abs(above) < NEAR_FRONT_MM) & (np.abs(along) < FRONT_WIDE_MM)) > 0.5)


def _lines(rows: list[TrialRow]) -> list[str]:
    lines = []
    for kind, sigma in itertools.product(("knot", "front"), BRIGHTNESS):
        own = [r for r in rows if r.kind == kind and r.brightness_sigma == sigma]
        if not own:
            continue
        speeds = [r.speed_km_s for r in own]
        line = (
            f"{kind}s of {min(speeds):.0f} to {max(speeds):.0f} km/s, {sigma:g} times the noise: "
            f"{sum(r.found for r in own)} of {len(own)} found"
        )
        pulls = [abs(r.measured_km_s - r.speed_km_s) / r.error_km_s for r in own if r.error_km_s > 0.0]
        if pulls:
            inside = [sum(pull <= errors for pull in pulls) for errors in (1, 2)]
            line += f"; {inside[0]} and {inside[1]} of {len(pulls)} speeds inside 1 and 2 stated errors"
        lines.append(line)
    fronts = [r for r in rows if r.kind == "front"]
    if fronts and all(r.found for r in fronts):
        lines.append(
            f"no front faster than {min(r.speed_km_s for r in fronts):.0f} km/s and brighter than "
            f"{min(r.brightness_sigma for r in fronts):g} times the noise was missed ({len(fronts)} put in)"
        )
    return lines
