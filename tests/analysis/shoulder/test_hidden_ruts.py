"""Ruts that look like a drop at the edge, on plain roads: no confident wrong number."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.shoulder import section_gaps as gaps_module
from analysis.shoulder.section_gaps import (
    BELIEVED,
    MEASURED,
    OVER_MM,
    Sighted,
    _even_normals,
    chance_deeper,
    section_gaps,
    usual_over,
)
from analysis.shoulder.straightedge_kernels import (
    draw_gaps,
    largest_gaps,
    pick,
    shares_over,
    weigh_gaps,
)
from tests.scenes import Scene, Side, middle, screened


def _rut(out, at, half, depth):
    return -depth * np.maximum(1.0 - np.abs(out - at) / half, 0.0)


def _next_to_edge(out):
    return _rut(out, 0.3, 0.3, 0.06)


def _on_shoulder(out):
    return _rut(out, 0.65, 0.3, 0.06)


SHORT = Scene(length_m=280.0, end_m=220.0)
RUTTED = replace(SHORT, left=Side(shape=_next_to_edge), right=Side(shape=_on_shoulder), seed=11)
SOUND = replace(SHORT, right=Side(step=-0.05), seed=11)


def _inside(study, name, **options):
    return middle(study, name, low=80.0, high=200.0, **options)


@pytest.mark.parametrize("scene", [RUTTED, replace(RUTTED, sigma_m=0.03, seed=12)])
def test_a_rut_that_passes_for_a_drop_isnt_denied(scene):
    """Ruts of 60 mm whose inner wall is told as a drop at an edge found too far out.

    Cells of half a metre can't tell the two apart: an error that admits of the rut, and no
    probability that rules it out.
    """
    study = screened(scene)
    z = (_inside(study, "rut_mm") - 60.0) / _inside(study, "rut_se")
    assert np.isfinite(z).mean() > 0.9
    assert np.sqrt(np.nanmean(z**2)) < 2.0
    assert np.nanmean(np.abs(z) > 3.0) < 0.1
    over = _inside(study, "p_rut")
    assert np.nanmean(over) > 0.35 and not (over < 0.05).any()


def test_shoulders_without_a_rut_stay_sound():
    """Neither a flush edge nor a drop at it makes a rut; and "sound" says how far it goes."""
    study = screened(SOUND)
    rut, se = _inside(study, "rut_mm"), _inside(study, "rut_se")
    assert np.mean(rut / se < 2.0) > 0.95
    # no gap is below none: their mean would be drawn up by deep ones that can't be ruled out
    told = [
        _inside(study, f"{shape}_{of}", sides=["left"])
        for shape in ("rut", "ridge")
        for of in ("mm", "se")
    ]
    assert np.mean(told[0] / told[1]) < 0.85 and np.mean(told[2] / told[3]) < 0.85
    assert np.mean(_inside(study, "p_rut", sides=["left"])) < 0.06
    assert np.mean(_inside(study, "p_rut", sides=["right"])) < 0.25
    assert np.mean(_inside(study, "finding", sides=["left"]) == "none") > 0.95
    shown = _inside(study, "rut_detectable_mm", sides=["left"])
    for text, mm in zip(_inside(study, "reason", sides=["left"]), shown, strict=True):
        assert f"ruts show from {mm:.0f} mm." in text
    reaches = study.findings.reaches
    sound = reaches["reason"][reaches["finding"] == "none"]
    assert len(sound) and all("; ruts show from " in text for text in sound)


def _sections(n=3, bins=16):
    """Bins of n shoulders of 1.5 m with a rut, and some noise."""
    dice = np.random.default_rng(5)
    place = np.tile(np.linspace(-0.2, 1.7, bins), (n, 1))
    mean = _rut(place, 0.6, 0.4, 0.05) + 0.004 * dice.standard_normal(place.shape)
    covariance = np.tile(0.004**2 * np.eye(bins), (n, 1, 1))
    return Sighted(np.full(n, 1.5), place, mean, covariance, np.tile([0.3, 0.1], (n, 1)), 1.5)


def test_chances_fall_with_depth_and_agree_with_the_mean():
    """How likely a gap is over each depth: their integral is the mean gap."""
    sighted = _sections()
    found = section_gaps(sighted, length_m=1.8, step_m=np.full(3, 0.3))
    assert (np.diff(found.over, axis=2) <= 1e-12).all()
    depth = np.linspace(0.0, 300.0, 3001)
    over = np.stack([chance_deeper(found.over, mm) for mm in depth], axis=-1)
    mean = 0.001 * np.trapezoid(over, depth, axis=-1)
    np.testing.assert_allclose(mean, found.mean_m, rtol=0.1, atol=0.002)
    assert np.isnan(chance_deeper(np.full((1, len(OVER_MM)), np.nan), 30.0)).all()
    assert BELIEVED < MEASURED < 1.0


def test_edges_are_weighed_by_what_the_cells_say():
    """Of two places of a step the cells prefer where it is, by as much as least squares would.

    Log evidence of loose models differs by half the difference of their squared misfits.
    """
    sighted = _sections()
    step = np.where(sighted.place_m > 0.0, -0.1, 0.0)
    right = sighted._replace(mean_m=step)
    wrong = right._replace(place_m=right.place_m - 0.4, width_m=right.width_m - 0.4)
    told = [
        section_gaps(of, length_m=1.8, step_m=np.full(3, 0.3), weighed=True).evidence
        for of in (right, wrong)
    ]
    assert (told[0] - told[1] > 5.0).all()


def test_compiled_draws_equal_plain_ones():
    """Kinds picked, sections drawn, gaps laid and counted, against plain arrays."""
    dice = np.random.default_rng(6)
    n, draws, m, f, k, kinds, amplitudes = 2, 8, 4, 3, 9, 7, 2
    weight, lot = dice.random((n, amplitudes * kinds)), dice.permutation(draws).astype(float)
    kind, share = np.empty((n, 2 * draws), dtype=np.int64), np.empty((n, 2 * draws))
    pick(weight, lot, kind, share)
    for i, d in np.ndindex(n, draws):
        upto = np.cumsum(weight[i]) / weight[i].sum()
        low, high = (lot[d] + 0.25) / draws, (lot[d] + 0.75) / draws
        both = kind[i, [d, draws + d]]
        np.testing.assert_array_equal(both, np.searchsorted(upto, [low, high]))
        ends = 0.5 * (upto[both[0]] + upto[both[1] - 1]) if both[0] < both[1] else high
        of_first = np.clip((ends - low) / (high - low), 0.0, 1.0)
        told = share[i, [d, draws + d]] * draws
        np.testing.assert_allclose(told, [of_first, 1.0 - of_first], atol=1e-12)
    axes = np.linalg.qr(dice.standard_normal((n, m, m)))[0]
    told = (
        axes,
        *(0.01 * dice.standard_normal((n, m, k)), dice.random((n, f, k))),
        *(100.0 * dice.random((n, m)), dice.standard_normal((n, m))),
        *(dice.random((n, f)), dice.random((n, f)), dice.standard_normal((n, f, m))),
    )
    _, shapes, forms, power, pull, _, _, tied = told
    height, height_se = 0.02 * dice.standard_normal((2, n, amplitudes * kinds))
    variance, scores = np.array([0.01, 0.2]), _even_normals(draws, m + 1)
    knots = np.tile(np.linspace(0.0, 1.5, k), (n, 1))
    gaps, plain = np.empty((n, 2 * draws, 2)), np.empty((1, 2))
    share[:, -1] = 0.0
    draw_gaps(told, kind, share, kinds, height, height_se, variance, scores, knots, 1.0, gaps)
    assert (gaps[share == 0.0] == 0.0).all()
    for i, d in np.argwhere(share > 0.0):
        amplitude, which = divmod(kind[i, d], kinds)
        form = max(which - 1, 0) % f
        at = height[i, kind[i, d]] + height_se[i, kind[i, d]] * scores[d % draws, m]
        left = 1.0 / (1.0 / variance[amplitude] + power[i])
        score = left * (pull[i] - tied[i, form] * at)
        score += np.sqrt(left) * (scores[d % draws, :m] @ axes[i])
        largest_gaps(knots[:1], (score @ shapes[i] + at * forms[i, form])[None], 1.0, plain)
        np.testing.assert_allclose(gaps[i, d], plain[0], atol=1e-12)
    over, counts = np.array([0.005, 0.02, 0.05]), dice.random((n, 2 * draws))
    out = np.empty((n, 2, over.size))
    shares_over(gaps, counts, over, (0.1, 0.002), out)
    half = np.sqrt(3.0) * (0.1 * gaps + 0.002)
    part = np.clip(0.5 + 0.5 * (gaps[..., None] - over) / half[..., None], 0.0, 1.0)
    np.testing.assert_allclose(out, np.einsum("nd,ndwk->nwk", counts, part), atol=1e-12)


def test_middle_gap_is_the_mean_of_the_middle_share():
    """Of gaps that count alike a quarter of them; nothing that doesn't count is heard."""
    dice = np.random.default_rng(7)
    gaps, counts = dice.exponential(0.02, (3, 80, 2)), np.zeros((3, 80))
    counts[:, ::2] = 1.0 / 40.0
    middle, mean, square = (np.empty((3, 2)) for _ in range(3))
    weigh_gaps(gaps, counts, 0.125, middle, mean, square)
    heard = np.sort(gaps[:, ::2], axis=1)
    np.testing.assert_allclose(middle, heard[:, 15:25].mean(axis=1))
    np.testing.assert_allclose(mean, heard.mean(axis=1))
    np.testing.assert_allclose(square, (heard**2).mean(axis=1))


