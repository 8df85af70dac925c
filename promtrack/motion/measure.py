"""Everything that moves on the strips: knots, fronts, slits with ridges and oscillations, and what it
means."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np

from promtrack.checks import Check
from promtrack.errors import SettingsError
from promtrack.motion.associate import knot_followed, match_ridges
from promtrack.motion.front import find_fronts, front_checks
from promtrack.motion.interpretation import (
    LETTERED_KNOTS,
    front_meaning,
    knot_meaning,
    lettered,
    ranked_knots,
)
from promtrack.motion.knots import find_knots
from promtrack.motion.leading_edge import LEAST_COLUMNS, sector_columns
from promtrack.motion.motion_checks import (
    Sensor,
    cadence_notes,
    check_knots,
    doubtful_knots,
    knot_spacing_mm,
    on_one_line,
    sure_km_s,
)
from promtrack.motion.oscillation import find_oscillations
from promtrack.motion.prominences import find_prominences
from promtrack.motion.records import Control, Front, FrontSearch, KnotTrack, Meaning, Motion
from promtrack.motion.ridge import find_ridges
from promtrack.motion.tracks import track_knots
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.slit import parse_path, propose_paths, time_distances
from promtrack.workers import worker_count

_METHOD = (
    "A knot is called moving when fewer false alarms than tolerated are expected in the whole run: random "
    "tracks are counted in the same strips with their times scrambled ({trials} times, {found} tracks in "
    "all), and the knot must have travelled farther than its errors, and above the fringe of spicules "
    "(5 Mm)."
)


def measure_motion(
    strip: Strip,
    *,
    motion: MotionSettings = MotionSettings(),
    scale_err: float = 0.0,
    clock_err: float = 0.0,
    seed: int = 0,
    sensor: Sensor | None = None,
    disc_counts: float | None = None,
    doubt: str = "",
    progress: Callable[[int, int], None] | None = None,
) -> Motion:
    """Measure all motion on a run's strips.

    Parameters
    ----------
    motion : section of the settings
    scale_err, clock_err : relative 1-sigma errors of scale and clock rate, kept apart from random errors
    seed : of the trials; the same seed gives the same result
    sensor : by which what stands on it is left out, and what crosses all the field; None: not known
    disc_counts : see `find_prominences`; None: prominences are not measured
    doubt : why no knot and no front may be called moving; '' where nothing speaks against it
    progress : called with the work done so far and all of it, in the end both alike

    Raises SettingsError: a sector or a slit of `motion` cannot be read, or a slit lies outside the strips.
    """
    for text in motion.slits:
        parse_path(text, strip.geometry)  # before any work is done
    sectors = named_sectors(motion, strip.geometry)
    control = Control("One frame: nothing can move in it.", 0, motion.false_alarms, notes=())
    empty = Motion((), (), (), (), (), control, (), scale_err, clock_err)
    stands = (sensor.place, sensor.block_mm) if sensor else ()
    if len(strip) < 2:
        return replace(
            empty,
            slits=time_distances(strip, motion.slits),
            front_search=FrontSearch("not measurable", control.method),
            checks=(Check("motion", "one frame", "fair", control.method),),
            prominences=() if disc_counts is None else find_prominences(strip, disc_counts, *stands),
        )
    tell = progress or (lambda done, total: None)
    total = len(strip) + 2  # the tracks, and the rest
    rng = np.random.default_rng(seed)
    (beside,) = rng.spawn(1)  # draws of its own: the two halves of the work do not wait for each other

    def apart_from_knots() -> Motion:
        fronts, search = find_fronts(strip, sectors, false_alarms=motion.false_alarms, rng=beside)
        slits = time_distances(strip, motion.slits or propose_paths(strip))
        ridges = tuple(
            ridge
            for k, slit in enumerate(slits)
            for ridge in find_ridges(slit, slit=k, fastest_km_s=motion.fastest_km_s, rng=beside)
        )
        swings = find_oscillations(strip, slits)
        return replace(
            empty, fronts=fronts, front_search=search, slits=slits, ridges=ridges, oscillations=swings
        )

    # on two cores knots and fronts keep both busy
    with ThreadPoolExecutor(2 if worker_count() > 2 else 1, thread_name_prefix="motion") as pool:
        other = pool.submit(apart_from_knots)
        standing = None if disc_counts is None else pool.submit(find_prominences, strip, disc_counts, *stands)
        points = find_knots(strip, motion=motion, progress=lambda done, strips: tell(done, total))
        tracked = track_knots(
            strip,
            points,
            motion=motion,
            scale_err=scale_err,
            clock_err=clock_err,
            rng=rng,
            sensor=sensor,
            doubt=doubt,
        )
        tell(len(strip) + 1, total)
        apart = other.result()
    knots, chance = tracked.knots, tracked.chance
    fronts, sensitivity = apart.fronts, apart.front_search
    if doubt and any(front.moving for front in fronts):
        words = f"A front rises, but is not called moving, since {doubt}."
        sensitivity = replace(sensitivity, level="not measurable", sentence=words)
        fronts = tuple(not_moving(front, doubt) for front in fronts)
    fronts, front_search = _beside_knots(fronts, sensitivity, knots, strip.geometry, asked=bool(sectors))
    spacing = knot_spacing_mm(strip, points)
    found = replace(
        apart,
        knots=knots,
        fronts=fronts,
        ridges=match_ridges(apart.ridges, apart.slits, knots, strip.geometry, fronts),
        control=Control(
            method=_METHOD.format(trials=chance.trials, found=len(chance.scores)),
            trials=chance.trials,
            tolerated=motion.false_alarms,
            notes=cadence_notes(strip, spacing, knots),
            sure_km_s=sure_km_s(strip, spacing),
        ),
        prominences=standing.result() if standing else (),
        front_search=front_search,
        sensitivity=sensitivity,
        checks=tuple(check_knots((), tracked.still_pull, tracked.still)),
    )
    tell(total, total)
    return in_words(found, strip)


def in_words(motion: Motion, strip: Strip) -> Motion:
    """The motion with what is said of its knots and fronts: checks behind those that it has, meanings, and
    the search's sentence, in the letters of the report."""
    checks = (
        *motion.checks,
        *check_knots(motion.knots, math.nan, 0),
        *on_one_line(motion.knots, strip.geometry),
        *doubtful_knots(strip, motion.knots),
        *front_checks(motion.fronts, motion.sensitivity),
    )
    search = motion.front_search
    return replace(
        motion,
        checks=tuple(replace(check, sentence=lettered(check.sentence, motion)) for check in checks),
        front_search=replace(search, sentence=lettered(search.sentence, motion)),
        meanings=meanings_of(motion, strip.geometry),
    )


