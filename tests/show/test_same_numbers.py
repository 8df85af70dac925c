"""One number is one number: what is drawn in clip and figures, and written on page, in tables and on the
terminal, is read back and compared."""

import html
import re
from dataclasses import replace

import pytest
from matplotlib.text import Text

from promtrack.motion.measure import meanings_of
from promtrack.products.folder import ProductFolder
from promtrack.products.summary import read_summary, summary_lines, write_summary
from promtrack.rounding import with_error
from promtrack.show import bodies, canvas, cards, write_report
from promtrack.show.figures import drawn_sheets
from promtrack.show.figures.style import LIGHT, themed
from promtrack.show.findings import card_sentence, headline
from promtrack.show.overlay import draw_annotation
from promtrack.show.quoted import (
    fastest_knot,
    highest_prominence,
    is_steady,
    knot_height,
    leading_front,
    named_tracks,
    speed_of,
    top_height,
)
from promtrack.show.studio import prepare
from promtrack.sun import Circumstances
from tests.show.clip_case import quick_run

VALUE = re.compile(r"(?<![\d.])\d[\d.]* ± [\d.]+ (?:km/s|Mm)\b")


@pytest.fixture(scope="module", params=["front", "knots"])
def run(request):
    """The hand-made run, and the same without its front, so that a knot leads."""
    measured = quick_run(view="square")
    motion = measured.motion if request.param == "front" else replace(measured.motion, fronts=(), ridges=())
    motion = replace(motion, meanings=meanings_of(motion, measured.strip.geometry))
    return replace(measured, motion=motion)


def drawn_in_clip(measured, monkeypatch):
    """Every block of words as it is given to the drawing, in its order, lines joined."""
    words, drawn = {}, []

    def spy_block(lines):
        made = block(lines)
        words[id(made)] = made, " ".join(line for line, _ in lines if line.strip())
        return made

    def spy_draw(picture, made, *rest, **more):
        drawn.append(words[id(made)][1])
        draw_text(picture, made, *rest, **more)

    block, draw_text = canvas.block, canvas.draw_text
    studio = prepare(measured)
    annotation = studio.annotation()
    with monkeypatch.context() as patched:
        for module in (canvas, bodies, cards):
            patched.setattr(module, "block", spy_block)
            patched.setattr(module, "draw_text", spy_draw)
        for shot in studio.plan.shots:
            page = annotation.page
            draw_annotation(annotation, canvas.blank_canvas(page.width, page.height, 16), shot)
    return annotation, drawn


def drawn_in_figures(measured):
    """Name of each sheet, and its texts."""
    found = {}
    for sheet in drawn_sheets(measured):
        with themed(LIGHT):
            figure = sheet.load()(measured, LIGHT)
        found[sheet.name] = [text.get_text() for text in figure.findobj(Text)]
    return found


def on_page(measured, folder):
    """The words of the page, front and folds."""
    page = write_report(measured, folder / "report.html", clip=None, poster=None, figures=[])
    text = re.sub(r"<(style|script).*?</\1>", "", page.read_text(encoding="utf-8"), flags=re.S)
    text = re.sub(r"<[^>]*>", "|", text).replace("\N{NO-BREAK SPACE}", " ")
    return html.unescape(text)


def on_terminal(measured, folder):
    """The lines about a run, and what summary.json says was found."""
    products = ProductFolder(folder / "products")
    products.create(products.path)
    about = Circumstances(measured.view, measured.scale, measured.orientation)
    write_summary(products, "0", measured.sequence, measured.lock, about, VERDICT, measured)
    return "\n".join(summary_lines(products)), read_summary(products)["found"]


VERDICT = dict.fromkeys(("lock", "scale", "motion"), ("good", ()))


def test_one_number_is_the_same_in_every_product(run, tmp_path, monkeypatch):
    # TRUTH  texts as they are drawn: the speed of each named track, the heights of what leads and of the
    # highest prominence, each with the same error in all of them
    annotation, clip = drawn_in_clip(run, monkeypatch)
    figures, page = drawn_in_figures(run), on_page(run, tmp_path)
    terminal, found = on_terminal(run, tmp_path)
    speeds = {one.letter: speed_of(run, one.track).text for one in named_tracks(run)}
    front, knot = leading_front(run), fastest_knot(run)
    height = (top_height(run, front) if front else knot_height(run, knot)).text
    lead = speed_of(run, front or knot).text
    # the sentence: clip, page; its numbers: title, slide, page, terminal
    sentence = card_sentence(run)
    assert any(text.startswith(sentence) for text in clip)
    assert len(re.sub(r" ± \S+", "", sentence).split()) <= 25
    assert ". " not in sentence
    assert headline(run).startswith(sentence.split(",")[0])
    assert {lead, height} <= set(VALUE.findall(sentence))
    assert headline(run) in page
    assert {lead, height} <= set(VALUE.findall(headline(run)))
    assert {lead, height} <= set(figures["summary"])
    for sheet in ("summary", "height_time", "speed_time"):
        assert any(lead in text for text in figures[sheet])
    assert f"|{lead}|" in page
    assert f"|{height}|" in page
    assert lead in terminal
    # each letter: key of every sheet that has one, table, label beside its body
    for letter, speed in speeds.items():
        for sheet in ("height_time", "speed_time", "knot_map"):
            assert any(text.endswith(speed) for text in figures[sheet]), (letter, sheet)
        assert f"|{speed.removesuffix(' km/s')}" in page
    for body in annotation.bodies:
        track = next((one.track for one in named_tracks(run) if one.letter == body.letter), None)
        if not body.stands or track is None:
            continue
        stands = {words for _, _, words in body.stands}
        shown = {f"{body.letter} {words if ' to ' in words else f'≥ {words}'}" for words in stands}
        assert shown <= set(clip)
        assert track is front or not any(" to " in words for words in shown)
        if track in run.motion.knots and (is_steady(run, track) or len(body.stands) == 1):
            said = {words.partition(" at ")[0] for words in shown}  # of one that changes with its moment
            assert said == {f"{body.letter} ≥ {speeds[body.letter]}"}
        elif track is front and body.time_s[-1] <= annotation.time.recorded_s[-1]:  # its greatest is its last
            assert body.stands[-1][2] == speeds[body.letter]
    # the highest prominence: its sheet and summary.json alike, where the leading track stands too
    highest = highest_prominence(run)
    assert highest
    assert any(highest[2].text in text for text in figures["prominences"])
    assert highest[2].text in [written(one, "height_mm", "Mm") for one in found["prominences"]]
    first = found["fronts"][0] if front else found["fastest_knot"]
    assert written(first, "speed_km_s", "km/s") == lead
    if front:
        assert written(first, "height_mm", "Mm") == height


def written(values, name, unit):
    """A value of summary.json with its error, as it is written everywhere."""
    return with_error(values[name], values[name.replace("_", "_err_", 1)], unit)
