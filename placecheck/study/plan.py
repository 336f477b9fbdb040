"""The order sheet of a study: who measures which block when, in random order.

A drift of light, a tired hand or a block that settles would pass for a maker's or a block's
own difference if everyone measured block after block; so the order is random. It goes in
rounds, one for each repeat: within a round every maker measures every block once, shuffled,
and nobody measures the same block twice in a row. The seed is printed, so that a sheet can
be made again. Makers should not see one another's readings, nor their own earlier ones.
"""

from __future__ import annotations

import csv
import io
import random
import re
from collections.abc import Sequence

from placecheck.errors import UsageProblem
from placecheck.study.readings import NOT_MEASURES

MOST = 400
COLUMNS = ("order", "maker", "block", "repeat")


def names(text: str, what: str) -> tuple[str, ...]:
    """`3` as three numbered names, or names between commas. Raises UsageProblem."""
    text = text.strip()
    if re.fullmatch(r"\d+", text):
        count = int(text) if len(text) < 10 else MOST + 1
        if count > MOST:
            raise UsageProblem(
                "study-plan", f"{text} {what}s are too many: a study takes at most {MOST} measurements in all."
            )
        found = tuple(f"{what} {i + 1}" for i in range(count))
    else:
        found = tuple(name.strip() for name in text.split(",") if name.strip())
    if len(found) < 2 or len(set(found)) < len(found):
        raise UsageProblem(
            "study-plan",
            f"“{text}” is not a list of {what}s: a study needs at least two different ones, as a number or as names "
            "between commas.",
        )
    return found


def columns(text: str) -> tuple[str, ...]:
    """The names of measures between commas. Raises UsageProblem for one that is there twice or is another column's.

    In capitals or not: the sheet's columns are read so.
    """
    found = tuple(name.strip() for name in text.split(",") if name.strip())
    read = [name.lower() for name in found]
    for i, name in enumerate(found):
        if read[i] in read[:i] or read[i] in NOT_MEASURES:
            raise UsageProblem(
                "study-plan",
                f"“{name}” cannot be one more measure: name each once, and none as another column of the sheet, such "
                "as maker or note.",
            )
    return found


def make_plan(
    makers: Sequence[str], blocks: Sequence[str], repeats: int, seed: int
) -> list[tuple[int, str, str, int, str]]:
    """Lines (order, maker, block, repeat, photo's name) in random order. Raises UsageProblem for too large a study."""
    size = len(makers) * len(blocks) * repeats
    if repeats < 2 or size > MOST:
        raise UsageProblem(
            "study-plan",
            f"{len(makers)} makers x {len(blocks)} blocks x {repeats} repeats are {size} measurements: take at least 2 "
            f"repeats and at most {MOST} measurements.",
        )
    shuffler = random.Random(seed)
    order: list[tuple[str, str, int]] = []
    for repeat in range(1, repeats + 1):
        round_ = [(m, b, repeat) for m in makers for b in blocks]
        shuffler.shuffle(round_)
        if order and round_[0][:2] == order[-1][:2]:
            round_.append(round_.pop(0))
        order += round_
    return [(i, m, b, r, f"study-{i:03d}.jpg") for i, (m, b, r) in enumerate(order, 1)]


def plan_csv(lines: Sequence[tuple[int, str, str, int, str]], measures: Sequence[str] = ()) -> str:
    """The sheet as CSV: with `measures` one empty column for each to type into, without, the photos' names."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*COLUMNS, *(measures or ["photo"])])
    for order, maker, block, repeat, photo in lines:
        writer.writerow([order, maker, block, repeat, *([""] * len(measures) if measures else [photo])])
    return out.getvalue()
