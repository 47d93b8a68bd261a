"""The widget: one note at a time in its phrase, to be seen, heard, accepted, rejected or mended.

The page (``review.js``) draws and plays; everything else is decided here. They talk through the notebook's
own channel: the page sends ``{"do": ...}``, the kernel answers with a new :attr:`ReviewRoom.view`, and with
sounds as WAV bytes. Each decision is on the disk before the page hears of it.

Messages of the page
--------------------
``accept``; ``reject`` (why); ``edges`` (onset_s, offset_s); ``octave`` (by: 1 or -1); ``split`` (at_s);
``join``; ``trill``; ``count`` (cycles); ``undo``; ``go`` (to: a place in the queue, from 0); ``sound``
(which: note, phrase, slow, tone); ``who`` (name); ``ready`` (the page is shown).
"""

from __future__ import annotations

import getpass
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import pandas as pd
import traitlets

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.decisions.apply import ReviewedStudy
from vibstudy.decisions.edits import Edit, in_order, make_edit, one_line, why_unusable
from vibstudy.decisions.effects import EditReport, apply_edits, standing_edits
from vibstudy.decisions.phrase import Measured, Phrase
from vibstudy.errors import VibstudyError
from vibstudy.review.senses import half_speed, picture, vibrato_tone, wav
from vibstudy.schema import QUALITY_REASONS, reasons_of

SOUNDS = ("note", "phrase", "slow", "tone")
_HERE = Path(__file__).parent
_KEPT_TABLES = 4
_NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")
_PICTURE = (160, 760)
_SHORTEST_S = 0.03
_ELSEWHERE = (
    "Listening needs a running notebook: type vibstudy review in the study's folder, then run this cell."
)


