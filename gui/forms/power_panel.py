"""What this grid can tell: errors before anything is screened, and the length that would do.

Shown where widths and averaging are decided, so that nobody finds out afterwards that the grid
couldn't have told a good shoulder from a bad one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtWidgets import QGroupBox, QLabel, QWidget

from analysis.common.along import known_median
from gui.forms.told_rows import ToldRows
from gui.look import theme
from gui.look.making import SELECTABLE, later, named, stacked
from gui.look.units import number, unit_of, value_text

if TYPE_CHECKING:
    from analysis.common.settings import Settings
    from analysis.study.grid_tells import GridTells
    from gui.state.model import WindowModel

__all__ = ["PowerPanel"]

# Assumed until a grid has been measured: between the smooth-surface repeatability of survey
# quality levels 1 and 2 (60 mm) and what dense surveys reach in practice.
_ASSUMED_SIGMA_M = 0.03
_ASSUMED_CELL_M = 1.0
_LONGEST_AUTO_M = 100.0
_LENGTHS_M = (5.0, 7.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 120.0)


class _PowerChart(pg.PlotWidget):
    """Standard error of the shoulder slope against the averaging length."""

    def __init__(self) -> None:
        super().__init__(background=None)
        self.setFixedHeight(150)
        self.setFrameShape(self.Shape.NoFrame)
        self.setAccessibleName(self.tr("Error of the slope against the averaging length"))
        self.setMenuEnabled(False)
        self.setMouseEnabled(False, False)
        self.hideButtons()
        self._line = self.plot()
        # Below this line 4 % and 2 % are told apart.
        self._enough = pg.InfiniteLine(
            angle=0,
            label=self.tr("enough to tell 4 % from 2 %"),
            labelOpts={"position": 0.98, "anchors": [(1, 1), (1, 1)]},
        )
        self.addItem(self._enough)
        self._here = pg.ScatterPlotItem(size=10)
        self.addItem(self._here)

    def wheelEvent(self, event: QWheelEvent) -> None:
        # The form scrolls, whatever is under the wheel.
        event.ignore()

    def draw(self, answer: _Answer, system: str) -> None:
        """Show what was reckoned, in the colours of now."""
        known, wanted = np.isfinite(answer.errors), answer.wanted
        self.setVisible(bool(known.sum() >= 2))
        if known.sum() < 2:
            return
        unit, ink = unit_of("m", system), theme.color("muted")
        lengths = answer.lengths * unit.factor
        top = float(np.max(answer.errors[known]))
        top = max(min(top, 4.0 * wanted) if math.isfinite(wanted) else top, 0.46)
        self.setRange(xRange=(0.0, float(lengths[-1])), yRange=(0.0, 1.08 * top), padding=0.0)
        for side in ("left", "bottom"):
            self.getAxis(side).setPen(theme.color("faint"))
            self.getAxis(side).setTextPen(ink)
        self.setLabel("left", self.tr("± % points"))
        self.setLabel("bottom", self.tr("averaging length, {unit}").format(unit=unit.text))
        self._line.setData(lengths, answer.errors)
        self._line.setPen(theme.pen("accent", 2.0))
        self._enough.setVisible(math.isfinite(wanted))
        if math.isfinite(wanted):
            self._enough.setPos(wanted)
        self._enough.setPen(theme.pen("required", 1.3, Qt.PenStyle.DashLine))
        self._enough.label.setColor(ink)
        here = [answer.average_m * unit.factor] if math.isfinite(answer.slope_se) else []
        self._here.setData(here, [min(answer.slope_se, 1.08 * top)] * len(here))
        self._here.setBrush(theme.color("accent"))
        self._here.setPen(theme.pen("paper", 1.5))


class PowerPanel(QGroupBox):
    """What the open grid can tell with the settings as they are."""

    def __init__(self, model: WindowModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setTitle(self.tr("What this grid can tell"))
        self.model = model
        words = QLabel(wordWrap=True, textInteractionFlags=SELECTABLE)
        self.words = named(words, self.tr("What this grid can tell"))
        self.chart = _PowerChart()
        self.told = ToldRows()
        stacked(self, self.words, self.chart, self.told, margins=(8, 6, 8, 8), spacing=-1)
        self.answer: _Answer | None = None
        self._tells: tuple[Sequence[Any], tuple[GridTells, ...]] = (), ()
        model.selection_changed.connect(later(self, self._show_told).start)
        theme.watcher().changed.connect(later(self, self._on_theme).start)

    # -- what it stands on -----------------------------------------------------------------------

    def sigma_m(self) -> tuple[float, str]:
        """Noise to reckon with, and where it comes from."""
        given = self.model.settings.noise_m
        if given is not None:
            return given, self.tr("given")
        found = self._measured("sigma_m")
        if math.isfinite(found):
            return found, self.tr("measured on this road")
        return _ASSUMED_SIGMA_M, self.tr("assumed until a road is screened")

    def _roads(self) -> Sequence[Any]:
        """Roads that were measured on the open grid."""
        study = self.model.study
        return study.roads if study is not None and study.terrain is self.model.terrain else ()

    def _measured(self, name: str, otherwise: float = math.nan) -> float:
        """What is usual of the noise measured on the open grid."""
        values = [getattr(part.measured.shoulder.noise, name) for part in self._roads()]
        return known_median(np.concatenate(values), otherwise) if values else otherwise

    def _on_theme(self) -> None:
        if self.answer is not None:
            ink = theme.color("ink" if self.answer.tells else "warn")
            self.words.setStyleSheet(f"color: {ink.name()}")
            self.chart.draw(self.answer, self.model.units)
        self.told.paint()

    # -- showing ---------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Reckon again for the grid and settings as they are, beside the window."""
        settings, terrain, roads = self.model.settings, self.model.terrain, self._roads()
        sigma, source = self.sigma_m()
        pavement, shoulder = settings.widths_of(self.model.only_road)
        options: dict[str, float] = {"pavement_width_m": pavement}
        if roads:
            options["correlation_m"] = self._measured("correlation_m", 0.0)
            options["nugget"] = self._measured("nugget", 1.0)
        question = _Question(
            cell_m=terrain.cell_m if terrain is not None else _ASSUMED_CELL_M,
            open=terrain is not None,
            sigma_m=sigma,
            sigma_source=source,
            settings=settings,
            shoulder_width_m=shoulder,
            options=options,
        )
        known = self._tells[1] if self._tells[0] is roads else None
        if not self.words.text():
            self.words.setText(self.tr("Reckoning what the grid can tell…"))
        self.model.runner.submit(
            f"power {id(self)}",
            lambda _progress: _answer(question, roads, known),
            self._take,
            lane="slow start",
        )

    def _take(self, answer: _Answer) -> None:
        """Say what was reckoned."""
        system, question = self.model.units, answer.question
        cell = value_text(question.cell_m, "m", system, decimals=2)
        if question.open:
            parts = [
                self.tr("Cells of {cell}, noise {noise} ({source}).").format(
                    cell=cell,
                    noise=value_text(1000.0 * question.sigma_m, "mm", system),
                    source=question.sigma_source,
                )
            ]
        else:
            parts = [self.tr("No grid is open; for cells of {cell}:").format(cell=cell)]
        parts.append(self._power_words(answer, system))
        if math.isfinite(answer.least_m):
            parts.append(
                self.tr(
                    "To tell 4 % from 2 % with 95 % certainty it must average over at least "
                    "{length}."
                ).format(length=value_text(math.ceil(answer.least_m), "m", system, decimals=0))
            )
        elif math.isfinite(answer.slope_se):
            parts.append(
                self.tr("No averaging length makes it tell 4 % from 2 %: use a finer grid.")
            )
        if answer.judged:
            parts.append(
                self.tr(
                    "On the screened road 4 % is told from 2 % at {share} % of the places."
                ).format(share=number(100.0 * answer.telling, 0))
            )
        if answer.rut_mm is not None and math.isfinite(answer.rut_mm):
            parts.append(
                self.tr("Ruts show from {depth}.").format(
                    depth=value_text(answer.rut_mm, "mm", system)
                )
            )
        self.words.setText(" ".join(parts))
        self.answer = answer
        self._tells = answer.roads, answer.told
        self._on_theme()
        self._show_told()
        self.chart.setAccessibleDescription(self.words.text())

    def _show_told(self) -> None:
        """Show what the grid tells on the road that is looked at."""
        roads, told = self._tells
        if not roads or roads is not self._roads():
            self.told.show_told("", None, self.model.units)
            return
        here = min(self.model.road_index, len(roads) - 1)
        name = roads[here].road.name if len(roads) > 1 else ""
        self.told.show_told(name, told[here], self.model.units)

    def _power_words(self, answer: _Answer, system: str) -> str:
        slope, drop = answer.slope_se, answer.drop_se
        if not (math.isfinite(slope) and math.isfinite(drop)):
            return self.tr(
                "The shoulder is too narrow for these cells: its slope can't be told at any "
                "averaging length; use a finer grid."
            )
        text = self.tr(
            "Averaged over {length}, slopes are good to ± {slope} % points and edge drops to "
            "± {drop} (one standard error)."
        ).format(
            length=value_text(answer.average_m, "m", system, decimals=0),
            slope=number(slope, 1 if slope >= 0.1 else 2),
            drop=value_text(drop, "mm", system),
        )
        verdict = (
            self.tr("That tells 4 % from 2 %.")
            if answer.tells
            else self.tr("That can't tell 4 % from 2 %.")
        )
        return f"{text} {verdict}"


