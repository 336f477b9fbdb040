"""Judging: probabilities of conformity, guard bands, states and verdicts; tolerances files; printing of values."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from placecheck.answer import JUDGED, MEASURES, Answer, Estimate, Judged, Measured, Move
from placecheck.errors import Problem, RetakeNeeded, UsageProblem
from placecheck.judge import (
    EXIT_STATUS,
    failed_answer,
    judge,
    p_conform,
    phi,
    problems_of,
    state_of,
    verdict_of,
)
from placecheck.one_photo import answer_for
from placecheck.page.rows import next_step
from placecheck.printout import briefly, in_words, limits_text, move_in_words, rounded, state_in_words
from placecheck.request import NO_CLOSURE, CheckRequest
from placecheck.tolerances import DEFAULTS, Tolerances, load_tolerances, tolerances_from
from placecheck.units import parse_closure

K95 = 1.6448536269514722  # one-sided 95 % point of the normal distribution (any table of it)
AT_CAP = CheckRequest(NO_CLOSURE, 578.0, "cap")
GOOD = {
    "offset_mm": 0.2,
    "skew_deg": -0.1,
    "clearance_centre_mm": 10.0,
    "clearance_left_mm": 9.5,
    "clearance_right_mm": 10.5,
    "front_corner_asymmetry_mm": 0.4,
    "back_corner_asymmetry_mm": -0.3,
}


def measured(u: float = 0.3, **changes: float | None) -> Measured:
    values = GOOD | changes
    missing = {name: Problem("hidden", f"{name} is hidden: uncover it.") for name, v in values.items() if v is None}
    return Measured({name: Estimate(v, u) for name, v in values.items() if v is not None}, missing)


def test_jcgm_106_example_7_4():
    # JCGM 106:2012, example of 7.4: y = 13.6, u = 1.8, T_L = 12.5, T_U = 16.3: Phi(1.5) - Phi(-0.611)
    assert p_conform(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.66263, abs=5e-6)


@pytest.mark.parametrize(
    ("y", "p"), [(0, 1.0), (1.0, 0.9938), (1.2, 0.9772), (1.34, 0.9505), (1.5, 0.8944), (2.0, 0.5), (2.5, 0.1056)]
)
def test_conformity_table_of_a_2_mm_tolerance(y, p):
    # Phi((2 - y) / 0.4) - Phi((-2 - y) / 0.4), from the normal distribution's table
    assert p_conform(y, 0.4, -2, 2) == pytest.approx(p, abs=5e-5)
    assert p_conform(-y, 0.4, -2, 2) == pytest.approx(p, abs=5e-5)


def test_normal_distribution_against_scipy():
    norm = pytest.importorskip("scipy.stats").norm
    for z in (-8.0, -3.0, -1.959964, -0.5, 0.0, 0.7, 1.644854, 6.0):
        assert phi(z) == pytest.approx(norm.cdf(z), rel=1e-12, abs=1e-300)
    assert p_conform(13.6, 1.8, 12.5, 16.3) == pytest.approx(norm.cdf(16.3, 13.6, 1.8) - norm.cdf(12.5, 13.6, 1.8))
    for far in (13.0, -10.0):  # ten u beyond either limit the chance is small, not nothing
        assert p_conform(far, 1.0, 0.0, 3.0) == pytest.approx(norm.sf(10.0), rel=1e-9, abs=0.0)


def test_acceptance_limits_of_published_rules():
    # tolerance +-2, u = 0.4: ISO 14253-1's default 95 % one-sided leaves 1.342; ILAC-G8:09/2019's w = U (k = 2) leaves
    # 1.200, with a probability of false acceptance of 2.275 % there
    assert state_of(1.3420, 0.4, -2, 2, K95) == "in"
    assert state_of(1.3422, 0.4, -2, 2, K95) == "unsure"
    assert state_of(1.1999, 0.4, -2, 2, 2.0) == "in"
    assert state_of(1.2001, 0.4, -2, 2, 2.0) == "unsure"
    assert state_of(2.6578, 0.4, -2, 2, K95) == "unsure"
    assert state_of(2.6580, 0.4, -2, 2, K95) == "out"
    assert 1 - p_conform(1.2, 0.4, -2, 2) == pytest.approx(0.02275, abs=5e-6)


def test_states_of_a_clearance():
    for value, state in [(9.5, "in"), (6.9, "unsure"), (5.1, "unsure"), (4.9, "out"), (14.1, "out"), (13.0, "unsure")]:
        assert state_of(value, 0.6, 6, 13, K95) == state, value


def test_limits_closer_than_two_guard_bands_prove_nothing_in():
    # u = 2.5 on 6..13: 2 g = 8.2 > 7, so no value is provably inside, but far ones are provably outside
    states = {value: state_of(value, 2.5, 6, 13, K95) for value in range(-5, 25)}
    assert "in" not in states.values()
    assert states[9] == states[6] == states[13] == "unsure"
    assert states[1] == "out"
    assert states[18] == "out"


def test_both_limits_together_keep_the_risk():
    # width just over 2 g: inside both one-sided guard bands the risk would be near 10 %, so it must not count as in
    u = 7.0 / (2 * K95) * 0.999
    assert p_conform(9.5, u, 6, 13) < 0.91
    assert state_of(9.5, u, 6, 13, K95) == "unsure"


@given(
    value=st.floats(-40, 40),
    u=st.floats(0.01, 20),
    low=st.floats(-20, 10),
    width=st.floats(0.1, 30),
    risk=st.sampled_from([0.01, 0.025, 0.05, 0.2]),
)
def test_in_never_exceeds_the_risk_and_out_is_likely_out(value, u, low, width, risk):
    k = tolerances_from({"decision": {"risk": risk}}).guard_factor
    p = p_conform(value, u, low, low + width)
    assert -1e-12 <= p <= 1 + 1e-12
    state = state_of(value, u, low, low + width, k)
    if state == "in":
        assert p >= 1 - risk - 1e-6
    if state == "out":
        assert 1 - p >= 1 - risk - 1e-6


@given(value=st.floats(-10, 10), u=st.floats(0.05, 3))
def test_mirrored_value_has_the_mirrored_state(value, u):
    assert state_of(value, u, -3, 3, K95) == state_of(-value, u, -3, 3, K95)


def test_simple_acceptance_without_guard_band():
    assert state_of(3.0, 0.4, -3, 3, 0.0) == "in"
    assert state_of(3.0001, 0.4, -3, 3, 0.0) == "out"
    assert state_of(2.0, 5.0, -3, 3, 0.0) == "in"


def test_verdicts():
    def verdict(m: Measured) -> str:
        return verdict_of(judge(m, DEFAULTS))

    assert verdict(measured()) == "pass"
    assert verdict(measured(offset_mm=5.0)) == "fix"
    assert verdict(measured(offset_mm=3.0)) == "retake"
    assert verdict(measured(offset_mm=3.0, skew_deg=4.0)) == "fix"
    assert verdict(measured(clearance_left_mm=None)) == "retake"
    assert verdict(measured(clearance_left_mm=None, skew_deg=4.0)) == "fix"
    assert verdict(Measured({})) == "retake"

    def cap_verdict(**values: float) -> str:
        m = Measured({name: Estimate(value, 0.3) for name, value in values.items()}, stage="cap")
        return verdict_of(judge(m, DEFAULTS), m.specs)

    straight = {"cap_shift_mm": 0.0, "cap_turn_deg": 0.0}
    assert cap_verdict(**straight) == "pass"  # a cap without a pair of seams, its temples out of sight
    assert cap_verdict(**straight, temple_rim_mm=8.0) == "fix"
    assert cap_verdict(**straight, temple_rim_mm=6.0) == "retake"
    assert cap_verdict(cap_shift_mm=0.0, temple_rim_mm=0.0) == "retake"
    assert EXIT_STATUS == {"pass": 0, "fix": 1, "retake": 3}


def test_no_single_doubt_or_gap_passes():
    for name in JUDGED:
        assert verdict_of(judge(measured(**{name: None}), DEFAULTS)) == "retake"


def test_every_missing_measure_has_a_problem():
    codes = [p.code for p in problems_of(measured(clearance_left_mm=None))]
    assert codes == ["hidden", "not-measured"]  # the second stands for the sizes, which nobody gave a reason for
    (problem,) = problems_of(Measured({}))
    assert all(spec.label in problem.message for spec in MEASURES)


def test_what_several_measures_lack_for_one_reason_is_told_once():
    def hidden(name, label):
        return Problem(f"{name}-missing", f"{label}: the fold at the hairline could not be seen; put a pin there.")

    seen = measured(offset_mm=None, skew_deg=None, clearance_left_mm=None)
    missing = {
        "offset_mm": hidden("offset", "Off centre"),
        "skew_deg": hidden("skew", "Skew"),
        "clearance_left_mm": Problem("clearance-left-missing", "Hidden."),
    }
    decide = Problem("corners-undecided", "Uncover the corners.")
    problems = problems_of(replace(seen, missing=missing), (decide,))
    assert [p.code for p in problems] == [
        "measures-missing",
        "clearance-left-missing",
        "corners-undecided",
        "not-measured",
    ]
    assert problems[0].message == "Off centre; skew: the fold at the hairline could not be seen; put a pin there."
    # nothing is to be done for sizes that no verdict needs
    assert problems[-1].message.endswith("No verdict hangs on them: what they rest on is hidden or too uncertain here.")
    one = {**missing, "skew_deg": missing["offset_mm"]}  # one problem of both, as at the stage cap
    assert problems_of(replace(seen, missing=one))[0] == missing["offset_mm"]


def test_what_is_said_of_camera_profiles_is_no_next_step():
    """It changes no verdict: what would decide comes before it."""
    profile = Problem("profile-unknown-phone", "The photo does not say which phone took it.")
    seen = replace(measured(offset_mm=2.9), problems=(profile,))
    answer = answer_for(seen, CheckRequest(parse_closure("5x5"), 578.0))
    assert answer.verdict == "retake"
    assert answer.problems[-1] == profile
    assert next_step(answer) == answer.problems[0].message


def test_what_would_decide_comes_before_remarks():
    """At the stage cap a missing pair of seams is a remark: no verdict waits for it."""
    seams, temple, shift, chalk = (Problem(code, f"{code}.") for code in ("seams", "temple", "shift", "chalk"))
    missing = {"cap_shift_mm": shift, "back_seams_mm": seams, "temple_rim_mm": temple}
    seen = Measured({"cap_turn_deg": Estimate(1.9, 0.5)}, missing, stage="cap")
    assert [p.code for p in problems_of(seen, (chalk,))] == ["shift", "chalk", "seams", "temple"]
    dark = Problem("too-dark", "The photo is too dark.")  # the photo's own: it may be why the rest is missing
    assert [p.code for p in problems_of(replace(seen, problems=(dark,)), (chalk,))][:2] == ["too-dark", "shift"]
    unexplained = replace(seen, missing={"back_seams_mm": seams})  # the shift is needed, and nobody says why it lacks
    assert [p.code for p in problems_of(unexplained, (chalk,))] == ["not-measured", "chalk", "seams"]
    answer = answer_for(replace(seen, estimates={"cap_shift_mm": Estimate(2.9, 0.5), **seen.estimates}), AT_CAP)
    assert next_step(answer, "cap").startswith("Chalk the block's middle line longer")


def test_failed_photo_is_an_answer():
    answer = failed_answer(RetakeNeeded("card-missing", "No card was found: lay it beside the block."))
    data = answer.as_json()
    assert data["verdict"] == "retake"
    assert answer.exit_status == 3
    assert set(data["measures"].values()) == {None}
    assert data["problems"] == [{"code": "card-missing", "message": "No card was found: lay it beside the block."}]


# ---------------------------------------------------------------------------------------------- tolerances


def test_default_tolerances_are_those_of_the_trade():
    # common practice, no published source
    assert DEFAULTS.limits["offset_mm"] == (-3, 3)
    assert DEFAULTS.limits["skew_deg"] == (-2, 2)
    assert {DEFAULTS.limits[n] for n in JUDGED if n.startswith("clearance")} == {(6, 13)}
    assert {DEFAULTS.limits[n] for n in JUDGED if "asymmetry" in n} == {(-6, 6)}
    assert set(DEFAULTS.limits) == set(JUDGED)
    assert DEFAULTS.stage_limits == {
        "cap_shift_mm": (-3, 3),
        "cap_turn_deg": (-2, 2),
        "back_seams_mm": (-6, 6),
        "temple_rim_mm": (-6, 6),
        **{f"stitch_spacing_{which}_mm": (2, 10) for which in ("mean", "smallest", "largest")},
    }
    assert DEFAULTS.risk == pytest.approx(0.05)
    assert DEFAULTS.guard_factor == pytest.approx(K95)
    assert tolerances_from({"decision": {"risk": 0.05}}).guard_factor == pytest.approx(K95)


def toml(tmp_path: Path, text: str) -> Tolerances:
    path = tmp_path / "shop.toml"
    path.write_text(text, encoding="utf-8")
    return load_tolerances(path)


def test_a_shops_own_tolerances(tmp_path):
    own = toml(
        tmp_path,
        "[tolerances]\nclearance_left_mm = [5, 12]\nclearance_mm = [4, 12]\noffset_mm = [-2, 2.5]\n"
        "[aim]\nclearance_mm = 8\n[decision]\nguard_factor = 2\n",
    )
    assert own.limits["clearance_left_mm"] == (5, 12)
    assert own.limits["clearance_centre_mm"] == (4, 12)
    assert own.limits["offset_mm"] == (-2, 2.5)
    assert own.limits["skew_deg"] == (-2, 2)
    assert own.clearance_aim_mm == 8
    assert own.risk == pytest.approx(0.02275, abs=5e-6)  # ILAC-G8: PFA < 2.5 % for w = U


def test_aim_follows_limits_that_leave_it_outside(tmp_path):
    assert toml(tmp_path, "[tolerances]\nclearance_mm = [2, 6]\n").clearance_aim_mm == 4
    assert toml(tmp_path, "[tolerances]\nclearance_centre_mm = [4, 8]\n").clearance_aim_mm == 7
    # 10 is a limit itself: nothing brought there could be told in
    assert toml(tmp_path, "[tolerances]\nclearance_mm = [10, 15]\n").clearance_aim_mm == 12.5
    assert toml(tmp_path, "[tolerances]\nclearance_mm = [10, 15]\n[aim]\nclearance_mm = 10\n").clearance_aim_mm == 10
    # it is kept up to a quarter of the limits' width inside them
    assert toml(tmp_path, "[tolerances]\nclearance_mm = [4, 12]\n").clearance_aim_mm == 10
    assert toml(tmp_path, "[tolerances]\nclearance_mm = [4, 11.8]\n").clearance_aim_mm == pytest.approx(7.9)


def test_a_file_that_an_editor_began_with_a_byte_order_mark_is_read(tmp_path):
    assert toml(tmp_path, "\ufeff[tolerances]\noffset_mm = [-1, 1]\n").limits["offset_mm"] == (-1, 1)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[tolerances]\nofset_mm = [-3, 3]", "ofset_mm"),
        ("[tolerances]\noffset_mm = 3", "two numbers"),
        ("[tolerances]\noffset_mm = [3, -3]", "wrong way round"),
        ("[tolerances]\noffset_mm = [3, 3]", "wrong way round"),
        ("[tolerances]\noffset_mm = [-3, 3, 4]", "two numbers"),
        ("[tolerances]\noffset_mm = [true, 3]", "two numbers"),
        ("[tolerances]\noffset_mm = [-inf, nan]", "two numbers"),
        ("[tolerances]\noffset_mm = [-300, 300]", "wider than any closure"),
        ("[tolerances]\noffset_mm = [-300, 3]", "wider than any closure"),
        ("[tolerances]\nskew_deg = [-90, 90]", "wider"),
        ("tolerances = 3", "[tolerances]"),
        ("[decision]\nrisk = 5", "risk"),
        ("[decision]\nrisk = 0.6", "risk"),
        ("[decision]\nrisk = 0.00001", "risk"),
        ("[decision]\nrisk = 0.05\nguard_factor = 2", "keep one"),
        ("[decision]\nguard_factor = -1", "guard_factor"),
        ("[aim]\nclearance_mm = 30", "6 to 13"),
        ("[tolerances]\nclearance_centre_mm = [1, 4]", "clearance_centre_mm = [1, 4] and clearance_left_mm = [6, 13]"),
        ("[limits]\nx = 1", "limits"),
        ("[tolerances\n", "not valid TOML"),
    ],
)
def test_faulty_tolerances_are_one_sentence(tmp_path, text, word):
    with pytest.raises(UsageProblem) as caught:
        toml(tmp_path, text)
    assert word in caught.value.problem.message
    assert "shop.toml" in caught.value.problem.message
    assert "\n" not in caught.value.problem.message


def test_missing_tolerances_file(tmp_path):
    with pytest.raises(UsageProblem, match="There is no tolerances file"):
        load_tolerances(tmp_path / "none.toml")
    with pytest.raises(UsageProblem, match="cannot be read"):
        load_tolerances(tmp_path)


# ---------------------------------------------------------------------------------------------- printing


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        # GUM 7.2.6: at most two significant digits of uncertainty, the value to the same place
        (-1.2345, 0.4163, "-1.23 ± 0.42"),
        (10.057, 0.0275, "10.057 ± 0.028"),
        (127.04, 12.7, "127 ± 13"),
        (3.14159, 0.0996, "3.14 ± 0.10"),
        (3.14159, 0.996, "3.1 ± 1.0"),
        (-0.001, 0.3, "0.00 ± 0.30"),
        (5.0, 9.97, "5 ± 10"),
    ],
)
def test_rounding_by_gum_7_2_6(value, u, text):
    assert " ± ".join(rounded(value, u)) == text


@given(value=st.floats(-500, 500), u=st.floats(0.001, 90))
def test_rounding_loses_less_than_the_uncertainty_shows(value, u):
    number, shown = rounded(value, u)
    assert abs(float(shown) - u) <= 0.05 * u + 1e-12 or u >= 99
    places = len(shown.partition(".")[2])
    assert len(number.partition(".")[2]) == places
    kept = 0.5e-3 if places < 3 else 0.0  # it is rounded as a record keeps it first
    assert abs(float(number) - value) <= 0.5 * 10.0**-places * (1 + 1e-9) + kept
    digits = shown.replace(".", "").lstrip("0")
    assert len(digits) == 2 or math.isclose(u, float(shown))


@given(value=st.floats(-50, 50), u=st.floats(0.02, 90))
@example(value=0.0005, u=0.0625)
def test_answer_and_record_read_alike(value, u):
    """What is printed of an answer, and of the same numbers from its JSON, as records and reports have them."""
    spec = next(s for s in MEASURES if s.name == "clearance_right_mm")
    entry = Answer("retake", Measured({spec.name: Estimate(value, u / 1.96)}), {}).as_json()["measures"][spec.name]
    estimate = Estimate(value, u / 1.96)
    assert in_words(spec, estimate.value, estimate.U95) == in_words(spec, entry["value"], entry["U95"])
    assert briefly(spec, value) == briefly(spec, entry["value"])


def test_a_tie_reads_alike_in_answer_and_record():
    spec = next(s for s in MEASURES if s.name == "clearance_right_mm")
    assert in_words(spec, 13.2502, 2.4) == in_words(spec, 13.25, 2.4) == "13.2 ± 2.4 mm"
    assert briefly(spec, 13.2502) == "13.2"


def test_little_room_says_left_and_right_too():
    by_name = {s.name: s for s in MEASURES}
    assert briefly(by_name["skew_deg"], -0.94) == "0.9° left"
    assert briefly(by_name["front_corner_asymmetry_mm"], 3.41) == "3.4 right"
    assert briefly(by_name["clearance_left_mm"], -1.2) == "1.2 behind"
    assert briefly(by_name["offset_mm"], -0.04) == "0.0"


def test_signs_become_words():
    offset, skew = (next(s for s in MEASURES if s.name == n) for n in ("offset_mm", "skew_deg"))
    assert in_words(offset, -1.234, 0.42) == "1.23 ± 0.42 mm left"
    assert in_words(offset, 1.234, 0.42) == "1.23 ± 0.42 mm right"
    assert in_words(offset, -0.001, 0.42) == "0.00 ± 0.42 mm"
    assert in_words(skew, 2.0, 0.5) == "2.00 ± 0.50° right"


@pytest.mark.parametrize(
    ("state", "p", "words"),
    [
        ("unsure", 0.944, "94 % in"),
        ("unsure", 0.49998, "50 % in"),
        ("unsure", 0.5, "50 % in"),
        ("unsure", 0.50004, "50 % in"),
        ("unsure", 0.94998, "94 % in"),  # 95 % is in
        ("unsure", 0.95, "94 % in"),  # the same as a record keeps it
        ("unsure", 0.0502, "6 % in"),  # 5 % is out
        ("unsure", 0.0004, "1 % in"),
        ("unsure", 0.9999, "99 % in"),
        ("out", 0.02, "OUT"),
    ],
)
def test_how_likely_an_unsure_measure_lies_inside(state, p, words):
    """Never 0 or 100 of 100: that would be no doubt. Nor what would be a state of its own."""
    assert state_in_words(Judged(Estimate(9.0, 1.9), 6.0, 13.0, state, p)) == words
    assert state_in_words(None) == "not measured"


def test_a_move_that_does_not_show_is_told_by_what_it_is_less_than():
    """6 mm with a doubt of 5.2 in its length alone reads like a move, though both ways together it is none."""
    hidden = Move(5.0, 3.5, 2.4, 2.4, 2.6, False)
    assert move_in_words("front_left", hidden) == "front left corner: no move that shows (less than 11.3 mm)"


@pytest.mark.parametrize(
    ("name", "low", "high", "words"),
    [
        ("offset_mm", -3, 3, "within 3 mm"),
        ("offset_mm", 1, 4, "1 to 4 mm right"),  # beside a reading of 1.4 mm left
        ("skew_deg", -4, -1, "1 to 4° left"),
        ("back_corner_asymmetry_mm", -2.5, 6, "2.5 left to 6 mm right"),
        ("cap_shift_mm", 0, 3, "0 to 3 mm right"),
        ("cap_shift_mm", -3, 0, "0 to 3 mm left"),
        ("clearance_left_mm", -2, 13, "-2 to 13 mm"),
        ("stitch_spacing_mean_mm", 2, 10, "2 to 10 mm"),
    ],
)
def test_limits_are_told_by_the_sides_that_readings_have(name, low, high, words):
    assert limits_text(name, low, high, name.rsplit("_", 1)[1]) == words
