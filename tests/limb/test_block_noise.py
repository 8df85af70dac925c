"""Noise of limb blocks: the air's part and the plasma's, injected and found again."""

import numpy as np
import pytest

from promtrack.limb.observations import BlockNoise
from promtrack.limb.solve import fit_block_noise

PLACES_PX = 48.0 * np.arange(20)


def made(noise: BlockNoise, err_px: np.ndarray, seed: int, frames: int = 60) -> np.ndarray:
    """Residuals of an arc's blocks: the air anew in every frame, the plasma with a memory of some twenty."""
    rng = np.random.default_rng(seed)
    angle = PLACES_PX / 1500.0 - 0.3
    air = np.linalg.cholesky(noise.shared_px**2 * noise.likeness(PLACES_PX) + 1e-9 * np.eye(len(PLACES_PX)))
    plasma = noise.covariance(PLACES_PX, err_px) - noise.shared_px**2 * noise.likeness(PLACES_PX)
    plasma = np.linalg.cholesky(plasma)
    table = np.zeros((frames, len(PLACES_PX), 5))
    slow = rng.normal(size=len(PLACES_PX))
    for row in table:
        slow = 0.95 * slow + np.sqrt(1 - 0.95**2) * rng.normal(size=len(PLACES_PX))
        row[:, 0] = air @ rng.normal(size=len(PLACES_PX)) + plasma @ slow
        row[:, 1], row[:, 2], row[:, 3], row[:, 4] = PLACES_PX, err_px, -np.cos(angle), np.sin(angle)
    return table


def pulls_of_the_mean(truth: BlockNoise, err_px: np.ndarray, seeds: range) -> np.ndarray:
    """Mean shift of each frame, weighted by the covariance found, over its stated error."""
    pulls = []
    for seed in seeds:
        table = made(truth, err_px, seed)
        noise = fit_block_noise(table, swaying=True)
        weight = np.linalg.solve(noise.covariance(PLACES_PX, err_px), np.ones(len(PLACES_PX)))
        pulls.append(table[:, :, 0] @ weight / np.sqrt(weight.sum()))
    return np.concatenate(pulls)


def test_air_and_plasma_are_told_apart():
    # TRUTH  injected. Five seeds: the air's 0.7 px comes out as 0.64 to 0.76, its 150 px as 95 to 240, the
    # factor 3 as 2.4 to 3.5: 24 frames of 20 blocks know a logarithm to 0.1, 0.3 and 0.15.
    truth = BlockNoise(shared_px=0.7, length_px=150.0, plasma_px=0.3, own=3.0)
    err = np.where(np.arange(20) % 4 == 0, 0.05, 0.4)
    found = [fit_block_noise(made(truth, err, seed), swaying=True) for seed in range(5)]
    assert np.mean([n.shared_px for n in found]) == pytest.approx(0.7, rel=0.15)
    assert np.exp(np.mean([np.log(n.length_px) for n in found])) == pytest.approx(150.0, rel=0.5)
    assert np.mean([n.own for n in found]) == pytest.approx(3.0, rel=0.25)


def test_the_stated_error_of_the_common_shift_holds():
    # TRUTH  the mean shift along the limb of each frame, weighted by the covariance found, against the
    # injected zero: pulls of 60 correlated frames in five seeds, 0.8 to 1.25 of the stated error.
    truth = BlockNoise(shared_px=0.6, length_px=120.0, plasma_px=0.2, own=4.0)
    err = np.where(np.arange(20) % 3 == 0, 0.05, 0.5)
    pulls = pulls_of_the_mean(truth, err, range(10, 15))
    assert 0.8 < np.std(pulls) < 1.25


def test_plasma_that_covers_several_blocks_makes_the_common_shift_less_sure():
    # TRUTH  a prominence over five blocks that sways by 1.2 px takes them along together: pulls of the mean
    # shift of 60 correlated frames in eight seeds. Taken as each block by itself they are 2.1.
    truth = BlockNoise(shared_px=0.2, length_px=120.0, plasma_px=1.2, plasma_length_px=250.0, own=1.0)
    err = np.full(20, 0.1)
    pulls = pulls_of_the_mean(truth, err, range(20, 28))
    assert 0.7 < np.std(pulls) < 1.3


def test_few_blocks_keep_the_usual_noise():
    # TRUTH  two blocks say nothing: what was usual stays
    usual = BlockNoise()
    found = fit_block_noise(np.full((3, 2, 5), np.nan), swaying=True)
    assert found.shared_px == pytest.approx(usual.shared_px, rel=0.1)
    assert found.own == pytest.approx(usual.own, rel=0.1)
