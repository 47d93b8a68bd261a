"""Invented takes whose figures are pinned: one of each thing that a recording does to a measurement.

Each take is as short as it can be. The sounds come from :func:`tests.signals.tone` alone, so that nothing in
the package can move them; nothing here says what is true of them (the other tests do).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from scipy.signal import butter, fftconvolve, resample, sosfilt

from tests.signals import PAD_S, RATE_HZ, tone

EDGE = round(PAD_S * RATE_HZ)


@dataclass(frozen=True)
class Take:
    """A sound and the cells and settings it is measured with."""

    sound: Callable[[np.random.Generator], np.ndarray]
    cells: dict[str, Any] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    """Cells that name a file, with what is in it."""
    rate_hz: int = RATE_HZ

    def write(self, folder: Path, name: str, jitter: float = 0.0) -> tuple[Path, dict[str, Any]]:
        """Write the sound; `jitter` moves each sample by so much of the loudest. Returns it and its cells."""
        samples = self.sound(np.random.default_rng(len(name) + sum(name.encode())))
        if jitter:
            noise = np.random.default_rng(1).standard_normal(samples.shape)
            samples = samples + jitter * np.max(np.abs(samples)) * noise
        path = folder / f"{name}.wav"
        sf.write(path, samples, self.rate_hz, subtype="DOUBLE")
        cells = dict(self.cells)
        for cell, text in self.files.items():
            ending = ".csv" if cell == "notes_path" else ".musicxml"
            cells[cell] = str(folder / f"{name}-{cell}{ending}")
            Path(cells[cell]).write_text(text, encoding="utf-8")
        return path, cells


def line(rng: np.random.Generator, *notes: dict[str, Any], gap_s: float = 0.0) -> np.ndarray:
    """Notes one after the other (:func:`tests.signals.tone`), `gap_s` of noise between; silence around."""
    gap = 0.2 * 10 ** (-notes[0].get("snr_db", 40.0) / 20) * rng.standard_normal(round(gap_s * RATE_HZ))
    parts: list[np.ndarray] = []
    for note in notes:
        gain = 10 ** (note.get("gain_db", 0.0) / 20)
        samples = tone(rng, **{key: value for key, value in note.items() if key != "gain_db"}).samples
        parts += [gain * samples[EDGE:-EDGE].astype(float), gap]
    ends = 0.2 * 10 ** (-notes[0].get("snr_db", 40.0) / 20) * rng.standard_normal((2, EDGE))
    return np.concatenate([ends[0], *parts[:-1], ends[1]])


def note(f0_hz: float, duration_s: float, extent_cents: float = 0.0, **more: Any) -> dict[str, Any]:
    """A note for :func:`line`."""
    return {"f0_hz": f0_hz, "duration_s": duration_s, "extent_cents": extent_cents} | more


def rest(duration_s: float) -> dict[str, Any]:
    """Nothing but noise."""
    return note(440.0, duration_s, gain_db=-120.0)


def together(*lines: np.ndarray) -> np.ndarray:
    """Lines at once, as long as the first."""
    out = lines[0].copy()
    for other in lines[1:]:
        size = min(len(out), len(other))
        out[:size] += other[:size]
    return out


def struck(rng: np.random.Generator, chords: Sequence[Sequence[float]], each_s: float) -> np.ndarray:
    """Chords that are struck and die away."""
    size = round(each_s * RATE_HZ)
    t = np.arange(size) / RATE_HZ
    out = []
    for chord in chords:
        sound = np.zeros(size)
        for f0 in chord:
            for k in range(1, 7):
                phase = rng.uniform(0, 2 * np.pi)
                sound += np.exp(-t * (1.5 + 0.6 * k)) * np.cos(2 * np.pi * k * f0 * t + phase) / k**1.5
        out.append(0.1 * sound * np.minimum(t / 0.004, 1))
    return np.concatenate([np.zeros(EDGE), *out, np.zeros(EDGE)])


def in_room(rng: np.random.Generator, samples: np.ndarray, decay_s: float, direct: float) -> np.ndarray:
    """Reverberation: noise that falls by 60 dB in `decay_s`, `direct` parts of direct sound to one of it."""
    t = np.arange(round(decay_s * RATE_HZ)) / RATE_HZ
    tail = rng.standard_normal(len(t)) * 10 ** (-3 * t / decay_s)
    tail *= 1 / np.sqrt(np.sum(tail**2))
    tail[0] += direct
    return fftconvolve(np.concatenate([samples, np.zeros(len(t) // 2)]), tail)[: len(samples) + len(t) // 2]


def old_disc(rng: np.random.Generator, samples: np.ndarray) -> np.ndarray:
    """Band, surface noise, hum, clicks and a sway of the speed at 78 turns a minute."""
    t = np.arange(len(samples)) / RATE_HZ
    swayed = np.interp(t + 0.004 / (2 * np.pi * 1.3) * np.sin(2 * np.pi * 1.3 * t), t, samples)
    noise = 0.012 * rng.standard_normal(len(t))
    noise[rng.integers(0, len(t), 12)] += 0.8
    hum = 0.004 * np.cos(2 * np.pi * 50 * t)
    band = butter(4, [180, 3800], "bandpass", fs=RATE_HZ, output="sos")
    return sosfilt(band, swayed + noise) + hum


def trilled(rng: np.random.Generator, cents: float, per_s: float, duration_s: float) -> np.ndarray:
    """A trill of rounded steps."""
    at = np.linspace(0, duration_s, round(duration_s * 500))
    steps = cents * (0.5 + 0.5 * np.tanh(4 * np.sin(2 * np.pi * per_s * at)))
    return line(rng, note(440.0, 0.6), note(494.0, duration_s, cents=steps), note(587.0, 0.6), gap_s=0.03)


def above(rng: np.random.Generator, samples: np.ndarray, f_hz: float) -> np.ndarray:
    """The sound above a frequency: a fundamental that hardly sounds."""
    return sosfilt(butter(4, f_hz, "highpass", fs=RATE_HZ, output="sos"), samples)


def swelling(rng: np.random.Generator, *notes: dict[str, Any]) -> np.ndarray:
    """Notes that swell by 14 dB and fade."""
    samples = line(rng, *notes)
    return samples * 10 ** (-14 * np.abs(np.linspace(-1, 1, len(samples))) / 20)


def dipping(rng: np.random.Generator, depths_db: Sequence[float], dip_s: float, each_s: float) -> np.ndarray:
    """One pitch whose level dips, each time deeper."""
    samples = line(rng, note(440.0, each_s * (len(depths_db) + 1)))
    t = np.arange(len(samples)) / RATE_HZ - PAD_S
    for i, depth in enumerate(depths_db, start=1):
        samples = samples * 10 ** (-depth / 20 * np.exp(-0.5 * ((t - i * each_s) / (dip_s / 2.4)) ** 2))
    return samples


def parted(rng: np.random.Generator, gaps_s: Sequence[float], f0_hz: Sequence[float]) -> np.ndarray:
    """Notes with a longer rest after each."""
    parts = []
    for i, gap in enumerate(gaps_s):
        parts += [note(f0_hz[i % len(f0_hz)], 0.32), rest(gap)]
    return line(rng, *parts, note(f0_hz[0], 0.4))


def stepping(rng: np.random.Generator, steps_cents: Sequence[float], each_s: float) -> np.ndarray:
    """One breath in which the pitch leaps, up and down, further each time."""
    cents = np.zeros(1)
    for i, step in enumerate(steps_cents):
        cents = np.append(cents, cents[-1] + (step if i % 2 else -step))
    points = round(each_s * 400)
    return line(rng, note(440.0, each_s * len(cents), cents=np.repeat(cents, points)))


def in_growing_noise(rng: np.random.Generator, samples: np.ndarray, low: float, high: float) -> np.ndarray:
    """White noise that grows evenly in dB."""
    return samples + np.geomspace(low, high, len(samples)) * rng.standard_normal(len(samples))


C, D, E, F, G, A, B, C6 = 523.25, 587.33, 659.26, 698.46, 784.0, 880.0, 987.77, 1046.5

SCORE = """<?xml version="1.0" encoding="UTF-8"?>
<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Solo</part-name></score-part>
</part-list>
<part id="P1"><measure number="1"><attributes><divisions>2</divisions><time><beats>4</beats>
<beat-type>4</beat-type></time></attributes><direction><direction-type><dynamics><mf/></dynamics>
</direction-type></direction>{}</measure></part></score-partwise>
"""


def score(*steps: tuple[str, int, int]) -> str:
    """A score of one measure: step, octave, eighths (0: a grace note)."""
    kinds = {0: "16th", 1: "eighth", 2: "quarter", 4: "half"}
    notes = "".join(
        f"<note>{'' if length else '<grace/>'}<pitch><step>{step}</step><octave>{octave}</octave></pitch>"
        f"{f'<duration>{length}</duration>' if length else ''}<type>{kinds[length]}</type></note>"
        for step, octave, length in steps
    )
    return SCORE.format(notes)


def _vibrating(rng: np.random.Generator) -> np.ndarray:
    return line(
        rng,
        note(440.0, 1.0, 30.0, rate_hz=5.5, level_db=2.0, level_lead_rad=0.6),
        note(C, 0.9, 14.0, rate_hz=6.4, triangle=True),
        note(E, 1.1, 45.0, rate_hz=4.6, delay_s=0.4),
        note(392.0, 0.8),
        gap_s=0.06,
    )


TAKES = {
    "plain": Take(_vibrating),
    "straight": Take(
        lambda rng: line(
            rng, note(330.0, 0.9), note(349.2, 0.5), note(392.0, 0.3), note(440.0, 1.4), gap_s=0.04
        )
    ),
    "irregular": Take(
        lambda rng: line(
            rng,
            note(466.2, 1.6, 25.0, rate_cv=0.12, extent_cv=0.3, snr_db=30),
            note(C, 1.4, 8.0, rate_cv=0.05, extent_cv=0.5, snr_db=30),
            note(415.3, 1.2, cents=6 * np.sin(np.linspace(0, 40, 90) ** 1.1), snr_db=30),
        )
    ),
    "in part": Take(
        lambda rng: line(
            rng,
            note(440.0, 1.5, 30.0, delay_s=0.8),
            note(494.0, 1.0, 22.0, delay_s=0.25, cents=np.linspace(0, 25, 50)),
            note(370.0, 0.45, 40.0, rate_hz=6.5),
            note(392.0, 0.28, 35.0, rate_hz=6.0),
        )
    ),
    "swelling": Take(lambda rng: swelling(rng, note(440.0, 1.8, 18.0), note(C, 1.8))),
    "loudness": Take(
        lambda rng: line(
            rng,
            note(440.0, 1.2, 3.0, level_db=3.0, rate_hz=5.0),
            note(554.4, 1.2, 0.0, level_db=2.0, rate_hz=5.8),
            note(494.0, 1.0, 20.0, level_db=1.0, level_lead_rad=2.5, snr_db=25),
            gap_s=0.05,
        )
    ),
    "trill": Take(lambda rng: trilled(rng, 200.0, 7.0, 1.2)),
    "slow trill": Take(lambda rng: trilled(rng, 100.0, 4.5, 1.4)),
    "repeated": Take(
        lambda rng: line(
            rng, *[note(440.0, 0.16)] * 3, *[note(494.0, 0.11)] * 4, note(440.0, 0.6), gap_s=0.02
        )
    ),
    "runs": Take(
        lambda rng: line(
            rng,
            *[
                note(f, d)
                for f, d in zip((C, D, E, F, G, A, G, E, C), [0.12] * 5 + [0.08] * 3 + [0.5], strict=True)
            ],
        )
    ),
    "glide": Take(
        lambda rng: line(
            rng,
            note(440.0, 1.6, 15.0, cents=np.repeat([0.0, 200.0, 350.0], [30, 30, 30])),
            note(440.0, 1.2, cents=np.linspace(0, 400, 60)),
        )
    ),
    "high": Take(lambda rng: line(rng, note(1568.0, 0.8, 20.0), note(2093.0, 0.6), note(1760.0, 0.9, 30.0))),
    "low": Take(
        lambda rng: line(rng, note(73.4, 1.0, 20.0), note(98.0, 0.8), note(116.5, 1.0, 30.0)),
        {"instrument": "bassoon"},
    ),
    "dry noise": Take(
        lambda rng: line(
            rng, note(440.0, 1.2, 30.0, snr_db=8), note(C, 1.0, 10.0, snr_db=8), note(392.0, 0.8, snr_db=8)
        )
    ),
    "room": Take(
        lambda rng: in_room(
            rng,
            line(
                rng,
                note(440.0, 1.0, 30.0),
                note(C, 0.7, 20.0),
                note(E, 0.9),
                note(494.0, 1.0, 40.0),
                rest(0.5),
            ),
            1.8,
            1.0,
        )
    ),
    "large room": Take(
        lambda rng: in_room(
            rng,
            line(
                rng, note(494.0, 0.6), note(440.0, 1.4, 25.0, rate_hz=6.2), rest(0.7), note(587.0, 0.9, 35.0)
            ),
            3.0,
            0.5,
        ),
        {"room": "large"},
    ),
    "chords": Take(
        lambda rng: together(
            line(rng, note(C, 1.0, 30.0), note(D, 0.8), note(E, 1.0, 20.0), note(C, 0.9)),
            struck(rng, [(131.0, 196.0, 262.0, 330.0), (147.0, 220.0, 349.0), (165.0, 262.0, 392.0)], 1.25),
        ),
        {"accompaniment": "piano"},
    ),
    "loud chords": Take(
        lambda rng: together(
            line(
                rng, note(A, 1.2, 30.0, gain_db=-8), note(G, 1.0, 25.0, gain_db=-8), note(F, 1.0, gain_db=-8)
            ),
            struck(rng, [(220.0, 277.2, 330.0, 440.0), (196.0, 247.0, 392.0), (175.0, 349.2, 440.0)], 1.1),
        ),
        {"accompaniment": "piano"},
    ),
    "second wind": Take(
        lambda rng: together(
            line(rng, note(E, 1.2, 30.0), note(F, 1.0), note(G, 1.2, 22.0)),
            line(
                rng,
                note(C, 1.2, 18.0, rate_hz=6.3, gain_db=-6),
                note(D, 1.0, gain_db=-6),
                note(E, 1.2, gain_db=-4),
            ),
        ),
        {"accompaniment": "orchestra"},
    ),
    "held strings": Take(
        lambda rng: together(
            line(rng, note(A, 1.2, 25.0), note(B, 1.0), note(C6, 1.2, 35.0)),
            *[line(rng, note(f, 3.4, 8.0, rate_cv=0.1, gain_db=-14)) for f in (220.0, 330.0, 440.0, 554.0)],
        ),
        {"accompaniment": "strings"},
    ),
    "old disc": Take(
        lambda rng: old_disc(
            rng, line(rng, note(440.0, 1.6, 30.0), note(494.0, 1.6), note(587.0, 1.6, 18.0), note(440.0, 1.8))
        ),
        {"medium": "acoustic_disc"},
    ),
    "off speed": Take(_vibrating, {"speed_factor": 0.96, "medium": "electrical_disc", "tempo_bpm": 72.0}),
    "tape": Take(_vibrating, {"medium": "tape_lp", "tuning_hz": 435.0, "start_s": 1.0, "end_s": 3.6}),
    "two channels": Take(
        lambda rng: np.column_stack(
            [
                together(s := line(rng, note(E, 1.1, 30.0), note(G, 1.0)), 0.5 * line(rng, note(C, 2.1))),
                0.4 * s + 0.02 * rng.standard_normal(len(s)),
            ]
        )
    ),
    "weak fundamental": Take(
        lambda rng: above(
            rng, line(rng, note(262.0, 1.0, 25.0), note(294.0, 0.8), note(330.0, 1.0, 15.0)), 640.0
        )
    ),
    "strong octave": Take(
        lambda rng: together(
            line(rng, note(330.0, 1.0, 20.0, gain_db=-16), note(349.2, 0.8, gain_db=-16)),
            line(rng, note(660.0, 1.0, 20.0, harmonics=3), note(698.5, 0.8, harmonics=3)),
        )
    ),
    "pure": Take(
        lambda rng: line(
            rng, note(E, 1.0, 30.0, harmonics=1), note(C6, 0.8, 12.0, harmonics=2), note(G, 0.6, harmonics=1)
        )
    ),
    "other rate": Take(
        lambda rng: resample(
            line(rng, note(440.0, 1.0, 25.0), note(C, 0.6)), round(1.6 * RATE_HZ + 2 * EDGE) * 2
        ),
        rate_hz=2 * RATE_HZ,
    ),
    # ladders: a quantity climbs, so that a limit on it that is moved falls between other rungs
    "ladder of lengths": Take(
        lambda rng: line(
            rng,
            *[
                note(f, d, 30.0, rate_hz=6.0)
                for f, d in zip(
                    (440.0, 494.0) * 5,
                    (0.09, 0.12, 0.15, 0.19, 0.24, 0.3, 0.37, 0.45, 0.54, 0.65),
                    strict=True,
                )
            ],
            gap_s=0.03,
        )
    ),
    "ladder of extents": Take(
        lambda rng: line(
            rng,
            *[
                note(f, 0.75, e)
                for f, e in zip((440.0, 494.0) * 4, (0.6, 1.0, 1.5, 2.2, 3.2, 5.0, 60.0, 110.0), strict=True)
            ],
            gap_s=0.03,
        )
    ),
    "ladder of rates": Take(
        lambda rng: line(
            rng,
            *[
                note(f, 0.8, 20.0, rate_hz=r)
                for f, r in zip((440.0, 494.0) * 4, (2.4, 3.0, 3.7, 4.4, 7.5, 8.8, 10.0, 11.5), strict=True)
            ],
            gap_s=0.03,
        )
    ),
    "ladder of loudness": Take(
        lambda rng: line(
            rng,
            *[
                note(f, 0.75, e, level_db=level)
                for f, e, level in zip(
                    (440.0, 494.0) * 4,
                    (0.0, 0.0, 0.0, 0.0, 15.0, 15.0, 15.0, 15.0),
                    (0.1, 0.2, 0.4, 0.7, 0.15, 0.3, 0.6, 3.5),
                    strict=True,
                )
            ],
            gap_s=0.03,
        )
    ),
    "ladder of noise": Take(
        lambda rng: in_growing_noise(
            rng, line(rng, *[note(f, 0.7, 25.0) for f in (440.0, 494.0) * 4], gap_s=0.05), 0.004, 0.25
        )
    ),
    "ladder of noise on straight notes": Take(
        lambda rng: in_growing_noise(
            rng, line(rng, *[note(f, 0.6) for f in (587.0, 523.0) * 3], gap_s=0.05), 0.01, 0.2
        )
    ),
    "ladder of dips": Take(lambda rng: dipping(rng, (1.8, 2.4, 3.1, 4.0, 5.2, 7.0, 10.0, 16.0), 0.03, 0.35)),
    "ladder of wide dips": Take(lambda rng: dipping(rng, (3.0, 4.0, 5.2, 7.0, 9.0, 12.0, 18.0), 0.09, 0.4)),
    "tongued quickly": Take(lambda rng: dipping(rng, (5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0), 0.035, 0.13)),
    "ladder of rests": Take(
        lambda rng: parted(rng, (0.008, 0.012, 0.018, 0.027, 0.04, 0.06, 0.09, 0.14), (440.0,))
    ),
    "ladder of rests between notes": Take(
        lambda rng: parted(rng, (0.008, 0.014, 0.025, 0.045, 0.08), (440.0, 494.0, 392.0))
    ),
    "ladder of steps": Take(
        lambda rng: stepping(rng, (35, 45, 60, 80, 105, 140, 190, 260, 360, 500, 700), 0.3)
    ),
    "ladder of quick steps": Take(lambda rng: stepping(rng, (1200, 100, 200, 1200, 300, 700, 400), 0.13)),
    "ladder of trills": Take(
        lambda rng: np.concatenate([trilled(rng, cents, 6.0, 0.9) for cents in (70.0, 120.0, 220.0, 320.0)])
    ),
    "ladder of slow trills": Take(
        lambda rng: np.concatenate([trilled(rng, 200.0, per_s, 0.9) for per_s in (3.0, 4.0, 9.0, 12.0)])
    ),
    "ladder of company": Take(
        lambda rng: together(
            line(rng, *[note(f, 0.7, 22.0) for f in (880.0, 988.0) * 3]),
            line(rng, *[note(660.0, 0.7, gain_db=g) for g in (-30, -24, -18, -13, -9, -5)]),
        )
    ),
    "ladder of chords": Take(
        lambda rng: together(
            line(
                rng,
                *[
                    note(f, 0.8, e, gain_db=g)
                    for f, e, g in ((880.0, 25.0, 0), (784.0, 0.0, -4), (698.0, 18.0, -8), (784.0, 30.0, -12))
                ],
            ),
            struck(
                rng,
                [(220.0, 330.0, 554.4), (196.0, 294.0, 494.0), (175.0, 262.0, 440.0), (165.0, 392.0)],
                0.8,
            ),
        )
    ),
    "ladder of octaves": Take(
        lambda rng: line(
            rng,
            *[
                note(f, 0.35, 12.0, gain_db=g)
                for f, g in ((220.0, 0), (440.0, -6), (880.0, 0), (440.0, -14), (1760.0, -3), (147.0, -8))
            ],
        )
    ),
    "listed": Take(
        _vibrating,
        files={"notes_path": "onset_s,offset_s,label\n0.15,1.14,a\n1.22,2.1,b\n2.19,3.25,c\n3.3,3.36,d\n"},
    ),
    "listed with pitch": Take(
        lambda rng: together(
            line(rng, note(440.0, 1.0, 25.0), note(C, 0.8), note(494.0, 0.9, 15.0)),
            line(rng, note(1318.5, 2.6, gain_db=2)),
        ),
        files={
            "notes_path": "onset_s,offset_s,pitch,label\n0.15,1.14,A4,\n1.15,1.94,523,trill\n"
            "1.96,2.84,B4,\n2.86,2.9,B4,\n"
        },
    ),
    "score": Take(
        lambda rng: line(
            rng,
            *[
                note(f, d, 20.0)
                for f, d in ((C, 0.5), (D, 0.48), (E, 0.26), (F, 0.25), (A, 0.5), (G, 1.0), (E, 0.5))
            ],
            gap_s=0.02,
        ),
        files={
            "score_path": score(
                ("C", 5, 2),
                ("D", 5, 2),
                ("E", 5, 1),
                ("F", 5, 1),
                ("G", 5, 2),
                ("G", 5, 4),
                ("F", 5, 1),
                ("E", 5, 2),
            )
        },
    ),
    "with crepe": Take(
        lambda rng: line(rng, note(440.0, 0.8, 25.0), note(C, 0.5)), {"tracker": "crepe-tiny"}
    ),
}
