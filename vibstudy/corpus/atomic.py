"""Files written whole or not at all.

Each is written under a temporary name and then put in its place in one step, and only when its content
has changed, so that whoever reads meanwhile sees the old file or the new one. A place that cannot be
written to (a full disk, a file that another program holds open) is told with the repair.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from vibstudy.corpus.files import sha256_of
from vibstudy.corpus.untrusted import TEMPORARY
from vibstudy.errors import VibstudyError

NO_ROOM = {
    getattr(errno, "EDQUOT", errno.ENOSPC): "your share of the disk is full",
    errno.ENOSPC: "the disk is full",
    errno.EFBIG: "this file would be larger than this disk allows",
}
"""What stands in the way of writing, by the system's number."""


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[IO[bytes]]:
    """A stream whose content takes the place of `path` in one step, when it differs."""
    demand_place(path)
    temporary = path.with_name(f"{path.name}.{os.getpid()}{TEMPORARY}")
    try:
        with temporary.open("wb") as stream:
            yield stream
        put_in_place(temporary, path)
    except BaseException as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            raise VibstudyError(
                NO_ROOM[error.errno],
                str(path),
                repair="Make room and run the same command again; what was finished before is kept",
            ) from None
        raise


def demand_place(path: Path) -> None:
    """Refuse to write where there is no folder, or where something stands that is no file.

    Raises
    ------
    VibstudyError
        For these; a device would be lost, were it replaced.
    """
    if path.is_dir():
        raise VibstudyError("this is a folder, not a file", str(path), repair="Name a file in it")
    if not path.parent.is_dir():
        raise VibstudyError("there is no such folder", str(path.parent), repair="Make it first")
    if path.exists() and not path.is_file():
        raise VibstudyError("this is not an ordinary file", str(path), repair="Choose another name")


def put_in_place(temporary: Path, path: Path) -> None:
    """Let `temporary` take the place of `path`; drop it when the content is the same."""
    if (
        path.exists()
        and path.stat().st_size == temporary.stat().st_size
        and sha256_of(path) == sha256_of(temporary)
    ):
        temporary.unlink()
        return
    try:
        temporary.replace(path)
    except PermissionError:
        raise VibstudyError(
            "this file cannot be replaced",
            str(path),
            repair="Close the program that has it open, then run the same command again; nothing is lost",
        ) from None


def json_bytes(content: Mapping[str, Any]) -> bytes:
    """Content of a JSON file."""
    return json.dumps(content, indent=1, ensure_ascii=False, sort_keys=True).encode()


def write_text(path: Path, text: str) -> None:
    """Write a text file in one step."""
    with replacing(path) as stream:
        stream.write(text.encode("utf-8"))


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write a JSON file in one step."""
    with replacing(path) as stream:
        stream.write(json_bytes(content))
