"""The scene shows what a solar observer knows to be there, and the air and the camera do as they are told."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.errors import SettingsError
from promtrack.scene import (
    CloudBank,
    Eruption,
    Hedgerow,
    Jump,
    SceneSpec,
    make_scene,
)
from promtrack.scene import camera as cam
from promtrack.settings import SiteSettings
from tests.scene import onset

CALM = SceneSpec(
    image_motion_arcsec=0.0, distortion_arcsec=0.0, seeing_variation=0.0, transparency=0.0, frames=4
)


def ring(scene, index, low_mm, high_mm, span_deg=8.0):
    """Pixels of a frame between two heights near the middle of the limb."""
    angle, height = np.meshgrid(
        np.linspace(-span_deg, span_deg, 200) + scene.spec.facing_deg, np.linspace(low_mm, high_mm, 60)
    )
    x, y = scene.truth.to_frame(index, angle, height)
    rows, columns = scene.spec.shape
    inside = (x > 0) & (y > 0) & (x < columns - 1) & (y < rows - 1)
    return scene.frame(index)[np.rint(y[inside]).astype(int), np.rint(x[inside]).astype(int)].astype(float)


def test_disc_is_darker_at_its_edge():
    # TRUTH  common practice, no source: limb darkening
    scene = make_scene(replace(CALM, side="whole", arcsec_per_px=5.0, frames=1))
    assert ring(scene, 0, -30.0, -8.0).mean() < 0.75 * ring(scene, 0, -690.0, -600.0).mean()


@pytest.mark.parametrize(
    ("exposure", "burnt", "faint"), [("normal", False, True), ("both", False, False), ("burnt", True, False)]
)
def test_exposures(exposure, burnt, faint):
    # TRUTH  common practice, no source: the exposure that shows prominences well burns the disc out; with a
    # normal one they are faint; one well-placed exposure holds both
    scene = make_scene(replace(CALM, exposure=exposure, frames=1))
    disc = ring(scene, 0, -60.0, -5.0) / 65535
    prominence = np.percentile(ring(scene, 0, 6.0, 30.0, span_deg=2.0) / 65535, 98)
    assert (disc.mean() > 0.99) == burnt
    assert (disc == 1.0).mean() < 0.001 or burnt
    assert (prominence < 0.1) == faint
    assert prominence > 0.03
    assert prominence < 0.25 * disc.mean() or burnt


def test_a_prominence_looks_different_within_an_hour_and_the_same_within_a_minute():
    # TRUTH  common practice, no source. Correlation of the pictures of the prominence, off the limb
    scene = make_scene(replace(CALM, times_s=(0.0, 60.0, 3600.0), hedgerows=(Hedgerow(width_mm=90.0),)))
    first, soon, late = (ring(scene, i, 5.0, 35.0, span_deg=3.5) for i in range(3))
    assert np.corrcoef(first, soon)[0, 1] > 0.98
    assert np.corrcoef(first, late)[0, 1] < 0.85


def test_fringe_boils():
    # TRUTH  the fringe's picture changes within boil_s, its mean brightness hardly
    scene = make_scene(replace(CALM, hedgerows=(), times_s=(0.0, 20.0, 900.0), seeing_arcsec=1.0))
    first, soon, late = (ring(scene, i, 2.0, 5.0) for i in range(3))
    detail = [
        picture.reshape(60, 200) - picture.reshape(60, 200).mean(axis=1, keepdims=True)
        for picture in (first, soon, late)
    ]
    assert np.corrcoef(detail[0].ravel(), detail[1].ravel())[0, 1] > 0.9
    assert np.corrcoef(detail[0].ravel(), detail[2].ravel())[0, 1] < 0.8
    assert late.mean() == pytest.approx(first.mean(), rel=0.2)


def test_texture_has_its_contrast():
    # TRUTH  rms contrast well inside the disc; seeing takes off what is finer than itself
    scene = make_scene(
        replace(
            CALM,
            side="whole",
            arcsec_per_px=4.0,
            shape=(500, 500),
            limb_darkening=0.0,
            seeing_arcsec=1.0,
            frames=1,
            hedgerows=(),
            texture=0.08,
        )
    )
    middle = scene.frame(0)[150:350, 150:350].astype(float)
    assert middle.std() / middle.mean() == pytest.approx(0.08, rel=0.3)


def test_scale_comes_from_the_date():
    # TWIN  sunpy 7.0.5 semidiameters of a Sun of 695 700 km: 975.495" at perihelion 2025-01-04 12 UT,
    # 943.527" at aphelion 2025-07-03 18 UT; the limb of 700.05 Mm is larger in proportion, to 0.001".
    # Tolerance: the last digit.
    for date, semidiameter in (("2025-01-04T12:00:00", 975.495), ("2025-07-03T18:00:00", 943.527)):
        spec = replace(CALM, first_utc=date)
        assert spec.limb_arcsec * 695.7 / 700.05 == pytest.approx(semidiameter, abs=0.002)
        assert make_scene(spec).truth.mm_per_px == pytest.approx(700.05 / spec.limb_arcsec, rel=1e-12)


def test_the_arc_asked_for_is_shown():
    # TRUTH  angle between the two ends of the limb in the frame, seen from the centre
    spec = replace(CALM, limb_arc_deg=35.0, frames=1)
    truth = make_scene(spec).truth
    angle = np.linspace(-40, 40, 8001)
    x, _ = truth.to_frame(0, angle, 0.0)
    shown = angle[(x > -0.5) & (x < spec.shape[1] - 0.5)]
    assert np.ptp(shown) == pytest.approx(35.0, abs=0.1)


def test_with_the_drive_off_the_sun_drifts_west():
    # TRUTH  the sky turns by 15.041"/s of sidereal time (Capitaine et al. 2003); the Sun moves east by
    # about 2.5" a minute. At declination d the drift is 15.0 cos d arcsec/s: 14.15 to 14.2 on 2026-05-17 (d =
    # 19.3 deg, 0.944). North up, not mirrored, east is to the left, so west is to the right.
    spec = replace(CALM, drive_on=False, times_s=(0.0, 10.0, 20.0))
    truth = make_scene(spec).truth
    assert np.diff(truth.centre_x_px) * truth.arcsec_per_px / 10.0 == pytest.approx(15.0 * 0.944, rel=0.002)
    assert truth.centre_y_px == pytest.approx(truth.centre_y_px[0])
    assert np.diff(make_scene(replace(spec, mirrored=True)).truth.centre_x_px) == pytest.approx(
        -np.diff(truth.centre_x_px)
    )


def test_site_gives_flattening_and_zenith():
    # TWIN  vertical / horizontal 0.99203 at true altitude 10 deg and 0.99789 at 20 deg (Saemundsson in
    # Meeus 1998, ch. 16): between those two, the flattening lies between 0.0021 and 0.0080
    spec = replace(
        CALM,
        site=SiteSettings(latitude_deg=47.0, longitude_deg=9.0),
        first_utc="2026-05-17T05:10:00",
        north_deg=30.0,
    )
    truth = make_scene(spec).truth
    assert (truth.flattening > 0.0021).all()
    assert (truth.flattening < 0.0080).all()
    assert np.diff(truth.flattening).max() < 0  # the Sun rises
    # in the morning on the northern hemisphere the zenith lies west of north at the Sun: clockwise of
    # celestial north
    assert ((truth.zenith_deg - 30.0 + 180.0) % 360.0 - 180.0 < -20.0).all() or (
        (truth.zenith_deg - 30.0) % 360 > 20
    ).all()


def test_noise_is_that_of_the_photons_and_the_reading():
    # TRUTH  scatter between two frames of one place with the same light; 4 standard errors of 90 000 pixels
    spec = replace(CALM, hedgerows=(), scattered=0.0, sky=0.2, times_s=(0.0, 1.0), texture_s=0.0, boil_s=0.0)
    scene = make_scene(spec)
    box = [scene.frame(i)[:150, :600].astype(float) / 65535 for i in range(2)]
    measured = (box[1] - box[0]).std() / np.sqrt(2)
    assert measured == pytest.approx(float(cam.noise_of(spec, 0.88 * 0.2)), rel=4 / np.sqrt(2 * 90_000))


def test_same_spec_same_frames_in_any_order():
    spec = replace(SceneSpec(), frames=5, thin_cloud=0.2, distortion_s=40.0, motes=2, hot_pixels=5)
    one, other = make_scene(spec), make_scene(spec)
    assert np.array_equal(one.frame(3), other.frame(3))
    first = one.frame(0)
    one.frame(4)
    assert np.array_equal(one.frame(0), first)
    assert not np.array_equal(make_scene(replace(spec, seed=2)).frame(0), first)
    sequence = one.sequence()
    assert np.array_equal(sequence.frame(3), other.frame(3))
    assert sequence.times_utc[1] - sequence.times_utc[0] == np.timedelta64(30, "s")


def test_spoiled_frames_are_spoiled_and_named():
    # TRUTH  what the spec asks for
    spec = replace(
        CALM,
        frames=12,
        lost_frames=(2,),
        cloud_frames=((3, 0.2),),
        aircraft_frames=(4,),
        blurred_frames=((5, 12.0),),
        jumps=(Jump(6, 30.0, 10.0),),
        gain_changes=((8, 0.5),),
    )
    scene = make_scene(spec)
    assert scene.truth.spoiled == ((2, "no Sun"), (3, "cloud"), (4, "aircraft"), (5, "blur"), (6, "jump"))
    assert np.flatnonzero(scene.truth.good).tolist() == [0, 1, 7, 8, 9, 10, 11]
    bright = [np.percentile(scene.frame(i), 95) for i in range(12)]
    assert bright[2] < 0.02 * bright[0]
    assert bright[3] == pytest.approx(0.2 * bright[0], rel=0.2)
    assert bright[8] == pytest.approx(0.5 * bright[7], rel=0.02)
    steep = [np.abs(np.diff(scene.frame(i).astype(float), axis=0)).max() for i in range(12)]
    assert steep[5] < 0.5 * steep[0]
    assert scene.truth.centre_x_px[7] - scene.truth.centre_x_px[5] == pytest.approx(30.0)
    dark = scene.frame(4) < 0.3 * scene.frame(0)
    assert 300 < dark.sum() < 0.1 * dark.size


def test_front_heights_and_onset():
    # TRUTH  linear plus exponential, differentiated by hand: c0 = 0.5 Mm, tau = 1200 s, c1 = 2.1 km/s put the
    # onset at
    # 1940.887 s, where the speed is twice the linear one
    eruption = Eruption(height_mm=60.0, speed_km_s=2.1, growth_mm=0.5, growth_s=1200.0)
    assert onset(eruption) == pytest.approx(1940.887, abs=1e-3)
    spec = replace(CALM, eruptions=(eruption,), times_s=(0.0, 1940.887, 4000.0))
    front = make_scene(spec).truth.fronts[0]
    assert front.speed_km_s[1] == pytest.approx(4.2, abs=1e-3)
    assert front.height_mm[2] == pytest.approx(60.0 + 2.1e-3 * 4000.0 + 0.5 * np.expm1(4000.0 / 1200.0))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"side": "under"}, "side 'under'"),
        ({"exposure": "dark"}, "exposure 'dark'"),
        ({"bits": 12}, "bits = 12"),
        ({"times_s": (0.0, 5.0, 4.0)}, "times do not increase"),
        ({"frames": 0}, "0 frames"),
        ({"mount": "altazimuth"}, "needs a site"),
    ],
)
def test_nonsense_is_refused(change, words):
    with pytest.raises(SettingsError, match=words):
        replace(CALM, **change)


def test_irregular_times_and_gaps():
    # TRUTH  what the spec asks for: a gap of 300 s, 1 s of scatter
    spec = replace(CALM, frames=30, cadence_s=10.0, time_jitter_s=1.0, gaps=((12, 300.0),))
    steps = np.diff(spec.time_s)
    assert steps[11] > 290.0
    assert 0.5 < np.delete(steps, 11).std() < 3.0
    assert (spec.times_utc[12] - spec.times_utc[11]) / np.timedelta64(1, "s") == pytest.approx(
        steps[11], abs=1e-5
    )


def frames_of(spec):
    scene = make_scene(spec)
    return np.array([scene.frame(i) for i in range(len(scene))], float)


def test_exposures_alternate_and_say_so():
    # TRUTH  factors of 1 and 4: the sky's counts follow, the sequence gives each frame's exposure.
    spec = replace(CALM, frames=4, exposure_cycle=(1.0, 4.0), exposure=0.2, exposure_s=0.01)
    assert make_scene(spec).sequence().exposures_s == pytest.approx([0.01, 0.04, 0.01, 0.04])
    level = np.median(frames_of(spec)[:, -60:], axis=(1, 2))
    assert level[[1, 3]] / level[[0, 2]] == pytest.approx([4.0, 4.0], rel=0.02)


def test_a_bank_of_cloud_has_an_edge():
    # TRUTH  40 % of the light goes behind an edge that reaches the middle of the frame at 60 s.
    bank = CloudBank(from_s=60.0, px_s=4.0, towards_deg=-90.0, depth=0.4, edge_px=10.0)  # to the right
    spec = replace(CALM, cloud_banks=(bank,), times_s=(0.0, 60.0, 1000.0), texture=0.0, scattered=0.0)
    clear = frames_of(replace(spec, cloud_banks=()))
    ratio = np.median((frames_of(spec) / np.maximum(clear, 1.0))[:, -60:], axis=1)
    columns = ratio.shape[1]
    assert ratio[1, : columns // 2 - 40] == pytest.approx(0.6, abs=0.05)
    assert ratio[1, columns // 2 + 40 :] == pytest.approx(1.0, abs=0.05)
    assert ratio[2] == pytest.approx(0.6, abs=0.05)