@dataclass(frozen=True, slots=True)
class _Question:
    """Grid and settings as they were when asked."""

    cell_m: float
    open: bool
    sigma_m: float
    sigma_source: str
    settings: Settings
    shoulder_width_m: float
    options: dict[str, Any]


_Shoulder = tuple[float, float, float]
_Options = tuple[tuple[str, float], ...]


# A worker at work holds the window up, and what is asked is mostly what was asked before.
@lru_cache(maxsize=500)
def _least(shoulder: _Shoulder, given: bool, options: _Options) -> float:
    """Least length of average that tells 4 % from 2 %, metres."""
    from analysis.shoulder.resolving import least_average

    return float(least_average(*shoulder, difference_pct=2.0, edges_given=given, **dict(options)))


@lru_cache(maxsize=2000)
def _errors(
    shoulder: _Shoulder, given: bool, options: _Options, length: float
) -> tuple[float, float, float]:
    """Standard errors of slope and drop, and the least rut, at a length of average."""
    from analysis.shoulder.resolving import resolving_power

    power = resolving_power(*shoulder, length, **dict(options))
    if given:
        return power.given_slope_se, power.given_drop_se, power.rut_mm
    return power.slope_se, power.drop_se, power.rut_mm


@dataclass(frozen=True, slots=True)
class _Answer:
    """What the grid can tell; `judged`, `telling` and `told` are of the screened `roads`."""

    question: _Question
    roads: Sequence[Any]
    told: tuple[GridTells, ...]
    average_m: float
    slope_se: float
    drop_se: float
    rut_mm: float | None
    least_m: float
    tells: bool
    lengths: np.ndarray
    errors: np.ndarray
    wanted: float
    judged: int
    telling: float


