"""The page to mark on, in a real browser: what is clicked is what the saved file says."""

import shutil
import tomllib

import numpy as np
import pytest

from promtrack.show.mark_page import write_mark_page

playwright = pytest.importorskip("playwright.sync_api", reason="the test extra `playwright` is not installed")
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(BROWSER is None, reason="no chromium, chromium-browser or google-chrome is installed"),
]


@pytest.fixture(scope="module")
def page(measured_fake, tmp_path_factory):
    path = write_mark_page(measured_fake, tmp_path_factory.mktemp("mark") / "marks.html")
    with playwright.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=BROWSER, args=["--headless", "--no-sandbox", "--disable-gpu"]
        )
        tab = browser.new_page(viewport={"width": 1280, "height": 800}, accept_downloads=True)
        requests, faults = [], []
        tab.on("request", lambda r: requests.append(r.url))
        tab.on("pageerror", lambda e: faults.append(str(e)))
        tab.goto(path.as_uri())
        yield tab
        assert not faults
        assert all(url.startswith(("file:", "data:", "blob:")) for url in requests)  # works offline
        browser.close()


def place_of(page, angle_deg, height_mm):
    """Screen place of a point of the Sun on the picture shown."""
    return page.evaluate(
        """([a, h]) => {const [x, y] = toScreen(...fromSun(a, h)), b = canvas.getBoundingClientRect();
        return [b.left + x * b.width / canvas.width, b.top + y * b.height / canvas.height]}""",
        [angle_deg, height_mm],
    )


def saved(page):
    with page.expect_download() as download:
        page.click("#save")
    assert download.value.suggested_filename == "promtrack-marks.toml"
    return tomllib.loads(download.value.path().read_text(encoding="utf-8"))


def fresh(page):
    page.evaluate("done = []; closed = false; go(0)")


def test_a_front_is_what_was_clicked(page, measured_fake):
    # TRUTH  the places clicked; a picture pixel is at most two strip pixels.
    fresh(page)
    geometry = measured_fake.strip.geometry
    middle = geometry.angle_deg(geometry.columns / 2) % 360
    heights = [20.0, 24.0, 31.0, 40.0]
    page.click('[data-tool="front"]')
    for height in heights:
        page.mouse.click(*place_of(page, middle, height))
    marks = saved(page)
    (front,) = marks["front"]
    times = [p["time"] for p in front["points"]]
    assert times == [np.datetime_as_string(t, unit="ms") + "Z" for t in measured_fake.strip.times_utc[:4]]
    assert [p["height_mm"] for p in front["points"]] == pytest.approx(heights, abs=2 * geometry.mm_per_row)
    assert [p["angle_deg"] for p in front["points"]] == pytest.approx(
        [middle] * 4, abs=2 * geometry.deg_per_column
    )


def test_a_known_knot_stands_where_it_was_measured_and_can_be_dropped(page, measured_fake):
    # TRUTH  the place in the record, to the digits that the page writes
    fresh(page)
    knot = measured_fake.motion.knots[0]
    at = int(np.searchsorted(measured_fake.strip.time_s, knot.time_s[2] - 1e-6))
    page.evaluate(f"go({at})")
    page.click('[data-tool="drop"]')
    page.mouse.click(*place_of(page, float(knot.angle_deg[2]), float(knot.height_mm[2])))
    (drop,) = saved(page)["drop"]
    assert drop["height_mm"] == pytest.approx(knot.height_mm[2], abs=0.01)
    assert drop["angle_deg"] == pytest.approx(knot.angle_deg[2] % 360, abs=0.001)


