"""Where a player puts vibrato: on nearly every note, or on chosen ones; and whether it keeps the beat.

Definitions
-----------
All of this is about *assessable* notes: notes long enough to tell vibrato from its absence (see
:mod:`vibstudy.figures.data`). Shorter notes are left out even where vibrato was found on them,
since on them it can be found but not denied.

* **Phrase**: a run of notes of one recording with no silence of :data:`PAUSE_S` or more between them.
* **Continuity** (0 to 1): the share of a player's notes with vibrato, *directly standardised* for
  length. The corpus's notes are cut into three equal length classes (short, middle, long); the
  player's share is taken in each class and the three shares are averaged. So a player recorded only
  in slow pieces does not look more continuous for it. 1: every note vibrates; 0: all straight.
* **Ornament gap** (-1 to 1): share with vibrato among the player's long notes minus the share among
  the short ones. Near 0: length does not matter; near 1: vibrato is kept for long notes.
* **Use**, in a word: *continuous* when continuity is surely above 0.75; *straight* when it is surely
  below 0.25; *ornamental* when the gap is surely above 0.25; *between* otherwise. "Surely" means that
  the whole 95 % interval is on that side. The three limits are this tool's own.

Intervals
---------
Notes of one recording resemble each other, so that 60 notes are worth fewer than 60 independent ones.
The number of notes is divided by the design effect ``1 + (m - 1) rho`` (Kish), with ``m`` the
(size-weighted) number of notes a recording and ``rho`` the intraclass correlation of presence within
recordings, pooled over all players. The interval of continuity is Wilson's and that of the gap
Newcombe's hybrid score interval, both with these effective numbers. With a single recording for
every player ``rho`` cannot be known; it is then taken as 0 and the table says so.

Rate and tempo
--------------
:func:`tempo_test` asks whether rates sit at whole numbers of pulses to the beat. Its statistic is the
mean of cos(2 pi x) of the pulses per beat ``x``: 1 when every note has a whole number, 0 when there is
no relation. Null hypothesis: a player's rate has nothing to do with the beat, so that a slightly faster
or slower player would have fitted as well. All rates of a player are scaled together, by up to one and
a half pulses per beat to either side; the player, not the note, is the unit. A player who only ever
has one rate and one tempo can thus never give more than one piece of evidence.

References
----------
Direct standardisation: Fleiss, Levin & Paik 2003, *Statistical Methods for Rates and Proportions*,
ch. 19. Design effect: Kish 1965, *Survey Sampling*. Wilson 1927, JASA 22:209-212. Newcombe 1998,
Statistics in Medicine 17:873-890 (method 10). Effective numbers in Wilson's interval: Korn & Graubard
1998, Survey Methodology 24:193-201. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.stats.selection import assessable_notes, in_loudness_alone, need, vibrato_notes

PAUSE_S = 0.3
"""A silence this long ends a phrase."""

LENGTH_CLASSES = ("short", "middle", "long")
DYNAMICS = ("ppp", "pp", "p", "mp", "mf", "f", "ff", "fff")
DYNAMIC_STEPS = {mark: step - DYNAMICS.index("mf") for step, mark in enumerate(DYNAMICS)}
"""Written dynamics in steps above mezzo forte."""

SLUR_POSITIONS = ("none", "first", "inside", "last")

_CONTINUOUS, _STRAIGHT, _ORNAMENTAL = 0.75, 0.25, 0.25
_SCAN_PULSES = 1.5  # pulses a beat either way
_SCAN_STEPS = 601  # a 200th of a pulse


def add_context(notes: pd.DataFrame) -> pd.DataFrame:
    """Add what stands around each note: the terms of the usage model.

    Parameters
    ----------
    notes : DataFrame
        Note table, all notes (short ones too: they make the phrases).

    Returns
    -------
    DataFrame
        Sorted by recording and onset, with further columns:

        ``doublings``
            Played length in doublings of half a second: 0 at 0.5 s, 1 at 1 s, -1 at 0.25 s.
        ``register_octaves``
            Pitch above the player's middle (median) pitch, octaves.
        ``loudness_db``
            Level above the recording's median level, dB.
        ``phrase``
            Number of the phrase in its recording.
        ``place``
            "first", "inside", "last" of its phrase; "alone" when the phrase is one note.
        ``phrase_peak``
            Whether it is the highest note of its phrase.

        and, where notes lie on a score (missing for all others):

        ``notated_doublings``
            Written length in doublings of a beat: 0 for one beat, 1 for two.
        ``dynamic_steps``
            Written dynamic in steps above mezzo forte: p -2, mp -1, mf 0, f 1, ff 2.
    """
    need(notes, ["onset_s", "offset_s", "pitch_hz", "player", "recording_id"], "Where vibrato is put")
    table = notes.sort_values(["recording_id", "onset_s"], kind="stable").reset_index(drop=True)
    recording = table.groupby("recording_id", sort=False, observed=True)
    silence = table["onset_s"] - recording["offset_s"].shift()
    starts = silence.isna() | (silence >= PAUSE_S)
    table["phrase"] = starts.groupby(table["recording_id"], sort=False, observed=True).cumsum().astype(int)
    phrase = table.groupby(["recording_id", "phrase"], sort=False, observed=True)
    position, length = phrase.cumcount(), phrase["onset_s"].transform("size")
    place = np.select(
        [length == 1, position == 0, position == length - 1], ["alone", "first", "last"], "inside"
    )
    table["place"] = pd.Categorical(place, categories=["inside", "first", "last", "alone"])
    table["phrase_peak"] = table["pitch_hz"] >= phrase["pitch_hz"].transform("max") * 2 ** (-0.5 / 12)
    table["doublings"] = np.log2(table["offset_s"] - table["onset_s"]) + 1
    player_pitch = table.groupby("player", observed=True)["pitch_hz"].transform("median")
    table["register_octaves"] = np.log2(table["pitch_hz"] / player_pitch)
    if "level_db" in table:
        table["loudness_db"] = table["level_db"] - recording["level_db"].transform("median")
    return _add_written(table)


def _add_written(table: pd.DataFrame) -> pd.DataFrame:
    """Add the terms of the usage model that a score gives."""
    if "notated_beats" in table:
        beats = table["notated_beats"].astype(float)
        table["notated_doublings"] = np.log2(beats.where(beats > 0))  # a grace note has no length
    if "dynamic" in table:
        table["dynamic_steps"] = table["dynamic"].map(DYNAMIC_STEPS).astype(float)
    return table


def scored_notes(context: pd.DataFrame) -> pd.DataFrame:
    """Return the notes that lie surely on a written note.

    Parameters
    ----------
    context : DataFrame
        Note table, from :func:`add_context`.

    Raises
    ------
    VibstudyError
        When no recording has a score.
    """
    if "score_match" not in context or not context["score_match"].notna().any():
        raise VibstudyError(
            "No recording has a score. Name one in the manifest's column score_path (MusicXML or MIDI) and "
            "measure again"
        )
    table = context[context["score_match"].isin(["matched", "other_pitch"])].reset_index(drop=True)
    here = [name for name in SLUR_POSITIONS if (table["slur_position"] == name).any()]
    table["slur_position"] = pd.Categorical(table["slur_position"], categories=here)
    return table


def note_tempo(notes: pd.DataFrame) -> pd.Series:
    """Return beats a minute for each note: local where a score is there, else the manifest's."""
    unknown = pd.Series(np.nan, index=notes.index)
    local = notes["local_tempo_bpm"].astype(float) if "local_tempo_bpm" in notes else unknown
    return local.fillna(notes["tempo_bpm"].astype(float)) if "tempo_bpm" in notes else local


