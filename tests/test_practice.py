"""Practice: a take against a target, and its history."""

from __future__ import annotations

import base64
import os
import shutil
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile as sf

from tests.invented_study import invented_notes
from tests.letters import smallest_letter_pt
from vibstudy import cli
from vibstudy.errors import VibstudyError
from vibstudy.playing.practice import (
    against_target,
    in_words,
    make_target,
    practise,
    progress,
    read_history,
    remember,
    summary,
    target_like,
)
from vibstudy.playing.recorder import Recorder
from vibstudy.playing.tones import SAMPLE_RATE_HZ, ToneSpec, join, make_tone
from vibstudy.recording import measure_recording
from vibstudy.schema import NOTE_COLUMNS, typed


def write_take(path: Path, *tones: tuple[float, float, float]) -> Path:
    """A take of reference tones (rate, extent, pitch), 1.5 s each."""
    specs = [ToneSpec(hz, rate, extent, duration_s=1.5) for rate, extent, hz in tones]
    sf.write(path, join([make_tone(spec) for spec in specs]), SAMPLE_RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture
def notes():
    """Five notes worked by hand: on target, fast, wide, straight, too short."""
    frame = pd.DataFrame(
        {
            "recording_id": "take",
            "note_id": [f"take/{k}" for k in range(5)],
            "onset_s": np.arange(5.0),
            "duration_s": 1.0,
            "midi": 69,
            "note_kind": "note",
            "quality": "ok",
            "has_vibrato": pd.array([True, True, True, False, pd.NA], "boolean"),
            "rate_hz": [5.1, 6.0, 4.9, np.nan, np.nan],
            "rate_se_hz": 0.02,
            "extent_cents": [21.0, 20.0, 40.0, np.nan, np.nan],
            "extent_se_cents": 0.2,
            "rate_irregularity": [0.02, 0.04, 0.03, np.nan, np.nan],
            "extent_irregularity": [0.1, 0.2, 0.3, np.nan, np.nan],
            "extent_growth_cents_per_s": [1.0, 2.0, 3.0, np.nan, np.nan],
            "reviewed": "auto",
        }
    )
    return typed(frame, NOTE_COLUMNS)


def test_note_by_note(notes):
    target = make_target(5, 20)
    compared = against_target(notes, target, beat_bpm=72)
    assert compared["verdict"].tolist() == [
        "on target",
        "faster by 1.0 Hz",
        "wider by 20 cents",
        "straight",
        "too short to tell",
    ]
    assert compared["pulses_per_beat"].iloc[0] == pytest.approx(5.1 * 60 / 72)
    values = summary(notes, compared, target, 72)
    assert values["straight_share"] == pytest.approx(1 / 4)
    assert values["on_target_share"] == pytest.approx(1 / 3)
    assert values["rate_hz"] == 5.1 and values["extent_cents"] == 21.0
    assert values["rate_steadiness"] == pytest.approx(0.97)
    assert values["extent_steadiness"] == pytest.approx(0.8)
    assert values["pulses_per_beat"] == pytest.approx(4.25)


def test_no_minus_stands_before_a_growth_of_zero(notes):
    notes["extent_growth_cents_per_s"] = -0.01
    target = make_target(5, 20)
    said = " ".join(in_words(summary(notes, against_target(notes, target), target, None)))
    assert "growing by +0.0 cents" in said


def test_the_standard_error_widens_the_target(notes):
    notes["rate_se_hz"] = 0.4
    assert against_target(notes, make_target(5, 20))["verdict"].iloc[1] == "on target"


def test_a_free_target_judges_nothing(notes):
    compared = against_target(notes, make_target(None, None))
    assert compared["verdict"].tolist() == ["", "", "", "straight", "too short to tell"]
    assert compared["pulses_per_beat"].isna().all()
    values = summary(notes, compared, make_target(None, None), None)
    assert np.isnan(values["on_target_share"])
    said = " ".join(in_words(values))
    assert "on target" not in said and "No target" in said


def test_targets_below_zero_are_told_together():
    with pytest.raises(VibstudyError) as error:
        make_target(-1, 0)
    assert len(error.value.problems) == 2


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_target_that_is_no_number_is_not_taken_for_none(value):
    with pytest.raises(VibstudyError, match="a target rate is above 0"):
        make_target(value, 20)


def test_one_note_is_one(notes):
    one = notes.iloc[:1].assign(rate_hz=np.nan, extent_cents=np.nan)
    target = make_target(5, 20)
    said = " ".join(in_words(summary(one, against_target(one, target), target, None)))
    assert "1 note, none with a vibrato" in said


def test_like_a_group_is_its_middle_80_per_cent(tmp_path):
    notes = invented_notes()
    notes.to_parquet(tmp_path / "notes.parquet")
    one = notes[(notes["player"] == "Player Birch") & notes["rate_hz"].notna()]
    target = target_like(tmp_path, "player birch")
    inside = one["rate_hz"].between(*target.rate_hz).mean()
    assert inside == pytest.approx(0.8, abs=0.03)
    assert one["extent_cents"].between(*target.extent_cents).mean() == pytest.approx(0.8, abs=0.03)
    assert "1950" not in target_like(tmp_path, "Keldria").words
    with pytest.raises(VibstudyError, match="Did you mean"):
        target_like(tmp_path, "Keldri")
    with pytest.raises(VibstudyError, match=r"Known are: Player .* and \d+ more\.$"):
        target_like(tmp_path, "qqqq")


def test_every_player_of_a_group_counts_the_same(tmp_path):
    """Nine hundred notes of one player at 7 Hz do not outweigh a hundred of another at 5 Hz."""
    rate = np.r_[np.full(900, 7.0), np.full(100, 5.0)]
    frame = invented_notes(players=1, recordings=1, notes=1)
    frame = pd.concat([frame] * 1000, ignore_index=True).assign(
        rate_hz=rate,
        extent_cents=20.0,
        has_vibrato=True,
        quality="ok",
        region="Here",
        player=np.where(rate == 7, "A", "B"),
    )
    typed(frame, NOTE_COLUMNS).to_parquet(tmp_path / "notes.parquet")
    assert target_like(tmp_path, "Here").rate_hz == (5.0, 7.0)


# --- history


def test_history_is_appended_and_a_take_enters_once(tmp_path, notes):
    path = tmp_path / "practice.csv"
    takes = [tmp_path / name for name in ("=a.wav", "b.wav")]
    for number, take in enumerate(takes):
        take.write_bytes(b"take %d" % number)
    target = make_target(5, 20)
    values = summary(notes, against_target(notes, target), target, None)
    remember(path, takes[0], values, datetime(2031, 5, 1, tzinfo=UTC))
    remember(path, takes[1], values, datetime(2031, 5, 8, tzinfo=UTC))
    again = remember(path, takes[0], values | {"rate_hz": 5.5}, datetime(2031, 5, 9, tzinfo=UTC))
    assert again["take"].tolist() == ["=a.wav", "b.wav"]
    assert again["practised_utc"].tolist() == ["2031-05-01T00:00:00Z", "2031-05-08T00:00:00Z"]
    assert again["rate_hz"].tolist() == [5.5, 5.1]
    back = read_history(path)
    pd.testing.assert_frame_equal(back, again, check_dtype=False)
    assert str(tmp_path) not in path.read_text(encoding="utf-8")
    figure, table = progress(back)
    assert smallest_letter_pt(figure) >= 7 and len(table) == 2
    figure, _ = progress(back.iloc[:1])
    assert figure.caption.startswith("Medians of 1 take,")
    figure.canvas.draw()
    ticks = figure.axes[-1].get_xticks()
    assert len(ticks) and np.all(ticks == np.rint(ticks))
    assert not list(tmp_path.glob("*tmp*"))


HISTORY = "practised_utc,take,target,sha256,rate_hz,extent_cents,on_target_share,straight_share"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            f"{HISTORY}\n2026-01-01T00:00:00Z,t,x,0,fast,1,1,0\n",
            "row 2, column rate_hz: this is not a number",
        ),
        (f"{HISTORY}\n2026-01-01T00:00:00Z,t,x,0,5,1e999,1,0\n", "column extent_cents: this is not a number"),
        (f"{HISTORY},a`b\n2026-01-01T00:00:00Z,t,x,0,5,1,1,0,1\n", "cannot be called so"),
        (
            "practised_utc,take,target,sha256,rate_hz,extent_cents\n",
            "without on_target_share, straight_share",
        ),
        (HISTORY + ",c" * 5000 + "\n", "5,008 columns"),
        (f'{HISTORY}\n"', "no practice history|not a number"),
    ],
    ids=range(6),
)
def test_a_history_that_no_program_wrote_is_refused_with_the_place(text, words, tmp_path):
    path = tmp_path / "history.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(VibstudyError, match=words) as refusal:
        read_history(path)
    assert all(problem.repair for problem in refusal.value.problems)


