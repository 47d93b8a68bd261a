"""The words of the draft, built from tables, so that no number can stand in the text alone.

Every number is put into the text by :meth:`vibstudy.paper.book.Book.cite`. Whole sentences that come from
elsewhere (claims, audits, captions) are cells, too.

A result is never said more strongly than its verdict: *supported* and *against* are said of the claim,
*undecided* is never worded as "no difference", and what cannot be tested is said so with the reason.
"""

from __future__ import annotations

# Sentences of the draft read best unbroken:
# ruff: noqa: E501
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import listed
from vibstudy.figures.data import plural
from vibstudy.paper.book import Book
from vibstudy.paper.tables import LONE, MEDIA_COUNTS
from vibstudy.stats.claims import FIRST
from vibstudy.stats.effects import HELD_EQUAL, PER_DECADE

INVENTED = (
    "This is the invented demonstration study: its players, regions, melodies and recordings are made up and "
    "its sound is synthesised. Nothing here says anything about real playing."
)
MOST_NAMED = 3
"""More cells of one player than this are counted in the text, and named in the table only."""

NO_CAUSE = (
    "The recordings are those that happened to be made and kept. Differences between groups of them are "
    "associations: they are no proof of a cause."
)


# --- sections


def write_corpus(book: Book, is_demo: bool) -> None:
    """The corpus in a few sentences, each count with what it is of."""
    book.begin("Corpus")
    if is_demo:
        book.say(INVENTED)

    def n(name: str, pattern: str = "count") -> str:
        return book.cite("corpus", 0, name, pattern)

    corpus = book.tables["corpus"].iloc[0]
    text = (
        f"The corpus holds {n('recordings')} {of_word(corpus['recordings'], 'recording')} by {n('players')} "
        f"{of_word(corpus['players'], 'player')}{book.see('figure coverage')}. {n('notes')} "
        f"{of_word(corpus['notes'], 'note')} were found"
    )
    if corpus.get("notes_judged"):
        text += (
            f". Of these, {n('notes_judged')} are long enough for the absence of vibrato to show ("
            f"{n('telling_length_s', '.2f')} s and more), and {n('notes_judged_with_vibrato')} of the "
            f"{n('notes_judged')} have vibrato: {n('share_with_vibrato', '.0f')} %"
        )
    if "notes_vibrato" in corpus:
        text += (
            f". Rate and extent are those of the {n('notes_vibrato')} notes, of any length, with a vibrato whose "
            f"figures can be used, by {n('players_vibrato')} {of_word(corpus['players_vibrato'], 'player')} in "
            f"{n('recordings_vibrato')} {of_word(corpus['recordings_vibrato'], 'recording')}"
        )
    book.say(text + ".")
    _write_studies(book)
    if len(book.tables.get("left_out", ())):
        book.say(f"Which notes were left out, and why, is told group by group{book.see('table left_out')}.")


def _write_studies(book: Book) -> None:
    """Of which studies the corpus was joined."""
    studies = book.tables.get("studies", pd.DataFrame())
    if not len(studies):
        return
    parts = [
        f"{book.cite('studies', row, 'study')} ({book.cite('studies', row, 'recordings', 'count')} "
        f"{of_word(study['recordings'], 'recording')} by {book.cite('studies', row, 'players', 'count')} "
        f"{of_word(study['players'], 'player')})"
        for row, study in enumerate(studies.to_dict("records"))
    ]
    book.say(
        f"It was joined from the data of studies that were measured apart: {listed(parts)}. Studies differ in how their recordings "
        "were found and chosen; the study is therefore a random factor of the models."
    )


def of_word(count: float, word: str) -> str:
    """Return the word in the number of the count: "note", "notes"."""
    return plural(int(count), word).split(" ", 1)[1]


VERDICTS = {
    "supported": "The data support the claim “{sentence}”",
    "against": "The data speak against the claim “{sentence}”",
    "undecided": "Undecided is the claim “{sentence}”",
}


