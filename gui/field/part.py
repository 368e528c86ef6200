"""What the pages have in common: the findings as they stand, jobs, and telling how it went."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QLabel, QWidget

from analysis.common.errors import VergelineError
from analysis.common.sides import SIDES
from gui.field.answers import Place
from gui.look import theme
from gui.look.asking import ask_name, dated_name
from gui.look.making import SELECTABLE, named

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings
    from analysis.findings.sheet_text import Sheet
    from gui.state.model import WindowModel

__all__ = ["Part", "words_label"]


def words_label(name: str) -> QLabel:
    """Make a label for sentences that can be copied."""
    return named(QLabel(wordWrap=True, textInteractionFlags=SELECTABLE), name)


class Part(QWidget):
    """One page."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model = model
        self.said = words_label(self.tr("How it went"))
        self.shown: object = None
        self._wrong = False
        theme.watcher().changed.connect(self._on_theme)

    def findings(self) -> Findings | None:
        """Findings with the reviews and limits of now."""
        from analysis.common.limits import limits_to_toml
        from analysis.findings.reviews import review_table

        found = self.model.findings
        if found is None:
            return None
        run = {**found.run, "limits": limits_to_toml(self.model.limits)}
        return replace(found, reviews=review_table(self.model.reviews), run=run)

    def say(self, text: str, *, wrong: bool = False) -> None:
        """Tell how it went, in the colour of a warning where it went wrong."""
        self._wrong = wrong
        self._on_theme()
        self.said.setText(text)
        self.said.setVisible(bool(text))

    def _on_theme(self) -> None:
        colour = theme.color("warn" if self._wrong else "ink")
        self.said.setStyleSheet(f"color: {colour.name()}")

    def work(
        self,
        key: str,
        do: Callable[[], Any],
        done: Callable[[Any], None],
        title: str,
        *,
        writes: bool = False,
    ) -> None:
        """Do something in a worker; what fails is told here.

        `done` is a bound method, so that a job can't call a page that is gone.
        """
        name = f"{key} {id(self)}"
        self.model.runner.submit(
            name, lambda _progress: do(), done, self._failed, title=title, writes=writes
        )

    def _failed(self, error: VergelineError) -> None:
        self.say(str(error), wrong=True)

    def go(self, place: Place) -> None:
        """Select a place everywhere."""
        model = self.model
        for number, road in enumerate(model.index):
            if road.name == place.road or (not place.road and len(model.index) == 1):
                station = road.nearest_label(place.station_m)
                model.select_station(number, station, SIDES.index(place.side))
                return

    def ask_place(
        self, title: str, words: str, ending: str, write: Callable[[str], object]
    ) -> None:
        """Ask where to, write a file there in a worker, and say so."""
        source = self.model.inputs
        inputs = [one.path for one in (source.terrain_source, source.source) if one is not None]
        inputs.append(self.model.path or "")

        def written(path: str) -> None:
            self.say(self.tr("Written: {path}").format(path=path))

        def chosen(path: str) -> None:
            do = partial(_written, path, inputs, write)
            self.work("write", do, written, title, writes=True)

        kind = ending[1:].upper()
        name = dated_name(self.model.only_road, words, ending=ending)
        self.shown = ask_name(self, title, name, f"{kind} (*{ending})", chosen)

    def print_sheet(self, sheet: Sheet, title: str) -> None:
        """Ask where to and print a sheet as PDF."""
        from gui.drawing.printing import print_sheets

        self.ask_place(title, sheet.title, ".pdf", lambda path: print_sheets([sheet], path))


def _written(path: str, inputs: list[str], write: Callable[[str], object]) -> str:
    """Write a file, but never over one that was read; returns its place."""
    from analysis.common.outputs import check_no_input

    check_no_input(path, inputs)
    write(path)
    return path
