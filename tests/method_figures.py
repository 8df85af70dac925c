"""The figures of docs/methods.md, one for each stage, drawn from what a finished run measured.

`python -m tests.make_gallery` makes them with the other pictures of the docs.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import PowerNorm
from matplotlib.figure import Figure
from PIL import Image

from promtrack.limb.edge import edge_of, make_grid, unwrap
from promtrack.limb.records import place_of, to_frame
from promtrack.motion.front_search import cells_of, new_light
from promtrack.pipeline import load_run
from promtrack.stages import Job

SKY, WARM, COLD, QUIET = "magma", "#d1495b", "#00798c", "#8d99ae"
SIZE, DPI = (12.8, 4.4), 125  # inches; 1600 px wide


def method_figures(folders: dict[str, Path], pictures: Path) -> None:
    """Write method-lock.png and so on; `folders` are the products of the demo's scenarios by name."""
    quiet, eruption = load_run(folders["quiet"]), load_run(folders["eruption"])
    drawn: tuple[tuple[str, Callable[[Job, Figure], None], Job], ...] = (
        ("lock", _lock, quiet),
        ("strip", _strip, quiet),
        ("knots", _knots, quiet),
        ("fronts", _fronts, eruption),
    )
    with plt.rc_context({"axes.titlesize": 10, "legend.fontsize": 8, "legend.framealpha": 1.0}):
        for name, draw, job in drawn:
            figure = plt.figure(figsize=SIZE, dpi=DPI, layout="constrained")
            draw(job, figure)
            figure.canvas.draw()
            picture = Image.fromarray(np.asarray(figure.canvas.buffer_rgba())).convert("RGB")
            picture.quantize(128).save(pictures / f"method-{name}.png", optimize=True)
            plt.close(figure)


def _shown(axes: Axes, light: np.ndarray, low: float, root: float, **keywords: object) -> None:
    """A picture whose faint parts are seen: a root of the light above `low`."""
    high = np.nanpercentile(light, 99.8)
    toned = np.clip((light - low) / (high - low), 0.0, 1.0) ** root
    axes.imshow(toned, cmap=SKY, vmin=0.0, vmax=1.0, **keywords)


