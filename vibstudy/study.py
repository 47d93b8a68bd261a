"""A study folder as the notebooks see it: its tables, its sound, and where its figures go.

A notebook opens with ::

    from vibstudy.study import open_study
    study = open_study()

and everything else hangs on ``study``. What a study does not hold (no results yet, no tempo, a single
player) is said in a sentence where it would have stood, never in a traceback: code that may meet such
a gap stands in ``with study.attempt("..."):``.

Which folder: the one named in the call, else the one in the environment variable ``VIBSTUDY_STUDY``,
else the folder above ``notebooks/``, else the working folder.
"""

from __future__ import annotations

import html
import math
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.errors import VibstudyError
from vibstudy.schema import NOTE_COLUMNS, typed
from vibstudy.sound.writing import safe_level
from vibstudy.stats.effects import middle_decade, standard_models

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from vibstudy.stats.fitted import FittedModel
    from vibstudy.stats.mixed import MixedResult

FOLDER_VARIABLE = "VIBSTUDY_STUDY"

_TOO_LARGE = 8.0
"""Log odds, or a standard error of them, beyond which a presence model has nothing to hold on to."""

INVENTED = (
    "This is the demo study. <b>Its players, regions, melodies and recordings are invented</b>, and its "
    "sound is synthesised: nothing here says anything about real playing. It is good for one thing: the "
    "truth is known, so the method can be checked."
)


@dataclass(frozen=True, eq=False)
class Sound:
    """The sound of one recording.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        One channel, full scale = 1.
    rate_hz : float
        Sample rate.
    origin_s : float
        Time of the first sample on the clock of the note table (not 0 when the manifest has start_s).
    """

    samples: np.ndarray
    rate_hz: float
    origin_s: float = 0.0


