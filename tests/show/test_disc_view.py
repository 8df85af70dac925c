"""The view of a whole disc: everything measured is shown or counted, each inset where it says."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.errors import SettingsError
from promtrack.motion.records import Prominence
from promtrack.show.disc_view import ARC_MM, disc_tone, disc_view, insets_of, title_room
from promtrack.show.layout import Rect
from promtrack.show.view import affine_to_frame
from tests.show.clip_case import quick_run


def prominence(number, angle_deg, height_mm, half_deg=2.0):
    flat = np.zeros(3)
    return Prominence(
        number,
        angle_deg - half_deg,
        angle_deg + half_deg,
        angle_deg,
        flat,
        flat.astype(int),
        flat + height_mm,
        flat + 1.0,
        flat,
        flat,
        flat,
        flat,
        False,
    )


def whole_disc(angles_deg, height_mm=50.0):
    """The hand-made run as if it showed a whole disc with prominences at these angles and nothing moving."""
    run = quick_run()
    lock = replace(run.lock, from_deg=0.0, to_deg=360.0)
    found = tuple(prominence(i + 1, a, height_mm) for i, a in enumerate(angles_deg))
    return replace(
        run, lock=lock, motion=replace(run.motion, knots=(), fronts=(), ridges=(), prominences=found)
    )


def test_a_part_of_a_disc_is_refused():
    run = quick_run()
    with pytest.raises(SettingsError, match="not a whole disc"):
        disc_view(run)


@pytest.mark.parametrize("count", [1, 2, 4, 7])
def test_no_prominence_is_dropped_silently(count):
    # TRUTH  prominences put in at known angles: each lies in an inset, or is counted as not shown.
    angles = [10.0 + 360.0 * i / count for i in range(count)]
    run = whole_disc(angles)
    insets, not_shown = insets_of(run, disc_view(run))
    held = [any(inset.holds(angle) for inset in insets) for angle in angles]
    assert sum(held) + not_shown == count
    assert not_shown == max(count - 4, 0)
    for place, inset in enumerate(insets):
        assert not any(inset.rect.overlaps(other.rect) for other in insets[place + 1 :])
        assert inset.rect.left >= 1080
        assert inset.rect.right <= 1920
        assert inset.rect.bottom <= 1080


def test_the_title_stands_beside_a_clean_disc_that_touches_no_border():
    # TRUTH  disc and arcs about it lie inside the left square; the title's room begins right of it, and
    # nothing else is drawn there.
    run = whole_disc([102.0], height_mm=80.0)
    disc = disc_view(run)
    x, y = disc.to_picture(np.arange(0.0, 360.0, 5.0), max(ARC_MM, 80.0))
    assert min(x.min(), y.min()) >= 10.0
    assert max(x.max(), y.max()) <= disc.height - 10.0
    room = title_room(disc, Rect(67, 54, 1786, 950))
    assert (room.left, room.right) == (disc.height + 12, 1853)
    insets, _ = insets_of(run, disc)
    tone = np.full((disc.height, disc.width), 90, np.uint8)
    shown = disc_tone(tone, np.zeros((4, 4)), insets, None, run.lock, 0, title=True)
    assert (shown[:, disc.height :] == 0).all()
    assert (shown[:, : disc.height] == 90).all()


def test_insets_show_their_prominence_whole_and_at_its_place():
    # TRUTH  the foot and the top of a prominence, by the view's own geometry, lie inside its inset; and a
    # pixel of the inset leads to that place on the frame (the lock's circle) within 0.01 px.
    run = whole_disc([40.0, 200.0], height_mm=90.0)
    disc = disc_view(run)
    insets, _ = insets_of(run, disc)
    lock = run.lock
    for inset, angle in zip(insets, (40.0, 200.0), strict=True):
        image = float(run.orientation.to_image(angle))
        for height in (0.0, 90.0):
            x, y = (float(v) for v in inset.view.to_picture(image, height))
            assert inset.rect.left < x < inset.rect.right
            assert inset.rect.top < y < inset.rect.bottom
            matrix = affine_to_frame(inset.own_view, lock, lock.reference)
            px, py = matrix @ np.array([x - inset.rect.left, y - inset.rect.top, 1.0])
            away = np.hypot(px - lock.centre_x_px[lock.reference], py - lock.centre_y_px[lock.reference])
            rho = lock.radius_px + height * 1e3 / run.scale.km_per_px
            assert away == pytest.approx(rho, abs=0.01 + 2e-3 * rho)  # a flattened limb is within 0.2 %
    # the whole disc lies in the left square
    for angle in np.arange(0.0, 360.0, 15.0):
        x, y = disc.to_picture(angle, 0.0)
        assert 0.0 < x < 1080.0
        assert 0.0 < y < 1080.0
