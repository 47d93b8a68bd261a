"""The one frame of results: every quantity of a study that is said somewhere, with what it counts.

Texts, tables, figures, notebooks and pages take their numbers from here; ``results/quantities.csv`` is the
same frame as a file (columns: :data:`vibstudy.schema.QUANTITY_COLUMNS`). A quantity is found by what it is of
(``kind`` and ``name``: "player", "Ada Aster") and by its own name (``quantity``: "share_with_vibrato"); no
such key stands twice, so that no two places can give another n for the same thing.

Which notes count (:mod:`vibstudy.stats.selection`), as named in the column ``rule``
-------------------------------------------------------------------------------------
===========  ======================================================================================
found        all notes found
proper       found, without trills and ornaments, and without notes rejected by ear
judged       proper, and long enough for the absence of vibrato to show: shares are shares of these
vibrato      proper, with a vibrato whose rate and extent can be used
usable       proper, and figures can be used: vibrato, or known to be straight
===========  ======================================================================================

Means and intervals
-------------------
* The mean of a recording is that of its vibrato notes; of a player, that of the recordings' means. Means of
  extent are geometric, as the models' are: a few very wide notes cannot pull them up.
* The interval of a player's mean is Student's, from the scatter of recordings about their player's mean
  pooled over all players (degrees of freedom: recordings less players). Missing where nobody has two
  recordings.
* The interval of a share is Wilson's with the notes divided by Kish's design effect, since notes of a
  recording resemble each other (:mod:`vibstudy.stats.usage`). A straight player is a row like any other: 0 %.
* Left out is each note that is neither in the models of rate and extent nor known to be straight; its reason
  is the first that applies, in the order of :data:`LEFT_OUT`.

Rates of change are those of one decade (:func:`vibstudy.stats.effects.standard_effects`), in every place.

What a notebook says and nobody else does (a table of sensitivity, the power of the study) is put in by
the notebook, as rows of the kind :data:`NOTEBOOK` (:func:`keep_rows`). They stay until the notes are
measured anew.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from vibstudy.corpus.results import read_quantities
from vibstudy.corpus.tables import write_frame, write_package
from vibstudy.errors import VibstudyError
from vibstudy.schema import HARMLESS, QUALITY_REASONS, QUANTITY_COLUMNS, reasons_of, typed
from vibstudy.stats.selection import (
    is_assessable,
    is_proper,
    is_usable,
    is_vibrato,
    telling_length_s,
)
from vibstudy.stats.usage import design_effect, recording_correlation

RULES: dict[str, str] = {
    "found": "notes found",
    "proper": "notes found, without trills, ornaments and notes rejected by ear",
    "judged": "notes long enough to tell vibrato from its absence",
    "vibrato": "notes with a vibrato whose rate and extent can be used",
    "usable": "notes whose figures can be used",
}
"""Words of the rules that say which notes count."""

LEFT_OUT: dict[str, str] = {
    "no_note": "trill, ornament or no single note",
    "rejected": "rejected by ear",
    "too_short": QUALITY_REASONS["too_short"],
    **{name: words for name, words in QUALITY_REASONS.items() if name not in HARMLESS},
    "no_answer": "whether there is vibrato, or how much, cannot be told",
}
"""Why a note is left out, in the order in which a reason is looked for."""

MEANS: dict[str, str] = {"rate_hz": "Hz", "extent_cents": "± cents"}
"""What is averaged over vibrato notes, and its unit."""

FILE = "quantities.csv"
"""The frame as a file, in ``results``."""

NOTEBOOK = "notebook"
"""Kind of what a notebook alone says."""

USED: dict[str, str] = {
    "study": "draft: Corpus, Limitations; notebooks 01, 03, 04",
    "player": "draft: Results, table of players; figures of players; first look",
    "recording": "pages of recordings and of the corpus; figures over the decades",
    "side": "draft: table of the notes left out",
    "remark": "draft: Limitations, table of remarks",
    "model": "draft: Results, table of models; figure of effects; notebook 03",
    "claim": "draft: Results, table of claims; figure of claims",
    "medium": "draft: Limitations, table of media; notebook 01",
    "setting": "draft: Methods; page of reproducibility",
    "figure": "draft: caption of the figure",
    NOTEBOOK: "notebooks",
}
"""Where quantities are used, by kind; other kinds are the tags of the manifest, used in notebook 01."""


def why_left_out(notes: pd.DataFrame) -> pd.Series:
    """Return why each note is left out, a key of :data:`LEFT_OUT`; "" for one that counts."""

    def cells(name: str, otherwise: str) -> pd.Series:
        found = notes[name] if name in notes else pd.Series(otherwise, notes.index, dtype="string")
        return found.fillna(otherwise)

    straight = notes["has_vibrato"].eq(False).fillna(False).to_numpy(bool)
    counted = is_vibrato(notes) | (is_proper(notes) & is_usable(notes) & straight)
    rejected = cells("reviewed", "auto") == "rejected"
    quality = notes["quality"] if "quality" in notes else cells("quality", "ok")
    out = []
    for good, what, ear, cell in zip(counted, cells("note_kind", "note"), rejected, quality, strict=True):
        reasons = reasons_of(cell)
        if good:
            out.append("")
        elif what != "note":
            out.append("no_note")
        elif ear:
            out.append("rejected")
        else:
            out.append(next((name for name in LEFT_OUT if name in reasons), "no_answer"))
    return pd.Series(out, index=notes.index, dtype=object)


def mean_of(name: str, values: pd.Series) -> float:
    """Return the mean of an outcome: geometric for extents, which are modelled on a logarithm."""
    numbers = values.dropna().to_numpy(float)
    if not len(numbers):
        return float("nan")
    return float(np.exp(np.log(numbers).mean())) if name.startswith("extent") else float(numbers.mean())


def row(
    kind: str,
    name: str,
    quantity: str,
    value: float,
    unit: str,
    rule: str = "",
    of: tuple[float, float] | None = None,
    **further: Any,
) -> dict[str, Any]:
    """Return one row of the frame; `of` is (numerator, denominator)."""
    numerator, denominator = of if of is not None else (np.nan, np.nan)
    return {
        "kind": kind, "name": name, "quantity": quantity, "value": value, "unit": unit,
        "numerator": numerator, "denominator": denominator, "rule": RULES.get(rule, rule),
        "used_in": USED.get(kind, "notebook 01"), **further,
    }  # fmt: skip


def _counts(kind: str, name: str, notes: pd.DataFrame, recordings: pd.DataFrame) -> list[dict[str, Any]]:
    """The counts of one thing, from its recordings, and its notes as :func:`marked` marks them."""
    found, judged, vibrato = len(notes), notes["_judged"], notes["_vibrato"]
    heard = int(notes.loc[judged, "has_vibrato"].astype(bool).sum())
    recorded, usable = notes.loc[vibrato, "recording_id"].nunique(), int((notes["_why"] == "").sum())
    counts = [
        row(kind, name, "players", recordings["player"].nunique(), "players", "in the manifest"),
        row(kind, name, "recordings", len(recordings), "recordings", "in the manifest"),
        row(kind, name, "notes", found, "notes", "found"),
        row(kind, name, "notes_judged", int(judged.sum()), "notes", "judged", (int(judged.sum()), found)),
        row(kind, name, "notes_judged_with_vibrato", heard, "notes", "judged", (heard, int(judged.sum()))),
        row(kind, name, "notes_vibrato", int(vibrato.sum()), "notes", "vibrato", (int(vibrato.sum()), found)),
        row(kind, name, "players_vibrato", notes.loc[vibrato, "player"].nunique(), "players", "vibrato"),
        row(kind, name, "recordings_vibrato", recorded, "recordings", "vibrato"),
        row(kind, name, "notes_usable", usable, "notes", "usable", (usable, found)),
    ]
    if judged.any():
        share = 100 * heard / int(judged.sum())
        counts.append(row(kind, name, "share_with_vibrato", share, "%", "judged", (heard, int(judged.sum()))))
    for why in LEFT_OUT:
        if count := int((notes["_why"] == why).sum()):
            counts.append(row(kind, name, f"left_out_{why}", count, "notes", "found", (count, found)))
    return counts


def marked(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the notes with what the rules say of each: ``_judged, _vibrato, _why``."""
    return notes.assign(_judged=is_assessable(notes), _vibrato=is_vibrato(notes), _why=why_left_out(notes))


