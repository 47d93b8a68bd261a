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
import pandas as pd
from scipy import special, stats

from vibstudy.schema import HARMLESS, reasons_of
from vibstudy.stats.engine import MAX_GAIN, plain_start, polish
from vibstudy.stats.frames import Prepared
from vibstudy.stats.mixed import MixedResult, fit_mixed
from vibstudy.stats.moments import Solution
from vibstudy.stats.multiple import evidence
from vibstudy.stats.player_rows import PlayerRows
from vibstudy.stats.question import Question, Reply, shown
from vibstudy.stats.smallsample import inference_of_rows
from vibstudy.stats.terms import random_design
from vibstudy.threads import one_thread

OUTCOME, LIMIT, ERROR = "extent_cents", "extent_limit_cents", "extent_se_cents"

LENGTH = "log2(duration_s)"

NODES = np.linspace(-4.5, 4.5, 31)
"""Standard deviations at which what is known of a true extent is tabled; beyond lie seven in a million."""

ROUNDS, DRAWS = 40, 20
"""Rounds before the first fit that counts, and fits that count. They begin with every note not found
vibrating below its limit: begun with half of them, 20 rounds left the ratio of simulated corpora 0.6 per cent
above what 60 made of it; so begun, 40 leave 0.2 at most (25 corpora, paired)."""


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


@one_thread
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
    if first is plain:
        first = base.model
    if first.prepared.kept != whole.prepared.kept:
        return None
    model = _Again(whole)
    asked_of = model if whole is plain else _Again(plain)
    rounds = _Rounds(whole, below, se, np.random.default_rng(seed))
    rounds.take(first.prepared, first.fit.solution)
    found = []
    for turn in range(ROUNDS + DRAWS):
        y, keep = rounds.draw()
        solution = model.fit(y, keep)
        if solution is not None:
            rounds.take(whole.prepared, solution)
        if solution is not None and turn >= ROUNDS and asked_of is not model:
            solution = asked_of.fit(y, keep)
        if solution is None:
            return None
        if turn >= ROUNDS:
            found.append(asked_of.contrast(solution, keep, base.row))
    estimate, error, df = joined(np.array(found))
    if not np.isfinite([estimate, error, df]).all():
        return None
    half = float(stats.t.ppf(0.975, df)) * error
    point, low, high = shown(base.model.scale, [estimate, estimate - half, estimate + half])
    asked = evidence(question.claim.expect, estimate, error, df, base.margin)
    return replace(base, estimate=estimate, se=error, df=df, evidence=asked, shown=point, low=low, high=high)


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


class _Again:
    """A model fitted again and again to some of its notes, with other outcomes."""

    def __init__(self, model: MixedResult):
        prepared = model.prepared
        self._model, self._prepared = model, prepared
        self._x, self._terms = prepared.estimable, prepared.terms
        self._moments, self._near = model.fit.solution.moments, list(model.fit.factors)
        self._people = pd.factorize(prepared.frame[prepared.player])[0]

    def fit(self, y: np.ndarray, keep: np.ndarray) -> Solution | None:
        """Fit to the notes kept, from the last fit; None where no optimum is found."""
        moments = self._moments.over(y, self._x, keep.astype(float))
        solution, gain = polish(moments, self._near, enough=_ENOUGH)
        if gain >= MAX_GAIN:
            solution, gain = polish(moments, plain_start(self._terms), enough=_ENOUGH)
        if gain >= MAX_GAIN:
            return None
        self._near = list(solution.factors)
        return solution

    def contrast(self, solution: Solution, keep: np.ndarray, row: np.ndarray) -> tuple[float, float, float]:
        """Estimate, standard error and degrees of freedom of a combination of the terms."""
        player = self._terms[0]
        used, codes = np.unique(player.codes[keep], return_inverse=True)
        levels = tuple(player.levels[k] for k in used)
        term = replace(player, codes=codes, levels=levels, design=player.design[keep])
        part = replace(self._prepared.players, players=len(np.unique(self._people[keep])))
        inference = inference_of_rows(solution, PlayerRows.of(self._x[keep], term), part, self._model.df)
        if inference.reason(row):
            return np.nan, np.nan, np.nan
        return float(row @ solution.beta), float(np.sqrt(inference.variance(row))), inference.df(row)


