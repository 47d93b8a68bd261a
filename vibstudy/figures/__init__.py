"""All figures in one place. Each takes a frame and returns (figure, plotted table)."""

from typing import Any

from vibstudy.figures.quantities import quantities  # at once: its module has the same name
from vibstudy.lazy import lazily, names_of

_HOMES = names_of(
    {
        "data": "add_period clearest_recording default_cuts assessable_notes longest_vibrato_note "
        "match_truth measured_counts need_players telling_length_s two_largest vibrato_notes",
        "usage": "along_the_score pulses_and_beat usage_by_player vibrato_by_length",
        "decades": "change_over_decades",
        "contrasts": "claim_sides claims_forest effects_forest",
        "corpus": "coverage_map coverage_numbers coverage_table coverage_words",
        "straight": "draw_straightened picture_of straightened_picture",
        "check": "error_table measured_against_truth",
        "models": "false_alarms model_check players_apart ways_figure without_each_player",
        "recording": "heard_numbers hearing_words note_close_up note_words phrase_strip recording_close_up "
        "telling_phrase",
        "results": "intensity_against_pitch marginal_means",
        "lineage": "lineages",
        "quantities": "of_kind value_of",
        "plane": "player_portraits rate_extent_plane",
        "planning": "power_curves reach_curves",
        "own": "put_on read_own",
    }
)

__all__ = ["quantities", *_HOMES]


def __getattr__(name: str) -> Any:
    return lazily(__name__, _HOMES, name)
