"""The templates of the pages; what is put into them is escaped."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


def templates() -> Environment:
    """Return the templates of this room."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("vibstudy.pages", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)


def data_uri(kind: str, content: bytes) -> str:
    """A file as a page holds it within; `kind` as in "image/png"."""
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"
