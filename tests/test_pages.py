"""Pages of recordings and of the corpus: whole, safe to open, bounded, made only when something changed."""

from __future__ import annotations

import base64
import html.parser
import io
import os
import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile as sf

from tests.frame_numbers import missing, numbers_of, text_of
from tests.invented_study import invented_notes
from vibstudy import cli, measure_corpus
from vibstudy.corpus.results import read_notes
from vibstudy.errors import VibstudyError
from vibstudy.figures.quantities import quantities, value_of
from vibstudy.pages.corpus import RADIUS, _apart, corpus_page
from vibstudy.pages.drawing import MOST_ROWS, draw_row, picture, row_seconds
from vibstudy.pages.html import templates
from vibstudy.pages.recording import expected_words, tags_of
from vibstudy.pages.trust import doubts, plays_alone, reason_words, trusted_share, usable, verdict_words
from vibstudy.pages.write import FOLDER, made_from, write_pages
from vibstudy.playing.expected import expected_errors
from vibstudy.playing.tones import SAMPLE_RATE_HZ, ToneSpec, make_tone
from vibstudy.schema import NOTE_COLUMNS, typed
from vibstudy.sound.media import find_media
from vibstudy.study import open_study

HOSTILE = "\"><script>alert(1)</script><img src=x onerror=alert(2)> & 'Ash' {{ 7*7 }}"


