"""Corpora made to break the verdicts, none of them among the rows of ``calibration.py``.

Nothing is there to find: 5 % of the verdicts should say that there is. Printed are false alarms with their
Monte-Carlo error; what they were stands in ``docs/statistics.md``. Two kinds of designs: models
(:data:`DESIGNS`, :func:`vibstudy.stats.fit_mixed`), and claims as a user makes them (:data:`CLAIMED`,
:data:`FURTHER`; :func:`vibstudy.stats.examine.examine`), of which is counted how often they are "supported",
and how often without a "but". Besides, whether pupils are found near their teachers.

Run ``python -m benchmarks.calibration_hostile --corpora 300`` (25 minutes of one core). Every corpus has
its own seed: ``--first 300`` goes on.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from vibstudy.stats import fit_mixed
from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.examine import examine
from vibstudy.stats.lineage import pupils_near_teachers

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


# --- claims as a user makes them

Put = tuple[pd.DataFrame, Claim]
"""A corpus, and what is claimed of it."""


def _level(rng: np.random.Generator, f: pd.DataFrame, player_sd: float = PLAYER_SD) -> np.ndarray:
    """Players and recordings, without notes."""
    return _noise(rng, f, player_sd=player_sd, note_sd=0.0)


def _put(
    f: pd.DataFrame, y: np.ndarray, contrast: Contrast, expect: str = "different", margin: float | None = None
) -> Put:
    """Extents of 22 cents times exp(y)."""
    f = f.assign(player="P" + f["player"].astype(str), extent_cents=22 * np.exp(y)).drop(columns="take")
    return f, Claim("c", "", "extent_cents", contrast, expect, margin=margin, scale="log")


def _sides(f: pd.DataFrame, late: np.ndarray, names: str = "AB") -> np.ndarray:
    return np.array(list(names))[np.asarray(late, int)]


REGION = Contrast("region", "A", "B")


def outlying_notes(rng: np.random.Generator) -> Put:
    """Notes with Student's t of 2 degrees of freedom: the variance is infinite."""
    f = _corpus(12, 3, lambda _: 15)
    y = _level(rng, f) + np.clip(0.2 * rng.standard_t(2, len(f)), -10, 10)
    return _put(f.assign(region=_sides(f, f["player"] % 2)), y, REGION)


def one_player_has_most(rng: np.random.Generator) -> Put:
    """One of eight players has 60 % of all notes; register, own slopes 0.1."""
    f = _corpus(8, 4, lambda player: 8 if player else 84)
    x = rng.normal(size=len(f))
    y = _noise(rng, f) + rng.normal(0, 0.1, 8)[f["player"]] * x
    return _put(f.assign(midi=67 + 6 * x), y, Contrast("midi", 60, 72))


