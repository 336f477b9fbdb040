"""Photo: bytes of a file to one upright picture, and what the file says about it.

The bytes are read once and decoded in one place. The kind of file is told from its first bytes, its
size in pixels from its header, before any pixel is decoded (a small file can unpack to gigabytes).
OpenCV fills what a cut JPEG lacks with grey, so the file's own structure is walked to its end
marker first; where its data are damaged, it makes a picture all the same and the decoder's warning
alone tells (photo_bytes.py). Damage that a decoder cannot notice is not noticed. A large JPEG gives
its grey whole and its colours smaller, all that measuring needs. Readers disagree about EXIF
orientation (OpenCV's colour modes apply it, others do not), so it is read with Pillow, ignored in
decoding and applied here, all eight cases. HEIF keeps its orientation in the container (irot,
imir), which libheif applies; EXIF's copy is only informative there and is not applied a second
time. Whether the picture is good enough is light_and_sharpness.py's part.
"""

from __future__ import annotations

import hashlib
import io
import stat
import struct
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.colours import Colours, colours_of, shrink_for
from placecheck.errors import INSTALL_EXTRA, UnusableFile
from placecheck.photo_bytes import heif_names_are_text, jpeg_damage, jpeg_end, kind_of, png_is_complete
from placecheck.sent_by_mistake import not_a_photo

Image = npt.NDArray[np.uint8]

MIN_PIXELS = 1_000_000
MAX_PIXELS = 51_000_000
"""50 MP as phones count: a "50 MP" sensor delivers up to 8192 x 6144 = 50.3 million pixels."""
MAX_FILE_BYTES = 200_000_000
"""More than any 50 MP photo: an 8-bit colour picture of that size is 150 MB without compression."""

TAG_MAKE, TAG_MODEL, TAG_ORIENTATION, TAG_EXIF_IFD = 271, 272, 274, 0x8769
TAG_DIGITAL_ZOOM, TAG_FOCAL_35MM = 0xA404, 0xA405


@dataclass(frozen=True, eq=False)
class Photo:
    """One upright photo, and what its file says about it. Pixels are read-only.

    `gray` is (height, width) uint8, `colours` what is looked for on the block is looked for in; the whole picture in
    colour, `image` (height, width, 3) uint8 BGR, is made by `decode_whole` the first time it is wanted.
    `focal_35mm` is EXIF's FocalLengthIn35mmFilm in mm, None where absent or 0 (unknown); `digital_zoom` is EXIF's
    DigitalZoomRatio, 1.0 where absent or 0 (not used). `sha256` is of the file's bytes. `was_rotated` tells that
    EXIF orientation was applied (so a camera profile knows which way the sensor was turned).
    """

    gray: Image = field(repr=False)
    colours: Colours
    decode_whole: Callable[[], Image] = field(repr=False)
    width: int
    height: int
    sha256: str
    focal_35mm: float | None = None
    digital_zoom: float = 1.0
    make: str | None = None
    model: str | None = None
    was_rotated: bool = False
    orientation: int = 1
    kind: str = "jpeg"
    name: str = ""

    @property
    def stored_size(self) -> tuple[int, int]:
        """Width and height as the sensor gave them, before the picture was turned upright."""
        return (self.height, self.width) if self.orientation >= 5 else (self.width, self.height)

    def emptied(self) -> Photo:
        """The same without its pixels, for whoever asks what its file says only."""
        nothing = np.zeros((1, 1, 3), np.uint8)
        return replace(self, gray=nothing[..., 0], colours=Colours(nothing), decode_whole=lambda: nothing)

    @cached_property
    def image(self) -> Image:
        """The whole picture in colour, for pictures to be shown."""
        return self.decode_whole()


