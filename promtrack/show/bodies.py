"""What moves in the picture: fronts and knots with their marks, and when the number of each is shown.

A number stands still beside its body, and a leader runs from it to the moving mark. A front's is the speed
then, or the least and the greatest that it goes through while the number stands; a knot's is the one that
page, figures and tables have, unless two or more that differ can be read while it is seen: then each is the
speed in the middle of its time.
Numbers take turns, at most two at once. A body that no model describes has a letter and no number.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from promtrack.motion.interpretation import label_motion, ranked_fronts, ranked_knots
from promtrack.motion.records import Front, KnotTrack
from promtrack.rounding import error_decimals, plain, with_error
from promtrack.show.canvas import Canvas, Page, block, draw_line, draw_marker, draw_text, text_width
from promtrack.show.curves import LONG_GAP, front_curve, knot_speed
from promtrack.show.findings import time_words
from promtrack.show.layout import Ground, Rect, busy_share, mind_line, nearest_places, plasma_lengths, take
from promtrack.show.palette import ON_DARK, bgr_of
from promtrack.show.quoted import front_model, is_steady, relative_error, speed_of
from promtrack.show.records import Measured
from promtrack.show.region_of_interest import way_of
from promtrack.show.timing import NUMBER_S, ClipTime, Span, share_time
from promtrack.show.view import ClipView

AT_REST = "at rest"  # what is said of a front that has not yet started


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A front or a knot; arrays have one value a point, times count from the first frame shown."""

    letter: str  # '' for none
    order: int  # place among the knots, 0 for the first; -1 without letter
    bgr: tuple[float, float, float]
    time_s: np.ndarray
    theta_deg: np.ndarray  # image angle of the mark
    height_mm: np.ndarray
    speed_km_s: np.ndarray  # nan where no model describes the motion, and where a front rests by its model
    error_km_s: np.ndarray  # chance, scale and clock together
    said: str  # its speed as all other products have it; '' where no model describes the motion
    moment: Callable[[float], str]  # how a time is written
    sector_deg: np.ndarray | None = None  # image angles along a front's edge; None for a knot
    stands: tuple[tuple[float, float, str], ...] = ()  # clip time from and to which each number shows
    label: Rect | None = None  # where
    inset: int = -1  # that shows it; -1: the picture itself
    by_hand: bool = False
    views: tuple[ClipView, ...] = ()  # of the pictures in which it stands, one a frame shown

    def place(self, view: ClipView, now_s: float | np.ndarray) -> np.ndarray:
        """(..., 2) x, y of the mark in a picture, at one time or at many."""
        theta, height = (np.interp(now_s, self.time_s, v) for v in (self.theta_deg, self.height_mm))
        return np.stack(view.to_picture(theta, height), axis=-1)

    def way(self, view_s: np.ndarray, time_s: np.ndarray) -> np.ndarray:
        """(n, 2) x, y of the mark at (n,) times in the pictures then. `view_s`: times of the frames shown."""
        which = np.clip(np.searchsorted(view_s, time_s), 0, len(self.views) - 1)
        return np.array([self.place(self.views[k], float(s)) for k, s in zip(which, time_s, strict=True)])

    def leader(self, view: ClipView, now_s: float, label: Rect) -> np.ndarray:
        """(2, 2) x, y of the shortest line from a label to the mark, or to the middle of a front's edge,
        whose ends other bodies may touch."""
        return _leaders(self.middle(view, now_s)[None], label)[0]

    def middle(self, view: ClipView, now_s: float) -> np.ndarray:
        """(n, 2) x, y of where a leader may end: at the mark, or in the middle half of a front's edge."""
        ends = self.ends(view, now_s)
        quarter = len(ends) // 4
        return ends[quarter : len(ends) - quarter]

    def ends(self, view: ClipView, now_s: float) -> np.ndarray:
        """(n, 2) x, y of the mark, or of the edge of a front."""
        if self.sector_deg is None:
            return self.place(view, now_s)[None]
        height = float(np.interp(now_s, self.time_s, self.height_mm))
        return np.stack(view.to_picture(self.sector_deg, height), axis=1)

    def due(self, time: ClipTime, now_s: float) -> str:
        """The number that stands at one moment of the recording; '' for none."""
        at = time.at(now_s)
        return next((words for a, b, words in self.stands if a <= at < b or at == b == time.end_s), "")

    def seen(self, now_s: float) -> bool:
        """Whether it was measured then: not before, after, or in a long gap."""
        if not self.time_s[0] - 1e-6 <= now_s <= self.time_s[-1] + 1e-6:
            return False
        after = int(np.clip(np.searchsorted(self.time_s, now_s), 1, len(self.time_s) - 1))
        steps = np.diff(self.time_s)
        inside = self.time_s[after - 1] + 1e-6 < now_s < self.time_s[after] - 1e-6
        return not (inside and steps[after - 1] > LONG_GAP * float(np.median(steps)))


