"""How the numbers come about, in plain words with published sources: text for the report."""

from __future__ import annotations

from dataclasses import dataclass

from promtrack.rounding import with_error
from promtrack.show.records import Measured
from promtrack.show.verdict import limb_name, limb_words

__all__ = ["CAUTIONS", "Step", "method_steps"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the method."""

    title: str
    text: str
    sources: tuple[str, ...]


CAUTIONS = (
    (
        "Protect your eyes",
        "Looking at or imaging the Sun without the right, undamaged, full-aperture or manufacturer-approved filter "
        "blinds and burns within a moment. Follow the instructions of the maker of your filter, and "
        "ask experienced local observers "
        "before you try anything new. Never alter a solar filter.",
    ),
    (
        "Speeds are lower bounds",
        "The camera sees motion across the sky only. What moves towards or away from us is not measured, so the "
        "true speed is never smaller than the speed given here and may be much larger.",
    ),
    (
        "Not a space-weather warning",
        "These are an amateur's measurements of one place on the limb. They say nothing about what will "
        "reach the Earth; for warnings turn to the official services.",
    ),
)


LOCKING = Step(
    "Locking the frames to the limb",
    "Points on the Sun's edge are found to a fraction of a pixel, points spoiled by "
    "prominences, dust or frame borders are thrown "
    "out, and a circle is fitted. All frames share one radius, because a short arc cannot "
    "tell radius and centre apart. The "
    "place along the limb, which a circle cannot fix, comes from comparing the brightness "
    "near the limb between frames.",
    (
        "Gander, Golub & Strebel 1994, BIT 34, 558 (geometric circle fit)",
        "Al-Sharadqah & Chernov 2009, Electron. J. Stat. 3, 886 (bias on short arcs)",
    ),
)
STRIPS = Step(
    "Strips",
    "Every frame is unrolled into a picture of height against angle, and sky, scattered light and changes of "
    "transparency are taken out, so that a prominence at rest keeps its brightness.",
    (),
)
KNOTS = Step(
    "Knots",
    "Small bright knots are looked for at several sizes, after what stands still has been "
    "subtracted, and joined from "
    "frame to frame so that all tracks together are as likely as possible. Speeds come from "
    "fits of constant speed or constant acceleration; the simpler one is kept unless the data speak clearly against it. "
    "Where neither describes a track, its speed is the slope of a freer smooth curve at mid-time, and the table says so.",
    (
        "Lindeberg 1998, Int. J. Comput. Vision 30, 79 (sizes)",
        "Jaqaman et al. 2008, Nature Methods 5, 695 (tracks)",
        "Schwarz 1978, Ann. Stat. 6, 461 (choice of model)",
    ),
)
FRONTS = Step(
    "Fronts",
    "The leading edge of a rising prominence is followed in a sector and described by constant speed, constant "
    "acceleration, or a slow rise that turns into an exponential one. The error comes from "
    "fitting again after shuffling the "
    "residuals. It may turn out that none of the models describes the motion.",
    (
        "Cheng et al. 2013, ApJL 769, L25 (slow rise plus exponential)",
        "McCauley et al. 2015, Solar Phys. 290, 1703",
        "Byrne et al. 2013, A&A 557, A96 (residual bootstrap)",
    ),
)
RIDGES = Step(
    "Ridges",
    "Along a chosen path the brightness is drawn against time. What moves leaves a slanted "
    "ridge, and its slope is a "
    "second speed that does not depend on the tracks. Where a ridge and a knot meet, the two are compared.",
    (),
)
ERRORS = Step(
    "Errors",
    "Each ± is one standard deviation from chance alone. The errors of scale and clock shift "
    "all speeds of the run by "
    "the same factor and are given apart.",
    (),
)


def method_steps(measured: Measured) -> tuple[Step, ...]:
    """The way from frames to speeds, with the values of this run where they matter."""
    return (
        LOCKING,
        Step(
            "Pixels to kilometres",
            _scale_words(measured),
            (
                "IAU 2015 Resolution B3 (solar radius 695,700 km)",
                "Johannesson & Zirin 1996, ApJ 471, 510 (height of the H-alpha limb)",
            ),
        ),
        STRIPS,
        KNOTS,
        Step(
            "Moving or not",
            f"{measured.motion.control.method} The number of false alarms tolerated in a whole run was "
            f"{measured.motion.control.tolerated:g}.",
            (),
        ),
        FRONTS,
        RIDGES,
        ERRORS,
    )


def _scale_words(measured: Measured) -> str:
    source = {
        "limb": "the radius of the limb in the frames and the Sun's apparent radius on that day",
        "optics": "the focal length and the size of the pixels",
        "given": "the image scale that was given",
        "header": "the image scale in the files' headers",
    }[measured.scale.source]
    height = (
        f"{measured.scale.limb.height_mm:.3g} ± {measured.scale.limb.err_mm:.2g} Mm above the photosphere"
    )
    counted = (
        f"{limb_words(measured)}; the H-alpha limb"
        if measured.lock.edge_bias_px > 0.0
        else f"{limb_name(measured)}, which"
    )
    return (
        f"One pixel is worth {with_error(measured.scale.km_per_px, measured.scale.sigma_km_per_px, 'km')}, from {source}. "
        f"Heights count from {counted} is taken to lie {height}."
    )
