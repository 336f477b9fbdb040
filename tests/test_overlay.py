"""The overlay: right crop, lines where they belong, states told without colour, guesses marked, legible contrast."""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from PIL import Image

from placecheck.answer import JUDGED, Answer, Estimate, Findings, Measured, Pull
from placecheck.drawing import BORDERS, LONG_SIDE_PX, STATE_COLOUR, Layer, dash_pieces, save_picture
from placecheck.errors import Problem, RetakeNeeded, UnusableFile, UsageProblem
from placecheck.find.edge import distances_to_segments
from placecheck.findings import findings_of
from placecheck.judge import failed_answer
from placecheck.measuring import look
from placecheck.one_photo import answer_for, check_photo
from placecheck.overlay import GUESS_DASHES, LINES, crop_box, draw_overlay
from placecheck.photo import load_photo
from placecheck.printout import STATE_WORDS
from placecheck.request import CheckRequest
from placecheck.taped import PLACES
from placecheck.units import parse_closure

PHOTOS = Path(__file__).parents[1] / "fixtures" / "photos"
WIDTH, HEIGHT = 900, 700
REQUEST = CheckRequest(parse_closure("5x5"), 571.5)


def findings(**changes) -> Findings:
    t = np.linspace(0, 2 * np.pi, 60)
    outline = np.stack([450 + 220 * np.cos(t), 350 + 260 * np.sin(t)], axis=1)
    marks = {
        "fold_front": (452.0, 520.0),
        "fold_back": (448.0, 250.0),
        "front_left": (580.0, 500.0),
        "front_right": (322.0, 500.0),
        "back_left": (575.0, 255.0),
        "back_right": (325.0, 255.0),
    }
    lines = {
        "outline": outline,
        "cap_rim": np.array([[260.0, 430], [450, 480], [640, 430]]),
        "centre_line": np.array([[450.0, 100], [450, 540]]),
        "hairline": np.array([[322.0, 500], [452, 520], [580, 500]]),
        "fold": np.array([[448.0, 250], [452, 520]]),
        "rectangle": np.array([marks[n] for n in ("front_left", "front_right", "back_right", "back_left")]),
    }
    values: dict = {"landmarks_px": marks, "lines_px": lines, "scale_bar_px": np.array([[400.0, 300], [500, 300]])}
    return Findings(**(values | changes))


def answer(f: Findings | None = None, **values: float) -> Answer:
    good: Mapping[str, float] = dict.fromkeys(JUDGED, 0.0) | dict.fromkeys([n for n in JUDGED if "clear" in n], 10.0)
    estimates = {n: Estimate(v, 0.3) for n, v in (dict(good) | values).items()}
    return answer_for(Measured(estimates, findings=f or findings()), REQUEST)


def grey(level: int = 128) -> np.ndarray:
    return np.full((HEIGHT, WIDTH, 3), level, np.uint8)


def test_crop_is_the_block_with_a_margin():
    left, top, right, bottom = crop_box(answer(), WIDTH, HEIGHT)
    assert 160 < left < 230
    assert 670 < right < 740
    assert 20 < top < 90
    assert 610 < bottom < 680
    assert crop_box(answer(Findings()), WIDTH, HEIGHT) == (0, 0, WIDTH, HEIGHT)


def test_size_and_panel():
    picture = draw_overlay(grey(), answer())
    left, top, right, bottom = crop_box(answer(), WIDTH, HEIGHT)
    scale = LONG_SIDE_PX / max(right - left, bottom - top)
    assert picture.width == round((right - left) * scale)
    assert picture.height > round((bottom - top) * scale) + 300
    assert picture.mode == "RGB"


def near(picture: np.ndarray, xy: np.ndarray, colour: tuple[int, int, int], reach: int = 2) -> bool:
    x, y = np.round(xy).astype(int)
    patch = picture[y - reach : y + reach + 1, x - reach : x + reach + 1].reshape(-1, 3).astype(int)
    return bool((np.abs(patch - colour).max(axis=1) < 40).any())


