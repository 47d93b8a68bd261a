"""Corpora made to break the verdicts, none of them among the rows of ``calibration.py``.

Nothing is there to find: 5 % of the verdicts should say that there is. Printed are false alarms with their
Monte-Carlo error; what they were stands in ``docs/statistics.md``.

Run ``python -m benchmarks.calibration_hostile --corpora 300`` (two minutes of one core).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from vibstudy.stats import fit_mixed

PLAYER_SD, RECORDING_SD, NOTE_SD = 0.25, 0.12, 0.3

Drawn = tuple[pd.DataFrame, str, str]
"""A corpus, the formula, and the term asked about."""


def _corpus(players: int, recordings: int, sizes: Callable[[int], int]) -> pd.DataFrame:
    """Notes of players; `sizes` gives the notes of a recording by its player."""
    rows = [
        (player, f"{player}/{take}", take)
        for player in range(players)
        for take in range(recordings)
        for _ in range(sizes(player))
    ]
    return pd.DataFrame(rows, columns=["player", "recording_id", "take"])


def _noise(
    rng: np.random.Generator,
    frame: pd.DataFrame,
    player_sd: float | np.ndarray = PLAYER_SD,
    recording_sd: float = RECORDING_SD,
    note_sd: float | np.ndarray = NOTE_SD,
    tail_df: int = 0,
) -> np.ndarray:
    """Players, recordings and notes; players and notes with the tails of Student's t where asked."""

    def drawn(count: int) -> np.ndarray:
        if not tail_df:
            return rng.normal(size=count)
        return rng.standard_t(tail_df, count) / np.sqrt(tail_df / (tail_df - 2))

    player, take = frame["player"].to_numpy(), pd.factorize(frame["recording_id"])[0]
    y = (player_sd * drawn(player.max() + 1))[player]
    return y + recording_sd * rng.normal(size=take.max() + 1)[take] + note_sd * drawn(len(frame))


def half_of_all_notes(rng: np.random.Generator) -> Drawn:
    """One of eight players has half of all notes, which scatter three times as far; periods."""
    f = _corpus(8, 4, lambda player: 20 if player else 140)
    f["x"] = f["player"] % 2
    f["y"] = _noise(rng, f, note_sd=np.where(f["player"] == 0, 0.9, NOTE_SD))
    return f, "y ~ C(x)", "C(x)[T.1]"


def half_of_all_notes_within(rng: np.random.Generator) -> Drawn:
    """The same; a number within players, slopes 0.08."""
    f, *_ = half_of_all_notes(rng)
    f["x"] = rng.normal(size=len(f))
    f["y"] += (0.08 * rng.normal(size=8))[f["player"]] * f["x"]
    return f, "y ~ x", "x"


def heavy_tails(rng: np.random.Generator) -> Drawn:
    """4 against 8 players, players and notes with Student's t of 3 degrees of freedom."""
    f = _corpus(12, 3, lambda _: int(rng.integers(5, 40)))
    f["x"] = (f["player"] >= 4).astype(int)
    return f.assign(y=_noise(rng, f, tail_df=3)), "y ~ C(x)", "C(x)[T.1]"


