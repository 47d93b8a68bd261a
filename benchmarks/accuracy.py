"""Accuracy of rate and extent beside the usual routes, on the same signals, in one run.

    uv run python -m benchmarks.accuracy [--cells 160] [--repeats 4] [--seed 1] [--out docs/tables]
    uv run python -m benchmarks.accuracy --usual-cells 0 --repeats 8    (this tool alone, more surely)

Every cell is a tone of 12 harmonics in white noise: rate 3.5-8 Hz, extent 3-120 cents (HALF of
peak-to-peak), pitch 110-1200 Hz, SNR 40/20/10 dB, sine or triangle, level modulation 0 or 3 dB,
0.5-3 s. The usual route is a sinusoid fitted to a tracker's contour. Errors are compared with the
Cramér-Rao bound (numeric Fisher information of the full harmonic model, ``tests/signals.py``). Speed is CPU
time of one core against the length of the sound; peak memory is that of a process of its own for each method.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from rich.console import Console
from rich.table import Table
from scipy.optimize import minimize_scalar
from threadpoolctl import threadpool_limits

from benchmarks.speed import peak_rss_mb
from tests.signals import RATE_HZ, Tone, bound, tone
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.vibrato.note import measure_note

EDGE_S = 0.01
OURS, CONTOUR = "vibstudy", " contour"
USUAL = ("pyin", "swift-f0", "crepe-tiny", "crepe-full")
EVERY = {"crepe-full": 4}
"""Of the cells that the usual routes see, a slow one sees every so many."""


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


def ours(sound: Tone) -> dict[str, float]:
    """Rate and extent by this tool, with their errors."""
    contour = track_line(sound.samples, RATE_HZ)
    line = refine_note(sound.samples, RATE_HZ, contour, sound.onset_s + EDGE_S, sound.offset_s - EDGE_S)
    got = measure_note(line)[0] if line is not None else {}
    names = {
        "rate": "rate_hz",
        "extent": "extent_cents",
        "rate_se": "rate_se_hz",
        "extent_se": "extent_se_cents",
    }
    return {name: got.get(column, np.nan) for name, column in names.items()}


def usual(sound: Tone, tracker: str) -> dict[str, float]:
    """Rate and extent of the sinusoid on a tracker's contour."""
    rate, extent = sine_on_contour(track_line(sound.samples, RATE_HZ, tracker), sound)
    return {"rate": rate, "extent": extent}


def measured(sound: Tone, method: str) -> dict[str, float]:
    """What a method finds, and the CPU seconds it takes for a second of sound."""
    begin = time.process_time()
    found = ours(sound) if method == OURS else usual(sound, method.removesuffix(CONTOUR))
    spent = time.process_time() - begin
    return found | {"cpu_s_per_s": spent * RATE_HZ / len(sound.samples)}


def run(count: int, repeats: int, usual_cells: int, seed: int) -> pd.DataFrame:
    """Measure; one row a signal and method."""
    rng = np.random.default_rng(seed)
    rows = []
    methods = method_names() if usual_cells else [OURS]
    for method in methods:  # what is loaded once does not count
        measured(tone(rng), method)
    for number, cell in enumerate(cells(count, rng).to_dict("records")):
        limits = {k: v for k, v in cell.items() if k != "level_db"}
        limits["duration_s"] -= 2 * EDGE_S
        rate_bound, extent_bound = bound(**limits)
        known = cell | {"cell": number, "rate_bound": rate_bound, "extent_bound": extent_bound}
        for repeat in range(repeats):
            sound = tone(rng, **cell)
            # the usual routes are slow: one signal a cell
            seen = [m for m in methods if m == OURS or (repeat == 0 and _sees(m, number, usual_cells))]
            rows += [known | {"method": method} | measured(sound, method) for method in seen]
    return pd.DataFrame(rows)


def _sees(method: str, cell: int, usual_cells: int) -> bool:
    return cell < usual_cells and cell % EVERY.get(method.removesuffix(CONTOUR), 1) == 0


def method_names() -> list[str]:
    """This tool, and the trackers whose weights are installed."""
    return [OURS, *(name + CONTOUR for name in USUAL if _available(name))]


def _peak(method: str, result: multiprocessing.Queue) -> None:
    with threadpool_limits(limits=1):
        measured(tone(np.random.default_rng(0), duration_s=3.0), method)
    result.put(peak_rss_mb())


def peak_mb(method: str) -> float:
    """Peak memory of a process that measures one tone of three seconds, MB."""
    context = multiprocessing.get_context("spawn")
    result = context.Queue()
    process = context.Process(target=_peak, args=(method, result))
    process.start()
    found = float(result.get())
    process.join()
    return found


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
            "speed (x real time, one core)": 1 / every["cpu_s_per_s"].median(),
        }
    return pd.DataFrame(out).T


def by_method_and_rate(rng: np.random.Generator) -> pd.DataFrame:
    """What each method makes of ± 35 cents at 330 Hz and 30 dB, by rate."""
    rows = []
    for number, rate in enumerate(np.arange(3.5, 8.6, 0.5)):
        sound = tone(rng, f0_hz=330.0, rate_hz=rate, extent_cents=35.0, duration_s=2.0, snr_db=30.0)
        for method in method_names():
            if method.removesuffix(CONTOUR) not in EVERY or number % 2 == 0:
                rows.append((method, rate, measured(sound, method)["extent"]))
    frame = pd.DataFrame(rows, columns=["method", "rate_hz", "extent_cents"])
    return frame.sort_values("method", key=lambda names: names.map(method_names().index), kind="stable")


def draw(frame: pd.DataFrame, path: Path) -> None:
    """Figure: extent measured by each method against rate, with the truth."""
    from vibstudy.figures.style import house_style, legend_below, looks

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
    parser.add_argument("--usual-cells", type=int, default=40, help="cells for the usual routes; 0: none")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=None)
    args = parser.parse_args()
    with threadpool_limits(limits=1):
        rows = run(args.cells, args.repeats, args.usual_cells, args.seed)
    table = summary(rows)
    table["peak memory (MB)"] = [peak_mb(method) for method in table.index]
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
