"""Two surveys: the open one and another, each with its day, and what changed between them."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QCoreApplication, QDate, Qt
from PySide6.QtWidgets import QCheckBox, QGridLayout, QLabel, QLineEdit, QPushButton, QWidget

from gui.field.answers import AnswerTable, Place
from gui.field.part import Part, words_label
from gui.look.asking import ask_file
from gui.look.fields import DayBox, day_field
from gui.look.making import abreast, named, stacked
from gui.look.words import QT_TRANSLATE_NOOP, finding_text, side_text
from gui.state.beside import OTHER_SURVEY, KeptFields

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings
    from analysis.findings.two_surveys import SurveyChange
    from gui.state.model import WindowModel

__all__ = ["SurveysPage"]


_STATES = {
    "changed": QT_TRANSLATE_NOOP("change", "changed"),
    "not changed": QT_TRANSLATE_NOOP("change", "not changed"),
    "can't tell": QT_TRANSLATE_NOOP("change", "can't tell"),
}


class SurveysPage(Part):
    """Compares the open findings with another survey's."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(model, parent)
        self.change: SurveyChange | None = None
        self.other_path = ""
        self._other: Findings | None = None
        self._before: Findings | None = None
        self._again = self._showing_own = False
        self.this_name = _name(self.tr("Name of this survey"))
        self.other_name = _name(self.tr("Name of the other survey"))
        self.this_day = _day(self.tr("Day of this survey"))
        self.other_day = _day(self.tr("Day of the other survey"))
        self.other_day.setDate(QDate.currentDate().addYears(-2))
        self.third_day = _day(self.tr("A third date to reckon to"))
        self.third_day.setDate(QDate.currentDate().addYears(2))
        self.third_on = QCheckBox(self.tr("Third date"))
        self.third_on.setToolTip(
            self.tr("Else as long again after the later survey as that is after the earlier one.")
        )
        self.third_on.toggled.connect(self.third_day.setEnabled)
        self.third_day.setEnabled(False)
        self.open_button = QPushButton(self.tr("Findings of another survey…"))
        self.open_button.clicked.connect(lambda _checked=False: self._ask())
        self.again_button = QPushButton(self.tr("Compare"))
        self.again_button.clicked.connect(lambda _checked=False: self.compare())
        self.stations_button = QPushButton(self.tr("Save stations…"))
        self.reaches_button = QPushButton(self.tr("Save reaches…"))
        self.layers_button = QPushButton(self.tr("Save layers…"))
        self.layers_button.setToolTip(self.tr("Both with their places, as a GeoPackage."))
        self.layers_button.clicked.connect(lambda _checked=False: self._save_layers())
        self.stations_button.clicked.connect(lambda _checked=False: self._save("stations"))
        self.reaches_button.clicked.connect(lambda _checked=False: self._save("reaches"))
        self.words = words_label(self.tr("What changed"))
        self.table = AnswerTable(self.tr("Changes by reach"))
        self.table.chosen.connect(self.go)
        buttons = (self.open_button, self.again_button, None, self.third_on, self.third_day)
        surveys = QGridLayout()
        surveys.setColumnStretch(1, 1)
        for row, (title, name, day) in enumerate(
            (
                (self.tr("This survey"), self.this_name, self.this_day),
                (self.tr("The other"), self.other_name, self.other_day),
            )
        ):
            for column, part in enumerate((QLabel(title), name, QLabel(self.tr("of")), day)):
                surveys.addWidget(part, row, column)
        stacked(
            self,
            abreast(None, *buttons),
            surveys,
            abreast(None, None, self.stations_button, self.reaches_button, self.layers_button),
            self.said,
            self.words,
            (self.table, 1),
            margins=(8, 6, 8, 6),
            spacing=6,
        )
        self._kept = KeptFields(model.beside, "surveys", self)
        for key, line in (("this_name", self.this_name), ("other_name", self.other_name)):
            self._kept.add(key, line.text, line.setText, line.textChanged)
        for key, box in (("other_day", self.other_day), ("third_day", self.third_day)):
            self._kept.add(key, *day_field(box))
        on = self.third_on
        self._kept.add("third_on", on.isChecked, on.setChecked, on.toggled)
        # The day of this survey is the terrain's, wherever it is given.
        self.this_day.dateChanged.connect(self._on_own_day)
        model.beside.taken.connect(self._open_again)
        model.study_changed.connect(self._drop)
        model.study_changed.connect(self._take_own)
        model.surveyed_changed.connect(self._take_own)
        model.path_changed.connect(self._take_own)
        self._take_own()
        model.units_changed.connect(self._show)
        self._show()
        self._kept.show()
        self._open_again()

    def _drop(self) -> None:
        there = self.change is not None and self.model.findings is not None
        self.change = self._before = None
        self.model.set_survey_change(None)
        self._show()
        if there:
            self.compare()

    def _open_again(self) -> None:
        """Go on with the survey that these findings were compared with."""
        path = str(self.model.beside.get(OTHER_SURVEY) or "")
        if path == self.other_path:
            return
        if path:
            self._again = True
            self.open_other(path)
            return
        self.other_path, self._other = "", None
        self.other_name.setPlaceholderText("")
        self._drop()

    def _on_own_day(self, day: QDate) -> None:
        if not self._showing_own:
            self.model.set_surveyed(day.toString(Qt.DateFormat.ISODate))

    def _take_own(self) -> None:
        """Name and date the open survey as its file and its inputs do."""
        path = self.model.path
        self.this_name.setPlaceholderText(Path(path).stem if path else self.tr("open"))
        self._showing_own = True
        _set_day(self.this_day, self.model.surveyed)
        self._showing_own = False

    def _ask(self) -> None:
        kind = self.tr("Findings")
        title = self.tr("Findings of another survey")
        self.shown = ask_file(self, title, f"{kind} (*.gpkg)", self.open_other)

    def open_other(self, path: str) -> None:
        """Compare with the findings in a file, which may say the day of their survey."""

        def read() -> tuple[str, Findings]:
            from analysis.findings.geopackage import read_findings

            return path, read_findings(path)

        self.say("")
        self.work("other survey", read, self._take_other, self.tr("Opening another survey"))

    def _take_other(self, read: tuple[str, Findings]) -> None:
        self.other_path, self._other = read
        self.other_name.setPlaceholderText(Path(self.other_path).stem)
        day = str(self._other.run.get("surveyed") or "")
        again, self._again = self._again, False
        if not again:
            self.other_name.clear()
        if QDate.fromString(day, Qt.DateFormat.ISODate).isValid():
            self._kept.set_usual("other_day", day)
        if again:
            # A day given by hand goes before the file's.
            self._kept.show()
        else:
            self._kept.keep()
        self.model.beside.put(OTHER_SURVEY, self.other_path)
        self._show()
        self.compare()

    def compare(self) -> None:
        """Compare with the other survey, in the order of their days, beside the window."""
        found, another, limits = self.findings(), self._other, self.model.limits
        if found is None or another is None:
            return
        mine, other = _date(self.this_day), _date(self.other_day)
        third = _date(self.third_day) if self.third_on.isChecked() else None
        names = tuple(
            line.text().strip() or line.placeholderText()
            for line in (self.this_name, self.other_name)
        )

        def work() -> tuple[SurveyChange, Findings]:
            from analysis.findings.selecting import for_output
            from analysis.findings.two_surveys import Dates, compare_surveys

            both = [(mine, names[0], found), (other, names[1], another)]
            (first, first_name, one), (last, last_name, two) = sorted(both, key=lambda own: own[0])
            dates = Dates(
                before=first, after=last, before_name=first_name, after_name=last_name, third=third
            )
            one = for_output(one)
            return compare_surveys(one, two, dates, limits), one

        self.say("")
        self.work("two surveys", work, self._take, self.tr("Comparing two surveys"))

    def _take(self, compared: tuple[SurveyChange, Findings]) -> None:
        self.change, self._before = compared
        self.model.set_survey_change(self.change)
        self._show()

    def _show(self) -> None:
        change, writing = self.change, self.model.writing
        there = self.model.findings is not None
        self.open_button.setEnabled(there)
        self.again_button.setEnabled(there and self._other is not None)
        for button in (self.stations_button, self.reaches_button, self.layers_button):
            button.setEnabled(change is not None)
        if change is None:
            self.words.setText(
                self.tr(
                    "Give each survey its name and the day on which it was taken. Both are brought "
                    "together on the pavement; then each reach has changed, has not, or can't be "
                    "told."
                )
            )
            self.table.show_answers((), (), ())
            return
        dates, table = change.dates, change.reaches
        counts = [
            f"{int((table['change'] == state).sum())} {self.state_text(state)}" for state in _STATES
        ]
        third = self.tr(
            "For {day} a straight line through both: nothing shows that it goes on like this."
        ).format(day=dates.reckoned)
        self.words.setText(
            f"{dates.before_name} {dates.before} → {dates.after_name} {dates.after}: "
            f"{', '.join(counts)}. {third}"
        )
        drop = writing.unit("edge_drop_mm").text
        volume = writing.unit("m3").text
        heads = (
            self.tr("Road"),
            self.tr("Side"),
            self.tr("Where"),
            self.tr("Finding"),
            self.tr("Change"),
            self.tr("Slope, % points"),
            self.tr("Drop, {unit}").format(unit=drop),
            self.tr("Material, {unit}").format(unit=volume),
            self.tr("Slope {day}, %").format(day=dates.reckoned),
            self.tr("Drop {day}, {unit}").format(day=dates.reckoned, unit=drop),
        )
        rows, places = [], []
        for k in range(len(table)):
            row = table.row(k)
            low, high = float(row["from_m"]), float(row["to_m"])
            cells = (
                ("slope_change_points", "slope_change_se", "points"),
                ("drop_change_mm", "drop_change_se", "edge_drop_mm"),
                ("volume_change_m3", "volume_change_se", "m3"),
                ("slope_third_pct", "slope_third_se", "%"),
                ("drop_third_mm", "drop_third_se", "edge_drop_mm"),
            )
            rows.append(
                (
                    str(row["road"]),
                    side_text(str(row["side"])),
                    f"{writing.place(low)} – {writing.place(high)}",
                    finding_text(str(row["finding"])),
                    self.state_text(str(row["change"])),
                    *(
                        writing.bare(float(row[v]), unit, float(row[se]))
                        if math.isfinite(float(row[v]))
                        else ""
                        for v, se, unit in cells
                    ),
                )
            )
            places.append(Place(str(row["road"]), str(row["side"]), 0.5 * (low + high)))
        self.table.show_answers(heads, rows, places, words=5)

    def _save_layers(self) -> None:
        from analysis.findings.changes_file import write_changes

        change, before = self.change, self._before
        if change is not None and before is not None:
            title, words = self.tr("Save the changes"), self.tr("changes")
            self.ask_place(title, words, ".gpkg", lambda path: write_changes(change, before, path))

    @staticmethod
    def state_text(state: str) -> str:
        """Return the name of what became of a reach."""
        return QCoreApplication.translate("change", _STATES[state])

    def _save(self, what: str) -> None:
        from analysis.findings.changes_text import write_reach_changes, write_station_changes

        change = self.change
        if change is None:
            return
        write = write_stations = write_station_changes
        if what == "reaches":
            write = write_reach_changes
        words = (
            self.tr("changes by station")
            if write is write_stations
            else self.tr("changes by reach")
        )
        self.ask_place(self.tr("Save the changes"), words, ".csv", lambda path: write(change, path))


def _name(name: str) -> QLineEdit:
    """Make a line for a survey's name; left empty, the survey is called as its file is."""
    return named(QLineEdit(), name)


def _set_day(field: DayBox, day: str) -> None:
    """Put a day (ISO) into a field; what isn't known leaves it as it is."""
    known = QDate.fromString(day, Qt.DateFormat.ISODate)
    if known.isValid():
        field.setDate(known)


def _day(name: str) -> DayBox:
    made = named(DayBox(QDate.currentDate()), name)
    made.setCalendarPopup(True)
    made.setDisplayFormat("yyyy-MM-dd")
    return made


def _date(field: DayBox) -> date:
    day = field.date()
    return date(day.year(), day.month(), day.day())
