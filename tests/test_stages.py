"""The stages of the job: the cap alone, the stitched closure and what moved, and the advice for each.

Truth is that of the rendered scenes in fixtures/photos (job_*.json: their geometry, not this program's). The joint
estimate of stitched/movement.py is checked by simulation: errors are drawn from the model it assumes; normalised, they
must be chi square with two degrees of freedom, whose mean is 2 and whose 99 % point is 9.21 (any table).
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from block_scenes import fit_view, pinned_view
from hypothesis import given, settings
from hypothesis import strategies as st
from test_advice import Flat, request, with_values

from placecheck import cli
from placecheck.advice import Plan
from placecheck.answer import (
    BARE_LINE,
    CAP_MEASURES,
    LANDMARKS,
    RIM_WORDS,
    UNDER_THE_CAP,
    Contribution,
    Estimate,
    Findings,
    Measured,
    Pull,
    View,
)
from placecheck.block import AT, NAMES, prior_for
from placecheck.camera import camera_for
from placecheck.cap.advice import cap_plan, cap_undecided
from placecheck.cap.sight import centre_seen, refuse_other, sight_cap
from placecheck.cap.stage import (
    EVEN_COST,
    RIM_U_MM,
    Joined,
    _findings,
    _notes,
    _temple_px,
    _temple_unseen,
    join_line,
    measure_joined,
)
from placecheck.directions import right_of
from placecheck.errors import Problem, RetakeNeeded
from placecheck.find.block_line import find_block_line, find_line_under_mesh
from placecheck.find.closure import ClosureSighting, Spot, Trace
from placecheck.find.rim_in_picture import rim_in_view
from placecheck.find.unroll import HEIGHT, PX_PER_MM, U_HALF_MM, V_FRONT_MM, WIDTH
from placecheck.judge import judge
from placecheck.known_dome import KnownDome, KnownLine
from placecheck.measure import LACE_LIFT_MM, put_on_dome
from placecheck.measuring import look
from placecheck.observed import CORNERS as CORNER_NAMES
from placecheck.observed import dense_line
from placecheck.observing import READ_FACTOR
from placecheck.one_photo import answer_for
from placecheck.photo import load_photo
from placecheck.printout import with_option
from placecheck.request import NO_CLOSURE, CheckRequest
from placecheck.stitched.movement import (
    FACTOR_OF,
    FINDING_FACTOR,
    GUESSED_AT_MM,
    MOVED_CHI2,
    RIM_AT_MM,
    RIM_SETTLES_MM,
    SETTLES,
    SHAPE,
    Placed,
    _alike,
    _rows,
    moves,
    of_one_cloth,
    place,
)
from placecheck.stitched.stage import _placed
from placecheck.stitched.unpicking import RIPPER, edges_of, stretches, unpicking, ways_to_go
from placecheck.tolerances import tolerances_from
from placecheck.uncertainty import factor_for
from placecheck.units import parse_closure

PHOTOS = Path(__file__).parents[1] / "fixtures" / "photos"
CAP_TAPE, JOB_TAPE = "20.25in", "22.25in"
pytestmark = pytest.mark.usefixtures("home")


def truth_of(name: str) -> dict:
    return json.loads((PHOTOS / f"{name}.json").read_text())


# ------------------------------------------------------------------------------------------------- what is asked


def test_the_cap_needs_no_closure_and_the_stitches_neither(check, tmp_path):
    blank = tmp_path / "blank.jpg"
    import cv2

    blank.write_bytes(cv2.imencode(".jpg", np.full((960, 1280, 3), 128, np.uint8))[1].tobytes())
    status, answer = check(blank, "--stage", "cap", "--block-circumference", "22in", "--no-save")
    assert (status, answer["stage"], answer["verdict"]) == (3, "cap", "retake")
    assert set(answer["measures"]) == {spec.name for spec in CAP_MEASURES}
    status, answer = check(blank, "--stage", "stitches", "--no-save")
    assert (status, answer["stage"]) == (3, "stitches")


@pytest.mark.parametrize(
    ("stage", "given_too", "word"),
    [("cap", [], "--block-circumference"), ("stitched", ["--block-circumference", "22in"], "--closure")],
)
def test_what_a_stage_needs_is_asked_for(capfd, stage, given_too, word):
    assert cli.run(["check", str(PHOTOS / "job_cap.jpg"), "--stage", stage, *given_too, "--no-save"]) == 2
    assert word in capfd.readouterr().err


# ------------------------------------------------------------------------------------------------------- the cap


def test_cap_against_truth(check):
    status, answer = check(
        PHOTOS / "job_cap.jpg", "--stage", "cap", "--block-circumference", CAP_TAPE, "--order", "0007"
    )
    truth = truth_of("job_cap")["cap_on_block"]
    assert status == 1
    assert answer["verdict"] == "fix"
    measures = answer["measures"]
    # the block's line is printed 1.6 degrees off its middle, which one photo of the cap cannot tell
    for name, within in (("cap_shift_mm", 1.2), ("cap_turn_deg", 1.6), ("temple_rim_mm", 4.0)):
        error = measures[name]["value"] - truth[name]
        assert abs(error) < within, name
        assert abs(error) < 1.3 * measures[name]["U95"], name
    assert measures["cap_shift_mm"]["state"] == "out"
    assert "against the block's line in front of the cap" in measures["cap_shift_mm"]["evidence"]
    assert answer["fixes"][0].startswith("Slide the whole cap")
    assert "wearer's left" in answer["fixes"][0]
    # kept under its stage, and checked again to the same numbers
    from placecheck.records.model import Filter
    from placecheck.records.recheck import recheck
    from placecheck.records.store import open_store

    store = open_store()
    (found,) = store.each(Filter(order="0007"))
    assert found.summary.stage == "cap"
    (again,) = recheck(store, Filter())
    assert again.reproduced, again
    store.close()


def test_a_closure_on_the_cap_is_named(check):
    photo = PHOTOS / "lean_roll_4x4.jpg"
    tape = truth_of("lean_roll_4x4")["scene"]["ticket_circumference_inch"]
    status, answer = check(photo, "--stage", "cap", "--block-circumference", f"{tape}in", "--no-save")
    assert status == 3
    assert [p["code"] for p in answer["problems"]] == ["closure-on-already"]


def sighting(cap: float = 1.0, mass: float = 0.2, area: int = 0) -> ClosureSighting:
    spot = Spot(np.zeros(2), np.eye(2), mass)
    filled = np.zeros((HEIGHT // 2, WIDTH // 2), np.float32)
    filled.ravel()[:area] = 1.0
    v = np.arange(-40.0, 80.0, 3.0)
    middle = Trace(np.stack([0 * v, v], -1), np.full(len(v), 1.0), np.ones(len(v)))
    log = np.full(filled.shape, -np.log(HEIGHT / 2))
    empty = Trace(np.zeros((0, 2)), np.zeros(0), np.zeros(0))
    return ClosureSighting(dict.fromkeys("abcdef", spot), empty, empty, middle, filled, 0.9, 0.9, cap, log)


def test_what_is_on_the_block_is_told_apart():
    refuse_other(sighting())
    refuse_other(sighting(mass=0.9, area=900))  # a patch is no closure
    with pytest.raises(RetakeNeeded) as no_cap:
        refuse_other(sighting(cap=0.1))
    assert no_cap.value.problem.code == "cap-missing"
    with pytest.raises(RetakeNeeded) as closure:
        refuse_other(sighting(mass=0.9, area=9000))
    assert closure.value.problem.code == "closure-on-already"


@pytest.fixture(scope="module")
def seen():
    return sight_cap(load_photo(PHOTOS / "job_cap.jpg"), CheckRequest(NO_CLOSURE, 20.25 * 25.4, stage="cap"))


def test_without_a_middle_the_centre_line_is_asked_for(seen):
    v = np.array([0.0, 3.0])
    too_little = replace(sighting(), centre=Trace(np.stack([0 * v, v], -1), np.ones(2), np.ones(2)))
    assert centre_seen(too_little, seen.grid, seen.fit, CheckRequest(NO_CLOSURE, 514.0, stage="cap")) is None
    with pytest.raises(RetakeNeeded) as error:
        measure_joined(replace(seen, centre=None), join_line(seen.fit, seen.line_grid, ()))
    assert error.value.problem.code == "cap-line-missing"


def test_the_blocks_line_lies_where_it_is_printed(seen):
    truth = truth_of("job_cap")["cap_on_block"]["block_line"]
    px = np.array(truth["px"])[np.array(truth["visible"])]
    assert seen.line is not None
    uv = seen.line_grid.chart.to_uv(seen.fit.geometry.hit(px))
    ok = np.isfinite(uv).all(1) & (uv[:, 1] > seen.line.v_range_mm[0]) & (uv[:, 1] < seen.line.v_range_mm[1])
    assert ok.sum() > 5
    assert np.abs(uv[ok, 0] - seen.line.at(uv[ok, 1])).max() < 0.6


def test_joining_the_line_makes_things_surer(seen):
    alone, joined = join_line(seen.fit, seen.line_grid, ()), join_line(seen.fit, seen.line_grid, seen.lines)
    n = len(NAMES)

    def turn_u(j):
        return float(np.linalg.norm(j.root[n] - j.root[AT["cap yaw"]]))

    assert turn_u(joined) < turn_u(alone)
    for j in (alone, joined):
        assert np.allclose(j.root @ j.root.T, (j.root @ j.root.T).T)


def test_a_cap_beside_its_blocks_line_is_as_far_off_as_it_was_put(seen):
    """Planes in the block's frame: shifted it is off alike all along, turned to either side of the crown."""
    root = join_line(seen.fit, seen.line_grid, ()).root
    behind = replace(seen, pair=True)

    def measured(shift_mm, yaw_deg, line_shift_mm=0.0):
        theta = seen.fit.theta.copy()
        theta[[AT["cap yaw"], AT["cap roll"], AT["cap shift"]]] = yaw_deg, 0.0, shift_mm
        return {
            name: value for name, (value, _) in measure_joined(behind, Joined(theta, 0.0, line_shift_mm, root)).items()
        }

    beside = measured(4.0, 0.0, 1.0)
    assert [beside[name] for name in ("cap_shift_mm", "cap_turn_deg", "back_seams_mm")] == pytest.approx(
        [3.0, 0.0, 6.0]
    )
    turned = measured(0.0, 2.0)  # seen from above against the clock: the front to the left
    assert turned["cap_turn_deg"] == pytest.approx(-2.0)
    assert turned["cap_shift_mm"] < -2.0
    assert turned["back_seams_mm"] > 0.5


