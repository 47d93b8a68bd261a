"""The listening page: one file that plays without a network, at a safe level, its cursor along the line."""

from __future__ import annotations

import base64
import io
import os
import re
import shutil
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyloudnorm
import pytest
import soundfile as sf

from vibstudy import cli, measure_corpus, read_notes
from vibstudy.corpus.tables import write_frame
from vibstudy.errors import VibstudyError
from vibstudy.figures.passage import Take, passage_ribbons, takes_by_hand, takes_of_bars
from vibstudy.notes.segment import segment_notes
from vibstudy.pages.audience import SETTINGS, two_groups, write_audience_page
from vibstudy.pages.examples import LEFT, LOUDNESS_LUFS, RIGHT, WIDTH, gain_for, wav_uri
from vibstudy.pages.listening import chosen_notes, write_listening_page
from vibstudy.pages.passage import Passage, bars_from_text, write_passage_page
from vibstudy.paper.output import write_slides
from vibstudy.paper.slide_sounds import following, old_and_modern, sound_slides
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.playing.resynthesis import PAD_S
from vibstudy.playing.tones import SAMPLE_RATE_HZ, ToneSpec, make_tone
from vibstudy.sound.writing import SAFE_PEAK
from vibstudy.study import open_study
from vibstudy.vibrato.note import measure_note

