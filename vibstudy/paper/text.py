"""The words of the draft, built from tables, so that no number can stand in the text alone.

Every number is put into the text by :meth:`Book.cite`, which formats a cell of a table and remembers
which. Whole sentences that come from elsewhere (claims, audits, captions) are cells, too. What is
remembered is written as ``numbers.csv``; whoever reads the draft can look up each number.

A result is never said more strongly than its verdict: *supported* and *against* are said of the claim,
*undecided* is never worded as "no difference", and what cannot be tested is said so with the reason.
"""

from __future__ import annotations

# Sentences of the draft read best unbroken:
# ruff: noqa: E501
import contextlib
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.figures.data import by_player, judged_notes, plural, vibrato_notes
from vibstudy.schema import QUALITY_REASONS, reasons_of
from vibstudy.stats.claims import FIRST, Claim
from vibstudy.stats.confounds import find_confounds

MINUS = "\N{MINUS SIGN}"
NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
"""A number as it is printed."""

_LEVEL = re.compile(r"\[T\.([^\]]*)\]")
"""A level of a factor, as the models name it."""

INVENTED = (
    "This is the invented demonstration study: its players, regions, melodies and recordings are made up and "
    "its sound is synthesised. Nothing here says anything about real playing."
)
LONE = "one player"
"""Kind of the audit's sentences on cells of one player."""

MOST_NAMED = 3
"""More cells of one player than this are counted in the text, and named in the table only."""

NO_CAUSE = (
    "The recordings are those that happened to be made and kept. Differences between groups of them are "
    "associations: they are no proof of a cause."
)


@dataclass(frozen=True)
class Citation:
    """A number, or a whole cell, that stands in the text.

    Parameters
    ----------
    section : str
        Heading it stands under.
    printed : str
        As it stands there.
    table, column : str
        Where it comes from.
    row : int
        Row of that table, the first is 1.
    pattern : str
        How it is formatted.
    """

    section: str
    printed: str
    table: str
    row: int
    column: str
    pattern: str


@dataclass
class Section:
    """A heading and its paragraphs."""

    title: str
    paragraphs: list[str] = field(default_factory=list)


@dataclass
class Book:
    """The tables of the paper, and what of them stands in the text."""

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    sections: list[Section] = field(default_factory=list)
    citations: list[Citation] = field(default_factory=list)

    def begin(self, title: str) -> None:
        """Open a section."""
        self.sections.append(Section(title))

    def say(self, text: str) -> None:
        """Add a paragraph to the section that is open."""
        self.sections[-1].paragraphs.append(" ".join(text.split()))

    def cite(self, table: str, row: int, column: str, pattern: str = "text") -> str:
        """Return a cell as it is printed, and remember it. `row` counts from 0."""
        printed = as_printed(self.tables[table][column].iloc[row], pattern)
        title = self.sections[-1].title
        self.citations.append(Citation(title, printed, table, row + 1, column, pattern))
        return printed

    def setting(self, name: str, pattern: str = "g") -> str:
        """Return a value of the table of settings."""
        row = self.tables["settings"]["setting"].tolist().index(name)
        return self.cite("settings", row, "value", "text" if pattern == "text" else f"number {pattern}")

    def reference(self, *keys: str) -> str:
        """Return "(Holm 1979)" for works of the table of references."""
        known = self.tables["references"]["key"].tolist()
        labels = [self.cite("references", known.index(key), "label") for key in keys]
        return f"({'; '.join(labels)})"

    def numbers(self) -> pd.DataFrame:
        """Return what stands in the text, one row a citation."""
        return pd.DataFrame([vars(citation) for citation in self.citations])


def as_printed(value: Any, pattern: str) -> str:
    """Format a value: "text"; "term" ("region Keldria" of "region[T.Keldria]"); "p" ("= 0.012"), "p alone"; "share" (per cent); "number FORMAT" for a text that holds a number; or a
    format of Python, with a true minus sign.
    """
    if pattern == "text":
        return str(value)
    if pattern == "term":
        return _LEVEL.sub(r" \1", str(value))
    if pattern == "p":
        return "< 0.001" if value < 0.001 else f"= {value:.3f}"
    if pattern == "p alone":
        return "< 0.001" if value < 0.001 else f"{value:.3f}"
    if pattern == "share":
        return f"{100 * value:.0f} %"
    if pattern.startswith("number "):
        return format(float(value), pattern.removeprefix("number ")).replace("-", MINUS)
    if pattern == "count":
        return f"{int(value):,}"
    return format(float(value), pattern).replace("-", MINUS)