def bodies_of(measured: Measured, first_utc: np.datetime64, *, fronts: bool, knots: bool) -> list[Body]:
    """Moving fronts and knots in the order of their letters; the one that `clip.at` names comes first.
    `first_utc`: time of the first frame shown."""
    motion, labels = measured.motion, label_motion(measured.motion)
    late_s = float((measured.strip.times_utc[0] - first_utc) / np.timedelta64(1, "s"))
    found = []
    orientation = measured.orientation
    tracks: tuple[Front | KnotTrack, ...] = (*ranked_fronts(motion), *ranked_knots(motion)[:12])
    for track in tracks:
        way, (speed, error) = way_of(track, orientation), _speed(measured, track)
        said = speed_of(measured, track).text if np.isfinite(speed).any() else ""
        if said and isinstance(track, KnotTrack) and not is_steady(measured, track):
            said += f" at {time_words(measured, track.fit.time_s)}"  # of other times it is no lower bound
        seen = way.time_s + late_s, way.theta_deg, way.height_mm

        def moment(now_s: float) -> str:
            return time_words(measured, now_s - late_s)

        body = Body("", -1, bgr_of(ON_DARK.front), *seen, speed, error, said, moment)
        if isinstance(track, Front):
            edge = np.asarray(orientation.to_image(np.linspace(track.from_deg, track.to_deg, 24)))
            body = replace(body, letter=labels.front(track), sector_deg=edge)
        else:
            order = labels.place(track)
            body = replace(body, letter=labels.knot(track), order=order, bgr=bgr_of(ON_DARK.knot(order)))
        if fronts if isinstance(track, Front) else knots:
            found.append(replace(body, by_hand=track.by_hand))
    asked = measured.settings.clip.at.strip().upper()
    return sorted(found, key=lambda body: not asked or body.letter != asked)


def number_lines(body: Body, words: str, page: Page) -> tuple[str, ...]:
    """'A ≥ 290 ± 3 km/s': letter, and the speed in the plane of the sky, a lower bound of the true one, in
    two lines where that is wide; below that the moment that it is of, and 'by hand' where the points were
    clicked."""
    hand = ("by hand",) if body.by_hand else ()
    if words == AT_REST:
        return (f"{body.letter} {words}", *hand)
    speed, at, moment = words.partition(" at ")
    line = f"{body.letter} {speed}" if " to " in speed else f"{body.letter} ≥ {speed}"
    value, sign, error = line.partition(" ± ")
    wide = sign and text_width(line, page.unit) > 0.25 * page.inside.width  # of the room for words
    lines = (value, f"± {error}") if wide else (line,)
    return (*lines, *([f"at {moment}"] if at else []), *hand)


def schedule_numbers(bodies: list[Body], time: ClipTime) -> list[Body]:
    """The same bodies with the numbers that show and their clip times: at most two at once, none for less
    than `NUMBER_S`."""
    numbered = [place for place, body in enumerate(bodies) if body.letter and body.said]
    shown = [(time.at(float(bodies[k].time_s[0])), time.at(float(bodies[k].time_s[-1]))) for k in numbered]
    runs = dict(zip(numbered, share_time(shown, time), strict=True))
    return [replace(body, stands=stands_of(body, runs.get(k, []), time)) for k, body in enumerate(bodies)]


