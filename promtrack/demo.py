"""The demo: a synthetic sequence of a scenario, a whole run on it, and truth beside measurement."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

from promtrack.pipeline import Job, Progress, run
from promtrack.products import ProductFolder
from promtrack.products.folder import PRODUCTS
from promtrack.products.summary import summary_lines
from promtrack.scene import make_scene, observer_settings, scenario, write_scene
from promtrack.scene.judge import Judgement, judge
from promtrack.settings import Settings

__all__ = ["run_demo"]


def run_demo(name: str, out: Path, changes: Callable[[Settings], Settings], *, progress: Progress) -> Iterator[str]:
    """Make the frames of scenario `name`, run on them, and yield the lines to print.

    Raises
    ------
    SettingsError : there is no such scenario
    InputError : the folder cannot be written
    """
    spec = scenario(name)
    scene = make_scene(spec)
    folder = ProductFolder(Path(out) / name)
    frames = Path(out) / f"{name}-frames"
    folder.create(frames)
    write_scene(scene, frames, progress=progress("scene"))
    yield f"a synthetic sequence, scenario '{name}': {spec.count} frames of {spec.shape[1]}x{spec.shape[0]} px in {frames}"
    job = run(frames, folder.path, changes(observer_settings(spec, Settings())), progress=progress)
    _, scale, orientation = job.geometry
    yield from _table(judge(scene.truth, job.lock, job.motion, scale, orientation))
    yield ""
    yield from summary_lines(job.folder)
    yield "files: " + ", ".join(_made(job))


def _table(found: Judgement) -> Iterator[str]:
    yield ""
    yield f"{'':34}{'truth':>12}{'measured':>22}"
    yield f"{'scale, relative':34}{1:12.4f}{found.scale_ratio:13.4f} +- {found.scale_sigma:.4f}"
    yield f"{'centre across the limb, rms px':34}{0:12.3f}{found.centre_rms_px:13.3f}"
    for knot in found.knots:
        label = f"knot {knot.knot}: speed km/s" if knot.knot else f"a knot not found (S/N {knot.snr:.0f}, {knot.visible_frames} frames)"
        measured = f"{knot.found_km_s:13.2f} +- {knot.found_err_km_s:.2f}" if knot.knot else f"{'-':>13}"
        yield f"{label:34}{knot.true_km_s:12.2f}{measured}"
    for number, (rms, true, peak) in enumerate(found.fronts, 1):
        yield f"{f'front {number}: peak speed km/s':34}{true:12.2f}{peak:13.2f}"
        yield f"{f'front {number}: height, rms error Mm':34}{0:12.2f}{rms:13.2f}"
    if not math.isnan(found.median_speed_error):
        yield f"{'median speed error':34}{'':12}{100 * found.median_speed_error:12.1f}%"
    # Knots that form in an erupting arch move and are no invention; without an eruption only the knots put in move.
    yield f"{'moving tracks beside these':34}{'-' if found.fronts else '0':>12}{found.strays:13d}"


def _made(job: Job) -> list[str]:
    return [name for name in PRODUCTS.values() if (job.folder.path / name).exists()]
