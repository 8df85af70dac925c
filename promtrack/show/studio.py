"""What is settled before a clip's first picture: timing, views, tone, and the layout of its annotation.

Everything measured comes in, a `Studio` goes out that tones the picture of any shot.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.records import spread_over
from promtrack.show.bodies import schedule_numbers
from promtrack.show.canvas import blank_canvas, make_page
from promtrack.show.disc_view import Inset, disc_tone, disc_view, insets_of
from promtrack.show.overlay import Annotation, annotate, bodies_shown, draw_annotation
from promtrack.show.palette import palette_ycc
from promtrack.show.radial_profile import quiet_sun
from promtrack.show.records import Measured
from promtrack.show.region_of_interest import find_action
from promtrack.show.timing import MOTION_S, Plan, Shot, chosen_frames, plan_shots
from promtrack.show.tone import Toner, busy_map, make_toner, tone_frame
from promtrack.show.view import SIZES, ClipView, choose_views

INK = (0.55, 0.95)  # opacity of clock, scale, compass and heights, least and most
# Luminance of limited-range code values, 1 is white: IEC 61966-2-1, item 5.2.
CODED = np.clip((np.arange(256) - 16.0) / 219.0, 0.0, 1.0)
LUMINANCE = np.where(CODED <= 0.04045, CODED / 12.92, ((CODED + 0.055) / 1.055) ** 2.4).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Studio:
    """All that is settled before the first picture."""

    measured: Measured
    plan: Plan
    views: tuple[ClipView, ...]  # one a frame shown
    toner: Toner
    tones: np.ndarray  # (looked at, rows, columns) coarse tone above the quiet Sun
    insets: tuple[Inset, ...]  # of clip.view=disc
    not_shown: int  # prominences that found no inset
    light: np.ndarray  # (looked at,) mean linear luminance of those pictures, 1 is white

    def tone(self, frame: np.ndarray, shot: Shot) -> np.ndarray:
        """(height, width) uint8 tone of a shot's picture; `frame` is (rows, columns), counts."""
        lock = self.measured.lock
        tone = tone_frame(frame, self.toner, self.views[shot.place], lock, shot.frame)
        title = shot.act == "title"
        return disc_tone(tone, frame, self.insets, self.toner, lock, shot.frame, title=title)

    def annotation(self) -> Annotation:
        """The layout of the clip's annotation. It is as bright as the pictures allow: together at most 0.28
        of the picture's own light, a whole disc aside, most of which is dark. Where that would be too faint
        to read, all numbers but the first, heights and compass are left out, in this order."""
        wanted = frozenset(self.measured.settings.clip.overlays)
        page = make_page(self.views[0].width, self.views[0].height)
        run, own = self.measured, (self.plan, self.views, page, self.tones)
        for left_out in ("", "numbers", "heights", "compass"):
            wanted -= {left_out}
            made = annotate(run, *own, wanted, self.insets, self.not_shown, few=bool(left_out))
            ink = self._ink(made)
            if ink >= INK[0] or self.insets:  # a whole disc is mostly dark: that light is no measure
                break
        return replace(made, page=replace(page, ink=float(np.clip(ink, INK[bool(self.insets)], INK[1]))))

    def _ink(self, made: Annotation) -> float:
        """Opacity of what stands all the time at which the pictures have just so much light in overlays."""
        bare, alone = replace(made, wanted=frozenset(), blocks={}), replace(made, bodies=())
        motion = [shot for shot in self.plan.shots if shot.act == "motion"]
        shares = []
        for place, own in zip(spread_over(len(self.views), len(self.light)), self.light, strict=True):
            shot = next(shot for shot in motion if shot.place >= place)
            shares.append([_light(one, shot) / max(own, 1e-9) for one in (bare, alone)])
        bodies, standing = np.mean(shares, axis=0)
        share = max(0.28 - bodies, 0.0) / max(standing, 1e-9)  # 0.3 with what single pictures differ
        return made.page.ink * float(share) ** (1.0 / 2.2)  # code values: nearly this power