class ReviewRoom(anywidget.AnyWidget):
    """Review notes of a study in a notebook.

    Parameters
    ----------
    folder : path
        Study folder.
    queue : DataFrame
        Notes to hear, in order: ``recording_id, note_id, onset_s, offset_s``, and what
        :mod:`vibstudy.review.queue` adds.
    who : str
        The listener's name as it shall stand in ``edits.csv``; "" takes the computer's user name.
    blind : bool
        Hide recording, player, decade, region and medium.
    """

    _esm = _HERE / "review.js"
    _css = _HERE / "review.css"
    view = traitlets.Dict().tag(sync=True)
    picture = traitlets.Bytes(b"").tag(sync=True)

    def __init__(self, folder: str | Path, queue: pd.DataFrame, who: str = "", blind: bool = False):
        super().__init__()
        self.study = ReviewedStudy(Path(folder) / MANIFEST_NAME)
        self.queue: list[dict[str, Any]] = [
            {str(k): v for k, v in row.items()} for row in queue.to_dict("records")
        ]
        self.who = who or getpass.getuser()
        self.blind = blind
        done = self.study.decided(self.who)
        self.place = next((i for i, item in enumerate(self.queue) if item["note_id"] not in done), 0)
        self._tables: OrderedDict[str, pd.DataFrame] = OrderedDict()
        self._now: _Now | None = None
        self._said = "; ".join(str(problem) for problem in self.study.problems)
        self.on_msg(self._receive)
        self._show()

    def _repr_mimebundle_(self, **options: Any) -> tuple[dict[str, Any], dict[str, Any]] | None:
        """The widget; in pages and in notebooks that do not run, a sentence in its place."""
        shown = super()._repr_mimebundle_(**options)
        if shown is not None:
            shown[0]["text/html"] = shown[0]["text/plain"] = _ELSEWHERE
        return shown

    # --- what the page asks for

    def _receive(self, _: Any, content: Mapping[str, Any], buffers: Any) -> None:
        self.receive(content)

    def receive(self, message: Mapping[str, Any]) -> None:
        """Answer a message of the page. What cannot be done is said in the view, never raised."""
        self._said = ""
        try:
            if not isinstance(message, Mapping):
                raise TypeError(message)
            self._answer(message)
        except VibstudyError as error:
            self._said = "; ".join(str(problem) for problem in error.problems)
        except OSError as error:
            self._said = f"This could not be saved or read: {error.strerror or error}."
        except (LookupError, TypeError, ValueError, ArithmeticError, RecursionError):
            self._said = "This could not be understood; nothing was changed."
        if self._said or message.get("do") != "sound":
            self._show()

    def _answer(self, message: Mapping[str, Any]) -> None:
        do = message["do"]
        if do == "ready":
            threading.Thread(target=_warm_up, daemon=True).start()
        elif do == "who":
            self.who = one_line(_text(message["who"]))[:60] or self.who
        elif do == "go":
            self.place = max(0, min(int(message["to"]), len(self.queue) - 1))
        elif do == "undo":
            self._undo()
        elif self._now is None:
            raise VibstudyError("There is no note to decide on.")
        elif do == "sound":
            self._sound(_text(message["which"]))
        else:
            self._decide(do, message)

    def _decide(self, do: str, message: Mapping[str, Any]) -> None:
        now = self._now
        assert now is not None
        values: dict[str, Callable[[], Any]] = {
            "accept": lambda: None,
            "reject": lambda: None,
            "trill": lambda: None,
            "edges": lambda: self._edges(float(message["onset_s"]), float(message["offset_s"])),
            "octave": lambda: now.octaves + _one_octave(message["by"]),
            "split": lambda: self._split_place(float(message["at_s"])),
            "join": self._next_offset,
            "count": lambda: [float(message["cycles"]), round(now.vibrato_s, 4)],
        }
        if do not in values:
            raise ValueError(do)
        edit = make_edit(
            self.who, now.row, now.phrase_sha256, do, values[do](), _text(message.get("why", ""))[:400]
        )
        if why := why_unusable(edit):
            raise VibstudyError(why)
        self._keep(edit)
        if do == "split":
            half = {"note_id": None, "onset_s": edit.value, "offset_s": edit.note_offset_s}
            half["made_by"] = edit.edit_id
            self.queue.insert(self.place + 1, {**self.queue[self.place], **half})
        if do in ("accept", "reject"):
            self.place = min(self.place + 1, len(self.queue) - 1)

    def _edges(self, onset_s: float, offset_s: float) -> list[float]:
        assert self._now is not None
        low, high = self._now.limits
        onset, offset = max(onset_s, low), min(offset_s, high)
        if not offset - onset >= _SHORTEST_S:
            raise VibstudyError(
                "the note must end after it begins, inside the phrase",
                got=f"{onset_s:.3f} s to {offset_s:.3f} s",
            )
        return [round(onset, 4), round(offset, 4)]

    def _split_place(self, at_s: float) -> float:
        assert self._now is not None
        onset, offset = self._now.row["onset_s"], self._now.row["offset_s"]
        if not onset + _SHORTEST_S < at_s < offset - _SHORTEST_S:
            raise VibstudyError("Click where the second note begins, inside the note, then split.")
        return round(at_s, 4)

    def _next_offset(self) -> float:
        assert self._now is not None
        notes, row = self._now.notes, self._now.row
        later = notes[notes["onset_s"] > row["onset_s"]]
        if later.empty:
            raise VibstudyError("There is no following note to join with.")
        return round(float(later.sort_values("onset_s")["offset_s"].iloc[0]), 6)

    def _keep(self, edit: Edit) -> None:
        self.study.add(edit)

    def _undo(self) -> None:
        own = [edit for edit in standing_edits(self.study.all_edits()) if edit.who == self.who]
        if not own:
            raise VibstudyError(f"Nothing by {self.who} to take back.")
        last = in_order(own)[-1]
        note = {
            "recording_id": last.recording_id,
            "note_id": last.note_id,
            "onset_s": last.note_onset_s,
            "offset_s": last.note_offset_s,
        }
        self._keep(make_edit(self.who, note, last.audio_sha256, "undo", last.edit_id))
        self._said = f"Taken back: {_WORDS[last.what]}."
        self.place = next(
            (i for i, item in enumerate(self.queue) if item["note_id"] == last.note_id), self.place
        )
        self.queue = [item for item in self.queue if item.get("made_by") != last.edit_id]
        self.place = min(self.place, len(self.queue) - 1)

    def _sound(self, which: str) -> None:
        now = self._now
        assert now is not None
        onset, offset, rate = now.row["onset_s"], now.row["offset_s"], now.phrase.audio.rate_hz
        if which == "phrase":
            samples, start, speed = now.phrase.audio.samples, now.phrase.start_s, 1.0
        elif which == "note":
            samples, start, speed = now.phrase.cut(onset, offset), onset, 1.0
        elif which == "slow":
            samples, start, speed = half_speed(now.phrase.cut(onset, offset)), onset, 0.5
        elif which == "tone":
            samples, start, speed = vibrato_tone(now.measured, offset - onset, rate), onset, 1.0
        else:
            raise ValueError(which)
        answer = {"sound": which, "start_s": start, "speed": speed}
        self.send(answer, buffers=[wav(samples, rate)])

    # --- what the page shows

    def _notes(self, recording_id: str) -> tuple[pd.DataFrame, EditReport]:
        """Notes of a recording with the decisions applied."""
        if recording_id not in self._tables:
            self._tables[recording_id] = self.study.as_measured(recording_id)
        self._tables.move_to_end(recording_id)
        while len(self._tables) > _KEPT_TABLES:
            self._tables.popitem(last=False)
        return apply_edits(
            self._tables[recording_id],
            self.study.edits.get(recording_id, ()),
            self.study.audio_sha256(recording_id),
        )

    def _show(self) -> None:
        frame = {
            "place": self.place,
            "total": len(self.queue),
            "who": self.who,
            "blind": self.blind,
            "heard": len(self.study.decided()),
        }
        self._now = None
        try:
            self._now = self._look() if self.queue else None
        except (VibstudyError, OSError) as error:
            problems = getattr(error, "problems", [error])
            self._said = " ".join([self._said, *(str(problem) for problem in problems)]).strip()
        if self._now is None:
            said = self._said or "There is nothing to hear: the queue is empty."
            self.view = frame | {"empty": True, "say": said}
            return
        pixels, details = self._now.shown(self.queue[self.place], self.blind)
        self.picture = pixels
        self.view = frame | details | {"empty": False, "say": self._said}

    def _look(self) -> _Now:
        item = self.queue[self.place]
        notes, report = self._notes(str(item["recording_id"]))
        row = _row_of(notes, item)
        if row is None:
            raise VibstudyError("This note is no longer there: it was joined with another.")
        item["note_id"] = row["note_id"]
        octaves = report.remeasure.get(row["note_id"], 0)
        measured = self.study.reader.measure(row, row["onset_s"], row["offset_s"], octaves)
        if row["note_id"] in report.remeasure:
            row |= measured.columns
        phrase = self.study.reader.phrase(str(item["recording_id"]), row["onset_s"], row["offset_s"])
        return _Now(row, notes, octaves, phrase, measured)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(value)
    return value


