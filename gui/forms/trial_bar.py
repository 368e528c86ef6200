"""What limits would change that are tried, with buttons to keep or drop them."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QFrame, QLabel, QPushButton, QWidget

from analysis.study.trying import Change
from gui.look import theme
from gui.look.making import SELECTABLE, abreast, named, stacked
from gui.look.units import value_text
from gui.state.trial import Trial

__all__ = ["TrialBar"]


class TrialBar(QFrame):
    """Shows a trial while there is one."""

    def __init__(self, trial: Trial, units: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("trial")
        self.setAccessibleName(self.tr("Limits being tried"))
        self._trial, self._units = trial, units
        self.words = named(
            QLabel(wordWrap=True, textInteractionFlags=SELECTABLE),
            self.tr("What the tried limits change"),
        )
        self.keep_button = named(
            QPushButton(self.tr("Keep")), self.tr("Keep"), self.tr("Judge by these limits.")
        )
        self.drop_button = named(
            QPushButton(self.tr("Drop")), self.tr("Drop"), self.tr("Leave the limits as they were.")
        )
        self.keep_button.clicked.connect(lambda _on: trial.keep())
        self.drop_button.clicked.connect(lambda _on: trial.drop())
        buttons = stacked(None, self.keep_button, self.drop_button, None, spacing=3)
        abreast(self, (self.words, 1), buttons, margins=(10, 5, 8, 5), spacing=6)
        trial.changed.connect(self._show)
        theme.watcher().changed.connect(self._dress)
        self._dress()
        self._show()

    def set_units(self, units: str) -> None:
        """Show quantities in other units."""
        self._units = units
        self._show()

    def _dress(self) -> None:
        raised, accent = theme.color("raised").name(), theme.color("accent").name()
        self.setStyleSheet(
            f"QFrame#trial {{ background: {raised}; border: none;"
            f" border-left: 4px solid {accent}; }}"
        )

    def _show(self) -> None:
        trial = self._trial
        self.setVisible(trial.limits is not None)
        if trial.limits is None:
            return
        head = self.tr("Tried, not kept:")
        if trial.trouble:
            text = trial.trouble
        elif trial.change is None:
            text = self.tr("Judging by the tried limits …")
        else:
            text = "<br>".join(self.lines(trial.change))
        self.words.setText(f"<b>{head}</b> {text}")
        self.keep_button.setEnabled(not trial.trouble)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self._trial.drop()
            event.accept()
            return
        super().keyPressEvent(event)

    def lines(self, change: Change) -> list[str]:
        """Say in lines what a change changes: metres, material, reaches."""
        units = self._units
        if change.nothing:
            return [self.tr("Nothing changes on this road.")]
        before, after = change.before, change.after

        def pair(name: str, unit: str, decimals: int | None = None) -> str:
            was, now = (float(getattr(sums, name)) for sums in (before, after))
            first = value_text(was, unit, units, decimals=decimals, with_unit=False)
            last = value_text(now, unit, units, decimals=decimals, with_unit=False)
            whole = value_text(now, unit, units, decimals=decimals)
            return whole if first == last else f"{first} → <b>{whole}</b>"

        judged = self.tr("{length} of shoulder judged otherwise, {count} reaches are others.")
        return [
            judged.format(
                length=value_text(change.changed_m, "m", units, decimals=0),
                count=change.changed_reaches,
            ),
            self.tr("Won't shed: {length}; not told: {open}.").format(
                length=pair("failing_m", "m", 0), open=pair("untold_m", "m", 0)
            ),
            self.tr("To work: {reaches} reaches; import, loose: {volume}, {loads} loads.").format(
                reaches=pair("reaches", "count", 0),
                volume=pair("import_m3_loose", "m3", 0),
                loads=pair("loads", "count", 0),
            ),
            self.tr("Cut: {cut}; fill: {fill}.").format(
                cut=pair("cut_m3", "m3", 0), fill=pair("fill_m3", "m3", 0)
            ),
        ]
