"""Sweeps of the card's detection over drawn photos; prints the tables of card.md.

Run from the project's folder: python calibration/card.py [distance|blur|light|bend]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from card_scenes import Camera, camera_above, card_photo, corners_px

from placecheck.card import find_card
from placecheck.errors import PlacecheckError


def row(label: str, camera: Camera, **options: object) -> str:
    radius = options.get("radius_mm")
    try:
        card = find_card(card_photo(camera, **options))
    except PlacecheckError as error:
        return f"| {label} | {error.problem.code} | | | | | |"
    error = card.corners_px - corners_px(camera, card.board_mm, radius)
    rms = float(np.sqrt(np.mean(np.sum(error**2, axis=1))))
    largest = float(np.linalg.norm(error, axis=1).max())
    return (
        f"| {label} | {card.n_markers} / {len(card.ids)} | {card.px_per_mm:.2f} | {rms:.3f} | {largest:.3f} "
        f"| {card.residual_px:.3f} | {card.blur_px:.2f}; {card.black_level:.0f}, {card.white_level:.0f} |"
    )


def distance() -> list[str]:
    return [row(f"{d} mm", camera_above(25, 37, d)) for d in (300, 500, 800, 1100, 1400, 1700, 1900, 2000, 2100)]


def blur() -> list[str]:
    near = camera_above(35, 37, 450, w=4032, h=3024)
    rows = [row(f"{b} px of 2016", camera_above(35, 37, 850), blur_px=b) for b in (0.3, 0.6, 1, 1.5, 2, 4)]
    return rows + [row(f"{b} px of 4032", near, blur_px=b) for b in (0.6, 2, 3, 4, 5, 6, 8)]


def light() -> list[str]:
    gains = (0.01, 0.02, 0.04, 0.08, 0.2, 1, 1.5, 2, 3, 6)
    return [row(f"x {g}", camera_above(35, 37, 850), gain=g) for g in gains]


def bend() -> list[str]:
    rows = []
    for lean in (5, 40):
        for sag in (0.3, 0.5, 1, 2, 3, 5):
            camera = camera_above(lean, 60, 450, (40, 30))
            rows.append(row(f"lean {lean} deg, ends up {sag} mm", camera, radius_mm=80**2 / (2 * sag)))
    return rows


SWEEPS = {"distance": distance, "blur": blur, "light": light, "bend": bend}

if __name__ == "__main__":
    for name in sys.argv[1:] or SWEEPS:
        print(f"\n### {name}\n")
        print("| case | markers read / corners | px/mm | rms px | largest px | flatness px | blur px; ink, paper |")
        print("|---|---|---|---|---|---|---|")
        print("\n".join(SWEEPS[name]()))
