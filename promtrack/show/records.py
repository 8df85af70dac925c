"""What the show room is given: everything measured in one run, in one record."""

from __future__ import annotations

from dataclasses import dataclass

from promtrack.limb.records import LimbLock
from promtrack.motion.records import Motion
from promtrack.sequence.records import Sequence
from promtrack.settings import Settings
from promtrack.strip.records import Strip
from promtrack.sun import Orientation, Scale, SolarView

__all__ = ["Measured"]


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One run, whole."""

    settings: Settings
    sequence: Sequence
    lock: LimbLock
    view: SolarView
    scale: Scale
    orientation: Orientation
    strip: Strip
    motion: Motion
    version: str
