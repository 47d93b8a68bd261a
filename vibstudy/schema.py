"""The dictionary of every column the tool reads and writes: title, unit, definition, source.

One object serves the written tables, the Frictionless Table Schema beside them, the checks, the
axis labels of the figures and the documentation, so that they cannot disagree.

Conventions
-----------
Extent is HALF of the peak-to-peak deviation (± cents). Times are seconds from the beginning of the
file, at true speed. Missing means not known, never zero. ``_se`` marks a standard error.

References
----------
Frictionless Table Schema, https://specs.frictionlessdata.io/table-schema/ (open standard).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Column name; the unit is part of it (``rate_hz``).
    type : {"string", "number", "integer", "boolean"}
        Table Schema type.
    unit : str
        Unit as printed on an axis; "" for none.
    title : str
        Short title for axes and table heads.
    definition : str
        What the figure is, in one sentence.
    source : str
        Paper, standard or "this tool".
    """

    name: str
    type: str
    unit: str
    title: str
    definition: str
    source: str = "this tool"
    constraints: dict[str, Any] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """Axis label: the title with its unit."""
        return f"{self.title} ({self.unit})" if self.unit else self.title


def _c(
    name: str, type_: str, unit: str, title: str, definition: str, source: str = "this tool", **limits: Any
):
    return Column(name, type_, unit, title, definition, source, limits)


def _m(name: str, type_: str, unit: str, title: str, definition: str, **limits: Any):
    return Column(name, type_, unit, title, definition, "manifest", limits)


_PRACTICE = "common practice, no source"

# fmt: off
MANIFEST_COLUMNS: tuple[Column, ...] = (
    _m("recording_id", "string", "", "Recording", "Short name of the recording, unique in the file; it names its results.", required=True),
    _m("path", "string", "", "File", "Sound file, relative to the manifest.", required=True),
    _m("player", "string", "", "Player", "Who plays; always spelt the same way.", required=True),
    _m("decade", "integer", "", "Decade", "First year of the decade, for example 1950; or give year.", minimum=1850, maximum=2100),
    _m("year", "integer", "", "Year", "Year of the recording; may stand instead of decade.", minimum=1850, maximum=2100),
    _m("region", "string", "", "Region", "Region or country whose practice is studied.", required=True),
    _m("school", "string", "", "School", "Teaching line or school."),
    _m("teacher", "string", "", "Teacher", "Who taught the player, spelt as in player when the teacher is in the corpus."),
    _m("instrument", "string", "", "Instrument", "Instrument played."),
    _m("piece", "string", "", "Piece", "Piece; the same words for the same piece."),
    _m("movement", "string", "", "Movement", "Movement or section."),
    _m("medium", "string", "", "Medium", "What it was recorded on.", enum=("cylinder", "acoustic_disc", "electrical_disc", "tape_lp", "digital")),
    _m("accompaniment", "string", "", "Accompaniment", "What plays beside the soloist.", enum=("none", "piano", "orchestra")),
    _m("start_s", "number", "s", "Start", "Where the part to measure begins, in file time.", minimum=0),
    _m("end_s", "number", "s", "End", "Where the part to measure ends, in file time.", minimum=0),
    _m("tuning_hz", "number", "Hz", "Tuning", "Frequency of A4 at true speed, when known.", minimum=380, maximum=480),
    _m("speed_factor", "number", "", "Speed factor", "Speed of the file over true speed, when known: 0.96 for a file that plays 4 % slow.", minimum=0.5, maximum=2),
    _m("tempo_bpm", "number", "beats/min", "Tempo", "Beats a minute, when known.", minimum=20, maximum=400),
    _m("score_path", "string", "", "Score", "MusicXML or MIDI file, relative to the manifest."),
    _m("notes_path", "string", "", "Note list", "Note list made by hand, relative to the manifest."),
    _m("exclude", "boolean", "", "Excluded", "true: keep the row, but do not measure it."),
    _m("comment", "string", "", "Comment", "Anything."),
)
"""Columns the manifest may have; ``year`` may stand for ``decade``."""

FIGURE_CELLS = ("start_s", "end_s", "tuning_hz", "speed_factor", "tempo_bpm", "medium", "instrument")
"""Cells that change figures of a recording, besides the files it names; all others are tags."""

