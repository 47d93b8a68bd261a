"""One recording in, one table of notes out.

:func:`measure_file` is a pure function of the file's bytes, the settings and the recording's row: the
same input gives the same tables on any machine, in any order, with any number of workers. It joins the
rooms: sound -> pitch -> notes -> vibrato. Long files are worked through in blocks, so that memory does
not grow with their length; a note belongs to the block in which it begins.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from vibstudy import __version__
from vibstudy.corpus.batch import step
from vibstudy.corpus.settings import Settings, settings_from
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.refine import NoteLine, refine_note
from vibstudy.schema import NOTE_COLUMNS, typed
from vibstudy.sound.reading import Audio, iter_blocks
from vibstudy.vibrato.note import measure_note

BLOCK_S = 60.0
OVERLAP_S = 20.0
"""Blocks share this much; a note longer than this may be cut at a block's end."""

LINE_RATE_HZ = 100.0
NOISY_BELOW_DB = 10.0
DISAGREE_ABOVE = 6.0
GAP_BELOW = 0.8
EDGE_S = 0.05


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


def measure_recording(path: str | Path, **settings: Any) -> pd.DataFrame:
    """Measure every note of one file.

    Parameters
    ----------
    path : path
        Sound file.
    **settings
        Keys of ``study.toml`` (``tracker``, ``min_note_s``, ...), and of the manifest
        (``recording_id``, ``start_s``, ``end_s``, ``tuning_hz``, ``speed_factor``, ``tempo_bpm``).

    Returns
    -------
    DataFrame
        One row a note; columns of :data:`vibstudy.schema.NOTE_COLUMNS`.
    """
    path = Path(path)
    keys = ("recording_id", "start_s", "end_s", "tuning_hz", "speed_factor", "tempo_bpm", "notes_path")
    row = {key: settings.pop(key) for key in keys if key in settings}
    row.setdefault("recording_id", path.stem)
    return measure_file(path, settings_from(settings), row).notes


def measure_file(audio_path: str | Path, settings: Settings, row: Mapping[str, Any]) -> RecordingResult:
    """Measure one recording of a corpus.

    Parameters
    ----------
    audio_path : path
        Sound file.
    settings : Settings
        The study's settings.
    row : mapping
        The recording's cells of the manifest; empty cells None or absent.

    Raises
    ------
    VibstudyError
        When the sound cannot be used.
    """
    # one thread, so that sums are the same on every machine and workers do not crowd each other
    with threadpool_limits(limits=1):
        return _measure_blocks(audio_path, settings, row)


def _measure_blocks(audio_path: str | Path, settings: Settings, row: Mapping[str, Any]) -> RecordingResult:
    blocks = iter_blocks(
        audio_path,
        block_s=BLOCK_S + OVERLAP_S,
        overlap_s=OVERLAP_S,
        start_s=_number(row, "start_s"),
        end_s=_number(row, "end_s"),
        speed_factor=_number(row, "speed_factor") or 1.0,
    )
    notes: list[dict[str, Any]] = []
    lines: list[pd.DataFrame] = []
    facts: dict[str, Any] = {}
    with step("read"):
        block = next(blocks, None)
    begin = block.origin_s if block is not None else 0.0
    free_from = -np.inf  # where the notes of earlier blocks end
    while block is not None:
        with step("read"):
            following = next(blocks, None)
        limit = following.origin_s + 0.5 * OVERLAP_S if following is not None else np.inf
        found, tracker = _measure_block(block, settings, row)
        for note, line in found:
            if note["onset_s"] < limit and note["onset_s"] > free_from - EDGE_S:
                notes.append(note)
                free_from = note["offset_s"]
                if line is not None:
                    lines.append(_line_frame(line, block.origin_s, len(notes)))
        facts = {
            "duration_s": block.origin_s + block.duration_s - begin,
            "sample_rate_hz": block.file_rate_hz,
            "channels": block.channels,
            "channel": block.channel,
            "audio_sha256": block.sha256,
            "speed_factor": block.speed_factor,
            "tracker": tracker,
        }
        block = following
    return _result(notes, lines, facts, settings, row)


def _measure_block(
    audio: Audio, settings: Settings, row: Mapping[str, Any]
) -> tuple[list[tuple[dict[str, Any], NoteLine | None]], str]:
    """Notes of one block, times from the beginning of the file, each with its line."""
    from vibstudy.notes.segment import segment_notes
    from vibstudy.pitch.trackers import track_line

    with step("track"):
        contour = track_line(
            audio.samples, audio.rate_hz, settings.tracker, settings.fmin_hz, settings.fmax_hz
        )
    with step("segment"):
        found = segment_notes(audio.samples, audio.rate_hz, contour, min_note_s=settings.min_note_s)
    with step("measure"):
        measured = [
            _measure_note(audio, contour, note, settings, _number(row, "tempo_bpm"))
            for note in found.to_dict("records")
        ]
    return measured, contour.tracker


