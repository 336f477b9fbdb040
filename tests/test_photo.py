"""Photo: every way of storing one picture gives the same upright pixels; every unusable file gets its own code."""

from __future__ import annotations

import importlib.util
import io
import os
import re
import struct
import subprocess
import sys
import threading
import types
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from card_scenes import camera_above, card_photo, corners_px
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image as Pillow
from PIL import ImageOps

from placecheck import photo, photo_bytes
from placecheck.card import find_card
from placecheck.colours import Colours
from placecheck.errors import UnusableFile
from placecheck.light_and_sharpness import (
    block_problem,
    blur_problem,
    card_problem,
    hopeless_picture,
    only_card_flooded,
    overexposed_block,
    sharpest_blur_px,
    smear_ratio,
)
from placecheck.photo import load_photo
from placecheck.system import _heic

FIXTURES = Path(__file__).parent.parent / "fixtures"


def picture(w: int = 1280, h: int = 960) -> np.ndarray:
    """RGB, unlike in all four corners and all three colours."""
    y, x = np.mgrid[:h, :w]
    return np.stack([x * 255 // w, y * 255 // h, (x + y) * 127 // (w + h)], axis=-1).astype(np.uint8)


def stored(image: np.ndarray, kind: str = "JPEG", exif: Pillow.Exif | None = None, **options: object) -> bytes:
    out = io.BytesIO()
    Pillow.fromarray(image).save(out, kind, **({"quality": 92} if kind == "JPEG" else {}), exif=exif or b"", **options)
    return out.getvalue()


def exif_with(orientation: int | None = None, **folder: object) -> Pillow.Exif:
    exif = Pillow.Exif()
    if orientation is not None:
        exif[274] = orientation
    ifd = exif.get_ifd(0x8769)
    for tag, value in folder.items():
        ifd[{"focal": 0xA405, "zoom": 0xA404}[tag]] = value
    return exif


def code_of(source: Path | bytes) -> str:
    with pytest.raises(UnusableFile) as caught:
        load_photo(source)
    message = caught.value.problem.message
    assert message.endswith(".")
    assert "\n" not in message
    assert len(message) < 260
    assert caught.value.exit_status == 4
    return caught.value.problem.code


# ----------------------------------------------------------------------------- orientation and EXIF


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_all_eight_orientations_agree_with_pillows_exif_transpose(orientation: int, kind: str) -> None:
    data = stored(picture(), kind, exif_with(orientation))
    expected = np.asarray(ImageOps.exif_transpose(Pillow.open(io.BytesIO(data))).convert("RGB"))
    got = load_photo(data)
    assert got.image.shape == expected.shape
    assert (got.width, got.height) == (expected.shape[1], expected.shape[0])
    assert np.abs(got.image[..., ::-1].astype(int) - expected).max() <= (3 if kind == "JPEG" else 0)
    assert got.was_rotated == (orientation != 1)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_jpeg_orientation_agrees_with_opencvs_own_reader(orientation: int) -> None:
    data = stored(picture(), "JPEG", exif_with(orientation))
    assert np.array_equal(load_photo(data).image, cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR))


@given(st.integers(1, 8), st.integers(1, 6), st.integers(1, 6))
def test_upright_is_the_tiff_definition(orientation: int, h: int, w: int) -> None:
    """TIFF 6.0, tag 274: where the stored row 0 and column 0 lie in the upright picture."""
    image = np.arange(h * w, dtype=np.uint8).reshape(h, w)
    up = photo.upright(image, orientation)
    row0, column0 = {
        1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
        5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
    }[orientation]  # fmt: skip
    side = {"top": up[0], "bottom": up[-1], "left": up[:, 0], "right": up[:, -1]}
    assert sorted(side[row0]) == sorted(image[0])
    assert sorted(side[column0]) == sorted(image[:, 0])


def test_what_exif_says() -> None:
    exif = exif_with(6, focal=26, zoom=2.5)
    exif[271], exif[272] = "Invented\0", "Bench One"
    got = load_photo(stored(picture(), exif=exif))
    assert (got.focal_35mm, got.digital_zoom, got.make, got.model) == (26.0, 2.5, "Invented", "Bench One")


def test_unknown_focal_length_is_none_not_zero() -> None:
    """EXIF: a FocalLengthIn35mmFilm of 0 means unknown; a DigitalZoomRatio of 0 means not used."""
    got = load_photo(stored(picture(), exif=exif_with(focal=0, zoom=0.0)))
    assert got.focal_35mm is None
    assert got.digital_zoom == 1.0
    bare = load_photo(stored(picture()))
    assert (bare.focal_35mm, bare.make, bare.was_rotated) == (None, None, False)


def test_damaged_exif_does_not_cost_the_photo() -> None:
    data = bytearray(stored(picture(), exif=exif_with(1, focal=26)))
    at = data.find(b"Exif\0\0") + 6
    data[at + 4 : at + 50] = b"\xff" * 46
    assert load_photo(bytes(data)).width == 1280


def test_gray_png_alpha_png_16_bit_png_and_progressive_jpeg() -> None:
    image = picture()
    level = image[..., 0]
    assert np.array_equal(load_photo(stored(level, "PNG")).gray, level)
    rgba = np.dstack([image, np.full(level.shape, 255, np.uint8)])
    assert np.array_equal(load_photo(stored(rgba, "PNG")).image, image[..., ::-1])
    deep = cv2.imencode(".png", image.astype(np.uint16) * 257)[1].tobytes()
    assert np.array_equal(load_photo(deep).image, image)
    assert load_photo(stored(image, "JPEG", progressive=True)).width == 1280
    cmyk = io.BytesIO()
    Pillow.fromarray(image).convert("CMYK").save(cmyk, "JPEG")
    assert load_photo(cmyk.getvalue()).image.shape == image.shape


def test_same_bytes_same_photo_and_pixels_cannot_be_changed() -> None:
    import hashlib

    data = stored(picture())
    got = load_photo(data)
    assert got.sha256 == hashlib.sha256(data).hexdigest()
    with pytest.raises(ValueError, match="read-only"):
        got.image[0, 0] = 0
    with pytest.raises(ValueError, match="read-only"):
        got.gray[0, 0] = 0


def test_pictures_appended_after_the_photo_are_no_damage() -> None:
    """Phones append depth maps, previews and films behind the end marker."""
    assert load_photo(stored(picture()) + b"\0trailer" + stored(picture())[:500]).width == 1280


# ----------------------------------------------------------------------------- HEIC


@pytest.mark.skipif(importlib.util.find_spec("pi_heif") is None, reason="the heic extra is not installed")
def test_heic_is_upright_by_its_container_and_its_card_is_where_it_was_put() -> None:
    got = load_photo(FIXTURES / "heic" / "card_turned.heic")
    assert (got.width, got.height, got.focal_35mm, got.make, got.kind) == (1200, 900, 26.0, "Invented", "heic")
    card = find_card(got.gray)
    truth = corners_px(camera_above(distance_mm=420, w=1200, h=900, at_mm=(30, -20)), card.board_mm)
    assert len(card.ids) == 24
    assert np.sqrt(np.mean(np.sum((card.corners_px - truth) ** 2, axis=1))) < 0.1


def test_heic_without_the_extra_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pi_heif", None)
    path = FIXTURES / "heic" / "card_turned.heic"
    assert code_of(path) == "heic-not-supported"
    with pytest.raises(UnusableFile) as caught:
        load_photo(path)
    (how,) = re.findall("run `(.*?)`", caught.value.problem.message)
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    assert f"`{how}`" in readme  # the system's own pip is not there on a fresh Debian, or refuses
    monkeypatch.setitem(sys.modules, "pillow_heif", types.SimpleNamespace(__version__="1"))  # which reads none here
    assert not _heic().good
    assert how in _heic().message


@pytest.mark.skipif(importlib.util.find_spec("pi_heif") is None, reason="the heic extra is not installed")
@pytest.mark.parametrize("cut", [40, 600, 5000, 40000])
def test_heic_cut_short_is_refused(cut: int) -> None:
    assert code_of((FIXTURES / "heic" / "card_turned.heic").read_bytes()[:cut]) in ("not-an-image", "truncated")


@pytest.mark.skipif(importlib.util.find_spec("pi_heif") is None, reason="the heic extra is not installed")
def test_damage_that_ends_the_heic_decoders_process_is_refused_before() -> None:
    code = "import sys; from placecheck.photo import load_photo; load_photo(sys.stdin.buffer.read())"
    data = (FIXTURES / "heic" / "thumbnail_tiles.heic").read_bytes()
    for sound, damaged in ((b"rdf+xml", b"rdf\xffxml"), (b"mime\0", b"\xffime\0")):
        assert sound in data
        done = subprocess.run(
            [sys.executable, "-c", code], input=data.replace(sound, damaged), capture_output=True, timeout=60
        )
        assert done.returncode == 1
        assert b"UnusableFile" in done.stderr


def test_a_picture_there_is_no_memory_for_is_not_called_damaged(monkeypatch: pytest.MonkeyPatch) -> None:
    def none_left(*given: object) -> None:
        error = cv2.error("Insufficient memory")
        error.code = cv2.Error.StsNoMem
        raise error

    monkeypatch.setattr(cv2, "imdecode", none_left)
    with pytest.raises(MemoryError):
        load_photo(stored(picture()))


# ----------------------------------------------------------------------------- files that are no photo


def test_missing_file_folder_and_empty_file(tmp_path: Path) -> None:
    assert code_of(tmp_path / "none.jpg") == "missing-file"
    assert code_of(tmp_path) == "is-a-folder"
    (tmp_path / "empty.jpg").write_bytes(b"")
    assert code_of(tmp_path / "empty.jpg") == "empty-file"
    assert code_of(b"") == "empty-file"
    (tmp_path / "file").write_bytes(b"x")
    assert code_of(tmp_path / "file" / "below.jpg") == "missing-file"


def test_what_is_no_file_is_never_waited_for(tmp_path: Path) -> None:
    """A pipe that nobody writes into has no end to wait for, a device none at all."""
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "zeros.jpg").symlink_to("/dev/zero")
    assert code_of(tmp_path / "pipe.jpg") == code_of(tmp_path / "zeros.jpg") == "not-a-file"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "locked.jpg"
    path.write_bytes(stored(picture()))
    path.chmod(0)
    assert code_of(path) == "no-permission"


