"""What the makers wrote down or photographed, as one block of numbers per measure.

A sheet is a CSV file with one line per measurement: the columns maker and block, mostly
repeat, and either one column per measure (offset_mm, skew_deg ... or any name) or the column
photo, whose measures come from answers (`placecheck check --json`, one JSON object a line).
Comma, semicolon or tab between columns, decimal point or comma, as spreadsheets write
them. A study must be complete: each maker measured each block equally often. What is
missing, doubled or no number is named by maker, block and repeat; a measure that is missing
somewhere is left out with a sentence, the others go on.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from placecheck.answer import MEASURE_BY_NAME
from placecheck.errors import Problem, UsageProblem
from placecheck.whole_files import read_small

FloatArray = npt.NDArray[np.float64]
Key = tuple[str, str, str]
"""Maker, block, repeat."""

ASKED = ("closure", "block_circumference", "saved_block")
"""Columns that say what a photo shows, as the options of a check do; `saved_block` names one of `placecheck block`."""
NOT_MEASURES = ("order", "maker", "block", "repeat", "photo", *ASKED, "note", "")
MAX_BYTES = 10_000_000


@dataclass(frozen=True)
class Line:
    """One line of a sheet: its number in the file, who measured what, and all its fields by column."""

    number: int
    maker: str
    block: str
    repeat: str
    fields: Mapping[str, str]


@dataclass(frozen=True)
class Sheet:
    """A complete sheet: every maker, block and repeat once. `measures` are the columns of typed values."""

    path: Path
    makers: tuple[str, ...]
    blocks: tuple[str, ...]
    repeats: int
    lines: tuple[Line, ...]
    measures: tuple[str, ...]


@dataclass(frozen=True)
class Readings:
    """All readings of one measure: values (blocks, makers, repeats) in `unit`."""

    measure: str
    unit: str
    values: FloatArray


# ----------------------------------------------------------------------------- the sheet


def read_sheet(path: Path) -> Sheet:
    """A study's sheet. Raises UsageProblem with one sentence for what is missing or cannot be read."""
    rows = _rows(path)
    columns = [name.strip().lower() for name in rows[0][1]]
    doubled = [name for name, n in Counter(columns).items() if n > 1 and name]
    if doubled:
        raise _wrong(path, f"the column “{doubled[0]}” is there twice: keep one.")
    for needed in ("maker", "block"):
        if needed not in columns:
            raise _wrong(
                path,
                f"there is no column “{needed}”: the first line must name the columns, such as "
                "maker,block,repeat,offset_mm.",
            )
    lines: list[Line] = []
    count: Counter[tuple[str, str]] = Counter()
    for number, cells in rows[1:]:
        if len(cells) > len(columns):
            raise _wrong(path, f"line {number} has more fields than there are columns: check its commas.")
        fields = dict(zip(columns, (c.strip() for c in cells), strict=False))
        maker, block = fields.get("maker", ""), fields.get("block", "")
        if not maker or not block:
            raise _wrong(path, f"line {number} names no {'block' if maker else 'maker'}: fill it in.")
        count[(maker, block)] += 1
        lines.append(Line(number, maker, block, fields.get("repeat") or str(count[(maker, block)]), fields))
    return _complete(path, lines, tuple(c for c in columns if c not in NOT_MEASURES))