def test_another_file_is_not_overwritten(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    take = write_take(tmp_path / "t.wav", (5, 20, 440))
    with pytest.raises(VibstudyError, match="no practice history"):
        practise(take, make_target(5, 20), path)
    assert path.read_text(encoding="utf-8") == "a,b\n1,2\n"


# --- the command


def test_a_take_from_sound_to_history(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    take = write_take(tmp_path / "take.wav", (5, 20, 440), (6.5, 20, 392), (5, 45, 349))
    code = cli.main(["practice", str(take), "--rate", "5", "--extent", "20", "--beat", "75"])
    out = capsys.readouterr().out
    assert code == 0
    assert "4.00 pulses to the beat at 75" in out and "1 take in practice.csv" in out
    history = read_history(Path("practice.csv"))
    assert history["on_target_share"].item() == pytest.approx(1 / 3)
    assert history["rate_hz"].item() == pytest.approx(5, abs=0.05)
    assert Path("practice_progress.png").stat().st_size > 0


def test_bad_input_is_told(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    sf.write("silence.wav", np.zeros(44100), 44100)
    assert cli.main(["practice", "silence.wav", "--rate", "5"]) == 2
    assert cli.main(["practice", "silence.wav", "--like", "Nobody"]) == 2
    assert cli.main(["practice", "none.wav", "--rate", "5"]) == 2
    assert cli.main(["practice", "silence.wav", "--beat", "-1"]) == 2
    assert cli.main(["practice", "silence.wav", "--beat", "nan"]) == 2
    told = capsys.readouterr().err
    assert "a metronome value is above 0 (got 'nan')" in told and "Traceback" not in told
    assert not Path("practice.csv").exists()


# --- recording in the notebook


def receive(recorder: Recorder, samples: np.ndarray, rate_hz: float) -> dict:
    sent = memoryview(samples.astype("<f4").tobytes())
    recorder._receive(recorder, {"do": "take", "rate_hz": rate_hz}, [sent])
    return recorder.view


def test_a_take_from_the_page_is_written_measured_and_remembered(tmp_path):
    recorder = Recorder(tmp_path / "practice", make_target(5, 20), tmp_path / "practice" / "p.csv", 75)
    tone = 0.5 * make_tone(ToneSpec(392.0, 5.0, 20.0, duration_s=2.0))
    view = receive(recorder, tone, SAMPLE_RATE_HZ)
    assert view["say"].endswith("is take 1 of your history.")
    assert view["rows"][0][-1] == "against the target"
    assert view["rows"][1][-1] == "on target"
    assert any(line.startswith("4.00 pulses to the beat at 75") for line in view["words"])
    written, rate_hz = sf.read(recorder.last)
    assert rate_hz == SAMPLE_RATE_HZ
    assert np.abs(written - tone).max() < 2**-22
    assert sorted(path.suffix for path in (tmp_path / "practice").iterdir()) == [
        ".csv", ".csv", ".pdf", ".png", ".txt", ".wav",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.1, "too short to hold a note"), (1.0, "no note was heard")]
)
def test_a_take_without_music_is_told(tmp_path, seconds, words):
    recorder = Recorder(tmp_path, make_target(5, 20), tmp_path / "p.csv")
    assert words in receive(recorder, np.zeros(int(seconds * 48_000)), 48_000)["say"]
    assert not (tmp_path / "p.csv").exists()


HARNESS = """<!DOCTYPE html><div id="here"></div><script type="module">
import widget from "./recorder.js";
const listeners = [];
window.sent = null;
window.model = {
  view: {},
  get(name) { return this.view; },
  on(name, call) { listeners.push(call); },
  off() {},
  send(message, _, buffers) {
    let text = "";
    for (const byte of new Uint8Array(buffers[0])) text += String.fromCharCode(byte);
    window.sent = { ...message, base64: btoa(text) };
  },
  show(view) { this.view = view; for (const call of listeners) call(); },
};
window.refuse = () => {
  navigator.mediaDevices.getUserMedia = async () => { throw new DOMException("", "NotAllowedError"); };
};
window.leave = widget.render({ model: window.model, el: document.getElementById("here") });
</script>"""


@pytest.fixture
def microphone(tmp_path):
    """A page with the recorder, in a Chromium whose microphone plays a reference tone; or none at all."""
    from playwright.sync_api import sync_playwright

    if (executable := shutil.which("chromium") or shutil.which("chromium-browser")) is None:
        words = "needs Chromium: apt-get install chromium"
        pytest.fail(words) if os.environ.get("CI") == "true" else pytest.skip(words)
    heard = tmp_path / "heard.wav"
    tone = 0.5 * make_tone(ToneSpec(392.0, 5.0, 20.0, duration_s=8.0))
    sf.write(heard, tone, SAMPLE_RATE_HZ, "PCM_16")
    sources = {
        "": HARNESS,
        "recorder.js": files("vibstudy.playing").joinpath("recorder.js").read_text("utf-8"),
    }
    kinds = {"": "text/html", "recorder.js": "text/javascript"}

    def answer(route):
        name = route.request.url.rpartition("/")[2]
        route.fulfill(body=sources.get(name, ""), content_type=kinds.get(name, "text/plain"))

    with sync_playwright() as playwright:

        @contextmanager
        def opened(allowed: bool):
            fake = [f"--use-file-for-fake-audio-capture={heard}"] + [
                "--use-fake-ui-for-media-stream"
            ] * allowed
            browser = playwright.chromium.launch(
                executable_path=executable,
                args=["--no-sandbox", "--mute-audio", "--use-fake-device-for-media-stream", *fake],
            )
            tab = browser.new_page()
            tab.route("http://localhost/**", answer)
            tab.goto("http://localhost/")
            yield tab
            browser.close()

        yield opened


@pytest.mark.browser
@pytest.mark.slow
def test_chromium_records_what_the_microphone_hears(microphone, tmp_path):
    with microphone(allowed=True) as tab:
        tab.get_by_role("button", name="Record").click()
        tab.wait_for_function("parseFloat(document.querySelector('.clock').textContent) > 2.5")
        tab.get_by_role("button", name="Stop and measure").click()
        tab.wait_for_function("window.sent !== null")
        sent = tab.evaluate("window.sent")
        recorder = Recorder(tmp_path / "takes", make_target(5, 20), tmp_path / "takes" / "p.csv")
        samples = np.frombuffer(base64.b64decode(sent["base64"]), "<f4")
        view = receive(recorder, samples, sent["rate_hz"])
        tab.evaluate("view => window.model.show(view)", view)
        assert tab.locator(".say").inner_text() == view["say"]
        assert tab.locator("td").last.inner_text() == "on target"
    notes = measure_recording(recorder.last)
    note = notes.loc[notes["duration_s"].idxmax()]
    assert note["rate_hz"] == pytest.approx(5.0, abs=0.05)
    assert note["extent_cents"] == pytest.approx(20.0, abs=1.0)


@pytest.mark.browser
@pytest.mark.slow
def test_chromium_without_leave_says_what_to_do(microphone):
    with microphone(allowed=False) as tab:
        tab.evaluate("window.refuse()")
        tab.get_by_role("button", name="Record").click()
        tab.wait_for_function("document.querySelector('.say').textContent.includes('Allow it')")
        tab.evaluate("Object.defineProperty(navigator, 'mediaDevices', { value: undefined })")
        tab.get_by_role("button", name="Record").click()
        tab.wait_for_function("document.querySelector('.say').textContent.includes('gives no microphone')")
        assert tab.evaluate("window.sent") is None
