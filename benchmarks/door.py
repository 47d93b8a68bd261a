"""How long one waits from ``vibstudy new`` to the first look.

``python -m benchmarks.door [RECORDINGS] [SECONDS]`` types the README's lines in a new folder, with invented
recordings (14 of 60 s), and prints the seconds of each line, those of all cores in brackets, and waiting over
measuring: the time of all lines over what ``measure`` says it took; without ``check``, too, since ``measure``
looks at the table itself.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile as sf

from vibstudy.playing.tones import SAMPLE_RATE_HZ, ToneSpec, make_tone


def fill_in(study: Path, recordings: int, length_s: float) -> None:
    """Invented recordings of tones, and the five columns of each."""
    rng = np.random.default_rng(1)
    rows = []
    for k in range(recordings):
        tones = [
            make_tone(ToneSpec(float(hz), 5.0 + 0.1 * k, 30.0, duration_s=1.0))
            for hz in rng.uniform(260.0, 520.0, round(length_s))
        ]
        sf.write(study / "audio" / f"take{k}.wav", np.concatenate(tones), SAMPLE_RATE_HZ, subtype="PCM_16")
        rows.append((f"take{k}", f"audio/take{k}.wav", f"Invented {k % 5}", 1930 + 10 * (k % 6), "north"))
    columns = ["recording_id", "path", "player", "decade", "region"]
    pd.DataFrame(rows, columns=columns).to_csv(study / "corpus_manifest.csv", index=False)


def main(recordings: int = 14, length_s: float = 60.0) -> None:
    """Type the lines and print the table."""
    waited, measuring = {}, float("nan")
    with tempfile.TemporaryDirectory() as name:
        study = Path(name) / "my-study"
        for words in (["new", str(study)], ["check", str(study)], ["measure", str(study)]):
            began, worked = time.perf_counter(), os.times()
            command = [sys.executable, "-m", "vibstudy", *words]
            said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
            waited[words[0]] = time.perf_counter() - began
            now = os.times()
            cores = now.children_user + now.children_system - worked.children_user - worked.children_system
            print(f"vibstudy {words[0]:8} {waited[words[0]]:7.1f} s ({cores:.1f} s of cores)")
            if words[0] == "new":
                fill_in(study, recordings, length_s)
            if found := re.search(r"measured.* in ([\d.]+) s", said):
                measuring = float(found[1])
    ratio, without = sum(waited.values()) / measuring, (waited["new"] + waited["measure"]) / measuring
    print(
        f"measuring        {measuring:7.1f} s; waiting / measuring {ratio:.2f} ({without:.2f} without check)"
    )


if __name__ == "__main__":
    main(*(kind(word) for kind, word in zip((int, float), sys.argv[1:], strict=False)))