def recording_means(notes: pd.DataFrame, outcome: str) -> pd.Series:
    """Return the mean of each recording over its vibrato notes, by player and recording."""
    used = notes[notes["_vibrato"]] if "_vibrato" in notes else notes[is_vibrato(notes)]
    by = used.groupby(["player", "recording_id"], sort=False, observed=True)[outcome]
    return by.agg(lambda values: mean_of(outcome, values)).astype(float).dropna()


def player_means(notes: pd.DataFrame, outcome: str) -> pd.DataFrame:
    """Return the mean of each player with its 95 % interval.

    Returns
    -------
    DataFrame
        Indexed by player: ``value, low, high``; the interval is missing where no player has two recordings.
    """
    means = recording_means(notes, outcome)
    scale = np.log(means) if outcome.startswith("extent") else means
    grouped = scale.groupby(level="player", sort=False, observed=True)
    centre, count = grouped.mean(), grouped.size()
    freedom = int((count - 1).sum())
    table = pd.DataFrame({"value": centre, "low": np.nan, "high": np.nan})
    if freedom > 0:
        left = scale - grouped.transform("mean")
        half = stdtrit(freedom, 0.975) * np.sqrt(float((left**2).sum()) / freedom / count)
        table["low"], table["high"] = centre - half, centre + half
    return table.apply(np.exp) if outcome.startswith("extent") else table