class Study:
    """A study folder.

    Parameters
    ----------
    folder : str | Path
        The folder that holds ``corpus_manifest.csv``.
    """

    def __init__(self, folder: str | Path):
        self.folder = Path(folder).resolve()
        self._gaps: list[str] = []
        self._about = ""
        self._kept: list[dict[str, Any]] = []

    @property
    def results(self) -> Path:
        """Where the measured tables are."""
        return self.folder / "results"

    @property
    def figures(self) -> Path:
        """Where figures are saved."""
        return self.folder / "figures"

    @property
    def is_demo(self) -> bool:
        """Whether the truth of this study is known, since it is the invented one."""
        return (self.folder / "truth" / "truth.csv").is_file()

    # -- tables -------------------------------------------------------------------------------

    @cached_property
    def _notes(self) -> pd.DataFrame | None:
        from vibstudy.corpus.store import read_notes

        try:
            return read_notes(self.results)
        except (VibstudyError, FileNotFoundError):
            return None

    def notes(self) -> pd.DataFrame:
        """Return the note table with the manifest's tags, one row a note.

        Without results, an empty table with the same columns; the notebook says what to do.
        """
        if self._notes is None or self._notes.empty:
            self.callout(
                "Nothing has been measured in this study yet, so there is little to show. Type "
                "<code>vibstudy measure corpus_manifest.csv --out results</code> in the study's folder and "
                "run this notebook again."
            )
            return _with_tags(typed(pd.DataFrame(), NOTE_COLUMNS))
        return _with_tags(self._notes)

    def recordings(self) -> pd.DataFrame:
        """Return one row a recording of the manifest, with what measuring it found where it was measured."""
        from vibstudy.corpus.store import read_recordings

        manifest = self.manifest()
        try:
            measured = read_recordings(self.results)
        except VibstudyError:
            return manifest
        # What was measured stands above what was given: the tuning used, also where the manifest leaves it
        # open.
        given = [name for name in ("tuning_hz", "speed_factor", "duration_s") if name in measured]
        manifest = manifest.drop(columns=given, errors="ignore")
        known = set(manifest.columns) - {"recording_id"}
        return manifest.merge(
            measured[[name for name in measured if name not in known]], on="recording_id", how="left"
        )

    def manifest(self) -> pd.DataFrame:
        """Return the manifest, one row a recording that is not excluded."""
        from vibstudy.corpus.manifest import read_manifest

        manifest = read_manifest(self.folder / MANIFEST_NAME)
        if "exclude" in manifest:
            manifest = manifest[~manifest["exclude"].fillna(False).astype(bool)]
        return _with_tags(manifest.reset_index(drop=True))

    def truth(self) -> pd.DataFrame | None:
        """Return the true notes of the demo, one row a note; None for a study of real recordings."""
        if not self.is_demo:
            return None
        return pd.read_csv(self.folder / "truth" / "truth.csv", encoding="utf-8")

    def line(self, recording_id: str) -> pd.DataFrame:
        """Return the measured line of a recording: ``time_s, f0_hz, level_db, note_number``."""
        from vibstudy.corpus.store import Store

        return Store(self.results).line(recording_id)

    def quantities(self) -> pd.DataFrame:
        """Return the frame of results: what is counted and averaged, with the rule of which notes count."""
        from vibstudy.figures.quantities import quantities

        return quantities(self.notes(), self.recordings(), ("decade", "region", "medium"))

    # -- sound --------------------------------------------------------------------------------

    def audio(self, recording_id: str) -> Sound:
        """Return the sound of a recording as it was measured: one channel, true speed."""
        from vibstudy.sound.reading import read_audio

        manifest = self.manifest().set_index("recording_id")
        if recording_id not in manifest.index:
            raise VibstudyError("no such recording in the manifest", got=recording_id)
        row: Mapping[Any, Any] = manifest.loc[recording_id].to_dict()

        def number(name: str) -> float | None:
            return float(row[name]) if pd.notna(row.get(name)) else None

        audio = read_audio(
            row["audio_path"], number("start_s"), number("end_s"), number("speed_factor") or 1.0
        )
        return Sound(audio.samples, audio.rate_hz, audio.origin_s)

    def listen(self, sound: Sound, start_s: float, end_s: float, words: str = "") -> None:
        """Show a player for a stretch of `sound`, at a safe level, faded in and out."""
        from IPython.display import Audio, display

        first = max(0, int((start_s - sound.origin_s) * sound.rate_hz))
        last = max(first + 1, int((end_s - sound.origin_s) * sound.rate_hz))
        cut = safe_level(sound.samples[first:last], sound.rate_hz)
        if words:
            self.say(words)
        display(Audio(cut, rate=int(sound.rate_hz), normalize=False))

    # -- what the notebook shows ----------------------------------------------------------------

    def say(self, markdown: str, numbers: Mapping[str, tuple[float, str]] | None = None) -> None:
        """Show a sentence whose numbers were computed.

        Parameters
        ----------
        markdown : str
            The sentence.
        numbers : mapping of str to (float, str) | None
            What of it the frame of results does not hold yet: name, value and unit.
        """
        from IPython.display import Markdown, display

        self._keep_all(numbers)
        display(Markdown(markdown))

    def say_effects(
        self, model: FittedModel, wording: Mapping[str, str], unit: str = "", head: str = ""
    ) -> None:
        """Show each effect of a model in a line under `head` (see :func:`effects_in_words`)."""
        said, own = _scale_of(model, unit)

        def scale(value: float) -> float:
            with np.errstate(over="ignore"):  # odds without an end are no number of the frame
                shown = own(value)
            return shown if np.isfinite(shown) else float("nan")

        for term, row in model.table().iterrows():
            if words := wording.get(str(term)) or model.level_words(str(term)):
                low, high = scale(float(row["low"])), scale(float(row["high"]))
                further = {name: float(row[name]) for name in ("se", "df", "t", "p")}
                if np.isfinite(estimate := scale(float(row["estimate"]))):
                    self._keep("", words, estimate, said, low=low, high=high, **further)
        text = effects_in_words(model, wording, unit)
        self.say(f"{head}\n\n{text}" if head else text)

    def keep(
        self, table: pd.DataFrame, index: bool = False, units: Mapping[str, str] | None = None, of: str = ""
    ) -> None:
        """Put the numbers of a table into the frame of results, as :meth:`show` does."""
        shown = table.reset_index() if index else table
        kinds = pd.api.types
        numbers = [
            name
            for name in shown
            if kinds.is_numeric_dtype(shown[name]) and not kinds.is_bool_dtype(shown[name])
        ]
        texts = shown.drop(columns=numbers).astype("string").fillna("").to_numpy().tolist()
        for name in map(str, numbers):
            unit = (units or {}).get(name) or unit_of(name)
            for cells, value in zip(texts, shown[name], strict=True):
                if pd.notna(value):
                    self._keep(", ".join(filter(None, (of, *cells))), name, float(value), unit)

    def _keep_all(self, numbers: Mapping[str, tuple[float, str]] | None) -> None:
        for name, (value, unit) in (numbers or {}).items():
            if np.isfinite(value):
                self._keep("", name, value, unit)

    def _keep(self, of: str, quantity: str, value: float, unit: str, **further: Any) -> None:
        """Note a number for the frame of results, under what is being shown."""
        from vibstudy.figures.quantities import NOTEBOOK, row

        name = f"{self._about}: {of}" if of else self._about
        new = row(NOTEBOOK, name, quantity, float(value), unit, **further)
        for known in self._kept:
            if (known["name"], known["quantity"]) == (name, quantity) and known["value"] != new["value"]:
                raise ValueError(f"{name}, {quantity} is said twice, {known['value']} and {value}")
        self._kept.append(new)

    def _put_down(self) -> None:
        """Put what was noted into the frame of results, where something is measured."""
        from vibstudy.figures.quantities import keep_rows

        kept, self._kept = self._kept, []
        if kept and self._notes is not None:
            keep_rows(self.results, self.quantities, kept)

    def say_list(self, sentences: Sequence[str], first: int = 5) -> None:
        """Show sentences as a list; those after the `first` open on a click."""
        from IPython.display import HTML, display

        items = [f"<li>{html.escape(sentence)}</li>" for sentence in sentences]
        more = len(items) - first
        folded = (
            f"<details><summary>{more} more</summary><ul>{''.join(items[first:])}</ul></details>"
            if more > 0
            else ""
        )
        display(HTML(f"<ul>{''.join(items[:first])}</ul>{folded}"))

    def callout(self, text: str) -> None:
        """Show a remark that must not be overlooked. `text` may hold HTML."""
        from IPython.display import HTML, display

        display(
            HTML(
                '<div style="border-left:4px solid #E0AF3A; padding:0.4em 0.9em; margin:0.4em 0; '
                f'max-width:46em">{text}</div>'
            )
        )

    def say_origin(self) -> None:
        """Say that the demo is invented; nothing for a study of real recordings."""
        if self.is_demo:
            self.callout(INVENTED)

    @contextmanager
    def attempt(self, what: str) -> Iterator[None]:
        """Run a block as far as this study allows; say what is missing instead of failing.

        Parameters
        ----------
        what : str
            What the block shows, for the sentence, "the change over the decades", and for the frame of
            results, which keeps what the block says.
        """
        self._about = what
        try:
            yield
        except VibstudyError as gap:
            reasons = [str(problem) for problem in gap.problems]
        except NameError:
            # After a gap, a later block may lack what the earlier one would have made.
            if not self._gaps:
                raise
            reasons = [f"It builds on what could not be shown above: {self._gaps[-1]}."]
        else:
            self._put_down()
            return
        self._put_down()
        self._gaps.append(what)
        lines = "<br>".join(html.escape(reason) for reason in reasons)
        self.callout(f"<b>Not shown for this study: {html.escape(what)}.</b><br>{lines}")

    def show(
        self,
        table: pd.DataFrame,
        decimals: int | Mapping[str, int] = 2,
        index: bool = False,
        units: Mapping[str, str] | None = None,
        of: str = "",
        kept: bool = True,
    ) -> None:
        """Show a table, its numbers rounded and missing values left blank.

        The numbers go into the frame of results, each under the texts of its row.

        Parameters
        ----------
        table : DataFrame
            What is shown.
        decimals : int | mapping of str to int
            Decimals of all columns, or by column (2 for the others).
        index : bool
            Whether the index is shown, too.
        units : mapping of str to str | None
            Units of columns whose name does not tell it.
        of : str
            What the table is of, where a block shows several.
        kept : bool
            Whether its numbers go into the frame; not rows of the measured tables (``notes.csv``,
            ``recordings.csv``) or of the truth, which stand there, nor what :meth:`keep` put in before.
        """
        from IPython.display import HTML, display

        if kept:
            self.keep(table, index, units, of)
        display(HTML(table_html(table, decimals, index)))

    def save(
        self,
        figure: Figure,
        table: pd.DataFrame,
        name: str,
        caption: str | None = None,
    ) -> None:
        """Save a figure with its numbers under ``figures/`` and show it (see ``style.save_figure``)."""
        from IPython.display import display

        from vibstudy.figures.style import save_figure

        self._keep_all(getattr(figure, "numbers", None))
        display(save_figure(figure, table, self.figures, name, caption))


