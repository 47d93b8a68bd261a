"""Degrees of freedom and standard errors for few players.

For a contrast l'b of the fixed effects with covariance Phi = (X'V^-1 X)^-1:

* **Satterthwaite** (the default): df = 2 (l'Phi l)^2 / Var(l'Phi l), the variance by the delta method
  from the curvature of the restricted likelihood at its optimum. On a boundary (a variance estimated
  as zero) that variance counts as known, as in lmerTest.
* **Kenward–Roger**: Phi is first enlarged for the uncertainty of the variances (expected
  information), and the df match the first two moments of F. A variance estimated as zero still
  counts as uncertain.
* **Between–within**: df by counting units; used where no likelihood theory is at hand (presence).

Which one
---------
Simulated in ``benchmarks/calibration.py`` (table: ``docs/tables/calibration.csv``; 4000 corpora a row). In
balanced corpora all three agree and are right. In unbalanced ones with 6 or 8 players Kenward–Roger is
too cautious (false alarms down to 1 % where 5 % is promised, when players differ little), while
Satterthwaite stays between 4 and 6 %; with 12 or more players they agree again. Hence the default. It
leaves 4 to 6 % in two extremes, both to the cautious side: six players with very heavy tails (3.8 %), and
players who do not differ at all (3.1 %), where a variance that cannot be negative is estimated too large
half of the time. :func:`vibstudy.stats.parametric_bootstrap` has 4.4 and 4.0 % there, and 4 to 6 %
elsewhere; it takes seconds instead of milliseconds and its last digit depends on a seed, so it is the
second opinion, not the default. A player-level permutation test cannot reach 5 % with six players, and
needs about twelve.

That is about models in which nothing varies within players and one variance serves all players. By default
players have slopes and spreads of their own (:mod:`vibstudy.stats.players`), and :class:`ByPlayers` judges.

References
----------
Satterthwaite 1946, Biometrics Bull. 2(6):110-114; Kuznetsova, Brockhoff & Christensen 2017,
J. Stat. Softw. 82(13); Kenward & Roger 1997, Biometrics 53(3):983-997; Halekoh & Højsgaard 2014,
J. Stat. Softw. 59(9).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from scipy import linalg, optimize, stats

from vibstudy.stats.moments import Solution
from vibstudy.stats.player_rows import LonePlayers, PlayerRows, constant_within
from vibstudy.stats.players import PlayerPart
from vibstudy.stats.terms import RandomTerm

_EIGENVALUE_FLOOR = 1e-8

LEAST_DF = 1.0
"""A variance rests on one independent quantity at least. Where groups of few players have a spread each and
share terms with the others (region means beside eight decades), the delta method comes to less, and to
intervals beyond all measure."""

WELCH_DF = 3
"""From this many degrees of freedom of each group's spread, Welch's series to the second order keeps 5 % (4.2
to 5.7 % for 4 against 4 to 20 players, spreads 1 to 10 either way; to the first order up to 6.2 %); below, it
gives up to 6.8 %, and the weights of Cochran & Cox 2 to 5.6 %. Simulated, 400,000 corpora a case."""

COCHRAN_DF = 2
"""Below this many even these weights give up to 8.5 %: the group's own degrees of freedom then."""


class Inference:
    """Standard errors and degrees of freedom of contrasts of the fixed effects."""

    label = ""
    covariance: np.ndarray

    def variance(self, contrast: np.ndarray) -> float:
        """Squared standard error of one contrast [shape=(p,)]."""
        return float(contrast @ self.covariance @ contrast)

    def reason(self, contrast: np.ndarray) -> str:
        """Why a contrast cannot be tested; "" when it can."""
        return ""

    def df(self, contrast: np.ndarray) -> float:
        """Degrees of freedom of one contrast [shape=(p,)]."""
        raise NotImplementedError

    def f_test(self, contrasts: np.ndarray) -> tuple[float, float, float]:
        """Joint test that all `contrasts` [shape=(q, p)] are zero: F, denominator df, p."""
        raise NotImplementedError


