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
``contrast``     ``column``, ``from``, ``to``: what is compared, always *to* minus *from*. A number is
                 compared along its straight line, unless ``factor = true``. With ``across``,
                 ``across_from``, ``across_to``: whether that difference itself changes ("the regions grew
                 alike": column region, across decade)
``expect``       lower, higher, different, or equal
``margin``       differences smaller than this count as none: in the outcome's unit, or in per cent when
                 it is modelled on a logarithmic scale. Needed for equal; with different it allows the
                 verdict "against"
``adjust``       further terms of the model, e.g. ``["region", "midi"]``
``crossed``      further random factors, e.g. ``["piece"]``
``filter``       which notes, e.g. ``"medium != 'acoustic_disc'"`` (:mod:`vibstudy.stats.filters`)
``scale``        log or plain; log by default for extent and depths
``exploratory``  true for what was found by looking; such claims are labelled, and corrected apart
===============  ==================================================================================

Verdicts
--------
* **supported**: the difference has the claimed direction and p (after Holm) is below 0.05; for *equal*,
  a difference as large as the margin is rejected (two one-sided tests).
* **against**: p after Holm is below 0.05 in the other direction; for *equal*, the whole interval lies
  outside the margin; for *different* with a margin, the difference is shown to be smaller.
* **undecided**: neither. Not the same as "no difference".
* **not testable here**: the corpus cannot tell: an empty cell, an aliased term, a level with a single
  player, a misspelt column or level. The reason is given.

p is that of the mixed model (Satterthwaite degrees of freedom; presence: between–within), corrected by
Holm over all testable claims of the file, exploratory ones apart. Intervals are 95 %, each by itself.
Which notes count: :mod:`vibstudy.stats.selection`; notes rejected by the listener never do.

When it was written
-------------------
Every run logs claims and recordings that are new (:mod:`vibstudy.stats.ledger`). ``standing`` says
whether the claim, as it reads now, was logged before the recordings it is tested on. Changing anything
that affects the test (not the sentence's wording) makes it a new claim.

A difference between groups of recordings that happened to be made and kept is no proof of its cause.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from vibstudy.stats.claimfile import CLAIMS_FILE, EXAMPLE, Claim, Contrast, read_claims
from vibstudy.stats.examine import Finding, examine, level_text
from vibstudy.stats.ledger import FILE_NAME, Ledger
from vibstudy.stats.multiple import holm
from vibstudy.terminal import in_one_line, put

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "CLAIMS_FILE",
    "EXAMPLE",
    "Claim",
    "Contrast",
    "Finding",
    "answer",
    "examine",
    "judge_claims",
    "log_claims",
    "log_new",
    "read_claims",
    "run_claims",
]


def judge_claims(
    claims: Sequence[Claim],
    notes: pd.DataFrame,
    ledger: Ledger | None = None,
    recordings: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Test claims and correct for their number.

    Parameters
    ----------
    claims : sequence of Claim
    notes : DataFrame
        The note table.
    ledger : Ledger | None
        Log by which it is known when each claim was written.
    recordings : mapping of str to str | None
        SHA-256 of each recording's sound file, as logged.

    Returns
    -------
    DataFrame
        One row a claim: ``claim, sentence, verdict, standing, estimate, low, high, unit, p, p_holm, df,
        players, recordings, notes, answer, reason, caveats, outcome, formula, method, written_utc,
        sha256``.
    """
    findings = [examine(claim, notes) for claim in claims]
    p = np.array([f.p for f in findings])
    exploratory = np.array([c.exploratory for c in claims], bool)
    corrected = np.full(len(p), np.nan)
    for group in (exploratory, ~exploratory):
        corrected[group] = holm(p[group])
    rows = []
    for finding, p_holm in zip(findings, corrected, strict=True):
        claim = finding.claim
        standing, written = _standing(claim, finding, ledger, recordings or {})
        verdict = finding.verdict(p_holm)
        rows.append(
            {
                "claim": claim.id,
                "sentence": claim.sentence,
                "verdict": verdict,
                "standing": standing,
                **{k: getattr(finding, k) for k in ("estimate", "low", "high", "unit", "p")},
                "p_holm": p_holm,
                **{k: getattr(finding, k) for k in ("df", "players", "recordings", "notes")},
                "answer": answer(finding, verdict, p_holm),
                "reason": finding.reason,
                "caveats": " ".join(finding.caveats),
                "outcome": claim.outcome,
                "formula": finding.formula,
                "method": finding.method,
                "written_utc": written,
                "sha256": claim.sha256,
            }
        )
    return pd.DataFrame(rows)


def answer(finding: Finding, verdict: str, p_holm: float) -> str:
    """The verdict as a sentence."""
    if finding.reason:
        return f"Not testable here. {finding.reason}"
    f, c = finding, finding.claim.contrast
    unit = f" {f.unit}" if f.unit else ""
    what = f"{c.column} {level_text(c.end)} against {level_text(c.start)}"
    if c.across:
        span = f"{c.across} {level_text(c.across_start)} to {level_text(c.across_end)}"
        what = f"change of that difference ({what}) from {span}"
    kind = "p for a difference below the margin" if f.claim.expect == "equal" else "p"
    return (
        f"{verdict.capitalize()}: {what}: {f.estimate:+.3g}{unit} (95 % interval {f.low:+.3g} to "
        f"{f.high:+.3g}; {kind} {_p(p_holm)} after Holm; {f.players} players, {f.recordings} recordings, "
        f"{f.notes} notes)."
    )


def _p(p: float) -> str:
    return "< 0.001" if p < 0.001 else f"= {p:.3f}"


def _standing(
    claim: Claim, finding: Finding, ledger: Ledger | None, recordings: Mapping[str, str]
) -> tuple[str, str]:
    """Whether the claim stood in the log before its recordings, and since when (UTC)."""
    place = ledger.first("claim", claim.id, claim.sha256) if ledger is not None else None
    if ledger is None or place is None:
        return ("exploratory" if claim.exploratory else "not logged"), ""
    written = ledger.rows[place][0]
    if claim.exploratory:
        return "exploratory", written
    used = finding.used or tuple(recordings)
    places = [ledger.first("recording", name, recordings.get(name, "")) for name in used]
    later = sum(1 for k in places if k is not None and k > place)
    if used and later == len(places):
        return "written first", written
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
    if not claims:
        put(console, f"{CLAIMS_FILE} holds no claim yet. Write one before you look at the figures.")
        return 0
    measured = _measured(folder)
    ledger = log_new(folder, claims, measured[1] if measured else None)
    if measured is None:
        put(
            console,
            f"{len(claims)} claims are logged in results/{FILE_NAME}; nothing is measured yet. "
            "Run 'vibstudy measure', then this again.",
        )
        return 0
    notes, recordings = measured
    table = judge_claims(claims, notes, ledger, recordings)
    _log_verdicts(ledger, table, notes)
    _write(folder / "results" / "claims.csv", table)
    _show(table, ledger, console)
    return 0


def _measured(folder: Path) -> tuple[pd.DataFrame, dict[str, str]] | None:
    from vibstudy.corpus.tables import read_notes

    recordings = _recordings(folder)
    return None if recordings is None else (read_notes(folder), recordings)


def _recordings(folder: Path) -> dict[str, str] | None:
    """SHA-256 of the sound file of each recording measured; None when nothing is measured."""
    from vibstudy.corpus.tables import read_recordings

    if not any((folder / "results").glob("recordings.*")):
        return None
    return hashes_of(read_recordings(folder))


def hashes_of(recordings: pd.DataFrame) -> dict[str, str]:
    """SHA-256 of the sound file by recording, as they are logged; "" where it is not known."""
    hashes = recordings["audio_sha256"].astype("string").fillna("").astype(str)
    return dict(zip(recordings["recording_id"].astype(str), hashes, strict=True))


def log_claims(study_folder: str | Path) -> Ledger | None:
    """Log the claims of a study as they read now, below the recordings measured up to now.

    Called before a corpus is measured, so that the log can show which claims were written first.

    Parameters
    ----------
    study_folder : path
        Folder that may hold ``claims.toml``.

    Returns
    -------
    Ledger | None
        None when there is no claim.

    Raises
    ------
    VibstudyError
        When the claims cannot be read.
    """
    folder = Path(study_folder)
    file = folder / CLAIMS_FILE
    claims = read_claims(file) if file.is_file() else []
    return log_new(folder, claims, _recordings(folder)) if claims else None


def log_new(folder: Path, claims: Sequence[Claim], recordings: Mapping[str, str] | None) -> Ledger:
    """Log recordings (their sound file's SHA-256), then claims, that the log does not hold yet."""
    ledger = Ledger(folder / "results" / FILE_NAME)
    new: list[tuple[str, str, str, str]] = []
    for name, sha256 in (recordings or {}).items():
        if ledger.first("recording", name, sha256) is None:
            new.append(("recording", name, sha256, ""))
    for claim in claims:
        if ledger.first("claim", claim.id, claim.sha256) is None:
            new.append(("claim", claim.id, claim.sha256, claim.sentence))
    ledger.append(new)
    return ledger


def _log_verdicts(ledger: Ledger, table: pd.DataFrame, notes: pd.DataFrame) -> None:
    """Log verdicts that differ from the last logged for the same claim."""
    data = hashlib.sha256(pd.util.hash_pandas_object(notes, index=False).to_numpy().tobytes()).hexdigest()
    last = {(row[2], row[3]): row[4] for row in ledger.rows if row[1] == "verdict"}
    new = []
    for row in table.to_dict("records"):
        detail = f"{row['answer']} Notes {data[:16]}."
        if last.get((row["claim"], row["sha256"])) != detail:
            new.append(("verdict", row["claim"], row["sha256"], detail))
    ledger.append(new)


def _write(path: Path, table: pd.DataFrame) -> None:
    from vibstudy.corpus.tables import write_frame

    write_frame(path, table)


_COLOURS = {"supported": "green", "against": "red", "undecided": "yellow", "not testable here": "dim"}


def _show(table: pd.DataFrame, ledger: Ledger, console: Console) -> None:
    for row in table.to_dict("records"):
        put(console, in_one_line(row["sentence"]), "bold")
        put(console, "  " + in_one_line(row["answer"]), _COLOURS[row["verdict"]])
        if row["standing"] != "written first":
            put(console, f"  Standing: {row['standing']}.")
        if row["caveats"]:
            put(console, f"  Caution: {in_one_line(row['caveats'])}")
    if ledger.broken is not None:
        put(
            console,
            f"The log results/{FILE_NAME} was changed by hand: row {ledger.broken} does not follow the one "
            "above. What it says of dates cannot be relied on.",
            "red",
        )
    put(
        console,
        "Intervals are 95 %, each by itself; p is corrected by Holm over the claims of this file. A "
        "difference between recordings that happened to be made and kept is no proof of its cause.",
        "dim",
    )