def load_photo(source: Path | bytes) -> Photo:
    """Read and decode one photo. Raises UnusableFile with a stable code and one sentence."""
    data, name = (source, "the photo") if isinstance(source, bytes) else (read_bytes(source), Path(source).name)
    if not data:
        raise UnusableFile("empty-file", f"{name} is empty (0 bytes): copy it from the phone again.")
    kind = kind_of(data)
    if kind is None:
        raise not_a_photo(data, name)
    if (kind == "jpeg" and jpeg_end(data) is None) or (kind == "png" and not png_is_complete(data)):
        raise _truncated(name)
    header = _heic_header(data, name) if kind == "heic" else _header(data, name)
    _check_size(header.width, header.height, name)
    decoded = header.decode()
    height, width = decoded.gray.shape
    return Photo(
        gray=decoded.gray,
        colours=decoded.colours,
        decode_whole=decoded.whole,
        width=width,
        height=height,
        sha256=hashlib.sha256(data).hexdigest(),
        focal_35mm=_positive(header.tags.get(TAG_FOCAL_35MM)),
        digital_zoom=_positive(header.tags.get(TAG_DIGITAL_ZOOM)) or 1.0,
        make=_text(header.tags.get(TAG_MAKE)),
        model=_text(header.tags.get(TAG_MODEL)),
        was_rotated=header.orientation != 1,
        orientation=header.orientation,
        kind=kind,
        name="" if isinstance(source, bytes) else name,
    )


def read_bytes(path: Path) -> bytes:
    """The bytes of a file.

    Raises UnusableFile: missing-file, is-a-folder, not-a-file, no-permission, too-large, unreadable.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise UnusableFile("is-a-folder", f"{path} is a folder: name the photo itself, or {path / '*.jpg'}.")
        there = path.stat()
        if not stat.S_ISREG(there.st_mode):
            raise UnusableFile(
                "not-a-file", f"{path} is a pipe or a device, no file: save the photo as a file, and name that."
            )
        if there.st_size > MAX_FILE_BYTES:
            raise UnusableFile(
                "too-large", f"{path.name} is larger than {MAX_FILE_BYTES // 10**6} MB: give the photo as JPEG."
            )
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        quotes = "" if path.suffix else ", and put quotes round a name with blanks in it"
        raise UnusableFile("missing-file", f"{path} does not exist: check the name and the folder{quotes}.") from None
    except PermissionError:
        raise UnusableFile("no-permission", f"{path} may not be read: give yourself permission to read it.") from None
    except (OSError, ValueError) as error:
        raise UnusableFile("unreadable", f"{path} cannot be read ({error}): copy it from the phone again.") from None


def upright(image: Image, orientation: int) -> Image:
    """A stored picture turned as EXIF orientation 1..8 asks (TIFF 6.0 / EXIF 2.3, tag 274); a view where possible."""
    if orientation in (5, 6, 7, 8):
        image = np.swapaxes(image, 0, 1)
    if orientation in (2, 3, 6, 7):
        image = image[:, ::-1]
    if orientation in (3, 4, 7, 8):
        image = image[::-1]
    return image


def _kept(image: Image, orientation: int = 1) -> Image:
    """A stored picture upright, read-only."""
    image = np.ascontiguousarray(upright(image, orientation))
    image.flags.writeable = False
    return image


# ----------------------------------------------------------------------------- headers


@dataclass(frozen=True)
class _Header:
    width: int
    height: int
    orientation: int
    tags: dict[int, Any]
    decode: Callable[[], _Decoded]


@dataclass(frozen=True)
class _Decoded:
    """A photo's pixels, upright; `whole` gives them all in colour."""

    gray: Image
    colours: Colours
    whole: Callable[[], Image]


def _of_whole(image: Image) -> _Decoded:
    """What is kept of an upright picture that was decoded whole."""
    from placecheck import vision

    return _Decoded(_kept(vision.to_gray(image)), colours_of(image), lambda: image)


