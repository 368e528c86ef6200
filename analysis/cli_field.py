"""The commands for what goes to the field and comes back: `checkplan`, `check`, `compare`."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common.days import read_day
from analysis.common.errors import SettingsError

if TYPE_CHECKING:
    from analysis.findings.sheet_text import Sheet

__all__ = ["add_field_commands"]


def add_field_commands(commands: Any) -> None:
    """Add the commands to the parser of all commands."""
    _add_checkplan(commands)
    _add_check(commands)
    _add_compare(commands)


def _add_checkplan(commands: Any) -> None:
    plan = commands.add_parser(
        "checkplan", help="draw places to read in the field, which bound what the screening missed"
    )
    plan.add_argument("--findings", required=True, metavar="F.gpkg")
    plan.add_argument("--gpx", metavar="FILE.gpx", help="waypoints and route in driving order")
    plan.add_argument("--form", metavar="FILE.csv", help="table to fill in and hand to check")
    plan.add_argument("--sheet", metavar="FILE", help="form to print: .pdf, .html or .md")
    plan.add_argument(
        "--missed",
        type=float,
        default=5.0,
        metavar="%",
        help="greatest share of 'sheds' that may be wrong, to be shown (default 5)",
    )
    plan.add_argument(
        "--alarms",
        type=float,
        default=10.0,
        metavar="%",
        help="likewise of \"won't shed\" (default 10; 0 = don't look)",
    )
    plan.add_argument("--open", type=int, default=10, metavar="N", help="places it can't tell")
    plan.add_argument("--certainty", type=float, default=95.0, metavar="%")
    plan.add_argument("--misses", type=int, default=0, metavar="N", help="to be allowed for")
    plan.add_argument("--spacing", type=float, default=0.0, metavar="M", help="least, on a side")
    plan.add_argument("--seed", type=int, default=1, help="the same seed draws the same places")
    plan.add_argument("--keep", choices=("right", "left"), default="right", help="side driven on")
    plan.add_argument("--semicolons", action="store_true", help="for decimal commas")
    _add_paper(plan)
    plan.set_defaults(run=_checkplan)


def _add_check(commands: Any) -> None:
    check = commands.add_parser("check", help="compare camber board readings with the findings")
    check.add_argument("--findings", required=True, metavar="F.gpkg")
    check.add_argument("--readings", metavar="FILE.csv", help="camber board readings")
    check.add_argument("--plot", metavar="FILE", help="board against grid: .svg or .png")
    check.add_argument(
        "--recalibrate",
        metavar="L.toml",
        help="write limits that take the readings over: screen with them again",
    )
    check.add_argument("--after", metavar="F2.gpkg", help="findings after the work, to accept it")
    check.add_argument("--sheet", metavar="FILE", help="acceptance to sign: .pdf, .html or .md")
    _add_paper(check)
    check.set_defaults(run=_check)


def _add_compare(commands: Any) -> None:
    compare = commands.add_parser(
        "compare", help="what changed between two surveys of the same roads, with errors"
    )
    compare.add_argument("--before", required=True, metavar="A.gpkg", help="earlier findings")
    compare.add_argument("--after", required=True, metavar="B.gpkg", help="later findings")
    compare.add_argument("--before-date", required=True, metavar="YYYY-MM-DD", help="of the survey")
    compare.add_argument("--after-date", required=True, metavar="YYYY-MM-DD")
    compare.add_argument("--before-name", metavar="TEXT", help="what it is called; else its file")
    compare.add_argument("--after-name", metavar="TEXT")
    compare.add_argument(
        "--third-date",
        metavar="YYYY-MM-DD",
        help="to reckon to at a straight rate; else as long again after the later survey",
    )
    compare.add_argument("--stations", metavar="FILE.csv", help="changes by station side")
    compare.add_argument("--reaches", metavar="FILE.csv", help="changes by reach")
    compare.add_argument("--gpkg", metavar="FILE.gpkg", help="both as layers, with their places")
    _add_units(compare)
    compare.set_defaults(run=_compare)


def _add_paper(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="of a PDF")
    _add_units(parser)


def _add_units(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--units", choices=("metric", "us"), default="metric", help="in texts and on forms"
    )
    parser.add_argument(
        "--force", action="store_true", help="replace files that this program didn't write"
    )


# ---------------------------------------------------------------- where to check


def _checkplan(options: argparse.Namespace) -> int:
    from analysis.common.writing import Writing
    from analysis.findings import checkplan_files as files
    from analysis.findings.checkplan import CheckOrder, draw_checks
    from analysis.findings.geopackage import read_findings

    _check_places(options, ("gpx", "form", "sheet"))
    order = CheckOrder(
        missed=options.missed / 100.0,
        alarms=options.alarms / 100.0,
        open_places=options.open,
        certainty=options.certainty / 100.0,
        misses=options.misses,
        spacing_m=options.spacing,
        seed=options.seed,
        keep=options.keep,
    )
    found = read_findings(options.findings)
    plan = draw_checks(found, order)
    if options.gpx:
        files.write_check_gpx(found, plan, options.gpx)
    if options.form:
        separator = ";" if options.semicolons else ","
        how = {"separator": separator, "system": options.units}
        files.write_check_form(found, plan, options.form, **how)
    if options.sheet:
        sheet = files.check_sheet(found, plan, Writing(options.units))
        _write_sheet(sheet, options.sheet, options)
    print(files.checkplan_text(plan))
    _told([options.gpx, options.form, options.sheet])
    return 0


# ---------------------------------------------------------------- readings back, acceptance


def _check(options: argparse.Namespace) -> int:
    from analysis.common.writing import Writing
    from analysis.findings.acceptance import acceptance_report
    from analysis.findings.acceptance_sheet import acceptance_sheet
    from analysis.findings.field_report import field_text, read_check, recalibration_text
    from analysis.findings.geopackage import read_findings
    from analysis.findings.recalibration import recalibrated
    from analysis.findings.sheets import limits_of

    if not (options.readings or options.after):
        raise SettingsError("Say what to compare with: --readings or --after.")
    for name in ("plot", "recalibrate"):
        if getattr(options, name) and not options.readings:
            raise SettingsError(f"--{name} needs readings: give --readings as well.")
    _check_places(options, ("plot", "recalibrate", "sheet"))
    if options.plot and options.draw_agreement is None:
        raise SettingsError("Drawing needs the window's package: leave out --plot for numbers.")
    writing = Writing(options.units)
    found = read_findings(options.findings)
    check = read_check(found, options.readings) if options.readings else None
    if check is not None:
        print(field_text(check, writing))
        if options.plot:
            options.draw_agreement(check, options.plot)
        if options.recalibrate:
            from analysis.common.limits import write_limits

            write_limits(recalibrated(limits_of(found), check.found), options.recalibrate)
            print(recalibration_text(check.found))
            print("Screen again with --limits to judge by it; nothing else has changed.")
    after = read_findings(options.after) if options.after else None
    if after is not None:
        print(acceptance_report(found, after, writing))
    if options.sheet:
        accepted = () if check is None else check.accepted
        sheet = acceptance_sheet(found, after, accepted, writing)
        _write_sheet(sheet, options.sheet, options)
    _told([options.plot, options.recalibrate, options.sheet])
    return 0


# ---------------------------------------------------------------- two surveys


def _compare(options: argparse.Namespace) -> int:
    from analysis.common.writing import Writing
    from analysis.findings import changes_text as words
    from analysis.findings.changes_file import write_changes
    from analysis.findings.geopackage import read_findings
    from analysis.findings.selecting import for_output
    from analysis.findings.two_surveys import Dates, compare_surveys

    _check_places(options, ("stations", "reaches", "gpkg"))
    dates = Dates(
        before=read_day(options.before_date, "--before-date"),
        after=read_day(options.after_date, "--after-date"),
        before_name=options.before_name or Path(options.before).stem,
        after_name=options.after_name or Path(options.after).stem,
        third=read_day(options.third_date, "--third-date") if options.third_date else None,
    )
    before = for_output(read_findings(options.before))
    change = compare_surveys(before, read_findings(options.after), dates)
    if options.stations:
        words.write_station_changes(change, options.stations)
    if options.reaches:
        words.write_reach_changes(change, options.reaches)
    if options.gpkg:
        write_changes(change, before, options.gpkg)
    print(words.change_text(change, Writing(options.units)))
    _told([options.stations, options.reaches, options.gpkg])
    return 0


# ---------------------------------------------------------------- files


_KINDS = {
    "gpx": (".gpx",),
    "form": (".csv",),
    "sheet": (".pdf", ".html", ".md"),
    "plot": (".svg", ".png"),
    "recalibrate": (".toml",),
    "stations": (".csv",),
    "reaches": (".csv",),
    "gpkg": (".gpkg",),
}


def _check_places(options: argparse.Namespace, names: Sequence[str]) -> None:
    """Refuse, before anything is done, a file that mustn't be written or is of no known kind."""
    from analysis.study.inputs import check_writable

    sources = ("findings", "readings", "before", "after")
    inputs = [getattr(options, source, None) for source in sources]
    for name in names:
        path = getattr(options, name)
        if not path:
            continue
        kinds = _KINDS[name]
        suffix = Path(path).suffix.lower()
        if suffix not in kinds:
            raise SettingsError(f"--{name} is {path}, but must end in {' or '.join(kinds)}.")
        if suffix == ".gpkg":
            from analysis.findings.changes_file import check_changes_place

            check_writable(path, inputs=inputs)
            check_changes_place(path)
            continue
        check_writable(path, inputs=inputs, kind=None if options.force else suffix)


def _write_sheet(sheet: Sheet, path: str, options: argparse.Namespace) -> None:
    from analysis.findings.placed import write_text
    from analysis.findings.sheet_text import to_html, to_markdown

    suffix = Path(path).suffix.lower()
    if suffix == ".pdf":
        if options.print_sheets is None:
            raise SettingsError("A PDF needs the window's package: write .html or .md instead.")
        options.print_sheets([sheet], path, options.paper)
        return
    text: Callable[[Sheet], str] = to_html if suffix == ".html" else to_markdown
    write_text(path, text(sheet))


def _told(paths: Sequence[str | None]) -> None:
    for path in paths:
        if path:
            print(f"Written: {path}")
