"""The way of one recording: its blocks, the notes found in them, their vibrato, its tables.

Long files are worked through in blocks, so that memory does not grow with their length; a note belongs to the
block in which it begins. First all notes are found (:mod:`vibstudy.recording.found`); their lines wait on a
spool until the wow common to all of them and the room are known, then their vibrato is measured
(:mod:`vibstudy.recording.measured`) and the tables are made (:mod:`vibstudy.recording.tables`). Clicks are
bridged before anything is measured. Notes listed by hand win over those found.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from os import SEEK_END
from pathlib import Path
from tempfile import SpooledTemporaryFile
from typing import IO, Any

import numpy as np
import pandas as pd
from threadpoolctl import ThreadpoolController

from vibstudy.corpus.batch import step
from vibstudy.corpus.settings import Settings, settings_from
from vibstudy.errors import VibstudyError
from vibstudy.recording.found import (
    FoundNote,
    find_line,
    number_in,
    settle_octaves,
    within_range,
)
from vibstudy.recording.measured import doubt_register, measure_vibrato
from vibstudy.recording.parted import find_repeated, joined_at_true_pitch, rejoin
from vibstudy.recording.tables import RecordingResult, line_frame, result_of, thinned_line
from vibstudy.schema import FIGURE_CELLS
from vibstudy.sound.media import MediaMeter, codec_cutoff
from vibstudy.sound.reading import SILENT, Audio, iter_blocks, read_excerpt
from vibstudy.sound.room import RoomMeter
from vibstudy.sound.wow import Wow, estimate_wow
from vibstudy.vibrato.noise import thin

BLOCK_S = 84.0
OVERLAP_S = 16.0
"""Blocks share this much; a note longer than this may be cut at a block's end."""
EDGE_S = 0.05
WOW_RATE_HZ = 25.0
SPOOL_BYTES = 4 << 20
"""Lines of notes kept in memory until they are measured; more go to a temporary file."""