NAME = "Ash & Elm <script>alert(1)</script>"


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Two recordings of reference tones, measured."""
    folder = tmp_path_factory.mktemp("listening") / "study"
    (folder / "audio").mkdir(parents=True)
    for name, rate in (("one", 5.0), ("two", 6.5)):
        tones = [ToneSpec(hz, rate, extent, duration_s=1.4) for hz, extent in ((392, 30), (330, 45))]
        pad = np.zeros(SAMPLE_RATE_HZ // 2)
        sound = np.concatenate([pad, *(make_tone(tone) for tone in tones), pad])  # one phrase
        sf.write(folder / "audio" / f"{name}.wav", sound, SAMPLE_RATE_HZ, subtype="PCM_24")
    manifest = pd.DataFrame(
        {
            "recording_id": ["one", "two"],
            "path": ["audio/one.wav", "audio/two.wav"],
            "player": [NAME, "Player Birch"],
            "decade": [1950, 1960],
            "region": "Keldria",
        }
    )
    write_frame(folder / "corpus_manifest.csv", manifest)
    measure_corpus(folder / "corpus_manifest.csv", folder / "results", workers=1)
    return folder


@pytest.fixture(scope="module")
def page(study):
    path, count = write_listening_page(study)
    assert count == 4  # a note and a phrase a player
    return path


def sounds_of(page: Path) -> list[tuple[np.ndarray, int]]:
    text = page.read_text(encoding="utf-8")
    coded = re.findall(r'src="data:audio/wav;base64,([^"]+)"', text)
    return [sf.read(io.BytesIO(base64.b64decode(code))) for code in coded]


def test_it_holds_everything_and_asks_for_nothing(page):
    text = page.read_text(encoding="utf-8")
    without_sound = re.sub(r"data:audio/wav;base64,[^\"]+", "", text)
    assert "http://" not in without_sound and "https://" not in without_sound
    assert "default-src 'none'" in text
    assert [path.name for path in page.parent.glob("listening*")] == ["listening.html"]
    assert str(page.parent) not in text
    assert "what the law of your country allows" in text and "damages hearing" in text


def test_names_are_escaped(page):
    text = page.read_text(encoding="utf-8")
    assert "<script>alert" not in text and "Ash &amp; Elm &lt;script&gt;" in text


def test_sounds_are_levelled_limited_and_faded(page):
    sounds = sounds_of(page)
    assert len(sounds) == 8
    for number, (sound, rate_hz) in enumerate(sounds):
        lasts_s = len(sound) / rate_hz
        assert 1.4 < lasts_s < 1.8 if number < 4 else 2.8 < lasts_s < 3.3
        assert np.abs(sound).max() <= SAFE_PEAK
        assert np.abs(sound[:3]).max() < 1e-3 and np.abs(sound[-3:]).max() < 1e-3
        if number % 2 == 0:  # as played
            loudness = pyloudnorm.Meter(rate_hz).integrated_loudness(sound)
            assert loudness == pytest.approx(LOUDNESS_LUFS, abs=1.0)


def test_a_phrase_loses_the_vibrato_of_each_note_and_keeps_the_rest(page):
    played, without = (sound for sound, _ in sounds_of(page)[4:6])
    rate_hz = sounds_of(page)[4][1]
    assert len(played) == len(without)
    contour = track_line(played, rate_hz)
    notes = segment_notes(played, rate_hz, contour)
    assert len(notes) == 2
    swing = {}
    for name, sound in {"played": played, "without": without}.items():
        lines = [
            refine_note(sound, rate_hz, track_line(sound, rate_hz), *note)
            for note in notes[["onset_s", "offset_s"]].to_numpy()
        ]
        inner = [
            line.cents[(line.time_s > line.onset_s + 0.1) & (line.time_s < line.offset_s - 0.1)]
            for line in lines
        ]
        swing[name] = [np.ptp(np.percentile(cents, [5, 95])) / 2 for cents in inner]
        assert [line.reference_hz for line in lines] == pytest.approx([392, 330], rel=2e-3)
    assert min(swing["played"]) > 25
    assert max(swing["without"]) < 2


def test_level_of_a_known_sine():
    """ITU-R BS.1770-4: a full-scale sine of 997 Hz in one channel has a loudness of -3.01 LUFS."""
    sine = np.sin(2 * np.pi * 997 * np.arange(48_000) / 48_000)
    assert 20 * np.log10(gain_for(0.1 * sine, 48_000)) == pytest.approx(LOUDNESS_LUFS + 3.01 + 20, abs=0.1)
    assert gain_for(np.zeros(1000), 48_000) == 1.0
    short = 0.1 * sine[:4800]
    assert np.std(gain_for(short, 48_000) * short) == pytest.approx(10 ** (-23 / 20), rel=1e-2)
    click = np.zeros(48_000)
    click[20_000:20_050] = 0.9
    assert gain_for(click, 48_000) * 0.9 <= SAFE_PEAK + 1e-12


def test_fades_of_a_short_sound():
    sound, _ = sf.read(io.BytesIO(base64.b64decode(wav_uri(np.full(100, 0.4), 22_050).split(",")[1])))
    assert abs(sound[0]) < 0.01 and abs(sound[-1]) < 0.01 and sound.max() > 0.3


def test_notes_can_be_chosen(study, tmp_path):
    notes = read_notes(study)
    wanted = ["two/0002", "one/0001"]
    assert chosen_notes(notes, wanted, 8)["note_id"].tolist() == wanted
    with pytest.raises(VibstudyError, match="Did you mean 'one/0001'") as error:
        chosen_notes(notes, ["one/001", "nothing"], 8)
    assert len(error.value.problems) == 2
    with pytest.raises(VibstudyError, match="no note of this study"):
        chosen_notes(notes.assign(has_vibrato=False), [], 8)


def test_the_command(study, tmp_path, capsys):
    out = tmp_path / "page.html"
    assert cli.main(["listening", str(study), "--out", str(out), "--note", "one/0002"]) == 0
    assert "1 example." in capsys.readouterr().out and out.exists()
    assert cli.main(["listening", str(study), "--out", str(tmp_path / "no" / "page.html")]) == 2
    assert cli.main(["listening", str(tmp_path)]) == 2
    assert "Traceback" not in capsys.readouterr().err


def chromium_path() -> str:
    found = shutil.which("chromium")
    if found:
        return found
    message = "needs Chromium: apt-get install chromium"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


def until(tab, expression: str, seconds: float = 30) -> None:
    """Wait for an expression; the page's policy forbids the library's own way of waiting, which is eval."""
    end = time.monotonic() + seconds
    while not tab.evaluate(expression):
        assert time.monotonic() < end, expression
        time.sleep(0.02)


@pytest.mark.browser
@pytest.mark.slow
def test_it_plays_from_a_file_without_a_network(page):
    from playwright.sync_api import sync_playwright

    executable = chromium_path()
    asked, faults = [], []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=executable,
            args=["--no-sandbox", "--autoplay-policy=no-user-gesture-required", "--mute-audio"],
        )
        context = browser.new_context(offline=True)
        tab = context.new_page()
        tab.on("request", lambda request: asked.append(request.url.split(",")[0]))
        tab.on("pageerror", lambda error: faults.append(str(error)))
        tab.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
        tab.goto(page.as_uri())
        assert tab.locator("audio").count() == 8
        until(tab, "[...document.querySelectorAll('audio')].every(a => a.readyState >= 3)")
        durations = tab.evaluate("[...document.querySelectorAll('audio')].map(a => a.duration)")
        assert min(durations) > 1.4

        cursor = tab.locator(".cursor").first
        assert cursor.evaluate("c => getComputedStyle(c).visibility") == "hidden"
        tab.evaluate("document.querySelectorAll('audio')[0].play()")
        until(tab, "document.querySelectorAll('audio')[0].currentTime > 0.3")
        seen = tab.evaluate(
            """() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done([
                Number(document.querySelector('.cursor').getAttribute('x1')),
                document.querySelectorAll('audio')[0].currentTime]))))"""
        )
        duration = float(tab.locator(".example").first.get_attribute("data-duration") or "nan")
        place = LEFT + (WIDTH - LEFT - RIGHT) * seen[1] / duration
        assert seen[0] == pytest.approx(place, abs=30)  # a few frames late on a busy machine
        assert cursor.evaluate("c => getComputedStyle(c).visibility") == "visible"

        tab.evaluate("document.querySelectorAll('audio')[3].play()")  # only one sounds at a time
        until(tab, "document.querySelectorAll('audio')[0].paused")
        until(tab, "document.querySelectorAll('audio')[3].ended")
        last = float(tab.locator(".cursor").nth(1).get_attribute("x1") or "nan")
        assert last == pytest.approx(WIDTH - RIGHT, abs=15)
        browser.close()
    assert faults == []
    assert all(url.startswith(("file://", "data:")) for url in asked), asked


def test_the_line_is_that_of_the_note(page):
    """Points run over the note's own time, and swing by its extent; without its vibrato they hardly swing."""
    text = page.read_text(encoding="utf-8")
    duration = float(re.search(r'data-duration="([\d.]+)"', text).group(1))
    swing = {}
    for kind in ("played", "without"):
        points = re.search(rf'class="{kind}" points="([^"]+)"', text).group(1)
        x, y = np.array([pair.split(",") for pair in points.split()], float).T
        onset_s = (x[0] - LEFT) / (WIDTH - LEFT - RIGHT) * duration
        assert onset_s == pytest.approx(PAD_S, abs=0.05)
        swing[kind] = np.percentile(y, 95) - np.percentile(y, 5)
    assert swing["without"] < 0.1 * swing["played"]


