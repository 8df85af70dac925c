"""`promtrack trial`: knots and fronts of known speed put into a run's frames, and measured again.

What share of them is found, and how far the stated errors hold, is what that recording could have shown.
Nothing of the run is changed but for trial.ecsv and trial.png in its folder.
"""

from __future__ import annotations

import itertools
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.records import to_frame
from promtrack.motion.records import Front, KnotTrack
from promtrack.pipeline import Job, load_run, measure
from promtrack.products.folder import ProductFolder
from promtrack.products.tables import rows_of, write_table
from promtrack.rounding import counted
from promtrack.scene.content import FWHM_SIGMA, Knot, knot_place
from promtrack.scene.truth import NEAR_FRONT_MM, NEAR_MM
from promtrack.sequence.records import Sequence
from promtrack.show.figures.season import draw_trial
from promtrack.show.records import TrialRow
from promtrack.sun import wrapped_deg

SPEEDS_KM_S = (10.0, 20.0, 40.0, 80.0, 160.0)  # rain, descending knots and slow eruptions: check of both ends
BRIGHTNESS = (3.0, 6.0, 12.0)  # peak, in the noise of one strip pixel
KNOT_MM, FRONT_MM = 3.0, 8.0  # full widths at half maximum: a knot, and the thickness of a front
FRONT_WIDE_MM = 60.0