def test_a_strained_fit_is_doubted_as_birges_ratio_says(seen):
    """A sum of squares four times what it may be doubles u (Birge, Phys. Rev. 40, 207, 1932); less doubts nothing."""
    n = len(NAMES)

    def u(cost):
        return np.linalg.norm(join_line(replace(seen.fit, cost=cost), seen.line_grid, ()).root[:n], axis=1)

    assert u(4 * EVEN_COST) == pytest.approx(2 * u(0.3 * EVEN_COST))
    assert u(EVEN_COST) == pytest.approx(np.sqrt(np.diag(seen.fit.covariance)), rel=1e-3)


def test_a_temple_at_the_outline_is_not_measured(seen):
    """Turned until one temple lies where the lines of sight touch the dome, a rim says nothing of its height there."""
    assert _temple_px(seen)[0] is not None
    _, slope = measure_joined(seen, join_line(seen.fit, seen.line_grid, ()))["temple_rim_mm"]
    assert abs(slope[-1]) >= RIM_U_MM * np.sqrt(2)  # how well each of the two is read
    camera = seen.fit.geometry.eye_mm
    theta = seen.fit.theta.copy()
    theta[AT["block yaw"]] += 60.0
    turned = replace(seen, fit=replace(seen.fit, theta=theta))
    assert not np.allclose(turned.fit.geometry.eye_mm, camera)
    assert _temple_px(turned)[0] is None


def test_a_temple_that_is_not_seen_is_told_by_what_hides_it(seen):
    """One side hides the far one, which is named, from above both are; or the photo cuts them off."""
    chart = seen.grid.chart
    for turn_deg in (30.0, -30.0):
        theta = seen.fit.theta.copy()
        theta[AT["block yaw"]] += turn_deg
        turned = replace(seen, fit=replace(seen.fit, theta=theta))
        rim = chart.to_points(seen.standing.sighting.rim.uv)
        rim = rim[(np.abs(rim[:, 0]) > 40.0) & turned.fit.geometry.visible(rim, 0.08)]
        hidden, other = ("left", "right") if (rim[:, 0] > 0).sum() > (rim[:, 0] < 0).sum() else ("right", "left")
        told = _temple_unseen(turned, 41.0).message
        assert told.startswith(f"The cap's edge was not seen at the wearer's {hidden} temple: hold the phone straight")
        assert told.endswith(f"not to the wearer's {other} of it.")
        assert "lean it 40 to 50 degrees" in _temple_unseen(turned, 12.0).message
    above = _temple_unseen(seen, 12.0).message
    assert above == "The cap's edge was not seen at both temples: lean the phone 40 to 50 degrees toward the face."
    assert "uncover the edge there" in _temple_unseen(seen, 45.0).message
    colours = seen.standing.stage.colours
    less = replace(
        colours, pixels=colours.pixels[:, : int(seen.standing.way.outline_px[:, 0].max() / colours.shrink) - 4]
    )
    stage = replace(seen.standing.stage, colours=less)
    cut = _temple_unseen(replace(seen, standing=replace(seen.standing, stage=stage)), 45.0).message
    assert cut == "The cap's edge was not seen at both temples: step back until the whole block is in the picture."


def test_a_line_kept_with_the_block_says_where_it_runs_under_the_cap(seen):
    line = KnownLine(0.9, 1.1, ((0.09, 0.0), (0.0, 0.81)))
    known = KnownDome("b", ("log round",), (6.2,), ((1e-4,),), line)
    fit = replace(seen.fit, known=known)
    unseen = join_line(fit, seen.line_grid, ())  # as it was kept, then
    assert (unseen.line_yaw_deg, unseen.line_shift_mm) == (0.9, 1.1)
    plain, kept = (join_line(f, seen.line_grid, (seen.line,)) for f in (seen.fit, fit))
    n = len(NAMES)

    def turned(j):
        """How far the cap is turned against the line, and its standard uncertainty."""
        u = float(np.linalg.norm(j.root[n] - j.root[AT["cap yaw"]]))
        return j.line_yaw_deg - j.theta[AT["cap yaw"]], u

    assert turned(kept)[1] < 0.8 * turned(plain)[1]
    # the line seen in this photo moves the kept one, and by no more than both may be off
    assert abs(kept.line_yaw_deg - 0.9) < 3 * 0.3
    assert abs(kept.line_yaw_deg - 0.9) < abs(plain.line_yaw_deg - 0.9)


@settings(max_examples=25, deadline=None)
@given(
    u=st.floats(-7, 7),
    lean=st.floats(-0.04, 0.04),
    dark=st.booleans(),
    dashes=st.booleans(),
    seed=st.integers(0, 10_000),
)
def test_a_drawn_line_is_found_where_it_is_drawn(u, lean, dark, dashes, seed):
    rng = np.random.default_rng(seed)
    v = V_FRONT_MM - (np.arange(HEIGHT) + 0.5) / PX_PER_MM
    at = (np.arange(WIDTH) + 0.5) / PX_PER_MM - U_HALF_MM
    away = np.abs(at[None] - (u + lean * (v[:, None] - 138.0)))
    ink = np.clip(1.2 - away, 0, 1) * (v[:, None] > 100)
    if dashes:
        ink = ink * (v[:, None] % 8 < 4)
    picture = 120 + (-60 if dark else 60) * ink + rng.normal(0, 4, (HEIGHT, WIDTH))
    picture = np.repeat(np.clip(picture, 0, 255)[..., None], 4, -1).astype(np.uint8)
    found = find_block_line(picture, np.ones((HEIGHT, WIDTH), np.float32), 105.0)
    assert found is not None
    assert abs(float(found.at(np.array(138.0))) - u) < 0.25
    assert abs(found.lean - lean) < 0.012


