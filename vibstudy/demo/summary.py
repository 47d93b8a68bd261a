"""What the demonstration says at its end: what was measured, and how near it came to the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.demo.cast import ALONE, WITH_LOUD_PIANO
from vibstudy.demo.corpus import true_effects
from vibstudy.errors import VibstudyError
from vibstudy.terminal import put, typed

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from vibstudy.demo.notebooks import NotebookRun
    from vibstudy.measure import MeasureReport

LONG_S = 0.4
"""Notes of this length and more are held against the truth."""

FORMULAS = {"rate_hz": "rate_hz ~ decades + region", "log_extent": "log(extent_cents) ~ decades + region"}
"""The models of the summary, by outcome; ``decades`` counts from 1960."""


@dataclass(frozen=True)
class Accuracy:
    """Measured against truth, over unaccompanied notes of 0.4 s and more.

    Parameters
    ----------
    notes : int
        True notes.
    found : float
        Share of them found: onset within 50 ms, pitch within 50 cents.
    rate_error_hz, extent_error_cents : float
        Median absolute errors; missing when no vibrato was found.
    """

    notes: int
    found: float
    rate_error_hz: float
    extent_error_cents: float


def accuracy(notes: pd.DataFrame, truth: pd.DataFrame, manifest: pd.DataFrame) -> Accuracy:
    """Hold the measured notes against the true ones.

    Parameters
    ----------
    notes : DataFrame
        Measured notes.
    truth : DataFrame
        ``truth/truth.csv``.
    manifest : DataFrame
        Needs ``recording_id, accompaniment``.
    """
    from vibstudy.figures.check import error_table
    from vibstudy.figures.data import match_truth

    alone = manifest.loc[manifest["accompaniment"] == "none", "recording_id"]
    wanted = truth[truth["recording_id"].isin(alone) & (truth["duration_s"] >= LONG_S)]
    pairs = match_truth(notes, wanted)
    errors = error_table(pairs).set_index("outcome")["median_abs"].reindex(["rate_hz", "extent_cents"])
    return Accuracy(len(wanted), float(pairs["onset_s"].notna().mean()), *errors.astype(float).tolist())


def estimated_effects(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the true effects with the estimates beside them.

    Parameters
    ----------
    notes : DataFrame
        Measured notes with the manifest's tags.

    Returns
    -------
    DataFrame
        :func:`vibstudy.demo.corpus.true_effects` with ``estimate, low, high``; missing where the notes
        at hand cannot tell.
    """
    from vibstudy.figures.data import vibrato_notes
    from vibstudy.stats import fit_mixed

    used = vibrato_notes(notes)
    used = used.assign(decades=(used["decade"].astype(float) - 1960) / 10)
    fitted = {outcome: fit_mixed(used, formula).table() for outcome, formula in FORMULAS.items()}
    effects = true_effects()
    rows = [
        fitted[outcome].reindex(["decades" if term == "decade" else f"region[T.{term}]"])
        for outcome, term in zip(effects["outcome"], effects["term"], strict=True)
    ]
    return effects.join(pd.concat(rows, ignore_index=True)[["estimate", "low", "high"]])


def careless_p(notes: pd.DataFrame) -> tuple[float, float]:
    """Ratio of mean extents, Keldria to Aubrisk, and the p of a t-test that takes notes for players."""
    from scipy.stats import ttest_ind

    from vibstudy.figures.data import vibrato_notes

    used = vibrato_notes(notes)
    log_extent = np.log(used["extent_cents"].to_numpy(float))
    one, other = (log_extent[(used["region"] == region).to_numpy(bool)] for region in ("Keldria", "Aubrisk"))
    return float(np.exp(one.mean() - other.mean())), float(ttest_ind(one, other).pvalue)


