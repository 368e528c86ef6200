"""Camber board readings in which a test gives only what it is about."""

from analysis.findings.readings import Reading


def reading(station_m=1000.0, reading_mm=12.0, **given):
    """Left side of the only road, a board of 1.2 m."""
    usual = {"road": "", "side": "left", "board_m": 1.2}
    return Reading(station_m=station_m, reading_mm=reading_mm, **{**usual, **given})
