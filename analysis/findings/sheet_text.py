"""The content of a sheet, and the same as an HTML page or as Markdown.

Nothing here knows what a sheet is about: it has a title, cautions and blocks of sentences, points,
tables and drawings. A drawing is named by what it shows; whoever prints draws it, and text without
a printer leaves it out, since all its numbers stand in the tables too.
"""

from __future__ import annotations

import html
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib import resources
from string import Template

from analysis.common.pictures import finding_picture

__all__ = ["Block", "Figure", "Sheet", "body_html", "head_html", "style_css", "to_html"]
__all__ += ["shorter", "to_markdown"]


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing of `subject` under a caption; `height_px` in 1/96 inch, 0 = what is left of a page.

    Subjects are values with the numbers to draw, such as `sheet_figures.ReachCourse`.
    """

    subject: object
    caption: str
    height_px: int = 0


@dataclass(frozen=True, slots=True)
class Block:
    """One part of a sheet: a heading over sentences, points, a table or a drawing.

    The first columns of a table hold `words`, the others numbers, and the last `boxes` are left
    open to write in, `tall` ones in words; `shares` of the width are in percent, where they aren't
    left to the printer.
    Blocks in `column` 1 and 2 that follow each other stand side by side, column 0 takes the whole
    width.

    `more` rows had no room, of which `rest` tells with ``{n}``.

    `finding` is what the block tells of: its pictogram stands before the heading. In a table a
    column called "finding" has them too.
    """

    heading: str
    text: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()
    words: int = 1
    boxes: int = 0
    shares: tuple[float, ...] = ()
    figure: Figure | None = None
    column: int = 0
    finding: str = ""
    tall: bool = False
    more: int = 0
    rest: str = ""

    @property
    def lines(self) -> tuple[str, ...]:
        """Its sentences, with the one about rows that there was no room for."""
        return (*self.text, self.rest.format(n=self.more)) if self.more and self.rest else self.text


@dataclass(frozen=True, slots=True)
class Sheet:
    """What one sheet says.

    `remark` stands beside the title, `cautions` on every page, `source` at its foot: where the
    numbers come from. `name` is a file name without its ending. A sheet of `one_page` gives rows of
    its last table up to take no more.
    """

    title: str
    name: str
    cautions: Block
    blocks: tuple[Block, ...]
    remark: str = ""
    source: str = ""
    landscape: bool = False
    one_page: bool = False


def shorter(sheet: Sheet) -> Sheet | None:
    """Return the sheet with a row less in its last table, None where there is none to spare."""
    *others, last = sheet.blocks
    if len(last.table) < 2:
        return None
    less = replace(last, table=last.table[:-1], more=last.more + 1)
    return replace(sheet, blocks=(*others, less))


def style_css() -> str:
    """Return the style that pages and print share."""
    return resources.files("resources").joinpath("sheet.css").read_text(encoding="utf-8")


def to_html(sheet: Sheet) -> str:
    """Return the sheet as one self-contained page, without its drawings."""
    page = resources.files("resources").joinpath("sheet.html").read_text(encoding="utf-8")
    return Template(page).substitute(
        title=html.escape(sheet.title),
        style=style_css(),
        head=head_html(sheet),
        body=body_html(sheet, drawn=False),
        source=html.escape(sheet.source),
    )


def head_html(sheet: Sheet, remark: str | None = None) -> str:
    """Return the title and the cautions, which every page of the sheet begins with."""
    title = html.escape(sheet.title)
    beside = html.escape(sheet.remark if remark is None else remark)
    return (
        f'<table class="title" width="100%"><tr><td><h1>{title}</h1></td>'
        f'<td class="remark">{beside}</td></tr></table>\n'
        f'<table class="cautions" width="100%"><tr><td>{_block_html(sheet.cautions)}</td></tr>'
        "</table>"
    )


def body_html(sheet: Sheet, *, drawn: bool = True) -> str:
    """Return the blocks; a drawing is an image named by its block's place, if `drawn`."""
    parts = []
    numbered = [(k, b) for k, b in enumerate(sheet.blocks) if drawn or b.figure is None]
    for is_band, group in itertools.groupby(numbered, key=lambda pair: pair[1].column > 0):
        band = [(b.column, _block_html(b, k, drawn=drawn)) for k, b in group]
        if not is_band:
            parts += [text for _, text in band]
            continue
        sides = ["\n".join(text for at, text in band if at == column) for column in (1, 2)]
        cells = "".join(f'<td width="50%">{text}</td>' for text in sides)
        parts.append(f'<table class="band" width="100%"><tr>{cells}</tr></table>')
    return "\n".join(parts)


