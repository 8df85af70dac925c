"""Strips with known truth, made directly in strip space: static threads, boiling fringe, noise, and knots.

Everything that hurts a real strip is in it: seeing that changes the blur from frame to frame, warps that
differ from place to place, registration errors, thin cloud, flicker, gaps and frames that show only a part.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from promtrack.strip.records import Strip, StripGeometry
from tests.plain_file import PlainFile

LIMB_MM = 700.05
FWHM = 2.3548


@dataclass(frozen=True, slots=True, eq=False)
class MadeKnot:
    """Truth of one knot: where it is at each frame, and how bright against the noise."""

    x_mm: np.ndarray  # (n,) along the limb, in the plane of the sky, from the strip's middle angle
    y_mm: np.ndarray  # (n,) distance from the Sun's centre along the middle angle
    snr: np.ndarray  # (n,) peak over the noise of one strip value there, 0 where it is not seen
    fwhm_mm: float
    speed_km_s: float  # at the middle of the time it is seen

    @property
    def seen(self) -> np.ndarray:
        return self.snr > 0


@dataclass(frozen=True, slots=True)
class Recipe:
    """What goes into a made strip."""

    frames: int = 120
    cadence_s: float = 12.0
    jitter_s: float = 1.0  # of the cadence
    gaps: int = 1  # cloud gaps of 3 to 8 frames
    rows: int = 170
    columns: int = 420
    mm_per_row: float = 0.6
    low_mm: float = -4.0
    knots: int = 8
    knot_snr: tuple[float, float] = (8.0, 30.0)
    knot_fwhm_mm: tuple[float, float] = (1.5, 6.0)
    knot_km_s: tuple[float, float] = (5.0, 200.0)
    knot_frames: tuple[int, int] = (10, 60)
    boil: float = 6.0  # rms of the fringe at the limb over the noise
    threads: int = 14
    thread_snr: float = 25.0
    wander_px: float = 0.15  # rms of the local warp by the air
    flicker: float = 0.02
    cloud: float = 0.25  # deepest extinction of the thin cloud, left after correction: one tenth of it
    centre_err_px: float = 0.04
    seeing_fwhm_mm: float = 1.8
    rain: bool = False  # all knots along the same two legs
    gravity: bool = True
    warp_memory_s: float = 0.0  # of the local warps; 0: half of one is left in the next frame, at any cadence
    thread_flicker: float = 0.0  # rms brightness of each single thread and blob ...
    thread_memory_s: float = 300.0  # ... and how long it keeps it
    boil_memory_s: float = 180.0  # spicules live some minutes
    knot_wander: float = 0.0  # rms wander of the brightest place within each knot, over its diameter ...
    knot_memory_s: float = 600.0  # ... and its memory


def made_strip(recipe: Recipe, folder: Path, seed: int) -> tuple[Strip, tuple[MadeKnot, ...]]:
    """A strip in a file of `folder`, and the truth of its knots."""
    rng = np.random.default_rng(seed)
    geometry = _geometry(recipe)
    time_s = made_times(recipe, rng)
    knots = tuple(_knot(recipe, geometry, time_s, rng) for _ in range(recipe.knots))
    path = Path(folder) / f"strip_{seed}.bin"
    noise = np.ones(recipe.rows) * (
        1 + 0.5 * np.exp(-np.maximum(geometry.height_mm(np.arange(recipe.rows)), 0) / 8)
    )
    with path.open("wb") as file:
        for image in _images(recipe, geometry, time_s, knots, noise, rng):
            image.astype("<f4").tofile(file)
    n = len(time_s)
    error = np.full(n, recipe.centre_err_px * recipe.mm_per_row)
    frame = _kept(recipe, rng)
    strip = Strip(
        geometry=geometry,
        times_utc=np.datetime64("2024-05-11T08:30:00", "us") + (time_s * 1e6).astype("timedelta64[us]"),
        frame=frame[:n],
        path=path,
        decoded=PlainFile(path, geometry),
        noise=noise,
        centre_err_mm=error,
        along_err_mm=error.copy(),
    )
    return strip, knots


def made_times(recipe: Recipe, rng: np.random.Generator) -> np.ndarray:
    """Seconds of the frames: an uneven cadence with gaps."""
    step = recipe.cadence_s + rng.uniform(-0.5, 0.5, recipe.frames) * min(
        recipe.jitter_s, 0.4 * recipe.cadence_s
    )
    for _ in range(recipe.gaps):
        step[rng.integers(recipe.frames // 6, recipe.frames)] += recipe.cadence_s * rng.integers(3, 9)
    time_s = np.cumsum(step)
    return time_s - time_s[0]


def _kept(recipe: Recipe, rng: np.random.Generator) -> np.ndarray:
    return np.arange(recipe.frames)


def _geometry(recipe: Recipe) -> StripGeometry:
    return StripGeometry(
        rows=recipe.rows,
        columns=recipe.columns,
        low_mm=recipe.low_mm,
        mm_per_row=recipe.mm_per_row,
        from_deg=60.0,
        deg_per_column=float(np.rad2deg(recipe.mm_per_row / LIMB_MM)),
        limb_mm=LIMB_MM,
        position_angles=True,
    )


def row_column(geometry: StripGeometry, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Strip coordinates of points in the plane of the sky."""
    middle = geometry.angle_deg((geometry.columns - 1) / 2)
    angle = middle + np.rad2deg(np.arctan2(x_mm, y_mm))
    return geometry.row(np.hypot(x_mm, y_mm) - geometry.limb_mm), geometry.column(angle)


