"""Which numeric constants do the tests guard? Each is moved by 30 %, and some figure or test should notice.

    uv run python -m benchmarks.constants                    # all of notes, pitch, vibrato, stats
    uv run python -m benchmarks.constants --sample 150       # some drawn at random: a share with its interval
    uv run python -m benchmarks.constants --pinned           # ask the pinned figures alone, no other tests
    uv run python -m benchmarks.constants vibstudy/vibrato/noise.py
    uv run python -m benchmarks.constants --out FILE         # keep what is found; FILE's are not asked again
    uv run python -m benchmarks.constants --list [FILE ...]  # the constants that no word explains

Moved are the numbers at the top of a module (alone or in a tuple or table) and those within functions. Not
counted, because they are no choices of the method:

- 0, 1, -1 and 2, a half in arithmetic, indices, exponents, shapes of arrays, and units of measure
  (:data:`UNITS`);
- what only words an answer or a refusal: numbers within f-strings, ``raise`` and ``assert``, arguments of
  :data:`WORDING`, and the module :data:`WORDS`;
- guards: numbers up to 1e-6 or from 1e6 on stand beside a value so that a division, a logarithm or a search
  does not fail; so do bounds of what is exponentiated (``exp(clip(...))``), the fewest values that a
  computation needs (``len(x) < 3``, up to :data:`FEWEST`), tolerances and most rounds of a search
  (:data:`SEARCH`; ``for _ in range(50)``, from :data:`ROUNDS` on): only rounding sees them, or nothing does;
- seeds.

A constant is *told* when a comment stands beside it or above its statement, or a text below it (of several
assignments without a blank line between: of all of them); when it is the default of a parameter or field
that its docstring describes; or when the docstring of its function or module names it with its unit ("15 ms"
of ``_RISE_S = 0.015``), or names the work that its formula is from; or when it is one of the
:data:`CONVENTIONS`. It is *guarded* when a figure of :mod:`tests.pinned` changes, or computing it fails,
or a quick test of the suite (:data:`TESTS`) fails, with the number 30 % larger, or, where that is not
noticed, 30 % smaller; *free* with its reason when it stands in ``benchmarks/constants_free.csv`` (file, name
of what holds it, value); else it is *not guarded*: extend the pinned cases, drop the number, or say why it is
free.

How: the libraries are loaded once. A child of this process loads the one module with its number moved and
computes those pinned cases that run through the place, the quickest first, up to the first figure that is not
as stored. Where none is, another child runs the tests that run through it, the quickest first, then the other
tests of their files (what a fixture computes once, they compare), up to the first that fails, for
:data:`LIMIT_S` at most. Which of them run where is kept in ``build/`` until they or the package change. The
figures must be as stored before: ``uv run python -m tests.pinned`` stores them.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import csv
import gc
import hashlib
import importlib.machinery
import io
import itertools
import os
import pickle
import re
import resource
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console
from rich.table import Table
from scipy.stats import beta

ROOMS = ("notes", "pitch", "vibrato", "stats")
UNITS = {10.0, 12.0, 20.0, 60.0, 69.0, 100.0, 127.0, 128.0, 440.0, 1000.0, 1200.0}
"""Tens, semitones and cents of an octave, decibels, seconds, A4, MIDI's notes: not choices."""
FEWEST, ROUNDS = 4, 10
SEARCH = {"maxiter", "gtol", "xtol", "ftol", "rtol", "atol", "rcond", "iter_lim", "maxsize"}
SHAPES = {"full", "zeros", "ones", "empty", "eye", "reshape"}
CONVENTIONS = {0.05, 0.95, 0.025, 0.975, 1.96, 0.001}
"""Of statistics: 5 % level, 95 % intervals, and the p below which none is printed. Moved, but told."""
WORDS = "words.py"
WORDING = {"Problem", "VibstudyError", "Remark", "refused", "say"}
FREE = Path(__file__).with_name("constants_free.csv")
GUARD_BELOW, GUARD_ABOVE = 1e-6, 1e6
LIMIT_S = 60
"""Of CPU, for one constant, or four times what its pinned cases take; beyond it is noticed, too."""
TESTS = (
    *("test_segment", "test_lists", "test_score", "test_parted", "test_recordings", "test_soundfont"),
    *("test_straighten", "test_straight", "test_follow", "test_ending", "test_trackers", "test_ranges"),
    *("test_vibrato", "test_manner"),
    *("test_formula", "test_usage", "test_stats_agreement", "test_stats_censored", "test_stats_claims"),
    *("test_stats_inference", "test_stats_mixed", "test_stats_planning", "test_stats_players"),
    *("test_stats_questions", "test_stats_reference", "test_stats_verdicts", "test_expected", "test_room"),
)
"""Files of tests about these rooms; of the others none holds a number of theirs against anything."""


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
    described = _described(tree)
    for holder, name, text_below in _holders(tree.body, ""):
        top = not isinstance(holder, ast.FunctionDef)
        texts = [ast.get_docstring(tree) or "", "" if top else ast.get_docstring(holder) or ""]
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
                    text_below
                    or id(number) in described
                    or (path.parent.name == "stats" and abs(value) in CONVENTIONS)
                    or (not top and re.search(r"\b(1[89]|20)\d\d\b", texts[1]) is not None)
                    or "#" in lines[number.lineno - 1]
                    or lines[_above(lines, statement, top)].lstrip().startswith("#")
                    or any(_names(text, value, lines[number.lineno - 1]) for text in texts),
                    (statement.lineno, statement.end_lineno or statement.lineno),
                    top,
                )


