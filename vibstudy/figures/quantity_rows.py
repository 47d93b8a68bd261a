"""Models, claims and settings as rows of the frame of results (:mod:`vibstudy.figures.quantities`)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from vibstudy.figures.quantities import row


def effect_rows(effects: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of :func:`vibstudy.stats.effects.standard_effects`."""
    rows = []
    for (model, variant), own in effects.groupby(["model", "variant"], sort=False) if len(effects) else ():
        name = f"{model}, {variant}" if variant else str(model)
        rule = "judged" if str(model) == "presence" else "vibrato"
        for effect in own.to_dict("records"):
            further = {str(key): effect[key] for key in ("low", "high", "se", "df", "t", "p")}
            rows.append(
                row("model", name, effect["words"], effect["estimate"], effect["unit"], rule, **further)
            )
        rows += [row("model", name, count, own[count].iloc[0], count, rule) for count in COUNTS]
    return rows


COUNTS = ("players", "recordings", "notes")
"""What is counted of each model and claim."""


def claim_rows(claims: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of :func:`vibstudy.stats.claims.evaluate_claims`."""
    rows = []
    for claim in claims.to_dict("records"):
        name = str(claim["claim"])
        if pd.notna(claim["estimate"]):
            further = {"low": claim["low"], "high": claim["high"], "df": claim["df"], "p": claim["p_holm"]}
            rows.append(row("claim", name, "estimate", claim["estimate"], str(claim["unit"]), **further))
        rows += [row("claim", name, count, float(claim[count]), count) for count in COUNTS]
        rows += [
            row("claim", name, side, 100 * float(claim[side]), "%", "proper")
            for side in ("told_from", "told_to")
            if pd.notna(claim.get(side))
        ]
        if pd.notna(claim.get("interval_per_cent")):
            rows.append(row("claim", name, "interval_per_cent", float(claim["interval_per_cent"]), "%"))
    return rows


def reach_rows(reach: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of :func:`vibstudy.stats.detectable.reach_table`."""
    units = {"players_from": "players", "players_to": "players", "needed": "players"}
    return [
        row("claim", str(claim["claim"]), column, float(claim[column]), units.get(column, str(claim["unit"])))
        for claim in reach.to_dict("records")
        for column in (*units, "reach", "half")
        if pd.notna(claim[column])
    ]


def setting_rows(settings: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of the settings that are numbers."""
    rows = []
    for name, value in settings.items():
        try:
            number = float(value)
        except (TypeError, ValueError):
            continue
        unit = next((word for ending, word in _ENDINGS.items() if name.endswith(ending)), "")
        rows.append(row("setting", name, "value", number, unit))
    return rows


_ENDINGS = {"_hz": "Hz", "_s": "s", "_per_cent": "%", "_cents": "cents", "_db": "dB"}


def spread_rows(table: pd.DataFrame, units: Mapping[str, str]) -> list[dict[str, Any]]:
    """Rows of a table that has one row a medium, for the columns in `units`."""
    return [
        row("medium", str(record["medium"]), column, float(record[column]), unit)
        for record in table.to_dict("records")
        for column, unit in units.items()
        if column in record and pd.notna(record[column])
    ]
