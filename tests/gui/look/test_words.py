"""What a job says of itself can be said in the person's language."""

import ast
from pathlib import Path

import pytest
from PySide6.QtWidgets import QApplication

import analysis
from analysis.study.screening import screen
from gui.look import words
from gui.state import jobs
from gui.state.model import WindowModel

SOURCES = [*Path(analysis.__file__).parent.rglob("*.py"), Path(jobs.__file__)]


def brackets(_context: str, text: str) -> str:
    """Stand in for a translation."""
    return f"«{text}»"


def texts_in(node: ast.expr) -> list[str]:
    """Texts that an expression may give, with 7 in place of what differs."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value] if node.value else []
    if isinstance(node, ast.JoinedStr):
        parts = [str(p.value) if isinstance(p, ast.Constant) else "7" for p in node.values]
        return ["".join(parts)]
    return []


def reported() -> set[str]:
    """Words in every call of a progress function, from the sources."""
    found = set()
    for source in SOURCES:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or len(node.args) < 2:
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if name in ("progress", "report", "part"):
                found.update(texts_in(node.args[1]))
    # A screening puts its road before what others report.
    return found - {"7: 7"}


def test_every_progress_word_has_an_entry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(words, "translate", brackets)
    found = reported()
    assert {"judging", "measuring both sides", "writing 7"} <= found
    assert len(found) >= 12
    for text in found:
        assert words.progress_text(text).startswith("«"), text


def test_every_entry_is_reported_by_somebody() -> None:
    """An entry that nobody says any more is a leftover."""
    found = reported()
    for template, pattern in words._PROGRESS:
        assert any(pattern.fullmatch(text) for text in found), template


def test_a_screening_is_told_in_the_person_s_words(
    screened: WindowModel, qapp: QApplication, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that a true screening reports is known, and the road's name stays as it is."""
    heard: set[str] = set()
    screen(
        screened.terrain,
        screened.roads,
        screened.settings,
        screened.limits,
        progress=lambda _fraction, text: heard.add(text),
    )
    monkeypatch.setattr(words, "translate", brackets)
    road = screened.roads[0].name
    assert len(heard) >= 6
    for text in heard:
        assert words.progress_text(text).startswith(f"{road}: «"), text


def test_what_differs_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbers and names go into the translated words; a file's name isn't translated."""
    monkeypatch.setattr(
        words, "translate", lambda _context, text: text.replace("average", "Mittel")
    )
    said = words.progress_text("A: B: filling depressions, 3.5 m average")
    assert said == "A: B: filling depressions, 3.5 m Mittel"
    assert words.progress_text("moor_2024.tif") == "moor_2024.tif"
    assert words.progress_text("") == ""


def test_rank_is_explained_alike_everywhere() -> None:
    """By what it is made of: severity, length and the pavement that drains over the reach."""
    from gui.forms import help as help_panel

    made_of = "how bad × how long × how much pavement drains over it"
    assert made_of in words.column_meaning("rank")
    assert any(made_of in term.text for term in help_panel.TERMS)