def test_lines_lie_where_the_findings_are():
    a = answer()
    left, top, right, bottom = crop_box(a, WIDTH, HEIGHT)
    scale = LONG_SIDE_PX / max(right - left, bottom - top)
    picture = np.asarray(draw_overlay(grey(), a))
    for name, point in [
        ("hairline", (570.0, 501.5)),
        ("cap_rim", (320.0, 445.8)),
        ("rectangle", (578.0, 400.0)),
        ("fold", (449.4, 340.0)),
    ]:
        at = (np.array(point) - [left - 0.5, top - 0.5]) * scale - 0.5
        assert near(picture, at, LINES[name].colour, 5), name


def arrow_towards(pulls: tuple[Pull, ...], at: tuple[float, float], **changes) -> np.ndarray:
    """Where the white that the pulls add near the landmark `at` lies from it, mean of the pixels, in photo px."""
    a = answer(findings(**changes))
    left, top, right, bottom = crop_box(a, WIDTH, HEIGHT)
    scale = LONG_SIDE_PX / max(right - left, bottom - top)
    with pytest.MonkeyPatch.context() as words:  # they make room for the arrow
        words.setattr(Layer, "text", lambda *_, **__: None)
        words.setattr(Layer, "tag", lambda *_: None)
        without, drawn = (np.asarray(draw_overlay(grey(), replace(a, pulls=p))).min(axis=2) for p in ((), pulls))
    y, x = np.nonzero((drawn > 240) & (without[: drawn.shape[0], : drawn.shape[1]] <= 240))
    off = (np.stack([x, y], axis=1) + 0.5) / scale + [left - 0.5, top - 0.5] - at
    near = off[np.linalg.norm(off, axis=1) < 70]
    return near.mean(axis=0) if len(near) > 200 else np.zeros(2)


def test_the_first_move_is_an_arrow_that_points_the_way():
    """In this photo the face is below, so the wearer's right is at the left."""
    at = (452.0, 520.0)
    right = arrow_towards((Pull("fold_front", right_mm=2.0),), at)
    left = arrow_towards((Pull("fold_front", right_mm=-2.0),), at)
    nape = arrow_towards((Pull("fold_front", face_mm=-2.0),), at)
    assert right[0] < -20
    assert abs(right[1]) < 0.6 * abs(right[0])
    assert left[0] > 20
    assert nape[1] < -20
    assert abs(nape[0]) < 0.6 * abs(nape[1])


def test_a_pin_that_stays_is_ringed_and_what_is_not_seen_gets_no_arrow():
    at = (452.0, 520.0)
    assert np.linalg.norm(arrow_towards((Pull("fold_front"),), at)) < 30  # round about it
    few = {"landmarks_px": {"fold_front": at}}
    for pulls in ((Pull("fold_front", right_mm=2.0),), (Pull("back_left", right_mm=2.0),), (Pull("fold_front"),)):
        draw_overlay(grey(), replace(answer(findings(**few)), pulls=pulls))
    assert not arrow_towards((Pull("fold_front", right_mm=2.0),), at, **few).any()


def test_a_caps_edge_is_drawn_down_or_let_up_at_a_temple():
    at = (580.0, 430.0)
    lines = {"temple_left": np.array([at, (590.0, 440.0)])}
    down, up = (arrow_towards((Pull("temple_left", face_mm=mm),), at, lines_px=lines) for mm in (4.0, -4.0))
    assert min(down) > 8
    assert max(up) < -8


def test_every_state_has_its_own_symbol_word_and_border():
    states = ("in", "out", "unsure")
    for kind in (
        [STATE_WORDS[s][0] for s in states],
        [STATE_WORDS[s][2] for s in states],
        [BORDERS[s] for s in states],
    ):
        assert len(set(kind)) == 3
    assert STATE_WORDS[None][2] == "not measured"


def test_lines_differ_without_colour():
    named = [style.name for key, style in LINES.items() if key != "rectangle"]
    assert len(set(named)) == len(named)
    assert all(named)
    assert not LINES["hairline"].dashes
    assert len(LINES["centre_line"].dashes) == 4 != len(GUESS_DASHES)


def luminance(rgb: tuple[int, int, int]) -> float:
    """Relative luminance of WCAG 2.1."""
    c = np.array(rgb) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_contrast_of_colours_on_the_halo():
    # WCAG 2.1 success criterion 1.4.11: 3:1 for graphics; the halo under every line is nearly black
    for colour in [s.colour for s in LINES.values()] + list(STATE_COLOUR.values()):
        assert (luminance(colour) + 0.05) / 0.05 >= 3.0, colour


