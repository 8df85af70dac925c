"""Values and errors become text that does not claim more than it knows."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from promtrack.motion.false_alarms import LEAST_TOLD
from promtrack.rounding import (
    clock,
    counted,
    error_decimals,
    rounded,
    sentence,
    span_text,
    typeset,
    unbroken,
    with_error,
)
from promtrack.show.findings import false_alarm_text


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        # TRUTH  one digit of the error, two where it begins with 1
        (0.827, 0.119, "0.83 ± 0.12"),
        (0.827, 0.367, "0.8 ± 0.4"),
        (37.23, 1.42, "37.2 ± 1.4"),
        (1234.0, 154.0, "1230 ± 150"),
        (1234.0, 355.0, "1200 ± 400"),
        (12.3456, 0.996, "12.3 ± 1.0"),
        (-3.21, 0.2, "−3.2 ± 0.2"),
        (0.01, 0.3, "0.0 ± 0.3"),
        (0.0, 12.0, "0 ± 12"),
    ],
)
def test_value_and_error_are_rounded_together(value, error, text):
    assert with_error(value, error) == text


def test_unknown_errors_are_said_to_be_unknown():
    assert with_error(5.0, math.nan, "km/s") == "5.00 km/s (error unknown)"
    assert with_error(math.nan, 1.0) == "unknown"
    assert with_error(5.0, math.inf) == "5.00 (error unknown)"
    assert with_error(np.float64(5.0), np.float64("nan"), "km/s") == "5.00 km/s (error unknown)"
    assert with_error(np.float64(5.0), np.float64(0.0)) == "5.00"


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_rounding_loses_little_of_the_error(value, error):
    # TRUTH  with one kept digit the error moves by at most 0.5 in 2.5, with two digits by 0.5 in 10; the
    # value moves by at most half a unit of the last place, 0.5 in 1.95.
    shown_value, shown_error = (
        float(part.replace("−", "-")) for part in with_error(value, error).split(" ± ")
    )
    assert abs(shown_error - error) <= 0.2001 * error
    assert abs(shown_value - value) <= 0.257 * error + 1e-9 * abs(value)


def test_decimals_at_the_borders_of_the_rule():
    assert [error_decimals(error) for error in (0.100, 0.194, 0.196, 0.949, 0.951, 1.0)] == [2, 2, 1, 1, 1, 1]


def test_times_and_counts():
    first, last = np.datetime64("2026-06-21T23:58:10"), np.datetime64("2026-06-22T00:31:00")
    assert clock(first) == "23:58:10"
    assert span_text(first, last) == "2026-06-21, 23:58 to 2026-06-22, 00:31 UTC"
    assert span_text(first, first) == "2026-06-21, 23:58 UTC"
    assert counted(1, "track", "tracks") == "1 track"
    assert counted(0, "track", "tracks") == "no tracks"


def test_small_numbers_do_not_become_zero():
    assert false_alarm_text(3.2e-9) == false_alarm_text(LEAST_TOLD) == "below 0.000001"
    assert false_alarm_text(0.0123) == "0.01"
    assert rounded(0.0456, 2) == "0.046"


def test_notes_become_sentences():
    assert sentence("the limb alone gives 1176.0 +- 254.6 px") == "The limb alone gives 1176.0 ± 254.6 px."
    assert sentence("All is well.") == "All is well."


def test_a_number_is_not_torn_from_its_unit():
    assert unbroken("1.05 million km/h, in 103 minutes").count("\N{NO-BREAK SPACE}") == 2
    # TRUTH  blanks inside numbers hold; those between words may break.
    shown = unbroken(
        "up to 294.5 ± 2.4 km/s; ± 1.7 km/s (66.6 ± 0.5 m/s²), 89 of 90 frames, 40 s pass, 3 knots, 0.1 % "
        "± 0.2 %"
    )
    assert shown.replace("\N{NO-BREAK SPACE}", "_") == (
        "up to 294.5_±_2.4_km/s; ±_1.7_km/s (66.6_±_0.5_m/s²), 89 of 90 frames, 40_s pass, 3 knots, "
        "0.1_%_±_0.2_%"
    )


def test_messages_carry_the_signs_of_print():
    # TRUTH  a minus before a number, also after a bracket; a hyphen in a word, a date, a range or a file's
    # name stays.
    assert typeset("off by -0.1 % +- 0.2 % (-.5)") == "off by −0.1 % ± 0.2 % (−.5)"
    for kept in (
        "2026-05-17",
        "frame-7.tif",
        "10-20 km/s",
        "a/-7",
        "--set camera.north_deg=-12",
        "north_deg = -12.5",
        "set camera.north_deg = -12.00",
    ):
        assert typeset(kept) == kept
    assert (
        typeset("P = -20.30 deg and B0 = -2.4 deg; 15.02 +- 0.30 deg")
        == "P = −20.30° and B0 = −2.4°; 15.02 ± 0.30°"
    )
