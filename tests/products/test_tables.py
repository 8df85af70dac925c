"""Products come back as the records they were made from, and outside readers understand them."""

import dataclasses
import json

import numpy as np
import pytest
from astropy import units
from astropy.io import fits
from astropy.table import QTable

from promtrack.checks import Check
from promtrack.errors import InputError
from promtrack.motion.records import Prominence
from promtrack.products.folder import ProductFolder
from promtrack.products.strips import finish_strip, read_strip, strip_header
from promtrack.products.summary import motion_lines, read_summary, write_summary
from promtrack.products.tables import read_lock, read_motion, write_lock, write_motion
from promtrack.show.quoted import knot_height
from promtrack.strip.store import StripWriter, in_steps, packed
from promtrack.sun import Circumstances
from tests.show.fake_run import fake_run


@pytest.fixture(scope="module")
def measured():
    return fake_run()


@pytest.fixture
def folder(tmp_path):
    return ProductFolder(tmp_path)


def place(frame, angle_deg, height_mm):
    return 100.0 + frame, angle_deg + height_mm


def same(a, b, path="record"):
    """Compare two records field by field, arrays exactly."""
    if dataclasses.is_dataclass(a):
        for f in dataclasses.fields(a):
            same(getattr(a, f.name), getattr(b, f.name), f"{path}.{f.name}")
    elif isinstance(a, tuple):
        assert len(a) == len(b), path
        for i, (one, other) in enumerate(zip(a, b, strict=True)):
            same(one, other, f"{path}[{i}]")
    elif isinstance(a, np.ndarray):
        np.testing.assert_array_equal(np.asarray(b, dtype=a.dtype), a, err_msg=path)
    elif isinstance(a, float) and np.isnan(a):
        assert np.isnan(b), path
    else:
        assert a == b, path


STEP = 0.4  # counts, a quarter of the noise of the made strips


def about_of(measured):
    return Circumstances(measured.view, measured.scale, measured.orientation)


def write_strip(folder, measured):
    about = about_of(measured)
    path, strip = folder["strip"], measured.strip
    path.unlink(missing_ok=True)
    with StripWriter(
        path, strip.shape, STEP, strip_header(strip.geometry, strip.times_utc, about, "0.1.0")
    ) as file:
        for plane in strip.read():
            file.add(packed([in_steps(plane, STEP)])[0])
    finish_strip(path, measured.strip, measured.sequence, measured.lock, about)


def test_lock_comes_back(folder, measured):
    # TRUTH  what was written, to the digits that are written
    checks = (Check("lock", "edge against features", "poor", "They differ by 3 px."),)
    written = dataclasses.replace(measured.lock, checks=checks)
    write_lock(folder, measured.sequence, written)
    back = read_lock(folder)
    assert back.checks == checks
    for f in dataclasses.fields(back):
        one, other = getattr(written, f.name), getattr(back, f.name)
        if f.name.endswith("points_px"):
            np.testing.assert_allclose(other, one, atol=0.00051)  # written to 0.001 px
        else:
            same(one, other, f.name)


def made_prominences(strip):
    """Two with random courses; the second is not always seen."""
    rng, n = np.random.default_rng(3), len(strip)
    courses = rng.uniform(1.0, 9.0, (2, 6, n))
    courses[1, :, : n // 2] = np.nan
    return tuple(
        Prominence(
            i + 1, 10.0 + i, 15.5 + i, 12.25 + i, strip.time_s, strip.frame, *course, leaves_strip=bool(i)
        )
        for i, course in enumerate(courses)
    )


def test_motion_comes_back(folder, measured):
    write_strip(folder, measured)
    strip = read_strip(folder)
    checks = (Check("motion", "fixed on the sensor", "good", "Nothing stands still there."),)
    motion = dataclasses.replace(measured.motion, checks=checks, prominences=made_prominences(strip))
    write_motion(folder, strip, motion, place)
    back = read_motion(folder, strip)
    for f in dataclasses.fields(back):
        if f.name != "slits":  # cut again from the strip
            same(getattr(motion, f.name), getattr(back, f.name), f.name)
    assert [s.name for s in back.slits] == [s.name for s in measured.motion.slits]


def test_angles_of_points_are_within_the_circle_and_come_back_unbroken(folder, measured):
    # TRUTH  the same motion, turned so that north lies in the midst of every track
    motion, geometry = measured.motion, measured.strip.geometry
    knots = tuple(
        dataclasses.replace(
            knot,
            angle_deg=np.linspace(358.0, 363.0, len(knot.frame)),
            curve_angle_deg=np.linspace(358.1, 362.9, len(knot.frame)),
        )
        for knot in motion.knots
    )
    strip = dataclasses.replace(
        measured.strip,
        geometry=dataclasses.replace(geometry, from_deg=345.0, columns=300, deg_per_column=0.9),
    )
    (front,) = motion.fronts
    # in a wide sector an edge may jump by more than half a circle, and a place may be unknown
    jumping = np.where(np.arange(len(front.frame)) % 2, 346.0, 610.0)
    jumping[1] = np.nan
    front = dataclasses.replace(front, from_deg=362.0, to_deg=365.0, angle_deg=jumping)
    write_motion(folder, strip, dataclasses.replace(motion, knots=knots, fronts=(front,), slits=()), place)
    table = QTable.read(folder["knot_points"], format="ascii.ecsv")
    for name in ("pa_deg", "model_pa_deg"):
        assert (table[name].value >= 0.0).all()
        assert (table[name].value < 360.0).all()
    mean = QTable.read(folder["knots"], format="ascii.ecsv")["pa_deg"].value
    assert mean == pytest.approx(np.full(len(knots), 0.5))
    fits = QTable.read(folder["front_fits"], format="ascii.ecsv")
    assert fits["from_deg"].value == pytest.approx(np.full(len(fits), 2.0))
    assert fits["to_deg"].value == pytest.approx(np.full(len(fits), 5.0))
    read = read_motion(folder, strip)
    assert (read.fronts[0].from_deg, read.fronts[0].to_deg) == (362.0, 365.0)
    np.testing.assert_allclose(read.fronts[0].angle_deg, front.angle_deg, atol=1e-9)
    for knot, back in zip(knots, read.knots, strict=True):
        np.testing.assert_allclose(back.angle_deg, knot.angle_deg, atol=1e-9)
        np.testing.assert_allclose(back.curve_angle_deg, knot.curve_angle_deg, atol=1e-9)


def test_motion_without_any_knot_comes_back(folder, measured):
    nothing = dataclasses.replace(
        measured.motion, knots=(), fronts=(), ridges=(), oscillations=(), slits=(), prominences=()
    )
    write_strip(folder, measured)
    write_motion(folder, read_strip(folder), nothing, place)
    back = read_motion(folder, read_strip(folder))
    assert (back.knots, back.fronts, back.ridges, back.oscillations, back.slits) == ((), (), (), (), ())


def test_strip_comes_back(folder, measured):
    # TRUTH  what was written, to half a step of the stored integers
    write_strip(folder, measured)
    back = read_strip(folder)
    np.testing.assert_allclose(back.read(), measured.strip.read(), atol=0.501 * STEP)
    np.testing.assert_array_equal(back.read(3, 5), back.read()[3:5])
    same(measured.strip.geometry, back.geometry)
    np.testing.assert_array_equal(back.times_utc, measured.strip.times_utc)
    np.testing.assert_array_equal(back.frame, measured.strip.frame)


def test_strip_is_standard_fits(folder, measured):
    # TWIN  astropy's own check against the FITS Standard (verify='exception').
    write_strip(folder, measured)
    with fits.open(folder["strip"]) as hdus:
        hdus.verify("exception")
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "STRIPS", "TIMES", "NOISE", "REFERENCE"]
        assert hdus["STRIPS"].data.shape == measured.strip.shape
        assert hdus["REFERENCE"].data.shape == measured.sequence.shape
    assert folder["strip"].stat().st_size % 2880 == 0