def _no_choice(node: ast.AST) -> list[ast.AST]:
    """Parts of a node whose numbers are no choices."""
    if isinstance(node, ast.Subscript):
        return [node.slice]
    if isinstance(node, ast.BinOp):
        sides = [s.operand if isinstance(s, ast.UnaryOp) else s for s in (node.left, node.right)]
        halves = [side for side in sides if getattr(side, "value", None) == 0.5]
        return [*halves, node.right] if isinstance(node.op, ast.Pow | ast.LShift) else halves
    if isinstance(node, ast.For) and getattr(node.target, "id", "") == "_":
        return [part for part in ast.walk(node.iter) if getattr(part, "value", 0) in range(ROUNDS, 1000)]
    if isinstance(node, ast.Compare) and getattr(getattr(node.left, "func", None), "id", "") == "len":
        return [part for part in node.comparators if getattr(part, "value", FEWEST + 1) in range(FEWEST + 1)]
    if isinstance(node, ast.Dict):
        named = zip(node.keys, node.values, strict=True)
        return [value for key, value in named if getattr(key, "value", "") in SEARCH]
    if isinstance(node, ast.JoinedStr | ast.Raise | ast.Assert):
        return [node]
    if isinstance(node, ast.Call):
        called = getattr(node.func, "id", getattr(node.func, "attr", ""))
        if called in WORDING or called == "default_rng":
            return [node]
        parts: list[ast.AST] = [keyword for keyword in node.keywords if keyword.arg in {"seed", *SEARCH}]
        if called in SHAPES:
            parts += node.args if called == "reshape" else node.args[:1]
        if called == "exp":
            within = [part for part in ast.walk(node) if isinstance(part, ast.Call) and part is not node]
            parts += [x for part in within if getattr(part.func, "attr", "") == "clip" for x in part.args[1:]]
        return parts
    if isinstance(node, ast.FunctionDef):
        named = [*node.args.posonlyargs, *node.args.args][-len(node.args.defaults) :] + node.args.kwonlyargs
        values = [*node.args.defaults, *node.args.kw_defaults]
        return [v for a, v in zip(named, values, strict=False) if a.arg == "seed" and v is not None]
    return []


def _described(tree: ast.AST) -> set[int]:
    """Numbers that are defaults of parameters and fields that a docstring describes."""
    found: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            named = [*node.args.posonlyargs, *node.args.args]
            named = named[len(named) - len(node.args.defaults) :] + node.args.kwonlyargs
            values = [*node.args.defaults, *node.args.kw_defaults]
            pairs = [(arg.arg, value) for arg, value in zip(named, values, strict=True) if value is not None]
        elif isinstance(node, ast.ClassDef):
            fields = [
                item for item in node.body if isinstance(item, ast.AnnAssign) and item.value is not None
            ]
            pairs = [(ast.unparse(item.target), item.value) for item in fields if item.value is not None]
        else:
            continue
        text = ast.get_docstring(node) or ""
        for name, value in pairs:
            if re.search(rf"^(\w+, )*{name}(, \w+)* :|`{name}`", text, re.MULTILINE):
                found |= {id(part) for part in ast.walk(value)}
    return found