# --- the same passage, several players


def a_scored_table() -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """Two recordings of four written notes in two bars; the second lacks one and plays twice as slowly."""
    rows, lines = [], {}
    for name, slow, missing, decade in (("fast", 1.0, None, 1990), ("slow", 2.0, 1, 1950)):
        for place in range(4):
            if place == missing:
                continue
            rows.append(
                {
                    "recording_id": name, "note_id": f"{name}/{place}", "player": f"Player {name}",
                    "decade": decade, "piece": "Lantern", "measure": 1 + place // 2, "beat": 1 + place % 2,
                    "score_match": "matched", "written_midi": 60 + place, "midi": 60.0 + place,
                    "onset_s": slow * place, "offset_s": slow * (place + 0.9),
                }
            )  # fmt: skip
        time_s = np.arange(0, 4 * slow, 0.02)
        f0_hz = 262 * 2 ** (20 / 1200 * np.sin(2 * np.pi * 5 * time_s))
        lines[name] = pd.DataFrame({"time_s": time_s, "f0_hz": f0_hz, "level_db": -20.0})
    return pd.DataFrame(rows), lines


def test_a_passage_by_its_bars_stands_at_the_written_notes():
    notes, lines = a_scored_table()
    takes = takes_of_bars(notes, "Lantern", 1, 2)
    assert [take.recording_id for take in takes] == ["slow", "fast"]  # the oldest first
    assert [take.notes["place"].tolist() for take in takes] == [[0, 2, 3], [0, 1, 2, 3]]
    figure, table = passage_ribbons(lines, takes, title="Lantern")
    assert len(table) == 7 and "Lantern: the same passage in 2 recordings" in figure.caption
    slow, fast = figure.axes
    # the third written note begins at one place in both rows, though at 4 s in one and at 2 s in the other
    begins = [sorted(float(c.get_segments()[0][0][0]) for c in axis.collections) for axis in (slow, fast)]
    assert begins[0][1] == pytest.approx(begins[1][2], abs=0.05)
    assert [label.get_text() for label in fast.get_xticklabels()] == ["C4", "C♯4", "D4", "E♭4"]


