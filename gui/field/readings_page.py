"""Readings back: from a file or typed in, beside what was measured, and what they show."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QLineEdit, QPushButton, QWidget

from analysis.common.errors import VergelineError
from gui.field.agreement_plot import AgreementPlot
from gui.field.answers import AnswerTable, Place
from gui.field.part import Part, words_label
from gui.look.asking import ask_file
from gui.look.fields import CalmCombo
from gui.look.making import abreast, named, stacked
from gui.look.units import from_shown, number, unit_of, value_text
from gui.look.words import side_text, station_words, verdict_text

if TYPE_CHECKING:
    from analysis.findings.field_report import FieldCheck
    from analysis.findings.fieldcheck import Comparison
    from analysis.findings.readings import ReadBack, Reading
    from gui.state.model import WindowModel

__all__ = ["ReadingsPage"]


class ReadingsPage(Part):
    """Takes readings and shows what they say.

    Signals
    -------
    checked()
        The readings were compared again.
    """

    checked = Signal()

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(model, parent)
        self.readings: list[Reading] = list(model.typed.readings)
        self.faults: tuple[str, ...] = ()
        self.source = self.tr("typed in")
        self.check: FieldCheck | None = None
        self._build()
        model.study_changed.connect(self.compare)
        model.limits_changed.connect(self.compare)
        model.units_changed.connect(self._show)
        model.typed.changed.connect(self._on_typed)
        self.compare()

    def _build(self) -> None:
        self.open_button = QPushButton(self.tr("Open readings…"))
        self.open_button.clicked.connect(lambda _checked=False: self._ask())
        self.take_button = QPushButton(self.tr("Judge by these readings"))
        self.take_button.setToolTip(
            self.tr(
                "Takes over what the readings say of noise and probabilities, as limits with their "
                "source; it can be undone."
            )
        )
        self.take_button.clicked.connect(lambda _checked=False: self.take_over())
        self.plot_button = QPushButton(self.tr("Save plot…"))
        self.plot_button.clicked.connect(lambda _checked=False: self._save_plot())
        self.save_button = QPushButton(self.tr("Save readings…"))
        self.save_button.clicked.connect(lambda _checked=False: self._save())
        self.remove_button = QPushButton(self.tr("Take out"))
        self.remove_button.setToolTip(self.tr("Take the chosen reading out"))
        self.remove_button.clicked.connect(lambda _checked=False: self._remove())
        self.road, self.side = CalmCombo(), CalmCombo()
        named(self.road, self.tr("Road"))
        named(self.side, self.tr("Side"))
        for side in ("left", "right"):
            self.side.addItem(side_text(side), side)
        self.station = _line(self.tr("Station"), "1+240")
        self.fall = _line(self.tr("Fall over the board"), "")
        self.edge = _line(self.tr("Step at the edge"), "")
        self.sheds, self.when = CalmCombo(), CalmCombo()
        named(self.sheds, self.tr("Does water leave, as seen?"))
        for text, value in (
            (self.tr("water: not said"), ""),
            (self.tr("water leaves"), "yes"),
            (self.tr("water stays"), "no"),
        ):
            self.sheds.addItem(text, value)
        named(self.when, self.tr("Before or after the work"))
        self.when.addItem(self.tr("before the work"), "before")
        self.when.addItem(self.tr("after the work"), "after")
        self.add_button = QPushButton(self.tr("Add"))
        self.add_button.clicked.connect(lambda _checked=False: self.add())
        for line in (self.station, self.fall, self.edge):
            line.returnPressed.connect(self.add)
            self.model.drafts.hold(line.accessibleName(), line.text, line.setText, line)
        self.words = words_label(self.tr("What the readings show"))
        self.table = AnswerTable(self.tr("Readings"))
        self.table.chosen.connect(self.go)
        self.plot = AgreementPlot()
        top = (self.open_button, self.save_button, None, self.plot_button, self.take_button)
        stacked(
            self,
            abreast(None, *top),
            abreast(None, (self.road, 2), (self.station, 1), (self.side, 1), (self.fall, 1)),
            abreast(
                None,
                *((self.edge, 1), (self.sheds, 2), (self.when, 2)),
                *(self.add_button, self.remove_button),
            ),
            self.said,
            self.words,
            (self.plot, 3),
            (self.table, 2),
            margins=(8, 6, 8, 6),
            spacing=6,
        )

    # -- taking readings --------------------------------------------------------------------------

    def _ask(self) -> None:
        kind = self.tr("Readings")
        filters = f"{kind} (*.csv *.txt);;" + self.tr("All files") + " (*)"
        self.shown = ask_file(self, self.tr("Open readings"), filters, self.open_file)

    def open_file(self, path: str) -> None:
        """Read a table of readings and compare it."""
        field = self.model.limits.field

        def read() -> tuple[ReadBack, str]:
            from analysis.findings.field_report import readings_source
            from analysis.findings.readings import read_readings

            return read_readings(path, field), readings_source(path)

        self.work("read readings", read, self._take_read, self.tr("Reading the readings"))

    def _take_read(self, found: tuple[ReadBack, str]) -> None:
        back, self.source = found
        self._put(list(back.readings), back.faults)

    def add(self) -> None:
        """Add the reading that was typed in; what can't be read is said."""
        from analysis.common.stations import parse_station
        from analysis.findings.readings import reading_of

        cells = {
            "road": str(self.road.currentData() or ""),
            "station": self.station.text().strip(),
            "side": str(self.side.currentData()),
            "reading_mm": self._stored(self.fall),
            "edge_mm": self._stored(self.edge),
            "sheds": str(self.sheds.currentData()),
            "when": str(self.when.currentData()),
        }
        if not (cells["reading_mm"] or cells["edge_mm"] or cells["sheds"]):
            self.say(self.tr("Type what was read: a fall, a step or whether water leaves."))
            return
        try:
            style = self.model.station_style
            cells["station"] = f"{parse_station(cells['station'], style=style):.3f}"
            made = reading_of(cells, self.tr("what was typed in"), self.model.limits.field)
        except VergelineError as error:
            self.say(str(error), wrong=True)
            return
        self._put([*self.readings, made], self.faults)
        for line in (self.station, self.fall, self.edge):
            line.clear()
        self.station.setFocus()

    def _stored(self, line: QLineEdit) -> str:
        """Text of a field in millimetres; what is no number stays, to be told."""
        text = line.text().strip().replace(",", ".")
        try:
            return f"{from_shown(float(text), 'mm', self.model.units):.6g}"
        except ValueError:
            return text

    def _remove(self) -> None:
        row = self.table.row
        if 0 <= row < len(self.readings):
            self._put(self.readings[:row] + self.readings[row + 1 :], self.faults)

    def _put(self, readings: list[Reading], faults: tuple[str, ...]) -> None:
        self.readings, self.faults = readings, faults
        self.model.typed.put(readings)
        self.compare()

    def _on_typed(self) -> None:
        # Such as came with other findings.
        if tuple(self.readings) != self.model.typed.readings:
            self.readings, self.faults = list(self.model.typed.readings), ()
            self.compare()

    def compare(self) -> None:
        """Compare the readings with the findings as they are, beside the window."""
        names = [road.name for road in self.model.index]
        if [self.road.itemData(k) for k in range(self.road.count())] != names:
            self.road.clear()
            for name in names:
                self.road.addItem(name, name)
        found = self.findings() if self.readings else None
        if found is None:
            self.check = None
            self._show()
            self.checked.emit()
            return
        readings, faults = tuple(self.readings), self.faults
        limits, source = self.model.limits, self.source

        def compare() -> FieldCheck:
            from analysis.findings.field_report import check_readings
            from analysis.findings.readings import ReadBack

            return check_readings(found, ReadBack(readings, faults), limits, source=source)

        self.work("compare readings", compare, self._take, self.tr("Comparing readings"))

    def _take(self, check: FieldCheck) -> None:
        self.check = check
        self.say("\n".join(check.faults), wrong=True)
        self._show()
        self.checked.emit()

    def take_over(self) -> None:
        """Judge by what the readings say."""
        from analysis.findings.recalibration import recalibrated

        if self.check is None:
            return
        try:
            limits = recalibrated(self.model.limits, self.check.found)
        except VergelineError as error:
            self.say(str(error), wrong=True)
            return
        self.model.set_limits(limits, text=self.tr("Judge by readings"))
        self.say(self.tr("Taken over; Undo gives back what was before. Compare again to see."))

    # -- showing ----------------------------------------------------------------------------------

    def _show(self) -> None:
        check = self.check
        self.plot.setVisible(check is not None and check.summary.compared > 0)
        self.plot.show_check(check)
        enough = check is not None and check.summary.compared > 0
        for button in (self.take_button, self.plot_button):
            button.setEnabled(enough)
        for button in (self.remove_button, self.save_button):
            button.setEnabled(bool(self.readings))
        self.add_button.setEnabled(self.model.findings is not None)
        self.words.setText(
            self._summary(check)
            if check is not None
            else self.tr("Open the table that came back, or type readings in.")
        )
        style, unit = self.model.station_style, unit_of("mm", self.model.units).text
        self.fall.setPlaceholderText(self.tr("fall, {unit}").format(unit=unit))
        self.edge.setPlaceholderText(self.tr("edge, {unit}").format(unit=unit))
        self.station.setPlaceholderText("1+240" if style == "km" else "40+68")
        heads = (
            self.tr("Road"),
            self.tr("Station"),
            self.tr("Side"),
            self.tr("When"),
            self.tr("Read, %"),
            self.tr("Measured, %"),
            self.tr("Difference"),
            self.tr("Edge, {unit}").format(unit=unit),
            self.tr("Verdict"),
        )
        compared = iter(check.compared if check is not None else ())
        rows, places = [], []
        for reading in self.readings:
            one = next(compared, None) if reading.when == "before" else None
            at = reading.station_m
            if one is not None and math.isnan(at):
                at = one.measured_at_m
            rows.append(self._row(reading, one, station_words(at, style)))
            places.append(None if math.isnan(at) else Place(reading.road, reading.side, at))
        self.table.show_answers(heads, rows, places, words=4)

    def _row(self, reading: Reading, one: Comparison | None, at: str) -> tuple[str, ...]:
        after = reading.when == "after"
        return (
            one.road if one is not None else reading.road,
            at,
            side_text(reading.side),
            self.tr("after") if after else self.tr("before"),
            _number(reading.slope_pct, 1),
            _number(one.measured_slope_pct, 1) if one is not None else "",
            _number(one.difference_points, 1) if one is not None else "",
            self._edge_text(reading.edge_mm),
            verdict_text(one.verdict) if one is not None and one.verdict else "",
        )

    def _edge_text(self, edge_mm: float) -> str:
        if not math.isfinite(edge_mm):
            return ""
        return value_text(edge_mm, "mm", self.model.units, with_unit=False)

    def _summary(self, check: FieldCheck) -> str:
        summary, parts = check.summary, []
        slope, edge = summary.slope, summary.edge
        if slope.count > 1:
            parts.append(
                self.tr(
                    "{count} slopes compared: mean difference {mean} % points, 95 % of them "
                    "between {low} and {high}."
                ).format(
                    count=slope.count,
                    mean=number(slope.mean, 2),
                    low=number(slope.low, 2),
                    high=number(slope.high, 2),
                )
            )
        if edge.count > 1:
            parts.append(
                self.tr("Edges: mean {mean}, 95 % between {low} and {high}.").format(
                    **{
                        name: value_text(getattr(edge, name), "mm", self.model.units)
                        for name in ("mean", "low", "high")
                    }
                )
            )
        for board in summary.boards:
            if board.low > 0.0 or board.high < 0.0:
                parts.append(
                    self.tr(
                        "Readings with one board are off the grid by {bias} % points ({low} to "
                        "{high}): the board or the grid; lay the board both ways round to tell."
                    ).format(
                        bias=number(board.bias_points, 2),
                        low=number(board.low, 2),
                        high=number(board.high, 2),
                    )
                )
        if math.isfinite(summary.noise.factor):
            parts.append(
                self.tr("The stated errors explain the scatter best times {factor}.").format(
                    factor=number(summary.noise.factor, 2)
                )
            )
        for rate in check.rates:
            if rate.road:
                continue
            words = (
                self.tr("{wrong} of {places} judged to shed don't: at most {most} % of that length")
                if rate.verdict == "sheds"
                else self.tr(
                    "{wrong} of {places} judged not to shed do: at most {most} % of that length"
                )
            )
            text = words.format(
                wrong=rate.wrong, places=rate.places, most=number(100.0 * rate.most, 1)
            )
            if rate.close:
                text += self.tr(" ({count} too close to call)").format(count=rate.close)
            parts.append(f"{text}.")
        if math.isfinite(check.wrong_most):
            parts.append(
                self.tr("Of all that was judged at most {most} % is wrong.").format(
                    most=number(100.0 * check.wrong_most, 1)
                )
            )
        return " ".join(parts) or self.tr("None of the readings could be compared.")

    def _save(self) -> None:
        from analysis.findings.checkplan_files import write_readings

        readings = tuple(self.readings)
        self.ask_place(
            self.tr("Save the readings"),
            self.tr("readings"),
            ".csv",
            lambda path: write_readings(readings, path),
        )

    def _save_plot(self) -> None:
        from gui.drawing.agreement_chart import save_agreement

        check = self.check
        if check is not None:
            self.ask_place(
                self.tr("Save the plot"),
                self.tr("board against grid"),
                ".svg",
                lambda path: save_agreement(check, path),
            )


def _line(name: str, hint: str) -> QLineEdit:
    return named(QLineEdit(placeholderText=hint), name)


def _number(value: float, decimals: int) -> str:
    return number(value, decimals) if math.isfinite(value) else ""