def _above(lines: list[str], statement: ast.stmt, top: bool) -> int:
    """Place of the line above a statement; outside functions, above the assignments it stands among."""
    place = statement.lineno - 2
    while top and place > 0 and re.match(r"\w[\w, ]* = ", lines[place]):
        place -= 1
    return place


_WORDS_OF_UNITS = {
    "S": (("s", 1), ("second", 1), ("ms", 1000)), "HZ": (("Hz", 1), ("kHz", 0.001), ("a second", 1)),
    "DB": (("dB", 1),), "CENTS": (("cent", 1),), "SEMITONES": (("semitone", 1),), "BEATS": (("beat", 1),),
}  # fmt: skip


def _names(text: str, value: float, line: str) -> bool:
    """Whether a text names a number of a line of code, with the unit that a name in that line ends with."""
    size = abs(value)
    units = [unit for ending, unit in _WORDS_OF_UNITS.items() if re.search(rf"_{ending}\b", line, re.I)]
    ways = [(words, factor) for unit in units for words, factor in unit]
    if not units and not float(size).is_integer():
        ways = [("", 1), ("%", 100)]
    return any(
        re.search(rf"(?<![\w.]){re.escape(f'{size * factor:.6g}')}(?![\d.]*\d)[^.;:]{{0,14}}?{words}", text)
        for words, factor in ways
    )


def _holders(body: list[ast.stmt], prefix: str) -> Iterator[tuple[ast.stmt, str, bool]]:
    """Functions, and statements outside of them, with their names; whether a text explains them."""
    for i, node in enumerate(body):
        if isinstance(node, ast.ClassDef):
            yield from _holders(node.body, f"{prefix}{node.name}.")
            continue
        assigned = isinstance(node, ast.Assign | ast.AnnAssign)
        yield node, prefix + _name(node), assigned and _text_below(body[i:])


def _text_below(body: list[ast.stmt]) -> bool:
    """Whether a text stands below a statement, or below assignments that follow without a blank line."""
    for node, after in itertools.pairwise(body):
        if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
            return True
        if not isinstance(after, ast.Assign | ast.AnnAssign) or after.lineno != (node.end_lineno or 0) + 1:
            return False
    return False


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


def _compiles(constant: Constant) -> bool:
    """Whether its module has compiled loops, which may hold it."""
    return "@numba" in constant.path.read_text(encoding="utf-8")


def _load_moved(constant: Constant, up: bool) -> None:
    """See to it that the module is loaded with its number moved.

    Machine code kept from earlier runs has the number in it as it is (numba knows a function again by its
    instructions, which do not hold it): a child whose number such code may hold compiles all of it, and keeps
    nothing.
    """
    if _compiles(constant):
        from numba.core.dispatcher import Dispatcher

        Dispatcher.enable_caching = lambda self: None
    sys.meta_path.insert(0, _Finder(constant, up))


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
    """Lines where a constant stands, or, of one outside functions, where its name does.

    Which lines of compiled loops run cannot be seen: of a module that has some, all lines.
    """
    here = str(constant.path.absolute())
    if _compiles(constant):
        return {here: frozenset(range(1, constant.path.read_text(encoding="utf-8").count("\n") + 2))}
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


KEPT = Path("build/constants")


def _kept(kind: str, look: Callable[[], Any], *patterns: str) -> Any:
    """What a survey gives, kept in a file until the package or the files it asks change."""
    files = sorted({path for like in ("vibstudy/**/*.py", *patterns) for path in Path().glob(like)})
    told = hashlib.sha256()
    for path in files:
        told.update(path.as_posix().encode() + path.read_bytes())
    kept = KEPT / f"{kind}-{told.hexdigest()[:16]}.pickle"
    if not kept.is_file():
        found = look()
        KEPT.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(found))
    return pickle.loads(kept.read_bytes())