def test_no_permission_as_the_system_reports_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.jpg"
    path.write_bytes(stored(picture()))

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert code_of(path) == "no-permission"


@pytest.mark.parametrize(
    "data",
    [b"hello, this is a text", b"GIF89a" + bytes(200), b"%PDF-1.7\n", b"II*\0" + bytes(100), b"\0\0\0\x18ftypavif" * 9],
)
def test_not_an_image(data: bytes) -> None:
    assert code_of(data) == "not-an-image"


@pytest.mark.parametrize(
    ("kind", "words", "then"),
    [
        ("WEBP", "a WebP picture", "as the phone's camera saved it"),
        ("GIF", "a GIF picture", "as the phone's camera saved it"),
        ("BMP", "a BMP picture", "as the phone's camera saved it"),
        ("PDF", "a PDF", "as the phone's camera saved it"),
        ("TIFF", "a raw or TIFF picture", "set the phone's camera to JPEG"),
        ("AVIF", "an AVIF picture", "set the phone's camera to JPEG"),
        (b"\0\0\0\x14ftypqt  " + bytes(99), "a film", "take a photo"),
        (b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(99), "a film", "take a photo"),
    ],
)
def test_what_is_sent_by_mistake_is_named(kind: str | bytes, words: str, then: str) -> None:
    """As Pillow writes it; a film by its brand (ISO 14496-12, 4.3)."""
    if isinstance(kind, str) and kind not in Pillow.registered_extensions().values():
        pytest.skip(f"this Pillow knows no {kind}")
    data = kind if isinstance(kind, bytes) else stored(picture(), kind)
    assert code_of(data) == "not-an-image"
    with pytest.raises(UnusableFile, match=f"is {words}, not a JPEG, PNG or HEIC photo: .*{then}"):
        load_photo(data)


