"""The one door to the libraries that read and write map files.

Each of the two libraries carries its own copy of GDAL and PROJ. Loading them in one
fixed order, in one place, and doing all coordinate work through the first of them keeps
the two copies out of each other's way. The module is heavy: import it inside functions.
"""

import os

# The default, a twentieth of the machine's memory, lets one look at a big grid hold on to a
# gigabyte of unpacked blocks; a row of blocks is all that reading in order needs.
os.environ.setdefault("GDAL_CACHEMAX", "256")

import rasterio
import rasterio.enums
import rasterio.errors
import rasterio.features
import rasterio.transform
import rasterio.vrt
import rasterio.warp
import rasterio.windows
from rasterio.crs import CRS

import fiona  # isort: skip  # after rasterio, always
import fiona._err
import fiona.drvsupport
import fiona.errors
import fiona.model
import rasterio._err

# The library leaves these out of its list; reading them is sound.
fiona.drvsupport.supported_drivers.update(LIBKML="r", KML="r")

LIBRARY_ERRORS = (
    *(rasterio.errors.RasterioError, rasterio._err.CPLE_BaseError),
    *(fiona.errors.FionaError, fiona._err.CPLE_BaseError),
    *(OSError, ValueError, OverflowError, MemoryError),
    # slips of the libraries themselves over names that aren't UTF-8
    *(SystemError, UnboundLocalError),
)
"""What the two may raise on a file that isn't what it should be."""

__all__ = ["CRS", "LIBRARY_ERRORS", "fiona", "rasterio"]
