"""What a corpus can tell, and what it cannot, before anything is fitted.

Coverage
--------
Players, recordings and notes in every cell of decade × region × medium (or other tags).

Aliasing
--------
A term is *aliased* when its column of the design is a linear combination of the others: no amount
of notes can tell it apart. It is *nearly aliased* when the others predict it almost. The generalised
variance inflation factor of a term, to the power 1/(2 df), says how many times as wide its interval is
as if it stood alone. Since players, not notes, carry the information, inflation is computed over
players when a term does not vary within players, over recordings otherwise.

References
----------
Fox & Monette 1992, J. Am. Stat. Assoc. 87(417):178-183 (generalised variance inflation).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError, listed
from vibstudy.stats.frames import Prepared, check_columns, prepare
from vibstudy.stats.terms import same_within
from vibstudy.threads import one_thread

INFLATION_LIMIT = 2.0
"""An interval more than this many times as wide as it could be is called nearly aliased."""

FEW_PLAYERS = 3
"""Cells with fewer players than this are told."""


def coverage(notes: pd.DataFrame, by: Sequence[str] = ("decade", "region", "medium")) -> pd.DataFrame:
    """Count players, recordings and notes in every cell of the tags `by`, empty cells included.

    Tags not in the table are passed over. A missing tag counts as the level "(missing)".

    Returns
    -------
    DataFrame
        The tags, ``players, recordings, notes``, and ``only_player`` where there is a single one.
    """
    check_columns(notes, ["player", "recording_id"])
    tags = [tag for tag in by if tag in notes]
    if not tags:
        check_columns(notes, list(by))
    frame = pd.DataFrame({tag: _labels(notes[tag]) for tag in tags})
    frame["_player"] = notes["player"].astype("string").fillna("(missing)").to_numpy()
    recording = notes["recording_id"].astype("string").fillna("")
    frame["_recording"] = frame["_player"] + " / " + recording.to_numpy()
    grouped = frame.groupby(tags, observed=True)
    table = pd.DataFrame(
        {
            "players": grouped["_player"].nunique(),
            "recordings": grouped["_recording"].nunique(),
            "notes": grouped.size(),
            "only_player": grouped["_player"].agg(lambda v: v.iloc[0] if v.nunique() == 1 else ""),
        }
    )
    levels = [_ordered(frame[tag]) for tag in tags]
    full = (
        pd.MultiIndex.from_product(levels, names=tags) if len(tags) > 1 else pd.Index(levels[0], name=tags[0])
    )
    table = table.reindex(full)
    counts = ["players", "recordings", "notes"]
    table[counts] = table[counts].fillna(0).astype(int)
    table["only_player"] = table["only_player"].fillna("")
    return table.reset_index()


def _labels(values: pd.Series) -> np.ndarray:
    """Text of a tag; whole numbers without a decimal point."""
    if pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype):
        numbers = values.astype("Float64")
        whole = bool((numbers.dropna() % 1 == 0).all())
        values = numbers.astype("Int64") if whole else numbers
    return values.astype("string").fillna("(missing)").to_numpy(dtype=object)


def _ordered(values: pd.Series) -> list[str]:
    def key(text: str) -> tuple[int, float, str]:
        try:
            return 0, float(text), ""
        except ValueError:
            return 1, 0.0, text

    return sorted(values.unique(), key=key)


@dataclass(frozen=True)
class Confounds:
    """What stands in the way of a model.

    Parameters
    ----------
    cells : DataFrame
        See :func:`coverage`.
    aliased : tuple of str
        Terms these notes cannot estimate at all.
    inflation : DataFrame
        Indexed by term of the formula: ``factor`` (how many times as wide the interval is as if the
        term stood alone), ``units`` (players or recordings that carry it), ``nearly_aliased``.
    sentences : tuple of str
        All of it in plain words, gravest first.
    lone : tuple of str
        Those of them that tell of a cell of a single player.
    """

    cells: pd.DataFrame = field(compare=False)
    aliased: tuple[str, ...]
    inflation: pd.DataFrame = field(compare=False)
    sentences: tuple[str, ...]
    lone: tuple[str, ...] = ()

    def __str__(self) -> str:
        return "\n".join(self.sentences)


@one_thread
def find_confounds(
    notes: pd.DataFrame,
    formula: str | None = None,
    by: Sequence[str] = ("decade", "region", "medium"),
) -> Confounds:
    """Tell what the corpus can and cannot separate.

    Parameters
    ----------
    notes : DataFrame
    formula : str | None
        The model planned; None looks at coverage alone.
    by : sequence of str
        Tags whose entanglement is looked at.
    """
    cells = coverage(notes, by)
    tags = [tag for tag in by if tag in notes]
    told = _entangled(notes, [*tags, *_school(notes, tags)])
    lone, thin = _thin_cells(notes, tags)
    told += lone + thin
    aliased: tuple[str, ...] = ()
    factors = pd.DataFrame(columns=["factor", "units", "nearly_aliased"])
    first: list[str] = []
    if formula is not None:
        try:
            prepared = prepare(notes, formula)
        except VibstudyError as problem:
            first = [f"The model {formula!r} cannot be built. {problem}"]
        else:
            aliased = prepared.aliased
            factors = inflation(prepared)
            first = _aliased_sentences(prepared) + _inflation_sentences(factors)
    sentences = [*first, *told] or ["Every cell has at least three players, and no tag is tied to another."]
    unique = tuple(dict.fromkeys(sentences))
    return Confounds(cells, aliased, factors, unique, tuple(dict.fromkeys(lone)))


def _school(notes: pd.DataFrame, tags: Sequence[str]) -> list[str]:
    return ["school"] if "school" in notes and "school" not in tags else []


def _entangled(notes: pd.DataFrame, tags: Sequence[str]) -> list[str]:
    """Sentences on tags of which one determines the other."""
    told = []
    frame = pd.DataFrame({tag: _labels(notes[tag]) for tag in tags})
    for first, second in itertools.combinations(tags, 2):
        pairs = frame[[first, second]].drop_duplicates()
        if pairs[first].nunique() < 2 or pairs[second].nunique() < 2:
            continue
        one_first = not pairs[first].duplicated().any()
        one_second = not pairs[second].duplicated().any()
        if one_first and one_second:
            told.append(
                f"{first} and {second} go together without exception: this corpus cannot tell them apart."
            )
        elif one_first or one_second:
            inner, outer = (first, second) if one_first else (second, first)
            told.append(
                f"Each {inner} has a single {outer}: a difference between levels of {outer} may just as well "
                f"be one between levels of {inner}."
            )
    return told


def _thin_cells(notes: pd.DataFrame, tags: Sequence[str]) -> tuple[list[str], list[str]]:
    """Sentences on cells of the first two tags with a single player, and on those with two or none."""
    if len(tags) < 2:
        return [], []
    frame = pd.DataFrame({tag: _labels(notes[tag]) for tag in tags})
    frame["_player"] = notes["player"].astype("string").fillna("(missing)").to_numpy()
    pair = list(tags[:2])
    full = {cell: pd.DataFrame() for cell in itertools.product(*(_ordered(frame[tag]) for tag in pair))}
    full.update(dict(iter(frame.groupby(pair, sort=False))))  # type: ignore[arg-type]
    lone: list[str] = []
    told, empty, two = [], [], []
    for cell, part in full.items():
        place = ", ".join(f"{tag} {value}" for tag, value in zip(pair, cell, strict=True))
        players = [] if part.empty else list(part["_player"].unique())
        if not players:
            empty.append(place)
        elif len(players) == 1:
            lone.append(_lone_sentence(place, part, frame, tags))
        elif len(players) < FEW_PLAYERS:
            two.append(place)
    if two:
        told.append(f"Only two players: {'; '.join(two)}. Chance can hardly be judged there.")
    if empty:
        told.append(
            f"No notes at all: {'; '.join(empty)}. How {pair[0]} and {pair[1]} interact cannot be "
            "estimated there."
        )
    return lone, told


def _lone_sentence(place: str, part: pd.DataFrame, frame: pd.DataFrame, tags: Sequence[str]) -> str:
    tied = [tag for tag in tags[2:] if part[tag].nunique() == 1 and frame[tag].nunique() > 1]
    further = "".join(f", {tag} {part[tag].iloc[0]}" for tag in tied)
    return (
        f"All notes of {place} are by one player ({part['_player'].iloc[0]}{further}): there this corpus "
        f"cannot tell {listed(['player', tags[1], *tied])} apart."
    )


def inflation(prepared: Prepared) -> pd.DataFrame:
    """Generalised variance inflation of each term, over the units that carry it."""
    x = prepared.estimable
    units = {"players": _codes(prepared, 0), "recordings": _codes(prepared, 1)}
    between = same_within(x, units["players"])[1]
    rows = {}
    for term, places in prepared.spec.term_indices.items():
        kept = [prepared.kept.index(k) for k in places if k in prepared.kept]
        if str(term) == "1" or not kept:
            continue
        unit = "players" if between[kept].all() else "recordings"
        means = _unit_means(x, units[unit])
        factor = _gvif(means, kept)
        rows[str(term)] = (factor, f"{len(means)} {unit}", factor > INFLATION_LIMIT)
    columns = ["factor", "units", "nearly_aliased"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("term")


def _codes(prepared: Prepared, depth: int) -> np.ndarray:
    frame = prepared.frame
    labels = frame[prepared.player].astype(str) if prepared.player else frame.index.astype(str)
    if depth and prepared.recording:
        labels = labels + " / " + frame[prepared.recording].astype(str)
    return pd.factorize(labels)[0]


def _unit_means(x: np.ndarray, codes: np.ndarray) -> np.ndarray:
    counts = np.bincount(codes)
    return np.column_stack([np.bincount(codes, column) / counts for column in x.T])


def _gvif(means: np.ndarray, columns: Sequence[int]) -> float:
    """Generalised variance inflation to the power 1/(2 df) of some columns against the others."""
    centred = means - means.mean(axis=0)
    norms = np.linalg.norm(centred, axis=0)
    own = [k for k in columns if norms[k] > 1e-12]
    others = [k for k in range(means.shape[1]) if k not in columns and norms[k] > 1e-12]
    if not own:
        return float("inf")
    scaled = centred / np.maximum(norms, 1e-300)
    block = scaled[:, own]
    rest = scaled[:, others]
    left = block - rest @ np.linalg.lstsq(rest, block, rcond=None)[0] if others else block
    alone, beside = np.linalg.slogdet(block.T @ block)[1], np.linalg.slogdet(left.T @ left)[1]
    if not np.isfinite(beside) or beside < -60:
        return float("inf")
    return float(np.exp((alone - beside) / (2 * len(own))))


def _aliased_sentences(prepared: Prepared) -> list[str]:
    if not prepared.aliased:
        return []
    names = ", ".join(prepared.aliased)
    return [f"These notes cannot estimate {names}: the other terms determine it, or its cell is empty."]


def _inflation_sentences(inflation: pd.DataFrame) -> list[str]:
    told = []
    for term, factor, units in inflation[["factor", "units"]].itertuples():
        if factor <= INFLATION_LIMIT:
            continue
        if np.isinf(factor):
            told.append(f"Over {units}, {term} cannot be told from the other terms.")
        else:
            told.append(
                f"{term} is entangled with the other terms: its interval is {factor:.1f} times as wide as if "
                f"it stood alone ({units})."
            )
    return told
