"""The line in rooms and with accompaniment, against the curves that were played."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import fftconvolve, spectrogram

from vibstudy.pitch.accompaniment import find_accompaniment
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.demodulate import Demodulator
from vibstudy.pitch.octaves import true_pitch
from vibstudy.pitch.other_player import other_vibrates
from vibstudy.pitch.refine import NoteLine, refine_note
from vibstudy.pitch.straighten import straighten_note, straightened_sound
from vibstudy.vibrato.masked import is_masked, may_hide_vibrato
from vibstudy.vibrato.note import measure_note

from .signals import RATE_HZ, Tone, tone


def in_room(samples: np.ndarray, decay_s: float, direct_db: float, rng: np.random.Generator) -> np.ndarray:
    """Sound with an exponential tail of noise from 12 ms on, `direct_db` weaker than it over the whole."""
    n = round(1.2 * decay_s * RATE_HZ)
    tail = rng.standard_normal(n) * 10.0 ** (-3.0 * np.arange(n) / RATE_HZ / decay_s)
    tail[: round(0.012 * RATE_HZ)] = 0.0
    wet = fftconvolve(samples, tail)[: len(samples)]
    wet *= np.sqrt(np.mean(samples**2) / np.mean(wet**2)) * 10.0 ** (-direct_db / 20.0)
    return (samples + wet).astype(np.float32)


def struck(n: int, rng: np.random.Generator) -> np.ndarray:
    """Chords of three struck, decaying, slightly inharmonic tones, twice a second."""
    t, sound = np.arange(n) / RATE_HZ, np.zeros(n)
    for at in np.arange(0.0, n / RATE_HZ, 0.5):
        since = t - at
        for midi in rng.choice(np.arange(38, 72), 3, replace=False):
            f0 = 440.0 * 2.0 ** ((midi - 69) / 12.0)
            for k in range(1, 14):
                partial = f0 * k * np.sqrt(1.0 + 0.0004 * k * k)
                if partial < RATE_HZ / 2:
                    fade = np.where(since > 0.0, np.exp(-np.maximum(since, 0.0) * (0.8 + 0.25 * k)), 0.0)
                    sound += fade * np.cos(2 * np.pi * partial * since + rng.uniform(0, 6.28)) / k**1.1
    return sound


def pooled(sound: Tone, samples: np.ndarray, f0_hz: float) -> NoteLine:
    times = np.array([sound.onset_s, sound.offset_s])
    contour = Contour(times, np.full(2, f0_hz), np.ones(2), "given")
    line = refine_note(samples, RATE_HZ, contour, sound.onset_s + 0.01, sound.offset_s - 0.01)
    assert line is not None
    return line


def off_cents(line: NoteLine, sound: Tone) -> float:
    """Standard deviation of the line about the curve played, its ends left out."""
    apart = line.cents - np.interp(line.time_s, sound.time_s, sound.cents)
    return float(np.std(apart[8:-8]))


def played(seed: int, **more) -> tuple[Tone, float, np.random.Generator]:
    rng = np.random.default_rng(seed)
    f0 = float(rng.uniform(230, 480))
    kind = {
        "f0_hz": f0,
        "rate_hz": rng.uniform(4.8, 6.5),
        "extent_cents": 30.0,
        "duration_s": 0.9,
        "snr_db": 45.0,
    }
    return tone(rng, rate_cv=0.04, extent_cv=0.06, **(kind | more)), f0, rng


@pytest.fixture(scope="module")
def hall():
    """Notes in a hall of 1.8 s, direct sound as loud as the tail: played, pooled, straightened."""
    out = []
    for seed in range(6):
        sound, f0, rng = played(seed)
        samples = in_room(sound.samples, 1.8, 0.0, rng)
        line = pooled(sound, samples, f0)
        out.append((sound, line, straighten_note(samples, RATE_HZ, line)))
    return out


def test_line_in_a_hall_is_the_direct_sounds(hall):
    before = [off_cents(line, sound) for sound, line, _ in hall]
    after = [off_cents(found.line, sound) for sound, _, found in hall]
    assert np.median(before) > 8.0  # else the hall is none
    assert np.max(after) < 0.5 * np.min(before)
    assert min(found.gain for *_, found in hall) > 0.0


def test_rate_and_extent_in_a_hall_lie_within_their_errors(hall):
    errors = []
    for sound, _, found in hall:
        got = measure_note(found.line)[0]
        inside = (sound.time_s > sound.onset_s + 0.02) & (sound.time_s < sound.offset_s - 0.02)
        extent, psi = sound.extent[inside].mean(), sound.psi[inside]
        rate = (psi[-1] - psi[0]) / (2 * np.pi * np.ptp(sound.time_s[inside]))
        errors.append(
            (
                got["extent_first_cents"] / extent - 1,
                (got["extent_first_cents"] - extent) / got["extent_first_se_cents"],
                (got["rate_hz"] - rate) / got["rate_se_hz"],
            )
        )
    share, of_extent, of_rate = np.abs(errors).T
    assert np.median(share) < 0.03
    assert share.max() < 0.12
    assert np.mean(np.append(of_extent, of_rate) < 1.96) >= 0.8


def test_narrow_vibratos_in_a_small_room_are_as_wide_as_played():
    """Direct sound 5 dB below the rest, whose reflections follow at once; a dry note has none.

    Reflections are a witness of the error: "without", as if following them had changed nothing.
    """
    shares, held, errors = [], [], {"with": [], "without": []}
    for seed in range(10, 20):
        sound, f0, rng = played(seed, extent_cents=15.0)
        samples = in_room(sound.samples, 0.35, -5.0, rng)
        line = straighten_note(samples, RATE_HZ, pooled(sound, samples, f0)).line
        inside = (sound.time_s > sound.onset_s + 0.02) & (sound.time_s < sound.offset_s - 0.02)
        extent = sound.extent[inside].mean()
        unreflected = measure_note(replace(line, reflected=0.0 * line.reflected))[0]
        got = measure_note(line)[0]
        errors["with"].append(got["extent_first_se_cents"])
        errors["without"].append(unreflected["extent_first_se_cents"])
        shares.append(abs(got["extent_first_cents"] / extent - 1.0))
        held.append(shares[-1] * extent < 1.96 * got["extent_first_se_cents"])
    assert np.median(shares) < 0.03
    assert np.sum(np.array(shares) < 0.1) >= 9
    assert np.mean(held) >= 0.9
    assert np.all(np.array(errors["with"]) >= errors["without"])
    assert np.any(np.array(errors["with"]) > 1.1 * np.array(errors["without"]))
    sound, f0, _ = played(26, extent_cents=15.0)
    dry = straighten_note(sound.samples, RATE_HZ, pooled(sound, sound.samples, f0)).line
    assert np.std(dry.reflected) < 0.01 * 15.0


def test_a_straight_note_counts_where_a_vibrato_would_have_been_found():
    """Where it stands out by 18 dB, nobody covers it; whether it vibrates is open."""
    sound, f0, rng = played(3, extent_cents=0.0)
    samples = in_room(sound.samples, 1.8, 0.0, rng)
    line = straighten_note(samples, RATE_HZ, pooled(sound, samples, f0)).line
    for snr_db, masked in ((17.9, [False, True]), (18.1, [False, False])):
        known = replace(line, snr_db=snr_db)
        assert [is_masked(known, None, limit_cents=limit) for limit in (2.9, 3.1)] == masked
        assert [may_hide_vibrato(known, limit) for limit in (2.9, 3.1)] == [False, True]
    assert not may_hide_vibrato(pooled(sound, samples, f0), 3.1)


def test_straight_notes_in_a_hall_stay_straight():
    for seed in range(4):
        sound, f0, rng = played(seed, extent_cents=0.0)
        samples = in_room(sound.samples, 1.8, 0.0, rng)
        found = straighten_note(samples, RATE_HZ, pooled(sound, samples, f0))
        assert not measure_note(found.line)[0]["has_vibrato"]


def test_beside_struck_chords_as_loud():
    before, after = [], []
    for seed in range(4):
        sound, f0, rng = played(seed)
        other = struck(len(sound.samples), rng)
        samples = sound.samples + other * np.sqrt(np.mean(sound.samples**2) / np.mean(other**2))
        line = pooled(sound, samples.astype(np.float32), f0)
        before.append(off_cents(line, sound))
        after.append(off_cents(straighten_note(samples.astype(np.float32), RATE_HZ, line).line, sound))
    assert np.max(after) < 3.0
    assert np.median(after) < 0.5 * np.median(before)


def test_dry_notes_lose_nothing():
    for seed in range(3):
        sound, f0, _ = played(seed)
        line = pooled(sound, sound.samples, f0)
        found = straighten_note(sound.samples, RATE_HZ, line)
        assert off_cents(found.line, sound) < 0.5
        got, known = (measure_note(each)[0] for each in (found.line, line))
        assert_allclose(got["extent_cents"], known["extent_cents"], rtol=0.02)
        assert_allclose(got["rate_hz"], known["rate_hz"], atol=0.05)


def test_a_second_channel_is_a_further_witness():
    """The tail of a room differs from microphone to microphone; the direct sound does not."""
    off = []
    for seed in range(4):
        sound, f0, rng = played(seed)
        both = np.stack([in_room(sound.samples, 1.8, -2.0, rng) for _ in range(2)])
        line = pooled(sound, both[0], f0)
        off.append([off_cents(straighten_note(each, RATE_HZ, line).line, sound) for each in (both[0], both)])
    one, two = np.median(off, axis=0)
    assert two < one


@pytest.mark.parametrize(
    ("extent_cents", "moves"), [(0.0, False), (12.0, True), ("as the note", False)], ids=str
)
def test_only_a_vibrato_of_its_own_is_another_player(extent_cents, moves):
    """A fifth above, as loud: straight, swinging its own way, and every cycle as the note does."""
    for seed in range(3):
        note, f0, rng = played(40 + seed, extent_cents=25.0)
        if extent_cents == "as the note":
            cents = np.interp(np.arange(len(note.samples)) / RATE_HZ, note.time_s, note.cents)
            phase = 2 * np.pi * np.cumsum(1.498 * f0 * 2.0 ** (cents / 1200)) / RATE_HZ
            other = sum(np.cos(k * phase + k * k) / k for k in range(1, 12))
            other *= np.std(note.samples) / np.std(other)
        else:
            rate_hz = float(rng.uniform(4.5, 7.0))
            other = tone(
                rng, f0_hz=1.498 * f0, rate_hz=rate_hz, extent_cents=extent_cents, rate_cv=0.04, snr_db=45.0,
                duration_s=0.9,
            ).samples  # fmt: skip
        sound = (note.samples + other).astype(np.float32)
        found = straighten_note(sound, RATE_HZ, pooled(note, sound, f0))
        assert found is not None
        assert other_vibrates(sound, RATE_HZ, found.line, 1.498 * f0) is moves


def test_too_short_to_straighten():
    sound, f0, _ = played(0)
    line = pooled(sound, sound.samples, f0)
    assert straighten_note(sound.samples, RATE_HZ, replace(line, offset_s=line.onset_s + 0.05)) is None


def test_a_straightened_sound_has_straight_lines():
    """The fifth harmonic, whose swing is five times the pitch's, stands still."""
    sound, f0, _ = played(2)
    line = pooled(sound, sound.samples, f0)
    still = straightened_sound(sound.samples, RATE_HZ, line.time_s, line.f0_hz)
    moving = sound.samples[round(line.time_s[0] * RATE_HZ) : round(line.time_s[-1] * RATE_HZ)]
    shares = []
    for part in (moving, still):
        f_hz, _, power = spectrogram(part, RATE_HZ, nperseg=len(part) - 1)
        near = np.abs(f_hz - 5 * line.reference_hz)
        shares.append(power[near < 4.0].sum() / power[near < 0.45 * line.reference_hz].sum())
    assert shares[0] < 0.5
    assert shares[1] > 0.85