def _knot(recipe: Recipe, geometry: StripGeometry, time_s: np.ndarray, rng: np.random.Generator) -> MadeKnot:
    for _ in range(500):
        knot = _try_knot(recipe, geometry, time_s, rng)
        if knot is not None:
            return knot
    raise ValueError("no knot fits into this strip")


def _try_knot(
    recipe: Recipe, geometry: StripGeometry, time_s: np.ndarray, rng: np.random.Generator
) -> MadeKnot | None:
    speed = np.exp(rng.uniform(*np.log(recipe.knot_km_s)))
    fwhm = rng.uniform(*recipe.knot_fwhm_mm)
    n = len(time_s)
    count = int(rng.integers(recipe.knot_frames[0], min(recipe.knot_frames[1], n) + 1))
    first = int(rng.integers(0, n - count + 1))
    seen = np.zeros(n, bool)
    seen[first : first + count] = True
    tau = time_s - 0.5 * (time_s[first] + time_s[first + count - 1])
    x, y = _path(recipe, geometry, speed, tau, rng)
    row, column = row_column(geometry, x, y)
    height = geometry.height_mm(row)
    inside = (height > 9.0) & (row < geometry.rows - 8) & (column > 8) & (column < geometry.columns - 9)
    # A knot leaves the strip or the fringe hides it: the part that is seen must still be long enough.
    span = np.flatnonzero(seen & inside)
    if len(span) < recipe.knot_frames[0] or np.ptp(span) + 1 != len(span):
        return None
    middle = 0.5 * (tau[span[0]] + tau[span[-1]])
    speed_then = _speed(x, y, tau, middle)
    phase = (np.arange(n) - span[0] + 0.5) / len(span)
    fade = np.where((phase > 0) & (phase < 1), np.minimum(1.0, 8 * np.minimum(phase, 1 - phase)), 0.0)
    snr = rng.uniform(*recipe.knot_snr) * np.clip(fade, 0, 1)
    return MadeKnot(x, y, np.where(seen & inside, snr, 0.0), float(fwhm), float(speed_then))


