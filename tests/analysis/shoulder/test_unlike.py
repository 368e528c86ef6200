"""The compiled scatter of stretches against the same written plainly with numpy."""

import numpy as np
import pytest

from analysis.shoulder.stretch_kernels import Told, scatter_of


def plainly(design, z, part, parts, prior, asked):
    """Coefficients of all cells; what each stretch pulls them to; its spread and what is due."""
    total = design.T @ design
    total[-1, -1] += prior
    total[np.diag_indices(len(total))] *= 1.0 + 1e-9
    inverse = np.linalg.inv(total)
    wanted = asked @ inverse
    # response of each stretch's say to each height: exact covariance under white noise
    hat = np.eye(len(z)) - design @ inverse @ design.T
    say = np.stack([wanted @ (design * (part == g)[:, None]).T @ hat for g in range(parts)])
    told = say @ z  # (parts, asked)
    seen = ((told - told.mean(axis=0)) ** 2).sum(axis=0)
    return seen, say, told


@pytest.mark.parametrize("seed", range(3))
def test_seen_and_expected_are_those_of_the_plain_algebra(seed):
    rng = np.random.default_rng(seed)
    parts, m = 6, 240
    design = rng.normal(size=(m, 9))
    z = rng.normal(0.0, 0.02, m)
    part = np.sort(rng.integers(0, parts, m))
    asked = np.zeros((3, 9))
    asked[0, 3] = asked[1, 5] = asked[2, 6] = 1.0
    told = Told(np.zeros(3), np.zeros(3))
    assert scatter_of(design, z, part, parts, 40.0, asked, told)
    seen, say, _ = plainly(design, z, part, parts, 40.0, asked)
    np.testing.assert_allclose(told.seen, seen, rtol=1e-9)
    # the expectation for unit white noise is the trace of its covariance, but for the prior's
    # share of it, which the kernel takes as if heights paid for it
    apart = say - say.mean(axis=0)
    due = np.einsum("gam,gam->a", apart, apart)
    np.testing.assert_allclose(told.expected, due, rtol=0.02)


def test_columns_that_are_alike_tell_nothing():
    design = np.ones((60, 9))
    told = Told(np.zeros(3), np.zeros(3))
    part = np.repeat(np.arange(3), 20)
    assert not scatter_of(design, np.zeros(60), part, 3, 0.0, np.eye(3, 9), told) or np.all(
        told.seen == 0.0
    )
