"""The commands: `vergeline screen`, `network`, `section`, `export`, `plan`, `check` and others.

Heavy libraries are imported inside the commands, so that `--help` answers at once.
"""

import argparse
import math
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from typing import Any

from analysis.cli_field import add_field_commands
from analysis.cli_plan import add_planning_commands
from analysis.common.days import read_day
from analysis.common.errors import Cancelled, RoadError, SettingsError, VergelineError
from analysis.common.given_files import ALLOW_ADDRESSES

__all__ = ["build_parser", "main"]

OpenWindow = Callable[[Sequence[str]], int]
DrawSection = Callable[[Any, str], None]
PrintSheets = Callable[[Sequence[Any], Any, str], None]
DrawAgreement = Callable[[Any, str], None]

_CAUTION = (
    "Never work on a shoulder without traffic control. Mind plant, edge drop-offs and buried "
    "services; local codes and licensed practice rule over anything printed here."
)


_EXTRAS = ("mask", "edges", "widths", "culverts", "image", "kerbs")


class _Terminated(BaseException):
    """The system asked the program to end."""


class _Parser(argparse.ArgumentParser):
    """Parser whose complaint is one sentence, as for any other bad input."""

    def error(self, message: str) -> None:  # type: ignore[override]
        raise SettingsError(f"{message[:1].upper()}{message[1:]}: see {self.prog} --help.")


def main(
    argv: Sequence[str] | None = None,
    *,
    open_window: OpenWindow | None = None,
    draw_section: DrawSection | None = None,
    print_sheets: PrintSheets | None = None,
    draw_agreement: DrawAgreement | None = None,
) -> int:
    """Run one command.

    Parameters
    ----------
    argv
        Words after the command's name; None takes those of the process.
    open_window, draw_section, print_sheets, draw_agreement
        Given by the window's side, which this package doesn't know: open the window on files;
        draw a `sections.SectionView` to a PNG file; print sheets to a PDF file on some paper; draw
        readings against measurements to a PNG or SVG file.

    Returns
    -------
    0 done; 2 bad input, with one sentence on stderr; 130 stopped by the person; 1 for a fault of
    the program itself.
    """
    # what spreads over the cores are our own threads: those of numpy's library, which is loaded
    # later, would wait for each other at full power beside them
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        _heed_termination()
        options = build_parser().parse_args(argv)
        if getattr(options, "allow_addresses", False):
            os.environ[ALLOW_ADDRESSES] = "1"
        options.open_window, options.draw_section = open_window, draw_section
        options.print_sheets, options.draw_agreement = print_sheets, draw_agreement
        return int(options.run(options))
    except VergelineError as error:
        print(f"vergeline: {error}", file=sys.stderr)
        return 2
    except (KeyboardInterrupt, Cancelled):
        print("vergeline: stopped; no file was changed.", file=sys.stderr)
        return 130
    except _Terminated:
        print("vergeline: told to end; no file was changed.", file=sys.stderr)
        return 143
    except BrokenPipeError:
        return 0
    except Exception as error:
        if os.environ.get("VERGELINE_DEBUG"):
            raise
        first_line = (str(error).strip().splitlines() or [""])[0]
        print(
            f"vergeline: a fault of the program itself ({type(error).__name__}: {first_line}); no "
            "file was changed. Set VERGELINE_DEBUG=1 to see where, and please report it.",
            file=sys.stderr,
        )
        return 1
    finally:
        _on_termination(signal.SIG_DFL)


def _heed_termination() -> None:
    """Let SIGTERM end the program as Ctrl-C does: with a word, and without scraps."""

    def end(*_: object) -> None:
        raise _Terminated

    _on_termination(end)


