"""Where notes begin and end, to a few milliseconds.

Definition
----------
All on a grid of 5 ms with windows of 23 ms, interpolated between frames. A window must hold some periods, or
the level ripples with them: 46 ms for levels below 110 Hz and changes of pitch below 200 Hz, 93 ms for levels
below 55 Hz.

- *Change of pitch.* The spectrum near the change is unmixed into what stands before and what stands
  after it (least squares on two mean spectra). The change is where the new note becomes the
  stronger of the two. It needs no pitch, so it also serves octaves and repeated notes of another
  colour.
- *Attack.* Where the level of the note's harmonics comes within 15 dB of its first peak (Vos and
  Rasch 1981, Percept. Psychophys. 29(4):323-335: perceived onset lies 6-15 dB below the maximum;
  from memory).
- *End.* Where that level has fallen 10 dB below the loudest of the last 0.3 s, so that a slow
  diminuendo is not cut, or where the line of pitch ends.

The standard error of an edge is the time the change takes, over √12, and not less than 2 ms. Beside silence
(25 dB below the note) nothing else can be heard: there it is the time in which the level moves by 1.5 dB, by
which that of a steady tone wavers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy.ndimage import maximum_filter1d

from vibstudy.notes.line import HOP_S as FRAME_S
from vibstudy.notes.line import HeldLine, unit_window
from vibstudy.units import to_cents, to_hz

HOP_S = 0.005
_LOW_CENTS = float(to_cents(200.0))  # of lower notes harmonics part in the longer window only
ATTACK_DB = 15.0
END_DB = 10.0
_WINDOW_S = 0.0232  # 512 samples at 22,050 Hz
_LOWER_HZ = np.array([-110.0, -55.0])  # below each the window doubles, as its harmonics stand twice as close
_HARMONICS = 10
_CLEAR_HARMONICS = 16  # and their band: where a piano is weak
_CLEAR_HZ = (900.0, 5000.0)  # where a piano has little
_TOP_HZ = 8000.0  # above it shellac and old tape hold noise alone
_BLOCK = 192  # frames at a time: few enough for the processor's cache
_LEAST_SE_S = 0.002
_SILENT_DB, _WAVERS_DB = 25.0, 1.5
_LAST_DB = 3.0  # of a fall, to see how steep it is: twice the wavering
_RISING_S = 0.03  # a crest of a loudness vibrato is broader
_TAIL_S = 0.15  # after the line ends, in which a note dies away
_STEP_TIMES_S = np.arange(-0.08, 0.081, 0.008)  # half a vibrato cycle either way
_VIBRATO_HZ = np.arange(4.0, 9.1, 0.7)  # rates of vibrato, as fine as a quarter second tells them


@dataclass(frozen=True, eq=False)
class Edge:
    """One edge: time and standard error, s."""

    time_s: float
    se_s: float


@dataclass(frozen=True, eq=False)
class Levels:
    """Level of the line's harmonics every 5 ms, dB.

    Parameters
    ----------
    after_db, before_db : ndarray [shape=(n,)]
        In a rest: level at the pitch of the note before (`after_db`) and of the note to come
        (`before_db`); within notes both are the level of the note.
    alone : ndarray [shape=(n,), range 0..1]
        As in :class:`vibstudy.notes.line.HeldLine`.
    hop_s : float
        Seconds from frame to frame.
    """

    after_db: np.ndarray
    before_db: np.ndarray
    alone: np.ndarray
    hop_s: float

    def index(self, time_s: float) -> int:
        """Frame nearest to `time_s`."""
        return int(np.clip(round(time_s / self.hop_s), 0, len(self.after_db) - 1))


def harmonic_levels(samples: np.ndarray, rate_hz: float, line: HeldLine) -> Levels:
    """Level of the line's harmonics (:class:`Levels`)."""
    hop = round(HOP_S * rate_hz)
    count = len(samples) // hop + 1
    time = np.arange(count) * hop / rate_hz
    tracks = _two_tracks(line, time)
    alone = np.interp(time, line.time_s, line.alone)
    level = np.empty((2, count), dtype=np.float32)
    lowest = tracks.min(axis=0)
    longer = np.searchsorted(
        _LOWER_HZ, -lowest
    )  # 0 for most notes: window doubled once or twice for low ones
    for times in range(len(_LOWER_HZ) + 1):
        wanted = np.flatnonzero(longer == times)
        length = 2 * round(2**times * _WINDOW_S * rate_hz / 2)
        n_fft = scipy.fft.next_fast_len(2 * length, real=True)
        window = unit_window(length)
        padded = np.pad(np.asarray(samples, dtype=np.float32), length // 2)
        frames = np.lib.stride_tricks.sliding_window_view(padded, length)[::hop]
        top = int(min(_TOP_HZ, 0.45 * rate_hz) * n_fft / rate_hz)  # just below half the rate
        for start in range(0, len(wanted), _BLOCK):
            at = wanted[start : start + _BLOCK]
            spectrum = scipy.fft.rfft(frames[at] * window, n_fft, axis=1)[:, :top]
            below = np.zeros((len(at), top + 1), dtype=np.float32)
            np.cumsum(spectrum.real**2 + spectrum.imag**2, axis=1, out=below[:, 1:])
            level[:, at] = _level(below, tracks[0, at], alone[at], n_fft / rate_hz)
            rest = np.flatnonzero(tracks[0, at] != tracks[1, at])
            level[1, at[rest]] = _level(below[rest], tracks[1, at[rest]], alone[at[rest]], n_fft / rate_hz)
    return Levels(level[0], level[1], alone, hop / rate_hz)


def _level(below: np.ndarray, f0_hz: np.ndarray, alone: np.ndarray, bins_per_hz: float) -> np.ndarray:
    """Level of the harmonics, dB; with accompaniment the mean with those that stand clear of a piano.

    `below` is the running sum of power over the bins.
    """
    order = np.arange(1, _HARMONICS + 1, dtype=np.float32)
    # half a semitone: the swing of a vibrato
    every = _in_bands(below, f0_hz[:, None] * order, 0.03, 2, bins_per_hz)
    if np.all(alone >= 1):
        return every
    order = np.arange(1, _CLEAR_HARMONICS + 1, dtype=np.float32)
    centre = f0_hz[:, None] * order
    outside = (centre < _CLEAR_HZ[0]) | (centre > _CLEAR_HZ[1])
    # a piano's lines lie close
    clear = _in_bands(below, np.where(outside, np.inf, centre), 0.01, 1, bins_per_hz)
    return every + (1 - alone) * (clear - every) / 2


def _in_bands(
    below: np.ndarray, centre_hz: np.ndarray, width: float, margin: int, bins_per_hz: float
) -> np.ndarray:
    """Level in dB within a share `width` and `margin` bins of the given frequencies."""
    most = below.shape[1] - 1
    centre = centre_hz * bins_per_hz
    first = np.minimum(np.rint(centre * (1 - width)) - margin, most).astype(np.int32)
    last = np.minimum(np.rint(centre * (1 + width)) + margin + 1, most).astype(np.int32)
    rows = np.arange(len(below))[:, None]
    power = (below[rows, last] - below[rows, np.maximum(first, 0)]).sum(axis=1)
    return 10 * np.log10(power / 6 + 1e-12)  # a scale: only differences of level are used


def _two_tracks(line: HeldLine, time_s: np.ndarray) -> np.ndarray:
    """Pitch in Hz at `time_s`, rests filled from the note before (row 0) and after (row 1)."""
    cents = np.where(np.isfinite(line.cents), line.cents, line.held_cents)
    sounding = np.flatnonzero(np.isfinite(cents))
    at = np.clip(np.rint(time_s / (line.time_s[1] - line.time_s[0])).astype(int), 0, len(cents) - 1)
    before = sounding[np.clip(np.searchsorted(sounding, at, side="right") - 1, 0, None)]
    after = sounding[np.clip(np.searchsorted(sounding, at), None, len(sounding) - 1)]
    return to_hz(np.stack([cents[before], cents[after]]))


def has_low_note(*cents: float) -> bool:
    """Whether one of some notes is so low that a change of pitch needs the longer window."""
    return min(cents) < _LOW_CENTS


def pitch_change(
    samples: np.ndarray, rate_hz: float, near_s: float, first_s: float, last_s: float, low: bool
) -> Edge:
    """Where the spectrum changes from one note to the next.

    Parameters
    ----------
    near_s : float
        Rough time of the change.
    first_s, last_s : float
        Onset of the note before, offset of the note after: no frame outside is used.
    low : bool
        Whether a note is so low that a longer window is needed (:func:`has_low_note`).
    """
    hop = round(HOP_S * rate_hz)
    length = 2 * round((2 if low else 1) * _WINDOW_S * rate_hz / 2)
    first_s, last_s = max(first_s, near_s - 0.22), min(last_s, near_s + 0.22)  # a vibrato cycle either way
    begin = max(round(first_s * rate_hz), 0)
    centres = np.arange(begin, round(last_s * rate_hz), hop)
    if len(centres) < 8:  # of fewer no change can be told
        return Edge(near_s, FRAME_S)  # which is all there is
    low_end, high_end = centres[0] - length // 2, centres[-1] + length // 2
    chunk = np.asarray(samples[max(low_end, 0) : high_end], dtype=np.float32)
    chunk = np.pad(chunk, (max(-low_end, 0), max(0, high_end - len(samples))))
    frames = np.lib.stride_tricks.sliding_window_view(chunk, length)[::hop][: len(centres)]
    n_fft = scipy.fft.next_fast_len(length, real=True)
    top = int(_TOP_HZ * n_fft / rate_hz)
    spectrum = np.abs(scipy.fft.rfft(frames * unit_window(length), n_fft, axis=1)[:, :top])
    loud = np.sqrt((spectrum**2).sum(axis=1))
    loud /= loud.max() + 1e-9
    spectrum /= np.sqrt(spectrum.mean(axis=0)) + 1e-6
    time = centres / rate_hz
    # three frames of each note, to know it by
    change = int(np.clip(np.searchsorted(time, near_s), 3, len(time) - 3))
    for _ in range(2):
        leans = _leaning(spectrum, change)
        gain = np.cumsum(leans * loud)
        change = int(np.clip(np.argmin(gain) + 1, 3, len(time) - 3))  # as above
        # -26 dB: what follows a rest begins where it sounds
        while change < len(time) - 3 and loud[change] < 0.05:
            change += 1
    return _crossing(time, leans, change)


def step_under_vibrato(line: HeldLine, near_s: float, first_s: float, last_s: float) -> Edge | None:
    """Where the pitch steps, with a vibrato going on across the step.

    Least squares on the line's cents within 0.25 s: two levels, a step between them and one
    sinusoid, over a grid of times and rates. None where the vibrato is small (± 20 cents or less),
    the line has gaps or the fit is poor; there the spectrum tells better.
    """
    hop = line.time_s[1] - line.time_s[0]
    a = int(np.searchsorted(line.time_s, max(first_s, near_s - 0.25)))
    b = int(np.searchsorted(line.time_s, min(last_s, near_s + 0.25)))
    time, cents = line.time_s[a:b] - near_s, line.cents[a:b]
    # a quarter second, and 80 ms of each note: half a cycle
    if len(time) < 16 or not np.isfinite(cents).all() or time[0] > -5 * hop or time[-1] < 5 * hop:
        return None
    turn = 2 * np.pi * _VIBRATO_HZ[:, None] * time
    steps = np.clip((time - _STEP_TIMES_S[:, None]) / hop + 0.5, 0, 1)  # a step takes a frame
    shape = (len(_STEP_TIMES_S), len(_VIBRATO_HZ), len(time))
    basis = np.stack(
        [
            np.broadcast_to(part, shape)
            for part in (np.ones(len(time)), steps[:, None], np.sin(turn), np.cos(turn))
        ],
        axis=-1,
    )
    normal = basis.swapaxes(-1, -2) @ basis + 1e-6 * np.eye(4)
    right = (basis * cents[:, None]).sum(axis=-2)
    weight = np.linalg.solve(normal, right[..., None])[..., 0]
    error = np.maximum((cents @ cents) - (weight * right).sum(axis=-1), 0.0)
    i, j = np.unravel_index(int(error.argmin()), error.shape)
    rms = np.sqrt(error[i, j] / len(time))
    if np.hypot(*weight[i, j, 2:]) < 20.0 or rms > 0.25 * abs(weight[i, j, 1]):
        return None
    # half a step of the grid, and a frame
    return Edge(near_s + float(_STEP_TIMES_S[i]), float(np.clip(hop * rms / 10.0, 0.004, 0.02)))


def _leaning(spectrum: np.ndarray, change: int) -> np.ndarray:
    """Share of the note after minus share of the note before, in each frame (about -1 … 1)."""
    before = spectrum[max(0, change - 26) : max(change - 5, 3)].mean(axis=0)
    after = spectrum[min(change + 7, len(spectrum) - 3) : change + 30].mean(axis=0)
    aa, bb, ab = before @ before, after @ after, before @ after
    determinant = max(aa * bb - ab * ab, 1e-3 * aa * bb + 1e-20)
    x, y = spectrum @ before, spectrum @ after
    share_before = (bb * x - ab * y) / determinant
    share_after = (aa * y - ab * x) / determinant
    return np.clip(share_after, 0, 1.2) - np.clip(share_before, 0, 1.2)  # somewhat louder than its mean


def _crossing(time: np.ndarray, leans: np.ndarray, change: int) -> Edge:
    """Zero of `leans` between the frames around `change`; error from how long the change takes."""
    a, b = leans[change - 1], leans[change]
    step = time[1] - time[0]
    share = float(np.clip(-a / (b - a), 0, 1)) if b > a else 0.5  # no crossing: the middle
    early = change - 1
    while early > 0 and leans[early] > -0.5:  # three quarters the note before
        early -= 1
    late = change
    while late < len(leans) - 1 and leans[late] < 0.5:  # three quarters the note after
        late += 1
    return Edge(
        float(time[change - 1] + share * step), max(_LEAST_SE_S, (late - early) * step / np.sqrt(12) / 2)
    )


def attack(levels: Levels, earliest_s: float, about_s: float, latest_s: float) -> Edge | None:
    """Rise of level to within 15 dB of the first peak; None when there is no such rise."""
    a, m, b = (levels.index(t) for t in (earliest_s, about_s, latest_s))
    db = levels.before_db[a : b + 1]
    if len(db) < 3:
        return None
    peak = m - a + int(np.argmax(db[m - a : m - a + round(0.15 / levels.hop_s)]))
    below = np.flatnonzero(db[: peak + 1] < db[peak] - ATTACK_DB)
    if not len(below):
        return None
    i = int(below[-1])
    target = db[peak] - ATTACK_DB
    at = i + (target - db[i]) / (db[i + 1] - db[i])
    slow = int(np.argmax(db[i : peak + 1] >= db[peak] - 5.0)) * levels.hop_s
    alone = bool(db[: i + 1].min() < db[peak] - _SILENT_DB)
    return Edge((a + at) * levels.hop_s, _error(slow, ATTACK_DB - 5.0, alone))


def ending(levels: Levels, onset_s: float, latest_s: float) -> Edge | None:
    """First fall of 10 dB below the loudest of the last 0.3 s that lasts; None if none.

    A rise at the very end belongs to the next note.
    """
    a, b = levels.index(onset_s), levels.index(latest_s)
    db = levels.after_db[a : b + 1]
    tail = round(_RISING_S / levels.hop_s)
    db = db[: len(db) - tail + 1 + int(np.argmin(db[-tail:]))] if len(db) > tail else db
    if len(db) < 3:
        return None
    width = round(0.3 / levels.hop_s)
    loudest = maximum_filter1d(db, width, origin=(width - 1) // 2)
    fallen = db < loudest - END_DB
    held = np.flatnonzero(~fallen)
    if not len(held) or held[-1] == len(db) - 1:
        return None
    i = int(held[-1])
    drop = db[i] - db[i + 1]
    at = i + float(np.clip((db[i] - (loudest[i + 1] - END_DB)) / drop, 0, 1)) if drop > 0 else i
    quiet = levels.after_db[a + i : levels.index(latest_s + _TAIL_S) + 1]
    alone = bool(quiet.min() < loudest[i + 1] - _SILENT_DB)
    by_db = _LAST_DB if alone else END_DB - 3.0  # into silence it is the fall at the edge that counts
    loud = np.flatnonzero(db[: i + 1] > loudest[i + 1] - END_DB + by_db)
    return Edge((a + at) * levels.hop_s, _error((at - int(loud[-1])) * levels.hop_s, by_db, alone))


def silent_between(levels: Levels, first_s: float, near_s: float, last_s: float) -> float | None:
    """Where it is silent between two notes that meet near a time, s; None when it is not."""
    a, m, b = (levels.index(t) for t in (first_s, near_s, last_s))
    db = np.maximum(levels.after_db[a : b + 1], levels.before_db[a : b + 1])
    if m in (a, b):
        return None
    i = int(np.argmin(db))
    beside = min(db[: max(i, 1)].max(), db[i:].max())
    return (a + i) * levels.hop_s if db[i] < beside - _SILENT_DB else None


def _error(lasts_s: float, by_db: float, alone: bool) -> float:
    """Standard error of an edge where the level changes `by_db` within a time; `alone`: beside silence."""
    return max(_LEAST_SE_S, lasts_s * (_WAVERS_DB / by_db if alone else 1 / np.sqrt(12)))
