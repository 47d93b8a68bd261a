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
    "effects_in_words",
    "estimate_words",
    "formula",
    "line_over_decades",
    "lines_over_decades",
    "means_by",
    "model_line",
    "odds_words",
    "open_study",
    "p_words",
    "parts_of_variance",
    "ratio_words",
    "table_html",
    "unit_of",
    "worded_effects",
]
