"""A season: finished runs in, one row each with the runs' own numbers; bad folders named, a thousand in
seconds."""

import base64
import json
import os
import re
import shutil
import time
from dataclasses import replace

import numpy as np
import pytest
from astropy.table import Table
from lxml import html

from promtrack.cli import main
from promtrack.errors import InputError
from promtrack.many import gather_season, write_season
from promtrack.motion.records import NONE
from promtrack.show.season_page import _carried, _row, carried_sentence


def another(small_run, folder, **changes):
    """A second run: the page of a real one with other values, and a report to link to."""
    page = json.loads(small_run.folder["summary"].read_text(encoding="utf-8"))
    folder.mkdir(parents=True)
    (folder / ".stages.json").write_text("{}", encoding="utf-8")
    (folder / "report.html").write_text("<html></html>", encoding="utf-8")
    (folder / "summary.json").write_text(json.dumps(page | changes), encoding="utf-8")
    return folder


@pytest.fixture
def archive(small_run, tmp_path):
    """Two whole runs, one of them poor and with an eruption, an unfinished one, and a damaged one."""
    shutil.copytree(small_run.folder.path, tmp_path / "archive" / "may" / "one run")
    verdict = {
        s: {"level": "poor" if s == "lock" else "fair", "reasons": []} for s in ("lock", "scale", "motion")
    }
    page = json.loads(small_run.folder["summary"].read_text(encoding="utf-8"))
    front = {"front": 1, "pa_deg": 271.0, "speed_km_s": 180.0, "speed_err_km_s": 6.0, "model": NONE}
    found = page["found"] | {"fronts": [front | {"height_mm": 140.0, "height_err_mm": 2.0}]}
    another(
        small_run,
        tmp_path / "archive" / "june",
        verdict=verdict,
        found=found,
        counts=page["counts"] | {"moving_fronts": 1},
        first_time="2026-05-18T09:30:00.000Z",
        last_time="2026-05-18T10:30:00.000Z",
    )
    (tmp_path / "archive" / "begun").mkdir()
    (tmp_path / "archive" / "begun" / ".stages.json").write_text("{}", encoding="utf-8")
    damaged = another(small_run, tmp_path / "archive" / "damaged")
    (damaged / "summary.json").write_text('{"version": "0.1.0", "counts"', encoding="utf-8")
    return tmp_path / "archive"


def test_a_row_holds_the_numbers_of_its_run(archive, small_run, tmp_path):
    season = gather_season([archive], tmp_path)
    one, poor = season.rows
    knot = max((k for k in small_run.motion.knots if k.moving), key=lambda k: k.fit.speed_km_s)
    # TWIN  the errors put together once more from the run's own records
    assert one.knot_speed_km_s == knot.fit.speed_km_s
    assert one.knot_speed_err_km_s == pytest.approx(
        np.hypot(knot.fit.speed_err_km_s, knot.fit.systematic_km_s), rel=1e-12
    )
    tops = [float(np.nanmax(p.height_mm)) for p in small_run.motion.prominences]
    assert (one.prominences, one.height_mm) == (len(tops), max(tops))
    assert one.height_err_mm > 0
    assert (one.date, one.folder, one.report) == (
        str(small_run.sequence.times_utc[0])[:10],
        "archive/may/one run",
        "archive/may/one run/report.html",
    )
    assert (one.fronts, one.poor) == (sum(f.moving for f in small_run.motion.fronts), False)
    assert np.isnan(one.front_speed_km_s)
    assert (poor.poor, poor.lock, poor.front_speed_km_s, poor.front_pa_deg) == (True, "poor", 180.0, 271.0)
    assert (one.front_speed_is_mean, poor.front_speed_is_mean) == (False, True)  # no model describes it
    assert [(e.height_mm, e.speed_is_mean) for e in season.eruptions] == [(140.0, True)]


def test_a_summary_that_names_no_model_of_a_front_counts(archive, tmp_path):
    path = archive / "june" / "summary.json"
    page = json.loads(path.read_text(encoding="utf-8"))
    del page["found"]["fronts"][0]["model"]
    path.write_text(json.dumps(page), encoding="utf-8")
    assert [e.speed_is_mean for e in gather_season([archive / "june"], tmp_path).eruptions] == [False]