def _path(
    recipe: Recipe, geometry: StripGeometry, speed: float, tau: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    half = 0.5 * geometry.columns * recipe.mm_per_row
    top = geometry.height_mm(geometry.rows - 1)
    kind = "arch" if recipe.rain else rng.choice(["straight", "limb", "arch", "radial"])
    x0, h0 = rng.uniform(-0.85, 0.85) * half, rng.uniform(12.0, 0.9 * top)
    if kind == "arch":
        radius = 0.38 * top if recipe.rain else rng.uniform(25.0, 60.0)
        sign = rng.choice([-1.0, 1.0])
        centre = 0.0 if recipe.rain else x0
        start = rng.uniform(0.25, 1.1)
        pull = 0.03 if recipe.gravity else 0.0  # km/s^2, well below gravity, as published for rain
        phi = start + (speed * tau + 0.5 * pull * tau**2) / 1e3 / radius
        return centre + sign * radius * np.sin(phi), geometry.limb_mm + h0 * 0.3 + 2 + radius * np.cos(
            phi
        ) * 0.9
    direction = {
        "straight": rng.uniform(0, 2 * np.pi),
        "limb": rng.choice([0.0, np.pi]) + rng.normal() * 0.1,
        "radial": rng.choice([0.5, 1.5]) * np.pi + rng.normal() * 0.1,
    }[kind]
    pull = rng.normal() * 0.02 if recipe.gravity else 0.0
    along = (speed * tau + 0.5 * pull * tau**2) / 1e3
    return x0 + along * np.cos(direction), geometry.limb_mm + h0 + along * np.sin(direction)


def _speed(x: np.ndarray, y: np.ndarray, tau: np.ndarray, at: float) -> float:
    # The path is smooth: its slope from a fine central difference on a spline through the true positions.
    from scipy.interpolate import CubicSpline

    return float(1e3 * np.hypot(CubicSpline(tau, x)(at, 1), CubicSpline(tau, y)(at, 1)))


def static_layers(recipe: Recipe, geometry: StripGeometry, rng: np.random.Generator) -> list[np.ndarray]:
    """Threads and blobs that stand still, each a picture of its own, and a glow, in units of the noise."""
    rows, columns = np.mgrid[: geometry.rows, : geometry.columns].astype(np.float32)
    layers = []
    top = geometry.rows * 0.8
    for _ in range(recipe.threads):
        c0, lean, curve = rng.uniform(0.15, 0.85) * geometry.columns, rng.normal() * 0.3, rng.normal() * 0.002
        width = rng.uniform(0.5, 2.0) / recipe.mm_per_row
        r0, r1 = np.sort(rng.uniform(0.02, 1.0, 2)) * top
        centre = c0 + lean * (rows - r0) + curve * (rows - r0) ** 2
        ends = (
            1
            / (1 + np.exp(np.clip((r0 - rows) / 4, -50, 50)))
            / (1 + np.exp(np.clip((rows - r1) / 4, -50, 50)))
        )
        lumps = cv2.GaussianBlur(rng.normal(size=rows.shape).astype(np.float32), (0, 0), 4) * 8
        layers.append(
            rng.uniform(0.2, 1)
            * recipe.thread_snr
            * ends
            * np.exp(-0.5 * ((columns - centre) / width) ** 2)
            * np.clip(1 + 0.6 * lumps, 0.1, 3)
        )
    for _ in range(recipe.threads):
        r, c, s = (
            rng.uniform(20, top),
            rng.uniform(0.1, 0.9) * geometry.columns,
            rng.uniform(0.6, 3) / recipe.mm_per_row,
        )
        layers.append(
            rng.uniform(0.2, 1)
            * recipe.thread_snr
            * np.exp(-0.5 * ((rows - r) ** 2 + (columns - c) ** 2) / s**2)
        )
    height = geometry.height_mm(rows)
    layers.append(
        40 * np.exp(-np.maximum(height, 0) / 15) + 300 / (1 + np.exp(np.clip(height / 0.8, -50, 50)))
    )
    return [layer.astype(np.float32) for layer in layers]


class _Remembering:
    """Unit Gaussian numbers that keep their values for a time: an Ornstein-Uhlenbeck process."""

    def __init__(self, draw, memory_s: float, first_s: float):
        self._draw, self._memory_s, self._time_s = draw, memory_s, first_s
        self.value = draw()

    def at(self, time_s: float) -> np.ndarray:
        keep = float(np.exp(-(time_s - self._time_s) / self._memory_s))
        self.value = keep * self.value + (1 - keep**2) ** 0.5 * self._draw()
        self._time_s = time_s
        return self.value


def _images(recipe, geometry, time_s, knots, noise, rng):
    layers = static_layers(recipe, geometry, rng)
    still, shape = sum(layers), layers[0].shape
    height = geometry.height_mm(np.arange(geometry.rows))
    fringe = (recipe.boil * np.exp(-np.maximum(height, 0) / 3.0) * noise).astype(np.float32)[:, None]
    boil = _field(rng, shape, 1.0 / recipe.mm_per_row)
    warp = [_field(rng, shape, 20.0) for _ in range(2)]
    grid = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    cloud = np.cumsum(rng.normal(size=len(time_s)))
    cloud = 1 - recipe.cloud * 0.1 * (cloud - cloud.min()) / max(np.ptp(cloud), 1e-9)
    places = [row_column(geometry, knot.x_mm, knot.y_mm) for knot in knots]
    apart = np.random.default_rng(
        [int(1e6 * rng.random()), 7]
    )  # what is drawn here leaves the rest as it was
    slow = [
        _Remembering(lambda: _field(apart, shape, 20.0), recipe.warp_memory_s or 1.0, 0.0) for _ in range(2)
    ]
    lit = _Remembering(lambda: apart.normal(size=len(layers) - 1), recipe.thread_memory_s, 0.0)
    wander = _Remembering(lambda: apart.normal(size=(len(knots), 2)), recipe.knot_memory_s, 0.0)
    previous = time_s[0]
    for i, t in enumerate(time_s):
        keep = float(np.exp(-(t - previous) / recipe.boil_memory_s))
        boil = keep * boil + (1 - keep**2) ** 0.5 * _field(rng, shape, 1.0 / recipe.mm_per_row)
        warp = [0.5 * w + 0.866 * _field(rng, shape, 20.0) for w in warp]
        if recipe.warp_memory_s:
            warp = [one.at(t) for one in slow]
        previous = t
        image = (still + fringe * boil).astype(np.float32)
        if recipe.thread_flicker:
            for layer, change in zip(layers, recipe.thread_flicker * lit.at(t), strict=False):  # not the glow
                image += np.float32(change) * layer
        off = recipe.knot_wander / recipe.mm_per_row * wander.at(t)
        for knot, (row, column), (up, aside) in zip(knots, places, off, strict=True):
            if knot.snr[i] > 0:
                _add(
                    image,
                    row[i] + up * knot.fwhm_mm,
                    column[i] + aside * knot.fwhm_mm,
                    knot,
                    knot.snr[i] * np.interp(row[i], np.arange(len(noise)), noise),
                    recipe,
                )
        shift = rng.normal(size=2) * recipe.centre_err_px
        moved = cv2.remap(
            image,
            grid[1] + np.float32(recipe.wander_px) * warp[1] + np.float32(shift[1]),
            grid[0] + np.float32(recipe.wander_px) * warp[0] + np.float32(shift[0]),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT,
        )
        blur = recipe.seeing_fwhm_mm / FWHM / recipe.mm_per_row * 0.35 * (1 + abs(rng.normal()) * 0.5)
        moved = cv2.GaussianBlur(moved, (0, 0), max(blur, 0.2))  # the steady part of the blur is in the sizes
        grain = cv2.GaussianBlur(rng.standard_normal(shape, np.float32), (3, 3), 0.5)
        yield moved * cloud[i] * (1 + recipe.flicker * rng.normal()) + grain / grain.std() * noise[
            :, None
        ].astype(np.float32)


def _field(rng: np.random.Generator, shape: tuple[int, int], sigma_px: float) -> np.ndarray:
    """A Gaussian random field of unit variance, correlated over sigma_px."""
    step = max(1, int(sigma_px / 2.5))
    small = rng.standard_normal((shape[0] // step + 8, shape[1] // step + 8), np.float32)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / step)
    field_ = (
        small[4:-4, 4:-4]
        if step == 1
        else cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    )
    return (field_[: shape[0], : shape[1]] / small.std()).astype(np.float32)


def _add(image: np.ndarray, row: float, column: float, knot: MadeKnot, peak: float, recipe: Recipe) -> None:
    sigma = np.hypot(knot.fwhm_mm, recipe.seeing_fwhm_mm) / FWHM / recipe.mm_per_row
    reach = int(4 * sigma) + 1
    r0, r1 = max(int(row) - reach, 0), min(int(row) + reach + 1, image.shape[0])
    c0, c1 = max(int(column) - reach, 0), min(int(column) + reach + 1, image.shape[1])
    if r1 > r0 and c1 > c0:
        r, c = np.arange(r0, r1) - row, np.arange(c0, c1) - column
        image[r0:r1, c0:c1] += peak * np.exp(-0.5 * (r[:, None] ** 2 + c[None, :] ** 2) / sigma**2)
