"""What was typed as one thing and came as several, or as something else: refused before a command makes sense of it.

A terminal parts a line at its blanks, so that `--block-circumference 22 3/4 in` comes as the length 22 and two
photos, "3/4" and "in". What would be said then, that 22 has no unit, leads to a block three quarters of an inch
too small. So a number behind an option whose neighbour is no word by itself, a fraction, a unit, an x, is told to be
put in quotes, as it would then be written. And a command that was copied out of a note has long dashes where two
hyphens stood: what begins with one is no photo. Nothing else is looked at; what it means is for the commands.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise, takewhile

from placecheck.errors import UsageProblem

_NUMBER = re.compile(r"\d+(?:[.,]\d+)?(?:mm|cm|in)?")
_PIECE = re.compile(r"\d+/\d+\s*(?:mm|cm|in|[”″])?|[¼½¾⅛⅜⅝⅞]|mm|cm|in|inch|inches|x|×|by", re.IGNORECASE)
_DASHED = re.compile(r"[–—]+([a-z-]+)")


def refuse_torn(arguments: Sequence[str]) -> None:
    """Raises UsageProblem for a length or size in several pieces, and for a long dash before an option of `check`."""
    words = [part for a in arguments for part in (a.split("=", 1) if a.startswith("--") else [a])]
    for i, before in enumerate(words[:-2]):
        pieces = list(takewhile(lambda a: _PIECE.fullmatch(a) or _NUMBER.fullmatch(a), words[i + 2 :]))
        after = before.startswith("--") or before == "card-bars"
        if after and _NUMBER.fullmatch(words[i + 1]) and pieces and _PIECE.fullmatch(pieces[0]):
            whole = f'{before} "{" ".join([words[i + 1], *pieces])}"'
            raise UsageProblem("blanks-unquoted", f"What has blanks in it needs quotes round it: {whole}.")
    for before, word in pairwise(words):
        dashed = _DASHED.fullmatch(word)
        if words[0] == "check" and dashed and not before.startswith("--"):
            raise UsageProblem("long-dash", f"“{word}” begins with a long dash: write two hyphens, --{dashed[1]}.")
