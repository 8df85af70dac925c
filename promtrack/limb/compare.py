"""Checks of the lock that are not the fit itself: a solution and what went into it in, checks out.

Edge and features look at different light, a header comes from another instrument, and the radius of a frame
knows nothing of the others'. Where they contradict each other the run says so, and such frames are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from promtrack.checks import Check
from promtrack.limb.edge import FAR_SIGMA, GOOD_SCALE, MAD
from promtrack.limb.edge_checks import second_limb
from promtrack.limb.frame_limb import ALIKE_PX, LimbSigns
from promtrack.limb.measure import FrameMeasure
from promtrack.limb.records import Known, Place, Solution
from promtrack.limb.rejection import LEAST_PART
from promtrack.sun.scale import DISAGREE_SIGMA, POOR_SCALE, WEAK_CHECK


@dataclass(frozen=True, slots=True)
class Comparison:
    """Checks, and the frames that failed theirs with the reason."""

    checks: tuple[Check, ...]
    left_out: dict[int, str] = field(default_factory=dict)


def compare(solution: Solution, kept: list[FrameMeasure], known: Known) -> Comparison:
    """All checks of a solution that was made from the frames kept."""
    left_out: dict[int, str] = {}
    share = float(np.median([m.signs.kept_part for m in kept]))
    on_circle = f"{100 * share:.0f} % of the limb's points lie on its circle."
    relative = solution.radius_err_px / solution.radius_px
    level = "good" if relative < GOOD_SCALE else "fair" if relative < POOR_SCALE else "poor"
    radius = f"The radius of the limb, and with it the scale, is known to {100 * relative:.2g} %."
    checks = [
        *_edge_against_place(solution, left_out),
        Check("lock", "limb points", _level(share), on_circle),
        *like_a_sun([m.signs for m in kept], kept[0].place.radius_px, darkens=known.darkens),
        Check("scale", "error of the radius", level, radius),
        *one_radius(solution.frame_radius_px, solution.frame_radius_err_px),
        *one_fit(np.array([m.signs.rms_px for m in kept])),
    ]
    if known.radius_px is not None:
        own = np.median([_free_radius(m) for m in kept], axis=0)
        checks += radius_check((float(own[0]), float(own[1])), (known.radius_px, 0.0))
    if known.header_check is not None:
        checks.append(known.header_check)
    return Comparison(tuple(checks), left_out)


def _edge_against_place(solution: Solution, left_out: dict[int, str]) -> list[Check]:
    """The place of each frame against that of its edge alone: what moves without the limb is wrong."""
    apart = np.einsum("iaj,ij->ia", solution.axes, solution.centre_px - solution.edge_centre_px)
    worst, pulled = 0.0, 0.0
    # frames over which they may not drift apart, and the distance below which they do no harm
    window, harmless_px = 8, 1.0
    for axis, name in enumerate(("across", "along")):
        error = np.hypot(solution.edge_err_px[:, axis], 1e-3)
        away = apart[:, axis] - np.median(apart[:, axis])
        pull = np.abs(away) / error
        for k in np.flatnonzero((pull > FAR_SIGMA) & (np.abs(away) > harmless_px)):
            left_out[int(k)] = f"edge and features disagree by {abs(away[k]):.1f} px {name} the limb"
        if len(away) < 2 * window:
            continue
        middle, sure = (np.median(sliding_window_view(a, window), axis=1) for a in (away, error))
        middle = np.abs(middle)
        drift = middle / sure * np.sqrt(window) * 0.8  # a median of eight has 0.8 of a mean's efficiency
        drift[middle <= harmless_px] = 0.0
        at = int(np.argmax(drift))
        if drift[at] > pulled:
            worst, pulled = float(middle[at]), float(drift[at])
    level = "poor" if pulled > 2 * FAR_SIGMA else "fair" if pulled > FAR_SIGMA else "good"
    words = (
        "The edge of the limb and what stands on it put the Sun in the same place."
        if level == "good"
        else f"For a while the Sun's place lies {worst:.1f} px from where the edge of the limb alone puts it "
        f"({pulled:.0f} sigma): what stands on the limb has moved, or the field turns otherwise than assumed."
    )
    return [Check("lock", "edge against features", level, words)]


def _free_radius(m: FrameMeasure) -> tuple[float, float]:
    """Radius of a frame's edge with nothing held, and 1 sigma, were every stretch of ALIKE_PX one point."""
    angle = np.radians((m.bin + 0.5) * m.bin_deg + m.place.turn_deg)
    design = np.column_stack([-np.sin(angle), -np.cos(angle), np.ones(len(angle))])
    inverse = np.linalg.pinv(design.T @ design)
    fit = inverse @ design.T @ m.edge_px
    rms = float(np.sqrt(np.mean((m.edge_px - design @ fit) ** 2)))
    alike = max(ALIKE_PX / (np.radians(m.bin_deg) * m.place.radius_px), 1.0)
    return m.place.radius_px + float(fit[2]), max(rms, 0.01) * float(np.sqrt(alike * inverse[2, 2]))


