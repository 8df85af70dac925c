"""Mount, air, optics and sensor: where the Sun stands in each frame, and how its light becomes counts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import erf

from promtrack.scene.content import FWHM_SIGMA, AnyKnot
from promtrack.scene.random_fields import wander, wandering_field
from promtrack.scene.spec import DISC_LEVEL, SceneSpec
from promtrack.settings import CameraSettings, SiteSettings
from promtrack.sun import field_turn_deg, flattening, sky_place, zenith_image_deg
from promtrack.sun.drift import SIDEREAL_ARCSEC_S


@dataclass(frozen=True, slots=True, eq=False)
class Pointing:
    """Where the Sun stands; one value a frame."""

    centre_x_px: np.ndarray
    centre_y_px: np.ndarray
    turn_deg: np.ndarray
    flattening: np.ndarray
    zenith_deg: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """State of the air and the gain; one value a frame."""

    seeing_arcsec: np.ndarray
    transparency: np.ndarray
    gain: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Sensor:
    """What is fixed to the sensor."""

    shade: np.ndarray  # (rows, columns) transmission of motes
    hot_row: np.ndarray
    hot_column: np.ndarray
    hot_level: np.ndarray  # in full scales


def pointing_of(spec: SceneSpec) -> Pointing:
    """The Sun's place in every frame, image motion included; turn, flattening and direction of the zenith
    from the site, or as the spec says."""
    time_s = spec.time_s - spec.time_s[0]
    part = time_s / max(time_s[-1], 1e-9)
    turn = spec.rotation_deg_h * time_s / 3600.0
    flat, zenith = (ends[0] + part * (ends[1] - ends[0]) for ends in (spec.flattening, spec.zenith_deg))
    if spec.site is not None:
        camera = CameraSettings(north_deg=spec.north_deg, mirrored=spec.mirrored, mount=spec.mount)
        if spec.mount == "altazimuth":
            turn = field_turn_deg(spec.times_utc, site=spec.site, camera=camera)
        altitude = sky_place(spec.times_utc, site=spec.site).altitude_deg
        flat = np.nan_to_num(flattening(altitude, elevation_m=spec.site.elevation_m))
        zenith = zenith_image_deg(spec.times_utc, site=spec.site, camera=camera)
    middle = np.array([0.5 * (spec.shape[1] - 1), 0.5 * (spec.shape[0] - 1)])
    arm = np.asarray(spec.first_centre_px) - middle
    cos, sin = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    # counter-clockwise as displayed, y running down
    centre = middle + np.column_stack((arm[0] * cos + arm[1] * sin, arm[1] * cos - arm[0] * sin))
    centre += part[:, None] * np.asarray(spec.drift_px)
    if not spec.drive_on:  # the image drifts due west at the Sun's own rate
        sky = sky_place(spec.times_utc[:1], site=SiteSettings())
        west = math.radians(spec.north_deg + (90.0 if spec.mirrored else -90.0))
        rate = SIDEREAL_ARCSEC_S - float(sky.ra_rate_arcsec_s[0])
        rate *= math.cos(math.radians(float(sky.declination_deg[0]))) / spec.px_arcsec
        centre += np.outer(time_s, rate * np.array([-math.sin(west), -math.cos(west)]))
    for jump in spec.jumps:
        centre[jump.frame :] += (jump.dx_px, jump.dy_px)
    if spec.image_motion_arcsec:
        rng = np.random.default_rng([spec.seed, 21])
        centre += rng.standard_normal((spec.count, 2)) * spec.image_motion_arcsec / spec.px_arcsec
    return Pointing(centre[:, 0], centre[:, 1], turn, flat, zenith)


def usual_noise(spec: SceneSpec) -> float:
    """1-sigma noise of a pixel that shows a usual prominence off the limb, in full scales."""
    background = spec.sky + 0.7 * spec.scattered + 0.04
    return float(noise_of(spec, exposure_gain(spec) * background))


def air_of(spec: SceneSpec) -> Air:
    """Seeing, transparency (thick cloud included) and gain of every frame."""
    rng = np.random.default_rng([spec.seed, 22])
    seeing = spec.seeing_arcsec * np.exp(spec.seeing_variation * rng.standard_normal(spec.count))
    for frame, fwhm in spec.blurred_frames:
        seeing[frame] = fwhm
    clear = np.clip(1.0 + spec.transparency * wander(rng, spec.time_s, spec.transparency_s)[0], 0.05, None)
    for frame, transmission in spec.cloud_frames:
        clear[frame] *= transmission
    gain = spec.exposures_s / spec.exposure_s
    for frame, factor in spec.gain_changes:
        gain[frame:] *= factor
    return Air(seeing, clear, gain)


def distortion(spec: SceneSpec, index: int) -> np.ndarray | None:
    """Local displacement of the image in one frame, (rows, columns, 2) px, x first; None in still air."""
    rms = spec.distortion_arcsec / spec.px_arcsec
    if rms <= 0:
        return None
    key, time_s, scale_px = [spec.seed, 23, index], 0.0, spec.distortion_scale_arcsec / spec.px_arcsec
    if spec.distortion_s > 0:
        key, time_s = [spec.seed, 23], float(spec.time_s[index])
    rng = np.random.default_rng(key)
    return wandering_field(rng, spec.shape, time_s, scale_px, spec.distortion_s or 1.0) * np.float32(rms)


def exposure_gain(spec: SceneSpec) -> float:
    """Full scales at the disc's centre."""
    return DISC_LEVEL[spec.exposure] if isinstance(spec.exposure, str) else float(spec.exposure)