SCORE_COLUMNS: tuple[Column, ...] = (
    _c("score_match", "string", "", "In the score", "matched; other_pitch (played for a written note); unsure (alignment quality below 0.3); added (not written)."),
    _c("written_midi", "integer", "", "Written note", "MIDI number of the note as notated, before transposition.", "MIDI 1.0 note numbers"),
    _c("notated_beats", "number", "beats", "Notated length", "Written length in felt beats, ties added; 0 for a grace note."),
    _c("measure", "integer", "", "Measure", "Number of the measure as printed."),
    _c("beat", "number", "", "Beat", "Felt beat in the measure, from 1."),
    _c("beat_strength", "number", "", "Beat strength", "Weight of the beat: 1 at the bar line, halved with each level of the metrical grid.", "Lerdahl & Jackendoff 1983 (metrical grid; from memory)"),
    _c("slur_position", "string", "", "Place in the slur", "first, inside, last or none."),
    _c("dynamic", "string", "", "Written dynamic", "Dynamic in force, as written (pp to ff); missing when the score has none."),
    _c("hairpin", "string", "", "Hairpin", "crescendo or diminuendo when the note stands under one."),
    _c("local_tempo_bpm", "number", "beats/min", "Local tempo", "Felt beats a minute around the note, from the onsets of the notes within three beats."),
    _c("alignment_quality", "number", "", "Quality of the alignment", "1 = pitch, time and neighbours agree with the score; 0 = not written."),
)
"""Columns of ``results/notes.csv`` that are filled where the manifest names a score."""

