"""Native cells of invented straight roads on turned lattices, for tests of breaks and fits."""

from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np

from analysis.common.station_arrays import stations_of
from analysis.corridor.values import Cells
from analysis.edges.values import Breaks
from analysis.road.roadline import make_road
from analysis.shoulder.values import Noise

EDGE, WIDTH = 3.5, 1.5
PAVEMENT, SHOULDER, FORESLOPE = 0.02, 0.04, 0.25
FINE_M = 0.001

LANE = make_road("Lane", np.array([[0.0, 0.0], [1000.0, 0.0]]))
"""The road of cases that only need one to have a name."""

Profile = Callable[[np.ndarray], np.ndarray]


def crown_section(
    u, *, edge=EDGE, width=WIDTH, pavement=PAVEMENT, shoulder=SHOULDER, drop=0.0, fore=FORESLOPE
):
    """Heights of one side `u` metres outward from the crown, all breaks sharp."""
    z = -pavement * np.minimum(u, edge) - shoulder * np.clip(u - edge, 0.0, width)
    return z - drop * (u > edge) - fore * np.maximum(u - edge - width, 0.0)


def both_sides(**options) -> Profile:
    """A section with the same sides left and right, as a function of the offset."""
    return lambda o: crown_section(np.abs(o), **options)


def cell_mean(profile: Profile, o, box):
    """Mean of a section over cells centred at `o`: two running means of widths `box`.

    By running sums over a millimetre grid; nothing of the tool's own smear is used.
    """
    o = np.asarray(o, float)
    reach = np.abs(o).max() + sum(box) + 0.1
    x = np.arange(-reach, reach + FINE_M, FINE_M) + 0.37 * FINE_M
    z = profile(x)
    for size in box:
        if size < 1e-9:
            continue
        total = np.concatenate([[0.0], np.cumsum(0.5 * (z[1:] + z[:-1]) * FINE_M)])
        z = (np.interp(x + 0.5 * size, x, total) - np.interp(x - 0.5 * size, x, total)) / size
    return np.interp(o, x, z)


def turned_box(cell, azimuth_deg):
    """Widths of a square cell across a road whose direction makes this angle with the rows."""
    turn = np.deg2rad(azimuth_deg)
    return cell * np.abs(np.array([np.cos(turn), np.sin(turn)]))


def lattice(*, cell=0.5, azimuth_deg=24.0, length=120.0, half=9.0, shift=(0.0, 0.0)):
    """Centres of a turned lattice along a straight road: s, o, row, col, sorted by s."""
    turn = np.deg2rad(azimuth_deg)
    reach = int(np.hypot(0.5 * length, half) / cell) + 2
    i, j = (part.ravel() for part in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    s = 0.5 * length + cell * (i * np.cos(turn) - j * np.sin(turn)) + shift[0]
    o = cell * (i * np.sin(turn) + j * np.cos(turn)) + shift[1]
    near = (s >= 0.0) & (s <= length) & (np.abs(o) <= half)
    order = np.flatnonzero(near)[np.argsort(s[near], kind="stable")]
    return s[order], o[order], i[order] + reach, j[order] + reach


def make_cells(s, o, z, row, col, cell):
    """`Cells` of the known ones among these."""
    known = np.isfinite(z)
    return Cells(
        s=s[known],
        o=o[known],
        z=np.ascontiguousarray(z[known], float),
        row=row[known].astype(np.int32),
        col=col[known].astype(np.int32),
        cell_m=cell,
    )


def straight_cells(
    profile: Profile,
    *,
    cell=0.5,
    azimuth_deg=24.0,
    length=120.0,
    half=9.0,
    shift=(0.0, 0.0),
    grade=0.0,
    sigma=0.0,
    seed=0,
    extra=None,
):
    """Area-averaged cells of a straight road; `extra(s, o)` is added to their heights."""
    s, o, row, col = lattice(
        cell=cell, azimuth_deg=azimuth_deg, length=length, half=half, shift=shift
    )
    z = 100.0 + grade * s + cell_mean(profile, o, turned_box(cell, azimuth_deg))
    if extra is not None:
        z = z + extra(s, o)
    if sigma:
        z = z + sigma * np.random.default_rng(seed).standard_normal(z.size)
    return make_cells(s, o, z, row, col, cell)


def box_for(n, cell, azimuth_deg):
    """Box widths for n stations of a straight road."""
    return np.tile(turned_box(cell, azimuth_deg), (n, 1))


def known_breaks(s, *, edge=EDGE, width=WIDTH, axis=0.0, edge_se=0.0, hinge_se=0.0):
    """Breaks that a person gave; each value one for all, (n,), or (n, 2)."""
    s = np.asarray(s, float)
    n = s.size

    def both(value):
        value = np.asarray(value, float)
        return np.array(np.broadcast_to(value[:, None] if value.ndim == 1 else value, (n, 2)))

    given = np.full((n, 2), 2, np.int8)
    return Breaks(
        s=s,
        axis=np.array(np.broadcast_to(np.asarray(axis, float), (n,))),
        axis_source=given[:, 0].copy(),
        edge=both(edge),
        edge_se=both(edge_se),
        edge_confidence=both(1.0),
        edge_source=given.copy(),
        hinge=both(edge) + both(width),
        hinge_se=both(hinge_se),
        hinge_confidence=both(1.0),
        hinge_source=given.copy(),
        ditch=both(np.nan),
        ditch_source=given.copy(),
        crowned=np.ones(n, bool),
    )


def known_noise(n, sigma=0.02, *, correlation=0.0, nugget=1.0):
    """Noise that a person gave."""
    return Noise(np.full(n, sigma), np.full(n, correlation), np.full(n, nugget), "given")


def seen_from_its_other_end(cells, breaks, length):
    """Cells and breaks of a straight road of this length with its ends swapped."""
    order = np.arange(len(cells))[::-1]
    turned = replace(cells.part(order), s=length - cells.s[order], o=-cells.o[order])
    back = stations_of(replace(breaks, line=None), np.arange(breaks.s.size)[::-1])
    sides = {
        of.name: value[:, ::-1]
        for of in fields(back)
        if isinstance(value := getattr(back, of.name), np.ndarray) and value.shape[1:2] == (2,)
    }
    return turned, replace(back, s=length - back.s, axis=-back.axis, **sides)
