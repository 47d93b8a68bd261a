"""What the log tells of a claim's past: wordings, looks, withdrawals, and what was changed since.

A log that only dates claims can be talked round: delete those that failed, reword, call one exploratory,
look again when some recordings have come in, encode a file anew so that it counts as new. So:

* **Holm counts every confirmatory claim ever logged.** One that is no longer in the file, or reads
  otherwise now, stays a test that was made. Not counted are those that never were a test: that could not be
  tested whenever they were asked, or that were withdrawn before anything was measured.
* **Once confirmatory, always**: calling a claim exploratory later does not take it out. Once exploratory,
  always: calling it confirmatory later does not make it one.
* **A recording is known again** by its name, by its sound file, or by its notes (:func:`fingerprint`),
  whatever else changed: it counts from when it was first seen.
* **Looks** at different notes are counted over all wordings of a claim (same id, or same test), each with the
  plan it was under: a plan written after the first look is none.
* **Settings, tags and edits** that changed after the first look are counted, too.
* **Pooled studies** have one log, their rows in the order of time (:func:`pooled_rows`): what any of them
  tested and took out is a test that was made. A claim that is asked of the pooled studies goes on there,
  and is counted once.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vibstudy.stats.claimfile import Claim
from vibstudy.stats.ledger import Ledger

PRINT_NOTES = 12
"""Notes of a recording by which it is known again."""

PRINT_S = 0.03
"""Times that agree to this are the same: edges move less when a file is encoded anew (lossy codecs shift by
a constant, which is taken out); two takes of one piece never agree so in twelve notes."""

_PRINT = re.compile(r"(\d{1,7}\.\d\d)/(-?\d{1,3})")
_PRINTS = re.compile(rf"{_PRINT.pattern}(?: {_PRINT.pattern}){{,{PRINT_NOTES - 1}}}")

CHANGES = ("settings", "tags", "edits")

POOLED = "pooled"
"""Why a claim of a single study is gone from the log of pooled ones: it goes on as a claim to all of them."""


@dataclass(frozen=True)
class Look:
    """One look at one claim: which notes, how many players and recordings, and the plan it was under.

    ``corpus`` is the number of recordings that the log held by then: where it is the same, the same corpus
    was looked at, measured or edited anew.
    """

    token: str
    players: int
    recordings: int
    plan: str = ""
    corpus: int = 0


@dataclass(frozen=True)
class Past:
    """What the log holds of one claim.

    Parameters
    ----------
    place : int | None
        Row at which the claim, as it reads now, was first logged.
    wordings : int
        Different tests or sentences logged under its name or for its test, this one included.
    looks : tuple of Look
        At different notes, over all wordings, oldest first.
    was_exploratory, was_confirmatory : bool
        How it was ever logged.
    changes : mapping of str to int
        Settings, tags, edits changed since the first look.
    corpus : int
        Recordings that the log holds.
    """

    place: int | None = None
    wordings: int = 1
    looks: tuple[Look, ...] = ()
    was_exploratory: bool = False
    was_confirmatory: bool = False
    changes: Mapping[str, int] | None = None
    corpus: int = 0


def detail_of(claim: Claim) -> str:
    """What is logged with a claim."""
    return json.dumps({"sentence": claim.sentence, "exploratory": claim.exploratory}, ensure_ascii=False)


def plan_text(claim: Claim) -> str:
    """The plan of a claim, as it is logged with a look; "" without one."""
    return f"{claim.plan.size} {claim.plan.unit}" if claim.plan else ""


def _read(detail: str) -> dict:
    try:
        content = json.loads(detail)
    except (ValueError, RecursionError):  # a log may come from elsewhere
        return {}
    return content if isinstance(content, dict) else {}


def past_of(claim: Claim, ledger: Ledger | None) -> Past:
    """Read a claim's past from the log."""
    if ledger is None:
        return Past()
    related = {r[3] for r in ledger.rows if r[1] == "claim" and (r[2] == claim.id or r[3] == claim.sha256)}
    rows = [r for r in ledger.rows if r[1] == "claim" and r[3] in related]
    wordings = {(r[3], str(_read(r[4]).get("sentence", r[4]))) for r in rows} | {
        (claim.sha256, claim.sentence)
    }
    flags = {bool(_read(r[4]).get("exploratory", False)) for r in rows if r[3] == claim.sha256}
    looks: dict[str, Look] = {}
    first = None
    recordings_known: set[str] = set()
    for k, row in enumerate(ledger.rows):
        if row[1] == "recording":
            recordings_known.add(row[2])
        if row[1] != "verdict" or row[3] not in {*related, claim.sha256}:
            continue
        found = _read(row[4])
        token = str(found.get("look") or "")
        if not token:
            continue
        players, recordings = found.get("players"), found.get("recordings")
        if isinstance(players, int) and isinstance(recordings, int) and min(players, recordings) > 0:
            first = k if first is None else first
            own = plan_text(claim) if row[3] == claim.sha256 else ""  # a log from before plans were logged
            under = str(found.get("plan", own))
            looks.setdefault(token, Look(token, players, recordings, under, len(recordings_known)))
    return Past(
        ledger.first("claim", claim.id, claim.sha256),
        len(wordings),
        tuple(looks.values()),
        True in flags,
        False in flags,
        _changes(ledger, first),
        len(recordings_known),
    )


