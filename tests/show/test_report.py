"""The report page holds what was measured, escaped, self-contained and whole."""

import base64
import re
from dataclasses import replace
from pathlib import Path

import cv2
import lxml.html
import numpy as np
import pytest

from promtrack.errors import InputError
from promtrack.motion.records import OWN_PATH
from promtrack.rounding import error_text, with_error
from promtrack.show import report_pictures
from promtrack.show.report import write_report
from promtrack.show.report_pictures import CAPTIONS
from promtrack.show.verdict import three_sentences

SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="4" height="2"><rect width="4" height="2" fill="{}"/></svg>'


@pytest.fixture(scope="session")
def products(tmp_path_factory):
    """Small stand-ins for clip, poster and figures, in the places where a run puts them."""
    folder = tmp_path_factory.mktemp("products")
    (folder / "figures").mkdir()
    (folder / "clip.mp4").write_bytes(b"\x00\x00\x00\x18ftypmp42" + bytes(range(256)))
    cv2.imwrite(str(folder / "poster.png"), np.full((72, 128, 3), 80, dtype=np.uint8))
    for name in CAPTIONS:
        for suffix, colour in (("", "white"), ("_dark", "black")):
            cv2.imwrite(
                str(folder / "figures" / f"{name}{suffix}.png"), np.full((90, 160, 3), 200, dtype=np.uint8)
            )
            (folder / "figures" / f"{name}{suffix}.svg").write_text(SVG.format(colour))
    return folder


def written(measured, folder, name="report.html", **changes):
    parts = {
        "clip": folder / "clip.mp4",
        "poster": folder / "poster.png",
        "figures": sorted((folder / "figures").glob("*.png")),
    }
    page = write_report(measured, folder / name, **(parts | changes)).read_text(encoding="utf-8")
    return page.replace("\N{NO-BREAK SPACE}", " ")


def test_headline_numbers_stand_there_with_their_errors(measured_fake, products):
    page = written(measured_fake, products)
    knot, front = measured_fake.motion.knots[0], measured_fake.motion.fronts[0]
    # TWIN  a card's number carries its whole error, and says below of what parts
    assert (
        with_error(
            knot.fit.speed_km_s, float(np.hypot(knot.fit.speed_err_km_s, knot.fit.systematic_km_s)), "km/s"
        )
        in page
    )
    systematic = front.best.peak_speed_km_s * np.hypot(
        measured_fake.motion.scale_err, measured_fake.motion.clock_err
    )
    assert (
        with_error(
            front.best.peak_speed_km_s, float(np.hypot(front.best.peak_speed_err_km_s, systematic)), "km/s"
        )
        in page
    )
    assert (
        f"in the plane of the sky; ± {error_text(knot.fit.speed_err_km_s)} km/s from chance, ± 0.26 km/s from scale and clock"
        in page
    )
    for sentence in three_sentences(measured_fake):
        assert sentence in page
    for meaning in measured_fake.motion.meanings:
        assert meaning.sentence in page
        assert meaning.source.replace("&", "&amp;") in page


def test_cards_carry_the_cautions_of_the_verdict(measured_fake, products):
    # TRUTH  3.1 px of 870 km are 2.7 Mm
    assert "than this cadence can be sure of" not in written(measured_fake, products)
    control = replace(measured_fake.motion.control, sure_km_s=1.0)
    lock = replace(measured_fake.lock, edge_bias_px=3.1)
    page = written(
        replace(measured_fake, lock=lock, motion=replace(measured_fake.motion, control=control)), products
    )
    cards = page[page.index('class="cards"') : page.index('id="figures"')]
    assert "faster than this cadence can be sure of" in cards
    assert "above the burnt-out limb, up to 2.7 Mm outside the H-alpha limb; " in cards
    counted = "Heights count from the burnt-out limb, up to 2.7 Mm outside the H-alpha limb; the H-alpha limb is taken to lie 4.35 ± 0.5 Mm"
    assert counted in page


def test_every_track_model_ridge_and_rejected_frame_has_a_row(measured_fake, products):
    page = written(measured_fake, products)
    tables = re.findall(r"<tbody>(.*?)</tbody>", page, flags=re.S)
    assert [table.count("<tr") for table in tables] == [6, 2, 3, 5]  # knots, ridges, models, frames and files
    assert page.count("limb too faint: thin cloud") >= 2
    assert "270 s pass, where 30 s are usual" in page
    assert measured_fake.lock.notes[0] in page


def test_names_with_markup_are_escaped(measured_fake, products):
    hostile = replace(
        measured_fake, sequence=replace(measured_fake.sequence, path=Path('"><script>alert(1)<script>'))
    )
    page = written(hostile, products, name="hostile.html")
    assert "prom_&lt;b&gt;broken&lt;/b&gt;.tif" in page
    assert "<b>broken" not in page
    assert page.count("<script") == 1  # the page's own
    assert "&lt;script&gt;alert(1)" in page


