"""Drawing on a photo: pens, tags and words that show on anything, and the picture's file.

A picture is the photo's part round the block, the long side 1600 px, under a transparent layer
drawn at twice the size and reduced. Everything on the layer has a dark halo, so that it shows on
black lace, blonde hair and white tables alike. Colours are the Okabe-Ito palette, told apart
with all common colour vision; a state is a symbol, a word and a border (thin: in, thick: out,
broken: unsure) beside its colour. Tags and names look for a free spot near what they name: of
places around it at growing distance, moved into the picture where they leave it, the one that
covers least of what is taken already, and lies nearest and most in the direction asked for. What is drawn
is for others to say (overlay.py, guidelines/photo.py, stitches/picture.py).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from placecheck.answer import State
from placecheck.errors import UnusableFile, UsageProblem
from placecheck.whole_files import writing

if TYPE_CHECKING:
    from PIL import Image, ImageDraw

FloatArray = npt.NDArray[np.float64]
Colour = tuple[int, int, int]
Box = tuple[float, float, float, float]
Point = Sequence[float] | FloatArray
Border = Literal["thin", "thick", "broken"]

LONG_SIDE_PX = 1600
SUPERSAMPLING = 2
MARGIN = 0.10
TAG_PX = 34.0
NAME_PX = 34.0
CLEAR_PX = 20.0
TEXT_COUNTS = 6
"""How many times what covers text counts in placing more of it: it would rather go far."""

# Okabe & Ito, Color Universal Design (2008), from memory
ORANGE, SKY, GREEN, YELLOW = (230, 159, 0), (86, 180, 233), (0, 158, 115), (240, 228, 66)
VERMILLION, PURPLE, BLACK, WHITE = (213, 94, 0), (204, 121, 167), (0, 0, 0), (255, 255, 255)

BORDERS: Mapping[State | None, Border] = {"in": "thin", "out": "thick", "unsure": "broken", None: "thin"}
STATE_COLOUR: Mapping[State | None, Colour] = {"in": SKY, "out": VERMILLION, "unsure": YELLOW, None: WHITE}


def box_round(points: FloatArray, width: int, height: int) -> tuple[int, int, int, int]:
    """The part of a `width` x `height` photo round `points` (N, 2), with a margin: left, top, right, bottom px."""
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 3:
        return 0, 0, width, height
    low, high = points.min(axis=0), points.max(axis=0)
    margin = MARGIN * float((high - low).max())
    left, top = np.floor(np.maximum(low - margin, 0)).astype(int)
    right, bottom = np.ceil(np.minimum(high + margin, [width, height])).astype(int)
    if right - left < 16 or bottom - top < 16:
        return 0, 0, width, height
    return int(left), int(top), int(right), int(bottom)


def dash_pieces(line: FloatArray, dashes: Sequence[float]) -> list[FloatArray]:
    """`line` (N, 2) cut into strokes by `dashes` (on, off, on, off ... px); gaps of NaN part it as well."""
    finite = [bool(np.isfinite(point).all()) for point in line]
    runs = [
        line[[i for i, _ in group]]
        for good, group in itertools.groupby(enumerate(finite), key=lambda item: item[1])
        if good
    ]
    if not dashes:
        return [run for run in runs if len(run) > 1]
    pieces = []
    for run in runs:
        if len(run) < 2:
            continue
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(run, axis=0), axis=1))])
        at = 0.0
        for number, dash in enumerate(itertools.cycle(dashes)):
            if at >= length[-1]:
                break
            end = min(at + dash, length[-1])
            if number % 2 == 0:
                inside = (length > at) & (length < end)
                ends = np.stack([np.interp([at, end], length, run[:, k]) for k in (0, 1)], axis=1)
                pieces.append(np.concatenate([ends[:1], run[inside], ends[1:]]))
            at = end
    return pieces


def _overlap(a: FloatArray, b: FloatArray) -> FloatArray:
    """Area that boxes (..., 4) share; the leading shapes are broadcast."""
    sides = np.minimum(a[..., 2:], b[..., 2:]) - np.maximum(a[..., :2], b[..., :2])
    return np.asarray(np.prod(np.maximum(sides, 0.0), axis=-1))


class Layer:
    """A transparent layer over the cropped photo, drawn in pixels of the finished picture."""

    def __init__(self, size: tuple[int, int]) -> None:
        from PIL import Image, ImageDraw

        self.size = size
        self.image = Image.new("RGBA", (size[0] * SUPERSAMPLING, size[1] * SUPERSAMPLING), (0, 0, 0, 0))
        self.draw: ImageDraw.ImageDraw = ImageDraw.Draw(self.image)
        self.taken: list[Box] = []
        self._tags: list[Callable[[], None]] = []

    def _xy(self, points: Iterable[Point]) -> list[tuple[float, float]]:
        return [((p[0] + 0.5) * SUPERSAMPLING - 0.5, (p[1] + 0.5) * SUPERSAMPLING - 0.5) for p in points]

    def stroke(self, pieces: Sequence[FloatArray], colour: Colour, width: float, halo: float = 3.0) -> None:
        """Polylines with round ends on a dark halo."""
        for paint, w in (((*BLACK, 190), width + 2 * halo), ((*colour, 255), width)):
            wide = max(1, round(w * SUPERSAMPLING))
            for piece in pieces:
                xy = self._xy(piece)
                self.draw.line(xy, fill=paint, width=wide, joint="curve")
                for x, y in (xy[0], xy[-1]):
                    r = wide / 2
                    self.draw.ellipse((x - r, y - r, x + r, y + r), fill=paint)

    def dot(self, at: Point, radius: float, colour: Colour, hollow: bool) -> None:
        """A round mark; hollow where it is only a guess."""
        ((x, y),) = self._xy([at])
        for r, paint in ((radius + 3, (*BLACK, 220)), (radius, (*colour, 255))):
            r *= SUPERSAMPLING
            self.draw.ellipse((x - r, y - r, x + r, y + r), fill=paint)
        if hollow:
            r = radius * 0.55 * SUPERSAMPLING
            self.draw.ellipse((x - r, y - r, x + r, y + r), fill=(*BLACK, 255))

    def ring(self, at: FloatArray, radius: float, colour: Colour, width: float) -> None:
        """A circle about a place, on a dark halo."""
        turn = np.linspace(0.0, 2 * np.pi, 33)
        self.stroke([at + radius * np.stack([np.cos(turn), np.sin(turn)], -1)], colour, width)

    def arrow(self, start: FloatArray, end: FloatArray, colour: Colour, width: float) -> None:
        """An arrow with a filled head, on a dark halo; tags keep clear of it."""
        along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
        across = np.array([-along[1], along[0]])
        neck = end - 3.2 * width * along
        head = np.stack([end, neck + 1.9 * width * across, neck - 1.9 * width * across])
        for paint, grown in (((*BLACK, 220), 4.0), ((*colour, 255), 0.0)):
            shaft = self._xy([start - grown * along, neck])
            self.draw.line(shaft, fill=paint, width=round((width + 2 * grown) * SUPERSAMPLING))
            middle = head.mean(axis=0)
            out = head + grown * 2.0 * (head - middle) / np.linalg.norm(head - middle, axis=1, keepdims=True)
            self.draw.polygon(self._xy(out), fill=paint)
        (x0, y0), (x1, y1) = np.minimum(start, end) - 2 * width, np.maximum(start, end) + 2 * width
        self.taken.append((float(x0), float(y0), float(x1), float(y1)))

    def text_size(self, text: str, px: float) -> tuple[float, float]:
        box = self.draw.textbbox((0, 0), text, font=_font(px * SUPERSAMPLING), anchor="la")
        return box[2] / SUPERSAMPLING, px * 1.15

    def text(self, at: tuple[float, float], text: str, px: float, colour: Colour, halo: bool = True) -> None:
        """Text with its upper left at `at`."""
        ((x, y),) = self._xy([at])
        width = round(px * SUPERSAMPLING / 9) if halo else 0
        font = _font(px * SUPERSAMPLING)
        self.draw.text((x, y), text, font=font, fill=(*colour, 255), stroke_width=width, stroke_fill=(*BLACK, 235))

    def symbol(self, at: tuple[float, float], px: float, state: State | None, colour: Colour) -> None:
        """A tick, a cross, a question mark or a dash in a square of `px`, upper left at `at`."""
        x, y = at
        strokes: Mapping[State | None, list[list[tuple[float, float]]]] = {
            "in": [[(0.1, 0.55), (0.4, 0.85), (0.92, 0.2)]],
            "out": [[(0.15, 0.15), (0.85, 0.85)], [(0.85, 0.15), (0.15, 0.85)]],
            None: [[(0.15, 0.5), (0.85, 0.5)]],
        }
        if state == "unsure":
            self.text((x + 0.15 * px, y - 0.1 * px), "?", px * 1.1, colour, halo=False)
            return
        for stroke in strokes[state]:
            points = np.array([(x + a * px, y + b * px) for a, b in stroke])
            self.stroke([points], colour, px * 0.14, halo=0)

    def keep_clear(self, line: FloatArray) -> None:
        """Tags should not cover this line (N, 2)."""
        for piece in dash_pieces(line, (CLEAR_PX, CLEAR_PX)):
            x, y = piece.mean(axis=0)
            self.taken.append((x - CLEAR_PX, y - CLEAR_PX, x + CLEAR_PX, y + CLEAR_PX))

    def keep_in_sight(self, at: FloatArray, reach: float) -> None:
        """No text should cover what lies within `reach` px of this place."""
        self.taken += [(at[0] - reach, at[1] - reach, at[0] + reach, at[1] + reach)] * TEXT_COUNTS

    def place(self, anchor: Point, size: tuple[float, float], away: Point, reach: float) -> Box:
        """A free spot for a box of `size` near `anchor`, preferably in the direction `away`; marks it as taken."""
        w, h = size
        toward = float(np.arctan2(away[1], away[0]))
        step = np.arange(16)
        turn = (step + 1) // 2 * (np.pi / 8) * np.where(step % 2, -1, 1)
        far, turn = (v.ravel() for v in np.meshgrid((1.0, 1.7, 2.6, 3.6, 5.0), turn, indexing="ij"))
        x = anchor[0] + np.cos(toward + turn) * (reach * far + w / 2) - w / 2
        y = anchor[1] + np.sin(toward + turn) * (reach * far + h / 2) - h / 2
        x, y = (np.clip(at, 4.0, max(4.0, side - 4.0)) for at, side in ((x, self.size[0] - w), (y, self.size[1] - h)))
        boxes = np.stack([x, y, x + w, y + h], axis=-1)
        wider = boxes + np.array([-5.0, -5.0, 5.0, 5.0])
        covered = _overlap(wider[:, None], np.reshape(self.taken, (-1, 4))).sum(axis=1)
        cost = 6 * covered + (np.abs(turn) / np.pi * 0.4 + far * 0.15) * w * h
        x0, y0, x1, y1 = (float(v) for v in boxes[np.argmin(cost)])
        self.taken += [(x0, y0, x1, y1)] * TEXT_COUNTS
        return x0, y0, x1, y1

    def border(self, box: Box, kind: Border, colour: Colour) -> None:
        """A box's border, thin, thick or broken."""
        x0, y0, x1, y1 = box
        ring = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])
        width = 6.0 if kind == "thick" else 2.5
        self.stroke(dash_pieces(ring, (12.0, 9.0) if kind == "broken" else ()), colour, width, halo=1.0)

    def tag(self, anchor: Point, away: Point, lines: Sequence[str], state: State | None) -> None:
        """A bordered tag with text lines, tied to `anchor` by a thin leader; a state adds its symbol.

        The tags themselves come last, so that no leader runs over another's numbers.
        """
        px = TAG_PX
        sign = px * 0.95 if state is not None else 0.0
        width = max(self.text_size(line, px)[0] for line in lines) + 20 + (sign + 10 if sign else 0)
        box = self.place(anchor, (width, px * 1.2 * len(lines) + 14), away, 46.0)
        x0, y0, x1, y1 = box
        near = (float(np.clip(anchor[0], x0, x1)), float(np.clip(anchor[1], y0, y1)))
        self.stroke([np.array([anchor, near], float)], WHITE, 2.0, halo=1.5)
        self._tags.append(lambda: self._box(box, lines, state, sign))

    def _box(self, box: Box, lines: Sequence[str], state: State | None, sign: float) -> None:
        """A tag without its leader; `sign` is its symbol's size, px, 0 for none."""
        x0, y0, x1, y1 = box
        px = TAG_PX
        (a, b) = self._xy([(x0, y0), (x1, y1)])
        self.draw.rectangle((*a, *b), fill=(*BLACK, 200))
        self.border(box, BORDERS[state], STATE_COLOUR[state])
        for number, line in enumerate(lines):
            self.text((x0 + 10, y0 + 6 + number * px * 1.2), line, px, WHITE, halo=False)
        if sign:
            self.symbol((x1 - sign - 8, y0 + 8), sign, state, STATE_COLOUR[state])

    def over(self, photo: Image.Image) -> Image.Image:
        """The photo with this layer over it."""
        from PIL import Image

        for draw in self._tags:
            draw()
        small = self.image.resize(self.size, Image.Resampling.BOX)
        return Image.alpha_composite(photo.convert("RGBA"), small).convert("RGB")


