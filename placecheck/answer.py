"""The values that travel from measuring to judging, drawing and recording.

Measuring hands over a Measured: an Estimate (value, standard uncertainty, budget,
evidence) for every measure that could be had, a reason for each that could not,
and the Findings that the picture is drawn from. Judging adds limits and a state
to each (Judged) and the whole becomes an Answer, whose `as_json` is the contract
of the command line. All lengths are mm on the block's surface, left and right are
the wearer's, pixels are those of the upright photo with pixel centres at integers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from placecheck.errors import Problem
from placecheck.stitches.sewn import Sewn

FloatArray = npt.NDArray[np.float64]
State = Literal["in", "out", "unsure"]
Verdict = Literal["pass", "fix", "retake"]

COVERAGE_FACTOR = 2.0
"""k of U95 = k u; GUM 6.3.3 takes k = 2 for about 95 % when the degrees of freedom are many."""


@dataclass(frozen=True)
class MeasureSpec:
    """A measure's name in the JSON answer, its unit, its words for people, and whether it is judged.

    One that is judged but not `needed` counts where it can be seen; without it a photo may still pass.
    """

    name: str
    unit: str
    label: str
    judged: bool
    needed: bool = True

    @property
    def decides(self) -> bool:
        """Whether no photo passes without it."""
        return self.judged and self.needed


MEASURES: tuple[MeasureSpec, ...] = (
    MeasureSpec("offset_mm", "mm", "off centre", True),
    MeasureSpec("skew_deg", "deg", "skew", True),
    MeasureSpec("clearance_centre_mm", "mm", "hairline below cap edge, middle", True),
    MeasureSpec("clearance_left_mm", "mm", "hairline below cap edge, left", True),
    MeasureSpec("clearance_right_mm", "mm", "hairline below cap edge, right", True),
    MeasureSpec("front_corner_asymmetry_mm", "mm", "front corners, right minus left", True),
    MeasureSpec("back_corner_asymmetry_mm", "mm", "back corners, right minus left", True),
    MeasureSpec("fold_offset_front_mm", "mm", "fold off centre, front", False),
    MeasureSpec("fold_offset_back_mm", "mm", "fold off centre, back", False),
    MeasureSpec("width_front_mm", "mm", "width, front", False),
    MeasureSpec("width_back_mm", "mm", "width, back", False),
    MeasureSpec("length_left_mm", "mm", "length, left", False),
    MeasureSpec("length_right_mm", "mm", "length, right", False),
)
CAP_MEASURES: tuple[MeasureSpec, ...] = (
    MeasureSpec("cap_shift_mm", "mm", "cap off the block's middle", True),
    MeasureSpec("cap_turn_deg", "deg", "cap turned", True),
    MeasureSpec("back_seams_mm", "mm", "seams behind, right minus left", True, needed=False),
    MeasureSpec("temple_rim_mm", "mm", "temple edge, right minus left", True, needed=False),
)
STITCH_MEASURES: tuple[MeasureSpec, ...] = (
    MeasureSpec("stitch_spacing_mean_mm", "mm", "stitch to stitch, mean", True),
    MeasureSpec("stitch_spacing_smallest_mm", "mm", "stitch to stitch, smallest", True),
    MeasureSpec("stitch_spacing_largest_mm", "mm", "stitch to stitch, largest", True),
)
STAGE_MEASURES: Mapping[str, tuple[MeasureSpec, ...]] = {
    "cap": CAP_MEASURES,
    "pinned": MEASURES,
    "stitched": MEASURES,
    "stitches": STITCH_MEASURES,
}
"""What every stage of the job measures, in the order of the answer (the stages are those of request.py)."""
MEASURE_BY_NAME: Mapping[str, MeasureSpec] = {s.name: s for specs in STAGE_MEASURES.values() for s in specs}
ON_CENTRE_LINE: tuple[str, ...] = tuple(
    s.name for s in MEASURES if any(w in s.name for w in ("offset", "skew", "asymm"))
)
"""Measures that rest on where the cap's centre line runs."""
JUDGED: tuple[str, ...] = tuple(spec.name for spec in MEASURES if spec.judged)
LANDMARKS: tuple[str, ...] = ("fold_front", "fold_back", "front_left", "front_right", "back_left", "back_right")

