"""Random damage of a package, in a process of its own: ``python -m tests.fuzz_packages PACKAGE EXAMPLES``.

Fails when anything but a refusal comes out, when a package makes this process start another one, open a
connection or touch the file ``canary``, when one takes more than 5 s, or all of them more than 1 GB.
"""

from __future__ import annotations

import contextlib
import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from tests.parcel_study import seal
from vibstudy.errors import VibstudyError
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
    """Try so many damaged packages."""
    global armed
    sys.addaudithook(watch)
    verify_package(package)  # loads what it needs
    count, slowest = 0, 0.0

    @seed(20260101)
    @settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(changes, st.booleans())
    def attack(asked: list, sealed: bool) -> None:
        nonlocal count, slowest
        global armed
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "p"
            shutil.copytree(package, folder)
            for file, *how in asked:
                (folder / file).write_bytes(damaged((folder / file).read_bytes(), *how))
            same = all((folder / n).read_bytes() == (package / n).read_bytes() for n in FILES)
            if sealed:
                with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):
                    seal(folder)
            began = time.process_time()
            armed = True
            try:
                problems = verify_package(folder).problems
            except VibstudyError as error:
                problems = error.problems
            finally:
                armed = False
            slowest = max(slowest, time.process_time() - began)
            assert problems or same or sealed, asked
            assert all(problem.file and problem.repair for problem in problems), problems
        count += 1

    attack()
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    assert not Path("canary").exists(), "code of a package ran"
    assert slowest < 5.0, f"one took {slowest:.1f} s"
    assert used < 1.0, f"{used:.2f} GB"
    print(f"{count} packages, slowest {slowest:.2f} s, {used:.2f} GB")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