NOTE_COLUMNS: tuple[Column, ...] = (
    _c("recording_id", "string", "", "Recording", "The recording, as named in the manifest.", required=True),
    _c("note_id", "string", "", "Note", "The note: recording_id, a slash and its number in time order.", required=True, unique=True),
    _c("onset_s", "number", "s", "Onset", "Where the note begins.", minimum=0),
    _c("offset_s", "number", "s", "Offset", "Where the note ends.", minimum=0),
    _c("duration_s", "number", "s", "Duration", "Offset minus onset.", minimum=0),
    _c("onset_se_s", "number", "s", "Onset, standard error", "Uncertainty of the onset.", minimum=0),
    _c("offset_se_s", "number", "s", "Offset, standard error", "Uncertainty of the offset.", minimum=0),
    _c("note_kind", "string", "", "Kind", "note, trill (named by its lower note), ornament (grace note or turn), or unclear (a trill or a wide vibrato: it cannot be told); only notes have vibrato figures."),
    _c("trill_p", "number", "", "Probability of a trill", "Probability that a pitch that goes to and fro by 50 cents or more is a trill, not a vibrato (with the score's sign of a trill, where there is one); missing where it does not.", minimum=0, maximum=1),
    _c("trill_rate_hz", "number", "Hz", "Trill rate", "Cycles (there and back) a second of a trill.", minimum=0),
    _c("trill_interval_cents", "number", "cents", "Trill interval", "Upper less lower note of a trill.", minimum=0),
    _c("note_label", "string", "", "Label", "Words of the note list made by hand; missing without one."),
    _c("pitch_hz", "number", "Hz", "Pitch", "Mean fundamental frequency over the note (geometric).", "Brown & Vaughn 1996, JASA 100(3):1728-1735: perceived pitch is the mean", minimum=0),
    _c("midi", "integer", "", "MIDI note", "Nearest tempered note at the recording's tuning (69 = A4).", "MIDI 1.0 note numbers", minimum=0, maximum=127),
    _c("pitch_cents", "number", "cents", "Deviation from tempered pitch", "Pitch minus the nearest tempered pitch at the tuning used."),
    _c("level_db", "number", "dBFS", "Level", "Median level of the note's harmonics, re full scale."),
    _c("voiced_fraction", "number", "", "Voiced share", "Share of the note in which the tracker heard a pitch.", minimum=0, maximum=1),
    _c("has_vibrato", "boolean", "", "Vibrato", "Whether pitch vibrato is present; missing when the note is too short, or too restless in a room, to tell, and where others cover it and it may not be the soloist's (`masked` and `octave_unsure`)."),
    _c("vibrato_p", "number", "", "False-alarm probability", "Probability that a straight note with the same noise would look this much like vibrato, the search over rates counted.", "Baluev 2008, MNRAS 385:1279-1285 (form of the bound)", minimum=0, maximum=1),
    _c("rate_hz", "number", "Hz", "Rate", "Mean number of vibrato cycles a second while vibrato lasts.", minimum=0),
    _c("rate_se_hz", "number", "Hz", "Rate, standard error", "Standard error of the realised mean rate.", minimum=0),
    _c("rate_low_hz", "number", "Hz", "Rate, lowest plausible", "Rate if the file played at the fastest plausible speed of its medium; missing when speed_factor is given or the medium is not.", "ranges of speed: see vibstudy.sound.tuning", minimum=0),
    _c("rate_high_hz", "number", "Hz", "Rate, highest plausible", "Rate if the file played at the slowest plausible speed of its medium.", "ranges of speed: see vibstudy.sound.tuning", minimum=0),
    _c("extent_cents", "number", "± cents", "Extent", "Mean HALF of the peak-to-peak pitch deviation while vibrato lasts.", minimum=0),
    _c("extent_se_cents", "number", "cents", "Extent, standard error", "Standard error of the realised mean extent.", minimum=0),
    _c("extent_limit_cents", "number", "± cents", "Extent, limit", "Extent at which vibrato all through the note would be found in half of all cases: noise, others and shortness raise it.", minimum=0),
    _c("extent_first_cents", "number", "± cents", "Extent, first harmonic", "Mean amplitude of the first harmonic of the vibrato cycle. How pointed a cycle looks, which noise, narrow bands and rooms hide, does not move it; a triangle's is 8/π² of its extent.", "Fourier series", minimum=0),
    _c("extent_first_se_cents", "number", "cents", "Extent, first harmonic, standard error", "Standard error of the first harmonic's amplitude.", minimum=0),
    _c("extent_above_cents", "number", "cents", "Extreme above centre", "How far the cycle rises above the note's vibrato centre."),
    _c("extent_below_cents", "number", "cents", "Extreme below centre", "How far the cycle falls below the note's vibrato centre (positive number)."),
    _c("centre_shift_cents", "number", "cents", "Centre shift", "Centre of the vibrato minus the note's straight beginning; missing when there is no straight beginning."),
    _c("vibrato_onset_s", "number", "s", "Onset delay", "Time from the note's onset to the start of vibrato.", minimum=0),
    _c("vibrato_onset_se_s", "number", "s", "Onset delay, standard error", "Standard error of the onset delay.", minimum=0),
    _c("vibrato_fraction", "number", "", "Share with vibrato", "Share of the note's length with vibrato.", minimum=0, maximum=1),
    _c("rate_slope_hz_per_s", "number", "Hz/s", "Rate slope", "Linear trend of rate through the vibrato."),
    _c("extent_growth_cents_per_s", "number", "cents/s", "Growth", "Linear trend of extent through the vibrato."),
    _c("rate_irregularity", "number", "", "Rate irregularity", "Coefficient of variation of rate from cycle to cycle, trend and measurement noise removed.", minimum=0),
    _c("extent_irregularity", "number", "", "Extent irregularity", "Coefficient of variation of extent from cycle to cycle, trend and measurement noise removed.", minimum=0),
    _c("waveform", "number", "", "Waveform", "0 = sine, 1 = triangle: 9 times the in-phase third harmonic of the cycle over the fundamental.", "Fourier series of a triangle wave"),
    _c("intensity_depth_db", "number", "± dB", "Intensity depth", "HALF of the peak-to-peak level modulation at the vibrato rate, freed of what the room takes from it where the room is known.", minimum=0),
    _c("intensity_depth_se_db", "number", "dB", "Intensity depth, standard error", "Standard error of the intensity depth.", minimum=0),
    _c("intensity_phase_rad", "number", "rad", "Intensity phase", "Phase of level against pitch: 0 = loudest where the pitch is highest; positive = level leads.", minimum=-3.1416, maximum=3.1416),
    _c("has_intensity_vibrato", "boolean", "", "Intensity vibrato", "Whether level is modulated periodically (with or without pitch vibrato)."),
    _c("intensity_p", "number", "", "False-alarm probability, intensity", "As vibrato_p, for level.", minimum=0, maximum=1),
    _c("intensity_rate_hz", "number", "Hz", "Intensity rate", "Rate of the level modulation.", minimum=0),
    _c("vibrates", "boolean", "", "Vibrato of any kind", "Whether pitch or loudness vibrates: as has_vibrato, but true, too, of a note whose loudness alone is modulated by ± 0.5 dB or more, as in the air vibrato of flutes. For models of presence that count such notes."),
    _c("vibrato_in", "string", "", "What vibrates", "pitch, loudness (pitch by less than ± 3 cents) or both; which leads stands in intensity_phase_rad."),
    _c("timbre_depth", "number", "± cents", "Timbre depth", "HALF of the peak-to-peak modulation, at the vibrato rate, of the spectral centroid counted in harmonic numbers (so that pitch alone does not move it).", minimum=0),
    _c("harmonic_depth_db", "number", "± dB", "Depth per harmonic", "Median over harmonics of the HALF peak-to-peak level modulation of each harmonic at the vibrato rate.", "Mellody & Wakefield 2000, JASA 107(1):598-611 (every partial is modulated)", minimum=0),
    _c("pulses_per_beat", "number", "", "Pulses per beat", "rate_hz * 60 / tempo: the local tempo where a score is there, else the manifest's; missing without one.", "arithmetic", minimum=0),
    _c("fusion_share", "number", "", "Share of the fusion limit", "Extent over the extent at which vibrato at this rate is heard as moving pitch (20 cents at 5 Hz, 100 cents at 8 Hz, log-interpolated). A rule of thumb.", _PRACTICE, minimum=0),
    *SCORE_COLUMNS,
    _c("snr_db", "number", "dB", "Harmonic signal to noise", "Power of the harmonics used over the noise and interference found beside them."),
    _c("quality", "string", "", "Quality", "ok, or remarks on the note, joined by ';'; whether it counts all the same, usable says."),
    _c("usable", "boolean", "", "Usable", "Whether the note is the soloist's and its rate and extent count, with their standard errors; a remark in quality alone takes no note out."),
    _c("reviewed", "string", "", "Reviewed", "auto, accepted, edited or rejected."),
)
"""Columns of ``results/notes.csv``, in order; manifest tags, tracker and version follow."""

