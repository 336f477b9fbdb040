"""The overlay: the photo round the block with lines, corners, numbers and their states drawn on it.

Made to be read on a phone at the bench: cropped to the block, the long side 1600 px, thick
lines and large text, all on a dark halo, so that they show on black lace, blonde hair and white
tables alike. Colours are the Okabe-Ito palette, told apart with all common colour vision, and
nothing rests on colour alone: every line has its name at its end and its own stroke, every
number tag carries its state as a symbol, a word and a border (thin: in, thick: out, broken:
unsure). What was only guessed is drawn broken and named so. The photo is not turned
(beyond EXIF), so that "toward the upper left of the photo" in the advice stays true. A panel
below repeats the verdict and the judged measures. Drawn at twice the size and reduced.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from placecheck.advice import station_mm
from placecheck.answer import MEASURE_BY_NAME, Answer, State
from placecheck.errors import UsageProblem
from placecheck.printout import STATE_WORDS, in_words, verdict_text
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
NAMES_APART = 5.0
CLEAR_PX = 20.0

# Okabe & Ito, Color Universal Design (2008), from memory
ORANGE, SKY, GREEN, YELLOW = (230, 159, 0), (86, 180, 233), (0, 158, 115), (240, 228, 66)
VERMILLION, PURPLE, BLACK, WHITE = (213, 94, 0), (204, 121, 167), (0, 0, 0), (255, 255, 255)


@dataclass(frozen=True)
class LineStyle:
    """Colour, width (px of the finished picture), dash lengths on/off in turn (empty: solid), and the name shown."""

    colour: Colour
    width: float
    dashes: tuple[float, ...]
    name: str


LINES: Mapping[str, LineStyle] = {
    "outline": LineStyle(WHITE, 2.0, (), "block"),
    "rectangle": LineStyle(YELLOW, 3.0, (), ""),
    "cap_rim": LineStyle(ORANGE, 5.0, (), "cap edge"),
    "centre_line": LineStyle(SKY, 4.0, (34.0, 9.0, 6.0, 9.0), "cap's centre line"),
    "hairline": LineStyle(GREEN, 5.0, (), "hairline"),
    "fold": LineStyle(PURPLE, 5.0, (), "fold"),
    "block_line": LineStyle(GREEN, 4.0, (16.0, 8.0), "block's middle"),
}
GUESS_DASHES = (10.0, 10.0)
BORDERS: Mapping[State | None, Border] = {"in": "thin", "out": "thick", "unsure": "broken", None: "thin"}
STATE_COLOUR: Mapping[State | None, Colour] = {"in": SKY, "out": VERMILLION, "unsure": YELLOW, None: WHITE}
_CORNERS = ("front_left", "front_right", "back_left", "back_right")


def crop_box(answer: Answer, width: int, height: int) -> tuple[int, int, int, int]:
    """The part of a `width` x `height` photo that shows the block: left, top, right, bottom px; all where unknown."""
    findings = answer.measured.findings
    parts = [np.asarray(line, float).reshape(-1, 2) for line in findings.lines_px.values()]
    if findings.landmarks_px:
        parts.append(np.asarray(list(findings.landmarks_px.values()), float))
    return box_round(np.concatenate(parts) if parts else np.empty((0, 2)), width, height)


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

    def place(self, anchor: Point, size: tuple[float, float], away: Point, reach: float) -> Box:
        """A free spot for a box of `size` near `anchor`, preferably in the direction `away`; marks it as taken."""
        w, h = size
        toward = float(np.arctan2(away[1], away[0]))
        step = np.arange(16)
        turn = (step + 1) // 2 * (np.pi / 8) * np.where(step % 2, -1, 1)
        far, turn = (v.ravel() for v in np.meshgrid((1.0, 1.7, 2.6, 3.6, 5.0), turn, indexing="ij"))
        x = anchor[0] + np.cos(toward + turn) * (reach * far + w / 2) - w / 2
        y = anchor[1] + np.sin(toward + turn) * (reach * far + h / 2) - h / 2
        boxes = np.stack([x, y, x + w, y + h], axis=-1)
        outside = w * h - _overlap(boxes, np.array([4.0, 4.0, self.size[0] - 4.0, self.size[1] - 4.0]))
        wider = boxes + np.array([-5.0, -5.0, 5.0, 5.0])
        covered = _overlap(wider[:, None], np.reshape(self.taken, (-1, 4))).sum(axis=1)
        cost = 8 * outside + 6 * covered + (np.abs(turn) / np.pi * 0.4 + far * 0.15) * w * h
        x0, y0, x1, y1 = (float(v) for v in boxes[np.argmin(cost)])
        self.taken.append((x0, y0, x1, y1))
        return x0, y0, x1, y1

    def border(self, box: Box, kind: Border, colour: Colour) -> None:
        x0, y0, x1, y1 = box
        ring = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])
        width = 6.0 if kind == "thick" else 2.5
        self.stroke(dash_pieces(ring, (12.0, 9.0) if kind == "broken" else ()), colour, width, halo=1.0)

    def tag(self, anchor: Point, away: Point, lines: Sequence[str], state: State | None) -> None:
        """A bordered tag with text lines, tied to `anchor` by a thin leader; a state adds its symbol."""
        px = TAG_PX
        sign = px * 0.95 if state is not None else 0.0
        width = max(self.text_size(line, px)[0] for line in lines) + 20 + (sign + 10 if sign else 0)
        box = self.place(anchor, (width, px * 1.2 * len(lines) + 14), away, 46.0)
        x0, y0, x1, y1 = box
        near = (float(np.clip(anchor[0], x0, x1)), float(np.clip(anchor[1], y0, y1)))
        self.stroke([np.array([anchor, near], float)], WHITE, 2.0, halo=1.5)
        (a, b) = self._xy([(x0, y0), (x1, y1)])
        self.draw.rectangle((*a, *b), fill=(*BLACK, 200))
        self.border(box, BORDERS[state], STATE_COLOUR[state])
        for number, line in enumerate(lines):
            self.text((x0 + 10, y0 + 6 + number * px * 1.2), line, px, WHITE, halo=False)
        if sign:
            self.symbol((x1 - sign - 8, y0 + 8), sign, state, STATE_COLOUR[state])

    def over(self, photo: Image.Image) -> Image.Image:
        from PIL import Image

        small = self.image.resize(self.size, Image.Resampling.BOX)
        return Image.alpha_composite(photo.convert("RGBA"), small).convert("RGB")


def _pale(colour: Colour) -> Colour:
    """The colour half way to white, for text."""
    r, g, b = ((c + 255) // 2 for c in colour)
    return r, g, b


def _font(px: float):  # type: ignore[no-untyped-def]
    from PIL import ImageFont

    return ImageFont.load_default(max(8.0, px))


def _point_along(line: FloatArray | None, start: FloatArray, end: FloatArray, share: float) -> FloatArray:
    """The point `share` of the way from `start` to `end`, on `line` where there is one (its nearest point)."""
    straight = start + (end - start) * share
    if line is None or not len(line):
        return straight
    # the hairline bows: a nearest point along the bow direction, not straight across it
    across = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    return np.asarray(line[np.nanargmin(np.abs((line - straight) @ across))], float)


def _name_at(line: FloatArray, centre: FloatArray, others: Sequence[FloatArray]) -> FloatArray:
    """Where on `line` (N, 2) its name goes: far from the middle, at the other end where another line's name stands."""
    far = line[np.argmax(np.linalg.norm(line - centre, axis=1))]
    ends = sorted((far, line[0], line[-1]), key=lambda end: float(np.linalg.norm(end - far)))
    free = (e for e in ends if all(np.linalg.norm(e - other) > NAMES_APART * NAME_PX for other in others))
    return np.asarray(next(free, far), float)


