"""Error against stated uncertainty, as a picture: one small scatter for every judged measure, SVG.

Across runs the stated U95, up the size of the error; both axes are square-root scaled to the same
largest value, so that the diagonal is where the error equals U95. Points above it are the errors that
U95 did not cover, drawn in the accent colour; about one in twenty should lie there. If the stated
uncertainty means something, the cloud's errors grow with it, and the cloud does not lie far below
the diagonal, which would say that U95 is merely wide. The picture lies in the developers' notes. It is
written as text, without a drawing library, so that it can be made wherever the scores are.
"""

from __future__ import annotations

from typing import Any

import numpy as np

PANEL, GAP, LEFT, TOP = 210, 46, 40, 40


def chart(rows: list[dict[str, Any]], title: str) -> str:
    """SVG of the scored `rows` (as `judging score` collects them)."""
    from placecheck.answer import MEASURES

    specs = [spec for spec in MEASURES if spec.judged]
    columns = 4
    width = LEFT + columns * (PANEL + GAP)
    height = TOP + -(-len(specs) // columns) * (PANEL + GAP + 16)
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" '
        f'font-size="11"><rect width="{width}" height="{height}" fill="#fff"/><text x="{LEFT}" y="20" '
        f'font-size="14">{title}</text>'
    ]
    for i, spec in enumerate(specs):
        found = [r["errors"][spec.name] for r in rows if spec.name in r.get("errors", {})]
        data = np.array(found, float).reshape(-1, 4)
        e, u = np.abs(data[:, 0]), 2 * data[:, 1]
        top = max(1.0, float(max(e.max(initial=0), u.max(initial=0))) * 1.05)
        x0, y0 = LEFT + (i % columns) * (PANEL + GAP), TOP + (i // columns) * (PANEL + GAP + 16) + 16

        def place(value: float, top: float = top) -> float:
            return float(np.sqrt(max(value, 0.0) / top)) * PANEL

        out.append(
            f'<text x="{x0}" y="{y0 - 6}">{spec.label}, {spec.unit}</text>'
            f'<text x="{x0 + 6}" y="{y0 + 15}" fill="#555">{100 * np.mean(e <= u):.0f} % of {len(e)} covered</text>'
            f'<rect x="{x0}" y="{y0}" width="{PANEL}" height="{PANEL}" fill="none" stroke="#999"/>'
            f'<path d="M{x0} {y0 + PANEL}L{x0 + PANEL} {y0}" stroke="#999" fill="none"/>'
        )
        step = next(s for s in (0.5, 1, 2, 5, 10, 20) if top / s < 6)
        for tick in np.arange(0, top, step):
            t = place(tick)
            out.append(
                f'<text x="{x0 + t:.1f}" y="{y0 + PANEL + 13}" text-anchor="middle">{tick:g}</text>'
                f'<text x="{x0 - 4}" y="{y0 + PANEL - t + 4:.1f}" text-anchor="end">{tick:g}</text>'
            )
        for error, wide in zip(e, u, strict=True):
            missed = error > wide
            out.append(
                f'<circle cx="{x0 + place(wide):.1f}" cy="{y0 + PANEL - place(error):.1f}" r="{3 if missed else 2}" '
                f'fill="{"#b3261e" if missed else "#345"}" fill-opacity="0.75"/>'
            )
        out.append(f'<text x="{x0 + PANEL / 2}" y="{y0 + PANEL + 26}" text-anchor="middle">U95 across, error up</text>')
    return "\n".join([*out, "</svg>", ""])
