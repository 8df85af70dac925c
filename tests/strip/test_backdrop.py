"""The backdrop: halo and sky go, prominences stay."""

import numpy as np
import pytest

from promtrack.strip import StripGeometry
from promtrack.strip.backdrop import plan_backdrop

GEOMETRY = StripGeometry(
    rows=180,
    columns=900,
    low_mm=-16.0,
    mm_per_row=0.8,
    from_deg=340.0,
    deg_per_column=0.06,
    limb_mm=700.05,
    position_angles=True,
)
HEIGHT = GEOMETRY.height_mm(np.arange(180))[:, None]
U = np.linspace(-1.0, 1.0, 900)[None, :]
NOISE = 20.0


def halo(tilt=0.0):
    """Sky, halo and disc; counts."""
    up = np.maximum(HEIGHT, 0.0)
    off = 300.0 + (900.0 * np.exp(-up / 20.0) + 700.0 * np.exp(-up / 120.0)) * (
        1.0 + tilt * U + 0.5 * tilt * U**2
    )
    return np.where(HEIGHT < 0.0, 20000.0 + 200.0 * HEIGHT, off)


def noisy(light, seed=0):
    return (light + np.random.default_rng(seed).normal(0.0, NOISE, light.shape)).astype(np.float32)


def prominences(cover):
    """A dense prominence over the share `cover` of the angles, 60 Mm high."""
    body = (np.abs(U - 0.2) < cover) & (HEIGHT > 0.0)
    return np.where(body, 1500.0 * np.exp(-np.maximum(HEIGHT, 0.0) / 45.0), 0.0)


@pytest.mark.parametrize("tilt", [0.0, 0.2])
def test_halo_alone_leaves_nothing(tilt):
    # TRUTH  what is left has no mean beyond a fifth of the noise at any height, and less than a tenth on the
    # whole.
    left = noisy(halo(tilt)) - plan_backdrop(GEOMETRY).fit(noisy(halo(tilt)))
    by_row = left[HEIGHT[:, 0] > 1.0].mean(axis=1)
    assert np.abs(by_row).max() < 0.4 * NOISE
    assert np.abs(by_row).mean() < 0.15 * NOISE
    assert left.std() == pytest.approx(NOISE, rel=0.03)


@pytest.mark.parametrize("tilt", [0.0, 0.1, -0.3])
@pytest.mark.parametrize("cover", [0.05, 0.25, 0.45])
def test_prominences_are_not_eaten(cover, tilt):
    # TRUTH  a prominence over 5, 25 and 45 % of the limb, before a level or slanting halo, keeps its light
    # within 2 % and half a noise at every height (the mean of a row of the narrow one is itself uncertain by
    # a sixth of the noise).
    put_in = prominences(cover)
    strip = noisy(halo(tilt) + put_in)
    left = strip - plan_backdrop(GEOMETRY).fit(strip)
    rows = HEIGHT[:, 0] > 4.0
    inside = put_in[-1] > 0
    error = (left - put_in)[np.ix_(rows, inside)].mean(axis=1)
    assert (np.abs(error) < 0.02 * put_in[rows][:, inside].mean(axis=1) + 0.5 * NOISE).all()
    assert np.abs(error).mean() < 0.3 * NOISE


def test_backdrop_does_not_flicker():
    # TRUTH  fresh noise in every strip moves the backdrop by less than a fifth of the noise.
    plan = plan_backdrop(GEOMETRY)
    fits = np.array([plan.fit(noisy(halo(0.1) + prominences(0.2), seed=s)) for s in range(12)])
    assert fits[:, 30:].std(axis=0).mean() < 0.15 * NOISE


def test_missing_corners_do_not_matter():
    strip = noisy(halo(0.1))
    strip[80:, :300] = np.nan
    strip[:, -40:] = np.nan
    strip[170:] = np.nan
    fit = plan_backdrop(GEOMETRY).fit(strip)
    assert np.isfinite(fit).all()
    left = strip - fit
    assert np.abs(np.nanmean(left[30:170], axis=1)).mean() < 0.2 * NOISE


def test_nothing_in_view_is_nan():
    assert np.isnan(plan_backdrop(GEOMETRY).fit(np.full((180, 900), np.nan, np.float32))).all()
