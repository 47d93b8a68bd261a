"""Notes found in a piece of sound, each with its refined line and the reasons to doubt it.

:func:`find_line` tracks the soloist and parts the line into notes; :func:`find_note` refines the line of one,
settles its octave, looks for other players where it does not stand clear, and straightens its line there
(whether it is several notes, or a piece of one: :mod:`vibstudy.recording.parted`); :func:`settle_octaves`
looks at the octaves of all of them together. But for this, what is found does not depend on the rest of the
recording, so that a phrase gives the same as the whole.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from vibstudy.corpus.batch import step
from vibstudy.corpus.settings import Settings
from vibstudy.pitch.accompaniment import Accompaniment, find_accompaniment
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.octaves import (
    LOWER_SHARE_ABOVE,
    SPARSE,
    Octave,
    lower_among,
    octave_below,
    share_between,
    true_pitch,
)
from vibstudy.pitch.other_player import other_vibrates
from vibstudy.pitch.ranges import range_hz
from vibstudy.pitch.refine import NoteLine, refine_note
from vibstudy.pitch.straighten import Straightened, straighten_note
from vibstudy.schema import LIMITS, reasons_of
from vibstudy.sound.dereverb import Dereverberated
from vibstudy.sound.reading import Audio
from vibstudy.units import to_cents
from vibstudy.vibrato.masked import LEAST_BALANCE, sway_apart_cents
from vibstudy.vibrato.oversegmentation import merge_oversegmented
from vibstudy.vibrato.realised import VibratoFit

LOOK_BELOW_DB, ACCOMPANIED_BELOW_DB = 30.0, 18.0
"""A note that stands out by less is looked at: for other players, and what they did to it; see
:mod:`vibstudy.pitch.accompaniment` and :mod:`vibstudy.vibrato.masked`."""
STRAIGHTEN_ABOVE_CENTS = 0.03
"""Where the halves of a note's harmonics say the same, nothing draws its line: of 1,230 notes in simulated
rooms and beside a piano whose lines strayed by more than 1.5 cents 13 did, and four of five dry notes do."""
OTHER_VIBRATES_ABOVE_DB = -13.0
"""So far a second wind as loud was seen to fall below a note, for a wide vibrato smears."""
SAME_NOTE_CENTS = 60.0
OCTAVE_ODDS = 2.0
"""The octave is doubted where the log odds of another pitch are within this of even."""
BEYOND_SEMITONES = 5.0
"""So far beyond its range an instrument's notes are looked for."""
PARTED_ABOVE_DB = 6.0
"""In a note that stands out by less, a course gone astray looks like a silence: so beside a piano as loud
(``benchmarks/recordings.py``). Of 68 silences that parted notes in rooms, all stood out by more
(``benchmarks/repeated.py``)."""
OCTAVE_ABOVE = 0.9
_NO_LOWER = np.full(2, -np.inf)
TRILL_COLUMNS = ("trill_p", "trill_rate_hz", "trill_interval_cents")


