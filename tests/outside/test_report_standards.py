"""Report and figures against published standards, read by parsers that are not ours.

HTML by html5lib (the HTML standard's parsing algorithm) and lxml, SVG by lxml; contrast by WCAG 2.2;
colour-vision deficiency by the matrices of Machado, Oliveira & Fernandes 2009.
"""

import re
from itertools import pairwise
from pathlib import Path

import html5lib
import numpy as np
import pytest
from lxml import etree

import promtrack.show
from promtrack.show.figures import SHEETS
from promtrack.show.figures.style import DARK, LIGHT, PLASMA
from promtrack.show.report import write_report
from tests.show.fake_run import fake_figures, fake_run

STYLE = (Path(promtrack.show.__file__).parent / "report.css").read_text(encoding="utf-8")
SVG = "{http://www.w3.org/2000/svg}"

# Machado, Oliveira & Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15, 1291, severity 1.0, for linear RGB.
# All digits are those of the library colorspacious 1.1.2, which holds the authors' table; every row adds up
# to 1, because grey stays grey.
DEFICIENCIES = {
    "none": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# IEC 61966-2-1 (sRGB): linear RGB to XYZ, white D65
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear(colour):
    """Linear RGB of a hex colour or of RGB values from 0 to 1 (IEC 61966-2-1)."""
    rgb = (
        np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
        if isinstance(colour, str)
        else np.asarray(colour)[..., :3]
    )
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    """Contrast ratio of WCAG 2.2: (lighter + 0.05) / (darker + 0.05)."""
    light = sorted(float(linear(colour) @ (0.2126, 0.7152, 0.0722)) for colour in (one, other))
    return (light[1] + 0.05) / (light[0] + 0.05)


def lab(rgb_linear):
    """CIE 1976 L*a*b*."""
    xyz = rgb_linear @ TO_XYZ.T / (0.95047, 1.0, 1.08883)
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1
    )


