"""The invented corpus: its sound holds what its truth says, and its truth what its model says.

Outside references: the spectrum of a frequency-modulated tone (Bessel functions, scipy; Chowning 1973,
JAES 21(7):526-534); the Fourier series of a triangle wave (any handbook); librosa's pYIN (Mauch & Dixon
2014) as an independent ear.
"""

from __future__ import annotations

import dataclasses
import io
import json
import os
import re
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from rich.console import Console
from scipy import signal, special

from tests.invented_study import invented_notes
from vibstudy import fit_mixed
from vibstudy.corpus.manifest import check_manifest
from vibstudy.demo import corpus
from vibstudy.demo.cast import ALONE, PLAYERS, WITH_LOUD_PIANO
from vibstudy.demo.melodies import MELODIES, harmonise
from vibstudy.demo.notebooks import run_notebook, source_hash
from vibstudy.demo.resources import CLAIMS, notebook_sources
from vibstudy.demo.run import run_demo
from vibstudy.demo.scores import write_score
from vibstudy.demo.summary import (
    accuracy,
    careless_p,
    estimated_effects,
    rooms_told,
    selection_trap,
    trap_words,
    unmatched,
    unmatched_words,
)
from vibstudy.demo.synthesis import (
    SAMPLE_RATE_HZ,
    Line,
    Note,
    Vibrato,
    Voice,
    cycle_shape,
    render_line,
)
from vibstudy.errors import VibstudyError
from vibstudy.figures.data import match_truth
from vibstudy.notes.score import align_score
from vibstudy.notes.written import read_score
from vibstudy.stats.claims import read_claims

ROOT = Path(__file__).parents[1]

STEADY = Voice(
    2000.0,
    rolloff_db_per_octave=6,
    highpass_hz=20,
    breath_db=-200,
    jitter_cents=0,
    drift_cents=0,
    shimmer_db=0,
)
"""A tone without any unsteadiness, to be held against formulae."""


def _render(*notes: Note, voice: Voice = STEADY, seed: int = 0) -> Line:
    return render_line(notes, voice, np.random.default_rng(seed), length_s=notes[-1].end_s + 0.2)


def _pitch_cents(samples: np.ndarray, centre_hz: float, width_hz: float = 80.0) -> np.ndarray:
    """Cents re `centre_hz` of the fundamental alone, by the analytic signal."""
    band = signal.firwin(
        1201,
        [centre_hz - width_hz, centre_hz + width_hz],
        pass_zero=False,
        window="blackman",
        fs=SAMPLE_RATE_HZ,
    )
    phase = np.unwrap(np.angle(signal.hilbert(signal.fftconvolve(samples, band, "same"))))
    f0_hz = np.gradient(phase) * SAMPLE_RATE_HZ / (2 * np.pi)
    return 1200 * np.log2(np.maximum(f0_hz, 1.0) / centre_hz)


# -- one tone ------------------------------------------------------------------------------------


@pytest.mark.parametrize("extent_cents", [20.0, 60.0])
def test_sidebands_follow_bessel_functions(extent_cents: float) -> None:
    rate_hz, f0_hz = 6.0, 440.0
    vibrato = Vibrato(rate_hz, extent_cents, delay_s=0.1, fade_in_s=0.05)
    line = _render(Note(0.0, 4.0, 69, vibrato=vibrato))
    part = line.samples[int(0.5 * SAMPLE_RATE_HZ) : int(3.5 * SAMPLE_RATE_HZ)]  # 18 whole cycles
    spectrum = np.abs(np.fft.rfft(part)) / len(part)
    index = f0_hz * extent_cents * np.log(2) / (1200 * rate_hz)
    lines = [spectrum[round((f0_hz + n * rate_hz) * 3)] for n in range(4)]
    expected = np.abs(special.jv(range(4), index))
    # cents-sinusoid against Hz-sinusoid, and R(f) under the moving harmonic: a few per cent
    np.testing.assert_allclose(
        np.array(lines) / np.hypot.reduce(lines), expected / np.hypot.reduce(expected), atol=0.03
    )


def test_triangle_has_the_fourier_series_of_a_triangle() -> None:
    phase = 2 * np.pi * np.arange(4096) / 4096
    harmonics = np.fft.rfft(cycle_shape(phase, 1.0)).imag
    assert harmonics[3] / harmonics[1] == pytest.approx(-1 / 9)
    assert harmonics[5] / harmonics[1] == pytest.approx(1 / 25)
    for triangle in (0.0, 0.4, 1.0):
        assert np.abs(cycle_shape(phase, triangle)).max() == pytest.approx(1.0)