def _changes(ledger: Ledger, first: int | None) -> dict[str, int]:
    if first is None:
        return {}
    later = [row for row in ledger.rows[first:] if row[4] == "changed"]
    counts = {kind: sum(1 for row in later if row[1] == kind) for kind in CHANGES}
    return {kind: count for kind, count in counts.items() if count}


def bygone_tests(claims: Sequence[Claim], ledger: Ledger | None) -> int:
    """Number of confirmatory tests ever logged that are not among the claims now."""
    if ledger is None:
        return 0
    now = {claim.sha256 for claim in claims}
    gone: dict[str, list[int]] = {}
    for k, row in enumerate(ledger.rows):
        if row[1] == "claim" and row[3] not in now:
            gone.setdefault(row[3], []).append(k)
    return sum(_was_test(sha256, places, ledger) for sha256, places in gone.items())


def _was_test(sha256: str, places: list[int], ledger: Ledger) -> bool:
    if all(_read(ledger.rows[k][4]).get("exploratory", False) for k in places):
        return False
    verdicts = [_read(r[4]) for r in ledger.rows if r[1] == "verdict" and r[3] == sha256]
    if verdicts and all(v.get("verdict") == "not testable here" for v in verdicts):
        return False
    left = [k for k, r in enumerate(ledger.rows) if r[1] == "withdrawn" and r[3] == sha256]
    if left and ledger.rows[left[-1]][4] == POOLED:
        return False
    if left:
        return any(row[1] == "recording" for row in ledger.rows[: left[-1]])
    return True


def withdrawn(claims: Sequence[Claim], ledger: Ledger | None) -> list[str]:
    """Names of logged claims that are gone: neither their name nor their test is in the file now."""
    if ledger is None:
        return []
    names = {c.id for c in claims}
    tests = {c.sha256 for c in claims}
    tests |= {r[3] for r in ledger.rows if r[1] == "withdrawn" and r[4] == POOLED}
    gone = [r[2] for r in ledger.rows if r[1] == "claim" and r[2] not in names and r[3] not in tests]
    return list(dict.fromkeys(gone))


def newly_withdrawn(claims: Sequence[Claim], ledger: Ledger) -> list[tuple[str, str, str, str]]:
    """Rows to log for tests that stood in the file when last logged, and no longer do."""
    state: dict[tuple[str, str], bool] = {}
    for row in ledger.rows:
        if row[1] in ("claim", "withdrawn"):
            state[(row[2], row[3])] = row[1] == "claim"
    now = {(claim.id, claim.sha256) for claim in claims}
    names = {claim.id for claim in claims}
    return [
        ("withdrawn", name, sha256, "reworded" if name in names else "taken out")
        for (name, sha256), stands in state.items()
        if stands and (name, sha256) not in now
    ]


def pooled_rows(
    ledgers: Mapping[str, Ledger], claims: Mapping[str, Sequence[Claim]]
) -> list[tuple[str, str, str, str, str]]:
    """Rows of several studies' logs as one log, in the order of time; names with their study in front.

    Parameters
    ----------
    ledgers : mapping of str to Ledger
        By study.
    claims : mapping of str to sequence of Claim
        The claims of each study that go on as claims to all studies.
    """
    rows = [
        (at, event, f"{study}.{name}", sha256, detail)
        for study, ledger in ledgers.items()
        for at, event, name, sha256, detail in ledger.rows
    ]
    rows.sort(key=lambda row: row[0])  # stable: rows of one time stay in their order
    stands: dict[tuple[str, str], bool] = {}
    for _, event, name, sha256, _ in rows:
        if event in ("claim", "withdrawn"):
            stands[name, sha256] = event == "claim"
    last = rows[-1][0] if rows else ""
    for study, own in claims.items():
        names = [(f"{study}.{claim.id}", claim.sha256) for claim in own]
        rows += [(last, "withdrawn", *name, POOLED) for name in names if stands.get(name)]
    return rows


