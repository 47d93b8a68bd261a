"""What the corpus says to one claim, as data, before correction for the number of claims and looks."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from vibstudy.stats.claimfile import Claim
from vibstudy.stats.fitted import Scale
from vibstudy.stats.multiple import Evidence
from vibstudy.stats.question import Reply, shown
from vibstudy.stats.remarks import Remark

ALPHA = 0.05


@dataclass(frozen=True)
class Other:
    """The same contrast under one change of model or notes.

    Parameters
    ----------
    kind : str
        tag, line, scale, weights, worst case, limits.
    name : str
        Which: the tag, "lowest", ...
    evidence : Evidence | None
        None where the change leaves nothing to compare.
    estimate, low, high : float
        As shown.
    """

    kind: str
    name: str
    evidence: Evidence | None
    estimate: float = np.nan
    low: float = np.nan
    high: float = np.nan

    @classmethod
    def of(cls, kind: str, name: str, reply: Reply | None, times: float = 1.0) -> Other:
        """A reply to the same question asked otherwise; None where there was none."""
        if reply is None:
            return cls(kind, name, None)
        return cls(kind, name, reply.evidence, *(times * x for x in (reply.shown, reply.low, reply.high)))


@dataclass(frozen=True)
class Finding:
    """What the corpus says to one claim, before correction for the number of claims and looks.

    Parameters
    ----------
    claim : Claim
    obstacle : Remark | None
        Why it cannot be tested here; None when it can.
    estimate, low, high : float
        Difference *to* minus *from* in `unit`, with its 95 % interval.
    unit : str
    evidence : Evidence
        p for and against the claim.
    df : float
    players, recordings, notes : int
    labels : tuple of str
        What is compared: the two sides, and the two of the column it changes across.
    remarks : tuple of Remark
    others : tuple of Other
        What changes of the model say.
    told : tuple of float
        Share of notes of each side that could be told.
    formula, method : str
    raw : tuple of float
        Estimate, standard error and margin on the model's scale.
    used : tuple of str
        Recordings.
    look : str
        What tells this look from another one: the notes that each recording gave, and its side.
    """

    claim: Claim
    obstacle: Remark | None = None
    estimate: float = np.nan
    low: float = np.nan
    high: float = np.nan
    unit: str = ""
    evidence: Evidence = field(default_factory=lambda: Evidence(np.nan, np.nan))
    df: float = np.nan
    players: int = 0
    recordings: int = 0
    notes: int = 0
    labels: tuple[str, ...] = ()
    remarks: tuple[Remark, ...] = ()
    others: tuple[Other, ...] = ()
    told: tuple[float, float] = (np.nan, np.nan)
    formula: str = ""
    method: str = ""
    raw: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    used: tuple[str, ...] = field(default=(), repr=False)
    look: str = ""
    scale: Scale | None = field(default=None, repr=False, compare=False)

    @property
    def p(self) -> float:
        """The p that is corrected: of the side the data lean to."""
        return float("nan") if self.obstacle else self.evidence.p

    def verdict(self, factor: float = 1.0) -> str:
        """The verdict, p raised by `factor`."""
        return "not testable here" if self.obstacle else self.evidence.verdict(factor, ALPHA)

    def turned_by(self, factor: float = 1.0) -> list[Other]:
        """Changes of the model under which a decided verdict would not stand, their own p uncorrected.

        Corrected as the claim itself, a tag would be called a confounder for the degrees of freedom it costs.
        """
        verdict = self.verdict(factor)
        if verdict not in ("supported", "against"):
            return []
        return [o for o in self.others if o.evidence is None or o.evidence.verdict(1.0, ALPHA) != verdict]

    def interval(self, level: float) -> tuple[float, float]:
        """Interval of `level`, as shown."""
        from scipy import stats

        estimate, se, _ = self.raw
        half = float(stats.t.ppf(0.5 + level / 2, self.df)) * se
        low, high = shown(self.scale, [estimate - half, estimate + half])
        return low, high
