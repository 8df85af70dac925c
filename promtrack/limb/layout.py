"""How frames of a sequence are measured: stretches of time with a template, frames against their own.

A template is the mean zone of frames from one stretch of time, laid on each other along the limb, and stays
as it is, so that what moves cannot draw it along; a later stretch has a template of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from hashlib import blake2b

import cv2
import numpy as np

from promtrack.checks import Check
from promtrack.errors import InputError
from promtrack.limb.edge import FAR_SIGMA, Grid, LimbNotFound, Zone, make_grid
from promtrack.limb.frame_limb import CEILING, Finder, Look
from promtrack.limb.measure import (
    BLOCK,
    EDGE_ROWS_PX,
    MOST_ALONG_PX,
    Against,
    FrameMeasure,
    Pairs,
    Template,
    block_shifts,
    blurred,
    coarse_shifts,
    measure,
    row_of,
    usual_shift,
    zone_of,
)
from promtrack.limb.rotation import rotation_check
from promtrack.sequence.records import MANY, Sequence, spread_over
from promtrack.workers import map_ahead

STRETCH_S = 1200.0  # a template holds for so long: threads and spicules live for 5 to 20 minutes


@dataclass(frozen=True, slots=True, eq=False)
class Pass:
    """What the frames gave, by number."""

    found: dict[int, FrameMeasure]
    failed: dict[int, str]
    first: Look  # of the first frame found, for its points
    template: Template | None  # the first one
    pairs: dict[int, Pairs]  # of the template of each frame that has one: a check of the turn


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """How the frames of a sequence are measured: each by itself, on the template of its stretch of time."""

    sequence: Sequence
    finder: Finder
    wide: bool
    turn_deg: np.ndarray  # (n,) computed or assumed; nan where it is not known
    looked: dict[int, Look] = field(default_factory=dict)  # at frames of a template, until they come again

    @property
    def turn_known(self) -> bool:
        """Whether the turn is computed or assumed, and not to be found."""
        return bool(np.isfinite(self.turn_deg).all())

    def turn_of(self, index: int) -> float:
        """Turn of a frame as it is expected, 0 where nothing is."""
        return float(np.nan_to_num(self.turn_deg[index]))

    def stretches(self) -> list[np.ndarray]:
        """Indices of the frames of each stretch of time, (k,) each."""
        time = self.sequence.time_s
        gap = np.flatnonzero(np.diff(time) > STRETCH_S) + 1
        parts = []
        for part in np.split(np.arange(len(time)), gap):
            usual_s = float(np.median(np.diff(time[part]))) if len(part) > 1 else 0.0
            length_s = max(STRETCH_S, MANY * usual_s)
            count = max(1, int(np.ceil((time[part[-1]] - time[part[0]] + 1e-9) / length_s)))
            edges = time[part[0]] + np.arange(1, count) * (time[part[-1]] - time[part[0]]) / count
            parts += [p for p in np.split(part, np.searchsorted(time[part], edges)) if len(p)]
        return parts

    def templates(self) -> Iterator[tuple[np.ndarray, Template | None, Template | None]]:
        """Frames of each stretch of time, their template and the one that it is laid on, made when it is
        needed: an hour of large frames would fill 100 MB with them. Frames that stand alone in time have
        none."""
        grid = zone_grid(self.finder.radius_px)
        last: Template | None = None
        last_s = -np.inf
        for part in self.stretches():
            picks = part[spread_over(len(part), 16)] if len(part) > 1 else part[:0]
            time = self.sequence.time_s[part]
            near = last if time[0] - last_s < STRETCH_S else None
            more = near.turn_at(time[0]) - self.turn_of(int(part[0])) if near else 0.0
            zone_of = partial(self._zone, more_deg=more, grid=grid)
            laid = [zone for zone in map_ahead(zone_of, picks.tolist()) if zone]
            if not laid:
                yield part, None, None
                continue
            ceiling = CEILING * self.sequence.full_scale
            last = make_template(laid, grid, ceiling, self.finder.radius_px, first=near, align=not self.wide)
            last_s = time[-1]
            yield part, last, near

    def look(self, index: int) -> tuple[np.ndarray, Look] | str:
        """A frame and its limb, or why there is none."""
        try:
            frame = self.sequence.frame(index)
        except InputError as error:
            return f"could not be read: {error.what}"
        try:
            return frame, self.looked.pop(index, None) or self.finder.look(index, frame)
        except LimbNotFound as error:
            return error.what

    def turn_checks(self, pairs: dict[int, Pairs], settings: tuple[tuple[str, float], ...]) -> list[Check]:
        """The field's rotation as the frames show it, laid on each other in pairs, against the one assumed;
        `settings` as for `rotation_check`."""
        span_h = float(np.ptp(self.sequence.time_s)) / 3600.0
        if not self.turn_known or span_h <= 0:
            return []
        assumed = float(self.turn_deg[-1] - self.turn_deg[0]) / span_h
        each = list(dict.fromkeys(pairs.values()))
        return rotation_check(each, self.finder.radius_px, assumed_deg_h=assumed, settings=settings)

    def all_frames(self, progress: Callable[[int, int], None] | None) -> Pass:
        """Every frame measured; raises LimbNotFound if none shows a limb."""
        pairs: dict[int, Pairs] = {}
        earliest: Template | None = None

        def on_templates() -> Iterator[tuple[int, Against | None]]:
            nonlocal earliest
            time_s = self.sequence.time_s.tolist()
            for part, template, before in self.templates():
                if template is None:
                    yield from ((i, None) for i in part.tolist())
                    continue
                earliest = earliest or template
                pairs.update(dict.fromkeys(part.tolist(), template.pairs))
                apart, last = template, None
                for k, i in enumerate(part.tolist()):
                    if (near := template.near(time_s[i])) != last:
                        apart, last = template.without(near), near
                    own = template.without(tuple(n for n in near if template.time_s[n] == time_s[i]))
                    joining = before if k < 5 else None  # so many join two templates
                    yield i, Against(own, apart, joining and joining.without(joining.near(time_s[i])))

        found: dict[int, FrameMeasure] = {}
        failed: dict[int, str] = {}
        first: Look | None = None
        pictures: dict[bytes, int] = {}  # fingerprint -> the frame that showed it first
        for index, seen, picture in map_ahead(lambda one: self.measured(*one), on_templates()):
            before = pictures.setdefault(picture, index) if picture else index
            if before != index:  # noise never repeats: the camera or the film stood still, or runs in a loop
                failed[index] = f"the very same picture as {self.sequence.names[before]}"
            elif isinstance(seen, str):
                failed[index] = seen
            else:
                found[index], look = seen
                first = first or look
            if progress:
                progress(index + 1, len(self.sequence))
        if first is None:
            raise LimbNotFound(failed[min(failed)]).at(self.sequence.names[min(failed)])
        return Pass(found, failed, first, earliest, pairs)

    def reach_px(self, look: Look) -> float:
        """How far a frame may lie from its template along the limb: as far as its circle leaves that open,
        and anywhere near where the field turns in a way that is not known."""
        if self.wide:
            return 0.0
        if not self.turn_known:
            return MOST_ALONG_PX
        return min(FAR_SIGMA * look.along_err_px, MOST_ALONG_PX)

    def _zone(self, index: int, more_deg: float, grid: Grid) -> LaidZone | None:
        """The limb zone of a frame for a template, turned by `more_deg` beyond what is expected."""
        seen = self.look(index)
        if isinstance(seen, str):
            return None
        frame, look = seen
        self.looked[index] = look
        turn = self.turn_of(index) + more_deg
        zone = zone_of(frame, replace(look.place, turn_deg=turn), grid)
        if len(zone.ray) <= 32:
            return None
        return LaidZone(float(self.sequence.time_s[index]), turn, zone, self.reach_px(look))

    def measured(
        self, index: int, against: Against | None
    ) -> tuple[int, tuple[FrameMeasure, Look] | str, bytes]:
        """The frame's number, what it contributes or why it does not, and a fingerprint of its pixels."""
        seen = self.look(index)
        if isinstance(seen, str):
            return index, seen, b""
        frame, look = seen
        picture = blake2b(frame[::16].tobytes(), digest_size=16).digest()
        turn, turning = self.turn_of(index), against is not None and not self.turn_known
        if against is not None and turning:
            turn = against.template.turn_at(float(self.sequence.time_s[index]))
        laid = measure(frame, look, turn, against, self.finder, self.reach_px(look), turning=turning)
        return index, (laid, look), picture