def _draw_lines(layer: Layer, answer: Answer, lines: Mapping[str, FloatArray], centre: FloatArray) -> None:
    """All lines first, then their names, so that no line runs over a name."""
    findings = answer.measured.findings
    names: list[tuple[FloatArray, str, Colour]] = []
    for name, style in LINES.items():
        line = lines.get(name)
        if line is None or len(line) < 2:
            continue
        closed = name in ("outline", "rectangle")
        if closed and np.isfinite(line[[0, -1]]).all():
            line = np.concatenate([line, line[:1]])
        guess = name in findings.guesses
        layer.stroke(dash_pieces(line, GUESS_DASHES if guess else style.dashes), style.colour, style.width)
        finite = line[np.isfinite(line).all(axis=1)]
        if name in ("hairline", "cap_rim", "fold"):
            layer.keep_clear(finite)
        if style.name and name != "outline" and len(finite):
            by = " (by hand)" if name in findings.by_hand else ""
            at = _name_at(finite, centre, [point for point, _, _ in names])
            names.append((at, style.name + (" (guess)" if guess else by), style.colour))
    for at, label, colour in names:
        size = layer.text_size(label, NAME_PX)
        x0, y0, _, _ = layer.place(at, size, at - centre, 14.0)
        layer.text((x0, y0), label, NAME_PX, _pale(colour))


