"""Presence of vibrato: a binomial mixed model.

::

    logit P(vibrato) = fixed terms + player + recording within player (+ piece ...)

fitted by Laplace's approximation. Effects are differences of log odds; ``ratio`` in contrasts is the
ratio of odds, ``typical`` in means the probability for a typical player (random effects zero).

Inference
---------
Student's t with between–within degrees of freedom: a term that differs only between players is
judged by the players, one that differs between recordings by the recordings, the rest by the notes
(Schluchter & Elashoff 1990, J. Stat. Comput. Simul. 37:69-87). Maximum likelihood makes the players
differ too little; standard errors take the deviations of the restricted likelihood instead
(:func:`vibstudy.stats.laplace.restricted_factors`; where odds are infinite it has no optimum, and the
variances are freed as a sample's is, :func:`vibstudy.stats.player_rows.unbiased`). No exact small-sample
theory exists here; what was simulated is in ``benchmarks/calibration.py`` (table:
``docs/tables/calibration.csv``), against 8 to 16 % of Wald's z and 39 to 42 % of a chi-square test over
notes.

Players have effects of their own of what varies within them (:mod:`vibstudy.stats.players`), and no term
has more degrees of freedom than the players allow. All players have one variance here: groups of unequal
spread are not allowed for.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.stats.diagnosis import Diagnosis, diagnose
from vibstudy.stats.fitted import FittedModel, Scale
from vibstudy.stats.formula import Name, parse_formula
from vibstudy.stats.frames import Prepared, check_columns, prepare
from vibstudy.stats.laplace import Laplace, LaplaceFit, maximise, restricted_factors
from vibstudy.stats.player_rows import unbiased
from vibstudy.stats.smallsample import BetweenWithin

LATENT_VARIANCE = np.pi**2 / 3
"""Variance of the logistic distribution: the residual on the logit scale."""


MAX_GRADIENT = 0.02
"""Largest derivative of the deviance, per standard error of a fixed effect, at an optimum."""


def fit_presence(
    notes: pd.DataFrame,
    formula: str = "has_vibrato ~ 1",
    player: str = "player",
    recording: str | None = "recording_id",
    crossed: Sequence[str] = (),
    slopes: str | None = "auto",
) -> PresenceResult:
    """Fit a binomial mixed model to a true/false column of the note table.

    Parameters
    ----------
    notes : DataFrame
        One row a note; a missing outcome (a note too short to tell) is left out and counted.
    formula : str
        As for :func:`vibstudy.stats.fit_mixed`; the outcome is true/false or 0/1.
    player, recording, crossed
        As for :func:`vibstudy.stats.fit_mixed`.
    slopes : "auto" or None
        "auto" gives every player an effect of his own of each term that varies within players.
    """
    prepared = prepare(
        binary(notes, formula), formula, player, recording, crossed, slopes=() if slopes is None else slopes
    )
    beta, factors, converged = maximise(Laplace(prepared.y, prepared.estimable, prepared.terms))
    return PresenceResult(prepared, factors, beta, converged)


def binary(notes: pd.DataFrame, formula: str) -> pd.DataFrame:
    """Return the notes with the outcome of `formula` as 0 and 1."""
    parsed = parse_formula(formula).outcome
    if not isinstance(parsed, Name):
        raise VibstudyError("the outcome of a presence model is a column, true or false", got=str(parsed))
    outcome = parsed.column
    check_columns(notes, [outcome], f'formula "{formula}"')
    values = pd.to_numeric(notes[outcome].map(_as_number), errors="coerce")
    wrong = values.notna() & ~values.isin([0.0, 1.0])
    if wrong.any():
        raise VibstudyError(
            "the outcome of a presence model is true or false",
            column=outcome,
            got=str(notes.loc[wrong, outcome].iloc[0]),
            repair="For numbers use fit_mixed.",
        )
    return notes.assign(**{outcome: values})


def _as_number(value: object) -> float:
    if value is None or value is pd.NA or value != value:
        return np.nan
    texts = {"true": 1.0, "false": 0.0}
    if isinstance(value, str):
        return texts.get(value.strip().lower(), 2.0)
    return float(value)  # type: ignore[arg-type]


class PresenceResult(FittedModel):
    """A fitted model of presence; tables as of :class:`vibstudy.stats.MixedResult`."""

    df = "between-within"

    def __init__(
        self,
        prepared: Prepared,
        factors: tuple[np.ndarray, ...],
        beta: np.ndarray,
        converged: bool,
    ):
        self.prepared, self._converged = prepared, converged
        self.fit = LaplaceFit(Laplace(prepared.y, prepared.estimable, prepared.terms), beta, factors)
        self.scale = Scale("logit")

    @property
    def beta(self) -> np.ndarray:
        """Fixed effects, log odds [shape=(p,)]."""
        return self.fit.beta

    @property
    def converged(self) -> bool:
        """Whether the optimum was reached, judged by exact derivatives."""
        return self._converged and self.fit.gradient < MAX_GRADIENT

    @property
    def relative_factors(self) -> tuple[np.ndarray, ...]:
        """Covariance factor of each random term, in units of the logistic deviation."""
        return tuple(factor / np.sqrt(LATENT_VARIANCE) for factor in self.fit.factors)

    @property
    def deviance(self) -> float:
        """-2 log likelihood (Laplace)."""
        return self.fit.deviance

    @cached_property
    def _inference(self) -> BetweenWithin:
        x, terms = self.prepared.estimable, self.prepared.terms
        widened = restricted_factors(self.fit.likelihood, self.fit.beta, self.fit.factors)
        if widened is None:
            pairs = zip(terms, self.fit.factors, strict=True)
            widened = tuple(factor * np.sqrt(unbiased(x, term)) for term, factor in pairs)
        spread = LaplaceFit(self.fit.likelihood, self.fit.beta, widened)
        added = spread.covariance_given - self.fit.covariance_given
        return BetweenWithin(self.fit.covariance + added, x, terms, self.prepared.players)

    @property
    def likelihood_se(self) -> np.ndarray:
        """Standard errors by maximum likelihood alone, as other programs give them [shape=(p,)]."""
        return np.sqrt(np.diag(self.fit.covariance))

    @property
    def inference(self) -> BetweenWithin:
        """Covariance and degrees of freedom of the fixed effects."""
        return self._inference

    def variance_components(self) -> pd.DataFrame:
        """Variances on the logit scale, indexed by group and column: ``variance, sd, share``.

        The residual is that of the logistic distribution, pi²/3.
        """
        rows = [
            (term.group, column, float(factor[k, k] / term.units[k]) ** 2, column == "Intercept")
            for term, factor in zip(self.prepared.terms, self.fit.factors, strict=True)
            for k, column in enumerate(term.columns)
        ]
        rows.append(("residual", "", LATENT_VARIANCE, True))
        frame = pd.DataFrame(rows, columns=["group", "column", "variance", "level"])
        frame = frame.set_index(["group", "column"])
        frame["sd"] = np.sqrt(frame["variance"])
        levels = frame["variance"].where(frame.pop("level").to_numpy(bool))
        frame["share"] = levels / levels.sum()
        return frame

    def random_effects(self) -> pd.DataFrame:
        """Predicted deviation of each level, log odds: ``group, level, column, effect``."""
        effects = self.fit.random_effects
        parts = []
        for block in self.fit.likelihood.blocks:
            term = self.prepared.terms[block.term]
            parts.append(
                pd.DataFrame(
                    {"group": term.group, "level": term.levels, "column": term.columns[block.column],
                     "effect": effects[block.span] / term.units[block.column]}
                )
            )  # fmt: skip
        return pd.concat(parts, ignore_index=True)

    def icc(self) -> pd.Series:
        """Share of each random factor in the variance on the logit scale."""
        shares = self.variance_components()["share"].dropna().iloc[:-1]
        return pd.Series(shares.to_numpy(), index=[group for group, _ in shares.index], name="icc")

    def r2(self) -> pd.Series:
        """Share of the variance on the logit scale explained: ``marginal``, ``conditional``.

        Nakagawa, Johnson & Schielzeth 2017, J. R. Soc. Interface 14:20170213.
        """
        fixed = float(np.var(self.prepared.estimable @ self.beta, ddof=1))
        random = sum(
            float(np.mean(np.sum((term.design @ factor) ** 2, axis=1)))
            for term, factor in zip(self.prepared.terms, self.fit.factors, strict=True)
        )
        total = fixed + random + LATENT_VARIANCE
        return pd.Series({"marginal": fixed / total, "conditional": 1 - LATENT_VARIANCE / total})

    def separated(self) -> list[str]:
        """Factor levels whose notes all have, or all lack, what is modelled."""
        y = pd.Series(self.prepared.y, index=self.prepared.frame.index)
        found = []
        for name, levels in self.prepared.factors.items():
            shares = y.groupby(self.prepared.frame[name], observed=True).mean()
            found += [f"{name} {level}" for level in levels if shares.get(level) in (0.0, 1.0)]
        return found

    def diagnose(self) -> Diagnosis:
        """One verdict in words; names the levels at which every note has, or lacks, vibrato."""
        separated = self.separated()
        further = [
            f"All notes of {', '.join(separated)} are alike: odds there are infinite, and estimates, "
            "errors and p-values that involve them mean nothing. Merge levels, or report the counts."
        ]
        return diagnose(self, further=further if separated else ())

    def __repr__(self) -> str:
        counts = ", ".join(f"{value} {name}" for name, value in self.n.items())
        return f"<PresenceResult {self.formula!r}: {counts}>"
