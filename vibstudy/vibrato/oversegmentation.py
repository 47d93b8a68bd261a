"""Notes that a room parted, made whole.

A room hears every harmonic of a swinging pitch at another place of its own response, a moment late. So a
vibrato that is even in loudness reaches the microphone with dips of 5 to 12 dB, once or twice a cycle, and a
note falls into pieces at them, as if it were tongued. Where the pitch does not swing nothing of the kind
happens: dips of a straight note are the player's.

Pieces on one pitch that touch are straightened as one note (:mod:`vibstudy.pitch.straighten`). Where they
have one vibrato, a cut between them stands only if a silence of the direct sound is likelier there than none
(:mod:`vibstudy.pitch.repeated`): a tongue stops all harmonics, a room takes one here and another there. What
seemed a trill or a wide vibrato is a note where, straightened, it swings less than any trill.

Pieces that may lie an octave or a twelfth apart, or lower than the line, wait until their own sound has told
their pitch (:mod:`vibstudy.pitch.octaves`), and are asked then: others' attacks part notes, too, and what
others play between a note's lines, or a weak fundamental, leaves its octave open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from vibstudy.notes.alternation import LEAST_CENTS
from vibstudy.pitch.accompaniment import find_accompaniment
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.octaves import LOWER_SHARE_ABOVE, TWELFTH_ABOVE_DB
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.straighten import straighten_note
from vibstudy.schema import quality_of, reasons_of
from vibstudy.sound.dereverb import Dereverberated
from vibstudy.units import to_cents
from vibstudy.vibrato.detect import detect
from vibstudy.vibrato.note import pitch_series

BETWEEN_ABOVE_DB = -12.0
"""With less sound between its lines (:mod:`vibstudy.pitch.accompaniment`), no dry sampled wind was an octave
lower."""
CLEAR_DB = 25.0
"""A note that stands out by more is seldom parted by a room, though its line may be drawn by one."""
TOUCHING_S, SAME_CENTS = 0.06, 60.0
CUT_S = 0.06  # so far from a silence a cut may lie
RATES_HZ = (3.0, 10.0)  # rates of vibrato
SURE_P = 1e-3  # a vibrato that is surely there
_KINDS = ("note", "ornament", "unclear")
_OF_END = ("offset_s", "offset_se_s")
_OF_WHOLE = ("trill_p", "trill_rate_hz", "trill_interval_cents")


def merge_oversegmented(
    samples: np.ndarray,
    rate_hz: float,
    contour: Contour,
    rows: Sequence[Mapping[str, Any]],
    *,
    settled: bool = False,
    dry: Dereverberated | None = None,
) -> list[dict[str, Any]]:
    """Join what a room parted.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound.
    rate_hz : float > 0
        Its sampling rate.
    contour : Contour
        The line of the soloist.
    rows : sequence of mapping
        Notes as :func:`vibstudy.notes.segment.find_notes` gives them, in the order of time.
    settled : bool
        Whether contour and notes have their true pitch.
    dry : Dereverberated | None
        The sound without most of its room (:func:`vibstudy.pitch.straighten.straighten_note`).

    Returns
    -------
    list of dict
        The notes; where none was parted, as they were. With ``straight``, what straightening gave, where the
        whole is as it was straightened; with ``asked``, where it was, the beginning of the notes it was asked
        with.
    """
    out: list[dict[str, Any]] = []
    for run in _runs(rows):
        doubted = len(run) > 1 or run[0]["note_kind"] == "unclear"
        before = {row.get("asked") for row in run}
        known = len(before) == 1 and None not in before
        out += _joined(samples, rate_hz, contour, run, settled, dry) if doubted and not known else run
    return out


def _runs(rows: Sequence[Mapping[str, Any]]) -> list[list[dict[str, Any]]]:
    """Notes that touch on one pitch: that of those before, lest short ones lead from step to step."""
    runs: list[list[dict[str, Any]]] = []
    for row in rows:
        last = runs[-1][-1] if runs else None
        if (
            last is not None
            and row["onset_s"] - last["offset_s"] < TOUCHING_S
            and abs(to_cents(row["pitch_hz"], _pitch_hz(runs[-1]))) < SAME_CENTS
            and row["note_kind"] in _KINDS
            and last["note_kind"] in _KINDS
            and max(one.get("octave_below") or 0.0 for one in (row, last))
            <= LOWER_SHARE_ABOVE  # may be another pitch
        ):
            runs[-1].append(dict(row))
        else:
            runs.append([dict(row)])
    return runs


def _joined(
    samples: np.ndarray,
    rate_hz: float,
    contour: Contour,
    run: list[dict[str, Any]],
    settled: bool,
    dry: Dereverberated | None,
) -> list[dict[str, Any]]:
    asked = [row | {"asked": run[0]["onset_s"]} for row in run]
    line = refine_note(samples, rate_hz, contour, run[0]["onset_s"], run[-1]["offset_s"])
    if line is None or line.snr_db > CLEAR_DB:
        return asked
    straight = straighten_note(samples, rate_hz, line, dry)
    if straight is None or detect(pitch_series(straight.line), *RATES_HZ).p > SURE_P:
        return asked
    accompaniment = find_accompaniment(samples, rate_hz, straight.line)
    between = accompaniment.below_db > BETWEEN_ABOVE_DB or accompaniment.twelfth_db > TWELFTH_ABOVE_DB
    if between and not settled:
        return run  # there may be notes an octave or a twelfth apart
    run = asked
    parts = [[run[0]]]
    for row in run[1:]:
        if straight.silences.near(row["onset_s"], CUT_S):
            parts.append([row])
        else:
            parts[-1].append(row)
    wide = float(np.ptp(np.percentile(straight.line.cents, [10, 90]))) >= LEAST_CENTS
    if len(parts) == 1:  # as it will be found again
        return [_whole(run, wide) | {"straight": straight}]
    return [_whole(part, wide) for part in parts]


def _whole(part: list[dict[str, Any]], wide: bool) -> dict[str, Any]:
    """One note of several; its kind is that of most of it, where it swings as `wide` as a trill."""
    if len(part) < 2 and (wide or part[0]["note_kind"] != "unclear"):
        return part[0]
    row = {key: value for key, value in part[0].items() if key not in _OF_WHOLE}
    row |= {key: part[-1][key] for key in _OF_END if key in part[-1]}
    length_s = _lengths_s(part)
    unclear = np.array([piece["note_kind"] == "unclear" for piece in part])
    told = part[int(np.argmax(np.where(unclear, length_s, -1.0)))]
    row["pitch_hz"] = _pitch_hz(part)
    row["note_kind"] = "note"
    if wide and length_s[unclear].sum() > length_s[~unclear].sum():
        row |= {key: told[key] for key in ("note_kind", *_OF_WHOLE) if key in told}
    reasons = [reason for piece in (part[0], part[-1]) for reason in reasons_of(piece.get("quality"))]
    row["quality"] = quality_of(reasons)
    return row


def _pitch_hz(part: Sequence[Mapping[str, Any]]) -> float:
    """Mean pitch of pieces, each as long as it is."""
    return float(2.0 ** np.average(np.log2([piece["pitch_hz"] for piece in part]), weights=_lengths_s(part)))


def _lengths_s(part: Sequence[Mapping[str, Any]]) -> np.ndarray:
    return np.array([piece["offset_s"] - piece["onset_s"] for piece in part])
