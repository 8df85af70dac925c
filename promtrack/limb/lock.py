"""The lock on a whole sequence: one pass over the frames, then one solution for all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from promtrack.abreast import abreast, one_thread_each
from promtrack.errors import InputError
from promtrack.limb.absolute import CommonCentre, angle_note, common_centre, header_err_px, join_header
from promtrack.limb.carried import carried_along
from promtrack.limb.circle import LimbArcTooShort
from promtrack.limb.creep import Creep, centre_creep
from promtrack.limb.edge import Grid
from promtrack.limb.find import LimbNotFound
from promtrack.limb.geometry import Place, visible_angles
from promtrack.limb.look import Follower, Look
from promtrack.limb.radius import RadiusFit, collect_edges, fit_radius
from promtrack.limb.rays import shifted_place
from promtrack.limb.records import LimbLock
from promtrack.limb.reject import judge, sharpness_of, transparency_of
from promtrack.limb.sky import Expected, OpticalRadius, expected_sky, optical_radius, stated_place
from promtrack.limb.solve import Centres, fit_centres
from promtrack.limb.start import pointed, starting_radius
from promtrack.limb.track import EARLY_FRAMES, FrameMeasure, Tracker
from promtrack.limb.verdict import Settled, burnt_bias, creep_note, settle_radius, turn_model, turn_notes
from promtrack.sequence.records import Sequence, SolarHeader
from promtrack.settings import CameraSettings, LimbSettings, SiteSettings


def lock_limb(
    sequence: Sequence,
    *,
    limb: LimbSettings = LimbSettings(),
    camera: CameraSettings = CameraSettings(),
    site: SiteSettings = SiteSettings(),
    progress: Callable[[int, int], None] | None = None,
) -> LimbLock:
    """Find the Sun's centre and turn in every frame, and the one radius of its limb.

    Parameters
    ----------
    sequence : frames in order of time; each is read once, a handful up to four times
    progress : called with (frames done, frames in all)

    Raises
    ------
    LimbNotFound : no limb in any frame, or in too few (`limb.most_rejected`)
    LimbArcTooShort : less limb than `limb.least_arc_deg`
    """
    pointing = pointed(sequence, stated_place(sequence.header, limb))
    stated = pointing.place if pointing else None
    radius, visible = starting_radius(sequence, limb, pointing)
    expected = expected_sky(sequence.times_utc, site=site, camera=camera)
    follower = Follower(
        radius,
        sequence.full_scale,
        visible,
        expected.flattening,
        expected.zenith_deg,
        replace(stated, radius_px=radius) if stated else None,
    )
    tracker = Tracker(radius, sequence.full_scale, follower.grid.step_px)
    seen = Pass({}, {}, {})
    # the next frame is looked at while this one is laid on the template
    with one_thread_each():
        for index, frame, look in abreast(follower.look_or_reason, _readable(sequence), workers=1):
            if progress:
                progress(index, len(sequence))
            if frame is None or isinstance(look, str):
                seen.failed[index] = str(look)
                continue
            seen.found[index] = tracker.measure(frame, look)
            seen.looks.setdefault(min(seen.found), look)
            if len(seen.found) == EARLY_FRAMES:
                seen.look_again(tracker)
    if 1 < len(seen.found) < EARLY_FRAMES:
        seen.look_again(tracker)
    if progress:
        progress(len(sequence), len(sequence))
    optics = optical_radius(sequence.times_utc[0], camera=camera, limb=limb, site=site, stated=stated)
    return _assemble(sequence, limb, camera, (follower, tracker), expected, optics, seen)


def _readable(sequence: Sequence) -> Iterator[tuple[int, np.ndarray | None, str]]:
    """Every frame in order; one that cannot be read comes as None with the reason."""
    waiting = list(range(len(sequence)))
    while waiting:
        done = 0
        try:
            for index, frame in sequence.frames(waiting):
                done += 1
                yield index, frame, ""
            return
        except InputError as error:
            yield waiting[done], None, error.what
            waiting = waiting[done + 1 :]


@dataclass(frozen=True, slots=True)
class Pass:
    """What the pass over the frames gave, by frame index."""

    found: dict[int, FrameMeasure]
    failed: dict[int, str]
    looks: dict[int, Look]  # of the first frame found, for its points

    def look_again(self, tracker: Tracker) -> None:
        """Take the first frames' shifts from the template as it is by now."""
        for index, shifts in zip(list(self.found), tracker.second_look(), strict=False):
            self.found[index] = replace(self.found[index], shifts=shifts)


