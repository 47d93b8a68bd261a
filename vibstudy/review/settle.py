r"""Which notes to hear so that the claims are settled, and when it is enough.

How much a verdict bears
    Suppose that a share of the notes nobody has heard is wrong, and that these are the worst possible ones:
    on each side of the comparison those that hold the verdict up. They are taken away, and the claim is asked
    again; then likewise those that hold it down. The largest share in :data:`SHARES` at which the verdict
    is the same both ways is what it *bears*. (Taking the extremes of one side bounds what selection can do:
    Lee 2009, Rev. Econ. Stud. 76(3):1071-1102.) A note that a listener would mend, not leave out, counts as
    left out.

How many notes may be wrong
    Of *n* notes heard *k* were left out or mended. With 95 % confidence the share of wrong notes is below
    the one-sided limit of Clopper & Pearson 1934 (Biometrika 26:404-413), when those heard were drawn by
    lot; with none wrong that is about 3/n (Hanley & Lippman-Hand 1983, JAMA 249:1743-1745). Notes picked
    because they were doubtful make it higher than it is.

Enough
    When that limit is no higher than what the verdict bears, more listening will not change it. Until then
    the room tells how many notes are needed if things go on as they have gone.

Whose notes
    The next note is one of the player from whom most is learnt: not knowing the share :math:`w_j` of wrong
    notes leaves in a claim's difference the variance :math:`(s_j / m_j)^2 \mathrm{var}(w_j)`, with
    :math:`s_j` the spread of the player's figures and :math:`m_j` the number of players on their side; a
    Beta distribution over :math:`w_j` says how much of it one more note takes away. With many notes that is
    the allocation of Neyman 1934 (J. R. Stat. Soc. 97:558-625): in proportion to the spread. Within a player
    notes are drawn by lot; every player compared is heard at least once. Claims that few notes settle come
    first.

What this leaves out: looks at a growing corpus, tags that could explain the difference, the corrections of a
note's figures. ``vibstudy claims`` has the last word on a verdict.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from vibstudy.errors import VibstudyError
from vibstudy.stats.claimfile import Claim
from vibstudy.stats.finding import ALPHA
from vibstudy.stats.multiple import holm
from vibstudy.stats.question import Question
from vibstudy.stats.remarks import NotTestable
from vibstudy.stats.selection import is_proper
from vibstudy.threads import one_thread

SHARES = (0.0, 0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.3, 0.5)
"""Shares of wrong notes that a verdict is tried with."""
CONFIDENCE = 0.95
MOST = 400
"""More notes than anybody hears for one claim: the rule of three asks for 300 when it bears 1 per cent."""


# --- how many notes may be wrong


def wrong_at_most(wrong: int, heard: int) -> float:
    """Upper limit (one-sided, 95 %) of the share of wrong notes when `wrong` of `heard` were; 1 of none."""
    if wrong >= heard:
        return 1.0
    return float(stats.beta.ppf(CONFIDENCE, wrong + 1, heard - wrong))


def notes_needed(bears: float, wrong: int, heard: int) -> int | None:
    """How many notes must be heard in all until the limit is no higher than what a verdict bears.

    Parameters
    ----------
    bears : float [range 0..1]
        Share of wrong notes that the verdict bears.
    wrong, heard : int
        So far. Those to come are expected to be wrong as often.

    Returns
    -------
    int | None
        None when :data:`MOST` are not enough.
    """
    if wrong_at_most(wrong, heard) <= bears:
        return heard
    share = wrong / heard if heard else 0.0
    low, high = heard, MOST

    def short(count: int) -> bool:
        return wrong_at_most(int(np.ceil(wrong + share * (count - heard))), count) > bears

    if short(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if short(middle) else (low, middle)
    return high


# --- how much a verdict bears


def worst(values: np.ndarray, side: np.ndarray, unheard: np.ndarray, share: float, lean: int) -> np.ndarray:
    """Return which notes are left when the unheard notes that most make a difference are wrong.

    Parameters
    ----------
    values, side : ndarray [shape=(n,)]
        Outcome, and side (-1, 0, 1), of the notes.
    unheard : ndarray of bool [shape=(n,)]
        Those that may be wrong.
    share : float [range 0..1]
        Of each side's unheard notes, how many are.
    lean : {1, -1}
        1 takes away what makes the second side higher, -1 what makes it lower.
    """
    keep = np.ones(len(values), bool)
    for way in (-1, 1):
        own = np.flatnonzero((side == way) & unheard & np.isfinite(values))
        order = own[np.argsort(-way * lean * values[own], kind="stable")]
        keep[order[: round(share * len(own))]] = False
    return keep


@dataclass(frozen=True)
class Need:
    """What one claim needs of its listeners.

    Parameters
    ----------
    claim, verdict : str
        Its id, and the verdict as the notes stand now.
    bears : float
        Share of wrong notes that the verdict bears; NaN where it is not testable.
    members : frozenset of str
        Notes that stand in the comparison, and those of its players that listeners left out or mended: they
        tell how often notes are wrong.
    unheard : frozenset of str
        Notes in the comparison that nobody has decided on.
    weights : dict of str to float
        Pull of each player's notes on the difference; their sum is 1.
    heard, wrong : int
        Of `members`.
    """

    claim: str
    verdict: str
    bears: float
    members: frozenset[str]
    unheard: frozenset[str]
    weights: Mapping[str, float]
    heard: int = 0
    wrong: int = 0

    @property
    def at_most(self) -> float:
        """Share of wrong notes there can be."""
        return wrong_at_most(self.wrong, self.heard)

    @property
    def needed(self) -> int:
        """Notes to be heard in all: at least one of each player; every one where no sample is enough."""
        if not np.isfinite(self.bears):
            return 0
        whole = self.heard + len(self.unheard)
        found = notes_needed(self.bears, self.wrong, self.heard)
        return whole if found is None else min(max(found, len(self.weights)), whole)

    @property
    def settled(self) -> bool:
        """Whether more listening will not change the verdict."""
        return not np.isfinite(self.bears) or self.heard >= self.needed

    @property
    def share(self) -> float:
        """How far the listening has come."""
        return 1.0 if self.settled else self.heard / self.needed

    def after(self, words: Mapping[str, bool]) -> Need:
        """With decisions: of each note decided on, whether it was right."""
        own = [right for note, right in words.items() if note in self.members]
        return replace(self, unheard=self.unheard.difference(words), heard=len(own), wrong=own.count(False))

    def words(self) -> str:
        """Where the listening stands, in one sentence."""
        if not np.isfinite(self.bears):
            return f"{self.claim}: these recordings cannot tell, whatever is heard."
        heard = f"{self.wrong} of {self.heard} notes heard were wrong"
        so_far = heard if self.heard else "none of its notes heard yet"
        stands = f"it stays \N{LEFT DOUBLE QUOTATION MARK}{self.verdict}\N{RIGHT DOUBLE QUOTATION MARK}"
        if not self.unheard:
            return f"{self.claim}: every note has been heard; {self.verdict}."
        if self.settled:
            return (
                f"{self.claim}: enough. {so_far}, so of the others at most {_per_cent(self.at_most)} are "
                f"(95 %); {stands} even if {_per_cent(self.bears)} were, and the worst ones. More listening "
                "will not change it."
            )
        if self.bears == 0 or self.needed >= MOST or self.needed >= self.heard + len(self.unheard):
            alone = f"{self.verdict}, but single notes can change it: hear all {self.needed}"
            return f"{self.claim}: {so_far}; {alone}."
        return (
            f"{self.claim}: {so_far}; about {self.needed} are enough. {stands[0].upper()}{stands[1:]} if at "
            f"most {_per_cent(self.bears)} of the notes are wrong."
        )


def _per_cent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 or share == 0 else "less than 1 %"


@one_thread
def needs_of(claims: Sequence[Claim], notes: pd.DataFrame, decided: Collection[str] = ()) -> list[Need]:
    """What each claim needs.

    Parameters
    ----------
    claims : sequence of Claim
        Those written down before looking, usually.
    notes : DataFrame
        Note table with decisions applied: ``note_id, player, recording_id, reviewed``, and what claims need.
    decided : collection of str
        Further notes that need not be heard.
    """
    if absent := [name for name in ("note_id", "player", "recording_id") if name not in notes]:
        raise VibstudyError(f"notes have no {', '.join(absent)}: nothing can be proposed")
    asked = [_Asked(claim, notes, set(decided)) for claim in claims]
    p = np.array([item.p for item in asked])
    factors = np.where(p > 0, holm(p) / np.where(p > 0, p, 1.0), 1.0)
    return [item.need(float(factor)) for item, factor in zip(asked, factors, strict=True)]


class _Asked:
    """One claim put to the notes as they are."""

    def __init__(self, claim: Claim, notes: pd.DataFrame, decided: set[str]):
        self.claim, self.p = claim, float("nan")
        self.question: Question | None = None
        try:
            self.question = question = Question(claim, notes)
            self.evidence = question.ask().evidence
            self.p = self.evidence.p
        except (NotTestable, VibstudyError):
            return
        chosen = question.chosen
        across = question.across
        self.side = question.axis.side * (across.side if across is not None else 1)
        self.values = pd.to_numeric(chosen[claim.outcome], errors="coerce").to_numpy(float, na_value=np.nan)
        auto = ~_said(chosen) & ~chosen["note_id"].isin(decided).to_numpy(bool)
        self.unheard = auto & question.known
        self.names = chosen["note_id"].astype(str).to_numpy()
        players = chosen["player"].astype(str).to_numpy()
        self.players = players
        stands = question.known & (self.side != 0)
        mended = notes[_said(notes) & ~notes.get("reviewed", pd.Series("auto", notes.index)).eq("accepted")]
        mended = mended[mended["player"].astype(str).isin(set(players[stands]))]
        self.members = frozenset(self.names[stands]) | frozenset(mended["note_id"].astype(str))
        self.wrong = len(mended)
        right = _said(chosen) & chosen["note_id"].astype(str).isin(self.members).to_numpy(bool)
        right &= ~chosen["note_id"].isin(mended["note_id"]).to_numpy(bool)
        self.heard = self.wrong + int(right.sum())

    def need(self, factor: float) -> Need:
        if not np.isfinite(self.p):
            return Need(self.claim.id, "not testable here", float("nan"), frozenset(), frozenset(), {})
        verdict = self.evidence.verdict(factor, ALPHA)
        return Need(
            self.claim.id,
            verdict,
            self._bears(verdict, factor),
            self.members,
            frozenset(self.names[self.unheard & (self.side != 0)]),
            self._weights(),
            self.heard,
            self.wrong,
        )

    def _bears(self, verdict: str, factor: float) -> float:
        """The largest share at which the verdict stands; found by halving, for what bears much bears less."""
        low, high = 0, len(SHARES)
        while high - low > 1:
            middle = (low + high) // 2
            stands = all(self._verdict(SHARES[middle], lean, factor) == verdict for lean in (1, -1))
            low, high = (middle, high) if stands else (low, middle)
        return SHARES[low]

    def _verdict(self, share: float, lean: int, factor: float) -> str:
        assert self.question is not None
        keep = worst(self.values, self.side, self.unheard, share, lean)
        try:
            return self.question.ask(keep=keep).evidence.verdict(factor, ALPHA)
        except (NotTestable, VibstudyError):
            return "not testable here"

    def _weights(self) -> dict[str, float]:
        """Spread of each player's figures over the number of players on their side."""
        assert self.question is not None
        values = np.log(self.values) if self.claim.scale == "log" else self.values
        pull: dict[str, float] = {}
        for way in (-1, 1):
            own = self.question.known & (self.side == way)
            names = set(self.players[own])
            for name in names:
                spread = float(np.std(values[own & (self.players == name)]))
                pull[name] = pull.get(name, 0.0) + spread / len(names)
        whole = sum(pull.values())
        return {name: value / whole for name, value in sorted(pull.items())} if whole > 0 else {}


