"""Times from every source: names, FITS keywords, tables, cadence, file dates; zones; and what is odd about
them."""

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
import tifffile
from astropy.table import Table
from astropy.time import Time

from promtrack.errors import InputError, SettingsError
from promtrack.sequence import open_sequence
from promtrack.sequence.fits_header import middle_of_exposure
from promtrack.sequence.stamps import find_stamp, parse_stamp, read_zone, stamps_to_utc
from promtrack.settings import TimesSettings
from tests.sequence.make import picture, write_stills

T = datetime(2026, 5, 17, 9, 31, 20)


@pytest.mark.parametrize(
    ("name", "written", "zone"),
    [
        # common practice, no source: how capture programs, cameras and people write the time into a file name
        ("2026-05-17T09-31-20Z", T, UTC),
        ("2026-05-17T09:31:20Z", T, UTC),
        ("20260517_093120", T, None),
        ("20260517T093120", T, None),
        ("20260517T093120Z", T, UTC),
        ("20260517093120", T, None),
        ("2026-05-17 09.31.20", T, None),
        ("2026_05_17_09_31_20", T, None),
        ("2026.05.17-09.31.20", T, None),
        ("20260517-093120", T, None),
        ("Sun_2026-05-17_09h31m20s", T, None),
        ("2026-05-17T093120", T, None),
        ("prom 2026-05-17 at 09.31.20", T, None),
        ("ha_20260517_093120_0001", T, None),
        ("0012_20260517_093120", T, None),
        ("2026-05-17T09-31-20.123Z", T.replace(microsecond=123000), UTC),
        ("20260517_093120_123ms", T.replace(microsecond=123000), None),
        ("20260517_093120.5", T.replace(microsecond=500000), None),
        ("20260517_093120-123ms", T.replace(microsecond=123000), None),
        ("IMG_20260517_093120123", T.replace(microsecond=123000), None),
        ("2026-05-17T09-31-20,123456", T.replace(microsecond=123456), None),
        ("Sun 2026-05-17 at 9.31.20 AM", T, None),
        ("Sun 2026-05-17 at 02.30.05 PM", T.replace(hour=14, minute=30, second=5), None),
        ("2026-05-17_12-00-00 am", T.replace(hour=0, minute=0, second=0), None),
        ("20260517_093120UT", T, UTC),
        ("20260517_093120_UTC_ha", T, UTC),
        ("2026-05-17T11-31-20+0200", T.replace(hour=11), timezone(timedelta(hours=2))),
        ("2026-05-17T11-31-20+02:00", T.replace(hour=11), timezone(timedelta(hours=2))),
        ("1779010280", T, UTC),
        ("cap_1779010280123", T.replace(microsecond=123000), UTC),
        ("frame.1779010280.25", T.replace(microsecond=250000), UTC),
    ],
)
def test_stamps_in_names(name, written, zone):
    stamp = find_stamp(name)
    assert stamp.written == written
    assert (stamp.zone is None) == (zone is None)
    assert zone is None or stamp.zone.utcoffset(None) == zone.utcoffset(None)


@pytest.mark.parametrize(
    "name",
    [
        "frame_0001",
        "2026-05-17",
        "20261317_093120",
        "20260517_253120",
        "20260517_096120",
        "sun",
        "123456789012345678",
        "20260230_101010",
        "2026-05-17_0931_1",  # a running number is no time of day
        "2026-05-17-0931_20",
        "2026-05-17_0931",
        "2026-05-17 13.31.20 PM",
    ],
)
def test_names_without_a_stamp(name):
    assert find_stamp(name) is None


@pytest.mark.parametrize(
    ("text", "written", "scale"),
    [
        # PUBLISHED  FITS Standard 4.0 section 9.1.1 (ISO 8601 subset), section 9.3 (TAI)
        ("2026-05-17T09:31:20", T, "utc"),
        ("2026-05-17T09:31:20.25", T.replace(microsecond=250000), "utc"),
        ("2026-05-17", datetime(2026, 5, 17), "utc"),
        ("2012.07.19_07:30:43_TAI", datetime(2012, 7, 19, 7, 30, 43), "tai"),
        ("2016-12-31T23:59:60", datetime(2017, 1, 1), "utc"),
    ],
)
def test_stamps_of_headers(text, written, scale):
    assert (parse_stamp(text).written, parse_stamp(text).scale) == (written, scale)


@pytest.mark.parametrize(
    "text", ["", "now", "2026-05", "9999999", "2026-05-17T25:00:00", "0000-00-00T00:00:00", "٢٠٢٦-٠٥-١٧"]
)
def test_no_stamps(text):
    assert parse_stamp(text) is None


