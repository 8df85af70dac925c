"""Recordings that alternate a bright and a faint exposure: one for the prominence, one for the disc.

A sequence in, the same with the class of each frame out: 1 the brighter exposure, 0 the fainter one. The
headers decide where they give exposures; else a look at a few consecutive frames, and at all of them only
where these show two levels of brightness.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.records import Sequence

_LEAST_FACTOR = 1.5  # between the exposures; thinner steps are clouds or automatic exposure
_RUN = 12  # consecutive frames looked at; a rhythm is seen when it comes back within half of them


def alternation(light: np.ndarray) -> np.ndarray | None:
    """(n,) int8 classes where the (n,) positive values lie on two levels and go to and fro between them, else
    None.

    Clouds dim both levels alike: each value is compared with the two levels of its neighbours. A single
    change of exposure, or a cloud that comes and goes, changes the level less than three times.
    """
    log = np.log(light)
    if len(log) < 4 or np.ptp(log) < np.log(_LEAST_FACTOR):
        return None
    reach = _RUN // 2
    windows = [log[max(i - reach, 0) : i + reach + 1] for i in range(len(log))]
    bright = np.array([value > (np.min(w) + np.max(w)) / 2 for value, w in zip(log, windows, strict=True)])
    if not bright.any() or bright.all():
        return None
    apart = np.median(log[bright]) - np.median(log[~bright])
    scatter = max(
        np.median(np.abs(np.diff(log[group]))) if group.sum() > 1 else 0.0 for group in (bright, ~bright)
    )
    changes = np.count_nonzero(np.diff(bright))
    if apart < np.log(_LEAST_FACTOR) or scatter > 0.25 * apart or changes < max(3, len(log) // _RUN):
        return None
    return bright.astype(np.int8)


def with_exposure_classes(sequence: Sequence) -> Sequence:
    """The sequence with `exposure_class` and a note, where two exposures alternate; with a note only where
    the brightness leaps otherwise and no header says why."""
    exposures = sequence.exposures_s
    classes, how, light = None, "by their headers", np.zeros(0)
    known = exposures is not None and np.isfinite(exposures).all() and (exposures > 0).all()
    if exposures is not None and known:
        classes, light = alternation(exposures), exposures
    if classes is None:
        classes, light = _by_brightness(sequence)
        how = "by their brightness"
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


def _by_brightness(sequence: Sequence) -> tuple[np.ndarray | None, np.ndarray]:
    # Few of large frames, so that opening stays quick.
    run = min(len(sequence), int(np.clip(60_000_000 // np.prod(sequence.shape), 6, _RUN)))
    start = (len(sequence) - run) // 2
    light = _light(sequence, range(start, start + run))
    if alternation(light) is None:
        return None, light
    light = _light(sequence, range(len(sequence)))
    return alternation(light), light


def _light(sequence: Sequence, indices: range) -> np.ndarray:
    """(n,) light of frames relative to the first one.

    From frame to frame the contrast of blocks that are nowhere above half of full scale is compared, so that
    neither a burnt-out disc nor the camera's offset hides a change. A frame that cannot be decoded, or is
    black, has the light of the one before.
    """
    light, before = [1.0], None
    size = tuple(max(side // 8, 1) for side in sequence.shape[::-1])  # columns, rows
    for position, index in enumerate(indices):
        try:
            frame = sequence.read(index).astype(np.float32)
        except InputError:
            frame = np.zeros(sequence.shape, np.float32)
        blocks = cv2.resize(frame, size, interpolation=cv2.INTER_AREA)
        burnt = (frame > 0.5 * sequence.full_scale).astype(np.float32)
        dark = cv2.resize(burnt, size, interpolation=cv2.INTER_AREA) == 0
        ratio = 1.0 if before is None else _contrast_ratio(before[0], blocks, before[1] & dark)
        seen = 0.01 < ratio < 100.0  # beyond, a frame is black or spoiled
        if position:
            light.append(light[-1] * (ratio if seen else 1.0))
        if seen and np.ptp(blocks) > 0:
            before = blocks, dark
    return np.array(light)


def _contrast_ratio(one: np.ndarray, other: np.ndarray, common: np.ndarray) -> float:
    used = common if common.sum() >= 30 else np.ones_like(common)
    contrast = float(np.std(one[used], dtype=float))
    return float(np.std(other[used], dtype=float)) / contrast if contrast > 0 else 1.0
