"""One frame by itself: where the Sun stands in it, the edge of its limb and its light.

A frame is first placed to about a pixel on its reduced picture, from where a few frames of the sequence have
it, or anew; then its limb is found at full resolution on few rays and measured on all. No frame depends on
another. Angles are the frame's own: nothing here knows of a turn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.edge import (
    MAD,
    MOST_RAYS,
    Grid,
    LimbCutShort,
    LimbNotFound,
    SmallFrame,
    Zone,
    coarse_place,
    edge_near,
    edge_of,
    make_grid,
    shift_by_blur,
    weighted_median,
)
from promtrack.limb.expected_geometry import Expected
from promtrack.limb.find import fall_at, find_limb
from promtrack.limb.records import Place, frame_points, moved_to, shifted_place, visible_angles
from promtrack.sequence.records import FEW, MANY, Sequence, spread_over
from promtrack.settings import LimbSettings

ALIKE_PX = 100.0  # limb over which the air and the limb's relief move the edge alike
ROUGH_PX = 2.5  # scatter of the edge above which structure, not noise, spoils it
# quantile of the light at one distance from the Sun that is sky, with an eruption across half of it as well
QUIET_SHARE = 0.35
CEILING = 0.97  # part of full scale above which the camera is taken as burnt out

# A burnt-out disc is cut where the light under the fringe reaches full scale: 1.2 px outside the limb at 3
# times full scale, 4.0 at 6.5 times, 6.0 at 12 times, on a radius of 1064 px (docs/studies/limb_edge_bias.py)
BURNT_BIAS = 4.0 / 1064


@dataclass(frozen=True, slots=True)
class LimbSigns:
    """How limb and light look in one frame."""

    arc_deg: float
    rms_px: float
    kept_part: float  # of the visible rays
    fall: float  # median steepness of the limb, counts per px
    width_px: float  # median Gaussian width of the limb
    blur_px: float  # how far blur has moved the edge outward, uncertain by a few tenths in a single frame
    fringe: float  # brightness just outside the limb, in parts of the disc just inside
    disc: float  # counts above the sky just inside the limb
    sky: float  # counts far off the limb
    dark_part: float  # of the frame, far darker than usual at that distance from the limb
    saturated_fraction: float
    burnt_limb: bool  # disc burnt out at the limb
    middle: float  # counts above the sky well inside the disc, in parts of `disc`; nan where it is not seen
    blank: float  # part of the pixels just outside the limb that hold one count, to a thousandth


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What one frame shows by itself."""

    place: Place  # fitted to the edge with the provisional radius; its turn is 0
    theta_deg: np.ndarray  # (k,) image angles in this frame of the rays kept
    edge_px: np.ndarray  # (k,) edge offsets outward from `place` there
    signs: LimbSigns
    points_px: np.ndarray  # (k, 2) edge points kept and
    rejected_px: np.ndarray  # (j, 2) rejected
    along_err_px: float  # 1 sigma of `place` along the limb, were every stretch of ALIKE_PX one measurement


@dataclass(frozen=True, slots=True)
class Start:
    """What a handful of frames show."""

    radius_px: float
    visible_px: float  # longest limb seen
    places: tuple[tuple[int, Place], ...]  # frame and place


