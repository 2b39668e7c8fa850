"""Names of a package that are looked up when they are first asked for, so that importing it takes no time (PEP 562)."""

from __future__ import annotations

import importlib
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


def later(package: str, homes: Mapping[str, tuple[str, str]]) -> Callable[[str], Any]:
    """``__getattr__`` of a package: for each name the module of the package it lives in, and what it is called there.

    No name may be a module's: once imported, that would be found in its place.
    """

    def look_up(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        module, there = homes[name]
        value = getattr(importlib.import_module(f"{package}.{module}"), there)
        setattr(sys.modules[package], name, value)
        return value

    return look_up
