"""Clearances read off a soft tape beside those of the photo: weights, contradictions, refusals, and the verdict."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from placecheck.answer import MEASURES, Contribution, Estimate, Measured
from placecheck.errors import Problem, UsageProblem
from placecheck.judge import judge
from placecheck.one_photo import answer_for
from placecheck.records.request_json import from_json, to_json
from placecheck.request import CheckRequest
from placecheck.taped import PLACES, TAPE_READ_U_MM, combined, parse_taped, with_taped
from placecheck.tolerances import tolerances_from
from placecheck.units import parse_closure

MIDDLE = PLACES["middle"]
PHOTO = Path(__file__).parent.parent / "fixtures" / "photos" / "demo.jpg"


def measured(**clearances: tuple[float, float]) -> Measured:
    """A closure placed well in all but its clearances, given by place as (value, u)."""
    estimates = {spec.name: Estimate(0.2, 0.5) for spec in MEASURES if not spec.name.startswith("clearance")}
    for place, (value, u) in clearances.items():
        estimates[PLACES[place]] = Estimate(value, u, (Contribution("cap rim", u),), ("seen",))
    return Measured(estimates)


def request(**taped_mm: float) -> CheckRequest:
    return CheckRequest(parse_closure("5x5"), 578.0, taped_mm={PLACES[p]: mm for p, mm in taped_mm.items()})


def test_photo_and_tape_are_the_least_squares_mean():
    # the mean weighted by inverse variances is least squares with known covariance; numpy solves that by itself
    seen = Estimate(8.0, 2.1, (Contribution("cap rim", 2.0), Contribution("hairline", 0.64)), ("seen",))
    both = combined(seen, 10.0)
    weights = np.array([1 / seen.u, 1 / TAPE_READ_U_MM])
    (value,), *_ = np.linalg.lstsq(weights[:, None], weights * [8.0, 10.0], rcond=None)
    assert both.value == pytest.approx(value)
    assert both.u == pytest.approx(1 / np.linalg.norm(weights))
    assert both.evidence == ("seen", "soft tape: 10 mm")
    assert both.budget[0].source.startswith("soft tape")


@pytest.mark.parametrize("taped_mm", [8.0, 10.0, 12.6, 13.0, 30.0])
def test_the_lines_of_the_budget_add_up(taped_mm):
    """Agreeing and contradicting; the photo's 2.0 and 0.64 make 2.1, with a factor of 1.2 found on scenes 2.52."""
    seen = Estimate(8.0, 2.52, (Contribution("cap rim", 2.0), Contribution("hairline", 0.64)), ("seen",))
    estimate = with_taped(Measured({MIDDLE: seen}), {MIDDLE: taped_mm}).estimates[MIDDLE]
    assert np.sqrt(sum(c.u**2 for c in estimate.budget)) == pytest.approx(estimate.u, rel=1e-9)
    photo = [c.u for c in estimate.budget if c.source in ("cap rim", "hairline")]
    weight = (estimate.value - taped_mm) / (8.0 - taped_mm) if taped_mm != 8.0 else 1 / (1 + seen.u**2)
    assert np.hypot(*photo) == pytest.approx(weight * seen.u, rel=1e-9)
    assert photo[0] / photo[1] == pytest.approx(2.0 / 0.64)
    told = [c.source for c in estimate.budget if "tape" in c.source]
    agree = abs(taped_mm - 8.0) <= 2 * np.hypot(2.52, TAPE_READ_U_MM)
    assert told == ["soft tape, cap's edge to hairline" if agree else "contradiction between soft tape and photo"]


def test_what_is_combined_covers_95_in_100():
    rng = np.random.default_rng(5)
    hits = []
    for _ in range(4000):
        truth, u = rng.uniform(4, 14), rng.uniform(0.8, 3)
        both = combined(Estimate(truth + rng.normal(0, u), u), truth + rng.normal(0, TAPE_READ_U_MM))
        hits.append(abs(both.value - truth) <= both.U95)
    assert 0.94 < np.mean(hits) < 0.965


