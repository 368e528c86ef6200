"""From the true ground to a terrain grid: area means of cells, noise, holes, obstacles."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sample_terrain.axis import Axis, foot
from sample_terrain.spec import Spec
from sample_terrain.surface import Surface, section_height

__all__ = ["Frame", "cell_means", "correlated_noise", "frame_around"]

BLOCK = 8


@dataclass(frozen=True, slots=True)
class Frame:
    """Place of a north-up grid: its upper left corner, cell size and shape."""

    west: float
    north: float
    cell_m: float
    rows: int
    cols: int

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """Affine coefficients (a, b, c, d, e, f) of the upper left cell corners."""
        return (self.cell_m, 0.0, self.west, 0.0, -self.cell_m, self.north)

    def centres(self) -> tuple[NDArray, NDArray]:
        """Return x of the columns (cols,) and y of the rows (rows,) at cell centres."""
        x = self.west + (np.arange(self.cols) + 0.5) * self.cell_m
        y = self.north - (np.arange(self.rows) + 0.5) * self.cell_m
        return x, y


def frame_around(axes: list[Axis], margin_m: float, cell_m: float) -> Frame:
    """Return the smallest grid of whole cells that keeps `margin_m` around all axes."""
    x = np.concatenate([a.x for a in axes])
    y = np.concatenate([a.y for a in axes])
    west = np.floor((x.min() - margin_m) / cell_m) * cell_m
    north = np.ceil((y.max() + margin_m) / cell_m) * cell_m
    cols = int(np.ceil((x.max() + margin_m - west) / cell_m))
    rows = int(np.ceil((north - y.min() + margin_m) / cell_m))
    return Frame(float(west), float(north), cell_m, rows, cols)


def _nearest_blocks(axis: Axis, frame: Frame, half_width_m: float) -> tuple[NDArray, NDArray]:
    """Blocks of cells near the axis, as (m, 2) block indices and (m,) start distances."""
    rows = np.arange(0, frame.rows, BLOCK)
    cols = np.arange(0, frame.cols, BLOCK)
    x = frame.west + (cols + 0.5 * BLOCK) * frame.cell_m
    y = frame.north - (rows + 0.5 * BLOCK) * frame.cell_m
    reach = half_width_m + BLOCK * frame.cell_m
    tree = cKDTree(np.column_stack([axis.x, axis.y]))
    xx, yy = np.meshgrid(x, y)
    distance, node = tree.query(
        np.column_stack([xx.ravel(), yy.ravel()]), distance_upper_bound=reach
    )
    near = np.flatnonzero(np.isfinite(distance))
    at = np.column_stack(np.unravel_index(near, xx.shape)) * BLOCK
    return at.astype(np.int64), axis.s[node[near]]


@njit(cache=True)
def _fill(
    z,
    s_out,
    o_out,
    blocks,
    starts,
    place,
    x,
    y,
    heading,
    curvature,
    step,
    table,
    half,
    first,
    last,
    n,
):  # pragma: no cover - compiled
    """Area means by n*n sub-cells, each row and column of them shifted against the next."""
    west, north, cell = place
    for b in range(blocks.shape[0]):
        for row in range(blocks[b, 0], min(blocks[b, 0] + 8, z.shape[0])):
            for col in range(blocks[b, 1], min(blocks[b, 1] + 8, z.shape[1])):
                cx = west + (col + 0.5) * cell
                cy = north - (row + 0.5) * cell
                s, o, turn, k = foot(x, y, heading, curvature, step, cx, cy, starts[b])
                if abs(o) > half or s < first or s > last:
                    continue
                s_out[row, col] = s
                o_out[row, col] = o
                c, q = np.cos(turn), np.sin(turn)
                lever = max(1.0 - k * o, 0.2)
                total = 0.0
                for i in range(n):
                    for j in range(n):
                        dx = ((i + (j + 0.5) / n) / n - 0.5) * cell
                        dy = ((j + (i + 0.5) / n) / n - 0.5) * cell
                        along = dx * c + dy * q
                        across = dx * q - dy * c
                        # the frame turns under the cell; second order is exact to microns
                        ds = along / lever * (1.0 + k * across / lever)
                        do = across - 0.5 * k * along * along / lever
                        total += section_height(table, s + ds, o + do)
                z[row, col] = total / (n * n)


def cell_means(
    axis: Axis, surface: Surface, frame: Frame, *, half_width_m: float, subcells: int | None = None
) -> tuple[NDArray, NDArray, NDArray]:
    """Return the area mean of the ground in each cell of a corridor.

    Parameters
    ----------
    axis, surface : Axis, Surface
    frame : Frame
    half_width_m : float
        Cells whose centre is farther from the axis are NaN.
    subcells : int, optional
        Sub-cells along each side of a cell; default one each 62.5 mm and at least 5.

    Returns
    -------
    z, s, o : (rows, cols) arrays
        Height, true distance and true offset of the cell centres, NaN outside the corridor.
    """
    n = subcells or max(5, int(np.ceil(frame.cell_m / 0.0625)))
    z = np.full((frame.rows, frame.cols), np.nan)
    s = np.full(z.shape, np.nan)
    o = np.full(z.shape, np.nan)
    blocks, starts = _nearest_blocks(axis, frame, half_width_m)
    _fill(
        *(z, s, o, blocks, starts, (frame.west, frame.north, frame.cell_m)),
        *(axis.x, axis.y, axis.heading, axis.curvature, axis.step_m, surface.table),
        *(half_width_m, 0.0, axis.length_m, n),
    )
    return z, s, o


def correlated_noise(
    shape: tuple[int, int],
    cell_m: float,
    rng: np.random.Generator,
    *,
    sigma_m: float,
    correlation_m: float = 0.0,
    nugget: float = 1.0,
    kind: str = "exponential",
) -> NDArray:
    """Return vertical noise of a grid: a white share and one correlated between neighbours.

    Parameters
    ----------
    shape : (rows, cols)
    cell_m : float
    rng : numpy Generator
    sigma_m : float
        Standard deviation of the sum of both.
    correlation_m : float
        L in the correlation exp(-d / L), or exp(-(d / L)^2) for "gaussian"; 0 is all white.
    nugget : float
        Share (0..1) of the variance that is white.
    kind : {"exponential", "gaussian"}

    Returns
    -------
    (rows, cols) array, metres

    Notes
    -----
    The correlated share is drawn in the frequency domain on a grid longer by six correlation
    lengths each way, so that its covariance is the stated one.
    """
    if correlation_m <= 0.0 or nugget >= 1.0:
        return sigma_m * rng.standard_normal(shape)
    white = np.sqrt(nugget) * sigma_m * rng.standard_normal(shape)
    pad = int(np.ceil(6.0 * correlation_m / cell_m))
    size = [n + pad + (n + pad) % 2 for n in shape]
    away = [np.minimum(np.arange(n), n - np.arange(n)) * cell_m for n in size]
    d = np.hypot(away[0][:, None], away[1][None, :]) / correlation_m
    covariance = np.exp(-d) if kind == "exponential" else np.exp(-d * d)
    power = np.sqrt(np.maximum(np.fft.rfft2(covariance).real, 0.0))
    field = np.fft.irfft2(power * np.fft.rfft2(rng.standard_normal(size)), s=size)
    return white + np.sqrt(1.0 - nugget) * sigma_m * field[: shape[0], : shape[1]]


def spoil(z: NDArray, s: NDArray, o: NDArray, spec: Spec, axis: Axis, frame: Frame) -> None:
    """Put the obstacles of a road into its cells and take its holes out, in place."""
    for hole in spec.holes:
        gone = (s >= hole.begin_m) & (s <= hole.end_m) & (o >= hole.from_o_m) & (o <= hole.to_o_m)
        z[gone] = np.nan
    n = 6
    part = ((np.arange(n) + 0.5) / n - 0.5) * frame.cell_m
    for thing in spec.obstacles:
        x, y = axis.to_map(np.array(thing.at_m), np.array(thing.o_m))
        heading = float(np.interp(thing.at_m, axis.s, axis.heading))
        col = int((float(x) - frame.west) / frame.cell_m)
        row = int((frame.north - float(y)) / frame.cell_m)
        r = int(np.ceil(3.5 / frame.cell_m))
        rows = np.arange(max(row - r, 0), min(row + r + 1, frame.rows))
        cols = np.arange(max(col - r, 0), min(col + r + 1, frame.cols))
        cx, cy = frame.centres()
        dx = cx[cols][None, :, None, None] + part[None, None, None, :] - float(x)
        dy = cy[rows][:, None, None, None] + part[None, None, :, None] - float(y)
        along = np.abs(dx * np.cos(heading) + dy * np.sin(heading))
        across = np.abs(dx * np.sin(heading) - dy * np.cos(heading))
        if thing.kind == "car":
            shape = ((along < 2.2) & (across < 0.9)).astype(float)
        else:
            shape = np.maximum(1.0 - (along**2 + across**2) / thing.radius_m**2, 0.0)
        z[np.ix_(rows, cols)] += thing.height_m * shape.mean(axis=(2, 3))
