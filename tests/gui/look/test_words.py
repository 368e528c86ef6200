"""What a job says of itself can be said in the person's language."""

import ast
from pathlib import Path

import pytest

import analysis
from analysis.study.screening import screen
from gui.look import words
from gui.state import jobs
from gui.state.model import WindowModel

SOURCES = [*Path(analysis.__file__).parent.rglob("*.py"), Path(jobs.__file__)]


def reported() -> set[str]:
    """Words in every call of a progress function, from the sources; all must be literals."""
    found = set()
    for source in SOURCES:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or len(node.args) < 2:
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            words = node.args[1]
            if name in ("progress", "report", "part"):
                assert not isinstance(words, ast.JoinedStr), f"{source}:{node.lineno}"
                if isinstance(words, ast.Constant) and isinstance(words.value, str):
                    found.add(words.value)
    return found - {""}


def test_every_progress_word_has_an_entry_and_every_entry_is_reported() -> None:
    """An entry that nobody says any more is a leftover."""
    found = reported()
    assert {"judging", "measuring both sides", "writing the findings"} <= found
    assert found == set(words.PROGRESS_WORDS)


def test_a_screening_is_told_in_the_person_s_words(screened: WindowModel) -> None:
    """All that a true screening reports has an entry, and the road's name stays as it is."""
    heard: set[tuple[str, str]] = set()
    screen(
        screened.terrain,
        screened.roads,
        screened.settings,
        screened.limits,
        progress=lambda _fraction, text, road: heard.add((road, text)),
    )
    assert len(heard) >= 6
    assert {road for road, _text in heard} == {road.name for road in screened.roads}
    assert {text for _road, text in heard} <= set(words.PROGRESS_WORDS)


def test_names_are_not_translated(monkeypatch: pytest.MonkeyPatch) -> None:
    """The road stands before the translated words; a file's name isn't in the catalogue."""
    monkeypatch.setattr(words, "translate", lambda _context, text: text.replace("filling", "fülle"))
    assert words.progress_text("filling depressions", "A: B") == "A: B: fülle depressions"
    assert words.progress_text("moor_2024.tif") == "moor_2024.tif"
    assert words.progress_text("") == ""
