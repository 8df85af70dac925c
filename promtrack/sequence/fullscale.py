"""The value at which the camera saturates, from what the file says or from a few frames."""

from __future__ import annotations

import numpy as np

from promtrack.sequence.frame_source import Found

__all__ = ["full_scale"]

_STEPS = (1.0, 255.0, 4095.0, 16383.0, 65535.0)  # of usual floats: a unit range, a camera's 8 to 16 bits


def full_scale(samples: list[np.ndarray], frame: Found) -> float:
    """Value at which the frames saturate.

    The file's own statement counts first. Else many pixels heaped on one highest value show it (12 and 14
    bits kept in 16, or a float copy). Else it is the largest value of the type; for float frames the next
    usual full scale above the brightest pixel seen.
    """
    if np.isfinite(frame.full_scale) and frame.full_scale > 0:
        return float(frame.full_scale)
    heap = _heap(samples)
    if heap is not None:
        return heap
    kind = samples[0].dtype
    if kind.kind == "u":
        return float(np.iinfo(kind).max)
    highest = max(float(sample.max()) for sample in samples)
    return next((step for step in _STEPS if highest <= step), 1.5 * highest)


def _heap(samples: list[np.ndarray]) -> float | None:
    """The highest value, where so many pixels (0.02 %, 20 at least) share it that it must be full scale."""
    highest = max(float(sample.max()) for sample in samples)
    if highest <= 0:
        return None
    for sample in samples:
        if float(sample.max()) != highest:
            continue
        at_top = int(np.count_nonzero(sample == highest))
        just_below = int(np.count_nonzero(sample >= 0.98 * highest)) - at_top
        # The heap must stand out against the slope below it, and not be a constant picture.
        if max(20, 2e-4 * sample.size, just_below) < at_top < 0.98 * sample.size:
            return highest
    return None
