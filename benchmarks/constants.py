"""Which numeric constants do the pinned figures guard? Each is moved by 30 %, and some figure should change.

    uv run python -m benchmarks.constants                    # all of notes, pitch, vibrato, stats
    uv run python -m benchmarks.constants --sample 150       # some drawn at random: a share with its interval
    uv run python -m benchmarks.constants vibstudy/vibrato/noise.py
    uv run python -m benchmarks.constants --list [FILE ...]  # the constants that no word explains

Moved are the numbers at the top of a module (alone or in a tuple or table) and those within functions. Not
counted, because they are no choices of the method:

- 0, 1, -1 and 2, indices, exponents, and units of measure (:data:`UNITS`);
- what only words an answer or a refusal: numbers within f-strings, ``raise`` and ``assert``, arguments of
  :data:`WORDING`, and the module :data:`WORDS`;
- guards: numbers up to 1e-6 or from 1e6 on stand beside a value so that a division, a logarithm or a search
  does not fail; only rounding sees them;
- seeds.

A constant is *told* when a comment stands beside it or above its statement, or a text below it; *guarded*
when a figure of :mod:`tests.pinned` changes, or computing it fails, with the number 30 % larger, or, where
that is not noticed, 30 % smaller; *free* with its reason when it stands in ``benchmarks/constants_free.csv``
(file, name of what holds it, value); else it is *not guarded*: extend the pinned cases, drop the number, or
say why it is free.

How: the libraries are loaded once. A child of this process loads the one module with its number moved and
computes those pinned cases that run through the place, the quickest first, up to the first figure that is not
as stored. The figures must be as stored before: ``uv run python -m tests.pinned`` stores them.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import csv
import gc
import importlib.machinery
import io
import os
import re
import resource
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.stats import beta

ROOMS = ("notes", "pitch", "vibrato", "stats")
UNITS = {10.0, 12.0, 20.0, 60.0, 69.0, 100.0, 127.0, 128.0, 440.0, 1000.0, 1200.0}
"""Tens, semitones and cents of an octave, decibels, seconds, A4, MIDI's notes: not choices."""
WORDS = "words.py"
WORDING = {"Problem", "VibstudyError", "Remark", "refused", "say"}
FREE = Path(__file__).with_name("constants_free.csv")
GUARD_BELOW, GUARD_ABOVE = 1e-6, 1e6
LIMIT_S = 60
"""Of CPU, for one constant; "too slow" is noticed, too."""


@dataclass(frozen=True)
class Constant:
    """A number in a module: where it stands, what holds it, and whether a word stands beside it."""

    path: Path
    line: int
    column: int
    value: float
    name: str
    told: bool
    lines: tuple[int, int]
    """Of the statement that holds it."""
    top: bool
    """Whether it stands outside functions."""

    @property
    def key(self) -> tuple[str, str, str]:
        """What a list of free constants calls it."""
        return (self.path.as_posix().removeprefix("vibstudy/"), self.name, f"{self.value:g}")


def constants(path: Path) -> Iterator[Constant]:
    """Numbers of a module that are choices."""
    if path.name == WORDS:
        return
    source = path.read_text(encoding="utf-8")
    lines, tree = source.splitlines(), ast.parse(source)
    skipped = {
        id(number) for node in ast.walk(tree) for part in _no_choice(node) for number in ast.walk(part)
    }
    for holder, name, text_below in _holders(tree.body, ""):
        top = not isinstance(holder, ast.FunctionDef)
        for statement in _statements(holder):
            for number in _own_numbers(statement):
                value = number.value
                if id(number) in skipped or value in (0, 1, 2) or float(value) in UNITS:
                    continue
                if abs(value) <= GUARD_BELOW or abs(value) >= GUARD_ABOVE:
                    continue
                yield Constant(
                    path,
                    number.lineno,
                    number.col_offset,
                    value,
                    name,
                    "#" in lines[number.lineno - 1]
                    or lines[statement.lineno - 2].lstrip().startswith("#")
                    or text_below,
                    (statement.lineno, statement.end_lineno or statement.lineno),
                    top,
                )


def _no_choice(node: ast.AST) -> list[ast.AST]:
    """Parts of a node whose numbers are no choices."""
    if isinstance(node, ast.Subscript):
        return [node.slice]
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
        return [node.right]
    if isinstance(node, ast.JoinedStr | ast.Raise | ast.Assert):
        return [node]
    if isinstance(node, ast.Call):
        called = getattr(node.func, "id", getattr(node.func, "attr", ""))
        seeds = [keyword for keyword in node.keywords if keyword.arg == "seed"]
        return [node] if called in WORDING or called == "default_rng" else list(seeds)
    if isinstance(node, ast.FunctionDef):
        named = [*node.args.posonlyargs, *node.args.args][-len(node.args.defaults) :] + node.args.kwonlyargs
        values = [*node.args.defaults, *node.args.kw_defaults]
        return [v for a, v in zip(named, values, strict=False) if a.arg == "seed" and v is not None]
    return []