def write_results(book: Book) -> None:
    """Describe the players, the change over the decades, and answer the claims."""
    book.begin("Results")
    _write_players(book)
    _write_models(book)
    claims = book.tables["claims"]
    if claims.empty:
        book.say("No claim is written down for this study, so none is tested here.")
        _write_rest(book)
        return
    book.say(f"The claims are answered one by one{book.see('figure claims', 'table claims')}.")
    for row in range(len(claims)):
        book.say(claim_sentence(book, row))
    _write_rest(book)
    book.say(NO_CAUSE)


def _write_players(book: Book) -> None:
    players = book.tables["players"]
    if not len(players) or "rate_hz" not in players or not players["rate_hz"].notna().any():
        return
    rate, extent = players["rate_hz"].astype(float), players["extent_cents"].astype(float)

    def n(row: Any, name: str, pattern: str) -> str:
        return book.cite("players", int(row), name, pattern)

    shown = book.see("figure rate_and_extent", "figure portraits", "table players")
    book.say(
        f"The players' mean rates lie between {n(np.nanargmin(rate), 'rate_hz', '.2f')} and "
        f"{n(np.nanargmax(rate), 'rate_hz', '.2f')} Hz, their mean extents between "
        f"± {n(np.nanargmin(extent), 'extent_cents', '.1f')} and ± "
        f"{n(np.nanargmax(extent), 'extent_cents', '.1f')} cents (half of peak to peak){shown}."
    )
    share = players["share_with_vibrato"].astype(float)
    if share.notna().any():
        shown = book.see("figure vibrato_by_length", "figure usage_by_player")
        most = f"{n(np.nanargmax(share), 'share_with_vibrato', '.0f')} %"
        if f"{share.min():.0f}" == f"{share.max():.0f}":
            of = f"{most} of each"
        else:
            of = f"From {n(np.nanargmin(share), 'share_with_vibrato', '.0f')} to {most} of a"
        text = f"{of} player's notes long enough to tell have vibrato{shown}."
        straight = players.index[(share == 0).to_numpy(bool)]
        if len(straight):
            names = ", ".join(n(row, "player", "text") for row in straight)
            text += f" No vibrato at all was found on notes of {names}."
        book.say(text)
    if truth := book.see("figure measured_against_truth"):
        book.say(
            f"How close the measured notes come to the truth, which is known of this study, is shown{truth}."
        )
    others = book.see("figure along_a_phrase", "figure intensity_and_pitch")
    if others:
        book.say(
            f"Where vibrato lies along a phrase, and how loudness moves with pitch, is shown beside{others}."
        )


SAID = {"rate": "Rate", "extent": "Extent", "presence": "The odds that a note has vibrato"}
"""Outcomes of the standard models at the head of a sentence."""


def _write_models(book: Book) -> None:
    """The change from one decade to the next, with and without the medium held equal."""
    models = book.tables.get("models", pd.DataFrame())
    if not len(models):
        return
    shown = {
        "rate": book.see("figure rate_over_decades"),
        "extent": book.see("figure extent_over_decades", "figure extent_by_period_and_region"),
        "presence": book.see("figure effects"),
    }
    own = models[(models["effect"] == PER_DECADE).to_numpy(bool)]
    sentences = []
    for model, head in SAID.items():
        rows = own.index[own["model"].eq(model)].tolist()
        held = own.index[own["model"].eq(f"{model}, {HELD_EQUAL}")].tolist()
        if not rows:
            continue
        text = f"{head} changed from one decade to the next {_effect(book, rows[0])}"
        if held:
            text += f"; with the medium held equal {_effect(book, held[0])}"
        sentences.append(f"{text}{shown[model]}.")
    if sentences:
        book.say(" ".join(sentences) + (f" All effects are listed{book.see('table models')}."))


def _effect(book: Book, row: int) -> str:
    """One effect with its interval, or that it cannot be judged."""
    effect = book.tables["models"].iloc[row]
    if pd.isna(effect["estimate"]):
        return "by an amount that these recordings cannot judge"
    unit = str(effect["unit"])
    factor = unit.startswith("times")
    pattern = ".2g" if factor else "+.2f" if unit == "Hz" else "+.1f"
    unit = "" if factor else f" {unit}"

    def n(name: str, pattern: str) -> str:
        return book.cite("models", row, name, pattern)

    return (
        f"by {'a factor of ' if factor else ''}{n('estimate', pattern)}{unit} "
        f"({book.setting('interval_per_cent')} % interval {n('low', pattern)} to "
        f"{n('high', pattern)}{unit}, df = {n('df', '.1f')}, p {n('p', 'p')})"
    )


