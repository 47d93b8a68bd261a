"""Scores: what is read out of them, how played notes are laid on them, and what is refused.

MusicXML is written by hand after MusicXML 4.0 (W3C Music Notation Community Group); one file is made by
partitura, one by mido. The melodies are invented.
"""

from __future__ import annotations

from pathlib import Path

import mido
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vibstudy.errors import VibstudyError
from vibstudy.notes.alignment import Played, _draft
from vibstudy.notes.score import align_score
from vibstudy.notes.written import WrittenNote, WrittenPart, _strength, read_score
from vibstudy.recording.tables import _beside_score
from vibstudy.schema import NOTE_COLUMNS, SCORE_COLUMNS, typed

STEPS = {0: ("C", 0), 1: ("C", 1), 2: ("D", 0), 3: ("D", 1), 4: ("E", 0), 5: ("F", 0), 6: ("F", 1)}
STEPS |= {7: ("G", 0), 8: ("G", 1), 9: ("A", 0), 10: ("A", 1), 11: ("B", 0)}
ALTO = "<transpose><diatonic>-5</diatonic><chromatic>-9</chromatic></transpose>"
IMPLICIT = ' implicit="yes"'
DIVISIONS = 4


def note(
    midi: int | None, quarters: float, *, before: str = "", inside: str = "", notations: str = ""
) -> str:
    """One <note>; midi None is a rest, quarters 0 a grace note."""
    step, alter = STEPS[(midi or 0) % 12]
    pitch = (
        "<rest/>"
        if midi is None
        else f"<pitch><step>{step}</step><alter>{alter}</alter><octave>{midi // 12 - 1}</octave></pitch>"
    )
    length = f"<duration>{round(quarters * DIVISIONS)}</duration>" if quarters else ""
    grace = "" if quarters else "<grace/>"
    marks = f"<notations>{notations}</notations>" if notations else ""
    return f"{before}<note>{grace}{pitch}{length}{inside}<voice>1</voice>{marks}</note>"


def document(
    measures: list[str], time: tuple[int, int] = (4, 4), extra: str = "", pickup: bool = False
) -> str:
    """A partwise score of one part."""
    attributes = (
        f"<attributes><divisions>{DIVISIONS}</divisions><time><beats>{time[0]}</beats>"
        f"<beat-type>{time[1]}</beat-type></time>{extra}</attributes>"
    )
    numbers = [i if pickup else i + 1 for i in range(len(measures))]
    body = "".join(
        f'<measure number="{number}"{IMPLICIT if number == 0 else ""}>{attributes if i == 0 else ""}{content}'
        "</measure>"
        for i, (number, content) in enumerate(zip(numbers, measures, strict=True))
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">'
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Solo</part-name>'
        "</score-part>"
        f'</part-list><part id="P1">{body}</part></score-partwise>'
    )


def written(tmp_path: Path, text: str, name: str = "piece.musicxml") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def melody(seed: int, bars: int = 8) -> list[tuple[int, float]]:
    """An invented melody in 4/4: MIDI number and quarters of every note."""
    rng = np.random.default_rng(seed)
    notes, pitch = [], 72
    for _ in range(bars):
        for quarters in ((1, 1, 2), (0.5, 0.5, 1, 1, 1), (1.5, 0.5, 2), (1, 0.5, 0.5, 2))[rng.integers(4)]:
            pitch = int(np.clip(pitch + rng.choice([-4, -3, -2, -1, 1, 2, 3, 5]), 60, 84))
            notes.append((pitch, quarters))
    return notes


def in_bars(notes: list[tuple[int, float]]) -> list[str]:
    bars, filled = [""], 0.0
    for midi, quarters in notes:
        if filled >= 4:
            bars, filled = [*bars, ""], 0.0
        bars[-1] += note(midi, quarters)
        filled += quarters
    return bars


