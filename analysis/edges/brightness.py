"""Brightness as evidence for the pavement edge: asphalt is dark beside gravel and grass.

Where pavement and shoulder lie in one plane the ground shows no edge between them; the intensity
of a survey's points, or a picture, may still show it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.common.types import Floats

__all__ = ["Brightness", "brightness_of"]


MISLED = 0.1
"""How likely brightness says nothing of the edge in a block (shade, paint, fresh gravel on the
pavement); our own choice. It bounds what any block can say."""

MOST_GAIN = 2.0
"""Greatest log evidence of a block for an edge being there at all; our own choice."""

STREAK_M, LEAST_STREAK = 0.3, 0.05
"""Wheel paths and patches are about so wide, and never fainter than this share of the pavement's
brightness; our own choice, on the careful side."""

_BLOCKS_AT_ONCE = 256


@dataclass(frozen=True, slots=True)
class Brightness:
    """How bright one side of a road is, in b blocks and k places outward.

    Attributes
    ----------
    u : (k,)
        Places, even steps, metres.
    mean, precision : (b, k)
        Mean brightness and its inverse variance; precision 0 = unknown or not to be used.
    overlap : int
        How many neighbouring blocks share their cells.
    apart : float
        How far levels of brightness lie apart: their standard deviation before any is seen.
    blur_m : float
        Width of a cell across the road; one that straddles an edge belongs to neither side, the
        same all along a straight road. Points have none.
    """

    u: Floats
    mean: Floats
    precision: Floats
    overlap: int
    apart: float
    blur_m: float = 0.0

    def pairs(self, edges: Floats, hinges: Floats) -> tuple[Floats, Floats]:
        """Log evidence of edge and hinge at each pair of places, (b, e, h), and of an edge alone.

        The pavement, the shoulder and the land beyond each have a brightness of their own.
        """
        both, single = [], []
        # a long road's pairs are many: some blocks at a time
        for first in range(0, len(self.mean), _BLOCKS_AT_ONCE):
            part = self._part(slice(first, first + _BLOCKS_AT_ONCE))
            edge, hinge = part._before(edges), part._before(hinges)
            whole = part._before(np.array([np.inf]))
            inner, outer = part._level(edge), part._level(_past(hinge, whole))
            between = part._level(_past(edge[:, :, :, None], hinge[:, :, None, :]))
            pair = inner[:, :, None] + between + outer[:, None, :]
            alone = inner + part._level(_past(edge, whole))
            pair, alone = part._doubted(pair, alone)
            both.append(pair)
            single.append(alone)
        return np.concatenate(both), np.concatenate(single)

    def edges(self, places: Floats, hinge: Floats) -> Floats:
        """Log evidence of an edge at each place with the hinges (b,) known, (b, e)."""
        edge, outer = self._before(places), self._before(hinge[:, None])
        evidence = self._level(edge) + self._level(_past(edge, outer))
        return self._doubted(evidence)[0]

    def gain(self, edge: Floats, hinge: Floats) -> Floats:
        """Log evidence (b,) for edges being there at all, each block's bounded."""
        inner, outer = self._before(edge[:, None]), self._before(hinge[:, None])
        split = self._level(inner) + self._level(_past(inner, outer))
        more = ((split - self._level(outer)) / self.overlap)[:, 0]
        sure = np.logaddexp(np.log1p(-MISLED) + more, np.log(MISLED))
        return np.asarray(np.minimum(sure, MOST_GAIN))

    def unsure_m(self) -> float:
        """Standard deviation of an edge within a cell that straddles it, metres."""
        return self.blur_m / float(np.sqrt(12.0))

    def _before(self, places: Floats) -> Floats:
        """Weight, weighted sum and sum of squares inward of each place, (3, b, places)."""
        step = self.u[1] - self.u[0]
        known = np.where(self.precision > 0.0, self.mean, 0.0)
        values = np.stack([self.precision, self.precision * known, self.precision * known**2])
        sums = np.concatenate([np.zeros((*values.shape[:2], 1)), np.cumsum(values, 2)], axis=2)
        at = np.clip((places - self.u[0]) / step + 0.5, 0.0, self.u.size)
        at = np.broadcast_to(at, (known.shape[0], np.shape(places)[-1]))
        low = np.minimum(at.astype(np.int64), self.u.size - 1)
        row = np.arange(known.shape[0])[:, None]
        return np.asarray(
            sums[:, row, low] + (at - low) * (sums[:, row, low + 1] - sums[:, row, low])
        )

    def _level(self, sums: Floats) -> Floats:
        """Log evidence of one brightness for all that the sums are over."""
        weight, total, squares = sums
        usual = self._usual().reshape((-1,) + (1,) * (weight.ndim - 1))
        spread = 1.0 + weight * self.apart**2
        # squares about the usual brightness, less what a level of its own takes up
        about = total - weight * usual
        scatter = squares - 2.0 * usual * total + weight * usual**2
        taken = self.apart**2 * about**2 / spread
        return np.asarray(-0.5 * (scatter - taken) - 0.5 * np.log(spread))

    def _usual(self) -> Floats:
        """Mean brightness of each block, (b,)."""
        weight = self.precision.sum(axis=1)
        total = (self.precision * np.where(self.precision > 0.0, self.mean, 0.0)).sum(axis=1)
        usual: Floats = np.divide(total, weight, out=np.zeros_like(total), where=weight > 0.0)
        return usual

    def _doubted(self, *evidence: Floats) -> tuple[Floats, ...]:
        """Bound what a block can say by the chance that it is misled."""
        flat = np.concatenate([part.reshape(len(part), -1) for part in evidence], axis=1)
        flat = flat / self.overlap
        flat -= np.logaddexp.reduce(flat, axis=1, keepdims=True) - np.log(flat.shape[1])
        flat = np.logaddexp(np.log1p(-MISLED) + flat, np.log(MISLED))
        cuts = np.cumsum([part[0].size for part in evidence])[:-1]
        pieces = np.split(flat, cuts, axis=1)
        return tuple(v.reshape(part.shape) for v, part in zip(pieces, evidence, strict=True))

    def _part(self, here: slice) -> Brightness:
        return replace(self, mean=self.mean[here], precision=self.precision[here])


