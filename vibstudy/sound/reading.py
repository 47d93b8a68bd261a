"""Read a recording as one channel at the working rate, at true speed.

Definitions
-----------
working rate
    22,050 Hz unless asked otherwise; resampled with soxr at very high quality.
speed factor k
    Speed of the file over true speed. A file that plays slow has k < 1: its pitch and its vibrato
    rate read k times too low, its times 1/k times too long. The correction takes the file's sampling
    rate as rate/k before resampling, so that pitch and rate are divided by k, times are multiplied
    by k, and the extent in cents stays as it is.
times
    ``start_s`` and ``end_s`` are file time, as a player's clock shows it. Everything measured is in
    seconds from the beginning of the file at true speed: add :attr:`Audio.origin_s`.
channel
    See :mod:`vibstudy.sound.channel`.
clipped
    At least three samples in a row equal to within one 16-bit step at the highest (or lowest) value
    around, with a corner at both ends (a rounded peak has none).

Files are opened by :mod:`vibstudy.sound.opening`. Memory does not grow with the
length of the file in :func:`iter_blocks`; :func:`read_audio` holds only the result.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from vibstudy.corpus.files import LOUDEST, SHORTEST_S, sha256_of
from vibstudy.errors import VibstudyError
from vibstudy.sound.channel import choose_channel, excerpt
from vibstudy.sound.clicks import repair_clicks
from vibstudy.sound.dereverb import RATE_HZ as DEREVERB_RATE_HZ
from vibstudy.sound.dereverb import Dereverberated
from vibstudy.sound.opening import check_file, opened, read_or_nothing, seek, span

WORKING_RATE_HZ = 22050.0
SILENT = "silent: every sample is zero"
"""Remark on a recording, or a part of one, that holds no sound."""

_CHUNK = 1 << 14  # what a damaged file loses before the place of the damage
_LONGEST_BUFFER_S = 7200.0
_INEXACT = ("OGG", "MP3", "by ffmpeg")
"""In these a seek can land beside the frame asked for, or all has to be decoded first."""
_COARSE_SUBTYPES = {"PCM_S8", "PCM_U8", "ULAW", "ALAW"}


@dataclass(frozen=True, eq=False)
class Audio:
    """One channel of a recording, or of a part of it, at the working rate and at true speed.

    Parameters
    ----------
    samples : ndarray [shape=(n,), float32]
        Sound, full scale = 1, DC removed. All zeros when the recording is silent.
    rate_hz : float
        Working rate.
    file_rate_hz : float
        Sampling rate written in the file.
    channels : int
        Channels of the file.
    duration_s : float
        Length of `samples`, at true speed.
    channel : str
        What was used: "mono", "left", "right", "mid", "side", or "channel 3".
    sha256 : str
        Hash of the whole file.
    peak : float
        Greatest absolute sample over all channels of this part of the file.
    clipped_fraction : float [range 0..1]
        Share of the samples, over all channels, that stand in a clipped run.
    speed_factor : float
        Speed of the file over true speed, as corrected for.
    start_s : float
        File time of the first sample.
    format : str
        Container and coding, e.g. "WAV PCM_16"; "… by ffmpeg" when decoded by that program.
    dc : float
        Mean that was removed.
    clipped_s : ndarray [shape=(runs,)]
        Where clipped runs begin, in s from the first sample at true speed.
    remarks : tuple of str
        What a reader should know: silent, ends early, name and contents do not fit.
    path : Path | None
        The file; None where the sound comes from none.
    """

    samples: np.ndarray
    rate_hz: float
    file_rate_hz: float
    channels: int
    duration_s: float
    channel: str
    sha256: str
    peak: float
    clipped_fraction: float
    speed_factor: float
    start_s: float
    format: str = ""
    dc: float = 0.0
    clipped_s: np.ndarray = field(default_factory=lambda: np.empty(0))
    remarks: tuple[str, ...] = ()
    path: Path | None = None

    @property
    def origin_s(self) -> float:
        """Seconds, at true speed, from the beginning of the file to the first sample."""
        return self.start_s * self.speed_factor

    @cached_property
    def dereverberated(self) -> Dereverberated:
        """The recording without most of its room, times from the first sample of this.

        Of both channels where `samples` are their mean, and from the file, also beyond this part of it; of
        `samples` alone where the file cannot be read from any place at once (MP3, OGG, what ffmpeg decodes).
        """
        if self.path is None or any(word in self.format for word in _INEXACT):
            return Dereverberated.of(self.samples, self.rate_hz, self.origin_s, self.origin_s)
        return Dereverberated(self._heard, self.origin_s)

    def _heard(self, begin_s: float, end_s: float) -> tuple[np.ndarray, float]:
        """Channels of the file between two moments at true speed, clicks bridged, and where they begin."""
        import soxr

        assert self.path is not None
        with opened(self.path) as (handle, _, _):
            rate = handle.samplerate / self.speed_factor
            seek(handle, round(begin_s * rate))
            frames = read_or_nothing(handle, round((end_s - begin_s) * rate))
            weights = choose_channel(handle, 0, handle.frames, self.channel)[1]
        frames = frames[:, :2] if self.channel == "mid" else frames @ weights[:, None]
        # what lies beyond the part that was read has not been looked at
        frames = np.clip(np.nan_to_num(frames), -LOUDEST, LOUDEST)
        channels = soxr.resample(frames, rate, self.rate_hz).T
        bridged = np.stack([repair_clicks(channel, self.rate_hz)[0] for channel in channels])
        return soxr.resample(bridged.T, self.rate_hz, DEREVERB_RATE_HZ).T, begin_s


def read_audio(
    path: str | Path,
    start_s: float | None = None,
    end_s: float | None = None,
    speed_factor: float = 1.0,
    rate_hz: float = WORKING_RATE_HZ,
    channel: str | None = None,
) -> Audio:
    """Read a recording, or a part of it, whole.

    Parameters
    ----------
    path : path
        Sound file, or a video with sound.
    start_s, end_s : float | None
        Part to read, in file time; None = from the beginning, to the end.
    speed_factor : float > 0
        Speed of the file over true speed.
    rate_hz : float > 0
        Working rate.
    channel : str | None
        Channel to use, as in :class:`Audio`; None, or one that the file has not: the best.

    Returns
    -------
    Audio

    Raises
    ------
    VibstudyError
        When the file is missing, empty, not sound, shorter than 0.05 s, or holds values that are not
        numbers; the message says which, and the repair.
    """
    blocks = list(iter_blocks(path, math.inf, 0.0, start_s, end_s, speed_factor, rate_hz, channel))
    return blocks[0] if len(blocks) == 1 else _joined(blocks)


def iter_blocks(
    path: str | Path,
    block_s: float = 60.0,
    overlap_s: float = 2.0,
    start_s: float | None = None,
    end_s: float | None = None,
    speed_factor: float = 1.0,
    rate_hz: float = WORKING_RATE_HZ,
    channel: str | None = None,
) -> Iterator[Audio]:
    """Read a recording in blocks, so that an hour needs no more memory than a minute.

    Each block shares its first `overlap_s` with the end of the block before it. ``peak``,
    ``clipped_fraction`` and ``dc`` are those of the block; the channel is chosen once for all.

    Parameters
    ----------
    path : path
        Sound file.
    block_s : float > overlap_s
        Length of a block at true speed.
    overlap_s : float >= 0
        What neighbours share, at true speed.
    start_s, end_s, speed_factor, rate_hz, channel
        As in :func:`read_audio`.

    Yields
    ------
    Audio
        With ``origin_s`` the place of the block in the recording.
    """
    path = Path(path)
    if not (math.isfinite(speed_factor) and speed_factor > 0):
        raise VibstudyError(
            "the speed factor must be a number above 0",
            file=str(path),
            column="speed_factor",
            got=str(speed_factor),
            repair="1 means true speed, 0.96 that the file plays 4 % slow",
        )
    if not block_s > overlap_s >= 0 or not rate_hz > 0:
        raise ValueError("block_s must be greater than overlap_s, overlap_s not negative, rate_hz positive")
    check_file(path)
    digest = sha256_of(path)
    with opened(path) as (handle, remarks, coding):
        first, last = span(path, handle, start_s, end_s)
        used, mix = choose_channel(handle, first, last, channel)
        in_rate = handle.samplerate / speed_factor
        expected_s = min((last - first) / in_rate + 1.0, _LONGEST_BUFFER_S)
        size = round(min(block_s, expected_s) * rate_hz)
        keep = round(overlap_s * rate_hz) if math.isfinite(block_s) else 0
        tally = _Tally(handle, in_rate, path, first, last)
        origin_s = first / in_rate
        for start, samples in _cut(_resampled(tally, mix, in_rate, rate_hz), size, keep):
            yield _block(
                samples,
                tally,
                remarks,
                Audio(
                    samples=samples,
                    rate_hz=float(rate_hz),
                    file_rate_hz=float(handle.samplerate),
                    channels=handle.channels,
                    duration_s=len(samples) / rate_hz,
                    channel=used,
                    sha256=digest,
                    peak=0.0,
                    clipped_fraction=0.0,
                    speed_factor=float(speed_factor),
                    start_s=(origin_s + start / rate_hz) / speed_factor,
                    format=coding,
                    path=path,
                ),
            )
        if tally.missing_s() > 0 and tally.read < SHORTEST_S * handle.samplerate:
            raise VibstudyError(
                "the sound in this file cannot be decoded: it is damaged or cut off",
                file=str(path),
                repair="Copy or export it again",
            )


def read_excerpt(
    path: str | Path, start_s: float | None = None, end_s: float | None = None
) -> tuple[list[np.ndarray], float]:
    """Nine seconds in six pieces spread over the recording, at the file's own sampling rate.

    Parameters
    ----------
    path : path
        Sound file.
    start_s, end_s : float | None
        Part, in file time.

    Returns
    -------
    pieces : list of ndarray [shape=(n,), float32]
        Mean of the first two channels.
    rate_hz : float
        Sampling rate written in the file.
    """
    path = Path(path)
    check_file(path)
    with opened(path) as (handle, _, _):
        pieces = excerpt(handle, *span(path, handle, start_s, end_s))
        return [piece[:, :2].mean(axis=1) for piece in pieces], float(handle.samplerate)


# --- the stream: raw frames -> one channel -> working rate -> blocks


class _Tally:
    """Raw frames of the file, counted as they pass: peak, clipping, what is not a number."""

    def __init__(self, handle, in_rate: float, path: Path, first: int, last: int):
        self.handle, self.in_rate, self.path, self.first, self.last = handle, in_rate, path, first, last
        self.step = 2.0**-7 if handle.subtype in _COARSE_SUBTYPES else 2.0**-15
        self.read = 0
        self.broken_off = False
        self.reset()

    def reset(self) -> None:
        self.peak, self.samples, self.clipped = 0.0, 0, 0
        self.clipped_at: list[np.ndarray] = []

    def chunks(self) -> Iterator[np.ndarray]:
        """Yield float32 [frames, channels]."""
        self._go_to_first()
        while self.first + self.read < self.last:
            wanted = min(_CHUNK, self.last - self.first - self.read)
            frames = read_or_nothing(self.handle, wanted)
            if len(frames) == 0:
                self.broken_off = True
                break
            self._check_numbers(frames)
            self._count(frames)
            self.read += len(frames)
            yield frames

    def _go_to_first(self) -> None:
        if self.handle.format not in ("OGG", "MP3"):
            seek(self.handle, self.first)
            return
        # A seek in these can land beside the frame asked for; reading up to it does not.
        seek(self.handle, 0)
        ahead = self.first
        while ahead > 0 and len(frames := read_or_nothing(self.handle, min(_CHUNK, ahead))):
            ahead -= len(frames)

    def missing_s(self) -> float:
        """File time promised by the header and not there."""
        return (self.last - self.first - self.read) / self.handle.samplerate

    def _check_numbers(self, frames: np.ndarray) -> None:
        bad = ~(np.abs(frames) <= LOUDEST)
        if bad.any():
            row, channel = np.argwhere(bad)[0]
            at_s = (self.first + self.read + row) / self.handle.samplerate
            value = frames[row, channel]
            what = (
                f"a sample of {value:.0e}, where full scale is 1"
                if np.isfinite(value)
                else "samples that are not numbers (NaN or infinite)"
            )
            raise VibstudyError(
                f"the file holds {what}",
                file=str(self.path),
                got=f"first at {at_s:.4f} s, channel {channel + 1}",
                repair="Export the file again from its source",
            )

    def _count(self, frames: np.ndarray) -> None:
        self.peak = max(self.peak, float(np.abs(frames).max()))
        self.samples += frames.size
        for column in frames.T:
            begins, lengths = clipped_runs(column, self.step)
            self.clipped += int(lengths.sum())
            self.clipped_at.append((begins + self.read) / self.in_rate)


def clipped_runs(samples: np.ndarray, step: float = 2.0**-15) -> tuple[np.ndarray, np.ndarray]:
    """Find clipped runs: flat tops with a corner at both ends.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Raw samples of one channel, not resampled.
    step : float
        Quantisation step of the coding.

    Returns
    -------
    begins, lengths : ndarray of int
        First sample and number of samples of each run.
    """
    none = np.empty(0, dtype=int)
    top, bottom = (max(rail - 2 * step, 64 * step) for rail in (samples.max(), -samples.min()))
    at_rail = (samples >= top) | (samples <= -bottom)
    if np.count_nonzero(at_rail) < 3:
        return none, none
    level = np.abs(samples)
    flat = (np.abs(np.diff(samples)) <= 1.01 * step) & at_rail[1:]
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flat.astype(np.int8), [0]))))
    begins, ends = edges[::2], edges[1::2]  # flat[begins:ends] joins samples begins..ends
    # Without both neighbours the corner cannot be seen.
    inner = (ends - begins >= 2) & (begins >= 1) & (ends + 1 < len(samples))
    begins, ends = begins[inner], ends[inner]
    corner = np.minimum(level[begins] - level[begins - 1], level[ends] - level[ends + 1]) > 4 * step
    begins, ends = begins[corner], ends[corner]
    return begins, ends - begins + 1


def _resampled(tally: _Tally, mix: np.ndarray, in_rate: float, rate_hz: float) -> Iterator[np.ndarray]:
    """One channel at the working rate, piece by piece."""
    import soxr

    if in_rate == rate_hz:
        for frames in tally.chunks():
            yield frames @ mix
        return
    stream = soxr.ResampleStream(in_rate, rate_hz, 1, dtype="float32", quality="VHQ")
    for frames in tally.chunks():
        yield stream.resample_chunk(np.ascontiguousarray(frames @ mix))
    yield stream.resample_chunk(np.empty(0, dtype=np.float32), last=True)


def _cut(pieces: Iterator[np.ndarray], size: int, keep: int) -> Iterator[tuple[int, np.ndarray]]:
    """Cut a stream of arrays into arrays of `size` samples that share `keep`; yields (start, array)."""
    start, filled, fresh = 0, 0, 0
    buffer = np.empty(size, dtype=np.float32)
    for piece in pieces:
        while len(piece):
            take = min(size - filled, len(piece))
            buffer[filled : filled + take] = piece[:take]
            piece, filled, fresh = piece[take:], filled + take, fresh + take
            if filled == size:
                following = np.empty(size, dtype=np.float32)
                following[:keep] = buffer[size - keep :]
                yield start, buffer  # the taker may write in it
                start, buffer, filled, fresh = start + size - keep, following, keep, 0
    if fresh:
        yield start, buffer[:filled]


def _block(samples: np.ndarray, tally: _Tally, remarks: list[str], audio: Audio) -> Audio:
    """Finish a block: DC, counts, remarks. Resets the counts."""
    dc = float(samples.mean(dtype=np.float64))
    samples -= np.float32(dc)
    said = list(remarks)
    if tally.peak == 0.0:
        said.append(SILENT)
    # Block codings may end a few frames short of what the header promises.
    if tally.broken_off and tally.missing_s() > 0.1:
        said.append(f"the file ends early: {tally.missing_s():.2f} s promised by its header are not there")
    clipped_at = np.concatenate(tally.clipped_at) if tally.clipped_at else np.empty(0)
    offset = audio.origin_s - tally.first / tally.in_rate
    finished = replace(
        audio,
        dc=dc,
        peak=tally.peak,
        clipped_fraction=tally.clipped / tally.samples if tally.samples else 0.0,
        clipped_s=np.sort(clipped_at - offset),
        remarks=tuple(said),
    )
    tally.reset()
    return finished


def _joined(blocks: list[Audio]) -> Audio:
    """One Audio of several without overlap."""
    if not blocks:
        raise ValueError("nothing to join")
    samples = np.concatenate([block.samples for block in blocks])
    rate = blocks[0].rate_hz
    starts = np.cumsum([0, *(block.duration_s for block in blocks[:-1])])
    remarks = dict.fromkeys(remark for block in blocks for remark in block.remarks)
    return replace(
        blocks[0],
        samples=samples,
        duration_s=len(samples) / rate,
        peak=max(block.peak for block in blocks),
        clipped_fraction=float(
            np.average([b.clipped_fraction for b in blocks], weights=[b.duration_s for b in blocks])
        ),
        clipped_s=np.concatenate([b.clipped_s + s for b, s in zip(blocks, starts, strict=True)]),
        remarks=tuple(remarks),
    )
