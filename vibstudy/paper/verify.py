"""Checking a package: is it whole, does it agree with itself, do its figures come out again?

In this order; each step ends the check when it finds something:

1. **What there is.** The folder holds the files of :data:`vibstudy.paper.contents.FILES` and nothing else: no
   folder, no link, no pipe or device, no other name.
2. **Hashes.** Of ``datapackage.json`` only names, sizes and hashes are read. Each file is copied to a private
   folder while it is hashed; the first that differs ends the check, before anything in it is looked at. From
   here on only the copies are read.
3. **Parts.** Tables, claims, log, decisions and settings are read by the program's own list of columns and
   must agree with each other (:mod:`vibstudy.paper.parts`).
4. **Again.** The package is made again from those parts, models and claims included, and every file is
   compared: byte by byte, and figures in ``models.csv`` and ``claims.csv`` cell by cell in both directions.
   A figure may differ by :data:`TOLERANCE`, as another computer may round otherwise; a missing figure is not
   the same as a number, nor a missing row as none.

What that proves
    That models, verdicts and standing follow from the notes, the claims and the log in the package, by this
    program. *Not* that the notes were measured from the recordings named (measure them: the hash of each is
    listed), not that settings, libraries and what listeners decided are as they are told, and not that the
    log was not written anew as a whole. The hashes stand in the package itself:
    they show a slip of copying, no intent; whoever changes a table and its hash is found only by what no
    longer agrees with it.
"""

from __future__ import annotations

import contextlib
import csv
import itertools
import json
import math
import os
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from vibstudy import __version__
from vibstudy.corpus.atomic import json_bytes
from vibstudy.corpus.store import METHOD_VERSION
from vibstudy.corpus.untrusted import MOST_BYTES, as_json, copy_file, read_bytes
from vibstudy.errors import Problem, VibstudyError, raise_any
from vibstudy.paper.assemble import ALWAYS, DESCRIPTOR, UNNAMED, write_parts
from vibstudy.paper.contents import FILES
from vibstudy.paper.parts import AGAIN, ENVIRONMENT, MOST_TABLE_BYTES, NOTES, About, Parts, read_parts

TOLERANCE = 1e-4
"""Relative difference up to which a figure counts as the same on another machine."""
COMPUTED = {"models.csv": ("model", "term"), "claims.csv": ("claim",)}
"""Tables whose figures are computed again, and the columns that name a row."""

_MOST_ENTRIES = 100
_SAME = 1e-9
_HASH = re.compile(r"sha256:[0-9a-f]{64}")
_NUMBERS = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")


@dataclass(frozen=True, eq=False)
class Verification:
    """What checking a package found.

    Parameters
    ----------
    figures : DataFrame
        ``table, row, figure, stored, again, relative``: every figure compared.
    problems : list of Problem
        What does not agree; empty when all does.
    files : int
        Files that are as they were packed.
    """

    figures: pd.DataFrame
    problems: list[Problem]
    files: int = 0


def verify_package(folder: str | Path) -> Verification:
    """Check a package as the module says.

    Raises
    ------
    VibstudyError
        When there is no package.
    """
    folder = Path(folder)
    if not os.path.isdir(folder):  # noqa: PTH112 - a name that no folder can have is answered, too
        raise VibstudyError(
            "there is no folder here", str(folder), repair="Unpack the package and name its folder"
        )
    if not os.path.lexists(os.path.join(folder, DESCRIPTOR)):  # noqa: PTH118
        raise VibstudyError(
            "there is no data package here", str(folder), repair="'vibstudy package' makes one"
        )
    with tempfile.TemporaryDirectory(prefix="vibstudy-") as name:
        copy, again = Path(name) / "copy", Path(name) / "again"
        copy.mkdir()
        again.mkdir()
        figures = pd.DataFrame(columns=["table", "row", "figure", "stored", "again", "relative"])
        try:
            descriptor = _copied(folder, copy)
            parts = read_parts(copy, _about(descriptor))
            _demand_same_program(parts)
            figures = _compared(copy, again, parts, descriptor)
        except VibstudyError as error:
            return Verification(figures, error.problems)
        problems = [
            Problem(
                f"{row['row'][:80]}: {row['figure']} comes out as {row['again'][:200] or 'missing'}",
                row["table"],
                got=row["stored"][:200] or "missing",
                repair=AGAIN,
            )
            for row in figures[~figures["relative"].le(TOLERANCE)].to_dict("records")
        ]
        if not problems and not len(figures):
            problems.append(
                Problem(
                    "no figure could be computed again, as there is no model and no claim: nothing is proved",
                    str(folder),
                    repair="A study of several players, or one with claims, can be checked",
                )
            )
        return Verification(figures, problems, len(list(copy.iterdir())))


