r"""A real note with its vibrato removed, halved or doubled, to hear what it does.

Method
------
The vibrato of the note, :math:`v(t)` in cents, is taken from its measured line
(:func:`vibstudy.pitch.refine.refine_note`): at each moment the line around it (Gaussian weights,
:data:`SPREAD_CYCLES` cycles) is a curved piece plus :data:`ORDERS` harmonics of the fitted cycle
(:func:`vibstudy.vibrato.fit.fit_vibrato`), the first growing or fading along; *v* is the value of those
harmonics there. Drift, scoops and
unsteadiness stay in the note.

To leave *f* times the vibrato, time is warped: the sound of the moment *t* is played at

.. math:: t' = \int_0^t 2^{(1-f)\, v(u) / 1200}\, du,

so that its pitch becomes :math:`c - (1-f) v`. The sound is read along the inverse of that line from one
band-limited signal, so that phase is kept, and no frame is cut. Over the note the warp is scaled to give
back the note's length; that shifts its pitch by a fraction of a cent. Resonances move with the pitch, by
no more than the vibrato taken away or added.

Level in step with the vibrato (dB) can be scaled the same way.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.signal import resample_poly

from vibstudy.errors import VibstudyError
from vibstudy.pitch.refine import NoteLine, refine_note
from vibstudy.recording.found import undrawn
from vibstudy.sound.dereverb import Dereverberated
from vibstudy.units import ratio
from vibstudy.vibrato.note import measure_note
from vibstudy.vibrato.realised import VibratoFit

ORDERS = 4
SPREAD_CYCLES = 0.8
EDGE_S = 0.03
"""Beyond the line's ends the warp runs on for this long, fading."""
PAD_S = 0.12
"""Sound kept before and after the note."""
OVERSAMPLING = 4
FACTORS = {"as_played": 1.0, "without": 0.0, "halved": 0.5, "doubled": 2.0}
"""Versions of a note, and how much of its vibrato each keeps."""


@dataclass(frozen=True, eq=False)
class RealNote:
    """One note of a recording, cut out.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound, :data:`PAD_S` longer at both ends where there is sound.
    rate_hz : float
        Sample rate.
    line : NoteLine
        Its measured line, on the clock of `samples`.
    fit : VibratoFit | None
        Its vibrato; None when it is straight.
    first : int
        Place of the first sample in the sound it was cut from.
    """

    samples: np.ndarray
    rate_hz: float
    line: NoteLine
    fit: VibratoFit | None
    first: int = 0

    @property
    def vibrato(self) -> VibratoFit:
        """Its vibrato.

        Raises
        ------
        ValueError
            When it is straight.
        """
        if self.fit is None:
            raise ValueError("a straight note has no vibrato")
        return self.fit


def cut_note(path: str | Path, at_s: float) -> RealNote:
    """Cut out the note that sounds at a moment of a recording.

    Parameters
    ----------
    path : path
        Sound file.
    at_s : float
        A moment inside the note, in s from the beginning of the file.

    Raises
    ------
    VibstudyError
        When no note sounds there, or it has no vibrato to change.
    """
    from vibstudy.notes.segment import segment_notes
    from vibstudy.pitch.trackers import track_line
    from vibstudy.sound.reading import read_audio

    audio = read_audio(path)
    contour = track_line(audio.samples, audio.rate_hz)
    notes = segment_notes(audio.samples, audio.rate_hz, contour)
    here = notes[(notes["onset_s"] <= at_s) & (notes["offset_s"] >= at_s)]
    if here.empty:
        near = notes.iloc[(0.5 * (notes["onset_s"] + notes["offset_s"]) - at_s).abs().argsort()[:1]]
        ends = near[["onset_s", "offset_s"]].to_numpy()
        hint = (
            "".join(f"The nearest lasts from {a:.2f} to {b:.2f} s" for a, b in ends) or "Choose another file"
        )
        raise VibstudyError("no note sounds at this moment", str(path), got=f"{at_s:g} s", repair=hint)
    onset_s, offset_s = (float(here.iloc[0][name]) for name in ("onset_s", "offset_s"))
    note = cut_out(audio.samples, audio.rate_hz, onset_s, offset_s)
    if note is None:
        message, repair = (
            "this note has no vibrato that could be changed",
            "Choose a longer note, or one with vibrato",
        )
        raise VibstudyError(message, str(path), got=f"{at_s:g} s", repair=repair)
    return note


def cut_out(
    samples: np.ndarray, rate_hz: float, onset_s: float, offset_s: float, *, straight: bool = False
) -> RealNote | None:
    """Cut a note out of a sound and measure its line; None when it has no vibrato, or no line.

    Where a room or others draw the line it is straightened, as it is when a recording is measured: else a
    part of the vibrato would stay in the sound it is taken out of.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound.
    rate_hz : float
        Sample rate.
    onset_s, offset_s : float
        The note, in s from ``samples[0]``.
    straight : bool
        A note without vibrato will do, too.
    """
    from vibstudy.pitch.trackers import track_line

    first = max(0, round((onset_s - PAD_S) * rate_hz))
    last = round((offset_s + PAD_S) * rate_hz)
    cut = np.asarray(samples[first:last], np.float32)
    origin_s = first / rate_hz
    line = refine_note(cut, rate_hz, track_line(cut, rate_hz), onset_s - origin_s, offset_s - origin_s)
    if line is not None:
        line, _ = undrawn(cut, rate_hz, line, Dereverberated.of(samples, rate_hz, origin_s=origin_s))
    fit = measure_note(line)[1] if line is not None else None
    if line is None or (fit is None and not straight):
        return None
    return RealNote(cut.astype(float), rate_hz, line, fit, first)


