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
from vibstudy.notes.segment import segment_notes
from vibstudy.pages.listening import (
    LEFT,
    LOUDNESS_LUFS,
    RIGHT,
    WIDTH,
    chosen_notes,
    gain_for,
    wav_uri,
    write_listening_page,
)
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.playing.resynthesis import PAD_S
from vibstudy.playing.tones import SAMPLE_RATE_HZ, ToneSpec, make_tone
from vibstudy.sound.writing import SAFE_PEAK

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