PROVENANCE_COLUMNS: tuple[Column, ...] = (
    _c("tracker", "string", "", "Tracker", "What found the line of notes, with its version."),
    _c("vibstudy_version", "string", "", "Version", "Version of vibstudy that measured the note."),
)

ROOM_COLUMNS: tuple[Column, ...] = (
    _c("room_decay_s", "number", "s", "Decay of the room", "Time in which the room's tail falls by 60 dB, from the ends of notes; missing where it cannot be told (dry, too few ends, others playing throughout).", minimum=0),
    _c("room_decay_se_s", "number", "s", "Decay of the room, standard error", "From the likelihood over all levels of direct sound, and what the model leaves in doubt.", minimum=0),
    _c("direct_to_room_db", "number", "dB", "Direct sound to room", "Power of the direct sound, with what follows within about 15 ms, over that of the room; missing where it cannot be told."),
    _c("direct_to_room_se_db", "number", "dB", "Direct sound to room, standard error", "From the likelihood over all levels of direct sound, and what the model leaves in doubt.", minimum=0),
)
"""Of the recording; repeated on each note, so that models can take them."""

RECORDING_COLUMNS: tuple[Column, ...] = (
    _c("recording_id", "string", "", "Recording", "The recording, as named in the manifest.", required=True, unique=True),
    _c("duration_s", "number", "s", "Duration", "Length of the part measured.", minimum=0),
    _c("sample_rate_hz", "number", "Hz", "Sample rate", "Sample rate of the file.", minimum=0),
    _c("channels", "integer", "", "Channels", "Channels of the file.", minimum=1),
    _c("notes", "integer", "", "Notes", "Notes found.", minimum=0),
    _c("notes_with_vibrato", "integer", "", "Notes with vibrato", "Notes on which pitch vibrato was found.", minimum=0),
    _c("notes_source", "string", "", "Source of the notes", "sound (found by the tool), or note list (made by hand)."),
    _c("score_fit", "string", "", "Score", "How the notes lie on the score, in words; missing without one."),
    _c("score_share", "number", "", "Share on the score", "Share of the notes that lie on a written note of their pitch.", minimum=0, maximum=1),
    _c("score_not_found", "string", "", "Written, not found", "Written notes within the part played that were not found: note (as written), measure and beat."),
    _c("score_problem", "string", "", "Score refused", "Why the score could not be used; the notes were measured without it."),
    _c("tuning_hz", "number", "Hz", "Tuning used", "Frequency of A4 used to name notes: the manifest's, or the estimate.", minimum=0),
    _c("tuning_se_cents", "number", "cents", "Tuning, standard error", "Standard error of the estimated tuning.", minimum=0),
    _c("tuning_source", "string", "", "Tuning source", "manifest, or estimated from the notes."),
    _c("speed_factor", "number", "", "Speed factor", "Speed of the file over true speed, as given in the manifest (1 when not given).", minimum=0),
    _c("audio_sha256", "string", "", "Audio hash", "SHA-256 of the file."),
    _c("remarks", "string", "", "Remarks on the file", "What a reader should know of it: silent, ends early, name and contents do not fit; missing for none."),
    _c("tuning_words", "string", "", "Tuning in words", "Both readings of the estimated tuning: true speed, or true pitch."),
    _c("channel", "string", "", "Channel used", "mono, left, right, mid or side: the one with the best tonal signal to noise."),
    _c("low_edge_hz", "number", "Hz", "Lower edge", "Where music rises out of the noise.", minimum=0),
    _c("high_edge_hz", "number", "Hz", "Upper edge", "Where music falls into the noise.", minimum=0),
    _c("noise_db", "number", "dBFS", "Noise", "Level of the steady noise."),
    _c("noise_tilt_db_per_octave", "number", "dB/octave", "Tilt of the noise", "Slope of the noise's spectrum."),
    _c("programme_db", "number", "dBFS", "Loud passages", "Level of loud passages."),
    _c("hum_hz", "number", "Hz", "Hum", "Mains frequency whose harmonics are heard; missing for none.", minimum=0),
    _c("hum_db", "number", "dBFS", "Hum, level", "Level of the hum."),
    _c("clicks_per_s", "number", "1/s", "Clicks", "Clicks found and bridged.", minimum=0),
    _c("clipped_fraction", "number", "", "Clipped", "Share of samples in clipped runs.", minimum=0, maximum=1),
    _c("clipped_runs_per_s", "number", "1/s", "Clipped runs", "Clipped runs a second.", minimum=0),
    _c("codec_cutoff_hz", "number", "Hz", "Sharp cut-off", "Where a lossy codec or a resampling cut the sound; missing for none.", minimum=0),
    _c("dc", "number", "", "Offset", "Constant that was removed, re full scale."),
    _c("wow_hz", "number", "Hz", "Wow", "Frequency of a deviation common to all notes; missing when none was found. It is taken out before vibrato is measured.", minimum=0),
    _c("wow_percent", "number", "%", "Wow, depth", "Zero to peak, per cent of speed.", minimum=0),
    _c("wow_weighted_percent", "number", "%", "Wow, weighted", "Depth weighted after the shape of IEC 60386 (approximate, from memory).", minimum=0),
    _c("wow_p", "number", "", "False-alarm probability, wow", "Probability that a recording without wow would look so.", minimum=0, maximum=1),
    *ROOM_COLUMNS,
)
"""Columns of ``results/recordings.csv`` that every measurement fills; others may follow."""