def _assemble(
    sequence: Sequence,
    limb: LimbSettings,
    camera: CameraSettings,
    stages: tuple[Follower, Tracker],
    expected: Expected,
    optics: OpticalRadius | None,
    seen: Pass,
) -> LimbLock:
    follower, tracker = stages
    if not seen.found:
        index = min(seen.failed)
        raise LimbNotFound(seen.failed[index]).at(sequence.names[index])
    indices = np.array(sorted(seen.found))
    reasons = judge([seen.found[i] for i in indices])
    good = np.array([not r for r in reasons])
    if good.sum() < max(1, (1 - limb.most_rejected) * len(sequence)):
        raise _too_many(sequence, indices, reasons, seen.failed)
    kept = [m for m, g in zip([seen.found[i] for i in indices], good, strict=True) if g]
    arc = float(np.median([m.signs.arc_deg for m in kept]))
    if arc < limb.least_arc_deg:
        raise LimbArcTooShort(arc, limb.least_arc_deg).at(sequence.names[int(indices[good][0])])
    edges = collect_edges(kept, tracker.bin_deg)
    settled = settle_radius(
        fit_radius(edges),
        kept,
        tracker.radius_px,
        limb=limb,
        optics=optics,
        refraction_err=expected.radius_err,
    )
    radius, notes = settled.radius, settled.notes
    model = turn_model(
        sequence.time_s[indices[good]], expected.turn_deg[indices[good]], camera.mount, tracker.radius_px
    )
    carried = carried_along(
        tracker.template,
        tracker.radius_px,
        tracker.ceiling,
        sequence,
        indices[good],
        limb=limb,
        camera=camera,
    )
    centres = fit_centres(kept, edges, tracker.radius_px, radius, tracker.block_px, model, carried.course_px)
    error = common_centre(edges, radius)
    notes += angle_note(error, tracker.radius_px)
    if follower.stated is not None and sequence.header is not None and indices[good][0] != 0:
        notes.append(
            "The first frame is left out, and the FITS header's centre with it, since it holds for that frame only."
        )
    elif follower.stated is not None and sequence.header is not None:
        found = shifted_place(kept[0].place, *centres.shift_px[0])
        centres, radius, said = _with_header(centres, radius, error, found, follower.stated, sequence.header)
        notes += said
    creep = centre_creep(edges, expected.unmodelled[indices[good]], tracker.radius_px)
    notes = [
        *notes,
        *turn_notes(
            sequence.time_s[indices[good]],
            centres,
            arc,
            camera.mount,
            tracker.radius_px,
            bool(np.isfinite(expected.turn_deg).all()),
        ),
        *expected.notes,
        *creep_note(creep),
        *carried.notes,
    ]
    return _lock(
        sequence,
        tracker,
        expected,
        seen,
        good,
        reasons,
        replace(settled, radius=radius, notes=notes),
        (centres, creep),
    )


def _with_header(
    centres: Centres,
    radius: RadiusFit,
    error: CommonCentre,
    found: Place,
    followed: Place,
    header: SolarHeader,
) -> tuple[Centres, RadiusFit, list[str]]:
    """Centres and radius joined with the header's centre; `followed` is that centre where its limb was found
    to stand."""
    stated = replace(followed, x_px=header.centre_x_px, y_px=header.centre_y_px)
    off_px = float(np.hypot(followed.x_px - stated.x_px, followed.y_px - stated.y_px))
    err_px, said = header_err_px(header.arcsec_per_px, off_px)
    centres, radius, more = join_header(centres, radius, error, found, stated, err_px)
    return centres, radius, [*said, *more]


