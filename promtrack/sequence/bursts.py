"""Recordings made in bursts (many fast frames, a pause, many fast frames): one frame a burst out. And
recordings that alternate a bright and a faint exposure, for the prominence and for the disc: classes out.

Within a burst the air changes and the Sun does not. The sharpest frames are aligned piece by piece to their
mean geometry and averaged with weights that favour, at each spatial frequency, the frame that transmits most
of it. Sources: local shifts by Lucas & Kanade 1981, Proc. IJCAI, 674, in smooth windows, with a prior that
draws them to the shift of the whole frame where there is nothing to see; weighted mean by Delbracio & Sapiro
2015, Proc. CVPR, 2385 (exponent 11, weights smoothed by a 50th of the frame).
"""

from __future__ import annotations

import os
import shutil
import tempfile
import weakref
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.records import Sequence
from promtrack.settings import TimesSettings
from promtrack.workers import map_ahead


def sharpness(frame: np.ndarray) -> float:
    """Steepest slope of a 2-D frame in parts of its contrast per pixel; 0 for a frame without contrast."""
    # Smoothed, so that noise does not count as sharpness.
    smooth = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)
    dark, bright = np.percentile(smooth[::4, ::4], (5.0, 95.0))
    if not bright > dark:
        return 0.0
    # Sobel's kernel of size 3 sums to 8 times the slope.
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    # The slope that 99.5 % lie below is the limb's on any picture with a limb.
    return float(np.percentile(cv2.magnitude(across, down)[::2, ::2], 99.5) / (bright - dark))


_KEEP, _LEAST_KEPT = 0.3, 6  # part of a burst that is averaged, and frames at least: noise below half
_CELL_PX, _WINDOW_CELLS = 8, 2.0  # shifts are found on this grid, in Gaussian windows of 16 px sigma


def find_bursts(times_utc: np.ndarray) -> tuple[tuple[int, int], ...]:
    """First and last index + 1 of each burst; empty where the recording is not made in bursts. Pauses are at
    least 5 times the usual step. Bursts have 4 frames or more (but for the first and the last) and last 20 s
    at most (plasma at 50 km/s moves by 1 Mm, the resolution of 60 mm aperture) and less than each pause;
    after a pause of more than an hour another recording begins."""
    steps, least = np.diff(times_utc) / np.timedelta64(1, "s"), 4
    if len(steps) < 2 * least or not (steps > 0).any():
        return ()
    pauses = np.flatnonzero(steps > 5.0 * np.median(steps[steps > 0])) + 1
    bursts = tuple(pairwise([0, *pauses.tolist(), len(times_utc)]))
    frames = [last - first for first, last in bursts]
    if len(bursts) < 2 or min(frames) < 2 or min(frames[1:-1], default=least) < least:
        return ()
    lasting = max((times_utc[b - 1] - times_utc[a]) / np.timedelta64(1, "s") for a, b in bursts)
    between = steps[pauses - 1]
    return bursts if lasting <= min(20.0, between.min()) and between.max() <= 3600.0 else ()


def best_of_bursts(sequence: Sequence, times: TimesSettings) -> Sequence:
    """A sequence with one frame a burst, float32, at the middle time of its burst; with a note only where
    `times.bursts` keeps all frames; as it is where it is not made in bursts, or alternates two exposures."""
    bursts = find_bursts(sequence.times_utc)
    if not bursts or sequence.exposure_class is not None:
        return sequence
    if times.bursts == "keep":
        note = f"recorded in {len(bursts)} bursts, and all frames are kept (times.bursts = keep)"
        return replace(sequence, notes=(*sequence.notes, note))
    at, firsts = sequence.times_utc, [first for first, _ in bursts]
    usual = int(np.median([last - first for first, last in bursts]))
    kept = min(usual, max(_LEAST_KEPT, round(_KEEP * usual)))
    noise = 1.15 * kept**-0.5  # 1.15 times a plain mean's: measured in tests/sequence/test_bursts.py
    note = (
        f"recorded in {len(bursts)} bursts of about {usual} frames: each becomes one frame, the mean of the "
        f"{kept} sharpest aligned piece by piece, with {noise:.2f} of a single one's noise "
        "(all frames: times.bursts = keep)"
    )
    exposures = sequence.exposures_s
    return replace(
        sequence,
        names=tuple(f"{sequence.names[a]}..{sequence.names[b - 1]}" for a, b in bursts),
        times_utc=np.array([at[a] + (at[b - 1] - at[a]) / 2 for a, b in bursts], "datetime64[us]"),
        read=_on_disk(_reader(sequence, bursts), len(bursts), sequence.shape),
        headers=tuple(sequence.headers[first] for first in firsts) if sequence.headers else (),
        exposures_s=None if exposures is None else exposures[firsts],
        turned=None if sequence.turned is None else sequence.turned[firsts],
        notes=(*sequence.notes, note),
    )