# --- tables


def corpus_table(notes: pd.DataFrame) -> pd.DataFrame:
    """Return one row: what the corpus holds."""
    known = judged_notes(notes)
    return pd.DataFrame(
        [
            {
                "players": notes["player"].nunique(),
                "recordings": notes["recording_id"].nunique(),
                "notes": len(notes),
                "notes_with_vibrato": len(vibrato_notes(notes)),
                "notes_judged": len(known),
                "share_with_vibrato": float(known["has_vibrato"].mean()) if len(known) else np.nan,
            }
        ]
    )


def players_table(notes: pd.DataFrame) -> pd.DataFrame:
    """Return one row a player: counts, share of notes with vibrato, mean rate and extent."""
    used = vibrato_notes(notes)
    known = judged_notes(notes)
    share = known.groupby("player")["has_vibrato"].mean()
    if used.empty:
        return pd.DataFrame({"player": share.index, "share_with_vibrato": share.to_numpy()})
    table = by_player(used, ["rate_hz", "extent_cents"])
    table["share_with_vibrato"] = table["player"].map(share).astype(float)
    names = ["player", "region", "recordings", "notes", "share_with_vibrato", "rate_hz", "extent_cents"]
    return table[[name for name in names if name in table]].sort_values("player", ignore_index=True)


def quality_table(notes: pd.DataFrame) -> pd.DataFrame:
    """Return why notes are not to be trusted, with their share of all notes."""
    rows = []
    counts = Counter(reason for cell in notes["quality"] for reason in reasons_of(cell))
    for reason, words in QUALITY_REASONS.items():
        if count := counts[reason]:
            rows.append({"reason": reason, "meaning": words, "notes": count, "share": count / len(notes)})
    return pd.DataFrame(rows, columns=["reason", "meaning", "notes", "share"])


MEDIA_COUNTS = {
    "hum": ("hum_hz", "mains hum"),
    "clipped": ("clipped_fraction", "clipped samples"),
    "cut_off": ("codec_cutoff_hz", "the sharp edge of a lossy codec or a resampling"),
    "wow": ("wow_hz", "a wow common to all notes (taken out)"),
}
"""What is counted over recordings: the column that is above 0 where it was found, and the words for it."""


def media_table(recordings: pd.DataFrame) -> pd.DataFrame:
    """Return what was found about the sound, one row a medium (medians, and counts of recordings).

    Returns
    -------
    DataFrame
        ``medium, recordings``, ``above_noise_db`` (loud passages above the steady noise), ``high_edge_hz``,
        ``clicks_per_s``, and numbers of recordings with ``hum, clipped, cut_off, wow``; medium is "not
        told" where the manifest has none.
    """
    wanted = [
        "programme_db",
        "noise_db",
        "high_edge_hz",
        "clicks_per_s",
        *(c for c, _ in MEDIA_COUNTS.values()),
    ]
    frame = pd.DataFrame(
        {name: recordings[name].astype(float) if name in recordings else np.nan for name in wanted},
        index=recordings.index,
    )
    frame["above_noise_db"] = frame["programme_db"] - frame["noise_db"]
    medium = recordings["medium"] if "medium" in recordings else pd.Series(pd.NA, index=recordings.index)
    groups = frame.groupby(medium.astype("string").fillna("not told"))
    medians = groups[["above_noise_db", "high_edge_hz", "clicks_per_s"]].median()
    for name, (column, _) in MEDIA_COUNTS.items():
        medians[name] = groups[column].agg(lambda values: int((values > 0).sum()))
    medians.insert(0, "recordings", groups.size())
    return medians.rename_axis("medium").reset_index()


