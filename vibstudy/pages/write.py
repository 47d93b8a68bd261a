"""Pages to look at: one for each recording, and one for the corpus whose points open them.

::

    recording-pages/index.html             strip plots of all recordings, and the list
                    recording/<id>.html    one recording: see vibstudy.pages.recording

Every page is one file that asks for nothing from a network; its content security policy forbids it, and
runs no script but, where ``page_sound`` of ``study.toml`` allows a copy of the sound in it, the one that
moves a cursor along the line (recordings up to :data:`LONGEST_HEARD_S`; MP3, at a safe level). All texts of
the manifest are escaped. A page states the hash of what it was made from: pages whose recording, notes and
program are unchanged are not made again, pages of recordings no longer in the study are removed. Each file
is put in its place whole. Tables are read once: what a page costs does not grow with the study.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd

from vibstudy import __version__
from vibstudy.corpus.atomic import write_text
from vibstudy.corpus.entries import number_of
from vibstudy.corpus.files import sha256_of
from vibstudy.corpus.results import read_log
from vibstudy.corpus.settings import load_settings
from vibstudy.corpus.store import Store
from vibstudy.errors import VibstudyError
from vibstudy.figures.data import plural
from vibstudy.pages import drawing, trust
from vibstudy.pages import recording as content
from vibstudy.pages.corpus import corpus_page
from vibstudy.pages.examples import gain_for
from vibstudy.pages.html import data_uri, templates
from vibstudy.pages.straight import note_pictures
from vibstudy.playing.expected import expected_errors
from vibstudy.playing.tones import HEARING_CAUTION, RIGHTS_CAUTION
from vibstudy.sound.media import find_media
from vibstudy.sound.reading import iter_blocks
from vibstudy.sound.room import Room
from vibstudy.study import Study, open_study

FOLDER = "recording-pages"
STUDIED_S = 60.0
"""Of a longer recording, so much of its middle is studied for what to expect of its medium."""
_MADE = re.compile(r'<meta name="vibstudy-inputs" content="([0-9a-f]{64})">')
_HEAD = 600
_QUIET_DB = -60.0
"""Taken for the level of the loud passages where it is not known."""
_TEMPLATES = ("recording.html", "corpus.html", "pages.css")
LONGEST_HEARD_S = 1200.0
"""A page with twenty minutes of sound weighs about 15 MB: more is slow to open."""
_HEARD_HZ = 32_000
"""A rate that MP3 has (MPEG-1 Layer III); above the harmonics that tell."""
_PACKING = 0.7
"""libsndfile's compression, 0 to 1: about 80 kbit/s of one channel, no artefact heard beside the original."""


@dataclass(frozen=True)
class PagesReport:
    """What writing the pages gave.

    Parameters
    ----------
    index : Path
        The corpus page.
    made, unchanged : int
        Recording pages written, and left as they were.
    without_sound : tuple of (str, str)
        Recordings whose sound could not be drawn, and why.
    """

    index: Path
    made: int
    unchanged: int
    without_sound: tuple[tuple[str, str], ...]


