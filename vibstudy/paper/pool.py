"""Several studies as one: data packages joined into a study folder, on which claims can be tested.

Every package is verified first (:mod:`vibstudy.paper.verify`); nothing is joined unless all agree with
themselves.

* **Studies** have names: that of the package's folder (of the folder above, where it is called as 'vibstudy
  package' calls it), or ``NAME=FOLDER``. The column ``study`` says where
  a recording comes from, and stands as a random factor (``crossed``) in every claim: studies differ in how
  recordings were found, and two of them are not one larger one.
* **Recordings** are called ``STUDY.recording_id``, notes likewise. The same sound in two studies counts once.
* **Players** of two studies are the same person only when a table says so: a CSV with the columns ``study,
  player, pooled``, where ``pooled`` is the name to be used. Players of the same name that the table does not
  mention stay apart (``Name (study)``); names that look alike are told, never joined.
* **Claims** of all packages are kept; the same claim in several is one. Claims of the same id with another
  content get their study's name in front. The pooled claims are new ones (they hold a further factor),
  written after the recordings were measured, and the log will say so.
* **Logs** become one, ``results/claims_log.csv``: what any study tested and took out again counts with the
  pooled claims in Holm's correction. The logs as they were are kept in ``logs``.
* **Columns** of the user's own that are numbers in one study and words in another become words.

Written are ``results/notes.csv``, ``results/recordings.csv`` with their dictionary, ``claims.toml``, the log
and ``logs/``, settings and versions of each (:mod:`vibstudy.paper.origins`), and a manifest whose column
``path`` is empty: there is no sound, and the pooled study can be modelled and written up, not measured.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.corpus.atomic import write_text
from vibstudy.corpus.names import name_fault
from vibstudy.corpus.spelling import near_pairs
from vibstudy.corpus.tables import TABLES, write_frame, write_package
from vibstudy.corpus.texttable import read_text_table
from vibstudy.corpus.untrusted import TEMPORARY
from vibstudy.errors import Problem, VibstudyError, nearest, raise_any
from vibstudy.paper.origins import STUDY, keep_origins
from vibstudy.paper.parts import PACKAGE_FOLDER, PATH_COLUMNS, About, Parts, read_parts
from vibstudy.paper.verify import verify_package
from vibstudy.schema import (
    FIGURE_CELLS,
    MANIFEST_COLUMNS,
    PROVENANCE_COLUMNS,
    RECORDING_COLUMNS,
)
from vibstudy.stats.claimfile import CLAIMS_FILE, Claim, claims_text
from vibstudy.stats.history import pooled_rows
from vibstudy.stats.ledger import FILE_NAME, Ledger

NAMES_COLUMNS = ("study", "player", "pooled")

_NAME = re.compile(r"[\w-]{1,40}")


@dataclass(frozen=True, eq=False)
class Pooled:
    """What was joined.

    Parameters
    ----------
    folder : Path
        The study folder written.
    studies : dict
        Recordings of each study.
    players, recordings, notes, claims : int
    told : tuple of str
        What to know: players kept apart, names that look alike, sounds counted once, differing settings.
    """

    folder: Path
    studies: dict[str, int]
    players: int
    recordings: int
    notes: int
    claims: int
    told: tuple[str, ...]


def pool_packages(packages: Sequence[str], out: str | Path, names: str | Path | None = None) -> Pooled:
    """Join data packages into a study folder.

    Parameters
    ----------
    packages : sequence of str
        Folders made by 'vibstudy package', or ``NAME=FOLDER``.
    out : path
        Folder to make.
    names : path | None
        CSV that says which players are the same person.

    Raises
    ------
    VibstudyError
        With every problem; nothing is written then.
    """
    out = Path(out)
    studies = _named(packages)
    if out.exists():
        raise VibstudyError("this folder is there already", str(out), repair="Name another with --out")
    parts = _verified(studies)
    table = _read_names(names, parts) if names is not None else {}
    called, told = _call_players(parts, table)
    told += _differing_settings(parts)
    notes, recordings = (
        _joined([_renamed(getattr(part, kind), study, called[study]) for study, part in parts.items()])
        for kind in ("notes", "recordings")
    )
    notes, recordings, repeated = _each_sound_once(notes, recordings)
    claims = _claims(parts)
    told += _write(out, notes, recordings, claims, parts)
    return Pooled(
        out,
        {name: int((recordings[STUDY] == name).sum()) for name in parts},
        int(notes["player"].nunique()),
        len(recordings),
        len(notes),
        len(claims),
        (*told, *repeated),
    )


def _named(packages: Sequence[str]) -> dict[str, Path]:
    """Folder of each study by its name."""
    problems, found = [], {}  # type: list[Problem], dict[str, Path]
    for text in packages:
        name, equals, folder = text.partition("=")
        if not equals or Path(text).is_dir():
            folder, whole = text, Path(text).resolve()
            name = whole.parent.name if whole.name == PACKAGE_FOLDER else whole.name
        if Path(folder).is_file():
            wrong = "there is no folder here"
            problems.append(Problem(wrong, folder, repair="Unpack the package and name its folder"))
        elif not _NAME.fullmatch(name):
            wrong = "a study's name is made of letters, digits, _ and -"
            problems.append(Problem(wrong, got=name, repair="Write NAME=FOLDER"))
        elif name in found:
            problems.append(
                Problem("two packages have this name", got=name, repair="Write NAME=FOLDER for one")
            )
        else:
            found[name] = Path(folder)
    if not problems and len(found) < 2:
        problems.append(
            Problem("there is nothing to pool", got=", ".join(found), repair="Name two packages or more")
        )
    raise_any(problems)
    return found


def _verified(studies: Mapping[str, Path]) -> dict[str, Parts]:
    problems: list[Problem] = []
    parts = {}
    for name, folder in studies.items():
        try:
            own = verify_package(folder).problems
            problems += [
                replace(p, file=f"{folder}/{p.file}" if p.file != str(folder) else p.file) for p in own
            ]
            if not own:
                parts[name] = read_parts(folder, About())
        except VibstudyError as error:
            problems += error.problems
    for name, part in parts.items():
        if STUDY in part.notes or STUDY in part.recordings:
            problems.append(
                Problem(
                    "this package has a column of the name that tells studies apart", str(studies[name]),
                    column=STUDY, repair="Rename it in that study's manifest, measure and pack again",
                )
            )  # fmt: skip
    raise_any(problems)
    return parts


# --- players


def _players(part: Parts) -> list[str]:
    return sorted(
        set(part.recordings["player"].dropna().astype(str)) | set(part.notes["player"].dropna().astype(str))
    )


def _read_names(path: str | Path, parts: Mapping[str, Parts]) -> dict[tuple[str, str], str]:
    """Pooled name by study and player."""
    file = str(path)
    read = read_text_table(path, NAMES_COLUMNS)
    problems = list(read.problems)
    problems += [
        Problem("this column is missing", file, column=name, repair=f"Columns: {', '.join(NAMES_COLUMNS)}")
        for name in NAMES_COLUMNS
        if name not in read.header
    ]
    raise_any(problems)
    found: dict[tuple[str, str], str] = {}
    for number, cells in zip(read.numbers, read.rows, strict=True):
        row = dict(zip(read.header, cells, strict=True))
        study, player, pooled = (row[name] for name in NAMES_COLUMNS)
        if study not in parts:
            repair = nearest(study, list(parts)) or f"Studies: {', '.join(parts)}"
            problems.append(Problem("no study of this name is pooled", file, number, "study", study, repair))
        elif player not in (there := _players(parts[study])):
            told = f"study {study} has no such player"
            problems.append(Problem(told, file, number, "player", player, nearest(player, there)))
        elif not pooled:
            problems.append(Problem("the name to be used is missing", file, number, "pooled"))
        elif (study, player) in found:
            problems.append(Problem("this player has a row already", file, number, "player", player))
        else:
            found[study, player] = pooled
    raise_any(problems)
    return found


def _call_players(
    parts: Mapping[str, Parts], table: Mapping[tuple[str, str], str]
) -> tuple[dict[str, dict[str, str]], list[str]]:
    """Pooled name of each player by study, and what to tell."""
    homes: dict[str, list[str]] = {}
    for study, part in parts.items():
        for player in _players(part):
            if (study, player) not in table:
                homes.setdefault(player, []).append(study)
    given = set(table.values())
    called: dict[str, dict[str, str]] = {}
    for study, part in parts.items():
        own = called[study] = {}
        for player in _players(part):
            apart = len(homes.get(player, ())) > 1 or player in given
            own[player] = table.get((study, player)) or (f"{player} ({study})" if apart else player)
    told = [
        f"{player!r} of {' and '.join(where)} are kept apart: no row of the table of names joins them."
        for player, where in homes.items()
        if len(where) > 1 or player in given
    ]
    source = {name: study for study, own in called.items() for name in own.values()}
    told += [
        f"{first!r} and {second!r} look alike and are kept apart."
        for first, second in near_pairs(source)
        if source[first] != source[second] and not first.startswith(f"{second} (")
    ]
    return called, told


# --- tables


def _renamed(frame: pd.DataFrame, study: str, called: Mapping[str, str]) -> pd.DataFrame:
    out = frame.copy()
    for name in ("recording_id", "note_id"):
        if name in out:
            out[name] = study + "." + out[name].astype("string")
    for name in ("player", "teacher"):
        if name in out:
            texts = out[name].astype("string")
            out[name] = texts.map(called).astype("string").fillna(texts)
    out[STUDY] = pd.Series(study, index=out.index, dtype="string")
    return out


def _joined(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """One table; a column whose kinds differ becomes words."""
    kinds: dict[str, set[str]] = {}
    for frame in frames:
        for name in frame:
            if frame[name].notna().any():
                kinds.setdefault(str(name), set()).add(str(frame[name].dtype))
    mixed = [
        name for name, found in kinds.items() if "string" in {k.lower() for k in found} and len(found) > 1
    ]
    alike = [
        frame.drop(columns=[n for n in frame if str(n) not in kinds]).assign(
            **{name: frame[name].astype("string") for name in mixed if name in frame}
        )
        for frame in frames
    ]
    order = list(dict.fromkeys(str(name) for frame in frames for name in frame))
    return pd.concat(alike, ignore_index=True).reindex(columns=order)


def _each_sound_once(
    notes: pd.DataFrame, recordings: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Leave out recordings that an earlier study holds as well."""
    part = [name for name in ("audio_sha256", "start_s", "end_s") if name in recordings]
    if "audio_sha256" not in part:
        return notes, recordings, []
    key = recordings[part].astype("string").fillna("").agg("\t".join, axis=1)
    key = key.where(
        recordings["audio_sha256"].notna() & (recordings["audio_sha256"] != ""), recordings["recording_id"]
    )
    problems, left, told = [], [], []  # type: list[Problem], list[str], list[str]
    for _, same in recordings.groupby(key, sort=False):
        for _, other in same.iloc[1:].iterrows():
            first = same.iloc[0]
            if other[STUDY] == first[STUDY]:
                continue
            if str(other["player"]) != str(first["player"]):
                both = f"{first['recording_id']} and {other['recording_id']}"
                problems.append(
                    Problem(
                        f"{both} are the same sound, of two players",
                        column="player", got=f"{first['player']}, {other['player']}",
                        repair="Give both one name in the table of names (--names)",
                    )
                )  # fmt: skip
            left.append(str(other["recording_id"]))
            told.append(
                f"{other['recording_id']} is the same sound as {first['recording_id']}, and is left out."
            )
    raise_any(problems)
    gone = {name: ~frame["recording_id"].isin(left) for name, frame in (("n", notes), ("r", recordings))}
    return notes[gone["n"]].reset_index(drop=True), recordings[gone["r"]].reset_index(drop=True), told


