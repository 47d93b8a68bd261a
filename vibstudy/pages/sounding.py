"""Pages that play sound of a study: where they are written, and the cautions that go with them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vibstudy.corpus.atomic import demand_place, write_text
from vibstudy.pages.html import templates
from vibstudy.playing.tones import HEARING_CAUTION, RIGHTS_CAUTION
from vibstudy.study import Study, open_study


def page_of(study_folder: str | Path, out: str | Path | None, name: str) -> tuple[Study, Path]:
    """A study, and where a page of it is written: `out`, or NAME.html in its folder.

    Raises
    ------
    VibstudyError
        When there is no study, or no file can be written there.
    """
    study = open_study(study_folder)
    path = Path(out) if out is not None else study.folder / f"{name}.html"
    demand_place(path)
    return study, path


def write_sounding(path: Path, name: str, study: Study, **shown: Any) -> None:
    """Write a page that plays sound of a study, with the cautions that go with it."""
    page = templates().get_template(f"{name}.html")
    cautions = {"rights": RIGHTS_CAUTION, "hearing": HEARING_CAUTION}
    write_text(path, page.render(**shown, **cautions, demo=study.is_demo))