def _both(name: str, words: str, level: str = "poor") -> list[Check]:
    return [Check(subject, name, level, words) for subject in ("lock", "scale")]


def _level(share: float) -> str:
    """By the part that is as it should be of the frames, or of the limb's points."""
    return "good" if share >= 0.7 else "fair" if share >= 0.5 else "poor"


def like_a_sun(signs: list[LimbSigns], radius_px: float, *, darkens: bool) -> list[Check]:
    """Whether what was followed is lit as the Sun is: bright inside, darker towards the limb, with light
    outside, and that fainter. `darkens`: in this light the disc does, towards its limb."""

    def usual(name: str) -> float:
        return float(np.median([getattr(one, name) for one in signs]))

    middle = np.array([one.middle for one in signs])
    inside = float(np.nanmedian(middle)) if np.isfinite(middle).any() else np.nan
    # of the light at the limb: a Sun has 0.4 and more, also where its limb is bright in the ultraviolet
    if inside < 0.15:
        words = (
            f"The disc is dark: well inside it there is {100 * inside:.0f} % of the light at its limb. This "
            "is no limb of the Sun but something before it, as in an eclipse."
        )
        return _both("bright disc", words)
    # `LimbSigns.disc` is taken 11 px inside the limb
    near, deep = (np.sqrt(1 - r**2) for r in (max(1 - 11.0 / radius_px, 0.0), 0.6))
    # the linear coefficient that the disc shows; below zero where it is brighter at the limb
    darkening = (inside - 1) / (inside * (1 - near) - (1 - deep))
    # Below this a disc is hardly the Sun in H-alpha: by eye some half of the continuum's 0.55 (common
    # practice, no source), and less again where a tone curve was bent, so that only half of it is poor.
    least = 0.2
    if darkens and not usual("burnt_limb") and abs(darkening) < least:
        words = (
            f"The disc is lit evenly to its edge (well inside there is {100 * inside:.0f} % of the light at "
            "its limb), which the Sun's is not: a field stop, a lamp, a picture of something else, or a tone "
            "curve that was bent."
        )
        level = "poor" if abs(darkening) < 0.5 * least else "fair"
        return _both("limb darkening", words, level)
    if np.isnan(inside) and usual("blank") > 0.9 and usual("width_px") < 0.9:
        words = (
            f"What was followed is as sharp as a pixel ({usual('width_px'):.1f} px) with nothing at all "
            "outside it: a field stop, a mask or a border, not the Sun's limb."
        )
        return _both("light outside", words)
    if usual("fringe") > 1.0:
        words = (
            "The disc is darker than the light outside its limb: something stands before it, or the picture "
            "was changed."
        )
        return _both("bright disc", words)
    if usual("sky") > 0.5 * usual("disc"):
        words = (
            f"Far from the limb there is {usual('sky') / usual('disc'):.1f} times the light that the disc "
            "adds to it: thick haze, a dark that was not taken off, or a picture of something else."
        )
        return _both("dark sky", words, "fair")
    return [Check("lock", "bright disc", "good", "The disc is brighter than the light outside its limb.")]


