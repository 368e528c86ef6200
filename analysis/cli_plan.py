"""The commands from findings to a crew: `export` and `plan`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common.errors import SettingsError

if TYPE_CHECKING:
    from analysis.findings.exports import PrintBook
    from analysis.findings.geopackage import Findings
    from analysis.findings.selecting import Selection

__all__ = ["add_planning_commands"]


def add_planning_commands(commands: Any) -> None:
    """Add the commands to the parser of all commands."""
    _add_export(commands)
    _add_plan(commands)


def _add_export(commands: Any) -> None:
    export = commands.add_parser(
        "export", help="hand findings on: GeoPackage, GeoJSON, CSV, GPX, KML, work sheets"
    )
    export.add_argument("--findings", required=True, metavar="F.gpkg")
    files = export.add_argument_group("what to write")
    files.add_argument("--gpkg", metavar="FILE", help="an excerpt as a GeoPackage")
    files.add_argument("--geojson", metavar="FILE", help="reaches, stations and ponds, WGS 84")
    files.add_argument("--csv", metavar="FILE", help="stations as a table")
    files.add_argument("--reach-csv", metavar="FILE", help="reaches as a table")
    files.add_argument("--gpx", metavar="FILE", help="begin and end of reaches as waypoints")
    files.add_argument(
        "--gpx-stations", action="store_true", help="flagged stations too, in the GPX"
    )
    files.add_argument("--kml", metavar="FILE", help="reaches, stations and ponds, to look at")
    files.add_argument("--pdf", metavar="FILE", help="work sheets, printed into one file")
    files.add_argument(
        "--sheets", metavar="DIR", help="work sheets as PDF, HTML and Markdown, one for each reach"
    )
    _add_selection(export)
    _add_sheet_options(export)
    export.add_argument(
        "--force", action="store_true", help="replace files that this program didn't write"
    )
    export.set_defaults(run=_export)


def _add_selection(parser: argparse.ArgumentParser) -> None:
    asked = parser.add_argument_group(
        "which findings", "Several words are parted by commas; what was rejected stays behind."
    )
    asked.add_argument("--review", metavar="WORDS", help="agreed, to check, rejected, undecided")
    asked.add_argument("--treatment", metavar="WORDS", help="such as reshape,replenish")
    asked.add_argument("--verdict", metavar="WORDS", help="sheds, won't shed, can't tell, no data")
    asked.add_argument("--side", metavar="WORDS", help="left, right")
    asked.add_argument("--road", action="append", metavar="NAME", help="may be given again")
    asked.add_argument("--rank", type=int, metavar="N", help="the N most urgent reaches")
    asked.add_argument("--from", dest="from_station", metavar="STATION", help="such as 1+200")
    asked.add_argument("--to", dest="to_station", metavar="STATION")
    asked.add_argument("--look-first", action="store_true", help="only what can't be told")
    asked.add_argument("--with-rejected", action="store_true", help="marked, beside the others")


def _add_sheet_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="of a PDF")
    parser.add_argument("--units", choices=("metric", "us"), default="metric", help="on the sheets")
    parser.add_argument("--traffic-plan", default="", metavar="TEXT", help="plan to refer to")
    parser.add_argument("--rates", metavar="R.toml", help="your unit rates; without, no costs")


def _selection_of(options: argparse.Namespace) -> Selection:
    from analysis.common.stations import StationStyle, parse_station
    from analysis.findings.selecting import Selection

    style: StationStyle = "feet-hundreds" if options.units == "us" else "km"

    def words(text: str | None) -> frozenset[str]:
        return frozenset(filter(None, (word.strip() for word in (text or "").split(","))))

    def station(text: str | None) -> float | None:
        return None if text is None else parse_station(text, style=style)

    return Selection(
        reviews=words(options.review),
        treatments=words(options.treatment),
        verdicts=words(options.verdict),
        sides=words(options.side),
        roads=frozenset(options.road or ()),
        rank_most=options.rank,
        from_m=station(options.from_station),
        to_m=station(options.to_station),
        look_first=options.look_first,
        with_rejected=options.with_rejected,
    )


def _findings_of(options: argparse.Namespace, selection: Selection) -> Findings:
    """Read the findings; a road that they don't know is refused, since nothing would be left."""
    from analysis.findings.geopackage import read_findings

    found = read_findings(options.findings)
    known = dict.fromkeys(map(str, found.reaches["road"]))
    for name in sorted(selection.roads - known.keys()):
        raise SettingsError(f"There is no road {name!r} in the findings: {', '.join(known)}.")
    return found


def _printer_of(options: argparse.Namespace) -> PrintBook | None:
    draw: Callable[..., None] | None = options.print_sheets
    return None if draw is None else lambda sheets, path: draw(sheets, path, options.paper)