def test_no_line_is_seen_on_plain_canvas():
    rng = np.random.default_rng(4)
    plain = np.clip(rng.normal(120, 5, (HEIGHT, WIDTH, 1)), 0, 255).astype(np.uint8).repeat(4, -1)
    assert find_block_line(plain, np.ones((HEIGHT, WIDTH), np.float32), 105.0) is None
    assert find_block_line(plain, np.ones((HEIGHT, WIDTH), np.float32), 165.0) is None


NO_INK, BLUE_INK, DARK_INK = (0.0, 0.0, 0.0), (42.0, -14.0, -28.0), (-45.0, -45.0, -45.0)


def drawn_line(front_ink, under_ink, step_mm=0.0, lean=0.02, rim_v_mm=100.0) -> np.ndarray:
    """Canvas with a line u = 2 + lean (v - rim), before the rim and, under mesh, moved by a step; (H, W, 4)."""
    rng = np.random.default_rng(11)
    v = V_FRONT_MM - (np.arange(HEIGHT) + 0.5) / PX_PER_MM
    at = (np.arange(WIDTH) + 0.5) / PX_PER_MM - U_HALF_MM
    before = v[:, None] > rim_v_mm
    away = np.abs(at[None] - (2.0 + lean * (v[:, None] - rim_v_mm) + np.where(before, 0.0, step_mm)))
    ink = np.clip(1.2 - away, 0, 1)[..., None]
    colour = np.where(before[..., None], front_ink, under_ink)
    picture = 120 + ink * colour + rng.normal(0, 4, (HEIGHT, WIDTH, 1))
    return np.clip(np.pad(picture, ((0, 0), (0, 0), (0, 1)), constant_values=255), 0, 255).astype(np.uint8)


def test_ink_as_bright_as_the_canvas_is_seen_by_its_colour():
    picture = drawn_line(BLUE_INK, NO_INK)
    assert np.abs(picture[..., :3].astype(int).sum(-1) - 360).mean() < 12  # nothing darker or brighter about it
    found = find_block_line(picture, np.ones((HEIGHT, WIDTH), np.float32), 105.0)
    assert found is not None
    assert abs(float(found.at(np.array(138.0))) - 2.76) < 0.3


@pytest.mark.parametrize("ink", [BLUE_INK, DARK_INK])
def test_the_line_goes_on_through_the_mesh(ink):
    picture, facing = drawn_line(ink, tuple(0.5 * k for k in ink)), np.ones((HEIGHT, WIDTH), np.float32)
    front = find_block_line(picture, facing, 105.0)
    under = find_line_under_mesh(picture, facing, front, 100.0)
    assert under is not None
    assert under.v_range_mm[0] < -30
    assert abs(under.lean - 0.02) < 0.005
    assert abs(float(under.at(np.array(30.0))) - 0.6) < 0.3


@pytest.mark.parametrize(
    ("under_ink", "step_mm"),
    [(NO_INK, 0.0), (tuple(-k for k in DARK_INK), 0.0), (DARK_INK, 7.0)],
    ids=["nothing shows", "a reflection", "something beside it"],
)
def test_what_does_not_go_on_from_the_line_is_not_the_line(under_ink, step_mm):
    picture, facing = drawn_line(DARK_INK, under_ink, step_mm), np.ones((HEIGHT, WIDTH), np.float32)
    front = find_block_line(picture, facing, 105.0)
    assert front is not None
    assert find_line_under_mesh(picture, facing, front, 100.0) is None


@pytest.mark.parametrize(("long_mm", "seen"), [(17.0, False), (30.0, True)])
def test_what_is_no_longer_than_a_pins_shadow_is_no_line(long_mm, seen):
    """Where no more than a pin's shadow stands out, dark though it is, no line holds: the block has none."""
    picture, facing = drawn_line(NO_INK, NO_INK), np.ones((HEIGHT, WIDTH), np.float32)
    v = V_FRONT_MM - (np.arange(HEIGHT) + 0.5) / PX_PER_MM
    within = (v > 120.0) & (v < 120.0 + long_mm)
    picture[within] = drawn_line(DARK_INK, NO_INK)[within]
    assert (find_block_line(picture, facing, 105.0) is not None) == seen


def test_a_line_far_beside_the_middle_must_be_plain():
    """A pin or a finger's edge is weak and far off or askew; a cap pinned 11 mm off still shows its block's line."""
    facing, canvas = np.ones((HEIGHT, WIDTH), np.float32), drawn_line(NO_INK, NO_INK)
    plain, faint = drawn_line(DARK_INK, NO_INK, lean=0.0), drawn_line((-3.0, -3.0, -3.0), NO_INK, lean=0.0)
    assert np.abs(canvas.astype(int) - faint).max() > 0
    for picture, by_mm, seen in ((plain, 0, True), (plain, 9, True), (faint, 0, True), (faint, 9, False)):
        moved = np.roll(picture, round(by_mm * PX_PER_MM), axis=1)
        assert (find_block_line(moved, facing, 105.0) is not None) == seen


def test_where_the_temples_lie_is_told_for_the_arrows(seen):
    """On the cap's edge, the wearer's own sides, and from there away from the cap's middle: down the block."""
    lines = _findings(seen, join_line(seen.fit, seen.line_grid, seen.lines)).lines_px
    nape, front = lines["centre_line"][0], lines["centre_line"][-1]
    for name, side in (("temple_left", -1), ("temple_right", 1)):
        at, below = lines[name]
        assert np.nanmin(np.linalg.norm(lines["cap_rim"] - at, axis=1)) < 12
        assert side * ((at - front) @ right_of(front - nape)) > 0
        assert (below - at) @ (front - nape) > 0


def cap_measured(**values: float) -> Measured:
    line = np.array([[0.0, 0.0], [0.0, 100.0]])  # the face is at the bottom of the photo
    estimates = {n: Estimate(v, 0.2) for n, v in values.items()}
    return Measured(estimates, findings=Findings(lines_px={"centre_line": line}), stage="cap")


def cap_advised(**values: float) -> tuple[str, ...]:
    m = cap_measured(**values)
    return cap_plan(m, judge(m, request().tolerances))[0]


def test_cap_advice_in_bench_words():
    assert cap_advised(cap_shift_mm=1.0, cap_turn_deg=0.5) == ()
    slide, pins = cap_advised(cap_shift_mm=5.0, cap_turn_deg=0.5)
    # seen from above with the face at the bottom, the wearer's left is the photo's right
    assert slide.startswith("Slide the whole cap 5.0 mm (3/16 in) to the wearer's left (toward the right of the photo)")
    assert "sharp" in pins
    # front too far right: held there, the nape has to follow to the right; 190 mm x tan 4 degrees
    turn, _ = cap_advised(cap_shift_mm=0.0, cap_turn_deg=4.0)
    assert "swing the nape about 13.3 mm" in turn
    assert "to the wearer's right" in turn
    # a temple that is out by less than a pin can be set, where the shop wants it so
    m, own = cap_measured(temple_rim_mm=-0.3), tolerances_from({"tolerances": {"temple_rim_mm": [-0.2, 0.6]}})
    temple, _ = cap_plan(m, judge(m, replace(own, guard_factor=0.0)))[0]
    assert temple.startswith("The cap's edge sits 0.3 mm")
    # and as arrows at the ends of the cap's line, or at its edge where a temple lies
    for values, pulls in (
        ({"cap_shift_mm": 5.0, "cap_turn_deg": 4.0}, (Pull("cap_front", right_mm=-5.0),)),
        ({"cap_shift_mm": 0.0, "cap_turn_deg": 4.0}, (Pull("cap_front"), Pull("cap_nape", right_mm=13.286))),
        ({"cap_shift_mm": 1.0, "cap_turn_deg": 0.5}, ()),
        ({"back_seams_mm": 8.0, "temple_rim_mm": 8.0}, (Pull("cap_nape", right_mm=-4.0),)),
        (
            {"back_seams_mm": 1.0, "temple_rim_mm": -8.0},
            (Pull("temple_right", face_mm=-4.0), Pull("temple_left", face_mm=4.0)),
        ),
    ):
        m = cap_measured(**values)
        _, found = cap_plan(m, judge(m, request().tolerances))
        assert [p.landmark for p in found] == [p.landmark for p in pulls]
        for way in ("right_mm", "face_mm"):
            assert [getattr(p, way) for p in found] == pytest.approx([getattr(p, way) for p in pulls], abs=1e-3)


