"""The overlay: the photo round the block with lines, corners, numbers and their states drawn on it.

Made to be read on a phone at the bench: cropped to the block, with thick lines and large text. Nothing rests
on colour alone: every line has its name at its end and its own stroke, every number tag carries its state as
a symbol, a word and a border. What was only guessed is drawn broken and named so. The first move stands there
as arrows, as hands make it. The photo is not turned (beyond EXIF), so that "toward the upper left of the
photo" in the advice stays true. Lines, corners, pins, the scale bar and the arrows come first, then words and
tags, each keeping clear of what stands there already; a panel below repeats the verdict and the judged measures
(answer_panel.py). Pens and colours are drawing.py's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from placecheck.answer import MEASURE_BY_NAME, Answer, Findings, Pull
from placecheck.answer_panel import with_panel
from placecheck.directions import right_of
from placecheck.drawing import (
    GREEN,
    NAME_PX,
    ORANGE,
    PURPLE,
    SKY,
    TAG_PX,
    WHITE,
    YELLOW,
    Colour,
    Layer,
    box_round,
    dash_pieces,
    framed,
)
from placecheck.measure import station_mm
from placecheck.printout import STATE_WORDS, in_words
from placecheck.surface import unit

if TYPE_CHECKING:
    from PIL import Image

FloatArray = npt.NDArray[np.float64]

NAMES_APART = 5.0
REACHES = 0.1
"""A line reaches a place that it misses by no more than this share of the whole way."""
ARROW_FROM_PX, ARROW_PX, ARROW_WIDE_PX = 20.0, 110.0, 13.0


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
_CORNERS = ("front_left", "front_right", "back_left", "back_right")


def crop_box(answer: Answer, width: int, height: int) -> tuple[int, int, int, int]:
    """The part of a `width` x `height` photo that shows the block: left, top, right, bottom px; all where unknown."""
    findings = answer.measured.findings
    parts = [np.asarray(line, float).reshape(-1, 2) for line in findings.lines_px.values()]
    if findings.landmarks_px:
        parts.append(np.asarray(list(findings.landmarks_px.values()), float))
    return box_round(np.concatenate(parts) if parts else np.empty((0, 2)), width, height)


def _pale(colour: Colour) -> Colour:
    """The colour half way to white, for text."""
    r, g, b = ((c + 255) // 2 for c in colour)
    return r, g, b


def _point_along(line: FloatArray | None, start: FloatArray, end: FloatArray, share: float) -> FloatArray:
    """The point `share` of the way from `start` to `end`, on `line` (its nearest point) where that reaches so far."""
    straight = start + (end - start) * share
    line = np.empty((0, 2)) if line is None else line[np.isfinite(line).all(axis=1)]
    if not len(line):
        return straight
    # the hairline bows: a nearest point along the bow direction, not straight across it
    length = max(float(np.linalg.norm(end - start)), 1e-9)
    beside = np.abs((line - straight) @ (end - start)) / length
    nearest = int(np.argmin(beside))
    return np.asarray(line[nearest], float) if beside[nearest] < REACHES * length else straight


def _name_at(line: FloatArray, centre: FloatArray, others: Sequence[FloatArray]) -> FloatArray:
    """Where on `line` (N, 2) its name goes: far from the middle, at the other end where another line's name stands."""
    far = line[np.argmax(np.linalg.norm(line - centre, axis=1))]
    ends = sorted((far, line[0], line[-1]), key=lambda end: float(np.linalg.norm(end - far)))
    free = (e for e in ends if all(np.linalg.norm(e - other) > NAMES_APART * NAME_PX for other in others))
    return np.asarray(next(free, far), float)


Named = tuple[FloatArray, str, Colour]
"""What stands beside a place of the picture: where, the words, their colour."""


def _parts(
    name: str, line: FloatArray, guess: bool, findings: Findings, marks: Mapping[str, FloatArray]
) -> list[tuple[FloatArray, bool]]:
    """The parts of a line, and whether each is only a guess: of the closure's edge, the sides at a guessed corner."""
    if name not in ("outline", "rectangle") or not np.isfinite(line[[0, -1]]).all():
        return [(line, guess)]
    ring = np.concatenate([line, line[:1]])
    if guess or name == "outline" or not np.isfinite(line).all() or not findings.guesses.intersection(_CORNERS):
        return [(ring, guess)]
    at = sorted((int(np.argmin(np.linalg.norm(line - marks[n], axis=1))), n) for n in _CORNERS if n in marks)
    (start, first), twice = at[0], np.concatenate([line, line])
    sides = pairwise([*at, (start + len(line), first)])
    return [(twice[a : b + 1], not findings.guesses.isdisjoint((p, q))) for (a, p), (b, q) in sides]