def length_class(duration_s: pd.Series) -> pd.Categorical:
    """Cut lengths into short, middle and long: equal thirds of the corpus."""
    edges = np.quantile(duration_s.to_numpy(float), [1 / 3, 2 / 3])  # thirds
    number = np.searchsorted(edges, duration_s.to_numpy(float), side="right")
    names = np.array(LENGTH_CLASSES)[number]
    return pd.Categorical(names, categories=list(LENGTH_CLASSES), ordered=True)


def recording_correlation(assessable: pd.DataFrame) -> float:
    """Estimate how much alike the notes of one recording are in having vibrato.

    Intraclass correlation by analysis of variance, of presence less the player's share in the
    note's length class, pooled over players with at least two recordings.

    Returns
    -------
    float
        0 to 1; NaN when no player has two recordings.
    """
    table = assessable.assign(length=length_class(assessable["duration_s"]))
    by = table.groupby(["player", "length"], observed=True)["has_vibrato"]
    table["left"] = table["has_vibrato"].astype(float) - by.transform("mean")
    enough = table.groupby("player", observed=True)["recording_id"].transform("nunique") >= 2
    table = table[enough]
    if not len(table):
        return float("nan")
    recordings = table.groupby("recording_id", observed=True)["left"]
    n, mean = recordings.size().to_numpy(float), recordings.mean().to_numpy(float)
    players = table["player"].nunique()
    freedom_between = len(n) - players
    freedom_within = len(table) - len(n) - 2 * players
    if freedom_within <= 0:
        return float("nan")
    between = float(np.sum(n * mean**2)) / freedom_between
    within = float(((table["left"] - recordings.transform("mean")) ** 2).sum()) / freedom_within
    if between <= within:
        return 0.0
    typical = (n.sum() - np.sum(n**2) / n.sum()) / (len(n) - 1)
    return float((between - within) / (between + (typical - 1) * within))