@dataclass(frozen=True, slots=True, eq=False)
class Finder:
    """Finds the limb in any frame of a sequence, each by itself."""

    start: Start  # frames whose place is known to a pixel or so
    full_scale: float
    grid: Grid  # rays on which the edge is measured
    few: Grid  # and those on which it is found
    bin_deg: float
    least_rays: float  # in a bin of limb
    sky: Expected
    stated: tuple[Place | None, ...]  # as headers have it, a frame each

    @property
    def radius_px(self) -> float:
        """Provisional radius of the limb."""
        return self.start.radius_px

    def look(self, index: int, frame: np.ndarray) -> Look:
        """The limb in frame `index`; raises LimbNotFound."""
        place, small = self._start(index, frame)
        search_px = 9.0  # the reduced picture places the limb to some px
        _, _, fit = edge_near(frame, place, self.few, search_px + small.factor)
        place = shifted_place(place, *fit.shift_px)
        zone, edge, fit = edge_near(frame, place, self.grid, search_px)
        wide = edge_of(zone, self.grid, search_px=search_px, blur_px=1.6)
        kept = fit.kept
        place = shifted_place(place, *fit.shift_px)
        blur_px, arc_deg = shift_by_blur(edge, wide, kept), len(zone.ray) * self.grid.step_deg
        distance_px = small.distance_px(place.x_px, place.y_px)
        theta = self.grid.theta_deg[zone.ray]
        phi = np.radians(theta)
        offset = edge.offset_px + np.sin(phi) * fit.shift_px[0] + np.cos(phi) * fit.shift_px[1]
        points = np.column_stack(frame_points(place, theta, place.radius_px + offset))
        inside = (self.grid.offset_px > -16) & (self.grid.offset_px < -6)
        spreads = np.linalg.eigvalsh(np.cov(np.array([np.sin(phi[kept]), np.cos(phi[kept])]), bias=True))
        # of the outward directions: how well the curvature tells the place along the limb
        spread = float(spreads[-1]) + 1e-6
        along_err = fit.rms_px * float(np.sqrt(ALIKE_PX / self.grid.step_px / max(kept.sum(), 1) / spread))
        sky, dark, middle = _surroundings(small.image, distance_px, place.radius_px / small.factor)
        disc = np.median(zone.value[::2, inside])
        outside = zone.value[::2, (self.grid.offset_px > 6) & (self.grid.offset_px < 16)]
        signs = LimbSigns(
            arc_deg=arc_deg,
            rms_px=fit.rms_px,
            kept_part=float(kept.mean()),
            fall=np.median(edge.fall[kept]),
            width_px=np.median(edge.width_px[kept]),
            blur_px=blur_px,
            fringe=_fringe(zone, self.grid),
            disc=disc - sky,
            sky=sky,
            dark_part=dark,
            saturated_fraction=float((frame[::5, ::5] >= 0.99 * self.full_scale).mean()),
            burnt_limb=disc > CEILING * self.full_scale,
            middle=(middle - sky) / max(disc - sky, 1e-9),
            blank=float(np.unique(np.round(outside, 3), return_counts=True)[1].max()) / outside.size,
        )
        return Look(place, theta[kept], offset[kept], signs, points[kept], points[~kept], along_err)

    def _start(self, index: int, frame: np.ndarray) -> tuple[Place, SmallFrame]:
        """Where to begin: as the header has it, near the frames whose place is known, or anywhere; and the
        reduced frame."""
        radius_px, known = self.radius_px, sorted(self.start.places, key=lambda start: abs(start[0] - index))
        small = SmallFrame(frame, self.full_scale)
        flat, zenith, stated = self.sky.flattening[index], self.sky.zenith_deg[index], self.stated[index]
        sky = {"flattening": float(flat), "zenith_deg": float(zenith)}
        if stated is not None:
            place = stated_start(small, replace(stated, radius_px=radius_px, **sky))
            if place is not None:
                return replace(place, radius_px=radius_px), small
        for _, near in known[:3]:
            place = coarse_place(small, replace(near, radius_px=radius_px, **sky))
            if place is not None:
                return place, small
        place = find_limb(small, radius_px=radius_px)
        # the radius found goes with the centre found; the held radius needs the centre that fits it
        return replace(moved_to(place, radius_px, small.full_shape), **sky), small


