"""The paper pack: every number of the text is in its table, and no result is stronger than its verdict."""

from __future__ import annotations

import hashlib
import html
import os
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import docx
import numpy as np
import pandas as pd
import pytest

from tests.frame_numbers import found, missing, numbers_of
from tests.invented_study import invented_notes
from tests.test_package import write_measured_study
from vibstudy import cli
from vibstudy.corpus.tables import unguard
from vibstudy.figures.style import PAGES, HouseFigure
from vibstudy.paper.book import NUMBER, Book, as_printed
from vibstudy.paper.figures import drawings
from vibstudy.paper.output import tex, tex_citing
from vibstudy.paper.references import WORKS, bibtex, listed
from vibstudy.paper.tables import PRINTED, left_out_of, media_rows, media_table
from vibstudy.paper.text import claim_sentence, write_limitations, write_media, write_results
from vibstudy.paper.write import write_paper
from vibstudy.study import Study, open_study

CLAIMS = """\
[[claim]]
id = "slower"
sentence = "Vibrato became slower from 1930 to 2000 & 50 % <b>less</b> _steady_."
outcome = "rate_hz"
contrast = { column = "decade", from = 1930, to = 2000 }
expect = "lower"

[[claim]]
id = "wider-there"
sentence = "Players in Keldria vibrate more widely."
outcome = "extent_cents"
contrast = { column = "region", from = "Aubrisk", to = "Keldria" }
expect = "higher"

[[claim]]
id = "nowhere"
sentence = "Wire recordings show more."
outcome = "extent_cents"
contrast = { column = "medium", from = "digital", to = "wire" }
expect = "higher"
"""


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    notes = invented_notes(players=8, recordings=2, notes=16)
    notes["player"] = notes["player"].replace({"Player Birch": "Birch & Söhne_$1 {100 %} <i>"})
    folder = write_measured_study(tmp_path_factory.mktemp("p") / "study", notes, CLAIMS)
    recordings = notes.groupby("recording_id", sort=False).first().reset_index()
    recordings["path"] = "audio/" + recordings["recording_id"] + ".wav"
    columns = ["recording_id", "path", "player", "decade", "region", "medium", "piece"]
    recordings[columns].to_csv(folder / "corpus_manifest.csv", index=False)
    (folder / "audio").mkdir()
    for path in recordings["path"]:
        (folder / path).write_bytes(b"")
    return folder


@pytest.fixture(scope="module")
def report(study):
    """The pack; slides are drawn as PNG alone: nothing reads their other forms, which test_figures draws."""
    save = HouseFigure.savefig

    def sparing(figure, fname, **options):
        if figure.page is PAGES["slide"] and fname.suffix != ".png":
            fname.touch()
        else:
            save(figure, fname, **options)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(HouseFigure, "savefig", sparing)
        return write_paper(study)


def read_tables(folder: Path) -> dict[str, pd.DataFrame]:
    keep = {"keep_default_na": False, "na_values": [""], "encoding": "utf-8"}
    texts = {"settings": str, "software": str, "reproducibility": str}
    found = {
        path.stem: pd.read_csv(path, dtype=texts.get(path.stem), **keep)
        for path in (folder / "tables").glob("*.csv")
    }
    for table in found.values():
        for name in table.select_dtypes(["str", "object"]):
            table[name] = unguard(table[name])
    return found


def sections_of_html(folder: Path) -> dict[str, str]:
    page = (folder / "draft.html").read_text(encoding="utf-8")
    found = {}
    for part in re.findall(r"<section>(.*?)</section>", page, flags=re.S):
        head = re.search(r"<h2>(.*?)</h2>", part).group(1).removeprefix("Appendix: ")
        found[head] = html.unescape(re.sub(r"<[^>]+>", " ", part))
    return found


