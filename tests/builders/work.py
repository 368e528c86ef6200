"""Reaches that call for work, made without any screening."""

from typing import Any

import numpy as np

from analysis.earthwork.work_reach import WorkReach


def reach(from_m: float, to_m: float, treatment: str = "reshape", **given: Any) -> WorkReach:
    """A flat reach to be reshaped, but for what is given."""
    values = {
        "road": "Velmarrow Road",
        "side": "left",
        "from_m": from_m,
        "to_m": to_m,
        "length_m": abs(to_m - from_m),
        "finding": "flat",
        "treatment": treatment,
        "width_m": 1.5,
        "cut_m3_bank": 10.0,
        "fill_m3_compacted": 6.0,
        "import_m3_loose": 0.0,
        "import_t": 0.0,
        "haul_away_m3_loose": 0.0,
    }
    return WorkReach(**{**values, **given})


def reaches_at_random(n: int, *, seed: int) -> list[WorkReach]:
    """Reaches of a network: 40 to a road, half short of material, a third with a ditch to clean."""
    rng = np.random.default_rng(seed)
    found = []
    at = 0.0
    for k in range(n):
        at = rng.exponential(60.0) + (at if k % 40 else 0.0)
        length = 20.0 + rng.exponential(50.0)
        short = rng.random() < 0.5
        fill = rng.exponential(8.0) if short else 1.0
        clean = " and clean ditch" if rng.random() < 0.33 else ""
        found.append(
            reach(
                at,
                at + length,
                ("replenish" if short else "reshape") + clean,
                road=f"Road {k // 40 + 1}",
                side="left" if rng.random() < 0.5 else "right",
                cut_m3_bank=rng.exponential(4.0),
                fill_m3_compacted=fill,
                import_m3_loose=1.3 * fill if short else 0.0,
                import_t=2.1 * fill if short else 0.0,
                haul_away_m3_loose=0.0 if short else rng.exponential(3.0),
                ditch_clean_m=length if clean else 0.0,
                rank=k + 1,
                harm_class=int(rng.choice([1, 2, 3], p=[0.1, 0.4, 0.5])),
                harm=float(length * rng.uniform(0.5, 3.0)),
                from_z_m=float(rng.normal()),
                to_z_m=float(rng.normal()),
            )
        )
        at += length
    return found