def selection_trap(notes: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Hold the extents of the decade with a loud piano against those of the decade without, and the truth.

    Of true vibrato notes of :data:`LONG_S` and more; each note counts once.

    Parameters
    ----------
    notes : DataFrame
        Measured notes with the manifest's ``decade``.
    truth : DataFrame
        ``truth/truth.csv``.

    Returns
    -------
    DataFrame
        One row a choice of notes: ``notes`` (which), ``piano, alone`` (how many), ``ratio`` (geometric mean
        extents, :data:`~vibstudy.demo.cast.WITH_LOUD_PIANO` over :data:`~vibstudy.demo.cast.ALONE`) as
        measured, and ``ratio_by_choice``: the same of these notes' true extents, so that what it differs by
        from the first row is the choice's alone.
    """
    from vibstudy.figures.data import match_truth
    from vibstudy.stats.selection import is_vibrato

    decade = notes.groupby("recording_id")["decade"].first().astype(float)
    wanted = truth[truth["has_vibrato"].astype(bool) & (truth["duration_s"] >= LONG_S)]
    wanted = wanted[wanted["recording_id"].map(decade).isin([WITH_LOUD_PIANO, ALONE])]
    pairs = match_truth(notes, wanted)
    with_piano = (pairs["true_recording_id"].map(decade) == WITH_LOUD_PIANO).to_numpy(bool)
    used = is_vibrato(pairs)
    clean = used & pairs["quality"].eq("ok").fillna(False).to_numpy(bool)
    chosen = {
        "all that were played": (np.ones(len(pairs), bool), "true_extent_cents"),
        "measured without a remark": (clean, "extent_cents"),
        "measured, all that are usable": (used, "extent_cents"),
    }

    def ratio(keep: np.ndarray, column: str) -> float:
        log = np.log(pairs[column].to_numpy(float))
        groups = (log[keep & with_piano], log[keep & ~with_piano])
        return float(np.exp(groups[0].mean() - groups[1].mean())) if all(map(len, groups)) else np.nan

    return pd.DataFrame(
        [
            {
                "notes": name,
                "piano": (keep & with_piano).sum(),
                "alone": (keep & ~with_piano).sum(),
                "ratio": ratio(keep, column),
                "ratio_by_choice": ratio(keep, "true_extent_cents"),
            }
            for name, (keep, column) in chosen.items()
        ]
    )


def unmatched(notes: pd.DataFrame, truth: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """The measured notes that are no true note's partner: do they count, and what are they?

    Parameters
    ----------
    notes, truth : DataFrame
        Measured notes and ``truth/truth.csv``.
    pairs : DataFrame
        Of :func:`vibstudy.figures.data.match_truth`.

    Returns
    -------
    DataFrame
        Rows of `notes` with ``counts`` (in models of rate, extent or presence) and ``piece``: it lies within
        a true note of its pitch (50 cents), more than half of it, so that it is a part of that note.
    """
    from vibstudy.stats.selection import is_assessable, is_usable
    from vibstudy.units import to_cents

    alone = ~notes["note_id"].isin(pairs["note_id"].dropna()).to_numpy(bool)
    rest = notes[alone].assign(counts=np.asarray(is_usable(notes) | is_assessable(notes), bool)[alone])
    pieces = []
    for note in rest.to_dict("records"):
        true = truth[truth["recording_id"] == note["recording_id"]]
        ends = np.minimum(true["offset_s"], note["offset_s"]) - np.maximum(true["onset_s"], note["onset_s"])
        within = ends.to_numpy(float) > 0.5 * (note["offset_s"] - note["onset_s"])
        pitch = float("nan") if pd.isna(note["pitch_hz"]) else float(note["pitch_hz"])
        near = np.abs(to_cents(true["pitch_hz"].to_numpy(float), pitch)) < 50.0
        pieces.append(bool((within & near).any()))
    return rest.assign(piece=pieces)


def unmatched_words(rest: pd.DataFrame) -> str:
    """Say what the notes without a true partner are (of :func:`unmatched`)."""
    counted, pieces = int(rest["counts"].sum()), int((rest["counts"] & rest["piece"]).sum())
    return (
        f"Measured notes without a true partner: {len(rest)}. In no model, since they are too short or too "
        f"doubtful and marked so: {len(rest) - counted} (grace notes; scraps of a transition, of the "
        f"piano, of a hall). In models: {counted}; parts of a note that was played, at its pitch: "
        f"{pieces} of these (it was cut in two, or its beginning was found late)."
    )


def rooms_told(recordings: pd.DataFrame, true_recordings: pd.DataFrame) -> pd.DataFrame:
    """Hold what is told of each recording's room against the truth.

    Parameters
    ----------
    recordings : DataFrame
        The measured table of recordings.
    true_recordings : DataFrame
        ``truth/recordings.csv``.

    Returns
    -------
    DataFrame
        One row a recording: ``recording_id, room``, and of ``room_decay_s`` and ``direct_to_room_db`` the
        true value (prefix ``true_``), what was told (missing: nothing) and its standard error.
    """
    told = ["room_decay_s", "room_decay_se_s", "direct_to_room_db", "direct_to_room_se_db"]
    true = true_recordings[["recording_id", "room", "room_decay_s", "direct_to_room_db"]].rename(
        columns={name: f"true_{name}" for name in ("room_decay_s", "direct_to_room_db")}
    )
    return true.merge(recordings[["recording_id", *told]], on="recording_id", how="left")


def print_summary(
    into: Path, report: MeasureReport, runs: Sequence[NotebookRun], seconds: float, console: Console
) -> None:
    """Print the end of a demonstration's run."""
    from vibstudy.corpus.store import read_notes

    notes = read_notes(into / "results")
    truth = pd.read_csv(into / "truth" / "truth.csv")
    manifest = pd.read_csv(into / MANIFEST_NAME)
    say = partial(put, console)
    say(f"\n{len(manifest) - report.failed} of {len(manifest)} recordings measured, {len(notes)} notes:")
    try:
        found = accuracy(notes, truth, manifest)
        say(f"  of {found.notes} unaccompanied notes of 0.4 s and more, {found.found:.1%} were found;")
        errors = f"rate {found.rate_error_hz:.2f} Hz, extent {found.extent_error_cents:.1f} cents"
        say(f"  median errors: {errors}\n")
        put(console, _effects_table(estimated_effects(notes)))
        ratio, p = careless_p(notes)
        say(
            f"The trap: a t-test over notes finds vibrato {ratio - 1:.0%} wider in Keldria than in Aubrisk "
            f"(p = {p:.0e}).\nThe truth is no difference: two star players with many notes make it.\n"
        )
    except VibstudyError as error:  # too few recordings could be measured: say so, and go on
        say(f"The effects could not be estimated: {error}")
    for name, message in report.failures:
        say(f"Not measured: {name}: {message}")
    for run in runs:
        if run.failure:
            say(f"Notebook {run.name} stopped: {run.failure}")
    say(f"Read      {into / 'pages'}  (open {runs[0].name}.html in a browser)")
    say(f"Figures   {into / 'figures'}")
    say(f"Notebooks {into / 'notebooks'}")
    say(f"Done in {seconds:.0f} s. Next, to listen and to work in the notebooks:  {typed(f'lab {into}')}")
    say(f"For your own recordings:  {typed('new my-study')}")


def trap_words(trap: pd.DataFrame) -> str:
    """Say what :func:`selection_trap` found."""
    true, clean, usable = trap["ratio"]
    if not np.isfinite([clean, usable]).all():
        return ""
    piano, alone = f"the {WITH_LOUD_PIANO}s", f"the {ALONE}s"
    return (
        f"Another trap: in {piano} all play with a loud piano, in {alone} alone. The truth is vibrato "
        f"{_in_percent(np.log(true))} wider in {piano};\nnotes without a remark say "
        f"{_in_percent(np.log(clean))}, all usable notes {_in_percent(np.log(usable))}.\n"
    )


def _effects_table(effects: pd.DataFrame) -> Table:
    from rich.table import Table

    table = Table(
        title="Estimated beside true (extent is ± cents: half of peak-to-peak)", title_justify="left"
    )
    table.add_column("Effect")
    for heading in ("True", "Estimated", "95 % interval"):
        table.add_column(heading, justify="right")
    table.add_column("Holds the truth")
    for effect in effects.to_dict("records"):
        words = _in_percent if effect["outcome"] == "log_extent" else _in_hz
        table.add_row(
            effect["meaning"].replace("Log extent", "Extent"),
            words(effect["true"]),
            words(effect["estimate"]),
            f"{words(effect['low'])} to {words(effect['high'])}",
            "yes" if effect["low"] <= effect["true"] <= effect["high"] else "no",
        )
    return table


def _in_hz(value: float) -> str:
    return "unknown" if np.isnan(value) else f"{value:+z.2f} Hz"


def _in_percent(log_ratio: float) -> str:
    return "unknown" if np.isnan(log_ratio) else f"{np.expm1(log_ratio):+z.0%}"