def _answer(
    question: _Question, roads: Sequence[Any], known: tuple[GridTells, ...] | None
) -> _Answer:
    """Ask the analysis; for a worker. What is `known` of the roads isn't asked again."""
    from analysis.shoulder.resolving import resolving_of
    from analysis.study.grid_tells import grid_tells

    settings, options = question.settings, tuple(question.options.items())
    given = not settings.find_edges
    shoulder = question.cell_m, question.sigma_m, question.shoulder_width_m
    least = _least(shoulder, given, options)
    errors = partial(_errors, shoulder, given, options)
    average = settings.average_m
    if average == "auto":
        # What "auto" does where no length is enough.
        average = least if math.isfinite(least) else _LONGEST_AUTO_M
    slope, drop, rut = errors(average)
    longest = max(_LENGTHS_M[-1] if average > 60.0 else 60.0, 1.5 * average)
    if math.isfinite(least):
        longest = max(longest, 1.2 * min(least, 400.0))
    lengths = np.array([v for v in _LENGTHS_M if v < longest] + [longest])
    found = [resolving_of(part.measures, part.measured.shoulder.noise) for part in roads]
    found = [part for part in found if part.judged]
    judged = sum(part.judged for part in found)
    return _Answer(
        question=question,
        roads=roads,
        told=tuple(grid_tells(part) for part in roads) if known is None else known,
        average_m=average,
        slope_se=slope,
        drop_se=drop,
        rut_mm=rut,
        least_m=least,
        tells=average >= least - 1e-9,
        lengths=lengths,
        errors=np.array([errors(float(v))[0] for v in lengths]),
        wanted=errors(least)[0] if math.isfinite(least) else math.nan,
        judged=judged,
        telling=sum(p.telling * p.judged for p in found) / judged if judged else math.nan,
    )