def stands_of(body: Body, runs: list[Span], time: ClipTime) -> tuple[tuple[float, float, str], ...]:
    """What number stands when: in even steps of `stand_s` or more, that of the last picture in its hold."""
    if not runs:
        return ()
    spans: list[Span] = []
    hold_s = float(time.clip_s[-1])
    for first, last in runs:
        held = min(hold_s - first, last - hold_s) >= NUMBER_S - 1e-6
        end = hold_s if held else last
        edges = np.linspace(first, end, max(int((end - first) / time.stand_s + 1e-6), 1) + 1)
        spans += pairwise([*edges.tolist(), *([last] if held else [])])
    at = np.array([[time.back(t) for t in np.linspace(a, b, 11)] for a, b in spans])
    gone = np.array([time.back(a) for a, _ in spans]) > body.time_s[-1]
    known = np.isfinite(body.speed_km_s)
    speeds, errors = (
        np.interp(at, body.time_s[known], v[known]) for v in (np.abs(body.speed_km_s), body.error_km_s)
    )
    speed, error = speeds[:, 5], errors[:, 5]
    own = ~gone
    if body.sector_deg is None and own.any():
        low, high = (int(f(np.where(own, speed, np.nan))) for f in (np.nanargmin, np.nanargmax))
        own = own & bool(speed[high] - speed[low] > np.hypot(error[low], error[high]))
    found = []
    for place, (first, last) in enumerate(spans):
        words = with_error(speed[place], error[place], "km/s") if own[place] else body.said
        if own[place] and body.sector_deg is None:
            words += f" at {body.moment(at[place, 5])}"  # of other times it is no lower bound
        ends = [speeds[place].argmin(), speeds[place].argmax()]
        low, high = speeds[place, ends]
        if body.sector_deg is not None and high - low > np.hypot(*errors[place, ends]):
            # true speeds that it goes through while the number stands, no estimate of one
            digits = [error_decimals(float(one) or high - low) for one in errors[place, ends]]
            words = f"{plain(low, digits[0])} to {plain(high, digits[1])} km/s"
        found.append((first, last, words if time.back(last) >= body.time_s[known][0] else AT_REST))
    return tuple(found)


def mind_way(body: Body, view_s: np.ndarray, page: Page, ground: Ground) -> Ground:
    """The ground with the way of a body's mark, over which nothing should be written. `view_s`: (n,) times of
    the frames shown [s]."""
    return mind_line(ground, body.way(view_s, np.linspace(body.time_s[0], body.time_s[-1], 24)), page.unit)


def mind_edge(body: Body, view_s: np.ndarray, moments: np.ndarray, page: Page, ground: Ground) -> Ground:
    """The ground with a front's edge as plasma at each of its moments, over which no number should stand.
    Further parameters as in `place_number`."""
    plasma = ground.plasma.copy()
    for one, k in zip(plasma, moments.tolist(), strict=True):
        if body.seen(float(view_s[k])):
            edge = body.ends(body.views[k], float(view_s[k]))
            one[:] = mind_line(replace(ground, busy=one), edge, 2.0 * page.unit).busy
    return replace(ground, plasma=plasma)