def scale_vibrato(note: RealNote, factor: float, *, level: bool = False) -> np.ndarray:
    """Return the note's sound with `factor` times its vibrato [shape=(n,)].

    Parameters
    ----------
    note : RealNote
        From :func:`cut_note`.
    factor : float >= 0
        0 removes the vibrato, 1 leaves it, 2 doubles it.
    level : bool
        Scale the level modulation in step with it, too.
    """
    if factor < 0:
        raise VibstudyError("a vibrato cannot be scaled below 0", got=f"{factor:g}")
    if factor == 1.0:
        return note.samples.copy()
    samples = note.samples
    t, cents = frames_around(note), in_step(note, note.line.cents)
    if level:
        db = in_step(note, note.line.level_db)
        time_s = np.arange(len(samples)) / note.rate_hz
        samples = samples * 10.0 ** (np.interp(time_s, t, (factor - 1.0) * db, left=0.0, right=0.0) / 20.0)
    return warped(samples, note.rate_hz, t, (1.0 - factor) * cents)


def vibrato_cents(note: RealNote) -> np.ndarray:
    """Return the vibrato alone at the frames of the note's line [shape=(n,)], in cents."""
    return np.interp(note.line.time_s, frames_around(note), in_step(note, note.line.cents))


def frames_around(note: RealNote) -> np.ndarray:
    """Return the frames of the line and up to :data:`EDGE_S` beyond its ends [shape=(m,)], in s."""
    line = note.line
    beyond = round(EDGE_S / line.hop_s)
    return line.time_s[0] + line.hop_s * (np.arange(len(line.time_s) + 2 * beyond) - beyond)


def in_step(note: RealNote, values: np.ndarray) -> np.ndarray:
    """Return the part of `values` in step with the note's vibrato, fading to 0 beyond the line.

    Parameters
    ----------
    note : RealNote
        With a vibrato.
    values : ndarray [shape=(n,)]
        At the frames of its line.

    Returns
    -------
    ndarray [shape=(m,)]
        At :func:`frames_around`.
    """
    line, fit = note.line, note.vibrato
    hop = line.hop_s
    psi = _running_phase(fit, line)
    beyond = round(EDGE_S / hop)
    slopes = np.gradient(psi)
    before = psi[0] - slopes[0] * np.arange(beyond, 0, -1)
    after = psi[-1] + slopes[-1] * np.arange(1, beyond + 1)
    wide = np.concatenate([before, psi, after])

    turn = psi / (2.0 * np.pi)
    waves = _waves(psi)
    out = np.empty(len(wide))
    for i, here in enumerate(wide):
        centre = np.clip(here / (2.0 * np.pi), turn[0], turn[-1])
        distance = turn - centre
        weight = np.exp(-0.25 * (distance / SPREAD_CYCLES) ** 2)
        # a vibrato that grows is not the same on the one side that there is at the note's ends
        growing = waves[:, :2] * distance[:, None]
        columns = np.column_stack([waves, growing, np.ones_like(distance), distance, distance**2])
        ridge = 1e-6 * np.eye(columns.shape[1]) * weight.sum() ** 2
        near = columns * weight[:, None]
        beta = np.linalg.solve(near.T @ near + ridge, near.T @ (values * weight))
        out[i] = (_waves(np.array([here])) @ beta[: 2 * ORDERS])[0]
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(beyond) + 0.5) / beyond)
    out[:beyond] *= ramp
    out[len(out) - beyond :] *= ramp[::-1]
    return out


def _running_phase(fit: VibratoFit, line: NoteLine) -> np.ndarray:
    """Phase of the cycle at every frame; before and after the vibrato it runs on at the mean rate."""
    times = line.time_s - line.onset_s
    inside = (fit.time_s >= fit.start_s) & (fit.time_s <= fit.end_s)
    known_t, known = fit.time_s[inside], np.asarray(fit.phase_rad)[inside]
    psi = np.interp(times, known_t, known)
    turn = 2.0 * np.pi * fit.rate_hz
    psi = np.where(times < known_t[0], known[0] + turn * (times - known_t[0]), psi)
    return np.where(times > known_t[-1], known[-1] + turn * (times - known_t[-1]), psi)


def _waves(psi: np.ndarray) -> np.ndarray:
    return np.column_stack([f(k * psi) for k in range(1, ORDERS + 1) for f in (np.cos, np.sin)])


def warped(samples: np.ndarray, rate_hz: float, t: np.ndarray, cents: np.ndarray) -> np.ndarray:
    """Return a sound with its pitch lowered by `cents`, by playing it along a warped time.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound.
    rate_hz : float
        Sample rate.
    t, cents : ndarray [shape=(m,)]
        By how much, at which times (s from the first sample); 0 outside.
    """
    source = np.arange(len(samples)) / rate_hz
    at = np.interp(source, _played(t, cents, rate_hz, len(samples)), source)
    fine = resample_poly(samples, OVERSAMPLING, 1)
    return CubicSpline(np.arange(len(fine)) / (OVERSAMPLING * rate_hz), fine)(at)


def played_at(t: np.ndarray, cents: np.ndarray, rate_hz: float, n: int) -> np.ndarray:
    """Return when moments `t` of a sound of `n` samples are heard in :func:`warped` [shape=(m,)], in s."""
    return np.interp(t, np.arange(n) / rate_hz, _played(t, cents, rate_hz, n))


def _played(t: np.ndarray, cents: np.ndarray, rate_hz: float, n: int) -> np.ndarray:
    """When each sample is heard, s."""
    source = np.arange(n) / rate_hz
    inside = (source >= t[0]) & (source <= t[-1])
    speed = np.ones(n)
    speed[inside] = ratio(PchipInterpolator(t, cents)(source[inside]))
    # give the note its length back, so that what follows stays where it was
    speed[inside] /= speed[inside].mean()
    return np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))]) / rate_hz
