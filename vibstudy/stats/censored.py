"""Vibrato too narrow to be found: what it would do to a comparison of extents.

A note in which no vibrato was found is straight, or vibrates by less than could be found in it. A piano, a
room, noise and shortness raise what can be found, so that the notes with vibrato that are left are the wider
ones, and of those near the limit the ones that came out wide by chance. Here all notes count for what is
known of them::

    y = x b + player + recording + e       logarithm of the true extent of a note that vibrates
    vibrates with chance c of its player   (two parts: whether, and how widely)
    m: length of an arrow exp(y) with noise of standard deviation se on both its parts (Rice)
    found:      m is known, and se
    not found:  straight, or m below the note's own limit

(a Tobit with a limit of each note, Tobin 1958, Econometrica 26:24-36; in two parts, Cragg 1971, Econometrica
39:829-844; the arrow: Rice 1945, Bell Syst. Tech. J. 24:46-156, sec. 3.10). The limit is
``extent_limit_cents`` of the note table, and a note's limit is as many times its error as it is in the median
of the notes found.

Estimates come from data augmentation (Tanner & Wong 1987, J. Am. Stat. Assoc. 82:528-540): in turn, each note
not found is drawn as straight or vibrating, the true extent of every vibrating note is drawn from what is
known of it, the players' chances are drawn, and the model of the claim is fitted anew, with the notes' length
in it, on which the limits depend. The fits of the claim's own model to :data:`DRAWS` rounds are joined by
Rubin's rule (1987, Multiple Imputation, ch. 3): the variance within, and that between the rounds.

How much is hidden below the limits rests on the logarithms being normal about their model; nothing else
could tell it. ``benchmarks/calibration_claims.py`` holds it against known truth.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import special, stats

from vibstudy.schema import HARMLESS, reasons_of
from vibstudy.stats.engine import fit_lmm
from vibstudy.stats.frames import Prepared
from vibstudy.stats.influence import subset
from vibstudy.stats.mixed import MixedResult, fit_mixed
from vibstudy.stats.moments import Solution
from vibstudy.stats.multiple import evidence
from vibstudy.stats.question import Question, Reply, shown
from vibstudy.stats.terms import random_design

OUTCOME, LIMIT, ERROR = "extent_cents", "extent_limit_cents", "extent_se_cents"

LENGTH = "log2(duration_s)"

NODES = np.linspace(-4.5, 4.5, 31)
"""Standard deviations at which what is known of a true extent is tabled; beyond lie seven in a million."""

ROUNDS, DRAWS = 20, 20
"""Rounds before the first fit that counts, and fits that count. Five times as many before moved the bias of
simulated corpora by 0.4 per cent."""


def hidden(question: Question) -> np.ndarray:
    """Which of the chosen notes may hide a vibrato below their limit [shape=(n,)]."""
    chosen = question.chosen
    none = np.zeros(len(chosen), bool)
    if question.claim.outcome != OUTCOME or question.claim.scale != "log":
        return none
    if LIMIT not in chosen or "has_vibrato" not in chosen:
        return none
    limit = chosen[LIMIT].to_numpy(float, na_value=np.nan)
    vibrates = chosen["has_vibrato"].astype("boolean").fillna(False).to_numpy(bool)
    found = ~vibrates & np.isfinite(limit) & (limit > 0) & ~question.known
    if "vibrato_p" in chosen and question.known.any():  # found, but of too few cycles to be measured
        p = chosen["vibrato_p"].to_numpy(float, na_value=np.nan)
        found &= ~(chosen["has_vibrato"].isna().to_numpy(bool) & (p <= np.nanmax(p[question.known])))
    if "quality" in chosen:  # another's sound, a gap: its limit is not the note's
        own = [HARMLESS | {"too_short"} >= set(reasons_of(cell)) for cell in chosen["quality"]]
        found &= np.array(own, bool)
    return found


def ask_with_limits(question: Question, base: Reply, seed: int = 1) -> Reply | None:
    """Ask a claim of extents with the notes in which none was found, as far as their limits allow.

    Parameters
    ----------
    question : Question
    base : Reply
        Of the notes found.
    seed : int

    Returns
    -------
    Reply | None
        None where no note hides anything, or the notes cannot give it.
    """
    below = hidden(question)
    if not below.any() or not isinstance(base.model, MixedResult):
        return None
    used = question.known | below
    frame = question.chosen[used].reset_index(drop=True)
    below = below[used]
    frame[OUTCOME] = frame[OUTCOME].astype(float).where(~below, frame[LIMIT].astype(float))
    settings = (question.player, question.recording, question.claim.crossed)
    plain = fit_mixed(frame, base.formula, *settings)
    if plain.prepared.names != base.model.prepared.names or plain.prepared.kept != base.model.prepared.kept:
        return None
    first = whole = plain
    if LENGTH not in question.adjusted() and "duration_s" in frame and frame["duration_s"].notna().all():
        formula = f"{base.formula} + {LENGTH}"
        whole = fit_mixed(frame, formula, *settings)
        first = fit_mixed(frame[~below], formula, *settings)
    frame, below = frame.loc[plain.prepared.frame.index], below[plain.prepared.frame.index]
    if ERROR not in frame:
        return None
    se, limit = (frame[name].astype("Float64").to_numpy(float, na_value=np.nan) for name in (ERROR, LIMIT))
    times = float(np.nanmedian(limit[~below] / se[~below])) if np.isfinite(se[~below]).any() else np.nan
    se = np.where(below, limit / times, se)
    if not np.isfinite(times):
        return None
    rounds = _Rounds(whole, below, se, np.random.default_rng(seed))
    if first is plain:
        first = base.model
    if first.prepared.kept != whole.prepared.kept:
        return None
    rounds.take(first.prepared, first.fit.solution)
    found = []
    for turn in range(ROUNDS + DRAWS):
        model = rounds.turn()
        if turn >= ROUNDS and model is not None and whole is not plain:
            model = rounds.fit(plain)
        if model is None:
            return None
        if turn >= ROUNDS:
            values = model.infer([base.row]).iloc[0]
            found.append([float(values[name]) for name in ("estimate", "se", "df")])
    estimate, se, df = joined(np.array(found))
    if not np.isfinite([estimate, se, df]).all():
        return None
    half = float(stats.t.ppf(0.975, df)) * se
    point, low, high = shown(base.model.scale, [estimate, estimate - half, estimate + half])
    asked = evidence(question.claim.expect, estimate, se, df, base.margin)
    return replace(base, estimate=estimate, se=se, df=df, evidence=asked, shown=point, low=low, high=high)


def joined(found: np.ndarray) -> tuple[float, float, float]:
    """Estimate, standard error and degrees of freedom of several fits to drawn data.

    Parameters
    ----------
    found : ndarray [shape=(fits, 3)]
        Estimate, standard error, degrees of freedom.

    References
    ----------
    Rubin 1987, ch. 3; degrees of freedom of the sum of both variances by Satterthwaite (1946).
    """
    m = len(found)
    within, between = float(np.mean(found[:, 1] ** 2)), (1 + 1 / m) * float(np.var(found[:, 0], ddof=1))
    total = within + between
    df = total**2 / (within**2 / float(np.mean(found[:, 2])) + between**2 / (m - 1))
    return float(np.mean(found[:, 0])), float(np.sqrt(total)), df


class _Rounds:
    """The state of the augmentation: outcome of every note, which notes vibrate, and the fit to them."""

    def __init__(self, whole: MixedResult, below: np.ndarray, se: np.ndarray, rng: np.random.Generator):
        self.whole, self.below, self.rng = whole, below, rng
        prepared = whole.prepared
        self.base = whole.scale.base
        self.measured = self.base**prepared.y  # of notes not found: their limit
        self.se = np.where(np.isfinite(se) & (se > 0), se, _EXACT * self.measured)
        self.x, (self.z, self.seats) = prepared.estimable, random_design(prepared.terms, len(prepared.y))
        self.people = prepared.terms[0].codes
        self.count = len(prepared.terms[0].levels)
        self.drawn: np.ndarray | None = None

    def take(self, prepared: Prepared, solution: Solution) -> None:
        """Keep what a fit expects of every note."""
        self.factors = {t.group: f for t, f in zip(prepared.terms, solution.factors, strict=True)}
        u = np.zeros(self.z.shape[1])
        homes = {(self.whole.prepared.terms[s.term].group, s.column): s for s in self.seats}
        effects = solution.random_effects
        for seat in solution.moments.blocks:
            term = prepared.terms[seat.term]
            home = homes.get((term.group, seat.column))
            if home is None:
                continue
            own = {level: k for k, level in enumerate(self.whole.prepared.terms[home.term].levels)}
            u[[home.span.start + own[level] for level in term.levels]] = effects[seat.span]
        self.mean = self.x @ solution.beta + self.z @ u
        self.sigma = solution.sigma

    def turn(self) -> MixedResult | None:
        """Draw what is hidden, and fit; None where the notes drawn cannot give the model."""
        below = self.below
        y = np.empty(len(below))
        y[~below] = self._drawn_found()
        y[below], reach = self._drawn_hidden()
        chance = self._chances(reach)
        vibrates = self.rng.random(len(reach)) < chance * reach / (1 - chance + chance * reach)
        keep = ~below
        keep[below] = self.drawn = vibrates
        self.now = (y, keep)
        model = self.fit(self.whole)
        if model is not None:
            self.take(model.prepared, model.fit.solution)
        return model

    def fit(self, whole: MixedResult) -> MixedResult | None:
        """Fit a model of all notes to what was drawn; None where that cannot give all its terms."""
        y, keep = self.now
        prepared = subset(replace(whole.prepared, y=y), keep)
        if prepared.kept != whole.prepared.kept:
            return None
        fit = fit_lmm(prepared.y, prepared.estimable, prepared.terms, prepared.weights, self._near(prepared))
        return MixedResult(prepared, fit, whole.df)

    def _near(self, prepared: Prepared) -> list[np.ndarray] | None:
        """Factors of the last fit, where they fit this model."""
        near = [f for t in prepared.terms if (f := self.factors.get(t.group)) is not None]
        if [len(f) for f in near] != [len(t.columns) for t in prepared.terms]:
            return None
        return near

    def _drawn_found(self) -> np.ndarray:
        """True extents (logarithms) of the notes found."""
        m, se, mean = (v[~self.below] for v in (self.measured, self.se, self.mean))
        near = np.sqrt(np.maximum(m**2 - se**2, se**2))  # the arrow without what noise adds
        own = (se / near / np.log(self.base)) ** 2
        width = np.sqrt(1 / (1 / self.sigma**2 + 1 / own))
        middle = width**2 * (mean / self.sigma**2 + np.log(near) / np.log(self.base) / own)
        y = middle[:, None] + width[:, None] * NODES
        true = self.base**y
        log = -(((y - mean[:, None]) / self.sigma) ** 2) / 2 - ((m[:, None] - true) / se[:, None]) ** 2 / 2
        log += np.log(special.i0e(m[:, None] * true / se[:, None] ** 2))
        return self._picked(y, np.exp(log - log.max(axis=1, keepdims=True)))

    def _drawn_hidden(self) -> tuple[np.ndarray, np.ndarray]:
        """Extents (logarithms) of the notes not found, did they vibrate, and their chance not to be found."""
        limit, se, mean = (v[self.below] for v in (self.measured, self.se, self.mean))
        y = mean[:, None] + self.sigma * NODES
        length = np.hypot(self.base**y, se[:, None])
        missed = special.ndtr((limit[:, None] - length) / se[:, None])
        usual = np.exp(-(NODES**2) / 2)
        return self._picked(y, missed * usual), missed @ usual / usual.sum()

    def _picked(self, y: np.ndarray, density: np.ndarray) -> np.ndarray:
        """One value of each row, by its density at the nodes."""
        total = np.cumsum(density, axis=1)
        aim = self.rng.random(len(y)) * total[:, -1]
        at = np.minimum((total < aim[:, None]).sum(axis=1), y.shape[1] - 1)
        rows = np.arange(len(y))
        return y[rows, at] + (self.rng.random(len(y)) - 0.5) * (y[:, 1] - y[:, 0])

    def _chances(self, reach: np.ndarray) -> np.ndarray:
        """Draw each player's chance to vibrate a note (Jeffreys' prior), for the notes not found."""
        people = self.people[self.below]
        found = np.bincount(self.people[~self.below], minlength=self.count)
        before = reach > 0.5 if self.drawn is None else self.drawn
        some = np.bincount(people[before], minlength=self.count)
        none = np.bincount(people[~before], minlength=self.count)
        return self.rng.beta(0.5 + found + some, 0.5 + none)[people]


_EXACT = 1e-3
"""Relative error of a note that has none: it is drawn as good as measured."""
