"""The tables of the draft: parts of the one frame of results, and what describes the study beside it.

Every table with numbers of the results is taken from :func:`vibstudy.figures.quantities.quantities`;
nothing is counted a second time here.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.figures.data import plural
from vibstudy.figures.quantities import LEFT_OUT, of_kind
from vibstudy.figures.quantity_rows import COUNTS, spread_rows
from vibstudy.figures.style import EXTENT_NOTE
from vibstudy.schema import QUALITY_REASONS, in_words, media_in_words
from vibstudy.stats.claims import Claim
from vibstudy.stats.confounds import find_confounds

LONE = "one player"
"""Kind of the audit's sentences on cells of one player."""

MEDIA_COUNTS = {
    "hum": ("hum_hz", "mains hum"),
    "clipped": ("clipped_fraction", "clipped samples"),
    "cut_off": ("codec_cutoff_hz", "the sharp edge of a lossy codec or a resampling"),
    "wow": ("wow_hz", "a wow common to all notes (taken out)"),
}
"""What is counted over recordings: the column that is above 0 where it was found, and the words for it."""

MEDIA_UNITS = {
    "above_noise_db": "dB", "high_edge_hz": "Hz", "clicks_per_s": "1/s",
    **dict.fromkeys(MEDIA_COUNTS, "recordings"),
}  # fmt: skip
"""What the frame tells of each medium."""


def media_table(recordings: pd.DataFrame) -> pd.DataFrame:
    """Return what was found about the sound, one row a medium (medians, and counts of recordings).

    Returns
    -------
    DataFrame
        ``medium, recordings``, ``above_noise_db`` (loud passages above the steady noise), ``high_edge_hz``,
        ``clicks_per_s``, and numbers of recordings with ``hum, clipped, cut_off, wow``; medium is "not
        told" where the manifest has none.
    """
    wanted = ["programme_db", "noise_db", "high_edge_hz", "clicks_per_s"]
    wanted += [column for column, _ in MEDIA_COUNTS.values()]
    frame = recordings.reindex(columns=wanted).astype(float)
    frame["above_noise_db"] = frame["programme_db"] - frame["noise_db"]
    medium = recordings["medium"] if "medium" in recordings else pd.Series(pd.NA, index=recordings.index)
    groups = frame.groupby(medium.astype("string").fillna("not told"))
    medians = groups[["above_noise_db", "high_edge_hz", "clicks_per_s"]].median()
    for name, (column, _) in MEDIA_COUNTS.items():
        medians[name] = groups[column].agg(lambda values: int((values > 0).sum()))
    medians.insert(0, "recordings", groups.size())
    return medians.rename_axis("medium").reset_index()


def media_rows(recordings: pd.DataFrame) -> list[dict]:
    """Rows of the frame of results on the sound of the media."""
    table = media_table(recordings)
    untold = table if "medium" not in recordings else table[~table["medium"].isin(recordings["medium"])]
    # the recordings of media that the manifest tells are counted with the other tags
    return spread_rows(table, MEDIA_UNITS) + spread_rows(untold, {"recordings": "recordings"})