def usage_index(notes: pd.DataFrame) -> pd.DataFrame:
    """Say for each player how continuous and how ornamental the vibrato is, with intervals.

    Parameters
    ----------
    notes : DataFrame
        Note table.

    Returns
    -------
    DataFrame
        One row a player, most continuous first: ``player, recordings, notes, share`` (plain share
        of notes with vibrato), ``time_share`` (share of sounding time that vibrates; missing when
        not known), ``continuity, continuity_low, continuity_high, gap, gap_low, gap_high, use`` and
        ``remark``. Definitions and intervals (95 %): see the module.
    """
    assessable = assessable_notes(notes)
    need(assessable, ["has_vibrato", "duration_s", "player", "recording_id"], "The usage index")
    assessable["length"] = length_class(assessable["duration_s"])
    rho = recording_correlation(assessable)
    rows = [
        {"player": player, **_player_usage(own, rho)}
        for player, own in assessable.groupby("player", sort=True, observed=True)
    ]
    return pd.DataFrame(rows).sort_values("continuity", ascending=False, ignore_index=True)


def _player_usage(own: pd.DataFrame, rho: float) -> dict:
    """Return one player's row of :func:`usage_index`."""
    from statsmodels.stats.proportion import proportion_confint

    counted = own.groupby("length", observed=False)["has_vibrato"].agg(["size", "sum"])
    n, k = counted["size"].to_numpy(float), counted["sum"].to_numpy(float)
    effect = design_effect(own, rho)
    there = n > 0
    continuity = float(np.mean(k[there] / n[there]))
    # Half a note is added to both sides for the variance only: a share of 0 or 1 is not certain.
    smooth = (k[there] + 0.5) / (n[there] + 1)
    variance = float(np.sum(smooth * (1 - smooth) / n[there])) / there.sum() ** 2 * effect
    worth = float(np.mean(smooth) * (1 - np.mean(smooth)) / variance)
    low, high = proportion_confint(continuity * worth, worth, method="wilson")
    gap = gap_low = gap_high = float("nan")
    if n[0] and n[2]:
        gap = float(k[2] / n[2] - k[0] / n[0])
        short, long = (design_effect(own[own["length"] == name], rho) for name in ("short", "long"))
        gap_low, gap_high = _newcombe(k[2] / n[2], n[2] / long, k[0] / n[0], n[0] / short)
    remarks = []
    if not there.all():
        absent = " or ".join(name for name, here in zip(LENGTH_CLASSES, there, strict=True) if not here)
        remarks.append(f"no {absent} notes: not fully standardised")
    if np.isnan(rho):
        remarks.append("one recording a player: interval too narrow")
    if air := int(in_loudness_alone(own).sum()):
        remarks.append(
            f"vibrato in loudness alone: {air} of {int(own['has_vibrato'].sum())} notes with vibrato"
        )
    time_share = float("nan")
    if "vibrato_fraction" in own:
        vibrating = own["vibrato_fraction"].where(own["has_vibrato"], 0.0)
        known = vibrating.notna()
        weights = own.loc[known, "duration_s"].to_numpy(float)
        time_share = float(np.average(vibrating[known].to_numpy(float), weights=weights))
    return {
        "recordings": own["recording_id"].nunique(),
        "notes": len(own),
        "share": float(own["has_vibrato"].mean()),
        "time_share": time_share,
        "continuity": continuity,
        "continuity_low": float(low),
        "continuity_high": float(high),
        "gap": gap,
        "gap_low": gap_low,
        "gap_high": gap_high,
        "use": _use(float(low), float(high), gap_low),
        "remark": "; ".join(remarks),
    }