def _counts(names: pd.Series | np.ndarray) -> Counter[str]:
    return Counter(map(str, names))


def _said(notes: pd.DataFrame) -> np.ndarray:
    if "reviewed" not in notes:
        return np.zeros(len(notes), bool)
    return (~notes["reviewed"].fillna("auto").eq("auto")).to_numpy(bool)


# --- whose notes


def allot(
    pull: Mapping[str, float],
    available: Mapping[str, int],
    heard: Mapping[str, int],
    wrong: float,
    count: int,
) -> list[str]:
    """Whose note is to be heard next, and next.

    Parameters
    ----------
    pull : mapping of str to float
        Pull of each player's notes.
    available, heard : mapping of str to int
        Notes of each player not heard yet, and heard.
    wrong : float [range 0..1]
        Share of wrong notes expected.
    count : int
        Notes wanted; fewer where there are no more.

    Returns
    -------
    list of str
        A player for each note, most gain first.
    """
    variance = max(wrong * (1.0 - wrong), 1e-6)

    def rank(name: str) -> tuple[bool, float, str]:
        """Those nobody has heard first, then by what one more note takes away."""
        before, after = seen[name] + 2.0, seen[name] + 3.0  # of a Beta(1, 1) that has seen so many notes
        return seen[name] > 0, -(pull[name] ** 2) * variance * (1.0 / before - 1.0 / after), name

    left = {name: available.get(name, 0) for name in pull}
    seen = {name: heard.get(name, 0) for name in pull}
    heap = [rank(name) for name in pull if left[name] and pull[name] > 0]
    heapq.heapify(heap)
    order: list[str] = []
    while heap and len(order) < count:
        name = heapq.heappop(heap)[-1]
        order.append(name)
        seen[name] += 1
        left[name] -= 1
        if left[name]:
            heapq.heappush(heap, rank(name))
    return order


