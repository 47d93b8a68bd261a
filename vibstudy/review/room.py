"""The widget: one note at a time, to be seen, heard, found right, left out or mended.

The page (``page.js`` builds it, ``ribbon.js`` draws, ``review.js`` listens and asks, ``words.js`` names
things) shows and plays; everything else is decided here. They talk through the notebook's own channel: the
page sends ``{"do": ...}``, the kernel answers with a new :attr:`ReviewRoom.view`, and with sounds as WAV
bytes. Each decision is on the disk before the page hears of it.

Messages of the page
--------------------
``accept``; ``reject`` (why); ``edges`` (onset_s, offset_s); ``octave`` (by: 1 or -1); ``split`` (at_s);
``join``; ``trill``; ``count`` (cycles); ``undo``; ``go`` (to: a place in the queue, from 0); ``sound``
(which: ``note`` as played, its ``phrase``, the note ``slow``, at half speed, or ``straight``, its vibrato
alone as a ``tone``); ``who`` (name); ``ready`` (the page is shown).

The signature
-------------
A listener signs once; the name is kept in ``results/listener.txt`` and stands there when the study is opened
again. Without it, whoever made the last decision of ``edits.csv`` signs, then the computer's user.
"""

from __future__ import annotations

import contextlib
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
from vibstudy.corpus.atomic import write_text
from vibstudy.corpus.untrusted import as_text, read_bytes
from vibstudy.decisions.apply import ReviewedStudy
from vibstudy.decisions.edits import in_order, make_edit, one_line, read_edits, why_unusable
from vibstudy.decisions.effects import EditReport, apply_edits, standing_edits, verdicts
from vibstudy.errors import VibstudyError
from vibstudy.pitch.straighten import straightened_sound
from vibstudy.review.audio import half_speed, vibrato_tone, wav
from vibstudy.review.settle import Proposal
from vibstudy.review.shown import Shown, row_of

