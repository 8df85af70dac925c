"""The lock on a whole sequence: every frame measured by itself and against a template, then one solution."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from promtrack.checks import Check
from promtrack.limb.compare import (
    compare,
    frames_check,
    header_check,
    header_scatter_px,
    one_limb,
    radius_check,
    sharpness_check,
)
from promtrack.limb.edge import LimbArcTooShort, LimbNotFound
from promtrack.limb.expected_geometry import (
    Expected,
    expected_sky,
    guessed_places,
    optical_radius,
    stated_places,
    turn_settings,
)
from promtrack.limb.frame_limb import BURNT_BIAS, ROUGH_PX, make_finder, start_from
from promtrack.limb.layout import Layout, Pass
from promtrack.limb.measure import FrameMeasure, Pairs
from promtrack.limb.records import Known, LimbLock, Place, Solution, Terms, visible_range
from promtrack.limb.rejection import reasons_against, sharpness_of, transparency_of
from promtrack.limb.rotation import carried_px
from promtrack.limb.solve import solve
from promtrack.sequence.records import Sequence
from promtrack.settings import CameraSettings, LimbSettings, SiteSettings, least_of

WIDE_DEG = 150.0  # limb on which its circle places the Sun better than any feature; ablation row "whole disc"


def lock_limb(
    sequence: Sequence,
    *,
    limb: LimbSettings = LimbSettings(),
    camera: CameraSettings = CameraSettings(),
    site: SiteSettings = SiteSettings(),
    progress: Callable[[int, int], None] | None = None,
    terms: Terms = Terms(),
) -> LimbLock:
    """Find the Sun's centre and turn in every frame, and the one radius of its limb.

    Parameters
    ----------
    sequence : frames in order of time; each is read once, sixteen in twenty minutes twice, and all of them
        again where the field turns otherwise than it is assumed to
    progress : called with (frames done, frames in all)
    terms : of the solution, for the ablation

    Raises LimbNotFound: no limb in any frame, or in too few (`limb.most_rejected`); LimbArcTooShort: less
    limb than `limb.least_arc_deg`.
    """
    stated = stated_places(sequence, limb)
    guessed = guessed_places(stated)
    start = start_from(sequence, limb, guessed)
    arc_deg = float(np.degrees(start.visible_px / start.radius_px))
    if arc_deg < limb.least_arc_deg:  # a straight edge is the limb of a Sun too large for any table
        raise LimbArcTooShort(arc_deg, limb.least_arc_deg).at(str(sequence.path))
    smallest_px = least_of(LimbSettings, "radius_px")  # smaller discs show no light inside
    if start.radius_px < smallest_px:
        words = f"no limb of the Sun: the circle seen is {start.radius_px:.0f} px in radius"
        raise LimbNotFound(f"{words}, {smallest_px:.0f} are needed", where=str(sequence.path))
    sky = expected_sky(sequence.times_utc, site=site, camera=camera, line=sequence.line)
    finder = make_finder(start, sequence.full_scale, sky, guessed)
    wide = arc_deg > WIDE_DEG
    optics = optical_radius(sequence.times_utc[0], camera=camera, limb=limb, site=site, stated=stated[0])

    layout = Layout(sequence, finder, wide, sky.turn_deg)
    seen = layout.all_frames(progress)
    turning = layout.turn_checks(seen.pairs, turn_settings(sequence.times_utc, site=site, camera=camera))
    if any(check.level == "poor" for check in turning):
        sky = replace(sky, turn_deg=np.full(len(sequence), np.nan))
        layout = replace(layout, turn_deg=sky.turn_deg)
        seen = layout.all_frames(progress)
    return Assembly(sequence, limb, camera, sky, optics, layout, terms, turning).lock(seen)


@dataclass(frozen=True, slots=True, eq=False)
class Assembly:
    """What the solution is made from, beside the frames' own measures."""

    sequence: Sequence
    limb: LimbSettings
    camera: CameraSettings
    sky: Expected
    optics: tuple[float, float] | None  # radius of the limb that optics or a header state, px, and 1 sigma
    layout: Layout
    terms: Terms
    turning: list[Check]

    def lock(self, seen: Pass) -> LimbLock:
        """Frames chosen, solved, checked."""
        found, reasons, points = seen.found, dict(seen.failed), seen.first
        indices = np.array(sorted(found))
        measures = [found[i] for i in indices]
        against = reasons_against(measures, self._exposure(indices))
        reasons |= {int(i): r for i, r in zip(indices, against, strict=True) if r}
        for again in (True, False):
            chosen = self._enough(indices, reasons)
            kept = [found[i] for i in chosen]
            solution, known, notes = self._solved(seen, kept, chosen)
            worse = compare(solution, kept, known)
            if not (again and worse.left_out):
                break
            reasons |= {int(chosen[k]): reason for k, reason in worse.left_out.items()}
        checks = [
            *self.turning,
            *worse.checks,
            sharpness_check(sharpness_of(kept)),
            frames_check(len(chosen), len(self.sequence)),
        ]
        if self.optics is not None and self.limb.radius_px is None:
            checks += radius_check(solution.own_radius_px, self.optics)
        middle = len(chosen) // 2
        x, y = map(float, solution.centre_px[middle])
        place = Place(x, y, solution.radius_px)
        checks.append(one_limb(self.sequence.frame(int(chosen[middle])), self.sequence.full_scale, place))
        return self._record(solution, known, indices, measures, chosen, reasons, points, notes, checks)

    def _exposure(self, indices: np.ndarray) -> np.ndarray:
        """Exposure times of frames against their median; 1 where the headers do not give all of them."""
        exposures = self.sequence.exposures_s
        if exposures is None or not (exposures[indices] > 0).all():
            return np.ones(len(indices))
        return exposures[indices] / np.median(exposures[indices])

    def _enough(self, indices: np.ndarray, reasons: dict[int, str]) -> np.ndarray:
        chosen = np.array([i for i in indices if int(i) not in reasons])
        if len(chosen) < max(1, (1 - self.limb.most_rejected) * len(self.sequence)):
            first, lost, count = min(reasons), len(reasons), len(self.sequence)
            what = f"{lost} of {count} frames cannot be trusted, the first because: {reasons[first]}"
            raise LimbNotFound(what).at(self.sequence.names[first])
        return chosen

    def _solved(
        self, seen: Pass, kept: list[FrameMeasure], chosen: np.ndarray
    ) -> tuple[Solution, Known, list[str]]:
        arc = float(np.median([m.signs.arc_deg for m in kept]))
        if arc < self.limb.least_arc_deg:
            raise LimbArcTooShort(arc, self.limb.least_arc_deg).at(self.sequence.names[int(chosen[0])])
        radius = self.layout.finder.radius_px
        # systematic error of the edge in limb widths (docs/studies/limb_edge_bias.py)
        systematic = 0.25 * float(np.median([m.signs.width_px for m in kept]))
        burnt = burnt_bias_px(kept, radius)
        carried = np.zeros(len(kept))
        said: tuple[str, ...] = ()
        if seen.template is not None and not self.layout.wide:
            carried, said = carried_px(
                seen.template, radius, self.sequence, chosen, limb=self.limb, camera=self.camera
            )
        turn = np.radians(self.sky.turn_deg[chosen]) * radius
        joints = joints_px(kept, [seen.pairs.get(int(i)) for i in chosen])
        places = stated_places(self.sequence, self.limb)
        header = np.array([(np.nan, np.nan) if p is None else (p.x_px, p.y_px) for p in places])[chosen]
        known = Known(
            wide=self.layout.wide,
            turn_px=turn if np.isfinite(turn).all() else None,
            carried_px=carried,
            joint_px=joints[:, 0],
            joint_err_px=joints[:, 1],
            edge_bias_px=float(np.sqrt(systematic**2 + burnt**2 + (self.sky.radius_err * radius) ** 2)),
            radius_px=self.limb.radius_px,
            rough=float(np.median([m.signs.rms_px for m in kept])) > ROUGH_PX,
            darkens=self.sequence.in_h_alpha,
        )
        time = self.sequence.time_s[chosen]
        solution = solve(kept, time, known, self.terms)
        alone = solution.radius_px, solution.radius_err_px
        if self.optics and self.limb.radius_px is None:
            apart = abs(alone[0] - self.optics[0]) / np.hypot(alone[1], self.optics[1])
            if apart <= 3.0:
                known = replace(known, optics_px=self.optics)
        if np.isfinite(header).any():
            if known.optics_px is not None:
                solution = solve(kept, time, known, self.terms)
            stated = next(h for h in self.sequence.headers if h is not None)
            # pointing that calibrated frames state (common practice, no source)
            err = 1.0 / stated.arcsec_per_px
            check = header_check(solution, header, err)
            known = replace(known, header_err_px=err, header_check=check)
            if check.level != "poor":
                known = replace(known, header_px=header, header_frame_px=header_scatter_px(solution, header))
        if known.optics_px is not None or known.header_px is not None:
            solution = solve(kept, time, known, self.terms)
        return replace(solution, own_radius_px=alone), known, list(said)

    def _record(
        self, solution: Solution, known: Known, indices, measures, chosen, reasons, points, notes, checks
    ) -> LimbLock:
        count = len(self.sequence)

        def spread(values, where=chosen):
            full = np.full(count, np.nan)
            full[where] = values
            return full

        x, y = map(float, solution.centre_px[0])
        low, high = visible_range(Place(x, y, solution.radius_px), self.sequence.shape)
        unmodelled = self.sky.unmodelled[chosen]
        # At an angle a from the zenith a limb flattened by f lies R f cos^2 a inside the round one, and the
        # centre found moves by that; the mean of cos^4 over all directions is 3/8.
        drift = np.sqrt(3 / 8) * solution.radius_px * np.abs(unmodelled - unmodelled.mean())
        kept = [m for i, m in zip(indices, measures, strict=True) if i in set(chosen)]
        return LimbLock(
            names=self.sequence.names,
            used=np.isin(np.arange(count), chosen),
            reason=tuple(reasons.get(i, "") for i in range(count)),
            centre_x_px=spread(solution.centre_px[:, 0]),
            centre_y_px=spread(solution.centre_px[:, 1]),
            centre_err_px=spread(solution.across_err_px),
            along_err_px=spread(solution.along_err_px),
            refraction_drift_err_px=spread(np.zeros(len(chosen)) if known.wide else drift),
            angle_deg=spread(solution.turn_deg - solution.turn_deg[0]),
            angle_err_deg=spread(solution.turn_err_deg),
            frame_radius_px=spread(solution.frame_radius_px),
            frame_radius_err_px=spread(solution.frame_radius_err_px),
            limb_arc_deg=spread([m.signs.arc_deg for m in measures], indices),
            limb_rms_px=spread([m.signs.rms_px for m in measures], indices),
            sharpness=spread(sharpness_of(measures), indices),
            transparency=spread(transparency_of(measures), indices),
            sky=spread([m.signs.sky for m in measures], indices),
            saturated_fraction=spread([m.signs.saturated_fraction for m in measures], indices),
            flattening=self.sky.flattening,
            zenith_deg=self.sky.zenith_deg,
            radius_px=solution.radius_px,
            radius_err_px=solution.radius_err_px,
            own_radius_px=solution.own_radius_px[0],
            own_radius_err_px=solution.own_radius_px[1],
            from_deg=low,
            to_deg=high,
            reference=int(chosen[0]),
            limb_points_px=points.points_px,
            rejected_points_px=points.rejected_px,
            shape=self.sequence.shape,
            edge_bias_px=burnt_bias_px(kept, solution.radius_px),
            notes=(*notes, *self.sky.notes),
            checks=tuple(checks),
        )


def joints_px(kept: list[FrameMeasure], own: list[Pairs | None]) -> np.ndarray:
    """(n - 1, 2) shift along the limb from a frame's template to the next one's, and 1 sigma: the usual one
    of the frames that are measured against both. `own`: (n,) the pairs of each frame's template."""
    joints = np.zeros((len(kept) - 1, 2))
    for i, (before, after) in enumerate(pairwise(own)):
        if before is not after:
            both = [m.joint_px for m, of in zip(kept, own, strict=True) if of is after and m.joint_px]
            # the frames share what the plasma has done: no surer than one of them
            joints[i] = np.median(both, axis=0) if after and both else (0.0, np.inf)
    return joints


def burnt_bias_px(kept: list[FrameMeasure], radius_px: float) -> float:
    """Stated shift of the edge of a burnt-out disc, px outward; 0 for a disc that is not."""
    return BURNT_BIAS * radius_px if np.mean([m.signs.burnt_limb for m in kept]) > 0.5 else 0.0