def test_every_number_of_the_text_is_in_the_table_it_came_from(report):
    """Parses the draft as a reader sees it, and the tables as they were written."""
    tables = read_tables(report.folder)
    cited = tables.pop("numbers")
    known: dict[str, list[str]] = {}
    for row in cited.to_dict("records"):
        value = tables[row["table"]][row["column"]].iloc[int(row["row"]) - 1]
        assert as_printed(value, row["pattern"]) == row["printed"], row
        known.setdefault(row["section"], []).append(row["printed"])
    parsed = 0
    for title, text in sections_of_html(report.folder).items():
        here = [number for printed in known[title] for number in NUMBER.findall(printed)]
        for number in NUMBER.findall(text):
            assert number in here, f"{title}: {number} comes from nowhere"
            parsed += 1
    assert parsed > 80


def test_every_number_of_draft_and_tables_is_in_the_one_frame(report, study):
    """With its unit: what a reader sees of the results, looked up in ``results/quantities.csv``."""
    frame = pd.read_csv(study / "results" / "quantities.csv")
    sections = sections_of_html(report.folder)
    looked = 0
    for title, section in sections.items():
        text = re.sub(r"^\s*\w+", "", section)
        assert missing(frame, text) == [], title
        looked += len(numbers_of(text))
    for figure in report.figures:
        assert missing(frame, figure.caption) == [], figure.name
        looked += len(numbers_of(figure.caption))
    tables = read_tables(report.folder)
    remarks = frame[frame["kind"] == "remark"]
    shares = 100 * remarks["numerator"] / remarks["denominator"]

    def intervals(name: str, unit: str) -> dict[str, str]:
        return dict.fromkeys((name, f"{name}_low", f"{name}_high"), unit)

    units = {
        "players": {**intervals("share_with_vibrato", "%"), **intervals("rate_hz", "Hz"), "notes": "notes",
                    **intervals("extent_cents", "cents"), "notes_judged": "notes",
                    "recordings": "recordings"},
        "left_out": dict.fromkeys([name for name in tables["left_out"] if name != "side"], "notes"),
        "models": dict.fromkeys(("df", "t", "p"), ""),
        "quality": {"notes": "notes", "share": "share"},
        "media": {"recordings": "recordings", "above_noise_db": "dB", "high_edge_hz": "Hz",
                  "clicks_per_s": ""},
        "claims": {"df": "", "p_holm": "", "notes": "notes", "players": "players"},
        "reach": {"needed": "players", "players_from": "players", "players_to": "players"},
    }  # fmt: skip
    for name in ("models", "claims", "reach"):  # each row in its own unit
        for row in tables[name].to_dict("records"):
            for column in ("estimate", "low", "high", "reach", "half"):
                if pd.notna(row.get(column)):
                    unit = "%" if str(row["unit"]).startswith("%") else str(row["unit"])
                    own = frame[frame["unit"].fillna("").str.startswith(unit)]
                    assert found(own, f"{abs(row[column]):.3f}", ""), (name, column, row[column])
                    looked += 1
    for name, columns in units.items():
        table = tables[name]
        printed = {
            column: pattern for shown in PRINTED if shown.name == name for column, _, pattern in shown.columns
        }
        for column, unit in columns.items():
            for value in table[column].dropna():
                if unit == "share":
                    value, text = 100 * value, f"{100 * value:.0f}"
                    assert found(frame[frame["kind"] == "remark"].assign(value=shares, unit="%"), text, "%")
                    continue
                text = as_printed(value, printed.get(column, "count")).lstrip("<=+−- ").replace(",", "")
                assert found(frame, text, unit), (name, column, value)
                looked += 1
    checklist = " ".join(tables["checklist"]["answer"])
    assert missing(frame, re.sub(r"\d+ of \d+ claims|\(\d+ of \d+ could", "", checklist)) == []
    assert looked > 150


