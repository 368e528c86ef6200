"""Everything that can be wrong with what a person hands in, as one family of errors.

The text of each error is one sentence for the person at the screen: what is wrong,
where, and how to mend it.
"""

__all__ = [
    "Cancelled",
    "DegreesError",
    "HeightUnitError",
    "LimitsError",
    "NoGroundError",
    "OutputError",
    "ReadingsError",
    "RoadCrsError",
    "RoadError",
    "SettingsError",
    "TerrainCrsError",
    "TerrainError",
    "VergelineError",
]


class VergelineError(ValueError):
    """Input or output that the job can't go on with; the message is shown as it is."""


class TerrainError(VergelineError):
    """The terrain grid can't be used."""


class NoGroundError(TerrainError):
    """The grid has no height anywhere near a road, or near the piece of it that was asked for."""


class DegreesError(TerrainError):
    """The terrain grid is in degrees, and nobody asked for warping."""


class TerrainCrsError(TerrainError):
    """The terrain grid has no coordinate system, and none was given."""


class HeightUnitError(TerrainError):
    """The heights can only be in another unit than the one they were read in."""


class RoadError(VergelineError):
    """A centreline, edge line, mask or culvert layer can't be used."""


class RoadCrsError(RoadError):
    """A layer lies off the grid for want of a coordinate system of its own."""


class LimitsError(VergelineError):
    """A limit or a limits file can't be used."""


class SettingsError(VergelineError):
    """A width, spacing, length or other setting can't be used."""


class ReadingsError(VergelineError):
    """Readings from the field can't be used."""


class OutputError(VergelineError):
    """A result can't be written or read back."""


class Cancelled(Exception):
    """The person asked for the running job to stop; nothing was changed."""
