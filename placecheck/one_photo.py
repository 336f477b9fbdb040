"""One photo, from its file to its answer, whatever happens on the way.

This is the edge of the vision: load, measure, judge, advise, draw. A step that cannot go
on raises a PlacecheckError, which becomes an answer of its own (retake, every measure
null, one sentence); a missing system library and a fault of the program itself become
answers too (failures.py), so that whoever asked for JSON always gets it. Command line and
batch workers all come through `check_file`. Pictures asked for are written from here,
since the photo's pixels need not travel further.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from placecheck.answer import Answer, Measured
from placecheck.errors import PlacecheckError, RetakeNeeded
from placecheck.failures import print_if_debugging, stopped_answer
from placecheck.judge import EXIT_STATUS, judge, problems_of, verdict_of
from placecheck.request import CheckRequest
from placecheck.stages import advice_of, measure_stage, undecided_of
from placecheck.taped import with_taped

if TYPE_CHECKING:
    from placecheck.photo import Photo
    from placecheck.profiles.match import Picked

Explain = Callable[[str, npt.NDArray[np.uint8]], None]
"""Called by a step with its name and a picture of what it did, (h, w) or (h, w, 3) BGR uint8."""
NO_MEMORY = "There is not enough memory for this photo: close other programs, or give a smaller copy of it."


@dataclass(frozen=True)
class Checked:
    """The answer for one file, what could not be written beside it, and whether the file was a photo at all.

    `drawn` is the overlay, if one was written; `sha256` is that of the bytes that were measured.
    """

    path: Path
    answer: Answer
    notes: tuple[str, ...] = ()
    is_photo: bool = True
    drawn: Path | None = None
    sha256: str | None = None


def answer_for(measured: Measured, request: CheckRequest) -> Answer:
    """Judged and advised: the whole answer for what was measured."""
    measured = with_taped(measured, request.taped_mm) if request.taped_mm else measured
    judged = judge(measured, request.tolerances)
    verdict = verdict_of(judged, measured.specs)
    problems = problems_of(measured, undecided_of(measured, judged) if verdict == "retake" else ())
    fixes, pulls = advice_of(measured, judged, request)
    return Answer(verdict, measured, judged, problems, fixes, EXIT_STATUS[verdict], pulls)


class Explainer:
    """Writes each stage's picture into `folder`, numbered in the order of the stages.

    The first failure is kept in `failed`, as a sentence, and ends the writing: it must not take the answer with it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.failed: str | None = None
        self._count = 0

    @property
    def unwritten(self) -> str | None:
        """Why pictures are missing, as a sentence; None where all were written."""
        if self._count or self.failed:
            return self.failed
        return (
            f"No pictures of the stages were made in {self.folder}: first do what the answer says, then run it again."
        )

    def __call__(self, name: str, image: npt.NDArray[np.uint8]) -> None:
        from placecheck import vision
        from placecheck.whole_files import write_whole

        self._count += 1
        safe = re.sub(r"[^\w-]+", "-", name).strip("-") or "stage"
        if self.failed is not None:
            return
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            picture = vision.encode(np.ascontiguousarray(image), ".jpg", 90)
            write_whole(self.folder / f"{self._count:02d}-{safe}.jpg", picture, 0o644)
        except OSError as error:
            self.failed = f"The pictures of the stages cannot be written into {self.folder}: {error.strerror}."


def measured_in(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, picked: Picked | None = None
) -> Measured:
    """Everything measured in a photo that is open already, with the saved profile that fits or the one `picked`.

    What is to be known about profiles joins the problems; it changes no verdict. Raises PlacecheckError where a step
    cannot go on.
    """
    if request.marks is not None:
        request.marks.check_inside(photo.width, photo.height)
    from placecheck.profiles.match import pick_camera

    picked = picked or pick_camera(photo, request)
    try:
        measured = measure_stage(photo, request, explain, picked.camera)
    except RetakeNeeded:
        if explain is not None and request.stage != "stitches":
            from placecheck.explain import refused_pictures

            for name, image in refused_pictures(photo, request, picked.camera):
                explain(name, image)
        raise
    problems = measured.problems + picked.notes
    return replace(measured, stage=request.stage, problems=problems, camera_profile=picked.kept)


def check_photo(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, picked: Picked | None = None
) -> Answer:
    """The answer for a photo that is open already. Raises PlacecheckError where a step cannot go on."""
    return answer_for(measured_in(photo, request, explain, picked), request)


def check_file(path: Path, request: CheckRequest, overlay: Path | None = None, explain: Path | None = None) -> Checked:
    """Check one photo file. Writes the overlay and the stages' pictures where asked; raises nothing but Ctrl-C."""
    photo: Photo | None = None
    explainer = Explainer(explain) if explain is not None else None
    try:
        from placecheck.photo import load_photo

        photo = load_photo(path)
        answer = check_photo(photo, request, explainer)
        json.dumps(answer.as_json(), allow_nan=False)
    except Exception as error:
        answer = stopped_answer(error, request.stage, NO_MEMORY)
    undrawn = write_overlay(photo, answer, request, overlay) if overlay is not None else None
    notes = [explainer.unwritten if explainer is not None else None, undrawn]
    return Checked(
        path,
        answer,
        tuple(note for note in notes if note),
        photo is not None,
        drawn=overlay if undrawn is None else None,
        sha256=photo.sha256 if photo is not None else None,
    )


def write_overlay(photo: Photo | None, answer: Answer, request: CheckRequest, path: Path) -> str | None:
    """Draw and write the overlay; a sentence where that fails: it must not take the verdict with it."""
    if photo is None:
        return f"No picture {path} was made, since the photo could not be opened."
    try:
        from placecheck.drawing import save_picture
        from placecheck.guesses import as_shown
        from placecheck.overlay import draw_overlay

        save_picture(draw_overlay(photo.image, as_shown(photo, answer, request), request.closure.width_mm), path)
    except PlacecheckError as error:
        return error.problem.message
    except Exception as error:
        print_if_debugging(error)
        return f"No picture {path} was made, because of an internal error ({type(error).__name__}): please report it."
    return None
