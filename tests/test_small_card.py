"""The small card: true to scale on paper, found in its close-up, and never taken for the large one.

Outside values: PDFium's rasteriser, OpenCV's own board detector, ISO 216 A4 and US Letter.
"""

from __future__ import annotations

import cv2
import numpy as np
import pypdfium2
import pytest
from card_scenes import CARD as DRAWN_LARGE
from card_scenes import charuco_corners

from placecheck import vision
from placecheck.card import find_card, page_layout, printing
from placecheck.card.board import CARD, SMALL_CARD
from placecheck.cli import run
from placecheck.errors import RetakeNeeded

PAPERS = {"a4": (210.0, 297.0), "letter": (8.5 * 25.4, 11 * 25.4)}


def rendered(paper: str, dpi: int) -> np.ndarray:
    page = pypdfium2.PdfDocument(printing.card_pdf(paper, page_layout.SMALL_SHEET))[0]
    picture = page.render(scale=dpi / 72, grayscale=True).to_numpy()
    return np.ascontiguousarray(picture.reshape(picture.shape[0], picture.shape[1]))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_true_to_scale_within_a_thousandth(paper: str) -> None:
    """By our detector and by OpenCV's own, on the rasterised page."""
    gray = rendered(paper, 600)
    per_mm = np.array([gray.shape[1], gray.shape[0]]) / PAPERS[paper]
    card = find_card(gray, SMALL_CARD)
    theirs, ids = charuco_corners(gray, SMALL_CARD.opencv)
    assert len(card.ids) == len(ids) == 24
    for corners, points in ((card.corners_px, card.board_mm), (theirs, SMALL_CARD.corners_mm[ids])):
        fit = np.linalg.lstsq(np.c_[points, np.ones(24)], corners, rcond=None)[0]
        assert fit[0, 0] / per_mm[0] == pytest.approx(1, abs=0.001)
        assert fit[1, 1] / per_mm[1] == pytest.approx(1, abs=0.001)


def test_both_bars_measure_50_mm() -> None:
    """Tick to tick on the rasterised page, a little beside the bars."""
    gray = rendered("a4", 600)
    per_mm = np.array([gray.shape[1], gray.shape[0]]) / PAPERS["a4"]
    shapes = page_layout.layout("a4", page_layout.SMALL_SHEET)
    bars = [s for s in shapes if isinstance(s, page_layout.Line) and s.gray == 0]
    for bar in (b for b in bars if max(abs(b.x2 - b.x1), abs(b.y2 - b.y1)) > 10):
        across = bar.y1 == bar.y2
        at = round(((bar.y1 if across else bar.x1) + 1.2) * per_mm[1 if across else 0])
        line = 255.0 - (gray[at] if across else gray[:, at])
        low, high = (bar.x1, bar.x2) if across else (bar.y1, bar.y2)
        scale = per_mm[0 if across else 1]
        ends = []
        for end in (low, high):
            near = np.arange(round((end - 1) * scale), round((end + 1) * scale))
            ends.append(float((near * line[near]).sum() / line[near].sum()))
        assert (ends[1] - ends[0]) / scale == pytest.approx(50, abs=0.05)


def test_the_card_is_about_60_by_40_mm() -> None:
    assert page_layout.SMALL_SHEET.card_mm == (60.0, 44.0)
    assert SMALL_CARD.size_mm == (56.0, 40.0)


def test_no_marker_is_on_both_cards() -> None:
    large, small = (set(vision.board_markers(board.opencv).ids.tolist()) for board in (CARD, SMALL_CARD))
    assert not large & small
    assert len(large) == len(small) == 17


def seen(drawn: np.ndarray, width: int = 1200) -> np.ndarray:
    """A drawn card on a grey ground, a little slanted."""
    h, w = drawn.shape
    target = np.array([[200, 180], [width - 180, 220], [width - 220, 800], [170, 760]], np.float32)
    source = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, target)
    picture = cv2.warpPerspective(drawn, matrix, (width, 960), flags=cv2.INTER_AREA, borderValue=90)
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


def test_each_card_is_refused_in_the_others_place() -> None:
    large, small = seen((DRAWN_LARGE * 255).astype(np.uint8)), seen(SMALL_CARD.picture)
    assert len(find_card(large).ids) == len(find_card(small, SMALL_CARD).ids) == 24
    for gray, board, words in ((large, SMALL_CARD, "needs the small card"), (small, CARD, "needs the scale card")):
        with pytest.raises(RetakeNeeded) as caught:
            find_card(gray, board)
        assert caught.value.problem.code == "wrong-card"
        assert words in caught.value.problem.message


def test_both_cards_in_one_photo_are_told_apart() -> None:
    both = np.hstack([seen((DRAWN_LARGE * 255).astype(np.uint8)), seen(SMALL_CARD.picture)])
    assert find_card(both).corners_px[:, 0].max() < 1200
    assert find_card(both, SMALL_CARD).corners_px[:, 0].min() > 1200


@pytest.mark.parametrize("kind", ["pdf", "svg", "png"])
def test_command_writes_it(tmp_path, monkeypatch, capsys, kind: str) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["card", "--small", *([] if kind == "pdf" else [f"--{kind}"])]) == 0
    assert "50 mm" in capsys.readouterr().out
    assert (tmp_path / f"placecheck-small-card.{kind}").stat().st_size > 1000
    assert run(["card", "--small", *([] if kind == "pdf" else [f"--{kind}"])]) == 2  # nothing is overwritten
