"""What the picture of a refused photo shows: what was taken for what, as a guess, and never more than was seen."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from placecheck.colours import Colours
from placecheck.guesses import as_shown, best_guess
from placecheck.one_photo import check_file
from placecheck.page.checking import Checker
from placecheck.photo import load_photo
from placecheck.request import CheckRequest
from placecheck.units import ClosureSize, parse_closure

PHOTOS = Path(__file__).parents[1] / "fixtures" / "photos"
DEMO = CheckRequest(parse_closure("4x4"), 23 * 25.4)
NAMED_WRONGLY = replace(DEMO, closure=parse_closure("6x6"))


def test_a_closure_of_another_size_is_shown_where_it_lies(tmp_path):
    """The first look's corners and fold within 4 mm (12 px) of the drawn truth; none of it in the answer."""
    answer = check_file(PHOTOS / "demo.jpg", NAMED_WRONGLY, tmp_path / "guess.jpg").answer
    assert [p.code for p in answer.problems] == ["closure-size"]
    assert answer.as_json()["landmarks_px"] == {}
    assert (tmp_path / "guess.jpg").stat().st_size > 20_000
    shown = as_shown(load_photo(PHOTOS / "demo.jpg"), answer, NAMED_WRONGLY).measured.findings
    assert shown.guesses == {*shown.lines_px, *shown.landmarks_px}
    assert {"outline", "cap_rim", "centre_line", "hairline", "fold", "rectangle"} <= set(shown.lines_px)
    marks = json.loads((PHOTOS / "demo.json").read_text())["landmarks"]
    truth = {"fold_front": marks["fold_front"]["px"], "fold_back": marks["fold_back"]["px"]}
    for name, px in truth.items():
        assert np.hypot(*np.subtract(shown.landmarks_px[name], px)) < 12, name


def test_what_is_not_there_is_not_guessed():
    """A cap alone has no closure's lines, a photo without a card nothing at all."""
    cap = load_photo(PHOTOS / "job_cap.jpg")
    assert set(best_guess(cap, replace(DEMO, block_circumference_mm=20.25 * 25.4), None).lines_px) == {
        "outline",
        "cap_rim",
        "centre_line",
    }
    blank = replace(cap, gray=np.full_like(cap.gray, 128), colours=Colours(np.full_like(cap.colours.pixels, 128)))
    assert best_guess(blank, DEMO, None).lines_px == {}


@pytest.mark.parametrize(("closure", "guessed"), [(NAMED_WRONGLY.closure, True), (ClosureSize(4e3, 4e3, "4 m"), False)])
def test_the_page_has_a_picture_of_a_refused_photo(closure, guessed):
    """Where it was refused for what it shows; not where the request itself makes no sense."""
    outcome = Checker().check(PHOTOS / "demo.jpg", replace(DEMO, closure=closure))
    assert outcome.measured is None
    assert outcome.failure is not None
    assert bool(outcome.overlay) is guessed
    assert outcome.view
