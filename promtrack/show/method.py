"""How the numbers come about, in plain words with published sources: text for the report."""

from __future__ import annotations

from dataclasses import dataclass

from promtrack.rounding import with_error
from promtrack.show.records import Measured
from promtrack.show.verdict import limb_name

__all__ = ["CAUTIONS", "METHODS_PAGE", "Step", "method_steps"]

METHODS_PAGE = "docs/methods.md"  # equations and checks, in the program's own documentation


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the method."""

    title: str
    text: str
    sources: tuple[str, ...] = ()


CAUTIONS = (
    Step(
        "Protect your eyes",
        "Looking at or imaging the Sun without the right, undamaged, full-aperture or "
        "manufacturer-approved filter blinds and burns within a moment. Follow the instructions of the "
        "maker of your filter, and ask experienced local observers before you try anything new. Never "
        "alter a solar filter.",
    ),
    Step(
        "Speeds are lower bounds",
        "The camera sees motion across the sky only, not towards or away from us. If the same plasma was "
        "followed, its true speed is at least the one given here, within its error, and may be much larger.",
    ),
    Step(
        "Not a space-weather warning",
        "These are an amateur's measurements of one place on the limb. They say nothing about what will "
        "reach the Earth; for warnings turn to the official services.",
    ),
)


def method_steps(measured: Measured) -> tuple[Step, ...]:
    """The way from frames to speeds, with the values of this run where they matter."""
    control, scale = measured.motion.control, measured.scale
    source = {
        "limb": "the radius of the limb in the frames and the Sun's apparent radius on that day",
        "optics": "the focal length and the size of the pixels",
        "given": "the image scale that was given",
        "header": "the image scale in the files' headers",
    }[scale.source]
    pixel = with_error(scale.km_per_px, scale.sigma_km_per_px, "km")
    limb = f"{scale.limb.height_mm:.3g} ± {scale.limb.err_mm:.2g} Mm above the photosphere"
    return (
        Step(
            "Lock",
            "In every frame the Sun's edge is found on rays across the limb, and blocks of the limb zone "
            "are compared with templates, the mean of well-placed frames. One robust least-squares "
            "solution of all frames together gives every centre and the one radius: the edge places the "
            "Sun across the limb, the pattern of the zone along it. Deviating points count less "
            "(biweight). What the edge and the pattern say alone, and what a header says, is compared "
            "afterwards.",
            (
                "Holland & Welsch 1977, Commun. Stat. A 6, 813 (biweight)",
                "Patterson & Thompson 1971, Biometrika 58, 545 (variances)",
            ),
        ),
        Step(
            "Scale",
            f"One pixel is {pixel}, from {source}. Heights count from {limb_name(measured)}; the limb is "
            f"taken to lie {limb}.",
            (
                "IAU 2015 Resolution B3 (solar radius 695,700 km)",
                "Johannesson & Zirin 1996, ApJ 471, 510 (height of the limb)",
            ),
        ),
        Step(
            "Strips",
            "Every frame is unrolled into a picture of height against angle. Sky, scattered light and "
            "changes of transparency are taken out.",
        ),
        Step(
            "Knots",
            "Small bright knots are found at several sizes after what stands still has been subtracted, "
            "and joined from frame to frame. Speeds are those of lines, parabolas and freer "
            "paths together, each weighted by its probability, against noise with a memory; a tenth of the "
            "knot's width is added for what its light may wander within it. They hold at mid-time.",
            (
                "Lindeberg 1998, Int. J. Comput. Vision 30, 79 (sizes)",
                "Jaqaman et al. 2008, Nature Methods 5, 695 (tracks)",
                "Hoeting et al. 1999, Stat. Sci. 14, 382 (paths averaged)",
            ),
        ),
        Step(
            "Moving or not",
            f"{control.method} Tolerated false alarms in the whole run: {control.tolerated:g}.",
        ),
        Step(
            "Fronts",
            "The leading edge of what rises is followed and described by several models; it may turn out "
            "that none of them describes the motion. Errors come from fits to shuffled residuals.",
            ("Byrne et al. 2013, A&A 557, A96 (residual bootstrap)",),
        ),
        Step(
            "Errors",
            "Each ± is one standard deviation of the total error: the random part, and scale and clock, "
            "which shift all speeds of the run by the same factor. The tables give the random part beside "
            f"it. {METHODS_PAGE} of the program has the equations and the checks.",
        ),
    )