def test_no_two_places_give_another_n(report, study):
    """Captions, text and tables that say of how many notes, by the same rule, say the same."""
    frame = pd.read_csv(study / "results" / "quantities.csv")
    whole = frame[frame["kind"] == "study"].set_index("quantity")["value"]
    wanted = (whole["players_vibrato"], whole["recordings_vibrato"], whole["notes_vibrato"])
    said = {
        tuple(float(n.replace(",", "")) for n in found)
        for figure in report.figures
        for found in re.findall(
            r"n = ([\d,]+) players?, ([\d,]+) recordings?, ([\d,]+) notes? with vibrato\b", figure.caption
        )
    }
    assert said == {wanted}
    draft = sections_of_html(report.folder)["Corpus"]
    assert f"{wanted[2]:,.0f} notes, of any length" in draft


def test_a_number_from_nowhere_would_be_found(report):
    cited = set(read_tables(report.folder)["numbers"]["printed"].astype(str))
    assert not any("1234.5" in printed for printed in cited)
    assert NUMBER.findall("p < 0.001, 1,428 notes, 5.22") == ["0.001", "1,428", "5.22"]


def test_results_agree_with_the_verdicts(report):
    claims = read_tables(report.folder)["claims"]
    text = sections_of_html(report.folder)["Results"]
    assert claims["verdict"].tolist()[2] == "not testable here"
    assert "cannot be tested on this corpus" in text and "no proof of a cause" in text
    row = claims.iloc[0]
    printed = as_printed(row["estimate"], "+.2f")
    assert (
        f"{printed} Hz" in text
        and f"df = {row['df']:.1f}" in text
        and f"n = {row['players']} players" in text
    )


def _claims(verdict: str, expect: str = "lower", standing: str = "written first") -> Book:
    book = Book()
    row = {
        "claim": "c", "sentence": "It fell", "verdict": verdict, "standing": standing, "estimate": -0.5,
        "low": -0.9, "high": -0.1, "unit": "Hz", "df": 11.2, "p_holm": 0.0004, "players": 12,
        "recordings": 36, "notes": 1204, "but": "", "provisional": False, "history": "",
        "interval_per_cent": 95.0, "p_kind": "p",
        "reason": "None is there.", "compared": "decade 2000 against 1930", "expect": expect,
    }  # fmt: skip
    book.tables["claims"] = pd.DataFrame([row])
    book.tables["settings"] = pd.DataFrame([{"setting": "interval_per_cent", "value": "95"}])
    book.begin("Results")
    return book


def test_a_supported_claim_word_for_word():
    assert claim_sentence(_claims("supported"), 0) == (
        "The data support the claim “It fell”: decade 2000 against 1930, −0.50 Hz (95 % interval −0.90 to "
        "−0.10 Hz, df = 11.2, p < 0.001 after Holm; n = 12 players, 36 recordings, 1,204 notes)."
    )


@pytest.mark.parametrize("verdict", ["against", "undecided", "not testable here"])
def test_nothing_is_said_more_strongly_than_its_verdict(verdict):
    text = claim_sentence(_claims(verdict), 0)
    assert "support" not in text and "prove" not in text and "shows that" not in text
    if verdict == "undecided":
        assert text.startswith("Undecided") and "no evidence of equality" in text
    if verdict == "not testable here":
        assert text == "The claim “It fell” cannot be tested on this corpus. None is there."


def test_what_was_written_after_looking_says_so():
    assert "Standing" not in claim_sentence(_claims("supported"), 0)
    text = claim_sentence(_claims("supported", standing="exploratory"), 0)
    assert text.endswith("Standing of this claim: exploratory.")
    book = _claims("supported", expect="equal")
    book.tables["claims"]["p_kind"] = "p for a difference below the margin"
    assert "below the margin" in claim_sentence(book, 0)


def test_what_takes_from_a_verdict_stands_in_the_same_sentence():
    book = _claims("supported")
    book.tables["claims"] = book.tables["claims"].assign(
        but="these recordings cannot tell decade from medium", history="3 wordings, 4 looks", provisional=True
    )
    text = claim_sentence(book, 0)
    assert text.startswith(
        "The data support the claim “It fell” (provisional), but these recordings cannot tell decade from "
        "medium: "
    )
    assert text.endswith("Its past: 3 wordings, 4 looks.")


