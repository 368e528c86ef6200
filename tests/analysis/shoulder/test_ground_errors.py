"""Errors of a fitted section against sections drawn from what the fit says of its shape."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from analysis.shoulder.ground_errors import ground_errors
from analysis.shoulder.regression import Shape, side_ground

U = np.arange(-1.0, 4.0, 0.25)


def shape_of(rows, knots=4, width_m=1.8):
    rng = np.random.default_rng(3)
    root = 0.01 * rng.standard_normal((rows, knots, knots))
    count = np.arange(rows) % (knots + 1)
    return Shape(
        height_m=0.02 * rng.standard_normal((rows, knots)),
        covariance=root @ np.swapaxes(root, 1, 2),
        count=count,
        width_m=np.full(rows, width_m),
        arc_m=np.zeros(rows),
    )


def test_as_sections_scatter_that_are_drawn_from_the_shape():
    rows, draws = 5, 40_000
    shape = shape_of(rows)
    got = ground_errors(SimpleNamespace(shape=shape), U)
    beta = np.zeros((1, 9))
    beta[0, [3, 5, 7]] = -0.02, -0.03, -0.2
    rng = np.random.default_rng(4)
    for row in range(rows):
        heights = rng.multivariate_normal(shape.height_m[row], shape.covariance[row], draws)
        many = replace(
            shape,
            height_m=heights,
            covariance=np.broadcast_to(shape.covariance[row], (draws, 4, 4)),
            count=np.full(draws, shape.count[row]),
            width_m=np.full(draws, shape.width_m[row]),
            arc_m=np.zeros(draws),
        )
        fit = SimpleNamespace(beta=np.repeat(beta, draws, axis=0), shape=many)
        drawn = side_ground(fit, U, np.zeros((draws, U.size)))
        inside = (U >= 0.0) & (U <= shape.width_m[row])
        np.testing.assert_allclose(got[row, inside], drawn.std(axis=0)[inside], 0.03, 1e-6)
        assert (got[row, ~inside] == 0.0).all()


def test_no_fit_has_no_shape():
    shape = replace(shape_of(3), width_m=np.full(3, np.nan))
    assert (ground_errors(SimpleNamespace(shape=shape), U) == 0.0).all()
