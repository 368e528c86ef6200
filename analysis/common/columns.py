"""Every column of the findings: name, type, unit, heading, meaning and how it is written.

Names and units are a contract with other programs: columns may be added, never renamed. The
GeoPackage, the exports, the window's tables and tool tips, the units and README's table come
from here. Headings and meanings are short English that the window translates.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analysis.common.units import METRIC, Unit, unit_of

__all__ = [
    "CHECKED_NUMBERS",
    "EDIT_COLUMNS",
    "FIRST_LATER",
    "MADE_UP",
    "MARK_COLUMNS",
    "POND_COLUMNS",
    "REACH_CHANGE_COLUMNS",
    "REACH_COLUMNS",
    "REVIEW_COLUMNS",
    "ROAD_COLUMNS",
    "RUN_COLUMNS",
    "STATION_CHANGE_COLUMNS",
    "STATION_COLUMNS",
    "SURVEY_COLUMNS",
    "TABLES",
    "WORK_COLUMNS",
    "Column",
    "column_of",
]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the findings.

    Attributes
    ----------
    name : str
        As it stands in the file.
    unit : str
        Of what is stored, as in `analysis.common.units`; "1" for plain numbers and texts.
    title : str
        Heading for people; empty for a column that is only for programs.
    meaning : str
        What it holds, in a sentence.
    type : {"float", "int", "bool", "str"}
        Type in the file. In a `Table` all but texts are float, NaN unknown.
    error : str
        Name of the column with its standard error; empty if there is none.
    shared : str
        Name of the column with that part of the error that a stretch of road has in common.
    decimals : int, optional
        Where those of its unit won't do.
    limit : str
        Name of the limit that it is held against; empty if there is none.
    is_station : bool
        Whether it is a label along the road, written as 2+340.
    """

    name: str
    unit: str
    title: str
    meaning: str
    type: str = "float"
    error: str = ""
    decimals: int | None = None
    limit: str = ""
    shared: str = ""
    is_station: bool = False

    @property
    def is_chance(self) -> bool:
        """Whether it is a probability, shown in percent."""
        return self.name.startswith("p_")

    def shown(self, system: str = METRIC) -> Unit:
        """Return how a person reads it in a unit system."""
        if self.is_chance:
            return Unit("%", 100.0, 0)
        unit = unit_of(self.unit, system)
        return unit if self.decimals is None else replace(unit, decimals=self.decimals)

    @property
    def is_quantity(self) -> bool:
        """Whether it is a number to hold against another: no label, text, or yes and no."""
        return self.type in ("float", "int") and not self.is_station


def _text(name: str, title: str, meaning: str) -> Column:
    return Column(name, "1", title, meaning, type="str")


_CAUTIONS = _text(
    "cautions", "", "What must be right before anyone works on a shoulder, one a line."
)


def _flag(name: str, title: str, meaning: str) -> Column:
    return Column(name, "1", title, meaning, type="bool")


def _station(name: str, title: str, meaning: str) -> Column:
    return Column(name, "m", title, meaning, is_station=True)


RANKING = (
    "1 is most urgent: edge drop-offs at or over the safety limit, however short; then what keeps "
    "water on the pavement (high, kerb or high, reversed, ponding); then all other faults and "
    "blocked ditches; "
    "last what can't be judged. Among these by severity × length × exposure: severity counts in "
    "limits passed (1 at the limit, 3 at most; where nothing is judged the probability), exposure "
    "is half a width of pavement plus what drains this way; where the road layer tells them, "
    "× vehicles a day / 1000 × (km/h / 80)², and twice that in curves."
)
"""How reaches are ranked, for whoever reads a rank: the only place where this is put into words."""

