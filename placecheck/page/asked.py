"""What a form asked for, as plain texts that can be kept with the photo, and the CheckRequest they make.

The texts are those the command line takes (a closure `5x5`, a block `22.75in`), read and refused by
the same functions, once when the form comes in and again when the job is measured. The
tolerances, and the shape of a saved block, are written out with the job, so that a shop that
changes its limits or forgets the block in between does not change what an earlier photo was
asked. Nothing here knows HTML.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, get_args

from placecheck.bare_block.saved import SavedBlock
from placecheck.card_bars import parse_bars
from placecheck.errors import UsageProblem
from placecheck.known_dome import KnownDome
from placecheck.marks import DEFAULT_U_PX, LINE_NAMES, POINT_NAMES, Marks
from placecheck.records.request_json import from_json, to_json
from placecheck.request import NEEDS_BLOCK, NEEDS_CLOSURE, NO_CLOSURE, CheckRequest, OtherPhoto, PhotoSide
from placecheck.settings import Settings
from placecheck.taped import PLACES, parse_taped
from placecheck.tolerances import DEFAULT_LIMITS, STAGE_LIMITS, Tolerances
from placecheck.units import parse_circumference_mm, parse_closure

STAGE_WORDS: Mapping[str, str] = {
    "pinned": "closure pinned",
    "stitched": "closure stitched",
    "stitches": "stitches, close up",
    "cap": "cap alone",
}
STAGES: tuple[str, ...] = tuple(STAGE_WORDS)
"""The stages that are photographed, the usual one first."""
SIDES: tuple[str, ...] = get_args(PhotoSide)
MAX_TEXT = 60


def spec_from(
    form: Mapping[str, str],
    settings: Settings,
    bars_mm: tuple[float, float] | None = None,
    saved: SavedBlock | None = None,
) -> dict[str, Any]:
    """The checked texts of a photo form; `bars_mm` are the bars of the stage's card, `saved` the saved block
    that the form names, which takes the tape's place. Raises UsageProblem with one sentence.
    """
    bars = f"{bars_mm[0]:g}x{bars_mm[1]:g}" if bars_mm else ""

    def text(name: str) -> str:
        return form.get(name, "").strip()[:MAX_TEXT]

    stage = text("stage") or STAGES[0]
    if stage not in STAGES:
        raise UsageProblem("stage-unknown", f"There is no stage “{stage}”: choose one of {', '.join(STAGES)}.")
    closure = text("closure_other") or text("closure")
    if not closure and stage in NEEDS_CLOSURE:
        raise UsageProblem("closure-not-given", "Which closure is it? Choose its size first.")
    block = "" if saved else text("block")
    if not block and not saved and stage in NEEDS_BLOCK:
        raise UsageProblem("circumference-not-given", "How large is the block? Tape it round its widest level.")
    front = text("front")
    if front and front not in SIDES:
        raise UsageProblem("front-unknown", "The face is at the top, bottom, left or right of the photo.")
    tolerances = settings.tolerances
    spec = {
        "closure": closure,
        "block": block,
        "saved_block": _kept(saved) if saved else None,
        "stage": stage,
        "front": front,
        "order": text("order"),
        "maker": text("maker"),
        "card_bars": bars,
        "camera": settings.check.get("camera", ""),
        "tolerances": {
            "limits": {name: list(pair) for name, pair in tolerances.limits.items()},
            "aim_mm": tolerances.clearance_aim_mm,
            "guard_factor": tolerances.guard_factor,
            "stage_limits": {name: list(pair) for name, pair in tolerances.stage_limits.items()},
        },
    }
    request_of(spec)
    return spec


def request_of(
    spec: Mapping[str, Any], marks: Mapping[str, Any] | None = None, others: Sequence[OtherPhoto] = ()
) -> CheckRequest:
    """The request that a kept form makes, with landmarks set by hand and the photos it is measured together with.

    Raises UsageProblem.
    """
    kept = spec["tolerances"]
    limits = {name: tuple(kept["limits"].get(name, pair)) for name, pair in DEFAULT_LIMITS.items()}
    stages = {name: tuple(kept.get("stage_limits", {}).get(name, pair)) for name, pair in STAGE_LIMITS.items()}
    saved = spec.get("saved_block")
    bars = spec["card_bars"]
    taped_mm = parse_circumference_mm(spec["block"]) if spec["block"] else 0.0
    return CheckRequest(
        closure=parse_closure(spec["closure"]) if spec["closure"] else NO_CLOSURE,
        block_circumference_mm=float(saved["around_mm"]) if saved else taped_mm,
        stage=spec["stage"],
        tolerances=Tolerances(limits, float(kept["aim_mm"]), float(kept["guard_factor"]), stages),
        marks=marks_of(marks) if marks else None,
        camera_name=spec["camera"] or None,
        card_bars_mm=parse_bars(bars, small=spec["stage"] == "stitches") if bars else None,
        front=spec["front"] or None,
        since=spec.get("since"),
        cap=spec.get("cap"),
        block=from_json(KnownDome, saved["dome"]) if saved else None,
        taped_mm=parse_taped(spec.get("taped", {})),
        others=tuple(others),
    )


def other_photo(asked: Mapping[str, Any] | None) -> OtherPhoto:
    """An earlier photo of the same block: its file, its own form, its corrections; None: it was thrown away.

    Raises UsageProblem.
    """
    if asked is None:
        return OtherPhoto("")
    return OtherPhoto(
        asked["path"], marks_of(asked["marks"]) if asked["marks"] else None, asked["spec"]["front"] or None
    )


def taped_from(form: Mapping[str, str]) -> dict[str, str]:
    """What a soft tape reads, by place, of a form's texts; a bare number is millimetres. Raises UsageProblem."""
    texts = {place: form.get(f"taped_{place}", "").strip()[:MAX_TEXT] for place in PLACES}
    bare = re.compile(r"[\d.,]+")
    taped = {place: f"{text}mm" if bare.fullmatch(text) else text for place, text in texts.items() if text}
    parse_taped(taped)
    return taped