def _draw_corners(layer: Layer, answer: Answer, marks: Mapping[str, FloatArray], centre: FloatArray) -> None:
    findings = answer.measured.findings
    for name, at in marks.items():
        guess = name in findings.guesses
        layer.dot(at, 9.0, YELLOW if name in _CORNERS else PURPLE, hollow=guess)
        layer.taken.append((at[0] - 12, at[1] - 12, at[0] + 12, at[1] + 12))
    for name in _CORNERS:
        if name in marks:
            label = ("L" if name.endswith("left") else "R") + (" (guess)" if name in findings.guesses else "")
            at = marks[name]
            x0, y0, _, _ = layer.place(at, layer.text_size(label, 44.0), at - centre, 16.0)
            layer.text((x0, y0), label, 44.0, WHITE)


def _draw_pins(layer: Layer, heads: FloatArray, centre: FloatArray) -> None:
    """A ring round every pin (N, 2) that holds the centre line, with its name once."""
    turn = np.linspace(0.0, 2 * np.pi, 33)
    for at in heads:
        layer.stroke([at + 17.0 * np.stack([np.cos(turn), np.sin(turn)], -1)], LINES["centre_line"].colour, 3.0)
        layer.taken.append((at[0] - 20, at[1] - 20, at[0] + 20, at[1] + 20))
    at = heads[np.argmax(np.linalg.norm(heads - centre, axis=1))]
    x0, y0, _, _ = layer.place(at, layer.text_size("pin", NAME_PX), at - centre, 22.0)
    layer.text((x0, y0), "pin", NAME_PX, _pale(LINES["centre_line"].colour))


def _draw_tags(
    layer: Layer, answer: Answer, marks: Mapping[str, FloatArray], lines: Mapping[str, FloatArray], width_mm: float
) -> None:
    """Number tags at the fold's ends and at the three places where the clearance is read."""
    estimates, judged = answer.measured.estimates, answer.judged

    def tag(name: str, title: str, at: FloatArray, away: FloatArray) -> None:
        estimate = estimates.get(name)
        if estimate is None:
            return
        state = judged[name].state if name in judged else None
        reads = in_words(MEASURE_BY_NAME[name], estimate.value, estimate.U95)
        layer.tag(at, away, [title, f"{reads}, {STATE_WORDS[state][2]}" if state else reads], state)

    front, back = marks.get("fold_front"), marks.get("fold_back")
    forward = front - back if front is not None and back is not None else np.array([0.0, -1.0])
    if front is not None:
        share = 2 * station_mm(width_mm) / width_mm
        places = {"clearance_centre_mm": front}
        for side in ("left", "right"):
            corner = marks.get(f"front_{side}")
            if corner is not None:
                places[f"clearance_{side}_mm"] = _point_along(lines.get("hairline"), front, corner, share)
        for name, at in reversed(places.items()):  # the sides first, the middle finds room between them
            tag(
                name,
                MEASURE_BY_NAME[name].label.replace("below cap edge, ", ""),
                at,
                _unit(forward) + 0.8 * _unit(at - front),
            )
        tag("fold_offset_front_mm", "fold off centre, front", front, -forward)
    if back is not None:
        tag("fold_offset_back_mm", "fold off centre, back", back, -forward)


def _unit(vector: FloatArray) -> FloatArray:
    return vector / max(float(np.linalg.norm(vector)), 1e-9)


def _draw_scale_bar(layer: Layer, bar: FloatArray) -> None:
    along = bar[1] - bar[0]
    length = float(np.linalg.norm(along))
    if not np.isfinite(bar).all() or length < 10:
        return
    across = np.array([-along[1], along[0]]) / length * 12
    layer.taken.append((*np.minimum(*bar), *np.maximum(*bar)))
    layer.stroke([bar, *(np.stack([end - across, end + across]) for end in bar)], WHITE, 4.0)
    size = layer.text_size("50 mm on the crown", NAME_PX)
    x0, y0, _, _ = layer.place(bar.mean(axis=0), size, across, 18.0)
    layer.text((x0, y0), "50 mm on the crown", NAME_PX, WHITE)


