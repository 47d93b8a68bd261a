"""The formula of a model: a small grammar of our own, read by hand, never given to Python.

::

    formula  = outcome "~" terms
    outcome  = column | function "(" number ")"
    terms    = ["-"] product { ("+" | "-") product }
    product  = cross { "*" cross }                      a * b is a + b + a:b
    cross    = power { ":" power }
    power    = ( "(" terms ")" | factor ) [ "**" n ]    (a + b + c)**2: with every pair
    factor   = column | "0" | "1" | C | poly | bs | function "(" number ")"
    C        = "C(" column [ "," 'Treatment("level")' ] ")"
    poly, bs = "poly(" number "," degree ")", "bs(" number "," df ")"
    function = log, log2, log10, exp, sqrt, abs, center, scale, I
    number   = sums, products, quotients and small powers of columns and numbers

``np.log`` may stand for ``log`` (likewise the others), ``contr.treatment`` for ``Treatment``, ``degree=`` and
``df=`` before their numbers. ``0`` or ``- 1`` leaves out the intercept, ``- a:b`` a term.

Limits: see :mod:`vibstudy.stats.tokens`; powers up to :data:`POWER`, degrees and df up to :data:`DEGREE`,
:data:`TERMS` terms. All mistakes are told at once, as far as reading can go on after them.

References
----------
Wilkinson & Rogers 1973, Appl. Stat. 22(3):392-399 (the notation of model formulae).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from vibstudy.errors import nearest
from vibstudy.stats.tokens import Reader, Token, name_text, number_text

POWER = 4
"""Largest power of a number, and most columns that interact: few players can judge no more."""

DEGREE = 20
"""Largest degree of a polynomial and df of a spline."""

TERMS = 200
"""Most terms, far above what the players of any corpus could judge."""

JOINTS = 20
"""Most signs between the numbers of all functions together, as :data:`~vibstudy.stats.tokens.DEEPEST`."""

FUNCTIONS = ("log", "log2", "log10", "exp", "sqrt", "abs", "center", "scale", "I")
"""Functions of a number."""

EXAMPLE = 'Write it as "outcome ~ terms", for example "rate_hz ~ C(period) * region".'

_CALLS = (*FUNCTIONS, "C", "poly", "bs", "Treatment")
_RANDOM = "Leave '(1|player)' out: name the columns with player=, recording= and crossed=."


@dataclass(frozen=True)
class Name:
    """A column; a factor by itself when it holds text or true and false."""

    column: str

    def __str__(self) -> str:
        return name_text(self.column)


@dataclass(frozen=True)
class Number:
    """A number."""

    value: float

    def __str__(self) -> str:
        return number_text(self.value)


@dataclass(frozen=True)
class Sum:
    """Two numbers joined by ``+ - * / **``; ``-x`` is ``0 - x``."""

    left: Node
    sign: str
    right: Node

    def __str__(self) -> str:
        return f"{_bracketed(self.left)} {self.sign} {_bracketed(self.right)}"


@dataclass(frozen=True)
class Function:
    """A function of a number, one of :data:`FUNCTIONS`."""

    name: str
    inner: Node

    def __str__(self) -> str:
        return f"{self.name}({self.inner})"


@dataclass(frozen=True)
class Levels:
    """``C(column)``: a column taken as a factor, against the level `reference` (None: its first)."""

    column: str
    reference: str | float | None = None

    def __str__(self) -> str:
        if self.reference is None:
            return f"C({name_text(self.column)})"
        level = self.reference
        said = number_text(level) if isinstance(level, float) else _in_quotes(level)
        return f"C({name_text(self.column)}, Treatment({said}))"


@dataclass(frozen=True)
class Curve:
    """``poly(number, degree)`` or ``bs(number, df)``."""

    kind: str
    inner: Node
    size: int

    def __str__(self) -> str:
        return f"{self.kind}({self.inner}, {self.size})"


Node = Name | Number | Sum | Function
Factor = Name | Function | Levels | Curve
Term = tuple[Factor, ...]
"""Factors multiplied with each other; the empty term is the intercept."""

_Terms = dict[frozenset[Factor], Term]
"""A set of terms that keeps their order: a:b is b:a."""


@dataclass(frozen=True)
class Formula:
    """A formula as read.

    Parameters
    ----------
    text : str
        As the user wrote it.
    outcome : Name | Function
    terms : tuple of Term
        By their number of factors, then as written; the intercept, ``()``, comes first.
    """

    text: str
    outcome: Name | Function
    terms: tuple[Term, ...]

    @property
    def columns(self) -> list[str]:
        """Names of all columns, the outcome's first."""
        right = [name for term in self.terms for factor in term for name in columns_of(factor)]
        return list(dict.fromkeys([*columns_of(self.outcome), *sorted(right)]))


def columns_of(node: Node | Factor) -> Iterator[str]:
    """Names of the columns in a part of a formula."""
    if isinstance(node, Name | Levels):
        yield node.column
    elif isinstance(node, Sum):
        yield from columns_of(node.left)
        yield from columns_of(node.right)
    elif isinstance(node, Function | Curve):
        yield from columns_of(node.inner)


