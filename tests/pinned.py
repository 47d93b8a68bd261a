"""Figures that must not change unnoticed: cases, what is stored of them, and how both are compared.

    uv run python -m tests.pinned            # compute all cases and store their figures
    uv run python -m tests.pinned NAME ...   # only these, to see what would change

A *case* is an invented take (:mod:`tests.pinned_takes`), a question to the statistics
(:mod:`tests.pinned_statistics`, :mod:`tests.pinned_thresholds`) or a step asked alone over a grid
(:mod:`tests.pinned_grids`, :mod:`tests.pinned_steps`, :mod:`tests.pinned_edges`) and gives figures by name.
Stored in ``tests/reference/pinned.csv`` they say nothing of the truth; the other tests do. They say that a
figure changed. Who changes a method on purpose raises ``METHOD_VERSION`` and stores them again; who did not
mean to, looks for what went wrong.

Numbers are the same when they differ by :data:`RELATIVE` of their size at most, or are both below
:data:`NOTHING`: another processor rounds otherwise. Figures that stand on an edge are not compared: stored as
``~`` is what changed by more when every sample (or value) was moved by :data:`JITTER` of the loudest, or when
products of matrices were rounded as another processor does (:data:`PROCESSORS`, each in a child process).
"""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

STORE = Path(__file__).parent / "reference" / "pinned.csv"
RELATIVE, JITTER = 1e-4, 1e-9
NOTHING = 1e-12
"""What is left where numbers up to some thousands cancel (2**-52 of each): a slope of none."""

UNSTEADY = "~"
MORE = "others"
"""What tells that a case has further figures, not there in every run: their number is on an edge."""
PROCESSORS = ("Haswell", "Nehalem")
"""Kernels of OpenBLAS, with and without fused sums, that run on what is in use; it ignores them elsewhere."""


def names() -> list[str]:
    """Names of all cases."""
    from tests import pinned_edges, pinned_grids, pinned_statistics, pinned_takes  # noqa: F401

    takes = [f"take: {name}" for name in pinned_takes.TAKES]
    return [*takes, *pinned_statistics.CASES, *pinned_grids.CASES]


def figures(name: str, jitter: float = 0.0) -> dict[str, str]:
    """Compute a case; its figures as texts."""
    if name.startswith("take: "):
        from tests.pinned_takes import TAKES

        return _of_take(TAKES[name.removeprefix("take: ")], name.removeprefix("take: "), jitter)
    from tests import pinned_edges, pinned_grids, pinned_statistics  # noqa: F401

    return flat((pinned_statistics.CASES | pinned_grids.CASES)[name](jitter))


def _of_take(take: Any, name: str, jitter: float) -> dict[str, str]:
    from vibstudy.corpus.settings import settings_from
    from vibstudy.recording import measure_file

    with tempfile.TemporaryDirectory() as folder:
        path, cells = take.write(Path(folder), name.replace(" ", "-"), jitter)
        settings = settings_from({key: cells.pop(key) for key in ("tracker",) if key in cells})
        result = measure_file(path, settings, {"recording_id": name, **cells})
    out = {"notes": text(len(result.notes))}
    for number, row in enumerate(result.notes.to_dict("records"), start=1):
        out |= {f"note {number} {column}": text(value) for column, value in row.items()}
    passed = ("audio_sha256", "wow_cycle")
    out |= {name: text(value) for name, value in result.recording.items() if name not in passed}
    line = result.line
    for column in ("time_s", "f0_hz", "level_db"):
        middle = line.groupby("note_number")[column].agg(["first", "mean", "std"])
        out |= flat({f"line {column}": middle})
    return out


def flat(found: Any, name: str = "") -> dict[str, str]:
    """Figures of nested tables, mappings and sequences, named by their place."""
    if isinstance(found, pd.DataFrame):
        found = {str(i): row for i, row in zip(found.index, found.to_dict("records"), strict=True)}
    elif isinstance(found, pd.Series):
        found = {str(i): value for i, value in found.items()}
    elif isinstance(found, np.ndarray):
        found = found.tolist()
    if isinstance(found, Mapping):
        items = [(str(key), value) for key, value in found.items()]
    elif isinstance(found, list | tuple):
        items = [(str(i), value) for i, value in enumerate(found)]
    else:
        return {name: text(found)}
    return {k: v for key, value in items for k, v in flat(value, f"{name} {key}".strip()).items()}


