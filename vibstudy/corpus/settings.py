"""The study's settings: ``study.toml``, read into one frozen object with good defaults.

Each field of :class:`Settings` carries its table, unit, meaning and limits. The checks, the commented
template and the documentation are made from those fields, so that they cannot disagree.

Values of the table ``[measure]`` change the figures and therefore take part in the cache key
(:meth:`Settings.measure_key`); values of ``[run]`` do not.

References
----------
TOML 1.0, https://toml.io/en/v1.0.0 (open standard).
"""

from __future__ import annotations

import math
import os
import textwrap
from collections.abc import Mapping
from dataclasses import Field, dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from vibstudy.corpus.untrusted import MOST_TOML_BYTES, as_toml, read_bytes
from vibstudy.errors import Problem, VibstudyError, few, listed, nearest, raise_any

FILE_NAME = "study.toml"

TABLES: dict[str, str] = {
    "measure": "What changes the figures. Change one of these and the recordings are measured again.",
    "run": "How the computer works. None of these changes a figure.",
}
"""Tables of ``study.toml`` and what stands in each."""

_TRACKERS = ("swift-f0", "pyin", "crepe-tiny", "crepe-full")


def _setting(
    default: Any,
    table: str,
    help: str,
    *,
    unit: str = "",
    minimum: float | None = None,
    maximum: float | None = None,
    choices: tuple[str, ...] = (),
    also: tuple[Any, ...] = (),
) -> Any:
    """One field: `also` are values allowed outside the range (0 = "find it yourself")."""
    meta = {"table": table, "help": help, "unit": unit, "choices": choices, "also": also}
    return field(default=default, metadata={**meta, "minimum": minimum, "maximum": maximum})


@dataclass(frozen=True)
class Settings:
    """Settings of a study. Building one with values that cannot be used raises VibstudyError.

    Every field is a key of ``study.toml``; :func:`template` prints them all with their meaning.
    """

    # fmt: off
    tracker: str = _setting("swift-f0", "measure", "What finds the line of notes. The vibrato figures come from the waveform, whichever is chosen. swift-f0 is fast and hears a soloist through an accompaniment; pyin, crepe-tiny and crepe-full are slower (crepe-full needs the extra of that name).", choices=_TRACKERS)
    second_opinion: str = _setting("", "measure", 'A second tracker; notes on which the two disagree by an octave or more are marked. "" for none.', choices=("", *_TRACKERS))
    fmin_hz: float = _setting(45.0, "measure", "Lowest pitch looked for (45 Hz is about F♯1, below most solo lines). Where the manifest names an instrument that is known, its range is looked for instead, unless this or fmax_hz is set.", unit="Hz", minimum=20.0, maximum=4000.0)
    fmax_hz: float = _setting(4200.0, "measure", "Highest pitch looked for.", unit="Hz", minimum=100.0, maximum=5000.0)
    tuning_hz: float = _setting(0.0, "measure", "Frequency of A4 used to name notes. 0 = estimate it for each recording from all its notes. A recording's own tuning_hz in the manifest wins.", unit="Hz", minimum=380.0, maximum=480.0, also=(0.0,))
    min_note_s: float = _setting(0.08, "measure", "Shortest sound taken for a note.", unit="s", minimum=0.02, maximum=1.0)
    vibrato_min_hz: float = _setting(3.0, "measure", "Slowest vibrato looked for.", unit="Hz", minimum=1.0, maximum=8.0)
    vibrato_max_hz: float = _setting(10.0, "measure", "Fastest vibrato looked for.", unit="Hz", minimum=4.0, maximum=16.0)
    false_alarm: float = _setting(0.01, "measure", "A note counts as having vibrato when a straight note with the same noise would look so with at most this probability.", minimum=1e-6, maximum=0.5)
    page_sound: str = _setting("no", "run", "Whether the pages of recordings hold a copy of their sound, to hear while seeing. A copy is made for your own study; whether pages that hold one may be passed on is a matter of the law of your country and of who owns the recording: ask a librarian or a lawyer.", choices=("no", "yes"))
    workers: int = _setting(0, "run", "Recordings measured at the same time. 0 = one for each core of the computer.", minimum=0, maximum=4096)
    # fmt: on

    def __post_init__(self) -> None:
        problems = []
        for item in fields(self):
            value, problem = _checked(item, getattr(self, item.name))
            if problem:
                problems.append(problem)
            object.__setattr__(self, item.name, value)
        raise_any(problems or _contradictions(self))

    def measure_key(self) -> dict[str, Any]:
        """Settings that change the figures, by name: they take part in the cache key."""
        names = [item.name for item in fields(self) if item.metadata["table"] == "measure"]
        return {name: getattr(self, name) for name in names}


