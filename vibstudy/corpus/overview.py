"""What a study holds and what is measured of it, in words and a table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
from rich.console import RenderableType
from rich.table import Table

from vibstudy.corpus.manifest import read_manifest
from vibstudy.corpus.settings import Settings
from vibstudy.corpus.store import Store, recordings_of
from vibstudy.errors import VibstudyError, nearest
from vibstudy.terminal import cell

_SHOWN = 10
"""Recordings named for each reason."""


def coverage(recordings: pd.DataFrame, group: str = "region") -> pd.DataFrame:
    """Players and recordings in each decade and group.

    Parameters
    ----------
    recordings : DataFrame
        One row a recording: ``decade, player`` and the group.

    Returns
    -------
    DataFrame
        Indexed by decade and group, sorted; `players`, `recordings`.
    """
    groups = recordings.groupby(["decade", group], sort=True, observed=True)["player"]
    return pd.DataFrame({"players": groups.nunique(), "recordings": groups.size()})


def coverage_table(manifest: pd.DataFrame) -> Table:
    """The coverage, decades down and regions across. Excluded rows do not count."""
    counts = coverage(manifest[~manifest["exclude"]])
    words = counts["recordings"].astype(str) + " (" + counts["players"].astype(str) + ")"
    wide = words.unstack(fill_value="-")
    table = Table(title="Recordings (players)", title_justify="left")
    table.add_column("decade", justify="right")
    for region in wide:
        table.add_column(cell(str(region)), justify="right")
    for decade, cells in zip(wide.index, wide.to_numpy().tolist(), strict=True):
        table.add_row(str(decade), *cells)
    return table


@dataclass
class State:
    """Where a study stands.

    Parameters
    ----------
    measured : list of str
        Recordings whose stored figures hold.
    excluded : int
        Recordings excluded in the manifest.
    waiting, failed : dict
        Recordings to be measured, and those that failed last time, each with the reason.
    absent : dict
        Recordings of which a file is not where the manifest says; each with the first such file. What was
        measured of them before still holds.
    notes : int
        Notes in the measured recordings.
    """

    measured: list[str] = field(default_factory=list)
    excluded: int = 0
    waiting: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    absent: dict[str, str] = field(default_factory=dict)
    notes: int = 0


def state(manifest: pd.DataFrame, base: Path, out: Path, settings: Settings) -> State:
    """Compare what is stored with the manifest, the files and the settings."""
    store = Store(out)
    recordings = recordings_of(manifest, base)
    found = State(excluded=len(manifest) - len(recordings))
    for recording in recordings:
        plan = store.plan(recording, settings)
        name = recording.recording_id
        gone = next((path for path in recording.files.values() if not Path(path).exists()), None)
        if gone is not None:
            found.absent[name] = gone
        if plan.entry is not None and plan.entry.failed:
            found.failed[name] = plan.entry.message
        elif plan.reason or plan.entry is None:
            found.waiting[name] = plan.reason
        else:
            found.measured.append(name)
            found.notes += plan.entry.notes or 0
    return found


def overview(manifest: Path, out: Path, settings: Settings) -> Iterator[RenderableType]:
    """The state of a study, ready to be printed part by part."""
    frame = read_manifest(manifest)
    found = state(frame, manifest.absolute().parent, out, settings)
    yield coverage_table(frame)
    yield _players(frame)
    yield ""
    total = len(frame) - found.excluded
    yield f"{len(found.measured):,} of {total:,} recordings measured: {found.notes:,} notes"
    if found.excluded:
        yield f"{found.excluded:,} excluded in the manifest"
    if found.absent:
        yield f"Files that are not there ({len(found.absent):,}): mend the manifest, or bring the disk back"
        yield from _first(f"  {name}: {path}" for name, path in found.absent.items())
    if found.waiting:
        yield f"To be measured ({len(found.waiting):,}):"
        yield from _by_reason(found.waiting)
    if found.failed:
        yield f"Failed last time ({len(found.failed):,}):"
        yield from (f"  {name}: {reason}" for name, reason in found.failed.items())
    if found.waiting or found.failed:
        yield f"Next: vibstudy measure {manifest}"


def _first(lines: Iterable[str]) -> Iterator[str]:
    """The first lines, and how many more there are."""
    shown = list(lines)
    yield from shown[:_SHOWN]
    if len(shown) > _SHOWN:
        yield f"  and {len(shown) - _SHOWN:,} more"


def _players(manifest: pd.DataFrame) -> str:
    counts = manifest.loc[~manifest["exclude"], "player"].value_counts()
    if counts.empty:
        return "Every recording is excluded."
    return f"{len(counts):,} players, with {counts.min()} to {counts.max()} recordings each"


def _by_reason(reasons: dict[str, str]) -> Iterator[str]:
    """A line for each reason, the commonest first, with some of the recordings."""
    names: dict[str, list[str]] = {}
    for name, reason in reasons.items():
        names.setdefault(reason, []).append(name)
    for reason, group in sorted(names.items(), key=lambda item: -len(item[1])):
        more = f" and {len(group) - _SHOWN:,} more" if len(group) > _SHOWN else ""
        yield f"  {reason}: {', '.join(group[:_SHOWN])}{more}"


def explain_recording(manifest: Path, out: Path, settings: Settings, name: str) -> str:
    """Why one recording would be measured (again), or that it would not."""
    recordings = recordings_of(read_manifest(manifest), manifest.absolute().parent)
    by_name = {recording.recording_id: recording for recording in recordings}
    if name not in by_name:
        raise VibstudyError(
            "the manifest has no such recording, or it is excluded",
            str(manifest),
            column="recording_id",
            got=name,
            repair=nearest(name, list(by_name)),
        )
    plan = Store(out).plan(by_name[name], settings)
    if not plan.reason and plan.entry is not None:
        return f"{name}: up to date, measured {plan.entry.finished_at} ({plan.entry.notes} notes)"
    return f"{name} would be measured: {plan.reason}"