class Satterthwaite(Inference):
    """Satterthwaite inference on contrasts of a solved model."""

    label = "Satterthwaite"

    def __init__(self, solution: Solution):
        self.solution = solution
        self.covariance = solution.covariance

    @cached_property
    def parameter_covariance(self) -> np.ndarray:
        """Asymptotic covariance of (factor entries..., sigma); flat directions count as known."""
        values, vectors = linalg.eigh(self.solution.factor_hessian)
        keep = values > _EIGENVALUE_FLOOR
        return 2 * (vectors[:, keep] / values[keep]) @ vectors[:, keep].T

    def df(self, contrast: np.ndarray) -> float:
        """Degrees of freedom of one contrast [shape=(p,)]."""
        variance = float(contrast @ self.covariance @ contrast)
        slopes = np.einsum("i,kij,j->k", contrast, self.solution.factor_slopes, contrast)
        spread = float(slopes @ self.parameter_covariance @ slopes)
        return max(2 * variance**2 / spread, LEAST_DF) if spread > 0 else np.inf

    def f_test(self, contrasts: np.ndarray) -> tuple[float, float, float]:
        """Joint test that all `contrasts` [shape=(q, p)] are zero: F, denominator df, p.

        The contrasts are rotated to independent ones; their df are pooled by matching the mean of F
        (Fai & Cornelius 1996, as in lmerTest).
        """
        values, vectors = linalg.eigh(contrasts @ self.covariance @ contrasts.T)
        keep = values > max(_EIGENVALUE_FLOOR * float(values.max()), 0.0)
        rotated = vectors[:, keep].T @ contrasts
        q = len(rotated)
        f = float(np.mean((rotated @ self.solution.beta) ** 2 / values[keep]))
        each = np.array([self.df(row) for row in rotated])
        if q == 1:
            df = float(each[0])
        elif np.any(each <= 2):
            df = 2.0
        else:
            total = float(np.sum(each / (each - 2)))
            df = 2 * total / (total - q) if total > q else 2.0
        return f, df, float(stats.f.sf(f, q, df))


class KenwardRoger(Inference):
    """Kenward–Roger inference on contrasts of a solved model."""

    label = "Kenward–Roger"

    def __init__(self, solution: Solution):
        self.solution: Solution = solution
        first, second = solution.forms
        self._first, phi = first, solution.covariance
        self._weight = 2 * _inverse(solution.expected)
        between = np.einsum("rij,jk,skl->rsil", first, phi, first)
        middle = np.einsum("rs,rsij->ij", self._weight, second - between)
        self._phi = phi
        adjusted = phi + 2 * phi @ middle @ phi
        self.covariance = (adjusted + adjusted.T) / 2

    def _moments(self, contrasts: np.ndarray) -> tuple[float, float]:
        phi = self._phi
        theta = contrasts.T @ np.linalg.solve(contrasts @ phi @ contrasts.T, contrasts)
        parts = np.einsum("ij,jk,rkl,lm->rim", theta, phi, self._first, phi)
        singles = np.einsum("rii->r", parts)
        a1 = float(singles @ self._weight @ singles)
        a2 = float(np.einsum("rs,rij,sji->", self._weight, parts, parts))
        return a1, a2

    def df(self, contrast: np.ndarray) -> float:
        """Degrees of freedom of one contrast [shape=(p,)]."""
        return self._scale(contrast[None, :])[0]

    def _scale(self, contrasts: np.ndarray) -> tuple[float, float]:
        """Denominator df and the factor that F is multiplied by."""
        q = len(contrasts)
        a1, a2 = self._moments(contrasts)
        if a2 <= 0:
            return np.inf, 1.0
        if q == 1:  # where the general formula comes to this, without its zero over zero
            return max(2 / a2, LEAST_DF), 1.0
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        base = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / base, (q - g) / base, (q + 2 - g) / base
        mean = 1 / (1 - a2 / q)
        variance = (2 / q) * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = variance / (2 * mean**2)
        df = 4 + (q + 2) / (q * rho - 1)
        return float(df), float(df / (mean * (df - 2))) if df > 2 else 1.0

    def f_test(self, contrasts: np.ndarray) -> tuple[float, float, float]:
        """Joint test that all `contrasts` [shape=(q, p)] are zero: scaled F, denominator df, p."""
        q = len(contrasts)
        df, scale = self._scale(contrasts)
        estimate = contrasts @ self.solution.beta
        spread = np.linalg.solve(contrasts @ self.covariance @ contrasts.T, estimate)
        f = scale * float(estimate @ spread) / q
        return f, df, float(stats.f.sf(f, q, df))