def ways_of(figure: str, row: int) -> bool:
    """Whether a figure shows every way to ask the claim in this row."""
    return figure.startswith(f"ways_{row + 1}_")


def claim_sentence(book: Book, row: int) -> str:
    """Return the result of one claim, no stronger than its verdict."""
    claim: Mapping[Any, Any] = book.tables["claims"].iloc[row].to_dict()

    def c(name: str, pattern: str = "text") -> str:
        return book.cite("claims", row, name, pattern)

    if claim["verdict"] not in VERDICTS:
        return f"The claim “{c('sentence')}” cannot be tested on this corpus. {c('reason')}".strip()
    unit = str(claim["unit"])
    pattern = "+.1f" if unit.startswith("%") else "+.2f"
    unit = f" {'%' if unit.startswith('%') else unit}" if unit else ""
    text = VERDICTS[claim["verdict"]].format(sentence=c("sentence"))
    if claim["provisional"]:
        text += " (provisional)"
    if claim["but"]:
        text += f", but {c('but')}"
    kind = str(claim["p_kind"])
    text += (
        f": {c('compared')}, {c('estimate', pattern)}{unit} ({c('interval_per_cent', '.3g')} % interval "
        f"{c('low', pattern)} to {c('high', pattern)}{unit}, df = {c('df', '.1f')}, {kind} {c('p_holm', 'p')} after "
        f"Holm; n = {c('players', 'count')} players, {c('recordings', 'count')} recordings, "
        f"{c('notes', 'count')} notes)"
        f"{book.see(*(f'figure {name}' for name in book.drawn if ways_of(name, row)))}."
    )
    if claim["verdict"] == "undecided":
        text += " That is no evidence of equality: the corpus does not tell."
    if claim["standing"] != FIRST:
        text += f" Standing of this claim: {c('standing')}."
    if claim["history"]:
        text += f" Its past: {c('history')}."
    return text


def write_limitations(book: Book) -> None:
    """What the corpus cannot tell, and which notes are weak."""
    book.begin("Limitations")
    _write_reach(book)
    if check := book.see("figure model_check"):
        book.say(f"What the models leave over was looked at{check}.")
    limits = book.tables["limitations"]
    lone = book.tables["audit"]["cells_of_one_player"].iloc[0]
    audit = [
        book.cite("limitations", row, "sentence")
        for row in range(len(limits))
        if limits["from"].iloc[row] == "audit"
        and not (lone > MOST_NAMED and limits["kind"].iloc[row] == LONE)
    ]
    if lone > MOST_NAMED:
        number = book.cite("audit", 0, "cells_of_one_player", "count")
        audit.append(
            f"In {number} cells of the corpus all notes are by one player: there the player cannot be told "
            "from the group (the table of limitations names each)."
        )
    if audit:
        book.say(" ".join(audit))
    for row in np.flatnonzero(limits["from"] != "audit").tolist():
        book.say(
            f"For the {book.cite('limitations', row, 'from')}: {book.cite('limitations', row, 'sentence')}"
        )
    write_media(book)
    quality = book.tables["quality"]
    if len(quality):
        parts = [
            f"{book.cite('quality', row, 'notes', 'count')} ({book.cite('quality', row, 'share', 'share')}) "
            f"{book.cite('quality', row, 'meaning')}"
            for row in range(len(quality))
        ]
        book.say(
            f"Remarks on notes, of which a note may have several{book.see('table quality')}: {'; '.join(parts)}."
        )
    book.say(
        f"{NO_CAUSE} What survives of early recordings, the media they were made on, and the choice of pieces may "
        "all differ between the groups compared."
    )