_HERE = Path(__file__).parent
_PAGE = ("words.js", "ribbon.js", "page.js", "review.js")
"""The page's program: one module, the last part of which exports."""
_KEPT_TABLES = 4
_SHORTEST_S = 0.03
"""Two ends nearer than this are the same end (:data:`vibstudy.decisions.effects.SAME_EDGE_S`)."""
_PIXEL_S = 0.002
"""An end dragged to the border of the picture may lie beyond it by a rounding of its pixel."""
_SIGNATURE = "listener.txt"
_LONGEST_NAME = 60
_MOST_BYTES = 4 * _LONGEST_NAME + len(b"\xef\xbb\xbf\r\n")
"""UTF-8 takes four bytes a letter at most; a mark of its order before, the end of a line behind."""
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
        The listener's name as it shall stand in ``edits.csv``; "" takes who signed last.
    blind : bool
        Hide recording, player, decade, region and medium.
    plan : Proposal | None
        What the claims need; its progress is shown.
    """

    _esm = "\n".join((_HERE / name).read_text(encoding="utf-8") for name in _PAGE)
    _css = _HERE / "review.css"
    view = traitlets.Dict().tag(sync=True)
    picture = traitlets.Bytes(b"").tag(sync=True)

    def __init__(
        self,
        folder: str | Path,
        queue: pd.DataFrame,
        who: str = "",
        blind: bool = False,
        plan: Proposal | None = None,
    ):
        super().__init__()
        self.plan = plan
        self.study = ReviewedStudy(Path(folder) / MANIFEST_NAME)
        self.queue: list[dict[str, Any]] = [
            {str(k): v for k, v in row.items()} for row in queue.to_dict("records")
        ]
        self.who = who or _signature(self.study)
        self.blind = blind
        done = self.study.decided(self.who)
        self.place = next((i for i, item in enumerate(self.queue) if item["note_id"] not in done), 0)
        self._tables: OrderedDict[str, pd.DataFrame] = OrderedDict()
        self._now: Shown | None = None
        self._turn = 0
        self._said = "; ".join(str(problem) for problem in self.study.problems)
        self.on_msg(self._receive)
        self._show()
        _stay_here(self)

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
            self._sign(one_line(_text(message["who"]))[:_LONGEST_NAME])
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
        if message.get("place", self.place) != self.place:
            raise VibstudyError("The next note was not shown yet: nothing was decided on it.")
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
            self.who, now.row, now.phrase.audio.sha256, do, values[do](), _text(message.get("why", ""))[:400]
        )
        if why := why_unusable(edit):
            raise VibstudyError(why)
        self.study.add(edit)
        if do == "split":
            half = {"note_id": None, "onset_s": edit.value, "offset_s": edit.note_offset_s}
            half["made_by"] = edit.edit_id
            self.queue.insert(self.place + 1, {**self.queue[self.place], **half})
        if do in ("accept", "reject"):
            self.place = min(self.place + 1, len(self.queue) - 1)

    def _edges(self, onset_s: float, offset_s: float) -> list[float]:
        assert self._now is not None
        low, high = self._now.limits
        got = f"{onset_s:.3f} s to {offset_s:.3f} s"
        if not (onset_s >= low - _PIXEL_S and offset_s <= high + _PIXEL_S):
            raise VibstudyError(
                "nothing was changed: the note must lie inside the sound around it",
                got=got,
                repair=f"Give seconds from {low:.3f} to {high:.3f}",
            )
        if not offset_s - onset_s >= _SHORTEST_S:
            raise VibstudyError(
                f"nothing was changed: the note must end at least {_SHORTEST_S:g} s after it begins", got=got
            )
        return [round(max(onset_s, low), 4), round(min(offset_s, high), 4)]

    def _split_place(self, at_s: float) -> float:
        assert self._now is not None
        onset, offset = self._now.row["onset_s"], self._now.row["offset_s"]
        if not onset + _SHORTEST_S < at_s < offset - _SHORTEST_S:
            raise VibstudyError("Put the mark where the second note begins, inside the note.")
        return round(at_s, 4)

    def _next_offset(self) -> float:
        assert self._now is not None
        notes, row = self._now.notes, self._now.row
        later = notes[notes["onset_s"] > row["onset_s"]]
        if later.empty:
            raise VibstudyError("There is no following note that it could be one with.")
        return round(float(later.sort_values("onset_s")["offset_s"].iloc[0]), 6)

    def _sign(self, who: str) -> None:
        """Sign as someone else from now on, and when the study is opened again."""
        if not who:
            raise VibstudyError("A signature needs a name; the old one stays.")
        self.who = who
        with contextlib.suppress(OSError, VibstudyError):  # what cannot be written to costs the memory only
            self.study.out.mkdir(exist_ok=True)
            write_text(self.study.out / _SIGNATURE, f"{who}\n")

    def _undo(self) -> None:
        own = [edit for edit in standing_edits(self.study.all_edits()) if edit.who == self.who]
        if not own:
            raise VibstudyError(f"Nothing by {self.who} to take back.")
        last = in_order(own)[-1]
        note: dict[str, Any] = {"recording_id": last.recording_id, "note_id": last.note_id}
        note |= {"onset_s": last.note_onset_s, "offset_s": last.note_offset_s}
        self.study.add(make_edit(self.who, note, last.audio_sha256, "undo", last.edit_id))
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
        elif which == "straight":
            line = now.measured.line
            if line is None:
                raise VibstudyError("There is no measured line to straighten this note by.")
            samples = straightened_sound(now.phrase.audio.samples, rate, line.time_s, line.f0_hz)
            start, speed = now.phrase.start_s + float(line.time_s[0]), 1.0
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
        decided = self.study.decided()
        self._turn += 1
        frame: dict[str, Any] = {
            "turn": self._turn,  # what is said twice is shown twice
            "place": self.place,
            "total": len(self.queue),
            "who": self.who,
            "blind": self.blind,
            "heard": sum(item["note_id"] in decided for item in self.queue),
        }
        if self.plan is not None:
            words = verdicts(self.study.all_edits())
            right = dict(zip(words["note_id"], words["verdict"].eq("accepted"), strict=True))
            frame["progress"] = self.plan.progress(right)
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
        self.picture, _ = self._now.pictures
        details = self._now.view(self.queue[self.place], self.blind, decided)
        self.view = frame | details | {"empty": False, "say": self._said}

    def _look(self) -> Shown:
        item = self.queue[self.place]
        notes, report = self._notes(str(item["recording_id"]))
        row = row_of(notes, item)
        if row is None:
            raise VibstudyError("This note is no longer there: it was joined with another.")
        item["note_id"] = row["note_id"]
        octaves = report.remeasure.get(row["note_id"], 0)
        measured = self.study.reader.measure(row, row["onset_s"], row["offset_s"], octaves)
        if row["note_id"] in report.remeasure:
            row |= measured.columns
        phrase = self.study.reader.phrase(str(item["recording_id"]), row["onset_s"], row["offset_s"])
        return Shown(row, notes, octaves, phrase, measured)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(value)
    return value


def _one_octave(by: Any) -> int:
    if isinstance(by, bool) or by not in (1, -1):
        raise ValueError(by)
    return int(by)


def _signature(study: ReviewedStudy) -> str:
    """Who signs: as last time; else as the last decision; else the computer's user."""
    path = study.out / _SIGNATURE
    with contextlib.suppress(VibstudyError):
        if name := one_line(as_text(read_bytes(path, most_bytes=_MOST_BYTES), path)):
            return name[:_LONGEST_NAME]
    own, _ = read_edits(study.edits_path)
    return in_order(own)[-1].who if own else getpass.getuser()


_STAYING: list[tuple[Any, Callable[..., None]]] = []


def _stay_here(room: ReviewRoom) -> None:
    """After each cell that runs below, ask the page to come back to the room, until somebody touches it.

    Running all cells would leave the reader at the end of the notebook. Only the latest room asks.
    """
    from IPython import get_ipython

    shell: Any = get_ipython()
    while _STAYING:
        events, call = _STAYING.pop()
        with contextlib.suppress(ValueError):
            events.unregister("post_run_cell", call)
    if shell is None or not hasattr(shell, "kernel"):
        return

    def here(*_: Any) -> None:
        room.send({"here": True})

    shell.events.register("post_run_cell", here)
    _STAYING.append((shell.events, here))


def _warm_up() -> None:
    """Slowing a sound down takes long only the first time."""
    half_speed(np.zeros(4096, dtype=np.float32))


_WORDS = {
    "accept": "right",
    "reject": "left out",
    "edges": "begins and ends elsewhere",
    "octave": "another octave",
    "split": "two notes",
    "join": "one with the next",
    "trill": "a trill",
    "count": "cycles counted",
}
"""What decisions are called in the room."""
