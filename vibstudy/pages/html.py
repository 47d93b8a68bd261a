"""The templates of the pages; what is put into them is escaped."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


def templates() -> Environment:
    """Return the templates of this room."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("vibstudy.pages", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