def test_a_cap_is_brought_to_the_middle_of_limits_that_leave_zero_out():
    wants = {"cap_shift_mm": [1, 3], "cap_turn_deg": [1, 3], "back_seams_mm": [2, 8], "temple_rim_mm": [2, 8]}
    own = tolerances_from({"tolerances": wants})

    def told(**values):
        m = cap_measured(**values)
        return cap_plan(m, judge(m, own))[0][0]

    slide = told(cap_shift_mm=-1.0)
    assert slide.startswith("Slide the whole cap 3.0 mm (1/8 in) to the wearer's right")
    assert "until its middle lies 2.0 mm (1/16 in) to the wearer's right of the block's middle line" in slide
    turn = told(cap_turn_deg=0.0)  # 190 mm x tan 2 degrees; the front goes right, the nape left
    assert "Turn the cap by 2.0°" in turn
    assert "swing the nape about 6.6 mm (1/4 in) to the wearer's left" in turn
    assert "draw the cap there 2.0 mm (1/16 in) to the wearer's right" in told(back_seams_mm=1.0)
    temple = told(temple_rim_mm=0.0)
    assert "5.0 mm (3/16 in) higher at the wearer's left temple than it should: draw it down there by half" in temple


@pytest.mark.parametrize(("sign", "far", "near"), [(1.0, "right", "left"), (-1.0, "left", "right")])
def test_uneven_seams_and_temples_are_evened_from_the_farther_and_the_higher_side(sign, far, near):
    even = {"cap_shift_mm": 0.0, "cap_turn_deg": 0.0}
    seams, _ = cap_advised(**even, back_seams_mm=8.0 * sign)
    assert f"draw the cap there 4.0 mm (3/16 in) to the wearer's {near}" in seams
    temple, _ = cap_advised(**even, temple_rim_mm=8.0 * sign)
    assert f"8.0 mm (5/16 in) higher at the wearer's {far} temple: draw it down there by half" in temple
    # once the cap is slid the seams lie elsewhere, the edge at a temple is still higher
    slide, temple, pins = cap_advised(cap_shift_mm=5.0, back_seams_mm=8.0 * sign, temple_rim_mm=8.0 * sign)
    assert slide.startswith("Slide the whole cap")
    assert f"higher at the wearer's {far} temple" in temple
    assert "sharp" in pins


@pytest.mark.parametrize(
    ("evidence", "told"), [("against the block's line in front of the cap", True), (BARE_LINE, False)]
)
def test_an_undecided_turn_asks_for_the_bare_block_once(evidence, told):
    budget = (Contribution(UNDER_THE_CAP, 0.8), Contribution("block position", 0.6))
    turn = Estimate(1.9, 1.0, budget, (f"against {evidence}", "cap's line: seen"))
    sure = replace(cap_measured(cap_shift_mm=0.5), estimates={"cap_shift_mm": Estimate(0.5, 0.2), "cap_turn_deg": turn})
    codes = [p.code for p in cap_undecided(sure, judge(sure, request().tolerances))]
    assert codes == ["cap-undecided", "bare-block-unknown"][: 2 if told else 1]
    other = replace(turn, budget=budget[::-1])  # not where most of the doubt is
    sure = replace(sure, estimates={"cap_turn_deg": other})
    assert [p.code for p in cap_undecided(sure, judge(sure, request().tolerances))] == ["cap-undecided"]


@pytest.mark.parametrize(
    ("unsure", "codes"),
    [
        ({"temple_rim_mm": RIM_WORDS}, ["cap-temples-undecided"]),
        ({"back_seams_mm": "cap centre line"}, ["cap-seams-undecided"]),
        ({"back_seams_mm": UNDER_THE_CAP}, ["cap-undecided", "bare-block-unknown"]),
        ({"cap_shift_mm": "cap centre line", "back_seams_mm": "cap centre line"}, ["cap-undecided"]),
        ({"cap_shift_mm": "cap centre line", "temple_rim_mm": RIM_WORDS}, ["cap-undecided", "cap-temples-undecided"]),
    ],
)
def test_what_is_seen_obliquely_asks_for_a_photo_from_elsewhere_not_for_chalk(unsure, codes):
    near = {"cap_shift_mm": 2.9, "temple_rim_mm": 5.9, "back_seams_mm": 5.9}
    estimates = {n: Estimate(near[n], 1.0, (Contribution(source, 0.9),)) for n, source in unsure.items()}
    m = replace(cap_measured(), estimates=estimates)
    problems = cap_undecided(m, judge(m, request().tolerances))
    assert [p.code for p in problems] == codes
    for p in problems[: 1 if "bare-block-unknown" in codes else 2]:
        assert ("Chalk" in p.message) == (p.code == "cap-undecided")
        assert (f"the {RIM_WORDS}." in p.message) == (p.code == "cap-temples-undecided")


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("focal length, principal point and distortion", "how the block lies, as card, tape and outline give it"),
        ("cap centre line", "the cap centre line"),
    ],
)
def test_what_the_doubt_about_a_cap_comes_from_is_told_in_a_makers_words(source, told):
    m = replace(cap_measured(), estimates={"back_seams_mm": Estimate(5.9, 1.0, (Contribution(source, 0.9),))})
    (problem,) = cap_undecided(m, judge(m, request().tolerances))
    assert problem.message.endswith(f"Most of the doubt comes from {told}.")


def test_the_blocks_line_is_asked_for_once():
    """By the photo's own problem where no line was seen, and by what would decide where one was, but too little."""
    doubt = (Contribution("cap centre line", 0.9),)
    near = {"cap_shift_mm": 2.9, "cap_turn_deg": 1.9, "back_seams_mm": 5.9}
    m = replace(cap_measured(), estimates={n: Estimate(v, 1.0, doubt) for n, v in near.items()})
    (asks,) = cap_undecided(m, judge(m, request().tolerances))
    assert asks.message.startswith("Chalk the block's middle line longer")
    assert "“cap off the block's middle”, “cap turned” and “seams behind, right minus left” are too" in asks.message
    for lean_deg, leaning in ((10.0, True), (41.0, False)):
        (asks,) = cap_undecided(replace(m, view=View(lean_deg, 600.0, 3.0)), judge(m, request().tolerances))
        assert ("lean the phone" in asks.message) == leaning
    unseen = Problem("block-line-missing", "No middle line was seen: chalk the line longer.")
    told = answer_for(replace(m, problems=(unseen,)), request()).problems
    assert [p.code for p in told[:2]] == ["block-line-missing", "cap-undecided"]
    assert told[1].message.startswith("Take the photo again, closer, once that line is seen: “cap off the block's mid")
    assert sum("halk" in p.message for p in told) == 1


@pytest.mark.parametrize(("lean_deg", "further"), [(45.0, False), (15.0, True)])
def test_a_phone_that_leans_as_told_is_not_asked_to_lean_further(seen, lean_deg, further):
    note = _notes(replace(seen, line=None), lean_deg, True)[-1]
    assert note.code == "block-line-missing"
    assert "less sure: chalk the line longer" in note.message
    assert ("lean the phone further" in note.message) == further


def test_leaning_is_asked_for_once(seen):
    """From above neither the block's line nor the temples show: what is said of the temples asks for it."""
    assert "lean the phone" in _temple_unseen(seen, 12.0).message
    assert _notes(replace(seen, line=None), 12.0, False)[-1].message.endswith("less sure: chalk the line longer.")


