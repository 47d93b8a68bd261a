r"""Pitch of one note by straightening it: in rooms and beside others, where a pooled phase is drawn astray.

Why
---
A room, or a piano, adds to every harmonic sound that does not carry this moment's pitch. The phase of the
sum is drawn towards the past, and a vibrato read from it (:mod:`vibstudy.pitch.refine`) shrinks by a tenth
to three quarters. Another question is not drawn: which course of the pitch, taken out of harmonic *k* with
*k* times its phase, turns most of the sound into steady lines? The direct sound of every harmonic becomes
steady at the true course and nowhere else; tail and other players do not.

How
---
1. *Follow.* Courses are followed through the note, many side by side, from its beginning
   (:mod:`vibstudy.pitch.follow`), and from its end where that is not what the pooled line leads to.
2. *Settle.* From each the likeliest course (:mod:`vibstudy.pitch.course`). A rough course is half a radian
   off in a low harmonic and many in a high one, so the lowest are looked at first (up to `FIRST_HZ`), and an
   octave more at each step. The likeliest is the note's.
   Where a note is partly room, and nobody else sounds, courses are compared by what makes its tail
   (:mod:`vibstudy.pitch.reverberant`), for there a wrong one often leaves less that is not steady. Where it
   is mostly room, one more is settled from: the likeliest in the sound without most of its room
   (:mod:`vibstudy.sound.dereverb`).
3. *Score.* What is left of the phase in each frame, one step of maximum likelihood with the weights of the
   straightened harmonics. It gives back what the prior took, and leaves noise white in the integral, as
   :class:`~vibstudy.pitch.refine.NoteLine` has it: whoever fits a vibrato sees the noise that there is.
4. *End.* The note ends with its direct sound (:mod:`vibstudy.pitch.ending`).
5. *Doubt.* Reflections that follow the direct sound at once make every harmonic's level follow the pitch.
   With levels that may do so the likeliest course is sometimes another one; yet with them free it is drawn
   towards the slow by a hundredth or two. So the first one stands, and the difference,
   :attr:`NoteLine.reflected`, is a witness of its error: in a small studio, where some were half as wide as
   played and their halves agreed, 95 % intervals of the extent held 86 of 100 without it and 97 with it.

Related: harmonic chirp models (Christensen & Jensen; Grover, Kundu & Mitra 2021, doi 10.1049/sil2.12038),
time-warped spectra (Weruaga & Képesi; Cancela, López & Rocamora, DAFx-10).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.signal import resample_poly

from vibstudy.pitch.accompaniment import find_accompaniment
from vibstudy.pitch.calculus import derivative, running_integral
from vibstudy.pitch.course import FLOOR, Bank, Course, Look, look, power_of, settle
from vibstudy.pitch.demodulate import NOISE_BANDWIDTH, Demodulator, slow_course, snr_db
from vibstudy.pitch.ending import last_frame
from vibstudy.pitch.follow import REACH_CENTS, followed
from vibstudy.pitch.refine import CENTS_PER_NEPER, MAX_HARMONICS, STILL_CENTS, NoteLine
from vibstudy.pitch.repeated import Silences, silences
from vibstudy.pitch.reverberant import InRoom
from vibstudy.sound.dereverb import RATE_HZ as DEREVERB_RATE_HZ
from vibstudy.sound.dereverb import Dereverberated
from vibstudy.threads import one_thread

FIRST_HZ, NEXT = 3000.0, 2.0
"""Harmonics up to here first, and an octave more at each step; a quarter more finds no more. From 2,000 Hz on
a likelier course is missed in one note in twenty more, from 5,000 Hz in as many (213 notes in simulated rooms
and beside a piano)."""
AGREED = 1.0  # of log likelihood: two starts have found the same course; on the way, go on to more harmonics
LEAST_FRAMES = 24
PARTLY_ROOM, MOSTLY_ROOM = 0.15, 0.5
"""Shares of a note's power that are not steady, mean over its harmonics: from the first on its tail is asked,
from the second on it is followed without most of its room, too. Of notes that were mostly room 188 of 346 had
been astray, of others 31 of 337, and of these no more were found that way. In a small studio, direct sound
3 dB softer than the tail, extents were 3.7 % narrow where only the former were asked, 1.0 %
with both; from 0.08 on they are no better (``benchmarks/rooms.py``)."""
ALONE_DB = -10.0
"""Another pitch beside a note stands below this where only a room makes it: in 155 of 171 notes in rooms that
were mostly room, church far included, and in none of 16 beside a piano as loud. A piano is nobody's tail."""
REFLECTED = 6  # rounds in which the levels' own course comes to rest, at most