def limitations_table(notes: pd.DataFrame, claims: pd.DataFrame) -> pd.DataFrame:
    """Return sentences on what the corpus cannot tell: audit of tags, and caveats of the claims."""
    rows = []
    with contextlib.suppress(VibstudyError):
        audit = find_confounds(notes)
        kinds = [LONE if sentence in audit.lone else "" for sentence in audit.sentences]
        rows += [("audit", sentence, kind) for sentence, kind in zip(audit.sentences, kinds, strict=True)]
    if len(claims):
        caveats = claims["caveats"].fillna("").astype(str)
        together: dict[str, list[str]] = {}
        for name, text in zip(claims["claim"], caveats, strict=True):
            if text:
                together.setdefault(text, []).append(str(name))
        rows += [
            (f"{_of(len(names), 'claim')} {', '.join(names)}", text, "") for text, names in together.items()
        ]
    return pd.DataFrame(rows, columns=["from", "sentence", "kind"])


# --- sections


def write_corpus(book: Book, is_demo: bool) -> None:
    """The corpus in two sentences."""
    book.begin("Corpus")
    if is_demo:
        book.say(INVENTED)

    def n(name: str, pattern: str = "count") -> str:
        return book.cite("corpus", 0, name, pattern)

    corpus = book.tables["corpus"].iloc[0]
    text = (
        f"The corpus holds {n('recordings')} {_of(corpus['recordings'], 'recording')} by {n('players')} "
        f"{_of(corpus['players'], 'player')}. {n('notes')} {_of(corpus['notes'], 'note')} were found; on "
        f"{n('notes_with_vibrato')} of them vibrato was measured"
    )
    if corpus["notes_judged"]:
        text += (
            f". Of the {n('notes_judged')} notes long enough for its absence to show, too, "
            f"{n('share_with_vibrato', 'share')} have vibrato"
        )
    book.say(text + ".")


def _of(count: float, word: str) -> str:
    return plural(int(count), word).split(" ", 1)[1]


def write_methods(book: Book, notes: pd.DataFrame, recordings: pd.DataFrame, claims: Sequence[Claim]) -> None:
    """The steps that ran, with their settings and versions."""
    book.begin("Methods")
    s = book.setting
    text = (
        f"Recordings were read at true speed as one channel at {s('working_rate_hz')} Hz. The line of notes was "
        f"found by {s('tracker_used', 'text')} between {s('fmin_hz')} and {s('fmax_hz')} Hz; sounds shorter than "
        f"{s('min_note_s')} s were not taken for notes."
    )
    changed = (
        int((recordings["speed_factor"].astype(float) != 1.0).sum()) if "speed_factor" in recordings else 0
    )
    if changed:
        text += (
            f" The speed of {s('recordings_speed_corrected')} recordings was corrected as the manifest says."
        )
    book.say(text)
    book.say(
        "A tracker's line says only where the notes are, since its frames smooth the vibrato. Pitch was then "
        "measured from the phase of the harmonics, weighted by their signal to noise "
        f"{book.reference('rife1974')}. A note's pitch is the mean over the note {book.reference('brown1996')}."
    )
    book.say(
        f"Vibrato was looked for between {s('vibrato_min_hz')} and {s('vibrato_max_hz')} Hz. A note counts as "
        "having vibrato when a straight note with the same noise would look so with a probability below "
        f"{s('false_alarm')}, the search over rates counted {book.reference('baluev2008')}. Rate is the mean number "
        "of cycles a second while vibrato lasts. Extent is half of the peak-to-peak deviation (± cents)."
    )
    tuning = (
        f"Notes were named at the tuning estimated from the notes in {s('recordings_tuning_estimated')} recordings, "
        f"and at the manifest's in {s('recordings_tuning_given')}."
    )
    listened = (
        f" Listeners accepted {s('notes_accepted')}, edited {s('notes_edited')} and rejected "
        f"{s('notes_rejected')} notes."
    )
    reviewed = bool((notes["reviewed"].astype("string") != "auto").fillna(False).any())
    book.say(tuning + (listened if reviewed else " All notes are as measured; none was edited by hand."))
    book.say(
        "Trills, ornaments and notes rejected by ear were left out. Rate and extent are those of the notes with "
        "vibrato whose figures can be trusted, the same in text, tables and figures; shares of notes with vibrato "
        "are shares of the notes long enough for its absence to show."
    )
    _write_statistics(book, claims)
    libraries = ", ".join(
        f"{book.cite('software', row, 'name')} {book.cite('software', row, 'version')}"
        for row in range(len(book.tables["software"]))
    )
    book.say(f"Software: {libraries} {book.reference('harris2020', 'virtanen2020')}.")


