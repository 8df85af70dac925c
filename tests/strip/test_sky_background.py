"""The backdrop: halo and sky go, prominences stay."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.strip import StripGeometry
from promtrack.strip.sky_background import plan_blocks, usual_backdrop

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


BLOCKS = plan_blocks(GEOMETRY)


def left_of(strips):
    """Strips without their backdrop, found as a run finds it."""
    means = [BLOCKS.means(strip) for strip in strips]
    backdrop = usual_backdrop(BLOCKS, means)
    return np.array([strip - backdrop.fit(m) for strip, m in zip(strips, means, strict=True)])


@pytest.mark.parametrize("tilt", [0.0, 0.2])
def test_halo_alone_leaves_nothing(tilt):
    # TRUTH  what is left has no mean beyond 0.4 of the noise at any height, and less than 0.15 on the whole.
    left = left_of([noisy(halo(tilt), seed) for seed in range(4)])[0]
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
    left = left_of([noisy(halo(tilt) + put_in, seed) for seed in range(3)])[0]
    rows = HEIGHT[:, 0] > 4.0
    inside = put_in[-1] > 0
    error = (left - put_in)[np.ix_(rows, inside)].mean(axis=1)
    assert (np.abs(error) < 0.02 * put_in[rows][:, inside].mean(axis=1) + 0.5 * NOISE).all()
    assert np.abs(error).mean() < 0.3 * NOISE


def test_backdrop_does_not_flicker():
    # TRUTH  fresh noise in every strip moves the backdrop by less than 0.15 of the noise.
    strips = [noisy(halo(0.1) + prominences(0.2), seed=s) for s in range(12)]
    means = [BLOCKS.means(strip) for strip in strips]
    backdrop = usual_backdrop(BLOCKS, means)
    assert np.array([backdrop.fit(m) for m in means])[:, 30:].std(axis=0).mean() < 0.15 * NOISE


def test_a_bright_extended_corona_leaves_a_steady_prominence():
    # TRUTH  a static structure that spreads over most of the angles, bright and ragged, so that no lower edge
    # is plain; the sky under it rises and falls by ten times the noise, level and tilted, from strip to
    # strip. A prominence before it stays steady to a fifth of the noise (the mean of its block alone is
    # uncertain by 0.03).
    rng = np.random.default_rng(5)
    corona = 6000.0 * np.exp(-np.maximum(HEIGHT, 0.0) / 60.0) * (HEIGHT > 0)
    corona = corona * (1.0 + 0.8 * np.sin(9.0 * U + 1.0) + 0.5 * np.sin(23.0 * U))
    body = prominences(0.1)
    strips = []
    for i in range(24):
        sky = 10.0 * NOISE * rng.uniform(-1, 1) + 10.0 * NOISE * rng.uniform(-1, 1) * U
        scattered = rng.uniform(-200.0, 200.0) * np.exp(-np.maximum(HEIGHT, 0.0) / 70.0)
        strips.append(noisy(halo() + corona + body + sky + scattered, seed=i))
    rows, inside = (HEIGHT[:, 0] > 12.0) & (HEIGHT[:, 0] < 60.0), body[-1] > 0
    light = left_of(strips)[:, rows][:, :, inside].mean(axis=(1, 2))
    assert light.std() < 0.2 * NOISE
    assert np.abs(np.diff(light)).max() < 0.6 * NOISE


@pytest.mark.parametrize("cover", [0.15, 0.4])
def test_what_appears_keeps_its_light(cover):
    # TRUTH  a prominence over 15 and 40 % of the limb that is there in a third of the strips only, while the
    # sky wanders: full light within 3 % where it is, nothing where it is not.
    rng = np.random.default_rng(6)
    strips, there = [], np.arange(18) >= 12
    for i in range(18):
        sky = 5.0 * NOISE * rng.uniform(-1, 1) + 5.0 * NOISE * rng.uniform(-1, 1) * U
        strips.append(noisy(halo() + prominences(cover) * there[i] + sky, seed=i))
    put_in = prominences(cover)
    rows, inside = (HEIGHT[:, 0] > 12.0) & (HEIGHT[:, 0] < 60.0), put_in[-1] > 0
    light = left_of(strips)[:, rows][:, :, inside].mean(axis=(1, 2))
    wanted = put_in[rows][:, inside].mean()
    assert np.abs(light[there] - wanted).max() < 0.03 * wanted
    assert np.abs(light[~there]).max() < 0.5 * NOISE


def test_missing_corners_do_not_matter():
    # TRUTH  a halo, of which nothing is to be left above a fifth of the noise
    strip = noisy(halo(0.1))
    strip[80:, :300] = np.nan
    strip[:, -40:] = np.nan
    strip[170:] = np.nan
    left = left_of([strip])[0]
    assert np.isfinite(left[np.isfinite(strip)]).all()
    assert np.abs(np.nanmean(left[30:170], axis=1)).mean() < 0.2 * NOISE


def test_nothing_in_view_is_nan():
    assert np.isnan(left_of([np.full((180, 900), np.nan, np.float32)])).all()


@pytest.mark.parametrize("mm_per_row", [0.27, 0.74, 0.85])
def test_bins_do_not_hang_on_rounding(mm_per_row):
    # TRUTH  a scale that differs by 1e-13 of itself, as rounding makes it, with the limb on a row as always.
    bins = [
        plan_blocks(
            replace(GEOMETRY, low_mm=-20 * mm_per_row * part, mm_per_row=mm_per_row * part)
        ).bins.tolist()
        for part in (1.0 - 1e-13, 1.0, 1.0 + 1e-13)
    ]
    assert bins[0] == bins[1] == bins[2]
