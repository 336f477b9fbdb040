"""Whatever stops a check, as a problem in one sentence, an exit status, an answer.

A step that cannot go on raises a PlacecheckError, which brings its own sentence and status.
A package or system library that cannot be loaded, too little memory and a fault of the
program itself become problems here, so that whoever asked for JSON always gets it and nobody
meets a traceback (PLACECHECK_DEBUG=1 in the environment prints it on standard error). One
photo (one_photo.py), several of one block (same_block/several.py) and the page's workers
(page/checking.py) all ask `why_stopped`; only what helps against too little memory differs
from one to the other, so that sentence is the caller's.
"""

from __future__ import annotations

import os
import sys
import traceback

from placecheck.answer import Answer, Measured
from placecheck.errors import PlacecheckError, Problem
from placecheck.system import import_problem

FAILED = 4
"""Exit status where the program itself failed."""


def print_if_debugging(error: BaseException) -> None:
    """The traceback on standard error, where PLACECHECK_DEBUG=1 asks for it."""
    if os.environ.get("PLACECHECK_DEBUG") == "1":
        traceback.print_exception(error, file=sys.stderr)


def _of_opencvs_memory(error: Exception) -> bool:
    """Whether OpenCV, which has one exception for everything, lacked memory (its StsNoMem)."""
    return type(error).__module__.startswith("cv2") and getattr(error, "code", 0) == -4


def why_stopped(error: Exception, no_memory: str) -> tuple[Problem, int]:
    """The problem and the exit status of what stopped a check; `no_memory` is the sentence for too little memory."""
    if isinstance(error, PlacecheckError):
        return error.problem, error.exit_status
    if isinstance(error, MemoryError) or _of_opencvs_memory(error):
        return Problem("out-of-memory", no_memory), FAILED
    print_if_debugging(error)
    if isinstance(error, ImportError):
        return import_problem(error), FAILED
    what = str(error).split("\n", 1)[0][:200]
    message = (
        f"An internal error stopped the check of this photo ({type(error).__name__}{': ' if what else ''}{what}): "
        "please report it with the photo; PLACECHECK_DEBUG=1 shows more."
    )
    return Problem("internal-error", message), FAILED


def stopped_answer(error: Exception, stage: str, no_memory: str) -> Answer:
    """The answer of a check that was stopped: retake, every measure null, the reason as problem."""
    problem, status = why_stopped(error, no_memory)
    return Answer("retake", Measured({}, stage=stage), {}, (problem,), (), status)
