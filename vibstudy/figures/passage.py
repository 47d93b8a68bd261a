"""The same passage by several players, under each other, at the written notes.

A *take* is a stretch of a recording. Where recordings were aligned with their scores, a passage is named by
its piece and bars, and a take is what each recording plays of them; notes stand under each other where they
are written. Without a score takes are named by hand (recording, from, to) and stand under each other from
their beginnings.

A row is a player. Each note's pitch is a ribbon about its own mean (cents, one scale for all rows), as
thick as it is loud: :data:`THICKEST` lines at the loudest moment of the take, thinning out over
:data:`DB_TO_NOTHING` dB.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.collections import LineCollection

from vibstudy.errors import Problem, VibstudyError, first_of, nearest, raise_any
from vibstudy.figures.data import need
from vibstudy.figures.recording import note_name
from vibstudy.figures.style import COLOURS, EXTENT_NOTE, FAINT, INK, HouseFigure, house_style
from vibstudy.units import to_cents

THICKEST = 3.0
THINNEST = 0.25
"""Width of a ribbon, in widths of a line of the figure's size."""
DB_TO_NOTHING = 40.0
"""Range of level that the eye can follow as thickness; softer is a hairline (common practice, no source)."""
MOST_TAKES = 8
"""Rows that can be told apart at a glance on a slide."""
_LEAST_REACH_CENTS = 30.0
"""A straight passage is drawn on a scale that would show a quiet vibrato."""


@dataclass(frozen=True, eq=False)
class Take:
    """A stretch of a recording.

    Parameters
    ----------
    recording_id : str
    from_s, to_s : float
        On the clock of the note table.
    name : str
        What the row is called.
    notes : DataFrame
        Its notes, with ``place``: the written note's number in the passage (missing: not on the score).
    """

    recording_id: str
    from_s: float
    to_s: float
    name: str
    notes: pd.DataFrame


def _row_name(row: pd.Series) -> str:
    tags = [str(row[name]) for name in ("player", "decade") if pd.notna(row.get(name))]
    return ", ".join(tags) or str(row["recording_id"])


def takes_of_bars(
    notes: pd.DataFrame, piece: str, first: int, last: int, movement: str | None = None
) -> list[Take]:
    """Return what each recording plays of some bars, the oldest first, :data:`MOST_TAKES` at most.

    Parameters
    ----------
    notes : DataFrame
        Note table of a study with scores.
    piece : str
        As in the manifest.
    first, last : int
        Measures as printed, both included.
    movement : str | None
        Where the piece has several.

    Raises
    ------
    VibstudyError
        When no recording of the piece is aligned with a score, fewer than two play these bars, or they are
        bars of several movements.

    Notes
    -----
    Of a passage played more than once (a repeat goes back in the score) one time through is taken: the one
    with the most of its notes, or the first of these.
    """
    need(notes, ["piece", "measure", "beat", "score_match"], "A passage by its bars")
    own = notes[notes["piece"].astype("string").eq(piece).fillna(False)]
    if own.empty:
        known = sorted(notes["piece"].dropna().astype(str).unique())
        hint = nearest(piece, known) or f"Known are: {first_of(known)}"
        raise VibstudyError("no recording of this piece", got=piece, repair=hint)
    if movement is not None:
        need(own, ["movement"], "A movement")
        own = own[own["movement"].astype("string").eq(movement).fillna(False)]
    own = own[own["score_match"].isin(["matched", "other_pitch"]).fillna(False)]
    own = own.sort_values(["recording_id", "onset_s"]).assign(way=_times_back)
    inside = own[own["measure"].between(first, last).fillna(False)]
    names = sorted(inside["movement"].dropna().astype(str).unique()) if "movement" in inside else []
    if len(names) > 1:
        raise VibstudyError(
            "several movements have these bars", got=f"{piece}, bars {first} to {last}",
            repair=f"Name one with --movement: {', '.join(names)}",
        )  # fmt: skip
    written = inside[["measure", "beat", "written_midi"]].drop_duplicates()
    written = written.sort_values(["measure", "beat", "written_midi"]).reset_index(drop=True)
    place = {tuple(row): number for number, row in enumerate(written.itertuples(index=False, name=None))}
    takes = []
    for recording_id, played in inside.groupby("recording_id", sort=True, observed=True):
        keys = played[["measure", "beat", "written_midi"]].itertuples(index=False, name=None)
        placed = played.assign(place=[place[key] for key in keys])
        placed = placed[placed["way"] == placed.groupby("way")["place"].nunique().idxmax()]
        placed = placed.drop_duplicates("place", ignore_index=True)
        begin, end = float(placed["onset_s"].min()), float(placed["offset_s"].max())
        takes.append(Take(str(recording_id), begin, end, _row_name(placed.iloc[0]), placed))
    if len(takes) < 2:
        raise VibstudyError(
            "a passage is compared between at least two recordings",
            got=f"{piece}, bars {first} to {last}: {len(takes)} with notes on the score",
            repair="Choose other bars, give more rows a score_path, or name stretches by hand: "
            "--take RECORDING,FROM,TO",
        )
    return sorted(takes, key=_by_decade)[:MOST_TAKES]


