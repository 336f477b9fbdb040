"""Corrections by hand: what a maker drags in the photo, and the marks that come of it.

A landmark is a point and simply moves. A line (the cap's edge, the hairline, the cap's centre line) has
five handles at even steps along what was found, and what is dragged is its displacement there:
between the handles the displacement runs straight from one to the next and is added to the line that
was found, so that a line keeps its own shape and only goes where it is put. Both start from the first
measuring of the photo, before anything was moved, which is also where "undo" leads back to.
A line that was not found at all has no handles. Pixels are those of the upright photo.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.answer import LANDMARKS
from placecheck.errors import UsageProblem
from placecheck.page.asked import marks_of
from placecheck.page.codec import measured_from_dict
from placecheck.page.inbox import Job

FloatArray = npt.NDArray[np.float64]
HANDLES = 5
KEPT_POINTS = 80
LINE_WORDS: Mapping[str, str] = {"cap_rim": "Cap's edge", "hairline": "Hairline", "centre_line": "Cap's centre line"}
LINE_SHORT: Mapping[str, str] = {"cap_rim": "Cap edge", "hairline": "Hairline", "centre_line": "Centre"}
LANDMARK_WORDS: Mapping[str, str] = {
    "fold_front": "Fold at the hairline",
    "fold_back": "Fold at the back edge",
    "front_left": "Front left corner",
    "front_right": "Front right corner",
    "back_left": "Back left corner",
    "back_right": "Back right corner",
}


def keep_found(job: Job, measured: Mapping[str, Any]) -> None:
    """Remember where things lie by the first measuring (a codec dictionary), in the job."""
    job.found = {name: list(p) for name, p in measured["landmarks_px"].items()}
    job.found_lines = {}
    for name in LINE_WORDS:
        line = [p for p in measured["lines_px"].get(name, []) if None not in p]
        if len(line) >= HANDLES:
            at = np.linspace(0, len(line) - 1, min(KEPT_POINTS, len(line))).round().astype(int)
            job.found_lines[name] = [line[i] for i in at]


def along(line: FloatArray) -> FloatArray:
    """How far each point of a line (n, 2) lies along it, 0 to 1."""
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    length = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(length / length[-1] if length[-1] > 0 else np.linspace(0, 1, len(line)))


def bent(line: FloatArray, bends: FloatArray) -> FloatArray:
    """The line (n, 2) with the displacements (HANDLES, 2) at even steps along it added, straight in between."""
    t, at = along(line), np.linspace(0, 1, HANDLES)
    return line + np.stack([np.interp(t, at, bends[:, i]) for i in range(2)], -1)


def corrections(data: Any, job: Job) -> tuple[dict[str, Any], dict[str, Any]]:
    """(marks, bends) of a job from a browser's {"points": {name: [x, y]}, "bends": {line: [[dx, dy], ...]}}.

    `marks` is what request_of takes, both are empty where nothing was moved. Raises UsageProblem.
    """
    if not isinstance(data, Mapping):
        raise _unreadable()
    points, given = data.get("points", {}), data.get("bends", {})
    if not isinstance(points, Mapping) or not isinstance(given, Mapping) or len(points) + len(given) > 20:
        raise _unreadable()
    bends = {str(name): _bends(name, value, job) for name, value in given.items()}
    lines = {}
    for name, moved in bends.items():
        line = bent(np.array(job.found_lines[name], float), np.array(moved))
        lines[name] = np.clip(line, 0, [job.width - 1, job.height - 1]).round(2).tolist()
    marks = marks_of({"points": points, "lines": lines}, job.width, job.height)
    kept = {name: [x, y] for name, (x, y) in marks.landmarks_px.items()}
    return ({"points": kept, "lines": lines} if kept or lines else {}), bends


def _bends(name: Any, value: Any, job: Job) -> list[list[float]]:
    if name not in LINE_WORDS or name not in job.found_lines:
        raise _unreadable()
    if not isinstance(value, list) or len(value) != HANDLES:
        raise _unreadable()
    out = []
    for pair in value:
        if not isinstance(pair, list) or len(pair) != 2:
            raise _unreadable()
        if any(isinstance(v, bool) or not isinstance(v, (int, float)) or not abs(v) <= 20_000 for v in pair):
            raise _unreadable()
        out.append([float(v) for v in pair])
    return out


def _unreadable() -> UsageProblem:
    return UsageProblem("marks-wrong", "The points could not be read: load the page again.")


def points_of(job: Job) -> list[dict[str, Any]]:
    """The landmarks of a measured job for the correcting screen: where found, where moved, what is a guess."""
    if job.measured is None:
        return []
    findings = measured_from_dict(json.loads(job.measured)).findings
    moved = job.marks.get("points", {})
    out = []
    for name in LANDMARKS:
        was = job.found.get(name) or findings.landmarks_px.get(name) or (job.width / 2, job.height / 2)
        at = moved.get(name) or was
        out.append(
            {
                "name": name,
                "label": LANDMARK_WORDS[name],
                "x": _shown(at[0]),
                "y": _shown(at[1]),
                "was": [_shown(was[0]), _shown(was[1])],
                "moved": name in moved,
                "guess": name in findings.guesses,
                "missing": name not in job.found,
            }
        )
    return out


def lines_of(job: Job) -> list[dict[str, Any]]:
    """The lines that can be bent, with their displacements as they are."""
    none = [[0.0, 0.0]] * HANDLES
    return [
        {
            "name": name,
            "label": LINE_WORDS[name],
            "short": LINE_SHORT[name],
            "line": line,
            "bends": job.bends.get(name, none),
        }
        for name, line in job.found_lines.items()
    ]


def moved_words(points: Mapping[str, Any], lines: Mapping[str, Any]) -> list[str]:
    """What was set by hand, in words for a sentence."""
    words = [LANDMARK_WORDS[name] for name in LANDMARK_WORDS if name in points]
    words += [LINE_WORDS[name] for name in LINE_WORDS if name in lines]
    return [word[0].lower() + word[1:] for word in words]


def _shown(value: float) -> float:
    return round(float(value), 1) if math.isfinite(value) else 0.0