def performance(
    notes: list[tuple[int, float]], shift: int = 0, bpm: float = 80, rubato: float = 0.0, seed: int = 0
) -> pd.DataFrame:
    """The notes as played: tempo swings by `rubato` over eight quarters; onsets scatter by 10 ms."""
    rng = np.random.default_rng(seed)
    quarters = np.array([length for _, length in notes])
    begins = np.cumsum(quarters) - quarters
    fine = np.linspace(0, begins[-1] + quarters[-1], 2000)
    beat_s = 60 / bpm * (1 + rubato * np.sin(2 * np.pi * fine / 8))
    clock = np.concatenate([[0], np.cumsum(np.diff(fine) * beat_s[1:])])
    onset = 1 + np.interp(begins, fine, clock) + rng.normal(0, 0.01, len(notes))
    offset = 1 + np.interp(begins + 0.95 * quarters, fine, clock)
    pitch = np.array([midi for midi, _ in notes]) + shift + rng.normal(0, 0.08, len(notes))
    return pd.DataFrame({"onset_s": onset, "offset_s": offset, "pitch_hz": 440 * 2 ** ((pitch - 69) / 12)})


def places(notes: list[tuple[int, float]]) -> list[tuple[int, int, float]]:
    """Written note, measure and beat of every note of a melody in 4/4."""
    quarters = np.array([length for _, length in notes])
    begins = np.cumsum(quarters) - quarters
    return [(midi, int(at // 4) + 1, float(at % 4) + 1) for (midi, _), at in zip(notes, begins, strict=True)]


def told(table: pd.DataFrame) -> list[tuple[int, int, float]]:
    found = table[["written_midi", "measure", "beat"]].astype(object).where(table["measure"].notna(), None)
    return [tuple(row) for row in found.itertuples(index=False)]


# --- reading


def test_what_is_written_by_hand(tmp_path):
    """Three-four time: pick-up, slur, tie over the bar line, dynamics, hairpin, grace note."""
    loud = "<direction><direction-type><dynamics><{}/></dynamics></direction-type></direction>"
    wedge = '<direction><direction-type><wedge type="{}"/></direction-type></direction>'
    start, stop = '<slur type="start" number="1"/>', '<slur type="stop" number="1"/>'
    tie = '<tie type="{}"/>'
    measures = [
        note(67, 1, before=loud.format("p")),
        note(72, 1, notations=start) + note(74, 1) + note(76, 1, notations=stop),
        note(77, 2, before=wedge.format("crescendo"))
        + note(79, 1, inside=tie.format("start"), notations='<tied type="start"/>'),
        note(79, 1, before=wedge.format("stop"), inside=tie.format("stop"), notations='<tied type="stop"/>')
        + note(78, 0)
        + note(79, 2, before=loud.format("f")),
    ]
    (part,) = read_score(written(tmp_path, document(measures, (3, 4), pickup=True)))
    (order,) = part.orders.values()
    rows = [
        (n.written_midi, n.position, n.beats, n.measure, n.beat, n.strength, n.slur, n.dynamic, n.hairpin)
        for n in order
    ]
    assert rows == [
        (67, 0, 1, 0, 3, 0.5, "none", "p", ""),
        (72, 1, 1, 1, 1, 1.0, "first", "p", ""),
        (74, 2, 1, 1, 2, 0.5, "inside", "p", ""),
        (76, 3, 1, 1, 3, 0.5, "last", "p", ""),
        (77, 4, 2, 2, 1, 1.0, "none", "p", "crescendo"),
        (79, 6, 2, 2, 3, 0.5, "none", "p", "crescendo"),
        (78, 8, 0, 3, 2, 0.5, "none", "f", ""),
        (79, 8, 2, 3, 2, 0.5, "none", "f", ""),
    ]
    assert [n.grace for n in order] == [False] * 6 + [True, False]


def test_six_eight_has_two_felt_beats(tmp_path):
    (part,) = read_score(written(tmp_path, document([note(72, 0.5) * 6], (6, 8))))
    (order,) = part.orders.values()
    assert [n.beat for n in order] == pytest.approx([1, 4 / 3, 5 / 3, 2, 7 / 3, 8 / 3], abs=1e-5)
    assert [n.strength for n in order] == [1, 0.25, 0.25, 0.5, 0.25, 0.25]
    assert all(n.beats == pytest.approx(1 / 3) for n in order)


def test_common_time_weighs_its_beats(tmp_path):
    (part,) = read_score(written(tmp_path, document([note(72, 0.5) * 8])))
    assert [n.strength for n in part.orders["as written"]] == [
        1,
        1 / 8,
        1 / 4,
        1 / 8,
        1 / 2,
        1 / 8,
        1 / 4,
        1 / 8,
    ]


def test_a_file_made_by_partitura(tmp_path):
    """A reference library writes, we read: pitches, lengths and measures agree with its own table."""
    import partitura
    from partitura import score

    part = score.Part("P1", "Reed", quarter_duration=8)
    part.add(score.TimeSignature(4, 4), 0)
    for i, midi in enumerate((62, 65, 69, 72, 70, 69, 67, 65)):
        step, alter = STEPS[midi % 12]
        part.add(score.Note(step=step, octave=midi // 12 - 1, alter=alter, voice=1), 8 * i, 8 * i + 8)
    score.add_measures(part)
    path = tmp_path / "made.musicxml"
    partitura.save_musicxml(part, path)
    (read,) = read_score(path)
    (order,) = read.orders.values()
    table = part.note_array()
    assert [n.written_midi for n in order] == table["pitch"].tolist()
    assert [n.position for n in order] == table["onset_beat"].tolist()
    assert [n.beats for n in order] == table["duration_beat"].tolist()
    assert [n.measure for n in order] == [1] * 4 + [2] * 4


def midi_file(path: Path, notes: list[tuple[int, float]]) -> Path:
    track = mido.MidiTrack([mido.MetaMessage("time_signature", numerator=4, denominator=4)])
    for midi, quarters in notes:
        track.append(mido.Message("note_on", note=midi, velocity=80, time=0))
        track.append(mido.Message("note_off", note=midi, time=round(480 * quarters)))
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(path)
    return path


def test_midi_gives_the_same_as_musicxml(tmp_path):
    notes = melody(1)
    played = performance(notes)
    by_midi, _, _ = align_score(played, midi_file(tmp_path / "a.mid", notes))
    by_xml, _, _ = align_score(played, written(tmp_path, document(in_bars(notes))))
    assert told(by_midi) == told(by_xml) == places(notes)


# --- aligning


def test_columns_are_those_of_the_dictionary(tmp_path):
    notes = melody(2)
    table, missing, report = align_score(performance(notes), written(tmp_path, document(in_bars(notes))))
    assert list(table.columns[-len(SCORE_COLUMNS) :]) == [column.name for column in SCORE_COLUMNS]
    assert (table["score_match"] == "matched").all()
    assert len(missing) == 0
    assert (report.matched, report.transposition, report.cuts) == (len(notes), 0, [])
    assert table["alignment_quality"].min() > 0.8


@pytest.mark.parametrize("said", [ALTO, ""])
def test_a_written_alto_part_sounds_a_major_sixth_lower(tmp_path, said):
    """Nine semitones (MusicXML 4.0, element transpose: alto saxophone is chromatic -9)."""
    notes = melody(3)
    path = written(tmp_path, document(in_bars(notes), extra=said))
    table, _, report = align_score(performance(notes, shift=-9), path)
    assert report.transposition == -9
    assert told(table) == places(notes)
    assert ("The score itself says +0 semitones." in report.remarks) == (said == "")


def test_a_tenor_part_sounds_a_ninth_lower(tmp_path):
    tenor = (
        "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic><octave-change>-1</octave-change>"
        "</transpose>"
    )
    notes = melody(4)
    path = written(tmp_path, document(in_bars(notes), extra=tenor))
    _, _, report = align_score(performance(notes, shift=-14), path)
    assert report.transposition == -14
    assert not any("itself" in remark for remark in report.remarks)


def test_tuning_of_the_recording_does_not_matter(tmp_path):
    notes = melody(5)
    played = performance(notes)
    played["pitch_hz"] *= 452 / 440
    table, _, report = align_score(played, written(tmp_path, document(in_bars(notes))))
    assert report.transposition == 0
    assert told(table) == places(notes)


REPEAT_OPEN = '<barline location="left"><repeat direction="forward"/></barline>'
REPEAT_CLOSE = '<barline location="right"><repeat direction="backward"/></barline>'


@pytest.mark.parametrize("repeated", [True, False])
def test_repeats_are_followed_or_left_out(tmp_path, repeated):
    notes = melody(6)
    bars = in_bars(notes)
    bars[0], bars[3] = REPEAT_OPEN + bars[0], bars[3] + REPEAT_CLOSE
    first = [place for place in places(notes) if place[1] <= 4]
    count = len(first)
    played = performance(notes[:count] * (2 if repeated else 1) + notes[count:])
    table, missing, report = align_score(played, written(tmp_path, document(bars)))
    assert told(table) == first * (2 if repeated else 1) + places(notes)[count:]
    assert len(missing) == 0
    assert report.order == ("all repeats" if repeated else "no repeats")


def test_first_and_second_ending(tmp_path):
    notes = melody(7)
    bars = in_bars(notes)
    bars[0] = REPEAT_OPEN + bars[0]
    bars[3] = (
        '<barline location="left"><ending number="1" type="start"/></barline>'
        + bars[3]
        + "<barline location="
        '"right"><ending number="1" type="stop"/><repeat direction="backward"/></barline>'
    )
    bars[4] = (
        '<barline location="left"><ending number="2" type="start"/></barline>'
        + bars[4]
        + "<barline location="
        '"right"><ending number="2" type="discontinue"/></barline>'
    )
    by_bar = {
        k: [(n, p) for n, p in zip(notes, places(notes), strict=True) if p[1] == k] for k in range(1, 9)
    }
    order = [1, 2, 3, 4, 1, 2, 3, 5, 6, 7, 8]
    played = performance([n for k in order for n, _ in by_bar[k]])
    table, missing, _ = align_score(played, written(tmp_path, document(bars)))
    assert told(table) == [p for k in order for _, p in by_bar[k]]
    assert len(missing) == 0


def test_many_repeats_do_not_take_for_ever(tmp_path):
    bars = [REPEAT_OPEN + bar + REPEAT_CLOSE for bar in in_bars(melody(8, bars=24))]
    (part,) = read_score(written(tmp_path, document(bars)))
    assert set(part.orders) == {"all repeats", "no repeats"}


def test_a_cut_is_reported(tmp_path):
    notes = melody(9, bars=12)
    kept = [n for n, place in zip(notes, places(notes), strict=True) if not 5 <= place[1] <= 7]
    _, missing, report = align_score(performance(kept), written(tmp_path, document(in_bars(notes))))
    ((first, last, number),) = report.cuts
    assert number == len(notes) - len(kept) == len(missing)
    assert (first, last) == (5, 7)
    assert (missing["cut"] == 1).all()


def test_an_excerpt_says_where_it_begins_and_ends(tmp_path):
    notes = melody(10, bars=12)
    kept = [n for n, place in zip(notes, places(notes), strict=True) if 4 <= place[1] <= 9]
    _, missing, report = align_score(performance(kept), written(tmp_path, document(in_bars(notes))))
    assert len(missing) == 0
    assert "The recording begins in measure 4." in report.remarks
    assert "The recording ends in measure 9." in report.remarks


def test_wrong_added_and_missing_notes_are_named(tmp_path):
    notes = melody(11, bars=10)
    played = performance(notes)
    played.loc[7, "pitch_hz"] *= 2 ** (3.4 / 12)
    extra = played.loc[[15]].assign(onset_s=played.at[15, "offset_s"] - 0.1, pitch_hz=1244.0)
    played = pd.concat([played.drop(index=20), extra]).sort_values("onset_s", ignore_index=True)
    table, missing, report = align_score(played, written(tmp_path, document(in_bars(notes))))
    assert table.at[7, "score_match"] == "other_pitch"
    assert table["score_match"].eq("added").sum() == 1
    assert table.loc[table["score_match"] == "added", "alignment_quality"].item() == 0
    assert [tuple(row) for row in missing[["written_midi", "measure", "beat"]].itertuples(index=False)] == [
        places(notes)[20]
    ]
    assert (report.other_pitch, report.added, report.missing) == (1, 1, 1)
    assert "1 written but not found" in report.words()


def test_grace_notes_find_their_place(tmp_path):
    notes = melody(12)
    bars = in_bars(notes)
    at = next(i for i, place in enumerate(places(notes)) if place[1:] == (5, 1.0))
    bars[4] = note(notes[at][0] + 2, 0) + bars[4]
    played = performance(notes)
    played.loc[at - 1, "offset_s"] -= 0.08
    grace = pd.DataFrame(
        {
            "onset_s": [played.at[at, "onset_s"] - 0.08],
            "offset_s": [played.at[at, "onset_s"]],
            "pitch_hz": [440 * 2 ** ((notes[at][0] + 2 - 69) / 12)],
        }
    )
    played = pd.concat([played, grace]).sort_values("onset_s", ignore_index=True)
    table, _, _ = align_score(played, written(tmp_path, document(bars)))
    assert table.at[at, "notated_beats"] == 0
    assert told(table)[at][1:] == (5, 1.0)
    assert (table["score_match"] == "matched").all()


def test_local_tempo_follows_rubato(tmp_path):
    """Truth: a beat lasts 0.75 s x (1 + 0.15 sin(2 pi q / 8)) at quarter q."""
    notes = melody(13, bars=12)
    table, _, report = align_score(
        performance(notes, rubato=0.15), written(tmp_path, document(in_bars(notes)))
    )
    quarters = np.array([length for _, length in notes])
    begins = np.cumsum(quarters) - quarters
    truth = 80 / (1 + 0.15 * np.sin(2 * np.pi * begins / 8))
    inner = slice(4, -4)
    heard = table["local_tempo_bpm"].to_numpy()[inner]
    assert np.corrcoef(heard, truth[inner])[0, 1] > 0.8
    assert report.tempo_bpm == pytest.approx(80, rel=0.04)


def careless(notes: list[tuple[int, float]], seed: int) -> pd.DataFrame:
    """15 % rubato; every tenth note has a mordent; 3 % wrong and 3 % missing notes. `truth` numbers them."""
    rng = np.random.default_rng(seed)
    played = performance(notes, shift=-9, rubato=0.15, seed=seed).assign(truth=range(len(notes)))
    few = max(1, round(0.03 * len(notes)))
    wrong = rng.choice(len(notes), few, replace=False)
    played.loc[wrong, "pitch_hz"] *= 2 ** (rng.choice([-2, -1, 1, 2], few) / 12)
    mordents = []
    for i in rng.choice(len(notes), len(notes) // 10, replace=False):
        onset, hz = played.loc[i, ["onset_s", "pitch_hz"]]
        mordents += [(onset, onset + 0.06, hz, -1), (onset + 0.06, onset + 0.12, hz * 2 ** (2 / 12), -1)]
        played.loc[i, "onset_s"] = onset + 0.12
    played = played.drop(index=rng.choice(len(notes), few, replace=False))
    played = pd.concat([played, pd.DataFrame(mordents, columns=list(played))])
    return played.sort_values("onset_s", ignore_index=True)


def test_rubato_ornaments_and_slips_leave_98_in_a_hundred_in_place(tmp_path):
    right = []
    for seed in range(8):
        notes = melody(20 + seed, bars=16)
        path = written(tmp_path, document(in_bars(notes), extra=ALTO))
        table, _, _ = align_score(careless(notes, seed), path)
        real = table[table["truth"] >= 0]
        wanted = [places(notes)[i] for i in real["truth"]]
        right += [where == place for where, place in zip(told(real), wanted, strict=True)]
    assert np.mean(right) >= 0.98


@pytest.mark.parametrize("seed", range(6))
def test_an_unrelated_score_is_refused(tmp_path, seed):
    path = written(tmp_path, document(in_bars(melody(40 + seed))))
    with pytest.raises(VibstudyError, match="does not fit the recording") as refusal:
        align_score(performance(melody(60 + seed)), path)
    (problem,) = refusal.value.problems
    assert problem.file == "piece.musicxml"
    assert "same piece" in problem.repair


def test_too_few_notes_say_so(tmp_path):
    notes = melody(1)
    with pytest.raises(VibstudyError, match="too few notes"):
        align_score(performance(notes).head(3), written(tmp_path, document(in_bars(notes))))


def test_a_trills_sign_counts(tmp_path):
    """Of notes that swing: likely enough with the sign; the others, and a swing that is none, as heard."""
    notes = melody(5)
    sign = "<ornaments><trill-mark/></ornaments>"
    bars, filled = [""], 0.0
    for i, (midi, quarters) in enumerate(notes):
        if filled == 4 * len(bars):
            bars.append("")
        bars[-1] += note(midi, quarters, notations=sign if i in (2, 4, 6) else "")
        filled += quarters
    played = performance(notes).assign(note_kind="note", trill_p=np.nan, extent_cents=40.0, rate_hz=6.0)
    played["usable"] = True
    played.loc[[2, 3], "trill_p"], played.loc[4, "trill_p"] = 0.03, 1e-6
    path = written(tmp_path, document(bars))
    parts = read_score(path)
    signed = [n.trill for n in next(iter(parts[0].orders.values()))]
    assert np.flatnonzero(signed).tolist() == [2, 4, 6]
    frame = typed(played, NOTE_COLUMNS)
    table, _ = _beside_score(frame, {"score_path": path})
    assert table["note_kind"].tolist()[:7] == ["note", "note", "trill", "note", "note", "note", "note"]
    assert table["trill_p"][2] == pytest.approx(200 * 0.03 / (200 * 0.03 + 0.97))
    trill = table.loc[2]
    assert (trill["trill_rate_hz"], trill["trill_interval_cents"], trill["usable"]) == (6.0, 80.0, False)
    assert np.isnan(trill["rate_hz"]) and np.isnan(trill["extent_cents"])
    assert trill["pitch_hz"] == pytest.approx(played["pitch_hz"][2] * 2 ** (-40 / 1200))
    assert table["rate_hz"].drop(2).eq(6.0).all()


def test_notes_without_pitch_are_kept(tmp_path):
    notes = melody(14)
    played = performance(notes)
    played.loc[3, "pitch_hz"] = np.nan
    played.index = played.index + 100
    table, _, _ = align_score(played, written(tmp_path, document(in_bars(notes))))
    assert len(table) == len(notes)
    assert pd.isna(table["score_match"].iloc[3])
    assert table["score_match"].iloc[4] == "matched"


# --- what is refused


LAUGHS = '<!ENTITY l0 "ha">' + "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 9))
EXTERNAL = '<!ENTITY x SYSTEM "secret.txt">'
NAMED = '<part-list><score-part id="P1"><part-name>&x;</part-name></score-part></part-list>'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (f"<!DOCTYPE score-partwise [{LAUGHS}]><score-partwise>&l8;</score-partwise>", "entit"),
        (f"<!DOCTYPE score-partwise [{EXTERNAL}]><score-partwise>{NAMED}</score-partwise>", "entities"),
        ("<score-timewise/>", "score-timewise"),
        ("<score-partwise>", "not well-formed"),
        ("", "not well-formed"),
        ("<score-partwise><part-list/></score-partwise>", "no notes"),
    ],
    ids=["billion laughs", "external entity", "timewise", "unclosed", "empty", "no parts"],
)
def test_bad_xml_is_refused_with_place_and_repair(tmp_path, text, words):
    (tmp_path / "secret.txt").write_text("secret", encoding="utf-8")
    with pytest.raises(VibstudyError, match=words) as refusal:
        read_score(written(tmp_path, text))
    (problem,) = refusal.value.problems
    assert problem.file == "piece.musicxml"
    assert problem.repair
    assert "secret" not in str(problem)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.mxl", b"PK\x03\x04rest", "compressed"),
        ("a.musicxml", b"PK\x03\x04rest", "compressed"),
        ("a.pdf", b"%PDF", "not a score"),
        ("a.mid", b"MThd", "cannot be read as MIDI"),
        ("a.mid", b"", "cannot be read as MIDI"),
        ("a.mid", b"RIFF....", "cannot be read as MIDI"),
    ],
)
def test_other_files_are_refused(tmp_path, name, content, words):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(VibstudyError, match=words) as refusal:
        read_score(tmp_path / name)
    assert refusal.value.problems[0].repair


def test_a_name_with_a_nul_and_an_endless_pause_are_refused(tmp_path):
    import mido

    with pytest.raises(VibstudyError, match="cannot be opened"):
        read_score(tmp_path / "a\0.mid")
    track = mido.MidiTrack([mido.Message("note_on", note=60), mido.Message("note_off", note=60, time=480)])
    track.append(mido.Message("note_on", note=62, time=480 * 40_000))
    midi = mido.MidiFile(ticks_per_beat=480)
    midi.tracks.append(track)
    midi.save(tmp_path / "pause.mid")
    with pytest.raises(VibstudyError, match="longer than 10,000 beats"):
        read_score(tmp_path / "pause.mid")


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(VibstudyError, match=r"gone.mid.*no such score"):
        read_score(tmp_path / "gone.mid")


def test_a_score_of_rests_has_no_notes(tmp_path):
    with pytest.raises(VibstudyError, match="no notes"):
        read_score(written(tmp_path, document([note(None, 4)])))


GOOD = document(in_bars(melody(15, bars=2))).encode()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    at=st.integers(0, len(GOOD) - 1), put=st.binary(max_size=6), suffix=st.sampled_from([".musicxml", ".mid"])
)
def test_any_bytes_give_parts_or_a_plain_refusal(tmp_path, at, put, suffix):
    path = tmp_path / f"piece{suffix}"
    path.write_bytes(GOOD[:at] + put + GOOD[at + len(put) :])
    try:
        assert read_score(path)
    except VibstudyError as error:
        assert error.problems[0].file == path.name


# --- beside the sound


def sung(path: Path, played: pd.DataFrame, rate_hz: int = 22_050) -> Path:
    """A plain tone for every note, with a vibrato of 5 Hz and 30 cents."""
    import soundfile

    time_s = np.arange(round((played["offset_s"].max() + 0.5) * rate_hz)) / rate_hz
    sound = 1e-4 * np.random.default_rng(0).standard_normal(len(time_s))
    for onset, offset, hz in played[["onset_s", "offset_s", "pitch_hz"]].to_numpy():
        inside = (time_s >= onset) & (time_s < offset)
        own = time_s[inside] - onset
        phase = 2 * np.pi * np.cumsum(hz * 2 ** (30 * np.sin(2 * np.pi * 5 * own) / 1200)) / rate_hz
        edge = np.clip(np.minimum(own, own[-1] - own) / 0.02, 0, 1)
        sound[inside] += 0.1 * edge * sum(np.cos(k * phase) / k for k in range(1, 9))
    soundfile.write(path, sound.astype(np.float32), rate_hz)
    return path


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    """Two recordings of one melody at 60 beats a minute: one with its score, one with another's."""
    folder = tmp_path_factory.mktemp("study")
    notes = melody(3, bars=4)
    sung(folder / "a.wav", performance(notes, shift=-9, bpm=60))
    written(folder, document(in_bars(notes), extra=ALTO), "right.musicxml")
    written(folder, document(in_bars(melody(71, bars=6))), "wrong.musicxml")
    (folder / "corpus_manifest.csv").write_text(
        "recording_id,path,player,decade,region,tempo_bpm,score_path\n"
        "a,a.wav,Invented One,1950,Nowhere,90,right.musicxml\n"
        "b,a.wav,Invented Two,1950,Nowhere,90,wrong.musicxml\n",
        encoding="utf-8",
    )
    return folder


@pytest.fixture(scope="module")
def tables(study) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    from vibstudy.corpus.store import read_log, read_notes, read_recordings
    from vibstudy.measure import measure_corpus

    report = measure_corpus(study / "corpus_manifest.csv", study / "results", workers=1)
    assert (report.measured, report.failed) == (2, 0)
    out = study / "results"
    return read_notes(out), read_recordings(out).set_index("recording_id"), read_log(out)


def test_the_note_table_knows_what_was_written(tables):
    notes, recordings, _ = tables
    own = notes[notes["recording_id"] == "a"]
    assert told(own) == places(melody(3, bars=4))
    assert (own["score_match"] == "matched").all()
    assert recordings.at["a", "score_share"] == 1
    assert "sounds 9 semitones lower" in recordings.at["a", "score_fit"]


def test_pulses_follow_the_tempo_of_the_score(tables):
    """5 Hz at 60 beats a minute are 5 pulses a beat; at the manifest's 90 they would be 3.3."""
    notes, _, _ = tables
    pulses = notes.groupby("recording_id")["pulses_per_beat"].median()
    assert pulses["a"] == pytest.approx(5.0, rel=0.03)
    assert pulses["b"] == pytest.approx(300 / 90, rel=0.03)


def test_a_refused_score_is_said_and_the_notes_are_measured(tables):
    notes, recordings, log = tables
    other = notes[notes["recording_id"] == "b"]
    assert len(other) == len(melody(3, bars=4))
    assert other["score_match"].isna().all()
    assert "does not fit the recording" in recordings.at["b", "score_problem"]
    row = log.set_index("recording_id").loc["b"]
    assert row["success"]
    assert "wrong.musicxml" in row["message"]


def test_a_changed_score_would_be_measured_again(study, tables):
    from vibstudy.corpus.manifest import read_manifest
    from vibstudy.corpus.settings import Settings
    from vibstudy.corpus.store import Store, recordings_of

    first, _ = recordings_of(read_manifest(study / "corpus_manifest.csv"), study)
    store = Store(study / "results")
    assert store.why(first, Settings()) == ""
    right = study / "right.musicxml"
    right.write_text(right.read_text("utf-8").replace("Solo", "Reed"), encoding="utf-8")
    assert store.why(first, Settings()) == "the score changed"


def test_check_looks_into_scores(study, capsys):
    from vibstudy.cli import main

    (study / "broken.musicxml").write_text("<score-partwise>", encoding="utf-8")
    manifest = study / "other.csv"
    manifest.write_text(
        "recording_id,path,player,decade,region,score_path\na,a.wav,Invented,1950,Nowhere,broken.musicxml\n",
        encoding="utf-8",
    )
    assert main(["check", str(manifest)]) == 2
    assert "broken.musicxml: not well-formed XML" in " ".join("".join(capsys.readouterr()).split())


def test_an_edited_note_keeps_its_score_and_the_local_tempo(study, tables):
    from vibstudy.corpus.manifest import read_manifest
    from vibstudy.corpus.settings import Settings
    from vibstudy.corpus.store import recordings_of
    from vibstudy.decisions.phrase import PhraseReader

    found = recordings_of(read_manifest(study / "corpus_manifest.csv"), study)
    reader = PhraseReader({item.recording_id: item for item in found}, Settings(), lambda _: {})
    notes, _, _ = tables
    own = notes[(notes["recording_id"] == "a") & notes["rate_hz"].notna()]
    note = own.sort_values("duration_s").iloc[-1].to_dict()
    again = note | reader.measure(note, note["onset_s"] + 0.01, note["offset_s"], 0).columns
    assert again["pulses_per_beat"] == pytest.approx(60 * again["rate_hz"] / note["local_tempo_bpm"])
    assert again["score_match"] == "matched"


@pytest.mark.parametrize(
    ("time", "beats"),
    [
        ((2, 4), [1, 1.5, 2, 2.5]),
        ((3, 8), [1, 2, 3]),
        ((4, 8), [1, 2, 3, 4]),
        ((6, 8), [1, 4 / 3, 5 / 3, 2, 7 / 3, 8 / 3]),
        ((8, 8), [1, 2, 3, 4, 5, 6, 7, 8]),
        ((9, 8), [1, 4 / 3, 5 / 3, 2, 7 / 3, 8 / 3, 3, 10 / 3, 11 / 3]),
        ((12, 8), [1 + k / 3 for k in range(12)]),
    ],
)
def test_beats_of_compound_metres_are_dotted(tmp_path, time, beats):
    """6/8 has two beats of three eighths, 9/8 three, 12/8 four; 3/8, 4/8 and 8/8 are counted in eighths."""
    path = written(tmp_path, document(["".join(note(67 + k, 0.5) for k in range(len(beats)))], time))
    (_, notes), *_ = read_score(path)[0].orders.items()
    assert [one.beat for one in notes] == pytest.approx(beats, abs=1e-5)


def test_prices_of_length_by_hand():
    """Crotchets of half a second: right, an octave too long (0.12), three octaves (0.3, and no more)."""
    notes = [WrittenNote(60, float(k), 1.0, 1, k + 1.0, 1.0, "none", "", "", False, False) for k in range(5)]
    played = Played(0.5 * np.arange(5), np.array([0.5, 0.5, 0.5, 1.0, 4.0]), np.full(5, 60.0))
    draft = _draft(played, WrittenPart("solo", 0, {"": notes}), "", notes, 0)
    assert np.diag(draft.note_cost) == pytest.approx([0, 0, 0, 0.12, 0.3])


def test_places_finer_than_the_grid_weigh_nothing():
    """By hand: 4/4 halves 1/4 at each level, 3/4 halves 1/2, both to 1/64."""
    assert [_strength(1 / n, 4) for n in (2, 4, 8, 16, 32)] == [1 / 8, 1 / 16, 1 / 32, 1 / 64, 0]
    assert [_strength(1 / n, 3) for n in (2, 4, 8, 16, 32, 64)] == [1 / 4, 1 / 8, 1 / 16, 1 / 32, 1 / 64, 0]
    assert _strength(1 / 3, 4) == 1 / 8 and _strength(0.4, 4) == 0  # a triplet, a quintuplet
