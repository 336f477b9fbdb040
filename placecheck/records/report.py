"""What an order's report says: its stages with their numbers, what changed between them, its history.

A report is gathered here as plain values (OrderReport) and rendered in report_files.py. Numbers stand
with their uncertainty and in words (placecheck.printout), what a soft tape read beside the clearance it
counts in, states as a symbol and a word, an unsure one with the chance that it lies inside. Pictures are
made small enough for mail (1200 px); the kept originals are not touched. What cannot be shown, a lost
photo say, is said in its place and stops nothing.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import Any

from placecheck.answer import COVERAGE_FACTOR, MEASURE_BY_NAME, MEASURES, STAGE_MEASURES, Move
from placecheck.printout import (
    SIDES,
    STATE_WORDS,
    UNIT_SIGN,
    VERDICT_WORDS,
    chance_in_words,
    in_words,
    limits_text,
    move_in_words,
    rounded,
    to_a_tenth,
    verdict_text,
)
from placecheck.records.compare import compare
from placecheck.records.model import ORIGIN_WORDS, PART, Filter, Reading, Record, Summary, local_text, now_text
from placecheck.records.photos import RecordsProblem
from placecheck.records.store import Store
from placecheck.taped import PLACES
from placecheck.tolerances import CLEARANCES

PICTURE_PX = 1200
HISTORY_MEASURES = ("offset_mm", "skew_deg", "clearance_centre_mm")
LATER_WORDS = {
    "pass": "PASS: sits as it should",
    "fix": "FIX: outside the tolerance",
    "retake": VERDICT_WORDS["retake"],
}
LEGEND = "Left and right are the wearer's; ± is for 95 %."
CHANCE = "“94 % in”: how likely what is too near a limit to call lies inside."


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


def order_report(store: Store, order: str, client: str | None = None) -> OrderReport:
    """Gather the report of an order, of that `client` or else the latest that was kept with it.

    Raises RecordsProblem where it has no record.
    """
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
        client or next((line.client for line in reversed(lines) if line.client), ""),
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
            words = f"{_which_way(c.name, c.change, c.U95, c.unit)}, "
            words += "moved" if c.moved else "no change the photos can show"
        rows.append((c.label, _in_words(c.name, c.before), _in_words(c.name, c.after), words))
    return tuple(rows)


def _which_way(name: str, change: float, U95: float, unit: str) -> str:
    """A change in words, `1.2 ± 0.8 mm left`: of what has sides the wearer's, of the hairline to face or nape."""
    number, shown = rounded(change, U95)
    more, less = ("toward the face", "toward the nape") if name in CLEARANCES else SIDES.get(name, ("more", "less"))
    way = "" if not float(number) else less if number.startswith("-") else more
    return f"{number.lstrip('-')} ± {shown}{UNIT_SIGN.get(unit, ' ' + unit)} {way}".rstrip()


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


def moves_of(found: Record) -> tuple[str, ...]:
    """How each landmark of a stitched closure had moved since its pinned photo, in words; none where nothing tells."""
    words = []
    try:
        for name, m in (found.answer.get("moves") or {}).items():
            u_right, u_face, u = (m[f"U95_{what}mm"] / COVERAGE_FACTOR for what in ("right_", "face_", ""))
            words.append(move_in_words(name, Move(m["right_mm"], m["face_mm"], u_right, u_face, u, m["moved"])))
    except (KeyError, TypeError, AttributeError, ArithmeticError):  # a record that was changed, which is told
        return ()
    return tuple(words)


def rows_of(found: Record, with_tape: bool = False) -> tuple[Row, ...]:
    """A record's numbers in words, in the order of the answer; `with_tape` beside them what a soft tape read."""
    specs = STAGE_MEASURES.get(found.summary.stage, MEASURES)
    names = [*(spec.name for spec in specs), *(n for n in found.readings if n not in MEASURE_BY_NAME)]
    taped = (found.request.get("taped_mm") or {}) if with_tape else {}
    rows = []
    for name in names:
        reading, spec = found.readings.get(name), MEASURE_BY_NAME.get(name)
        if reading is None and (spec is None or not spec.judged):
            continue
        label = spec.label if spec else name.replace("_", " ")
        limits = ""
        if reading is not None and reading.low is not None and reading.high is not None:
            low, high, unit = reading.low, reading.high, reading.unit
            limits = limits_text(name, low, high, unit) if unit in UNIT_SIGN else f"{low} to {high}"
        symbol, _, word = STATE_WORDS[reading.state if reading else None]  # type: ignore[index]
        if reading is not None and reading.state is None:
            symbol, word = "", ""
        entry = found.answer.get("measures", {}).get(name) or {}
        if entry.get("state") == "unsure" and "p_conform" in entry:
            word = chance_in_words(entry["p_conform"])
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
        which = caption if ref is found.photo else f"the picture of {caption}"
        which = which[0].upper() + which[1:]
        try:
            jpeg, width, height = small_jpeg(store.photos.read(ref.sha256, ref.ending), ref.ending)
            pictures.append(Picture(caption, jpeg, width, height))
        except RecordsProblem as error:  # where the shop keeps its files is nothing for a page that is handed out
            lost = {"photo-missing": "is missing", "photo-altered": "is not what was saved"}.get(error.problem.code)
            said = f"{which} {lost or 'cannot be read'}: put it back from a backup."
            pictures.append(Picture(caption, None, missing=said))
        except Exception:
            pictures.append(Picture(caption, None, missing=f"{which} cannot be shown here."))
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
    own = {spec.name for spec in STAGE_MEASURES.get(line.stage, MEASURES)}  # the cap and the seam have none of these
    return (*cells, *(_in_words(m, line.readings.get(m)) if m in own else "" for m in HISTORY_MEASURES))
