"""Landmarks set by hand, which outrank what is found in the photo.

A JSON file of the same shape as the answer's own landmarks, so that an answer can be
saved, corrected and handed back: `landmarks_px` with points, `lines_px` with polylines,
and optionally `u_px`, how well a point was clicked (standard uncertainty per axis). The
pixels are those of the upright photo (EXIF orientation applied), pixel centres at
integers, (0, 0) the middle of the upper left pixel. Names are the answer's; anything else
is refused by name, so that a slip of spelling is never silently ignored, and so is what the
stage of the job does not use. Whether the points lie inside the photo is checked once the photo
is open, whether they lie on the block and the right way round once that is found (observing.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from placecheck.errors import UsageProblem
from placecheck.whole_files import small_json

POINT_NAMES = ("fold_front", "fold_back", "front_left", "front_right", "back_left", "back_right")
LINE_NAMES = ("outline", "cap_rim", "centre_line", "hairline", "fold")
CAP_LINES = ("outline", "centre_line")
"""What of it the check of the cap alone uses."""
LEAST_POINTS: Mapping[str, int] = {"outline": 8, "cap_rim": 3, "centre_line": 2, "hairline": 3, "fold": 2}
LEAST_LENGTH_PX = 2.0
"""A line that reaches no farther has no direction."""
DEFAULT_U_PX = 1.5
"""A careful click on a phone photo (an assumption; a file may state its own `u_px`)."""
WRONG_WAY, OFF_BLOCK = "marks-swapped", "marks-off-block"
"""Why marks are refused once it is known where they lie on the block (observing.py)."""

Point = tuple[float, float]


@dataclass(frozen=True)
class Marks:
    """Points and polylines set by hand, px of the upright photo, and their standard uncertainty per axis."""

    landmarks_px: Mapping[str, Point] = field(default_factory=dict)
    lines_px: Mapping[str, tuple[Point, ...]] = field(default_factory=dict)
    u_px: float = DEFAULT_U_PX

    def check_inside(self, width: int, height: int) -> None:
        """Raises UsageProblem for the first mark outside a photo of `width` x `height` px."""
        named = [(name, point) for name, point in self.landmarks_px.items()]
        named += [(name, point) for name, line in self.lines_px.items() for point in line]
        for name, (x, y) in named:
            if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
                raise UsageProblem(
                    "marks-outside",
                    f"The mark {name} at ({x:g}, {y:g}) lies outside the photo, which is {width} x {height} px "
                    "upright: check that it was marked in this photo, at full size, the right way up.",
                )

    def check_stage(self, stage: str) -> None:
        """Raises UsageProblem where a stage of the job has no use for the marks."""
        if stage == "stitches":
            raise UsageProblem(
                "marks-stage", "--marks goes with photos of the block: the seam close up is counted without it."
            )
        unused = [*self.landmarks_px, *(name for name in self.lines_px if name not in CAP_LINES)]
        if stage == "cap" and unused:
            raise UsageProblem(
                "marks-stage",
                f"A photo of the cap alone has no use for the mark {unused[0]}: it takes {' and '.join(CAP_LINES)}.",
            )


def _wrong(path: Path, what: str) -> UsageProblem:
    return UsageProblem("marks-wrong", f"In the marks file {path}, {what}")


def _point(value: object) -> Point | None:
    if not isinstance(value, list) or len(value) != 2:
        return None
    if any(isinstance(v, bool) or not isinstance(v, (int, float)) or not abs(v) < 1e9 for v in value):
        return None
    return float(value[0]), float(value[1])


def _named(data: Mapping[str, object], key: str, known: tuple[str, ...], path: Path) -> Mapping[str, object]:
    table = data.get(key, {})
    if not isinstance(table, dict):
        raise _wrong(path, f"{key} must be an object of names and pixels.")
    unknown = sorted(set(table) - set(known))
    if unknown:
        raise _wrong(path, f"{key} has no “{unknown[0]}”: it knows {', '.join(known)}.")
    return table


def marks_from(data: object, path: Path) -> Marks:
    """Marks from parsed JSON; other keys of an answer (schema, verdict, ...) are allowed and not looked at."""
    if not isinstance(data, dict):
        raise _wrong(path, 'there is no object: it must look like {"landmarks_px": {"fold_front": [x, y]}}.')
    points: dict[str, Point] = {}
    for name, value in _named(data, "landmarks_px", POINT_NAMES, path).items():
        point = _point(value)
        if point is None:
            raise _wrong(path, f"{name} must be two numbers [x, y], pixels of the upright photo.")
        points[name] = point
    lines: dict[str, tuple[Point, ...]] = {}
    for name, value in _named(data, "lines_px", LINE_NAMES, path).items():
        line = [_point(v) for v in value] if isinstance(value, list) else []
        good = tuple(point for point in line if point is not None)
        if len(good) != len(line) or len(good) < LEAST_POINTS[name]:
            raise _wrong(path, f"{name} must be a list of at least {LEAST_POINTS[name]} points [[x, y], ...].")
        if max(max(along) - min(along) for along in zip(*good, strict=True)) < LEAST_LENGTH_PX:
            raise _wrong(path, f"the points of {name} lie all in one place: set them along the whole of it.")
        lines[name] = good
    if not points and not lines:
        raise _wrong(path, "there is no mark: give landmarks_px or lines_px.")
    u = data.get("u_px", DEFAULT_U_PX)
    if isinstance(u, bool) or not isinstance(u, (int, float)) or not 0.1 <= u <= 100:
        raise _wrong(path, "u_px must be a number of pixels from 0.1 to 100, how well the points were set.")
    return Marks(points, lines, float(u))


def load_marks(path: Path, stage: str = "pinned") -> Marks:
    """Marks from a JSON file, for a photo of that stage. Raises UsageProblem with one sentence."""
    try:
        data = small_json(path)  # UTF-16, too: as other systems redirect an answer
    except FileNotFoundError:
        raise UsageProblem("file-missing", f"There is no marks file at {path}: check the name.") from None
    except OSError as error:
        raise UsageProblem("file-unreadable", f"The marks file {path} cannot be read: {error.strerror}.") from None
    except ValueError as error:
        raise UsageProblem("marks-not-json", f"The marks file {path} is not valid JSON: {error}.") from None
    marks = marks_from(data, path)
    marks.check_stage(stage)
    return marks
