"""Choosing notes by a line of text, safely, with misspellings mended.

A filter compares columns with values: ``medium != 'acoustic_disc' and duration_s >= 0.5``.

* ``== != < <= > >=``, ``in [..]``, ``not in [..]``, ``and``, ``or``, ``not``, brackets;
* ``missing(column)`` and ``not missing(column)``;
* a true/false column stands by itself: ``has_vibrato``.

A note whose value is missing satisfies no comparison. Nothing else of Python is understood: no
arithmetic, no calls, no access to files.
"""

from __future__ import annotations

import ast
import operator
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import Problem, VibstudyError, nearest

_COMPARE: dict[type[ast.cmpop], Callable[[Any, Any], Any]] = {
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
}
_EXAMPLE = "Write it like: medium != 'acoustic_disc' and duration_s >= 0.5"


def select(notes: pd.DataFrame, text: str) -> np.ndarray:
    """Return which notes satisfy a filter, boolean [shape=(notes,)].

    Raises
    ------
    VibstudyError
        When the filter cannot be read, or names an unknown column or level (the nearest is named).
    """
    try:
        tree = ast.parse(text.strip(), mode="eval")
    except SyntaxError:
        raise VibstudyError(Problem("the filter cannot be read", got=text, repair=_EXAMPLE)) from None
    result = _Reader(notes, text).read(tree.body)
    return result.fillna(False).to_numpy(dtype=bool)


class _Reader:
    """Reads one filter; every value is a nullable boolean series, so that missing stays missing."""

    def __init__(self, notes: pd.DataFrame, text: str):
        self.notes, self.text = notes, text

    def read(self, node: ast.expr) -> pd.Series:
        if isinstance(node, ast.BoolOp):
            parts = [self.read(value) for value in node.values]
            out = parts[0]
            for part in parts[1:]:
                out = out & part if isinstance(node.op, ast.And) else out | part
            return out
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            return ~self.read(node.operand)
        if isinstance(node, ast.Compare):
            return self._comparison(node)
        if isinstance(node, ast.Call):
            return self._missing(node)
        if isinstance(node, ast.Name):
            return self._truth(node.id)
        raise self._refuse(node)

    def _refuse(self, node: ast.AST) -> VibstudyError:
        part = ast.get_source_segment(self.text.strip(), node) or self.text
        return VibstudyError(Problem("the filter cannot be read here", got=part, repair=_EXAMPLE))

    def _column(self, node: ast.expr) -> pd.Series:
        if not isinstance(node, ast.Name):
            raise self._refuse(node)
        if node.id not in self.notes:
            columns = [str(name) for name in self.notes]
            raise VibstudyError(
                Problem(
                    f"no such column in the note table (filter {self.text!r})",
                    column=node.id,
                    repair=nearest(node.id, columns) or "The columns are: " + ", ".join(columns) + ".",
                )
            )
        return self.notes[node.id]

    def _truth(self, name: str) -> pd.Series:
        column = self._column(ast.Name(name))
        try:
            return column.astype("boolean")
        except (TypeError, ValueError):
            raise VibstudyError(
                Problem("is not true or false by itself", column=name, got=self.text, repair=_EXAMPLE)
            ) from None

    def _missing(self, node: ast.Call) -> pd.Series:
        known = isinstance(node.func, ast.Name) and node.func.id == "missing" and len(node.args) == 1
        if not known or node.keywords:
            raise self._refuse(node)
        return self._column(node.args[0]).isna().astype("boolean")

    def _comparison(self, node: ast.Compare) -> pd.Series:
        terms = [node.left, *node.comparators]
        out: pd.Series | None = None
        for left, op, right in zip(terms[:-1], node.ops, terms[1:], strict=True):
            part = self._one(left, op, right, node)
            out = part if out is None else out & part
        assert out is not None
        return out

    def _one(self, left: ast.expr, op: ast.cmpop, right: ast.expr, node: ast.Compare) -> pd.Series:
        flip = isinstance(right, ast.Name) and not isinstance(left, ast.Name)
        name, other = (right, left) if flip else (left, right)
        column, value = self._column(name), self._value(other)
        assert isinstance(name, ast.Name)
        if isinstance(op, ast.In | ast.NotIn):
            if not isinstance(value, list) or flip:
                raise self._refuse(node)
            for item in value:
                self._check_level(name.id, column, item)
            found = column.isin(self._like(column, value)).astype("boolean").mask(column.isna())
            return ~found if isinstance(op, ast.NotIn) else found
        if type(op) not in _COMPARE or isinstance(value, list):
            raise self._refuse(node)
        if isinstance(op, ast.Eq | ast.NotEq):
            self._check_level(name.id, column, value)
        (compared,) = self._like(column, [value])
        try:
            with_order = _COMPARE[type(op)]
            result = with_order(compared, column) if flip else with_order(column, compared)
        except TypeError:
            raise VibstudyError(
                Problem("cannot be compared with this value", column=name.id, got=str(value))
            ) from None
        return result.astype("boolean").mask(column.isna())

    def _value(self, node: ast.expr) -> Any:
        if isinstance(node, ast.List | ast.Tuple | ast.Set):
            return [self._value(item) for item in node.elts]
        try:
            value = ast.literal_eval(node)
        except ValueError:
            raise self._refuse(node) from None
        if isinstance(value, bool | int | float | str):
            return value
        raise self._refuse(node)

    def _like(self, column: pd.Series, values: list[Any]) -> list[Any]:
        """Values as the column holds them: text for a text column."""
        numeric = pd.api.types.is_numeric_dtype(column.dtype)
        return values if numeric or any(isinstance(v, bool) for v in values) else [str(v) for v in values]

    def _check_level(self, name: str, column: pd.Series, value: Any) -> None:
        """Refuse a text that no note has, naming the nearest one that some do."""
        if not isinstance(value, str):
            return
        levels = sorted(column.dropna().astype(str).unique())
        if value in levels:
            return
        raise VibstudyError(
            Problem(
                "no note has this value",
                column=name,
                got=value,
                repair=nearest(value, levels) or f"The values are: {', '.join(levels[:20])}.",
            )
        )
