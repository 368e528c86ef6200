"""Where to check: what the sample is to show, the places, and the files that go out."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QFormLayout, QPushButton, QWidget

from gui.field.answers import AnswerTable, Place
from gui.field.part import Part, words_label
from gui.look.fields import CalmCombo, CountBox, QuantityBox
from gui.look.making import abreast, named, stacked
from gui.look.units import number
from gui.look.words import side_text, station_words, verdict_text
from gui.state.beside import KeptFields

if TYPE_CHECKING:
    from analysis.common.table import Table
    from analysis.findings.checkplan import CheckPlan
    from gui.state.model import WindowModel

__all__ = ["CheckPage"]


class CheckPage(Part):
    """Draws places and hands them out."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(model, parent)
        self.plan: CheckPlan | None = None
        self._of: Table | None = None
        self.missed = _percent(
            self.tr("Missed, at most"), 5.0, self.tr("Of what was judged to shed, to be shown")
        )
        self.alarms = _percent(
            self.tr("False alarms"), 10.0, self.tr("At most, of what was judged not to shed")
        )
        self.certainty = _percent(self.tr("Certainty"), 95.0)
        self.open_places = _count(
            self.tr("Open ones"), 10, 500, self.tr("Places that the screening can't tell")
        )
        self.misses = _count(
            self.tr("Allow for"), 0, 20, self.tr("Wrong ones that may be found among each")
        )
        self.seed = _count(
            self.tr("Seed"), 1, 999_999, self.tr("The same seed draws the same places")
        )
        self.spacing = QuantityBox("m", 0.0, 1000.0, decimals=0, step=10.0)
        tip = self.tr("On one side; 0 = as far as measurements share ground")
        named(self.spacing, self.tr("Least distance"), tip)
        tip = self.tr("Decides in which order the places are driven to")
        self.keep = named(CalmCombo(), self.tr("Drive on the"), tip)
        self.keep.addItem(self.tr("right"), "right")
        self.keep.addItem(self.tr("left"), "left")
        fields = (self.missed, self.alarms, self.misses, self.certainty)
        more = (self.open_places, self.spacing, self.keep, self.seed)
        self.draw_button = QPushButton(self.tr("Draw places"))
        self.draw_button.clicked.connect(lambda _checked=False: self.draw())
        self.gpx_button = QPushButton(self.tr("Save GPX…"))
        self.form_button = QPushButton(self.tr("Save form…"))
        self.sheet_button = QPushButton(self.tr("Print form…"))
        self.gpx_button.clicked.connect(lambda _checked=False: self._save_gpx())
        self.form_button.clicked.connect(lambda _checked=False: self._save_form())
        self.sheet_button.clicked.connect(lambda _checked=False: self._print())
        self.words = words_label(self.tr("What the places show"))
        self.table = AnswerTable(self.tr("Places in driving order"))
        self.table.chosen.connect(self.go)
        buttons = (self.draw_button, None, self.gpx_button, self.form_button, self.sheet_button)
        stacked(
            self,
            abreast(None, (_form(fields), 1), (_form(more), 1)),
            abreast(None, *buttons),
            self.words,
            self.said,
            (self.table, 1),
            margins=(8, 6, 8, 6),
            spacing=6,
        )
        self._keep()
        model.units_changed.connect(self._on_units)
        model.study_changed.connect(self.refresh)
        self._on_units()
        self.refresh()

    def _keep(self) -> None:
        """Keep what the sample is to show with the findings."""
        kept = KeptFields(self.model.beside, "check", self)
        for name, box in (
            ("missed", self.missed),
            ("alarms", self.alarms),
            ("certainty", self.certainty),
            ("spacing", self.spacing),
        ):
            kept.add(name, partial(getattr, box, "stored"), box.set_stored, box.stored_changed)
        for name, count in (
            ("open_places", self.open_places),
            ("misses", self.misses),
            ("seed", self.seed),
        ):
            kept.add(name, count.value, count.setValue, count.valueChanged)
        keep = self.keep
        kept.add("keep", keep.currentIndex, keep.setCurrentIndex, keep.currentIndexChanged)
        kept.show()

    def refresh(self) -> None:
        """Make possible what can be done now; places of other findings are dropped."""
        found = self.model.findings
        stations = None if found is None else found.stations
        if stations is not self._of:
            self.plan, self._of = None, stations
            self.model.set_check_plan(None)
            self._show()
        self.draw_button.setEnabled(found is not None)
        for button in (self.gpx_button, self.form_button, self.sheet_button):
            button.setEnabled(self.plan is not None)

    def draw(self) -> None:
        """Draw the places, beside the window."""
        found = self.findings()
        if found is None:
            return
        asked: dict[str, Any] = {
            "missed": self.missed.stored / 100.0,
            "alarms": self.alarms.stored / 100.0,
            "open_places": self.open_places.value(),
            "certainty": self.certainty.stored / 100.0,
            "misses": self.misses.value(),
            "spacing_m": self.spacing.stored,
            "seed": self.seed.value(),
            "keep": str(self.keep.currentData()),
        }

        def draw() -> CheckPlan:
            from analysis.findings.checkplan import CheckOrder, draw_checks

            return draw_checks(found, CheckOrder(**asked))

        self.say("")
        self.work("checkplan", draw, self._take, self.tr("Drawing places"))

    def _take(self, plan: CheckPlan) -> None:
        self.plan = plan
        self.model.set_check_plan(plan)
        self._show()
        self.refresh()

    def _show(self) -> None:
        plan, style = self.plan, self.model.station_style
        if plan is None:
            self.words.setText(
                self.tr(
                    "Draws places at random, so that what is found there bounds what the screening "
                    "got wrong everywhere. The form doesn't tell what was found: whoever reads "
                    "mustn't be swayed."
                )
            )
            self.table.show_answers((), (), ())
            return
        words = (
            self.tr(
                "{count} judged “{verdict}”: if no more than {misses} turn out otherwise, at most "
                "{share} % of its length does ({certainty} % certainty)."
            )
            if plan.order.misses
            else self.tr(
                "{count} judged “{verdict}”: if none turns out otherwise, at most {share} % of its "
                "length does ({certainty} % certainty)."
            )
        )
        sentences = [
            words.format(
                count=count,
                verdict=verdict_text(verdict),
                misses=plan.order.misses,
                share=number(100.0 * plan.shows(verdict), 1),
                certainty=number(100.0 * plan.order.certainty, 0),
            )
            for verdict, count in plan.drawn.items()
            if count and verdict in ("sheds", "won't shed")
        ]
        short = [
            self.tr("Only {count} of {wanted} places “{verdict}” lie far enough apart.").format(
                count=plan.drawn[verdict], wanted=wanted, verdict=verdict_text(verdict)
            )
            for verdict, wanted in plan.wanted.items()
            if plan.drawn[verdict] < wanted
        ]
        if plan.rejected:
            short.append(
                self.tr("{count} station sides that you rejected are left out.").format(
                    count=plan.rejected
                )
            )
        self.words.setText(" ".join([*sentences, *short]))
        heads = (self.tr("Place"), self.tr("Road"), self.tr("Side"), self.tr("Station"))
        rows = [
            (p.name, p.road, side_text(p.side), station_words(p.station_m, style))
            for p in plan.places
        ]
        places = [Place(p.road, p.side, p.station_m) for p in plan.places]
        self.table.show_answers(heads, rows, places, words=3)

    def _on_units(self) -> None:
        self.spacing.set_system(self.model.units)
        self._show()

    # -- files ------------------------------------------------------------------------------------

    def _save_gpx(self) -> None:
        from analysis.findings.checkplan_files import write_check_gpx

        found, plan = self.findings(), self.plan
        if found is not None and plan is not None:
            title = self.tr("Save places as GPX")
            self.ask_place(
                title, self.tr("places to check"), ".gpx", lambda p: write_check_gpx(found, plan, p)
            )

    def _save_form(self) -> None:
        from analysis.findings.checkplan_files import write_check_form

        found, plan = self.findings(), self.plan
        if found is not None and plan is not None:
            title, system = self.tr("Save the form to fill in"), self.model.units
            self.ask_place(
                title,
                self.tr("places to check"),
                ".csv",
                lambda path: write_check_form(found, plan, path, system=system),
            )

    def _print(self) -> None:
        from analysis.findings.checkplan_files import check_sheet

        found, plan = self.findings(), self.plan
        if found is not None and plan is not None:
            sheet = check_sheet(found, plan, self.model.writing)
            self.print_sheet(sheet, self.tr("Print the form"))


def _form(fields: tuple[QWidget, ...]) -> QFormLayout:
    form = QFormLayout()
    form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
    form.setVerticalSpacing(4)
    for field in fields:
        form.addRow(field.accessibleName(), field)
    return form


def _percent(name: str, value: float, tip: str = "") -> QuantityBox:
    made = named(QuantityBox("%", 0.0, 100.0, decimals=1, step=1.0), name, tip)
    made.set_stored(value)
    return made


def _count(name: str, value: int, most: int, tip: str = "") -> CountBox:
    made = named(CountBox(), name, tip)
    made.setRange(0, most)
    made.setValue(value)
    return made