def search(bank: Bank, f0_hz: float, course: Course) -> tuple[np.ndarray, Look] | None:
    """The likeliest course that is found from the note's beginning; None when the note is too short."""
    found = _candidates(bank, f0_hz, course)
    return found[0] if found else None


def _candidates(
    bank: Bank, f0_hz: float, course: Course, known: np.ndarray | None = None
) -> list[tuple[np.ndarray, Look]]:
    """Likely courses; none when the note is too short.

    One from the note's beginning, and, where the cents of a line at the bank's frames are `known`, from
    there, and from the note's end if these are not the same.
    """
    stages = [bank.first(most) for most in _first_harmonics(bank, f0_hz)]

    def settled(rough: np.ndarray) -> tuple[np.ndarray, Look]:
        x = course.start(rough)
        for few in stages:
            x, _ = settle(few, course, x, few.white(), 3, AGREED)
        return settle(bank, course, x, bank.white(), 12)

    forwards = followed(bank, f0_hz)
    if forwards is None:
        return []
    found = [settled(forwards)]
    if known is not None:
        found.append(_near(bank, course, known))
        if abs(found[0][1].cost - found[1][1].cost) > AGREED:
            backwards = followed(bank, f0_hz, backwards=True)
            assert backwards is not None
            found.append(settled(backwards))
    return found


def _near(bank: Bank, course: Course, cents: np.ndarray) -> tuple[np.ndarray, Look]:
    """The likeliest course near a line, cents at the bank's frames."""
    return settle(bank, course, course.start(cents), bank.white(), 12)


def harmonics_in_reach(rate_hz: float, f0_hz: float) -> int:
    """How many harmonics of a pitch stay below half the sampling rate wherever a course may lead."""
    return int(np.clip(0.485 * rate_hz / (f0_hz * 2.0 ** (REACH_CENTS / 1200.0)), 1, MAX_HARMONICS))


def _first_harmonics(bank: Bank, f0_hz: float) -> list[int]:
    """How many harmonics are looked at first, step by step: a rough course is radians off in the others."""
    count = int(bank.order[-1])
    if f0_hz * count <= FIRST_HZ:
        return []
    tops_hz = np.geomspace(FIRST_HZ, f0_hz * count, 2 + int(np.log(f0_hz * count / FIRST_HZ) / np.log(NEXT)))
    lowest = bank.order[0]  # of a rival only some harmonics are asked
    return [n for n in dict.fromkeys(np.maximum(np.rint(tops_hz / f0_hz), 1)) if lowest <= n < count]


@dataclass(frozen=True, eq=False)
class Straightened:
    """A note's line found by straightening.

    Parameters
    ----------
    line : NoteLine
        The line.
    gain : float
        By how much its log likelihood exceeds that of the line it was to improve.
    bank : Bank
        Its harmonics along the line.
    """

    line: NoteLine
    gain: float
    bank: Bank

    @cached_property
    @one_thread
    def silences(self) -> Silences:
        """Where it may be begun anew."""
        return silences(self.bank, self.line.onset_s)


@one_thread
def straighten_note(
    samples: np.ndarray, rate_hz: float, line: NoteLine, dry: Dereverberated | None = None
) -> Straightened | None:
    """Find the course of a note's pitch that straightens its harmonics.

    Parameters
    ----------
    samples : ndarray [shape=(n,) or (channels, n)]
        The sound `line` was refined from; every channel is a witness of its own.
    rate_hz : float > 0
        Its sampling rate.
    line : NoteLine
        The note as it is known: where it is, and about which pitch.
    dry : Dereverberated | None
        The same sound without most of its room, where courses are looked for, too; of these samples alone
        where it is None.

    Returns
    -------
    Straightened | None
        None when the note is too short.
    """
    return _straightened(samples, rate_hz, line, dry or Dereverberated.of(samples, rate_hz), None)