def _past(inner: Floats, outer: Floats) -> Floats:
    """Sums between two places; nothing where they lie the other way about."""
    between = outer - inner
    return np.where(between[:1] > 0.0, between, 0.0)


def brightness_of(
    u: Floats,
    mean: Floats,
    count: Floats,
    scatter: float,
    edge: Floats,
    overlap: int,
    blur_m: float = 0.0,
) -> Brightness | None:
    """Weigh the brightness of one side by its own scatter; None where there is none.

    Parameters
    ----------
    u : (k,)
        Places outward, metres.
    mean, count : (b, k)
        Mean brightness and how many cells or points it is of.
    scatter : float
        Standard deviation of one cell or point about its surroundings.
    edge : (b,)
        Nominal place of the edge.
    overlap : int
        How many neighbouring blocks share their cells.
    blur_m : float
        Width of a cell across the road, 0 for points.
    """
    core = (count > 0) & (u[None, :] > 0.5) & (u[None, :] < edge[:, None] - 1.0)
    if not core.any():
        return None
    own = scatter**2 / np.maximum(count, 1.0)
    level = float(np.median(mean[core]))
    streaks = float(np.var(mean[core]) - np.mean(own[core]))
    streaks = max(streaks, (LEAST_STREAK * abs(level)) ** 2)
    variance = own + streaks * max(1.0, STREAK_M / float(u[1] - u[0]))
    precision = np.where(count > 0, 1.0 / variance, 0.0)
    apart = float(np.std(mean[precision > 0.0]))
    return Brightness(u, mean, precision, overlap, max(apart, 1e-6), blur_m)
