"""Opening: nothing is decoded that need not be, reading is thread-safe, arrays make sequences."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from promtrack.errors import InputError
from promtrack.sequence import open_sequence, sequence_from_arrays
from promtrack.sequence.readers import natural_key
from tests.sequence.make import decoded, picture, write_stills


@pytest.mark.parametrize("count", [200, pytest.param(3000, marks=pytest.mark.long)])
def test_few_frames_are_decoded_on_opening(tmp_path, monkeypatch, count):
    write_stills(tmp_path / "in", count)
    calls = []
    real = np.fromfile
    monkeypatch.setattr(np, "fromfile", lambda *a, **k: calls.append(a) or real(*a, **k))
    sequence = open_sequence(tmp_path / "in")
    assert len(sequence) == count
    assert len(calls) <= 5 + 12  # spread over the recording, and in a row to see two exposures


@pytest.mark.parametrize("suffix", [".tif", ".png"])
def test_threads_get_the_frames_they_ask_for(tmp_path, suffix):
    write_stills(tmp_path / "in", 12, suffix=suffix)
    sequence = open_sequence(tmp_path / "in")
    wanted = np.random.default_rng(0).integers(0, 12, 100).tolist()
    with ThreadPoolExecutor(4) as pool:
        for i, frame in zip(wanted, pool.map(sequence.frame, wanted), strict=True):
            np.testing.assert_array_equal(frame, picture(i))


def test_arrays_make_a_sequence():
    frames = np.stack([picture(i) for i in range(4)])
    times = np.datetime64("2026-05-17T09:31:20") + np.array([30, 10, 20, 0]).astype("timedelta64[s]")
    sequence = sequence_from_arrays(frames, times, full_scale=65535.0)
    assert sequence.time_s.tolist() == [0, 10, 20, 30]
    np.testing.assert_array_equal(sequence.frame(0), picture(3))
    assert [i for i, _ in sequence.frames([2, 0])] == [2, 0]


@pytest.mark.parametrize(
    ("frames", "times"),
    [
        (np.zeros((3, 4, 4)), ["2026-05-17"] * 2),
        (np.zeros((1, 4, 4)), ["2026-05-17"]),
        ([np.zeros((4, 4)), np.zeros((4, 5))], ["2026-05-17"] * 2),
        (np.zeros((2, 4, 4)), ["2026-05-17", "NaT"]),
        (np.zeros((2, 4)), ["2026-05-17"] * 2),
    ],
)
def test_arrays_that_make_none(frames, times):
    with pytest.raises(ValueError, match="must"):
        sequence_from_arrays(frames, np.array(times, "datetime64[us]"), full_scale=1.0)


def test_natural_order():
    names = ["a10.tif", "a2.tif", "A1.tif", "a2b.tif", "10.tif", "9.tif", "a02.tif", "²3.tif", "a١.tif"]
    ordered = sorted(names, key=natural_key)
    assert (
        ordered.index("9.tif") < ordered.index("10.tif") < ordered.index("A1.tif") < ordered.index("a2.tif")
    )
    assert ordered.index("a2b.tif") < ordered.index("a10.tif")


def test_a_file_that_vanishes_is_named(tmp_path):
    paths = write_stills(tmp_path / "in", 6)
    sequence = open_sequence(tmp_path / "in")
    paths[2].unlink()
    with pytest.raises(InputError, match=paths[2].name):
        sequence.frame(2)
    assert list(decoded(sequence)[0]) == [0, 1, 3, 4, 5]


def test_other_files_in_the_folder_are_told(tmp_path):
    folder = tmp_path / "in"
    write_stills(folder, 3)
    for name in ("promtrack.toml", "notes.txt", "times.csv"):
        (folder / name).write_text("file,time\n", encoding="utf-8")
    told = [note for note in open_sequence(folder).notes if "not images" in note]
    assert told == ["2 other files ignored (not images): notes.txt, ..."]