def stated_start(small: SmallFrame, stated: Place) -> Place | None:
    """Place to start from where a header states one: that nearby where the limb is found, or the stated one
    itself if the limb is there but too rough to fit at this scale; None when the header is wrong."""
    found = coarse_place(small, stated, reach_px=5.0)
    if found is not None:
        return found
    # in another line than the one whose limb is stated the Sun is larger or smaller by up to one per cent
    radii = stated.radius_px + np.arange(-5.0, 6.0) * small.factor
    falls = [fall_at(small, replace(stated, radius_px=float(radius))) for radius in radii]
    return replace(stated, radius_px=float(radii[int(np.argmax(falls))])) if max(falls) > 0 else None


def make_finder(start: Start, full_scale: float, sky: Expected, stated: tuple[Place | None, ...]) -> Finder:
    """A finder for a limb such as a handful of frames show."""
    radius_px, visible_px = start.radius_px, start.visible_px
    reach_px = 22.0  # of the zone in which the edge is measured: what is searched and what lies beside it
    inside, ray_px = min(reach_px, 0.5 * radius_px), max(1.0, visible_px / MOST_RAYS)
    grid = make_grid(radius_px, inside, reach_px, ray_px=ray_px)
    few = make_grid(radius_px, inside, reach_px, ray_px=visible_px / 100)  # a hundred find it
    width_px = max(16.0, visible_px / 96)  # of the limb over which edge offsets are averaged
    bin_deg = 360.0 / max(8, round(2 * np.pi * radius_px / width_px))
    least = max(2.0, np.radians(bin_deg) * radius_px / grid.step_px / 3)
    return Finder(start, full_scale, grid, few, bin_deg, least, sky, stated)


def _fringe(zone: Zone, grid: Grid) -> float:
    """Median brightness of the spicules 2 to 5 px outside the limb, in parts of the disc just inside."""

    def level(low: float, high: float) -> float:
        return np.median(zone.value[::2, (grid.offset_px >= low) & (grid.offset_px <= high)])

    halo = level(14.0, 20.0)
    return (level(2.0, 5.0) - halo) / max(level(-8.0, -5.0) - halo, 1e-9)


def _surroundings(image: np.ndarray, distance: np.ndarray, radius: float) -> tuple[float, float, float]:
    """Counts far off the limb (their lower quartile), the part of the frame with less than 40 % of what is
    usual at that distance from the Sun, as an aircraft or a bird makes it and no filament, and counts well
    inside the disc: of a reduced frame, and in its px the distances from the Sun's centre and its radius."""
    image, distance = np.ascontiguousarray(image[::2, ::2]), distance[::2, ::2] - np.float32(radius)
    farthest = float(distance.max())
    off = image[distance > 0.6 * farthest] if farthest > 3 else image[distance > 0]
    sky = float(np.percentile(off, 25)) if off.size else float("nan")
    ring = ((distance - distance.min()) * np.float32(0.25)).astype(np.int32)
    usual = ring_quantile(ring.ravel(), image.ravel(), QUIET_SHARE)[ring]
    # where noise alone cannot make a pixel so dark
    noise = MAD * float(np.median(np.abs(np.diff(image, axis=1)))) / np.sqrt(2.0)
    dark = (np.abs(distance) > 6) & (image < 0.4 * usual) & (usual > 4.0 + 8.0 * noise)
    deep = image[(distance < -0.2 * radius) & (distance > -0.6 * radius)]
    return sky, float(dark.mean()), float(np.median(deep)) if deep.size > 20 else float("nan")


def ring_quantile(ring: np.ndarray, light: np.ndarray, part: float) -> np.ndarray:
    """(rings,) the value below which `part` of each ring's pixels lie."""
    # one sort of ring and light in one whole number, ring first, is many times quicker than numpy's sort by
    # two keys
    low = float(light.min())
    step = max(float(light.max()) - low, 1e-9) / 65535.0
    ordered = np.sort(ring.astype(np.uint32) << np.uint32(16) | ((light - low) / step).astype(np.uint32))
    count = np.bincount(ring)
    first = np.cumsum(count) - count
    at = np.minimum(first + (part * count).astype(int), len(ordered) - 1)
    return (ordered[at] & np.uint32(0xFFFF)) * step + low


