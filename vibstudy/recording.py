"""One recording in, one table of notes out.

:func:`measure_file` is a pure function of the file's bytes, the settings and the recording's row: the
same input gives the same tables on any machine, in any order, with any number of workers. It joins the
rooms: sound -> pitch -> notes -> vibrato. Clicks are bridged before anything is measured, and wow common to
all notes is taken out of the line before vibrato is. Long files are worked through in blocks, so that
memory does not grow with their length; a note belongs to the block in which it begins.
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
from scipy.integrate import cumulative_trapezoid
from threadpoolctl import ThreadpoolController

from vibstudy import __version__
from vibstudy.corpus.batch import step
from vibstudy.corpus.settings import Settings, settings_from
from vibstudy.errors import VibstudyError
from vibstudy.pitch.company import Company, look_around
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.octaves import SAID_ABOVE, SPARSE, octave_below, share_between, true_pitch
from vibstudy.pitch.ranges import range_hz
from vibstudy.pitch.refine import NoteLine, refine_note
from vibstudy.pitch.rival import other_moves
from vibstudy.pitch.straighten import straighten_note
from vibstudy.schema import FIGURE_CELLS, HARMLESS, LIMITS, NOTE_COLUMNS, quality_of, reasons_of, typed
from vibstudy.sound.media import MediaMeter, codec_cutoff
from vibstudy.sound.reading import SILENT, Audio, iter_blocks, read_excerpt
from vibstudy.sound.room import Room, RoomMeter, end_of_direct
from vibstudy.sound.tuning import estimate_tuning, rate_range
from vibstudy.sound.wow import Wow, estimate_wow
from vibstudy.units import CONCERT_HZ, nearest_note
from vibstudy.vibrato.covered import is_covered
from vibstudy.vibrato.fit import VibratoFit
from vibstudy.vibrato.noise import thin
from vibstudy.vibrato.note import measure_note
from vibstudy.vibrato.parted import without_false_cuts

BLOCK_S = 84.0
OVERLAP_S = 16.0
"""Blocks share this much; a note longer than this may be cut at a block's end."""

LINE_RATE_HZ = 100.0
LOOK_BELOW_DB, REGISTER_BELOW_DB, COMPANY_BELOW_DB = 30.0, 22.0, 18.0
"""A note that stands out by less is looked at: for other players, its register, what they did to it; see
:mod:`vibstudy.pitch.company` and :mod:`vibstudy.vibrato.covered`."""
RIVAL_ABOVE_DB, RIVAL_OF_STRAIGHT_DB = -5.0, -7.0
"""Another player may be as loud beside a vibrato that is measured well: nobody else moves like that, unless
the other has vibrato, too. A straight note may itself be the other's."""
STRAIGHTEN_BELOW_DB = 25.0
"""A note that stands out by more is hardly drawn: of the notes in simulated rooms (1.8 s) whose lines strayed
by more than 3 cents one in thirty did, and most dry notes of sampled and synthetic winds do."""
RIVAL_MOVES_ABOVE_DB = -13.0
"""So far a second wind as loud was seen to fall below a note, for a wide vibrato smears."""
SAME_NOTE_CENTS = 60.0
OCTAVE_ODDS = 2.0
"""The octave is doubted where the log odds of another pitch are within this of even."""
BEYOND_SEMITONES, MARGIN_SEMITONES = 5.0, 2.0
"""So far beyond its range an instrument's notes are looked for; beyond the margin their octave is doubted."""
OUT_OF_REGISTER_SEMITONES, SOFTER_BELOW_DB = 17.0, 6.0
"""Notes in company, or softer than most by so much, are doubted so far from the middle of the line."""
TOUCHING_S, LEAP_SEMITONES, SAME_SEMITONES = 0.03, 4.0, 0.6
DIP_S, ATTACK_DIP_DB = 0.06, 5.4
"""Two notes that touch are one where only the line leapt between them and the level does not dip."""
OCTAVE_ABOVE = 0.9
EDGE_S = 0.05
WOW_RATE_HZ = 25.0
TRILL_COLUMNS = ("trill_p", "trill_rate_hz", "trill_interval_cents")
SHELF_BYTES = 4 << 20
"""Lines of notes kept in memory until they are measured; more go to a temporary file."""
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
    with _linear_algebra().limit(limits=1), SpooledTemporaryFile(max_size=SHELF_BYTES) as shelf:
        return _measure_blocks(audio_path, settings, row, shelf)