def load_settings(path: str | Path | None = None) -> Settings:
    """Read ``study.toml``; the defaults when there is none.

    Parameters
    ----------
    path : path | None
        The file, or the study folder in which it may stand. None: all defaults.

    Returns
    -------
    Settings

    Raises
    ------
    VibstudyError
        With every problem of the file.
    """
    if path is None:
        return Settings()
    file = Path(path)
    if os.path.isdir(file):  # noqa: PTH112 - a name that no file can have is answered, too
        file = file / FILE_NAME
        if not file.exists():
            return Settings()
    tables = read_toml(
        file,
        "settings file",
        "Leave it out to use the defaults",
        'Write one setting a line, as in  fmin_hz = 50  or  tracker = "pyin"',
    )
    known = {item.name: item for item in fields(Settings)}
    values, problems = _collect(tables, known, str(file))
    if not problems:
        try:
            return Settings(**values)
        except VibstudyError as error:
            problems = [_in_file(problem, str(file)) for problem in error.problems]
    raise VibstudyError(few(problems))


def template() -> str:
    """Text of a ``study.toml`` with every key at its default and explained."""
    lines = [
        "# Settings of this study. Every line may be left out: what stands here are the defaults.",
        "# Text after a # is a remark.",
    ]
    for table, meaning in TABLES.items():
        lines += ["", f"# {meaning}", f"[{table}]"]
        for item in fields(Settings):
            if item.metadata["table"] == table:
                lines += [
                    "",
                    *_wrapped(f"{item.metadata['help']} Allowed: {_allowed(item)}."),
                    f"{item.name} = {_toml(item.default)}",
                ]
    return "\n".join(lines) + "\n"


def describe() -> list[dict[str, str]]:
    """Every key for the documentation: table, key, default, unit, allowed, meaning."""
    return [
        {
            "table": item.metadata["table"],
            "key": item.name,
            "default": _toml(item.default),
            "unit": item.metadata["unit"],
            "allowed": _allowed(item),
            "meaning": item.metadata["help"],
        }
        for item in fields(Settings)
    ]


def settings_from(values: Mapping[str, Any]) -> Settings:
    """Settings from keywords; an unknown name raises VibstudyError with the nearest right one."""
    known = [item.name for item in fields(Settings)]
    problems = [
        Problem(
            "no such setting", column=name, repair=nearest(name, known) or f"Settings are {listed(known)}"
        )
        for name in values
        if name not in known
    ]
    raise_any(problems)
    return Settings(**values)


def read_toml(file: Path, called: str, missing: str, form: str) -> dict[str, Any]:
    """Content of a TOML file that a person wrote.

    Parameters
    ----------
    file : Path
        The file.
    called : str
        What it is, as in "settings file".
    missing, form : str
        What to do when it is not there, and how it is written.

    Raises
    ------
    VibstudyError
        When it is missing, is no ordinary file, or is not TOML.
    """
    return as_toml(read_bytes(file, called, missing, MOST_TOML_BYTES), file, called, form)


