"""Water followed on a ribbon alone: edges read from it, no more known than a test gives."""

import numpy as np

from analysis.common.along import average_along, rows_for
from analysis.water.ditch import ditch_profile
from analysis.water.outlets import road_outlets
from analysis.water.zones import zones
from tests.builders.plain_road import plain_noise

NO_CULVERTS = np.empty((0, 2))


def edge_heights(ribbon, breaks):
    """Heights of the pavement's edges at the stations, averaged over 2.5 m, (n, 2)."""
    ground, _ = average_along(ribbon.z, rows_for(2.5, ribbon.step_s))
    row = np.round((breaks.s - ribbon.s[0]) / ribbon.step_s).astype(int)
    row = np.clip(row, 0, ribbon.s.size - 1)[:, None]
    place = (np.nan_to_num(breaks.edge) * [-1.0, 1.0] - ribbon.o[0]) / ribbon.step_o
    column = np.clip(np.round(place).astype(int), 0, ribbon.o.size - 1)
    return np.where(np.isfinite(breaks.edge), ground[row, column], np.nan)


def ditch_of(ribbon, breaks, noise=None, culverts=NO_CULVERTS):
    """The ditch; without noise unless given."""
    return ditch_profile(
        ribbon,
        breaks,
        noise or plain_noise(breaks),
        edge_z_m=edge_heights(ribbon, breaks),
        spacing_m=float(np.median(np.diff(breaks.s))),
        cell_m=ribbon.step_o,
        outlets=road_outlets(ribbon, zones(ribbon, breaks), culverts),
    )
