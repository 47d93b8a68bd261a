"""What a claim is, and reading ``claims.toml``. Its form is described in :mod:`vibstudy.stats.claims`."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vibstudy.corpus.names import name_fault
from vibstudy.corpus.settings import read_toml
from vibstudy.errors import Problem, VibstudyError, few, nearest, raise_any
from vibstudy.stats.filters import check_filter
from vibstudy.stats.formula import parse_terms
from vibstudy.stats.tokens import LARGEST

CLAIMS_FILE = "claims.toml"
EXPECTATIONS = ("lower", "higher", "different", "equal")
LOG_BY_DEFAULT = frozenset([
    "extent_cents", "extent_above_cents", "extent_below_cents", "intensity_depth_db", "timbre_depth",
    "harmonic_depth_db",
])  # fmt: skip
"""Outcomes that are modelled on a logarithmic scale unless the claim says otherwise."""

SHAPES = ("bands", "trend", "curve")
"""How a column of numbers may be compared."""

TIMES = frozenset(["decade", "year"])
"""Columns of time: compared by bands unless the claim says otherwise; other numbers along a line."""

_NAME = r"(?:[^\W\d]\w*|`[^`]+`)"
_CALL = rf"(?:C|log|log2|log10|sqrt|center|scale)\(\s*{_NAME}\s*\)|poly\(\s*{_NAME}\s*,[\s\w=]*\)"
_FACTOR = rf"(?:{_CALL}|I\(\s*{_NAME}\s*\*\*\s*[23]\s*\)|{_NAME})"
_TERM = re.compile(rf"\s*{_FACTOR}(?:\s*[:*+]\s*{_FACTOR})*\s*")
"""What may be held equal: columns, functions of one column, sums and products of them. A power stands in
``I()``: outside, ``decade ** 2`` would mean no more than ``decade``."""


@dataclass(frozen=True)
class Contrast:
    """What is compared: `to` minus `from`, and whether that changes across another column."""

    column: str
    start: Any
    end: Any
    factor: bool = False
    across: str = ""
    across_start: Any = None
    across_end: Any = None
    shape: str = ""
    cut: float | None = None

    def shape_of(self, column: str, is_number: bool) -> str:
        """How `column` is compared: levels, bands, trend, curve or break."""
        if column == self.column and self.cut is not None:
            return "break"
        if not is_number or (column == self.column and self.factor):
            return "levels"
        default = "bands" if column in TIMES else "trend"
        return (self.shape or default) if column == self.column else default


@dataclass(frozen=True)
class Plan:
    """How large the corpus is to become: so many `unit` (players or recordings)."""

    unit: str
    size: int


@dataclass(frozen=True)
class Claim:
    """One claim of ``claims.toml``; see the module's description for the fields."""

    id: str
    sentence: str
    outcome: str
    contrast: Contrast
    expect: str
    margin: float | None = None
    adjust: tuple[str, ...] = ()
    crossed: tuple[str, ...] = ()
    filter: str = ""
    scale: str = "plain"
    exploratory: bool = False
    plan: Plan | None = None

    @property
    def sha256(self) -> str:
        """SHA-256 of everything that affects the test."""
        c = self.contrast
        compared = [c.column, c.start, c.end, c.factor, c.across, c.across_start, c.across_end]
        content: dict[str, Any] = {
            "outcome": self.outcome,
            "contrast": [str(value) for value in compared],
            "expect": self.expect,
            "margin": self.margin,
            "adjust": sorted(self.adjust),
            "crossed": sorted(self.crossed),
            "filter": " ".join(self.filter.split()),
            "scale": self.scale,
        }
        # only where set: claims logged before these keys were known keep their sum
        content |= {"shape": c.shape} if c.shape else {}
        content |= {"break": c.cut} if c.cut is not None else {}
        content |= {"plan": [self.plan.unit, self.plan.size]} if self.plan else {}
        text = json.dumps(content, sort_keys=True, ensure_ascii=True)
        return hashlib.sha256(text.encode("ascii")).hexdigest()


# --- reading claims.toml

_KEYS: dict[str, tuple[type, ...]] = {
    **dict.fromkeys(("id", "sentence", "outcome"), (str,)), "contrast": (dict,), "expect": (str,),
    "margin": (int, float), **dict.fromkeys(("adjust", "crossed"), (list, str)),
    **dict.fromkeys(("filter", "scale"), (str,)), "exploratory": (bool,), "plan": (dict,),
}  # fmt: skip
_REQUIRED = ("id", "sentence", "outcome", "contrast", "expect")

