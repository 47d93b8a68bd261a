r"""What a room's tail does to a harmonic: covariance of a sound's own past.

A room's late response is white but falls exponentially (Polack's model, 1993; from memory). Behind a harmonic
whose direct sound is :math:`s(t)` it therefore puts complex Gaussian noise whose covariance obeys

.. math:: C(t + \Delta, t' + \Delta) = e^{-2 a \Delta} C(t, t') + s(t + \Delta)\, \overline{s(t' + \Delta)},
          \qquad a = \ln(10^3) / T.

The step must be fine: between two frames of a hundredth of a second a high harmonic of a vibrato goes round
by more than half a turn, and a sum over such frames is no integral. With the frames themselves for steps, 70
a second, tails of 0.4 s passed for 1.2 s, and what they put on a level in step with the pitch was told three
times too small (simulated tails of this very model).
"""

from __future__ import annotations

import math

import numba
import numpy as np

NEPERS_60_DB = math.log(1e3)  # of amplitude


def kept(decay_s: float, step_s: float) -> float:
    """Share of a tail's power that is left after a step; `decay_s` is by 60 dB."""
    return math.exp(-2.0 * NEPERS_60_DB * step_s / decay_s)


def pieces(frames: int, piece_frames: int) -> np.ndarray:
    """Ends of pieces of about so many frames, the first being 0 [shape=(pieces + 1,)]."""
    return np.linspace(0, frames, max(1, round(frames / piece_frames)) + 1).round().astype(int)


@numba.njit(cache=True, fastmath={"contract"})
def covariance(sound, every, first, last, keep):
    """Covariance of a tail at some frames, its upper part; its power is 1 behind a steady sound of power 1.

    Parameters
    ----------
    sound : complex ndarray [shape=(n,)]
        Direct sound at fine steps, from its beginning.
    every : int > 0
        Steps from frame to frame, which are at ``every // 2 + every * i``.
    first, last : int
        Frames asked for.
    keep : float [range 0..1]
        Share of the tail's power that is left after a step.

    Returns
    -------
    ndarray [shape=(2, last - first, last - first)]
        Real and imaginary parts, zero below the diagonal.
    """
    n, lead = last - first, every // 2
    out = np.zeros((2, n, n))
    for apart in range(n):
        lag, now, frame, tail = apart * every, lead + first * every, 0, 0.0j
        for i in range(lead + (last - 1 - apart) * every + 1):
            tail = keep * tail + (1.0 - keep) * sound[i] * sound[i + lag].conjugate()
            if i == now:
                out[0, frame, frame + apart], out[1, frame, frame + apart] = tail.real, tail.imag
                frame += 1
                now += every
    return out