@pytest.mark.parametrize(
    ("cards", "middle_s", "label"),
    [
        # PUBLISHED  SOLARNET schema: DATE-BEG is the start, DATE-AVG the average, XPOSURE the exposure;
        # DATE-OBS usually the start
        (
            {"DATE-BEG": "2026-05-17T09:31:20", "DATE-OBS": "2026-05-17T09:00:00", "XPOSURE": 4.0},
            2.0,
            "DATE-BEG + XPOSURE / 2",
        ),
        ({"DATE-OBS": "2026-05-17T09:31:20", "EXPTIME": 3}, 1.5, "DATE-OBS + EXPTIME / 2"),
        ({"DATE-OBS": "2026-05-17T09:31:20", "TEXPOSUR": 0.5}, 0.25, "DATE-OBS + TEXPOSUR / 2"),
        ({"DATE-OBS": "2026-05-17T09:31:19", "DATE-AVG": "2026-05-17T09:31:20"}, 0.0, "DATE-AVG"),
        ({"T_OBS": "2026-05-17T09:31:20"}, 0.0, "T_OBS"),
        (
            {"DATE-BEG": "2026-05-17T09:31:20", "DATE-END": "2026-05-17T09:31:26"},
            3.0,
            "middle of DATE-BEG and DATE-END",
        ),
        ({"DATE-OBS": "2026-05-17", "TIME-OBS": "09:31:20", "EXPTIME": 1.0}, 0.5, "DATE-OBS + EXPTIME / 2"),
        (
            {"DATE-OBS": "2026-05-17T09:31:20"},
            0.0,
            "DATE-OBS (start of the exposure, whose length is not given)",
        ),
        (
            {"DATE-OBS": "2026-05-17T09:31:20", "EXPTIME": -1.0},
            0.0,
            "DATE-OBS (start of the exposure, whose length is not given)",
        ),
        ({"MJD-OBS": Time("2026-05-17T09:31:20").mjd, "EXPTIME": 2.0}, 1.0, "MJD-OBS + exposure / 2"),
    ],
)
def test_middle_of_the_exposure(cards, middle_s, label):
    stamp, shift, used = middle_of_exposure(cards)
    # a modified Julian date in double precision holds 0.6 us
    assert abs((stamp.written - T).total_seconds()) < 1e-5
    assert (shift, used) == (middle_s, label)


@pytest.mark.parametrize(
    ("system", "astropy_scale"), [("TAI", "tai"), ("TT", "tt"), ("UTC", "utc"), ("", "utc")]
)
def test_time_systems(system, astropy_scale):
    # TWIN  astropy.time; PUBLISHED  FITS Standard 4.0 section 9.2.1: TIMESYS, UTC by default
    stamp, _, _ = middle_of_exposure(
        {"DATE-AVG": "2026-05-17T09:31:20"} | ({"TIMESYS": system} if system else {})
    )
    times, _ = stamps_to_utc([stamp], UTC)
    expected = np.datetime64(Time("2026-05-17T09:31:20", scale=astropy_scale).utc.isot)
    assert abs(times[0] - expected) < np.timedelta64(2, "ms")


def test_zone_as_offset_and_by_name(tmp_path):
    write_stills(tmp_path / "in", 2)
    for path in (tmp_path / "in").iterdir():
        path.rename(path.with_name(path.name.replace("Z.tif", ".tif")))
    for zone in ("+02:00", "+0200", "+2", "Europe/Madrid"):  # summer time, two hours ahead
        first = open_sequence(tmp_path / "in", times=TimesSettings(zone=zone)).times_utc[0]
        assert first == np.datetime64("2026-05-17T07:31:20")
    moved = open_sequence(tmp_path / "in", times=TimesSettings(offset_s=-1.5))
    assert moved.times_utc[0] == np.datetime64("2026-05-17T09:31:18.500")


@pytest.mark.parametrize("zone", ["Mars/Olympus", "+99:00", "../etc/passwd", "two"])
def test_unknown_zones(zone):
    with pytest.raises(SettingsError, match=r"times\.zone"):
        read_zone(zone)


def test_clock_change():
    # PUBLISHED  EU directive 2000/84/EC: summer time ends on the last Sunday of October, and begins on the
    # last of March, at 01:00 UTC; in Madrid 02:00 to 03:00 is shown twice, or left out
    madrid = read_zone("Europe/Madrid")
    times, problems = stamps_to_utc([parse_stamp("2025-10-26T02:30:00")], madrid)
    assert times[0] == np.datetime64("2025-10-26T00:30:00")
    assert "twice" in problems[0]
    _, problems = stamps_to_utc([parse_stamp("2025-03-30T02:30:00")], madrid)
    assert "leave out" in problems[0]
    assert stamps_to_utc([parse_stamp("2025-10-26T12:30:00")], madrid)[1] == []
    assert stamps_to_utc([parse_stamp("2025-10-26T02:30:00Z")], madrid)[1] == []


