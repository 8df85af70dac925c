"""Drift calibration: west, scale and, where the recording can tell, north."""

import re

import numpy as np
import pytest

from promtrack.errors import InputError
from promtrack.settings import CameraSettings, LimbSettings
from promtrack.sun import ARCSEC_PER_RAD, check_against_limb, fit_drift, measure_scale, solar_view

TIME = np.datetime64("2024-05-11T09:00", "us")
VIEW = solar_view(TIME)
SCALE = 1.3
# TWIN  The Sun on 2024-05-11, 9 h: declination +17.96 deg by the short series of Meeus 1998, ch. 25 (0.01
# deg). One mean solar day is 86 400 s, so the rate is 15.0 arcsec/s times cos(dec), within the 0.03 % by
# which apparent days differ (equation of time).
RATE = 15.0 * np.cos(np.radians(17.96))


def drift(
    north_deg,
    mirrored,
    *,
    seconds=60.0,
    step_s=0.5,
    noise_px=0.2,
    nudge_px=0.0,
    nudge="north",
    nudge_s=4.0,
    seed=1,
    scale=SCALE,
    dec_deg=0.0,
):
    """Positions of a Sun that drifts west; `dec_deg` bends the path as a small circle; the nudge moves it
    from 30 s on."""
    t = np.arange(0.0, seconds, step_s)
    west = np.radians(north_deg + (90.0 if mirrored else -90.0))
    s = RATE * (t - t.mean()) / scale
    bend = s**2 / 2.0 * np.tan(np.radians(dec_deg)) * scale / ARCSEC_PER_RAD  # towards the pole, px
    away = np.clip((t - 30.0) / nudge_s, 0.0, 1.0) * nudge_px * (-1.0 if nudge == "north" else 1.0)
    north = np.radians(north_deg)
    x = 700.0 - s * np.sin(west) - (bend + away) * np.sin(north)
    y = 400.0 - s * np.cos(west) - (bend + away) * np.cos(north)
    rng = np.random.default_rng(seed)
    return t, x + rng.normal(0.0, noise_px, len(t)), y + rng.normal(0.0, noise_px, len(t))


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("north", [12.0, -133.0])
def test_straight_drift_gives_west_and_scale_but_not_the_mirroring(north, mirrored):
    # TRUTH  injected north, mirroring and scale; 4 sigma and the 0.03 % of the rate.
    found = fit_drift(*drift(north, mirrored), VIEW)
    west = north + (90.0 if mirrored else -90.0)
    assert abs((found.west_deg - west + 180.0) % 360.0 - 180.0) < 4.0 * found.west_err_deg
    assert found.west_err_deg < 0.06
    assert abs(found.arcsec_per_px - SCALE) < 4.0 * found.arcsec_per_px_err + 0.0004
    assert found.arcsec_per_px_err < 0.003
    assert found.mirrored is None
    assert np.isnan(found.north_deg)
    plain, turned = map(float, re.findall(r"at (-?[0-9.]+) deg if", found.sentence))
    assert abs(((turned if mirrored else plain) - north + 180.0) % 360.0 - 180.0) < 0.3
    assert "cannot tell" in found.sentence


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("nudge", ["north", "south"])
def test_a_nudge_tells_the_mirroring(nudge, mirrored):
    # TRUTH  a telescope pushed north sees the Sun move south.
    found = fit_drift(*drift(20.0, mirrored, nudge_px=60.0, nudge=nudge), VIEW, nudge=nudge)
    assert found.mirrored is mirrored
    assert found.north_deg == pytest.approx(20.0, abs=0.3)
    assert found.arcsec_per_px == pytest.approx(SCALE, rel=0.003)
    assert f"camera.mirrored = {str(mirrored).lower()}" in found.sentence


def test_errors_are_honest():
    # TRUTH  200 drifts, noisy enough that the refraction part of the error (0.03 deg) hardly counts. Band: 4
    # standard errors, 4 / sqrt(2 * 200).
    pulls = []
    for seed in range(200):
        found = fit_drift(*drift(12.0, False, noise_px=5.0, seed=seed), VIEW)
        pulls.append((found.west_deg + 78.0) / found.west_err_deg)
    assert np.std(pulls) == pytest.approx(1.0, abs=0.2)
    assert abs(np.mean(pulls)) < 0.3