LANDMARK_WORDS: Mapping[str, str] = {
    "fold_front": "fold at the hairline",
    "fold_back": "fold at the back edge",
    "front_left": "front left corner",
    "front_right": "front right corner",
    "back_left": "back left corner",
    "back_right": "back right corner",
}
RIM_WORDS = "cap rim in the photo"
LACE_LOOSE = "lace not lying flat"
OUTLINE_WORDS = "block outline"
SIZE_WORDS = "closure's named size"
TAPE_CONTRADICTS = "contradiction between soft tape and photo"
"""Lines of the uncertainty budgets."""
KEPT_PLACES = 3
"""Decimal places with which the JSON, and so a record, keeps a measure."""
RIM_UNSEEN = "nowhere plainly in view, guessed by the cap's shape"
"""Evidence of a rim no part of which the photo shows."""
CAP_SHOWN = "under the closure, as the photo of the cap alone shows it"
"""Evidence of a rim that was carried over from a photo of the cap alone."""
CAP_TIED = "laid on the edge in view beside the closure"
"""Evidence of one that is in view in both photos beside the closure, so that it could be laid on itself."""
CAP_DOUBTED = "in doubt, since what this photo shows under the hair differs"
"""Evidence of one that the photo being checked has elsewhere under the hair."""

PINNED = "a ball pin on it before the hairline"
UNDER_THE_CAP = "where the block's line runs under the cap"
BARE_LINE = "the line seen on the bare block"
"""In the evidence of how a cap lies, where the block's line was kept with a saved block."""
NO_BLOCK_LINE = "block-line-missing"
"""The problem of a cap's photo that shows no line on the block; it asks for one."""

TAPED = "soft tape: "
"""How the evidence of a clearance begins that a soft tape read, too."""


@dataclass(frozen=True)
class Contribution:
    """One line of an uncertainty budget: where it comes from and its standard uncertainty in the measure's unit."""

    source: str
    u: float


@dataclass(frozen=True)
class Estimate:
    """A measured value with its standard uncertainty `u` (same unit), its budget and what it rests on."""

    value: float
    u: float
    budget: tuple[Contribution, ...] = ()
    evidence: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (np.isfinite(self.value) and np.isfinite(self.u) and self.u > 0):
            raise ValueError("an estimate needs a finite value and a positive uncertainty")

    @property
    def U95(self) -> float:
        return COVERAGE_FACTOR * self.u

    @property
    def contradicted(self) -> bool:
        """Whether a soft tape contradicts what the photo shows; what to do then is told where that is found."""
        return any(line.source == TAPE_CONTRADICTS for line in self.budget)


@dataclass(frozen=True)
class Move:
    """How far a landmark moved since an earlier photo, mm along the surface, with standard uncertainties.

    `right_mm` is positive toward the wearer's right, `face_mm` toward the face; `u_mm` is that of the distance.
    `moved` says whether the change is more than its uncertainty explains.
    """

    right_mm: float
    face_mm: float
    u_right_mm: float
    u_face_mm: float
    u_mm: float
    moved: bool

    @property
    def distance_mm(self) -> float:
        return float(np.hypot(self.right_mm, self.face_mm))


@dataclass(frozen=True)
class Findings:
    """What was found in the photo, for the picture: pixel points, pixel polylines (N, 2), what is only a guess.

    `lines_px` names: "outline" (block), "cap_rim", "centre_line", "hairline", "fold", "rectangle" (closed), and two
    that are not drawn as lines: "pins", the heads (N, 2) of those that hold the centre line, and "temple_left" and
    "temple_right" of a cap, from its edge there down the block.
    `guesses` names the landmarks and lines that are shown but not relied on.
    `scale_bar_px` is a 50 mm length on the crown, two pixel points.
    """

    landmarks_px: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    lines_px: Mapping[str, FloatArray] = field(default_factory=dict)
    guesses: frozenset[str] = frozenset()
    by_hand: frozenset[str] = frozenset()
    evidence: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    scale_bar_px: FloatArray | None = None


@dataclass(frozen=True)
class View:
    """How the phone was held: lean from the vertical toward the face, distance to the crown, photo scale there."""

    lean_to_face_deg: float
    distance_mm: float
    px_per_mm: float


@dataclass(frozen=True)
class Grounds:
    """What measures stand on that decides how far they are believed (uncertainty.py) and what would help them.

    `line_pinned`: a ball pin before the hairline tells where the cap's centre line runs. `cap_shown`: a photo of the
    cap alone tells where the rim runs under the closure; `cap_tied`: that rim could be laid on what is in view of it
    beside the closure; `cap_doubted`: what this photo shows under the hair contradicts it, so that neither is believed
    alone. `together`: several photos of one block were measured together.
    """

    line_pinned: bool = False
    cap_shown: bool = False
    cap_tied: bool = False
    cap_doubted: bool = False
    together: bool = False