def _write_statistics(book: Book, claims: Sequence[Claim]) -> None:
    if len(book.tables["models"]) or len(claims):
        book.say(
            "Differences were estimated by mixed models with the recording nested in the player "
            f"{book.reference('laird1982')}, with degrees of freedom after Satterthwaite "
            f"{book.reference('satterthwaite1946')}. Extent was modelled on a logarithmic scale. Intervals are "
            f"{book.setting('interval_per_cent')} % intervals, each by itself."
        )
    if not claims:
        return
    text = (
        f"{book.setting('claims')} {_of(len(claims), 'claim')} {'is' if len(claims) == 1 else 'are'} answered, of which "
        f"{book.setting('claims_written_first')} had been written down before the recordings were measured; p was "
        f"corrected by Holm over every confirmatory claim ever logged that could be tested "
        f"{book.reference('holm1979')}, and a claim counts as supported below {book.setting('significance')}. A "
        "decided verdict was put to the model with each further tag of the recordings in it."
    )
    if int(book.tables["settings"].set_index("setting")["value"].get("claims_gone", 0)):
        text += (
            f" The log holds {book.setting('claims_gone')} further tests, withdrawn or worded otherwise since, which "
            "the correction counts."
        )
    if any(claim.expect == "equal" for claim in claims):
        text += f" Claims of equality were tested by two one-sided tests {book.reference('schuirmann1987')}."
    book.say(text)


VERDICTS = {
    "supported": "The data support the claim “{sentence}”",
    "against": "The data speak against the claim “{sentence}”",
    "undecided": "Undecided is the claim “{sentence}”",
}


def write_results(book: Book) -> None:
    """Describe the players, and answer the claims."""
    book.begin("Results")
    players = book.tables["players"]
    if "rate_hz" in players and len(players):
        rate, extent = players["rate_hz"].astype(float), players["extent_cents"].astype(float)

        def n(row: Any, name: str, pattern: str) -> str:
            return book.cite("players", int(row), name, pattern)

        book.say(
            f"The players' mean rates lie between {n(rate.argmin(), 'rate_hz', '.2f')} and "
            f"{n(rate.argmax(), 'rate_hz', '.2f')} Hz, their mean extents between "
            f"± {n(extent.argmin(), 'extent_cents', '.1f')} and ± {n(extent.argmax(), 'extent_cents', '.1f')} cents "
            "(half of peak to peak)."
        )
    claims = book.tables["claims"]
    if claims.empty:
        book.say("No claim is written down for this study, so none is tested here.")
    for row in range(len(claims)):
        book.say(claim_sentence(book, row))
    if len(claims):
        book.say(NO_CAUSE)


def claim_sentence(book: Book, row: int) -> str:
    """Return the result of one claim, no stronger than its verdict."""
    claim: Mapping[Any, Any] = book.tables["claims"].iloc[row].to_dict()

    def c(name: str, pattern: str = "text") -> str:
        return book.cite("claims", row, name, pattern)

    if claim["verdict"] not in VERDICTS:
        return f"The claim “{c('sentence')}” cannot be tested on this corpus. {c('reason')}"
    unit = str(claim["unit"])
    pattern = "+.1f" if unit.startswith("%") else "+.2f"
    unit = f" {'%' if unit.startswith('%') else unit}" if unit else ""
    text = VERDICTS[claim["verdict"]].format(sentence=c("sentence"))
    if claim["provisional"]:
        text += " (provisional)"
    if claim["but"]:
        text += f", but {c('but')}"
    kind = str(claim["p_kind"])
    text += (
        f": {c('compared')}, {c('estimate', pattern)}{unit} ({c('interval_per_cent', '.3g')} % interval "
        f"{c('low', pattern)} to {c('high', pattern)}{unit}, df = {c('df', '.1f')}, {kind} {c('p_holm', 'p')} after "
        f"Holm; n = {c('players', 'count')} players, {c('recordings', 'count')} recordings, "
        f"{c('notes', 'count')} notes)."
    )
    if claim["verdict"] == "undecided":
        text += " That is no evidence of equality: the corpus does not tell."
    if claim["standing"] != FIRST:
        text += f" Standing of this claim: {c('standing')}."
    if claim["history"]:
        text += f" Its past: {c('history')}."
    return text