def two_instruments(rng: np.random.Generator) -> Drawn:
    """3 of 10 players play two instruments, each in his own way; periods, instrument held equal."""
    f = _corpus(10, 4, lambda _: int(rng.integers(10, 30)))
    f["x"] = f["player"] % 2
    f["instrument"] = np.where(f["player"] < 3, f["take"] % 2, (f["player"] // 2) % 2)
    own = 0.2 * rng.normal(size=(10, 2))
    return (
        f.assign(y=_noise(rng, f) + own[f["player"], f["instrument"]]),
        "y ~ C(x) + C(instrument)",
        "C(x)[T.1]",
    )


def two_instruments_compared(rng: np.random.Generator) -> Drawn:
    """The same; the instruments compared."""
    f, formula, _ = two_instruments(rng)
    return f, formula, "C(instrument)[T.1]"


def nested_medium(rng: np.random.Generator) -> Drawn:
    """Discs before 1950, tape after, each player answers in his own way; regions, decade held equal."""
    f = _corpus(16, 4, lambda _: int(rng.integers(8, 25)))
    later = (f["take"] >= 2) & (f["player"] % 4 == 0)
    f["decade"] = np.array([1930, 1940, 1960, 1970])[np.minimum(f["player"] // 2 % 4 + later, 3)]
    tape, f["x"] = (f["decade"] > 1950).astype(int), f["player"] % 2
    own = 0.15 * rng.normal(size=(16, 2))
    return (
        f.assign(y=_noise(rng, f) + 0.4 * tape + own[f["player"], tape]),
        "y ~ C(x) + C(decade)",
        "C(x)[T.1]",
    )


def nested_medium_decades(rng: np.random.Generator) -> Drawn:
    """The same; two decades of one medium compared."""
    f, formula, _ = nested_medium(rng)
    return f, formula, "C(decade)[T.1940]"


def slopes_with_levels(rng: np.random.Generator) -> Drawn:
    """Slopes of a register far from zero go with the players' levels (0.9), as does what they play."""
    f = _corpus(8, 4, lambda _: int(rng.integers(8, 40)))
    f["x"] = rng.normal(70, 4, len(f)) + 3 * (f["player"] - 3.5)
    level = rng.normal(size=8)
    slope = 0.9 * level + np.sqrt(1 - 0.81) * rng.normal(size=8)
    own = (PLAYER_SD * level)[f["player"]] + (0.02 * slope)[f["player"]] * (f["x"] - 70)
    return f.assign(y=_noise(rng, f, player_sd=0.0) + own), "y ~ x", "x"


def unequal_recordings(rng: np.random.Generator) -> Drawn:
    """4 against 8 players, recordings of 3 to 300 notes that differ as much as players do."""
    f = _corpus(12, 4, lambda _: int(np.exp(rng.uniform(np.log(3), np.log(300)))))
    f["x"] = (f["player"] >= 4).astype(int)
    return f.assign(y=_noise(rng, f, recording_sd=0.25)), "y ~ C(x)", "C(x)[T.1]"


def change_of_a_difference(rng: np.random.Generator) -> Drawn:
    """Whether the difference of periods differs between regions; one region's players spread wider."""
    f = _corpus(12, 4, lambda _: int(rng.integers(8, 30)))
    f["x"], f["z"] = f["player"] % 2, (f["player"] // 2) % 2
    spread = np.where(np.arange(12) // 2 % 2, 0.4, 0.15)
    return f.assign(y=_noise(rng, f, player_sd=spread)), "y ~ C(x) * C(z)", "C(x)[T.1]:C(z)[T.1]"


DESIGNS: Sequence[Callable[[np.random.Generator], Drawn]] = (
    half_of_all_notes,
    half_of_all_notes_within,
    heavy_tails,
    two_instruments,
    two_instruments_compared,
    nested_medium,
    nested_medium_decades,
    slopes_with_levels,
    unequal_recordings,
    change_of_a_difference,
)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--corpora", type=int, default=300, help="simulated corpora of each design")
    parser.add_argument("--seed", type=int, default=9)
    arguments = parser.parse_args()
    for number, design in enumerate(DESIGNS):
        rng, started, found = np.random.default_rng([arguments.seed, number]), time.process_time(), []
        for _ in range(arguments.corpora):
            frame, formula, term = design(rng)
            found.append(float(fit_mixed(frame, formula).table().loc[term, "p"]))
        p = np.array(found)
        told = p[np.isfinite(p)]
        share = float(np.mean(told < 0.05)) if len(told) else np.nan
        error = np.sqrt(share * (1 - share) / max(len(told), 1))
        print(
            f"{design.__name__:28s} {100 * share:4.1f} ± {100 * error:.1f} %  refused {len(p) - len(told)}"
            f"  {time.process_time() - started:.0f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