def test_halo_keeps_lines_visible_on_any_hair():
    for level in (0, 128, 255):
        picture = np.asarray(draw_overlay(grey(level), answer())).astype(int)
        difference = np.abs(picture[: picture.shape[0] // 2] - level).max(axis=2)
        assert (difference > 60).mean() > 0.005, level


def test_guess_is_drawn_unlike_a_finding():
    sure = np.asarray(draw_overlay(grey(), answer()))
    guess = np.asarray(draw_overlay(grey(), answer(findings(guesses=frozenset({"hairline", "front_left"})))))
    assert (sure != guess).any()
    green = np.array(LINES["hairline"].colour)

    def painted(picture: np.ndarray) -> int:
        return int((np.abs(picture.astype(int) - green).max(axis=2) < 25).sum())

    assert painted(guess) < 0.8 * painted(sure)


def test_the_sides_at_a_guessed_corner_are_broken_and_the_others_are_not():
    a = answer(findings(guesses=frozenset({"front_left"})))
    left, top, right, bottom = crop_box(a, WIDTH, HEIGHT)
    scale = LONG_SIDE_PX / max(right - left, bottom - top)
    with pytest.MonkeyPatch.context() as words:
        for name in ("text", "tag", "arrow"):
            words.setattr(Layer, name, lambda *_, **__: None)
        picture = np.asarray(draw_overlay(grey(), a))
    marks = a.measured.findings.landmarks_px

    def share(p: str, q: str) -> float:
        """How much of a side is painted, between its corners' own dots."""
        along = np.linspace(marks[p], marks[q], 200)[30:-30]
        at = (along - [left - 0.5, top - 0.5]) * scale - 0.5
        return float(np.mean([near(picture, xy, LINES["rectangle"].colour, 1) for xy in at]))

    assert share("front_left", "back_left") < 0.75
    assert share("front_right", "back_right") > 0.95
    assert share("back_left", "back_right") > 0.95


def test_a_side_that_the_hairline_does_not_reach_has_its_tag_there_all_the_same(monkeypatch):
    """Seen to the wearer's right alone: the left side's number stands between fold and left corner."""
    anchors = {}
    monkeypatch.setattr(Layer, "tag", lambda _, at, away, lines, state: anchors.update({lines[0]: np.asarray(at)}))
    f = findings()
    half = {**f.lines_px, "hairline": np.array([[322.0, 500], [360, 510], [np.nan, np.nan]])}
    a = answer(findings(lines_px=half))
    left, top, right, bottom = crop_box(a, WIDTH, HEIGHT)
    draw_overlay(grey(), a)
    scale = LONG_SIDE_PX / max(right - left, bottom - top)
    fold, corner = ((np.array(f.landmarks_px[n]) - [left, top]) * scale for n in ("fold_front", "front_left"))
    assert fold[0] + 40 < anchors["hairline left"][0] < corner[0] - 40
    assert np.linalg.norm(anchors["hairline right"] - anchors["hairline left"]) > 200


@pytest.mark.parametrize("unseen", ["front_left", "front_right"])
def test_the_hairline_is_shown_as_it_was_seen_where_one_of_its_corners_was_not(unseen):
    seen, on = look(load_photo(PHOTOS / "demo.jpg"), CheckRequest(parse_closure("4x4"), 584.2))[1:]
    marks = {name: mark for name, mark in seen.observed.marks.items() if name != unseen}
    uv = {name: at for name, at in on.marks_uv.items() if name != unseen}
    both = findings_of(seen.fit.geometry, seen.observed, on).lines_px["hairline"]
    one = findings_of(seen.fit.geometry, replace(seen.observed, marks=marks), replace(on, marks_uv=uv))
    shown = {tuple(px) for px in one.lines_px["hairline"]}
    assert len(both) > 20
    assert shown.issuperset(tuple(px) for px in both)


def test_the_closure_s_back_edge_is_drawn_where_it_lies():
    """Over the fold's back end, and on the photo's truth: straight from corner to corner it would be 10 px off."""
    seen, on = look(load_photo(PHOTOS / "demo.jpg"), CheckRequest(parse_closure("4x4"), 584.2))[1:]
    found = findings_of(seen.fit.geometry, seen.observed, on)
    line = found.lines_px["rectangle"]
    at = [int(np.argmin(np.linalg.norm(line - found.landmarks_px[n], axis=1))) for n in ("back_right", "back_left")]
    back = line[at[0] : at[1] + 1]
    assert len(back) > 15
    true = np.array(json.loads((PHOTOS / "demo.json").read_text())["landmarks"]["ventilated_outline"]["px"])
    assert distances_to_segments(back, true, np.roll(true, -1, axis=0)).min(axis=0).mean() < 6.0
    assert distances_to_segments(np.array([found.landmarks_px["fold_back"]]), line[:-1], line[1:]).min() < 0.5


@given(
    at=st.tuples(st.floats(0, 600), st.floats(0, 400)),
    size=st.tuples(st.floats(20, 400), st.floats(20, 90)),
    angle=st.floats(-4, 4),
    taken=st.lists(st.tuples(st.floats(0, 500), st.floats(0, 350)), max_size=6),
)
@example(at=(20.0, 200.0), size=(380.0, 90.0), angle=3.1, taken=[(60.0, 0.0), (60.0, 120.0), (60.0, 240.0)])
def test_no_text_leaves_the_picture(at, size, angle, taken):
    layer = Layer((600, 400))
    layer.taken = [(x, y, x + 200.0, y + 90.0) for x, y in taken] * 6
    x0, y0, x1, y1 = layer.place(at, size, (np.cos(angle), np.sin(angle)), 46.0)
    assert min(x0, y0) >= 3.9
    assert x1 < 596.1
    assert y1 < 396.1
    assert (x1 - x0, y1 - y0) == pytest.approx(size)


def test_states_change_the_picture():
    pictures = [np.asarray(draw_overlay(grey(), answer(clearance_centre_mm=v))) for v in (10.0, 6.1, 2.0)]
    for a, b in itertools.combinations(pictures, 2):
        assert (a != b).any()


def test_a_failed_photo_still_gets_a_picture_with_its_reason():
    failed = failed_answer(RetakeNeeded("card-missing", "No card was found: lay the printed card beside the block."))
    picture = draw_overlay(grey(), failed)
    scale = LONG_SIDE_PX / WIDTH
    assert picture.width == LONG_SIDE_PX
    panel = np.asarray(picture)[round(HEIGHT * scale) :]
    without = np.asarray(draw_overlay(grey(), Answer("retake", Measured({}), {})))[round(HEIGHT * scale) :]
    assert (panel > 200).sum() > 1.5 * (without > 200).sum()  # the reason is written in the panel


def test_missing_parts_are_no_obstacle():
    for part in (
        Findings(landmarks_px={"fold_front": (450.0, 520.0)}),
        findings(scale_bar_px=None),
        findings(scale_bar_px=np.full((2, 2), np.nan)),
        findings(
            lines_px={"hairline": np.array([[322.0, 500], [np.nan, np.nan], [580, 500]]), "fold": np.empty((0, 2))}
        ),
    ):
        assert draw_overlay(grey(), answer(part)).width > 0
    bare = Answer("retake", Measured({}), {}, (Problem("x", "y" * 300),))
    assert draw_overlay(np.zeros((40, 60, 3), np.uint8), bare).width == LONG_SIDE_PX


@pytest.mark.parametrize(
    ("name", "size", "round_mm", "taped_mm"),
    [("demo", "4x4", 584.2, 9.5), ("steep_bun_2x6", "2x6", 547.5, 0.0), ("steep_parted_5x5", "5x5", 537.4, 0.0)],
)
def test_no_text_covers_another(monkeypatch, name, size, round_mm, taped_mm):
    """On a small closure, and where a tape that contradicts makes the tags wide; a letter covers some 600 px."""
    place, boxes = Layer.place, []

    def kept(*given):
        boxes.append(place(*given))
        return boxes[-1]

    photo = load_photo(PHOTOS / f"{name}.jpg")
    taped = dict.fromkeys(PLACES.values(), taped_mm) if taped_mm else {}
    request = CheckRequest(parse_closure(size), round_mm, taped_mm=taped)
    found = check_photo(photo, request)
    monkeypatch.setattr(Layer, "place", kept)
    draw_overlay(photo.image, found, request.closure.width_mm)
    assert len(boxes) > 12
    a, b = np.array(list(itertools.combinations(boxes, 2))).transpose(1, 0, 2)
    sides = np.minimum(a[:, 2:], b[:, 2:]) - np.maximum(a[:, :2], b[:, :2])
    assert np.prod(np.clip(sides, 0, None), axis=1).max() < 150


@pytest.mark.parametrize(
    ("name", "size", "round_mm"), [("steep_bun_2x6", "2x6", 546.1), ("lean_parted_5x5", "5x5", 603.25)]
)
def test_no_text_stands_under_an_arrow_a_ring_or_a_landmark(monkeypatch, name, size, round_mm):
    """A pin beside the hairline's name, an arrow and a pin beside the fold's."""
    place, ring, arrow, dot = Layer.place, Layer.ring, Layer.arrow, Layer.dot
    texts, marks = [], []

    def placed(*given):
        texts.append(place(*given))
        return texts[-1]

    def kept(draw, reach, points):
        def drawn(layer, *given, **more):
            marks.extend((*(p - reach), *(p + reach)) for p in points(*given))
            return draw(layer, *given, **more)

        return drawn

    photo = load_photo(PHOTOS / f"{name}.jpg")
    request = CheckRequest(parse_closure(size), round_mm)
    found = check_photo(photo, request)
    monkeypatch.setattr(Layer, "place", placed)
    monkeypatch.setattr(Layer, "ring", kept(ring, 15.0, lambda at, *_: [at]))
    monkeypatch.setattr(Layer, "arrow", kept(arrow, 6.0, lambda a, b, *_: list(np.linspace(a, b, 12))))
    monkeypatch.setattr(Layer, "dot", kept(dot, 8.0, lambda at, *_: [np.asarray(at)]))
    draw_overlay(photo.image, found, request.closure.width_mm)
    a, b = np.array(list(itertools.product(texts, marks))).transpose(1, 0, 2)
    sides = np.minimum(a[:, 2:], b[:, 2:]) - np.maximum(a[:, :2], b[:, :2])
    assert np.prod(np.clip(sides, 0, None), axis=1).max() < 60


def test_no_leader_runs_over_another_tag(monkeypatch):
    grounds, pictures = Image.new("RGB", (600, 400), (90, 90, 90)), []
    for several in (False, True):
        layer, boxes = Layer((600, 400)), iter([(200.0, 150.0, 400.0, 240.0), (200.0, 20.0, 400.0, 110.0)])
        monkeypatch.setattr(layer, "place", lambda *given, boxes=boxes: next(boxes))
        layer.tag((120.0, 200.0), (0, 0), ["first", "1.0 mm"], "in")
        if several:
            layer.tag((300.0, 350.0), (0, 0), ["second", "2.0 mm"], "out")
        pictures.append(np.asarray(layer.over(grounds))[150:240, 200:400])
    np.testing.assert_array_equal(*pictures)


@given(
    points=st.lists(st.tuples(st.floats(0, 500), st.floats(0, 500)), min_size=2, max_size=12),
    dashes=st.lists(st.floats(2, 60), min_size=2, max_size=4).filter(lambda d: len(d) % 2 == 0),
)
def test_dashes_cover_their_share_and_stay_on_the_line(points, dashes):
    line = np.array(points)
    length = np.linalg.norm(np.diff(line, axis=0), axis=1).sum()
    pieces = dash_pieces(line, dashes)
    drawn = sum(np.linalg.norm(np.diff(p, axis=0), axis=1).sum() for p in pieces)
    at, expected = 0.0, 0.0
    for number, dash in enumerate(itertools.cycle(dashes)):
        if at >= length:
            break
        expected += min(dash, length - at) if number % 2 == 0 else 0.0
        at += dash
    assert drawn == pytest.approx(expected, rel=1e-6, abs=1e-4)


def test_saving(tmp_path):
    picture = draw_overlay(grey(), answer())
    for name in ("a.jpg", "b.png", "new/c.jpeg"):
        save_picture(picture, tmp_path / name)
        assert (tmp_path / name).stat().st_size > 10_000
    with pytest.raises(UsageProblem, match="must end in"):
        save_picture(picture, tmp_path / "a.gif")
    (tmp_path / "file").write_text("")
    with pytest.raises(UnusableFile, match=r"cannot be written \(.*\): name another file"):
        save_picture(picture, tmp_path / "file" / "a.jpg")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.jpg", "b.png", "file", "new"]
