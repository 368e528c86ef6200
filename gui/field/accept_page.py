"""Finished work accepted: by a terrain taken after it, by readings, and on a sheet to sign."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QCoreApplication
from PySide6.QtWidgets import QPushButton, QWidget

from gui.field.answers import AnswerTable, Place
from gui.field.part import Part, words_label
from gui.field.readings_page import ReadingsPage
from gui.look.asking import ask_file
from gui.look.making import abreast, stacked
from gui.look.units import number
from gui.look.words import QT_TRANSLATE_NOOP, chance_text, side_text
from gui.state.beside import LATER_SURVEY

if TYPE_CHECKING:
    from analysis.findings.acceptance import ReachAcceptance
    from analysis.findings.fieldcheck import Acceptance
    from analysis.findings.geopackage import Findings
    from gui.state.model import WindowModel

__all__ = ["AcceptPage", "state_text"]


_STATES = {
    "accepted": QT_TRANSLATE_NOOP("acceptance", "accepted"),
    "borderline": QT_TRANSLATE_NOOP("acceptance", "borderline"),
    "not accepted": QT_TRANSLATE_NOOP("acceptance", "not accepted"),
    "not shown": QT_TRANSLATE_NOOP("acceptance", "not shown"),
    "not compared": QT_TRANSLATE_NOOP("acceptance", "not compared"),
}


def state_text(state: str) -> str:
    """Return the name of a state of finished work."""
    return QCoreApplication.translate("acceptance", _STATES.get(state, state))


class AcceptPage(Part):
    """Judges finished work and prints the sheet for it."""

    def __init__(
        self, model: WindowModel, readings: ReadingsPage, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, parent)
        self._readings = readings
        self.judged: tuple[ReachAcceptance, ...] = ()
        self._source = ""
        self.later_path = ""
        self.open_button = QPushButton(self.tr("Findings after the work…"))
        self.open_button.clicked.connect(lambda _checked=False: self._ask())
        self.sheet_button = QPushButton(self.tr("Print acceptance…"))
        self.sheet_button.clicked.connect(lambda _checked=False: self._print())
        self.words = words_label(self.tr("What is accepted"))
        self.table = AnswerTable(self.tr("Finished work"))
        self.table.chosen.connect(self.go)
        stacked(
            self,
            abreast(None, self.open_button, None, self.sheet_button),
            self.said,
            self.words,
            (self.table, 1),
            margins=(8, 6, 8, 6),
            spacing=6,
        )
        readings.checked.connect(self._show)
        model.study_changed.connect(self._drop)
        model.beside.taken.connect(self._open_again)
        model.units_changed.connect(self._show)
        self._show()
        self._open_again()

    def _open_again(self) -> None:
        """Go on with the survey after the work that these findings were compared with."""
        path = str(self.model.beside.get(LATER_SURVEY) or "")
        if path != self.later_path:
            self.later_path = path
            self._drop()

    def accepted(self) -> tuple[Acceptance, ...]:
        """Work accepted at the readings after it."""
        check = self._readings.check
        return check.accepted if check is not None else ()

    def _drop(self) -> None:
        self.judged, self._source = (), ""
        if self.later_path and self.model.findings is not None:
            self.open_later(self.later_path)
        self._show()

    def _ask(self) -> None:
        kind = self.tr("Findings")
        self.shown = ask_file(
            self, self.tr("Findings after the work"), f"{kind} (*.gpkg)", self.open_later
        )

    def open_later(self, path: str) -> None:
        """Judge the work by findings of a terrain taken after it."""
        found, limits = self.findings(), self.model.limits
        if found is None:
            return
        self.later_path = path
        self.model.beside.put(LATER_SURVEY, path)

        def judge() -> tuple[tuple[ReachAcceptance, ...], Findings]:
            from analysis.findings.acceptance import accept_reaches
            from analysis.findings.geopackage import read_findings

            after = read_findings(path)
            return accept_reaches(found, after, limits), after

        self.say("")
        self.work("accept", judge, self._take, self.tr("Accepting finished work"))

    def _take(self, answer: tuple[tuple[ReachAcceptance, ...], Findings]) -> None:
        from analysis.findings.sheets import source_of

        self.judged, after = answer
        found = self.model.findings
        if found is not None:
            self._source = f"{source_of(found)} · {source_of(after)}"
        self._show()

    def _show(self) -> None:
        from analysis.common.cautions import ACCEPTANCE_CAUTION

        model, writing, read = self.model, self.model.writing, self.accepted()
        self.open_button.setEnabled(model.findings is not None)
        self.sheet_button.setEnabled(bool(self.judged or read))
        caution = QCoreApplication.translate("cautions", ACCEPTANCE_CAUTION)
        if self.judged or read:
            from analysis.findings.acceptance import rule_text

            self.words.setText(f"{rule_text(model.limits, writing)} {caution}")
        else:
            words = self.tr(
                "Screen a survey taken after the work and give its findings here, or give readings "
                "marked “after”."
            )
            self.words.setText(f"{words} {caution}")
        unit = writing.unit("edge_drop_mm").text
        heads = (
            self.tr("Road"),
            self.tr("Side"),
            self.tr("Where"),
            self.tr("State"),
            self.tr("Before, %"),
            self.tr("Asked for, %"),
            self.tr("After, %"),
            self.tr("Edge, {unit}").format(unit=unit),
            self.tr("Rule holds"),
        )
        rows = [self._reach_row(reach) for reach in self.judged]
        rows += [self._reading_row(one) for one in read]
        places = [Place(r.road, r.side, 0.5 * (r.from_m + r.to_m)) for r in self.judged]
        places += [Place(a.reading.road, a.reading.side, a.reading.station_m) for a in read]
        self.table.show_answers(heads, rows, places, words=4)

    def _reach_row(self, reach: ReachAcceptance) -> tuple[str, ...]:
        writing = self.model.writing
        return (
            reach.road,
            side_text(reach.side),
            f"{writing.place(reach.from_m)} – {writing.place(reach.to_m)}",
            state_text(reach.state),
            writing.bare(reach.slope_before_pct, "%"),
            writing.bare(reach.required_slope_pct, "%"),
            writing.bare(reach.slope_after_pct, "%", reach.slope_after_se),
            writing.bare(reach.edge_after_mm, "edge_drop_mm", reach.edge_after_se),
            chance_text(reach.p_within),
        )

    def _reading_row(self, one: Acceptance) -> tuple[str, ...]:
        writing = self.model.writing
        return (
            one.reading.road,
            side_text(one.reading.side),
            writing.place(one.reading.station_m),
            state_text(one.state),
            writing.bare(one.slope_before_pct, "%"),
            writing.bare(one.required_slope_pct, "%"),
            number(one.reading.slope_pct, 1),
            writing.bare(one.reading.edge_mm, "edge_drop_mm"),
            "",
        )

    def _print(self) -> None:
        from analysis.findings.acceptance_sheet import sheet_of

        sheet = sheet_of(
            self.judged, self.accepted(), self.model.limits, self.model.writing, self._source
        )
        self.print_sheet(sheet, self.tr("Print the acceptance"))