def test_a_study_without_claims_claims_nothing():
    book = Book()
    book.tables |= {"claims": pd.DataFrame(columns=["claim"]), "players": pd.DataFrame({"player": ["A"]})}
    write_results(book)
    assert book.sections[0].paragraphs == ["No claim is written down for this study, so none is tested here."]


def test_terms_as_printed():
    assert as_printed("region[T.Keldria]", "term") == "region Keldria"
    assert as_printed("C(decade)[T.1940]:region[T.B]", "term") == "C(decade) 1940:region B"
    assert as_printed("decade", "term") == "decade"


def test_numbers_as_printed():
    assert as_printed(-0.5, "+.2f") == "−0.50"
    assert as_printed(-0.001, "+.2f") == "+0.00" and as_printed(-0.001, ".1f") == "0.0"
    assert as_printed(1041.2, ".3g") == "1,040" and as_printed(-4838.0, "+.3g") == "−4,840"
    assert as_printed(0.000171, ".3g") == "0.000171"
    assert as_printed(0.0123, "p") == "= 0.012" and as_printed(0.0002, "p") == "< 0.001"
    assert as_printed(0.0123, "p alone") == "0.012"
    assert as_printed(1428, "count") == "1,428" and as_printed(0.784, "share") == "78 %"
    assert as_printed("0.01", "number g") == "0.01" and as_printed(np.float64(5.216), ".2f") == "5.22"


@pytest.mark.parametrize("count", [2, 16])
def test_many_cells_of_one_player_are_counted(count):
    sentences = [f"All notes of decade {1900 + k} are by one player." for k in range(count)]
    book = Book()
    book.tables |= {
        "limitations": pd.DataFrame(
            {
                "from": "audit",
                "sentence": ["Nothing else.", *sentences],
                "kind": ["", *["one player"] * count],
            }
        ),
        "audit": pd.DataFrame([{"cells_of_one_player": count}]),
        "quality": pd.DataFrame(),
        "media": pd.DataFrame(),
    }
    write_limitations(book)
    said = book.sections[0].paragraphs[0]
    assert said.startswith("Nothing else.")
    assert ("In 16 cells" in said) == (count == 16) and ("All notes of" in said) == (count == 2)


# --- files


def test_figures_in_both_sizes_and_all_formats(report):
    drawn = [figure for figure in report.figures if figure.caption]
    assert len(drawn) >= 7
    for figure in drawn:
        for size, name in (("column", figure.name), *(("slide", slide) for slide, _ in figure.slides)):
            files = {p.suffix for p in (report.folder / "figures" / size).glob(f"{name}.*")}
            assert files == {".pdf", ".svg", ".png", ".csv", ".txt"}
        assert "n = " in figure.caption
    from PIL import Image

    with Image.open(report.folder / "figures/column/rate_and_extent.png") as picture:
        assert picture.size[0] == round(3.4 * 600) and round(picture.info["dpi"][0]) == 600
    pdf = (report.folder / "figures/column/rate_and_extent.pdf").read_bytes()
    assert b"/FontFile2" in pdf  # TrueType, embedded (PDF 1.7, section 9.9)


@pytest.mark.parametrize("written", [False, True])
def test_a_phrase_stands_beside_its_score_where_there_is_one(study, monkeypatch, written):
    notes = invented_notes(players=1, recordings=1, notes=16)
    if written:
        place = np.arange(len(notes))
        notes = notes.assign(
            score_match="matched", written_midi=notes["midi"], notated_beats=1.0, measure=1 + place // 4,
            beat=1.0 + place % 4, slur_position=pd.NA, dynamic=pd.NA, local_tempo_bpm=72.0,
        )  # fmt: skip
    times = np.arange(0, notes["offset_s"].max(), 0.005)
    line = pd.DataFrame({"time_s": times, "f0_hz": 440.0})
    monkeypatch.setattr(Study, "line", lambda self, recording: line)
    opened = open_study(study)
    drawing = drawings(opened, notes, pd.DataFrame(), pd.DataFrame(), pd.DataFrame())["along_a_phrase"]
    figure, table = drawing("column")
    assert ("the written notes" in figure.caption) == written
    assert ("measure" in table) == written
    assert len(table) and "n = " in figure.caption