def _times_back(notes: pd.DataFrame) -> pd.Series:
    """How often the player has gone back in the score before each note; notes are in order of time."""
    before = notes.groupby("recording_id", observed=True)[["measure", "beat"]].shift()
    same = notes["measure"].eq(before["measure"])
    back = notes["measure"].lt(before["measure"]) | (same & notes["beat"].lt(before["beat"]))
    return back.fillna(False).astype(int).groupby(notes["recording_id"], observed=True).cumsum()


def _by_decade(take: Take) -> tuple[float, str]:
    decade = take.notes["decade"].iloc[0] if "decade" in take.notes else None
    return (float(decade) if pd.notna(decade) else np.inf, take.name)


def takes_by_hand(notes: pd.DataFrame, texts: Sequence[str]) -> list[Take]:
    """Return the takes named "recording_id,from,to" (seconds).

    Raises
    ------
    VibstudyError
        With every text that names no stretch of a measured recording.
    """
    known = list(notes["recording_id"].astype(str).unique())
    takes, problems = [], []
    for text in texts:
        parts = [part.strip() for part in text.rsplit(",", 2)]
        try:
            recording_id, begin, end = parts[0], float(parts[1]), float(parts[2])
            if not (np.isfinite([begin, end]).all() and begin < end):
                raise ValueError
        except (IndexError, ValueError):
            problems.append(Problem("this is no take", got=text, repair="Write it as RECORDING,12.5,18"))
            continue
        if recording_id not in known:
            problems.append(
                Problem("no such recording", got=recording_id, repair=nearest(recording_id, known))
            )
            continue
        own = notes[notes["recording_id"].astype(str).eq(recording_id)]
        own = own[(own["offset_s"] > begin) & (own["onset_s"] < end)].sort_values("onset_s")
        if own.empty:
            problems.append(Problem("no note sounds there", got=text, repair="Choose another stretch"))
            continue
        own = own.assign(place=np.nan).reset_index(drop=True)
        takes.append(Take(recording_id, begin, end, _row_name(own.iloc[0]), own))
    if len(texts) < 2:
        problems.append(
            Problem(
                "a passage is compared between at least two takes", got=str(len(texts)),
                repair="Give --take twice or more",
            )
        )  # fmt: skip
    if len(texts) > MOST_TAKES:
        problems.append(Problem(f"at most {MOST_TAKES} takes stand on a page", got=str(len(texts))))
    raise_any(problems)
    return takes


