"""A front: the leading edge of what rises in a sector, followed through the run, with models, errors and a
test of its motion."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from promtrack.checks import Check
from promtrack.motion import limits
from promtrack.motion.front_fit import fit_front, front_verdict
from promtrack.motion.front_search import RisingEdge, find_rising_edges
from promtrack.motion.kinematics import fit_polynomial
from promtrack.motion.leading_edge import (
    AHEAD_MM,
    LEAST_COLUMNS,
    Edge,
    Window,
    find_edge,
    sector_columns,
    sector_profile,
)
from promtrack.motion.records import NONE, Front, FrontSearch
from promtrack.rounding import clock
from promtrack.strip.records import Strip
from promtrack.sun import SOLAR_RADIUS_KM, gravity_m_s2


def find_fronts(
    strip: Strip,
    sectors: tuple[tuple[float, float], ...] = (),
    *,
    false_alarms: float = 0.05,
    rng: np.random.Generator,
) -> tuple[tuple[Front, ...], FrontSearch]:
    """Fronts in the strips, numbered from 1, and what the search for them says.

    `sectors`: (from_deg, to_deg) in product angles, modulo 360, to look in; each gives a front if an edge can
    be followed, moving or not. Without any, moving fronts are looked for at all angles. `false_alarms`: a
    front moves if fewer are expected.
    """
    edges, search = find_rising_edges(strip, sectors, rng=rng)
    asked = sectors or tuple((edge.from_deg, edge.to_deg) for edge in edges if edge is not None)
    fronts: list[Front] = []
    for sector, edge in zip(asked, edges, strict=True):
        front = _front(strip, sector, edge, false_alarms=false_alarms, rng=rng)
        if front is not None and (sectors or front.moving):
            fronts.append(replace(front, front=len(fronts) + 1))
        if edge is None or (front is not None and front.moving) or search.level != "none":
            continue
        if edge.false_alarm < false_alarms and np.ptp(edge.height_mm) > limits.EDGE_MM:
            start = strip.times_utc[0] + np.timedelta64(round(edge.time_s[0]), "s")
            words = (
                f"Something rises at {edge.from_deg % 360:.0f} to {edge.to_deg % 360:.0f} deg from "
                f"{clock(start)} UTC on, from {edge.height_mm[0]:.0f} to {edge.height_mm[-1]:.0f} Mm, but "
                "its edge cannot be followed from frame to frame, so it has no speed."
            )
            search = replace(search, level="not measurable", sentence=words)
    return tuple(fronts), search


def front_checks(fronts: tuple[Front, ...], search: FrontSearch) -> Iterator[Check]:
    """What speaks against the fronts, or against there being none."""
    for front in fronts:
        if front.moving and front.verdict == NONE:
            words = f"No model describes front {front.front}: its speed is the mean over all heights."
            yield Check("motion", "front against models", "fair", words)
    if search.level == "not measurable":
        yield Check("motion", "search for fronts", "fair", search.sentence)


def _front(
    strip: Strip,
    sector: tuple[float, float],
    rising: RisingEdge | None,
    *,
    false_alarms: float,
    rng: np.random.Generator,
) -> Front | None:
    """The front of one sector; None if its edge is seen in too few frames."""
    columns = sector_columns(strip.geometry, *sector)
    if columns.stop - columns.start < LEAST_COLUMNS or len(strip) < limits.LEAST_FRAMES:
        return None
    edge, keep = _followed(strip, columns, rising)
    if keep.sum() < limits.LEAST_FRAMES:
        return None
    index, height = edge.index[keep], edge.height_mm[keep]
    time_s = strip.time_s[index]
    err = np.hypot(edge.err_mm[keep], strip.centre_err_mm[index])
    err = np.hypot(err, _unrest(time_s, height, err))
    above_mm = strip.geometry.limb_mm - SOLAR_RADIUS_KM / 1e3 + float(height.mean())
    fits = fit_front(
        time_s,
        height,
        err,
        rng=rng,
        # rms drift of the edge's middle: the heights decide between these, and farther it cannot drift in it
        drift_mm=np.arange(1, 11) / 20 * edge.width_mm,
        gravity_m_s2=float(gravity_m_s2(above_mm)),
    )
    best = next(fit for fit in fits if fit.chosen)
    false_alarm = 1.0 if rising is None else rising.false_alarm
    large = np.ptp(best.curve_mm) > max(limits.EDGE_MM, 3 * float(np.median(err)))
    steady = len(index) >= (index[-1] - index[0] + 1) / 3
    _, local, local_err = local_speeds(time_s, height, err)
    top = int(np.abs(local).argmax())
    # the speed changes within a window too
    change = np.abs(np.diff(local, prepend=local[:1], append=local[-1:]))
    possible = abs(best.peak_speed_km_s) < limits.FASTEST_KM_S
    return Front(
        front=1,
        from_deg=sector[0],
        to_deg=sector[1],
        frame=strip.frame[index],
        time_s=time_s,
        height_mm=height,
        height_err_mm=err,
        angle_deg=np.asarray(strip.geometry.angle_deg(edge.column[keep]), float),
        fits=fits,
        verdict=front_verdict(time_s, height, err, fits),
        false_alarm=float(false_alarm),
        moving=bool(large and steady and possible and false_alarm < false_alarms),
        notes=tuple(_notes(strip, edge, keep)),
        local_peak_km_s=float(local[top]),
        local_peak_err_km_s=float(np.hypot(local_err[top], 0.5 * change[top : top + 2].max())),
        extent_deg=np.nan if rising is None else rising.extent_deg,
    )


def _followed(strip: Strip, columns: slice, rising: RisingEdge | None) -> tuple[Edge, np.ndarray]:
    """The edge in every frame, and (m,) which of its heights are those of one structure."""
    time_s, course, window = strip.time_s, None, None
    if rising is not None:
        # the highest at each time of the coarse path, at rest before and after it
        times = np.unique(rising.time_s)
        course = np.interp(time_s, times, [rising.height_mm[rising.time_s == one].max() for one in times])
        window = _window(time_s, rising, course)
    edge = find_edge(sector_profile(strip, columns, course, window), window)
    # a height of ten times the usual error says nothing
    keep = edge.err_mm <= 10.0 * np.median(edge.err_mm) if len(edge.index) else np.zeros(0, bool)
    keep[1:] &= np.diff(time_s[edge.index]) > 0  # of frames with one time stamp the first counts
    seen_s = time_s[edge.index[keep]]
    led = np.zeros(len(seen_s), bool)
    if rising is not None:
        led = (seen_s >= rising.time_s[0]) & (seen_s <= rising.time_s[-1])
    row_mm = strip.geometry.mm_per_row
    keep[keep] = _continuous(seen_s, edge.height_mm[keep], edge.err_mm[keep], led, row_mm)
    return edge, keep


def _window(time_s: np.ndarray, rising: RisingEdge, path: np.ndarray) -> Window:
    """Where the edge is sought: from 15 Mm below the coarse path on; before and after it, below where its
    ends lead."""
    first, last = rising.time_s[0], rising.time_s[-1]
    recent = rising.time_s >= last - 4 * float(np.median(np.diff(time_s)))
    pace = np.ptp(rising.height_mm[recent]) / max(float(np.ptp(rising.time_s[recent])), 1e-9)
    if not np.ptp(rising.time_s[recent]):
        pace = np.ptp(rising.height_mm) / max(last - first, 1.0)
    ahead = np.where(time_s > last, 1.5 * pace * (time_s - last), np.maximum(np.gradient(path), 0.0))
    low = np.where((time_s < first) | (time_s > last), 0.0, path - 15.0)
    return Window(low, path + AHEAD_MM + ahead)


def _continuous(
    time_s: np.ndarray, height_mm: np.ndarray, err_mm: np.ndarray, led: np.ndarray, row_mm: float
) -> np.ndarray:
    """(m,) points of one stretch without a lasting jump, single wrong heights left out.

    An edge that jumps and stays there belongs to another structure. The stretch that travels farthest is
    followed, or the longest if none travels. Where the coarse path leads (`led`) the edge is no other
    structure, and a height that accelerates is not wrong.
    """
    rest = _from_neighbours(time_s, height_mm)
    spread = np.median(np.abs(rest)) / limits.QUARTILE if len(rest) else 0.0
    least = np.where(led, AHEAD_MM, 2 * row_mm)
    keep = np.abs(rest) <= np.maximum(limits.CERTAIN * np.hypot(spread, err_mm), least)
    where = np.flatnonzero(keep)
    if len(where) < limits.LEAST_FRAMES:
        return keep
    jumps = _lasting_jumps(time_s[where], height_mm[where], row_mm)
    pieces = np.split(where, jumps[~(led[where][jumps - 1] & led[where][jumps])])
    pieces = [piece for piece in pieces if len(piece) >= limits.LEAST_FRAMES]
    result = np.zeros_like(keep)
    if pieces:
        ends = [height_mm[piece] for piece in pieces]
        travel = [abs(np.median(one[-3:]) - np.median(one[:3])) for one in ends]
        result[pieces[int(np.argmax(travel))] if max(travel) > 5 * row_mm else max(pieces, key=len)] = True
    return result


def _unrest(time_s: np.ndarray, height_mm: np.ndarray, err_mm: np.ndarray) -> float:
    """What heights scatter about their neighbours beyond their errors: the air moves the edge locally."""
    rest = _from_neighbours(time_s, height_mm)
    # The line through six neighbours adds a quarter to the variance (its own error at the middle, medians
    # included).
    variance = (np.median(np.abs(rest)) / limits.QUARTILE) ** 2 / 1.25
    return float(np.sqrt(max(variance - np.median(err_mm) ** 2, 0.0)))


def _from_neighbours(time_s: np.ndarray, height_mm: np.ndarray) -> np.ndarray:
    """(m,) distance of each height from the line through its three neighbours on either side (Theil-Sen)."""
    m = len(height_mm)
    if m < limits.LEAST_FRAMES:
        return np.zeros(m)
    near, inside = _neighbours(m)
    gap = np.where(inside, time_s[near] - time_s[:, None], np.nan)
    value = np.where(inside, height_mm[near], np.nan)
    first, second = np.triu_indices(near.shape[1], 1)
    slope = np.nanmedian((value[:, second] - value[:, first]) / (gap[:, second] - gap[:, first]), axis=1)
    return height_mm - np.nanmedian(value - slope[:, None] * gap, axis=1)


def _neighbours(count: int) -> tuple[np.ndarray, np.ndarray]:
    """(count, 6) indices of three on either side of each of so many values, and whether they exist."""
    near = np.arange(count)[:, None] + np.array([-3, -2, -1, 1, 2, 3])
    return np.clip(near, 0, count - 1), (near >= 0) & (near < count)


def _lasting_jumps(time_s: np.ndarray, height_mm: np.ndarray, row_mm: float) -> np.ndarray:
    """Indices before which the edge jumps: the step is far beyond what the pace on both sides explains, also
    after a gap."""
    step_s = np.diff(time_s)
    pace = np.diff(height_mm) / step_s
    near, inside = _neighbours(len(pace))
    usual = np.nanmedian(np.where(inside, pace[near], np.nan), axis=1)
    rest = np.where(inside, (pace[near] - usual[:, None]) * step_s[near], np.nan)
    scatter = np.nanmedian(np.abs(rest), axis=1) / limits.QUARTILE
    excess = np.abs(pace - usual) * step_s
    return np.flatnonzero(excess > np.maximum(6 * row_mm, 8 * scatter)) + 1


def _notes(strip: Strip, edge: Edge, keep: np.ndarray) -> Iterator[str]:
    yield (
        f"the edge is {edge.width_mm:.1f} Mm wide between 30 and 70 % of its brightness; "
        "the choice of its middle shifts all heights alike"
    )
    last = edge.index[keep][-1]
    if edge.left_at is not None:
        left = clock(strip.times_utc[edge.left_at])
        yield f"the edge left the top of the strip at {left} UTC; it is followed until then"
    elif len(strip) - 1 - last >= limits.LEAST_FRAMES:
        yield (
            f"the edge is lost at {clock(strip.times_utc[last])} UTC, before the recording ends; the motion "
            "need not end there: plasma faster than 11 km/s along the line of sight fades in a filter of 0.5 "
            "angstrom"
        )
    if (dropped := int((~keep).sum())) > 0:
        yield f"{dropped} heights left out because they jump away from their neighbours or are unsure"


def local_speeds(
    time_s: np.ndarray, height_mm: np.ndarray, err_mm: np.ndarray, window: int = limits.LEAST_FRAMES
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slopes over windows of so many heights, or a few more so that none is left over, which share none:
    times [s], speeds and 1-sigma errors [km/s]; the larger of what the errors and what the scatter of the
    window give."""
    rows = []
    count = len(time_s) // window
    for part in np.array_split(np.arange(len(time_s)), count) if count else ():
        if np.ptp(time_s[part]) > 0:
            line = fit_polynomial(time_s[part], height_mm[part], err_mm[part], 1)
            error = line.error(line.centre, 1) * max(1.0, np.sqrt(line.chi2 / line.dof))
            rows.append((line.centre, line.value(line.centre, 1) * limits.KM_S, error * limits.KM_S))
    middle_s, speed, speed_err = np.array(rows, float).reshape(-1, 3).T
    return middle_s, speed, speed_err