def test_a_tape_decides_what_the_photo_cannot():
    unsure = measured(left=(9.0, 2.2), middle=(8.5, 2.2), right=(10.0, 2.2))
    assert answer_for(unsure, request()).verdict == "retake"
    assert answer_for(unsure, request(left=9.5, middle=10.0)).verdict == "retake"  # the right one is still unsure
    answer = answer_for(unsure, request(left=9.5, middle=10.0, right=9.0))
    assert answer.verdict == "pass"
    assert not answer.problems
    assert answer.as_json()["measures"][MIDDLE]["evidence"] == ["seen", "soft tape: 10 mm"]


def test_a_tape_can_prove_a_clearance_out():
    answer = answer_for(measured(left=(5.0, 2.2), middle=(4.0, 2.2), right=(5.0, 2.2)), request(middle=2.0))
    assert answer.verdict == "fix"


def test_near_its_limit_it_stays_unsure_and_says_what_to_do():
    answer = answer_for(measured(left=(9.5, 0.8), middle=(7.0, 2.2), right=(9.5, 0.8)), request(middle=6.0))
    assert answer.verdict == "retake"
    (problem,) = answer.problems
    assert problem.code == "clearance-undecided"
    assert "nearer to the middle of its limits" in problem.message


def test_contradictions_are_told_and_not_averaged():
    answer = answer_for(measured(left=(9.5, 0.8), middle=(2.0, 1.5), right=(9.5, 0.8)), request(middle=10.0))
    assert answer.verdict == "retake"
    told = answer.problems[0]
    assert told.code == "tape-disagrees"
    assert "10.0 mm (3/8 in)" in told.message
    assert "2.0 ± 3.0 mm" in told.message
    estimate = answer.measured.estimates[MIDDLE]
    assert estimate.value == 2.0
    assert estimate.value + estimate.U95 == pytest.approx(10.0)  # as unsure as the two differ
    # just within the expanded uncertainty of the difference they agree
    inside = with_taped(measured(middle=(2.0, 1.5)), {MIDDLE: 2.0 + 2 * np.hypot(1.5, TAPE_READ_U_MM) - 0.01})
    assert not inside.problems


def test_who_has_laid_the_tape_is_not_told_to_lay_it_once_more_as_if_she_had_not():
    """Where it contradicts the photo that alone is told; where it is near a limit, that; the rest is asked for."""
    seen = measured(left=(9.5, 2.5), middle=(2.0, 1.5), right=(7.0, 2.2))
    contradicted, taped, bare = answer_for(seen, request(middle=10.0, right=6.0)).problems
    assert (contradicted.code, taped.code, bare.code) == ("tape-disagrees", *2 * ["clearance-undecided"])
    assert taped.message.startswith("Lay the tape again, or bring the hairline nearer")
    assert "the hairline (right) is" in taped.message
    assert "give what it reads" in bare.message
    assert "the hairline (left) is" in bare.message


@pytest.mark.parametrize(("tape", "agrees"), [(12.2, True), (12.6, False), (6.4, False)])
def test_a_contradiction_never_passes(tape, agrees):
    """Well inside by the photo, which two photos and one of the cap alone know to U95 2.2 mm, and so by the tape."""
    answer = answer_for(measured(left=(9.5, 1.1), middle=(9.5, 1.1), right=(9.5, 1.1)), request(left=tape))
    assert ("tape-disagrees" in [problem.code for problem in answer.problems]) is not agrees
    assert answer.judged["clearance_left_mm"].state == ("in" if agrees else "unsure")
    assert answer.verdict == ("pass" if agrees else "retake")
    # nor where a shop's limits are so wide that both would be proven in
    wide = tolerances_from({"tolerances": {"clearance_mm": [-20, 40]}})
    judged = judge(with_taped(measured(left=(9.5, 1.1)), {"clearance_left_mm": tape}), wide)
    assert judged["clearance_left_mm"].state == ("in" if agrees else "unsure")


@pytest.mark.parametrize(("tape", "state"), [(9.0, "unsure"), (12.5, "unsure"), (13.5, "out"), (15.0, "out")])
@pytest.mark.parametrize("decision", [{}, {"guard_factor": 0}])
def test_what_the_photo_has_out_and_the_tape_in_is_not_proven_out(tape, state, decision):
    """The photo has 24 mm of 6 to 13, with a rim found far off, say; nothing is moved by 14 mm then."""
    seen = Measured({"clearance_centre_mm": Estimate(24.0, 1.0, (Contribution("x", 1.0),))})
    tolerances = tolerances_from({"decision": decision})
    assert judge(with_taped(seen, {"clearance_centre_mm": tape}), tolerances)["clearance_centre_mm"].state == state
    wary = tolerances_from({"decision": {"guard_factor": 4}})  # 24 less four times half the difference is inside
    assert judge(with_taped(seen, {"clearance_centre_mm": tape}), wary)["clearance_centre_mm"].state == "unsure"