# --- what there is, and its hashes


def _copied(folder: Path, copy: Path) -> dict[str, Any]:
    """Copy the files while hashing them; the descriptor is returned."""
    present = _present(folder)
    content = read_bytes(folder / DESCRIPTOR, "descriptor", most_bytes=MOST_BYTES)
    descriptor = as_json(content, DESCRIPTOR, "descriptor", AGAIN)
    stated = _stated(descriptor)
    problems = [
        Problem("this file is missing", name, repair=AGAIN) for name in stated if name not in present
    ] + [
        Problem("the descriptor does not name this file", name, repair=AGAIN)
        for name in present
        if name not in stated and name != DESCRIPTOR
    ]
    raise_any(problems)
    (copy / DESCRIPTOR).write_bytes(content)
    for name, (size, sha256) in stated.items():
        most = MOST_TABLE_BYTES if name == NOTES else MOST_BYTES
        same_size = os.lstat(folder / name).st_size == size
        found = copy_file(folder / name, copy / name, "file", most) if same_size else ("", -1)
        if found != (sha256, size):
            raise VibstudyError("this file is not as it was packed", name, repair="Fetch the package again")
    return descriptor


def _present(folder: Path) -> list[str]:
    """Names of the files of a package, when there is nothing else."""
    problems: list[Problem] = []
    names: list[str] = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if len(names) + len(problems) > _MOST_ENTRIES:
                    break
                message, repair = "", AGAIN
                if entry.name not in FILES:
                    message, repair = "this does not belong in a package", "Take it out"
                elif not entry.is_file(follow_symlinks=False):
                    message = "this is not an ordinary file: a link, a folder or a device"
                if message:
                    problems.append(Problem(message, entry.name, repair=repair))
                else:
                    names.append(entry.name)
    except OSError as error:
        raise VibstudyError(
            f"the folder cannot be read: {error.strerror}", str(folder), repair="Allow reading it"
        ) from None
    told = {problem.file for problem in problems}
    problems += [
        Problem("this file is missing", name, repair=AGAIN)
        for name in ALWAYS
        if name not in names and name not in told
    ]
    if problems:
        raise VibstudyError(sorted(problems, key=lambda problem: problem.file))
    return names


def _stated(descriptor: Any) -> dict[str, tuple[int, str]]:
    """Size and SHA-256 of each file, as the descriptor says."""

    def wrong(message: str, got: Any = "") -> VibstudyError:
        return VibstudyError(message, DESCRIPTOR, column="resources", got=str(got)[:80], repair=AGAIN)

    resources = descriptor.get("resources") if isinstance(descriptor, dict) else None
    if not isinstance(resources, list) or not all(isinstance(item, dict) for item in resources):
        raise wrong("it holds no list of files")
    stated: dict[str, tuple[int, str]] = {}
    for item in resources:
        name, size, sha256 = (item.get(key) for key in ("path", "bytes", "hash"))
        if not isinstance(name, str) or name not in FILES or name == DESCRIPTOR:
            raise wrong("this file does not belong in a package", name)
        if name in stated:
            raise wrong("this file stands twice", name)
        if type(size) is not int or size < 0 or not isinstance(sha256, str) or not _HASH.fullmatch(sha256):
            raise wrong("size or SHA-256 of this file cannot be", name)
        stated[name] = size, sha256.removeprefix("sha256:")
    return stated


