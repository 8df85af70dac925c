"""One run on a folder as folders really are: spoiled files among good ones are left out and listed, and
nothing breaks."""

import json
import os
import sys

import lxml.html
import numpy as np
import pytest
import tifffile
from astropy.table import Table

from promtrack.cli import main
from tests.conftest import QUICK_OPTIONS
from tests.messy import contents

MARKUP = (
    "<img src=x onerror=alert(1)> & \"q\" 'a'" if os.name == "posix" else "& 'a'"
)  # some systems refuse the others in names


@pytest.fixture(scope="module")
def messy(small_scene, tmp_path_factory):
    """Folder, products and what was printed: odd names, spoiled files, pixels that are no numbers, times at
    night."""
    base = tmp_path_factory.mktemp("messy")
    folder = base / f"östlicher Rand ☀️ 東 {MARKUP}"
    folder.mkdir()
    for i in range(16):
        picture = small_scene.frame(i).astype(np.float32)
        picture[10:13, 20:30] = (np.nan, np.inf, -np.inf)[i % 3]
        if i == 7:
            picture[:] = 0.0
        name = f"2026-05-17T09-{30 + i // 3:02d}-{20 * (i % 3):02d}Z {MARKUP if i == 7 else 'é'}.tif"
        tifffile.imwrite(folder / name, picture, photometric="minisblack")
    (folder / f"2026-05-17T09-50-00Z {MARKUP}.tif").write_bytes(b"")
    whole = (folder / "2026-05-17T09-30-00Z é.tif").read_bytes()
    (folder / "2026-05-17T09-51-00Z.tif").write_bytes(whole[:5000])
    tifffile.imwrite(
        folder / "2026-05-17T09-52-00Z.tif", np.zeros((30, 40), np.uint16), photometric="minisblack"
    )
    (folder / "._2026-05-17T09-30-00Z.tif").write_bytes(b"\0\5\x16\7")
    (folder / "notes.txt").write_text("thin cloud at first", encoding="utf-8")
    if sys.platform == "linux":
        with open(
            os.fsencode(folder) + b"/2026-05-17T09-53-00Z \xff.tif", "wb"
        ) as file:  # a name that is no UTF-8
            file.write(b"no picture")
    before = contents(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(base)
        options = [option for option in QUICK_OPTIONS if option != "--quiet"]
        status = main(
            [
                "run",
                folder.name,
                *options,
                "--set",
                f"clip.title=Rand {MARKUP}",
                "--set",
                "site.latitude_deg=20",
                "--set",
                "site.longitude_deg=-160",
                "--set",
                "camera.north_deg=12",
            ]
        )
    assert contents(folder) == before
    return folder, base / f"{folder.name}-promtrack", status


def test_it_ends_well(messy):
    _, out, status = messy
    assert status == 3  # done, and poor: the times put the Sun below the horizon of the site
    assert (out / "report.html").exists()


def test_what_was_left_out_is_in_the_summary(messy):
    page = json.loads((messy[1] / "summary.json").read_text(encoding="utf-8"))
    reasons = {entry["file"]: entry["reason"] for entry in page["frames_unreadable"]}
    assert "is empty" in reasons[f"2026-05-17T09-50-00Z {MARKUP}.tif"]
    assert "cut short" in reasons["2026-05-17T09-51-00Z.tif"]
    assert "40 x 30 16-bit, the others are 400 x 300 float" in reasons["2026-05-17T09-52-00Z.tif"]
    assert len(reasons) == (4 if sys.platform == "linux" else 3)
    assert [entry["file"] for entry in page["frames_left_out"]] == [f"2026-05-17T09-32-20Z {MARKUP}.tif"]
    assert "all black" in page["frames_left_out"][0]["reason"]
    assert (page["frames_read"], page["frames_used"]) == (16, 15)
    assert any("not finite numbers count as 0" in note for note in page["notes"])


def test_what_was_left_out_is_in_the_report_and_the_log(messy):
    text = lxml.html.fromstring((messy[1] / "report.html").read_text(encoding="utf-8")).text_content()
    log = (messy[1] / "promtrack.log").read_text(encoding="utf-8")
    for words in (
        f"2026-05-17T09-50-00Z {MARKUP}.tif",
        "is empty",
        "2026-05-17T09-51-00Z.tif",
        "cut short",
        "30 16-bit",
    ):
        assert words in text
        assert words in log
    assert f"2026-05-17T09-32-20Z {MARKUP}.tif" in text
    assert "all black" in text


def test_times_at_night_are_said_everywhere(messy):
    # TRUTH  at 160 deg west local noon is near 22:40 UTC, so 09:30 UTC is an hour before
    # midnight.
    words = "below the horizon of the site"
    for name in ("summary.json", "report.html", "promtrack.log"):
        assert words in (messy[1] / name).read_text(encoding="utf-8"), name


def test_markup_in_names_is_text_in_the_report(messy):
    page = lxml.html.fromstring((messy[1] / "report.html").read_text(encoding="utf-8"))
    assert not [image for image in page.iter("img") if image.get("src") == "x"]
    assert not [
        tag
        for tag in page.iter()
        if isinstance(tag.tag, str) and any(name.startswith("on") for name in tag.attrib)
    ]
    assert MARKUP in page.text_content()


def test_tables_hold_the_names_as_they_are(messy):
    table = Table.read(messy[1] / "frames.ecsv", format="ascii.ecsv")
    assert f"2026-05-17T09-32-20Z {MARKUP}.tif" in list(table["file"])
    assert len(table) == 16


def test_each_stage_finds_its_way_back(messy):
    for stage in ("lock", "report"):
        assert main([stage, str(messy[1]), "--quiet"]) == 0
        assert "32-20Z" in (messy[1] / "report.html").read_text(encoding="utf-8")