def plain(folder, names):
    folder.mkdir(exist_ok=True)
    for i, name in enumerate(names):
        tifffile.imwrite(folder / name, picture(i), photometric="minisblack")
    return folder


def test_duplicate_backward_and_missing_times_are_reported(tmp_path):
    names = [
        "a1_20260517_093120.tif",
        "a2_20260517_093140.tif",
        "a3_20260517_093130.tif",
        "a4_20260517_093140.tif",
        "a5_no_time.tif",
        "a6_20260517_093150.tif",
        "a7_20260517_093600.tif",
    ]
    sequence = open_sequence(plain(tmp_path / "in", names))
    assert [name[:2] for name in sequence.names] == ["a1", "a3", "a2", "a6", "a7"]
    assert sequence.time_s.tolist() == [0, 10, 20, 30, 280]
    assert [(r.file, r.reason) for r in sequence.unreadable] == [
        ("a5_no_time.tif", "has no time"),
        ("a4_20260517_093140.tif", "has the same time as a2_20260517_093140.tif"),
    ]
    problems = " / ".join(sequence.time_report.problems)
    assert "1 frame without a usable time left out (first: a5_" in problems
    assert "1 frame earlier than the one before" in problems
    assert "a3_20260517_093130.tif" in problems
    assert "1 frame with the same time as the one before left out (first: a4_" in problems
    assert "longest: 250 s after 2026-05-17T09:31:50Z" in problems


def test_numbers_that_the_stamps_contradict_do_not_order_the_frames(tmp_path):
    names = [f"20260517_0931{10 * i:02d}_{8 - i:03d}.tif" for i in range(6)]
    sequence = open_sequence(plain(tmp_path / "in", names))
    assert list(sequence.names) == names
    assert sequence.time_report.problems == ()


@pytest.mark.parametrize("step_s", [0, 7])
def test_a_clock_set_back_within_a_recording_is_refused(step_s, tmp_path):
    # TRUTH  one frame in 5 minutes; after 65 minutes the clock goes back by an hour, or by 7 s less
    clock = np.datetime64("2026-10-25T08:00:00") + np.timedelta64(300, "s") * np.arange(24)
    clock[13:] -= np.timedelta64(3600 - step_s, "s")
    stamps = [str(one).replace(":", "").replace("-", "") for one in clock]
    with pytest.raises(InputError, match=r"times go back at a13_2026.*a clock that was set back, or two rec"):
        open_sequence(plain(tmp_path / "in", [f"a{i:02d}_{stamp}.tif" for i, stamp in enumerate(stamps)]))


def test_a_frame_of_another_day_is_left_out(tmp_path):
    names = [f"2026-05-17T09-31-{20 + i}.tif" for i in range(6)] + ["2000-01-01T00-00-00.tif"]
    sequence = open_sequence(plain(tmp_path / "in", names))
    assert len(sequence) == 6
    assert "2000-01-01T00:00:00Z is days from the others" in sequence.unreadable[0].reason


def test_a_clock_that_was_never_set_is_said(tmp_path):
    sequence = open_sequence(
        plain(tmp_path / "in", [f"{i}.tif" for i in range(3)]),
        times=TimesSettings(start="1980-01-01T00:00:00Z", cadence_s=5.0),
    )
    assert "the clock was hardly set" in sequence.time_report.problems[0]


def test_one_time_for_all_is_refused(tmp_path):
    with pytest.raises(InputError, match="all 3 frames carry the same time, 2026-05-17T09:31:20Z"):
        open_sequence(plain(tmp_path / "in", [f"20260517_093120_{i}.tif" for i in range(3)]))


def test_no_time_at_all_says_what_to_do(tmp_path):
    with pytest.raises(InputError, match=r"no frame says when it was recorded.*times\.start=") as caught:
        open_sequence(plain(tmp_path / "in", ["a.tif", "b.tif"]))
    assert str(tmp_path / "in") in str(caught.value)


