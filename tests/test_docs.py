"""The site: its generated pages tell everything there is, and its link check finds what is dead."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from vibstudy.schema import MANIFEST_COLUMNS, NOTE_COLUMNS, REASONS, RECORDING_COLUMNS

DOCS = Path(__file__).parent.parent / "docs"


@pytest.fixture(scope="module")
def site():
    sys.path.insert(0, str(DOCS))
    try:
        yield {name: _load(name) for name in ("generate", "build")}
    finally:
        sys.path.remove(str(DOCS))
        for name in ("generate", "build"):
            sys.modules.pop(name, None)


def _load(name):
    spec = importlib.util.spec_from_file_location(name, DOCS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def test_every_column_is_explained(site):
    page = site["generate"].columns_page()
    assert all(f"`{reason.name}` | {reason.words}" in page for reason in REASONS)
    assert "voiced_fraction below 0.8" in page
    for column in (*MANIFEST_COLUMNS, *NOTE_COLUMNS, *RECORDING_COLUMNS):
        assert f"| `{column.name}` |" in page and column.definition.replace("|", "\\|") in page


def test_every_command_is_explained(site):
    page = site["generate"].commands_page()
    for name in (
        "demo",
        "new",
        "check",
        "measure",
        "status",
        "review",
        "claims",
        "paper",
        "tone",
        "practice",
    ):
        assert f"## vibstudy {name}\n" in page
    assert "`--extent`" in page and "half of peak to peak" in page


def test_dead_links_are_found(site, tmp_path):
    (tmp_path / "a.html").write_text(
        "<a href='b.html#here'>1</a><a href='b.html#gone'>2</a><a href='c.html'>3</a><a href='#top'>4</a>"
        "<img src='x.png'><a href='https://example.org/'>5</a><h1 id='top'>t</h1>",
        encoding="utf-8",
    )
    (tmp_path / "b.html").write_text("<h1 id='here'>ü</h1>", encoding="utf-8")
    dead = {link for _, link in site["build"].dead_links(tmp_path)}
    assert dead == {"b.html#gone", "c.html", "x.png"}


def test_the_gallery_shows_every_figure(site, tmp_path):
    for folder, name in (("figures", "01_line"), ("paper/figures/column", "claims"), ("pages", "01_look")):
        (tmp_path / folder).mkdir(parents=True, exist_ok=True)
        (tmp_path / folder / f"{name}.png").write_bytes(b"")
        (tmp_path / folder / f"{name}.txt").write_text(f"Caption of {name}.\n", encoding="utf-8")
    page = site["generate"].gallery_page(tmp_path)
    assert "![claims](gallery/paper/claims.png)\n\n*Caption of claims.*" in page
    assert "![line](gallery/01_line.png)\n\n*Caption of 01_line.*" in page
    assert page.count("![") == 2