PRIOR_SD = 2.5
"""Spread of the weakly informative prior of a player's curve: Gelman, Jakulin, Pittau & Su 2008, Ann.
Appl. Stat. 2(4):1360-1383 (theirs is a Cauchy; a normal keeps the curve where all or none of the notes
have vibrato)."""


_GRID = np.linspace(-8.0, 8.0, 121)
"""Levels and slopes looked at, in log odds: three spreads of the prior to either side."""


def length_curve(own: pd.DataFrame, rho: float, durations_s: np.ndarray) -> pd.DataFrame:
    """Fit how a player's chance of vibrato rises with the length of the note.

    Logistic in the doublings of length, with normal priors of :data:`PRIOR_SD` on the level (at the middle
    length) and on the slope a standard deviation of length; notes are divided by the design effect. The
    posterior is worked out on a grid, since where all notes vibrate no curvature at a maximum says how
    sure one is.

    Parameters
    ----------
    own : DataFrame
        Assessable notes of one player: ``duration_s, has_vibrato, recording_id``.
    rho : float
        From :func:`recording_correlation`.
    durations_s : ndarray [shape=(k,)]
        Where the curve is wanted.

    Returns
    -------
    DataFrame
        ``duration_s, share, low, high`` (0 to 1; median and 95 % interval of the posterior).
    """
    from scipy.special import expit, log_expit

    length = np.log2(own["duration_s"].to_numpy(float))
    middle, spread = float(length.mean()), float(length.std()) or 1.0
    sign = np.where(own["has_vibrato"].to_numpy(bool), 1.0, -1.0)
    level, slope = (part.ravel() for part in np.meshgrid(_GRID, _GRID))
    log_posterior = -(level**2 + slope**2) / (2 * PRIOR_SD**2)
    worth = 1.0 / design_effect(own, rho)
    for x, way in zip((length - middle) / spread, sign, strict=True):
        log_posterior = log_posterior + worth * log_expit(way * (level + slope * x))
    weight = np.exp(log_posterior - log_posterior.max())
    weight /= weight.sum()
    rows = []
    for x in (np.log2(durations_s) - middle) / spread:
        value = level + slope * x
        order = np.argsort(value)
        rows.append(expit(np.interp([0.5, 0.025, 0.975], np.cumsum(weight[order]), value[order])))
    curve = pd.DataFrame(rows, columns=["share", "low", "high"])
    return curve.assign(duration_s=durations_s)[["duration_s", "share", "low", "high"]]


def design_effect(part: pd.DataFrame, rho: float) -> float:
    """Return how many of these notes are worth one independent note (Kish)."""
    sizes = part.groupby("recording_id", observed=True).size().to_numpy(float)
    return 1 + (float(np.sum(sizes**2) / sizes.sum()) - 1) * float(np.nan_to_num(rho))


