"""The paper pack: everything of a measured study that a paper needs, in one folder.

::

    paper/draft.tex, draft.docx, draft.html    the same draft, three times
    paper/slides.html                          slides of 16:9, one figure and one sentence each
    paper/slides_with_sound.html               the same with examples to hear, where the sound files are there
    paper/figures/column, figures/slide        figures as PDF, SVG and 600-dpi PNG, with caption and numbers
    paper/tables                               tables as CSV, LaTeX (booktabs) and Word
    paper/tables/numbers.csv                   every number of the text, and the cell it came from
    results/quantities.csv                     the one frame of results behind them all
    paper/references.bib                       works cited
    paper/reproducibility.html                 versions, seeds, settings, SHA-256 of every input
    paper/NOT_DRAWN.txt                        figures this study does not allow, with the reason

The draft is a beginning: methods from the steps that ran, results from the verdicts on the claims,
limitations from the audit of the corpus. What it means is the author's to say.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.corpus.files import sha256_of
from vibstudy.corpus.results import read_notes, read_recordings
from vibstudy.corpus.settings import Settings
from vibstudy.figures.contrasts import QUALIFIED, claim_sides
from vibstudy.figures.own import read_own
from vibstudy.figures.quantities import NOTEBOOK, joined, of_notebooks, quantities, row, write_quantities
from vibstudy.figures.quantity_rows import claim_rows, effect_rows, reach_rows, setting_rows
from vibstudy.paper import output, tables, text
from vibstudy.paper.checklist import checklist_table
from vibstudy.paper.figures import PaperFigure, draw_figures, margins_of, phrase_of
from vibstudy.paper.methods import write_methods
from vibstudy.paper.origins import differing, joined_by, origins, settings_of, together
from vibstudy.paper.references import bibtex, references_table
from vibstudy.paper.slide_sounds import following, sound_slides
from vibstudy.paper.tables import media_rows
from vibstudy.recording.found import within_range
from vibstudy.schema import media_in_words
from vibstudy.sound.reading import WORKING_RATE_HZ
from vibstudy.stats.claims import CLAIMS_FILE, FIRST, Claim, evaluate_and_log, read_claims
from vibstudy.stats.detectable import reach_table
from vibstudy.stats.effects import standard_effects
from vibstudy.stats.history import bygone_tests
from vibstudy.stats.power import TARGET
from vibstudy.study import Study, open_study

TITLE = "Vibrato in recordings: a draft"
INTERVAL_PER_CENT = 95
SIGNIFICANCE = 0.05


@dataclass(frozen=True)
class PaperReport:
    """What was written.

    Parameters
    ----------
    folder : Path
        The pack.
    figures : list of PaperFigure
        Drawn, or with the reason why not.
    numbers : int
        Numbers and quoted cells in the text.
    """

    folder: Path
    figures: list[PaperFigure]
    numbers: int


def write_paper(
    study_folder: str | Path,
    out: str | Path | None = None,
    title: str = TITLE,
    say: Callable[[str], None] = lambda _: None,
) -> PaperReport:
    """Write the paper pack of a measured study.

    Parameters
    ----------
    study_folder : path
        Study folder.
    out : path | None
        Folder to write to; None is ``paper`` in the study.
    title : str
        Title of the draft.
    say : callable
        Told what is being done.

    Raises
    ------
    VibstudyError
        When nothing is measured.
    """
    study = open_study(study_folder)
    folder = Path(out) if out is not None else study.folder / "paper"
    notes, recordings = read_notes(study.folder), read_recordings(study.folder)
    own = read_own(study.folder, notes)
    say("claims and models")
    claims = read_claims(study.folder / CLAIMS_FILE) if (study.folder / CLAIMS_FILE).is_file() else []
    book = text.Book()
    evaluated = _claims_table(study, notes, recordings, claims)
    measured = origins(study.folder)
    joined_studies = joined_by(study.folder)
    surroundings = together(study.folder, measured)
    ranges = settings_of(measured, recordings)
    settings = _settings_table(notes, recordings, surroundings["settings"], ranges, evaluated)
    effects = standard_effects(notes, own.group, joined_studies)
    reach = _reach(notes, claims, evaluated)
    frame = quantities(
        notes,
        study.recordings(),
        tags=tags_of(notes, claims, own.group),
        further=[
            *effect_rows(effects),
            *claim_rows(evaluated),
            *reach_rows(reach),
            *media_rows(recordings),
            *of_notebooks(study.results),
            *setting_rows(dict(settings[["setting", "value"]].to_numpy().tolist())),
        ],
    )
    book.tables |= _tables(notes, claims, evaluated, frame, own.group)
    book.tables |= {"settings": settings, "reach": reach} | _surroundings(study, notes, surroundings)
    if joined_studies:
        book.tables["studies"] = tables.studies_table(recordings)
    figures_folder = folder / "figures"
    figures_folder.mkdir(parents=True, exist_ok=True)
    figures = draw_figures(study, notes, evaluated, effects, reach, own, figures_folder, say)
    drawn = [
        row("figure", figure.name, name, value, unit)
        for figure in figures
        for name, (value, unit) in figure.numbers.items()
        if np.isfinite(value)
    ]
    audit = row("study", "study", "cells_of_one_player", book.tables["audit"].iloc[0].item(), "")
    write_quantities(study.results, joined(frame, [*drawn, audit]))
    book.drawn = [figure.name for figure in figures if figure.caption]
    ways = sum(name.startswith("ways_") for name in book.drawn)
    book.tables["checklist"] = checklist_table(frame, evaluated, ways, study.is_demo)
    say("text")
    text.write_corpus(book, study.is_demo)
    write_methods(book, notes, recordings, claims, differing(measured))
    text.write_results(book)
    text.write_limitations(book)
    text.write_checklist(book)
    text.write_reproducibility(book)
    captions = {figure.name: figure.caption for figure in figures}
    book.tables["captions"] = pd.DataFrame(
        [{"number": n, "figure": name, "caption": captions[name]} for name, n in book.numbered("figure")]
    )
    _write_files(book, figures, title, folder)
    say("slides")
    _write_slides(study, notes, book, figures, title, folder)
    return PaperReport(folder, figures, len(book.citations))


def tags_of(notes: pd.DataFrame, claims: Sequence[Claim], group: str = "region") -> list[str]:
    """Return the tags by which notes are counted: decade, group, medium, and what the claims compare."""
    named = [claim.contrast.column for claim in claims]
    wanted = list(dict.fromkeys(["decade", group, "medium", *named]))
    return [
        name
        for name in wanted
        if name in notes and name not in KINDS and notes[name].nunique() <= MOST_LEVELS
    ]


KINDS = (
    "player",
    "recording",
    "recording_id",
    "study",
    "remark",
    "model",
    "claim",
    "setting",
    "figure",
    NOTEBOOK,
)
"""Kinds of the frame that are no tags."""

MOST_LEVELS = 60
"""A tag with more values is a number rather than a group: decades of six centuries would be 60."""


def _write_files(book: text.Book, figures: Sequence[PaperFigure], title: str, folder: Path) -> None:
    captions = {figure.name: figure.caption for figure in figures}
    output.write_tables(book, folder / "tables")
    output.write_tex(book, captions, title, folder / "draft.tex")
    output.write_html(book, captions, title, folder / "draft.html", folder / "figures")
    output.write_reproducibility(book, title, folder / "reproducibility.html")
    output.write_docx(book, captions, title, folder / "draft.docx", folder / "figures")
    table = book.tables["references"]
    used = sorted({c.row - 1 for c in book.citations if c.table == "references"})
    output.write_text(folder / "references.bib", bibtex([str(table["key"].iloc[row]) for row in used]))
    missing = [f"{figure.name}: {figure.reason}" for figure in figures if figure.reason]
    if missing:
        output.write_text(folder / "NOT_DRAWN.txt", "\n".join(missing) + "\n")
    else:
        (folder / "NOT_DRAWN.txt").unlink(missing_ok=True)


def _write_slides(
    study: Study,
    notes: pd.DataFrame,
    book: text.Book,
    figures: Sequence[PaperFigure],
    title: str,
    folder: Path,
) -> None:
    """Slides in the order of the draft, and again with sound; no file with sound where there is none."""
    drawn = {figure.name: figure.slides for figure in figures}
    slides = [slide for name, _ in book.numbered("figure") for slide in drawn[name]]
    output.write_slides(slides, title, folder / "slides.html", folder / "figures")
    sounding = folder / "slides_with_sound.html"
    names = [name for name, _ in slides]
    found = sound_slides(study, notes, phrase_of(notes) if "along_a_phrase" in names else None)
    if found and names:
        heard = following(found, names)
        output.write_slides(slides, title, sounding, folder / "figures", heard, study.is_demo)
    else:
        sounding.unlink(missing_ok=True)


def _tables(
    notes: pd.DataFrame,
    claims: Sequence[Claim],
    evaluated: pd.DataFrame,
    frame: pd.DataFrame,
    group: str,
) -> dict[str, pd.DataFrame]:
    limits = tables.limitations_table(notes, evaluated)
    return {
        "corpus": tables.corpus_of(frame),
        "players": tables.players_of(frame, notes, group),
        "claims": evaluated,
        "models": tables.models_of(frame),
        "quality": tables.remarks_of(frame),
        "media": tables.media_of(frame),
        "left_out": tables.left_out_of(frame, claims),
        "limitations": limits,
        "audit": pd.DataFrame([{"cells_of_one_player": int((limits["kind"] == tables.LONE).sum())}]),
        "references": references_table(),
    }


def _surroundings(study: Study, notes: pd.DataFrame, surroundings: dict[str, Any]) -> dict[str, pd.DataFrame]:
    software = [("vibstudy", _joined(notes, "vibstudy_version")), ("Python", surroundings["python"])]
    software += list(surroundings["libraries"].items())
    return {
        "software": pd.DataFrame(software, columns=["name", "version"]),
        "reproducibility": _reproducibility_table(study, surroundings),
    }


def _claims_table(
    study: Study, notes: pd.DataFrame, recordings: pd.DataFrame, claims: Sequence[Claim]
) -> pd.DataFrame:
    if not claims:
        return pd.DataFrame(columns=["claim", "verdict", "estimate", "unit", "low", "high", "caveats"])
    # claims and recordings are logged before the answer is known, and the look after, as by 'vibstudy claims'
    table, ledger = evaluate_and_log(study.folder, claims, recordings, notes)
    table["tests_gone"] = bygone_tests(claims, ledger)
    table["sentence"] = table["sentence"].str.removesuffix(".")
    table["expect"] = [claim.expect for claim in claims]
    for name in ("reason", "but", "compared"):
        table[name] = table[name].fillna("").map(media_in_words)
    table["verdict_told"] = table["verdict"] + np.where(table["but"].ne(""), QUALIFIED, "")
    return table


def _reach(notes: pd.DataFrame, claims: Sequence[Claim], evaluated: pd.DataFrame) -> pd.DataFrame:
    """What the corpus could decide of each claim, and how many players that would need."""
    sides = claim_sides(claims, notes)
    counted = sides.groupby(["claim", "side"])["player"].nunique()
    players = {
        str(name): (int(counted.get((name, "from"), 0)), int(counted.get((name, "to"), 0)))
        for name in sides["claim"].unique()
    }
    return reach_table(evaluated, players, margins_of(claims))


def _settings_table(
    notes: pd.DataFrame,
    recordings: pd.DataFrame,
    settings: Mapping[str, Any],
    ranges: Sequence[Mapping[str, Any]],
    claims: pd.DataFrame,
) -> pd.DataFrame:
    reviewed = notes["reviewed"].astype("string").value_counts()
    estimated = recordings["tuning_source"].astype("string") == "estimated"
    speeds = (
        recordings["speed_factor"].astype(float) if "speed_factor" in recordings else pd.Series(dtype=float)
    )
    rows = {
        **settings,
        "tracker_used": _joined(notes, "tracker"),
        "working_rate_hz": WORKING_RATE_HZ,
        "recordings_speed_corrected": int((speeds.notna() & (speeds != 1.0)).sum()),
        "recordings_range_of_instrument": _in_range_of_instrument(recordings, ranges),
        "recordings_sway_removed": _known(recordings, "wow_hz"),
        "recordings_room_told": _known(recordings, "room_decay_s"),
        "recordings_tuning_estimated": int(estimated.fillna(False).sum()),
        "recordings_tuning_given": int((~estimated.fillna(False)).sum()),
        **{f"notes_{word}": int(reviewed.get(word, 0)) for word in ("accepted", "edited", "rejected")},
        "interval_per_cent": INTERVAL_PER_CENT,
        "significance": SIGNIFICANCE,
        "power_per_cent": round(100 * TARGET),
        "claims": len(claims),
        "claims_gone": int(claims["tests_gone"].iloc[0]) if len(claims) else 0,
        "claims_written_first": int((claims["standing"] == FIRST).sum()) if len(claims) else 0,
    }
    return pd.DataFrame([{"setting": name, "value": str(value)} for name, value in rows.items()])


def _known(recordings: pd.DataFrame, column: str) -> int:
    return int(recordings[column].notna().sum()) if column in recordings else 0


def _in_range_of_instrument(recordings: pd.DataFrame, settings: Sequence[Mapping[str, Any]]) -> int:
    """Recordings whose notes were looked for within the range of their instrument."""
    count = 0
    for recording, used in zip(recordings.to_dict("records"), settings, strict=True):
        own = Settings(fmin_hz=used["fmin_hz"], fmax_hz=used["fmax_hz"], tuning_hz=440.0)
        count += within_range(own, {"instrument": recording.get("instrument")}) != own
    return count


def _joined(notes: pd.DataFrame, column: str) -> str:
    return (
        ", ".join(sorted(notes[column].dropna().astype(str).unique())) if column in notes else "not recorded"
    )


def _reproducibility_table(study: Study, surroundings: dict[str, Any]) -> pd.DataFrame:
    rows = [("Computed on", f"{surroundings['system']}, Python {surroundings['python']}")]
    rows += [("Seeds", surroundings["seeds"]), ("Version of the method", str(surroundings["method_version"]))]
    paths = [study.folder / name for name in (MANIFEST_NAME, "study.toml", CLAIMS_FILE)]
    paths += [study.results / name for name in ("notes.csv", "recordings.csv")]
    rows += [(f"SHA-256 of {path.name}", sha256_of(path)) for path in paths if path.is_file()]
    return pd.DataFrame(rows, columns=["what", "value"])
