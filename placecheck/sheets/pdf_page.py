"""One page of PDF, drawn in mm from its top left corner: text, lines, boxes to tick, a QR code.

The page is A4 or Letter, and a millimetre on it is a millimetre on paper: the file asks the
viewer to print it without scaling, and a 100 mm bar tells whether the printer did. Text has
its size in points, as printers count, and its place in mm; y runs downward, as one reads.
Fonts are the PDF's own; a letter they lack is drawn with a system font if one has it, and
is a question mark otherwise, and what reads from right to left is drawn so. The same drawing
gives the same bytes: the file does not say when it was made. What is drawn where is the
sheets' business (bench_sheet.py, guideline_sheet.py).
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.errors import UnusableFile, UsageProblem
from placecheck.records.model import JOINERS
from placecheck.sheets.right_to_left import as_seen
from placecheck.units import PAPERS_MM, POINT_MM
from placecheck.whole_files import write_whole

FloatArray = npt.NDArray[np.float64]

MARGIN_MM = 10.0
BAR_MM = 100.0
GRAY = 0.45
FALLBACK_FONTS = (
    "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
    "/Library/Fonts/Arial Unicode.ttf",
    "/System/Library/Fonts/Supplemental/Arial Unicode.ttf",
    "C:/Windows/Fonts/arial.ttf",
)


@lru_cache(maxsize=1)
def fallback_font() -> tuple[str, Mapping[int, int]] | None:
    """A system font for letters that a PDF's own lack: its name, and its glyph by letter; None without one."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

    for path in FALLBACK_FONTS:
        try:
            font = TTFont("SheetFallback", path)
            pdfmetrics.registerFont(font)
            return "SheetFallback", font.face.charToGlyph
        except (TTFError, OSError):
            continue
    return None


def legible(text: str, glyphs: Mapping[int, int]) -> str:
    """The text with “?” for what a font with these `glyphs` cannot draw."""
    return "".join(c if ord(c) in glyphs or c == "\n" else "?" for c in text if c not in JOINERS)


def in_font(text: str, font: str, glyphs: Mapping[int, int]) -> tuple[str, str]:
    """The text as it is seen and what draws it: the `font` of these `glyphs`, or a system font for what it lacks."""
    text = as_seen(text)
    lacking = [ord(c) for c in text if ord(c) not in glyphs]
    other = fallback_font() if lacking else None
    if other is not None and any(c in other[1] for c in lacking):
        font, glyphs = other
    return legible(text, glyphs), font


def _fit_font(text: str, font: str) -> tuple[str, str]:
    """The text as it is seen and a font that can draw it; without one, what cannot be drawn becomes “?”."""
    text = as_seen(text)
    try:
        text.encode("cp1252")
        return text, font
    except UnicodeEncodeError:
        other = fallback_font()
        if other is not None:
            return legible(text, other[1]), other[0]
        return text.encode("cp1252", "replace").decode("cp1252"), font