def test_user_pattern(tmp_path):
    folder = plain(tmp_path / "in", ["x17-05-2026 93120.25 q.tif", "x17-05-2026 93121.25 q.tif"])
    sequence = open_sequence(folder, times=TimesSettings(pattern="%d-%m-%Y %H%M%S.%f"))
    assert sequence.time_report.source == "names"
    assert sequence.time_s.tolist() == [0.0, 1.0]
    with pytest.raises(SettingsError, match=r"times\.pattern .*%Q"):
        open_sequence(folder, times=TimesSettings(pattern="%Q"))
    with pytest.raises(SettingsError, match="has no year"):
        open_sequence(folder, times=TimesSettings(pattern="%H%M%S.%f"))
    dated = open_sequence(folder, times=TimesSettings(pattern=" %H%M%S.%f", start="2026-05-17"))
    assert dated.times_utc[0] == np.datetime64("2026-05-17T09:31:20.25")


@pytest.mark.parametrize("kind", ["csv", "semicolons", "ecsv"])
def test_table_of_times(tmp_path, kind):
    folder = plain(tmp_path / "in", ["a 1.tif", "b.tif", "c.tif"])
    rows = [
        ("a 1.tif", "2026-05-17T09:31:20"),
        ("b", "2026-05-17T09:31:30Z"),
        ("d.tif", "2026-05-17T09:31:50"),
    ]
    path = tmp_path / f"times.{kind}"
    if kind == "ecsv":
        Table(rows=rows, names=("file", "time")).write(path, format="ascii.ecsv")
    else:
        mark = "," if kind == "csv" else ";"
        path.write_text("\n".join(mark.join(row) for row in [("File", "Time"), *rows]), encoding="utf-8-sig")
    sequence = open_sequence(folder, times=TimesSettings(table=str(path)))
    assert sequence.time_report.source == "table"
    assert sequence.names == ("a 1.tif", "b.tif")
    assert sequence.unreadable[0].file == "c.tif"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "cannot be read"),
        ("", "is empty"),
        ("name,when\na,b\n", "columns name, when"),
        ("file,time\na.tif,soon\n", "row 2"),
        ("file,time\na.tif\n", "row 2"),
        (b"\xff\xfe\x00bad", "no UTF-8"),
    ],
)
def test_bad_tables(tmp_path, content, words):
    folder, path = plain(tmp_path / "in", ["a.tif", "b.tif"]), tmp_path / "t.csv"
    if content is not None:
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(SettingsError, match=words) as caught:
        open_sequence(folder, times=TimesSettings(table=str(path)))
    assert "t.csv" in str(caught.value)


def test_start_and_cadence(tmp_path):
    folder = plain(tmp_path / "in", ["a.tif", "b.tif"])
    sequence = open_sequence(folder, times=TimesSettings(start="2026-05-17 11:31:20+02:00", cadence_s=7.5))
    assert sequence.times_utc[1] == np.datetime64("2026-05-17T09:31:27.5")
    with pytest.raises(SettingsError, match=r"times\.start 'noon'"):
        open_sequence(folder, times=TimesSettings(start="noon", cadence_s=1.0))
    with pytest.raises(InputError, match=r"times\.cadence_s is missing"):
        open_sequence(folder, times=TimesSettings(source="cadence", start="2026-05-17T09:31:20Z"))
    with pytest.raises(InputError, match=r"times\.start is given, but times\.cadence_s is missing"):
        open_sequence(folder, times=TimesSettings(start="2026-05-17T09:31:20Z"))
    with pytest.raises(InputError, match=r"times\.cadence_s is given, but times\.start is missing"):
        open_sequence(folder, times=TimesSettings(cadence_s=5.0))


def test_a_start_that_is_not_used_is_told(tmp_path):
    folder = plain(tmp_path / "in", ["2026-05-17T09-31-20Z.tif", "2026-05-17T09-31-30Z.tif"])
    given = TimesSettings(start="2026-05-17T08:00:00Z", cadence_s=7.5)
    assert any(
        "times.start is not used" in problem
        for problem in open_sequence(folder, times=given).time_report.problems
    )
    obeyed = open_sequence(folder, times=replace(given, source="cadence"))
    assert obeyed.time_s[1] == 7.5
    assert obeyed.time_report.problems == ()


def test_file_dates_only_when_asked(tmp_path):
    folder = plain(tmp_path / "in", ["a.tif", "b.tif"])
    for i, name in enumerate(("a.tif", "b.tif")):
        os.utime(folder / name, (1779010280 + i, 1779010280 + 4 * i))
    with pytest.raises(InputError):
        open_sequence(folder)
    sequence = open_sequence(folder, times=TimesSettings(source="file-date"))
    assert sequence.time_s.tolist() == [0.0, 4.0]
    assert sequence.times_utc[0] == np.datetime64("2026-05-17T09:31:20")
    assert "copying may change them" in sequence.time_report.problems[0]