def test_the_one_wide_vibrato_of_a_passage_is_not_cut_off():
    notes, lines = a_scored_table()
    time_s = lines["slow"]["time_s"]
    swell = np.where(time_s.between(7.2, 7.6), 60 * np.sin(2 * np.pi * 5 * time_s), 0)  # and 20: ± 80 cents
    lines["slow"]["f0_hz"] *= 2 ** (swell / 1200)
    lines["fast"].loc[lines["fast"]["time_s"] < 0.05, "f0_hz"] *= 1.5  # the pitch on its way
    slow, fast = takes_of_bars(notes, "Lantern", 1, 2)
    figure, _ = passage_ribbons(lines, [slow, *[fast] * 7])
    assert 80 < figure.axes[0].get_ylim()[1] < 130


def test_of_a_repeated_passage_one_time_through_is_taken():
    notes, _ = a_scored_table()
    fast = notes[notes["recording_id"] == "fast"]
    again = fast.assign(onset_s=fast["onset_s"] + 10, offset_s=fast["offset_s"] + 10)
    first_lost = pd.concat([notes.drop(index=fast.index[1]), again], ignore_index=True)
    take = takes_of_bars(first_lost, "Lantern", 1, 2)[1]
    assert (take.from_s, take.notes["place"].tolist()) == (10.0, [0, 1, 2, 3])
    whole = pd.concat([notes, again], ignore_index=True)
    take = takes_of_bars(whole, "Lantern", 1, 2)[1]  # as complete: the first
    assert (take.from_s, take.notes["place"].tolist()) == (0.0, [0, 1, 2, 3])


def test_bars_of_two_movements_are_not_mixed():
    notes, _ = a_scored_table()
    notes["movement"] = np.where(notes["recording_id"] == "fast", "Dusk", "Dawn")
    with pytest.raises(VibstudyError, match="Name one with --movement: Dawn, Dusk"):
        takes_of_bars(notes, "Lantern", 1, 2)


def test_a_passage_that_is_not_there_is_told():
    notes, _ = a_scored_table()
    with pytest.raises(VibstudyError, match="Did you mean 'Lantern'"):
        takes_of_bars(notes, "Lanterns", 1, 2)
    with pytest.raises(VibstudyError, match="at least two recordings"):
        takes_of_bars(notes, "Lantern", 7, 9)
    with pytest.raises(VibstudyError) as error:
        takes_by_hand(notes, ["fast", "fats,0,2", "fast,3,1", "fast,nan,2", "fast,100,200"])
    assert len(error.value.problems) == 5
    for text in ("", "8-5", "a", "1-2-3", "-3"):
        with pytest.raises(VibstudyError, match="no bars"):
            bars_from_text(text)
    assert bars_from_text("5-8") == (5, 8) and bars_from_text("5") == (5, 5)


def test_a_passage_by_hand_is_heard_in_turn(study, tmp_path):
    wanted = Passage(takes=("one,0.3,2", "two,0.3,2"))
    path, players = write_passage_page(study, wanted, tmp_path / "passage.html")
    sounds = sounds_of(path)
    assert len(players) == 2 and len(sounds) == 3  # each, and one after the other
    assert len(sounds[2][0]) > 1.9 * len(sounds[0][0])
    assert "<script>alert" not in path.read_text(encoding="utf-8")
    assert sorted(p.suffix for p in (study / "figures").glob("passage.*")) == [".csv", ".pdf", ".png", ".txt"]
    levels = [pyloudnorm.Meter(rate).integrated_loudness(sound) for sound, rate in sounds[:2]]
    assert levels == pytest.approx([LOUDNESS_LUFS] * 2, abs=1.0)


def test_bar_by_bar_all_players_are_heard():
    from vibstudy.pages.passage import in_alternation

    notes, _ = a_scored_table()
    takes = takes_of_bars(notes, "Lantern", 1, 2)
    cuts = [
        np.full(round((take.to_s - take.from_s) * 1000), level)
        for take, level in zip(takes, (1, 2), strict=True)
    ]
    sound = in_alternation(takes, cuts, 1000)
    turns = sound[(sound == 1) | (sound == 2)]
    assert turns[np.flatnonzero(np.diff(turns, prepend=0))].tolist() == [1, 2, 1, 2]
    by_hand = [Take("a", 0, 1, "a", notes.assign(place=np.nan))]
    assert in_alternation(by_hand, cuts[:1], 1000) is None


