"""Files that are sent for a photo and are none that can be read.

Phones save pictures of kinds that are not read here (raw, AVIF, JPEG XL), chats and web pages hand
on WebP and GIF, and films and scanned PDFs lie beside the photos; a file's ending may say
anything. So the kind is told from the first bytes (signatures of each format's own
specification; the brand of ISO 14496-12, 4.3, for what a file of boxes is), named, and the
sentence says what to do: another setting of the phone's camera for what the phone itself
saves so, the phone's own file for what was made of it. What is not known is only called no
photo. photo.py asks here for what it does not take for a JPEG, PNG or HEIC; nothing is decoded.
"""

from __future__ import annotations

import re

from placecheck.errors import UnusableFile

OTHER_KINDS: tuple[tuple[bytes, str], ...] = (
    (rb"RIFF.{4}WEBP", "a WebP picture"),
    (rb"GIF8", "a GIF picture"),
    (rb"BM.{4}\0{4}", "a BMP picture"),
    (rb"II\*\0|MM\0\*|.{4}ftypcrx ", "a raw or TIFF picture"),
    (rb"%PDF-", "a PDF"),
    (rb".{4}ftypavi[fs]|.{4}ftypmif1.{8}.{0,60}?avif", "an AVIF picture"),
    (rb"\xff\x0a|\0\0\0\x0cJXL ", "a JPEG XL picture"),
    (rb"\0\0\0\x0cjP  ", "a JPEG 2000 picture"),
    (rb".{4}ftyp", "a film"),
)
"""Signatures of what is sent by mistake, and its name; the first that matches."""


def not_a_photo(data: bytes, name: str) -> UnusableFile:
    """The error for a file that photo.py does not read: what it is, where that is known, and what to give instead."""
    kind = next((words for signature, words in OTHER_KINDS if re.match(signature, data[:128], re.DOTALL)), None)
    what = f"{kind}, " if kind else ""
    then = "take a photo instead" if kind == "a film" else "give the photo as the phone's camera saved it"
    if kind in ("a raw or TIFF picture", "an AVIF picture", "a JPEG XL picture"):
        then = "set the phone's camera to JPEG (“most compatible”) and take the photo again"
    return UnusableFile("not-an-image", f"{name} is {what}not a JPEG, PNG or HEIC photo: {then}.")