def _draw_lines(
    layer: Layer,
    answer: Answer,
    lines: Mapping[str, FloatArray],
    marks: Mapping[str, FloatArray],
    centre: FloatArray,
) -> list[Named]:
    """All lines; and their names, which are written once all else is drawn that no name should cover."""
    findings = answer.measured.findings
    names: list[Named] = []
    for name, style in LINES.items():
        line = lines.get(name)
        if line is None or len(line) < 2:
            continue
        guess = name in findings.guesses
        for part, guessed in _parts(name, line, guess, findings, marks):
            layer.stroke(dash_pieces(part, GUESS_DASHES if guessed else style.dashes), style.colour, style.width)
        finite = line[np.isfinite(line).all(axis=1)]
        if name in ("hairline", "cap_rim", "fold"):
            layer.keep_clear(finite)
        if style.name and name != "outline" and len(finite):
            by = " (by hand)" if name in findings.by_hand else ""
            at = _name_at(finite, centre, [point for point, _, _ in names])
            names.append((at, style.name + (" (guess)" if guess else by), style.colour))
    return names


def _write_names(layer: Layer, names: Sequence[Named], centre: FloatArray) -> None:
    for at, label, colour in names:
        size = layer.text_size(label, NAME_PX)
        x0, y0, _, _ = layer.place(at, size, at - centre, 14.0)
        layer.text((x0, y0), label, NAME_PX, _pale(colour))


def _draw_marks(layer: Layer, findings: Findings, marks: Mapping[str, FloatArray]) -> None:
    for name, at in marks.items():
        guess = name in findings.guesses
        layer.dot(at, 9.0, YELLOW if name in _CORNERS else PURPLE, hollow=guess)
        layer.keep_in_sight(at, 12.0)


def _name_corners(layer: Layer, findings: Findings, marks: Mapping[str, FloatArray], centre: FloatArray) -> None:
    for name in _CORNERS:
        if name in marks:
            label = ("L" if name.endswith("left") else "R") + (" (guess)" if name in findings.guesses else "")
            at = marks[name]
            x0, y0, _, _ = layer.place(at, layer.text_size(label, 44.0), at - centre, 16.0)
            layer.text((x0, y0), label, 44.0, WHITE)


def _draw_pins(layer: Layer, heads: FloatArray) -> None:
    """A ring round every pin (N, 2) that holds the centre line."""
    for at in heads:
        layer.ring(at, 17.0, LINES["centre_line"].colour, 3.0)
        layer.keep_in_sight(at, 20.0)


def _name_pins(layer: Layer, heads: FloatArray, centre: FloatArray) -> None:
    """The pins' name, once."""
    at = heads[np.argmax(np.linalg.norm(heads - centre, axis=1))]
    x0, y0, _, _ = layer.place(at, layer.text_size("pin", NAME_PX), at - centre, 22.0)
    layer.text((x0, y0), "pin", NAME_PX, _pale(LINES["centre_line"].colour))


def _draw_pulls(
    layer: Layer, pulls: Sequence[Pull], marks: Mapping[str, FloatArray], lines: Mapping[str, FloatArray]
) -> None:
    """Arrows for the first move, one for each hand, with how far; a ring where a pin stays in. Not to scale."""
    told: list[tuple[FloatArray, str, FloatArray]] = []
    for pull in pulls:
        if pull.landmark in lines:  # a temple
            at, below = lines[pull.landmark]
            way: FloatArray | None = unit(below - at) * math.copysign(1.0, pull.face_mm)
        else:
            at, way = marks.get(pull.landmark), _way_of(pull, marks)
        if at is None or way is None:
            continue
        if not (pull.right_mm or pull.face_mm):
            layer.ring(at, 24.0, WHITE, 5.0)
            layer.keep_in_sight(at, 29.0)
            words, tip = "stays", at + 24.0 * way
        else:
            tip = at + (ARROW_FROM_PX + ARROW_PX) * way
            layer.arrow(at + ARROW_FROM_PX * way, tip, WHITE, ARROW_WIDE_PX)
            words = f"{max(abs(pull.right_mm), abs(pull.face_mm)):.1f} mm"
        told.append((tip, words, way))
    for tip, words, way in told:
        box = layer.place(tip, layer.text_size(words, TAG_PX), way, 8.0)
        layer.text(box[:2], words, TAG_PX, WHITE)


