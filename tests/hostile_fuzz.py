"""Formulas and filters of an enemy, in a process of its own: run as ``hostile_fuzz.py EXAMPLES CANARY``.

The texts are put together from the grammar's own words, from Python, from look-alikes and from columns whose
names are traps; the table holds such columns, too. While a text is read and its design made, an audit hook
(PEP 578) counts every attempt to compile, run, open, start or connect to anything but Python's own files.
What ends in anything but a result or a refusal in words, takes five seconds of processor time, or lets the
process grow by a gigabyte, is a finding; findings are printed, and the last line tells the number of texts
tried.
"""

from __future__ import annotations

import contextlib
import sys
import time
from collections import Counter
from collections.abc import Callable

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmarks.memory import rss_mb
from vibstudy.errors import VibstudyError
from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.claims import examine
from vibstudy.stats.filters import select
from vibstudy.stats.frames import prepare
from vibstudy.stats.marginal import Grid

LIMIT_S, LIMIT_MB = 5.0, 1_000_000 / 1024
WATCHED = ("compile", "exec", "open", "os.", "subprocess.", "socket.", "ctypes.", "shutil.", "pty.")

CANARY = sys.argv[2]
CODE = f"__import__('os').system('touch {CANARY}')"
TRAPS = [
    f"`decade` + {CODE}",
    f"decade` + {CODE}",
    f"{{{CODE}}}",
    CODE,
    "C",
    "log",
    "np",
    "Q",
    "__class__",
    "__builtins__",
    "a:b",
    "a + b",
    "region ",
    "ｄｅｃａｄｅ",
    "x\u200by",
    "line\nbreak",
    "1",
    "missing",
    "and",
    "True",
]
NAMES = ["rate_hz", "decade", "region", "midi", "player", "flag", "level", "nobody", *TRAPS]
_SPELT = r"""
+ - * / : ~ ** ( ) [ ] { } , = == != < <= > >= ` " ' \ . | & % @ ; # 0 1 2 4 20 9**9**9 1e999 1e308 0x10 1_0
C( I( log( log2( sqrt( poly( bs( center( scale( exp( np.log( Treatment( contr.treatment( missing( and or not
in True False None lambda: yield import eval( exec( open( __import__( getattr( Q( 999999999999999999999999 1j
"""
WORDS = [
    *_SPELT.split(),
    "\n",
    "\r\n",
    "\t",
    "\x00",
    "\N{ARABIC-INDIC DIGIT ONE}",
    "'os'",
    '"North"',
    "'South'",
    f"'{CODE}'",
    f"{{{CODE}}}",
    f"I({CODE})",
    f"C(region, Treatment({CODE}))",
    "degree=1000000",
    "decade.__class__.__mro__",
    "[x for x in ().__class__.__bases__]",
    "ｅｖａｌ(",
    "\u202e",
    "\ud800",
]
GOOD = [
    "rate_hz ~ C(decade) * region + midi",
    "log2(rate_hz) ~ poly(midi, 3) + bs(decade, 4):region",
    "rate_hz ~ (region + flag + midi)**2 - 1",
    'rate_hz ~ C(region, Treatment("South")) + I(2 * midi)',
    "region == 'North' and midi >= 60 or not flag",
    "decade in [1930, 1950] and not missing(midi)",
    "50 < midi <= 70",
]


ATTACKS = [
    f"{{`decade` + {CODE}}}",
    f"I(`decade` * 0 + {CODE})",
    f"`{TRAPS[0]}`",
    f"rate_hz ~ `{TRAPS[1]}`",
    f"I(decade) + `decade` + {CODE}",
    "I(9**9**9)",
    "(region + flag)**500",
    "poly(midi, degree=1000000)",
    "bs(midi, df=1000000)",
    "C(recording_id) * C(level) * C(midi) * C(decade)",
]
"""What ran code, or hung, in a state before."""


