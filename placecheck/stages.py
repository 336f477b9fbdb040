"""The stages of the job: which module measures which photo, and which moves are advised after it.

A job is photographed up to four times: the cap on the block before anything is pinned
(`cap`), the pinned closure (`pinned`, the main check), the closure once it is stitched
(`stitched`), and the seam close up with the small card (`stitches`). Every stage is measured
by one function of a photo, a request, a place for pictures and a camera profile's camera, and
gives a Measured that names its stage; what is judged, printed and kept follows from that.
Nothing slow is imported before a stage is known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from placecheck.answer import Judged, Measured, Pull
from placecheck.errors import Problem
from placecheck.request import CheckRequest

if TYPE_CHECKING:
    from placecheck.camera import Camera
    from placecheck.photo import Photo

Explain = Callable[[str, Any], None]


def measure_stage(photo: Photo, request: CheckRequest, explain: Explain | None, camera: Camera | None) -> Measured:
    """What a photo shows of the stage that was asked for. Raises PlacecheckError where a step cannot go on."""
    if request.stage == "cap":
        from placecheck.cap.stage import measure_cap

        return measure_cap(photo, request, explain, camera)
    if request.stage == "stitches":
        from placecheck.stitches.close_up import measure_stitches

        return measure_stitches(photo, request, explain, camera)
    if request.stage == "stitched":
        from placecheck.stitched.stage import measure_stitched

        return measure_stitched(photo, request, explain, camera)
    if request.others and explain is None:
        from placecheck.same_block.others import measure_with_others

        return measure_with_others(photo, request, camera)
    from placecheck.measuring import measure_photo

    return measure_photo(photo, request, explain, camera)


def advice_of(
    measured: Measured, judged: Mapping[str, Judged], request: CheckRequest
) -> tuple[tuple[str, ...], tuple[Pull, ...]]:
    """What to move, to unpick or to do again, one sentence each, in order; empty when nothing is proven out.

    And the first move as hands make it, for the picture; none where there is thread to unpick.
    """
    if measured.stage == "cap":
        from placecheck.cap.advice import cap_plan

        return cap_plan(measured, judged)
    if measured.stage == "stitches":
        from placecheck.stitches.words import stitch_fixes

        return stitch_fixes(measured, judged), ()
    if measured.stage == "stitched":
        from placecheck.stitched.unpicking import unpicking

        return unpicking(measured, judged, request), ()
    from placecheck.advice import plan_for

    plan = plan_for(measured, judged, request)
    return plan.fixes, plan.pulls


def undecided_of(measured: Measured, judged: Mapping[str, Judged]) -> tuple[Problem, ...]:
    """What is too near a limit to call, and the one thing that decides it."""
    if measured.stage == "cap":
        from placecheck.cap.advice import cap_undecided

        return cap_undecided(measured, judged)
    if measured.stage == "stitches":
        from placecheck.stitches.words import stitch_undecided

        return stitch_undecided(measured, judged)
    from placecheck.undecided import undecided

    return undecided(measured, judged)