def _newcombe(p1: float, n1: float, p2: float, n2: float) -> tuple[float, float]:
    """Return Newcombe's hybrid score interval (95 %) of ``p1 - p2``; numbers may be fractional."""
    from statsmodels.stats.proportion import proportion_confint

    low1, high1 = proportion_confint(p1 * n1, n1, method="wilson")
    low2, high2 = proportion_confint(p2 * n2, n2, method="wilson")
    difference = p1 - p2
    return (
        float(difference - np.hypot(p1 - low1, high2 - p2)),
        float(difference + np.hypot(high1 - p1, p2 - low2)),
    )


def _use(low: float, high: float, gap_low: float) -> str:
    if low > _CONTINUOUS:
        return "continuous"
    if high < _STRAIGHT:
        return "straight"
    return "ornamental" if gap_low > _ORNAMENTAL else "between"


@dataclass(frozen=True, eq=False)
class TempoTest:
    """Result of :func:`tempo_test`.

    Parameters
    ----------
    statistic : float
        Mean over players of the mean cos(2 pi x); 1 = whole pulses always.
    p : float
        Probability of a statistic at least this large when rates have nothing to do with the beat.
    null : ndarray [shape=(draws,)]
        The statistic under the null hypothesis.
    players : DataFrame
        ``player, recordings, notes, pulses_per_beat`` (mean), ``statistic, p`` a player.
    notes : DataFrame
        The notes used, with ``pulses_per_beat``.
    """

    statistic: float
    p: float
    null: np.ndarray
    players: pd.DataFrame
    notes: pd.DataFrame


def tempo_test(notes: pd.DataFrame, draws: int = 4000, seed: int = 0) -> TempoTest:
    """Test whether vibrato keeps whole pulses to the beat.

    Parameters
    ----------
    notes : DataFrame
        Note table with ``pulses_per_beat`` (missing where the tempo is not known).
    draws : int
        Random draws for the test over all players.
    seed : int
        Seed of those draws.

    Returns
    -------
    TempoTest
        Statistic and null hypothesis: see the module.
    """
    used = vibrato_notes(notes)
    if "pulses_per_beat" not in used or not used["pulses_per_beat"].notna().any():
        raise VibstudyError(
            "Rate and tempo cannot be compared: no recording has a tempo. "
            "Give tempo_bpm in the manifest (beats a minute) and measure again"
        )
    used = used[used["pulses_per_beat"].notna()].reset_index(drop=True)
    shifts = np.linspace(-_SCAN_PULSES, _SCAN_PULSES, _SCAN_STEPS)
    fits, rows = [], []
    for player, own in used.groupby("player", sort=True, observed=True):
        fit = _fit_under_shifts(own, shifts)
        observed = fit[_SCAN_STEPS // 2]
        fits.append(fit)
        rows.append(
            {
                "player": player,
                "recordings": own["recording_id"].nunique(),
                "notes": len(own),
                "pulses_per_beat": float(own["pulses_per_beat"].mean()),
                "statistic": float(observed),
                "p": float(np.mean(fit >= observed)),
            }
        )
    table = np.array(fits)
    statistic = float(table[:, _SCAN_STEPS // 2].mean())
    rng = np.random.default_rng(seed)
    chosen = rng.integers(0, _SCAN_STEPS, size=(draws, len(table)))
    null = table[np.arange(len(table)), chosen].mean(axis=1)
    p = (1 + int(np.sum(null >= statistic))) / (1 + draws)
    return TempoTest(statistic, p, null, pd.DataFrame(rows), used)


def _fit_under_shifts(own: pd.DataFrame, shifts: np.ndarray) -> np.ndarray:
    """Return the statistic of one player, rates scaled so that the mean pulse moves by `shifts`.

    Recordings count the same, whatever their number of notes.
    """
    pulses = own["pulses_per_beat"].to_numpy(float)
    per_recording = own.groupby("recording_id", observed=True)["pulses_per_beat"].transform("size")
    weights = 1.0 / per_recording.to_numpy(float)
    weights /= weights.sum()
    scaled = np.outer(1 + shifts / (weights @ pulses), pulses)
    return np.cos(2 * np.pi * scaled) @ weights
