"""The standard models of a study, their effects in the reader's units: what changes a decade, what differs.

===========  =======================================  ==================================================
model        outcome                                  effects
===========  =======================================  ==================================================
rate         ``rate_hz``                              Hz
extent       ``log(extent_cents)``                    % (of extent)
presence     ``has_vibrato``, odds                    times the odds
===========  =======================================  ==================================================

Each is fitted on decade and region (or another group), and once more with the medium held equal. Decades
enter as ``decades``: tens of years from the middle of the corpus (:func:`middle_decade`), so that a slope
is a change from one decade to the next, and the intercept stands in the middle of the corpus, not in the
year 0.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.schema import in_words
from vibstudy.stats.fitted import FittedModel
from vibstudy.stats.selection import assessable_notes, vibrato_notes

OUTCOMES: dict[str, str] = {"rate": "rate_hz", "extent": "log(extent_cents)", "presence": "has_vibrato"}
"""Left sides of the standard models."""

UNITS: dict[str, str] = {"rate": "Hz", "extent": "%", "presence": "times the odds"}
"""Units of their effects."""

HELD_EQUAL = "medium held equal"
"""Name of the variant with the medium in the model; the other has the name ""."""

PER_DECADE = "from one decade to the next"
"""Words of the slope of decades."""

UNKNOWABLE = 8.0
"""Log odds, or a standard error of them, beyond which a presence model has nothing to hold on to: odds of
3,000 to 1 need more notes than a corpus has."""


def middle_decade(notes: pd.DataFrame) -> int:
    """Return the decade in the middle of the corpus, from which decades are counted."""
    decade = notes["decade"].dropna().astype(float)
    return int(round((decade.min() + decade.max()) / 20) * 10) if len(decade) else 0


def add_decades(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the notes with ``decades``: decades from :func:`middle_decade` on."""
    return notes.assign(decades=(notes["decade"].astype(float) - middle_decade(notes)) / 10)


def varying(notes: pd.DataFrame, terms: tuple[str, ...]) -> list[str]:
    """Return those of `terms` that differ within `notes`: no other can stand in a model."""
    return [name for name in terms if name in notes and notes[name].nunique() > 1]


def standard_models(
    notes: pd.DataFrame, group: str = "region", crossed: Sequence[str] = ()
) -> Iterator[tuple[str, str, FittedModel, dict[str, int]]]:
    """Fit the standard models as far as the study allows.

    Parameters
    ----------
    notes : DataFrame
        The note table with the manifest's tags.
    group : str
        Tag that is compared beside the decades.
    crossed : sequence of str
        Further random factors: of joined studies, the study.

    Yields
    ------
    model, variant : str
        "rate", "extent" or "presence"; "" or :data:`HELD_EQUAL`.
    fitted : FittedModel
    counts : dict of str to int
        "players", "recordings" and "notes" in it.
    """
    from vibstudy.stats.mixed import fit_mixed
    from vibstudy.stats.presence import fit_presence

    if "decade" not in notes or notes.empty:
        return
    dated = add_decades(notes)
    for model, outcome in OUTCOMES.items():
        used = assessable_notes(dated) if model == "presence" else vibrato_notes(dated)
        if used.empty:
            continue
        for variant, terms in (("", ("decades", group)), (HELD_EQUAL, ("decades", group, "medium"))):
            here = varying(used, terms)
            if not here or (variant and "medium" not in here):
                continue
            fit = fit_presence if model == "presence" else fit_mixed
            known = used.dropna(subset=here)
            players, recordings = (known[name].nunique() for name in ("player", "recording_id"))
            counts = {"players": players, "recordings": recordings, "notes": len(known)}
            try:
                yield model, variant, fit(used, f"{outcome} ~ {' + '.join(here)}", crossed=crossed), counts
            except VibstudyError:
                continue


def effects_of(
    model: str, variant: str, fitted: FittedModel, centre: int, counts: Mapping[str, int]
) -> pd.DataFrame:
    """Return the effects of a standard model in the reader's units; `counts` are its players, recordings,
    notes.

    Returns
    -------
    DataFrame
        ``model, variant, term, words, estimate, low, high, unit, se, df, t, p`` (se on the model's scale) and
        ``players, recordings, notes``; ``judged`` is False where these recordings cannot judge a term.
    """
    table = fitted.table().reset_index(names="term")
    shown: dict[str, Callable[[np.ndarray], np.ndarray]] = {
        "rate": lambda x: x, "extent": lambda x: 100 * (np.exp(x) - 1), "presence": np.exp,
    }  # fmt: skip
    for name in ("estimate", "low", "high"):
        values = table[name].to_numpy(float)
        with np.errstate(over="ignore", invalid="ignore"):
            table[f"{name}_shown"] = shown[model](values)
    table["words"] = [effect_words(fitted, str(term), centre) for term in table["term"]]
    at_middle = table["term"] == "Intercept"
    if model == "extent":  # a mean, not a difference
        for name in ("estimate", "low", "high"):
            table.loc[at_middle, f"{name}_shown"] = np.exp(table.loc[at_middle, name].astype(float))
    table["unit"] = UNITS[model]
    table.loc[at_middle, "unit"] = {"rate": "Hz", "extent": "± cents", "presence": "odds"}[model]
    known = table["p"].notna() & table["se"].notna()
    if model == "presence":
        known &= (table["estimate"].abs() <= UNKNOWABLE) & (table["se"] <= UNKNOWABLE)
    for name in ("estimate", "low", "high"):
        table.loc[~known, f"{name}_shown"] = np.nan
    out = table[["term", "words", "unit", "se", "df", "t", "p"]].assign(
        model=model,
        variant=variant,
        **{name: table[f"{name}_shown"] for name in ("estimate", "low", "high")},
        judged=known,
        formula=fitted.formula,
        **counts,
    )
    return out


def effect_words(fitted: FittedModel, term: str, centre: int) -> str:
    """Say what an effect is: "from one decade to the next", "Sunamar against Aubrisk"."""
    if term == "decades":
        return PER_DECADE
    factor, bracket, level = term.partition("[T.")
    levels = fitted.prepared.factors.get(factor)
    if bracket and levels and ":" not in term:
        return f"{in_words(level.removesuffix(']'))} against {in_words(levels[0])}"
    if term == "Intercept":
        first = [in_words(levels[0]) for levels in fitted.prepared.factors.values()]
        return f"level in {centre}" + (f", {', '.join(first)}" if first else "")
    return term


def standard_effects(notes: pd.DataFrame, group: str = "region", crossed: Sequence[str] = ()) -> pd.DataFrame:
    """Return the effects of all standard models (:func:`effects_of`), one row a term; may be empty."""
    if "decade" not in notes:
        return pd.DataFrame()
    centre = middle_decade(notes)
    models = standard_models(notes, group, crossed)
    parts = [effects_of(model, variant, fitted, centre, counts) for model, variant, fitted, counts in models]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
