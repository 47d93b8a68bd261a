"""Exploratory analysis: all further questions, put to a study at once (``vibstudy questions``).

Questions about all players: how much vibrato there is, whether rate and extent are traded, whether there are
two kinds of use, whether pupils are nearer to their teachers. Questions about two groups, asked of each pair
of groups that is named or that a claim of ``claims.toml`` compares: more in all, more alike, more regular
(within notes, from note to note), and how the same written notes are played.

None of them is a claim: nothing is tested against what was written first. Their p are corrected among
themselves (Holm 1979), and what is found by asking them is exploratory, and said to be.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.stats.amount import compare_amounts, vibrato_amount
from vibstudy.stats.answers import Answer
from vibstudy.stats.claimfile import CLAIMS_FILE, Claim, read_claims
from vibstudy.stats.dispersion import compare_spread
from vibstudy.stats.lineage import pupils_near_teachers
from vibstudy.stats.mixture import kinds_of_use
from vibstudy.stats.multiple import holm
from vibstudy.stats.predictors import level_text
from vibstudy.stats.regularity import compare_regularity
from vibstudy.stats.same_notes import compare_same_notes
from vibstudy.stats.tradeoff import trade
from vibstudy.terminal import in_one_line, put

if TYPE_CHECKING:
    from rich.console import Console

FILE_NAME = "questions.csv"
OUTCOMES = ("rate_hz", "extent_cents")
COMPARISONS: dict[str, Callable[..., Answer]] = {
    "alike": compare_spread,
    "regular within notes": compare_regularity,
    "regular from note to note": partial(compare_regularity, where="from note to note"),
    "same written notes": compare_same_notes,
}


@dataclass(frozen=True)
class Groups:
    """Two groups of players: two values of a tag."""

    by: str
    start: str
    end: str


def groups_of(claims: Sequence[Claim]) -> list[Groups]:
    """The pairs of groups that claims compare, each once."""
    found = []
    for claim in claims:
        c = claim.contrast
        if c.shape not in ("trend", "curve") and c.cut is None:
            found.append(Groups(c.column, level_text(c.start), level_text(c.end)))
    return list(dict.fromkeys(found))


def ask_all(notes: pd.DataFrame, pairs: Sequence[Groups] = ()) -> list[tuple[str, Groups | None, Answer]]:
    """Ask every question.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study.
    pairs : sequence of Groups

    Returns
    -------
    list of tuple
        Name of the question, the groups (None: all players) and the answer. A question that these notes
        have no columns for is answered by "cannot tell", and why.
    """
    within = "decade" if "decade" in notes and notes["decade"].nunique() > 1 else None
    out: list[tuple[str, Groups | None, Answer]] = [
        ("amount", None, _answered("How much vibrato is there in all?", vibrato_amount, notes)),
        ("traded", None, _answered("Are rate and extent traded?", trade, notes, within)),
        ("kinds", None, _answered("Are there two kinds of use?", kinds_of_use, notes)),
        ("teachers", None, _answered("Are pupils nearer to their teachers?", pupils_near_teachers, notes)),
    ]
    for pair in pairs:
        of = (notes, pair.by, pair.start, pair.end)
        out.append(("amount", pair, _answered("More in all?", compare_amounts, *of)))
        for outcome in OUTCOMES:
            words = f"{outcome} of {pair.by} {pair.end} compared with {pair.start}:"
            out += [
                (name, pair, _answered(f"{name}, {words}", compare, *of, outcome=outcome))
                for name, compare in COMPARISONS.items()
            ]
    return out


def _answered(question: str, ask: Callable[..., Answer], *of: Any, **further: Any) -> Answer:
    try:
        return ask(*of, **further)
    except VibstudyError as problem:
        why = "; ".join(str(item).rstrip(".") for item in problem.problems)
        return Answer(question, cannot_tell=in_one_line(why))


def table_of(answers: Sequence[tuple[str, Groups | None, Answer]]) -> pd.DataFrame:
    """One row a question.

    Returns
    -------
    DataFrame
        ``question, by, from, to, estimate, low, high, unit, p, p_holm`` (over all questions of the table),
        ``players, recordings, notes, cannot_tell, cautions, method, sentence``.
    """
    rows = [
        {
            "question": name,
            "by": pair.by if pair else "",
            "from": pair.start if pair else "",
            "to": pair.end if pair else "",
            **{k: getattr(a, k) for k in ("estimate", "low", "high", "unit", "p")},
            **{k: getattr(a, k) for k in ("players", "recordings", "notes", "cannot_tell")},
            "cautions": " ".join(a.cautions),
            "method": a.method,
            "sentence": a.sentence(),
        }
        for name, pair, a in answers
    ]
    table = pd.DataFrame(rows)
    p = table["p"].to_numpy(float)
    corrected = np.full(len(p), np.nan)
    corrected[np.isfinite(p)] = holm(p[np.isfinite(p)])
    table.insert(list(table.columns).index("p") + 1, "p_holm", corrected)
    return table


def run_questions(study_folder: str | Path, pair: Groups | None, console: Console) -> int:
    """Ask every question of a study, write ``results/questions.csv`` and say the answers.

    Parameters
    ----------
    study_folder : path
    pair : Groups | None
        The groups to compare; None takes those of the study's claims.
    console : rich.console.Console

    Returns
    -------
    int
        0.
    """
    from vibstudy.corpus.results import read_notes
    from vibstudy.corpus.tables import write_frame

    folder = Path(study_folder)
    if not any((folder / "results").glob("recordings.*")):
        put(console, "Nothing is measured yet. Run 'vibstudy measure', then this again.")
        return 0
    file = folder / CLAIMS_FILE
    pairs = [pair] if pair else groups_of(read_claims(file)) if file.is_file() else []
    answers = ask_all(read_notes(folder), pairs)
    table = table_of(answers)
    path = folder / "results" / FILE_NAME
    write_frame(path, table)
    for groups in [None, *pairs]:
        if groups is not None:
            put(console, f"{groups.by}: {groups.end} compared with {groups.start}", "bold")
        own = [(a, p) for (_, g, a), p in zip(answers, table["p_holm"], strict=True) if g == groups]
        for answer, corrected in own:
            if groups is None or not answer.cannot_tell:
                holm_said = f" After Holm: p = {corrected:.3f}." if np.isfinite(corrected) else ""
                style = "dim" if answer.cannot_tell else ""
                put(console, f"  {in_one_line(answer.sentence())}{holm_said}", style)
        untold = Counter(a.cannot_tell for a, _ in own if a.cannot_tell) if groups is not None else Counter()
        for reason, number in untold.items():
            put(console, f"  {number} of {len(own)} questions cannot be told: {in_one_line(reason)}.", "dim")
    if not pairs:
        put(
            console,
            "No groups were compared: name them with --by, --from and --to, or write claims that do.",
        )
    put(
        console,
        f"{path} holds all of this, p corrected by Holm over all of it. What is asked after looking is "
        "exploratory: say so.",
        "dim",
    )
    return 0
