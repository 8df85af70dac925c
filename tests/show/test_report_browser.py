"""The report in a real browser: it opens from disk, plays, sorts, fits a phone, and turns dark.

Skipped where no Chromium is installed.
"""

import shutil
import subprocess
import time
from itertools import pairwise

import imageio_ffmpeg
import pytest

from promtrack.show import report
from promtrack.show.report import write_report
from tests.show.test_figures import NAMES
from tests.show.test_overlay import contrast

playwright = pytest.importorskip("playwright.sync_api", reason="the test extra `playwright` is not installed")
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-quic",
]
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(BROWSER is None, reason="no chromium, chromium-browser or google-chrome is installed"),
]


def eventually(page, expression, seconds=15.0):
    """Wait until the expression holds; asked from outside because the page's own policy forbids evaluating
    text."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, expression
        time.sleep(0.05)


def unfold(page):
    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")


@pytest.fixture(scope="module")
def page_file(measured_fake, drawn):
    """A report with real figures and a real clip of two seconds."""
    folder = drawn.folder.parent  # its name holds a space, as folders of users do
    clip = folder / "clip.mp4"
    subprocess.run(
        [
            imageio_ffmpeg.get_ffmpeg_exe(),
            "-loglevel",
            "error",
            "-y",
            "-f",
            "lavfi",
            "-i",
            "testsrc2=size=320x180:rate=20:duration=2",
            "-pix_fmt",
            "yuv420p",
            "-movflags",
            "+faststart",
            str(clip),
        ],
        check=True,
    )
    figures = [path for path in drawn.paths if path.suffix == ".png"]
    return write_report(
        measured_fake,
        folder / "report.html",
        clip=clip,
        poster=drawn.folder / "summary.png",
        figures=figures,
    )


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        window = driver.chromium.launch(executable_path=BROWSER, args=ARGUMENTS)
        yield window
        window.close()


@pytest.fixture
def opened(browser, page_file):
    """Opens the report and fails the test on anything the console or the network has to complain about."""
    pages, complaints = [], []

    def open_page(width=1280, scheme="light", address=None):
        page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
        page.on(
            "console",
            lambda message: complaints.append(message.text) if message.type in ("error", "warning") else None,
        )
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "request",
            lambda request: (
                complaints.append(request.url)
                if request.url.split(":")[0] not in ("file", "data", "blob")
                else None
            ),
        )
        page.goto(address or page_file.as_uri())
        pages.append(page)
        return page

    yield open_page
    for page in pages:
        page.close()
    assert complaints == []


def test_page_opens_from_disk_with_every_picture(opened):
    page = opened()
    assert page.title() == "east-limb: promtrack report"
    unfold(page)
    page.evaluate("document.querySelectorAll('img').forEach(image => image.loading = 'eager')")
    eventually(page, "[...document.images].every(image => image.complete)")
    assert (
        page.evaluate("[...document.images].filter(image => !image.naturalWidth).map(image => image.alt)")
        == []
    )
    assert page.locator("figure img").count() >= 9


def test_clip_plays(opened):
    # TRUTH  a film of two seconds, 320 px wide
    page = opened()
    page.evaluate("document.querySelector('video').play()")
    eventually(page, "document.querySelector('video').currentTime > 0.3")
    video = page.evaluate(
        "(() => { const v = document.querySelector('video'); return [v.videoWidth, v.duration, v.muted, "
        "v.loop, v.controls]; })()"
    )
    assert video == [320, pytest.approx(2.0, abs=0.1), True, True, True]


def test_linked_clip_plays_too(opened, measured_fake, page_file, monkeypatch):
    # TRUTH  the clip's time runs
    monkeypatch.setattr(report, "MOST_BYTES", 10)
    linked = write_report(
        measured_fake,
        page_file.with_name("linked.html"),
        clip=page_file.with_name("clip.mp4"),
        poster=None,
        figures=[],
    )
    page = opened(address=linked.as_uri())
    page.evaluate("document.querySelector('video').play()")
    eventually(page, "document.querySelector('video').currentTime > 0.3")


def column(page, number):
    return page.locator("#knots table").first.locator(f"tbody tr > :nth-child({number})").all_inner_texts()


def numbers(page):
    return [int(text.split()[0]) for text in column(page, 1)]


def test_tables_sort_by_click(opened, measured_fake):
    # TRUTH  the speeds of the records, in order.
    page = opened()
    unfold(page)
    by_speed = sorted(measured_fake.motion.knots, key=lambda knot: knot.fit.speed_km_s)
    head = page.locator("#knots table").first.locator("thead th", has_text="Speed (km/s)")
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "ascending"
    assert numbers(page) == [knot.knot for knot in by_speed]
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "descending"
    assert numbers(page) == [knot.knot for knot in reversed(by_speed)]
    assert page.locator("#said").inner_text() == "Sorted by Speed (km/s), descending."


def test_tables_sort_by_keyboard_and_only_one_column_is_marked(opened, measured_fake):
    page = opened()
    unfold(page)
    table = page.locator("#knots table").first
    page.locator("#knots .scroll").first.focus()
    for _ in range(5):  # the fifth button after the table's box: height
        page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.innerText").startswith("Height")
    page.keyboard.press("Enter")
    # TRUTH  every height stands with its error, and the order is that of the heights, not of the words
    heights = [float(text.split(" ± ")[0]) for text in column(page, 5)]
    assert len(heights) > 3
    assert all(" ± " in text for text in column(page, 5))
    assert heights == sorted(heights)
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    assert table.locator("th[aria-sort]").all_inner_texts() == ["Position angle (degrees)"]


def test_unknown_values_stay_at_the_end(opened):
    page = opened()
    unfold(page)
    table = page.locator("table", has_text="unknown").first
    head = table.locator("thead th", has_text="Time (UTC)").get_by_role("button")
    for _ in range(2):
        head.click()
        times = table.locator("tbody tr > :nth-child(2)").all_inner_texts()
        known = [text for text in times if text != "unknown"]
        assert times == [*known, *(["unknown"] * (len(times) - len(known)))]
        assert 0 < len(known) < len(times)


def test_a_screen_reader_finds_its_way(opened):
    # TRUTH  one first heading, no level skipped; pictures, film, tables and links have names; heads say what
    # they head; ids are unique.
    page = opened()
    levels = [
        int(tag[1])
        for tag in page.evaluate("[...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => h.tagName)")
    ]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert page.evaluate("[...document.images].filter(image => image.alt.length < 20).length") == 0
    assert page.evaluate(
        "[...document.querySelectorAll('video')].every(video => video.ariaLabel.length > 20)"
    )
    assert page.evaluate(
        "[...document.querySelectorAll('table')].every(table => table.caption.textContent.length > 20)"
    )
    assert page.evaluate("[...document.querySelectorAll('th')].every(head => head.scope)")
    names = page.evaluate(
        "[...document.querySelectorAll('a')].map(link => link.getAttribute('aria-label') || link.textContent)"
    )
    assert len(set(names)) == len(names)
    ids = page.evaluate("[...document.querySelectorAll('[id]')].map(part => part.id)")
    assert len(set(ids)) == len(ids)


def test_keyboard_reaches_everything_and_shows_where_it_is(opened):
    # PUBLISHED  WCAG 2.2, success criterion 2.4.7 (focus visible): each stop has a drawn outline; the film's
    # own controls draw theirs.
    page = opened()
    stops = page.evaluate(
        "[...document.querySelectorAll('a[href],button,summary,[tabindex=\"0\"]')].filter(part => "
        "part.checkVisibility() && !part.closest('video') && !part.closest('details:not([open]) "
        ".inside')).length"
    )
    reached = 0
    for _ in range(3 * stops):
        page.keyboard.press("Tab")
        tag, style = page.evaluate(
            "[document.activeElement.tagName, getComputedStyle(document.activeElement).outlineStyle]"
        )
        assert style == "solid" or tag in ("VIDEO", "BODY"), tag
        reached += tag not in ("VIDEO", "BODY")
        if tag == "BODY":
            break
    assert reached == stops


def test_every_word_is_told_from_its_ground(opened):
    # PUBLISHED  WCAG 2.1, success criterion 1.4.3: 4.5:1 for text; each element with words of its own against
    # the first painted ground behind it (the page's head paints a picture behind its words: its darkest and
    # lightest parts are the ground's own colour).
    page = opened()
    unfold(page)
    words_and_grounds = """
        [...document.querySelectorAll('body *')].filter(
            part => part.offsetParent && [...part.childNodes].some(
            node => node.nodeType === 3 && node.textContent.trim())).map(part => {
          let ground = part;
          while (ground && getComputedStyle(ground).backgroundColor === 'rgba(0, 0, 0, 0)')
            ground = ground.parentElement;
          const numbers = colour => colour.match(/[0-9.]+/g).slice(0, 3).map(Number);
          return [part.tagName + ' ' + part.textContent.slice(0, 20), numbers(getComputedStyle(part).color),
                  numbers(getComputedStyle(ground || document.body).backgroundColor)];
        })"""
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        pairs = page.evaluate(words_and_grounds)
        assert len(pairs) > 100
        for words, ink, ground in pairs:
            assert contrast(ink[::-1], ground[::-1]) >= 4.5, (scheme, words, ink, ground)


def test_nothing_is_broken_or_pushed_out_at_any_width(opened):
    # TRUTH  a number's element of one line is one line height tall, of two twice that; on a screen of 900 px
    # the clip and the sentence stand on the first, numbers and lights before the second ends; unfolded, the
    # page never scrolls sideways.
    page = opened()
    bottom = "document.querySelector('{}').getBoundingClientRect().bottom"
    for width in (1440, 1280, 1024, 390):
        page.set_viewport_size({"width": width, "height": 900})
        lines = page.evaluate(
            "[...document.querySelectorAll('.numbers .number')].map(e => e.getBoundingClientRect().height / "
            "parseFloat(getComputedStyle(e).lineHeight))"
        )
        assert len(lines) == 3
        assert max(lines) < 1.5
        assert width < 1000 or page.evaluate(bottom.format(".headline")) <= 900
        assert width < 1000 or page.evaluate(bottom.format(".lights")) <= 1800
    unfold(page)
    for width in (320, 390, 768, 1280, 1920):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_phone_text_is_large_enough_and_targets_can_be_hit(opened):
    # PUBLISHED  WCAG 2.2, success criterion 2.5.8 (target size, minimum): 24 by 24 CSS px, links in a
    # sentence excepted.
    page = opened(width=390)
    unfold(page)
    assert (
        page.evaluate(
            "Math.min(...[...document.querySelectorAll('p,li,td,th,figcaption,h3')].map(e => "
            "parseFloat(getComputedStyle(e).fontSize)))"
        )
        >= 12
    )
    sizes = page.evaluate(
        "[...document.querySelectorAll('button,summary')].map(e => e.getBoundingClientRect()).map(r => "
        "[r.width, r.height])"
    )
    assert len(sizes) > 20
    assert min(min(size) for size in sizes) >= 24


def test_dark_mode_turns_page_and_figures_dark(opened):
    page = opened()
    for scheme, dark in (("light", False), ("dark", True)):
        page.emulate_media(color_scheme=scheme)
        red, green, blue = page.evaluate(
            "getComputedStyle(document.body).backgroundColor.match(/[0-9]+/g).slice(0, 3).map(Number)"
        )
        assert (max(red, green, blue) < 60) is dark
        image = page.locator("#figure-height_time img")
        image.scroll_into_view_if_needed()
        eventually(page, "document.querySelector('#figure-height_time img').naturalWidth > 0")
        dark_ink = "atob(document.querySelector('#figure-height_time img').currentSrc.split(',')[1])"
        eventually(page, f"{dark_ink}.includes('#14120f') === {str(dark).lower()}")


def test_printing_opens_the_folds_and_shows_the_poster_on_light_paper(opened):
    page = opened(scheme="dark")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details[open]").count() == page.locator("details").count() == 8
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.locator("details[open]").count() == 0
    page.emulate_media(media="print")
    assert page.locator("video").is_hidden()
    assert page.locator(".clip .poster").is_visible()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_a_page_without_scripts_still_shows_everything(browser, page_file):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(page_file.as_uri())
    assert page.locator("#knots table").first.locator("tbody tr").count() == 6
    assert page.locator("video source").count() == 1
    context.close()


@pytest.mark.parametrize("width", [1280, 390])
def test_tables_and_figures_are_not_cut_off(opened, width):
    # a common notebook shows the knot table whole; a phone scrolls tables and figures sideways inside the
    # page, never the page
    page = opened(width=width)
    unfold(page)
    wide = page.evaluate(
        "[...document.querySelectorAll('#knots .scroll, #fronts .scroll')].map(box => box.scrollWidth - "
        "box.clientWidth)"
    )
    assert width < 1000 or max(wide) <= 0
    pictures = "[...document.querySelectorAll('figure picture')]"
    beyond = page.evaluate(f"{pictures}.map(p => p.scrollWidth - p.clientWidth)")
    assert max(beyond) <= 0
    page.evaluate("Promise.all([...document.images].map(i => (i.loading = 'eager', i.decode())))")
    if (
        width < 640
    ):  # the figure on the front is legible as it is; a tap makes the others so, and its undoing fits
        shown = "document.querySelector('#figure-height_time img').getBoundingClientRect().width"
        assert 72 * 6.4 / page.evaluate(shown) < 1.4  # 16 pt on 6.4 inches
        page.evaluate(f"{pictures}.forEach(p => p.click())")
    shapes = page.evaluate(
        f"{pictures}.filter(p => !p.closest('.legible')).map(p => p.querySelector('img'))"
        ".filter(i => i.getBoundingClientRect().width)"
        ".map(i => [i.closest('figure').id, i.naturalWidth, i.naturalHeight, "
        "i.getBoundingClientRect().width])"
    )
    assert len(shapes) == len(NAMES) - 2  # the first stands alone, the narrow one for it on a phone
    for name, across, down, shown in shapes:
        # TRUTH  16 pt on 13.3 inches are 13 px on 800, also on a phone
        assert across > down, name
        assert 72 * 13.333 / shown < 1.4, name


def test_a_table_that_reaches_beyond_its_box_says_so_and_names_break_into_few_lines(opened):
    # TRUTH  the knots' eleven columns are wider than a phone and fit a notebook; names of 13 and 22 letters
    # stand in two lines.
    hint = "getComputedStyle(document.querySelector('#knots caption span'), '::after').content"
    page = opened()
    unfold(page)
    for width, wide in ((1280, False), (390, True)):
        page.set_viewport_size({"width": width, "height": 900})
        eventually(
            page,
            f"document.querySelector('#knots .scroll').classList.contains('wide') === {str(wide).lower()}",
        )
        assert ("Scroll sideways" in page.evaluate(hint)) is wide
        lines = page.evaluate("""[...document.querySelectorAll('#left-out tbody th')].map(e => {
            const range = document.createRange(); range.selectNodeContents(e);
            return new Set([...range.getClientRects()].map(r => Math.round(r.top))).size; })""")
        assert 1 <= max(lines) <= 2
        page.emulate_media(media="print")
        assert "Scroll" not in page.evaluate(hint)
        page.emulate_media(media="screen")
