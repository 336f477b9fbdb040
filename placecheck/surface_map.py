"""The surface map: the dome unrolled into millimetres along the cap's centre line.

The centre line is the cut of the surface by the cap's mid plane. From every point of it a
geodesic is shot off at right angles to both sides; the length walked is u, the foot's arc
length along the line is v. These are Fermi coordinates (do Carmo, Differential Geometry of
Curves and Surfaces, sec. 4-6: geodesic parallel coordinates), and u is by construction the
signed surface distance from the centre line: left is u < 0. The geodesics are walked by
Verlet's rule, whose second differences lie along the surface's normal. The result is a `Chart`,
a grid of surface points: bilinear from (u, v) to the surface, Newton's steps back. All of it
takes one surface or a stack of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.mid_plane import MidPlane, MidPlanes
from placecheck.surface import StarSurface, dot, level_and_gradient, normals, onto, unit

FloatArray = npt.NDArray[np.float64]

UV_ROUNDS, UV_SETTLED_MM = 12, 1e-6  # Newton's steps to a chart place, at most, and the last one's length
TURNED_BACK = 0.05  # a step that undoes the last one but for this share of it leads back and forth
LONGEST_STEP_MM = 8.0  # of a chart's geodesics: 0.01 mm off at 112 mm


@dataclass(frozen=True)
class Chart:
    """The unrolled dome: `points` (nv, nu, 3) on the surface at the grid `u_mm` (nu,), `v_mm` (nv,).

    v is 0 at the highest point of the centre line and grows toward the face; u grows to the wearer's right. A stack of
    charts on one grid has points (B, nv, nu, 3); its chart coordinates are (B, ..., 2), its surface points (B, N, 3).
    """

    u_mm: FloatArray
    v_mm: FloatArray
    points: FloatArray

    def to_points(self, uv: FloatArray) -> FloatArray:
        """Surface points (..., 3) at `uv` (..., 2) by bilinear interpolation (error under 0.01 mm on a 2 mm grid)."""
        p, _, _ = self._patch(np.asarray(uv, float))
        return p

    def _patch(self, uv: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        du = self.u_mm[1] - self.u_mm[0]
        dv = self.v_mm[1] - self.v_mm[0]
        fu = (uv[..., 0] - self.u_mm[0]) / du
        fv = (uv[..., 1] - self.v_mm[0]) / dv
        # fmax, unlike clip, takes NaN to nought
        iu = np.fmin(np.fmax(fu, 0.0), len(self.u_mm) - 2.0).astype(int)
        iv = np.fmin(np.fmax(fv, 0.0), len(self.v_mm) - 2.0).astype(int)
        a = (fu - iu)[..., None]
        b = (fv - iv)[..., None]
        flat = self.points.reshape(-1, 3)
        nv, nu = self.points.shape[-3:-1]
        at = iv * nu + iu
        if self.points.ndim == 4:
            at = at + (np.arange(len(self.points)) * nv * nu).reshape(-1, *([1] * (at.ndim - 1)))
        p00, p01, p10, p11 = flat[at], flat[at + 1], flat[at + nu], flat[at + nu + 1]
        back, front = p01 - p00, p11 - p10  # along u, on the rows behind and before
        along_u = back + b * (front - back)
        left = p10 - p00
        along_v = left + a * (front - back)
        return p00 + a * along_u + b * left, along_u / du, along_v / dv

    def _nearest(self, points: FloatArray) -> FloatArray:
        """Chart coordinates (N, 2) of the coarse grid point nearest to each of `points` (N, 3), on the first chart."""
        grid = self.points if self.points.ndim == 3 else self.points[0]
        su, sv = max(1, len(self.u_mm) // 14), max(1, len(self.v_mm) // 18)
        coarse = grid[::sv, ::su].reshape(-1, 3)
        nearest = np.argmin(sum((points[:, None, i] - coarse[:, i]) ** 2 for i in range(3)), axis=1)
        j, i = np.divmod(nearest, len(self.u_mm[::su]))
        return np.stack([self.u_mm[::su][i], self.v_mm[::sv][j]], -1)

    def to_uv(self, points: FloatArray) -> FloatArray:
        """Chart coordinates (..., 2) of surface points (..., 3); NaN where they lie off the chart or are NaN."""
        q = np.asarray(points, float)
        if self.points.ndim == 3:
            q = q.reshape(-1, 3)
        lost = ~np.isfinite(q).all(-1)
        q = np.where(lost[..., None], self.points[..., 0, :1, :], q)
        if q.ndim == 2:
            uv = self._nearest(q)
        else:  # in a stack all begin where the first that is not lost lies
            known = q[np.argmin(lost, axis=0), np.arange(q.shape[1])]
            uv = np.broadcast_to(self._nearest(known), (*q.shape[:2], 2))
        low, high = self._ends()
        before = np.zeros(uv.shape)
        if q.ndim == 2:
            moving = np.arange(len(q))  # the others have arrived
            for _ in range(UV_ROUNDS):
                uv[moving], before[moving], arrived = self._nearer(q[moving], uv[moving], before[moving])
                moving = moving[~arrived]
                if not len(moving):
                    break
        else:
            there = np.zeros(uv.shape[:-1], bool)
            for _ in range(UV_ROUNDS):
                now, before, arrived = self._nearer(q, uv, before)
                uv = np.where(there[..., None], uv, now)
                there |= arrived
                if there.all():
                    break
        off = np.any((uv < low - 1e-6) | (uv > high + 1e-6), axis=-1)
        uv = np.where((off | lost)[..., None], np.nan, uv)
        return uv.reshape(*np.shape(points)[:-1], 2)

    def _ends(self) -> tuple[FloatArray, FloatArray]:
        return np.array([self.u_mm[0], self.v_mm[0]]), np.array([self.u_mm[-1], self.v_mm[-1]])

    def _nearer(
        self, points: FloatArray, uv: FloatArray, before: FloatArray
    ) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
        """A step after the one `before` (..., 2): where it leads (..., 2), the step itself, and who has arrived (...).

        Where two facets meet a step from each may lead to the other, back and forth: what lies between is the place.
        """
        step = self._closer(points, uv) - uv
        back = dot(step + before, step + before) < TURNED_BACK**2 * dot(step, step)
        arrived = back | (np.abs(step).max(-1) < UV_SETTLED_MM)
        return uv + np.where(back, 0.5, 1.0)[..., None] * step, step, arrived

    def _closer(self, points: FloatArray, uv: FloatArray) -> FloatArray:
        """One Newton step from `uv` (..., 2) toward where `points` (..., 3) lie."""
        p, ju, jv = self._patch(uv)
        miss = points - p
        a11, a12, a22 = dot(ju, ju), dot(ju, jv), dot(jv, jv)
        b1, b2 = dot(ju, miss), dot(jv, miss)
        det = np.maximum(a11 * a22 - a12 * a12, 1e-9)
        step = np.stack([(a22 * b1 - a12 * b2) / det, (a11 * b2 - a12 * b1) / det], -1)
        low, high = self._ends()
        out: FloatArray = np.clip(uv + np.clip(step, -15, 15), low - 4, high + 4)
        return out

    def lengths_mm(self, start: FloatArray, end: FloatArray, n: int = 33) -> FloatArray:
        """Surface lengths (...) of the straight chart lines from `start` (..., 2) to `end` (..., 2), mm."""
        w = np.linspace(0.0, 1.0, n)[:, None]
        p = self.to_points((1 - w) * start[..., None, :] + w * end[..., None, :])
        out: FloatArray = np.linalg.norm(np.diff(p, axis=-2), axis=-1).sum(-1)
        return out

    def path_mm(self, uv: FloatArray, n: int = 33) -> float:
        """Surface length of the straight chart line between two chart points `uv` (2, 2), mm."""
        return float(self.lengths_mm(uv[0], uv[1], n))


def fermi_chart(
    surface: StarSurface,
    plane: MidPlane | MidPlanes,
    u_max_mm: float = 124.0,
    front_deg: float = -35.0,
    back_deg: float = -35.0,
    step_mm: float = 2.0,
) -> Chart:
    """The chart along the cut of `surface` by `plane`, |u| <= u_max_mm; by the method above.

    For a stack of surfaces and planes it is a stack of charts, as far along v as all of them reach.
    """
    line = centre_line(surface, plane, front_deg, back_deg)
    rows = line.reshape(-1, *line.shape[-2:])
    reach = [_from_crown(row) for row in rows]
    low, high = max(arc[0] for arc in reach), min(arc[-1] for arc in reach)
    v = np.arange(np.ceil(low / step_mm), np.floor(high / step_mm) + 1) * step_mm
    feet = [
        np.stack([np.interp(v, arc, row[:, i]) for i in range(3)], -1) for arc, row in zip(reach, rows, strict=True)
    ]
    foot = onto(surface, np.array(feet).reshape(*line.shape[:-2], len(v), 3))
    n = normals(surface, foot)
    tangent = np.cross(n, plane.normal)  # forward: n x u on the crown is +Z x +X = +Y
    tangent /= np.linalg.norm(tangent, axis=-1, keepdims=True)
    right = np.cross(tangent, n)
    steps = round(u_max_mm / step_mm)
    stride = 2 if 2 * step_mm <= LONGEST_STEP_MM else 1
    points = _walked(surface, foot, n, right, stride * step_mm, -(-steps // stride) + stride - 1)
    if stride == 2:
        points = _halved(points)
        extra = points.shape[-2] // 2 - steps
        points = points[..., extra : points.shape[-2] - extra, :]
    u = np.arange(-steps, steps + 1) * step_mm
    return Chart(u.astype(float), v.astype(float), points)


def centre_line(
    surface: StarSurface,
    plane: MidPlane | MidPlanes,
    front_deg: float = -35.0,
    back_deg: float = -35.0,
    n: int = 361,
) -> FloatArray:
    """Points (n, 3), or (B, n, 3), of the cut by the mid plane, from the back over the crown to the front.

    The ends are elevations above the widest level, seen from the plane's own centre.
    """
    phi = np.radians(np.linspace(180.0 - back_deg, front_deg, n))
    origin = plane.origin
    ray = np.cos(phi)[:, None] * plane.forward + np.sin(phi)[:, None] * plane.up
    rho = surface.radius(ray)
    for _ in range(6):
        height, g = level_and_gradient(surface, origin + rho[..., None] * ray)
        move = height / dot(g, ray)
        rho = rho - move
        if float(np.abs(move).max()) < 1e-5:  # the next step would be of the order of its square
            break
    return origin + rho[..., None] * ray


def _from_crown(line: FloatArray) -> FloatArray:
    """Arc length (n,) along a centre line (n, 3), from its highest point forward."""
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    top = int(np.clip(np.argmax(line[:, 2]), 1, len(line) - 2))
    z = line[top - 1 : top + 2, 2]
    bend = z[0] - 2 * z[1] + z[2]
    beyond = (0.5 * (z[0] - z[2]) / bend if bend < 0 else 0.0) * (arc[top + 1] - arc[top])
    out: FloatArray = arc - (arc[top] + beyond)
    return out


def _walked(
    surface: StarSurface, foot: FloatArray, normal: FloatArray, right: FloatArray, step_mm: float, steps: int
) -> FloatArray:
    """Geodesics through `foot` (..., n, 3) along `right` and back: every `step_mm` a point, (..., n, 2 steps + 1, 3).

    Each second difference of a geodesic's points is along the surface's normal (Stoermer and Verlet's rule with the
    constraint put in, SHAKE; Hairer, Lubich, Wanner, Geometric Numerical Integration, sec. VII.1.4). Steps are given
    the chord of their arc, h (1 - (h / R)^2 / 24), with the R of the last one.
    """
    p0, n0 = np.concatenate([foot, foot], axis=-2), np.concatenate([normal, normal], axis=-2)
    t = np.concatenate([right, -right], axis=-2)
    height, g = level_and_gradient(surface, p0 + step_mm * t)
    drop = height / dot(g, n0)  # of half the circle that touches there
    shorter = 1.0 - (2.0 * drop / step_mm) ** 2 / 6.0
    move = (shorter * step_mm)[..., None] * t - (shorter**2 * drop)[..., None] * n0
    bend = 2.0 * drop
    points = [p0, p0 + move]
    for _ in range(steps - 1):
        across = unit(g)
        move = move - bend[..., None] * across
        height, g = level_and_gradient(surface, points[-1] + move)
        more = height / dot(g, across)
        bend = bend + more
        move -= more[..., None] * across
        chord = step_mm * (1.0 - (bend / step_mm) ** 2 / 24.0)
        move *= (chord / np.sqrt(dot(move, move)))[..., None]
        points.append(points[-1] + move)
    out = np.stack(points, axis=-2)
    n = foot.shape[-2]
    return np.concatenate([out[..., n:, :0:-1, :], out[..., :n, :, :]], axis=-2)


def _halved(points: FloatArray) -> FloatArray:
    """Points (..., n, 3) of smooth curves with one more between each two, but for the ends, which are left out."""
    middles = (9.0 * (points[..., 1:-2, :] + points[..., 2:-1, :]) - points[..., :-3, :] - points[..., 3:, :]) / 16.0
    out = np.empty((*points.shape[:-2], 2 * points.shape[-2] - 5, 3))
    out[..., ::2, :] = points[..., 1:-1, :]
    out[..., 1::2, :] = middles
    return out