@dataclass(frozen=True, slots=True, eq=False)
class LaidZone:
    """A frame's zone and the turn on which it was sampled."""

    time_s: float
    turn_deg: float
    zone: Zone
    reach_px: float  # farthest shift along the limb that it may need


def zone_grid(radius_px: float) -> Grid:
    """Rays and heights of the zone that the template holds. A larger picture of the Sun is no sharper in
    arcseconds, so that the samples grow with it."""
    # up to this radius the zone is sampled at every pixel
    pitch = float(np.clip(radius_px / 1200.0, 1.0, 2.5))
    return make_grid(radius_px, min(40 * pitch, 0.6 * radius_px), 70 * pitch, ray_px=pitch, pitch_px=pitch)


def make_template(
    laid: list[LaidZone],
    grid: Grid,
    ceiling: float,
    radius_px: float,
    *,
    first: Template | None = None,
    align: bool,
) -> Template:
    """Mean of some zones, in order of time, each shifted along the limb onto the others.

    Parameters
    ----------
    first : template of the stretch before, on which this one is laid
    align : whether the zones may be shifted; not where their circles place them better
    """
    zones, shift = [part.zone for part in laid], np.zeros((len(laid), 2))  # along the limb and outward
    block = _blocks_of(zones, grid)
    time_s = np.array([part.time_s for part in laid])

    def mean(count: int = len(zones)) -> Template:
        turn = np.array([part.turn_deg for part in laid]) + np.degrees(shift[:, 0] / radius_px)
        laid_on = _mean_of(zones[:count], shift, grid, block, ceiling, time_s)
        return replace(laid_on, turn_deg=turn, along_px=float(np.median(shift[:, 0])))

    if align:
        so_far = first or mean(1)
        # beyond such shifts circles alone do not make a template
        rough = float(np.median([part.reach_px for part in laid])) > 20.0
        # circles that place the frames well blur what stands still on the sensor, and not the Sun; where they
        # do not, each zone is laid on the mean of those before
        for i, zone in enumerate(zones if rough or first else []):
            if i or first:
                shift[i, 0] = shift[max(i - 1, 0), 0] if rough else 0.0
                shift[i, 0] += coarse_shifts(so_far, _moved(zone, shift[i], grid), laid[i].reach_px)[0]
                if not rough:
                    shift[i] += usual_shift(block_shifts(so_far, _moved(zone, shift[i], grid)))
            so_far = mean(i + 1) if rough else so_far
        if first is None:
            shift -= np.median(shift, axis=0)  # the first frame's circle is no better than the others'
        elif not rough:
            shift[:] = np.median(shift, axis=0)
        # from coarse to fine: sharp zones on each other's ghosts would stay there
        for blur_px in (10.0, 10.0, 6.0, 6.0, 4.0, 4.0):
            soft = [blurred(zone, blur_px, grid) for zone in zones]
            template = _mean_of(soft, shift, grid, block, ceiling, time_s)
            shift += list(map_ahead(partial(_shift_of, template), range(len(soft))))

    done = mean()
    done = replace(done, pairs=_pairs(done, zones))
    return done if align else replace(done, part=())