def measure_recording(path: str | Path, **settings: Any) -> pd.DataFrame:
    """Measure every note of one file.

    Parameters
    ----------
    path : path
        Sound file.
    **settings
        Keys of ``study.toml`` (``tracker``, ``min_note_s``, ...), and of the manifest
        (``recording_id``, ``start_s``, ``end_s``, ``tuning_hz``, ``speed_factor``, ``tempo_bpm``,
        ``medium``, ``notes_path``, ``score_path``).

    Returns
    -------
    DataFrame
        One row a note; columns of :data:`vibstudy.schema.NOTE_COLUMNS`.

    Raises
    ------
    VibstudyError
        For sound or settings that cannot be used.
    """
    path = Path(path)
    cells = ("recording_id", *FIGURE_CELLS, "notes_path", "score_path")
    row = {key: settings.pop(key) for key in cells if key in settings}
    row.setdefault("recording_id", path.stem)
    try:
        return measure_file(path, settings_from(settings), row).notes
    except Exception as error:
        if isinstance(error.__cause__, VibstudyError):  # said by a step: the step's name is for the batch
            raise error.__cause__ from None
        raise


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
        When the sound or the note list cannot be used. A score that cannot be used is told in the
        recording's ``score_problem``, and the notes are measured all the same.
    """
    settings = within_range(settings, row)
    # one thread, so that sums are the same on every machine and workers do not crowd each other
    with _linear_algebra().limit(limits=1), SpooledTemporaryFile(max_size=SPOOL_BYTES) as spool:
        return _measure_blocks(audio_path, settings, row, spool)


@cache
def _linear_algebra() -> ThreadpoolController:
    """Its thread pools; to look for them takes some milliseconds."""
    return ThreadpoolController()


def _measure_blocks(
    audio_path: str | Path, settings: Settings, row: Mapping[str, Any], spool: IO[bytes]
) -> RecordingResult:
    """Find all notes block by block, then measure their vibrato with the recording's wow taken out."""
    start_s, end_s = number_in(row, "start_s"), number_in(row, "end_s")
    blocks = iter_blocks(
        audio_path,
        block_s=BLOCK_S + OVERLAP_S,
        overlap_s=OVERLAP_S,
        start_s=start_s,
        end_s=end_s,
        speed_factor=number_in(row, "speed_factor") or 1.0,
    )
    meter, room = MediaMeter(), RoomMeter()
    listed = _note_list(row)
    notes: list[_KeptNote] = []
    facts: dict[str, Any] = {}
    block: Audio | None
    with step("read"):
        block = next(blocks)
    said: list[tuple[str, ...]] = []
    begin = block.origin_s
    free_from = -np.inf  # where the notes of earlier blocks end
    since = -np.inf
    while block is not None:
        with step("read"):
            following = next(blocks, None)
            block = replace(block, samples=meter.add(block))
        limit = following.origin_s + 0.5 * OVERLAP_S if following is not None else np.inf
        by_hand = None if listed is None else _in_block(listed, block, since, limit)
        found = _find_notes(block, settings, by_hand, free_from, limit, room, row.get("instrument"))
        since = limit
        short = following is None and not notes  # its lines stay in memory
        notes += [_KeptNote.put(note, None if short else spool) for note in found.notes]
        free_from = found.free_from_s
        said.append(block.remarks)
        facts = {
            "duration_s": block.origin_s + block.duration_s - begin,
            "sample_rate_hz": block.file_rate_hz,
            "channels": block.channels,
            "audio_sha256": block.sha256,
            "remarks": _joint_remarks(said) or None,
            "speed_factor": block.speed_factor,
            "tracker": found.tracker,
        }
        if following is None and listed is not None:
            _check_listed(listed, block.origin_s + block.duration_s, str(row["notes_path"]))
        block = following
    with step("read"):
        excerpt = read_excerpt(audio_path, start_s=start_s, end_s=end_s)
        facts |= meter.findings(codec_cutoff(*excerpt)).columns()
    with step("measure"):
        wow = _wow(notes)
        facts |= {
            "wow_hz": wow.rate_hz if wow.found else np.nan,
            "wow_percent": wow.depth_percent if wow.found else np.nan,
            "wow_weighted_percent": wow.weighted_percent if wow.found else np.nan,
            "wow_p": wow.p,
            "wow_cycle": wow.to_json(),
        }
        heard_in = room.room()
        facts |= heard_in.columns()
        doubt_register([kept.note for kept in notes], [kept.reference_hz for kept in notes])
        values: list[dict[str, Any]] = []
        lines: list[tuple[np.ndarray, ...]] = []
        theirs: list[bool] = []
        unclaimed: list[bool] = []
        for number, kept in enumerate(notes, start=1):
            note = kept.get(spool)
            measure_vibrato(note, wow, settings, row, heard_in)
            values.append(note.values)
            theirs.append(note.theirs)
            unclaimed.append(note.unclaimed)
            if note.line is not None:
                lines.append(thinned_line(note.origin_s, note.line, number))
        facts["notes_source"] = "sound" if listed is None else "note list"
    return result_of(values, line_frame(lines), facts, settings, row, theirs, unclaimed)


@dataclass
class _KeptNote:
    """A note whose line waits on a spool for the recording's wow to be known.

    `reference_hz` is that of its line, NaN without one; `time_s` (of the file) and `cents` hold the line
    thinned to :data:`WOW_RATE_HZ`.
    """

    note: FoundNote
    place: int
    reference_hz: float
    time_s: np.ndarray
    cents: np.ndarray

    @classmethod
    def put(cls, note: FoundNote, spool: IO[bytes] | None) -> _KeptNote:
        line = note.line
        if line is None:
            return cls(note, -1, np.nan, np.zeros(0), np.zeros(0))
        thinned = thin(note.origin_s + line.time_s, line.cents - line.cents.mean(), WOW_RATE_HZ)
        if spool is None:
            return cls(note, -1, line.reference_hz, *thinned)
        place = spool.seek(0, SEEK_END)
        pickle.dump(line, spool, pickle.HIGHEST_PROTOCOL)
        return cls(replace(note, line=None), place, line.reference_hz, *thinned)

    def get(self, spool: IO[bytes]) -> FoundNote:
        if self.place < 0:
            return self.note
        spool.seek(self.place)
        return replace(self.note, line=pickle.load(spool))


def _joint_remarks(said: list[tuple[str, ...]]) -> str:
    """Remarks on the file; that it is silent, only when every block is."""
    remarks = dict.fromkeys(remark for block in said for remark in block)
    silent = all(SILENT in block for block in said)
    return "; ".join(remark for remark in remarks if silent or remark != SILENT)


