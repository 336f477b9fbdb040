"""What a worker process does with a photo: open, measure, draw; measure again from marks; draw guidelines into it.

Runs only in worker processes, which may be killed at any time and keep nothing but a small
cache: the last few photos that somebody is correcting by hand, with everything that was
seen in them, so that measures follow a dragged landmark without looking at the photo again.
A photo's own failure is part of the outcome, never an exception; only what the checker itself
gets wrong ends as `internal-error`. Pictures come out as JPEG without any metadata: the
overlay, of a refused photo with the best guess, and the upright photo at the size of a screen.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from placecheck.answer import Answer, Measured
from placecheck.errors import RetakeNeeded
from placecheck.failures import print_if_debugging, stopped_answer, why_stopped
from placecheck.marks import Marks
from placecheck.request import CheckRequest

if TYPE_CHECKING:
    from placecheck.photo import Photo

VIEW_LONG_SIDE_PX = 2400
KEPT_OPEN = 4
NO_MEMORY = "There is not enough memory for this photo: send a smaller one."


@dataclass
class Outcome:
    """What came of one photo: measured, or the failure [code, sentence, exit status], and pictures as JPEG bytes."""

    measured: Measured | None = None
    failure: tuple[str, str, int] | None = None
    width: int = 0
    height: int = 0
    overlay: bytes = b""
    view: bytes = b""


class Checker:
    """Measures photos as `placecheck check` does, so that a kept record can be checked again."""

    def __init__(self) -> None:
        self._open: OrderedDict[str, tuple[Any, CheckRequest]] = OrderedDict()

    def measure(self, photo: Photo, request: CheckRequest) -> Measured:
        """Everything measured in `photo`. Raises PlacecheckError."""
        from placecheck.one_photo import measured_in

        return measured_in(photo, request)

    def look(self, photo: Photo, request: CheckRequest) -> Any:
        """What has to be kept so that `again` is quick. Raises PlacecheckError."""
        from placecheck.profiles.match import pick_camera
        from placecheck.same_block.others import look_all

        return look_all(photo, request, pick_camera(photo, request).camera)

    def again(self, seen: Any, request: CheckRequest) -> Measured:
        """Measured anew with request.marks in place of what was found. Raises PlacecheckError."""
        from placecheck.same_block.others import again

        return replace(again(seen, request.marks), stage=request.stage)

    def check(self, path: Path, request: CheckRequest) -> Outcome:
        """One photo from its bytes to its pictures; raises nothing for a photo."""
        from placecheck.one_photo import answer_for

        outcome, photo = Outcome(), None
        try:
            photo = _load(path)
            outcome.width, outcome.height = photo.width, photo.height
            outcome.view = screen_view(photo)
            outcome.measured = self.measure(photo, request)
            outcome.overlay = overlay_jpeg(photo, answer_for(outcome.measured, request), request)
        except Exception as error:
            outcome.measured, outcome.failure = None, failure_of(error)
            if photo is not None and isinstance(error, RetakeNeeded):
                outcome.overlay = guess_jpeg(photo, stopped_answer(error, request.stage, NO_MEMORY), request)
        return outcome

    def rows(self, order: str) -> bytes:
        """The guidelines of an order drawn into the photo of its closure, JPEG. Raises PlacecheckError."""
        import io

        from placecheck.guidelines.photo import rows_shown
        from placecheck.orders.files import order_store

        out = io.BytesIO()
        rows_shown(order_store().get(order)).picture.save(out, "JPEG", quality=88)
        return out.getvalue()

    def open(self, key: str, path: Path, request: CheckRequest) -> None:
        """Look at a photo and keep what was seen under `key`. Raises PlacecheckError."""
        if key in self._open:
            self._open.move_to_end(key)
            return
        seen = self.look(_load(path), replace(request, marks=None))
        self._open[key] = (seen, request)
        while len(self._open) > KEPT_OPEN:
            self._open.popitem(last=False)

    def whole(self, path: Path, request: CheckRequest) -> Measured:
        """Measured from the beginning with request.marks, as `check` does later. Raises PlacecheckError."""
        return self.measure(_load(path), request)

    def remeasure(self, key: str, marks: Marks) -> Measured | None:
        """Measured with these marks; None when the photo is not open here. Raises PlacecheckError."""
        if key not in self._open:
            return None
        self._open.move_to_end(key)
        seen, request = self._open[key]
        return self.again(seen, replace(request, marks=marks))


def _load(path: Path) -> Photo:
    from placecheck.photo import load_photo

    return load_photo(path.read_bytes())


def failure_of(error: Exception) -> tuple[str, str, int]:
    """[code, sentence, exit status] of whatever stopped a check."""
    problem, status = why_stopped(error, NO_MEMORY)
    return problem.code, problem.message[0].upper() + problem.message[1:], status


def screen_view(photo: Photo) -> bytes:
    """The upright photo at the size of a screen, JPEG."""
    from placecheck import vision

    scale = min(1.0, VIEW_LONG_SIDE_PX / max(photo.width, photo.height))
    size = max(1, round(photo.width * scale)), max(1, round(photo.height * scale))
    return vision.encode(vision.resize(photo.image, *size) if scale < 1 else photo.image, ".jpg", 85)


def overlay_jpeg(photo: Photo, answer: Answer, request: CheckRequest) -> bytes:
    """The photo round the block with everything drawn on it, JPEG."""
    import io

    from placecheck.overlay import draw_overlay

    out = io.BytesIO()
    draw_overlay(photo.image, answer, request.closure.width_mm).save(out, "JPEG", quality=88)
    return out.getvalue()


def guess_jpeg(photo: Photo, answer: Answer, request: CheckRequest) -> bytes:
    """A refused photo with what was taken for what, JPEG; empty where nothing was or it cannot be drawn."""
    from placecheck.guesses import as_shown

    try:
        shown = as_shown(photo, answer, request)
        return overlay_jpeg(photo, shown, request) if shown is not answer else b""
    except Exception as error:
        print_if_debugging(error)
        return b""
