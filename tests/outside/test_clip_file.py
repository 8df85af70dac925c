"""The clip read back by an independent decoder (PyAV), and its annotation measured on the decoded
pictures."""

from __future__ import annotations

import struct
from fractions import Fraction

import av
import numpy as np
import pytest

from promtrack.show.canvas import make_page
from promtrack.show.clip import render_clip
from promtrack.show.scale_bar import nice_step
from promtrack.show.studio import prepare
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
    # TRUTH  the title, credit and times of the run that was encoded
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
    # TRUTH  the middles of the ticks at its ends are its length in Mm by the scale apart; 1 px for 4:2:0 and
    # the encoder.
    path, run = film
    view = prepare(run).views[0]
    picture = luma(path)
    length = nice_step(0.10 * 1080 * view.km_per_px * 1e-3) * 1e3 / view.km_per_px
    corner = picture[-150:, :]
    bright = 0.6 * corner.max()
    rows = np.flatnonzero((corner > bright).sum(axis=1) > 0.8 * length)  # the bar's own rows
    assert len(rows) >= 2
    columns = np.flatnonzero(corner[rows[len(rows) // 2]] > bright)
    bar = max(np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1), key=len)
    stroke = make_page(1920, 1080).stroke
    ticks = corner[rows[0] - 2 * stroke]
    left, right = (
        np.average(at, weights=ticks[at])
        for at in (np.arange(end - 2 * stroke, end + 2 * stroke + 1) for end in (bar[0] + 2, bar[-1] - 2))
    )
    assert right - left == pytest.approx(length, abs=1.0)