def test_unfinished_and_damaged_folders_are_named(archive, tmp_path):
    left_out = gather_season([archive, archive / "may", tmp_path / "nowhere"], tmp_path).left_out
    assert len(left_out) == 3  # what is given twice counts once
    assert any("begun: was not finished" in one for one in left_out)
    assert any("damaged: cannot be read" in one for one in left_out)
    assert any("nowhere: is no folder" in one for one in left_out)


def test_table_page_and_figure(archive, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["season", "archive", "--out", "so far/2026"]) == 0
    said = capsys.readouterr().out
    assert "2 runs" in said
    assert "2 left out" in said
    out = tmp_path / "so far" / "2026"
    table = Table.read(out / "season.ecsv", format="ascii.ecsv")
    assert list(table["poor"]) == [False, True]
    assert table["knot_speed_km_s"].unit == "km / s"
    assert list(table["first_time"]) == sorted(table["first_time"])
    assert (out / "season.png").stat().st_size > 20_000
    assert (out / "season.svg").read_text(encoding="utf-8").count("<svg") == 1
    page = html.fromstring((out / "season.html").read_text(encoding="utf-8"))
    links = page.xpath("//table[1]//a/@href")
    assert links == ["../../archive/may/one%20run/report.html", "../../archive/june/report.html"]
    assert len(page.xpath("//tr[@class='poor']")) == 1
    assert "the Sun turned by" in page.text_content()
    assert page.text_content().count("mean 180 ± 6") == 2  # in both tables
    *stills, drawing = page.xpath("//img/@src")
    assert stills
    assert all(still.startswith("data:image/jpeg;base64,") for still in stills)
    (narrow,) = page.xpath("//source[contains(@media, 'max-width')]/@srcset")  # for a phone
    for one in (drawing, narrow):
        assert one.startswith("data:image/svg+xml;base64,")
    width, height = re.search(
        rb'viewBox="0 0 (\S+) (\S+)"', base64.b64decode(narrow.partition(",")[2])
    ).groups()
    assert float(width) == pytest.approx(72 * 6.4)  # 16 pt are 12 px on 350
    assert float(height) > float(width)
    assert not [a for a in page.xpath("//@src | //link/@href") if not a.startswith("data:")]


def test_of_a_recording_measured_twice_the_newest_run_counts(archive, small_run, tmp_path):
    # TRUTH  a second run of the same recording in another folder; the others are of other times
    before = gather_season([archive], tmp_path)
    again = another(small_run, tmp_path / "archive" / "again")
    season = gather_season([archive], tmp_path)
    assert [row.folder for row in season.rows] == ["archive/again", "archive/june"]
    assert len(season.eruptions) == len(before.eruptions)
    name = json.loads(small_run.folder["summary"].read_text(encoding="utf-8"))["input"]
    said = f"archive/may/one run: {name} is counted once, as archive/again, which is newer"
    assert said in season.left_out
    os.utime(again / "summary.json", (0, 0))
    rows = gather_season([archive], tmp_path).rows
    assert [row.folder for row in rows] == ["archive/may/one run", "archive/june"]
    os.utime(again / "summary.json")
    (again / "report.html").unlink()  # broken off: newer, and without a page
    season = gather_season([archive], tmp_path)
    assert [row.folder for row in season.rows] == ["archive/may/one run", "archive/june"]
    assert any(one.endswith("as archive/may/one run, which is finished") for one in season.left_out)
    write_season([archive], tmp_path / "out")
    assert "is counted once" in (tmp_path / "out" / "season.html").read_text(encoding="utf-8")


def test_a_recording_under_another_name_counts_once(archive, small_run, tmp_path):
    # TRUTH  the same frames of the same times, measured from a copy of the folder
    copy = another(small_run, tmp_path / "archive" / "copy", input="renamed")
    season = gather_season([archive], tmp_path)
    assert [row.recording for row in season.rows].count("renamed") == 1
    assert len(season.rows) == 2
    assert any("is counted once, as archive/copy" in one for one in season.left_out)
    page = json.loads((copy / "summary.json").read_text(encoding="utf-8"))
    (copy / "summary.json").write_text(json.dumps(page | {"frames_read": 12}), encoding="utf-8")
    assert len(gather_season([archive], tmp_path).rows) == 3  # another camera at the same time