def _wrong(path: Path, what: str) -> UsageProblem:
    return UsageProblem("study-sheet", f"In the study {path}, {what}")


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """The sheet's rows with their line numbers, empty ones left out, the header first."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise _wrong(path, "there is far more than a study: give the CSV file of the sheet.")
        text = read_small(path).decode("utf-8-sig")
    except FileNotFoundError:
        raise UsageProblem("study-missing", f"There is no study at {path}: check the name.") from None
    except OSError as error:
        raise UsageProblem("study-unreadable", f"The study {path} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError:
        raise _wrong(path, "there are bytes that are no text: save it as CSV (UTF-8).") from None
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(",;\t", key=first.count)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise _wrong(path, f"the text is no CSV ({error}): save it as CSV.") from None
    if len(rows) < 2:
        raise _wrong(path, "there are no measurements: the first line names the columns, one line follows for each.")
    return rows


def _complete(path: Path, lines: Sequence[Line], measures: tuple[str, ...]) -> Sheet:
    """The sheet, if each maker measured each block equally often."""
    makers = tuple(dict.fromkeys(line.maker for line in lines))
    blocks = tuple(dict.fromkeys(line.block for line in lines))
    repeats = tuple(dict.fromkeys(line.repeat for line in lines))
    for what, there in (("makers", makers), ("blocks", blocks), ("repeats", repeats)):
        if len(there) < 2:
            raise _wrong(path, f"there is only one of the {what} (“{there[0]}”): a study needs at least two.")
    seen = Counter((line.maker, line.block, line.repeat) for line in lines)
    twice = [key for key, n in seen.items() if n > 1]
    if twice:
        raise _wrong(path, f"{_words(twice[0])} is there twice: give each repeat its own number.")
    lacking = [(m, b, r) for m in makers for b in blocks for r in repeats if (m, b, r) not in seen]
    if lacking:
        raise _wrong(
            path,
            f"{_missing(lacking, len(makers) * len(blocks) * len(repeats), 'measurements')}; measure them, or leave "
            "that maker, block or repeat out altogether.",
        )
    return Sheet(path, makers, blocks, len(repeats), tuple(lines), measures)


def _words(key: Key) -> str:
    return f"{key[0]}, {key[1]}, repeat {key[2]}"


def _list(keys: Sequence[Key]) -> str:
    more = f" and {len(keys) - 3} more" if len(keys) > 3 else ""
    return "; ".join(_words(key) for key in keys[:3]) + more


def _missing(lacking: Sequence[Key], total: int, what: str) -> str:
    """`1 of 8 readings is missing: Ada, Willow, repeat 2`."""
    return f"{len(lacking)} of {total} {what} {'is' if len(lacking) == 1 else 'are'} missing: {_list(lacking)}"


# ----------------------------------------------------------------------------- values


def typed_readings(sheet: Sheet) -> tuple[list[Readings], list[Problem]]:
    """Every measure typed into the sheet. Raises UsageProblem for a field that is no number, or no measure at all."""
    if not sheet.measures:
        raise _wrong(
            sheet.path,
            "there is no column of values: add one, such as offset_mm, or give --answers or --photos for its photos.",
        )
    values: dict[str, dict[Key, float]] = {name: {} for name in sheet.measures}
    for line in sheet.lines:
        for name in sheet.measures:
            text = line.fields.get(name, "")
            if text:
                values[name][(line.maker, line.block, line.repeat)] = _number(sheet.path, line, name, text)
    return _gather(sheet, values)


def _number(path: Path, line: Line, name: str, text: str) -> float:
    try:
        value = float(text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > 1e6:
        raise _wrong(path, f"line {line.number}, {name}: “{text}” is not a number: write it like -1.5, without unit.")
    return value


def answer_readings(
    sheet: Sheet, answers: Mapping[str, Mapping[str, float | None]]
) -> tuple[list[Readings], list[Problem]]:
    """Every measure of the sheet's photos; `answers` are values by photo's file name, as `read_answers` gives them."""
    values: dict[str, dict[Key, float]] = {name: {} for name in MEASURE_BY_NAME}
    lacking = []
    for line, photo in photos_of(sheet):
        key = (line.maker, line.block, line.repeat)
        answer = answers.get(Path(photo).name)
        if answer is None:
            lacking.append(f"{photo} ({_words(key)})")
            continue
        for name, value in answer.items():
            if value is not None and name in values:
                values[name][key] = value
    if lacking:
        more = f" and {len(lacking) - 3} more" if len(lacking) > 3 else ""
        raise _wrong(sheet.path, f"there is no answer for {'; '.join(lacking[:3])}{more}: check these photos too.")
    return _gather(sheet, values)


def photos_of(sheet: Sheet) -> list[tuple[Line, str]]:
    """Each line with its photo's file name. Raises UsageProblem where one is missing or named twice."""
    out = []
    for line in sheet.lines:
        photo = line.fields.get("photo", "")
        if not photo:
            raise _wrong(
                sheet.path, f"line {line.number} ({_words((line.maker, line.block, line.repeat))}) names no photo."
            )
        out.append((line, photo))
    doubled = [name for name, n in Counter(Path(photo).name for _, photo in out).items() if n > 1]
    if doubled:
        raise _wrong(sheet.path, f"the photo {doubled[0]} stands for two measurements: each needs a photo of its own.")
    return out