LOG_COLUMNS: tuple[Column, ...] = (
    _c("recording_id", "string", "", "Recording", "The recording, as named in the manifest."),
    _c("step", "string", "", "Step", "What was being done: read, track, segment, measure, score, store."),
    _c("success", "boolean", "", "Success", "Whether it worked."),
    _c("seconds", "number", "s", "Seconds", "Time it took.", minimum=0),
    _c("notes", "integer", "", "Notes", "Notes found.", minimum=0),
    _c("message", "string", "", "Message", "What went wrong, and the repair; with success: what could not be used."),
    _c("finished_at", "string", "", "Finished", "When, in UTC (ISO 8601)."),
)
"""Columns of ``results/log.csv``, one row a recording."""
QUANTITY_COLUMNS: tuple[Column, ...] = (
    _c("kind", "string", "", "Kind", "What sort of thing the quantity is of: study, player, recording, a tag of the manifest, side (of a claim), remark, medium, model, claim, setting, figure (what its caption alone says), notebook (what a notebook alone says).", required=True),
    _c("name", "string", "", "Name", "Which one: the player's name, the recording, the model, the claim.", required=True),
    _c("quantity", "string", "", "Quantity", "What is told of it; kind, name and quantity together stand once.", required=True),
    _c("value", "number", "", "Value", "Its value, in the unit beside it."),
    _c("unit", "string", "", "Unit", "Unit of value, low and high: notes, players, recordings, Hz, ± cents (half of peak-to-peak), %, s, dB; of a change, a decade."),
    _c("numerator", "number", "", "Numerator", "Of a share or a part: how many."),
    _c("denominator", "number", "", "Denominator", "Of a share or a part: of how many."),
    _c("rule", "string", "", "Rule", "Which notes count."),
    _c("low", "number", "", "Low", "Lower end of the interval, 95 % unless looks at a growing corpus widen it; missing where none can be known."),
    _c("high", "number", "", "High", "Upper end of the interval."),
    _c("se", "number", "", "Standard error", "On the scale of the model."),
    _c("df", "number", "", "Degrees of freedom", "Of the test and the interval."),
    _c("t", "number", "", "t", "Estimate over its standard error."),
    _c("p", "number", "", "p", "p-value, of a claim after Holm.", minimum=0, maximum=1),
    _c("used_in", "string", "", "Used in", "Where it is said or drawn."),
)
"""Columns of ``results/quantities.csv``: every number that text, tables, figures, notebooks and pages take."""
# fmt: on


