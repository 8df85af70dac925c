"""How frames of a sequence are measured: stretches of time with a template, frames against their own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from hashlib import blake2b
from itertools import groupby

import numpy as np

from promtrack.checks import Check
from promtrack.errors import InputError
from promtrack.limb.edge import FAR_SIGMA, Grid, LimbNotFound
from promtrack.limb.frame_limb import CEILING, Finder, Look
from promtrack.limb.measure import MOST_ALONG_PX, FrameMeasure, Pairs, Template, measure, zone_of
from promtrack.limb.rotation import rotation_check
from promtrack.limb.template import LaidZone, make_template, zone_grid
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
    looked: dict[int, Look] = field(default_factory=dict)  # at frames of templates, which come again

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
            return frame, self.looked.get(index) or self.finder.look(index, frame)
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

        def on_templates() -> Iterator[tuple[int, Template | None, Template | None]]:
            nonlocal earliest
            for part, template, before in self.templates():
                if template is not None:
                    earliest = earliest or template
                    pairs.update(dict.fromkeys(part.tolist(), template.pairs))
                    yield from self._on(part.tolist(), template, before)
                else:
                    yield from ((i, None, None) for i in part.tolist())

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

    def _on(
        self, part: list[int], template: Template, before: Template | None
    ) -> Iterator[tuple[int, Template, Template | None]]:
        """Frames with what they are measured against: templates without what shares their spicules."""
        time = self.sequence.time_s.tolist()
        for near, frames in groupby(part, lambda i: template.near(time[i])):
            others = template.without(near)
            for i in frames:
                joining = before if i < part[0] + 5 else None  # so many join two templates
                yield i, others, joining and joining.without(joining.near(time[i]))

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
        self, index: int, template: Template | None, before: Template | None
    ) -> tuple[int, tuple[FrameMeasure, Look] | str, bytes]:
        """The frame's number, what it contributes or why it does not, and a fingerprint of its pixels; it is
        measured against the template `before` as well where there is one."""
        seen = self.look(index)
        if isinstance(seen, str):
            return index, seen, b""
        frame, look = seen
        picture = blake2b(frame[::16].tobytes(), digest_size=16).digest()
        turn, turning = self.turn_of(index), template is not None and not self.turn_known
        if template is not None and turning:
            turn = template.turn_at(float(self.sequence.time_s[index]))
        reach = self.reach_px(look)
        laid = measure(frame, look, turn, template, self.finder, reach, turning=turning, before=before)
        return index, (laid, look), picture
