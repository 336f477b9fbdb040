"""The kept copy of a photo: nothing personal in it, every pixel and what measuring needs as before."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms
from records_shop import SECRETS, exif_with_everything, jpeg, pixels

from placecheck.errors import UnusableFile
from placecheck.photo import load_photo
from placecheck.records.cleaning import CleanPhoto, clean_photo

HEIC = Path(__file__).parent.parent / "fixtures" / "heic" / "card_turned.heic"


def decoded(data: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(data)) as opened:
        return np.asarray(opened)


def marker_names(data: bytes) -> list[int]:
    """Markers of a JPEG up to the scan, walked by segment lengths (ISO 10918-1)."""
    found, at = [], 2
    while data[at + 1] != 0xDA:
        found.append(data[at + 1])
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return found


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 0}, {"restart_marker_rows": 1}])
def test_jpeg_loses_the_person_and_keeps_the_pixels(options):
    data = jpeg(3, **options)
    assert all(secret in data for secret in SECRETS)
    clean = clean_photo(data)
    assert clean.ending == "jpg"
    assert not any(secret in clean.data for secret in SECRETS)
    assert np.array_equal(decoded(data), decoded(clean.data))
    with Image.open(io.BytesIO(clean.data)) as opened:
        exif = opened.getexif()
    assert dict(exif.get_ifd(0x8825)) == {}
    assert set(exif) <= {271, 272, 274, 0x8769}
    assert dict(exif.get_ifd(0x8769)) == {0xA405: 26, 0xA404: 1.5}
    assert 0xFE not in marker_names(clean.data)
    # the coded image itself is byte for byte the original's
    assert data[data.index(b"\xff\xda") : data.index(b"\xff\xd9", data.index(b"\xff\xda"))] in clean.data


def test_photo_reads_the_same_from_the_copy():
    data = jpeg(4, width=1300, height=900)
    before, after = load_photo(data), load_photo(clean_photo(data).data)
    assert np.array_equal(before.image, after.image)
    for name in ("focal_35mm", "digital_zoom", "make", "model", "orientation", "was_rotated", "width", "height"):
        assert getattr(before, name) == getattr(after, name), name
    assert before.focal_35mm == 26
    assert before.was_rotated


def test_a_phones_name_keeps_its_accents():
    """Profiles go by it; EXIF means ASCII, and phones write more."""
    exif = Image.Exif()
    exif[272] = "Fen\u00eatre 5".encode("latin-1")
    out = io.BytesIO()
    Image.fromarray(pixels(1, 1280, 960)).save(out, "JPEG", exif=exif)
    before = load_photo(out.getvalue())
    assert before.model == "Fen\u00eatre 5"
    assert load_photo(clean_photo(out.getvalue()).data).model == before.model


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_survives(orientation):
    exif = Image.Exif()
    exif[274] = orientation
    out = io.BytesIO()
    Image.fromarray(pixels(orientation, 1200, 900)).save(out, "JPEG", exif=exif)
    clean = clean_photo(out.getvalue())
    assert np.array_equal(load_photo(out.getvalue()).image, load_photo(clean.data).image)


def test_orientation_that_only_xmp_tells_survives():
    # Pillow reads tiff:Orientation from XMP where EXIF has none, and so does placecheck.photo
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><d tiff:Orientation="8" xmlns:tiff="http://ns.adobe.com/tiff/1.0/"/>'
    out = io.BytesIO()
    Image.fromarray(pixels(1, 1200, 900)).save(out, "JPEG", xmp=xmp + b"</x:xmpmeta>")
    before = load_photo(out.getvalue())
    after = load_photo(clean_photo(out.getvalue()).data)
    assert np.array_equal(before.image, after.image)


def test_colour_profile_stays():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    out = io.BytesIO()
    Image.fromarray(pixels()).save(out, "JPEG", icc_profile=profile)
    with Image.open(io.BytesIO(clean_photo(out.getvalue()).data)) as opened:
        assert opened.info["icc_profile"] == profile


def test_second_pictures_go():
    # an MPO as phones write it: a second picture with its own EXIF behind the first
    out = io.BytesIO()
    second = Image.fromarray(pixels(9))
    second.info["exif"] = exif_with_everything().tobytes()
    Image.fromarray(pixels(8)).save(out, "MPO", save_all=True, append_images=[second], exif=exif_with_everything())
    clean = clean_photo(out.getvalue())
    with Image.open(io.BytesIO(clean.data)) as opened:
        assert opened.format == "JPEG"
        assert getattr(opened, "n_frames", 1) == 1
    assert not any(secret in clean.data for secret in SECRETS)
    assert np.array_equal(decoded(out.getvalue()), decoded(clean.data))


def test_png_loses_text_and_keeps_pixels():
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_text("Author", "Jane Q. Owner")
    info.add_itxt("XML:com.adobe.xmp", "XMP-LOCATION")
    out = io.BytesIO()
    Image.fromarray(pixels(5, 1200, 900)).save(out, "PNG", pnginfo=info, exif=exif_with_everything())
    data = out.getvalue() + b"trailer after the image"
    clean = clean_photo(data)
    assert clean.ending == "png"
    assert not any(secret in clean.data for secret in SECRETS)
    before, after = load_photo(data), load_photo(clean.data)
    assert np.array_equal(before.image, after.image)
    assert (after.focal_35mm, after.orientation) == (26, 6)
    # every chunk's checksum holds (PNG specification, 5.3)
    at = 8
    while at < len(clean.data):
        (length,) = struct.unpack_from(">I", clean.data, at)
        (crc,) = struct.unpack_from(">I", clean.data, at + 8 + length)
        assert zlib.crc32(clean.data[at + 4 : at + 8 + length]) == crc
        at += 12 + length


def test_heic_is_cleaned_in_place():
    pi_heif = pytest.importorskip("pi_heif")
    data = HEIC.read_bytes()
    clean = clean_photo(data)
    assert clean.ending == "heic"
    assert len(clean.data) == len(data)
    before, after = load_photo(data), load_photo(clean.data)
    assert np.array_equal(before.image, after.image)
    assert (before.focal_35mm, before.make, before.model) == (after.focal_35mm, after.make, after.model)
    exif = Image.Exif()
    exif.load(pi_heif.open_heif(clean.data).info.get("exif") or b"")
    assert dict(exif.get_ifd(0x8825)) == {}
    assert set(exif) <= {271, 272, 0x8769}


@pytest.mark.parametrize("name", ["thumbnail_tiles", "thumbnail_alpha"])
def test_heic_keeps_the_photo_and_no_second_picture(name):
    """libheif reads thumbnail, alpha and XMP in the file as it came, none in the kept one, and the same photo in both.

    Of the items' data, whose places the file lists, the photo's own stay, and nothing else.
    """
    pi_heif = pytest.importorskip("pi_heif")
    data = HEIC.with_name(f"{name}.heic").read_bytes()
    clean = clean_photo(data)
    assert clean.ending == "heic"
    told, left = pi_heif.open_heif(data), pi_heif.open_heif(clean.data)
    assert (told.info["thumbnails"], b"XMP-LOCATION" in told.info["xmp"]) == ([160], True)
    assert (left.info["thumbnails"], left.info.get("xmp")) == ([], None)
    assert (told.has_alpha, left.has_alpha) == (name == "thumbnail_alpha", False)
    assert not any(secret in clean.data for secret in SECRETS)
    assert b"Jane Q. Owner" in data
    before, after = load_photo(data), load_photo(clean.data)
    assert np.array_equal(before.image, after.image)
    assert (before.focal_35mm, before.make) == (after.focal_35mm, after.make) == (26, "Invented")

    left_of = {o: clean.data[o : o + n] for o, n in _places_in_mdat(data)}
    same = [o for o, left in left_of.items() if left == data[o : o + len(left)]]
    blank = [o for o, left in left_of.items() if not any(left)]
    # six tiles or one photo stay; thumbnail and XMP go, of a photo with alpha both alphas, too; EXIF is another
    assert (len(same), len(blank)) == ((6, 2) if name == "thumbnail_tiles" else (1, 4))
    assert len(left_of) == len(same) + len(blank) + 1


def _grown(data: bytes, into: tuple[bytes, ...], more: bytes, back: int = 0) -> bytes:
    """A HEIC with bytes put `back` before the end of the last of nested boxes, and its items' places moved along."""
    out, end = bytearray(data), 0
    for kind in into:
        at = data.index(kind) - 4
        (size,) = struct.unpack_from(">I", data, at)
        struct.pack_into(">I", out, at, size + len(more))
        end = at + size - back
    at = data.index(b"iloc") + 12
    for base in range(at + 4, at + 18 * int.from_bytes(data[at - 2 : at], "big"), 18):
        struct.pack_into(">I", out, base, struct.unpack_from(">I", data, base)[0] + len(more))
    return bytes(out[:end]) + more + bytes(out[end:])