def open_study(folder: str | Path | None = None) -> Study:
    """Open a study folder.

    Parameters
    ----------
    folder : str | Path | None
        The folder; None looks where the module says.

    Raises
    ------
    VibstudyError
        When no manifest is found there.
    """
    here = Path.cwd()
    wanted = folder or os.environ.get(FOLDER_VARIABLE)
    places = [Path(wanted)] if wanted else ([here.parent] if here.name == "notebooks" else []) + [here]
    for place in places:
        if (place / MANIFEST_NAME).is_file():
            return Study(place)
    raise VibstudyError(
        f"no study here: there is no {MANIFEST_NAME}",
        file=str(places[0]),
        repair="Name the folder, open_study('my-study'), or make one: vibstudy new my-study",
    )


def table_html(table: pd.DataFrame, decimals: int | Mapping[str, int] = 2, index: bool = False) -> str:
    """Return a table as HTML: numbers rounded, p-values readable, names from the manifest escaped."""

    def words(name: str, value: Any) -> str:
        if pd.isna(value):
            return ""
        if name in ("p", "p_holm"):
            return p_words(float(value)).removeprefix("p = ").removeprefix("p ")
        if isinstance(value, float | np.floating):
            places = decimals if isinstance(decimals, int) else decimals.get(name, 2)
            return f"{value:.{places}f}"
        return str(value)

    shown = table.reset_index() if index else table
    right = {name: pd.api.types.is_numeric_dtype(shown[name]) for name in shown.columns}

    def cell(tag: str, name: Any, text: str) -> str:
        return f'<{tag} style="text-align:{"right" if right[name] else "left"}">{html.escape(text)}</{tag}>'

    head = "".join(cell("th", name, str(name)) for name in shown.columns)
    rows = "".join(
        "<tr>" + "".join(cell("td", name, words(str(name), value)) for name, value in row.items()) + "</tr>"
        for row in shown.to_dict("records")
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


_UNITS = {"_hz": "Hz", "_cents": "cents", "_s": "s", "_db": "dB", "(%)": "%"}


def unit_of(column: str) -> str:
    """Return the unit that the name of a column tells; "" for none."""
    counted = column.rpartition("_")[2].rpartition(" ")[2]
    if counted in ("notes", "players", "recordings"):
        return counted
    return next((unit for ending, unit in _UNITS.items() if column.endswith(ending)), "")


def _scale_of(model: FittedModel, unit: str) -> tuple[str, Callable[[float], float]]:
    """The unit in which effects of a model are said, and how to come to it."""
    if model.scale.kind == "log":
        return "%", lambda value: 100 * float(np.expm1(value * np.log(model.scale.base)))
    return (
        ("times the odds", lambda value: float(np.exp(value)))
        if model.scale.kind == "logit"
        else (unit, float)
    )


def formula(outcome: str, notes: pd.DataFrame, terms: Sequence[str]) -> str:
    """Return ``"outcome ~ terms"`` with those of `terms` that differ within `notes`.

    A small study may have one region or one decade; a term that never changes cannot be in a model.

    Parameters
    ----------
    outcome : str
        Left side, such as ``log(extent_cents)``.
    notes : DataFrame
        Note table.
    terms : sequence of str
        Names of columns.
    """
    varying = [name for name in terms if name in notes and notes[name].nunique() > 1]
    return f"{outcome} ~ {' + '.join(varying) or '1'}"


def model_line(model: FittedModel, variable: str, values: np.ndarray) -> pd.DataFrame:
    """Return the model's mean and 95 % interval along a number of its formula.

    Other factors are averaged with equal weight and other numbers held at their mean, as for the
    model's marginal means. A logarithmic outcome is taken back to its own unit, presence to a probability.

    Returns
    -------
    DataFrame
        `variable`, ``estimate, low, high``.
    """
    from scipy.stats import t

    from vibstudy.stats.marginal import Grid

    grid, beta, inference = Grid(model.prepared), model.beta, model.inference
    rows = []
    for value in values:
        row = grid.reduce(grid.row({variable: float(value)}))
        if row is None:
            rows.append((value, np.nan, np.nan, np.nan))
            continue
        estimate = float(row @ beta)
        half = float(np.sqrt(row @ inference.covariance @ row) * t.ppf(0.975, inference.df(row)))
        rows.append((value, estimate, estimate - half, estimate + half))
    line = pd.DataFrame(rows, columns=[variable, "estimate", "low", "high"])
    if model.scale.changed:
        for name in ("estimate", "low", "high"):
            line[name] = model.scale.value(line[name])
    return line


def line_over_decades(model: FittedModel, centre: int) -> pd.DataFrame:
    """Return the line of a model with ``decades`` over the decades of its notes.

    Parameters
    ----------
    model : FittedModel
        Fitted on notes of :func:`vibstudy.stats.effects.add_decades`.
    centre : int
        Where decades are counted from (:func:`vibstudy.stats.effects.middle_decade`).

    Returns
    -------
    DataFrame
        ``decades, estimate, low, high, decade``.
    """
    if "decades" not in model.prepared.frame:
        raise VibstudyError("No line over the decades can be drawn: all notes are of one decade")
    used = model.prepared.frame["decades"].astype(float)
    values = np.linspace(used.min(), used.max(), 41)
    return model_line(model, "decades", values).assign(decade=centre + 10 * values)


def lines_over_decades(notes: pd.DataFrame, outcome: str, group: str = "region") -> pd.DataFrame:
    """Return the lines of the standard models of rate or extent, without and with the medium held equal.

    Returns
    -------
    DataFrame
        As :func:`line_over_decades`, with ``variant``; a model that these recordings cannot judge has no
        line.

    Raises
    ------
    VibstudyError
        When all notes are of one decade.
    """
    wanted = {"rate_hz": "rate", "extent_cents": "extent"}[outcome]
    parts = [
        line_over_decades(fitted, middle_decade(notes)).assign(variant=variant)
        for model, variant, fitted, _ in standard_models(notes, group)
        if model == wanted and "decades" in fitted.prepared.frame
    ]
    if not parts:
        raise VibstudyError("No line over the decades can be drawn: all notes are of one decade")
    lines = pd.concat(parts, ignore_index=True)
    return lines[lines["low"].notna()].reset_index(drop=True)


def means_by(model: FittedModel, factor: str, by: str) -> pd.DataFrame:
    """Return the marginal means of a model of a logarithm, in the outcome's own unit; empty cells left out.

    Returns
    -------
    DataFrame
        The two factors, ``estimate, low, high`` and what else the model tells of its means.
    """
    means = model.means(factor, by=[by]).dropna(subset=["mean"]).drop(columns=["low", "high"])
    return means.rename(columns=lambda name: name.removeprefix("typical_")).rename(
        columns={"typical": "estimate"}
    )


def parts_of_variance(model: MixedResult) -> pd.DataFrame:
    """Return what the fixed effects leave unexplained, in three parts.

    Where each group of players has a variance of its own, they are averaged by their notes.

    Returns
    -------
    DataFrame
        ``part`` (between players, between recordings of a player, between notes of a recording), ``sd``
        on the model's scale, ``share`` of the sum of the variances.
    """
    found = model.variance_components().reset_index()
    names = {"player": "between players", "residual": "between notes of a recording"}
    found["part"] = found["group"].map(names).fillna("between recordings of a player")
    shares = found.groupby("part", sort=False)["share"].sum()
    rest = found[found["group"] == "residual"].iloc[0]
    sd = np.sqrt(rest["variance"] * shares / rest["share"])
    return pd.DataFrame({"part": shares.index, "sd": sd.to_numpy(), "share": shares.to_numpy()})


def p_words(p: float) -> str:
    """Return a p-value as it is printed: "p = 0.03", "p < 0.001"."""
    if np.isnan(p):
        return "p not known"
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}" if p < 0.1 else f"p = {p:.2f}"


