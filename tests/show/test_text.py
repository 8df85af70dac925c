"""Widths of text are the same from every thread."""

from concurrent.futures import ThreadPoolExecutor

from promtrack.show.canvas import text_width


def test_threads_do_not_disturb_each_other():
    # TWIN  the same widths, taken one after the other.
    words = [f"Erupting prominence {k}" for k in range(1500)]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda w: text_width.__wrapped__(w, 40), words))
    assert together == [text_width.__wrapped__(w, 40) for w in words]
