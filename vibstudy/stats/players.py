"""What is each player's own: his slopes, and how much the players of each group differ.

Own slopes
----------
A term that varies within players (register, written length, decade for a player with a long career) has an
effect of its own in each player. The test of its mean effect counts players, not notes: without the own
slope, a thousand notes of eight players call chance real in half of all corpora
(``benchmarks/calibration_players.py``).
For each term of the formula, the columns behind it that change within at least one player decide:

* numbers: the term's column, centred and in units of its standard deviation, gets a slope by player;
* factors: each player has his own deviation at each of its levels, ``(1 | player:factor)``;
* a number and a factor that both change within players: a slope by player and level.

All these are uncorrelated with each other and with the player's level. A deviation that the recordings (or
another random factor) already stand for is not entered twice.

One or two players who stand on both sides of what otherwise lies between players tell next to nothing of how
much players differ in it (none or one degree of freedom), and a test that trusts them calls chance real in
9 to 14 of 100 corpora. Of a factor, such a player is counted as one player on each side, so that his own
difference is trusted no more than that of two players; of a number, he is counted at his mean. Both are
somewhat cautious, and a remark tells it.

Unequal spreads
---------------
Players of one group may differ more than those of another. With unequal numbers of players, one common
variance then calls chance real in up to a quarter of all corpora, or hardly ever. The players' variance is
therefore one a level of the first factor of the formula that lies between players. The only player of a
level is its whole mean and tells nothing of spread: he goes with the largest group.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError, nearest
from vibstudy.stats.terms import RandomTerm, random_intercepts

AUTO = "auto"
EQUAL = "equal"

FEW_BRIDGES = 2
"""So many players tell nothing of how much players differ: fewer than two degrees of freedom."""


@dataclass(frozen=True, eq=False)
class PlayerPart:
    """How the players enter the random part.

    Parameters
    ----------
    spread : str | None
        Factor by whose levels the players' variance is estimated apart; None: one variance.
    groups : int
        Number of groups of `spread`: the first columns of the player's term.
    own : bool
        Whether own slopes were looked for: contrasts within players are then judged by players.
    players : int
        Number of players, each counted once.
    """

    spread: str | None = None
    groups: int = 0
    own: bool = False
    players: int = 0


@dataclass(frozen=True)
class TermColumns:
    """One term of the formula: the columns of the note table behind it, and those of the design.

    Parameters
    ----------
    name : str
        As the formula writes it.
    variables : tuple of str
    columns : tuple of int
        Places in the design.
    """

    name: str
    variables: tuple[str, ...]
    columns: tuple[int, ...]


def with_own_part(
    frame: pd.DataFrame,
    x: np.ndarray,
    formula: Sequence[TermColumns],
    factors: Mapping[str, Sequence[object]],
    terms: Sequence[RandomTerm],
    slopes: bool,
    spread: str,
) -> tuple[np.ndarray, list[RandomTerm], PlayerPart, list[str]]:
    """Give the players their own slopes and spreads.

    Parameters
    ----------
    frame : DataFrame
        The notes used.
    x : ndarray [shape=(n, names)]
        Design.
    formula : sequence of TermColumns
    factors : mapping
        Columns that enter the formula as factors.
    terms : sequence of RandomTerm
        Random part so far; the first is the player's.
    slopes : bool
        Whether own slopes are wanted.
    spread : str
        "auto", "equal" or a factor.

    Returns
    -------
    tuple
        Design, random part, what was done, and remarks.
    """
    player, rest = terms[0], list(terms[1:])
    remarks: list[str] = []
    averaged: set[str] = set()
    players = len(player.levels)
    if slopes:
        player, split = _bridges_split(frame, formula, factors, player)
        x, averaged, said = _bridges_averaged(frame, x, formula, factors, player)
        remarks += split + said
    columns, design, units = list(player.columns), player.design, list(player.units)
    extra: list[RandomTerm] = []
    for own in _own_columns(frame, x, formula, factors, player, averaged) if slopes else []:
        if own.by:
            extra.append(_by_cells(own, player, frame))
        elif own.values is not None:
            columns.append(own.name)
            units.append(own.unit)
            design = np.column_stack([design, own.values])
    known = [player, *rest]
    for term in extra:
        if not any(_refines(t.codes, term.codes) for t in known[1:] if _level_only(t)) or not _level_only(
            term
        ):
            rest.append(term)
    player, part = _with_spread(frame, formula, factors, player, columns, design, units, spread)
    return x, [player, *rest], replace(part, own=slopes, players=players), remarks


def _level_only(term: RandomTerm) -> bool:
    return term.columns == ("Intercept",)


def _refines(fine: np.ndarray, coarse: np.ndarray) -> bool:
    """Whether both partitions are the same."""
    if len(np.unique(fine)) != len(np.unique(coarse)):
        return False
    return len(np.unique(np.column_stack([fine, coarse]), axis=0)) == len(np.unique(coarse))


# --- own slopes


@dataclass(frozen=True, eq=False)
class _Own:
    """One thing that each player has of his own."""

    name: str
    by: tuple[str, ...]
    values: np.ndarray | None
    unit: float = 1.0


def _cells(frame: pd.DataFrame, names: Sequence[str]) -> tuple[np.ndarray, list[str]]:
    """Code of each note's combination of levels, and their names."""
    labels = frame[names[0]].astype(str)
    for name in names[1:]:
        labels = labels + " / " + frame[name].astype(str)
    codes, levels = pd.factorize(labels, sort=True)
    return codes, [str(level) for level in levels]