def _differing_settings(parts: Mapping[str, Parts]) -> list[str]:
    settings = [part.environment.get("settings", {}) for part in parts.values()]
    keys = sorted({key for own in settings for key in own})
    differ = [key for key in keys if len({repr(own.get(key)) for own in settings}) > 1]
    return [f"The studies were measured with different settings: {', '.join(differ)}."] if differ else []


# --- claims


def _claims(parts: Mapping[str, Parts]) -> list[Claim]:
    """Claims of all studies, with the study as a further random factor."""
    found: dict[str, Claim] = {}
    seen: dict[str, str] = {}
    for study, part in parts.items():
        for claim in part.claims:
            if claim.sha256 in seen:
                name = seen[claim.sha256]
                found[name] = replace(found[name], exploratory=found[name].exploratory or claim.exploratory)
                continue
            name = claim.id if claim.id not in found else f"{study}-{claim.id}"
            seen[claim.sha256] = name
            found[name] = replace(claim, id=name, crossed=(*claim.crossed, STUDY))
    return list(found.values())


# --- writing


def _manifest(recordings: pd.DataFrame) -> pd.DataFrame:
    """Who plays where and when, without the files and what was said of them."""
    known = {column.name for column in (*RECORDING_COLUMNS, *PROVENANCE_COLUMNS)}
    tags = {column.name for column in MANIFEST_COLUMNS} - {*PATH_COLUMNS, *FIGURE_CELLS} | {"medium"}
    names = [name for name in recordings if name in tags or name not in known | set(FIGURE_CELLS)]
    out = recordings[[name for name in names if name != "recording_id"]].copy()
    out.insert(0, "path", pd.Series("", index=out.index, dtype="string"))
    out.insert(0, "recording_id", recordings["recording_id"])
    return out