def _inverse(matrix: np.ndarray) -> np.ndarray:
    """Inverse, or the pseudo-inverse when the matrix is singular to working precision."""
    values = np.abs(np.linalg.eigvalsh(matrix))
    if values.min() > SINGULAR * values.max():
        return np.linalg.inv(matrix)
    return np.linalg.pinv(matrix, rcond=SINGULAR, hermitian=True)


SINGULAR = 1e-10
"""Eigenvalues below this share of the largest are zero but for rounding."""


class WithShared(Satterthwaite):
    """Inference with an error that many notes share (an era's pitch standard, a speed) put on top.

    A known covariance of the fixed effects is added; it takes no degrees of freedom.

    Parameters
    ----------
    base : Satterthwaite or KenwardRoger
    added : ndarray [shape=(p, p)]
    """

    def __init__(self, base: Satterthwaite | KenwardRoger, added: np.ndarray):
        super().__init__(base.solution)
        self._base, self._added, self.label = base, added, base.label
        self.covariance = base.covariance + added

    def reason(self, contrast: np.ndarray) -> str:
        """Why a contrast cannot be tested; "" when it can."""
        return self._base.reason(contrast)

    def variance(self, contrast: np.ndarray) -> float:
        """Squared standard error of one contrast [shape=(p,)]."""
        return self._base.variance(contrast) + float(contrast @ self._added @ contrast)

    def df(self, contrast: np.ndarray) -> float:
        """Degrees of freedom of one contrast [shape=(p,)]."""
        return self._base.df(contrast) * (self.variance(contrast) / self._base.variance(contrast)) ** 2


FLAT = 1e-9
"""Information below this share of what there would be, were the means known, is none but for rounding."""


def flat_directions(solution: Solution) -> np.ndarray:
    """Directions of the variances of which the notes tell nothing, whatever they sound like.

    Where each player of a group stands at decades of his own, wider spreads of the groups and wider own ways
    of the players with the decade come to the same: the likelihood is a ridge, and where on it the search
    ends is up to rounding.

    Parameters
    ----------
    solution : Solution

    Returns
    -------
    ndarray [shape=(r, k)]
        Each of the length of one standard error, were the means known.
    """
    sizes = np.sqrt(np.diag(solution.known_means))
    sizes[sizes == 0] = 1.0  # a group whose only player is left out
    values, vectors = np.linalg.eigh(solution.expected / np.outer(sizes, sizes))
    return vectors[:, values < FLAT] / sizes[:, None]


