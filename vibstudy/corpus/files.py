"""Files named in the manifest: where they are, what was probably meant, whether they hold sound.

Paths are taken relative to the manifest's folder. Accepted without a word: ``/`` and ``\\`` between
folders, ``~``, and names whose accents are composed differently on this disk (Unicode NFC and NFD,
UAX #15). Whether a file can be read is told from its header by libsndfile, and by the ``ffprobe`` program
of ffmpeg where libsndfile does not know the format and that program is installed.
"""

from __future__ import annotations

# A manifest may name a hundred thousand files, and os.path is many times faster than pathlib:
# ruff: noqa: PTH111, PTH112, PTH114, PTH115, PTH116, PTH118, PTH122, PTH123
import codecs
import errno
import hashlib
import json
import os
import shutil
import stat
import subprocess
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from vibstudy.errors import closest, did_you_mean

SUFFIXES = {
    "WAV": (".wav", ".wave"),
    "WAVEX": (".wav", ".wave"),
    "RF64": (".wav", ".wave", ".rf64"),
    "FLAC": (".flac",),
    "OGG": (".ogg", ".oga", ".opus"),
    "MPEG": (".mp3", ".mp2", ".mpga"),
    "MP3": (".mp3",),
    "AIFF": (".aif", ".aiff", ".aifc"),
}
_BEGINNINGS: tuple[tuple[bytes, str], ...] = (
    (b"PK\x03\x04", "it is an archive or an office document"),
    (b"%PDF", "it is a PDF"),
    (b"\x89PNG", "it is a picture"),
    (b"\xff\xd8\xff", "it is a picture"),
    (b"MThd", "it is a MIDI file, which holds no sound"),
    (b"version https://git-lfs", "it is a placeholder left by a file store, not the sound itself"),
    (b"\x00\x05\x16\x07", "it is a companion file made by macOS, not the sound itself"),
)
SHORTEST_S = 0.05
"""Shorter files hold nothing to measure: one cycle of 20 Hz."""
LOWEST_RATE_HZ = 2000
"""Half of it, the highest frequency the file can hold, is the C above the treble staff: less is no music."""
LOUDEST = 1e6
"""Largest sample, where full scale is 1: 120 dB above it nothing is sound, and single precision runs out."""
_NEAR_NAMES = 100
"""Missing files for which near names are looked up: the search is slow in large folders."""
_MOST_MISSED = 1000
"""Missing files of which the reason is looked for; where so many are missing, it is the same one."""
_COMPARED = 20_000
"""Names of a folder with which a missing one is compared, for the same reason."""
_FFPROBE_TIMEOUT_S = 20


@dataclass
class Folder:
    """Finds files as the manifest names them, listing each folder once.

    Parameters
    ----------
    base : Path
        Folder of the manifest.
    """

    base: Path
    _listings: dict[str, dict[str, os.DirEntry[str]] | str] = field(default_factory=dict)
    _searches: int = 0
    _missed: int = 0

    def find(self, name: str) -> tuple[str, str, str]:
        """Look for a file.

        Returns
        -------
        path : str
            Absolute path of the file; where it was expected, when it is not there.
        message, repair : str
            Why it cannot be used; "" when it is there.
        """
        if not name.isprintable() and any(unicodedata.category(letter) == "Cc" for letter in name):
            return "", "the file name holds a control character", "Type the name again, or rename the file"
        if "://" in name:
            return "", "this is an address, not a file", "Save the file on this computer and write its path"
        first, base = "", os.fspath(self.base)
        for candidate in _spellings(name):
            path = os.path.normpath(os.path.join(base, os.path.expanduser(candidate)))
            first = first or path
            kind = self._kind(path)
            if kind == "file":
                return path, "", ""
            if kind == "folder":
                return path, "this is a folder, not a file", self._inside(path)
            if kind == "other":
                return path, link_fault(path) or "this is not an ordinary file", "Name the sound file"
        return self._missing(first, name)

    def _kind(self, path: str) -> str:
        folder, name = os.path.split(path)
        listing = self._listing(folder)
        try:  # a folder, a link gone astray, or a disk that does not tell capitals apart
            if isinstance(listing, dict) and name in listing and listing[name].is_file():
                return "file"
            mode = os.stat(path).st_mode
        except (OSError, ValueError):
            return "other" if link_fault(path) else ""
        return "file" if stat.S_ISREG(mode) else "folder" if stat.S_ISDIR(mode) else "other"

    def _listing(self, folder: str) -> dict[str, os.DirEntry[str]] | str:
        """Entries of a folder by name, or why it cannot be listed."""
        if folder not in self._listings:
            try:
                with os.scandir(folder) as entries:
                    self._listings[folder] = {entry.name: entry for entry in entries}
            except OSError as error:
                self._listings[folder] = error.strerror or "it cannot be listed"
        return self._listings[folder]

    def _missing(self, path: str, name: str) -> tuple[str, str, str]:
        if _of_another_computer(name):
            told = "there is no such file; the path is of another computer"
            return path, told, "Write the path as seen from the manifest"
        self._missed += 1
        if self._missed > _MOST_MISSED:
            return path, "there is no such file", "Check the path"
        folder, wanted = os.path.split(path)
        listing = self._listing(folder)
        if isinstance(listing, str):
            if os.path.isdir(folder):
                return path, f"the folder {folder} cannot be read: {listing}", "Allow reading it"
            return path, f"there is no folder {_shown(folder, self.base)}", "Check the path"
        near = self._near(wanted, listing)
        hint = did_you_mean(near) or f"Put the file into {_shown(folder, self.base)}"
        return path, "there is no such file", hint

    def _near(self, wanted: str, listing: dict[str, os.DirEntry[str]]) -> str:
        """The file in the folder with the most similar name, or ""."""
        if self._searches >= _NEAR_NAMES:
            return ""
        self._searches += 1
        return near_file(wanted, listing)

    def _inside(self, path: str) -> str:
        listing = self._listing(path)
        names = sorted(listing)[:3] if isinstance(listing, dict) else []
        return f"Name a file in it, such as {', '.join(names)}" if names else "Name a file"


