"""Where a front rises: strips in, rising edges of new light out, and what size of front would have been seen.

The strips are averaged to cells of 1 Mm in height and 5 Mm along the limb. New light is what a cell shows
above the upper quintile of its own past, in units of its flicker. Its upper edge is followed by dynamic
programming: the time T(h) at which it reaches a height may only grow with height, at 2 km/s or more. Static
structure in front or above has no new light, so a front is followed through it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.motion import limits
from promtrack.motion.background import filled
from promtrack.motion.false_alarms import Tail
from promtrack.motion.leading_edge import LOWEST_MM, sector_columns
from promtrack.motion.records import FrontSearch
from promtrack.sequence.records import spread_over
from promtrack.strip.records import Strip

CELL_MM, CELL_ALONG_MM = 1.0, 5.0  # height and width of a cell, at the limb
LEAST_CELLS = 3  # angles that a front spans; what is narrower is a knot
TEST_KM_S = (10.0, 30.0, 100.0, 300.0, 1000.0)  # speeds and brightness of the fronts that test the search
TEST_NOISE = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Mean brightness of cells less the lower quartile over all angles: a veil, a ring of scattered light."""

    value: np.ndarray  # (n, rows, columns) float32; inf where no whole cell is shown
    flicker: np.ndarray  # (rows, columns) 1 sigma of a value from frame to frame
    unrest: np.ndarray  # (n,) flicker of each frame over the usual one, 1 at least
    time_s: np.ndarray  # (n,)
    height_mm: np.ndarray  # (rows,)
    columns: int  # strip columns of a cell

    @property
    def step_mm(self) -> float:
        """Height of a row."""
        return float(self.height_mm[1] - self.height_mm[0])

    @property
    def cadence_s(self) -> float:
        """Usual time between two frames of different times."""
        return float(np.median(np.diff(np.unique(self.time_s))))

    def rows(self, length_mm: float) -> int:
        """Rows in a length [Mm], one at least."""
        return max(round(length_mm / self.step_mm), 1)


@dataclass(frozen=True, slots=True, eq=False)
class RisingEdge:
    """One rising upper edge of new light."""

    from_deg: float  # angles of its top
    to_deg: float
    time_s: np.ndarray  # (m,) rising
    height_mm: np.ndarray  # (m,) rising
    false_alarm: float  # expected number of chance edges as good in the run
    extent_deg: float  # of all that rises together with it


@dataclass(frozen=True, slots=True, eq=False)
class _Path:
    """The best path T(h) of one column of cells."""

    score: float  # sigma Mm
    index: np.ndarray  # (m,) time index
    row: np.ndarray  # (m,)