_LEVEL: tuple[type, ...] = (int, float, str)
_CONTRAST_KEYS: dict[str, tuple[type, ...]] = {
    "column": (str,), "from": _LEVEL, "to": _LEVEL, "factor": (bool,), "across": (str,),
    "across_from": _LEVEL, "across_to": _LEVEL, "shape": (str,), "break": (int, float),
}  # fmt: skip
_SHOWN = 80
"""Letters of a wrong name repeated in a message."""
LONGEST_ID = 60
"""Letters: an id stands in tables and figures."""
LONGEST_TEXT = 1000
"""Letters of any other text of a claim: a sentence stands in the paper's text."""
MOST_TERMS = 50
"""Names in a list: more terms than any corpus of players can bear."""
MOST_CLAIMS = 200
"""More claims than a study can be about; each is fitted in several ways."""

_NUMBER_REPAIR = "Write a number, as in margin = 0.2."
_TYPES: dict[type, tuple[str, str]] = {
    str: ("text", '{key} = "..."'),
    dict: ("a table", '{key} = {{ column = "decade", from = 1930, to = 1970 }}'),
    int: ("a number", "{key} = 0.2"),
    float: ("a number", "{key} = 0.2"),
    list: ("a list", '{key} = ["..."]'),
    bool: ("true or false", "{key} = true"),
}
"""What each kind of value is called, and an example of it."""


def read_claims(path: str | Path) -> list[Claim]:
    """Read ``claims.toml``.

    Raises
    ------
    VibstudyError
        With every problem found, each naming its claim.
    """
    file = Path(path)
    if os.path.isdir(file):  # noqa: PTH112 - a name that no file can have is answered, too
        file = file / CLAIMS_FILE
    content = read_toml(
        file,
        "file of claims",
        "Write one; vibstudy new makes an example",
        "Write it as in the example that vibstudy new makes",
    )
    problems: list[Problem] = []
    for key in (key for key in content if key != "claim"):
        repair = nearest(key, ["claim"]) or "Write [[claim]]."
        problems.append(Problem("unknown key", file=str(file), column=key, repair=repair))
    blocks = content.get("claim", [])
    if not isinstance(blocks, list) or not all(isinstance(block, dict) for block in blocks):
        single = "a claim stands in single brackets" if isinstance(blocks, dict) else "a claim is not a table"
        problems.append(Problem(single, file=str(file), column="claim", repair="Write [[claim]], doubled."))
        blocks = []
    claims = []
    for k, block in enumerate(blocks, start=1):
        name = str(block.get("id", f"number {k}"))[:_SHOWN]
        found = _block_problems(block, name, str(file))
        problems += found
        if not found:
            claims.append(_claim(block))
    if len(blocks) > MOST_CLAIMS:
        much, repair = (
            f"{len(blocks):,} claims; at most {MOST_CLAIMS} are tested",
            "Keep those the study is about.",
        )
        problems.append(Problem(much, file=str(file), column="claim", repair=repair))
    names = [claim.id for claim in claims]
    problems += [
        Problem("two claims have the same id", file=str(file), column="id", got=name, repair="Rename one.")
        for name in sorted({n for n in names if names.count(n) > 1})
    ]
    raise_any(few(problems))
    return claims


def claims_text(claims: Iterable[Claim]) -> str:
    """``claims.toml`` of these claims: every field that has a value, no remark.

    :func:`read_claims` gives the same claims back.
    """
    blocks = []
    for claim in claims:
        c = claim.contrast
        contrast: dict[str, Any] = {"column": c.column}
        contrast |= {"from": c.start, "to": c.end} if c.start is not None else {}
        contrast |= {"factor": True} if c.factor else {}
        contrast |= {"shape": c.shape} if c.shape else {}
        contrast |= {"break": c.cut} if c.cut is not None else {}
        if c.across:
            contrast |= {"across": c.across, "across_from": c.across_start, "across_to": c.across_end}
        lines = ["[[claim]]"]
        for key in _KEYS:
            value = contrast if key == "contrast" else getattr(claim, key)
            if isinstance(value, Plan):
                value = {value.unit: value.size}
            if key in _REQUIRED or value not in (None, "", (), False):
                lines.append(f"{key} = {_toml(value)}")
        blocks.append("\n".join(lines) + "\n")
    return "\n".join(blocks)