def _about(descriptor: Mapping[str, Any]) -> About:
    texts: tuple[Any, ...] = ()
    with contextlib.suppress(KeyError, IndexError, TypeError):
        author, licence = descriptor["contributors"][0]["title"], descriptor["licenses"][0]["name"]
        texts = (descriptor["title"], author, licence)
    if not texts or not all(
        isinstance(text, str) and len(text) <= 2000 and text.isprintable() for text in texts
    ):
        raise VibstudyError("title, author or licence is missing", DESCRIPTOR, repair=AGAIN)
    title, author, licence = texts
    return About(title, "" if author == UNNAMED else author, licence)


def _demand_same_program(parts: Parts) -> None:
    packed = parts.environment["vibstudy"]
    if packed != __version__:
        raise VibstudyError(
            f"the figures were computed by vibstudy {packed[:40]}, and this is {__version__}: another "
            "version may compute other figures",
            "environment.json",
            column="vibstudy",
            repair=f"Check it with that version: pip install vibstudy=={packed[:40]}",
        )
    if parts.environment["method_version"] != METHOD_VERSION:
        message = f"this version of vibstudy measures by method {METHOD_VERSION}"
        got = str(parts.environment["method_version"])[:40]
        raise VibstudyError(message, ENVIRONMENT, None, "method_version", got, AGAIN)


# --- made again


def _compared(copy: Path, again: Path, parts: Parts, descriptor: Mapping[str, Any]) -> pd.DataFrame:
    """Make the package again and compare every file; the figures are returned.

    Raises
    ------
    VibstudyError
        When anything but a figure differs.
    """
    try:
        write_parts(again, parts)
    except VibstudyError as error:
        raise VibstudyError(
            [replace(problem, repair=problem.repair or AGAIN) for problem in error.problems]
        ) from None
    except Exception as error:  # numeric libraries raise whatever an absurd table makes them stumble on
        why = f"{type(error).__name__}: {error}"[:200]
        message = f"models and claims cannot be computed from this table ({why})"
        raise VibstudyError(message, NOTES, repair=AGAIN) from None
    before, after = ({path.name for path in folder.iterdir()} for folder in (copy, again))
    problems = [
        Problem("this file does not come out of the tables", name, repair=AGAIN)
        for name in sorted(before - after)
    ] + [
        Problem("the tables give this file, too, but it is missing", name, repair=AGAIN)
        for name in sorted(after - before)
    ]
    for name in sorted(before & after):
        if name not in COMPUTED and name != DESCRIPTOR:
            problems += _first_difference(copy / name, again / name)
    raise_any(problems)
    figures = [
        _compare_table(copy / name, again / name, keys)
        for name, keys in COMPUTED.items()
        if (copy / name).exists()
    ]
    _compare_descriptor(descriptor, json.loads((again / DESCRIPTOR).read_bytes()))
    if json_bytes(descriptor) != (copy / DESCRIPTOR).read_bytes():
        raise VibstudyError("it is not as the program writes it", DESCRIPTOR, repair=AGAIN)
    return pd.concat(figures, ignore_index=True) if figures else pd.DataFrame(columns=_COLUMNS)


_COLUMNS = ["table", "row", "figure", "stored", "again", "relative"]


def _first_difference(old: Path, new: Path) -> list[Problem]:
    with old.open("rb") as first, new.open("rb") as second:
        for row, (a, b) in enumerate(itertools.zip_longest(first, second, fillvalue=b""), start=1):
            if a != b:
                message = "this row is not as the program writes it from the package's own tables"
                got = a[:80].decode("utf-8", "replace").strip()
                return [Problem(message, old.name, row, got=got, repair=AGAIN)]
    return []


def _compare_descriptor(old: Mapping[str, Any], new: dict[str, Any]) -> None:
    """Everything in the descriptor but sizes and hashes, which were compared with the files."""

    def rest(descriptor: Mapping[str, Any]) -> dict[str, Any]:
        resources = [
            {key: value for key, value in item.items() if key not in ("bytes", "hash")}
            for item in descriptor["resources"]
        ]
        return {**descriptor, "resources": resources}

    def differ(one: Any, other: Any) -> bool:  # as written: to Python, true is 1
        return json.dumps(one, sort_keys=True) != json.dumps(other, sort_keys=True)

    a, b = rest(old), rest(new)
    if not differ(a, b):
        return
    keys = sorted(key for key in a.keys() | b.keys() if differ(a.get(key), b.get(key)))
    names = [item["path"] for item in old["resources"]]
    odd = [
        f"resources, {name}"
        for name, x, y in zip(names, a["resources"], b["resources"], strict=False)
        if differ(x, y)
    ]
    raise VibstudyError(
        "the descriptor does not say what the program says of these tables",
        DESCRIPTOR,
        column=(odd or keys)[0],
        repair=AGAIN,
    )