def _way_of(pull: Pull, marks: Mapping[str, FloatArray]) -> FloatArray | None:
    """Unit vector in the picture along which the pull goes; of a pin that stays, away from the fold's other end."""
    cap = pull.landmark.startswith("cap")
    back, front = (marks.get(f"cap_{x}" if cap else f"fold_{x}") for x in (("nape" if cap else "back"), "front"))
    face = front - back if front is not None and back is not None else None
    end = "front" if "front" in pull.landmark else "back"
    corners = [marks.get(f"{end}_{side}") for side in ("left", "right")]
    right = corners[1] - corners[0] if corners[0] is not None and corners[1] is not None else None
    if cap and face is not None:
        right = right_of(face)
    if (pull.right_mm and right is None) or (pull.face_mm and face is None):
        return None
    way = np.zeros(2)
    for mm, along in ((pull.right_mm, right), (pull.face_mm, face)):
        way = way + mm * unit(along) if along is not None else way
    if not way.any() and face is not None:
        way = face if end == "front" else -face
    return unit(way)


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
                unit(forward) + 0.8 * unit(at - front),
            )
        tag("fold_offset_front_mm", "fold off centre, front", front, -forward)
    if back is not None:
        tag("fold_offset_back_mm", "fold off centre, back", back, -forward)


def _draw_scale_bar(layer: Layer, bar: FloatArray) -> FloatArray | None:
    """The bar (2, 2) and across it the way to its name, (2,); None where it cannot be drawn."""
    along = bar[1] - bar[0]
    length = float(np.linalg.norm(along))
    if not np.isfinite(bar).all() or length < 10:
        return None
    across = np.array([-along[1], along[0]]) / length * 12
    layer.keep_clear(bar)
    layer.stroke([bar, *(np.stack([end - across, end + across]) for end in bar)], WHITE, 4.0)
    return across


def _name_scale_bar(layer: Layer, bar: FloatArray, across: FloatArray) -> None:
    size = layer.text_size("50 mm on the crown", NAME_PX)
    x0, y0, _, _ = layer.place(bar.mean(axis=0), size, across, 18.0)
    layer.text((x0, y0), "50 mm on the crown", NAME_PX, WHITE)


def draw_overlay(image: npt.NDArray[np.uint8], answer: Answer, width_mm: float = 127.0) -> Image.Image:
    """The finished picture (RGB) from the upright photo `image` (height, width, 3) uint8 BGR and its answer.

    `width_mm` is the closure's nominal width, which says where the side clearances are read.
    """
    if answer.measured.sewn is not None:
        from placecheck.stitches.picture import draw_close_up

        return draw_close_up(image, answer, answer.measured.sewn)
    findings = answer.measured.findings
    part, placed = framed(image, crop_box(answer, image.shape[1], image.shape[0]))
    size = part.size

    lines = {name: placed(line) for name, line in findings.lines_px.items()}
    marks = {name: placed(point)[0] for name, point in findings.landmarks_px.items()}
    corners = [marks[name] for name in _CORNERS if name in marks]
    centre = np.mean(corners, axis=0) if corners else np.array([size[0] / 2, size[1] / 2])

    layer = Layer(size)
    names = _draw_lines(layer, answer, lines, marks, centre)
    _draw_marks(layer, findings, marks)
    if "pins" in lines:
        _draw_pins(layer, lines["pins"])
    bar = None if findings.scale_bar_px is None else placed(findings.scale_bar_px)
    across = None if bar is None else _draw_scale_bar(layer, bar)
    middle = lines.get("centre_line")
    ends = {}
    if answer.measured.stage == "cap" and middle is not None and len(middle):
        ends = {"cap_nape": middle[0], "cap_front": middle[-1]}  # the line runs from the nape to the front
    _draw_pulls(layer, answer.pulls, marks | ends, lines)
    _write_names(layer, names, centre)
    _name_corners(layer, findings, marks, centre)
    if "pins" in lines:
        _name_pins(layer, lines["pins"], centre)
    if bar is not None and across is not None:
        _name_scale_bar(layer, bar, across)
    _draw_tags(layer, answer, marks, lines, width_mm)
    picture = layer.over(part)
    return with_panel(picture, answer)