def within_range(settings: Settings, row: Mapping[str, Any]) -> Settings:
    """The settings with the recording's tuning, and its instrument's range where they leave it open.

    Parameters
    ----------
    settings : Settings
        Of the study: a lowest or highest pitch set there stands.
    row : mapping
        The recording's cells: ``tuning_hz``, ``instrument`` (:mod:`vibstudy.pitch.ranges`).
    """
    settings = replace(settings, tuning_hz=_number(row, "tuning_hz") or settings.tuning_hz)
    usual = Settings()
    found = range_hz(row.get("instrument"), BEYOND_SEMITONES)
    if found is None or (settings.fmin_hz, settings.fmax_hz) != (usual.fmin_hz, usual.fmax_hz):
        return settings
    return replace(settings, fmin_hz=max(found[0], 20.0), fmax_hz=min(found[1], usual.fmax_hz))


@cache
def _linear_algebra() -> ThreadpoolController:
    """Its thread pools; to look for them takes some milliseconds."""
    return ThreadpoolController()


@dataclass
class FoundNote:
    """A note being measured.

    Parameters
    ----------
    values : dict
        Its columns; times from the beginning of the file, at true speed.
    reasons : list of str
        Reasons to doubt it.
    line : NoteLine | None
        Its refined line; times from the first sample of the sound it was read from.
    origin_s : float
        Place of that sample in the file, at true speed.
    rival_db : float
        The strongest other pitch (:class:`vibstudy.pitch.company.Company`); -inf where nobody looked.
    rival_moves : bool
        Whether another player as loud has vibrato: whose note it is cannot be told.
    fit : VibratoFit | None
        Its vibrato, once measured; None when there is none.
    """

    values: dict[str, Any]
    reasons: list[str]
    line: NoteLine | None
    origin_s: float
    rival_db: float = -np.inf
    rival_moves: bool = False
    fit: VibratoFit | None = None


