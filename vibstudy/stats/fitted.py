"""What every fitted model can show: terms, marginal means, contrasts, equivalence.

A model with few players is read through Student's t, never Wald's z: each linear combination of the
fixed effects has its own degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special, stats

from vibstudy.errors import VibstudyError, unknown
from vibstudy.schema import NOTE_COLUMNS
from vibstudy.stats.frames import Prepared
from vibstudy.stats.marginal import Grid
from vibstudy.stats.multiple import Equivalence, holm, tost
from vibstudy.stats.smallsample import Inference
from vibstudy.threads import one_thread

if TYPE_CHECKING:
    from vibstudy.stats.diagnosis import Diagnosis

LOGARITHMS = {"log": math.e, "log2": 2.0, "log10": 10.0}
"""Logarithms of an outcome that are undone when results are shown, by the name in the formula."""


def unit_of(column: str) -> str:
    """Unit of a column of the note table as it stands after a difference: "Hz", "cents"; "" when unknown."""
    return next((c.unit for c in NOTE_COLUMNS if c.name == column), "").removeprefix("± ")


@dataclass(frozen=True)
class Scale:
    """The scale a model works on, and the way back to the reader's.

    Parameters
    ----------
    kind : {"identity", "log", "logit"}
    base : float
        Base of the logarithm.
    """

    kind: str = "identity"
    base: float = math.e

    @classmethod
    def of(cls, outcome: str) -> Scale:
        """Scale of the left side of a formula."""
        name, bracket, _ = outcome.partition("(")
        known = LOGARITHMS.get(name.strip()) if bracket else None
        return cls() if known is None else cls("log", known)

    @property
    def changed(self) -> bool:
        """Whether results need a way back."""
        return self.kind != "identity"

    def value(self, mean: pd.Series) -> np.ndarray:
        """A mean on the reader's scale: a geometric mean, or a probability."""
        return special.expit(mean.to_numpy(float)) if self.kind == "logit" else self.ratio(mean)

    def ratio(self, difference: pd.Series) -> np.ndarray:
        """A difference on the reader's scale: a ratio of values, or of odds."""
        with np.errstate(over="ignore"):  # an unbounded interval stays unbounded
            return self.base ** difference.to_numpy(float)

    def shown(self, differences: Sequence[float] | pd.Series) -> list[float]:
        """Differences as they are told: per cent where the scale is logarithmic."""
        values = pd.Series(list(differences), dtype=float)
        return [float(v) for v in (100 * (self.ratio(values) - 1) if self.changed else values)]

    def unit(self, column: str) -> str:
        """Unit of a difference of a column as it is told."""
        if not self.changed:
            return unit_of(column)
        return "% of the odds" if self.kind == "logit" else "%"

    def margin(self, margin: float) -> float:
        """A margin given on the reader's scale (a ratio above 1) as a difference on the model's."""
        if not self.changed:
            return margin
        if not margin > 1:
            raise VibstudyError(
                "the margin of a logarithmic outcome is a ratio above 1",
                column="margin",
                got=str(margin),
                repair="1.1 stands for ten per cent.",
            )
        return float(np.log(margin) / np.log(self.base))


