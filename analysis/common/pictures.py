"""Pictograms of the findings, as the small drawings that window, sheets and pages share.

Each is a section of pavement (left) and shoulder (right) as the finding would show it: level,
tilted inward, too steep, bent too sharply, with a lip, a kerb, a wave or a bite; a drop of water; a
ditch with a plug. They were drawn for this program.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

__all__ = ["finding_picture"]


@cache
def finding_picture(finding: str) -> str:
    """Return the SVG of a finding's pictogram in black, 24 by 24 units.

    Empty for what has none: sound, can't tell, no data.
    """
    if not finding:
        return ""
    name = f"finding-{finding.replace(' ', '-')}.svg"
    place = files("resources").joinpath("icons", name)
    return place.read_text(encoding="utf-8") if place.is_file() else ""