def _holders(body: list[ast.stmt], prefix: str) -> Iterator[tuple[ast.stmt, str, bool]]:
    """Functions, and statements outside of them, with their names; whether a text explains them."""
    for i, node in enumerate(body):
        if isinstance(node, ast.ClassDef):
            yield from _holders(node.body, f"{prefix}{node.name}.")
            continue
        after = body[i + 1] if i + 1 < len(body) else None
        text_below = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
        assigned = isinstance(node, ast.Assign | ast.AnnAssign)
        yield node, prefix + _name(node), assigned and text_below


def _name(node: ast.stmt) -> str:
    if isinstance(node, ast.Assign):
        return ast.unparse(node.targets[0]).strip("()")
    return getattr(node, "name", "") or (ast.unparse(node.target) if isinstance(node, ast.AnnAssign) else "")


def _statements(node: ast.stmt) -> Iterator[ast.stmt]:
    yield node
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.stmt):
            yield from _statements(child)
        elif isinstance(child, ast.ExceptHandler | ast.match_case):
            for inner in child.body:
                yield from _statements(inner)


def _own_numbers(statement: ast.stmt) -> Iterator[ast.Constant]:
    """Numbers of a statement, without those of the statements within it."""
    stack: list[ast.AST] = [statement]
    while stack:
        node = stack.pop()
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.stmt | ast.ExceptHandler | ast.match_case):
                continue
            if isinstance(child, ast.Constant) and type(child.value) in (int, float):
                yield child
            stack.append(child)


def moved(value: float, up: bool) -> float:
    """The number 30 % larger or smaller; of whole numbers at least by one."""
    if isinstance(value, int):
        return max(round(1.3 * value), value + 1) if up else min(round(0.7 * value), value - 1)
    return value * (1.3 if up else 0.7)


class _Moved(importlib.machinery.SourceFileLoader):
    """Loads a module with one number moved."""

    def __init__(self, name: str, constant: Constant, up: bool):
        super().__init__(name, str(constant.path.absolute()))
        self.constant, self.up = constant, up

    def get_code(self, fullname: str):
        tree = ast.parse(self.get_data(self.path))
        for node in ast.walk(tree):
            here = (getattr(node, "lineno", 0), getattr(node, "col_offset", -1))
            if isinstance(node, ast.Constant) and here == (self.constant.line, self.constant.column):
                node.value = moved(node.value, self.up)
        return compile(tree, self.path, "exec")


class _Finder:
    """Finds the one module that is to be loaded with a number moved."""

    def __init__(self, constant: Constant, up: bool):
        self.name = ".".join(constant.path.with_suffix("").parts)
        self.loader = _Moved(self.name, constant, up)

    def find_spec(self, name, path=None, target=None):
        if name == self.name:
            return importlib.machinery.ModuleSpec(name, self.loader, origin=str(self.loader.path))
        return None


@dataclass(frozen=True)
class Ground:
    """What the pinned cases run through: seconds of each, its lines by file, and what is stored of it."""

    seconds: Mapping[str, float]
    lines: Mapping[str, Mapping[str, frozenset[int]]]
    stored: Mapping[str, Mapping[str, str]]

    def through(self, constant: Constant) -> list[str]:
        """The cases that run through a constant's place, the quickest first."""
        places = _places(constant)
        reached = [
            case
            for case, files in self.lines.items()
            if any(files.get(file, frozenset()) & lines for file, lines in places.items())
        ]
        return sorted(reached, key=self.seconds.__getitem__)


def _places(constant: Constant) -> dict[str, frozenset[int]]:
    """Lines where a constant stands, or, of one outside functions, where its name does."""
    here = str(constant.path.absolute())
    if not constant.top:
        return {here: frozenset(range(constant.lines[0], constant.lines[1] + 1))}
    sources = {path: path.read_text(encoding="utf-8") for path in Path("vibstudy").rglob("*.py")}
    names = set(re.findall(r"\w+", constant.name))
    for line in sources[constant.path].splitlines():  # what is made of it at the top of the module
        made = re.match(r"(\w+)(?:: [^=]+)? = (.*)", line)
        if made and names & set(re.findall(r"\w+", made[2])):
            names.add(made[1])
    word = re.compile(rf"\b(?:{'|'.join(map(re.escape, names))})\b")
    return {
        str(path.absolute()): frozenset(i for i, line in enumerate(text.splitlines(), 1) if word.search(line))
        for path, text in sources.items()
        if word.search(text)
    }