def text(value: Any) -> str:
    """A figure as it is stored."""
    if isinstance(value, bool | np.bool_):
        return str(bool(value))
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else f"{value:.7g}"
    return "" if value is None or value is pd.NA else " ".join(str(value).split())


def same(stored: str, now: str) -> bool:
    """Whether a figure is what it was."""
    if stored in (now, UNSTEADY):
        return True
    try:
        was, found = float(stored), float(now)
    except ValueError:
        return False
    larger = max(abs(was), abs(found))
    return larger < np.inf and (abs(was - found) <= RELATIVE * larger or larger < NOTHING)


def differences(stored: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """What is not as it was."""
    return [
        f"{key}: {stored.get(key, 'nothing')} -> {now.get(key, 'nothing')}"
        for key in (stored | dict(now))
        if stored.get(key, stored.get(MORE)) != UNSTEADY
        and (key not in stored or key not in now or not same(stored[key], now[key]))
    ]


def stored() -> dict[str, dict[str, str]]:
    """What is stored, by case."""
    out: dict[str, dict[str, str]] = {}
    with STORE.open(encoding="utf-8", newline="") as stream:
        for case, name, value in csv.reader(stream):
            out.setdefault(case, {})[name] = value
    return out


def elsewhere(names: Iterable[str], processor: str) -> dict[str, dict[str, str]]:
    """Figures of cases as another processor rounds them."""
    code = "import json, sys; from tests import pinned; "
    code += "print(json.dumps({name: pinned.figures(name) for name in sys.argv[1:]}))"
    environment = os.environ | {"OPENBLAS_CORETYPE": processor}
    child = subprocess.run(
        [sys.executable, "-c", code, *names], env=environment, stdout=subprocess.PIPE, check=True, text=True
    )
    return json.loads(child.stdout.splitlines()[-1])


def steady(plain: Mapping[str, str], *others: Mapping[str, str]) -> dict[str, str]:
    """Figures of a case, those marked that come out otherwise where it is computed anew."""
    shared = [key for key in plain if all(key in other for other in others)]
    more = {MORE: UNSTEADY} if any(len(run) > len(shared) for run in (plain, *others)) else {}
    return {
        key: plain[key] if all(same(plain[key], other[key]) for other in others) else UNSTEADY
        for key in shared
    } | more


def kept(stored: Mapping[str, str], now: Mapping[str, str]) -> dict[str, str]:
    """Figures to store: as they stand where only rounding moved them."""
    return {
        key: stored[key]
        if UNSTEADY not in (value, stored.get(key, UNSTEADY)) and same(stored[key], value)
        else value
        for key, value in now.items()
    }


def main() -> None:
    """Store the figures, or show what would change."""
    asked = sys.argv[1:]
    before = stored() if STORE.is_file() else {}
    found = {}
    wanted = [name for name in names() if not asked or name in asked]
    others = [elsewhere(wanted, processor) for processor in PROCESSORS]
    for name in wanted:
        moved = [figures(name, JITTER), *(other[name] for other in others)]
        found[name] = steady(figures(name), *moved)
        changed = differences(before.get(name, {}), found[name])
        unsteady = sum(value == UNSTEADY for value in found[name].values())
        print(
            f"{name}: {len(found[name])} figures, {unsteady} on an edge, {len(changed)} changed", flush=True
        )
        for line in changed[:10] if name in before else []:
            print(f"  {line}")
    if not asked:
        with STORE.open("w", encoding="utf-8", newline="") as stream:
            rows = csv.writer(stream, lineterminator="\n")
            rows.writerows(
                (case, key, value)
                for case, values in found.items()
                for key, value in kept(before.get(case, {}), values).items()
            )


if __name__ == "__main__":
    main()