def passage_ribbons(
    lines: Mapping[str, pd.DataFrame], takes: Sequence[Take], size: str = "column", title: str = ""
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw takes under each other.

    Parameters
    ----------
    lines : mapping of str to DataFrame
        recording_id to its measured line: ``time_s, f0_hz, level_db``.
    takes : sequence of Take
        From :func:`takes_of_bars` or :func:`takes_by_hand`.
    size : {"column", "slide"}
        What the figure is for.
    title : str
        Of what: piece and bars.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The notes drawn: ``name, recording_id, note_id, place, midi, rate_hz, extent_cents`` and times.
    """
    written = all(take.notes["place"].notna().all() for take in takes)
    left, width = _columns(takes) if written else (None, None)
    ribbons = [_ribbons(lines[take.recording_id], take, left, width) for take in takes]
    reach = max([_LEAST_REACH_CENTS, *(1.15 * _swing(cents) for own in ribbons for _, cents, _ in own)])
    with house_style(size) as page:
        figure = page.figure(0.14 + 0.2 * len(takes))
        axes = np.atleast_1d(figure.subplots(len(takes), 1, sharex=True, sharey=True))
        for axis, take, own in zip(axes, takes, ribbons, strict=True):
            for x, cents, share in own:
                points = np.column_stack([x, cents])
                widths = page.line_pt * np.maximum(THICKEST * share, THINNEST)[:-1]
                axis.add_collection(
                    LineCollection(
                        list(np.stack([points[:-1], points[1:]], axis=1)),
                        linewidths=widths, colors=COLOURS[0], capstyle="round",
                    )
                )  # fmt: skip
            axis.axhline(0, color=FAINT, lw=0.5 * page.line_pt, zorder=0)
            axis.set(ylim=(-1.2 * reach, 1.2 * reach))
            axis.set_title(take.name, fontsize=page.small_pt, pad=1.5)
        if written and left is not None and width is not None:
            _name_notes(axes, takes, left, width, page)
            axes[-1].set_xlabel("Written notes")
        else:
            longest = max(take.to_s - take.from_s for take in takes)
            axes[-1].set(xlabel="Time (s)", xlim=(0.0, longest))
        figure.supylabel("Pitch about each note's mean (cents)", fontsize=page.small_pt)
        figure.caption = (
            f"{title + ': the' if title else 'The'} same passage in {len(takes)} recordings"
            f"{', notes at their written places' if written else ''}. Ribbons: pitch about each note's mean, "
            f"as thick as it is loud. {EXTENT_NOTE}"
        )
    rows = pd.concat([take.notes.assign(name=take.name) for take in takes], ignore_index=True)
    wanted = ["name", "recording_id", "note_id", "measure", "beat", "place", "midi", "onset_s", "offset_s"]
    wanted += ["has_vibrato", "rate_hz", "rate_se_hz", "extent_cents", "extent_se_cents"]
    return figure, rows[[name for name in wanted if name in rows]]


def _columns(takes: Sequence[Take]) -> tuple[np.ndarray, np.ndarray]:
    """Left edge and width of each written note: the median of what players make of it, in s."""
    notes = pd.concat([take.notes for take in takes], ignore_index=True)
    notes = notes.assign(lasts=notes["offset_s"] - notes["onset_s"])
    count = int(notes["place"].max()) + 1
    width = notes.groupby("place")["lasts"].median().reindex(range(count)).to_numpy(float)
    width = np.where(np.isnan(width), np.nanmedian(width), width)
    return np.concatenate([[0.0], np.cumsum(width)[:-1]]), width


def _swing(cents: np.ndarray) -> float:
    """How far a note goes from its mean: of each note, lest the one wide vibrato of a passage be cut off.

    Its first and last tenth, where the pitch comes from one note and goes to the next, do not count.
    """
    edge = len(cents) // 10
    return float(np.percentile(np.abs(cents[edge : len(cents) - edge]), 97))


def _ribbons(
    line: pd.DataFrame, take: Take, left: np.ndarray | None, width: np.ndarray | None
) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Place, cents and share of loudness of each note of a take."""
    part = line[line["time_s"].between(take.from_s, take.to_s) & line["f0_hz"].notna()]
    loudest = float(part["level_db"].max()) if len(part) else 0.0
    out = []
    for row in take.notes.to_dict("records"):
        own = part[part["time_s"].between(row["onset_s"], row["offset_s"])]
        if len(own) < 3:
            continue
        time_s, f0_hz = own["time_s"].to_numpy(float), own["f0_hz"].to_numpy(float)
        cents = to_cents(f0_hz, np.exp(np.mean(np.log(f0_hz))))
        share = np.clip((own["level_db"].to_numpy(float) - loudest) / DB_TO_NOTHING + 1.0, 0.0, 1.0)
        if left is not None and width is not None:
            lasts = max(float(row["offset_s"] - row["onset_s"]), 1e-9)
            x = left[row["place"]] + width[row["place"]] * (time_s - row["onset_s"]) / lasts
        else:
            x = time_s - take.from_s
        out.append((x, cents, np.nan_to_num(share)))
    return out


def _name_notes(axes: Any, takes: Sequence[Take], left: np.ndarray, width: np.ndarray, page: Any) -> None:
    """Names of the written notes below the last row, and a line at every bar."""
    notes = pd.concat([take.notes for take in takes], ignore_index=True).drop_duplicates("place")
    notes = notes.sort_values("place")
    middle = left + 0.5 * width
    total = float(left[-1] + width[-1])
    apart = 3.2 * page.small_pt / 72 / page.width_in * total  # a name is about three letters wide
    ticks, last = [], -np.inf
    for place in notes["place"].astype(int):
        if middle[place] - last >= apart:
            ticks.append(place)
            last = middle[place]
    names = dict(zip(notes["place"].astype(int), notes["written_midi"], strict=True))
    axes[-1].set_xticks([middle[place] for place in ticks], [note_name(names[place]) for place in ticks])
    axes[-1].set_xlim(0.0, total)
    bars = notes["measure"].astype(int).to_numpy()
    for edge in left[np.flatnonzero(np.diff(bars)) + 1]:
        for axis in axes:
            axis.axvline(edge, color=INK, lw=0.4 * page.line_pt)
