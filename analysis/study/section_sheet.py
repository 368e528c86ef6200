"""What the sheet of one cross-section says."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.common.columns import CHECKED_NUMBERS, column_of
from analysis.common.sides import SIDES
from analysis.common.writing import Writing
from analysis.findings.sheet_text import Block, Figure, Sheet
from analysis.findings.sheets import caution_block, verdict_words
from analysis.study.sections import SectionSide, SectionView, section_view
from analysis.study.values import Study

__all__ = ["SectionSubject", "section_sheet", "worst_section"]

SectionSubject = tuple[SectionView, str]
"""What a printer draws: the section, and the system of units to write it in."""

# What is required stands beside what was measured.
_NUMBERS = (CHECKED_NUMBERS[0], "required_slope_pct", *CHECKED_NUMBERS[1:])


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
    average = writing.length(view.average_m)
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
    heading = f"{SIDES[side.side].capitalize()}: {words}"
    return Block(heading, text=text, column=1 + side.side, finding=side.finding)


def _numbers_block(view: SectionView, writing: Writing, names: Sequence[str], column: int) -> Block:
    rows = []
    for name in names:
        numbers = (side.numbers[name] for side in view.sides)
        said = (writing.say(value, name, error) for value, error in numbers)
        rows.append((column_of(name).title, *said))
    return Block("", columns=("", *SIDES), table=tuple(rows), column=column)


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
