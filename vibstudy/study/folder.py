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
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.corpus.entries import number_of
from vibstudy.errors import VibstudyError
from vibstudy.schema import NOTE_COLUMNS, typed
from vibstudy.sound.writing import safe_level
from vibstudy.study.wording import effects_in_words, scale_of, table_html, unit_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from vibstudy.stats.fitted import FittedModel

FOLDER_VARIABLE = "VIBSTUDY_STUDY"


INVENTED = (
    "This is the demo study. <b>Its players, regions, melodies and recordings are invented</b>, and its "
    "sound is synthesised: nothing here says anything about real playing. It is good for one thing: the "
    "truth is known, so the method can be checked."
)

_JOINED = "It was joined from packages: do what needs the sound in the studies that it was joined from"


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
        from vibstudy.corpus.results import is_demo

        return is_demo(self.folder)

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

        manifest = read_manifest(self.folder / MANIFEST_NAME, silent=True)
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

    def demand_sound(self, recordings: pd.DataFrame | None = None) -> None:
        """Raise a plain sentence where the study was joined from packages, which have no sound.

        `recordings` is what :meth:`recordings` gave, where it is at hand: the manifest is not read again.
        """
        from vibstudy.corpus.manifest import NO_SOUND

        rows = self.manifest() if recordings is None else recordings
        if rows["audio_path"].isna().all():
            raise VibstudyError(NO_SOUND, str(self.folder), repair=_JOINED)

    def audio(self, recording_id: str) -> Sound:
        """Return the sound of a recording as it was measured: one channel, true speed."""
        from vibstudy.sound.reading import read_audio

        self.demand_sound()
        manifest = self.manifest().set_index("recording_id")
        if recording_id not in manifest.index:
            raise VibstudyError("no such recording in the manifest", got=recording_id)
        row: Mapping[Any, Any] = manifest.loc[recording_id].to_dict()
        start_s, end_s = number_of(row, "start_s"), number_of(row, "end_s")
        audio = read_audio(row["audio_path"], start_s, end_s, number_of(row, "speed_factor") or 1.0)
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
        said, own = scale_of(model, unit)

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
        for column in numbers:
            name = str(column)  # tables across decades have numbers for names
            unit = (units or {}).get(name) or unit_of(name)
            for cells, value in zip(texts, shown[column], strict=True):
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
        """Save a figure with its numbers under ``figures/`` and show it (see ``saving.save_figure``)."""
        from IPython.display import display

        from vibstudy.figures.saving import save_figure

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