def _kept(saved: SavedBlock) -> dict[str, Any]:
    """A saved block as it is kept with a photo: whole, so that forgetting it does not change what was asked."""
    return {"name": saved.name, "around_mm": saved.circumference()[0], "dome": to_json(saved.for_check())}


def block_words(spec: Mapping[str, Any]) -> str:
    """The block as people know it: the saved one's name, or its tape."""
    saved = spec.get("saved_block")
    return str(saved["name"] if saved else spec.get("block", ""))


def marks_of(given: Mapping[str, Any], width: int = 0, height: int = 0) -> Marks:
    """{"points": {name: [x, y]}, "lines": {name: [[x, y], ...]}}, px of the upright photo, as Marks.

    Raises UsageProblem for an unknown name, a point that is no point, or one outside the photo where its size is given.
    """
    points = {name: _point(p) for name, p in given.get("points", {}).items()}
    lines = {name: tuple(_point(p) for p in line) for name, line in given.get("lines", {}).items()}
    if set(points) - set(POINT_NAMES) or set(lines) - set(LINE_NAMES):
        raise UsageProblem("marks-wrong", "One of the points cannot be read: load the page again.")
    marks = Marks(points, lines, DEFAULT_U_PX)
    if width and height:
        marks.check_inside(width, height)
    return marks


def _point(value: Any) -> tuple[float, float]:
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        raise UsageProblem("marks-wrong", "One of the points cannot be read: load the page again.")
    if any(isinstance(v, bool) or not isinstance(v, (int, float)) or not abs(v) < 1e6 for v in value):
        raise UsageProblem("marks-wrong", "One of the points is no place in the photo: load the page again.")
    return float(value[0]), float(value[1])
