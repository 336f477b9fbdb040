"""Hebrew, Arabic and Persian names as they are seen on paper: from right to left, and joined.

A PDF draws letters as they come, from left to right, each in the form that its code has. So a
line is put into the order in which it is seen, by the rules of Unicode's bidirectional
algorithm (UAX 9) for a line that reads from left to right and has no marks of direction in
it: letters that run from right to left are turned about, with the blanks and signs between
them; numbers keep their own order. Letters that join take the form that their neighbours ask
for (the Arabic presentation forms, by Unicode's own table of what each stands for), lam and
alef the one they have together. What has no such letter is left as it is.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from functools import lru_cache

FORMS = (*range(0xFB50, 0xFBB2), *range(0xFBD3, 0xFC00), *range(0xFE80, 0xFEFD))
"""Where Unicode has the forms of single Arabic letters, and of lam with alef."""
JOINS_ALONE = "\u0640\u200d"
"""Tatweel and the zero width joiner, which join to both sides and have no forms."""
_MIRRORED = str.maketrans("()[]{}<>«»‹›", ")(][}{><»«›‹")


@lru_cache(maxsize=1)
def _forms() -> dict[str, dict[str, str]]:
    """The forms of every letter, or pair of letters: `isolated`, `initial`, `medial`, `final`."""
    forms: dict[str, dict[str, str]] = {}
    for code in FORMS:
        kind, *letters = unicodedata.decomposition(chr(code)).split() or [""]
        if kind in ("<isolated>", "<initial>", "<medial>", "<final>"):
            whole = "".join(chr(int(letter, 16)) for letter in letters)
            forms.setdefault(whole, {}).setdefault(kind.strip("<>"), chr(code))
    return forms


def joined(text: str) -> str:
    """The text with every Arabic letter in the form that its neighbours ask for."""
    forms = _forms()
    clusters: list[str] = []
    for c in text:  # a letter with the marks above and below it
        if clusters and (unicodedata.category(c) == "Mn" or clusters[-1] + c in forms):
            clusters[-1] += c
        else:
            clusters.append(c)

    def letter(i: int) -> str:
        cluster = clusters[i] if 0 <= i < len(clusters) else ""
        return cluster if cluster in forms else cluster[:1]

    def joins(i: int, forward: bool) -> bool:
        own = letter(i)
        return own in tuple(JOINS_ALONE) or ("initial" if forward else "final") in forms.get(own, {})

    out = []
    for i, cluster in enumerate(clusters):
        own = letter(i)
        before = joins(i - 1, True) and joins(i, False)
        after = joins(i, True) and joins(i + 1, False)
        kind = {(True, True): "medial", (True, False): "final", (False, True): "initial"}.get((before, after))
        out.append(forms.get(own, {}).get(kind or "isolated", own) + cluster[len(own) :])
    return "".join(out)


def as_seen(text: str) -> str:
    """A line of text in the order in which it is seen from left to right, its letters joined."""
    if not any(unicodedata.bidirectional(c) in ("R", "AL") for c in text):
        return text
    clusters: list[str] = []
    for c in joined(text):
        if clusters and unicodedata.category(c) in ("Mn", "Me"):
            clusters[-1] += c
        else:
            clusters.append(c)
    levels = _levels([cluster[0] for cluster in clusters])
    signs = zip(clusters, levels, strict=True)
    seen = [cluster.translate(_MIRRORED) if level == 1 else cluster for cluster, level in signs]
    for least in (2, 1):  # what lies at that level or higher is turned about (L2)
        start = 0
        while start < len(levels):
            end = start
            while end < len(levels) and levels[end] >= least:
                end += 1
            seen[start:end], levels[start:end] = seen[start:end][::-1], levels[start:end][::-1]
            start = end + 1
    return "".join(seen)


def _levels(signs: Sequence[str]) -> list[int]:
    """Of each sign: 0 left to right, 1 right to left, 2 a number among letters from right to left."""
    kinds = [unicodedata.bidirectional(sign) for sign in signs]
    last = "L"
    for i, kind in enumerate(kinds):
        if kind in ("L", "R", "AL"):
            last = kind
        elif kind == "EN" and last == "AL":  # a number among Arabic letters (W2)
            kinds[i] = "AN"
    for i in range(1, len(kinds) - 1):  # one separator between two digits belongs to the number (W4)
        around = {kinds[i - 1], kinds[i + 1]}
        if (kinds[i] == "CS" and around in ({"EN"}, {"AN"})) or (kinds[i] == "ES" and around == {"EN"}):
            kinds[i] = kinds[i - 1]
    for order in (range(1, len(kinds)), range(len(kinds) - 2, -1, -1)):  # so do signs such as % beside it (W5)
        step = -1 if order.step > 0 else 1
        for i in order:
            if kinds[i] == "ET" and kinds[i + step] == "EN":
                kinds[i] = "EN"
    strong, last = [], "L"
    for kind in kinds:
        if kind in ("L", "R", "AL"):
            last = "L" if kind == "L" else "R"
            strong.append(last)
        elif kind in ("EN", "AN"):
            strong.append("L" if last == "L" and kind == "EN" else "N")
        else:
            strong.append("")
    for opening, closing in _pairs(signs):  # both brackets of a pair go one way (N0)
        inside = set(strong[opening + 1 : closing]) - {""}
        if inside:
            before = next((s for s in reversed(strong[:opening]) if s), "L")
            strong[opening] = strong[closing] = "R" if "L" not in inside and before != "L" else "L"
    levels = []
    for i, own in enumerate(strong):
        if not own:  # a blank or a sign goes with its neighbours where they agree (N1), else with the line (N2)
            before = next((s for s in reversed(strong[:i]) if s), "L")
            after = next((s for s in strong[i + 1 :] if s), "L")
            own = "L" if "L" in (before, after) else "R"
        levels.append({"L": 0, "R": 1, "N": 2}[own])
    return levels


def _pairs(signs: Sequence[str]) -> list[tuple[int, int]]:
    """Where brackets open and close, in the order in which they open."""
    pairs, still_open = [], []
    for i, sign in enumerate(signs):
        if sign in "([{":
            still_open.append((sign.translate(_MIRRORED), i))
        elif any(closing == sign for closing, _ in still_open):
            while still_open:
                closing, opened = still_open.pop()
                if closing == sign:
                    pairs.append((opened, i))
                    break
    return sorted(pairs)