def survey() -> Ground:
    """Where all cases run as they are; leaves the libraries loaded.

    Raises
    ------
    SystemExit
        When a figure is not as stored.
    """
    ground = _kept("cases", _survey, "tests/pinned*.py", "tests/reference/pinned.csv")
    import vibstudy.recording
    import vibstudy.stats  # noqa: F401
    from tests import pinned

    pinned.figures(min(ground.seconds, key=lambda name: (not name.startswith("take"), ground.seconds[name])))
    for name in [name for name in sys.modules if name.split(".")[0] in ("vibstudy", "tests")]:
        del sys.modules[name]
    gc.collect()
    gc.freeze()
    return ground


def _survey() -> Ground:
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
    return Ground(seconds, lines, stored)


def noticed(constant: Constant, up: bool, ground: Ground) -> str:
    """The pinned case, if any, that changes when a constant is moved."""
    cases = ground.through(constant)
    if not cases:
        return ""

    def run() -> str:
        _load_moved(constant, up)
        case = cases[0]
        try:
            from tests import pinned

            for case in cases:
                if pinned.differences(ground.stored[case], pinned.figures(case)):
                    return case
        except BaseException:
            return case
        return ""

    usual_s = sum(ground.seconds[case] for case in cases)
    case, ended = _in_child(run, max(LIMIT_S, round(4 * usual_s)))
    return case or ("too slow" if ended < 0 else "")


@dataclass(frozen=True)
class Tests:
    """What the quick tests run through: seconds of each, and by file and line the tests that run there."""

    seconds: Mapping[str, float]
    lines: Mapping[str, Mapping[int, frozenset[str]]]

    def through(self, constant: Constant) -> list[str]:
        """The tests that run through a constant's place, the quickest first, then the rest of their files."""
        here: set[str] = set()
        for file, lines in _places(constant).items():
            by_line = self.lines.get(file, {})
            here |= {name for line in lines for name in by_line.get(line, ())}
        here &= set(self.seconds)
        files = {name.split("::")[0] for name in here}
        rest = {name for name in self.seconds if name.split("::")[0] in files} - here
        return [name for part in (here, rest) for name in sorted(part, key=self.seconds.__getitem__)]


class _Watch:
    """Notes of each test that passes how long it takes and where it runs."""

    def __init__(self):
        import coverage

        self.watch = coverage.Coverage(data_file=None, include=["vibstudy/*"], config_file=False)
        self.seconds: dict[str, float] = {}
        self.failed: set[str] = set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):
        self.watch.switch_context(item.nodeid)
        began = time.process_time()
        try:
            return (yield)
        finally:
            self.seconds[item.nodeid] = time.process_time() - began

    def pytest_runtest_logreport(self, report):
        if not report.passed:
            self.failed.add(report.nodeid)


class _Budget:
    """Runs tests in the order given, for a time, and tells which one failed."""

    def __init__(self, order: list[str]):
        self.place = {name: k for k, name in enumerate(order)}
        self.failed = ""

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items):
        # one that fails as it is would notice everything
        known = [item for item in items if item.nodeid in self.place]
        items[:] = sorted(known, key=lambda item: self.place[item.nodeid])

    def pytest_runtest_logreport(self, report):
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_runtest_logfinish(self, nodeid):
        if time.process_time() - self.began > LIMIT_S:
            raise pytest.exit.Exception("the time is up")

    def pytest_sessionstart(self):
        self.began = time.process_time()


def _pytest(plugin: object, names: list[str]) -> int:
    from hypothesis import settings

    settings.register_profile("plain", deadline=None, derandomize=True, database=None)
    settings.load_profile("plain")
    quick = ["-o", "addopts=", "-p", "no:cacheprovider", "-q", "-x" if isinstance(plugin, _Budget) else "-q"]
    return int(pytest.main([*quick, "-m", "not slow and not browser", *names], plugins=[plugin]))


