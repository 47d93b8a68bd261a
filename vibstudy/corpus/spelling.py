"""Names that are probably the same, written in two ways.

Two spellings are taken for one name when they differ only in capitals, accents, punctuation or spaces;
when the same words stand in another order ("Doe, Ann", "Ann Doe"); when one has an initial where the other
has a name; or when a single long word differs by about a letter. Words with digits never match each other
("Player 1", "Player 2"). This is a hint for the reader, nothing is merged.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable
from itertools import combinations, islice

_MOST_NAMES = 20_000
_MOST_COMPARED = 50_000
"""Names looked at, and pairs of them compared: some 20 µs each, so that long lists stay quick."""
_LONG_WORD = 5
_ALIKE = 0.8


def near_pairs(names: Iterable[str]) -> list[tuple[str, str]]:
    """Pairs of different spellings that probably mean the same, in order of appearance."""
    unique = list(dict.fromkeys(names))[:_MOST_NAMES]
    order = {name: position for position, name in enumerate(unique)}
    buckets: dict[tuple[object, ...], list[str]] = defaultdict(list)
    words = {name: _words(name) for name in unique}
    for name in unique:
        buckets[("all", "".join(words[name]))].append(name)
        if len(words[name]) > 1:
            buckets[("all", *sorted(words[name]))].append(name)
        for gap in range(len(words[name])):
            buckets[(gap, *words[name][:gap], None, *words[name][gap + 1 :])].append(name)
    pairs: set[tuple[str, str]] = set()
    compared = (
        (key, pair) for key, bucket in buckets.items() if len(bucket) > 1 for pair in combinations(bucket, 2)
    )
    for key, (first, second) in islice(compared, _MOST_COMPARED):
        if key[0] == "all" or _one_word_off(words[first], words[second]):
            pairs.add((first, second))
    return sorted(pairs, key=lambda pair: (order[pair[0]], order[pair[1]]))


def _words(name: str) -> tuple[str, ...]:
    plain = unicodedata.normalize("NFKD", name).casefold()
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return tuple(re.findall(r"\w+", plain)) or (plain,)


def _one_word_off(first: tuple[str, ...], second: tuple[str, ...]) -> bool:
    (a, b), *others = [(a, b) for a, b in zip(first, second, strict=True) if a != b] or [("", "")]
    if others or not a or any(letter.isdigit() for letter in a + b):
        return False
    if len(first) > 1 and 1 in (len(a), len(b)):
        return a[0] == b[0] and len(a) != len(b)
    if min(len(a), len(b)) < _LONG_WORD:
        return False
    return difflib.SequenceMatcher(None, a, b).ratio() >= _ALIKE
