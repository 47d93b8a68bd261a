"""Write the activations of torchcrepe for a short synthetic sound.

torchcrepe (MIT licence, https://github.com/maxrmorrison/torchcrepe) is an independent port of CREPE
with its own copy of the weights. It is needed only to make this reference, never by the tests.
In an environment of its own:

    pip install torch==2.13.0 numpy
    pip install --no-deps torchcrepe==0.0.24
    python make_reference.py

Its modules for files, decoding and loudness are stubbed: only its framing and its network run.
"""

from __future__ import annotations

import importlib.metadata
import sys
from pathlib import Path
from unittest.mock import MagicMock

import numpy as np

for unused in ("torchaudio", "resampy", "librosa", "scipy", "scipy.io", "scipy.signal", "tqdm"):
    sys.modules[unused] = MagicMock()

import torch  # noqa: E402 (after the stubs)
import torchcrepe  # noqa: E402

RATE_HZ = 16000
SECONDS = 0.4


def sound() -> np.ndarray:
    """A gliding tone with vibrato that stops halfway for a lower one in noise; int16 [6400]."""
    rng = np.random.default_rng(20180217)
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    upper = 392.0 * 2 ** (0.3 * time_s + 50 / 1200 * np.sin(2 * np.pi * 6 * time_s))
    f0 = np.where(time_s < 0.22, upper, 146.8)
    phase = 2 * np.pi * np.cumsum(f0) / RATE_HZ
    tone = sum(np.sin(k * phase) / k for k in range(1, 9))
    noise = np.where(time_s < 0.22, 0.01, 0.2) * rng.standard_normal(len(time_s))
    wave = (tone + noise) * np.where(time_s > 0.36, 0.0, 1.0)
    return np.round(0.2 * wave * 32767).astype(np.int16)


def activations(samples: np.ndarray, size: str) -> np.ndarray:
    audio = torch.from_numpy(samples.astype(np.float32) / 32768)[None]
    frames = torch.cat(list(torchcrepe.core.preprocess(audio, RATE_HZ, hop_length=160)))
    model = torchcrepe.Crepe(size)
    weights = Path(torchcrepe.__file__).parent / "assets" / f"{size}.pth"
    model.load_state_dict(torch.load(weights, map_location="cpu"))
    model.eval()
    with torch.no_grad():
        return model(frames).numpy()


def main() -> None:
    samples = sound()
    np.savez_compressed(
        Path(__file__).with_name("torchcrepe.npz"),
        samples=samples,
        rate_hz=RATE_HZ,
        tiny=activations(samples, "tiny"),
        full=activations(samples, "full"),
        made_with=f"torchcrepe {importlib.metadata.version('torchcrepe')}, torch {torch.__version__}",
    )


if __name__ == "__main__":
    main()