def test_jpeg_that_starts_well_and_is_rubbish() -> None:
    assert code_of(b"\xff\xd8\xff\xe0" + bytes(2000)) in ("not-an-image", "truncated")
    assert code_of(b"\xff\xd8\xff\xd9") == "not-an-image"


@pytest.mark.parametrize("part", [0.02, 0.3, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("progressive", [False, True])
def test_jpeg_cut_short_is_noticed(part: float, progressive: bool) -> None:
    """OpenCV decodes the rest grey without a word; EXIF's own thumbnail must not pass for the end."""
    exif = exif_with(1, focal=26)
    data = stored(picture(), exif=exif, progressive=progressive)
    assert code_of(data[: int(len(data) * part)]) == "truncated"
    zeros = data[: int(len(data) * part)] + bytes(len(data) - int(len(data) * part))
    assert code_of(zeros) == "truncated"


def overwritten(data: bytes, at: float, with_what: bytes) -> bytes:
    """A file with a stretch of its picture data overwritten."""
    start = int(len(data) * at)
    return data[:start] + with_what + data[start + len(with_what) :]


@pytest.mark.parametrize(
    ("progressive", "at"), [(False, 0.3), (False, 0.6), (False, 0.9), (True, 0.6), (True, 0.9)]
)  # in a progressive one less is noticed
def test_jpeg_with_a_sector_lost_is_damaged(progressive: bool, at: float, capfd: pytest.CaptureFixture[str]) -> None:
    data = stored(picture(), progressive=progressive)
    for lost in (bytes(512), np.random.default_rng(3).integers(0, 255, 512, np.uint8).tobytes()):
        assert code_of(overwritten(data, at, lost)) == "not-an-image"
    assert capfd.readouterr().err == ""


def test_damaged_png_is_refused_without_a_word_of_the_decoder(capfd: pytest.CaptureFixture[str]) -> None:
    assert code_of(overwritten(stored(picture(), "PNG"), 0.5, b"damage")) == "not-an-image"
    assert capfd.readouterr().err == ""


def test_what_writers_leave_in_a_sound_jpeg_is_no_damage(capfd: pytest.CaptureFixture[str]) -> None:
    data = stored(picture())
    for sound in (data + b"trailer" * 99, data[:-2] + bytes(64) + data[-2:], data + data):
        assert np.array_equal(load_photo(sound).image, load_photo(data).image)
    assert code_of(data[:-2] + os.urandom(64).replace(b"\xff", b"x") + data[-2:]) == "not-an-image"
    assert capfd.readouterr().err == ""


def test_what_others_write_while_a_photo_is_decoded_is_passed_on(capfd: pytest.CaptureFixture[str]) -> None:
    """Standard error's descriptor is the process's, and its threads go on writing to it."""
    damaged = overwritten(stored(picture()), 0.5, bytes(512))
    written, ended = [0], threading.Event()

    def write() -> None:
        while not ended.is_set():
            os.write(2, b"another thread\n")
            written[0] += 1

    writer = threading.Thread(target=write)
    decoders = [threading.Thread(target=lambda: [code_of(damaged) for _ in range(4)]) for _ in range(2)]
    writer.start()
    for thread in decoders:
        thread.start()
    for thread in decoders:
        thread.join()
    ended.set()
    writer.join()
    lines = capfd.readouterr().err.splitlines()
    assert set(lines) == {"another thread"}
    assert written[0] - 2 <= len(lines) <= written[0]  # one that is on its way just then may be lost


def test_a_photo_is_read_although_standard_error_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(stored(picture()))
    code = f"from placecheck.photo import load_photo; from pathlib import Path; load_photo(Path({str(path)!r}))"
    done = subprocess.run(["sh", "-c", '"$@" 2>&-', "sh", sys.executable, "-c", code], timeout=60)
    assert done.returncode == 0
    # a file that got the descriptor of the closed one is its own
    own = tmp_path / "own.txt"
    code = f"from placecheck.decoders import decoders_heard\nfile = open({str(own)!r}, 'wb', 0)\n"
    code += "assert file.fileno() == 2\nwith decoders_heard():\n    file.write(b'mine')"
    done = subprocess.run(["sh", "-c", '"$@" 2>&-', "sh", sys.executable, "-c", code], timeout=60)
    assert done.returncode == 0
    assert own.read_bytes() == b"mine"


def test_thumbnails_end_marker_is_not_the_photos() -> None:
    preview = stored(picture(160, 120))
    segment = b"Exif\0\0" + preview
    data = stored(picture())
    with_preview = data[:2] + b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment + data[2:]
    assert with_preview[photo_bytes.jpeg_end(with_preview) :] == b"\xff\xd9"
    assert photo_bytes.jpeg_end(with_preview[: len(with_preview) // 2]) is None
    assert photo_bytes.jpeg_end(with_preview[: len(segment) + 200]) is None


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6))
def test_any_cut_of_a_jpeg_or_png_is_noticed(where: int) -> None:
    for data in SMALL:
        cut = data[: where % len(data)]
        assert photo_bytes.jpeg_end(cut) is None if data[:2] == b"\xff\xd8" else not photo_bytes.png_is_complete(cut)


SMALL = (stored(picture(64, 48)), stored(picture(64, 48), progressive=True), stored(picture(64, 48), "PNG"))


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300), st.sampled_from([b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"\0\0\0\x18ftypheic"]))
def test_no_bytes_end_in_anything_but_an_unusable_file(tail: bytes, head: bytes) -> None:
    with pytest.raises(UnusableFile):
        load_photo(head + tail)