def table() -> pd.DataFrame:
    """A small note table whose columns and levels are traps."""
    rng = np.random.default_rng(3)
    n = 72
    frame = pd.DataFrame(
        {
            "player": [f"Player {k % 6}" for k in range(n)],
            "recording_id": [f"take{k % 12}" for k in range(n)],
            "rate_hz": 5 + rng.random(n),
            "decade": 1930 + 20 * rng.integers(0, 3, n),
            "region": rng.choice(["North", "South"], n),
            "midi": rng.integers(50, 80, n),
            "flag": rng.random(n) > 0.5,
            "level": rng.choice([CODE, "__x", "a:b", "[T.1]"], n),
            **{name: rng.integers(0, 4, n) for name in TRAPS},
            1950: rng.integers(0, 4, n),
            ("a", "b"): rng.integers(0, 4, n),
        }
    )
    # a claim about it is borne out, so that every further question about an answer is asked, too
    return frame.assign(rate_hz=frame["rate_hz"] + (1950 - frame["decade"]) / 40)


FRAME = table()


def as_formula(text: str) -> None:
    prepared = prepare(FRAME, text if "~" in text else f"rate_hz ~ {text}")
    Grid(prepared).row({})


def as_filter(text: str) -> None:
    select(FRAME, text)


def as_claim(text: str) -> None:
    contrast = Contrast("decade", 1930, 1970)
    for changes in ({"adjust": (text,)}, {"outcome": text}, {"filter": text}):
        values = {"id": "c", "sentence": text, "outcome": "rate_hz", "contrast": contrast, "expect": "lower"}
        examine(Claim(**{**values, **changes}), FRAME)


watching = False
events: Counter[str] = Counter()
findings: list[str] = []
tried = understood = 0


def hook(event: str, arguments: tuple) -> None:
    if watching and event.startswith(WATCHED) and not any(map(of_a_library, arguments)):
        events[f"{event} {arguments!r}"[:200]] += 1


def of_a_library(argument: object) -> bool:
    """A file of Python or of a library: fitting a model imports some late, and asks their versions."""
    name = getattr(argument, "co_filename", argument)
    return isinstance(name, str) and name.startswith((sys.prefix, sys.base_prefix))


def attempt(read: Callable[[str], None], text: str) -> None:
    global watching, tried, understood
    tried += 1
    events.clear()
    began = time.process_time()
    watching = True
    try:
        read(text)
        understood += 1
    except VibstudyError:
        pass
    except BaseException as error:
        watching = False
        findings.append(f"{read.__name__} {text!r}: {type(error).__name__}: {error}")
    watching = False
    if events:
        findings.append(f"{read.__name__} {text!r}: did {dict(events)}")
    if time.process_time() - began > LIMIT_S:
        findings.append(f"{read.__name__} {text!r}: took {time.process_time() - began:.1f} s")


pieces = st.sampled_from([*NAMES, *NAMES, *WORDS, *(f"`{name}`" for name in NAMES)])
joined = st.tuples(st.sampled_from(["", " "]), st.lists(pieces, max_size=25)).map(lambda x: x[0].join(x[1]))
broken = st.tuples(st.sampled_from(GOOD), st.integers(0, 60), pieces).map(
    lambda x: x[0][: x[1]] + x[2] + x[0][x[1] :]
)
repeated = st.tuples(
    st.sampled_from([*"(+-*:!.[{", "not ", "a*", "I(", "(a+b)**4*", "C("]), st.integers(1, 600)
)
texts = st.one_of(joined, joined, broken, broken, repeated.map(lambda x: x[0] * x[1]), st.text(max_size=40))


def trying(read: Callable[[str], None]) -> Callable[[str], None]:
    def tries(text: str) -> None:
        attempt(read, text)

    return tries


def main() -> None:
    examples = int(sys.argv[1])
    for read in (as_formula, as_filter, as_claim):  # what is imported late is imported now
        for text in GOOD:
            with contextlib.suppress(VibstudyError):
                read(text)
    size_mb = rss_mb()
    sys.addaudithook(hook)
    for text in ATTACKS:
        for read in (as_formula, as_filter, as_claim):
            attempt(read, text)
    for read, share in ((as_formula, 0.6), (as_filter, 0.3), (as_claim, 0.1)):
        some = settings(
            max_examples=round(share * examples),
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        )
        some(given(texts)(trying(read)))()
    grown_mb = rss_mb() - size_mb
    if grown_mb > LIMIT_MB:
        findings.append(f"grew by {grown_mb / 1024:.1f} GB")
    print("\n".join(findings[:20]).encode("ascii", "backslashreplace").decode())
    print(f"{tried} texts, {understood} understood, {len(findings)} findings, {grown_mb:.0f} MB more")


if __name__ == "__main__":
    main()
