"""What the bytes of a photo file tell before and beside its decoding: its kind, its end, its damage.

Nothing is decoded here. The kind is told by the first bytes. A JPEG is a row of segments, each with
its length, and the entropy-coded data of its scans, in which a marker's 0xFF is always followed by
zero (ITU-T T.81, B.1.1); walked so, the end marker of a thumbnail inside EXIF, or of a picture
appended later, is not taken for the photo's own. A PNG is a row of chunks with their lengths, ending
in IEND with its checksum (ISO/IEC 15948). Decoders fill up what a cut or damaged JPEG lacks and only
say so: which of their words mean damage to the picture is told here. A HEIF whose items have names
that are no text would end the process that opens it with pi-heif, so these are looked for first.
"""

from __future__ import annotations

import re
import struct

HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}


def kind_of(data: bytes) -> str | None:
    """ "jpeg", "png" or "heic" by the file's first bytes (signatures of ISO 10918-1, PNG, ISO 14496-12), else None."""
    if data[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if data[4:8] == b"ftyp":
        size = min(int.from_bytes(data[:4], "big"), 128)
        brands = {data[8:12]} | {data[i : i + 4] for i in range(16, size, 4)}
        return "heic" if brands & HEIF_BRANDS and b"avif" not in brands else None
    return None


_NEXT_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")


def jpeg_end(data: bytes) -> int | None:
    """Where the end marker (EOI) of a JPEG's main image is; None where it has none. Later pictures do not count.

    Walks the segments by their lengths, so that a thumbnail's end marker inside EXIF is not taken for the photo's.
    """
    at = 2
    while at + 4 <= len(data) or data[at : at + 2] == b"\xff\xd9":
        if data[at] != 0xFF:
            found = _NEXT_MARKER.search(data, at)
            if found is None:
                return None
            at = found.start()
            continue
        marker = data[at + 1]
        if marker == 0xD9:
            return at
        if marker == 0xFF:  # fill byte
            at += 1
        elif marker == 0x01 or 0xD0 <= marker <= 0xD8 or marker == 0x00:
            at += 2
        else:
            at += 2 + max(2, int.from_bytes(data[at + 2 : at + 4], "big"))
            if marker == 0xDA:
                found = _NEXT_MARKER.search(data, at)
                if found is None:
                    return None
                at = found.start()
    return None


_LEFT_OVER = re.compile(r"(\d+) extraneous bytes before marker 0xd9")


def jpeg_damage(said: str, data: bytes) -> bool:
    """Whether what libjpeg said of a JPEG means damage to the picture.

    Bytes left over before the end marker are picture data that nobody wanted, unless all are the same: some writers
    fill up with zeros. A bad colour profile is no damage to the picture.
    """
    left_over = _LEFT_OVER.search(said)
    if left_over is not None:
        end = jpeg_end(data) or 0
        return len(set(data[end - int(left_over[1]) : end])) > 1
    return "bad ICC" not in said and any(
        words in said for words in ("Corrupt JPEG data", "Premature end", "Inconsistent progression")
    )


def png_is_complete(data: bytes) -> bool:
    """Whether a PNG's chunks, walked by their lengths, reach IEND with its checksum."""
    at = 8
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        at += 12 + length
        if data[at - length - 8 : at - length - 4] == b"IEND":
            return at <= len(data)
    return False


def heif_names_are_text(data: bytes) -> bool:
    """Whether what a HEIF calls its items (infe, ISO 14496-12, 8.11.6) is text: if not, pi-heif ends the process."""
    for found in re.finditer(rb"infe", data):
        at, size = found.end(), int.from_bytes(data[found.start() - 4 : found.start()], "big")
        names = at + (10 if data[at : at + 1] >= b"\3" else 8)
        try:
            data[names : at - 8 + size].decode()
        except UnicodeDecodeError:
            return False
    return True