class ByPlayers(Satterthwaite):
    """Inference that never trusts more than the players allow.

    * Satterthwaite, with the players' own slopes in the model, but never more degrees of freedom than players
      less the terms that differ between them: a slope's variance estimated as zero does not turn notes into
      players.
    * Where the players' variance is one a group, a contrast between players is Welch's test to the second
      order of his series, with the cautions of :data:`WELCH_DF` and :data:`COCHRAN_DF` for small groups.
    * A term that varies within some players, and differs between others, is judged by two sources whose
      weights are themselves estimated. There a variance estimated as zero counts as uncertain (degrees of
      freedom by the expected information, Kenward & Roger 1997): with 3 of 8 players in both periods 4 %
      false alarms instead of 8 %.
    * A contrast constant within the levels of a further random factor (regions, schools drawn) has no more
      degrees of freedom than these allow: levels less the terms constant within them.
    * A contrast that one player alone makes estimable: not testable; nor one whose standard error changes
      along a direction of the variances that nothing tells of (:func:`flat_directions`).

    Parameters
    ----------
    solution : Solution
    rows : PlayerRows
    part : PlayerPart

    References
    ----------
    Welch 1947, Biometrika 34:28-35; Cochran & Cox 1957, Experimental Designs, sec. 4.14; Mickey & Brown 1966,
    Ann. Math. Stat. 37(3):639-642.
    """

    label = "Satterthwaite, by players"

    def __init__(self, solution: Solution, rows: PlayerRows, part: PlayerPart):
        super().__init__(solution)
        self._between = rows.between
        own = rows.first[:, self._between]
        self._rank = int(np.linalg.matrix_rank(own)) if own.size else 0
        self._cap = max((part.players or len(own)) - self._rank, 1)
        self._coarse = rows.coarse
        self._lone = LonePlayers(rows)
        self._some = ~self._between & ~np.all(rows.moved, axis=0)
        self._spare: list[float] = []
        if part.groups:
            hat = np.einsum("ij,ji->i", own, np.linalg.pinv(own))
            member = rows.design[:, : part.groups] > 0
            self._spare = [float(np.sum(1 - hat[member[:, k]])) for k in range(part.groups)]

    def reason(self, contrast: np.ndarray) -> str:
        """Why a contrast cannot be tested; "" when it can."""
        return self._lone.reason(contrast) or self._unsure(contrast)

    @cached_property
    def _flat(self) -> np.ndarray:
        return flat_directions(self.solution)

    def _unsure(self, contrast: np.ndarray) -> str:
        flat = self._flat
        if not flat.size:
            return ""
        slopes = np.einsum("i,kij,j->k", contrast, self.solution.covariance_slopes, contrast)
        if np.max(np.abs(slopes @ flat)) < 1e-6 * self.variance(contrast):
            return ""
        return "Its error cannot be estimated: these notes cannot tell the variances apart that it rests on."

    def df(self, contrast: np.ndarray) -> float:
        """Degrees of freedom of one contrast [shape=(p,)]."""
        used = np.abs(contrast) > 1e-12 * np.abs(contrast).max()
        cap = min([self._cap, *(left for constant, left in self._coarse if np.all(constant[used]))])
        usual = min(super().df(contrast), cap)
        if np.any(used & self._some):
            usual = min(usual, self._expected.df(contrast))
        if not self._spare:
            return usual
        solution, variance = self.solution, self.variance(contrast)
        groups = [
            place for place, (term, column, _) in enumerate(solution.parameters)
            if term == 0 and column < len(self._spare)
        ]  # fmt: skip
        slopes = np.array([contrast @ solution.covariance_slopes[place] @ contrast for place in groups])
        if not np.any(slopes > 1e-9 * variance / solution.sigma**2):
            return usual
        sizes = [solution.factors[0][k, k] for k in range(len(groups))]
        shares = slopes * (solution.sigma * np.array(sizes)) ** 2 / variance
        # what recordings and notes add to a group's mean is as uncertain as the group is small
        shares += (1 - shares.sum()) * slopes / slopes.sum()
        inverse, least = 1 / usual, np.inf
        for share, slope, own in zip(shares, slopes, self._spare, strict=True):
            spare = max(own, 0.5)
            if spare >= WELCH_DF - 1e-6 or slope <= 1e-9 * variance / solution.sigma**2:
                continue
            inverse = max(inverse, 1 / usual + (share - share**2) / spare, share / spare)
            if spare < COCHRAN_DF - 1e-6:
                least = min(least, max(spare, 1.0))
        involved = np.array(self._spare)[slopes > 1e-9 * variance / solution.sigma**2]
        if len(involved) > 1 and involved.min() >= WELCH_DF - 1e-6:
            return min(second_order(usual, shares, np.maximum(self._spare, 0.5)), cap)
        return min(1 / inverse, least)

    @cached_property
    def _expected(self) -> KenwardRoger:
        return KenwardRoger(self.solution)

    def f_test(self, contrasts: np.ndarray) -> tuple[float, float, float]:
        """Joint test that all `contrasts` [shape=(q, p)] are zero: F, denominator df, p."""
        if any(self.reason(row) for row in contrasts):
            return np.nan, np.nan, np.nan
        return super().f_test(contrasts)


