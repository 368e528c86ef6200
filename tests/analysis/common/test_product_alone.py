"""Products that are done in one thread are numpy's own, however they are cut."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.common.hands import product_alone


@pytest.mark.parametrize(
    ("shape", "other"),
    [((60,), (60, 700)), ((27, 60), (60, 700)), ((900, 300), (300, 700)), ((900, 60), (60,)),
     ((0, 60), (60, 7)), ((7, 60), (60, 0))],
)  # fmt: skip
def test_product_alone_is_the_product(shape: tuple[int, ...], other: tuple[int, ...]) -> None:
    dice = np.random.default_rng(5)
    left, right = dice.standard_normal(shape), dice.standard_normal(other)
    np.testing.assert_allclose(product_alone(left, right), left @ right, rtol=0.0, atol=1e-12)
