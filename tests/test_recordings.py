"""Recordings as they are, small and quick: the bars of benchmarks/recordings.py on a few takes.

The soloists are sampled winds played by FluidSynth from a General MIDI SoundFont; their vibrato is the
SoundFont's own oscillator (SoundFont Technical Specification 2.04, sections 8.1.3, 8.4.6, 9.6), set note by
note. The truth under accompaniment is the same take alone.
"""

from __future__ import annotations

import itertools
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import beta

from benchmarks import recordings as bench
from benchmarks.melodies import Melody
from tests.fluid import need_fluidsynth
from tests.signals import RATE_HZ, tone
from vibstudy.pitch.accompaniment import find_accompaniment
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.octaves import (
    WEAK_SHARE,
    Octave,
    look_between,
    lower_among,
    octave_below,
    share_between,
    true_pitch,
)
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.recording.found import find_note, settle_octaves
from vibstudy.recording.parted import find_repeated, rejoin
from vibstudy.sound.reading import Audio
from vibstudy.vibrato.masked import is_masked
from vibstudy.vibrato.note import measure_note

ANDANTE = next(melody for melody in bench.MELODIES if melody.name == "andante")
TENOR, CLARINET, *_ = bench.SOLOISTS


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    need_fluidsynth()
    return tmp_path_factory.mktemp("takes")


@pytest.fixture(scope="module")
def take(folder):
    """A clarinet's line with vibrato on most notes, its sound, and what is measured of it alone."""
    line = bench.solo_line(ANDANTE, CLARINET, np.random.default_rng(5))
    sound = bench.render(line, CLARINET.program, folder / "solo.wav")
    return line, sound, bench.measured(sound, folder).notes


def first_bars(melody: Melody, bars: int) -> Melody:
    """The beginning of a melody."""
    chords, tokens = melody.chords.split()[:bars], melody.tokens.split("|")[:bars]
    return replace(melody, chords=" ".join(chords), tokens="|".join(tokens))


def compared(take, folder: Path, kind: str, below_db: float) -> pd.DataFrame:
    line, sound, alone = take
    if kind == "second wind":
        other = bench.render(bench.second_line(line), 68, folder / "other.wav")
    else:
        held = kind == "strings"
        other = bench.render(
            bench.chords(ANDANTE, CLARINET, held), bench.ACCOMPANIMENTS[kind], folder / f"{kind}.wav"
        )
    mix = bench.measured(bench.mixed(sound, other, below_db), folder).notes
    return bench.judged(bench.compare(line, alone, mix))


def test_oscillator_of_the_soundfont_is_measured_at_any_rate(take):
    """The published figure: rate as set, extent 50 cents times controller / 128."""
    line, _, alone = take
    off = []
    for note in line:
        heard = bench.sharing(alone, note, 0.5)
        if note.depth and note.offset_s - note.onset_s > 0.7 and not heard.empty:
            row = heard.iloc[0]
            off.append((row["rate_hz"] - note.rate_hz, row["extent_cents"] - 50.0 * note.depth / 128))
    rate_off, extent_off = np.abs(np.array(off)).T
    assert len(off) >= 8
    assert np.median(rate_off) < 0.03 and np.median(extent_off) < 0.7
    assert rate_off.max() < 0.25 and extent_off.max() < 4


@pytest.mark.parametrize(("kind", "right"), [("piano", 0.9), ("strings", 0.75)])
def test_soloist_is_followed_through_company_as_loud(take, folder, kind, right):
    rows = compared(take, folder, kind, 0.0)
    found = bench.summary(rows)
    assert found["found on the right pitch"] >= right
    assert found["right or flagged, of those found"] >= 0.97
    assert found["wrong, yet ok"] <= 0.1  # one of few: the benchmark counts hundreds