@dataclass(frozen=True, slots=True)
class Injected:
    """One body on a straight path: constant speed outward and along the limb."""

    kind: str  # 'knot' or 'front'
    brightness_sigma: float  # peak, in units of the noise
    counts: float  # the same in counts of the strips
    path: Knot  # its angles are product angles

    def there(self, time_s: np.ndarray | float) -> np.ndarray:
        """Whether it is to be seen at times of any shape."""
        since_s = np.asarray(time_s) - self.path.from_s
        return (since_s >= 0.0) & (since_s <= self.path.life_s)

    @property
    def speed_km_s(self) -> float:
        """Speed in the plane of the sky, km/s."""
        return float(np.hypot(self.path.radial_km_s, self.path.along_km_s))

    def at(self, time_s: np.ndarray | float, limb_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Product angle (deg) and height (Mm), each (n,), at the (n,) times."""
        angle, height = knot_place(self.path, time_s, limb_mm)
        return np.rad2deg(angle), height

    def spots(self, time_s: float, limb_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Product angles (deg) and heights (Mm), each (n,), of the spots of light that the body consists of:
        a knot is one; a front is an arch of beads, near enough to each other to make one body."""
        angle, height = self.at(time_s, limb_mm)
        if self.kind == "knot":
            return angle, height
        part = np.linspace(-1.0, 1.0, round(5.0 * FRONT_WIDE_MM / FRONT_MM))
        return angle + np.degrees(0.5 * FRONT_WIDE_MM / limb_mm) * part, height * np.sqrt(1.0 - 0.8 * part**2)


def run_trial(
    out: Path, *, rounds: int = 6, seed: int = 0, progress: Callable[[int, int], None] | None = None
) -> list[str]:
    """Put bodies into the frames of a finished run in the folder `out`, measure, and write what was found:
    lines to print. `rounds`: runs with other bodies in them; each takes about as long as the run's lock,
    strips and motion; `seed`: of the places of the bodies. Raises InputError: the run is not finished, or too
    short for any body to be followed."""
    job = load_run(out)
    least = job.settings.motion.least_points
    refused = partial(InputError, where=str(out), remedy="record for longer")
    if len(job.strip) < least:
        frames = counted(len(job.strip), "frame")
        raise refused(f"has {frames}, and a knot must be seen in {least}")
    rng = np.random.default_rng(seed)
    rows: list[TrialRow] = []
    for number in range(rounds):
        bodies = _bodies(job, rng, number)
        with tempfile.TemporaryDirectory(prefix="promtrack-trial-") as folder:
            again = Job(job.source, ProductFolder(Path(folder)), job.settings)
            again.sequence = injected_sequence(job, bodies)
            measure(again)
            rows += [_judged(body, again) for body in bodies]
        if progress:
            progress(number + 1, rounds)
    if not rows:
        raise refused("is too short to follow any knot")
    meta = {
        "note": "test features put into the frames of this run, and measured by the same stages",
        "brightness": "peak; brightness_sigma in the noise of one strip pixel at that height",
        "seed": seed,
    }
    write_table(job.folder["trial"], rows_of(rows, TrialRow), meta)
    draw_trial(rows, job.folder["trial_figure"])
    return _lines(rows)


def _bodies(job: Job, rng: np.random.Generator, number: int) -> list[Injected]:
    """Bodies of one round: five knots apart from each other, and in every second round one front."""
    geometry, strip = job.strip.geometry, job.strip
    last_s, top_mm = float(strip.time_s[-1]), geometry.height_mm(geometry.rows - 1.0)
    wide_deg = geometry.deg_per_column * (geometry.columns - 1)
    least_s = (job.settings.motion.least_points + 2) * float(np.median(np.diff(strip.time_s)))
    out: list[Injected] = []

    def add(kind: str, sigma: float, noise_mm: float, path: Knot) -> None:
        """A body, as bright as the noise at a height asks for, if it is there long enough."""
        if path.life_s >= least_s:
            row = int(np.clip(geometry.row(noise_mm), 0, geometry.rows - 1))
            out.append(Injected(kind, sigma, sigma * float(strip.noise[row]), path))

    for place in rng.permutation(5).tolist():
        speed = SPEEDS_KM_S[(number + place) % len(SPEEDS_KM_S)] * float(rng.uniform(0.8, 1.25))
        direction = float(rng.uniform(0.0, 2 * np.pi))
        radial, along = speed * np.cos(direction), speed * np.sin(direction)
        low, high = 12.0, max(0.6 * top_mm, 20.0)
        height = float(rng.uniform(low, high)) if abs(radial) < 5.0 else (low if radial > 0 else high)
        room_mm = (top_mm - height - 5.0) if radial > 0 else height - 8.0
        stay_s = min(1e3 * room_mm / max(abs(radial), 1e-3), 3600.0, last_s)
        angle = geometry.from_deg + wide_deg * (place + rng.uniform(0.2, 0.8)) / 5
        start = float(rng.uniform(0.0, last_s - stay_s))
        sigma = BRIGHTNESS[(number + place) % len(BRIGHTNESS)]
        add("knot", sigma, height, Knot(angle, height, radial, along, from_s=start, life_s=stay_s))
    if number % 2:
        speed = SPEEDS_KM_S[1 + (number // 2) % (len(SPEEDS_KM_S) - 1)]
        start = float(rng.uniform(0.0, 0.4)) * last_s
        stay_s = min(last_s - start, 1e3 * (top_mm - 25.0) / speed)
        angle = geometry.from_deg + wide_deg * float(rng.uniform(0.25, 0.75))
        sigma = BRIGHTNESS[(number // 2) % len(BRIGHTNESS)]
        add("front", sigma, 30.0, Knot(angle, 20.0, speed, 0.0, from_s=start, life_s=stay_s))
    return out


def injected_sequence(job: Job, bodies: list[Injected]) -> Sequence:
    """The run's frames with the light of bodies added, dimmed as each frame is. What goes beyond the camera's
    full scale is cut, and whole numbers stay whole numbers."""
    sequence, lock = job.sequence, job.lock
    _, scale, orientation = job.about
    mm_per_px, limb_mm = scale.km_per_px * 1e-3, job.strip.geometry.limb_mm
    first_s = float((job.strip.times_utc[0] - sequence.times_utc[0]) / np.timedelta64(1, "s"))

    def read(index: int) -> np.ndarray:
        frame = sequence.read(index)
        time_s = float(sequence.time_s[index]) - first_s
        here = [body for body in bodies if body.there(time_s)]
        if not here or not lock.used[index]:
            return frame
        light = np.zeros(frame.shape, np.float32)
        for body in here:
            angle, height = body.spots(time_s, limb_mm)
            x, y = to_frame(lock, index, orientation.to_image(angle), lock.radius_px + height / mm_per_px)
            size_mm = KNOT_MM if body.kind == "knot" else FRONT_MM
            sigma_px = max(size_mm / FWHM_SIGMA / mm_per_px, 0.8)
            # beads lie over each other: together they have the peak that is asked for, at the apex
            apart_px = np.hypot(x - x[len(x) // 2], y - y[len(x) // 2])
            peak = body.counts / np.exp(-0.5 * (apart_px / sigma_px) ** 2).sum()
            for place in zip(x, y, strict=True):
                _add_spot(light, *place, sigma_px, peak)
        bright = frame + light * float(np.nan_to_num(lock.transparency[index], nan=1.0))
        if frame.dtype.kind != "u":
            return bright.astype(np.float32)
        top = min(sequence.full_scale, np.iinfo(frame.dtype).max)
        return np.clip(np.rint(bright), 0, top).astype(frame.dtype)

    return replace(sequence, read=read)


def _add_spot(light: np.ndarray, x: float, y: float, sigma_px: float, peak: float) -> None:
    reach = int(4 * sigma_px) + 1
    top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
    part = light[top : max(int(y) + reach + 1, 0), left : max(int(x) + reach + 1, 0)]
    down, across = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
    part += peak * np.exp(-0.5 * ((down - y) ** 2 + (across - x) ** 2) / sigma_px**2).astype(np.float32)


def _judged(body: Injected, again: Job) -> TrialRow:
    """What became of a body in the measurement."""
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
        height_mm=body.path.height_mm,
        pa_deg=body.path.at_deg % 360.0,
        found=track is not None,
        measured_km_s=float(speed),
        error_km_s=float(error),
    )


def _follows(track: KnotTrack | Front, body: Injected, limb_mm: float) -> bool:
    inside = body.there(track.time_s)
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
        span = " to ".join(sorted({f"{end(r.speed_km_s for r in own):.0f}" for end in (min, max)}, key=float))
        line = (
            f"{kind}s of {span} km/s, {sigma:g} times the noise: "
            f"{sum(r.found for r in own)} of {len(own)} found"
        )
        pulls = [abs(r.measured_km_s - r.speed_km_s) / r.error_km_s for r in own if r.error_km_s > 0.0]
        if pulls:
            one, two = (sum(pull <= errors for pull in pulls) for errors in (1, 2))
            line += f"; {one} and {two} of {len(pulls)} speeds inside 1 and 2 stated errors"
        lines.append(line)
    fronts = [r for r in rows if r.kind == "front"]
    if not fronts:
        lines.append("no front was put in: every second round has one")
    elif all(r.found for r in fronts):
        slowest, faintest = min(r.speed_km_s for r in fronts), min(r.brightness_sigma for r in fronts)
        lines.append(
            f"no front faster than {slowest:.0f} km/s and brighter than {faintest:g} times the noise was "
            f"missed ({len(fronts)} put in)"
        )
    return lines
