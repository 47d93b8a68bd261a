"""Pages of the site that are made from the program itself: columns, commands, settings, gallery.

A hook of mkdocs. ``VIBSTUDY_DOCS_STUDY`` names a finished demo study; the figures of its paper pack and of
its notebooks become the gallery, its notebooks are shown as they ran.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import typer
from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files

from vibstudy.cli import app
from vibstudy.corpus.settings import template
from vibstudy.schema import (
    LOG_COLUMNS,
    MANIFEST_COLUMNS,
    NOTE_COLUMNS,
    REASONS,
    RECORDING_COLUMNS,
    SCORE_COLUMNS,
    Column,
)

STUDY = "VIBSTUDY_DOCS_STUDY"

GALLERIES = (
    ("Figures of the paper pack", "gallery/paper", "paper/figures/column"),
    ("Figures of the notebooks", "gallery", "figures"),
)
"""Heading, folder of the site, and folder of the study; all pictures in them are shown."""


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the generated pages."""
    pages = {
        "reference/columns.md": columns_page(),
        "reference/commands.md": commands_page(),
        "reference/settings.md": settings_page(),
    }
    study = os.environ.get(STUDY)
    pages["gallery.md"] = gallery_page(Path(study) if study else None)
    for name, text in pages.items():
        files.append(File.generated(config, name, content=text))
    if study:
        for _, folder, within in GALLERIES:
            _add(files, config, sorted(Path(study, within).glob("*.png")), folder)
        _add(files, config, sorted(Path(study, "pages").glob("*.html")), "notebooks")
    return files


def _add(files: Files, config: MkDocsConfig, paths: Iterable[Path], folder: str) -> None:
    for path in paths:
        files.append(File.generated(config, f"{folder}/{path.name}", abs_src_path=str(path)))


def columns_page() -> str:
    """Every column of every table."""
    parts = [
        "# Columns",
        "Made from the program's own dictionary. **Extent is half of peak-to-peak** (± cents) everywhere; an "
        "empty cell means *not known*, never zero.",
    ]
    for title, told, columns in (
        ("The table of recordings", "`corpus_manifest.csv`, the one table you write.", MANIFEST_COLUMNS),
        ("Notes", "`results/notes.csv`, one row a note.", NOTE_COLUMNS),
        ("Notes of recordings with a score", "Further columns of `results/notes.csv`.", SCORE_COLUMNS),
        ("Recordings", "`results/recordings.csv`, one row a recording.", RECORDING_COLUMNS),
        ("Log", "`results/log.csv`: what happened to each row of the table of recordings.", LOG_COLUMNS),
    ):
        parts += [f"## {title}", told, _table(columns)]
    parts += ["## Reasons of `quality`", "Why not to trust a note, in this order.", _reasons()]
    return "\n\n".join(parts)


def _reasons() -> str:
    rows = ["| reason | what it means | given for | rate and extent are used |", "|---|---|---|---|"]
    for reason in REASONS:
        used = "yes" if reason.harmless else "no"
        rows.append(
            f"| `{reason.name}` | {reason.words} | {reason.rule.format(limit=reason.limit)} | {used} |"
        )
    return "\n".join(rows)


def _table(columns: Iterable[Column]) -> str:
    rows = ["| column | unit | meaning | source |", "|---|---|---|---|"]
    for column in columns:
        cells = (f"`{column.name}`", column.unit, _meaning(column), column.source)
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(rows)


def _meaning(column: Column) -> str:
    allowed = column.constraints.get("enum")
    words = f" One of: {', '.join(map(str, allowed))}." if allowed else ""
    needed = " Must be filled." if column.constraints.get("required") else ""
    return f"**{column.title}.** {column.definition}{words}{needed}"


def commands_page() -> str:
    """Help of every command."""
    commands: Any = typer.main.get_command(app)
    told = "Type each after `uv run`. `vibstudy --help` lists them, `vibstudy NAME --help` tells more."
    parts = ["# Commands", told]
    for name, command in commands.commands.items():
        parts += [f"## vibstudy {name}", command.help or "", _parameters(command.params)]
    return "\n\n".join(parts)


def _parameters(parameters: Iterable[Any]) -> str:
    rows = ["| | | what for |", "|---|---|---|"]
    for parameter in parameters:
        given = parameter.param_type_name == "option"
        names = [*parameter.opts, *parameter.secondary_opts] if given else [parameter.name.upper()]
        told, default = parameter.help or "", parameter.default
        if isinstance(parameter.show_default, str):
            told += f" Default: {parameter.show_default}."
        elif isinstance(default, int | float | str | Path) and not isinstance(default, bool):
            told += f" Default: {default}."
        rows.append(f"| `{', '.join(names)}` | {parameter.metavar or ''} | {told} |")
    return "\n".join(rows) if len(rows) > 2 else ""


def settings_page() -> str:
    """The commented settings file."""
    return (
        "# Settings\n\n`study.toml` in the study's folder. Every line may be left out; what stands here are "
        "the defaults. `vibstudy new` writes this file.\n\n```toml\n" + template() + "\n```\n"
    )


def gallery_page(study: Path | None) -> str:
    """Figures of the demo study with their captions, and its notebooks."""
    parts = [
        "# Gallery",
        "Made by `vibstudy demo`. All players, regions and recordings are **invented**; the sound is "
        "synthetic.",
    ]
    if study is None:
        return "\n\n".join([*parts, "This copy of the site was made without the demo study."])
    parts += ["## The notebooks as they ran"]
    parts += [
        f"- [{path.stem[3:].replace('_', ' ').capitalize()}](notebooks/{path.name})"
        for path in sorted((study / "pages").glob("*.html"))
    ]
    parts = ["\n\n".join(parts[:3]), "\n".join(parts[3:])]
    for heading, folder, within in GALLERIES:
        pictures = sorted((study / within).glob("*.png"))
        parts += [f"## {heading}"] if pictures else []
        for picture in pictures:
            caption = picture.with_suffix(".txt")
            told = caption.read_text(encoding="utf-8").strip() if caption.exists() else ""
            name = picture.stem[3:] if picture.stem[:2].isdigit() else picture.stem
            parts += [
                f"![{name.replace('_', ' ')}]({folder}/{picture.name})",
                f"*{told}*" if told else "",
            ]
    return "\n\n".join(parts)