def estimate_words(row: pd.Series, unit: str, decimals: int = 2) -> str:
    """Return "+0.12 Hz (95 % interval +0.04 to +0.20; t(13.2) = 3.10, p = 0.008)" of a model's row."""
    values = [f"{row[name]:+.{decimals}f}" for name in ("estimate", "low", "high")]
    return _with_interval(row, values, f" {unit}" if unit else "")


def ratio_words(row: pd.Series, base: float = math.e) -> str:
    """Return "+12 % (95 % interval +3 % to +20 %; t(13.2) = 3.10, p = 0.008)" of a log model's row."""
    values = [f"{100 * (base ** row[name] - 1):+.0f} %" for name in ("estimate", "low", "high")]
    return _with_interval(row, values)


def odds_words(row: pd.Series) -> str:
    """Return "2.1 times (95 % interval 1.5 to 2.9; t(13.2) = 4.4, p < 0.001)" of a presence model's row."""
    if abs(row["estimate"]) > _TOO_LARGE or row["se"] > _TOO_LARGE:
        return "cannot be told here (all or none of these notes have vibrato)"
    return _with_interval(row, [_times(np.exp(row[name])) for name in ("estimate", "low", "high")], " times")


def _times(factor: float) -> str:
    """Return a factor to two figures: 0.95, 1.0, 12, 1,200."""
    if factor >= 10:
        return f"{float(f'{factor:.2g}'):,.0f}"
    return f"{factor:.1f}" if factor >= 1 else f"{factor:.2g}"