def _one_octave(by: Any) -> int:
    if isinstance(by, bool) or by not in (1, -1):
        raise ValueError(by)
    return int(by)


def _warm_up() -> None:
    """Slowing a sound down takes long only the first time."""
    half_speed(np.zeros(4096, dtype=np.float32))


def _row_of(notes: pd.DataFrame, item: Mapping[str, Any]) -> dict[str, Any] | None:
    """The note of the queue as it is now: by its name, or, for the second half of a split, by its place."""
    found = notes[notes["note_id"].eq(item["note_id"])] if item["note_id"] is not None else notes.iloc[:0]
    if found.empty:
        middle = 0.5 * (item["onset_s"] + item["offset_s"])
        found = notes[(notes["onset_s"] <= middle) & (notes["offset_s"] > middle)]
    if found.empty:
        return None
    return {str(name): value for name, value in found.iloc[0].items()}


class _Now:
    """The note being reviewed."""

    def __init__(
        self, row: dict[str, Any], notes: pd.DataFrame, octaves: int, phrase: Phrase, measured: Measured
    ):
        self.row, self.notes, self.octaves = row, notes, octaves
        self.phrase, self.measured = phrase, measured
        self.phrase_sha256 = phrase.audio.sha256

    @property
    def limits(self) -> tuple[float, float]:
        """How far edges may be moved."""
        return self.phrase.start_s, self.phrase.end_s

    @property
    def vibrato(self) -> tuple[float, float]:
        """Where vibrato lasts; the whole note where there is none."""
        onset, offset, fit = self.row["onset_s"], self.row["offset_s"], self.measured.fit
        return (onset, offset) if fit is None else (onset + fit.start_s, onset + fit.end_s)

    @property
    def vibrato_s(self) -> float:
        start, end = self.vibrato
        return float(end - start)

    def shown(self, item: Mapping[str, Any], blind: bool) -> tuple[bytes, dict[str, Any]]:
        """The picture, and the details of the view."""
        onset, offset = float(self.row["onset_s"]), float(self.row["offset_s"])
        pitch = self.measured.columns["pitch_hz"]
        pitch = float(pitch) if np.isfinite(pitch) else 440.0
        low, high = max(pitch / 2.2, 40.0), min(pitch * 7.0, 0.48 * self.phrase.audio.rate_hz)
        rows, columns = _PICTURE
        contour, line, fit = self.phrase.contour, self.measured.line, self.measured.fit
        start = self.phrase.start_s
        near = self.notes[
            (self.notes["offset_s"] > start)
            & (self.notes["onset_s"] < self.phrase.end_s)
            & self.notes["note_id"].ne(self.row["note_id"])
        ]
        details: dict[str, Any] = {
            "title": "A note, blind" if blind else str(self.row["note_id"]),
            "tags": [] if blind else _tags(item),
            "span": [start, self.phrase.end_s],
            "edges": [onset, offset],
            "octaves": self.octaves,
            "state": str(self.row.get("reviewed") or "auto"),
            "kind": str(self.row.get("note_kind") or "note"),
            "near": [[float(a), float(b)] for a, b in zip(near["onset_s"], near["offset_s"], strict=True)],
            "picture": {"rows": rows, "columns": columns, "low_hz": low, "high_hz": high},
            "pitch_hz": pitch,
            "coarse": _curve(start + contour.time_s, contour.f0_hz, 60.0),
            "line": None if line is None else _curve(start + line.time_s, line.cents, 120.0),
            "level": None if line is None else _curve(start + line.time_s, line.level_db, 80.0),
            "fit": None if fit is None else _curve(onset + fit.time_s, fit.curve_cents, 120.0),
            "vibrato": None if fit is None else [float(v) for v in self.vibrato],
            "figures": _figures(self.row),
            "doubts": _doubts(self.row, item),
        }
        return picture(self.phrase, low, high, rows, columns).tobytes(), details