# --- recordings


def fingerprint(notes: pd.DataFrame) -> str:
    """First notes of a recording by which it is known again: onset after the first one (s), and pitch."""
    if not {"onset_s", "midi"} <= set(notes):
        return ""
    part = notes[["onset_s", "midi"]].dropna().sort_values("onset_s").head(PRINT_NOTES)
    if len(part) < PRINT_NOTES:
        return ""
    onset = part["onset_s"].to_numpy(float)
    return " ".join(f"{t - onset[0]:.2f}/{int(m)}" for t, m in zip(onset, part["midi"], strict=True))


def _times(text: str) -> tuple[np.ndarray, list[str]]:
    """Times and pitches of a fingerprint; none of a text that is no fingerprint."""
    found = _PRINT.findall(text) if _PRINTS.fullmatch(text) else []
    return np.array([float(t) for t, _ in found]), [m for _, m in found]


def same_notes(first: str, second: str) -> bool:
    """Whether two fingerprints are of the same take."""
    if not first or not second:
        return False
    (a, pitches), (b, others) = _times(first), _times(second)
    return pitches == others and bool(np.all(np.abs(a - b) <= PRINT_S))


class Recordings:
    """The recordings of a log, to be known again by name, sound file or notes."""

    def __init__(self, ledger: Ledger):
        self._names: dict[str, int] = {}
        self._files: dict[str, int] = {}
        self._marks: dict[tuple[str, ...], list[tuple[str, int]]] = {}
        for k, row in enumerate(ledger.rows):
            if row[1] != "recording":
                continue
            self._names.setdefault(row[2], k)
            if row[3]:
                self._files.setdefault(row[3], k)
            if row[4]:
                self._marks.setdefault(tuple(_times(row[4])[1]), []).append((row[4], k))

    def first(self, name: str, sha256: str, marks: str = "") -> int | None:
        """Row at which a recording was first seen, under whatever name or file."""
        places = [self._names.get(name), self._files.get(sha256)]
        if marks:
            near = self._marks.get(tuple(_times(marks)[1]), [])
            places += [k for text, k in near if same_notes(marks, text)]
        known = [place for place in places if place is not None]
        return min(known) if known else None


def marks_of(notes: pd.DataFrame) -> dict[str, str]:
    """Fingerprint of every recording of a note table."""
    return {str(name): fingerprint(part) for name, part in notes.groupby("recording_id", observed=True)}


def tags_of(recordings: pd.DataFrame) -> dict[str, str]:
    """SHA-256 of the manifest's cells of every recording: its tags, and whatever the user added."""
    from vibstudy.schema import PROVENANCE_COLUMNS, RECORDING_COLUMNS

    measured = {column.name for column in (*RECORDING_COLUMNS, *PROVENANCE_COLUMNS)}
    recordings = recordings.rename(columns=str)
    tags = sorted(name for name in map(str, recordings) if name not in measured)
    texts = recordings[tags].astype("string").fillna("")
    out = {}
    for name, cells in zip(recordings["recording_id"].astype(str), texts.to_numpy(), strict=True):
        content = json.dumps(dict(zip(tags, map(str, cells), strict=True)), sort_keys=True)
        out[name] = hashlib.sha256(content.encode()).hexdigest()
    return out


def state_rows(ledger: Ledger, states: Mapping[tuple[str, str], str]) -> list[tuple[str, str, str, str]]:
    """Rows to log for settings, tags and edits that are new or changed.

    `states` maps (event, name) to the SHA-256 now. A first one is no change and is not counted.
    """
    last = {(row[1], row[2]): row[3] for row in ledger.rows if row[1] in CHANGES}
    return [
        (event, name, sha256, "changed" if (event, name) in last else "first")
        for (event, name), sha256 in states.items()
        if last.get((event, name)) != sha256
    ]
