"""What can be wrong with the user's files, said so that the user can mend it.

A :class:`Problem` is one thing wrong at one place, with its repair. Checkers collect problems and
report all of them at once; a :class:`VibstudyError` carries them to the command line, which prints
them and exits with code 2, without a traceback.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True)
class Problem:
    """One thing wrong at one place.

    Parameters
    ----------
    message : str
        What is wrong, in plain words.
    file : str
        The file concerned, as the user named it; "" when no file is meant.
    row : int | None
        Row number as a spreadsheet shows it (the header is row 1); None for the whole file.
    column : str
        Column or key; "" when none is meant.
    got : str
        The value found.
    repair : str
        What would be right.
    """

    message: str
    file: str = ""
    row: int | None = None
    column: str = ""
    got: str = ""
    repair: str = ""

    def __str__(self) -> str:
        place = ", ".join(
            part
            for part in (
                self.file,
                f"row {self.row}" if self.row is not None else "",
                f"{'key' if self.file.endswith('.toml') else 'column'} {self.column}" if self.column else "",
            )
            if part
        )
        text = f"{place}: {self.message}" if place else self.message
        if self.got:
            text += f" (got {self.got if len(self.got) <= MOST_SHOWN else self.got[:MOST_SHOWN] + '…'!r})"
        if self.repair:
            text = f"{stopped(text)} {self.repair}"
        text = "".join(
            letter if letter.isprintable() or letter == "\n" else ascii(letter)[1:-1] for letter in text
        )
        return stopped(text)


def stopped(text: str) -> str:
    """The text as a sentence: with a stop, unless it has one."""
    return text if text.endswith((".", "?", "!")) else f"{text}."


MOST_SHOWN = 200
"""Letters of what was got that a message repeats."""
MOST_ALIKE = 100
"""Problems of one kind that are told one by one: who has more mends the cause, not the cells."""
_DIGITS = re.compile(r"\d+")


def row_problems(rows: Sequence[int], make: Callable[[int], Problem]) -> list[Problem]:
    """The problem of every row; of very many, the first :data:`MOST_ALIKE`, and how many more there are.

    Parameters
    ----------
    rows : sequence of int
        Rows with one kind of problem, in their order.
    make : callable
        Gives the problem of a row.
    """
    problems = [make(row) for row in rows[:MOST_ALIKE]]
    if more := rows[MOST_ALIKE:]:
        next_one = make(more[0])
        message = f"{next_one.message}; {len(more):,} rows from here to row {more[-1]} are such"
        problems.append(replace(next_one, message=message))
    return problems


def few(problems: Iterable[Problem]) -> list[Problem]:
    """The problems kind by kind; of those of a file alike but for numbers, the first :data:`MOST_ALIKE`.

    Of more, the next one says how many there are.
    """
    kinds: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        kinds.setdefault((problem.file, _DIGITS.sub("", problem.message)), []).append(problem)
    kept = []
    for alike in kinds.values():
        kept += alike[:MOST_ALIKE]
        if more := alike[MOST_ALIKE:]:
            kept.append(replace(more[0], message=f"{more[0].message}; {len(more):,} from here on are such"))
    return kept


class VibstudyError(Exception):
    """Input that cannot be used. Holds every problem found, not just the first.

    Parameters
    ----------
    problems : str | Problem | iterable of Problem
        What is wrong; one problem may be given by its message.
    *place, **more
        The other fields of that problem.
    """

    def __init__(self, problems: str | Problem | Iterable[Problem], *place: Any, **more: Any):
        if isinstance(problems, str):
            problems = [Problem(problems, *place, **more)]
        elif isinstance(problems, Problem):
            problems = [problems]
        self.problems: list[Problem] = list(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self):  # survives the trip back from a worker process
        return (type(self), (self.problems,))

    def _render_traceback_(self) -> list[str]:
        """What a notebook shows: the problems alone (a hook of IPython)."""
        return [str(problem) for problem in self.problems]


def raise_any(problems: Iterable[Problem]) -> None:
    """Tell all problems at once, if there are any."""
    if found := list(problems):
        raise VibstudyError(found)


def closest(word: str, choices: Sequence[str], cutoff: float = 0.6) -> str:
    """Return the closest of `choices` to a word that may be misspelt, or "" when none is close."""
    lowered = {choice.lower(): choice for choice in choices}
    found = difflib.get_close_matches(str(word).lower(), list(lowered), n=1, cutoff=cutoff)
    return lowered[found[0]] if found else ""


def listed(words: Sequence[str], joint: str = "and") -> str:
    """Words in a sentence: "a, b and c"."""
    return f"{', '.join(words[:-1])} {joint} {words[-1]}" if len(words) > 1 else "".join(words)


def unknown(
    message: str, got: object, choices: Iterable[object], named: str, most: int | None = None, **place: Any
) -> Problem:
    """Something is none of what may stand there: the closest of that is offered, else the first `most`.

    Parameters
    ----------
    message : str
    got : object
    choices : iterable
    named : str
        What the choices are called, as in "The levels are".
    most : int | None
    **place
        The other fields of the problem.
    """
    known = list(map(str, choices))
    repair = nearest(str(got), known) or f"{named}: {', '.join(known[:most])}."
    return Problem(message, got=str(got), repair=repair, **place)


def did_you_mean(word: str) -> str:
    """Return "Did you mean 'word'?", or "" for no word."""
    return f"Did you mean {word!r}?" if word else ""


def first_of(names: Sequence[str], most: int = 12) -> str:
    """The first `most` names, and how many more there are."""
    more = f" and {len(names) - most:,} more" if len(names) > most else ""
    return f"{', '.join(names[:most])}{more}"


def nearest(word: str, choices: Sequence[str], cutoff: float = 0.6) -> str:
    """Return :func:`did_you_mean` for the :func:`closest` of `choices`."""
    return did_you_mean(closest(word, choices, cutoff))