def test_nothing_is_moved_by_what_the_tape_contradicts():
    """A skew is out and turned back; whether the whole closure is to go toward the nape the tape has to say again."""
    seen = measured(left=(18.0, 1.9), middle=(18.0, 1.9), right=(18.0, 1.9))
    fold = {"fold_offset_front_mm": Estimate(4.2, 0.5), "fold_offset_back_mm": Estimate(-3.8, 0.5)}
    skewed = Measured(seen.estimates | fold | {"skew_deg": Estimate(3.6, 0.4)})
    assert any("toward the nape" in fix for fix in answer_for(skewed, request()).fixes)
    answer = answer_for(skewed, request(left=9.0, middle=10.0, right=9.5))
    assert answer.verdict == "fix"
    assert answer.fixes[0].startswith("Turn the closure")
    assert not any("toward the nape" in fix or "hairline" in fix for fix in answer.fixes)
    one = answer_for(skewed, request(middle=10.0))  # both sides are out, and they are believed
    (move,) = (fix for fix in one.fixes if "8.0 mm (5/16 in) toward the nape" in fix)
    assert ": only once the tape, laid again, agrees with the photo; straight along" in move  # all rest on one edge
    alone = answer_for(skewed, request())
    assert not any("laid again" in fix for fix in alone.fixes)
    far = measured(left=(30.0, 1.9), middle=(30.0, 1.9), right=(30.0, 1.9))
    out = answer_for(far, request(left=22.0, middle=22.0, right=22.0))  # whichever is right
    (told,) = out.problems
    assert told.code == "tape-disagrees"
    assert told.message.count("lay the tape again") == 1  # for all three places
    assert all(f"cap edge, {place}, the tape 22.0 mm (7/8 in), the photo" in told.message for place in PLACES)
    assert "toward the nape" in out.fixes[0]
    assert out.pulls == ()  # no arrow tells to move what waits for the tape


def test_no_stitch_comes_out_before_a_tape_that_contradicts_was_laid_again():
    seen = replace(measured(left=(18.0, 1.9), middle=(18.0, 1.9), right=(18.0, 1.9)), stage="stitched")
    agreed = answer_for(seen, request(middle=17.0))
    assert agreed.fixes[0].startswith("Unpicking is worth it")
    answer = answer_for(seen, request(middle=9.0))  # both sides are proven out by the photo
    assert answer.verdict == "fix"
    assert answer.fixes[0].startswith("Lay the soft tape again before a stitch comes out:")
    assert answer.fixes[1].startswith("Unpicking is worth it")


def test_where_the_photo_shows_nothing_the_tape_counts_alone():
    hidden = Measured(measured().estimates, {MIDDLE: Problem("clearance-centre-missing", "Not seen.")})
    answer = answer_for(hidden, request(left=9.0, middle=9.5, right=10.0))
    assert answer.verdict == "pass"
    assert answer.measured.estimates[MIDDLE].u == TAPE_READ_U_MM
    assert answer.measured.estimates[MIDDLE].evidence == ("soft tape: 9.5 mm",)


@pytest.mark.parametrize(
    ("places", "code"),
    [
        ({"centre": "9mm"}, "taped-place"),
        ({"middle": "9"}, "length-without-unit"),
        ({"middle": "nine"}, "length-unreadable"),
        ({"middle": "9cm"}, "taped-beyond"),
        ({"middle": "3in"}, "taped-beyond"),
    ],
)
def test_what_is_no_clearance_is_refused(places, code):
    with pytest.raises(UsageProblem) as refused:
        parse_taped(places)
    assert refused.value.problem.code == code


def test_inches_and_their_fractions_are_read():
    taped = parse_taped({"left": "3/8 in", "right": "1cm"})
    assert taped == pytest.approx({PLACES["left"]: 9.525, PLACES["right"]: 10.0})