@pytest.mark.parametrize(("lean_deg", "edge_on"), [(45.0, True), (30.5, True), (29.5, False)])
def test_seams_behind_are_not_called_seen_edge_on_from_above(lean_deg, edge_on):
    seams = Estimate(5.9, 1.0, (Contribution("cap centre line", 0.9),))
    m = replace(cap_measured(), estimates={"back_seams_mm": seams}, view=View(lean_deg, 600.0, 4.0))
    (problem,) = cap_undecided(m, judge(m, request().tolerances))
    assert ("edge-on" in problem.message) == ("no more than 30 degrees" in problem.message) == edge_on
    assert "closer" in problem.message


def test_a_cap_on_a_tilted_block_is_measured_against_the_tilted_block(tmp_path):
    """The wearer's right side up by 8 degrees: told, and shift and turn within what they say of themselves."""
    from calibration.judging import check_one
    from fixtures.scenes import sample_scene, save

    path = save(sample_scene(9_975_001, kind="cap", size=(1600, 1200), block={"lean_deg": 8.0}), tmp_path, "tilted")
    around_mm = json.loads(path.with_suffix(".json").read_text())["scene"]["ticket_circumference_inch"] * 25.4
    seen = sight_cap(load_photo(path), CheckRequest(NO_CLOSURE, around_mm, stage="cap"))
    assert [p.code for p in seen.notes] == ["block-tilted"]
    assert np.hypot(*seen.fit.theta[[AT["block lean x"], AT["block lean y"]]]) == pytest.approx(8.0, abs=1.5)
    errors = check_one(path)["errors"]
    for name, within in (("cap_shift_mm", 1.0), ("cap_turn_deg", 1.0), ("temple_rim_mm", 3.0)):
        error, u = errors[name][:2]
        assert abs(error) < min(within, 2 * u), name


@pytest.mark.sweep
def test_caps_are_turned_as_they_are_told_against_lines_kept_with_their_blocks(tmp_path):
    """Five rendered caps, each after eight photos of its bare block (aim: 1 mm and 0.7 degrees on 95 %).

    One, seen from 53 degrees and 13 mm off the middle, is misread, with a kept line as without.
    """
    from calibration.judging import check_one
    from fixtures.scenes import sample_scene, save
    from fixtures.scenes.walk import bare_before

    found = {"cap_shift_mm": [], "cap_turn_deg": []}
    for seed in range(5):
        drawn = np.random.default_rng([seed, 9])
        cap = sample_scene(drawn, kind="cap", size=(2016, 1512), hand=False, comb=False, block={"printed": True})
        path = save(cap, tmp_path, f"cap{seed}")
        for k, bare in enumerate(bare_before(cap, seed)):
            save(bare, tmp_path / f"cap{seed}-bare", f"{k}")
        row = check_one(path, saved_block=True)
        for name, errors in found.items():
            errors.append(row["errors"][name][:2])
    for name, within in (("cap_shift_mm", 1.0), ("cap_turn_deg", 0.7)):
        error, u = np.abs(found[name]).T
        assert np.median(error) < within, name
        assert (error < 2.0 * u).sum() >= 4, name


# ------------------------------------------------------------------------------------------------------ stitched


def test_what_moved_since_pinning_against_truth(check):
    job = ("--closure", "5x5", "--block-circumference", JOB_TAPE, "--order", "0007")
    _, before = check(PHOTOS / "job_pinned_5x5.jpg", *job)
    assert "moves" not in before
    _, answer = check(PHOTOS / "job_stitched_5x5.jpg", "--stage", "stitched", *job)
    was, now = (truth_of(f"job_{k}_5x5")["measures"]["landmarks_mm"] for k in ("pinned", "stitched"))
    found = answer["moves"]
    assert set(found) >= {"fold_front", "fold_back"}
    errors = []
    for name, move in found.items():
        for i, way in enumerate(("right", "face")):
            error = move[f"{way}_mm"] - (now[name][i] - was[name][i])
            errors.append(abs(error))
            assert abs(error) < 1.2 * move[f"U95_{way}_mm"], (name, way)
    assert np.median(errors) < 1.5
    # fold and closure have gone 6 to 7 mm to the right
    assert found["fold_back"]["moved"]
    assert found["fold_back"]["right_mm"] > 0
    assert not any(p["code"] == "pinned-same-photo" for p in answer["problems"])
    assert not any("fold pin" in fix or "Move a pin" in fix for fix in answer["fixes"])


def test_nothing_has_moved_between_a_photo_and_itself(check):
    """However the closure's size was written."""
    job = (PHOTOS / "job_pinned_5x5.jpg", "--block-circumference", JOB_TAPE, "--order", "8")
    check(*job, "--closure", "5x5")
    _, answer = check(*job, "--closure", "12.7x12.7cm", "--stage", "stitched")
    for move in answer["moves"].values():
        assert move["distance_mm"] < 1e-6
        assert not move["moved"]
    (told,) = [p["message"] for p in answer["problems"] if p["code"] == "pinned-same-photo"]
    assert told.startswith("This is the photo of record 1,")


def test_moves_of_another_closure_are_not_told(check):
    job = (PHOTOS / "job_pinned_5x5.jpg", "--block-circumference", JOB_TAPE, "--order", "9")
    check(*job, "--closure", "5x5")
    _, answer = check(*job, "--closure", "5x4.75", "--stage", "stitched")
    assert "moves" not in answer
    told = next(p["message"] for p in answer["problems"] if p["code"] == "pinned-photo-unusable")
    assert "it is of a 5x5 closure, not of a 5x4.75 one" in told


def test_without_a_pinned_photo_the_measures_are_given_all_the_same(check):
    status, answer = check(
        PHOTOS / "job_stitched_5x5.jpg", "--stage", "stitched", "--closure", "5x5", "--block-circumference", JOB_TAPE
    )
    assert status in (0, 1, 3)
    assert answer["measures"]["offset_mm"] is not None
    assert "moves" not in answer
    (told,) = [p for p in answer["problems"] if p["code"] == "pinned-photo-missing"]
    assert told["message"].endswith("the same order.")
    assert with_option(Problem(told["code"], told["message"])).endswith("(--order NUMBER)")


def simulated(rng: np.random.Generator, moved: np.ndarray, same_tape: bool = True) -> tuple[Placed, Placed]:
    """Two photos as the model has them: errors of the fits correlated through the prior, landmarks moved by `moved`.

    Under two tapes what was assumed beforehand is wrong in each photo by itself.
    """
    prior = prior_for(camera_for(2016, 1512, 26), 571.5)
    names, n = tuple(FACTOR_OF), len(NAMES)
    rows, alike = 2 * len(names) + len(RIM_AT_MM) + 3, [*SHAPE, *(AT[name] for name in SETTLES)]
    together = np.linalg.cholesky(_alike(GUESSED_AT_MM))  # how a rim settles, and what is misread of it
    roots, slopes = [], []
    for _ in range(2):
        # a fit is the prior and some data, less than there are unknowns: precision = prior's + J^T J
        data = rng.normal(0, 1, (12, n)) / prior.u
        roots.append(np.linalg.cholesky(np.linalg.inv(prior.root.T @ prior.root + data.T @ data)))
        slopes.append(rng.normal(0, 0.5, (rows, n)) @ np.diag(1 / prior.u) @ roots[-1])
    shared = rng.normal(size=len(SHAPE))
    xi = []
    for root in roots:
        shared = shared if same_tape else rng.normal(size=len(SHAPE))
        through = root.T @ prior.root[list(SHAPE)].T
        rest = np.linalg.cholesky(np.eye(n) - through @ through.T + 1e-12 * np.eye(n))
        xi.append(through @ shared + rest @ rng.normal(size=n))
    settle = np.zeros(n)
    settle[alike[: len(SHAPE)]] = 0.03 * prior.u[list(SHAPE)] * rng.normal(size=len(SHAPE))
    settle[alike[len(SHAPE) :]] = np.array(list(SETTLES.values())) * rng.normal(size=3)
    base = rng.uniform(-60, 60, rows)
    base[-3:] = 100.0
    thick, common = rng.normal(0, 1.2, (2, rows)), rng.normal()
    out = []
    for k in range(2):
        noise = np.diag(rng.uniform(0.2, 1.0, rows) ** 2)
        at = base + slopes[k] @ xi[k] + np.sqrt(np.diag(noise)) * rng.normal(size=rows) + thick[k] * common
        at[2 * len(names) : -3] = np.nan  # nothing of the rim is in view beside the closure
        if k:
            at[: 2 * len(names)] += moved.ravel()
            at[-3:] += 0.5 * together @ rng.normal(size=3)
        theta = prior.mean + roots[k] @ xi[k] + (settle if k else 0.0)
        out.append(Placed(names, at, slopes[k], noise, thick[k], theta, roots[k], prior))
    return out[0], out[1]


