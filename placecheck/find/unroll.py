"""The photo unrolled: a picture of the dome in millimetres, front up, the same frame for every finder.

The chart of surface_map.py, about the block's own mid plane or the cap's, gives a surface point for
every millimetre (u, v); projected into the photo it says where to look, so one resampling turns the
photo into a picture whose texture has one scale and in which a closure of known size is an upright
rectangle. Columns grow to the wearer's right, rows from the face (top) to the nape. What faces away
from the lens is left grey and marked in a second channel that holds the cosine between the surface
normal and the line of sight. The grid of photo pixels is kept, so that whatever is found at (u, v)
is brought back to the photo exactly. Everything here is geometry; the resampling itself is done by
the caller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometry
from placecheck.mid_plane import MidPlane
from placecheck.surface import normals
from placecheck.surface_map import Chart, fermi_chart

FloatArray = npt.NDArray[np.float64]

PX_PER_MM = 2.0
U_HALF_MM = 128.0
V_FRONT_MM = 168.0
WIDTH = 512
HEIGHT = 576


@dataclass(frozen=True)
class Unrolling:
    """Where each pixel of the unrolled picture lies: photo pixels (h, w, 2), facing cosine (h, w).

    Facing is 0 where the surface is off the chart or turned away. At `px_per_mm` = PX_PER_MM the picture has HEIGHT
    rows and WIDTH columns, at half of that half as many. Its uppermost edge is `v_front_mm`.
    """

    chart: Chart
    photo_px: npt.NDArray[np.float32]
    facing: npt.NDArray[np.float32]
    px_per_mm: float = PX_PER_MM
    v_front_mm: float = V_FRONT_MM

    def to_px(self, uv: FloatArray) -> FloatArray:
        """Photo pixels (N, 2) that what lies at (u, v) (N, 2) in the picture was taken from."""
        at = uv_to_cell(uv - np.array([0.0, self.v_front_mm - V_FRONT_MM]), self.px_per_mm)
        h, w = self.facing.shape
        i = np.clip(np.floor(at).astype(int), 0, np.array([w - 2, h - 2]))
        (fx, fy), (x, y) = (at - i).T[..., None], i.T
        px = self.photo_px
        top = px[y, x] * (1 - fx) + px[y, x + 1] * fx
        low = px[y + 1, x] * (1 - fx) + px[y + 1, x + 1] * fx
        out: FloatArray = top * (1 - fy) + low * fy
        return out


def cell_to_uv(cells: FloatArray, px_per_mm: float = PX_PER_MM) -> FloatArray:
    """Unrolled-picture pixels (..., 2) as (column, row), centres at integers, to (u, v) mm."""
    u = (cells[..., 0] + 0.5) / px_per_mm - U_HALF_MM
    v = V_FRONT_MM - (cells[..., 1] + 0.5) / px_per_mm
    return np.stack([u, v], -1)


def uv_to_cell(uv: FloatArray, px_per_mm: float = PX_PER_MM) -> FloatArray:
    """(u, v) mm to unrolled-picture pixels (column, row)."""
    return np.stack([(uv[..., 0] + U_HALF_MM) * px_per_mm - 0.5, (V_FRONT_MM - uv[..., 1]) * px_per_mm - 0.5], -1)


def unroll_grid(
    geometry: Geometry,
    coarse_mm: float = 4.0,
    about: MidPlane | None = None,
    px_per_mm: float = PX_PER_MM,
    v_front_mm: float = V_FRONT_MM,
) -> Unrolling:
    """The resampling grid for a fitted block: computed every `coarse_mm` and interpolated (error below 0.1 px).

    The chart runs about the plane `about`, where none is given about the block's own mid plane; what lies farther
    toward the face than the network is shown is seen with a greater `v_front_mm`.
    """
    height, width = (round(n * px_per_mm / PX_PER_MM) for n in (HEIGHT, WIDTH))
    chart = fermi_chart(
        geometry.dome, about or MidPlane(), u_max_mm=U_HALF_MM, front_deg=-45, back_deg=-45, step_mm=coarse_mm
    )
    px = geometry.to_px(chart.points)
    n = normals(geometry.dome, chart.points)
    sight = geometry.eye_mm - chart.points
    sight /= np.linalg.norm(sight, axis=-1, keepdims=True)
    facing = np.einsum("...i,...i", n, sight)
    columns, rows = np.arange(width, dtype=float), np.arange(height, dtype=float)
    fu = (cell_to_uv(np.stack([columns, columns], -1), px_per_mm)[:, 0] - chart.u_mm[0]) / coarse_mm
    v = cell_to_uv(np.stack([rows, rows], -1), px_per_mm)[:, 1] + (v_front_mm - V_FRONT_MM)
    fv = (v - chart.v_mm[0]) / coarse_mm
    layers = (px[..., 0], px[..., 1], facing)
    iu = np.clip(np.floor(fu).astype(int), 0, len(chart.u_mm) - 2)
    iv = np.clip(np.floor(fv).astype(int), 0, len(chart.v_mm) - 2)
    au, av = (fu - iu).astype(np.float32), (fv - iv)[:, None]
    full = np.empty((3, height, width), np.float32)
    for layer, out in zip(layers, full, strict=True):
        down = (layer[iv] * (1 - av) + layer[iv + 1] * av).astype(np.float32)
        np.take(np.diff(down, axis=1), iu, axis=1, out=out, mode="clip")
        out *= au
        out += down.take(iu, axis=1)
    inside = (
        (fu >= 0)[None] & (fu <= len(chart.u_mm) - 1)[None] & (fv >= 0)[:, None] & (fv <= len(chart.v_mm) - 1)[:, None]
    )
    seen = np.where(inside, np.clip(full[2], 0, 1), np.float32(0.0))
    # a plane for x and one for y in memory, which is how they are used
    return Unrolling(chart, np.moveaxis(full[:2], 0, -1), seen, px_per_mm, v_front_mm)
