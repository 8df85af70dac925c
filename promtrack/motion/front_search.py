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

from promtrack.motion.leading_edge import LOWEST_MM, sector_columns
from promtrack.motion.records import FrontSearch
from promtrack.strip.records import Strip
from promtrack.workers import map_ahead

__all__ = ["RisingEdge", "find_rising_edges"]

CELL_MM, CELL_ALONG_MM = 1.0, 5.0  # height and width of a cell, at the limb
MOST_TIMES = 480  # longer recordings are averaged in time
PAST = 16  # frames of the past that a cell is compared with
QUANTILE = 0.8
CAP = 6.0  # sigma: a brighter edge counts for no more, so that one flash makes no front
LEAST = 2.0  # sigma: a fainter edge counts against a path
SUPPORT_MM = 4.0  # new light is averaged so far below and above its edge
SLOWEST_KM_S = 2.0
BLOCK_MM = 8.0  # heights that are shifted in time together in the control
TRIALS = 10
LEAST_CELLS = 3  # angles that a front spans; what is narrower is a knot
ALIKE_MM = 3.0  # heights of an edge that spans all angles alike differ by less
CORE = 0.7  # part of the largest score that still belongs to the front's top
FLANK = 0.3  # part of the largest score that neighbours have that belong to the same edge
TEST_KM_S = (10.0, 30.0, 100.0, 300.0, 1000.0)  # speeds and brightness of the fronts that test the search
TEST_NOISE = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
TEST_THICK_MM = 6.0  # their thickness


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
class _Cells:
    """Mean brightness of cells, the lower quartile over all angles taken off: a veil, a ring of scattered
    light."""

    value: np.ndarray  # (n, rows, columns) float32; inf where less than half of a cell is shown
    flicker: np.ndarray  # (rows, columns) 1 sigma of a value from frame to frame
    unrest: np.ndarray  # (n,) flicker of each frame over the usual one, 1 at least
    time_s: np.ndarray  # (n,)
    height_mm: np.ndarray  # (rows,)
    columns: int  # strip columns of a cell
    width_deg: float

    @property
    def step_mm(self) -> float:
        return float(self.height_mm[1] - self.height_mm[0])

    def rows(self, length_mm: float) -> int:
        return max(round(length_mm / self.step_mm), 1)


def find_rising_edges(
    strip: Strip,
    sectors: tuple[tuple[float, float], ...] = (),
    *,
    rng: np.random.Generator,
    count: int = 3,
) -> tuple[tuple[RisingEdge | None, ...], FrontSearch]:
    """Rising edges of new light, and how sensitive the search was.

    Parameters
    ----------
    strip : n strips
    sectors : (from_deg, to_deg) to look in; without any, all angles
    rng : shifts of the control
    count : most edges to return where all angles are searched

    Returns
    -------
    edges, search : one edge or None for each of `sectors`; else edges, the most significant first.
        `search.level` is 'none' or 'not measurable'; who finds that a front moves sets 'found'

    Notes
    -----
    The score of a path is the sum along it, in sigma Mm, of the new light below the edge less that above,
    `LEAST` taken off. The control leaves out the best edge and what follows it, and shifts blocks of heights
    by random times, circularly: flicker keeps its memory and motion loses its order. The upper tail of its
    scores over all angles is continued as an exponential. An edge that spans all angles at one height is air,
    not plasma, and is left out.
    """
    nothing = (None,) * len(sectors)
    if len(strip) < 8:
        sentence = f"Eruptions cannot be measured: {len(strip)} strips are too few."
        return nothing, FrontSearch("not measurable", sentence)
    cells = _cells(strip)
    if len(cells.height_mm) * CELL_MM < 3 * SUPPORT_MM or cells.value.shape[2] < LEAST_CELLS:
        sentence = "Eruptions cannot be measured: the strips show too little sky above the limb."
        return nothing, FrontSearch("not measurable", sentence)
    edge = _edge(cells, _new_light(cells, np.arange(cells.value.shape[2])))
    paths = _Paths.of(cells, edge)
    chance = _Chance.of(cells, _without_best(paths, edge), rng)
    search = _sensitivity(strip, cells, chance)
    if not sectors:
        return _separate(strip, cells, paths, chance, count), search
    return tuple(_in_sector(strip, cells, paths, chance, sector) for sector in sectors), search