def _on_termination(do: Any) -> None:
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, do)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    parser = _Parser(
        prog="vergeline",
        description="Finds where earth and gravel road shoulders no longer shed water, from a "
        "terrain grid and a road centreline. Without a command the window opens.",
        epilog=_CAUTION,
    )
    commands = parser.add_subparsers(metavar="command", required=True, parser_class=_Parser)

    screen = commands.add_parser("screen", help="measure and judge roads; write the findings")
    _add_inputs(screen, required=True)
    _add_screening(screen)
    screen.set_defaults(run=_screen)

    network = commands.add_parser(
        "network",
        help="screen many roads of any length with all cores; started again it goes on where it "
        "was ended",
    )
    _add_inputs(network, required=True)
    _add_screening(network)
    network.add_argument(
        "--workers",
        type=int,
        default=os.cpu_count() or 1,
        metavar="N",
        help="processes of this machine (default one a core)",
    )
    network.add_argument(
        "--cluster", metavar="ADDRESS", help="scheduler of a Dask cluster that measures instead"
    )
    network.set_defaults(run=_network)

    sample = commands.add_parser(
        "sample", help="screen the sample terrain, write its findings and show them"
    )
    sample.add_argument("--out", default="sample_findings.gpkg", metavar="F.gpkg")
    sample.add_argument("--no-window", action="store_true", help="only write the findings")
    sample.set_defaults(run=_sample)

    section = commands.add_parser(
        "section", help="plot one cross-section with its numbers (on the sample unless told)"
    )
    _add_inputs(section, required=False)
    section.add_argument("--station", required=True, help="such as 1+240")
    section.add_argument("--road", help="name of the road, where there are several")
    section.add_argument("--png", metavar="out.png", help="picture to write; else numbers only")
    section.add_argument(
        "--force", action="store_true", help="replace a picture that this program didn't write"
    )
    section.set_defaults(run=_section)

    add_planning_commands(commands)

    add_field_commands(commands)

    resolving = commands.add_parser("resolving", help="what a grid can tell, before any run")
    resolving.add_argument("--cell", type=float, required=True, metavar="M", help="cell size")
    resolving.add_argument("--noise", type=float, required=True, metavar="M", help="height noise")
    resolving.add_argument("--shoulder-width", type=float, default=1.5, metavar="M")
    resolving.add_argument("--pavement-width", type=float, default=7.0, metavar="M")
    resolving.add_argument("--average", type=float, default=20.0, metavar="M")
    resolving.add_argument(
        "--correlation", type=float, default=0.0, metavar="M", help="noise correlation length"
    )
    resolving.set_defaults(run=_resolving)

    limits = commands.add_parser("limits", help="write the limits of a surface, to edit")
    limits.add_argument("--surface", default="gravel", help="gravel, earth or turf")
    limits.add_argument("--out", required=True, metavar="L.toml")
    limits.add_argument("--force", action="store_true", help="replace a file that is there")
    limits.set_defaults(run=_limits)

    window = commands.add_parser("window", help="open the window, on files if given")
    window.add_argument("files", nargs="*", help="terrain grid, centreline or findings")
    window.set_defaults(run=_window)
    return parser


