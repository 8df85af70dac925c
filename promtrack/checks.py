"""Checks that are not the fit itself: what was compared, how it came out, and one sentence about it.

Every stage hands out its own; the worst of a subject is the light that the verdict shows for it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

SUBJECTS = ("lock", "scale", "motion")
LEVELS = ("good", "fair", "poor")  # poor: what depends on it is not to be trusted
LEVEL_WORDS = {"good": "good", "fair": "with care", "poor": "not to be trusted"}  # as users read them


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison of two things that are independent of each other."""

    subject: str  # one of SUBJECTS
    name: str  # fixed and short, for instance 'edge against features'
    level: str  # one of LEVELS
    sentence: str  # what was found, with figures; where it fails, what to do


def light(checks: Iterable[Check], subject: str) -> tuple[str, tuple[str, ...]]:
    """The worst level among the checks of `subject`, and the sentences of those that are at that level.
    'fair' without any check: what was not checked cannot be called good."""
    own = [check for check in checks if check.subject == subject]
    level = max((check.level for check in own), key=LEVELS.index, default="fair")
    return level, tuple(check.sentence for check in own if check.level == level)