def rounded_by_instrument(rng: np.random.Generator) -> Put:
    """Extents rounded to 5 cents on horns, to 1 on reeds; a region plays two thirds horns, the other one."""
    f = _corpus(12, 3, lambda _: 15)
    late = f["player"] % 2
    horn = np.where(f["player"] // 2 % 3 == 0, 1 - late, late)
    extent = 12 * np.exp(_noise(rng, f))
    rounded = np.where(horn, 5 * np.round(extent / 5), np.round(extent))
    with np.errstate(divide="ignore"):
        y = np.log(rounded / 22)
    return _put(f.assign(region=_sides(f, late), instrument=_sides(f, horn, "rh")), y, REGION)


def wrong_speed(rng: np.random.Generator) -> Put:
    """One of 24 recordings runs at 45 instead of 33 1/3 turns: its rates are a third too high."""
    f = _corpus(8, 3, lambda _: 15)
    rate = 5.8 + _noise(rng, f, player_sd=0.35, recording_sd=0.15)
    rate = np.where(pd.factorize(f["recording_id"])[0] == 0, 1.35 * rate, rate)
    notes, _ = _put(f.assign(region=_sides(f, f["player"] % 2), rate_hz=rate), 0 * rate, REGION)
    return notes, Claim("c", "", "rate_hz", REGION, "different")


def age_goes_with_decade(rng: np.random.Generator) -> Put:
    """Players narrow by 15 % with every decade of their lives, no decade does; their ages are known."""
    f = _corpus(12, 4, lambda _: 12)
    first = 1930 + 10 * rng.integers(0, 2, 12)[f["player"]]
    age = 25 + 10 * f["take"] + rng.integers(0, 10, 12)[f["player"]]
    y = _noise(rng, f) - 0.15 * f["take"].to_numpy()
    return _put(f.assign(decade=first + 10 * f["take"], age=age), y, Contrast("decade", 1930, 1970), "lower")


def two_names(rng: np.random.Generator) -> Put:
    """Two of eight players have two names each."""
    f = _corpus(8, 4, lambda _: 12)
    f, y = f.assign(region=_sides(f, f["player"] % 2)), _noise(rng, f)
    f["player"] += 50 * ((f["player"] < 2) & (f["take"] >= 2))
    return _put(f, y, REGION)


def decades_between_missing(rng: np.random.Generator) -> Put:
    """Recordings of 1930, 1940, 1980 and 1990 only."""
    f = _corpus(16, 3, lambda _: 12)
    f["decade"] = np.array([1930, 1940, 1980, 1990])[f["player"] % 4]
    return _put(f, _noise(rng, f), Contrast("decade", 1930, 1990))


def three_eras(rng: np.random.Generator) -> Put:
    """Eras 1, 2, 3, a step from 2 to 3; claimed: a change from 1 to 2."""
    f = _corpus(18, 3, lambda _: 12)
    f["era"] = 1 + f["player"] % 3
    return _put(f, _noise(rng, f) + 0.5 * (f["era"] == 3).to_numpy(), Contrast("era", 1, 2))


def short_notes_of_a_region(rng: np.random.Generator) -> Put:
    """One region plays shorter notes, whose errors and limits are larger; equally wide at any length."""
    f = _corpus(12, 3, lambda _: 25)
    late = f["player"].to_numpy() % 2
    duration = np.exp(rng.normal(np.where(late, -1.1, -0.3), 0.5))
    true = 15 * np.exp(_noise(rng, f))
    se = 1.8 * rng.lognormal(0, 0.3, len(f)) / duration
    found = np.hypot(true + rng.normal(0, se), rng.normal(0, se))
    kept = found > 3.5 * se
    notes, claim = _put(f.assign(region=_sides(f, late)), np.log(found / 22), REGION)
    return notes.assign(
        duration_s=duration, extent_se_cents=se, extent_limit_cents=3.5 * se, has_vibrato=kept, usable=kept,
        extent_cents=notes["extent_cents"].where(kept),
    ), claim  # fmt: skip


def up_and_down(rng: np.random.Generator) -> Put:
    """Wider until 1970, then narrower; claimed: a trend from 1950 to 1990. Most recordings are early."""
    f = _corpus(20, 3, lambda _: 10)
    decades, chances = np.arange(1930, 2000, 10), [0.2, 0.2, 0.2, 0.15, 0.15, 0.05, 0.05]
    f["decade"] = rng.choice(decades, 20, p=chances)[f["player"]]
    y = _noise(rng, f) - 0.015 * np.abs(f["decade"] - 1970).to_numpy()
    return _put(f, y, Contrast("decade", 1950, 1990, shape="trend"), "higher")


def nearly_all_vibrate(rng: np.random.Generator) -> Put:
    """Vibrato on some 95 % of the notes; presence."""
    f = _corpus(12, 3, lambda _: 25)
    odds = 3.5 + _noise(rng, f, player_sd=1.0, recording_sd=0.4, note_sd=0.0)
    notes, _ = _put(f.assign(region=_sides(f, f["player"] % 2)), odds, REGION)
    notes["has_vibrato"] = rng.random(len(f)) < 1 / (1 + np.exp(-odds))
    return notes, Claim("c", "", "has_vibrato", REGION, "different")


def presence_by_register(rng: np.random.Generator) -> Put:
    """Register changes how often each player vibrates, in his own way (0.6); most notes vibrate."""
    f, x = _corpus(10, 3, lambda _: 30), rng.normal(size=900)
    odds = 2.5 + _noise(rng, f, player_sd=0.9, recording_sd=0.3, note_sd=0.0)
    odds += rng.normal(0, 0.6, 10)[f["player"]] * x
    notes, _ = _put(f.assign(midi=67 + 5 * x), odds, REGION)
    notes["has_vibrato"] = rng.random(len(f)) < 1 / (1 + np.exp(-odds))
    return notes, Claim("c", "", "has_vibrato", Contrast("midi", 60, 72), "different")


def schools_of_regions(rng: np.random.Generator) -> Put:
    """Players of a school are alike (0.25); three schools a region."""
    f = _corpus(18, 3, lambda _: 12)
    f = f.assign(region=_sides(f, f["player"] % 2), school="school " + (f["player"] % 6).astype(str))
    return _put(f, _noise(rng, f) + rng.normal(0, 0.25, 6)[f["player"] % 6], REGION)


def pieces_of_regions(rng: np.random.Generator) -> Put:
    """What is played decides (0.25): each region has three pieces of its own."""
    f = _corpus(16, 3, lambda _: 12)
    piece = 3 * (f["player"] % 2) + f["take"]
    f = f.assign(region=_sides(f, f["player"] % 2), piece="piece " + piece.astype(str))
    return _put(f, _noise(rng, f) + rng.normal(0, 0.25, 6)[piece], REGION)


def labels_of_regions(rng: np.random.Generator) -> Put:
    """Labels transfer in their own ways (0.2), three labels a region, in a column of the user's own."""
    f = _corpus(16, 3, lambda _: 12)
    label = 3 * (f["player"] % 2) + (f["player"] // 2 + f["take"]) % 3
    f = f.assign(region=_sides(f, f["player"] % 2), label="label " + label.astype(str))
    return _put(f, _noise(rng, f) + rng.normal(0, 0.2, 6)[label], REGION)


def migrants(rng: np.random.Generator) -> Put:
    """3 of 10 players change region in mid-career, each in his own way (0.15)."""
    f = _corpus(10, 4, lambda _: 12)
    region = (f["player"] + ((f["player"] < 3) & (f["take"] >= 2))) % 2
    return _put(
        f.assign(region=_sides(f, region)),
        _noise(rng, f) + rng.normal(0, 0.15, (10, 2))[f["player"], region],
        REGION,
    )


def equal_at_the_margin(rng: np.random.Generator) -> Put:
    """Three players a side differ by 15 %; claimed: equal to within 15 %."""
    f = _corpus(6, 4, lambda _: 15)
    y = _noise(rng, f) + np.log(1.15) * (f["player"] % 2)
    return _put(f.assign(region=_sides(f, f["player"] % 2)), y, REGION, "equal", 15)


CLAIMED: Sequence[Callable[[np.random.Generator], Put]] = (
    outlying_notes,
    one_player_has_most,
    rounded_by_instrument,
    wrong_speed,
    age_goes_with_decade,
    two_names,
    decades_between_missing,
    three_eras,
    short_notes_of_a_region,
    up_and_down,
    nearly_all_vibrate,
    presence_by_register,
    schools_of_regions,
    pieces_of_regions,
    labels_of_regions,
    migrants,
    equal_at_the_margin,
)


def pupils_of_one_decade(rng: np.random.Generator) -> float:
    """p of pupils near their teachers: all pairs play in one decade, and are no more alike than others."""
    f = _corpus(16, 2, lambda _: 10)
    f["decade"] = np.where(f["player"] < 10, 1930, 1940 + 10 * (f["player"] % 3))
    f["region"] = _sides(f, f["player"] // 5 % 2)
    teacher = f["player"].map({1: "P0", 2: "P0", 4: "P3", 6: "P5", 8: "P7", 9: "P7"})
    rate = 5.8 + _noise(rng, f)
    f, _ = _put(
        f.assign(teacher=teacher, rate_hz=rate, has_vibrato=True, duration_s=0.5), _noise(rng, f), REGION
    )
    return float(pupils_near_teachers(f, draws=399, seed=int(rng.integers(1e9))).p)


# --- and more claims


def five_beside_two_thousand(rng: np.random.Generator) -> Put:
    """Four of ten players have five notes of one recording, two have 2,000 of four."""
    f = _corpus(10, 4, lambda player: 500 if player < 2 else 5 if player < 6 else 20)
    f = f[(f["take"] == 0) | ~f["player"].between(2, 5)].reset_index(drop=True)
    return _put(f.assign(region=_sides(f, f["player"] % 2)), _noise(rng, f), REGION)


def early_recordings_scatter(rng: np.random.Generator) -> Put:
    """Recordings scatter by 0.4 in 1930 and by 0.05 in 1980; 4 of 14 players are early."""
    f = _corpus(14, 3, lambda _: 12)
    f["decade"] = np.where(f["player"] < 4, 1930, 1960 + 20 * (f["player"] % 2))
    own = rng.normal(0, 1, (14, 3))[f["player"], f["take"]] * np.where(f["decade"] == 1930, 0.4, 0.05)
    return _put(f, _noise(rng, f, recording_sd=0.0) + own, Contrast("decade", 1930, 1980))


def tags_missing_in_part(rng: np.random.Generator) -> Put:
    """The medium alone decides and goes with the region in 8 of 10; half of the manifest does not name it."""
    f = _corpus(14, 4, lambda _: 12)
    takes = pd.factorize(f["recording_id"])[0]
    tape = (f["player"] % 2 == 1) ^ (rng.random(takes.max() + 1) < 0.2)[takes]
    medium = pd.Series(np.where(tape, "tape_lp", "electrical_disc")).mask(
        (rng.random(takes.max() + 1) < 0.5)[takes]
    )
    f = f.assign(region=_sides(f, f["player"] % 2), medium=medium.astype("string"))
    return _put(f, _noise(rng, f) + 0.4 * tape, REGION)


def register_goes_with_region(rng: np.random.Generator) -> Put:
    """High notes are wider, by 12 % a fourth, in each player's own way; one region plays a third higher."""
    f = _corpus(14, 3, lambda _: 15)
    midi = np.round(rng.normal(66, 5, len(f)) + 4 * (f["player"] % 2))
    slope = (0.024 + rng.normal(0, 0.01, 14))[f["player"]]
    return _put(
        f.assign(region=_sides(f, f["player"] % 2), midi=midi), _noise(rng, f) + slope * (midi - 68), REGION
    )


def length_goes_with_decade(rng: np.random.Generator) -> Put:
    """Long notes are wider, by 20 % an octave of length; later players are recorded in slow movements."""
    f = _corpus(14, 3, lambda _: 15)
    f["decade"] = 1930 + 40 * (f["player"] % 2)
    octaves = rng.normal(-1, 0.7, len(f)) + 1.2 * (f["player"] % 2)
    slope = (0.18 + rng.normal(0, 0.04, 14))[f["player"]]
    y = _noise(rng, f) + slope * octaves
    return _put(f.assign(duration_s=2.0**octaves), y, Contrast("decade", 1930, 1970))


def one_player_in_all_eras(rng: np.random.Generator) -> Put:
    """One of nine players recorded in all decades and changed in his own way (0.15); the others in one."""
    f = _corpus(9, 4, lambda player: 40 if player == 0 else 12)
    f["decade"] = 1930 + 20 * np.where(f["player"] == 0, f["take"], f["player"] % 4)
    own = rng.normal(0, 0.15) * f["take"] * (f["player"] == 0)
    return _put(f, _noise(rng, f) + own.to_numpy(), Contrast("decade", 1930, 1990, shape="trend"))


def scatter_by_level(rng: np.random.Generator) -> Put:
    """The wider a player, the more his notes scatter, and the more of them: 4 against 8 players."""
    level = rng.normal(0, PLAYER_SD, 12)
    f = _corpus(12, 3, lambda player: int(np.clip(12 * np.exp(2 * level[player]), 3, 60)))
    y = level[f["player"]] + rng.normal(0, RECORDING_SD, 36)[pd.factorize(f["recording_id"])[0]]
    y = y + NOTE_SD * np.exp(1.5 * y) * rng.normal(size=len(f))
    return _put(f.assign(region=_sides(f, f["player"] >= 4)), y, REGION)


def two_clusters(rng: np.random.Generator) -> Put:
    """Two kinds of players, 5.0 and 6.5 Hz, one in four of the fast kind; 4 against 8 players."""
    f = _corpus(12, 3, lambda _: 15)
    rate = 5 + 1.5 * (rng.random(12) < 0.25)[f["player"]] + 0.4 * _noise(rng, f)
    notes, _ = _put(f.assign(region=_sides(f, f["player"] >= 4), rate_hz=rate), 0 * rate, REGION)
    return notes, Claim("c", "", "rate_hz", REGION, "different")


def all_or_none(rng: np.random.Generator) -> Put:
    """Players vibrate on every note, on none, or on some: presence, 6 against 6 players."""
    f = _corpus(12, 3, lambda _: 15)
    chance = rng.choice([0.0, 0.1, 0.6, 1.0, 1.0], 12)[f["player"]]
    notes, _ = _put(f.assign(region=_sides(f, f["player"] % 2)), 0.0 * chance, REGION)
    notes["has_vibrato"] = rng.random(len(f)) < chance
    return notes, Claim("c", "", "has_vibrato", REGION, "different")


def recordings_twice(rng: np.random.Generator) -> Put:
    """Half of the recordings are there twice, under two names (one transfer); register, own slopes."""
    f = _corpus(8, 3, lambda _: 15)
    x = rng.normal(size=len(f))
    f = f.assign(y=_noise(rng, f) + rng.normal(0, 0.1, 8)[f["player"]] * x, midi=67 + 6 * x)
    again = f[rng.random(24)[pd.factorize(f["recording_id"])[0]] < 0.5]
    again = again.assign(recording_id=again["recording_id"] + " again", y=again["y"] + 0.01)
    f = pd.concat([f, again], ignore_index=True)
    return _put(f.drop(columns="y"), f["y"].to_numpy(), Contrast("midi", 60, 72))


def a_hair_short_of_the_margin(rng: np.random.Generator) -> Put:
    """5 against 7 players of unequal spreads, wider by 9.9 %; claimed: by at least 10 %."""
    f = _corpus(12, 3, lambda _: 12)
    late = f["player"] >= 5
    spread = np.where(np.arange(12) < 5, 0.35, 0.15)
    y = _noise(rng, f, player_sd=spread) + np.log(1.099) * late
    return _put(f.assign(region=_sides(f, late)), y, REGION, "higher", 10)


def teacher_trees(rng: np.random.Generator) -> Put:
    """Pupils resemble their teachers (0.8 a lesson): two trees of five players a region, teachers named."""
    f = _corpus(20, 2, lambda _: 12)
    level, teacher = np.zeros(20), {}
    for k in range(20):
        tree, place = divmod(k, 5)
        if place == 0:
            level[k] = rng.normal(0, PLAYER_SD)
            continue
        of = 5 * tree + (place - 1) // 2
        level[k] = 0.8 * level[of] + 0.6 * rng.normal(0, PLAYER_SD)
        teacher[k] = f"P{of}"
    y = _noise(rng, f, player_sd=0.0) + level[f["player"]]
    f = f.assign(region=_sides(f, f["player"] >= 10), teacher=f["player"].map(teacher).astype("string"))
    return _put(f, y, REGION)


def change_of_a_difference_claimed(rng: np.random.Generator) -> Put:
    """Whether regions grew alike: three players a cell, two of them in both decades."""
    f = _corpus(12, 4, lambda _: 12)
    late = (f["player"] // 2) % 2 ^ (f["player"].isin([0, 3]) & (f["take"] >= 2)).astype(int)
    f = f.assign(region=_sides(f, f["player"] % 2), decade=1930 + 40 * late)
    own = rng.normal(0, 0.15, (12, 2))[f["player"], late]
    return _put(f, _noise(rng, f) + own, Contrast("region", "A", "B", False, "decade", 1930, 1970))


FURTHER: Sequence[Callable[[np.random.Generator], Put]] = (
    five_beside_two_thousand,
    early_recordings_scatter,
    tags_missing_in_part,
    register_goes_with_region,
    length_goes_with_decade,
    one_player_in_all_eras,
    scatter_by_level,
    two_clusters,
    all_or_none,
    recordings_twice,
    a_hair_short_of_the_margin,
    teacher_trees,
    change_of_a_difference_claimed,
)


def _share(hits: Sequence[bool]) -> str:
    share = float(np.mean(hits)) if len(hits) else np.nan
    return f"{100 * share:5.1f} ± {100 * np.sqrt(share * (1 - share) / max(len(hits), 1)):.1f} %"


def _models(name: str, rngs: Sequence[np.random.Generator], design: Callable[..., Drawn]) -> str:
    found = []
    for rng in rngs:
        frame, formula, term = design(rng)
        found.append(float(fit_mixed(frame, formula).table().loc[term, "p"]))
    p = np.array(found)
    told = p[np.isfinite(p)]
    return f"{name:26s} {_share(list(told < 0.05))}  refused {len(p) - len(told)}"


def _claims(name: str, rngs: Sequence[np.random.Generator], design: Callable[..., Put]) -> str:
    supported, plain, refused = [], [], 0
    for rng in rngs:
        notes, claim = design(rng)
        finding = examine(claim, notes)
        supported.append(finding.verdict() == "supported")
        plain.append(supported[-1] and not finding.turned_by())
        refused += finding.obstacle is not None
    return f"{name:26s} {_share(plain)} without a but, {_share(supported)} supported, refused {refused}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--corpora", type=int, default=300, help="simulated corpora of each design")
    parser.add_argument("--first", type=int, default=0, help="number of the first one")
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--only", nargs="+", metavar="DESIGN")
    arguments = parser.parse_args()
    places = range(arguments.first, arguments.first + arguments.corpora)
    jobs = [(_models, design) for design in DESIGNS] + [(_claims, design) for design in CLAIMED]
    jobs += [(None, pupils_of_one_decade), *((_claims, design) for design in FURTHER)]
    for number, (job, design) in enumerate(jobs):
        if arguments.only and design.__name__ not in arguments.only:
            continue
        started = time.process_time()
        rngs = [np.random.default_rng([arguments.seed, number, k]) for k in places]
        if job is None:
            line = f"{design.__name__:26s} {_share([design(rng) < 0.05 for rng in rngs])}"
        else:
            line = job(design.__name__, rngs, design)
        print(f"{line}  {time.process_time() - started:.0f} s", flush=True)


if __name__ == "__main__":
    main()
