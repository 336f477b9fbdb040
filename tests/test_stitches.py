"""The stage "stitches": geometry against closed forms and geographiclib, accuracy on unseen close-ups, named failures.

Outside values: great circles by geographiclib (Karney) on a sphere; OpenCV's projectPoints; English ordinals as any
grammar has them. Scenes are drawn from seeds of the judging range, which neither training nor development draws.
The head of a T-pin, about 10 mm, and stitches a little less than that apart: common practice, no published source.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from calibration.stitching.judging import REQUEST, score_taken
from fixtures.stitching import render
from fixtures.stitching.model import CloseUp
from fixtures.stitching.paint import Sheet, paint
from fixtures.stitching.render import Taken, take
from fixtures.stitching.sample import JUDGING_FROM, sample
from fixtures.stitching.scoring import Score, score_close_up, together
from fixtures.stitching.solid import SeamLine, to_space
from placecheck import vision
from placecheck.answer import COVERAGE_FACTOR, STAGE_MEASURES, Answer, Contribution, Estimate, Measured
from placecheck.camera import Camera, camera_for, distort
from placecheck.card.board import SMALL_CARD
from placecheck.card.detect import CardSighting
from placecheck.cli import run
from placecheck.drawing import Layer
from placecheck.errors import RetakeNeeded
from placecheck.judge import judge, state_of, verdict_of
from placecheck.photo import load_photo
from placecheck.stitches import close_up as close_up_check
from placecheck.stitches.close_up import LARGEST, MEAN, SMALLEST, kinds_of, measure_stitches
from placecheck.stitches.ground import U_BAR_MM, Ground, on_surface, surface_points, to_px
from placecheck.stitches.picture import KIND_STATE, KIND_WORDS, draw_close_up
from placecheck.stitches.row import (
    CELL_MM,
    DOUBTFUL,
    U_PLACE_MM,
    Row,
    find_peaks,
    in_rhythm,
    may_be_whole,
    part_touching,
)
from placecheck.stitches.sewn import Sewn
from placecheck.stitches.spacing import U_ENDS_MM, certainty_of, extreme_of, lengths, measure_spacing
from placecheck.stitches.words import needed_between, ordinal, remarks, stitch_fixes, stitch_undecided
from placecheck.tolerances import DEFAULTS, tolerances_from

FOLDER = Path(__file__).parents[1] / "fixtures" / "close_ups"
GROUND = Ground(
    2400.0, np.array([799.5, 599.5]), 0.01, cv2.Rodrigues(np.array([0.2, -0.15, 0.4]))[0], np.array([4.0, -9.0, 190.0])
)


# ----------------------------------------------------------------------------- geometry


@given(
    st.floats(0.006, 0.015),
    st.tuples(st.floats(-40, 40), st.floats(-40, 40)),
    st.tuples(st.floats(-40, 40), st.floats(-40, 40)),
)
def test_arcs_on_the_sphere_are_geographiclibs(
    curvature: float, a: tuple[float, float], b: tuple[float, float]
) -> None:
    """Chart points to pixels and back to lengths: the great circle by Karney's algorithm on a sphere."""
    ground = replace(GROUND, curvature_per_mm=curvature)
    r = 1 / curvature
    sphere = Geodesic(r, 0.0)
    ends = []
    for s, t in (a, b):  # azimuthal equidistant about the pole: the chart's polar angle is the longitude
        ends.append((90 - np.degrees(np.hypot(s, t) / r), np.degrees(np.arctan2(t, s))))
    true = sphere.Inverse(*ends[0], *ends[1])["s12"]
    px = to_px(ground, np.array([a, b]))
    assert lengths(ground, px)[0] == pytest.approx(true, abs=1e-3)


