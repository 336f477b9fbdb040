"""The scale cards on paper: one page at true scale as PDF, SVG or PNG, A4 or US Letter.

The page is laid out once (page_layout.py), in mm; three short writers turn its shapes into reportlab's
vector PDF, an SVG file whose unit is the mm, or a PNG that tells the printer its resolution.
In the PNG every edge lies on a pixel's border and no line is lost. The PDF asks viewers not to
scale it; that the print is true all the same has to be measured on its bars.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from placecheck.card.page_layout import SCALE_SHEET, Bars, Line, RoundedBox, Shape, Sheet, layout, paper_size_mm
from placecheck.errors import UnusableFile, UsageProblem
from placecheck.units import POINT_MM
from placecheck.whole_files import write_whole

KINDS = ("pdf", "svg", "png")


def write_card(path: Path, paper: str = "a4", kind: str = "pdf", dpi: int = 600, sheet: Sheet = SCALE_SHEET) -> Path:
    """Write the page to `path`, whole or not at all.

    Raises UsageProblem for an unknown paper or kind, UnusableFile if it cannot be written.
    """
    path = Path(path)
    if kind not in KINDS:
        raise UsageProblem("unknown-kind", f"The card comes as {', '.join(KINDS)}, not as {kind!r}.")
    data = {
        "pdf": lambda: card_pdf(paper, sheet),
        "svg": lambda: card_svg(paper, sheet).encode(),
        "png": lambda: card_png(dpi, paper, sheet),
    }[kind]()
    try:
        write_whole(path, data, 0o644)
    except OSError as error:
        reason = error.strerror or str(error)
        raise UnusableFile("cannot-write", f"{path} cannot be written ({reason}): name another file.") from None
    return path


def card_pdf(paper: str = "a4", sheet: Sheet = SCALE_SHEET) -> bytes:
    """The page as a vector PDF at true scale; asks viewers not to scale it when printing."""
    from reportlab.pdfgen.canvas import Canvas

    width, height = paper_size_mm(paper)
    mm = 1 / POINT_MM
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(width * mm, height * mm), invariant=1)
    canvas.setTitle(sheet.title)
    canvas.setViewerPreference("PrintScaling", "None")
    for shape in layout(paper, sheet):
        _pdf_shape(canvas, shape, height, mm)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def _pdf_shape(canvas: Any, shape: Shape, height: float, mm: float) -> None:
    if isinstance(shape, Bars):
        path = canvas.beginPath()
        for x, y, w, h in shape.rects:
            path.rect(x * mm, (height - y - h) * mm, w * mm, h * mm)
        canvas.setFillGray(0)
        canvas.drawPath(path, stroke=0, fill=1)
    elif isinstance(shape, Line):
        canvas.setLineWidth(shape.width * mm)
        canvas.setStrokeGray(shape.gray)
        canvas.line(shape.x1 * mm, (height - shape.y1) * mm, shape.x2 * mm, (height - shape.y2) * mm)
    elif isinstance(shape, RoundedBox):
        canvas.setLineWidth(shape.width * mm)
        canvas.setStrokeGray(0)
        canvas.roundRect(shape.x * mm, (height - shape.y - shape.h) * mm, shape.w * mm, shape.h * mm, shape.radius * mm)
    else:
        canvas.saveState()
        canvas.setFillGray(0)
        canvas.translate(shape.x * mm, (height - shape.y) * mm)
        canvas.rotate(90 if shape.turned else 0)
        canvas.setFont("Helvetica", shape.size)
        canvas.drawString(0, 0, shape.text)
        canvas.restoreState()


def card_svg(paper: str = "a4", sheet: Sheet = SCALE_SHEET) -> str:
    """The page as SVG; one user unit is one mm."""
    from xml.sax.saxutils import escape

    width, height = paper_size_mm(paper)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}">',
        f"<title>{sheet.title}</title>",
        f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>',
    ]
    for shape in layout(paper, sheet):
        if isinstance(shape, Bars):
            d = "".join(f"M{x:g} {y:g}h{w:g}v{h:g}h{-w:g}z" for x, y, w, h in shape.rects)
            parts.append(f'<path id="board" fill="#000" d="{d}"/>')
        elif isinstance(shape, Line):
            gray = f"#{round(shape.gray * 255):02x}" + f"{round(shape.gray * 255):02x}" * 2
            parts.append(
                f'<line x1="{shape.x1:g}" y1="{shape.y1:g}" x2="{shape.x2:g}" y2="{shape.y2:g}" '
                f'stroke="{gray}" stroke-width="{shape.width:g}"/>'
            )
        elif isinstance(shape, RoundedBox):
            parts.append(
                f'<rect x="{shape.x:g}" y="{shape.y:g}" width="{shape.w:g}" height="{shape.h:g}" '
                f'rx="{shape.radius:g}" fill="none" stroke="#000" stroke-width="{shape.width:g}"/>'
            )
        else:
            turn = f' transform="rotate(-90 {shape.x:g} {shape.y:g})"' if shape.turned else ""
            parts.append(
                f'<text x="{shape.x:g}" y="{shape.y:g}" font-family="Helvetica, Arial, sans-serif" '
                f'font-size="{shape.size * POINT_MM:.3f}"{turn}>{escape(shape.text)}</text>'
            )
    return "\n".join([*parts, "</svg>", ""])


def card_png(dpi: int = 600, paper: str = "a4", sheet: Sheet = SCALE_SHEET) -> bytes:
    """The page as a grey PNG of `dpi` (75 to 1200), which is written into the file for the printer."""
    from PIL import Image, ImageDraw, ImageFont

    if not 75 <= dpi <= 1200:
        raise UsageProblem("bad-dpi", f"The resolution must be 75 to 1200 dpi, not {dpi}.")
    width, height = paper_size_mm(paper)
    s = dpi / 25.4
    page = Image.new("L", (round(width * s), round(height * s)), 255)
    draw = ImageDraw.Draw(page)
    for shape in layout(paper, sheet):
        if isinstance(shape, Bars):
            for x, y, w, h in shape.rects:
                _png_rect(draw, s, x, y, x + w, y + h, 0)
        elif isinstance(shape, Line):
            half = shape.width / 2
            dx, dy = (0.0, half) if shape.y1 == shape.y2 else (half, 0.0)
            xs, ys = sorted((shape.x1, shape.x2)), sorted((shape.y1, shape.y2))
            _png_rect(draw, s, xs[0] - dx, ys[0] - dy, xs[1] + dx, ys[1] + dy, round(shape.gray * 255))
        elif isinstance(shape, RoundedBox):
            pixels = max(1, round(shape.width * s))
            half = pixels / 2
            box = [shape.x * s - half, shape.y * s - half, (shape.x + shape.w) * s + half - 1]
            box.append((shape.y + shape.h) * s + half - 1)
            draw.rounded_rectangle([round(v) for v in box], round(shape.radius * s + half), outline=0, width=pixels)
        else:
            font = ImageFont.load_default(size=max(6, round(shape.size * dpi / 72 * 0.95)))
            if shape.turned:
                box_px = draw.textbbox((0, 0), shape.text, font=font, anchor="ls")
                tile = Image.new("L", (round(box_px[2]) + 2, round(-box_px[1] + box_px[3]) + 2), 255)
                ImageDraw.Draw(tile).text((0, -box_px[1]), shape.text, font=font, fill=0, anchor="ls")
                tile = tile.rotate(90, expand=True)
                page.paste(tile, (round(shape.x * s + box_px[1]), round(shape.y * s) - tile.height))
            else:
                draw.text((shape.x * s, shape.y * s), shape.text, font=font, fill=0, anchor="ls")
    out = io.BytesIO()
    page.save(out, "PNG", dpi=(dpi, dpi), optimize=False)
    return out.getvalue()


def _png_rect(draw: Any, s: float, x1: float, y1: float, x2: float, y2: float, gray: int) -> None:
    """Fill from edge to edge, each edge rounded to the nearest pixel border, at least one pixel wide."""
    corners: Sequence[int] = [round(v * s) for v in (x1, y1, x2, y2)]
    left, top, right, bottom = corners
    draw.rectangle([left, top, max(right, left + 1) - 1, max(bottom, top + 1) - 1], fill=gray)
