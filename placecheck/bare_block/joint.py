"""One dome for many photos of a bare block: outlines, card poses and camera fitted together.

Block and card stay where they are while the phone walks round, so block place, turn, lean,
height and all shape unknowns are shared, and only camera and card pose belong to each photo
(block.py's unknowns, block_residuals.py's residuals). Silhouettes from several sides fix the scale
by the card alone: the height over the table, which one photo cannot tell from the size, is
seen in parallax. Photos of one phone share its focal length and distortion up to the focus.
Levenberg-Marquardt on the joint normal matrix; its inverse is the covariance. Whether one
photo contradicts the others is asked by a score test (Rao 1948): how much would the sum of
squares fall if in that photo the block were free to stand elsewhere, or to be another size?
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from placecheck.bare_block.tapes import SHAPE, STANDING
from placecheck.block import AT, NAMES, ROUND_U, Geometry, prior_for, start_place, unpack
from placecheck.block_residuals import CARD_UNKNOWNS, PhotoResiduals, Shown
from placecheck.camera import Camera
from placecheck.damped import FIRST_DAMPING, covariance_of, damped_step
from placecheck.known_dome import KnownDome

FloatArray = npt.NDArray[np.float64]

SHARED: tuple[str, ...] = NAMES[CARD_UNKNOWNS : AT["cap yaw"]]
"""The block's six for its standing and thirteen for its shape."""
PLACE = ("block x", "block y", "block yaw")
SIZE = ("log round", "log ratio", "dome height")
FOCUS_U_REL, DISTORTION_U = 0.004, 0.004
"""How much focal length and k1 of one phone differ from photo to photo."""


@dataclass(frozen=True)
class BlockView(Shown):
    """One photo's share, under the photo's name."""

    name: str


@dataclass(frozen=True)
class Contradiction:
    """What freeing one photo would give: chi square, and by how much the block would differ there (PLACE or SIZE)."""

    chi2: float
    change: FloatArray
    u: FloatArray


@dataclass(frozen=True)
class BareBlockFit:
    """The shared unknowns (19,) with covariance, and of every photo: geometry, outline rms mm, contradictions."""

    shared: FloatArray
    covariance: FloatArray
    geometries: tuple[Geometry, ...]
    outline_mm: tuple[float, ...]
    moved: tuple[Contradiction, ...]
    other: tuple[Contradiction, ...]
    cost: float

    def known(self, label: str) -> KnownDome:
        """The dome, and the height of its widest level over the table, with their joint covariance."""
        names = (*SHAPE, STANDING)
        at = [SHARED.index(name) for name in names]
        c = self.covariance[np.ix_(at, at)]
        rows = tuple(tuple(float(x) for x in row) for row in (c + c.T) / 2)
        return KnownDome(label, names, tuple(float(x) for x in self.shared[at]), rows)


@dataclass(frozen=True)
class _Parts:
    """Every photo's state at the unknowns `x`, and the joint sum of squares."""

    x: FloatArray
    states: list
    cost: float


def _one_phone(a: Camera, b: Camera) -> bool:
    """Whether two photos' cameras are known from the same source, for pictures of one size."""
    return a.source == b.source and abs(np.hypot(a.width, a.height) - np.hypot(b.width, b.height)) < 2.0


class _Joint:
    """All photos' residuals, and the joint prior."""

    def __init__(self, views: Sequence[BlockView], prior_mean: FloatArray, prior_u: FloatArray) -> None:
        self.views = views
        self.by_photo = []
        for view in views:
            prior = prior_for(view.camera, float(np.exp(prior_mean[SHARED.index("log round")])))
            self.by_photo.append(PhotoResiduals(view, prior, None))
        self.mean, self.u = prior_mean, prior_u
        self.own_mean = np.concatenate([single.prior.mean[:CARD_UNKNOWNS] for single in self.by_photo])
        self.own_root = np.linalg.inv(np.linalg.cholesky(self._own_covariance()))
        self.rest = self.by_photo[0].prior.mean[AT["cap yaw"] :]

    def _own_covariance(self) -> FloatArray:
        """Priors of the photos' own unknowns: one phone's focal length and distortion are nearly the same in all."""
        k = CARD_UNKNOWNS
        out = np.diag(np.concatenate([single.prior.u[:k] ** 2 for single in self.by_photo]))
        numbers = range(len(self.views))
        for i, j in product(numbers, numbers):
            if not _one_phone(self.views[i].camera, self.views[j].camera):
                continue
            for name, own in (("log focal", FOCUS_U_REL), ("k1", DISTORTION_U)):
                at = AT[name]
                shared = self.by_photo[i].prior.u[at] * self.by_photo[j].prior.u[at]
                out[i * k + at, j * k + at] = shared + (own**2 if i == j else 0.0)
        return out

    def theta(self, i: int, x: FloatArray) -> FloatArray:
        """Photo i's unknowns of block.py."""
        n = len(SHARED)
        own = x[n + i * CARD_UNKNOWNS : n + (i + 1) * CARD_UNKNOWNS]
        return np.concatenate([own, x[:n], self.rest])

    def start(self, place: FloatArray, yaw_deg: float) -> FloatArray:
        shared = self.mean.copy()
        shared[:3] = place[0], place[1], yaw_deg
        own = []
        for single in self.by_photo:
            theta = single.prior.mean.copy()
            own.append(single.aim_card(theta)[:CARD_UNKNOWNS])
        return np.concatenate([shared, *own])

    def parts(self, x: FloatArray) -> _Parts:
        states = [single.state(self.theta(i, x)) for i, single in enumerate(self.by_photo)]
        n = len(SHARED)
        pull = (x[:n] - self.mean) / self.u
        own = self.own_root @ (x[n:] - self.own_mean)
        data = sum(s.cost - float(s.pull @ s.pull) for s in states)
        return _Parts(x, states, float(data + pull @ pull + own @ own))

    def equations(self, states: list, x: FloatArray) -> tuple[FloatArray, FloatArray, list]:
        """Joint normal matrix and gradient, and each photo's own (n, n), (n,) in the unknowns of block.py."""
        n, k = len(SHARED), CARD_UNKNOWNS
        size = n + k * len(self.by_photo)
        normal, gradient = np.zeros((size, size)), np.zeros(size)
        each = []
        for i, (single, state) in enumerate(zip(self.by_photo, states, strict=True)):
            a, g = single.data_equations(state)
            each.append((a, g))
            at = np.concatenate([np.arange(n + i * k, n + (i + 1) * k), np.arange(n)])
            normal[np.ix_(at, at)] += a[: k + n, : k + n]
            gradient[at] += g[: k + n]
        normal[:n, :n] += np.diag(1.0 / self.u**2)
        gradient[:n] += (x[:n] - self.mean) / self.u**2
        normal[n:, n:] += self.own_root.T @ self.own_root
        gradient[n:] += self.own_root.T @ (self.own_root @ (x[n:] - self.own_mean))
        return normal, gradient, each

    def solve(self, x: FloatArray, iterations: int) -> _Parts:
        here, damping = self.parts(x), FIRST_DAMPING
        limit = 4 * np.concatenate([self.u, *(single.prior.u[:CARD_UNKNOWNS] for single in self.by_photo)])
        limit[:2], limit[2] = 80.0, 25.0
        for _ in range(iterations):
            normal, gradient, _ = self.equations(here.states, here.x)
            before = here
            here, damping = damped_step(here, here.x, normal, gradient, limit, self.parts, damping)
            if before.cost - here.cost < 1e-4 * max(here.cost, 1.0):
                break
        return here


