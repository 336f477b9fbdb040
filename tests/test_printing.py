"""The printed page: true scale by rasterising it with PDFium and finding the board with OpenCV.

Outside values: ISO 216 (A4 210 x 297 mm), US Letter 8.5 x 11 in, ISO/IEC 7810 ID-1 (85.60 x 53.98 mm, corner radius
2.88 to 3.48 mm), PDFium's rasteriser, OpenCV's own detector.
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from card_scenes import charuco_corners
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image as Pillow

from placecheck.card import find_card, page_layout, printing
from placecheck.card.board import CARD
from placecheck.card_bars import FIT_TO_PAGE
from placecheck.errors import UnusableFile, UsageProblem

PAPERS = {"a4": (210.0, 297.0), "letter": (8.5 * 25.4, 11 * 25.4)}


def rendered(paper: str, dpi: int) -> np.ndarray:
    page = pypdfium2.PdfDocument(printing.card_pdf(paper))[0]
    picture = page.render(scale=dpi / 72, grayscale=True).to_numpy()
    return np.ascontiguousarray(picture.reshape(picture.shape[0], picture.shape[1]))


def affine(points_mm: np.ndarray, px: np.ndarray) -> np.ndarray:
    """Least-squares px = mm A + b as rows (x axis, y axis, b)."""
    return np.linalg.lstsq(np.c_[points_mm, np.ones(len(px))], px, rcond=None)[0]


def dark_runs(line: np.ndarray) -> list[tuple[float, float]]:
    """Start and end of dark stretches of a row of pixels, to a fraction of a pixel by their grey."""
    ink = (255.0 - line) / 255
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (ink > 0.05).astype(int), [0]])))
    runs = []
    for a, b in edges.reshape(-1, 2):
        mass = ink[a:b].sum()
        middle = (np.arange(a, b) * ink[a:b]).sum() / mass
        runs.append((middle + 0.5 - mass / 2, middle + 0.5 + mass / 2))
    return runs


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_page_is_the_papers_size(paper: str) -> None:
    document = pypdfium2.PdfDocument(printing.card_pdf(paper))
    assert len(document) == 1
    assert np.allclose(np.array(document[0].get_size()) * 25.4 / 72, PAPERS[paper], atol=0.01)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("dpi", [300, 600])
def test_board_is_true_to_scale_within_a_thousandth(paper: str, dpi: int) -> None:
    gray = rendered(paper, dpi)
    # PDFium fits the page to whole pixels; the scale that counts is that of the pixels it used
    per_mm = np.array([gray.shape[1], gray.shape[0]]) / PAPERS[paper]
    card = find_card(gray)
    assert len(card.ids) == 24
    theirs, ids = charuco_corners(gray, CARD.opencv)
    assert len(ids) == 24
    for corners, points in ((card.corners_px, card.board_mm), (theirs, CARD.corners_mm[ids])):
        fit = affine(points, corners)
        assert fit[0, 0] / per_mm[0] == pytest.approx(1, abs=0.001)
        assert fit[1, 1] / per_mm[1] == pytest.approx(1, abs=0.001)
        assert abs(fit[0, 1]) < 0.001 * per_mm[0]
        assert abs(fit[1, 0]) < 0.001 * per_mm[0]
    fit = affine(card.board_mm, card.corners_px)
    origin = (fit[2] + 0.5) / per_mm - CARD.margin_mm
    assert np.allclose(origin, page_layout.card_origin_mm(paper), atol=0.05)
    assert origin[0] * 2 + 160 == pytest.approx(PAPERS[paper][0], abs=0.1)  # centred across


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_both_bars_measure_100_mm(paper: str) -> None:
    """Measured on the rasterised page from tick to tick, found as thin dark lines where the layout has bars."""
    dpi = 600
    gray = rendered(paper, dpi)
    per_mm = np.array([gray.shape[1], gray.shape[0]]) / PAPERS[paper]
    left, top = page_layout.card_origin_mm(paper)
    row = gray[round((top + 120 + 10 + 1.2) * per_mm[1])]
    ticks = [(a + b) / 2 / per_mm[0] for a, b in dark_runs(row) if (b - a) / per_mm[0] < 0.3]
    assert len(ticks) == 2
    assert ticks[1] - ticks[0] == pytest.approx(100, abs=0.05)
    column = gray[:, round((left - 9 + 1.2) * per_mm[0])]
    ticks = [(a + b) / 2 / per_mm[1] for a, b in dark_runs(column) if (b - a) / per_mm[1] < 0.3]
    assert len(ticks) == 2
    assert ticks[1] - ticks[0] == pytest.approx(100, abs=0.05)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_bank_card_outline_is_id_1(paper: str) -> None:
    """ISO/IEC 7810: 85.60 x 53.98 mm; the outline's middle line, measured on the rasterised page."""
    gray = rendered(paper, 600)
    per_mm = np.array([gray.shape[1], gray.shape[0]]) / PAPERS[paper]
    box = next(s for s in page_layout.layout(paper) if isinstance(s, page_layout.RoundedBox))
    row = gray[round((box.y + 45) * per_mm[1])]
    inside = [(a + b) / 2 / per_mm[0] for a, b in dark_runs(row) if (b - a) / per_mm[0] < 0.3]
    inside = [x for x in inside if abs(x - box.x) < 1 or abs(x - box.x - box.w) < 1]
    assert len(inside) == 2
    assert inside[1] - inside[0] == pytest.approx(85.60, abs=0.05)
    column = gray[:, round((box.x + 70) * per_mm[0])]
    across = [(a + b) / 2 / per_mm[1] for a, b in dark_runs(column) if (b - a) / per_mm[1] < 0.3]
    across = [y for y in across if abs(y - box.y) < 1 or abs(y - box.y - box.h) < 1]
    assert len(across) == 2
    assert across[1] - across[0] == pytest.approx(53.98, abs=0.05)
    assert 2.88 <= box.radius <= 3.48


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nothing_within_8_mm_of_the_papers_edge(paper: str) -> None:
    gray = rendered(paper, 300)
    rows, columns = np.nonzero(gray < 250)
    mm = 25.4 / 300
    margins = np.array([columns.min(), rows.min(), gray.shape[1] - 1 - columns.max(), gray.shape[0] - 1 - rows.max()])
    assert margins.min() * mm >= 8


