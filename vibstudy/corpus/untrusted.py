"""The one guarded way to read a text or a table from outside: from a colleague, a download, a stick.

Manifest, settings, claims and their log, decisions of listeners, note lists, scores and packages are all read
here. What is refused, with the file and the repair:

* what is no ordinary file: a folder, a pipe, a device, a socket; it is asked for before and after it is
  opened, and opening never waits;
* a link that leads out of the folder it stands in: a folder from somebody else must not make a file of
  this computer part of a study;
* more bytes than the kind of file can need (:data:`MOST_BYTES`);
* text that is not UTF-8 (tables made by spreadsheet programs may be in other encodings, see
  :mod:`vibstudy.corpus.texttable`);
* JSON in which a key stands twice, a number is not finite or has a thousand digits, or which is nested more
  than :data:`DEEPEST` deep (RFC 8259 leaves to the reader what to do with these); TOML with names of more
  than :data:`DEEPEST` parts, for which Python's reader takes a time that grows with their square, or with
  whole numbers of more than 64 bits (more than TOML 1.0 asks a reader to know).
"""

from __future__ import annotations

import errno
import hashlib
import json
import math
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from vibstudy.errors import Problem, VibstudyError

TEMPORARY = ".vibstudy-tmp"
"""Ending of temporary names; whatever is left with it after a break is removed by the next writer."""

