"""Many recordings on executors of the standard interface; sessions of one recording measured apart."""

import shutil
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest

import promtrack
from promtrack.cli import main
from promtrack.errors import InputError
from promtrack.many import _folders, run_many
from promtrack.marks import MARKS_NAME
from promtrack.products.folder import ProductFolder
from promtrack.products.summary import read_summary
from promtrack.sequence import open_sequence
from promtrack.sequence.opening import sessions
from promtrack.sequence.sort_by_time import refuse_several, sessions_of
from tests.conftest import QUICK_OPTIONS, QUICK_SETTINGS


@pytest.fixture
def recordings(few_frames, tmp_path):
    """Two whole recordings, and one without a picture."""
    for name in ("one", "two"):
        shutil.copytree(few_frames, tmp_path / name)
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "notes.txt").write_text("clouds", encoding="utf-8")
    return [tmp_path / name for name in ("one", "broken", "two")]


def check_outcomes(outcomes, recordings, out):
    assert [outcome.source for outcome in outcomes] == recordings
    one, broken, *two = outcomes
    assert broken.folder is None
    assert "broken" in broken.error
    for outcome in (one, *two):
        assert outcome.error == ""
        assert outcome.folder == out / f"{outcome.source.name}-promtrack"
        page = read_summary(ProductFolder(outcome.folder))
        assert outcome.verdict == {name: light["level"] for name, light in page["verdict"].items()}
        assert (outcome.folder / "report.html").exists()


@pytest.mark.parametrize("kind", ["threads", pytest.param("processes", marks=pytest.mark.long)])
def test_recordings_are_measured_and_a_broken_one_is_named(kind, recordings, tmp_path):
    if kind == "threads":
        pool = ThreadPoolExecutor(1)
    else:
        pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
    recordings = recordings[:2]
    with pool:
        outcomes = run_many(recordings, pool, out=tmp_path / "out", settings=QUICK_SETTINGS)
    check_outcomes(outcomes, recordings, tmp_path / "out")


@pytest.mark.long
@pytest.mark.filterwarnings("default")  # those of the cluster's own threads and sockets at its end
def test_a_cluster_measures_the_same(recordings, tmp_path):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        outcomes = run_many(recordings, client.get_executor(), out=tmp_path / "out", settings=QUICK_SETTINGS)
    check_outcomes(outcomes, recordings, tmp_path / "out")


def test_a_fault_of_the_program_is_an_outcome_too(recordings, tmp_path, monkeypatch):
    def faulty(*arguments, **options):
        raise ZeroDivisionError("by nought")

    monkeypatch.setattr("promtrack.many.run", faulty)
    with ThreadPoolExecutor(1) as pool:
        outcomes = run_many(recordings, pool, out=tmp_path)
    assert all("ZeroDivisionError: by nought" in outcome.error for outcome in outcomes)


def test_equal_names_get_folders_of_their_own(tmp_path):
    with ThreadPoolExecutor(1) as pool:
        outcomes = run_many([tmp_path / "a" / "limb", tmp_path / "b" / "limb"], pool, out=tmp_path / "out")
    assert [outcome.folder for outcome in outcomes] == [None, None]  # neither is there
    names = [f.name for f in _folders([tmp_path / "a" / "limb", tmp_path / "b" / "limb"], tmp_path / "out")]
    assert names == ["limb-promtrack", "limb-promtrack-2"]


def sequence_at(hours):
    times = np.datetime64("2026-05-17T08:00:00", "us") + np.round(np.array(hours) * 3600e6).astype(int)
    frames = [np.zeros((8, 8), np.uint8)] * len(times)
    return promtrack.sequence_from_arrays(frames, times, full_scale=255.0)


def test_sessions_are_parted_at_pauses_of_hours():
    # TRUTH  the pauses put in
    minutes = np.arange(20) / 60.0
    assert len(sessions_of(sequence_at(minutes))) == 1
    assert len(sessions_of(sequence_at([*minutes, *(minutes + 2.5)]))) == 1
    found = sessions_of(sequence_at([*minutes, *(minutes + 4.0)[:7], *(minutes + 26.0)]))
    assert [session.frames for session in found] == [20, 7, 20]
    assert str(found[1].from_utc) == "2026-05-17T12:00:00"
    assert str(found[1].to_utc) == "2026-05-17T12:06:01"
    assert len(sessions_of(sequence_at(np.arange(10) * 6.0))) == 1  # a slow recording, no pauses


def test_a_recording_of_two_days_is_refused_with_the_ways_to_measure_it():
    minutes = np.arange(20) / 60.0
    with pytest.raises(InputError, match="2 sessions") as caught:
        refuse_several(sequence_at([*minutes[:5], *(minutes + 24.0)]))
    assert "times.from=2026-05-18T08:00:00Z" in caught.value.remedy
    assert "--each-session" in caught.value.remedy


def test_each_session_of_a_folder_is_measured_and_shown_together(few_frames, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("promtrack.pipeline.STAGES", ("lock", "strip", "motion"))
    # The recording once more, four hours later: the same Sun with other stamps.
    both = shutil.copytree(few_frames, tmp_path / "two mornings")
    files = sorted(both.iterdir())
    for file in files:
        later = file.name.replace("_09", "_13").replace("T09", "T13").replace("-09", "-13")
        assert later != file.name
        shutil.copy(file, both / later)
    assert len(sessions(both)) == 2
    assert main(["check", str(both)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[-1].startswith("next: promtrack run ")
    assert said[-1].endswith(" --each-session")
    (named,) = [line for line in said if "sessions" in line]
    assert named.startswith("2 sessions with pauses of more than 3 hours between them: ")
    assert all(session.words in named for session in sessions(both))
    with pytest.raises(InputError, match="2 sessions"):
        promtrack.run(both, tmp_path / "joined", QUICK_SETTINGS)
    dropped = "angle_deg = 60\nheight_mm = 20\ntime = 2026-05-17T13:30:20Z"
    (both / MARKS_NAME).write_text(f"[[drop]]\n{dropped}\n", encoding="utf-8")
    assert main(["run", str(both), "--out", str(tmp_path / "out"), "--each-session", *QUICK_OPTIONS]) in (
        0,
        3,
    )
    said = capsys.readouterr().out
    assert "2 runs" in said
    page = (tmp_path / "out" / "season.html").read_text(encoding="utf-8")
    assert "in 4.0 h the Sun turned by 2.3°" in page
    for session, over in zip(sessions(both), (": 1 drop of other sessions passed over", ""), strict=True):
        folder = tmp_path / "out" / session.name
        summary = read_summary(ProductFolder(folder))
        assert summary["frames_read"] == session.frames == len(files)
        assert f"marks from {MARKS_NAME}{over}" in summary["notes"]
        assert any("[[drop]]" in note for note in summary["control"]["notes"]) == (not over)
        assert main(["motion", str(folder), "--quiet"]) in (0, 3)  # by the same marks
    assert len(open_sequence(both)) == 2 * len(files)
