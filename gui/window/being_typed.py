"""What stands in a number field and isn't entered yet: kept over a crash, and put back there."""

from __future__ import annotations

from collections.abc import Mapping

from PySide6.QtWidgets import QAbstractSpinBox, QApplication, QDoubleSpinBox, QSpinBox, QWidget

from gui.look.fields import is_being_typed
from gui.window.panes import Pane

__all__ = ["being_typed", "type_again"]


def being_typed() -> dict[str, str]:
    """Return pane, name and text of the number field that is being typed in; empty if none is."""
    field = QApplication.focusWidget()
    if not isinstance(field, QAbstractSpinBox) or not is_being_typed(field):
        return {}
    pane: QWidget | None = field
    while pane is not None and not isinstance(pane, Pane):
        pane = pane.parentWidget()
    if pane is None:
        return {}
    text = field.cleanText() if isinstance(field, QDoubleSpinBox | QSpinBox) else field.text()
    return {"pane": pane.objectName(), "field": field.accessibleName(), "text": text}


def type_again(window: QWidget, typed: Mapping[str, str]) -> bool:
    """Put a text into its field again, not entered yet; False if there is no such field now."""
    pane = window.findChild(Pane, str(typed.get("pane", "")))
    if pane is None:
        return False
    for field in pane.fill().findChildren(QAbstractSpinBox):
        if field.accessibleName() == typed.get("field") and field.isEnabled():
            pane.show()
            pane.raise_()
            field.setFocus()
            # As a hand would: what is set isn't being typed.
            field.selectAll()
            field.lineEdit().insert(str(typed.get("text", "")))
            return True
    return False
