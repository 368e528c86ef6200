"""Write the table of sentences."""

from __future__ import annotations

import tempfile
from pathlib import Path

from analysis.terrain.grid import open_terrain
from tests.bad_inputs.cases import cases, good_files
from tests.bad_inputs.readers import in_children

TABLE = Path(__file__).with_name("SENTENCES.md")


def table(folder: Path) -> str:
    """Return the corpus and its sentences as a Markdown table."""
    grid = open_terrain(good_files(folder)["tif"])
    rows = [
        "# What is said of files that can't be used",
        "",
        "Written by `python -m tests.bad_inputs`; the tests hold every case to a sentence.",
        "",
        "| File | Sentence |",
        "|---|---|",
    ]
    every = list(cases())

    def make(number: int) -> Path:
        path = folder / f"case{every[number].ending}"
        every[number].make(path, folder)
        return path

    for number, case in enumerate(every):
        ((_, outcome),) = in_children(case.kind, range(number, number + 1), make, grid)
        said = outcome.said if outcome.ended == "refused" else f"({outcome.ended}) {outcome.said}"
        shown = "".join(c if c.isprintable() else "·" for c in said).replace("|", "\\|")
        rows.append(f"| {case.what} | {shown if len(shown) < 400 else shown[:400] + '…'} |")
    return "\n".join(rows) + "\n"


def main() -> None:
    """Write the table."""
    with tempfile.TemporaryDirectory() as name:
        TABLE.write_text(table(Path(name)), encoding="utf-8")


if __name__ == "__main__":
    main()
