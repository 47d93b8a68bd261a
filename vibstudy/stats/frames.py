"""From a note table and a formula to the matrices of a mixed model, with every refusal in words.

Formula
-------
``outcome ~ terms`` in the usual notation; its grammar stands in :mod:`vibstudy.stats.formula`, its coding in
:mod:`vibstudy.stats.design`. ``C(period)`` treats a number as a factor, ``a * b`` is ``a + b + a:b``; text
and true/false columns are factors by themselves.

Terms are called ``Intercept``, ``decade``, ``region[T.B]``, ``C(period)[T.1970]``,
``C(period)[T.1970]:region[T.B]``; ``[T.x]`` reads "level x against the first level". Whole numbers are named
without a decimal point.

Random part
-----------
``(1 | player) + (1 | player:recording)`` plus ``(1 | f)`` for each crossed factor f. A recording
always counts as nested in its player, so that two players may both have a recording "1". A random
factor that the data cannot tell from another one, or from the notes themselves, is left out and a
remark says so.

Missing values
--------------
A note with a missing value in any column used is left out; :attr:`Prepared.dropped` counts them by
column and by decade, region and player.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import sparse

from vibstudy.errors import Problem, VibstudyError, listed, nearest, raise_any
from vibstudy.stats.design import Design
from vibstudy.stats.formula import Formula, columns_of, parse_formula, term_text
from vibstudy.stats.players import AUTO, EQUAL, PlayerPart, TermColumns, with_own_part
from vibstudy.stats.terms import RandomTerm, random_intercepts
from vibstudy.stats.tokens import LARGEST

RECORDING = "recording_id"
"""The usual column of the recording."""

DROP_TAGS = ("decade", "region", "player")
"""Tags by which left-out notes are counted."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """A model ready to be fitted.

    Parameters
    ----------
    formula : str
        As the user wrote it.
    outcome : str
        Left side of the formula, e.g. "rate_hz" or "log2(extent_cents)".
    outcome_column : str
        The column behind it.
    frame : DataFrame
        The notes used, with plain types; index is the row's place in the table given.
    y : ndarray [shape=(n,)]
    x : ndarray [shape=(n, names)]
        Full design, aliased columns included.
    names : tuple of str
        Names of the columns of `x`.
    kept : tuple of int
        Columns of `x` that can be estimated.
    spec : Design
        Builds the same design for other settings.
    terms : tuple of RandomTerm
    weights : ndarray [shape=(n,)] or None
    player, recording : str | None
        Columns of the random factors.
    dropped : DataFrame
        ``by, level, notes, dropped, kept``: how many notes were left out for missing values.
    remarks : tuple of str
        What was done to the model on the way, in sentences.
    players : PlayerPart
        Whose slopes and spreads are the players' own.
    shared : sparse matrix [shape=(n, levels)] or None
        Errors that notes share (:mod:`vibstudy.stats.measurement`).
    notes_sd : Series or None
        The notes' standard deviation by group, where it was estimated apart.
    """

    formula: str
    outcome: str
    outcome_column: str
    frame: pd.DataFrame
    y: np.ndarray
    x: np.ndarray
    names: tuple[str, ...]
    kept: tuple[int, ...]
    spec: Design
    terms: tuple[RandomTerm, ...]
    weights: np.ndarray | None
    player: str | None
    recording: str | None
    dropped: pd.DataFrame
    remarks: tuple[str, ...]
    players: PlayerPart = field(default_factory=PlayerPart)
    shared: sparse.csr_matrix | None = None
    notes_sd: pd.Series | None = None

    @property
    def aliased(self) -> tuple[str, ...]:
        """Names of the terms these notes cannot estimate."""
        return tuple(name for k, name in enumerate(self.names) if k not in self.kept)

    @property
    def estimable(self) -> np.ndarray:
        """The design without aliased columns [shape=(n, p)]."""
        return self.x[:, list(self.kept)]

    @property
    def factors(self) -> dict[str, list[Any]]:
        """Levels of every column that enters the formula as a factor."""
        return {name: self.spec.levels[name] for name in self.frame if name in self.spec.levels}

    @property
    def covariates(self) -> list[str]:
        """Columns that enter the formula as numbers, in the order of the frame."""
        return [name for name in self.frame if name in self.spec.columns and name not in self.factors]


def prepare(
    notes: pd.DataFrame,
    formula: str,
    player: str | None = "player",
    recording: str | None = "recording_id",
    crossed: Sequence[str] = (),
    weights: str | np.ndarray | pd.Series | None = None,
    slopes: str | Sequence[str] = (),
    slope_correlation: bool = True,
    spread: str = EQUAL,
) -> Prepared:
    """Check everything, drop incomplete notes, and build the matrices.

    Parameters are those of :func:`vibstudy.stats.fit_mixed`.

    Raises
    ------
    VibstudyError
        With every problem found.
    """
    _check_frame(notes)
    crossed = (crossed,) if isinstance(crossed, str) else tuple(crossed)
    recording, absent = _recording_there(notes, recording)
    own = slopes == AUTO
    slopes = () if own else (slopes,) if isinstance(slopes, str) else tuple(slopes)
    parsed = parse_formula(formula)
    outcome = str(parsed.outcome)
    random_columns = [name for name in (player, recording, *crossed) if name is not None]
    used = list(dict.fromkeys([*parsed.columns, *random_columns, *slopes]))
    if isinstance(weights, str):
        used.append(weights)
    check_columns(notes, used, f'formula "{formula}"')
    data = notes[list(dict.fromkeys(used))].reset_index(drop=True)
    given = _given_weights(weights, len(data))
    complete = data.notna().all(axis=1).to_numpy() & (True if given is None else np.isfinite(given))
    dropped = count_dropped(notes, data, complete, player)
    _check_left(data, complete)
    frame = plain(data[complete])
    outcome_column = next(columns_of(parsed.outcome), "")
    _check_variation(frame, parsed.columns, outcome_column)
    y, x, names, spec = _design(parsed, frame)
    terms, remarks = _random_terms(frame, player, recording, crossed, slopes, slope_correlation)
    remarks = [*absent, *remarks]
    part = PlayerPart()
    if player is not None and terms and terms[0].group == player and not slopes:
        formula_terms = term_columns(spec)
        x, terms, part, said = with_own_part(frame, x, formula_terms, spec.levels, terms, own, spread)
        remarks += said
    w = _weights(frame, weights, given, complete)
    kept = estimable_columns(x)
    if len(kept) < len(names):
        lost = [name for k, name in enumerate(names) if k not in kept]
        remarks.append(
            f"These notes cannot estimate {listed(lost)}: left out. The other terms determine it, or its "
            "cell is empty."
        )
    if len(y) <= len(kept) + 1:
        raise VibstudyError(
            f"{len(y)} notes are too few for a model with {len(kept)} terms",
            repair="Leave terms out of the formula, or measure more notes.",
        )
    return Prepared(
        formula, outcome, outcome_column, frame, y, x, tuple(names), kept, spec, tuple(terms), w,
        player, recording, dropped, tuple(remarks), part,
    )  # fmt: skip


def term_columns(design: Design) -> list[TermColumns]:
    """Terms of a formula with the columns behind them, the intercept left aside."""
    return [
        TermColumns(
            term_text(term),
            tuple(dict.fromkeys(name for factor in term for name in columns_of(factor))),
            tuple(design.term_indices[term_text(term)]),
        )
        for term in design.formula.terms
        if term
    ]


def _check_frame(notes: pd.DataFrame) -> None:
    if not isinstance(notes, pd.DataFrame):
        raise VibstudyError("notes must be a pandas table, one row a note", got=type(notes).__name__)
    if notes.empty:
        raise VibstudyError("the note table is empty", repair="Measure recordings first.")
    check_once(notes)


def check_once(notes: pd.DataFrame) -> None:
    """Raise when a column stands twice."""
    twice = list(dict.fromkeys(str(name) for name in notes.columns[notes.columns.duplicated()]))
    if twice:
        raise VibstudyError(
            [Problem("this column stands twice", column=name, repair="Rename one of them.") for name in twice]
        )


def _recording_there(notes: pd.DataFrame, recording: str | None) -> tuple[str | None, list[str]]:
    """Pass over the usual column of recordings in a table that has none; a misspelt one is refused later."""
    if recording != RECORDING or recording in notes or nearest(recording, [str(name) for name in notes]):
        return recording, []
    return None, [f"The table has no column {RECORDING}: recordings are left out of the random part."]


def check_columns(notes: pd.DataFrame, names: Sequence[str], where: str = "") -> None:
    """Raise for every name that is no column, with the nearest right one."""
    columns = [column for column in notes.columns if isinstance(column, str)]
    problems = [
        Problem(
            "no such column in the note table" + (f" ({where})" if where else ""),
            column=name,
            repair=nearest(name, columns) or "The columns are: " + ", ".join(columns) + ".",
        )
        for name in dict.fromkeys(names)
        if name not in columns
    ]
    raise_any(problems)


def count_dropped(
    notes: pd.DataFrame, used: pd.DataFrame, complete: np.ndarray, player: str | None
) -> pd.DataFrame:
    """Count left-out notes: in all, by the column that was missing, and by decade, region, player."""
    rows = [("all", "all", len(used), int((~complete).sum()))]
    rows += [
        ("missing", str(name), len(used), int(used[name].isna().sum()))
        for name in used
        if used[name].isna().any()
    ]
    for tag in dict.fromkeys([*DROP_TAGS, *([player] if player else [])]):
        if tag in notes:
            values = notes[tag].reset_index(drop=True)
            labels = values.astype("string").fillna("(missing)")
            for level, index in labels.groupby(labels).groups.items():
                rows.append((tag, str(level), len(index), int((~complete[index]).sum())))
    out = pd.DataFrame(rows, columns=["by", "level", "notes", "dropped"])
    out["kept"] = out["notes"] - out["dropped"]
    return out


def _check_left(data: pd.DataFrame, complete: np.ndarray) -> None:
    if complete.any():
        return
    empty = [name for name in data if data[name].isna().all()]
    raise VibstudyError(
        [
            Problem("missing in every note", column=str(name), repair="Leave it out, or fill it in.")
            for name in empty
        ]
        or "No note has all the columns the model needs: " + ", ".join(map(str, data)) + "."
    )


def plain(data: pd.DataFrame) -> pd.DataFrame:
    """Return a complete frame with plain types: whole numbers, floats, or categories.

    Text, objects and true/false become categories (in sorted order); categories lose unused levels.
    """
    out: dict[Any, Any] = {}
    for name in data:
        values = data[name]
        if isinstance(values.dtype, pd.CategoricalDtype):
            out[name] = values.cat.remove_unused_categories().array
        elif pd.api.types.is_bool_dtype(values.dtype):
            values = values.astype(bool)
            out[name] = pd.Categorical(values, categories=sorted(values.unique()))
        elif pd.api.types.is_numeric_dtype(values.dtype):
            out[name] = _plain_numbers(values)
        else:
            out[name] = pd.Categorical(values.astype(str))
    return pd.DataFrame(out, index=data.index)


def _plain_numbers(values: pd.Series) -> np.ndarray:
    numbers = values.to_numpy(dtype=float)
    whole = np.all(np.isfinite(numbers)) and np.all(numbers == np.round(numbers))
    return numbers.astype(np.int64) if whole and np.all(np.abs(numbers) < 2**53) else numbers


def _check_variation(frame: pd.DataFrame, columns: Sequence[str], outcome_column: str) -> None:
    problems = []
    for name in columns:
        if pd.api.types.is_numeric_dtype(frame[name].dtype) and not (frame[name].abs() <= LARGEST).all():
            problems.append(
                Problem(
                    f"a number is beyond ± {LARGEST:.0f}: no measurement gives it",
                    column=name,
                    got=f"{frame[name].abs().max():.3g}",
                    repair="Run 'vibstudy measure': it writes the tables anew; or mend your own column.",
                )
            )
            continue
        if frame[name].nunique() > 1:
            continue
        if name == outcome_column:
            message = "the outcome is the same in every note"
            repair = "There is nothing to explain; choose another outcome or filter."
        else:
            message = "has only one value among the notes used, so that nothing can be compared"
            repair = f"Leave {name} out of the formula, or include notes with another {name}."
        problems.append(Problem(message, column=name, got=str(frame[name].iloc[0]), repair=repair))
    if outcome_column and isinstance(frame[outcome_column].dtype, pd.CategoricalDtype):
        problems.append(
            Problem(
                "the outcome is not a number",
                column=outcome_column,
                got=str(frame[outcome_column].iloc[0]),
                repair="For true/false outcomes use fit_presence.",
            )
        )
    raise_any(problems)


def _design(parsed: Formula, frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, list[str], Design]:
    design, y, x = Design.of(parsed, frame)
    problems = [
        Problem(
            f"{int((~np.isfinite(values)).sum())} notes have no finite value",
            column=name,
            repair="A logarithm needs values above 0: filter the notes first.",
        )
        for name, values in [(str(parsed.outcome), y), *zip(design.names, x.T, strict=True)]
        if not np.all(np.isfinite(values))
    ]
    raise_any(problems)
    return y, x, list(design.names), design


def estimable_columns(x: np.ndarray) -> tuple[int, ...]:
    """Columns of `x` that are not linear combinations of columns before them."""
    scaled = x / np.maximum(np.linalg.norm(x, axis=0), 1e-300)
    if len(x) > x.shape[1]:  # lengths and angles of the columns are those of R in QR, which is small
        scaled = np.linalg.qr(scaled, mode="r")
    kept: list[int] = []
    basis = np.zeros_like(scaled)
    for k in range(x.shape[1]):
        known = basis[:, : len(kept)]
        rest = scaled[:, k] - known @ (known.T @ scaled[:, k])
        rest -= known @ (known.T @ rest)
        norm = float(np.linalg.norm(rest))
        if norm > 1e-7:
            basis[:, len(kept)] = rest / norm
            kept.append(k)
    return tuple(kept)


def _given_weights(weights: Any, n: int) -> np.ndarray | None:
    """Weights given as values, one a note; None when they are a column or absent."""
    if weights is None or isinstance(weights, str):
        return None
    given = np.asarray(weights, float)
    if given.shape != (n,):
        raise VibstudyError("weights need one value a note", got=str(given.shape), repair=f"Give {n} values.")
    return given


def _weights(
    frame: pd.DataFrame, weights: Any, given: np.ndarray | None, complete: np.ndarray
) -> np.ndarray | None:
    if weights is None:
        return None
    values = given[complete] if given is not None else frame[weights].to_numpy(float)
    if np.any(values <= 0):
        raise VibstudyError(
            f"{int(np.sum(values <= 0))} weights are zero or negative",
            column=weights if isinstance(weights, str) else "weights",
            repair="A weight is above 0; leave notes out with a filter instead.",
        )
    return values / values.mean()


def _random_terms(
    frame: pd.DataFrame,
    player: str | None,
    recording: str | None,
    crossed: Sequence[str],
    slopes: Sequence[str],
    slope_correlation: bool,
) -> tuple[list[RandomTerm], list[str]]:
    groups: list[tuple[str, pd.Series]] = []
    if player is not None:
        groups.append((player, frame[player].astype(str)))
    if recording is not None:
        own = frame[recording].astype(str)
        nested = f"{player}:{recording}" if player is not None else recording
        groups.append((nested, own if player is None else frame[player].astype(str) + " / " + own))
    groups += [(name, frame[name].astype(str)) for name in crossed]
    _check_levels(groups)
    terms: list[RandomTerm] = []
    remarks: list[str] = []
    for name, labels in groups:
        codes, levels = pd.factorize(labels, sort=True)
        twin = next((t.group for t in terms if _same_partition(t.codes, codes)), None)
        if twin is not None:
            remarks.append(
                f"Each {twin} goes with exactly one {name}: the two cannot be told apart, and "
                f"{name} is left out of the random part."
            )
        elif len(levels) == len(frame):
            remarks.append(
                f"Every {name} has a single note: it cannot be told from the residual and is left out."
            )
        else:
            terms.append(random_intercepts(name, codes, list(levels)))
    if slopes:
        terms[0] = _with_slopes(frame, terms[0], slopes, slope_correlation)
    return terms, remarks


def _check_levels(groups: Sequence[tuple[str, pd.Series]]) -> None:
    problems = [
        Problem(
            "has a single level among the notes used, so that how much it varies cannot be estimated",
            column=name,
            got=str(labels.iloc[0]),
            repair=f"Leave {name} out of the random part, or include notes with another {name}.",
        )
        for name, labels in groups
        if labels.nunique() < 2
    ]
    raise_any(problems)


def _same_partition(first: np.ndarray, second: np.ndarray) -> bool:
    if first.max() != second.max():
        return False
    pairs = np.unique(np.column_stack([first, second]), axis=0)
    return len(pairs) == first.max() + 1


def _with_slopes(
    frame: pd.DataFrame, term: RandomTerm, slopes: Sequence[str], correlated: bool
) -> RandomTerm:
    problems = [
        Problem("a random slope needs a number", column=name, got=str(frame[name].iloc[0]))
        for name in slopes
        if isinstance(frame[name].dtype, pd.CategoricalDtype)
    ]
    raise_any(problems)
    design = np.column_stack([np.ones(len(frame)), frame[list(slopes)].to_numpy(float)])
    return RandomTerm(term.group, term.codes, term.levels, ("Intercept", *slopes), design, correlated)