def test_png_cut_short() -> None:
    data = stored(picture(), "PNG")
    assert code_of(data[: len(data) // 2]) == "truncated"
    assert code_of(data[:-1]) == "truncated"


def png_bomb(w: int, h: int) -> bytes:
    """A valid PNG of w x h black pixels, a few KB for gigabytes."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    squeeze = zlib.compressobj(9)
    row = bytes(1 + (w + 7) // 8)
    body = b"".join(squeeze.compress(row) for _ in range(h)) + squeeze.flush()
    header = struct.pack(">IIBBBBB", w, h, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [(10_000, 6_000), (30_000, 30_000)])
def test_decompression_bomb_is_refused_from_its_header(size: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    from placecheck import vision

    monkeypatch.setattr(vision, "decode_color", lambda data: pytest.fail("must not be decoded"))
    data = png_bomb(*size)
    assert len(data) < 200_000
    assert code_of(data) == "too-large"


def test_file_too_large_to_read(tmp_path: Path) -> None:
    path = tmp_path / "huge.jpg"
    with path.open("wb") as file:
        file.truncate(photo.MAX_FILE_BYTES + 1)
    assert code_of(path) == "too-large"


def test_limits_of_one_and_fifty_megapixels() -> None:
    assert code_of(stored(picture(1000, 900))) == "too-small"
    assert load_photo(stored(picture(1160, 870))).width == 1160
    assert code_of(stored(picture(4000, 400))) == "too-small"
    photo._check_size(8192, 6144, "a 50 MP sensor's photo")
    with pytest.raises(UnusableFile):
        photo._check_size(8700, 6000, "52 MP")


# ----------------------------------------------------------------------------- light and blur


@pytest.mark.parametrize("sigma", [2.0, 4.0, 8.0, 20.0])
def test_blur_of_the_sharpest_edges_is_the_blur_put_in(sigma: float) -> None:
    y, x = np.mgrid[:1200, :1600]
    step = np.where((x + y // 3) // 200 % 2, 200.0, 40.0).astype(np.float32)
    noise = np.random.default_rng(0).normal(0, 3, step.shape)
    seen = np.clip(cv2.GaussianBlur(step, (0, 0), sigma) + noise, 0, 255).astype(np.uint8)
    assert sharpest_blur_px(seen) == pytest.approx(sigma, rel=0.2)


def test_hopeless_pictures_and_a_good_one() -> None:
    good = card_photo(camera_above())
    assert hopeless_picture(good) is None
    assert hopeless_picture((good // 8).astype(np.uint8)).code == "too-dark"
    assert hopeless_picture(np.minimum(good.astype(int) * 4, 255).astype(np.uint8)).code == "too-bright"
    assert hopeless_picture(cv2.GaussianBlur(good, (0, 0), 6)).code == "too-blurred"
    assert hopeless_picture(np.full((1200, 1600), 128, np.uint8)) is None


@pytest.mark.parametrize("toward_deg", [0.0, 35.0, 90.0, 120.0])
def test_a_phone_that_moved_is_told_from_a_still_one(toward_deg: float) -> None:
    still = photo.load_photo(FIXTURES / "photos" / "lean_roll_4x4.jpg").gray
    c, s = np.cos(np.radians(toward_deg)), np.sin(np.radians(toward_deg))
    kernel = np.zeros((41, 41), np.float32)
    cv2.line(kernel, *((round(20 + k * 10 * c), round(20 + k * 10 * s)) for k in (-1, 1)), 1.0)  # type: ignore[call-overload]
    moved = cv2.filter2D(still, -1, kernel / kernel.sum())
    assert smear_ratio(still) < 1.7
    assert smear_ratio(moved) > 2.0
    problem = hopeless_picture(moved)
    assert problem is not None
    assert problem.code == "too-blurred"
    assert "moved" in problem.message


def test_limits_at_the_card() -> None:
    sharp, soft = (0.5, 3.0), (4.0, 3.0)  # blur px, px per mm
    assert card_problem(12, 60, *sharp).code == "too-dark"
    assert card_problem(110, 255, *soft).code == "too-bright"
    assert card_problem(110, 255, *sharp) is None  # bright paper, grey ink, clean edges
    assert card_problem(97, 255, *soft).code == "too-blurred"
    assert card_problem(100, 230, *sharp) is None  # grey toner on paper that is not clipped


def test_a_block_that_is_white_all_over_is_overexposed_and_a_white_card_beside_it_is_not() -> None:
    picture = np.full((400, 400, 3), 120, np.uint8)
    ring = np.stack([200 + 90 * np.cos(t := np.linspace(0, 6.28, 60)), 200 + 110 * np.sin(t)], -1)
    picture[:60] = 255
    assert overexposed_block(Colours(picture), ring) is None
    picture[150:220, 150:225] = 252  # a quarter of its middle
    assert overexposed_block(Colours(picture), ring) is None
    picture[150:250, 150:230] = 252
    assert overexposed_block(Colours(picture), ring).code == "too-bright"


def test_limits_of_blur() -> None:
    assert blur_problem(2.0, 1.5).code == "too-blurred"
    assert blur_problem(2.0, 6.0) is None
    assert blur_problem(1.4, 1.0) is None  # sharp to a pixel and a half: a small picture
    assert blur_problem(1.6, 1.0).code == "too-blurred"


def test_a_card_alone_may_be_flooded() -> None:
    assert only_card_flooded(110, 255)
    assert only_card_flooded(40, 255)
    assert not only_card_flooded(110, 240)  # grey toner, not light
    assert not only_card_flooded(200, 255)  # so much light leaves nothing else well lit


def test_the_block_tells_whether_a_photo_is_sharp_where_its_card_cannot() -> None:
    rng = np.random.default_rng(5)
    sharp = cv2.GaussianBlur((255 * (rng.random((400, 400)) > 0.5)).astype(np.uint8), (0, 0), 1.0)
    sharp = cv2.normalize(sharp, None, 0, 255, cv2.NORM_MINMAX)
    ring = np.stack([200 + 150 * np.cos(t := np.linspace(0, 6.28, 60)), 200 + 150 * np.sin(t)], -1)
    colour = np.repeat(sharp[..., None], 3, axis=2)
    assert block_problem(Colours(colour), sharp, ring, 1.5, True) is None
    soft = cv2.normalize(cv2.GaussianBlur(sharp, (0, 0), 5), None, 0, 255, cv2.NORM_MINMAX)
    colour = np.repeat(soft[..., None], 3, axis=2)
    assert block_problem(Colours(colour), soft, ring, 1.5, True).code == "too-blurred"
    assert block_problem(Colours(colour), soft, ring, 1.5, False) is None  # its card has told already
