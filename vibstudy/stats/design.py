"""From a formula as read, and notes, to the columns of a design.

Coding
------
A factor is coded against its first level (or the one that ``Treatment`` names): a column
``region[T.B]`` for every other level. Where the terms before do not hold what the dropped level would add
(no intercept, or an interaction without its parts), all levels get a column, ``region[B]``. The rule is
that of S, R and patsy: every term adds just what the terms before it do not span, so that a formula never
makes columns that depend on each other whatever the notes are. In an interaction the levels of its
first factor change fastest. Columns of ``poly`` and ``bs`` are numbered from 1.

``center``, ``scale``, ``poly`` and ``bs`` remember the notes they were made from, so that the same design
can be built for other settings (:meth:`Design.matrix`). ``poly`` is orthonormal over the notes; ``bs`` has
cubic pieces between equally spaced quantiles, and goes on beyond the notes as its last piece does.

References
----------
Chambers & Hastie 1992, Statistical Models in S, ch. 2 (coding); Kennedy & Gentle 1980, Statistical
Computing, pp. 343-344 (recurrence of orthogonal polynomials); de Boor 2001, A Practical Guide to Splines,
ch. 9.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import Problem, VibstudyError, raise_any, unknown
from vibstudy.stats.formula import (
    Curve,
    Factor,
    Formula,
    Function,
    Levels,
    Name,
    Node,
    Number,
    Term,
    columns_of,
    term_text,
)
from vibstudy.stats.tokens import number_text

COLUMNS = 200
"""Most columns of a design, which would need as many players to be judged."""

_ELEMENTWISE: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "log": np.log,
    "log2": np.log2,
    "log10": np.log10,
    "exp": np.exp,
    "sqrt": np.sqrt,
    "abs": np.abs,
    "I": lambda values: values,
}


_Part = tuple[tuple[Factor, bool], ...]
"""Factors multiplied with each other, and whether each is without its reference level."""


@dataclass(eq=False)
class Design:
    """The fixed part of a model, as it was made from some notes.

    Parameters
    ----------
    formula : Formula
    levels : dict
        Levels of every column that enters as a factor, in order.
    names : tuple of str
        Names of the columns.
    term_indices : dict
        Columns of each term, by the term's text; "1" is the intercept.
    """

    formula: Formula
    levels: dict[str, list[Any]] = field(default_factory=dict)
    names: tuple[str, ...] = ()
    term_indices: dict[str, list[int]] = field(default_factory=dict)
    _parts: list[_Part] = field(default_factory=list, repr=False)
    _state: dict[str, Any] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, formula: Formula, frame: pd.DataFrame) -> tuple[Design, np.ndarray, np.ndarray]:
        """The design, the outcome [shape=(n,)] and the matrix [shape=(n, names)].

        Parameters
        ----------
        formula : Formula
        frame : DataFrame
            Complete notes of plain types (:func:`vibstudy.stats.frames.plain`).

        Raises
        ------
        VibstudyError
            When a text is taken for a number, a level is unknown, or there would be too many columns.
        """
        design = cls(formula)
        factors = list(dict.fromkeys(factor for term in formula.terms for factor in term))
        problems = _texts_as_numbers([formula.outcome, *factors], frame)
        raise_any(problems)
        for factor in factors:
            design._settle(factor, frame)
        design._lay_out(formula.terms)
        with np.errstate(all="ignore"):  # what is not finite is told by name where the design is used
            y = design._number(formula.outcome, frame)
            return design, y, design.matrix(frame)

    @property
    def columns(self) -> set[str]:
        """Columns of the table on the right side."""
        return {name for term in self.formula.terms for factor in term for name in columns_of(factor)}

    def matrix(self, frame: pd.DataFrame) -> np.ndarray:
        """The design [shape=(n, names)] for other rows that hold the same columns."""
        with np.errstate(all="ignore"):
            coded = {
                (factor, reduced): self._coded(factor, reduced, frame)
                for factor, reduced in dict.fromkeys(itertools.chain(*self._parts))
            }
            out = np.empty((len(frame), len(self.names)))
            at = 0
            for part in self._parts:
                columns = np.ones((len(frame), 1))
                for key in part:  # the first factor's columns change fastest
                    product = coded[key][:, :, None] * columns[:, None, :]
                    columns = product.reshape(len(frame), -1)
                out[:, at : at + columns.shape[1]] = columns
                at += columns.shape[1]
        return out

    # -- what is remembered of the notes

    def _settle(self, factor: Factor, frame: pd.DataFrame) -> None:
        if isinstance(factor, Levels) or (isinstance(factor, Name) and _is_factor(frame[factor.column])):
            levels = self.levels.setdefault(factor.column, _levels(frame[factor.column]))
            if isinstance(factor, Levels) and factor.reference is not None:
                self._state[str(factor)] = _place_of(factor, levels)
        elif isinstance(factor, Curve) and factor.kind == "poly":
            self._remember_different(factor, frame)
        elif isinstance(factor, Curve):
            values = self._number(factor.inner, frame)
            inner = np.quantile(values, np.linspace(0, 1, factor.size - 1))
            self._state[str(factor)] = np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3])
            self._remember_different(factor, frame)

    def _remember_different(self, factor: Curve, frame: pd.DataFrame) -> None:
        different = len(np.unique(self._number(factor.inner, frame)))
        if different <= factor.size:
            raise VibstudyError(
                f"{factor.inner} has only {different} different values among the notes used",
                got=str(factor),
                repair=f"Its size can be {different - 1} at most; or use a line." if different > 1 else "",
            )

    def _lay_out(self, terms: Sequence[Term]) -> None:
        """Which levels each term needs so that the columns are independent, and what they are called."""
        spanned: set[frozenset[Any]] = set()
        names: list[str] = []
        for term in terms:
            choices = [((f, True), None) if self._spans(f) else ((f, False),) for f in term]
            span = [tuple(p for p in picked if p is not None) for picked in itertools.product(*choices)]
            new = [part for part in span if frozenset(part) not in spanned]
            spanned.update(map(frozenset, new))
            begin = len(names)
            for part in _merged(new):
                labels = [""]
                size = int(np.prod([self._size(*key) for key in part], dtype=float))
                if len(names) + size > COLUMNS:
                    raise VibstudyError(
                        f"the design would have more than {COLUMNS} columns",
                        got=term_text(term),
                        repair="Leave out the term, or let a column with fewer levels take its place; a "
                        "factor with many levels is named with crossed=.",
                    )
                for key in part:
                    labels = [f"{a}:{b}" if a else b for b in self._labels(*key) for a in labels]
                names += labels if part else ["Intercept"]
                self._parts.append(part)
            self.term_indices[term_text(term)] = list(range(begin, len(names)))
        self.names = tuple(names)

    def _spans(self, factor: Factor) -> bool:
        """Whether the columns of a factor, all of its levels taken, hold the intercept."""
        return isinstance(factor, Levels) or (isinstance(factor, Name) and factor.column in self.levels)

    def _size(self, factor: Factor, reduced: bool) -> int:
        if self._spans(factor):
            return len(self.levels[_column(factor)]) - reduced
        return factor.size if isinstance(factor, Curve) else 1

    def _labels(self, factor: Factor, reduced: bool) -> list[str]:
        if self._spans(factor):
            levels = list(self.levels[_column(factor)])
            if reduced:
                del levels[self._state.get(str(factor), 0)]
            return [f"{factor}[{'T.' if reduced else ''}{level_text(level)}]" for level in levels]
        if isinstance(factor, Curve):
            return [f"{factor}[{k}]" for k in range(1, factor.size + 1)]
        return [str(factor)]

    # -- values

    def _coded(self, factor: Factor, reduced: bool, frame: pd.DataFrame) -> np.ndarray:
        if self._spans(factor):
            column = _column(factor)
            places = {level: k for k, level in enumerate(self.levels[column])}
            codes = np.array([places[value] for value in frame[column].tolist()], int)
            coded = (codes[:, None] == np.arange(len(places))).astype(float)
            return np.delete(coded, self._state.get(str(factor), 0), axis=1) if reduced else coded
        if isinstance(factor, Curve):
            values = self._number(factor.inner, frame)
            return self._polynomial(factor, values) if factor.kind == "poly" else self._spline(factor, values)
        assert not isinstance(factor, Levels)
        return self._number(factor, frame)[:, None]

    def _number(self, node: Node, frame: pd.DataFrame) -> np.ndarray:
        if isinstance(node, Number):
            return np.full(len(frame), node.value)
        if isinstance(node, Name):
            return frame[node.column].to_numpy(dtype=float)
        if isinstance(node, Function):
            values = self._number(node.inner, frame)
            if node.name in _ELEMENTWISE:
                return _ELEMENTWISE[node.name](values)
            centre, spread = self._kept(str(node), lambda: (values.mean(), values.std(ddof=1)))
            return (values - centre) / (spread if node.name == "scale" else 1.0)
        left, right = self._number(node.left, frame), self._number(node.right, frame)
        joined = {"+": np.add, "-": np.subtract, "*": np.multiply, "/": np.divide, "**": np.power}
        return joined[node.sign](left, right)

    def _kept(self, key: str, made: Callable[[], Any]) -> Any:
        if key not in self._state:
            self._state[key] = made()
        return self._state[key]

    def _polynomial(self, factor: Curve, values: np.ndarray) -> np.ndarray:
        """Orthonormal polynomials by their three-term recurrence, its numbers taken from the notes."""
        steps: list[tuple[float, float]] = self._kept(str(factor), list)
        fresh = not steps
        before, now = np.zeros_like(values), np.ones_like(values)
        columns, last = [], 1.0
        for k in range(factor.size + 1):
            if fresh:
                norm = float(now @ now)
                steps.append((float(values @ now**2) / norm, norm))
            middle, norm = steps[k]
            columns.append(now / np.sqrt(norm))
            before, now = now, (values - middle) * now - (norm / last if k else 0.0) * before
            last = norm
        return np.column_stack(columns[1:])

    def _spline(self, factor: Curve, values: np.ndarray) -> np.ndarray:
        from scipy.interpolate import BSpline

        knots = self._state[str(factor)]
        return BSpline.design_matrix(values, knots, 3, extrapolate=True).toarray()[:, 1:]  # cubic


def _merged(parts: Sequence[_Part]) -> list[_Part]:
    """Join a term's parts: *others* and *others by the reduced factor* are *others by all of its levels*."""
    kept: list[_Part] = []
    for part in sorted(parts, key=len):
        for other in kept:
            added = [key for key in part if key not in other]
            if len(other) == len(part) - 1 and len(added) == 1 and added[0][1]:
                full = tuple((key[0], False) if key == added[0] else key for key in part)
                kept = _merged([*(known for known in kept if known is not other), full])
                break
        else:
            kept.append(part)
    return kept


