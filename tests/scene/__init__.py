"""Tests of the synthetic Sun, and what they share."""

import math

from promtrack.scene.content import Eruption


def onset(eruption: Eruption) -> float:
    """Seconds after the first frame when the exponential part of the speed equals the linear part."""
    if eruption.growth_mm <= 0 or eruption.speed_km_s <= 0:
        return math.nan
    return eruption.start_s + eruption.growth_s * math.log(
        1e-3 * eruption.speed_km_s * eruption.growth_s / eruption.growth_mm
    )
