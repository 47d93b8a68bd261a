"""Accuracy of rate and extent beside the usual routes, on the same signals, in one run.

    uv run python benchmarks/accuracy.py [--cells 160] [--repeats 4] [--seed 1] [--out docs/tables]

Every cell is a tone of 12 harmonics in white noise: rate 3.5-8 Hz, extent 3-120 cents (HALF of
peak-to-peak), pitch 110-1200 Hz, SNR 40/20/10 dB, sine or triangle, level modulation 0 or 3 dB,
0.5-3 s. The usual route is a sinusoid fitted to a tracker's contour. Errors are compared with the
Cramér-Rao bound (numeric Fisher information of the full harmonic model, ``tests/signals.py``).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from rich.console import Console
from rich.table import Table
from scipy.optimize import minimize_scalar

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from signals import RATE_HZ, Tone, bound, tone
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.vibrato.note import measure_note

EDGE_S = 0.01
USUAL = ("pyin", "swift-f0", "crepe-tiny", "crepe-full")


def cells(count: int, rng: np.random.Generator) -> pd.DataFrame:
    """Cells of the grid, drawn without order."""
    grid = pd.MultiIndex.from_product(
        [
            (3.5, 5.0, 6.5, 8.0),
            (3.0, 10.0, 35.0, 120.0),
            (110.0, 233.0, 440.0, 1200.0),
            (40.0, 20.0, 10.0),
            (False, True),
            (0.0, 3.0),
            (0.5, 0.8, 1.5, 3.0),
        ],
        names=["rate_hz", "extent_cents", "f0_hz", "snr_db", "triangle", "level_db", "duration_s"],
    ).to_frame(index=False)
    return grid.iloc[rng.permutation(len(grid))[:count]].reset_index(drop=True)


def sine_on_contour(contour: Contour, sound: Tone) -> tuple[float, float]:
    """Rate and extent of a sinusoid with quadratic drift fitted to a tracker's contour."""
    inside = (contour.time_s > sound.onset_s) & (contour.time_s < sound.offset_s) & contour.voiced
    t, cents = contour.time_s[inside], 1200 * np.log2(contour.f0_hz[inside])
    if len(t) < 8:
        return np.nan, np.nan
    u = (t - t.mean()) / np.ptp(t)

    def rest(rate: float) -> tuple[float, np.ndarray]:
        w = 2 * np.pi * rate * t
        x = np.stack([np.cos(w), np.sin(w), np.ones_like(u), u, u**2], axis=1)
        beta, *_ = np.linalg.lstsq(x, cents, rcond=None)
        return float(np.sum((cents - x @ beta) ** 2)), beta

    rates = np.arange(3.0, 10.0, 0.1)
    best = rates[np.argmin([rest(rate)[0] for rate in rates])]
    found = minimize_scalar(lambda r: rest(r)[0], bounds=(best - 0.15, best + 0.15), method="bounded")
    return float(found.x), float(np.hypot(*rest(found.x)[1][:2]))


def run(count: int, repeats: int, usual_cells: int, seed: int) -> pd.DataFrame:
    """Measure; one row a signal and method."""
    rng = np.random.default_rng(seed)
    rows = []
    grid = cells(count, rng)
    trackers = [name for name in USUAL if _available(name)]
    for number, cell in enumerate(grid.to_dict("records")):
        limits = {k: v for k, v in cell.items() if k != "level_db"}
        limits["duration_s"] -= 2 * EDGE_S
        rate_bound, extent_bound = bound(**limits)
        for repeat in range(repeats):
            sound = tone(rng, **cell)
            contour = track_line(sound.samples, RATE_HZ)
            line = refine_note(
                sound.samples, RATE_HZ, contour, sound.onset_s + EDGE_S, sound.offset_s - EDGE_S
            )
            got = measure_note(line)[0] if line is not None else {}
            rows.append(
                cell
                | {
                    "cell": number,
                    "method": "vibstudy",
                    "rate": got.get("rate_hz", np.nan),
                    "extent": got.get("extent_cents", np.nan),
                    "rate_se": got.get("rate_se_hz", np.nan),
                    "extent_se": got.get("extent_se_cents", np.nan),
                    "rate_bound": rate_bound,
                    "extent_bound": extent_bound,
                }
            )
            if number < usual_cells and repeat == 0:  # the usual routes are slow: one signal a cell
                for name in trackers:
                    other = contour if name == "swift-f0" else track_line(sound.samples, RATE_HZ, name)
                    rate, extent = sine_on_contour(other, sound)
                    rows.append(
                        cell
                        | {
                            "cell": number,
                            "method": f"{name} contour",
                            "rate": rate,
                            "extent": extent,
                            "rate_bound": rate_bound,
                            "extent_bound": extent_bound,
                        }
                    )
    return pd.DataFrame(rows)