class _Rounds:
    """The state of the augmentation: outcome of every note, which notes vibrate, and what a fit expects."""

    def __init__(self, whole: MixedResult, below: np.ndarray, se: np.ndarray, rng: np.random.Generator):
        prepared = whole.prepared
        self.whole, self.below, self.rng = whole, below, rng
        self.log = float(np.log(whole.scale.base))
        self.measured = whole.scale.base**prepared.y  # of notes not found: their limit
        self.se = np.where(np.isfinite(se) & (se > 0), se, _EXACT * self.measured)
        self.x, (self.z, self.seats) = prepared.estimable, random_design(prepared.terms, len(prepared.y))
        self.people = prepared.terms[0].codes
        self.count = len(prepared.terms[0].levels)
        self.drawn = np.ones(int(below.sum()), bool)
        m, se = self.measured[~below], self.se[~below]
        near = np.sqrt(np.maximum(m**2 - se**2, se**2))  # the arrow without what noise adds
        self.arrow, self.own = np.log(near) / self.log, (se / near / self.log) ** 2

    def take(self, prepared: Prepared, solution: Solution) -> None:
        """Keep what a fit expects of every note."""
        if prepared is self.whole.prepared:
            u = solution.random_effects
        else:
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

    def draw(self) -> tuple[np.ndarray, np.ndarray]:
        """Draw what is hidden: logarithms of the true extents [shape=(n,)], and which notes vibrate."""
        below = self.below
        y = np.empty(len(below))
        y[~below] = self._drawn_found()
        y[below], reach = self._drawn_hidden()
        chance = self._chances()
        vibrates = self.rng.random(len(reach)) < chance * reach / (1 - chance + chance * reach)
        keep = ~below
        keep[below] = self.drawn = vibrates
        return y, keep

    def _drawn_found(self) -> np.ndarray:
        """True extents (logarithms) of the notes found."""
        measured, error, expected = (v[~self.below] for v in (self.measured, self.se, self.mean))
        spread = np.sqrt(1 / (1 / self.sigma**2 + 1 / self.own))
        centre = spread**2 * (expected / self.sigma**2 + self.arrow / self.own)
        pick = _Picks(self.rng, len(centre))
        for some in _parts(len(centre)):
            m, se, mean, width, middle = (v[some] for v in (measured, error, expected, spread, centre))
            true = _powers(self.log * middle, self.log * width)
            y = middle + width * NODES[:, None]
            density = -0.5 * ((y - mean) / self.sigma) ** 2 - 0.5 * ((m - true) / se) ** 2
            density += _log_i0e(m * true / se**2, np.log(m / se**2) + self.log * y)
            pick.take(some, np.exp(density - density.max(axis=0)))
        return centre + spread * pick.nodes

    def _drawn_hidden(self) -> tuple[np.ndarray, np.ndarray]:
        """Extents (logarithms) of the notes not found, did they vibrate, and their chance not to be found."""
        most, error, expected = (v[self.below] for v in (self.measured, self.se, self.mean))
        usual = np.exp(-(NODES**2) / 2)
        reach, pick = np.empty(len(expected)), _Picks(self.rng, len(expected))
        for some in _parts(len(expected)):
            limit, se, mean = (v[some] for v in (most, error, expected))
            true = _powers(self.log * mean, np.full(len(mean), self.log * self.sigma))
            missed = special.ndtr((limit - np.sqrt(true**2 + se**2)) / se)
            reach[some] = usual @ missed / usual.sum()
            pick.take(some, missed * usual[:, None])
        return expected + self.sigma * pick.nodes, reach

    def _chances(self) -> np.ndarray:
        """Draw each player's chance to vibrate a note (Jeffreys' prior), for the notes not found."""
        people = self.people[self.below]
        found = np.bincount(self.people[~self.below], minlength=self.count)
        some = np.bincount(people[self.drawn], minlength=self.count)
        none = np.bincount(people[~self.drawn], minlength=self.count)
        return self.rng.beta(0.5 + found + some, 0.5 + none)[people]  # Jeffreys' prior of a share


def _parts(n: int) -> list[slice]:
    """Notes in parts whose tables stay in the processor's own memory: four times as quick as all at once."""
    return [slice(start, start + _PART) for start in range(0, n, _PART)]


class _Picks:
    """One node of each note, drawn by its density at all nodes, and evenly about it."""

    def __init__(self, rng: np.random.Generator, n: int):
        self._aim, self._about = rng.random(n), rng.random(n) - 0.5
        self.nodes = np.empty(n)

    def take(self, some: slice, density: np.ndarray) -> None:
        """Draw for some notes, given their density [shape=(nodes, notes)], which is summed in place."""
        for k in range(1, len(density)):  # row by row: np.cumsum down the columns takes seven times as long
            density[k] += density[k - 1]
        at = np.minimum((density < self._aim[some] * density[-1]).sum(axis=0), len(NODES) - 1)
        self.nodes[some] = NODES[at] + self._about[some] * (NODES[1] - NODES[0])


def _powers(middle: np.ndarray, width: np.ndarray) -> np.ndarray:
    """exp(middle + width * node) of every node [shape=(nodes, n)]: the nodes lie evenly, so by products."""
    out = np.empty((len(NODES), len(middle)))
    out[0] = np.exp(middle + width * NODES[0])
    step = np.exp(width * (NODES[1] - NODES[0]))
    for k in range(1, len(NODES)):
        np.multiply(out[k - 1], step, out=out[k])
    return out


def _log_i0e(z: np.ndarray, log_z: np.ndarray) -> np.ndarray:
    """Logarithm of exp(-z) I0(z), z > 0, given log z.

    For large z the logarithm of the series of Abramowitz & Stegun 1964, 9.7.1, to the fifth order.
    """
    inverse = 1 / z
    out = inverse * (
        # Abramowitz & Stegun 9.7.1, the logarithm of the series
        1 / 8 + inverse * (1 / 16 + inverse * (25 / 384 + inverse * (13 / 128 + inverse * 1073 / 5120)))
    )
    out -= 0.5 * (log_z + np.log(2 * np.pi))
    small = z < _SERIES_FROM
    out[small] = np.log(special.i0e(z[small]))
    return out


_SERIES_FROM = 9.0
"""From here on the series errs by less than 2e-6."""

_ENOUGH = 1e-6
"""Gain in deviance that a fit to drawn data may miss: a thousandth of a standard error."""

_PART = 512  # rows at a time: memory alone

_EXACT = 1e-3
"""Relative error of a note that has none: it is drawn as good as measured."""