def one_limb(frame: np.ndarray, full_scale: float, place: Place) -> Check:
    """Whether a frame shows one limb only."""
    other = second_limb(frame, full_scale, place)
    if other is None:
        return Check("lock", "one limb", "good", "No second limb is seen.")
    apart = np.hypot(other.x_px - place.x_px, other.y_px - place.y_px)
    words = (
        f"There is a second limb, of a disc {apart:.0f} px away: a double exposure, a reflection, or two "
        "discs. One of them was followed; leave such frames out."
    )
    return Check("lock", "one limb", "poor", words)


def frames_check(used: int, count: int) -> Check:
    """The share of the frames that could be used."""
    return Check("lock", "frames used", _level(used / max(count, 1)), f"{used} of {count} frames are used.")


def sharpness_check(sharpness: np.ndarray) -> Check:
    """The share of the used frames (n,) that are nearly as sharp as the best quarter: the places of blurred
    ones are off by about twice what is stated (tests/test_perturbed_runs.py), which no residual shows."""
    blurred = int((sharpness < LEAST_PART * np.quantile(sharpness, 0.75)).sum())
    words = f"{blurred} of {len(sharpness)} frames are less than half as sharp as the best quarter."
    return Check("lock", "sharpness", _level(1 - blurred / len(sharpness)), words)


def one_radius(radius: np.ndarray, error: np.ndarray) -> list[Check]:
    """Whether all frames show a Sun of one size: (n,) radius of each frame by itself, px, and its 1 sigma.
    Parted in two groups of least scatter, what wanders with the air is up to 4 of that scatter apart, two
    Suns are more; and it makes no line."""
    ordered, count = np.sort(radius), len(radius)
    if count > 5:  # three frames a group
        parted = min(range(3, count - 2), key=lambda k: sum(len(g) * g.var() for g in np.split(ordered, [k])))
        low, high = (float(np.median(group)) for group in np.split(ordered, [parted]))
        large = radius >= ordered[parted]
        own = MAD * float(np.median(np.abs(radius - np.where(large, high, low))))
        apart = high - low
        sure, least = apart / max(own, 1e-9), 0.01  # relative: two radii in one recording
        if sure > FAR_SIGMA and apart > DISAGREE_SIGMA * float(np.median(error)) and high / low - 1 > least:
            changes = np.flatnonzero(np.diff(large))
            less = 100 * (1 - low / high)
            small = f"{int((~large).sum())} frames show a Sun {less:.1f} % smaller than the others"
            if len(changes) == 1:
                size, word = (100 * (high / low - 1), "larger") if large[-1] else (less, "smaller")
                small = f"The Sun is {size:.1f} % {word} from frame {int(changes[0]) + 1} on"
            words = f"{small} ({sure:.0f} sigma): two recordings in one folder, or the optics were changed."
            return _both("one radius", f"{words} Measure them apart.")
        number = np.arange(count)
        slope, first = np.polyfit(number, radius, 1)
        whole, left = slope * number[-1], float(np.std(radius - first - slope * number))
        # Change of the radius over a recording, in its scatter about a line: air with a memory of 10 to 100
        # frames makes more in two recordings of a thousand (of 20 frames, in one of a hundred).
        if abs(whole) > max(4.5 * left, least * first):
            grows = f"{'grows' if whole > 0 else 'shrinks'} steadily by {100 * abs(whole) / first:.1f} %"
            words = f"The Sun {grows} over the recording: a zoom, or a focus that ran away. Measure a part."
            return _both("one radius", words)
    return [Check("lock", "one radius", "good", "All frames show a Sun of one size.")]


