"""Does our own solver reach what the package mixedlm reaches, and in what time?

Simulated corpora of every kind the tool fits: with and without slopes (correlated or not), crossed pieces,
variances at zero, unbalanced; and one of 93,000 notes with crossed pieces. The deviance is computed by
:mod:`vibstudy.stats.moments` at both optima.

    python -m benchmarks.solvers --fits 305
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Sequence

import numpy as np
import pandas as pd

from vibstudy.stats.engine import fit_lmm, polish
from vibstudy.stats.moments import Moments
from vibstudy.stats.terms import RandomTerm, random_intercepts, unpack


def lme4_frame(y: np.ndarray, x: np.ndarray, terms: Sequence[RandomTerm]) -> tuple[pd.DataFrame, str]:
    """Columns with plain names, and lme4's formula over them."""
    columns: dict[str, np.ndarray] = {"y": y}
    fixed = []
    for k in range(x.shape[1]):
        columns[f"x{k}"] = x[:, k]
        fixed.append(f"x{k}")
    bars = []
    for k, term in enumerate(terms):
        columns[f"g{k}"] = np.array([f"l{code:06d}" for code in range(len(term.levels))])[term.codes]
        names = []
        for column in range(len(term.columns)):
            columns[f"z{k}c{column}"] = term.design[:, column]
            names.append(f"z{k}c{column}")
        if all(name == "Intercept" for name in term.columns):
            bars.append(f"(1|g{k})")
        else:
            bar = "|" if term.correlated else "||"
            bars.append(f"(0 + {' + '.join(names)} {bar} g{k})")
    return pd.DataFrame(columns), f"y ~ 0 + {' + '.join(fixed)} + {' + '.join(bars)}"


def corpus(
    rng: np.random.Generator, players: int, most_recordings: int, most_notes: int
) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    """One drawn corpus: outcome, design and random part."""
    rows: list[tuple[int, str]] = []
    for p in range(players):
        for r in range(int(rng.integers(1, most_recordings))):
            rows += [(p, f"{p}/{r}")] * int(rng.integers(2, most_notes))
    player = np.array([p for p, _ in rows])
    recording = pd.factorize(pd.Series([r for _, r in rows]))[0]
    n, recordings = len(rows), recording.max() + 1
    by_note = rng.normal(size=n)
    by_recording = rng.integers(0, 5, recordings)[recording].astype(float)
    x = by_note if rng.random() < 0.5 else by_recording
    piece = rng.integers(0, 8, n)
    sd = rng.choice([0.0, 0.05, 0.3], 4)
    y = 0.3 * rng.normal(size=n) + (sd[0] * rng.normal(size=players))[player]
    y += (sd[1] * rng.normal(size=players))[player] * x + (sd[2] * rng.normal(size=recordings))[recording]
    y += (sd[3] * rng.normal(size=8))[piece]
    names = [str(p) for p in range(players)]
    terms = [random_intercepts("player", player, names)]
    if rng.random() < 0.5:
        design = np.column_stack([np.ones(n), x - x.mean()])
        correlated = bool(rng.random() < 0.5)
        terms = [RandomTerm("player", player, tuple(names), ("Intercept", "x"), design, correlated)]
    terms.append(random_intercepts("recording", recording, [str(r) for r in range(recordings)]))
    if rng.random() < 0.5:
        terms.append(random_intercepts("piece", piece, [str(k) for k in range(8)]))
    return y, np.column_stack([np.ones(n), x]), terms


def compare(y: np.ndarray, x: np.ndarray, terms: list[RandomTerm]) -> tuple[float, float, float, bool]:
    """Deviance of ours less the library's, CPU seconds of both, and whether ours says it converged."""
    import mixedlm

    started = time.process_time()
    ours = fit_lmm(y, x, terms)
    own_s = time.process_time() - started
    started = time.process_time()
    frame, formula = lme4_frame(y, x, terms)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theta = np.asarray(mixedlm.lmer(formula, frame, REML=True).theta, float)
    library_s = time.process_time() - started
    other = polish(Moments.of(y, x, terms), unpack(terms, theta))[0]
    return ours.solution.deviance - other.deviance, own_s, library_s, ours.converged


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fits", type=int, default=305)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    rng = np.random.default_rng(arguments.seed)
    found = np.array([compare(*corpus(rng, int(rng.integers(6, 30)), 7, 30)) for _ in range(arguments.fits)])
    print(
        f"{len(found)} fits: ours higher by more than 1e-4 in {np.sum(found[:, 0] > 1e-4)}, lower "
        f"in {np.sum(found[:, 0] < -1e-4)}, not converged {np.sum(found[:, 3] == 0)}; CPU "
        f"{found[:, 1].sum():.1f} s against {found[:, 2].sum():.1f} s"
    )
    y, x, terms = corpus(rng, 120, 11, 290)
    piece = rng.integers(0, 30, len(y))
    terms = [*terms[:2], random_intercepts("piece", piece, [str(k) for k in range(30)])]
    difference, own_s, library_s, converged = compare(y, x, terms)
    print(
        f"{len(y)} notes, pieces crossed: deviance differs by {difference:.1e}, converged {bool(converged)}; "
        f"CPU {own_s:.1f} s against {library_s:.1f} s"
    )


if __name__ == "__main__":
    main()
