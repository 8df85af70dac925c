"""A single picture: heights and a map, and no word of motion."""

import shutil

import numpy as np
import pytest

from promtrack.cli import main
from promtrack.pipeline import load_run
from tests.conftest import QUICK_OPTIONS
from tests.messy import some_of


@pytest.mark.filterwarnings("error")
def test_check_of_one_picture_speaks_of_one(small_frames, tmp_path, capsys):
    (tmp_path / "one").mkdir()
    shutil.copy(min(small_frames.iterdir()), tmp_path / "one")
    assert main(["check", str(tmp_path / "one")]) == 0
    said = capsys.readouterr().out
    assert "1 frame of 400x300 px" in said
    assert "The limb was found in 1 of 1 frame: " in said
    for words in ("nan", "one every", "1 frames", "from frame to frame"):
        assert words not in said


@pytest.mark.parametrize(
    ("frames", "words", "last"),
    [
        (1, "1 frame is too few", "its heights can be measured"),
        (2, "2 frames are too few", "its heights can be measured"),
        (
            7,
            "7 frames are too few to measure all motion: a leading edge needs 8 frames, a knot needs 8",
            "its heights can be measured",
        ),
        (8, "", "it can be measured"),
    ],
)
def test_check_says_how_many_frames_motion_needs(frames, words, last, small_frames, tmp_path, capsys):
    folder = some_of(small_frames, tmp_path / "in", frames)
    assert main(["check", str(folder)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[-2] == last
    assert any(line.startswith(words) for line in said)
    assert any("too few" in line for line in said) == (frames < 8)


def test_one_picture_gives_heights_and_a_map(small_frames, small_run, tmp_path, capsys):
    (tmp_path / "one").mkdir()
    shutil.copy(min(small_frames.iterdir()), tmp_path / "one")
    assert main(["run", str(tmp_path / "one"), "--out", str(tmp_path / "out"), *QUICK_OPTIONS]) == 0
    said = capsys.readouterr().out
    assert "1 of 1 frames used, 0.0 min (times from" in said
    assert "One frame: nothing can move in it." in said
    assert (tmp_path / "out" / "figures" / "prominences.png").stat().st_size > 5_000
    assert not (tmp_path / "out" / "figures" / "strip_montage.png").exists()
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "six moments: there is one picture only" in page
    assert page.count("ix moments") == 1
    assert "othing moves" not in page
    assert "</span>Lock: with care" in page
    assert "One frame cannot be compared with others: nothing checks its place and its radius." in page
    job = load_run(tmp_path / "out")
    assert job.motion.knots == job.motion.fronts == ()
    assert job.verdict["lock"][0] == job.verdict["motion"][0] == "fair"
    # TWIN  the same frame in the run of all thirty, whose lock rests on the others too. Band: 2 errors.
    one, all_frames = job.motion.prominences, small_run.motion.prominences
    for alone in one:
        same = min(all_frames, key=lambda p: abs(p.angle_deg - alone.angle_deg))
        error = np.hypot(alone.height_err_mm[0], same.height_err_mm[0])
        assert abs(alone.height_mm[0] - same.height_mm[0]) < 2.0 * error
    assert len(one) > 0
