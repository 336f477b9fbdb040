"""Photos, answers and stores that the record tests share: real JPEG bytes, real databases."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from placecheck.records.request_json import to_json
from placecheck.request import CheckRequest
from placecheck.units import parse_closure

REQUEST = to_json(CheckRequest(parse_closure("5x5"), 577.85))


def pixels(seed: int = 0, width: int = 320, height: int = 240) -> np.ndarray:
    """A picture with structure and noise, (height, width, 3) uint8."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width]
    smooth = np.stack([x * 255 / width, y * 255 / height, (x + y) % 256], -1)
    return np.clip(smooth + rng.normal(0, 12, smooth.shape), 0, 255).astype(np.uint8)


def exif_with_everything() -> Image.Exif:
    """EXIF as phones write it: what measuring needs, and what nobody else should read."""
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Acme", "Field 3", 6
    exif[315], exif[33432], exif[306] = "Jane Q. Owner", "(c) Jane Q. Owner", "2026:03:01 10:00:00"
    exif[270] = "client's kitchen"
    inner = exif.get_ifd(0x8769)
    inner[0xA405], inner[0xA404] = 26, 1.5
    inner[36867], inner[42033], inner[37510] = "2026:03:01 10:00:00", "SERIAL-4711", b"ASCII\0\0\0secret remark"
    inner[37500] = b"maker note with a face rectangle"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (52.0, 30.0, 11.5), "E", (13.0, 22.0, 40.2)
    return exif


SECRETS = (
    b"Jane Q. Owner",
    b"SERIAL-4711",
    b"secret remark",
    b"maker note",
    b"2026:03:01",
    b"client's kitchen",
    b"XMP-LOCATION",
    b"IPTC-CITY",
    b"a comment",
    b"trailer after the image",
)


def jpeg(seed: int = 0, exif: bool = True, width: int = 320, height: int = 240, **options: Any) -> bytes:
    """A real JPEG, with personal metadata of every kind where `exif`."""
    out = io.BytesIO()
    extra = {"exif": exif_with_everything(), "comment": b"a comment"} if exif else {}
    Image.fromarray(pixels(seed, width, height)).save(out, "JPEG", quality=90, **extra, **options)
    data = out.getvalue()
    if exif:
        xmp = b"http://ns.adobe.com/xap/1.0/\0<x>XMP-LOCATION</x>"
        iptc = b"Photoshop 3.0\0IPTC-CITY"
        segments = b"".join(
            b"\xff" + bytes([m]) + (len(b) + 2).to_bytes(2, "big") + b for m, b in ((0xE1, xmp), (0xED, iptc))
        )
        data = data[:2] + segments + data[2:] + b"trailer after the image"
    return data


def answer(verdict: str = "pass", offset_mm: float = 0.4, skew_deg: float = -0.2, **more: Any) -> dict[str, Any]:
    """An answer as the command line gives it, with two judged measures and one that is not."""

    def judged(value: float, limit: float, unit: str) -> dict[str, Any]:
        state = "in" if abs(value) < limit else "out"
        return {"value": value, "U95": 0.4, "unit": unit, "low": -limit, "high": limit, "state": state}

    return {
        "schema": 1,
        "verdict": verdict,
        "measures": {
            "offset_mm": judged(offset_mm, 3.0, "mm"),
            "skew_deg": judged(skew_deg, 2.0, "deg"),
            "clearance_centre_mm": None,
            "width_front_mm": {"value": 126.4, "U95": 1.0, "unit": "mm"},
        },
        "landmarks_px": {"fold_front": [10.5, 20.25]},
        "problems": [],
        "fixes": [] if verdict == "pass" else ["Move the front pin 1.2 mm to the wearer's right."],
        **more,
    }


def tree(folder: Path) -> dict[str, bytes]:
    """All files under a folder by relative name."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