def test_a_record_keeps_what_was_taped():
    asked = request(left=9.0, right=10.5)
    assert from_json(CheckRequest, json.loads(json.dumps(to_json(asked)))) == asked


def placecheck(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "placecheck", "check", str(PHOTO), "--no-save", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


def test_the_command_takes_it():
    usual = ("--closure", "4x4", "--block-circumference", "23in", "--json")
    alone = json.loads(placecheck(*usual).stdout)["measures"][MIDDLE]
    mm = round(alone["value"], 1)
    both = json.loads(placecheck(*usual, "--taped-clearance", f"middle={mm}mm").stdout)["measures"][MIDDLE]
    assert both["evidence"][-1] == f"soft tape: {mm:g} mm"
    u = alone["U95"] / 2
    assert both["U95"] == pytest.approx(2 * u * TAPE_READ_U_MM / np.hypot(u, TAPE_READ_U_MM), abs=0.01)


@pytest.mark.parametrize("off_mm", [2.0, -9.0])
def test_the_pictures_of_a_set_show_what_was_judged(off_mm, tmp_path, monkeypatch):
    """Two photos and a tape that agrees with them, or contradicts: in each photo's picture the answer's own numbers."""
    from placecheck import one_photo
    from placecheck.same_block.several import check_together

    paths = [PHOTO.parent / "same_block" / f"{name}.jpg" for name in ("above", "leaning")]
    drawn = []
    monkeypatch.setattr(one_photo, "write_overlay", lambda photo, answer, *rest: drawn.append(answer))
    asked = CheckRequest(parse_closure("5x5"), 628.65, taped_mm={MIDDLE: 18.2 + off_mm})
    checked = check_together(paths, asked, {path: tmp_path / path.name for path in paths})
    told = checked.answer.measured.estimates[MIDDLE]
    assert any("tape" in part.source for part in told.budget)
    assert [answer.measured.estimates[MIDDLE] for answer in drawn] == [told, told]
    assert [answer.measured.findings for answer in drawn] == [share.findings for share in checked.shares]


@pytest.mark.parametrize(("off_mm", "line"), [(0.5, "soft tape, cap's edge"), (25.0, "contradiction between")])
def test_what_budget_prints_adds_up(off_mm, line):
    """The demo's photo, its own reading and a tape that agrees, or contradicts: the lines' squares make u's."""
    usual = ("--closure", "4x4", "--block-circumference", "23in")
    mm = json.loads(placecheck(*usual, "--json").stdout)["measures"][MIDDLE]["value"] + off_mm
    out = placecheck(*usual, "--taped-clearance", f"middle={mm:.2f}mm", "--budget").stdout
    head, *lines = out[out.index("hairline below cap edge, middle: u =") :].split("\n\n")[0].splitlines()
    stated = float(head.split("u = ")[1].split()[0])
    parts = [float(text.split()[0]) for text in lines]
    assert np.hypot.reduce(parts) == pytest.approx(stated, abs=0.02)
    assert any(line in text for text in lines)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--taped-clearance", "middle"), "is not one place and its length"),
        (
            ("--taped-clearance", "left=9mm", "--taped-clearance", "left=8mm"),
            "left is given twice, 9mm and 8mm: give each place once",
        ),
        (("--taped-clearance", "left=9mm", "--stage", "cap"), "leave it out at this stage"),
        (("--taped-clearance", "left=9mm", str(PHOTO)), "one at a time"),
    ],
)
def test_the_command_refuses(arguments, says):
    done = placecheck("--closure", "4x4", "--block-circumference", "23in", *arguments)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert not done.stdout


def test_readings_drawn_for_judging_scatter_as_stated():
    from calibration.judging import tape_readings

    truths = dict.fromkeys(PLACES.values(), 9.3)
    drawn = [tape_readings(f"scene_{i}", truths) for i in range(400)]
    errors = np.array([list(reading.values()) for reading in drawn]) - 9.3
    assert abs(errors.mean()) < 0.1
    assert errors.std() == pytest.approx(TAPE_READ_U_MM, rel=0.1)  # the half millimetre they are read to adds 0.01
    assert drawn[7] == tape_readings("scene_7", truths)