def _straightened(
    samples: np.ndarray,
    rate_hz: float,
    line: NoteLine,
    dry: Dereverberated,
    likely: list[np.ndarray] | None,
) -> Straightened | None:
    """A note straightened; `likely`: courses [2, n], s and Hz, that were found when it seemed longer."""
    f0 = line.reference_hz
    demodulators = [
        Demodulator.of_note(channel, rate_hz, line.onset_s, line.offset_s, f0)
        for channel in np.atleast_2d(samples)
    ]
    frames = demodulators[0].frames
    if frames < LEAST_FRAMES:
        return None

    count = harmonics_in_reach(rate_hz, f0)

    def along(base_hz: np.ndarray) -> Bank:
        return Bank.along(demodulators, line.onset_s, base_hz, count)

    steady = along(np.full(frames, f0))
    thin, at = steady.thinned()
    course = Course.over(steady.time_s)
    known = np.interp(thin.time_s, line.time_s - line.onset_s, line.cents)
    thin_course = replace(course, basis=course.basis[at])
    if likely is None:
        found = _candidates(thin, f0, thin_course, known)
    else:
        along_hz = [np.interp(thin.time_s + line.onset_s, *one) for one in likely]
        found = [_near(thin, thin_course, CENTS_PER_NEPER * np.log(hz / f0)) for hz in along_hz]
    if not found:
        return None
    x, seen = min(found, key=lambda one: one[1].cost)
    gain: float | None = None
    unsteady = _unsteady(thin, seen)
    in_room = unsteady > PARTLY_ROOM and (likely is not None or _alone(samples, rate_hz, line))
    if in_room:
        last = last_frame(along(f0 * np.exp(course.basis @ x / CENTS_PER_NEPER)), LEAST_FRAMES)
        if last < frames:  # behind its end nothing new sounds, and the model below has no end
            time_s = line.onset_s + steady.time_s
            likely = [np.stack([time_s, f0 * np.exp(course.basis @ x / CENTS_PER_NEPER)]) for x, _ in found]
            return _straightened(samples, rate_hz, line.until(float(time_s[last - 1])), dry, likely)
        room = InRoom(thin, thin_course)
        x, cost = room.settled(min((x for x, _ in found), key=room.with_noise))
        if unsteady > MOSTLY_ROOM:
            without = _without_room(dry, line, thin.time_s)
            if without is not None:
                other = room.settled(thin_course.start(without), below=cost)
                x, cost = min((x, cost), other, key=lambda one: one[1])
        gain = room.with_noise(thin_course.start(known)) - cost
        counts = steady.coloured(look(steady, course, x, steady.white()).rest(steady))
    else:
        x, seen = settle(steady, course, x, steady.white(), 3)
        counts = steady.coloured(seen.rest(steady))
        x, _ = settle(steady, course, x, counts, 4)
    bank = along(f0 * np.exp(course.basis @ x / CENTS_PER_NEPER))
    straight = _scored(bank, line, counts)
    reflected = course.basis @ (_reflected(thin, thin_course, x) - x)
    last = last_frame(bank, LEAST_FRAMES)
    as_found = along(straight.f0_hz).until(last)
    counts *= last / frames
    if gain is None:
        as_known = along(np.interp(straight.time_s, line.time_s, line.f0_hz)).until(last)
        gain = float(counts @ np.log(_lost(as_known) / _lost(as_found)))
    if last < frames:
        bank = bank.until(last)
        ended = replace(line, offset_s=line.onset_s + float(bank.time_s[-1]))
        straight = _scored(bank, ended, counts)
    straight = replace(
        straight,
        reflected=reflected[:last],
        covered=unsteady > MOSTLY_ROOM,
        rows=as_found.b.astype(np.complex64),
    )
    return Straightened(straight, gain, as_found)


def _without_room(dry: Dereverberated, line: NoteLine, time_s: np.ndarray) -> np.ndarray | None:
    """Cents of the likeliest course in the sound without most of its room, at times from the note's onset.

    None when the note is too short.
    """
    f0 = line.reference_hz
    samples, start_s = dry.about(line.onset_s, line.offset_s)
    onset_s, offset_s = line.onset_s - start_s, line.offset_s - start_s
    demodulator = Demodulator.of_note(samples, DEREVERB_RATE_HZ, onset_s, offset_s, f0)
    if demodulator.frames < LEAST_FRAMES:
        return None
    count = harmonics_in_reach(DEREVERB_RATE_HZ, f0)
    steady = Bank.along([demodulator], onset_s, np.full(demodulator.frames, f0), count)
    thin, at = steady.thinned()
    course = Course.over(steady.time_s)
    course = replace(course, basis=course.basis[at])
    found = _candidates(thin, f0, course, np.interp(thin.time_s, line.time_s - line.onset_s, line.cents))
    if not found:
        return None
    x, seen = min(found, key=lambda one: one[1].cost)
    if _unsteady(thin, seen) > PARTLY_ROOM:
        x, _ = InRoom(thin, course).settled(x)
    return np.interp(time_s, thin.time_s, course.basis @ x)


def _unsteady(bank: Bank, seen: Look) -> float:
    """Share of the power that is not steady along a course, mean over the harmonics."""
    return float(np.exp(np.mean(np.log(seen.lost / bank.total))))


def _alone(samples: np.ndarray, rate_hz: float, line: NoteLine) -> bool:
    """Tell whether nobody else sounds beside a note."""
    return find_accompaniment(np.atleast_2d(samples)[0], rate_hz, line).other_db < ALONE_DB


def _reflected(bank: Bank, course: Course, x: np.ndarray) -> np.ndarray:
    """The likeliest course near another where the levels may follow it, as reflections make them."""
    for _ in range(REFLECTED):
        along = bank.reflected(course.basis @ x)
        before, (x, _) = x, settle(along, course, x, along.white(), 6)
        if np.std(course.basis @ (x - before)) < STILL_CENTS:
            break
    return x