@pytest.mark.parametrize(
    ("soloist", "melody", "bars", "semitones", "right"),
    [
        ("trombone", "octaves", 8, -3, 0.88),
        ("tenor saxophone", "octaves", 8, -2, 0.9),
        ("alto saxophone", "overture", 5, 2, 0.94),
    ],
)
def test_low_and_swelling_notes_keep_their_octave_and_stay_whole(
    folder, soloist, melody, bars, semitones, right
):
    """Low notes beside a piano have its tones on their harmonics; the saxophone's sample swells and fades."""
    player = next(player for player in bench.SOLOISTS if player.name == soloist)
    player = replace(player, transpose=player.transpose + semitones)
    tune = first_bars(next(tune for tune in bench.MELODIES if tune.name == melody), bars)
    line = bench.solo_line(tune, player, np.random.default_rng(5))
    sound = bench.render(line, player.program, folder / f"{soloist}.wav")
    piano = bench.render(bench.chords(tune, player, held=False), 0, folder / f"beside {soloist}.wav")
    alone = bench.measured(sound, folder).notes
    rows = bench.judged(
        bench.compare(line, alone, bench.measured(bench.mixed(sound, piano, 0.0), folder).notes)
    )
    found = bench.summary(rows)
    assert found["found on the right pitch"] >= right
    assert found["wrong, yet ok"] == 0


def test_soft_piano_leaves_figures_right(take, folder):
    """A piano 12 dB softer: most notes can be used, and they are right."""
    rows = compared(take, folder, "piano", 12.0)
    found = bench.summary(rows)
    assert found["found on the right pitch"] >= 0.95  # the tracker hears two B4 a twelfth too high
    assert not (rows["off_pitch"] & rows["ok"] & rows["solo"]).any()
    assert found["marked ok"] >= 0.6
    assert found["wrong, yet ok"] == 0
    assert found["extent error, median (c)"] <= 1


def test_second_wind_as_loud_is_right_or_flagged(take, folder):
    assert (
        bench.summary(compared(take, folder, "second wind", 0.0))["right or flagged, of those found"] >= 0.97
    )


def test_worn_disc_played_slow(take, folder):
    """Wow, clicks, narrow band, noise 10 dB below and 4 % slow: rate and extent come out, given the speed."""
    line, sound, once = take
    length = len(sound) / bench.RATE_HZ
    longer = [
        replace(note, onset_s=note.onset_s + k * length, offset_s=note.offset_s + k * length)
        for k in range(2)
        for note in line
    ]
    again = once.assign(onset_s=once["onset_s"] + length, offset_s=once["offset_s"] + length)
    alone = pd.concat([once, again], ignore_index=True)
    # twice: long enough to tell wow from drift
    disc = bench.through_disc(np.tile(sound, 2), np.random.default_rng(2))
    found = bench.measured(disc, folder, speed_factor=bench.DISC_SPEED)
    assert found.recording["wow_hz"] == pytest.approx(bench.DISC_WOW_HZ, abs=0.02)
    assert found.recording["wow_percent"] == pytest.approx(100 * bench.DISC_WOW, abs=0.08)
    rows = bench.judged(bench.compare(longer, alone, found.notes))
    ok = rows[rows["known"] & rows["ok"]]
    assert len(ok) > 10
    assert ok["rate_error"].quantile(0.95) < 0.05
    assert ok["extent_error"].quantile(0.95) < 2
    assert not (ok["has_vibrato"].fillna(False) & (ok["true_extent"] == 0)).any()


def test_tuning_of_a_mistuned_duo(folder):
    """MIDI master tuning (RPN 1) is the truth; the samples' own tuning is taken off."""
    tune, off = first_bars(ANDANTE, 4), {}
    for tuning_hz in (440.0, 428.0):
        cents = float(1200 * np.log2(tuning_hz / 440))
        line = bench.solo_line(tune, TENOR, np.random.default_rng(1))
        solo = bench.render(line, TENOR.program, folder / f"tuned_{tuning_hz:.0f}.wav", cents)
        piano = bench.render(
            bench.chords(tune, TENOR, False), 0, folder / f"tuned_piano_{tuning_hz:.0f}.wav", cents
        )
        found = bench.measured(bench.mixed(solo, piano, 6.0), folder).recording["tuning_hz"]
        off[tuning_hz] = 1200 * np.log2(found / tuning_hz)
    assert off[428.0] - off[440.0] == pytest.approx(0, abs=2)