def write_limitations(book: Book) -> None:
    """What the corpus cannot tell, and which notes are weak."""
    book.begin("Limitations")
    limits = book.tables["limitations"]
    lone = book.tables["audit"]["cells_of_one_player"].iloc[0]
    audit = [
        book.cite("limitations", row, "sentence")
        for row in range(len(limits))
        if limits["from"].iloc[row] == "audit"
        and not (lone > MOST_NAMED and limits["kind"].iloc[row] == LONE)
    ]
    if lone > MOST_NAMED:
        number = book.cite("audit", 0, "cells_of_one_player", "count")
        audit.append(
            f"In {number} cells of the corpus all notes are by one player: there the player cannot be told "
            "from the group (the table of limitations names each)."
        )
    if audit:
        book.say(" ".join(audit))
    for row in np.flatnonzero(limits["from"] != "audit").tolist():
        book.say(
            f"For the {book.cite('limitations', row, 'from')}: {book.cite('limitations', row, 'sentence')}"
        )
    write_media(book)
    quality = book.tables["quality"]
    if len(quality):
        parts = [
            f"{book.cite('quality', row, 'notes', 'count')} ({book.cite('quality', row, 'share', 'share')}) "
            f"{book.cite('quality', row, 'meaning')}"
            for row in range(len(quality))
        ]
        book.say(f"Notes not to be trusted in full, by reason: {'; '.join(parts)}.")
    book.say(
        f"{NO_CAUSE} What survives of early recordings, the media they were made on, and the choice of pieces may "
        "all differ between the groups compared."
    )


def write_media(book: Book) -> None:
    """What the media did to the sound, as it was measured."""
    media = book.tables["media"]
    parts, found = [], []
    for row, medium in enumerate(media.to_dict("records")):

        def m(name: str, pattern: str = "count", row: int = row) -> str:
            return book.cite("media", row, name, pattern)

        if not np.isnan([medium[name] for name in ("above_noise_db", "high_edge_hz", "clicks_per_s")]).any():
            parts.append(
                f"{m('medium', 'text')} ({m('recordings')} {_of(medium['recordings'], 'recording')}): loud passages "
                f"{m('above_noise_db', '.0f')} dB above the noise, music heard up to {m('high_edge_hz', ',.0f')} Hz, "
                f"{m('clicks_per_s', '.1f')} clicks a second"
            )
        found += [
            f"{words} on {m(name)} of {m('medium', 'text')}"
            for name, (_, words) in MEDIA_COUNTS.items()
            if medium[name]
        ]
    if parts:
        book.say(f"The sound as it was found, by medium (medians over recordings): {'; '.join(parts)}.")
    if found:
        book.say(f"Marks of the medium on single recordings: {'; '.join(found)}.")
    if len(parts) > 1:
        book.say(
            "Noise and lost overtones leave fewer notes to trust and larger errors. Groups that differ in medium "
            "differ in that, too. Stricter choices of notes, or the medium in the model, show how far a result depends on "
            "it; what the lost notes were they cannot show."
        )


def write_reproducibility(book: Book) -> None:
    """Versions, seeds, hashes."""
    book.begin("Reproducibility")
    for row in range(len(book.tables["reproducibility"])):
        book.say(
            f"{book.cite('reproducibility', row, 'what')}: {book.cite('reproducibility', row, 'value')}."
        )
