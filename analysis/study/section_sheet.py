"""What the sheet of one cross-section says."""

from __future__ import annotations

import numpy as np

from analysis.common.sides import SIDES
from analysis.findings.sheet_text import Block, Figure, Sheet
from analysis.findings.sheets import Writing, caution_block, chance_text, verdict_words
from analysis.study.sections import SectionSide, SectionView, section_view
from analysis.study.values import Study

__all__ = ["SectionSubject", "section_sheet", "worst_section"]

SectionSubject = tuple[SectionView, str]
"""What a printer draws: the section, and the system of units to write it in."""

# Numbers in the order a reviewer checks them: column of the stations table, title, kind.
_NUMBERS = (
    ("shoulder_slope_pct", "shoulder slope", "slope"),
    ("required_slope_pct", "required slope", "slope"),
    ("pavement_slope_pct", "pavement slope", "slope"),
    ("breakover_points", "breakover", "points"),
    ("edge_drop_mm", "edge drop", "depth"),
    ("rut_mm", "rut", "depth"),
    ("ridge_mm", "ridge", "depth"),
    ("retained_mm", "retained depth", "depth"),
    ("shoulder_width_m", "shoulder width", "offset"),
    ("grade_pct", "grade", "grade"),
    ("ditch_depth_m", "ditch depth", "offset"),
    ("ditch_grade_pct", "ditch grade", "grade"),
    ("cut_m2", "cut", "area"),
    ("fill_m2", "fill", "area"),
    ("p_wont_shed", "chance that it won't shed", ""),
)


def section_sheet(view: SectionView, writing: Writing, source: str = "") -> Sheet:
    """Return the sheet of one section: the drawing, both verdicts and all numbers.

    Parameters
    ----------
    view : SectionView
    writing : Writing
        Units and style of stations.
    source : str
        Where the numbers come from, for the foot.
    """
    place = writing.place(view.station_m)
    half = -(-len(_NUMBERS) // 2)
    blocks = [
        Block("", figure=Figure((view, writing.system), "")),
        *(_verdict_block(side, writing) for side in view.sides),
        _numbers_block(view, writing, _NUMBERS[:half], 1),
        _numbers_block(view, writing, _NUMBERS[half:], 2),
    ]
    average = writing.say(view.average_m, "length")
    return Sheet(
        f"{view.road}, station {place}",
        f"section_{place}",
        caution_block(),
        tuple(blocks),
        f"averaged over {average} of road; errors are one standard error",
        source,
        landscape=True,
    )


def _verdict_block(side: SectionSide, writing: Writing) -> Block:
    words = verdict_words(side.verdict, side.finding, side.treatment)
    kerb = ("A kerb stands at the edge, so its height isn't judged.",) if side.kerb else ()
    text = (writing.recorded(side.reason), *kerb)
    return Block(f"{SIDES[side.side].capitalize()}: {words}", text=text, column=1 + side.side)


def _numbers_block(
    view: SectionView, writing: Writing, names: tuple[tuple[str, str, str], ...], column: int
) -> Block:
    rows = []
    for name, title, kind in names:
        pairs = [side.numbers[name] for side in view.sides]
        texts = [writing.say(v, kind, se) if kind else chance_text(v) for v, se in pairs]
        rows.append((title, *texts))
    heads = ("", *SIDES)
    return Block("", columns=heads, table=tuple(rows), numeric=(False, True, True), column=column)


def worst_section(study: Study, row: int, writing: Writing) -> Figure:
    """Return the section of a reach where it most likely won't shed, to be drawn on its sheet.

    Parameters
    ----------
    study : Study
    row : int
        Of the reaches table.
    writing : Writing
    """
    reach = study.findings.reaches.row(row)
    road = [part.road.name for part in study.roads].index(str(reach["road"]))
    first, last = int(reach["first_index"]), int(reach["last_index"])
    rows = study.roads[road].first_row + 2 * np.arange(first, last + 1)
    chance = study.findings.stations["p_wont_shed"][rows + SIDES.index(str(reach["side"]))]
    view = section_view(study, road, first + int(np.argmax(np.nan_to_num(chance))))
    caption = f"Section at {writing.place(view.station_m)}, where it is worst"
    return Figure((view, writing.system), caption, 190)
