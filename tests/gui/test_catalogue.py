"""Texts of the window can be gathered, translated, compiled, loaded, and then all show."""

import ast
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import QCoreApplication, QEvent, QLocale, Qt, QTranslator
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QAbstractButton,
    QApplication,
    QComboBox,
    QDockWidget,
    QGraphicsScene,
    QGroupBox,
    QLabel,
    QLineEdit,
    QTableView,
    QWidget,
)

import gui
from gui.catalogue import compile_catalogue, write_catalogue
from gui.state import jobs
from gui.state.loaded import Loaded
from gui.state.model import WindowModel
from gui.window import app as application
from gui.window.window import Window
from tests.gui.conftest import ARTEFACTS

Settle = Callable[..., None]
SOURCES = sorted(Path(gui.__file__).parent.rglob("*.py"))


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the catalogue once."""
    path = tmp_path_factory.mktemp("texts") / "vergeline_de.ts"
    write_catalogue(path)
    return path


@pytest.fixture(scope="module")
def marked(catalogue: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Translate every text by putting it into brackets; return the folder of the compiled file."""
    tree = ET.parse(catalogue)
    for message in tree.iter("message"):
        source, translation = message.find("source"), message.find("translation")
        assert source is not None
        assert translation is not None
        translation.text = f"«{source.text}»"
        translation.attrib.pop("type", None)
    folder = tmp_path_factory.mktemp("translations")
    tree.write(folder / "vergeline_de.ts", encoding="utf-8", xml_declaration=True)
    compile_catalogue(folder / "vergeline_de.ts")
    return folder


def test_one_thing_has_one_word(catalogue: Path) -> None:
    """The file is called findings, as in the commands; nothing is plural by brackets or wanted."""
    texts = {message.findtext("source", "") for message in ET.parse(catalogue).iter("message")}
    assert len(texts) > 500
    unwelcome = re.compile(r"\b[Ss]tud(y|ies)\b|\(s\)|\bWanted\b|[}0-9±] points\b")
    assert [text for text in sorted(texts) if unwelcome.search(text)] == []


@pytest.fixture
def german(
    qapp: QApplication, marked: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[QApplication]:
    """Run the program as on a German system, with a catalogue in the person's own folder."""
    before = QLocale()
    monkeypatch.setattr(application, "translations_folder", lambda: marked)
    QLocale.setDefault(QLocale("de_DE"))
    application.translate(qapp)
    yield qapp
    for translator in qapp.findChildren(QTranslator):
        qapp.removeTranslator(translator)
        translator.deleteLater()
    QLocale.setDefault(before)


def gathered(path: Path) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for context in ET.parse(path).iter("context"):
        name = context.findtext("name")
        found[str(name)] = {str(m.findtext("source")) for m in context.iter("message")}
    return found


def written(path: Path) -> Iterator[tuple[int, str, ast.expr]]:
    """Line, context and text of everything that a source gives to be translated."""

    def visit(node: ast.AST, context: str) -> Iterator[tuple[int, str, ast.expr]]:
        if isinstance(node, ast.ClassDef):
            context = node.name
        if isinstance(node, ast.Call):
            function = node.func
            name = function.attr if isinstance(function, ast.Attribute) else ""
            name = function.id if isinstance(function, ast.Name) else name
            if name == "tr" and node.args:
                yield node.lineno, context, node.args[0]
            first = node.args[0] if node.args else None
            if (
                name in ("translate", "QT_TRANSLATE_NOOP")
                and isinstance(first, ast.Constant)
                and isinstance(first.value, str)
            ):
                yield node.lineno, first.value, node.args[1]
        for child in ast.iter_child_nodes(node):
            yield from visit(child, context)

    yield from visit(ast.parse(path.read_text(encoding="utf-8")), "")


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.stem)
def test_every_text_is_gathered_under_its_context(source: Path, catalogue: Path) -> None:
    """What the program asks for is what the translator is given; nothing is put together first."""
    known = gathered(catalogue)
    for line, context, text in written(source):
        where = f"{source.name}:{line}"
        assert not isinstance(text, ast.JoinedStr | ast.BinOp), f"{where}: text put together"
        if isinstance(text, ast.Constant):
            assert text.value in known.get(context, ()), f"{where}: {text.value!r} is missing"


def test_texts_of_the_analysis_are_gathered(catalogue: Path) -> None:
    """Limits and cautions are shown by the window, which doesn't hold them."""
    from analysis.common.cautions import CAUTIONS
    from analysis.common.limits import limit_specs

    known = gathered(catalogue)
    assert set(CAUTIONS) == known["cautions"]
    assert {spec.title for spec in limit_specs().values()} <= known["limits"]


