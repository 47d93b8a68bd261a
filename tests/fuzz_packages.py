"""Random damage of a package, in a process of its own: ``python -m tests.fuzz_packages PACKAGE EXAMPLES``.

Fails when anything but a refusal comes out, when a package makes this process start another one, open a
connection or touch the file ``canary``, when one takes more than 5 s, or all of them more than 1 GB.
"""

from __future__ import annotations

import contextlib
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from benchmarks.memory import rss_mb
from tests.parcel_study import seal
from vibstudy.errors import Problem, VibstudyError
from vibstudy.paper import verify
from vibstudy.paper.assemble import DESCRIPTOR
from vibstudy.paper.contents import FILES
from vibstudy.paper.verify import verify_package

FORBIDDEN = ("os.system", "os.exec", "os.posix_spawn", "os.fork", "subprocess", "socket.connect")
BAIT = [
    "__import__('os').system('touch canary')",
    "{`decade` + __import__('os').system('touch canary')}",
    "I(`decade` * 0 + __import__('os').system('touch canary'))",
    "`decade` + __import__('os').system('touch canary')",
    "!!python/object/apply:os.system ['touch canary']",
    "=cmd|' /C touch canary'!A1",
    "{{ ''.__class__.__mro__ }}",
    "\x00", "\ufeff", "\r", "\n", '"', ",", "9" * 400, "1e999", "nan", "-inf", "[[claim]]", "../etc/passwd",
]  # fmt: skip
READ = "read to the end"
armed = False


def watch(event: str, _: tuple) -> None:
    """Refuse what no package may cause."""
    if armed and event.startswith(FORBIDDEN):
        raise SystemExit(f"a package caused {event}")


pieces = st.one_of(st.sampled_from(BAIT).map(str.encode), st.binary(min_size=1, max_size=12))
changes = st.lists(
    st.tuples(
        st.sampled_from(sorted(FILES)),
        st.sampled_from(["insert", "replace", "cut", "twice"]),
        st.floats(0, 1, exclude_max=True),
        st.integers(0, 60),
        pieces,
    ),
    min_size=1,
    max_size=3,
)


def damaged(content: bytes, how: str, at: float, length: int, piece: bytes) -> bytes:
    """`content` with one change."""
    place = int(at * len(content))
    before, hit, after = content[:place], content[place : place + length], content[place + length :]
    return {
        "insert": before + piece + hit + after,
        "replace": before + piece + after,
        "cut": before + after,
        "twice": before + hit + hit + after,
    }[how]


def main(package: Path, examples: int) -> None:
    """Try so many damaged packages.

    Most stop at the first hash; every twentieth is sealed again and read, and every twentieth of those made
    again, too, which takes models and verdicts.
    """
    global armed
    sys.addaudithook(watch)
    verify_package(package)  # loads what it needs
    whole = {name: (package / name).read_bytes() for name in FILES}
    if Path("/dev/shm").is_dir():  # thousands of small files
        tempfile.tempdir = "/dev/shm"
    home = tempfile.TemporaryDirectory()
    folder = Path(home.name) / "p"
    shutil.copytree(package, folder)
    counts, slowest = Counter[str](), 0.0
    make = verify.write_parts

    def stop(*_: object) -> None:
        raise VibstudyError(Problem(READ, "all files", repair="none"))

    @seed(20260101)
    @settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(changes)
    def attack(asked: list) -> None:
        nonlocal slowest
        global armed
        number = sum(counts.values()) - counts[READ]
        sealed, again = number % 20 == 0, number % 400 == 0
        content = dict(whole)
        for file, *how in asked:
            content[file] = damaged(content[file], *how)
        for name in [name for name in whole if content[name] != whole[name]]:
            (folder / name).write_bytes(content[name])
        if sealed:
            with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):
                seal(folder)
        verify.write_parts = make if again else stop
        began = time.process_time()
        armed = True
        try:
            problems = verify_package(folder).problems
        except VibstudyError as error:
            problems = error.problems
        finally:
            armed = False
        slowest = max(slowest, time.process_time() - began)
        for name, old in whole.items():
            if content[name] != old or (sealed and name == DESCRIPTOR):
                (folder / name).write_bytes(old)
        assert problems or content == whole or sealed, asked
        assert all(problem.file and problem.repair for problem in problems), problems
        counts["made again" if again else "sealed" if sealed else "as they are"] += 1
        counts[READ] += any(problem.message == READ for problem in problems)

    attack()
    used = rss_mb() * 1024 / 1e6
    assert not Path("canary").exists(), "code of a package ran"
    assert slowest < 5.0, f"one took {slowest:.1f} s"
    assert used < 1.0, f"{used:.2f} GB"
    said = ", ".join(f"{count} {name}" for name, count in sorted(counts.items()))
    print(f"{said}; slowest {slowest:.2f} s, {used:.2f} GB, {time.process_time():.1f} s in all")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