def term_text(term: Term) -> str:
    """A term as it is written; "1" for the intercept."""
    return ":".join(map(str, term)) or "1"


def parse_formula(text: str) -> Formula:
    """Read a formula.

    Raises
    ------
    VibstudyError
        With what cannot be read, and where.
    """
    reader = _FormulaReader(text, "formula", EXAMPLE)
    for token in reader.tokens:
        if (token.kind, token.value) == ("sign", "|"):
            raise reader.refusal("it contains a random part", _RANDOM, token.place)
    return reader.formula()


def parse_terms(text: str) -> tuple[Term, ...]:
    """Read the right side of a formula alone, as ``adjust`` of a claim holds it; no intercept is added.

    Raises
    ------
    VibstudyError
        With what cannot be read, and where.
    """
    return _FormulaReader(text, "term", 'Write columns and forms, as in "region" or "C(decade)".').right_side(
        with_intercept=False
    )


class _FormulaReader(Reader):
    """Reads one formula; each method takes one rule of the grammar."""

    joints = 0

    def formula(self) -> Formula:
        if not any(token.kind == "sign" and token.value == "~" for token in self.tokens):
            raise self.refusal("it has no outcome or no '~'", EXAMPLE, 0)
        if self.next_is("~"):
            raise self.refusal("it has no outcome", EXAMPLE)
        outcome = self._factor()
        if not self.next_is("~"):
            more = self.next_is("+", "-", "*", ":", "/", "**")
            raise self.refusal(
                "there is more than one outcome" if more else "",
                "Put a computed outcome into I(), as in I(rate_hz - 5)." if more else "",
            )
        if not isinstance(outcome, Name | Function):
            raise self.refusal("the outcome must be a column or a function of one", place=0)
        self.take()
        return Formula(self.text, outcome, self.right_side(with_intercept=True))

    def right_side(self, with_intercept: bool) -> tuple[Term, ...]:
        """The terms up to the end of the text; raises every mistake."""
        terms = self._terms(_set_of(()) if with_intercept else {})
        if self.token.kind != "end":
            raise self.refusal()
        if not terms:
            raise self.refusal("no term is left", "Write 1 for a mean alone.")
        self.settle()
        return tuple(sorted(terms.values(), key=len))

    def _terms(self, terms: _Terms) -> _Terms:
        while True:
            less = False
            while self.next_is("+", "-"):
                less ^= self.take().value == "-"
            place = self.token.place
            found = self._product()
            without_intercept = found is None or (less and list(found.values()) == [()])
            if without_intercept and self.depth:
                self.note(
                    place, "the intercept is left out of the whole formula only", "Take it out of the ()."
                )
            if found is None:  # the number 0
                found, less = _set_of(()), not less
            for key, term in found.items():
                if less:
                    terms.pop(key, None)
                else:
                    terms.setdefault(key, term)
            self._check_number(terms)
            if not self.next_is("+", "-"):
                return terms

    def _check_number(self, terms: _Terms) -> None:
        if len(terms) > TERMS:
            raise self.refusal(f"there are more than {TERMS} terms", "Leave terms out.")

    def _product(self) -> _Terms | None:
        """Terms of a product; None for the number 0, which takes the intercept away."""
        terms = self._cross()
        while self.next_is("*"):
            self.take()
            terms = self._known(terms)
            more = self._known(self._cross())
            terms = {
                **terms,
                **{k: t for k, t in more.items() if k not in terms},
                **self._joined(terms, more),
            }
            self._check_number(terms)
        return terms

    def _cross(self) -> _Terms | None:
        terms = self._power()
        while self.next_is(":"):
            self.take()
            terms = self._joined(self._known(terms), self._known(self._power()))
        if self.next_is("/"):
            raise self.refusal("'/' may not stand between terms", "Write a / b as a + a:b.")
        return terms

    def _known(self, terms: _Terms | None) -> _Terms:
        if terms is None:
            raise self.refusal("0 may not be multiplied", "Write + 0 or - 1 at the end of the formula.")
        return terms

    def _joined(self, first: _Terms, second: _Terms) -> _Terms:
        out: _Terms = {}
        for a in first.values():
            for b in second.values():
                joint = tuple(dict.fromkeys((*a, *b)))
                if len(joint) > POWER:
                    raise self.refusal(f"more than {POWER} columns interact", "Leave some of them out.")
                out.setdefault(frozenset(joint), joint)
            self._check_number(out)
        return out

    def _power(self) -> _Terms | None:
        if self.next_is("("):
            self.open()
            terms = self._terms({})
            self.close()
        else:
            factor = self._factor()
            if factor == Number(0.0):
                return None
            terms = _set_of(() if isinstance(factor, Number) else (factor,))
        while self.next_is("**"):
            place = self.take().place
            base = terms
            for _ in range(self._whole("a power", POWER, place) - 1):
                terms = {**terms, **{k: t for k, t in self._joined(terms, base).items() if k not in terms}}
                self._check_number(terms)
        return terms

    def _factor(self) -> Name | Number | Function | Levels | Curve:
        token = self.token
        if token.kind == "number":
            self.take()
            if float(token.value) not in (0, 1):
                self.note(token.place, f"the number {token.value[:20]} is no term", "Put numbers into I().")
            return Number(float(float(token.value) != 0))
        if self.calls():
            name = _plain(token.value)
            if name == "C":
                return self._levels()
            if name in ("poly", "bs"):
                return self._curve(name)
            return self._function()
        return self._name()

    def _name(self) -> Name:
        token = self.token
        if token.kind not in ("name", "quoted"):
            raise self.refusal()
        self.take()
        if token.kind == "name" and "." in token.value:
            self.note(token.place, f"a dot may not stand in {token.value!r}")
        return Name(token.value)

    def _function(self) -> Function:
        token = self.take()
        name = _plain(token.value)
        if name not in FUNCTIONS:
            known = ", ".join(call for call in _CALLS if call != "Treatment")
            self.note(
                token.place,
                f"{token.value[:40]!r} is no function that a formula may call",
                nearest(name, _CALLS) or f"Allowed are: {known}.",
            )
        self.open()
        inner = self._number()
        self.close()
        return Function(name, inner)

    def _levels(self) -> Levels:
        self.take()
        self.open()
        column = self._name().column
        reference: str | float | None = None
        if self.accept(","):
            token = self.take()
            if not (token.kind == "name" and token.value in ("Treatment", "contr.treatment")):
                raise self.refusal(
                    "only Treatment may stand here", 'As in C(region, Treatment("A")).', token.place
                )
            self.open()
            if self.word_is("reference", "base"):
                self.take()
                self.demand("=")
            less = self.accept("-")
            level = self.take()
            if level.kind not in ("text", "number") or (less and level.kind == "text"):
                raise self.refusal("a level is a text in quotation marks, or a number", "", level.place)
            reference = level.value if level.kind == "text" else float(level.value) * (-1 if less else 1)
            self.close()
        self.close()
        return Levels(column, reference)

    def _curve(self, kind: str) -> Curve:
        word, place = ("degree" if kind == "poly" else "df"), self.take().place
        self.open()
        inner = self._number()
        self.demand(",")
        if self.word_is(word):
            self.take()
            self.demand("=")
        size = self._whole(f"the {word} of {kind}()", DEGREE, place)
        if kind == "bs" and size < 3:  # a cubic has three columns
            self.note(place, "bs() has at least 3 df", "Use poly() for a line or a parabola.")
        self.close()
        return Curve(kind, inner, size)

    def _whole(self, what: str, most: int, place: int) -> int:
        """A whole number from 1 to `most`."""
        token = self.take()
        value = float(token.value) if token.kind == "number" else 0.0
        if value.is_integer() and 1 <= value <= most:
            return int(value)
        self.note(place, f"{what} is a whole number from 1 to {most}, not {token.value[:20]!r}")
        return 1

    # -- numbers inside functions

    def _number(self) -> Node:
        node = self._multiples()
        while self.next_is("+", "-"):
            sign = self.take().value
            node = self._joint(node, sign, self._multiples())
        return node

    def _multiples(self) -> Node:
        node = self._signed()
        while self.next_is("*", "/"):
            sign = self.take().value
            node = self._joint(node, sign, self._signed())
        return node

    def _signed(self) -> Node:
        less = False
        while self.next_is("+", "-"):
            less ^= self.take().value == "-"
        node = self._raised()
        return self._joint(Number(0.0), "-", node) if less else node

    def _raised(self) -> Node:
        node = self._single()
        if not self.next_is("**"):
            return node
        place = self.take().place
        less = self.accept("-")
        token: Token = self.take()
        value = float(token.value) if token.kind == "number" else POWER + 1.0
        if value > POWER:
            self.note(place, f"a power is a number up to {POWER}, not {token.value[:20]!r}")
        if self.next_is("**"):
            raise self.refusal("a power of a power may not stand here")
        return self._joint(node, "**", Number(-value if less else value))

    def _joint(self, left: Node, sign: str, right: Node) -> Node:
        self.joints += 1
        if self.joints > JOINTS:
            raise self.refusal(f"more than {JOINTS} numbers are joined", "Make a column of your own of them.")
        return Sum(left, sign, right)

    def _single(self) -> Node:
        token = self.token
        if token.kind == "number":
            self.take()
            return Number(float(token.value))
        if self.next_is("("):
            self.open()
            node = self._number()
            self.close()
            return node
        if self.calls():
            if _plain(token.value) in ("C", "poly", "bs"):
                raise self.refusal(f"{token.value}() is no number")
            return self._function()
        return self._name()


def _set_of(term: Term) -> _Terms:
    return {frozenset(term): term}


def _plain(name: str) -> str:
    return name.removeprefix("np.")


def _bracketed(node: Node) -> str:
    return f"({node})" if isinstance(node, Sum) else str(node)


def _in_quotes(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
