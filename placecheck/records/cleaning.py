"""Cleaning: the kept copy of a photo without place, owner or camera serial, its pixels untouched bit for bit.

Nothing is decoded or encoded again: the file's own structure is walked and metadata left
out, so a verdict can be reproduced to the digit. What stays is what stands on a short list
of what measuring and showing need: in JPEG (ISO 10918-1) the coded image, JFIF, Adobe's colour
transform and the colour profile; in PNG the image and its colour chunks. A new, minimal
EXIF block carries orientation, equivalent focal length, digital zoom, make and model, all of
which the camera model reads, and nothing else: no GPS, dates, owner, serial, maker
notes, thumbnail, XMP or IPTC, no second pictures or trailers behind the image. HEIC's parts
refer to each other by byte offset, so there all but the photo, the tiles it is made of and the properties that
decoding needs is overwritten in place; one that cannot be walked is kept as PNG of its decoded pixels. Kept files read
by placecheck.photo as before.
"""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from dataclasses import dataclass
from typing import Any

from placecheck.errors import UnusableFile
from placecheck.photo import TAG_DIGITAL_ZOOM, TAG_EXIF_IFD, TAG_FOCAL_35MM, TAG_MAKE, TAG_MODEL, TAG_ORIENTATION
from placecheck.photo_bytes import kind_of as kind_of_photo

KEPT_TAGS = (TAG_MAKE, TAG_MODEL, TAG_ORIENTATION)
KEPT_EXIF_TAGS = (TAG_DIGITAL_ZOOM, TAG_FOCAL_35MM)
PNG_KEPT = {b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"cICP", b"pHYs"}
HEIC_KEPT = {b"hdlr", b"dinf", b"pitm", b"iinf", b"iloc", b"iref", b"iprp", b"idat", b"grpl"}
HEIC_PROPERTIES = {  # of ISO 23008-12, 6.5, and AV1 Image File Format, 2: what decoding, size, turn and colour need
    *(b"hvcC", b"lhvC", b"av1C", b"a1op", b"a1lx", b"lsel", b"oinf", b"tols"),
    *(b"ispe", b"pasp", b"pixi", b"colr", b"auxC", b"clap", b"irot", b"imir", b"iscl", b"rloc"),
    *(b"clli", b"mdcv", b"cclv"),
}
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
ICC, ADOBE, JFIF = b"ICC_PROFILE\0", b"Adobe", b"JFIF\0"


@dataclass(frozen=True)
class CleanPhoto:
    """The bytes to keep and their kind as a file ending: "jpg", "png" or "heic"."""

    data: bytes
    ending: str


class _Odd(Exception):
    """The file is not built as its kind prescribes."""


def clean_photo(data: bytes) -> CleanPhoto:
    """The photo without personal metadata. Raises UnusableFile where it is no JPEG, PNG or HEIC, or is damaged."""
    kind = kind_of_photo(data)
    try:
        if kind == "jpeg":
            return CleanPhoto(_clean_jpeg(data), "jpg")
        if kind == "png":
            return CleanPhoto(_clean_png(data), "png")
    except (_Odd, struct.error, IndexError):
        raise UnusableFile(
            "photo-not-kept", "The photo's file is damaged, so no copy of it can be kept: copy it from the phone again."
        ) from None
    if kind == "heic":
        try:
            return CleanPhoto(_clean_heic(data), "heic")
        except (_Odd, struct.error, IndexError):
            return CleanPhoto(_heic_as_png(data), "png")
    raise UnusableFile("not-an-image", "The file is not a JPEG, PNG or HEIC photo, so no copy of it is kept.")


def minimal_exif(tags: dict[int, Any], orientation: bool = True) -> bytes:
    """A TIFF block (no "Exif" prefix) with the kept tags only; empty where there are none."""
    from PIL import Image as Pillow

    exif = Pillow.Exif()
    for tag in KEPT_TAGS:
        if tag in tags and (tag != TAG_ORIENTATION or orientation):
            text = isinstance(tags[tag], str)
            exif[tag] = tags[tag].encode("latin-1", "replace") if text else tags[tag]  # as Pillow reads it
    inner = {tag: tags[tag] for tag in KEPT_EXIF_TAGS if tag in tags}
    if inner:
        exif.get_ifd(TAG_EXIF_IFD).update(inner)
    if not exif and not inner:
        return b""
    try:
        return bytes(exif.tobytes()).removeprefix(b"Exif\0\0")
    except Exception:  # a tag of a type that EXIF cannot hold: keep the ones that are numbers
        numbers = {t: v for t, v in tags.items() if isinstance(v, int) and 0 <= v < 65536}
        return minimal_exif(numbers, orientation) if numbers != tags else b""


def _tags_of(data: bytes) -> dict[int, Any]:
    """The kept tags as placecheck.photo reads them, wherever in the file they stand."""
    from PIL import Image as Pillow

    from placecheck.photo import read_tags

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with Pillow.open(io.BytesIO(data), formats=("JPEG", "PNG")) as opened:
                return read_tags(opened.getexif())
        except Exception:
            return {}