def _note_list(row: Mapping[str, Any]) -> pd.DataFrame | None:
    """Notes listed by hand for the part measured, in s at true speed; None when there is no list."""
    path = row.get("notes_path")
    if not path:
        return None
    from vibstudy.notes.lists import read_note_list

    with step("read"):
        listed = read_note_list(path)
        start_s, end_s = number_in(row, "start_s") or 0.0, number_in(row, "end_s") or np.inf
        listed = listed[listed["onset_s"].between(start_s, end_s, inclusive="left")].reset_index(drop=True)
        if listed.empty:
            raise VibstudyError(
                f"no note of this list begins between start_s ({start_s:g}) and end_s ({end_s:g})",
                Path(path).name,
                column="onset_s",
                repair="Mend start_s and end_s in the manifest, or the times of the list",
            )
    listed[["onset_s", "offset_s"]] *= number_in(row, "speed_factor") or 1.0
    return listed


def _in_block(listed: pd.DataFrame, block: Audio, since: float, limit: float) -> pd.DataFrame:
    """Listed notes that begin in a block, in s from its first sample."""
    own = listed[listed["onset_s"].between(since, limit, inclusive="left")]
    own = own[own["onset_s"] < block.origin_s + block.duration_s].copy()
    own[["onset_s", "offset_s"]] -= block.origin_s
    own["offset_s"] = own["offset_s"].clip(upper=block.duration_s)
    return own


def _check_listed(listed: pd.DataFrame, end_s: float, path: str) -> None:
    beyond = listed[listed["onset_s"] >= end_s]
    if len(beyond):
        raise VibstudyError(
            f"{len(beyond)} listed notes begin after the end of the sound ({end_s:.2f} s at true speed)",
            Path(path).name,
            column="onset_s",
            got=f"{beyond['onset_s'].iloc[0]:g}",
            repair="Write times in seconds from the beginning of the sound file",
        )


@dataclass(frozen=True)
class _BlockNotes:
    """Notes of one block, where they end (s from the beginning of the file), and what tracked them."""

    notes: list[FoundNote]
    free_from_s: float
    tracker: str


def _find_notes(
    audio: Audio,
    settings: Settings,
    listed: pd.DataFrame | None,
    free_from_s: float,
    limit_s: float,
    room: RoomMeter,
    instrument: object,
) -> _BlockNotes:
    """Notes of one block (those listed by hand, if any) with their refined lines.

    Only those that begin between the end of the notes of earlier blocks and `limit_s`.
    """
    from vibstudy.pitch.trackers import second_opinion

    found = find_line(audio, settings, listed, instrument)
    rows: list[Mapping[Any, Any]] = []
    notes: list[FoundNote] = []
    with step("measure"):
        begin_s, end_s = free_from_s - EDGE_S - audio.origin_s, limit_s - audio.origin_s
        room.add(audio.samples, audio.rate_hz, found.rows, begin_s, end_s)
        octaves = second_opinion(found.line, found.other) if found.other is not None else None
        for row in found.rows:
            if free_from_s - EDGE_S < audio.origin_s + float(row["onset_s"]) < limit_s:
                before = notes[-1].line if notes else None
                before_hz = before.reference_hz if before else None
                for part, note in find_repeated(audio, found.line, row, octaves, before_hz):
                    free_from_s = note.values["offset_s"]
                    whole = rejoin(audio, found.line, rows[-1], notes[-1], part, note) if notes else None
                    if whole is not None:
                        rows[-1], notes[-1] = whole
                    else:
                        rows.append(part)
                        notes.append(note)
        settle_octaves(audio, found.line, rows, notes, octaves)
        notes = joined_at_true_pitch(audio, found.line, rows, notes, octaves)
        free_from_s = max([free_from_s, *(note.values["offset_s"] for note in notes[-1:])])
    return _BlockNotes(notes, free_from_s, found.tracked.tracker)


def _wow(notes: list[_KeptNote]) -> Wow:
    """Periodic deviation common to all notes."""
    lines = [note for note in notes if len(note.time_s)]
    number = np.repeat(np.arange(len(lines)), [len(line.time_s) for line in lines])
    join = np.concatenate if lines else lambda _: np.zeros(0)
    return estimate_wow(join([line.time_s for line in lines]), join([line.cents for line in lines]), number)