def noise_of(spec: SceneSpec, signal: np.ndarray | float) -> np.ndarray | float:
    """1-sigma noise of a pixel, in full scales, at a signal in full scales, of any shape."""
    electrons = np.maximum(signal, 0.0) * spec.full_well_e + spec.read_noise_e**2
    return np.sqrt(electrons) / spec.full_well_e


def knot_brightness(spec: SceneSpec, knot: AnyKnot) -> float:
    """Peak brightness before seeing of a knot: its own, or with which it shows its signal-to-noise ratio over
    a usual prominence after it."""
    if knot.brightness is not None:
        return knot.brightness
    noise = math.hypot(usual_noise(spec), 1.0 / full_scale(spec) / math.sqrt(12.0))
    spread = float(spread_by_seeing(spec, knot.size_mm, spec.seeing_arcsec))
    return knot.snr * noise / exposure_gain(spec) * spread


def spread_by_seeing(
    spec: SceneSpec, size_mm: float, seeing_arcsec: np.ndarray | float
) -> np.ndarray | float:
    """Factor, in the shape of `seeing_arcsec`, by which seeing lowers the peak of a round Gaussian knot."""
    size_px = size_mm / spec.mm_per_px
    return 1.0 + (seeing_arcsec / spec.px_arcsec / size_px) ** 2


def full_scale(spec: SceneSpec) -> float:
    """Value at which the camera saturates."""
    return float(spec.full_scale if spec.full_scale is not None else 2**spec.bits - 1)


def make_sensor(spec: SceneSpec) -> Sensor:
    """Motes and hot pixels of this camera."""
    rng = np.random.default_rng([spec.seed, 24])
    rows, columns = spec.shape
    shade: np.ndarray = np.ones(spec.shape, np.float32)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    for _ in range(spec.motes):
        radius = rng.uniform(5.0, 14.0)
        distance = np.hypot(x - rng.uniform(0, columns), y - rng.uniform(0, rows)) / radius
        # out-of-focus dust: a soft dark ring around a less dark middle
        ring, middle = np.exp(-(((distance - 0.75) / 0.22) ** 2)), np.exp(-((distance / 0.7) ** 4))
        shade *= 1.0 - spec.mote_depth * (ring + 0.45 * middle)
    hot_row, hot_column = (rng.integers(0, side, spec.hot_pixels) for side in (rows, columns))
    return Sensor(shade, hot_row, hot_column, rng.uniform(0.08, 1.2, spec.hot_pixels))


