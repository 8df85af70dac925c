"""The front of the report: verdict, clip, one sentence, three numbers, three lights and one figure."""

from __future__ import annotations

import numpy as np

from promtrack.rounding import rounded
from promtrack.show.everyday import everyday
from promtrack.show.figures.sheets import missing_sheets
from promtrack.show.findings import headline, three_numbers
from promtrack.show.markup import Markup, element
from promtrack.show.numbers import span_text, unbroken
from promtrack.show.records import Measured
from promtrack.show.verdict import PLANE_OF_SKY, Light, lights, verdict_line

__all__ = ["front_part"]

MOST_PASSED = 3  # checks of a good light told at once
SIGNS = {"good": "●", "fair": "▲", "poor": "■"}  # shape says again what colour says


def front_part(measured: Measured, name: str, clip: Markup, figure: Markup) -> Markup:
    """What a reader sees first.

    clip, figure : the player and the one figure, as HTML
    """
    found = lights(measured)
    worst = max(found, key=lambda one: list(SIGNS).index(one.level)).level
    numbers = [
        element(
            "li",
            element("p", number.title, class_="title"),
            element("p", unbroken(number.text), class_="number"),
            element("p", unbroken(number.note), class_="note"),
        )
        for number in three_numbers(measured)
    ]
    missing, terms = missing_sheets(measured), everyday(measured)
    return element(
        "section",
        element("h1", name),
        element("p", _sign(worst), unbroken(verdict_line(found)), class_=f"verdict {worst}"),
        element("p", _facts(measured), class_="facts"),
        clip,
        element("p", unbroken(headline(measured)), class_="headline"),
        element("p", unbroken(terms), class_="everyday") if terms else Markup(""),
        element("ul", *numbers, class_="numbers"),
        element("p", f"± is the total error, one standard deviation. {PLANE_OF_SKY}", class_="facts"),
        element("ul", *(_light(one) for one in found), class_="lights", aria_label="Verdict in three parts"),
        figure,
        element("p", f"Not drawn: {missing}.", class_="facts") if missing else Markup(""),
        id="result",
        class_="front",
    )


def _light(one: Light) -> Markup:
    head = element("h2", _sign(one.level), one.words)
    first, more = one.reasons, one.reasons[:0]
    if one.level == "good" and len(one.reasons) > MOST_PASSED:  # what is well needs few words
        first, more = one.reasons[: MOST_PASSED - 1], one.reasons[MOST_PASSED - 1 :]
    rest = Markup("")
    if more:
        words = element("summary", f"{len(more)} more checks passed")
        rest = element("details", words, element("p", unbroken(" ".join(more))))
    return element("li", head, element("p", unbroken(" ".join(first))), rest, class_=one.level)


def _sign(level: str) -> Markup:
    return element("span", f"{SIGNS[level]} ", aria_hidden="true", class_="sign")


def _facts(measured: Measured) -> str:
    sequence, used = measured.sequence, measured.lock.used
    steps = np.diff(sequence.time_s)
    cadence = f", one every {rounded(float(np.median(steps)), 3)} s" if len(steps) else ""
    other = int((~used & ~measured.lock.rejected).sum())
    beside = f" ({other} are of the other exposure)" if other else ""
    frames = f"{int(used.sum())} of {len(sequence)} frames used{beside}{cadence}"
    return f"{span_text(sequence.times_utc[0], sequence.times_utc[-1])} · {frames}"
