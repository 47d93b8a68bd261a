"""A study as notebooks see it: its folder (:mod:`.folder`), its models' lines and their words.

Notebooks import from here; their copies in the users' folders rest on these names.
"""

from vibstudy.study.folder import FOLDER_VARIABLE, INVENTED, Sound, Study, open_study
from vibstudy.study.lines import (
    formula,
    line_over_decades,
    lines_over_decades,
    means_by,
    model_line,
    parts_of_variance,
)
from vibstudy.study.wording import (
    effects_in_words,
    estimate_words,
    odds_words,
    p_words,
    ratio_words,
    table_html,
    unit_of,
    worded_effects,
)

__all__ = [
    "FOLDER_VARIABLE",
    "INVENTED",
    "Sound",
    "Study",
    "copies",
    "effects_in_words",
    "estimate_words",
    "folders",
    "formula",
    "from",
    "here",
    "in",
    "line_over_decades",
    "lines_over_decades",
    "means_by",
    "model_line",
    "names",
    "odds_words",
    "on",
    "open_study",
    "p_words",
    "parts_of_variance",
    "ratio_words",
    "rest",
    "table_html",
    "the",
    "their",
    "these",
    "unit_of",
    "users",
    "worded_effects",
]