# ----------------------------------------------------------------------------- JPEG


def _clean_jpeg(data: bytes) -> bytes:
    exif = minimal_exif(_tags_of(data))
    out = [b"\xff\xd8"]
    if exif:
        out.append(b"\xff\xe1" + struct.pack(">H", len(exif) + 8) + b"Exif\0\0" + exif)
    at = 2
    while True:
        at = data.index(b"\xff", at) if b"\xff" in data[at : at + 65536] else len(data)
        while data[at + 1] == 0xFF:  # fill bytes
            at += 1
        marker = data[at + 1]
        if marker == 0xD9:
            out.append(b"\xff\xd9")
            return b"".join(out)
        if marker == 0x01 or 0xD0 <= marker <= 0xD8 or marker == 0:
            at += 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        end = at + 2 + length
        if length < 2 or end > len(data):
            raise _Odd
        if marker == 0xDA:
            end = _end_of_scan(data, end)
        body = data[at + 4 : end]
        if marker == 0xE0 and body.startswith(JFIF) and len(body) >= 14:
            out.append(b"\xff\xe0\0\x10" + body[:12] + b"\0\0")  # without JFIF's thumbnail
        elif _keep_segment(marker, body):
            out.append(data[at:end])
        at = end


def _keep_segment(marker: int, body: bytes) -> bool:
    if marker == 0xE2:
        return body.startswith(ICC)
    if marker == 0xEE:
        return body.startswith(ADOBE)
    return not (0xE0 <= marker <= 0xEF or marker == 0xFE)  # other APPn and comments go


def _end_of_scan(data: bytes, at: int) -> int:
    """Where the entropy-coded data that starts at `at` ends: at the first marker that is no restart and no stuffing."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            raise _Odd
        following = data[at + 1]
        if following == 0 or 0xD0 <= following <= 0xD7:
            at += 2
        elif following == 0xFF:
            at += 1
        else:
            return at


# ----------------------------------------------------------------------------- PNG


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _clean_png(data: bytes) -> bytes:
    exif = minimal_exif(_tags_of(data))
    out, at, written = [PNG_SIGNATURE], len(PNG_SIGNATURE), False
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        name, end = data[at + 4 : at + 8], at + 12 + length
        if end > len(data):
            raise _Odd
        if name == b"IDAT" and exif and not written:
            out.append(_chunk(b"eXIf", exif))
            written = True
        if name in PNG_KEPT:
            out.append(data[at:end])
        if name == b"IEND":
            return b"".join(out)
        at = end
    raise _Odd


# ----------------------------------------------------------------------------- HEIC


def _boxes(data: bytes | bytearray, start: int, end: int) -> list[tuple[bytes, int, int]]:
    """(type, start of body, end) of the boxes between two offsets (ISO 14496-12, 4.2)."""
    found, at = [], start
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        body = at + 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, body)
            body += 8
        elif size == 0:
            size = end - at
        if size < body - at or at + size > end:
            raise _Odd
        found.append((kind, body, at + size))
        at += size
    return found


def _one(boxes: list[tuple[bytes, int, int]], kind: bytes) -> tuple[int, int]:
    for name, start, end in boxes:
        if name == kind:
            return start, end
    raise _Odd


def _clean_heic(data: bytes) -> bytes:
    """The photo and the tiles it is made of stay where they are; all other data, items and boxes are emptied in place.

    Thumbnails, depth, alpha and gain maps and second photos go with EXIF, XMP and whatever no item names; so do the
    items' names and properties such as times and descriptions, whose places are kept, since they are told by number.
    """
    out = bytearray(data)
    top = _boxes(data, 0, len(data))
    start, end = _one(top, b"meta")
    meta = _boxes(data, start + 4, end)
    types = _item_types(data, *_one(meta, b"iinf"))
    inner = next(((s, e) for kind, s, e in meta if kind == b"idat"), (0, 0))
    holds = ([(s, e) for kind, s, e in top if kind == b"mdat"], [inner])  # by construction method
    needed = _photo_items(data, meta)
    exif = minimal_exif(_heic_tags(data), orientation=False)
    new = struct.pack(">I", 0) + exif if exif else b""
    for s, e in (*holds[0], inner):
        out[s:e] = b"\0" * (e - s)
    told = None
    for item, method, pieces in _item_places(data, *_one(meta, b"iloc")):
        if item not in needed and types.get(item, (b"", 0, 0))[0] != b"Exif":
            continue
        if method > 1:
            raise _Odd
        for at, length in pieces:
            at += inner[0] if method == 1 else 0
            if length <= 0 or not any(s <= at and at + length <= e for s, e in holds[method]):
                raise _Odd
            if item in needed:
                out[at : at + length] = data[at : at + length]
            elif len(pieces) == 1 and len(new) <= length:
                told = (item, at)
    if told is not None and new:
        if any(out[told[1] : told[1] + len(new)]):  # the photo's own bytes
            raise _Odd
        out[told[1] : told[1] + len(new)] = new
        needed = needed | {told[0]}
    for item, (kind, at, stop) in types.items():
        if item not in needed:
            out[at : at + 4] = b"free"  # a kind that readers pass over
        elif kind == b"mime":  # what follows its name says how to decode it
            raise _Odd
        out[at + 4 : stop] = b"\0" * (stop - at - 4)
    for kind, body, stop in meta:
        if kind not in HEIC_KEPT:
            _empty(out, kind, body, stop)
        elif kind == b"hdlr":
            out[body + 24 : stop] = b"\0" * len(out[body + 24 : stop])  # its name (ISO 14496-12, 8.4.3)
    properties = _boxes(data, *_one(meta, b"iprp"))
    for kind, body, stop in properties:
        if kind not in (b"ipco", b"ipma"):
            _empty(out, kind, body, stop)
    for kind, body, stop in _boxes(data, *_one(properties, b"ipco")):
        if kind not in HEIC_PROPERTIES:
            _empty(out, kind, body, stop)
    for kind, body, stop in top:
        if kind not in (b"ftyp", b"meta", b"mdat"):
            _empty(out, kind, body, stop)
    return bytes(out)


def _empty(out: bytearray, kind: bytes, body: int, stop: int) -> None:
    """A box without its content, and of the kind that readers pass over."""
    out[body:stop] = b"\0" * (stop - body)
    if kind not in (b"free", b"skip"):
        out[body - 4 : body] = b"free" if stop - body < 2**32 - 9 else kind


def _photo_items(data: bytes, meta: list[tuple[bytes, int, int]]) -> set[int]:
    """The primary item (pitm, ISO 14496-12, 8.11.4) and what it is derived from (dimg in iref, ISO 23008-12, 6.6)."""
    start, end = _one(meta, b"pitm")
    items = {int.from_bytes(data[start + 4 : end], "big")}
    start, end = next(((s, e) for kind, s, e in meta if kind == b"iref"), (0, 0))
    wide = 4 if end and data[start] else 2
    parts = {}
    for kind, body, stop in _boxes(data, start + 4, end):
        if kind == b"dimg":
            numbers = [int.from_bytes(data[at : at + wide], "big") for at in range(body + wide + 2, stop, wide)]
            parts[int.from_bytes(data[body : body + wide], "big")] = numbers
    fresh = set(items)
    while fresh:
        fresh = {part for item in fresh for part in parts.get(item, ())} - items
        items |= fresh
    return items


def _item_types(data: bytes, start: int, end: int) -> dict[int, tuple[bytes, int, int]]:
    """Item number to item type, where it stands, and where the item's entry ends, from iinf (ISO 14496-12, 8.11.6)."""
    version = data[start]
    at = start + (6 if version == 0 else 8)
    found = {}
    for kind, body, stop in _boxes(data, at, end):
        if kind != b"infe" or data[body] < 2:
            raise _Odd
        wide = data[body] >= 3
        item = int.from_bytes(data[body + 4 : body + (8 if wide else 6)], "big")
        at = body + (10 if wide else 8)
        if at + 4 > stop:
            raise _Odd
        found[item] = data[at : at + 4], at, stop
    return found