def _score(
    normal: FloatArray, inverse: FloatArray, each: tuple[FloatArray, FloatArray], i: int, names: tuple
) -> Contradiction:
    """Rao's score for letting `names` differ in photo i: the least squares step of one more set of unknowns."""
    n, k = len(SHARED), CARD_UNKNOWNS
    a, g = each
    own = [AT[name] for name in names]
    at = np.concatenate([np.arange(n + i * k, n + (i + 1) * k), np.arange(n)])
    cross = np.zeros((len(normal), len(own)))
    cross[at] = a[: k + n, own]
    schur = a[np.ix_(own, own)] - cross.T @ inverse @ cross
    covariance = np.linalg.inv(schur)
    change = -covariance @ g[own]
    return Contradiction(float(g[own] @ covariance @ g[own]), change, np.sqrt(np.diag(covariance)))


@np.errstate(all="ignore")  # photos of several blocks lead to shapes that are none, and are refused for it
def fit_views(
    views: Sequence[BlockView],
    yaw_deg: float,
    place_mm: FloatArray,
    circumference: tuple[float, float] | None = None,
    start: BareBlockFit | None = None,
    iterations: int = 20,
) -> BareBlockFit:
    """One dome for all `views`; the block's turn and place (2,) on the table to start from.

    `circumference` is a taped one and its standard uncertainty in mm, where it is to count. Raises LinAlgError where
    no shape explains them at all.
    """
    typical = prior_for(views[0].camera, 575.0)
    at = slice(CARD_UNKNOWNS, CARD_UNKNOWNS + len(SHARED))
    mean, u = typical.mean[at].copy(), typical.u[at].copy()
    size = SHARED.index("log round")
    u[size] = ROUND_U
    if circumference is not None:
        mean[size], u[size] = np.log(circumference[0]), circumference[1] / circumference[0]
    joint = _Joint(views, mean, u)
    if start is None:
        tries = []
        for turn in (-25.0, 25.0):
            x = joint.start(place_mm, yaw_deg + turn)
            tries.append(joint.solve(x, 5))
        x = min(tries, key=lambda t: t.cost).x
    else:
        x = joint.start(start.shared[:2], float(start.shared[2]))
        x[: len(SHARED)] = start.shared
    best = joint.solve(x, iterations)
    x, states = best.x, best.states
    normal, _, each = joint.equations(states, x)
    inverse = covariance_of(normal)
    n = len(SHARED)
    outline = []
    for state in states:
        outline.append(float(np.sqrt(np.mean(state.height[state.on_dome] ** 2))))
    return BareBlockFit(
        x[:n],
        inverse[:n, :n],
        tuple(unpack(joint.theta(i, x), single.frame) for i, single in enumerate(joint.by_photo)),
        tuple(outline),
        tuple(_score(normal, inverse, each[i], i, PLACE) for i in range(len(views))),
        tuple(_score(normal, inverse, each[i], i, SIZE) for i in range(len(views))),
        best.cost,
    )


def rough_place(views: Sequence[BlockView]) -> FloatArray:
    """Where on the table (2,) the block stands, from the outlines' middles; the steeper a view the surer."""
    places = [start_place(v.camera, v.board_mm, v.corners_px, list(v.outline_px.mean(0))) for v in views]
    return np.asarray(np.median(places, axis=0))


def yaw_from_card(place_mm: FloatArray, card_at: str) -> float:
    """The block's yaw (deg) on the table, when the card lies at its `card_at`: left, right (wearer's), face or nape."""
    card = np.array([70.0, -50.0]) - place_mm
    direction = float(np.degrees(np.arctan2(card[1], card[0])))
    return direction - {"right": 0.0, "face": 90.0, "left": 180.0, "nape": 270.0}[card_at]