def cloud_veil(spec: SceneSpec, index: int) -> np.ndarray | None:
    """Transmission (rows, columns) of cloud drifting through the frame: thin, and banks with an edge."""
    if spec.thin_cloud <= 0 and not spec.cloud_banks:
        return None
    time_s, clear = float(spec.time_s[index]), np.ones(spec.shape, np.float32)
    if spec.thin_cloud > 0:
        rng = np.random.default_rng([spec.seed, 25])
        coarse = max(spec.shape[0] // 4, 8), max(spec.shape[1] // 4, 8)  # cloud has no fine detail
        extent = max(coarse)
        field = wandering_field(rng, coarse, time_s, 0.45 * extent, 90.0)[..., 0]
        field = field + 0.4 * wandering_field(rng, coarse, time_s, 0.12 * extent, 40.0)[..., 0]
        cover = np.clip(0.35 + 0.3 * field + 0.35 * wander(rng, time_s, 400.0)[0, 0], 0.0, 1.0)
        thin = (1.0 - spec.thin_cloud * cover).astype(np.float32)
        clear = cv2.resize(thin, spec.shape[::-1], interpolation=cv2.INTER_LINEAR)
    y, x = np.mgrid[0 : spec.shape[0], 0 : spec.shape[1]].astype(np.float32)
    banks = np.ones(spec.shape, np.float32)
    for bank in spec.cloud_banks:
        towards = math.radians(bank.towards_deg)
        along = -math.sin(towards) * (x - 0.5 * spec.shape[1]) - math.cos(towards) * (y - 0.5 * spec.shape[0])
        behind = (bank.px_s * (time_s - bank.from_s) - along) / bank.edge_px
        banks *= 1.0 - np.float32(0.5 * bank.depth) * (1.0 + erf(behind / np.float32(math.sqrt(2.0))))
    return clear * banks


def expose(spec: SceneSpec, sensor: Sensor, air: Air, index: int, light: np.ndarray) -> np.ndarray:
    """Counts (rows, columns) of one frame from its light before seeing (same shape, disc's centre = 1)."""
    rng = np.random.default_rng([spec.seed, 26, index])
    clear = np.float32(air.transparency[index])
    light = light * clear
    veil = cloud_veil(spec, index)
    if veil is not None:
        light = light * veil + np.float32(0.03) * (1 - veil)  # cloud scatters what it takes away
    if clear < 0.7:
        light = light + np.float32(0.02 * (1 - clear))
    sigma = air.seeing_arcsec[index] / spec.px_arcsec / FWHM_SIGMA
    if sigma > 0.15:
        light = cv2.GaussianBlur(light, (0, 0), float(sigma), borderType=cv2.BORDER_REFLECT_101)
    for jump in spec.jumps:
        if jump.frame == index and jump.smear:
            light = _smeared(light, jump.dx_px, jump.dy_px)
    if index in spec.aircraft_frames:
        light = light * _aircraft(spec, rng)
    signal = light * sensor.shade * np.float32(exposure_gain(spec) * air.gain[index])
    signal[sensor.hot_row, sensor.hot_column] += sensor.hot_level.astype(np.float32)
    grain = rng.standard_normal(spec.shape, dtype=np.float32)
    signal += np.asarray(noise_of(spec, signal), dtype=np.float32) * grain
    top = full_scale(spec)
    counts = np.clip(np.rint(signal * np.float32(top)), 0, top)
    return counts.astype(np.uint8 if spec.bits == 8 else np.uint16)


def _smeared(light: np.ndarray, dx: float, dy: float) -> np.ndarray:
    """The image drawn out along the jump that ends where it stands now."""
    steps = max(int(math.hypot(dx, dy)), 2)
    total = np.zeros_like(light)
    for k in range(steps):
        part = k / (steps - 1)
        shift = np.array([[1, 0, -dx * part], [0, 1, -dy * part]], dtype=np.float32)
        total += cv2.warpAffine(light, shift, light.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    return total / steps


def _aircraft(spec: SceneSpec, rng: np.random.Generator) -> np.ndarray:
    length, turn = 0.32 * min(spec.shape), rng.uniform(0, 2 * np.pi)
    middle = np.array([rng.uniform(0.35, 0.65) * side for side in spec.shape[::-1]])
    forward = np.array([math.cos(turn), math.sin(turn)]) * length
    across = np.array([-forward[1], forward[0]])

    def quad(first: float, last: float, half: float) -> np.ndarray:
        corners = ((first, -half), (first, half), (last, half), (last, -half))
        places = [middle + along * forward + side * across for along, side in corners]
        return np.round(places).astype(np.int32)

    mask: np.ndarray = np.ones(spec.shape, dtype=np.float32)
    cv2.fillPoly(mask, [quad(-9.0, -0.2, 0.1)], 0.85)  # exhaust
    mask = cv2.GaussianBlur(mask, (0, 0), 5.0)
    for part in (quad(-0.5, 0.5, 0.04), quad(-0.2, 0.0, 0.45), quad(-0.5, -0.42, 0.16)):  # body, wings, tail
        cv2.fillPoly(mask, [part], 0.03)
    return cv2.GaussianBlur(mask, (0, 0), 1.5)