def test_bringing_up_to_date_keeps_translations(tmp_path: Path) -> None:
    """An older catalogue loses nothing that is still in use."""
    path = tmp_path / "vergeline_de.ts"
    path.write_text(
        '<?xml version="1.0" encoding="utf-8"?><!DOCTYPE TS><TS version="2.1" language="de_DE">'
        "<context><name>MapKey</name><message><source>Key</source>"
        "<translation>Zeichen</translation></message></context></TS>",
        encoding="utf-8",
    )
    write_catalogue(path)
    assert "<translation>Zeichen</translation>" in path.read_text(encoding="utf-8")
    assert len(gathered(path)) > 20


def test_person_s_catalogue_goes_before_the_shipped_one(german: QApplication) -> None:
    """And what has no translation stays English."""
    assert QCoreApplication.translate("MapKey", "Key") == "«Key»"
    assert QCoreApplication.translate("MapKey", "not in any catalogue") == "not in any catalogue"


def test_shipped_catalogue_is_found(
    qapp: QApplication, marked: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The one in the resources is loaded where the person has none."""
    (tmp_path / "translations").mkdir()
    (tmp_path / "translations" / "vergeline_de.qm").write_bytes(
        (marked / "vergeline_de.qm").read_bytes()
    )
    monkeypatch.setattr(application, "files", lambda _package: tmp_path)
    monkeypatch.setattr(application, "translations_folder", lambda: tmp_path / "none")
    before = QLocale()
    QLocale.setDefault(QLocale("de_AT"))
    application.translate(qapp)
    try:
        assert QCoreApplication.translate("MapKey", "Key") == "«Key»"
    finally:
        for translator in qapp.findChildren(QTranslator):
            qapp.removeTranslator(translator)
            translator.deleteLater()
        QLocale.setDefault(before)
    assert QCoreApplication.translate("MapKey", "Key") == "Key"


def shown_texts(window: Window) -> Iterator[tuple[str, str]]:
    """Every text of the window that a person reads or hears, and where it stands."""
    for action in window.findChildren(QAction):
        if isinstance(action.parent(), QGraphicsScene):  # the drawing library's, in no menu here
            continue
        yield f"action of {type(action.parent()).__name__}", action.text()
    for widget in window.findChildren(QWidget):
        if widget.objectName().startswith(("qt_", "Scroll")):  # Qt's own words
            continue
        place = f"{type(widget).__name__} {widget.objectName()} {widget.accessibleName()}"
        yield f"name of {place}", widget.accessibleName()
        yield f"tip of {place}", widget.toolTip()
        if isinstance(widget, QLabel | QAbstractButton):
            yield place, widget.text()
        elif isinstance(widget, QGroupBox):
            yield place, widget.title()
        elif isinstance(widget, QDockWidget):
            yield place, widget.windowTitle()
        elif isinstance(widget, QComboBox):
            for number in range(widget.count()):
                yield place, widget.itemText(number)
        elif isinstance(widget, QLineEdit):
            yield place, widget.placeholderText()
        elif isinstance(widget, QTableView):
            for column in range(widget.model().columnCount()):
                yield place, str(widget.model().headerData(column, Qt.Orientation.Horizontal))


# Names that are the same everywhere, and words that come from the study itself.
ALIKE = re.compile(r"^(Vergeline|Fernhollow Road.*|fernhollow .*|.*fernhollow\.(tif|gpkg))$")


def test_whole_window_speaks_the_catalogue(
    german: QApplication,
    model: WindowModel,
    shared_results: tuple[jobs.Inputs, Loaded],
    settle: Settle,
) -> None:
    """With every text translated no English word is left in the window."""
    window = Window(model)
    window.show()
    model.take_inputs(shared_results[0])
    model.take_screened(shared_results[1])
    for pane in window.panes.by_name.values():
        pane.fill()
    window.panes["limits"].widget().build_all()
    settle(lambda: not window.panes.coming and model.runner.idle())
    english = []
    for place, text in shown_texts(window):
        bare = re.sub(r"<[^>]*>", "", text).strip()
        if re.search(r"[A-Za-z]{3,}", bare) and "«" not in bare and not ALIKE.match(bare):
            english.append(f"{place}: {bare}")
    assert window.grab().save(str(ARTEFACTS / "window_marked.png"))
    window.closing = True
    window.close()
    window.deleteLater()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    assert not english, "\n".join(english)
