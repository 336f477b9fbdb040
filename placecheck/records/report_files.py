"""Reports as files: an order's page to hand to a client or a student, and the quality page.

What report.py gathered of an order is rendered as HTML by one jinja2 template with everything inside
(style, pictures as data), so that it is one file that opens anywhere and asks nothing of the network, and
as PDF by reportlab from the same values. The quality page is HTML alone, its charts inline SVG
(quality/charts_svg.py), from what overview.py asked for. Letters that the PDF's own font lacks are drawn
with a system font that has them, else as "?". Nothing is judged or measured here.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from placecheck.records.model import local_text, now_text
from placecheck.records.overview import Overview, fault_words, help_sentence, yield_words
from placecheck.records.report import CHANCE, LEGEND, OrderReport
from placecheck.sheets.pdf_page import in_font


def _render(template: str, **values: Any) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    environment = Environment(
        loader=PackageLoader("placecheck.records", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(**values)


def order_html(report: OrderReport) -> str:
    """The order's report as one self-contained HTML page."""
    return _render("order.html", report=report, legend=f"{LEGEND} {CHANCE}")


def quality_html(found: Overview, title: str = "Placements under control?") -> str:
    """The quality page as one self-contained HTML page with inline SVG."""
    from markupsafe import Markup

    from placecheck.quality.charts_svg import bars_svg, individuals_svg
    from placecheck.quality.stream import CHANCE_PERCENT

    yields = [
        (g.name or "all", g.first_pass.share or 0.0, yield_words(g.first_pass), (g.first_pass.low, g.first_pass.high))
        for g in found.groups
    ]
    worst = found.together.faults[:6]
    fault_rows = [(fault_words(f), f.share, f"{f.count}", None) for f in worst]
    groups = [
        {
            "name": g.name or "all",
            "words": yield_words(g.first_pass),
            "faults": [f"{fault_words(f)}: {f.count}" for f in g.faults[:4]],
            "streams": [(Markup(individuals_svg(s)), s.sentences) for s in g.streams],
        }
        for g in found.groups
    ]
    return _render(
        "quality.html",
        title=title,
        by=found.by,
        records=found.records,
        together=yield_words(found.together.first_pass),
        help=help_sentence(found),
        yields=Markup(bars_svg(f"First-pass yield by {found.by}", yields)) if yields else "",
        faults=Markup(bars_svg("What led to fixes (share of fixes)", fault_rows)) if fault_rows else "",
        groups=groups,
        made=local_text(now_text()),
        legend=LEGEND,
        chance=CHANCE_PERCENT,
    )


def order_pdf(report: OrderReport) -> bytes:
    """The order's report as PDF, A4."""
    import reportlab
    from reportlab.lib import colors
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.lib.units import mm
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.platypus import Image, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

    margin = 18 * mm
    for name in ("Vera", "VeraBd"):
        pdfmetrics.registerFont(TTFont(name, str(Path(reportlab.__file__).parent / "fonts" / f"{name}.ttf")))
    known = pdfmetrics.getFont("Vera").face.charToGlyph
    body = ParagraphStyle("body", fontName="Vera", fontSize=9, leading=12.5)
    small = ParagraphStyle("small", parent=body, fontSize=7.5, leading=10)
    bold = {"fontName": "VeraBd", "fontSize": 11, "leading": 15, "spaceBefore": 8}
    head = ParagraphStyle("head", parent=body, keepWithNext=True, **bold)
    title = ParagraphStyle("title", parent=head, fontSize=15, leading=20)

    def text(words: str, style: ParagraphStyle = body) -> Paragraph:
        shown, font = in_font(words, style.fontName, known)
        drawn = ParagraphStyle("drawn", parent=style, fontName=font)
        return Paragraph(shown.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;"), drawn)

    def table(rows: Sequence[Sequence[str]], widths: Sequence[float]) -> Table:
        cells = [[text(c, small) for c in row] for row in rows]
        share = (A4[0] - 2 * margin - 12) / sum(widths)  # the frame is padded by 6 points on each side
        made = Table(cells, colWidths=[w * share for w in widths], repeatRows=1, hAlign="LEFT")
        made.setStyle(
            TableStyle(
                [
                    ("LINEBELOW", (0, 0), (-1, -1), 0.3, colors.grey),
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LEFTPADDING", (0, 0), (-1, -1), 0),
                    ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
                ]
            )
        )
        return made

    story: list[Any] = [text(f"Order {report.order}", title)]
    about = {"Client": report.client, "Closure": report.closure, "Made": report.made}
    story.append(text(". ".join(f"{name}: {said}" for name, said in about.items() if said) + "."))
    for part in report.stages:
        block: list[Any] = [text(f"{part.stage.capitalize()}: {part.verdict_words}", head)]
        maker = f", {part.maker}" if part.maker else ""
        demo = " Demo record: invented, not measured." if part.demo else ""
        block.append(text(f"Record {part.record}, {part.time}{maker}.{demo}"))
        images = []
        for picture in part.pictures:
            if picture.jpeg is None:
                block.append(text(picture.missing))
                continue
            scale = min(82 * mm / picture.width, 82 * mm / picture.height)
            images.append(Image(io.BytesIO(picture.jpeg), picture.width * scale, picture.height * scale))
        if images:
            block += [Spacer(1, 2 * mm), Table([images], hAlign="LEFT", style=[("LEFTPADDING", (0, 0), (-1, -1), 0)])]
        story.append(KeepTogether(block))
        rows = [("", "reads", "limits", ""), *((r.label, r.reads, r.limits, r.state) for r in part.rows)]
        story.append(table(rows, (58, 56, 34, 26)))
        story += [Spacer(1, 1.5 * mm), *(text(f"{i}. {fix}") for i, fix in enumerate(part.fixes, 1))]
        story += [text(f"! {problem}") for problem in part.problems]
    if report.changes:
        story.append(text(report.changes_title, head))
        story.append(table([("", "before", "after", "change"), *report.changes], (50, 38, 38, 48)))
    story.append(text("History", head))
    story.append(table([report.history_header, *report.history], (13, 28, 16, 20, 14, 27, 27, 29)))
    story += [Spacer(1, 3 * mm), text(f"{LEGEND} {CHANCE} placecheck {report.version}.", small)]
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out, pagesize=A4, leftMargin=margin, rightMargin=margin, topMargin=margin, bottomMargin=margin
    )
    document.title = f"Order {report.order}"
    document.author = document.creator = "placecheck"
    document.build(story)
    return out.getvalue()