def _property(data: bytes, kind: bytes, body: bytes) -> bytes:
    """A HEIC with one more property, the last and of the first item alone (ISO 23008-12, 6.5 and 9.3)."""
    start = data.index(b"ipco")
    (size,), at, count = struct.unpack_from(">I", data, start - 4), start + 4, 1
    while at < start - 4 + size:
        at, count = at + struct.unpack_from(">I", data, at)[0], count + 1
    data = _grown(data, (b"meta", b"iprp", b"ipco"), struct.pack(">I", 8 + len(body)) + kind + body)
    told = data.index(b"ipma") + 4
    assert data[told : told + 8] == b"\0\0\0\0\0\0\0\1"  # one item has properties, its number and theirs are short
    data = _grown(data, (b"meta", b"iprp", b"ipma"), bytes([count]))
    return data[: told + 10] + bytes([data[told + 10] + 1]) + data[told + 11 :]


def test_heic_keeps_no_time_no_description_and_no_name():
    """Properties are told by number, so what goes is emptied at its place: the photo is turned as before."""
    pytest.importorskip("pi_heif")
    secrets = {
        b"crtt": b"\0\0\0\0WHENMADE",
        b"mdft": b"\0\0\0\0WHENCHGD",
        b"udes": b"\0\0\0\0en\0WHOSE\0WHAT\0TAGS\0",
        b"zzzz": b"UNKNOWN",
    }
    data = HEIC.read_bytes()
    for kind, body in secrets.items():
        data = _property(data, kind, body)
    data = _property(data, b"imir", b"\1")  # after those that go: read by its number
    data = _grown(data, (b"meta", b"iinf", b"infe"), b"JANEDOE", back=1)  # the first item's name
    data = _grown(data, (b"meta", b"hdlr"), b"HANDLED", back=1)
    clean = clean_photo(data)
    assert clean.ending == "heic"
    assert len(clean.data) == len(data)
    for secret in (b"WHENMADE", b"WHENCHGD", b"WHOSE", b"WHAT", b"TAGS", b"UNKNOWN", b"JANEDOE", b"HANDLED", *secrets):
        assert secret in data
        assert secret not in clean.data
    before, after = load_photo(data), load_photo(clean.data)
    assert np.array_equal(before.image, after.image)
    assert not np.array_equal(before.image, load_photo(HEIC.read_bytes()).image)  # it is mirrored