MOST_BYTES = 200_000_000
"""Logs and decisions of many years stay below; tables that people write have a limit of their own."""
DEEPEST = 20
"""A descriptor of tables, the deepest JSON read here, is nested five deep."""
MOST_TOML_BYTES = 1_000_000
"""Settings and claims are written by hand: a claim takes some 300 bytes."""
_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
_LONGEST_NUMBER = 1000
_JSON_NO_BRACKETS = re.compile(r'"(?:\\.|[^"\\])*+(?:"|\\?\Z)|[^"\[\]{}]++', re.DOTALL)
_TOML_STRINGS = re.compile(r'"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'')
_TOML_LONG_NAME = re.compile(rf"(?:[\w-]+[ \t]*\.[ \t]*){{{DEEPEST}}}")


def read_bytes(
    path: str | Path,
    called: str = "file",
    missing: str = "Check its name",
    most_bytes: int = MOST_BYTES,
) -> bytes:
    """Content of a file from outside.

    Parameters
    ----------
    path : path
        The file.
    called : str
        What it is, as in "settings file".
    missing : str
        What to do when it is not there.
    most_bytes : int
        A longer file is refused.

    Raises
    ------
    VibstudyError
        When the file is not there, is no ordinary file, leads out of its folder, is too large or cannot be
        read.
    """
    name = os.fspath(path)
    try:
        _demand_file(name, os.lstat(name), called)
        handle = os.open(name, _FLAGS)
        with os.fdopen(handle, "rb") as stream:
            now = os.fstat(handle)
            if not stat.S_ISREG(now.st_mode):
                raise VibstudyError(_no_file(name, now.st_mode, called))
            content = stream.read(most_bytes + 1) if now.st_size <= most_bytes else None
    except FileNotFoundError:
        raise VibstudyError(f"there is no such {called}", name, repair=missing) from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise VibstudyError(_not_opened(name, called, error)) from None
    if content is None or len(content) > most_bytes:
        raise VibstudyError(_too_large(name, called, most_bytes))
    return content


def _not_opened(name: str, called: str, error: Exception) -> Problem:
    if isinstance(error, OSError) and error.errno == errno.ELOOP:
        return Problem("this is a link that leads to itself", name, repair="Put the file itself in its place")
    why = getattr(error, "strerror", None) or error
    return Problem(
        f"the {called} cannot be opened: {why}", name, repair="Check its name, and that reading it is allowed"
    )


def _too_large(name: str, called: str, most_bytes: int) -> Problem:
    return Problem(
        f"the {called} is larger than {_megabytes(most_bytes)}",
        name,
        repair="Look whether it is the right file; keep in it only what is needed",
    )


def copy_file(path: str | Path, target: Path, called: str, most_bytes: int) -> tuple[str, int]:
    """Copy a file from outside that must not be a link; its SHA-256 and size are returned.

    Raises
    ------
    VibstudyError
        As :func:`read_bytes`.
    """
    name = os.fspath(path)
    digest, size = hashlib.sha256(), 0
    try:
        found = os.lstat(name)
        if not stat.S_ISREG(found.st_mode):
            raise VibstudyError(_no_file(name, found.st_mode, called))
        handle = os.open(name, _FLAGS | getattr(os, "O_NOFOLLOW", 0))
        with os.fdopen(handle, "rb") as stream, target.open("xb") as copy:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise VibstudyError(_no_file(name, os.fstat(handle).st_mode, called))
            while part := stream.read(1 << 20):
                size += len(part)
                if size > most_bytes:
                    raise VibstudyError(_too_large(name, called, most_bytes))
                digest.update(part)
                copy.write(part)
    except (OSError, ValueError) as error:
        raise VibstudyError(_not_opened(name, called, error)) from None
    return digest.hexdigest(), size


def demand_file(path: str | Path, called: str) -> None:
    """Refuse what no library should be let open: no ordinary file, or a link that leads out of its folder.

    Raises
    ------
    VibstudyError
        As :func:`read_bytes`.
    """
    name = os.fspath(path)
    try:
        _demand_file(name, os.lstat(name), called)
    except (OSError, ValueError) as error:
        raise VibstudyError(_not_opened(name, called, error)) from None


def _demand_file(name: str, found: os.stat_result, called: str) -> None:
    """Refuse what is no file, and a link that leads out of its folder."""
    if stat.S_ISLNK(found.st_mode):
        home = os.path.realpath(Path(name).parent)
        target = os.path.realpath(name)
        if os.path.commonpath([home, target]) != home:
            message = f"the {called} is a link that leads out of its folder"
            raise VibstudyError(message, name, repair="Put the file itself there")
        found = os.stat(name)  # noqa: PTH116
    if not stat.S_ISREG(found.st_mode):
        raise VibstudyError(_no_file(name, found.st_mode, called))


def _no_file(name: str, mode: int, called: str) -> Problem:
    what = "this is a folder, not a file" if stat.S_ISDIR(mode) else f"the {called} is not an ordinary file"
    return Problem(what, name, repair="Put the file in its place")


def _megabytes(size: int) -> str:
    return f"{size / 1e6:g} MB" if size < 1e9 else f"{size / 1e9:g} GB"


def as_text(content: bytes, path: str | Path, called: str = "file") -> str:
    """`content` as UTF-8 text, a byte-order mark left out.

    Raises
    ------
    VibstudyError
        When it is not UTF-8 text; the row is told.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        raise VibstudyError(
            f"the {called} is not UTF-8 text", str(path), row, repair="Save it as UTF-8 text"
        ) from None
    if "\x00" in text:
        row = text[: text.index("\x00")].count("\n") + 1
        raise VibstudyError(f"the {called} is not text", str(path), row, repair="Put the file itself there")
    return text


def as_json(content: bytes, path: str | Path, called: str = "file", repair: str = "") -> Any:
    """`content` as JSON, more strictly than the standard: see the module's description.

    Raises
    ------
    VibstudyError
        When it cannot be read so.
    """
    text = as_text(content, path, called)

    def refused(message: str, row: int | None = None) -> VibstudyError:
        return VibstudyError(f"the {called} {message}", str(path), row, repair=repair)

    if _depth(text) > DEEPEST:
        raise refused(f"is nested more than {DEEPEST} deep")

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(items)
        if len(found) < len(items):
            names = [name for name, _ in items]
            twice = next(name for name in names if names.count(name) > 1)
            raise refused(f"has the key {twice[:80]!r} twice")
        return found

    def number(word: str) -> float:
        value = float(word)
        if not math.isfinite(value):
            raise refused(f"holds a number that is not finite, {word[:40]}")
        return value

    def whole(word: str) -> int:
        if len(word) > _LONGEST_NUMBER:
            raise refused(f"holds a number of {len(word):,} digits")
        return int(word)

    try:
        return json.loads(
            text, object_pairs_hook=pairs, parse_float=number, parse_int=whole, parse_constant=number
        )
    except json.JSONDecodeError as error:
        raise refused(f"is not valid JSON ({error.msg})", error.lineno) from None
    except (ValueError, RecursionError) as error:
        raise refused(f"is not valid JSON ({error})") from None


def as_toml(content: bytes, path: str | Path, called: str = "file", form: str = "") -> dict[str, Any]:
    """`content` as TOML.

    Raises
    ------
    VibstudyError
        When it is not TOML; `form` tells how it is written.
    """
    text = as_text(content, path, called)
    try:
        for row, line in enumerate(text.split("\n"), start=1):
            if line.count(".") >= DEEPEST and _TOML_LONG_NAME.search(
                _TOML_STRINGS.sub("x", line).split("#")[0]
            ):
                raise VibstudyError(
                    f"a name in the {called} has more than {DEEPEST} parts", str(path), row, repair=form
                )
        found = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        message = f"the {called} is not valid TOML: {error or 'nested too deeply'}"
        raise VibstudyError(message, str(path), repair=form) from None
    values: list[Any] = [found]
    while values:  # as deep as the reader went, and no recursion
        value = values.pop()
        if isinstance(value, dict | list):
            values += value.values() if isinstance(value, dict) else value
        elif isinstance(value, int) and not -(2**63) <= value < 2**63:
            message = f"the {called} holds a whole number of more than 64 bits"
            raise VibstudyError(message, str(path), repair=form)
    return found


def _depth(text: str) -> int:
    """How deep brackets are nested, those inside strings left out."""
    depth = deepest = 0
    for letter in _JSON_NO_BRACKETS.sub("", text):
        if letter in "[{":
            depth += 1
            deepest = max(deepest, depth)
        else:
            depth -= 1
    return deepest