def test_odd_files_give_a_row_each(tmp_path):
    if shutil.which("ffmpeg") is None:
        pytest.skip("needs ffmpeg: apt-get install ffmpeg")
    log = bench.odd(tmp_path, 1).set_index("recording_id")
    good = {"silence_wav", "offset_wav", "cut_off_mp3", "video_mp4", "wrong_ending_wav", "noise_wav"}
    assert set(log.index[log["success"].astype(bool)]) == good
    failed = log[~log["success"].astype(bool)]
    assert set(failed.index) == {
        "no_bytes_wav", "no_samples_wav", "one_sample_wav", "not_numbers_wav", "text_wav"
    }  # fmt: skip
    assert failed["message"].str.len().min() > 20
    assert not failed["message"].str.contains("Traceback|Error").any()
    assert (log.loc[["offset_wav", "video_mp4", "wrong_ending_wav"], "notes"] == 4).all()
    assert log.loc["silence_wav", "notes"] == 0
    for name, words in (
        ("silence_wav", "silent"),
        ("cut_off_mp3", "ends early"),
        ("wrong_ending_wav", "MP3"),
    ):
        assert words in log.loc[name, "remarks"]


# --- the parts


def held(hz: float, seconds: float, **options) -> tuple:
    sound = tone(np.random.default_rng(4), f0_hz=hz, duration_s=seconds, **options)
    return sound, track_line(sound.samples, RATE_HZ)


def test_snr_is_that_of_white_noise():
    """Truth by arithmetic: the noise in the band of the harmonics used."""
    for snr_db in (30.0, 20.0, 10.0):
        sound, contour = held(440.0, 1.5, snr_db=snr_db)
        line = refine_note(sound.samples, RATE_HZ, contour, sound.onset_s + 0.03, sound.offset_s - 0.03)
        used = len(line.harmonic_db)
        expected = snr_db - 10 * np.log10(used * 440.0 / (RATE_HZ / 2))
        assert line.snr_db == pytest.approx(expected, abs=1.5)


def test_halves_hold_error_only():
    """Both halves carry the same vibrato: their difference is far smaller, and grows with the noise."""
    sizes = []
    for snr_db in (40.0, 15.0):
        sound, contour = held(330.0, 1.2, snr_db=snr_db, extent_cents=40.0)
        line = refine_note(sound.samples, RATE_HZ, contour, sound.onset_s + 0.03, sound.offset_s - 0.03)
        sizes.append(np.std(np.gradient(line.halves, line.hop_s)))
        assert sizes[-1] < 0.2 * np.std(line.cents)
        assert 0.15 < line.balance <= 0.5
        assert not is_masked(line, measure_note(line)[1])
    assert sizes[0] < sizes[1]


def test_a_rival_and_the_octave_below_are_seen():
    sound, contour = held(440.0, 1.2, snr_db=50.0, extent_cents=20.0)
    span = (sound.onset_s + 0.03, sound.offset_s - 0.03)
    line = refine_note(sound.samples, RATE_HZ, contour, *span)
    alone = find_accompaniment(sound.samples, RATE_HZ, line)
    assert alone.other_db < -15 and alone.below_db < -20
    assert share_between(line, 3) > 0.5
    other, _ = held(587.3, 1.2, snr_db=50.0, extent_cents=20.0)
    assert find_accompaniment(sound.samples + other.samples, RATE_HZ, line).other_db == pytest.approx(
        0, abs=2
    )
    # the same sound taken an octave or a twelfth too high: its own harmonics stand between the lines
    wrong = refine_note(sound.samples, RATE_HZ, lower(contour, 1 / 2), *span)
    assert find_accompaniment(sound.samples, RATE_HZ, wrong).below_db > 0
    higher = refine_note(sound.samples, RATE_HZ, lower(contour, 1 / 3), *span)
    assert find_accompaniment(sound.samples, RATE_HZ, higher).twelfth_db > 0


def lower(contour: Contour, parts: float) -> Contour:
    return replace(contour, f0_hz=contour.f0_hz / parts)


def told(samples: np.ndarray, contour: Contour, span: tuple[float, float], said: float = 0.0) -> float:
    """By what the pitch of a note along `contour` is to be divided, surely."""
    line = refine_note(samples, RATE_HZ, contour, *span)
    parts, odds, *_ = true_pitch(samples, RATE_HZ, line, find_accompaniment(samples, RATE_HZ, line), said)
    assert (odds > 2) if parts != 1 else (odds < -2)
    return parts


