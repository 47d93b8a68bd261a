"""Mixed models of the note table: player, recording within player, further crossed factors.

Why a mixed model
-----------------
A thousand notes by six players are six players, not a thousand. A difference between periods or
regions is a difference between players, and its error is set by how much players differ. The model ::

    outcome = fixed terms + player + recording within player (+ piece ...) + note

lets each of these vary, and gives every estimate the error that belongs to it.

Inference
---------
Estimates are REML. Intervals and p-values are Student's t with Satterthwaite or Kenward–Roger
degrees of freedom (:mod:`vibstudy.stats.smallsample`); never Wald's z, which with six to eight
players calls a null effect real about twice as often as it says. What was simulated, and which
default follows from it, is in ``benchmarks/calibration.py``.

Conventions
-----------
``sigma`` and the residual variance belong to a note of mean weight. Marginal R² counts the fixed part,
conditional R² also the random part (Nakagawa & Schielzeth 2013, Methods Ecol. Evol. 4(2):133-142;
Johnson 2014, ibid. 5(9):944-946 for slopes); the variance of the fixed part divides by n - 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError, unknown
from vibstudy.stats.engine import EngineFit, fit_lmm
from vibstudy.stats.fitted import FittedModel, Scale
from vibstudy.stats.frames import Prepared, check_columns, prepare
from vibstudy.stats.measurement import carried, measurement_weights, notes_spread_weights, shared_errors
from vibstudy.stats.players import AUTO, EQUAL
from vibstudy.stats.smallsample import (
    METHODS,
    KenwardRoger,
    Satterthwaite,
    flat_directions,
    make_inference,
)
from vibstudy.stats.tokens import name_text
from vibstudy.threads import one_thread

if TYPE_CHECKING:
    from vibstudy.stats.diagnosis import Diagnosis


def fit_mixed(
    notes: pd.DataFrame,
    formula: str,
    player: str = "player",
    recording: str | None = "recording_id",
    crossed: Sequence[str] = (),
    weights: str | np.ndarray | pd.Series | None = None,
    df: str = "satterthwaite",
    slopes: str | Sequence[str] | None = "auto",
    slope_correlation: bool = True,
    spread: str = "auto",
    notes_spread: str | None = None,
    shared: Mapping[str, float | str | Mapping[str, float]] | None = None,
) -> MixedResult:
    """Fit a mixed model to a note table.

    Parameters
    ----------
    notes : DataFrame
        One row a note.
    formula : str
        Outcome and fixed terms, e.g. ``"rate_hz ~ C(period) * region"``; see
        :mod:`vibstudy.stats.frames` for what may stand in it and how terms are named.
    player : str
        Column of the player.
    recording : str | None
        Column of the recording, nested in player; None leaves it out.
    crossed : sequence of str
        Further random factors crossed with player, e.g. ``("piece",)``.
    weights : str, array or None
        Precision weights, or a column of them: the residual variance of a note is inversely
        proportional to its weight. Scaled to mean 1. "measurement" takes the outcome's own standard
        errors (:func:`vibstudy.stats.measurement.measurement_weights`).
    df : {"satterthwaite", "kenward-roger"}
        Degrees of freedom.
    slopes : "auto", sequence of str, or None
        "auto" gives every player an effect of his own of each term that varies within players
        (:mod:`vibstudy.stats.players`); a contrast that one player alone makes possible is then not
        tested. Names: these numbers alone, as written. None or (): no slopes.
    slope_correlation : bool
        Whether slopes given by name may be correlated with each other and with the player's level.
    spread : str
        "auto" lets the players' variance differ between the levels of the first factor that lies between
        players, where the notes can tell it from the players' own slopes; a factor's name: between its
        levels; "equal": one variance.
    notes_spread : str | None
        Column by whose levels the notes' variance is estimated apart.
    shared : mapping or None
        Errors that all notes of a level share, by the column of the levels: ``{"medium": 0.01}``,
        ``{"medium": {"acoustic_disc": 0.03}}`` (other levels: none) or ``{"medium": "speed_se"}``, a column.
        Standard deviations in the outcome's unit; relative (0.01: one per cent) where it is a logarithm.
        They widen what is compared between levels, and take no degrees of freedom.

    Returns
    -------
    MixedResult

    Raises
    ------
    VibstudyError
        With every problem found: a misspelt column (nearest spelling), a factor with one level, ...
    """
    check_method(df)
    if isinstance(weights, str) and weights == "measurement" and "measurement" not in notes:
        weights = measurement_weights(notes, formula, player, recording, crossed, slopes, spread)
    own = () if slopes is None else slopes

    def fitted(spread: str) -> tuple[Prepared, EngineFit]:
        prepared = prepare(
            notes, formula, player, recording, crossed, weights, own, slope_correlation, spread
        )
        if shared:
            prepared = replace(prepared, shared=shared_errors(notes, prepared, shared))
        if notes_spread is not None:
            prepared = notes_spread_weights(notes, prepared, notes_spread)
        return prepared, fit_lmm(prepared.y, prepared.estimable, prepared.terms, prepared.weights)

    prepared, fit = fitted(spread)
    if spread == AUTO and prepared.players.spread and flat_directions(fit.solution).size:
        told = (
            f"How much the players of each {prepared.players.spread} differ, and what is each player's own, "
            "cannot be told apart by these notes: all players have one spread."
        )
        prepared, fit = fitted(EQUAL)
        prepared = replace(prepared, remarks=(*prepared.remarks, told))
    return MixedResult(prepared, fit, df)


def fit_extent(notes: pd.DataFrame, terms: str, column: str = "extent_cents", **settings: Any) -> MixedResult:
    """Fit a mixed model to extent on a logarithmic scale, where its spread is even.

    Extent cannot fall below 0 and its differences are heard as proportions, so octaves (log2) of extent
    are modelled; :meth:`means` gives geometric means in cents (``typical``), :meth:`contrasts` ratios.

    Parameters
    ----------
    notes : DataFrame
        Notes with ``column`` above 0; others are missing for this model.
    terms : str
        Right side of the formula, e.g. ``"C(period) * region"``.
    column : str
        Any outcome that is positive and skewed: extent, onset delay, irregularity.
    **settings
        Passed to :func:`fit_mixed`.
    """
    check_columns(notes, [column])
    positive = notes[column].where(notes[column] > 0)
    return fit_mixed(notes.assign(**{column: positive}), f"log2({name_text(column)}) ~ {terms}", **settings)


def check_method(df: str) -> None:
    """Raise when `df` names no known method."""
    if df not in METHODS:
        message = "no such method for degrees of freedom"
        raise VibstudyError(unknown(message, df, METHODS, "Choose from", column="df"))


class MixedResult(FittedModel):
    """A fitted mixed model.

    Attributes
    ----------
    prepared : Prepared
        Notes, design and random terms used.
    fit : EngineFit
        Variance parameters and what found them.
    df : str
        Method for degrees of freedom.
    """

    def __init__(self, prepared: Prepared, fit: EngineFit, df: str = "satterthwaite"):
        self.prepared, self.fit, self.df = prepared, fit, df
        self.scale = Scale.of(prepared.outcome)

    @property
    def engine(self) -> str:
        """What found the variance parameters, with its version."""
        return self.fit.engine

    @property
    def deviance(self) -> float:
        """Restricted deviance (-2 log REML)."""
        return self.fit.solution.deviance

    @property
    def beta(self) -> np.ndarray:
        """Fixed effects [shape=(p,)]."""
        return self.fit.solution.beta

    @property
    def converged(self) -> bool:
        """Whether the optimum was reached, judged by exact derivatives."""
        return self.fit.converged

    @property
    def relative_factors(self) -> tuple[np.ndarray, ...]:
        """Covariance factor of each random term, in units of the residual deviation."""
        return self.fit.factors

    @cached_property
    def _inference(self) -> Satterthwaite | KenwardRoger:
        prepared = self.prepared
        x, terms, solution = prepared.estimable, prepared.terms, self.fit.solution
        added = None if prepared.shared is None else carried(solution, x, prepared)
        return make_inference(solution, x, terms, prepared.players, self.df, added)

    @property
    def inference(self) -> Satterthwaite | KenwardRoger:
        """Covariance and degrees of freedom of the fixed effects."""
        return self._inference

    @one_thread
    def tests(self) -> pd.DataFrame:
        """Joint test of each term of the formula (all its columns zero).

        Returns
        -------
        DataFrame
            Indexed by term: ``f, df1, df2, p``. Terms that a later interaction contains are tested
            at the reference level of the other factor: read interactions first.
        """
        rows = {}
        for term, places in self.prepared.spec.term_indices.items():
            kept = [self.prepared.kept.index(k) for k in places if k in self.prepared.kept]
            if str(term) == "1" or not kept:
                continue
            f, df2, p = self.inference.f_test(np.eye(len(self.names))[kept])
            rows[str(term)] = (f, len(kept), df2, p)
        columns = ["f", "df1", "df2", "p"]
        return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("term")

    # -- variances ----------------------------------------------------------------------------

    def variance_components(self) -> pd.DataFrame:
        """Variances of the random part.

        Returns
        -------
        DataFrame
            Indexed by ``group`` and ``column``: ``variance, sd, share`` of the sum of intercept and
            residual variances, and ``correlation`` with the group's intercept for slopes. Where each group
            of players has its variance, its share counts by the group's notes.
        """
        sigma2 = self.fit.solution.sigma**2
        rows = []
        for index, (term, factor) in enumerate(zip(self.prepared.terms, self.fit.factors, strict=True)):
            covariance = sigma2 * factor @ factor.T
            levels = max(self.prepared.players.groups, 1) if index == 0 else 1
            for k, column in enumerate(term.columns):
                spread = np.sqrt(covariance[0, 0] * covariance[k, k])
                known = k > 0 and term.correlated and spread > 0
                correlation = covariance[0, k] / spread if known else np.nan
                level = k < levels and (levels > 1 or column == "Intercept")
                part = covariance[k, k] * np.mean(term.design[:, k] ** 2) if level else np.nan
                rows.append((term.group, column, covariance[k, k] / term.units[k] ** 2, correlation, part))
        rows.append(("residual", "", sigma2, np.nan, sigma2))
        frame = pd.DataFrame(rows, columns=["group", "column", "variance", "correlation", "part"])
        frame["sd"] = np.sqrt(frame["variance"])
        frame["share"] = frame["part"] / frame["part"].sum()
        return frame.set_index(["group", "column"])[["variance", "sd", "share", "correlation"]]

    def _variances(self) -> tuple[float, dict[str, float], float]:
        """Variance of the fixed part, mean variance of each random term, residual variance."""
        solution = self.fit.solution
        fixed = float(np.var(self.prepared.estimable @ solution.beta, ddof=1))
        random: dict[str, float] = {}
        for term, factor in zip(self.prepared.terms, self.fit.factors, strict=True):
            spread = term.design @ (solution.sigma * factor)
            random[term.group] = random.get(term.group, 0.0) + float(np.mean(np.sum(spread**2, axis=1)))
        return fixed, random, solution.sigma**2

    def r2(self) -> pd.Series:
        """Share of the variance explained: ``marginal`` (fixed part), ``conditional`` (and random)."""
        fixed, random, residual = self._variances()
        total = fixed + sum(random.values()) + residual
        return pd.Series({"marginal": fixed / total, "conditional": (total - residual) / total})

    def icc(self) -> pd.Series:
        """Share of the random variance that each random factor holds: how alike its notes are."""
        _, random, residual = self._variances()
        total = sum(random.values()) + residual
        return pd.Series({group: value / total for group, value in random.items()}, name="icc")

    def random_effects(self) -> pd.DataFrame:
        """Predicted deviation of each level: ``group, level, column, effect``."""
        effects = self.fit.solution.random_effects
        groups = self.prepared.players.groups
        parts = []
        level = np.zeros(0)
        for block in self.fit.solution.moments.blocks:
            term = self.prepared.terms[block.term]
            effect, column = effects[block.span] / term.units[block.column], term.columns[block.column]
            if block.term == 0 and block.column < groups:  # a player has his effect in his own group's column
                level = effect if block.column == 0 else level + effect
                if block.column < groups - 1:
                    continue
                effect, column = level, "Intercept"
            parts.append(
                pd.DataFrame({"group": term.group, "level": term.levels, "column": column, "effect": effect})
            )
        return pd.concat(parts, ignore_index=True)

    def residuals(self) -> pd.DataFrame:
        """Fitted value and residual of each note used, indexed as the notes used."""
        from vibstudy.stats.terms import random_design

        z, _ = random_design(self.prepared.terms, len(self.prepared.y))
        solution = self.fit.solution
        fitted = self.prepared.estimable @ solution.beta + z @ solution.random_effects
        residual = self.prepared.y - fitted
        weights = self.prepared.weights if self.prepared.weights is not None else 1.0
        return pd.DataFrame(
            {
                "fitted": fitted,
                "residual": residual,
                "standardised": residual * np.sqrt(weights) / solution.sigma,
            },
            index=self.prepared.frame.index,
        )

    # -- judgement ----------------------------------------------------------------------------

    def diagnose(self, influence: bool = False) -> Diagnosis:
        """One verdict in words; with `influence`, also what leaving out each player would change."""
        from vibstudy.stats.diagnosis import diagnose
        from vibstudy.stats.influence import influence_sentences, leave_out

        if not influence:
            return diagnose(self)
        frame = leave_out(self)
        return diagnose(self, frame, influence_sentences(frame, model=self))

    def __repr__(self) -> str:
        counts = ", ".join(f"{value} {name}" for name, value in self.n.items())
        return f"<MixedResult {self.formula!r}: {counts}; df {self.df}>"