MEDIUM_WORDS = {"tape_lp": "tape or LP"}
"""Media whose name in the manifest is not read as words by itself."""

_MEDIUM = re.compile(r"\b(cylinder|acoustic_disc|electrical_disc|tape_lp)\b")


def in_words(tag: object) -> str:
    """Return a tag of the manifest as it is read: "electrical disc", "tape or LP"."""
    return MEDIUM_WORDS.get(str(tag), str(tag).replace("_", " "))


def media_in_words(sentence: str) -> str:
    """Return a sentence with the media in it as they are read."""
    return _MEDIUM.sub(lambda found: in_words(found.group()), sentence)


@dataclass(frozen=True)
class Reason:
    """A reason to doubt a note.

    Parameters
    ----------
    name : str
        As in the column ``quality``.
    words : str
        What a musician should know.
    rule : str
        When it is given; the limit stands in it as {limit:g}.
    limit : float
        Its limit.
    harmless : bool
        Rate and extent are used all the same.
    suspicion : float
        Weight in the order in which notes should be heard.
    """

    name: str
    words: str
    rule: str
    limit: float = float("nan")
    harmless: bool = False
    suspicion: float = 1.0


# fmt: off
REASONS: tuple[Reason, ...] = (
    Reason("too_short", "shorter than about two vibrato cycles: too short to tell", "vibstudy.vibrato.note", suspicion=0.0),
    Reason("noisy", "its harmonics are no stronger than noise and other players", "snr_db below {limit:g}", 0.0, harmless=True),
    Reason("masked", "noise or another player covers it, or it is another player's: no single vibrato fits", "vibstudy.pitch.accompaniment, vibstudy.vibrato.masked"),
    Reason("octave_unsure", "it may be an octave or a twelfth higher or lower", "vibstudy.pitch.octaves, or a second tracker"),
    Reason("unsteady", "the line jumps inside the note: two notes may be joined", "vibstudy.notes.segment"),
    Reason("clipped", "the recording is clipped here", "a clipped run within it", harmless=True),
    Reason("gap", "the line is broken inside the note", "voiced_fraction below {limit:g}", 0.8, harmless=True),
    Reason("few_cycles", "fewer than three cycles of vibrato: rate and extent are rough", "fewer cycles than {limit:g}", 3.0, harmless=True, suspicion=0.5),
    Reason("edge_unsure", "where the note begins or ends is uncertain", "vibstudy.notes.segment", harmless=True),
    Reason("outlier_harmonics", "harmonics disagree on the modulation", "they scatter {limit:g} times as much as their noise", 6.0, harmless=True),
)
# fmt: on
"""Reasons that may stand in the ``quality`` column, in this order."""