# Left to stand as the table that it is.
# fmt: off
_COLUMNS = (
    _text("road", "Road", "Name of the centreline."),
    _station("station_m", "Station",
        "Distance along the centreline from its start, as it is labelled."),
    _text("side", "Side", "Left or right, looking up-station."),
    Column("edge_offset_m", "m", "Edge offset",
        "Pavement edge from the given centreline, right positive."),
    _flag("edge_found", "Edge found",
        "Whether the terrain shows the edge; otherwise the nominal width is used."),
    Column("hinge_offset_m", "m", "Hinge offset",
        "Outer break of the shoulder from the given centreline, right positive."),
    Column("pavement_slope_pct", "%", "Pavement slope",
        "Cross slope of the pavement; positive falls outward, away from the crown.",
        error="pavement_slope_se"),
    Column("shoulder_slope_pct", "%", "Shoulder slope",
        "Cross slope of the shoulder between edge and hinge; positive falls outward.",
        error="shoulder_slope_se", shared="shoulder_slope_shared_se"),
    Column("required_slope_pct", "%", "Required slope",
        "Least cross slope that the limits ask for here: steeper than the pavement, never less "
        "than the surface needs, within the breakover limit on the high side of a curve; that of "
        "an unpaved road itself, where its shoulder drains over it there."),
    Column("edge_drop_mm", "mm", "Edge drop",
        "Pavement plane minus shoulder plane at the edge: positive where the shoulder is lower, "
        "negative where it stands high and holds water.",
        error="edge_drop_se", limit="edge_drop_mm", shared="edge_drop_shared_se"),
    Column("rut_mm", "mm", "Rut",
        "Largest gap under a straightedge laid across.", error="rut_se", limit="rut_mm"),
    Column("ridge_mm", "mm", "Ridge",
        "Largest rise above a straightedge laid across.", error="ridge_se", limit="ridge_mm"),
    Column("retained_mm", "mm", "Retained depth",
        "Depth of water that the cross-section holds before it spills.", limit="retained_mm"),
    Column("pond_depth_mm", "mm", "Pond depth",
        "Deepest water that the ground holds here when it may also escape along the road."),
    Column("ditch_depth_m", "m", "Ditch depth",
        "Ditch invert below the pavement edge.", limit="ditch_least_depth_m"),
    Column("ditch_grade_pct", "%", "Ditch grade",
        "Slope of the ditch invert along the road; positive falls up-station.",
        decimals=2, limit="ditch_least_grade_pct"),
    Column("cut_m2", "m2", "Cut", "Area of ground above the target line.", error="cut_se"),
    Column("fill_m2", "m2", "Fill",
        "Area of ground missing below the target line.", error="fill_se"),
    Column("p_wont_shed", "1", "Chance it won't shed",
        "Probability that water stays, by what was measured here, its errors, and what the rest "
        "of the road is like.", limit="certainty"),
    _text("verdict", "Verdict",
        "Sheds, won't shed, can't tell (the error is too large to say) or no data. Unknown never "
        "counts as sheds."),
    _text("reason", "Reason", "Why, with the numbers behind it."),
    _text("finding", "Finding", "What is most likely wrong here, if anything."),
    Column("p_drop", "1", "", "Probability that the edge drops by more than the limit."),
    Column("p_high", "1", "", "Probability that the shoulder stands higher than the limit."),
    Column("p_rut", "1", "", "Probability that a rut or ridge is deeper than the limit."),
    Column("p_flat", "1", "", "Probability that the shoulder falls less than required."),
    Column("p_pond", "1", "", "Probability that the section holds more water than allowed."),
    Column("p_too_steep", "1", "", "Probability that the shoulder is steeper than may be built."),
    Column("p_breakover", "1", "",
        "Probability that it breaks off from the pavement by more than allowed."),
    Column("p_kerb", "1", "",
        "Probability that what stands up along the edge is a kerb and no high shoulder."),
    Column("kerb_away_m", "m", "",
        "How far outside the edge what stands up there stands; unknown where it stands at it."),
    _text("likeliest", "", "The fault that is most likely here, certain or not."),
    Column("p_likeliest", "1", "", "Mean probability of that fault along the reach."),
    Column("edge_se_m", "m", "", "One standard error of edge_offset_m."),
    Column("edge_drop_place_se", "mm", "",
        "Part of edge_drop_se that comes from where the edge may lie."),
    Column("edge_drop_at_m", "m", "",
        "Where edge_drop_mm is told: mean of all places that the edge may have, metres outward "
        "from edge_offset_m.", error="edge_drop_at_se"),
    _text("edge_source", "", "Where the edge comes from: nominal, found or given."),
    _text("hinge_source", "", "Where the hinge comes from: nominal, found or given."),
    Column("ditch_offset_m", "m", "", "Ditch invert from the given centreline, right positive."),
    Column("shoulder_width_m", "m", "Shoulder width", "From the pavement edge to the hinge."),
    Column("rut_detectable_mm", "mm", "Rut that can be seen",
        "Shallowest rut that this grid can show here."),
    Column("grade_pct", "%", "Grade",
        "Slope along the road at the pavement edge; positive rises up-station.", decimals=2),
    Column("foreslope_pct", "%", "",
        "Slope of the ground outside the hinge; positive falls outward."),
    Column("breakover_points", "points", "Breakover",
        "Shoulder cross slope minus pavement cross slope, in percentage points.",
        limit="breakover_most_points"),
    Column("edge_z_m", "m", "", "Height of the pavement edge, in metres."),
    Column("average_m", "m", "Averaged over", "Length of road behind one measurement."),
    Column("distance_m", "m", "",
        "Distance along the centreline from its start, whatever its labels."),
    _flag("kerb", "Kerb", "A kerb stands at the edge: its height isn't judged."),
    _flag("crowned", "", "Whether the pavement falls both ways from its crown."),
    _flag("ditch_blocked", "",
        "Whether the ditch needs cleaning: dammed, or filled up to less than the least depth."),
    _flag("ditch_crossed", "",
        "Whether something crosses the ditch here, with or without a culvert."),
    _station("from_m", "From", "Station where the reach begins."),
    _station("to_m", "To", "Station where the reach ends."),
    _text("treatment", "Treatment",
        "Reshape where the shoulder's own material is enough, replenish where it isn't; with or "
        "without cleaning the ditch."),
    Column("length_m", "m", "Length", "Length of the reach along the road.", decimals=0),
    Column("mean_slope_pct", "%", "Mean slope",
        "Mean cross slope of the shoulder.", error="mean_slope_se"),
    Column("worst_drop_mm", "mm", "Worst edge drop", "Edge drop furthest from flush."),
    Column("cut_m3", "m3", "Cut", "Volume above the target line, as it lies (bank)."),
    Column("fill_m3", "m3", "Fill", "Volume missing below the target line, compacted."),
    Column("balance_m3", "m3", "Balance",
        "Material that can be had from the reach minus what it needs, compacted.",
        error="balance_se"),
    Column("import_m3_loose", "m3", "Import, loose",
        "New material to bring in, loose, as it is on the truck."),
    Column("loads", "count", "Loads",
        "Truck loads of new material for this reach alone; a plan pools those of a stretch."),
    Column("rank", "count", "Rank", RANKING, type="int"),
    Column("look_first", "count", "Look first",
        "Place in the list of what to look at on site before work is ordered: first what may be a "
        "kerb or a high shoulder, then what can't be told, then what has no data, the most urgent "
        "first; empty where nothing is open.", type="int"),
    Column("edge_assumed_m", "m", "",
        "Length of the reach along which no edge shows, so that the given width puts it.",
        decimals=0),
    Column("import_t", "t", "Import", "New material to bring in, by mass."),
    Column("haul_away_m3_loose", "m3", "Haul away, loose",
        "Surplus to take away, loose, as it is on the truck."),
    Column("ditch_clean_m", "m", "Ditch to clean", "Length of ditch to clean."),
    Column("p_replenish", "1", "", "Probability that the reach needs new material."),
    Column("severity", "1", "Severity", "How far beyond the limits, on a scale without unit."),
    Column("harm_class", "count", "",
        "What it may do: 1 edge drop-off at the safety limit, 2 water on the pavement, 3 other, "
        "4 not judged; unknown where nothing is wrong.", type="int"),
    Column("harm", "1", "", "Severity × length × exposure, by which it is ranked in its class."),
    Column("first_index", "count", "",
        "Number of the first station of the reach on its road, from 0.", type="int"),
    Column("last_index", "count", "",
        "Number of the last station of the reach on its road, from 0.", type="int"),
    Column("depth_mm", "mm", "", "Greatest depth of the pond; unknown where it may hold none."),
    Column("area_m2", "m2", "", "Area of the pond."),
    Column("volume_m3", "m3", "", "Water that the pond holds."),
    _text("where", "", "What holds most of its water: pavement, shoulder, ditch or beyond."),
    _station("spill_station_m", "", "Station where the pond spills."),
    Column("spill_offset_m", "m", "",
        "Where it spills, from the given centreline, right positive."),
    _flag("certain", "", "Whether it holds water whatever holes and culverts hide."),
    _text("doubt", "", "Why it isn't certain; empty where it is."),
    Column("slope_before_pct", "%", "Slope before", "Shoulder slope by the earlier survey.",
        error="slope_before_se"),
    Column("slope_after_pct", "%", "Slope after",
        "Shoulder slope by the later survey, brought together with the earlier one.",
        error="slope_after_se"),
    Column("slope_change_points", "points", "Change of slope",
        "Later minus earlier shoulder slope: positive falls more steeply now.",
        error="slope_change_se"),
    Column("drop_before_mm", "mm", "Drop before", "Edge drop by the earlier survey.",
        error="drop_before_se"),
    Column("drop_after_mm", "mm", "Drop after",
        "Edge drop by the later survey, where the earlier one has the edge.",
        error="drop_after_se"),
    Column("drop_change_mm", "mm", "Change of drop",
        "Later minus earlier edge drop: positive lies lower now.", error="drop_change_se"),
    Column("volume_change_m3", "m3", "Change of volume",
        "Material on the shoulder where both surveys show it, later minus earlier: negative "
        "was lost.",
        error="volume_change_se"),
    Column("slope_third_pct", "%", "Slope at a third date",
        "Shoulder slope at a straight rate; nothing says that it goes on like this.",
        error="slope_third_se"),
    Column("drop_third_mm", "mm", "Drop at a third date",
        "Edge drop at a straight rate; nothing says that it goes on like this.",
        error="drop_third_se"),
    Column("known_share", "1", "Seen twice",
        "Share of the station sides that both surveys show.", decimals=2),
    Column("p_changed", "1", "Chance it changed",
        "Probability that a workable length of it changed by more than the limits."),
    _text("change", "Change", "Changed, not changed, or can't tell."),
    _text("what", "", "What was corrected: edge, hinge or kerb."),
    Column("u_m", "m", "",
        "Distance outward that a person gave it; for a kerb 1 where one stands, else 0."),
    _text("kind", "", "Whether a station or a reach was reviewed."),
    _text("state", "", "To check, agreed or rejected."),
    _text("at", "", "When, as ISO 8601."),
    _text("note", "", "What else the reviewer had to say."),
    _text("reviewer", "", "Who decided."),
    _text("outcome", "", "Whether the road was screened; where not, the reason says why."),
    Column("stations", "count", "", "How many stations were measured on each side.", type="int"),
    Column("sheds_m", "m", "", "Length of shoulder, both sides, that sheds water."),
    Column("wont_shed_m", "m", "", "Length of shoulder that won't shed water."),
    Column("cant_tell_m", "m", "", "Length of shoulder of which nothing can be told."),
    Column("no_data_m", "m", "", "Length of shoulder without data."),
    Column("noise_m", "m", "", "Median noise of heights along the road."),
    _text("photos", "", "Paths of photographs, one a line."),
)
_RUN = (
    _text("made", "", "When it was screened, as ISO 8601."),
    _text("vergeline", "", "Version of Vergeline."),
    _text("python", "", "Version of Python."),
    _text("numpy", "", "Version of numpy."),
    _text("terrain", "", "File of the terrain grid."),
    _text("terrain_checksum", "", "Its SHA-256."),
    _text("surveyed", "", "Day of the survey behind it, as ISO 8601; empty where nobody gave it."),
    _text("crs_wkt", "", "Coordinate system of the grid and of all geometry here, as WKT."),
    Column("cell_m", "m", "", "Cell size of the grid."),
    Column("vertical_unit_m", "m", "", "Length of the grid's unit of height."),
    _text("vertical_unit_source", "", "How that unit is known."),
    _text("warped_to", "", "Coordinate system that a grid in degrees was warped to."),
    _text("centreline", "", "File of the centrelines."),
    _text("centreline_checksum", "", "Its SHA-256."),
    _text("centreline_layer", "", "Layer that was read."),
    _text("centreline_crs", "", "Its coordinate system, where a person gave it."),
    _text("name_field", "", "Field with the names of roads, where a person gave it."),
    _text("traffic_field", "", "Field with vehicles per day, where a person named one."),
    _text("speed_field", "", "Field with the speed, where a person named one."),
    _text("curve_field", "", "Field that tells curves, where a person named one."),
    _flag("use_measures", "", "Whether stations come from the lines' own measures."),
    _text("crs_given", "", "The grid's coordinate system, where a person gave it."),
    _text("vertical_unit", "", "The grid's unit of height, where a person gave it."),
    Column("start_m", "m", "", "Station of the start, where lines have no measures."),
    _flag("reverse", "", "Whether roads run against the direction they were drawn in."),
    _text("mask", "", "File of areas that aren't shoulder."),
    _text("edges", "", "File of pavement edges."),
    _text("widths", "", "File of widths by station."),
    _text("culverts", "", "File of culverts."),
    _text("image", "", "File of the intensity or orthophoto that the edges were looked for in."),
    _text("points", "", "Files of ground points that were measured in place of cells, one a line."),
    _text("points_checksum", "", "Their SHA-256, one a line."),
    _text("kerbs", "", "File of kerbs, or whether there are any: none or unknown."),
    _text("limits_file", "", "File that the limits were read from."),
    _text("roads", "", "Names of the roads."),
    _text("roads_failed", "", "Roads that couldn't be screened, and why."),
    Column("length_m", "m", "", "Length of all roads."),
    Column("stations", "count", "", "How many stations were measured on each side.", type="int"),
    Column("noise_median_m", "m", "", "Median noise of heights."),
    _text("noise_source", "", "Where the noise comes from: estimated or given."),
    _text("resolving", "", "What the grid can tell on each road."),
    _text("usual", "", "What each road is like, by which its single stations are weighed."),
    _text("settings", "", "Settings of the screening, as JSON."),
    _text("road_widths", "", "Widths given for single roads, where the search there begins."),
    _text("surface", "", "Surface of the shoulders: gravel, earth or turf."),
    _text("limits", "", "Every limit with its source, as TOML."),
    Column("seconds", "s", "", "How long the screening took."),
    _text("excerpt", "", "What was asked for, where a file holds only a part of the findings."),
    _CAUTIONS,
)
# What a file of changes says of the two surveys.
_SURVEYS = (
    _text("before_name", "", "What the earlier survey is called."),
    _text("before_day", "", "Its day, as ISO 8601."),
    _text("before_terrain", "", "File of its terrain grid."),
    _text("after_name", "", "What the later survey is called."),
    _text("after_day", "", "Its day, as ISO 8601."),
    _text("third_day", "", "Day that is reckoned to at a straight rate."),
    _text("rate", "", "What the numbers of that day are, and what they aren't."),
    _CAUTIONS,
)
# What a programme of work says of each reach; other names are those of the findings.
_WORK = (
    Column("order", "count", "", "Place in the order of work.", type="int"),
    Column("stretch", "count", "",
        "Number of the stretch: reaches worked together under one traffic control.", type="int"),
    _text("day", "", "First day on which it is worked, as ISO 8601; empty without a calendar."),
    Column("crew", "count", "", "Number of the crew, where there is a calendar.", type="int"),
    _station("work_from_m", "", "Station where the work begins, at the downstream end if known."),
    _station("work_to_m", "", "Station where the work ends."),
    Column("away_m3_loose", "m3", "", "To haul away, loose: surplus, and spoil of the ditch."),
    Column("away_loads", "count", "", "Its loads, with the share of the stretch's rounding up."),
    Column("water_m3", "m3", "", "Water to bring in dry weather."),
    Column("ditch_m", "m", "", "Length of ditch to clean."),
    Column("grader_h", "h", "", "Grader, shoulder and ditch."),
    Column("roller_h", "h", "", "Roller."),
    Column("truck_h", "h", "", "Trucks."),
    Column("crew_h", "h", "", "Crew, with its share of traffic control and ways."),
    Column("cost", "1", "", "At the given rates, of these alone; empty without any."),
)
# What a reviewer said, beside each row of what is handed on.
_MARKS = (
    _text("review", "Review", "The reviewer's view: to check, agreed, or rejected with a reason."),
    _text("review_reason", "", "Why the reviewer decided so."),
    _text("review_note", "", "What else the reviewer had to say."),
    _text("reviewer", "", "Who decided."),
    _text("reviewed_at", "", "When, as ISO 8601."),
    _text("review_photos", "", "Paths of photographs, one a line."),
)
# Columns that no file holds but the window makes for the person.
MADE_UP = (
    _text("sentence", "In words", "The finding in one sentence, with its numbers."),
    _MARKS[0],
)
# fmt: on

