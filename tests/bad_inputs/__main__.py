"""Write the table of sentences, or spoil good files at random for as long as wanted."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from analysis.terrain.grid import open_terrain
from tests.bad_inputs import mutate
from tests.bad_inputs.cases import cases, good_files
from tests.bad_inputs.readers import in_a_child

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
    for case in cases():
        path = folder / f"case{case.ending}"
        case.make(path, folder)
        outcome = in_a_child(case.kind, path, grid)
        path.unlink()
        said = outcome.said if outcome.ended == "refused" else f"({outcome.ended}) {outcome.said}"
        shown = "".join(c if c.isprintable() else "·" for c in said).replace("|", "\\|")
        rows.append(f"| {case.what} | {shown if len(shown) < 400 else shown[:400] + '…'} |")
    return "\n".join(rows) + "\n"


def main() -> None:
    """Do what the words of the command say."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mutate", choices=mutate.SOURCES, help="kind of file to spoil")
    parser.add_argument("--count", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=0)
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        if words.mutate:
            print(dict(mutate.run(words.mutate, words.count, Path(name), seed=words.seed)))
        else:
            TABLE.write_text(table(Path(name)), encoding="utf-8")


if __name__ == "__main__":
    main()