def second_order(df: float, shares: np.ndarray, spare: np.ndarray) -> float:
    """Degrees of freedom that give the bound of a 95 % interval to the second order of Welch's series.

    Parameters
    ----------
    df : float
        Satterthwaite's, which are the first order.
    shares : ndarray [shape=(groups,)]
        Share of each group in the variance of the contrast.
    spare : ndarray [shape=(groups,)]
        Degrees of freedom of each group's variance.

    References
    ----------
    Welch 1947, Biometrika 34:28-35: bound = z (1 + (1 + z²) A / 4 - (1 + z²) B / 2 + (3 + 5 z² + z⁴) C / 3
    - (15 + 32 z² + 9 z⁴) A² / 32) with A = sum share² / df, B = sum share² / df², C = sum share³ / df² (from
    memory; with one group it is the series of Student's t). Taken here: its difference from the series of t
    with 1 / A degrees of freedom.
    """
    if df <= 1:  # the series has nothing to say of a spread that one observation tells
        return df
    z = float(stats.norm.ppf(0.975))
    a, b = float(np.sum(shares**2 / spare)), float(np.sum((shares / spare) ** 2))
    c = float(np.sum(shares**3 / spare**2))
    added = z * ((3 + 5 * z**2 + z**4) * c / 3 - (1 + z**2) * b / 2 - (3 + 7 * z**2 + 2 * z**4) * a**2 / 6)
    wanted = float(stats.t.ppf(0.975, df)) + added
    if wanted <= float(stats.t.ppf(0.975, 1e6)):
        return np.inf
    root = optimize.brentq(lambda log: stats.t.ppf(0.975, np.exp(log)) - wanted, -2.0, np.log(1e6))
    return float(np.exp(root))


class BetweenWithin(Inference):
    """Degrees of freedom by the level at which a term differs.

    A column that is constant within every player is judged by the players, one constant within every
    level of another random factor by those levels, any other by the notes: the number of units less
    the independent columns constant within them. A contrast takes the smallest df of its columns.

    Parameters
    ----------
    covariance : ndarray [shape=(p, p)]
    x : ndarray [shape=(n, p)]
    terms : sequence of RandomTerm
    part : PlayerPart | None
        With own slopes no contrast has more degrees of freedom than the players allow.
    """

    label = "between–within"

    def __init__(
        self,
        covariance: np.ndarray,
        x: np.ndarray,
        terms: Sequence[RandomTerm],
        part: PlayerPart | None = None,
    ):
        self.covariance = covariance
        self._columns = np.full(x.shape[1], float(len(x) - x.shape[1]))
        for term in sorted(terms, key=lambda t: -len(t.levels)):
            constant, rank = constant_within(x, term)
            self._columns[constant] = max(len(term.levels) - rank, 1)
        self._lone = LonePlayers(PlayerRows.of(x, terms[0])) if part is not None and part.own else None
        if part is not None and part.own:
            rank = constant_within(x, terms[0])[1]
            self._columns = np.minimum(self._columns, max(part.players - rank, 1))

    def df(self, contrast: np.ndarray) -> float:
        """Degrees of freedom of one contrast [shape=(p,)]."""
        used = np.abs(contrast) > 1e-12 * np.abs(contrast).max()
        return float(self._columns[used].min())

    def reason(self, contrast: np.ndarray) -> str:
        """Why a contrast cannot be tested; "" when it can."""
        return "" if self._lone is None else self._lone.reason(contrast)


def make_inference(
    solution: Solution,
    x: np.ndarray,
    terms: Sequence[RandomTerm],
    part: PlayerPart,
    df: str,
    added: np.ndarray | None = None,
) -> Satterthwaite | KenwardRoger:
    """The inference that a model asks for.

    Parameters
    ----------
    solution : Solution
    x : ndarray [shape=(n, p)]
        Estimable design.
    terms : sequence of RandomTerm
    part : PlayerPart
    df : str
        A name of :data:`METHODS`.
    added : ndarray [shape=(p, p)] or None
        Covariance of the fixed effects from errors that notes share.
    """
    rows = PlayerRows.of(x, terms[0], terms[1:]) if terms else None
    base = inference_of_rows(solution, rows, part, df)
    return base if added is None else WithShared(base, added)


def inference_of_rows(
    solution: Solution, rows: PlayerRows | None, part: PlayerPart, df: str
) -> Satterthwaite | KenwardRoger:
    """As :func:`make_inference`, from what is gathered by player; None where no term is random."""
    if rows is not None and df == "satterthwaite" and (part.own or part.spread):
        return ByPlayers(solution, rows, part)
    return METHODS[df](solution)


METHODS: dict[str, type[Satterthwaite] | type[KenwardRoger]] = {
    "satterthwaite": Satterthwaite,
    "kenward-roger": KenwardRoger,
}
"""Ways to get degrees of freedom, by the name the user writes."""