def test_wrong_points_and_missing_frames_do_not_matter():
    # TRUTH  a drift at 12 deg with two wrong points and two missing ones
    t, x, y = drift(12.0, False)
    x[10], y[40] = x[10] + 300.0, y[40] - 50.0
    x[[3, 77]] = np.nan
    found = fit_drift(t, x, y, VIEW)
    assert found.west_deg == pytest.approx(-78.0, abs=0.2)
    assert found.points == len(t) - 4


def test_bad_drifts_are_refused():
    t, x, y = drift(12.0, False)
    with pytest.raises(InputError, match="moved only"):
        fit_drift(t, np.full_like(x, 5.0), np.full_like(y, 7.0), VIEW)
    with pytest.raises(InputError, match="found in 5 frames"):
        fit_drift(t[:5], x[:5], y[:5], VIEW)
    with pytest.raises(InputError, match="no nudge"):
        fit_drift(t, x, y, VIEW, nudge="north")
    with pytest.raises(InputError, match="do not increase"):
        fit_drift(np.zeros_like(t), x, y, VIEW)


def test_a_nudge_that_takes_too_long_is_refused():
    # TRUTH  the Sun goes aside for 0.4 of the recording: west came out wrong by more than 10 of its errors
    with pytest.raises(InputError, match="no nudge across the drift is seen"):
        fit_drift(*drift(20.0, False, nudge_px=60.0, nudge_s=24.0), VIEW, nudge="north")


@pytest.mark.parametrize("seed", range(4))
def test_a_nudge_with_frames_on_one_side_only_is_refused_in_words(seed):
    # TRUTH  the push lasts to the end: what is not cut off lies before it
    rng, i = np.random.default_rng(seed), np.arange(20)
    x, y = -2.5 * i + rng.normal(0, 0.3, 20), np.clip((i - 16) / 4.0, 0, 1) * 30 + rng.normal(0, 0.3, 20)
    y[rng.integers(20)] += 200.0
    with pytest.raises(InputError, match="on one side of the nudge"):
        fit_drift(0.5 * i, x, y, VIEW, nudge="north")


def by_limb(arcsec_per_px, part_err=0.004):
    """The scale that a limb of that radius gives."""
    radius = (
        measure_scale(1000.0, 0.0, VIEW, camera=CameraSettings(), limb=LimbSettings()).arcsec_per_px
        * 1000.0
        / arcsec_per_px
    )
    return measure_scale(radius, part_err * radius, VIEW, camera=CameraSettings(), limb=LimbSettings())


def test_a_drift_that_the_limb_confirms():
    # TRUTH  both 1.3 arcsec a pixel
    sentence, agrees = check_against_limb(fit_drift(*drift(12.0, False), VIEW), by_limb(SCALE))
    assert agrees
    assert sentence.startswith("The drift and the limb agree: ")


def test_a_drift_four_per_cent_off_the_limb_is_said():
    # TRUTH  a drive that runs at 4 % of its rate: the Sun is 4 % slow, a pixel seems 4 % too large; the limb
    # knows it to 0.4 %
    t, x, y = drift(12.0, False)
    sentence, agrees = check_against_limb(fit_drift(t * 1.04, x, y, VIEW), by_limb(SCALE))
    assert not agrees
    assert re.search(r"[+](3[.][89]|4[.][012]) %", sentence)  # within the 0.2 % of the drift itself
    assert "do not use this scale" in sentence


@pytest.mark.parametrize("slower", [2.0, 350.0, 0.5])
def test_a_tracked_recording_is_no_drift(slower):
    # TRUTH  the Sun creeps over the frame by bad tracking, or the times are stretched
    t, x, y = drift(12.0, False)
    with pytest.raises(InputError, match=f"{1 / slower:.3g} times the rate of the sky"):
        check_against_limb(fit_drift(t * slower, x, y, VIEW), by_limb(SCALE))
