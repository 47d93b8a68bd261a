"""Questions to the statistics that lie close about their thresholds, for :mod:`tests.pinned`.

As :mod:`tests.pinned_statistics`, of the smallest tables that show a number. Of sentences the numbers in
them stand for all.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from tests.pinned_statistics import CASES, notes_of, told


def case(function: Callable[[float], Any]) -> Callable[[float], Any]:
    """Enter a question under its function's name."""
    CASES[function.__name__.replace("_", " ")] = lambda jitter: told(function(jitter))
    return function


def numbers(*texts: str) -> list[float]:
    """Numbers in sentences."""
    return [float(found) for text in texts for found in re.findall(r"\d+(?:\.\d+)?", text)]


def refused(ask: Callable[[], Any]) -> Any:
    """What is given, or "refused"."""
    from vibstudy.errors import VibstudyError

    try:
        return ask()
    except VibstudyError:
        return "refused"


@cache
def _few_players() -> pd.DataFrame:
    return notes_of(0.0, 12, 1, 8)


def players_of(count: int) -> pd.DataFrame:
    """Notes of so many players."""
    notes = _few_players()
    return notes[notes["player"].isin(notes["player"].unique()[:count])].reset_index(drop=True)


@case
def the_fewest(jitter: float) -> Any:
    """Two, three, four and more of what a question needs."""
    from vibstudy.stats import find_confounds, limits_of_agreement, vibrato_amount
    from vibstudy.stats.answers import too_few

    values = np.array([3.0, 5.0, 4.0, 7.0, 6.0]) * (1 + jitter)
    out: dict[str, Any] = {}
    for n in (2, 3, 4):
        out[f"{n} pairs"] = refused(lambda n=n: limits_of_agreement(values[:n], values[:n] ** 1.1))
        out[f"{n} players"] = vibrato_amount(players_of(n)).estimate
    for n in (2, 3, 4, 5):
        out[f"{n} a side"] = too_few(pd.Series(np.repeat([0, 1], n))) == ""
    notes = notes_of(jitter, 12, 2, 8)
    place = notes["player"].rank(method="dense").astype(int)
    cells = notes.assign(decade=np.where(place < 7, 1930, 1950), region=np.digitize(place % 6, [1, 3, 6]))
    found = find_confounds(
        cells.assign(region="R" + cells["region"].astype(str)), "rate_hz ~ decade + region"
    )
    out["cells"] = numbers(*found.sentences)
    return out


@case
def pupils_of_three_teachers(jitter: float) -> Any:
    """Five players of whom three teach, in a stratum of four and one of one: 24 exchanges; and with fewer."""
    from vibstudy.stats import pupils_near_teachers

    notes = players_of(5)
    a, b, c, _, e = notes["player"].unique()
    out = {}
    for name, taught in {
        "three": {a: e, b: a, c: b},
        "two": {a: e, b: a},
        "alike": {a: b, b: c, c: a},
    }.items():
        asked = notes.assign(
            teacher=notes["player"].map(taught).astype("string"),
            decade=1950,
            region=np.where(notes["player"] == e, "Keldria", "Aubrisk"),
        )
        out[name] = pupils_near_teachers(asked)
    return out


@case
def kinds_of_use_of_many(jitter: float) -> Any:
    """Two kinds that are told just so, and one kind of players of whom two might be found."""
    from vibstudy.stats import kinds_of_use

    notes = notes_of(jitter, 24, 1, 12)
    odd = notes["player"].rank(method="dense").astype(int) % 2
    apart = kinds_of_use(notes.assign(extent_cents=notes["extent_cents"] * np.where(odd, 1.8, 1.0)))
    rng = np.random.default_rng(1)
    notes = notes_of(jitter, 32, 1, 8)
    number = notes["player"].rank(method="dense").astype(int)
    wide, often = 25 * np.exp(0.5 * rng.standard_normal(33)), rng.uniform(0.3, 1, 33)
    has = notes["has_vibrato"].mask(notes["has_vibrato"].notna(), rng.random(len(notes)) < often[number])
    one = kinds_of_use(notes.assign(extent_cents=wide[number], has_vibrato=has))
    return {
        name: [found.estimate, found.p, numbers(found.cannot_tell, *found.cautions)]
        for name, found in (("two", apart), ("one", one))
    }


