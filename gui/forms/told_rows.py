"""What a screened road's grid can tell, line by line: a number, and what it means.

Nothing is known before a road was screened on the open grid, and it says so.
"""

from __future__ import annotations

import math
from html import escape
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QLabel

from gui.look import theme
from gui.look.making import SELECTABLE
from gui.look.units import DASH, number, value_text

if TYPE_CHECKING:
    from analysis.study.grid_tells import GridTells

__all__ = ["ToldRows"]

Row = tuple[str, str, str]


class ToldRows(QLabel):
    """A table of one road: what, how much, and a sentence of what that means."""

    def __init__(self) -> None:
        super().__init__(wordWrap=True, textInteractionFlags=SELECTABLE)
        self.setTextFormat(Qt.TextFormat.RichText)
        self.setAccessibleName(self.tr("How the grid was made, and the least that it tells"))
        self.rows: list[Row] = []
        self._name = ""

    def show_told(self, name: str, told: GridTells | None, system: str) -> None:
        """Show what is known of one road; None: nothing was screened on this grid."""
        self._name = name
        if told is None:
            unknown = value_text(math.nan, "m", system)
            self.rows = [
                (
                    self.tr("How the grid was made"),
                    unknown,
                    self.tr(
                        "How wide its heights are smeared, how they scatter and the least step "
                        "that they tell show when a road is screened."
                    ),
                )
            ]
        else:
            self.rows = [*self._made(told, system), *self._road(told), *self._least(told, system)]
            self.rows += self._helps(told, system)
        self.paint()

    def paint(self) -> None:
        """Write the rows in the colours of now."""
        muted = theme.color("muted").name()
        parts = [f"<b>{escape(self._name)}</b>"] if self._name else []
        parts += [
            f"{escape(what)}: <b>{escape(much)}</b><br>"
            f'<span style="color:{muted}">{escape(means)}</span>'
            for what, much, means in self.rows
        ]
        self.setText("".join(f'<p style="margin:0 0 4px 0">{part}</p>' for part in parts))
        self.setAccessibleDescription(" ".join(f"{a}: {b}. {c}" for a, b, c in self.rows))
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        # A form that scrolls asks how high a wrapped text would like to be, not how high it is.
        self.setMinimumHeight(max(0, self.heightForWidth(self.width())))

    # -- the rows --------------------------------------------------------------------------------

    def _made(self, told: GridTells, system: str) -> list[Row]:
        """How wide heights are smeared, what is news in them, and how they scatter."""
        width = value_text(told.footprint_m, "m", system, se=told.footprint_se_m, decimals=2)
        cell = value_text(told.cell_m, "m", system, decimals=2)
        if told.points:
            smeared = self.tr("Points are fitted as they are; only their place is unsure sideways.")
        elif told.given:
            smeared = self.tr("So wide a piece of ground each height is the mean of, as given.")
        elif told.shared > 0.5:
            smeared = self.tr(
                "So wide a piece of ground each height is the mean of: more than its own cell."
            )
        else:
            smeared = self.tr("So wide a piece of ground each height is the mean of.")
        news = value_text(told.effective_cell_m, "m", system, decimals=2)
        if told.effective_cell_m > 1.05 * told.cell_m:
            alone = self.tr(
                "Neighbouring heights share what they were made of: {count} cells of {cell} tell "
                "as much as one."
            ).format(count=number((told.effective_cell_m / told.cell_m) ** 2, 1), cell=cell)
        elif told.points:
            alone = self.tr("Each point has so wide a square to itself.")
        else:
            alone = self.tr("Each cell tells of its own ground.")
        return [
            (self.tr("Footprint of a height"), width, smeared),
            (self.tr("Effective cell"), news, alone),
            (
                self.tr("Scatter on the pavement"),
                self._scatter(told.pavement_noise_m, system),
                self.tr("Of single heights, and how it changes along the road."),
            ),
            (
                self.tr("Scatter on the shoulders"),
                self._scatter(told.shoulder_noise_m, system),
                self._rough(told),
            ),
            self._seam(told, system),
        ]

    def _scatter(self, noise: tuple[float, float, float], system: str) -> str:
        usual, low, high = (1000.0 * value for value in noise)
        if not math.isfinite(usual):
            return value_text(usual, "mm", system)
        return self.tr("{usual} ({low} to {high})").format(
            usual=value_text(usual, "mm", system),
            low=value_text(low, "mm", system, with_unit=False),
            high=value_text(high, "mm", system, with_unit=False),
        )

    def _rough(self, told: GridTells) -> str:
        pavement, shoulder = told.pavement_noise_m[0], told.shoulder_noise_m[0]
        if not (math.isfinite(pavement) and math.isfinite(shoulder)):
            return self.tr("Nothing to compare: pavement or shoulder wasn't measured.")
        if shoulder > 1.25 * pavement:
            return self.tr(
                "Rougher than the pavement, by stones, ruts or grass: errors are as much wider."
            )
        return self.tr("About as smooth as the pavement.")

    def _seam(self, told: GridTells, system: str) -> Row:
        what = self.tr("Strips of the survey")
        if told.seam_length_m <= 0.0:
            return (
                what,
                self.tr("none seen"),
                self.tr("A seam beside the pavement may stay unseen."),
            )
        apart = value_text(1000.0 * told.seam_m, "mm", system, se=1000.0 * told.seam_se_m)
        means = self.tr("Two meet along {length} of the pavement; they were brought level.").format(
            length=value_text(told.seam_length_m, "m", system, decimals=0)
        )
        return what, self.tr("{apart} apart").format(apart=apart), means

    def _road(self, told: GridTells) -> list[Row]:
        """What was found of the road, and what ground is none."""
        return [
            (
                self.tr("Road found"),
                _share(told.road_found),
                self.tr("Of the stations; at the others nothing is judged."),
            ),
            (
                self.tr("Edges that show"),
                _share(told.edges_seen),
                self.tr("Of the sides where the road is found; the given width puts the others."),
            ),
            (
                self.tr("Made-up ground"),
                _share(told.made_up, 1),
                self.tr("Near the road: cells that only bridge a hole are no data."),
            ),
            (
                self.tr("Grass in the grid"),
                _share(told.grassy),
                self.tr("Of the sides: rough and high, so that the ground under it isn't known."),
            ),
        ]

    def _least(self, told: GridTells, system: str) -> list[Row]:
        from analysis.study.grid_tells import TOLD_OVER_M

        over = value_text(TOLD_OVER_M, "m", system, decimals=0)
        sure = self.tr("With 95 % certainty, averaged over {length}.").format(length=over)
        return [
            (
                self.tr("Least difference of slopes"),
                value_text(told.slope_points, "points", system),
                sure,
            ),
            (self.tr("Least step at the edge"), value_text(told.step_mm, "mm", system), sure),
            (self.tr("Least wheel rut"), value_text(told.rut_mm, "mm", system), sure),
        ]

    def _helps(self, told: GridTells, system: str) -> list[Row]:
        from analysis.study.grid_tells import Help

        rows = []
        for kind, value in told.helps:
            length = value_text(value, "m", system, decimals=2)
            share = _share(value)
            much, means = {
                Help.FINER_CELLS: (
                    self.tr("finer cells"),
                    self.tr("Of {length} or less: a shoulder is only few cells wide.").format(
                        length=length
                    ),
                ),
                Help.LONGER_AVERAGE: (
                    self.tr("a longer average"),
                    self.tr("Over {length} 4 % is told from 2 %; short faults are blurred.").format(
                        length=value_text(math.ceil(value), "m", system, decimals=0)
                        if math.isfinite(value)
                        else DASH
                    ),
                ),
                Help.DENSER_SURVEY: (
                    self.tr("a denser survey"),
                    self.tr("Finer cells of the same points would tell nothing more."),
                ),
                Help.POINTS: (
                    self.tr("the survey's points"),
                    self.tr("Ground points in place of the grid: edges and steps aren't smeared."),
                ),
                Help.IMAGE: (
                    self.tr("an intensity or orthophoto"),
                    self.tr("It may show the edges that the ground hides, {share} of them.").format(
                        share=share
                    ),
                ),
                Help.MOWING: (
                    self.tr("a survey after mowing"),
                    self.tr("Grass hides the ground at {share} of the sides.").format(share=share),
                ),
                Help.CLOSER_LINE: (
                    self.tr("a better centreline, or edge lines"),
                    self.tr("The road isn't found at {share} of the stations.").format(share=share),
                ),
            }[kind]
            rows.append((self.tr("What would help"), much, means))
        return rows


def _share(value: float, decimals: int = 0) -> str:
    """A share as a percentage; unknown stays unknown."""
    return value_text(100.0 * value, "%", decimals=decimals)
