"""The content of a sheet, and the same as one HTML page or as Markdown."""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from string import Template

__all__ = ["Block", "Sheet", "to_html", "to_markdown"]


@dataclass(frozen=True, slots=True)
class Block:
    """One part of a sheet: a heading over sentences, points, or a table.

    Rows of `table` are as long as `columns`; `numeric` marks columns of numbers.
    """

    heading: str
    text: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()
    numeric: tuple[bool, ...] = ()
    is_caution: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """A title, a file name without ending, and blocks in order."""

    title: str
    name: str
    blocks: tuple[Block, ...]


def to_html(sheet: Sheet) -> str:
    """Return the sheet as one self-contained page."""
    parts = [f"<h1>{html.escape(sheet.title)}</h1>"]
    for block in sheet.blocks:
        parts.append('<section class="cautions">' if block.is_caution else "<section>")
        parts.append(f"<h2>{html.escape(block.heading)}</h2>")
        parts += [f"<p>{html.escape(line)}</p>" for line in block.text]
        if block.points:
            points = "".join(f"<li>{html.escape(point)}</li>" for point in block.points)
            parts.append(f"<ul>{points}</ul>")
        if block.columns:
            parts.append(_html_table(block))
        parts.append("</section>")
    text = resources.files("resources").joinpath("sheet.html").read_text(encoding="utf-8")
    return Template(text).substitute(title=html.escape(sheet.title), body="\n".join(parts))


def _html_table(block: Block) -> str:
    head = "".join(f'<th scope="col">{html.escape(name)}</th>' for name in block.columns)
    rows = []
    for row in block.table:
        cells = []
        for value, numeric in zip(row, block.numeric, strict=True):
            mark = ' class="number"' if numeric else ""
            cells.append(f"<td{mark}>{html.escape(value)}</td>")
        rows.append(f"<tr>{''.join(cells)}</tr>")
    return (
        f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{chr(10).join(rows)}\n</tbody></table>"
    )


_MARKDOWN = re.compile(r"([\\`*_{}\[\]<>#|~])")


def _plain(text: str) -> str:
    """Escape what Markdown would read as markup."""
    return _MARKDOWN.sub(r"\\\1", text).replace("\n", " ")


def to_markdown(sheet: Sheet) -> str:
    """Return the sheet as Markdown with pipe tables."""
    lines = [f"# {_plain(sheet.title)}", ""]
    for block in sheet.blocks:
        lines += [f"## {_plain(block.heading)}", ""]
        for line in block.text:
            lines += [_plain(line), ""]
        if block.points:
            lines += [*(f"- {_plain(point)}" for point in block.points), ""]
        if block.columns:
            lines.append(_row(block.columns))
            lines.append(
                _row(["---:" if numeric else "---" for numeric in block.numeric], raw=True)
            )
            lines += [_row(row) for row in block.table]
            lines.append("")
    return "\n".join(lines)


def _row(cells: Sequence[str], *, raw: bool = False) -> str:
    return f"| {' | '.join(cell if raw else _plain(cell) for cell in cells)} |"
