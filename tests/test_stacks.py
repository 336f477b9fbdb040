"""Closed forms against differences, and many geometries at once against one after the other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from placecheck.dome import BUMPS, Dome, Domes
from placecheck.surface import gradient, level_and_gradient


class Undifferentiated:
    """A dome whose slope is not told."""

    def __init__(self, dome):
        self.radius = dome.radius


def some_dome(seed):
    rng = np.random.default_rng(seed)
    bumps = tuple(float(rng.normal(bump.mean, 2 * bump.sd)) for bump in BUMPS)
    return Dome(rng.uniform(70, 82), rng.uniform(92, 104), rng.uniform(90, 110), 200.0, rng.uniform(0, 0.1), bumps)


def stack(domes):
    columns = [np.array([getattr(d, name) for d in domes]) for name in Domes.__dataclass_fields__]
    return Domes(*columns)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), far=st.floats(0.7, 1.4))
def test_gradient_in_closed_form_is_the_central_difference(seed, far):
    rng = np.random.default_rng(seed + 1)
    dome = some_dome(seed)
    points = rng.normal(size=(40, 3)) * 60.0 * far
    points = points[np.abs(points[:, 2]) > 0.2]  # over and below the widest level the curvature differs
    points = points[np.linalg.norm(points, axis=1) > 45.0]
    height, exact = level_and_gradient(dome, points)
    other_height, differences = level_and_gradient(Undifferentiated(dome), points, h_mm=0.01)
    assert height == pytest.approx(other_height, abs=1e-9)
    assert exact == pytest.approx(differences, abs=2e-6)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), amount=st.integers(1, 5))
def test_a_stack_of_domes_is_each_of_them(seed, amount):
    rng = np.random.default_rng(seed)
    domes = [some_dome(seed + k) for k in range(amount)]
    many = stack(domes)
    d = rng.normal(size=(amount, 7, 3, 3))
    d /= np.linalg.norm(d, axis=-1, keepdims=True)
    raised = many.raised(np.linspace(0.0, 1.0, amount))
    for k, dome in enumerate(domes):
        assert many.radius(d)[k] == pytest.approx(dome.radius(d[k]), abs=1e-11)
        assert many.radius_and_slope(d)[1][k] == pytest.approx(dome.radius_and_slope(d[k])[1], abs=1e-10)
        assert gradient(many, 90.0 * d)[k] == pytest.approx(gradient(dome, 90.0 * d[k]), abs=1e-12)
        lift = np.linspace(0.0, 1.0, amount)[k]
        assert raised.radius(d)[k] == pytest.approx(dome.raised(lift).radius(d[k]), abs=1e-11)
