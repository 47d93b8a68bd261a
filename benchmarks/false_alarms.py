"""How often straight notes pass for vibrato, and how often a short narrow vibrato is found.

    uv run python -m benchmarks.false_alarms [--notes 300] [--seed 5]
    uv run python -m benchmarks.false_alarms --colours

Straight notes of 0.45-3 s, 130-900 Hz, SNR 10-40 dB, of seven kinds: noise alone; drift, scoops and a
slow bend; jitter and wander of the pitch; a vibrato-free accompaniment of decaying chords; and their
mixtures. Prints the share below 5 % and 1 % of ``vibrato_p``, the share called vibrato at the two levels,
and the same for level. Then 0.5-s notes of ± 8 cents at 5.5 Hz and 20 dB. ``CALIBRATION`` of
:mod:`vibstudy.vibrato.detect` was set on seeds 91 to 94.

``--colours`` prints what ``COLOURED`` there is made of: of straight notes drawn from each background of the
test's own model, the log of how often they reach a probability of a tenth, over a tenth, by degrees of
freedom and by how the background falls (dB an octave).
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table
from scipy.fft import idct

from tests.signals import PAD_S, RATE_HZ, tone
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.vibrato import detect
from vibstudy.vibrato.noise import Series
from vibstudy.vibrato.note import measure_note

KINDS = ("noise", "drift", "jitter", "drift jitter", "chords", "drift chords", "drift jitter chords")


def straight(kind: str, rng: np.random.Generator) -> dict | None:
    """Measure one straight note."""
    duration = float(np.exp(rng.uniform(np.log(0.45), np.log(3.0))))
    f0 = float(np.exp(rng.uniform(np.log(130), np.log(900))))
    step = 0.01
    t = np.arange(0, duration + step, step)
    cents = np.zeros(len(t))
    if "drift" in kind:
        u = t / duration - 0.5
        cents += rng.uniform(-15, 15) * u + rng.uniform(-40, 40) * u**2
        cents += rng.uniform(-25, 10) * np.exp(-t / rng.uniform(0.015, 0.05))
        cents += rng.uniform(0, 8) * np.sin(2 * np.pi * rng.uniform(0.2, 1.3) * t + rng.uniform(0, 6))
    if "jitter" in kind:
        cents += np.cumsum(rng.standard_normal(len(t))) * rng.uniform(0.05, 0.4)
        cents += rng.standard_normal(len(t)) * rng.uniform(0, 1.5)
    sound = tone(
        rng, f0_hz=f0, extent_cents=0.0, duration_s=duration, snr_db=rng.uniform(10, 40), cents=cents
    )
    samples = sound.samples
    if "chords" in kind:
        chords = _chords(duration, rng)
        samples = samples + (chords * 0.2 * 10 ** (-rng.uniform(0, 15) / 20)).astype(np.float32)
    line = refine_note(
        samples, RATE_HZ, track_line(samples, RATE_HZ), sound.onset_s + 0.015, sound.offset_s - 0.02
    )
    if line is None:
        return None
    loose, _ = measure_note(line, false_alarm=0.05)
    p, found = loose.get("vibrato_p", np.nan), loose["has_vibrato"] is True
    return {
        "kind": kind,
        "p": p,
        "at 5 %": found,
        "at 1 %": found and p < 0.01,  # the fit is the same at any level
        "level p": loose.get("intensity_p", np.nan),
    }


def _chords(duration_s: float, rng: np.random.Generator) -> np.ndarray:
    """Three struck tones with slightly stretched partials, unit power."""
    t = np.arange(round((duration_s + 2 * PAD_S) * RATE_HZ)) / RATE_HZ - PAD_S
    out = np.zeros(len(t))
    for _ in range(3):
        f = 440 * 2 ** (np.round(rng.uniform(-36, 6)) / 12 + rng.standard_normal() * 4 / 1200)
        since = t - rng.uniform(-PAD_S, 0.6 * duration_s)
        for k in range(1, 11):
            partial = f * k * np.sqrt(1 + 0.0004 * k * k)
            if partial < RATE_HZ / 2:
                decay = np.exp(-np.maximum(since, 0) * (1 + 0.3 * k)) * (since > 0)
                out += decay * np.sin(2 * np.pi * partial * t + rng.uniform(0, 6)) / k**1.2
    return out / (np.std(out) + 1e-12)


def print_colours(draws: int) -> None:
    """Print how often notes drawn from each background are far from straight, by the formula alone."""
    detect.CALIBRATION, detect.COLOURED = (1.0, 1.0), np.zeros_like(detect.COLOURED)
    table = Table(title="log of the share below a tenth, over a tenth")
    for head in ("length, s", "degrees of freedom", *(f"{low} to {low + 2} dB" for low in range(0, 12, 2))):
        table.add_column(head)
    rng = np.random.default_rng(5)
    for duration_s in (0.5, 0.7, 1.0, 1.4, 2.25):
        step_s = 1 / 100 if duration_s < 1.5 else 1 / 64
        time_s = np.arange(0.5 * step_s, duration_s, step_s)
        search = detect.Search(Series(time_s, time_s, True, duration_s), 3.0, 10.0, anywhere=True)
        power = 1.0 / search.w
        falls = detect.falls_db(power, 3.0, search.series.span_s)
        below = [[] for _ in range(6)]
        for variance, fall in zip(power, falls, strict=True):
            own = below[int(np.clip(fall / 2.0, 0, 5))]
            for _ in range(draws):
                spectrum = np.zeros(len(time_s))
                spectrum[1 : len(variance) + 1] = rng.standard_normal(len(variance)) * np.sqrt(variance)
                own.append(search.test(idct(spectrum, type=2, norm="ortho")).p < 0.1)
        logs = [f"{np.log(10 * np.mean(own)):.2f}" if own else "" for own in below]
        table.add_row(str(duration_s), str(search.free), *logs)
    Console(width=120).print(table)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--notes", type=int, default=286, help="straight notes of each kind")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--out", help="write the notes to this CSV")
    parser.add_argument("--colours", action="store_true", help="draws from the test's own model, alone")
    args = parser.parse_args()
    if args.colours:
        print_colours(100)
        return
    rng = np.random.default_rng(args.seed)
    rows = [straight(kind, rng) for kind in KINDS for _ in range(args.notes)]
    frame = pd.DataFrame([row for row in rows if row])
    if args.out:
        frame.to_csv(args.out, index=False)
    console = Console(width=120)
    table = Table(title=f"{len(frame)} straight notes")
    heads = (
        "kind",
        "p < 50 %",
        "p < 5 %",
        "p < 1 %",
        "vibrato at 5 %",
        "vibrato at 1 %",
        "level p < 5 %",
        "level p < 1 %",
    )
    for head in heads:
        table.add_column(head, justify="left" if head == "kind" else "right")
    for name, part in [*frame.groupby("kind", sort=False), ("all", frame)]:
        shares = (
            part["p"] < 0.5,
            part["p"] < 0.05,
            part["p"] < 0.01,
            part["at 5 %"],
            part["at 1 %"],
            part["level p"] < 0.05,
            part["level p"] < 0.01,
        )
        table.add_row(str(name), *(f"{100 * share.mean():.1f} %" for share in shares))
    console.print(table)
    found = []
    for _ in range(200):
        sound = tone(rng, extent_cents=8, rate_hz=5.5, duration_s=0.5, snr_db=20)
        contour = track_line(sound.samples, RATE_HZ)
        line = refine_note(sound.samples, RATE_HZ, contour, sound.onset_s + 0.005, sound.offset_s - 0.005)
        found.append(line is not None and measure_note(line)[0]["has_vibrato"] is True)
    console.print(f"± 8 cents, 5.5 Hz, 0.5 s, 20 dB: found {100 * np.mean(found):.1f} % of {len(found)}")


if __name__ == "__main__":
    main()