def test_moves_under_two_tapes_are_as_sure_as_they_say():
    rng = np.random.default_rng(13)
    off = []
    for _ in range(200):
        for move in moves(*simulated(rng, np.zeros((6, 2)), same_tape=False), same_tape=False).values():
            off += [move.right_mm / move.u_right_mm, move.face_mm / move.u_face_mm]
    assert np.mean(np.square(off)) == pytest.approx(1.0, abs=0.15)


def test_moves_are_as_sure_as_they_say():
    rng = np.random.default_rng(12)
    right, face, called = [], [], []
    for _ in range(300):
        moved = np.tile([4.0, -2.0], (6, 1))
        for name, move in moves(*simulated(rng, moved)).items():
            right.append((move.right_mm - 4.0) / move.u_right_mm)
            face.append((move.face_mm + 2.0) / move.u_face_mm)
            assert name in FACTOR_OF
        called += [move.moved for move in moves(*simulated(rng, np.zeros((6, 2)))).values()]
    # the mean square of a standard normal error is 1, from some 300 independent draws to about 8 %
    assert np.mean(np.square(right)) == pytest.approx(1.0, abs=0.15)
    assert np.mean(np.square(face)) == pytest.approx(1.0, abs=0.15)
    assert pytest.approx(9.2103, abs=1e-3) == MOVED_CHI2
    assert 0.003 < np.mean(called) < 0.03  # 1 % each


def test_what_was_set_by_hand_is_as_unsure_as_the_hand_that_set_it():
    """Drawn anew 4,000 times, clicks scatter on the dome as `place` says; what was found is worth less than it says."""
    view = pinned_view(8, 42.0)
    fit = fit_view(view)
    prior = prior_for(view.camera, view.request.block_circumference_mm)
    click_px, rng = 0.5, np.random.default_rng(2)

    def noise_of(u_px, *evidence):
        marks = {n: replace(m, covariance_px2=np.eye(2) * u_px**2, evidence=evidence) for n, m in found.marks.items()}
        rim = replace(found.rim, u_px=np.full(len(found.rim.px), u_px), evidence=evidence)
        observed = replace(found, marks=marks, rim=rim)
        return place(fit, prior, observed, put_on_dome(fit.geometry, observed)).noise

    found = replace(view.observed, rim=dense_line(view.observed.rim.px, click_px))
    on = put_on_dome(fit.geometry, found)
    by_hand = noise_of(click_px, "set by hand") - noise_of(0.0, "set by hand")  # less what the lace adds
    finder = noise_of(click_px, "seen") - noise_of(0.0, "seen")
    names = [n for n in LANDMARKS if n in found.marks]
    assert len(names) == 6
    for i, name in enumerate(names):
        clicks = found.marks[name].px + rng.normal(0, click_px, (4000, 2))
        scatter = np.std(on.chart.to_uv(fit.geometry.hit(clicks, LACE_LIFT_MM)), axis=0)
        says = np.sqrt(np.diag(by_hand)[2 * i : 2 * i + 2])
        # 4,000 draws know a standard deviation to 1.1 %; at half a pixel the dome is flat enough for the first order
        assert says == pytest.approx(scatter, rel=0.05), name
        factors = [factor_for(m) for m in FACTOR_OF[name]]
        worth = np.sqrt(np.diag(finder)[2 * i : 2 * i + 2]) / says
        assert worth == pytest.approx([factors[0] * (READ_FACTOR if name in CORNER_NAMES else 1.0), factors[1]])
    rim = [np.diag(noise)[-3:] for noise in (by_hand, finder)]
    assert np.sqrt(rim[1] / rim[0]) == pytest.approx(FINDING_FACTOR)


def test_a_rim_in_view_is_as_unsure_on_the_dome_as_it_was_found():
    """From the unrolled picture into the photo and back onto the dome its doubt along v comes out as it went in."""
    asked = CheckRequest(parse_closure("5x5"), 22.25 * 25.4)
    _, seen, on = look(load_photo(PHOTOS / "job_pinned_5x5.jpg"), asked, None)
    placed, trace = _placed(seen, on), rim_in_view(seen.sighting, seen.grid)
    u_mm = np.sqrt(np.diag(placed.noise)[2 * len(placed.names) :])
    there = 0
    for at_mm, u in zip(RIM_AT_MM, u_mm[: len(RIM_AT_MM)], strict=True):
        near = np.abs(trace.uv[:, 0] - at_mm) < 10.0
        if near.sum() > 2:
            # what the surface curves between the picture's height and the rim's is a few parts in a hundred
            assert u == pytest.approx(np.sqrt(np.mean(trace.u_mm[near] ** 2)), rel=0.15), at_mm
            there += 1
    assert there >= 4


def test_a_rim_in_view_in_both_photos_ties_them_together():
    """Two photos of one block, landmarks read to half a pixel: their moves, truly none, are known better by the rim."""
    sums, wrong = {}, {}
    for tied in (False, True):
        placed = []
        for seed, lean in ((8, 42.0), (9, 30.0)):
            view = pinned_view(8, lean)
            fit, rng = fit_view(view), np.random.default_rng(seed)
            marks = {
                n: replace(
                    m, px=m.px + rng.normal(0, 0.5, 2), covariance_px2=np.eye(2) * 0.25, evidence=("set by hand",)
                )
                for n, m in view.observed.marks.items()
            }
            rim = replace(dense_line(view.observed.rim.px, 0.5), evidence=("seen",))
            guessed = replace(rim, u_px=np.full(len(rim.px), 8.0))
            observed = replace(view.observed, marks=marks, rim=guessed)
            on = put_on_dome(fit.geometry, observed)
            prior = prior_for(view.camera, view.request.block_circumference_mm)
            placed.append(place(fit, prior, observed, on, rim if tied else None))
        found = moves(*placed)
        assert len(found) == 6
        sums[tied] = np.median([move.u_face_mm for move in found.values()])
        wrong[tied] = [abs(move.face_mm) / move.u_face_mm for move in found.values()]
    assert sums[True] < 0.9 * sums[False]
    assert max(wrong[True]) < 3.0


def test_photos_of_other_blocks_are_told_apart():
    before, after = simulated(np.random.default_rng(5), np.zeros((6, 2)))
    shifted = after.theta.copy()
    shifted[list(SHAPE)] += 4.0 * after.prior.u[list(SHAPE)]
    other = Placed(after.names, after.at, after.slopes, after.noise, after.thick, shifted, after.root, after.prior)
    with pytest.raises(RetakeNeeded) as error:
        moves(before, other)
    assert error.value.problem.code == "pinned-other-block"


CORNERS = np.array([[0.0, 60], [0, -60], [-60, 60], [60, 60], [-60, -60], [60, -60]])


@settings(max_examples=60, deadline=None)
@given(st.floats(-20, 20), st.floats(-20, 20), st.floats(-5, 5), st.integers(0, 5))
def test_one_landmark_in_the_wrong_place_is_left_out(right, face, turn_deg, wrong):
    a = np.radians(turn_deg)
    moved = np.array([right, face]) + np.stack([CORNERS[:, 1], -CORNERS[:, 0]], -1) * a
    assert of_one_cloth(CORNERS, moved, np.full(6, 1e-6)) == (0, 1, 2, 3, 4, 5)  # it leaves nothing over
    moved[wrong] += [40.0, -30.0]
    assert of_one_cloth(CORNERS, moved, np.full(6, 8.0)) == tuple(i for i in range(6) if i != wrong)


