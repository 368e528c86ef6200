"""Water followed on a ribbon alone: edges read from it, no more known than a test gives."""

from unittest.mock import patch

import numpy as np

from analysis.common.along import average_along, rows_for
from analysis.water import ponds
from analysis.water.ditch import ditch_profile
from analysis.water.outlets import road_outlets
from analysis.water.zones import zoned
from tests.builders.plain_road import plain_noise

NO_CULVERTS = np.empty((0, 2))
USUAL_WIDTH_M = 1.5


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
    road = zoned(ribbon, breaks, USUAL_WIDTH_M)
    return ditch_profile(
        road,
        noise or plain_noise(breaks),
        edge_z_m=edge_heights(ribbon, breaks),
        spacing_m=float(np.median(np.diff(breaks.s))),
        cell_m=ribbon.step_o,
        outlets=road_outlets(road, culverts),
    )


def ponds_of(
    ribbon,
    breaks,
    noise,
    culverts=NO_CULVERTS,
    windows_m=ponds.WINDOWS_M,
    least_depth_m=ponds.LEAST_DEPTH_M,
    **given,
):
    """The ponds of a straight road without kerbs and crossings unless given."""
    road = zoned(ribbon, breaks, USUAL_WIDTH_M)
    outlets = given.pop("outlets", None) or road_outlets(road, culverts)
    cell_m, told = given.pop("cell_m", ribbon.step_o), given.pop("progress", None)
    usual = {
        "curvature": np.zeros(ribbon.s.size),
        "outlets": outlets,
        "crossings": np.empty((0, 3)),
        "kerb": np.zeros((breaks.s.size, 2), bool),
    }
    with patch.multiple(ponds, WINDOWS_M=windows_m, LEAST_DEPTH_M=least_depth_m):
        pits = ponds.find_pits(road, noise, cell_m=cell_m, outlets=outlets, progress=told)
        return ponds.find_ponds(road, pits, **{**usual, **given})
