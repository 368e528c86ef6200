"""What was open lately."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from gui.look.remembered import remembered
from gui.state.jobs import RoadSource

__all__ = ["Recent", "add", "clear", "entries"]

MOST = 10
_KEY = "recent"


@dataclass(frozen=True, slots=True)
class Recent:
    """A saved study, or a terrain with a road."""

    study: str = ""
    terrain: str = ""
    road: str = ""
    layer: str | None = None
    start_m: float = 0.0
    reverse: bool = False
    crs: str | None = None
    name_field: str | None = None
    use_measures: bool = True
    traffic_field: str | None = None
    speed_field: str | None = None
    curve_field: str | None = None

    @property
    def title(self) -> str:
        """Short text for a menu."""
        if self.study:
            return Path(self.study).name
        parts = [Path(self.terrain).name]
        if self.road:
            parts.append(Path(self.road).name)
        return " + ".join(parts)

    @property
    def tip(self) -> str:
        """Whole paths."""
        return "\n".join(path for path in (self.study, self.terrain, self.road) if path)

    @property
    def source(self) -> RoadSource | None:
        """How the road was read."""
        if not self.road:
            return None
        how = {f.name: getattr(self, f.name) for f in fields(RoadSource) if f.name != "path"}
        return RoadSource(self.road, **how)

    @classmethod
    def of(cls, terrain: str, source: RoadSource | None) -> Recent:
        """Return an entry for a terrain and the road on it, if any."""
        how = {} if source is None else asdict(source)
        return cls(terrain=terrain, road=how.pop("path", ""), **how)

    def exists(self) -> bool:
        """Whether its files are still there."""
        return all(os.path.exists(p) for p in (self.study, self.terrain, self.road) if p)


def entries() -> list[Recent]:
    """Return what was open lately, newest first; what can't be read is left out."""
    text = remembered().value(_KEY, "[]")
    try:
        return [Recent(**entry) for entry in json.loads(str(text))]
    except (ValueError, TypeError):
        return []


def add(entry: Recent) -> None:
    """Put an entry first; a terrain gives way to the same terrain with its road."""
    kept = [
        other
        for other in entries()
        if other != entry
        and not (entry.terrain and other.terrain == entry.terrain and not other.road)
    ]
    remembered().set_value(_KEY, json.dumps([asdict(e) for e in [entry, *kept][:MOST]]))


def clear() -> None:
    """Forget everything."""
    remembered().remove(_KEY)
