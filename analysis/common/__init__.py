"""What every room needs and none owns: units, stations, sides, settings, limits, errors, tables.

Nothing in here knows a road or a grid. A value over stations says so by its type
(`station_arrays.PerStation`); a column of the findings is described once (`columns`); what may be
said of a shoulder is spelled once (`verdicts`).
"""