def _write(
    out: Path,
    notes: pd.DataFrame,
    recordings: pd.DataFrame,
    claims: Sequence[Claim],
    parts: Mapping[str, Parts],
) -> list[str]:
    problems = [
        Problem("this column cannot be written", column=str(name), repair=name_fault(name))
        for name in {*notes, *recordings}
        if name_fault(name)
    ]
    raise_any(problems)
    draft = out.with_name(out.name + TEMPORARY)
    shutil.rmtree(draft, ignore_errors=True)
    try:
        results = draft / "results"
        results.mkdir(parents=True)
        tables = {"notes.csv": notes, "recordings.csv": recordings}
        write_package(
            results,
            {name: write_frame(results / name, table, TABLES[name][1]) for name, table in tables.items()},
        )
        write_frame(draft / MANIFEST_NAME, _manifest(recordings))
        if claims:
            write_text(draft / CLAIMS_FILE, claims_text(claims))
        keep_origins(draft, {study: part.environment for study, part in parts.items()})
        ledgers = {}
        for study, log in ((study, part.log) for study, part in parts.items() if part.log):
            (draft / "logs").mkdir(exist_ok=True)
            write_text(draft / "logs" / f"{study}.csv", log)
            ledgers[study] = Ledger(draft / "logs" / f"{study}.csv")
        if ledgers:
            rows = pooled_rows(ledgers, {study: parts[study].claims for study in ledgers})
            Ledger.made_of(results / FILE_NAME, rows)
        draft.rename(out)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return [
        f"The log of {study} does not follow from row {ledger.broken} on: what it says of before and "
        "after is not to be relied on."
        for study, ledger in ledgers.items()
        if ledger.broken is not None
    ]
