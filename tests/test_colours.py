"""The colours that are looked in: half or a quarter of a large photo's scale, and where their cells lie in the photo.

Checked against the whole picture as OpenCV decodes it and as area averages make it smaller.
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image as Pillow

from placecheck.colours import Colours, colours_of, shrink_for
from placecheck.errors import UnusableFile
from placecheck.measuring import measure_photo
from placecheck.photo import Photo, load_photo
from placecheck.request import CheckRequest
from placecheck.units import parse_circumference_mm, parse_closure
from placecheck.vision import resize

PHOTOS = Path(__file__).parent.parent / "fixtures" / "photos"
DEMO = CheckRequest(parse_closure("4x4"), parse_circumference_mm("23in"))


def enlarged(width: int = 4032, height: int = 3024) -> np.ndarray:
    """The demo photo as a phone of more pixels would have it, BGR."""
    image = cv2.imread(str(PHOTOS / "demo.jpg"), cv2.IMREAD_COLOR)
    return cv2.resize(image, (width, height), interpolation=cv2.INTER_CUBIC)


def saved(image: np.ndarray, kind: str = "JPEG", orientation: int = 1, **options: object) -> bytes:
    exif = Pillow.Exif()
    exif[274] = orientation
    exif.get_ifd(0x8769)[0xA405] = 27
    out = io.BytesIO()
    pixels = image[..., ::-1] if image.ndim == 3 else image
    Pillow.fromarray(np.ascontiguousarray(pixels)).save(out, kind, exif=exif, **options)
    return out.getvalue()


@pytest.mark.parametrize(
    ("size", "shrink"),
    [
        ((1600, 1200), 1),
        ((2016, 1512), 1),
        ((3264, 2448), 1),  # its half would be smaller than what every figure was measured on
        ((4000, 3000), 2),
        ((3024, 4032), 2),
        ((4031, 3023), 1),  # turned or mirrored, its half would lie a pixel beside itself
        ((8064, 6048), 4),
        ((8066, 6046), 2),
        ((8160, 6120), 4),
    ],
)
def test_a_large_photo_is_looked_at_in_a_half_or_a_quarter(size: tuple[int, int], shrink: int) -> None:
    assert shrink_for(*size) == shrink


@given(st.sampled_from([1, 2, 4]), st.integers(0, 500), st.integers(0, 500))
def test_a_cell_lies_in_the_middle_of_the_pixels_it_was_made_of(shrink: int, column: int, row: int) -> None:
    colours = Colours(np.zeros((501, 501, 3), np.uint8), shrink)
    covered = np.stack(np.meshgrid(*(shrink * at + np.arange(shrink) for at in (column, row))), -1).reshape(-1, 2)
    middle = colours.photo_px(np.array([column, row], float))
    assert middle == pytest.approx(covered.mean(0))
    assert colours.own_px(middle) == pytest.approx([column, row])
    assert (covered < np.array(colours.photo_shape)[::-1]).all()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_halved_colours_are_means_of_the_whole_picture_whichever_way_it_is_stored(orientation: int) -> None:
    """As OpenCV decodes all of it: libjpeg's halves and area averages differ by a level, not by a place."""
    photo = load_photo(saved(enlarged(), orientation=orientation, quality=92))
    assert photo.colours.shrink == 2
    assert photo.colours.photo_shape == photo.gray.shape == (photo.height, photo.width) == photo.image.shape[:2]
    means = resize(photo.image, photo.width // 2, photo.height // 2)
    there, *beside = (
        np.abs(photo.colours.pixels.astype(int) - np.roll(means, by, axis)).mean()
        for by, axis in ((0, 0), (1, 0), (-1, 0), (1, 1), (-1, 1))
    )
    assert there < 0.5
    assert 3 * there < min(beside)
    assert np.abs(photo.gray.astype(int) - cv2.cvtColor(photo.image, cv2.COLOR_BGR2GRAY)).mean() < 0.1


@pytest.mark.parametrize("kind", ["PNG", "progressive", "grey", "CMYK"])
def test_other_kinds_of_files_have_the_same_halved_colours(kind: str) -> None:
    image = enlarged()
    if kind == "PNG":
        data = saved(image, "PNG", compress_level=1)
    elif kind == "progressive":
        data = saved(image, progressive=True, quality=95)
    elif kind == "grey":
        image = np.repeat(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)[..., None], 3, axis=2)
        data = saved(image[..., 0], quality=95)
    else:
        out = io.BytesIO()
        Pillow.fromarray(np.ascontiguousarray(image[..., ::-1])).convert("CMYK").save(out, "JPEG", quality=95)
        data = out.getvalue()
    photo, expected = load_photo(data), colours_of(image)
    assert photo.colours.shrink == expected.shrink == 2
    assert np.abs(photo.colours.pixels.astype(int) - expected.pixels).mean() < 1.5
    assert photo.image.shape == image.shape
    with pytest.raises(ValueError, match="read-only"):
        photo.colours.pixels[0, 0] = 0


def test_a_damaged_large_photo_is_refused_when_it_is_opened() -> None:
    data = bytearray(saved(enlarged(), quality=92))
    data[len(data) // 2 : len(data) // 2 + 4096] = bytes(4096)
    with pytest.raises(UnusableFile) as refused:
        load_photo(bytes(data))
    assert refused.value.problem.code == "not-an-image"


def with_whole_colours(photo: Photo) -> Photo:
    return replace(photo, colours=Colours(photo.image))


def test_halved_colours_give_the_measures_of_whole_ones() -> None:
    """12 MP, every measure within a fifth of its U95."""
    photo = load_photo(saved(enlarged(), quality=92))
    halved, whole = (measure_photo(p, DEMO).estimates for p in (photo, with_whole_colours(photo)))
    assert set(halved) == set(whole)
    for name, estimate in halved.items():
        assert abs(estimate.value - whole[name].value) < 0.2 * 2 * whole[name].u, name