@pytest.mark.parametrize(("triangle", "midi"), [(0.0, 57), (1.0, 72)])
def test_truth_is_what_sounds(triangle: float, midi: int) -> None:
    vibrato = Vibrato(
        5.5, 30, delay_s=0.6, fade_in_s=0.1, growth=0.3, rate_slope_hz_per_s=0.3, triangle=triangle
    )
    line = _render(Note(0.1, 2.6, midi, cents=7, vibrato=vibrato))
    truth = line.truth.iloc[0]
    cents = _pitch_cents(line.samples, 440 * 2 ** ((midi - 69) / 12))
    time_s = np.arange(len(cents)) / SAMPLE_RATE_HZ
    begin_s = truth.onset_s + truth.vibrato_onset_s
    sounding = (time_s > truth.onset_s + 0.05) & (time_s < truth.offset_s - 0.05)
    inside = (time_s > begin_s) & (time_s < truth.offset_s - 0.05)
    level = cents[(time_s > truth.onset_s + 0.15) & (time_s < begin_s - 0.15)].mean()
    assert level == pytest.approx(7, abs=0.2)
    assert 1200 * np.log2(truth.pitch_hz / 440) - 100 * (midi - 69) == pytest.approx(
        cents[sounding].mean(), abs=0.5
    )
    peaks = signal.find_peaks(np.abs(cents[inside] - 7), prominence=10)[0]
    spans_s = np.diff(time_s[inside][peaks])
    assert truth.rate_hz == pytest.approx(0.5 / spans_s.mean(), abs=0.08)
    assert truth.extent_cents == pytest.approx(np.abs(cents[inside] - 7)[peaks].mean(), rel=0.03)
    assert truth.rate_slope_hz_per_s == pytest.approx(0.3, abs=0.01)
    assert truth.extent_growth_cents_per_s == pytest.approx(9, abs=1.5)  # the fade-in steepens it
    assert truth.waveform == triangle
    assert truth.rate_irregularity < 0.01


def test_irregular_vibrato_says_so() -> None:
    steady = Vibrato(5.5, 30, delay_s=0.1, fade_in_s=0.1)
    uneven = dataclasses.replace(steady, rate_irregularity=0.06, extent_irregularity=0.12)
    truths = [_render(Note(0, 6, 69, vibrato=vibrato)).truth.iloc[0] for vibrato in (steady, uneven)]
    assert truths[0].rate_irregularity < 0.002
    assert 0.02 < truths[1].rate_irregularity < 0.08
    assert truths[0].extent_irregularity < 0.05  # the fade-in alone
    assert 0.05 < truths[1].extent_irregularity < 0.2


def test_intensity_truth_is_the_level_that_sounds() -> None:
    flat = Voice(
        9000.0,
        rolloff_db_per_octave=1,
        highpass_hz=1,
        breath_db=-200,
        jitter_cents=0,
        drift_cents=0,
        shimmer_db=0,
    )
    vibrato = Vibrato(5, 20, delay_s=0.2, fade_in_s=0.1, intensity_depth_db=1.5, intensity_phase_rad=0.6)
    line = _render(Note(0, 3.2, 69, level_db=-3, vibrato=vibrato), voice=flat)
    truth = line.truth.iloc[0]
    power = signal.fftconvolve(line.samples**2, np.ones(1001) / 1001, "same")
    time_s = np.arange(len(power)) / SAMPLE_RATE_HZ
    kept = (time_s > 0.6) & (time_s < 3.0)  # 12 whole cycles
    level_db = 10 * np.log10(power[kept])
    turn = np.exp(-2j * np.pi * 5 * time_s[kept])
    assert truth.intensity_depth_db == pytest.approx(2 * abs((level_db * turn).mean()), rel=0.12)
    pitch = _pitch_cents(line.samples, 440)[kept]
    lead = np.angle((level_db * turn).mean() / (pitch * turn).mean())
    assert truth.intensity_phase_rad == pytest.approx(lead, abs=0.1)
    assert truth.intensity_phase_rad == pytest.approx(0.6, abs=0.1)


