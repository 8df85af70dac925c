"""One hand-made run for all tests of the show room."""

import pytest

from promtrack.limb import lock_limb
from promtrack.motion import measure_motion
from promtrack.scene import make_scene, observer_settings, scenario
from promtrack.settings import Settings
from promtrack.show.records import Measured
from promtrack.strip import strip_geometry, unwrap
from promtrack.sun import measure_scale, orient, solar_view
from tests.show.fake_run import fake_figures, fake_run, without_motion


@pytest.fixture(scope="session")
def measured_fake():
    """A run with six knots (five moving), one erupting front, slits, ridges, an oscillation and rejected
    frames."""
    return fake_run()


@pytest.fixture(scope="session")
def measured_still(measured_fake):
    """The same run with nothing that moves."""
    return without_motion(measured_fake)


@pytest.fixture(scope="session")
def drawn():
    """All figures of that run, drawn once."""
    return fake_figures()


@pytest.fixture(scope="session")
def eruption(tmp_path_factory):
    """The demonstration's eruption, locked and measured: half a minute, so for long tests only."""
    spec = scenario("eruption")
    settings, sequence = observer_settings(spec, Settings()), make_scene(spec).sequence()
    lock = lock_limb(sequence, limb=settings.limb, camera=settings.camera, site=settings.site)
    view = solar_view(sequence.times_utc[lock.reference], site=settings.site)
    scale = measure_scale(
        lock.own_radius_px, lock.own_radius_err_px, view, camera=settings.camera, limb=settings.limb
    )
    orientation = orient(view, camera=settings.camera)
    geometry = strip_geometry(lock, scale, orientation, strip=settings.strip)
    strip = unwrap(sequence, lock, orientation, geometry, path=tmp_path_factory.mktemp("eruption") / "cube")
    motion = measure_motion(strip, motion=settings.motion)
    return Measured(settings, sequence, lock, view, scale, orientation, strip, motion, "test")
