"""Every number that is printed, looked up in the one frame of results: by its value, as printed, and its
unit.

Left aside are numbers that name a thing (decades, numbers of figures, years of works, names of recordings)
and what stands in quotation marks (a claim's own words).
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

COLUMNS = ("value", "numerator", "denominator", "low", "high", "se", "df", "t", "p")

# unit as printed -> units of the frame it may stand for
UNITS = {
    "Hz": {"Hz"}, "cents": {"cents", "± cents"}, "%": {"%"}, "s": {"s"}, "dB": {"dB", "± dB"},
    "times the odds": {"times the odds"}, "players": {"players"}, "player": {"players"},
    "recordings": {"recordings"}, "recording": {"recordings"}, "notes": {"notes"}, "note": {"notes"},
}  # fmt: skip

_UNIT = "|".join(sorted((re.escape(unit) for unit in UNITS), key=len, reverse=True))
_NUMBER = re.compile(rf"(?<![\w.])[−+-]?(\d[\d,]*(?:\.\d+)?)(?:\s*({_UNIT})(?![\w]))?")
_ASIDE = re.compile(
    "|".join(
        [
            r"“.*?”",
            r"\([^()]*?(?:19|20)\d\d\)",
            r"(?:Figure|Table|decade|period) \d+(?: (?:to|against) \d+)*(?: (?:to|against) \d+)*",
            r"\b(?:1[89]|20)\d\d(?:s|–\d{2,4})?\b",
            r"take\d+\S*",
        ]
    )
)


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
    return bool(np.any(np.abs(np.round(values, decimals) - float(printed)) < 0.51 * 10.0 ** -(decimals + 6)))


def missing(frame: pd.DataFrame, text: str) -> list[tuple[str, str]]:
    """The numbers of a text that the frame does not have."""
    return [(number, unit) for number, unit in numbers_of(text) if not found(frame, number, unit)]
