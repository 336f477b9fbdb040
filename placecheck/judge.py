"""Judging: every measure against its limits, with the doubt that its uncertainty asks for.

JCGM 106:2012. With value y, standard uncertainty u and limits T_L, T_U the probability that
the true value conforms is p_c = Phi((T_U - y)/u) - Phi((T_L - y)/u) (clause 7.4,
normal distribution, nothing known beforehand). A measure is `in` when p_c >= Phi(k): for wide
limits when it lies inside both moved inward by the guard band g = k u; where they are so close
together that both matter at once, one-sided guard bands would let the risk grow, and for limits
closer than 2 g nothing can be proven in. It is `out` when it lies beyond a limit moved outward
by g, `unsure` between. The verdict
is `pass` when every judged measure is in, `fix` when one is proven out, else `retake`: a
doubtful or a missing measure never passes, nor does one that photo and soft tape contradict each
other about, however far inside the photo has it; it is out only where both have it out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from placecheck.answer import COVERAGE_FACTOR, MEASURES, Answer, Estimate, Judged, Measured, MeasureSpec, State, Verdict
from placecheck.errors import PlacecheckError, Problem
from placecheck.steps import begun
from placecheck.tolerances import Tolerances

EXIT_STATUS: Mapping[Verdict, int] = {"pass": 0, "fix": 1, "retake": 3}
_TIE = 1e-9  # rounding of the error function at the edge of the acceptance interval


def phi(z: float) -> float:
    """The standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def p_conform(value: float, u: float, low: float, high: float) -> float:
    """Probability that the true value lies in [low, high] (JCGM 106:2012, 7.4); `u` > 0, all in one unit."""
    # far beyond a limit both terms are tails, not both nearly 1, so that nothing is lost to 1 - 1
    if value > (low + high) / 2:
        return phi((high - value) / u) - phi((low - value) / u)
    return phi((value - low) / u) - phi((value - high) / u)


def state_of(value: float, u: float, low: float, high: float, guard_factor: float) -> State:
    """`in`, `out` or `unsure` for a value with standard uncertainty `u` and guard band guard_factor * u."""
    guard = guard_factor * u
    if guard == 0:  # simple acceptance
        return "in" if low <= value <= high else "out"
    if value <= low - guard or value >= high + guard:
        return "out"
    return "in" if p_conform(value, u, low, high) >= phi(guard_factor) - _TIE else "unsure"


def judge_estimate(estimate: Estimate, low: float, high: float, guard_factor: float) -> Judged:
    """One estimate against [low, high]; one that the tape contradicts is never in, and out where the tape has it out.

    The tape's reading lies U95 away (taped.contradicted).
    """
    if estimate.contradicted:
        guard_factor = max(guard_factor, COVERAGE_FACTOR)
    state = state_of(estimate.value, estimate.u, low, high, guard_factor)
    if state == "in" and estimate.contradicted:
        state = "unsure"
    return Judged(estimate, low, high, state, p_conform(estimate.value, estimate.u, low, high))


def judge(measured: Measured, tolerances: Tolerances) -> Mapping[str, Judged]:
    """Every judged measure that was had, by name, in the order of the answer."""
    return {
        spec.name: judge_estimate(
            measured.estimates[spec.name], *tolerances.limits_of(spec.name), tolerances.guard_factor
        )
        for spec in measured.specs
        if spec.judged and spec.name in measured.estimates
    }


def verdict_of(judged: Mapping[str, Judged], specs: tuple[MeasureSpec, ...] = MEASURES) -> Verdict:
    """pass, fix or retake; `judged` lacks those of the stage's measures `specs` that could not be had."""
    states = [
        judged[spec.name].state if spec.name in judged else None
        for spec in specs
        if spec.judged and (spec.needed or spec.name in judged)
    ]
    if "out" in states:
        return "fix"
    return "pass" if all(state == "in" for state in states) else "retake"


def _told_once(missing: Sequence[tuple[str, Problem]]) -> list[Problem]:
    """Why measures are missing, of each its label and its problem; what several lack for one reason is told once."""
    lacking: dict[str, list[tuple[str, Problem]]] = {}
    for label, problem in missing:
        lacking.setdefault(problem.message.removeprefix(f"{begun(label)}: "), []).append((label, problem))
    return [
        alike[0][1]
        if len({problem for _, problem in alike}) == 1
        else Problem("measures-missing", f"{begun('; '.join(label for label, _ in alike))}: {reason}")
        for reason, alike in lacking.items()
    ]


def _unexplained(specs: Sequence[MeasureSpec], wanted: bool) -> Problem:
    """What is said of measures nobody gave a reason for; they are asked for again only where one is `wanted`."""
    then = "No verdict hangs on them: what they rest on is hidden or too uncertain here."
    if wanted:
        then = "Take the photo again with the whole block, the closure's corners and the card in view."
    labels = "; ".join(spec.label for spec in specs)
    return Problem("not-measured", f"Not measured: {labels}. {then}")


def problems_of(measured: Measured, undecided: tuple[Problem, ...] = ()) -> tuple[Problem, ...]:
    """All problems, once each, in the order in which they count.

    First the photo's own, then why measures are missing that a verdict needs, then what would decide those that are
    `undecided`, and last, as remarks, the reasons of the other missing ones and what is to be said of camera profiles.
    """
    lost = [spec for spec in measured.specs if spec.name not in measured.estimates]
    told = [(spec, measured.missing[spec.name]) for spec in lost if spec.name in measured.missing]
    needed = _told_once([(spec.label, problem) for spec, problem in told if spec.decides])
    remarks = [problem for spec, problem in told if not spec.decides]
    if untold := [spec for spec in lost if spec.name not in measured.missing]:
        wanted = any(spec.decides for spec in untold)
        (needed if wanted else remarks).append(_unexplained(untold, wanted))
    profiles = [problem for problem in measured.problems if problem.code.startswith("profile-")]
    own = [problem for problem in measured.problems if problem not in profiles]
    return tuple(dict.fromkeys([*own, *needed, *undecided, *remarks, *profiles]))


def failed_answer(error: PlacecheckError, stage: str = "pinned") -> Answer:
    """The answer for a photo that a step could not go on with: retake, every measure null, the reason as problem."""
    return Answer("retake", Measured({}, stage=stage), {}, (error.problem,), (), error.exit_status)
