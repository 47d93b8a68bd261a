"""The templates of the pages; what is put into them is escaped, and turns no direction of reading."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from vibstudy.terminal import shown

if TYPE_CHECKING:
    from jinja2 import BaseLoader, Environment


def templates() -> Environment:
    """Return the templates of this room."""
    from jinja2 import PackageLoader

    return environment(PackageLoader("vibstudy.pages", "templates"))


def environment(loader: BaseLoader) -> Environment:
    """Return templates of HTML: of what comes from the study nothing is markup or steers how it is read."""
    from jinja2 import Environment, StrictUndefined

    return Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        finalize=lambda value: shown(value) if type(value) is str else value,
    )  # fmt: skip


def data_uri(kind: str, content: bytes) -> str:
    """A file as a page holds it within; `kind` as in "image/png"."""
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"