def test_slur_glides_without_a_gap() -> None:
    line = _render(Note(0, 1, 69), Note(1, 2, 74, slurred=True, glide_s=0.03))
    assert line.truth.onset_s[1] == line.truth.offset_s[0] == 1.0
    window = int(0.005 * SAMPLE_RATE_HZ)
    level = np.sqrt(signal.fftconvolve(line.samples**2, np.ones(window) / window, "same"))
    around = level[int(0.9 * SAMPLE_RATE_HZ) : int(1.1 * SAMPLE_RATE_HZ)]
    assert around.min() > 0.4 * around.max()


def test_tongued_notes_are_apart() -> None:
    line = _render(Note(0, 1, 69), Note(1.01, 2, 69))
    dip = np.abs(line.samples[int(0.995 * SAMPLE_RATE_HZ) : int(1.015 * SAMPLE_RATE_HZ)]).max()
    assert dip < 0.1 * np.abs(line.samples).max()
    assert line.truth.offset_s[0] < 1.0 < 1.01 < line.truth.onset_s[1]


def test_nothing_folds_back_at_the_top() -> None:
    """A harmonic above the Nyquist frequency would come back between the harmonics."""
    bright = dataclasses.replace(STEADY, cutoff_hz=20_000.0, rolloff_db_per_octave=1)
    line = _render(Note(0, 2, 93, level_db=0, vibrato=None), voice=bright)
    part = line.samples[4000 : 4000 + 22_050] * signal.windows.blackmanharris(22_050)
    spectrum = np.abs(np.fft.rfft(part))
    frequency_hz = np.fft.rfftfreq(22_050, 1 / SAMPLE_RATE_HZ)
    between = np.abs((frequency_hz / 1760 + 0.5) % 1 - 0.5) * 1760 > 20
    assert 20 * np.log10(spectrum[between].max() / spectrum.max()) < -80


# -- the corpus ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def some() -> list[corpus.Recording]:
    """Three recordings: an unaccompanied digital one from a studio, an accompanied one, a worn disc."""
    corpora = corpus.recordings()
    return [
        next(
            r for r in corpora if r.medium == "digital" and r.accompaniment == "none" and r.room == "studio"
        ),
        next(r for r in corpora if r.medium == "tape_lp" and r.accompaniment == "piano"),
        next(r for r in corpora if r.medium == "electrical_disc" and r.accompaniment == "none"),
    ]


