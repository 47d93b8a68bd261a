"""The one way to the terminal: what is shown there is text, whatever the files say.

Names, remarks and messages come from tables that others wrote. None of it is markup (``[red]``), emoji
(``:boom:``) or a control sequence: square brackets stand as they are written, and letters that would steer
the terminal, or turn the direction of reading around, are shown by their number.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.text import Text

_STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def typed(command: str) -> str:
    """A command as this user types it: within the program's folder through uv, else by its name."""
    return f"uv run vibstudy {command}" if "UV_RUN_RECURSION_DEPTH" in os.environ else f"vibstudy {command}"


def shown(text: str) -> str:
    """The text as it may stand on a terminal; line breaks and tabs stay."""
    text = text.replace("\r\n", "\n")
    return _STEERING.sub(lambda found: ascii(found.group())[1:-1], text)


def in_one_line(text: str) -> str:
    """The text with every stretch of blanks and line breaks as one blank."""
    return " ".join(text.split())


def say(text: str, *, error: bool = False) -> None:
    """Print a line on the standard output, or on the standard error."""
    typer.echo(shown(text), err=error)


def cell(text: str) -> Text:
    """A text as a cell of a table of rich."""
    from rich.text import Text

    return Text(in_one_line(shown(text)))


def put(console: Console, thing: RenderableType, style: str = "") -> None:
    """Print a text in a style, or a table, on a console of rich."""
    from rich.text import Text

    if isinstance(thing, str):
        thing = Text(shown(thing), style=style)
    console.print(thing, markup=False, highlight=False, emoji=False)


@contextmanager
def busy(console: Console, title: str) -> Iterator[Callable[[str], None]]:
    """Show that something is going on; what is given tells what."""
    from rich.text import Text

    with console.status(Text(title)) as status:
        yield lambda text: status.update(Text(shown(text)))