def near_file(wanted: str, names: Iterable[str]) -> str:
    """The most similar name of a file, or "". Compared without endings: all sound files share those."""
    folded = {_folded(name): name for name in names if not name.startswith(".")}
    stem, ending = os.path.splitext(_folded(wanted))
    same_ending_last = sorted(folded, key=lambda name: name.endswith(ending))
    stems = {os.path.splitext(name)[0]: folded[name] for name in same_ending_last}
    near = stem if stem in stems else closest(stem, list(stems)[-_COMPARED:])
    return folded.get(_folded(wanted)) or stems.get(near, "")


def link_fault(path: str | Path) -> str:
    """Why a link leads nowhere, "" for anything else: what it leads to is gone, or is itself."""
    try:
        os.stat(path)
    except OSError as error:
        if error.errno == errno.ELOOP:
            return "this is a link that leads to itself"
        return f"this is a link to {os.readlink(path)!r}, which is not there" if os.path.islink(path) else ""
    except ValueError:  # a name that no file can have
        return ""
    return ""


def _spellings(name: str) -> Iterator[str]:
    """`name` as written, then with the other separators and the other compositions of accents."""
    yield name
    forms = [name, name.replace("\\", "/")] if os.sep == "/" and "\\" in name else [name]
    yield from forms[1:]
    if not name.isascii():
        yield from (unicodedata.normalize(kind, form) for form in forms for kind in ("NFC", "NFD"))


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _of_another_computer(name: str) -> bool:
    drive = len(name) > 2 and name[1] == ":" and name[0].isalpha()
    return (drive and os.name != "nt") or name.startswith(("/Users/", "/Volumes/", "\\\\"))


def _shown(folder: str, base: Path) -> str:
    """`folder` as a person would say it, relative to the manifest where that is shorter."""
    try:
        relative = os.path.relpath(folder, base)
    except ValueError:  # another drive
        return folder
    if relative == ".":
        return "the manifest's folder"
    return relative if not relative.startswith("..") else folder


@dataclass(frozen=True)
class Probe:
    """What a sound file's header says.

    Parameters
    ----------
    duration_s : float
        Length; NaN when not known.
    fault, repair : str
        Why the file cannot be used; "" when it can.
    note : str
        What should be known about a file that can be used.
    """

    duration_s: float = float("nan")
    fault: str = ""
    repair: str = ""
    note: str = ""


_COPY_AGAIN = "Copy it again from its source"