@pytest.mark.parametrize(
    ("orders", "f0_hz"), [([1, 2], 100.0), ([2], 60.0), ([7, 9, 11], 220.0), ([1], 440.0)]
)
def test_few_or_low_harmonics_need_no_first_look(orders, f0_hz):
    """Of another player only the harmonics that a note does not share are asked: a few, or low ones."""
    from types import SimpleNamespace

    from vibstudy.pitch.straighten import _first_harmonics

    stages = _first_harmonics(SimpleNamespace(order=np.array(orders)), f0_hz)
    assert all(orders[0] <= most < orders[-1] for most in stages)


def test_a_note_is_taken_out_of_what_sounds_beside_it():
    """Of two tones a third apart the one whose line is known goes to -20 dB, the other stays to 1.5 dB."""
    note, f0, rng = played(50, extent_cents=20.0)
    other = tone(rng, f0_hz=1.26 * f0, rate_hz=6.0, extent_cents=15.0, snr_db=60.0, duration_s=0.9).samples
    own, mixed = (
        Demodulator.of_note(sound, RATE_HZ, note.onset_s, note.offset_s, f0)
        for sound in (note.samples, note.samples + other)
    )
    line_hz = f0 * 2.0 ** (np.interp(own.time_s, note.time_s, note.cents) / 1200.0)
    count = int(0.45 * RATE_HZ / f0)
    first = round(note.onset_s * RATE_HZ)
    power = [
        np.mean(np.square(sound[2000:-2000], dtype=np.float64))
        for sound in (own.without(line_hz, count), note.samples, mixed.without(line_hz, count), other[first:])
    ]
    assert power[0] < 0.01 * power[1]
    assert abs(10 * np.log10(power[2] / power[3])) < 1.5


def test_a_weak_fundamental_in_a_hall_is_told_along_the_line_that_was_straightened():
    """Odd harmonics 16 dB below the even ones; alone, these are no lower note."""
    found, odds = {"weak": [], "octave above": []}, []
    for seed in range(40, 46):
        lower, f0, _ = played(seed, harmonics=24)
        upper, _, rng = played(seed, f0_hz=2.0 * f0)
        alone = in_room(upper.samples, 1.8, 0.0, rng)
        weak = in_room(upper.samples + 10.0 ** (-16.0 / 20.0) * lower.samples, 1.8, 0.0, rng)
        for kind, samples in (("weak", weak), ("octave above", alone)):
            drawn = pooled(upper, samples, 2.0 * f0)
            told = [
                true_pitch(samples, RATE_HZ, line, find_accompaniment(samples, RATE_HZ, line), 0.0)
                for line in (straighten_note(samples, RATE_HZ, drawn).line, drawn)
            ]
            found[kind].append(told[0][0])
            odds += [[one[1] for one in told]] if kind == "weak" else []
    assert found["weak"].count(2.0) >= 5
    straightened, drawn = np.transpose(odds)
    assert np.all(straightened > drawn)
    assert set(found["octave above"]) == {1.0}
