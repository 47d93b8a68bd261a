"""The figures of the paper: each that the study allows, in both sizes, with its numbers and its caption."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Any

import pandas as pd

from vibstudy import figures as draw
from vibstudy.errors import VibstudyError
from vibstudy.figures.data import add_period, default_cuts, vibrato_notes
from vibstudy.figures.own import DEFAULT_GROUP, Own, put_on
from vibstudy.figures.saving import save_figure
from vibstudy.figures.style import HouseFigure
from vibstudy.paper.origins import joined_by
from vibstudy.stats.claims import CLAIMS_FILE, Claim, read_claims
from vibstudy.stats.effects import standard_models
from vibstudy.stats.usage import usage_index
from vibstudy.study import Study, lines_over_decades, means_by

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
    slides : tuple of (str, str)
        File name without ending, and caption, of each slide it fills.
    numbers : mapping of str to (float, str)
        Numbers of the caption that no other table holds: name, value and unit.
    """

    name: str
    caption: str = ""
    reason: str = ""
    slides: tuple[tuple[str, str], ...] = ()
    numbers: Mapping[str, tuple[float, str]] = field(default_factory=dict)


def _means(notes: pd.DataFrame, group: str, crossed: Sequence[str]) -> pd.DataFrame:
    """The model's means of extent by period and group, in cents."""
    from vibstudy.stats import fit_mixed

    used = vibrato_notes(notes)
    for name in ("period", group):
        if name not in used or used[name].nunique() < 2:
            raise VibstudyError(f"Means by period and {group} cannot be drawn: all notes are of one {name}")
    model = fit_mixed(used, f"log(extent_cents) ~ period * {group}", crossed=crossed)
    return means_by(model, group, "period")