def test_where_no_landmark_is_seen_in_both_photos_that_is_said():
    prior = prior_for(camera_for(4032, 3024, 26.0), 565.0)

    def placed(name):
        n, m = 2 + len(RIM_AT_MM) + len(GUESSED_AT_MM), len(NAMES)
        at, zero = np.full(n, 80.0), np.zeros(n)
        root = np.diag(0.1 * prior.u)
        return Placed((name,), at, np.zeros((n, m)), 0.1 * np.eye(n), zero, prior.mean, root, prior)

    assert set(moves(placed("fold_front"), placed("fold_front"))) == {"fold_front"}
    with pytest.raises(RetakeNeeded, match="seen in both photos"):
        moves(placed("fold_front"), placed("fold_back"))


@pytest.mark.parametrize("noise_mm", [0.0, 2.0])
def test_a_rim_tells_a_landmarks_place_as_well_as_it_stays_where_it_lay_and_is_read(noise_mm):
    """What moves landmark and rim alike falls out of their difference: how a rim settles and is read twice is left."""
    prior, rows = prior_for(camera_for(4032, 3024, 26.0), 565.0), 2 + len(RIM_AT_MM) + len(GUESSED_AT_MM)
    at_mm = np.full(rows, np.nan)
    face, rim = 1, -2
    at_mm[[0, face, rim]] = 5.0, 120.0, 118.0
    slopes = np.zeros((rows, len(NAMES)))
    slopes[[face, rim], AT["block y"]] = 60.0
    noise = np.diag(np.where(np.arange(rows) == rows + rim, noise_mm**2, 1e-6))
    one = Placed(("fold_front",), at_mm, slopes, noise, np.zeros(rows), prior.mean, np.diag(prior.u), prior)
    found = moves(one, one)["fold_front"]
    assert found.u_face_mm == pytest.approx(np.hypot(RIM_SETTLES_MM, np.sqrt(2) * noise_mm), rel=0.01)


def test_cloth_gives_as_much_as_it_gives():
    """A stretch is neither slide nor turn: each landmark leaves them by its share of the way to the middle."""
    for leaves_mm, whole in ((7.9, True), (8.1, False)):
        stretched = CORNERS * leaves_mm / np.hypot(60.0, 60.0)
        assert (len(of_one_cloth(CORNERS, stretched, np.full(6, 8.0))) == 6) == whole


@pytest.mark.parametrize(("u_mm", "leaves_mm", "whole"), [(4.0, 11.0, True), (4.0, 13.0, False), (0.5, 7.0, True)])
def test_cloth_may_seem_to_give_what_its_landmarks_are_unsure_by(u_mm, leaves_mm, whole):
    """Six landmarks stretched apart, each move known to `u_mm`: three times that, or 8 mm, tells of no wrong one."""
    prior, rows = prior_for(camera_for(4032, 3024, 26.0), 565.0), 12 + len(RIM_AT_MM) + len(GUESSED_AT_MM)
    at_mm, noise = np.full(rows, np.nan), np.zeros((rows, rows))
    at_mm[:12], noise[:12, :12] = CORNERS.ravel(), np.eye(12) * u_mm**2 / 2
    names, zero, root = tuple(FACTOR_OF), np.zeros((rows, len(NAMES))), np.diag(0.1 * prior.u)
    before = Placed(names, at_mm, zero, noise, np.zeros(rows), prior.mean, root, prior)
    apart = CORNERS * leaves_mm / np.hypot(60.0, 60.0)
    after = replace(before, at=np.concatenate([at_mm[:12] + apart.ravel(), at_mm[12:]]))
    assert (len(moves(before, after)) == 6) == whole


def test_what_is_in_view_of_a_rim_counts_alone_where_it_is_enough():
    placed, _ = simulated(np.random.default_rng(4), np.zeros((6, 2)))
    for seen, at_mm in ((3, [-105.0, -95.0, -85.0]), (2, [-25.0, 0.0, 25.0])):
        at = placed.at.copy()
        at[12 : 12 + seen] = 60.0
        one = replace(placed, at=at)
        assert _rows(one, one, one.names)[2] == pytest.approx(at_mm)


def test_cloth_that_is_torn_apart_tells_nothing():
    rng = np.random.default_rng(3)
    assert of_one_cloth(CORNERS[:3], rng.normal(0, 60, (3, 2)), np.full(3, 8.0)) == ()


# ----------------------------------------------------------------------------------------------------- unpicking


def unpicked(m: Measured) -> tuple[str, ...]:
    return unpicking(m, judge(m, request().tolerances), request())


@pytest.mark.parametrize(
    ("u", "turn", "clearance"),
    [(6.0, 3.0, 18.0), (-6.0, 3.0, 3.0), (7.0, -3.5, 10.0), (-5.0, -3.0, 19.0), (6.0, 0.0, 1.0)],
)
def test_every_point_goes_the_way_a_stiff_closure_goes_home(u, turn, clearance):
    """Against the points of the flat model, put where they belong less where they are; in the closure's own frame."""
    m = Flat(u, turn, clearance).measured()
    plan = Plan(m, judge(m, request().tolerances), request())
    names = list(Flat(0, 0, 10).points)
    home, now = (np.array([flat.points[n] for n in names]) for flat in (Flat(0, 0, 10), Flat(u, turn, clearance)))
    flat = home - home[names.index("fold_front")]
    # to the first order of the turn; the hairline comes to its aim at the fold, within what its sides leave
    assert ways_to_go(plan, flat) == pytest.approx(home - now, abs=0.6)


def test_a_dent_in_the_hairline_fades_out_to_the_corner_beside_it_and_to_the_fold():
    """8 mm at 25 mm to the left of the fold; nothing is read at the corner, which goes along half way."""
    m = with_values(clearance_left_mm=2.0)
    front = np.array([[-63.5, 0.0], [-25.0, 0.0], [-12.5, 0.0], [0.0, 0.0], [63.5, 0.0], [-25.0, -60.0]])
    ways = ways_to_go(Plan(m, judge(m, request().tolerances), request()), front)
    assert ways[:, 1] == pytest.approx([4.0, 8.0, 4.0, 0.0, 0.0, 0.0])
    # once it is slid a long way sideways, nothing is known of the hairline
    read = Flat(5, 0, 10).measures() | {"clearance_left_mm": 2.0}
    m = Measured({name: Estimate(float(value), 0.2) for name, value in read.items()})
    ways = ways_to_go(Plan(m, judge(m, request().tolerances), request()), front)
    assert ways == pytest.approx(np.tile([-5.0, 0.0], (6, 1)))


def test_corners_that_only_follow_a_fold_inside_its_limits_are_not_unpicked():
    """A stiff closure, 10 mm too far back and its fold a little askew: the front corners are uneven by 6.3 of 6 mm."""
    m = Flat(1.5, 1.5, 0).measured()
    judged = judge(m, request().tolerances)
    assert judged["front_corner_asymmetry_mm"].state == "unsure"
    ways = ways_to_go(Plan(m, judged, request()), np.array(list(Flat(0, 0, 10).points.values())) - [0.0, 10.0])
    assert np.abs(ways[:, 0]).max() == 0.0
    assert ways[:, 1] == pytest.approx(10.0, abs=0.1)


def test_one_side_of_the_hairline_is_unpicked_from_the_corner_to_the_fold():
    fixes = unpicked(with_values(clearance_left_mm=2.0))
    assert fixes[0].startswith("Unpicking is worth it: hairline below cap edge, left")
    assert "chance of being inside under 1 %" in fixes[0]
    # the front edge is 127 mm: from corner to fold half of it
    assert "Unpick the front edge from the left corner to the fold, about 63 mm" in fixes[1].replace("64 mm", "63 mm")
    assert "toward the face" in fixes[1]
    assert fixes[-1] == RIPPER


