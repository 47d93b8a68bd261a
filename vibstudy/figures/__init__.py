"""All figures in one place. Each takes a frame and returns (figure, plotted table)."""

from vibstudy.figures.check import error_table, measured_against_truth
from vibstudy.figures.contrasts import claim_sides, claims_forest, effects_forest
from vibstudy.figures.corpus import coverage_map, coverage_table, coverage_words
from vibstudy.figures.data import (
    add_period,
    clearest_recording,
    default_cuts,
    judged_notes,
    longest_vibrato_note,
    match_truth,
    measured_counts,
    need_players,
    telling_length_s,
    two_largest,
    vibrato_notes,
)
from vibstudy.figures.decades import change_over_decades
from vibstudy.figures.lineage import lineages
from vibstudy.figures.models import (
    false_alarms,
    model_check,
    players_apart,
    power_curves,
    ways_figure,
    without_each_player,
)
from vibstudy.figures.own import put_on, read_own
from vibstudy.figures.plane import player_portraits, rate_extent_plane
from vibstudy.figures.quantities import of_kind, quantities, value_of
from vibstudy.figures.recording import (
    hearing_words,
    note_close_up,
    note_words,
    phrase_strip,
    recording_close_up,
    telling_phrase,
)
from vibstudy.figures.results import (
    intensity_against_pitch,
    marginal_means,
)
from vibstudy.figures.straight import draw_straightened, picture_of, straightened_picture
from vibstudy.figures.usage import (
    along_the_score,
    pulses_and_beat,
    usage_by_player,
    vibrato_by_length,
)

__all__ = [
    "add_period",
    "along_the_score",
    "change_over_decades",
    "claim_sides",
    "claims_forest",
    "clearest_recording",
    "coverage_map",
    "coverage_table",
    "coverage_words",
    "default_cuts",
    "draw_straightened",
    "effects_forest",
    "error_table",
    "false_alarms",
    "hearing_words",
    "intensity_against_pitch",
    "judged_notes",
    "lineages",
    "longest_vibrato_note",
    "marginal_means",
    "match_truth",
    "measured_against_truth",
    "measured_counts",
    "model_check",
    "need_players",
    "note_close_up",
    "note_words",
    "of_kind",
    "phrase_strip",
    "picture_of",
    "player_portraits",
    "players_apart",
    "power_curves",
    "pulses_and_beat",
    "put_on",
    "quantities",
    "rate_extent_plane",
    "read_own",
    "recording_close_up",
    "straightened_picture",
    "telling_length_s",
    "telling_phrase",
    "two_largest",
    "usage_by_player",
    "value_of",
    "vibrato_by_length",
    "vibrato_notes",
    "ways_figure",
    "without_each_player",
]