def _export(options: argparse.Namespace) -> int:
    from analysis.common.writing import Writing
    from analysis.findings.handing_out import ENDINGS, Outputs, hand_out
    from analysis.study.inputs import check_writable, read_rates

    outputs = Outputs(
        geopackage=options.gpkg or "",
        geojson=options.geojson or "",
        stations_csv=options.csv or "",
        reaches_csv=options.reach_csv or "",
        gpx=options.gpx or "",
        kml=options.kml or "",
        pdf=options.pdf or "",
        sheets=options.sheets or "",
        gpx_stations=options.gpx_stations,
        force=options.force,
        traffic_plan=options.traffic_plan,
        rates=read_rates(options.rates) if options.rates else None,
        writing=Writing(options.units),
    )
    if not outputs.wanted:
        raise SettingsError(
            "Say what to write: --gpkg, --geojson, --csv, --reach-csv, --gpx, --kml, --pdf or "
            "--sheets."
        )
    for kind, path in outputs.files.items():
        ending = ENDINGS[kind]
        check_writable(
            path,
            suffix=ending if kind in ("geopackage", "pdf") else None,
            inputs=[options.findings, options.rates],
            kind=None if options.force or kind == "geopackage" else ending,
        )
    selection = _selection_of(options)
    found = _findings_of(options, selection)
    for line in hand_out(found, outputs, selection, print_book=_printer_of(options)):
        print(line)
    return 0


# -- plan ----------------------------------------------------------------------------------------


def _add_plan(commands: Any) -> None:
    made = commands.add_parser(
        "plan", help="a crew's programme: totals, order, days on a calendar, and what fits"
    )
    made.add_argument("--findings", required=True, metavar="F.gpkg")
    made.add_argument("--pdf", metavar="FILE", help="the programme on one page, with a map")
    made.add_argument("--csv", metavar="FILE", help="reaches in order of work, with their days")
    _add_selection(made)
    _add_sheet_options(made)
    days = made.add_argument_group("calendar")
    days.add_argument("--start", metavar="DATE", help="first day, such as 2027-04-12")
    days.add_argument("--crews", type=int, default=1, metavar="N", help="at work at a time")
    days.add_argument(
        "--season", default="1-12", metavar="A-B", help="months worked, such as 4-10 or 10-4"
    )
    days.add_argument(
        "--weekdays", default="1-5", metavar="A-B", help="days worked, Monday is 1 (default 1-5)"
    )
    days.add_argument("--free", default="", metavar="DATES", help="days off, parted by commas")
    fits = made.add_argument_group(
        "what fits", "What mends most harm with what there is, and what is left over."
    )
    fits.add_argument("--crew-days", type=float, metavar="N")
    fits.add_argument("--loads", type=float, metavar="N", help="that come and that go")
    fits.add_argument("--money", type=float, metavar="N", help="at your --rates")
    made.add_argument(
        "--force", action="store_true", help="replace files that this program didn't write"
    )
    made.set_defaults(run=_plan)


def _plan(options: argparse.Namespace) -> int:
    from analysis.common.writing import Writing
    from analysis.findings.planning import PlanOrder, make_programme, write_programme_csv
    from analysis.findings.planning_text import programme_sheet, programme_text
    from analysis.study.inputs import check_writable, read_rates

    for path, ending in ((options.pdf, ".pdf"), (options.csv, ".csv")):
        if path:
            kind = None if options.force else ending
            check_writable(path, suffix=ending, inputs=[options.findings, options.rates], kind=kind)
    selection, printer = _selection_of(options), _printer_of(options)
    order = PlanOrder(
        rates=read_rates(options.rates) if options.rates else None,
        calendar=_calendar_of(options),
        means=_means_of(options),
        traffic_plan=options.traffic_plan,
    )
    made = make_programme(_findings_of(options, selection), order, selection)
    writing = Writing(options.units)
    print(programme_text(made, writing))
    if options.csv:
        write_programme_csv(made, options.csv)
        print(f"Written: {options.csv}")
    if options.pdf:
        if printer is None:
            raise SettingsError("Printing needs the window's package: leave out --pdf.")
        printer([programme_sheet(made, writing)], Path(options.pdf))
        print(f"Written: {options.pdf}")
    return 0


def _means_of(options: argparse.Namespace) -> Any:
    from analysis.earthwork.what_fits import Means

    given = {name: getattr(options, name) for name in ("crew_days", "loads", "money")}
    return None if all(value is None for value in given.values()) else Means(**given)


def _calendar_of(options: argparse.Namespace) -> Any:
    from analysis.earthwork.programme import Calendar

    if options.start is None:
        if options.crews != 1 or options.season != "1-12" or options.free:
            print("note: without --start there are no days on a calendar.", file=sys.stderr)
        return None
    first, last = _two(options.weekdays, "--weekdays", 7)
    numbers = range(first, last + 1) if first <= last else [*range(first, 8), *range(1, last + 1)]
    return Calendar(
        start=_day(options.start, "--start"),
        crews=options.crews,
        season=_two(options.season, "--season", 12),
        weekdays=frozenset(number - 1 for number in numbers),
        free=frozenset(_day(text, "--free") for text in options.free.split(",") if text.strip()),
    )


def _two(text: str, option: str, most: int) -> tuple[int, int]:
    parts = text.split("-")
    if not all(part.strip().isdigit() and 1 <= int(part) <= most for part in parts):
        parts = []
    if len(parts) not in (1, 2):
        raise SettingsError(f"{option} is {text!r}; give numbers from 1 to {most}, such as 2-5.")
    return int(parts[0]), int(parts[-1])


def _day(text: str, option: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise SettingsError(f"{option} has {text!r}; give a day such as 2027-04-12.") from None
