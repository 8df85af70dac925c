"""Names of a package that are loaded when they are first used (PEP 562): what takes long to import, such as
scipy's solvers, is not paid for by a command that does without it.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any


def loaded_late(package: str, homes: dict[str, tuple[str, ...]]) -> tuple[list[str], Callable[[str], Any]]:
    """The names, sorted, and the package's `__getattr__`.

    Parameters
    ----------
    homes : module, as seen from the package, to the names that it holds
    """
    home_of = {name: home for home, names in homes.items() for name in names}

    def load(name: str) -> Any:
        if name in home_of:
            return getattr(importlib.import_module(f"{package}.{home_of[name]}"), name)
        raise AttributeError(f"module '{package}' has no attribute '{name}'")

    return sorted(home_of), load
