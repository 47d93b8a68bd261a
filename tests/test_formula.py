"""The grammar of formulas, and the design made of them, beside a reference library."""

from __future__ import annotations

import formulaic
import numpy as np
import pandas as pd
import pytest

from vibstudy.errors import VibstudyError
from vibstudy.stats import fit_mixed
from vibstudy.stats.design import Design
from vibstudy.stats.filters import select
from vibstudy.stats.formula import parse_formula, parse_terms, term_text
from vibstudy.stats.frames import plain

LEVELS = 60


def frame() -> pd.DataFrame:
    rng = np.random.default_rng(4)
    return plain(
        pd.DataFrame(
            {
                "y": rng.gamma(4, 1, LEVELS),
                "x": rng.normal(size=LEVELS),
                "z": rng.uniform(1, 9, LEVELS),
                "w": rng.integers(1, 4, LEVELS),
                "a": rng.choice(list("PQR"), LEVELS),
                "b": rng.choice(["u", "v"], LEVELS),
                "c": rng.choice(["k", "l", "m", "n"], LEVELS),
                "t": rng.random(LEVELS) > 0.5,
                "two words": rng.normal(size=LEVELS),
            }
        )
    )


SAME_NAMES = """
y ~ 1; y ~ x; y ~ a; y ~ t; y ~ 0 + x; y ~ 0 + a; y ~ a + b - 1; y ~ a + -1
y ~ a*b; y ~ a:b; y ~ 0 + a*b; y ~ 0 + a:b; y ~ a + a:b; y ~ b + a:b; y ~ a*b*c; y ~ a + b + a:b:c; y ~ a:b:c
y ~ a:x; y ~ x:a; y ~ a*x; y ~ a + b:x; y ~ 0 + x:a + b; y ~ x + z + x:z; y ~ t*a; y ~ c*a - c; y ~ a:b + c:b
y ~ (a + b + c)**2; y ~ (a + b + x)**3 - a:b:x; y ~ (a + b):c; y ~ a*(b + x)
y ~ C(w); y ~ C(w)*a; y ~ C(w):C(t); y ~ 0 + C(w):x + a
log2(y) ~ log(z) + log10(z) + exp(x) + abs(x); y ~ center(x)*scale(z); y ~ I(x ** 2) + I(2 * x)
y ~ poly(x, 3); y ~ poly(x, 2)*a; y ~ bs(x, 5); y ~ bs(z, 4) + a
"""


@pytest.mark.parametrize(
    "text", [part.strip() for part in SAME_NAMES.replace("\n", ";").split(";") if part.strip()]
)
def test_designs_are_those_of_the_reference_library(text: str) -> None:
    # formulaic (MIT), whose names and coding follow patsy and R
    notes = frame()
    design, y, x = Design.of(parse_formula(text), notes)
    theirs = formulaic.model_matrix(text, notes, na_action="ignore")
    assert list(design.names) == [str(name) for name in theirs.rhs.columns]
    np.testing.assert_allclose(x, np.asarray(theirs.rhs, float), atol=1e-12)
    np.testing.assert_allclose(y, np.asarray(theirs.lhs, float)[:, 0])
    assert design.term_indices == {str(k): list(v) for k, v in theirs.rhs.model_spec.term_indices.items()}
    some = notes.iloc[:7]  # what was learnt from the notes holds for others
    np.testing.assert_allclose(
        design.matrix(some), np.asarray(theirs.rhs.model_spec.get_model_matrix(some), float), atol=1e-9
    )


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ('y ~ C(a, Treatment("Q"))', "y ~ C(a, contr.treatment('Q'))"),
        ('y ~ C(a, contr.treatment(base="Q")) * b', "y ~ C(a, contr.treatment('Q')) * b"),
        ("y ~ C(w, Treatment(2))", "y ~ C(w, contr.treatment(2))"),
        ("y ~ sqrt(z)", "y ~ I(z ** 0.5)"),
        ("y ~ I(2 * x - z / 3)", "y ~ I(2 * x - z / 3)"),
        ("y ~ I(-(x + 1) ** 2)", "y ~ I(-(x + 1) ** 2)"),
        ("y ~ np.log(z) + poly(x, degree=2) + bs(z, df=4)", "y ~ log(z) + poly(x, degree=2) + bs(z, df=4)"),
        ("y ~ `two words`", "y ~ `two words`"),
    ],
)
def test_forms_that_are_spelt_otherwise(ours: str, theirs: str) -> None:
    _, _, x = Design.of(parse_formula(ours), frame())
    expected = np.asarray(formulaic.model_matrix(theirs, frame(), na_action="ignore").rhs, float)
    np.testing.assert_allclose(x, expected, atol=1e-12)


