"""Reports: a page per order to hand to a client or a student, and the quality page, HTML and PDF.

A report is first gathered as plain values (OrderReport), then rendered: HTML by one jinja2
template with everything inside (style, pictures as data, charts as SVG), so that it is one
file that opens anywhere and asks nothing of the network; PDF by reportlab from the same
values. Numbers stand with their uncertainty and in words (placecheck.printout), states as a symbol
and a word. Pictures are made small enough for mail (1200 px); the kept originals are not
touched. What cannot be shown, a lost photo say, is said in its place and stops nothing.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from placecheck.answer import MEASURE_BY_NAME, MEASURES, STAGE_MEASURES
from placecheck.printout import (
    STATE_WORDS,
    UNIT_SIGN,
    VERDICT_WORDS,
    in_words,
    limits_text,
    rounded,
    to_a_tenth,
    verdict_text,
)
from placecheck.records.compare import compare
from placecheck.records.model import ORIGIN_WORDS, PART, Filter, Reading, Record, Summary, local_text, now_text
from placecheck.records.overview import Overview, fault_words, help_sentence, yield_words
from placecheck.records.photos import RecordsProblem
from placecheck.records.store import Store
from placecheck.sheets.pdf_page import in_font
from placecheck.taped import PLACES

PICTURE_PX = 1200
HISTORY_MEASURES = ("offset_mm", "skew_deg", "clearance_centre_mm")
LATER_WORDS = {
    "pass": "PASS: sits as it should",
    "fix": "FIX: outside the tolerance",
    "retake": VERDICT_WORDS["retake"],
}
LEGEND = "Left and right are the wearer's; ± is for 95 %."


@dataclass(frozen=True)
class Row:
    """One line of numbers: label, reading in words, limits in words, state's symbol and word."""

    label: str
    reads: str
    limits: str
    symbol: str
    state: str


@dataclass(frozen=True)
class Picture:
    """A picture as JPEG, its size in pixels, or why there is none."""

    caption: str
    jpeg: bytes | None
    width: int = 0
    height: int = 0
    missing: str = ""

    @property
    def data_uri(self) -> str:
        return "data:image/jpeg;base64," + base64.b64encode(self.jpeg or b"").decode()


@dataclass(frozen=True)
class StagePart:
    """One stage of an order: its last decided check."""

    stage: str
    record: int
    time: str
    maker: str
    verdict: str
    verdict_words: str
    rows: tuple[Row, ...]
    fixes: tuple[str, ...]
    problems: tuple[str, ...]
    pictures: tuple[Picture, ...]
    demo: bool


@dataclass(frozen=True)
class OrderReport:
    """Everything a report of one order says."""

    order: str
    client: str
    closure: str
    stages: tuple[StagePart, ...]
    changes: tuple[tuple[str, str, str, str], ...]
    changes_title: str
    history: tuple[tuple[str, ...], ...]
    history_header: tuple[str, ...]
    made: str
    version: str


def order_report(store: Store, order: str) -> OrderReport:
    """Gather the report of an order. Raises RecordsProblem where it has no record."""
    from placecheck import __version__

    lines = store.find(Filter(order=order), limit=None, oldest_first=True)
    if not lines:
        raise RecordsProblem("order-missing", f"No record belongs to the order {order}: choose one from the list.")
    latest = store.latest_per_stage(order) or {lines[-1].stage: store.get(lines[-1].id)}
    stages = sorted(latest.values(), key=lambda r: r.summary.created_at)
    changes: tuple[tuple[str, str, str, str], ...] = ()
    title = ""
    if "pinned" in latest and "stitched" in latest:
        changes = change_rows(latest["pinned"], latest["stitched"])
        title = f"From pinned (record {latest['pinned'].id}) to stitched (record {latest['stitched'].id})"
    header = ("record", "time", "stage", "maker", "verdict", *(MEASURE_BY_NAME[m].label for m in HISTORY_MEASURES))
    return OrderReport(
        order,
        next((line.client for line in reversed(lines) if line.client), ""),
        next((line.closure for line in reversed(lines) if line.closure), ""),
        tuple(_stage(store, found) for found in stages),
        changes,
        title,
        tuple(_history(line) for line in lines if not line.replaced),
        header,
        local_text(now_text()),
        __version__,
    )


def change_rows(before: Record, after: Record) -> tuple[tuple[str, str, str, str], ...]:
    """(label, before, after, change in words) of all measures both or either have."""
    rows = []
    for c in compare(before, after):
        words = "not comparable"
        if c.change is not None and c.U95 is not None:
            words = f"{signed(c.change, c.U95, c.unit)}, {'moved' if c.moved else 'no change the photos can show'}"
        rows.append((c.label, _in_words(c.name, c.before), _in_words(c.name, c.after), words))
    return tuple(rows)


def signed(value: float, u: float, unit: str) -> str:
    """A change as `+1.2 ± 0.8 mm`."""
    number, shown = rounded(value, u)
    sign = "" if number.startswith("-") or not float(number) else "+"
    return f"{sign}{number} ± {shown}{UNIT_SIGN.get(unit, ' ' + unit)}"