class Page:
    """One PDF page, drawn in mm from its top left corner; text sizes in points."""

    def __init__(self, paper: str, title: str) -> None:
        from reportlab.pdfgen.canvas import Canvas

        try:
            self.width, self.height = PAPERS_MM[paper.lower()]
        except KeyError:
            raise UsageProblem("unknown-paper", f"Sheets are made for a4 or letter paper, not for {paper!r}.") from None
        self._out = io.BytesIO()
        size = (self.width / POINT_MM, self.height / POINT_MM)
        self._canvas: Any = Canvas(self._out, pagesize=size, invariant=1)
        self._canvas.setTitle(title)
        self._canvas.setViewerPreference("PrintScaling", "None")

    def _at(self, x: float, y: float) -> tuple[float, float]:
        return x / POINT_MM, (self.height - y) / POINT_MM

    def text(self, x: float, y: float, text: str, size: float = 8, bold: bool = False, align: str = "l") -> None:
        """One line with its baseline at y; `align` l, r or c about x."""
        text, font = _fit_font(text, "Helvetica-Bold" if bold else "Helvetica")
        c = self._canvas
        c.setFont(font, size)
        c.setFillGray(0)
        draw = {"l": c.drawString, "r": c.drawRightString, "c": c.drawCentredString}[align]
        draw(*self._at(x, y), text)

    def width_of(self, text: str, size: float, bold: bool = False) -> float:
        """Width of a line of text, mm."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        text, font = _fit_font(text, "Helvetica-Bold" if bold else "Helvetica")
        return float(stringWidth(text, font, size)) * POINT_MM

    def paragraph(self, x: float, y: float, text: str, width: float, size: float = 7.5, leading: float = 1.22) -> float:
        """Text broken to `width`, first baseline at y; returns the y of the next line."""
        for line in self.broken(text, width, size):
            self.text(x, y, line, size)
            y += size * leading * POINT_MM
        return y

    def broken(self, text: str, width: float, size: float) -> list[str]:
        """The text in lines no wider than `width` mm, but for single words that are."""
        lines = [""]
        for word in text.split():
            longer = f"{lines[-1]} {word}" if lines[-1] else word
            if lines[-1] and self.width_of(longer, size) > width:
                lines.append(word)
            else:
                lines[-1] = longer
        return lines

    def short(self, text: str, width: float, size: float, bold: bool = False) -> str:
        """The text, cut with an ellipsis where it is wider than `width` mm."""
        if self.width_of(text, size, bold) <= width:
            return text
        while text and self.width_of(text + "...", size, bold) > width:
            text = text[:-1]
        return text.rstrip() + "..."

    def line(self, x1: float, y1: float, x2: float, y2: float, thick: float = 0.2, gray: float = 0.0) -> None:
        c = self._canvas
        c.setLineWidth(thick / POINT_MM)
        c.setStrokeGray(gray)
        c.line(*self._at(x1, y1), *self._at(x2, y2))

    def polyline(self, points: FloatArray, thick: float = 0.25, gray: float = 0.0, dash: float = 0.0) -> None:
        """Points (n, 2) mm; stretches with NaN are left out."""
        c = self._canvas
        c.setLineWidth(thick / POINT_MM)
        c.setStrokeGray(gray)
        c.setDash([dash / POINT_MM, dash / POINT_MM] if dash else [])
        path = c.beginPath()
        pen_down = False
        for x, y in points:
            if not (np.isfinite(x) and np.isfinite(y)):
                pen_down = False
                continue
            (path.lineTo if pen_down else path.moveTo)(*self._at(float(x), float(y)))
            pen_down = True
        c.drawPath(path, stroke=1, fill=0)
        c.setDash([])

    def box(self, x: float, y: float, w: float, h: float, thick: float = 0.2, fill: float | None = None) -> None:
        """A rectangle with its top left corner at (x, y)."""
        c = self._canvas
        c.setLineWidth(thick / POINT_MM)
        c.setStrokeGray(0)
        if fill is not None:
            c.setFillGray(fill)
        left, bottom = self._at(x, y + h)
        c.rect(left, bottom, w / POINT_MM, h / POINT_MM, stroke=1 if thick else 0, fill=0 if fill is None else 1)

    def tick(self, x: float, y: float, size: float = 3.4) -> None:
        """A box to tick, its bottom on the baseline y."""
        self.box(x, y - size + 0.5, size, size, 0.25)

    def dot(self, x: float, y: float, radius: float = 0.8) -> None:
        c = self._canvas
        c.setFillGray(0)
        c.circle(*self._at(x, y), radius / POINT_MM, stroke=0, fill=1)

    def heading(self, x: float, y: float, text: str, width: float) -> float:
        """A section's heading with a rule below; returns the first baseline after it."""
        self.text(x, y, text, 9, True)
        self.line(x, y + 1.2, x + width, y + 1.2, 0.3)
        return y + 5.0

    def qr(self, x: float, y: float, size: float, content: str) -> None:
        """A QR code (ISO/IEC 18004) `size` mm wide with its quiet zone, as one path of merged runs."""
        import segno

        modules = [list(row) for row in segno.make(content, error="m", micro=False).matrix_iter(border=4)]
        m = size / len(modules)
        c = self._canvas
        path = c.beginPath()
        for j, row in enumerate(modules):
            start = None
            for i, dark in enumerate([*row, 0]):
                if dark and start is None:
                    start = i
                elif not dark and start is not None:
                    left, bottom = self._at(x + start * m, y + (j + 1) * m)
                    path.rect(left, bottom, (i - start) * m / POINT_MM, m / POINT_MM)
                    start = None
        c.setFillGray(0)
        c.drawPath(path, stroke=0, fill=1)

    def bar(self, x: float, y: float) -> None:
        """The 100 mm bar between the middles of its end ticks."""
        self.line(x, y, x + BAR_MM, y, 0.3)
        for k in range(11):
            self.line(x + 10.0 * k, y - (2.0 if k in (0, 10) else 1.0), x + 10.0 * k, y, 0.1)
        self.text(x + BAR_MM + 3, y, "100 mm: if it is not, print again at 100 % (never “fit to page”)", 7)

    def pdf(self) -> bytes:
        self._canvas.showPage()
        self._canvas.save()
        return self._out.getvalue()


def write_pdf(path: Path, data: bytes) -> None:
    """Write a sheet, whole or not at all; UnusableFile with one sentence if it cannot be written."""
    try:
        write_whole(path, data, 0o644)
    except OSError as error:
        raise UnusableFile(
            "cannot-write", f"{path} cannot be written ({error.strerror or error}): name another file."
        ) from None