def place_number(
    body: Body,
    time: ClipTime,
    view_s: np.ndarray,
    moments: np.ndarray,
    page: Page,
    ground: Ground,
    *,
    headline: bool,
) -> tuple[Body, Ground]:
    """The same body with the place of its number; where there is no room there is no number.
    `view_s`: times of the frames shown; `moments`: places of the frames whose plasma the ground knows;
    `headline`: the number is always shown, over plasma where no other place is free."""
    texts = {words for _, _, words in body.stands}
    if not texts & {body.due(time, s) for s in time.recorded_s}:  # while it is due no other picture is shown
        return replace(body, stands=()), ground
    blocks = [block(tuple((line, page.unit) for line in number_lines(body, w, page))) for w in texts]
    size = max(b.width for b in blocks), max(b.height for b in blocks)
    times = np.linspace(time.back(body.stands[0][0]), time.back(body.stands[-1][1]), 24)
    which = np.clip(np.searchsorted(view_s, times), 0, len(view_s) - 1)
    ends = np.array([body.middle(body.views[k], float(s)) for k, s in zip(which, times, strict=True)])
    plasma = ground.plasma[np.abs(view_s[moments] - times[:, None]).argmin(axis=1)]
    during, ever = plasma.max(axis=0), ground.plasma.max(axis=0)  # what is plasma before or after is free
    free = replace(ground, busy=np.where(ever > 0.0, during, ground.busy))
    label = _best_place(body.way(view_s, times), ends, plasma, free, size, page, headline=headline)
    if label is None:
        return replace(body, stands=()), ground
    for leader in _leaders(ends, label):  # no height's name on it
        ground = mind_line(ground, leader, 1.0)
    return replace(body, label=label), take(ground, label, page.unit // 3)


def draw_body(
    canvas: Canvas,
    body: Body,
    page: Page,
    view: ClipView,
    now_s: float,
    time: ClipTime,
    spared: Sequence[Rect] = (),
) -> Rect | None:
    """Draw the body at one moment of the recording: tail, mark, letter, and its number while that is due; the
    place of the letter, None where none is written. `spared`: places of words, on which no letter stands."""
    words, mark, seen = body.due(time, now_s), body.place(view, now_s), body.seen(now_s)
    share = 1.0 if seen else 0.5  # opacity of the way, fainter of a body whose number alone stands
    if body.sector_deg is not None:
        if seen or words:
            draw_line(canvas, body.ends(view, now_s), page.stroke, body.bgr, strength=0.85 * share)
    elif seen or words:  # a number never stands alone: beside the whole way where the body is not seen
        since = max(float(body.time_s[0]), time.back(min(time.at(now_s), time.clip_s[-1]) - 1.0))  # a second
        first, last = (min(since, now_s), now_s) if seen else body.time_s[[0, -1]].tolist()
        tail = body.place(view, np.linspace(first, last, 32))
        width = max(page.stroke - 1, 1)
        draw_line(canvas, tail, width, body.bgr, strength=share * (0.7 if body.letter else 0.45))
        if body.letter and seen:
            draw_marker(canvas, mark, body.order, page, body.bgr)
    if body.letter and seen and not words:
        letter, inside, boxes = block(((body.letter, page.unit),)), page.inside, []
        for away in (0.0, 0.6, 1.2, 1.8):  # farther where others stand
            columns = mark[0] + (0.5 + away) * page.unit, mark[0] - (0.5 + away) * page.unit - letter.width
            rows = mark[1] - (1.4 + away) * page.unit, mark[1] + (0.2 + away) * page.unit
            boxes += [Rect(round(x), round(y), letter.width, letter.height) for y in rows for x in columns]
        free = (
            box
            for box in boxes
            if inside.left < box.left and box.right < inside.right
            if inside.top < box.top and not any(box.overlaps(other) for other in spared)
        )
        if place := next(free, None):
            corner = np.clip(mark, [place.left, place.top], [place.right, place.bottom])
            if np.hypot(*(corner - mark)) > page.unit:
                draw_line(canvas, np.array([corner, mark]), max(page.stroke - 1, 1), body.bgr, strength=0.5)
            draw_text(canvas, letter, place.left, place.top, body.bgr)
        return place
    if not words or body.label is None:
        return None
    number = block(tuple((line, page.unit) for line in number_lines(body, words, page)))
    start, end = body.leader(view, now_s, body.label)
    away = float(np.hypot(*(end - start)))
    if away > 0.7 * page.unit:
        stop = start + (end - start) * (1.0 - 0.42 * page.unit / away)
        draw_line(canvas, np.array([start, stop]), max(page.stroke - 1, 1), body.bgr, strength=0.5 * share)
    right = mark[0] > body.label.right
    x = body.label.right - number.width if right else body.label.left
    y = body.label.bottom - number.height if start[1] >= body.label.bottom else body.label.top
    draw_text(canvas, number, x, y, body.bgr)
    return None


def _speed(measured: Measured, track: Front | KnotTrack) -> tuple[np.ndarray, np.ndarray]:
    """The model's speed at the track's times and its whole error [km/s]; nan where it rests or none fits."""
    speed = error = np.full(len(track.time_s), np.nan)
    if isinstance(track, Front):
        if (model := front_model(track)) is not None:
            curve = front_curve(track, model, track.time_s)
            # 0 only where the model rests
            speed = np.where(curve.speed_km_s == 0.0, np.nan, curve.speed_km_s)
            error = curve.speed_err_km_s
    elif track.fit.model != "none":
        if is_steady(measured, track):
            quoted = speed_of(measured, track)
            return np.full(len(speed), quoted.value), np.full(len(speed), quoted.error)
        speed, error = knot_speed(track, measured.strip.geometry.limb_mm, track.time_s)
    return speed, np.hypot(error, speed * relative_error(measured))


def _best_place(
    path: np.ndarray,
    ends: np.ndarray,
    plasma: np.ndarray,
    ground: Ground,
    size: tuple[int, int],
    page: Page,
    *,
    headline: bool,
) -> Rect | None:
    """A free place near the body's way that its mark stays clear of, and from which few leaders cross other
    words or plasma; the shortest leaders win. The headline's number may stand over plasma. `path`: (moments,
    2) of the mark; `ends`, `plasma`: as in `_cost`."""
    columns, rows = np.meshgrid(np.array([-8.0, -5.0, 0.0, 5.0, 8.0]), np.array([-5.0, 0.0, 5.0]))
    around = page.unit * np.stack([columns.ravel(), rows.ravel()], axis=1)
    anchors = (path[[0, len(path) // 2, -1], None] + around).reshape(-1, 2)
    for busy in ((0.0, 0.1), (0.3,), *[(1.0,)] * headline):
        places = {place for share in busy for place in nearest_places(ground, *size, anchors, busy=share)}
        found = sorted(places, key=lambda r: (r.top, r.left))
        if found:
            cost, best = min((_cost(ground, ends, plasma, rect, page), k) for k, rect in enumerate(found))
            # another number than the headline's is left out beyond 25 type sizes of leader, as costed
            return found[best] if headline or cost < 25.0 * page.unit else None
    return None


def _cost(ground: Ground, ends: np.ndarray, plasma: np.ndarray, label: Rect, page: Page) -> float:
    """Mean length of the leaders in px; those that cross plasma or words, or have no room, cost more. `ends`,
    `plasma`: (moments, n, 2) where leaders may end, and (moments, rows, columns) of a `Ground`."""
    leaders = _leaders(ends, label)
    length = np.hypot(*(leaders[:, 1] - leaders[:, 0]).T)
    t = np.linspace(0.0, 1.0, 24)[:, None, None]
    x, y = np.moveaxis(leaders[:, 0] + t * (leaders[:, 1] - leaders[:, 0]), -1, 0)
    crossed = int((length < 0.5 * page.unit).sum())
    for rect in (placed.grown(4) for placed in ground.placed):
        inside = (x > rect.left) & (x < rect.right) & (y > rect.top) & (y < rect.bottom)
        crossed += int(inside.any(axis=0).sum())
    covered = float(plasma_lengths(plasma, leaders).mean()) + busy_share(ground, label) * label.width
    return float(length.mean()) + 6.0 * covered + 20.0 * page.unit * crossed / len(ends)


def _leaders(ends: np.ndarray, label: Rect) -> np.ndarray:
    """(moments, 2, 2) x, y of the shortest line from a label to one of the (moments, n, 2) ends."""
    starts = np.clip(ends, [label.left, label.top], [label.right, label.bottom])
    every, nearest = np.arange(len(ends)), np.hypot(*np.moveaxis(ends - starts, -1, 0)).argmin(axis=1)
    return np.stack([starts[every, nearest], ends[every, nearest]], axis=1)
