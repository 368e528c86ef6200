"""Everything that is handed on at once, for the command and for the window alike."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.common.errors import OutputError
from analysis.common.types import Progress
from analysis.common.writing import Writing
from analysis.earthwork.costs import Rates
from analysis.findings.exports import (
    PrintBook,
    told_in,
    write_csv,
    write_geojson,
    write_reach_csv,
    write_sheets,
)
from analysis.findings.geopackage import write_findings
from analysis.findings.gpx import write_gpx
from analysis.findings.kml import write_kml
from analysis.findings.selecting import Selection, selected
from analysis.findings.sheets import WorkSheets

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings

__all__ = ["ENDINGS", "Outputs", "hand_out"]

ENDINGS = {
    "geopackage": ".gpkg",
    "geojson": ".geojson",
    "stations_csv": ".csv",
    "reaches_csv": ".csv",
    "gpx": ".gpx",
    "kml": ".kml",
    "pdf": ".pdf",
}
"""How the files of each kind of output end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outputs:
    """Where each kind of output goes, "" where it isn't wanted, and how it is written.

    `sheets` is a folder for sheets as HTML and Markdown (and PDF where there is a printer), `pdf`
    one file of them; sheets of that name that this program didn't write stop it unless `force`.
    """

    geopackage: str = ""
    geojson: str = ""
    stations_csv: str = ""
    reaches_csv: str = ""
    gpx: str = ""
    kml: str = ""
    pdf: str = ""
    sheets: str = ""
    gpx_stations: bool = False
    force: bool = False
    traffic_plan: str = ""
    rates: Rates | None = None
    writing: Writing = Writing()  # noqa: RUF009 - frozen

    @classmethod
    def at(cls, paths: Mapping[str, str]) -> Outputs:
        """Outputs of the kinds that are named (those of `ENDINGS`, and "sheets")."""
        made = cls()
        for name, path in paths.items():
            made = replace(made, **{name: path})  # type: ignore[arg-type]
        return made

    def only(self, kinds: Collection[str]) -> Outputs:
        """Return those of some kinds of files."""
        left_out = {name: "" for name in ENDINGS if name not in kinds}
        return replace(self, **left_out)  # type: ignore[arg-type]

    @property
    def files(self) -> dict[str, str]:
        """Files by kind, of those that are wanted."""
        return {name: path for name in ENDINGS if (path := getattr(self, name))}

    @property
    def wanted(self) -> bool:
        """Whether anything is."""
        return bool(self.files or self.sheets)


def hand_out(
    findings: Findings,
    outputs: Outputs,
    selection: Selection | None = None,
    *,
    print_book: PrintBook | None = None,
    progress: Progress | None = None,
) -> tuple[str, ...]:
    """Write what is wanted of what is asked for.

    Parameters
    ----------
    findings : Findings
        With their reviews: what was rejected goes nowhere unless the selection asks for it.
    outputs : Outputs
    selection : Selection, optional
        All but what was rejected if left out.
    print_book : callable, optional
        Writes sheets to a PDF file, as the window's side can.
    progress : callable, optional
        Called with the share done and a few words; may raise `Cancelled`.

    Returns
    -------
    tuple of str
        A line for each output, to tell the person.

    Raises
    ------
    OutputError
        If a file can't be written, nothing is left to write, or there is no printer for a PDF.
    """
    tell = progress or (lambda _share, _words: None)
    if outputs.pdf and print_book is None:
        raise OutputError("Printing needs the window's package: leave the PDF out.")
    chosen = told_in(selected(findings, selection), outputs.writing)
    if not (len(chosen.reaches) or len(chosen.stations)) and len(findings.reaches):
        raise OutputError("Nothing fits what is asked for: ask for less.")
    steps = list(_steps(findings, chosen, outputs, selection, print_book))
    said: list[str] = []
    for number, (words, step) in enumerate(steps):
        tell(number / len(steps), words)
        said += step()
    tell(1.0, "written")
    return tuple(said)


def _steps(
    findings: Findings,
    chosen: Findings,
    outputs: Outputs,
    selection: Selection | None,
    print_book: PrintBook | None,
) -> Iterator[tuple[str, Callable[[], list[str]]]]:
    """What to do, each with words for the progress; every step says what it wrote."""

    def write(kind: str, path: str) -> list[str]:
        changed = 0
        match kind:
            case "geopackage":
                write_findings(chosen, path)
            case "geojson":
                write_geojson(chosen, path)
            case "stations_csv":
                changed = write_csv(chosen, path)
            case "reaches_csv":
                changed = write_reach_csv(chosen, path)
            case "gpx":
                write_gpx(chosen, path, stations=outputs.gpx_stations, writing=outputs.writing)
            case "kml":
                write_kml(chosen, path, writing=outputs.writing)
        said = [f"Written: {path}"]
        if changed:
            said.append(
                f"Texts in it that begin like a formula and got an apostrophe, so that no "
                f"spreadsheet runs them: {changed}."
            )
        return said

    for kind, path in outputs.files.items():
        if kind != "pdf":
            yield f"writing {Path(path).name}", lambda k=kind, p=path: write(k, p)  # type: ignore[misc]
    if not (outputs.sheets or outputs.pdf):
        return
    sheets = WorkSheets(
        findings,
        rates=outputs.rates,
        traffic_plan=outputs.traffic_plan,
        writing=outputs.writing,
        selection=selection,
    ).all()

    def pdf() -> list[str]:
        assert print_book is not None
        print_book(sheets, Path(outputs.pdf))
        return [f"Written: {len(sheets)} sheets in {outputs.pdf}"]

    def folder() -> list[str]:
        written = write_sheets(sheets, outputs.sheets, print_book=print_book, force=outputs.force)
        return [f"Written: {len(sheets)} sheets in {outputs.sheets}, first {written[0].name}"]

    if outputs.pdf:
        yield "printing work sheets", pdf
    if outputs.sheets:
        yield "writing work sheets", folder
