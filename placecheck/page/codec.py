"""A Measured as plain JSON and back: the only thing a worker may hand to the server.

Worker processes open files from strangers, so nothing they say is unpickled: their replies are
JSON, read here into the same frozen dataclasses that measuring made, whose own checks (finite
values, positive uncertainties, a code and a message for every problem) run again. Anything
that does not fit raises ValueError and the reply counts as lost. Names of measures and
landmarks that are not known are dropped. Polylines are thinned to what a screen can show.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from placecheck.answer import (
    GROUND,
    LANDMARKS,
    MEASURE_BY_NAME,
    STAGE_MEASURES,
    Contribution,
    Estimate,
    Findings,
    Grounds,
    Measured,
    Move,
    View,
)
from placecheck.errors import Problem
from placecheck.stitches.sewn import Sewn

MAX_POINTS = 200
MAX_WORDS = 2000


def measured_to_dict(measured: Measured) -> dict[str, Any]:
    """Plain JSON values of a Measured."""
    findings = measured.findings
    bar = findings.scale_bar_px
    return {
        "estimates": {
            name: {
                "value": e.value,
                "u": e.u,
                "budget": [[c.source, c.u] for c in e.budget],
                "evidence": list(e.evidence),
            }
            for name, e in measured.estimates.items()
        },
        "missing": {name: [p.code, p.message] for name, p in measured.missing.items()},
        "problems": [[p.code, p.message] for p in measured.problems],
        "landmarks_px": {name: [float(x), float(y)] for name, (x, y) in findings.landmarks_px.items()},
        "lines_px": {name: _line_out(line) for name, line in findings.lines_px.items()},
        "guesses": sorted(findings.guesses),
        "by_hand": sorted(findings.by_hand),
        "evidence": {name: list(words) for name, words in findings.evidence.items()},
        "scale_bar_px": None if bar is None else _line_out(bar),
        "view": None
        if measured.view is None
        else [measured.view.lean_to_face_deg, measured.view.distance_mm, measured.view.px_per_mm],
        "camera_profile": measured.camera_profile,
        "stage": measured.stage,
        "moves": None
        if measured.moves is None
        else {
            name: [m.right_mm, m.face_mm, m.u_right_mm, m.u_face_mm, m.u_mm, m.moved]
            for name, m in measured.moves.items()
        },
        "sewn": None if measured.sewn is None else asdict(measured.sewn),
        "grounds": asdict(measured.grounds),
    }


def measured_from_dict(data: Any) -> Measured:
    """A Measured from what measured_to_dict made. Raises ValueError for anything else."""
    try:
        estimates = {
            name: Estimate(
                float(e["value"]),
                float(e["u"]),
                tuple(Contribution(_words(source), float(u)) for source, u in e["budget"]),
                tuple(_words(w) for w in e["evidence"]),
            )
            for name, e in data["estimates"].items()
            if name in MEASURE_BY_NAME
        }
        bar = data["scale_bar_px"]
        view = data["view"]
        findings = Findings(
            {name: _point(p) for name, p in data["landmarks_px"].items() if name in LANDMARKS},
            {_words(name): _line_in(line) for name, line in data["lines_px"].items()},
            frozenset(map(_words, data["guesses"])),
            frozenset(map(_words, data["by_hand"])),
            {_words(name): tuple(map(_words, words)) for name, words in data["evidence"].items()},
            None if bar is None else _line_in(bar),
        )
        return Measured(
            estimates,
            {_words(name): Problem(_words(c), _words(m)) for name, (c, m) in data["missing"].items()},
            findings,
            tuple(Problem(_words(c), _words(m)) for c, m in data["problems"]),
            None if view is None else View(*(float(v) for v in view)),
            None if data.get("camera_profile") is None else _profile(data["camera_profile"]),
            _stage(data.get("stage", "pinned")),
            None if data.get("moves") is None else {n: _move(m) for n, m in data["moves"].items() if n in LANDMARKS},
            sewn=None if data.get("sewn") is None else _sewn(data["sewn"]),
            grounds=Grounds(**{name: data.get("grounds", {}).get(name) is True for name in asdict(GROUND)}),
        )
    except (KeyError, TypeError, AttributeError, IndexError) as error:
        raise ValueError(f"not a measured photo: {error}") from None


def _stage(name: Any) -> str:
    if name not in STAGE_MEASURES:
        raise ValueError("no stage")
    return str(name)


def _sewn(data: Any) -> Sewn:
    numbers = {k: tuple(float(v) for v in data[k]) for k in ("along_mm", "certainty", "spacing_mm", "U95_mm")}
    kinds, begin, u = tuple(map(_words, data["kinds"])), _words(data["begin"]), float(data["u_count"])
    px, line = (tuple(_point(p) for p in data[k]) for k in ("px", "line_px"))
    many = (len(px), len(numbers["along_mm"]), len(numbers["certainty"]))
    between = (len(kinds), len(numbers["spacing_mm"]), len(numbers["U95_mm"]))
    finite = all(math.isfinite(v) for row in numbers.values() for v in row) and math.isfinite(u)
    if len({*many, *(n + 1 for n in between)}) != 1 or not finite or begin not in ("left", "top"):
        raise ValueError("not a row of stitches")
    return Sewn(px=px, kinds=kinds, begin=begin, u_count=u, line_px=line, **numbers)


def _move(data: Any) -> Move:
    right, face, u_right, u_face, u = (float(v) for v in data[:5])
    finite = math.isfinite(right + face + u_right + u_face + u)
    if not finite or min(u_right, u_face, u) < 0 or data[5:] not in ([True], [False]):
        raise ValueError("not a move")
    return Move(right, face, u_right, u_face, u, data[5])


def _line_out(line: Any) -> list[list[float | None]]:
    points = np.asarray(line, float).reshape(-1, 2)
    step = max(1, math.ceil(len(points) / MAX_POINTS))
    kept = points[::step]
    if len(points) and (len(points) - 1) % step:
        kept = np.concatenate([kept, points[-1:]])
    return [[round(x, 2), round(y, 2)] if math.isfinite(x + y) else [None, None] for x, y in kept.tolist()]


def _line_in(line: Any) -> Any:
    if not isinstance(line, list) or len(line) > 2 * MAX_POINTS:
        raise ValueError("not a line")
    out = np.array([[math.nan if v is None else float(v) for v in p] for p in line], float)
    return out.reshape(-1, 2)


def _profile(data: Any) -> dict[str, Any]:
    """A camera profile's file, read and written again."""
    from placecheck.errors import UsageProblem
    from placecheck.profiles.kept import as_json, from_json

    try:
        return as_json(from_json(data, Path("the worker's profile")))
    except UsageProblem as error:
        raise ValueError(error.problem.message) from None


def _point(p: Any) -> tuple[float, float]:
    x, y = float(p[0]), float(p[1])
    if not (math.isfinite(x) and math.isfinite(y)):
        raise ValueError("a landmark that is nowhere")
    return x, y


def _words(text: Any) -> str:
    if not isinstance(text, str):
        raise ValueError("not a text")
    return text[:MAX_WORDS]


def counted(data: Mapping[str, Any], name: str) -> int:
    """A positive whole number out of a reply. Raises ValueError."""
    value = data.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value <= 100_000:
        raise ValueError(f"no good {name}")
    return value