def _lock(job: Job, figure: Figure) -> None:
    """A frame with its rays; the fall along one of them; what is left of the edge along the limb."""
    frame, edge, rest = figure.subplots(1, 3, width_ratios=(1.25, 1.0, 1.0))
    lock, index = job.lock, job.lock.reference
    image, place = job.joined.frame(index), place_of(lock, index)
    _shown(frame, image, np.percentile(image, 10.0), 0.4)
    grid = make_grid(place.radius_px, 25.0, 25.0)
    zone = unwrap(image, place, grid)
    found = edge_of(zone, grid, search_px=12.0)
    theta = grid.theta_deg[zone.ray] - place.turn_deg
    for ray in range(20, len(theta), 50):
        frame.plot(*to_frame(lock, index, theta[ray], place.radius_px + np.array([-25, 25])), "w-", lw=0.7)
        if found.good[ray]:
            at = to_frame(lock, index, theta[ray], place.radius_px + found.offset_px[ray])
            frame.plot(*at, ".", color=COLD, ms=5)
    along = np.linspace(theta[0], theta[0] + (theta[-1] - theta[0]) % 360.0, 400)
    frame.plot(*to_frame(lock, index, along, np.full(400, place.radius_px)), "--", color=COLD, lw=0.8)
    frame.set(xlim=(0, image.shape[1]), ylim=(image.shape[0], 0), xticks=[], yticks=[])
    frame.set_title("Rays across the limb, and the edge on each")

    ray = len(theta) // 3
    light = zone.value[ray] / zone.value[ray].max()
    fall = -np.gradient(light)
    edge.plot(grid.offset_px, light, "-", color="k", label="brightness")
    edge.plot(grid.offset_px, fall / fall.max(), "-", color=WARM, label="how steeply it falls")
    edge.axvline(
        found.offset_px[ray], color=COLD, label=f"edge, {found.offset_px[ray]:+.2f} px from the circle"
    )
    edge.set(xlabel="distance from the circle, outward [px]", yticks=[], xlim=(-15, 15), ylim=(-0.2, 1.4))
    edge.set_title("One ray: the steepest fall")
    edge.legend(loc="upper right")

    used = found.good & (np.abs(found.offset_px - np.median(found.offset_px[found.good])) < 2.0)
    position = np.radians((theta - theta[len(theta) // 2] + 180.0) % 360.0 - 180.0) * place.radius_px
    rest.plot(position[used], found.offset_px[used], ".", color=QUIET, ms=2, label="rays")
    bins = np.arange(position.min(), position.max(), 16.0)
    bin_of = np.digitize(position[used], bins)
    middle = np.array([np.median(found.offset_px[used][bin_of == k]) for k in np.unique(bin_of)])
    rest.plot(bins[np.unique(bin_of) - 1] + 8.0, middle, "o", color=WARM, ms=4, label="bins of 16 px")
    rest.axhline(0.0, color=COLD, ls="--", lw=0.8)
    rest.set(xlabel="along the limb [px]", ylabel="edge from the circle [px]", ylim=(-2.0, 2.0))
    rest.set_title("The edge of one frame along the limb")
    rest.legend(loc="upper right", ncols=2)


def _strip(job: Job, figure: Figure) -> None:
    """The same lattice of heights and angles on a frame and on its strip."""
    frame, strip = figure.subplots(1, 2, width_ratios=(1.0, 1.5))
    lock, geometry = job.lock, job.strip.geometry
    at = len(job.strip) // 2
    index = int(job.strip.frame[at])
    image, scale, orientation = job.joined.frame(index), job.about.scale, job.about.orientation
    _shown(frame, image, np.percentile(image, 10.0), 0.4)
    top = float(geometry.height_mm(geometry.rows - 1))
    heights = np.arange(0.0, top, 20.0)
    first, last = geometry.angle_deg(0), geometry.angle_deg(geometry.columns - 1)
    angles = np.arange(np.ceil(first / 4.0) * 4.0, last, 4.0)
    km = scale.km_per_px
    for height in heights:
        line = orientation.to_image(np.linspace(first, last, 300))
        frame.plot(
            *to_frame(lock, index, line, np.full(300, (geometry.limb_mm + height) * 1e3 / km)), "w-", lw=0.5
        )
    for angle in angles:
        reach = np.linspace(geometry.low_mm, top, 50)
        line = np.full(50, float(orientation.to_image(angle)))
        frame.plot(*to_frame(lock, index, line, (geometry.limb_mm + reach) * 1e3 / km), "w-", lw=0.5)
    frame.set(xlim=(0, image.shape[1]), ylim=(image.shape[0], 0), xticks=[], yticks=[])
    frame.set_title("A frame, with heights every 20 Mm and angles every 4°")
    picture = job.strip.read(at, at + 1)[0]
    limb = int(np.ceil(geometry.row(0.0)))
    shown = picture / np.nanpercentile(picture[limb:], 99.5)
    disc = picture[:limb]
    shown[:limb] = np.interp(disc, np.nanpercentile(disc, [1, 99]), [0.1, 0.8])
    _shown(strip, shown, 0.0, 0.5, origin="lower", aspect="auto", extent=(first, last, geometry.low_mm, top))
    strip.hlines(heights, first, last, "w", lw=0.5)
    strip.vlines(angles, geometry.low_mm, top, "w", lw=0.5)
    kind = "position angle" if geometry.position_angles else "image angle"
    strip.set(xlabel=f"{kind} [°]", ylabel="height above the limb [Mm]")
    strip.xaxis.set_major_formatter(lambda angle, _: f"{angle % 360:.0f}")
    strip.set_title("Its strip, the light of the sky taken away")


def _knots(job: Job, figure: Figure) -> None:
    """Where tracks go; one of them against its path; how often chance makes one."""
    where, one, chance = figure.subplots(1, 3, width_ratios=(1.3, 1.0, 1.0))
    geometry, knots = job.strip.geometry, job.motion.knots
    strips = np.ma.masked_invalid(job.strip.read()[::4])
    mean = strips.mean(axis=0).filled(np.nan)
    ends = (geometry.angle_deg(0), geometry.angle_deg(geometry.columns - 1))
    low = int(np.ceil(geometry.row(6.0)))
    extent = (*ends, geometry.height_mm(low), geometry.height_mm(geometry.rows - 1))
    _shown(where, mean[low:], 0.0, 0.5, origin="lower", aspect="auto", extent=extent)
    for knot in knots:
        colour, width = ("#7fe7f2", 1.6) if knot.moving else ("white", 0.6)
        where.plot(knot.angle_deg, knot.height_mm, "-", color=colour, lw=width)
    moving = [knot for knot in knots if knot.moving]
    reach = [value for knot in moving for value in knot.angle_deg]
    where.set(xlim=(min(reach) - 4, max(reach) + 4), ylim=(6, max(k.height_mm.max() for k in moving) + 10))
    where.set(xlabel="angle [°]", ylabel="height above the limb [Mm]")
    where.xaxis.set_major_formatter(lambda angle, _: f"{angle % 360:.0f}")
    where.set_title("Points linked to tracks; blue ones move")
    best = max(moving, key=lambda knot: np.ptp(knot.height_mm))
    minutes = best.time_s / 60.0
    one.errorbar(
        minutes, best.height_mm, best.height_err_mm, fmt=".", color=QUIET, ms=4, lw=0.8, label="height"
    )
    one.plot(minutes, best.curve_mm, "-", color=WARM, label=f"fit, {best.fit.model}")
    one.set(xlabel="time [min]", ylabel="height above the limb [Mm]")
    one.set_title("One track and its path")
    one.legend(loc="best")
    still = [knot for knot in knots if not knot.moving]
    for kind, colour, marker, label in (
        (still, QUIET, "o", "not called moving"),
        (moving, WARM, "D", "moving"),
    ):
        alarms = [knot.false_alarm for knot in kind]
        speeds = [knot.fit.speed_km_s for knot in kind]
        chance.plot(speeds, alarms, marker, color=colour, ms=5, label=label)
    chance.axhline(job.motion.control.tolerated, color=COLD, ls="--", lw=1.0, label="tolerated in the run")
    chance.set(yscale="log", xlabel="speed [km/s]", ylabel="false alarms expected by chance")
    chance.set_title("Chance, from the same points at scrambled times")
    chance.legend(loc="best")


def _fronts(job: Job, figure: Figure) -> None:
    """New light against height and time; the edge in every frame; the models."""
    light, heights, speeds = figure.subplots(1, 3, width_ratios=(1.2, 1.0, 1.0))
    front = next(front for front in job.motion.fronts if front.moving)
    cells = cells_of(job.strip)
    angle = job.strip.geometry.angle_deg((np.arange(cells.value.shape[2]) + 0.5) * cells.columns)
    columns = np.flatnonzero((angle >= front.from_deg) & (angle <= front.to_deg))
    new = new_light(cells)[:, :, columns].mean(axis=2)
    minutes = cells.time_s / 60.0
    shown = light.pcolormesh(
        minutes, cells.height_mm, new.T, cmap=SKY, shading="nearest", norm=PowerNorm(0.5, vmin=0.0)
    )
    light.plot(front.time_s / 60.0, front.height_mm, "-", color="#7fe7f2", lw=1.2)
    figure.colorbar(shown, ax=light, label="new light [sigma]", pad=0.01)
    light.set(xlabel="time [min]", ylabel="height above the limb [Mm]")
    light.set_title("Light that was not there before, and the edge")
    best = front.best
    assert best is not None  # the demo's eruption has a model
    at = front.time_s / 60.0
    heights.errorbar(
        at, front.height_mm, front.height_err_mm, fmt=".", color=QUIET, ms=4, lw=0.8, label="edge"
    )
    for fit in front.fits:
        chosen = fit.chosen
        heights.plot(
            at,
            fit.curve_mm,
            "-" if chosen else ":",
            color=WARM if chosen else COLD,
            lw=1.6 if chosen else 0.8,
            label=fit.model if chosen else None,
        )
    heights.plot([], [], ":", color=COLD, lw=0.8, label="other models")
    top = 1.4 * front.height_mm.max()  # room for the legend
    heights.set(xlabel="time [min]", ylabel="height above the limb [Mm]", ylim=(0.0, top))
    heights.set_title("The leading edge and the models")
    heights.legend(loc="upper left")
    criterion = np.array([fit.bic for fit in front.fits])
    order = np.argsort(criterion)[::-1]
    speeds.barh(
        [front.fits[k].model for k in order],
        criterion[order] - criterion.min() + 1.0,
        color=[WARM if front.fits[k].chosen else QUIET for k in order],
    )
    speeds.set(xscale="log", xlabel="BIC above the least, plus 1")
    speeds.set_title("Which model: the least criterion")