# --- questions to the ear


@pytest.fixture(scope="module")
def questions(study, tmp_path_factory):
    path, pairs = write_audience_page(study, tmp_path_factory.mktemp("ear") / "ear.html", most=3, seed=4)
    assert pairs == 3
    return path


def test_pairs_hold_two_sounds_and_no_network(questions, study, tmp_path):
    text = questions.read_text(encoding="utf-8")
    assert len(sounds_of(questions)) == 6 and "<script>alert" not in text
    assert "default-src 'none'" in text and "damages hearing" in text and "law of your country" in text
    for question in ("Which has vibrato?", "Which is of 19", "Which has the vibrato of 19"):
        assert question in text
    again, _ = write_audience_page(study, tmp_path / "again.html", most=3, seed=4)
    assert again.read_bytes() == questions.read_bytes()


def test_groups_are_periods_or_filters(study):
    notes = read_notes(study)
    assert [group.name for group in two_groups(notes, [])] == ["1950–1959", "1960–1969"]
    assert [len(g.notes) for g in two_groups(notes, ["decade == 1950", "decade > 1950"])] == [2, 2]
    assert two_groups(notes.assign(decade=1950), []) == []
    for filters, words in (
        (["decade == 1950"], "two groups"),
        (["decade == 1", "decade > 1"], "no note with"),
    ):
        with pytest.raises(VibstudyError, match=words):
            two_groups(notes, filters)


@pytest.mark.browser
@pytest.mark.slow
def test_the_page_counts_hands_and_finds_an_ears_limit(questions):
    """Binomial chances are scipy's; the limit of simulated listeners is where 70.7 % say that it moves."""
    from playwright.sync_api import sync_playwright
    from scipy.stats import binomtest

    executable = chromium_path()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=executable, args=["--no-sandbox", "--mute-audio"]
        )
        tab = browser.new_context(offline=True).new_page()
        faults: list[str] = []
        tab.on("pageerror", lambda error: faults.append(str(error)))
        tab.goto(questions.as_uri())
        for right, asked in ((0, 1), (7, 10), (60, 100), (520, 1000), (10, 10)):
            chance = tab.evaluate(f"chanceOfAtLeast({right}, {asked})")
            expected = binomtest(right, asked, 0.5, alternative="greater").pvalue
            assert chance == pytest.approx(expected, rel=1e-6)

        # hands: nine of ten right in the first pair
        pair = tab.locator(".pair").first
        side = pair.get_attribute("data-answer")
        pair.locator(f'input[data-side="{side}"]').fill("9")
        pair.locator(f'input[data-side="{"AB".replace(side, "")}"]').fill("1")
        assert tab.locator("#tally").inner_text() == "No answers yet."
        pair.locator(".reveal").click()
        assert "9 of 10 answers are right (90 %)" in tab.locator("#tally").inner_text()
        assert "1.1 in 100" in tab.locator("#tally").inner_text()
        pair.locator(f'input[data-side="{side}"]').fill("1.5")
        assert "whole number" in tab.locator("#tally").inner_text()

        # 60 listeners whose answers follow a logistic curve in log extent: its 70.7 % point is found
        # (widths of the curve as in judgements of pitch; 0.15 in the natural logarithm)
        limit, width = 24.0, 0.15
        runs = tab.evaluate(
            """([limit, width, settings]) => {
              let seed = 12345;
              const random = () => (seed = (seed * 48271) % 2147483647) / 2147483647;
              const at = Math.log(limit) - width * Math.log(Math.SQRT1_2 / (1 - Math.SQRT1_2));
              const found = [];
              for (let listener = 0; listener < 60; listener += 1) {
                const run = new UpDown(60, settings);
                const moves = () => 1 / (1 + Math.exp((at - Math.log(run.extentCents)) / width));
                while (!run.done) run.answer(random() < moves());
                found.push(run.result());
              }
              return found;
            }""",
            [limit, width, SETTINGS],
        )
        limits = np.log([run["limitCents"] for run in runs if run])
        assert len(limits) >= 55
        assert np.exp(limits.mean()) == pytest.approx(limit, rel=0.06)
        told = np.sqrt(np.mean([np.log(run["factor"]) ** 2 for run in runs if run]))
        assert 0.4 * limits.std() < told < 2.0 * limits.std()

        # the tone is the one that is asked for, at a safe level
        sound = np.array(tab.evaluate(f"Array.from(toneSamples(22050, 440, 5, 30, {settings_json()}))"))
        assert np.abs(sound).max() == pytest.approx(10 ** (SETTINGS["peak_dbfs"] / 20), rel=0.01)
        line = refine_note(sound.astype(np.float32), 22050, track_line(sound, 22050), 0.05, 1.55)
        assert np.ptp(line.cents[10:-10]) / 2 == pytest.approx(30, abs=1.0)

        # hands that do not tell are not counted
        tab.locator("#limit .begin").click()
        for votes, said in ((("3", "2"), "Play a tone first"), (("3", "3"), "As many hands for each")):
            for name, vote in zip(("yes", "no"), votes, strict=True):
                tab.locator(f"#limit .{name}").fill(vote)
            tab.locator("#limit .hands").click()
            assert said in tab.locator("#limit .progress").inner_text()
            tab.locator("#limit .play").click()

        # the page prints its sheet alone
        tab.emulate_media(media="print")
        assert tab.locator("table.sheet").is_visible()
        assert not any(part.is_visible() for part in tab.locator("section, h2, .caution").all())
        tab.emulate_media(media="screen")

        # by hand: an ear that hears no movement at all is told to lie beyond
        tab.locator("#limit .begin").click()
        for _ in range(400):
            if tab.locator("#limit .progress").inner_text() == "Done.":
                break
            tab.locator("#limit .play").click()
            tab.locator("#limit .warm").click()
        assert "cannot be told" in tab.locator("#limit .rows").inner_text()
        browser.close()
    assert faults == []