def _too_many(
    sequence: Sequence, indices: np.ndarray, reasons: list[str], failed: dict[int, str]
) -> LimbNotFound:
    everything = dict(failed)
    everything.update({int(i): r for i, r in zip(indices, reasons, strict=True) if r})
    first = min(everything)
    error = LimbNotFound(
        f"{len(everything)} of {len(sequence)} frames cannot be trusted, "
        f"the first because: {everything[first]}"
    )
    error.at(sequence.names[first])
    return error


def _lock(
    sequence: Sequence,
    tracker: Tracker,
    expected: Expected,
    seen: Pass,
    good: np.ndarray,
    reasons: list[str],
    settled: Settled,
    placed: tuple[Centres, Creep],
) -> LimbLock:
    radius, found, failed = settled.radius, seen.found, seen.failed
    centres, creep = placed
    indices = np.array(sorted(found))
    count = len(sequence)
    chosen = indices[good]
    reason = [failed.get(i, "") for i in range(count)]
    for i, text in zip(indices, reasons, strict=True):
        reason[i] = text
    final = tracker.radius_px + radius.shift_px
    turn_px = centres.turn_px + np.radians([found[i].place.turn_deg for i in chosen]) * tracker.radius_px
    turn_deg = np.degrees((turn_px - turn_px[0]) / tracker.radius_px)
    places = [shifted_place(found[i].place, *s) for i, s in zip(chosen, centres.shift_px, strict=True)]
    reference = int(chosen[0])
    place = Place(places[0].x_px, places[0].y_px, final)
    low, high = _visible_range(place, sequence.shape, tracker.template.grid)
    all_found = [found[i] for i in indices]
    first = min(found)

    def spread(values, default=np.nan, where=chosen):
        full = np.full(count, default, float)
        full[where] = values
        return full

    return LimbLock(
        names=sequence.names,
        used=np.isin(np.arange(count), chosen),
        reason=tuple(reason),
        centre_x_px=spread([p.x_px for p in places]),
        centre_y_px=spread([p.y_px for p in places]),
        centre_err_px=spread(centres.across_err_px),
        along_err_px=spread(centres.along_err_px),
        creep_err_px=spread(creep.across_px),
        creep_along_err_px=spread(creep.along_px),
        angle_deg=spread(turn_deg),
        angle_err_deg=spread(np.degrees(centres.turn_err_px / final)),
        frame_radius_px=spread(tracker.radius_px + radius.frame_shift_px),
        frame_radius_err_px=spread(radius.frame_err_px),
        limb_arc_deg=spread([m.signs.arc_deg for m in all_found], where=indices),
        limb_rms_px=spread([m.signs.rms_px for m in all_found], where=indices),
        sharpness=spread(sharpness_of(all_found), where=indices),
        transparency=spread(transparency_of(all_found), where=indices),
        sky=spread([m.signs.sky for m in all_found], where=indices),
        saturated_fraction=spread([m.signs.saturated_fraction for m in all_found], where=indices),
        flattening=expected.flattening,
        zenith_deg=expected.zenith_deg,
        radius_px=final,
        radius_err_px=radius.err_px,
        own_radius_px=settled.own_px,
        own_radius_err_px=settled.own_err_px,
        from_deg=low,
        to_deg=high,
        reference=reference,
        limb_points_px=seen.looks[first].points_px,
        rejected_points_px=seen.looks[first].rejected_px,
        shape=sequence.shape,
        edge_bias_px=burnt_bias([found[i] for i in chosen], final),
        notes=tuple(settled.notes),
    )


def _visible_range(place: Place, shape: tuple[int, int], grid: Grid) -> tuple[float, float]:
    """Image angles between which the limb can be seen: the full circle less its widest hidden gap."""
    seen = np.nonzero(visible_angles(place, shape, grid.theta_deg))[0]
    if not len(seen):
        return 0.0, 0.0
    gaps = np.diff(seen, append=seen[0] + len(grid.theta_deg))
    widest = int(np.argmax(gaps))
    if gaps[widest] < 3:
        return 0.0, 360.0
    start = float(grid.theta_deg[seen[(widest + 1) % len(seen)]])
    extent = 360.0 - gaps[widest] * grid.step_deg
    return start, start + extent
