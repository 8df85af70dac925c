"""The folded part of the report: numbers, tables with their notes, what was left out, method, cautions."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from promtrack.motion.interpretation import lettered
from promtrack.rounding import day, sentence, typeset, unbroken, with_error
from promtrack.settings_text import settings_as_toml
from promtrack.show.markup import Markup, element, joined
from promtrack.show.records import Measured
from promtrack.show.report_tables import frames_table, fronts_table, knots_table
from promtrack.show.verdict import limb_name, limb_words


def run_name(measured: Measured) -> str:
    """What the run is called: the clip's title, else the name of what was read."""
    return measured.settings.clip.title or measured.sequence.path.name or "Recording"


def depth_parts(measured: Measured) -> list[tuple[str, str, Markup]]:
    """Name, title and content of each fold, in the order of the page."""
    return [
        ("knots", "Knots: small bright pieces that were followed", _knots(measured)),
        ("fronts", "Fronts: leading edges of what rises", _fronts(measured)),
        ("scale", "Scale, direction, and the Sun that day", _scale(measured)),
        ("left-out", "Frames left out, and the times", _left_out(measured)),
        ("method", "How the numbers come about", _method(measured)),
        ("cautions", "Cautions", _cautions()),
        ("settings", "Settings, and how to cite", _settings(measured)),
    ]


def _knots(measured: Measured) -> Markup:
    motion = measured.motion
    words = [
        knots_table(measured)
        if motion.knots
        else element("p", "No knot was followed long enough to be fitted.")
    ]
    words += [element("p", unbroken(sentence(note)), class_="prose") for note in motion.control.notes]
    if motion.meanings:
        words.append(element("h3", "Beside published values"))
    for meaning in motion.meanings:
        words.append(element("p", unbroken(lettered(meaning.sentence, motion)), class_="prose"))
    cited = (source for meaning in motion.meanings for source in meaning.source.split("; "))
    sources = dict.fromkeys(source for source in cited if source)
    if sources:
        words.append(element("p", f"Compared with: {'; '.join(sources)}.", class_="source"))
    return joined(words)


def _fronts(measured: Measured) -> Markup:
    fronts = measured.motion.fronts
    if not fronts:
        search = measured.motion.front_search.sentence
        words = f"No leading edge was followed. {search} A sector can be named with motion.sectors."
        return element("p", words, class_="prose")
    lines = [
        lettered(
            f"Front {front.front}: {front.verdict}{'' if front.moving else ' (not significant)'}. "
            + " ".join(map(sentence, front.notes)),
            measured.motion,
        )
        for front in fronts
    ]
    return joined([_list(lines), fronts_table(measured)])


def _scale(measured: Measured) -> Markup:
    scale, orientation, view = measured.scale, measured.orientation, measured.view
    angles = f"{orientation.label}s, from: {orientation.source}"
    if orientation.position_angles:
        angles += f" (± {orientation.error_deg:.1f}°)"
    observer = "seen from the Earth" if view.observer == "Earth" else "as the header gives it"
    return _list(
        [
            f"Scale: {with_error(scale.km_per_px, scale.sigma_km_per_px)} km/px, from: {scale.source}.",
            f"Heights count from {limb_words(measured)}: {typeset(scale.limb.sentence)}.",
            f"Angles: {angles}.",
            f"The Sun: radius {view.apparent_radius_arcsec:.1f}″, P {view.p_deg:+.1f}°, "
            f"B₀ {view.b0_deg:+.1f}°, L₀ {view.l0_deg:.1f}°, distance {view.distance_au:.4f} au, {observer}.",
        ]
    )


def _left_out(measured: Measured) -> Markup:
    times, sequence = measured.sequence.time_report, measured.sequence
    out = measured.lock.rejected.any() or sequence.unreadable
    words = [frames_table(measured) if out else element("p", "No frame was left out.")]
    words.append(element("h3", "Times"))
    words.append(element("p", f"Source of the times: {times.source} ({times.detail}).", class_="prose"))
    words.append(_list(map(sentence, times.problems or ("No problems with the times",))))
    if measured.lock.notes:
        words += [element("h3", "Notes on the lock"), _list(map(sentence, measured.lock.notes))]
    return joined(words)


def _method(measured: Measured) -> Markup:
    steps = [
        element(
            "li",
            element("h3", step.title),
            element("p", unbroken(step.text)),
            element("p", f"Sources: {'; '.join(step.sources)}.", class_="source")
            if step.sources
            else Markup(""),
        )
        for step in method_steps(measured)
    ]
    return element("ol", *steps, class_="steps")


def _cautions() -> Markup:
    parts = [
        element("div", element("h3", one.title), element("p", one.text), class_="caution") for one in CAUTIONS
    ]
    return joined(parts)


