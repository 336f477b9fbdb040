"""The stages of the job: which module measures which photo, and which moves are advised after it.

A job is photographed up to four times: the cap on the block before anything is pinned
(`cap`), the pinned closure (`pinned`, the main check), the closure once it is stitched
(`stitched`), and the seam close up with the small card (`stitches`). Every stage is measured
by one function of a photo, a request, a place for pictures and a camera profile's camera, and
gives a Measured that names its stage; what is judged, printed and kept follows from that.
Nothing slow is imported before a stage is known.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from placecheck.answer import Measured
from placecheck.errors import UsageProblem
from placecheck.request import CheckRequest

if TYPE_CHECKING:
    from placecheck.camera import Camera
    from placecheck.photo import Photo

Explain = Callable[[str, Any], None]


def measure_stage(photo: Photo, request: CheckRequest, explain: Explain | None, camera: Camera | None) -> Measured:
    """What a photo shows of the stage that was asked for. Raises PlacecheckError where a step cannot go on."""
    if request.stage in ("cap", "stitches"):
        raise UsageProblem("stage-unknown", f"The stage {request.stage} cannot be checked yet.")
    from placecheck.check import measure_photo

    return measure_photo(photo, request, explain, camera)