def probe_audio(path: str) -> Probe:
    """Look at a sound file's header."""
    import soundfile

    try:
        size = os.stat(path).st_size
        with open(path, "rb") as stream:
            head = stream.read(512)
    except OSError as error:
        return Probe(fault=f"the file cannot be opened: {error.strerror}", repair="Allow reading it")
    if size == 0:
        return Probe(fault="the file is empty (0 bytes)", repair=_COPY_AGAIN)
    # told before a decoder is asked: that of MP3 prints its own search for frames
    if _is_text(head) and not head.startswith(b"NIST_1A"):
        return _not_sound(head)
    try:
        info = soundfile.info(path)
    except Exception as error:
        reason = str(getattr(error, "error_string", error)).strip(" .")
        if reason.startswith("File does not exist"):  # libsndfile's words for what its MP3 decoder refuses
            reason = "Format not recognised"
        return _probe_further(path, head, reason)
    if info.samplerate < LOWEST_RATE_HZ:
        few = f"the file says it holds {info.samplerate} samples a second: too few for music"
        return Probe(fault=few, repair=_COPY_AGAIN)
    if info.frames < SHORTEST_S * info.samplerate:
        return Probe(fault=f"the file holds no sound, or less than {SHORTEST_S} s of it", repair=_COPY_AGAIN)
    suffix = Path(path).suffix.lower()
    right = SUFFIXES.get(info.format)
    note = f"the name ends in {suffix!r} but the file is {info.format}; read as {info.format}"
    if _broken_off(head, size):
        return Probe(
            info.frames / info.samplerate,
            note="the file ends before its header says: a copy may have been broken off",
            repair=_COPY_AGAIN,
        )
    return Probe(info.frames / info.samplerate, note=note if right and suffix and suffix not in right else "")


_UNKNOWN_BYTES = 0x7FFF0000
"""From here on up stands in the header of a WAV whose writer did not know its length (a pipe)."""


def _broken_off(head: bytes, size: int) -> bool:
    """Whether a WAV file has fewer bytes than its header says; libsndfile reads what is there."""
    said = int.from_bytes(head[4:8], "little")
    return head.startswith(b"RIFF") and head[8:12] == b"WAVE" and size < said + 8 < _UNKNOWN_BYTES


def _is_text(head: bytes) -> bool:
    """Whether a file begins with text alone: the headers of sound files, but for NIST's, hold other bytes."""
    try:  # the last letter may be cut
        letters = codecs.getincrementaldecoder("utf-8-sig")().decode(head)
    except UnicodeDecodeError:
        return False
    return all(letter.isprintable() or letter in "\t\r\n" for letter in letters)


def _not_sound(head: bytes) -> Probe:
    """Say what a file is that holds no sound."""
    for beginning, kind in _BEGINNINGS:
        if head.startswith(beginning):
            return Probe(fault=f"this is not a sound file: {kind}", repair="Put the sound file in its place")
    if head.lstrip()[:1] == b"<":
        return Probe(
            fault="this is not a sound file: it is a web page or other marked-up text",
            repair="A download may have failed; fetch the sound itself",
        )
    return Probe(fault="this is not a sound file: it is text", repair="Put the sound file in its place")


def _probe_further(path: str, head: bytes, reason: str) -> Probe:
    """A file libsndfile cannot read: let ffprobe try, or say what it is."""
    if head.startswith(tuple(beginning for beginning, _ in _BEGINNINGS)):
        return _not_sound(head)
    if not head.strip(b"\x00"):
        zeros = "the file begins with nothing but zeros: a copy may have been broken off"
        return Probe(fault=zeros, repair=_COPY_AGAIN)
    if shutil.which("ffprobe"):
        duration_s = _ffprobe_duration_s(path)
        if duration_s is not None:
            return Probe(duration_s)
    elif head[4:8] == b"ftyp" or head.startswith((b"\x1aE\xdf\xa3", b"0&\xb2u", b"\xff\xf1", b"\xff\xf9")):
        return Probe(
            fault="this format needs the program ffmpeg, which is not installed",
            repair="Install ffmpeg, or convert the file to WAV or FLAC",
        )
    return Probe(
        fault=f"the file cannot be read as sound: {reason}",
        repair="Open it in an audio player; if it plays, save it as WAV or FLAC",
    )


def _ffprobe_duration_s(path: str) -> float | None:
    """Length by ffprobe (NaN when not known); None when it finds no sound either."""
    command = ["ffprobe", "-v", "error", "-select_streams", "a", "-of", "json"]
    command += ["-show_entries", "stream=codec_type:format=duration", f"file:{path}"]
    try:
        done = subprocess.run(command, capture_output=True, timeout=_FFPROBE_TIMEOUT_S, check=True)
        found = json.loads(done.stdout)
    except (OSError, subprocess.SubprocessError, ValueError):
        return None
    if not found.get("streams"):
        return None
    try:
        return float(found.get("format", {}).get("duration", "nan"))
    except ValueError:
        return float("nan")


def sha256_of(path: str | Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