def write_pages(
    study_folder: str | Path,
    out: str | Path | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> PagesReport:
    """Write the page of every measured recording, and the corpus page.

    Parameters
    ----------
    study_folder : path
        Study folder with results.
    out : path | None
        Folder to write; None is ``recording-pages`` in the study.
    progress : callable | None
        Called with the number done, the number of all, and the recording at hand.

    Returns
    -------
    PagesReport

    Raises
    ------
    VibstudyError
        When nothing was measured.
    """
    study = open_study(study_folder)
    folder = Path(out) if out is not None else study.folder / FOLDER
    recordings = study.recordings()
    study.demand_sound(recordings)
    if "notes" not in recordings or not recordings["notes"].notna().any():
        raise VibstudyError(
            "nothing has been measured in this study yet", str(study.folder), repair="vibstudy measure"
        )
    recordings = recordings[recordings["notes"].notna()].reset_index(drop=True)
    table = study.notes()
    none = table.iloc[:0]
    notes = dict(list(table.groupby("recording_id", sort=False)))
    pages = _Pages(study)
    (folder / "recording").mkdir(parents=True, exist_ok=True)
    made, without_sound = 0, []
    for number, record in enumerate(recordings.to_dict("records")):
        row = {str(key): value for key, value in record.items()}
        name = str(row["recording_id"])
        if progress is not None:
            progress(number, len(recordings), name)
        own = notes.get(name, none).sort_values("onset_s").reset_index(drop=True)
        path = folder / "recording" / f"{name}.html"
        inputs = pages.inputs(row, own)
        troubled = _with_file(inputs, row["audio_path"])
        if made_from(path) in (inputs, troubled):
            continue
        page = recording_page(study, row, own, pages.tags, heard=pages.heard)
        if page.missing_sound:
            without_sound.append((name, page.missing_sound))
            inputs = troubled
        text = pages.template.render(
            page=page, inputs=inputs, demo=pages.demo, version=__version__, g=drawing,
            rights=RIGHTS_CAUTION, hearing=HEARING_CAUTION,
        )  # fmt: skip
        write_text(path, text)
        made += 1
    names = set(recordings["recording_id"].astype(str))
    for path in (folder / "recording").glob("*.html"):
        if path.stem not in names and made_from(path):  # of a recording that is gone
            path.unlink()
    _write_index(study, folder, recordings, table)
    return PagesReport(folder / "index.html", made, len(recordings) - made, tuple(without_sound))


def _with_file(inputs: str, audio_path: object) -> str:
    """Hash of what a page is made from whose sound could not be read: with another file it is made again."""
    try:
        stat = Path(str(audio_path)).stat()
        file = f"{stat.st_size} {stat.st_mtime_ns}"
    except OSError:
        file = "absent"
    return hashlib.sha256(f"{inputs} {file}".encode()).hexdigest()


def made_from(path: Path) -> str:
    """Return the hash of what a page was made from; "" for none."""
    try:
        with path.open(encoding="utf-8", errors="replace") as stream:
            found = _MADE.search(stream.read(_HEAD))
    except OSError:
        return ""
    return found.group(1) if found else ""


class _Pages:
    """What all pages of a study share, looked up once."""

    def __init__(self, study: Study):
        self.results = study.results
        self.demo = study.is_demo
        self.tags = list(study.manifest().columns)
        self.heard = load_settings(study.folder).page_sound == "yes"
        self.template = templates().get_template("recording.html")
        self._program = _program()

    def inputs(self, row: Mapping[str, Any], notes: pd.DataFrame) -> str:
        """Hash of all that a page shows: not of its row in the manifest, nor of where the study stands."""
        heard = Path(str(row["audio_path"])).is_file()
        shown = {
            name: row[name] for name in row if name != "manifest_row" and not (heard and name == "audio_path")
        }
        digest = hashlib.sha256(self._program.encode())
        digest.update(
            json.dumps([shown, heard, self.tags, self.demo, self.heard], sort_keys=True, default=str).encode()
        )
        digest.update(json.dumps([(str(name), str(notes[name].dtype)) for name in notes]).encode())
        digest.update(pd.util.hash_pandas_object(notes, index=False).to_numpy().tobytes())
        line = self.results / "cache" / str(row["recording_id"]) / "line.parquet"
        digest.update(line.read_bytes() if line.is_file() else b"")
        return digest.hexdigest()


def _program() -> str:
    """Version of the program, and hash of what makes the pages."""
    here = Path(__file__).parent
    files = [*sorted(here.glob("*.py")), here / "../playing/expected.py", here / "../figures/straight.py"]
    files += [here / "templates" / name for name in _TEMPLATES]
    return __version__ + hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()


def recording_page(
    study: Study, row: Mapping[str, Any], notes: pd.DataFrame, tags: Sequence[str], *, heard: bool = False
) -> content.RecordingPage:
    """Return the content of one recording's page.

    Parameters
    ----------
    study : Study
    row : mapping
        The recording's row: manifest and what measuring found.
    notes : DataFrame
        Its notes in the order of time.
    tags : sequence of str
        Columns of the manifest.
    heard : bool
        Whether the page holds the sound.
    """
    line = Store(study.results).line(str(row["recording_id"]))
    rows, missing = _rows(row, line, notes)
    expected = [] if missing else _expected(row, notes)
    listed = list(content.note_rows(notes, trust.plays_alone(row)))
    share = trust.trusted_share(notes)
    return content.RecordingPage(
        name=str(row["recording_id"]),
        tags=content.tags_of(row, list(tags)),
        verdict=trust.verdict_words(share),
        doubts=trust.doubts(row, notes),
        cards=content.cards(row, notes),
        rows=rows,
        missing_sound=missing,
        medium=content.medium_words(row),
        tuning=content.tuning_words(row),
        wow=content.wow_words(row),
        room=content.room_words(row),
        scatter=drawing.scatter(notes),
        steps=drawing.steps(notes),
        measured=[texts for sure, texts in listed if sure],
        rejected=[texts for sure, texts in listed if not sure],
        expected=expected,
        straightened=[] if missing else note_pictures(row, line, notes),
        sound=_sound(study, row) if heard and not missing else "",
        begins_s=rows[0].start_s if rows else 0.0,
        row_s=drawing.row_seconds(float(row["duration_s"])),
    )


def _sound(study: Study, row: Mapping[str, Any]) -> str:
    """The recording at a safe level as a data URI; "" when it is too long."""
    import soundfile
    import soxr

    if float(row["duration_s"]) > LONGEST_HEARD_S:
        return ""
    sound = study.audio(str(row["recording_id"]))
    samples = soxr.resample(np.asarray(sound.samples, float), sound.rate_hz, _HEARD_HZ)
    samples = np.clip(gain_for(samples, _HEARD_HZ) * samples, -1.0, 1.0)
    packed = io.BytesIO()
    soundfile.write(
        packed, samples, _HEARD_HZ, format="MP3", subtype="MPEG_LAYER_III", compression_level=_PACKING
    )
    return data_uri("audio/mpeg", packed.getvalue())


def _rows(row: Mapping[str, Any], line: pd.DataFrame, notes: pd.DataFrame) -> tuple[list[drawing.Row], str]:
    """Draw the recording row by row; and why its sound is missing, if it is."""
    duration_s = float(row["duration_s"])
    seconds = drawing.row_seconds(duration_s)
    span = drawing.frequency_span(notes)
    reach = _reach(notes)
    loud_db = number_of(row, "programme_db")
    loud_db = _QUIET_DB if loud_db is None else loud_db

    speed, start_s, end_s = (number_of(row, name) for name in ("speed_factor", "start_s", "end_s"))
    speed = speed or 1.0
    try:
        _demand_measured(row)
        blocks = iter_blocks(row["audio_path"], seconds, 0.0, start_s, end_s, speed)
        rows = [
            drawing.draw_row(b.samples, b.rate_hz, b.origin_s, seconds, line, notes, span, reach, loud_db)
            for b in blocks
            if b.duration_s > 0.05 * seconds or b.origin_s == 0
        ]
    except VibstudyError as error:
        starts = (start_s or 0.0) * speed + np.arange(0.0, max(duration_s, 0.1), seconds)
        rows = [
            drawing.draw_row(None, 1.0, float(start), seconds, line, notes, span, reach, loud_db)
            for start in starts
        ]
        return rows, str(error.problems[0])
    return rows, ""


def _demand_measured(row: Mapping[str, Any]) -> None:
    """Refuse a sound file that is not the one that was measured: its notes would stand beside other sound."""
    measured, path = row.get("audio_sha256"), Path(str(row["audio_path"]))
    if isinstance(measured, str) and path.is_file() and sha256_of(path) != measured:
        message = "this is not the sound that was measured: it was changed or cut since"
        raise VibstudyError(message, str(path), repair="Put the file back, or run 'vibstudy measure'")


def _expected(row: Mapping[str, Any], notes: pd.DataFrame) -> list[dict[str, str]]:
    """What to expect of the medium of a recording, from a minute in its middle."""
    begin, end = number_of(row, "start_s") or 0.0, number_of(row, "end_s")
    length, speed = float(row["duration_s"]), number_of(row, "speed_factor") or 1.0
    if length > STUDIED_S:
        begin += 0.5 * (length - STUDIED_S)
        end = begin + STUDIED_S
    findings = find_media(row["audio_path"], begin or None, end, speed)
    if not np.isfinite(findings.high_edge_hz):
        return []
    pitch = notes["pitch_hz"].dropna().astype(float)
    pitch_hz, room = float(pitch.median()) if len(pitch) else 440.0, Room.from_columns(row)
    asked: dict[str, Any] = {"rates_hz": (6.0,), "extents_cents": (0.0, 10.0, 20.0, 40.0), "tones": 3}
    table = expected_errors(findings, np.random.default_rng(0), pitch_hz, room=room, **asked)
    return [content.expected_words(cell) for cell in table.to_dict("records")]


def _reach(notes: pd.DataFrame) -> float:
    """Greatest deviation worth showing, cents: one and a half times the widest usual extent."""
    extent = notes.loc[trust.usable(notes), "extent_cents"].dropna().astype(float)
    widest = 1.5 * float(extent.quantile(0.95)) if len(extent) else 30.0
    return float(next((size for size in (30, 50, 80, 120, 200) if widest <= size), 300))


def _write_index(study: Study, folder: Path, recordings: pd.DataFrame, notes: pd.DataFrame) -> None:
    log = read_log(study.results)
    failed = log[~log["success"].astype(bool)]
    page = corpus_page(recordings, notes)
    text = templates().get_template("corpus.html").render(
        page=page,
        demo=study.is_demo,
        version=__version__,
        failed=failed[["recording_id", "message"]].fillna("").to_dict("records"),
        size=f"{plural(len(recordings), 'recording')}, {plural(len(notes), 'note')}",
        title=study.folder.name,
        quote=lambda name: quote(str(name), safe=""),
    )  # fmt: skip
    write_text(folder / "index.html", text)