def test_kinds_are_picked_as_often_as_they_are_likely():
    """Many unlikely ones too, of which a lot holds several: none of them is preferred."""
    dice = np.random.default_rng(8)
    weight = np.concatenate([np.full((400, 60), 0.5 / 60), dice.random((400, 2)) / 2.0], axis=1)
    weight = weight[:, dice.permutation(62)]
    kind, share = np.empty((400, 64), dtype=np.int64), np.empty((400, 64))
    pick(weight, dice.permutation(32).astype(float), kind, share)
    common = weight > 0.5 / 60 + 1e-12
    told = [(share * np.take_along_axis(which, kind, axis=1)).sum() for which in (common, ~common)]
    likely = weight / weight.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(told, [likely[common].sum(), likely[~common].sum()], rtol=0.03)


def test_draws_tell_of_nothing_what_many_more_tell(monkeypatch):
    """All shoulders have the same few draws: what chance left in them would be wrong in all."""
    few = np.array(usual_over())
    monkeypatch.setattr(gaps_module, "_DRAWS", 4800)
    many = np.array(usual_over.__wrapped__())
    np.testing.assert_allclose(few[1:6], many[1:6], atol=0.03)
    assert few[OVER_MM.index(30.0)] == pytest.approx(many[OVER_MM.index(30.0)], abs=0.01)
    # about one shoulder in fourteen, as is said of them
    assert many[OVER_MM.index(30.0)] == pytest.approx(1.0 / 14.0, abs=0.005)