def _with_interval(row: pd.Series, values: list[str], unit: str = "") -> str:
    if pd.isna(row["estimate"]):
        return "these recordings cannot judge it"
    if pd.isna(row["p"]):
        return f"{values[0]}{unit}, which these recordings cannot judge".replace("-", "\N{MINUS SIGN}")
    text = (
        f"{values[0]}{unit} (95 % interval {values[1]} to {values[2]}; "
        f"t({row['df']:.1f}) = {row['t']:.2f}, {p_words(float(row['p']))})"
    )
    return text.replace("-", "\N{MINUS SIGN}")


def effects_in_words(model: FittedModel, wording: Mapping[str, str], unit: str = "") -> str:
    """Say each effect of a model in a line: estimate, interval, t, p.

    Parameters
    ----------
    model : FittedModel
        From ``fit_mixed`` or ``fit_presence``.
    wording : mapping of str to str
        Term to words. Levels of a factor that are not listed are worded "B against A".
    unit : str
        Unit of the outcome, for outcomes modelled as they are.

    Returns
    -------
    str
        A Markdown list. Effects on a logarithmic outcome are in per cent, on presence in times the odds.
    """
    say = {
        "identity": lambda row: estimate_words(row, unit),
        "log": lambda row: ratio_words(row, model.scale.base),
        "logit": odds_words,
    }
    lines = []
    for term, row in model.table().iterrows():
        words = wording.get(str(term)) or model.level_words(str(term))
        if words:
            lines.append(f"- {words}: {say[model.scale.kind](row)}.")
    return "\n".join(lines) or "Nothing differs within this study that could have an effect."