def test_the_methods_count_nothing_that_there_is_not(report):
    settings = read_tables(report.folder)["settings"].set_index("setting")["value"]
    assert settings["recordings_tuning_given"] == "0"
    text = sections_of_html(report.folder)["Methods"]
    assert "at the tuning estimated" in text and "at the manifest's" not in text


def test_the_word_draft_opens_and_holds_the_same_text(report):
    document = docx.Document(str(report.folder / "draft.docx"))
    paragraphs = {paragraph.text for paragraph in document.paragraphs}
    page = (report.folder / "draft.html").read_text(encoding="utf-8")
    for text in re.findall(r"<p>(.*?)</p>", page, flags=re.S):
        assert html.unescape(text).strip() in paragraphs
    assert len(document.tables) == page.count("<caption>Table")
    assert len(document.inline_shapes) == sum(bool(figure.caption) for figure in report.figures)
    captions = [text for text in paragraphs if re.match(r"(Table|Figure) \d+\. ", text)]
    assert len(captions) == len(document.tables) + len(document.inline_shapes)
    with zipfile.ZipFile(report.folder / "draft.docx") as packed:
        assert packed.testzip() is None


def test_figures_and_tables_are_numbered_in_the_order_of_the_text(report):
    page = (report.folder / "draft.html").read_text(encoding="utf-8")
    text = html.unescape(re.sub(r"<figcaption>.*?</figcaption>|<caption>.*?</caption>", "", page, flags=re.S))
    for kind, mark in (("Figure", "figcaption"), ("Table", "caption")):
        numbers = [int(n) for n in re.findall(rf"<{mark}>{kind} (\d+)\.", page)]
        assert numbers == list(range(1, len(numbers) + 1)) and numbers
        spoken = [int(n) for n in re.findall(rf"\b{kind} (\d+)", text)]
        assert list(dict.fromkeys(spoken)) == numbers  # each is spoken of, in this order
    draft = (report.folder / "draft.tex").read_text(encoding="utf-8")
    drawn = [figure for figure in report.figures if figure.caption]
    assert draft.count(r"\includegraphics") == len(drawn) == page.count("<figcaption>")


def test_a_slide_holds_one_figure_and_one_sentence(report):
    page = (report.folder / "slides.html").read_text(encoding="utf-8")
    drawn = [figure for figure in report.figures if figure.caption]
    slides = [slide for figure in drawn for slide in figure.slides]
    assert page.count("<section>") == page.count("<img ") == len(slides) >= len(drawn)
    assert "16 / 9" in page and "http" not in page.replace("http-equiv", "")
    sentences = re.findall(r"<h2>(.*?)</h2>", page)
    assert all(sentence.endswith(".") for sentence in sentences)
    from PIL import Image

    for name, _ in slides:
        with Image.open(report.folder / f"figures/slide/{name}.png") as picture:
            assert picture.size[0] == 1920 and picture.size[1] <= 1080
    assert not (report.folder / "slides_with_sound.html").exists()  # this study has no sound files


def test_notes_left_out_sum_up(report):
    table = read_tables(report.folder)["left_out"]
    reasons = [name for name in table if name.startswith("left_out_")]
    assert (table[["notes_usable", *reasons]].sum(axis=1) == table["notes"]).all()
    assert table["side"].iloc[-1] == "all" and "decade 1930" in set(table["side"])