def _curve(time_s: np.ndarray, values: np.ndarray, rate_hz: float) -> dict[str, list[float | None]]:
    """A curve for the page, thinned; None where there is no value."""
    step = max(1, round(1.0 / (rate_hz * float(time_s[1] - time_s[0])))) if len(time_s) > 1 else 1
    return {
        "t": [round(float(t), 4) for t in time_s[::step]],
        "y": [round(float(y), 3) if np.isfinite(y) else None for y in values[::step]],
    }


def _tags(item: Mapping[str, Any]) -> list[str]:
    known = [item.get(name) for name in ("player", "decade", "region", "medium")]
    return [str(value) for value in known if value is not None and not pd.isna(value)]


def _figures(row: Mapping[str, Any]) -> list[list[str]]:
    """Label and value of each figure, with its standard error."""

    def number(name: str) -> float:
        value = row.get(name)
        return np.nan if value is None or pd.isna(value) else float(value)

    def with_error(name: str, error: str, places: int, unit: str) -> str:
        value, se = number(name), number(error)
        if not np.isfinite(value):
            return "–"
        text = f"{value:.{places}f}"
        smallest = 10.0**-places
        error_text = f"se < {smallest:.{places}f}" if se < smallest else f"se {se:.{places}f}"
        return f"{text} {unit}" if not np.isfinite(se) else f"{text} {unit} ({error_text})"

    extent = with_error("extent_cents", "extent_se_cents", 1, "cents")
    return [
        ["Pitch", _pitch_words(number("midi"), number("pitch_cents"), number("pitch_hz"))],
        ["Length", with_error("duration_s", "", 2, "s")],
        ["Vibrato", _vibrato_words(row.get("has_vibrato"))],
        ["Rate", with_error("rate_hz", "rate_se_hz", 2, "Hz")],
        ["Extent", extent if extent == "–" else f"± {extent}"],
        ["Begins after", with_error("vibrato_onset_s", "vibrato_onset_se_s", 2, "s")],
        ["Signal to noise", with_error("snr_db", "", 0, "dB")],
    ]  # fmt: skip


def _vibrato_words(has: Any) -> str:
    if has is None or pd.isna(has):
        return "too short to tell"
    return "yes" if has else "none found"


def _pitch_words(midi: float, cents: float, hertz: float) -> str:
    if not np.isfinite(hertz):
        return "–"
    if not np.isfinite(midi):
        return f"{hertz:.1f} Hz"
    off = f" {cents:+.0f} cents".replace("-", "\N{MINUS SIGN}") if np.isfinite(cents) else ""
    return f"{_NAMES[int(midi) % 12]}{int(midi) // 12 - 1}{off}, {hertz:.1f} Hz"


def _doubts(row: Mapping[str, Any], item: Mapping[str, Any]) -> list[str]:
    said = [QUALITY_REASONS.get(reason, reason) for reason in reasons_of(row.get("quality"))]
    doubt = item.get("doubt")
    return said + ([str(doubt)] if isinstance(doubt, str) and doubt else [])


_WORDS = {
    "accept": "accepted",
    "reject": "rejected",
    "edges": "edges moved",
    "octave": "octave corrected",
    "split": "split",
    "join": "joined",
    "trill": "marked as a trill",
    "count": "cycles counted",
}