def test_a_front_is_dropped_as_its_sector_and_a_knot_across_north(page, measured_fake):
    # TRUTH  the front's own sector; a knot a tenth of a degree beyond 0 from the click
    fresh(page)
    front, geometry = measured_fake.motion.fronts[0], measured_fake.strip.geometry
    index = int(np.searchsorted(measured_fake.strip.time_s, front.time_s[-1] - 1e-6))
    page.evaluate("(i) => go(i)", index)
    page.keyboard.press("d")
    page.mouse.click(*place_of(page, float(front.angle_deg[-1]), float(front.height_mm[-1])))
    assert "front A is dropped" in page.inner_text("#status")
    (sector,) = saved(page)["no_front"]
    assert sector["from_deg"] == pytest.approx(front.from_deg % 360.0, abs=1e-3)
    assert sector["to_deg"] == pytest.approx(front.to_deg % 360.0, abs=1e-3)
    fresh(page)
    page.evaluate(
        """(h) => {data.knots.push({name: "north", points: [[current().time, 359.95, h]]});
        dropNearest({angle_deg: 0.05, height_mm: h}); data.knots.pop()}""",
        float(geometry.height_mm(geometry.rows // 2)),
    )
    assert "knot north is dropped" in page.inner_text("#status")
    assert saved(page)["drop"][0]["angle_deg"] == 359.95


def test_cover_leave_out_and_undo(page, measured_fake):
    # TRUTH  the places clicked, to the pixels of the page
    fresh(page)
    geometry = measured_fake.strip.geometry
    middle = geometry.angle_deg(geometry.columns / 2) % 360
    page.click('[data-tool="cover"]')
    page.mouse.click(*place_of(page, middle, 30.0))
    page.mouse.click(*place_of(page, middle + 1.0, 20.0))
    page.click("#out")
    marks = saved(page)
    assert marks["leave_out"] == [
        {"frames": [measured_fake.sequence.names[int(measured_fake.strip.frame[0])]]}
    ]
    (cover,) = marks["cover"]
    assert cover["in"] == "sun"
    assert (cover["low_mm"], cover["high_mm"]) == pytest.approx((20.0, 30.0), abs=2 * geometry.mm_per_row)
    assert (cover["to_deg"] - cover["from_deg"]) == pytest.approx(1.0, abs=4 * geometry.deg_per_column)
    page.click("#undo")
    page.click("#undo")
    assert saved(page) == {}
    for angle in (middle, middle + 1.0):  # both corners in one row
        page.mouse.click(*place_of(page, angle, 25.0))
    (cover,) = saved(page)["cover"]
    assert cover["low_mm"] < 25.0 < cover["high_mm"]
    assert cover["high_mm"] - cover["low_mm"] < 3 * geometry.mm_per_row


def test_regions_of_the_sensor_are_in_pixels_of_the_camera(page, measured_fake):
    # TRUTH  the places clicked, to 3 px
    fresh(page)
    page.click('[data-view="frames"]')
    page.click('[data-tool="cover"]')
    box = page.locator("#picture").bounding_box()
    for part in (0.25, 0.5):
        page.mouse.click(box["x"] + part * box["width"], box["y"] + part * box["height"])
    (cover,) = saved(page)["cover"]
    rows, columns = measured_fake.sequence.shape
    assert cover["in"] == "sensor"
    assert cover["left_px"] == pytest.approx(0.25 * columns, abs=3)
    assert cover["bottom_px"] == pytest.approx(0.5 * rows, abs=3)
    page.click('[data-view="strips"]')


def test_the_keyboard_alone_marks_a_knot(page, measured_fake):
    # TRUTH  the page's own place ten pixels above the middle
    fresh(page)
    page.evaluate("document.activeElement.blur(); cross.x = size()[0] / 2; cross.y = size()[1] / 2")
    expected = page.evaluate("toSun(cross.x, cross.y - 10)")
    for key in ("k", "Shift+Alt+ArrowUp", "Enter"):
        page.keyboard.press(key)
    (knot,) = saved(page)["knot"]
    assert knot["points"][0]["height_mm"] == pytest.approx(expected["height_mm"], abs=0.5)


def test_every_button_is_large_enough_and_named(page):
    for button in page.query_selector_all("button"):
        assert button.inner_text().strip()
        assert button.bounding_box()["height"] >= 24  # PUBLISHED  WCAG 2.2, success criterion 2.5.8