class Elements(html.parser.HTMLParser):
    """All elements of a page, their attributes and texts."""

    def __init__(self, text: str):
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += data


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    """Two recordings of reference tones, one of them in noise, with a hostile player; measured."""
    folder = tmp_path_factory.mktemp("pages") / "study"
    (folder / "audio").mkdir(parents=True)
    rng = np.random.default_rng(3)
    for name, rate, noise in (("one", 5.0, 1e-4), ("two", 6.5, 0.004)):
        tones = [
            make_tone(ToneSpec(hz, rate, extent, duration_s=1.4))
            for hz, extent in ((392, 30), (330, 45), (440, 0), (494, 20))
        ]
        pad = np.zeros(SAMPLE_RATE_HZ // 2)
        sound = np.concatenate([pad, *(part for tone in tones for part in (tone, pad))])
        sound += noise * rng.standard_normal(len(sound))
        sf.write(folder / "audio" / f"{name}.wav", sound, SAMPLE_RATE_HZ, subtype="PCM_24")
    pd.DataFrame(
        {
            "recording_id": ["one", "two"],
            "path": ["audio/one.wav", "audio/two.wav"],
            "player": [HOSTILE, "Player Birch"],
            "decade": [1950, 1960],
            "region": ["Keldria", HOSTILE],
            "medium": ["electrical_disc", "tape_lp"],
            "comment": [HOSTILE, "invented"],
        }
    ).to_csv(folder / "corpus_manifest.csv", index=False)
    measure_corpus(folder / "corpus_manifest.csv", folder / "results", workers=1)
    return folder


@pytest.fixture(scope="module", autouse=True)
def _few_tones():
    """Two tones of known vibrato a page and not twelve; whole tables are on the pages of test_accessible."""
    with pytest.MonkeyPatch.context() as patch:

        def few(*recording, **asked):
            return expected_errors(*recording, **asked | {"extents_cents": (0.0, 20.0), "tones": 1})

        patch.setattr("vibstudy.pages.write.expected_errors", few)
        yield


@pytest.fixture(scope="module")
def pages(study) -> Path:
    report = write_pages(study)
    assert (report.made, report.unchanged, report.without_sound) == (2, 0, ())
    return study / FOLDER


def test_every_recording_has_a_page_and_the_corpus_page_opens_it(pages):
    index = Elements((pages / "index.html").read_text(encoding="utf-8"))
    links = {attributes["href"] for tag, attributes in index.tags if tag == "a"}
    assert {"recording/one.html", "recording/two.html"} <= links
    assert all((pages / link).is_file() for link in links)
    marks = [tag for tag, _ in index.tags if tag in ("circle", "rect", "path")]
    assert len(marks) >= 2 * 5  # two recordings in each of the strips


def test_a_page_holds_what_was_found(pages):
    page = Elements((pages / "recording" / "two.html").read_text(encoding="utf-8"))
    for words in (
        "Player Birch",
        "Most of its notes that are long enough to tell can be used.",
        "4 of 4 usable.",
        "Its true speed is not known",
        "Music is heard from",
        "The notes agree on no common tuning.",  # four notes cannot
        "No sway common to all notes was found.",
        "What to expect of its room, noise and bandwidth alone",
        "Its vibrato taken out",
        "half of peak-to-peak",
    ):
        assert words in re.sub(r"\s+", " ", page.text), words
    pictures = [a["href"] for tag, a in page.tags if tag == "image"]
    assert pictures and all(p.startswith("data:image/png;base64,") for p in pictures)
    notes = [a["src"] for tag, a in page.tags if tag == "img"]
    assert 2 <= len(notes) <= 8 and len(notes) % 2 == 0
    assert all(source.startswith("data:image/png;base64,") for source in notes)
    assert sum(tag == "polyline" for tag, _ in page.tags) >= 8  # line and lane of four notes


def test_every_number_of_a_recordings_page_is_a_measured_one(study, pages):
    """Of the frame's rows of this recording, or of its notes; and the counts under the frame's own names.

    Left aside, each with a test of its own: what the pictures say of themselves (tests of the straightened
    sound), and what tones in this recording's noise came to (tests of what is expected).
    """
    notes, recordings = read_notes(study), open_study(study).recordings()
    frame = quantities(notes, recordings, ())
    looked = 0
    for name in ("one", "two"):
        own, row = notes[notes["recording_id"] == name], recordings[recordings["recording_id"] == name]
        here = frame[(frame["kind"] == "recording") & (frame["name"] == name)]
        text = text_of((pages / "recording" / f"{name}.html").read_text(encoding="utf-8"))
        text = text.replace(HOSTILE, "").split("What to expect of its room")
        text = text[0] + text[1].split("Notes that can be used")[1]
        text = re.sub(r"Of the sound about its [^.]*\.|white noise: 0|notebook \d", "", text)
        for onset_s in own["onset_s"]:
            text = text.replace(f"{int(onset_s // 60)}:{onset_s % 60:04.1f}", "")
        values = np.concatenate(
            [part.select_dtypes("number").to_numpy(float, na_value=np.nan).ravel() for part in (own, row)]
        )
        single = {f"{abs(value):.{places}f}" for value in values for places in (0, 1, 2)}
        numbers = set(own["note_id"].str.rpartition("/")[2].astype(int).astype(str))
        numbers |= {str(k + 1) for k in range(len(own))}
        assert missing(here, text, single | numbers) == [], name
        looked += len(numbers_of(text))
        counted = {"notes found": "notes", "usable notes with vibrato": "notes_vibrato"}
        for words, quantity in counted.items():
            told = int(re.search(rf"(\d+) ?\|? ?{words}", text).group(1))
            assert told == value_of(frame, "recording", name, quantity), words
        usable_told, of = map(int, re.search(r"(\d+) of (\d+) usable", text).groups())
        assert usable_told == value_of(frame, "recording", name, "notes_usable")
        assert of == value_of(frame, "recording", name, "notes") == len(own)
        counts = own["usable"] & own["has_vibrato"].fillna(False)  # what is usable has its figures
        assert (
            own.loc[counts, ["rate_hz", "rate_se_hz", "extent_cents", "extent_se_cents"]]
            .notna()
            .all(axis=None)
        )
    assert looked > 80


def test_nothing_of_the_manifest_becomes_markup(pages):
    for path in (pages / "index.html", *(pages / "recording").glob("*.html")):
        text = path.read_text(encoding="utf-8")
        page = Elements(text)
        assert not {"script", "iframe", "object", "form"} & {tag for tag, _ in page.tags}
        assert all(a["src"].startswith("data:image/png;") for tag, a in page.tags if tag == "img")
        assert not any(name.startswith("on") for _, attributes in page.tags for name in attributes)
        assert "default-src 'none'" in text
        assert not re.search(r"(src|href)=[\"']?\s*(https?:|//|javascript:)", text, re.IGNORECASE)
    assert HOSTILE in Elements((pages / "recording" / "one.html").read_text(encoding="utf-8")).text


def test_no_name_turns_the_direction_of_reading():
    """After U+202E a browser would write the rest of the line from right to left, figures and all."""
    page = templates().from_string("{{ name }}, {{ year }}")
    assert page.render(name="Ash\u202e <b>", year=1950) == r"Ash\u202e &lt;b&gt;, 1950"


def test_only_what_changed_is_made_again(study, pages):
    before = {path: path.stat().st_mtime_ns for path in pages.rglob("*.html")}
    report = write_pages(study)
    assert (report.made, report.unchanged) == (0, 2)
    assert before == {path: path.stat().st_mtime_ns for path in pages.rglob("*.html")}
    manifest = study / "corpus_manifest.csv"
    text = manifest.read_text(encoding="utf-8")
    stranger = pages / "recording" / "mine.html"
    stranger.write_text("a page of the user's own", encoding="utf-8")
    gone = pages / "recording" / "gone.html"
    shutil.copy(pages / "recording" / "one.html", gone)
    try:
        manifest.write_text(text.replace("Player Birch", "Player Larch"), encoding="utf-8")
        report = write_pages(study)
        assert (report.made, report.unchanged) == (1, 1)
        assert "Player Larch" in (pages / "recording" / "two.html").read_text(encoding="utf-8")
        assert stranger.exists() and not gone.exists()
    finally:
        manifest.write_text(text, encoding="utf-8")
        stranger.unlink()
        write_pages(study)


def test_a_page_without_its_sound_says_so(study, pages):
    sound = study / "audio" / "two.wav"
    away = sound.with_suffix(".away")
    sound.rename(away)
    try:
        report = write_pages(study)
    finally:
        away.rename(sound)
    assert [name for name, _ in report.without_sound] == ["two"]
    text = (pages / "recording" / "two.html").read_text(encoding="utf-8")
    assert "The sound is not drawn" in text and "<polyline" in text
    assert write_pages(study).made == 1


@pytest.mark.parametrize("left", [0.5, 0.0])
def test_sound_that_was_cut_since_is_not_put_under_the_notes(study, pages, left):
    """It would be drawn and played beside notes that were measured in other sound."""
    sound, page = study / "audio" / "two.wav", pages / "recording" / "two.html"
    whole = sound.read_bytes()
    try:
        sound.write_bytes(whole[: int(left * len(whole))])
        page.unlink()
        ((name, why),) = write_pages(study).without_sound
        assert name == "two" and "not the sound that was measured" in why
        assert "The sound is not drawn" in page.read_text(encoding="utf-8")
    finally:
        sound.write_bytes(whole)
    assert write_pages(study).made == 1  # put back: drawn again
    assert "The sound is not drawn" not in page.read_text(encoding="utf-8")


def test_a_study_not_measured_says_what_to_do(tmp_path):
    (tmp_path / "corpus_manifest.csv").write_text(
        "recording_id,path,player,decade,region\na,a.wav,A,1950,North\n", encoding="utf-8"
    )
    with pytest.raises(VibstudyError, match="nothing has been measured"):
        write_pages(tmp_path)


def test_command_pages(study, pages, capsys):
    assert cli.main(["pages", str(study)]) == 0
    assert "0 pages made, 2 unchanged" in capsys.readouterr().out


def test_pictures_and_rows_are_bounded():
    assert row_seconds(12.0) == 12.0
    assert row_seconds(300.0) == 20.0
    assert 3600 / row_seconds(3600.0) <= MOST_ROWS
    rng = np.random.default_rng(0)
    noise = rng.standard_normal(22050 * 150)  # the worst to pack
    assert len(picture(noise, 22050.0, 150.0, (150.0, 3000.0), 0.0)) < 400_000


def grey(samples, loud_db):
    """Mean brightness of the picture of a row, 0 (black) to 255."""
    from PIL import Image

    data = picture(samples, 22050.0, 2.0, (150.0, 3000.0), loud_db).partition(",")[2]
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("L")).mean()