def _compare_table(old: Path, new: Path, keys: tuple[str, ...]) -> pd.DataFrame:
    """Every cell of a stored table beside the new one, in both directions."""
    stored, again = _cells(old), _cells(new)
    if stored == again and (found := _first_difference(old, new)):
        raise VibstudyError(found)
    if stored[0] != again[0]:
        raise VibstudyError(f"the columns should be {', '.join(again[0])}"[:400], old.name, 1, repair=AGAIN)
    header = again[0]
    named = [header.index(key) for key in keys]

    def name(cells: list[str]) -> str:
        return " ".join(cells[at] for at in named)

    for number in range(1, max(len(stored), len(again))):
        row = stored[number] if number < len(stored) else None
        other = again[number] if number < len(again) else None
        if row is None or other is None or name(row) != name(other):
            there, due = (name(cells)[:80] if cells else "none" for cells in (row, other))
            raise VibstudyError(f"this row should be {due}", old.name, number + 1, got=there, repair=AGAIN)
    rows = []
    for row, other in zip(stored[1:], again[1:], strict=True):
        relative = [_relative(a, b) for a, b in zip(row, other, strict=True)]
        rounded = any(_SAME < r <= TOLERANCE for r in relative)
        for column, a, b, r in zip(header, row, other, relative, strict=True):
            if math.isinf(r) and rounded and _same_words(a, b, row):
                r = 0.0
            rows.append((old.name, name(other), column, a, b, r))
    return pd.DataFrame(rows, columns=_COLUMNS)


def _cells(path: Path) -> list[list[str]]:
    """Cells of a table that this program wrote, or says it wrote."""
    rows: list[list[str]] = []
    content = path.read_bytes()
    if b"\r" in content or not content.endswith(b"\n"):
        raise VibstudyError("its lines do not end as this program ends them", path.name, repair=AGAIN)
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            for cells in csv.reader(stream, strict=True):
                if rows and len(cells) != len(rows[0]):
                    raise csv.Error(f"{len(cells)} cells instead of {len(rows[0])}")
                rows.append(cells)
    except (UnicodeDecodeError, csv.Error) as error:
        raise VibstudyError(
            f"this row cannot be read: {error}", path.name, len(rows) + 1, repair=AGAIN
        ) from None
    if not rows:
        raise VibstudyError("the table is empty", path.name, 1, repair=AGAIN)
    return rows


def _relative(old: str, new: str) -> float:
    """Relative difference of two cells: 0 for the same text, infinite where one is no finite number.

    Counts come out the same on every machine: a whole number is compared as text.
    """
    if old == new:
        return 0.0
    if not (_NUMBERS.fullmatch(old) and _NUMBERS.fullmatch(new)) or new.isdecimal():
        return math.inf
    a, b = float(old), float(new)
    if not (math.isfinite(a) and math.isfinite(b)):
        return math.inf
    return abs(b - a) / max(abs(a), 1e-12)


def _same_words(old: str, new: str, row: list[str]) -> bool:
    """Whether two sentences differ only in the last decimal of numbers that are figures of the same row."""
    if _NUMBERS.sub("0", old) != _NUMBERS.sub("0", new):
        return False
    for a, b in zip(_NUMBERS.findall(old), _NUMBERS.findall(new), strict=True):
        if a == b:
            continue
        if a.isdecimal() or b.isdecimal():
            return False
        mantissa, _, exponent = a.lower().partition("e")
        last = 10.0 ** (int(exponent or 0) - len(mantissa.partition(".")[2]))
        if abs(float(a) - float(b)) > 1.001 * last:
            return False
        figures = [float(cell) for cell in row if _NUMBERS.fullmatch(cell)]
        if not any(abs(abs(figure) - abs(float(a))) <= 0.501 * last for figure in figures):
            return False
    return True
