"""What the name of a column may be: the one rule for manifests, tables, note lists and packages.

A name stands in formulas, in filters, in the names of a model's terms (``C(period)[T.1970]``) and on the
terminal. Signs that mean something there are refused where a name comes in, so that nothing later has to
guess whether a bracket belongs to a name or to what is written around it. Names are data: nothing that
reads them takes them for code or markup.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from vibstudy.errors import Problem

LONGEST_NAME = 120
"""Letters of a name at most: as many as a recording's name may have, so that messages can repeat it."""

_SIGNS = "`'\"()[]{}"
_SAID = {"\n": "a line break", "\r": "a line break", "\t": "a tab", "`": "a backtick", "'": "an apostrophe"}


def name_fault(name: object) -> str:
    """Why `name` cannot be the name of a column; "" when it can.

    Refused are names that are no text, are empty or too long, or hold backticks, quotation marks,
    brackets of any kind, line breaks or letters that cannot be seen.
    """
    if not isinstance(name, str):
        return f"it is not text but {type(name).__name__}"
    if not name.strip():
        return "it is empty"
    if len(name) > LONGEST_NAME:
        return f"it has {len(name):,} letters, more than {LONGEST_NAME}"
    bad = sorted({letter for letter in name if letter in _SIGNS or not letter.isprintable()})
    if not bad:
        return ""
    said = [_SAID.get(letter) or (letter if letter in _SIGNS else ascii(letter)[1:-1]) for letter in bad]
    return f"it holds {', '.join(dict.fromkeys(said))}"


def mended_name(name: object) -> str:
    """A name near `name` that may be used."""
    text = "".join(letter if letter.isprintable() else " " for letter in str(name)[:LONGEST_NAME])
    return re.sub(r"[\s_`'\"()\[\]{}]+", "_", text).strip("_") or "column"


def name_problems(names: Iterable[object], file: str = "", row: int | None = None) -> list[Problem]:
    """A problem for every name that cannot be used, with a name that can.

    Parameters
    ----------
    names : iterable
        Column names as read.
    file : str
        The file they come from.
    row : int | None
        The row they stand in; None when the file has no rows.
    """
    return [
        Problem(
            f"this column cannot be called so: {fault}",
            file,
            row,
            str(name)[:LONGEST_NAME],
            repair=f"Rename it, for example {mended_name(name)!r}",
        )
        for name in names
        if (fault := name_fault(name))
    ]