def _header(data: bytes, name: str) -> _Header:
    """Size, orientation and EXIF of a JPEG or PNG without decoding it."""
    from PIL import Image as Pillow
    from PIL import UnidentifiedImageError

    from placecheck import vision

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            opened = Pillow.open(io.BytesIO(data), formats=("JPEG", "PNG"))
    except Pillow.DecompressionBombError:
        raise _too_large(name) from None
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, struct.error):
        raise _damaged(name) from None
    tags = _tags(opened)
    orientation, shrink = _orientation(tags), shrink_for(*opened.size) if opened.format == "JPEG" else 1

    def whole() -> Image:
        image, said = vision.decode_color(data)
        if image is None or jpeg_damage(said, data):
            raise _damaged(name)
        return _kept(image, orientation)

    def decode() -> _Decoded:
        if shrink == 1:
            return _of_whole(whole())
        gray, small, said = vision.decode_gray_and_reduced(data, shrink)
        if gray is None or small is None or jpeg_damage(said, data):
            raise _damaged(name)
        return _Decoded(_kept(gray, orientation), Colours(_kept(small, orientation), shrink), whole)

    return _Header(*opened.size, orientation, tags, decode)


def _heic_header(data: bytes, name: str) -> _Header:
    """Size and EXIF of a HEIC by the optional pi-heif; its pixels come already upright."""
    try:
        import pi_heif
    except ImportError:
        raise UnusableFile(
            "heic-not-supported",
            f"{name} is a HEIC photo: {INSTALL_EXTRA.format('heic')}, or save it as JPEG on the phone.",
        ) from None
    from placecheck import vision

    if not heif_names_are_text(data):
        raise _damaged(name)
    try:
        heif = pi_heif.open_heif(data, convert_hdr_to_8bit=True)
        width, height = heif.size
    except MemoryError:
        raise
    except Exception:
        raise _damaged(name) from None
    tags = heif_tags(heif)

    def decode() -> _Decoded:
        try:
            pixels = np.asarray(heif.to_pillow().convert("RGB"))
        except MemoryError:
            raise
        except Exception:
            raise _damaged(name) from None
        return _of_whole(_kept(vision.rgb_to_bgr(pixels)))

    return _Header(width, height, 1, tags, decode)


def heif_tags(heif: Any) -> dict[int, Any]:
    """EXIF's tags of an opened HEIF; damaged EXIF has none."""
    from PIL import Image as Pillow

    exif = Pillow.Exif()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            exif.load(heif.info.get("exif") or b"")
            return read_tags(exif)
        except Exception:
            return {}


def _tags(opened: Any) -> dict[int, Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return read_tags(opened.getexif())
        except Exception:  # damaged EXIF must not cost the photo
            return {}


def read_tags(exif: Any) -> dict[int, Any]:
    """EXIF's main tags and those of its Exif folder, in one dictionary; what cannot be read is left out."""
    tags: dict[int, Any] = {}
    for tag in (TAG_MAKE, TAG_MODEL, TAG_ORIENTATION):
        if tag in exif:
            tags[tag] = exif[tag]
    folder = exif.get_ifd(TAG_EXIF_IFD)
    for tag in (TAG_DIGITAL_ZOOM, TAG_FOCAL_35MM):
        if tag in folder:
            tags[tag] = folder[tag]
    return tags


def _orientation(tags: dict[int, Any]) -> int:
    value = tags.get(TAG_ORIENTATION)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _positive(value: Any) -> float | None:
    """A positive finite number, or None (0 means unknown in both tags)."""
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _text(value: Any) -> str | None:
    text = "".join(c for c in value.split("\0")[0] if c.isprintable()).strip() if isinstance(value, str) else ""
    return text or None


def _check_size(width: int, height: int, name: str) -> None:
    if width * height > MAX_PIXELS:
        raise _too_large(name, width, height)
    if width * height < MIN_PIXELS or min(width, height) < 500:
        raise UnusableFile(
            "too-small",
            f"{name} is only {width} x {height} pixels: send the original photo (at least 1 megapixel), not a preview.",
        )


def _too_large(name: str, width: int = 0, height: int = 0) -> UnusableFile:
    size = f" ({width} x {height} pixels)" if width else ""
    return UnusableFile(
        "too-large", f"{name} is larger than 50 megapixels{size}: take the photo with the camera's normal setting."
    )


def _truncated(name: str) -> UnusableFile:
    return UnusableFile("truncated", f"{name} ends too early (copying was cut off): copy it from the phone again.")


def _damaged(name: str) -> UnusableFile:
    return UnusableFile(
        "not-an-image", f"{name} cannot be read as a photo (the file is damaged): copy it from the phone again."
    )
