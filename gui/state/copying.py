"""Copies of unsaved work, written by a process of its own.

Turning rows into a file is work in Python: a thread of the window would take turns with it, and a
picture would take five times as long meanwhile. ``python -m gui.state.copying`` is that process. It
reads what to write from its standard input and ends when that ends, as when the window is killed.
"""

from __future__ import annotations

import atexit
import json
import logging
import math
import os
import pickle
import subprocess
import sys
import threading
from functools import cache
from typing import IO, TYPE_CHECKING

from analysis.common.errors import Cancelled, OutputError, VergelineError

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings
    from gui.state.runner import Progress

__all__ = ["Copier", "copier"]

log = logging.getLogger("vergeline")

LOOK_EVERY_S = 0.02
LEAVING_S = 2.0


class Copier:
    """Writes findings in another process, started with the first of them."""

    def __init__(self) -> None:
        self._one_at_a_time = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def write(self, progress: Progress, findings: Findings, path: str) -> None:
        """Write findings as `findings.geopackage.write_findings` does.

        Raises
        ------
        OutputError
            As that function.
        Cancelled
            If the job was called off; what was begun is left to the next run to clear.
        """
        with self._one_at_a_time:
            try:
                answer = self._asked(progress, findings, path)
            except Cancelled:
                self._end(at_once=True)
                raise
            except (OSError, ValueError) as error:
                log.warning("no process for copies: %s", error)
                self._end(at_once=True)
                answer = None
        if answer is None:
            from analysis.findings.geopackage import write_findings

            write_findings(findings, path, progress=progress)
        elif answer:
            raise OutputError(answer)

    def _asked(self, progress: Progress, findings: Findings, path: str) -> str | None:
        """Return what the process says against it, "" for nothing, None if there is no process."""
        # A packed program has no interpreter to start.
        if getattr(sys, "frozen", False):
            return None
        if self._process is not None and self._process.poll() is not None:
            self._end(at_once=True)
        if self._process is None:
            from gui.state.preparing import begin

            self._process = begin(
                [sys.executable, "-m", "gui.state.copying"], subprocess.PIPE, subprocess.PIPE
            )
        orders, answers = self._process.stdin, self._process.stdout
        assert orders is not None and answers is not None
        pickle.dump((findings, path), orders, protocol=pickle.HIGHEST_PROTOCOL)
        orders.flush()
        lines: list[bytes] = []
        # Not every system can wait for a pipe and for something else.
        reading = threading.Thread(target=lambda: lines.append(answers.readline()), daemon=True)
        reading.start()
        while reading.is_alive():
            progress(math.nan, "writing the findings")
            reading.join(LOOK_EVERY_S)
        if not lines or not lines[0].endswith(b"\n"):
            raise OSError(f"it ended with code {self._process.wait()}")
        return str(json.loads(lines[0]))

    def _end(self, *, at_once: bool) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if at_once:
            process.kill()
        try:
            if process.stdin is not None:
                process.stdin.close()
        except OSError:
            # It had ended, with some of the order still on its way.
            pass
        try:
            process.wait(LEAVING_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()

    def leave(self) -> None:
        """Let the process end, once what it writes is whole."""
        with self._one_at_a_time:
            self._end(at_once=False)


@cache
def copier() -> Copier:
    """Return the one of this program."""
    made = Copier()
    atexit.register(made.leave)
    return made


def main() -> None:
    """Write what comes in, and answer each with one line: what is against it."""
    from analysis.findings.geopackage import write_findings
    from gui.state.preparing import stand_back

    orders: IO[bytes] = sys.stdin.buffer
    stand_back(10)
    # What libraries print must not get among the answers.
    with os.fdopen(os.dup(sys.stdout.fileno()), "wb") as answers:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        while True:
            try:
                findings, path = pickle.load(orders)
            except (EOFError, pickle.UnpicklingError):
                return
            try:
                write_findings(findings, path)
                against = ""
            except VergelineError as error:
                against = str(error)
            answers.write(json.dumps(against).encode() + b"\n")
            answers.flush()


if __name__ == "__main__":
    main()
