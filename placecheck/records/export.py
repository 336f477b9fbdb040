"""Export: records as CSV for a spreadsheet, or as JSON Lines for a program, units in the header of both.

CSV has one row per record and two columns per measure, value and expanded uncertainty, each
named with its unit in brackets (`offset [mm]`, `offset U95 [mm]`), and its state where it is
judged. Every stage's measures have columns (COLUMNS), so that one sheet holds a whole job; a
record leaves those of other stages empty. Text that a spreadsheet would take for a formula
gets an apostrophe in front, since an order's name must not run anything. JSON Lines begins
with a header object (format, fields, the unit of every measure), then one object per record
with the whole answer and request. Both are streamed, 100,000 records need no memory to speak of.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator

from placecheck.answer import CAP_MEASURES, MEASURES, STITCH_MEASURES
from placecheck.records.model import Record

FIELDS = ("record", "time (UTC)", "order", "client", "maker", "stage", "closure", "verdict", "attempt", "program")
COLUMNS = (*MEASURES, *CAP_MEASURES, *STITCH_MEASURES)
MARK = "\ufeff"
"""First in a CSV file: by it a spreadsheet knows UTF-8, and names keep their letters."""
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def _plain(name: str) -> str:
    return name.removesuffix("_mm").removesuffix("_deg").replace("_", " ")


def safe_text(text: str | None) -> str:
    """Text for a cell: never a formula."""
    if not text:
        return ""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def csv_header() -> list[str]:
    """The columns of the sheet, units in brackets."""
    cells = list(FIELDS)
    for spec in COLUMNS:
        cells += [f"{_plain(spec.name)} [{spec.unit}]", f"{_plain(spec.name)} U95 [{spec.unit}]"]
        if spec.judged:
            cells.append(f"{_plain(spec.name)} state")
    return [*cells, "problems", "photo SHA-256"]


def csv_lines(records: Iterable[Record]) -> Iterator[str]:
    """The CSV file line by line, header first (RFC 4180, CRLF)."""

    def line(cells: list[str]) -> str:
        out = io.StringIO()
        csv.writer(out).writerow(cells)
        return out.getvalue()

    yield line(csv_header())
    for found in records:
        head = found.summary
        cells = [str(head.id), head.created_at]
        cells += [safe_text(t) for t in (head.order_ref, head.client, head.maker, head.stage, head.closure)]
        cells += [head.verdict, "" if head.attempt is None else str(head.attempt), found.program_version]
        for spec in COLUMNS:
            reading = found.readings.get(spec.name)
            cells += [repr(reading.value), repr(reading.U95)] if reading else ["", ""]
            if spec.judged:
                cells.append(reading.state or "" if reading else "")
        codes = " ".join(p["code"] for p in found.answer.get("problems", ()))
        yield line([*cells, codes, found.photo.sha256 if found.photo else ""])


def jsonl_lines(records: Iterable[Record]) -> Iterator[str]:
    """The JSON Lines file line by line, header object first."""
    header = {
        "placecheck_records": 1,
        "units": {spec.name: spec.unit for spec in COLUMNS},
        "uncertainty": "U95: expanded, coverage 95 %",
        "time": "UTC, ISO 8601",
    }
    yield json.dumps(header, ensure_ascii=False) + "\n"
    for found in records:
        head = found.summary
        entry = {
            "record": head.id,
            "time": head.created_at,
            "order": head.order_ref,
            "client": head.client,
            "maker": head.maker,
            "stage": head.stage,
            "closure": head.closure,
            "verdict": head.verdict,
            "attempt": head.attempt,
            "program": found.program_version,
            "photo_sha256": found.photo.sha256 if found.photo else None,
            "original_sha256": found.original_sha256,
            "note": found.note,
            "answer": found.answer,
            "request": found.request,
            "profile": found.profile,
        }
        yield json.dumps(entry, ensure_ascii=False) + "\n"
