"""A piece of advice as page and terminal set it: what to do in bold, how in steps, what goes along in small print.

Advice travels as sentences (advice.py, cap/advice.py, stitches/words.py, problems): what to do, a colon, how,
its steps divided by semicolons, and then what goes along, in sentences from "With it" or "Most of the doubt"
on. A colon or semicolon in brackets divides nothing, nor does one after the first sentence. Text without such a
colon is all told as how. Lengths stand out of every part, since they are what is looked for with a pin in the
hand. Nothing is lost or said anew: the parts put together are the text.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

NUMBER = r"\d+(?:\.\d+)?"
INCHES = r" \((?:less than )?(?:\d+ )?\d+(?:/\d+)? in\)"
LENGTH = re.compile(rf"({NUMBER}(?: (?:±|to) {NUMBER})?(?: (?:mm|degrees)(?:{INCHES})?|°))")
ALONG = re.compile(r"(?<=\.) (?=With it |Most of the doubt )")


@dataclass(frozen=True)
class Step:
    """`head` without its colon, empty where there is none; `how` one text or several; `along` may be empty."""

    head: str
    how: tuple[str, ...]
    along: str


def step_of(text: str) -> Step:
    """The parts of one piece of advice."""
    said, *rest = ALONG.split(text, maxsplit=1)
    along = rest[0] if rest else ""
    first = re.search(r"\.(?= [A-Z])", said)
    colon = _outside_brackets(said[: first.start()] if first else said, ": ")
    if not colon or not colon[0]:
        return Step("", (said,), along)
    head, how = said[: colon[0]], said[colon[0] + 2 :]
    cuts = _outside_brackets(how, "; ")
    starts, ends = [0, *(cut + 2 for cut in cuts)], [*cuts, len(how)]
    return Step(head, tuple(how[a:b] for a, b in zip(starts, ends, strict=True)), along)


def _outside_brackets(text: str, mark: str) -> list[int]:
    """Where `mark` stands in `text` outside brackets."""
    found, depth = [], 0
    for i, letter in enumerate(text):
        depth += (letter == "(") - (letter == ")")
        if depth == 0 and text.startswith(mark, i):
            found.append(i)
    return found


def lengths_apart(text: str) -> list[tuple[str, bool]]:
    """The text in pieces, each with whether it is a length."""
    return [(piece, k % 2 == 1) for k, piece in enumerate(LENGTH.split(text)) if piece]


def spoken(text: str) -> str:
    """The text as it is to be read aloud: millimetres in full, no inches beside them."""
    text = re.sub(INCHES, "", text)
    return text.replace(" mm", " millimetres").replace("°", " degrees").replace(" ± ", " plus or minus ")


def enumerated(words: Sequence[str]) -> str:
    """Words as a sentence lists them: `a, b and c`; empty where there are none."""
    *first, last = words or ("",)
    return f"{', '.join(first)} and {last}" if first else last


def begun(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]
