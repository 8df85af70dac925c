"""One hand-made run for all tests of the show room."""

from types import SimpleNamespace

import matplotlib
import pytest

from promtrack.show.figures import draw_figures
from tests.show.fake_run import fake_measured, without_motion


@pytest.fixture(scope="session")
def measured_fake(tmp_path_factory):
    """A run with six knots (five moving), one erupting front, slits, ridges, an oscillation and rejected frames."""
    return fake_measured(tmp_path_factory.mktemp("run"))


@pytest.fixture(scope="session")
def measured_still(measured_fake):
    """The same run with nothing that moves."""
    return without_motion(measured_fake)


@pytest.fixture(scope="session")
def drawn(measured_fake, tmp_path_factory):
    """All figures of the run, drawn once, into a folder that held files of ours and of others."""
    folder = tmp_path_factory.mktemp("a run") / "figures"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")
    (folder / "height_time.pdf").write_text("of an earlier drawing")
    calls, before = [], dict(matplotlib.rcParams)
    paths = draw_figures(measured_fake, folder, progress=lambda done, total: calls.append((done, total)))
    return SimpleNamespace(folder=folder, paths=paths, calls=calls, settings_kept=before == dict(matplotlib.rcParams))