def test_printed_tables_equal_the_csv(report):
    tables = read_tables(report.folder)
    for table in PRINTED:
        if not len(tables.get(table.name, ())):
            continue
        heads, rows = table.cells(tables[table.name])
        text = (report.folder / "tables" / f"{table.name}.tex").read_text(encoding="utf-8")
        assert r"\toprule" in text and r"\bottomrule" in text
        for row in rows:
            assert " & ".join(map(tex, row)) + r" \\" in text
        grid = docx.Document(str(report.folder / "tables" / f"{table.name}.docx")).tables[0]
        assert [[cell.text for cell in row.cells] for row in grid.rows] == [heads, *rows]


def test_names_from_the_user_are_escaped(report):
    page = (report.folder / "draft.html").read_text(encoding="utf-8")
    assert "<b>less</b>" not in page and "&lt;b&gt;less&lt;/b&gt;" in page
    draft = (report.folder / "draft.tex").read_text(encoding="utf-8")
    assert r"\& 50 \% \textless{}b\textgreater{}" in draft and r"\_steady\_" in draft
    players = (report.folder / "tables/players.tex").read_text(encoding="utf-8")
    assert r"Birch \& Söhne\_\$1 \{100 \%\} \textless{}i\textgreater{}" in players


def test_references_are_those_cited(report):
    written = (report.folder / "references.bib").read_text(encoding="utf-8")
    keys = set(re.findall(r"^@\w+\{(\w+),", written, flags=re.M))
    assert {"holm1979", "satterthwaite1946", "rife1974"} <= keys
    assert "schuirmann1987" not in keys  # no claim of equality here
    assert bibtex(["holm1979"]).count("{") == bibtex(["holm1979"]).count("}")
    assert all(listed(key).endswith(".") for key in WORKS)


def test_latex_cites_by_the_keys_of_the_bibliography(report):
    assert tex_citing("By Holm (Holm 1979) & more.") == r"By Holm \citep{holm1979} \& more."
    assert tex_citing("(Harris et al. 2020; Virtanen et al. 2020)") == r"\citep{harris2020,virtanen2020}"
    assert tex_citing("(Nobody 1900) 5 %") == r"(Nobody 1900) 5 \%"
    page = (report.folder / "draft.tex").read_text(encoding="utf-8")
    cited = {key for keys in re.findall(r"\\citep\{([\w,]+)\}", page) for key in keys.split(",")}
    written = (report.folder / "references.bib").read_text(encoding="utf-8")
    assert cited == set(re.findall(r"^@\w+\{(\w+),", written, flags=re.M))


def test_the_reproducibility_page_holds_versions_settings_and_hashes(report, study):
    page = html.unescape((report.folder / "reproducibility.html").read_text(encoding="utf-8"))
    digest = hashlib.sha256((study / "results" / "notes.csv").read_bytes()).hexdigest()
    tables = read_tables(report.folder)
    assert f"<tr><td>SHA-256 of notes.csv</td><td>{digest}</td></tr>" in page
    for name, (what, value) in {"software": ("name", "version"), "settings": ("setting", "value")}.items():
        for row in tables[name].fillna("").to_dict("records"):
            assert f"<tr><td>{row[what]}</td><td>{row[value]}</td></tr>" in page
    assert tables["claims"]["sha256"].map(lambda claim: claim in page).all()
    assert "http" not in page and str(study) not in page


def test_media_are_summed_up_by_hand():
    recordings = pd.DataFrame(
        {
            "medium": ["tape_lp", "tape_lp", "tape_lp", None],
            "programme_db": [-10.0, -12.0, -14.0, np.nan],
            "noise_db": [-50.0, -50.0, -60.0, np.nan],
            "high_edge_hz": [5000.0, 7000.0, 6000.0, np.nan],
            "clicks_per_s": [0.0, 1.0, 5.0, np.nan],
            "hum_hz": [np.nan, 50.0, 60.0, np.nan],
            "clipped_fraction": [0.0, 0.0, 0.01, 0.0],
        }
    )
    table = media_table(recordings).set_index("medium")
    assert table.loc["tape_lp", "above_noise_db"] == 40  # of 40, 38, 46
    assert table.loc["tape_lp", ["recordings", "high_edge_hz", "clicks_per_s"]].tolist() == [3, 6000, 1]
    assert table.loc["tape_lp", ["hum", "clipped", "cut_off", "wow"]].tolist() == [2, 1, 0, 0]
    assert table.loc["not told", "recordings"] == 1
    book = Book(tables={"media": media_table(recordings)})
    book.begin("Limitations")
    write_media(book)
    said = " ".join(book.sections[0].paragraphs)
    assert "tape_lp (3 recordings): loud passages 40 dB above the noise, music heard up to 6,000 Hz" in said
    assert "mains hum on 2 of tape_lp; clipped samples on 1 of tape_lp" in said
    assert "not told" not in said