def _add_screening(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", required=True, metavar="F.gpkg", help="findings, a GeoPackage")
    parser.add_argument("--mask", help="polygons of what isn't shoulder (driveways, bridges)")
    parser.add_argument("--edges", help="lines along the pavement edges, used instead of a search")
    parser.add_argument("--widths", help="CSV of widths by station range")
    parser.add_argument("--culverts", help="points where a culvert drains the ditch")
    parser.add_argument(
        "--kerbs",
        metavar="none|unknown|FILE",
        help="whether kerbs stand here, or lines where they do (default unknown: a step up along "
        "the edge may be one or a high shoulder)",
    )
    parser.add_argument("--quiet", action="store_true", help="no progress, no summary")


def _add_inputs(parser: argparse.ArgumentParser, *, required: bool) -> None:
    parser.add_argument("--grid", help="terrain grid, any that GDAL reads, or a folder of tiles")
    parser.add_argument(
        "--points",
        nargs="+",
        metavar="FILE",
        help="ground points (LAS, LAZ, COPC, folders of them), measured in place of the grid's "
        "cells; without --grid one is made of them",
    )
    parser.add_argument(
        "--point-error", type=float, default=0.08, metavar="M", help="points' error sideways"
    )
    parser.add_argument(
        "--image", help="intensity or orthophoto, a raster: may show edges that the ground hides"
    )
    parser.add_argument("--centreline", required=required, help="road centreline(s), any vector")
    parser.add_argument("--layer", help="layer of the centreline file")
    parser.add_argument("--name-field", help="attribute that names the roads")
    for what, unit in (("traffic", "vehicles per day"), ("speed", "km/h"), ("curve", "yes or no")):
        parser.add_argument(
            f"--{what}-field", metavar="NAME", help=f"attribute with {unit}, for the ranking"
        )
    parser.add_argument("--crs", help="CRS of the grid, for a file without one (EPSG:32633)")
    parser.add_argument("--centreline-crs", metavar="CRS", help="likewise of the centreline")
    parser.add_argument(
        "--ignore-measures", action="store_true", help="leave out M values and start fields"
    )
    parser.add_argument("--start", type=float, default=0.0, metavar="M", help="first station")
    parser.add_argument("--reverse", action="store_true", help="station from the other end")
    parser.add_argument("--surveyed", metavar="DATE", help="day of the survey, for the sheets")
    parser.add_argument("--vertical-unit", help="unit of the heights: metre, foot or us-foot")
    parser.add_argument("--warp", action="store_true", help="reproject a grid in degrees")
    parser.add_argument("--limits", metavar="L.toml", help="limits; the defaults otherwise")
    parser.add_argument("--spacing", type=float, default=10.0, metavar="M")
    parser.add_argument("--average", default="20", metavar="M", help='metres, or "auto"')
    parser.add_argument("--pavement-width", type=float, default=7.0, metavar="M")
    parser.add_argument("--shoulder-width", type=float, default=1.5, metavar="M")
    for part in ("pavement", "shoulder"):
        parser.add_argument(
            f"--{part}-width-of",
            action="append",
            default=[],
            metavar="ROAD=M",
            help=f"{part} width of one road that is built otherwise; may be given again",
        )
    parser.add_argument("--surface", help="gravel, earth or turf")
    parser.add_argument(
        "--unpaved", action="store_true", help="the road itself is gravel or earth, not paved"
    )
    parser.add_argument("--noise", type=float, metavar="M", help="height noise; else estimated")
    parser.add_argument(
        "--point-density",
        type=float,
        metavar="N",
        help="ground points per m² that the grid was joined of; else told from the grid",
    )
    parser.add_argument("--search", type=float, default=3.0, metavar="M", help="centreline error")
    parser.add_argument("--half-width", type=float, default=16.0, metavar="M")
    parser.add_argument(
        "--allow-addresses",
        action="store_true",
        help="let files be fetched from addresses that are given, or that files name",
    )


def _settings_and_limits(options: argparse.Namespace) -> tuple[Any, Any]:
    from analysis.common.limits import default_limits, read_limits
    from analysis.common.settings import Settings

    surface = options.surface
    if surface is not None and not surface.strip():
        raise SettingsError("--surface is empty; give gravel, earth or turf.")
    if options.limits:
        limits = read_limits(options.limits, surface)
    else:
        limits = default_limits(surface or "gravel")
    average: float | str = options.average
    if average != "auto":
        try:
            average = float(average)
        except ValueError:
            raise SettingsError(
                f'--average is {average!r}, but must be a number of metres or "auto".'
            ) from None
    settings = Settings(
        spacing_m=options.spacing,
        average_m=average,  # type: ignore[arg-type]
        pavement_width_m=options.pavement_width,
        shoulder_width_m=options.shoulder_width,
        surface=limits.surface,
        paved=not options.unpaved,
        noise_m=options.noise,
        points_per_m2=options.point_density,
        search_m=options.search,
        half_width_m=options.half_width,
    )
    for name in ("pavement_width", "shoulder_width"):
        for text in getattr(options, f"{name}_of"):
            settings = _with_own_width(settings, name, text)
    return settings, limits


def _with_own_width(settings: Any, name: str, text: str) -> Any:
    """Settings with the width of one road, given as ROAD=M."""
    road, _, number = text.rpartition("=")
    try:
        width = float(number)
    except ValueError:
        width = math.nan
    if not road.strip() or not math.isfinite(width):
        raise SettingsError(
            f"--{name.replace('_', '-')}-of is {text!r}, but must be the name of a road and its "
            'width in metres, such as "Mill Lane=5.5".'
        )
    return settings.with_own_widths(road.strip(), **{f"{name}_m": width})


def _input_files(options: argparse.Namespace) -> list[str | None]:
    single = [getattr(options, name, None) for name in ("grid", "centreline", "limits", *_EXTRAS)]
    return [*single, *(options.points or ())]


def _open_inputs(
    options: argparse.Namespace, left_out: list[Any] | None = None
) -> tuple[Any, Any, Any, dict[str, Any]]:
    """Grid, roads, points if there are any, and what to record of them.

    Roads that lie off the grid are appended to `left_out`: a network asks for them.
    """
    import numpy as np

    from analysis.corridor.points import boxes_along
    from analysis.road.read_roads import read_roads
    from analysis.road.use import UseFields
    from analysis.terrain.grid import checksum, open_terrain
    from analysis.terrain.point_grid import grid_of, plane_of
    from analysis.terrain.points import open_points

    if not math.isfinite(options.start):
        raise SettingsError(f"--start is {options.start}, but must be a number of metres.")
    notes: list[str] = []
    given = {"crs": options.crs, "vertical_unit": options.vertical_unit}
    points = None
    if options.points:
        points = open_points(options.points, sideways_m=options.point_error, **given)
    if options.grid:
        grid = open_terrain(options.grid, warp=options.warp, **given)
    elif points is not None:
        grid = plane_of(points)
    else:
        raise SettingsError("There is no ground to look at: give --grid, --points or both.")
    if not grid.z_unit_sure:
        notes.append(f"Heights: {grid.z_unit_source}; --vertical-unit settles it.")
    roads = read_roads(
        options.centreline,
        grid,
        layer=options.layer,
        name_field=options.name_field,
        start_m=options.start,
        reverse=options.reverse,
        crs=options.centreline_crs,
        use_measures=not options.ignore_measures,
        use_fields=UseFields(options.traffic_field, options.speed_field, options.curve_field),
        notes=notes,
        left_out=left_out,
    )
    for note in notes:
        print(f"note: {note}", file=sys.stderr)
    # the pieces of a network make grids of their own
    if points is not None and not options.grid and left_out is None:
        reach_m = options.half_width + 1.0
        grid = grid_of(points, np.concatenate([boxes_along(road, reach_m) for road in roads]))
    day = options.surveyed
    sources = {
        "surveyed": read_day(day, "--surveyed").isoformat() if day else "",
        "centreline": os.path.abspath(options.centreline),
        "centreline_checksum": checksum(options.centreline),
        "centreline_layer": options.layer or "",
        "centreline_crs": options.centreline_crs or "",
        "name_field": options.name_field or "",
        "traffic_field": options.traffic_field or "",
        "speed_field": options.speed_field or "",
        "curve_field": options.curve_field or "",
        "use_measures": not options.ignore_measures,
        "crs_given": options.crs or "",
        "vertical_unit": options.vertical_unit or "",
        "start_m": options.start,
        "reverse": options.reverse,
    }
    return grid, roads, points, sources


def _progress(quiet: bool) -> Callable[[float, str, str], None] | None:
    if quiet or not sys.stderr.isatty():
        return None
    from analysis.network.time_left import TimeLeft

    left = TimeLeft()

    def show(share: float, words: str, road: str) -> None:
        end = "\n" if share >= 1.0 else ""
        text = f"{road}: {words}" if road else words
        time_left = left.text(share)
        print(f"\r{100 * share:3.0f} %  {text:<50.50} {time_left:<16}", end=end, file=sys.stderr)
        sys.stderr.flush()

    return show


def _given(
    options: argparse.Namespace, left_out: list[Any] | None = None
) -> tuple[tuple[Any, Any, Any, Any], dict[str, Any]]:
    """What a screening takes (grid, roads, settings, limits), and extras, sources and progress."""
    from analysis.study import inputs
    from analysis.study.warm_up import is_first_run

    settings, limits = _settings_and_limits(options)
    inputs.check_writable(options.out, suffix=".gpkg", inputs=_input_files(options))
    grid, roads, points, sources = _open_inputs(options, left_out)
    given = {name: path for name in _EXTRAS if (path := getattr(options, name))}
    extras = inputs.read_extras(grid, points=points, **given)
    for note in inputs.misplaced(extras, roads, settings.road_widths):
        print(f"note: {note}", file=sys.stderr)
    if not options.quiet and is_first_run():
        print(
            "First run here: compiling takes about a minute, later runs take seconds.", flush=True
        )
    sources |= {name: inputs.kept_path(path) for name, path in given.items()}
    rest = {"extras": extras, "sources": sources, "progress": _progress(options.quiet)}
    return (grid, roads, settings, limits), rest


def _screen(options: argparse.Namespace) -> int:
    from analysis.findings.geopackage import write_findings
    from analysis.study.screening import screen

    (grid, roads, settings, limits), rest = _given(options)
    study = screen(grid, roads, settings, limits, **rest)
    write_findings(study.findings, options.out)
    for failed in study.findings.run.get("roads_failed", ()):
        print(f"note: {failed}", file=sys.stderr)
    if not options.quiet:
        print(_summary(study, options.out))
    return 0


def _network(options: argparse.Namespace) -> int:
    from analysis.network.crews import cluster_crew, own_crew, process_crew
    from analysis.network.engine import screen_network

    if options.workers < 1:
        raise SettingsError(f"--workers is {options.workers}, but must be 1 or more.")
    if options.cluster:
        crew = cluster_crew(options.cluster)
    else:
        crew = own_crew if options.workers == 1 else process_crew(options.workers)
    off: list[Any] = []
    (grid, roads, settings, limits), rest = _given(options, off)
    roads = [*roads, *off]
    done = screen_network(grid, roads, options.out, settings, limits, crew=crew, **rest)
    said = {road.name for road in off}
    for name, why in done.failed:
        if name not in said:
            print(f"note: {name}: {why}", file=sys.stderr)
    if not options.quiet:
        before = f", {done.resumed_m / 1000.0:.2f} km of it before" if done.resumed_m else ""
        print(f"{_roads(done.roads)}, {done.length_m / 1000.0:.2f} km screened{before}.")
        if done.failed:
            print(f"{_roads(len(done.failed))} not screened; the layer roads says why.")
        print(f"Findings written to {options.out}.")
        print(_CAUTION)
    return 0


_ROADS_TOLD = 5
"""Roads whose usual shoulders are told on the screen; all stand in the findings."""


def _roads(count: int) -> str:
    return "1 road" if count == 1 else f"{count} roads"


def _summary(study: Any, out: str) -> str:
    """Say what was found, what couldn't be told and what the grid can tell."""
    from analysis.common.verdicts import DEFECTS, Finding

    table = study.findings.reaches
    total = float(table["length_m"].sum())
    sigma_m = float(study.findings.run["noise_median_m"])
    noise = f"noise {1000 * sigma_m:.0f} mm" if math.isfinite(sigma_m) else "noise unknown"
    roads = _roads(len(study.roads))
    lines = [f"{roads}, {total / 2000.0:.2f} km, both shoulders judged; {noise}."]
    rest = (Finding.BLOCKED_DITCH, Finding.CANT_TELL, Finding.NO_DATA)
    for finding in (Finding.NONE, *DEFECTS, *rest):
        here = table["finding"] == finding
        if here.any():
            length = float(table["length_m"][here].sum())
            name = "sound" if finding == Finding.NONE else finding
            lines.append(
                f"  {name:<14} {length:8.0f} m  {100 * length / total:5.1f} %  "
                f"{int(here.sum())} reach(es)"
            )
    imported = float(table["import_m3_loose"][table["import_m3_loose"] > 0].sum())
    lines.append(f"  material to bring in: {imported:.0f} m³ loose")
    lines += [f"  {text}" for text in study.findings.run["usual"][:_ROADS_TOLD]]
    lines.append(f"Findings written to {out}.")
    lines.append(_CAUTION)
    return "\n".join(lines)


def _sample(options: argparse.Namespace) -> int:
    from analysis.study.inputs import sample_files

    terrain, roads = sample_files()
    words = ["screen", "--grid", terrain, "--centreline", roads, "--out", options.out]
    code = main(words)
    if code or options.no_window or options.open_window is None:
        return code
    if not _has_display():
        print(
            "There is no display here, so the window stays closed; open it elsewhere with: "
            f"vergeline window {options.out}"
        )
        return 0
    _on_termination(signal.SIG_DFL)
    return int(options.open_window([options.out]))


def _has_display() -> bool:
    return (
        sys.platform in ("win32", "darwin")
        or bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
        or os.environ.get("QT_QPA_PLATFORM", "") != ""
    )


def _section(options: argparse.Namespace) -> int:
    from analysis.common.stations import parse_station
    from analysis.road.roadline import road_part
    from analysis.study.inputs import check_writable, read_extras, sample_files
    from analysis.study.screening import screen
    from analysis.study.sections import section_text, section_view

    ground = options.grid or options.points
    if bool(ground) != bool(options.centreline):
        raise SettingsError(
            "Give --grid (or --points) and --centreline together, or neither for the sample."
        )
    if not ground:
        options.grid, options.centreline = sample_files()
        print("No grid given: this is the sample terrain.")
    settings, limits = _settings_and_limits(options)
    if options.png:
        inputs = _input_files(options)
        check_writable(
            options.png, suffix=".png", inputs=inputs, kind=None if options.force else ".png"
        )
        if options.draw_section is None:
            raise SettingsError("Drawing needs the window's package: leave out --png for numbers.")
    grid, roads, points, _ = _open_inputs(options)
    road = _named_road(roads, options.road)
    station_m = parse_station(options.station)
    # The search ties sections along the road, so a few hundred metres around decide as the
    # whole road would.
    part, _ = road_part(road, station_m, 300.0)
    extras = read_extras(grid, points=points, image=options.image)
    study = screen(grid, [part], settings, limits, extras=extras)
    index = int(abs(study.roads[0].station_m - station_m).argmin())
    view = section_view(study, 0, index)
    print(section_text(view))
    if options.png:
        options.draw_section(view, options.png)
        print(f"Section drawn to {options.png}.")
    return 0


def _named_road(roads: Sequence[Any], name: str | None) -> Any:
    if name is None:
        return roads[0]
    for road in roads:
        if road.name == name:
            return road
    raise RoadError(
        f"There is no road {name!r} in the file: it has {', '.join(r.name for r in roads)}."
    )


def _resolving(options: argparse.Namespace) -> int:
    from analysis.shoulder.resolving import least_average, resolving_power, resolving_text

    common = {"pavement_width_m": options.pavement_width, "correlation_m": options.correlation}
    power = resolving_power(
        options.cell, options.noise, options.shoulder_width, options.average, **common
    )
    least = least_average(options.cell, options.noise, options.shoulder_width, **common)
    print(resolving_text(power, least))
    return 0


def _limits(options: argparse.Namespace) -> int:
    from analysis.common.limits import default_limits, write_limits
    from analysis.study.inputs import check_writable

    check_writable(options.out, suffix=".toml", kind=None if options.force else "")
    write_limits(default_limits(options.surface), options.out)
    print(f"Limits for {options.surface} written to {options.out}.")
    return 0


def _window(options: argparse.Namespace) -> int:
    if options.open_window is None:
        raise SettingsError("The window's package isn't installed here: use the other commands.")
    # The window's loop runs outside Python, which couldn't heed the signal.
    _on_termination(signal.SIG_DFL)
    return int(options.open_window(options.files))


if __name__ == "__main__":
    sys.exit(main())
