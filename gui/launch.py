"""The `vergeline` command: without a word it opens the window, else it hands on to the commands.

It stands on the window's side so that `analysis` never has to know of a window; Qt is imported
only when something is to be shown or drawn.
"""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.findings.field_report import FieldCheck
    from analysis.findings.sheet_text import Sheet
    from analysis.study.sections import SectionView

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv
        Words after the command's name; None takes those of the process.

    Returns
    -------
    0 done, 2 bad input (one sentence on stderr).
    """
    from analysis import cli

    words = list(sys.argv[1:] if argv is None else argv)
    return cli.main(
        words or ["window"],
        open_window=_open_window,
        draw_section=_draw_section,
        print_sheets=_print_sheets,
        draw_agreement=_draw_agreement,
    )


def _open_window(files: Sequence[str]) -> int:
    from gui.window.app import run

    return run(files)


def _draw_section(view: "SectionView", path: str) -> None:
    from analysis.common.writing import Writing
    from gui.drawing.printing import save_section

    save_section(view, path, Writing())


def _print_sheets(sheets: "Sequence[Sheet]", path: Path, paper: str) -> None:
    from gui.drawing.printing import print_sheets

    print_sheets(sheets, path, paper=paper)


def _draw_agreement(check: "FieldCheck", path: str) -> None:
    from gui.drawing.agreement_chart import save_agreement

    save_agreement(check, path)


if __name__ == "__main__":
    sys.exit(main())