def test_tables_open_with_units(folder, measured):
    # TWIN  astropy's own reader of tables with units.
    write_strip(folder, measured)
    write_motion(folder, read_strip(folder), measured.motion, place)
    knots = QTable.read(folder["knots"])
    assert knots["speed_km_s"].unit == units.km / units.s
    assert knots["accel_m_s2"].unit == units.m / units.s**2
    assert knots["height_mm"].unit == units.Mm
    assert QTable.read(folder["prominences"])["area_err_mm2"].unit == units.Mm**2
    at = [knot_height(measured, knot).value for knot in measured.motion.knots]  # as the report has it
    assert knots["height_mm"].value == pytest.approx(at)
    assert (knots["height_err_mm"].value > 0.0).all()
    points = QTable.read(folder["knot_points"])
    first = points[0]
    assert first["x_px"].value == pytest.approx(100.0 + first["frame"])
    assert first["y_px"].value == pytest.approx(first["pa_deg"].value + first["height_mm"].value)


GOOD = {"lock": ("good", ("It holds.",)), "scale": ("good", ()), "motion": ("fair", ())}


def summed_up(folder, measured, verdict):
    write_summary(
        folder,
        "0.1.0",
        measured.sequence,
        measured.lock,
        about=about_of(measured),
        verdict=verdict,
        measured=measured,
    )
    return read_summary(folder)


def test_summary_holds_the_contract(folder, measured):
    page = summed_up(folder, measured, GOOD)
    json.dumps(page, allow_nan=False)
    assert {
        "version",
        "input",
        "frames_read",
        "frames_used",
        "span_s",
        "cadence_s",
        "scale",
        "sun",
        "orientation",
        "counts",
        "headline",
        "verdict",
    } <= set(page)
    assert page["verdict"]["lock"] == {"level": "good", "reasons": ["It holds."]}
    assert page["headline"]["fastest_knot"]["speed_km_s"] == max(
        k.fit.speed_km_s for k in measured.motion.knots if k.moving
    )


def test_a_poor_verdict_leaves_no_speed_to_quote(folder, measured):
    page = summed_up(folder, measured, GOOD | {"scale": ("poor", ("Two sources disagree.",))})
    assert set(page["headline"]) == {"note"}
    lines = motion_lines(folder)
    assert lines[1] == "scale: not to be trusted: Two sources disagree."
    assert not any("km/s" in line for line in lines[3:5])
    quoted = summed_up(folder, measured, GOOD)["meanings"][0]["sentence"]
    assert quoted in motion_lines(folder)
    assert motion_lines(folder).index(quoted) > 3  # the lights come first


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"\xff\xfe", b"{}"])
def test_a_damaged_summary_is_said(folder, content):
    folder["summary"].write_bytes(content)
    with pytest.raises(InputError, match=r"summary\.json"):
        read_summary(folder)


@pytest.mark.parametrize(("reader", "name"), [(read_lock, "frames"), (read_strip, "strip")])
@pytest.mark.parametrize(
    "content",
    [None, b"", b"nonsense", b"# %ECSV 1.0\n# ---\n# datatype:\n# - {name: a, datatype: int64}\na\n1\n"],
)
def test_damaged_products_are_said(folder, reader, name, content):
    if content is not None:
        folder[name].write_bytes(content)
    with pytest.raises(InputError) as caught:
        reader(folder)
    assert folder[name].name in str(caught.value)
    assert "promtrack" in caught.value.remedy
