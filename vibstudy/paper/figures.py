"""The figures of the paper: each that the study allows, in both sizes, with its numbers and its caption."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from vibstudy import figures as draw
from vibstudy.errors import VibstudyError
from vibstudy.figures.data import add_period, default_cuts, vibrato_notes
from vibstudy.figures.style import HouseFigure, save_figure
from vibstudy.stats.usage import usage_index
from vibstudy.study import Study, add_decades, formula, line_over_decades, means_by

SIZES = ("column", "slide")
FORMATS = ("pdf", "svg", "png")

Drawing = Callable[[str], tuple[HouseFigure, pd.DataFrame]]


@dataclass(frozen=True)
class PaperFigure:
    """A figure that was drawn, or why not.

    Parameters
    ----------
    name : str
        File name without ending.
    caption : str
        Caption; "" when it was not drawn.
    reason : str
        Why it was not drawn; "" when it was.
    """

    name: str
    caption: str = ""
    reason: str = ""


def _band(notes: pd.DataFrame, outcome: str) -> pd.DataFrame:
    """The mixed model's line over the decades, in the unit of the outcome."""
    from vibstudy.stats import fit_mixed

    used = add_decades(vibrato_notes(notes))
    text = {"rate_hz": "rate_hz", "extent_cents": "log(extent_cents)"}[outcome]
    return line_over_decades(fit_mixed(used, formula(text, used, ["decades", "region"])))


def _means(notes: pd.DataFrame) -> pd.DataFrame:
    """The model's means of extent by period and region, in cents."""
    from vibstudy.stats import fit_mixed

    model = fit_mixed(vibrato_notes(notes), "log(extent_cents) ~ period * region")
    return means_by(model, "region", "period")


def _phrase(study: Study, notes: pd.DataFrame, size: str) -> tuple[HouseFigure, pd.DataFrame]:
    """The phrase that shows most, beside its score where there is one."""
    written = notes[notes["measure"].notna()] if "measure" in notes else notes.iloc[:0]
    phrase = draw.telling_phrase(written if len(vibrato_notes(written)) else notes)
    line = study.line(str(phrase["recording_id"].iloc[0]))
    if "measure" in phrase and phrase["measure"].notna().any():
        return draw.along_the_score(line, phrase, size)
    return draw.phrase_strip(line, phrase, size)


def drawings(study: Study, notes: pd.DataFrame, claims: pd.DataFrame) -> dict[str, Drawing]:
    """Return every figure of the paper as a function of its size. A model is fitted once for both sizes."""
    kept: dict[str, pd.DataFrame] = {}

    def once(name: str, make: Callable[[], pd.DataFrame]) -> pd.DataFrame:
        if name not in kept:
            kept[name] = make()
        return kept[name]

    cuts = default_cuts(notes["decade"]) if notes["decade"].notna().any() else []
    periods = add_period(notes, cuts) if cuts else notes

    def over(outcome: str) -> Drawing:
        return lambda size: draw.change_over_decades(
            notes, outcome, once(outcome, lambda: _band(notes, outcome)), size
        )

    found: dict[str, Drawing] = {
        "coverage": lambda size: draw.coverage_map(study.recordings(), size),
        "claims": lambda size: draw.claims_forest(claims, size),
        "rate_and_extent": lambda size: draw.rate_extent_plane(periods, size),
        "rate_over_decades": over("rate_hz"),
        "extent_over_decades": over("extent_cents"),
        "extent_by_period_and_region": lambda size: draw.marginal_means(
            once("means", lambda: _means(periods)), "extent_cents", periods, size=size
        ),
        "portraits": lambda size: draw.player_portraits(notes, size),
        "vibrato_by_length": lambda size: draw.vibrato_by_length(
            notes, once("usage", lambda: usage_index(notes)), size
        ),
        "along_a_phrase": lambda size: _phrase(study, notes, size),
        "intensity_and_pitch": lambda size: draw.intensity_against_pitch(notes, size),
    }
    found |= _ways(study, notes, claims)
    truth = study.truth()
    if truth is not None:
        pairs = draw.match_truth(notes, truth)
        found["measured_against_truth"] = lambda size: draw.measured_against_truth(pairs, size=size)
    return found


def _ways(study: Study, notes: pd.DataFrame, claims: pd.DataFrame) -> dict[str, Drawing]:
    """A figure of every reasonable way to ask each claim that could be tested."""
    from vibstudy.stats.claims import CLAIMS_FILE, Claim, read_claims
    from vibstudy.stats.ways import Ways, all_ways

    if claims.empty:
        return {}
    tested = set(claims.loc[claims["estimate"].notna(), "claim"])
    kept: dict[str, Ways] = {}

    def drawing(claim: Claim) -> Drawing:
        def draw_ways(size: str) -> tuple[HouseFigure, pd.DataFrame]:
            if claim.id not in kept:  # asked once for both sizes
                kept[claim.id] = all_ways(claim, notes)
            return draw.ways_figure(kept[claim.id], size)

        return draw_ways

    asked = [claim for claim in read_claims(study.folder / CLAIMS_FILE) if claim.id in tested]
    return {f"ways_{k}_{re.sub(r'[^A-Za-z0-9-]+', '_', c.id)}": drawing(c) for k, c in enumerate(asked, 1)}


def draw_figures(
    study: Study, notes: pd.DataFrame, claims: pd.DataFrame, folder: Path, say: Callable[[str], None]
) -> list[PaperFigure]:
    """Draw and save every figure, in ``folder/column`` and ``folder/slide``."""
    made = []
    for name, drawing in drawings(study, notes, claims).items():
        say(f"figure {name}")
        try:
            for size in SIZES:
                figure, table = drawing(size)
                saved = save_figure(figure, table, folder / size, name, formats=FORMATS)
        except VibstudyError as gap:
            made.append(PaperFigure(name, reason=" ".join(map(str, gap.problems))))
        else:
            made.append(PaperFigure(name, saved.caption))
    return made
