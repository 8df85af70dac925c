"""The clip read back by an independent decoder (PyAV), and its annotation measured on the decoded
pictures."""

from __future__ import annotations

import struct
from fractions import Fraction

import av
import numpy as np
import pytest

from promtrack.show.action import find_action
from promtrack.show.clip import render_clip
from promtrack.show.furniture import nice_step
from promtrack.show.view import choose_view
from tests.show.clip_case import quick_run


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """A wide clip of the hand-made run, and the run."""
    folder = tmp_path_factory.mktemp("film")
    run = quick_run(
        view="wide",
        rate=25.0,
        hold_s=0.2,
        title="Eruption on the east limb",
        credit="Hillside observatory",
        overlays="scale,heights",
    )
    render_clip(run, folder)
    return folder / "clip.mp4", run


def view_of(run):
    action = find_action(run.strip, run.motion, run.orientation, run.lock)
    return choose_view(run.lock, run.scale, run.orientation, action, run.settings.clip)


def test_stream(film):
    # PUBLISHED  FFmpeg usage notes and ITU-T H.264: High profile, 8 bit 4:2:0, even size; H.273: code 1 is
    # BT.709 for primaries, transfer and matrix, range 1 is the limited ('tv') range.
    path, run = film
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        context = stream.codec_context
        assert context.name == "h264"
        assert stream.profile == "High"
        assert context.pix_fmt == "yuv420p"
        assert (context.width, context.height) == (1920, 1080)
        assert stream.average_rate == Fraction(25)
        assert stream.start_time == 0
        frames = list(container.decode(stream))
    assert len(frames) == int(run.lock.used.sum()) + 5
    assert {
        (int(f.color_primaries), int(f.color_trc), int(f.colorspace), int(f.color_range)) for f in frames
    } == {(1, 1, 1, 1)}
    steps = np.diff([f.pts * f.time_base for f in frames])
    assert {Fraction(s) for s in steps} == {Fraction(1, 25)}
    assert frames[0].pts == 0


def test_metadata(film):
    path, run = film
    with av.open(str(path)) as container:
        tags = container.metadata
    used = np.flatnonzero(run.lock.used)
    first, last = (str(run.sequence.times_utc[i].astype("datetime64[s]")) + "Z" for i in used[[0, -1]])
    assert tags["title"] == "Eruption on the east limb"
    assert tags["artist"] == "Hillside observatory"
    assert f"{first} to {last}" in tags["comment"]
    assert f"promtrack {run.version}" in tags["comment"]


def test_fast_start(film):
    # PUBLISHED  ISO/IEC 14496-12: the file is a row of boxes (32-bit big-endian size, four letters); `moov`
    # before `mdat` lets a player begin before the whole file is there.
    path, _ = film
    data = path.read_bytes()
    names, at = [], 0
    while at < len(data):
        size, name = struct.unpack(">I4s", data[at : at + 8])
        assert size >= 8
        names.append(name.decode("ascii"))
        at += size
    assert at == len(data)
    assert names[0] == "ftyp"
    assert names.index("moov") < names.index("mdat")


def luma(path):
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0))
        return frame.to_ndarray(format="gray").astype(float)


def test_scale_bar_measured_on_the_picture(film):
    # TRUTH  the bar's outer width, less one stroke, is its length in Mm by the scale; 1.5 px for 4:2:0 and
    # the encoder.
    path, run = film
    view = view_of(run)
    picture = luma(path)
    length = nice_step(0.10 * 1080 * view.km_per_px * 1e-3) * 1e3 / view.km_per_px
    corner = picture[-90:, :]
    rows = np.flatnonzero((corner > 200.0).sum(axis=1) > 0.8 * length)  # the bar's own rows
    assert len(rows) >= 2
    middle = corner[rows[len(rows) // 2]]
    columns = np.flatnonzero(middle > 150.0)
    runs = np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    longest = max(runs, key=len)
    stroke = 1.5 * 28 / 14.0
    assert len(longest) - stroke == pytest.approx(length, abs=1.5)


def test_height_arcs_measured_on_the_picture(film):
    # TRUTH  along rays from the Sun's centre the first arc stands at its height above the limb by the scale,
    # within 0.7 px.
    path, run = film
    view = view_of(run)
    run_plain = quick_run(view="wide", rate=25.0, hold_s=0.2, overlays="scale")
    picture = luma(path)
    folder = path.parent / "without"
    folder.mkdir(exist_ok=True)
    render_clip(run_plain, folder)
    apart = np.clip(picture - luma(folder / "clip.mp4"), 0.0, None)
    height = next(h for h in (20.0, 50.0, 100.0, 200.0) if _on_ray(apart, view, h).sum() > 200.0)
    offsets = []
    for angle in np.linspace(-0.25, 0.25, 41) + np.arctan2(view.sun_x_px - 500.0, view.sun_y_px - 540.0):
        radius = view.radius_px + height * 1e3 / view.km_per_px + np.arange(-8.0, 8.01, 0.25)
        x, y = view.sun_x_px - radius * np.sin(angle), view.sun_y_px - radius * np.cos(angle)
        if not ((x > 2) & (x < 1917) & (y > 2) & (y < 1077)).all():
            continue
        profile = apart[np.rint(y).astype(int), np.rint(x).astype(int)]
        if profile.max() > 60.0 and profile[[0, -1]].max() < 20.0:
            offsets.append((radius * profile).sum() / profile.sum() - radius.mean())
    assert len(offsets) > 8
    assert abs(np.median(offsets)) < 0.7


def _on_ray(apart, view, height):
    angle = np.linspace(0.0, 2.0 * np.pi, 4000)
    radius = view.radius_px + height * 1e3 / view.km_per_px
    x, y = np.rint(view.sun_x_px - radius * np.sin(angle)), np.rint(view.sun_y_px - radius * np.cos(angle))
    inside = (x >= 0) & (x < 1920) & (y >= 0) & (y < 1080)
    return apart[y[inside].astype(int), x[inside].astype(int)] > 40.0
