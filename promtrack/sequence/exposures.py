"""Recordings that alternate a bright and a faint exposure: one for the prominence, one for the disc.

A sequence in, the same with the class of each frame out: 1 the brighter exposure, 0 the fainter one. The
headers decide where they give exposures; else a look at a few consecutive frames, and at all of them only
where these show two levels of brightness.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.records import Sequence

__all__ = ["alternation", "with_exposure_classes"]

_LEAST_FACTOR = 1.5  # between the exposures; thinner steps are clouds or automatic exposure
_RUN = 12  # consecutive frames looked at; a rhythm is seen when it comes back within half of them
_PIXELS = 60_000_000  # of all frames looked at, so that opening large frames stays quick
_LEAST_CHANGES = 3  # of the class: a single change of exposure, or a cloud that comes and goes, has fewer
_GROUP_LOG = 0.25  # frames of one level differ by less than this part of the distance between the levels
_BLACK = 1e-3  # of the usual light: no exposure of the same recording is fainter


def alternation(light: np.ndarray) -> np.ndarray | None:
    """(n,) int8 classes where the (n,) positive values lie on two levels and go to and fro between them, else
    None.

    Clouds dim both levels alike: each value is compared with the two levels of its neighbours.
    """
    usual = float(np.median(light[light > 0])) if (light > 0).any() else 1.0
    log = np.log(np.where(light > _BLACK * usual, light, usual))  # a black frame is spoiled, no exposure
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
    if (
        apart < np.log(_LEAST_FACTOR)
        or scatter > _GROUP_LOG * apart
        or changes < max(_LEAST_CHANGES, len(log) // _RUN)
    ):
        return None
    return bright.astype(np.int8)


def with_exposure_classes(sequence: Sequence) -> Sequence:
    """The sequence with `exposure_class` and a note, where two exposures alternate."""
    exposures = sequence.exposures_s
    classes, how, light = None, "by their headers", np.zeros(0)
    if exposures is not None and np.isfinite(exposures).all() and (exposures > 0).all():
        classes, light = alternation(exposures), exposures
    if classes is None:
        classes, light = _by_brightness(sequence)
        how = "by their brightness"
    if classes is None:
        return sequence
    bright = classes == 1
    factor = np.median(light[bright]) / np.median(light[~bright])
    note = (
        f"two exposures alternate {how}: {bright.sum()} bright and {(~bright).sum()} faint frames, "
        f"a factor of {factor:.3g} apart"
    )
    return replace(sequence, exposure_class=classes, notes=(*sequence.notes, note))


def _by_brightness(sequence: Sequence) -> tuple[np.ndarray | None, np.ndarray]:
    run = min(len(sequence), int(np.clip(_PIXELS // np.prod(sequence.shape), 6, _RUN)))
    start = (len(sequence) - run) // 2
    if alternation(_light(sequence, range(start, start + run))) is None:
        return None, np.zeros(0)
    light = _light(sequence, range(len(sequence)))
    return alternation(light), light


def _light(sequence: Sequence, indices: range) -> np.ndarray:
    """(n,) mean light of frames above their darkest part; a frame that cannot be decoded has that of the one
    before."""
    light: list[float] = []
    for index in indices:
        try:
            sample = sequence.read(index)[::8, ::8].astype(np.float32)
            light.append(float(sample.mean() - np.percentile(sample, 2.0)))
        except InputError:
            light.append(light[-1] if light else 1.0)
    return np.array(light)