def media_of(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame's media, one row each, named in words."""
    table = of_kind(frame, "medium", ["recordings", *MEDIA_UNITS]).rename(columns={"name": "medium"})
    return table.assign(medium=table["medium"].map(in_words))


def corpus_of(frame: pd.DataFrame) -> pd.DataFrame:
    """One row: what the corpus holds."""
    table = of_kind(frame, "study")
    return table if len(table) else pd.DataFrame([dict.fromkeys(("players", "recordings", "notes"), 0)])


def studies_table(recordings: pd.DataFrame) -> pd.DataFrame:
    """One row a joined study: ``study, recordings, players``."""
    groups = recordings.groupby("study", sort=True)
    table = groups.agg(recordings=("recording_id", "size"), players=("player", "nunique"))
    return table.reset_index()


def players_of(frame: pd.DataFrame, notes: pd.DataFrame, group: str = "region") -> pd.DataFrame:
    """One row a player, straight players too: group, counts, share of notes with vibrato, rate and extent."""
    wanted = ["recordings", "notes", "notes_judged", "notes_judged_with_vibrato", "notes_vibrato"]
    table = of_kind(frame, "player", [*wanted, "share_with_vibrato", "rate_hz", "extent_cents"])
    table = table.rename(columns={"name": "player"})
    if group in notes and notes[group].notna().any():
        tags = notes.groupby("player", observed=True)[group].agg(
            lambda values: in_words(values.iloc[0]) if values.nunique() == 1 else "several"
        )
        table.insert(1, "group", table["player"].map(tags))
    return table.sort_values("player", ignore_index=True)


def models_of(frame: pd.DataFrame) -> pd.DataFrame:
    """One row an effect of the standard models, in the reader's units."""
    own = frame[(frame["kind"] == "model") & ~frame["quantity"].isin(COUNTS)]
    names = {"name": "model", "quantity": "effect", "value": "estimate"}
    columns = ["name", "quantity", "value", "low", "high", "unit", "df", "t", "p"]
    return own[columns].rename(columns=names).reset_index(drop=True)


def remarks_of(frame: pd.DataFrame) -> pd.DataFrame:
    """One row a remark that stands on notes, with its share of all notes."""
    own = frame[frame["kind"] == "remark"]
    return pd.DataFrame(
        {
            "reason": own["name"].map(in_words),
            "meaning": own["name"].map(QUALITY_REASONS),
            "notes": own["value"].astype(int),
            "share": own["numerator"] / own["denominator"],
        }
    ).reset_index(drop=True)


def left_out_of(frame: pd.DataFrame, claims: Sequence[Claim]) -> pd.DataFrame:
    """Count the notes left out, by side and reason.

    Sides are what the claims compare, where that is a value of a tag; without claims, the media.

    Returns
    -------
    DataFrame
        ``side, notes, notes_usable`` (in models of rate and extent, or known to be straight), and a column
        for each reason of :data:`vibstudy.figures.quantities.LEFT_OUT` that occurs; a row's parts sum to
        ``notes``.
    """
    sides: list[tuple[str, str]] = []
    for claim in claims:
        c = claim.contrast
        pairs = [(c.column, c.start), (c.column, c.end)]
        sides += [(column, str(value)) for column, value in pairs if (column, str(value)) not in sides]
    have = set(zip(frame["kind"], frame["name"], strict=True))
    sides = [side for side in sides if side in have]
    if not sides:
        media = frame[
            (frame["kind"] == "medium") & (frame["quantity"] == "notes")
        ]  # those the manifest tells
        sides = [("medium", name) for name in media["name"]]
    sides.append(("study", "study"))
    reasons = [f"left_out_{name}" for name in LEFT_OUT]
    rows = []
    for kind, name in sides:
        table = of_kind(frame, kind, ["notes", "notes_usable", *reasons])
        record = table[table["name"] == name].iloc[0].to_dict()
        label = "all" if kind == "study" else f"{in_words(kind)} {in_words(name)}"
        rows.append({"side": label, **{key: value for key, value in record.items() if key != "name"}})
    out = pd.DataFrame(rows)
    return out[[name for name in out if name not in reasons or out[name].any()]]


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
            (f"{plural(len(names), 'claim').split(' ', 1)[1]} {', '.join(names)}", text, "")
            for text, names in together.items()
        ]
    table = pd.DataFrame(rows, columns=["from", "sentence", "kind"])
    return table.assign(sentence=table["sentence"].map(media_in_words))


@dataclass(frozen=True)
class PrintedTable:
    """A table as it is printed.

    Parameters
    ----------
    name : str
        File name without ending; the name in the book.
    title : str
        Caption.
    columns : tuple of (str, str, str)
        Column, head, and pattern of :func:`~vibstudy.paper.book.as_printed`.
    """

    name: str
    title: str
    columns: tuple[tuple[str, str, str], ...]

    def cells(self, table: pd.DataFrame) -> tuple[list[str], list[list[str]]]:
        """Return heads and rows as text; missing values are blank."""
        from vibstudy.paper.book import as_printed

        used = [column for column in self.columns if column[0] in table]
        rows = [
            ["" if pd.isna(row[name]) else as_printed(row[name], pattern) for name, _, pattern in used]
            for row in table.to_dict("records")
        ]
        return [head for _, head, _ in used], rows