def _in_words(name: str, reading: Reading | None) -> str:
    if reading is None:
        return "not measured"
    spec = MEASURE_BY_NAME.get(name)
    if spec is None:
        return f"{reading.value:g} ± {reading.U95:g} {reading.unit}"
    return in_words(spec, reading.value, reading.U95)


def taped_words(found: Record) -> str:
    """What a soft tape read beside the photo, `left 9.0 mm, middle 9.5 mm`; empty where none was laid."""
    taped = found.request.get("taped_mm") or {}
    return ", ".join(f"{place} {to_a_tenth(taped[name])} mm" for place, name in PLACES.items() if name in taped)


def rows_of(found: Record, with_tape: bool = False) -> tuple[Row, ...]:
    """A record's numbers in words, in the order of the answer; `with_tape` beside them what a soft tape read."""
    specs = STAGE_MEASURES.get(found.summary.stage, MEASURES)
    names = [spec.name for spec in specs]
    names += [n for n in found.readings if n not in MEASURE_BY_NAME]
    taped = (found.request.get("taped_mm") or {}) if with_tape else {}
    rows = []
    for name in names:
        reading, spec = found.readings.get(name), MEASURE_BY_NAME.get(name)
        if reading is None and (spec is None or not spec.judged):
            continue
        label = spec.label if spec else name.replace("_", " ")
        limits = ""
        if reading is not None and reading.low is not None and reading.high is not None:
            known = reading.unit in ("mm", "deg")
            limits = (
                limits_text(reading.low, reading.high, reading.unit) if known else f"{reading.low} to {reading.high}"
            )
        symbol, _, word = STATE_WORDS[reading.state if reading else None]  # type: ignore[index]
        if reading is not None and reading.state is None:
            symbol, word = "", ""
        reads = _in_words(name, reading) + (f" (soft tape: {to_a_tenth(taped[name])} mm)" if name in taped else "")
        rows.append(Row(label, reads, limits, symbol, word))
    return tuple(rows)


def verdict_words(stage: str, verdict: str) -> str:
    """The verdict in words; once it is stitched there is no pin to move any more."""
    if stage == "stitched":
        return LATER_WORDS[verdict]
    return verdict_text(stage, verdict)  # type: ignore[arg-type]


def _stage(store: Store, found: Record) -> StagePart:
    verdict = found.summary.verdict
    return StagePart(
        found.summary.stage,
        found.id,
        local_text(found.summary.created_at),
        found.summary.maker or "",
        verdict,
        verdict_words(found.summary.stage, verdict),
        rows_of(found, with_tape=True),
        tuple(found.answer.get("fixes", ())),
        tuple(p["message"] for p in found.answer.get("problems", ())),
        tuple(_pictures(store, found)),
        found.summary.origin == "demo",
    )


def _pictures(store: Store, found: Record) -> list[Picture]:
    pictures = []
    for caption, ref in (("what was measured", found.overlay), ("the photo", found.photo)):
        if ref is None:
            continue
        try:
            jpeg, width, height = small_jpeg(store.photos.read(ref.sha256, ref.ending), ref.ending)
            pictures.append(Picture(caption, jpeg, width, height))
        except RecordsProblem as error:
            pictures.append(Picture(caption, None, missing=error.problem.message))
        except Exception:
            pictures.append(Picture(caption, None, missing="This picture cannot be shown here."))
    return pictures


def small_jpeg(data: bytes, ending: str, longest_px: int = PICTURE_PX) -> tuple[bytes, int, int]:
    """An upright JPEG of at most `longest_px`, its width and height; carries no metadata."""
    from PIL import Image, ImageOps

    if ending == "heic":
        from placecheck.photo import load_photo

        opened: Any = Image.fromarray(load_photo(data).image[:, :, ::-1])
    else:
        opened = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    picture = opened.convert("RGB")
    picture.thumbnail((longest_px, longest_px))
    clean = Image.new("RGB", picture.size)
    clean.paste(picture)
    out = io.BytesIO()
    clean.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue(), picture.width, picture.height


def _history(line: Summary) -> tuple[str, ...]:
    verdict = f"{line.verdict}, {ORIGIN_WORDS[PART]}" if line.origin == PART else line.verdict
    cells = [str(line.id), local_text(line.created_at), line.stage, line.maker or "", verdict]
    return (*cells, *(_in_words(m, line.readings.get(m)) for m in HISTORY_MEASURES))


# ----------------------------------------------------------------------------- HTML


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
    return _render("order.html", report=report, legend=LEGEND)


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


# ----------------------------------------------------------------------------- PDF


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
    head = ParagraphStyle("head", parent=body, fontName="VeraBd", fontSize=11, leading=15, spaceBefore=8)
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
    story += [Spacer(1, 3 * mm), text(f"{LEGEND} placecheck {report.version}.", small)]
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out, pagesize=A4, leftMargin=margin, rightMargin=margin, topMargin=margin, bottomMargin=margin
    )
    document.title = f"Order {report.order}"
    document.author = document.creator = "placecheck"
    document.build(story)
    return out.getvalue()