def _item_places(data: bytes, start: int, end: int) -> list[tuple[int, int, list[tuple[int, int]]]]:
    """(item, construction method, [(offset, length)]) from iloc (ISO 14496-12, 8.11.3)."""
    version = data[start]
    at = start + 4
    sizes = data[at] >> 4, data[at] & 15, data[at + 1] >> 4, data[at + 1] & 15 if version else 0
    at += 2

    def take(size: int) -> int:
        nonlocal at
        at += size
        if at > end:
            raise _Odd
        return int.from_bytes(data[at - size : at], "big")

    places = []
    for _ in range(take(2 if version < 2 else 4)):
        item = take(2 if version < 2 else 4)
        method = take(2) & 15 if version else 0
        take(2)  # data reference
        base = take(sizes[2])
        pieces = []
        for _ in range(take(2)):
            take(sizes[3])
            offset = take(sizes[0])
            pieces.append((base + offset, take(sizes[1])))
        places.append((item, method, pieces))
    return places


def _heic_tags(data: bytes) -> dict[int, Any]:
    from placecheck.photo import heif_tags

    try:
        import pi_heif

        return heif_tags(pi_heif.open_heif(data))
    except Exception:
        return {}


def _heic_as_png(data: bytes) -> bytes:
    """The decoded, upright pixels as PNG with the kept tags: larger, but the same picture to the bit."""
    import numpy as np

    from placecheck import vision
    from placecheck.photo import load_photo

    image = load_photo(data).image
    exif = minimal_exif(_heic_tags(data), orientation=False)
    png = vision.encode(np.ascontiguousarray(image), ".png")
    at = png.index(b"IDAT") - 4
    return png[:at] + (_chunk(b"eXIf", exif) if exif else b"") + png[at:]
