"""Synthetic strips with known truth, drawn straight in height and angle: quiet threads that boil, an erupting
shell, a swaying thread, a moving blob. Blur, local distortion, thin cloud and noise come on top."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.strip.records import Strip, StripGeometry
from tests.plain_file import PlainFile

ROW_MM = 0.73
LIMB_MM = 700.05
NOISE = 12.0
BRIGHT = 400.0  # of the quiet threads


@dataclass
class StripScene:
    rows: int = 200
    columns: int = 240
    times_s: np.ndarray = field(default_factory=lambda: np.arange(60) * 30.0)
    seed: int = 0
    quiet: bool = True  # a hedgerow of threads around column 80
    boil_s: float = 600.0  # time in which its threads change
    front_mm: np.ndarray | None = None  # (n,) height of an erupting shell's outer edge, around column 160
    front_bright: float = 250.0
    blob: tuple | None = None  # (height0, speed_km_s radial, column, brightness, size_mm)
    taller: int = 0  # bright threads before the shell, 70 to 130 Mm high, that flicker by 15 %
    cloud: float = 0.0
    distortion_px: float = 0.4
    blur_px: float = 1.1
    noise: float = NOISE

    @property
    def geometry(self) -> StripGeometry:
        return StripGeometry(
            self.rows, self.columns, -3.0, ROW_MM, 60.0, np.rad2deg(ROW_MM / LIMB_MM), LIMB_MM, True
        )

    def write(self, path: Path) -> Strip:
        n = len(self.times_s)
        rng = np.random.default_rng(self.seed)
        static = [self._threads(rng) for _ in range(3)]
        weight = self._boil(rng)
        cube = np.empty((n, self.rows, self.columns), "<f4")
        for i in range(n):
            picture = sum(w * s for w, s in zip(weight[:, i], static, strict=True)) if self.quiet else 0.0
            picture = picture + self._shell(i) + self._blob(i)
            picture = self._air(
                np.asarray(picture, np.float32) * np.ones((self.rows, self.columns), np.float32), rng
            )
            thin = 1 - self.cloud * 0.5 * (1 + np.sin(2 * np.pi * i / 23.0 + self.seed))
            picture *= 1 + 0.02 * rng.normal()  # what the correction of transparency leaves
            cube[i] = picture + rng.normal(0, self.noise / thin, picture.shape)
        if self.taller:
            cube += self._taller(np.random.default_rng([self.seed, 1]))
        cube.tofile(path)
        start = np.datetime64("2026-05-17T09:30:00", "us")
        return Strip(
            geometry=self.geometry,
            times_utc=start + (self.times_s * 1e6).astype("timedelta64[us]"),
            frame=np.arange(n),
            path=path,
            noise=np.full(self.rows, self.noise),
            centre_err_mm=np.full(n, 0.05),
            along_err_mm=np.full(n, 0.05),
            decoded=PlainFile(path, self.geometry),
        )

    def _grid(self):
        height = self.geometry.height_mm(np.arange(self.rows))[:, None]
        across = (np.arange(self.columns)[None, :]) * ROW_MM
        return height, across

    def _threads(self, rng):
        """A ragged hedgerow some 35 Mm high and 70 Mm wide."""
        height, across = self._grid()
        top = 33 + 6 * gaussian_filter1d(rng.normal(size=self.columns), 6) * 4
        light = np.abs(
            gaussian_filter1d(
                gaussian_filter1d(rng.normal(size=(self.rows, self.columns)), 12, axis=0), 1.2, axis=1
            )
        )
        light = light / light.max()
        inside = (
            0.5
            * (1 - np.tanh((height - top) / 2.0))
            * np.exp(-0.5 * ((across - 58) / 26) ** 4)
            * (height > -1)
        )
        return BRIGHT * (0.35 + light) * inside

    def _taller(self, rng):
        height, column = self._grid()[0], np.arange(self.columns)
        light = np.zeros((len(self.times_s), self.rows, self.columns), np.float32)
        for _ in range(self.taller):
            at, top, size_px = rng.uniform(135, 185), rng.uniform(70, 130), rng.uniform(1.5, 4)
            noise = gaussian_filter1d(rng.normal(size=len(light)), 8.0) / 0.19  # of rms 1
            thread = np.exp(-0.5 * ((column - at) / size_px) ** 2) * 0.5 * (1 - np.tanh((height - top) / 2))
            light += BRIGHT * thread * (1 + 0.15 * noise)[:, None, None]
        return light

    def _boil(self, rng):
        n = len(self.times_s)
        step = np.median(np.diff(self.times_s))
        noise = gaussian_filter1d(rng.normal(size=(3, n + 200)), max(self.boil_s / step / 2, 0.3), axis=1)[
            :, 100:-100
        ]
        noise = noise / max(noise.std(), 1e-9)
        return np.clip(0.33 * (1 + 0.5 * noise), 0, None)

    def _shell(self, i):
        if self.front_mm is None:
            return 0.0
        height, across = self._grid()
        top, half = self.front_mm[i], 26.0 + 0.35 * self.front_mm[i]
        x = (across - 117) / half
        edge = top * np.sqrt(np.clip(1 - x**2, 0, None))
        depth = edge - height
        fade = (self.front_mm[0] / top) ** 0.35
        thick = 7 * (top / self.front_mm[0]) ** 0.5
        outer = 0.5 * (1 + np.tanh(depth / (0.9 * 1.25)))
        return self.front_bright * fade * outer * np.exp(-np.clip(depth, 0, None) / thick) * (np.abs(x) < 1)

    def _blob(self, i):
        if self.blob is None:
            return 0.0
        height, across = self._grid()
        start, speed, column, bright, size = self.blob
        centre = start + speed * self.times_s[i] / 1e3
        sigma = size / 2.355
        return bright * np.exp(-0.5 * ((height - centre) ** 2 + (across - column * ROW_MM) ** 2) / sigma**2)

    def _air(self, picture, rng):
        shift = cv2.GaussianBlur(
            rng.normal(size=(2, self.rows, self.columns)).astype(np.float32).transpose(1, 2, 0), (0, 0), 12
        )
        shift *= self.distortion_px / max(float(shift.std()), 1e-9)
        x, y = np.meshgrid(np.arange(self.columns, dtype=np.float32), np.arange(self.rows, dtype=np.float32))
        picture = cv2.remap(
            picture, x + shift[..., 0], y + shift[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return cv2.GaussianBlur(picture, (0, 0), self.blur_px * (1 + 0.1 * rng.uniform(-1, 1)))
