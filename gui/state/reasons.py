"""The list of reasons that a reviewer picks from, which the person may change."""

from __future__ import annotations

from PySide6.QtCore import QCoreApplication

from gui.look.remembered import remembered

__all__ = ["MOST_REASONS", "reasons", "set_reasons"]

# As many as there are keys for.
MOST_REASONS = 9


def _shipped() -> list[str]:
    translate = QCoreApplication.translate
    return [
        translate("reasons to reject", "parked vehicle"),
        translate("reasons to reject", "driveway or side road"),
        translate("reasons to reject", "bushes or high grass"),
        translate("reasons to reject", "edge found in the wrong place"),
        translate("reasons to reject", "kerb or wall, as built"),
        translate("reasons to reject", "mended since the survey"),
        translate("reasons to reject", "survey too poor here"),
    ]


def reasons() -> list[str]:
    """Reasons to pick from, as the person left them."""
    kept = remembered().value("review/reasons")
    if isinstance(kept, str):
        kept = [kept]
    known = [str(reason) for reason in kept if str(reason).strip()] if kept else []
    return known or _shipped()


def set_reasons(texts: list[str]) -> None:
    """Keep another list; an empty one brings the shipped reasons back."""
    plain = list(dict.fromkeys(text.strip() for text in texts if text.strip()))[:MOST_REASONS]
    if plain:
        remembered().set_value("review/reasons", plain)
    else:
        remembered().remove("review/reasons")