def start_from(sequence: Sequence, limb: LimbSettings, stated: tuple[Place | None, ...]) -> Start:
    """Radius and places good enough to start from. `stated`: (n,) where headers put the Sun. Raises
    LimbNotFound: in none of the frames tried; the first one's reason."""
    picks = spread_over(len(sequence), FEW).tolist()
    rest = [i for i in spread_over(len(sequence), MANY).tolist() if i not in picks]
    found: dict[int, LimbSample] = {}
    standing: list[Place] = []  # as the header has them, and the limb is there
    failed: list[InputError] = []
    for tried, index in enumerate([*picks, *rest]):
        if tried >= len(picks) and (found or standing):
            break
        try:
            frame = sequence.frame(index)
            header = stated[index]
            place = stated_start(SmallFrame(frame, sequence.full_scale), header) if header else None
            if header and place:
                standing.append(replace(header, radius_px=place.radius_px))
            found[index] = sample_limb(frame, sequence.full_scale, radius_px=limb.radius_px, guess=header)
        except InputError as problem:
            problem.at(sequence.names[index])
            failed.append(problem)
    if len(standing) > len(picks) / 2:
        place = replace(standing[0], radius_px=float(np.median([s.radius_px for s in standing])))
        seen = visible_angles(place, sequence.shape, np.arange(0.0, 360.0, 0.25)).mean()
        return Start(place.radius_px, float(2 * np.pi * seen * place.radius_px), ())
    cut_short = [problem for problem in failed if isinstance(problem, LimbCutShort)]
    if len(cut_short) >= max(len(found), 1):  # what a few frames take for a limb is then something else
        raise cut_short[0]
    if not found:
        raise failed[0] if failed else LimbNotFound("no limb: the sequence is empty")
    radii = np.array([f.place.radius_px for f in found.values()])
    # By what length and scatter of the arc tell of its curvature: a limb mostly hidden counts little. By the
    # error of the radius itself, which grows with its square, the smallest would win.
    arc_px = np.radians([f.arc_deg for f in found.values()]) * radii
    rms_px = np.maximum([f.rms_px for f in found.values()], 1e-3)
    radius = limb.radius_px or weighted_median(radii, (arc_px / arc_px.max()) ** 5 / rms_px**2)
    places = tuple((index, moved_to(f.place, radius, sequence.shape)) for index, f in found.items())
    return Start(radius, float(np.radians(max(f.arc_deg for f in found.values())) * radius), places)


@dataclass(frozen=True, slots=True)
class LimbSample:
    """The limb of one frame by itself."""

    place: Place
    radius_err_px: float  # from the scatter of the edge
    rms_px: float
    arc_deg: float
    kept_part: float  # of the rays


def sample_limb(
    frame: np.ndarray, full_scale: float, *, radius_px: float | None = None, guess: Place | None = None
) -> LimbSample:
    """Find the limb in one frame, without any guess or near one, and fit its circle at full resolution.
    Raises LimbNotFound: with what was seen instead."""
    small = SmallFrame(frame, full_scale)
    place = stated_start(small, guess) if guess else None
    place = place or find_limb(small, radius_px=radius_px)
    for search in (6 * small.factor, 4.0 + small.factor, 6.0):
        grid = make_grid(place.radius_px, min(search + 8, 0.7 * place.radius_px), search + 8, ray_px=1.5)
        zone, _, fit = edge_near(frame, place, grid, search, free_radius=True)
        moved = shifted_place(place, *fit.shift_px)
        growth = np.clip(place.radius_px + fit.growth_px, 0.5 * place.radius_px, 2 * place.radius_px)
        place = Place(moved.x_px, moved.y_px, float(growth))
    return LimbSample(
        place, fit.growth_err_px, fit.rms_px, len(zone.ray) * grid.step_deg, float(fit.kept.mean())
    )