def _collect(
    tables: Mapping[str, Any], known: Mapping[str, Field[Any]], file: str
) -> tuple[dict[str, Any], list[Problem]]:
    """Values of known keys, and a problem for each key that is unknown, misplaced or of no use."""
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    for table, content in tables.items():
        if not isinstance(content, Mapping):
            problems.append(_stray_key(table, known, file))
            continue
        if table not in TABLES:
            repair = nearest(table, list(TABLES)) or f"Tables are {listed(list(TABLES))}"
            problems.append(Problem("no such table", file, column=f"[{table}]", repair=repair))
            continue
        for key, value in content.items():
            if key not in known:
                problems.append(_unknown_key(table, key, known, file))
            elif known[key].metadata["table"] != table:
                problems.append(_stray_key(key, known, file, table))
            else:
                value, problem = _checked(known[key], value)
                values[key] = value
                if problem:
                    problems.append(_in_file(problem, file))
    return values, problems


def _unknown_key(table: str, key: str, known: Mapping[str, Field[Any]], file: str) -> Problem:
    here = [name for name, item in known.items() if item.metadata["table"] == table]
    repair = nearest(key, list(known)) or f"Settings of [{table}] are {listed(here)}"
    return Problem("no such setting", file, column=f"[{table}] {key}", repair=repair)


def _stray_key(key: str, known: Mapping[str, Field[Any]], file: str, table: str = "") -> Problem:
    if key in known:
        place, repair = f"[{table}] {key}" if table else key, known[key].metadata["table"]
        message = "this setting stands in the wrong place"
        return Problem(message, file, column=place, repair=f"Move it below the line [{repair}]")
    repair = nearest(key, [*known, *TABLES]) or f"Settings stand below {listed(list(TABLES))}"
    return Problem("no such setting", file, column=key, repair=repair)


def _checked(item: Field[Any], value: Any) -> tuple[Any, Problem | None]:
    """`value` in the field's type, and what is wrong with it, if anything."""
    meta = item.metadata
    kind = type(item.default)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value) if abs(value) < 2**53 else math.inf
    got = str(value if isinstance(value, str) else _toml(value))[:80]
    low, high = meta["minimum"], meta["maximum"]
    message = ""
    if type(value) is not kind:
        names = {str: "text in quotation marks", float: "a number", int: "a whole number"}
        message, repair = f"this must be {names[kind]}", f"For example {item.name} = {_toml(item.default)}"
    elif value in meta["also"]:
        return value, None
    elif meta["choices"] and value not in meta["choices"]:
        choices = [choice for choice in meta["choices"] if choice]
        message, repair = "no such choice", nearest(str(value), choices) or f"Allowed: {_allowed(item)}"
    elif (low is not None and not value >= low) or (high is not None and not value <= high):
        message, repair = "this value is out of range", f"Allowed: {_allowed(item)}"
    return value, Problem(message, column=item.name, got=got, repair=repair) if message else None


def _contradictions(settings: Settings) -> list[Problem]:
    problems = []
    for low, high in (("fmin_hz", "fmax_hz"), ("vibrato_min_hz", "vibrato_max_hz")):
        below, above = getattr(settings, low), getattr(settings, high)
        if not below < above:
            message, repair = f"{low} must be below {high}", f"Lower {low} or raise {high}"
            problems.append(Problem(message, column=low, got=f"{below:g} and {above:g}", repair=repair))
    second = settings.second_opinion
    if second and second == settings.tracker:
        message, repair = "the second opinion is the same tracker", 'Choose another, or "" for none'
        problems.append(Problem(message, column="second_opinion", got=second, repair=repair))
    return problems


def _in_file(problem: Problem, file: str) -> Problem:
    table = {item.name: item.metadata["table"] for item in fields(Settings)}.get(problem.column)
    column = f"[{table}] {problem.column}" if table else problem.column
    return replace(problem, file=file, column=column)


def _allowed(item: Field[Any]) -> str:
    meta = item.metadata
    if meta["choices"]:
        return listed([_toml(choice) for choice in meta["choices"]], "or")
    unit = f" {meta['unit']}" if meta["unit"] else ""
    text = f"{meta['minimum']:g} to {meta['maximum']:g}{unit}"
    return f"{text}, or {listed([f'{value:g}' for value in meta['also']], 'or')}" if meta["also"] else text


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 96, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)
