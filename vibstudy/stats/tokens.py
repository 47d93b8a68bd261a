"""Cutting a formula or a filter into tokens, and walking along them with every mistake at its place.

Nothing here, or in what is built on it (:mod:`vibstudy.stats.formula`, :mod:`vibstudy.stats.filters`),
hands any of the text to Python: names are looked up in the table, numbers become floats, the rest is a
fixed set of signs.

Tokens
------
* names: letters, digits and ``_``, as in ``rate_hz``; any other column's name in backticks, as in
  ```` `vibrato type` ````;
* numbers in plain digits, ``0.5``, ``1e3``; finite;
* texts in single or double quotation marks; ``\\`` before a quotation mark or ``\\`` itself takes its
  meaning away;
* signs.

Limits: a text has at most :data:`LONGEST` letters, and brackets stand at most :data:`DEEPEST` deep.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from vibstudy.errors import Problem, VibstudyError, raise_any

LONGEST = 500
"""Letters of a formula or filter: ten times the longest of the notebooks."""

DEEPEST = 20
"""Brackets inside brackets: deeper ones cannot be read by people, and would exhaust Python's stack."""

LARGEST = 2.0**53
"""Largest number of a claim or of a table that is modelled: beyond it, whole numbers and floats differ."""

_TOKENS = re.compile(
    r"""(?P<space>[ \t\r\n]+)
    |(?P<number>(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)
    |(?P<name>(?:(?:np|contr)\.)?[^\W\d]\w*)
    |`(?P<quoted>[^`]*)`
    |(?P<text>"(?:[^"\\]|\\.)*"|'(?:[^'\\]|\\.)*')
    |(?P<sign>\*\*|==|!=|<=|>=|[-+*/:~()\[\],=<>|])""",
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True)
class Token:
    """One token: its kind (name, quoted, number, text, sign, end), its value, and where it begins.

    `value` of a number is its digits, that of a text what stands between its quotation marks.
    """

    kind: str
    value: str
    place: int


@dataclass
class Reader:
    """A text cut into tokens, read from left to right.

    Parameters
    ----------
    text : str
    called : str
        "formula" or "filter", as messages say.
    example : str
        How one is written.
    """

    text: str
    called: str
    example: str
    problems: list[Problem] = field(default_factory=list)
    """Mistakes after which reading can go on; :meth:`settle` raises them."""

    def __post_init__(self) -> None:
        if not isinstance(self.text, str):
            got = type(self.text).__name__
            raise VibstudyError(f"the {self.called} is not text", got=got, repair=self.example)
        if len(self.text) > LONGEST:
            raise VibstudyError(
                f"the {self.called} has {len(self.text):,} letters; at most {LONGEST} are read",
                got=f"{self.text[:40]}...",
                repair="Shorten it: make a column of your own in the manifest for what it tells apart.",
            )
        self.tokens = self._cut()
        self.at = self.depth = 0

    def _cut(self) -> list[Token]:
        tokens: list[Token] = []
        place = 0
        while place < len(self.text):
            found = _TOKENS.match(self.text, place)
            if found is None:
                self.note(
                    place,
                    f"{_said(self.text[place])} may not stand here",
                    f"A column's name with other signs stands in backticks. {self.example}",
                )
                place += 1
                continue
            kind = str(found.lastgroup)
            value = found[kind]
            if kind == "text":
                value = re.sub(r"\\(.)", r"\1", value[1:-1], flags=re.DOTALL)
            if kind == "number" and not math.isfinite(float(value)):
                self.note(place, f"{value[:20]} is too large a number")
                value = "1"
            if kind == "quoted" and not value.strip():
                self.note(place, "no name stands between the backticks")
            if kind != "space":
                tokens.append(Token(kind, value, place))
            place = found.end()
        return [*tokens, Token("end", "", len(self.text))]

    @property
    def token(self) -> Token:
        """The token that comes next."""
        return self.tokens[self.at]

    def next_is(self, *signs: str) -> bool:
        """Whether one of `signs` comes next."""
        return self.token.kind == "sign" and self.token.value in signs

    def word_is(self, *words: str) -> bool:
        """Whether one of `words` comes next."""
        return self.token.kind == "name" and self.token.value in words

    def calls(self) -> bool:
        """Whether a name comes next with an opening bracket after it."""
        after = self.tokens[min(self.at + 1, len(self.tokens) - 1)]
        return self.token.kind == "name" and (after.kind, after.value) == ("sign", "(")

    def take(self) -> Token:
        """Take the next token."""
        token = self.token
        self.at = min(self.at + 1, len(self.tokens) - 1)
        return token

    def accept(self, *signs: str) -> bool:
        """Take the next token if it is one of `signs`."""
        if not self.next_is(*signs):
            return False
        self.take()
        return True

    def demand(self, sign: str) -> None:
        """Take `sign`, or raise."""
        if not self.accept(sign):
            raise self.refusal(f"{sign!r} is missing before {self._next()}")

    def open(self) -> None:
        """Take an opening bracket."""
        self.demand("(")
        self.depth += 1
        if self.depth > DEEPEST:
            raise self.refusal(f"brackets stand more than {DEEPEST} deep")

    def close(self) -> None:
        """Take the bracket that closes."""
        self.demand(")")
        self.depth -= 1

    def note(self, place: int, message: str, repair: str = "") -> None:
        """Keep a mistake after which reading can go on."""
        self.problems.append(self._problem(place, message, repair))

    def refusal(self, message: str = "", repair: str = "", place: int | None = None) -> VibstudyError:
        """What to raise where reading cannot go on: all mistakes so far, and this one."""
        message = message or f"{self._next()} may not stand here"
        place = self.token.place if place is None else place
        return VibstudyError([*self.problems, self._problem(place, message, repair)])

    def settle(self) -> None:
        """Raise the mistakes kept, if any."""
        raise_any(self.problems)

    def _problem(self, place: int, message: str, repair: str) -> Problem:
        where = "at its end" if place >= len(self.text.rstrip()) else f"at letter {place + 1}"
        return Problem(
            f"the {self.called} cannot be read {where}: {message}",
            got=self.text,
            repair=repair or self.example,
        )

    def _next(self) -> str:
        token = self.token
        if token.kind == "end":
            return f"the end of the {self.called}"
        return repr(token.value[:40])


def _said(letter: str) -> str:
    return (
        repr(letter) if letter.isprintable() else f"the letter {ascii(letter)[1:-1]}, which cannot be seen,"
    )


def number_text(value: float) -> str:
    """A number as it is written in a term's name: whole numbers without a decimal point."""
    return str(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(value)


def name_text(name: str) -> str:
    """A column's name as it is written in a formula or filter: in backticks where it is not a plain name."""
    plain = re.fullmatch(r"[^\W\d]\w*", name) and name not in ("and", "or", "not", "in", "True", "False")
    return name if plain else f"`{name}`"