def _on_disk(
    read: Callable[[int], np.ndarray], count: int, shape: tuple[int, int]
) -> Callable[[int], np.ndarray]:
    """The same, but each frame is made once: several stages read all frames."""
    if 4.0 * count * shape[0] * shape[1] > 4e9:  # bytes that may be kept on the disk while a run lasts
        return read
    folder = Path(tempfile.mkdtemp(prefix="promtrack-bursts-"))

    def kept(index: int) -> np.ndarray:
        path = folder / f"{index}.npy"
        if path.exists():
            return np.load(path)
        frame = read(index)
        try:
            with tempfile.NamedTemporaryFile(dir=folder, delete=False) as file:
                np.save(file, frame)
            os.replace(file.name, path)
        except OSError:  # no room: it is made again when asked for
            pass
        return frame

    weakref.finalize(kept, shutil.rmtree, folder, ignore_errors=True)
    return kept


def _reader(sequence: Sequence, bursts: tuple[tuple[int, int], ...]) -> Callable[[int], np.ndarray]:
    def read(index: int) -> np.ndarray:
        first, last = bursts[index]
        scores = []
        for i in range(first, last):  # twice read rather than all held in memory
            try:
                scores.append((sharpness(sequence.read(i)), i))
            except InputError:
                continue
        if not scores:
            what, remedy = "not one frame of the burst can be decoded", "copy the burst again from the camera"
            raise InputError(what, where=sequence.names[first], remedy=remedy)
        best = [i for _, i in sorted(scores, reverse=True)[: max(_LEAST_KEPT, round(_KEEP * (last - first)))]]
        return _weighted_mean(_aligned(sequence, best))

    return read


def _aligned(sequence: Sequence, indices: list[int]) -> list[np.ndarray]:
    """The frames, the sharpest first, in their mean geometry, but for those that jumped by a tenth of it."""
    frames = [sequence.read(i).astype(np.float32) for i in indices]
    shifts = [local_shift_px(frames[0], frame) for frame in frames]
    used = [i for i, shift in enumerate(shifts) if np.abs(shift).max() < 0.1 * min(sequence.shape)]
    mean = np.mean([shifts[i] for i in used], axis=0)
    return [_moved(frames[i], shifts[i] - mean, cv2.INTER_CUBIC) for i in used]


