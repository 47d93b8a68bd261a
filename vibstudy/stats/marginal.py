"""Marginal means and contrasts of a fitted model.

A marginal mean of a factor is the model's mean at each of its levels, the other factors averaged
with equal weight over their levels and the numbers held at their mean over the notes used (the
convention of emmeans). The slope of a number is per one unit, averaged the same way. A mean or contrast
that the notes cannot estimate (an empty cell) is missing, never a guess.

References
----------
Searle, Speed & Milliken 1980, Am. Stat. 34(4):216-221 (population marginal means).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import Problem, VibstudyError, nearest, raise_any, unknown
from vibstudy.stats.frames import Prepared


@dataclass(frozen=True, eq=False)
class Grid:
    """Settings of the model's columns at which means are taken."""

    prepared: Prepared

    def check_variables(self, names: Sequence[str]) -> None:
        """Raise for names that are not in the formula."""
        known = [*self.prepared.factors, *self.prepared.covariates]
        problems = [
            Problem(
                "is not in the formula",
                column=str(name),
                repair=nearest(str(name), known) or f"The formula has: {', '.join(known)}.",
            )
            for name in names
            if name not in known
        ]
        raise_any(problems)

    def level(self, name: str, value: Any) -> Any:
        """Return the level of a factor that `value` names, or raise with the nearest one."""
        levels = self.prepared.factors[name]
        for level in levels:
            if level == value or str(level) == str(value):
                return level
        message = "no such level among the notes used"
        raise VibstudyError(unknown(message, value, levels, "The levels are", column=name))

    def row(self, settings: Mapping[str, Any]) -> np.ndarray:
        """Design row [shape=(names,)] at `settings`, averaged over all other factors."""
        p = self.prepared
        self.check_variables(list(settings))
        choices: dict[str, list[Any]] = {}
        for name, levels in p.factors.items():
            choices[name] = [self.level(name, settings[name])] if name in settings else levels
        for name in p.covariates:
            value = settings.get(name)
            choices[name] = [float(p.frame[name].mean()) if value is None else float(value)]
        return self._design(choices).mean(axis=0)

    def _design(self, choices: Mapping[str, list[Any]]) -> np.ndarray:
        if not choices:
            return np.ones((1, len(self.prepared.names)))
        rows = pd.DataFrame(list(itertools.product(*choices.values())), columns=list(choices))
        for name in choices:
            dtype = self.prepared.frame[name].dtype
            if isinstance(dtype, pd.CategoricalDtype):
                rows[name] = pd.Categorical(rows[name], categories=dtype.categories)
        return self.prepared.spec.matrix(rows)

    def slope(self, name: str, settings: Mapping[str, Any]) -> np.ndarray:
        """Design row of the change in the mean for one unit of the number `name` at its mean."""
        centre = float(self.prepared.frame[name].mean())
        step = 1e-4 * max(abs(centre), float(self.prepared.frame[name].std()), 1e-8)
        up, down = (self.row({**settings, name: centre + s * step}) for s in (1, -1))
        return (up - down) / (2 * step)

    def combinations(self, names: Sequence[str]) -> list[dict[str, Any]]:
        """Every combination of levels of the factors `names`; [{}] when there are none."""
        self.check_variables(names)
        numbers = [name for name in names if name not in self.prepared.factors]
        if numbers:
            raise VibstudyError(
                "is a number in the formula, not a factor",
                column=numbers[0],
                repair=f"Write C({numbers[0]}) in the formula to compare its values.",
            )
        levels = [self.prepared.factors[name] for name in names]
        return [dict(zip(names, combination, strict=True)) for combination in itertools.product(*levels)]

    def reduce(self, row: np.ndarray) -> np.ndarray | None:
        """The row over the estimable columns, or None when these notes cannot estimate it."""
        p = self.prepared
        kept = list(p.kept)
        lost = [k for k in range(len(p.names)) if k not in p.kept]
        if lost:
            basis = p.x[:, kept]
            mixing, *_ = np.linalg.lstsq(basis, p.x[:, lost], rcond=None)
            if not np.allclose(row[kept] @ mixing, row[lost], atol=1e-6 * max(1.0, np.abs(row).max())):
                return None
        return row[kept]
