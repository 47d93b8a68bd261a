"""Claims: written before looking, tested afterwards, answered in words.

``claims.toml`` holds one ``[[claim]]`` block a claim::

    [[claim]]
    id = "slower"
    sentence = "Vibrato became slower between the 1930s and the 1970s."
    outcome = "rate_hz"
    contrast = { column = "decade", from = 1930, to = 1970 }
    expect = "lower"

===============  ==================================================================================
``id``           short name, unique in the file
``sentence``     what is claimed, as it will stand in the paper
``outcome``      a column of the note table; ``has_vibrato`` for presence
``contrast``     ``column``, ``from``, ``to``: what is compared, always *to* minus *from*. Decades and years
                 are compared as named, not along a line; ``shape = "trend"`` claims a straight line
                 over that span, ``"curve"`` takes a smooth curve, ``break = 1960`` compares all before with
                 all from then on; other numbers go along a line unless ``factor = true`` or they take four
                 values at most (:mod:`vibstudy.stats.predictors`). With ``across``, ``across_from``,
                 ``across_to``: whether that difference itself changes ("the regions grew alike": column
                 region, across decade)
``expect``       lower, higher, different, or equal
``margin``       in the outcome's unit, or in per cent when it is modelled on a logarithmic scale. With lower
                 and higher the least difference claimed: "by at least". With different and equal,
                 differences smaller than this count as none; equal needs it
``adjust``       further terms of the model, e.g. ``["region", "midi"]``: columns, ``C(column)``,
                 ``log2(column)``, ``I(column ** 2)``, or two joined by ``*``
``crossed``      further random factors, e.g. ``["piece"]``
``filter``       which notes, e.g. ``"medium != 'acoustic_disc'"`` (:mod:`vibstudy.stats.filters`)
``scale``        log or plain; log by default for extent and depths
``plan``         ``{ players = 20 }`` or ``{ recordings = 100 }``: how large the corpus is to become, for
                 those who test before it is complete, or may go on collecting; to be written before the first
                 look (:mod:`vibstudy.stats.looks`)
``exploratory``  true for what was found by looking; such claims are labelled, and corrected apart
===============  ==================================================================================

Verdicts
--------
* **supported**: p for the claim (after Holm) is below 0.05. For *equal*, and for *different* with a margin,
  the question is on which side of the margin the difference lies: the two answer each other's opposite.
* **against**: p against it is below 0.05: the difference has the other direction, is shown to fall short of
  the margin, or (*equal*) to exceed it.
* **undecided**: neither. Not the same as "no difference".
* **not testable here**: the corpus cannot tell: an empty cell, an aliased term, a level with a single
  player, a tag that goes together with what is compared without exception, a misspelt column or level. The
  reason is given.

A decided verdict is put to the model with each further tag in it (medium, region, school, accompaniment,
room, instrument, whether the speed is known; decade; piece, tempo; the players' lineage, where teachers are
named; every column of the user's own that says one thing of each recording and the same of several players;
register and length of the notes). Schools within regions, pieces and lineages are drawn as players are. Where
the verdict does not stand, it says so in the same breath: "Supported, but these recordings cannot tell decade
from medium". A trend is asked once more with a bend in it: where it does not stand, a steady change cannot be
told from one that turns on its way. Where one side lost 15 points more of its notes to measuring than the
other, the same is done with weights for the notes lost and in the two worst cases
(:mod:`vibstudy.stats.missingness`). A verdict on extents is also asked with the notes in which no vibrato was
found, as straight or narrower than could be found in them (:mod:`vibstudy.stats.censored`).

p is that of the mixed model (presence: between–within), raised for looks at a growing corpus, then corrected
by Holm over every confirmatory claim that was ever logged (:mod:`vibstudy.stats.history`), exploratory ones
apart. Intervals are 95 %, each by itself, wider where looks must be paid for. Which notes count:
:mod:`vibstudy.stats.selection`; notes rejected by the listener never do.

When it was written
-------------------
Every run logs claims and recordings that are new, what was withdrawn, settings, tags and edits
(:mod:`vibstudy.stats.ledger`). ``standing`` says whether the claim, as it reads now, was logged before the
recordings it is tested on. Changing anything that affects the test (not the sentence's wording) makes it a
new claim.

A difference between groups of recordings that happened to be made and kept is no proof of its cause.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from vibstudy.stats import words
from vibstudy.stats.claimfile import CLAIMS_FILE, Claim, Contrast, Plan, read_claims
from vibstudy.stats.examine import examine
from vibstudy.stats.finding import ALPHA, Finding
from vibstudy.stats.history import (
    Past,
    Recordings,
    bygone_tests,
    marks_of,
    past_of,
    plan_text,
    withdrawn,
)
from vibstudy.stats.ledger import FILE_NAME, Ledger
from vibstudy.stats.logbook import hashes_of, log_new, log_verdicts, measured_tables
from vibstudy.stats.looks import Standing, standing_of
from vibstudy.stats.multiple import holm
from vibstudy.terminal import in_one_line, put

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "CLAIMS_FILE",
    "Claim",
    "Contrast",
    "Finding",
    "Plan",
    "evaluate_claims",
    "examine",
    "read_claims",
    "run_claims",
]

FIRST = "written first"
"""Standing of a claim that was logged before every recording it is tested on."""


def evaluate_claims(
    claims: Sequence[Claim],
    notes: pd.DataFrame,
    ledger: Ledger | None = None,
    recordings: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Test claims and correct for their number, for looks, and for claims that are gone.

    Parameters
    ----------
    claims : sequence of Claim
    notes : DataFrame
        The note table.
    ledger : Ledger | None
        Log by which it is known when each claim was written, and what else was.
    recordings : mapping of str to str | None
        SHA-256 of each recording's sound file, as logged.

    Returns
    -------
    DataFrame
        One row a claim: ``claim, sentence, verdict, but`` (what takes from it; may be empty),
        ``provisional, standing, history, estimate, low, high, interval_per_cent, unit, p, p_holm, df,
        players, recordings, notes, told_from, told_to`` (share of notes that could be told, by side), ``look,
        answer, reason, advice`` (for the user of the program, not for readers of the result), ``caveats,
        outcome, formula, method, written_utc, sha256, seen`` (what tells this look from others).
    """
    findings = [examine(claim, notes) for claim in claims]
    pasts = [past_of(claim, ledger) for claim in claims]
    looks = [_look(f, past) for f, past in zip(findings, pasts, strict=True)]
    exploratory = np.array(
        [c.exploratory and not past.was_confirmatory for c, past in zip(claims, pasts, strict=True)], bool
    )
    bygone = bygone_tests(claims, ledger)
    corrected = _corrected(np.array([look.p for look in looks]), exploratory, bygone)
    lasting = _corrected(np.array([look.lasting_p for look in looks]), exploratory, bygone)
    seen = Recordings(ledger) if ledger is not None else None
    marks = marks_of(notes) if ledger is not None and len(claims) else {}
    rows = []
    for finding, past, look, p_holm, p_lasting in zip(
        findings, pasts, looks, corrected, lasting, strict=True
    ):
        claim = finding.claim
        standing, written = _standing(claim, finding, past, ledger, seen, recordings or {}, marks)
        factor = p_holm / finding.p if finding.p > 0 else 1.0
        verdict = finding.verdict(factor)
        turned = finding.turned_by(factor)
        passing = words.passing(look) if p_holm < ALPHA <= p_lasting else ""
        told = [words.said(r) for r in finding.remarks if words.is_caution(r)]
        told += [words.other_words(other, finding) for other in turned]
        told += [text for text in (words.sequence_words(look, claim.plan, bool(passing)),) if text]
        but = ", and ".join(text for text in (words.qualification(finding, turned), passing) if text)
        rows.append(
            {
                "claim": claim.id,
                "sentence": claim.sentence,
                "verdict": verdict,
                "but": but,
                "provisional": look.provisional,
                "standing": standing,
                "history": words.history_words(past, look.look),
                "estimate": finding.estimate,
                "low": look.low,
                "high": look.high,
                "interval_per_cent": look.interval_per_cent,
                "unit": finding.unit,
                "p": finding.p,
                "p_holm": p_holm,
                **{k: getattr(finding, k) for k in ("df", "players", "recordings", "notes")},
                "told_from": finding.told[0],
                "told_to": finding.told[1],
                "look": look.look,
                "answer": words.answer(finding, verdict, p_holm, look, but),
                "compared": words.compared(finding),
                "p_kind": words.p_kind(finding),
                "reason": words.said(finding.obstacle) if finding.obstacle else "",
                "advice": finding.obstacle.advice if finding.obstacle else "",
                "caveats": " ".join(told),
                "outcome": claim.outcome,
                "formula": finding.formula,
                "method": finding.method,
                "written_utc": written,
                "sha256": claim.sha256,
                "seen": finding.look,
            }
        )
    return pd.DataFrame(rows)