def read_answers(path: Path) -> dict[str, dict[str, float | None]]:
    """Values by measure by photo's file name from JSON Lines. Raises UsageProblem naming the line."""
    try:
        lines = read_small(path).decode("utf-8-sig").splitlines()
    except FileNotFoundError:
        raise UsageProblem("answers-missing", f"There are no answers at {path}: check the name.") from None
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is no text"
        raise UsageProblem("answers-unreadable", f"The answers {path} cannot be read: {reason}.") from None
    out: dict[str, dict[str, float | None]] = {}
    for number, text in enumerate(lines, 1):
        if not text.strip():
            continue
        try:
            answer = json.loads(text)
            name = Path(str(answer["photo"])).name
            values = values_of(answer)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            raise UsageProblem(
                "answers-wrong",
                f"Line {number} of {path} is no answer about a photo: make the file with "
                "`placecheck check PHOTO PHOTO ... --json`, all photos in one call.",
            ) from None
        if name in out:
            raise UsageProblem(
                "answers-twice", f"{path} has two answers for {name}: keep one, or give the photos different names."
            )
        out[name] = values
    return out


def values_of(answer: Mapping[str, object]) -> dict[str, float | None]:
    """The measures' values of an answer (schema 1). Raises ValueError, TypeError or KeyError for anything else."""
    measures = answer["measures"]
    if answer["schema"] != 1 or not isinstance(measures, dict):
        raise ValueError("not an answer of schema 1")
    out: dict[str, float | None] = {}
    for name, entry in measures.items():
        value = None if entry is None else float(entry["value"])
        if value is not None and not math.isfinite(value):
            raise ValueError("not a number")
        out[name] = value
    return out


def _gather(sheet: Sheet, values: Mapping[str, Mapping[Key, float]]) -> tuple[list[Readings], list[Problem]]:
    """Complete measures as arrays, and a sentence for each that is not; raises UsageProblem where none is complete."""
    keys = [(line.maker, line.block, line.repeat) for line in sheet.lines]
    numbered = {key: i for key, i in zip(keys, _repeat_index(sheet), strict=True)}
    readings, problems = [], []
    for name, found in values.items():
        lacking = [key for key in keys if key not in found]
        if lacking:
            if found:
                problems.append(
                    Problem(
                        "study-incomplete",
                        f"{name} is left out, since {_missing(lacking, len(keys), 'readings')}.",
                    )
                )
            continue
        array = np.zeros((len(sheet.blocks), len(sheet.makers), sheet.repeats))
        for key in keys:
            array[sheet.blocks.index(key[1]), sheet.makers.index(key[0]), numbered[key]] = found[key]
        readings.append(Readings(name, unit_of(name), array))
    if not readings:
        why = problems[0].message if problems else "there are no values in it."
        raise _wrong(sheet.path, f"no measure is complete: {why}")
    return readings, problems


def _repeat_index(sheet: Sheet) -> list[int]:
    order = {name: i for i, name in enumerate(dict.fromkeys(line.repeat for line in sheet.lines))}
    return [order[line.repeat] for line in sheet.lines]


def unit_of(measure: str) -> str:
    """The unit that the measure's name ends in: mm, deg, or none."""
    spec = MEASURE_BY_NAME.get(measure)
    if spec is not None:
        return spec.unit
    return next((unit for unit in ("mm", "deg") if measure.endswith(f"_{unit}")), "")
