"""What a recording's medium does to the sound: noise, bandwidth, hum, clicks, clipping, codec.

Definitions
-----------
levels
    dB re full scale: 10 log10 of the mean square, full scale = 1 (a full-scale sine is -3 dB).
noise spectrum
    For each frequency the 10th percentile over time of quarter-second power spectra, corrected for
    being a percentile of noise, then the running median over 160 Hz, so that lines of held notes do
    not count; never below the rounding noise of 16 bits. It is an upper limit where the music never
    pauses at a frequency.
noise_tilt
    Slope of the noise spectrum within the bandwidth, dB per octave (white noise: 0; pink: -3).
bandwidth
    Lowest and highest sixth of an octave (two in a row) whose 95th percentile over time stands 6 dB
    above its noise, beyond what steady noise of that width would reach by chance. It is where
    anything was heard, not the -3 dB points of the apparatus.
hum
    Lines at 50 or 60 Hz and multiples, equally strong in nearly every second.
clicks
    As in :mod:`vibstudy.sound.clicks`.
codec cut-off
    A fall of 20 dB or more within 800 Hz, at the file's own sampling rate and well below half of it:
    the mark of a lossy codec or of an earlier resampling; discs and tape fall off gently.

Everything is counted as blocks go by (:class:`MediaMeter`), in about 40 MB of memory for an hour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

from vibstudy.sound.clicks import repair_clicks
from vibstudy.sound.reading import Audio, iter_blocks, read_excerpt

_FRAME_S = 0.093
_POOL_S = 0.25
_NOISE_QUANTILE = 0.10
_SMOOTH_HZ = 160.0
_STANDS_OUT_DB = 6.0
_HUM_WINDOW_S = 1.0
_HUM_TOP_HZ = 500.0
_HUM_LINE_DB = 10.0
_HUM_STEADY = 0.4
_HUM_BELOW_PROGRAMME_DB = 70.0
_STEP_POWER = 2.0**-30 / 12
"""Mean square of the rounding to 16 bits (step squared over 12)."""
_CUTOFF_DROP_DB = 20.0
_CUTOFF_WIDTH_HZ = 800.0


@dataclass(frozen=True, eq=False)
class MediaFindings:
    """What was found about the medium of one recording. NaN = could not be told.

    Parameters
    ----------
    channel : str
        Channel used.
    low_edge_hz, high_edge_hz : float
        Bandwidth.
    noise_db : float
        Level of the noise, dB re full scale.
    noise_tilt_db_per_octave : float
        Slope of its spectrum.
    programme_db : float
        Level of the loud tenth of the recording, dB re full scale.
    hum_hz : float
        50 or 60; NaN = none found.
    hum_db : float
        Level of its lines together, dB re full scale.
    hum_lines_hz : tuple of float
        Lines found.
    clicks_per_s : float
    clipped_fraction : float [range 0..1]
        Share of clipped samples.
    clipped_runs_per_s : float
    codec_cutoff_hz : float
        NaN = none found.
    dc : float
        Mean of the samples, full scale = 1.
    noise_freqs_hz, noise_density : ndarray [shape=(bins,)]
        Noise spectrum: mean square per Hz.
    """

    channel: str
    low_edge_hz: float
    high_edge_hz: float
    noise_db: float
    noise_tilt_db_per_octave: float
    programme_db: float
    hum_hz: float
    hum_db: float
    hum_lines_hz: tuple[float, ...]
    clicks_per_s: float
    clipped_fraction: float
    clipped_runs_per_s: float
    codec_cutoff_hz: float
    dc: float
    noise_freqs_hz: np.ndarray = field(repr=False)
    noise_density: np.ndarray = field(repr=False)

    @property
    def programme_to_noise_db(self) -> float:
        """Loud tenth of the recording above its noise, dB."""
        return self.programme_db - self.noise_db

    def columns(self) -> dict[str, float | str]:
        """Figures by column name, for the table of recordings."""
        names = (
            "channel low_edge_hz high_edge_hz noise_db noise_tilt_db_per_octave programme_db hum_hz hum_db "
            "clicks_per_s clipped_fraction clipped_runs_per_s codec_cutoff_hz dc"
        )
        return {name: getattr(self, name) for name in names.split()}

    def sentences(self) -> list[str]:
        """Say the same in plain words, what matters first."""
        said = []
        if math.isfinite(self.high_edge_hz):
            said.append(f"Music is heard from {self.low_edge_hz:.0f} to {self.high_edge_hz:.0f} Hz.")
        if math.isfinite(self.programme_to_noise_db):
            said.append(
                f"Loud passages stand {self.programme_to_noise_db:.0f} dB above the noise "
                f"({self.noise_db:.0f} dB re full scale)."
            )
        if math.isfinite(self.hum_hz):
            said.append(f"Mains hum of {self.hum_hz:.0f} Hz, {self.hum_db:.0f} dB re full scale.")
        if self.clicks_per_s >= 0.2:
            said.append(f"{self.clicks_per_s:.1f} clicks a second, bridged before measuring.")
        if self.clipped_fraction > 1e-5:
            said.append(f"{100 * self.clipped_fraction:.2g} % of the samples are clipped.")
        if math.isfinite(self.codec_cutoff_hz):
            said.append(
                f"Cut off sharply at {self.codec_cutoff_hz / 1000:.1f} kHz: a lossy codec or a resampling."
            )
        if abs(self.dc) > 0.001:
            said.append(f"An offset of {100 * self.dc:.1f} % of full scale was removed.")
        said.append(f"Channel used: {self.channel}.")
        return said


def find_media(
    path: str | Path, start_s: float | None = None, end_s: float | None = None, speed_factor: float = 1.0
) -> MediaFindings:
    """Study the medium of a recording, or of a part of it.

    Parameters
    ----------
    path : path
        Sound file.
    start_s, end_s : float | None
        Part, in file time.
    speed_factor : float
        Speed of the file over true speed; frequencies are those at true speed, except the mains'.

    Returns
    -------
    MediaFindings
    """
    meter = MediaMeter()
    for block in iter_blocks(path, 60.0, 0.0, start_s=start_s, end_s=end_s, speed_factor=speed_factor):
        meter.add(block)
    return meter.findings(codec_cutoff(*read_excerpt(path, start_s=start_s, end_s=end_s)))


class MediaMeter:
    """Counts blocks of one recording as they go by."""

    def __init__(self) -> None:
        self._spectra: list[np.ndarray] = []
        self._step = 1
        self._hum: list[np.ndarray] = []
        self._seconds = self._clicks = self._clipped = self._runs = self._dc = 0.0
        self._last: Audio | None = None

    def add(self, audio: Audio) -> np.ndarray:
        """Count one block; blocks should not overlap by much.

        Parameters
        ----------
        audio : Audio

        Returns
        -------
        ndarray [shape=(n,)]
            Its samples with clicks bridged.
        """
        repaired, clicks = repair_clicks(audio.samples, audio.rate_hz)
        self._spectra.append(np.ascontiguousarray(_pooled_spectra(repaired, audio.rate_hz)[:: self._step]))
        if sum(map(len, self._spectra)) > 2 * _ENOUGH_SPECTRA:
            self._spectra = [block[::2].copy() for block in self._spectra]
            self._step *= 2
        self._hum.append(_hum_spectra(repaired, audio.rate_hz))
        self._seconds += audio.duration_s
        self._clicks += len(clicks)
        self._clipped += audio.clipped_fraction * audio.duration_s
        self._runs += len(audio.clipped_s)
        self._dc += audio.dc * audio.duration_s
        self._last = audio
        return repaired

    def findings(self, codec_cutoff_hz: float = float("nan")) -> MediaFindings:
        """Sum up.

        Parameters
        ----------
        codec_cutoff_hz : float
            From :func:`codec_cutoff`, which needs the file's own sampling rate.
        """
        if self._last is None:
            raise ValueError("no sound was added")
        rate, speed = self._last.rate_hz, self._last.speed_factor
        spectra = np.concatenate(self._spectra)
        freqs = np.fft.rfftfreq(_frame(rate), 1 / rate)
        density = np.maximum(_noise_density(spectra, freqs), _STEP_POWER / (rate / 2))
        width = freqs[1]
        low, high = _bandwidth(spectra, freqs, density)
        noise = float(density[freqs > 20].sum() * width)
        programme = float(np.quantile(spectra[:, freqs > 20].sum(axis=1) * width, 0.9))
        hum_hz, hum_power, lines = _find_hum(np.concatenate(self._hum), 1 / speed)
        if hum_power < programme * 10 ** (-_HUM_BELOW_PROGRAMME_DB / 10):
            hum_hz, hum_power, lines = _NO_HUM
        return MediaFindings(
            channel=self._last.channel,
            low_edge_hz=low,
            high_edge_hz=high,
            noise_db=_db(noise),
            noise_tilt_db_per_octave=_tilt(density, freqs, low, high),
            programme_db=_db(programme),
            hum_hz=hum_hz,
            hum_db=_db(hum_power),
            hum_lines_hz=lines,
            clicks_per_s=self._clicks / self._seconds,
            clipped_fraction=self._clipped / self._seconds,
            clipped_runs_per_s=self._runs / self._seconds,
            codec_cutoff_hz=codec_cutoff_hz,
            dc=self._dc / self._seconds,
            noise_freqs_hz=freqs,
            noise_density=density,
        )


def codec_cutoff(pieces: list[np.ndarray], rate_hz: float) -> float:
    """Frequency of a sharp low-pass, Hz; NaN when there is none.

    Parameters
    ----------
    pieces : list of ndarray [shape=(n,)]
        Pieces of mono sound at the file's own sampling rate.
    rate_hz : float
        That rate.
    """
    from scipy.ndimage import median_filter

    size = 1 << round(math.log2(0.046 * rate_hz))
    pieces = [piece for piece in pieces if len(piece) >= size and np.isfinite(piece).all()]
    if not pieces:
        return float("nan")
    freqs = np.fft.rfftfreq(size, 1 / rate_hz)
    power = np.mean([_power_density(piece, size, rate_hz).mean(axis=0) for piece in pieces], axis=0)
    step = freqs[1]
    span = round(_CUTOFF_WIDTH_HZ / step)
    possible = (freqs[:-span] > 5000) & (freqs[span:] < 0.46 * rate_hz)
    if not possible.any():  # the file's own sampling rate is the edge
        return float("nan")
    floor = _STEP_POWER / (rate_hz / 2)  # below it a fall means nothing
    level = median_filter(10 * np.log10(power + floor), round(200 / step) | 1)
    drop = level[:-span] - level[span:]
    drop = np.where(possible, drop, 0.0)
    at = int(drop.argmax())
    # What lies above must stay down: a lone high partial is not the edge of a band.
    above = level[at + span :]
    if (
        drop[at] < _CUTOFF_DROP_DB
        or np.median(above) > level[at] - _CUTOFF_DROP_DB
        or above.max() > level[at] - 12
    ):
        return float("nan")
    middle = (level[at] + level[at + span]) / 2
    return float(freqs[at + int(np.argmax(level[at : at + span + 1] <= middle))])


def simulate_medium(
    tones: np.ndarray, rate_hz: float, findings: MediaFindings, rng: np.random.Generator
) -> np.ndarray:
    """Tones as this recording's medium would have kept them: its bandwidth, and its noise.

    Measured again, tones of known vibrato show the bias and the error to expect on this recording.
    Hum, clicks, wow and the room are left out.

    Parameters
    ----------
    tones : ndarray [shape=(n,)]
        Synthetic tones, of any level: they are brought to the level of the recording's loud tenth.
    rate_hz : float
        Sampling rate of `tones`.
    findings : MediaFindings
        Of the recording.
    rng : numpy.random.Generator
        For the noise.

    Returns
    -------
    ndarray [shape=(n,), float32]
    """
    from scipy.signal import butter, sosfilt

    tones = np.asarray(tones, dtype=np.float64)
    loud = np.sqrt(np.mean(tones**2))
    if loud > 0:
        tones = tones * 10 ** (findings.programme_db / 20) / loud
    low = findings.low_edge_hz if findings.low_edge_hz > 40 else None
    high = findings.high_edge_hz if findings.high_edge_hz < 0.45 * rate_hz else None
    if low:
        tones = sosfilt(butter(2, low, "highpass", fs=rate_hz, output="sos"), tones)
    if high:
        tones = sosfilt(butter(4, high, "lowpass", fs=rate_hz, output="sos"), tones)
    freqs = np.fft.rfftfreq(len(tones), 1 / rate_hz)
    density = np.interp(freqs, findings.noise_freqs_hz, findings.noise_density)
    # White noise of unit variance has mean square 1/(rate/2) per Hz.
    shape = np.sqrt(density * rate_hz / 2)
    hiss = np.fft.irfft(np.fft.rfft(rng.standard_normal(len(tones))) * shape, len(tones))
    return (tones + hiss).astype(np.float32)


# ---------------------------------------------------------------------------------------------


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 0 else float("-inf") if power == 0 else float("nan")


def _frame(rate_hz: float) -> int:
    return 1 << round(math.log2(_FRAME_S * rate_hz))


def _pool(rate_hz: float) -> int:
    """Half-overlapping frames in a pooled spectrum."""
    return max(round(2 * _POOL_S * rate_hz / _frame(rate_hz)) - 1, 1)


def _pooled_spectra(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """Power density of quarter seconds [shape=(quarters, bins), float32], mean square per Hz."""
    size, pool = _frame(rate_hz), _pool(rate_hz)
    if len(samples) < size:
        samples = np.pad(samples, (0, size - len(samples)))
    power = _power_density(samples, size, rate_hz)
    if len(power) < pool:
        return power.mean(axis=0)[None]
    return power[: len(power) // pool * pool].reshape(-1, pool, power.shape[1]).mean(axis=1)


def _power_density(samples: np.ndarray, size: int, rate_hz: float) -> np.ndarray:
    """Mean square per Hz in half-overlapping Hann frames [shape=(frames, bins), float32]."""
    from scipy.fft import rfft
    from scipy.signal.windows import hann

    window = hann(size, sym=False)
    window *= np.sqrt(2.0 / (rate_hz * np.sum(window**2)))
    frames = np.lib.stride_tricks.sliding_window_view(np.asarray(samples, dtype=np.float32), size)
    spectrum = rfft(frames[:: size // 2] * window.astype(np.float32), axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    power[:, [0, -1]] *= np.float32(0.5)
    return power


def _percentile_bias(quantile: float, draws: float) -> float:
    """Quantile of the mean of `draws` independent powers of noise, over its mean."""
    from scipy.special import gammaincinv

    return float(gammaincinv(draws, quantile) / draws)


def _independent_frames(pool: int) -> float:
    # Half-overlapping Hann frames: Welch 1967, IEEE Trans. AU-15(2):70-73, correlation 1/36 of power.
    return pool / (1 + 2 * (1 - 1 / pool) / 36)


def _noise_density(spectra: np.ndarray, freqs: np.ndarray) -> np.ndarray:
    from scipy.ndimage import median_filter

    pool = _pool(2 * freqs[-1])
    low = np.quantile(spectra, _NOISE_QUANTILE, axis=0) if len(spectra) > 1 else spectra[0]
    bias = _percentile_bias(_NOISE_QUANTILE, _independent_frames(pool)) if len(spectra) > 1 else 1.0
    return median_filter(low / bias, round(_SMOOTH_HZ / freqs[1]) | 1, mode="nearest")


def _bandwidth(spectra: np.ndarray, freqs: np.ndarray, density: np.ndarray) -> tuple[float, float]:
    """Lowest and highest frequency at which anything stands out of the noise."""
    pool = _independent_frames(_pool(2 * freqs[-1]))
    edges = 40.0 * 2 ** (np.arange(0, 60) / 6)
    edges = edges[edges < freqs[-1]]
    stands = np.zeros(len(edges) - 1, dtype=bool)
    if len(spectra) < 4:
        return float("nan"), float("nan")
    bands = [slice(*pair) for pair in pairwise(np.searchsorted(freqs, edges))]
    filled = [i for i, band in enumerate(bands) if band.stop > band.start]
    loud = np.quantile([spectra[:, bands[i]].mean(axis=1) for i in filled], 0.95, axis=1)
    for i, level in zip(filled, loud, strict=True):
        width = bands[i].stop - bands[i].start
        draws = pool * max(width / 1.5, 1)  # a Hann frame ties neighbouring bins together
        quiet = density[bands[i]].mean()
        stands[i] = level > quiet * _percentile_bias(0.95, draws) * 10 ** (_STANDS_OUT_DB / 10)
    pairs = np.flatnonzero(stands[:-1] & stands[1:])
    if len(pairs) == 0:
        return float("nan"), float("nan")
    return float(edges[pairs[0]]), float(edges[pairs[-1] + 2])


def _tilt(density: np.ndarray, freqs: np.ndarray, low: float, high: float) -> float:
    inside = (freqs >= max(low, 60)) & (freqs <= high) & (density > 0)
    if inside.sum() < 10:
        return float("nan")
    octave = np.log2(freqs[inside])
    # Each octave counts alike.
    return float(np.polyfit(octave, 10 * np.log10(density[inside]), 1, w=1 / np.sqrt(freqs[inside]))[0])


def _hum_spectra(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """Power below 500 Hz of one-second windows [shape=(windows, bins), float32]."""
    import soxr

    slow = soxr.resample(samples, rate_hz, 4 * _HUM_TOP_HZ, quality="MQ")
    size = round(_HUM_WINDOW_S * 4 * _HUM_TOP_HZ)
    windows = slow[: len(slow) // size * size].reshape(-1, size) * np.hanning(size)
    # Scaled so that a line of mean square p has its peak at p.
    power = np.abs(np.fft.rfft(windows, axis=1)) ** 2 * 2 / np.hanning(size).sum() ** 2
    return power[:, : round(_HUM_TOP_HZ * _HUM_WINDOW_S)].astype(np.float32)


_ENOUGH_SPECTRA = 4000
"""Quarter seconds that tell a recording's noise; of twice as many every second is taken, and so on."""
_NO_HUM: tuple[float, float, tuple[float, ...]] = (float("nan"), float("nan"), ())