_NAME_SPACE = ' xmlns="http://www.w3.org/2000/svg"'
_SVG = '<svg class="finding" aria-hidden="true"'


def _picture_html(finding: str, *, drawn: bool) -> str:
    """Return a finding's pictogram: an image named by the finding for a printer, else itself."""
    svg = finding_picture(finding)
    if not svg:
        return ""
    if drawn:
        return f'<img src="{html.escape(finding)}">&nbsp;'
    # Within a page it needs no name space, which looks like an address.
    inline = svg.replace(_NAME_SPACE, "", 1).replace("<svg", _SVG, 1)
    return f"{inline.strip()}&nbsp;"


def _block_html(block: Block, number: int = 0, *, drawn: bool = True) -> str:
    parts = []
    if block.heading:
        picture = _picture_html(block.finding, drawn=drawn)
        parts.append(f"<h2>{picture}{html.escape(block.heading)}</h2>")
    parts += [f"<p>{html.escape(line)}</p>" for line in block.lines]
    if block.points:
        points = "".join(f"<li>{html.escape(point)}</li>" for point in block.points)
        parts.append(f"<ul>{points}</ul>")
    if block.columns:
        parts.append(_table_html(block, drawn=drawn))
    if block.figure:
        caption = html.escape(block.figure.caption)
        parts.append(f'<p class="caption">{caption}</p>\n<p><img src="{number}"></p>')
    return "\n".join(parts)


def _table_html(block: Block, *, drawn: bool) -> str:
    numbers = len(block.columns) - block.words - block.boxes
    kinds = (
        [""] * block.words
        + [' class="number"'] * numbers
        + [f' class="{"tall" if block.tall else "box"}"'] * block.boxes
    )
    widths = [f' width="{share:g}%"' for share in block.shares] or [""] * len(kinds)

    def picture(head: str, text: str) -> str:
        return _picture_html(text, drawn=drawn) if head == "finding" else ""

    def row(tag: str, texts: Sequence[str], marks: Sequence[str]) -> str:
        cells = (
            f"<{tag}{mark}>{picture(head, text)}{html.escape(text)}</{tag}>"
            for text, mark, head in zip(texts, marks, block.columns, strict=True)
        )
        return f"<tr>{''.join(cells)}</tr>"

    head = row("th", block.columns, [a + b for a, b in zip(kinds, widths, strict=True)])
    rows = "\n".join(row("td", texts, kinds) for texts in block.table)
    return (
        f'<table class="numbers" width="100%">\n<thead>{head}</thead>\n'
        f"<tbody>\n{rows}\n</tbody></table>"
    )


_MARKDOWN = re.compile(r"([\\`*_{}\[\]<>#|~])")


def _plain(text: str) -> str:
    """Escape what Markdown would read as markup."""
    return _MARKDOWN.sub(r"\\\1", text).replace("\n", " ")


def to_markdown(sheet: Sheet) -> str:
    """Return the sheet as Markdown with pipe tables, without its drawings."""
    # the second line isn't shown: by it the program knows its own file again
    lines = [f"# {_plain(sheet.title)}", "", "<!-- Vergeline -->", ""]
    if sheet.remark:
        lines += [_plain(sheet.remark), ""]
    for block in (sheet.cautions, *sheet.blocks):
        if block.figure:
            continue
        if block.heading:
            lines += [f"## {_plain(block.heading)}", ""]
        for line in block.lines:
            lines += [_plain(line), ""]
        if block.points:
            lines += [*(f"- {_plain(point)}" for point in block.points), ""]
        if block.columns:
            ruler = ["---" if k < block.words else "---:" for k in range(len(block.columns))]
            lines += [_row(block.columns), _row(ruler, raw=True), *map(_row, block.table), ""]
    return "\n".join([*lines, _plain(sheet.source), ""])


def _row(cells: Sequence[str], *, raw: bool = False) -> str:
    return f"| {' | '.join(cell if raw else _plain(cell) for cell in cells)} |"
