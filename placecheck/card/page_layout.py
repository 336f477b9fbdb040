"""What lies where on the printed page of a scale card: plain shapes, in mm from the page's top left corner.

The board's black is one single path of merged runs: squares drawn one by one leave hairline seams
between them. The page carries its own checks of scale: a bar of 100 mm (50 mm for the small
card) across and one down (printers err differently in the two directions), and the outline of an ID-1
card (ISO/IEC 7810: 85.60 x 53.98 mm, corner radius 2.88 to 3.48 mm) that any bank card must fill.
Nothing comes nearer to the page's edge than 8 mm, which ordinary printers leave white. What the
shapes become in a file is printing.py's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.card.board import CARD, SMALL_CARD, Board
from placecheck.errors import UsageProblem
from placecheck.units import BAR_MM, PAPERS_MM, POINT_MM, SMALL_BAR_MM

PRINTABLE_MARGIN_MM = 8.0
ID1_MM, ID1_RADIUS_MM = (85.60, 53.98), 3.18
THIN_MM, FINE_MM = 0.25, 0.1
CUT_MARK_MM, CUT_GAP_MM = 5.0, 1.0
CELL_PX = 10
"""A cell of the board's grid in pixels of its picture: the card's squares (20 mm), marker margins (3 mm) and modules
(2 mm) all lie on a grid of 1 mm, the small card's on one of 0.4 mm."""

TITLE = "placecheck scale card"
LINES = (
    'Print at 100 % (actual size, never "fit to page") on matt paper and glue it flat to stiff board. Measure both '
    "bars (100 mm) and enter what they are; more than 1 mm off: print again. Cut along the marks, blade away from your "
    "fingers.",
    "Lay the card flat on the table beside the block, not on it, with nothing on top of it.",
    "Hold the phone above the block, leaning toward the face about 45 degrees, and aim at the middle of the closure.",
    "Have the whole block and the whole card in the picture, tap on the closure to focus, and hold still.",
)
SMALL_LINES = (
    'Print at 100 % (actual size, never "fit to page") on matt paper and glue it flat to stiff board. Measure both '
    "bars (50 mm) and enter what they are; more than 0.5 mm off: print again. Cut along the marks, blade away from "
    "your fingers.",
    "Count your needles and pins first. Lay the card flat beside the seam, on the lace or the cap, one long side along "
    "the stitches and a finger's width from them, with no hair over it.",
    "Comb the hair off the stitches. Hold the phone straight above, a hand's length away, so that card and seam fill "
    "the picture; tap on the stitches to focus, and hold still.",
)


@dataclass(frozen=True)
class Sheet:
    """A page with one card: the board, its heading, what to do, and the length of the two bars."""

    board: Board
    title: str
    lines: tuple[str, ...]
    bar_mm: float

    @property
    def card_mm(self) -> tuple[float, float]:
        """The card with its white margin."""
        (w, h), m = self.board.size_mm, self.board.margin_mm
        return w + 2 * m, h + 2 * m


SCALE_SHEET = Sheet(CARD, TITLE, LINES, BAR_MM)
SMALL_SHEET = Sheet(SMALL_CARD, "placecheck small card, for close-ups of the seam", SMALL_LINES, SMALL_BAR_MM)


@dataclass(frozen=True)
class Bars:
    """Filled rectangles (x, y, width, height) mm, painted as one path."""

    rects: tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True)
class Line:
    """A straight line, mm."""

    x1: float
    y1: float
    x2: float
    y2: float
    width: float
    gray: float = 0.0


@dataclass(frozen=True)
class RoundedBox:
    """Outline of a rectangle with rounded corners, mm, through the middle of the line."""

    x: float
    y: float
    w: float
    h: float
    radius: float
    width: float


@dataclass(frozen=True)
class Text:
    """One line of text; (x, y) is the start of its baseline, mm; `size` in points."""

    x: float
    y: float
    text: str
    size: float
    turned: bool = False


Shape = Bars | Line | RoundedBox | Text


def paper_size_mm(paper: str) -> tuple[float, float]:
    """Width and height of "a4" or "letter"; UsageProblem otherwise."""
    try:
        return PAPERS_MM[paper.lower()]
    except KeyError:
        raise UsageProblem("unknown-paper", f"The card is made for a4 or letter paper, not for {paper!r}.") from None


