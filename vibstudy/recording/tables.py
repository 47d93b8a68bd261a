"""The tables of one recording: its notes, its line, its own row.

Notes are numbered as they come; their pitch is named by the tuning that was given or estimated from them, and
their place in the score is added where there is one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vibstudy import __version__
from vibstudy.corpus.batch import step
from vibstudy.corpus.settings import Settings
from vibstudy.errors import VibstudyError
from vibstudy.pitch.refine import NoteLine
from vibstudy.schema import NOTE_COLUMNS, SCORE_COLUMNS, is_usable, quality_of, reasons_of, typed
from vibstudy.sound.tuning import estimate_tuning
from vibstudy.units import CONCERT_HZ, nearest_note, ratio

LINE_RATE_HZ = 100.0
_NAMES = [column.name for column in NOTE_COLUMNS]
VIBRATO_COLUMNS = tuple(_NAMES[_NAMES.index("has_vibrato") : _NAMES.index(SCORE_COLUMNS[0].name)])
NOT_FOUND_TOLD = 20
"""Written notes not found that are named one by one."""


@dataclass(frozen=True, eq=False)
class RecordingResult:
    """What measuring a recording gives.

    Parameters
    ----------
    notes : DataFrame
        One row a note, columns of :data:`vibstudy.schema.NOTE_COLUMNS`.
    line : DataFrame
        The refined pitch line: ``time_s, f0_hz, level_db, note_number``; nothing between notes.
    recording : dict
        Columns of :data:`vibstudy.schema.RECORDING_COLUMNS`.
    """

    notes: pd.DataFrame
    line: pd.DataFrame
    recording: dict[str, Any]


def thinned_line(origin_s: float, line: NoteLine, number: int) -> tuple[np.ndarray, ...]:
    """Columns of the table of the line for one note; `origin_s`: of its line, in the file."""
    block = max(1, round(1.0 / (LINE_RATE_HZ * line.hop_s)))
    at = slice(block // 2, None, block)
    time_s = origin_s + line.time_s[at]
    return time_s, line.f0_hz[at], line.level_db[at], np.full(len(time_s), number, dtype=np.int64)


def line_frame(lines: list[tuple[np.ndarray, ...]]) -> pd.DataFrame:
    """The refined lines of all notes."""
    columns = zip(*lines, strict=True) if lines else [[np.zeros(0)]] * 3 + [[np.zeros(0, dtype=np.int64)]]
    names = ("time_s", "f0_hz", "level_db", "note_number")
    return pd.DataFrame({name: np.concatenate(pieces) for name, pieces in zip(names, columns, strict=True)})


def result_of(
    values: list[dict[str, Any]],
    line: pd.DataFrame,
    facts: dict[str, Any],
    settings: Settings,
    row: Mapping[str, Any],
    theirs: Sequence[bool],
    unclaimed: Sequence[bool],
) -> RecordingResult:
    """Tables of a recording.

    Parameters
    ----------
    values : list of dict
        Columns of its notes, in order.
    line : DataFrame
        From :func:`line_frame`.
    facts : dict
        Columns of the recording found on the way.
    settings : Settings
        Of the study: the tuning, if it is given there.
    row : mapping
        The recording's cells of the manifest: ``recording_id``, ``score_path``.
    theirs : sequence of bool
        Which notes are doubted for no other reason than that they may be another player's: where the score
        has them, they are not.
    unclaimed : sequence of bool
        Which notes are covered and of a pitch that may be another's. Unless the score has them, whose they
        are cannot be told: nor, whatever was measured, whether the soloist's has vibrato. To leave out the
        straight ones alone, which a piano's bass notes all are, would raise the soloist's share.
    """
    name = str(row.get("recording_id") or "recording")
    same = {
        "recording_id": name,
        "reviewed": "auto",
        "tracker": facts.get("tracker", ""),
        "vibstudy_version": __version__,
    }
    notes = [note | same | {"note_id": f"{name}/{i:04d}"} for i, note in enumerate(values, start=1)]
    frame = typed(pd.DataFrame(notes), NOTE_COLUMNS)
    given = settings.tuning_hz or None
    tuning: dict[str, Any]
    if given:
        tuning = {"tuning_hz": given, "tuning_se_cents": np.nan, "tuning_source": "given"}
    else:
        estimate = estimate_tuning(frame["pitch_hz"], frame["duration_s"], frame["level_db"])
        known = np.isfinite(estimate.tuning_hz)
        tuning = {
            "tuning_hz": estimate.tuning_hz if known else CONCERT_HZ,
            "tuning_se_cents": estimate.se_cents,
            "tuning_source": "estimated" if known else "no notes",
            "tuning_words": estimate.words(),
        }
    frame, beside = _beside_score(frame, row)
    midi, frame["pitch_cents"] = nearest_note(frame["pitch_hz"], tuning["tuning_hz"])
    frame["midi"] = midi.astype("Int64")
    for at in frame.index[np.array(theirs, dtype=bool) & (frame["score_match"] == "matched").fillna(False)]:
        reasons = [reason for reason in reasons_of(frame.at[at, "quality"]) if reason != "masked"]
        frame.at[at, "quality"] = quality_of(reasons)
        frame.at[at, "usable"] = is_usable(str(frame.at[at, "note_kind"]), reasons)
    stray = np.array(unclaimed, dtype=bool) & ~(frame["score_match"] == "matched").fillna(False)
    frame.loc[stray, ["has_vibrato", "vibrates", "vibrato_in"]] = pd.NA
    recording = {
        "recording_id": name,
        **facts,
        **beside,
        "notes": len(frame),
        "notes_with_vibrato": int(frame["has_vibrato"].fillna(False).sum()),
        **tuning,
    }
    return RecordingResult(frame, line, recording)


def _beside_score(notes: pd.DataFrame, row: Mapping[str, Any]) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Notes with their place in the score, pulses per beat at the local tempo; and how well it fits."""
    path = row.get("score_path")
    if not path:
        return notes, {}
    from vibstudy.notes.score import align_score, missing_words

    kinds = notes["note_kind"]
    try:
        with step("score"):
            notes, missing, report = align_score(notes, path)
    except Exception as error:
        if isinstance(error.__cause__, VibstudyError):  # without the score, the notes are as good as ever
            return notes, {"score_problem": str(error.__cause__)}
        raise
    _rename_trills(notes, kinds)
    pulses = 60.0 * notes["rate_hz"] / notes["local_tempo_bpm"]
    notes["pulses_per_beat"] = pulses.fillna(notes["pulses_per_beat"])
    return notes, {
        "score_fit": report.words(),
        "score_share": report.share,
        "score_not_found": "; ".join(missing_words(missing)[:NOT_FOUND_TOLD]),
    }


def _rename_trills(notes: pd.DataFrame, before: pd.Series) -> None:
    """Make trills, in place, of notes whose kind the score's sign has changed."""
    was_note = before.eq("note") & notes["note_kind"].ne("note")
    notes.loc[was_note, "trill_rate_hz"] = notes.loc[was_note, "rate_hz"]
    notes.loc[was_note, "trill_interval_cents"] = 2.0 * notes.loc[was_note, "extent_cents"]
    for name in VIBRATO_COLUMNS:
        notes.loc[was_note, name] = pd.NA if notes[name].dtype != "float64" else np.nan
    notes.loc[was_note, "usable"] = False
    named = before.ne("trill") & notes["note_kind"].eq("trill")
    half = notes.loc[named, "trill_interval_cents"].fillna(0.0) / 2.0
    notes.loc[named, "pitch_hz"] *= ratio(-half)  # a trill is named by its lower note