def _lost(bank: Bank) -> np.ndarray:
    """Power of each row that is not steady along the base line."""
    rest = bank.b - (bank.b @ bank.levels) @ bank.levels.T
    return np.maximum(power_of(rest), FLOOR * bank.total)


def _scored(bank: Bank, line: NoteLine, counts: np.ndarray) -> NoteLine:
    """The base line of a bank and, frame by frame, what is left over of its harmonics' phase."""
    level = (bank.b @ bank.levels) @ bank.levels.T
    noise = np.maximum(power_of(bank.b - level), FLOOR * bank.total) / counts
    slope = (bank.order / noise)[:, None] * (np.conj(level) * bank.b).imag
    weight = (bank.order**2 / noise)[:, None] * (level.real**2 + level.imag**2)
    whole = weight.sum(axis=0)
    phase = slope.sum(axis=0) / whole
    share = (weight / whole).mean(axis=1)
    halves, balance = _halves(slope, weight, share)
    own = weight * (slope / weight - phase) ** 2
    disagreement = float(own.sum() / max(own.size - own.shape[1], 1))
    reference = float(np.exp(np.mean(np.log(bank.base_hz))))
    base = CENTS_PER_NEPER * np.log(bank.base_hz / reference)
    gain = CENTS_PER_NEPER / (2.0 * np.pi * bank.base_hz)
    n = len(base)
    by_harmonic = np.bincount(bank.order, share, minlength=bank.order[-1] + 1)[1:]
    channels = len(bank.b) // int(bank.order[-1])
    power = (bank.b.real**2 + bank.b.imag**2).reshape(-1, channels, n).mean(axis=1)
    return replace(
        line,
        time_s=bank.time_s + line.onset_s,
        reference_hz=reference,
        cents=base + derivative(phase, bank.hop_s) * gain,
        integral=running_integral(base, bank.hop_s) + gain * phase,
        harmonic_db=(10.0 * np.log10(2.0 * power + 1e-20)).astype(np.float32),
        weight=by_harmonic,
        snr_db=snr_db(
            bank.b,
            slow_course(bank.b, bank.hop_s),
            line.reference_hz,
            bank.hop_s,
            NOISE_BANDWIDTH / bank.bandwidth_hz,
        ),
        halves=gain * halves,
        balance=balance,
        disagreement=disagreement,
        drawn=True,
        straightened=True,
    )


def _halves(slope: np.ndarray, weight: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, float]:
    """Half the difference of the phase from two halves of the rows, and the share of the lighter one."""
    sums, weights, held = np.zeros((2, slope.shape[1])), np.zeros((2, slope.shape[1])), [0.0, 0.0]
    for row in np.argsort(-share, kind="stable"):  # the heaviest first, each to the lighter half
        half = int(held[1] < held[0])
        held[half] += share[row]
        sums[half] += slope[row]
        weights[half] += weight[row]
    balance = min(held) / sum(held)
    if balance <= 0.0:
        return np.zeros(slope.shape[1]), 0.0
    return (sums[0] / weights[0] - sums[1] / weights[1]) * np.sqrt(balance * (1.0 - balance)), balance


def straightened_sound(
    samples: np.ndarray, rate_hz: float, time_s: np.ndarray, f0_hz: np.ndarray
) -> np.ndarray:
    """A note with its movement of pitch taken out: to be seen, or heard.

    Time is warped so that the pitch stands still. In a spectrogram of it the direct sound stands in straight
    lines where the line is right.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound the line was found in.
    rate_hz : float > 0
        Its sampling rate.
    time_s, f0_hz : ndarray [shape=(frames,)]
        The note's line; times from the first sample.

    Returns
    -------
    ndarray [shape=(m,), float32]
        The note from its first frame to its last, at `rate_hz`, and at the line's geometric mean.
    """
    first, last = (round(rate_hz * at_s) for at_s in (time_s[0], time_s[-1]))
    sound = resample_poly(np.asarray(samples[first : last + 1], dtype=np.float64), 4, 1)
    at_s = np.arange(len(sound)) / (4.0 * rate_hz)
    ratio = np.interp(at_s, time_s - time_s[0], f0_hz / np.exp(np.mean(np.log(f0_hz))))
    warped_s = np.append(0.0, np.cumsum(0.5 * (ratio[1:] + ratio[:-1]))) / (4.0 * rate_hz)
    even_s = np.arange(0.0, warped_s[-1], 1.0 / rate_hz)
    return np.interp(np.interp(even_s, warped_s, at_s), at_s, sound).astype(np.float32)