def board_cells(board: Board = CARD) -> npt.NDArray[np.bool_]:
    """The board in cells of a twentieth square, (100, 140), True = black, from OpenCV's drawing at ten px a cell."""
    n, m = CELL_PX, round(board.margin_mm * board.picture_px_per_mm)
    drawn = board.picture[m:-m, m:-m]
    return np.asarray(drawn[n // 2 :: n, n // 2 :: n] < 128)


def merged_rects(cells: npt.NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Black cells as few rectangles (column, row, columns, rows): runs along rows, equal runs below joined."""
    done: list[tuple[int, int, int, int]] = []
    growing: dict[tuple[int, int], int] = {}
    for row in range(cells.shape[0] + 1):
        runs: set[tuple[int, int]] = set()
        if row < cells.shape[0]:
            edges = np.flatnonzero(np.diff(np.concatenate([[0], cells[row].astype(np.int8), [0]])))
            runs = {(int(a), int(b)) for a, b in edges.reshape(-1, 2)}
        for run in [r for r in growing if r not in runs]:
            top = growing.pop(run)
            done.append((run[0], top, run[1] - run[0], row - top))
        for run in runs:
            growing.setdefault(run, row)
    return done


def card_origin_mm(paper: str, sheet: Sheet = SCALE_SHEET) -> tuple[float, float]:
    """Top left corner of the card on the page, mm."""
    return (paper_size_mm(paper)[0] - sheet.card_mm[0]) / 2, 25.0


def layout(paper: str, sheet: Sheet = SCALE_SHEET) -> list[Shape]:
    """Everything on the page, mm from its top left corner."""
    page_w, _ = paper_size_mm(paper)
    left, top = card_origin_mm(paper, sheet)
    card_w, card_h = sheet.card_mm
    bottom, right = top + card_h, left + card_w
    m, cell = sheet.board.margin_mm, CELL_PX / sheet.board.picture_px_per_mm
    rects = tuple(
        (left + m + x * cell, top + m + y * cell, w * cell, h * cell)
        for x, y, w, h in merged_rects(board_cells(sheet.board))
    )
    box_left = (page_w - 160.0) / 2
    shapes: list[Shape] = [Text(box_left, 14.0, sheet.title, 13), Bars(rects)]
    for x, outward in ((left, -1), (right, 1)):
        for y, down in ((top, -1), (bottom, 1)):
            gap, end = CUT_GAP_MM, CUT_GAP_MM + CUT_MARK_MM
            shapes.append(Line(x + outward * gap, y, x + outward * end, y, FINE_MM, 0.6))
            shapes.append(Line(x, y + down * gap, x, y + down * end, FINE_MM, 0.6))
    bar = sheet.bar_mm
    shapes += _bar(left + (card_w - bar) / 2, bottom + 10, bar, across=True)
    shapes += _bar(left - 9, max(top + (card_h - bar) / 2, 20.0), bar, across=False)
    box_top = bottom + 26
    shapes.append(RoundedBox(box_left, box_top, *ID1_MM, ID1_RADIUS_MM, FINE_MM))
    shapes.append(Text(box_left + 8, box_top + 24, "Any bank card must fit exactly", 9))
    shapes.append(Text(box_left + 8, box_top + 29, "(ID-1, 85.60 x 53.98 mm)", 9))
    y = box_top + 3.5
    text_left = box_left + ID1_MM[0] + 8
    for number, line in enumerate(sheet.lines, 1):
        for k, part in enumerate(wrap(line, page_w - PRINTABLE_MARGIN_MM - 4 - text_left - 5, 10)):
            if k == 0:
                shapes.append(Text(text_left, y, str(number), 10))
            shapes.append(Text(text_left + 5, y, part, 10))
            y += 4.5
        y += 2.2
    return shapes


def _bar(x: float, y: float, length: float, across: bool) -> list[Shape]:
    """A bar of `length` mm between the outer edges of its end ticks' middles, with its label."""
    tick = 2.0
    if across:
        return [
            Line(x, y, x + length, y, THIN_MM),
            Line(x, y - tick, x, y + tick, FINE_MM),
            Line(x + length, y - tick, x + length, y + tick, FINE_MM),
            Text(x + length / 2 - 7, y + 4.5, f"{length:g} mm", 9),
        ]
    return [
        Line(x, y, x, y + length, THIN_MM),
        Line(x - tick, y, x + tick, y, FINE_MM),
        Line(x - tick, y + length, x + tick, y + length, FINE_MM),
        Text(x - 2.5, y + length / 2 + 7, f"{length:g} mm", 9, turned=True),
    ]


def wrap(text: str, width_mm: float, size: float) -> list[str]:
    """Words to lines no wider than `width_mm` in Helvetica of `size` points."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and stringWidth(longer, "Helvetica", size) * POINT_MM <= width_mm:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