def player_shares(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the share of assessable notes with vibrato of each player, %, with its 95 % interval.

    Returns
    -------
    DataFrame
        Indexed by player: ``value, low, high, numerator, denominator``.
    """
    from statsmodels.stats.proportion import proportion_confint

    judged = notes[notes["_judged"]] if "_judged" in notes else notes[is_assessable(notes)]
    judged = judged.assign(has_vibrato=judged["has_vibrato"].astype(bool))
    rows = {}
    rho = recording_correlation(judged) if len(judged) else float("nan")
    for player, own in judged.groupby("player", sort=False, observed=True):
        heard, worth = int(own["has_vibrato"].sum()), design_effect(own, rho)
        low, high = proportion_confint(heard / worth, len(own) / worth, method="wilson")
        rows[player] = (100 * heard / len(own), 100 * low, 100 * high, heard, len(own))
    return pd.DataFrame.from_dict(
        rows, orient="index", columns=["value", "low", "high", "numerator", "denominator"]
    )


def _players(notes: pd.DataFrame) -> list[dict[str, Any]]:
    """Means and shares of players with their intervals, in place of the plain share."""
    rows = []
    for outcome in (name for name in MEANS if name in notes):
        for player, found in player_means(notes, outcome).iterrows():
            ends = {"low": found["low"], "high": found["high"]}
            rows.append(
                row("player", str(player), outcome, found["value"], MEANS[outcome], "vibrato", **ends)
            )
    for player, found in player_shares(notes).iterrows():
        of, ends = (found["numerator"], found["denominator"]), {"low": found["low"], "high": found["high"]}
        rows.append(
            row("player", str(player), "share_with_vibrato", found["value"], "%", "judged", of, **ends)
        )
    return rows


MEDIANS: dict[str, str] = {"vibrato_onset_s": "s", "intensity_depth_db": "± dB", "snr_db": "dB"}
"""What else is told of a recording: medians over its vibrato notes (signal to noise: over all notes)."""

OF_RECORDINGS: dict[str, str] = {
    "tuning_hz": "Hz", "programme_db": "dBFS", "noise_db": "dBFS", "above_noise_db": "dB",
    "high_edge_hz": "Hz", "clicks_per_s": "1/s", "duration_s": "s", "room_decay_s": "s",
}  # fmt: skip
"""What the table of recordings tells of each, and its unit."""


def _recordings(notes: pd.DataFrame, recordings: pd.DataFrame) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []

    def told(values: pd.Series, quantity: str, unit: str, rule: str = "") -> None:
        rows.extend(row("recording", str(k), quantity, float(v), unit, rule) for k, v in values.items())

    for outcome, unit in MEANS.items():
        if outcome in notes:
            told(recording_means(notes, outcome).droplevel("player"), outcome, unit, "vibrato")
    for outcome, unit in MEDIANS.items():
        if outcome in notes:
            used = notes if outcome == "snr_db" else notes[notes["_vibrato"]]
            rule = "found" if outcome == "snr_db" else "vibrato"
            told(used.groupby("recording_id", observed=True)[outcome].median().dropna(), outcome, unit, rule)
    if {"programme_db", "noise_db"} <= set(recordings):
        above = recordings["programme_db"].astype(float) - recordings["noise_db"].astype(float)
        recordings = recordings.assign(above_noise_db=above)
    for name, unit in OF_RECORDINGS.items():
        if name in recordings:
            told(recordings.set_index("recording_id")[name].dropna(), name, unit)
    return rows


def _remarks(notes: pd.DataFrame) -> list[dict[str, Any]]:
    """How many notes each remark of ``quality`` stands on: of a note several may be said."""
    if "quality" not in notes:
        return []
    said = notes["quality"].map(reasons_of)
    return [
        row("remark", reason, "notes", count, "notes", "found", (count, len(notes)))
        for reason in QUALITY_REASONS
        if (count := int(said.map(lambda reasons, reason=reason: reason in reasons).sum()))
    ]


def name_text(value: Any) -> str:
    """Return a tag as a name: whole numbers without a decimal point."""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def quantities(
    notes: pd.DataFrame,
    recordings: pd.DataFrame | None = None,
    tags: Sequence[str] = ("decade", "region", "medium"),
    further: Iterable[Mapping[str, Any]] = (),
) -> pd.DataFrame:
    """Return the frame of a study.

    Parameters
    ----------
    notes : DataFrame
        The note table with the manifest's tags.
    recordings : DataFrame | None
        One row a recording.
    tags : sequence of str
        Tags by which notes are counted, too.
    further : iterable of mapping
        Rows of models, claims, media and settings, as :func:`row` makes them.

    Raises
    ------
    ValueError
        When a key stands twice: two places that would give another number for the same thing.
    """
    rows: list[dict[str, Any]] = []
    if "player" in notes:
        notes = marked(notes.reset_index(drop=True))
        held = notes.drop_duplicates("recording_id") if recordings is None else recordings
        rows += _counts("study", "study", notes, held)
        if len(notes):
            rows.append(row("study", "study", "telling_length_s", telling_length_s(notes), "s", "judged"))
        for name, unit in {"rate_se_hz": "Hz", "extent_se_cents": "cents"}.items():
            if name in notes and notes.loc[notes["_vibrato"], name].notna().any():
                middle = float(notes.loc[notes["_vibrato"], name].median())
                rows.append(row("study", "study", name, middle, unit, "vibrato"))
        for kind in ("player", "recording", *tags):
            column = "recording_id" if kind == "recording" else kind
            if column not in notes or column not in held:
                continue
            own = dict(list(notes.groupby(column, observed=True)))
            for level, there in held.groupby(column, sort=True, observed=True):
                counts = _counts(kind, name_text(level), own.get(level, notes.iloc[:0]), there)
                if kind == "player":  # the share stands there with its interval
                    counts = [count for count in counts if count["quantity"] != "share_with_vibrato"]
                rows += counts
        rows += _players(notes) + _remarks(notes) + _recordings(notes, held)
    return joined(pd.DataFrame(rows), further)


def joined(frame: pd.DataFrame, further: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Return the frame with further rows, as :func:`row` makes them.

    Raises
    ------
    ValueError
        When a key stands twice: two places that would give another number for the same thing.
    """
    new = pd.DataFrame([dict(item) for item in further])
    frame = typed(pd.concat([frame, new], ignore_index=True) if len(new) else frame, QUANTITY_COLUMNS)
    frame = frame[[column.name for column in QUANTITY_COLUMNS]]
    twice = frame[frame.duplicated(["kind", "name", "quantity"])]
    if len(twice):
        raise ValueError(f"{', '.join(map(str, twice.iloc[0][['kind', 'name', 'quantity']]))} stands twice")
    return frame


def of_kind(frame: pd.DataFrame, kind: str, wanted: Sequence[str] = ()) -> pd.DataFrame:
    """Return one row a thing: its name in the column ``name``, and a column a quantity.

    Beside a quantity with an interval stand ``QUANTITY_low`` and ``QUANTITY_high``. Missing where the
    frame has none; counts that are not there are 0.
    """
    own = frame[frame["kind"] == kind]
    names = list(dict.fromkeys(own["name"]))
    table = pd.DataFrame({"name": names})
    units = dict(zip(own["quantity"], own["unit"], strict=True))
    for quantity in wanted or list(units):
        part = own[own["quantity"] == quantity].set_index("name")
        values = part["value"].reindex(names).to_numpy(float)
        counted = units.get(quantity) in ("notes", "players", "recordings")
        whole = counted or quantity.startswith("left_out")
        table[quantity] = np.nan_to_num(values).astype(int) if whole else values
        for side in ("low", "high"):
            if part[side].notna().any():
                table[f"{quantity}_{side}"] = part[side].reindex(names).to_numpy(float)
    return table


def value_of(frame: pd.DataFrame, kind: str, name: str, quantity: str) -> float:
    """Return one value of the frame; NaN where it has none."""
    here = (frame["kind"] == kind) & (frame["name"] == name) & (frame["quantity"] == quantity)
    return float(frame.loc[here, "value"].iloc[0]) if here.any() else float("nan")


# --- the file


def write_quantities(results: Path, frame: pd.DataFrame) -> None:
    """Write the frame of results beside the measured tables, and describe it there."""
    schema = write_frame(results / FILE, frame, QUANTITY_COLUMNS)
    (results / FILE).touch()  # as new as the notes it was made from, also where nothing in it changed
    write_package(results, {FILE: schema})


def still_true(results: Path) -> pd.DataFrame:
    """Return the frame as it was written; without rows where there is none, or where the notes are newer."""
    path = results / FILE
    notes = [results / name for name in ("notes.parquet", "notes.csv")]
    measured = max((found.stat().st_mtime_ns for found in notes if found.is_file()), default=0)
    if path.is_file() and path.stat().st_mtime_ns >= measured:
        with contextlib.suppress(VibstudyError):  # a damaged one is written anew
            return read_quantities(results)
    return typed(pd.DataFrame(), QUANTITY_COLUMNS)


def of_notebooks(results: Path) -> list[dict[str, Any]]:
    """Return the rows that notebooks put into the file and that are still true."""
    frame = still_true(results)
    kept = frame[frame["kind"] == NOTEBOOK].to_dict("records")
    return [{str(name): value for name, value in item.items()} for item in kept]


def keep_rows(results: Path, base: Callable[[], pd.DataFrame], rows: Sequence[Mapping[str, Any]]) -> None:
    """Put rows of a notebook into the file, in place of those of the same keys.

    Parameters
    ----------
    results : Path
        Folder of the file.
    base : callable
        Gives the frame where none is written yet.
    rows : sequence of mapping
        As :func:`row` makes them.
    """
    from filelock import FileLock

    key = ["kind", "name", "quantity"]
    with FileLock(results / "cache" / "quantities.lock"):  # two notebooks may run at a time
        frame = still_true(results)
        new = typed(pd.DataFrame(list(rows)), QUANTITY_COLUMNS)
        both = pd.concat([frame if len(frame) else base(), new], ignore_index=True)
        write_quantities(results, both.drop_duplicates(key, keep="last", ignore_index=True))