def _available(name: str) -> bool:
    from vibstudy.errors import VibstudyError

    try:
        track_line(np.zeros(RATE_HZ, dtype=np.float32), RATE_HZ, name)
    except VibstudyError:
        return False
    return True


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a method: bias, RMSE, over the bound, coverage."""
    rows = rows.assign(
        rate_error=rows["rate"] - rows["rate_hz"],
        extent_error=rows["extent"] - rows["extent_cents"],
    )
    out = {}
    for method, every in rows.groupby("method", sort=False):
        part = every[every["rate"].notna()]
        cell = part.groupby("cell")
        rmse = cell[["rate_error", "extent_error"]].agg(lambda e: np.sqrt(np.nanmean(e**2)))
        clean = part[(part["snr_db"] >= 20) & (part["duration_s"] >= 0.8)]
        bias = clean.groupby("cell")[["rate_error", "extent_error"]].mean()
        allowed = np.maximum(0.005 * clean.groupby("cell")["extent_cents"].first(), 0.3)
        out[method] = {
            "signals": len(every),
            "found": every["rate"].notna().mean(),
            "extent bias, median (cents)": part["extent_error"].median(),
            "extent RMSE, median cell (cents)": rmse["extent_error"].median(),
            "rate RMSE, median cell (Hz)": rmse["rate_error"].median(),
            "extent RMSE / bound, median": (rmse["extent_error"] / cell["extent_bound"].first()).median(),
            "rate RMSE / bound, median": (rmse["rate_error"] / cell["rate_bound"].first()).median(),
            "cells within bias limits": float(
                ((bias["extent_error"].abs() <= allowed) & (bias["rate_error"].abs() <= 0.01)).mean()
            ),
            "worst extent bias / limit": float((bias["extent_error"].abs() / allowed).max()),
            "worst rate bias (Hz)": float(bias["rate_error"].abs().max()),
            "extent in 95 % interval": float((part["extent_error"].abs() < 1.96 * part["extent_se"]).mean())
            if "extent_se" in part and part["extent_se"].notna().any()
            else np.nan,
            "rate in 95 % interval": float((part["rate_error"].abs() < 1.96 * part["rate_se"]).mean())
            if "rate_se" in part and part["rate_se"].notna().any()
            else np.nan,
        }
    return pd.DataFrame(out).T


def by_method_and_rate(rng: np.random.Generator) -> pd.DataFrame:
    """What each method makes of ± 35 cents at 330 Hz and 30 dB, by rate."""
    trackers = [name for name in USUAL if _available(name)]
    rows = []
    for rate in np.arange(3.5, 8.6, 0.5):
        sound = tone(rng, f0_hz=330.0, rate_hz=rate, extent_cents=35.0, duration_s=2.0, snr_db=30.0)
        contour = track_line(sound.samples, RATE_HZ)
        line = refine_note(sound.samples, RATE_HZ, contour, sound.onset_s + EDGE_S, sound.offset_s - EDGE_S)
        rows.append(("vibstudy", rate, measure_note(line)[0]["extent_cents"]))
        rows += [
            (f"{name} contour", rate, sine_on_contour(track_line(sound.samples, RATE_HZ, name), sound)[1])
            for name in trackers
        ]
    return pd.DataFrame(rows, columns=["method", "rate_hz", "extent_cents"])


def draw(frame: pd.DataFrame, path: Path) -> None:
    """Figure: extent measured by each method against rate, with the truth."""
    from vibstudy.report.style import house_style, legend_below, looks

    with house_style() as page:
        figure = Figure(figsize=(page.width_in, 3.2), layout="constrained")
        axes = figure.add_subplot()
        axes.axhline(35.0, color="black", linewidth=0.8)
        axes.annotate("truth", (8.5, 35.0), xytext=(0, 3), textcoords="offset points", ha="right")
        names = list(dict.fromkeys(frame["method"]))
        handles = []
        for name, look in looks(names).items():
            part = frame[frame["method"] == name]
            handles += axes.plot(
                part["rate_hz"],
                part["extent_cents"],
                color=look.colour,
                marker=look.marker,
                linestyle=look.line,
                label=name,
            )
        axes.set(xlabel="True rate (Hz)", ylabel="Measured extent (± cents)", ylim=(0, 42))
        legend_below(figure, handles, columns=2)
        figure.savefig(path, dpi=200)


def show(frame: pd.DataFrame, title: str, console: Console) -> None:
    """Print a table, one column a method."""
    table = Table(title=title)
    table.add_column("")
    for name in frame.index:
        table.add_column(str(name), justify="right")
    for quantity in frame.columns:
        table.add_row(quantity, *(f"{value:.4g}" for value in frame[quantity]))
    console.print(table)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, default=160)
    parser.add_argument("--repeats", type=int, default=4)
    parser.add_argument("--usual-cells", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=None)
    args = parser.parse_args()
    rows = run(args.cells, args.repeats, args.usual_cells, args.seed)
    table = summary(rows)
    show(table, "Accuracy on the same tones (extent is half of peak-to-peak)", Console(width=140))
    if args.out:
        args.out.mkdir(parents=True, exist_ok=True)
        table.to_csv(args.out / "accuracy.csv", index_label="method", float_format="%.9g")
        rows.to_csv(args.out / "accuracy_signals.csv", index=False, float_format="%.9g")
        lines = by_method_and_rate(np.random.default_rng(args.seed))
        lines.to_csv(args.out / "extent_by_method.csv", index=False, float_format="%.5g")
        draw(lines, args.out / "extent_by_method.png")


if __name__ == "__main__":
    main()