def _measure_blocks(
    audio_path: str | Path, settings: Settings, row: Mapping[str, Any], shelf: IO[bytes]
) -> RecordingResult:
    """Find all notes block by block, then measure their vibrato with the recording's wow taken out."""
    start_s, end_s = _number(row, "start_s"), _number(row, "end_s")
    blocks = iter_blocks(
        audio_path,
        block_s=BLOCK_S + OVERLAP_S,
        overlap_s=OVERLAP_S,
        start_s=start_s,
        end_s=end_s,
        speed_factor=_number(row, "speed_factor") or 1.0,
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
        notes += [_KeptNote.put(note, None if short else shelf) for note in found.notes]
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
        _doubt_register(notes)
        values: list[dict[str, Any]] = []
        lines: list[tuple[np.ndarray, ...]] = []
        for number, kept in enumerate(notes, start=1):
            note = kept.get(shelf)
            measure_vibrato(note, wow, settings, row, heard_in)
            values.append(note.values)
            if note.line is not None:
                lines.append(_thinned(note.origin_s, note.line, number))
        facts["notes_source"] = "sound" if listed is None else "note list"
    return _result(values, _line_frame(lines), facts, settings, row)


@dataclass
class _KeptNote:
    """A note whose line waits on a shelf for the recording's wow to be known.

    `reference_hz` is that of its line, NaN without one; `time_s` (of the file) and `cents` hold the line
    thinned to :data:`WOW_RATE_HZ`.
    """

    note: FoundNote
    place: int
    reference_hz: float
    time_s: np.ndarray
    cents: np.ndarray

    @classmethod
    def put(cls, note: FoundNote, shelf: IO[bytes] | None) -> _KeptNote:
        line = note.line
        if line is None:
            return cls(note, -1, np.nan, np.zeros(0), np.zeros(0))
        thinned = thin(note.origin_s + line.time_s, line.cents - line.cents.mean(), WOW_RATE_HZ)
        if shelf is None:
            return cls(note, -1, line.reference_hz, *thinned)
        place = shelf.seek(0, SEEK_END)
        pickle.dump(line, shelf, pickle.HIGHEST_PROTOCOL)
        return cls(replace(note, line=None), place, line.reference_hz, *thinned)

    def get(self, shelf: IO[bytes]) -> FoundNote:
        if self.place < 0:
            return self.note
        shelf.seek(self.place)
        return replace(self.note, line=pickle.load(shelf))


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
        start_s, end_s = _number(row, "start_s") or 0.0, _number(row, "end_s") or np.inf
        listed = listed[listed["onset_s"].between(start_s, end_s, inclusive="left")].reset_index(drop=True)
        if listed.empty:
            raise VibstudyError(
                f"no note of this list begins between start_s ({start_s:g}) and end_s ({end_s:g})",
                Path(path).name,
                column="onset_s",
                repair="Mend start_s and end_s in the manifest, or the times of the list",
            )
    listed[["onset_s", "offset_s"]] *= _number(row, "speed_factor") or 1.0
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
                note = find_note(audio, found.line, row, octaves, before.reference_hz if before else None)
                free_from_s = note.values["offset_s"]
                whole = rejoin(audio, found.line, rows[-1], notes[-1], row, note) if notes else None
                if whole is not None:
                    rows[-1], notes[-1] = whole
                else:
                    rows.append(row)
                    notes.append(note)
    return _BlockNotes(notes, free_from_s, found.tracked.tracker)


def rejoin(
    audio: Audio,
    contour: Contour,
    left_row: Mapping[Any, Any],
    left: FoundNote,
    right_row: Mapping[Any, Any],
    right: FoundNote,
) -> tuple[dict[str, Any], FoundNote] | None:
    """Make one note of two that were parted where only the line leapt, to an octave and back, say.

    Notes whose octave was told (no ``octave_below``), as those listed by hand, stay as they are.

    Parameters
    ----------
    audio, contour
        As for :func:`find_note`.
    left_row, right_row : mapping
        The two notes as they were found.
    left, right : FoundNote
        The same, measured.

    Returns
    -------
    (dict, FoundNote) | None
        The whole note. None when they are two: they do not touch, their true pitch is not the same, or the
        level dips between them as at an attack.
    """
    told = left_row.get("octave_below") is None or right_row.get("octave_below") is None
    plain = left.values["note_kind"] == right.values["note_kind"] == "note" and not told
    touching = right_row["onset_s"] - left_row["offset_s"] < TOUCHING_S
    if not (plain and touching and left.line is not None and right.line is not None):
        return None
    held_hz = [
        float(np.nanmedian(contour.f0_hz[(contour.time_s >= begin) & (contour.time_s <= end)]))
        for begin, end in ((row["onset_s"], row["offset_s"]) for row in (left_row, right_row))
    ]
    parts = np.divide(held_hz, (left.line.reference_hz, right.line.reference_hz))
    leap = abs(12.0 * np.log2(held_hz[1] / held_hz[0]))
    apart = abs(12.0 * np.log2(right.line.reference_hz / left.line.reference_hz))
    if leap < LEAP_SEMITONES or apart > SAME_SEMITONES:
        return None
    true_hz = contour.f0_hz / np.where(contour.time_s < right_row["onset_s"], *parts)
    row = {**left_row, **{key: right_row[key] for key in ("offset_s", "offset_se_s") if key in right_row}}
    whole = find_note(audio, replace(contour, f0_hz=true_hz), {**row, "octave_below": None})
    if whole.line is None or _dip_db(whole.line, right_row["onset_s"]) > ATTACK_DIP_DB:
        return None
    whole.reasons += reasons_of(right_row.get("quality"))
    whole.reasons += ["octave_unsure"] if "octave_unsure" in left.reasons + right.reasons else []
    return row, whole


def _dip_db(line: NoteLine, time_s: float) -> float:
    """How far the level dips near a time: below the lower of the maxima on both sides."""
    since_s = line.time_s - time_s
    before = line.level_db[(since_s > -DIP_S) & (since_s <= 0.0)]
    after = line.level_db[(since_s < DIP_S) & (since_s >= 0.0)]
    inside = line.level_db[np.abs(since_s) < 0.3 * DIP_S]
    if not (len(before) and len(after) and len(inside)):
        return 0.0
    return float(min(before.max(), after.max()) - inside.min())


@dataclass(frozen=True, eq=False)
class SoloLine:
    """The line of the soloist, and the notes on it.

    Parameters
    ----------
    tracked : Contour
        As the tracker gave it.
    line : Contour
        Mended, for the tracker may have gone over to another player or an octave away; nothing outside
        the notes.
    rows : list of dict
        The notes, for :func:`find_note`.
    other : Contour | None
        The second opinion, where the settings ask for one.
    """

    tracked: Contour
    line: Contour
    rows: list[dict[str, Any]]
    other: Contour | None


def find_line(
    audio: Audio, settings: Settings, listed: pd.DataFrame | None = None, instrument: object = None
) -> SoloLine:
    """Find the notes in a piece of sound, and the line they lie on.

    Parameters
    ----------
    audio : Audio
        Clicks bridged.
    settings : Settings
        Tracker, second opinion, range of pitch, shortest note.
    listed : DataFrame | None
        Notes listed by hand, which win over those found.
    instrument : object
        As the manifest names it: how widely such players vibrate.
    """
    from vibstudy.notes.alternation import Habit
    from vibstudy.notes.lists import listed_notes
    from vibstudy.notes.segment import find_notes
    from vibstudy.pitch.trackers import track_line

    def track(name: str) -> Contour:
        return track_line(audio.samples, audio.rate_hz, name, settings.fmin_hz, settings.fmax_hz)

    with step("track"):
        contour = track(settings.tracker)
        other = track(settings.second_opinion) if settings.second_opinion else None
    habit = Habit.of(instrument, settings.tuning_hz or None)
    with step("segment"):
        if listed is None:
            found = find_notes(
                audio.samples, audio.rate_hz, contour, min_note_s=settings.min_note_s, habit=habit
            )
        else:
            found = listed_notes(audio.samples, audio.rate_hz, contour, listed, habit=habit)
        line, rows = found.line, found.rows
        if listed is None:
            rows = [
                {**row, "octave_below": octave_below(line, contour, row["onset_s"], row["offset_s"])}
                for row in rows
            ]
            rows = without_false_cuts(audio.samples, audio.rate_hz, line, rows)
    if line is not contour:
        line = replace(line, heard=contour.voiced[contour.nearest(line.time_s)])
    return SoloLine(contour, line, rows, other)


def find_note(
    audio: Audio,
    contour: Contour,
    found: Mapping[Any, Any],
    octaves: np.ndarray | None = None,
    before_hz: float | None = None,
) -> FoundNote:
    """Refine the line of one note, and collect reasons to doubt it.

    Parameters
    ----------
    audio : Audio
        Sound that holds the note, clicks bridged.
    contour : Contour
        The line of this sound.
    found : mapping
        ``onset_s, offset_s`` from the first sample, and what is known of the note besides: ``quality``
        (reasons found before), ``note_kind``, ``pitch_hz``, ``onset_se_s``, ``offset_se_s``,
        ``octave_below`` (from :func:`vibstudy.pitch.octaves.octave_below`; absent or None: the octave
        of the line stands).
    octaves : ndarray [shape=(frames,)] | None
        Octaves from the line to a second opinion, frame by frame; NaN where one is silent.
    before_hz : float | None
        Pitch of the soloist's note before, whose tail in a room is no rival of a straight note.

    Returns
    -------
    FoundNote
        Without vibrato: :func:`measure_vibrato` adds it.
    """
    onset, offset = float(found["onset_s"]), float(found["offset_s"])
    frames = (contour.time_s >= onset) & (contour.time_s <= offset)
    reasons = reasons_of(found.get("quality"))
    values: dict[str, Any] = {
        "onset_s": audio.origin_s + onset,
        "offset_s": audio.origin_s + offset,
        "duration_s": offset - onset,
        "onset_se_s": found.get("onset_se_s", np.nan),
        "offset_se_s": found.get("offset_se_s", np.nan),
        "note_kind": found.get("note_kind", "note"),
        "pitch_hz": found.get("pitch_hz", np.nan),
        "voiced_fraction": contour.heard_share(onset, offset),
    }
    values |= {key: found[key] for key in ("note_label", *TRILL_COLUMNS) if key in found}
    line, company, unsure = _refined(audio, contour, onset, offset, found.get("octave_below"))
    reasons += ["octave_unsure"] if unsure else []
    if line is None:
        reasons.append("too_short")
    else:
        values |= {"level_db": float(np.median(line.level_db)), "snr_db": line.snr_db}
        # where the direct sound ends, the tail goes on
        values |= {"offset_s": audio.origin_s + line.offset_s, "duration_s": line.offset_s - onset}
        if line.snr_db < LIMITS["noisy"]:
            reasons.append("noisy")
        if line.disagreement > LIMITS["outlier_harmonics"]:
            reasons.append("outlier_harmonics")
    if values["voiced_fraction"] < LIMITS["gap"]:
        reasons.append("gap")
    if line is not None and octaves is not None:
        apart = np.abs(octaves[frames] + np.log2(contour.f0_hz[frames] / line.reference_hz))
        if np.isfinite(apart).any() and np.nanmedian(apart) > OCTAVE_ABOVE:
            reasons.append("octave_unsure")
    if np.any((audio.clipped_s >= onset) & (audio.clipped_s <= offset)):
        reasons.append("clipped")
    note = FoundNote(values, reasons, line, audio.origin_s)
    if line is not None and company is not None:
        note.rival_db = -np.inf if _same(company.rival_hz, before_hz) else company.rival_db
        note.rival_moves = _moves(audio, line, company)
    return note


def _refined(
    audio: Audio, contour: Contour, onset_s: float, offset_s: float, said_lower: float | None
) -> tuple[NoteLine | None, Company | None, bool]:
    """Refined line of a note, an octave or a twelfth away where the sound says so; its company; any doubt.

    The pitch of the contour stands when `said_lower` is None.
    """

    def refined(parts: float) -> NoteLine | None:
        lower = replace(contour, f0_hz=contour.f0_hz / parts)
        return refine_note(audio.samples, audio.rate_hz, lower, onset_s, offset_s)

    line = refined(1)
    if line is None or not ((said_lower or 0.0) > SAID_ABOVE or line.snr_db < LOOK_BELOW_DB):
        return line, None, False
    company = look_around(audio.samples, audio.rate_hz, line)
    unsure = False
    if said_lower is not None:
        parts, odds = true_pitch(audio.samples, audio.rate_hz, line, company, said_lower)
        unsure = abs(odds) < OCTAVE_ODDS
        moved = refined(parts) if parts != 1 else None
        if moved is not None:
            line, company = moved, look_around(audio.samples, audio.rate_hz, moved)
    unsure |= share_between(line, 3) < SPARSE
    if line.snr_db < STRAIGHTEN_BELOW_DB:
        straight = straighten_note(audio.samples, audio.rate_hz, line)
        if straight is not None and straight.gain > 0.0:
            line = straight.line
    return line, company, unsure


def _same(one_hz: float, other_hz: float | None) -> bool:
    return other_hz is not None and abs(1200.0 * np.log2(one_hz / other_hz)) < SAME_NOTE_CENTS


def _moves(audio: Audio, line: NoteLine, company: Company) -> bool:
    """Tell whether another player, about as loud as the note, has vibrato."""
    if company.rival_db < RIVAL_MOVES_ABOVE_DB or line.snr_db > COMPANY_BELOW_DB:
        return False
    return other_moves(audio.samples, audio.rate_hz, line, company.rival_hz)


def _doubt_register(notes: list[_KeptNote]) -> None:
    """Doubt notes far from where the recording's line mostly lies, in company or soft: a bass, a harmonic."""
    octaves = np.log2([note.reference_hz for note in notes])
    if not np.isfinite(octaves).any():
        return
    away = 12.0 * np.abs(octaves - np.nanmedian(octaves))
    level_db = np.array([note.note.values.get("level_db", np.nan) for note in notes])
    softer_db = np.nanmedian(level_db) - level_db
    for kept, semitones, db in zip(notes, away, softer_db, strict=True):
        in_company = kept.note.values.get("snr_db", np.inf) < REGISTER_BELOW_DB
        if (in_company or db > SOFTER_BELOW_DB) and semitones > OUT_OF_REGISTER_SEMITONES:
            kept.note.reasons.append("masked")


def _wow(notes: list[_KeptNote]) -> Wow:
    """Periodic deviation common to all notes."""
    lines = [note for note in notes if len(note.time_s)]
    number = np.repeat(np.arange(len(lines)), [len(line.time_s) for line in lines])
    join = np.concatenate if lines else lambda _: np.zeros(0)
    return estimate_wow(join([line.time_s for line in lines]), join([line.cents for line in lines]), number)


def _without_wow(note: FoundNote, wow: Wow) -> None:
    """Take the wow out of a note's line."""
    if note.line is None or not wow.found:
        return
    deviation = wow.cents(note.origin_s + note.line.time_s)
    integral = cumulative_trapezoid(deviation, dx=note.line.hop_s, initial=0.0)
    note.line = replace(note.line, cents=note.line.cents - deviation, integral=note.line.integral - integral)


def _without_tail(note: FoundNote, room: Room) -> None:
    """Let a note end where its direct sound does. Ends known otherwise (a list, a listener) have no error."""
    line = note.line
    if line is None or not np.isfinite(note.values.get("offset_se_s", np.nan)):
        return
    end_s = end_of_direct(line.time_s, line.level_db, room)
    if end_s is None or end_s >= line.offset_s:
        return
    kept = line.time_s <= end_s
    if kept.sum() < 0.5 * len(kept):  # the tail of a short note, or another's: not this note's end
        return
    note.line = replace(
        line,
        offset_s=end_s,
        **{
            name: getattr(line, name)[..., kept]
            for name in ("time_s", "cents", "cents_se", "integral", "integral_se", "harmonic_db", "halves")
        },
    )
    note.values["offset_s"] = note.origin_s + end_s
    note.values["duration_s"] = end_s - line.onset_s


def _without_room(vibrato: Mapping[str, Any], room: Room) -> dict[str, Any]:
    """Columns of a note's vibrato, loudness freed of what the room takes from it."""
    freed = dict(vibrato)
    rate_hz = freed.get("rate_hz", freed.get("intensity_rate_hz"))
    if rate_hz is None or not np.isfinite(rate_hz):
        return freed
    passed = room.modulation(float(rate_hz))
    if "intensity_depth_db" in freed:
        freed["intensity_depth_db"] /= abs(passed)
        own = freed["intensity_depth_se_db"] / abs(passed)
        of_room = freed["intensity_depth_db"] * room.modulation_se(float(rate_hz))
        freed["intensity_depth_se_db"] = float(np.hypot(own, of_room))
    if "intensity_phase_rad" in freed:
        phase = freed["intensity_phase_rad"] - np.angle(passed)
        freed["intensity_phase_rad"] = float(np.angle(np.exp(1j * phase)))
    return freed


def measure_vibrato(
    note: FoundNote, wow: Wow, settings: Settings, row: Mapping[str, Any], room: Room | None = None
) -> None:
    """Add pitch, vibrato and quality to a note's columns.

    Parameters
    ----------
    note : FoundNote
        From :func:`find_note`; completed in place.
    wow : Wow
        Of the whole recording: taken out of the line first.
    settings : Settings
        Range of rates, level of false alarms.
    row : mapping
        The recording's cells of the manifest: ``tempo_bpm``, ``speed_factor``, ``medium``.
    room : Room | None
        Of the whole recording: what it takes from a loudness vibrato is put back.
    """
    _without_wow(note, wow)
    if room is not None:
        _without_tail(note, room)
    line = note.line
    if line is not None:
        # a trill is named by its lower note
        if note.values["note_kind"] != "trill" or pd.isna(note.values["pitch_hz"]):
            note.values["pitch_hz"] = line.reference_hz * 2.0 ** (float(np.mean(line.cents)) / 1200.0)
        if note.values["note_kind"] == "note":
            vibrato, note.fit = measure_note(
                line,
                rate_min_hz=settings.vibrato_min_hz,
                rate_max_hz=settings.vibrato_max_hz,
                false_alarm=settings.false_alarm,
                tempo_bpm=_number(row, "tempo_bpm"),
            )
            note.reasons += vibrato.pop("quality")
            note.values |= vibrato if room is None else _without_room(vibrato, room)
        played = range_hz(row.get("instrument"), MARGIN_SEMITONES)
        if played is not None and not played[0] <= note.values["pitch_hz"] <= played[1]:
            note.reasons.append("octave_unsure")
        if _is_masked(note, line):
            note.reasons.append("masked")
    if _number(row, "speed_factor") is None and "rate_hz" in note.values:
        low, high = rate_range(row.get("medium"), note.values["rate_hz"])
        note.values |= {"rate_low_hz": low, "rate_high_hz": high}
    note.values["quality"] = quality_of(note.reasons)
    note.values["usable"] = note.values["note_kind"] == "note" and HARMLESS.issuperset(note.reasons)


def _is_masked(note: FoundNote, line: NoteLine) -> bool:
    """Tell whether others cover the note, or it is theirs."""
    moving = note.values.get("has_vibrato")
    if moving is None:
        return False
    if moving:
        return note.rival_moves or (
            (line.straightened or line.snr_db < COMPANY_BELOW_DB) and is_covered(line, note.values)
        )
    looked_at = note.rival_db > RIVAL_ABOVE_DB or line.snr_db < LOOK_BELOW_DB
    return (
        note.rival_db > RIVAL_OF_STRAIGHT_DB
        or note.rival_moves
        or (looked_at and is_covered(line, note.values))
    )


def _thinned(origin_s: float, line: NoteLine, number: int) -> tuple[np.ndarray, ...]:
    """Columns of the table of the line for one note."""
    block = max(1, round(1.0 / (LINE_RATE_HZ * line.hop_s)))
    at = slice(block // 2, None, block)
    time_s = origin_s + line.time_s[at]
    return time_s, line.f0_hz[at], line.level_db[at], np.full(len(time_s), number, dtype=np.int64)


def _line_frame(lines: list[tuple[np.ndarray, ...]]) -> pd.DataFrame:
    """The refined lines of all notes."""
    columns = zip(*lines, strict=True) if lines else [[np.zeros(0)]] * 3 + [[np.zeros(0, dtype=np.int64)]]
    names = ("time_s", "f0_hz", "level_db", "note_number")
    return pd.DataFrame({name: np.concatenate(pieces) for name, pieces in zip(names, columns, strict=True)})


def _result(
    values: list[dict[str, Any]],
    line: pd.DataFrame,
    facts: dict[str, Any],
    settings: Settings,
    row: Mapping[str, Any],
) -> RecordingResult:
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
    midi, frame["pitch_cents"] = nearest_note(frame["pitch_hz"], tuning["tuning_hz"])
    frame["midi"] = midi.astype("Int64")
    frame, beside = _beside_score(frame, row)
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

    try:
        with step("score"):
            notes, missing, report = align_score(notes, path)
    except Exception as error:
        if isinstance(error.__cause__, VibstudyError):  # without the score, the notes are as good as ever
            return notes, {"score_problem": str(error.__cause__)}
        raise
    pulses = 60.0 * notes["rate_hz"] / notes["local_tempo_bpm"]
    notes["pulses_per_beat"] = pulses.fillna(notes["pulses_per_beat"])
    return notes, {
        "score_fit": report.words(),
        "score_share": report.share,
        "score_not_found": "; ".join(missing_words(missing)[:NOT_FOUND_TOLD]),
    }


def _number(row: Mapping[str, Any], key: str) -> float | None:
    """A cell as a number; None when it is empty or absent."""
    value = row.get(key)
    return None if value is None or pd.isna(value) else float(value)