def _toml(value: Any) -> str:
    """A value as TOML writes it. Its strings are JSON's, but for the character DEL."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, tuple | list):
        return f"[{', '.join(_toml(item) for item in value)}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value).lower() if isinstance(value, bool) else repr(value)


def _block_problems(block: Mapping[str, Any], name: str, file: str) -> list[Problem]:
    def problem(message: str, key: str, got: object = "", repair: str = "") -> Problem:
        return Problem(f"claim {name}: {message}", file=file, column=key, got=str(got), repair=repair)

    found = [problem("missing", key, repair=f"Write {key} = ...") for key in _REQUIRED if key not in block]
    for key, value in block.items():
        if key not in _KEYS:
            found.append(
                problem("unknown key", key, repair=nearest(key, list(_KEYS)) or f"Keys: {', '.join(_KEYS)}.")
            )
        elif not isinstance(value, _KEYS[key]) or (isinstance(value, bool) and bool not in _KEYS[key]):
            found.append(_wrong_type(problem, key, value, _KEYS[key]))
    found += _length_problems(block, problem)
    for key in ("adjust", "crossed"):
        names = block.get(key, [])
        if isinstance(names, list) and not all(isinstance(name, str) for name in names):
            found.append(problem("must hold texts", key, names, f'Write {key} = ["..."].'))
    expect = block.get("expect")
    if isinstance(expect, str) and expect not in EXPECTATIONS:
        # a looser guess by letters would turn "wider" into "lower"
        repair = (
            nearest(expect, EXPECTATIONS, 0.8)
            or f"Choose from: {', '.join(EXPECTATIONS)}; wider, faster and more often are higher."
        )
        found.append(problem("no such expectation", "expect", expect, repair))
    if expect == "equal" and "margin" not in block:
        found.append(
            problem("needed when equal is expected", "margin", repair="Write margin = 0.2, for instance.")
        )
    margin = block.get("margin")
    if isinstance(margin, int | float) and not isinstance(margin, bool) and not 0 < margin <= LARGEST:
        found.append(problem("must be above 0", "margin", margin, _NUMBER_REPAIR))
    if expect == "lower" and isinstance(margin, int | float) and margin >= 100 and _is_log(block):
        found.append(problem("lower by 100 % or more cannot be", "margin", margin, "Write margin = 10 (%)."))
    adjust = block.get("adjust", [])
    for term in [adjust] if isinstance(adjust, str) else adjust if isinstance(adjust, list) else []:
        if isinstance(term, str) and not _TERM.fullmatch(term):
            forms = "Write a column, C(column), log2(column), I(column ** 2), or two joined by *."
            found.append(problem("cannot be held equal", "adjust", term, forms))
    found += _plan_problems(block.get("plan"), problem)
    if block.get("scale", "log") not in ("log", "plain"):
        found.append(problem("no such scale", "scale", block["scale"], "Write log or plain."))
    contrast = block.get("contrast")
    if isinstance(contrast, dict):
        found += _contrast_problems(contrast, problem)
    return [*found, *_name_problems(block, problem), *_form_problems(block, name, file)]


def _length_problems(block: Mapping[str, Any], problem: Any) -> list[Problem]:
    """Texts and lists that are longer than a claim needs."""
    contrast = block.get("contrast")
    written = {**block, **(contrast if isinstance(contrast, dict) else {})}
    found = []
    for key, value in written.items():
        most = LONGEST_ID if key == "id" else LONGEST_TEXT
        for text in _texts(value):
            if len(text) > most:
                much = f"{len(text):,} letters; at most {most:,} are read"
                found.append(problem(much, key, f"{text[:_SHOWN]}…", "Shorten it."))
        if isinstance(value, list) and len(value) > MOST_TERMS:
            much = f"{len(value):,} names; at most {MOST_TERMS} are read"
            found.append(problem(much, key, "", "Keep those the claim is about."))
    return found


def _name_problems(block: Mapping[str, Any], problem: Any) -> list[Problem]:
    """What should name a column, and cannot."""
    contrast = block.get("contrast")
    within = contrast if isinstance(contrast, dict) else {}
    crossed = _texts(block.get("crossed", ()))
    named = [("outcome", block.get("outcome")), *((key, within.get(key)) for key in ("column", "across"))]
    return [
        problem(f"this is no column's name: {fault}", key, value[:_SHOWN], "Write the name of one column.")
        for key, value in [*named, *(("crossed", name) for name in crossed)]
        if isinstance(value, str) and (fault := name_fault(value))
    ]


def _form_problems(block: Mapping[str, Any], name: str, file: str) -> list[Problem]:
    """What is written in ``adjust`` and ``filter`` and cannot be read."""
    readers: list[tuple[str, Callable[[str], object], str]] = [
        ("adjust", parse_terms, text) for text in _texts(block.get("adjust", ()))
    ]
    if isinstance(block.get("filter"), str) and block["filter"].strip():
        readers.append(("filter", check_filter, block["filter"]))
    found = []
    for key, read, text in readers:
        try:
            read(text)
        except VibstudyError as error:
            found += [
                replace(item, message=f"claim {name}: {item.message}", file=file, column=key)
                for item in error.problems
            ]
    return found


def _is_log(block: Mapping[str, Any]) -> bool:
    outcome = block.get("outcome")
    scale = block.get("scale", "log" if outcome in LOG_BY_DEFAULT else "plain")
    return scale == "log" or str(outcome).startswith("has_")


def _plan_problems(plan: Any, problem: Any) -> list[Problem]:
    if not isinstance(plan, dict):
        return []
    units = ("players", "recordings")
    good = len(plan) == 1 and next(iter(plan)) in units
    size = next(iter(plan.values()), None)
    if good and isinstance(size, int) and not isinstance(size, bool) and size > 1:
        return []
    return [
        problem("must say how large the corpus is to become", "plan", plan, "Write plan = { players = 20 }.")
    ]


def _contrast_problems(contrast: Mapping[str, Any], problem: Any) -> list[Problem]:
    found = []
    for key in (key for key in contrast if key not in _CONTRAST_KEYS):
        repair = nearest(key, list(_CONTRAST_KEYS)) or f"Keys: {', '.join(_CONTRAST_KEYS)}."
        found.append(problem("unknown key in contrast", key, repair=repair))
    ends = [] if "break" in contrast and not {"from", "to"} & set(contrast) else ["from", "to"]
    needed = ["column", *ends] + (["across_from", "across_to"] if "across" in contrast else [])
    found += [
        problem("missing in contrast", key, repair=f"Write {key} = ...")
        for key in needed
        if key not in contrast
    ]
    shape = contrast.get("shape", "bands")
    if isinstance(shape, str) and shape not in SHAPES:
        repair = nearest(shape, SHAPES) or f"Choose from: {', '.join(SHAPES)}."
        found.append(problem("no such shape", "shape", shape, repair))
    if "break" in contrast and {"shape", "factor", "across"} & set(contrast):
        found.append(
            problem("stands by itself", "break", contrast["break"], "Leave shape, factor and across out.")
        )
    for key, kinds in _CONTRAST_KEYS.items():
        value = contrast.get(key)
        if key in contrast and (
            not isinstance(value, kinds)
            or (isinstance(value, bool) and bool not in kinds)
            or (isinstance(value, int | float) and not abs(value) <= LARGEST)
        ):
            found.append(_wrong_type(problem, key, value, kinds))
    for first, second in (("from", "to"), ("across_from", "across_to")):
        if first in contrast and contrast.get(first) == contrast.get(second):
            found.append(
                problem("compares a level with itself", first, contrast[first], f"Let {second} be another.")
            )
    return found


def _wrong_type(problem: Any, key: str, got: object, kinds: tuple[type, ...]) -> Problem:
    words = " or ".join(dict.fromkeys(_TYPES[kind][0] for kind in kinds))
    return problem(f"must be {words}", key, got, f"Write {_TYPES[kinds[0]][1].format(key=key)}.")


def _claim(block: Mapping[str, Any]) -> Claim:
    c = block["contrast"]
    contrast = Contrast(
        c["column"], c.get("from"), c.get("to"), bool(c.get("factor", False)),
        c.get("across", ""), c.get("across_from"), c.get("across_to"), c.get("shape", ""), c.get("break"),
    )  # fmt: skip
    default = "log" if block["outcome"] in LOG_BY_DEFAULT else "plain"
    return Claim(
        id=block["id"],
        sentence=block["sentence"],
        outcome=block["outcome"],
        contrast=contrast,
        expect=block["expect"],
        margin=float(block["margin"]) if "margin" in block else None,
        adjust=_texts(block.get("adjust", ())),
        crossed=_texts(block.get("crossed", ())),
        filter=block.get("filter", ""),
        scale=block.get("scale", default),
        exploratory=block.get("exploratory", False),
        plan=Plan(*next(iter(block["plan"].items()))) if "plan" in block else None,
    )


def _texts(value: Any) -> tuple[str, ...]:
    if isinstance(value, str):
        return (value,)
    return tuple(item for item in value if isinstance(item, str)) if isinstance(value, list | tuple) else ()