QUALITY_REASONS: dict[str, str] = {reason.name: reason.words for reason in REASONS}
"""Their words, by name."""
LIMITS: dict[str, float] = {reason.name: reason.limit for reason in REASONS}
"""Their limits, by name."""
HARMLESS = frozenset({"ok", *(reason.name for reason in REASONS if reason.harmless)})
"""Those with which rate and extent are still used, and "ok"."""


def reasons_of(quality: Any) -> list[str]:
    """Reasons in a cell of ``quality``; none for "ok" and a missing cell."""
    return [] if not isinstance(quality, str) or quality == "ok" else quality.split(";")


def quality_of(reasons: Iterable[str]) -> str:
    """The cell of ``quality`` for some reasons: each once, in the order of :data:`REASONS`; "ok" for none."""
    given = set(reasons)
    known = [name for name in QUALITY_REASONS if name in given]
    return ";".join([*known, *sorted(given.difference(known))]) or "ok"


def is_usable(note_kind: str, reasons: Iterable[str]) -> bool:
    """Whether rate and extent count: it is a note, and every reason to doubt it is harmless."""
    return note_kind == "note" and HARMLESS.issuperset(reasons)


PANDAS_TYPES = {"string": "string", "number": "float64", "integer": "Int64", "boolean": "boolean"}
"""What pandas calls the types of columns; all but numbers hold missing values apart."""


def typed(frame: pd.DataFrame, columns: Iterable[Column]) -> pd.DataFrame:
    """Return `frame` with every column of the dictionary, in order and typed; others follow.

    Missing columns are added as missing values. Index is reset.
    """
    import pandas as pd  # here: a new study is made without it

    out: dict[str, Any] = {}
    for column in columns:
        dtype: Any = pd.api.types.pandas_dtype(PANDAS_TYPES[column.type])
        if column.name in frame:
            values = frame[column.name]
            if column.type == "boolean" and values.dtype == object:
                values = values.map(lambda v: pd.NA if v is None or v is pd.NA or v != v else bool(v))
            out[column.name] = values.array if values.dtype == dtype else values.array.astype(dtype)
        elif column.type == "number":
            out[column.name] = pd.Series(float("nan"), range(len(frame)), dtype=dtype).array
        else:
            out[column.name] = pd.array([pd.NA] * len(frame), dtype=dtype)
    out |= {str(name): frame[name].array for name in frame if name not in out}
    return pd.DataFrame(out, index=pd.RangeIndex(len(frame)))


def label(name: str) -> str:
    """Axis label of a column of the note table: title and unit; the name itself when unknown."""
    for column in NOTE_COLUMNS:
        if column.name == name:
            return column.label
    return name


def table_schema(columns: Iterable[Column], frame: pd.DataFrame | None = None) -> dict[str, Any]:
    """Frictionless Table Schema of `columns`, and of the further columns of `frame`.

    Returns
    -------
    dict
        ``{"fields": [...], "missingValues": [""]}``; each field has name, type, title,
        description, and ``unit`` and ``source`` as further properties.
    """
    known = {column.name: column for column in columns}
    if frame is not None:
        known = {name: known.get(name) or _own_column(name, frame[name]) for name in map(str, frame)}
    fields = [
        {
            "name": column.name,
            "type": column.type,
            "title": column.title,
            "description": column.definition,
            "unit": column.unit,
            "source": column.source,
        }
        | ({"constraints": dict(column.constraints)} if column.constraints else {})
        for column in known.values()
    ]
    return {"fields": fields, "missingValues": [""]}


def _own_column(name: str, values: pd.Series) -> Column:
    """Describe a column of the user's own, its type as its values show."""
    from pandas.api import types

    tests = {
        "boolean": types.is_bool_dtype,
        "integer": types.is_integer_dtype,
        "number": types.is_numeric_dtype,
    }
    kind = next((kind for kind, holds in tests.items() if holds(values)), "string")
    return Column(name, kind, "", name, "Column of the user's manifest, passed through.", "manifest")