def test_pixels_are_opencvs() -> None:
    chart = np.array([[0.0, 0], [30, 12], [-45, 30], [10, -38]])
    points = surface_points(GROUND, chart)
    k = np.array([[GROUND.f_px, 0, 799.5], [0, GROUND.f_px, 599.5], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(
        points, cv2.Rodrigues(GROUND.rotation)[0], GROUND.translation, k, np.array([GROUND.k1, 0, 0, 0])
    )
    px = to_px(GROUND, chart)
    assert np.allclose(px, theirs.reshape(-1, 2), atol=1e-6)
    assert np.allclose(on_surface(GROUND, px), points, atol=1e-5)


def test_the_scenes_lengths_along_the_seam_are_those_of_its_points_in_space() -> None:
    """The truth itself: finely chained points of the seam against its own measure of length."""
    scene = sample(3)
    assert scene.seam is not None
    line = SeamLine(scene.ground, scene.seam)
    along = np.linspace(-50, 60, 20001)
    points = to_space(scene.ground, line.chart(along, np.zeros_like(along)))
    assert np.linalg.norm(np.diff(points, axis=0), axis=1).sum() == pytest.approx(110, abs=0.02)


# ----------------------------------------------------------------------------- accuracy


@pytest.fixture(autouse=True, scope="module")
def _painted_once() -> Iterator[None]:
    """A cap that was just painted is not painted again for another camera or card: painting is most of a close-up."""
    last: list[tuple[object, np.ndarray]] = []

    def paint_once(scene: CloseUp, sheet: Sheet, line: SeamLine | None) -> None:
        what = replace(scene, card="", card_tilt_rad=(0.0, 0.0), card_lift_mm=0.0, card_print=1.0, shot=None)
        key = what, scene.shot.light_rad, tuple(sheet.low), tuple(sheet.size)
        if not last or last[0][0] != key:
            paint(scene, sheet, line)
            last[:] = [(key, sheet.light)]
        sheet.light = last[0][1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(render, "paint", paint_once)
        yield


TRUE_AND_LARGE = range(JUDGING_FROM + 61, JUDGING_FROM + 65)
"""Of these scenes there is also a photo with the card printed 2 % too large."""


@cache
def true_and_large(seed: int) -> tuple[Taken, Taken]:
    return take(sample(seed)), take(replace(sample(seed), card_print=1.02))


@cache
def taken(seed: int, kind: str = "normal") -> Taken:
    if kind == "normal" and seed in TRUE_AND_LARGE:
        return true_and_large(seed)[0]
    return take(sample(seed, kind))


def measured(seed: int, kind: str = "normal"):
    return measure_stitches(load_photo(taken(seed, kind).jpeg), REQUEST)


def scores(seeds: range) -> list[Score | str]:
    return [score_taken(taken(seed)) for seed in seeds]


def check(found: list[Score | str], least_measured: float) -> None:
    """The targets: 95 % of stitches found, at most 5 % false, the mean within 5 %, U95 that covers.

    Single photos with one stitch hidden or a cap far more curved than most miss the 5 %: three in a hundred.
    """
    good = [s for s in found if isinstance(s, Score)]
    print([s for s in found if isinstance(s, str)], together(good))
    assert len(good) >= least_measured * len(found)
    all_ = together(good)
    assert all_["found"] >= 0.95
    assert all_["false"] <= 0.03
    assert all_["mean_error_median"] <= 0.025
    assert all_["mean_within_5_percent"] >= 0.9
    assert all_["mean_covered"] >= 0.9
    assert all_["spacings_covered"] >= 0.93


def test_unseen_close_ups() -> None:
    """Four scenes with 38 stitches, of which one may be missed or false.

    That is enough for the rates of stitches and spacings. Of the photos every one must be within 5 % and covered, since
    one in four is more than may be wrong.
    """
    check(scores(TRUE_AND_LARGE), 0.75)


@pytest.mark.sweep
@pytest.mark.parametrize(("first", "n", "least_measured"), [(60, 10, 0.9), (200, 60, 0.9)])
def test_many_unseen_close_ups(first: int, n: int, least_measured: float) -> None:
    check(scores(range(JUDGING_FROM + first, JUDGING_FROM + first + n)), least_measured)


def test_a_seam_down_the_side_is_seen_more_obliquely(monkeypatch) -> None:
    """As obliquely as at first hardly any of it is seen; how curved the cap is then counts more."""
    close_up = take(sample(700_084))
    score = score_taken(close_up)
    assert isinstance(score, Score)
    assert abs(score.mean_error_rel) < 0.05
    assert abs(score.mean_in_U95) < 1
    monkeypatch.setattr(close_up_check, "OBLIQUE_DEG", close_up_check.OBLIQUE_DEG[:1])
    assert score_taken(close_up) == "seam-missing"


def test_a_seam_in_full_view_is_not_looked_for_farther_down(monkeypatch) -> None:
    photo = load_photo(FOLDER / "running_gap.jpg")
    whole = measure_stitches(photo, REQUEST).sewn
    monkeypatch.setattr(close_up_check, "OBLIQUE_DEG", close_up_check.OBLIQUE_DEG[:1])
    assert measure_stitches(photo, REQUEST).sewn == whole


@pytest.mark.parametrize("name", sorted(p.stem for p in FOLDER.glob("*.json")))
def test_shipped_close_ups(name: str) -> None:
    truth = json.loads((FOLDER / f"{name}.json").read_text())
    score = score_close_up(measure_stitches(load_photo(FOLDER / f"{name}.jpg"), REQUEST), truth)
    assert score.hit == score.eligible
    assert score.false == 0
    assert abs(score.mean_error_rel) < 0.05


@pytest.mark.parametrize("name", ["running_gap", "whip"])
def test_a_close_up_that_names_no_lens_may_be_zoomed(name: str, tmp_path) -> None:
    """Both were taken at twice the zoom, as the README has it; sent on, or saved as PNG, a photo names no lens."""
    without = tmp_path / "without.jpg"
    Image.open(FOLDER / f"{name}.jpg").save(without, quality=95)
    photo = load_photo(without)
    assert photo.focal_35mm is None
    score = score_close_up(measure_stitches(photo, REQUEST), json.loads((FOLDER / f"{name}.json").read_text()))
    assert abs(score.mean_error_rel) < 0.05
    assert abs(score.mean_in_U95) < 1
    assert sum(abs(error) > U95 for error, U95 in score.spacings) == 0


# ----------------------------------------------------------------------------- named failures


@pytest.mark.parametrize(
    ("kind", "codes"),
    [
        ("no-card", {"card-missing"}),
        ("blurred", {"too-blurred"}),  # the same cap
        ("large-card", {"wrong-card"}),
        ("far", {"too-far"}),  # the same cap
        ("no-seam", {"seam-missing"}),
        ("card-away", {"card-slanted"}),
    ],
)
def test_named_failures(kind: str, codes: set[str]) -> None:
    seed = JUDGING_FROM + 40
    with pytest.raises(RetakeNeeded) as refused:
        measured(seed, kind)
    assert refused.value.problem.code in codes
    assert refused.value.problem.message.endswith(".")


@pytest.mark.parametrize(
    ("change", "code"), [(lambda g: vision.gaussian_blur(g, 40), "too-blurred"), (lambda g: g + 255, "too-bright")]
)
def test_light_and_focus_are_said_of_the_stitches(change, code: str) -> None:
    """A close-up shows no block to tap on, nor to lay the card beside."""
    photo = load_photo(FOLDER / "whip.jpg")
    gray = np.clip(change(photo.gray.astype(np.float32)), 0, 255).astype(np.uint8)
    with pytest.raises(RetakeNeeded) as refused:
        measure_stitches(replace(photo, gray=gray), REQUEST)
    assert refused.value.problem.code == code
    assert "block" not in refused.value.problem.message
    assert "the stitches" in refused.value.problem.message


def seen_card() -> tuple[CardSighting, Camera]:
    """The small card as GROUND's camera sees it, and that camera."""
    points = SMALL_CARD.corners_mm - SMALL_CARD.middle_mm
    cam = np.c_[points, np.zeros(len(points))] @ GROUND.rotation.T + GROUND.translation
    corners = distort(cam[:, :2] / cam[:, 2:], GROUND.k1) * GROUND.f_px + GROUND.centre_px
    ids = np.arange(len(points))
    u_px, outline = np.full(len(points), 0.03), np.zeros((4, 2))
    card = CardSighting(corners, ids, SMALL_CARD.corners_mm, np.eye(3), 0.03, 17, 12.0, outline, u_px, 0.8, 20.0, 230.0)
    return card, replace(camera_for(1600, 1200, None), f_px=GROUND.f_px, k1=GROUND.k1)


def row_of(along_mm: list[float], heights: list[float], faint: dict[float, float] | None = None) -> Row:
    """Stitches along a line 30 mm beside the card's middle, and faint peaks by where they lie."""
    feet, doubtful = (np.array([[x, 30.0] for x in some]).reshape(-1, 2) for some in (along_mm, faint or {}))
    u_place = np.full(len(feet), U_PLACE_MM)
    faint_heights = np.array(list((faint or {}).values()))
    return Row(feet, feet, feet, np.array(heights), u_place, doubtful, faint_heights, 0.9, 80.0)


def test_every_doubt_of_a_spacing_has_its_line_in_the_budget() -> None:
    card, camera = seen_card()
    spacing = measure_spacing(row_of([-21.0, -14, -7, 0, 7, 14, 21], [0.9] * 7), GROUND, card, camera, None)
    assert spacing.mm == pytest.approx(np.full(6, spacing.mean.value), rel=0.03)
    sources = {line.source for line in spacing.mean.budget}
    assert sources == {
        "how curved the cap is",
        "card's height above the lace",
        "card not flat with the seam, along it",
        "card not flat with the seam, across it",
        "focal length",
        "lens distortion",
        "the card's printed size",
        "the card's corners",
        "where each stitch is",
        "stitches missed or too many",
    }
    parts = {line.source: line.u for line in spacing.mean.budget}
    assert parts["the card's printed size"] == pytest.approx(0.004 * spacing.mean.value, rel=1e-6)
    assert parts["lens distortion"] > 0
    assert parts["focal length"] > 0.01
    # the mean is the way from the first stitch to the last by their six spacings: only these two count
    assert parts["where each stitch is"] == pytest.approx(np.sqrt(2) * U_PLACE_MM / 6)
    assert np.sqrt(sum(u**2 for u in parts.values())) == pytest.approx(spacing.mean.u)


def test_measured_bars_make_the_cards_size_as_sure_as_their_mean() -> None:
    """Two bars of 50 mm, each read to U_BAR_MM; the mean of two is surer by the root of two (GUM 4.2.3)."""
    card, camera = seen_card()
    spacing = measure_spacing(row_of([-21.0, -14, -7, 0, 7, 14, 21], [0.9] * 7), GROUND, card, camera, (50.0, 50.0))
    parts = {line.source: line.u for line in spacing.mean.budget}
    assert parts["the card's printed size"] == pytest.approx(U_BAR_MM / 50 / np.sqrt(2) * spacing.mean.value, rel=1e-6)


def test_a_row_is_the_same_from_whichever_end_it_was_found() -> None:
    card, camera = seen_card()
    along, heights = [-21.0, -15, -8, 0, 6, 14, 21], [0.9, 0.8, 0.35, 0.9, 0.9, 0.4, 0.9]
    there, back = (
        measure_spacing(row_of(along[::step], heights[::step], {3.0: 0.33}), GROUND, card, camera, None)
        for step in (1, -1)
    )
    for of_each in ("px", "along_mm", "certainty", "mm", "u_mm", "doubt"):
        assert getattr(back, of_each) == pytest.approx(getattr(there, of_each)), of_each
    assert np.argmin(there.certainty) == 2


def test_a_count_in_doubt_widens_the_mean_and_a_faint_peak_its_gap() -> None:
    """Every stitch is there or not: variance p (1 - p) of the count, of which one is a sixth of the mean (binomial)."""
    card, camera = seen_card()
    at, half = [-21.0, -14, -7, 0, 7, 14, 21], 0.5  # a peak so high is a stitch in one of two cases
    assert certainty_of(np.array([half]))[0] == pytest.approx(0.5)
    sure, unsure, faint = (
        measure_spacing(row_of(at, heights, peaks), GROUND, card, camera, None)
        for heights, peaks in (([0.9] * 7, None), ([half] * 7, None), ([0.9] * 7, {3.5: half}))
    )
    assert unsure.u_count == pytest.approx(np.sqrt(7 * 0.25))
    missed = {line.source: line.u for line in unsure.mean.budget}["stitches missed or too many"]
    assert missed == pytest.approx(unsure.mean.value * unsure.u_count / 6)
    q = faint.doubt[3]
    assert q == pytest.approx(0.5, abs=0.02)
    assert np.delete(faint.doubt, 3) == pytest.approx(np.zeros(5))
    faintest = measure_spacing(row_of(at, [0.9] * 7, {3.5: DOUBTFUL}), GROUND, card, camera, None)
    assert faintest.doubt == pytest.approx(np.zeros(6))  # as faint as bare lace
    # half as wide with probability q, beside what else is unsure
    assert faint.u_mm[3] ** 2 - sure.u_mm[3] ** 2 == pytest.approx(q * (1 - q) * (faint.mm[3] / 2) ** 2)
    assert np.delete(faint.u_mm, 3) == pytest.approx(np.delete(sure.u_mm, 3))


@given(st.lists(st.floats(11.0, 30.0), min_size=1, max_size=8), st.floats(0.3, 0.9))
def test_peaks_are_found_where_they_were_put(gaps: list[float], height: float) -> None:
    """Bells of 1.5 cells about places between the cells: to a tenth of a cell, none left out and none made up."""
    places = 12.0 + np.cumsum(gaps) - gaps[0]
    heat = height * np.exp(-(((np.arange(round(places[-1]) + 12) - places[:, None]) / 1.5) ** 2)).sum(0)
    along, heights = find_peaks(heat)
    assert along == pytest.approx(places, abs=0.1)
    assert heights == pytest.approx(np.full(len(along), height), rel=0.15)


@pytest.mark.parametrize(("first", "second", "kept"), [(0.8, 0.6, 20), (0.6, 0.8, 23)])
def test_of_two_peaks_that_are_one_stitch_the_higher_is_kept(first: float, second: float, kept: int) -> None:
    heat = np.zeros(60)
    heat[[20, 23, 45]] = first, second, 0.5  # 3 cells are a millimetre
    along, heights = find_peaks(heat)
    assert heights.tolist() == [0.8, 0.5]
    assert along == pytest.approx([kept, 45])


def test_a_weak_peak_out_of_the_rhythm_is_doubted_and_one_that_fills_a_gap_is_not() -> None:
    along = np.array([0.0, 5, 10, 12.4, 15, 20, 25, 30, 35])
    weak = np.where(np.arange(9) == 3, 0.5, 0.9)
    assert in_rhythm(along, weak).tolist() == [i != 3 for i in range(9)]
    assert in_rhythm(along, np.full(9, 0.9)).all()  # what is plain is no hair
    even = np.arange(9) * 5.0
    assert in_rhythm(even, weak).all()
    assert not in_rhythm(even, np.where(np.arange(9) == 4, 0.3, 0.9))[4]


def test_a_row_begins_and_ends_with_stitches_that_are_plain() -> None:
    """Nothing beyond an end tells the rhythm: a hair beside the row's last stitch would be a gap."""
    even = np.arange(9) * 5.0
    assert in_rhythm(even, np.where(np.arange(9) >= 7, 0.6, 0.9)).tolist() == [True] * 7 + [False] * 2
    assert in_rhythm(even, np.full(9, 0.6)).sum() == 4  # where all are faint, the fewest that are a row


def bell(at_mm: float, cells: int = 120) -> np.ndarray:
    """The peak of one stitch, as the network was taught to give it."""
    return np.exp(-(((np.arange(cells) * CELL_MM - at_mm) / 0.45) ** 2) / 2)


@pytest.mark.parametrize(
    ("apart", "after", "parted"),
    [
        (1.0, 22.0, True),
        (0.0, 22.0, False),  # one stitch with as much room
        (1.0, 20.0, False),  # as broad, without room for two
        (1.0, 26.0, False),  # beside a gap
    ],
)
def test_a_peak_as_broad_as_two_with_room_for_two_is_two_stitches(apart: float, after: float, parted: bool) -> None:
    middle = (10.0 + after) / 2
    plain = [5.0, 10.0, after, after + 5.0, after + 10.0]
    pair = bell(middle - apart / 2) + bell(middle + apart / 2)
    heat = 0.9 * np.sum([bell(x) for x in plain], axis=0) + 0.8 * pair / pair.max()
    at = np.array([5.0, 10.0, middle, *plain[2:]]) / CELL_MM
    heights = np.array([0.9, 0.9, 0.8, 0.9, 0.9, 0.9])
    along, high, sure, which = part_touching(heat, at, heights, np.full(6, True))
    assert which.tolist() == ([False, False, True, True, False, False, False] if parted else [False] * 6)
    assert sure.all()
    if parted:
        assert along[2:4] * CELL_MM == pytest.approx([middle - apart / 2, middle + apart / 2], abs=0.25)
        assert 0.8 < certainty_of(high)[3] < 0.9


@pytest.mark.parametrize("seed", [12_410_069, 12_410_463])
def test_two_stitches_that_touch_are_two(seed: int) -> None:
    """Read as one, the row has a stitch fewer and its mean is 9 or 11 % off."""
    score = score_taken(take(sample(seed)))
    assert isinstance(score, Score)
    assert score.hit == score.eligible
    assert score.false == 0
    assert abs(score.mean_error_rel) < 0.05
    assert abs(score.mean_in_U95) < 1
    assert all(abs(error) <= U95 for error, U95 in score.spacings)


def test_a_stitch_that_may_be_cut_off_at_the_end_of_what_is_seen_is_not_counted() -> None:
    columns, along = np.arange(0.0, 60.0, 0.5), np.array([10.5, 15.0, 20.0, 25.0, 30.0, 38.9])
    seen = (columns > 10.0) & (columns < 40.0)  # and 0.75 mm more to either side, as far as a column reaches
    assert may_be_whole(along, np.full(6, True), seen, columns).tolist() == [False, True, True, True, True, False]


def test_a_row_is_counted_from_the_end_it_says_also_where_it_slants() -> None:
    """Rows of six stitches all round, whose middles do not lie on the seam but cross it at an angle of 2 degrees."""
    card, camera = seen_card()
    along = np.linspace(-20.0, 20.0, 6)[:, None]
    slanted = 0
    for angle in np.radians(np.arange(0.0, 360.0, 0.5)):
        way, aside = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
        feet = along * way + [0.0, 30.0]
        marks = feet + np.tan(np.radians(2.0)) * along * aside
        first = to_px(GROUND, feet)
        if abs(np.ptp(first[:, 0]) - np.ptp(first[:, 1])) > 0.08 * np.ptp(first[:, 0]):
            continue
        slanted += 1
        row = Row(feet, feet, marks, np.full(6, 0.9), np.full(6, 0.14), np.zeros((0, 2)), np.zeros(0), 0.9, 40.0)
        spacing = measure_spacing(row, GROUND, card, camera, None)
        k = 0 if close_up_check._sewn(spacing, first, DEFAULTS).begin == "left" else 1
        assert spacing.px[0, k] < spacing.px[-1, k]
    assert slanted > 20


# ----------------------------------------------------------------------------- words, limits, command


@given(st.integers(1, 500))
def test_ordinals(n: int) -> None:
    ending = ordinal(n).removeprefix(str(n))
    if n % 100 in (11, 12, 13):
        assert ending == "th"
    else:
        assert ending == {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")


@given(st.floats(10.1, 200), st.floats(4, 10))
def test_new_stitches_leave_no_gap_over_the_limit(mm: float, most: float) -> None:
    more = needed_between(mm, most)
    assert mm / (more + 1) <= most
    assert more == 1 or mm / more > 0.9 * most  # and no more of them than that takes


def judged_of(spacings: list[float], limits=DEFAULTS, u: float = 0.25, u_mean: float = 0.1):
    """A row of such spacings, each known to `u`, as the answer has it: extremes, kinds and states as the program's."""
    n = len(spacings) + 1
    mm = np.array(spacings)
    estimates = {MEAN: Estimate(float(mm.mean()), u_mean, (Contribution("x", u_mean),))}
    for name, sign in ((SMALLEST, -1), (LARGEST, 1)):
        _, value, more = extreme_of(mm, sign)
        estimates[name] = Estimate(value, float(np.hypot(u, more)), (Contribution("x", u), Contribution("y", more)))
    rhythm = ["wide" if x > 1.6 * np.median(mm) else "crowded" if x < 0.5 * np.median(mm) else "even" for x in spacings]
    judged = judge(Measured(estimates, stage="stitches"), limits)
    sewn = Sewn(
        px=tuple((60.0 * i + 20, 300.0) for i in range(n)),
        along_mm=tuple(np.concatenate([[0], np.cumsum(spacings)]).tolist()),
        certainty=(1.0,) * n,
        spacing_mm=tuple(spacings),
        U95_mm=(2 * u,) * (n - 1),
        kinds=kinds_of(spacings, (2 * u,) * (n - 1), rhythm, judged[LARGEST], judged[SMALLEST], limits.guard_factor),
        begin="left",
        u_count=0.1,
    )
    return Measured(estimates, stage="stitches", sewn=sewn), judged


def test_a_gap_is_told_by_its_place_and_mended_by_one_stitch() -> None:
    result, judged = judged_of([6.0, 6.2, 5.8, 6.1, 6.0, 5.9, 12.4, 6.0])
    fixes = stitch_fixes(result, judged)
    assert fixes[0] == "Between the 7th and 8th stitch from the left, 12.4 ± 0.5 mm: one more stitch there."
    assert "needle" in fixes[-1]
    assert len(fixes) == 2


def test_crowding_is_told() -> None:
    result, judged = judged_of([6.0, 6.2, 1.0, 6.1])
    (first, *_) = stitch_fixes(result, judged)
    assert first.startswith("Between the 3rd and 4th stitch from the left, 1.0 ± 0.5 mm: take one of the two out")


@pytest.mark.parametrize(
    ("spacings", "own", "told"),
    [
        # taken out, the third leaves 10.2 mm and the fourth 5.4
        ([9.0, 9.2, 1.0, 4.4, 9.0], [2, 10], "1.0 ± 0.5 mm: take the 4th out, so near together they tear the lace."),
        # either leaves more than 10 mm; between the third and the fifth there are 10.6
        (
            [9.0, 9.4, 1.0, 9.6, 9.0],
            [2, 10],
            "1.0 ± 0.5 mm: take the 4th out and sew it anew in the middle between the 3rd and the 5th.",
        ),
        # a stitch between would stand 5.6 mm from both; the 4th to the 6th are 18 mm apart
        (
            [7.5, 7.5, 7.5, 11.2, 6.8, 7.5],
            [6, 10],
            "11.2 ± 0.5 mm: take the 5th out and sew it anew in the middle between the 4th and the 6th.",
        ),
        ([9.5, 9.6, 1.0, 9.6, 9.5], [8, 10], "1.0 ± 0.5 mm: sew that stretch anew, 9.0 mm from stitch to stitch."),
    ],
)
def test_mending_a_spacing_does_not_break_the_other_limit(spacings, own, told) -> None:
    result, judged = judged_of(spacings, tolerances_from({"tolerances": {"stitch_spacing_mm": own}}))
    (fix, _) = stitch_fixes(result, judged)
    assert fix.endswith(told)


def test_a_row_too_wide_throughout_is_one_piece_of_advice() -> None:
    result, judged = judged_of([12.0, 12.5, 11.8, 12.2])
    row, caution = stitch_fixes(result, judged)
    assert "second row" in row
    assert "needle" in caution


@pytest.mark.parametrize(
    ("spacings", "own", "words"),
    [
        (
            [1.75] * 12,
            {},
            "too close, 1.8 ± 0.1 mm from stitch to stitch where 2 mm is the least: take out every second",
        ),
        ([10.3] * 12, {}, "too wide, 10.3 ± 0.1 mm from stitch to stitch where 10 mm is the most: sew a second row"),
        ([3.7] * 12, {"stitch_spacing_mm": [4, 6]}, "sew it anew, 5.0 mm from stitch to stitch"),
        ([6.3] * 12, {"stitch_spacing_mm": [4, 6]}, "sew it anew, 5.0 mm from stitch to stitch"),
        (
            [4.0] * 12,
            {"stitch_spacing_largest_mm": [5, 10]},
            "4.0 ± 0.1 mm from stitch to stitch where 5 mm is the least",
        ),
        (
            [8.0] * 12,
            {"stitch_spacing_smallest_mm": [2, 7]},
            "8.0 ± 0.1 mm from stitch to stitch where 7 mm is the most",
        ),
    ],
)
def test_a_fix_of_the_whole_row_is_never_without_advice(spacings, own, words) -> None:
    """The mean of many is better known than any one of them, so it may be proven out with no single spacing proven."""
    result, judged = judged_of(spacings, tolerances_from({"tolerances": own}), u_mean=0.05)
    assert verdict_of(judged, STAGE_MEASURES["stitches"]) == "fix"
    row, caution = stitch_fixes(result, judged)
    assert words in row
    assert "needle" in caution


def test_a_gap_in_a_row_too_close_is_still_told() -> None:
    result, judged = judged_of([1.2] * 30 + [14.0] + [1.2] * 10, u_mean=0.05)
    row, gap, _ = stitch_fixes(result, judged)
    assert "every second stitch" in row
    assert gap == "Between the 31st and 32nd stitch from the left, 14.0 ± 0.5 mm: one more stitch there."


@pytest.mark.parametrize(
    ("spacings", "kind", "at"),
    [
        ([6.0, 6.1, 12.4, 6.0], "over", {2}),
        ([6.0, 6.1, 10.2, 6.0], "unsure", {2}),
        ([6.0, 6.1, 9.9, 6.0], "unsure", {2}),
        ([6.0, 6.1, 1.0, 6.0], "under", {2}),
        ([6.0, 6.1, 1.9, 6.0], "unsure", {2}),
        ([6.0, 6.1, 2.8, 6.0], "crowded", {2}),
        ([5.0, 5.1, 9.0, 5.0], "wide", {2}),
        ([1.2] * 12, "under", set(range(12))),
    ],
)
def test_picture_and_words_say_the_same_of_every_spacing(spacings, kind, at) -> None:
    """What is drawn as out is advised on, what is drawn as unsure is not; what the answer leaves unsure is drawn so."""
    result, judged = judged_of(spacings)
    assert {k for k, found in enumerate(result.sewn.kinds) if found == kind} == at
    answer = Answer(verdict_of(judged, STAGE_MEASURES["stitches"]), result, judged, (), stitch_fixes(result, judged), 0)
    tags = []

    class Heard(Layer):
        def tag(self, anchor, away, lines, state):
            tags.extend((line, state) for line in lines)
            super().tag(anchor, away, lines, state)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("placecheck.stitches.picture.Layer", Heard)
        draw_close_up(np.full((600, 900, 3), 90, np.uint8), answer, result.sewn)
    drawn = {state for _, state in tags}
    assert ("out" in drawn) == any(" mm: " in fix or "whole row" in fix for fix in answer.fixes)
    assert ("unsure" in drawn) == bool(stitch_undecided(result, judged))
    k = min(at)
    assert (f"{spacings[k]:.1f} mm, {KIND_WORDS[kind]}", KIND_STATE.get(kind)) in tags


@pytest.mark.parametrize("n", [8, 12, 25, 50])
@pytest.mark.parametrize("spread", [0.0, 0.1, 0.3, 0.6, 1.0])
def test_the_extremes_of_a_row_are_covered_and_not_called_out_by_chance(n: int, spread: float) -> None:
    """Rows whose true spacings are known, every foot read with U_PLACE_MM: U95 covers the truly largest and smallest.

    The rows lie as high below the limit of 10 mm as their spread lets them, even ones at 9.9 mm: so near it the reading
    that came out largest lies beyond it in most rows, without one true spacing there.
    """
    rng = np.random.default_rng(n)
    rows, covered, called = 1500, 0, 0
    for _ in range(rows):
        true = rng.normal(0, spread, n)
        true += 9.9 - true.max()
        seen = true + np.diff(rng.normal(0, U_PLACE_MM, n + 1))
        for sign in (1, -1):
            _, value, more = extreme_of(seen, sign)
            u = float(np.hypot(U_ENDS_MM, more))
            covered += abs(value - sign * (sign * true).max()) <= COVERAGE_FACTOR * u
            called += sign > 0 and state_of(value, u, 2.0, 10.0, DEFAULTS.guard_factor) == "out"
    assert covered / (2 * rows) >= 0.93
    assert called / rows <= 0.05


def test_two_that_contend_are_corrected_as_sidaks_table_says() -> None:
    """z(0.95) = 1.6449 and z(0.95^(1/2)) = 1.9545, which Sidak's one-sided tables give for two at 5 % (from memory)."""
    back, u = (1.9545 - 1.6449) / 2 * U_ENDS_MM, (1.9545 + 1.6449) / (2 * 1.6449) * U_ENDS_MM
    for sign in (1, -1):
        for away, contends in ((0.0, True), (3.9, True), (4.1, False)):
            spacings = np.array([5.0] * 20 + [5.0 + 2.0 * sign, 5.0 + sign * (2.0 - away * U_ENDS_MM)])
            k, value, more = extreme_of(spacings, sign)
            assert k == 20
            assert sign * (spacings[20] - value) == pytest.approx(back if contends else 0.0, abs=1e-4)
            assert np.hypot(U_ENDS_MM, more) == pytest.approx(u if contends else U_ENDS_MM, abs=1e-4)


@pytest.mark.parametrize(
    ("times", "wide", "crowded"), [(1.7, True, False), (1.5, False, False), (0.55, False, False), (0.45, False, True)]
)
def test_what_falls_out_of_the_rows_rhythm(times: float, wide: bool, crowded: bool) -> None:
    card, camera = seen_card()
    along = np.cumsum([-21.0, 6.0, 6.0, 6.0, 6.0 * times, 6.0, 6.0]).tolist()
    spacing = measure_spacing(row_of(along, [0.9] * 7), GROUND, card, camera, None)
    assert spacing.wide.tolist() == [k == 3 and wide for k in range(6)]
    assert spacing.crowded.tolist() == [k == 3 and crowded for k in range(6)]
    odd = spacing.largest if times > 1 else spacing.smallest
    assert odd.value == pytest.approx(spacing.mm[3])
    assert spacing.smallest.value < spacing.mean.value < spacing.largest.value


def test_a_lone_gap_is_as_sure_as_any_spacing() -> None:
    assert extreme_of(np.array([5.0] * 20 + [7.0]), 1) == (20, 7.0, 0.0)
    assert extreme_of(np.array([5.0] * 20), 1)[1] == 5.0  # never beyond the row's own mean


def test_uneven_but_within_the_limit_is_a_remark() -> None:
    result, judged = judged_of([4.0, 4.1, 8.0, 4.0, 4.0])
    assert judged[LARGEST].state == "in"
    assert not stitch_fixes(result, judged)
    (remark,) = remarks(result.sewn)
    assert "between the 3rd and 4th stitch from the left, 8.0 ± 0.5 mm" in remark.message


def test_near_the_limit_is_undecided() -> None:
    result, judged = judged_of([6.0, 6.1, 9.9, 6.0])
    assert judged[LARGEST].state == "unsure"
    (problem,) = stitch_undecided(result, judged)
    assert problem.code == "stitches-undecided"
    assert "between the 3rd and 4th stitch from the left (9.9 ± 0.5 mm)" in problem.message


@pytest.mark.parametrize(("mm", "word", "other"), [(10.0, "gap", "crowding"), (2.0, "crowding", "gap")])
def test_a_row_near_a_limit_throughout_is_not_told_as_its_opposite(mm: float, word: str, other: str) -> None:
    measured, judged = judged_of([mm + d for d in (0.1, -0.1, 0.0, 0.05, -0.05)])
    assert {judged[SMALLEST].state, judged[LARGEST].state} == {"unsure"}
    (problem,) = stitch_undecided(measured, judged)
    assert problem.message.count(f"the {word} between") == 2
    assert other not in problem.message


def test_the_shops_own_limit() -> None:
    """Default: at most a T-pin's head, 10 mm (common practice, no published source)."""
    assert DEFAULTS.limits_of(LARGEST)[1] == 10.0
    own = tolerances_from({"tolerances": {"stitch_spacing_mm": [3, 7]}})
    assert [own.limits_of(name) for name in (MEAN, SMALLEST, LARGEST)] == [(3.0, 7.0)] * 3
    _, judged = judged_of([6.0, 6.1, 8.2, 6.0], own)
    assert judged[LARGEST].state == "out"


def test_command(tmp_path, monkeypatch, capfd) -> None:
    """The shipped close-up by the command line, with its picture and its record, and without closure or block."""
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))
    photo = sorted(FOLDER.glob("*.jpg"))[0]
    picture = tmp_path / "picture.png"
    arguments = ["check", str(photo), "--stage", "stitches", "--json", "--overlay", str(picture), "--order", "17"]
    status = run(arguments)
    answer = json.loads(capfd.readouterr().out)
    run([*arguments[:4], "--no-save"])
    length_mm = answer["stitches"][-1]["along_mm"]  # what lies beyond was not looked at
    assert f"{len(answer['stitches'])} stitches, along {length_mm:.0f} mm" in capfd.readouterr().out
    assert status == {"pass": 0, "fix": 1, "retake": 3}[answer["verdict"]]
    assert answer["schema"] == 1
    assert answer["stage"] == "stitches"
    assert set(answer["measures"]) == {MEAN, SMALLEST, LARGEST}
    for entry in answer["measures"].values():
        assert entry["unit"] == "mm"
        assert entry["U95"] > 0
        assert entry["state"] in ("in", "out", "unsure")
    assert len(answer["spacings"]) == len(answer["stitches"]) - 1
    drawn = cv2.imread(str(picture))
    assert max(drawn.shape[:2]) >= 1600
    from placecheck.records.store import open_store

    with open_store(tmp_path / "home") as store:
        (kept,) = store.find()
        assert kept.stage == "stitches"
        assert kept.order_ref == "0017"
        assert kept.readings[MEAN].value == answer["measures"][MEAN]["value"]


def test_measured_bars_of_the_small_card_correct_the_scale(tmp_path, monkeypatch, capfd) -> None:
    """A card printed 2 % too large: lengths come out some 2 % short until its 51 mm bars are entered, then as by a true

    card. On a curved cap it is a little more than 2 %: what lies farther off also lies more obliquely. Compared over
    the stitches that both answers show: by another scale another stretch of the seam is seen straight enough.
    """
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))

    def checked(photo: Path) -> dict[str, Any]:
        run(["check", str(photo), "--stage", "stitches", "--json", "--no-save"])
        return json.loads(capfd.readouterr().out)

    means, ratios = [], []
    for seed in TRUE_AND_LARGE:
        true, large = tmp_path / f"{seed}.jpg", tmp_path / f"{seed}-large.jpg"
        for path, photo in zip((true, large), true_and_large(seed), strict=True):
            path.write_bytes(photo.jpeg)
        assert run(["card-bars", "--small", "--forget"]) == 0
        assert run(["card-bars", "100x100", "--replace"]) == 0  # the scale card's, which say nothing here
        capfd.readouterr()
        by_true, uncorrected = checked(true), checked(large)
        assert run(["card-bars", "--small", "51x51"]) == 0
        capfd.readouterr()
        corrected = checked(large)
        if any(answer["measures"][MEAN] is None for answer in (by_true, uncorrected, corrected)):
            continue  # refused, with or without its card printed too large
        means.append([answer["measures"][MEAN]["value"] for answer in (by_true, corrected)])
        px, along = (
            [np.array([s[what] for s in answer["stitches"]]) for answer in (uncorrected, corrected)]
            for what in ("px", "along_mm")
        )
        common = np.nonzero(np.linalg.norm(px[0][:, None] - px[1], axis=-1) < 3.0)
        short, right = (mm[i[-1]] - mm[i[0]] for mm, i in zip(along, common, strict=True))
        ratios.append(right / short)
    print(means, ratios)
    assert len(means) >= 3
    assert np.median(ratios) == pytest.approx(1.02, abs=0.006)
    by_true, corrected = np.array(means).T
    assert corrected == pytest.approx(by_true, rel=0.003)