@pytest.mark.parametrize("dpi", [97, 150, 300])
def test_no_hairline_seams_in_the_black(dpi: int) -> None:
    """At resolutions where module edges fall between pixels: the inside of every black module is fully black."""
    gray = rendered("a4", dpi)
    per_mm = np.array([gray.shape[1], gray.shape[0]]) / PAPERS["a4"]
    left, top = page_layout.card_origin_mm("a4")
    y, x = np.mgrid[: gray.shape[0], : gray.shape[1]]
    mm_x, mm_y = (x + 0.5) / per_mm[0] - left - 10, (y + 0.5) / per_mm[1] - top - 10
    cells = page_layout.board_cells()
    fine = np.kron(cells, np.ones((10, 10))).astype(np.uint8)  # inside: 0.4 mm and more from any edge
    grown = cv2.erode(fine, np.ones((9, 9), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    on = (mm_x > 0) & (mm_x < 140) & (mm_y > 0) & (mm_y < 100)
    black = grown[(mm_y[on] * 10).astype(int), (mm_x[on] * 10).astype(int)] == 1
    assert black.sum() > 10_000
    assert gray[on][black].max() == 0


@given(hnp.arrays(bool, st.tuples(st.integers(1, 9), st.integers(1, 9))))
def test_merged_rectangles_cover_the_black_cells_exactly_once(cells: np.ndarray) -> None:
    covered = np.zeros(cells.shape, int)
    for x, y, w, h in page_layout.merged_rects(cells):
        covered[y : y + h, x : x + w] += 1
    assert np.array_equal(covered, cells.astype(int))


def test_the_grid_of_one_millimetre_holds_opencvs_board_exactly() -> None:
    """OpenCV's drawing at 20 px/mm, made without this package, is the same as the cells."""
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    drawn = cv2.aruco.CharucoBoard((7, 5), 20, 14, words).generateImage((2800, 2000), marginSize=0, borderBits=1)
    assert np.array_equal(np.kron(page_layout.board_cells(), np.ones((20, 20))) > 0, drawn < 128)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_png_and_svg_show_the_same_board(paper: str) -> None:
    dpi = 200
    opened = Pillow.open(io.BytesIO(printing.card_png(dpi, paper)))
    assert opened.info["dpi"] == pytest.approx((dpi, dpi), rel=1e-3)
    card = find_card(np.asarray(opened.convert("L")))
    fit = affine(card.board_mm, card.corners_px) * 25.4 / dpi
    assert fit[0, 0] == pytest.approx(1, abs=0.001)
    assert fit[1, 1] == pytest.approx(1, abs=0.001)
    svg = printing.card_svg(paper)
    width, height = PAPERS[paper]
    assert f'width="{width:g}mm" height="{height:g}mm" viewBox="0 0 {width:g} {height:g}"' in svg
    path = re.search(r'id="board".* d="([^"]+)"', svg)
    left, top = page_layout.card_origin_mm(paper)
    drawn = np.zeros((100, 140), int)
    for x, y, w, h in re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)v([\d.]+)h-[\d.]+z", path.group(1)):
        x0, y0 = round(float(x) - left - 10), round(float(y) - top - 10)
        drawn[y0 : y0 + int(h), x0 : x0 + int(w)] += 1
    assert np.array_equal(drawn, page_layout.board_cells().astype(int))


def test_page_says_how_to_print_lay_and_hold() -> None:
    text = pypdfium2.PdfDocument(printing.card_pdf())[0].get_textpage().get_text_range().replace("\r\n", " ")
    words = "100 %|matt paper|stiff board|both bars|flat on the table beside the block|45 degrees|middle of the closure"
    for phrase in [*words.split("|"), "whole block and the whole card", "blade away from your fingers"]:
        assert phrase in text


@pytest.mark.parametrize("sheet", [page_layout.SCALE_SHEET, page_layout.SMALL_SHEET])
def test_a_card_that_is_a_little_off_is_entered_not_thrown_away(sheet: page_layout.Sheet) -> None:
    text = pypdfium2.PdfDocument(printing.card_pdf(sheet=sheet))[0].get_textpage().get_text_range()
    said, off_mm = " ".join(text.split()), sheet.bar_mm * FIT_TO_PAGE  # from where on bars are told to be odd
    assert f"both bars ({sheet.bar_mm:g} mm) and enter what they are; more than {off_mm:g} mm off: print again." in said


def test_viewers_are_asked_not_to_scale() -> None:
    assert b"/PrintScaling /None" in printing.card_pdf()


def test_writing(tmp_path: Path) -> None:
    for kind in ("pdf", "svg", "png"):
        path = printing.write_card(tmp_path / f"card.{kind}", "letter", kind, dpi=150)
        assert path.stat().st_size > 1000
    assert (tmp_path / "card.pdf").read_bytes() == printing.card_pdf("letter")
    for arguments, code in ((("b5", "pdf"), "unknown-paper"), (("a4", "docx"), "unknown-kind")):
        with pytest.raises(UsageProblem) as caught:
            printing.write_card(tmp_path / "x", *arguments)
        assert caught.value.problem.code == code
    with pytest.raises(UnusableFile) as unwritable:
        printing.write_card(tmp_path / "none" / "card.pdf")
    assert unwritable.value.problem.code == "cannot-write"
    with pytest.raises(UsageProblem):
        printing.card_png(10)


def test_a_full_disk_leaves_the_old_card(tmp_path: Path) -> None:
    """With --force, and the system itself refusing more than 2,000 bytes, as a full disk does half way."""
    card = tmp_path / "card.pdf"
    card.write_bytes(b"the old card")
    program = (
        "import resource, sys; from placecheck import cli; resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))\n"
        "sys.exit(cli.run(['card', sys.argv[1], '--force']))"
    )
    done = subprocess.run([sys.executable, "-c", program, str(card)], capture_output=True, text=True, timeout=60)
    assert done.returncode == 4
    assert done.stderr.startswith("placecheck: ")
    assert "cannot be written (File too large)" in done.stderr
    assert "Traceback" not in done.stderr
    assert card.read_bytes() == b"the old card"
    assert [p.name for p in tmp_path.iterdir()] == ["card.pdf"]