def _panel(width: int, answer: Answer) -> Image.Image:
    """The strip below the picture: the verdict and every judged measure with its state."""
    from PIL import Image

    px = max(22.0, min(40.0, width / 34))
    rows = [s.name for s in answer.measured.specs if s.judged and answer.measured.estimates]
    notes = [problem.message for problem in answer.problems[:2]] if not rows else []
    height = round(px * 1.45 * (len(rows) + len(notes) * 3 + 2.2) + px)
    layer = Layer((width, height))
    x, y = px * 0.6, px * 0.4
    layer.text((x, y), verdict_text(answer.measured.stage, answer.verdict), px * 1.25, WHITE, halo=False)
    y += px * 1.8
    columns = (x + px * 1.3, x + px * 17.2, x + px * 28.6)
    for name in rows:
        spec, estimate, judged = MEASURE_BY_NAME[name], answer.measured.estimates.get(name), answer.judged.get(name)
        state = judged.state if judged else None
        layer.symbol((x, y + px * 0.12), px * 0.9, state, STATE_COLOUR[state])
        layer.text((columns[0], y), spec.label, px, WHITE, halo=False)
        reads = in_words(spec, estimate.value, estimate.U95) if estimate else "not measured"
        layer.text((columns[1], y), reads, px, WHITE, halo=False)
        layer.text((columns[2], y), STATE_WORDS[state][2] if judged else "", px, STATE_COLOUR[state], halo=False)
        y += px * 1.45
    for note in notes:
        for line in wrapped(layer, note, px, width - 2 * x):
            layer.text((x, y), line, px, WHITE, halo=False)
            y += px * 1.3
    whose = "" if answer.measured.stage == "stitches" else "L, R, left, right: the wearer's. "
    layer.text((x, y), f"{whose}± holds for 95 %.", px * 0.8, WHITE, halo=False)
    return layer.over(Image.new("RGB", (width, height), (24, 24, 24)))


def wrapped(layer: Layer, text: str, px: float, width: float) -> list[str]:
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


def draw_overlay(image: npt.NDArray[np.uint8], answer: Answer, width_mm: float = 127.0) -> Image.Image:
    """The finished picture (RGB) from the upright photo `image` (height, width, 3) uint8 BGR and its answer.

    `width_mm` is the closure's nominal width, which says where the side clearances are read.
    """
    if answer.measured.sewn is not None:
        from placecheck.stitches.picture import draw_close_up

        return draw_close_up(image, answer, answer.measured.sewn)
    from PIL import Image

    findings = answer.measured.findings
    part, placed = framed(image, crop_box(answer, image.shape[1], image.shape[0]))
    size = part.size

    lines = {name: placed(line) for name, line in findings.lines_px.items()}
    marks = {name: placed(point)[0] for name, point in findings.landmarks_px.items()}
    corners = [marks[name] for name in _CORNERS if name in marks]
    centre = np.mean(corners, axis=0) if corners else np.array([size[0] / 2, size[1] / 2])

    layer = Layer(size)
    _draw_lines(layer, answer, lines, centre)
    _draw_corners(layer, answer, marks, centre)
    if "pins" in lines:
        _draw_pins(layer, lines["pins"], centre)
    if findings.scale_bar_px is not None:
        _draw_scale_bar(layer, placed(findings.scale_bar_px))
    _draw_tags(layer, answer, marks, lines, width_mm)
    picture = layer.over(part)
    panel = _panel(picture.width, answer)
    whole = Image.new("RGB", (picture.width, picture.height + panel.height))
    whole.paste(picture, (0, 0))
    whole.paste(panel, (0, picture.height))
    return whole


def save_picture(picture: Image.Image, path: Path) -> None:
    """Write the picture as JPEG or PNG by its name's ending, whole or not at all. Raises UsageProblem."""
    kind = {".jpg": "JPEG", ".jpeg": "JPEG", ".png": "PNG"}.get(path.suffix.lower())
    if kind is None:
        raise UsageProblem("overlay-name", f"The picture {path} must end in .jpg or .png.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with writing(path, mode=0o644) as file:
            picture.save(file, kind, **({"quality": 90} if kind == "JPEG" else {}))
    except OSError as error:
        raise UsageProblem("overlay-unwritable", f"The picture {path} cannot be written: {error.strerror}.") from None