def _settings(measured: Measured) -> Markup:
    date = day(measured.sequence.times_utc[0])
    cite = (
        f"Observer's name, limb sequence {run_name(measured)} of {date} UTC, measured with promtrack "
        f"{measured.version}. Speeds across the sky; heights above {limb_words(measured)}; ± is one standard "
        "deviation of the total error."
    )
    words = "These settings and the same frames give the same numbers. They are also in settings.toml."
    return joined(
        [
            element("p", unbroken(cite), class_="cite"),
            element("p", words, class_="prose"),
            element(
                "pre", element("code", settings_as_toml(measured.settings, comments=False)), tabindex="0"
            ),
        ]
    )


def _list(lines: Iterable[str]) -> Markup:
    return element("ul", *(element("li", unbroken(typeset(line))) for line in lines), class_="prose")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the method."""

    title: str
    text: str
    sources: tuple[str, ...] = ()


CAUTIONS = (
    Step(
        "Protect your eyes",
        "Looking at or imaging the Sun without the right, undamaged, full-aperture or "
        "manufacturer-approved filter blinds and burns within a moment. Follow the instructions of the "
        "maker of your filter, and ask experienced local observers before you try anything new. Never "
        "alter a solar filter.",
    ),
    Step(
        "Speeds are lower bounds",
        "The camera sees motion across the sky only, not towards or away from us. If the same plasma was "
        "followed, its true speed is at least the one given here, within its error, and may be much larger.",
    ),
    Step(
        "Not a space-weather warning",
        "These are an amateur's measurements of one place on the limb. They say nothing about what will "
        "reach the Earth; for warnings turn to the official services.",
    ),
)


def method_steps(measured: Measured) -> tuple[Step, ...]:
    """The way from frames to speeds, with the values of this run where they matter."""
    control, scale = measured.motion.control, measured.scale
    source = {
        "limb": "the radius of the limb in the frames and the Sun's apparent radius on that day",
        "optics": "the focal length and the size of the pixels",
        "given": "the image scale that was given",
        "header": "the image scale in the files' headers",
    }[scale.source]
    pixel = with_error(scale.km_per_px, scale.sigma_km_per_px, "km")
    limb = f"{scale.limb.height_mm:.3g} ± {scale.limb.err_mm:.2g} Mm above the photosphere"
    return (
        Step(
            "Lock",
            "In every frame the Sun's edge is found on rays across the limb, and the limb zone is compared "
            "with the mean of well-placed frames. One robust least-squares solution of all frames gives "
            "every centre and the one radius: the edge places the Sun across the limb, the zone's pattern "
            "along it. What each says alone, and what a header says, is compared afterwards.",
            (
                "Holland & Welsch 1977, Commun. Stat. A 6, 813 (biweight)",
                "Patterson & Thompson 1971, Biometrika 58, 545 (variances)",
            ),
        ),
        Step(
            "Scale",
            f"One pixel is {pixel}, from {source}. Heights count from {limb_name(measured)}; the limb is "
            f"taken to lie {limb}.",
            (
                "IAU 2015 Resolution B3 (solar radius 695,700 km)",
                "Johannesson & Zirin 1996, ApJ 471, 510 (height of the limb)",
            ),
        ),
        Step(
            "Strips",
            "Every frame is unrolled into a picture of height against angle, without sky, scattered light "
            "and changes of transparency.",
        ),
        Step(
            "Knots",
            "Small bright knots are found at several sizes after what stands still has been subtracted, "
            "and joined from frame to frame. Speeds hold at mid-time: those of lines, parabolas and freer "
            "paths, weighted by their probability, with noise that is correlated in time and a middle of "
            "light that may wander within the knot.",
            (
                "Lindeberg 1998, Int. J. Comput. Vision 30, 79 (sizes)",
                "Jaqaman et al. 2008, Nature Methods 5, 695 (tracks)",
                "Hoeting et al. 1999, Stat. Sci. 14, 382 (paths averaged)",
            ),
        ),
        Step(
            "Moving or not",
            f"{control.method} Tolerated false alarms in the whole run: {control.tolerated:g}.",
        ),
        Step(
            "Fronts",
            "The leading edge of what rises is followed and described by several models, or by none. Errors "
            "come from resampled residuals and from the differences between models that fit equally well.",
            ("Byrne et al. 2013, A&A 557, A96 (residual bootstrap)",),
        ),
        Step(
            "Errors",
            "Each ± is one standard deviation of the total error: random, and systematic (scale and clock), "
            "which changes all speeds of the run by the same factor. The tables give the random part beside "
            "it. docs/methods.md of the program has the equations and the checks.",
        ),
    )
