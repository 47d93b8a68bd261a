"""What reviewers of acoustic and corpus studies ask, answered from the study.

The questions are those that guidelines for reporting ask again and again (numbers of cases and of
measurements, how they were chosen, settings, errors, multiple tests, availability of data; compare the STROBE
statement, von Elm et al. 2007, PLoS Med. 4(10):e296, from memory). What the study does not know is left to
the author, and says so.
"""

from __future__ import annotations

import pandas as pd

from vibstudy.figures.data import plural
from vibstudy.figures.quantities import value_of

TO_WRITE = "For the author to write"
"""Answer to what no table can know."""


def checklist_table(frame: pd.DataFrame, claims: pd.DataFrame, ways: int, is_demo: bool) -> pd.DataFrame:
    """Return ``question, answer``.

    Parameters
    ----------
    frame : DataFrame
        The frame of results.
    claims : DataFrame
        The claims as judged; may be empty.
    ways : int
        Claims that are asked in many ways.
    is_demo : bool
        Whether the truth is known.
    """

    def n(quantity: str) -> int:
        value = value_of(frame, "study", "study", quantity)
        return 0 if pd.isna(value) else int(value)

    def setting(name: str) -> str:
        found = value_of(frame, "setting", name, "value")
        return "not recorded" if pd.isna(found) else f"{found:g}"

    def number(quantity: str, pattern: str) -> str:
        found = value_of(frame, "study", "study", quantity)
        return "not known" if pd.isna(found) else format(found, pattern)

    lost = n("notes") - n("notes_usable")
    tested = int(claims["estimate"].notna().sum()) if len(claims) else 0
    first = int(float(setting("claims_written_first"))) if len(claims) else 0
    rows = [
        (
            "How many players, recordings, notes?",
            f"{plural(n('players'), 'player')}, {plural(n('recordings'), 'recording')}, "
            f"{plural(n('notes'), 'note')}; the counts of each player stand in the table of players.",
        ),
        (
            "How were players and recordings chosen?",
            f"{TO_WRITE}: how they were sought, and what was not found.",
        ),
        (
            "Which notes were left out, and why?",
            f"{lost:,} of {n('notes'):,}, by group and reason in the table of notes left out.",
        ),
        (
            "How were notes found and measured?",
            f"Stated under Methods; vibrato between {setting('vibrato_min_hz')} and "
            f"{setting('vibrato_max_hz')} Hz, "
            f"present when a straight note would look so with a probability below {setting('false_alarm')}.",
        ),
        (
            "How large are the errors of measurement?",
            f"Each note has its standard error: median {number('rate_se_hz', '.2f')} Hz in rate, "
            f"{number('extent_se_cents', '.1f')} cents in extent."
            + (" Measured against the known truth in a figure." if is_demo else ""),
        ),
        (
            "Was the measuring checked by ear?",
            f"Listeners accepted {setting('notes_accepted')}, edited {setting('notes_edited')} and rejected "
            f"{setting('notes_rejected')} notes.",
        ),
        (
            "Are speed and tuning of the recordings known?",
            f"Speed corrected in {setting('recordings_speed_corrected')} recordings; tuning estimated in "
            f"{setting('recordings_tuning_estimated')}, given in {setting('recordings_tuning_given')}.",
        ),
        (
            "Are notes of one player taken for independent?",
            "No: recording within player are random effects, and degrees of freedom count players.",
        ),
        (
            "Were the questions fixed before looking?",
            f"{first} of {len(claims)} claims were logged before the recordings they are tested on "
            "were measured."
            if len(claims)
            else "No claim was written down.",
        ),
        (
            "Are many tests corrected for?",
            f"By Holm, over every confirmatory claim ever logged ({tested} of {len(claims)} could be "
            "tested here); "
            "looks at a growing corpus widen p and interval."
            if len(claims)
            else "No claim is tested; effects are estimates with intervals.",
        ),
        (
            "Does a result depend on choices of the analysis?",
            f"{plural(ways, 'claim')} asked in every reasonable way, shown in figures."
            if ways
            else "No claim could be asked in several ways.",
        ),
        (
            "What was confounded?",
            "Stated under Limitations; effects are given with and without the medium held equal.",
        ),
        (
            "Are data and code available?",
            f"{TO_WRITE}: where the data package (vibstudy package) is kept; others compute models "
            "and claims anew "
            "from it. Sums of all files stand in the appendix.",
        ),
        ("May the recordings be shared?", f"{TO_WRITE}: the package holds figures, no sound."),
    ]
    return pd.DataFrame(rows, columns=["question", "answer"])
