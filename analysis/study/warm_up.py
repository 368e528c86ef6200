"""Whether the kernels of a screening are compiled already.

A screening that ends well leaves a note in the folder where the compiler keeps its work. The note
holds what that work hangs on: the compiler, the processor, and when which kernels were written.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

__all__ = ["is_first_run", "note_run"]


def is_first_run() -> bool:
    """Return True where a screening has to compile first, so that it takes a minute longer."""
    note = _note()
    try:
        return note is not None and note.read_text(encoding="utf-8") != _hangs_on()
    except OSError:
        return True


def note_run() -> None:
    """Leave word that a screening came to its end, and so has all kernels compiled."""
    note = _note()
    # where nothing can be written the compiler keeps nothing either
    with suppress(OSError):
        if note is not None and is_first_run():
            note.parent.mkdir(parents=True, exist_ok=True)
            note.write_text(_hangs_on(), encoding="utf-8")


def _note() -> Path | None:
    """Where the note lies; None where compiling is switched off."""
    from analysis.earthwork.kernels import sections_kernel

    kept = getattr(sections_kernel, "stats", None)
    return None if kept is None else Path(kept.cache_path) / "screened.txt"


def _hangs_on() -> str:
    import llvmlite.binding
    import numba

    home = Path(__file__).parents[1]
    # the compiler itself goes by date and size of a source
    kernels = [(path, path.stat()) for path in sorted(home.rglob("*kernels.py"))]
    lines = [f"{path.relative_to(home)} {was.st_mtime_ns} {was.st_size}" for path, was in kernels]
    processor = llvmlite.binding.get_host_cpu_name()
    return "\n".join([f"numba {numba.__version__}", processor, *lines])