_REASON_HEADS = {
    "no_note": "No note",
    "rejected": "Rejected",
    "too_short": "Too short",
    "masked": "Masked",
    "octave_unsure": "Octave",
    "unsteady": "Unsteady",
    "no_answer": "No answer",
}

PRINTED = (
    PrintedTable(
        "players",
        "Players: notes found, notes long enough to tell, share of these with vibrato, mean rate and "
        "extent, each "
        f"with its 95 % interval. {EXTENT_NOTE}",
        (
            ("player", "Player", "text"), ("group", "Group", "text"), ("recordings", "Rec.", "count"),
            ("notes", "Notes", "count"), ("notes_judged", "Long", "count"),
            ("share_with_vibrato", "Vibrato (%)", ".0f"), ("share_with_vibrato_low", "Low", ".0f"),
            ("share_with_vibrato_high", "High", ".0f"), ("rate_hz", "Rate (Hz)", ".2f"),
            ("rate_hz_low", "Low", ".2f"), ("rate_hz_high", "High", ".2f"),
            ("extent_cents", "Extent (± cents)", ".1f"), ("extent_cents_low", "Low", ".1f"),
            ("extent_cents_high", "High", ".1f"),
        ),
    ),
    PrintedTable(
        "claims",
        "Claims: estimates with intervals; p after Holm.",
        (
            ("claim", "Claim", "text"), ("estimate", "Estimate", "+.2f"), ("low", "Low", "+.2f"),
            ("high", "High", "+.2f"), ("unit", "Unit", "text"), ("df", "df", ".1f"),
            ("p_holm", "p", "p alone"), ("verdict_told", "Verdict", "text"),
        ),
    ),
    PrintedTable(
        "models",
        "Mixed models of rate, of extent (differences in per cent) and of the presence of vibrato "
        "(odds), with and "
        "without the medium. Blank: these recordings cannot judge it.",
        (
            ("model", "Model", "text"), ("effect", "Effect", "text"), ("estimate", "Estimate", ".3g"),
            ("low", "Low", ".3g"), ("high", "High", ".3g"), ("unit", "Unit", "text"), ("df", "df", ".1f"),
            ("t", "t", "+.2f"), ("p", "p", "p alone"),
        ),
    ),
    PrintedTable(
        "left_out",
        "Notes left out of the models of rate and extent, by the groups that claims compare (without claims: "
        "by medium) and by reason; “used” are those in the models and those known to be straight. Each note "
        "is counted once, under the first reason that applies.",
        (
            ("side", "Group", "text"), ("notes", "Notes", "count"), ("notes_usable", "Used", "count"),
            *((f"left_out_{name}", _REASON_HEADS.get(name, name), "count") for name in LEFT_OUT),
        ),
    ),
    PrintedTable(
        "media",
        "The sound of the recordings by medium: medians, and numbers of recordings.",
        (
            ("medium", "Medium", "text"), ("recordings", "Rec.", "count"),
            ("above_noise_db", "Above noise (dB)", ".0f"), ("high_edge_hz", "Up to (Hz)", ",.0f"),
            ("clicks_per_s", "Clicks (1/s)", ".1f"), ("hum", "Hum", "count"), ("clipped", "Clipped", "count"),
            ("cut_off", "Cut off", "count"), ("wow", "Wow", "count"),
        ),
    ),
    PrintedTable(
        "quality",
        "Remarks on notes; of a note several may be said, and a remark alone leaves no note out.",
        (("reason", "Remark", "text"), ("meaning", "Meaning", "text"), ("notes", "Notes", "count"),
         ("share", "Share", "share")),
    ),
    PrintedTable(
        "checklist",
        "What reviewers of acoustic and corpus studies ask, and what this study answers.",
        (("question", "Question", "text"), ("answer", "Answer", "text")),
    ),
)  # fmt: skip
"""Tables printed in the draft."""