def _column(factor: Factor) -> str:
    assert isinstance(factor, Name | Levels)
    return factor.column


def _is_factor(values: pd.Series) -> bool:
    return isinstance(values.dtype, pd.CategoricalDtype)


def _levels(values: pd.Series) -> list[Any]:
    if _is_factor(values):
        return values.cat.remove_unused_categories().cat.categories.tolist()
    return np.unique(values.to_numpy()).tolist()


def level_text(level: Any) -> str:
    """A level as it stands in a term's name."""
    return number_text(level) if isinstance(level, float) else str(level)


def _place_of(factor: Levels, levels: Sequence[Any]) -> int:
    wanted = factor.reference
    said = wanted if isinstance(wanted, str) else level_text(wanted)
    for k, level in enumerate(levels):
        if level == wanted or level_text(level) == said:
            return k
    texts = [level_text(level) for level in levels]
    message = "no such level among the notes used"
    raise VibstudyError(unknown(message, said, texts, "The levels are", 20, column=factor.column))


def _texts_as_numbers(parts: Sequence[Factor], frame: pd.DataFrame) -> list[Problem]:
    """Problems for texts inside functions of numbers."""
    inside = [part.inner for part in parts if isinstance(part, Function | Curve)]
    names = dict.fromkeys(name for node in inside for name in columns_of(node))
    return [
        Problem(
            "a function of numbers is applied to a text",
            column=name,
            got=str(frame[name].iloc[0]),
            repair=f"Leave the function out: {name} alone is a factor.",
        )
        for name in names
        if _is_factor(frame[name])
    ]