def not_moving(front: Front, doubt: str) -> Front:
    """The front, not called moving, with a note why."""
    return replace(front, moving=False, notes=(*front.notes, f"not called moving, since {doubt}"))


def named_sectors(motion: MotionSettings, geometry: StripGeometry) -> tuple[tuple[float, float], ...]:
    """The sectors of `motion.sectors`, in degrees. Raises SettingsError: one cannot be read, or the strips do
    not show it."""
    sectors, refused = [], partial(SettingsError, where="motion.sectors")
    for text in motion.sectors:
        first, _, last = text.strip().rpartition("-")
        try:
            sector = float(first), float(last)
        except ValueError:
            how = "give it as FROM-TO in degrees, for instance 62-75"
            raise refused(f"sector '{text}' cannot be read", remedy=how) from None
        span = (sector[1] - sector[0]) % 360
        if not 0 < span <= 180.0:  # nan, and what was rather given backwards
            how = "give it as FROM-TO with growing angles, 180 deg at most; 350-10 leads through 0"
            raise refused(f"sector '{text}' goes round {span:.0f} deg of the limb", remedy=how)
        shown = sector_columns(geometry, *sector)
        if shown.stop - shown.start < LEAST_COLUMNS:
            end = geometry.angle_deg(geometry.columns - 1)
            lies = f"they show {geometry.from_deg % 360:.0f} to {end % 360:.0f} deg"
            raise refused(f"sector '{text}' lies outside the strips", remedy=lies)
        sectors.append(sector)
    return tuple(sectors)


def _beside_knots(
    fronts: tuple[Front, ...],
    search: FrontSearch,
    knots: tuple[KnotTrack, ...],
    geometry: StripGeometry,
    *,
    asked: bool,
) -> tuple[tuple[Front, ...], FrontSearch]:
    """Fronts that are more than a knot (all, with a note, in sectors asked for), and what the search says."""
    follows = [knot_followed(front, knots, geometry) if front.moving else 0 for front in fronts]
    if asked:
        fronts = tuple(
            replace(front, notes=(*front.notes, f"its edge follows knot {knot}")) if knot else front
            for front, knot in zip(fronts, follows, strict=True)
        )
        return fronts, search_said(search, fronts, [])
    kept = [front for front, knot in zip(fronts, follows, strict=True) if not knot]
    fronts = tuple(replace(front, front=number) for number, front in enumerate(kept, start=1))
    return fronts, search_said(search, fronts, sorted({*follows} - {0}))


def search_said(sensitivity: FrontSearch, fronts: tuple[Front, ...], alone: list[int]) -> FrontSearch:
    """What the search for fronts says with these fronts and with knots, by number, that rise alone."""
    level, sentence = sensitivity.level, sensitivity.sentence
    moving = sum(front.moving for front in fronts)
    if moving:
        level, sentence = "found", f"{moving} fronts rise." if moving > 1 else "One front rises."
    elif alone:
        which = " and ".join(f"knot {number}" for number in alone)
        sentence = f"What rises is {which} alone. Besides: {sentence}"
    return replace(sensitivity, level=level, sentence=sentence, alone=tuple(alone))


def meanings_of(motion: Motion, geometry: StripGeometry) -> tuple[Meaning, ...]:
    """A sentence a front, and one for each of the fastest knots."""
    sure_km_s, limb_mm = motion.control.sure_km_s, geometry.limb_mm
    words = []
    for front in motion.fronts:
        follows = knot_followed(front, motion.knots, geometry) if front.moving else 0
        errors = {"scale_err": motion.scale_err, "clock_err": motion.clock_err}
        words.append(front_meaning(front, limb_mm, **errors, follows=follows))
    quiet = not any(front.moving for front in motion.fronts)
    words += [
        knot_meaning(knot, limb_mm, sure_km_s, quiet=quiet) for knot in ranked_knots(motion)[:LETTERED_KNOTS]
    ]
    return tuple(word for word in words if word is not None)