def test_page_loads_nothing_from_elsewhere(measured_fake, products):
    page = lxml.html.document_fromstring(written(measured_fake, products))
    loaded = [
        item.get(name) for item in page.iter() for name in ("src", "srcset", "poster") if item.get(name)
    ]
    assert len(loaded) > 2 * len(CAPTIONS)
    assert all(address.startswith("data:") for address in loaded)
    assert not page.xpath("//link | //iframe | //object | //embed | //base | //script[@src]")
    style = page.findtext(".//style")
    assert "@import" not in style
    assert "url(" not in style
    policy = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
    assert "default-src 'none'" in policy
    assert "http" not in policy


def test_clip_is_inside_the_page_whole(measured_fake, products):
    page = written(measured_fake, products)
    data = re.search(r'<source src="data:video/mp4;base64,([^"]+)"', page)
    assert base64.b64decode(data[1]) == (products / "clip.mp4").read_bytes()
    video = re.search(r"<video[^>]*>", page)[0]
    for word in ("controls", "muted", "playsinline", "loop", 'poster="data:image/jpeg', "aria-label="):
        assert word in video


def test_large_clip_is_linked(measured_fake, products, monkeypatch):
    monkeypatch.setattr(report_pictures, "MOST_CLIP_BYTES", 100)
    page = written(measured_fake, products, name="large.html")
    assert '<source src="clip.mp4"' in page
    assert "data:video" not in page
    assert "too large to be part of this page" in page


def test_figures_come_in_the_order_of_a_talk_with_both_themes(measured_fake, products):
    page = written(measured_fake, products)
    assert re.findall(r'<figure id="figure-([a-z-]+)"', page) == [name.replace("_", "-") for name in CAPTIONS]
    assert page.count('media="screen and (prefers-color-scheme: dark)"') == len(CAPTIONS)
    assert 'href="figures/height_time.png"' in page
    assert 'href="figures/height_time.svg"' in page


def test_figures_without_drawings_are_embedded_smaller(measured_fake, tmp_path):
    cv2.imwrite(str(tmp_path / "height_time.png"), np.full((1500, 2666, 3), 128, dtype=np.uint8))
    page = write_report(
        measured_fake,
        tmp_path / "report.html",
        clip=None,
        poster=None,
        figures=[tmp_path / "height_time.png"],
    )
    data = re.search(r'<img src="data:image/png;base64,([^"]+)"', page.read_text())[1]
    picture = cv2.imdecode(np.frombuffer(base64.b64decode(data), dtype=np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape == (900, 1600, 3)


def test_a_broken_figure_is_named(measured_fake, tmp_path):
    (tmp_path / "height_time.png").write_bytes(b"not a picture")
    with pytest.raises(InputError, match=r"height_time\.png: cannot be decoded as a picture; draw it again"):
        write_report(
            measured_fake,
            tmp_path / "report.html",
            clip=None,
            poster=None,
            figures=[tmp_path / "height_time.png"],
        )
    assert not list(tmp_path.glob("report*"))  # neither the page nor a half-written one


def test_nothing_moving_and_nothing_made_is_said(measured_still, tmp_path):
    page = write_report(
        measured_still, tmp_path / "report.html", clip=tmp_path / "clip.mp4", poster=None, figures=[]
    ).read_text()
    assert "No clip was made in this run." in page
    assert "No figures were drawn in this run." in page
    assert "Nothing moves significantly: 1 track was followed" in page
    assert "No front was followed" in page


def test_same_run_same_page(measured_fake, products):
    assert written(measured_fake, products, name="one.html") == written(
        measured_fake, products, name="two.html"
    )


def test_only_as_many_rows_as_a_phone_can_bear(measured_fake, products):
    many = tuple(replace(measured_fake.motion.knots[0], knot=number) for number in range(1, 401))
    page = written(
        replace(measured_fake, motion=replace(measured_fake.motion, knots=many)), products, name="many.html"
    )
    assert re.findall(r"<tbody>(.*?)</tbody>", page, flags=re.S)[0].count("<tr") == 250
    assert "The first 250 of 400 rows; all are in knots.ecsv." in page


def test_cautions_and_settings_are_there(measured_fake, products):
    page = written(measured_fake, products)
    for words in (
        "blinds and burns",
        "lower bounds",
        "Not a space-weather warning",
        "least_points = 8",
        "How to cite",
    ):
        assert words in page


def test_a_ridge_along_a_knots_own_path_names_no_slit(measured_fake, products):
    own = replace(measured_fake.motion.ridges[0], slit=OWN_PATH)
    page = written(replace(measured_fake, motion=replace(measured_fake.motion, ridges=(own,))), products)
    ridges = re.findall(r"<tbody>(.*?)</tbody>", page, flags=re.S)[1]
    assert ridges.count("<tr") == 1
    assert "the knot's own path" in ridges.replace("&#x27;", "'").replace("&#39;", "'")