def _places_in_mdat(data: bytes) -> list[tuple[int, int]]:
    """Where the items' data lie, from iloc of version 0 or 1 with four bytes for every offset, base and length."""
    at = data.index(b"iloc") + 4
    version, sizes = data[at], data[at + 4 : at + 6]
    assert sizes == b"\x44\x40"
    (count,) = struct.unpack_from(">H", data, at + 6)
    at, found = at + 8, []
    for _ in range(count):
        method = struct.unpack_from(">H", data, at + 2)[0] if version else 0
        at += 6 if version else 4
        base, extents, offset, length = struct.unpack_from(">IHII", data, at)
        assert extents == 1
        found += [(base + offset, length)] if method == 0 else []
        at += 14
    return found


def test_heic_that_cannot_be_walked_becomes_png(monkeypatch):
    pytest.importorskip("pi_heif")
    from placecheck.records import cleaning

    def odd(_):
        raise cleaning._Odd

    monkeypatch.setattr(cleaning, "_clean_heic", odd)
    data = HEIC.read_bytes()
    clean = clean_photo(data)
    assert clean.ending == "png"
    before, after = load_photo(data), load_photo(clean.data)
    assert np.array_equal(before.image, after.image)
    assert before.focal_35mm == after.focal_35mm


def test_what_is_no_photo_is_refused():
    for bad in (b"", b"GIF89a....", b"\xff\xd8\xff", jpeg()[:400], b"\x89PNG\r\n\x1a\n" + b"\0" * 30):
        with pytest.raises(UnusableFile):
            clean_photo(bad)


def refused_or_clean(data: bytes) -> CleanPhoto | None:
    """The cleaned photo, or None where it was refused with a sentence; any other failure is the test's."""
    try:
        return clean_photo(data)
    except UnusableFile as error:
        return None if error.problem.message.endswith(".") else pytest.fail(error.problem.message)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_damaged_files_never_break_the_cleaning(data):
    """Cut, flipped or stuffed bytes: either refused with a sentence, or a file without the secrets."""
    whole = bytearray(jpeg(6, width=64, height=48))
    for _ in range(data.draw(st.integers(1, 6))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(20, len(whole)))
    clean = refused_or_clean(bytes(whole[:cut]))
    assert clean is None or b"trailer after the image" not in clean.data


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300))
def test_boxes_of_anything(junk):
    head = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic"
    refused_or_clean(head + junk)