def test_silence_is_white_and_a_soft_row_still_shows():
    tone = make_tone(ToneSpec(pitch_hz=440.0, duration_s=2.0)).astype(float)[:: SAMPLE_RATE_HZ // 22050]
    loud_db = 20 * np.log10(np.sqrt(np.mean(tone**2)))
    assert grey(np.zeros(44100), loud_db) == 255
    assert grey(1e-4 * tone, loud_db) > 250  # 80 dB below
    assert grey(0.2 * tone, loud_db) == pytest.approx(grey(tone, loud_db), abs=1)  # 14 dB below
    assert grey(0.05 * tone, loud_db) > grey(tone, loud_db) + 1  # 26 dB below: softer, and seen to be


def test_a_row_counts_time_to_the_end_of_its_sound():
    notes = typed(pd.DataFrame({"recording_id": [], "onset_s": []}), NOTE_COLUMNS)
    line = pd.DataFrame({"time_s": [], "note_number": [], "f0_hz": []}, dtype=float)
    row = draw_row(np.zeros(22050 * 5), 22050.0, 20.0, 20.0, line, notes, (100.0, 3000.0), 50.0, -20.0)
    assert [words for _, words in row.ticks_s] == ["0:20", "0:21", "0:22", "0:23", "0:24"]


def test_trust_counts_only_notes_long_enough_to_tell():
    notes = pd.DataFrame(
        {
            "duration_s": [1.0, 1.0, 1.0, 0.2, 0.4],
            "note_kind": ["note", "note", "note", "note", "note"],
            "quality": ["ok", "few_cycles", "masked", "too_short", "too_short"],
            "reviewed": ["auto"] * 5,
        }
    )
    assert usable(notes).tolist() == [True, True, False, False, False]
    assert trusted_share(notes) == pytest.approx(2 / 3)  # by hand: 2 of the first three
    assert verdict_words(2 / 3).startswith("Part of its notes")
    assert verdict_words(float("nan")).startswith("There is no note")


def test_points_of_a_strip_do_not_cover_each_other():
    x = np.sort(np.random.default_rng(1).uniform(0, 400, 40))
    y = _apart(x)
    near = [(i, j) for i in range(40) for j in range(i) if np.hypot(x[i] - x[j], y[i] - y[j]) < RADIUS]
    assert len(near) <= 1


def test_corpus_page_takes_any_manifest():
    notes = invented_notes(players=9, recordings=2, notes=12)
    by_recording = dict(list(notes.groupby("recording_id")))
    recordings = notes.drop_duplicates("recording_id")[["recording_id", "player", "region"]]
    page = corpus_page(recordings.assign(tuning_hz=440.0), notes)
    assert page.lane_name == "player" and len(page.table) == 18
    strip = next(strip for strip in page.strips if strip.title.startswith("Extent"))
    middle = by_recording["take000"]
    mean = np.exp(np.log(middle.loc[middle["has_vibrato"].fillna(False), "extent_cents"]).mean())
    words = next(mark["words"] for mark in strip.marks if mark["id"] == "take000")
    assert words.endswith(f"{mean:.3g}")
    short = int(middle["has_vibrato"].isna().sum())
    row = next(row for row in page.table if row["id"] == "take000")
    assert row["trusted"] == f"{12 - short} of 12 usable" + (f" ({short} too short)" if short else "")


@pytest.mark.parametrize("same", [0.0, 0.3, 5.5])
def test_an_axis_on_which_nothing_varies_is_no_magnifying_glass(same):
    notes = invented_notes(players=3, recordings=2, notes=6)
    notes["intensity_depth_db"] = same + 1e-6 * np.arange(len(notes))
    page = corpus_page(notes.drop_duplicates("recording_id")[["recording_id", "player"]], notes)
    ticks = next(strip for strip in page.strips if strip.title.startswith("Intensity")).ticks
    values = [float(words) for _, words in ticks]
    assert values[-1] - values[0] >= 1 and 0 <= values[0] <= same <= values[-1]


def test_reasons_are_true_to_what_is_known():
    """Where nobody accompanies, no other player can cover a note."""
    assert "another player" in reason_words("masked;noisy")
    assert "player" not in reason_words("masked;noisy", alone=True)
    assert plays_alone({"accompaniment": "none"}) and not plays_alone({"accompaniment": "piano"})
    assert not plays_alone({}) and not plays_alone({"accompaniment": pd.NA})


def test_a_page_counts_each_note_left_out_once():
    notes = invented_notes(players=2, recordings=1, notes=8).iloc[:8].reset_index(drop=True)
    notes[["note_kind", "reviewed", "quality", "has_vibrato"]] = ["note", "auto", "ok", True]
    notes[["usable", "rate_hz", "extent_cents", "rate_se_hz", "extent_se_cents"]] = [
        True,
        5.0,
        20.0,
        0.1,
        1.0,
    ]
    notes.loc[:2, "quality"] = ["too_short;masked", "masked", "masked;noisy"]
    notes.loc[3, "note_kind"] = "trill"
    notes.loc[:3, "usable"] = False
    assert "transposing" not in " ".join(doubts({"notes_path": "list.csv"}, notes))
    unheard = notes.assign(quality=["ok"] * 3 + ["noisy;masked"] * 5)
    assert "transposing" in " ".join(doubts({"notes_path": "list.csv"}, unheard))
    assert "transposing" not in " ".join(doubts({"notes_path": None}, unheard))
    said = " ".join(doubts({"accompaniment": "none"}, notes[4:]))
    assert said.startswith("4 of 4 usable.") and "left out" not in said
    said = " ".join(doubts({"accompaniment": "none"}, notes))
    assert said.startswith("4 of 8 usable (1 no single note, 1 too short, 2 covered)")
    assert "2 notes: noise or the room covers it" in said and "1 note: trill, ornament" in said


def test_tags_are_shown_as_written_and_the_tuning_in_its_own_place():
    row = {"decade": 1950.0, "tempo_bpm": 72.5, "speed_factor": 0.961234, "tuning_hz": 440.4118250500589}
    assert tags_of(row, list(row)) == {"decade": "1950", "tempo bpm": "72.5", "speed factor": "0.961234"}
    cell = {"extent_cents": 10, "found": 1, "extent_bias_cents": -0.01}
    assert expected_words(cell | {"extent_error_cents": 0.04, "rate_error_hz": 0.01})["bias"] == "+0.0"


def test_expected_errors_grow_with_the_noise(study):
    """Little noise: what is measured is what was made. As loud as the tones: it is not, and it says so."""
    quiet = find_media(study / "audio" / "one.wav")
    table = expected_errors(
        quiet, np.random.default_rng(1), rates_hz=(6.0,), extents_cents=(0.0, 30.0), tones=4
    ).set_index("extent_cents")
    assert table.loc[0.0, "found"] == 0
    assert table.loc[30.0, "found"] == 1
    assert abs(table.loc[30.0, "extent_bias_cents"]) < 0.3
    assert table.loc[30.0, "rate_error_hz"] < 0.02
    loud = type(quiet)(
        **{
            **quiet.__dict__,
            "noise_density": np.full_like(quiet.noise_density, 2.0 * 10 ** (quiet.programme_db / 10) / 11025),
        }
    )
    worse = expected_errors(
        loud, np.random.default_rng(1), rates_hz=(6.0,), extents_cents=(30.0,), tones=2
    ).iloc[0]
    assert worse["usable"] <= 0.5 or worse["extent_error_cents"] > table.loc[30.0, "extent_error_cents"]


def test_command_expect(study, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("vibstudy.playing.expected.RATES_HZ", (6.0,))
    monkeypatch.setattr("vibstudy.playing.expected.EXTENTS_CENTS", (0.0, 20.0))
    assert cli.main(["expect", str(study / "audio" / "two.wav"), "--out", str(tmp_path / "two")]) == 0
    out = capsys.readouterr().out
    assert "Music is heard from" in out and "tones of known vibrato" in out
    table = pd.read_csv(tmp_path / "two.csv")
    assert {"rate_hz", "extent_cents", "found", "extent_bias_cents", "extent_error_cents"} <= set(table)
    assert (tmp_path / "two.png").stat().st_size > 10_000
    assert (tmp_path / "two.pdf").read_bytes().startswith(b"%PDF")
    assert not list(tmp_path.glob("*.part"))
    assert cli.main(["expect", str(tmp_path / "none.wav")]) == 2


@pytest.mark.browser
def test_a_browser_opens_the_pages_and_nothing_else(pages):
    """Every point leads to its page, the page shows its picture, and no script and no request runs."""
    executable = shutil.which("chromium") or shutil.which("chromium-browser")
    if executable is None:
        if os.environ.get("CI") == "true":
            pytest.fail("needs Chromium: apt-get install chromium")
        pytest.skip("needs Chromium: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=["--no-sandbox"])
        page = browser.new_page()
        said, asked = [], []
        page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
        page.on("request", lambda request: asked.append(request.url))
        page.goto((pages / "index.html").as_uri())
        page.locator("svg.strip a[href='recording/two.html']").first.click()
        assert page.locator("h1").inner_text() == "two"
        box = page.locator("image").first.bounding_box()
        assert box["width"] > 300 and box["height"] > 50
        page.goto((pages / "recording" / "one.html").as_uri())
        assert page.evaluate("document.scrollingElement.scrollWidth <= window.innerWidth")
        browser.close()
    assert said == []
    assert all(url.startswith(("file:", "data:")) for url in asked)


def test_made_from_reads_only_our_own(tmp_path):
    assert made_from(tmp_path / "none.html") == ""
    other = tmp_path / "other.html"
    other.write_text("<html>", encoding="utf-8")
    assert made_from(other) == ""


@pytest.mark.browser
@pytest.mark.slow
def test_a_page_may_hold_its_sound_where_the_study_allows_it(study, tmp_path):
    from playwright.sync_api import sync_playwright

    from tests.test_listening import chromium_path, until

    executable = chromium_path()
    settings = study / "study.toml"
    settings.write_text('[run]\npage_sound = "yes"\n', encoding="utf-8")
    try:
        write_pages(study, tmp_path)
    finally:
        settings.unlink()
    path = tmp_path / "recording" / "two.html"
    text = path.read_text(encoding="utf-8")
    assert "law of your country" in text and "damages hearing" in text
    packed = base64.b64decode(re.findall(r'src="data:audio/mpeg;base64,([^"]+)"', text)[0])
    sound, rate_hz = sf.read(io.BytesIO(packed))
    original, original_hz = sf.read(study / "audio" / "two.wav")
    assert len(sound) / rate_hz == pytest.approx(len(original) / original_hz, abs=0.1)
    assert np.abs(sound).max() < 0.6
    assert len(packed) < 0.1 * original.nbytes
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=executable,
            args=["--no-sandbox", "--autoplay-policy=no-user-gesture-required", "--mute-audio"],
        )
        tab = browser.new_context(offline=True).new_page()
        faults: list[str] = []
        tab.on("pageerror", lambda error: faults.append(str(error)))
        tab.goto(path.as_uri())
        note = tab.locator(".hit").nth(2)
        note.click()
        until(tab, "document.querySelector('audio').currentTime > 0")
        at_s = float(note.get_attribute("data-at"))
        now = tab.evaluate("document.querySelector('audio').currentTime")
        assert at_s - 0.1 <= now < at_s + 2
        until(tab, "document.querySelector('.cursor').getAttribute('visibility') === 'visible'")
        browser.close()
    assert faults == []