def test_a_spline_goes_on_beyond_the_notes() -> None:
    notes = frame()
    design, _, x = Design.of(parse_formula("y ~ bs(x, 4)"), notes)
    beyond = notes.assign(x=notes["x"] + 5)
    assert np.isfinite(design.matrix(beyond)).all()
    # a cubic is reproduced by its spline, inside and beyond (de Boor 2001, ch. 9)
    weights, *_ = np.linalg.lstsq(x, notes["x"].to_numpy() ** 3, rcond=None)
    np.testing.assert_allclose(design.matrix(beyond) @ weights, beyond["x"] ** 3, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("y ~ I(9**9**9)", ["at letter 8", "a power is a number up to 4", "power of a power"]),
        ("y ~ (a + b)**500", ["at letter 12", "1 to 4", "'500'"]),
        ("y ~ poly(x, degree=1000000)", ["the degree of poly() is a whole number from 1 to 20"]),
        ("y ~ bs(x, 21)", ["the df of bs()"]),
        ("y ~ bs(x, 2)", ["at least 3 df"]),
        (
            "y ~ " + "+".join(f"x{k}" for k in range(60)) + " + (" + "+".join("abcdefghijklmnop") + ")**4",
            ["200"],
        ),
        ("y ~ a:b:c:d:e", ["more than 4 columns interact"]),
        ("y ~ " + "a + " * 200, ["at most 500"]),
        ("y ~ " + "(" * 21 + "a" + ")" * 21, ["more than 20 deep"]),
        ("y ~ I(" + "+".join("a" * 40) + ")", ["more than 20 numbers"]),
        ("y ~ foo(a) + bar(b) + poly(c, 99)", ["'foo'", "'bar'", "the degree of poly()"]),
        ("y ~ lgo(a)", ["'lgo'", "Did you mean 'log'?"]),
        ("y ~ 1e999", ["at letter 5", "too large a number"]),
        ("y ~ 7", ["at letter 5", "Put numbers into I()"]),
        ("y ~ a / b", ["a + a:b"]),
        ("y ~ 0 * a", ["0 may not be multiplied"]),
        ("y ~ (0 + a):b", ["left out of the whole formula"]),
        ("y ~ a +", ["at its end"]),
        ("y ~ a ~ b", ["at letter 7"]),
        ("~ a", ["no outcome"]),
        ("C(y) ~ a", ["the outcome must be"]),
        ("y ~ {`a` + 1}", ["at letter 5", "'{'"]),
        ("y ~ a.real", ["at letter 6", "'.'"]),
        ("y ~ x\u200by", ["at letter 6", "\\u200b"]),
        ("y ~ C(a, Sum)", ["Treatment"]),
        ("y ~ log(C(a))", ["is no number"]),
        ("y ~ 'a'", ["at letter 5"]),
        ("", ["no outcome or no '~'"]),
        ("y ~ 0", ["no term is left"]),
        ("y ~ a - a - 1", ["no term is left"]),
    ],
)
def test_what_cannot_be_read_is_told_with_its_place(text: str, words: list[str]) -> None:
    with pytest.raises(VibstudyError) as error:
        parse_formula(text)
    for word in words:
        assert word in str(error.value)


def test_terms_alone_have_no_intercept() -> None:
    assert [term_text(term) for term in parse_terms("a * b - a:b + C(c)")] == ["a", "b", "C(c)"]


def test_levels_and_columns_are_checked_against_the_notes() -> None:
    notes = frame().assign(player=[f"P{k % 5}" for k in range(LEVELS)])
    settings = {"recording": None}
    with pytest.raises(VibstudyError, match=r"no such level.*got 'W'.*levels are: P, Q, R"):
        fit_mixed(notes, 'y ~ C(a, Treatment("W"))', **settings)
    with pytest.raises(VibstudyError, match=r"column a: a function of numbers is applied to a text"):
        fit_mixed(notes, "y ~ log(a)", **settings)
    with pytest.raises(VibstudyError, match=r"only 3 different values.*2 at most"):
        fit_mixed(notes, "y ~ poly(w, 3)", **settings)
    many = notes.assign(k=range(LEVELS), m=range(LEVELS))
    with pytest.raises(VibstudyError, match=r"more than 200 columns.*C\(k\):C\(m\)"):
        fit_mixed(many, "y ~ C(k) * C(m)", **settings)
    twice = pd.concat([notes, notes[["x"]]], axis=1)
    with pytest.raises(VibstudyError, match="column x: this column stands twice"):
        fit_mixed(twice, "y ~ x", **settings)
    with pytest.raises(VibstudyError, match="column x: this column stands twice"):
        select(twice, "x > 0")
    numbered = notes.assign(**{"x": 1.0}).rename(columns={"x": 1950})
    with pytest.raises(VibstudyError, match="no such column"):
        fit_mixed(numbered, "y ~ `1950`", **settings)
