"""Names of a package that are looked up when they are asked for: one of them must not pay for all."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any


def names_of(homes: Mapping[str, str]) -> dict[str, str]:
    """The module of every name, from the names of every module, with spaces between."""
    return {name: module for module, names in homes.items() for name in names.split()}


def lazily(package: str, homes: Mapping[str, str], name: str) -> Any:
    """What the ``__getattr__`` of a package gives.

    Parameters
    ----------
    package : str
        Its ``__name__``.
    homes : mapping
        The module of every name.
    name : str

    Raises
    ------
    AttributeError
        When it has no such name.
    """
    if name in homes:
        return getattr(import_module(f"{package}.{homes[name]}"), name)
    raise AttributeError(f"module {package!r} has no attribute {name!r}")
