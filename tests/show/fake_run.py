"""A hand-made run for the tests of the show room: every record filled in, every number known.

A prominence on the east limb: a hedgerow, an arch with knots running down it, and a loop that erupts.
Brightness is an analytic function of angle, height and time, so that frames and strips agree.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace

import matplotlib
import numpy as np
from scipy.interpolate import CubicSpline

from promtrack.limb.records import LimbLock
from promtrack.motion.front_fit import fit_front
from promtrack.motion.prominences import find_prominences
from promtrack.motion.records import (
    Control,
    Front,
    FrontFit,
    KnotFit,
    KnotTrack,
    Meaning,
    Motion,
    Oscillation,
    Ridge,
)
from promtrack.sequence.records import Rejected, Sequence, TimeReport
from promtrack.settings import Settings
from promtrack.settings_text import change_settings
from promtrack.show.figures import draw_figures
from promtrack.show.records import Measured
from promtrack.strip.records import Strip, StripGeometry, TimeDistance
from promtrack.sun import Orientation, Scale, SolarView
from tests.plain_file import PlainFile

FRAMES = 44
CADENCE_S = 30.0
SHAPE = (480, 640)
KM_PER_PX = 870.0
LIMB_MM = 695.7 + 4.35
RADIUS_PX = LIMB_MM * 1e3 / KM_PER_PX
ORIENTATION = Orientation(True, -78.0, 1, 0.52, "camera.north_deg and P")
REJECTED = {
    7: "limb too faint: thin cloud",
    8: "limb too faint: thin cloud",
    21: "limb doubled by a jump of the mount",
    33: "saturated across the limb",
}
GAP_AFTER, GAP_S = 25, 240.0
ONSET_S = 700.0


@dataclass(frozen=True)
class FakeKnot:
    """Straight motion in the plane of the sky; heights in Mm, speeds in km/s."""

    angle_deg: float
    height_mm: float
    radial_km_s: float
    along_km_s: float
    accel_m_s2: float
    first: int
    last: int
    moving: bool = True

    def place(self, time_s, start_s):
        run = np.asarray(time_s) - start_s
        height = self.height_mm + 1e-3 * self.radial_km_s * run + 0.5e-6 * self.accel_m_s2 * run**2
        along = 1e-3 * self.along_km_s * run
        return height, along, self.angle_deg + np.rad2deg(along / (LIMB_MM + self.height_mm))


KNOTS = (
    FakeKnot(86.1, 40.0, -33.0, 21.0, -9.0, 2, 26),
    FakeKnot(81.9, 42.0, -24.0, -22.0, 0.0, 6, 34),
    FakeKnot(73.1, 26.0, 14.5, 3.0, 0.0, 0, 30),
    FakeKnot(70.5, 14.0, 8.5, -4.0, 0.0, 10, 43),
    FakeKnot(75.9, 30.0, -7.0, 2.0, 0.0, 16, 41),
    FakeKnot(71.7, 22.0, 0.0, 0.0, 0.0, 0, 43, False),
)


def front_height_mm(time_s):
    """Slow rise at 2.5 km/s plus an exponential with tau = 270 s."""
    time_s = np.asarray(time_s, dtype=float)
    return 30.0 + 2.5e-3 * time_s + 2.2 * np.exp((time_s - ONSET_S) / 270.0)


def _times_s():
    times = CADENCE_S * np.arange(FRAMES)
    times[GAP_AFTER:] += GAP_S
    return times


def brightness(angle_deg, height_mm, time_s):
    """Counts above the backdrop; angle and height broadcast against each other."""
    angle_mm = np.deg2rad(angle_deg) * LIMB_MM
    outside = 1.0 / (1.0 + np.exp(-height_mm / 0.4))
    total = np.zeros(np.broadcast_shapes(np.shape(angle_deg), np.shape(height_mm)), dtype=np.float32)
    rng = np.random.default_rng(5)
    for _ in range(26):  # threads of the hedgerow
        foot, lean, tall, level = (
            rng.uniform(69.3, 76.8),
            rng.normal(0, 0.10),
            rng.uniform(14, 36),
            rng.uniform(25, 90),
        )
        across = (
            angle_mm - np.deg2rad(foot) * LIMB_MM - lean * height_mm - 0.6 * np.sin(height_mm / 7.0 + foot)
        )
        total += level * np.exp(-0.5 * (across / 1.2) ** 2) / (1.0 + np.exp((height_mm - tall) / 3.0))
    arch_mm = np.hypot(angle_mm - np.deg2rad(84.0) * LIMB_MM, 1.12 * height_mm)
    total += 55.0 * np.exp(-0.5 * ((arch_mm - 46.0) / 2.2) ** 2) + 24.0 * np.exp(
        -0.5 * ((arch_mm - 39.0) / 1.5) ** 2
    )
    top = front_height_mm(time_s)
    loop_mm = np.hypot((angle_mm - np.deg2rad(91.0) * LIMB_MM) / 17.0, height_mm / top)
    total += 80.0 * (40.0 / top) * np.exp(-0.5 * ((loop_mm - 0.96) / 0.05) ** 2)
    for knot in KNOTS:
        start = _times_s()[knot.first]
        height, _, angle = knot.place(time_s, start)
        there = 1.0 / (1.0 + np.exp(-(time_s - start + 15.0) / 20.0))
        away = (angle_mm - np.deg2rad(angle) * LIMB_MM) ** 2 + (height_mm - height) ** 2
        total += 95.0 * there * np.exp(-0.5 * away / 1.7**2)
    return total * outside


def _lock():
    rng = np.random.default_rng(11)
    used = np.array([i not in REJECTED for i in range(FRAMES)])
    step = np.arange(FRAMES)
    centre_x = 322.0 + 0.21 * step + rng.normal(0, 0.35, FRAMES)
    centre_y = 1015.0 - 0.13 * step + rng.normal(0, 0.35, FRAMES)
    centre_y[21:] += 6.0
    theta = np.deg2rad(np.linspace(-20.5, 20.5, 260))
    limb = np.stack(
        [centre_x[12] - RADIUS_PX * np.sin(theta), centre_y[12] - RADIUS_PX * np.cos(theta)], axis=1
    )
    limb += rng.normal(0, 0.22, limb.shape)
    spoiled = np.zeros(260, dtype=bool)
    spoiled[150:176] = True
    spoiled[rng.choice(260, 9, replace=False)] = True
    limb[spoiled] += rng.normal(0, 1.0, (int(spoiled.sum()), 2)) + np.array([0.0, -3.5])
    return LimbLock(
        names=tuple(f"prom_{i:04d}.tif" for i in range(FRAMES)),
        used=used,
        reason=tuple(REJECTED.get(i, "") for i in range(FRAMES)),
        centre_x_px=np.where(used, centre_x, np.nan),
        centre_y_px=np.where(used, centre_y, np.nan),
        centre_err_px=np.full(FRAMES, 0.045),
        along_err_px=np.full(FRAMES, 0.09),
        refraction_drift_err_px=np.zeros(FRAMES),
        angle_deg=np.where(used, 0.0011 * step + rng.normal(0, 0.004, FRAMES), np.nan),
        angle_err_deg=np.full(FRAMES, 0.006),
        frame_radius_px=np.where(used, RADIUS_PX + rng.normal(0, 0.9, FRAMES), np.nan),
        frame_radius_err_px=np.full(FRAMES, 0.9),
        limb_arc_deg=np.where(used, 40.6 + rng.normal(0, 0.2, FRAMES), 3.0),
        limb_rms_px=0.24 + 0.03 * rng.random(FRAMES),
        sharpness=1.0 + 0.08 * rng.normal(size=FRAMES),
        transparency=np.where(used, 1.0 + 0.03 * rng.normal(size=FRAMES), 0.4),
        sky=np.full(FRAMES, 14.0),
        saturated_fraction=np.zeros(FRAMES),
        flattening=np.zeros(FRAMES),
        zenith_deg=np.full(FRAMES, np.nan),
        radius_px=RADIUS_PX,
        radius_err_px=0.6,
        own_radius_px=RADIUS_PX,
        own_radius_err_px=0.6,
        from_deg=-20.8,
        to_deg=20.8,
        reference=12,
        limb_points_px=limb[~spoiled],
        rejected_points_px=limb[spoiled],
        shape=SHAPE,
        edge_bias_px=0.0,
        notes=(
            "Rotation about the Sun's centre and a shift along the limb can only be told apart by texture "
            "on the limb.",
        ),
    )


def _true_centre(index):
    step = float(index)
    return 322.0 + 0.21 * step, 1015.0 - 0.13 * step + (6.0 if index >= 21 else 0.0)


def _frame(index, lock, times_s):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    cx, cy = (lock.centre_x_px[index], lock.centre_y_px[index]) if lock.used[index] else _true_centre(index)
    theta, rho = np.rad2deg(np.arctan2(-(x - cx), -(y - cy))), np.hypot(x - cx, y - cy)
    height = (rho - RADIUS_PX) * KM_PER_PX * 1e-3
    mu = np.sqrt(np.clip(1.0 - (rho / RADIUS_PX) ** 2, 0.0, 1.0))
    disc = (700.0 + 1900.0 * mu) / (1.0 + np.exp(height / 0.5))
    halo = 14.0 + 30.0 * np.exp(-np.clip(height, 0.0, None) / 40.0)
    picture = disc + halo + brightness(ORIENTATION.to_product(theta), height, float(times_s[index]))
    picture *= 1.0 if lock.used[index] else 0.4
    noise = np.random.default_rng(index).normal(0, 1.6, SHAPE)
    counts = np.clip(picture + noise, 0, 4095).astype(np.uint16)
    counts.setflags(write=False)  # it is drawn once for all tests
    return counts


def _sequence(lock):
    times_s = _times_s()
    start = np.datetime64("2026-06-21T08:12:30", "us")
    return Sequence(
        path=Path("east-limb"),
        names=lock.names,
        times_utc=start + (times_s * 1e6).astype("timedelta64[us]"),
        shape=SHAPE,
        full_scale=4095.0,
        read=lru_cache(lambda i: _frame(i, lock, times_s)),
        time_report=TimeReport(
            "names",
            "stamps in the file names, taken as UTC",
            ("Between prom_0024.tif and prom_0025.tif 270 s pass, where 30 s are usual.",),
        ),
        unreadable=(
            Rejected("prom_<b>broken</b>.tif", "cannot be decoded: the file ends after 1,024 bytes"),
        ),
    )


def _strip(sequence, lock, folder):
    geometry = StripGeometry(
        rows=146,
        columns=400,
        low_mm=-12.0,
        mm_per_row=0.87,
        from_deg=65.0,
        deg_per_column=0.0712,
        limb_mm=LIMB_MM,
        position_angles=True,
    )
    index = np.flatnonzero(lock.used)
    times_s = _times_s()
    height = geometry.height_mm(np.arange(geometry.rows))[:, None].astype(np.float32)
    angle = geometry.angle_deg(np.arange(geometry.columns))[None, :].astype(np.float32)
    rng = np.random.default_rng(3)
    path = Path(folder) / "cube.bin"
    with path.open("wb") as file:
        for i in index:
            strip = brightness(angle, height, times_s[i]) + rng.normal(
                0, 1.6, (geometry.rows, geometry.columns)
            )
            strip[:3, :40] = np.nan  # a corner that the frames do not show
            file.write(strip.astype("<f4").tobytes())
    return Strip(
        geometry=geometry,
        times_utc=sequence.times_utc[index],
        frame=index,
        path=path,
        decoded=PlainFile(path, geometry),
        noise=np.full(geometry.rows, 1.6),
        centre_err_mm=np.full(len(index), 0.04),
        along_err_mm=np.full(len(index), 0.08),
    )


def _knot(number, knot, strip):
    rng = np.random.default_rng(100 + number)
    inside = (strip.frame >= knot.first) & (strip.frame <= knot.last)
    time_s = strip.time_s[inside]
    height, along, angle = knot.place(time_s, time_s[0])
    n, sigma = len(time_s), 0.32
    span = time_s - time_s.mean()
    err = 1e3 * sigma / np.sqrt(np.sum(span**2))
    middle = 0.5 * (time_s[0] + time_s[-1])
    radial = knot.radial_km_s + 1e-3 * knot.accel_m_s2 * (middle - time_s[0]) + err * rng.normal()
    along_speed = knot.along_km_s + err * rng.normal()
    accelerated = knot.accel_m_s2 != 0.0
    run = time_s - middle
    rise = 1e-3 * radial * run + 0.5e-6 * knot.accel_m_s2 * run**2
    curve = height.mean() + rise - rise.mean()
    curve_angle = angle.mean() + np.rad2deg(
        1e-3 * along_speed * (run - run.mean()) / (LIMB_MM + knot.height_mm)
    )
    fit = KnotFit(
        model="none" if not knot.moving else "constant acceleration" if accelerated else "constant speed",
        time_s=middle,
        radial_km_s=radial,
        radial_err_km_s=err,
        along_km_s=along_speed,
        along_err_km_s=err,
        speed_km_s=float(np.hypot(radial, along_speed)),
        speed_err_km_s=err,
        direction_deg=float(np.rad2deg(np.arctan2(along_speed, radial))),
        accel_m_s2=-knot.accel_m_s2,
        accel_err_m_s2=2.1,
        systematic_km_s=0.006 * float(np.hypot(radial, along_speed)),
        chi2_per_dof=1.04,
        errors_scaled=number == 3,
    )
    return KnotTrack(
        knot=number,
        frame=strip.frame[inside],
        time_s=time_s,
        height_mm=height + sigma * rng.normal(size=n),
        height_err_mm=np.full(n, sigma),
        angle_deg=angle + np.rad2deg(sigma * rng.normal(size=n) / LIMB_MM),
        along_mm=along + sigma * rng.normal(size=n),
        along_err_mm=np.full(n, sigma),
        snr=np.full(n, 14.0),
        curve_mm=curve,
        curve_angle_deg=curve_angle,
        speed_km_s=np.hypot(radial + 1e-3 * knot.accel_m_s2 * run, along_speed),
        speed_err_km_s=np.full(n, err),
        fit=fit,
        significance=7.4 - 0.6 * number if knot.moving else 0.4,
        false_alarm=10.0 ** (-6 + 0.7 * number) if knot.moving else 8.0,
        moving=knot.moving,
    )


def _polynomial_fit(model, degree, time_s, height_mm, sigma_mm):
    middle = time_s.mean()
    values, covariance = np.polyfit(
        time_s - middle, height_mm, degree, cov="unscaled", w=np.full(len(time_s), 1 / sigma_mm)
    )
    curve = np.polyval(values, time_s - middle)
    at = np.array([time_s[0], 0.5 * (time_s[0] + time_s[-1]), time_s[-1]]) - middle
    speed = 1e3 * np.polyval(np.polyder(values), at)
    chi2 = np.sum(((height_mm - curve) / sigma_mm) ** 2)
    accel = 2e6 * values[0] if degree == 2 else 0.0
    errors = np.sqrt(np.diag(covariance))[::-1]
    scale = np.array([1.0, 1e3, 2e6])[: degree + 1]
    return FrontFit(
        model=model,
        parameters=("height_mm", "speed_km_s", "accel_m_s2")[: degree + 1],
        values=values[::-1] * scale,
        errors=errors * scale,
        curve_mm=curve,
        speed_km_s=speed,
        speed_err_km_s=np.full(3, 1.1),
        peak_speed_km_s=float(speed.max()),
        peak_speed_err_km_s=1.1,
        accel_m_s2=accel,
        accel_err_m_s2=3.0 if degree == 2 else np.nan,
        accel_peak_m_s2=accel,
        accel_peak_err_m_s2=3.0 if degree == 2 else np.nan,
        onset_s=np.nan,
        onset_err_s=np.nan,
        bic=float(chi2 + (degree + 1) * np.log(len(time_s))),
        chi2_per_dof=float(chi2 / (len(time_s) - degree - 1)),
        chosen=False,
    )


def _front(strip):
    rng = np.random.default_rng(8)
    time_s = strip.time_s
    truth = front_height_mm(time_s)
    keep = truth < 112.0
    time_s, truth = time_s[keep], truth[keep]
    height = truth + 0.45 * rng.normal(size=len(time_s))
    slope = CubicSpline(time_s, truth).derivative()
    at = np.array([time_s[0], 0.5 * (time_s[0] + time_s[-1]), time_s[-1]])
    speed = 1e3 * slope(at)
    chi2 = np.sum(((height - truth) / 0.45) ** 2)
    rise = FrontFit(
        model="linear plus exponential",
        parameters=("height_mm", "speed_km_s", "rise_mm", "tau_s"),
        values=np.array([30.0, 2.5, 2.2, 270.0]),
        errors=np.array([0.2, 0.3, 0.2, 12.0]),
        curve_mm=truth,
        speed_km_s=speed,
        speed_err_km_s=np.array([0.6, 0.9, 3.4]),
        peak_speed_km_s=float(speed[-1]),
        peak_speed_err_km_s=3.4,
        accel_m_s2=1e3 * float(speed[-1] - speed[0]) / float(time_s[-1] - time_s[0]),
        accel_err_m_s2=4.2,
        accel_peak_m_s2=1e6 * 2.2 / 270.0**2 * float(np.exp((time_s[-1] - ONSET_S) / 270.0)),
        accel_peak_err_m_s2=9.0,
        onset_s=ONSET_S - 270.0 * np.log(2.2e3 / (2.5 * 270.0)),
        onset_err_s=38.0,
        bic=float(chi2 + 4 * np.log(len(time_s))),
        chi2_per_dof=float(chi2 / (len(time_s) - 4)),
        chosen=True,
    )
    fits = (
        _polynomial_fit("constant speed", 1, time_s, height, 0.45),
        _polynomial_fit("constant acceleration", 2, time_s, height, 0.45),
        rise,
    )
    return Front(
        front=1,
        from_deg=89.0,
        to_deg=93.0,
        frame=strip.frame[keep],
        time_s=time_s,
        height_mm=height,
        height_err_mm=np.full(len(time_s), 0.45),
        angle_deg=91.0 + 0.2 * rng.normal(size=len(time_s)),
        fits=fits,
        verdict="linear plus exponential",
        false_alarm=1e-7,
        moving=True,
        notes=(
            "the edge is 2.1 Mm wide between 30 and 70 % of its brightness; all heights share the choice "
            "of the middle",
        ),
    )


def _slit(strip, name, kind, angle_deg, height_mm, distance_mm):
    value = np.stack([brightness(angle_deg, height_mm, t) for t in strip.time_s])
    value += np.random.default_rng(2).normal(0, 1.6, value.shape)
    return TimeDistance(
        name=name,
        kind=kind,
        angle_deg=angle_deg,
        height_mm=height_mm,
        distance_mm=distance_mm,
        value=value.astype(np.float32),
        time_s=strip.time_s,
    )


def _slits(strip):
    distance = np.arange(0.0, 96.0, 0.87)
    radial = _slit(strip, "radial:91.0", "radial", np.full(len(distance), 91.0), distance, distance)
    track = np.linspace(0.0, 1.0, 120)
    knot = KNOTS[0]
    angle, height = 86.1 + 2.0 * track, 44.0 - 44.0 * track
    length = np.hypot(44.0, np.deg2rad(2.0) * (LIMB_MM + 22.0)) * track
    straight = _slit(strip, "straight:86.1,44:88.1,0", "straight", angle, height, length)
    along = np.arange(0.0, 90.0, 0.87)
    parallel = _slit(
        strip,
        "parallel:24:69.0:76.0",
        "parallel",
        69.0 + np.rad2deg(along / (LIMB_MM + 24.0)),
        np.full(len(along), 24.0),
        along,
    )
    assert knot.moving
    return radial, straight, parallel


def _oscillation(time_s):
    rng = np.random.default_rng(4)
    curve = 2.4 * np.exp(-time_s / 2600.0) * np.sin(2 * np.pi * time_s / 560.0 + 0.4)
    period = np.geomspace(120.0, 2500.0, 240)
    return Oscillation(
        slit=2,
        time_s=time_s,
        displacement_mm=curve + 0.3 * rng.normal(size=len(time_s)),
        displacement_err_mm=np.full(len(time_s), 0.3),
        period_s=560.0,
        period_err_s=9.0,
        amplitude_mm=2.4,
        amplitude_err_mm=0.12,
        damping_s=2600.0,
        damping_err_s=500.0,
        curve_mm=curve,
        false_alarm=2e-6,
        power=0.86 * np.exp(-0.5 * (np.log(period / 560.0) / 0.12) ** 2) + 0.05 * rng.random(len(period)),
        power_period_s=period,
    )


def _motion(strip):
    knots = tuple(_knot(i + 1, knot, strip) for i, knot in enumerate(KNOTS))
    ridges = (
        Ridge(
            slit=1,
            time_s=420.0,
            distance_mm=18.9,
            first_s=150.0,
            last_s=690.0,
            speed_km_s=39.4,
            speed_err_km_s=1.9,
            knot=1,
            knot_speed_km_s=38.3,
            agrees=True,
        ),
        Ridge(
            slit=0,
            time_s=1180.0,
            distance_mm=46.0,
            first_s=1050.0,
            last_s=1290.0,
            speed_km_s=50.0,
            speed_err_km_s=2.6,
            knot=0,
            knot_speed_km_s=np.nan,
            agrees=False,
        ),
    )
    return Motion(
        knots=knots,
        fronts=(_front(strip),),
        slits=_slits(strip),
        ridges=ridges,
        oscillations=(_oscillation(strip.time_s),),
        control=Control(
            "Every track was compared with the tracks that the same strips give after their times have "
            "been scrambled.",
            200,
            0.05,
            ("A knot faster than 180 km/s would move more than its spacing between two frames.",),
        ),
        meanings=(
            Meaning(
                "knot 1",
                "Knot 1 falls at about the speed usual for coronal rain (30 to 200 km/s).",
                "Antolin & Rouppe van der Voort 2012, ApJ 745, 152",
            ),
            Meaning(
                "front 1",
                "Front 1 reaches a small fraction of the escape speed at its height.",
                "IAU 2015 Resolution B3",
            ),
        ),
        scale_err=0.006,
        clock_err=1e-4,
        prominences=find_prominences(strip),
    )


@lru_cache(maxsize=1)
def fake_run() -> Measured:
    """The run that all tests of one process share."""
    return fake_measured(_folder())


def _folder() -> Path:
    """A new folder, for as long as this process lives."""
    folder = tempfile.mkdtemp(prefix="promtrack-test-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


@lru_cache(maxsize=1)
def fake_figures() -> SimpleNamespace:
    """All figures of that run, drawn once, into a folder that held files of ours and of others."""
    folder = _folder() / "figures"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")
    (folder / "height_time.pdf").write_text("of an earlier drawing")
    calls, before = [], dict(matplotlib.rcParams)
    run = fake_run()
    small = change_settings(run.settings, {"figures.dpi": 60})
    paths = draw_figures(
        replace(run, settings=small),
        folder,
        progress=lambda done, total: calls.append((done, total)),
    )
    kept = before == dict(matplotlib.rcParams)
    return SimpleNamespace(folder=folder, paths=paths, calls=calls, settings_kept=kept)


def fake_measured(folder: Path) -> Measured:
    """The whole run; the strip's cube is written into `folder`."""
    lock = _lock()
    sequence = _sequence(lock)
    strip = _strip(sequence, lock, folder)
    view = SolarView(
        time_utc=sequence.times_utc[FRAMES // 2],
        apparent_radius_arcsec=943.94,
        p_deg=-6.98,
        b0_deg=1.75,
        l0_deg=196.1,
        distance_au=1.0162,
        altitude_deg=np.nan,
        observer="Earth",
    )
    scale = Scale(
        km_per_px=KM_PER_PX,
        sigma_km_per_px=KM_PER_PX * 0.006,
        arcsec_per_px=KM_PER_PX / 737.0,
        source="limb",
        check="Limb and optics agree: 870 and 874 km/px, 0.2 standard deviations apart.",
        agrees=True,
    )
    return Measured(
        settings=Settings(),
        sequence=sequence,
        lock=lock,
        view=view,
        scale=scale,
        orientation=ORIENTATION,
        strip=strip,
        motion=_motion(strip),
        version="0.1.0",
    )


def with_a_start(measured: Measured, rest_s: float, *, sudden: bool) -> Measured:
    """The same run whose front rests at 40 Mm for so long and then rises at 300 km/s, or at 300 m/s2; its
    heights stray by 0.45 Mm and are fitted."""
    front, rng = measured.motion.fronts[0], np.random.default_rng(5)
    gone = np.maximum(front.time_s - front.time_s[0] - rest_s, 0.0)
    height = 40.0 + (0.3 * gone if sudden else 1.5e-4 * gone**2) + 0.45 * rng.normal(size=len(gone))
    fits = fit_front(front.time_s, height, front.height_err_mm, rng=rng)
    verdict = next(fit.model for fit in fits if fit.chosen)
    front = replace(front, height_mm=height, fits=fits, verdict=verdict)
    return replace(measured, motion=replace(measured.motion, fronts=(front,)))


def without_motion(measured: Measured) -> Measured:
    """The same run in which nothing moves: no front, no slit, no ridge, no oscillation, only a resting
    knot."""
    still = tuple(replace(knot, moving=False, knot=1) for knot in measured.motion.knots if not knot.moving)
    return replace(
        measured,
        motion=replace(
            measured.motion, knots=still, fronts=(), slits=(), ridges=(), oscillations=(), meanings=()
        ),
    )