def settings_json() -> str:
    import json

    return json.dumps(SETTINGS)


def test_other_manners_are_made_from_the_note_itself(study, tmp_path):
    path, count = write_listening_page(
        study, tmp_path / "manners.html", ["one/0001"], wider=[2.0], quicker=[0.8], like=["decade == 1960"]
    )
    assert count == 1 and "Like decade == 1960 (6.5 Hz, ± " in path.read_text(encoding="utf-8")
    sounds = sounds_of(path)
    assert len(sounds) == 5  # as played, without, wider, slower, like the other group
    found = []
    for sound, rate_hz in (sounds[0], *sounds[2:]):
        line = refine_note(sound, rate_hz, track_line(sound, rate_hz), PAD_S, PAD_S + 1.4)
        found.append(measure_note(line)[1])
    assert [fit.rate_hz for fit in found] == pytest.approx([5.0, 5.0, 4.0, 6.5], abs=0.06)
    assert [fit.extent_cents for fit in found[:3]] == pytest.approx([30, 60, 30], abs=1.2)
    with pytest.raises(VibstudyError) as error:
        write_listening_page(
            study, tmp_path / "x.html", wider=[9], quicker=[0.0], like=["decade == 1", "no =="]
        )
    assert len(error.value.problems) == 4
    with pytest.raises(VibstudyError, match="200 versions of each example; at most 12"):
        write_listening_page(study, tmp_path / "x.html", wider=[2.0] * 200)


def test_slides_with_sound_set_old_against_modern_on_one_scale(study, tmp_path):
    """Two pairs' worth of players are one pair here; without its sound files a study has none."""
    notes = read_notes(study)
    assert [pair["decade"].tolist() for pair in old_and_modern(notes)] == [[1950, 1960]]
    found = sound_slides(open_study(study), notes, None)
    assert list(found) == ["extent_over_decades"] and list(following(found, ["claims"])) == ["claims"]
    old, new = found["extent_over_decades"][0].examples
    assert old.plot["ticks_y"] == new.plot["ticks_y"]
    (tmp_path / "slide").mkdir()
    (tmp_path / "slide/claims.png").write_bytes(b"")
    page = tmp_path / "slides_with_sound.html"
    write_slides([("claims", "One. Two.")], "A title", page, tmp_path, following(found, ["claims"]))
    text = page.read_text(encoding="utf-8")
    assert text.count("<section>") == 3 and "<h2>One.</h2>" in text and "<script" not in text
    assert "what the law of your country allows" in text and "damages hearing" in text
    sounds = sounds_of(page)
    assert len(sounds) == 4 and all(np.abs(sound).max() <= SAFE_PEAK for sound, _ in sounds)
    lost = notes.assign(recording_id="elsewhere")
    assert sound_slides(open_study(study), lost, None) == {}