def _blocks_of(zones: list[Zone], grid: Grid) -> np.ndarray:
    """Numbers of the blocks on which these zones lie, as in `Template.block`."""
    seen = np.unique(np.concatenate([zone.ray for zone in zones]) // BLOCK)
    count = -(-len(grid.theta_deg) // BLOCK)
    gaps = np.diff(seen, append=seen[0] + count)
    widest = int(np.argmax(gaps))
    if gaps[widest] == 1:
        return np.arange(count)
    return (seen[(widest + 1) % len(seen)] - 1 + np.arange(count + 2 - gaps[widest])) % count


def _pairs(template: Template, zones: list[Zone]) -> Pairs:
    """Zones laid on those 1, 2, 4, ... before, as far apart as a third of them."""
    steps = [2**k for k in range(8) if 2**k <= max(1, len(zones) // 3)]

    def moved(i: int) -> list[tuple[int, int, float]]:
        one = [zones[i]], np.zeros((1, 2)), template.grid, template.block, template.ceiling, np.zeros(1)
        alone, later = _mean_of(*one), [(step, i + step) for step in steps if i + step < len(zones)]
        return [(step, k, coarse_shifts(alone, zones[k], MOST_ALONG_PX)[0]) for step, k in later]

    found = sorted(pair for pairs in map_ahead(moved, range(len(zones) - 1)) for pair in pairs)
    step, after, shift_px = np.array(found).reshape(-1, 3).T
    last, time_s = after.astype(int), template.time_s
    return Pairs(step.astype(int), time_s[last] - time_s[last - step.astype(int)], shift_px)


def _shift_of(template: Template, i: int) -> np.ndarray:
    """What shifts a part of a template along the limb and outward onto the others."""
    others = template.without(template.near(template.time_s[i]))
    return usual_shift(block_shifts(others, template.part[i]))


def _moved(zone: Zone, shift_px: np.ndarray, grid: Grid) -> Zone:
    """A zone shifted back by `shift_px` along the limb and outward."""
    if not shift_px.any():
        return zone
    rows, columns = float(shift_px[0]) / grid.step_px, float(shift_px[1]) / grid.pitch_px
    matrix = np.array([[1, 0, -columns], [0, 1, -rows]], np.float32)
    size = zone.value.shape[::-1]  # (x, y)
    value = cv2.warpAffine(zone.value, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    row = np.arange(len(zone.ray)) + rows
    inside = (row >= 0) & (row <= len(zone.ray) - 1)
    return replace(zone, value=value, valid=zone.valid & inside[:, None])


def _mean_of(
    zones: list[Zone], shift: np.ndarray, grid: Grid, block: np.ndarray, ceiling: float, time_s: np.ndarray
) -> Template:
    total, square, count = np.zeros((3, len(block) * BLOCK, len(grid.offset_px)), np.float32)
    light, parts = None, []
    for zone, by in zip(zones, shift, strict=False):
        moved, row = _moved(zone, by, grid), row_of(zone.ray, grid, block)
        inner = float(np.median(moved.value[::4, grid.offset_px < -EDGE_ROWS_PX]))
        light = light or max(inner, 1e-9)
        value = np.where(moved.valid, moved.value * np.float32(light / max(inner, 1e-9)), 0)
        parts.append(replace(moved, value=value))
        total[row] += value
        square[row] += value**2
        count[row] += moved.valid
    known = np.maximum(count, 1)
    mean = total / known
    scatter = np.maximum(square / known - mean**2, 0) * (known / np.maximum(known - 1, 1))
    scatter = cv2.blur(scatter, (1, 5))
    many = count > 1
    weight = (count > 0).astype(np.float32)
    if many[::4].any():
        usual = scatter[::4][many[::4]]
        floor = max(float(np.percentile(usual, 10)), 0.02 * float(usual.mean()), 1e-6)
        weight = np.where(many, 1 / (scatter + np.float32(floor)), 0).astype(np.float32)
    nothing = Pairs(*np.zeros((3, 0)))
    return Template(grid, block, mean, weight, count, ceiling, time_s, 0.0 * time_s, tuple(parts), nothing)
