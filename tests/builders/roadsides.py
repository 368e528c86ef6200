"""Sections of roads as they lie between banks, walls and kerbs: straight lines across, no sample.

Each is a function of the offset from the middle of the road; pavement falls 2.5 % both ways.
"""

import numpy as np

from tests.builders.cells_road import Profile

__all__ = ["PAVEMENT_WIDTHS", "ROADSIDES", "section", "twin_roads", "without_road"]


def section(left, right, half) -> Profile:
    """Join two sides, each (distances beyond the edge, heights above it), to a pavement."""

    def heights(o):
        o = np.asarray(o, float)
        beyond = [np.interp(np.abs(o) - half, *side) for side in (left, right)]
        return -0.025 * np.minimum(np.abs(o), half) + np.where(o < 0.0, *beyond)

    return heights


CUT = ([0.0, 1.0, 1.8, 2.2, 6.2, 30.0], [0.0, -0.04, -0.24, -0.24, 2.4, 2.9])
"""Shoulder, shallow ditch, bank 1 : 1.5."""

FILL = ([0.0, 1.0, 5.0, 30.0], [0.0, -0.04, -2.04, -2.2])
"""Shoulder and fill slope 1 : 2."""

WALL = ([0.0, 1.0, 1.01, 30.0], [0.0, -0.04, 1.2, 1.4])
"""A wall of 1.2 m at the end of the shoulder."""

SUNKEN = ([0.0, 0.15, 2.2, 30.0], [0.0, 0.0, 1.8, 2.2])
"""A bank that begins next to the pavement, as in a sunken lane."""

KERB = ([0.0, 0.01, 2.0, 30.0], [0.0, 0.12, 0.15, 0.3])
"""A kerb of 120 mm and a walk behind it."""

PAVEMENT_WIDTHS = {
    "in a cut": 5.0,
    "bank and fill": 5.0,
    "between walls": 5.0,
    "sunken lane": 4.4,
    "kerbed street": 7.0,
}

ROADSIDES: dict[str, Profile] = {
    "in a cut": section(CUT, CUT, 2.5),
    "bank and fill": section(CUT, FILL, 2.5),
    "between walls": section(WALL, WALL, 2.5),
    "sunken lane": section(SUNKEN, SUNKEN, 2.2),
    "kerbed street": section(KERB, KERB, 3.5),
}


def twin_roads(o):
    """Two like roads 4 m wide, their middles 3 m left and right of the ditch between them."""
    side = ([0.0, 0.3, 1.0, 30.0], [0.0, -0.02, -0.45, -0.5])
    road = section(side, side, 2.0)
    return np.maximum(road(o - 3.0), road(o + 3.0))


def without_road(o):
    """Level ground."""
    return 0.0 * np.asarray(o, float)