def one_fit(rms_px: np.ndarray) -> list[Check]:
    """Whether the limb fits its circle alike before and after any frame: (n,) rms distance of its points. The
    edge is sought near the circle of all frames, which hides the radius of those that show a Sun of another
    size; but their limb fits worse. In 99 recordings of one size no step is above 3.2 of the scatter."""
    count = len(rms_px)
    if count < 8:
        return []
    splits = [np.split(rms_px, [k]) for k in range(3, count - 2)]  # three frames on either side
    parts = min(splits, key=lambda two: sum(len(part) * part.var() for part in two))
    before, after = (float(np.median(part)) for part in parts)
    own = MAD * float(
        np.median(np.abs(np.concatenate(parts) - np.repeat((before, after), [*map(len, parts)])))
    )
    sure = abs(after - before) / max(own, 1e-9)
    if sure < FAR_SIGMA or max(before, after) < 1.5 * min(before, after):  # less is the air's
        return []
    words = (
        f"From frame {len(parts[0]) + 1} on the limb's points lie {after:.1f} px rms from the circle, before "
        f"{before:.1f} px ({sure:.0f} sigma): a Sun of another size, or of another shape. Measure them apart."
    )
    return _both("one fit", words)


def radius_check(own: tuple[float, float], stated: tuple[float, float]) -> list[Check]:
    """The limb's own radius against that which optics or a header state, px, each with its 1 sigma."""
    apart = abs(own[0] - stated[0]) / float(np.hypot(own[1], stated[1]))
    figures = (
        f"the limb gives {own[0]:.0f} +- {own[1]:.0f} px, the stated scale {stated[0]:.0f} "
        f"+- {stated[1]:.0f} px"
    )
    if apart <= DISAGREE_SIGMA:
        return [Check("scale", "stated radius", "good", f"Limb and stated scale agree: {figures}.")]
    if abs(np.log(own[0] / stated[0])) < WEAK_CHECK:
        words = (
            f"Limb and stated scale disagree by {apart:.0f} sigma: {figures}. Correct the optics or header."
        )
        return [Check("scale", "stated radius", "fair", words)]
    words = (
        f"What was followed is perhaps not the Sun's limb: {figures}. A loop or a stop may outshine it; "
        "look at the registration check, and correct the header or the optics, or give limb.radius_px."
    )
    return _both("stated radius", words)


def header_check(solution: Solution, header_px: np.ndarray, err_px: float) -> Check:
    """Where headers put the Sun's centre, (n, 2) with nan in frames without and 1 sigma, against where a
    solution without them does."""
    has = np.isfinite(header_px).all(axis=1)
    apart = np.einsum("iaj,ij->ia", solution.axes, solution.centre_px - header_px)[has]
    middle = np.median(apart, axis=0)
    error = np.hypot(solution.common_err_px, err_px)
    sigma, size = float(np.hypot(*(middle / error))), float(np.hypot(*middle))
    figures = (
        f"from the limb alone by {middle[0]:+.1f} +- {error[0]:.1f} px across it and {middle[1]:+.1f} +- "
        f"{error[1]:.1f} px along it, in {int(has.sum())} frames"
    )
    level, words = "good", f"Headers and limb agree: they differ {figures}."
    if sigma > DISAGREE_SIGMA:
        level = "poor"
        words = (
            f"Headers put the Sun's centre {size:.1f} px from where the limb puts it ({sigma:.0f} sigma). "
            f"One of them is not the Sun's limb, or the headers are wrong. They differ {figures}."
        )
    # 3.5 Mm: a header that may be so wrong without a contradiction is not checked
    elif DISAGREE_SIGMA * error[0] > 0.005 * solution.radius_px:
        level = "fair"
        words = (
            f"The Sun's place rests on the headers, which the limb hardly checks: they differ {figures}. "
            "Heights would be off by as much as the headers are."
        )
    return Check("lock", "header against limb", level, words)


def header_scatter_px(solution: Solution, header_px: np.ndarray) -> float:
    """1 sigma of headers' centres from frame to frame: what their scatter about the limb's leaves beyond the
    errors of these; 0.05 px at least, and a pixel where too few frames have a header to tell."""
    has = np.isfinite(header_px).all(axis=1)
    if has.sum() < 8:
        return 1.0
    apart = np.einsum("iaj,ij->ia", solution.axes, solution.centre_px - header_px)[has]
    seen = (MAD * np.median(np.abs(apart - np.median(apart, axis=0)), axis=0)) ** 2
    stated = np.median(np.column_stack([solution.across_err_px, solution.along_err_px])[has] ** 2, axis=0)
    return float(np.sqrt(max(float((seen - stated).mean()), 0.05**2)))
