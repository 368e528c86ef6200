"""How long the tables keep the window waiting with many rows.

Run: python -m tests.benchmarks.tables [rows]
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication

from analysis.common.columns import POND_COLUMNS, REACH_COLUMNS, STATION_COLUMNS
from analysis.common.table import Table
from analysis.findings.geopackage import Findings
from gui.state import jobs
from gui.state.model import WindowModel
from gui.tables.tables import StationTable


def station_table(rows: int, roads: int = 8) -> Table:
    """Return stations of several roads with every verdict and a reason of its own in each row."""
    rng = np.random.default_rng(3)
    per_road = rows // roads // 2 * 2
    rows = per_road * roads
    row = np.arange(rows)
    kind = rng.choice(4, rows, p=[0.6, 0.2, 0.15, 0.05])
    columns: dict[str, np.ndarray] = {}
    for name, column in STATION_COLUMNS.items():
        if column.type == "str":
            columns[name] = np.full(rows, "", dtype=object)
        elif column.type == "bool":
            columns[name] = (rng.random(rows) < 0.5).astype(float)
        else:
            columns[name] = rng.normal(3.0, 4.0, rows)
    columns["road"] = np.array([f"Road {r}" for r in row // per_road], dtype=object)
    columns["side"] = np.array(["left", "right"], dtype=object)[row % 2]
    columns["station_m"] = columns["distance_m"] = (row % per_road) // 2 * 10.0
    columns["verdict"] = np.array(["sheds", "won't shed", "can't tell", "no data"], dtype=object)[
        kind
    ]
    columns["finding"] = np.array(["none", "flat", "can't tell", "no data"], dtype=object)[kind]
    columns["p_wont_shed"] = rng.random(rows)
    columns["reason"] = np.array(
        [f"Falls {a:.2f} % where {b:.2f} % is required." for a, b in rng.normal(3, 2, (rows, 2))],
        dtype=object,
    )
    return Table(columns)


def main(rows: int) -> None:
    """Time what a person does, and the longest wait of the event loop meanwhile."""
    app = QApplication.instance() or QApplication([])
    model = WindowModel()
    table = station_table(rows)
    findings = Findings(
        stations=table,
        reaches=Table.empty(REACH_COLUMNS),
        ponds=Table.empty(POND_COLUMNS),
        station_xy=np.zeros((len(table), 2)),
        reach_lines=(),
        pond_rings=(),
        crs_wkt="",
        run={},
    )
    page = StationTable(model)
    page.resize(1300, 700)
    page.show()
    beats: list[float] = []
    timer = QTimer()
    timer.setInterval(5)
    timer.timeout.connect(lambda: beats.append(time.perf_counter()))
    timer.start()

    def timed(
        what: str, action: Callable[[], object], until: Callable[[], bool] | None = None
    ) -> None:
        app.processEvents()
        beats.clear()
        beats.append(time.perf_counter())
        start = time.perf_counter()
        action()
        while True:
            app.processEvents()
            done = until is None or until()
            if done and time.perf_counter() - start > 0.1 and len(beats) > 3:
                break
            time.sleep(0.001)
        longest = float(np.max(np.diff([*beats, time.perf_counter()])))
        print(f"{what:38s} longest wait {1000.0 * longest:7.1f} ms")

    print(f"{len(table)} rows")
    timed(
        "load (prepared in a worker)",
        lambda: model._take(jobs.loaded(None, findings, {})),
        lambda: page.rows.total == len(table),
    )
    for name in ("edge_drop_mm", "verdict", "finding", "shoulder_slope_pct", "station_m"):
        timed(f"sort by {name}", lambda n=name: page.rows.sort_by(n))
    page.show_column("reason", True)
    timed("sort by reason", lambda: page.rows.sort_by("reason"))
    for text in ("flat", "required 3.4", "1+240 left", ""):
        timed(f"filter {text!r}", lambda t=text: (page.search.setText(t), page._apply_filter()))
    timed("filter by verdict", lambda: page.verdict_box.setCurrentIndex(1))
    timed("no filter", lambda: page.verdict_box.setCurrentIndex(0))
    timed("scroll to the end", page.view.scrollToBottom)
    timed(
        "one page up",
        lambda: page.view.verticalScrollBar().triggerAction(
            page.view.verticalScrollBar().SliderAction.SliderPageStepSub
        ),
    )
    timed("select another station", lambda: model.select_station(3, 4000, 1))
    timed("select all", page.view.selectAll)
    timed("units", lambda: model.set_units("us"))
    model.set_units("metric")
    model.runner.shutdown()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200_000)