def _in_child(do: Callable[[], Any], limit_s: int) -> tuple[Any, int]:
    """What a function gives, computed in a child that may be changed at will; and how the child ended."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s))
            with Path(os.devnull).open("w") as nowhere:
                os.dup2(nowhere.fileno(), 1)
                os.dup2(nowhere.fileno(), 2)
            found = pickle.dumps(do())
            with os.fdopen(writing, "wb") as out:
                out.write(found)
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as stream:
        found = stream.read()
    ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return (pickle.loads(found) if found else None), ended


def survey_tests() -> Tests:
    """Where the quick tests run as they are."""
    found = _kept("tests", lambda: _in_child(_survey_tests, 3600)[0], *(f"tests/{name}.py" for name in TESTS))
    if found is None:
        raise SystemExit("the tests could not be run")
    return found


def _survey_tests() -> Tests:
    watch = _Watch()
    with watch.watch.collect():
        _pytest(watch, [f"tests/{name}.py" for name in TESTS])
    data = watch.watch.get_data()
    lines = {
        file: {line: frozenset(tests) for line, tests in data.contexts_by_lineno(file).items()}
        for file in data.measured_files()
    }
    return Tests({k: s for k, s in watch.seconds.items() if k not in watch.failed}, lines)


def fails(constant: Constant, up: bool, tests: Tests) -> str:
    """The test, if any, that fails when a constant is moved."""
    order = tests.through(constant)
    if not order:
        return ""

    def run() -> str:
        _load_moved(constant, up)
        budget = _Budget(order)
        code = _pytest(budget, list(dict.fromkeys(name.split("::")[0] for name in order)))
        return budget.failed or ("they cannot be loaded" if code in (2, 3, 4) and not budget.began else "")

    return _in_child(run, 5 * LIMIT_S)[0] or ""


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
    parser = argparse.ArgumentParser(description="Which numeric constants do the tests guard?")
    parser.add_argument("files", nargs="*", type=Path, help="Modules; all of notes, pitch, vibrato, stats.")
    parser.add_argument("--list", action="store_true", help="Only list the constants that are not told.")
    parser.add_argument("--sample", type=int, help="Move only so many, drawn at random.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, help="Keep what is found; its own are not asked.")
    parser.add_argument("--pinned", dest="tests", action="store_false", help="Ask the pinned figures alone.")
    asked = parser.parse_args()
    console = Console(width=130, highlight=False)
    files = asked.files or [path for room in ROOMS for path in sorted(Path("vibstudy", room).glob("*.py"))]
    found = [constant for path in files for constant in constants(path)]
    reasons = free(found)
    if asked.list:
        untold = [constant for constant in found if not constant.told and constant not in reasons]
        table = Table("place", "name", "value", title="Constants without a word")
        for constant in untold:
            table.add_row(f"{constant.path}:{constant.line}", constant.name, f"{constant.value:g}")
        console.print(table)
        console.print(f"{len(found)} constants, {len(untold)} without a word")
        return
    moving = [constant for constant in found if constant not in reasons]
    if asked.sample and asked.sample < len(moving):
        chosen = np.random.default_rng(asked.seed).choice(len(moving), asked.sample, replace=False)
        moving = [moving[i] for i in chosen]  # as drawn: a run that is broken off is a sample, too
    ground, tests = survey(), None
    known: dict[str, str] = {}
    if asked.out and asked.out.is_file():
        known = dict(line.split("\t") for line in asked.out.read_text(encoding="utf-8").splitlines())
    guarded = 0
    for constant in moving:
        place = f"{constant.path}:{constant.line}:{constant.column} {constant.name} {constant.value:g}"
        case = known.get(place, "")
        if place not in known:
            case = noticed(constant, True, ground) or noticed(constant, False, ground)
            if not case and asked.tests:
                tests = tests or survey_tests()
                case = fails(constant, True, tests) or fails(constant, False, tests)
            if asked.out:
                with asked.out.open("a", encoding="utf-8") as stream:
                    stream.write(f"{place}\t{case}\n")
        guarded += bool(case)
        runs = [f"{len(ground.through(constant))} cases"]
        runs += [f"{len(tests.through(constant))} tests"] if tests else []
        result = case or f"not guarded ({' and '.join(runs)} run there)"
        print(f"{place}: {result}", flush=True)
    low, high = interval(guarded, len(moving))
    console.print(
        f"{len(moving)} of {len(found)} constants moved, {guarded} guarded: "
        f"{guarded / max(len(moving), 1):.1%} ({low:.1%} to {high:.1%}); {len(reasons)} are listed as free"
    )


if __name__ == "__main__":
    main()
