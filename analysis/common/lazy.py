"""Names that a package hands out without importing their modules before somebody asks for one."""

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

__all__ = ["handing_out"]


def handing_out(package: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """Return the `__getattr__` of a package whose names live in its modules.

    Parameters
    ----------
    package : str
        The package's ``__name__``.
    homes : mapping of str to str
        Module within the package, and the names (parted by spaces) that live there.
    """
    home = {name: module for module, names in homes.items() for name in names.split()}

    def get(name: str) -> Any:
        if name not in home:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(f"{package}.{home[name]}"), name)

    return get