@pytest.fixture(scope="module")
def written(some: list[corpus.Recording], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    corpus.write_demo_corpus(folder, workers=1, chosen=some)
    return folder


def test_committed_manifest_is_the_generated_one(tmp_path: Path) -> None:
    corpus.write_csv(corpus.manifest(), tmp_path / "manifest.csv")
    committed = (ROOT / "corpus_manifest.csv").read_bytes()
    assert (tmp_path / "manifest.csv").read_bytes() == committed


def test_corpus_has_the_shape_it_promises() -> None:
    manifest = corpus.manifest()
    assert len(manifest) >= 48
    assert manifest["player"].nunique() == 16
    assert manifest["region"].nunique() == 3
    assert sorted(manifest["decade"].unique()) == list(range(1930, 2001, 10))
    assert manifest["medium"].nunique() == 3
    assert (manifest["accompaniment"] != "none").mean() == pytest.approx(1 / 3, abs=0.05)
    assert (manifest["medium"] == "electrical_disc").mean() == pytest.approx(1 / 3, abs=0.1)
    assert manifest["comment"].str.startswith("invented").all()
    assert manifest["recording_id"].is_unique
    drawn = [corpus.plan(recording) for recording in corpus.recordings()]
    assert all(8 <= plan.notes[-1].end_s + 0.5 <= 15 for plan in drawn)
    lengths_s = np.array([note.end_s - note.start_s for plan in drawn for note in plan.notes])
    assert lengths_s.min() < 0.2 and lengths_s.max() > 2


def test_scores_are_written_as_they_are_played(tmp_path: Path) -> None:
    for melody in MELODIES:
        path = tmp_path / "melody.musicxml"
        write_score(melody, path)
        (part,) = read_score(path)
        (order,) = part.orders.values()
        tones = [tone for tone in melody.tones() if tone.semitones is not None]
        assert [note.written_midi - 72 for note in order] == [tone.semitones for tone in tones]
        assert [note.beats for note in order] == [tone.beats for tone in tones]
        assert [note.slur in ("inside", "last") for note in order] == [tone.slurred for tone in tones]


def test_every_score_fits_its_recordings(tmp_path: Path) -> None:
    for recording in corpus.recordings()[:12]:
        path = tmp_path / "melody.musicxml"
        write_score(recording.melody, path)
        notes = corpus.plan(recording).notes
        played = pd.DataFrame(
            {
                "onset_s": [note.start_s for note in notes],
                "offset_s": [note.end_s for note in notes],
                "pitch_hz": [440 * 2 ** ((note.midi - 69 + note.cents / 100) / 12) for note in notes],
            }
        )
        table, _, report = align_score(played, path)
        assert (table["score_match"] == "matched").all()
        assert report.tempo_bpm == pytest.approx(recording.tempo_bpm, rel=0.05)


def test_early_keldria_is_two_stars_on_discs() -> None:
    manifest = corpus.manifest()
    early = manifest[(manifest["region"] == "Keldria") & (manifest["decade"] < 1950)]
    stars = {player.name for player in PLAYERS if player.star}
    assert len(stars) == 2
    assert early["player"].isin(stars).mean() > 0.8
    assert (early["medium"] == "electrical_disc").all()


def test_rooms_and_pianos_are_uneven_over_the_decades() -> None:
    manifest = corpus.manifest()
    halls = (manifest["room"] == "hall").groupby(manifest["decade"]).mean()
    assert (halls[halls.index < 1960] <= 0.25).all() and (halls[halls.index >= 1980] > 0.5).all()
    decades = manifest.groupby("decade")
    assert (decades.get_group(WITH_LOUD_PIANO)["accompaniment"] == "piano").all()
    assert (decades.get_group(ALONE)["accompaniment"] == "none").all()
    for decade in (WITH_LOUD_PIANO, ALONE):  # the traps do not mix
        assert (decades.get_group(decade)["room"] == "studio").all()


def test_every_room_is_of_its_kind_and_has_a_truth() -> None:
    drawn = {kind: [] for kind in ("studio", "hall")}
    for recording in corpus.recordings():
        drawn[recording.room].append(corpus.drawn_room(recording))
    assert max(room.decay_s for room in drawn["studio"]) < 0.41
    assert min(room.decay_s for room in drawn["hall"]) > 0.99
    assert min(room.direct_db for room in drawn["hall"]) > 2.9
    assert len({room.decay_s for room in drawn["hall"]}) == len(drawn["hall"])


def test_halls_ring_as_their_truth_says() -> None:
    """After the last note the level falls by 60 dB in the decay of the truth (Sabine's definition)."""
    halls = [
        r
        for r in corpus.recordings()
        if r.room == "hall" and r.accompaniment == "none" and r.medium == "digital"
    ]
    ratios = []
    for recording in halls[:4]:
        rendered = corpus.render(recording)
        decay_s = rendered.summary["room_decay_s"]
        first = round((rendered.notes["offset_s"].max() + 0.1) * SAMPLE_RATE_HZ)
        after = rendered.samples[first:][: round(0.6 * decay_s * SAMPLE_RATE_HZ) // 500 * 500]
        level_db = 10 * np.log10((after.reshape(-1, 500) ** 2).mean(axis=1))
        slope = np.polyfit(np.arange(len(level_db)) * 500 / SAMPLE_RATE_HZ, level_db, 1)[0]
        ratios.append(-60 / slope / decay_s)
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.15)


def test_written_corpus_passes_the_manifest_check(written: Path, some: list[corpus.Recording]) -> None:
    assert check_manifest(written / "corpus_manifest.csv") == []
    truth = pd.read_csv(written / "truth" / "truth.csv")
    summary = pd.read_csv(written / "truth" / "recordings.csv")
    assert list(summary["recording_id"]) == [recording.recording_id for recording in some]
    assert len(truth) == summary["notes"].sum()
    assert truth["note_id"].is_unique
    assert not list(written.rglob("*.partial"))
    for recording, duration_s in zip(some, summary["duration_s"], strict=True):
        info = soundfile.info(written / recording.path)
        assert info.samplerate == SAMPLE_RATE_HZ and info.channels == 1
        assert info.duration == pytest.approx(duration_s, abs=1e-3)
    straight = truth[~truth["has_vibrato"]]
    assert len(straight) and straight["rate_hz"].isna().all()


def test_sound_does_not_depend_on_order_or_workers(
    written: Path, some: list[corpus.Recording], tmp_path: Path
) -> None:
    corpus.write_demo_corpus(tmp_path, workers=2, chosen=some[::-1])
    for recording in some:
        assert (tmp_path / recording.path).read_bytes() == (written / recording.path).read_bytes()
    first = pd.read_csv(written / "truth" / "truth.csv").set_index("note_id").sort_index()
    again = pd.read_csv(tmp_path / "truth" / "truth.csv").set_index("note_id").sort_index()
    pd.testing.assert_frame_equal(first, again)


def test_another_seed_is_another_corpus() -> None:
    recording = corpus.recordings()[0]
    one, two = corpus.plan(recording, seed=1), corpus.plan(recording, seed=2)
    assert one.recording != two.recording and one.player != two.player
    assert one.fixed == two.fixed


def test_levels_are_moderate_and_nothing_clicks(written: Path, some: list[corpus.Recording]) -> None:
    for recording in some:
        samples, _ = soundfile.read(written / recording.path)
        assert np.abs(samples).max() <= 0.71
        assert -30 < 20 * np.log10(samples.std()) < -18
    clean, _ = soundfile.read(written / some[0].path)
    # A click is broad-band: nothing of the tone reaches the top of the band.
    top = signal.sosfiltfilt(signal.butter(8, 10_800, "high", fs=SAMPLE_RATE_HZ, output="sos"), clean)
    assert 20 * np.log10(np.abs(top).max() / np.abs(clean).max()) < -50


def test_an_independent_ear_hears_the_notes(written: Path, some: list[corpus.Recording]) -> None:
    import librosa

    recording = some[0]
    samples, _ = soundfile.read(written / recording.path, frames=6 * SAMPLE_RATE_HZ)
    truth = pd.read_csv(written / "truth" / "truth.csv")
    truth = truth[(truth["recording_id"] == recording.recording_id) & (truth["offset_s"] < 6)]
    f0_hz, _, _ = librosa.pyin(samples, fmin=100, fmax=1200, sr=SAMPLE_RATE_HZ)
    time_s = librosa.times_like(f0_hz, sr=SAMPLE_RATE_HZ)
    near = []
    for note in truth.itertuples():
        inside = (time_s > note.onset_s + 0.05) & (time_s < note.offset_s - 0.05)
        near.append(np.abs(1200 * np.log2(f0_hz[inside] / note.pitch_hz)) < 50)
    assert len(near) >= 5
    assert np.concatenate(near).mean() > 0.95


def _planned(seed: int = corpus.DEFAULT_SEED) -> pd.DataFrame:
    """Every note of one corpus as it will be played, with tags and the model's shares."""
    rows = []
    for recording in corpus.recordings():
        drawn = corpus.plan(recording, seed)
        tones = [tone for tone in recording.melody.tones() if tone.semitones is not None]
        shares = drawn.player + drawn.recording
        for note, tone in zip(drawn.notes, tones, strict=True):
            vibrato = note.vibrato
            rows.append(
                {
                    "recording_id": recording.recording_id,
                    "player": recording.player.name,
                    "style": recording.player.style,
                    "region": recording.player.region,
                    "decade": recording.decade,
                    "accompaniment": recording.accompaniment,
                    "onset_s": note.start_s,
                    "offset_s": note.end_s,
                    "duration_s": note.end_s - note.start_s,
                    "peak": float(tone.peak),
                    "pitch_hz": 440 * 2 ** ((note.midi - 69) / 12),
                    "has_vibrato": vibrato is not None,
                    "rate_hz": vibrato.rate_hz if vibrato else np.nan,
                    "extent_cents": vibrato.extent_cents if vibrato else np.nan,
                    "share_rate_hz": shares.rate_hz,
                    "share_log_extent": shares.log_extent,
                }
            )
    notes = pd.DataFrame(rows)
    return notes.assign(decades=(notes["decade"] - 1960) / 10, log_extent=np.log(notes["extent_cents"]))


def test_documented_model_is_the_one_that_plays() -> None:
    notes = pd.concat([_planned(seed) for seed in range(1, 5)], ignore_index=True)
    notes = notes[notes["has_vibrato"]]
    design = np.column_stack(
        [
            np.ones(len(notes)),
            notes["decades"],
            notes["region"] == "Keldria",
            notes["region"] == "Sunamar",
            np.log2(notes["duration_s"] / 0.7),
            notes["peak"],
        ]
    ).astype(float)
    documented = {
        "rate_hz": ([5.60, -0.10, 0, 0.40, 0, 0], 0.18),
        "log_extent": ([np.log(20), -0.07, 0, -0.35, 0.16, 0.15], 0.15),
    }
    for outcome, (coefficients, note_sd) in documented.items():
        y = (notes[outcome] - notes[f"share_{outcome}"]).to_numpy()
        found, _, _, _ = np.linalg.lstsq(design, y, rcond=None)
        errors = note_sd * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
        assert np.all(np.abs(found - coefficients) < 4 * errors), outcome
        assert (y - design @ found).std() == pytest.approx(note_sd, rel=0.08)
    effects = corpus.true_effects().set_index(["outcome", "term"])["true"]
    assert effects["rate_hz", "decade"] == -0.10
    assert effects["log_extent", "Sunamar"] == -0.35


def test_players_use_vibrato_as_their_style_says() -> None:
    notes = _planned()
    shares = notes[notes["duration_s"] > 0.45].groupby("style")["has_vibrato"].mean()
    assert shares["continuous"] > 0.9
    assert 0.2 < shares["ornamental"] < 0.75


def test_the_trap_catches_the_careless_and_not_the_model() -> None:
    """True difference: none. Counting notes finds one; counting players does not."""
    notes = _planned()
    ratio, p = careless_p(notes)
    assert ratio > 1.2 and p < 1e-6
    table = fit_mixed(notes[notes["has_vibrato"]], "log(extent_cents) ~ decades + region").table()
    keldria = table.loc["region[T.Keldria]"]
    assert keldria["p"] > 0.05
    assert keldria["low"] < 0 < keldria["high"]


def test_melodies_read_as_written() -> None:
    tones = MELODIES[0].tones()
    assert (tones[0].semitones, tones[0].beats, tones[0].slurred) == (7, 1.0, False)
    assert tones[1].slurred and tones[3].peak
    assert any(tone.semitones is None for tone in tones)
    for melody in MELODIES:
        assert melody.note_count >= 8
        beats = [beat for beat, _ in harmonise(melody)]
        assert beats == list(np.arange(0, sum(tone.beats for tone in melody.tones()), 2.0))


# -- the run -------------------------------------------------------------------------------------


@pytest.fixture
def console() -> Console:
    return Console(file=io.StringIO(), width=100)


def _said(console: Console) -> str:
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_committed_claims_are_the_packaged_ones() -> None:
    assert (ROOT / "claims.toml").read_bytes() == CLAIMS.read_bytes()
    claims = read_claims(CLAIMS)
    assert len(claims) == 6
    regions = {player.region for player in PLAYERS}
    named = {c.contrast.start for c in claims if c.contrast.column == "region"}
    assert named and named <= regions


def test_notebooks_come_in_order() -> None:
    names = [path.stem for path in notebook_sources()]
    assert names == sorted(names) and names[0].startswith("01")


def test_a_folder_with_something_else_is_left_alone(tmp_path: Path, console: Console) -> None:
    (tmp_path / "thesis.txt").write_text("years of work", encoding="utf-8")
    with pytest.raises(VibstudyError, match="vibstudy demo my-demo"):
        run_demo(tmp_path, 1, console)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_a_file_in_the_way_is_said_plainly(tmp_path: Path, console: Console) -> None:
    (tmp_path / "demo").write_text("", encoding="utf-8")
    with pytest.raises(VibstudyError, match="cannot be made"):
        run_demo(tmp_path / "demo", 1, console)


def _percent(path: Path, *cells: str) -> Path:
    path.write_text("\n\n".join(f"# %%\n{cell}" for cell in cells) + "\n", encoding="utf-8")
    return path


def test_notebook_runs_in_this_python_and_knows_its_study(tmp_path: Path) -> None:
    source = _percent(
        tmp_path / "01_small.py",
        "import os, sys\nprint('python', sys.executable, 'as', os.getpid())",
        "print('study', os.environ['VIBSTUDY_STUDY'], 'in', os.path.basename(os.getcwd()))",
    )
    source.write_text(
        source.read_text(encoding="utf-8") + "\n# %% [markdown]\n# Go on with [the next](02_next.ipynb).\n",
        encoding="utf-8",
    )
    study = tmp_path / "study"
    run = run_notebook(source, study)
    assert run.failure == ""
    text = (study / "notebooks" / "01_small.ipynb").read_text(encoding="utf-8")
    cells = [cell for cell in json.loads(text)["cells"] if cell["cell_type"] == "code"]
    outputs = "".join("".join(output["text"]) for cell in cells for output in cell["outputs"])
    (process,) = re.findall(rf"python {re.escape(sys.executable)} as (\d+)", outputs)
    with pytest.raises(ProcessLookupError):  # it ends with its notebook: eight of them would fill the memory
        os.kill(int(process), 0)
    assert f"study {study.resolve()} in notebooks" in outputs
    page = (study / "pages" / "01_small.html").read_text(encoding="utf-8")
    assert "study" in page and "sys.executable" not in page  # results without code
    assert 'href="02_next.html"' in page  # pages lead to pages
    assert "<script src=" not in page and "import(" not in page  # nothing from the net


def test_failing_notebook_keeps_what_ran_and_says_why(tmp_path: Path) -> None:
    source = _percent(tmp_path / "02_bad.py", "print('got here')", "1 / 0", "print('not here')")
    run = run_notebook(source, tmp_path / "study")
    assert run.failure == "ZeroDivisionError: division by zero"
    text = (tmp_path / "study" / "notebooks" / "02_bad.ipynb").read_text(encoding="utf-8")
    outputs = [cell["outputs"] for cell in json.loads(text)["cells"]]
    assert outputs[0][0]["text"] == ["got here\n"] and outputs[1] and not outputs[2]


def test_a_notebook_tells_what_is_wrong_without_a_traceback(tmp_path: Path) -> None:
    load = "from vibstudy.errors import Problem, VibstudyError"
    source = _percent(tmp_path / "03_wrong.py", load, "raise VibstudyError(Problem('not there', 'a.csv', 3))")
    run = run_notebook(source, tmp_path / "study")
    assert run.failure == "VibstudyError: a.csv, row 3: not there."
    text = (tmp_path / "study" / "notebooks" / "03_wrong.ipynb").read_text(encoding="utf-8")
    shown = [output for cell in json.loads(text)["cells"] for output in cell["outputs"]]
    assert shown[0]["traceback"] == ["a.csv, row 3: not there."]


def test_fingerprint_of_a_notebook_is_of_its_cells(tmp_path: Path) -> None:
    one = _percent(tmp_path / "a.py", "x = 1")
    run_notebook(one, tmp_path)
    assert source_hash(one) == source_hash(tmp_path / "notebooks" / "a.ipynb")
    assert source_hash(one) != source_hash(_percent(tmp_path / "b.py", "x = 2"))


def test_demo_runs_to_its_end_and_goes_on_where_it_stopped(
    some: list[corpus.Recording], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small = _percent(tmp_path / "01_small.py", "print('first')")
    monkeypatch.setattr(corpus, "recordings", lambda: some)
    monkeypatch.setattr("vibstudy.demo.run.notebook_sources", lambda: [small])
    into = tmp_path / "demo"
    first = Console(file=io.StringIO(), width=100)
    assert run_demo(into, 1, first) == 0
    text = _said(first)
    assert "invented" in text and "3 of 3 recordings measured" in text
    assert "vibstudy lab" in text and "first look" in text
    made = ("corpus_manifest.csv", "study.toml", "claims.toml", "README.txt", "results/notes.csv")
    for name in (*made, "results/first-look.html"):
        assert (into / name).is_file(), name
    assert check_manifest(into / "corpus_manifest.csv") == []
    audio = into / some[0].path
    written = audio.stat().st_mtime_ns

    # The user writes into the notebook and the settings; the packaged notebook changes, too.
    own = into / "notebooks" / "01_small.ipynb"
    own.write_text(own.read_text(encoding="utf-8").replace("'first'", "'mine'"), encoding="utf-8")
    settings = (into / "study.toml").read_text(encoding="utf-8") + "# mine\n"
    (into / "study.toml").write_text(settings, encoding="utf-8")
    _percent(small, "print('second')")
    assert run_demo(into, 1, Console(file=io.StringIO())) == 0
    assert "'mine'" in own.read_text(encoding="utf-8")
    assert (into / "study.toml").read_text(encoding="utf-8") == settings
    assert audio.stat().st_mtime_ns == written
    log = pd.read_csv(into / "results" / "log.csv")
    assert log["success"].all() and len(log) == 3


def test_summary_of_the_truth_itself_is_without_error() -> None:
    """The truth, handed in as if measured: everything found, no error, the effects as in the model."""
    notes, manifest = _planned(), corpus.manifest()
    found = accuracy(notes, notes, manifest)
    assert found.found == 1 and found.rate_error_hz == found.extent_error_cents == 0
    assert found.notes == ((notes["accompaniment"] == "none") & (notes["duration_s"] >= 0.4)).sum()
    effects = estimated_effects(notes)
    assert len(effects) == 6
    assert ((effects["low"] <= effects["true"]) & (effects["true"] <= effects["high"])).sum() >= 5


def test_the_trap_of_the_loud_piano_catches_who_keeps_clean_notes_only() -> None:
    """A loud piano that leaves a remark at every narrow note, handed in as if measured."""
    notes = _planned()
    narrow = notes["extent_cents"] < notes["extent_cents"].median()
    doubtful = narrow & (notes["decade"] == WITH_LOUD_PIANO)
    notes["quality"] = np.where(doubtful, "room", "ok")
    notes["usable"] = True
    trap = selection_trap(notes, notes).set_index("notes")
    played, clean, usable = (trap.iloc[i] for i in range(3))
    assert usable["ratio"] == pytest.approx(played["ratio"])
    assert clean["ratio"] > 1.1 * played["ratio"]
    assert clean["ratio"] == pytest.approx(clean["ratio_by_choice"])
    assert clean["piano"] < played["piano"] and clean["alone"] == played["alone"]
    assert f"{clean['ratio'] - 1:+.0%}" in trap_words(trap.reset_index())
    assert trap_words(selection_trap(notes[notes["decade"] != ALONE], notes)) == ""


def test_rooms_stand_beside_their_truth(written: Path) -> None:
    true = pd.read_csv(written / "truth" / "recordings.csv")
    measured = true[["recording_id"]].assign(
        room_decay_s=[1.0, np.nan, np.nan], room_decay_se_s=0.1, direct_to_room_db=2.0, direct_to_room_se_db=1
    )
    told = rooms_told(measured, true)
    assert told["true_room_decay_s"].tolist() == true["room_decay_s"].tolist()
    assert told["room_decay_s"].notna().sum() == 1


def test_notes_nobody_played_are_told_from_parts_of_notes():
    true = pd.DataFrame({
        "recording_id": "a", "onset_s": [0.0, 3.0], "offset_s": [2.0, 5.0], "pitch_hz": [440.0, 330.0],
    })  # fmt: skip
    notes = invented_notes(1, 1, 12, decades=(1950,)).head(6).reset_index(drop=True)
    notes["recording_id"], notes["note_kind"], notes["reviewed"] = "a", "note", "auto"
    notes["onset_s"] = [0.0, 1.0, 3.5, 3.0, 6.0, 0.2]
    notes["offset_s"] = [1.0, 2.0, 5.0, 5.0, 7.0, 0.3]
    notes["pitch_hz"] = [440.0, 441.0, 440.0, 331.0, 440.0, np.nan]
    notes["usable"] = [True, True, True, True, False, False]
    notes["has_vibrato"] = pd.array([True, True, True, True, None, None], "boolean")
    rest = unmatched(notes, true, match_truth(notes, true))
    assert rest["onset_s"].tolist() == [1.0, 3.5, 6.0, 0.2]  # found: the first and the fourth
    assert rest["counts"].tolist() == [True, True, False, False]
    assert rest["piece"].tolist() == [True, False, False, False]  # the second half; not the other pitch
    words = unmatched_words(rest)
    assert "partner: 4." in words and "marked so: 2 (" in words
    assert "In models: 2;" in words and "at its pitch: 1 of these" in words


def test_summary_leaves_open_what_the_notes_cannot_tell() -> None:
    notes = _planned()
    effects = estimated_effects(notes[notes["region"] != "Sunamar"]).set_index(["outcome", "term"])
    assert effects["estimate"].isna().sum() == 2
    assert np.isnan(effects.loc[("rate_hz", "Sunamar"), "estimate"])