def _font(px: float):  # type: ignore[no-untyped-def]
    from PIL import ImageFont

    return ImageFont.load_default(max(8.0, px))


def wrapped(layer: Layer, text: str, px: float, width: float) -> list[str]:
    """Words to lines no wider than `width` px in letters of `px`."""
    lines, line = [], ""
    for word in text.split():
        if line and layer.text_size(f"{line} {word}", px)[0] > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line]


def framed(
    image: npt.NDArray[np.uint8], box: tuple[int, int, int, int]
) -> tuple[Image.Image, Callable[[object], FloatArray]]:
    """The part of a BGR photo in `box`, LONG_SIDE_PX long, and what brings pixels (N, 2) of the photo into it."""
    from PIL import Image

    left, top, right, bottom = box
    part = Image.fromarray(np.ascontiguousarray(image[top:bottom, left:right, ::-1]))
    scale = LONG_SIDE_PX / max(part.size)
    size = (max(1, round(part.width * scale)), max(1, round(part.height * scale)))
    part = part.resize(size, Image.Resampling.LANCZOS if scale < 1 else Image.Resampling.BICUBIC)

    def placed(points: object) -> FloatArray:
        # pixel centres at integers: the crop's corner is at left - 0.5
        return (np.asarray(points, float).reshape(-1, 2) - [left - 0.5, top - 0.5]) * scale - 0.5

    return part, placed


def save_picture(picture: Image.Image, path: Path) -> None:
    """Write the picture as JPEG or PNG by its name's ending, whole or not at all. Raises PlacecheckError."""
    kind = {".jpg": "JPEG", ".jpeg": "JPEG", ".png": "PNG"}.get(path.suffix.lower())
    if kind is None:
        raise UsageProblem("overlay-name", f"The picture {path} must end in .jpg or .png.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with writing(path, mode=0o644) as file:
            picture.save(file, kind, **({"quality": 90} if kind == "JPEG" else {}))
    except OSError as error:
        why = "its folder is a file" if isinstance(error, FileExistsError) else error.strerror
        raise UnusableFile(
            "overlay-unwritable", f"The picture {path} cannot be written ({why}): name another file."
        ) from None
