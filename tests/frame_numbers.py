"""Every number that is printed, looked up in the one frame of results: by its value, as printed, and its
unit.

Left aside are numbers that name a thing (:data:`ASIDE`, each with its reason), what stands in quotation marks
(a claim's own words), and the conventions and settings of :data:`AGREED`.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable

import numpy as np
import pandas as pd

COLUMNS = ("value", "numerator", "denominator", "low", "high", "se", "df", "t", "p")

# unit as printed -> units of the frame it may stand for
UNITS = {
    "Hz": {"Hz"}, "cents": {"cents", "± cents"}, "%": {"%"}, "s": {"s"}, "dB": {"dB", "± dB"},
    "times the odds": {"times the odds"},
    "players": {"players"}, "player": {"players"},
    "recordings": {"recordings"}, "recording": {"recordings"}, "notes": {"notes"}, "note": {"notes"},
}  # fmt: skip

AGREED = {
    ("95", "%"): "level of the intervals",
    ("80", "%"): "power that is commonly asked for; the middle of a player's notes",
    ("5", "%"): "level of the tests",
    ("20", "cents"): "the rule of thumb of the fusion limit",
    ("100", "cents"): "the rule of thumb of the fusion limit",
    ("5", "Hz"): "the rule of thumb of the fusion limit",
    ("8", "Hz"): "the rule of thumb of the fusion limit",
    ("1.96", ""): "standard errors to each side in a 95 % interval",
    ("0.4", "s"): "notes that notebook 05 takes: a choice of the notebook",
    ("10", "cents"): "the difference whose power notebook 03 asks for: a choice of its reader",
    ("20", "dB"): "a check of the sensitivity: only notes so far above the noise",
    ("1000", ""): "a check of the sensitivity: only vibrato surer than 1 in 1000",
    ("0", ""): "no relation, on a scale from 0 to 1",
    ("1", ""): "always, on a scale from 0 to 1; times: no difference",
}
"""Conventions and settings, which are no results, and the reason of each."""

ASIDE = {
    r"“.*?”": "a claim's own words",
    r"\([^()]*?(?:19|20)\d\d\)": "the year of a work",
    r"(?:Figure|Table|decade|period) \d+(?: (?:to|against) \d+)*(?: (?:to|against) \d+)*": "a name",
    r"\b(?:1[89]|20)\d\d(?:s|–\d{2,4})?\b": "a year or decade",
    r"\btake\d+[\w/]*": "the name of a recording",
    r"\b[A-G][♯♭#b]?\d\b": "the name of a note",
    r"`[^`]*`": "the name of a file or column",
    r", \d+\.\d to \d+\.\d s\.": "which part of a recording is drawn",
    r"Python \d+\.\d+(?:\.\d+)?|\b\d+\.\d+\.\d+\b": "a version",
    r"SHA-256[^|]*|\b[0-9a-f]{40,}\b": "a sum of a file",
    r"\d+\.\d+th percentile": "how far a figure is drawn",
    r"\(from \d+\)": "where the difference of a power is taken from: a choice of its reader",
}  # fmt: skip
"""What is no quantity, as a pattern, and what it is."""

_UNIT = "|".join(sorted((re.escape(unit) for unit in UNITS), key=len, reverse=True))
_NUMBER = re.compile(rf"(?<![\w.])[−+-]?(\d[\d,]*(?:\.\d+)?)(?:\s*({_UNIT})(?![\w]))?")
_ASIDE = re.compile("|".join(ASIDE))


def text_of(markup: str) -> str:
    """What a reader sees of HTML: no scripts and styles, and each element apart from the next."""
    bare = re.sub(r"<(style|script|svg)\b.*?</\1>|<!--.*?-->", " ", markup, flags=re.S)
    bare = re.sub(r"</?(?:b|em|strong|i|a|span|sub|sup)\b[^>]*>", " ", bare)
    return html.unescape(re.sub(r"(?:\s*<[^>]+>\s*)+", " | ", bare))


def numbers_of(text: str) -> list[tuple[str, str]]:
    """The numbers of a text that tell a quantity, each with its unit ("" for none)."""
    return [(m.group(1).replace(",", ""), m.group(2) or "") for m in _NUMBER.finditer(_ASIDE.sub(" ", text))]


def found(frame: pd.DataFrame, printed: str, unit: str) -> bool:
    """Whether the frame has this number, rounded as printed, in this unit."""
    decimals = len(printed.partition(".")[2])
    rows = frame[frame["unit"].isin(UNITS[unit])] if unit else frame
    values = rows[list(COLUMNS)].to_numpy(float).ravel()
    if unit in ("notes", "note"):  # parts of a share of notes stand beside it
        shares = frame[frame["rule"].fillna("").str.startswith("notes")]
        values = np.concatenate([values, shares[["numerator", "denominator"]].to_numpy(float).ravel()])
    values = np.abs(values[np.isfinite(values)])
    if np.any(np.abs(np.round(values, decimals) - float(printed)) < 0.51 * 10.0 ** -(decimals + 6)):
        return True
    if not re.fullmatch(r"\d{2}0+", printed):
        return False
    odds = frame.loc[frame["unit"] == "times the odds", list(COLUMNS)].to_numpy(float).ravel()
    large = odds[odds >= 100]  # large odds are told to two figures
    return float(printed) in [float(f"{value:.2g}") for value in large]


def missing(frame: pd.DataFrame, text: str, further: Iterable[str] = ()) -> list[tuple[str, str]]:
    """The numbers of a text that the frame does not have, nor `further` (as printed, without a unit)."""
    known = set(further)
    return [
        (number, unit)
        for number, unit in numbers_of(text)
        if (number, unit) not in AGREED and number not in known and not found(frame, number, unit)
    ]