@case
def weights_of_notes(jitter: float) -> Any:
    """Errors that explain more than all scatter, and notes of which hardly any are kept."""
    from vibstudy.stats.measurement import measurement_weights
    from vibstudy.stats.missingness import chance_weights

    notes = notes_of(jitter, 6, 2, 8)
    weights = measurement_weights(notes.assign(rate_se_hz=0.3), "rate_hz ~ decade")
    length = np.linspace(0.1, 2.0, 60)
    kept = (length > 0.5) & (np.arange(60) % 9 != 4) | (np.arange(60) == 3)
    return {
        "measured": np.unique(np.round(weights[np.isfinite(weights)], 9)),
        "kept": chance_weights(pd.DataFrame({"duration_s": length}), kept),
    }


@case
def notes_below_their_limit(jitter: float) -> Any:
    """Extents with the notes in which none was found; and the series behind it, by its coefficients."""
    from benchmarks.calibration_claims import lossy
    from vibstudy.stats.censored import _log_i0e, ask_with_limits
    from vibstudy.stats.claimfile import Claim, Contrast
    from vibstudy.stats.question import Question

    notes = lossy(np.random.default_rng(4), players=8)
    claim = Claim("c", "", "extent_cents", Contrast("period", "early", "late"), "higher", scale="log")
    question = Question(claim, notes[notes.index % 3 == 0].reset_index(drop=True))
    reply = ask_with_limits(question, question.ask())
    z = np.array([9.5, 12.0, 16.0, 24.0, 48.0])
    series = _log_i0e(z, np.full(5, -np.log(2 * np.pi)))
    return {
        "reply": [getattr(reply, name) for name in ("estimate", "se", "df", "low", "high")],
        "series": np.linalg.solve(np.vander(1 / z, 6)[:, :5], series),
    }


@case
def what_larger_corpora_find(jitter: float) -> Any:
    """Players needed about the most that is reckoned, and corpora hundreds of times as large or as small."""
    from vibstudy.stats.detectable import reach_table, times_needed

    claims = pd.DataFrame(
        {
            "claim": list("abcdef"), "sentence": "", "verdict": "undecided", "unit": "Hz", "df": 9.0,
            "expect": ["lower", "equal", "equal", "equal", "equal", "equal"], "estimate": 0.1, "low": -0.3,
            "high": 0.5, "interval_per_cent": [95.0, 90.0, 95.0, 95.0, 95.0, 95.0],
        }
    )  # fmt: skip
    margins = {"b": 0.2, "c": 0.058, "d": 0.062, "e": 0.075, "f": 0.05}
    return {
        "table": reach_table(claims, dict.fromkeys("abcdef", (5, 6)), margins),
        "larger": {str(x): times_needed(1.0, 9.0, x) for x in (0.02, 0.025, 0.0285, 0.031, 0.035, 0.1)},
        "smaller": {str(x): times_needed(1.0, 5000.0, x) for x in (20.0, 80.0, 85.0, 95.0, 105.0, 200.0)},
    }


@case
def curves_of_a_formula(jitter: float) -> Any:
    """Splines and polynomials of the fewest sizes."""
    from vibstudy.stats.frames import prepare

    notes = notes_of(jitter, 6, 2, 8)
    return {
        text: refused(lambda text=text: prepare(notes, f"rate_hz ~ {text}").x[::9])
        for text in ("bs(midi, 2)", "bs(midi, 3)", "bs(midi, 4)", "poly(midi, 1)", "poly(midi, 3)")
    }