def local_shift_px(reference: np.ndarray, frame: np.ndarray) -> np.ndarray:
    """(2, rows, columns) float32 shifts x, y: what stands at p in `reference` stands at p + shift in `frame`.
    `reference`, `frame`: float32 arrays of one shape."""
    size = reference.shape[::-1]  # OpenCV takes (columns, rows)
    window = cv2.createHanningWindow(size, cv2.CV_32F)
    (dx, dy), _ = cv2.phaseCorrelate(reference * window, frame * window)
    shift = np.empty((2, *reference.shape), np.float32)
    shift[0], shift[1] = dx, dy
    smooth = [cv2.GaussianBlur(image, (0, 0), 1.5) for image in (reference, frame)]
    coarse = tuple(max(side // _CELL_PX, 1) for side in size)
    area = 4.0 * np.pi * (_CELL_PX * _WINDOW_CELLS) ** 2  # pixels that a window averages
    for _ in range(2):
        moved = _moved(smooth[1], shift, cv2.INTER_LINEAR)
        slope_x, slope_y = (
            cv2.Sobel((smooth[0] + moved) / 2, cv2.CV_32F, *order, ksize=3, scale=0.125)
            for order in ((1, 0), (0, 1))
        )
        left = smooth[0] - moved
        noise2 = float(np.median(np.abs(left[::4, ::4] - np.median(left[::4, ::4])))) ** 2 * 1.4826**2
        xx, xy, yy, bx, by = (
            cv2.GaussianBlur(cv2.resize(product, coarse, interpolation=cv2.INTER_AREA), (0, 0), _WINDOW_CELLS)
            for product in (slope_x**2, slope_x * slope_y, slope_y**2, slope_x * left, slope_y * left)
        )
        # of local shifts of 0.5 px (1 sigma), the seeing at 1 to 2 arcsec a pixel
        prior = noise2 / area / 0.5**2 + 1e-12
        xx, yy = xx + prior, yy + prior
        determinant = xx * yy - xy * xy
        for axis, step in enumerate(((yy * bx - xy * by) / determinant, (xx * by - xy * bx) / determinant)):
            shift[axis] += cv2.resize(step, size, interpolation=cv2.INTER_LINEAR)
    return shift


def _moved(frame: np.ndarray, shift: np.ndarray, interpolation: int) -> np.ndarray:
    rows, columns = frame.shape
    x = np.arange(columns, dtype=np.float32) + shift[0]
    y = np.arange(rows, dtype=np.float32)[:, None] + shift[1]
    return cv2.remap(frame, x, y, interpolation, borderMode=cv2.BORDER_REPLICATE)


def _weighted_mean(frames: list[np.ndarray]) -> np.ndarray:
    """Mean whose weights are, at each spatial frequency, the 11th power of the smoothed amplitude. What is
    still lost against the sharpest frame, the first, is made good by up to 15 %. Around each frame its mirror
    image fades to one value: else the disc at one border would ring in the sky at the other."""
    from scipy import fft  # slow to import, and few recordings are made in bursts

    level, first = float(frames[0].mean()), np.zeros(0)
    border_px = 32  # wider than the rings of a limb in bad seeing
    down, across = (np.pad(np.ones(side), border_px, "linear_ramp") for side in frames[0].shape)
    fade = np.float32(0.5 - 0.5 * np.cos(np.pi * np.outer(down, across)))
    total, weights = np.zeros(1), np.zeros(1)
    for frame in frames:
        spectrum = fft.rfft2(level + (np.pad(frame, border_px, "symmetric") - level) * fade)
        amplitude = _amplitude(spectrum)
        first = first if len(first) else amplitude
        weight = (amplitude / first) ** 11
        total, weights = total + weight * spectrum, weights + weight
    mean = total / weights
    after = _amplitude(mean)
    # in a well sampled picture the finest details are noise alone
    fine = np.ix_(np.abs(fft.fftfreq(len(down))) > 0.4, fft.rfftfreq(len(across)) > 0.4)
    noise = [float(np.median(a[fine])) for a in (first, after)]
    lost = np.sqrt(np.maximum(first**2 - noise[0] ** 2, 0.0) / np.maximum(after**2 - noise[1] ** 2, 1e-20))
    gain = np.where(first > 2.0 * noise[0], np.clip(lost, 1.0, 1.15), np.float32(1.0))
    inside = slice(border_px, -border_px)
    return fft.irfft2(mean * gain, s=fade.shape)[inside, inside].astype(np.float32)


def _amplitude(spectrum: np.ndarray) -> np.ndarray:
    centred = np.fft.fftshift(np.abs(spectrum).astype(np.float32), axes=0)
    width = max(min(spectrum.shape[0], 2 * spectrum.shape[1]) / 50, 0.5)
    return np.fft.ifftshift(cv2.GaussianBlur(centred, (0, 0), width), axes=0) + np.float32(1e-20)


_LEAST_FACTOR = 1.5  # between the exposures; thinner steps are clouds or automatic exposure
_RUN = 12  # consecutive frames looked at; a rhythm is seen when it comes back within half of them


def alternation(light: np.ndarray) -> np.ndarray | None:
    """(n,) int8 classes where (n,) positive values go to and fro between two levels, else None. Clouds dim
    both alike, so each value is compared with the levels of its neighbours; a single change of exposure, or a
    cloud that comes and goes, changes the level less than three times."""
    log = np.log(light)
    if len(log) < 4 or np.ptp(log) < np.log(_LEAST_FACTOR):
        return None
    reach = _RUN // 2
    windows = [log[max(i - reach, 0) : i + reach + 1] for i in range(len(log))]
    bright = np.array([value > (np.min(w) + np.max(w)) / 2 for value, w in zip(log, windows, strict=True)])
    if not bright.any() or bright.all():
        return None
    apart = np.median(log[bright]) - np.median(log[~bright])
    steps = [np.abs(np.diff(log[group])) for group in (bright, ~bright)]
    scatter = max(np.median(step) if len(step) else 0.0 for step in steps)
    changes = np.count_nonzero(np.diff(bright))
    if apart < np.log(_LEAST_FACTOR) or scatter > 0.25 * apart or changes < max(3, len(log) // _RUN):
        return None
    return bright.astype(np.int8)


def with_exposure_classes(sequence: Sequence) -> Sequence:
    """The sequence with `exposure_class` and a note, where two exposures alternate; with a note only where
    the brightness leaps otherwise and no header says why."""
    exposures = sequence.exposures_s if sequence.exposures_s is not None else np.zeros(len(sequence))
    known = bool((exposures > 0).all())
    how, light, classes = "by their headers", exposures, alternation(exposures) if known else None
    if classes is None:
        how, light = "by their brightness", _brightness(sequence)
        classes = alternation(light) if len(light) == len(sequence) else None
    if classes is None:
        leaps = np.abs(np.diff(np.log(light))) > np.log(_LEAST_FACTOR)
        if known or 3 * leaps.sum() <= len(leaps):
            return sequence
        note = (
            "the brightness leaps from frame to frame, and not between two levels: broken cloud, or more "
            "than two exposures in turn without exposure times in headers; frames far below the usual "
            "brightness are left out"
        )
        return replace(sequence, notes=(*sequence.notes, note))
    bright = classes == 1
    factor = np.median(light[bright]) / np.median(light[~bright])
    note = (
        f"two exposures alternate {how}: {bright.sum()} bright and {(~bright).sum()} faint frames, "
        f"a factor of about {factor:.2g} apart"
    )
    return replace(sequence, exposure_class=classes, notes=(*sequence.notes, note))


def _brightness(sequence: Sequence) -> np.ndarray:
    """Light of a run of frames in the middle, or of all frames where that run alternates."""
    # few of large frames, so that opening stays quick
    run = min(len(sequence), int(np.clip(60_000_000 // np.prod(sequence.shape), 6, _RUN)))
    start = (len(sequence) - run) // 2
    light = _light(sequence, range(start, start + run))
    alternates = run < len(sequence) and alternation(light) is not None
    return _light(sequence, range(len(sequence))) if alternates else light


def _light(sequence: Sequence, indices: range) -> np.ndarray:
    """(n,) light of frames relative to the first one: the contrast of blocks that are nowhere above half of
    full scale, so that neither a burnt-out disc nor the camera's offset hides a change. A frame that cannot
    be decoded, or is black, has the light of the one before."""
    light: list[float] = []
    before = None
    size = tuple(max(side // 8, 1) for side in sequence.shape[::-1])  # columns, rows

    def blocks_of(index: int) -> tuple[np.ndarray, np.ndarray]:
        """Blocks of a frame, and whether each is dark throughout."""
        try:
            frame = sequence.read(index).astype(np.float32)
        except InputError:
            frame = np.zeros(sequence.shape, np.float32)
        bright = (frame > 0.5 * sequence.full_scale).astype(np.float32)
        blocks, burnt = (cv2.resize(a, size, interpolation=cv2.INTER_AREA) for a in (frame, bright))
        return blocks, burnt == 0

    for blocks, dark in map_ahead(blocks_of, indices):
        ratio = 1.0
        if before is not None:
            common = before[1] & dark
            used = common if common.sum() >= 30 else np.ones_like(common)
            was, now = (float(np.std(part[used], dtype=float)) for part in (before[0], blocks))
            ratio = now / was if was > 0 else 1.0
        seen = 0.01 < ratio < 100.0  # beyond, a frame is black or spoiled
        light.append((light[-1] if light else 1.0) * (ratio if seen else 1.0))
        if seen and np.ptp(blocks) > 0:
            before = blocks, dark
    return np.array(light)