@pytest.mark.parametrize("extent_cents", [0.0, 20.0])
def test_the_true_pitch_of_a_note_is_told_from_its_harmonics(extent_cents):
    sound, contour = held(440.0, 1.2, snr_db=15.0, extent_cents=extent_cents)
    span = (sound.onset_s + 0.03, sound.offset_s - 0.03)
    assert told(sound.samples, lower(contour, 1 / 2), span) == 2
    assert told(sound.samples, lower(contour, 1 / 3), span) == 3
    assert told(sound.samples, lower(contour, 2), span) == 0.5
    assert told(sound.samples, contour, span) == 1


def test_another_player_an_octave_below_does_not_draw_a_note_down():
    sound, contour = held(440.0, 1.2, snr_db=40.0, extent_cents=20.0)
    span = (sound.onset_s + 0.03, sound.offset_s - 0.03)
    # a straight note does not move as the soloist's does; a piano's also fades
    bass, _ = held(220.0, 1.2, snr_db=40.0, extent_cents=0.0)
    assert told(sound.samples + 0.5 * bass.samples, contour, span) == 1
    straight, contour = held(440.0, 1.2, snr_db=40.0, extent_cents=0.0)
    fading = np.exp(-np.arange(len(bass.samples)) / RATE_HZ / 0.3)
    struck = 3.0 * fading * held(220.6, 1.2, snr_db=40.0, extent_cents=0.0)[0].samples
    assert told(straight.samples + struck, contour, span) == 1
    # only the first of the harmonics between
    hum = 0.05 * np.sin(2 * np.pi * 220.0 * np.arange(len(straight.samples)) / RATE_HZ)
    assert told(straight.samples + hum, contour, span) == 1


def test_harmonics_between_are_measured_beside_their_neighbours():
    time_s = np.arange(round(1.2 * RATE_HZ)) / RATE_HZ
    fall = np.exp(-time_s * np.log(10) / 20 * 6.0)  # 6 dB/s
    sound = sum(np.sin(2 * np.pi * 400.0 * k * time_s) for k in range(1, 17))
    sound = 0.02 * (sound + fall * 0.1 * sum(np.sin(2 * np.pi * 200.0 * k * time_s) for k in range(1, 32, 2)))
    grid = np.arange(0, 1.2, 0.016)
    contour = Contour(grid, np.full(len(grid), 400.0), np.ones(len(grid)), "")
    line = refine_note(sound, RATE_HZ, contour, 0.1, 1.1)
    found = look_between(sound, RATE_HZ, line, 2, 2)
    # 20 dB softer, and 6 dB/s from the beginning: 23.6 dB on the mean of the second measured
    assert found.weakest_db == pytest.approx(-23.6, abs=0.3)
    assert found.middle_db == pytest.approx(-23.4, abs=0.4)
    assert found.lowest_db == pytest.approx(-23.4, abs=0.4)
    assert found.decay_db_s == pytest.approx(-6.0, abs=0.1)
    assert found.apart_db == pytest.approx(6.0 / np.sqrt(12), rel=0.1)  # of a straight fall through a second
    assert found.own > 3.0  # log likelihood, compressed
    straight = replace(line, cents=line.cents + 20.0 * np.sin(2.0 * np.pi * 5.5 * line.time_s))
    assert (
        look_between(sound, RATE_HZ, straight, 2, 2).own < 0.0
    )  # these stand still, beside a line that moves
    assert look_between(sound, RATE_HZ, line, 2, 1).weakest_db == pytest.approx(0, abs=0.5)
    assert look_between(sound[: round(0.12 * RATE_HZ)], RATE_HZ, line, 2, 2) is None


def test_notes_an_octave_apart_under_one_line_are_two():
    """Others, an octave below the upper one, who join in part no note."""
    low, _ = held(220.0, 1.3, snr_db=20.0, extent_cents=20.0)
    high, contour = held(440.0, 1.3, snr_db=20.0, extent_cents=20.0)
    t = np.arange(len(high.samples)) / RATE_HZ
    joint = np.clip((t - 0.7) / 0.02, 0.0, 1.0)
    row = {"onset_s": high.onset_s, "offset_s": high.offset_s, "octave_below": 0.0}
    leaping = as_audio(low.samples * (1.0 - joint) + high.samples * joint)
    (_, first), (second_row, second) = find_repeated(leaping, contour, row)
    assert first.line.reference_hz == pytest.approx(220.0, rel=0.002)
    assert second.line.reference_hz == pytest.approx(440.0, rel=0.002)
    assert second_row["onset_s"] == pytest.approx(0.71, abs=0.03)
    others = held(220.3, 1.3, snr_db=40.0, extent_cents=0.0)[0].samples * joint
    ((_, note),) = find_repeated(as_audio(high.samples + others), contour, row)
    assert note.line.reference_hz == pytest.approx(440.0, rel=0.002)


