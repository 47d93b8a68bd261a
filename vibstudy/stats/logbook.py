"""What a study logs of its claims: recordings and claims that are new, what was withdrawn, looks, verdicts.

The log is a chain that shows when it was changed by hand (:mod:`vibstudy.stats.ledger`); what the past in it
means for a claim is read by :mod:`vibstudy.stats.history`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from vibstudy.corpus.files import sha256_of
from vibstudy.errors import Problem, VibstudyError
from vibstudy.stats.claimfile import CLAIMS_FILE, Claim, read_claims
from vibstudy.stats.history import detail_of, marks_of, newly_withdrawn, plan_text, state_rows, tags_of
from vibstudy.stats.ledger import FILE_NAME, Ledger


def hashes_of(recordings: pd.DataFrame) -> dict[str, str]:
    """SHA-256 of the sound file by recording, as they are logged; "" where it is not known."""
    if absent := {"recording_id", "audio_sha256"} - set(recordings):
        repair = "Run 'vibstudy measure': it writes the tables anew"
        raise VibstudyError(
            [Problem("this column is missing", "recordings.csv", 1, name, repair=repair) for name in absent]
        )
    hashes = recordings["audio_sha256"].astype("string").fillna("").astype(str)
    return dict(zip(recordings["recording_id"].astype(str), hashes, strict=True))


def measured_tables(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame] | None:
    """The tables of recordings and of notes; None when nothing is measured."""
    from vibstudy.corpus.results import read_notes, read_recordings

    if not any((folder / "results").glob("recordings.*")):
        return None
    return read_recordings(folder), read_notes(folder)


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
        None when there is neither a claim nor a log.

    Raises
    ------
    VibstudyError
        When the claims cannot be read.
    """
    folder = Path(study_folder)
    file = folder / CLAIMS_FILE
    claims = read_claims(file) if file.is_file() else []
    if not claims and not (folder / "results" / FILE_NAME).exists():
        return None
    return log_new(folder, claims, *(measured_tables(folder) or ()))


def log_new(
    folder: Path,
    claims: Sequence[Claim],
    recordings: pd.DataFrame | None = None,
    notes: pd.DataFrame | None = None,
) -> Ledger:
    """Log what the log does not hold yet.

    In this order: recordings (their sound file's SHA-256, and by which notes they are known again), settings,
    tags and edits where they changed, claims that were withdrawn, claims that are new.

    Parameters
    ----------
    folder : Path
        The study.
    claims : sequence of Claim
        All claims as they read now.
    recordings, notes : DataFrame | None
        Tables of what is measured.
    """
    ledger = Ledger(folder / "results" / FILE_NAME)
    new: list[tuple[str, str, str, str]] = []
    if recordings is not None and len(recordings):
        marks = marks_of(notes) if notes is not None else {}
        for name, sha256 in hashes_of(recordings).items():
            if ledger.first("recording", name, sha256) is None:
                new.append(("recording", name, sha256, marks.get(name, "")))
        states = {("settings", "study.toml"): _settings_sum(folder)}
        states |= {("tags", name): sha256 for name, sha256 in tags_of(recordings).items()}
        edits = sorted(folder.glob("edits*.csv"))
        if edits:  # together: a listener's name in a file's name is nobody's business
            states[("edits", "edits.csv")] = _files_sum(edits)
        new += state_rows(ledger, states)
    new += newly_withdrawn(claims, ledger)
    stand = {(row[2], row[3], row[4]): k for k, row in enumerate(ledger.rows) if row[1] == "claim"}
    left = {(row[2], row[3]): k for k, row in enumerate(ledger.rows) if row[1] == "withdrawn"}
    for claim in claims:
        detail = detail_of(claim)
        place = stand.get(
            (claim.id, claim.sha256, detail), stand.get((claim.id, claim.sha256, claim.sentence))
        )
        if place is None or place < left.get((claim.id, claim.sha256), -1):
            new.append(("claim", claim.id, claim.sha256, detail))
    ledger.append(new)
    return ledger


def _settings_sum(folder: Path) -> str:
    """SHA-256 of the settings that change figures."""
    from vibstudy.corpus.settings import load_settings

    content = load_settings(folder).measure_key()
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def _files_sum(paths: Sequence[Path]) -> str:
    sums = [sha256_of(path) for path in paths]
    return sums[0] if len(sums) == 1 else hashlib.sha256("".join(sums).encode()).hexdigest()


def log_verdicts(ledger: Ledger, table: pd.DataFrame, claims: Sequence[Claim]) -> None:
    """Log looks and verdicts that differ from the last logged for the same claim."""
    plans = {claim.id: plan_text(claim) for claim in claims}
    last = {(row[2], row[3]): row[4] for row in ledger.rows if row[1] == "verdict"}
    new = []
    for row in table.to_dict("records"):
        content = {
            "verdict": row["verdict"],
            "look": row["seen"],
            "players": int(row["players"]),
            "recordings": int(row["recordings"]),
            "plan": plans[row["claim"]],
            "answer": row["answer"],
        }
        detail = json.dumps(content, ensure_ascii=False)
        if last.get((row["claim"], row["sha256"])) != detail:
            new.append(("verdict", row["claim"], row["sha256"], detail))
    ledger.append(new)
