"""Catalogues of the window's texts, to translate: made from the sources, and compiled.

``python -m gui.catalogue FILE.ts`` writes the catalogue, or brings an older one up to date, and
compiles it to FILE.qm beside it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

__all__ = ["compile_catalogue", "main", "write_catalogue"]


def _borrowed_texts() -> dict[str, set[str]]:
    """Texts that the window shows but its sources don't hold, by context."""
    from analysis.common.cautions import CAUTIONS
    from analysis.common.columns import MADE_UP, TABLES
    from analysis.common.limits import SURFACES, default_limits, limit_specs
    from analysis.study.noticing import NOTICES, OFFERS, OFFERS_HERE
    from analysis.verdict.reasons import WITHHELD
    from gui.forms.help import TERMS, WORDS

    limits = [default_limits(surface) for surface in SURFACES]
    titles = {spec.title for spec in limit_specs().values()}
    notes = {shipped[name].note for shipped in limits for name in limit_specs()}
    columns = [*MADE_UP, *(column for table in TABLES.values() for column in table.values())]
    return {
        "cautions": set(CAUTIONS),
        "words": {text for c in columns if c.title for text in (c.title, c.meaning)},
        "limits": titles | notes - {""},
        "reasons": set(WITHHELD.values()),
        "noticed": {*NOTICES.values(), *OFFERS.values(), *OFFERS_HERE.values()},
        "help": {text for term in TERMS for text in (term.title, term.text)} | {*WORDS.values()},
    }


def _tool(name: str) -> str:
    beside = Path(sys.executable).parent / name
    return str(beside) if beside.exists() else name


def write_catalogue(path: str | Path) -> None:
    """Write all texts of the window to a catalogue; translations that are in it stay."""
    with tempfile.TemporaryDirectory() as folder:
        # The tool that gathers texts reads sources only: so make one of what other files hold.
        borrowed = Path(folder) / "borrowed.py"
        lines = [
            f"QT_TRANSLATE_NOOP({_quoted(context)}, {_quoted(text)})\n"
            for context, texts in _borrowed_texts().items()
            for text in sorted(texts)
        ]
        borrowed.write_text("".join(lines), encoding="utf-8")
        sources = sorted(str(source) for source in Path(__file__).parent.rglob("*.py"))
        gather = [_tool("pyside6-lupdate"), "-locations", "none", "-no-obsolete"]
        subprocess.run([*gather, *sources, str(borrowed), "-ts", str(path)], check=True)


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def compile_catalogue(path: str | Path) -> Path:
    """Compile a catalogue for the program to load; return the new file."""
    made = Path(path).with_suffix(".qm")
    subprocess.run([_tool("pyside6-lrelease"), str(path), "-qm", str(made)], check=True)
    return made


def main() -> int:
    """Write and compile the catalogue named on the command line."""
    if len(sys.argv) != 2 or not sys.argv[1].endswith(".ts"):
        print("usage: python -m gui.catalogue vergeline_<locale>.ts", file=sys.stderr)
        return 2
    write_catalogue(sys.argv[1])
    compile_catalogue(sys.argv[1])
    return 0


if __name__ == "__main__":
    sys.exit(main())