def find_rising_edges(
    strip: Strip, sectors: tuple[tuple[float, float], ...] = (), *, rng: np.random.Generator
) -> tuple[tuple[RisingEdge | None, ...], FrontSearch]:
    """Rising edges of new light, and how sensitive the search was: one edge or None for each of `sectors`
    (from_deg, to_deg); without any, the edges at all angles, the most significant first. The level of the
    search is 'none' or 'not measurable'; who finds that a front moves sets 'found'.

    The score of a path is the sum along it, in sigma Mm, of the new light below the edge less that above, 2
    sigma taken off: a fainter edge counts against a path. The control leaves out the best edge, what follows
    it and the pieces from which cloud parts it, and shifts blocks of heights by random times, circularly:
    flicker keeps its memory and motion loses its order. The upper tail of its scores over all angles is
    continued as an exponential. An edge that spans all angles at one height is air, not plasma, and is left
    out.
    """
    nothing = (None,) * len(sectors)
    if len(strip) < limits.BLOCK_STRIPS:
        sentence = f"Eruptions cannot be measured: {len(strip)} strips are too few."
        return nothing, FrontSearch("not measurable", sentence)
    cells = cells_of(strip)
    if len(cells.height_mm) * CELL_MM < 3 * limits.EDGE_MM or cells.value.shape[2] < LEAST_CELLS:
        sentence = "Eruptions cannot be measured: the strips show too little sky above the limb."
        return nothing, FrontSearch("not measurable", sentence)
    edge = _edge(cells, new_light(cells))
    best = _gains(cells, edge)
    paths = [_best_path(cells, edge[..., k], best[..., k]) for k in range(edge.shape[2])]
    scores = np.array([path.score for path in paths])

    def same_edge(column: int) -> tuple[int, int]:
        """First and last column about one whose scores are 0.3 of its own or more."""
        return _around(scores >= 0.3 * scores[column], column)

    # the best path and what comes after it, in its column and in neighbours like it, are no chance
    first, last = same_edge(int(scores.argmax()))
    for column in range(first, last + 1):
        _leave_out(cells, edge[:, :, column], paths[column])
    chance = _chance(cells, edge, rng)
    expected = np.array([len(scores) * chance.probability(score) for score in scores])  # in the whole run

    def rising(column: int, sector: tuple[float, float]) -> RisingEdge:
        first, last = same_edge(column)
        extent_deg = cells.columns * strip.geometry.deg_per_column * (last - first + 1)
        time_s, height_mm = cells.time_s[paths[column].index], cells.height_mm[paths[column].row]
        return RisingEdge(*sector, time_s, height_mm, float(expected[column]), extent_deg)

    edges: list[RisingEdge | None] = []
    for sector in sectors:  # significant or not; nothing where nothing is new
        shown = sector_columns(strip.geometry, *sector)
        first, last = (min(k // cells.columns, len(scores) - 1) for k in (shown.start, shown.stop - 1))
        top = first + int(scores[first : last + 1].argmax())
        edges.append(rising(top, sector) if expected[top] <= 1.0 else None)
    # neighbouring columns with good paths are one front; the columns of its top are its sector
    left = np.where(expected < 1.0, scores, 0.0)
    while not sectors and left.max(initial=0.0) > 0 and len(edges) < 3:
        top = int(left.argmax())
        first, last = _around(left > 0, top)
        ends = [cells.height_mm[path.row[-1]] for path in paths[first : last + 1]]
        low, high = np.percentile(ends, [25, 75])
        air = len(ends) >= 0.8 * len(paths) and high - low < limits.EDGE_MM
        if len(ends) >= LEAST_CELLS and not air:
            core = _around(left >= 0.7 * left[top], top)
            angle = strip.geometry.angle_deg
            sector = float(angle(core[0] * cells.columns)), float(angle((core[1] + 1) * cells.columns - 1))
            edges.append(rising(top, sector))
        left[first : last + 1] = 0.0
    return tuple(edges), _sensitivity(strip, cells, chance)


def cells_of(strip: Strip) -> Cells:
    """Mean brightness of the cells of a strip above its lowest 3 Mm."""
    geometry = strip.geometry
    width = max(round(CELL_ALONG_MM / float(geometry.mm_per_column(0.0))), 1)
    height = max(round(CELL_MM / geometry.mm_per_row), 1)
    first = int(np.clip(np.ceil(geometry.row(LOWEST_MM)), 0, geometry.rows - 1))
    rows, columns = (geometry.rows - first) // height, geometry.columns // width
    together = -(-len(strip) // limits.MOST_TIMES)

    def reduced(picture: np.ndarray) -> np.ndarray:
        part = picture[first : first + rows * height, : columns * width]
        return cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA)  # (x, y)

    light = np.zeros((-(-len(strip) // together), rows, columns), np.float32)
    seen = np.zeros(light.shape, np.uint16)
    for i, mean in enumerate(strip.mapped(reduced)):
        light[i // together] += filled(mean)
        seen[i // together] += np.isfinite(mean)
    np.divide(light, seen, out=light, where=seen > 0)
    light[seen == 0] = np.inf
    veil = np.partition(light, columns // 4, axis=2)[:, :, columns // 4, None]
    light -= np.where(np.isfinite(veil), veil, np.float32(0.0))
    times = np.array([part.mean() for part in np.split(strip.time_s, range(together, len(strip), together))])
    centres = first + height * (np.arange(rows) + 0.5) - 0.5
    return Cells(light, *_flicker(light), times, np.asarray(geometry.height_mm(centres), float), width)


def _flicker(light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Flicker of each cell from frame to frame, at least that of its height; and of each frame (cloud)."""
    known = np.isfinite(light)
    step = np.diff(np.where(known, light, np.float32(0.0)), axis=0)
    np.abs(step, out=step)
    step /= np.float32(limits.QUARTILE * np.sqrt(2))
    flicker = np.median(step, axis=0)
    usual = np.median(flicker, axis=1, keepdims=True)
    flicker = np.maximum(flicker, np.where(usual > 0, usual, max(float(flicker.max(initial=0.0)), 1e-12)))
    both = known[1:] & known[:-1]
    change = [np.median((one / flicker)[ok]) if ok.any() else 1.0 for one, ok in zip(step, both, strict=True)]
    return flicker, np.maximum(np.maximum([change[0], *change], [*change, change[-1]]), 1.0)


def new_light(cells: Cells) -> np.ndarray:
    """(n, rows, columns) what was not there before, in units of the flicker; 0 where unknown."""
    value, light = cells.value, np.zeros_like(cells.value)
    for i in range(3, len(value)):
        past = spread_over(i, 16)
        rank = round(0.8 * (len(past) - 1))
        before = np.partition(value[past], rank, axis=0)[rank]
        with np.errstate(invalid="ignore"):
            light[i] = (value[i] - before) / (cells.flicker * cells.unrest[i])
    light[~np.isfinite(light)] = 0.0
    return light


def _edge(cells: Cells, light: np.ndarray) -> np.ndarray:
    """(n, rows, columns) new light below each row less that above, averaged over 4 Mm, in sigma."""
    reach, rows = cells.rows(limits.EDGE_MM), light.shape[1]
    edge = np.empty_like(light)
    for one, frame in zip(edge, light, strict=True):  # all at once would take five times the memory
        # one flash makes no front; with 5 sigma at most an eruption that cloud dims to half is not followed
        some = np.clip(frame, 0.0, 6.0)
        some[:, 1:-1] = 0.25 * some[:, :-2] + 0.5 * some[:, 1:-1] + 0.25 * some[:, 2:]
        total = np.cumsum(np.pad(some, ((reach + 1, reach), (0, 0))), axis=0)
        below = total[reach : reach + rows] - total[:rows]
        above = total[2 * reach : 2 * reach + rows] - total[reach : reach + rows]
        one[:] = (below - above) / np.float32(reach)
    return edge


def _reach(cells: Cells) -> tuple[int, int]:
    """Most frames in which a path stays in one row, at 2 km/s, and most rows that it rises between two."""
    longest = np.ceil(1e3 * cells.step_mm / 2.0 / cells.cadence_s)
    farthest = np.ceil(1e-3 * limits.FASTEST_KM_S * cells.cadence_s / cells.step_mm)
    return int(longest), max(int(farthest), 2)


def _gains(cells: Cells, edge: np.ndarray) -> np.ndarray:
    """(rows, n, ...) best sum of a path that ends here."""
    n, rows = edge.shape[:2]
    longest, farthest = _reach(cells)
    wait = min(longest, n - 1)
    best, window = np.zeros((rows, n, *edge.shape[2:]), np.float32), np.ones((wait + 1, 1), np.uint8)
    highest = best[0]  # of the rows from which a path may rise to this one
    for row in range(rows):
        before = np.zeros(best.shape[1:], np.float32)
        if row:  # the best of the frames from `longest` before to this one
            before = cv2.dilate(best[row - 1].reshape(n, -1), window, anchor=(0, wait)).reshape(before.shape)
        if row > 1:
            within = best[row - farthest : row - 1] if row > farthest else (highest, best[row - 2])
            highest = np.max(within, axis=0)
            np.maximum(before[1:], highest[:-1], out=before[1:])
        worth = (edge[:, row] - limits.COMPATIBLE) * cells.step_mm
        best[row] = np.maximum(before + worth, 0.0)
    return best


def _best_path(cells: Cells, edge: np.ndarray, best: np.ndarray) -> _Path:
    """The best path of one column (n, rows), from its `_gains`."""
    longest, farthest = _reach(cells)
    row, i = (int(k) for k in np.unravel_index(int(best.argmax()), best.shape))
    path = [(i, row)]
    while row:
        first, low = max(i - longest, 0), max(row - farthest, 0)
        waited = best[row - 1, first : i + 1][::-1]
        jumped = best[low : row - 1, i - 1][::-1] if i and row > 1 else np.zeros(1)
        if max(waited.max(), jumped.max()) <= 0:
            break
        if waited.max() >= jumped.max():
            i, row = i - int(waited.argmax()), row - 1
        else:
            i, row = i - 1, row - 2 - int(jumped.argmax())
        path.append((i, row))
    i, rows = np.array(path[::-1], int).T
    # Where a path jumps farther than it rises in the three frames after, it passes from one structure to
    # another, since no front that fast stops.
    jumps = np.flatnonzero(np.diff(rows) > 1)
    after = np.array([rows[(i > i[k]) & (i <= i[k + 1] + 3)].max() - rows[k + 1] for k in jumps], int)
    pieces = np.split(np.arange(len(rows)), jumps[np.diff(rows)[jumps] > after] + 1)
    worth = (edge[i, rows] - limits.COMPATIBLE) * cells.step_mm
    scores = [float(worth[piece].sum()) for piece in pieces]
    piece = pieces[int(np.argmax(scores))]
    return _Path(max(scores), i[piece], rows[piece])


def _chance(cells: Cells, edge: np.ndarray, rng: np.random.Generator) -> Tail:
    """Scores of best paths of single columns where heights have lost their order in time."""
    block = cells.rows(2 * limits.EDGE_MM)
    scores = []
    for _ in range(10):
        shifted = np.empty_like(edge)
        for first in range(0, edge.shape[1], block):
            part = slice(first, first + block)
            shifted[:, part] = np.roll(edge[:, part], int(rng.integers(len(edge))), axis=0)
        scores.append(_gains(cells, shifted).max(axis=(0, 1)))
    return Tail.of(np.concatenate(scores))


def _leave_out(cells: Cells, edge: np.ndarray, path: _Path) -> None:
    """Empty one column (n, rows) of a path and what comes after it at its heights, and of the pieces of the
    same rise from which cloud parts it: earlier below it, later above it."""
    ends = (path.index[0], path.row[0]), (path.index[-1], path.row[-1])
    for i, row in zip(path.index, path.row, strict=True):
        edge[max(i - 1, 0) :, row] = 0.0
    for piece in (edge[: ends[0][0] + 1, : ends[0][1]], edge[ends[1][0] :, ends[1][1] + 1 :]):
        if piece.size and (more := _best_path(cells, piece, _gains(cells, piece))).score > 0:
            _leave_out(cells, piece, more)


def _around(member: np.ndarray, k: int) -> tuple[int, int]:
    """First and last index of the run of members around k."""
    no = np.flatnonzero(~member)
    return int(no[no < k].max(initial=-1)) + 1, int(no[no > k].min(initial=len(member))) - 1


def _sensitivity(strip: Strip, cells: Cells, chance: Tail) -> FrontSearch:
    """Which fronts would have been found: test fronts, each a band 6 Mm thick that rises from 15 Mm through
    the strip in the middle of the recording, are put into the cells at three angles. The faintest that is
    found at all three at any speed sets the brightness; at twice that, the speeds are tried."""
    noise, start_mm = float(np.median(strip.noise)), 15.0
    places = np.linspace(0, cells.value.shape[2] - 1, 5).round().astype(int)[1:-1]
    need = chance.score(0.05 / cells.value.shape[2])
    middle = 0.5 * (cells.time_s[0] + cells.time_s[-1])

    def seen(speed_km_s: float, brightness: float) -> bool:
        rise_s = 1e3 * (cells.height_mm[-1] - start_mm) / speed_km_s
        if min(rise_s, np.ptp(cells.time_s)) < limits.LEAST_FRAMES * cells.cadence_s:
            return False
        top = start_mm + (cells.time_s - middle + min(0.5 * rise_s, middle)) * speed_km_s / 1e3
        depth = top[:, None] - cells.height_mm
        inside = (depth >= 0) & (depth < limits.KNOT_MM) & (top[:, None] > start_mm)
        light = inside[:, :, None] * np.float32(brightness * noise)
        value, flicker = cells.value[:, :, places] + light, cells.flicker[:, places]
        tested = replace(cells, value=value, flicker=flicker)
        gains = _gains(cells, _edge(cells, new_light(tested)))
        return bool(np.all(gains.max(axis=(0, 1)) > need))

    faintest = next((b for b in TEST_NOISE if any(seen(speed, b) for speed in TEST_KM_S[1:4])), None)
    speeds = [speed for speed in TEST_KM_S if faintest is not None and seen(speed, 2 * faintest)]
    if not speeds or faintest is None:
        return FrontSearch(
            "not measurable",
            "Eruptions cannot be measured: test fronts put into these strips are not found, for lack of sky "
            "above the limb, of frames, or because of cloud.",
        )
    span = f"{speeds[0]:.0f}" + (f" to {speeds[-1]:.0f}" if len(speeds) > 1 else "")
    return FrontSearch(
        "none",
        f"No front was seen to rise. One at least {LEAST_CELLS * CELL_ALONG_MM:.0f} Mm wide, brighter than "
        f"{2 * faintest:.0f} times the noise, at {span} km/s, would have been found; slower or "
        "faster ones might have been missed.",
        speeds[0],
        speeds[-1],
        2 * faintest,
    )
