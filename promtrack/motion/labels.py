"""Letters by which all products call what moves: fronts first, then the fastest knots."""

from __future__ import annotations

import re
from dataclasses import dataclass
from string import ascii_uppercase

from promtrack.motion.records import Front, KnotTrack, Motion

__all__ = ["Labels", "label_motion", "lettered", "rank", "ranked_fronts", "ranked_knots"]

LETTERED_KNOTS = 6  # more letters than that nobody follows in a picture


@dataclass(frozen=True, slots=True)
class Labels:
    """Letters by number; what has none is not in the dictionaries."""

    fronts: dict[int, str]  # Front.front to letter
    knots: dict[int, str]  # KnotTrack.knot to letter
    order: dict[int, int]  # KnotTrack.knot to its place among the knots, 0 for the first: MarkColours.knot

    def front(self, front: Front) -> str:
        """'A', or '' for a front without letter."""
        return self.fronts.get(front.front, "")

    def knot(self, knot: KnotTrack) -> str:
        """'B', or '' for a knot without letter."""
        return self.knots.get(knot.knot, "")

    def place(self, knot: KnotTrack) -> int:
        """Place among the lettered knots, 0 for the first; -1 without letter."""
        return self.order.get(knot.knot, -1)


def ranked_fronts(motion: Motion) -> tuple[Front, ...]:
    """The moving fronts, the highest first."""
    return tuple(
        sorted((f for f in motion.fronts if f.moving), key=lambda f: (-float(f.height_mm.max()), f.front))
    )


def ranked_knots(motion: Motion) -> tuple[KnotTrack, ...]:
    """The moving knots: those that a model describes first, among them the fastest first."""
    return tuple(sorted((k for k in motion.knots if k.moving), key=rank))


def rank(knot: KnotTrack) -> tuple[bool, float, int]:
    """Sorts knots in the order of their letters."""
    return knot.fit.model == "none", -knot.fit.speed_km_s, knot.knot


def label_motion(motion: Motion) -> Labels:
    """Letters A, B, C ...: every moving front, the highest first, then the fastest moving knots."""
    fronts = ranked_fronts(motion)[: len(ascii_uppercase) - LETTERED_KNOTS]
    knots = ranked_knots(motion)[:LETTERED_KNOTS]
    return Labels(
        {front.front: ascii_uppercase[i] for i, front in enumerate(fronts)},
        {knot.knot: ascii_uppercase[len(fronts) + i] for i, knot in enumerate(knots)},
        {knot.knot: i for i, knot in enumerate(knots)},
    )


def lettered(sentence: str, motion: Motion) -> str:
    """The sentence with 'knot 7' and 'front 1' called by their letters, where they have some."""
    labels = label_motion(motion)
    letters = {"knot": labels.knots, "front": labels.fronts}

    def name(found: re.Match[str]) -> str:
        kind, number = found[1], int(found[2])
        return f"{kind} {letters[kind.lower()].get(number, number)}"

    return re.sub(r"\b([Kk]not|[Ff]ront) (\d+)\b", name, sentence)
