"""The way in and out: whatever ends a command becomes an exit code and plain words."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from vibstudy.cli.base import FAULT, STOPPED, UNUSABLE, app
from vibstudy.errors import VibstudyError
from vibstudy.terminal import say


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; the exit code is returned."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    debug = "--debug" in words
    words = [word for word in words if word != "--debug"]
    for stream in (sys.stdout, sys.stderr):  # a console that lacks a letter shows another one
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    return _guarded(lambda: app(words, prog_name="vibstudy"), debug)


def _guarded(run: Callable[[], object], debug: bool) -> int:
    """Turn whatever ends the command into an exit code and plain words."""
    try:
        run()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0
        if code == STOPPED:
            say("Stopped. What is done is kept; the same command goes on from there.", error=True)
        return code
    except VibstudyError as error:
        found = error.problems
        say("\n".join(str(problem) for problem in found), error=True)
        if len(found) > 1:
            say(f"{len(found)} problems. Mend them and run the same command again.", error=True)
        return UNUSABLE
    except Exception as error:
        if debug:
            raise
        told = _told_by_the_system(error)
        if told:
            say(told, error=True)
            return UNUSABLE
        say(
            f"vibstudy made a mistake ({type(error).__name__}: {error}). What was finished before is kept; "
            f"details are in {_write_details(error)}",
            error=True,
        )
        return FAULT
    return 0


def _told_by_the_system(error: BaseException) -> str:
    """What to say of a full disk, a lack of memory and the like; "" for a mistake of the tool's own."""
    from vibstudy.corpus.batch import explain

    if not isinstance(error, OSError | MemoryError) or isinstance(error, FileNotFoundError):
        return ""
    words, detail = explain(error)
    return "" if detail else f"{words} What was finished before is kept."


def _write_details(error: BaseException) -> str:
    """Write the traceback where logs belong on this system; return where."""
    import platform
    import tempfile
    import traceback
    from datetime import datetime

    from platformdirs import user_log_path

    from vibstudy import __version__

    text = f"vibstudy {__version__}, Python {platform.python_version()}, {platform.platform()}\n"
    text += "".join(traceback.format_exception(error))
    name = f"fault-{datetime.now():%Y%m%d-%H%M%S}.txt"
    for folder in (user_log_path("vibstudy", appauthor=False), Path(tempfile.gettempdir())):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text, encoding="utf-8")
            return str(folder / name)
        except OSError:
            continue
    return "no file (none could be written); run it again with --debug"