def _in_sector(
    strip: Strip, cells: _Cells, paths: _Paths, chance: _Chance, sector: tuple[float, float]
) -> RisingEdge | None:
    """The best path in a sector, significant or not; None if nothing is new there."""
    columns = sector_columns(strip.geometry, *sector)
    last = len(paths.score) - 1
    part = slice(
        min(columns.start // cells.columns, last), min((columns.stop - 1) // cells.columns, last) + 1
    )
    top = part.start + int(paths.score[part].argmax())
    if chance.expected(float(paths.score[top])) > 1.0:
        return None
    return _edge_of(cells, paths, chance, top, sector)


def _edge_of(
    cells: _Cells, paths: _Paths, chance: _Chance, column: int, sector: tuple[float, float]
) -> RisingEdge:
    first, last = _around(paths.score >= FLANK * paths.score[column], column)
    return RisingEdge(
        *sector,
        cells.time_s[paths.index[column]],
        cells.height_mm[paths.row[column]],
        chance.expected(float(paths.score[column])),
        cells.width_deg * (last - first + 1),
    )


def _cells(strip: Strip) -> _Cells:
    geometry = strip.geometry
    width = max(round(CELL_ALONG_MM / float(geometry.mm_per_column(0.0))), 1)
    height = max(round(CELL_MM / geometry.mm_per_row), 1)
    first = int(np.clip(np.ceil(geometry.row(LOWEST_MM)), 0, geometry.rows - 1))
    rows, columns = (geometry.rows - first) // height, geometry.columns // width
    together = -(-len(strip) // MOST_TIMES)

    def reduced(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        part = picture[first : first + rows * height, : columns * width]
        shown = np.isfinite(part)
        size = (columns, rows)  # (x, y)
        return (
            cv2.resize(np.where(shown, part, np.float32(0)), size, interpolation=cv2.INTER_AREA),
            cv2.resize(shown.astype(np.float32), size, interpolation=cv2.INTER_AREA),
        )

    n = -(-len(strip) // together)
    light, weight = (np.zeros((n, rows, columns), np.float32) for _ in range(2))
    for i, (one, shown) in enumerate(map_ahead(reduced, strip.each())):
        light[i // together] += one
        weight[i // together] += shown
    np.divide(light, weight, out=light, where=weight > 0)
    light[weight < 0.5] = np.inf
    veil = np.partition(light, columns // 4, axis=2)[:, :, columns // 4, None]
    light -= np.where(np.isfinite(veil), veil, np.float32(0.0))
    times = np.array([part.mean() for part in np.split(strip.time_s, range(together, len(strip), together))])
    centres = first + height * (np.arange(rows) + 0.5) - 0.5
    flicker, unrest = _flicker(light)
    return _Cells(
        light,
        flicker,
        unrest,
        times,
        np.asarray(geometry.height_mm(centres), float),
        width,
        width * geometry.deg_per_column,
    )


def _flicker(light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Flicker of each cell from differences of neighbouring frames, at least that of its height; and how much
    more than usual each frame flickers (cloud)."""
    known = np.isfinite(light)
    step = np.abs(np.diff(np.where(known, light, np.float32(0.0)), axis=0)) / np.float32(0.6745 * np.sqrt(2))
    flicker = np.median(step, axis=0)
    usual = np.median(flicker, axis=1, keepdims=True)
    flicker = np.maximum(flicker, np.where(usual > 0, usual, max(float(flicker.max(initial=0.0)), 1e-12)))
    both = known[1:] & known[:-1]
    change = np.array(
        [np.median((one / flicker)[ok]) if ok.any() else 1.0 for one, ok in zip(step, both, strict=True)]
    )
    return flicker, np.maximum(np.maximum(np.r_[change[:1], change], np.r_[change, change[-1:]]), 1.0)


def _new_light(cells: _Cells, columns: np.ndarray) -> np.ndarray:
    """(n, rows, columns) what was not there before, in units of the cell's flicker; 0 where unknown."""
    value = cells.value[:, :, columns]
    light = np.zeros_like(value)
    for i in range(3, len(value)):
        past = np.unique(np.linspace(0, i - 1, min(i, PAST)).round().astype(int))
        rank = round(QUANTILE * (len(past) - 1))
        before = np.partition(value[past], rank, axis=0)[rank]
        with np.errstate(invalid="ignore"):
            light[i] = (value[i] - before) / (cells.flicker[:, columns] * cells.unrest[i])
    light[~np.isfinite(light)] = 0.0
    return light


def _edge(cells: _Cells, light: np.ndarray) -> np.ndarray:
    """(n, rows, columns) new light below each row less that above, averaged over `SUPPORT_MM`, in sigma."""
    reach, rows = cells.rows(SUPPORT_MM), light.shape[1]
    some = np.clip(light, 0.0, CAP)
    some[:, :, 1:-1] = 0.25 * some[:, :, :-2] + 0.5 * some[:, :, 1:-1] + 0.25 * some[:, :, 2:]
    total = np.cumsum(np.pad(some, ((0, 0), (reach + 1, reach), (0, 0))), axis=1)
    below = total[:, reach : reach + rows] - total[:, :rows]
    above = total[:, 2 * reach : 2 * reach + rows] - total[:, reach : reach + rows]
    return (below - above) / np.float32(reach)


@dataclass(frozen=True, slots=True, eq=False)
class _Paths:
    """The best path T(h) of each column of cells."""

    score: np.ndarray  # (columns,) sigma Mm
    index: tuple[np.ndarray, ...]  # per column (m,) time index
    row: tuple[np.ndarray, ...]  # per column (m,) row

    @classmethod
    def of(cls, cells: _Cells, edge: np.ndarray) -> _Paths:
        found = [_best_path(cells, edge[:, :, k]) for k in range(edge.shape[2])]
        return cls(
            np.array([one[0] for one in found]), tuple(o[1] for o in found), tuple(o[2] for o in found)
        )


def _without_best(paths: _Paths, edge: np.ndarray) -> np.ndarray:
    """The edges without the best path and what comes after it, in its column and in neighbours like it."""
    rest, top = edge.copy(), int(paths.score.argmax())
    first, last = _around(paths.score >= FLANK * paths.score[top], top)
    for column in range(first, last + 1):
        for i, row in zip(paths.index[column], paths.row[column], strict=True):
            rest[max(i - 1, 0) :, row, column] = 0.0
    return rest


def _gains(cells: _Cells, edge: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(rows, n, ...) best sum of a path that ends here, and how many times earlier it was a row lower, -1
    where it starts."""
    n, rows = edge.shape[:2]
    worth = (edge - LEAST) * cells.step_mm
    cadence = float(np.median(np.diff(cells.time_s)))
    longest = int(np.ceil(1e3 * cells.step_mm / SLOWEST_KM_S / max(cadence, 1e-3)))
    best = np.zeros((rows, n, *edge.shape[2:]), np.float32)
    back = np.full(best.shape, -1, np.int16)
    for row in range(rows):
        before = np.zeros(best.shape[1:], np.float32)
        if row:
            for wait in range(min(longest, n - 1) + 1):
                earlier = best[row - 1, : n - wait]
                better = earlier > before[wait:]
                before[wait:][better] = earlier[better]
                back[row, wait:][better] = wait
        best[row] = np.maximum(before + worth[:, row], 0.0)
    return best, back


def _best_path(cells: _Cells, edge: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Score, time indices and rows of the best path of one column (n, rows)."""
    best, back = _gains(cells, edge)
    row, i = (int(k) for k in np.unravel_index(int(best.argmax()), best.shape))
    score, path = float(best[row, i]), []
    while best[row, i] > 0:
        path.append((i, row))
        if back[row, i] < 0:
            break
        i, row = i - int(back[row, i]), row - 1
    places = np.array(path[::-1], int).reshape(-1, 2)
    return score, places[:, 0], places[:, 1]


@dataclass(frozen=True, slots=True, eq=False)
class _Chance:
    """Scores of best paths where heights have lost their order in time."""

    level: float  # the score that one column in ten exceeds
    decay: float  # mean excess above it
    columns: int

    @classmethod
    def of(cls, cells: _Cells, edge: np.ndarray, rng: np.random.Generator) -> _Chance:
        block = cells.rows(BLOCK_MM)
        scores = []
        for _ in range(TRIALS):
            shifted = np.empty_like(edge)
            for first in range(0, edge.shape[1], block):
                part = slice(first, first + block)
                shifted[:, part] = np.roll(edge[:, part], int(rng.integers(len(edge))), axis=0)
            scores.append(_gains(cells, shifted)[0].max(axis=(0, 1)))
        every = np.sort(np.concatenate(scores))
        level = float(np.quantile(every, 0.9))
        decay = float(np.mean(every[every >= level]) - level)
        return cls(level, max(decay, 1.0), edge.shape[2])

    def expected(self, score: float) -> float:
        """Number of columns of the run that reach a score by chance."""
        return float(0.1 * self.columns * np.exp(min((self.level - score) / self.decay, 0.0)))


def _separate(
    strip: Strip, cells: _Cells, paths: _Paths, chance: _Chance, count: int
) -> tuple[RisingEdge, ...]:
    """Neighbouring columns with good paths are one front; the columns of its top are its sector."""
    good = np.array([chance.expected(score) < 1.0 for score in paths.score])
    found: list[RisingEdge] = []
    left = np.where(good, paths.score, 0.0)
    while left.max(initial=0.0) > 0 and len(found) < count:
        top = int(left.argmax())
        first, last = _around(left > 0, top)
        core = _around(left >= CORE * left[top], top)
        if last - first + 1 >= LEAST_CELLS and not _everywhere(cells, paths, first, last):
            angle = strip.geometry.angle_deg
            sector = float(angle(core[0] * cells.columns)), float(angle((core[1] + 1) * cells.columns - 1))
            found.append(_edge_of(cells, paths, chance, top, sector))
        left[first : last + 1] = 0.0
    return tuple(found)


def _around(member: np.ndarray, k: int) -> tuple[int, int]:
    """First and last index of the run of members around k."""
    no = np.flatnonzero(~member)
    return int(no[no < k].max(initial=-1)) + 1, int(no[no > k].min(initial=len(member))) - 1


def _everywhere(cells: _Cells, paths: _Paths, first: int, last: int) -> bool:
    """Whether an edge spans nearly all angles at one height: air."""
    if last - first + 1 < 0.8 * len(paths.score):
        return False
    ends = [cells.height_mm[paths.row[k][-1]] for k in range(first, last + 1) if len(paths.row[k])]
    low, high = np.percentile(ends, [25, 75])
    return bool(high - low < ALIKE_MM)


def _sensitivity(strip: Strip, cells: _Cells, chance: _Chance) -> FrontSearch:
    """Which fronts would have been found: test fronts are put into the cells at three angles.

    Each is a band 6 Mm thick that rises from 15 Mm through the strip in the middle of the recording. The
    faintest that is found at all three angles at any speed sets the brightness; at twice that, the speeds
    are tried.
    """
    noise = float(np.median(strip.noise))
    places = np.linspace(0, cells.value.shape[2] - 1, 5).round().astype(int)[1:-1]
    need = chance.level - chance.decay * np.log(0.05 / (0.1 * chance.columns))

    def seen(speed_km_s: float, brightness: float) -> bool:
        tested = _with_test_front(cells, places, speed_km_s, brightness * noise)
        gains, _ = _gains(cells, _edge(cells, _new_light(tested, np.arange(len(places)))))
        return bool(np.all(gains.max(axis=(0, 1)) > need))

    faintest = next((b for b in TEST_NOISE if any(seen(speed, b) for speed in TEST_KM_S[1:4])), None)
    speeds = [speed for speed in TEST_KM_S if faintest is not None and seen(speed, 2 * faintest)]
    if not speeds or faintest is None:
        return FrontSearch(
            "not measurable",
            "Eruptions cannot be measured: test fronts put into these strips are not found, for lack of sky "
            "above the limb, of frames, or because of cloud.",
        )
    return FrontSearch(
        "none",
        f"No front was seen to rise. One at least {LEAST_CELLS * CELL_ALONG_MM:.0f} Mm wide, brighter than "
        f"{2 * faintest:.0f} times the noise, at {speeds[0]:.0f} to {speeds[-1]:.0f} km/s, would have been "
        "found; slower or faster ones might have been missed.",
        speeds[0],
        speeds[-1],
        2 * faintest,
    )


def _with_test_front(cells: _Cells, places: np.ndarray, speed_km_s: float, brightness: float) -> _Cells:
    """The columns `places` of the cells with a test front put in."""
    middle = 0.5 * (cells.time_s[0] + cells.time_s[-1])
    rise_s = 1e3 * (cells.height_mm[-1] - 15.0) / speed_km_s
    top = 15.0 + (cells.time_s - middle + min(0.5 * rise_s, middle)) * speed_km_s / 1e3
    depth = top[:, None] - cells.height_mm
    band = np.where((depth >= 0) & (depth < TEST_THICK_MM) & (top[:, None] > 15.0), np.float32(brightness), 0)
    value = cells.value[:, :, places] + band[:, :, None].astype(np.float32)
    return replace(cells, value=value, flicker=cells.flicker[:, places])