def within_range(settings: Settings, row: Mapping[str, Any]) -> Settings:
    """The settings with the recording's tuning, and its instrument's range where they leave it open.

    Parameters
    ----------
    settings : Settings
        Of the study: a lowest or highest pitch set there stands.
    row : mapping
        The recording's cells: ``tuning_hz``, ``instrument`` (:mod:`vibstudy.pitch.ranges`).
    """
    settings = replace(settings, tuning_hz=number_in(row, "tuning_hz") or settings.tuning_hz)
    usual = Settings()
    found = range_hz(row.get("instrument"), BEYOND_SEMITONES)
    if found is None or (settings.fmin_hz, settings.fmax_hz) != (usual.fmin_hz, usual.fmax_hz):
        return settings
    return replace(settings, fmin_hz=max(found[0], 20.0), fmax_hz=min(found[1], usual.fmax_hz))


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
    other_db : float
        The strongest other pitch (:mod:`vibstudy.pitch.accompaniment`); -inf where nobody looked.
    other_vibrates : bool
        Whether another player as loud has vibrato: whose note it is cannot be told from the sound.
    named : bool
        Whether somebody says that the soloist plays this pitch: a list, a score.
    theirs : bool
        Whether its vibrato is doubted for no other reason than that it may be another player's.
    unclaimed : bool
        Whether it may be nobody's whose vibrato is asked: covered, and of a pitch that may be another's.
    octave : Octave | None
        What its own sound says of its octave; None where nobody asked, or somebody says which it is.
    silent_s : (float, float) | None
        Begin and end, from the first sample, of a silence within, after which it is begun anew; None, too,
        of a note that somebody names.
    fit : VibratoFit | None
        Its vibrato, once measured; None when there is none.
    """

    values: dict[str, Any]
    reasons: list[str]
    line: NoteLine | None
    origin_s: float
    other_db: float = -np.inf
    other_vibrates: bool = False
    named: bool = False
    theirs: bool = False
    unclaimed: bool = False
    octave: Octave | None = None
    silent_s: tuple[float, float] | None = None
    fit: VibratoFit | None = None


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
    from vibstudy.notes.lists import listed_notes
    from vibstudy.notes.segment import find_notes
    from vibstudy.notes.trill import Habit
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
            rows = merge_oversegmented(audio.samples, audio.rate_hz, line, rows, dry=audio.dereverberated)
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
        (reasons found before), ``note_kind``, ``pitch_hz``, ``onset_se_s``, ``offset_se_s``, ``straight``
        (from :func:`vibstudy.vibrato.oversegmentation.merge_oversegmented`), ``octave_below`` (from
        :func:`vibstudy.pitch.octaves.octave_below`; absent or None: the octave of the line stands),
        ``named`` (:class:`FoundNote`).
    octaves : ndarray [shape=(frames,)] | None
        Octaves from the line to a second opinion, frame by frame; NaN where one is silent.
    before_hz : float | None
        Pitch of the soloist's note before, whose tail in a room is no other player beside a straight note.

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
    line, accompaniment, octave, sparse, straight, parts = _refined(
        audio, contour, onset, offset, found.get("octave_below"), found.get("straight")
    )
    values["pitch_hz"] /= parts  # of a trill; other notes are named by their line
    if found.get("named"):
        octave, sparse = None, False
    reasons += ["octave_unsure"] * (_unsure(octave) + sparse)
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
    named = bool(found.get("named"))
    note = FoundNote(values, reasons, line, audio.origin_s, named=named, octave=octave)
    if straight is not None and values["note_kind"] == "note" and straight.line.snr_db > PARTED_ABOVE_DB:
        note.silent_s = straight.silences.likeliest()
    if line is not None and accompaniment is not None:
        note.other_db = -np.inf if _same(accompaniment.other_hz, before_hz) else accompaniment.other_db
        note.other_vibrates = _moves(audio, line, accompaniment)
    return note


def _unsure(octave: Octave | None) -> bool:
    return octave is not None and abs(octave.odds) < OCTAVE_ODDS


class _Refined(NamedTuple):
    """A note's line, who else sounds, what it says of its octave, whether its harmonics are sparse.

    Last, what straightening gave, and by what its pitch was divided.
    """

    line: NoteLine | None
    accompaniment: Accompaniment | None = None
    octave: Octave | None = None
    sparse: bool = False
    straight: Straightened | None = None
    parts: float = 1.0


def _refined(
    audio: Audio,
    contour: Contour,
    onset_s: float,
    offset_s: float,
    lower_share: float | None,
    known: Straightened | None,
) -> _Refined:
    """Refined line of a note, an octave or a twelfth away where the sound says so.

    The pitch of the contour stands when `lower_share` is None; `known` is what straightening gave before.
    """

    def refined(parts: float) -> NoteLine | None:
        lower = replace(contour, f0_hz=contour.f0_hz / parts)
        return refine_note(audio.samples, audio.rate_hz, lower, onset_s, offset_s)

    pooled = refined(1)
    if pooled is None or not ((lower_share or 0.0) > LOWER_SHARE_ABOVE or pooled.snr_db < LOOK_BELOW_DB):
        surely = None if pooled is None or lower_share is None else Octave(1, -np.inf, _NO_LOWER)
        return _Refined(pooled, octave=surely)
    line, straight = undrawn(audio.samples, audio.rate_hz, pooled, audio.dereverberated, known)
    accompaniment = find_accompaniment(audio.samples, audio.rate_hz, line)
    octave, parts = None, 1.0
    if lower_share is not None:
        octave = true_pitch(audio.samples, audio.rate_hz, line, accompaniment, lower_share)
        moved = refined(octave.parts) if octave.parts != 1 else None
        if moved is not None:
            parts, pooled = octave.parts, moved
            line, straight = undrawn(audio.samples, audio.rate_hz, moved, audio.dereverberated)
            accompaniment = find_accompaniment(audio.samples, audio.rate_hz, line)
    return _Refined(line, accompaniment, octave, share_between(pooled, 3) < SPARSE, straight, parts)


def undrawn(
    samples: np.ndarray,
    rate_hz: float,
    pooled: NoteLine,
    dry: Dereverberated | None = None,
    known: Straightened | None = None,
) -> tuple[NoteLine, Straightened | None]:
    """A note's line, straightened where a room or others may draw it: its halves disagree, or there are none.

    Parameters
    ----------
    samples, rate_hz
        The sound the line was refined from.
    pooled : NoteLine
        The line.
    dry : Dereverberated | None
        The sound without most of its room.
    known : Straightened | None
        What straightening it gave before.

    Returns
    -------
    line : NoteLine
        As it was until its direct sound ends, where straightening made nothing likelier.
    straight : Straightened | None
        What straightening gave; None where nothing draws the line.
    """
    if pooled.balance >= LEAST_BALANCE and sway_apart_cents(pooled) <= STRAIGHTEN_ABOVE_CENTS:
        return pooled, None
    straight = known or straighten_note(samples, rate_hz, pooled, dry)
    pooled = replace(pooled, drawn=True)
    if straight is None or straight.gain > 0.0:
        return straight.line if straight else pooled, straight
    return pooled.until(straight.line.offset_s), straight


def settle_octaves(
    audio: Audio,
    contour: Contour,
    rows: Sequence[Mapping[Any, Any]],
    notes: list[FoundNote],
    octaves: np.ndarray | None = None,
) -> None:
    """Settle the octave of each note by what all of them say (:func:`vibstudy.pitch.octaves.lower_among`).

    Parameters
    ----------
    audio, contour, octaves
        As for :func:`find_note`.
    rows, notes : sequence
        As they were found; notes of one player, replaced or doubted in place.
    """
    asked = [(i, note.octave) for i, note in enumerate(notes) if note.octave is not None]
    told = [(i, octave, octave.lower) for i, octave in asked if octave.lower is not None]
    odds = lower_among([lower for *_, lower in told])
    for (i, octave, _), lower in zip(told, odds, strict=True):
        if octave.parts not in (1, 2):
            continue
        settled = Octave(2.0 if lower > 0.0 else 1.0, float(lower), octave.lower)
        if settled.parts == octave.parts:
            notes[i].reasons += ["octave_unsure"] * _unsure(settled)
            if _unsure(octave):
                notes[i].reasons.remove("octave_unsure")
            continue
        before = notes[i - 1].line if i else None
        moved = find_note(
            audio,
            replace(contour, f0_hz=contour.f0_hz / settled.parts),
            {
                **rows[i],
                "pitch_hz": rows[i].get("pitch_hz", np.nan) / settled.parts,
                "octave_below": None,
                "straight": None,
            },
            None if octaves is None else octaves + np.log2(settled.parts),
            before.reference_hz if before else None,
        )
        if moved.line is None:
            notes[i].reasons.append("octave_unsure")
            continue
        moved.reasons += ["octave_unsure"] * _unsure(settled)
        notes[i] = replace(moved, octave=settled)


def _same(one_hz: float, other_hz: float | None) -> bool:
    return other_hz is not None and abs(to_cents(one_hz, other_hz)) < SAME_NOTE_CENTS


def _moves(audio: Audio, line: NoteLine, accompaniment: Accompaniment) -> bool:
    """Tell whether another player, about as loud as the note, has vibrato."""
    if accompaniment.other_db < OTHER_VIBRATES_ABOVE_DB or line.snr_db > ACCOMPANIED_BELOW_DB:
        return False
    return other_vibrates(audio.samples, audio.rate_hz, line, accompaniment.other_hz)


def number_in(row: Mapping[str, Any], key: str) -> float | None:
    """A cell as a number; None when it is empty or absent."""
    value = row.get(key)
    return None if value is None or pd.isna(value) else float(value)
