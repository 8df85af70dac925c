"""The turn of the field as the frames show it, laid on each other in pairs, against the one assumed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.checks import Check
from promtrack.limb.circle import FAR_SIGMA, MAD
from promtrack.limb.shifts import MOST_ALONG_PX, Pairs


def rotation_check(
    pairs: list[Pairs],
    radius_px: float,
    *,
    assumed_deg_h: float,
    settings: tuple[tuple[str, float], ...] = (),
) -> list[Check]:
    """The turn of the field as the frames of each template, laid on each other in pairs, show it, against the
    one computed or assumed. `settings`: other settings of the mount, in words, and the rotation that each
    would give, deg an hour."""
    steps = np.unique(np.concatenate([pair.steps for pair in pairs])) if pairs else ()
    rates = [rate for step in steps if (rate := _rate(pairs, step))]
    if not rates:
        return []
    # beyond the reach of the search pairs say nothing; and where near pairs contradict far ones by 3 sigma,
    # they show plasma that moves, which is carried no farther than it lives
    reach_s = 0.7 * MOST_ALONG_PX / max(abs(rates[0].px_s), 1e-9)
    rates = [rates[0]] + [rate for rate in rates[1:] if rate.apart_s < reach_s]
    while any(rate.unlike(other) for rate in rates for other in rates):
        rates = rates[1:]
    surest = min(rates, key=lambda rate: rate.err_px_s)
    beside = max(abs(rate.px_s - surest.px_s) - rate.err_px_s for rate in rates)
    err_px_s = np.hypot(surest.err_px_s, max(beside, 0.0) / 2)
    extra, rate_err = np.degrees([surest.px_s, err_px_s]) * 3600.0 / radius_px
    span = float(sum(pair.apart_s[pair.steps == 1].sum() for pair in pairs)) / 3600.0
    # less than a degree beside the rotation assumed, over the recording, does no harm
    if abs(extra) < FAR_SIGMA * rate_err or abs(extra) * span < 1.0:
        to = f"to {max(abs(extra), rate_err):.2g} deg an hour"
        words = f"The frames turn as assumed ({assumed_deg_h:+.2f} deg an hour), {to}."
        return [Check("lock", "field rotation", "good", words)]
    seen = assumed_deg_h + extra
    near = 3 * rate_err + 0.15 * abs(seen)
    fits = [words for words, rate in settings if not abs(rate - seen) >= near]
    advice = f"{' or '.join(fits)} would fit" if fits else "check camera.mount, camera.mirrored and the site"
    words = (
        f"The frames turn by {seen:+.2f} +- {rate_err:.2f} deg an hour, not by {assumed_deg_h:+.2f} "
        f"as the settings say: {advice}. The field rotation is measured in the frames instead."
    )
    return [Check("lock", "field rotation", "poor", words)]


@dataclass(frozen=True, slots=True)
class _Rate:
    px_s: float
    err_px_s: float
    apart_s: float

    def unlike(self, other: _Rate) -> bool:
        """Whether two rates contradict each other by 3 sigma."""
        return abs(self.px_s - other.px_s) > 3 * np.hypot(self.err_px_s, other.err_px_s)


def _rate(pairs: list[Pairs], step: int) -> _Rate | None:
    """None of fewer than five pairs. Frames far apart tell a turn from plasma that moves and from errors that
    add up from each frame to the next; but they are less alike. Pairs that overlap are taken as one."""
    used = [(pair.steps == step) & (pair.apart_s > 0) for pair in pairs]  # stamps may be alike
    apart_s = np.concatenate([pair.apart_s[some] for pair, some in zip(pairs, used, strict=True)])
    along_px = np.concatenate([pair.along_px[some] for pair, some in zip(pairs, used, strict=True)])
    if len(apart_s) < 5:
        return None
    rate = float(np.median(along_px / apart_s))
    spread = max(MAD * float(np.median(np.abs(along_px - rate * apart_s))), 0.05)
    usual_s = float(np.median(apart_s))
    return _Rate(rate, spread * float(np.sqrt(step / len(apart_s))) / usual_s, usual_s)