def as_audio(samples: np.ndarray) -> Audio:
    return Audio(
        samples=samples,
        rate_hz=RATE_HZ,
        file_rate_hz=RATE_HZ,
        channels=1,
        duration_s=len(samples) / RATE_HZ,
        channel="mono",
        sha256="",
        peak=1.0,
        clipped_fraction=0.0,
        speed_factor=1.0,
        start_s=0.0,
    )


def test_a_line_an_octave_too_high_is_mended_by_the_sound_unless_the_octave_was_told():
    sound, contour = held(294.0, 1.2, snr_db=20.0, extent_cents=20.0)
    high = lower(contour, 1 / 2)
    note = {"onset_s": sound.onset_s, "offset_s": sound.offset_s}
    mended = find_note(as_audio(sound.samples), high, note | {"octave_below": 0.0})
    assert mended.line.reference_hz == pytest.approx(294.0, rel=0.002)
    assert "octave_unsure" not in mended.reasons
    kept = find_note(as_audio(sound.samples), high, note)
    assert kept.line.reference_hz == pytest.approx(2 * 294.0, rel=0.002)
    trill = note | {"note_kind": "trill", "pitch_hz": 560.0}  # its lower note, which the line does not tell
    assert find_note(as_audio(sound.samples), high, trill).values["pitch_hz"] == 560.0
    lower_trill = find_note(as_audio(sound.samples), high, trill | {"octave_below": 0.0})
    assert lower_trill.values["pitch_hz"] == 280.0


def test_the_octave_of_a_note_follows_from_all_notes_of_its_player():
    """Against the sum over every combination of answers, the share of weak ones all over its prior."""
    notes = np.array([[-7.0, -0.5], [-4.0, 1.5], [-np.inf, -np.inf], [1.0, -3.0]])
    weak = beta(WEAK_SHARE, 1.0 - WEAK_SHARE).ppf((np.arange(400_000) + 0.5) / 400_000)
    prior = np.stack([(1.0 - weak) / (1.0 - WEAK_SHARE)] * 2 + [weak / WEAK_SHARE])
    summed = np.zeros((len(notes), 2))
    for answers in itertools.product(range(3), repeat=len(notes)):
        said = [0.0 if k == 0 else odds[k - 1] for k, odds in zip(answers, notes, strict=True)]
        likely = np.exp(sum(said)) * prior[list(answers)].prod(axis=0).mean()
        for i, k in enumerate(answers):
            summed[i, min(k, 1)] += likely
    found = lower_among(notes)
    whole = np.array([0, 1, 3])
    assert found[whole] == pytest.approx(np.log(summed[whole, 1] / summed[whole, 0]), abs=0.03)
    assert found[2] == -np.inf and len(lower_among([])) == 0
    # a note alone says what it says; among others of weak fundamental it is one of them
    (alone,) = lower_among(notes[:1])
    assert alone == pytest.approx(np.logaddexp(*notes[0]), abs=0.05)
    assert alone < 0.0 < 3.0 < lower_among([notes[0]] * 12)[0]
    # where none else is an octave lower, neither is it; one that was held high beside others is no witness
    assert lower_among([*[[-7.0, -7.0]] * 12, notes[0]])[-1] < alone - 2.0
    assert lower_among([*[[5.0, -7.0]] * 12, notes[0]])[-1] < alone - 2.0