def _corrected(p: np.ndarray, exploratory: np.ndarray, bygone: int) -> np.ndarray:
    """p by Holm: confirmatory claims with those that are gone, exploratory ones among themselves."""
    out = np.full(len(p), np.nan)
    out[exploratory] = holm(p[exploratory])
    confirmatory = int((~exploratory).sum())
    out[~exploratory] = holm(np.concatenate([p[~exploratory], np.ones(bygone)]))[:confirmatory]
    return out


def _look(finding: Finding, past: Past) -> Standing:
    """Where this look stands among those logged, with its interval."""
    if finding.obstacle is not None:
        return Standing(look=max(1, len(past.looks)), p=np.nan)
    plan = finding.claim.plan
    unit = plan.unit if plan else "recordings"
    before = [look for look in past.looks if look.token != finding.look]
    late = any(look.plan != plan_text(finding.claim) for look in past.looks) if plan else False
    earlier = [getattr(one, unit) for one in before]
    sizes = dict(zip([one.corpus for one in before][::-1], earlier[::-1], strict=True)) if past.corpus else {}
    size = sizes.get(past.corpus, getattr(finding, unit))  # a corpus measured or edited anew has not grown
    earlier = [sizes.get(one.corpus, own) for one, own in zip(before, earlier, strict=True)]
    look = standing_of(finding.p, earlier, size, plan.size if plan else None, ALPHA, late)
    low, high = finding.interval(1 - look.nominal)
    return replace(look, low=low, high=high)