def _measure_note(
    audio: Audio, contour: Contour, found: Mapping[str, Any], settings: Settings, tempo_bpm: float | None
) -> tuple[dict[str, Any], NoteLine | None]:
    """Columns of one note."""
    onset, offset = float(found["onset_s"]), float(found["offset_s"])
    frames = (contour.time_s >= onset) & (contour.time_s <= offset)
    reasons = [] if found["quality"] == "ok" else str(found["quality"]).split(";")
    values: dict[str, Any] = {
        "onset_s": audio.origin_s + onset,
        "offset_s": audio.origin_s + offset,
        "duration_s": offset - onset,
        "onset_se_s": found["onset_se_s"],
        "offset_se_s": found["offset_se_s"],
        "note_kind": found["note_kind"],
        "pitch_hz": found["pitch_hz"],
        "voiced_fraction": float(contour.voiced[frames].mean()) if frames.any() else np.nan,
    }
    line = refine_note(audio.samples, audio.rate_hz, contour, onset, offset)
    if line is None:
        reasons.append("too_short")
    else:
        values |= {
            "pitch_hz": line.reference_hz,
            "level_db": float(np.median(line.level_db)),
            "snr_db": line.snr_db,
        }
        if line.snr_db < NOISY_BELOW_DB:
            reasons.append("noisy")
        if line.disagreement > DISAGREE_ABOVE:
            reasons.append("outlier_harmonics")
        if found["note_kind"] == "note":
            vibrato, _ = measure_note(
                line,
                rate_min_hz=settings.vibrato_min_hz,
                rate_max_hz=settings.vibrato_max_hz,
                false_alarm=settings.false_alarm,
                tempo_bpm=tempo_bpm,
            )
            reasons += vibrato.pop("quality")
            values |= vibrato
    if values["voiced_fraction"] < GAP_BELOW:
        reasons.append("gap")
    values["quality"] = ";".join(dict.fromkeys(reasons)) or "ok"
    values["reviewed"] = "auto"
    return values, line


def _line_frame(line: NoteLine, origin_s: float, number: int) -> pd.DataFrame:
    block = max(1, round(1.0 / (LINE_RATE_HZ * line.hop_s)))
    at = slice(block // 2, None, block)
    return pd.DataFrame(
        {
            "time_s": origin_s + line.time_s[at],
            "f0_hz": line.f0_hz[at],
            "level_db": line.level_db[at],
            "note_number": number,
        }
    )


def _result(
    notes: list[dict[str, Any]],
    lines: list[pd.DataFrame],
    facts: dict[str, Any],
    settings: Settings,
    row: Mapping[str, Any],
) -> RecordingResult:
    from vibstudy.sound.tuning import estimate_tuning

    name = str(row.get("recording_id") or "recording")
    frame = typed(pd.DataFrame(notes), NOTE_COLUMNS)
    frame["recording_id"] = pd.array([name] * len(frame), dtype="string")
    frame["note_id"] = pd.array([f"{name}/{i:04d}" for i in range(1, len(frame) + 1)], dtype="string")
    given = _number(row, "tuning_hz") or settings.tuning_hz or None
    usable = frame[frame["pitch_hz"].notna()]
    if given:
        tuning = {"tuning_hz": given, "tuning_se_cents": np.nan, "tuning_source": "manifest"}
    else:
        estimate = estimate_tuning(usable["pitch_hz"], usable["duration_s"])
        tuning = {
            "tuning_hz": estimate.tuning_hz,
            "tuning_se_cents": estimate.se_cents,
            "tuning_source": "estimated",
        }
    semitones = 69.0 + 12.0 * np.log2(frame["pitch_hz"] / tuning["tuning_hz"])
    frame["midi"] = semitones.round().clip(0, 127).astype("Int64")
    frame["pitch_cents"] = 100.0 * (semitones - semitones.round())
    frame["tracker"] = pd.array([facts.get("tracker", "")] * len(frame), dtype="string")
    frame["vibstudy_version"] = pd.array([__version__] * len(frame), dtype="string")
    line = (
        pd.concat(lines, ignore_index=True)
        if lines
        else pd.DataFrame({"time_s": [], "f0_hz": [], "level_db": [], "note_number": []})
    )
    recording = {
        "recording_id": name,
        **facts,
        "notes": len(frame),
        "notes_with_vibrato": int(frame["has_vibrato"].fillna(False).sum()),
        **tuning,
    }
    return RecordingResult(frame, line, recording)


def _number(row: Mapping[str, Any], key: str) -> float | None:
    """A cell as a number; None when it is empty or absent."""
    value = row.get(key)
    return None if value is None or pd.isna(value) else float(value)