_BY_NAME = {column.name: column for column in (*_COLUMNS, *MADE_UP)}
for _of in filter(lambda column: column.error, _COLUMNS):
    _BY_NAME[_of.error] = Column(_of.error, _of.unit, "", f"One standard error of {_of.name}.")
for _of in filter(lambda column: column.shared, _COLUMNS):
    _BY_NAME[_of.shared] = Column(
        *(_of.shared, _of.unit, ""),
        f"Part of {_of.error} that a stretch of road has in common, so that no mean along it is "
        "surer: where edge and hinge lie, and levels and footprint of the survey.",
    )


def _table(names: str) -> Mapping[str, Column]:
    return {name: _BY_NAME[name] for name in names.split()}


STATION_COLUMNS = _table("""
    road station_m side edge_offset_m edge_found hinge_offset_m pavement_slope_pct
    pavement_slope_se shoulder_slope_pct shoulder_slope_se required_slope_pct edge_drop_mm
    edge_drop_se rut_mm ridge_mm retained_mm pond_depth_mm ditch_depth_m ditch_grade_pct cut_m2
    fill_m2 p_wont_shed verdict reason finding p_drop p_high p_rut edge_se_m edge_source
    hinge_source ditch_offset_m shoulder_width_m rut_se ridge_se rut_detectable_mm grade_pct
    foreslope_pct breakover_points edge_z_m average_m cut_se fill_se distance_m kerb crowned
    ditch_blocked p_flat p_pond p_too_steep p_breakover p_kerb likeliest kerb_away_m
    ditch_crossed shoulder_slope_shared_se edge_drop_shared_se edge_drop_place_se edge_drop_at_m
    edge_drop_at_se
""")
REACH_COLUMNS = _table("""
    road side from_m to_m finding treatment verdict length_m mean_slope_pct worst_drop_mm cut_m3
    fill_m3 balance_m3 balance_se import_m3_loose loads rank reason mean_slope_se
    required_slope_pct p_wont_shed import_t haul_away_m3_loose ditch_clean_m p_replenish
    severity first_index last_index likeliest harm_class harm p_likeliest look_first
    edge_assumed_m
""")
POND_COLUMNS = _table("""
    road depth_mm area_m2 volume_m3 side where station_m spill_station_m spill_offset_m certain
    doubt
""")
ROAD_COLUMNS = _table("""
    road length_m outcome reason stations sheds_m wont_shed_m cant_tell_m no_data_m worst_drop_mm
    cut_m3 fill_m3 import_m3_loose rank noise_m
""")
EDIT_COLUMNS = _table("road distance_m side what u_m")
REVIEW_COLUMNS: Mapping[str, Column] = {
    **_table("kind road side from_m to_m state reason at note reviewer photos finding verdict"),
    "reason": _text("reason", "", "Why, from the list of reasons or in the reviewer's words."),
    "finding": _text("finding", "", "What was found there when it was decided."),
    "verdict": _text("verdict", "", "What the verdict was when it was decided."),
}
_CHANGES = """
    slope_before_pct slope_before_se slope_after_pct slope_after_se slope_change_points
    slope_change_se drop_before_mm drop_before_se drop_after_mm drop_after_se drop_change_mm
    drop_change_se volume_change_m3 volume_change_se slope_third_pct slope_third_se drop_third_mm
    drop_third_se
"""
STATION_CHANGE_COLUMNS = _table(f"road side station_m {_CHANGES}")
REACH_CHANGE_COLUMNS = _table(
    f"road side from_m to_m finding length_m change {_CHANGES} known_share p_changed reason"
)
SURVEY_COLUMNS: Mapping[str, Column] = {column.name: column for column in _SURVEYS}
MARK_COLUMNS: Mapping[str, Column] = {column.name: column for column in _MARKS}
"""Beside the columns of reaches and stations in what is handed on."""
WORK_COLUMNS: Mapping[str, Column] = {
    column.name: column
    for column in (
        *_WORK[:4],
        *_table("rank road side finding treatment").values(),
        *_WORK[4:6],
        *_table("length_m cut_m3 fill_m3 import_m3_loose import_t loads").values(),
        *_WORK[6:],
        _MARKS[0],
    )
}
"""Of a programme of work as a table."""
RUN_COLUMNS: Mapping[str, Column] = {column.name: column for column in _RUN}

TABLES: Mapping[str, Mapping[str, Column]] = {
    "stations": STATION_COLUMNS,
    "reaches": REACH_COLUMNS,
    "ponds": POND_COLUMNS,
    "roads": ROAD_COLUMNS,
    "edits": EDIT_COLUMNS,
    "reviews": REVIEW_COLUMNS,
    "run": RUN_COLUMNS,
}
# The columns before these are the contract: a file without them is refused. A file without the
# later ones was written by an older version and reads as unknown there.
FIRST_LATER: Mapping[str, str] = {
    "stations": "finding",
    "reaches": "mean_slope_se",
    "ponds": "where",
    "reviews": "note",
}
# Numbers of a section in the order a reviewer checks them.
CHECKED_NUMBERS = (
    "shoulder_slope_pct",
    "pavement_slope_pct",
    "breakover_points",
    "edge_drop_mm",
    "rut_mm",
    "ridge_mm",
    "retained_mm",
    "shoulder_width_m",
    "grade_pct",
    "ditch_depth_m",
    "ditch_grade_pct",
    "cut_m2",
    "fill_m2",
    "p_wont_shed",
)


def column_of(name: str) -> Column:
    """Return the column called `name`; KeyError if the findings have none."""
    return _BY_NAME[name]
