"""Our PNG files as two other readers see them."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from promtrack.show.png import png_bytes


@pytest.mark.parametrize("shape", [(1, 1), (7, 300), (300, 7)])
def test_pixels_resolution_and_texts_come_back(shape):
    # TWIN  OpenCV (libpng) and Pillow
    pixels = np.random.default_rng(1).integers(0, 256, (*shape, 3), dtype=np.uint8)
    data = png_bytes(pixels, 200, {"Title": "Heights", "Software": "promtrack"})
    assert (cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)[..., ::-1] == pixels).all()
    with Image.open(io.BytesIO(data)) as picture:
        assert (np.asarray(picture) == pixels).all()
        assert picture.mode == "RGB"
        assert picture.info["dpi"] == pytest.approx((200, 200), abs=0.02)  # stored as whole pixels a metre
        assert picture.text == {"Title": "Heights", "Software": "promtrack"}


def test_wrong_pixels_are_refused():
    for pixels in (np.zeros((4, 4), np.uint8), np.zeros((4, 4, 4), np.uint8), np.zeros((4, 4, 3))):
        with pytest.raises(ValueError, match="pixels must be uint8 of shape"):
            png_bytes(pixels, 200, {})