def style_colours():
    """The page's colours by name, in light and in dark."""
    blocks = re.findall(r":root \{(.*?)\}", STYLE, flags=re.S)
    light, dark = (dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", block)) for block in blocks[:2])
    return {"light": light, "dark": dark}


@pytest.fixture(scope="module")
def products(tmp_path_factory):
    folder = tmp_path_factory.mktemp("standards")
    measured, figures = fake_run(), fake_figures().paths
    page = write_report(
        measured,
        folder / "report.html",
        clip=None,
        poster=None,
        figures=[p for p in figures if p.suffix == ".png"],
    )
    return page, figures


@pytest.fixture(scope="module")
def page(products):
    """The page as the standard's own algorithm reads it; strict: any parse error raises."""
    parser = html5lib.HTMLParser(
        tree=html5lib.getTreeBuilder("lxml"), strict=True, namespaceHTMLElements=False
    )
    return parser.parse(products[0].read_text(encoding="utf-8")).getroot()


def test_contrast_formula():
    # PUBLISHED  WCAG 2.2, definition of contrast ratio: from 1:1 to 21:1. The grey #767676 is the lightest
    # that reaches
    # 4.5:1 on white (4.54; common practice, no source).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_html_parses_without_an_error(page):
    # PUBLISHED  WCAG 2.2, success criteria 3.1.1 (language) and 2.4.2 (title)
    assert page.tag == "html"
    assert page.get("lang") == "en"  # WCAG 3.1.1
    assert page.findtext("head/title")  # WCAG 2.4.2
    assert len(page.findall(".//main")) == 1


def test_identifiers_are_unique_and_links_within_the_page_lead_somewhere(page):
    # PUBLISHED  HTML standard: an id is unique in its tree, and a link to #name leads to the element of
    # that id
    names = [item.get("id") for item in page.iter() if item.get("id")]
    assert len(names) == len(set(names))
    targets = {link.get("href")[1:] for link in page.iter("a") if link.get("href", "").startswith("#")}
    assert targets
    assert targets <= set(names)


def test_headings_go_down_one_level_at_a_time(page):
    # PUBLISHED  WCAG 1.3.1, technique H42: one h1, no level left out.
    levels = [
        int(item.tag[1])
        for item in page.iter()
        if isinstance(item.tag, str) and re.fullmatch("h[1-6]", item.tag)
    ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert len(levels) > 15
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_every_picture_has_alternative_text(page):
    # PUBLISHED  WCAG 1.1.1; decoration is hidden from screen readers.
    pictures = list(page.iter("img"))
    assert len(pictures) == len([sheet for sheet in SHEETS if not sheet.narrow])
    for picture in pictures:
        assert len(picture.get("alt")) > 30
    assert all(drawing.get("aria-hidden") == "true" for drawing in page.iter("svg", SVG + "svg"))


def test_tables_name_their_heads_and_themselves(page):
    # PUBLISHED  WCAG 1.3.1, techniques H39 (caption) and H63 (scope).
    tables = list(page.iter("table"))
    assert len(tables) == 3  # knots, models of fronts, frames and files
    for table in tables:
        assert "".join(table.find("caption").itertext()).strip()
        heads = table.findall("thead/tr/th")
        assert all(head.get("scope") == "col" for head in heads)
        for row in table.findall("tbody/tr"):
            assert row[0].tag == "th"
            assert row[0].get("scope") == "row"
            assert len(row) == len(heads)


def test_regions_and_sections_are_named(page):
    # PUBLISHED  WCAG 1.3.1 and 2.4.1: a link past the head, landmarks with names, boxes that scroll can be
    # reached by keyboard.
    names = {item.get("id"): item for item in page.iter() if item.get("id")}
    for fold in page.iter("details"):
        assert "".join(fold.find("summary").itertext()).strip()
    for box in page.xpath("//*[@role='region']"):
        assert box.get("aria-label")
        assert box.get("tabindex") == "0"
    assert page.find("body")[0].get("href") == "#result"
    assert "result" in names
    assert all(link.get("aria-label") or "".join(link.itertext()).strip() for link in page.iter("a"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_contrast_of_the_page(scheme):
    # PUBLISHED  WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (marks 3:1)
    colours = style_colours()[scheme]
    for paper in ("paper", "sheet", "tint"):
        for ink in ("ink", "quiet", "link"):
            assert contrast(colours[ink], colours[paper]) >= 4.5, (scheme, ink, paper)
    for ink in ("good", "fair", "poor"):
        assert contrast(colours[ink], colours["paper"]) >= 4.5, (scheme, ink)
    for paper in ("paper", "sheet"):
        assert contrast(colours["accent"], colours[paper]) >= 3.0, (scheme, paper)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
def test_contrast_of_the_figures(theme):
    # PUBLISHED  WCAG 2.2, 1.4.3 and 1.4.11
    for ink in (theme.ink, theme.quiet, theme.warning):
        assert contrast(ink, theme.paper) >= 4.5
    for mark in (theme.marks.front, *theme.marks.knots, theme.marks.rest):
        assert contrast(mark, theme.paper) >= 3.0
    assert len(set(theme.colours)) == len(theme.colours)


@pytest.mark.parametrize("kind", DEFICIENCIES)
def test_brightness_rises_in_lightness_for_every_eye(kind):
    # TWIN  lightness of CIE 1976, written out in this file; the bounds on its steps are ours
    steps = np.linspace(0.0, 1.0, 33)
    light = lab(np.clip(linear(PLASMA(steps)) @ DEFICIENCIES[kind].T, 0.0, 1.0))[:, 0]
    assert (np.diff(light) > 0.3).all()
    if kind == "none":  # even: no step more than twice or less than half the mean
        assert np.diff(light).max() < 2.0 * np.diff(light).mean()
        assert np.diff(light).min() > 0.5 * np.diff(light).mean()


def test_svg_files_are_well_formed_and_complete(products):
    # PUBLISHED  W3C SVG 1.1 and XML 1.0, read by lxml: root element, size in the proportions of the sheet,
    # words as text, no reference to anything outside the file.
    drawings = [path for path in products[1] if path.suffix == ".svg"]
    assert len(drawings) == 2 * len(SHEETS)
    for path in drawings:
        root = etree.parse(
            str(path), etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False)
        ).getroot()
        assert root.tag == f"{SVG}svg"
        width, height = (float(number) for number in root.get("viewBox").split()[2:])
        wide = pytest.approx(16 / 9, rel=0.001)
        assert width < height if "narrow" in path.stem else width / height == wide
        assert root.find(f".//{SVG}text") is not None
        names = {item.get("id") for item in root.iter() if item.get("id")}
        for item in root.iter():
            address = item.get("{http://www.w3.org/1999/xlink}href")
            if address is not None:
                embedded = "data:image/png;base64,", "data:image/jpeg;base64,"
                assert address.startswith(embedded) or address[1:] in names
        assert "".join(root.find(f".//{SVG}metadata").itertext()).find("promtrack") >= 0
