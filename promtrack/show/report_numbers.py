"""The report's headline numbers: everything measured in, one card a number out, chance and systematic errors
apart."""

from __future__ import annotations

import numpy as np

from promtrack.rounding import error_text, typeset, with_error
from promtrack.show.markup import Markup, element
from promtrack.show.numbers import counted, sentence, unbroken
from promtrack.show.records import Measured
from promtrack.show.verdict import (
    fastest_knot,
    height_text,
    highest,
    leading_front,
    limb_words,
    speed_error,
    speed_text,
    too_fast,
)

__all__ = ["numbers_part"]


def numbers_part(measured: Measured) -> Markup:
    cards = [
        *_motion_cards(measured),
        _card(
            "Scale",
            f"{with_error(measured.scale.km_per_px, measured.scale.sigma_km_per_px)} km/px",
            f"from: {measured.scale.source}",
            sentence(measured.scale.check or "There is one source only, so nothing checks it"),
        ),
        _card(
            "Orientation",
            "Position angles" if measured.orientation.position_angles else "Image angles",
            f"± {measured.orientation.error_deg:.1f}°"
            if measured.orientation.position_angles
            else "counter-clockwise from image up",
            sentence(f"From: {measured.orientation.source}"),
        ),
        _card(
            "The Sun that day",
            f"{measured.view.apparent_radius_arcsec:.1f}″ radius",
            f"P {_signed(measured.view.p_deg)}°, B₀ {_signed(measured.view.b0_deg)}°, L₀ {measured.view.l0_deg:.1f}°",
            f"Distance {measured.view.distance_au:.4f} au, {_observer(measured)}.",
        ),
    ]
    return element("ul", *cards, class_="cards")


def _motion_cards(measured: Measured) -> list[Markup]:
    knot, front, cards = fastest_knot(measured), leading_front(measured), []
    meanings = {meaning.about: meaning for meaning in measured.motion.meanings}
    if knot is not None:
        meaning = meanings.get(f"knot {knot.knot}")
        cards.append(
            _card(
                f"Fastest knot (knot {knot.knot})",
                speed_text(measured, knot),
                f"in the plane of the sky; {_parts(knot.fit.speed_err_km_s, knot.fit.systematic_km_s, 'km/s', 'scale and clock')}"
                f"{'; faster than this cadence can be sure of' if too_fast(measured, knot) else ''}",
                meaning.sentence if meaning else "",
                meaning.source if meaning else "",
            )
        )
    if front is not None:
        meaning, best = meanings.get(f"front {front.front}"), front.best
        _, chance, systematic = highest(measured, front)
        cards.append(
            _card(
                f"Highest front (front {front.front})",
                height_text(measured, front),
                f"above {limb_words(measured)}; {_parts(chance, systematic, 'Mm', 'the scale')}",
            )
        )
        chance = best.peak_speed_err_km_s if best else np.nan
        systematic = float(np.sqrt(max(speed_error(measured, front) ** 2 - chance**2, 0.0)))
        cards.append(
            _card(
                f"Its greatest speed ({front.verdict})",
                speed_text(measured, front) if best else "No model fits",
                f"in the plane of the sky; {_parts(chance, systematic, 'km/s', 'scale and clock')}"
                if best
                else "heights: see the tables",
                meaning.sentence if meaning else "",
                meaning.source if meaning else "",
            )
        )
    if not cards:
        cards.append(
            _card(
                "Motion",
                "None found",
                f"{counted(len(measured.motion.knots), 'track', 'tracks')} followed",
                "No track beats what the same data give under no motion.",
            )
        )
    return cards


def _parts(chance: float, systematic: float, unit: str, source: str) -> str:
    """Where an error comes from."""
    if not np.isfinite(chance):
        return f"the error from chance is unknown, ± {error_text(systematic, unit)} come from {source}"
    return f"± {error_text(chance, unit)} from chance, ± {error_text(systematic, unit)} from {source}"


def _card(title: str, number: str, parts: str, meaning: str = "", source: str = "") -> Markup:
    return element(
        "li",
        element("h3", title),
        element("p", unbroken(number), class_="number"),
        element("p", unbroken(parts), class_="parts"),
        element("p", unbroken(meaning), class_="meaning") if meaning else Markup(""),
        element("p", f"Compared with: {source}", class_="source") if source else Markup(""),
    )


def _signed(value: float) -> str:
    return typeset(f"{value:+.1f}")


def _observer(measured: Measured) -> str:
    return "seen from the Earth" if measured.view.observer == "Earth" else "as the header gives it"