@pytest.mark.parametrize("lower", [True, False])
def test_all_notes_settle_the_octave_that_one_leaves_open(lower):
    sound, contour = held(294.0, 1.2, snr_db=20.0, extent_cents=20.0)
    audio, high = as_audio(sound.samples), replace(contour, f0_hz=2.0 * contour.f0_hz)
    row = {"onset_s": sound.onset_s, "offset_s": sound.offset_s, "pitch_hz": 560.0, "note_kind": "trill"}
    taken = find_note(audio, high if lower else contour, row)
    open_note = replace(
        taken, octave=Octave(1.0, -0.5, np.array([-7.0, -0.5])), reasons=[*taken.reasons, "octave_unsure"]
    )
    said = np.array([-7.0, 4.0 if lower else -np.inf])
    others = [replace(taken, octave=Octave(2.0 if lower else 1.0, said[1], said)) for _ in range(12)]
    named = replace(taken, octave=None)
    notes = [*others, open_note, named]
    settle_octaves(audio, high if lower else contour, [row] * len(notes), notes)
    assert notes[12].line.reference_hz == pytest.approx(294.0, rel=0.002)
    assert notes[12].values["pitch_hz"] == (280.0 if lower else 560.0)
    assert "octave_unsure" not in notes[12].reasons
    assert notes[:12] == others and notes[13] is named


def test_a_second_opinion_is_asked_about_the_pitch_found_not_the_line():
    sound, contour = held(294.0, 1.2, snr_db=20.0, extent_cents=20.0)
    note = {"onset_s": sound.onset_s, "offset_s": sound.offset_s, "octave_below": 0.0}
    high = lower(contour, 1 / 2)
    for octaves, doubt in ((-1.0, False), (0.0, True)):
        said = np.full(len(contour.time_s), octaves)
        found = find_note(as_audio(sound.samples), high, note, said)
        assert ("octave_unsure" in found.reasons) is doubt


def test_the_tracker_may_say_an_octave_below():
    time_s = np.arange(0, 1, 0.016)
    line = Contour(time_s, np.full(len(time_s), 440.0), np.ones(len(time_s)), "")
    for share in (1.0, 0.6):
        f0 = np.where(np.arange(len(time_s)) < share * len(time_s), 220.0, 441.0)
        tracked = Contour(time_s, f0, np.ones(len(time_s)), "")
        assert octave_below(line, tracked, 0.0, 1.0) == pytest.approx(share, abs=0.05)
    assert octave_below(line, Contour(np.zeros(0), np.zeros(0), np.zeros(0), ""), 0.0, 1.0) == 0.0


@pytest.mark.parametrize("dip", [False, True])
def test_a_note_parted_where_only_the_line_leapt_is_one_again(dip):
    sound, contour = held(294.0, 2.0, snr_db=40.0, extent_cents=20.0)
    samples = sound.samples.copy()
    middle = sound.onset_s + 1.0
    if dip:  # tongued again, as the line leaps
        away_s = np.abs(np.arange(len(samples)) / RATE_HZ - middle)
        samples *= np.interp(away_s, (0.0, 0.02, 0.03), (0.05, 0.05, 1.0))
    leaping = replace(contour, f0_hz=np.where(contour.time_s < middle, 2.0, 1.0) * contour.f0_hz)
    audio = as_audio(samples)
    rows = [
        {"onset_s": sound.onset_s, "offset_s": middle, "octave_below": 0.0, "quality": "unsteady"},
        {"onset_s": middle, "offset_s": sound.offset_s, "offset_se_s": 0.01, "octave_below": 0.0},
    ]
    left, right = (find_note(audio, leaping, row) for row in rows)
    whole = rejoin(audio, leaping, rows[0], left, rows[1], right)
    if dip:
        assert whole is None
        return
    row, note = whole
    assert (row["onset_s"], row["offset_s"], row["offset_se_s"]) == (sound.onset_s, sound.offset_s, 0.01)
    assert note.line.reference_hz == pytest.approx(294.0, rel=0.002)
    assert note.values["duration_s"] == pytest.approx(sound.offset_s - sound.onset_s)
    assert note.reasons == ["unsteady"]
    # notes on one line, or of two pitches, stay two
    assert rejoin(audio, contour, rows[0], left, rows[1], right) is None
    other = find_note(audio, leaping, {**rows[0], "octave_below": None})
    assert rejoin(audio, leaping, rows[0], other, rows[1], right) is None
    by_hand = {key: value for key, value in rows[0].items() if key != "octave_below"}
    assert rejoin(audio, leaping, by_hand, left, rows[1], right) is None
    gap = {**rows[1], "onset_s": middle + 0.1}
    assert rejoin(audio, leaping, rows[0], left, gap, right) is None