@case
def levels_of_five_per_cent(jitter: float) -> Any:
    """Verdicts and words of a p just below and above a level nobody asked to be another."""
    from vibstudy.stats.answers import Answer
    from vibstudy.stats.looks import Standing
    from vibstudy.stats.multiple import Evidence, tost

    return {
        "verdicts": {str(p): Evidence(p, 1 - p).verdict() for p in (0.03, 0.04, 0.06, 0.07)},
        "equal": tost(0.1, 0.2, 9.0, 0.5),
        "interval": Standing().interval_per_cent,
        "printed": {str(p): "p <" in Answer("", p=p).sentence() for p in (6e-4, 9e-4, 1.1e-3, 1.4e-3)},
    }


@case
def choices_by_number_of_decades(jitter: float) -> Any:
    """In how many ways a claim can be asked where there are four decades, five or six."""
    from vibstudy.stats.claimfile import Claim, Contrast
    from vibstudy.stats.multiverse import choices_of
    from vibstudy.stats.question import Question

    notes, out = notes_of(jitter, 12, 2, 8), {}
    for count in (3, 4, 5, 6):
        place = notes["player"].rank(method="dense").astype(int)
        spread = notes.assign(decade=1930 + 10 * (place % count))
        claim = Claim("c", "", "rate_hz", Contrast("decade", 1930, 1930 + 10 * (count - 1)), "lower")
        out[str(count)] = sorted(choices_of(Question(claim, spread)))
    return out


@case
def priors_of_three_deviations(jitter: float) -> Any:
    """A contrast under priors, of the usual scales, and with players' slopes besides."""
    from unittest.mock import patch

    from vibstudy.stats import fit_mixed, priors

    notes = notes_of(jitter, 6, 2, 6)
    plain = fit_mixed(notes, "rate_hz ~ school", slopes=None)
    notes = notes.assign(length=np.log2(notes["duration_s"].astype(float)))
    sloping = fit_mixed(notes, "rate_hz ~ length", slopes="length", slope_correlation=False)
    with patch.object(priors, "NODES", 4):  # all of them would take seconds
        usual = priors.prior_table(plain, "school[T.old]")
        return {"usual": usual, "slopes": priors.prior_table(sloping, "length", [0.3])}


@case
def what_beyond_a_result_is_said(jitter: float) -> Any:
    """Odds without end, advice and influence in a list, errors that differ, speeds of every medium."""
    from types import SimpleNamespace

    from vibstudy.stats import check_sensitivity
    from vibstudy.stats.effects import effects_of
    from vibstudy.stats.influence import influence_sentences
    from vibstudy.stats.power import Plan
    from vibstudy.stats.regularity import _noise_caution

    terms = [f"t{k}" for k in range(8)]
    values = pd.DataFrame(dict.fromkeys(("estimate", "low", "high", "se", "df", "t", "p"), 1.0), index=terms)
    values["estimate"] = [5.0, 7.0, 9.0, 11.0, 1.0, 1.0, 1.0, 1.0]
    values["se"] = [1.0, 1.0, 1.0, 1.0, 5.0, 7.0, 9.0, 11.0]
    fitted: Any = SimpleNamespace(
        table=lambda: values, level_words=str, prepared=SimpleNamespace(factors={}), formula=""
    )
    moved = pd.DataFrame({"term": terms, "left_out": "a", "estimate": 1.0, "all": 2.0, "p": 0.5})
    moved = moved.assign(changes_verdict=False, change_in_se=np.arange(8.0) - 9)
    further = pd.DataFrame({"what": "a", "place": terms, "narrower": np.arange(8, 0, -1) / 10})
    notes = notes_of(jitter, 12, 2, 8)
    side = pd.Series({name: k % 2 for k, name in enumerate(notes["player"].unique())})
    first = notes["player"].map(side) == 0
    own = notes["rate_hz"].astype(float)
    spread = float(((own - own.groupby(notes["recording_id"]).transform("mean")) ** 2).mean())
    shares = (0.06, 0.08, 0.12, 0.14)
    media = notes.assign(
        medium=np.where(first, "acoustic_disc", "digital"),
        vibrato_p=np.resize([6e-4, 9e-4, 1.1e-3, 1.4e-3], len(notes)),
    )
    return {
        "judged": effects_of("presence", "", fitted, 0, {})["judged"],
        "influence": len(influence_sentences(moved)),
        "advice": len(Plan("c", further).sentences),
        "noise": {
            str(share): len(
                _noise_caution(notes.assign(rate_se_hz=np.sqrt(share * spread * first)), "rate_hz", side)
            )
            for share in shares
        },
        "speeds": check_sensitivity(media, "rate_hz ~ school", "school[T.old]", speed_draws=3).table,
    }