def _find_hum(power: np.ndarray, stretch: float) -> tuple[float, float, tuple[float, ...]]:
    """Mains frequency, power of its lines, and the lines, at the frequencies of the file."""
    if len(power) < 4:
        return _NO_HUM
    low, middle = np.quantile(power, [0.1, 0.5], axis=0)
    found = []
    for mains in (50.0, 60.0):
        lines = [n * mains for n in range(1, int(_HUM_TOP_HZ / (mains * stretch * 1.1)) + 1)]
        heard = [(line, _line_power(low, middle, line * stretch)) for line in lines]
        heard = [(line, p) for line, p in heard if p > 0]
        if any(line <= 2 * mains for line, _ in heard):
            found.append((sum(p for _, p in heard), mains, tuple(line for line, _ in heard)))
    if not found:
        return _NO_HUM
    total, mains, lines_hz = max(found)
    return mains, float(total), lines_hz


def _line_power(low: np.ndarray, middle: np.ndarray, f_hz: float) -> float:
    """Mean square of a steady line; 0 when it does not stand 10 dB above its surroundings."""
    at = round(f_hz * _HUM_WINDOW_S)
    around = np.concatenate([low[max(at - 12, 1) : max(at - 3, 1)], low[at + 4 : at + 13]])
    if len(around) == 0 or at + 2 > len(low):
        return 0.0
    # The line lies between two bins: with a Hann window the three nearest hold its power 1.5 times.
    near = slice(at - 1, at + 2)
    line = float(low[near].sum()) / 1.5
    steady = low[at] > _HUM_STEADY * middle[at]
    stands_out = low[at] > float(np.median(around)) * 10 ** (_HUM_LINE_DB / 10)
    return line if steady and stands_out else 0.0