def test_a_corner_is_unpicked_about_the_corner():
    fixes = unpicked(with_values(back_corner_asymmetry_mm=10.0, width_back_mm=137.0))
    joined = " ".join(fixes)
    assert "right edge" in joined
    assert "back edge" in joined
    assert "left edge" not in joined
    assert "to the wearer's left" in joined


def test_a_closure_stitched_beside_the_middle_comes_out_all_round():
    fixes = unpicked(Flat(7, 0, 10).measured())
    assert fixes[1].startswith("Unpick the closure all round, about 508 mm (20 in): it has to go 7.0 mm")
    assert "7.0 mm (1/4 in) to the wearer's left" in fixes[1]


@pytest.mark.parametrize("turn", [6.0, -6.0])
def test_a_closure_stitched_askew_comes_out_all_round_and_is_told_to_turn(turn):
    """The fold's ends 127 / 2 mm x sin 6 degrees from the line; the middle stays, so "as a whole" would be nowhere."""
    fixes = unpicked(Flat(0, turn, 10).measured())
    ways = re.findall(r"the (front|back) of the fold going 6.6 mm \(1/4 in\) to the wearer's (left|right)", fixes[1])
    assert dict(ways) == ({"front": "left", "back": "right"} if turn > 0 else {"front": "right", "back": "left"})
    assert "as a whole" not in fixes[1]


def test_where_an_edge_goes_opposite_ways_both_are_told():
    """Turned about the back of the fold: the hairline's left half goes back, its right half forward."""
    m = with_values(offset_mm=4.0, skew_deg=3.6, fold_offset_front_mm=8.0, fold_offset_back_mm=0.0)
    front = next(fix for fix in unpicked(m) if fix.startswith("Unpick the whole front edge"))
    assert "8.0 mm (5/16 in) to the wearer's left, 4.0 mm (3/16 in) toward the nape at the left corner and" in front
    assert "4.0 mm (3/16 in) toward the face at the right corner" in front


@pytest.mark.parametrize(("place", "mm"), [("left", 2.0), ("right", 2.0), ("left", 16.0), ("right", 16.0)])
def test_one_dent_in_the_hairline_leaves_the_rest_sewn(place, mm):
    """Too far back or too far forward; the whole closure, moved, would bring it in as well, just."""
    fixes = unpicked(with_values(**{f"clearance_{place}_mm": mm}))
    assert all(fix.startswith((f"Unpick the {place} edge", "Unpick the front edge")) for fix in fixes[1:-1])
    assert f"Unpick the {place} edge from the front corner on, about 8 mm" in fixes[2]


def test_a_stretch_about_the_fold_says_on_which_sides_it_ends():
    (_, fix, _) = unpicked(with_values(clearance_centre_mm=2.0))
    assert "from 28 mm (1 1/8 in) to the wearer's left of the fold to 28 mm (1 1/8 in) to the wearer's right" in fix


def test_stretches_that_meet_at_the_fold_are_one():
    fixes = unpicked(with_values(front_corner_asymmetry_mm=10.0))
    assert any(fix.startswith("Unpick the whole front edge, about 127 mm (5 in)") for fix in fixes)
    assert not any(fix.startswith("Unpick the front edge") for fix in fixes)


def test_half_a_millimetre_is_hardly_worth_it():
    (told,) = unpicked(with_values(clearance_centre_mm=5.4))
    assert told.startswith("Hardly worth unpicking")
    # two u beyond the limit: 2.28 % by any table of the normal distribution
    (told,) = unpicked(with_values(clearance_centre_mm=5.6))
    assert "chance of being inside 2 %" in told
    # half a degree is 1.1 mm at both ends of the fold
    assert unpicked(Flat(0, 2.55, 10).measured())[0].startswith("Unpicking is worth it")
    assert unpicked(Flat(0, 2.45, 10).measured())[0].startswith("Hardly worth unpicking")
    assert unpicked(Flat(0, 0, 10).measured()) == ()


@pytest.mark.parametrize(
    "values",
    [
        {"clearance_left_mm": 4.9, "clearance_centre_mm": 8.85, "clearance_right_mm": 11.8},
        {"front_corner_asymmetry_mm": 7.4, "fold_offset_front_mm": 0.9, "fold_offset_back_mm": 0.9, "offset_mm": 0.9},
    ],
)
def test_what_needs_no_more_than_the_lace_gives_is_not_unpicked(values):
    """Out by more than a millimetre, but brought back by a slide of 1.2 or 0.9 mm: there is nowhere to unpick."""
    (told,) = unpicked(with_values(**values))
    assert told.startswith("Hardly worth unpicking")
    assert "no place has to go further than 1.5 mm" in told


@pytest.mark.parametrize("closure", ["2x6", "4x4", "5x5"])
@pytest.mark.parametrize("at", [0.0, 0.5, 1.0])
def test_a_short_stretch_about_one_place_keeps_its_length(closure, at):
    size = parse_closure(closure)
    edge = edges_of(size.width_mm, size.length_mm)[0]
    ways = np.zeros_like(edge.points)
    ways[round(at * (len(ways) - 1))] = 2.0
    ((start, end),) = stretches(edge, ways)
    assert end - start == pytest.approx(16.0 if at == 0.5 else 8.0, abs=1.0)


def test_edges_have_the_closures_lengths():
    front, left, right, back = edges_of(127.0, 101.6)
    assert front.length_mm == pytest.approx(127.0, abs=1.0)
    assert left.length_mm == right.length_mm == pytest.approx(101.6, abs=1.0)
    assert back.points[0] == pytest.approx([-63.5, -101.6])


# ------------------------------------------------------------------------------------------------ the bench page


def test_the_page_asks_for_no_closure_before_there_is_one():
    from placecheck.errors import UsageProblem
    from placecheck.page.asked import request_of, spec_from
    from placecheck.settings import Settings

    spec = spec_from({"block": "22in", "stage": "cap"}, Settings())
    assert request_of(spec).stage == "cap"
    assert request_of(spec).closure == NO_CLOSURE
    with pytest.raises(UsageProblem):
        spec_from({"block": "22in", "stage": "stitched"}, Settings())
    later = {**spec_from({"block": "22in", "stage": "stitched", "closure": "5x5"}, Settings()), "since": 3}
    assert request_of(later).since == 3


def test_stage_and_moves_travel_through_the_workers_reply():
    from placecheck.answer import Move
    from placecheck.page.codec import measured_from_dict, measured_to_dict

    moves_told = {"fold_front": Move(1.5, -0.5, 0.4, 0.6, 0.45, True)}
    for m in (cap_measured(cap_shift_mm=4.0), Measured({}, stage="stitched", moves=moves_told)):
        back = measured_from_dict(json.loads(json.dumps(measured_to_dict(m))))
        assert (back.stage, back.moves, back.estimates) == (m.stage, m.moves, m.estimates)
    for wrong in ([1, 2, 3], [1, 2, -3, 1, 1, True], [1, 2, 3, 4, float("nan"), True], [1, 2, 3, 4, 5, "yes"]):
        with pytest.raises(ValueError, match=r"move|values"):
            measured_from_dict({**measured_to_dict(Measured({})), "moves": {"fold_front": wrong}})
    with pytest.raises(ValueError, match="stage"):
        measured_from_dict({**measured_to_dict(Measured({})), "stage": "sewn"})


def test_the_pages_worker_compares_with_the_record(check):
    from placecheck.page.checking import Checker

    job = ("--closure", "5x5", "--block-circumference", JOB_TAPE, "--order", "0007")
    check(PHOTOS / "job_pinned_5x5.jpg", *job)
    asked = CheckRequest(request().closure, 22.25 * 25.4, stage="stitched", since=1)
    outcome = Checker().check(PHOTOS / "job_stitched_5x5.jpg", asked)
    assert outcome.failure is None
    assert outcome.measured is not None
    assert outcome.measured.stage == "stitched"
    assert outcome.measured.moves
    assert outcome.overlay[:2] == b"\xff\xd8"