def test_notes_left_out_are_counted_only_for_media_that_are_told():
    counted = [
        ("medium", "not told", "above_noise_db", 40, "dB"),
        ("medium", "tape_lp", "above_noise_db", 30, "dB"),
    ]
    counted += [(*of, "notes", 9, "notes") for of in (("medium", "tape_lp"), ("study", "study"))]
    counted += [(*of, "left_out_too_short", 3, "notes") for of in (("medium", "tape_lp"), ("study", "study"))]
    frame = pd.DataFrame(counted, columns=["kind", "name", "quantity", "value", "unit"])
    table = left_out_of(frame.assign(low=np.nan, high=np.nan), [])
    assert table["side"].tolist() == ["medium tape or LP", "all"] and table["notes"].tolist() == [9, 9]


def test_media_that_the_manifest_does_not_tell_are_counted_in_the_frame():
    """Of media that it tells, the recordings are counted with the other tags."""
    found = {"programme_db": [-10.0, -12.0], "noise_db": [-50.0, -60.0]}
    for medium, count in (
        ({}, [2]),
        ({"medium": ["tape_lp", None]}, [1]),
        ({"medium": ["not told"] * 2}, []),
    ):
        rows = media_rows(pd.DataFrame({**found, **medium}))
        assert [row["value"] for row in rows if row["quantity"] == "recordings"] == count


def test_latex_compiles(report, tmp_path):
    if shutil.which("tectonic"):
        command = ["tectonic", "draft.tex"]
    elif shutil.which("latexmk"):
        command = ["latexmk", "-pdf", "-interaction=nonstopmode", "-halt-on-error", "draft.tex"]
    else:
        message = "needs LaTeX: apt-get install latexmk texlive-latex-recommended lmodern"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    shutil.copytree(report.folder, tmp_path / "pack")
    done = subprocess.run(command, cwd=tmp_path / "pack", capture_output=True, text=True, errors="replace")
    assert done.returncode == 0, done.stdout[-2000:]
    if command[0] == "latexmk":
        log = (tmp_path / "pack" / "draft.log").read_text(encoding="utf-8", errors="replace")
        assert not re.search(r"undefined (citations|references)|Citation `", log)
    assert (tmp_path / "pack" / "draft.pdf").stat().st_size > 20_000


def test_the_command_on_a_study_without_vibrato(tmp_path, capsys):
    notes = invented_notes(players=1, recordings=2, notes=6, vibrato=False)
    study = write_measured_study(tmp_path / "s", notes, claims="")
    (study / "audio").mkdir()
    lines = ["recording_id,path,player,decade,region"]
    for name, part in notes.groupby("recording_id"):
        (study / "audio" / f"{name}.wav").write_bytes(b"")
        row = part.iloc[0]
        lines.append(f"{name},audio/{name}.wav,{row['player']},{row['decade']},{row['region']}")
    (study / "corpus_manifest.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert cli.main(["paper", str(study), "--out", str(tmp_path / "out")]) == 0
    out = capsys.readouterr().out
    assert "Not drawn: rate_and_extent" in out
    assert (tmp_path / "out" / "NOT_DRAWN.txt").exists() and (tmp_path / "out" / "draft.docx").exists()
    assert cli.main(["paper", str(tmp_path / "nothing")]) == 2