def survey() -> Ground:
    """Compute all cases once as they are, and see where they run; leaves the libraries loaded.

    Raises
    ------
    SystemExit
        When a figure is not as stored.
    """
    import coverage

    from tests import pinned

    stored = pinned.stored()
    seconds, lines = {}, {}
    for name in pinned.names():
        watch = coverage.Coverage(data_file=None, include=["vibstudy/*"], config_file=False)
        with contextlib.redirect_stderr(io.StringIO()), watch.collect():
            began = time.process_time()
            now = pinned.figures(name)
            seconds[name] = time.process_time() - began
        data = watch.get_data()
        lines[name] = {file: frozenset(data.lines(file) or ()) for file in data.measured_files()}
        changed = pinned.differences(stored.get(name, {}), now)
        if changed:
            raise SystemExit(
                f"{name} is not as stored: {changed[0]}. uv run python -m tests.pinned stores it"
            )
    for name in [name for name in sys.modules if name.split(".")[0] in ("vibstudy", "tests")]:
        del sys.modules[name]
    gc.collect()
    gc.freeze()
    return Ground(seconds, lines, stored)


def noticed(constant: Constant, up: bool, ground: Ground) -> str:
    """The pinned case, if any, that changes when a constant is moved."""
    cases = ground.through(constant)
    if not cases:
        return ""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (LIMIT_S, LIMIT_S))
            with Path(os.devnull).open("w") as nowhere:
                os.dup2(nowhere.fileno(), 1)
                os.dup2(nowhere.fileno(), 2)
            sys.meta_path.insert(0, _Finder(constant, up))
            case = cases[0]
            try:
                from tests import pinned

                for case in cases:
                    if pinned.differences(ground.stored[case], pinned.figures(case)):
                        os.write(writing, case.encode())
                        break
            except BaseException:
                os.write(writing, case.encode())
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as found:
        said = found.read().decode()
    ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return said or ("too slow" if ended < 0 else "")


def free(found: list[Constant]) -> dict[Constant, str]:
    """Constants that may move, with the reason why, from the list; ``*`` there stands for any name or value.

    Raises
    ------
    SystemExit
        When an entry fits no constant, or has no reason.
    """
    with FREE.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    out: dict[Constant, str] = {}
    for row in rows:
        wanted = (row["file"], row["name"], row["value"])
        fit = [c for c in found if all(fnmatch(got, like) for got, like in zip(c.key, wanted, strict=True))]
        if any(c.key[0] == row["file"] for c in found) and not (fit and row["reason"]):
            raise SystemExit(f"{FREE.name}: {' '.join(wanted)} fits no constant, or has no reason")
        out |= dict.fromkeys(fit, row["reason"])
    return out


def interval(hits: int, of: int) -> tuple[float, float]:
    """95 % interval of a share (Clopper and Pearson 1934)."""
    low = beta.ppf(0.025, hits, of - hits + 1) if hits else 0.0
    return float(low), float(beta.ppf(0.975, hits + 1, of - hits)) if hits < of else 1.0


def main() -> None:
    """List constants, or move them."""
    parser = argparse.ArgumentParser(description="Which numeric constants do the pinned figures guard?")
    parser.add_argument("files", nargs="*", type=Path, help="Modules; all of notes, pitch, vibrato, stats.")
    parser.add_argument("--list", action="store_true", help="Only list the constants that are not told.")
    parser.add_argument("--sample", type=int, help="Move only so many, drawn at random.")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    console = Console(width=130, highlight=False)
    files = asked.files or [path for room in ROOMS for path in sorted(Path("vibstudy", room).glob("*.py"))]
    found = [constant for path in files for constant in constants(path)]
    if asked.list:
        table = Table("place", "name", "value", title="Constants without a word beside them")
        for constant in found:
            if not constant.told:
                table.add_row(f"{constant.path}:{constant.line}", constant.name, f"{constant.value:g}")
        console.print(table)
        untold = sum(not constant.told for constant in found)
        console.print(f"{len(found)} constants, {untold} without a word")
        return
    reasons = free(found)
    moving = [constant for constant in found if constant not in reasons]
    if asked.sample and asked.sample < len(moving):
        chosen = np.random.default_rng(asked.seed).choice(len(moving), asked.sample, replace=False)
        moving = [moving[i] for i in chosen]  # as drawn: a run that is broken off is a sample, too
    ground = survey()
    guarded = 0
    for constant in moving:
        case = noticed(constant, True, ground) or noticed(constant, False, ground)
        guarded += bool(case)
        said = case or f"not guarded ({len(ground.through(constant))} cases run there)"
        print(f"{constant.path}:{constant.line} {constant.name} {constant.value:g}: {said}", flush=True)
    low, high = interval(guarded, len(moving))
    console.print(
        f"{len(moving)} of {len(found)} constants moved, {guarded} guarded: "
        f"{guarded / max(len(moving), 1):.1%} ({low:.1%} to {high:.1%}); {len(reasons)} are listed as free"
    )


if __name__ == "__main__":
    main()