class FittedModel:
    """A fitted model of the note table.

    Attributes
    ----------
    prepared : Prepared
        Notes, design and random terms used.
    """

    prepared: Prepared
    scale: Scale

    @property
    def beta(self) -> np.ndarray:
        """Fixed effects [shape=(p,)]."""
        raise NotImplementedError

    @property
    def inference(self) -> Inference:
        """Covariance and degrees of freedom of the fixed effects."""
        raise NotImplementedError

    @property
    def converged(self) -> bool:
        """Whether the optimum was reached."""
        raise NotImplementedError

    @property
    def relative_factors(self) -> tuple[np.ndarray, ...]:
        """Covariance factor of each random term, in units of the residual deviation."""
        raise NotImplementedError

    def level_words(self, term: str) -> str:
        """Return "B against A" of the term ``factor[T.B]``; "" for other terms."""
        factor, bracket, level = term.partition("[T.")
        levels = self.prepared.factors.get(factor)
        if not bracket or ":" in term or not levels:
            return ""
        return f"{level.removesuffix(']')} against {levels[0]}"

    def term_words(self, term: str) -> str:
        """Return what a term compares, as a sentence says it; terms of several columns keep their name."""
        if levels := self.level_words(term):
            return f"{term.partition('[T.')[0]} {levels}"
        return f"the change per unit of {term}" if term in self.prepared.covariates else term

    def diagnose(self) -> Diagnosis:
        """One verdict in words."""
        raise NotImplementedError

    @property
    def formula(self) -> str:
        """The formula as written."""
        return self.prepared.formula

    @property
    def dropped(self) -> pd.DataFrame:
        """Notes left out for missing values, by column and by decade, region and player."""
        return self.prepared.dropped

    @property
    def remarks(self) -> tuple[str, ...]:
        """What was done to the model on the way, in sentences."""
        return self.prepared.remarks

    @property
    def n(self) -> dict[str, int]:
        """Number of notes and of levels of each random factor."""
        return {"notes": len(self.prepared.y), **{t.group: len(t.levels) for t in self.prepared.terms}}

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the estimated terms."""
        return tuple(self.prepared.names[k] for k in self.prepared.kept)

    # -- tables -------------------------------------------------------------------------------

    def table(self, level: float = 0.95) -> pd.DataFrame:
        """Fixed effects.

        Returns
        -------
        DataFrame
            Indexed by term: ``estimate, se, df, t, p, low, high`` (interval of `level`).
        """
        rows = list(np.eye(len(self.names)))
        return self.infer(rows, pd.Index(self.names, name="term"), level)

    def means(self, variable: str, by: Sequence[str] = (), level: float = 0.95) -> pd.DataFrame:
        """Marginal means of a factor (see :mod:`vibstudy.stats.marginal`).

        Parameters
        ----------
        variable : str
            A factor of the formula.
        by : sequence of str
            Further factors, whose levels are kept apart.
        level : float
            Confidence level.

        Returns
        -------
        DataFrame
            Columns of the factors, ``mean, se, df, low, high``. With a logarithmic outcome also
            ``typical, typical_low, typical_high``, back on the outcome's own scale (a geometric mean);
            with a presence model these are probabilities.
        """
        grid = Grid(self.prepared)
        settings = grid.combinations([*_listed(by), variable])
        frame = self.infer([grid.reduce(grid.row(s)) for s in settings], None, level)
        frame = frame.drop(columns=["t", "p"]).rename(columns={"estimate": "mean"})
        if self.scale.changed:
            for new, old in (("typical", "mean"), ("typical_low", "low"), ("typical_high", "high")):
                frame[new] = self.scale.value(frame[old])
        return pd.concat([pd.DataFrame(settings), frame], axis=1)

    def contrasts(
        self, variable: str | None = None, by: Sequence[str] = (), level: float = 0.95
    ) -> pd.DataFrame:
        """Pairwise contrasts of a factor's marginal means, or slopes of a number.

        Parameters
        ----------
        variable : str | None
            A column of the formula; None takes all of them.
        by : sequence of str
            Factors whose levels are kept apart.
        level : float
            Confidence level of the intervals (each by itself).

        Returns
        -------
        DataFrame
            Indexed by contrast ("period: 1970 - 1950", later or further level first; "slope of
            decade"): ``estimate, se, df, t, p, p_holm, low, high``; Holm counts all rows. With a
            logarithmic outcome also ``ratio, ratio_low, ratio_high``; with a presence model these
            are ratios of odds.
        """
        grid = Grid(self.prepared)
        variables = (
            [variable] if variable is not None else [*self.prepared.factors, *self.prepared.covariates]
        )
        grid.check_variables(variables)
        rows: list[np.ndarray | None] = []
        labels: list[str] = []
        for name in variables:
            for setting in grid.combinations([b for b in _listed(by) if b != name]):
                place = "".join(f", {k} {v}" for k, v in setting.items())
                for label, row in self._comparisons(grid, name, setting):
                    labels.append(label + place)
                    rows.append(grid.reduce(row))
        return self._contrast_frame(rows, labels, level)

    def _comparisons(self, grid: Grid, name: str, setting: Mapping[str, Any]) -> list[tuple[str, np.ndarray]]:
        if name not in self.prepared.factors:
            return [(f"slope of {name}", grid.slope(name, setting))]
        levels = self.prepared.factors[name]
        means = {level: grid.row({**setting, name: level}) for level in levels}
        return [
            (f"{name}: {later} - {earlier}", means[later] - means[earlier])
            for k, earlier in enumerate(levels)
            for later in levels[k + 1 :]
        ]

    def compare(
        self, first: Mapping[str, Any], second: Mapping[str, Any], level: float = 0.95
    ) -> pd.DataFrame:
        """Difference between two settings, e.g. ``compare({"period": 1970}, {"period": 1950})``.

        Columns not named are averaged as for marginal means. Returns one row as :meth:`contrasts`.
        """
        grid = Grid(self.prepared)
        label = f"{_setting(first)} - {_setting(second)}"
        return self._contrast_frame([grid.reduce(grid.row(first) - grid.row(second))], [label], level)

    def _contrast_frame(
        self, rows: Sequence[np.ndarray | None], labels: Sequence[str], level: float
    ) -> pd.DataFrame:
        frame = self.infer(rows, pd.Index(labels, name="contrast"), level)
        frame.insert(list(frame).index("p") + 1, "p_holm", holm(frame["p"].to_numpy()))
        if self.scale.changed:
            for new, old in (("ratio", "estimate"), ("ratio_low", "low"), ("ratio_high", "high")):
                frame[new] = self.scale.ratio(frame[old])
        return frame

    def untestable(self, row: np.ndarray) -> str:
        """Why these notes cannot test a combination of the estimated terms; "" when they can."""
        return self.inference.reason(row)

    @one_thread
    def infer(
        self,
        rows: Sequence[np.ndarray | None],
        index: Sequence[str] | pd.Index | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Inference on linear combinations of the estimated terms.

        Parameters
        ----------
        rows : sequence of ndarray [shape=(p,)] or None
            None gives a missing row.
        index : sequence of str | None
            Names of the combinations.
        level : float
            Confidence level.

        Returns
        -------
        DataFrame
            ``estimate, se, df, t, p, low, high``. Where :meth:`untestable` gives a reason, the estimate
            stands alone.
        """
        inference, beta = self.inference, self.beta
        out = np.full((len(rows), 7), np.nan)
        for k, row in enumerate(rows):
            if row is None or not np.any(row):  # nothing is compared
                continue
            estimate = float(row @ beta)
            if inference.reason(row):
                out[k, 0] = estimate
                continue
            variance = inference.variance(row)
            if not variance > 0:  # nothing is known of its error
                continue
            se = float(np.sqrt(variance))
            df = inference.df(row)
            t = estimate / se
            half = float(stats.t.ppf(0.5 + level / 2, df)) * se
            out[k] = estimate, se, df, t, 2 * stats.t.sf(abs(t), df), estimate - half, estimate + half
        return pd.DataFrame(
            out,
            index=None if index is None else pd.Index(index),
            columns=["estimate", "se", "df", "t", "p", "low", "high"],
        )

    def equivalence(self, term: str, margin: float, alpha: float = 0.05) -> Equivalence:
        """Test that a term, or a contrast as :meth:`contrasts` names it, is smaller than a margin.

        Parameters
        ----------
        term : str
            Name of a term (``"C(period)[T.1970]"``) or contrast (``"period: 1970 - 1950"``).
        margin : float
            On the outcome's scale; for a logarithmic outcome as a ratio above 1 (1.1: ten per cent).
        alpha : float
            Level of each one-sided test.
        """
        table = self.table()
        if term not in table.index:
            table = self.contrasts()
        if term not in table.index:
            choices = [*self.names, *table.index]
            raise VibstudyError(unknown("no such term or contrast", term, choices, "There are"))
        estimate, se, df = table.loc[[term], ["estimate", "se", "df"]].to_numpy()[0]
        return tost(estimate, se, df, self.scale.margin(margin), alpha)


def _listed(names: Sequence[str] | str) -> list[str]:
    return [names] if isinstance(names, str) else list(names)


def _setting(values: Mapping[str, Any]) -> str:
    return " ".join(f"{name} {value}" for name, value in values.items())
