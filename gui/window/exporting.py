"""Handing findings on from the window: what the dialog asks for, written beside the window."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject

from analysis.common.outputs import check_no_input
from gui.state import jobs
from gui.state.model import WindowModel
from gui.window.dialogs import Dialogs

if TYPE_CHECKING:
    from analysis.findings.handing_out import Outputs
    from analysis.findings.selecting import Selection
    from gui.state.runner import Progress

__all__ = ["Exporting"]

# Their share of the time where sheets are printed, too.
_OTHERS = 0.5


class Exporting(QObject):
    """Opens the dialog and does what it says."""

    def __init__(self, model: WindowModel, dialogs: Dialogs) -> None:
        super().__init__(dialogs)
        self._model, self._dialogs = model, dialogs

    def ask(self) -> None:
        """Ask what to hand on, and write it."""
        from gui.window.export_dialog import ExportDialog

        if self._model.findings is None:
            return
        dialog = ExportDialog(self._model, self._dialogs.window)
        dialog.wanted.connect(self.write)
        self._dialogs.show(dialog)

    def write(self, outputs: Outputs, selection: Selection, paper: str) -> None:
        """Write what is wanted of what is asked for; never over a file that isn't ours to lose."""
        model = self._model
        found, inputs, study = model.reviewed_findings(), model.inputs, model.path
        if found is None:
            return
        files = outputs.files

        def work(progress: Progress) -> None:
            from analysis.findings.handing_out import hand_out
            from gui.drawing.printing import print_sheets

            for kind, path in files.items():
                # An excerpt in the place of its study would lose the rest.
                check_no_input(path, (*inputs.paths, study or None))
                if kind != "geopackage":
                    inputs.check_place(path)
            others = outputs.only([kind for kind in files if kind != "pdf"])
            begin = (_OTHERS if outputs.pdf else 1.0) if others.wanted else 0.0
            if others.wanted:
                part, given = progress.part(0.0, begin), (found, others, selection)
                model.calculator.run(part, jobs.hand_out, *given, writes=True)
            if outputs.pdf:
                hand_out(
                    found,
                    outputs.only(["pdf"]),
                    selection,
                    print_book=lambda sheets, path: print_sheets(sheets, path, paper=paper),
                    progress=progress.part(begin, 1.0),
                )

        def done(_result: None) -> None:
            folder = Path(next(iter(files.values()))).parent
            model.message.emit(
                self.tr("Written to {folder}, files: {n}").format(folder=folder, n=len(files))
            )

        model.runner.submit(
            "export",
            work,
            done,
            partial(self._dialogs.tell, self.tr("Export")),
            lane="long",
            title=self.tr("Exporting"),
            writes=True,
        )