@dataclass(frozen=True, eq=False)
class Proposal:
    """Notes to hear, in order, and what the claims need.

    Parameters
    ----------
    queue : DataFrame
        As :mod:`vibstudy.review.queue` makes them.
    needs : list of Need
    """

    queue: pd.DataFrame
    needs: list[Need]

    def players(self) -> pd.DataFrame:
        """How many notes of each player are proposed: ``player, notes``."""
        counts = self.queue["player"].value_counts().sort_index()
        return pd.DataFrame({"player": counts.index, "notes": counts.to_numpy()})

    def progress(self, words: Mapping[str, bool]) -> list[dict[str, Any]]:
        """For each claim a sentence and how far its listening has come, 0 to 1; no player is named.

        Parameters
        ----------
        words : mapping of str to bool
            Of each note decided on, whether it was right.
        """
        told = [need.after(words) for need in self.needs]
        return [{"words": need.words(), "share": need.share} for need in told]


def propose(
    claims: Sequence[Claim], notes: pd.DataFrame, decided: Collection[str] = (), seed: int = 1
) -> Proposal:
    """A sample per player that settles the claims.

    Parameters
    ----------
    claims : sequence of Claim
    notes : DataFrame
        Note table of the study with decisions applied.
    decided : collection of str
        Notes that need not be heard any more.
    seed : int
        The same seed and table propose the same notes.

    Raises
    ------
    VibstudyError
        When there is no claim, or no note.
    """
    if not claims:
        raise VibstudyError(
            "there is no claim that listening could settle",
            repair="Write your claims into claims.toml, or hear notes by suspicion or by lot",
        )
    needs = needs_of(claims, notes, decided)
    free = notes[is_proper(notes) & ~_said(notes) & ~notes["note_id"].isin(list(decided)).to_numpy(bool)]
    free = free.iloc[np.random.default_rng(seed).permutation(len(free))]
    ids, players = free["note_id"].astype(str).to_numpy(), free["player"].astype(str).to_numpy()
    heard = _counts(notes[_said(notes)]["player"])
    places: list[int] = []
    for need in sorted((need for need in needs if not need.settled), key=lambda need: need.needed):
        taken = set(ids[places])
        own = np.array([note in need.unheard and note not in taken for note in ids], bool)
        missing = need.needed - need.heard - len(need.unheard & taken)
        seen = heard + _counts(players[places])
        share = need.wrong / need.heard if need.heard else 0.5
        rest = {name: iter(np.flatnonzero(own & (players == name))) for name in need.weights}
        order = allot(need.weights, _counts(players[own]), seen, share, missing)
        places += [int(next(rest[name])) for name in order]
    return Proposal(free.iloc[places].reset_index(drop=True), needs)