GROUND = Grounds()


@dataclass(frozen=True)
class Measured:
    """Everything measured in one photo, before judging.

    `camera_profile` is the saved camera profile it was measured with, as its file has it; None where EXIF told f.
    `stage` is the stage of the job that the photo shows (request.py), which says what there is to measure. `moves`
    holds how far each landmark has moved since the order's pinned photo, for a stitched one; `sewn` the stitches of a
    close-up; `grounds` what the measures stand on.
    """

    estimates: Mapping[str, Estimate]
    missing: Mapping[str, Problem] = field(default_factory=dict)
    findings: Findings = field(default_factory=Findings)
    problems: tuple[Problem, ...] = ()
    view: View | None = None
    camera_profile: Mapping[str, Any] | None = None
    stage: str = "pinned"
    moves: Mapping[str, Move] | None = None
    sewn: Sewn | None = None
    grounds: Grounds = GROUND

    @property
    def specs(self) -> tuple[MeasureSpec, ...]:
        """What there is to measure at this stage."""
        return STAGE_MEASURES[self.stage]


@dataclass(frozen=True)
class Judged:
    """A measure against its tolerance [low, high]: its state and the probability that the true value conforms."""

    estimate: Estimate
    low: float
    high: float
    state: State
    p_conform: float


@dataclass(frozen=True)
class Pull:
    """What a hand does at one landmark in the first move: how far that goes to the wearer's right and toward the face.

    Neither: that pin stays in. At a temple of the cap `face_mm` goes down the block.
    """

    landmark: str
    right_mm: float = 0.0
    face_mm: float = 0.0


@dataclass(frozen=True)
class Answer:
    """The whole answer for one photo. `as_json` is the command line's contract (schema 1).

    `pulls` is the first of `fixes` once more, for the picture.
    """

    verdict: Verdict
    measured: Measured
    judged: Mapping[str, Judged]
    problems: tuple[Problem, ...] = ()
    fixes: tuple[str, ...] = ()
    exit_status: int = 3
    pulls: tuple[Pull, ...] = ()

    def as_json(self) -> dict[str, object]:
        """The JSON object of the contract; a measure that cannot be had is null."""
        measures: dict[str, object] = {}
        for spec in self.measured.specs:
            estimate = self.measured.estimates.get(spec.name)
            if estimate is None:
                measures[spec.name] = None
                continue
            entry: dict[str, object] = {
                "value": round(estimate.value, KEPT_PLACES),
                "U95": round(estimate.U95, KEPT_PLACES),
                "unit": spec.unit,
            }
            judged = self.judged.get(spec.name)
            if judged is not None:
                entry |= {
                    "low": judged.low,
                    "high": judged.high,
                    "state": judged.state,
                    "p_conform": round(judged.p_conform, 4),
                }
            entry["evidence"] = list(estimate.evidence)
            measures[spec.name] = entry
        stage = {} if self.measured.stage == "pinned" else {"stage": self.measured.stage}
        return {
            "schema": 1,
            **stage,
            "verdict": self.verdict,
            "measures": measures,
            "landmarks_px": {
                name: [round(float(x), 2), round(float(y), 2)]
                for name, (x, y) in self.measured.findings.landmarks_px.items()
            },
            "problems": [{"code": p.code, "message": p.message} for p in self.problems],
            "fixes": list(self.fixes),
            **self._moves_json(),
            **(self.measured.sewn.as_json() if self.measured.sewn is not None else {}),
        }

    def _moves_json(self) -> dict[str, object]:
        """How each landmark moved since the pinned photo, where that was asked."""
        if self.measured.moves is None:
            return {}
        return {
            "moves": {
                name: {
                    "right_mm": round(m.right_mm, 3),
                    "face_mm": round(m.face_mm, 3),
                    "U95_right_mm": round(COVERAGE_FACTOR * m.u_right_mm, 3),
                    "U95_face_mm": round(COVERAGE_FACTOR * m.u_face_mm, 3),
                    "distance_mm": round(m.distance_mm, 3),
                    "U95_mm": round(COVERAGE_FACTOR * m.u_mm, 3),
                    "moved": m.moved,
                }
                for name, m in self.measured.moves.items()
            }
        }