def _standing(
    claim: Claim,
    finding: Finding,
    past: Past,
    ledger: Ledger | None,
    seen: Recordings | None,
    recordings: Mapping[str, str],
    marks: Mapping[str, str],
) -> tuple[str, str]:
    """Whether the claim stood in the log before its recordings, and since when (UTC)."""
    place = past.place
    if ledger is None or seen is None or place is None:
        return ("exploratory" if claim.exploratory else "not logged"), ""
    written = ledger.rows[place][0]
    if claim.exploratory and past.was_confirmatory:
        return "called exploratory later: it counts among the confirmatory claims", written
    if claim.exploratory:
        return "exploratory", written
    if past.was_exploratory:
        return "logged as exploratory first: read it as exploratory", written
    used = finding.used or tuple(recordings)
    places = [seen.first(name, recordings.get(name, ""), marks.get(name, "")) for name in used]
    later = sum(1 for k in places if k is not None and k > place)
    if used and later == len(places):
        return FIRST, written
    if later:
        return f"written before {later} of {len(places)} recordings were measured", written
    return "written after measuring: read it as exploratory", written


# --- a study


def run_claims(study_folder: str | Path, console: Console) -> int:
    """Log, test and answer the claims of a study; writes ``results/claims.csv``.

    Parameters
    ----------
    study_folder : path
        Folder with ``claims.toml`` and ``results``.
    console : rich.console.Console

    Returns
    -------
    int
        0.

    Raises
    ------
    VibstudyError
        When the claims cannot be read.
    """
    folder = Path(study_folder)
    claims = read_claims(folder / CLAIMS_FILE)
    tables = measured_tables(folder)
    if not claims:
        if (folder / "results" / FILE_NAME).exists():
            log_new(folder, claims, *(tables or ()))
        put(console, f"{CLAIMS_FILE} holds no claim yet. Write one before you look at the figures.")
        return 0
    if tables is None:
        log_new(folder, claims)
        put(
            console,
            f"{len(claims)} claims are logged in results/{FILE_NAME}; nothing is measured yet. "
            "Run 'vibstudy measure', then this again.",
        )
        return 0
    table, ledger = evaluate_and_log(folder, claims, *tables)
    _write(folder / "results" / "claims.csv", table)
    _show(table, ledger, withdrawn(claims, ledger), bygone_tests(claims, ledger), console)
    return 0


def evaluate_and_log(
    folder: Path, claims: Sequence[Claim], recordings: pd.DataFrame, notes: pd.DataFrame
) -> tuple[pd.DataFrame, Ledger]:
    """Log what is new, test the claims, and log this look and its verdicts."""
    ledger = log_new(folder, claims, recordings, notes)
    table = evaluate_claims(claims, notes, ledger, hashes_of(recordings))
    log_verdicts(ledger, table, claims)
    return table, ledger


def _write(path: Path, table: pd.DataFrame) -> None:
    from vibstudy.corpus.tables import write_frame

    write_frame(path, table)


_COLOURS = {"supported": "green", "against": "red", "undecided": "yellow", "not testable here": "dim"}


def _show(table: pd.DataFrame, ledger: Ledger, gone: Sequence[str], bygone: int, console: Console) -> None:
    for row in table.to_dict("records"):
        put(console, in_one_line(row["sentence"]), "bold")
        put(console, "  " + in_one_line(row["answer"]), _COLOURS[row["verdict"]])
        if np.isfinite([row["told_from"], row["told_to"]]).all():
            shares = f"{100 * row['told_from']:.0f} and {100 * row['told_to']:.0f} %"
            put(console, f"  Of the notes of the two sides {shares} could be told.")
        if row["standing"] != FIRST:
            put(console, f"  Standing: {row['standing']}.")
        if row["history"]:
            put(console, f"  Past: {row['history']}.")
        if row["caveats"]:
            put(console, f"  Caution: {in_one_line(row['caveats'])}")
    if ledger.broken is not None:
        put(
            console,
            f"The log results/{FILE_NAME} was changed by hand: row {ledger.broken} does not follow the one "
            "above. What it says of dates cannot be relied on.",
            "red",
        )
    told = f"{len(gone)} withdrawn ({in_one_line(', '.join(gone))}). " if gone else ""
    if bygone:
        told += (
            f"Holm counts {bygone} test{'s' if bygone > 1 else ''} that the log holds and the file does not. "
        )
    if told:
        put(console, told.strip())
    put(
        console,
        "Intervals are 95 % unless told otherwise, each by itself; p is corrected by Holm over every "
        "confirmatory claim ever logged. A difference between recordings that happened to be made and kept "
        "is no proof of its cause.",
        "dim",
    )