def _write_reach(book: Book) -> None:
    """What differences the corpus could decide, and how many players the undecided claims would need."""
    shown = book.see("figure power")
    if not shown:
        return
    table = book.tables["reach"]
    book.say(
        "What a corpus of this kind could decide, at the level of a single test and with the errors found "
        f"here, is reckoned for each claim{shown}."
    )
    for row in np.flatnonzero(table["verdict"] == "undecided").tolist():
        book.say(reach_sentence(book, row))


def reach_sentence(book: Book, row: int) -> str:
    """Say what difference an undecided claim could be decided on, and what more it would take."""
    claim = book.tables["reach"].iloc[row]
    unit = str(claim["unit"])
    pattern = ".0f" if unit.startswith("%") else ".2g"
    unit = f" {'%' if unit.startswith('%') else unit}" if unit else ""

    def n(name: str, pattern: str = "count") -> str:
        return book.cite("reach", row, name, pattern)

    often = f"{book.setting('power_per_cent')} % of such studies"
    far = pd.isna(claim["needed"])
    start = (
        f"Of the claim “{n('sentence', 'text')}”: with {n('players_from')} and {n('players_to')} players on "
        "its two sides"
    )
    more = "more players than any study of recordings has" if far else f"about {n('needed')} players a side"
    if claim["expect"] == "equal":
        return (
            f"{start}, equality would be found in {often} within a margin of {n('reach', pattern)}{unit}; to "
            f"decide it within {n('half', pattern)}{unit} you would need {more}."
        )
    return (
        f"{start}, a difference of {n('reach', pattern)}{unit} would be found in {often}; to decide it where "
        f"the difference is {n('half', pattern)}{unit} you would need {more}."
    )


def write_media(book: Book) -> None:
    """What the media did to the sound, as it was measured."""
    media = book.tables["media"]
    parts, found = [], []
    for row, medium in enumerate(media.to_dict("records")):

        def m(name: str, pattern: str = "count", row: int = row) -> str:
            return book.cite("media", row, name, pattern)

        if not np.isnan([medium[name] for name in ("above_noise_db", "high_edge_hz", "clicks_per_s")]).any():
            parts.append(
                f"{m('medium', 'text')} ({m('recordings')} {of_word(medium['recordings'], 'recording')}): loud passages "
                f"{m('above_noise_db', '.0f')} dB above the noise, music heard up to {m('high_edge_hz', ',.0f')} Hz, "
                f"{m('clicks_per_s', '.1f')} clicks a second"
            )
        found += [
            f"{words} on {m(name)} of {m('medium', 'text')}"
            for name, (_, words) in MEDIA_COUNTS.items()
            if medium[name]
        ]
    if parts:
        shown = book.see("table media")
        book.say(
            f"The sound as it was found, by medium (medians over recordings){shown}: {'; '.join(parts)}."
        )
    if found:
        book.say(f"Marks of the medium on single recordings: {'; '.join(found)}.")
    if len(parts) > 1:
        book.say(
            "Noise and lost overtones leave fewer notes to trust and larger errors. Groups that differ in medium "
            "differ in that, too. Stricter choices of notes, or the medium in the model, show how far a result depends on "
            "it; what the lost notes were they cannot show."
        )


def write_checklist(book: Book) -> None:
    """What reviewers ask, filled from the study."""
    book.begin("Checklist", appendix=True)
    book.say(
        f"What reviewers of acoustic and corpus studies ask is answered point by point{book.see('table checklist')}."
    )


def write_reproducibility(book: Book) -> None:
    """Versions, seeds, and the sums of files, as an appendix."""
    book.begin("Files and versions", appendix=True)
    for row in range(len(book.tables["reproducibility"])):
        book.say(
            f"{book.cite('reproducibility', row, 'what')}: {book.cite('reproducibility', row, 'value')}."
        )


def _write_rest(book: Book) -> None:
    """Speak of every figure that nothing was said of: none stands uncited."""
    cited = {name for name, _ in book.numbered("figure")}
    rest = [name for name in book.drawn if name not in cited and name not in OF_LIMITS]
    if rest:
        book.say(f"Further figures are added{book.see(*(f'figure {name}' for name in rest))}.")


OF_LIMITS = ("power", "model_check")
"""Figures of which the limitations speak."""
