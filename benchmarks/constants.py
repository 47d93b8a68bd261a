"""Which numeric constants do the tests guard? Each is moved by 30 %, and some test should notice.

    uv run python -m benchmarks.constants --list [FILE ...]
    uv run python -m benchmarks.constants vibstudy/vibrato/noise.py --tests tests/test_vibrato.py

Listed are the numbers at the top of a module (alone or in a tuple or table) and those within functions, but
for 0, 1 and 2, indices, and what is a unit of measure (:data:`UNITS`). A constant is *told* when a comment
or a text stands beside it. For each, the module is loaded with that one number moved, in a process of its
own, and the tests run to the first failure: the constant is *guarded* when one fails, *free* when all pass.

The tests must pass as they are. A run takes the time of the tests for each constant: choose quick ones.
"""

from __future__ import annotations

import argparse
import ast
import importlib.machinery
import os
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

ROOMS = ("notes", "pitch", "vibrato", "stats")
UNITS = {10.0, 12.0, 20.0, 60.0, 69.0, 100.0, 440.0, 1000.0, 1200.0}
"""Tens, semitones and cents of an octave, decibels, seconds, A4: not choices."""
HEAVY = (
    *("pytest", "hypothesis", "numpy", "pandas", "scipy.signal", "scipy.ndimage", "scipy.optimize"),
    *("soundfile", "onnxruntime", "swift_f0", "pyarrow.parquet", "statsmodels.api", "formulaic", "mixedlm"),
)
"""Loaded once, for all."""


@dataclass(frozen=True)
class Constant:
    """A number in a module: where it stands, what holds it, and whether a word stands beside it."""

    path: Path
    line: int
    column: int
    value: float
    name: str
    told: bool


def constants(path: Path) -> Iterator[Constant]:
    """Numbers of a module that are choices."""
    source = path.read_text(encoding="utf-8")
    lines, tree = source.splitlines(), ast.parse(source)
    skipped = {
        id(number)
        for node in ast.walk(tree)
        for part in ([node.slice] if isinstance(node, ast.Subscript) else [])
        for number in ast.walk(part)
    }
    for i, node in enumerate(tree.body):
        after = tree.body[i + 1] if i + 1 < len(tree.body) else None
        text_below = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
        for number in ast.walk(node):
            if not isinstance(number, ast.Constant) or type(number.value) not in (int, float):
                continue
            if id(number) in skipped or number.value in (0, 1, 2) or float(number.value) in UNITS:
                continue
            yield Constant(
                path,
                number.lineno,
                number.col_offset,
                number.value,
                _name(node),
                "#" in lines[number.lineno - 1]
                or (isinstance(node, ast.Assign | ast.AnnAssign) and text_below),
            )


def _name(node: ast.stmt) -> str:
    if isinstance(node, ast.Assign):
        return ast.unparse(node.targets[0])
    return getattr(node, "name", "") or (ast.unparse(node.target) if isinstance(node, ast.AnnAssign) else "")


class _Moved(importlib.machinery.SourceFileLoader):
    """Loads a module with one number moved."""

    def __init__(self, name: str, constant: Constant, factor: float):
        super().__init__(name, str(constant.path.absolute()))
        self.constant, self.factor = constant, factor

    def get_code(self, fullname: str):
        tree = ast.parse(self.get_data(self.path))
        for node in ast.walk(tree):
            here = (getattr(node, "lineno", 0), getattr(node, "col_offset", -1))
            if isinstance(node, ast.Constant) and here == (self.constant.line, self.constant.column):
                value = node.value * self.factor
                node.value = max(round(value), node.value + 1) if isinstance(node.value, int) else value
        return compile(tree, self.path, "exec")


class _Finder:
    """Finds the one module that is to be loaded with a number moved."""

    def __init__(self, constant: Constant, factor: float):
        self.name = ".".join(constant.path.with_suffix("").parts)
        self.loader = _Moved(self.name, constant, factor)

    def find_spec(self, name, path=None, target=None):
        if name == self.name:
            return importlib.machinery.ModuleSpec(name, self.loader, origin=str(self.loader.path))
        return None


def outcome(constant: Constant | None, tests: list[str], factor: float, limit_s: float) -> str:
    """Run the tests with a constant moved (None: as it is): "guarded", "free", or "guarded (time)"."""
    child = os.fork()
    if child == 0:
        try:
            with Path(os.devnull).open("w") as nowhere:
                os.dup2(nowhere.fileno(), 1)
                os.dup2(nowhere.fileno(), 2)
            if constant is not None:
                sys.meta_path.insert(0, _Finder(constant, factor))
            import pytest

            code = pytest.main(["-x", "-q", "-n", "0", "-p", "no:cacheprovider", *tests])
            os._exit(int(code))
        finally:
            os._exit(70)
    began = time.monotonic()
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "free" if os.waitstatus_to_exitcode(status) == 0 else "guarded"
        if time.monotonic() - began > limit_s:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return "guarded (time)"
        time.sleep(0.05)


def main() -> None:
    """List constants, or move them."""
    parser = argparse.ArgumentParser(description="Which numeric constants do the tests guard?")
    parser.add_argument("files", nargs="*", type=Path, help="Modules; all of notes, pitch, vibrato, stats.")
    parser.add_argument("--tests", nargs="*", default=[], help="Test files or node ids.")
    parser.add_argument("--list", action="store_true", help="Only list the constants that are not told.")
    parser.add_argument("--factor", type=float, default=1.3)
    parser.add_argument("--limit", type=float, default=300.0, help="Seconds for one constant.")
    asked = parser.parse_args()
    console = Console()
    files = asked.files or [path for room in ROOMS for path in sorted(Path("vibstudy", room).glob("*.py"))]
    found = [constant for path in files for constant in constants(path)]
    if asked.list or not asked.tests:
        table = Table("place", "name", "value", title="Constants without a word beside them")
        for constant in found:
            if not constant.told:
                table.add_row(f"{constant.path}:{constant.line}", constant.name, f"{constant.value:g}")
        console.print(table)
        console.print(
            f"{len(found)} constants, {sum(not constant.told for constant in found)} without a word"
        )
        return
    for name in HEAVY:
        importlib.import_module(name)
    if outcome(None, asked.tests, 1.0, 10 * asked.limit) != "free":
        raise SystemExit("the tests must pass as they are")
    said = {}
    for constant in found:
        said[constant] = outcome(constant, asked.tests, asked.factor, asked.limit)
        console.print(f"{constant.path}:{constant.line} {constant.name} {constant.value:g}: {said[constant]}")
    free = sum(word == "free" for word in said.values())
    console.print(f"{len(said)} constants moved, {len(said) - free} guarded, {free} free")


if __name__ == "__main__":
    main()
