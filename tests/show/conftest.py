"""One hand-made run for all tests of the show room."""

import pytest

from tests.show.fake_run import fake_measured, without_motion


@pytest.fixture(scope="session")
def measured_fake(tmp_path_factory):
    """A run with six knots (five moving), one erupting front, slits, ridges, an oscillation and rejected frames."""
    return fake_measured(tmp_path_factory.mktemp("run"))


@pytest.fixture(scope="session")
def measured_still(measured_fake):
    """The same run with nothing that moves."""
    return without_motion(measured_fake)