@case
def bands_of_a_number(jitter: float) -> Any:
    """A claim of a number other than time, by bands a quarter of its span wide."""
    from vibstudy.stats.claimfile import Claim, Contrast
    from vibstudy.stats.examine import examine

    notes = notes_of(jitter, 12, 2, 8)
    notes["height"] = notes.groupby("recording_id").ngroup() % 11 + 1.0
    claim = Claim("c", "", "rate_hz", Contrast("height", 1, 11, shape="bands"), "lower")
    found = examine(claim, notes)
    return {name: getattr(found, name) for name in ("estimate", "low", "high", "labels", "obstacle")}


@case
def deviations_of_next_to_nothing(jitter: float) -> Any:
    """Deviations of players who do not differ, tried at exactly zero where they are small enough."""
    from vibstudy.stats import fit_mixed
    from vibstudy.stats.engine import _snap

    notes = notes_of(jitter, 6, 2, 8).sort_values("player", kind="stable")
    own = notes["rate_hz"].astype(float)
    even = notes.assign(rate_hz=own - own.groupby(notes["player"]).transform("mean") + 5.0)
    moments = fit_mixed(even, "rate_hz ~ 1", recording=None, slopes=None).fit.solution.moments
    return {str(d): _snap(moments, np.array([d]), np.array([True])) for d in (6e-5, 9e-5, 1.1e-4, 1.4e-4)}


@case
def few_degrees_of_freedom(jitter: float) -> Any:
    """A group of one player or of hardly any, and Welch's series."""
    from vibstudy.stats import fit_mixed, trade
    from vibstudy.stats.smallsample import second_order

    notes = notes_of(jitter, 12, 2, 8)
    place = notes["player"].rank(method="dense").astype(int)
    out: dict[str, Any] = {
        str(few): fit_mixed(
            notes.assign(period=np.where(place <= few, "early", "late")), "rate_hz ~ period", spread="auto"
        ).table()[["se", "df", "p"]]
        for few in (1, 2, 3)
    }
    shares, spare = np.array([0.7, 0.3]), np.array([3.0, 9.0])
    out["series"] = [second_order(df, shares, spare) for df in (2.0, 5.0, 9.0)]
    out["normal"] = second_order(1e9, shares, 1e8 * spare)
    six = notes_of(jitter, 12, 1, 8)
    names = six["player"].unique()
    out["trade"] = {str(n): trade(six[six["player"].isin(names[:n])]).estimate for n in (5, 6)}
    some = np.random.default_rng(3).choice(names, 7, replace=False)
    unsure = trade(six[six["player"].isin(some)])
    out["trade"]["unsure"] = [unsure.estimate, unsure.low, unsure.high]
    return out


@case
def phrases_between_silences(jitter: float) -> Any:
    """Notes after silences of 150 to 450 ms."""
    from vibstudy.stats.usage import add_context

    notes = notes_of(jitter, 4, 1, 12)
    silence = np.resize([0.15, 0.2, 0.25, 0.28, 0.32, 0.35, 0.45], len(notes))
    length = (notes["offset_s"] - notes["onset_s"]).astype(float)
    ends = (length + silence).groupby(notes["recording_id"]).cumsum()
    return add_context(notes.assign(onset_s=ends - length, offset_s=ends))["phrase"]
