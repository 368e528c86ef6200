"""Made points written as surveys are handed out: LAS, LAZ, and COPC with one level of eight."""

import io
import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_terrain.surveys import Points

__all__ = ["GEO_KEYS_UTM_28", "write_points"]

GEO_KEYS_UTM_28 = {1024: 1, 3072: 32628, 4099: 9001}
"""GeoTIFF keys of the plane that the scenes lie in, heights in metres."""

_BRIGHTEST = 40_000.0


def write_points(
    points: Points,
    path: str | Path,
    *,
    crs: str | dict[int, int] | None = "EPSG:32628",
    unit_m: float = 1.0,
    z_unit_m: float | None = None,
    classes: NDArray | int = 2,
    withheld: NDArray | None = None,
    copc: bool = False,
) -> None:
    """Write points to a LAS file, or LAZ if the name ends so.

    Parameters
    ----------
    points
        In metres; strip k gets the point source ID 100 + k.
    crs : str, dict or None
        A coordinate system to write as WKT, GeoTIFF keys to write as they are, or nothing.
    unit_m, z_unit_m
        Length of one unit of the file's plane and heights; the heights' is the plane's by default.
    classes, withheld
        Of the points; ground by default, none withheld.
    copc : bool
        Lay the points out in an octree. Source: COPC 1.0 specification.
    """
    import laspy

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, 0.001)
    header.offsets = np.floor([points.x.min() / unit_m, points.y.min() / unit_m, 0.0])
    for vlr in _plane(crs):
        header.vlrs.append(vlr)
    header.global_encoding.wkt = not isinstance(crs, dict)
    las = laspy.LasData(header)
    las.x, las.y = points.x / unit_m, points.y / unit_m
    las.z = points.z / (unit_m if z_unit_m is None else z_unit_m)
    las.intensity = np.round(points.intensity * _BRIGHTEST).astype(np.uint16)
    las.point_source_id = (100 + points.strip).astype(np.uint16)
    las.classification = np.broadcast_to(np.asarray(classes, np.uint8), points.x.shape)
    if withheld is not None:
        las.withheld = withheld
    if copc:
        _write_copc(las, Path(path))
    else:
        las.write(str(path))


def _plane(crs: str | dict[int, int] | None) -> list[Any]:
    import laspy
    from rasterio.crs import CRS

    if crs is None:
        return []
    if isinstance(crs, str):
        return [laspy.vlrs.known.WktCoordinateSystemVlr(CRS.from_user_input(crs).to_wkt())]
    keys = b"".join(struct.pack("<4H", key, 0, 1, value) for key, value in sorted(crs.items()))
    record = struct.pack("<4H", 1, 1, 0, len(crs)) + keys
    return [laspy.VLR("LASF_Projection", 34735, "GeoTIFF keys", record)]


def _write_copc(las: Any, path: Path) -> None:
    """Every ninth point in the root, the others in its eight children."""
    import laspy
    import lazrs

    las.update_header()
    header = las.header
    low, high = header.mins, header.maxs
    half = float(max(high - low)) / 2.0 + 0.01
    centre = (low + high) / 2.0
    packing = lazrs.LazVlr.new_for_compression(6, 0, use_variable_size_chunks=True)
    plane = list(header.vlrs)

    def head(offset: int, size: int) -> bytes:
        info = struct.pack("<5d2Q2d88x", *centre, half, half / 16.0, offset, size, 0.0, 0.0)
        header.vlrs.clear()
        header.vlrs.append(laspy.VLR("copc", 1, "COPC info VLR", info))
        record = bytes(packing.record_data())
        header.vlrs.append(laspy.VLR("laszip encoded", 22204, "lazrs", record))
        header.vlrs.extend(plane)
        header.are_points_compressed = True
        stream = io.BytesIO()
        header.write_to(stream)
        return stream.getvalue()

    header.number_of_evlrs = 1
    inside = np.column_stack([las.x, las.y, las.z]) > centre
    root = np.arange(len(las.x)) % 9 == 0
    child = inside @ np.array([1, 2, 4])
    nodes = [((0, 0, 0, 0), root)]
    nodes += [((1, k & 1, (k >> 1) & 1, k >> 2), ~root & (child == k)) for k in range(8)]
    with path.open("wb+") as out:
        out.write(head(0, 0))
        packer = lazrs.LasZipCompressor(out, packing)
        packer.reserve_offset_to_chunk_table()
        entries, begin = b"", out.tell()
        for key, held in nodes:
            if not held.any():
                continue
            packer.compress_many(np.frombuffer(las.points.array[held].tobytes(), np.uint8))
            packer.finish_current_chunk()
            out.flush()
            end = out.seek(0, io.SEEK_END)
            entries += struct.pack("<4iQ2i", *key, begin, end - begin, int(held.sum()))
            begin = end
        packer.done()
        at = out.seek(0, io.SEEK_END)
        header.start_of_first_evlr = at
        out.write(struct.pack("<H16sHQ32s", 0, b"copc", 1000, len(entries), b"EPT hierarchy"))
        out.write(entries)
        out.seek(0)
        out.write(head(at + 60, len(entries)))
