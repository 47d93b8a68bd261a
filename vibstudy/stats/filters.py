"""Choosing notes by a line of text, safely, with misspellings mended.

A filter compares columns with values: ``medium != 'acoustic_disc' and duration_s >= 0.5``. ::

    filter     = both { "or" both }
    both       = single { "and" single }
    single     = "not" single | "(" filter ")" | "missing(" column ")" | column | comparison
    comparison = operand sign operand { sign operand }        0.3 < duration_s <= 1
    operand    = column | number | text | "True" | "False" | "[" values "]"
    sign       = == | != | < | <= | > | >= | in | not in

A true/false column stands by itself: ``has_vibrato``. A list stands after ``in`` only. A note whose value is
missing satisfies no comparison. Tokens and limits are those of :mod:`vibstudy.stats.tokens`; nothing is
given to Python, and there is no arithmetic.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError, nearest
from vibstudy.stats.frames import check_columns, check_once
from vibstudy.stats.tokens import Reader, Token

_COMPARE: dict[str, Callable[[Any, Any], Any]] = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
_COMPARED = 5000
"""Values of a column among which a near spelling is looked for: more take a second."""

_EXAMPLE = "Write it like: medium != 'acoustic_disc' and duration_s >= 0.5"


@dataclass(frozen=True)
class _Column:
    name: str


@dataclass(frozen=True)
class _Value:
    value: Any


@dataclass(frozen=True)
class _Missing:
    column: _Column


@dataclass(frozen=True)
class _Not:
    part: _Part


@dataclass(frozen=True)
class _Joined:
    word: str
    parts: tuple[_Part, ...]


@dataclass(frozen=True)
class _Comparison:
    """Operands with the signs between them: one sign fewer."""

    operands: tuple[_Column | _Value, ...]
    signs: tuple[str, ...]


_Part = _Column | _Missing | _Not | _Joined | _Comparison


def select(notes: pd.DataFrame, text: str) -> np.ndarray:
    """Return which notes satisfy a filter, boolean [shape=(notes,)].

    Raises
    ------
    VibstudyError
        When the filter cannot be read, or names an unknown column or level (the nearest is named).
    """
    reader = _FilterReader(text, "filter", _EXAMPLE)
    part = reader.filter()
    check_once(notes)
    check_columns(notes, reader.columns, f"filter {text!r}")
    return _Chooser(notes, text).choose(part).fillna(False).to_numpy(dtype=bool)


def check_filter(text: str) -> None:
    """Raise for a filter that cannot be read, whatever the columns are."""
    _FilterReader(text, "filter", _EXAMPLE).filter()


class _FilterReader(Reader):
    """Reads one filter; each method takes one rule of the grammar."""

    def filter(self) -> _Part:
        self.columns: list[str] = []
        part = self._either()
        if self.token.kind != "end":
            raise self.refusal()
        self.settle()
        return part

    def _either(self) -> _Part:
        parts = [self._both()]
        while self.word_is("or"):
            self.take()
            parts.append(self._both())
        return parts[0] if len(parts) == 1 else _Joined("or", tuple(parts))

    def _both(self) -> _Part:
        parts = [self._single()]
        while self.word_is("and"):
            self.take()
            parts.append(self._single())
        return parts[0] if len(parts) == 1 else _Joined("and", tuple(parts))

    def _single(self) -> _Part:
        opposite = False
        while self.word_is("not"):
            self.take()
            opposite = not opposite
        part = self._plain()
        return _Not(part) if opposite else part

    def _plain(self) -> _Part:
        if self.next_is("("):
            self.open()
            part = self._either()
            self.close()
            return part
        if self.calls() and self.word_is("missing"):
            self.take()
            self.open()
            column = self._column()
            self.close()
            return _Missing(column)
        begin = self.token
        operands, signs = [self._operand()], []
        while (sign := self._sign()) is not None:
            in_list = sign in ("in", "not in")
            if in_list and not isinstance(operands[-1], _Column):
                raise self.refusal("only a column stands before 'in'", place=begin.place)
            operands.append(self._list() if in_list else self._operand())
            signs.append(sign)
            self._check_pair(operands[-2], operands[-1], begin)
        if signs:
            return _Comparison(tuple(operands), tuple(signs))
        if isinstance(operands[0], _Column):
            return operands[0]
        raise self.refusal("a value is compared with nothing", place=begin.place)

    def _check_pair(self, left: _Column | _Value, right: _Column | _Value, begin: Token) -> None:
        if isinstance(left, _Column) == isinstance(right, _Column):
            what = "two columns" if isinstance(left, _Column) else "two values"
            raise self.refusal(f"{what} are compared: a column is compared with a value", place=begin.place)

    def _sign(self) -> str | None:
        if self.next_is(*_COMPARE):
            return self.take().value
        if self.word_is("in"):
            self.take()
            return "in"
        if self.word_is("not"):
            self.take()
            if not self.word_is("in"):
                raise self.refusal()
            self.take()
            return "not in"
        if self.next_is("="):
            raise self.refusal("a single '=' compares nothing", "Write ==.")
        return None

    def _operand(self) -> _Column | _Value:
        if self.word_is("True", "False") or self.token.kind in ("text", "number") or self.next_is("-", "+"):
            return _Value(self._value())
        return self._column()

    def _column(self) -> _Column:
        if self.token.kind not in ("name", "quoted") or self.word_is("and", "or", "not", "in"):
            raise self.refusal()
        column = _Column(self.take().value)
        self.columns.append(column.name)
        return column

    def _value(self) -> bool | int | float | str:
        if self.word_is("True", "False"):
            return self.take().value == "True"
        less = False
        while self.next_is("-", "+"):
            less ^= self.take().value == "-"
            if self.token.kind != "number":
                raise self.refusal()
        token = self.token
        if token.kind == "text":
            return self.take().value
        if token.kind != "number":
            raise self.refusal()
        self.take()
        whole = token.value.isdigit() and len(token.value) <= 15  # exact as a float, too
        number: int | float = int(token.value) if whole else float(token.value)
        return -number if less else number

    def _list(self) -> _Value:
        closing = {"[": "]", "(": ")"}.get(self.token.value if self.token.kind == "sign" else "")
        if closing is None:
            raise self.refusal("a list is missing after 'in'", "As in: medium in ['tape_lp', 'digital']")
        self.take()
        values = []
        while not self.next_is(closing):
            values.append(self._value())
            if not self.accept(","):
                break
        self.demand(closing)
        return _Value(values)


class _Chooser:
    """Chooses notes; every value is a nullable boolean series, so that missing stays missing."""

    def __init__(self, notes: pd.DataFrame, text: str):
        self.notes, self.text = notes, text
        self._levels: dict[str, list[str]] = {}

    def choose(self, part: _Part) -> pd.Series:
        if isinstance(part, _Joined):
            out = self.choose(part.parts[0])
            for other in part.parts[1:]:
                out = out & self.choose(other) if part.word == "and" else out | self.choose(other)
            return out
        if isinstance(part, _Not):
            return ~self.choose(part.part)
        if isinstance(part, _Missing):
            return self.notes[part.column.name].isna().astype("boolean")
        if isinstance(part, _Column):
            return self._truth(part.name)
        pairs = zip(part.operands[:-1], part.signs, part.operands[1:], strict=True)
        out = pd.Series(True, index=self.notes.index, dtype="boolean")
        for left, sign, right in pairs:
            out = out & self._one(left, sign, right)
        return out

    def _truth(self, name: str) -> pd.Series:
        try:
            return self.notes[name].astype("boolean")
        except (TypeError, ValueError):
            raise VibstudyError(
                "is not true or false by itself", column=name, got=self.text, repair=_EXAMPLE
            ) from None

    def _one(self, left: _Column | _Value, sign: str, right: _Column | _Value) -> pd.Series:
        flip = isinstance(right, _Column)
        column_part, value_part = (right, left) if flip else (left, right)
        assert isinstance(column_part, _Column)
        assert isinstance(value_part, _Value)
        name, value = column_part.name, value_part.value
        column = self.notes[name]
        if sign in ("in", "not in"):
            for item in value:
                self._check_level(name, column, item)
            found = column.isin(self._like(column, value)).astype("boolean").mask(column.isna())
            return ~found if sign == "not in" else found
        if sign in ("==", "!="):
            self._check_level(name, column, value)
        (compared,) = self._like(column, [value])
        compare = _COMPARE[sign]
        try:
            result = compare(compared, column) if flip else compare(column, compared)
        except TypeError:
            raise VibstudyError("cannot be compared with this value", column=name, got=str(value)) from None
        return result.astype("boolean").mask(column.isna())

    def _like(self, column: pd.Series, values: list[Any]) -> list[Any]:
        """Values as the column holds them: text for a text column."""
        numeric = pd.api.types.is_numeric_dtype(column.dtype)
        return values if numeric or any(isinstance(v, bool) for v in values) else [str(v) for v in values]

    def _check_level(self, name: str, column: pd.Series, value: Any) -> None:
        """Refuse a text that no note has, naming the nearest one that some do."""
        if not isinstance(value, str):
            return
        if name not in self._levels:
            self._levels[name] = sorted(column.dropna().astype(str).unique())
        levels = self._levels[name]
        if value in levels:
            return
        near = nearest(value, levels) if len(levels) <= _COMPARED else ""
        raise VibstudyError(
            "no note has this value",
            column=name,
            got=value,
            repair=near or f"The values are: {', '.join(levels[:20])}.",
        )
