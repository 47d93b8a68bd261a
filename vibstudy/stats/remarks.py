"""What is to be said beside a verdict, as data. The words are :mod:`vibstudy.stats.words`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Remark:
    """One thing to be said.

    Parameters
    ----------
    kind : str
        A key of :data:`vibstudy.stats.words.REMARKS`.
    values : mapping
        What its sentence needs.
    advice : str
        What the user of the program may do about it; no part of a result, and in no draft.
    """

    kind: str
    values: Mapping[str, Any] = field(default_factory=dict)
    advice: str = ""


class NotTestable(Exception):
    """The corpus cannot answer; the remark says why."""

    def __init__(self, remark: Remark):
        super().__init__(remark.kind)
        self.remark = remark