def phrase_of(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the phrase that shows most, of those with a score where there are any."""
    written = notes[notes["measure"].notna()] if "measure" in notes else notes.iloc[:0]
    return draw.telling_phrase(written if len(vibrato_notes(written)) else notes)


def _phrase(study: Study, notes: pd.DataFrame, size: str) -> tuple[HouseFigure, pd.DataFrame]:
    """The phrase, beside its score where there is one."""
    phrase = phrase_of(notes)
    line = study.line(str(phrase["recording_id"].iloc[0]))
    if "measure" in phrase and phrase["measure"].notna().any():
        return draw.along_the_score(line, phrase, size)
    return draw.phrase_strip(line, phrase, size)


def drawings(
    study: Study,
    notes: pd.DataFrame,
    claims: pd.DataFrame,
    effects: pd.DataFrame,
    reach: pd.DataFrame,
    group: str = DEFAULT_GROUP,
) -> dict[str, Drawing]:
    """Return every figure of the paper as a function of its size. A model is fitted once for both sizes."""
    sides = cache(lambda: draw.claim_sides(written, notes))
    usage = cache(lambda: usage_index(notes))
    crossed = joined_by(study.folder)
    means = cache(lambda: _means(periods, group, crossed))
    model = cache(lambda: _extent_model(notes, group, crossed))
    cuts = default_cuts(notes["decade"]) if notes["decade"].notna().any() else []
    periods = add_period(notes, cuts) if cuts else notes

    def over(outcome: str) -> Drawing:
        lines = cache(lambda: lines_over_decades(notes, outcome, group, crossed))
        return lambda size: draw.change_over_decades(notes, outcome, lines(), size, group)

    written = _claims_of(study, claims)
    found: dict[str, Drawing] = {
        "coverage": lambda size: draw.coverage_map(study.recordings(), size, group),
        "claims": lambda size: draw.claims_forest(claims, sides(), margins_of(written), size),
        "effects": lambda size: draw.effects_forest(effects, size),
        "rate_and_extent": lambda size: draw.rate_extent_plane(periods, size, group),
        "rate_over_decades": over("rate_hz"),
        "extent_over_decades": over("extent_cents"),
        "extent_by_period_and_region": lambda size: draw.marginal_means(
            means(), "extent_cents", periods, group=group, size=size
        ),
        "portraits": lambda size: draw.player_portraits(notes, size, group),
        "vibrato_by_length": lambda size: draw.vibrato_by_length(notes, usage(), size),
        "usage_by_player": lambda size: draw.usage_by_player(usage(), size),
        "along_a_phrase": lambda size: _phrase(study, notes, size),
        "intensity_and_pitch": lambda size: draw.intensity_against_pitch(notes, size, group),
        "model_check": lambda size: draw.model_check(model(), size),
    }
    if len(reach):
        found["power"] = lambda size: draw.reach_curves(reach, size)
    found |= _ways(notes, claims, written)
    truth = study.truth()
    if truth is not None:
        pairs = draw.match_truth(notes, truth)
        found["measured_against_truth"] = lambda size: draw.measured_against_truth(pairs, size=size)
    return found


def _extent_model(notes: pd.DataFrame, group: str, crossed: Sequence[str]) -> Any:
    """The standard model of extent."""
    for model, variant, fitted, _ in standard_models(notes, group, crossed):
        if model == "extent" and not variant:
            return fitted
    raise VibstudyError("The check of the model cannot be shown: no model of extent can be fitted here")


def _claims_of(study: Study, claims: pd.DataFrame) -> list[Claim]:
    """The claims as written, in the order of the table."""
    return [] if claims.empty else read_claims(study.folder / CLAIMS_FILE)


def margins_of(claims: Sequence[Claim]) -> dict[str, float]:
    """Return the margin of each claim that has one, by name."""
    return {claim.id: float(claim.margin) for claim in claims if claim.margin is not None}


_CLAIMS_A_SLIDE = 2
"""As many as are drawn to scale in the height of a slide, with the legend."""


def _on_slides(name: str, drawing: Drawing, study: Study, notes: pd.DataFrame, claims: pd.DataFrame,
               effects: pd.DataFrame) -> dict[str, Drawing]:  # fmt: skip
    """The drawings by which a figure fills one slide or several, by the names of their files."""
    if name == "effects" and "model" in effects:
        models = [own for _, own in effects.groupby("model", sort=False) if own["estimate"].notna().any()]
        parts: list[Drawing] = [partial(draw.effects_forest, own) for own in models]
    elif name == "claims" and len(claims):
        written, able = _claims_of(study, claims), claims["estimate"].notna()
        tested = claims[able]
        chunks = [tested.iloc[k : k + _CLAIMS_A_SLIDE] for k in range(0, len(tested), _CLAIMS_A_SLIDE)]
        if chunks and (~able).any():  # where the last has room, what cannot be tested stands below it
            roomy = len(chunks[-1]) < _CLAIMS_A_SLIDE
            chunks[-1:] = [pd.concat([chunks[-1], claims[~able]])] if roomy else chunks[-1:]
        sides = draw.claim_sides(written, notes)
        margins = margins_of(written)
        parts = [partial(draw.claims_forest, own, sides, margins) for own in chunks]
    else:
        parts = []
    if len(parts) < 2:
        return {name: drawing}
    return {f"{name}_{k}": part for k, part in enumerate(parts, 1)}


def _ways(notes: pd.DataFrame, claims: pd.DataFrame, written: Sequence[Claim]) -> dict[str, Drawing]:
    """A figure of every reasonable way to ask each claim that could be tested."""
    from vibstudy.stats.multiverse import all_ways

    def drawing(claim: Claim) -> Drawing:
        ways = cache(lambda: all_ways(claim, notes))  # asked once for both sizes
        return lambda size: draw.ways_figure(ways(), size)

    tested = set(claims.loc[claims["estimate"].notna(), "claim"]) if len(claims) else set()
    return {
        f"ways_{k}_{re.sub(r'[^A-Za-z0-9-]+', '_', claim.id)}": drawing(claim)
        for k, claim in enumerate(written, 1)
        if claim.id in tested
    }


def draw_figures(
    study: Study,
    notes: pd.DataFrame,
    claims: pd.DataFrame,
    effects: pd.DataFrame,
    reach: pd.DataFrame,
    own: Own,
    folder: Path,
    say: Callable[[str], None],
) -> list[PaperFigure]:
    """Draw and save every figure, in ``folder/column`` and ``folder/slide``."""
    made = []
    for name, drawing in drawings(study, notes, claims, effects, reach, own.group).items():
        say(f"figure {name}")
        try:
            figure, table = drawing("column")
            put_on(figure, own.figures.get(name))
            saved = save_figure(figure, table, folder / "column", name, formats=FORMATS)
            numbers = figure.numbers
            slides = []
            for part, drawn in _on_slides(name, drawing, study, notes, claims, effects).items():
                figure, table = drawn("slide")
                shown = save_figure(figure, table, folder / "slide", part, formats=FORMATS)
                slides.append((part, shown.caption))
        except VibstudyError as gap:
            made.append(PaperFigure(name, reason=" ".join(map(str, gap.problems))))
        else:
            made.append(PaperFigure(name, saved.caption, "", tuple(slides), numbers))
    return made
