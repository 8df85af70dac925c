"""The report's sections in words: verdict, tables with their notes, what was left out, method, cautions,
citation."""

from __future__ import annotations

from promtrack.settings import settings_as_toml
from promtrack.show.markup import Markup, element, joined
from promtrack.show.method import CAUTIONS, method_steps
from promtrack.show.numbers import day, sentence, unbroken
from promtrack.show.records import Measured
from promtrack.show.report_tables import frames_table, fronts_table, knots_table, ridges_table
from promtrack.show.verdict import limb_words, lock_verdict, three_sentences

__all__ = [
    "cautions_part",
    "cite_part",
    "fronts_part",
    "knots_part",
    "left_out_part",
    "method_part",
    "run_name",
    "settings_part",
    "verdict_part",
]


def run_name(measured: Measured) -> str:
    """What the run is called: the clip's title, else the name of what was read."""
    return measured.settings.clip.title or measured.sequence.path.name or "Recording"


def verdict_part(measured: Measured) -> Markup:
    verdict = lock_verdict(measured)
    mark, words = {
        "good": ("✓", "Trustworthy"),
        "fair": ("!", "Usable with care"),
        "poor": ("✗", "Not to be trusted"),
    }[verdict.level]
    return element(
        "div",
        element("p", element("span", f"{mark} ", aria_hidden="true"), words, class_="badge"),
        *(element("p", unbroken(words)) for words in three_sentences(measured)),
        class_=f"verdict {verdict.level}",
    )


def knots_part(measured: Measured) -> Markup:
    control = measured.motion.control
    words = [
        element("p", "Click a column's name to sort by it.", class_="quiet small how"),
        knots_table(measured)
        if measured.motion.knots
        else element("p", "No knot was followed long enough to be fitted."),
    ]
    words += [element("p", unbroken(sentence(note)), class_="prose") for note in control.notes]
    if measured.motion.ridges:
        words += [element("h3", "A second opinion: ridges"), ridges_table(measured)]
    return joined(words)


def fronts_part(measured: Measured) -> Markup:
    if not measured.motion.fronts:
        return element(
            "p",
            f"No front was followed. {measured.motion.front_search.sentence} A sector can be named with "
            "motion.sectors.",
            class_="prose",
        )
    verdicts = element(
        "ul",
        *(
            element(
                "li", f"Front {front.front}: {front.verdict}" + ("" if front.moving else " (not significant)")
            )
            for front in measured.motion.fronts
        ),
    )
    return joined([verdicts, fronts_table(measured)])


def left_out_part(measured: Measured) -> Markup:
    times, out = measured.sequence.time_report, (~measured.lock.used).any() or measured.sequence.unreadable
    problems = (
        element("ul", *(element("li", unbroken(sentence(problem))) for problem in times.problems))
        if times.problems
        else element("p", "Nothing was odd about the times.")
    )
    notes = (
        [
            element("h3", "Limits of the lock"),
            element("ul", *(element("li", unbroken(sentence(note))) for note in measured.lock.notes)),
        ]
        if measured.lock.notes
        else []
    )
    return joined(
        [
            frames_table(measured) if out else element("p", "No frame was left out: all were read and used."),
            element("h3", "Times"),
            element("p", f"Source of the times: {times.source} ({times.detail}).", class_="prose"),
            problems,
            *notes,
        ]
    )


def method_part(measured: Measured) -> Markup:
    return element(
        "ol",
        *(
            element(
                "li",
                element("h3", step.title),
                element("p", unbroken(step.text)),
                element("p", "Sources: " + "; ".join(step.sources) + ".", class_="source")
                if step.sources
                else Markup(""),
            )
            for step in method_steps(measured)
        ),
        class_="steps",
    )


def cautions_part() -> Markup:
    return joined(
        element("div", element("h3", title), element("p", text), class_="caution") for title, text in CAUTIONS
    )


def settings_part(measured: Measured) -> Markup:
    text = settings_as_toml(measured.settings, comments=False)
    return joined(
        [
            element(
                "p",
                "These settings and the same frames give the same numbers. They are also in settings.toml.",
                class_="prose",
            ),
            element(
                "details",
                element("summary", "All settings of this run"),
                element("pre", element("code", text), tabindex="0"),
            ),
        ]
    )


def cite_part(measured: Measured) -> Markup:
    date = day(measured.sequence.times_utc[0])
    return joined(
        [
            element(
                "p",
                unbroken(
                    f"Observer's name, H-alpha limb sequence {run_name(measured)} of {date} UTC, measured with promtrack "
                    f"{measured.version}. Plane-of-sky speeds; heights above {limb_words(measured)}."
                ),
                class_="cite",
            ),
            element(
                "p",
                "Say with every number that the errors are one standard deviation, and give the error of scale and clock beside it.",
                class_="prose quiet",
            ),
        ]
    )