def prepare(measured: Measured) -> Studio:
    """Settle views, tone and timing from a few of the frames. Raises InputError: no frame is used;
    SettingsError: clip.at, clip.from or clip.to name nothing that is there."""
    lock, clip, sequence = measured.lock, measured.settings.clip, measured.sequence
    used = np.flatnonzero(lock.used)
    if not len(used):
        nothing = "no frame could be used, so there is no clip to make"
        raise InputError(nothing, where=str(sequence.path), remedy="see the reasons in frames.ecsv")
    frames = chosen_frames(used, sequence.times_utc, clip)
    time_s = sequence.time_s[frames] - sequence.time_s[frames[0]]
    insets: tuple[Inset, ...] = ()
    not_shown = 0
    if clip.view == "disc":
        whole = disc_view(measured)
        views = (whole,) * len(frames)
        insets, not_shown = insets_of(measured, whole)
    else:
        views, whole = _cropped(measured, frames)
    plans = [
        plan_shots(frames, time_s, clip, least_s)
        for least_s in np.arange(MOTION_S[0], MOTION_S[1] + 0.1, 0.5)
    ]
    bodies = bodies_shown(measured, plans[0], views, insets, clip.overlays)
    # as long as all numbers need, but no longer
    plan = max(plans, key=lambda one: sum(bool(b.stands) for b in schedule_numbers(bodies, one.time)))
    toner = make_toner(quiet_sun(sequence, lock, whole), whole, clip.look, lock)
    some = spread_over(len(frames), 12)  # to see where not to write, and how much light the annotation adds
    looked = list(sequence.frames([int(frames[k]) for k in some]))
    chosen = [views[k] for k in some]
    tones = busy_map(looked, chosen, toner, lock)
    for inset in insets:
        rect = inset.rect
        part = tones[:, rect.top // 8 : rect.bottom // 8, rect.left // 8 : rect.right // 8]
        own = busy_map(looked, [inset.own_view] * len(looked), toner, lock)
        part[:] = own[:, : part.shape[1], : part.shape[2]]
    luma = palette_ycc(clip.look)[0]
    # not smaller: the mean of tones is darker than that of light
    small = [tone_frame(f, toner, v.scaled(0.5), lock, i) for (i, f), v in zip(looked, chosen, strict=True)]
    light = np.array([float(LUMINANCE[luma[tone]].mean()) for tone in small])
    return Studio(measured, plan, views, toner, tones, insets, not_shown, light)


def _cropped(measured: Measured, frames: np.ndarray) -> tuple[tuple[ClipView, ...], ClipView]:
    """Views cropped on the action, one a frame shown; and one of all of it, the limb, and sky beside it."""
    lock, clip, sequence = measured.lock, measured.settings.clip, measured.sequence
    size = SIZES.get(clip.view, (lock.shape[1], lock.shape[0]))
    action = find_action(measured.strip, measured.motion, measured.orientation, lock, size=size, at=clip.at)
    strip_s = (sequence.times_utc[frames] - measured.strip.times_utc[0]) / np.timedelta64(1, "s")
    # An upright picture may hold nothing but plasma at some heights, which then would pass for the quiet Sun.
    wide = clip.view if clip.view == "native" else "wide"
    around, still = replace(clip, view=wide, zoom=min(clip.zoom, 1.0)), replace(action, followed=None)
    views = choose_views(lock, measured.scale, measured.orientation, action, clip, strip_s)
    return views, choose_views(lock, measured.scale, measured.orientation, still, around, strip_s)[-1]


def _light(annotation: Annotation, shot: Shot) -> float:
    """Mean luminance of an annotation drawn on black."""
    canvas = blank_canvas(annotation.page.width, annotation.page.height, 16)
    draw_annotation(annotation, canvas, shot)
    share = cv2.calcHist([canvas.y], [0], None, [256], [0, 256]).ravel() / canvas.y.size
    return float(share @ LUMINANCE)


def best_shot(studio: Studio, annotation: Annotation) -> Shot:
    """The sharpest picture among those that show most numbers: the first letter's foremost, near its end."""
    shots = [replace(s, gap=None) for s in studio.plan.shots if s.act == "motion"]
    shown = np.zeros(len(shots))
    for place, body in enumerate(annotation.bodies):
        there = [bool(body.due(annotation.time, s.time_s)) and body.seen(s.time_s) for s in shots]
        late = np.cumsum(there) / max(sum(there), 1)
        shown += np.where(there, ((1.0 + late) / (1.0 + place)) ** 2, 0.0)
    sharp = np.nan_to_num(studio.measured.lock.sharpness[[s.frame for s in shots]], nan=0.5)
    return shots[int(np.argmax(shown / max(shown.max(), 1.0) + 0.5 * np.clip(sharp, 0.4, 1.2)))]