def test_a_run_of_a_part_counts_with_the_whole_once_and_another_session_by_itself(
    archive, small_run, tmp_path
):
    # TRUTH  minutes inside those of the whole recording, and minutes an hour after its end, under one name
    page = json.loads(small_run.folder["summary"].read_text(encoding="utf-8"))
    first, last = (np.datetime64(page[name].rstrip("Z")) for name in ("first_time", "last_time"))
    inner, hour = (last - first) // 4, np.timedelta64(1, "h")
    for name, begins, ends in (
        ("part", first + inner, last - inner),
        ("later", last + hour, last + 2 * hour),
    ):
        times = {"first_time": f"{begins}Z", "last_time": f"{ends}Z", "frames_read": 10}
        another(small_run, tmp_path / "archive" / name, **times)
    season = gather_season([archive], tmp_path)
    assert [row.folder for row in season.rows] == ["archive/part", "archive/later", "archive/june"]
    assert any(
        "may/one run: " in one and "is counted once, as archive/part" in one for one in season.left_out
    )
    os.utime(tmp_path / "archive" / "part" / "summary.json", (0, 0))
    assert [row.folder for row in gather_season([archive], tmp_path).rows] == [
        "archive/may/one run",
        "archive/later",
        "archive/june",
    ]


def test_no_run_at_all_is_an_error(tmp_path):
    with pytest.raises(InputError, match="no finished run"):
        write_season([tmp_path], tmp_path / "season")
    assert not (tmp_path / "season").exists()


def test_rotation_is_said_between_sessions_and_not_over_weeks(archive, tmp_path):
    one, two = gather_season([archive], tmp_path).rows
    # TRUTH  by hand: the middles, 09:33:10 and 10:00 of the next day, lie 24.45 h apart; 13.727 deg a day
    # make 13.98 deg, and R (1 - cos) 20.62 Mm.
    said = carried_sentence(one, two)
    assert "in 24.4 h the Sun turned by 14.0°" in said
    assert "sank by 20.62 Mm" in said
    assert carried_sentence(two, one) == ""

    # an hour of one camera, and two short runs of another within it and a minute apart
    def at(row, first, last):
        return replace(row, first_time=f"2026-05-17T{first}:00.000Z", last_time=f"2026-05-17T{last}:00.000Z")

    hour, first, second = at(one, "09:00", "10:00"), at(one, "09:10", "09:14"), at(one, "09:40", "09:45")
    evening = at(one, "16:00", "17:00")
    said = html.fromstring(_carried((hour, first, second, evening))).text_content()
    assert said.count("the Sun turned") == 1
    assert "2026-05-17 09:00 to 2026-05-17 16:00: in 7.0 h" in said
    assert carried_sentence(first, at(one, "09:15", "09:19")) == ""  # nothing sank by 0.01 Mm


def test_the_time_of_a_run_has_a_fitting_unit(archive, tmp_path):
    row = replace(gather_season([archive], tmp_path).rows[0], frames_used=2, frames_read=2, span_s=30.0)
    assert _row(row).cells["frames used"].text == "2 of 2 in 30 s"
    assert _row(replace(row, span_s=3.5 * 3600)).cells["frames used"].text == "2 of 2 in 3.5 h"


def test_a_thousand_runs_take_seconds(small_run, tmp_path):
    # TRUTH  a thousand folders; 5 s of processor time is the goal
    text = small_run.folder["summary"].read_text(encoding="utf-8")
    for number in range(1000):
        folder = tmp_path / "archive" / f"{number:04d}"
        folder.mkdir(parents=True)
        (folder / "summary.json").write_text(
            text.replace('"input": "', f'"input": "{number} ').replace(
                '"frames_read": ', f'"frames_read": {number + 1}'
            ),
            encoding="utf-8",
        )
    start = time.process_time()
    season = gather_season([tmp_path / "archive"], tmp_path)
    assert len(season.rows) == 1000
    assert time.process_time() - start < 5.0