def varying(codes: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Levels of `codes` within which `values` change."""
    first = np.unique(codes, return_index=True)[1]
    start = values[first][codes]
    changed = values != start if values.dtype.kind in "iu" else ~np.isclose(values, start)
    return np.unique(codes[changed])


def _own_columns(
    frame: pd.DataFrame,
    x: np.ndarray,
    formula: Sequence[TermColumns],
    factors: Mapping[str, Sequence[object]],
    player: RandomTerm,
    averaged: set[str],
) -> list[_Own]:
    """Everything that changes within players, main effects before interactions, each once."""
    within = {
        name: name not in averaged and len(varying(player.codes, _values(frame, name)))
        for name in dict.fromkeys(v for term in formula for v in term.variables)
    }
    found: dict[tuple[frozenset[str], int], _Own] = {}
    numbers: dict[frozenset[str], list[np.ndarray]] = {}
    for term in sorted(formula, key=lambda t: len(t.variables)):
        inside = [name for name in term.variables if within[name]]
        by = tuple(name for name in inside if name in factors)
        numeric = frozenset(name for name in inside if name not in factors)
        key = frozenset(inside)
        if not inside or any(k == key for k, _ in found):
            continue
        if not numeric:
            found[key, 0] = _Own(":".join(by), by, None)
            continue
        if numeric not in numbers:
            numbers[numeric] = _number_columns(x, term, bool(set(term.variables) - numeric))
        for k, column in enumerate(numbers[numeric]):
            unit = float(column.std())
            if unit > 0:
                many = len(numbers[numeric]) > 1
                name = ":".join(sorted(numeric)) + (f" [{k + 1}]" if many else "")
                found[key, k] = _Own(name, by, (column - column.mean()) / unit, unit)
    return list(found.values())


def _number_columns(x: np.ndarray, term: TermColumns, mixed: bool) -> list[np.ndarray]:
    """The number behind a term: its columns, or with a factor in the term the sum over its levels."""
    columns = x[:, list(term.columns)]
    return [columns.sum(axis=1)] if mixed else list(columns.T)


def _values(frame: pd.DataFrame, name: str) -> np.ndarray:
    values = frame[name]
    return values.to_numpy(float) if pd.api.types.is_numeric_dtype(values.dtype) else pd.factorize(values)[0]


def _by_cells(own: _Own, player: RandomTerm, frame: pd.DataFrame) -> RandomTerm:
    cells, names = _cells(frame, own.by)
    codes, pairs = pd.factorize(player.codes * len(names) + cells, sort=True)
    levels = [f"{player.levels[k // len(names)]} / {names[k % len(names)]}" for k in pairs]
    group = ":".join([player.group, *own.by])
    if own.values is None:
        return random_intercepts(group, codes, levels)
    design = own.values[:, None]
    return RandomTerm(group, codes, tuple(levels), (own.name,), design, False, (own.unit,))


def _bridges_split(
    frame: pd.DataFrame,
    formula: Sequence[TermColumns],
    factors: Mapping[str, Sequence[object]],
    player: RandomTerm,
) -> tuple[RandomTerm, list[str]]:
    """Count the one or two players on both sides of a factor as one player on each side."""
    remarks = []
    for name in dict.fromkeys(v for term in formula for v in term.variables if v in factors):
        cells, names = _cells(frame, [name])
        lone = varying(player.codes, cells)
        if not 0 < len(lone) <= FEW_BRIDGES:
            continue
        codes, levels = player.codes.copy(), list(player.levels)
        for one in lone:
            own, label = player.codes == one, player.levels[one]
            sides = np.unique(cells[own])
            levels[one] = f"{label} / {names[sides[0]]}"
            for side in sides[1:]:
                codes[own & (cells == side)] = len(levels)
                levels.append(f"{label} / {names[side]}")
        who = " and ".join(player.levels[one] for one in lone)
        player = replace(player, codes=codes, levels=tuple(levels))
        remarks.append(
            f"Only {who} {'has' if len(lone) == 1 else 'have'} notes at more than one {name}: too few to "
            "tell how much players differ in it. Such a player is counted as one player on each side."
        )
    return player, remarks


def _bridges_averaged(
    frame: pd.DataFrame,
    x: np.ndarray,
    formula: Sequence[TermColumns],
    factors: Mapping[str, Sequence[object]],
    player: RandomTerm,
) -> tuple[np.ndarray, set[str], list[str]]:
    """Count the one or two players within whom a number changes at their mean."""
    averaged: set[str] = set()
    remarks = []
    x = x.copy()
    for name in dict.fromkeys(v for term in formula for v in term.variables if v not in factors):
        lone = varying(player.codes, _values(frame, name))
        if not 0 < len(lone) <= FEW_BRIDGES or len(lone) == len(player.levels):
            continue
        for term in formula:
            for one in lone if name in term.variables else ():
                own = np.flatnonzero(player.codes == one)
                place = np.ix_(own, np.array(term.columns))
                x[place] = x[place].mean(axis=0)
        averaged.add(name)
        who = " and ".join(player.levels[one] for one in lone)
        remarks.append(
            f"Only {who} {'has' if len(lone) == 1 else 'have'} notes at more than one {name}: too few to "
            "tell how much players differ in it. Such a player is counted at his mean."
        )
    return x, averaged, remarks


# --- spreads


def _with_spread(
    frame: pd.DataFrame,
    formula: Sequence[TermColumns],
    factors: Mapping[str, Sequence[object]],
    player: RandomTerm,
    columns: list[str],
    design: np.ndarray,
    units: list[float],
    spread: str,
) -> tuple[RandomTerm, PlayerPart]:
    name = spread_factor(frame, formula, factors, player.codes, spread)
    used = np.zeros(0, int)
    if name is not None:
        cells, names = _cells(frame, [name])
        members = cells[np.unique(player.codes, return_index=True)[1]]
        counts = np.bincount(members, minlength=len(names))
        members = np.where(counts[members] == 1, int(np.argmax(counts)), members)
        used, members = np.unique(members, return_inverse=True)
    if name is None or len(used) < 2:
        correlated = player.correlated and len(columns) == 1
        term = replace(
            player, columns=tuple(columns), design=design, units=tuple(units), correlated=correlated
        )
        return term, PlayerPart()
    groups = np.eye(len(used))[members[player.codes]]
    labels = tuple(f"{name} {names[k]}" for k in used)
    term = replace(
        player,
        columns=(*labels, *columns[1:]),
        design=np.column_stack([groups, design[:, 1:]]),
        correlated=False,
        units=(*np.ones(len(used)), *units[1:]),
    )
    return term, PlayerPart(name, len(used))


def spread_factor(
    frame: pd.DataFrame,
    formula: Sequence[TermColumns],
    factors: Mapping[str, Sequence[object]],
    codes: np.ndarray,
    spread: str,
) -> str | None:
    """The factor by whose levels the players' variance is estimated apart, if any."""
    if spread == EQUAL:
        return None
    named = list(dict.fromkeys(v for term in formula for v in term.variables if v in factors))
    between = [name for name in named if not len(varying(codes, _values(frame, name)))]
    if spread == AUTO:
        return between[0] if between else None
    if spread in between:
        return spread
    if spread in named:
        raise VibstudyError(
            "varies within players, so that it parts no groups of players",
            column=spread,
            repair=f"Use spread='auto', or one of: {', '.join(between) or 'none here'}.",
        )
    raise VibstudyError(
        "spread names no factor of the formula",
        column="spread",
        got=spread,
        repair=nearest(spread, [AUTO, EQUAL, *between]) or f"Use auto, equal, {', '.join(between)}.",
    )