def worded_effects(models: Mapping[str, FittedModel], wording: Mapping[str, str]) -> pd.DataFrame:
    """Return the effects of models of "rate", "extent" or "presence" in words, to be drawn.

    Returns
    -------
    DataFrame
        As :func:`vibstudy.stats.effects.effects_of`, the terms that have words (:func:`effects_in_words`).
    """
    from vibstudy.stats.effects import effects_of

    parts = []
    for name, model in models.items():
        frame = model.prepared.frame
        counts = {
            "players": frame[str(model.prepared.player)].nunique(),
            "recordings": frame[str(model.prepared.recording)].nunique(),
            "notes": len(frame),
        }
        own = effects_of(name, "", model, 0, counts)
        words = [wording.get(term) or model.level_words(term) for term in own["term"].astype(str)]
        parts.append(own.assign(words=words)[[bool(word) for word in words]])
    return pd.concat(parts, ignore_index=True)


def _with_tags(frame: pd.DataFrame) -> pd.DataFrame:
    """Return `frame` with all tags the notebooks ask for; those the manifest lacks are missing values."""
    kinds = {"decade": "Int64", "tempo_bpm": "Float64"}
    tags = ("player", "decade", "region", "medium", "accompaniment", "piece", "tempo_bpm")
    unknown = {
        name: pd.Series(pd.NA, index=frame.index, dtype=kinds.get(name, "string"))
        for name in tags
        if name not in frame
    }
    return frame.assign(**unknown)
